"""Whether the car changed between two of its pulls: what counts as a change, and what is worth a look."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from models.changes import Change, scan
from models.evidence import Observation
from models.surrogate import BoostSurrogate
from recommender.decide.step import Problem, Reason

#: Log odds from which a change at pull 3 or 4 counts, by form: set on unchanged virtual cars, so that few cross them.
STRONG: Final = {"floor": 5.0, "ceiling": 6.0, "shift": 6.0, "drift": 3.0}
#: Least amount worth a word, in the units of ``models.changes.FORMS``.
LEAST: Final = {"floor": 0.05, "ceiling": 0.08, "shift": 0.03, "drift": 0.005}
#: Log odds that the pulls up to the one after the change must have given it already. What shows only much later is
#: the model's own shortcoming, far from where it was fitted first.
AT_ONCE: Final = 1.0
#: Log odds at pull 3 or 4 from which a change at one of the latest two pulls is worth a look at the car, although
#: nothing is concluded from it.
WORTH_A_LOOK: Final = 0.5
#: What a second change must have on top of that.
AGAIN: Final = 3.0
#: Most pulls that are compared: the first and the latest.
COMPARED: Final = 12
#: Change of regulated boost from which no more is run before its cause is found. [share]
TOO_MUCH: Final = 0.30

Prior = Mapping[str, tuple[float, float]]


@dataclass(frozen=True)
class Noted:
    """What the pulls say of changes of the car.

    Attributes:
        changes: What counts, in the order in which it was found; at most two, mostly none.
        doubt: What may have changed, where nothing counts; None mostly.
    """

    changes: tuple[Change, ...] = ()
    doubt: Change | None = None


def note(problem: Problem, observations: Sequence[Observation], prior: Prior | None = None) -> Noted:
    """Changes of the car between its pulls."""
    pulls = [pull for pull in observations if pull.trusted and pull.curve.reached.sum() >= 3]
    numbers = sorted({pull.number for pull in pulls})
    compared = {*numbers[:1], *numbers[-(COMPARED - 1) :]}
    pulls = [pull for pull in pulls if pull.number in compared]
    found: tuple[Change, ...] = ()
    if len(compared) < 3:
        return Noted()
    for _ in range(2):
        scanned = _scan(problem, pulls, prior, found)
        change = _strongest(problem, pulls, prior, found, scanned)
        if change is None:
            return Noted(found, None if found else _doubtful(scanned, pulls))
        found = (*found, change)
    return Noted(found)


def _strongest(
    problem: Problem,
    pulls: Sequence[Observation],
    prior: Prior | None,
    known: tuple[Change, ...],
    scanned: Sequence[Change],
) -> Change | None:
    """The first of the scanned changes that counts, and that showed at once."""
    numbers = sorted({pull.number for pull in pulls})
    for change in scanned:
        if change.evidence < min(STRONG.values()):
            return None
        if not _counts(change, pulls, known, STRONG[change.form] + (AGAIN if known else 0.0)):
            continue
        if change.form == "drift":
            return change
        after = numbers[min(numbers.index(change.since) + 1, len(numbers) - 1)]
        if after == numbers[-1]:
            return change
        then = _scan(problem, [pull for pull in pulls if pull.number <= after], prior, known)
        if any(c.form == change.form and c.since == change.since and c.evidence >= AT_ONCE for c in then):
            return change
    return None


def _doubtful(scanned: Sequence[Change], pulls: Sequence[Observation]) -> Change | None:
    """The strongest change at one of the latest two pulls that is worth a look."""
    latest = sorted({pull.number for pull in pulls})[-2:]
    likely = [c for c in scanned if c.form != "drift" and c.since in latest and _counts(c, pulls, (), WORTH_A_LOOK)]
    return likely[0] if likely else None


def _scan(
    problem: Problem, pulls: Sequence[Observation], prior: Prior | None, known: tuple[Change, ...]
) -> list[Change]:
    within = tuple(c for c in known if c.since <= pulls[-1].number)
    quick = BoostSurrogate(
        problem.target, problem.knobs, seed=problem.seed, draws=96, points=30, prior=prior, changes=within, steps=0
    )
    return scan(quick.fit_pulls(pulls))


def _counts(change: Change, pulls: Sequence[Observation], known: Sequence[Change], least: float) -> bool:
    """Whether a change is strong enough, large enough, and not what the first use of gain may do.

    Args:
        change, pulls: The change and the pulls it was found in.
        known: Changes found before.
        least: Log odds that it must have at pull 3 or 4.
    """
    # Among more pulls there are more to look for a change at: each is that much less likely beforehand.
    numbers = {pull.number for pull in pulls}
    strong = least + np.log(max(len(numbers) - 2, 2) / 2.0)
    if change.evidence < strong or abs(change.amount) < LEAST[change.form]:
        return False
    if any(change.form == "drift" or (c.form != "drift" and change.since < c.since + 2) for c in known):
        return False  # one change, of which the linear model tells in two
    better = change.amount > 0.0 and change.form in ("ceiling", "shift")
    if better and not any(c.form in ("ceiling", "shift") and c.amount < 0.0 for c in known):
        return False  # a turbo does not get better by itself
    gains = {pull.number: pull.settings.gain for pull in pulls}
    before = [gain for number, gain in gains.items() if number < change.since]
    return change.form == "drift" or gains[change.since] <= max(before) + 1e-9


def must_stop(observations: Sequence[Observation], changes: Sequence[Change]) -> tuple[str, tuple[Reason, ...]] | None:
    """Cause and reasons to stop: the latest pull is the first of a car that changed too much, or changed again."""
    now = [c for c in changes if c.since == observations[-1].number and c.form != "drift"]
    again = [c for c in changes if now and c.since < now[0].since and c.amount * now[0].amount > 0.0]
    again = [c for c in again if c.form == now[0].form]
    large = [c for c in now if c.form == "floor" and abs(c.amount) - 2.0 * c.spread > TOO_MUCH]
    if not again and not large:
        return None
    what = f"changed again, after pull {again[0].since}" if again else f"is off by {100 * abs(large[0].amount):.0f} %"
    text = f"The car no longer behaves as recorded: with pull {now[0].since} it {what}. "
    text += "Find the cause before another pull."
    return "the car no longer behaves as recorded", (Reason("stop", text),)
