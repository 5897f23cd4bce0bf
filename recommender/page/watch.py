"""A folder into which the logger writes: what appears there after the start is taken, once it has stopped growing."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Final

from recommender.page.desk import Desk
from recommender.page.uploads import Drop

#: Time between two looks. [s]
EVERY_S: Final = 0.5
#: A file is whole once its size and date have stood still for this many looks.
STILL: Final = 3
#: Endings of files that may be logs.
ENDINGS: Final = frozenset(
    (".csv", ".tsv", ".txt", ".log", ".dat", ".parquet", ".mf4", ".mdf", ".gz", ".bz2", ".xz", ".zip")
)


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
        self._desk = desk
        self._drop = drop
        self._largest = largest
        self._known = {name for name, _ in self._there()}
        self._growing: dict[Path, tuple[tuple[int, int], int]] = {}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        """Stop watching and wait for what is under way."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()

    def look(self) -> list[Path]:
        """Files that are new and whole; each is given once."""
        ready = []
        for path, mark in self._there():
            if path in self._known:
                continue
            before, looks = self._growing.get(path, ((-1, -1), 0))
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
            for path in self.look():
                self._bring(path)

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
        self._desk.take(kept, target=self._desk.in_hand, settings=None)
