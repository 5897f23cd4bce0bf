"""The rules that end a job, or let it go on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.evidence import Observation
from models.settings import KNOB_NAMES, Settings
from models.units import FloatArray
from recommender.decide import reasons, value
from recommender.decide.allowed import (
    Offender,
    backed_off,
    crossed,
    duty_step,
    held,
    idle_like,
    kept_limit,
    most_duty,
    repeats_offence,
    spans,
    too_steep,
)
from recommender.decide.answer import bolder, held_back_by, ruled_out, say
from recommender.decide.choose import longest_stride, starts
from recommender.decide.more_gain import more_gain
from recommender.decide.outlook import Forecast, Outlook
from recommender.decide.review import Review, passes, review
from recommender.decide.search import IntArray, minimise
from recommender.decide.step import Alternative, Decision, Problem, same

#: Expected improvement of deviation, over the tolerance, that is worth another pull.
WORTH = 0.12
#: Expected improvement, over the tolerance, under which gain that no pull has been run with is tried instead.
LITTLE = 0.25
#: Expected improvement, over the tolerance, that needs no look at what is possible in the end.
CLEAR = 1.0
#: What the best car among the draws may still promise, over the tolerance, when the job is ended without the target.
SETTLED = 0.5
#: Chance of reaching the target under which it is called out of reach.
HOPELESS = 0.10
#: Deviation, over the tolerance, up to which a job that can be improved no more ends as done.
CLOSE = 1.12
#: The same for a job that has stalled although the target is thought possible.
FAIR = 1.6
#: Widening up to which the surrogate is trusted to say that nothing more is possible.
CALM = 1.3
#: Most that counts as deviation of a car on which nothing stays under the limit, where no pull is farther off. [kPa]
UNKNOWN_KPA = 50.0
#: Pulls without improvement after which a job is ended.
PATIENCE = 3
#: The same while the target is thought more likely within reach than not.
LONG_PATIENCE = 5


def must_stop(problem: Problem, observations: Sequence[Observation]) -> tuple[str, tuple[reasons.Reason, ...]] | None:
    """Cause and reasons to stop, before anything is searched; None to go on.

    That two pulls passed the limit counts although one between them was lifted under it or cannot be relied on.
    """
    tell = [pull for pull in observations if (pull.trusted and pull.complete) or pull.highest_kpa > problem.limit_kpa]
    numbers = list(dict.fromkeys(pull.number for pull in (observations[-1], *reversed(tell))))
    # A run at held rpm is one pull, however many duties it shows.
    last, *earlier = [max((o for o in observations if o.number == n), key=lambda o: o.highest_kpa) for n in numbers[:2]]
    if last.highest_kpa <= problem.limit_kpa:
        return None
    if idle_like(problem, last.settings):
        return "spring alone passes the limit", reasons.for_limit_on_spring(problem, last)
    for before in earlier:
        if before.highest_kpa > problem.limit_kpa:
            milder = bool(backed_off(problem, last.settings.as_array()[None], Offender(before, "limit passed"))[0])
            return "limit passed twice", reasons.for_limit_twice(problem, before, last, milder=milder)
    return None


def baseline_due(problem: Problem, observations: Sequence[Observation]) -> bool:
    """Whether the baseline is to be run, for the first time or again, whatever its risk: nothing is milder.

    Again it is while all that was run is the spring alone, under the limit, and the latest of it was aborted or cannot
    be relied on.
    """
    spring_alone = all(
        idle_like(problem, pull.settings) and pull.highest_kpa <= problem.limit_kpa for pull in observations
    )
    return spring_alone and not any(pull.trusted and pull.complete for pull in observations[-1:])


def floor_above(problem: Problem, observations: Sequence[Observation]) -> tuple[Observation, float] | None:
    """The pull on the spring alone, where it stands above the target over most of the judged range; and from which rpm.

    Above means by more than the tolerance on the whole, so that no setting can bring boost down to the target.
    """
    for pull in reversed(observations):
        if not pull.trusted or not pull.complete or held(problem, pull) or not idle_like(problem, pull.settings):
            continue
        judged = problem.target.judged(pull.curve.rpm) & pull.curve.reached
        error = (pull.curve.boost_kpa - problem.target.at(pull.curve.rpm))[judged]
        above = error > problem.tolerance_kpa
        if (
            error.size
            and np.mean(above) > 0.5
            and float(np.sqrt(np.mean(np.maximum(error, 0.0) ** 2))) > (1.1 * problem.tolerance_kpa)
        ):
            return pull, float(pull.curve.rpm[judged][int(np.argmax(above))])
        return None
    return None


@dataclass(frozen=True)
class Prospect:
    """What the car could do with any settings that may ever be proposed, caps aside.

    Attributes:
        best_kpa: Expected deviation of the best settings, if each draw's car were known. [kPa]
        chance: Probability that some settings reach the tolerance.
        forecast: The settings that are best on the whole.
    """

    best_kpa: float
    chance: float
    forecast: Forecast


def prospect(outlook: Outlook, observations: Sequence[Observation], seen: Review) -> Prospect:
    """Search without caps, under the limit."""
    problem = outlook.problem

    def merit(points: IntArray) -> tuple[FloatArray, FloatArray]:
        values = outlook.values(points)
        deviations, highest, _, _ = outlook.sketch(values)
        violation = np.maximum(highest.mean(axis=0) / problem.limit_kpa - 1.0, 0.0)
        never = crossed(problem, values) | too_steep(values, seen.reach)
        return deviations.mean(axis=0), violation + never

    found = minimise(
        merit,
        spans(problem, None),
        seed=problem.seed + 17 + len(observations),
        starts=starts(outlook, observations, seen),
        population=40,
        rounds=24,
    )
    points = found.seen[:160]
    deviations, highest, _, _ = outlook.sketch(outlook.values(points))
    deviations = np.where(highest > problem.limit_kpa, np.inf, deviations)
    # A car on which all of them pass the limit comes no nearer than the best pull, however far that is.
    known = seen.best_kpa if np.isfinite(seen.best_kpa) else 0.0
    least = np.minimum(deviations.min(axis=1), max(known, UNKNOWN_KPA))
    forecast = outlook.forecast([Settings.from_array(outlook.values(found.best[None])[0])])[0]
    return Prospect(float(least.mean()), float(np.mean(least <= 1.1 * problem.tolerance_kpa)), forecast)


def if_done(outlook: Outlook, seen: Review, forecasts: Sequence[Forecast]) -> Decision | None:
    """The end of a job whose best pull is within the tolerance; None where none is. Arguments as for ``conclude``."""
    if seen.best is None or seen.best_kpa > outlook.problem.tolerance_kpa:
        return None
    standing = outlook.forecast([seen.best.settings])[0]
    why = reasons.for_done(outlook.problem, seen.best, seen.best_kpa)
    beside = ruled_out(outlook.problem, forecasts, standing, seen)
    return say(outlook, "done", standing, why, review=seen, alternatives=beside, best=seen.best_kpa)


def conclude(
    outlook: Outlook,
    observations: Sequence[Observation],
    seen: Review,
    chosen: Forecast,
    forecasts: Sequence[Forecast],
    allowed: Sequence[tuple[int, int]],
) -> Decision:
    """The verdict once settings are chosen: whether they are worth a pull, or the job ends as done or out of reach.

    Args:
        outlook, observations, seen: The job so far.
        chosen: Settings that passed the gate.
        forecasts: All that was judged with all draws.
        allowed: First and last position of each knob that the next step may take.
    """
    problem = outlook.problem

    def others(given: Forecast) -> tuple[Alternative, ...]:
        return ruled_out(problem, forecasts, given, seen)

    def run(
        given: Forecast,
        tell: Callable[..., tuple[reasons.Reason, ...]],
        *told: object,
        beside: tuple[reasons.Reason, ...] = (),
        best: float = float("nan"),
        verdict: reasons.Verdict = "pull",
    ) -> Decision:
        """The answer that settings are to be run, with what held them back and why they are proposed."""
        binding = held_back_by(outlook, allowed, given, forecasts, seen)
        why = tell(outlook, observations, seen.bad, given, binding, *told) + beside
        return say(outlook, verdict, given, why, review=seen, binding=binding, alternatives=others(given), best=best)

    last = observations[-1].settings
    done = if_done(outlook, seen, forecasts)
    if done is not None:
        return done
    forecasts = [*forecasts, *bolder(outlook, allowed, chosen, seen)]
    gain = value.improvement(problem, chosen, seen)
    if gain > CLEAR * problem.tolerance_kpa and len(observations) % 3:
        # A clear step forward: what is possible in the end is looked at every third pull, not between them.
        return run(chosen, reasons.for_pull, float("nan"), 1.0)
    nearer = chosen.deviation_kpa < seen.best_kpa - WORTH * problem.tolerance_kpa
    little = gain < LITTLE * problem.tolerance_kpa and not nearer
    if little and not _close(problem, seen):
        gain_to = allowed[5][1]
        if _over_and_under(outlook, seen.best):
            # Far from the target gain waits for what else there is to do. Where that is little, and duty too much at
            # some rpm and too little at others, there is nothing to wait for.
            gain_to = problem.knobs["gain"].index_span(last.gain)[1]
        raised = more_gain(outlook, observations, seen, [*allowed[:5], (allowed[5][0], gain_to)])
        if raised is not None:
            return run(raised, reasons.for_more_gain, seen.best_kpa)
    could = prospect(outlook, observations, seen)
    # A best thought possible that is worse than a pull already run, or than what is expected of the step, tells of a
    # search cut short, not of the car.
    possible = min(could.best_kpa, seen.best_kpa, chosen.deviation_kpa)
    near = abs(seen.best_kpa - could.best_kpa) < SETTLED * problem.tolerance_kpa
    calm = outlook.surrogate.widen <= CALM
    settled = gain < WORTH * problem.tolerance_kpa and near and calm and could.chance <= HOPELESS
    # As good as there, no pull is run for what luck may bring: the step itself has to be expected nearer.
    close = _close(problem, seen) and not nearer
    patience = PATIENCE if could.chance <= 0.5 else LONG_PATIENCE
    far = not near and seen.best_kpa > FAIR * problem.tolerance_kpa
    further = far and goes_further(problem, observations, chosen.settings)
    stalled = not further and _stalled(problem, observations, seen, patience)
    goal = could.forecast.settings
    to_go = reasons.steps_to_go(problem, last, goal)
    on = way_on(outlook, observations, seen, goal, allowed) if far and not further and not nearer else None
    if on is not None:
        return run(on, reasons.for_way_on, goal, possible, beside=to_go, best=possible)
    ends = settled or stalled or close
    stays = gain < WORTH * problem.tolerance_kpa and not further and not ends
    back = (way_back(outlook, seen, allowed) or part_way_back(outlook, seen, chosen, allowed)) if stays else None
    if back is not None and seen.best is not None:
        return run(back, reasons.for_way_back, seen.best, seen.best_kpa, best=possible)
    stalled = stalled or (same(chosen.settings, last) and bool(seen.learnt(last.as_array()[None])[0]))
    if seen.best is not None and (ends or stalled):
        standing = outlook.forecast([seen.best.settings])[0]
        fair = _close(problem, seen) or (
            stalled and could.chance > 0.5 and seen.best_kpa <= FAIR * problem.tolerance_kpa
        )
        if not fair:
            cause, cause_rpm = reasons.hardware(outlook, could.forecast, seen.since)
            why = reasons.for_out_of_reach(problem, seen.best, seen.best_kpa, possible, cause, cause_rpm)
            why += reasons.inferred(outlook, cause, cause_rpm, seen.since)
            return say(
                outlook,
                "out of reach",
                standing,
                why,
                review=seen,
                alternatives=others(standing),
                cause=cause,
                cause_rpm=cause_rpm,
                best=possible,
            )
        why = reasons.for_good_enough(problem, seen.best, seen.best_kpa, possible, stalled=stalled and not close)
        return say(outlook, "done", standing, why, review=seen, alternatives=others(standing), best=possible)
    verdict: reasons.Verdict = "repeat" if same(chosen.settings, last) else "pull"
    beside = to_go if further else ()
    return run(chosen, reasons.for_pull, possible, could.chance, beside=beside, best=possible, verdict=verdict)


def goes_further(problem: Problem, observations: Sequence[Observation], settings: Settings) -> bool:
    """Whether settings ask for more duty than any pull so far, ramp included, by half a step or more.

    Where steps are small, or the solenoid wakes late, a good many pulls bring nothing before one does. That they did
    not tells nothing of duty past them.
    """
    run, step = max(most_duty(problem, pull.settings) for pull in observations), duty_step(problem)
    return step > 0.0 and most_duty(problem, settings) >= run + 0.5 * step


def way_on(
    outlook: Outlook,
    observations: Sequence[Observation],
    seen: Review,
    goal: Settings,
    allowed: Sequence[tuple[int, int]],
) -> Forecast | None:
    """The longest stride that one step and the gate allow towards the best settings thought possible; None where it
    goes no further than the pulls so far. Of small steps none promises anything by itself. A ramp that adds nothing at
    the goal stays where it stands."""
    problem, last = outlook.problem, observations[-1].settings
    if goal.ramp_add == 0.0:
        goal = replace(goal, ramp_from=last.ramp_from, ramp_to=last.ramp_to)
    tried = longest_stride(outlook, outlook.positions(goal), last, allowed, seen)
    on = [f for f in tried if passes(outlook, seen, f) and goes_further(problem, observations, f.settings)]
    return max(on, key=lambda f: most_duty(problem, f.settings), default=None)


def way_back(outlook: Outlook, seen: Review, allowed: Sequence[tuple[int, int]]) -> Forecast | None:
    """The settings nearest to the best pull's that one step leads to; None where it leads to them, or is not safe.

    After a known pull was repeated, as on another day, the best pull can be several steps away. That nothing nearer
    promises anything then tells nothing of what the car can do.
    """
    if seen.best is None:
        return None
    low, high = np.array(allowed).T
    best = outlook.positions(seen.best.settings)
    row = np.clip(best, low, high)
    last = outlook.pulls[-1].settings
    if np.array_equal(row, best) or np.array_equal(row, outlook.positions(last)):
        return None
    forecast = outlook.forecast([Settings.from_array(outlook.values(row[None])[0])])[0]
    return forecast if passes(outlook, seen, forecast) else None


def part_way_back(
    outlook: Outlook, seen: Review, chosen: Forecast, allowed: Sequence[tuple[int, int]]
) -> Forecast | None:
    """The longest stride that the gate allows towards the best pull's settings, where the search came to nothing but
    the latest ones again and those are farther from the target; None where it does not lead nearer.

    Backed off by much, no single step promises more than the best pull has, so that all were worth the same: the job
    stood where it was, 6 psi under the target, with most of the way back safe.
    """
    last = outlook.pulls[-1].settings
    if seen.best is None or not same(chosen.settings, last):
        return None
    tried = longest_stride(outlook, outlook.positions(seen.best.settings), last, allowed, seen)
    least = chosen.deviation_kpa - WORTH * outlook.problem.tolerance_kpa
    nearer = [f for f in tried if f.deviation_kpa < least and passes(outlook, seen, f)]
    nearer = [f for f in nearer if not seen.learnt(f.settings.as_array()[None])[0]]
    return min(nearer, key=lambda f: f.deviation_kpa, default=None)


def _over_and_under(outlook: Outlook, best: Observation | None) -> bool:
    """Whether the best pull stands over the target at some rpm and under it at others, by more than the tolerance."""
    if best is None:
        return False
    error = best.curve.at(outlook.rpm[outlook.judged]) - outlook.wanted[outlook.judged]
    known = error[np.isfinite(error)]
    tolerance = outlook.problem.tolerance_kpa
    return bool(known.size and known.max() > tolerance and known.min() < -tolerance)


def _close(problem: Problem, seen: Review) -> bool:
    """Whether the best pull is as good as there, so that the job may end well without the last tenth."""
    return seen.best_kpa <= CLOSE * problem.tolerance_kpa


def _stalled(problem: Problem, observations: Sequence[Observation], seen: Review, patience: int) -> bool:
    """Whether the latest pulls brought the best one down by too little to go on. Runs at held rpm could not have, nor
    could logs that cannot be relied on.

    Both bests are those that stand now. As long as one of the latest pulls passed the limit and so took a nearer one
    away, they led back and up again: nothing has stalled.
    """
    swept = [
        pull
        for pull in observations
        if pull.trusted and pull.number >= seen.since and np.isfinite(pull.deviation_kpa(problem.target))
    ]
    if len(swept) <= patience + 1:
        return False
    first = swept[-patience].number
    passed = [offender for offender in seen.bad if offender.why == "limit passed"]
    kept = [pull for pull in swept if kept_limit(problem, pull)]
    run = np.array([pull.settings.as_array() for pull in kept]).reshape(-1, len(KNOB_NAMES))
    taken_by = np.zeros(len(kept), dtype=int)
    for offender in passed:
        taken_by = np.maximum(taken_by, np.where(repeats_offence(problem, run, offender), offender.pull.number, 0))
    stand = [pull for pull, number in zip(kept, taken_by, strict=True) if not number]
    now = review(problem, stand).best_kpa
    lost = [pull for pull, number in zip(kept, taken_by, strict=True) if number >= first]
    if any(pull.deviation_kpa(problem.target) < now for pull in lost):
        return False
    before = review(problem, [pull for pull in stand if pull.number < first]).best_kpa
    return before - now < WORTH * problem.tolerance_kpa
