"""Columns read as a role would have them: values in inside units, and whether the numbers are plausible."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np

from models.units import FloatArray, celsius_from_fahrenheit, kpa_in
from recommender.logs.left_out import FASTEST_RPM, turnable
from recommender.logs.options import ChannelHints, Role
from recommender.logs.table import Column, scaled
from recommender.logs.written_units import parse_unit

#: Quantities of unit that a role may carry; a column without a unit is always looked at.
QUANTITIES: Final[dict[Role, tuple[str, ...]]] = {
    "time": ("time", "clock"),
    "rpm": ("speed", "none"),
    "boost": ("pressure",),
    "barometer": ("pressure",),
    "throttle": ("share", "angle", "volt", "none"),
    "duty": ("share", "none"),
    "lambda_": ("ratio", "air fuel", "none"),
    "exhaust_c": ("temperature",),
    "knock": ("count", "angle", "none", "volt", "share"),
    "intake_c": ("temperature",),
    "coolant_c": ("temperature",),
}
#: Petrol's stoichiometric air-fuel ratio, for logs that write lambda as one where the job file names no other. [-]
STOICHIOMETRIC: Final = 14.7


class Read(NamedTuple):
    """A column read for a role.

    Attributes:
        values: In the inside unit; boost in the log's own. Shape (n,)
        unit: Unit it was read in.
        plausible: Whether the numbers can be what the role says.
        seen: The numbers in words.
    """

    values: FloatArray
    unit: str
    plausible: bool
    seen: str


def _range(values: FloatArray) -> tuple[float, float, float]:
    known = values[np.isfinite(values)]
    low, middle, high = (float(q) for q in np.quantile(known, [0.005, 0.5, 0.995]))
    return low, middle, high


def _unit_name(column: Column, quantity: str) -> str | None:
    """Name of the column's unit, where it is one of a quantity."""
    unit = parse_unit(column.unit) if column.unit else None
    return unit.name if unit and unit.quantity == quantity else None


def _rpm(column: Column) -> Read:
    unit = parse_unit(column.unit) if column.unit else None
    values = turnable(scaled(column.values, unit.factor if unit and unit.quantity == "speed" else 1.0))
    low, _, high = _range(values)
    return Read(values, "rpm", low >= -1.0 and 800.0 <= high <= FASTEST_RPM, f"{low:.0f} to {high:.0f} rpm")


def _share(column: Column) -> Read:
    low, _, high = _range(column.values)
    percent = low >= -5.0 and high <= 112.0
    if column.quantity == "volt":
        return Read(column.values, "V", low >= -0.2 and high <= 5.5, f"{low:.2f} to {high:.2f} V")
    if column.quantity not in ("share", "angle") and 0.0 < high <= 1.05:
        return Read(column.values * 100.0, "share of 1", low >= -0.05, f"{low:.2f} to {high:.2f}, a share of 1,")
    return Read(column.values, "°" if column.quantity == "angle" else "%", percent, f"{low:.0f} to {high:.0f}")


def _lambda(column: Column, stoichiometric: float = STOICHIOMETRIC) -> Read:
    _, middle, _ = _range(column.values)
    if column.quantity == "air fuel" or 3.0 < middle < 30.0:
        seen = f"an air-fuel ratio about {middle:.1f}, divided by {stoichiometric:g},"
        plausible = 0.4 < middle / stoichiometric < 2.1
        return Read(column.values / stoichiometric, f"air-fuel ratio over {stoichiometric:g}", plausible, seen)
    return Read(column.values, "lambda", 0.4 < middle < 3.0, f"about {middle:.2f}")


def _temperature(highest_c: float) -> Callable[[Column], Read]:
    def read(column: Column) -> Read:
        low, _, high = _range(column.values)
        name = _unit_name(column, "temperature") or ("F" if high > highest_c else "C")
        celsius = column.values
        if name == "F":
            celsius = celsius_from_fahrenheit(column.values)
        elif name == "K":
            celsius = column.values - 273.15
        low, _, high = _range(celsius)
        plausible = low > -60.0 and high <= highest_c
        return Read(celsius, "K" if name == "K" else f"°{name}", plausible, f"{low:.0f} to {high:.0f} °C")

    return read


def _barometer(column: Column) -> Read:
    _, middle, _ = _range(column.values)
    name = _unit_name(column, "pressure")
    if name is None:
        fitting = (unit for unit in ("kPa", "psi", "bar", "mbar", "inHg") if 60.0 <= middle * kpa_in(unit) <= 108.0)
        name = next(fitting, "kPa")
    level = middle * kpa_in(name)
    return Read(scaled(column.values, kpa_in(name)), name, 50.0 <= level <= 110.0, f"about {level:.1f} kPa")


def _boost(column: Column) -> Read:
    low, _, high = _range(column.values)
    return Read(column.values, column.unit or "", high > low, f"{low:g} to {high:g}")


def _any(column: Column) -> Read:
    low, _, high = _range(column.values)
    return Read(column.values, column.unit or "", True, f"{low:g} to {high:g}")


READERS: Final[dict[Role, Callable[[Column], Read]]] = {
    "rpm": _rpm,
    "boost": _boost,
    "barometer": _barometer,
    "throttle": _share,
    "duty": _share,
    "lambda_": _lambda,
    "exhaust_c": _temperature(1350.0),
    "knock": _any,
    "intake_c": _temperature(160.0),
    "coolant_c": _temperature(160.0),
}


def read_as(role: Role, column: Column, hints: ChannelHints) -> Read:
    """A column read for a role, with what the job file says about it."""
    if role == "lambda_" and hints.stoichiometric is not None:
        return _lambda(column, hints.stoichiometric)
    return READERS[role](column)
