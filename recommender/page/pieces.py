"""Pieces of the page: tiles, the way to the limit, the row of pulls, trust in words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from recommender import wording
from recommender.figures.draft import small_dots

if TYPE_CHECKING:
    from recommender.page.desk import Answers
    from recommender.session import Job, PullResult, Step, Stop, Trust


#: Reasons shown beside the settings; all of them are in the why panel.
SHOWN_REASONS: Final = 3


@dataclass(frozen=True)
class Tile:
    """One knob as it is to stand.

    Attributes:
        name, label, number, unit: As it is shown.
        was: What it stood at before; "" where it stays.
        more: True where the number goes up.
        note: Said where it stays: ``as it is``, ``fixed``, or nothing before the first pull.
        fixed: True for a knob that cannot be turned.
    """

    name: str
    label: str
    number: str
    unit: str
    was: str = ""
    more: bool = False
    note: str = ""
    fixed: bool = False


def tiles(job: Job, settings: Mapping[str, float], last: PullResult | None) -> tuple[Tile, ...]:
    """Knobs that the controller has, and what changes from the last pull."""
    found = []
    lacking = job.lacking(settings, {} if last is None else last.settings)
    for name, value in settings.items():
        dial = job.dials[name]
        if name in lacking:
            continue
        was = None if last is None else last.settings[name]
        moved = was is not None and abs(was - value) > 1e-6
        found.append(
            Tile(
                name,
                wording.KNOB_LABELS[name],
                wording.knob_number(value),
                wording.knob_unit(name, job.pressure_unit),
                wording.knob_number(was) if moved and was is not None else "",
                bool(moved and was is not None and value > was),
                "fixed" if dial.fixed else "" if was is None else "as it is",
                dial.fixed,
            )
        )
    return tuple(found)


def fields(job: Job, dialled: Mapping[str, float]) -> tuple[Tile, ...]:
    """Knobs of the form, as they are taken to be dialled in; empty where that has to be said."""
    known = {tile.name: tile for tile in tiles(job, dialled, None) if not job.dials[tile.name].absent}
    shown = [name for name, dial in job.dials.items() if name in known or (name not in dialled and not dial.absent)]
    return tuple(
        known.get(name) or Tile(name, wording.KNOB_LABELS[name], "", wording.knob_unit(name, job.pressure_unit))
        for name in shown
    )


def put_right(job: Job, step: Step, dialled: Mapping[str, float]) -> tuple[Tile, ...]:
    """Knobs that are dialled in otherwise than proposed, with what was proposed; none where nothing is proposed."""
    if step.settings is None:
        return ()
    return tuple(
        replace(tile, was=wording.knob_number(step.settings[tile.name]))
        for tile in tiles(job, dialled, None)
        if abs(dialled[tile.name] - step.settings[tile.name]) > 1e-6
    )


def safety(job: Job, step: Step, driven: bool) -> dict[str, Any]:
    """Peak, margin and risk of a step, and where they lie on a bar from 0 to a little above the limit. [percent]"""
    top = 1.12 * step.limit
    known = math.isfinite(step.peak) and math.isfinite(step.peak_high)

    def place(value: float) -> float:
        return round(100.0 * min(max(value / top, 0.0), 1.0), 2)

    if not math.isfinite(step.risk):
        verdict = "Told once what stopped the job is acknowledged."
    elif not driven:
        verdict = "Not known before the baseline: the spring decides. Lift at once if boost nears the limit."
    elif step.risk <= job.risk:
        verdict = f"Within the {wording.allowed_risk(job.risk)} that the job allows."
    else:
        verdict = f"Above the {wording.allowed_risk(job.risk)} that the job allows."
    return {
        "within": driven and step.risk <= job.risk,
        "risk": wording.risk(step.risk, job.risk),
        "verdict": verdict,
        "peak": wording.pressure(step.peak, step.unit),
        "high": wording.pressure(step.peak_high, step.unit),
        "limit": wording.pressure(step.limit, step.unit),
        "margin": wording.pressure(step.margin, step.unit),
        "under": step.margin >= 0,
        "rpm": wording.rpm(step.tightest_rpm),
        "known": known,
        "at_peak": place(step.peak) if known else 0,
        "at_high": place(step.peak_high) if known else 0,
        "at_limit": place(step.limit),
    }


def rows(job: Job, found: Answers) -> list[dict[str, Any]]:
    """The row of pulls, latest first."""
    made = []
    before: PullResult | None = None
    for pull in found.pulls:
        made.append(_row(job, pull, before, found.step.best_pull))
        before = pull
    made += [_row(job, pull, None, 0) for pull in found.withdrawn]
    return sorted(made, key=lambda row: -int(row["number"]))


def nearness(job: Job, last: PullResult, stops: Sequence[Stop] = ()) -> dict[str, Any]:
    """How near the last pull came to the limit: as ``safety``, from what was measured. ``stops``: what waits to be
    acknowledged; boost above the limit in a refused log, or outside the pull, is no less above it."""
    top = 1.12 * max(last.limit, last.peak)
    unit = job.pressure_unit
    beside = any(stop.code.startswith("limit") for stop in stops)
    if last.margin >= 0 and beside:
        verdict = f"Boost passed the limit, though not within pull {last.number}: see what stopped the job."
    elif last.margin >= 0:
        verdict = f"Pull {last.number} stayed under the limit."
    else:
        verdict = f"Pull {last.number} passed the limit by {wording.pressure(-last.margin, unit)} {unit}."
    return {
        "within": last.margin >= 0 and not beside,
        "verdict": verdict,
        "peak": wording.pressure(last.peak, unit),
        "limit": wording.pressure(last.limit, unit),
        "margin": wording.pressure(last.margin, unit),
        "rpm": wording.rpm(last.peak_rpm),
        "known": True,
        "at_peak": round(100.0 * last.peak / top, 2),
        "at_high": round(100.0 * last.peak / top, 2),
        "at_limit": round(100.0 * last.limit / top, 2),
    }


def shown_reasons(step: Step, stops: bool) -> list[str]:
    """Reasons beside the settings. While a stop waits to be acknowledged, those of the withheld step stay back."""
    if stops and "acknowledge" in step.codes:
        return step.reasons[: step.codes.index("acknowledge") + 1]
    return step.reasons[:SHOWN_REASONS]


def values(job: Job, step: Step, last: PullResult | None) -> list[tuple[str, ...]]:
    """The main figure as a table: rpm, target, last pull, and low, expected and high of the band, every 250 rpm."""
    wanted = job.wanted(step.target)
    if step.band.rpm.size == 0:
        return []
    first = 250.0 * math.ceil(float(step.band.rpm[0]) / 250.0)
    grid = np.arange(first, float(step.band.rpm[-1]) + 1.0, 250.0)
    band = step.band
    curves = [np.interp(grid, wanted.rpm, wanted.boost)]
    empty = np.full(grid.shape, np.nan)
    if last is None or last.at_held_rpm:  # a run at held rpm has no curve
        curves.append(empty)
    else:
        curves.append(np.interp(grid, last.rpm, last.boost, left=np.nan, right=np.nan))
    runs = step.verdict != "stop"
    curves += [np.interp(grid, band.rpm, each) if runs else empty for each in (band.low, band.mean, band.high)]
    return [
        (f"{rpm:.0f}", *(wording.pressure(float(curve[i]), step.unit) for curve in curves))
        for i, rpm in enumerate(grid)
    ]


def dots(pulls: Sequence[PullResult]) -> str:
    """What the dots of the main figure are; "" before the first pull."""
    if not pulls:
        return ""
    held = "a run at held rpm" if pulls[-1].at_held_rpm else "spikes included"
    text = f"Dot: the highest boost of pull {pulls[-1].number}, {held}."
    if small_dots(pulls):
        text += " Small dots: that of earlier pulls which passed the limit, or were runs at held rpm."
    return text


_SOURCES: Final = {
    "proposed": "as proposed",
    "changed": "other settings than proposed",
    "foreign": "nothing was proposed for it",
}


def _row(job: Job, pull: PullResult, before: PullResult | None, best: int) -> dict[str, Any]:
    kept = {True: "held", False: "missed", None: ""}[pull.hit]
    return {
        "number": pull.number,
        "tiles": tiles(job, pull.settings, before),
        "deviation": wording.fine(pull.deviation, pull.unit),
        "peak": wording.pressure(pull.peak, pull.unit),
        "peak_rpm": wording.rpm(pull.peak_rpm),
        "margin": wording.pressure(pull.margin, pull.unit),
        "over": pull.margin < 0,
        "kept": kept,
        "share": wording.share(pull.held),
        "source": "a run at held rpm" if pull.at_held_rpm and pull.source == "changed" else _SOURCES[pull.source],
        "step": pull.step,
        "log": pull.log,
        "warnings": pull.warnings,
        "best": pull.number == best,
        "withdrawn": pull.withdrawn,
    }


def trust_lines(trust: Trust, last: PullResult | None, step: Step, before: Step | None) -> list[str]:
    """How often the predictions held, and after a miss what it did to the band."""
    if trust.predicted == 0:
        return ["No prediction has been put to the test yet."]
    lines = [
        f"{trust.hits} of {trust.predicted} predictions held (curve and peak); on average "
        f"{wording.share(trust.points)} of a curve lay inside its 90 % band."
    ]
    if last is not None and last.hit is False:
        lines.append(_after_miss(last, step, before))
    return lines


def _after_miss(last: PullResult, step: Step, before: Step | None) -> str:
    missed = f"Pull {last.number} missed its prediction: {wording.share(last.held)} of it lay inside the band"
    peak = wording.pressure(last.peak, last.unit)
    expected = wording.pressure(last.predicted_peak, last.unit)
    missed += f", peak {peak} instead of {expected} {last.unit}."
    if before is None or before.band.rpm.size == 0 or step.band.rpm.size == 0:
        return missed
    now, then = _width(step), _width(before)
    if not math.isfinite(now) or not math.isfinite(then):
        return missed  # nothing is told of a step that waits for an acknowledgement
    word = "wider" if now > then else "narrower"
    return (
        f"{missed} The band is {wording.fine(now, step.unit)} {step.unit} wide now, {word} than the "
        f"{wording.fine(then, step.unit)} {step.unit} of the prediction that missed."
    )


def _width(step: Step) -> float:
    """Mean width of a step's band. [its unit]"""
    return float((step.band.high - step.band.low).mean())
