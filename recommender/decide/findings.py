"""What a pull showed that the pulls before it do not explain, in words: a car that changed, other settings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from models.changes import Change, effect
from models.evidence import Observation
from models.settings import KNOB_NAMES, Settings
from models.surrogate import BoostSurrogate
from recommender import wording
from recommender.decide.other_conditions import apart
from recommender.decide.reasons import say_knob
from recommender.decide.step import Problem, Reason, same

#: Difference of equal pulls, as a share of boost, that scatter does not explain: three deviations of 1.2 % each.
UNEQUAL: Final = 0.05


def among(reasons: Sequence[Reason], told: Sequence[Reason]) -> tuple[Reason, ...]:
    """Findings behind the first reason, which says what to do; words on settings last."""
    car = [reason for reason in told if reason.code != "noticed settings"]
    rest = [reason for reason in told if reason.code == "noticed settings"]
    return (*reasons[:1], *car, *reasons[1:], *rest)


def findings(
    problem: Problem, observations: Sequence[Observation], surrogate: BoostSurrogate, doubt: Change | None = None
) -> tuple[Reason, ...]:
    """All that is to be said, most important first."""
    if not observations:
        return ()
    told = [reason for change in surrogate.changes for reason in _of_change(problem, observations, surrogate, change)]
    if not told:
        told += _unequal(problem, observations)
    if not told and doubt is not None:
        told.append(_of_doubt(problem, observations, surrogate, doubt))
    return (*told, *_other_settings(problem, observations[-1]))


def _of_change(
    problem: Problem, observations: Sequence[Observation], surrogate: BoostSurrogate, change: Change
) -> list[Reason]:
    if change.form == "drift":
        way = "falls" if change.amount < 0 else "rises"
        text = f"Boost {way} by {100 * abs(change.amount):.1f} % a pull over the session, give or take "
        text += f"{100 * change.spread:.1f} %: let intake and intercooler cool for equal times between pulls."
        return [Reason("drift", text)]
    kpa, at_rpm = _largest(observations, surrogate, change)
    sure = f"give or take {problem.say(abs(change.spread / change.amount) * kpa)}"
    cause, *check = _cause(change, problem.say(kpa), wording.rpm(at_rpm), sure)
    cause = replace(cause, text=cause.text + _begun_otherwise(observations, change))
    return [cause, *check, _consequence(change)]


def _begun_otherwise(observations: Sequence[Observation], change: Change) -> str:
    """That a change begins with a pull that was run under other conditions than those last known before it, as a
    sentence to be put behind another; empty where it does not."""
    before = [pull for pull in reversed(observations) if pull.number < change.since]
    begins = [pull for pull in observations if pull.number >= change.since]
    if not before or not begins:
        return ""
    warm = next((pull for pull in before if np.isfinite(pull.intake_c)), before[0])
    read = next((pull for pull in before if np.isfinite(pull.barometer_kpa)), before[0])
    return _other_conditions(replace(warm, barometer_kpa=read.barometer_kpa), begins[0])


def _other_conditions(then: Observation, now: Observation) -> str:
    """That ``now`` was run under other conditions than ``then``, likewise."""
    differ = apart(then, now)
    if not differ:
        return ""
    return f" Pull {now.number} was run under other conditions: {', '.join(differ)}. That alone may be it."


def _largest(observations: Sequence[Observation], surrogate: BoostSurrogate, change: Change) -> tuple[float, float]:
    """How much a change moves the latest pull where it moves it most, and where. [kPa], [rpm]"""
    gate, last = surrogate.gate_, observations[-1].settings
    moves = change.amount * effect(gate, gate.parts(change.best[None]), change.form, last.as_array()[None])[0]
    seen = gate.u >= 0.0 if change.form == "floor" else np.ones(gate.u.size, dtype=bool)
    worst = int(np.argmax(np.where(seen, np.abs(moves), 0.0)))
    return abs(float(moves[worst])), float(surrogate.rpm_[worst])


def _of_doubt(
    problem: Problem, observations: Sequence[Observation], surrogate: BoostSurrogate, doubt: Change
) -> Reason:
    kpa, at_rpm = _largest(observations, surrogate, doubt)
    size = f"{problem.say(kpa)} at {wording.rpm(at_rpm)}"
    if doubt.form == "floor":
        way = "more" if doubt.amount > 0 else "less"
        what = f"{100 * abs(doubt.amount):.0f} % {way} boost than the pulls before it suggest ({size})"
        cause, check = "A spring, preload or hose that has changed", "spring, preload and hoses"
    else:
        what = f"boost later and lower than the pulls before it suggest ({size})"
        cause, check = "A boost leak", "clamps, hoses and intercooler"
    which = f"Pull {doubt.since}" if doubt.since == observations[-1].number else f"Pulls from {doubt.since} on"
    text = f"{which} gave {what}. {cause} would explain it better than the settings do. "
    text += f"Look at {check}; the step takes the car as unchanged."
    return Reason("noticed doubt", text + _begun_otherwise(observations, doubt))


def _cause(change: Change, size: str, rpm: str, sure: str) -> list[Reason]:
    since = f"From pull {change.since} on"
    if change.form == "floor":
        way = "more" if change.amount > 0 else "less"
        return [
            Reason(
                "changed spring",
                f"{since} the gate holds {100 * abs(change.amount):.0f} % {way} boost than the pulls before it suggest "
                f"({size} at {rpm}, {sure}): spring, preload, or what reaches the wastegate has changed, or the "
                "solenoid answers duty otherwise than thought.",
            ),
            Reason("changed check", "Check spring and preload, the hoses of wastegate and solenoid, and the gauge."),
        ]
    if change.amount > 0:
        return [Reason("changed back", f"{since} boost comes sooner again, by {size} at {rpm}: the leak seems closed.")]
    cause = "boost leak, or of an rpm signal that is off" if change.form == "shift" else "boost leak"
    return [
        Reason(
            "changed leak",
            f"{since} boost comes later and lower than the pulls before it suggest, by {size} at {rpm}, {sure}, at "
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
    """The latest pull against the last earlier one with the same settings. One duty of a run at held rpm is neither."""
    last = observations[-1]
    for pull in reversed(observations[:-1]):
        swept = not (pull.held_rpm or last.held_rpm)
        if not (swept and pull.trusted and last.trusted and same(pull.settings, last.settings)):
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
        text += _other_conditions(pull, last)
        return [Reason("noticed unequal", text)]
    return []


def _other_settings(problem: Problem, last: Observation) -> list[Reason]:
    """A run at held rpm is advised beside a step with settings of its own: it departs from none."""
    if last.held_rpm or last.proposed is None or same(last.proposed, last.settings):
        return []
    text = f"Pull {last.number} was run with {_differences(problem, last.settings, last.proposed)}. "
    return [Reason("noticed settings", text + "It counts as what was run.")]


def _differences(problem: Problem, run: Settings, proposed: Settings) -> str:
    return ", ".join(
        f"{wording.knob_word(name)} {say_knob(problem, name, now)} where {say_knob(problem, name, wanted)} was proposed"
        for name, now, wanted in zip(KNOB_NAMES, run, proposed, strict=True)
        if abs(now - wanted) > 1e-6
    )
