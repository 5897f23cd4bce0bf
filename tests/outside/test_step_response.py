"""Measures of a step response against the control library, and oscillation against SciPy's periodogram."""

from __future__ import annotations

import control
import numpy as np
import pytest
from scipy import signal

from models.curve import StepMeasures, oscillation_of, step_measures


def second_order(zeta: float, natural: float = 10.0, *, seconds: float = 6.0, every_s: float = 0.0002) -> StepMeasures:
    """Our measures of the library's response of a second-order system."""
    plant = control.tf([natural**2], [1.0, 2.0 * zeta * natural, natural**2])
    time, response = control.step_response(plant, np.arange(0.0, seconds, every_s))
    return step_measures(time, response, 0.0, 1.0)


# 52.662, 25.383, 16.303 and 4.599 %: exp(-pi zeta / sqrt(1 - zeta**2)), any text on control; also control.step_info.
@pytest.mark.parametrize(("zeta", "percent"), [(0.2, 52.662), (0.4, 25.383), (0.5, 16.303), (0.7, 4.599)])
def test_overshoot_of_a_second_order_system(zeta: float, percent: float) -> None:
    assert second_order(zeta).overshoot_pct == pytest.approx(percent, abs=0.05)


@pytest.mark.parametrize("zeta", [0.2, 0.5, 0.7])
def test_measures_agree_with_the_library(zeta: float) -> None:
    plant = control.tf([100.0], [1.0, 20.0 * zeta, 100.0])
    time = np.arange(0.0, 6.0, 0.0002)
    theirs = control.step_info(plant, T=time)
    ours = second_order(zeta)
    # Both read a sampled response; three samples of 0.2 ms.
    assert ours.overshoot_pct == pytest.approx(theirs["Overshoot"], abs=0.01)
    assert ours.peak_time_s == pytest.approx(theirs["PeakTime"], abs=6e-4)
    assert ours.rise_time_s == pytest.approx(theirs["RiseTime"], abs=6e-4)
    assert ours.settling_time_s == pytest.approx(theirs["SettlingTime"], abs=6e-4)


def test_peak_and_settling_time_for_half_damping() -> None:
    """zeta 0.5, 10 rad/s: peak at pi / damped frequency = 0.36276 s; 2 % settling 0.8077 s, and not 4 / (zeta w)."""
    found = second_order(0.5)
    assert found.peak_time_s == pytest.approx(0.36276, abs=3e-4)
    assert found.settling_time_s == pytest.approx(0.8077, abs=5e-4)
    assert abs(found.settling_time_s - 0.80) > 0.005


@pytest.mark.parametrize(("initial", "final"), [(0.0, 1.0), (30.0, 110.0), (110.0, 30.0)])
def test_first_order_lag(initial: float, final: float) -> None:
    """Lag 0.5 s: 63.2 % at the lag, rise ln 9 lags = 1.0986 s, 2 % settling ln 50 lags = 1.9560 s. Up or down alike."""
    time, response = control.step_response(control.tf([1.0], [0.5, 1.0]), np.arange(0.0, 6.0, 0.0005))
    found = step_measures(time, initial + (final - initial) * response, initial, final)
    assert found.time_63_s == pytest.approx(0.5, abs=1e-3)
    assert found.rise_time_s == pytest.approx(1.0986, abs=1e-3)
    assert found.settling_time_s == pytest.approx(1.9560, abs=1e-3)
    assert found.overshoot_pct < 0.01


def test_ringing_of_a_second_order_system_has_its_damped_frequency() -> None:
    """zeta 0.05, 10 rad/s: damped frequency 10 sqrt(1 - zeta**2) / 2 pi = 1.58956 Hz, by the library's poles."""
    plant = control.tf([100.0], [1.0, 1.0, 100.0])
    time, response = control.step_response(plant, np.arange(0.0, 5.0, 0.02))
    damped_hz = float(np.abs(np.imag(control.poles(plant)))[0] / (2.0 * np.pi))
    assert damped_hz == pytest.approx(1.58956, abs=1e-5)
    # The decay widens the line; a tenth of a hertz is what the row below asks for too.
    assert oscillation_of(time, 100.0 * response).frequency_hz == pytest.approx(damped_hz, abs=0.1)


@pytest.mark.parametrize("hz", [2.5, 2.43])
def test_frequency_and_amplitude_of_a_known_swing(hz: float) -> None:
    """0.8 psi on 14.5 psi at 20 Hz for 10 s. SciPy's raw periodogram is good to its bins of 0.1 Hz; we ask for that,
    and for the amplitude within 2 %: the trend taken out takes a little of the swing along."""
    time = np.arange(0.0, 10.0, 0.05)
    boost = 14.5 + 0.8 * np.sin(2.0 * np.pi * hz * time)
    found = oscillation_of(time, boost)
    frequency, power = signal.periodogram(boost, fs=20.0, detrend="constant")
    assert found.frequency_hz == pytest.approx(float(frequency[np.argmax(power)]), abs=0.1)
    assert found.frequency_hz == pytest.approx(hz, abs=0.01)
    assert found.amplitude_kpa == pytest.approx(0.8, rel=0.02)
