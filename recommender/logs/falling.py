"""Sweeps downwards: engine speed that falls under full load, as on a dyno that brakes. They are no pulls."""

from __future__ import annotations

from typing import Final

import numpy as np

from models.signals import median_smooth
from recommender.logs.options import FinderOptions
from recommender.logs.pulls import SMOOTH_S, Recording, bridged, full_load_pct, pieces, runs

#: Engine speed falls faster than this in a gear shift, slower in a sweep downwards. [rpm/s]
_SHIFT_RPM_S: Final = 1000.0


def find_falling(rec: Recording, options: FinderOptions) -> list[tuple[int, int]]:
    """First and last row of every stretch in which engine speed falls under full load, as on a dyno that brakes.

    Without a throttle channel, load is taken as full where boost stands near the highest of the recording. A gear
    shift is quicker than ``_SHIFT_RPM_S``.
    """
    if rec.time_s.size < 4:
        return []
    smooth = median_smooth(rec.time_s, rec.rpm, SMOOTH_S)
    if rec.throttle_pct is None:
        full = rec.boost_kpa >= max(0.6 * float(rec.boost_kpa.max()), 10.0)
    else:
        threshold = full_load_pct(rec.throttle_pct, options)
        if threshold is None:
            return []
        full = rec.throttle_pct >= threshold
    found = []
    for first, last in runs(bridged(full, rec.time_s)):
        for begin, end in pieces(-smooth, first, last, options.largest_drop_rpm):
            top = begin + int(np.argmax(smooth[begin : end + 1]))
            low = top + int(np.argmin(smooth[top : end + 1]))
            fall, seconds = float(smooth[top] - smooth[low]), float(rec.time_s[low] - rec.time_s[top])
            if fall >= options.least_rise_rpm and seconds >= max(options.least_length_s, fall / _SHIFT_RPM_S):
                found.append((top, low))
    return found
