"""A figure while it is drawn: traces, axes, and names beside the ends of the curves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import plotly.graph_objects as go

from models.units import FloatArray
from recommender import wording
from recommender.figures.palettes import Palette

if TYPE_CHECKING:
    from recommender.job.checks import TargetWanted
    from recommender.session import PullResult

WIDTH: Final = 960
HEIGHT: Final = 430
#: Width and height of a small picture. [pixels]
SMALL: Final = (320, 200)
#: Room around the plot. [pixels]
MARGIN: Final = {"l": 62, "r": 150, "t": 18, "b": 52}
#: Most pulls drawn before the last one.
EARLIER: Final = 12
#: Least distance between two names at the right edge. [pixels]
APART: Final = 21
FONT: Final = "system-ui, 'DejaVu Sans', sans-serif"


class Draft:
    """One figure of this project. Call ``target``, ``limit`` and the curves, then one of the three that finish it.

    Args:
        unit: The job's pressure unit.
        palette: Colours.
    """

    def __init__(self, unit: str, palette: Palette) -> None:
        self.figure = go.Figure()
        self._unit = unit
        self._palette = palette
        self._names: list[tuple[float, str, str]] = []
        self._tops: list[float] = []
        self._bottoms: list[float] = [0.0]

    def line(self, role: str, name: str, x: FloatArray, y: FloatArray) -> None:
        """A curve with its name."""
        look = {
            "last": {"width": 3.0, "dash": "solid"},
            "earlier": {"width": 2.0, "dash": "dot"},
            "target": {"width": 2.5, "dash": "dash"},
            "limit": {"width": 3.5, "dash": "solid"},
        }[role]
        self._trace(role, name, x, y, line={"color": getattr(self._palette, role), **look})
        self._name(role, name, y)

    def pulls(self, pulls: Sequence[PullResult]) -> None:
        """Pulls, oldest first: the last one strong and named, some before it thin."""
        earlier = pulls[-1 - EARLIER : -1]
        for pull in earlier:
            if not pull.at_held_rpm:
                thin = {"color": self._palette.earlier, "width": 1.0}
                self._trace("earlier", f"pull {pull.number}", pull.rpm, pull.boost, line=thin)
            if dotted(pull):
                self._highest("earlier", f"pull {pull.number}", pull, size=7)
        if earlier:
            named = [pull for pull in earlier if not pull.at_held_rpm] or earlier
            to_the_edge = [pull for pull in named if pull.complete] or named  # where the name stands
            self._name("earlier", "before" if len(named) == 1 else "earlier pulls", _ends(to_the_edge[-1]))
        if pulls:
            self.pull(f"pull {pulls[-1].number}", pulls[-1])

    def pull(self, name: str, pull: PullResult) -> None:
        """A pull drawn strong, and its highest boost as a dot: a spike is shorter than the curve's distance of points,
        and one above the limit must not look as if it were under it. A run at held rpm is that dot alone."""
        if pull.at_held_rpm:
            self._name("last", name, _ends(pull))
        else:
            self.line("last", name, pull.rpm, pull.boost)
        self._highest("last", name, pull, size=9)

    def first(self, name: str, pull: PullResult) -> None:
        """A pull drawn as the one before, its highest boost as a dot where the curve does not show what it reached."""
        self.line("earlier", name, pull.rpm, pull.boost)
        if dotted(pull):
            self._highest("earlier", name, pull, size=7)

    def target(self, wanted: TargetWanted) -> None:
        """The target's points, held to its first and last rpm."""
        self.line("target", "target", np.array(wanted.rpm), np.array(wanted.boost))

    def limit(self, limit: float, first: float | None = None, last: float | None = None) -> None:
        """The overpressure limit, and what lies above it."""
        self._limit = limit
        self._names.append((limit, "limit", f"limit {wording.pressure(limit, self._unit)}"))
        self._tops.append(limit)
        self._limit_span = (first, last)

    def band(
        self, x: FloatArray, low: FloatArray, mean: FloatArray, high: FloatArray, name: str = "predicted, 90 %"
    ) -> None:
        """Where boost is expected: 90 % between the borders, the expected value as dots."""
        if x.size == 0:
            return
        border = {"color": self._palette.band, "width": 1.0}
        self._trace("band", "", x, low, line=border, hoverinfo="skip")
        self._trace(
            "band", name, x, high, line=border, fill="tonexty", fillcolor=self._palette.band_fill, hoverinfo="skip"
        )
        self._trace("band", "expected", x, mean, line={"color": self._palette.band, "width": 2.5, "dash": "dot"})
        if name:
            self._name("band", name, mean)

    def halo(self, x: FloatArray, y: FloatArray) -> None:
        """A wide mark under the stretches of a curve that left its band."""
        if np.isfinite(y).any():
            self._trace("halo", "outside the band", x, y, line={"color": self._palette.halo, "width": 12.0})

    def dots(self, name: str, x: FloatArray, y: FloatArray) -> None:
        """Points joined by a thin line."""
        marker = {"symbol": "circle", "size": 11, "color": self._palette.last}
        self._trace(
            "last", name, x, y, mode="lines+markers", line={"color": self._palette.last, "width": 1.5}, marker=marker
        )

    def done(self, wanted: TargetWanted) -> None:
        """Axes over rpm, the judged range shaded."""
        first, last = self._span()
        self._shade("judged", wanted.judge_from, wanted.judge_to, None)
        self._finish((first, last), "engine speed, rpm", 500.0 if last - first < 5500 else 1000.0)

    def done_over_pulls(self, numbers: FloatArray) -> None:
        """Axes over pulls, one tick a pull or every few pulls."""
        last = float(numbers.max()) if numbers.size else 1.0
        self._finish((0.5, last + 0.5), "pull", max(1.0, float(np.ceil(last / 12))), height=260)

    def small(self, x: FloatArray) -> None:
        """Axes of a small picture of a change, with a line at no change."""
        # No knob is shown on less than this scale: what hardly acts must look like it.
        scale = 10.0 * wording.least_shown(self._unit)
        low, high = min([*self._bottoms, -scale]), max([*self._tops, scale])
        pad = 0.1 * (high - low)
        ends = float(x.min()), float(x.max())
        self.figure.add_shape(
            type="line", x0=ends[0], x1=ends[1], y0=0.0, y1=0.0, name="target",
            line={"color": self._palette.target, "width": 1.5, "dash": "dash"},
        )  # fmt: skip
        span = (low - pad, high + pad)
        self._layout(ends, span, "rpm", _tick(ends[1] - ends[0], 4), _tick(span[1] - span[0], 4), SMALL[0], SMALL[1])
        self.figure.update_layout(margin={"l": 56, "r": 16, "t": 10, "b": 44})

    # ---------------------------------------------------------------- inside

    def _trace(self, role: str, name: str, x: FloatArray, y: FloatArray, **more: Any) -> None:
        known = np.isfinite(y)
        tops = np.asarray(y, dtype=float)[known]
        if tops.size:
            self._tops.append(float(tops.max()))
            self._bottoms.append(float(tops.min()))
        boost: Any = [round(float(value), 3) if np.isfinite(value) else None for value in y]
        more = {"mode": "lines", **more}
        self.figure.add_trace(
            go.Scatter(
                x=[float(value) for value in x], y=boost, name=name, meta={"role": role}, connectgaps=False, **more
            )
        )

    def _highest(self, role: str, name: str, pull: PullResult, size: int) -> None:
        """The highest boost of a pull as a dot."""
        if np.isfinite(pull.peak) and np.isfinite(pull.peak_rpm):
            marker = {"symbol": "circle", "size": size, "color": getattr(self._palette, role)}
            highest = np.array([pull.peak_rpm]), np.array([pull.peak])
            self._trace(role, f"{name}, highest boost", *highest, mode="markers", marker=marker)

    def _name(self, role: str, name: str, y: FloatArray) -> None:
        known = np.asarray(y, dtype=float)[np.isfinite(y)]
        if known.size:
            self._names.append((float(known[-1]), role, name))

    def _span(self) -> tuple[float, float]:
        traces: Any = self.figure.data
        xs = [value for trace in traces for value in trace.x]
        low, high = (min(xs), max(xs)) if xs else (0.0, 1.0)
        return float(low), float(high)

    def _shade(self, role: str, x0: float, x1: float, y: tuple[float, float] | None) -> None:
        self.figure.add_shape(
            type="rect", x0=x0, x1=x1, y0=0 if y is None else y[0], y1=1 if y is None else y[1], name=role,
            yref="paper" if y is None else "y", layer="below", line={"width": 0},
            fillcolor=self._palette.judged if role == "judged" else self._palette.limit_fill,
        )  # fmt: skip

    def _finish(self, x: tuple[float, float], x_title: str, tick: float, height: int = HEIGHT) -> None:
        top = 1.07 * max(self._tops, default=1.0)
        bottom = min(self._bottoms)
        bottom = 0.0 if bottom >= -0.02 * top else 1.1 * bottom
        self._shade("limit", x[0], x[1], (self._limit, top))
        self.figure.add_shape(
            type="line", x0=x[0], x1=x[1], y0=self._limit, y1=self._limit, name="limit",
            line={"color": self._palette.limit, "width": 3.5},
        )  # fmt: skip
        self._layout(x, (bottom, top), x_title, tick, _tick(top - bottom, 6), WIDTH, height)
        self._place_names(x[1], (bottom, top), height)

    def _layout(
        self,
        x: tuple[float, float],
        y: tuple[float, float],
        x_title: str,
        x_tick: float,
        y_tick: float,
        width: int,
        height: int,
    ) -> None:
        axis = {
            "color": self._palette.ink, "gridcolor": self._palette.grid, "linecolor": self._palette.ink,
            "showline": True, "zeroline": False, "ticks": "outside", "tick0": 0.0, "fixedrange": False,
        }  # fmt: skip
        small = width < WIDTH
        shows = "change" if small else "boost"
        self.figure.update_layout(
            width=width, height=height, margin=MARGIN, showlegend=False, hovermode="x unified",
            paper_bgcolor=self._palette.paper, plot_bgcolor=self._palette.paper,
            font={"family": FONT, "size": 13 if small else 15, "color": self._palette.ink},
            xaxis={**axis, "range": list(x), "dtick": x_tick, "hoverformat": ".0f", "title": {"text": x_title}},
            yaxis={**axis, "range": list(y), "dtick": y_tick, "hoverformat": ".2f",
                   "title": {"text": f"{shows}, {self._unit}"}},
        )  # fmt: skip

    def _place_names(self, right: float, y: tuple[float, float], height: int) -> None:
        """Names beside the ends of their curves, pushed apart where they would lie on each other."""
        inner = height - MARGIN["t"] - MARGIN["b"]
        apart = APART * (y[1] - y[0]) / inner
        names = sorted(self._names)
        places = [place for place, _, _ in names]
        for _ in range(40):
            for i in range(1, len(places)):
                gap = places[i] - places[i - 1]
                if gap < apart:
                    places[i - 1] -= 0.5 * (apart - gap)
                    places[i] += 0.5 * (apart - gap)
        for i in range(len(places)):  # those pushed out of the plot come back in, and push the next ones
            places[i] = max(places[i], y[0] + i * apart)
        for i in range(len(places)):
            places[-1 - i] = min(places[-1 - i], y[1] - i * apart)
        for (_, role, name), place in zip(names, places, strict=True):
            self.figure.add_annotation(
                x=right, y=place, text=name, name=role,
                showarrow=False, xanchor="left", yanchor="middle", xshift=8,
                font={"color": getattr(self._palette, role), "size": 15},
            )  # fmt: skip


def dotted(pull: PullResult) -> bool:
    """Whether a pull before the last one has a dot too: one over the limit, and one at held rpm, which has no curve."""
    return pull.at_held_rpm or pull.margin < 0


def small_dots(pulls: Sequence[PullResult]) -> bool:
    """Whether ``Draft.pulls`` draws such a dot."""
    return any(dotted(pull) for pull in pulls[-1 - EARLIER : -1])


def _ends(pull: PullResult) -> FloatArray:
    """Boost at whose last value a pull is named: its curve, or the highest boost of a run at held rpm."""
    return np.array([pull.peak]) if pull.at_held_rpm else pull.boost


def _tick(span: float, about: int) -> float:
    """A round distance between ticks, so that ``about`` of them or a few more fit into ``span``."""
    rough = max(span, 1e-9) / about
    size = 10.0 ** np.floor(np.log10(rough))
    return float(next(size * step for step in (1.0, 2.0, 2.5, 5.0, 10.0) if size * step >= rough * 0.999))
