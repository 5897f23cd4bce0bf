"""What to go through before the first pull."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from models.settings import KNOB_NAMES
from models.units import kpa_in
from recommender.job import Job
from recommender.logs import choose_channels, read_log
from recommender.pull_log import read_options

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
    return found if key_on_log is None else [*found, key_on(key_on_log, job)]


def _bounds(guard: object) -> str:
    values = dict(guard) if isinstance(guard, dict) else {}
    return " and ".join(f"{'at most' if side == 'highest' else 'at least'} {value:g}" for side, value in values.items())


def key_on(path: Path, job: Job) -> Item:
    """Boost gauge against barometer with the engine at rest.

    Raises:
        LogError: the log cannot be read.
    """
    raw = read_log(path)
    options = replace(read_options(job, (), raw.shape), guards={})
    channels = choose_channels(raw, options)
    rest = np.isfinite(channels.values["rpm"]) & (channels.values["rpm"] < 1.0)
    unit = next(choice.unit for choice in channels.choices if choice.role == "boost") or job.pressure_unit
    boost = channels.columns["boost"].values[rest] * kpa_in(options.hints.boost_unit or unit)
    boost = boost[np.isfinite(boost)]
    say = job.problem().say
    if boost.size < 3:
        return Item(f"{path.name}: the engine is never at rest. Log some seconds with ignition on, engine off.", "bad")
    reading = float(np.median(boost))
    barometer = channels.values.get("barometer")
    ambient = options.barometer_kpa
    if barometer is not None and np.isfinite(barometer[rest]).any():
        ambient = float(np.nanmedian(barometer[rest]))
    absolute = (options.hints.boost_is or ("absolute" if reading > 50.0 else "gauge")) == "absolute"
    if absolute and ambient is None:
        return Item(f"Boost reads {reading:.1f} kPa absolute at key-on; there is no barometer to compare with.", "bad")
    gap = reading - float(ambient or 0.0) if absolute else reading
    against = f"the barometer's {ambient:.1f} kPa" if absolute else "0 gauge"
    good = abs(gap) <= KEY_ON_KPA
    advice = "they agree" if good else "set the gauge right, or state boost_is and boost_unit under [channels]"
    return Item(f"Boost at key-on is {say(gap, signed=True)} off {against}: {advice}.", "good" if good else "bad")
