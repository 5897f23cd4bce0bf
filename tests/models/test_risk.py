"""Risk: the highest point of a pull against the limit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.curve import Curve
from models.evidence import UNEVEN_KPA, Observation
from models.risk import (
    BEYOND_KPA,
    EXCESS_KPA,
    FADES,
    Beyond,
    beyond_of,
    excess_kpa,
    hidden_kpa,
    highest_points,
    passing_probability,
    risk_of,
    spikes_seen,
)
from models.settings import Settings
from models.units import FloatArray


def pull(peak: float, curve_peak: float, *, trusted: bool = True) -> Observation:
    curve = Curve(np.array([3000.0, 4000.0, 5000.0]), np.array([50.0, curve_peak, np.nan]))
    settings = Settings(0, 4000, 6000, 0, 0, 0)
    return Observation(1, settings, curve, peak_kpa=peak + 1, sustained_peak_kpa=peak, trusted=trusted)


# ------------------------------------------------------------------ passing_probability


@given(mean=st.floats(20.0, 300.0), deviation=st.floats(0.1, 30.0), limit=st.floats(20.0, 300.0))
def test_probability_of_a_normal_value(mean: float, deviation: float, limit: float) -> None:
    p = float(passing_probability(mean, deviation, limit))
    assert 0.0 <= p <= 1.0
    assert p <= float(passing_probability(mean + 1.0, deviation, limit))
    assert p >= float(passing_probability(mean, deviation, limit + 1.0))
    mirrored = float(passing_probability(2 * limit - mean, deviation, limit))
    assert p + mirrored == pytest.approx(1.0, abs=1e-9)


def test_probability_in_the_limits() -> None:
    assert passing_probability(100.0, 3.0, 100.0) == 0.5
    np.testing.assert_array_equal(passing_probability([99.0, 101.0], 0.0, 100.0), [0.0, 1.0])  # nothing uncertain
    both = passing_probability(np.array([90.0, 100.0]), np.array([[1.0], [5.0]]), 101.0)
    assert both.shape == (2, 2)
    assert float(both[1, 0]) == float(passing_probability(90.0, 5.0, 101.0))


# ------------------------------------------------------------------ excess over the curve


def usual(pulls: list[Observation], fitted: FloatArray | None = None) -> float:
    return float(excess_kpa(spikes_seen(pulls, fitted)))


def test_excess_begins_with_what_is_usual_and_is_learnt() -> None:
    assert usual([]) == EXCESS_KPA
    spiky = [pull(120.0, 110.0)] * 3
    assert EXCESS_KPA < usual(spiky[:1]) < usual(spiky) < 10.0
    calm = [pull(100.0, 100.0)] * 8
    assert 0.0 < usual(calm) < 0.3 * EXCESS_KPA
    assert usual([pull(95.0, 100.0)]) == usual([pull(100.0, 100.0)])  # never below 0


def test_a_log_that_cannot_be_trusted_teaches_no_excess() -> None:
    assert usual([pull(200.0, 100.0, trusted=False)]) == EXCESS_KPA


def test_what_slow_logs_could_have_hidden_is_put_on_top_and_never_learnt_away() -> None:
    slow = [replace(pull(100.0, 100.0), unseen_kpa=12.0)] * 9
    for count in (1, 3, 9):
        assert usual(slow[:count]) == usual([pull(100.0, 100.0)] * count)
        assert hidden_kpa(slow[:count]) == pytest.approx(3.0)  # the law passes 12 kPa with exp(-4), 2 in 100
    assert hidden_kpa([*slow[:1], pull(100.0, 100.0)]) == pytest.approx(1.5)
    distrusted = replace(slow[0], trusted=False)
    assert usual([distrusted]) == EXCESS_KPA
    assert hidden_kpa([distrusted]) == hidden_kpa([]) == 0.0


def whole(peak: float, last: float, beyond: float, **more: float) -> Observation:
    """A pull whose curve reaches the grid's end at ``last``."""
    curve = Curve(np.array([3000.0, 4000.0, 5000.0]), np.array([50.0, 90.0, last]))
    return replace(pull(peak, 90.0), curve=curve, beyond_kpa=beyond, **more)  # type: ignore[arg-type]


def test_what_comes_past_the_range_is_no_spike() -> None:
    """A steady rise past the range would otherwise be drawn as spikes of any height, wherever the curve is highest."""
    calm = usual([whole(100.0, 100.0, 0.0)] * 3)
    assert usual([whole(107.0, 100.0, 7.0)] * 3) == calm
    assert usual([whole(107.0, 100.0, float("nan"))] * 3) > calm + 3.0
    assert usual([whole(100.0, 100.0, -9.0)] * 3) == calm


def test_ringing_that_is_forecast_by_itself_is_no_spike() -> None:
    fed_back = Settings(0, 4000, 6000, 0, 0, 2)
    calm = usual([whole(100.0, 100.0, 0.0)] * 3)
    rang, spiked = (whole(peak, 100.0, 0.0, oscillation_kpa=5.0, settings=fed_back) for peak in (105.0, 108.0))
    assert usual([rang] * 3) == calm
    assert usual([spiked] * 3) == pytest.approx(calm + 9.0 / 5.0)


def test_without_gain_nothing_rings_and_what_swings_is_a_spike() -> None:
    """But for little, which any pull may be uneven by."""
    calm = usual([whole(100.0, 100.0, 0.0)] * 3)
    assert usual([whole(100.0 + UNEVEN_KPA, 100.0, 0.0, oscillation_kpa=UNEVEN_KPA)] * 3) == calm
    spiked = [whole(112.0, 100.0, 0.0, oscillation_kpa=12.0)] * 3
    assert usual(spiked) == pytest.approx(calm + 3.0 * (12.0 - UNEVEN_KPA) / 5.0)


def test_the_latest_pull_counts_most() -> None:
    calm, spiky = pull(100.0, 100.0), pull(110.0, 100.0)
    assert usual([spiky, calm, calm]) < usual([calm, spiky, calm]) < usual([calm, calm, spiky])


def test_a_lifted_pull_tells_of_a_spike_that_it_showed_and_of_none_that_it_did_not() -> None:
    """Lifted twice before boost was up, settings that had spiked by 14 kPa were expected to spike half as much."""
    spiky, lifted = pull(114.0, 100.0), replace(pull(100.0, 100.0), complete=False)
    assert usual([spiky, lifted, lifted]) == usual([spiky])
    assert usual([spiky, replace(spiky, complete=False)]) == usual([spiky, spiky]) > usual([spiky])


def test_what_the_fit_does_not_follow_counts_as_spike() -> None:
    """A smooth fit that stands 6 kPa under a narrow hump of the log will stand under it the next time too."""
    hump = [pull(110.0, 110.0)] * 3
    close, short, over = (usual(hump, np.full(3, top)) for top in (110.0, 104.0, 120.0))
    assert close == over == usual(hump)
    assert short == pytest.approx(close + 18.0 / 5.0)
    assert usual(hump, np.full(3, np.nan)) == usual(hump)  # of a car that has changed since
    uneven = [replace(each, oscillation_kpa=UNEVEN_KPA) for each in hump]  # without gain no ringing is forecast for it
    assert usual(uneven, np.full(3, 104.0)) == short


def test_ringing_under_gain_is_not_counted_for_the_fit_either() -> None:
    fed_back = Settings(0, 4000, 6000, 0, 0, 2)
    rang = [whole(105.0, 100.0, 0.0, oscillation_kpa=5.0, settings=fed_back)]
    assert usual(rang, np.array([100.0])) == usual(rang)
    assert usual(rang, np.array([97.0])) == pytest.approx(usual(rang) + 3.0 / 3.0)


def test_a_spike_counts_less_with_milder_settings_and_in_full_with_others() -> None:
    """A gate that fluttered at high engagement says little of the spring alone: its risk had been 3 %."""
    seen = spikes_seen([pull(100.0, 100.0), pull(160.0, 100.0)])
    means = excess_kpa(seen, np.array([[0.0, 0.0], [0.0, 0.5], [0.0, 3.0], [4.0, 0.0]]))
    calm = usual([pull(100.0, 100.0)] * 2)
    assert means[0] == means[3] == usual([pull(100.0, 100.0), pull(160.0, 100.0)]) > calm + 15.0
    assert means[1] - calm == pytest.approx((means[0] - calm) * np.exp(-0.5 * FADES))
    assert means[2] == pytest.approx(calm, abs=0.1)
    assert excess_kpa(np.empty(0), np.empty((3, 0))).tolist() == [EXCESS_KPA] * 3


# ------------------------------------------------------------------ past the range


def test_boost_past_the_range_is_learnt_and_the_latest_pull_counts_most() -> None:
    assert beyond_of([], []) == beyond_of([whole(100.0, 100.0, float("nan"))], [0.0]) == Beyond()
    assert beyond_of([replace(whole(107.0, 100.0, 7.0), trusted=False)], [0.0]) == Beyond()
    steady = [beyond_of([whole(107.0, 100.0, 7.0)] * n, [0.0] * n) for n in (1, 2, 8)]
    assert 3.0 < steady[0].mean_kpa < steady[1].mean_kpa < steady[2].mean_kpa < 7.0
    assert steady[2].deviation_kpa < steady[0].deviation_kpa
    orders = ((2.0, 7.0), (7.0, 2.0))
    rising, falling = (beyond_of([whole(107.0, 100.0, each) for each in order], [0.0, 0.0]) for order in orders)
    assert rising.mean_kpa > falling.mean_kpa
    ramped = beyond_of([whole(107.0, 100.0, 7.0)], [4.0])  # what a ramp did is no way of the car's
    assert ramped == beyond_of([whole(103.0, 100.0, 3.0)], [0.0])
    lifted = replace(whole(101.0, 100.0, 1.0), complete=False)  # it might have gone on rising
    assert beyond_of([whole(107.0, 100.0, 7.0), lifted], [0.0, 0.0]) == steady[0]
    assert beyond_of([lifted], [0.0]) == beyond_of([replace(lifted, complete=True)], [0.0])
    # So might one that ended 400 rpm past the grid, where others went on for 1000; one that went on for 900 counts.
    far, near, late = (whole(107.0, 100.0, kpa, last_rpm=end) for kpa, end in ((7.0, 6000), (1.0, 5400), (6.0, 5900)))
    assert beyond_of([far, near], [0.0, 0.0]) == beyond_of([near, far], [0.0, 0.0]) == steady[0]
    assert beyond_of([near], [0.0]) == beyond_of([lifted], [0.0])
    assert beyond_of([far, late], [0.0, 0.0]) != steady[0]
    hardly, less = (whole(107.0, 100.0, kpa, last_rpm=end) for kpa, end in ((7.0, 5120), (1.0, 5060)))
    assert beyond_of([hardly, less], [0.0, 0.0]) != steady[0]
    level = beyond_of([whole(100.0, 100.0, 0.0)], [0.0])
    assert (level.mean_kpa, 0.0 < level.deviation_kpa < BEYOND_KPA) == (0.0, True)


def test_boost_past_the_range_counts_where_it_is_the_highest() -> None:
    curves = np.full((400, 2, 5), 90.0)
    curves[:, 0, 2] = 120.0  # highest in the middle
    ringing = np.zeros((400, 2))
    found = highest_points(curves, ringing, 0.0, Beyond(6.0, 1.0))
    np.testing.assert_array_equal(found[:, 0], 120.0)
    assert np.mean(found[:, 1]) == pytest.approx(96.0, abs=0.05)
    assert np.std(found[:, 1]) == pytest.approx(1.0, rel=0.05)
    np.testing.assert_array_equal(highest_points(curves, ringing, 0.0, Beyond()), curves.max(axis=2))


# ------------------------------------------------------------------ highest point


def test_highest_point_is_of_the_whole_curve_with_ringing_and_spikes_on_top() -> None:
    rng = np.random.default_rng(2)
    curves = rng.normal(90.0, 5.0, (400, 2, 12))
    ringing = np.zeros((400, 2))
    bare = highest_points(curves, ringing, 0.0)
    np.testing.assert_array_equal(bare, curves.max(axis=2))
    np.testing.assert_allclose(highest_points(curves, ringing + 3.0, 0.0), bare + 3.0)
    spikes = highest_points(curves, ringing, 2.0) - bare
    assert np.all(spikes >= 0.0)
    assert np.mean(spikes) == pytest.approx(2.0, rel=0.05)  # exponential law: mean and deviation are the same
    assert np.std(spikes) == pytest.approx(2.0, rel=0.1)
    np.testing.assert_allclose(spikes[:, 0], spikes[:, 1], rtol=1e-9)  # no settings have luck


# ------------------------------------------------------------------ risk


@pytest.mark.parametrize("tail", [0.2, 0.05, 0.01])
def test_risk_of_normal_highest_points_is_their_tail(tail: float) -> None:
    """The kernel widens the spread on purpose: the risk is at least the true tail, and at most about twice as much."""
    from scipy import stats

    highest = stats.norm.ppf((np.arange(2000) + 0.5) / 2000)[:, None] * 4.0 + 100.0
    risk = float(risk_of(highest, 100.0 + 4.0 * float(stats.norm.isf(tail)))[0])
    assert tail * 0.98 <= risk <= 2.2 * tail


def test_risk_falls_with_the_limit_and_has_a_tail_beyond_the_last_draw() -> None:
    highest = np.random.default_rng(5).normal(100.0, 4.0, (384, 3)) + np.array([0.0, 5.0, 10.0])
    risks = np.array([risk_of(highest, limit) for limit in (100.0, 106.0, 112.0, float(highest.max()) + 1.0)])
    assert risks.shape == (4, 3)
    assert np.all(np.diff(risks, axis=0) < 0)
    assert np.all(np.diff(risks, axis=1) > 0)
    assert 0.0 < risks[3, 2] < 0.01


def test_nothing_is_known_to_less_than_a_part_of_a_kilopascal() -> None:
    """All draws at one height, 0.2 or 0.4 kPa under the limit: one and two deviations of the least width."""
    level = np.full((384, 1), 100.0)
    assert float(risk_of(level, 100.2)[0]) == pytest.approx(0.159, abs=0.001)
    assert float(risk_of(level, 100.4)[0]) == pytest.approx(0.023, abs=0.001)


def test_a_little_beyond_the_last_draw_the_risk_is_not_gone() -> None:
    """384 draws with a deviation of 4 kPa are read with 0.6 kPa and the least width: at 1 kPa beyond the last one the
    last alone leaves a tenth of its share."""
    highest = np.random.default_rng(5).normal(100.0, 4.0, (384, 1))
    assert float(risk_of(highest, float(highest.max()) + 1.0)[0]) > 0.1 / 384


def test_risk_of_a_pull_is_more_than_that_of_any_one_rpm() -> None:
    """Twelve places that rise and fall apart from each other: any of them may be the one that passes the limit."""
    curves = np.random.default_rng(6).normal(100.0, 4.0, (384, 1, 12))
    whole = float(risk_of(highest_points(curves, np.zeros((384, 1)), 0.0), 108.0)[0])
    alone = [float(risk_of(curves[:, :, i], 108.0)[0]) for i in range(12)]
    assert whole > 4 * max(alone)
