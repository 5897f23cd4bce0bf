"""The family apart: its equations hold together, and its kinds differ as they are called."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.settings import KNOB_NAMES, Settings
from tests.fleet.families.apart import KINDS, make, simulate
from tests.fleet.families.apart_drive import ApartCar, response_table, settle
from tests.fleet.families.seat import Seat
from tests.fleet.seats import PSI

SEEDS = (1, 2)
RPM = np.arange(3000.0, 7001.0, 250.0)


def middle_of(seat: Seat[ApartCar]) -> Settings:
    """Duty at which the solenoid does half of what it can, all else idle."""
    duty = float(np.searchsorted(response_table(seat.car.response), 0.5)) / 20.0
    return Settings(duty, 5000.0, 7000.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("kind", KINDS)
def test_more_duty_gives_no_less_boost(kind: str) -> None:
    """At held rpm, with the solenoid's effect at each tenth of duty; 0.1 psi is what settling may still owe."""
    for seed in SEEDS:
        car = make(kind, seed).car
        effect = response_table(car.response)[::200]
        assert np.all(np.diff(effect) >= 0.0)
        boost = settle(car, RPM, effect[:, None])
        assert np.diff(boost, axis=0).min() > -0.1 * PSI, (kind, seed)
        assert boost[-1].max() > boost[0].max() + 2.0 * PSI, (kind, seed)
        assert np.all(boost <= settle(car, RPM, np.array(1.0), shut=True) + 0.1 * PSI), (kind, seed)


def test_a_slow_sweep_settles_where_held_rpm_does() -> None:
    """Two ways through the same equations: 40 s sweep without noise against boost at held rpm."""
    seats = [make(kind, 2) for kind in KINDS]
    slow = [replace(seat, car=replace(seat.car, sweep=40.0, play=0.0)) for seat in seats]
    runs = simulate(slow, [middle_of(seat) for seat in seats], [0] * len(seats), [1] * len(seats), repeatable=True)
    for seat, run in zip(seats, runs, strict=True):
        effect = response_table(seat.car.response)[round(20 * middle_of(seat).duty)]
        swept = np.interp(RPM[4:], run.true_rpm, run.true_boost_kpa)
        np.testing.assert_allclose(swept, settle(seat.car, RPM[4:], effect), atol=0.5 * PSI, err_msg=seat.name)


def test_engagement_near_the_target_spikes_and_fills_sooner() -> None:
    """The gate held shut to 0.5 psi over what one duty holds: quicker there, then past it."""
    seats = [make(kind, seed) for kind in ("free-flowing", "laggy", "soft spring", "two-stage") for seed in SEEDS]
    plain = [middle_of(seat) for seat in seats]
    many = [0] * len(seats), [1] * len(seats)
    before = simulate(seats, plain, *many, repeatable=True)
    early = [float(run.true_boost_kpa[run.true_rpm < 4500.0].max()) for run in before]
    held = [replace(s, engagement=level + 0.5 * PSI) for s, level in zip(plain, early, strict=True)]
    for seat, old, level, new in zip(seats, before, early, simulate(seats, held, *many, repeatable=True), strict=True):
        assert new.true_boost_kpa[new.true_rpm < 4500.0].max() > level + 0.5 * PSI, seat.name
        reached = [run.true_rpm[np.argmax(run.true_boost_kpa > 0.85 * level)] for run in (old, new)]
        assert reached[1] <= reached[0], seat.name


def test_a_car_that_droops_loses_boost_to_the_top_at_one_duty() -> None:
    for seed in range(6):
        low, high = settle(make("droops", seed).car, np.array([4200.0, 6600.0]), np.array(0.5))
        assert high < low - 0.8 * PSI, seed


def test_touchy_solenoids_do_most_of_it_in_a_few_points() -> None:
    for seed in range(20):
        table = response_table(make("touchy", seed).car.response)
        rise = np.array([table[i + 300] - table[i] for i in range(table.size - 300)])  # within 15 points
        assert rise.max() > 0.65
        assert 25.0 <= 0.05 * int(np.argmax(rise)) + 7.5 <= 60.0


def test_jobs_are_as_the_trade_sets_them() -> None:
    lacking = set()
    for kind in KINDS:
        for seed in range(12):
            seat = make(kind, seed)
            top = float(seat.target.boost_kpa.max())
            assert 10.0 <= top / PSI <= 24.0
            assert 2.5 <= (seat.limit_kpa - top) / PSI <= 4.0
            assert seat.knobs["ramp_from"].lower < seat.target.judge_from < seat.target.judge_to - 1500.0
            lacking |= {name for name in KNOB_NAMES if seat.knobs[name].fixed}
    assert lacking == {"ramp_add", "engagement", "gain"}
