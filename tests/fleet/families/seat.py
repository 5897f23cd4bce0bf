"""What every family of cars has in common: the job, the outcome of a pull, its log, and what is dialled in.

Boost is kPa gauge.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Generic, TypeVar

import numpy as np

from models.curve import Target, Trace
from models.settings import Knob, Settings
from models.units import FloatArray, kpa_in

PSI = kpa_in("psi")
CarT = TypeVar("CarT")


@dataclass(frozen=True)
class Seat(Generic[CarT]):
    """A job: a car and what is wanted of it."""

    name: str
    kind: str
    car: CarT
    target: Target
    limit_kpa: float
    knobs: dict[str, Knob]


@dataclass(frozen=True)
class Run:
    """One pull: the log as the gauge saw it, and the truth. [rpm], [kPa gauge]"""

    trace: Trace
    true_rpm: FloatArray
    true_boost_kpa: FloatArray


@dataclass(frozen=True)
class Sweep:
    """One pull of one car, step by step: engine speed [rpm], true boost and boost after the gauge's lag [kPa gauge]."""

    rpm: FloatArray
    true: FloatArray
    seen: FloatArray


def numbers_of(cars: Sequence[Any], words: Collection[str]) -> dict[str, FloatArray]:
    """The cars' constants as arrays of shape (n,), by name; ``words`` are those that are none."""
    names = [each.name for each in fields(cars[0]) if each.name not in words]
    return {name: np.array([getattr(car, name) for car in cars], dtype=float) for name in names}


def without(knobs: Mapping[str, Knob], lacks: str) -> dict[str, Knob]:
    """The dials of a controller that lacks one of them; ``nothing``: all of them."""
    out = dict(knobs)
    if lacks != "nothing":
        out[lacks] = Knob(lacks, 0, 0, knobs[lacks].resolution, knobs[lacks].step)
    return out


class Dials:
    """What is dialled into n controllers: duty with its ramp, and the gate held shut up to engagement."""

    def __init__(self, settings: Sequence[Settings]) -> None:
        knobs = np.array([s.as_array() for s in settings])
        self.duty, self.ramp_from, self.ramp_to, self.ramp_add, self.engagement, self.gain = knobs.T
        self.width = np.maximum(self.ramp_to - self.ramp_from, 1.0)
        self.shut = self.engagement > 0.0

    def base(self, rpm: FloatArray) -> FloatArray:
        """Duty before feedback. Shape (n,), [%]"""
        travel = np.clip((rpm - self.ramp_from) / self.width, 0.0, 1.0)
        return np.asarray(np.clip(self.duty + self.ramp_add * travel, 0.0, 100.0))

    def engage(self, boost: FloatArray, rearm: FloatArray) -> None:
        """Whether each gate is held shut from now on, by the boost that its controller sees.

        Args:
            boost: Shape (n,), [kPa gauge]
            rearm: Share of engagement under which it is held shut again. Shape (n,), [-]
        """
        self.shut = np.where(self.shut, boost < self.engagement, boost < rearm * self.engagement)


def between(time_s: FloatArray, values: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """What was recorded, as a function of time."""
    return lambda at: np.asarray(np.interp(at, time_s, values))


def logged(
    car: Any,
    time_s: FloatArray,
    rpm_at: Callable[[FloatArray], FloatArray],
    seen: FloatArray,
    random: np.random.Generator | None,
    *,
    rpm_noise: float,
) -> Trace:
    """What the logger keeps of a pull.

    Args:
        car: Its ``rate_hz`` and ``noise`` count.
        time_s, seen: Time and what the gauge makes of boost. Shapes (m,), [s], [kPa gauge]
        rpm_at: Engine speed at a time.
        random: None: without noise.
        rpm_noise: Standard deviation of logged rpm. [rpm]
    """
    kept = np.arange(0.0, time_s[-1], 1.0 / car.rate_hz)
    rpm, boost = rpm_at(kept), np.interp(kept, time_s, seen)
    if random is not None:
        boost = boost + car.noise * random.standard_normal(kept.size)
        rpm = rpm + rpm_noise * random.standard_normal(kept.size)
    return Trace(kept, rpm, boost)
