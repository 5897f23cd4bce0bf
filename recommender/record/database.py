"""The database behind a record: a file beside the job, or a shop's server."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any, Final

import optuna
from optuna.storages import RDBStorage

from recommender.record.lock import NotWritable, RecordBusy, RecordError, database_lock, file_lock, why

RECORD_NAME: Final = "record.db"
#: Key of the lock under which a server's tables are made: that of a study is another.
_TABLES: Final = 0


def open_database(where: str | Path, read_only: bool) -> RDBStorage:
    """The database at a URL, or in a file. Call under ``file_lock`` where tables may be made in a file.

    Raises:
        RecordError: there is none, its driver is missing, or another version of Optuna made it.
        RecordBusy: another process makes its tables.
    """
    import sqlalchemy
    import sqlalchemy.exc

    url = f"sqlite:///{RECORD_NAME}" if isinstance(where, Path) else where
    shown = str(where) if isinstance(where, Path) else url.split("@")[-1].partition("?")[0]
    arguments: dict[str, Any] = {"pool_pre_ping": True}
    if isinstance(where, Path):
        arguments = {"creator": partial(_connection, where, read_only)}
    elif url.startswith("sqlite"):
        arguments = {"connect_args": {"timeout": 20}}
    try:
        with contextlib.nullcontext() if read_only or isinstance(where, Path) else _server_lock(url):
            return RDBStorage(url, engine_kwargs=arguments, skip_table_creation=read_only)
    except RecordBusy:
        raise
    except ImportError as error:
        raise RecordError(
            f"the driver for {url.split(':')[0]} is not installed: {error}. For PostgreSQL: pip install "
            "'nextpull[postgresql]' and a storage of the form postgresql+psycopg://user@server/database."
        ) from None
    except RuntimeError as error:
        raise RecordError(f"{shown}: {error}") from None
    except (sqlalchemy.exc.SQLAlchemyError, optuna.exceptions.OptunaError, ValueError) as error:
        if read_only and isinstance(where, Path) and _journal(where).exists():
            raise RecordError(
                f"{shown}: a program ended while it wrote here, and that can be taken back only where the folder can "
                "be written to. Copy the whole folder of the job to a place of your own, and name the copy."
            ) from None
        if not isinstance(where, Path) and sqlite_file(url) is None:
            raise RecordError(
                f"{shown}: cannot be opened as a record ({why(error)}). See that the server runs and lets you in, and "
                "that the URL is right: postgresql+psycopg://user@server/database."
            ) from None
        raise RecordError(
            f"{shown}: cannot be opened as a record ({why(error)}). If the file is not a record, move "
            "it away; if it is damaged, put back a copy: the raw logs are in the folder logs."
        ) from None


def sqlite_file(url: str) -> Path | None:
    """The file of a SQLite database's URL; None for any other URL, and for a database in memory."""
    import sqlalchemy

    try:
        parts = sqlalchemy.make_url(url)
    except (sqlalchemy.exc.ArgumentError, ValueError):  # the latter of a port that is no number
        return None
    name = (parts.database or "").removeprefix("file:").partition("?")[0]
    return Path(name) if parts.get_backend_name() == "sqlite" and name not in ("", ":memory:") else None


def anchored(url: str, folder: Path) -> str:
    """A job file's URL with the path of a SQLite file from the job's folder on: wherever a command is given, it is the
    same file. Any other URL as it is."""
    import sqlalchemy

    file = sqlite_file(url)
    if file is None or file.is_absolute() or "file:" in url:
        return url
    return sqlalchemy.make_url(url).set(database=str(folder / file)).render_as_string(hide_password=False)


@contextlib.contextmanager
def _server_lock(url: str) -> Iterator[None]:
    """Hold a server's lock while its tables are made, by a connection of our own: there is no storage yet."""
    import sqlalchemy

    engine = sqlalchemy.create_engine(url)
    try:
        with database_lock(engine, _TABLES):
            yield
    finally:
        engine.dispose()


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Optuna says nothing of what goes as it should."""
    before = optuna.logging.get_verbosity()
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    try:
        yield
    finally:
        optuna.logging.set_verbosity(before)


def _connection(place: Path, read_only: bool) -> sqlite3.Connection:
    """A connection by file URI of our own: a URL for SQLAlchemy would read signs in a folder's name its own way."""
    uri = f"{place.resolve().as_uri()}?mode={'ro' if read_only else 'rwc'}"
    return sqlite3.connect(uri, uri=True, timeout=20, check_same_thread=False)


def roll_back(place: Path) -> None:
    """Let the database take back what a process left half-written: one that is opened to be read cannot do so."""
    if _journal(place).exists():
        with contextlib.suppress(sqlite3.Error, OSError, NotWritable), file_lock(place.with_suffix(".lock")):
            connection = sqlite3.connect(place)
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            connection.close()


def _journal(place: Path) -> Path:
    """What SQLite leaves beside a database while it writes."""
    return place.with_name(f"{place.name}-journal")
