"""Recordings made by arithmetic for the tests of log intake: no engine behind them, every number known."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Channels = dict[str, npt.NDArray[np.float64]]
PLATEAU_KPA = 110.0


def boost_at(rpm: npt.NDArray[np.float64], plateau_kpa: float = PLATEAU_KPA) -> npt.NDArray[np.float64]:
    """Boost that spools about 3300 rpm and then stands at ``plateau_kpa``. [kPa gauge]"""
    return plateau_kpa / (1.0 + np.exp(-(rpm - 3300.0) / 250.0))


def _stretch(seconds: float, rate_hz: float, first: float, last: float) -> npt.NDArray[np.float64]:
    return np.linspace(first, last, max(int(seconds * rate_hz), 2))


def recording(
    rate_hz: float = 20.0,
    *,
    around: bool = True,
    sweep_s: float = 10.0,
    rpm_from: float = 2000.0,
    rpm_to: float = 7000.0,
    plateau_kpa: float = PLATEAU_KPA,
    noise_kpa: float = 1.5,
    noise_rpm: float = 20.0,
    barometer_kpa: float = 98.3,
    seed: int = 0,
) -> Channels:
    """One full-load sweep, with idle, a wait at held rpm and the run-down around it where asked.

    Returns:
        Channels as ``write_log`` takes them.
    """
    rng = np.random.default_rng(seed)
    sweep = _stretch(sweep_s, rate_hz, rpm_from, rpm_to)
    parts = [(sweep, boost_at(sweep, plateau_kpa), 100.0)]
    if around:
        idle = _stretch(4.0, rate_hz, 900.0, 900.0)
        up = _stretch(2.0, rate_hz, 900.0, rpm_from)
        wait = _stretch(3.0, rate_hz, rpm_from, rpm_from)
        down = _stretch(4.0, rate_hz, rpm_to, 1500.0)
        parts = [
            (idle, np.full(idle.size, -62.0), 2.0),
            (up, np.full(up.size, -35.0), 25.0),
            (wait, np.full(wait.size, -30.0), 22.0),
            *parts,
            (down, np.full(down.size, -70.0), 0.0),
        ]
    rpm = np.concatenate([part[0] for part in parts])
    boost = np.concatenate([part[1] for part in parts])
    count = rpm.size
    return {
        "time_s": np.arange(count) / rate_hz,
        "rpm": rpm + rng.normal(0.0, noise_rpm, count),
        "boost_kpa": boost + rng.normal(0.0, noise_kpa, count),
        "barometer_kpa": np.full(count, barometer_kpa),
        "throttle_pct": np.concatenate([np.full(part[0].size, part[2]) for part in parts]),
        "duty_pct": np.full(count, 35.0),
        "lambda": 0.82 + rng.normal(0.0, 0.004, count),
        "exhaust_c": 600.0 + 0.04 * rpm,
        "knock": np.zeros(count),
        "intake_c": np.full(count, 31.4),
        "coolant_c": np.full(count, 88.2),
    }


def without(channels: Channels, *names: str) -> Channels:
    """The recording without some channels."""
    return {name: values for name, values in channels.items() if name not in names}


def joined(*recordings: Channels) -> Channels:
    """Recordings one after the other in one file, time running on."""
    together = {name: np.concatenate([each[name] for each in recordings]) for name in recordings[0]}
    step = float(recordings[0]["time_s"][1] - recordings[0]["time_s"][0])
    together["time_s"] = np.arange(together["time_s"].size) * step
    return together


def full_load_rows(channels: Channels) -> tuple[int, int]:
    """First and last row at full throttle."""
    rows = np.flatnonzero(channels["throttle_pct"] > 90.0)
    return int(rows[0]), int(rows[-1])
