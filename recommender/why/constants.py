"""What was learnt about the car, in words, each number a 90 % range of the posterior."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from models.contrast import effect_draws
from models.curve import ARRIVED, Curve, droop_kpa, spool_rpm
from models.evidence import Observation
from models.settings import Settings
from models.surrogate import BoostSurrogate
from models.units import FloatArray
from recommender.decide.allowed import idle
from recommender.decide.step import Problem, same
from recommender.why.explanation import Constant
from recommender.why.trust import unmodelled_kpa
from recommender.why.words import between, ends, in_unit, say_rpm, signed, whole

#: A range that the pulls have narrowed and moved by less than this share of it counts as assumed, not learnt.
ASSUMED = 0.2
#: Change of duty that its worth is given for. [points]
DUTY_MOVE = 10.0


@dataclass(frozen=True)
class Look:
    """A fitted surrogate, the one before the first pull, and the settings to look from.

    Attributes:
        problem: The job.
        surrogate: Fitted to the pulls.
        prior: Fitted to none.
        base: Settings of the step, or those that stand.
    """

    problem: Problem
    surrogate: BoostSurrogate
    prior: BoostSurrogate
    base: Settings

    @property
    def middle_rpm(self) -> float:
        """Grid point in the middle of the judged range. [rpm]"""
        target = self.problem.target
        return self.nearest(0.5 * (target.judge_from + target.judge_to))

    @property
    def top_rpm(self) -> float:
        """Last grid point of the judged range. [rpm]"""
        rpm = self.surrogate.rpm_
        return float(rpm[self.problem.target.judged(rpm)][-1])

    def nearest(self, rpm: float) -> float:
        """Grid point nearest to an rpm. [rpm]"""
        grid = self.surrogate.rpm_
        return float(grid[int(np.argmin(np.abs(grid - rpm)))])

    def column(self, rpm: float) -> int:
        """Its place on the grid."""
        return int(np.argmin(np.abs(self.surrogate.rpm_ - rpm)))


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
        _repeatability(look, observations),
        _rest(look),
    ]
    return tuple(each for each in found if each is not None)


def _constant(
    code: str, look: Look, draws: Callable[[BoostSurrogate], FloatArray], unit: str, say: Callable[[float, float], str]
) -> Constant:
    """A constant from draws of the posterior, held against the same draws before the first pull."""
    low, high = ends(draws(look.surrogate))
    was_low, was_high = ends(draws(look.prior))
    spread, now = was_high - was_low, high - low
    narrowed = float(np.clip(1.0 - now / spread, 0.0, 1.0)) if spread > 0 and np.isfinite(now) else float("nan")
    text = say(low, high)
    moved = abs(0.5 * (low + high) - 0.5 * (was_low + was_high))
    if narrowed < ASSUMED and moved < ASSUMED * spread:
        text += " Assumed so far: the pulls have not narrowed it yet."
    if unit == look.problem.pressure_unit:
        low, high = in_unit(look.problem, [low, high]).tolist()
    return Constant(code, low, high, unit, narrowed, text)


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
            f"{between(problem, low, high)} at {say_rpm(at)}, and {between(problem, top_low, top_high)} at "
            f"{say_rpm(top)}."
        )

    return _constant("duty worth", look, lambda s: draws(s, look.column(at)), problem.pressure_unit, say)


def _is_worth(low: float, high: float) -> str:
    return "is worth" if low > 0 or high < 0 else "may be worth"


def _floor(look: Look) -> Constant:
    problem, nothing = look.problem, idle(look.problem)
    at, top = look.middle_rpm, look.top_rpm
    top_low, top_high = ends(_boost_at(look.surrogate, nothing, look.column(top)))

    def say(low: float, high: float) -> str:
        return (
            f"The spring alone gives {between(problem, low, high)} at {say_rpm(at)} and "
            f"{between(problem, top_low, top_high)} at {say_rpm(top)}."
        )

    return _constant("floor", look, lambda s: _boost_at(s, nothing, look.column(at)), problem.pressure_unit, say)


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

    return _constant("dead band", look, draws, "%", say)


def _ceiling(look: Look) -> Constant:
    problem, column = look.problem, look.column(look.top_rpm)
    ceiling = np.exp(look.surrogate.posterior_.parts.log_ceiling)
    rpm = look.surrogate.rpm_
    judged = problem.target.judged(rpm)
    wanted = problem.target.at(rpm)
    under = np.mean(ceiling[:, judged] < wanted[judged] - problem.tolerance_kpa, axis=0)
    worst = int(np.argmax(under))

    def say(low: float, high: float) -> str:
        text = (
            f"With the gate held shut the turbo could give {between(problem, low, high)} at {say_rpm(look.top_rpm)}, "
            f"where {problem.say(float(problem.target.at(look.top_rpm)))} is wanted."
        )
        if under[worst] >= 0.05:
            text += (
                f" At {say_rpm(rpm[judged][worst])} it falls short of the target with a probability of "
                f"{100 * under[worst]:.0f} %."
            )
        return text

    def draws(surrogate: BoostSurrogate) -> FloatArray:
        return np.exp(surrogate.posterior_.parts.log_ceiling)[:, column]

    return _constant("ceiling", look, draws, problem.pressure_unit, say)


def _spools(surrogate: BoostSurrogate, look: Look, settings: Settings) -> FloatArray:
    curves, _ = surrogate.expected(settings.as_array()[None])
    rpm, target = surrogate.rpm_, look.problem.target
    return np.array([spool_rpm(Curve(rpm, curve), target) for curve in curves[:, 0]])


def _spool(look: Look) -> Constant:
    level = look.problem.say(ARRIVED * float(look.problem.target.at(look.problem.target.judge_from)))
    arrives = float(np.mean(np.isfinite(_spools(look.surrogate, look, look.base))))

    def say(low: float, high: float) -> str:
        if arrives < 0.02:
            return f"Boost does not reach {level}, nine tenths of the target, with these settings."
        text = f"Boost reaches {level}, nine tenths of the target, at {whole(low, high, ' rpm')}"
        return f"{text}." if arrives > 0.95 else f"{text}, if at all (probability {100 * arrives:.0f} %)."

    return _constant("spool", look, lambda s: _spools(s, look, look.base), "rpm", say)


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

    return _constant("droop", look, draws, problem.pressure_unit, say)


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
        elif low >= 0:
            sooner = f"boost comes {whole(low, high, ' rpm')} sooner"
        else:
            sooner = f"boost comes between {-low:.0f} rpm later and {max(high, 0.0):.0f} rpm sooner"
        return (
            f"Engagement at {problem.say(value)} instead of {problem.say(knob.lower)}: {sooner}, and the highest boost "
            f"changes by {_signed(problem, peak_low, peak_high)}."
        )

    return _constant("engagement", look, draws, "rpm", say)


def _signed(problem: Problem, low_kpa: float, high_kpa: float) -> str:
    low, high = signed(problem, low_kpa), signed(problem, high_kpa)
    return low if low == high else f"{low.split()[0]} to {high}"


def _gain(look: Look) -> Constant | None:
    knob = look.problem.knobs["gain"]
    if knob.fixed:
        return None
    value = look.base.gain if look.base.gain > 0 else min(knob.lower + knob.step, knob.upper)
    ring_low, ring_high = ends(np.exp(look.surrogate.posterior_.parts.constants["log_ring_from"]) * knob.upper)

    def draws(surrogate: BoostSurrogate) -> FloatArray:
        loop = np.exp(surrogate.posterior_.parts.constants["log_pull_together"]) * value / knob.upper
        return 100.0 * loop / (1.0 + loop)

    def say(low: float, high: float) -> str:
        ring_top = f"{ring_high:.2g}" if ring_high <= knob.upper else f"beyond its end at {knob.upper:g}"
        return (
            f"Gain {value:g} takes away {whole(low, high, ' %')} of what boost is off by; ringing is to be expected "
            f"from a gain of {ring_low:.2g} to {ring_top}."
        )

    return _constant("gain", look, draws, "%", say)


def _repeatability(look: Look, observations: Sequence[Observation]) -> Constant:
    """What equal pulls differ by: the fit's value, and what equal pulls on record did."""
    problem, p = look.problem, look.surrogate.posterior_
    level = float(np.max(problem.target.boost_kpa))
    allowed = p.repeatability * level
    text = (
        f"The same settings run again differ by about {100 * p.repeatability:.1f} % of boost, "
        f"{problem.say_fine(allowed)} at {problem.say(level)} (one standard deviation)."
    )
    seen = equal_pulls(observations)
    if seen:
        first, second, apart = seen[-1]
        text += f" Pulls {first} and {second}, run alike, were {problem.say_fine(apart)} apart."
    else:
        text += " No two pulls were run alike yet, so this rests on the scatter of the fit."
    low, high = in_unit(problem, [allowed, allowed]).tolist()
    return Constant("repeatability", low, high, problem.pressure_unit, 1.0 if seen else 0.0, text)


def equal_pulls(observations: Sequence[Observation]) -> list[tuple[int, int, float]]:
    """Neighbouring trusted pulls with the same settings: both numbers, and how far apart they were. [kPa]"""
    out = []
    trusted = [pull for pull in observations if pull.trusted and pull.complete]
    for i, second in enumerate(trusted):
        for first in reversed(trusted[:i]):
            if same(first.settings, second.settings):
                error = (first.curve.boost_kpa - second.curve.boost_kpa)[first.curve.reached & second.curve.reached]
                if error.size:
                    out.append((first.number, second.number, float(np.sqrt(np.mean(error**2)))))
                break
    return out


def _rest(look: Look) -> Constant:
    """What the physics misses, as the fit sized it."""
    problem, size, first = look.problem, unmodelled_kpa(look.surrogate), unmodelled_kpa(look.prior)
    how = "as before the first pull"
    if size > 1.001 * first:
        how = f"wider than the {problem.say_fine(first)} before the first pull"
    elif size < 0.999 * first:
        how = f"narrower than the {problem.say_fine(first)} before the first pull"
    text = f"What the physics misses is allowed for with {problem.say_fine(size)} (one standard deviation), {how}."
    low, high = in_unit(problem, [size, size]).tolist()
    return Constant("rest", low, high, problem.pressure_unit, 0.0, text)
