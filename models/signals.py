"""Recorded signals: their true rate, held samples, and the lag and dead time of a step response.

Arrays in, arrays out. Time is in seconds and rises; values may be in any unit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from models.units import FloatArray

#: Share of the intervals between changes that lie under the refresh interval's estimate.
_SHORT_SHARE: Final = 0.25


def refresh_interval_s(time_s: FloatArray, values: FloatArray) -> float:
    """How often a recorded channel really gets a new value.

    A logger that writes rows faster than its channels answer repeats the last sample. Between two changes lie one
    or, where two samples happen to be equal, several refresh intervals: a low quantile of those spans is one.

    Args:
        time_s: Shape (n,), [s]
        values: Shape (n,), no NaN
    Returns:
        Interval [s]; infinite for a channel that changes less than three times.
    """
    changes = np.flatnonzero(np.diff(values) != 0) + 1
    if changes.size < 3:
        return float("inf")
    spans = np.diff(time_s[changes])
    return float(np.quantile(spans, _SHORT_SHARE))


def refresh_rows(time_s: FloatArray, values: FloatArray, interval_s: float) -> npt.NDArray[np.intp]:
    """Rows at which a held channel got its samples.

    Every change is one; where the value stays equal for longer than one and a half intervals, a sample that happened
    to be equal is taken to lie every interval.

    Args:
        time_s, values: Shape (n,)
        interval_s: The channel's refresh interval. [s]
    Returns:
        Rising row numbers, the first and every change among them.
    """
    changes = np.concatenate([[0], np.flatnonzero(np.diff(values) != 0) + 1])
    ends = np.append(time_s[changes[1:]], time_s[-1] + interval_s / 2)
    rows = [changes]
    for row, end in zip(changes, ends, strict=True):
        if end - time_s[row] > 1.5 * interval_s:
            wanted = np.arange(time_s[row] + interval_s, end - 0.5 * interval_s, interval_s)
            rows.append(np.searchsorted(time_s, wanted - 1e-6 * interval_s))
    found = np.unique(np.concatenate(rows))
    return found[found < time_s.size]


def hidden_height(time_s: FloatArray, values: FloatArray) -> float:
    """How far above all samples a signal may have stood between two of them.

    A signal that changes no faster than it was seen to change near by stays under a tent over each pair of samples: up
    at the steepest slope of this pair or the pairs beside it, and down at the same. The tallest tent counts.

    Args:
        time_s: Rising. Shape (n,), [s]
        values: Samples. Shape (n,)
    Returns:
        Height above the highest sample, never below 0. Unit of ``values``
    """
    if values.size < 3:
        return 0.0
    spans, steps = np.diff(time_s), np.abs(np.diff(values))
    slope = steps / spans
    steepest = slope.copy()
    steepest[1:] = np.maximum(steepest[1:], slope[:-1])
    steepest[:-1] = np.maximum(steepest[:-1], slope[1:])
    tents = np.maximum(values[:-1], values[1:]) + 0.5 * (steepest * spans - steps)
    return max(float(tents.max() - values.max()), 0.0)


def median_smooth(time_s: FloatArray, values: FloatArray, width_s: float) -> FloatArray:
    """Running median over about ``width_s``; the values themselves where that is under three samples. Shape (n,)"""
    if time_s.size < 5:
        return values
    rows = int(width_s / float(np.median(np.diff(time_s))) / 2) * 2 + 1
    rows = min(rows, 101)
    return values if rows < 3 else ndimage.median_filter(values, size=rows, mode="nearest")


def bursts(time_s: FloatArray, values: FloatArray, longest_s: float, least: float) -> npt.NDArray[np.bool_]:
    """Rows at which a signal leaves its line for a moment and comes back to it.

    A running median passes a rising signal unchanged and drops what lasts for less than half its width; a parabola
    through both sides of what it found then shows where that begins and ends.

    Args:
        time_s, values: Shape (n,)
        longest_s: A burst lasts for less than this. [s]
        least: Distance from the line that counts, where the signal's noise is not more. Unit of ``values``
    Returns:
        Shape (n,)
    """
    rows = int(2.0 * longest_s / float(np.median(np.diff(time_s))) / 2) * 2 + 1 if time_s.size > 4 else 0
    if rows < 3 or rows > values.size:
        return np.zeros(values.size, dtype=bool)
    away = values - ndimage.median_filter(values, size=rows, mode="nearest")
    spread = 1.4826 * float(np.median(np.abs(away)))
    core = np.asarray(np.abs(away) > max(least, 6.0 * spread))
    if core.any():
        edges = np.flatnonzero(np.diff(np.concatenate([[0], core.astype(np.int8), [0]])))
        for first, stop in zip(edges[::2], edges[1::2], strict=True):
            _widen(core, time_s, values, (time_s[first], time_s[stop - 1]), longest_s, max(0.4 * least, 4.0 * spread))
    return core


def _widen(
    found: npt.NDArray[np.bool_],
    time_s: FloatArray,
    values: FloatArray,
    burst_s: tuple[float, float],
    longest_s: float,
    least: float,
) -> None:
    """Mark what lies off the line through both sides of a burst, from the sides in; changes ``found``."""
    first, last = burst_s[0] - 0.6 * longest_s, burst_s[1] + 0.6 * longest_s
    inside = (time_s >= first) & (time_s <= last)
    beside = ~inside & (time_s >= first - 1.5 * longest_s) & (time_s <= last + 1.5 * longest_s)
    if np.count_nonzero(beside & (time_s < first)) < 3 or np.count_nonzero(beside & (time_s > last)) < 3:
        return
    line = np.polynomial.Polynomial.fit(time_s[beside], values[beside], 2)
    off = np.flatnonzero(inside & (np.abs(values - line(time_s)) > least))
    if off.size:
        found[off[0] : off[-1] + 1] = True


def resample(time_s: FloatArray, values: FloatArray, at_s: FloatArray) -> FloatArray:
    """Values at other times by straight lines between samples, the ends held. Shape of ``at_s``"""
    return np.interp(at_s, time_s, values)


@dataclass(frozen=True)
class LagFit:
    """First-order lag with dead time.

    Attributes:
        lag_s: Time constant. [s]
        dead_time_s: [s]
        gain: Final change of the output for the step. Unit of the output
    """

    lag_s: float
    dead_time_s: float
    gain: float


def smith_lag(time_s: FloatArray, response: FloatArray, *, step_at_s: float = 0.0) -> LagFit:
    """Lag and dead time of a step response by Smith's two-point method.

    The response of gain/(lag s + 1) with dead time passes 28.3 % of its change at dead time + lag/3 and 63.2 % at dead
    time + lag. C. L. Smith, Digital Computer Process Control (1972); Seborg, Edgar, Mellichamp, Process Dynamics and
    Control, ch. 7.

    Args:
        time_s: Shape (n,), [s]
        response: From rest before the step to the settled end. Shape (n,)
        step_at_s: When the step was made. [s]
    Raises:
        ValueError: the response does not change, or never passes the two points.
    """
    before = response[time_s <= step_at_s]
    start = float(before.mean()) if before.size else float(response[0])
    last = max(response.size // 20, 1)
    change = float(response[-last:].mean()) - start
    if change == 0:
        raise ValueError("the response must change for its lag to be found, but it starts and ends at one value")
    share = (response - start) / change

    def passes(level: float) -> float:
        above = np.flatnonzero((share >= level) & (time_s >= step_at_s))
        if above.size == 0:
            raise ValueError(f"the response never reaches {100 * level:.1f} % of its change")
        row = int(above[0])
        if row == 0:
            return float(time_s[0])
        part = (level - share[row - 1]) / (share[row] - share[row - 1])
        return float(time_s[row - 1] + part * (time_s[row] - time_s[row - 1]))

    early, late = passes(1.0 - np.exp(-1.0 / 3.0)), passes(1.0 - np.exp(-1.0))
    lag = 1.5 * (late - early)
    return LagFit(lag_s=lag, dead_time_s=late - lag - step_at_s, gain=change)


def dead_time_s(cause: FloatArray, effect: FloatArray, interval_s: float, longest_s: float) -> float:
    """Delay at which two evenly sampled signals agree best, by cross-correlation of their changes.

    Args:
        cause, effect: Shape (n,)
        interval_s: Between samples. [s]
        longest_s: Longest delay looked for. [s]
    Returns:
        Delay of ``effect`` after ``cause``, between samples by a parabola through the three highest values. [s]
    Raises:
        ValueError: lengths differ, or one signal never changes.
    """
    if cause.size != effect.size:
        raise ValueError(f"cause and effect must have one length, but got {cause.size} and {effect.size}")
    first, second = np.diff(cause), np.diff(effect)
    if not first.any() or not second.any():
        raise ValueError("both signals must change for a delay between them to be found")
    most = min(round(longest_s / interval_s), first.size - 2)
    match = np.array([float(first[: first.size - lag] @ second[lag:]) for lag in range(most + 1)])
    top = int(np.argmax(match))
    if not 0 < top < most:
        return top * interval_s
    left, middle, right = match[top - 1 : top + 2]
    bend = left - 2.0 * middle + right
    return float((top + (0.5 * (left - right) / bend if bend else 0.0)) * interval_s)
