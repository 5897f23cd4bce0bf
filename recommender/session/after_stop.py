"""The pull after a stop: nothing was proposed for it, so that what was dialled in has to be said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from models.settings import Settings
from recommender import wording
from recommender.decide.allowed import idle
from recommender.decide.step import Problem
from recommender.job import Job
from recommender.record import Snapshot
from recommender.record.stored import Stored, decision_in
from recommender.session import dialled, history

#: Never taken for granted after a stop, where the job leaves them free: they raise boost more than all others.
RAISING: Final = ("duty", "engagement")


#: Of a pull that was made without the tool.
WITHOUT_THE_TOOL: Final = "For a pull that was made without this tool"


@dataclass(frozen=True)
class Stopped:
    """That nothing is proposed for a pull: the one to come after a stop, or one that was made without the tool.

    Attributes:
        after: After what, or for what, as the beginning of a sentence.
        said: What was said already to be dialled in since; None where nothing was.
        others: Targets whose own step is no stop, where it is not known which one was run.
    """

    after: str
    said: Settings | None = None
    others: tuple[str, ...] = ()


def stopped(snapshot: Snapshot, job: Job, target: str | None = None) -> Stopped | None:
    """The stop after which a pull is brought; None where there is none.

    A target's step is the one that stands, else the last one made since the last pull: what was refused or
    acknowledged after a stop proposes nothing yet. Where no step was made since, a last pull over the limit counts.

    Args:
        snapshot: The record.
        job: The job.
        target: Name of the target whose step was run, where it is known and has one; else those of all count.
    """
    steps = {name: step for name in job.targets if (step := _step_of(snapshot, job, name)) is not None}
    if target in steps:
        steps = {target: steps[target]}
    if not steps:
        return _over_limit(snapshot, job)
    stops = [step for step in steps.values() if verdict(step) == "stop"]
    if not stops:
        return None
    stop = max(stops, key=lambda step: int(step["number"]))
    of = f' for the target "{stop["target"]}"' if len(job.targets) > 1 else ""
    others = tuple(name for name, step in steps.items() if verdict(step) != "stop")
    said = history.put_right(snapshot, int(stop["number"]))
    return Stopped(f"After the stop of step {stop['number']}{of}", said, others)


def made_without(stop: Stopped | None) -> Stopped:
    """The same for a pull that was made without the tool: what was proposed or said for the next one is not its own."""
    return Stopped(WITHOUT_THE_TOOL if stop is None else stop.after)


def brought_again(number: int) -> Stopped:
    """The same for a log that is brought again, since its pull was withdrawn, and nothing had been proposed for it."""
    return Stopped(f"The log was withdrawn as pull {number}, for which")


def verdict(step: Stored) -> str:
    """A stored step's verdict, as it was answered."""
    override = step.get("override")
    return str(override["verdict"] if override else decision_in(step["decision"]).verdict)


def ends_with_a_pull(snapshot: Snapshot, job: Job) -> bool:
    """Whether a step that stands is the decision's own stop, and none that waits to be acknowledged."""
    return any(
        decision_in(step["decision"]).verdict == "stop"
        for name in job.targets
        if (step := _standing(snapshot, job, name)) is not None
    )


def taken(job: Job, problem: Problem) -> dict[str, float]:
    """What is taken to be dialled in after a stop: idle, as in the baseline, save what has to be said. Job's units."""
    return {name: value for name, value in job.settings_to_job(idle(problem)).items() if name not in to_be_said(job)}


def to_be_said(job: Job) -> tuple[str, ...]:
    """Knobs that have to be said after a stop: those of ``RAISING`` that the job does not fix."""
    return tuple(name for name in RAISING if not job.dials[name].fixed)


def completed(job: Job, problem: Problem, given: Mapping[str, float], stop: Stopped) -> Settings:
    """All six settings of a pull after a stop: those given, else as said before, else idle.

    Args:
        job: The job.
        problem: That of the target in hand.
        given: Settings that the user gives, in the project's units.
        stop: The stop.
    Raises:
        SettingsError: a knob that has to be said is left out, or the ramp would end before it begins.
    """
    nothing = idle(problem)
    if stop.said is not None:
        return dialled.completed(job, given, stop.said)
    missing = [name for name in to_be_said(job) if name not in given]
    if missing:
        baseline = job.settings_to_job(nothing)
        options = " ".join(f"--{name} {wording.knob_number(baseline[name])}" for name in missing)
        asked = " ".join(f"--{name} …" for name in missing)
        other = f" Or name the target whose step was run: --target {' or '.join(stop.others)}." if stop.others else ""
        raise dialled.SettingsError(
            f"{stop.after} nothing is proposed. Say what was dialled in: {asked} (for the baseline {options}). "
            f"Other knobs that are left out count as idle.{other}"
        )
    return dialled.completed(job, given, nothing)


def _step_of(snapshot: Snapshot, job: Job, target: str) -> Stored | None:
    """The step that stands for a target, else the last one made for it since the last pull."""
    standing = _standing(snapshot, job, target)
    if standing is not None:
        return standing
    count = len(snapshot.pulls)
    since = [step for step in snapshot.steps.values() if step["target"] == target and step["after"] == count]
    return max(since, key=lambda step: int(step["number"]), default=None)


def _standing(snapshot: Snapshot, job: Job, target: str) -> Stored | None:
    mark = history.basis(snapshot, job.problem(target, seed=snapshot.seed))
    return history.standing_step(snapshot, target, mark)


def _over_limit(snapshot: Snapshot, job: Job) -> Stopped | None:
    """The last pull, where it passed the limit."""
    if not snapshot.standing or snapshot.standing[-1].facts["peak_kpa"] <= job.limit_kpa:
        return None
    return Stopped(f"After pull {snapshot.standing[-1].number}, which passed the limit,")
