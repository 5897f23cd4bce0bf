"""The command line: ``nextpull new | check | add | next | why | …``.

Exit codes: 0 done, 1 the input or job is at fault, 2 wrong usage. What is heavy is imported by the command that needs it.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from recommender.cli_screen import Screen, show

if TYPE_CHECKING:
    from recommender.session import Session

__all__ = ["app", "main"]

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

JobPath = Annotated[Path, typer.Argument(metavar="JOB", help="Job file, or the folder that holds it.", show_default=False)]
TargetName = Annotated[
    str | None, typer.Option("--target", help="Name of the target, where the job has several.", show_default=False)
]
StorageUrl = Annotated[
    str | None,
    typer.Option("--storage", help="Database of the record, if not the job's own (any URL Optuna takes).", show_default=False),
]

Duty = Annotated[float | None, typer.Option("--duty", help="Duty dialled in, %.", show_default=False)]
RampFrom = Annotated[float | None, typer.Option("--ramp-from", help="Where the ramp began, rpm.", show_default=False)]
RampTo = Annotated[float | None, typer.Option("--ramp-to", help="Where the ramp was all there, rpm.", show_default=False)]
RampAdd = Annotated[float | None, typer.Option("--ramp-add", help="Extra duty of the ramp, points.", show_default=False)]
Engagement = Annotated[
    float | None, typer.Option("--engagement", help="Engagement, in the job's pressure unit.", show_default=False)
]
Gain = Annotated[float | None, typer.Option("--gain", help="Gain, on the controller's scale.", show_default=False)]


def main() -> None:
    """Run the command line; never shows a traceback."""
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError, ValueError):
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    try:
        app()
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except Exception as error:  # a fault of this program: said plainly, traceback on request
        if os.environ.get("NEXTPULL_TRACEBACK"):
            raise
        _fail(
            f"a fault of this program, not of your job: {type(error).__name__}: {error}. "
            "Set NEXTPULL_TRACEBACK=1 and run it again to see where; the record is as it was."
        )


def _fail(text: str) -> NoReturn:
    sys.stdout.flush()
    sys.stderr.write(f"nextpull: {text}\n")
    sys.exit(1)


@contextlib.contextmanager
def _faults() -> Iterator[None]:
    """Turn what is at fault in a job, a log or a record into one message and exit code 1."""
    from recommender.session import JobError, LogError, RecordBusy, RecordError, SettingsError

    try:
        yield
    except BrokenPipeError:
        raise
    except (JobError, LogError, RecordBusy, RecordError, SettingsError) as error:
        _fail(str(error))
    except OSError as error:
        _fail(f"{error.filename or 'a file'}: {error.strerror or error}.")


@contextlib.contextmanager
def _opened(path: Path, storage: str | None = None) -> Iterator[Session]:
    with _faults():
        from recommender.session import Session

        with Session.open(path, storage) as session:
            yield session


def _screen() -> Screen:
    return Screen.of(sys.stdout)


def _given(**knobs: float | None) -> dict[str, float]:
    return {name: value for name, value in knobs.items() if value is not None}


# -------------------------------------------------------------------- a job


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the job is to live.", show_default=False)],
    name: Annotated[str | None, typer.Option("--name", help="Name of car or job.", show_default=False)] = None,
) -> None:
    """Write a commented job file to edit.

    Example: nextpull new harbour-hatch --name "Harbour hatch"
    """
    with _faults():
        from recommender.session import write_template

        file = write_template(folder, name)
    show([
        f" {file} is there. Edit it: target, limit and knobs; every line has its remark.",
        f" Then: nextpull check {folder}",
    ])


@app.command()
def check(
    job: JobPath,
    key_on: Annotated[
        Path | None,
        typer.Option(
            "--key-on", metavar="LOG", help="Log with ignition on and engine off: gauge against barometer.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Check the job file, and go through the list before the first pull.

    Example: nextpull check harbour-hatch --key-on keyon.csv
    """
    from recommender.cli_job import check_lines

    with _opened(job) as session:
        items = session.checklist(key_on)
        show(check_lines(session.job, items, _screen()))
    if any(item.state == "bad" for item in items):
        _fail("one of the checks failed: put it right before the first pull.")


@app.command()
def look(
    log: Annotated[Path, typer.Argument(metavar="LOG", help="Log as the logger wrote it.", show_default=False)],
    job: Annotated[
        Path | None, typer.Option("--job", help="Job whose target and channel names are to be used.", show_default=False)
    ] = None,
) -> None:
    """Show what a log holds, without adding it: columns, pulls, quality.

    Example: nextpull look pull-03.csv --job harbour-hatch
    """
    from recommender.cli_job import look_lines

    with _faults():
        from recommender.session import Job
        from recommender.session import look as look_at

        known = None if job is None else Job.load(job)
        show(look_lines(look_at(log, known), known, _screen()))


# -------------------------------------------------------------------- the loop


@app.command()
def add(
    job: JobPath,
    log: Annotated[Path, typer.Argument(metavar="LOG", help="Log of the pull, as the logger wrote it.", show_default=False)],
    duty: Duty = None,
    ramp_from: RampFrom = None,
    ramp_to: RampTo = None,
    ramp_add: RampAdd = None,
    engagement: Engagement = None,
    gain: Gain = None,
    which: Annotated[
        int | None, typer.Option("--which", min=1, help="Which pull, where the log holds several.", show_default=False)
    ] = None,
    foreign: Annotated[bool, typer.Option("--foreign", help="The pull was made without this tool.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Take a log that is on record already.")] = False,
    target: TargetName = None,
    storage: StorageUrl = None,
) -> None:
    """Add a pull: its log, and what was dialled in where that was not what was proposed.

    Example: nextpull add harbour-hatch pull-03.csv --duty 30 --gain 2
    """
    from recommender.cli_pull import pull_lines

    given = _given(
        duty=duty, ramp_from=ramp_from, ramp_to=ramp_to, ramp_add=ramp_add, engagement=engagement, gain=gain
    )
    with _opened(job, storage) as session:
        pull = session.add_pull(log, given, which=which, foreign=foreign, force=force, target=target)
        show([*pull_lines(pull, session.job, _screen()), "", f" Now: nextpull next {job}"])


@app.command("next")
def next_(
    job: JobPath,
    json: Annotated[bool, typer.Option("--json", help="One JSON object with the fields of the step.")] = False,
    target: TargetName = None,
    storage: StorageUrl = None,
) -> None:
    """Say what to do next: settings, safety, reasons.

    Example: nextpull next harbour-hatch
    """
    from recommender.cli_step import step_lines

    with _opened(job, storage) as session:
        step = session.next_step(target)
        if json:
            from recommender.session import to_json

            show([to_json(step)])
            return
        show(step_lines(step, session.job, _screen()))


@app.command()
def why(
    job: JobPath,
    step: Annotated[
        int | None, typer.Argument(metavar="[STEP]", min=1, help="Number of a step; else the standing one.", show_default=False)
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
    target: TargetName = None,
    storage: StorageUrl = None,
) -> None:
    """Explain a step: what it rests on, what was ruled out, how the last prediction turned out.

    Example: nextpull why harbour-hatch 3
    """
    from recommender.cli_why import why_lines

    with _opened(job, storage) as session:
        explained = session.explain(step, target)
        if json:
            from recommender.session import to_json

            show([to_json(explained)])
            return
        show(why_lines(explained, _screen()))


@app.command("what-if")
def what_if(
    job: JobPath,
    duty: Duty = None,
    ramp_from: RampFrom = None,
    ramp_to: RampTo = None,
    ramp_add: RampAdd = None,
    engagement: Engagement = None,
    gain: Gain = None,
    json: Annotated[bool, typer.Option("--json", help="One JSON object with the fields of a step.")] = False,
    target: TargetName = None,
    storage: StorageUrl = None,
) -> None:
    """Ask about any settings: expected peak, margin, risk. Nothing is proposed and nothing recorded.

    Example: nextpull what-if harbour-hatch --duty 55 --gain 3
    """
    from recommender.cli_step import step_lines

    given = _given(
        duty=duty, ramp_from=ramp_from, ramp_to=ramp_to, ramp_add=ramp_add, engagement=engagement, gain=gain
    )
    with _opened(job, storage) as session:
        step = session.what_if(given, target)
        if json:
            from recommender.session import to_json

            show([to_json(step)])
            return
        show(step_lines(step, session.job, _screen(), asked=True))


# -------------------------------------------------------------------- the record


@app.command()
def pulls(job: JobPath, target: TargetName = None, storage: StorageUrl = None) -> None:
    """List the pulls on record: settings, deviation, peak.

    Example: nextpull pulls harbour-hatch
    """
    from recommender.cli_job import pulls_lines

    with _opened(job, storage) as session:
        show(pulls_lines(session.pulls(target, withdrawn=True), session.trust(target), session.job))


@app.command()
def withdraw(
    job: JobPath,
    number: Annotated[int, typer.Argument(metavar="PULL", help="Number of the pull.", show_default=False)],
    reason: Annotated[str, typer.Option("--reason", help="Why, for the record.", show_default=False)],
    storage: StorageUrl = None,
) -> None:
    """Take a bad pull out of the decision; it stays on record as withdrawn.

    Example: nextpull withdraw harbour-hatch 4 --reason "hose came off"
    """
    with _opened(job, storage) as session:
        session.withdraw(number, reason)
    show([f" Pull {number} is withdrawn: {reason}. Now: nextpull next {job}"])


@app.command()
def acknowledge(
    job: JobPath,
    number: Annotated[
        int, typer.Argument(metavar="PULL", help="Number of the pull; 0 for a refused log.", show_default=False)
    ],
    note: Annotated[str, typer.Option("--note", help="What was found and done.")] = "",
    storage: StorageUrl = None,
) -> None:
    """Say that the cause of a stop was found and put right.

    Example: nextpull acknowledge harbour-hatch 5 --note "plugs changed, no knock since"
    """
    with _opened(job, storage) as session:
        session.acknowledge(number, note)
    show([f" The stop at pull {number} is acknowledged. Now: nextpull next {job}"])


@app.command()
def replay(job: JobPath, storage: StorageUrl = None) -> None:
    """Recompute every step from the record and compare it, bit for bit, with what was answered then.

    Example: nextpull replay harbour-hatch
    """
    from recommender.cli_job import replay_lines

    with _opened(job, storage) as session:
        rows = session.replay()
        show(replay_lines(rows, _screen()))
    if not all(row.same for row in rows):
        _fail("not every step came out as it was answered: see above.")


@app.command()
def report(
    job: JobPath,
    out: Annotated[Path | None, typer.Argument(metavar="[OUT]", help="File to write.", show_default=False)] = None,
    csv: Annotated[bool, typer.Option("--csv", help="A table for those who carry on elsewhere.")] = False,
    json: Annotated[bool, typer.Option("--json", help="All numbers as JSON.")] = False,
    storage: StorageUrl = None,
) -> None:
    """Write the hand-over sheet: one HTML file that prints well.

    Example: nextpull report harbour-hatch sheet.html
    """
    if csv and json:
        raise typer.BadParameter("--csv and --json exclude each other; give one of them.")
    with _opened(job, storage) as session:
        from recommender.report import write_report

        file = write_report(session, out, form="csv" if csv else "json" if json else "html")
        show([f" {file} is written."])


@app.command()
def serve(
    job: JobPath,
    host: Annotated[str, typer.Option("--host", help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port; 0 for any free one.")] = 8765,
    token: Annotated[str | None, typer.Option("--token", help="Token asked for on a shared network.", show_default=False)] = None,
    watch: Annotated[
        Path | None, typer.Option("--watch", metavar="FOLDER", help="Folder in which new logs appear.", show_default=False)
    ] = None,
    open_browser: Annotated[bool, typer.Option("--open", help="Open the page in the browser.")] = False,
    storage: StorageUrl = None,
) -> None:
    """Open the page at the dyno: drop a log on it, read the next settings from two metres.

    Example: nextpull serve harbour-hatch --watch logs-from-the-dyno
    """
    with _faults():
        from recommender.page import PageError, serve as serve_page

        try:
            serve_page(
                job, host=host, port=port, token=token, watch_folder=watch, open_browser=open_browser, storage=storage
            )
        except PageError as error:
            _fail(str(error))


@app.command()
def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="[FOLDER]", help="Folder to make for the job.")
    ] = Path("demo-job"),
    kind: Annotated[str, typer.Option("--kind", help="Kind of virtual car; 'list' names them.")] = "free-flowing",
    seed: Annotated[int, typer.Option("--seed", min=0, help="Which car of that kind.")] = 3,
    pulls: Annotated[int, typer.Option("--pulls", min=1, max=30, help="Most pulls to play.")] = 12,
    pressure: Annotated[str, typer.Option("--pressure", help="Unit of the job: psi, kPa or bar.")] = "psi",
) -> None:
    """Play a whole job on a virtual car, and leave its folder to try the other commands on.

    Example: nextpull demo my-first-job --kind "plain controller" --seed 2
    """
    with _faults():
        from recommender.demo import DemoError, kinds, play

        if kind == "list":
            show([f" {each}" for each in kinds()])
            return
        try:
            played = play(folder, kind=kind, seed=seed, most_pulls=pulls, pressure=pressure, screen=_screen())
        except DemoError as error:
            _fail(str(error))
    show(played)


def _names() -> dict[str, Any]:
    """Commands by name, for tests and documentation."""
    return {info.name or str(getattr(info.callback, "__name__", "")): info.callback for info in app.registered_commands}


if __name__ == "__main__":
    main()
