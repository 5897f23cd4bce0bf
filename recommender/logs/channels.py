"""Which column is which: by name, unit and plausibility of the numbers together, never by one alone."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from models.units import FloatArray, kpa_in
from recommender.logs.ambient import AMBIENT_KPA
from recommender.logs.boost import kind_said
from recommender.logs.boost_unit import pressure_of
from recommender.logs.errors import LogError
from recommender.logs.left_out import infinite_said, measured, untrue_rpm_said
from recommender.logs.options import ROLES, ChannelHints, FinderOptions, ReadOptions, Role, guarded_role
from recommender.logs.plausible import QUANTITIES, in_percent, read_as
from recommender.logs.pulls import full_load_pct
from recommender.logs.table import Column, RawLog, scaled
from recommender.logs.timing import time_of
from recommender.logs.words import best_rank, fits_but_for, rank_of, ruled_out

#: Roles without which a log is of no use, or whose wrong choice would spoil the pull.
NEEDED: Final[tuple[Role, ...]] = ("time", "rpm", "boost", "throttle", "barometer")
#: Two boost columns whose highest, or whose zero, lie further apart than this share of their span do not agree. [-]
APART: Final = 0.03
#: Two tracks of one throttle or pedal may disagree on full load in this share of the rows, while it moves. [-]
UNLIKE_SHARE: Final = 0.02


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


def _fits(role: Role, columns: list[Column], hints: ChannelHints, percent: bool) -> tuple[list[_Fit], list[str]]:
    """Columns that can stand for a role, and why others whose name fits cannot."""
    found: list[_Fit] = []
    refused: list[str] = []
    for column in columns:
        rank = rank_of(role, column.name)
        unnamed = not ruled_out("rpm", column.name) and best_rank(column.name) == 0
        by_unit = role == "rpm" and column.quantity == "speed" and unnamed
        if rank == 0 and not by_unit:
            continue
        if column.quantity is not None and column.quantity not in QUANTITIES[role]:
            refused.append(f"{column.label} (its unit is not one for this)")
            continue
        values, unit, plausible, seen = read_as(role, column, hints, percent)
        if not plausible:
            refused.append(f"{column.label} ({seen} is not plausible)")
            continue
        basis = "by its unit" if by_unit else "by its name" if column.quantity is None else "by its name and unit"
        found.append(_Fit(column, values, unit, rank, f"{basis}; {seen} is plausible"))
    return found, refused


def _same(role: Role, first: _Fit, second: _Fit) -> bool:
    """Whether two columns tell the same story: equal but for a constant, sample for sample or nearly."""
    both = np.isfinite(first.values) & np.isfinite(second.values)
    if np.count_nonzero(both) < 10:
        return False
    one, two = (fit.values[both] for fit in (first, second))
    if role == "throttle" and _as_open(one, two):
        return True
    if role == "boost":
        one, two = (scaled(values, _to_kpa(fit)) for values, fit in ((one, first), (two, second)))
    span = max(float(np.ptp(one)), float(np.ptp(two)))
    if span == 0:
        return bool(one[0] == two[0])
    gap = np.abs((one - np.median(one)) - (two - np.median(two)))
    if float(np.quantile(gap, 0.9)) >= 0.02 * span:
        return False
    return role != "boost" or _as_high(one, two, kind_said(first.column) != kind_said(second.column))


def _one_level(role: Role, first: _Fit, second: _Fit) -> bool:
    """Whether two columns that run alike read alike too: the hotter of two exhausts is the one to watch.

    Boost and openings are told by ``_same``.
    """
    both = np.isfinite(first.values) & np.isfinite(second.values)
    one, two = (fit.values[both] for fit in (first, second))
    apart = abs(float(np.median(one) - np.median(two)))
    return role in ("boost", "throttle") or apart <= 0.02 * max(float(np.ptp(one)), float(np.ptp(two)))


def _as_open(one: FloatArray, two: FloatArray) -> bool:
    """Whether two readings of a throttle or pedal call the same rows full load, as the two tracks of one pedal do.

    Args:
        one, two: Same rows, no blanks. Shapes (n,)
    """
    full = [values >= least for values in (one, two) if (least := full_load_pct(values, FinderOptions())) is not None]
    return len(full) == 2 and float(np.mean(full[0] != full[1])) <= UNLIKE_SHARE


def _to_kpa(fit: _Fit) -> float:
    unit = pressure_of(fit.column)
    return 1.0 if unit is None else kpa_in(unit.name)


def _as_high(one: FloatArray, two: FloatArray, marked_apart: bool) -> bool:
    """Whether two readings of boost reach as high, and from one zero unless one is gauge and the other absolute.

    Args:
        one, two: Same rows, no blanks. Shapes (n,), [kPa] where the unit is known
        marked_apart: Whether their names or units say that one is absolute or gauge and the other does not.
    """
    zero = float(np.median(one) - np.median(two))
    clear = APART * max(float(np.ptp(one)), float(np.ptp(two)))
    by_ambient = marked_apart or AMBIENT_KPA[0] <= abs(zero) <= AMBIENT_KPA[1]
    return abs(float(one.max() - two.max()) - zero) <= clear and (abs(zero) <= clear or by_ambient)


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
    unlike = [fit for fit in rivals if not _same(role, best, fit) or (needed and not _one_level(role, best, fit))]
    if not unlike:
        if rivals:
            agree = ", ".join(fit.column.label for fit in rivals)
            best = _Fit(best.column, best.values, best.unit, best.rank, f"{best.reason}; {agree} agrees with it")
        return best, None
    names = " and ".join(repr(fit.column.label) for fit in [best, *unlike])
    key = role.rstrip("_")
    others = " or ".join(f'"{fit.column.header}"' for fit in unlike)
    advice = f'State which in the job file: [channels] {key} = "{best.column.header}" (or {others})'
    if needed:
        raise LogError(f"{file_name}: {names} fit {key} equally well. {advice}.")
    return None, f"{names} fit {key} equally well; neither was used. {advice}"


def _hinted(
    role: Role, wanted: str, columns: tuple[Column, ...], file_name: str, hints: ChannelHints, percent: bool
) -> _Fit:
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
            f"{file_name}: {what} named {wanted!r}, which the job file gives for {role.rstrip('_')}. "
            f"The log has: {listed}."
        )
    column = exact[0]
    where = f"{file_name}, column {column.label!r}, named in the job file for {role.rstrip('_')}"
    if not column.known.size:
        raise LogError(f"{where}: no numbers in it. Name another column under [channels].")
    if column.quantity is not None and column.quantity not in QUANTITIES[role]:
        raise LogError(
            f"{where}: its unit is {column.unit}, expected one of {' or '.join(QUANTITIES[role])}. "
            "Name another column under [channels]."
        )
    values, unit, plausible, seen = read_as(role, column, hints, percent)
    odd = f"; {seen} is plausible" if role == "lambda_" else ""
    odd = odd if plausible else f"; but {seen} looks odd for it"
    return _Fit(column, values, unit, 3, f"named in the job file{odd}")


def _as_before(role: Role, columns: list[Column], options: ReadOptions, percent: bool) -> _Fit | None:
    """The column that stood for a role in the last log of the same layout, where it still can."""
    before = options.remembered
    name = None if before is None else before.channels.column(role)
    column = next((column for column in columns if column.header == name), None)
    if before is None or column is None or column.quantity not in (None, *QUANTITIES[role]):
        return None
    values, unit, plausible, seen = read_as(role, column, options.hints, percent)
    return _Fit(column, values, unit, 3, f"as in {before.source}; {seen} is plausible") if plausible else None


def _parted(boost: _Fit, fits: list[_Fit]) -> list[str]:
    """Columns that would fit boost as well as the one of the last log and do not agree with it any more, in words."""
    rank = rank_of("boost", boost.column.name)
    others = [fit for fit in fits if fit.column is not boost.column and fit.rank == rank]
    return [
        f"{fit.column.label} does not agree with {boost.column.label}, which was taken {boost.reason.split(';')[0]}; "
        "look at both, and name the one that is boost in the job file: [channels] boost"
        for fit in others
        if not _same("boost", fit, boost)
    ]


def _unlike_before(role: Role, fit: _Fit | None, options: ReadOptions) -> list[str]:
    """That a role's column of the last log of the same layout could not stand for it again, in words."""
    before = options.remembered
    name = None if before is None else before.channels.column(role)
    if before is None or name is None or (fit is not None and fit.column.header == name):
        return []
    now = "nothing else was" if fit is None else f"{fit.column.label!r} was"
    return [f"{name!r}, taken for {role.rstrip('_')} in {before.source}, could not be taken again; {now}"]


def choose_channels(raw: RawLog, options: ReadOptions) -> Channels:
    """Choose a column for every role that the log holds.

    Raises:
        LogError: a needed role has no column or two equal ones, or the job file names a column that is not there.
    """
    if raw.rows < 4:
        raise LogError(f"{raw.file_name}: only {raw.rows} rows of numbers, expected a whole pull. Save the log again.")
    read, raw = raw, replace(raw, columns=tuple(measured(column) for column in raw.columns))
    numeric = [column for column in raw.columns if column.kind == "number" and column.known.size >= 2]
    silent = [
        column for column in raw.columns if all(column is not other for other in numeric) and column.kind != "clock"
    ]
    clock = time_of(raw, options)
    choices: list[ChannelChoice] = []
    values: dict[Role, FloatArray] = {}
    columns: dict[Role, Column] = {}
    warnings = list(clock.warnings)
    if clock.column is not None:
        choices.append(ChannelChoice("time", clock.column.header, clock.unit, clock.reason))
        columns["time"] = clock.column
        numeric = [column for column in numeric if column is not clock.column]
    percent = in_percent(numeric)
    guarded = {guarded_role(name) for name in options.guards}
    for role in ROLES[1:]:
        hint = options.hints.column(role)
        refused: list[str] = []
        if hint is not None:
            fit: _Fit | None = _hinted(role, hint, raw.columns, raw.file_name, options.hints, percent)
        else:
            free = [column for column in numeric if all(column is not taken for taken in columns.values())]
            fit = _as_before(role, free, options, percent)
            if fit is not None and role == "boost":
                warnings += _parted(fit, _fits(role, free, options.hints, percent)[0])
            if fit is None:
                fits, refused = _fits(role, free, options.hints, percent)
                refused += [f"{column.label} (no numbers in it)" for column in silent if rank_of(role, column.name)]
                fit, doubt = _choose(role, fits, raw.file_name, role in NEEDED or role in guarded)
                warnings += [doubt] if doubt else _unlike_before(role, fit, options)
                warnings += _doubtful(role, fit, refused, role in NEEDED or role in guarded)
        if fit is None:
            _missing(role, raw, refused)
            continue
        choices.append(ChannelChoice(role, fit.column.header, fit.unit, fit.reason))
        values[role], columns[role] = fit.values, fit.column
    for column in columns.values():
        warnings += infinite_said(read, column, clock.time_s)
    warnings += untrue_rpm_said(columns["rpm"], values["rpm"], clock.time_s)
    return Channels(tuple(choices), values, columns, clock.time_s, tuple(warnings))


def _doubtful(role: Role, fit: _Fit | None, refused: list[str], needed: bool) -> list[str]:
    """Columns ruled out where nothing else was there, and boost or duty known by a part of the name, in words."""
    key = role.rstrip("_")
    if fit is None and refused and needed:
        return [f"no {key} could be read: looked at and ruled out: {'; '.join(refused)}"]
    if fit is not None and role in ("boost", "duty") and fit.rank == 1:
        what = "boost as measured" if role == "boost" else "the duty of the boost solenoid"
        return [
            f"{fit.column.label}: taken for {role} by a part of its name; if that is not {what}, name the column in "
            f"the job file: [channels] {role}"
        ]
    return []


def _named_otherwise(role: Role, raw: RawLog) -> list[str]:
    """Columns whose names would fit a role but for a word that says they are something else."""
    able = [column for column in raw.columns if column.quantity in (None, *QUANTITIES[role])]
    words = [(column.label, fits_but_for(role, column.name)) for column in able]
    return [f"{label} (its name says {word!r})" for label, word in words if word]


def _missing(role: Role, raw: RawLog, refused: list[str]) -> None:
    """Refuse a log that lacks engine speed or boost.

    Raises:
        LogError: it does.
    """
    examples = {"rpm": "Engine Speed", "boost": "Boost"}
    if role not in examples:
        return
    refused = [*refused, *_named_otherwise(role, raw)]
    shown = ", ".join(column.label for column in raw.columns[:20])
    why = f" Looked at and ruled out: {'; '.join(refused)}." if refused else ""
    raise LogError(
        f"{raw.file_name}: no {role} channel among {shown}.{why} Name it in the job file under [channels], "
        f'for example: {role} = "{examples[role]}".'
    )
