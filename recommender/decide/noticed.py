"""What a pull showed that the pulls before it do not explain: a car that changed, settings other than proposed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from models.changes import Change, effect, scan
from models.evidence import Observation
from models.settings import KNOB_NAMES, Settings
from models.surrogate import BoostSurrogate
from recommender import wording
from recommender.decide.reasons import say_knob
from recommender.decide.step import Problem, Reason, same

#: Log odds from which a change at pull 3 or 4 counts, by form: set on unchanged virtual cars, so that few cross them.
STRONG: Final = {"floor": 2.0, "ceiling": 3.0, "shift": 3.0, "drift": 3.0}
#: Least amount worth a word, in the units of ``models.changes.FORMS``.
LEAST: Final = {"floor": 0.05, "ceiling": 0.08, "shift": 0.03, "drift": 0.005}
#: Log odds that the pulls up to the one after the change must have given it already. What shows only much later is
#: the model's own shortcoming, far from where it was fitted first.
AT_ONCE: Final = 1.0
#: What a second change must have on top of that.
AGAIN: Final = 3.0
#: Most pulls that are compared: the first and the latest.
COMPARED: Final = 12
#: Change of regulated boost from which no more is run before its cause is found. [share]
TOO_MUCH: Final = 0.30
#: Difference of equal pulls, as a share of boost, that scatter does not explain: three deviations of 1.2 % each.
UNEQUAL: Final = 0.05

Prior = Mapping[str, tuple[float, float]]


def changes_in(problem: Problem, observations: Sequence[Observation], prior: Prior | None = None) -> tuple[Change, ...]:
    """Changes of the car between its pulls, in the order in which they were found; at most two, mostly none."""
    pulls = [pull for pull in observations if pull.trusted and pull.curve.reached.sum() >= 3]
    numbers = sorted({pull.number for pull in pulls})
    compared = {*numbers[:1], *numbers[-(COMPARED - 1) :]}
    pulls = [pull for pull in pulls if pull.number in compared]
    found: tuple[Change, ...] = ()
    for _ in range(2):
        change = _strongest(problem, pulls, prior, found)
        if change is None:
            break
        found = (*found, change)
    return found


def _strongest(
    problem: Problem, pulls: Sequence[Observation], prior: Prior | None, known: tuple[Change, ...]
) -> Change | None:
    numbers = sorted({pull.number for pull in pulls})
    if len(numbers) < 3:
        return None
    for change in _scan(problem, pulls, prior, known):
        if change.evidence < min(STRONG.values()):
            return None
        if not _counts(change, pulls, known):
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


def _scan(
    problem: Problem, pulls: Sequence[Observation], prior: Prior | None, known: tuple[Change, ...]
) -> list[Change]:
    within = tuple(c for c in known if c.since <= pulls[-1].number)
    quick = BoostSurrogate(
        problem.target, problem.knobs, seed=problem.seed, draws=96, points=30, prior=prior, changes=within
    )
    return scan(quick.fit_pulls(pulls))


def _counts(change: Change, pulls: Sequence[Observation], known: Sequence[Change]) -> bool:
    """Whether a change is strong enough, large enough, and not what the first use of gain may do."""
    # Among more pulls there are more to look for a change at: each is that much less likely beforehand.
    numbers = {pull.number for pull in pulls}
    strong = STRONG[change.form] + np.log(max(len(numbers) - 2, 2) / 2.0) + (AGAIN if known else 0.0)
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


def car_since(changes: Sequence[Change]) -> int:
    """Number of the first pull of the car as it is now; 0 where it did not change."""
    return max((c.since for c in changes if c.form != "drift"), default=0)


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


def among(reasons: Sequence[Reason], told: Sequence[Reason]) -> tuple[Reason, ...]:
    """Findings behind the first reason, which says what to do; words on settings last."""
    car = [reason for reason in told if reason.code != "noticed settings"]
    rest = [reason for reason in told if reason.code == "noticed settings"]
    return (*reasons[:1], *car, *reasons[1:], *rest)


def findings(problem: Problem, observations: Sequence[Observation], surrogate: BoostSurrogate) -> tuple[Reason, ...]:
    """All that is to be said, most important first."""
    if not observations:
        return ()
    told = [reason for change in surrogate.changes for reason in _of_change(problem, observations, surrogate, change)]
    if not told:
        told += _unequal(problem, observations)
    return (*told, *_other_settings(problem, observations[-1]))


def _of_change(
    problem: Problem, observations: Sequence[Observation], surrogate: BoostSurrogate, change: Change
) -> list[Reason]:
    gate, last = surrogate.gate_, observations[-1].settings
    moves = change.amount * effect(gate, gate.parts(change.best[None]), change.form, last.as_array()[None])[0]
    if change.form == "drift":
        way = "falls" if change.amount < 0 else "rises"
        text = f"Boost {way} by {100 * abs(change.amount):.1f} % a pull over the session, give or take "
        text += f"{100 * change.spread:.1f} %: let intake and intercooler cool for equal times between pulls."
        return [Reason("drift", text)]
    seen = gate.u >= 0.0 if change.form == "floor" else np.ones(gate.u.size, dtype=bool)
    worst = int(np.argmax(np.where(seen, np.abs(moves), 0.0)))
    size, rpm = problem.say(abs(float(moves[worst]))), wording.rpm(float(surrogate.rpm_[worst]))
    share = abs(change.spread / change.amount)
    sure = f"give or take {problem.say(share * abs(float(moves[worst])))}"
    return [*_cause(change, size, rpm, sure), _consequence(change)]


def _cause(change: Change, size: str, rpm: str, sure: str) -> list[Reason]:
    since = f"From pull {change.since} on"
    if change.form == "floor":
        way = "more" if change.amount > 0 else "less"
        return [
            Reason(
                "changed spring",
                f"{since} the gate holds {100 * abs(change.amount):.0f} % {way} boost than the pulls before let expect "
                f"({size} at {rpm}, {sure}): spring, preload, or what reaches the wastegate has changed, or the "
                "solenoid answers duty otherwise than thought.",
            ),
            Reason("changed check", "Check spring and preload, the hoses of wastegate and solenoid, and the gauge."),
        ]
    if change.amount > 0:
        return [Reason("changed back", f"{since} boost comes sooner again, by {size} at {rpm}: the leak seems closed.")]
    cause = "rpm signal or boost leak" if change.form == "shift" else "boost leak"
    return [
        Reason(
            "changed leak",
            f"{since} boost comes later and lower than the pulls before let expect, by {size} at {rpm}, {sure}, at "
            f"settings that do not explain it: the mark of a {cause}.",
        ),
        Reason(
            "changed check",
            "Check clamps, hoses and intercooler for a leak, the exhaust before the turbo, and where rpm is read.",
        ),
    ]


def _consequence(change: Change) -> Reason:
    return Reason(
        "changed evidence",
        f"Pulls before {change.since} no longer stand for the car as it is: they count for the shape of the curve, "
        "none of them can stand as the best, and the step is held to what is still sure.",
    )


def _unequal(problem: Problem, observations: Sequence[Observation]) -> list[Reason]:
    """The latest pull against the last earlier one with the same settings."""
    last = observations[-1]
    for pull in reversed(observations[:-1]):
        if not (pull.trusted and last.trusted and same(pull.settings, last.settings)):
            continue
        both = pull.curve.reached & last.curve.reached & problem.target.judged(last.curve.rpm)
        if both.sum() < 3:
            return []
        level, off = pull.curve.boost_kpa[both].mean(), (last.curve.boost_kpa - pull.curve.boost_kpa)[both].mean()
        if abs(off) < max(UNEQUAL * level, problem.tolerance_kpa):
            return []
        way = "more" if off > 0 else "less"
        text = f"Pulls {pull.number} and {last.number} were run with the same settings, and the later one gave "
        text += f"{problem.say(abs(float(off)))} {way}: more than equal pulls differ. Check hoses, spring and gauge."
        return [Reason("noticed unequal", text)]
    return []


def _other_settings(problem: Problem, last: Observation) -> list[Reason]:
    if last.proposed is None or same(last.proposed, last.settings):
        return []
    text = f"Pull {last.number} was run with {_differences(problem, last.settings, last.proposed)}. "
    return [Reason("noticed settings", text + "It counts as what was run.")]


def _differences(problem: Problem, run: Settings, proposed: Settings) -> str:
    return ", ".join(
        f"{wording.knob_word(name)} {say_knob(problem, name, now)} where {say_knob(problem, name, wanted)} was proposed"
        for name, now, wanted in zip(KNOB_NAMES, run, proposed, strict=True)
        if abs(now - wanted) > 1e-6
    )
