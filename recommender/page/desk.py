"""The work behind the page: logs are taken one after the other, and everybody who looks sees how far it is."""

from __future__ import annotations

import hashlib
import math
import secrets
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from recommender import wording

if TYPE_CHECKING:
    from recommender.page.watch import Watched
    from recommender.session import Job, PullResult, Session, Step, Stop, Trust

#: Stages of taking a log, in order, as the page words them.
STAGES: Final = ("Log received", "Finding and measuring the pull", "Working out the next settings", "Done")
#: The record is asked whether it has changed at most this often. [s]
ASKED_S: Final = 0.5


class Moved(Exception):
    """What the visitor acted on is no longer what stands."""


class Unsaid(ValueError):
    """What was dialled in has to be said before a log can be taken."""


@dataclass
class Task:
    """One log on its way.

    Attributes:
        name: Of the log.
        target: Name of the target it was made for.
        stage: Place in ``STAGES``.
        error: Why the log was not taken; "" where it was.
        pull: Number that the pull got; 0 before it has one.
        watched: Whether it comes from the watched folder.
    """

    name: str
    target: str
    watched: bool = False
    id: str = field(default_factory=lambda: secrets.token_hex(8))
    stage: int = 0
    error: str = ""
    pull: int = 0
    seconds: float = 0.0
    ended: threading.Event = field(default_factory=threading.Event, repr=False)

    @property
    def done(self) -> bool:
        return self.ended.is_set()


@dataclass(frozen=True)
class Answers:
    """What stands for one target at one moment.

    Attributes:
        step: The standing step.
        pulls: Pulls that were not withdrawn, oldest first.
        withdrawn: Those that were.
        stops: What waits to be acknowledged.
        trust: How often the predictions held.
    """

    step: Step
    pulls: tuple[PullResult, ...]
    withdrawn: tuple[PullResult, ...]
    stops: tuple[Stop, ...]
    trust: Trust


class Desk:
    """One job on the desk: its session, and the logs that are being taken.

    Args:
        session: The job, opened.
        forget: Called with the path of a log once it was dealt with.

    ``watched`` tells the folder that is watched, None for none. ``in_hand`` is the target that somebody last opened the
    page for: a log from that folder counts for it.
    """

    def __init__(self, session: Session, forget: Callable[[Path], None] = lambda _: None) -> None:
        self._session = session
        self.watched: Callable[[], Watched | None] = lambda: None
        self.in_hand: str = session.job.first_target
        self.notices: list[str] = []
        self._forget = forget
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="desk")
        self._tasks: dict[str, Task] = {}
        self._latest: Task | None = None
        self._asked = (float("-inf"), "")
        self._lock = threading.Lock()

    @property
    def job(self) -> Job:
        """The job as its file was when it was last sound."""
        return self._session.job

    @property
    def session(self) -> Session:
        """The job, as its file stands now.

        Raises:
            JobError: the job file was changed and is at fault.
        """
        self.follow()
        return self._session

    def follow(self) -> None:
        """Read the job file anew where it was changed.

        Raises:
            JobError: it is at fault.
        """
        self._session.follow()

    # ---------------------------------------------------------------- what stands

    def answers(self, target: str | None = None) -> Answers:
        """Everything that the page shows of a target.

        Raises:
            JobError: there is no such target.
        """
        step = self.session.next_step(target)
        pulls = self.session.pulls(target, withdrawn=True)
        return Answers(
            step=step,
            pulls=tuple(pull for pull in pulls if pull.withdrawn is None),
            withdrawn=tuple(pull for pull in pulls if pull.withdrawn is not None),
            stops=tuple(self.session.open_stops()),
            trust=self.session.trust(target),
        )

    def standing(self, target: str) -> int | None:
        """Number of the step that stands for a target; 0 where none does since a pull was added, None before the first.
        Works nothing out and waits for nothing."""
        return self._session.standing_number(target)

    def mark(self, *, fresh: bool = False) -> str:
        """Changes whenever something was added to the record, by whomever, with the job file and the watched folder.

        Args:
            fresh: Look now, however short ago it was looked.
        """
        with self._lock:
            when, mark = self._asked
            if fresh or time.monotonic() - when > ASKED_S:
                mark = self._session.digest()[:16] + self._session.job.text_mark()[:8]
                self._asked = (time.monotonic(), mark)
            return f"{mark}-{self._watch_mark()}"

    def _watch_mark(self) -> str:
        watched = self.watched()
        return "" if watched is None else hashlib.sha256(repr(watched).encode()).hexdigest()[:8]

    def put_right(self, number: int, settings: Mapping[str, float]) -> str:
        """Keep on record what is really dialled in for the pull after a step. Gives the mark that then stands.

        Raises:
            Moved: another step stands by now.
        """
        if self.session.next_step(self.session.step(number).target).number != number:
            raise Moved("Not kept, because the settings on the page had changed meanwhile. Look at what is shown now.")
        self.session.put_right(number, settings)
        return self.mark(fresh=True)

    # ---------------------------------------------------------------- logs

    def take(
        self,
        log: Path,
        *,
        target: str,
        settings: Mapping[str, float] | None,
        which: int | None = None,
        seen: int | None = None,
        watched: bool = False,
    ) -> Task:
        """Take a log in the background.

        Args:
            log: The file, under the name that the record is to keep.
            target: Name of the target it was made for.
            settings: What was dialled in; None for what the desk holds.
            which: Which pull of the log, from 1.
            seen: Number of the step that the visitor saw; None not to ask.
            watched: Whether it comes from the watched folder.
        """
        task = Task(log.name, target, watched)
        self._tasks[task.id] = task
        self._latest = task
        for old in list(self._tasks)[:-20]:
            del self._tasks[old]
        self._worker.submit(self._work, task, log, settings, which, seen)
        return task

    def task(self, name: str) -> Task | None:
        return self._tasks.get(name)

    def refused(self) -> tuple[str, ...]:
        """Why logs from the watched folder were not taken, oldest first, since the last log that was taken. Nobody
        stands by when they come: it is told to whoever looks later."""
        told: list[str] = []
        for task in list(self._tasks.values()):
            if task.pull:
                told.clear()
            elif task.watched and task.error:
                told.append(task.error)
        return tuple(told)

    @property
    def latest(self) -> Task | None:
        """The log that came last."""
        return self._latest

    def _work(
        self, task: Task, log: Path, settings: Mapping[str, float] | None, which: int | None, seen: int | None
    ) -> None:
        began = time.monotonic()
        try:
            self._add(task, log, settings, which, seen)
        except (ValueError, RuntimeError, OSError, Moved) as error:
            words = str(error)
            task.error = words if log.name in words else f"{log.name}: not taken. {words}"
        except Exception as error:  # a fault of ours must not leave the page waiting
            task.error = f"{log.name}: could not be taken ({type(error).__name__}: {error})."
            raise
        finally:
            self._asked = (float("-inf"), "")
            task.seconds = time.monotonic() - began
            task.stage = len(STAGES) - 1
            task.ended.set()
            self._forget(log)

    def _add(
        self, task: Task, log: Path, settings: Mapping[str, float] | None, which: int | None, seen: int | None
    ) -> None:
        step = self.session.next_step(task.target)
        if seen is not None and seen != step.number:
            raise Moved(
                f"{log.name}: not taken, because the settings had changed meanwhile. Look at what is shown "
                "now, put right what was dialled in, and bring the log again."
            )
        task.stage = 1
        try:
            shown = self.session.dialled_in(step)
            unsaid = [name for name in self.job.dials if name not in {**shown, **(settings or {})}]
            if unsaid:
                raise Unsaid(
                    f"After a stop nothing is proposed. Say what was dialled in ({_listed(unsaid)}; in the baseline "
                    "all was idle) in the fields above the log, keep it, and bring the log again."
                )
            changed = {
                name: value
                for name, value in (settings or {}).items()
                if not math.isclose(value, shown.get(name, math.nan), abs_tol=1e-3)
            }
            # Of a log that came by itself nobody said that what is shown was dialled in.
            assumed = None if task.watched else shown
            pull = self.session.add_pull(log, changed, assumed=assumed, which=which, target=task.target)
            task.pull = pull.number
        finally:
            task.stage = 2
            self.session.next_step(task.target)

    # ---------------------------------------------------------------- other acts

    def acknowledge(self, number: int, note: str) -> None:
        """Record that a stop's cause was put right; the next answer is asked for anew."""
        self.session.acknowledge(number, note)
        self._asked = (float("-inf"), "")

    def withdraw(self, number: int, reason: str) -> None:
        """Take a pull out of the decision; the next answer is asked for anew."""
        self.session.withdraw(number, reason)
        self._asked = (float("-inf"), "")

    def close(self) -> None:
        """Finish the log in hand, then let go."""
        self._worker.shutdown(wait=True)
        self._session.close()


def _listed(knobs: list[str]) -> str:
    return ", ".join(wording.knob_word(name) for name in knobs)
