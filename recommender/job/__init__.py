"""The job file: read, checked, and turned into what is wanted, what must not be passed, and which knobs there are."""

from recommender.job.checks import TargetWanted
from recommender.job.job import Job, JobError, find_job_file, seed_of
from recommender.job.template import write_template

__all__ = ["Job", "JobError", "TargetWanted", "find_job_file", "seed_of", "write_template"]
