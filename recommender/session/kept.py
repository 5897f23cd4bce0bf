"""The job's own files: which they are, so that nothing is written over them, and whether its raw logs are whole."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from recommender.job import Job
from recommender.record import PullEntry, Record, RecordError


@dataclass(frozen=True)
class LogFault:
    """A raw log that is no longer as it was taken.

    Attributes:
        pull: Number of its pull.
        file: Name of the file in the folder ``logs``.
        what: ``missing``, ``altered`` or ``unreadable``.
        text: What was found and what to do, as sentences.
    """

    pull: int
    file: str
    what: str
    text: str


def log_faults(record: Record, pulls: Sequence[PullEntry]) -> list[LogFault]:
    """Raw logs of pulls that are missing, altered or not to be read: each is read and its SHA-256 taken anew."""
    found = []
    for pull in pulls:
        name, sha256 = pull.facts["artifact"], pull.facts["sha256"]
        try:
            whole = hashlib.sha256(record.logs.read(name)).hexdigest() == sha256
            what, words = ("", "") if whole else ("altered", "was altered after it was taken: its SHA-256 differs")
        except FileNotFoundError:
            what, words = "missing", "is missing"
        except OSError as error:
            what, words = "unreadable", f"cannot be read ({error.strerror})"
        if what:
            advice = (
                f'Put it back from a copy of the job, or copy the logger\'s own "{pull.facts["log"]}" there under that '
                "name. The record's numbers do not rest on it."
            )
            found.append(LogFault(pull.number, name, what, f"{record.logs.folder.name}/{name} {words}. {advice}"))
    return found


def raw_log(record: Record, pull: PullEntry) -> tuple[str, bytes]:
    """Name and content of a pull's log; RecordError where it is missing or not what it was."""
    for fault in log_faults(record, [pull]):
        raise RecordError(f"pull {pull.number}: {fault.text}")
    return pull.facts["log"], record.logs.read(pull.facts["artifact"])


def brought_elsewhere(record: Record, standing: Sequence[PullEntry]) -> str:
    """That all pulls of a record that is not kept beside the job file were brought from another folder, as a sentence;
    empty where one was brought from this one. Cars of one name share a study on a server."""
    if record.place is not None or not standing or any(record.logs.holds(each.facts["artifact"]) for each in standing):
        return ""
    name, count = record.study.study_name, len(standing)
    return (
        f'The record "{name}" holds {count} pull{"s" if count != 1 else ""} that {"were" if count != 1 else "was"} not '
        "brought from this folder. If that is another car of the same name, go no further: give this job another name, "
        "or a study of its own in the job file ([record] study), and withdraw what was brought from here."
    )


def own_file(job: Job, record: Record, file: Path) -> str:
    """What of a job a file is, in words; empty where it is none of its own. The file need not be there.

    Args:
        job: The job.
        record: Its record.
        file: Any path, links included.
    """
    if _same(file, job.path):
        return "the job file"
    places = [*record.locks] + ([] if record.place is None else [record.place])
    if record.place is not None:
        places += [record.place.with_name(f"{record.place.name}{end}") for end in ("-journal", "-wal", "-shm")]
    if any(_same(file, place) for place in places):
        return "the job's record"
    logs = record.logs.folder
    if any(_same(folder, logs) for folder in (file, *file.resolve().parents)):
        return "among the job's raw logs"
    return ""


def _same(one: Path, other: Path) -> bool:
    """Whether two paths are one file, by another name or through a link too."""
    try:
        return one.samefile(other)
    except OSError:
        return one.resolve() == other.resolve()
