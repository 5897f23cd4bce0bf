"""The pulls so far, reviewed: the best of them, what must not be repeated, and the surrogate fitted to them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from models.changes import Change
from models.evidence import Observation
from models.settings import KNOB_NAMES
from models.surrogate import BoostSurrogate
from models.units import FloatArray
from recommender.decide.allowed import (
    Offender,
    Reach,
    engages_past,
    forbidden,
    kept_limit,
    offenders,
    reach_of,
    repeats_offence,
    trusted_sweeps,
)
from recommender.decide.noticed import note
from recommender.decide.outlook import Forecast, Outlook
from recommender.decide.step import Problem, that_act

#: Distance of a pull from its prediction, in standard deviations, up to which nothing is widened; and widest factor.
MISS = 1.5
WIDEST = 2.5
#: Latest sweeps among which two that tell of the judged range are looked for: each costs a fit.
LOOKED_AT = 6
#: Curves drawn for a risk of 1 %, and at the most for a lower one.
DRAWS = 384
MOST_DRAWS = 3840
#: Least widening for the step after a change was first noticed.
AFTER_CHANGE = 1.5


@dataclass(frozen=True)
class Review:
    """The pulls so far, as the verdict needs them.

    Attributes:
        best: The trusted pull with least deviation that kept the limit, the latest with its settings; None before
            there is one.
        best_kpa: Its deviation. [kPa]
        bad: What must not be repeated.
        reach: How far the next step may go beyond the knobs' own steps.
        since: Number of the first pull of the car as it is now: older ones are those of a car that has changed.
        gain_known: Whether a pull with gain has shown whether it rings.
        twice: Settings that two pulls of the car as it is now were judged with, as far as they act: what another one
            with them could win would be luck. Shape (k, 6)
    """

    best: Observation | None
    best_kpa: float
    bad: tuple[Offender, ...]
    reach: Reach
    since: int = 0
    gain_known: bool = True
    twice: FloatArray = field(default_factory=lambda: np.empty((0, len(KNOB_NAMES))))

    def learnt(self, settings: FloatArray) -> npt.NDArray[np.bool_]:
        """Which of the settings have been run twice. Settings of shape (S, 6); shape (S,)"""
        alike = np.all(np.isclose(that_act(settings)[:, None], self.twice[None], rtol=0.0, atol=1e-6), axis=2)
        return np.asarray(np.any(alike, axis=1))


def review(problem: Problem, observations: Sequence[Observation], since: int = 0) -> Review:
    """Best pull of those from ``since`` on, and offenders of all.

    Of settings that were run again the latest pull counts: the best of several would be the luckiest. What asks for as
    much as a pull that passed the limit is never the best, though it stayed under when it was run.
    """
    bad = tuple(offenders(problem, observations))
    passed = [offender for offender in bad if offender.why == "limit passed"]
    rows = [
        (pull.deviation_kpa(problem.target), -i, pull)
        for i, pull in enumerate(observations)
        if pull.number >= since
        and kept_limit(problem, pull)
        and not any(repeats_offence(problem, pull.settings.as_array()[None], each)[0] for each in passed)
    ]
    rows = [row for row in rows if np.isfinite(row[0])]
    told = [pull.number for pull in observations if pull.trusted]
    changed = since > 0 and since >= max(told[:-1], default=0)
    reach = reach_of(problem, observations, changed=changed)
    swept = trusted_sweeps(problem, observations)
    gain_known = any(pull.settings.gain > problem.knobs["gain"].lower and pull.tells_of_ringing for pull in swept)
    if not rows:
        return Review(None, float("inf"), bad, reach, since, gain_known)
    # To a millionth: what was typed in and what was proposed can differ by their rounding.
    dialled = np.round(that_act(np.array([pull.settings.as_array() for _, _, pull in rows])), 6)
    run, which, times = np.unique(dialled, axis=0, return_inverse=True, return_counts=True)
    latest = {int(group): row for group, row in zip(np.ravel(which), rows, strict=True)}
    least, _, pull = min(latest.values(), key=lambda row: row[:2])
    twice = run[times >= 2]
    return Review(pull, least, bad, reach, since, gain_known, twice)


def blocked(outlook: Outlook, seen: Review, forecast: Forecast) -> bool:
    """Whether settings stand at or above some that went wrong, or ask for more duty than the next step may."""
    return bool(forbidden(outlook.problem, forecast.settings.as_array()[None], seen.bad, seen.reach)[0])


def passes(outlook: Outlook, seen: Review, forecast: Forecast) -> bool:
    """Whether settings may be proposed: their risk is allowed, and nothing that was run speaks against them."""
    past = engages_past(forecast.settings.as_array()[None], np.array([forecast.held_kpa]), seen.reach)[0]
    return forecast.risk <= outlook.problem.risk and not past and not blocked(outlook, seen, forecast)


def surrogate_for(
    problem: Problem,
    observations: Sequence[Observation],
    prior: Mapping[str, tuple[float, float]] | None = None,
    changes: tuple[Change, ...] | None = None,
) -> BoostSurrogate:
    """The surrogate fitted to all trusted pulls, changes of the car allowed for, widened where it missed of late.

    Args:
        problem: The job.
        observations: Pulls so far.
        prior: Of the gate's constants; the shipped one where it is None.
        changes: Of the car, as noted; looked for where they are None.
    """
    seed = problem.seed * 1009 + len(observations)
    changes = note(problem, observations, prior).changes if changes is None else changes
    widen = widening(problem, observations, prior, changes)
    fresh = BoostSurrogate(
        problem.target,
        problem.knobs,
        seed=seed,
        draws=draws_for(problem.risk),
        widen=widen,
        prior=prior,
        changes=changes,
    )
    return fresh.fit_pulls(observations)


def draws_for(risk: float) -> int:
    """Curves drawn, so that about four of them stand for the risk that a job allows: fewer could not tell it."""
    return min(max(DRAWS, round(DRAWS * 0.01 / risk)), MOST_DRAWS)


def widening(
    problem: Problem,
    observations: Sequence[Observation],
    prior: Mapping[str, tuple[float, float]] | None = None,
    changes: tuple[Change, ...] = (),
) -> float:
    """Factor by which the surrogate is widened: how far the latest two pulls lay from what was expected of them.

    Each is judged by a fit to the pulls before it; runs at held rpm, which were not predicted, and pulls that cannot be
    relied on or hardly tell of the judged range are passed over. The latest counts in full, the one before it half. A
    change noticed in the latest pull widens as well: the step after it is a careful one.
    """
    last = max((pull.number for pull in observations if pull.trusted), default=0)
    factor = AFTER_CHANGE if any(c.since == last for c in changes) else 1.0
    weights = [1.0, 0.5]
    for pull in reversed(trusted_sweeps(problem, observations)[-LOOKED_AT:]):
        before = [other for other in observations if other.number < pull.number]
        if not weights or not any(other.trusted for other in before):
            break
        seed = problem.seed * 1009 + len(before)
        known = tuple(c for c in changes if c.since <= before[-1].number)
        quick = BoostSurrogate(
            problem.target, problem.knobs, seed=seed, draws=192, points=24, prior=prior, changes=known
        )
        miss = float(np.sqrt(quick.fit_pulls(before).surprise_of(pull)))
        if np.isfinite(miss):
            factor = max(factor, 1.0 + weights.pop(0) * (min(miss / MISS, WIDEST) - 1.0))
    return factor
