"""Raw logs beside the job file, each under the name of its own SHA-256: a file that is there is whole."""

from __future__ import annotations

import contextlib
import hashlib
import os
from pathlib import Path

from optuna.artifacts import FileSystemArtifactStore

from recommender.record.lock import RecordError

FOLDER = "logs"


class LogStore:
    """The folder that holds the raw logs of a job. Nothing in it is ever overwritten or deleted.

    Args:
        folder: The folder; made at the first log.
        owner: Name of the record, in the names of files that are not yet whole.
    """

    def __init__(self, folder: Path, owner: str) -> None:
        self.folder = folder
        self._mark = f".{owner}.part-"

    def keep(self, content: bytes, suffix: str) -> str:
        """Store a log so that it survives the end of the process at any moment.

        Args:
            content: The file as it was brought.
            suffix: Its ending, with the point.
        Returns:
            Its id in the store: the name of the file.
        Raises:
            RecordError: the disk does not take it.
        """
        sha256 = hashlib.sha256(content).hexdigest()
        name = sha256 + _plain_suffix(suffix)
        place = self.folder / name
        if place.is_file() and hashlib.sha256(place.read_bytes()).hexdigest() == sha256:
            return name
        part = self.folder / f"{self._mark}{os.getpid()}-{name}"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with part.open("wb") as out:
                out.write(content)
                out.flush()
                os.fsync(out.fileno())
            part.replace(place)
        except OSError as error:
            raise RecordError(
                f"the log could not be kept in {self.folder} ({error.strerror}). Nothing was added. Make room there, "
                "and add the log again."
            ) from error
        _sync_folder(self.folder)
        return name

    def read(self, artifact_id: str) -> bytes:
        """A log as it was brought.

        Raises:
            FileNotFoundError: it is no longer there.
        """
        from optuna.artifacts.exceptions import ArtifactNotFound

        try:
            with FileSystemArtifactStore(self.folder).open_reader(artifact_id) as content:
                return content.read()
        except ArtifactNotFound:
            raise FileNotFoundError(f"{self.folder / artifact_id} is missing") from None

    def holds(self, artifact_id: str) -> bool:
        """Whether a log is there."""
        return (self.folder / artifact_id).is_file()

    def count(self) -> int:
        """How many logs there are."""
        return sum(not each.name.startswith(".") for each in self.folder.glob("*")) if self.folder.is_dir() else 0

    def sweep(self) -> int:
        """Remove what a process left half-written. Returns how many files. Call under the record's lock."""
        removed = 0
        if self.folder.is_dir():
            for part in self.folder.glob(f"{self._mark}*"):
                part.unlink(missing_ok=True)
                removed += 1
        return removed


def _plain_suffix(suffix: str) -> str:
    """A file name's ending, if it is a harmless one."""
    plain = suffix.lower()
    return plain if len(plain) <= 12 and plain.replace(".", "").isalnum() and plain.isascii() else ".log"


def _sync_folder(folder: Path) -> None:
    """Make a rename last. Not every system lets a folder be opened; there it lasts on its own."""
    with contextlib.suppress(OSError, AttributeError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
