"""Times whose unit a log does not name, held against how fast an engine can turn up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from models.units import FloatArray
from recommender.logs.channels import Channels
from recommender.logs.errors import LogError
from recommender.logs.pulls import Span, pieces
from recommender.logs.tracing import Rows

#: Units of time that the steps of a column may tell, and their seconds.
UNITS_S: Final = {"s": 1.0, "ms": 1e-3, "µs": 1e-6, "ns": 1e-9, "days": 86400.0}
#: Those taken instead of one that cannot be: a thousand apart, which no two readings of one recording can bridge.
TAKEN: Final = ("s", "ms", "µs", "ns")
#: An engine's widest rise is no slower and no faster than this, a rev without load included. [rpm/s]
RISE_RPM_S: Final = (15.0, 20000.0)
#: Hardly a sweep under full load is faster. [rpm/s]
SWEEP_RPM_S: Final = 2000.0
#: Intervals between the rows of a logger, least and most. [s]
INTERVAL_S: Final = (1e-4, 2.0)
#: A rise as wide is that of a sweep, and not of a brake that creeps. [rpm]
SWEPT_RPM: Final = 1500.0
#: Under this a rise says nothing. [rpm]
LEAST_RISE_RPM: Final = 500.0
#: Engine speed may fall by so much within a rise. [rpm]
DROP_RPM: Final = 300.0


def with_possible_times(channels: Channels, file_name: str) -> Channels:
    """The channels, times read in another unit where the log names none and the one taken cannot be.

    Raises:
        LogError: the unit taken cannot be, and not one other can alone.
    """
    column = channels.columns.get("time")
    if column is None or not guessed(channels):
        return channels
    choice = next(choice for choice in channels.choices if choice.role == "time")
    taken_s = UNITS_S[choice.unit]
    steps = _widest_rise(channels.time_s / taken_s, channels.values["rpm"])
    if steps is None:
        return channels
    rise_rpm, length, interval = steps
    if _possible(rise_rpm, length * taken_s, interval * taken_s):
        return channels
    able = [name for name in TAKEN if _possible(rise_rpm, length * UNITS_S[name], interval * UNITS_S[name])]
    seen = (
        f"engine speed would rise by {rise_rpm:.0f} rpm in {_seconds(length * taken_s)} if they were in {choice.unit}"
    )
    if len(able) != 1:
        raise _ask(file_name, column.label, column.name, seen)
    reason = f"no unit; {seen}: only {able[0]} fits"
    choices = tuple(replace(c, unit=able[0], reason=reason) if c.role == "time" else c for c in channels.choices)
    said = f"{column.label}: no unit in the log; times read in {able[0]}, since {seen}"
    time_s = channels.time_s * (UNITS_S[able[0]] / taken_s)
    return replace(channels, choices=choices, time_s=time_s, warnings=(*channels.warnings, said))


def guessed(channels: Channels) -> bool:
    """Whether the unit of the times is told by their steps alone."""
    column = channels.columns.get("time")
    return column is not None and column.kind == "number" and column.quantity != "time"


def confirm_sweeps(rows: Rows, spans: Sequence[Span], channels: Channels, file_name: str) -> None:
    """Ask for the unit of the times where every sweep would be faster, or slower, than any engine's.

    Where it is guessed faster than under load is enough; one that is named counts as long as it can be at all.

    Raises:
        LogError: so it is.
    """
    column = channels.columns.get("time")
    sweeps = [span for span in spans if span.kind != "held rpm"]
    if not sweeps or column is None or column.kind != "number":
        return
    rises = [float(np.ptp(rows.rpm[span.trace_first : span.sweep_last + 1])) for span in sweeps]
    lengths = [float(rows.time_s[span.sweep_last] - rows.time_s[span.trace_first]) for span in sweeps]
    rates = [rise / max(length, 1e-9) for rise, length in zip(rises, lengths, strict=True)]
    slowest, widest = int(np.argmin(rates)), int(np.argmax(rises))
    unit = next(choice.unit for choice in channels.choices if choice.role == "time")

    def seen(place: int) -> str:
        return f"a sweep would rise by {rises[place]:.0f} rpm in {_seconds(lengths[place])} if they were in {unit}"

    if guessed(channels):
        if rates[slowest] > SWEEP_RPM_S:
            raise _ask(file_name, column.label, column.name, seen(slowest))
    elif rates[slowest] > RISE_RPM_S[1] or (rises[widest] > SWEPT_RPM and max(rates) < RISE_RPM_S[0]):
        raise LogError(
            f"{file_name}, column {column.label!r}: {seen(widest)}, as its heading says, which no engine does. Put the "
            "unit in the heading right, or export times in seconds."
        )


def _seconds(length_s: float) -> str:
    return f"{length_s:.0f} s" if length_s >= 100.0 else f"{length_s:.3g} s"


def _ask(file_name: str, label: str, name: str, seen: str) -> LogError:
    return LogError(
        f"{file_name}, column {label!r}: times without a unit; {seen}. "
        f'Write the unit into the heading, for example "{name} (ms)", or export times in seconds.'
    )


def _possible(rise_rpm: float, length_s: float, interval_s: float) -> bool:
    rate = rise_rpm / length_s if length_s > 0 else float("inf")
    return RISE_RPM_S[0] <= rate <= RISE_RPM_S[1] and INTERVAL_S[0] <= interval_s <= INTERVAL_S[1]


def _widest_rise(time: FloatArray, rpm: FloatArray) -> tuple[float, float, float] | None:
    """Middle three fifths of the widest rise of engine speed, and the usual interval; None where there is no such rise.

    Args:
        time: In any unit. Shape (n,)
        rpm: Shape (n,), [rpm]
    Returns:
        [rpm]; how long it takes, and the mean interval between rows, in the unit of ``time``.
    """
    known = np.isfinite(time) & np.isfinite(rpm)
    time, rpm = time[known], rpm[known]
    if time.size < 4:
        return None
    best: tuple[float, int, int] = (LEAST_RISE_RPM, 0, 0)
    for first, last in pieces(rpm, 0, rpm.size - 1, DROP_RPM):
        top = first + int(np.argmax(rpm[first : last + 1]))
        low = first + int(np.argmin(rpm[first : top + 1]))
        best = max(best, (float(rpm[top] - rpm[low]), low, top))
    rise, low, top = best
    if top == low:
        return None
    part = rpm[low : top + 1] - rpm[low]
    end = int(np.argmax(part >= 0.8 * rise))
    begin = int(np.flatnonzero(part[: end + 1] <= 0.2 * rise)[-1])
    steps = np.diff(time)
    interval = float(steps[steps >= 0].sum()) / time.size
    return float(part[end] - part[begin]), float(time[low + end] - time[low + begin]), interval
