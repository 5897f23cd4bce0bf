"""Curve and measures, on pulls whose true boost is known."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import signal

from models.curve import (
    Curve,
    Target,
    Trace,
    curve_of,
    deviation_kpa,
    droop_kpa,
    half_width_rpm,
    measure,
    noise_of,
    oscillation_of,
    overshoot_kpa,
    peak_of,
    repeatability_kpa,
    spool_rpm,
    step_measures,
    sustained_peak_kpa,
)
from models.units import FloatArray, to_kpa

#: 16 psi from 3900 rpm, judged to 6700.
TARGET = Target(np.array([2600.0, 3900.0, 6800.0]), to_kpa([8.0, 16.0, 16.0], "psi"), 3900.0, 6700.0)
GRID = TARGET.grid()
WANTED = float(to_kpa(16.0, "psi"))
JUDGED = TARGET.judged(GRID)
SWEEP_S = 8.0


def true_boost(rpm: FloatArray) -> FloatArray:
    """A spool line that bends into 110 kPa and droops by 10 kPa to the top."""
    line, top = 0.09 * (rpm - 2100.0), 114.0 - 10.0 * (rpm - 3900.0) / 2900.0
    return np.asarray(-6.0 * np.logaddexp(-line / 6.0, -top / 6.0))


def pull(
    boost: Callable[[FloatArray], FloatArray] = true_boost,
    *,
    rate_hz: float = 50.0,
    noise_kpa: float = 0.0,
    lag_s: float = 0.0,
    last_rpm: float = 7000.0,
    seed: int = 0,
) -> Trace:
    """A sweep from 2200 rpm, 600 rpm a second, seen by a gauge with first-order lag and white noise."""
    fine = np.arange(0.0, (last_rpm - 2200.0) / 600.0, 0.001)
    shown = boost(2200.0 + 600.0 * fine)
    if lag_s:
        # Lag as SciPy simulates it, held at the first value before the sweep.
        _, answer, _ = signal.lsim(([1.0], [lag_s, 1.0]), shown - shown[0], fine)
        shown = shown[0] + answer
    time = np.arange(0.0, fine[-1], 1.0 / rate_hz)
    noise = np.random.default_rng(seed).normal(0.0, noise_kpa, time.size) if noise_kpa else 0.0
    return Trace(time, 2200.0 + 600.0 * time, np.interp(time, fine, shown) + noise)


def flat(level: float) -> Callable[[FloatArray], FloatArray]:
    return lambda rpm: np.full(rpm.shape, level)


def curve(boost: Callable[[FloatArray], FloatArray]) -> Curve:
    return Curve(GRID, boost(GRID))


# ------------------------------------------------------------------ values


def test_what_is_kept_cannot_be_written_to() -> None:
    given = np.array([50.0] * GRID.size)
    kept, trace = Curve(GRID, given), pull()
    given[0] = 0.0
    assert kept.boost_kpa[0] == 50.0
    for array in (kept.boost_kpa, kept.rpm, TARGET.rpm, TARGET.boost_kpa, trace.time_s, trace.rpm, trace.boost_kpa):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1.0


def test_target_is_straight_between_points_and_flat_outside() -> None:
    np.testing.assert_allclose(TARGET.at([1000.0, 3250.0, 6800.0, 9000.0]), to_kpa([8.0, 12.0, 16.0, 16.0], "psi"))
    assert float(TARGET.at(3250.0)) == TARGET.at([3250.0])[0]
    assert GRID[0] == 2600.0
    assert GRID[-1] == 6800.0
    assert np.all(np.diff(GRID) == 50.0)
    assert GRID[JUDGED][[0, -1]].tolist() == [3900.0, 6700.0]


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Target([3000, 2000], [1, 2], 2000, 3000), "target rpm must rise"),
        (lambda: Target([2000, 3000], [1], 2000, 3000), "one length, but got 2 and 1"),
        (
            lambda: Target([2000, 3000], [1, 2], 3000, 3000),
            "judge_from < judge_to must hold, but got 3000 and 3000 rpm",
        ),
        (lambda: Trace([0, 1, 2], [1, 2, 3], [1, 2, 3]), "at least 4 samples, but got 3"),
        (lambda: Trace([0, 1, 1, 2], [1, 2, 3, 4], [1, 2, 3, 4]), "time must rise"),
        (lambda: Trace([0, 1, 2, 3], [1, 2, 3], [1, 2, 3]), "must have one length"),
        (lambda: Curve([1, 2], [1]), "one length, but got 2 and 1"),
        (lambda: step_measures(np.arange(3.0), np.ones(3), 1.0, 1.0), "initial and final must differ"),
    ],
)
def test_what_cannot_be_is_refused(make: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        make()


# ------------------------------------------------------------------ noise and lag


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize("noise_kpa", [0.3, 1.5])
def test_curve_is_nearer_to_the_truth_than_the_samples(rate_hz: float, noise_kpa: float) -> None:
    """Over 20 pulls: in the judged range the error is under 0.6 of the noise and 0.3 kPa for the bend of the knee.

    A straight line over about nine samples with tricube weights leaves 0.45 of white noise (sum of squared weights).
    """
    errors = []
    for seed in range(20):
        found = curve_of(pull(rate_hz=rate_hz, noise_kpa=noise_kpa, seed=seed), GRID)
        errors.append((found.boost_kpa - true_boost(GRID))[JUDGED])
    assert np.sqrt(np.mean(np.square(errors))) < 0.6 * noise_kpa + 0.3
    assert abs(np.mean(errors)) < 0.1 + 0.05 * noise_kpa  # no side is taken


@pytest.mark.parametrize("rate_hz", [10.0, 25.0, 100.0])
@pytest.mark.parametrize("noise_kpa", [0.3, 1.5])
def test_noise_is_measured_whatever_the_boost_does(rate_hz: float, noise_kpa: float) -> None:
    """Mean over 20 pulls within 20 %; at 10 Hz the knee itself bends a little from sample to sample."""
    found = [noise_of(pull(rate_hz=rate_hz, noise_kpa=noise_kpa, seed=seed)) for seed in range(20)]
    assert np.mean(found) == pytest.approx(noise_kpa, rel=0.20)
    assert noise_of(pull()) < 0.02


def test_a_few_spikes_do_not_pass_for_noise() -> None:
    clean = pull(noise_kpa=0.5)
    boost = clean.boost_kpa.copy()
    boost[[150, 220, 300]] += 25.0
    assert noise_of(Trace(clean.time_s, clean.rpm, boost)) == pytest.approx(noise_of(clean), rel=0.1)


@pytest.mark.parametrize("rate_hz", [20.0, 100.0])
@pytest.mark.parametrize("lag_s", [0.04, 0.10])
def test_a_known_gauge_lag_is_taken_back(rate_hz: float, lag_s: float) -> None:
    """On the spool line boost climbs 54 kPa a second: left in, the lag costs 54 times its length; taken back, under a
    sixth of that remains even with noise, because the slope comes from the same smooth fit."""
    trace = pull(rate_hz=rate_hz, lag_s=lag_s, noise_kpa=0.3)
    spool = (GRID >= 2700.0) & (GRID <= 3200.0)
    climb = 0.09 * 600.0
    left = (true_boost(GRID) - curve_of(trace, GRID).boost_kpa)[spool]
    assert np.mean(left) == pytest.approx(climb * lag_s, rel=0.2)
    taken = (true_boost(GRID) - curve_of(trace, GRID, gauge_lag_s=lag_s).boost_kpa)[spool]
    assert np.sqrt(np.mean(taken**2)) < climb * lag_s / 6.0 + 0.25


def test_a_pull_cut_short_leaves_what_it_did_not_reach_unknown() -> None:
    found = curve_of(pull(last_rpm=5400.0, noise_kpa=0.3), GRID)
    assert found.reached[GRID <= 5350.0].all()
    assert not found.reached[GRID >= 5500.0].any()
    assert np.isnan(deviation_kpa(found, TARGET))
    assert np.isnan(droop_kpa(found, TARGET))
    nowhere = curve_of(pull(last_rpm=2500.0), GRID)
    assert not nowhere.reached.any()
    assert np.isnan(spool_rpm(nowhere, TARGET))


# ------------------------------------------------------------------ peak


def test_past_a_pulls_end_the_curve_goes_on_for_a_quarter_of_the_fits_half_width_and_no_further() -> None:
    """At 60 rpm a sample that is 62 rpm. What the spool line would have become after a lift nobody knows."""
    rpm = np.arange(2200.0, 4205.0, 60.0)
    lifted = Trace(np.arange(rpm.size) * 0.1, rpm, 0.08 * (rpm - 2100.0))
    assert (half_width_rpm(lifted), rpm[-1]) == (250.0, 4180.0)
    curve = curve_of(lifted, np.array([4150.0, 4240.0, 4250.0, 4300.0]))
    assert curve.reached.tolist() == [True, True, False, False]
    assert curve.boost_kpa[1] == pytest.approx(0.08 * 2140.0)


def test_a_spike_of_one_sample_is_kept_in_the_peak() -> None:
    clean = pull(noise_kpa=0.3, rate_hz=100.0)
    boost = clean.boost_kpa.copy()
    at = int(np.argmin(np.abs(clean.rpm - 5025.0)))  # between two grid points
    boost[at] += 30.0
    spiky = Trace(clean.time_s, clean.rpm, boost)
    assert peak_of(spiky) == (boost[at], clean.rpm[at])
    found = measure(spiky, TARGET)
    assert found.peak_kpa == boost[at]
    assert found.overshoot_kpa == pytest.approx(boost[at] - WANTED)
    assert sustained_peak_kpa(clean) < found.sustained_peak_kpa < found.peak_kpa
    assert np.nanmax(found.curve.boost_kpa) < found.peak_kpa - 15.0


def test_a_spike_that_lasts_is_no_noise() -> None:
    """0.3 s long: the peak without single-sample noise shows it too. A parabola over 0.12 s leaves 2 kPa."""
    bump = pull(lambda rpm: true_boost(rpm) + 20.0 * np.exp(-0.5 * ((rpm - 4200.0) / 90.0) ** 2), rate_hz=100.0)
    assert sustained_peak_kpa(bump) == pytest.approx(peak_of(bump)[0], abs=2.0)


def test_a_log_too_slow_for_smoothing_keeps_its_raw_peak() -> None:
    slow = pull(rate_hz=10.0, noise_kpa=1.0)
    assert sustained_peak_kpa(slow) == peak_of(slow)[0]


# ------------------------------------------------------------------ measures


@pytest.mark.parametrize("off_kpa", [-7.0, 0.0, 3.5])
def test_deviation_of_a_curve_that_is_off_by_one_amount(off_kpa: float) -> None:
    assert deviation_kpa(curve(flat(WANTED + off_kpa)), TARGET) == pytest.approx(abs(off_kpa), abs=1e-9)


def test_deviation_of_a_straight_tilt_and_of_what_lies_outside() -> None:
    middle, half = 5300.0, 1400.0

    def tilted(rpm: FloatArray) -> FloatArray:
        return WANTED + 6.0 * (rpm - middle) / half

    # Root mean square of a line from -6 to 6 is 6 over the root of 3; 57 points instead of a continuum add 2 %.
    assert deviation_kpa(curve(tilted), TARGET) == pytest.approx(6.0 / np.sqrt(3.0), rel=0.02)
    outside = np.where(JUDGED, TARGET.at(GRID), -500.0)
    assert deviation_kpa(Curve(GRID, outside), TARGET) == 0.0


def test_overshoot_counts_before_the_judged_range_and_not_after_it() -> None:
    def early(rpm: FloatArray) -> FloatArray:
        return TARGET.at(rpm) + 9.0 * np.exp(-0.5 * ((rpm - 3700.0) / 60.0) ** 2)

    late = pull(lambda rpm: TARGET.at(rpm) + np.where(rpm > 6750.0, 30.0, -1.0))
    assert overshoot_kpa(pull(early), TARGET) == pytest.approx(9.0, abs=0.2)
    assert overshoot_kpa(late, TARGET) == 0.0
    assert overshoot_kpa(pull(flat(0.0)), TARGET) == 0.0


@pytest.mark.parametrize("spool_from", [2300.0, 2750.0])
def test_spool_rpm_of_a_straight_spool_line(spool_from: float) -> None:
    def line(rpm: FloatArray) -> FloatArray:
        return np.minimum(0.1 * (rpm - spool_from), 130.0)

    # Nine tenths of 16 psi on a line of 0.1 kPa an rpm.
    expected = spool_from + 0.9 * WANTED / 0.1
    assert spool_rpm(curve(line), TARGET) == pytest.approx(expected, abs=0.1)
    assert measure(pull(line, noise_kpa=0.8), TARGET).spool_rpm == pytest.approx(expected, abs=25.0)
    assert np.isnan(spool_rpm(curve(flat(0.5 * WANTED)), TARGET))


@pytest.mark.parametrize("fall_kpa", [12.0, 0.0, -8.0])
def test_droop_of_a_straight_fall(fall_kpa: float) -> None:
    """Medians stand in the middle of first half and last tenth: 0.70 of the judged range apart."""

    def falling(rpm: FloatArray) -> FloatArray:
        return WANTED - fall_kpa * (rpm - 3900.0) / 2800.0

    assert droop_kpa(curve(falling), TARGET) == pytest.approx(0.70 * fall_kpa, abs=0.02 * abs(fall_kpa) + 1e-9)


def test_droop_is_held_against_a_target_that_falls_itself() -> None:
    falling = Target(np.array([2600.0, 3900.0, 6800.0]), np.array([50.0, 110.0, 90.0]), 3900.0, 6700.0)
    assert droop_kpa(Curve(GRID, falling.at(GRID) + 2.0), falling) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("rate_hz", [20.0, 50.0])
@pytest.mark.parametrize(("hz", "swing_kpa"), [(1.5, 5.0), (2.5, 4.0), (5.0, 3.0)])
def test_ringing_after_spool_is_found(rate_hz: float, hz: float, swing_kpa: float) -> None:
    def ringing(rpm: FloatArray) -> FloatArray:
        settled = np.clip((rpm - 3500.0) / 300.0, 0.0, 1.0)
        return true_boost(rpm) + settled * swing_kpa * np.sin(2 * np.pi * hz * (rpm - 2200.0) / 600.0)

    found = measure(pull(ringing, rate_hz=rate_hz, noise_kpa=0.6, seed=3), TARGET).oscillation
    assert found.resolvable
    assert found.frequency_hz == pytest.approx(hz, abs=0.1)
    assert found.amplitude_kpa == pytest.approx(swing_kpa, rel=0.15)


def test_noise_alone_is_not_called_ringing() -> None:
    """At most one pull in ten of sixty with nothing but noise shows a frequency, and then of no size."""
    found = [measure(pull(noise_kpa=1.0, rate_hz=20.0, seed=seed), TARGET).oscillation for seed in range(60)]
    heard = [each for each in found if np.isfinite(each.frequency_hz)]
    assert len(heard) <= 6
    assert all(each.amplitude_kpa < 1.5 for each in found)


def test_a_log_too_slow_or_too_short_says_that_it_cannot_tell() -> None:
    assert not measure(pull(rate_hz=2.0), TARGET).oscillation.resolvable
    assert not measure(pull(last_rpm=3800.0, rate_hz=20.0), TARGET).oscillation.resolvable
    assert oscillation_of(np.arange(100) / 20.0, np.full(100, 90.0)).amplitude_kpa < 1e-9  # rounding


@pytest.mark.parametrize(
    ("rate_hz", "hz"), [(50.0, 2.0), (50.0, 8.0), (25.0, 4.0), (10.0, 4.5), (20.0, 2.0), (10.0, 1.0)]
)
def test_ringing_that_the_curve_smooths_away_counts_as_deviation(rate_hz: float, hz: float) -> None:
    """A swing of 6 kPa about the target itself: a root mean square of 4.2 kPa, at ten samples a second too, where the
    log by itself cannot tell the ringing from noise; and where the curve keeps half of it."""

    def ringing(rpm: FloatArray) -> FloatArray:
        settled = np.clip((rpm - 3500.0) / 300.0, 0.0, 1.0)
        swing = settled * 6.0 * np.sin(2 * np.pi * hz * (rpm - 2200.0) / 600.0)
        return np.asarray(np.minimum(0.1 * (rpm - 2100.0), WANTED) + swing)

    calm = measure(pull(flat(WANTED), rate_hz=rate_hz, noise_kpa=0.6, seed=4), TARGET)
    assert calm.ripple_kpa == 0.0
    assert calm.roughness_kpa == pytest.approx(0.6, rel=0.25)
    trace = pull(ringing, rate_hz=rate_hz, noise_kpa=0.6, seed=5)
    found = measure(trace, TARGET, quiet_kpa=calm.roughness_kpa)
    assert found.deviation_kpa == pytest.approx(6.0 / np.sqrt(2.0), rel=0.1)
    if hz > 2.0:
        assert measure(trace, TARGET).deviation_kpa < 0.7 * found.deviation_kpa


def test_noise_is_no_ripple() -> None:
    """Held against another pull with the same noise, a calm one is a tenth of it rougher at the most."""
    quiet = measure(pull(noise_kpa=0.8, seed=1), TARGET).roughness_kpa
    found = [measure(pull(noise_kpa=0.8, seed=seed), TARGET, quiet_kpa=quiet) for seed in range(2, 40)]
    assert max(each.ripple_kpa for each in found) < 0.5
    assert np.median([each.ripple_kpa for each in found]) < 0.25


def test_what_a_gauge_of_known_lag_takes_off_the_spool_line_is_no_ripple() -> None:
    """A turbo that is late: boost still climbs at 54 kPa/s in the first part of the judged range, read 0.15 s late."""

    def late(rpm: FloatArray) -> FloatArray:
        return np.asarray(-4.0 * np.logaddexp(-0.09 * (rpm - 3200.0) / 4.0, -WANTED / 4.0))

    def calm(rpm: FloatArray) -> FloatArray:
        return np.asarray(-4.0 * np.logaddexp(-0.09 * (rpm - 3200.0) / 4.0, -0.6 * WANTED / 4.0))

    quiet = measure(pull(calm, noise_kpa=0.6, lag_s=0.15, seed=1), TARGET, gauge_lag_s=0.15).roughness_kpa
    assert quiet == pytest.approx(0.6, rel=0.2)
    found = measure(pull(late, noise_kpa=0.6, lag_s=0.15, seed=2), TARGET, gauge_lag_s=0.15, quiet_kpa=quiet)
    assert found.ripple_kpa < 0.5
    assert found.deviation_kpa == pytest.approx(deviation_kpa(found.curve, TARGET), rel=0.01)


def test_repeatability_of_equal_pulls() -> None:
    rng = np.random.default_rng(8)
    base = true_boost(GRID)
    shifts = rng.normal(0.0, 2.0, (300, 2))
    found = [repeatability_kpa(Curve(GRID, base + a), Curve(GRID, base + b)) for a, b in shifts]
    # Root mean square over many pairs is the deviation of one pull: 300 pairs are good to 4 %.
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(2.0, rel=0.12)
    apart = Curve(GRID, np.where(GRID < 4000, base, np.nan)), Curve(GRID, np.where(GRID > 5000, base, np.nan))
    assert np.isnan(repeatability_kpa(*apart))
    assert repeatability_kpa(Curve(GRID, base), Curve(GRID, base)) == 0.0


def test_measures_do_not_depend_on_when_the_log_began() -> None:
    trace = pull(noise_kpa=0.5)
    later = Trace(trace.time_s + 1234.5, trace.rpm, trace.boost_kpa)
    first, second = measure(trace, TARGET), measure(later, TARGET)
    np.testing.assert_allclose(second.curve.boost_kpa, first.curve.boost_kpa, atol=1e-6)
    assert second.deviation_kpa == pytest.approx(first.deviation_kpa, abs=1e-6)
    assert second.oscillation.amplitude_kpa == pytest.approx(first.oscillation.amplitude_kpa, abs=1e-3)


# ------------------------------------------------------------------ past the range


def climbing(rpm: FloatArray) -> FloatArray:
    """As the others up to the target's end, from there 4 kPa more in 400 rpm."""
    return true_boost(rpm) + 0.01 * np.maximum(rpm - 6800.0, 0.0)


def test_boost_past_the_range_is_read_off_the_same_fit() -> None:
    trace = pull(climbing, noise_kpa=0.3, last_rpm=7250.0)
    found = measure(trace, TARGET)
    at_end = float(climbing(np.array([6800.0]))[0])
    assert found.beyond_kpa == pytest.approx(float(climbing(np.array([7250.0]))[0]) - at_end, abs=0.5)
    assert found.curve.rpm[-1] == 6800.0
    np.testing.assert_array_equal(found.curve.boost_kpa, curve_of(trace, GRID).boost_kpa)
    falling = measure(pull(noise_kpa=0.3, last_rpm=7250.0), TARGET)
    assert -2.0 < falling.beyond_kpa < 0.3


@pytest.mark.parametrize("last_rpm", [5200.0, 6790.0])
def test_a_pull_that_ends_within_the_range_tells_nothing_past_it(last_rpm: float) -> None:
    assert np.isnan(measure(pull(last_rpm=last_rpm), TARGET).beyond_kpa)


def test_a_curve_at_other_rpm_bridges_a_gap_and_says_nothing_of_where_the_pull_did_not_go() -> None:
    rpm = np.array([3000.0, 3050.0, 3100.0, 3150.0, 3200.0])
    curve = Curve(rpm, np.array([np.nan, 10.0, np.nan, 30.0, np.nan]))
    asked = np.array([3025.0, 3050.0, 3100.0, 3150.0, 3175.0])
    np.testing.assert_allclose(curve.at(asked), [np.nan, 10.0, 20.0, 30.0, np.nan])
    lone = Curve(rpm, np.array([np.nan, 10.0, np.nan, np.nan, np.nan]))
    assert np.isnan(lone.at(rpm)).all()
