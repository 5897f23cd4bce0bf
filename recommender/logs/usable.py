"""Rows of a log that hold time, engine speed and boost together, and boost read in the rows that do not."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from models.units import FloatArray
from recommender.logs.boost import BoostReading
from recommender.logs.channels import Channels
from recommender.logs.errors import LogError
from recommender.logs.found import Stretch
from recommender.logs.options import GUARD_ROLES, Role
from recommender.logs.tracing import Beside, LeftOut, Rows, Unread, dropped_out

#: Rows filled at a time.
BLOCK_ROWS: Final = 1 << 18
#: Boost that comes back above the limit within this time never left it for long: the two are told as one. [s]
APART_S: Final = 1.0


def held_forward(values: FloatArray) -> FloatArray:
    """Blanks filled with the last sample, as far as blanks are usual in this channel; the start stays blank."""
    known = np.isfinite(values)
    if known.all() or np.count_nonzero(known) < 2:
        return values
    usual = float(np.quantile(np.diff(np.flatnonzero(known)), 0.9))
    if usual <= 1.0:
        return values  # blanks are the exception: such rows are left out, not filled
    filled, last = np.empty_like(values), -1
    for begin in range(0, values.size, BLOCK_ROWS):  # block by block: the largest logs leave no room for row numbers
        rows = np.arange(begin, min(begin + BLOCK_ROWS, values.size))
        place = np.maximum.accumulate(np.where(known[rows[0] : rows[-1] + 1], rows, last))
        fresh = (place >= 0) & (rows - place <= 5 * usual)
        filled[rows[0] : rows[-1] + 1] = np.where(fresh, values[np.maximum(place, 0)], np.nan)
        last = int(place[-1])
    return filled


def running_rpm(channels: Channels) -> FloatArray:
    """Engine speed with blanks where it reads nothing for a moment: the engine does not stand there. [rpm]"""
    rpm = channels.values["rpm"]
    off = dropped_out(channels.time_s, rpm)
    return np.where(off, np.nan, rpm) if off.any() else rpm


def usable_rows(channels: Channels, reading: BoostReading, file_name: str) -> Rows:
    """Rows with time, rpm and boost, cut where time runs backwards.

    Raises:
        LogError: fewer than four such rows.
    """
    rpm, boost = held_forward(running_rpm(channels)), held_forward(reading.boost_kpa)
    good = np.isfinite(channels.time_s) & np.isfinite(rpm) & np.isfinite(boost)
    good &= ~dropped_out(channels.time_s, channels.values["rpm"])
    rows = _highest_of_equal_stamps(channels.time_s, boost, np.flatnonzero(good))
    if rows.size < 4:
        raise LogError(
            f"{file_name}: only {rows.size} rows hold time, engine speed and boost together, expected a whole pull. "
            "Log all three channels."
        )
    whole = rows.size == good.size  # then nothing is copied: the largest logs are sound ones
    part: slice | npt.NDArray[np.intp] = slice(None) if whole else rows
    time = channels.time_s[part]
    backward = tuple(int(row) + 1 for row in np.flatnonzero(np.diff(time) < 0))
    values: dict[Role, FloatArray] = {
        role: rpm[part] if role == "rpm" else held_forward(array)[part]
        for role, array in channels.values.items()
        if role != "boost"
    }
    lost = np.flatnonzero(~good & np.isfinite(reading.boost_kpa))
    left_out = LeftOut(np.searchsorted(rows, lost), _times_at(channels.time_s, lost), reading.boost_kpa[lost])
    unread = _unread(channels, reading, rows)
    return Rows(time, values, boost[part], backward, left_out, unread, _beside(channels, rows))


def _beside(channels: Channels, rows: npt.NDArray[np.intp]) -> Beside:
    used = np.zeros(channels.time_s.size, dtype=bool)
    used[rows] = True
    others = np.flatnonzero(~used)
    watched = {role: channels.values[role][others] for role in GUARD_ROLES if role in channels.values}
    return Beside(np.searchsorted(rows, others), _times_at(channels.time_s, others), watched)


def _times_at(time_s: FloatArray, rows: npt.NDArray[np.intp]) -> FloatArray:
    """Times of some rows, drawn between the rows beside them where a row has none. Shape of ``rows``, [s]"""
    own = time_s[rows]
    known = np.flatnonzero(np.isfinite(time_s))
    return own if np.isfinite(own).all() else np.where(np.isfinite(own), own, np.interp(rows, known, time_s[known]))


def _unread(channels: Channels, reading: BoostReading, rows: npt.NDArray[np.intp]) -> Unread:
    """Cells of boost that hold words, or numbers far beyond any turbo, among the rows that are used."""
    cells = {**channels.columns["boost"].unread, **reading.beyond}
    places = np.array(sorted(cells), dtype=np.intp)
    texts = tuple(cells[row] for row in sorted(cells))
    return Unread(np.searchsorted(rows, places), _times_at(channels.time_s, places), texts)


def _highest_of_equal_stamps(
    time_s: FloatArray, boost_kpa: FloatArray, rows: npt.NDArray[np.intp]
) -> npt.NDArray[np.intp]:
    """Of neighbouring rows with one time stamp that with the highest boost; the first of equals."""
    fresh = np.diff(time_s[rows]) != 0
    if fresh.all():
        return rows
    group = np.concatenate([[0], np.cumsum(fresh)])
    order = np.lexsort((-boost_kpa[rows], group))  # within a stamp the highest first
    first = np.concatenate([[True], np.diff(group[order]) != 0])
    kept: npt.NDArray[np.intp] = rows[order[first]]
    return kept


def highest_boost(channels: Channels, reading: BoostReading) -> tuple[float, float]:
    """The highest of all readings of boost, also in rows that lack time or engine speed, and when it was.

    Returns:
        [kPa gauge]; [s], that of the last row before it with a time.
    """
    highest = float(np.fmax.reduce(reading.boost_kpa))
    top = int(np.argmax(reading.boost_kpa == highest))
    before = channels.time_s[: top + 1]
    known = np.flatnonzero(np.isfinite(before))
    at = float(before[known[-1]]) if known.size else float(np.nanmin(channels.time_s))
    return highest, at


def above_limit(channels: Channels, reading: BoostReading, limit_kpa: float) -> tuple[Stretch, ...]:
    """Every stretch of boost above the limit, also in rows without engine speed, the highest first. [kPa gauge]"""
    rows = np.flatnonzero(reading.boost_kpa > limit_kpa)
    if not rows.size:
        return ()
    timed = np.flatnonzero(np.isfinite(channels.time_s))  # rows without a time are read at that of the row before
    time = channels.time_s[timed[np.maximum(np.searchsorted(timed, rows, side="right") - 1, 0)]]
    step = np.diff(time)
    parts = np.split(np.arange(rows.size), np.flatnonzero((step > APART_S) | (step < 0.0)) + 1)
    found = [_stretch(time[part], reading.boost_kpa[rows[part]]) for part in parts]
    return tuple(sorted(found, key=lambda stretch: stretch.peak_kpa, reverse=True))


def _stretch(time_s: FloatArray, boost_kpa: FloatArray) -> Stretch:
    """One of them; of readings with one time stamp the highest."""
    stamps, first = np.unique(time_s, return_index=True)
    return Stretch(stamps, np.maximum.reduceat(boost_kpa, first))
