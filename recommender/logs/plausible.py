"""Columns read as a role would have them: values in inside units, and whether the numbers are plausible."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

import numpy as np

from models.units import FloatArray, celsius_from_fahrenheit, kpa_in
from recommender.logs.left_out import FASTEST_RPM, turnable
from recommender.logs.options import ChannelHints, Role
from recommender.logs.table import Column, scaled
from recommender.logs.words import rank_of
from recommender.logs.written_units import fold, parse_unit

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
#: A pedal or throttle that never opens as far is not connected. [%]
LEAST_OPEN_PCT: Final = 5.0
#: Beside openings in percent, duty whose highest is under this is a solenoid at rest in percent, no share of 1. [-]
LEAST_SHARE: Final = 0.05
#: Duty as commanded changes less than this from row to row, against its highest; a solenoid at rest trembles. [-]
TREMBLING: Final = 0.1
#: Engine speed gets as high at the least in a log with a pull. [rpm]
LEAST_TOP_RPM: Final = 800.0
#: A factor that the name of engine speed ends in: ``x1000``, ``/10``.
_FACTOR: Final = re.compile(r"[x×*/]\s?(10{1,3})(?!\d)", re.IGNORECASE)
#: Names of fuel over air, in a folded name that does not say lambda too.
_INVERSE: Final = re.compile(r"^(?!.*(lambda|λ|afr)).*\brichesse\b")


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
    factor = unit.factor if unit and unit.quantity == "speed" else _named_factor(column)
    values = turnable(scaled(column.values, factor))
    low, _, high = _range(values)
    return Read(values, "rpm", low >= -1.0 and LEAST_TOP_RPM <= high <= FASTEST_RPM, f"{low:.0f} to {high:.0f} rpm")


def _named_factor(column: Column) -> float:
    """Factor to rpm that a heading such as ``RPM x1000`` or ``rpm/10`` names, where only that makes the numbers rpm."""
    named = _FACTOR.search(column.name)
    if named is None:
        return 1.0
    _, _, high = _range(column.values)
    factor = float(named[1])
    return next((each for each in (1.0, factor, 1.0 / factor) if LEAST_TOP_RPM <= high * each <= FASTEST_RPM), 1.0)


def _share(column: Column, in_percent: bool = False) -> Read:
    low, _, high = _range(column.values)
    percent = low >= -5.0 and high <= 112.0
    if column.quantity == "volt":
        return Read(column.values, "V", low >= -0.2 and high <= 5.5, f"{low:.2f} to {high:.2f} V")
    if column.quantity not in ("share", "angle") and 0.0 < high <= 1.05 and not in_percent:
        return Read(column.values * 100.0, "share of 1", low >= -0.05, f"{low:.2f} to {high:.2f}, a share of 1,")
    return Read(column.values, "°" if column.quantity == "angle" else "%", percent, f"{low:.0f} to {high:.0f}")


def _throttle(column: Column, in_percent: bool = False) -> Read:
    read = _share(column, in_percent)
    _, _, high = _range(read.values)
    whole = 0.9 <= high <= 1.05 and not in_percent  # a share of 1 under a heading of percent
    dead = read.unit in ("%", "°") and high < LEAST_OPEN_PCT and not whole
    return read._replace(plausible=False, seen=f"{read.seen}: it never opens, which") if dead else read


def _duty(column: Column, in_percent: bool = False) -> Read:
    return _share(column, in_percent and _at_rest(column))


def _at_rest(column: Column) -> bool:
    """Whether numbers up to 1 are those of a solenoid at rest in percent: next to nothing, or trembling."""
    known = column.known
    _, _, high = _range(known)
    step = float(np.mean(np.abs(np.diff(known)))) if known.size > 1 else 0.0
    return high < LEAST_SHARE or step > TREMBLING * high


def _inverse_lambda(column: Column) -> Read:
    """Fuel over air against the same at lambda 1, as French loggers write mixture: 1 over lambda."""
    _, middle, _ = _range(column.values)
    values = np.divide(1.0, column.values, out=np.full(column.values.shape, np.nan), where=column.values > 0.05)
    return Read(values, "1 over lambda", 0.33 < middle < 2.5, f"about {middle:.2f}, 1 over lambda,")


def _lambda(column: Column, stoichiometric: float = STOICHIOMETRIC) -> Read:
    _, middle, _ = _range(column.values)
    if column.quantity in (None, "none") and middle <= 3.0 and _INVERSE.search(fold(column.name)):
        return _inverse_lambda(column)
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
        return _barometer_without_unit(column, middle)
    level = middle * kpa_in(name)
    return Read(scaled(column.values, kpa_in(name)), name, 50.0 <= level <= 110.0, f"about {level:.1f} kPa")


def _barometer_without_unit(column: Column, middle: float) -> Read:
    """A name like ``Ambient`` may be of a temperature: 21 °C would be a barometer in inHg, 14 °C one in psi."""
    named = rank_of("barometer", column.name) >= 2
    units, least = (("kPa", "psi", "bar", "mbar", "inHg"), 70.0) if named else (("kPa", "mbar"), 85.0)
    name = next((unit for unit in units if least <= middle * kpa_in(unit) <= 108.0), None)
    if name is None:
        return Read(column.values, "kPa", False, f"about {middle:.4g} without a unit")
    level = middle * kpa_in(name)
    return Read(scaled(column.values, kpa_in(name)), name, True, f"about {level:.1f} kPa")


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
    "throttle": _throttle,
    "duty": _duty,
    "lambda_": _lambda,
    "exhaust_c": _temperature(1350.0),
    "knock": _any,
    "intake_c": _temperature(160.0),
    "coolant_c": _temperature(160.0),
}


def in_percent(columns: Sequence[Column]) -> bool:
    """Whether a log writes a throttle or pedal in percent: then no opening of it is a share of 1, however small."""
    openings = (each for each in columns if each.quantity in (None, "share") and rank_of("throttle", each.name))
    return any(column.known.size and 1.05 < _range(column.values)[2] <= 112.0 for column in openings)


def read_as(role: Role, column: Column, hints: ChannelHints, percent: bool = False) -> Read:
    """A column read for a role, with what the job file says about it.

    Args:
        role: See ``ROLES``.
        column: The column.
        hints: The job file's.
        percent: Whether the log writes openings in percent, see ``in_percent``.
    """
    if role in ("throttle", "duty"):
        return (_throttle if role == "throttle" else _duty)(column, percent)
    if role == "lambda_" and hints.stoichiometric is not None:
        return _lambda(column, hints.stoichiometric)
    return READERS[role](column)
