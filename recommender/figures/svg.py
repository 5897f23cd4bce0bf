"""A Plotly figure of this project drawn as SVG, without a browser.

It knows what ``recommender.figures`` uses: lines with dashes, gaps and a fill to the trace before, dots, shaded
rectangles and lines, notes in data coordinates, linear axes with a given range and distance between ticks. Colours
are presentation attributes, so that a strict content policy lets them pass; each element also has the class of its
role, by which a style sheet can give it another colour in the dark.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from html import escape
from typing import Any, Final

import plotly.graph_objects as go

#: Dash patterns by Plotly's names. [pixels]
DASHES: Final[Mapping[str, str]] = {"dot": "2 5", "dash": "11 6"}
_ANCHORS: Final[Mapping[str, str]] = {"left": "start", "center": "middle", "right": "end"}


def svg(figure: go.Figure, *, title: str, description: str = "", mark: str = "f") -> str:
    """The figure as one ``<svg>`` element.

    Args:
        figure: From ``recommender.figures``: with width, height, margins and the range of both axes.
        title: Its accessible name.
        description: What it shows, for those who do not see it.
        mark: Prefix of the ids in it; must differ between figures of one page.
    Raises:
        ValueError: a trace of a kind that is not drawn here.
    """
    place = _Place.of(figure)
    font = figure.layout.font
    named = f"{mark}-t {mark}-d" if description else f"{mark}-t"
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="figure" role="img" aria-labelledby="{named}"'
        f' viewBox="0 0 {place.width:g} {place.height:g}"'
        f' font-family="{escape(font.family)}" font-size="{font.size:g}">',
        f'<title id="{mark}-t">{escape(title)}</title>',
    ]
    if description:
        parts.append(f'<desc id="{mark}-d">{escape(description)}</desc>')
    parts.append(f'<clipPath id="{mark}-c"><rect {place.frame()}/></clipPath>')
    parts.append(
        f'<rect class="paper" width="{place.width:g}" height="{place.height:g}" fill="{figure.layout.paper_bgcolor}"/>'
    )
    parts.append(f'<g clip-path="url(#{mark}-c)">')
    parts += [_shape(shape, place) for shape in figure.layout.shapes if shape.layer == "below"]
    parts.append("</g>")
    parts += _axes(figure, place)
    parts.append(f'<g clip-path="url(#{mark}-c)">')
    parts += _traces(figure, place)
    parts += [_shape(shape, place) for shape in figure.layout.shapes if shape.layer != "below"]
    parts.append("</g>")
    parts += [_note(note, place) for note in figure.layout.annotations]
    return "".join([*parts, "</svg>"])


@dataclass(frozen=True)
class _Place:
    """From data to pixels."""

    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    x_range: tuple[float, float]
    y_range: tuple[float, float]

    @classmethod
    def of(cls, figure: go.Figure) -> _Place:
        layout: Any = figure.layout
        margin = layout.margin
        return cls(
            layout.width, layout.height, margin.l, layout.width - margin.r, margin.t, layout.height - margin.b,
            tuple(layout.xaxis.range), tuple(layout.yaxis.range),
        )  # fmt: skip

    def x(self, value: float) -> float:
        first, last = self.x_range
        return round(self.left + (value - first) / (last - first) * (self.right - self.left), 1)

    def y(self, value: float) -> float:
        first, last = self.y_range
        return round(self.bottom - (value - first) / (last - first) * (self.bottom - self.top), 1)

    def frame(self) -> str:
        return _box(self.left, self.top, self.right - self.left, self.bottom - self.top)


def _box(x: float, y: float, width: float, height: float) -> str:
    return f'x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}"'


def _axes(figure: go.Figure, place: _Place) -> Iterator[str]:
    layout = figure.layout
    ink, grid = layout.xaxis.color, layout.xaxis.gridcolor
    for value in _ticks(layout.xaxis):
        x = place.x(value)
        yield f'<path class="grid" d="M{x:g} {place.top:g}V{place.bottom:g}" stroke="{grid}"/>'
        yield f'<path class="axis" d="M{x:g} {place.bottom:g}v5" stroke="{ink}"/>'
        yield _text(x, place.bottom + 21, _said(value), "middle", "ink", ink)
    for value in _ticks(layout.yaxis):
        y = place.y(value)
        yield f'<path class="grid" d="M{place.left:g} {y:g}H{place.right:g}" stroke="{grid}"/>'
        yield f'<path class="axis" d="M{place.left:g} {y:g}h-5" stroke="{ink}"/>'
        yield _text(place.left - 9, y + 5, _said(value), "end", "ink", ink)
    frame = f"M{place.left:g} {place.top:g}V{place.bottom:g}H{place.right:g}"
    yield f'<path class="axis" d="{frame}" fill="none" stroke="{ink}"/>'
    middle = 0.5 * (place.left + place.right)
    yield _text(middle, place.height - 8, str(layout.xaxis.title.text), "middle", "ink", ink)
    x, y = 15.0, 0.5 * (place.top + place.bottom)
    text = escape(str(layout.yaxis.title.text))
    turned = f"translate({x:g} {y:g}) rotate(-90)"
    yield f'<text class="ink" transform="{turned}" text-anchor="middle" fill="{ink}">{text}</text>'


def _ticks(axis: Any) -> list[float]:
    first, last = axis.range
    start = math.ceil(first / axis.dtick - 1e-9)
    return [index * axis.dtick for index in range(start, math.floor(last / axis.dtick + 1e-9) + 1)]


def _said(value: float) -> str:
    return f"{round(value, 6) + 0.0:g}".replace("-", "−") if abs(value) < 1e5 else f"{value:.0f}"


def _traces(figure: go.Figure, place: _Place) -> Iterator[str]:
    before: Any = None
    traces: Any = figure.data
    for trace in traces:
        if trace.type != "scatter" or trace.fill not in (None, "none", "tonexty"):
            raise ValueError(f"only scatter traces with no fill or fill='tonexty' are drawn, but got {trace.type}")
        role = trace.meta["role"]
        if trace.fill == "tonexty" and before is not None:
            yield f'<path class="{role}-fill" d="{_area(before, trace, place)}" fill="{trace.fillcolor}"/>'
        if "lines" in trace.mode and trace.line.width:
            dash = DASHES.get(trace.line.dash or "solid")
            pattern = f' stroke-dasharray="{dash}"' if dash else ""
            yield (
                f'<path class="{role}-line" d="{_path(trace, place)}" fill="none" stroke="{trace.line.color}"'
                f' stroke-width="{trace.line.width:g}" stroke-linejoin="round"{_cap(role)}{pattern}/>'
            )
        if "markers" in trace.mode:
            yield from _dots(trace, place, role)
        before = trace


def _cap(role: str) -> str:
    """A halo of one point is a dot, not nothing."""
    return ' stroke-linecap="round"' if role == "halo" else ""


def _points(trace: Any, place: _Place) -> list[tuple[float, float] | None]:
    """Points of a trace in pixels; None where it has a gap."""
    return [
        None if y is None or not math.isfinite(y) else (place.x(x), place.y(y))
        for x, y in zip(trace.x, trace.y, strict=True)
    ]


def _path(trace: Any, place: _Place) -> str:
    words, pen_up = [], True
    for point in _points(trace, place):
        if point is None:
            pen_up = True
            continue
        words.append(f"{'M' if pen_up else 'L'}{point[0]:g} {point[1]:g}")
        if pen_up:
            words.append("h0")
        pen_up = False
    return "".join(words)


def _area(low: Any, high: Any, place: _Place) -> str:
    there = [point for point in _points(low, place) if point is not None]
    back = [point for point in _points(high, place) if point is not None]
    if not there or not back:
        return ""
    return "M" + "L".join(f"{x:g} {y:g}" for x, y in [*there, *reversed(back)]) + "Z"


def _dots(trace: Any, place: _Place, role: str) -> Iterator[str]:
    for point in _points(trace, place):
        if point is not None:
            x, y = point
            yield (
                f'<circle class="{role}-dot" cx="{x:g}" cy="{y:g}" r="{0.5 * trace.marker.size:g}"'
                f' fill="{trace.marker.color}"/>'
            )


def _shape(shape: Any, place: _Place) -> str:
    x0, x1 = place.x(shape.x0), place.x(shape.x1)
    if shape.yref == "paper":
        y0, y1 = place.bottom, place.top
    else:
        y0, y1 = place.y(shape.y0), place.y(shape.y1)
    if shape.type == "line":
        dash = DASHES.get(shape.line.dash or "solid")
        pattern = f' stroke-dasharray="{dash}"' if dash else ""
        return (
            f'<path class="{shape.name}-line" d="M{x0:g} {y0:g}L{x1:g} {y1:g}" stroke="{shape.line.color}"'
            f' stroke-width="{shape.line.width:g}"{pattern}/>'
        )
    box = _box(min(x0, x1), min(y0, y1), abs(x1 - x0), abs(y1 - y0))
    return f'<rect class="{shape.name}-fill" {box} fill="{shape.fillcolor}"/>'


def _note(note: Any, place: _Place) -> str:
    x, y = place.x(note.x) + (note.xshift or 0), place.y(note.y) + 5
    return _text(x, y, note.text, _ANCHORS[note.xanchor], note.name, note.font.color, bold=True)


def _text(x: float, y: float, text: str, anchor: str, role: str, colour: str, *, bold: bool = False) -> str:
    weight = ' font-weight="600"' if bold else ""
    return (
        f'<text class="{role}" x="{x:g}" y="{y:g}" text-anchor="{anchor}" fill="{colour}"{weight}>{escape(text)}</text>'
    )
