"""Which pulls a fit uses, and how they lie on its grid."""

from __future__ import annotations

import numpy as np

from models.curve import Curve
from models.evidence import Observation
from models.laid_out import MOST_PULLS, most_telling
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
