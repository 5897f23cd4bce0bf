"""Every step recomputed from the record and compared with what was answered then, bit for bit."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from models.evidence import Observation
from recommender.decide.step import Decision, Problem
from recommender.record.lock import RecordError
from recommender.record.snapshot import Snapshot
from recommender.record.stored import Stored, decision_out, problem_in

Decide = Callable[[Problem, Sequence[Observation]], Decision]


@dataclass(frozen=True)
class Row:
    """One step, recomputed.

    Attributes:
        step: Its number.
        target: Its target.
        verdict: What was answered then.
        same: Whether every bit of the decision came out again.
        differs: What did not, for example ``risk 0.004 -> 0.006``.
        version: Version of the package that answered then.
        pulls: Numbers of the pulls it was made from.
    """

    step: int
    target: str
    verdict: str
    same: bool
    differs: tuple[str, ...]
    version: str
    pulls: tuple[int, ...]


def rows(snapshot: Snapshot, decide: Decide | None = None) -> list[Row]:
    """Recompute all steps on record.

    Args:
        snapshot: The record.
        decide: The decision to compare with; the project's own where it is None.
    """
    if decide is None:
        from recommender.decide import decide as own

        decide = own
    return [_row(snapshot, step, decide) for _, step in sorted(snapshot.steps.items())]


def _row(snapshot: Snapshot, step: Stored, decide: Decide) -> Row:
    problem = problem_in(snapshot.problems[step["problem"]])
    again = json.loads(json.dumps(decision_out(decide(problem, evidence(snapshot, step, problem)))))
    differs = tuple(_differences(step["decision"], again))
    verdict = step["override"]["verdict"] if step.get("override") else step["decision"]["verdict"]
    return Row(
        step["number"], step["target"], verdict, not differs, differs, step["version"], tuple(step["observations"])
    )


def evidence(snapshot: Snapshot, step: Stored, problem: Problem) -> list[Observation]:
    """The pulls that a step was made from, as the decision took them.

    Raises:
        RecordError: one of them is no longer on record.
    """
    known = {pull.number: pull for pull in snapshot.pulls}
    missing = [number for number in step["observations"] if number not in known]
    if missing:
        raise RecordError(f"step {step['number']} was made from pull {missing[0]}, which is no longer on record.")
    return [each for number in step["observations"] for each in known[number].evidence(problem)]


def _differences(then: object, now: object, name: str = "") -> list[str]:
    """Paths at which two JSON values differ, with both values where they are short."""
    if isinstance(then, dict) and isinstance(now, dict):
        found = []
        for key in sorted(then.keys() | now.keys()):
            found += _differences(then.get(key), now.get(key), f"{name}.{key}" if name else str(key))
        return found
    if json.dumps(then) == json.dumps(now):
        return []
    if isinstance(then, list) and isinstance(now, list):
        if len(then) != len(now):
            return [f"{name}: {len(then)} -> {len(now)} values"]
        count = sum(json.dumps(a) != json.dumps(b) for a, b in zip(then, now, strict=True))
        return [f"{name}: {count} of {len(then)} values"]
    return [f"{name} {_short(then)} -> {_short(now)}"]


def _short(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 40 else text[:39] + "…"
