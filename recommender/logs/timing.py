"""The time of every row, in seconds."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from models.units import FloatArray
from recommender.logs.errors import LogError
from recommender.logs.options import ReadOptions
from recommender.logs.table import Column, RawLog, scaled
from recommender.logs.words import rank_of
from recommender.logs.written_units import fold, parse_unit

#: What times are called, also with the name of a channel beside it.
_LIKE_TIME: Final = re.compile(r"time|zeit|temps|tiempo|tempo|czas|tijd|\btid\b|stamp")
#: Columns of times whose mean steps are apart by this factor are of different channels. [-]
APART: Final = 1.2
#: Longest sampling interval of a logger, for a time column without a unit. [s]
_SLOWEST_S: Final = 2.0
_RATE = re.compile(
    r"(?:sample rate|sampling rate|log rate|logging rate|logged (?:at|with)|rate|abtastrate|frequenz|frequency|"
    r"frequence|fréquence|taux|samplerate)\D{0,25}?(\d+(?:[.,]\d+)?)\s*(hz|/s|samples/s)",
    re.IGNORECASE,
)
#: Words for other things that have a rate.
_OTHER_RATE = re.compile(
    r"filt|\bpass\b|pass-?bas|tiefpass|cut.?off|grenz|\bmax|limit|pwm|solenoid|valve|ventil|knock|klopf", re.IGNORECASE
)


@dataclass(frozen=True)
class Clock:
    """Time of the rows and where it comes from.

    Attributes:
        time_s: Shape (n,), NaN where the row has none. [s]
        column: The time column, None where a rate was used.
        unit: Unit it was read in.
        reason: In words.
        warnings: What the user should know.
    """

    time_s: FloatArray = field(repr=False)
    column: Column | None
    unit: str
    reason: str
    warnings: tuple[str, ...] = ()


def _rises(column: Column) -> bool:
    """Whether a column can be time: it rises nearly everywhere and does not stand still.

    Whole seconds may stand for a thousand rows.
    """
    steps = np.diff(column.known)
    if steps.size == 0:
        return False
    rising = steps[steps > 0]
    seconds = rising.size >= 3 and float(np.median(rising)) == 1.0
    return bool(np.mean(steps >= 0) > 0.97 and rising.size > (0.001 if seconds else 0.02) * steps.size)


def _seconds_in(column: Column) -> tuple[float, str, str]:
    """Factor to seconds, the unit's name, and the reason."""
    if column.kind == "clock":
        return 1.0, "clock", "clock times"
    unit = parse_unit(column.unit) if column.unit else None
    if unit is not None and unit.quantity == "time":
        return unit.factor, unit.name, f"in {unit.name} by its heading"
    steps = np.diff(column.known)
    rising = steps[steps > 0]
    step = float(np.median(rising)) if rising.size else 0.0
    if step < 2e-5 and float(np.ptp(column.known)) < 2.0:
        return 86400.0, "days", f"steps of {step:.2g} are days"
    if step <= _SLOWEST_S:
        return 1.0, "s", f"no unit; steps of {step:.3g} fit seconds"
    if step < 1500.0:
        return 1e-3, "ms", f"no unit; steps of {step:.3g} fit milliseconds"
    if step * 1e-6 <= _SLOWEST_S:
        return 1e-6, "µs", f"no unit; steps of {step:.3g} fit microseconds"
    return 1e-9, "ns", f"no unit; steps of {step:.3g} fit nanoseconds"


def _rate(raw: RawLog, options: ReadOptions) -> tuple[float, str] | None:
    """Rows a second from the job file or from a line above the column names.

    Raises:
        LogError: several lines state different rates.
    """
    if options.hints.rate_hz is not None:
        return options.hints.rate_hz, "the job file"
    stated = {rate: part for line in raw.preamble for rate, part in _rates_in(line)}
    if len(stated) > 1:
        listed = " and ".join(repr(part[:60]) for part in stated.values())
        raise LogError(
            f"{raw.file_name}: no time channel, and {listed} above the names state different rates. State in the job "
            f"file how many rows it writes a second: [channels] rate_hz = {next(iter(stated)):g}."
        )
    for rate, part in stated.items():
        return rate, f"the line {part[:60]!r} above the names"
    return None


def _rates_in(line: str) -> Iterator[tuple[float, str]]:
    """Rates that a line above the names states, and the part of it that does; not those of filters and valves."""
    for part in re.split(r"[;|\t]|,(?!\d)", line):
        found = _RATE.search(part)
        if found and not _OTHER_RATE.search(part[: found.end()]) and float(found[1].replace(",", ".")) > 0:
            yield float(found[1].replace(",", ".")), part.strip()


def time_of(raw: RawLog, options: ReadOptions) -> Clock:
    """Time of every row: from a column, else from a rate.

    Raises:
        LogError: no time column and no rate, two time columns that fit equally well, or some that run apart.
    """
    column = _time_column(raw, options)
    if column is not None and options.hints.time is None:
        _refuse_times_apart(raw, column)
    if column is not None:
        factor, unit, reason = _seconds_in(column)
        before = options.remembered
        if options.hints.time is not None:
            reason = f"named in the job file; {reason}"
        elif before is not None and before.channels.time == column.header:
            reason = f"as in {before.source}; {reason}"
        return Clock(_spread(scaled(column.values, factor)), column, unit, reason)
    rate = _rate(raw, options)
    if rate is None:
        listed = ", ".join(item.label for item in raw.columns[:12])
        named = [f"{item.label} (it does not rise)" for item in raw.columns if rank_of("time", item.name)]
        why = f" Looked at and ruled out: {', '.join(named)}." if named else ""
        raise LogError(
            f"{raw.file_name}: no time channel among {listed}.{why} Name it in the job file under [channels] "
            '(time = "Time"), or state how many rows it writes a second: rate_hz = 20.'
        )
    rows = np.arange(raw.rows) / rate[0]
    return Clock(rows, None, "s", f"{rate[0]:g} rows a second, from {rate[1]}")


def _time_column(raw: RawLog, options: ReadOptions) -> Column | None:
    hint = options.hints.time
    if hint is not None:
        named = [c for c in raw.columns if hint.strip().casefold() in (c.header.casefold(), c.name.casefold())]
        if len(named) != 1 or named[0].known.size < 2:
            listed = ", ".join(column.name for column in raw.columns[:12])
            raise LogError(
                f"{raw.file_name}: no column of times named {hint!r}, which the job file gives for time. "
                f"The log has: {listed}."
            )
        return named[0]
    able = [c for c in raw.columns if c.kind != "text" and c.known.size >= 2 and c.quantity in (None, "time", "clock")]
    before = None if options.remembered is None else options.remembered.channels.time
    again = [c for c in able if c.header == before and _mostly_rises(c)]
    if len(again) == 1:
        return again[0]
    ranked = [(rank_of("time", c.name) + (c.kind == "clock") * 0.5 + (c.quantity == "time") * 0.25, c) for c in able]
    fitting = [(rank, c) for rank, c in ranked if rank >= 0.5 and _mostly_rises(c)]
    if not fitting:
        return None
    best = max(rank for rank, _ in fitting)
    first = [c for rank, c in fitting if rank == best]
    return first[0] if len(first) == 1 else _agreeing(first, raw)


def _refuse_times_apart(raw: RawLog, taken: Column) -> None:
    """Refuse a log whose channels have times of their own: those of another rate would be read at wrong moments.

    Raises:
        LogError: another column of times has fewer rows, or more, and runs at another rate.
    """
    for other in raw.columns:
        like = other.quantity == "time" or _LIKE_TIME.search(fold(other.name))
        able = other is not taken and other.kind != "text" and other.quantity in (None, "time", "clock")
        if not (like and able) or other.known.size < 2 or not _mostly_rises(other):
            continue
        (rows, step_s), (other_rows, other_step_s) = (_rows_and_step(column) for column in (taken, other))
        shorter = min(rows, other_rows) < 0.9 * max(rows, other_rows)
        if shorter and min(step_s, other_step_s) * APART < max(step_s, other_step_s):
            raise LogError(
                f"{raw.file_name}: {taken.label} and {other.label} run apart, {_hz(step_s)} and {_hz(other_step_s)} "
                "rows a second: each channel has times of its own, it seems, and would be read at those of another. "
                "Export all channels over one time."
            )


def _rows_and_step(column: Column) -> tuple[int, float]:
    """Over how many rows times go, and the mean step from row to row. [s]"""
    known = np.flatnonzero(np.isfinite(column.values))
    rows = int(known[-1] - known[0])
    return rows, float(np.ptp(column.known)) * _seconds_in(column)[0] / max(rows, 1)


def _hz(step_s: float) -> str:
    return f"{1.0 / step_s:.3g}" if step_s > 0 else "no"


def _mostly_rises(column: Column) -> bool:
    """Like ``_rises``, but a few steps back (a second recording, a clock set back) are left for the quality check."""
    steps = np.diff(column.known)
    return bool(steps.size) and (_rises(column) or bool(np.mean(steps > 0) > 0.6 and np.sum(steps < 0) <= 20))


def _agreeing(columns: list[Column], raw: RawLog) -> Column:
    """The first of several time columns, if they run alike.

    Raises:
        LogError: they do not.
    """
    spans = [float(np.ptp(column.known)) * _seconds_in(column)[0] for column in columns]
    if max(spans) <= 1.02 * min(spans) + 0.05:
        return columns[0]
    names = " and ".join(repr(column.label) for column in columns)
    raise LogError(
        f"{raw.file_name}: {names} fit time equally well. "
        f'State which in the job file: [channels] time = "{columns[0].name}".'
    )


def _spread(time_s: FloatArray) -> FloatArray:
    """Rows that share a coarse time stamp (whole seconds, say) spread evenly up to the next one.

    Where time steps back (a second recording, a clock set back) each part is spread by itself.
    """
    known = np.flatnonzero(np.isfinite(time_s))
    if known.size < 3:
        return time_s
    steps = np.diff(time_s[known])
    if np.mean(steps == 0) < 0.3:
        return time_s
    spread = time_s.copy()
    for part in np.split(known, np.flatnonzero(steps < 0) + 1):
        spread[part] = _spread_part(time_s[part])
    return spread


def _spread_part(stamps: FloatArray) -> FloatArray:
    """The same for stamps that nowhere step back. Shape (n,), [s]"""
    steps = np.diff(stamps)
    starts = np.concatenate([[0], np.flatnonzero(steps != 0) + 1])
    if starts.size < 3:
        return stamps
    lengths = np.diff(starts)
    last_step = float(np.median(steps[steps > 0])) / float(np.median(lengths))
    ends = np.arange(starts[-1], stamps.size) - starts[-1]
    inner = np.interp(np.arange(starts[-1]), starts, stamps[starts])
    return np.concatenate([inner, stamps[starts[-1]] + ends * last_step])
