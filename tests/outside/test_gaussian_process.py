"""Conditioning of the surrogate's Gaussian process: with the physics left out it is a plain one, and has to agree with
published values and with scikit-learn's own regressor. What runs here is the surrogate's own fit, mean and covariance.
"""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel

from models.curve import Target
from models.settings import KNOB_NAMES, Knob, effective_duty
from models.surrogate import REACH, BoostSurrogate
from models.units import FloatArray

#: Judged over 2000 rpm, so that u is rpm less 3000 over 2000; grid of 100 rpm. Boost is scaled by 10 kPa.
TARGET = Target(np.array([3000.0, 5000.0]), np.array([10.0, 10.0]), 3000.0, 5000.0)
KNOBS = {
    name: Knob(name, lower, upper, 1.0, 20.0)
    for name, lower, upper in zip(KNOB_NAMES, (0, 3000, 3500, 0, 0, 0), (90, 3400, 4000, 30, 10, 10), strict=True)
}
IDLE = (0.0, 3200.0, 3900.0, 0.0, 0.0, 0.0)


def plain(size: float = 1.0) -> BoostSurrogate:
    """A Gaussian process of standard deviation ``size`` [kPa] about a flat mean, and nothing else."""
    # Without physics the surrogate makes the process nine times as wide.
    return BoostSurrogate(
        TARGET,
        KNOBS,
        points=21,
        draws=8,
        physics=False,
        residual=size / (9.0 * 10.0),
        repeatability=0.0,
        drift=0.0,
        rpm_jitter=0.0,
    )


def mean_kpa() -> float:
    """The flat mean."""
    fitted = plain().fit_pulls([])
    return float(fitted.gate_curves(np.array([IDLE]), best=True)[0, 0, 0])


def rows(settings: tuple[float, ...], rpm: list[float], pull: int = 1) -> FloatArray:
    return np.array([[*settings, each, float(pull)] for each in rpm])


def always_there() -> float:
    """Variance that the surrogate adds to every value, besides the noise that it is told of. [kPa²]"""
    fitted = plain().fit(rows(IDLE, [3000.0]), [mean_kpa()], noise_kpa=0.0)
    return float(fitted.posterior_.root[0, 0] ** 2 - 1.0)


def fitted_to(x: list[float], y: list[float], variance: float) -> BoostSurrogate:
    """Fitted at scaled inputs ``x`` along rpm (one is REACH[0] of u), to values about the mean, of known noise."""
    noise = np.sqrt(variance - always_there())
    rpm = [3000.0 + 2000.0 * REACH[0] * each for each in x]
    return plain().fit(rows(IDLE, rpm), np.array(y) + mean_kpa(), noise_kpa=noise)


def at(fitted: BoostSurrogate, x: list[float]) -> tuple[FloatArray, FloatArray]:
    """Posterior mean about the flat mean, and covariance, at scaled inputs along rpm."""
    settings = np.array([IDLE])
    curves, cross = fitted.expected(settings, best=True)
    covariance = fitted.scatter(settings, curves[0], cross)[0]
    grid = [int(np.argmin(np.abs(fitted.rpm_ - (3000.0 + 2000.0 * REACH[0] * each)))) for each in x]
    return curves[0, 0, grid] - mean_kpa(), covariance[np.ix_(grid, grid)]


def test_posterior_of_three_points() -> None:
    """X 0, 1, 2; y 0, 1, 0; length 1; noise variance 0.1; at 0.5 and 3.

    Rasmussen & Williams (2006), algorithm 2.1; reproduced with scikit-learn. 1e-6: the digits given.
    """
    fitted = fitted_to([0.0, 1.0, 2.0], [0.0, 1.0, 0.0], 0.1)
    mean, covariance = at(fitted, [0.5, 3.0])
    np.testing.assert_allclose(mean, [0.574548, -0.332899], atol=1e-6)
    np.testing.assert_allclose(np.diag(covariance), [0.082395, 0.605941], atol=1e-6)
    # Log marginal likelihood, eq. 2.30, from the surrogate's own Cholesky factor and weights.
    root, weights = fitted.posterior_.root, fitted.posterior_.best_weights[:, 0]
    y = fitted.evidence_.y - mean_kpa()
    log_likelihood = -0.5 * y @ weights - np.log(np.diag(root)).sum() - 1.5 * np.log(2.0 * np.pi)
    assert log_likelihood == pytest.approx(-3.493578, abs=1e-6)


def test_posterior_of_one_point_by_hand() -> None:
    """x 0, y 2, noise variance 0.25: mean 2 / 1.25 = 1.6, variance 1 - 1 / 1.25 = 0.2 (R&W eq. 2.25, 2.26)."""
    mean, covariance = at(fitted_to([0.0], [2.0], 0.25), [0.0])
    assert mean[0] == pytest.approx(1.6, abs=1e-9)
    assert covariance[0, 0] == pytest.approx(0.2, abs=1e-9)


def test_posterior_over_rpm_duty_engagement_and_gain_equals_scikit_learn() -> None:
    """Four pulls with different settings, 38 values: mean and covariance at three new settings.

    Values stand where the surrogate takes them from, on every second point of its grid. No ramp adds anything here:
    what a ramp does beside the smooth residual is a term of its own.
    """
    rng = np.random.default_rng(21)
    run = [
        IDLE,
        (20.0, 3200.0, 3900.0, 0.0, 3.0, 0.0),
        (35.0, 3100.0, 3800.0, 0.0, 6.0, 4.0),
        (60.0, 3200.0, 3900.0, 0.0, 8.0, 8.0),
    ]
    rpm = [3000.0 + 100.0 * i for i in range(21)]
    X = np.vstack([rows(settings, rpm[2 * i :: 2], i + 1) for i, settings in enumerate(run)])
    y = mean_kpa() + rng.normal(0.0, 1.5, len(X))
    noise, size = 0.6, 1.7
    fitted = plain(size).fit(X, y, noise_kpa=noise)
    assert fitted.evidence_.y.size == len(X)

    def scaled(settings: FloatArray, engine_rpm: FloatArray) -> FloatArray:
        duty = np.array([float(effective_duty(r, s)) for s, r in zip(settings, engine_rpm, strict=True)])
        columns = [(engine_rpm - 3000.0) / 2000.0, duty, settings[:, 4] / 10.0, settings[:, 5] / 10.0]
        return np.column_stack(columns) / np.array(REACH)

    theirs = GaussianProcessRegressor(
        ConstantKernel(size**2, "fixed") * RBF(1.0, "fixed"), alpha=noise**2 + always_there(), optimizer=None
    ).fit(scaled(X[:, :6], X[:, 6]), y - mean_kpa())
    new = np.array(
        [
            (10.0, 3200.0, 3900.0, 0.0, 2.0, 0.0),
            (50.0, 3000.0, 3600.0, 0.0, 7.0, 2.0),
            (90.0, 3300.0, 4000.0, 0.0, 10.0, 10.0),
        ]
    )
    curves, cross = fitted.expected(new, best=True)
    covariance = fitted.scatter(new, curves[0], cross)
    for i, settings in enumerate(new):
        mean, own = theirs.predict(scaled(np.tile(settings, (21, 1)), np.array(rpm)), return_cov=True)
        np.testing.assert_allclose(curves[0, i] - mean_kpa(), mean, atol=1e-8)
        np.testing.assert_allclose(covariance[i], own, atol=1e-8)
