"""The job's own files: which they are, so that nothing else is written over them."""

from __future__ import annotations

from pathlib import Path

from recommender.job import Job
from recommender.record import Record


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
