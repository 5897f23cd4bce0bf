"""The real samples of a pull: how often each channel is really read, and the trace made of those readings."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

from models.curve import Trace
from models.signals import bursts, hidden_height, refresh_interval_s, refresh_rows
from models.units import FloatArray
from recommender.logs.options import Role
from recommender.logs.pulls import AFTER_S, Span, fullest

#: Rows are repeats of held samples where a channel's own interval is this much longer than that of the rows.
_HELD: Final = 1.6
#: Under this the engine stands, over the other it runs fast; it neither stops nor starts within this time. [rpm], [s]
STANDING_RPM: Final = 200.0
RUNNING_RPM: Final = 1300.0
DROPOUT_S: Final = 3.0
#: A burst of slip lasts for less than this, and moves engine speed by more. [s], [rpm]
SLIP_S: Final = 1.0
SLIP_RPM: Final = 90.0
#: Readings this near to slip go with it. [s]
BESIDE_SLIP_S: Final = 0.06
#: Duty that is turned by hand is known well enough between readings as far apart as this. [s]
BLANK_S: Final = 1.0


@dataclass(frozen=True)
class LeftOut:
    """Readings of boost in rows that were left out because engine speed or time is not known there.

    Attributes:
        before: The usable row that each stands before. Shape (m,)
        time_s, boost_kpa: Shape (m,), [s], [kPa gauge]; times that a row lacks are drawn between those beside it
    """

    before: npt.NDArray[np.intp]
    time_s: FloatArray
    boost_kpa: FloatArray


@dataclass(frozen=True)
class Beside:
    """Rows that are not used: engine speed, boost or time is not known there, or their stamp stands twice.

    Attributes:
        before: The usable row that each stands before. Shape (m,)
        time_s: Shape (m,), drawn between the rows beside it where a row has none. [s]
        values: What guards may watch, as read there. Shapes (m,)
    """

    before: npt.NDArray[np.intp]
    time_s: FloatArray
    values: dict[Role, FloatArray]

    def within(self, part: slice) -> npt.NDArray[np.bool_]:
        """Which of them lie between the usable rows of a part. Shape (m,)"""
        return np.asarray((self.before > part.start) & (self.before < part.stop))


@dataclass(frozen=True)
class Unread:
    """Cells of boost that hold words.

    Attributes:
        before: The usable row that each stands before. Shape (m,)
        time_s: Shape (m,), drawn between the rows beside it where a row has none. [s]
        texts: As the log writes them.
    """

    before: npt.NDArray[np.intp]
    time_s: FloatArray
    texts: tuple[str, ...]


@dataclass(frozen=True)
class Rows:
    """The rows in which time, rpm and boost are known, with everything held onto them."""

    time_s: FloatArray
    values: dict[Role, FloatArray]
    boost_kpa: FloatArray
    backward_rows: tuple[int, ...]
    left_out: LeftOut
    unread: Unread
    beside: Beside

    @property
    def rpm(self) -> FloatArray:
        return self.values["rpm"]

    @cached_property
    def fullest_pct(self) -> float:
        """Highest reading of the throttle but for stray ones; NaN where there is none. [%]"""
        throttle = self.values.get("throttle")
        known = np.empty(0) if throttle is None else throttle[np.isfinite(throttle)]
        return fullest(known) if known.size else float("nan")


def dropped_out(time_s: FloatArray, rpm: FloatArray) -> npt.NDArray[np.bool_]:
    """Rows at which engine speed reads nothing for a moment although the engine runs before and after.

    Args:
        time_s, rpm: Shape (n,), NaN where blank
    """
    off = rpm < STANDING_RPM
    if not off.any():
        return off
    running = np.flatnonzero(rpm >= RUNNING_RPM)
    rows = np.flatnonzero(off)
    place = np.searchsorted(running, rows)
    between = (place > 0) & (place < running.size)
    rows, place = rows[between], place[between]
    short = time_s[running[place]] - time_s[running[place - 1]] < DROPOUT_S
    found = np.zeros(rpm.size, dtype=bool)
    found[rows[short]] = True
    return found


def dropouts_said(time_s: FloatArray, rpm: FloatArray) -> list[str]:
    """The first such moment in words; nothing where there is none."""
    rows = np.flatnonzero(dropped_out(time_s, rpm))
    if not rows.size:
        return []
    return [
        f"engine speed reads {rpm[rows[0]]:.0f} rpm at {time_s[rows[0]]:.2f} s while the engine runs before and after: "
        f"{rows.size} such readings were left out"
    ]


def whole_intervals(rows: Rows) -> dict[str, float]:
    """Real interval of every channel over the whole recording; infinite where time does not rise throughout. [s]"""
    if rows.backward_rows:
        return {role: float("inf") for role in (*rows.values, "boost")}
    return {role: _interval(rows.time_s, values) for role, values in [*rows.values.items(), ("boost", rows.boost_kpa)]}


def _interval(time_s: FloatArray, values: FloatArray) -> float:
    known = np.isfinite(values)
    return refresh_interval_s(time_s[known], values[known])


def intervals_in(rows: Rows, span: Span, whole: dict[str, float]) -> dict[str, float]:
    """Real interval of every channel in a pull: the shorter of that over the recording and that over the pull. [s]"""
    part = slice(span.trace_first, span.trace_last + 1)
    time = rows.time_s[part]
    row_s = float(np.median(np.diff(time)))
    found: dict[str, float] = {}
    for role, values in [*rows.values.items(), ("boost", rows.boost_kpa)]:
        shorter = min(whole[role], _interval(time, values[part]))
        found[role] = max(shorter, row_s)
    return found


def trace_of(rows: Rows, span: Span, intervals: dict[str, float], row_s: float) -> Trace:
    """The pull's real samples: boost where it was really read, engine speed drawn between its own readings."""
    part = slice(span.trace_first, span.trace_last + 1)
    time, rpm, boost = rows.time_s[part], rows.rpm[part], rows.boost_kpa[part]
    duty = rows.values.get("duty")
    pick = np.arange(time.size)
    if _HELD * row_s < intervals["boost"] < np.inf:
        pick = refresh_rows(time, boost, intervals["boost"])
    if _HELD * row_s < intervals["rpm"] < np.inf:
        own = refresh_rows(time, rpm, intervals["rpm"])
        rpm = np.interp(time, time[own], rpm[own])
    ended = span.sweep_last - span.trace_first
    pick, rpm = _without_slip(time, rpm, boost, pick, ended)
    # A spike after the end belongs to the engine speed at the end, not to that of the next gear.
    rpm = np.where(np.arange(rpm.size) > ended, np.maximum(rpm, rpm[ended] - 100.0), rpm)
    pick = pick[(pick <= ended) | (boost[pick] >= boost[ended])]  # of what follows the lift, the spike alone
    if pick.size < 4:
        pick = np.unique(np.linspace(0, time.size - 1, min(time.size, 8)).astype(int))
    logged = None if duty is None else _whole(time, duty[part])
    return Trace(time[pick], rpm[pick], boost[pick], None if logged is None else logged[pick])


def _whole(time_s: FloatArray, values: FloatArray) -> FloatArray | None:
    """Readings with short blanks drawn between their neighbours; None where a blank is longer, or there are none."""
    known = np.isfinite(values)
    if known.all():
        return values
    moments = np.concatenate([time_s[:1], time_s[known], time_s[-1:]])
    if not known.any() or np.diff(moments).max() > BLANK_S:
        return None
    return np.interp(time_s, time_s[known], values[known])


def slipping(time_s: FloatArray, rpm: FloatArray) -> npt.NDArray[np.bool_]:
    """Rows at which engine speed bursts away from the line it rises along and comes back: slip, or bad readings.

    Args:
        time_s, rpm: A sweep. Shape (n,)
    """
    return bursts(time_s, rpm, SLIP_S, SLIP_RPM)


def _without_slip(
    time_s: FloatArray, rpm: FloatArray, boost_kpa: FloatArray, pick: npt.NDArray[np.intp], ended: int
) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """The readings without those in slip; the highest boost stays, at the engine speed that the line has there."""
    slip = np.zeros(pick.size, dtype=bool)
    sweep = pick <= ended
    slip[sweep] = slipping(time_s[pick[sweep]], rpm[pick[sweep]])
    if not slip.any():
        return pick, rpm
    beside = np.abs(time_s[pick][:, None] - time_s[pick][slip][None, :]).min(axis=1) <= BESIDE_SLIP_S
    sound = pick[~beside]
    if sound.size < 4:
        return pick, rpm
    on_line = np.where(np.isin(np.arange(rpm.size), sound), rpm, np.interp(time_s, time_s[sound], rpm[sound]))
    top = pick[int(np.argmax(boost_kpa[pick]))]
    return np.union1d(sound, [top]), on_line


def with_left_out(rows: Rows, span: Span, trace: Trace) -> Trace:
    """The trace with the highest boost of the rows left out in it, where that stands above all others of the pull.

    Engine speed there is drawn between the readings on both sides.
    """
    lost = rows.left_out
    end_s = float(rows.time_s[span.trace_last]) + AFTER_S
    inside = (lost.before > span.trace_first) & (lost.before <= span.trace_last + 1) & (lost.time_s < end_s)
    inside &= (lost.time_s > trace.time_s[0]) & ~np.isin(lost.time_s, trace.time_s)
    if not inside.any() or lost.boost_kpa[inside].max() <= trace.boost_kpa.max():
        return trace
    row = int(np.flatnonzero(inside)[np.argmax(lost.boost_kpa[inside])])
    at_s, place = float(lost.time_s[row]), int(np.searchsorted(trace.time_s, lost.time_s[row]))

    def drawn(values: FloatArray) -> FloatArray:
        return np.insert(values, place, np.interp(at_s, trace.time_s, values))

    return Trace(
        np.insert(trace.time_s, place, at_s),
        drawn(trace.rpm),
        np.insert(trace.boost_kpa, place, lost.boost_kpa[row]),
        None if trace.duty_pct is None else drawn(trace.duty_pct),
    )


def words_in(rows: Rows, span: Span) -> tuple[tuple[float, str], ...]:
    """Moment and text of every cell of boost in a pull that holds words. [s]"""
    start_s, end_s = float(rows.time_s[span.trace_first]), float(rows.time_s[span.trace_last])
    cells = zip(rows.unread.before.tolist(), rows.unread.time_s.tolist(), rows.unread.texts, strict=True)
    return tuple(
        (time_s, text)
        for before, time_s, text in cells
        if span.trace_first < before <= span.trace_last + 1 and start_s <= time_s <= end_s + AFTER_S
    )


def put_back(own: Trace, trace: Trace) -> tuple[float, float] | None:
    """Time and boost of the reading that ``with_left_out`` put into a trace; None where none. [s], [kPa gauge]"""
    if trace is own:
        return None
    top = int(np.argmax(trace.boost_kpa))
    return float(trace.time_s[top]), float(trace.boost_kpa[top])


def unseen_kpa(trace: Trace, resolvable: bool) -> float:
    """How much higher boost may have stood between two real samples. [kPa]

    0 where boost is read often enough to show a spike; else ``models.signals.hidden_height``. Held against the true
    boost of virtual cars read 1 to 6 times a second, 96 to 100 of 100 pulls stayed under it.
    """
    return 0.0 if resolvable else hidden_height(trace.time_s, trace.boost_kpa)
