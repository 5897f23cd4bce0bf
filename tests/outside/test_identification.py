"""Lag, dead time and oscillation of known systems."""

from __future__ import annotations

from pathlib import Path

import control
import numpy as np
import pytest
from scipy import signal

from models.curve import oscillation_of
from models.signals import dead_time_s, smith_lag

NIST = Path(__file__).parents[3] / "shared" / "data" / "nist"


@pytest.mark.parametrize(("lag_s", "dead_s", "gain"), [(0.40, 0.15, 1.0), (0.25, 0.05, 80.0), (1.2, 0.4, -3.0)])
def test_smith_two_points_on_a_known_system(lag_s: float, dead_s: float, gain: float) -> None:
    """Smith's method (28.3 and 63.2 %): exact for this model; 2 % allowed for sampling at 5 ms and the finite end.

    The response comes from the control library, not from a formula of ours.
    """
    time = np.arange(0.0, 12.0 * lag_s + dead_s, 0.005)
    shift = round(dead_s / 0.005)
    plant = control.tf([gain], [lag_s, 1.0])
    _, undelayed = control.step_response(plant, time)
    response = np.concatenate([np.zeros(shift), undelayed[: time.size - shift]])
    found = smith_lag(time, response)
    assert found.lag_s == pytest.approx(lag_s, rel=0.02)
    assert found.dead_time_s == pytest.approx(dead_s, rel=0.02)
    assert found.gain == pytest.approx(gain, rel=0.01)


def test_smith_refuses_a_flat_response() -> None:
    with pytest.raises(ValueError, match="must change"):
        smith_lag(np.arange(50.0), np.ones(50))


@pytest.mark.parametrize("delay_s", [0.05, 0.12, 0.30])
def test_dead_time_between_duty_and_boost(delay_s: float) -> None:
    """A delayed copy of filtered noise: SciPy's own filter makes the signal, the delay is exact in samples."""
    rng = np.random.default_rng(7)
    b, a = signal.butter(2, 0.1)
    whole = signal.lfilter(b, a, rng.standard_normal(2000))
    shift = round(delay_s / 0.01)
    assert dead_time_s(whole[shift:], whole[: whole.size - shift], 0.01, 1.0) == pytest.approx(delay_s, abs=0.002)


@pytest.mark.open_data
@pytest.mark.skipif(not NIST.is_dir(), reason=f"no {NIST}: put LEW.DAT of the NIST dataplot library there")
def test_oscillation_of_the_beam_deflections() -> None:
    """NIST LEW.DAT, 200 deflections of a beam: 0.302 cycles a sample, by least squares 0.30181."""
    lines = (NIST / "LEW.DAT").read_text().splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith("---")) + 1
    series = np.array([float(cell) for line in lines[start:] for cell in line.split()])
    assert series.size == 200
    # Sampled once a second the cycle would lie under the band that is searched; ten a second puts it at 3.02 Hz.
    found = oscillation_of(np.arange(200) / 10.0, series, trend_degree=1)
    assert found.frequency_hz / 10.0 == pytest.approx(0.302, abs=0.002)


@pytest.mark.parametrize("frequency_hz", [2.5, 2.43])
def test_oscillation_between_bins(frequency_hz: float) -> None:
    """0.8 psi on 14.5 psi at 20 Hz for 10 s: SciPy's periodogram has bins of 0.1 Hz, so 0.1 Hz is allowed."""
    time = np.arange(0, 10, 0.05)
    boost = 14.5 + 0.8 * np.sin(2 * np.pi * frequency_hz * time)
    found = oscillation_of(time, boost, trend_degree=1)
    frequency, power = signal.periodogram(boost - boost.mean(), fs=20.0)
    assert found.frequency_hz == pytest.approx(float(frequency[np.argmax(power)]), abs=0.1)
    assert found.amplitude_kpa == pytest.approx(0.8, rel=0.02)
