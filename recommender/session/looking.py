"""A log looked at for a job: held against the pulls on record, and nothing is made or written."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

from recommender.job import Job
from recommender.logs import Intake
from recommender.record import Record, RecordError
from recommender.record.record import record_file
from recommender.record.trials import PullEntry
from recommender.session.adding import Clock
from recommender.session.pull_log import look


def look_for(log: str | Path, path: str | Path, *, clock: Clock = datetime.datetime.now) -> tuple[Intake, Job]:
    """What a log holds, read for a job and held against the pulls on its record, where it has one.

    Args:
        log: The file as the logger wrote it.
        path: The job file, or a folder that holds one.
        clock: Gives the time.
    Returns:
        The log and the job.
    Raises:
        JobError: the job file is at fault.
        LogError: the file cannot be read, or its channels cannot be told.
    """
    job = Job.load(path)
    known, doubt = _known(job)
    found = look(Path(log), job, known, clock())
    return (replace(found, warnings=(*found.warnings, doubt)) if doubt else found), job


def _known(job: Job) -> tuple[tuple[PullEntry, ...], str]:
    """Pulls that stand on a job's record, and in words why they cannot be had; both empty for a job without one."""
    if not job.storage and not record_file(job).is_file():
        return (), ""
    try:
        record = Record.open(job, read_only=True)
    except RecordError as error:
        return (), f"not compared with the job's other pulls: {str(error).rstrip('.')}"
    try:
        return record.read().standing, ""
    finally:
        record.close()
