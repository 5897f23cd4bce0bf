"""Commands of the loop: new, check, look, add, next, why, what-if."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from recommender.cli.screen import show
from recommender.cli.shared import (
    AsJson,
    Duty,
    Engagement,
    Gain,
    JobPath,
    LogPath,
    RampAdd,
    RampFrom,
    RampTo,
    StorageUrl,
    TargetName,
    app,
    argument,
    command,
    fail,
    faults,
    given,
    opened,
    option,
    screen,
)

# -------------------------------------------------------------------- a job


@app.command(short_help="Write a commented job file to edit")
def new(
    folder: Annotated[Path, argument("FOLDER", "Where the job is to live.")],
    name: Annotated[str | None, option("--name", "Name of car or job.")] = None,
) -> None:
    """Write a commented job file to edit.

    Example: nextpull new harbour-hatch --name "Harbour hatch"
    """
    with faults():
        from recommender.session import write_template

        file = write_template(folder, name)
    show(
        [
            f" {file} is there. Edit it: target, limit and knobs; every line has its remark.",
            f" Then: {command('check', folder)}",
        ]
    )


@app.command(short_help="Check the job file; the list before the first pull")
def check(
    job: JobPath,
    key_on: Annotated[
        Path | None,
        option("--key-on", "Log with ignition on and engine off: gauge against barometer.", metavar="LOG"),
    ] = None,
) -> None:
    """Check the job file, and go through the list before the first pull.

    Example: nextpull check harbour-hatch --key-on keyon.csv
    """
    from recommender.cli.job import check_lines

    with faults():
        from recommender.session import check_job

        found, items = check_job(job, key_on)
        show(check_lines(found, items, screen()))
    if any(item.state == "bad" for item in items):
        fail("one of the checks failed: put it right before the first pull.")


@app.command(short_help="Show what a log holds, without adding it")
def look(
    log: LogPath,
    job: Annotated[Path | None, option("--job", "Job whose target and channel names are to be used.")] = None,
) -> None:
    """Show what a log holds, without adding it: columns, pulls, quality, conditions against the job's other pulls.

    Example: nextpull look pull-03.csv --job harbour-hatch
    """
    from recommender.cli.job import look_lines

    with faults():
        from recommender.session import look as look_at
        from recommender.session import look_for

        found, known = (look_at(log), None) if job is None else look_for(log, job)
        show(look_lines(found, known, screen()))


# -------------------------------------------------------------------- the loop


@app.command(short_help="Add a pull: its log, and what was dialled in")
def add(
    job: JobPath,
    log: LogPath,
    duty: Duty = None,
    ramp_from: RampFrom = None,
    ramp_to: RampTo = None,
    ramp_add: RampAdd = None,
    engagement: Engagement = None,
    gain: Gain = None,
    which: Annotated[int | None, option("--which", "Which pull, where the log holds several.", min=1)] = None,
    foreign: Annotated[
        bool, typer.Option("--foreign", help="Made without this tool: duty and engagement have to be given.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Take a log that is on record already.")] = False,
    target: TargetName = None,
    storage: StorageUrl = None,
) -> None:
    """Add a pull: its log, and what was dialled in where that was not what was proposed.

    Example: nextpull add harbour-hatch pull-03.csv --duty 30 --gain 2
    """
    from recommender.cli.pull import pull_lines

    settings = given(
        duty=duty, ramp_from=ramp_from, ramp_to=ramp_to, ramp_add=ramp_add, engagement=engagement, gain=gain
    )
    with opened(job, storage) as session:
        pull = session.add_pull(log, settings, which=which, foreign=foreign, force=force, target=target)
        now = command("next", job, target=target, storage=storage)
        show([*pull_lines(pull, session.job, screen()), "", f" Now: {now}"])


@app.command("next", short_help="Say what to do next: settings, safety, reasons")
def next_(
    job: JobPath,
    json: AsJson = False,
    target: TargetName = None,
    storage: StorageUrl = None,
) -> None:
    """Say what to do next: settings, safety, reasons.

    Example: nextpull next harbour-hatch
    """
    from recommender.cli.step import otherwise_lines, step_lines

    with opened(job, storage, reading=True) as session:
        step = session.next_step(target)
        if json:
            from recommender.session import to_json

            show([to_json(step)])
            return
        otherwise = otherwise_lines(step, session.dialled_in(step), session.job, screen())
        late = session.long_ago()
        mind = ["", *screen().listed("Mind", [late])] if late else []
        others = [name for name in session.job.targets if name != step.target] if step.settings is None else []
        asked = [f" For {name}: {command('next', job, target=name, storage=storage)}" for name in others]
        pulls = session.pulls(target) if step.settings is None else []  # asked for where a job ends alone
        lines = step_lines(step, session.job, screen(), last=pulls[-1].settings if pulls else None)
        show(lines + otherwise + mind + ([""] if asked else []) + asked)


@app.command(short_help="Explain a step")
def why(
    job: JobPath,
    step: Annotated[
        int | None,
        typer.Argument(metavar="STEP", min=1, help="Number of a step; else the standing one.", show_default=False),
    ] = None,
    json: AsJson = False,
    target: TargetName = None,
    storage: StorageUrl = None,
) -> None:
    """Explain a step: what it rests on, what was ruled out, how the last prediction turned out.

    Example: nextpull why harbour-hatch 3
    """
    from recommender.cli.why import why_lines

    with opened(job, storage, reading=True) as session:
        explained = session.explain(step, target)
        if json:
            from recommender.session import to_json

            show([to_json(explained)])
            return
        show(why_lines(explained, screen()))


@app.command("what-if", short_help="Ask about any settings; nothing is recorded")
def what_if(
    job: JobPath,
    duty: Duty = None,
    ramp_from: RampFrom = None,
    ramp_to: RampTo = None,
    ramp_add: RampAdd = None,
    engagement: Engagement = None,
    gain: Gain = None,
    json: AsJson = False,
    target: TargetName = None,
    storage: StorageUrl = None,
) -> None:
    """Ask about any settings: expected peak, margin, risk. Nothing is proposed and nothing recorded.

    Example: nextpull what-if harbour-hatch --duty 55 --gain 3
    """
    from recommender.cli.step import step_lines

    settings = given(
        duty=duty, ramp_from=ramp_from, ramp_to=ramp_to, ramp_add=ramp_add, engagement=engagement, gain=gain
    )
    with opened(job, storage, reading=True) as session:
        step = session.what_if(settings, target)
        if json:
            from recommender.session import to_json

            show([to_json(step)])
            return
        show(step_lines(step, session.job, screen(), asked=True))
