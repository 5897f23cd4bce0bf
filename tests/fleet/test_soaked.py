"""The family soaked: its equations hold together, it loses boost to heat, and most of its jobs can be done."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from models.settings import Settings
from models.units import FloatArray
from tests.fleet.families import soaked
from tests.fleet.families.seat import Run, Seat
from tests.fleet.families.soaked_car import PSI, SoakedCar
from tests.fleet.families.soaked_design import away_psi
from tests.fleet.families.soaked_jobs import OUT_OF_REACH
from tests.fleet.seats import Job

DUTIES = np.arange(0.0, 101.0, 20.0)
Seats = list[Seat[SoakedCar]]


@pytest.fixture(scope="module")
def seats(jobs_of: Callable[[str], list[Job]]) -> Seats:
    return [job.car for job in jobs_of("soaked")]


def pulls(seats: Seats, settings: list[Settings], number: int = 1, *, repeatable: bool = True) -> list[Run]:
    return soaked.simulate(seats, settings, list(range(len(seats))), [number] * len(seats), repeatable=repeatable)


def judged(seat: Seat[SoakedCar], run: Run) -> FloatArray:
    """True boost each 25 rpm of the judged range. [kPa gauge]"""
    rpm = np.arange(seat.target.judge_from, seat.target.judge_to, 25.0)
    return np.asarray(np.interp(rpm, run.true_rpm, run.true_boost_kpa))


@pytest.fixture(scope="module")
def levels(seats: Seats) -> FloatArray:
    """Mean boost of each car's judged range with each of ``DUTIES`` and nothing else. Shape (8, 6), [kPa gauge]"""
    each = [(seat, Settings(duty, 5000.0, 7000.0, 0.0, 0.0, 0.0)) for seat in seats for duty in DUTIES.tolist()]
    runs = pulls([seat for seat, _ in each], [settings for _, settings in each])
    means = [judged(seat, run).mean() for (seat, _), run in zip(each, runs, strict=True)]
    return np.array(means).reshape(len(seats), -1)


@pytest.fixture(scope="module")
def middles(levels: FloatArray) -> list[Settings]:
    """Duty that does half of what duty can."""
    duties = [float(np.interp(0.5 * (row[0] + row[-1]), row, DUTIES)) for row in levels]
    return [Settings(duty, 5000.0, 7000.0, 0.0, 0.0, 0.0) for duty in duties]


def test_more_duty_gives_no_less_boost(levels: FloatArray) -> None:
    """0.05 psi is what is left of ringing."""
    assert np.diff(levels, axis=1).min() > -0.05 * PSI
    assert np.all(levels[:, -1] > levels[:, 0] + 1.5 * PSI)


def test_engagement_near_the_target_spikes_and_fills_sooner(seats: Seats, middles: list[Settings]) -> None:
    """The gate held shut to 0.5 psi over what one duty holds: quicker there, then past it."""
    cars, plain = seats[:5:2], middles[:5:2]  # free-flowing, large and laggy, soft spring
    before = pulls(cars, plain)
    early = [float(run.true_boost_kpa[run.true_rpm < 5200.0].max()) for run in before]
    held = [replace(s, engagement=level + 0.5 * PSI) for s, level in zip(plain, early, strict=True)]
    for seat, old, level, new in zip(cars, before, early, pulls(cars, held), strict=True):
        assert new.true_boost_kpa.max() > level + 0.5 * PSI, seat.name
        reached = [run.true_rpm[np.argmax(run.true_boost_kpa > 0.85 * level)] for run in (old, new)]
        assert reached[1] <= reached[0], seat.name


def test_much_gain_rings(seats: Seats, middles: list[Settings]) -> None:
    most = [replace(s, gain=seat.car.gain_top) for s, seat in zip(middles, seats, strict=True)]
    runs = [pulls(seats, dialled) for dialled in (most, middles)]
    rings, calm = (np.array([np.abs(np.diff(judged(*p))).sum() for p in zip(seats, r, strict=True)]) for r in runs)
    assert np.median(rings / calm) > 1.5


def test_a_slow_pull_in_company_changes_nothing(seats: Seats, middles: list[Settings]) -> None:
    """It takes many more steps than the others."""
    slow = replace(seats[0], car=replace(seats[0].car, sweep=200.0))
    alone = pulls(seats[1:2], middles[1:2], 3, repeatable=False)[0]
    beside, long = pulls([seats[1], slow], middles[1::-1], 3, repeatable=False)
    assert long.true_rpm[-1] == slow.car.rpm_end
    np.testing.assert_allclose(beside.trace.boost_kpa, alone.trace.boost_kpa, atol=1e-3)


def test_heat_takes_boost(seats: Seats, middles: list[Settings]) -> None:
    runs = [pulls(seats, middles, number, repeatable=False) for number in (15, 1)]
    hot, cold = (np.array([judged(s, r).mean() for s, r in zip(seats, each, strict=True)]) for each in runs)
    assert np.median(hot / cold) < 0.995


def test_most_jobs_can_be_done(seats: Seats) -> None:
    """With the settings that the design found; the kinds out of reach apart."""
    some = [seat for seat in seats if seat.kind not in OUT_OF_REACH]
    runs = pulls(some, [soaked.designed(seat.kind, 1).settings for seat in some])
    assert sorted(away_psi(seat, run) for seat, run in zip(some, runs, strict=True))[-2] < 0.45
