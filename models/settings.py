"""Settings, the knobs they are dialled on, and the duty that results at an rpm."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from models.units import FloatArray

KNOB_NAMES: Final = ("duty", "ramp_from", "ramp_to", "ramp_add", "engagement", "gain")


@dataclass(frozen=True, slots=True)
class Settings:
    """What is dialled into the controller before a pull.

    Attributes:
        duty: Solenoid duty. [%]
        ramp_from: Where the extra duty begins. [rpm]
        ramp_to: Where the extra duty is all there. [rpm]
        ramp_add: Extra duty at and after ``ramp_to``. [points of duty]
        engagement: Boost below which the gate is held shut. [kPa gauge]
        gain: Strength of the controller's own feedback, on its own scale. [-]
    """

    duty: float
    ramp_from: float
    ramp_to: float
    ramp_add: float
    engagement: float
    gain: float

    def __iter__(self) -> Iterator[float]:
        return (getattr(self, name) for name in KNOB_NAMES)

    def as_array(self) -> FloatArray:
        """The six values in the order of ``KNOB_NAMES``. Shape (6,)."""
        return np.array(list(self), dtype=float)

    def as_dict(self) -> dict[str, float]:
        return dict(zip(KNOB_NAMES, self, strict=True))

    @classmethod
    def from_mapping(cls, values: Mapping[str, float]) -> Settings:
        """Settings from a mapping of exactly the six knobs.

        Raises:
            ValueError: a knob is missing or unknown.
        """
        missing = [name for name in KNOB_NAMES if name not in values]
        unknown = [name for name in values if name not in KNOB_NAMES]
        if missing or unknown:
            raise ValueError(
                f"settings must name exactly {', '.join(KNOB_NAMES)}, but missing are "
                f"{', '.join(missing) or 'none'} and unknown are {', '.join(unknown) or 'none'}"
            )
        return cls(**{name: float(values[name]) for name in KNOB_NAMES})

    @classmethod
    def from_array(cls, values: npt.ArrayLike) -> Settings:
        return cls(*(float(value) for value in np.asarray(values, dtype=float)))

    def effective_duty(self, rpm: npt.ArrayLike) -> FloatArray:
        """Duty at each rpm, ramp included. [%], shape of ``rpm``"""
        return effective_duty(rpm, self.as_array())


def effective_duty(rpm: npt.ArrayLike, settings: npt.ArrayLike) -> FloatArray:
    """Duty that the controller commands at an rpm before any feedback: base duty plus ramp, held to 0 to 100 %.

    The ramp rises in a straight line from 0 at ramp_from to ramp_add at ramp_to and is flat outside.

    Args:
        rpm: Engine speed. [rpm], shape (m,) or any shape that broadcasts with the leading shape of ``settings``
        settings: The six knobs, last axis in the order of ``KNOB_NAMES``. Shape (6,) or (n, 6)
    Returns:
        Duty, shape (m,) for one settings vector, (n, m) for n of them and rpm of shape (m,). [%]
    """
    engine_rpm = np.asarray(rpm, dtype=float)
    knobs = np.asarray(settings, dtype=float)
    duty, ramp_from, ramp_to, ramp_add = (knobs[..., i, None] for i in range(4))
    if knobs.ndim == 1:
        duty, ramp_from, ramp_to, ramp_add = knobs[:4]
    width = np.maximum(ramp_to - ramp_from, 1.0)
    travel = np.clip((engine_rpm - ramp_from) / width, 0.0, 1.0)
    effective: FloatArray = np.clip(duty + ramp_add * travel, 0.0, 100.0)
    return effective


@dataclass(frozen=True, slots=True)
class Knob:
    """One dial of the controller: the values it can take and the largest change from one pull to the next.

    Allowed values are ``lower + k * resolution`` for whole k, up to ``upper``. A knob with ``lower == upper`` is fixed.
    Units are those of the settings it belongs to.
    """

    name: str
    lower: float
    upper: float
    resolution: float
    step: float

    def __post_init__(self) -> None:
        if self.name not in KNOB_NAMES:
            raise ValueError(f"a knob's name must be one of {', '.join(KNOB_NAMES)}, but got {self.name!r}")
        if not self.lower <= self.upper:
            raise ValueError(f"{self.name}: lower <= upper must hold, but got {self.lower:g} and {self.upper:g}")
        if self.lower < self.upper and not self.resolution > 0:
            raise ValueError(f"{self.name}: resolution must be above 0, but got {self.resolution:g}")
        if self.lower < self.upper and not self.step >= self.resolution * (1 - 1e-9):
            raise ValueError(
                f"{self.name}: step must be at least one resolution ({self.resolution:g}), but got {self.step:g}"
            )

    @property
    def fixed(self) -> bool:
        return self.lower == self.upper

    @property
    def count(self) -> int:
        """How many values the knob can take."""
        if self.fixed:
            return 1
        return int(np.floor((self.upper - self.lower) / self.resolution + 1e-6)) + 1

    def value(self, index: npt.ArrayLike) -> FloatArray:
        """Knob value at a whole-number position. Rounded so that 0.1 steps print as they are dialled."""
        if self.fixed:
            return np.full(np.shape(index), self.lower)
        return np.round(self.lower + np.asarray(index, dtype=float) * self.resolution, 9)

    def index(self, value: npt.ArrayLike) -> npt.NDArray[np.int64]:
        """Nearest whole-number position of a value, held to the range. Shape of ``value``."""
        if self.fixed:
            return np.zeros(np.shape(value), dtype=np.int64)
        position = np.rint((np.asarray(value, dtype=float) - self.lower) / self.resolution)
        return np.clip(position, 0, self.count - 1).astype(np.int64)

    def index_span(self, value: float) -> tuple[int, int]:
        """First and last position that can be dialled after ``value``: within range and within step.

        ``value`` may lie off the resolution or out of range (a pull run with other settings). Where the range cannot
        be reached within one step, the position nearest to ``value`` is the only one.
        """
        if self.fixed:
            return 0, 0
        low = int(np.ceil((value - self.step - self.lower) / self.resolution - 1e-6))
        high = int(np.floor((value + self.step - self.lower) / self.resolution + 1e-6))
        last = self.count - 1
        if high < 0:
            return 0, 0
        if low > last:
            return last, last
        low, high = max(low, 0), min(high, last)
        if low > high:
            nearest = int(self.index(value))
            return nearest, nearest
        return low, high
