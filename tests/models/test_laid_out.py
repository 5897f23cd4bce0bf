"""Which pulls a fit uses, and how they lie on its grid."""

from __future__ import annotations

import numpy as np

from models.curve import Curve
from models.evidence import Observation
from models.laid_out import FEW, MOST_PULLS, lay_out, most_telling
from models.settings import KNOB_NAMES, Knob, Settings

KNOBS = {
    name: Knob(name, lower, upper, 1.0, 20.0)
    for name, lower, upper in zip(KNOB_NAMES, (0, 3000, 5600, 0, 0, 0), (90, 5500, 7000, 30, 110, 10), strict=True)
}
GRID = np.arange(2500.0, 7000.0, 50.0)


def pull(number: int, duty: float, *, held: bool = False) -> Observation:
    known = np.abs(GRID - 4500.0) <= 75.0 if held else np.full(GRID.size, True)
    curve = Curve(GRID, np.where(known, 100.0, np.nan))
    return Observation(number, Settings(duty, 4900, 6700, 0, 60, 0), curve, 100.0, 100.0)


def numbers(pulls: list[Observation]) -> list[int]:
    return [each.number for each in pulls]


def test_of_more_pulls_the_first_the_latest_and_the_most_different_are_fitted() -> None:
    odd = {4: 60.0, 7: 75.0}
    many = [pull(n, odd.get(n, 20.0 + 0.01 * n)) for n in range(1, MOST_PULLS + 11)]
    kept = numbers(most_telling(many, KNOBS))
    assert len(kept) == MOST_PULLS
    assert kept == sorted(kept)
    assert {1, 4, 7, *range(len(many) - MOST_PULLS // 2 + 1, len(many) + 1)} <= set(kept)


def test_a_run_at_held_rpm_counts_as_one_pull_however_many_duties_it_shows() -> None:
    sweeps = [pull(n, 20.0 + n % 3) for n in range(1, 11)]
    run = [pull(11, duty, held=True) for duty in range(10, 80, 8)]
    assert most_telling([*sweeps, *run], KNOBS) == [*sweeps, *run]
    runs = [pull(n, duty, held=True) for n in range(1, MOST_PULLS + 2) for duty in (10.0, 30.0 + n)]
    kept = numbers(most_telling(runs, KNOBS))
    assert len(set(kept)) == MOST_PULLS
    assert all(kept.count(number) == 2 for number in kept)  # whole runs


def test_pulls_that_are_not_trusted_are_not_fitted() -> None:
    doubtful = Observation(2, Settings(20, 4900, 6700, 0, 60, 0), pull(2, 20.0).curve, 100.0, 100.0, trusted=False)
    assert numbers(most_telling([pull(1, 20.0), doubtful, pull(3, 20.0)], KNOBS)) == [1, 3]


def points_of(*at: int) -> list[int]:
    """Grid points that count of a pull with boost at these points of a grid of 21."""
    rpm, u = np.linspace(3000.0, 6000.0, 21), np.linspace(0.0, 1.0, 21)
    rows = np.array([[*Settings(20.0, 4900, 6700, 0, 60, 0).as_array(), rpm[i], 1.0] for i in at])
    laid_out = lay_out(rows, 100.0 + np.array(at), np.full(len(at), 0.5), rpm, u, {}, {})
    assert laid_out.y.tolist() == [100.0 + i for i in laid_out.point]
    return [int(i) for i in laid_out.point]


def test_of_a_whole_pull_every_second_point_counts() -> None:
    assert points_of(*range(21)) == list(range(0, 21, 2))
    assert points_of(*range(5, 18)) == list(range(6, 18, 2))


def test_of_a_short_pull_all_points_count() -> None:
    assert points_of(3, 4, 5) == [3, 4, 5]
    assert points_of(*range(2 * FEW - 2)) == list(range(2 * FEW - 2))


def test_a_pull_logged_between_those_points_is_not_lost() -> None:
    assert points_of(*range(1, 21, 2)) == list(range(1, 21, 2))
