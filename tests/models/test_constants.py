"""Rival kinds of car: evidence, shares and draws."""

import numpy as np
import pytest
from scipy import stats

from models import constants
from models.constants import Data, Kind
from models.gate import CONSTANTS

RNG = np.random.default_rng(3)
SLOPES = RNG.normal(size=(12, 4))
NOISE = 0.4 * np.eye(12) + 0.1
SEEN = RNG.normal(size=12) * 2.0


def straight() -> Data:
    """Boost that is linear in four constants, for which Laplace's evidence is exact."""
    return Data(SEEN, lambda z: z @ SLOPES.T + 1.0, np.linalg.cholesky(NOISE))


LOW = Kind(0.3, np.array([-1.0, 0.0, 0.0, 0.5]), np.array([0.7, 1.0, 1.0, 2.0]))
HIGH = Kind(0.7, np.array([1.0, 0.0, 0.0, 0.5]), np.array([0.7, 1.0, 1.0, 2.0]))


def of_all_constants(kind: Kind) -> float:
    """Logarithm of the kind's share and the data's density with the constants integrated out."""
    spread = SLOPES @ np.diag(kind.deviation**2) @ SLOPES.T + NOISE
    law = stats.multivariate_normal(SLOPES @ kind.mean + 1.0, spread)
    return float(np.log(kind.share) + law.logpdf(SEEN))


def test_evidence_is_exact_where_boost_is_linear_in_the_constants() -> None:
    low, high = (constants.explain(straight(), kind, np.zeros(4)) for kind in (LOW, HIGH))
    assert low.evidence - high.evidence == pytest.approx(of_all_constants(LOW) - of_all_constants(HIGH), abs=1e-6)


def test_shares_follow_evidence() -> None:
    found = [constants.explain(straight(), kind, np.zeros(4)) for kind in (LOW, HIGH)]
    exact = np.exp([of_all_constants(LOW), of_all_constants(HIGH)])
    assert constants.shares_of(found) == pytest.approx(exact / exact.sum(), rel=1e-5)


def test_draws_have_the_mean_and_covariance_of_the_exact_posterior() -> None:
    found = constants.explain(straight(), HIGH, np.zeros(4))
    normal = np.random.default_rng(0).standard_normal((200_000, 4))
    drawn = constants.drawn(straight(), [found], normal, np.ones(200_000), np.random.default_rng(1))
    precision = SLOPES.T @ np.linalg.inv(NOISE) @ SLOPES + np.diag(HIGH.deviation**-2.0)
    pull = SLOPES.T @ np.linalg.solve(NOISE, SEEN - 1.0) + HIGH.mean / HIGH.deviation**2
    assert drawn.mean(axis=0) == pytest.approx(np.linalg.solve(precision, pull), abs=0.02)
    assert np.cov(drawn.T) == pytest.approx(np.linalg.inv(precision), abs=0.02)


def test_a_car_that_no_kind_favours_keeps_the_shares_it_began_with() -> None:
    unseen = Data(np.empty(0), lambda z: np.empty((z.shape[0], 0)), np.empty((0, 0)))
    found = [constants.explain(unseen, kind, np.zeros(4)) for kind in (LOW, HIGH)]
    assert constants.shares_of(found) == pytest.approx([0.3, 0.7])
    assert found[0].best == pytest.approx(LOW.mean)


@pytest.mark.parametrize("shares", [[0.5, 0.5], [0.05, 0.95], [0.2, 0.3, 0.5], [1.0]])
def test_draws_are_dealt_in_proportion_and_evenly(shares: list[float]) -> None:
    dealt = constants.dealt(np.array(shares), 384)
    for block in (dealt, dealt[:96]):
        assert np.bincount(block, minlength=len(shares)) / block.size == pytest.approx(shares, abs=0.02)


def test_kinds_differ_from_the_prior_only_where_they_say_so() -> None:
    kinds = constants.kinds(len(CONSTANTS) + 5)
    assert sum(kind.share for kind in kinds) == pytest.approx(1.0)
    spent, reserve, touchy = kinds
    top = [*CONSTANTS].index("log_top")
    assert spent.mean[top] < 0.0 < reserve.mean[top]
    full = [*CONSTANTS].index("full_at")
    assert touchy.mean[full] < -2.0
    for kind in kinds:
        same = (kind.mean == 0.0) & (kind.deviation == 1.0)
        assert 1 <= np.sum(~same) <= 2


# ------------------------------------------------------------------ where boost bends


def bent() -> Data:
    """Boost that goes with the exponential of one constant; another one does nothing."""
    return Data(np.array([1.0, 1.1]), lambda z: np.exp(0.8 * z[:, :1]) @ np.ones((1, 2)), 0.3 * np.eye(2))


BENT = Kind(1.0, np.zeros(2), np.ones(2))


@pytest.mark.parametrize("far", [1.0, 1.5])
def test_draws_come_near_to_the_exact_posterior_where_boost_bends(far: float) -> None:
    """Laplace's draws do not: their upper tail are cars with more boost than was seen, their lower tail is cut off."""
    found = constants.explain(bent(), BENT, np.zeros(2))
    normal = np.random.default_rng(0).standard_normal((6000, 2))
    z = constants.drawn(bent(), [found], normal, np.full(6000, far), np.random.default_rng(1))
    laplace = found.best + far * normal @ np.linalg.cholesky(np.linalg.inv(found.precision)).T
    grid = np.linspace(-8.0, 5.0, 20_001)
    cost = bent().cost(np.column_stack([grid, 0.0 * grid])) + grid**2
    exact = np.cumsum(np.exp(-0.5 * cost / far**2))
    parts = [0.02, 0.1, 0.5, 0.9, 0.98]
    wanted = np.interp(parts, exact / exact[-1], grid)
    off, laplace_off = (np.abs(np.quantile(each[:, 0], parts) - wanted) for each in (z, laplace))
    assert np.all(off[2:] < 0.05)
    assert np.all(off < 0.9 * laplace_off + 0.01)
    assert z[:, 1].std() == pytest.approx(far, rel=0.05)


def test_a_draw_that_the_data_rule_out_does_not_stay_there() -> None:
    found = constants.explain(bent(), BENT, np.zeros(2))
    normal = np.array([[9.0, 0.0]])
    (z,) = constants.drawn(bent(), [found], normal, np.ones(1), np.random.default_rng(1))
    assert bent().cost(z[None])[0] < 20.0


def test_the_same_numbers_give_the_same_draws() -> None:
    found = constants.explain(bent(), BENT, np.zeros(2))
    normal, far = np.random.default_rng(0).standard_normal((50, 2)), np.ones(50)
    first, second = (constants.drawn(bent(), [found], normal, far, np.random.default_rng(1)) for _ in range(2))
    assert np.array_equal(first, second)
