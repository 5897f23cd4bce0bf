"""What slow sampling hides, and curves from few samples."""

from __future__ import annotations

import numpy as np
import pytest

from models.curve import Trace, curve_of
from models.signals import hidden_height


@pytest.mark.parametrize("place", [0.05, 0.25, 0.5, 0.75, 0.95])
def test_a_triangle_between_samples_stays_under_the_tent(place: float) -> None:
    """Up 60 kPa/s from 3 s on, down as fast: wherever the top lies between two samples, it is covered."""
    top_s = 5.0 + place
    time = np.arange(0.0, 11.0)
    signal = 120.0 - 60.0 * np.abs(time - top_s)
    missed = 120.0 - signal.max()
    assert missed <= hidden_height(time, signal) + 1e-9 <= 30.0 + 1e-6


def test_nothing_is_hidden_in_a_flat_signal_or_a_straight_line() -> None:
    time = np.arange(8.0)
    assert hidden_height(time, np.full(8, 90.0)) == 0.0
    assert hidden_height(time, 10.0 * time) == pytest.approx(0.0, abs=1e-9)
    assert hidden_height(time[:2], time[:2]) == 0.0


def test_quicker_sampling_hides_less() -> None:
    heights = []
    for rate_hz in (1.0, 2.0, 4.0, 8.0):
        time = np.arange(0.0, 10.0, 1.0 / rate_hz)
        heights.append(hidden_height(time, np.minimum(20.0 * time, 100.0)))
    assert heights == sorted(heights, reverse=True)
    assert heights[0] > 5.0


def test_a_sweep_of_few_samples_gives_a_curve_by_straight_lines() -> None:
    """350 rpm between samples: too far apart for a local fit, and all there is."""
    rpm = np.arange(2000.0, 6900.0, 350.0)
    trace = Trace(np.arange(rpm.size) * 0.7, rpm, np.interp(rpm, [2000.0, 4100.0, 6900.0], [20.0, 100.0, 90.0]))
    grid = np.arange(2000.0, 6551.0, 50.0)
    curve = curve_of(trace, grid)
    assert curve.reached.all()
    np.testing.assert_allclose(curve.boost_kpa, np.interp(grid, trace.rpm, trace.boost_kpa), atol=4.0)
