"""What to go through before the first pull."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from models.settings import KNOB_NAMES
from models.units import kpa_in
from recommender import wording
from recommender.decide.allowed import idle
from recommender.job import Job
from recommender.logs import Column, LogError, RawLog, Role, read_log
from recommender.logs.ambient import AMBIENT_KPA
from recommender.logs.boost_unit import UNITS
from recommender.logs.plausible import QUANTITIES, read_as
from recommender.logs.words import rank_of
from recommender.logs.written_units import parse_unit
from recommender.session.pull_log import read_options

#: Gauge and barometer may differ by this much at key-on. [kPa]
KEY_ON_KPA: Final = 3.0


@dataclass(frozen=True)
class Item:
    """One line of the checklist.

    Attributes:
        text: What to do or to look at, with the job's own numbers.
        state: ``to do`` for the tuner; ``good`` or ``bad`` where the tool has looked itself.
    """

    text: str
    state: str = "to do"


def check_job(path: str | Path, key_on_log: str | Path | None = None) -> tuple[Job, list[Item]]:
    """A job and the list before its first pull. No record is opened or made.

    Args:
        path: The job file, or a folder that holds one.
        key_on_log: A log with the ignition on and the engine off: boost gauge and barometer are compared.
    Raises:
        JobError: the job file is at fault.
        LogError: the log cannot be read.
    """
    job = Job.load(path)
    return job, items(job, None if key_on_log is None else Path(key_on_log))


def items(job: Job, key_on_log: Path | None = None) -> list[Item]:
    """The checklist of a job.

    Args:
        job: The job.
        key_on_log: A log with ignition on and engine off, to compare boost gauge and barometer; or None.
    Raises:
        LogError: the log cannot be read.
    """
    unit = job.pressure_unit
    default = " (the default: the job file gives none)" if job.limit_is_default else ""
    baseline = job.settings_to_job(idle(job.problem()))
    knobs = ", ".join(
        f"{wording.KNOB_LABELS[name]} {wording.knob(name, baseline[name], unit)}"
        for name in KNOB_NAMES
        if name in ("duty", "ramp_add", "engagement", "gain") and not job.dials[name].absent
    )
    limit = f"{wording.pressure(job.limit, unit)} {unit}"
    lines = [
        f"Overpressure cut set in the controller to {limit}{default}, and tested that it cuts.",
        f"Knobs at idle for the first pull: {knobs}.",
        "Fuelling has reserve for the target boost; lambda is watched during the pull.",
        "Knock is watched, and someone lifts at the first sign of it.",
        "Cooling: fan running, coolant and oil warm, intake air temperature noted.",
        "Hoses and clamps of charge pipe, gauge and solenoid tight; no leak under pressure.",
        "Solenoid plumbed so that more duty gives more boost, and tested by ear at key-on.",
        "Straps and wheels checked; bystanders behind the line, nobody in line with the rollers.",
        "Exhaust drawn off and the cell ventilated; fire extinguisher within reach; hearing protection on.",
        "Logger records rpm, boost and throttle; 20 rows a second or more.",
    ]
    if job.guards:
        bounds = "; ".join(f"{name} {_bounds(guard)}" for name, guard in job.guards.items())
        lines.append(f"Guards are watched in every log: {bounds}.")
    else:
        lines.append("No [guards] in the job file: lambda, knock and exhaust temperature are not watched by the tool.")
    found = [Item(line) for line in lines]
    return found if key_on_log is None else [*found, key_on(key_on_log, job)]


def _bounds(guard: object) -> str:
    values = dict(guard) if isinstance(guard, dict) else {}
    return " and ".join(f"{'at most' if side == 'highest' else 'at least'} {value:g}" for side, value in values.items())


def key_on(path: Path, job: Job) -> Item:
    """Boost gauge against barometer with the engine at rest.

    Raises:
        LogError: the log cannot be read, or has no boost column.
    """
    raw = read_log(path)
    hints = read_options(job, (), raw.shape).hints
    boost = _column(raw, "boost", hints.boost)
    if boost is None:
        listed = ", ".join(column.label for column in raw.columns)
        raise LogError(f'{path.name}: no boost channel among {listed}. Name it under [channels]: boost = "MAP".')
    rpm, barometer = _column(raw, "rpm", hints.rpm), _column(raw, "barometer", hints.barometer)
    rest = np.isfinite(boost.values) & (np.ones(boost.values.size, dtype=bool) if rpm is None else rpm.values < 1.0)
    if np.count_nonzero(rest) < 3:
        return Item(f"{path.name}: the engine is never at rest. Log some seconds with ignition on, engine off.", "bad")
    level = float(np.median(boost.values[rest]))
    reading = level * kpa_in(hints.boost_unit or _unit(boost, level, job.pressure_unit))
    ambient = job.channels.get("barometer_kpa")
    if barometer is not None:
        read = read_as("barometer", barometer, hints)
        known = read.values[rest & np.isfinite(read.values)]
        if read.plausible and known.size:
            ambient = float(np.median(known))
        elif ambient is None:
            seen = read.seen if known.size else "nothing at rest"
            return Item(f"{path.name}: {barometer.label} reads {seen}: no barometer to compare with.", "bad")
    absolute = (hints.boost_is or ("absolute" if reading > 50.0 else "gauge")) == "absolute"
    if absolute and ambient is None:
        return Item(f"Boost reads {reading:.1f} kPa absolute at key-on; there is no barometer to compare with.", "bad")
    gap = reading - float(ambient or 0.0) if absolute else reading
    against = f"the barometer's {ambient:.1f} kPa" if absolute else "0 gauge"
    good = abs(gap) <= KEY_ON_KPA
    advice = "they agree" if good else "set the gauge right, or state boost_is and boost_unit under [channels]"
    say = job.problem().say
    return Item(f"Boost at key-on is {say(gap, signed=True)} off {against}: {advice}.", "good" if good else "bad")


def _column(raw: RawLog, role: Role, hint: str | None) -> Column | None:
    """The column for a role by the job file's name for it, else by name and unit that fit best; None where none do."""
    numbers = [column for column in raw.columns if column.kind == "number" and column.known.size]
    if hint is not None:
        return next(
            (column for column in numbers if hint.lower() in (column.header.lower(), column.name.lower())), None
        )
    numbers = [column for column in numbers if column.quantity in (None, *QUANTITIES[role])]
    ranked = sorted(numbers, key=lambda column: -rank_of(role, column.name))
    return ranked[0] if ranked and rank_of(role, ranked[0].name) > 0 else None


def _unit(column: Column, level: float, own: str) -> str:
    """Unit of the boost column: as written, else the only one in which its level at rest is an ambient pressure, else
    the job's own."""
    unit = parse_unit(column.unit) if column.unit else None
    if unit is not None and unit.quantity == "pressure":
        return unit.name
    able = [name for name in UNITS if AMBIENT_KPA[0] <= level * kpa_in(name) <= AMBIENT_KPA[1]]
    return able[0] if len(able) == 1 else own
