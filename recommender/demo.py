"""A whole job played on a virtual car: job file, logs as loggers write them, record, and a picture of the session."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Final

import numpy as np

from models import fleet
from models.fleet import FleetCar
from models.settings import KNOB_NAMES
from models.units import JOB_PRESSURE_UNITS, FloatArray, from_kpa
from models.virtual_car import VirtualPull
from recommender import wording
from recommender.cli.pull import heading, table_row
from recommender.cli.screen import Screen, show
from recommender.cli.shared import command
from recommender.cli.step import banner
from recommender.logs import CHANNELS, write_log
from recommender.session import HeldRun, PullResult, Session, Step

#: Dialects that the logs are written in, in turn.
DIALECTS: Final = (
    "plain commas",
    "units row, absolute and barometer",
    "semicolons and decimal commas",
    "tabs, milliseconds, comment lines",
)
#: Where the logs are written: as from a logger, before they are added.
BENCH: Final = "from-the-logger"
#: Height of the line above a panel of the picture. [pixels]
TITLE: Final = 40
#: Steps of engagement that the demo's controller has. [job's unit]
_ENGAGEMENT: Final = {"psi": (0.5, 3.0), "kPa": (5.0, 20.0), "bar": (0.05, 0.2)}


class DemoError(ValueError):
    """The demo cannot be played as asked."""


@dataclass(frozen=True)
class Played:
    """What one pull of the demo was answered with."""

    pull: PullResult
    answer: Step


def kinds() -> tuple[str, ...]:
    """Kinds of virtual cars."""
    return tuple(fleet.KINDS)


def play(
    folder: Path,
    *,
    kind: str,
    seed: int,
    most_pulls: int,
    pressure: str = "psi",
    held: bool = False,
    screen: Screen | None = None,
) -> list[str]:
    """Play a job; rows of the table are shown as the pulls are made.

    Args:
        folder: Where the job is put; must not hold one already.
        kind: One of ``kinds()``.
        seed: Which car of that kind.
        most_pulls: Pulls after which the job is left as it stands.
        pressure: Unit of the job.
        held: Make the run at held rpm that is advised after the baseline.
        screen: Where progress is shown.
    Returns:
        Closing lines.
    Raises:
        DemoError: unknown kind or unit, or a folder with a job in it.
    """
    if kind not in fleet.KINDS:
        raise DemoError(f"no kind {kind!r} of virtual car. There are: {', '.join(fleet.KINDS)}.")
    if pressure not in JOB_PRESSURE_UNITS:
        raise DemoError(f"no pressure unit {pressure!r} for a job. There are: {', '.join(JOB_PRESSURE_UNITS)}.")
    if (folder / "job.toml").exists():
        raise DemoError(f"{folder}: holds a job already, and a record is never overwritten. Name another folder.")
    progress = Progress(screen or Screen())
    progress.at(f"building a {kind} car")
    car = fleet.make(kind, seed)
    (folder / BENCH).mkdir(parents=True, exist_ok=True)
    (folder / "job.toml").write_text(job_text(car, pressure), encoding="utf-8")
    with Session.open(folder) as session:
        progress.lines([f" {car.name}: a virtual car, {kind}. The job is in {folder}.", ""])
        played = _loop(session, car, folder, most_pulls, progress, held=held)
        picture = draw(session, folder)
        last = played[-1].answer
        lines = ["", *banner(last.verdict, progress.screen)]
        lines += progress.screen.wrapped(last.reasons[0], " ")
        if picture is not None:
            lines += ["", f" Picture of the session: {picture}"]
        if last.settings is not None:
            log = _drive(session, car, last, folder)
            lines += [" The next pull was made, and its log waits to be added:", f"   {command('add', folder, log)}"]
        lines += [" Go on with:", *(f"   {command(word, folder)}" for word in ("next", "why", "replay"))]
    return lines


def _loop(
    session: Session, car: FleetCar, folder: Path, most_pulls: int, progress: Progress, *, held: bool
) -> list[Played]:
    played: list[Played] = []
    progress.at("first step")
    step = session.next_step()
    progress.lines(heading(session.job))
    while step.settings is not None and len(played) < most_pulls:
        number = len(played) + 1
        progress.at(f"pull {number}: on the rollers")
        advised = session.held_run() if held else None
        log = _drive(session, car, step, folder) if advised is None else _hold(session, car, advised, folder)
        progress.at(f"pull {number}: reading the log")
        pull = session.add_pull(log)
        progress.at(f"pull {number}: deciding")
        step = session.next_step()
        played.append(Played(pull, step))
        progress.lines([table_row(pull, session.job, f"{'→' if progress.screen.drawing else '->'} {step.verdict}")])
    return played


def _drive(session: Session, car: FleetCar, step: Step, folder: Path) -> Path:
    """Make the pull that a step asks for, and write its log as a logger would."""
    if step.settings is None:
        raise DemoError("nothing is to be run")
    done = len(session.pulls(withdrawn=True))
    settings = session.job.settings_from_job(step.settings)
    return _written(folder, done, car.pull(settings, done, abort=True))


def _hold(session: Session, car: FleetCar, advised: HeldRun, folder: Path) -> Path:
    """Make the run at held rpm that is advised, and write its log."""
    done = len(session.pulls(withdrawn=True))
    return _written(folder, done, car.hold(advised.settings, advised.rpm, done, stop_kpa=advised.stop_kpa))


def _written(folder: Path, done: int, made: VirtualPull) -> Path:
    """The log of a pull, in the next dialect, as a logger writes it."""
    suffix = "txt" if "tabs" in DIALECTS[done % len(DIALECTS)] else "csv"
    place = folder / BENCH / f"pull-{done + 1:02d}.{suffix}"
    return write_log(place, logged(made), DIALECTS[done % len(DIALECTS)])


def logged(made: VirtualPull) -> dict[str, FloatArray]:
    """Channels of a virtual pull that a logger records."""
    return {name: values for name, values in made.channels.items() if name in CHANNELS}


def draw(session: Session, folder: Path) -> Path | None:
    """Write a picture: predicted band over measured curve, early in the job and at its end; None where none is."""
    predicted = [pull for pull in session.pulls() if pull.hit is not None and pull.step is not None]
    if not predicted:
        return None
    early = predicted[min(1, len(predicted) - 1)]
    chosen = [early] if early is predicted[-1] else [early, predicted[-1]]
    place = folder / "session.svg"
    place.write_text(_panels(session, chosen), encoding="utf-8")
    return place


def _panels(session: Session, pulls: list[PullResult]) -> str:
    """One panel for each pull, under each other, in one SVG. Title lines say what was predicted and what came."""
    from recommender import figures
    from recommender.figures import draft
    from recommender.figures.svg import svg

    name, unit = session.job.name, session.job.pressure_unit
    high = TITLE + draft.HEIGHT
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {draft.WIDTH} {high * len(pulls)}" '
        f"font-family=\"system-ui, 'DejaVu Sans', sans-serif\">",
        f'<rect width="{draft.WIDTH}" height="{high * len(pulls)}" fill="#ffffff"/>',
    ]
    for i, pull in enumerate(pulls):
        step = session.step(int(pull.step or 0))
        drawn = svg(
            figures.outcome(step, pull, session.job.wanted(step.target)),
            title=f"{name}: pull {pull.number} over the band that was predicted for it",
            mark=f"p{pull.number}",
        )
        words = f"Pull {pull.number}: {_came(pull, unit)}"
        parts.append(f'<text x="62" y="{i * high + 26}" font-size="17" font-weight="600">{escape(words)}</text>')
        frame = f'<svg y="{i * high + TITLE}" width="{draft.WIDTH}" height="{draft.HEIGHT}" '
        parts.append(drawn.replace("<svg ", frame, 1))
    return "".join([*parts, "</svg>"])


def _came(pull: PullResult, unit: str) -> str:
    expected, seen = wording.pressure(pull.predicted_peak, unit), wording.pressure(pull.peak, unit)
    inside = wording.share(pull.held)
    return f"{inside} of the curve inside the 90 % band; peak {expected} {unit} expected, {seen} {unit} seen"


class Progress:
    """Rows that stay, and on a live terminal a line under them that says what is being done."""

    def __init__(self, screen: Screen) -> None:
        self.screen = screen

    def at(self, what: str) -> None:
        """Say what is being done; nothing is written where a line cannot be written over."""
        if self.screen.live:
            sys.stdout.write(f"\r\x1b[K … {what}")
            sys.stdout.flush()

    def lines(self, rows: list[str]) -> None:
        """Write rows that stay."""
        if self.screen.live:
            sys.stdout.write("\r\x1b[K")
        show(rows)


# -------------------------------------------------------------------- the job file


def job_text(car: FleetCar, pressure: str) -> str:
    """A job file for a virtual car: pressures rounded to what a tuner would write."""
    digits = {"psi": 1, "kPa": 0, "bar": 2}[pressure]

    def said(kpa: float) -> float:
        return round(float(from_kpa(kpa, pressure)), digits)

    target = car.target
    boost = ", ".join(f"{said(value):g}" for value in target.boost_kpa)
    rpm = ", ".join(f"{value:g}" for value in target.rpm)
    tables = "\n\n".join(_knob_table(car, name, pressure) for name in KNOB_NAMES)
    return f"""# A virtual car to practise on: {car.kind}.
name = {json.dumps(car.name)}
pressure = "{pressure}"
notes = "Played by the demo on a virtual car ({car.kind}, seed {car.seed})."

[target]
rpm = [{rpm}]
boost = [{boost}]
judge_from = {target.judge_from:g}
judge_to = {target.judge_to:g}

[limit]
overpressure = {said(car.limit_kpa):g}
risk = 0.01

{tables}
"""


def _knob_table(car: FleetCar, name: str, pressure: str) -> str:
    knob = car.knobs[name]
    lower, upper, resolution, step = knob.lower, knob.upper, knob.resolution, knob.step
    if knob.fixed:
        return f"[knobs.{name}]\nfixed = {lower:g}"
    if name == "engagement":
        resolution, step = _ENGAGEMENT[pressure]
        upper = np.floor(float(from_kpa(upper, pressure)) / resolution) * resolution
    rows = {"lower": lower, "upper": upper, "resolution": resolution, "step": step}
    return f"[knobs.{name}]\n" + "\n".join(f"{key} = {value:g}" for key, value in rows.items())
