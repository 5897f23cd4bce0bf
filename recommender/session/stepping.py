"""Making a step: decided from the record, put on record, and the same ever after."""

from __future__ import annotations

import datetime
from importlib.metadata import PackageNotFoundError, version

from models.settings import Settings
from recommender.decide.step import Decision, Problem
from recommender.job import Job
from recommender.record import Record, Snapshot
from recommender.record.stored import Stored, decision_out, digest, problem_out
from recommender.session import history


def make_step(record: Record, job: Job, problem: Problem, target: str, now: datetime.datetime) -> Stored:
    """The step for a target, decided now unless another process was quicker; kept on record.

    Args:
        record: The record, writable.
        job: The job, as its file stands now: it can have been changed since the record was opened.
        problem: The target's problem.
        target: Its name.
        now: When.
    """
    with record.writing():
        snapshot = record.read()
        there = history.standing_step(snapshot, target, history.basis(snapshot, problem))
        if there is not None:
            return there
        number = max(snapshot.steps, default=0) + 1
        stored = decided(snapshot, problem, target, now, number=number)
        record.describe(job)
        record.add_step(number, stored)
        return stored


def decided(snapshot: Snapshot, problem: Problem, target: str, now: datetime.datetime, *, number: int) -> Stored:
    """A step as the record keeps it, not yet kept."""
    from recommender.decide import decide

    decision = decide(problem, history.observations(snapshot, problem))
    stored = stored_step(snapshot, problem, target, decision, now, number=number)
    stored["override"] = history.override(snapshot, problem, decision)
    return stored


def foreseen(snapshot: Snapshot, problem: Problem, target: str, asked: Settings, now: datetime.datetime) -> Stored:
    """What is expected of settings that were asked for, in the form of a step. Never kept."""
    from recommender.decide import foresight

    decision = foresight.expected(problem, history.observations(snapshot, problem), asked)
    return stored_step(snapshot, problem, target, decision, now, number=0)


def stored_step(
    snapshot: Snapshot, problem: Problem, target: str, decision: Decision, now: datetime.datetime, *, number: int
) -> Stored:
    """A decision with everything that is needed to take it again."""
    return {
        "number": number,
        "target": target,
        "problem": digest(problem_out(problem)),
        "observations": [pull.number for pull in snapshot.standing],
        "basis": history.basis(snapshot, problem),
        "after": len(snapshot.pulls),
        "version": _version(),
        "made": now.isoformat(timespec="seconds"),
        "decision": decision_out(decision),
        "override": None,
    }


def _version() -> str:
    try:
        return version("nextpull")
    except PackageNotFoundError:
        return "unknown"
