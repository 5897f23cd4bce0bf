"""One row per car and pull: all that the figures need, and all that a second look at a job needs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from models.curve import sustained_peak_kpa
from models.settings import KNOB_NAMES
from tests.fleet.clairvoyant import Truth
from tests.fleet.play import Answer, Game, Turn
from tests.fleet.scenarios import Scenario
from tests.fleet.seats import PSI, Job

Row = dict[str, Any]


def rows_of(game: Game, method: str, scenario: Scenario, before: Truth, after: Truth) -> list[Row]:
    """Rows of one job.

    Args:
        game: The job as played.
        method, scenario: How it was played.
        before, after: Truth of the car, and of the car once it has changed; the same where it does not change.
    """
    rows = []
    for i, turn in enumerate(game.turns):
        truth = after if scenario.changed(turn.number) else before
        said = game.turns[i + 1].answer if i + 1 < len(game.turns) else game.end
        last = i + 1 == len(game.turns)
        rows.append(
            {
                "method": method,
                "scenario": scenario.name,
                **_whose(game.job, truth),
                **_turn(game.job, turn, truth, scenario),
                **_band(turn),
                **_said(said),
                "last": last,
                "seconds_after": game.end_seconds if last else game.turns[i + 1].seconds,
            }
        )
    return rows


def _whose(job: Job, truth: Truth) -> Row:
    return {
        "car": job.name,
        "kind": job.full_kind,
        "seed": job.seed,
        "limit_psi": job.limit_kpa / PSI,
        "best_psi": truth.best_kpa / PSI,
        "there_psi": truth.there_kpa / PSI,
        "reachable": truth.reachable,
        "fewest_pulls": truth.pulls,
        "true_cause": truth.cause,
        "true_cause_rpm": truth.cause_rpm,
    }


def _turn(job: Job, turn: Turn, truth: Truth, scenario: Scenario) -> Row:
    dialled = turn.settings.as_dict()
    dialled["engagement"] /= PSI
    true = turn.pull.true_deviation_kpa(job.target, scenario)
    proposed = turn.answer.settings
    known = np.isfinite(true)
    over = scenario.gauge * turn.pull.true_peak_kpa > job.limit_kpa
    return {
        "pull": turn.number,
        **{name: dialled[name] for name in KNOB_NAMES},
        "as_proposed": proposed is not None and bool(np.allclose(proposed.as_array(), turn.settings.as_array())),
        "complete": turn.pull.complete,
        # Nobody could know of a change before the first pull after it.
        "surprise": scenario.changed(turn.number) and not scenario.changed(turn.number - 1),
        "risk": turn.answer.risk,
        "expected_psi": turn.answer.deviation_kpa / PSI,
        "logged_psi": turn.measures.deviation_kpa / PSI,
        "true_psi": true / PSI,
        "steady_psi": turn.steady.true_deviation_kpa(job.target, scenario) / PSI,
        # Nobody keeps settings that pass the limit, however near they come.
        "there": bool(known and true < truth.there_kpa and not over),
        "peak_psi": turn.pull.true_peak_kpa / PSI,
        "over_limit": over,
        "over_true_limit": turn.pull.true_peak_kpa > job.limit_kpa,
        "ringing_psi": turn.observation.swing_kpa / PSI,
        "seconds": turn.seconds,
        "binding": ", ".join(turn.answer.binding),
    }


def _band(turn: Turn) -> Row:
    """How the band that was promised held: points of the logged curve, points of the truth, highest boost.

    ``peak_inside`` holds the highest boost of the logged curve against the highest points of the band's two ends,
    ``peak_over_high`` that of the trace against what was said to be passed with 5 % probability.
    """
    names = (
        "points_inside",
        "points_above",
        "truth_inside",
        "peak_inside",
        "peak_above",
        "peak_over_high",
        "width_psi",
    )
    band, curve = turn.answer.band, turn.measures.curve
    known = curve.reached
    if band is None or not known.any():
        return dict.fromkeys(names, float("nan"))
    logged = np.interp(band.rpm, curve.rpm[known], curve.boost_kpa[known])
    covered = (band.rpm >= curve.rpm[known][0]) & (band.rpm <= curve.rpm[known][-1])
    true = turn.pull.true_at(band.rpm)
    low, high = band.low_kpa, band.high_kpa
    peak = float(logged[covered].max())
    peaks: tuple[float, float, float] = (float("nan"),) * 3
    if turn.pull.complete:
        over = sustained_peak_kpa(turn.pull.trace) > turn.answer.peak_high_kpa
        peaks = (float(low.max() <= peak <= high.max()), float(peak > high.max()), float(over))
    values = (
        float(np.mean(((logged >= low) & (logged <= high))[covered])),
        float(np.mean((logged > high)[covered])),
        float(np.mean(((true >= low) & (true <= high))[covered])),
        *peaks,
        float(np.mean((high - low)[covered])) / PSI,
    )
    return dict(zip(names, values, strict=True))


def _said(answer: Answer | None) -> Row:
    """What was said once this pull was known."""
    if answer is None:
        answer = Answer("pulls used up", None)
    return {
        "verdict": answer.verdict,
        "standing": answer.best_number,
        "best_thought_psi": answer.best_kpa / PSI,
        "cause": answer.cause,
        "cause_rpm": answer.cause_rpm,
        "codes": ", ".join(answer.codes),
    }


def flatten(games: Sequence[list[Row]]) -> list[Row]:
    return [row for rows in games for row in rows]
