"""Absolute boost told by part load or a coast down: drawn far under ambient there, from ambient up at full load."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from models.units import FloatArray
from recommender.logs.errors import LogError

#: Part load is under this share of the least opening of full load; a throttle or pedal up to so far is closed. [-], [%]
PART: Final = 0.6
CLOSED_PCT: Final = 10.0
#: Full load begins no further under ambient; part load is drawn at least as far under it. [kPa]
BEGINS_KPA: Final = 8.0
DRAWN_KPA: Final = 25.0
#: A closed throttle draws a turning engine's manifold to between these. [kPa absolute]
CLOSED_KPA: Final = (12.0, 75.0)
#: Fewest readings that tell either.
FEWEST: Final = 5
#: Without a throttle: load is full after this share of the rise, and gone this far down from the top. [-], [rpm]
BEGUN: Final = 0.15
COASTED_RPM: Final = 300.0


def drawn_to(
    kpa: FloatArray, rpm: FloatArray, throttle_pct: FloatArray | None, full: npt.NDArray[np.bool_], ambient: float
) -> float | None:
    """Reading of part load where the column looks absolute; None where it does not, or the log does not tell. [kPa]"""
    if throttle_pct is None:
        full, let_go = _by_engine_speed(rpm)
    elif full.all() or not full.any():
        return None
    else:
        let_go = throttle_pct < PART * float(np.nanmin(throttle_pct[full]))
    known = np.isfinite(kpa)
    loaded, part = kpa[known & full], kpa[known & let_go]
    if min(loaded.size, part.size) < FEWEST:
        return None
    # Where the throttle is opened within the log, vacuum lasts on for a moment.
    begins, drawn = float(np.quantile(loaded, 0.1)), float(np.quantile(part, 0.1))
    return drawn if begins >= ambient - BEGINS_KPA and drawn <= ambient - DRAWN_KPA else None


def _by_engine_speed(rpm: FloatArray) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Rows of the rise to the highest engine speed, its beginning aside, and rows of the coast down after it."""
    known = np.flatnonzero(np.isfinite(rpm))
    row = np.arange(rpm.size)
    if not known.size:
        return row < 0, row < 0
    top = int(known[np.argmax(rpm[known])])
    lowest = float(np.nanmin(rpm[: top + 1]))
    low = np.flatnonzero(rpm[: top + 1] <= lowest + BEGUN * (rpm[top] - lowest))
    return (row > low[-1]) & (row <= top), (row > top) & (rpm < rpm[top] - COASTED_RPM)


def proves_absolute(kpa: FloatArray, throttle_pct: FloatArray | None, rpm: FloatArray) -> bool:
    """Whether a turning engine behind a closed throttle or pedal reads steady vacuum, if the column is absolute."""
    if throttle_pct is None:
        return False
    closed = kpa[np.isfinite(kpa) & (throttle_pct <= CLOSED_PCT) & (rpm > 400.0)]
    return closed.size >= FEWEST and CLOSED_KPA[0] <= float(np.median(closed)) <= CLOSED_KPA[1]


def confirm_gauge(
    label: str,
    kpa: FloatArray,
    rpm: FloatArray,
    throttle_pct: FloatArray | None,
    full: npt.NDArray[np.bool_],
    ambient: float,
    file_name: str,
) -> None:
    """Ask where only its name makes a column gauge, and load makes it look absolute.

    Raises:
        LogError: it does.
    """
    drawn = drawn_to(kpa, rpm, throttle_pct, full, ambient)
    if drawn is not None:
        raise LogError(
            f"{file_name}, column {label!r}: reads {drawn:.0f} kPa at part load and from about ambient up at full "
            "load, as an absolute column does; gauge would have the engine boosted at part load too. "
            'State it in the job file: [channels] boost_is = "absolute" (or "gauge").'
        )
