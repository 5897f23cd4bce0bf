"""The job's record: one Optuna study a job, a pull is a trial, raw logs kept beside it; and its steps recomputed."""

from recommender.record.lock import NotWritable, RecordBusy, RecordError
from recommender.record.record import Record, record_file
from recommender.record.snapshot import Snapshot, snapshot_of
from recommender.record.trials import PullEntry, observation_of, observations_of, problem_of

__all__ = [
    "NotWritable",
    "PullEntry",
    "Record",
    "RecordBusy",
    "RecordError",
    "Snapshot",
    "observation_of",
    "observations_of",
    "problem_of",
    "record_file",
    "snapshot_of",
]
