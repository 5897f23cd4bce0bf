"""What a user adds to the record beside pulls: a pull withdrawn, a stop acknowledged, settings put right."""

from __future__ import annotations

from collections.abc import Mapping

from models.settings import Settings
from recommender.decide.step import same
from recommender.job import Job
from recommender.record import RecordError, Snapshot
from recommender.record.stored import Stored
from recommender.session import after_stop, dialled, history
from recommender.session.answers import Step


def withdrawal(snapshot: Snapshot, number: int, reason: str) -> Stored:
    """The entry that takes a pull out of the decision.

    Raises:
        RecordError: there is no such pull, it is withdrawn already, or no reason is given.
    """
    if not reason.strip():
        raise RecordError(f'pull {number}: a reason is needed to withdraw it, for example "hose came off".')
    pull = snapshot.pull(number)
    if pull.withdrawn is not None:
        raise RecordError(f"pull {number} is withdrawn already: {pull.withdrawn}")
    return {"kind": "withdrawn", "pull": number, "reason": reason.strip()}


def acknowledgement(snapshot: Snapshot, job: Job, number: int, note: str) -> Stored:
    """The entry that says that the cause of a stop was dealt with.

    Raises:
        RecordError: there is nothing to acknowledge there.
    """
    waiting = {each.pull for each in history.open_stops(snapshot, job.problem())}
    if number not in waiting:
        where = f"pull {snapshot.pull(number).number}" if number else "0, a refused log"
        raise RecordError(f"{where}: {_not_there(snapshot, job, sorted(waiting))}")
    refusals = {} if number else {"refusals": history.refusals(snapshot)}
    return {"kind": "acknowledged", "pull": number, "note": note.strip(), **refusals}


def _not_there(snapshot: Snapshot, job: Job, waiting: list[int]) -> str:
    """That there is nothing to acknowledge, and what to do instead, as a sentence."""
    if waiting:
        return f"no stop is waiting to be acknowledged there, but at {' and '.join(map(str, waiting))}."
    if after_stop.ends_with_a_pull(snapshot, job):
        return (
            "this stop ends with a pull that keeps the limit, not with an acknowledgement. Put the cause right, run "
            "the baseline and add its log with what was dialled in, or withdraw the pull if its log is wrong."
        )
    return "no stop is waiting to be acknowledged there."


def dialled_in(snapshot: Snapshot, job: Job, step: Step) -> dict[str, float]:
    """What is taken to be dialled in for the pull after a step, in the job's units; see ``Session.dialled_in``."""
    stored = snapshot.steps.get(step.number)
    told = history.put_right(snapshot, step.number) if stored is None else history.dialled_after(snapshot, stored)
    if told is not None:
        return job.settings_to_job(told)
    if stored is None and step.settings is not None:  # a step that is not kept: the record is only read
        return dict(step.settings)
    if step.verdict == "stop":
        return after_stop.taken(job, job.problem(step.target))
    return job.settings_to_job(snapshot.standing[-1].settings) if snapshot.standing else {}


def correction(snapshot: Snapshot, job: Job, step: Step, settings: Mapping[str, float]) -> Stored | None:
    """The entry that puts right what is dialled in after a step; None where that is what is taken already.

    Raises:
        SettingsError: a setting that does not exist or that no controller can have; after a stop, one that has to be
            said is left out.
    """
    given = dialled.checked(job, settings)
    if step.verdict == "stop":
        said = history.put_right(snapshot, step.number)
        stop = after_stop.Stopped(f"After the stop of step {step.number}", said)
        run = after_stop.completed(job, job.problem(step.target), given, stop)
        return None if same(said, run) else _put_right(step, run)
    before = job.settings_from_job(dialled_in(snapshot, job, step))
    run = dialled.completed(job, given, before)
    return None if same(run, before) else _put_right(step, run)


def _put_right(step: Step, run: Settings) -> Stored:
    return {"kind": "dialled in", "step": step.number, "settings": list(run)}
