"""The decision: from the pulls so far to the next settings, or to the verdict that ends the job."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from threadpoolctl import threadpool_limits

from models.changes import Change, car_since
from models.evidence import Observation
from models.settings import Settings
from models.surrogate import BoostSurrogate
from recommender.decide import findings, noticed, reasons
from recommender.decide.allowed import idle, idle_like
from recommender.decide.answer import say
from recommender.decide.choose import choose
from recommender.decide.outlook import Outlook
from recommender.decide.review import blocked, passes, review, surrogate_for
from recommender.decide.step import Decision, Problem
from recommender.decide.verdict import baseline_due, conclude, floor_above, if_done, must_stop


def decide(
    problem: Problem, observations: Sequence[Observation], prior: Mapping[str, tuple[float, float]] | None = None
) -> Decision:
    """The next step. The same arguments give the same answer, bit for bit.

    Args:
        problem: The job.
        observations: Pulls that were run, in the order in which they were run.
        prior: Of the gate's constants; the shipped one where it is None.
    Returns:
        Verdict, settings, risk, band and reasons.
    """
    # One thread for linear algebra: small matrices gain nothing from more, and the sums keep their order.
    with threadpool_limits(limits=1, user_api="blas"):
        noted = noticed.note(problem, observations, prior)
        surrogate = surrogate_for(problem, observations, prior, noted.changes)
        return decide_with(problem, observations, surrogate, noted.doubt)


def decide_with(
    problem: Problem, observations: Sequence[Observation], surrogate: BoostSurrogate, doubt: Change | None = None
) -> Decision:
    """As ``decide``, with a surrogate that was fitted before, and a change of the car that may be."""
    told = findings.findings(problem, observations, surrogate, doubt)
    decision = _decided(problem, observations, surrogate)
    return replace(decision, reasons=findings.among(decision.reasons, told)) if told else decision


def _decided(problem: Problem, observations: Sequence[Observation], surrogate: BoostSurrogate) -> Decision:
    outlook = Outlook(problem, observations, surrogate)
    if not observations:
        return say(outlook, "pull", outlook.forecast([idle(problem)])[0], reasons.for_baseline(problem))
    seen = review(problem, observations, car_since(surrogate.changes))
    last = observations[-1]
    stop = must_stop(problem, observations) or noticed.must_stop(observations, surrogate.changes)
    if stop is not None:
        cause, why = stop
        return say(outlook, "stop", outlook.forecast([last.settings])[0], why, cause=cause, review=seen)
    if all(pull.held_rpm for pull in observations):  # the baseline before the run was withdrawn
        return say(outlook, "pull", outlook.forecast([idle(problem)])[0], reasons.for_baseline(problem), review=seen)
    over = floor_above(problem, observations)
    if over is not None:
        pull, from_rpm = over
        best = seen.best or pull
        could = best.deviation_kpa(problem.target)
        why = reasons.for_out_of_reach(problem, best, could, could, "floor above target", from_rpm)
        standing = outlook.forecast([best.settings])[0]
        return say(
            outlook,
            "out of reach",
            standing,
            why,
            review=seen,
            cause="floor above target",
            cause_rpm=from_rpm,
            best=could,
        )
    if not last.trusted or (not last.complete and idle_like(problem, last.settings)):
        again = outlook.forecast([_on_grid(outlook, last.settings)])[0]
        due = baseline_due(problem, observations)
        if due and blocked(outlook, seen, again):  # the ramp, which adds nothing, was dialled the wrong way round
            again = outlook.forecast([idle(problem)])[0]
        if due or passes(outlook, seen, again):
            return say(outlook, "repeat", again, reasons.for_repeat(problem, last, again.risk), review=seen)
    choice = choose(outlook, observations, seen)
    if choice.chosen is None:
        done = if_done(outlook, seen, choice.judged)
        if done is not None:
            return done
        least = min(choice.judged, key=lambda f: f.risk)
        why = reasons.for_nothing_safe(problem, last, least)
        return say(outlook, "stop", least, why, cause="nothing allowed is safe", review=seen)
    return conclude(outlook, observations, seen, choice.chosen, choice.judged, choice.allowed)


def _on_grid(outlook: Outlook, settings: Settings) -> Settings:
    return Settings.from_array(outlook.values(outlook.positions(settings)[None])[0])
