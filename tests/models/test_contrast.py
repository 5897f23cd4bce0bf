"""Effects of a change of settings, and what each pull contributes: held against the surrogate itself."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from models.contrast import effect_draws
from models.influence import moves_without
from models.surrogate import BoostSurrogate
from tests.recommender.why_cars import problem, pull, settings


def fitted(pulls, **options) -> BoostSurrogate:
    job = problem()
    return BoostSurrogate(job.target, job.knobs, seed=3, **options).fit_pulls(pulls)


@pytest.fixture(scope="module")
def pulls():
    return [pull(1, 0.0), pull(2, 20.0), pull(3, 35.0)]


@pytest.fixture(scope="module")
def surrogate(pulls) -> BoostSurrogate:
    return fitted(pulls)


class TestEffect:
    def test_no_change_no_effect(self, surrogate) -> None:
        same = settings(30.0).as_array()
        # Covariance of nothing with itself: only rounding of the root is left (kPa).
        assert np.abs(effect_draws(surrogate, same, same[None])).max() < 1e-3

    def test_mean_is_the_difference_of_expected_curves(self, surrogate) -> None:
        first, second = settings(30.0).as_array(), settings(45.0).as_array()
        curves, _ = surrogate.expected(np.vstack([first, second]))
        # 384 draws of a process with a deviation of about 2 kPa: the mean of the noise is under 0.4 kPa.
        wanted = (curves[:, 1] - curves[:, 0]).mean(axis=0)
        assert np.abs(effect_draws(surrogate, first, second[None])[:, 0].mean(axis=0) - wanted).max() < 0.4

    def test_back_is_the_opposite_of_there(self, surrogate) -> None:
        first, second = settings(30.0).as_array(), settings(45.0).as_array()
        there = effect_draws(surrogate, first, second[None])[:, 0].std(axis=0)
        back = effect_draws(surrogate, second, first[None])[:, 0].std(axis=0)
        # The same variance by symmetry; the roots differ, so the draws do: 384 draws tell a deviation to about 5 %.
        assert np.allclose(there, back, rtol=0.25, atol=0.05)

    def test_what_two_pulls_have_shown_is_known_better(self, surrogate, pulls) -> None:
        first, second = settings(20.0).as_array(), settings(35.0).as_array()
        before = fitted(pulls[:1])
        wide = effect_draws(before, first, second[None])[:, 0].std(axis=0).mean()
        narrow = effect_draws(surrogate, first, second[None])[:, 0].std(axis=0).mean()
        assert narrow < 0.5 * wide

    def test_far_settings_differ_by_both_processes(self) -> None:
        # Duty 75 points apart lies 2.5 reaches away: what the physics misses there has little to do with here, so
        # the variances add up. A ramp brings its own term along, which neither curve may lose on the way.
        bare = fitted([], repeatability=1e-9, drift=1e-9, rpm_jitter=1e-9)
        ends = np.vstack([settings(0.0).as_array(), dataclasses.replace(settings(75.0), ramp_add=20.0).as_array()])
        alone, _ = bare.expected(ends)
        apart = bare.scatter(ends, alone.mean(axis=0), np.empty((2, bare.rpm_.size, 0)))
        drawn = effect_draws(bare, ends[0], ends[1:])[:, 0] - (alone[:, 1] - alone[:, 0])
        wanted = np.sqrt(np.diagonal(apart.sum(axis=0)))
        assert wanted.max() > 1.2 * wanted[0]
        # 384 draws tell a deviation to 4 %; three times that at the worst of 44 points.
        assert np.allclose(drawn.std(axis=0), wanted, rtol=0.13)


class TestInfluence:
    def test_nothing_without_pulls(self) -> None:
        assert moves_without(fitted([]), settings(20.0).as_array()) == {}

    def test_equals_a_refit_where_the_model_is_linear(self, pulls, monkeypatch: pytest.MonkeyPatch) -> None:
        # Without physics the surrogate is one Gaussian process: leaving a pull out is exact, given the same sizes.
        monkeypatch.setattr("models.surrogate.SIZES", (1.0,))
        everything, left = fitted(pulls, physics=False), fitted(pulls[:2], physics=False)
        at = settings(38.0).as_array()
        change = moves_without(everything, at)[3]
        curves = [each.expected(at[None], best=True)[0][0, 0] for each in (left, everything)]
        # Not to the last digit: the refit takes the drift between pulls at its own expected level. [kPa]
        assert np.abs(change).max() > 5.0
        assert np.abs(change - (curves[0] - curves[1])).max() < 0.5

    def test_a_run_at_held_rpm_is_left_out_whole(self, pulls, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("models.surrogate.SIZES", (1.0,))
        run = [pull(4, duty) for duty in (45.0, 46.0, 47.0)]
        everything, left = fitted([*pulls, *run], physics=False), fitted(pulls, physics=False)
        at = settings(47.0).as_array()
        curves = [each.expected(at[None], best=True)[0][0, 0] for each in (left, everything)]
        change = moves_without(everything, at)[4]
        assert np.abs(change).max() > 5.0
        assert np.abs(change - (curves[0] - curves[1])).max() < 0.5

    def test_the_nearest_pull_moves_most(self, surrogate) -> None:
        for number, duty in ((1, 2.0), (3, 34.0)):
            changes = moves_without(surrogate, settings(duty).as_array())
            sizes = {key: float(np.sqrt(np.mean(value**2))) for key, value in changes.items()}
            assert max(sizes, key=sizes.__getitem__) == number
