"""A throttle that the engine control closes although the pedal is down: boost then tells of more than the gate."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Final

import numpy as np

from recommender.logs.channels import Channels
from recommender.logs.evidence import Quality, Remark
from recommender.logs.found import FoundPull
from recommender.logs.left_out import measured
from recommender.logs.plausible import QUANTITIES
from recommender.logs.table import Column, RawLog
from recommender.logs.words import rank_of
from recommender.logs.written_units import fold

#: The pedal is down from this share of its highest in the pull. [-]
DOWN: Final = 0.85
#: The throttle has been open, and has closed, at these shares of its widest in the pull; for so long. [-], [s]
OPEN: Final = 0.9
CLOSED: Final = 0.8
FOR_S: Final = 0.25
#: A throttle that opens no wider in the pull is not connected, or one that is not needed. [as logged]
LEAST_OPEN: Final = 5.0

_PEDAL: Final = re.compile(r"ped|fahr|\bgas|accel|acel|\bapps?\b")


def flaps_of(raw: RawLog, channels: Channels) -> tuple[Column, ...]:
    """Throttles of a log in which the pedal was taken for load; none where it was not."""
    pedal = channels.columns.get("throttle")
    if pedal is None or not _PEDAL.search(fold(pedal.name)):
        return ()
    return tuple(
        measured(column)
        for column in raw.columns
        if column.kind == "number"
        and rank_of("throttle", column.name)
        and not _PEDAL.search(fold(column.name))
        and column.quantity in (None, *QUANTITIES["throttle"])
    )


def with_flaps(pull: FoundPull, flaps: tuple[Column, ...], channels: Channels) -> FoundPull:
    """The pull, with a remark where a throttle closes in it while the pedal is down."""
    pedal, time = pull.channels.get("throttle"), pull.channel_time_s
    if pull.kind != "sweep" or pedal is None or not flaps or not np.any(pedal > 0.0):
        return pull
    down = pedal >= DOWN * np.nanmax(pedal)
    for flap in flaps:
        known = np.isfinite(flap.values) & np.isfinite(channels.time_s)
        known &= (channels.time_s >= time[0]) & (channels.time_s <= time[-1])
        if np.count_nonzero(known) < 2:
            continue
        opening = np.interp(time, channels.time_s[known], flap.values[known])
        widest = float(opening[down].max())
        opened = np.maximum.accumulate(opening) >= OPEN * widest
        rows = np.flatnonzero(down & opened & (opening < CLOSED * widest))
        if widest < LEAST_OPEN or not rows.size or time[rows[-1]] - time[rows[0]] < FOR_S:
            continue
        rpm = pull.channels["rpm"][rows[0]]
        text = (
            f"{flap.label} closes from {widest:.0f} to {opening[rows].min():.0f}, at {rpm:.0f} rpm first, while the "
            "pedal is down: the engine control takes load away, and boost tells of more than the gate there"
        )
        remark = Remark("throttle closes", text, float(time[rows[0]]))
        return replace(pull, quality=Quality.of([*pull.quality.remarks, remark]))
    return pull
