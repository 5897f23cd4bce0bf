"""The settings of the next pull: searched on the dial grid, held to the gate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.evidence import Observation
from models.settings import Knob, Settings
from recommender.decide.allowed import (
    engages_past,
    held,
    idle_like,
    kept_limit,
    most_engagement,
    spans_after,
    trusted_sweeps,
)
from recommender.decide.outlook import Forecast, Outlook
from recommender.decide.review import Review, blocked, passes
from recommender.decide.search import IntArray, minimise
from recommender.decide.step import Problem
from recommender.decide.value import merit, score

#: Deviation of the best pull, over the tolerance, from which gain may be raised.
GAIN_FROM = 4.0
#: Deviation expected of a step, over the tolerance, up to which a first gain may go with it.
GAIN_WITH = 3.0
#: Part of gain's step that is taken while no pull has shown what gain does on this car: whether it rings.
FIRST_GAIN = 0.5
#: Settings judged with all draws.
FINALISTS = 8
#: Shorter strides towards the best, for when the gate holds the whole stride back.
STRIDES = (0.2, 0.5)
#: How often engagement is lowered to what is held: with less of it a little less is.
TIMES = 3
#: Halvings of the way to the best that look for the longest stride the gate allows.
HALVINGS = 5


@dataclass(frozen=True)
class Choice:
    """What came of the search.

    Attributes:
        chosen: The settings to run; None where nothing that is allowed passes the gate.
        judged: All that was judged with all draws.
        allowed: First and last position of each knob that the next step may take.
    """

    chosen: Forecast | None
    judged: list[Forecast]
    allowed: list[tuple[int, int]]


def choose(outlook: Outlook, observations: Sequence[Observation], seen: Review) -> Choice:
    """The best settings under the gate; where it holds the whole step back, the longest stride, or a retreat."""
    problem, last = outlook.problem, observations[-1]
    allowed = _gain_last(problem, spans_after(problem, observations), last.settings, seen)
    found = minimise(
        lambda points: merit(outlook, points, last.settings, seen),
        allowed,
        seed=problem.seed + len(observations),
        starts=starts(outlook, observations, seen),
        population=40,
        rounds=24,
    )
    forecasts = outlook.forecast(_finalists(outlook, found.seen, last.settings, allowed, seen))
    open_to = [f for f in forecasts if passes(outlook, seen, f)]
    stride = longest_stride(outlook, found.best, last.settings, allowed, seen)
    forecasts += stride
    open_to += [f for f in stride if passes(outlook, seen, f)]
    sweeps = [pull for pull in observations if not held(problem, pull)]
    if not open_to and held(problem, last) and sweeps:  # the hand's last duty may be too much for a whole sweep
        stride = longest_stride(outlook, found.best, sweeps[-1].settings, allowed, seen)
        forecasts += stride
        open_to = [f for f in stride if passes(outlook, seen, f)]
    if not open_to:
        open_to, forecasts = _retreat(outlook, observations, allowed, seen)
    if not open_to:
        return Choice(None, forecasts, allowed)
    chosen = min(open_to, key=lambda f: score(problem, f, last.settings, seen))
    leapt = all(idle_like(problem, pull.settings) for pull in trusted_sweeps(problem, observations))
    at = None if leapt else _first_gain(problem, chosen, allowed, last.settings, seen)
    if at is None:  # from the spring alone, after a run at held rpm, the first sweep is a leap of its own
        return Choice(chosen, forecasts, allowed)
    gain = float(problem.knobs["gain"].value(at))
    fed_back = outlook.forecast([replace(chosen.settings, gain=gain)])[0]
    better = score(problem, fed_back, last.settings, seen) < score(problem, chosen, last.settings, seen)
    if not better or not passes(outlook, seen, fed_back):
        return Choice(chosen, forecasts, allowed)
    return Choice(fed_back, [*forecasts, fed_back], [*allowed[:5], (allowed[5][0], at)])


def _gain_last(problem: Problem, allowed: list[tuple[int, int]], last: Settings, seen: Review) -> list[tuple[int, int]]:
    """Gain is not raised before boost is within reach of the target without it.

    Common practice, and for a reason: many feedback laws wake up only near the target, so that far from it gain
    teaches nothing about itself and hides what duty does. Where nothing moves duty, or nothing further up than the best
    pull has it, there is nothing to wait for.
    """
    low, high = allowed[5]
    knob = problem.knobs["gain"]
    stay = int(knob.index(last.gain))
    duty = problem.knobs["duty"]
    at_end = seen.best is not None and int(duty.index(seen.best.settings.duty)) == duty.count - 1
    alone = seen.best is not None and problem.knobs["ramp_add"].fixed and (duty.fixed or at_end)
    if alone or seen.best_kpa <= GAIN_FROM * problem.tolerance_kpa:
        first = half_a_step(knob) if not seen.gain_known else high
        return [*allowed[:5], (low, max(low, stay, min(first, high)))]
    return [*allowed[:5], (low, max(low, min(stay, high)))]


def half_a_step(knob: Knob) -> int:
    """Grid position of a first gain: half a step, one notch at the least."""
    return max(int(knob.index(knob.lower + FIRST_GAIN * knob.step)), 1)


def _first_gain(
    problem: Problem, chosen: Forecast, allowed: Sequence[tuple[int, int]], last: Settings, seen: Review
) -> int | None:
    """Grid position of a first gain that may go with a step; None where none may.

    No pull need be near the target for it, where the step itself is expected to come near: feedback then evens out
    what the prediction misses. Half a step, as ever; a whole one broke the limit twice as often on feedback laws that
    ring easily.
    """
    knob = problem.knobs["gain"]
    if seen.gain_known or knob.fixed or chosen.deviation_kpa > GAIN_WITH * problem.tolerance_kpa:
        return None
    at = min(half_a_step(knob), knob.index_span(last.gain)[1])
    return at if at > max(allowed[5][1], int(knob.index(chosen.settings.gain))) else None


def starts(outlook: Outlook, observations: Sequence[Observation], seen: Review) -> IntArray:
    """Grid points that the search starts from: the last and the best pull, and duty up and down. Shape (N, 6)"""
    last = outlook.positions(observations[-1].settings)
    rows = [last]
    if seen.best is not None:
        rows.append(outlook.positions(seen.best.settings))
    for share in (-1.0, -0.5, 0.25, 0.5, 0.75, 1.0):
        row = last.copy()
        row[0] = int(outlook.knobs[0].index(observations[-1].settings.duty + share * outlook.knobs[0].step))
        rows.append(row)
    return np.array(rows)


def longest_stride(
    outlook: Outlook, goal: IntArray, begin: Settings, allowed: Sequence[tuple[int, int]], seen: Review
) -> list[Forecast]:
    """Settings on the straight way from those of a pull to the goal, as far along as the gate allows, by halving."""
    low, high = np.array(allowed).T
    start = np.clip(outlook.positions(begin), low, high)
    tried: dict[bytes, Forecast] = {}
    near, far, share = 0.0, 1.0, 1.0
    for _ in range(HALVINGS):
        row = np.clip(np.rint(start + share * (goal - start)).astype(np.int64), low, high)
        row = _under_boost(outlook, row[None], seen)[0]
        if row.tobytes() not in tried:
            tried[row.tobytes()] = outlook.forecast([Settings.from_array(outlook.values(row[None])[0])])[0]
        forecast = tried[row.tobytes()]
        if passes(outlook, seen, forecast):
            near = share
        else:
            far = share
        if near >= far:
            break
        share = 0.5 * (near + far)
    return [f for f in tried.values() if not blocked(outlook, seen, f)]


def _under_boost(outlook: Outlook, rows: IntArray, seen: Review) -> IntArray:
    """Grid points with engagement lowered to where it may be raised to. Part of the way to the best settings, duty
    holds less boost than it does there. Shape (S, 6)"""
    knob, lowered = outlook.knobs[4], rows.copy()
    for _ in range(TIMES):
        settings = outlook.values(lowered)
        boost = outlook.held_kpa(settings)
        past = engages_past(settings, boost, seen.reach)
        if not past.any():
            break
        most = most_engagement(boost[past], seen.reach.engagement)
        lowered[past, 4] = np.maximum(np.floor((most - knob.lower) / knob.resolution + 1e-6), 0.0)
    return lowered


def _finalists(
    outlook: Outlook, ranked: IntArray, last: Settings, allowed: Sequence[tuple[int, int]], seen: Review
) -> list[Settings]:
    """The best of the sketch, and the way to them from the last pull in smaller strides."""
    low, high = np.array(allowed).T
    start = np.clip(outlook.positions(last), low, high)
    rows = list(ranked[:FINALISTS])
    rows += [np.rint(start + share * (ranked[0] - start)).astype(np.int64) for share in STRIDES]
    unique = np.unique(_under_boost(outlook, np.clip(np.array(rows), low, high), seen), axis=0)
    return [Settings.from_array(row) for row in outlook.values(unique)]


def _retreat(
    outlook: Outlook, observations: Sequence[Observation], allowed: Sequence[tuple[int, int]], seen: Review
) -> tuple[list[Forecast], list[Forecast]]:
    """The way back: those that pass the gate, and all that were judged.

    The mildest settings that can be reached, with a ramp as late as it may be; the whole pulls that kept the limit,
    as near to them as a step comes; and half-way to them. Right after a prediction that missed, settings that nobody
    has run can be the less certain ones, mild as they are.
    """
    low, high = np.array(allowed).T
    last = np.clip(outlook.positions(observations[-1].settings), low, high)
    rows = []
    for share in (0.0, 0.25, 0.5, 0.75):
        row = low.copy()
        for i in (0, 3, 4, 5):
            row[i] = int(np.floor(low[i] + share * (high[i] - low[i])))
        _, start, end, add, *_ = outlook.values(np.array([*row[:1], *last[1:3], *row[3:]])[None])[0]
        if add == 0.0 and start < end:  # where a ramp stands that adds nothing does nothing either
            row[1:3] = last[1:3]
        else:
            row[2] = high[2]
            row[1] = _latest_start(outlook, row, (int(low[1]), int(high[1])), seen)
        rows.append(row)
    kept = [pull for pull in observations if kept_limit(outlook.problem, pull)]
    back = [np.clip(outlook.positions(pull.settings), low, high) for pull in kept]
    rows += [np.rint(last + share * (row - last)).astype(np.int64) for row in back for share in (0.5, 1.0)]
    judged = outlook.forecast([Settings.from_array(v) for v in outlook.values(np.unique(np.array(rows), axis=0))])
    ok = [f for f in judged if passes(outlook, seen, f)]
    return ok, judged


def _latest_start(outlook: Outlook, row: IntArray, span: tuple[int, int], seen: Review) -> int:
    """Position at which a ramp asks for least: the latest at which it is not too steep; the first where it takes away.

    Args:
        outlook: The job.
        row: Grid position of the settings; where the ramp begins does not count. Shape (6,)
        span: First and last position that may be taken.
        seen: The pulls, reviewed.
    """
    knob, values = outlook.knobs[1], outlook.values(row[None])[0]
    end, add = float(values[2]), float(values[3])
    if knob.fixed or add < 0.0:
        return span[0]
    latest = end - max(100.0 * add / seen.reach.steepness, knob.resolution)
    at = int(np.floor((latest - knob.lower) / knob.resolution + 1e-6))
    return min(max(at, span[0]), span[1])
