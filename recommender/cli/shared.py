"""What the commands of the command line share: the program, options, and how faults are said."""

from __future__ import annotations

import contextlib
import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, NoReturn

import typer

from recommender.cli.screen import Screen

if TYPE_CHECKING:
    from recommender.session import Session

#: User and password in a URL, up to the password.
_PASSWORD: Final = re.compile(r"(://[^/@:]*:)[^/]*@")

app = typer.Typer(
    name="nextpull",
    help="Log in, next settings out: the next boost-controller settings after each dyno pull.",
    epilog="A day at the dyno: new, check, then next and add in turn until next says done. Try it: nextpull demo",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


def option(name: str, text: str, *, metavar: str | None = None, min: int | None = None) -> Any:
    """An option without a default to show."""
    return typer.Option(name, help=text, show_default=False, metavar=metavar, min=min)


def argument(name: str, text: str) -> Any:
    """An argument without a default to show."""
    return typer.Argument(metavar=name, help=text, show_default=False)


JobPath = Annotated[Path, argument("JOB", "Job file, or the folder that holds it.")]
LogPath = Annotated[Path, argument("LOG", "Log as the logger wrote it.")]
TargetName = Annotated[str | None, option("--target", "Name of the target, where the job has several.")]
StorageUrl = Annotated[str | None, option("--storage", "Database of the record: any URL Optuna takes.")]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON object with all fields.")]

Duty = Annotated[float | None, option("--duty", "Duty dialled in, %.")]
RampFrom = Annotated[float | None, option("--ramp-from", "Where the ramp begins, rpm.")]
RampTo = Annotated[float | None, option("--ramp-to", "Where the ramp is all there, rpm.")]
RampAdd = Annotated[float | None, option("--ramp-add", "Extra duty of the ramp, points.")]
Engagement = Annotated[float | None, option("--engagement", "Engagement, in the job's pressure unit.")]
Gain = Annotated[float | None, option("--gain", "Gain, on the controller's scale.")]


def fail(text: str) -> NoReturn:
    """Say what is at fault, in one message, and end with exit code 1."""
    sys.stdout.flush()
    sys.stderr.write(f"nextpull: {text}\n")
    sys.exit(1)


@contextlib.contextmanager
def faults() -> Iterator[None]:
    """Turn what is at fault in a job, a log or a record into one message and exit code 1."""
    from recommender.session import JobError, LogError, RecordBusy, RecordError, SettingsError

    try:
        yield
    except BrokenPipeError:
        raise
    except (JobError, LogError, RecordBusy, RecordError, SettingsError) as error:
        fail(str(error))
    except OSError as error:
        fail(f"{error.filename or 'a file'}: {error.strerror or error}.")


@contextlib.contextmanager
def opened(path: Path, storage: str | None = None, *, reading: bool = False) -> Iterator[Session]:
    """A job's session; closed at the end, its faults said plainly.

    Args:
        path: The job file, or the folder that holds it.
        storage: Database of the record.
        reading: The command only reads: a job that cannot be written to will do, and that no step is kept is said.
    """
    with faults():
        from recommender.session import NotWritable, Session

        try:
            session = Session.open(path, storage)
        except NotWritable as fault:
            if not reading:
                raise
            session = Session.open(path, storage, read_only=True)
            sys.stderr.write(f"nextpull: {fault.found}: the record is only read, and no new step is kept on it.\n")
        with session:
            if lost := session.lost_record():
                sys.stderr.write(f"nextpull: {lost}\n")
            yield session


def command(name: str, *words: object, target: str | None = None, storage: str | None = None) -> str:
    """A command to go on with, as it can be pasted into a shell: with target and database as they were given now. A
    password before the host in the database's URL is left out, and to be put in again."""
    all_words = ["nextpull", name, *(str(word) for word in words)]
    all_words += [] if target is None else ["--target", target]
    all_words += [] if storage is None else ["--storage", _PASSWORD.sub(r"\1***@", storage)]
    return subprocess.list2cmdline(all_words) if os.name == "nt" else shlex.join(all_words)


def screen() -> Screen:
    """The terminal that is written to."""
    return Screen.of(sys.stdout)


def given(**knobs: float | None) -> dict[str, float]:
    """Settings that the user gave."""
    return {name: value for name, value in knobs.items() if value is not None}
