"""A folder into which the logger writes: what appears there after the start is taken, once it has stopped growing."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from recommender.page.desk import Desk, Task
from recommender.page.uploads import Drop

#: Time between two looks. [s]
EVERY_S: Final = 0.5
#: A file is whole once its size and date have stood still for this many looks.
STILL: Final = 3
#: Endings of files that may be logs.
ENDINGS: Final = frozenset(
    (".csv", ".tsv", ".txt", ".log", ".dat", ".parquet", ".mf4", ".mdf", ".gz", ".bz2", ".xz", ".zip")
)


class WatchError(ValueError):
    """A folder that cannot be watched."""


@dataclass(frozen=True)
class Watched:
    """The folder in hand, as the page tells it.

    Attributes:
        folder: The folder.
        there: False while it cannot be looked into, for example because a stick was pulled out.
        taken: How many logs it has brought so far.
        last: Name of the last of them; "" before there is one.
        target: Name of the target that the next one counts for.
        refused: Why logs that it brought since the last log that was taken were not taken.
    """

    folder: Path
    there: bool
    taken: int
    last: str
    target: str
    refused: tuple[str, ...]


def folder_to_watch(text: str, job_folder: Path) -> Path:
    """A folder as a user names it, checked.

    Args:
        text: Its whole path; ``~`` is the user's own folder.
        job_folder: Where the job's own files are, which are not logs to be taken.
    Raises:
        WatchError: no name, not a whole path, no such folder, not to be looked into, or the job's own.
    """
    wanted = "Name the folder into which the logger writes, with its whole path on the machine that serves this page."
    if not text or any(ord(sign) < 32 for sign in text):
        raise WatchError(f"No folder was named. {wanted}")
    try:
        folder = Path(text).expanduser()
        if not folder.is_absolute():
            raise WatchError(f"{text}: not a whole path. {wanted}")
        folder = folder.resolve()
        if not folder.is_dir():
            what = "that is a file" if folder.exists() else "no such folder here"
            raise WatchError(f"{text}: {what}. {wanted}")
        next(folder.iterdir(), None)
    except (OSError, RuntimeError) as error:
        raise WatchError(f"{text}: cannot be looked into ({getattr(error, 'strerror', None) or error}).") from None
    own = job_folder.resolve()
    if folder in (own, own / "logs"):
        raise WatchError(f"{text}: the job's own files are kept there. Let the logger write into another folder.")
    return folder


class Lookout:
    """At most one folder is watched at a time; which one can be changed while the page is open.

    Args:
        desk: Where logs are taken to.
        drop: Where they are copied to meanwhile.
        largest: Larger files are left alone. [bytes]
    """

    def __init__(self, desk: Desk, drop: Drop, largest: int) -> None:
        self._desk, self._drop, self._largest = desk, drop, largest
        self._watch: Watch | None = None
        self._lock = threading.Lock()
        desk.watched = self.watched

    def start(self, folder: Path) -> None:
        """Watch a folder, instead of the one before it, now and whenever the job is served again.

        What lies there already is left alone.
        """
        with self._lock:
            self._end()
            self._watch = Watch(folder, self._desk, self._drop, self._largest)
            self._watch.start()
            self._remember(folder)

    def stop(self) -> None:
        """Watch none, now and when the job is served again."""
        with self._lock:
            self._end()
            self._remember(None)

    def close(self) -> None:
        """Watch none for now; the folder stays remembered."""
        with self._lock:
            self._end()

    def remembered(self) -> Path | None:
        """The folder that was watched when the job was served last; None where none was, or none that may be."""
        job, place = self._desk.session.job, self._remembered_in()
        try:
            text = place.read_text(encoding="utf-8").removesuffix("\n")
            folder = Path(text)
            # A stick that is not plugged in yet is waited for; anything else is checked as if it had been typed.
            missing = folder.is_absolute() and text.isprintable() and not folder.exists()
            return folder if missing else folder_to_watch(text, job.folder)
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            self._desk.notices.append(f"{place.name}: no folder is watched. {error}")
            return None

    def _remembered_in(self) -> Path:
        return self._desk.session.job.beside("watched-folder.txt")

    def _remember(self, folder: Path | None) -> None:
        """Keep the folder beside the job. It is no part of the record: no step depends on where a log came from."""
        place = self._remembered_in()
        try:
            if folder is None:
                place.unlink(missing_ok=True)
            else:
                place.write_text(f"{folder}\n", encoding="utf-8")
        except (OSError, UnicodeError) as error:
            why = getattr(error, "strerror", None) or error
            self._desk.notices.append(f"{place.name}: cannot be written ({why}). Name it again after a restart.")

    def watched(self) -> Watched | None:
        """The folder that is watched; None where none is."""
        watch = self._watch
        if watch is None:
            return None
        taken, desk = watch.taken, self._desk
        last = taken[-1].name if taken else ""
        return Watched(watch.folder, watch.folder.is_dir(), len(taken), last, desk.in_hand, desk.refused())

    def _end(self) -> None:
        if self._watch is not None:
            self._watch.close()
        self._watch = None


class Watch:
    """Looks into a folder from a thread of its own.

    Args:
        folder: The folder.
        desk: Where logs are taken to.
        drop: Where they are copied to, so that what was measured cannot change meanwhile.
        largest: Larger files are left alone. [bytes]
    """

    def __init__(self, folder: Path, desk: Desk, drop: Drop, largest: int) -> None:
        self.folder = folder
        self._brought: list[Task] = []
        self._desk = desk
        self._drop = drop
        self._largest = largest
        self._known = {name for name, _ in self._there()}
        self._growing: dict[Path, tuple[tuple[int, int], int]] = {}
        self._written_at: dict[Path, tuple[str, int | None]] = {}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        """Stop watching and wait for what is under way."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()

    @property
    def taken(self) -> list[Task]:
        """Logs that were brought and taken, oldest first."""
        return [task for task in self._brought if task.pull]

    def look(self) -> list[Path]:
        """Files that are new and whole; each is given once."""
        ready = []
        for path, mark in self._there():
            if path in self._known:
                continue
            before, looks = self._growing.get(path, ((-1, -1), 0))
            if mark != before:  # the log belongs to what stood when it was last written to
                self._written_at[path] = (self._desk.in_hand, self._desk.standing(self._desk.in_hand))
            looks = looks + 1 if mark == before and mark[0] > 0 else 0
            self._growing[path] = (mark, looks)
            if looks >= STILL:
                self._known.add(path)
                del self._growing[path]
                ready.append(path)
        return ready

    def _there(self) -> list[tuple[Path, tuple[int, int]]]:
        """Files in the folder that may be logs, with size and date. Links are not followed."""
        found = []
        try:
            for path in sorted(self.folder.iterdir()):
                if path.suffix.lower() in ENDINGS and path.is_file() and not path.is_symlink():
                    state = path.stat()
                    found.append((path, (state.st_size, state.st_mtime_ns)))
        except OSError:
            return []  # a folder on a stick that was pulled out comes back
        return found

    def _run(self) -> None:
        while not self._stop.wait(EVERY_S):
            try:
                for path in self.look():
                    self._bring(path)
            except Exception as error:  # whatever it is, the page must not go on saying that it watches
                line = f"{self.folder}: could not be looked into ({type(error).__name__}: {error}). It is tried again."
                if line not in self._desk.notices:
                    self._desk.notices.append(line)

    def _bring(self, path: Path) -> None:
        try:
            if path.stat().st_size > self._largest:
                self._desk.notices.append(f"{path.name}: larger than {self._largest / 1e6:.0f} MB, left alone.")
                return
            with path.open("rb") as content:
                kept = self._drop.keep(path.name, content)
        except OSError as error:
            self._desk.notices.append(f"{path.name}: cannot be read: {error.strerror}.")
            return
        target, step = self._written_at.pop(path, (self._desk.in_hand, None))
        self._brought.append(self._desk.take(kept, target=target, settings=None, seen=step, watched=True))
