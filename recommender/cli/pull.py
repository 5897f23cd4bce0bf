"""Pulls on the terminal: one measured pull, and the table of all of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from recommender import wording
from recommender.cli.screen import Screen

if TYPE_CHECKING:
    from recommender.session import Job, PullResult

#: Width of the labels at the left. [columns]
LABEL = 11
#: Short heads of the knobs' columns, in the order of the settings.
HEADS = {
    "duty": "duty",
    "ramp_from": "from",
    "ramp_to": "to",
    "ramp_add": "add",
    "engagement": "engage",
    "gain": "gain",
}


def pull_lines(pull: PullResult, job: Job, screen: Screen) -> list[str]:
    """A pull that was just added: measures, what to know about the log, whether its prediction held."""
    unit = pull.unit
    lines = screen.wrapped(f"Pull {pull.number} is on record: {pull.log}.", " ")
    lines += screen.listed(
        "Settings", [wording.settings_line(pull.settings, unit, job.lacking(pull.settings)) + _source(pull)], LABEL
    )
    side = "under" if pull.margin >= 0 else "OVER"
    peak = (
        f"{wording.past(pull.peak, pull.limit, unit)} {unit} at {wording.rpm(pull.peak_rpm)}, "
        f"{wording.past(abs(pull.margin), 0.0, unit)} {unit} {side} the limit of "
        f"{wording.pressure(pull.limit, unit)} {unit}."
    )
    lines += screen.listed("Peak", [peak], LABEL)
    for name, deviation in pull.deviations.items():
        of = f" ({name})" if len(pull.deviations) > 1 else ""
        text = (
            f"{wording.fine(deviation, unit)} {unit} off the target{of}."
            if math.isfinite(deviation)
            else f"Cannot be told: {_no_deviation(pull, job.targets[name].judge_from, job.targets[name].judge_to)}{of}."
        )
        lines += screen.listed("Deviation", [text], LABEL)
    lines += screen.listed("Shape", [_shape(pull)], LABEL)
    if pull.warnings:
        lines += screen.listed("Mind", list(pull.warnings), LABEL)
    return lines + screen.listed("Predicted", [held(pull)], LABEL)


def _no_deviation(pull: PullResult, judge_from: float, judge_to: float) -> str:
    """Why no deviation from a target can be told that is judged from one engine speed to another. [rpm]"""
    judged = f"the judged range, {judge_from:.0f} to {wording.rpm(judge_to)}"
    if pull.at_held_rpm:
        return f"a run at held rpm does not cover {judged}"
    if pull.rpm.size and pull.rpm[0] <= judge_from and pull.rpm[-1] >= judge_to:
        return f"readings are missing within {judged}"
    return f"the sweep does not cover {judged}"


def _source(pull: PullResult) -> str:
    if pull.at_held_rpm and pull.source == "changed":  # duty was turned by hand: it is never that of the step
        return " (a run at held rpm)"
    words = {
        "proposed": f" (as proposed in step {pull.step})",
        "changed": f" (not as proposed in step {pull.step})",
        "foreign": " (nothing was proposed for it)",
    }
    return words.get(pull.source, "")


def _shape(pull: PullResult) -> str:
    unit = pull.unit
    parts = []
    if math.isfinite(pull.spool_rpm):
        parts.append(f"spool {wording.rpm(pull.spool_rpm)}")
    if math.isfinite(pull.ran_past):
        parts.append(f"overshoot {wording.pressure(pull.ran_past, unit)} {unit}")
    if math.isfinite(pull.droop):
        word = "droop" if pull.droop >= 0 else "creep"
        parts.append(f"{word} {wording.pressure(abs(pull.droop), unit)} {unit}")
    if pull.oscillation > 0.0:
        at = f" at {pull.oscillation_hz:.1f} Hz" if math.isfinite(pull.oscillation_hz) else ""
        parts.append(f"ringing ±{wording.fine(pull.oscillation, unit)} {unit}{at}")
    elif pull.oscillation == 0.0:
        parts.append("no ringing")
    return ", ".join(parts) + "." if parts else "Too short to tell."


def held(pull: PullResult) -> str:
    """Whether the prediction for a pull held, as a sentence."""
    if pull.hit is None and math.isfinite(pull.held):
        return "As far as the pull goes, boost came out as predicted; aborted as it is, that proves nothing."
    if pull.hit is None:
        return "Nothing was predicted for these settings."
    unit = pull.unit
    verdict = "It held" if pull.hit else "It MISSED"
    text = (
        f"{verdict}: {wording.share(pull.held)} of the curve inside the 90 % band; peak "
        f"{wording.pressure(pull.predicted_peak, unit)} expected, {wording.pressure(pull.peak, unit)} {unit} seen"
    )
    if math.isfinite(pull.deviation) and math.isfinite(pull.predicted_deviation):
        text += (
            f"; deviation {wording.fine(pull.predicted_deviation, unit)} expected, "
            f"{wording.fine(pull.deviation, unit)} {unit} seen"
        )
    return f"{text}."


def heading(job: Job, pulls: Sequence[PullResult] = ()) -> list[str]:
    """Heads of the table's columns, units in a second line.

    Args:
        job: The job.
        pulls: Pulls of the table, as far as they are known.
    """
    knobs = shown_knobs(job, pulls)
    unit = job.pressure_unit
    names = ["pull", *(HEADS[name] for name in knobs), "deviation", "peak"]
    units = ["", *(wording.knob_unit(name, unit).replace("points", "pts") for name in knobs), unit, unit]
    return [_row(names, knobs), _row(units, knobs)]


def table_row(pull: PullResult, job: Job, verdict: str = "", pulls: Sequence[PullResult] = ()) -> str:
    """A pull in one line: settings, deviation, peak, and what was answered to it; ``pulls`` as in ``heading``."""
    knobs = shown_knobs(job, pulls)
    cells = [
        str(pull.number),
        *(wording.knob_number(pull.settings[name]) for name in knobs),
        wording.fine(pull.deviation, pull.unit),
        wording.pressure(pull.peak, pull.unit),
    ]
    return f"{_row(cells, knobs)}  {verdict}".rstrip()


def table(pulls: Sequence[PullResult], job: Job, verdicts: Sequence[str] = ()) -> list[str]:
    """All pulls in a table."""
    filled = [*verdicts, *[""] * (len(pulls) - len(verdicts))]
    return heading(job, pulls) + [table_row(pull, job, word, pulls) for pull, word in zip(pulls, filled, strict=True)]


def shown_knobs(job: Job, pulls: Sequence[PullResult]) -> list[str]:
    """Knobs that move, and those that a pull was run with otherwise than the job fixes them."""
    dials = job.dials
    return [
        name
        for name in HEADS
        if not dials[name].fixed or any(not dials[name].on_dial(pull.settings[name]) for pull in pulls)
    ]


def _row(cells: Sequence[str], knobs: Sequence[str]) -> str:
    widths = [4, *[max(len(HEADS[name]), 5 if name.startswith("ramp") else 4) for name in knobs], 9, 5]
    return " " + "  ".join(f"{cell:>{width}}" for cell, width in zip(cells, widths, strict=True))
