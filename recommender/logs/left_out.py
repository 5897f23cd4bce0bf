"""Readings that cannot be, left out before anything is looked for in a log, and said."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from models.signals import refresh_interval_s
from models.units import FloatArray
from recommender.logs.table import Column, RawLog

#: No engine turns faster. [rpm]
FASTEST_RPM: Final = 20000.0
#: A column with more such readings than this is of something else. [-]
FEW: Final = 0.05
#: No boost, gauge or absolute, reads more than the first; what reads more than the second is no boost at all. [kPa]
HIGHEST_KPA: Final = (530.0, 1500.0)
#: A gauge without a signal stands still within the first, at no more than the second, between readings over the third;
#: for so many readings, or where those beside it are alike to such a share. It is gone and back within the times.
STANDS_KPA: Final = 0.5
NO_SIGNAL_KPA: Final = 5.0
UNDER_BOOST_KPA: Final = 30.0
STANDS_FOR: Final = 3
ALIKE_SHARE: Final = 0.8
AT_ONCE_S: Final = 0.15
SIGNAL_LOST_S: Final = 3.0


def measured(column: Column) -> Column:
    """The column with blanks where it holds infinite numbers; the very same column where it holds none."""
    beyond = np.isinf(column.values)
    return replace(column, values=np.where(beyond, np.nan, column.values)) if beyond.any() else column


def turnable(rpm: FloatArray) -> FloatArray:
    """Engine speeds with blanks where no engine turns that fast; the very same array where such readings are many.

    Args:
        rpm: Shape (n,), NaN where blank. [rpm]
    """
    beyond = rpm > FASTEST_RPM
    few = 0 < np.count_nonzero(beyond) <= FEW * np.count_nonzero(np.isfinite(rpm))
    return np.where(beyond, np.nan, rpm) if few else rpm


def bearable(kpa: FloatArray) -> FloatArray:
    """Boost with blanks where it reads far beyond any turbo for a moment; the very same array where it does not.

    Only where nothing lies between: boost in another unit than it is read in rises through all of it.

    Args:
        kpa: Shape (n,), NaN where blank. [kPa], gauge or absolute
    """
    beyond, far = kpa > HIGHEST_KPA[0], kpa > HIGHEST_KPA[1]
    count = np.count_nonzero(far)
    few = 0 < count <= FEW * np.count_nonzero(np.isfinite(kpa)) and count == np.count_nonzero(beyond)
    return np.where(far, np.nan, kpa) if few else kpa


def signal_lost(time_s: FloatArray, boost_kpa: FloatArray) -> npt.NDArray[np.bool_]:
    """Readings of boost at which the gauge gave no signal for a moment, as with a loose plug.

    From one reading to the next it falls to ambient or under it, stands still there and is back: no turbo does that.

    Args:
        time_s, boost_kpa: Shape (n,), NaN where blank. [s], [kPa gauge]
    """
    lost = np.zeros(boost_kpa.size, dtype=bool)
    known = np.flatnonzero(np.isfinite(boost_kpa) & np.isfinite(time_s))
    whole = known.size == boost_kpa.size  # then nothing is copied: the largest logs are sound ones
    boost, time = (boost_kpa, time_s) if whole else (boost_kpa[known], time_s[known])
    edges = np.flatnonzero(np.diff((boost <= NO_SIGNAL_KPA).astype(np.int8), prepend=0, append=0))
    first, stop = edges[::2], edges[1::2]
    inside = (first > 0) & (stop < boost.size)
    first, stop = first[inside], stop[inside]
    if not first.size:
        return lost
    before, after = boost[first - 1], boost[stop]
    bounds = np.column_stack([first, stop]).ravel()
    still = np.maximum.reduceat(boost, bounds)[::2] - np.minimum.reduceat(boost, bounds)[::2] <= STANDS_KPA
    # Rows may be repeats of held samples: only a gauge that is really read as quickly shows anything at once.
    read_s = refresh_interval_s(time, boost)
    high = np.minimum(before, after) >= UNDER_BOOST_KPA
    alike = np.minimum(before, after) >= ALIKE_SHARE * np.maximum(before, after)
    high &= alike | (time[stop] - time[first] > (STANDS_FOR - 0.5) * read_s)
    falls, lasts, rises = time[first] - time[first - 1], time[stop] - time[first - 1], time[stop] - time[stop - 1]
    quick = (falls >= 0) & (rises >= 0) & (np.maximum(falls, rises) <= AT_ONCE_S) & (lasts < SIGNAL_LOST_S)
    quick &= read_s <= AT_ONCE_S
    for begin, end in np.column_stack([first, stop])[still & high & quick]:
        lost[known[begin:end]] = True
    return lost


def signal_lost_said(label: str, time_s: FloatArray, boost_kpa: FloatArray, lost: npt.NDArray[np.bool_]) -> list[str]:
    """That such readings were left out, in words; nothing where there were none. Arguments as of ``signal_lost``."""
    rows = np.flatnonzero(lost)
    if not rows.size:
        return []
    return [
        f"{label}: falls to {boost_kpa[rows[0]]:.0f} kPa gauge {_moment(rows, time_s)} and is back at once, which no "
        f"turbo does: {_count(rows)} left out. Look at the sensor, its plug and its wire"
    ]


def infinite_said(raw: RawLog, chosen: Column, time_s: FloatArray) -> list[str]:
    """That a column chosen for a role held infinite numbers, in words; nothing where it did not.

    Args:
        raw: The log as read.
        chosen: The column as chosen, infinite numbers taken out.
        time_s: Shape (n,), NaN where blank. [s]
    """
    held = next(column for column in raw.columns if column.header == chosen.header and column.name == chosen.name)
    rows = np.flatnonzero(np.isinf(held.values))
    if not rows.size:
        return []
    return [
        f"{chosen.label}: infinite, or a number beyond all measure, {_moment(rows, time_s)}: {_count(rows)} left out"
    ]


def untrue_rpm_said(column: Column, rpm: FloatArray, time_s: FloatArray) -> list[str]:
    """That engine speeds were left out, in words; nothing where none were.

    Args:
        column: The engine speed's column.
        rpm, time_s: As read, NaN where blank or left out. Shapes (n,), [rpm], [s]
    """
    rows = np.flatnonzero(np.isfinite(column.values) & np.isnan(rpm))
    if not rows.size:
        return []
    return [
        f"{column.label}: reads {column.values[rows[0]]:g} {_moment(rows, time_s)}, which no engine can turn: "
        f"{_count(rows)} left out"
    ]


def _moment(rows: npt.NDArray[np.intp], time_s: FloatArray) -> str:
    """When the first of some rows was written."""
    first = int(rows[0])
    return f"at {time_s[first]:.2f} s" if np.isfinite(time_s[first]) else f"in row {first + 1} of the numbers"


def _count(rows: npt.NDArray[np.intp]) -> str:
    return "1 such reading was" if rows.size == 1 else f"{rows.size} such readings were"
