"""Commands of the record and of what is made from it: pulls, replay, report, page, demo."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from recommender.cli.screen import show
from recommender.cli.shared import (
    JobPath,
    StorageUrl,
    TargetName,
    app,
    argument,
    command,
    fail,
    faults,
    opened,
    option,
    screen,
)

# -------------------------------------------------------------------- the record


@app.command(short_help="List the pulls on record")
def pulls(job: JobPath, target: TargetName = None, storage: StorageUrl = None) -> None:
    """List the pulls on record: settings, deviation, peak.

    Example: nextpull pulls harbour-hatch
    """
    from recommender.cli.job import pulls_lines

    with opened(job, storage, reading=True) as session:
        show(pulls_lines(session.pulls(target, withdrawn=True), session.trust(target), session.job))


@app.command(short_help="Take a bad pull out of the decision")
def withdraw(
    job: JobPath,
    number: Annotated[int, argument("PULL", "Number of the pull.")],
    reason: Annotated[str, option("--reason", "Why, for the record.")],
    storage: StorageUrl = None,
) -> None:
    """Take a bad pull out of the decision; it stays on record as withdrawn.

    Example: nextpull withdraw harbour-hatch 4 --reason "hose came off"
    """
    with opened(job, storage) as session:
        session.withdraw(number, reason)
    show([f" Pull {number} is withdrawn: {reason}. Now: {command('next', job, storage=storage)}"])


@app.command(short_help="Say that a stop's cause was put right")
def acknowledge(
    job: JobPath,
    number: Annotated[int, argument("PULL", "Number of the pull; 0 for a refused log.")],
    note: Annotated[str, typer.Option("--note", help="What was found and done.")] = "",
    storage: StorageUrl = None,
) -> None:
    """Say that the cause of a stop was found and put right.

    Example: nextpull acknowledge harbour-hatch 5 --note "plugs changed, no knock since"
    """
    with opened(job, storage) as session:
        session.acknowledge(number, note)
    where = f"pull {number}" if number else "the refused log"
    show([f" The stop at {where} is acknowledged. Now: {command('next', job, storage=storage)}"])


@app.command(short_help="Recompute every step and compare it, bit for bit")
def replay(job: JobPath, storage: StorageUrl = None) -> None:
    """Recompute every step from the record and compare it, bit for bit, with what was answered then; check raw logs.

    Example: nextpull replay harbour-hatch
    """
    from recommender.cli.job import replay_lines

    with opened(job, storage, reading=True) as session:
        rows, faults = session.replay(), session.log_faults()
        show(replay_lines(rows, faults, len(session.pulls(withdrawn=True)), screen()))
    if not all(row.same for row in rows):
        fail("not every step came out as it was answered: see above.")
    if faults:
        fail("not every raw log is as it was taken: see above.")


@app.command(short_help="Write the hand-over sheet")
def report(
    job: JobPath,
    out: Annotated[Path | None, argument("OUT", "File to write.")] = None,
    csv: Annotated[bool, typer.Option("--csv", help="A table for those who carry on elsewhere.")] = False,
    json: Annotated[bool, typer.Option("--json", help="All numbers as JSON.")] = False,
    storage: StorageUrl = None,
) -> None:
    """Write the hand-over sheet: one HTML file that prints well. Only an older sheet is written over.

    Example: nextpull report harbour-hatch sheet.html
    """
    if csv and json:
        raise typer.BadParameter("--csv and --json exclude each other; give one of them.")
    with opened(job, storage, reading=True) as session:
        from recommender.report import ReportError, write_report

        try:
            file = write_report(session, out, form="csv" if csv else "json" if json else "html")
        except ReportError as error:
            fail(str(error))
        show([f" {file} is written."])
        faults = session.log_faults()
    if faults:
        files = ", ".join(f"of pull {fault.pull} {fault.what}" for fault in faults)
        more = command("replay", job, storage=storage)
        sys.stderr.write(f"nextpull: the sheet says so too: raw log {files}. What to do: {more}\n")


@app.command(short_help="Open the page at the dyno")
def serve(
    job: JobPath,
    host: Annotated[str, typer.Option("--host", help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port; 0 for any free one.")] = 8765,
    token: Annotated[str | None, option("--token", "Token asked for on a shared network.")] = None,
    watch: Annotated[Path | None, option("--watch", "Folder in which new logs appear.", metavar="FOLDER")] = None,
    open_browser: Annotated[bool, typer.Option("--open", help="Open the page in the browser.")] = False,
    storage: StorageUrl = None,
) -> None:
    """Open the page at the dyno: drop a log on it, read the next settings from two metres.

    Example: nextpull serve harbour-hatch --watch logs-from-the-dyno
    """
    with faults():
        from recommender.page import PageError
        from recommender.page import serve as serve_page

        try:
            serve_page(
                job, host=host, port=port, token=token, watch_folder=watch, open_browser=open_browser, storage=storage
            )
        except PageError as error:
            fail(str(error))


@app.command(short_help="Play a whole job on a virtual car")
def demo(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder to make for the job.")] = Path("demo-job"),
    kind: Annotated[str, typer.Option("--kind", help="Kind of virtual car; 'list' names them.")] = "free-flowing",
    seed: Annotated[int, typer.Option("--seed", min=0, help="Which car of that kind.")] = 3,
    pulls: Annotated[int, typer.Option("--pulls", min=1, max=30, help="Most pulls to play.")] = 12,
    pressure: Annotated[str, typer.Option("--pressure", help="Unit of the job: psi, kPa or bar.")] = "psi",
    held: Annotated[bool, typer.Option("--held", help="With a run at held rpm after the baseline.")] = False,
) -> None:
    """Play a whole job on a virtual car, and leave its folder to try the other commands on.

    Example: nextpull demo my-first-job --kind "plain controller" --seed 2
    """
    with faults():
        from recommender.demo import DemoError, kinds, play

        if kind == "list":
            show([f" {each}" for each in kinds()])
            return
        try:
            played = play(folder, kind=kind, seed=seed, most_pulls=pulls, pressure=pressure, held=held, screen=screen())
        except DemoError as error:
            fail(str(error))
    show(played)
