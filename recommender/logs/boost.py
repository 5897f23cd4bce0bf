"""The boost column to kPa gauge: its unit, gauge or absolute, and the ambient it is held against."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from models.units import STANDARD_ATMOSPHERE_KPA, FloatArray, kpa_in
from recommender.logs.ambient import AMBIENT_KPA, ambient_of, full_load, in_the_rise, key_on
from recommender.logs.before import confirm_kind, unlike_before
from recommender.logs.boost_unit import Kind, mark_of, pressure_of, unit_of
from recommender.logs.errors import LogError
from recommender.logs.left_out import bearable
from recommender.logs.options import ReadOptions, Remembered
from recommender.logs.part_load import confirm_gauge, drawn_to, proves_absolute
from recommender.logs.table import Column, scaled
from recommender.logs.words import rank_of
from recommender.logs.written_units import fold

#: Highest boost that a pull plausibly reaches, least and most. [kPa gauge]
TOP_KPA: Final = (10.0, 420.0)

#: An absolute reading at or under this is a sensor that gives nothing. [kPa absolute]
NOTHING_KPA: Final = 3.0

#: An open throttle draws less than this: full load that begins further under a known ambient is a gauge's. [kPa]
FAR_UNDER_KPA: Final = 25.0

#: Words that say gauge or absolute, in a folded name.
_ABSOLUTE: Final = re.compile(r"\b(abs|ass|(saugrohr)?absol(ut[eao]?|ue?|uut|utdruck)|assolut[ao]|bezwzg\w*)\b")
_GAUGE: Final = re.compile(r"\b(ga(u)?ge|rel|relati(ve|v|f|va|vo|vt|ef)|ue?berdruck|overdruk|overtryck)\b")


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
        beyond: Readings far beyond any turbo that were left out, by row, as the log has them.
    """

    boost_kpa: FloatArray
    unit: str
    kind: Kind
    barometer_kpa: float
    barometer_from: str
    reason: str
    warnings: tuple[str, ...]
    key_on_gap_kpa: float | None
    beyond: Mapping[int, str] = field(default_factory=dict)


def kind_said(column: Column) -> Kind | None:
    """Gauge or absolute where the unit or the name says so."""
    mark = mark_of(pressure_of(column))
    if mark is not None:
        return mark
    name = fold(column.name)
    if _ABSOLUTE.search(name):
        return "absolute"
    return "gauge" if _GAUGE.search(name) else None


def _kind_by_numbers(kpa: FloatArray, rpm: FloatArray, barometer: float | None) -> tuple[Kind | None, str]:
    """Gauge or absolute by what the numbers alone can prove; None where they cannot."""
    known = kpa[np.isfinite(kpa)]
    rest, low = key_on(kpa, rpm), float(np.quantile(known, 0.01))
    if rest is not None and abs(rest) < 15.0:
        return "gauge", f"reads {rest:.1f} kPa at key-on"
    if low < -5.0:  # also where engine speed was lost under boost: that is no key-on
        return "gauge", f"goes down to {low:.0f} kPa, under zero"
    if rest is not None and AMBIENT_KPA[0] <= rest <= AMBIENT_KPA[1]:
        return "absolute", f"reads {rest:.1f} kPa at key-on"
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


def _kind_by_load(
    kpa: FloatArray, rpm: FloatArray, throttle_pct: FloatArray | None, full: npt.NDArray[np.bool_], barometer: float
) -> tuple[Kind, str] | None:
    """Absolute where closed throttle, part load and full load prove it together; None where they do not."""
    drawn = drawn_to(kpa, rpm, throttle_pct, full, barometer)
    if drawn is None or not proves_absolute(kpa, throttle_pct, rpm):
        return None
    return "absolute", f"drawn to {drawn:.0f} kPa at part load, full load from the barometer up"


def _as_marked(column: Column, kpa: FloatArray, rpm: FloatArray, mark: Kind, file_name: str) -> str:
    """Why the column is gauge or absolute, as its unit says.

    Raises:
        LogError: its numbers prove the other.
    """
    numbers, why = _kind_by_numbers(np.where(np.abs(kpa) > NOTHING_KPA, kpa, np.nan), rpm, None)
    if numbers not in (None, mark):
        raise LogError(
            f"{file_name}, column {column.label!r}: {mark} by its unit, {numbers} by its numbers ({why}). "
            f'State it in the job file: [channels] boost_is = "{numbers}" (or "{mark}").'
        )
    return f"{mark} as its unit says"


def _confirm_absolute(
    column: Column, kpa: FloatArray, rpm: FloatArray, full: npt.NDArray[np.bool_], ambient: float | None, file_name: str
) -> None:
    """Ask where no number proves a column absolute, and full load would begin far under ambient.

    Raises:
        LogError: it would.
    """
    # Without a throttle, what lies before the rise in engine speed may be a cruise.
    loaded = kpa[(full & in_the_rise(rpm) if full.all() else full) & np.isfinite(kpa)]
    if loaded.size < 10:
        return
    # Where the throttle is opened within the log, vacuum lasts on for a moment.
    begins = float(np.quantile(loaded, 0.02 if full.all() else 0.1))
    least = AMBIENT_KPA[0] if ambient is None else ambient - FAR_UNDER_KPA
    if begins < least:
        under = (STANDARD_ATMOSPHERE_KPA if ambient is None else ambient) - begins
        raise LogError(
            f"{file_name}, column {column.label!r}: absolute, which its numbers do not prove, would have full load "
            f"begin {under:.0f} kPa under ambient. "
            'State it in the job file: [channels] boost_is = "gauge" (or "absolute").'
        )


def _kind_of(
    column: Column,
    kpa: FloatArray,
    numbers: Kind | None,
    why: str,
    barometer: float | None,
    before: Remembered | None,
    file_name: str,
) -> tuple[Kind, str, list[str]]:
    """Gauge or absolute, by name and numbers together; by the last log of the same layout where they leave it open."""
    manifold = rank_of("boost", column.name) == 2 and kind_said(column) is None
    named: Kind | None = kind_said(column) or ("absolute" if manifold else None)
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


def _height(column: Column, gauge: FloatArray, unit: str, kind: Kind, file_name: str) -> None:
    """Refuse a column whose highest boost cannot be that of a pull.

    Raises:
        LogError: it never rises, or rises beyond any turbo.
    """
    top = float(np.nanmax(gauge))
    seen = f"{file_name}, column {column.label!r}: highest boost would be {top:.0f} kPa gauge ({unit}, {kind})"
    if top > TOP_KPA[1]:
        raise LogError(
            f"{seen}, expected up to {TOP_KPA[1]:.0f}. State boost_unit and boost_is in the job file under [channels]."
        )
    if top < TOP_KPA[0] * 0.2:
        raise LogError(
            f"{seen}: it never rises. Look at the sensor, its hose and its wire, or name the column that holds boost: "
            "[channels] boost; if the unit is another, state boost_unit."
        )


def _first(before: Remembered | None) -> bool:
    """Whether no last log settles gauge or absolute."""
    return before is None or before.channels.boost_is is None


def read_boost(
    column: Column,
    rpm: FloatArray,
    barometer_kpa: float | None,
    options: ReadOptions,
    file_name: str,
    throttle_pct: FloatArray | None = None,
) -> BoostReading:
    """The boost column to kPa gauge.

    Args:
        column: The boost column.
        rpm: Engine speed of the same rows. Shape (n,), [rpm]
        barometer_kpa: From a barometer channel, None where there is none. [kPa absolute]
        options: Hints and the job's unit.
        file_name: For messages.
        throttle_pct: Throttle or pedal of the same rows, None where there is none. Shape (n,), [%]
    Raises:
        LogError: unit or kind cannot be told, or contradict the numbers.
    """
    before = options.remembered
    if before is not None and before.channels.boost != column.header:
        before = None  # what is remembered is of another column
    unit, mark, unit_reason, warnings = unit_of(column, options, before, file_name)
    kpa = bearable(scaled(column.values, kpa_in(unit)))
    beyond = np.flatnonzero(np.isnan(kpa) & np.isfinite(column.values))
    full = full_load(rpm, throttle_pct, options)
    more: list[str] = []
    if options.hints.boost_is is not None:
        kind: Kind = options.hints.boost_is
        kind_reason = f"{kind} as the job file says"
    elif mark is not None:
        kind, kind_reason = mark, _as_marked(column, kpa, rpm, mark, file_name)
    else:
        numbers, why = _kind_by_numbers(kpa, rpm, barometer_kpa)
        if numbers is None and barometer_kpa is not None:
            numbers, why = _kind_by_load(kpa, rpm, throttle_pct, full, barometer_kpa) or (None, why)
        kind, kind_reason, more = _kind_of(column, kpa, numbers, why, barometer_kpa, before, file_name)
        known = options.barometer_kpa if barometer_kpa is None else barometer_kpa
        if kind == "absolute" and numbers is None:
            _confirm_absolute(column, kpa, rpm, full, known, file_name)
        if kind == "gauge" and numbers is None and kind_said(column) is None and _first(before):
            confirm_gauge(column.label, kpa, rpm, throttle_pct, full, known or STANDARD_ATMOSPHERE_KPA, file_name)
    more += unlike_before(column, unit, kind, before)
    ambient, ambient_from, doubts = ambient_of(kpa, rpm, full, kind, barometer_kpa, options)
    if kind == "absolute" and np.any(kpa <= NOTHING_KPA):
        first = int(np.flatnonzero(kpa <= NOTHING_KPA)[0])
        count = int(np.count_nonzero(kpa <= NOTHING_KPA))
        doubts.append(
            f"{column.label}: {count} readings of {column.values[first]:g}, which no engine can draw, were left out"
        )
        kpa = np.where(kpa <= NOTHING_KPA, np.nan, kpa)
    gauge = kpa - ambient if kind == "absolute" else kpa
    _height(column, gauge, unit, kind, file_name)
    rest = key_on(kpa, rpm)
    gap = None
    if rest is not None and kind == "gauge":
        gap = rest
    elif rest is not None and barometer_kpa is not None:
        gap = rest - barometer_kpa
    return BoostReading(
        gauge,
        unit,
        kind,
        ambient,
        ambient_from,
        f"{unit_reason}; {kind_reason}",
        (*warnings, *more, *doubts),
        gap,
        {row: f"{column.values[row]:g}" for row in beyond.tolist()},
    )
