"""Pulls in a recording: where full-load sweeps and held-rpm runs begin and end."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from models.signals import median_smooth
from models.units import FloatArray
from recommender.logs.options import FinderOptions

#: Width of the running median that takes noise off engine speed before it is searched. [s]
SMOOTH_S: Final = 0.25
#: After the throttle is lifted, or engine speed has topped out, boost may still spike for this long. [s]
AFTER_S: Final = 0.7
#: Full load may be interrupted for this long (a bad sample) without ending. [s]
_BRIDGE_S: Final = 0.15
#: A burst of slip is over after this long. [s]
_SLIP_S: Final = 1.0
#: Engine speed that falls away and is back within that time, as near to its highest, and leaps up by as much from one
#: reading to the next but one, was misread. [rpm]
_BACK_RPM: Final = 100.0
_LEAP_RPM: Final = 500.0
#: Share of the highest throttle reading that is full load where no threshold is set.
_FULL_SHARE: Final = 0.85

#: Readings of the throttle that may stand above the fullest: so many, or such a share of all.
STRAY_READINGS: Final = 2
STRAY_SHARE: Final = 0.0005

Kind = Literal["sweep", "held rpm", "partial"]
Ending = Literal["throttle lifted", "engine speed fell", "log ends", "engine speed topped out"]


@dataclass(frozen=True)
class Recording:
    """Rows of a log with rising time.

    Attributes:
        time_s, rpm, boost_kpa: Shape (n,), no NaN. [s], [rpm], [kPa gauge]
        throttle_pct: Shape (n,), None where not logged. [%]
    """

    time_s: FloatArray
    rpm: FloatArray
    boost_kpa: FloatArray
    throttle_pct: FloatArray | None


@dataclass(frozen=True)
class Span:
    """Where a pull lies.

    Attributes:
        kind: Sweep, held rpm, or partial (too little rise or too short for a sweep).
        first, last: Its rows, both included.
        trace_first, trace_last: Rows of its trace: without standing still at the start, with a spike at the end.
        sweep_last: Last row before the throttle was lifted or engine speed topped out.
        ending: What ended it.
        after_shift: Whether engine speed had fallen within the same full-load run just before.
    """

    kind: Kind
    first: int
    last: int
    trace_first: int
    trace_last: int
    sweep_last: int
    ending: Ending
    after_shift: bool = False


def fullest(throttle_pct: FloatArray) -> float:
    """Highest reading of the throttle but for a stray one or two. [%]

    Args:
        throttle_pct: No NaN. Shape (n,), n at least 1
    """
    stray = max(min(STRAY_READINGS, throttle_pct.size // 4), int(STRAY_SHARE * throttle_pct.size))
    return float(np.partition(throttle_pct, throttle_pct.size - 1 - stray)[throttle_pct.size - 1 - stray])


def full_load_pct(throttle_pct: FloatArray, options: FinderOptions) -> float | None:
    """Throttle from which on load is full; None where the log never comes near it. [%]"""
    if options.throttle_pct is not None:
        return options.throttle_pct
    highest = fullest(throttle_pct)
    return _FULL_SHARE * highest if highest > 0 else None


def runs(on: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last row of every run of true rows."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def bridged(on: npt.NDArray[np.bool_], time_s: FloatArray) -> npt.NDArray[np.bool_]:
    """True rows with the shortest interruptions filled in. Shape (n,)"""
    filled = on.copy()
    for first, last in runs(~on):
        inside = first > 0 and last < on.size - 1
        if inside and last - first < 3 and time_s[last + 1] - time_s[first - 1] <= _BRIDGE_S + 1e-9:
            filled[first : last + 1] = True
    return filled


def _first_drop(rpm: FloatArray, first: int, last: int, drop_rpm: float) -> int:
    """First row that lies ``drop_rpm`` under the highest before it; ``last + 1`` where none does."""
    width, highest, start = 64, -np.inf, first
    while start <= last:
        stop = min(start + width, last + 1)
        block = rpm[start:stop]
        top = np.maximum(np.maximum.accumulate(block), highest)
        fallen = np.flatnonzero(block < top - drop_rpm)
        if fallen.size:
            return start + int(fallen[0])
        highest, start, width = float(top[-1]), stop, min(width * 4, 1 << 18)
    return last + 1


def pieces(rpm: FloatArray, first: int, last: int, drop_rpm: float) -> list[tuple[int, int]]:
    """Parts of a run without a drop in engine speed."""
    found = []
    while first <= last:
        stop = _first_drop(rpm, first, last, drop_rpm)
        found.append((first, stop - 1))
        first = stop
    return found


def _mended(
    time_s: FloatArray, rpm: FloatArray, parts: list[tuple[int, int]]
) -> tuple[list[tuple[int, int]], FloatArray]:
    """Pieces parted by slip, or by readings that cannot be, put together again, and engine speed drawn straight there.

    Slip is a short burst of engine speed that falls back onto the line it was rising along; after a gear shift engine
    speed goes on from far below that line.
    """
    mended: list[tuple[int, int]] = []
    gone: list[tuple[int, int]] = []
    for piece in parts:
        found = (_slip(time_s, rpm, mended[-1], piece) or _misread(time_s, rpm, mended[-1], piece)) if mended else None
        if found:
            gone.append(found)
            mended[-1] = (mended[-1][0], piece[1])
        else:
            mended.append(piece)
    drawn = rpm.copy() if gone else rpm
    for first, last in gone:
        drawn[first : last + 1] = np.interp(time_s[first : last + 1], time_s[[first, last]], rpm[[first, last]])
    return mended, drawn


def _slip(
    time_s: FloatArray, rpm: FloatArray, before: tuple[int, int], after: tuple[int, int]
) -> tuple[int, int] | None:
    """Last row before slip and first after it, where that parts two pieces; else None."""
    first, last = before
    top = first + int(np.argmax(rpm[first : last + 1]))
    steady = slice(first, int(np.searchsorted(time_s, time_s[top] - 0.5)))
    if steady.stop - first < 5 or time_s[steady.stop - 1] - time_s[first] < 1.0:
        return None
    recent = slice(max(first, int(np.searchsorted(time_s, time_s[steady.stop - 1] - 3.0))), steady.stop)
    slope, level = np.polyfit(time_s[recent] - time_s[top], rpm[recent], 1)
    near = slice(after[0], int(np.searchsorted(time_s, time_s[top] + _SLIP_S)))
    if slope <= 0 or near.stop - near.start < 2 or rpm[top] - level < 60.0:
        return None
    low = near.start + int(np.argmin(rpm[near]))
    on_line = abs(rpm[low] - level - slope * (time_s[low] - time_s[top])) < 150.0
    return (steady.stop - 1, low) if on_line else None


def _misread(
    time_s: FloatArray, rpm: FloatArray, before: tuple[int, int], after: tuple[int, int]
) -> tuple[int, int] | None:
    """Last row before engine speed fell away and the first at which it is back at once, as no engine can; else None."""
    last = before[1]
    highest = float(rpm[before[0] : last + 1].max())
    rows = np.arange(after[0] + 1, min(int(np.searchsorted(time_s, time_s[last] + _SLIP_S)), after[1] + 1))
    leaps = rpm[rows] - rpm[np.maximum(rows - 2, after[0])] >= _LEAP_RPM
    back = rows[leaps & (rpm[rows] >= highest - _BACK_RPM)]
    return (last, int(back[0])) if back.size else None


def _without_wait(rec: Recording, smooth: FloatArray, first: int, last: int, whole: bool) -> int:
    """Row at which engine speed really begins to rise, after any time at held rpm.

    Args:
        whole: Whether a wait may be cut wherever it lies; else only in the first quarter of the rise.
    """
    time, rise = rec.time_s, float(smooth[last] - smooth[first])
    length = float(time[last] - time[first])
    window = max(0.8, 0.08 * length)
    rows = np.arange(first, last + 1)
    ahead = np.minimum(np.searchsorted(time, time[rows] + window), last)
    span = np.maximum(time[ahead] - time[rows], 1e-9)
    slope = (smooth[ahead] - smooth[rows]) / span
    usual = float(np.median(slope[rows <= first + (last - first) * 0.95])) if rows.size > 4 else 0.0
    upper = smooth[rows] > smooth[first] + 0.5 * rise
    if upper.any():
        usual = max(usual, float(np.median(slope[upper & (ahead < last)])) if (upper & (ahead < last)).any() else usual)
    still = (slope < 0.12 * usual) & (ahead < last) & (smooth[rows] < smooth[last] - max(0.3 * rise, 150.0))
    if not whole:
        still &= smooth[rows] <= smooth[first] + max(0.25 * rise, 60.0)
    if not still.any():
        return first
    begin = first + int(np.flatnonzero(still)[-1])
    target = smooth[begin] + 0.02 * rise
    later = np.flatnonzero(smooth[begin : last + 1] <= target)
    return begin + int(later[-1]) if later.size else begin


def _with_spike(rec: Recording, first: int, last: int, *, limit_row: int) -> int:
    """Row of the highest boost just after the end, where that is higher than all of the pull; else the end."""
    stop = min(int(np.searchsorted(rec.time_s, rec.time_s[last] + AFTER_S, side="right")), limit_row)
    if stop <= last + 1:
        return last
    after = rec.boost_kpa[last + 1 : stop]
    top = int(np.argmax(after))
    return last + 1 + top if after[top] > rec.boost_kpa[first : last + 1].max() else last


def _top_row(smooth: FloatArray, first: int, last: int) -> int:
    """First row at which engine speed has all but reached its highest."""
    part = smooth[first : last + 1]
    rise = float(part.max() - part[0])
    return first + int(np.flatnonzero(part >= part.max() - max(0.004 * rise, 2.0))[0])


def _span(
    rec: Recording,
    smooth: FloatArray,
    piece: tuple[int, int],
    options: FinderOptions,
    *,
    lead_row: int,
    ending: Ending,
    throttled: bool,
    after_shift: bool,
) -> Span | None:
    """A piece of rising engine speed as a pull; None where it is nothing."""
    first, last = piece
    if last - first < 3:
        return None
    top = first + int(np.argmax(smooth[first : last + 1]))
    low = first + int(np.argmin(smooth[first : top + 1]))
    if after_shift or not throttled:
        first = low
    rise = float(smooth[top] - smooth[low])
    length = float(rec.time_s[last] - rec.time_s[first])
    if rise < max(150.0, 0.3 * options.least_rise_rpm):
        return _held(rec, first, last, options, ending)
    end = last if throttled and smooth[last] > smooth[top] - 0.1 * rise else top
    if not throttled:
        end = _top_row(smooth, first, last)
    if end <= first + 2:
        return None
    begin = _without_wait(rec, smooth, low, end, whole=not throttled)
    if end - begin < 3:
        return None
    if not throttled:
        first, last = begin, end
        rise, length = float(smooth[top] - smooth[begin]), float(rec.time_s[end] - rec.time_s[begin])
    kept = rec.boost_kpa[first : last + 1]
    if options.least_boost_kpa is not None and kept.min() <= options.least_boost_kpa:
        return None
    short = rise < options.least_rise_rpm or length < options.least_length_s
    before = rec.boost_kpa[lead_row:begin] if throttled else rec.boost_kpa[begin:begin]
    if before.size and before.max() > rec.boost_kpa[begin : end + 1].max() + 1.0:
        begin = lead_row + int(np.argmax(before))
    trace_last = _with_spike(rec, begin, end, limit_row=rec.time_s.size)
    return Span(
        "partial" if short else "sweep", first, max(last, trace_last), begin, trace_last, end, ending, after_shift
    )


def _held(rec: Recording, first: int, last: int, options: FinderOptions, ending: Ending) -> Span | None:
    """A run at held rpm, where the piece is one."""
    if rec.time_s[last] - rec.time_s[first] < options.held_length_s:
        return None
    low, high = np.quantile(rec.rpm[first : last + 1], [0.02, 0.98])
    if high - low > options.held_rpm:
        return None
    return Span("held rpm", first, last, first, last, last, ending)


def find_pulls(rec: Recording, options: FinderOptions) -> list[Span]:
    """Every pull of a recording, in order of time.

    With throttle or pedal: runs at full load, split where engine speed drops. Without: runs of rising engine speed,
    from the last standing still to the top, where boost comes near the highest of the recording.

    Args:
        rec: Rows with rising time.
        options: The rule.
    """
    if rec.time_s.size < 4:
        return []
    smooth = median_smooth(rec.time_s, rec.rpm, SMOOTH_S)
    if rec.throttle_pct is not None:
        threshold = full_load_pct(rec.throttle_pct, options)
        if threshold is None:
            return []
        return _by_throttle(rec, smooth, rec.throttle_pct >= threshold, options)
    return _by_rise(rec, smooth, options)


def _by_throttle(rec: Recording, smooth: FloatArray, full: npt.NDArray[np.bool_], options: FinderOptions) -> list[Span]:
    found: list[Span] = []
    for first, last in runs(bridged(full, rec.time_s)):
        if last - first < 3:
            continue
        at_end = last >= rec.time_s.size - 2
        ended: Ending = "log ends" if at_end else "throttle lifted"
        whole = _held(rec, first, last, options, ended)
        if whole is not None:  # a brake that hunts moves engine speed by more than a sweep may fall
            found.append(whole)
            continue
        parts, smooth = _mended(rec.time_s, smooth, pieces(smooth, first, last, options.largest_drop_rpm))
        lead = first
        for number, piece in enumerate(parts):
            final = number == len(parts) - 1
            ending: Ending = ended if final else "engine speed fell"
            span = _span(
                rec, smooth, piece, options, lead_row=lead, ending=ending, throttled=True, after_shift=number > 0
            )
            if span is not None:
                found.append(span)
                lead = piece[1] + 1
    return found


def _by_rise(rec: Recording, smooth: FloatArray, options: FinderOptions) -> list[Span]:
    last = rec.time_s.size - 1
    spans: list[Span] = []
    parts, smooth = _mended(rec.time_s, smooth, pieces(smooth, 0, last, options.largest_drop_rpm))
    for piece in parts:
        at_end = piece[1] >= last - 1
        ending: Ending = "log ends" if at_end else "engine speed topped out"
        span = _span(rec, smooth, piece, options, lead_row=piece[0], ending=ending, throttled=False, after_shift=False)
        if span is not None:
            spans.append(span)
    if not spans:
        return []
    reached = [_upper_boost(rec, span) for span in spans]
    loaded = [span for span, boost in zip(spans, reached, strict=True) if boost >= 0.6 * max(reached)]
    return [span for span in loaded if span.kind != "partial"] or _longest(rec, loaded)


def _upper_boost(rec: Recording, span: Span) -> float:
    """Median boost over the upper half of a rise. [kPa gauge]"""
    rows = np.arange(span.trace_first, span.sweep_last + 1)
    middle = 0.5 * (float(rec.rpm[rows].min()) + float(rec.rpm[rows].max()))
    return float(np.median(rec.boost_kpa[rows[rec.rpm[rows] >= middle]]))


def _longest(rec: Recording, spans: list[Span]) -> list[Span]:
    return sorted(spans, key=lambda span: rec.rpm[span.last] - rec.rpm[span.first])[-1:]


def shifted(span: Span, rows: int) -> Span:
    """The span in rows counted from ``rows`` earlier."""
    return replace(
        span,
        first=span.first + rows,
        last=span.last + rows,
        trace_first=span.trace_first + rows,
        trace_last=span.trace_last + rows,
        sweep_last=span.sweep_last + rows,
    )
