"""The step itself in words: evidence, tightest rpm, what bound it, what was ruled out, what would change it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.evidence import Observation
from models.influence import moves_without
from models.settings import KNOB_NAMES, Settings
from recommender import wording
from recommender.decide.outlook import Forecast, Outlook
from recommender.decide.reasons import (
    AS_MUCH,
    BOOST_HELD,
    CAUSE_WORDS,
    FIRST_GAIN,
    GAIN_LAST,
    GAIN_WRONG,
    HELD_END,
    LESS_GAIN,
    MOST_DUTY,
    STEEP,
    TOO_NEAR,
    say_cause,
    say_knob,
    say_step,
)
from recommender.decide.step import Alternative, Decision, Problem, Reason
from recommender.why.explanation import PullEvidence, RuledOutStep, Tightest
from recommender.why.look import Look
from recommender.why.words import in_unit, moves, settings_in_unit, upper_first

#: A gain of expected deviation under this is called none. [share of the tolerance]
WORTH_SAYING = 0.1
#: What held a step back, where that is no knob's own step or range.
_CAPS = {
    HELD_END: "Duty goes only so far past the end of the run at held rpm: boost rose so steeply there that, twice as "
    "steep, it would reach the limit.",
    BOOST_HELD: "Engagement stays under the boost that the gate will hold with this duty: kept shut up to more, boost "
    "runs past it and falls back.",
    GAIN_LAST: "Gain waits until a pull, or the step itself, is near the target: far from it many feedback laws sleep, "
    "and gain hides what duty does.",
    AS_MUCH: "What promised more asks for at least as much boost as a pull that went wrong.",
    TOO_NEAR: "What promised more is not far enough below a pull that went wrong.",
    STEEP: "What promised more has a ramp that is steeper than gate and turbo can follow.",
    GAIN_WRONG: "What promised more has gain with which a pull was lifted, or passed the limit: it is come back to "
    "from below.",
    LESS_GAIN: "What promised more asks for more duty with less gain: how much boost feedback had held off shows only "
    "with gain taken back alone.",
    MOST_DUTY: "Duty with its ramp goes no further in one step past the highest that was run, wherever it is asked "
    "for.",
}


# ------------------------------------------------------------------- evidence


def evidence(look: Look, observations: Sequence[Observation]) -> tuple[PullEvidence, ...]:
    """Every pull on record, a run at held rpm as one: whether it was fitted, and what its part in the prediction is."""
    fitted = set(look.surrogate.evidence_.numbers.astype(int).tolist())
    judged = look.problem.target.judged(look.surrogate.rpm_)
    changes = moves_without(look.surrogate, look.base.as_array())
    moved = {number: float(np.sqrt(np.mean(change[judged] ** 2))) for number, change in changes.items()}
    total = sum(moved.values())
    first: dict[int, Observation] = {}
    for each in observations:
        first.setdefault(each.number, each)
    out = []
    for pull in first.values():
        moves_kpa = moved.get(pull.number, float("nan"))
        weight = moves_kpa / total if total > 0 and pull.number in moved else 0.0
        text = _evidence_words(look.problem, pull, pull.number in fitted, moves_kpa, weight)
        out.append(
            PullEvidence(pull.number, pull.number in fitted, weight, float(in_unit(look.problem, moves_kpa)), text)
        )
    return tuple(out)


def _evidence_words(problem: Problem, pull: Observation, fitted: bool, moved: float, weight: float) -> str:
    name = f"Pull {pull.number}"
    if not fitted:
        if not pull.trusted:
            remark = pull.remark.rstrip(".")
            return f"{name} is left out: its log cannot be relied on{': ' + remark if remark else ''}."
        if pull.held_rpm and not pull.curve.reached.any():
            return f"{name} is left out: the rpm at which it was held is outside the rpm range of the target."
        if pull.curve.reached.sum() < 3:
            return f"{name} is left out: it ended before it reached the rpm range of the target."
        return f"{name} is left out of the fit: later and more different pulls say more."
    part = "" if pull.complete else f", as far as it goes: to {wording.rpm(pull.curve.rpm[pull.curve.reached][-1])}"
    return (
        f"{name} is fitted{part}: weight {wording.share(weight)}; without it the prediction would move by "
        f"{problem.say_fine(moved)}."
    )


# -------------------------------------------------------------------- tightest


def tightest(problem: Problem, decision: Decision) -> Tightest:
    """The place nearest to the limit."""
    band = decision.band
    column = int(np.argmin(np.abs(band.rpm - decision.tightest_rpm)))
    high = float(band.high_kpa[column])
    room = f"{problem.say(abs(decision.margin_kpa))} {'under' if decision.margin_kpa >= 0 else 'over'} the limit"
    text = (
        f"Tightest at {wording.rpm(decision.tightest_rpm)}: the band reaches {problem.say(high)} there. With spikes "
        f"counted, 19 of 20 such pulls stay under {problem.say(decision.peak_high_kpa)}, {room} of "
        f"{problem.say(problem.limit_kpa)}; risk {wording.risk(decision.risk, problem.risk)}, an estimate."
    )
    values = in_unit(problem, [high, decision.peak_high_kpa, decision.margin_kpa, problem.limit_kpa]).tolist()
    return Tightest(decision.tightest_rpm, values[0], values[1], values[2], values[3], text)


# -------------------------------------------------------------------- binding


def binding(problem: Problem, decision: Decision, last: Settings | None) -> tuple[Reason, ...]:
    """Each cap or gate that held the step back, with its numbers."""
    out = []
    for code in decision.binding:
        gate = code == "risk gate"
        words = _gate_words(problem, decision) if gate else _cap_words(problem, decision, last, code)
        out.append(Reason(code, words))
    searched = not any(reason.code in ("baseline", "log", "aborted") for reason in decision.reasons)
    if not out and searched and decision.settings is not None and last is not None:
        out.append(Reason("free", "No cap and no gate held the step back: it is the best that was found."))
    return tuple(out)


def _gate_words(problem: Problem, decision: Decision) -> str:
    closed = [each for each in decision.alternatives if each.ruled_out_by == "risk gate"]
    text = f"The risk gate: at most {wording.allowed_risk(problem.risk)} may pass the limit"
    if not closed:
        return f"{text}, and bolder steps would pass it more often."
    best = min(closed, key=lambda each: each.deviation_kpa)
    return (
        f"{text}; a step with {problem.say_fine(best.deviation_kpa)} expected deviation was closed by its risk of "
        f"{wording.risk(best.risk, problem.risk)}."
    )


def _cap_words(problem: Problem, decision: Decision, last: Settings | None, code: str) -> str:
    name, _, kind = code.rpartition(" ")
    if code == FIRST_GAIN and decision.settings is not None:
        value = say_knob(problem, "gain", decision.settings.gain)
        return f"Gain goes to {value}: half a step, which is all that a first gain may take."
    if code in _CAPS:
        return _CAPS[code]
    if name not in KNOB_NAMES or decision.settings is None:
        return f"{upper_first(code)}."
    value = getattr(decision.settings, name)
    what = wording.KNOB_LABELS[name]
    if kind == "step" and last is not None:
        return (
            f"{what} goes from {say_knob(problem, name, getattr(last, name))} to {say_knob(problem, name, value)}: all "
            f"of the {say_step(problem, name)} that one pull may change."
        )
    return f"{what} is at the end of its range, {say_knob(problem, name, value)}."


# -------------------------------------------------------------------- alternatives


def alternatives(problem: Problem, decision: Decision, stands: Settings | None) -> tuple[RuledOutStep, ...]:
    """The best steps ruled out, each with what ruled it out, as they differ from the step, or from what stands where a
    job ends: that is what is shown beside them."""
    base = decision.settings or stands
    return tuple(
        RuledOutStep(
            settings_in_unit(problem, each.settings),
            float(in_unit(problem, each.deviation_kpa)),
            each.risk,
            each.ruled_out_by,
            _ruled_out_words(problem, decision, each, base),
        )
        for each in decision.alternatives
    )


def _ruled_out_words(problem: Problem, decision: Decision, option: Alternative, base: Settings | None) -> str:
    what = moves(problem, base, option.settings) if base is not None else "other settings"
    numbers = (
        f"{problem.say_fine(option.deviation_kpa)} expected deviation, risk {wording.risk(option.risk, problem.risk)}"
    )
    why = {
        "risk gate": f"over the {wording.allowed_risk(problem.risk)} that the job allows",
        "more deviation expected": _no_better(problem, decision, option),
        "less to learn from it": (
            "it would teach less about the car for the pulls to come"
            if decision.settings is not None
            else "what it promises is not worth another pull"
        ),
        MOST_DUTY: "duty with its ramp would go too far past the highest run so far",
        HELD_END: "boost rose too steeply at the end of the run at held rpm for so much more duty",
        BOOST_HELD: "engagement would go past the boost that the gate will hold with this duty",
        STEEP: "its ramp is steeper than gate and turbo can follow",
        GAIN_WRONG: "gain with which a pull was lifted, or passed the limit, is come back to from below",
        LESS_GAIN: "how much boost feedback had held off shows only with gain taken back alone",
        TOO_NEAR: "it is not far enough below the pull that went wrong",
        AS_MUCH: "it asks for at least as much boost as a pull that went wrong",
    }.get(option.ruled_out_by, option.ruled_out_by)
    return f"{upper_first(what)}: {numbers}. Not taken: {why}."


def _no_better(problem: Problem, decision: Decision, option: Alternative) -> str:
    first, second = problem.say_fine(decision.deviation_kpa), problem.say_fine(option.deviation_kpa)
    what = "the step" if decision.settings is not None else "what stands"
    return f"{what} has {first}" if first != second else f"no better than {what}"


# -------------------------------------------------------------------- what would change it


def would_change(outlook: Outlook, decision: Decision, last: Settings | None) -> tuple[Reason, ...]:
    """Under which other conditions the answer would be another."""
    problem = outlook.problem
    out: list[Reason] = []
    closed = [
        each
        for each in decision.alternatives
        if each.ruled_out_by == "risk gate"
        and each.deviation_kpa < decision.deviation_kpa
        and problem.say_fine(each.deviation_kpa) != problem.say_fine(decision.deviation_kpa)
    ]
    if closed:
        least = min(closed, key=lambda each: each.risk)
        out.append(
            Reason(
                "risk",
                f"With a risk of {wording.risk(least.risk, problem.risk)} allowed instead of "
                f"{wording.allowed_risk(problem.risk)}, a bolder step would be open: "
                f"{problem.say_fine(least.deviation_kpa)} expected deviation instead of "
                f"{problem.say_fine(decision.deviation_kpa)}.",
            )
        )
    out += _wider_caps(outlook, decision, last)
    if decision.cause in CAUSE_WORDS:
        cause = say_cause(problem, decision.cause, decision.cause_rpm)
        other = "Another limit or target" if decision.cause == "limit too near" else "Other hardware"
        out.append(Reason("hardware", f"{other}: {cause}."))
    elif decision.cause:
        out.append(Reason("cause", f"The cause put right: {decision.cause}. A pull after that is judged afresh."))
    if decision.verdict == "done":
        out += _tighter(problem, decision, outlook.pulls)
    if last is None:
        out.append(Reason("baseline", "Any pull: before the first one nothing is known of this car."))
    return tuple(out)


def _wider_caps(outlook: Outlook, decision: Decision, last: Settings | None) -> list[Reason]:
    """What one more step of each knob at its cap would bring."""
    problem = outlook.problem
    if decision.settings is None or last is None:
        return []
    names = [code.removesuffix(" step") for code in decision.binding if code.endswith(" step")]
    further = {name: _further(problem, decision.settings, last, name) for name in names if name in KNOB_NAMES}
    rows = {name: settings for name, settings in further.items() if settings is not None}
    if not rows:
        return []
    return [
        _cap_change(problem, decision, name, forecast)
        for name, forecast in zip(rows, outlook.forecast(list(rows.values())), strict=True)
    ]


def _further(problem: Problem, settings: Settings, last: Settings, name: str) -> Settings | None:
    """The same step with one knob half a step further, within its range; None where it cannot go."""
    knob = problem.knobs[name]
    value, before = getattr(settings, name), getattr(last, name)
    size = max(round(0.5 * knob.step / knob.resolution), 1) * knob.resolution
    goal = float(knob.value(knob.index(value + np.sign(value - before) * size)))
    row = Settings(**{**settings.as_dict(), name: goal})
    return None if abs(goal - value) < 1e-9 or row.ramp_from >= row.ramp_to else row


def _cap_change(problem: Problem, decision: Decision, name: str, further: Forecast) -> Reason:
    value = say_knob(problem, name, getattr(further.settings, name))
    start = f"{wording.KNOB_LABELS[name]} at {value}, were its step wider"
    deviation, risk = problem.say_fine(further.deviation_kpa), wording.risk(further.risk, problem.risk)
    if further.risk > problem.risk:
        text = f"{start}, would not pass the gate: risk {risk} ({deviation} expected deviation)."
    elif decision.deviation_kpa - further.deviation_kpa > WORTH_SAYING * problem.tolerance_kpa:
        text = (
            f"{start}, would bring the expected deviation to {deviation} instead of "
            f"{problem.say_fine(decision.deviation_kpa)}, at a risk of {risk}."
        )
    else:
        text = f"{start}, would bring nothing to speak of: {deviation} expected deviation, risk {risk}."
    return Reason(f"{name} step", text)


def _tighter(problem: Problem, decision: Decision, pulls: Sequence[Observation]) -> list[Reason]:
    """From which tolerance on the job would go on: the rule looks at what the pull that stands has measured."""
    measured = [pull.deviation_kpa(problem.target) for pull in pulls if pull.number == decision.best_number]
    if not measured or measured[0] > problem.tolerance_kpa:
        return []
    text = f"A tolerance under {problem.say_fine(measured[0])} would call for another pull"
    if np.isfinite(decision.best_possible_kpa) and decision.best_possible_kpa < measured[0]:
        text += f"; the best thought possible is {problem.say_fine(decision.best_possible_kpa)}"
    return [Reason("tolerance", f"{text}.")]
