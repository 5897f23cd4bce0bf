"""What holds for each family of cars on its own equations: the same again, alone as in company, open to scenarios."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from models.settings import Settings
from models.units import FloatArray
from tests.fleet import __main__ as bench
from tests.fleet.families import apart, kept, other, soaked, sources
from tests.fleet.families.seat import Seat
from tests.fleet.held import held_run
from tests.fleet.scenarios import SCENARIOS
from tests.fleet.seats import FAMILIES, PSI, Job, all_kinds, highest_reach, jobs_named, pull_all

#: Nearly half of the duty, all else idle: gates are part open, solenoids act.
MIDDLE = Settings(45.0, 5000.0, 7000.0, 0.0, 0.0, 0.0)
#: Cars made anew, past what remembers them.
MAKE: dict[str, Callable[[str, int], Seat[Any]]] = {
    "other": other.make,
    "apart": inspect.unwrap(apart.make),
    "kept": inspect.unwrap(kept.make),
    "soaked": lambda kind, seed: soaked.worked_out([(kind, seed)])[0].seat,
}
#: Longest pull of a family: the slowest sweep it draws, and half as much again where an engine's torque sets the pace.
LONGEST_S = {"other": 13.0, "apart": 13.0, "kept": 16.0, "soaked": 14.0}


@pytest.fixture(scope="module", params=["other", "apart", "kept", "soaked"])
def jobs(request: pytest.FixtureRequest, jobs_of: Callable[[str], list[Job]]) -> list[Job]:
    return jobs_of(request.param)


def logs(jobs: list[Job], number: int, scenario: str = "plain") -> list[FloatArray]:
    pulls = pull_all(jobs, [MIDDLE] * len(jobs), [number] * len(jobs), scenario=SCENARIOS[scenario])
    return [pull.trace.boost_kpa for pull in pulls]


def test_the_same_again_by_seed(jobs: list[Job]) -> None:
    slow_to_make = jobs[0].family == "soaked"
    for job in jobs[4:5] if slow_to_make else jobs[1::3]:
        again = MAKE[job.family](job.kind, job.seed)
        assert again is not job.car
        assert repr(again) == repr(job.car), job.name
    for a, b, c in zip(logs(jobs, 3), logs(jobs, 3), logs(jobs, 4), strict=True):
        np.testing.assert_array_equal(a, b)
        assert a.size != c.size or not np.array_equal(a, c)


def test_company_changes_nothing(jobs: list[Job]) -> None:
    """Alone and in a batch: as near as the order of a sum may differ."""
    jobs = jobs[::3]
    together = pull_all(jobs, [MIDDLE] * len(jobs), [2] * len(jobs))
    for job, pull in zip(jobs, together, strict=True):
        alone = pull_all([job], [MIDDLE], [2])[0]
        np.testing.assert_allclose(alone.true_boost_kpa, pull.true_boost_kpa, atol=1e-3)
        np.testing.assert_allclose(alone.trace.boost_kpa, pull.trace.boost_kpa, atol=1e-3)


def test_repeatable_pulls_repeat_and_others_drift(jobs: list[Job]) -> None:
    def levels(number: int, *, repeatable: bool) -> FloatArray:
        pulls = pull_all(jobs, [MIDDLE] * len(jobs), [number] * len(jobs), repeatable=repeatable)
        return np.array([np.interp(4300.0, p.true_rpm, p.true_boost_kpa) for p in pulls])

    np.testing.assert_array_equal(levels(1, repeatable=True), levels(9, repeatable=True))
    moved = np.array([levels(n, repeatable=False) for n in range(1, 5)])
    relative = moved.std(axis=0) / moved.mean(axis=0)
    assert np.all(relative > 1e-4)
    assert np.median(relative) < 0.03  # steps of 0.8 %, four of them
    hot = np.array([levels(n, repeatable=False) for n in (60, 61)])  # heat soak is over: what moves is the spring
    assert np.median(np.abs(hot[1] / hot[0] - 1.0)) > 1e-3


def test_scenarios_reach_the_family(jobs: list[Job]) -> None:
    third, fourth = logs(jobs, 3), logs(jobs, 4)
    for name in ("spring changed after pull 3", "boost leak after pull 3"):
        for a, b in zip(third, logs(jobs, 3, name), strict=True):
            np.testing.assert_array_equal(a, b)
        for job, a, b in zip(jobs, fourth, logs(jobs, 4, name), strict=True):
            both = min(a.size, b.size)  # an engine that pulls less takes longer
            assert np.abs(b[:both] - a[:both]).max() > 0.15 * PSI, (job.name, name)
    assert all(p.size < 10.0 * LONGEST_S[jobs[0].family] for p in logs(jobs, 1, "logs at 10 Hz"))


@pytest.mark.parametrize("jobs", ["apart", "kept"], indirect=True)
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


def test_a_held_run_rises(jobs: list[Job]) -> None:
    laggy = next(job for job in jobs if job.kind.endswith("laggy"))
    boost = [seen.sustained_peak_kpa for seen in held_run(laggy)]
    assert len(boost) >= 3
    assert boost[-1] > boost[0] + 1.0 * PSI


def test_families_are_chosen_on_the_command_line() -> None:
    assert bench.chosen_families("all") == list(FAMILIES) == ["own", "other", "apart", "kept", "soaked"]
    assert bench.chosen_families(bench.arguments([]).families) == ["own", "other"]
    assert not any(kind.startswith(("apart", "kept", "soaked")) for kind in all_kinds())
    for family, count in (("apart", 10), ("kept", 10), ("soaked", 8)):
        assert len({kind for kind in all_kinds(bench.chosen_families(family)) if kind.startswith(family)}) == count
    with pytest.raises(ValueError, match="kept"):
        bench.chosen_families("own,elsewhere")


def test_jobs_come_in_the_order_they_are_named() -> None:
    named = [("apart: direct", 4), ("other: free", 4), ("apart: direct", 3)]
    assert [(job.full_kind, job.seed) for job in jobs_named(named)] == named


@pytest.mark.parametrize("family", FAMILIES)
def test_sources_of_a_family_are_its_own(family: str) -> None:
    """What rests on the cars of one family must not go stale, nor be thrown away for another one's sake."""
    files = sources(family)
    assert all(file.is_file() for file in files)
    assert len(files) > 1
    names = {file.stem for file in files}
    assert family in names
    assert not names & {name for name in FAMILIES if name != family}
