"""Resampling and smoothing against SciPy's own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import interpolate, ndimage, signal

from models.signals import median_smooth, refresh_interval_s, refresh_rows, resample


def test_resampling_equals_scipy_between_and_beyond_samples() -> None:
    rng = np.random.default_rng(3)
    time = np.cumsum(rng.uniform(0.02, 0.2, 80))
    values = rng.normal(size=80)
    at = np.linspace(time[0] - 1.0, time[-1] + 1.0, 500)
    reference = interpolate.interp1d(time, values, bounds_error=False, fill_value=(values[0], values[-1]))
    np.testing.assert_allclose(resample(time, values, at), reference(at), rtol=1e-12)


def test_resampling_keeps_a_slow_signal() -> None:
    """A 0.5 Hz sine at 25 Hz onto 100 Hz: straight lines err by at most (w dt)**2 / 8 of the amplitude."""
    time = np.arange(0, 10, 0.04)
    fine = np.arange(0, 9.9, 0.01)
    wave = np.sin(2 * np.pi * 0.5 * time)
    bound = (2 * np.pi * 0.5 * 0.04) ** 2 / 8
    assert np.abs(resample(time, wave, fine) - np.sin(2 * np.pi * 0.5 * fine)).max() <= bound * 1.001


@pytest.mark.parametrize(("rate_hz", "width_s"), [(20.0, 0.25), (100.0, 0.25), (50.0, 0.5)])
def test_running_median_equals_scipy(rate_hz: float, width_s: float) -> None:
    rng = np.random.default_rng(5)
    time = np.arange(0, 6, 1 / rate_hz)
    values = np.cumsum(rng.normal(size=time.size))
    rows = int(width_s * rate_hz / 2) * 2 + 1
    inner = slice(rows, -rows)  # the two libraries differ only in how they pad the ends
    np.testing.assert_array_equal(median_smooth(time, values, width_s)[inner], signal.medfilt(values, rows)[inner])
    np.testing.assert_array_equal(
        median_smooth(time, values, width_s), ndimage.median_filter(values, size=rows, mode="nearest")
    )


@pytest.mark.parametrize("every", [2, 5, 12])
def test_true_rate_of_held_samples(every: int) -> None:
    """Each sample repeated ``every`` times, as scipy.signal's zero-order hold would: the interval comes back."""
    rng = np.random.default_rng(11)
    slow = np.round(np.cumsum(rng.normal(2.0, 3.0, 60)), 1)
    held = np.repeat(slow, every)
    time = np.arange(held.size) / 20.0
    assert refresh_interval_s(time, held) == pytest.approx(every / 20.0, rel=1e-9)
    rows = refresh_rows(time, held, every / 20.0)
    np.testing.assert_array_equal(rows % every, 0)
    assert rows.size == 60  # equal neighbours are samples too


def test_a_constant_channel_has_no_rate() -> None:
    assert refresh_interval_s(np.arange(100.0), np.ones(100)) == float("inf")
