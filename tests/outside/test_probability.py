"""Overpressure probability, expected improvement, and the bound behind what is said about safety."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats
from statsmodels.stats.proportion import proportion_confint

from models.risk import passing_probability
from recommender.decide import expected_improvement
from tests.fleet.figures import broken_bound


def test_overpressure_probability() -> None:
    """Mean 19.5, deviation 0.6, limit 21 psi: 0.00620967, the upper tail of 2.5 in any normal table; 1 % at 19.6042."""
    assert float(passing_probability(19.5, 0.6, 21.0)) == pytest.approx(0.00620967, abs=1e-8)
    assert float(passing_probability(19.6042, 0.6, 21.0)) == pytest.approx(0.01, abs=1e-5)


@pytest.mark.parametrize("far", [0.0, 1.0, 3.0, 6.0, 9.0])
def test_normal_tail_equals_scipy_far_out(far: float) -> None:
    # Relative, so that a tail of 1e-19 counts as much as one half.
    assert float(passing_probability(0.0, 1.0, far)) == pytest.approx(float(stats.norm.sf(far)), rel=1e-10)


# Unit normal loss at 0, 0.5, 1 and 2 (from any table of it; Jones, Schonlau & Welch 1998 for its use). For a maximum
# there, for a minimum here: the signs change, the values do not.
@pytest.mark.parametrize(("best", "loss"), [(0.0, 0.398942), (0.5, 0.197797), (1.0, 0.083315), (2.0, 0.008491)])
def test_expected_improvement(best: float, loss: float) -> None:
    assert float(expected_improvement(0.0, 1.0, -best)) == pytest.approx(loss, abs=5e-7)


@pytest.mark.parametrize(("mean", "deviation", "bar"), [(3.0, 0.5, 2.5), (1.0, 2.0, 4.0), (5.0, 0.2, 3.0)])
def test_expected_improvement_equals_its_integral(mean: float, deviation: float, bar: float) -> None:
    """SciPy integrates what falls under the bar; ten deviations each way."""
    normal = stats.norm(mean, deviation)
    by_hand, _ = integrate.quad(
        lambda value: max(bar - value, 0.0) * float(normal.pdf(value)),
        mean - 10 * deviation,
        mean + 10 * deviation,
        points=[bar],
        epsabs=1e-14,
    )
    assert float(expected_improvement(mean, deviation, bar)) == pytest.approx(by_hand, rel=1e-6, abs=1e-13)


def test_expected_improvement_without_doubt_is_the_difference() -> None:
    np.testing.assert_allclose(expected_improvement([1.0, 3.0], 0.0, 2.0), [1.0, 0.0], atol=1e-12)


def test_bound_of_a_proportion() -> None:
    """Exact binomial bounds: NIST/SEMATECH e-Handbook 7.2.4.2; statsmodels' 'beta' method is the same one.

    Two-sided at 90 % has the one-sided 95 % bound as its upper end.
    """
    assert broken_bound(0, 20) == pytest.approx(0.13911, abs=5e-6)
    assert broken_bound(0, 299) == pytest.approx(0.00997, abs=5e-6)
    assert broken_bound(4, 20) == pytest.approx(0.401028, abs=1e-6)
    assert broken_bound(5, 10, 0.975) == pytest.approx(0.81291, abs=5e-6)
    for broken, pulls in ((0, 50), (1, 80), (7, 240)):
        assert broken_bound(broken, pulls) == pytest.approx(
            proportion_confint(broken, pulls, 0.10, "beta")[1], rel=1e-9
        )
