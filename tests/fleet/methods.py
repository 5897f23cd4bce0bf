"""The methods that are compared, by name."""

from __future__ import annotations

import importlib.util
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial

from recommender.decide import decide
from recommender.decide.step import Decision
from tests.fleet import ablation, rivals
from tests.fleet.clairvoyant import Truth
from tests.fleet.held import held_run
from tests.fleet.play import Answer, Method, Turn
from tests.fleet.seats import Job
from tests.fleet.thumb import rule_of_thumb

TOOL = "tool"
RULE = "rule of thumb"
CLAIRVOYANT = "clairvoyant"
RIVALS = (RULE, "Optuna TPE", "Optuna GP", "plain GP", CLAIRVOYANT)
HELD = "tool after a held-rpm run"
NAMES = (TOOL, *RIVALS, *ablation.NAMES, HELD)


def missing(name: str) -> str:
    """Why a method cannot run here; "" where it can."""
    if name == "Optuna GP" and importlib.util.find_spec("torch") is None:
        return "Optuna's GP sampler needs torch: pip install torch"
    return ""


def method_named(name: str, truths: Mapping[str, Truth]) -> Method:
    """A method: the job and its pulls in, the answer out.

    Args:
        name: One of ``NAMES``.
        truths: By the jobs' names, for the clairvoyant alone.
    Raises:
        ValueError: no such method.
    """
    if name == TOOL:
        return ask_tool
    if name == HELD:
        return ask_after_held
    if name in ablation.NAMES:
        return partial(ask_without, name)
    if name == RULE:
        return rule_of_thumb
    if name == "Optuna TPE":
        return partial(rivals.optuna_sampler, "TPE")
    if name == "Optuna GP":
        return partial(rivals.optuna_sampler, "GP")
    if name == "plain GP":
        return rivals.plain_process
    if name == CLAIRVOYANT:
        return partial(rivals.clairvoyant, truths)
    raise ValueError(f"method must be one of {', '.join(NAMES)}, but got {name!r}")


def ask_tool(job: Job, turns: Sequence[Turn]) -> Answer:
    """The tool as it is."""
    return answer_of(decide(job.problem, [turn.observation for turn in turns]))


def ask_after_held(job: Job, turns: Sequence[Turn]) -> Answer:
    """The tool with a run at held rpm, not counted as a pull, between the baseline and the second pull."""
    seen = [turn.observation for turn in turns]
    later = [replace(pull, number=pull.number + 1) for pull in seen[1:]]  # the run is number 2
    answer = answer_of(decide(job.problem, seen[:1] + (held_run(job) if seen else []) + later))
    return replace(answer, best_number=max(answer.best_number - 1, min(answer.best_number, 1)))


def ask_without(name: str, job: Job, turns: Sequence[Turn]) -> Answer:
    """The tool with a part left out."""
    return answer_of(ablation.decide_without(name, job, turns))


def answer_of(decision: Decision) -> Answer:
    return Answer(
        verdict=decision.verdict,
        settings=decision.settings,
        risk=decision.risk,
        deviation_kpa=decision.deviation_kpa,
        best_kpa=decision.best_possible_kpa,
        band=decision.band,
        peak_high_kpa=decision.peak_high_kpa,
        best_number=decision.best_number,
        cause=decision.cause,
        cause_rpm=decision.cause_rpm,
        binding=decision.binding,
        codes=tuple(reason.code for reason in decision.reasons),
    )
