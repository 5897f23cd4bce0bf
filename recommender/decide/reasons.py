"""The sentences behind a step. Every number in them comes from the pulls, the posterior or the job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from models.evidence import Observation
from models.settings import KNOB_NAMES, Settings, effective_duty
from models.units import FloatArray, from_kpa
from recommender import wording
from recommender.decide.allowed import Offender, idle_like, most_duty, spans
from recommender.decide.step import Problem, Reason, Verdict

if TYPE_CHECKING:
    from recommender.decide.outlook import Forecast, Outlook

__all__ = ["Reason", "Verdict"]

#: The gate counts as held shut where no more than this is left of the duty that can be asked for. [points]
AS_GOOD_AS_SHUT: Final = 10.0
#: Duty under which it never does, wherever the dial ends: solenoids bleed more and more up to about 90 %. [%]
SHUT_FROM: Final = 80.0
#: Steps of duty from which on it is told how many are to come.
MANY_STEPS: Final = 5
#: By how much boost must come nearer to the target somewhere for that to be told as what a step is for, over the
#: tolerance.
HARDLY: Final = 0.1
#: Share of the judged range, at its beginning, over which boost may not have come up yet to what the spring holds.
NOT_SPOOLED: Final = 0.25
#: What held gain back while no pull has shown what it does.
FIRST_GAIN: Final = "first gain"
#: What held duty back after a run at held rpm.
HELD_END: Final = "end of the held run"
#: What held engagement back.
BOOST_HELD: Final = "boost that the gate holds"
#: What held gain back while boost was far from the target.
GAIN_LAST: Final = "gain last"
#: What closes settings whatever their risk: pulls that went wrong, and what one step may ask for.
AS_MUCH: Final = "at or above settings that went wrong"
TOO_NEAR: Final = "too near settings that went wrong"
STEEP: Final = "steep ramp"
GAIN_WRONG: Final = "gain that went wrong"
LESS_GAIN: Final = "more duty with less gain"
MOST_DUTY: Final = "most duty"
_BINDING_WORDS: Final = {
    FIRST_GAIN: "half a step, which is all that a first gain may take",
    HELD_END: "how steeply boost rose at the end of the run at held rpm",
    BOOST_HELD: "the boost that the gate will hold, which engagement stays under",
    GAIN_LAST: "gain, which waits until boost is near the target",
    AS_MUCH: "a pull that went wrong, as much boost as which is not asked for",
    TOO_NEAR: "a pull that went wrong, which is kept away from",
    STEEP: "the steepest ramp that gate and turbo can follow",
    GAIN_WRONG: "gain that went wrong, which is come back to from below",
    LESS_GAIN: "gain taken back, with which no more duty is asked for",
    MOST_DUTY: "the most duty, ramp included, that one step may ask for",
}


def say_knob(problem: Problem, name: str, value: float) -> str:
    """A knob's value as it is dialled: ``34 %``, ``5200 rpm``, ``13.5 psi``."""
    # Pressures are held to a whole pascal: half a psi comes back as 0.49995.
    dialled = round(float(from_kpa(value, problem.pressure_unit)), 3) if name == "engagement" else value
    return wording.knob(name, dialled, problem.pressure_unit)


def say_step(problem: Problem, name: str) -> str:
    """The largest change of a knob from one pull to the next: ``20 points``, ``500 rpm``."""
    step = problem.knobs[name].step
    return say_knob(problem, "ramp_add" if name == "duty" else name, step)


def say_binding(problem: Problem, code: str) -> str:
    """What held a step back, in words: ``the step of duty, 20 points``."""
    name, _, kind = code.rpartition(" ")
    if code == "risk gate":
        return f"the risk of {wording.allowed_risk(problem.risk)} that the job allows"
    if name not in KNOB_NAMES:
        return _BINDING_WORDS.get(code, code)
    if kind == "step":
        return f"the step of {wording.knob_word(name)}, {say_step(problem, name)}"
    return f"the end of the range of {wording.knob_word(name)}"


def _moves(problem: Problem, before: Settings, after: Settings) -> str:
    parts = [
        f"{wording.knob_word(name)} {say_knob(problem, name, new)} instead of {say_knob(problem, name, old)}"
        for name, old, new in zip(KNOB_NAMES, before, after, strict=True)
        if abs(old - new) > 1e-6
    ]
    return ", ".join(parts)


def for_baseline(problem: Problem) -> tuple[Reason, ...]:
    """Why the first pull is run with everything idle."""
    limit = problem.say(problem.limit_kpa)
    least = at_their_least(problem)
    if least:
        return (
            Reason(
                "baseline",
                f"Baseline first, as mild as the dials go: with {least} the pull may give more than the spring alone. "
                "Where the solenoid can be unplugged or the controller switched off, see first what the spring gives.",
            ),
            Reason(
                "limit",
                f"Boost must stay under {limit} with that; lift at once if it does not. Nothing milder can be dialled.",
            ),
        )
    return (
        Reason("baseline", "Baseline first: with every knob idle the pull shows what the spring alone gives."),
        Reason(
            "limit",
            f"The spring must hold boost under {limit}; lift at once if it does not. "
            "No setting can lower what the spring gives.",
        ),
    )


def at_their_least(problem: Problem) -> str:
    """Knobs that raise boost and cannot be idle on this job's dials, at their least: ``duty 30 %``; "" for none."""
    knobs = problem.knobs
    names = [name for name in ("duty", "ramp_add", "engagement", "gain") if knobs[name].lower > 0.0]
    return ", ".join(f"{wording.knob_word(name)} {say_knob(problem, name, knobs[name].lower)}" for name in names)


def for_repeat(problem: Problem, last: Observation, risk: float = 0.0) -> tuple[Reason, ...]:
    """Why the same settings are to be run again; at a risk over the job's it is the baseline, as nothing is milder."""
    if last.trusted and not last.complete:
        least = at_their_least(problem)
        with_what = f", as mild as these dials go, with {least}," if least else " on the spring alone"
        why = Reason(
            "aborted",
            f"Pull {last.number}{with_what} was aborted at {problem.say(last.highest_kpa)}. Find out why, put it "
            "right, and run the baseline again.",
        )
    else:
        remark = f": {last.remark}" if last.remark else ""
        text = f"The log of pull {last.number} cannot be relied on{remark}. Run the same settings again."
        why = Reason("log", text)
    if risk <= problem.risk:
        return (why,)
    text = (
        f"Its risk of {wording.risk(risk, problem.risk)} is above the {wording.allowed_risk(problem.risk)} that the "
        "job allows, and nothing milder can be dialled: lift at once if boost comes near "
        f"{problem.say(problem.limit_kpa)}."
    )
    return why, Reason("limit", text)


def for_limit_on_spring(problem: Problem, last: Observation) -> tuple[Reason, ...]:
    """Why the job stops when the spring alone passes the limit."""
    least = at_their_least(problem)
    with_what = f"as mild as these dials go, with {least}" if least else "on the spring alone"
    return (
        Reason(
            "limit passed",
            f"Pull {last.number} reached {problem.say_past(last.highest_kpa, problem.limit_kpa)} {with_what}; the "
            f"limit is {problem.say(problem.limit_kpa)}. No setting lowers that.",
        ),
        Reason(
            "hardware",
            "Look for a wastegate that does not open (hose off, stuck flap, too much preload), a spring that is too "
            "stiff, or a gate too small; or agree a higher limit with the owner if the engine bears it.",
        ),
    )


def for_limit_twice(problem: Problem, first: Observation, second: Observation, *, milder: bool) -> tuple[Reason, ...]:
    """Why the job stops when two pulls in a row passed the limit; ``milder``: although the second was backed off."""
    although = " although the second was backed off" if milder else ""
    return (
        Reason(
            "limit passed",
            f"Pulls {first.number} and {second.number} both passed the limit of {problem.say(problem.limit_kpa)}"
            f"{although}. Stop and find out why before another pull.",
        ),
        Reason("hardware", "Check the wastegate's hose, flap and actuator, the solenoid's plumbing and the gauge."),
    )


def for_nothing_safe(problem: Problem, last: Observation, least: Forecast) -> tuple[Reason, ...]:
    """Why the job stops when no step that can be dialled in keeps the risk, or none is milder than what went wrong."""
    text = (
        f"Nothing that can be dialled after pull {last.number} keeps the risk at or under "
        f"{wording.allowed_risk(problem.risk)}: the mildest step still has {wording.risk(least.risk, problem.risk)}."
        if least.risk > problem.risk
        else f"Nothing that can be dialled after pull {last.number} in one step is mild enough beside what went wrong."
    )
    return (
        Reason("risk gate" if least.risk > problem.risk else "back off", text),
        Reason(
            "hardware",
            "Nothing milder can be dialled: look at spring, gate and gauge, or agree a higher limit with the owner."
            if idle_like(problem, last.settings)
            else "Set the controller back to idle and run a baseline, or check gate and gauge.",
        ),
    )


def for_done(problem: Problem, best: Observation, deviation: float) -> tuple[Reason, ...]:
    """Why the best pull stands: it is within the tolerance."""
    return (
        Reason(
            "done",
            f"Pull {best.number} is {problem.say_fine(deviation)} from the target, within the tolerance of "
            f"{problem.say_fine(problem.tolerance_kpa)}; its settings stand.",
        ),
        Reason(
            "limit",
            f"Its highest boost was {problem.say(best.highest_kpa)}, "
            f"{problem.say(problem.limit_kpa - best.highest_kpa)} under the limit.",
        ),
    )


def for_good_enough(
    problem: Problem, best: Observation, deviation: float, could: float, *, stalled: bool
) -> tuple[Reason, ...]:
    """Why the best pull stands although it is not quite within the tolerance."""
    end = "The latest pulls came no nearer." if stalled else "No next step promises enough to be worth another pull."
    return (
        Reason(
            "done",
            f"Pull {best.number} is {problem.say_past(deviation, problem.tolerance_kpa, fine=True)} from the target, "
            f"over the tolerance of {problem.say_fine(problem.tolerance_kpa)}; the best thought possible is "
            f"{problem.say_fine(could)}. {end}",
        ),
        Reason(
            "limit",
            f"Its highest boost was {problem.say(best.highest_kpa)}, "
            f"{problem.say(problem.limit_kpa - best.highest_kpa)} under the limit.",
        ),
    )


def hardware(outlook: Outlook, forecast: Forecast, since: int = 0) -> tuple[str, float]:
    """What holds the best settings away from the target, and from which rpm.

    The largest stretch of the judged range in which the expected curve misses the target by more than the tolerance
    decides: above the target it is the spring or the gate, below it the turbo or the duty range. A turbo is named by
    the rpm at which it more likely than not has no more to give; the best settings may fall short before it, for the
    sake of what comes elsewhere. Where it may have more to give, it is named only if the gate is held shut all the
    same, by settings with no more engagement than pulls have shown; else the overpressure limit keeps the best
    settings down, or the knobs cannot follow the target. What is late in coming and short to the very end does not
    come at all: it is the top that the turbo cannot hold, from where it first falls short.

    What pulls showed with the gate held shut goes before what is expected: where they fell short, no settings have
    more to give; where they met the target, it is not the turbo. Likewise spring and gate are named only where no pull
    was at or under the target: where the mildest one was, it is duty, spread otherwise over rpm, that is wanted. What
    the gate lets boost creep above, it held elsewhere: a target that is lower than boost is nearly everywhere in the
    range is one that the spring does not allow.

    Args:
        outlook: The job.
        forecast: The best settings on the whole.
        since: Number of the first pull of the car as it is now.
    """
    problem = outlook.problem
    rpm = outlook.rpm[outlook.judged]
    error = (forecast.curves.mean(axis=0) - outlook.wanted)[outlook.judged]
    seen = most_seen(outlook, since) - outlook.wanted[outlook.judged]
    short = seen < -problem.tolerance_kpa
    error = np.where(short, np.minimum(error, seen), error)
    error = np.where(seen >= -problem.tolerance_kpa, np.maximum(error, -problem.tolerance_kpa), error)
    above = np.where(error > problem.tolerance_kpa, error, 0.0)
    below = np.where(error < -problem.tolerance_kpa, -error, 0.0)
    if above.max() == 0.0 and below.max() == 0.0:
        if forecast.risk > problem.risk:  # they meet the target, and only the limit speaks against them
            return "limit too near", float(rpm[int(np.argmax(error + outlook.wanted[outlook.judged]))])
        return "shape of the curve", float(rpm[int(np.argmax(np.abs(error)))])
    middle = rpm[0] + 0.5 * (rpm[-1] - rpm[0])
    if np.sum(above**2) >= np.sum(below**2):
        over = np.flatnonzero(above > 0)
        least, wanted = least_seen(outlook, since), outlook.wanted[outlook.judged]
        could_fall = (least - wanted)[over] <= problem.tolerance_kpa  # where no pull tells it is not known to
        if np.mean(could_fall) > 0.5:
            return "shape of the curve", float(rpm[int(np.argmax(above))])
        stuck = over[~could_fall]
        under_spring = np.median(wanted[stuck]) < _spring_kpa(outlook, since) - problem.tolerance_kpa
        floor = under_spring or over.size > 0.6 * rpm.size
        return ("floor above target" if floor else "boost creeps"), float(rpm[stuck[0]])
    under = np.flatnonzero(below > 0)
    first, last = np.sum(below[rpm < middle] ** 2), np.sum(below[rpm >= middle] ** 2)
    s = forecast.settings
    knob = problem.knobs["ramp_add" if problem.knobs["duty"].fixed else "duty"]
    near = min(2 * knob.resolution, 0.15 * (knob.upper - knob.lower))  # two positions of a coarse dial are half of it
    at_end = getattr(s, knob.name) >= knob.upper - max(near, 1e-9)
    breath = has_breath(outlook, under) & ~short[under]
    if under.size > 0.6 * rpm.size and at_end and np.mean(breath) > 0.5:
        return "duty range used up", float(rpm[under[0]])
    half = rpm[under] < middle if first > last else rpm[under] >= middle
    # Boost stands under an engagement at the dial's end whatever the turbo has: what nobody has run with tells nothing.
    run = max((pull.settings.engagement for pull in _that_count(outlook, since)), default=0.0)
    known = replace(s, engagement=min(s.engagement, run))
    shut = held_shut(problem, known, rpm, error + outlook.wanted[outlook.judged])[under]
    gone = ~breath if np.any(half & ~breath) else shut
    there = under[half & gone]
    if not there.size:
        deepest = under[half][np.argmax(below[under[half]])]
        limited = forecast.risk > problem.risk and not above.any()
        return ("limit too near" if limited else "shape of the curve"), float(rpm[deepest])
    if first <= last:
        return "out of breath at the top", float(rpm[there[0]])
    begins, ends = _stretch(under[gone], int(there[-1]))
    if ends < rpm.size - 1:  # late boost holds up to an rpm: that from which the target is there
        return "boost arrives late", float(rpm[ends])
    return "out of breath at the top", float(rpm[begins])  # at no rpm further up it is


def _stretch(points: npt.NDArray[np.int64], at: int) -> tuple[int, int]:
    """First and last of the points that follow each other without a gap around one of them. Points rise, shape (k,)"""
    parts = np.split(points, np.flatnonzero(np.diff(points) > 1) + 1)
    own = next(part for part in parts if at in part)
    return int(own[0]), int(own[-1])


def held_shut(problem: Problem, settings: Settings, rpm: FloatArray, boost_kpa: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether the gate is held shut, or as good as, with some settings.

    By nearly all the duty that can be asked for, as far as that is nearly all the solenoid's travel: where the dial
    ends long before, its end holds nothing shut. Or by boost that stays under engagement.

    Args:
        problem: The job.
        settings: What would be dialled in.
        rpm: Shape (m,), [rpm]
        boost_kpa: Boost expected there. Shape (m,), [kPa gauge]
    """
    duty, ramp = problem.knobs["duty"], problem.knobs["ramp_add"]
    most = min(duty.upper + max(ramp.upper, 0.0), 100.0)
    asked = effective_duty(rpm, settings.as_array())
    by_duty = asked >= max(most - AS_GOOD_AS_SHUT, SHUT_FROM)
    return np.asarray(by_duty | (boost_kpa <= settings.engagement))


def most_seen(outlook: Outlook, since: int = 0) -> FloatArray:
    """Mean boost of the pulls that held the gate shut, or as good as, at each judged point; NaN where none did.

    Args:
        outlook: The job.
        since: Number of the first pull that counts.
    Returns:
        Shape (m,), [kPa gauge]
    """
    total, count = np.zeros(outlook.rpm.size), np.zeros(outlook.rpm.size)
    for pull in _that_count(outlook, since):
        boost = pull.curve.at(outlook.rpm)
        # Some controllers open the gate for good once engagement was passed: under it is shut on the way up alone.
        highest = np.maximum.accumulate(np.where(np.isfinite(boost), boost, -np.inf))
        shut = np.isfinite(boost) & held_shut(outlook.problem, pull.settings, outlook.rpm, highest)
        total += np.where(shut, boost, 0.0)
        count += shut
    total, count = total[outlook.judged], count[outlook.judged]
    return np.asarray(np.where(count > 0, total, np.nan) / np.maximum(count, 1.0))


def least_seen(outlook: Outlook, since: int = 0) -> FloatArray:
    """Least boost of the pulls at each judged point; NaN where none tells.

    Args:
        outlook: The job.
        since: Number of the first pull that counts.
    Returns:
        Shape (m,), [kPa gauge]
    """
    least = np.full(int(outlook.judged.sum()), np.nan)
    for pull in _that_count(outlook, since):
        least = np.fmin(least, pull.curve.at(outlook.rpm)[outlook.judged])
    return least


def _spring_kpa(outlook: Outlook, since: int) -> float:
    """Boost that the latest whole pull on the spring alone held nearly everywhere in the judged range; -inf where there
    is none. [kPa gauge]"""
    for pull in reversed(_that_count(outlook, since)):
        if pull.complete and idle_like(outlook.problem, pull.settings):
            boost = pull.curve.at(outlook.rpm)[outlook.judged]
            known = boost[np.isfinite(boost)]
            return float(np.quantile(known, NOT_SPOOLED)) if known.size else float("-inf")
    return float("-inf")


def _that_count(outlook: Outlook, since: int) -> list[Observation]:
    """Sweeps that can be relied on, of the car as it is from pull ``since`` on."""
    return [pull for pull in outlook.pulls if pull.trusted and not pull.held_rpm and pull.number >= since]


def has_breath(outlook: Outlook, under: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Whether the turbo could more likely than not give the target, at each of the judged points given."""
    ceiling = np.exp(outlook.surrogate.posterior_.parts.log_ceiling)[:, outlook.judged][:, under]
    return np.asarray(
        np.median(ceiling, axis=0) >= outlook.wanted[outlook.judged][under] - outlook.problem.tolerance_kpa
    )


CAUSE_WORDS: Final = {
    "floor above target": "the spring alone holds more boost than the target from {rpm}; a softer spring is needed",
    "boost creeps": "boost creeps above the target from {rpm} with the gate wide open; "
    "the gate or its port is too small",
    "boost arrives late": "the turbo cannot reach the target before {rpm} even with the gate held shut",
    "out of breath at the top": "turbo and exhaust cannot hold the target from {rpm} even with the gate held shut",
    "duty range used up": "duty is at the end of its range and boost is still under the target from {rpm}; "
    "more duty, where the controller has any, or a stiffer spring is needed",
    "limit too near": "what would meet the target around {rpm} would pass the overpressure limit more often than "
    "the job allows; a higher limit or a lower target is needed",
    "shape of the curve": "the target's shape around {rpm} cannot be followed with these knobs",
}


def say_cause(problem: Problem, cause: str, rpm: float) -> str:
    """What holds the car back, and from which rpm. Dials that cannot be idle are not the spring alone."""
    least = at_their_least(problem)
    words = CAUSE_WORDS[cause]
    if cause == "floor above target" and least:
        words = (
            f"as mild as these dials go, with {least}, boost is above the target from {{rpm}}; less of that, where the "
            "controller has it, or a softer spring is needed"
        )
    if cause == "boost creeps" and least:
        words = (
            f"as mild as these dials go, with {least}, boost rises above the target from {{rpm}}; less of that, where "
            "the controller has it, or a larger gate is needed"
        )
    if cause == "duty range used up" and problem.knobs["duty"].fixed:
        fixed = f"duty is fixed at {say_knob(problem, 'duty', problem.knobs['duty'].lower)} in this job"
        ramp = "" if problem.knobs["ramp_add"].fixed else ", its ramp is at the end of its range,"
        words = words.replace("duty is at the end of its range", f"{fixed}{ramp}")
    return words.format(rpm=wording.rpm(rpm))


def for_out_of_reach(
    problem: Problem, best: Observation, deviation: float, could: float, cause: str, cause_rpm: float
) -> tuple[Reason, ...]:
    """Why the target cannot be reached, and the best that is possible."""
    closed = ", but not at the risk allowed" if cause == "limit too near" else ""
    return (
        Reason("out of reach", f"The target cannot be reached: {say_cause(problem, cause, cause_rpm)}."),
        Reason(
            "best possible",
            f"The best thought possible is {problem.say_fine(could)} from the target{closed}; pull {best.number} is at "
            f"{problem.say_fine(deviation)} and its settings stand.",
        ),
    )


def inferred(outlook: Outlook, cause: str, cause_rpm: float, since: int = 0) -> tuple[Reason, ...]:
    """That no pull shows a turbo that is blamed: none held the gate shut there. Arguments as for ``hardware``."""
    rpm = outlook.rpm[outlook.judged]
    there = {"out of breath at the top": rpm >= cause_rpm - 1.0, "boost arrives late": rpm <= cause_rpm + 1.0}.get(
        cause
    )
    if there is None or np.any(np.isfinite(most_seen(outlook, since)[there])):
        return ()
    alone = " One duty for all rpm cannot show it." if outlook.problem.knobs["ramp_add"].fixed else ""
    return (
        Reason(
            "inferred", f"No pull has held the gate shut there: it is inferred from how boost rose with duty.{alone}"
        ),
    )


def for_pull(
    outlook: Outlook,
    observations: Sequence[Observation],
    bad: Sequence[Offender],
    chosen: Forecast,
    binding: Sequence[str],
    could: float,
    chance: float,
) -> tuple[Reason, ...]:
    """Why these settings are proposed: what they are to mend, how near the limit they come, what held them back."""
    problem, last = outlook.problem, observations[-1]
    out: list[Reason] = []
    wrong = max((o for o in bad if o.latest), key=lambda o: o.pull.highest_kpa, default=None)
    if wrong is not None:
        what = (
            f"reached {problem.say_past(wrong.pull.highest_kpa, problem.limit_kpa)}, over the limit of "
            f"{problem.say(problem.limit_kpa)}: "
            "backed off, and nothing"
            if wrong.why == "limit passed"
            else "was aborted: nothing"
        )
        out.append(Reason("back off", f"Pull {last.number} {what} at or above its settings is proposed."))
    moves = _moves(problem, last.settings, chosen.settings)
    out.append(_what_for(outlook, last, chosen, moves))
    high = float(np.quantile(chosen.highest, 0.95))
    out.append(
        Reason(
            "limit",
            f"Highest boost is expected at {problem.say(float(chosen.highest.mean()))}, at most {problem.say(high)} "
            f"in 19 of 20 pulls: {problem.say(problem.limit_kpa - high)} under the limit; "
            f"risk {wording.risk(chosen.risk, problem.risk)}.",
        )
    )
    told = [code for code in binding if code != GAIN_LAST and not (wrong is not None and code in (AS_MUCH, TOO_NEAR))]
    if told:  # that gain comes last is no news at each early step; nor is what was just said to be backed off from
        out.append(Reason("held back", f"Held back by {'; '.join(say_binding(problem, code) for code in told)}."))
    if chance < 0.5 and len(observations) > 1:
        out.append(
            Reason(
                "prospect",
                f"The target will probably not be met in full: the best thought possible is {problem.say_fine(could)}.",
            )
        )
    return tuple(out)


def for_more_gain(
    outlook: Outlook,
    observations: Sequence[Observation],
    bad: Sequence[Offender],
    raised: Forecast,
    binding: Sequence[str],
    best_kpa: float,
) -> tuple[Reason, ...]:
    """Why gain is raised although little is promised of it."""
    why = Reason(
        "more gain",
        f"Little is to be gained otherwise: the best pull is {outlook.problem.say_fine(best_kpa)} from the target. No "
        "pull has rung so far, so its settings are run with more gain. Be ready to end the pull if it rings.",
    )
    return _for_pull_because(why, outlook, observations, bad, raised, binding)


def for_way_back(
    outlook: Outlook,
    observations: Sequence[Observation],
    bad: Sequence[Offender],
    back: Forecast,
    binding: Sequence[str],
    best: Observation,
    best_kpa: float,
) -> tuple[Reason, ...]:
    """Why a step leads towards settings that were run before: nothing that one step leads to promises more."""
    problem, last = outlook.problem, observations[-1]
    moves = _moves(problem, last.settings, back.settings)
    one_step = spans(problem, last.settings)
    known = outlook.positions(best.settings)
    at_once = all(low <= place <= high for place, (low, high) in zip(known, one_step, strict=True))
    further = "and no other step promises more" if at_once else f"which is more than one step from pull {last.number}"
    why = Reason(
        "way back",
        f"{moves[0].upper()}{moves[1:]}: towards the settings of pull {best.number}, {problem.say_fine(best_kpa)} from "
        f"the target, {further}.",
    )
    return _for_pull_because(why, outlook, observations, bad, back, binding)


def for_way_on(
    outlook: Outlook,
    observations: Sequence[Observation],
    bad: Sequence[Offender],
    on: Forecast,
    binding: Sequence[str],
    goal: Settings,
    could: float,
) -> tuple[Reason, ...]:
    """Why a step goes on although the latest ones brought nothing: it leads to where none has been."""
    moves = _moves(outlook.problem, observations[-1].settings, on.settings)
    most = most_duty(outlook.problem, goal)
    why = Reason(
        "way on",
        f"{moves[0].upper()}{moves[1:]}: the latest pulls brought nothing, and none has asked for as much duty. With "
        f"{wording.knob_number(round(most))} %, {outlook.problem.say_fine(could)} from the target is thought possible.",
    )
    return _for_pull_because(why, outlook, observations, bad, on, binding)


def steps_to_go(problem: Problem, last: Settings, goal: Settings) -> tuple[Reason, ...]:
    """How many steps of duty lie between the last pull and the settings thought best, where those are many."""
    duty = problem.knobs["duty"]
    steps = int(np.ceil((goal.duty - last.duty) / duty.step)) if not duty.fixed else 0
    if steps < MANY_STEPS:
        return ()
    return (
        Reason(
            "steps to go",
            f"About {say_knob(problem, 'duty', goal.duty)} of duty is thought best: {steps} steps of "
            f"{say_step(problem, 'duty')} from pull to pull, as the job file has them.",
        ),
    )


def _for_pull_because(
    why: Reason,
    outlook: Outlook,
    observations: Sequence[Observation],
    bad: Sequence[Offender],
    chosen: Forecast,
    binding: Sequence[str],
) -> tuple[Reason, ...]:
    """As ``for_pull``, with another reason in place of what the step aims at."""
    told = for_pull(outlook, observations, bad, chosen, binding, float("nan"), 1.0)
    return tuple(why if reason.code == "aim" else reason for reason in told)


def _what_for(outlook: Outlook, last: Observation, chosen: Forecast, moves: str) -> Reason:
    """Where the last pull missed the target most, and what the step does about it."""
    problem = outlook.problem
    if not moves:
        return Reason(
            "repeat",
            f"The same settings again: one more look is worth more than a change after pull {last.number}.",
        )
    known = last.curve.rpm[last.curve.reached]
    # Beyond where the pull ended nothing is known of it: no miss is told there.
    inside = (outlook.rpm >= known.min(initial=np.inf)) & (outlook.rpm <= known.max(initial=-np.inf))
    met = outlook.judged & inside
    if not met.any():
        return Reason(
            "aim", f"{moves[0].upper()}{moves[1:]}: pull {last.number} shows nothing of the range that is judged."
        )
    rpm, wanted = outlook.rpm[met], outlook.wanted[met]
    before = np.interp(rpm, known, last.curve.boost_kpa[last.curve.reached])
    after = chosen.curves.mean(axis=0)[met]
    if chosen.settings.gain < last.settings.gain and 0.5 * last.swing_kpa**2 > np.mean((before - wanted) ** 2):
        left = float(outlook.ringing(chosen.settings.as_array()[None]).mean())
        return Reason(
            "aim",
            f"{moves[0].upper()}{moves[1:]}: pull {last.number} rang by ±{problem.say(last.swing_kpa)}, which is more "
            f"than its curve was off; this step should leave ±{problem.say(left)}.",
        )
    if np.max(np.abs(before - wanted) - np.abs(after - wanted)) < HARDLY * problem.tolerance_kpa:
        return Reason(
            "aim",
            f"{moves[0].upper()}{moves[1:]}: boost is expected hardly nearer to the target than in pull {last.number} "
            "at any rpm.",
        )
    gain = (before - wanted) ** 2 - (after - wanted) ** 2
    worst = int(np.argmax(gain))
    side = "under" if before[worst] < wanted[worst] else "over"
    return Reason(
        "aim",
        f"{moves[0].upper()}{moves[1:]}: at {wording.rpm(rpm[worst])} pull {last.number} was "
        f"{problem.say(abs(before[worst] - wanted[worst]))} {side} the target; this step should bring it to "
        f"{problem.say(float(after[worst]))} of {problem.say(float(wanted[worst]))} wanted.",
    )
