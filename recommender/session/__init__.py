"""The use cases: all that a screen may call."""

from recommender.job import Job, JobError
from recommender.job.template import write_template
from recommender.logs import Intake, LogError
from recommender.record import NotWritable, RecordBusy, RecordError
from recommender.session.adding import PullRefused
from recommender.session.answers import PullResult, RuledOut, Step, StepBand, plain, to_json
from recommender.session.checklist import check_job
from recommender.session.dialled import SettingsError
from recommender.session.held_run import HeldRun
from recommender.session.history import Stop, Trust
from recommender.session.kept import LogFault
from recommender.session.looking import look_for
from recommender.session.pull_log import look
from recommender.session.session import Session

__all__ = [
    "HeldRun",
    "Intake",
    "Job",
    "JobError",
    "LogError",
    "LogFault",
    "NotWritable",
    "PullRefused",
    "PullResult",
    "RecordBusy",
    "RecordError",
    "RuledOut",
    "Session",
    "SettingsError",
    "Step",
    "StepBand",
    "Stop",
    "Trust",
    "check_job",
    "look",
    "look_for",
    "plain",
    "to_json",
    "write_template",
]
