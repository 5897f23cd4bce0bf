"""Unit of the boost column: as it is written, as the job says, as in the last log, or by its numbers."""

from __future__ import annotations

import re
from typing import Final, Literal

import numpy as np

from models.units import PASCAL_IN, FloatArray, kpa_in
from recommender.logs.before import unit_as_before
from recommender.logs.errors import LogError
from recommender.logs.layout import BLANKS
from recommender.logs.options import ReadOptions, Remembered
from recommender.logs.table import Column
from recommender.logs.written_units import Unit, parse_unit, split_name

#: Units looked at where a log states none.
UNITS: Final = ("psi", "kPa", "bar", "mbar")
#: A pull may reach this share of the job's limit. [-]
WITHIN_REACH: Final = 1.5
#: A closed throttle draws at least so far under ambient. [kPa gauge]
VACUUM_KPA: Final = -35.0
#: What a text in brackets holds where it is meant as a unit of pressure: its word, or a sign beside what makes it one.
_LIKE_A_UNIT: Final = re.compile(
    r"[²³]|hg|h2o|psi|bar(?!o)|pa\b|torr|\blb|pound|kgf?\b|\bkn\b|\b(mm|cm|wc)\b"
    r"|\d\s?(#|x\b|in\b|at\b)|#\s?/|/\s?((m|cm|mm|in|sq)\b|[cm]?m[2^]|in[2^])|(?<!\w)x\s?\d"
    r"|^(#|in\.?|at[maü]?)$|\bat[maü]\b|\bin(ch(es)?)?\.?\s(of\s)?(water|mercury)\b"
)
#: The same at the end of a name, without brackets.
_AT_THE_END: Final = re.compile(
    r"[^\s_]*(hg|h2o)$|[^\s_]*/\s?([cm]?m|in)[2²]$|kgf?_?(per_)?cm2$|(?<![a-z])(psi|[kmh]?pa|m?bar)\s?[*x×/]\s?\d+$"
)
#: Range of a sensor, as in "3 bar MAP": it says nothing about the numbers.
_RANGE: Final = re.compile(r"\d+([.,]\d+)?[\s-]?(bar|psi|kpa)a?[\s-]+(map|sensor|sonde|geber|capteur)\b")

Kind = Literal["gauge", "absolute"]


def mark_of(unit: Unit | None) -> Kind | None:
    """Gauge or absolute where a unit says so."""
    return "gauge" if unit and unit.mark == "gauge" else "absolute" if unit and unit.mark == "absolute" else None


def pressure_of(column: Column) -> Unit | None:
    """Unit of a column where it is a known one of pressure."""
    unit = parse_unit(column.unit) if column.unit else None
    return unit if unit is not None and unit.quantity == "pressure" else None


def _fits(values: FloatArray, unit: str) -> bool:
    """Whether numbers without a unit make sense in one: as gauge or as absolute boost."""
    low, high = (float(q) * kpa_in(unit) for q in np.quantile(values, [0.02, 0.999]))
    gauge = 20.0 <= high <= 330.0 and low >= -101.0
    absolute = 105.0 <= high <= 430.0 and low >= 12.0
    return gauge or absolute


def _inches_too(values: FloatArray, most_kpa: float) -> bool:
    """Whether numbers without a unit may be inches of mercury: with some vacuum, and up to what is within reach."""
    low, high = (float(q) * kpa_in("inHg") for q in np.quantile(values, [0.02, 0.999]))
    return _fits(values, "inHg") and low < VACUUM_KPA and high <= most_kpa < np.inf


def _unknown(column: Column) -> str:
    """A unit that is written and not known, empty where there is none."""
    if column.unit:
        return "" if parse_unit(column.unit) or column.unit.casefold() in BLANKS else column.unit
    found = re.findall(r"[\[({]\s*([^\[\](){}]+)", column.name)
    told = next((text.strip() for text in found if _LIKE_A_UNIT.search(_RANGE.sub("", text.strip().casefold()))), "")
    end = _AT_THE_END.search(column.name.casefold())
    return told or (column.name[end.start() :] if end else "")


def _written(column: Column, unit: Unit, file_name: str) -> tuple[str, Kind | None, str, list[str]]:
    """The unit that the log states.

    Raises:
        LogError: its heading and its row of units state two.
    """
    heading = split_name(re.sub(r" \(again \d+\)$", "", column.header))[1]
    other = parse_unit(heading) if heading else None
    if other is not None and other.quantity == "pressure" and kpa_in(other.name) != kpa_in(unit.name):
        raise LogError(
            f"{file_name}, column {column.header!r}: {other.name} by its heading, {unit.name} by the row of units. "
            f'State it in the job file: [channels] boost_unit = "{other.name}" (or "{unit.name}").'
        )
    return unit.name, mark_of(unit), f"in {unit.name} by its heading", []


def _told(column: Column, said: str, unit: Unit | None) -> tuple[str, Kind | None, str, list[str]]:
    """The unit that the job file states; gauge or absolute is still the log's to say.

    Raises:
        LogError: it is none that is known.
    """
    if said not in PASCAL_IN:
        raise LogError(
            f"[channels] boost_unit: {said!r} is no pressure unit that is known. "
            f"Expected one of {', '.join(PASCAL_IN)}."
        )
    other = unit is not None and kpa_in(unit.name) != kpa_in(said)
    doubt = f"{column.label}: read in {said} as the job file says, although its heading says {column.unit}"
    return said, mark_of(unit), f"in {said} as the job file says", [doubt] if other else []


def unit_of(
    column: Column, options: ReadOptions, before: Remembered | None, file_name: str
) -> tuple[str, Kind | None, str, list[str]]:
    """Unit of the boost column, gauge or absolute where the unit says so, the reason, and warnings.

    Args:
        column: The boost column.
        options: Hints and the job's unit.
        before: The last log in which this very column stood for boost, None where there is none.
        file_name: For messages.
    Raises:
        LogError: the unit cannot be told, or what is written contradicts itself.
    """
    unit = pressure_of(column)
    if options.hints.boost_unit is not None:
        return _told(column, options.hints.boost_unit, unit)
    if unit is not None:
        return _written(column, unit, file_name)
    if before is not None and before.channels.boost_unit is not None:
        was = before.channels.boost_unit
        able = [name for name in dict.fromkeys([was, *UNITS]) if _fits(column.known, name)]
        return was, None, unit_as_before(column, was, able, before, file_name), []
    unknown = _unknown(column)
    if unknown:
        raise LogError(
            f"{file_name}, column {column.label!r}: the unit {unknown!r} is none that is known, and its numbers reach "
            f'{column.known.max():g}. State in the job file what they are in: [channels] boost_unit = "kPa" '
            f"(one of {', '.join(PASCAL_IN)})."
        )
    return _by_numbers(column, options, file_name)


def _by_numbers(column: Column, options: ReadOptions, file_name: str) -> tuple[str, Kind | None, str, list[str]]:
    """The unit that numbers without one fit: the job's own, else the only one.

    Where a larger unit than the job's own fits too and gives what a pull of this job may reach, neither is taken: of
    22 psi in a job in kPa, 22 kPa would be made and more boost asked for.

    Raises:
        LogError: several fit, or none.
    """
    own = options.default_pressure_unit
    fitting = [name for name in UNITS if _fits(column.known, name)]
    top = float(column.known.max())
    may_be = [name for name in fitting if top * kpa_in(name) <= WITHIN_REACH * options.limit_kpa < np.inf]
    if own in fitting and not any(kpa_in(name) > kpa_in(str(own)) for name in may_be):
        doubt = f"{column.label}: no unit in the log; read in {own}, the job's own unit"
        return str(own), None, f"no unit given; the numbers fit {own}, the job's own unit", [doubt]
    if len(fitting) == 1 and _inches_too(column.known, WITHIN_REACH * options.limit_kpa):
        fitting.append("inHg")
    if len(fitting) == 1:
        doubt = f"{column.label}: no unit in the log; read in {fitting[0]} because only that fits the numbers"
        return fitting[0], None, f"no unit given; the numbers fit {fitting[0]} alone", [doubt]
    could = f"could be {' or '.join(fitting)}" if fitting else "fit no unit of boost"
    raise LogError(
        f"{file_name}, column {column.label!r}: no unit, and its numbers (up to {top:g}) {could}. "
        'State it in the job file: [channels] boost_unit = "kPa" (or psi, bar).'
    )
