"""The boost column to kPa gauge: its unit, gauge or absolute, and the ambient it is held against."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from models.units import PASCAL_IN, STANDARD_ATMOSPHERE_KPA, FloatArray, kpa_in
from recommender.logs.before import confirm_kind, unit_as_before, unlike_before
from recommender.logs.errors import LogError
from recommender.logs.options import ReadOptions, Remembered
from recommender.logs.table import Column, scaled
from recommender.logs.words import rank_of
from recommender.logs.written_units import fold, parse_unit

#: Range of ambient pressure on roads. [kPa absolute]
AMBIENT_KPA: Final = (55.0, 108.0)
#: Highest boost that a pull plausibly reaches, least and most. [kPa gauge]
TOP_KPA: Final = (10.0, 420.0)

#: Units looked at where a log states none.
UNITS: Final = ("psi", "kPa", "bar", "mbar")

#: An absolute reading at or under this is a sensor that gives nothing. [kPa absolute]
NOTHING_KPA: Final = 3.0

#: Words that say gauge or absolute, in a folded name.
_ABSOLUTE: Final = re.compile(r"\b(abs|ass|(saugrohr)?absol(ut[eao]?|ue?|uut|utdruck)|assolut[ao]|bezwzg\w*)\b")
_GAUGE: Final = re.compile(r"\b(ga(u)?ge|rel|relati(ve|v|f|va|vo|vt|ef)|ue?berdruck|overdruk|overtryck)\b")

Kind = Literal["gauge", "absolute"]


@dataclass(frozen=True)
class BoostReading:
    """What the boost column was taken for.

    Attributes:
        boost_kpa: Shape (n,), [kPa gauge]
        unit: Key of ``PASCAL_IN``.
        kind: What the column itself holds.
        barometer_kpa: Ambient used. [kPa absolute]
        barometer_from: Where that came from, in words.
        reason: Why, in words.
        warnings: What the user should confirm.
        key_on_gap_kpa: Reading at key-on minus what it should be (0 gauge, the barometer absolute); None if unknown.
    """

    boost_kpa: FloatArray
    unit: str
    kind: Kind
    barometer_kpa: float
    barometer_from: str
    reason: str
    warnings: tuple[str, ...]
    key_on_gap_kpa: float | None


def _fits(values: FloatArray, unit: str) -> bool:
    """Whether numbers without a unit make sense in one: as gauge or as absolute boost."""
    low, high = (float(q) * kpa_in(unit) for q in np.quantile(values, [0.02, 0.999]))
    gauge = 20.0 <= high <= 330.0 and low >= -101.0
    absolute = 105.0 <= high <= 430.0 and low >= 12.0
    return gauge or absolute


def _unit_of(column: Column, options: ReadOptions, file_name: str) -> tuple[str, Kind | None, str, list[str]]:
    """Unit, gauge or absolute where the unit says so, the reason, and warnings."""
    unit = parse_unit(column.unit) if column.unit else None
    if options.hints.boost_unit is not None:
        if options.hints.boost_unit not in PASCAL_IN:
            raise LogError(
                f"[channels] boost_unit: {options.hints.boost_unit!r} is no pressure unit that is known. "
                f"Expected one of {', '.join(PASCAL_IN)}."
            )
        said = options.hints.boost_unit
        other = unit is not None and unit.quantity == "pressure" and kpa_in(unit.name) != kpa_in(said)
        doubt = f"{column.label}: read in {said} as the job file says, although its heading says {column.unit}"
        return said, None, f"in {said} as the job file says", [doubt] if other else []
    if unit is not None and unit.quantity == "pressure":
        mark: Kind | None = "gauge" if unit.mark == "gauge" else "absolute" if unit.mark == "absolute" else None
        return unit.name, mark, f"in {unit.name} by its heading", []
    before = options.remembered
    if before is not None and before.channels.boost_unit is not None:
        was = before.channels.boost_unit
        able = [name for name in dict.fromkeys([was, *UNITS]) if _fits(column.known, name)]
        return was, None, unit_as_before(column, was, able, before, file_name), []
    fitting = [name for name in UNITS if _fits(column.known, name)]
    own = options.default_pressure_unit
    if own in fitting:
        doubt = f"{column.label}: no unit in the log; read in {own}, the job's own unit"
        return own, None, f"no unit given; the numbers fit {own}, the job's own unit", [doubt]
    if len(fitting) == 1:
        doubt = f"{column.label}: no unit in the log; read in {fitting[0]} because only that fits the numbers"
        return fitting[0], None, f"no unit given; the numbers fit {fitting[0]} alone", [doubt]
    top = float(column.known.max())
    could = f"could be {' or '.join(fitting)}" if fitting else "fit no unit of boost"
    raise LogError(
        f"{file_name}, column {column.label!r}: no unit, and its numbers (up to {top:g}) {could}. "
        'State it in the job file: [channels] boost_unit = "kPa" (or psi, bar).'
    )


def _marks(column: Column) -> Kind | None:
    """Gauge or absolute where the name says so."""
    name = fold(column.name)
    if _ABSOLUTE.search(name):
        return "absolute"
    return "gauge" if _GAUGE.search(name) else None


def _key_on(kpa: FloatArray, rpm: FloatArray) -> float | None:
    """Median reading with the engine at rest; None where there is none. [kPa]"""
    rest = np.isfinite(kpa) & (np.abs(rpm) < 1.0)
    return float(np.median(kpa[rest])) if np.count_nonzero(rest) >= 3 else None


def _kind_by_numbers(kpa: FloatArray, rpm: FloatArray, barometer: float | None) -> tuple[Kind | None, str]:
    """Gauge or absolute by what the numbers alone can prove; None where they cannot."""
    known = kpa[np.isfinite(kpa)]
    rest = _key_on(kpa, rpm)
    if rest is not None:
        if abs(rest) < 15.0:
            return "gauge", f"reads {rest:.1f} kPa at key-on"
        if AMBIENT_KPA[0] <= rest <= AMBIENT_KPA[1]:
            return "absolute", f"reads {rest:.1f} kPa at key-on"
    low = float(np.quantile(known, 0.01))
    if low < -5.0:
        return "gauge", f"goes down to {low:.0f} kPa, under zero"
    if low < 12.0:
        return "gauge", f"goes down to {low:.0f} kPa, less than an engine can draw absolute"
    idle = np.isfinite(kpa) & (rpm > 400.0) & (rpm < 1200.0)
    if np.count_nonzero(idle) >= 20:
        level = float(np.median(kpa[idle]))
        if 20.0 < level <= AMBIENT_KPA[1]:
            return "absolute", f"reads {level:.0f} kPa at idle"
    if barometer is not None and abs(float(np.quantile(known, 0.02)) - barometer) < 8.0:
        return "absolute", f"begins at {low:.0f} kPa, near the barometer's {barometer:.1f}"
    return None, f"between {low:.0f} and {known.max():.0f} kPa"


def _kind_of(
    column: Column,
    kpa: FloatArray,
    rpm: FloatArray,
    barometer: float | None,
    before: Remembered | None,
    file_name: str,
) -> tuple[Kind, str, list[str]]:
    """Gauge or absolute, by name and numbers together; by the last log of the same layout where they leave it open."""
    numbers, why = _kind_by_numbers(kpa, rpm, barometer)
    manifold = rank_of("boost", column.name) == 2 and _marks(column) is None
    named: Kind | None = _marks(column) or ("absolute" if manifold else None)
    top = float(np.nanmax(kpa))
    if named is not None and numbers is not None and named != numbers:
        raise LogError(
            f"{file_name}, column {column.label!r}: {named} by its name, {numbers} by its numbers ({why}). "
            f'State it in the job file: [channels] boost_is = "{numbers}" (or "{named}").'
        )
    if named == "absolute" and top < 60.0:
        raise LogError(
            f"{file_name}, column {column.label!r}: absolute by its name, but its highest is {top:.0f} kPa. "
            'State it in the job file: [channels] boost_is = "gauge", or boost_unit if the unit is another.'
        )
    if named is not None:
        return named, f"{named} by its name and its numbers ({why})", []
    was = None if before is None else before.channels.boost_is
    if numbers is not None:
        if before is not None and was not in (None, numbers):
            raise LogError(
                f"{file_name}, column {column.label!r}: {numbers} by its numbers ({why}), {was} in {before.source}. "
                f'State it in the job file: [channels] boost_is = "{numbers}" (or "{was}").'
            )
        return numbers, f"{numbers}: {why}", []
    low = float(np.nanquantile(kpa, 0.02))
    from_ambient = AMBIENT_KPA[0] + 20.0 <= low <= AMBIENT_KPA[1] + 6.0 and top > low + 25.0
    if from_ambient and was != "absolute":
        there = "" if before is None or was is None else f" In {before.source} it was {was}."
        raise LogError(
            f"{file_name}, column {column.label!r}: {why} may be gauge, or absolute from ambient up.{there} "
            'State it in the job file: [channels] boost_is = "gauge" (or "absolute").'
        )
    if before is not None and was is not None:
        ambient = STANDARD_ATMOSPHERE_KPA if barometer is None else barometer
        confirm_kind(column, {"gauge": top, "absolute": top - ambient}, before, file_name)
        return was, f"{was} as in {before.source} ({why})", []
    doubt = (
        f"{column.label}: taken as gauge by its name, its numbers ({why}) fit both; if it is absolute, "
        'state it in the job file: [channels] boost_is = "absolute"'
    )
    return "gauge", f"gauge by its name ({why})", [doubt] if low > 40.0 else []


def _ambient(
    kpa: FloatArray, rpm: FloatArray, kind: Kind, barometer: float | None, options: ReadOptions
) -> tuple[float, str, list[str]]:
    """Ambient pressure and where it comes from. [kPa absolute]"""
    if barometer is not None:
        return barometer, "barometer channel", []
    rest = _key_on(kpa, rpm)
    if kind == "absolute" and rest is not None and AMBIENT_KPA[0] <= rest <= AMBIENT_KPA[1]:
        return rest, "boost channel at key-on", []
    if options.barometer_kpa is not None:
        return options.barometer_kpa, "the job file", []
    if kind == "gauge":
        return STANDARD_ATMOSPHERE_KPA, "standard atmosphere (not logged)", []
    known = kpa[np.isfinite(kpa)]
    start = known[: max(min(known.size // 20, 50), 5)]
    level = float(np.median(start))
    if 80.0 <= level <= AMBIENT_KPA[1] and float(np.ptp(start)) < 3.0:
        note = f"no barometer in the log: ambient taken as {level:.1f} kPa, the boost channel at its start"
        return level, "boost channel at the start", [note]
    note = (
        "no barometer and no key-on reading in the log: ambient taken as the standard "
        f"{STANDARD_ATMOSPHERE_KPA:.1f} kPa, which is too high by about 12 kPa for each "
        "1000 m of altitude. Log the barometer or state it in the job file"
    )
    return STANDARD_ATMOSPHERE_KPA, "standard atmosphere", [note]


def read_boost(
    column: Column, rpm: FloatArray, barometer_kpa: float | None, options: ReadOptions, file_name: str
) -> BoostReading:
    """The boost column to kPa gauge.

    Args:
        column: The boost column.
        rpm: Engine speed of the same rows. Shape (n,), [rpm]
        barometer_kpa: From a barometer channel, None where there is none. [kPa absolute]
        options: Hints and the job's unit.
        file_name: For messages.
    Raises:
        LogError: unit or kind cannot be told, or contradict the numbers.
    """
    unit, mark, unit_reason, warnings = _unit_of(column, options, file_name)
    kpa = scaled(column.values, kpa_in(unit))
    said = options.hints.boost_is or mark
    if said is not None:
        kind: Kind = said
        kind_reason = f"{said} as {'the job file' if options.hints.boost_is else 'its unit'} says"
        more: list[str] = []
    else:
        kind, kind_reason, more = _kind_of(column, kpa, rpm, barometer_kpa, options.remembered, file_name)
    more += unlike_before(column, unit, kind, options.remembered)
    ambient, ambient_from, doubts = _ambient(kpa, rpm, kind, barometer_kpa, options)
    if kind == "absolute" and np.any(kpa <= NOTHING_KPA):
        first = int(np.flatnonzero(kpa <= NOTHING_KPA)[0])
        count = int(np.count_nonzero(kpa <= NOTHING_KPA))
        doubts.append(
            f"{column.label}: {count} readings of {column.values[first]:g}, which no engine can draw, were left out"
        )
        kpa = np.where(kpa <= NOTHING_KPA, np.nan, kpa)
    gauge = kpa - ambient if kind == "absolute" else kpa
    top = float(np.nanmax(gauge))
    if not TOP_KPA[0] * 0.2 <= top <= TOP_KPA[1]:
        raise LogError(
            f"{file_name}, column {column.label!r}: highest boost would be {top:.0f} kPa gauge ({unit}, {kind}), "
            f"expected up to {TOP_KPA[1]:.0f}. State boost_unit and boost_is in the job file under [channels]."
        )
    rest = _key_on(kpa, rpm)
    gap = None
    if rest is not None and kind == "gauge":
        gap = rest
    elif rest is not None and barometer_kpa is not None:
        gap = rest - barometer_kpa
    return BoostReading(
        gauge, unit, kind, ambient, ambient_from, f"{unit_reason}; {kind_reason}", (*warnings, *more, *doubts), gap
    )
