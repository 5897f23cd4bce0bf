"""Which column is which: by name, unit and plausibility of the numbers together, never by one alone."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from models.units import FloatArray, kpa_in
from recommender.logs.errors import LogError
from recommender.logs.options import ROLES, ReadOptions, Role
from recommender.logs.table import Column, RawLog
from recommender.logs.timing import time_of
from recommender.logs.words import parse_unit, rank_of

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
#: Petrol's stoichiometric air-fuel ratio, for logs that write lambda as one. [-]
STOICHIOMETRIC: Final = 14.7
#: Roles without which a log is of no use, or whose wrong choice would spoil the pull.
NEEDED: Final[tuple[Role, ...]] = ("time", "rpm", "boost", "throttle", "barometer")


@dataclass(frozen=True)
class ChannelChoice:
    """Which column was taken for a role.

    Attributes:
        role: See ``ROLES``.
        column: The column's name as the log writes it.
        unit: Unit it was read in; empty for none.
        reason: Why, in words.
    """

    role: Role
    column: str
    unit: str
    reason: str


@dataclass(frozen=True)
class Channels:
    """The columns chosen, their values in inside units.

    Attributes:
        choices: In the order of ``ROLES``.
        values: Role to values; boost is still in the log's own unit. Shapes (n,)
        columns: Role to its column.
        time_s: Shape (n,), [s]
        warnings: What the user should know.
    """

    choices: tuple[ChannelChoice, ...]
    values: dict[Role, FloatArray] = field(repr=False)
    columns: dict[Role, Column] = field(repr=False)
    time_s: FloatArray = field(repr=False)
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Fit:
    """A column that can stand for a role."""

    column: Column
    values: FloatArray
    unit: str
    rank: int
    reason: str


def _range(values: FloatArray) -> tuple[float, float, float]:
    known = values[np.isfinite(values)]
    low, middle, high = (float(q) for q in np.quantile(known, [0.005, 0.5, 0.995]))
    return low, middle, high


def _rpm(column: Column) -> tuple[FloatArray, str, bool, str]:
    unit = parse_unit(column.unit) if column.unit else None
    values = column.values * (unit.factor if unit and unit.quantity == "speed" else 1.0)
    low, _, high = _range(values)
    return values, "rpm", low >= -1.0 and 800.0 <= high <= 20000.0, f"{low:.0f} to {high:.0f} rpm"


def _share(column: Column) -> tuple[FloatArray, str, bool, str]:
    quantity = column.quantity
    low, _, high = _range(column.values)
    if quantity == "share" or quantity == "angle":
        return (
            column.values,
            "%" if quantity == "share" else "°",
            -5.0 <= low and high <= 112.0,
            f"{low:.0f} to {high:.0f}",
        )
    if quantity == "volt":
        return column.values, "V", -0.2 <= low and high <= 5.5, f"{low:.2f} to {high:.2f} V"
    if high <= 1.05:
        return (
            column.values * 100.0,
            "share of 1",
            low >= -0.05 and high > 0.0,
            f"{low:.2f} to {high:.2f}, a share of 1",
        )
    return column.values, "%", -5.0 <= low and high <= 112.0, f"{low:.0f} to {high:.0f}"


def _lambda(column: Column) -> tuple[FloatArray, str, bool, str]:
    _, middle, _ = _range(column.values)
    if column.quantity == "air fuel" or 6.0 < middle < 30.0:
        return (
            column.values / STOICHIOMETRIC,
            "air-fuel ratio",
            6.0 < middle < 30.0,
            f"about {middle:.1f}, over {STOICHIOMETRIC}",
        )
    return column.values, "lambda", 0.4 < middle < 3.0, f"about {middle:.2f}"


def _temperature(highest_c: float) -> Callable[[Column], tuple[FloatArray, str, bool, str]]:
    def read(column: Column) -> tuple[FloatArray, str, bool, str]:
        unit = parse_unit(column.unit) if column.unit else None
        _, middle, high = _range(column.values)
        name = unit.name if unit else ("F" if high > highest_c else "C")
        celsius = {"C": column.values, "F": (column.values - 32.0) / 1.8, "K": column.values - 273.15}[name]
        low_c, _, high_c = _range(celsius)
        return (
            celsius,
            f"°{name}" if name != "K" else "K",
            low_c > -60.0 and high_c <= highest_c,
            f"{low_c:.0f} to {high_c:.0f} °C",
        )

    return read


def _barometer(column: Column) -> tuple[FloatArray, str, bool, str]:
    unit = parse_unit(column.unit) if column.unit else None
    _, middle, _ = _range(column.values)
    names = (
        [unit.name]
        if unit
        else [n for n in ("kPa", "psi", "bar", "mbar", "inHg") if 60.0 <= middle * kpa_in(n) <= 108.0]
    )
    name = names[0] if names else "kPa"
    kpa = column.values * kpa_in(name)
    return kpa, name, 50.0 <= middle * kpa_in(name) <= 110.0, f"about {middle * kpa_in(name):.1f} kPa"


def _boost(column: Column) -> tuple[FloatArray, str, bool, str]:
    low, _, high = _range(column.values)
    return column.values, column.unit or "", high > low, f"{low:g} to {high:g}"


def _any(column: Column) -> tuple[FloatArray, str, bool, str]:
    low, _, high = _range(column.values)
    return column.values, column.unit or "", True, f"{low:g} to {high:g}"


_READERS: Final[dict[Role, Callable[[Column], tuple[FloatArray, str, bool, str]]]] = {
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


def _fits(role: Role, columns: list[Column]) -> tuple[list[_Fit], list[str]]:
    """Columns that can stand for a role, and why others whose name fits cannot."""
    found: list[_Fit] = []
    ruled_out: list[str] = []
    for column in columns:
        rank = rank_of(role, column.name)
        by_unit = role == "rpm" and rank == 0 and column.quantity == "speed" and rank_of_any(column) == 0
        if rank == 0 and not by_unit:
            continue
        if column.quantity is not None and column.quantity not in QUANTITIES[role]:
            ruled_out.append(f"{column.label} (its unit is not one for this)")
            continue
        values, unit, plausible, seen = _READERS[role](column)
        if not plausible:
            ruled_out.append(f"{column.label} ({seen} is not plausible)")
            continue
        basis = "by its unit" if by_unit else "by its name" if column.quantity is None else "by its name and unit"
        found.append(_Fit(column, values, unit, rank, f"{basis}; {seen} is plausible"))
    return found, ruled_out


def rank_of_any(column: Column) -> int:
    """Best rank of a column over the roles; also 1 where its name rules it out for rpm (a turbo's, a wheel's)."""
    from recommender.logs.words import WORDS, fold

    if re.search(rf"\b({WORDS['rpm'].never})\b", fold(column.name)):
        return 1
    return max(rank_of(role, column.name) for role in ROLES)


def _same(first: _Fit, second: _Fit) -> bool:
    """Whether two columns tell the same story: equal but for a constant, sample for sample or nearly."""
    both = np.isfinite(first.values) & np.isfinite(second.values)
    if np.count_nonzero(both) < 10:
        return False
    one, two = first.values[both], second.values[both]
    span = max(float(np.ptp(one)), float(np.ptp(two)))
    if span == 0:
        return bool(one[0] == two[0])
    gap = np.abs((one - np.median(one)) - (two - np.median(two)))
    return float(np.quantile(gap, 0.9)) < 0.02 * span


def _equal(first: _Fit, second: _Fit) -> bool:
    return first.rank == second.rank and (first.column.quantity is None) == (second.column.quantity is None)


def _choose(role: Role, fits: list[_Fit], file_name: str, needed: bool) -> tuple[_Fit | None, str | None]:
    """The best fit, or a warning where two are equal and the role can be done without.

    Raises:
        LogError: two fit equally well, and the role is needed.
    """
    if not fits:
        return None, None
    ranked = sorted(fits, key=lambda fit: (-fit.rank, fit.column.quantity is None))
    best = ranked[0]
    rivals = [fit for fit in ranked[1:] if _equal(best, fit)]
    unlike = [fit for fit in rivals if not _same(best, fit)]
    if not unlike:
        if rivals:
            agree = ", ".join(fit.column.label for fit in rivals)
            best = _Fit(best.column, best.values, best.unit, best.rank, f"{best.reason}; {agree} agrees with it")
        return best, None
    names = " and ".join(repr(fit.column.label) for fit in [best, *unlike])
    key = role.rstrip("_")
    advice = f'State which in the job file: [channels] {key} = "{best.column.name}"'
    if needed:
        raise LogError(f"{file_name}: {names} fit {key} equally well. {advice}.")
    return None, f"{names} fit {key} equally well; neither was used. {advice}"


def _hinted(role: Role, wanted: str, columns: tuple[Column, ...], file_name: str) -> _Fit:
    """The column the job file names for a role.

    Raises:
        LogError: no such column, or its numbers cannot be what it is said to be.
    """

    def key(text: str) -> str:
        return re.sub(r"\s+", " ", text).strip().casefold()

    matches = [c for c in columns if key(wanted) in (key(c.header), key(c.label), key(c.name))]
    exact = [c for c in matches if key(wanted) == key(c.header)] or matches
    if len(exact) != 1:
        near = difflib.get_close_matches(wanted, [column.name for column in columns], n=3, cutoff=0.4)
        listed = ", ".join(near or [column.name for column in columns[:12]])
        what = "no column" if not exact else f"{len(exact)} columns"
        raise LogError(
            f"{file_name}: {what} named {wanted!r}, which the job file gives for {role.rstrip('_')}. The log has: {listed}."
        )
    column = exact[0]
    if not column.known.size:
        raise LogError(
            f"{file_name}, column {column.label!r}, named in the job file for {role.rstrip('_')}: no numbers in it."
        )
    values, unit, plausible, seen = _READERS[role](column)
    odd = "" if plausible else f"; but {seen} looks odd for it"
    return _Fit(column, values, unit, 3, f"named in the job file{odd}")


def choose_channels(raw: RawLog, options: ReadOptions) -> Channels:
    """Choose a column for every role that the log holds.

    Raises:
        LogError: a needed role has no column or two equal ones, or the job file names a column that is not there.
    """
    numeric = [column for column in raw.columns if column.kind == "number" and column.known.size >= 2]
    clock = time_of(raw, options)
    choices: list[ChannelChoice] = []
    values: dict[Role, FloatArray] = {}
    columns: dict[Role, Column] = {}
    warnings = list(clock.warnings)
    if clock.column is not None:
        choices.append(ChannelChoice("time", clock.column.header, clock.unit, clock.reason))
        columns["time"] = clock.column
        numeric = [column for column in numeric if column is not clock.column]
    guarded = {name if name != "lambda" else "lambda_" for name in options.guards}
    for role in ROLES[1:]:
        hint = options.hints.column(role)
        ruled_out: list[str] = []
        if hint is not None:
            fit: _Fit | None = _hinted(role, hint, raw.columns, raw.file_name)
        else:
            free = [column for column in numeric if all(column is not taken for taken in columns.values())]
            fits, ruled_out = _fits(role, free)
            fit, doubt = _choose(role, fits, raw.file_name, role in NEEDED or role in guarded)
            warnings += [doubt] if doubt else []
        if fit is None:
            _missing(role, raw, ruled_out, guarded)
            continue
        choices.append(ChannelChoice(role, fit.column.header, fit.unit, fit.reason))
        values[role], columns[role] = fit.values, fit.column
    return Channels(tuple(choices), values, columns, clock.time_s, tuple(warnings))


def _missing(role: Role, raw: RawLog, ruled_out: list[str], guarded: set[str]) -> None:
    """Refuse a log that lacks a needed role.

    Raises:
        LogError: rpm, boost or a guarded channel is missing.
    """
    key = role.rstrip("_")
    if role not in ("rpm", "boost") and role not in guarded:
        return
    shown = ", ".join(column.label for column in raw.columns[:20])
    why = f" Looked at and ruled out: {'; '.join(ruled_out)}." if ruled_out else ""
    example = {"rpm": "Engine Speed", "boost": "Boost"}.get(role, "Name In The Log")
    watched = "a guard watches it; " if role in guarded else ""
    raise LogError(
        f"{raw.file_name}: no {key} channel among {shown}.{why} {watched}name it in the job file under [channels], "
        f'for example: {key} = "{example}".'
    )
