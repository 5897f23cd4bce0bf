"""What was learnt about the car, in words, each number a 90 % range of the posterior."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.contrast import effect_draws
from models.curve import ARRIVED, Curve, droop_kpa, spool_rpm
from models.evidence import Observation
from models.settings import Settings
from models.surrogate import BoostSurrogate
from models.units import FloatArray
from recommender import wording
from recommender.decide.allowed import idle
from recommender.decide.reasons import at_their_least, say_knob
from recommender.decide.step import Problem
from recommender.why.explanation import Constant
from recommender.why.look import VAGUE_PERCENT, Look, constant
from recommender.why.scatter import repeatability, rest
from recommender.why.words import between, ends, signed, whole

#: Probability under which boost is said not to get there at all.
RARELY = 0.2
#: Change of duty that its worth is given for. [points]
DUTY_MOVE = 10.0


def constants(look: Look, observations: Sequence[Observation]) -> tuple[Constant, ...]:
    """Everything that was learnt and that a tuner can use, most useful first."""
    found: list[Constant | None] = [
        _duty_worth(look),
        _floor(look),
        _dead_band(look),
        _ceiling(look),
        _spool(look),
        _droop(look),
        _engagement(look),
        _gain(look),
        repeatability(look, observations),
        rest(look),
    ]
    return tuple(each for each in found if each is not None)


def _boost_at(surrogate: BoostSurrogate, settings: Settings, column: int) -> FloatArray:
    curves, _ = surrogate.expected(settings.as_array()[None])
    return curves[:, 0, column]


def _duty_worth(look: Look) -> Constant | None:
    problem, knob = look.problem, look.problem.knobs["duty"]
    if knob.fixed:
        return None
    start = min(look.base.duty, knob.upper - DUTY_MOVE)
    before = Settings(**{**look.base.as_dict(), "duty": max(start, knob.lower)})
    points = min(DUTY_MOVE, knob.upper - before.duty)
    after = Settings(**{**before.as_dict(), "duty": before.duty + points})
    at, top = look.middle_rpm, look.top_rpm

    def draws(surrogate: BoostSurrogate, column: int) -> FloatArray:
        return effect_draws(surrogate, before.as_array(), after.as_array()[None])[:, 0, column]

    top_low, top_high = ends(draws(look.surrogate, look.column(top)))

    def say(low: float, high: float) -> str:
        return (
            f"From {before.duty:g} %, each {points:g} points of duty {_is_worth(low, high)} "
            f"{between(problem, low, high)} at {wording.rpm(at)}, and {between(problem, top_low, top_high)} at "
            f"{wording.rpm(top)}."
        )

    unknown = f"What duty is worth from {before.duty:g} % is not known yet; a pull with other duty tells."
    widest = look.vague_kpa
    return constant(
        "duty worth", look, lambda s: draws(s, look.column(at)), problem.pressure_unit, say, unknown, widest
    )


def _is_worth(low: float, high: float) -> str:
    return "is worth" if low > 0 or high < 0 else "may be worth"


def _floor(look: Look) -> Constant:
    problem, nothing = look.problem, idle(look.problem)
    at, top = look.middle_rpm, look.top_rpm
    top_low, top_high = ends(_boost_at(look.surrogate, nothing, look.column(top)))

    least = at_their_least(problem)
    what = f"As mild as these dials go, with {least}, boost is" if least else "The spring alone gives"

    def say(low: float, high: float) -> str:
        return (
            f"{what} {between(problem, low, high)} at {wording.rpm(at)} and "
            f"{between(problem, top_low, top_high)} at {wording.rpm(top)}."
        )

    unknown = (
        f"What boost is as mild as these dials go, with {least}, is not known yet; the baseline tells."
        if least
        else "What the spring alone gives is not known yet; a pull with every knob idle tells."
    )

    def draws(surrogate: BoostSurrogate) -> FloatArray:
        return _boost_at(surrogate, nothing, look.column(at))

    return constant("floor", look, draws, problem.pressure_unit, say, unknown, look.vague_kpa)


def _dead_band(look: Look) -> Constant | None:
    if look.problem.knobs["duty"].fixed:
        return None
    full_low, full_high = ends(np.clip(look.surrogate.posterior_.parts.constants["full_at"], 0.0, 100.0))

    def draws(surrogate: BoostSurrogate) -> FloatArray:
        return np.clip(surrogate.posterior_.parts.constants["dead_low"], 0.0, 100.0)

    def say(low: float, high: float) -> str:
        return (
            f"Duty begins to act at {whole(low, high, ' %')}, and more of it adds nothing from "
            f"{whole(full_low, full_high, ' %')}."
        )

    unknown = "Where duty begins to act is not known yet; pulls with different duty tell."
    return constant("dead band", look, draws, "%", say, unknown, VAGUE_PERCENT)


def _ceiling(look: Look) -> Constant:
    problem, column = look.problem, look.column(look.top_rpm)
    ceiling = np.exp(look.surrogate.posterior_.parts.log_ceiling)
    rpm = look.surrogate.rpm_
    judged = problem.target.judged(rpm)
    wanted = problem.target.at(rpm)
    under = np.mean(ceiling[:, judged] < wanted[judged] - problem.tolerance_kpa, axis=0)
    worst = int(np.argmax(under))
    short = ""
    if under[worst] >= 0.05:
        short = (
            f" At {wording.rpm(rpm[judged][worst])} it falls short of the target with a probability of "
            f"{wording.risk(float(under[worst]))}."
        )

    def say(low: float, high: float) -> str:
        wanted_there = problem.say(float(problem.target.at(look.top_rpm)))
        text = (
            f"With the gate held shut the turbo could give {between(problem, low, high)} at "
            f"{wording.rpm(look.top_rpm)}, where {wanted_there} is wanted."
        )
        return text + short

    def draws(surrogate: BoostSurrogate) -> FloatArray:
        return np.exp(surrogate.posterior_.parts.log_ceiling)[:, column]

    unknown = (
        f"What the turbo could give at {wording.rpm(look.top_rpm)} with the gate held shut is not known yet; a pull "
        "that reaches the target there tells whether it is enough."
    )
    unknown += short
    return constant("ceiling", look, draws, problem.pressure_unit, say, unknown, look.vague_kpa)


def _spools(surrogate: BoostSurrogate, look: Look, settings: Settings) -> FloatArray:
    curves, _ = surrogate.expected(settings.as_array()[None])
    rpm, target = surrogate.rpm_, look.problem.target
    return np.array([spool_rpm(Curve(rpm, curve), target) for curve in curves[:, 0]])


def _spool(look: Look) -> Constant:
    level = look.problem.say(ARRIVED * float(look.problem.target.at(look.problem.target.judge_from)))
    arrives = float(np.mean(np.isfinite(_spools(look.surrogate, look, look.base))))

    def say(low: float, high: float) -> str:
        if arrives < RARELY:
            return (
                f"Boost does not reach {level}, nine tenths of the target, with these settings; the probability that "
                f"it does is {wording.risk(arrives)}."
            )
        text = f"Boost reaches {level}, nine tenths of the target, at {whole(low, high, ' rpm')}"
        return f"{text}." if arrives > 0.95 else f"{text}, if at all (probability {wording.share(arrives)})."

    widest = look.vague_rpm if arrives >= RARELY else float("inf")
    unknown = f"From where boost reaches {level}, nine tenths of the target, is not known yet; the next pull tells."
    return constant("spool", look, lambda s: _spools(s, look, look.base), "rpm", say, unknown, widest)


def _droop(look: Look) -> Constant:
    problem = look.problem

    def draws(surrogate: BoostSurrogate) -> FloatArray:
        curves, _ = surrogate.expected(look.base.as_array()[None])
        return np.array([droop_kpa(Curve(surrogate.rpm_, curve), problem.target) for curve in curves[:, 0]])

    def say(low: float, high: float) -> str:
        if low >= 0:
            what = f"falls off by {between(problem, low, high)}"
        elif high <= 0:
            what = f"creeps up by {between(problem, -high, -low)}"
        else:
            what = f"creeps up by {problem.say(-low)} at most or falls off by {problem.say(high)} at most"
        return f"Towards the top, boost {what} against the target."

    unknown = "Whether boost falls off or creeps up towards the top is not known yet; a pull up to there tells."
    return constant("droop", look, draws, problem.pressure_unit, say, unknown, look.vague_kpa)


def _engagement(look: Look) -> Constant | None:
    """What engagement did to spool and peak, from idle to where it stands or to its first step."""
    problem, knob = look.problem, look.problem.knobs["engagement"]
    if knob.fixed:
        return None
    value = look.base.engagement if look.base.engagement > knob.lower else min(knob.lower + knob.step, knob.upper)
    low_set, high_set = (Settings(**{**look.base.as_dict(), "engagement": v}) for v in (knob.lower, value))
    change = effect_draws(look.surrogate, low_set.as_array(), high_set.as_array()[None])[:, 0]
    base, _ = look.surrogate.expected(low_set.as_array()[None])
    peak_low, peak_high = ends((base[:, 0] + change).max(axis=1) - base[:, 0].max(axis=1))

    def draws(surrogate: BoostSurrogate) -> FloatArray:
        return _spools(surrogate, look, low_set) - _spools(surrogate, look, high_set)

    def say(low: float, high: float) -> str:
        if not np.isfinite(low):
            sooner = "whether boost comes sooner cannot be told here"
        elif low < 0 and high - low > 0.3 * look.vague_rpm:
            sooner = "whether boost comes sooner is not known yet, a pull with one of them and the same duty tells"
        elif low >= 0:
            sooner = f"boost comes {whole(low, high, ' rpm')} sooner"
        else:
            sooner = f"boost comes between {-low:.0f} rpm later and {max(high, 0.0):.0f} rpm sooner"
        moved = f"changes by {_signed(problem, peak_low, peak_high)}"
        if peak_high - peak_low > look.vague_kpa:
            moved = "may change either way"
        return f"{what}: {sooner}, and the highest boost {moved}."

    what = f"Engagement {say_knob(problem, 'engagement', value)} instead of "
    what += say_knob(problem, "engagement", knob.lower)
    unknown = f"{what}: what it does to when boost comes is not known yet; a pull with more engagement tells."
    return constant("engagement", look, draws, "rpm", say, unknown, look.vague_rpm)


def _signed(problem: Problem, low_kpa: float, high_kpa: float) -> str:
    low, high = signed(problem, low_kpa), signed(problem, high_kpa)
    return low if low == high else f"{low.split()[0]} to {high}"


def _gain(look: Look) -> Constant | None:
    knob = look.problem.knobs["gain"]
    if knob.fixed:
        return None
    value = look.base.gain if look.base.gain > 0 else min(knob.lower + knob.step, knob.upper)
    takes = f"Gain {wording.knob_number(value)} takes away"
    quiet = "from where it rings is not known yet: raise it in small steps."
    full = look.surrogate.gate_.full_gain  # past the dial's end where more was run before it was narrowed
    ring_low, ring_high = ends(np.exp(look.surrogate.posterior_.parts.constants["log_ring_from"]) * full)

    def draws(surrogate: BoostSurrogate) -> FloatArray:
        loop = np.exp(surrogate.posterior_.parts.constants["log_pull_together"]) * value / full
        return 100.0 * loop / (1.0 + loop)

    def say(low: float, high: float) -> str:
        ring_top = f"{ring_high:.2g}" if ring_high <= knob.upper else f"beyond its end at {knob.upper:g}"
        if ring_high > 10.0 * ring_low:
            return f"{takes} {whole(low, high, ' %')} of what boost is off by; {quiet}"
        if ring_low > knob.upper:
            return f"{takes} {whole(low, high, ' %')} of what boost is off by; it is not expected to ring on this dial."
        return (
            f"{takes} {whole(low, high, ' %')} of what boost is off by; ringing is to be expected "
            f"from a gain of {ring_low:.2g} to {ring_top}."
        )

    unknown = f"What gain {wording.knob_number(value)} does is not known yet; a pull with gain raised by itself tells."
    return constant("gain", look, draws, "%", say, unknown, VAGUE_PERCENT)
