"""The fitting routine. Certified problems are in tests/outside."""

from __future__ import annotations

import numpy as np
import pytest

from models.fit import Fit, least_squares

X = np.linspace(0.0, 4.0, 40)


def decay(b: np.ndarray) -> np.ndarray:
    return b[0] * np.exp(-b[1] * X)


def decay_slopes(b: np.ndarray) -> np.ndarray:
    return np.column_stack([np.exp(-b[1] * X), -b[0] * X * np.exp(-b[1] * X)])


def test_a_straight_line_equals_the_normal_equations() -> None:
    rng = np.random.default_rng(4)
    y = 3.0 - 1.5 * X + rng.normal(0.0, 0.2, X.size)
    columns = np.column_stack([np.ones_like(X), X])
    fit = least_squares(lambda b: columns @ b - y, np.zeros(2))
    expected, rest, *_ = np.linalg.lstsq(columns, y, rcond=None)
    np.testing.assert_allclose(fit.values, expected, rtol=1e-8)
    assert fit.residual_sum == pytest.approx(float(rest[0]), rel=1e-10)
    np.testing.assert_allclose(fit.information, columns.T @ columns, rtol=1e-6)
    assert fit.converged


@pytest.mark.parametrize("start", [(1.0, 0.1), (10.0, 3.0), (0.1, 0.0)])
def test_given_derivatives_and_differences_agree(start: tuple[float, float]) -> None:
    y = decay(np.array([5.0, 0.8]))
    by_hand = least_squares(lambda b: decay(b) - y, np.array(start), jacobian=decay_slopes)
    by_difference = least_squares(lambda b: decay(b) - y, np.array(start))
    np.testing.assert_allclose(by_hand.values, [5.0, 0.8], rtol=1e-7)
    np.testing.assert_allclose(by_difference.values, [5.0, 0.8], rtol=1e-6)


def test_the_information_gives_the_scatter_of_the_constants() -> None:
    """Inverse of the information times the noise's variance: the covariance of the constants, over 300 noisy copies.

    Sample deviations of 300 are good to 4 %; 15 % is nearly four of those.
    """
    truth, noise = np.array([5.0, 0.8]), 0.05
    rng = np.random.default_rng(9)

    def refit() -> Fit:
        y = decay(truth) + rng.normal(0, noise, X.size)
        return least_squares(lambda b: decay(b) - y, truth, jacobian=decay_slopes)

    fits = [refit() for _ in range(300)]
    scatter = np.std([fit.values for fit in fits], axis=0)
    expected = noise * np.sqrt(np.diag(np.linalg.inv(fits[0].information)))
    np.testing.assert_allclose(scatter, expected, rtol=0.15)


def test_running_out_of_evaluations_is_told() -> None:
    y = decay(np.array([5.0, 0.8]))
    assert not least_squares(lambda b: decay(b) - y, np.array([1.0, 0.0]), evaluations=3).converged
