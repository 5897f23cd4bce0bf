"""Which settings may be dialled in next: range, resolution, step, and nothing that has already gone wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from models.evidence import Observation
from models.risk import ENDS_APART
from models.settings import KNOB_NAMES, Settings, effective_duty
from models.units import FloatArray
from recommender.decide.step import Problem


def idle(problem: Problem) -> Settings:
    """Settings of the baseline: every knob idle, the ramp's corners where they can do most good later."""
    knobs, target = problem.knobs, problem.target
    span = target.judge_to - target.judge_from
    wanted = {
        "duty": 0.0,
        "ramp_from": target.judge_from + 0.35 * span,
        "ramp_to": target.judge_to,
        "ramp_add": 0.0,
        "engagement": 0.0,
        "gain": 0.0,
    }
    values = {name: float(knobs[name].value(knobs[name].index(value))) for name, value in wanted.items()}
    if values["ramp_from"] >= values["ramp_to"]:
        values["ramp_from"] = float(knobs["ramp_from"].value(0))
        values["ramp_to"] = float(knobs["ramp_to"].value(knobs["ramp_to"].count - 1))
    return Settings(**values)


def idle_like(problem: Problem, settings: Settings) -> bool:
    """Whether settings are those of the baseline. The ramp's corners do nothing while the ramp adds nothing."""
    nothing = idle(problem)
    return all(abs(getattr(settings, name) - getattr(nothing, name)) <= 1e-6 for name in ASKING)


def spans(problem: Problem, last: Settings | None) -> list[tuple[int, int]]:
    """First and last grid position of each knob that can be reached from the last pull that was run.

    From a ramp that was dialled to end before it begins, which can be run while it adds nothing, no step of its ends
    may lead to one that can be proposed: any place is open to them.
    """
    knobs = [problem.knobs[name] for name in KNOB_NAMES]
    whole = [(0, knob.count - 1) for knob in knobs]
    if last is None:
        return whole
    near = [knob.index_span(value) for knob, value in zip(knobs, last, strict=True)]
    return near if last.ramp_from < last.ramp_to else [near[0], *whole[1:3], *near[3:]]


def spans_after(problem: Problem, observations: Sequence[Observation]) -> list[tuple[int, int]]:
    """As ``spans``, from the last pull. After a run at held rpm the way back to the last sweep is open as well, and
    after a pull that was run with more than one step from the one before led to, the way down to what that one had.

    A held run ends at whatever duty the hand had reached; as a whole sweep that may be too much, and one step down
    from it, too. So may settings be that somebody dialled in by mistake. What is milder than the pull before plus its
    step has been within the caps all along.
    """
    last, near = observations[-1], spans(problem, observations[-1].settings)
    sweeps = [pull for pull in observations if not held(problem, pull)]
    back, less = last, frozenset(KNOB_NAMES)
    if sweeps and sweeps[-1] is not last:
        back = sweeps[-1]
    elif len(observations) > 1 and _past_a_step(problem, observations[-2].settings, last.settings):
        back, less = observations[-2], ASKING
    before = spans(problem, back.settings)
    return [(min(a[0], b[0]), a[1]) if name in less else a for name, a, b in zip(KNOB_NAMES, near, before, strict=True)]


def _past_a_step(problem: Problem, before: Settings, run: Settings) -> bool:
    """Whether settings ask for more of a knob than one step from those before leads to."""
    reach = dict(zip(KNOB_NAMES, spans(problem, before), strict=True))
    return any(getattr(run, name) > float(problem.knobs[name].value(reach[name][1])) + 1e-6 for name in ASKING)


def held(problem: Problem, pull: Observation) -> bool:
    """Whether a pull says something only about a small part of the judged range: one duty of a held run, or a complete
    pull that leaves most of the range out."""
    judged = problem.target.judged(pull.curve.rpm)
    return pull.held_rpm or (pull.complete and float(np.mean(pull.curve.reached[judged])) < HELD_PART)


def trusted_sweeps(problem: Problem, observations: Sequence[Observation]) -> list[Observation]:
    """Pulls that can be relied on and are no runs at held rpm."""
    return [pull for pull in observations if pull.trusted and not held(problem, pull)]


#: Knobs more of which asks for more.
ASKING = frozenset(("duty", "ramp_add", "engagement", "gain"))
#: Share of the judged range under which a complete pull is a run at held rpm.
HELD_PART = 0.3
#: Steepest ramp that is proposed. Gate and turbo cannot follow a steeper one, they run past it. [points a 100 rpm]
STEEPEST = 2.0
#: Share of a step of the ramp that the solenoid may see on top of a full step of duty.
ON_TOP = 0.6
#: How much steeper than at the end of a run at held rpm boost may rise past it. [-]
STEEPER = 2.0
#: Duty over which that end's slope is read, at the least. [points]
OVER_DUTY = 2.0
#: Part of the boost that settings are expected to hold up to which engagement is raised. [-]
UNDER_BOOST = 0.85
#: Share of the judged range through which boost that is no spike stands. [-]
STOOD = 0.25


@dataclass(frozen=True)
class Offender:
    """Settings that passed the limit or whose pull was aborted: nothing at or above them is proposed.

    Attributes:
        pull: The pull.
        why: ``limit passed`` or ``aborted``.
        latest: Whether no other pull has been run since.
        kept: Where the limit was passed, the pulls that kept it with less than this one.
        fed_back: Whether it counts only with as much gain: with less, its duty and engagement have kept the limit, or
            all else was at its least.
    """

    pull: Observation
    why: str
    latest: bool = False
    kept: tuple[Observation, ...] = ()
    fed_back: bool = False


def kept_limit(problem: Problem, pull: Observation) -> bool:
    """Whether a pull ran through the range to its end, can be relied on, and stayed under the limit.

    A run at held rpm does not tell: boost may pass the limit at another rpm, or on the way up.
    """
    return pull.trusted and pull.complete and not held(problem, pull) and pull.highest_kpa <= problem.limit_kpa


def offenders(problem: Problem, observations: Sequence[Observation]) -> list[Offender]:
    """Pulls that forbid what is at or above their settings.

    A pull that passed the limit forbids for good, until a pull at or above it has been run over the same rpm and stayed
    under; where that was run with less gain, it is the gain that passed the limit, and forbids on. An aborted pull
    forbids until any later one was complete and trusted. Runs at held rpm clear nothing.
    """
    found: list[Offender] = []
    for i, pull in enumerate(observations):
        later = [other for other in observations[i + 1 :] if not (other.held_rpm and other.number == pull.number)]
        if pull.highest_kpa > problem.limit_kpa:
            pulls = enumerate(observations)
            kept = [(j, o) for j, o in pulls if kept_limit(problem, o) and _ran_as_far(o, pull)]
            as_much = {j for j, o in kept if asks_as_much(problem, o.settings, pull.settings, counts_to(pull))}
            held_up = [o.settings.gain for j, o in kept if j in as_much and j > i]
            if not held_up or max(held_up) < pull.settings.gain - 1e-9:
                # What asks for as much and kept the limit before no longer tells of a safe distance.
                less = tuple(o for j, o in kept if j not in as_much)
                fed_back = bool(held_up) or gain_alone(problem, pull.settings)
                found.append(Offender(pull, "limit passed", not later, less, fed_back=fed_back))
        elif (
            not pull.complete
            and not idle_like(problem, pull.settings)
            and not any(other.complete and other.trusted and not held(problem, other) for other in later)
        ):
            found.append(Offender(pull, "aborted", not later, fed_back=gain_alone(problem, pull.settings)))
    return found


def gain_alone(problem: Problem, run: Settings) -> bool:
    """Whether less gain is all that can be milder than some settings: all else is fixed, or at its least."""
    knobs = problem.knobs
    at_least = all(getattr(run, name) <= knobs[name].lower + 1e-9 for name in ASKING - {"gain"})
    return at_least and run.gain > knobs["gain"].lower


def _ran_as_far(other: Observation, pull: Observation) -> bool:
    """Whether another pull was run over nearly all the rpm over which one that passed the limit was."""
    covered = other.curve.reached[pull.curve.reached]
    return not other.last_rpm < counts_to(pull) - ENDS_APART and (not covered.size or float(np.mean(covered)) >= 0.9)


def counts_to(pull: Observation) -> float:
    """Engine speed up to which settings are held against a pull that passed the limit: where it ended, if it stood
    highest past the target's range, so that duty there counts as well; NaN, the target's end, where it did not. [rpm]
    """
    return pull.last_rpm if pull.tops_past_grid else float("nan")


def at_or_above(
    problem: Problem, settings: FloatArray, other: Settings, last_rpm: float = float("nan")
) -> npt.NDArray[np.bool_]:
    """Whether settings ask for at least as much boost as ``other`` everywhere up to an rpm. Shape (S,)

    Duty at every rpm as in ``rpm_to`` and engagement count; gain has no direction that holds for every feedback law.
    """
    rpm = rpm_to(problem, last_rpm)
    more = np.all(effective_duty(rpm, settings) >= effective_duty(rpm, other.as_array()) - 1e-9, axis=1)
    return np.asarray(more & (settings[:, 4] >= other.engagement - 1e-9))


def asks_as_much(problem: Problem, settings: Settings, other: Settings, last_rpm: float = float("nan")) -> bool:
    """``at_or_above`` for one pull's settings."""
    return bool(at_or_above(problem, settings.as_array()[None], other, last_rpm)[0])


def duty_step(problem: Problem) -> float:
    """Step of what moves duty: of the ramp where duty is fixed. [points]"""
    duty, ramp = problem.knobs["duty"], problem.knobs["ramp_add"]
    return ramp.step if duty.fixed else duty.step


def repeats_offence(problem: Problem, settings: FloatArray, offender: Offender) -> npt.NDArray[np.bool_]:
    """Whether settings ask for as much as an offender, in gain too where it counts only with that. Shape (S,)"""
    as_much = at_or_above(problem, settings, offender.pull.settings, counts_to(offender.pull))
    return as_much & (settings[:, 5] >= offender.pull.settings.gain - 1e-9) if offender.fed_back else as_much


def rpm_to(problem: Problem, last_rpm: float) -> FloatArray:
    """Engine speeds of the target and on to where a pull ends, 100 rpm apart; those of the target where that is NaN.

    Shape (m,), [rpm]
    """
    rpm = problem.target.grid(100.0)
    return np.concatenate([rpm, np.arange(rpm[-1] + 100.0, np.fmax(last_rpm, rpm[-1]) + 50.0, 100.0)])


def ends_at(observations: Sequence[Observation]) -> float:
    """Highest engine speed of the pulls; NaN where none is known. [rpm]"""
    return float(np.fmax.reduce([pull.last_rpm for pull in observations], initial=np.nan))


def most_duty(problem: Problem, settings: Settings, last_rpm: float = float("nan")) -> float:
    """Highest duty, ramp included, that settings ask for over the rpm of ``rpm_to``. [%]"""
    return float(settings.effective_duty(rpm_to(problem, last_rpm)).max())


def at_or_below(
    problem: Problem, settings: FloatArray, other: Settings, last_rpm: float = float("nan")
) -> npt.NDArray[np.bool_]:
    """Whether settings ask for no more boost than ``other`` anywhere up to an rpm, as in ``at_or_above``. Shape (S,)"""
    rpm = rpm_to(problem, last_rpm)
    less = np.all(effective_duty(rpm, settings) <= effective_duty(rpm, other.as_array()) + 1e-9, axis=1)
    return np.asarray(less & (settings[:, 4] <= other.engagement + 1e-9))


def passed_by(problem: Problem, offender: Offender) -> float:
    """How far a spike passed the limit, over limit less target: 0 where none did, 1 at most. [-]

    Boost that stood over the limit through a good part of the judged range is no spike: the surrogate follows it.
    """
    spare = max(problem.limit_kpa - float(np.max(problem.target.boost_kpa)), 1e-9)
    above = offender.pull.highest_kpa - max(problem.limit_kpa, _stood_kpa(problem, offender.pull))
    return float(np.clip(above / spare, 0.0, 1.0))


def _stood_kpa(problem: Problem, pull: Observation) -> float:
    """Boost at or over which a pull stood through ``STOOD`` of the judged range. [kPa gauge]"""
    boost = pull.curve.boost_kpa[problem.target.judged(pull.curve.rpm)]
    return float(np.sort(np.where(np.isfinite(boost), boost, -np.inf))[-max(int(STOOD * boost.size), 1)])


def too_near(problem: Problem, settings: FloatArray, offender: Offender) -> npt.NDArray[np.bool_]:
    """Whether settings come too near to those that passed the limit, the nearer the farther it was passed. Shape (S,)

    Passed by as much as the limit stands above the target, or more, a whole step of engagement and of duty under the
    offender count as too near: a spike of that height is nothing that the surrogate knows how to foretell. Duty counts
    where boost was highest, since less of it elsewhere takes nothing from the spike. Where a pull with as much
    engagement kept the limit, duty on the way from it counts up to where boost, by a straight line, stands as far under
    the limit as it was passed: boost bends upwards over duty. What such a pull asked for at least as much of is not too
    near.
    """
    share, pull = passed_by(problem, offender), offender.pull
    if share == 0.0 or offender.fed_back:
        return np.zeros(settings.shape[0], dtype=bool)
    at = _highest_at(pull)
    there = np.array([at]) if np.isfinite(at) else problem.target.grid(100.0)
    engagement = pull.settings.engagement - share * problem.knobs["engagement"].step - 1e-9
    run = effective_duty(there, pull.settings.as_array())
    least = run - share * duty_step(problem)
    for kept in offender.kept:
        if kept.settings.engagement >= pull.settings.engagement - 1e-9:
            spare = 2.0 * problem.limit_kpa - pull.highest_kpa - kept.highest_kpa
            part = np.clip(spare / (pull.highest_kpa - kept.highest_kpa), 0.0, 1.0)
            before = np.minimum(effective_duty(there, kept.settings.as_array()), run)
            least = np.maximum(least, before + part * (run - before))
    near = np.all(effective_duty(there, settings) >= least - 1e-9, axis=1) & (settings[:, 4] >= engagement)
    for kept in offender.kept:
        near &= ~at_or_below(problem, settings, kept.settings, pull.last_rpm)
    return np.asarray(near)


def _highest_at(pull: Observation) -> float:
    """Engine speed at which a pull's curve is highest; its last one where that is past the grid's end, or where it has
    no curve; NaN where that is not known. [rpm]"""
    if pull.tops_past_grid or not pull.curve.reached.any():
        return pull.last_rpm
    return float(pull.curve.rpm[int(np.nanargmax(pull.curve.boost_kpa))])


def backed_off(problem: Problem, settings: FloatArray, offender: Offender) -> npt.NDArray[np.bool_]:
    """Whether settings are milder than the offender's: no knob asks for more, and duty or engagement for less.

    After the limit was passed a token change is not enough: duty comes down by a quarter of its step on the mean, or
    engagement by half of its step, or as far as one step of the knobs goes; gain, which may have been what rang, by
    half of its step or to its lower end; and engagement, which may have been what spiked, in any case by as much of
    its step as ``passed_by`` says, in whole notches of its dial. Where nothing else can be less, less gain will do.
    Shape (S,)
    """
    other, passed = offender.pull.settings, offender.why == "limit passed"
    knobs = problem.knobs
    rpm = problem.target.grid(100.0)
    duty, before = effective_duty(rpm, settings), effective_duty(rpm, other.as_array())
    duty_less = min(0.25 * duty_step(problem), before.mean() - _least_duty(problem, other)) if passed else 0.0
    engagement_less = (
        min(0.5 * knobs["engagement"].step, other.engagement - knobs["engagement"].lower) if passed else 0.0
    )
    gain = knobs["gain"]
    mildest = max(gain.lower, other.gain - 0.5 * gain.step) if passed and not gain.fixed else other.gain
    engagement = knobs["engagement"]
    back = 0.0
    if not engagement.fixed:  # half a notch less than the share: where it was need not be on the dial
        notches = np.floor(passed_by(problem, offender) * engagement.step / engagement.resolution - 0.5)
        back = max(float(notches), 0.0) * engagement.resolution
    lowest = min(max(engagement.lower, other.engagement - back), other.engagement)
    no_more = (
        at_or_below(problem, settings, other, offender.pull.last_rpm)
        & (settings[:, 4] <= lowest + 1e-9)
        & (settings[:, 5] <= mildest + 1e-9)
    )
    less = (duty.mean(axis=1) <= before.mean() - max(duty_less, 1e-6) + 1e-9) | (
        settings[:, 4] <= other.engagement - max(engagement_less, 1e-6) + 1e-9
    )
    if gain_alone(problem, other):
        less = settings[:, 5] < other.gain - 1e-9
    return np.asarray(no_more & less)


def _least_duty(problem: Problem, run: Settings) -> float:
    """Mean over rpm of the least duty, ramp included, that one step of duty and ramp leads to. [%]"""
    duty, ramp = problem.knobs["duty"], problem.knobs["ramp_add"]
    least = replace(
        run,
        duty=float(duty.value(duty.index_span(run.duty)[0])),
        ramp_add=float(ramp.value(ramp.index_span(run.ramp_add)[0])),
    )
    return float(effective_duty(problem.target.grid(100.0), least.as_array()).mean())


def beside(problem: Problem, settings: FloatArray, offender: Offender) -> npt.NDArray[np.bool_]:
    """Whether settings are too near an offender or, while no pull has been run since, not milder than it. Shape (S,)"""
    near = too_near(problem, settings, offender)
    return near | ~backed_off(problem, settings, offender) if offender.latest else near


@dataclass(frozen=True)
class Reach:
    """How far a step may go: beyond what each knob's own step allows, or less far.

    Attributes:
        duty: Highest duty, ramp included, that may be asked for anywhere. [%]
        steepness: Steepest ramp. [points a 100 rpm]
        fed_back: Settings of the last pull, where it was run with gain; None where it was not.
        held_end: Whether duty is bounded by the end of a run at held rpm.
        gain: Gain from which on nothing is proposed, from ``gain_gone_wrong``.
        last_rpm: Where pulls end, past the target's range as a rule: duty counts up to there. [rpm]
        engagement: That of the last pull: more of it stays under the boost that settings will hold. [kPa gauge]
    """

    duty: float = 100.0
    steepness: float = STEEPEST
    fed_back: Settings | None = None
    held_end: bool = False
    gain: float = float("inf")
    last_rpm: float = float("nan")
    engagement: float = float("inf")


#: No bound but the knobs' own.
EVERYWHERE = Reach(steepness=float("inf"))


def reach_of(problem: Problem, observations: Sequence[Observation], *, changed: bool = False) -> Reach:
    """What the pulls so far open up.

    Duty's step is a cap on what the solenoid sees: the highest duty run so far, one step, and a part of a step of
    the ramp. A whole ramp on top of a whole step would go far into a part of the solenoid's travel of which no pull
    has told anything; while nothing but the spring has been run, half that part is open. A ramp steeper than
    ``STEEPEST`` is proposed only where one was run already. Right after the car has changed, or seems to have, duty
    does not go past what was run; past the end of a run at held rpm it goes no further than ``past_held`` lets it.
    With gain taken back no more duty is asked for in the same step: how much boost feedback had held off shows only
    without it. Gain that went wrong is come back to from below.
    """
    run = max((most_duty(problem, pull.settings, pull.last_rpm) for pull in observations), default=0.0)
    duty, ramp = problem.knobs["duty"], problem.knobs["ramp_add"]
    on_top = (ON_TOP if run > 0.0 else 0.5 * ON_TOP) * ramp.step * (not ramp.fixed)
    step = duty_step(problem) + (0.0 if duty.fixed else on_top)
    most, past = run if changed else run + step, past_held(problem, observations)
    last = [pull.settings for pull in observations[-1:]]
    steepest = max([STEEPEST, *(float(_steepness(settings.as_array()[None])[0]) for settings in last)])
    fed_back = next((settings for settings in last if settings.gain > problem.knobs["gain"].lower), None)
    wrong, last_rpm = gain_gone_wrong(problem, observations), ends_at(observations)
    engagement = float("inf") if problem.knobs["engagement"].fixed else problem.knobs["engagement"].lower
    engagement = max([engagement, *(settings.engagement for settings in last)]) if last else float("inf")
    return Reach(min(most, past), steepest, fed_back, past < most, wrong, last_rpm, engagement)


def most_engagement(held_kpa: FloatArray | float, run_kpa: float) -> FloatArray:
    """Engagement that may be asked for: what was run, or ``UNDER_BOOST`` of the boost that settings are expected to
    hold. Shape of ``held_kpa``, [kPa gauge]"""
    return np.maximum(run_kpa, UNDER_BOOST * np.asarray(held_kpa, dtype=float))


def engages_past(settings: FloatArray, held_kpa: FloatArray, reach: Reach) -> npt.NDArray[np.bool_]:
    """Whether engagement is raised past what the gate will hold: kept shut up to there, boost can only run past it.

    Args:
        settings: Shape (S, 6)
        held_kpa: Boost that they are expected to hold. Shape (S,), [kPa gauge]
        reach: Of the next step.
    Returns:
        Shape (S,)
    """
    return np.asarray(settings[:, 4] > most_engagement(held_kpa, reach.engagement) + 1e-9)


def gain_gone_wrong(problem: Problem, observations: Sequence[Observation]) -> float:
    """Least gain with which a pull was lifted or passed the limit, until a whole pull with at most a step less has kept
    the limit; no bound where there is none, or where no less can be dialled.

    A pull that rings is lifted, often before its log can show that it rang: its gain is not taken for good because a
    later pull without any was whole.
    """
    gain, least = problem.knobs["gain"], float("inf")
    for pull in observations:
        if pull.held_rpm or gain.fixed or pull.settings.gain <= gain.lower:
            continue
        if not pull.complete or pull.highest_kpa > problem.limit_kpa:
            least = min(least, pull.settings.gain)
        elif kept_limit(problem, pull) and pull.settings.gain >= least - gain.step - 1e-9:
            least = float("inf")
    return least


def past_held(problem: Problem, observations: Sequence[Observation]) -> float:
    """Most duty that the end of a run at held rpm lets a sweep ask for anywhere; no bound where none tells. [%]

    Boost that rises steeply where the hand stopped goes on rising, and the fit, smooth over duty, knows less of it
    than the log shows. ``STEEPER`` times as steep it stays under the limit, with boost as much higher, and as much
    steeper, elsewhere as on the last sweep. The bound holds until a sweep that reached that rpm has asked for as much
    there.
    """
    runs = [pull.number for pull in observations if pull.held_rpm and pull.trusted]
    if not runs:
        return float("inf")
    points = [pull for pull in observations if pull.held_rpm and pull.number == runs[-1]]
    end = max(points, key=lambda pull: pull.settings.duty)
    rpm = float(np.mean(end.curve.rpm[end.curve.reached])) if end.curve.reached.any() else float("nan")
    before = [pull for pull in points if pull.settings.duty <= end.settings.duty - OVER_DUTY]
    reached = [(pull, float(pull.curve.at(np.array([rpm]))[0])) for pull in trusted_sweeps(problem, observations)]
    sweeps = [(pull, there) for pull, there in reached if np.isfinite(there)]
    later = [float(effective_duty(np.array([rpm]), pull.settings.as_array())[0]) for pull, _ in sweeps]
    if not before or max(later, default=0.0) >= end.settings.duty:
        return float("inf")
    near = max(before, key=lambda pull: pull.settings.duty)
    slope = (end.sustained_peak_kpa - near.sustained_peak_kpa) / (end.settings.duty - near.settings.duty)
    higher = max([1.0, *(pull.highest_kpa / there for pull, there in sweeps[-1:] if there > 0.0)])
    left = max(problem.limit_kpa - higher * end.sustained_peak_kpa, 0.0)
    return end.settings.duty + left / (STEEPER * higher * slope) if slope > 0.0 else float("inf")


def _steepness(settings: FloatArray) -> FloatArray:
    """How fast duty rises or falls along the ramp. [points a 100 rpm], shape (S,)"""
    length = np.maximum(settings[:, 2] - settings[:, 1], 1e-6)
    return np.asarray(100.0 * np.abs(settings[:, 3]) / length)


def too_steep(settings: FloatArray, reach: Reach) -> npt.NDArray[np.bool_]:
    """Whether the ramp is steeper than gate and turbo can follow, and than what was run. Shape (S,)"""
    return np.asarray(_steepness(settings) > reach.steepness + 1e-9)


def crossed(problem: Problem, settings: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether the ramp would end before it begins. Of a controller without a ramp, where it would stand does not
    matter, as in the job file's checks. Shape (S,)"""
    start, end, add = (problem.knobs[name] for name in ("ramp_from", "ramp_to", "ramp_add"))
    without = add.fixed and add.lower == 0.0 and start.lower >= end.upper
    return np.asarray((settings[:, 1] >= settings[:, 2]) & (not without))


def forbidden(
    problem: Problem, settings: FloatArray, bad: Sequence[Offender], reach: Reach = EVERYWHERE
) -> npt.NDArray[np.bool_]:
    """Settings that may not be proposed whatever the surrogate thinks of them. Shape (S,)

    The latest offender, while no pull has been run since, lets only milder settings through.
    """
    out = crossed(problem, settings) | too_steep(settings, reach)
    rpm = rpm_to(problem, reach.last_rpm)
    duty = effective_duty(rpm, settings)
    out = out | (duty.max(axis=1) > reach.duty + 1e-9)
    if reach.fed_back is not None:
        more = np.any(duty > effective_duty(rpm, reach.fed_back.as_array()) + 1e-9, axis=1)
        out = out | (more & (settings[:, 5] < reach.fed_back.gain - 1e-9))
    out = out | (settings[:, 5] >= reach.gain - 1e-9)
    for offender in bad:
        out = out | repeats_offence(problem, settings, offender) | beside(problem, settings, offender)
    return np.asarray(out)
