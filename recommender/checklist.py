"""What to go through before the first pull."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from models.settings import KNOB_NAMES
from recommender.job import Job


@dataclass(frozen=True)
class Item:
    """One line of the checklist.

    Attributes:
        text: What to do or to look at, with the job's own numbers.
        state: ``to do`` for the tuner; ``good`` or ``bad`` where the tool has looked itself.
    """

    text: str
    state: str = "to do"


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
    idle = ", ".join(
        f"{name} {job.dials[name].lower:g}"
        for name in KNOB_NAMES
        if name in ("duty", "ramp_add", "engagement", "gain") and not job.dials[name].absent
    )
    lines = [
        f"Overpressure cut set in the controller to {job.limit:g} {unit}{default}, and tested that it cuts.",
        f"Knobs at idle for the first pull: {idle}.",
        "Fuelling has reserve for the target boost; lambda is watched during the pull.",
        "Knock is watched, and someone lifts at the first sign of it.",
        "Cooling: fan running, coolant and oil warm, intake air temperature noted.",
        "Hoses and clamps of charge pipe, gauge and solenoid tight; no leak under pressure.",
        "Solenoid plumbed so that more duty gives more boost, and tested by ear at key-on.",
        "Straps and wheels checked; nobody stands in line with the rollers.",
        "Logger records rpm, boost and throttle; 20 rows a second or more.",
    ]
    if job.guards:
        bounds = "; ".join(f"{name} {_bounds(guard)}" for name, guard in job.guards.items())
        lines.append(f"Guards are watched in every log: {bounds}.")
    else:
        lines.append("No [guards] in the job file: lambda, knock and exhaust temperature are not watched by the tool.")
    found = [Item(line) for line in lines]
    return found if key_on_log is None else [*found, _key_on(job, key_on_log)]


def _bounds(guard: object) -> str:
    values = dict(guard) if isinstance(guard, dict) else {}
    return " and ".join(f"{'at most' if side == 'highest' else 'at least'} {value:g}" for side, value in values.items())


def _key_on(job: Job, log: Path) -> Item:
    from recommender.pull_log import key_on

    return Item(*key_on(log, job))
