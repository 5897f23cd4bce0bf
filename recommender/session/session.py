"""The use cases of a job: all that a screen may call.

session = Session.open("job.toml")
session.add_pull("pull.csv", settings={"duty": 20})
step = session.next_step()
"""

from __future__ import annotations

import contextlib
import datetime
import threading
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any

from recommender.decide.step import Problem
from recommender.job import Job
from recommender.logs import Intake
from recommender.record import Record, RecordError, Snapshot, replay
from recommender.record.stored import Stored, problem_in, problem_out
from recommender.session import (
    acts,
    adding,
    after_stop,
    checklist,
    conditions,
    dialled,
    held_run,
    history,
    kept,
    stepping,
)
from recommender.session.adding import Clock
from recommender.session.answers import PullResult, Step
from recommender.session.held_run import HeldRun
from recommender.session.history import Stop, Trust
from recommender.session.in_job_units import off_dial, pull_answer, step_answer
from recommender.session.pull_log import look


class Session:
    """One job, opened. Every answer is read from the record, so that two sessions on one job agree.

    Args:
        job: The job file.
        record: Its record.
        clock: Gives the time that entries are dated with.
    """

    def __init__(self, job: Job, record: Record, *, clock: Clock = datetime.datetime.now) -> None:
        self.job = job
        self._read = job.text_mark()
        self.record = record
        self._clock = clock
        self._alone = threading.RLock()

    @classmethod
    def open(
        cls,
        path: str | Path,
        storage: str | None = None,
        *,
        read_only: bool = False,
        clock: Clock = datetime.datetime.now,
    ) -> Session:
        """Open a job; make its record on first use.

        Args:
            path: The job file, or a folder that holds one.
            storage: Any database URL that Optuna takes; else the job file's, else a file beside the job file.
            read_only: Nothing is written, no step is kept; there must be a record already.
            clock: Gives the time that entries are dated with.
        Raises:
            JobError: the job file is at fault.
            RecordError: the record cannot be used.
            NotWritable: nothing can be written there; it can be opened read only.
            RecordBusy: another process holds it.
        """
        job = Job.load(path)
        return cls(job, Record.open(job, storage, read_only=read_only), clock=clock)

    def close(self) -> None:
        """Let go of the record."""
        self.record.close()

    def lost_record(self) -> str:
        """That the record was made just now beside raw logs of an older one, as a sentence; empty where it was not."""
        count, place = self.record.logs_without_record, self.record.place
        if not count:
            return ""
        what = f'The record "{self.record.study.study_name}"' if place is None else place.name
        return (
            f"{what} was made just now and is empty, though the folder logs holds raw logs ({count}). If this "
            "job had a record, go no further: put it back under that name, or give the job file back the name it had."
        )

    def follow(self) -> None:
        """Read the job file anew where it has been changed since.

        Raises:
            JobError: it is at fault as it stands now.
        """
        if self.job.text_mark() != self._read:
            with self._alone:
                mark = self.job.text_mark()
                self.job, self._read = Job.load(self.job.path), mark

    def __enter__(self) -> Session:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # ------------------------------------------------------------------ pulls

    def add_pull(
        self,
        log: str | Path,
        settings: Mapping[str, float] | None = None,
        *,
        assumed: Mapping[str, float] | None = None,
        which: int | None = None,
        foreign: bool = False,
        force: bool = False,
        target: str | None = None,
    ) -> PullResult:
        """Take a log, keep it, and measure the pull in it. When this returns, the pull is safe on disk.

        Args:
            log: The file as the logger wrote it.
            settings: What was dialled in, in the job's units, any of the six knobs. Those left out: as last proposed,
                with what ``put_right`` was told (or as last run, where that came later). Where steps for several
                targets stand with different settings, ``target`` says which of them was run. Left out of a run at held
                rpm that the last step advised (see its notes): duty as turned to last, the rest as advised. After a
                stop, and of a foreign pull, duty and engagement cannot be left out, and the others count as idle. Left
                out of a log that was withdrawn and is brought again: as proposed when it was run. Duty left out of a
                pull that reads as one with far less of it did is asked for.
            assumed: What a screen showed as dialled in, in place of what was last proposed.
            which: Which pull of the log, from 1, where it holds several full ones.
            foreign: The pull was made before this tool came, or without it.
            force: Take a log that is on record already.
            target: Name of the target whose step was run, where several have one to run, and that the measures are
                given against; the first where it is None.
        Raises:
            LogError: the log cannot be read, holds no pull or several, or is on record already.
            PullRefused: the pull cannot be relied on, or there is none and boost passed the limit; it is noted, and
                ``next_step`` asks for it again.
            SettingsError: a setting that does not exist or that no controller can have; it cannot be told which of
                several steps was run; or one is left out that has to be said after a stop.
        """
        name = self.job.wanted(target).name
        given = dialled.checked(self.job, settings or {})
        shown = None if assumed is None else dialled.checked(self.job, assumed)
        with self._alone:
            number = adding.add_pull(
                self.record,
                self.job,
                Path(log),
                given,
                assumed=shown,
                which=which,
                foreign=foreign,
                force=force,
                target=target,
                clock=self._clock,
            )
            snapshot = self.record.read()
        pull = snapshot.pull(number)
        return pull_answer(self.job, pull, name, snapshot)

    def pulls(self, target: str | None = None, *, withdrawn: bool = False) -> list[PullResult]:
        """All pulls in the order in which they were run, measured against a target.

        Args:
            target: Name of the target; the first where it is None.
            withdrawn: Give those that were withdrawn too.
        """
        name = self.job.wanted(target).name
        snapshot = self.record.read()
        return [
            pull_answer(self.job, pull, name, snapshot)
            for pull in snapshot.pulls
            if withdrawn or pull.withdrawn is None
        ]

    def withdraw(self, number: int, reason: str) -> None:
        """Take a bad pull out of the decision. It stays on record as withdrawn.

        Raises:
            RecordError: there is no such pull, it is withdrawn already, or no reason is given.
        """
        with self._writing():
            self._note(acts.withdrawal(self.record.read(), number, reason))

    def raw_log(self, number: int) -> tuple[str, bytes]:
        """Name and content of a pull's log, as it was brought.

        Raises:
            RecordError: no such pull, or its log is missing or no longer what it was.
        """
        return kept.raw_log(self.record, self.record.read().pull(number))

    def log_faults(self) -> list[kept.LogFault]:
        """Raw logs that are missing or no longer what was taken, those of withdrawn pulls too; which and what to do."""
        return kept.log_faults(self.record, self.record.read().pulls)

    def look(self, log: str | Path) -> Intake:
        """What a log holds: its layout, which column was taken for what and why, pulls and their quality.

        Raises:
            LogError: the file cannot be read, or its channels cannot be told.
        """
        return look(Path(log), self.job, self.record.read().standing, self._clock())

    # ------------------------------------------------------------------ steps

    def next_step(self, target: str | None = None) -> Step:
        """What to do next. The same answer, to the last bit, until another pull is added.

        Args:
            target: Name of a target; the first where it is None.
        """
        snapshot, stored, problem = self._standing(target)
        step = step_answer(self.job, stored, problem, history.made_from(snapshot, stored))
        elsewhere = kept.brought_elsewhere(self.record, snapshot.standing)
        return replace(step, notes=(elsewhere, *step.notes)) if elsewhere else step

    def long_ago(self) -> str:
        """That the last pull is weeks old and what to do about it, as a sentence; empty where it is not.

        It goes by the clock, so that it stands beside a step and not in it.
        """
        return conditions.long_ago(self.record.read().standing, self._clock())

    def standing_number(self, target: str) -> int | None:
        """Number of the step that stands for a target: 0 where none does, None where there was none yet. Decides
        nothing."""
        if target not in self.job.targets:
            return 0
        snapshot, stored, _ = self._on_record(target)
        if stored is not None:
            return int(stored["number"])
        return 0 if snapshot.steps else None

    def held_run(self, target: str | None = None) -> HeldRun | None:
        """The run at held rpm that is worth making before the next pull; None where none is. A step's notes tell it."""
        snapshot = self.record.read()
        return held_run.worth_making(self.job.problem(target), snapshot.standing)

    def steps(self, target: str | None = None) -> list[Step]:
        """All steps on record, oldest first; those of one target where it is named."""
        if target is not None:
            self.job.wanted(target)
        snapshot = self.record.read()
        return [
            self._answer(snapshot, each)
            for _, each in sorted(snapshot.steps.items())
            if target in (None, each["target"])
        ]

    def step(self, number: int) -> Step:
        """A step by its number.

        Raises:
            RecordError: there is none.
        """
        for each in self.steps():
            if each.number == number:
                return each
        raise RecordError(f"no step {number} on record: it has {len(self.record.read().steps)}.")

    def what_if(self, settings: Mapping[str, float], target: str | None = None) -> Step:
        """What is expected of settings that the user asks for: band and risk. Never recorded, never a proposal.

        Args:
            settings: Any of the six knobs in the job's units; the others as last proposed for the target, or as last
                run where that came later.
            target: Name of a target; the first where it is None.
        """
        name = self.job.wanted(target).name
        given = dialled.checked(self.job, settings)
        snapshot = self.record.read()
        problem = self.job.problem(name, seed=snapshot.seed)
        asked = dialled.completed(self.job, given, adding.last_dialled(snapshot, self.job, name))
        stored = stepping.foreseen(snapshot, problem, name, asked, self._clock())
        step = step_answer(self.job, stored, problem, snapshot.standing)
        # What else could be run before a step is no part of what was asked, and while the job is stopped wrong to say.
        stops = history.open_stops(snapshot, problem)
        stopped = [f"{stop.text} Nothing is run before that is acknowledged." for stop in stops]
        idle = bool(stops) or after_stop.stopped(snapshot, self.job, name) is not None
        other = () if idle else conditions.notes(snapshot.standing)
        off = [f"{text}: taken as it is." for text in off_dial(self.job, asked)]
        codes = [*["stopped"] * len(stopped), *step.codes, *["off the dial"] * len(off)]
        return replace(step, reasons=[*stopped, *step.reasons, *off], codes=codes, notes=(*self.job.remarks, *other))

    def dialled_in(self, step: Step) -> dict[str, float]:
        """What is taken to be dialled in for the pull after a step, in the job's units.

        What ``put_right`` was told; else the step's settings; where it has none, what stands as the best, or what was
        run last. After a stop idle, without the knobs that then have to be said: duty and engagement, unless fixed.
        """
        return acts.dialled_in(self.record.read(), self.job, step)

    def put_right(self, number: int, settings: Mapping[str, float]) -> None:
        """Keep what is really dialled in for the pull after a step, before its log is there. It stays on record.

        Args:
            number: The step that it differs from.
            settings: What is dialled in, in the job's units; knobs left out as ``dialled_in`` has them.
        Raises:
            RecordError: no such step.
            SettingsError: a setting that does not exist or that no controller can have, or one is left out that
                ``dialled_in`` does not have.
        """
        step = self.step(number)
        entry = acts.correction(self.record.read(), self.job, step, settings)
        if entry is not None:
            with self._writing():
                self._note(entry)

    def explain(self, number: int | None = None, target: str | None = None) -> Any:
        """Why a step is what it is: see ``recommender.why``.

        Args:
            number: The step; the standing one where it is None.
        """
        from recommender import why

        if number is None:
            snapshot, stored, problem = self._standing(target)
            number = int(stored["number"])
            if number == 0:  # read only: the step is explained as if it were on record
                problems = {**snapshot.problems, stored["problem"]: problem_out(problem)}
                snapshot = replace(snapshot, steps={**snapshot.steps, 0: stored}, problems=problems)
        else:
            snapshot = self.record.read()
        if number not in snapshot.steps:
            raise RecordError(f"no step {number} on record: it has {len(snapshot.steps)}.")
        own = snapshot.steps[number]["target"]
        if target not in (None, own):
            raise RecordError(f'step {number} is for the target "{own}", not for "{target}".')
        return why.explain(self.job, snapshot, number)

    def replay(self) -> list[replay.Row]:
        """Every step recomputed from the record and compared with what was answered then, bit for bit."""
        return replay.rows(self.record.read())

    def trust(self, target: str | None = None) -> Trust:
        """How often the predictions held so far."""
        return history.trust(self.pulls(target))

    # ------------------------------------------------------------------ guards and checks

    def acknowledge(self, number: int, note: str = "") -> None:
        """Say that the cause of a guard's stop at a pull was found and dealt with.

        Args:
            number: The pull; 0 for a refused log that showed boost above the limit.
            note: What was found.
        Raises:
            RecordError: there is nothing to acknowledge there.
        """
        with self._writing():
            self._note(acts.acknowledgement(self.record.read(), self.job, number, note))

    def open_stops(self) -> list[Stop]:
        """What waits to be acknowledged before another pull, first things first."""
        return history.open_stops(self.record.read(), self.job.problem())

    def checklist(self, key_on_log: str | Path | None = None) -> list[checklist.Item]:
        """What to go through before the first pull, filled in with what the job file says.

        Args:
            key_on_log: A log with the ignition on and the engine off: boost gauge and barometer are compared.
        """
        return checklist.items(self.job, None if key_on_log is None else Path(key_on_log))

    def own_file(self, file: str | Path) -> str:
        """What of the job a file is (job file, record, raw logs), in words; empty where it is none of its own."""
        return kept.own_file(self.job, self.record, Path(file))

    @property
    def seed(self) -> int:
        """Where all random numbers of the job come from."""
        return self.record.read().seed

    def digest(self) -> str:
        """SHA-256 over everything on record."""
        return self.record.digest()

    # ------------------------------------------------------------------ inside

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        with self._alone, self.record.writing():
            yield

    def _standing(self, target: str | None) -> tuple[Snapshot, Stored, Problem]:
        """The record, the standing step of a target as stored, and the target's problem. A step that is not there yet
        is decided, and kept unless the record is only read."""
        name = self.job.wanted(target).name
        with self._alone:
            snapshot, stored, problem = self._on_record(name)
            if stored is None and self.record.read_only:
                stored = stepping.decided(snapshot, problem, name, self._clock(), number=0)
            elif stored is None:
                stored = stepping.make_step(self.record, self.job, problem, name, self._clock())
                snapshot = self.record.read()
            return snapshot, stored, problem

    def _on_record(self, target: str) -> tuple[Snapshot, Stored | None, Problem]:
        """The record, the standing step of a target where there is one already, and the target's problem."""
        snapshot = self.record.read()
        problem = self.job.problem(target, seed=snapshot.seed)
        return snapshot, history.standing_step(snapshot, target, history.basis(snapshot, problem)), problem

    def _answer(self, snapshot: Snapshot, stored: Stored) -> Step:
        problem = problem_in(snapshot.problems[stored["problem"]])
        return step_answer(self.job, stored, problem, history.made_from(snapshot, stored))

    def _note(self, event: Stored) -> None:
        self.record.add_event(event | {"when": self._clock().isoformat(timespec="seconds")})
