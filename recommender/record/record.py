"""The job's record: one Optuna study, a pull is a trial, raw logs kept beside it.

The record is only ever added to. Each entry is written in one transaction, after the raw log is safe on disk.
What the entries hold is described in ``recommender.record.trials``; beside the trials the study's attributes keep::

    format              1
    seed                where all random numbers of the job come from
    targets             [[name, digest of its problem], …] as the job file last had them
    problem:DIGEST      a problem in full
    step:00001          a step, with what is needed to recompute it
    event:00001         a pull withdrawn, a stop acknowledged, a log refused, settings put right
"""

from __future__ import annotations

import contextlib
import datetime
import gc
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import optuna
from optuna.storages import RDBStorage

from models.curve import Trace
from models.settings import Settings
from recommender.job import Job, seed_of
from recommender.record import trials
from recommender.record.artifacts import FOLDER, LogStore
from recommender.record.database import RECORD_NAME, anchored, open_database, quiet, roll_back, sqlite_file
from recommender.record.lock import (
    RecordError,
    database_lock,
    file_lock,
    lock_beside,
    reached,
    refuse_unwritable,
    why,
)
from recommender.record.snapshot import Snapshot, numbered, snapshot
from recommender.record.stored import Stored, digest, problem_out
from recommender.record.trials import FORMAT, PullEntry


class Record:
    """Where a job is kept. Open it with ``Record.open``."""

    def __init__(
        self,
        storage: RDBStorage,
        study: optuna.Study,
        job: Job,
        place: Path | None,
        read_only: bool,
        locks: Mapping[Path, str],
    ) -> None:
        self.study = study
        self.read_only = read_only
        self.place = place
        self._storage = storage
        self._entries: dict[int, PullEntry] = {}
        #: How long to wait for another process. [s]
        self.wait_s = 20.0
        #: Lock files held while something is written, and what each of them guards.
        self.locks = locks
        self.logs = LogStore(job.folder / FOLDER, (place or job.path).stem)
        #: Raw logs that lay in the folder when a record was made there; 0 where it was there already.
        self.logs_without_record = 0

    @classmethod
    def open(cls, job: Job, storage: str | None = None, *, read_only: bool = False) -> Record:
        """Open a job's record; make it on first use.

        Args:
            job: The job.
            storage: Any database URL that Optuna takes; else the job file's, in which the path of a SQLite file counts
                from the job's folder; else ``record.db`` beside the job file.
            read_only: Nothing is made or written.
        Raises:
            RecordError: no database, of a newer format, or (read only) not there.
            NotWritable: nothing can be written there. What is there can be opened read only.
            RecordBusy: another process holds it.
        """
        url = storage or (job.storage and anchored(job.storage, job.folder))
        place = None if url else record_file(job)
        database = place or sqlite_file(url or "")
        if database is not None and not database.parent.is_dir():
            raise RecordError(f"{database}: there is no folder {database.parent}. Make it, or name another file.")
        if place is not None and read_only and not place.is_file():
            refuse_unwritable(place)
            raise RecordError(f"{place}: no record yet. It is made by the first `nextpull next` or `add`.")
        if place is not None and read_only:
            roll_back(place)
        locks = _lock_files(job, place, database)
        # At fault, the database in which there is no record to use is let go after the locks are.
        with contextlib.ExitStack() as at_fault, contextlib.ExitStack() as held:
            if not read_only:
                if database is not None:
                    refuse_unwritable(database)
                for lock, guarded in locks.items():
                    held.enter_context(file_lock(lock, of=guarded))
            opened = open_database(url or record_file(job), read_only)
            at_fault.callback(opened.engine.dispose)
            at_fault.callback(opened.remove_session)
            if not read_only:
                held.enter_context(database_lock(opened.engine, seed_of(job.study)))
            study, is_new = _study(opened, job, place, read_only)
            record = cls(opened, study, job, place, read_only, locks)
            if not read_only:
                record.logs.sweep()
                record.describe(job)
                record.logs_without_record = record.logs.count() if is_new else 0
            at_fault.pop_all()
        return record

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        """Hold the record for this process alone while something is read and then written.

        Raises:
            RecordError: it was opened read only.
            RecordBusy: another process holds it.
        """
        if self.read_only:
            raise RecordError("the record was opened to be read only.")
        with contextlib.ExitStack() as held:
            for lock, guarded in self.locks.items():
                held.enter_context(file_lock(lock, wait_s=self.wait_s, of=guarded))
            key = seed_of(self.study.study_name)
            held.enter_context(database_lock(self._storage.engine, key, wait_s=self.wait_s))
            yield

    def read(self) -> Snapshot:
        """Everything on record, in two queries. What was read before is not read again: entries never change.

        Raises:
            RecordError: the database does not answer.
        """
        with reached(), _uncollected():
            attributes = self._attributes()
            return snapshot(attributes, self.study.get_trials(deepcopy=False), self._entry)

    def add_pull(self, entry: PullEntry, *, job: Job, deviation_kpa: float, trace: Trace) -> None:
        """Put a pull on record in one transaction. Call inside ``writing``, after its log was kept.

        Args:
            entry: The pull; ``facts`` name the kept log.
            job: The job, for its knobs.
            deviation_kpa: From the job's first target; NaN where there is none to tell. [kPa]
            trace: As logged.
        Raises:
            RecordError: the database does not take it.
        """
        knobs = job.problem().knobs
        now = entry.added or datetime.datetime.now()
        trial = trials.trial_of(entry, knobs=knobs, deviation_kpa=deviation_kpa, trace=trace)
        trial.datetime_start = trial.datetime_complete = now
        with _taken(f"pull {entry.number} could not be put on record", "Nothing was added", "add the log again"):
            self.study.add_trial(trial)

    def keep_not_run(self, snapshot: Snapshot, job: Job) -> None:
        """Put every proposal that a later pull has passed by on record as not run. Call inside ``writing``."""
        run = {pull.step for pull in snapshot.pulls if pull.source == "proposed"}
        last = len(snapshot.pulls)
        knobs = job.problem().knobs
        for number, step in snapshot.steps.items():
            settings = step["decision"]["settings"]
            if settings is None or number in run or number in snapshot.not_run or step["after"] >= last:
                continue
            # The pull is on record: what is not taken here is put there with the next one.
            with contextlib.suppress(optuna.exceptions.StorageInternalError):
                self.study.add_trial(trials.not_run_trial(number, Settings.from_array(settings), knobs))

    def add_step(self, number: int, step: Stored) -> None:
        """Put a step on record. Call inside ``writing``."""
        self._keep(f"step:{number:05d}", step)

    def add_event(self, event: Stored) -> None:
        """Put something that happened on record. Call inside ``writing``."""
        number = max(numbered(self._attributes(), "event"), default=0) + 1
        self._keep(f"event:{number:05d}", event)

    def _keep(self, name: str, value: Any) -> None:
        """Put an attribute on record.

        Raises:
            RecordError: the database does not take it.
        """
        with _taken("the record could not be written to", "It is as it was", "try again"):
            self.study.set_user_attr(name, value)

    def digest(self) -> str:
        """SHA-256 over all pulls, steps and events, by which a sheet can be checked against the record."""
        snapshot = self.read()
        pulls = [
            [pull.number, list(pull.settings), pull.curve.rpm.tolist(), pull.curve.boost_kpa.tolist(), dict(pull.facts)]
            for pull in snapshot.pulls
        ]
        steps = [[number, snapshot.steps[number]] for number in sorted(snapshot.steps)]
        return digest([FORMAT, snapshot.seed, pulls, steps, list(snapshot.events)])

    def _attributes(self) -> dict[str, Any]:
        """The study's attributes, as fresh from the database; not to be changed."""
        return self._storage.get_study_user_attrs(self.study._study_id)

    def _entry(self, trial: optuna.trial.FrozenTrial, withdrawn: Mapping[int, str]) -> PullEntry:
        if trial.number not in self._entries:
            self._entries[trial.number] = trials.entry_of(trial)
        entry = self._entries[trial.number]
        reason = withdrawn.get(entry.number)
        return entry if reason is None else replace(entry, withdrawn=reason)

    def close(self) -> None:
        """Let go of the database."""
        self._storage.remove_session()
        self._storage.engine.dispose()

    def describe(self, job: Job) -> None:
        """Keep what the job file asks for now, so that the study alone can be asked for the next settings."""
        attributes = self.study.user_attrs
        now = [[name, problem_out(job.problem(name, seed=int(attributes["seed"])))] for name in job.targets]
        digests = [[name, digest(problem)] for name, problem in now]
        for (_, problem), (_, mark) in zip(now, digests, strict=True):
            if f"problem:{mark}" not in attributes:
                self._keep(f"problem:{mark}", problem)
        if attributes.get("targets") != digests:
            self._keep("targets", digests)


@contextlib.contextmanager
def _taken(what: str, how_it_stands: str, then: str) -> Iterator[None]:
    """Say in words that a database did not take something.

    Args:
        what: What it was, as the beginning of a sentence.
        how_it_stands: What became of it, as a sentence without its end.
        then: What to do once there is room.
    Raises:
        RecordError: it did not.
    """
    try:
        yield
    except optuna.exceptions.StorageInternalError as error:
        raise RecordError(
            f"{what} ({why(error)}). {how_it_stands}. Make room on the disk, or see to the database, and {then}."
        ) from error


@contextlib.contextmanager
def _uncollected() -> Iterator[None]:
    """Hold back the garbage collector while a hundred pulls are read: it would walk ten thousand rows over and over."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def record_file(job: Job) -> Path:
    """Where a job's record is kept by default: ``record.db`` for ``job.toml``, ``NAME.record.db`` for another file."""
    return job.beside(RECORD_NAME)


def _lock_files(job: Job, place: Path | None, database: Path | None) -> dict[Path, str]:
    """Lock files of a record, in the order in which they are taken, and what each guards: one of the job, whose logs
    are kept, and one beside a SQLite database that other jobs may share."""
    own = (place or job.path).with_suffix(".lock")
    locks = {own: place.name if place else f"the record of {job.path.name}"}
    if place is None and database is not None:
        shared = lock_beside(database.resolve())
        if shared != own.resolve():
            locks[shared] = database.name
    return locks


def _study(database: RDBStorage, job: Job, place: Path | None, read_only: bool) -> tuple[optuna.Study, bool]:
    """The study of a job, and whether it was made just now."""
    names = optuna.get_all_study_names(database)
    name = job.study
    if place is not None and len(names) == 1:
        name = names[0]  # a job that was given another name keeps its record
    is_new = name not in names
    if is_new:
        if read_only:
            raise RecordError(f'no record of "{name}" there yet. It is made by the first `nextpull next` or `add`.')
        with quiet(), _taken("no record could be made", "Nothing is lost", "try again"):
            optuna.create_study(storage=database, study_name=name, direction="minimize", load_if_exists=True)
    study = optuna.load_study(study_name=name, storage=database)
    attributes = study.user_attrs
    if "format" not in attributes:
        if read_only or any(trials.is_pull(each) for each in study.get_trials(deepcopy=False)):
            raise RecordError(f'study "{name}" is not a record of this tool: it has no format number.')
        # The seed first: a record that has its format number is complete.
        with _taken("no record could be made", "Nothing is lost", "try again"):
            study.set_user_attr("seed", attributes.get("seed", seed_of(job.name)))
            study.set_user_attr("format", FORMAT)
    elif attributes["format"] > FORMAT:
        raise RecordError(
            f"the record has format {attributes['format']}, and this version reads up to {FORMAT}. "
            "Update: pip install --upgrade nextpull."
        )
    return study, is_new
