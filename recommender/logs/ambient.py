"""Ambient pressure that boost is held against, and where in a log load is full."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from models.units import STANDARD_ATMOSPHERE_KPA, FloatArray
from recommender.logs.boost_unit import Kind
from recommender.logs.options import ReadOptions
from recommender.logs.pulls import full_load_pct

#: Range of ambient pressure on roads. [kPa absolute]
AMBIENT_KPA: Final = (55.0, 108.0)
#: Where an ambient comes from that boost at the start of a log was taken for, in words.
AT_THE_START: Final = "boost channel at the start"
#: Highest ambient that boost at the start of a log is taken for. [kPa absolute]
HIGHEST_START_KPA: Final = 103.5
#: With the engine at rest half of the readings are this near to their median. [kPa]
STEADY_KPA: Final = 3.0
#: Engine speed that nowhere falls by as much is that of one sweep and nothing else. [rpm]
ONE_RISE_RPM: Final = 300.0
#: Load may still be partial within this share of a rise in engine speed. [-]
SETTING_OUT: Final = 0.05
#: A log that spends no more of its rows on that share rises from its first row on. [-]
AT_ONCE: Final = 0.08


def key_on(kpa: FloatArray, rpm: FloatArray) -> float | None:
    """Median reading with the engine at rest; None where there is none, or where it moves. [kPa]

    Boost moves where engine speed is lost while the engine runs.
    """
    rest = kpa[np.isfinite(kpa) & (np.abs(rpm) < 1.0)]
    if rest.size < 3:
        return None
    usual = float(np.median(rest))
    return usual if float(np.median(np.abs(rest - usual))) <= STEADY_KPA else None


def full_load(rpm: FloatArray, throttle_pct: FloatArray | None, options: ReadOptions) -> npt.NDArray[np.bool_]:
    """Rows at full load as far as the log tells: by its throttle, or all of a log of one sweep without one."""
    known = np.empty(0) if throttle_pct is None else throttle_pct[np.isfinite(throttle_pct)]
    if throttle_pct is not None and known.size:
        least = full_load_pct(known, options.finder)
        return throttle_pct >= (np.inf if least is None else least)
    turning = rpm[np.isfinite(rpm)]
    falls = float(np.max(np.maximum.accumulate(turning) - turning, initial=0.0))
    return np.full(rpm.size, falls < ONE_RISE_RPM)


def in_the_rise(rpm: FloatArray) -> npt.NDArray[np.bool_]:
    """Rows after engine speed has set out to rise: a cruise and the opening of the throttle come before; else all."""
    turning = rpm[np.isfinite(rpm)]
    lowest, highest = float(np.min(turning, initial=np.inf)), float(np.max(turning, initial=-np.inf))
    if highest - lowest < ONE_RISE_RPM:
        return np.full(rpm.size, True)
    low = np.flatnonzero(rpm <= lowest + SETTING_OUT * (highest - lowest))
    if low[-1] < AT_ONCE * rpm.size:
        return np.full(rpm.size, True)
    return np.asarray(np.arange(rpm.size) > low[-1], dtype=np.bool_)


def ambient_of(
    kpa: FloatArray,
    rpm: FloatArray,
    full: npt.NDArray[np.bool_],
    kind: Kind,
    barometer: float | None,
    options: ReadOptions,
) -> tuple[float, str, list[str]]:
    """Ambient pressure and where it comes from. [kPa absolute]"""
    if barometer is not None:
        return barometer, "barometer channel", []
    rest = key_on(kpa, rpm)
    if kind == "absolute" and rest is not None and AMBIENT_KPA[0] <= rest <= AMBIENT_KPA[1]:
        return rest, "boost channel at key-on", []
    if options.barometer_kpa is not None:
        return options.barometer_kpa, options.barometer_from, []
    if kind == "gauge":
        return STANDARD_ATMOSPHERE_KPA, "standard atmosphere (not logged)", []
    others = [each.known_barometer_kpa for each in options.others if each.barometer_from != AT_THE_START]
    read = [level for level in others if level is not None]
    if read:
        note = f"no barometer in the log: ambient taken as {read[-1]:.1f} kPa, as on the job's pull before"
        return read[-1], "the job's pull before", [note]
    known = np.flatnonzero(np.isfinite(kpa))
    start = known[: max(min(known.size // 20, 50), 5)]
    level = float(np.median(kpa[start]))
    # At full load the turbo works: what boost starts from is no ambient.
    quiet = float(np.ptp(kpa[start])) < 3.0 and float(np.mean(full[start])) < 0.5
    if 80.0 <= level <= HIGHEST_START_KPA and quiet:
        note = f"no barometer in the log: ambient taken as {level:.1f} kPa, the boost channel at its start"
        return level, AT_THE_START, [note]
    note = (
        "no barometer and no key-on reading in the log: ambient taken as the standard "
        f"{STANDARD_ATMOSPHERE_KPA:.1f} kPa, which is too high by about 12 kPa for each "
        "1000 m of altitude. Log the barometer or state it in the job file"
    )
    return STANDARD_ATMOSPHERE_KPA, "standard atmosphere", [note]
