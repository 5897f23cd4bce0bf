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

from recommender.record.lock import RecordError, file_lock

RECORD_NAME: Final = "record.db"


def open_database(where: str | Path, read_only: bool) -> RDBStorage:
    """The database at a URL, or in a file.

    Raises:
        RecordError: there is none, its driver is missing, or another version of Optuna made it.
    """
    import sqlalchemy
    import sqlalchemy.exc

    url = f"sqlite:///{RECORD_NAME}" if isinstance(where, Path) else where
    shown = str(where) if isinstance(where, Path) else url.split("@")[-1]
    arguments: dict[str, Any] = {"pool_pre_ping": True}
    if isinstance(where, Path):
        arguments = {"creator": partial(_connection, where, read_only)}
    elif url.startswith("sqlite"):
        arguments = {"connect_args": {"timeout": 20}}
    try:
        return RDBStorage(url, engine_kwargs=arguments, skip_table_creation=read_only)
    except ImportError as error:
        raise RecordError(
            f"the driver for {url.split(':')[0]} is not installed: {error}. For PostgreSQL: pip install "
            "'nextpull[postgresql]' and a storage of the form postgresql+psycopg://user@server/database."
        ) from None
    except RuntimeError as error:
        raise RecordError(f"{shown}: {error}") from None
    except (sqlalchemy.exc.SQLAlchemyError, optuna.exceptions.OptunaError) as error:
        raise RecordError(
            f"{shown}: cannot be opened as a record ({str(error).splitlines()[0]}). If the file is not a record, move "
            "it away; if it is damaged, put back a copy: the raw logs are in the folder logs."
        ) from None


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
    if place.with_name(f"{place.name}-journal").exists():
        with contextlib.suppress(sqlite3.Error, OSError), file_lock(place.with_suffix(".lock")):
            connection = sqlite3.connect(place)
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            connection.close()
