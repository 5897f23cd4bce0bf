"""A knob as it is dialled: the same positions in the job's unit and in kPa gauge.

A position of a dial is a whole number of resolutions above its lower end. Both sides are read off that number, so that
what was evaluated is what is dialled, and a job in psi, kPa or bar gives the same settings.
"""

from __future__ import annotations

from dataclasses import dataclass

from models.settings import Knob
from models.units import from_kpa, to_kpa

#: Pressures are held to a whole pascal on entry: finer digits are what a change of unit leaves. [decimals of kPa]
KPA_DECIMALS = 3
#: How far off a whole number of resolutions a range may be: what rounding in a change of unit leaves. [resolutions]
SLACK = 0.02


def held(kpa: float) -> float:
    """A pressure as the project keeps it: to a whole pascal. [kPa]"""
    return round(float(kpa), KPA_DECIMALS) + 0.0


@dataclass(frozen=True)
class Dial:
    """One knob in the job's unit, beside the same knob in kPa.

    Attributes:
        lower, upper, resolution, step: As the job gives them; pressure in the job's unit.
        knob: The same in the project's units.
        unit: The job's pressure unit where the knob is a pressure (engagement); else "".
        absent: True for a knob that the job file has no table for.
    """

    lower: float
    upper: float
    resolution: float
    step: float
    knob: Knob
    unit: str = ""
    absent: bool = False

    @property
    def name(self) -> str:
        return self.knob.name

    @property
    def fixed(self) -> bool:
        return self.knob.fixed

    def to_job(self, value: float) -> float:
        """A knob value as it is dialled, in the job's unit; a value off the dial is converted as it is."""
        index = int(self.knob.index(value))
        if abs(float(self.knob.value(index)) - value) < 1e-6:
            return round(self.lower + index * self.resolution, 6) + 0.0
        return round(float(from_kpa(value, self.unit)), 6) if self.unit else round(value, 6)

    def from_job(self, value: float) -> float:
        """A dialled value in the project's units; a value off the dial is converted as it is."""
        if self.on_dial(value):
            if self.fixed:
                return self.knob.lower
            return float(self.knob.value(round((value - self.lower) / self.resolution)))
        return round(float(to_kpa(value, self.unit)), 6) if self.unit else float(value)

    def on_dial(self, value: float) -> bool:
        """Whether a value in the job's unit is one that the dial has."""
        if self.fixed:
            return abs(value - self.lower) < 1e-6 * max(1.0, abs(self.lower))
        position = (value - self.lower) / self.resolution
        return abs(position - round(position)) <= SLACK and 0 <= round(position) < self.knob.count

    def range_words(self) -> str:
        """What the dial has, for a sentence: ``0 to 90 in steps of 1``."""
        if self.fixed:
            return f"fixed at {self.lower:g}"
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.lower:g} to {self.upper:g}{unit} in steps of {self.resolution:g}"


def fixed_dial(name: str, value: float, unit: str, *, absent: bool = False) -> Dial:
    """A knob that stands still."""
    inside = held(float(to_kpa(value, unit))) if unit else float(value)
    return Dial(value, value, 1.0, 0.0, Knob(name, inside, inside, 1.0, 0.0), unit, absent)


def moving_dial(name: str, lower: float, upper: float, resolution: float, step: float, unit: str) -> Dial:
    """A knob that moves: its range is a whole number of resolutions, its step is cut to a whole number of them.

    Raises:
        ValueError: the resolution does not divide the range, or the step is under one resolution.
    """
    count = (upper - lower) / resolution
    whole = round(count)
    if abs(count - whole) > SLACK or whole < 1:
        raise ValueError(f"{name}: resolution {resolution:g} does not divide {lower:g} to {upper:g}")
    steps = int(step / resolution + SLACK)
    if steps < 1:
        raise ValueError(f"{name}: step {step:g} is under one resolution ({resolution:g})")
    low, high = (held(float(to_kpa(end, unit))) if unit else float(end) for end in (lower, upper))
    inside = (high - low) / whole
    return Dial(
        lower, upper, (upper - lower) / whole, step, Knob(name, low, high, inside, min(steps, whole) * inside), unit
    )
