"""Absolute and gauge boost in one log: what they tell of ambient pressure together, and of the gauge's zero."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from models.units import STANDARD_ATMOSPHERE_KPA, FloatArray, kpa_in
from recommender.logs.ambient import AMBIENT_KPA
from recommender.logs.boost import BoostReading, kind_said
from recommender.logs.boost_unit import Kind, pressure_of
from recommender.logs.channels import Channels
from recommender.logs.errors import LogError
from recommender.logs.left_out import bearable, measured
from recommender.logs.options import ReadOptions
from recommender.logs.table import Column, RawLog
from recommender.logs.words import rank_of

#: Where an ambient comes from that both tell together, in words.
BETWEEN: Final = "absolute boost less gauge boost"
#: Two columns are one pressure on two zeros where nine of ten rows are this near to their usual distance. [kPa]
ALIKE_KPA: Final = 1.5
#: A gauge may stand this far under absolute boost less the barometer. [kPa]
ZERO_KPA: Final = 3.0
#: A logger that makes its gauge boost with the standard atmosphere knows no ambient pressure. [kPa]
ASSUMED_KPA: Final = 0.3
#: Another column of boost that goes higher than the one taken by this share of it, and by so much, is asked about
#: where it does so in so many rows, and said where in fewer. [-], [kPa]
HIGHER_SHARE: Final = 0.05
HIGHER_KPA: Final = 6.0
HIGHER_ROWS: Final = 3
#: Fewest rows that tell.
FEWEST: Final = 10


def ambient_between(raw: RawLog, channels: Channels) -> float | None:
    """Ambient pressure where the boost column is absolute and another one the same as gauge. [kPa absolute]"""
    column = channels.columns["boost"]
    if _kind(column) != "absolute" or pressure_of(column) is None:
        return None
    for other in _others(raw, channels, "gauge"):
        ambient = _distance(_kpa(column), _kpa(other))
        assumed = ambient is not None and abs(ambient - STANDARD_ATMOSPHERE_KPA) < ASSUMED_KPA
        if ambient is not None and AMBIENT_KPA[0] <= ambient <= AMBIENT_KPA[1] and not assumed:
            return ambient
    return None


def zero_said(raw: RawLog, channels: Channels, reading: BoostReading, options: ReadOptions) -> list[str]:
    """That a gauge stands under absolute boost less the barometer in the same log, in words; nothing where it does not.

    A gauge ahead of the throttle stands over it, which is no fault; and one that the job file names was decided on.
    """
    barometer = channels.columns.get("barometer")
    if reading.kind != "gauge" or barometer is None or options.hints.boost is not None:
        return []
    column = channels.columns["boost"]
    for other in _others(raw, channels, "absolute"):
        above = _distance(_kpa(other) - reading.barometer_kpa, reading.boost_kpa)
        if above is not None and above > ZERO_KPA:
            return [
                f"{column.label} stands {above:.1f} kPa under {other.label} less {barometer.label}: its zero is not "
                "the ambient pressure of this log, and boost over that is higher than it says. Name the one that is "
                f'right in the job file: [channels] boost = "{other.header}" (or "{column.header}")'
            ]
    return []


def higher_said(raw: RawLog, channels: Channels, reading: BoostReading, options: ReadOptions) -> list[str]:
    """That another column of boost goes higher for a moment than the one taken, in words; nothing where none does.

    Where the two stand on two zeros, that is told by ``zero_said``; a column that the job file names was decided on.

    Raises:
        LogError: it goes higher for longer, as beside a gauge that is at its top.
    """
    if options.hints.boost is not None:
        return []
    column, top = channels.columns["boost"], float(np.nanmax(reading.boost_kpa))
    for kind in ("absolute", "gauge"):
        for other in _others(raw, channels, kind):
            gauge = bearable(_kpa(other)) - (reading.barometer_kpa if kind == "absolute" else 0.0)
            gauge = gauge - (_distance(gauge, reading.boost_kpa) or 0.0)
            rows = np.flatnonzero(gauge > top + max(HIGHER_SHARE * top, HIGHER_KPA))
            if rank_of("boost", other.name) < 2 or not rows.size:
                continue
            row = int(rows[np.argmax(gauge[rows])])
            seen = (
                f"{other.label} reaches {gauge[row]:.0f} kPa gauge at {channels.time_s[row]:.2f} s, and "
                f"{column.label}, taken for boost, {top:.0f} in all of the log"
            )
            which = f'[channels] boost = "{other.header}" (or "{column.header}")'
            if rows.size < HIGHER_ROWS:
                return [f"{seen}. Look at both, and name the one that is right in the job file: {which}"]
            raise LogError(
                f"{raw.file_name}: {seen}: a gauge at its top, or one that is slow. State in the job file which is "
                f"right: {which}."
            )
    return []


def _others(raw: RawLog, channels: Channels, kind: Kind) -> Iterator[Column]:
    """Further columns of boost, with a unit, that are called absolute or gauge."""
    taken = {(column.header, column.name) for column in channels.columns.values()}
    for column in raw.columns:
        fits = rank_of("boost", column.name) > 0 and pressure_of(column) is not None and column.kind == "number"
        if fits and (column.header, column.name) not in taken and _kind(column) == kind:
            yield measured(column)


def _kind(column: Column) -> Kind | None:
    """Gauge or absolute by name or unit; a manifold's pressure is absolute unless it says otherwise."""
    return kind_said(column) or ("absolute" if rank_of("boost", column.name) == 2 else None)


def _kpa(column: Column) -> FloatArray:
    unit = pressure_of(column)
    return column.values * (1.0 if unit is None else kpa_in(unit.name))


def _distance(one: FloatArray, two: FloatArray) -> float | None:
    """How far one stands over two where that is the same nearly throughout; else None. Shapes (n,), [kPa]"""
    apart = one - two
    apart = apart[np.isfinite(apart)]
    if apart.size < FEWEST:
        return None
    usual = float(np.median(apart))
    return usual if float(np.quantile(np.abs(apart - usual), 0.9)) <= ALIKE_KPA else None
