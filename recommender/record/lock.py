"""One writer at a time for a record: a lock on a file beside it, or the database's own for a shop's server."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sqlalchemy.engine import Engine


class RecordError(RuntimeError):
    """The record cannot be used, or what was asked of it is not there."""


class NotWritable(RecordError):
    """Nothing can be written where the record is kept. What is there can still be read.

    Args:
        place: What cannot be written to.
        why: As the system says it.
    """

    def __init__(self, place: Path, why: str) -> None:
        self.found = f"{place}: cannot be written to ({why})"
        super().__init__(f"{self.found}. Copy the whole folder of the job to a place of your own, and name the copy.")


class RecordBusy(RuntimeError):
    """Another process holds the record for longer than one waits."""


@contextlib.contextmanager
def reached() -> Iterator[None]:
    """Say in words that a database does not answer.

    Raises:
        RecordError: it does not.
    """
    import optuna
    import sqlalchemy.exc

    try:
        yield
    except (sqlalchemy.exc.SQLAlchemyError, optuna.exceptions.StorageInternalError) as error:
        raise RecordError(
            f"the record cannot be reached ({why(error)}). What is on it is kept. See to the database, or that its "
            "server runs and lets you in, and try again."
        ) from error


def why(error: Exception) -> str:
    """What a database itself said, in one line; Optuna wraps it in words of its own."""
    of_optuna = type(error).__module__.startswith("optuna") and isinstance(error.__cause__, Exception)
    inner = error.__cause__ if of_optuna else error
    return str(getattr(inner, "orig", None) or inner).splitlines()[0]


@contextlib.contextmanager
def file_lock(place: Path, *, wait_s: float = 20.0, of: str = "") -> Iterator[None]:
    """Hold a lock on a file. It ends with the process, however that ends.

    Args:
        place: The file.
        wait_s: How long to wait for another process. [s]
        of: What it guards, for the error; the ``.db`` beside it where that is empty.
    Raises:
        RecordBusy: another process kept it for ``wait_s``.
        NotWritable: nothing can be written there.
    """
    try:
        handle = place.open("a+")
    except OSError as error:
        raise NotWritable(place.parent, error.strerror or "no reason given") from None
    with handle:
        deadline = time.monotonic() + wait_s
        while not _try_lock(handle):
            if time.monotonic() > deadline:
                holder = _holder(place)
                raise RecordBusy(
                    f"{of or place.with_suffix('.db').name} is being written by another process{holder} for more than "
                    f"{wait_s:g} s. Close the other program that has this job open, or wait, and try again."
                )
            time.sleep(0.02)
        try:
            with contextlib.suppress(OSError):  # it only tells those who wait who it is: a full disk does no harm here
                handle.truncate(0)
                os.write(handle.fileno(), str(os.getpid()).encode())
            yield
        finally:
            _unlock(handle)


def lock_beside(database: Path) -> Path:
    """The lock file of a database file: ``record.lock`` for ``record.db``; never the database itself."""
    return database.with_suffix(".lock") if database.suffix == ".db" else database.with_name(f"{database.name}.lock")


def refuse_unwritable(place: Path) -> None:
    """Raise NotWritable where a database file or its folder cannot be written to: SQLite itself says so too late."""
    for each in (place.parent, place):
        if each.exists() and not os.access(each, os.W_OK):
            raise NotWritable(each, "it may only be read")


@contextlib.contextmanager
def database_lock(engine: Engine, key: int, *, wait_s: float = 20.0) -> Iterator[None]:
    """Hold the advisory lock of a database server; nothing to hold on one that has none.

    Args:
        engine: Of the server.
        key: Which lock.
        wait_s: How long to wait for another process. [s]
    Raises:
        RecordBusy: another process kept it for ``wait_s``.
        RecordError: the server does not answer.
    """
    import sqlalchemy
    import sqlalchemy.exc

    calls = {
        "postgresql": ("SELECT pg_try_advisory_lock(:key)", "SELECT pg_advisory_unlock(:key)"),
        "mysql": ("SELECT GET_LOCK(CAST(:key AS CHAR), 0)", "SELECT RELEASE_LOCK(CAST(:key AS CHAR))"),
    }
    if engine.dialect.name not in calls:
        yield
        return
    take, give = (sqlalchemy.text(call) for call in calls[engine.dialect.name])
    with reached():
        connection = engine.connect()
    with connection:
        deadline = time.monotonic() + wait_s
        while True:
            with reached():
                if connection.execute(take, {"key": key}).scalar():
                    break
            if time.monotonic() > deadline:
                raise RecordBusy(
                    f"the record is being written from another machine for more than {wait_s:g} s. Try again."
                )
            time.sleep(0.05)
        try:
            yield
        finally:
            # Where the server is gone the lock is gone with it: what is kept is kept.
            with contextlib.suppress(sqlalchemy.exc.SQLAlchemyError):
                connection.execute(give, {"key": key})


def _holder(place: Path) -> str:
    with contextlib.suppress(OSError):
        text = place.read_text().strip()
        if text.isdigit():
            return f" (number {text})"
    return ""


def _try_lock(handle: IO[Any]) -> bool:
    try:
        if os.name == "nt":
            import msvcrt

            handle.seek(0)
            getattr(msvcrt, "locking")(handle.fileno(), getattr(msvcrt, "LK_NBLCK"), 1)  # noqa: B009  (absent elsewhere)
        else:
            import fcntl

            fcntl.flock(handle.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _unlock(handle: IO[Any]) -> None:
    with contextlib.suppress(OSError):
        if os.name == "nt":
            import msvcrt

            handle.seek(0)
            getattr(msvcrt, "locking")(handle.fileno(), getattr(msvcrt, "LK_UNLCK"), 1)  # noqa: B009
        else:
            import fcntl

            fcntl.flock(handle.fileno(), fcntl.LOCK_UN)
