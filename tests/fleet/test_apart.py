"""The third family of cars: sane, the same again, and different from kind to kind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.settings import KNOB_NAMES, Settings
from models.units import FloatArray
from tests.fleet import __main__ as bench
from tests.fleet.families.apart import KINDS, make, simulate
from tests.fleet.families.apart_drive import ApartCar, response_table, settle
from tests.fleet.families.seat import Seat
from tests.fleet.held import held_run
from tests.fleet.scenarios import SCENARIOS
from tests.fleet.seats import PSI, Job, all_kinds, highest_reach, jobs_named, pull_all, roster

SEEDS = (1, 2)
RPM = np.arange(3000.0, 7001.0, 250.0)


def middle_of(seat: Seat[ApartCar]) -> Settings:
    """Duty at which the solenoid does half of what it can, all else idle."""
    duty = float(np.searchsorted(response_table(seat.car.response), 0.5)) / 20.0
    return Settings(duty, 5000.0, 7000.0, 0.0, 0.0, 0.0)


@pytest.fixture(scope="module")
def jobs() -> list[Job]:
    return roster(len(KINDS), families=("apart",), seed=1)


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


def test_kinds_are_what_they_are_called(jobs: list[Job]) -> None:
    """Read off floor and ceiling over the judged range."""
    floors = pull_all(jobs, [job.idle for job in jobs], [1] * len(jobs), repeatable=True)
    tops = pull_all(jobs, [highest_reach(job) for job in jobs], [1] * len(jobs), repeatable=True)
    for job, floor, top in zip(jobs, floors, tops, strict=True):
        rpm = np.linspace(job.target.judge_from, job.target.judge_to, 40)
        wanted = job.target.at(rpm)
        assert np.mean(floor.true_at(rpm) > wanted) == (1.0 if job.kind == "stiff spring" else 0.0), job.name
        assert (top.true_at(rpm)[-1] < 0.9 * wanted[-1]) == (job.kind == "breathless"), job.name
        assert floor.true_peak_kpa < job.limit_kpa, job.name
        if job.kind == "creeps":
            assert floor.true_at(rpm)[-1] > floor.true_at(rpm)[0] + 1.0 * PSI


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


def logs(jobs: list[Job], number: int, scenario: str = "plain") -> list[FloatArray]:
    settings = [middle_of(job.car) for job in jobs]
    pulls = pull_all(jobs, settings, [number] * len(jobs), scenario=SCENARIOS[scenario])
    return [pull.trace.boost_kpa for pull in pulls]


def test_the_same_again_by_seed(jobs: list[Job]) -> None:
    make.cache_clear()
    again = roster(len(KINDS), families=("apart",), seed=1)
    assert [repr(job.car) for job in again] == [repr(job.car) for job in jobs]
    for a, b, c in zip(logs(jobs, 3), logs(again, 3), logs(jobs, 4), strict=True):
        np.testing.assert_array_equal(a, b)
        assert not np.array_equal(a, c)


def test_company_changes_nothing(jobs: list[Job]) -> None:
    """Alone and in a batch: as near as the order of a sum may differ."""
    jobs = jobs[::3]
    settings = [middle_of(job.car) for job in jobs]
    together = pull_all(jobs, settings, [2] * len(jobs))
    for job, dialled, pull in zip(jobs, settings, together, strict=True):
        alone = pull_all([job], [dialled], [2])[0]
        np.testing.assert_allclose(alone.true_boost_kpa, pull.true_boost_kpa, atol=1e-3)
        np.testing.assert_allclose(alone.trace.boost_kpa, pull.trace.boost_kpa, atol=1e-3)


def test_repeatable_pulls_repeat_and_others_drift(jobs: list[Job]) -> None:
    settings = [middle_of(job.car) for job in jobs]

    def levels(number: int, *, repeatable: bool) -> FloatArray:
        pulls = pull_all(jobs, settings, [number] * len(jobs), repeatable=repeatable)
        return np.array([np.interp(4300.0, p.true_rpm, p.true_boost_kpa) for p in pulls])

    np.testing.assert_array_equal(levels(1, repeatable=True), levels(9, repeatable=True))
    moved = np.array([levels(n, repeatable=False) for n in range(1, 5)])
    relative = moved.std(axis=0) / moved.mean(axis=0)
    assert np.all(relative > 1e-4)
    assert np.median(relative) < 0.03  # steps of 0.8 %, four of them


def test_scenarios_reach_this_family(jobs: list[Job]) -> None:
    third, fourth = logs(jobs, 3), logs(jobs, 4)
    for name in ("spring changed after pull 3", "boost leak after pull 3"):
        for a, b in zip(third, logs(jobs, 3, name), strict=True):
            np.testing.assert_array_equal(a, b)
        for a, b in zip(fourth, logs(jobs, 4, name), strict=True):
            assert np.abs(b - a).max() > 0.15 * PSI
    assert all(p.size < 130 for p in logs(jobs, 1, "logs at 10 Hz"))  # 12 s at the most


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


def test_a_held_run_rises(jobs: list[Job]) -> None:
    boost = [seen.sustained_peak_kpa for seen in held_run(jobs[KINDS.index("laggy")])]
    assert len(boost) >= 3
    assert boost[-1] > boost[0] + 1.0 * PSI


def test_families_are_chosen_on_the_command_line() -> None:
    assert bench.chosen_families("all") == ["own", "other", "apart", "kept"]
    assert bench.chosen_families(bench.arguments([]).families) == ["own", "other"]
    assert len({job.full_kind for job in roster(10, families=bench.chosen_families("apart"))}) == 10
    assert not any(kind.startswith("apart") for kind in all_kinds())
    with pytest.raises(ValueError, match="apart"):
        bench.chosen_families("own,elsewhere")
    assert jobs_named([("apart: direct", 4), ("other: free", 4)])[0].full_kind == "apart: direct"
