"""Why a step is what it is: every sentence computed from the pulls, the posterior and the decision that was made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from models.evidence import Observation
from models.settings import Settings
from models.surrogate import BoostSurrogate
from recommender.decide import surrogate_for
from recommender.decide.allowed import idle
from recommender.decide.outlook import Outlook
from recommender.decide.step import Decision, Problem, Reason
from recommender.why.constants import constants
from recommender.why.effects import effects
from recommender.why.explanation import Explanation, Outcome
from recommender.why.look import Look
from recommender.why.step import alternatives, binding, evidence, tightest, would_change
from recommender.why.trust import outcome, tally

if TYPE_CHECKING:
    from recommender.job import Job
    from recommender.record import Snapshot

__all__ = ["explain", "explain_decision"]


def explain_decision(
    problem: Problem,
    observations: Sequence[Observation],
    decision: Decision,
    outcomes: Sequence[Outcome] = (),
    *,
    step: int = 0,
    target: str = "target",
    surrogate: BoostSurrogate | None = None,
) -> Explanation:
    """Explain a decision.

    Args:
        problem: The job.
        observations: The pulls that the decision was made from, in order.
        decision: What was decided.
        outcomes: Predictions before it, and what came of them: from ``trust.outcome``.
        step: Number of the step; 0 where it is not on record.
        target: Name of the target.
        surrogate: Fitted to ``observations``; fitted here where it is None.
    """
    fitted = surrogate_for(problem, observations) if surrogate is None else surrogate
    prior = surrogate_for(problem, ()) if observations else fitted
    last = observations[-1].settings if observations else None
    look = Look(problem, fitted, prior, _base(problem, observations, decision))
    outlook = Outlook(problem, observations, fitted)
    return Explanation(
        step=step,
        target=target,
        verdict=decision.verdict,
        unit=problem.pressure_unit,
        reasons=decision.reasons,
        evidence=evidence(look, observations),
        constants=constants(look, observations),
        effects=effects(look, outlook, last),
        tightest=tightest(problem, decision),
        binding=binding(problem, decision, last),
        alternatives=alternatives(problem, decision, look.base if observations else None),
        would_change=would_change(outlook, decision, last),
        last=outcomes[-1] if outcomes else None,
        outcomes=tuple(outcomes),
        trust=tally(problem, observations, outcomes, fitted),
    )


def _base(problem: Problem, observations: Sequence[Observation], decision: Decision) -> Settings:
    """Settings that knobs are moved from: those of the step, else those that stand, else the last ones run."""
    if decision.settings is not None:
        return decision.settings
    for pull in observations:
        if pull.number == decision.best_number:
            return pull.settings
    return observations[-1].settings if observations else idle(problem)


def explain(job: Job, snapshot: Snapshot, number: int) -> Explanation:
    """Explain a step on record, from what was on record when it was made.

    Args:
        job: The job.
        snapshot: Its record.
        number: Number of a step in ``snapshot.steps``.
    Raises:
        RecordError: a pull that the step was made from is no longer on record.
    """
    from recommender.record.replay import evidence as pulls_of
    from recommender.record.stored import decision_in, problem_in

    stored = snapshot.steps[number]
    then = problem_in(snapshot.problems[stored["problem"]])
    problem = replace(then, pressure_unit=job.pressure_unit)
    observations = pulls_of(snapshot, stored, problem)
    decision, override = decision_in(stored["decision"]), stored.get("override")
    if override and override.get("withheld", False):  # looked at from what was run last: the step is not shown
        decision = replace(decision, settings=None, best_number=0)
    explained = explain_decision(
        problem,
        observations,
        decision,
        _outcomes(snapshot, problem, observations),
        step=number,
        target=stored["target"],
    )
    return _overridden(explained, override)


def _outcomes(snapshot: Snapshot, problem: Problem, observations: Sequence[Observation]) -> list[Outcome]:
    """Predictions of any target that these pulls put to the test, in the order of the pulls."""
    from recommender.record.stored import decision_in, problem_in

    entries = {pull.number: pull for pull in snapshot.pulls}
    found = []
    for pull in observations:
        entry = entries[pull.number]
        stored = None if entry.step is None else snapshot.steps.get(entry.step)
        if stored is None or entry.source != "proposed" or not pull.trusted:
            continue
        own = replace(problem_in(snapshot.problems[stored["problem"]]), pressure_unit=problem.pressure_unit)
        seen = entry.observation(own.target.grid(), own.target)
        came = outcome(own, decision_in(stored["decision"]), seen, stored["number"])
        if came is not None:
            found.append(came)
    return found


def _overridden(explained: Explanation, override: Mapping[str, Any] | None) -> Explanation:
    """With what a guard or a refused log made of the decision put first; where it stops the job, instead of it."""
    if not override:
        return explained
    first = tuple(Reason(code, text) for code, text in override["reasons"])
    if not override.get("withheld", False):
        return replace(explained, verdict=override["verdict"], reasons=first + explained.reasons)
    unknown = float("nan")
    words = "What comes next is told once what stopped the job is acknowledged."
    hidden = replace(explained.tightest, rpm=unknown, high=unknown, peak_high=unknown, margin=unknown, text=words)
    return replace(
        explained,
        verdict=override["verdict"],
        reasons=first,
        effects=(),
        tightest=hidden,
        binding=(),
        alternatives=(),
        would_change=(),
    )
