"""The optimiser of the decision. Published problems are in tests/outside."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from models.units import FloatArray
from recommender.decide.search import IntArray, minimise


def bowl(points: IntArray) -> tuple[FloatArray, FloatArray]:
    """Least at (7, -3, 12, …), no constraint."""
    wanted = np.array([7, -3, 12, 0, 5, 2])[: points.shape[1]]
    return np.sum((points - wanted) ** 2.0, axis=1), np.zeros(len(points))


@pytest.mark.parametrize("knobs", [1, 2, 4, 6])
def test_the_least_grid_point_is_found(knobs: int) -> None:
    found = minimise(bowl, [(-20, 40)] * knobs, seed=1, rounds=60)
    np.testing.assert_array_equal(found.best, np.array([7, -3, 12, 0, 5, 2])[:knobs])
    assert found.value == 0.0
    assert found.violation == 0.0


def test_every_point_asked_for_is_whole_within_the_box_and_asked_once() -> None:
    asked: list[tuple[int, ...]] = []

    def spy(points: IntArray) -> tuple[FloatArray, FloatArray]:
        assert points.dtype == np.int64
        asked.extend(map(tuple, points.tolist()))
        return bowl(points)

    spans = [(2, 9), (-5, -5), (0, 3)]
    found = minimise(spy, spans, seed=4, starts=np.array([[50, 50, 50], [3, -5, 1]]))
    assert len(asked) == len(set(asked)) == found.evaluations == len(found.seen)
    assert all(low <= value <= high for point in asked for value, (low, high) in zip(point, spans, strict=True))
    assert (9, -5, 3) in asked  # a start outside the box is brought to its edge
    assert (3, -5, 1) in asked


def test_best_first_and_allowed_before_forbidden() -> None:
    def edge(points: IntArray) -> tuple[FloatArray, FloatArray]:
        return points.sum(axis=1).astype(float), np.maximum(10.0 - points[:, 0], 0.0)

    found = minimise(edge, [(0, 30), (0, 30)], seed=2)
    np.testing.assert_array_equal(found.best, [10, 0])
    values, violations = edge(found.seen)
    allowed = violations == 0
    assert not np.any(~allowed[:-1] & allowed[1:])  # once forbidden, forbidden to the end
    assert np.all(np.diff(values[allowed]) >= 0)
    assert np.all(np.diff(violations[~allowed]) >= 0)


def test_what_is_allowed_comes_first_whatever_its_price() -> None:
    """Half of the box is forbidden, by little, and every point costs more than a violation does."""

    def dear(points: IntArray) -> tuple[FloatArray, FloatArray]:
        return 1e9 + points.sum(axis=1), np.where(points[:, 0] < 10, 1e-3, 0.0)

    found = minimise(dear, [(0, 20), (0, 5)], seed=2)
    assert found.violation == 0.0
    assert found.best[0] >= 10
    violations = dear(found.seen)[1]
    assert np.all(np.diff(violations) >= 0)


def test_where_nothing_is_allowed_the_least_violation_is_told() -> None:
    def never(points: IntArray) -> tuple[FloatArray, FloatArray]:
        return np.zeros(len(points)), 1.0 + np.abs(points[:, 0] - 6.0)

    found = minimise(never, [(0, 20), (0, 5)], seed=3)
    assert found.best[0] == 6
    assert found.violation == 1.0


def test_a_box_of_one_point() -> None:
    found = minimise(bowl, [(4, 4), (1, 1)], seed=0)
    np.testing.assert_array_equal(found.best, [4, 1])
    assert found.evaluations == 1
    assert found.value == (4 - 7) ** 2 + (1 + 3) ** 2


def test_the_same_seed_looks_at_the_same_points() -> None:
    first, second = (minimise(bowl, [(0, 90), (-30, 30), (0, 30)], seed=11) for _ in range(2))
    np.testing.assert_array_equal(first.seen, second.seen)
    other = minimise(bowl, [(0, 90), (-30, 30), (0, 30)], seed=12)
    assert first.seen.shape != other.seen.shape or np.any(first.seen != other.seen)


def test_nearly_as_good_as_looking_at_every_point() -> None:
    """Twenty rough landscapes of 8 by 8 by 8 points, a third of them barred, with no slope that leads anywhere:
    the best twentieth of all 512 is found every time."""
    box = np.array(list(itertools.product(range(8), repeat=3)))
    for seed in range(20):
        rng = np.random.default_rng(seed)
        heights, wall = rng.normal(size=(8, 8, 8)), rng.uniform(-1, 0.5, (8, 8, 8))

        def rough(
            points: IntArray, heights: FloatArray = heights, wall: FloatArray = wall
        ) -> tuple[FloatArray, FloatArray]:
            at = tuple(points.T)
            return heights[at], np.maximum(wall[at], 0.0)

        every, barred = rough(box)
        found = minimise(rough, [(0, 7)] * 3, seed=seed, rounds=60)
        assert found.violation == 0.0
        assert found.value <= np.quantile(every[barred == 0], 0.05)
