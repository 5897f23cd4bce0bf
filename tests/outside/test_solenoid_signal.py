"""Solenoid: duty ramp, pulse-width modulation into a lag, and whether mean duty may stand for the pulses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.car_parts import Car, Solenoid
from models.engine import EngineBatch
from models.settings import Settings
from models.virtual_car import simulate

PULSE_HZ = 15.0
STEPS_A_PULSE = 100


@pytest.mark.parametrize(("rpm", "duty"), [(3000.0, 30.0), (4800.0, 30.0), (5800.0, 36.0), (6800.0, 42.0)])
def test_duty_ramp(rpm: float, duty: float) -> None:
    """30 % of duty, +12 points from 4800 to 6800 rpm: what the controller of a car really commands."""
    # Straight line; np.interp.
    settings = Settings(30.0, 4800.0, 6800.0, 12.0, 0.0, 0.0)
    assert settings.effective_duty(rpm) == pytest.approx(duty)
    assert settings.effective_duty(rpm) == pytest.approx(np.interp(rpm, [4800.0, 6800.0], [30.0, 42.0]))
    (pull,) = simulate([Car()], [settings], [0], [0], repeatable=True)
    # The controller decides every 0.01 s, 6 rpm apart at 600 rpm/s: 0.04 points of this ramp.
    assert np.interp(rpm, pull.trace.rpm, pull.trace.duty_pct) == pytest.approx(duty, abs=0.05)


@pytest.mark.parametrize(("duty", "ripple"), [(0.2, 0.1060), (0.36, 0.1523), (0.75, 0.1241)])
def test_ripple_of_pulses_behind_the_signal_line(duty: float, ripple: float) -> None:
    """15 Hz into 0.1 s of lag at constant boost: peak-to-peak of the diaphragm's pressure, relative to boost."""
    car = Car(solenoid=Solenoid(lag_s=0.1))
    engine = EngineBatch([car], np.ones(1), np.zeros(1), 1.0 / PULSE_HZ / STEPS_A_PULSE)
    engine.set_speed(np.array([4000.0]))
    boost_pa = engine.ambient_pa + 100e3
    seen = []
    for k in range(40 * STEPS_A_PULSE):
        engine.p_charge = boost_pa * 1.0
        share = np.array([1.0 if (k % STEPS_A_PULSE) < duty * STEPS_A_PULSE else 0.0])
        engine.advance(np.ones(1), share)
        seen.append(float(engine.signal_kpa[0]))
    settled = np.array(seen[-STEPS_A_PULSE:]) / 100.0
    # Closed form and scipy.signal.lsim agree on the digits; +-0.2 % of the reading for it, and 1 % for the charge
    # pressure's own movement within each of our steps.
    assert np.ptp(settled) == pytest.approx(ripple, rel=0.012)
    assert settled.mean() == pytest.approx(1.0 - duty, abs=0.01)


def test_mean_duty_may_stand_for_the_pulses() -> None:
    """Boost of a car whose solenoid really pulses equals boost at the mean share, within a fifth of a kPa."""
    car = Car()
    car = replace(car, solenoid=replace(car.solenoid, lag_s=0.1))
    step = 1.0 / PULSE_HZ / 20
    engine = EngineBatch([car, car], np.ones(2), np.zeros(2), step)
    engine.set_speed(np.full(2, 4500.0))
    difference = []
    pulses = int(14.0 * PULSE_HZ)
    for k in range(pulses * 20):
        engine.advance(np.ones(2), np.array([0.4, 1.0 if k % 20 < 8 else 0.0]))
        boost = engine.boost_kpa()
        difference.append(boost[1] - boost[0])
    # No outside number: the bound is half the finest gauge noise of the fleet, 0.3 kPa, so that it could not be seen.
    assert abs(float(np.mean(difference[-20 * 15 :]))) < 0.2
