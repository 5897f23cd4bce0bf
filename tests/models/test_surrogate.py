"""The surrogate: scikit-learn's conventions, what data do to it, and whether its bands hold on its own cars."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from sklearn.base import clone

from models import constants
from models.curve import Curve, Target
from models.evidence import Observation
from models.gate import NAMES, Gate
from models.settings import KNOB_NAMES, Knob, Settings
from models.surrogate import COLUMNS, BoostSurrogate
from models.units import FloatArray, to_kpa

TARGET = Target(np.array([2600.0, 3900.0, 6800.0]), to_kpa([8.0, 16.0, 16.0], "psi"), 3900.0, 6700.0)
KNOBS = {
    name: Knob(name, lower, upper, 1.0, 20.0)
    for name, lower, upper in zip(KNOB_NAMES, (0, 3000, 5600, 0, 0, 0), (90, 5500, 7000, 30, 110, 10), strict=True)
}
GRID = TARGET.grid()
JUDGED = TARGET.judged(GRID)
IDLE = Settings(0, 4900, 6700, 0, 0, 0)
SOME = [Settings(d, 4900, 6700, r, e, 0) for d, r, e in ((0, 0, 0), (15, 0, 40), (28, 4, 60), (40, 8, 75), (50, 8, 80))]
NOISE_KPA = 0.4


def surrogate(**options: object) -> BoostSurrogate:
    return BoostSurrogate(TARGET, KNOBS, **{"draws": 160, "points": 24, **options})  # type: ignore[arg-type]


def car(seed: int) -> FloatArray:
    """Constants of a car drawn from the prior itself. Shape (1, P)"""
    return np.random.default_rng([77, seed]).standard_normal((1, Gate(TARGET, KNOBS, GRID).size))


def pulls(
    z: FloatArray, settings: list[Settings], *, seed: int = 0, scatter: float = 1.0, **changes: object
) -> list[Observation]:
    """Pulls of a car as the surrogate believes them to be: gate, repeatability, drift, a shift in rpm, noise."""
    gate = Gate(TARGET, KNOBS, GRID)
    curves = gate.boost(gate.parts(z), np.array([each.as_array() for each in settings]))[0]
    rng = np.random.default_rng([5, seed])
    out, drift = [], 0.0
    ours = surrogate()
    for i, (each, boost) in enumerate(zip(settings, curves, strict=True)):
        drift += ours.drift * scatter * rng.standard_normal()
        shifted = np.interp(gate.u + ours.rpm_jitter * scatter * rng.standard_normal(), gate.u, boost)
        seen = shifted * (1.0 + ours.repeatability * scatter * rng.standard_normal() + drift)
        # A curve keeps about 0.35 of the samples' noise, alike over a few points.
        seen = seen + np.convolve(rng.normal(0, 0.6 * NOISE_KPA, seen.size + 2), np.ones(3) / 3, mode="valid")
        peak = float(seen.max())
        out.append(
            Observation(i + 1, each, Curve(GRID, seen), peak, peak, noise_kpa=NOISE_KPA, **changes)  # type: ignore[arg-type]
        )
    return out


def band_of(fitted: BoostSurrogate, settings: Settings) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean and 90 % band of the next pull on the surrogate's own grid."""
    curves = fitted.curves(settings.as_array()[None])[:, 0]
    low, high = np.quantile(curves, [0.05, 0.95], axis=0)
    return curves.mean(axis=0), low, high


def rows_of(observations: list[Observation]) -> tuple[FloatArray, FloatArray]:
    X = [
        [*pull.settings, rpm, float(pull.number)] for pull in observations for rpm in pull.curve.rpm[pull.curve.reached]
    ]
    y = np.concatenate([pull.curve.boost_kpa[pull.curve.reached] for pull in observations])
    return np.array(X), y


# ------------------------------------------------------------------ scikit-learn's conventions


def test_parameters_and_copies_as_scikit_learn_expects() -> None:
    made = surrogate(seed=4, residual=0.05)
    assert made.get_params()["residual"] == 0.05
    copy = clone(made)
    assert copy is not made
    assert copy.get_params()["seed"] == 4
    assert copy.set_params(draws=64) is copy
    assert copy.draws == 64
    assert made.draws == 160
    assert not hasattr(made, "posterior_")  # nothing is learnt before fit
    X, y = rows_of(pulls(car(0), SOME[:2]))
    before = X.copy(), y.copy()
    assert made.fit(X, y) is made
    np.testing.assert_array_equal(X, before[0])
    np.testing.assert_array_equal(y, before[1])
    assert not hasattr(clone(made), "posterior_")


def test_fit_and_predict_with_standard_deviation() -> None:
    observations = pulls(car(1), SOME[:3])
    X, y = rows_of(observations)
    fitted = surrogate().fit(X, y, noise_kpa=0.4)
    mean, std = fitted.predict(X, return_std=True)
    assert mean.shape == std.shape == y.shape
    assert np.all(std > 0)
    np.testing.assert_array_equal(fitted.predict(X), mean)
    # An equal pull again differs by repeatability: a few percent of boost at the most.
    assert np.sqrt(np.mean((mean - y) ** 2)) < 0.03 * TARGET.boost_kpa.max()
    assert fitted.score(X, y) > 0.97  # scikit-learn's R squared
    one_by_one = np.array([fitted.predict(row[None])[0] for row in X[::17]])
    np.testing.assert_allclose(one_by_one, mean[::17], rtol=1e-9)


@pytest.mark.parametrize(
    ("X", "y", "words"),
    [
        (np.zeros((3, 5)), np.zeros(3), r"X must have the 8 columns duty, ramp_from.*but got shape \(3, 5\)"),
        (np.zeros((3, len(COLUMNS))), np.zeros(2), r"y must have shape \(3,\), but got \(2,\)"),
        (np.full((3, len(COLUMNS)), np.nan), np.zeros(3), "must be finite; leave out what was not measured"),
    ],
)
def test_input_that_does_not_fit_is_told(X: FloatArray, y: FloatArray, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        surrogate().fit(X, y)


# ------------------------------------------------------------------ the same answer every time


def test_the_same_seed_gives_the_same_curves_bit_for_bit() -> None:
    observations = pulls(car(2), SOME[:2])
    asked = np.array([each.as_array() for each in SOME])
    first = surrogate(seed=3).fit_pulls(observations).curves(asked)
    np.testing.assert_array_equal(surrogate(seed=3).fit_pulls(observations).curves(asked), first)
    assert np.any(surrogate(seed=4).fit_pulls(observations).curves(asked) != first)
    # What else is asked about makes no difference beyond rounding.
    alone = surrogate(seed=3).fit_pulls(observations).curves(asked[2:3])
    np.testing.assert_allclose(alone[:, 0], first[:, 2], rtol=1e-6, atol=1e-4)


# ------------------------------------------------------------------ what data do


def test_with_no_pull_the_posterior_is_the_prior() -> None:
    fitted = surrogate(draws=600).fit_pulls([])
    z = fitted.posterior_.z
    kinds = constants.kinds(z.shape[1])
    mean = sum(kind.share * kind.mean for kind in kinds)
    square = sum(kind.share * (kind.deviation**2 + kind.mean**2) for kind in kinds)
    deviation = np.sqrt(square - mean**2)
    assert np.abs((z.mean(axis=0) - mean) / deviation).max() < 0.2  # 600 draws: 0.04 each, five deviations
    assert (z.std(axis=0) / deviation).mean() == pytest.approx(1.0, rel=0.02)


@pytest.mark.parametrize("seed", range(3))
def test_the_posterior_shrinks_with_every_pull(seed: int) -> None:
    """Width of the band at the next settings from no pull to three, and volume of what the constants may be."""
    observations = pulls(car(seed), SOME[:3], seed=seed)
    fits = [surrogate(widen=1.0).fit_pulls(observations[:n]) for n in range(4)]
    widths = [float(np.mean(band_of(fit, SOME[3])[2] - band_of(fit, SOME[3])[1])) for fit in fits]
    assert widths[1] < 0.8 * widths[0]
    assert widths[3] < 0.8 * widths[1]
    spreads = [float(np.linalg.slogdet(np.cov(fit.posterior_.z[:, :8].T))[1]) for fit in fits]
    assert max(spreads[1:]) < spreads[0]


def test_it_knows_best_where_it_has_been() -> None:
    fitted = surrogate().fit_pulls(pulls(car(3), SOME[:2]))
    narrow, wide = (band_of(fitted, each) for each in (SOME[1], Settings(70, 4900, 6700, 0, 80, 0)))
    assert np.mean(wide[2] - wide[1]) > 2 * np.mean(narrow[2] - narrow[1])


def test_a_pull_that_cannot_be_trusted_teaches_nothing() -> None:
    good = pulls(car(4), SOME[:2])
    bad = pulls(car(9), [SOME[2]], trusted=False, remark="gauge stuck")
    asked = SOME[3].as_array()[None]
    with_it = surrogate().fit_pulls([*good, *bad]).curves(asked)
    np.testing.assert_array_equal(with_it, surrogate().fit_pulls(good).curves(asked))


def test_a_pull_cut_short_counts_as_far_as_it_goes() -> None:
    whole = pulls(car(5), SOME[:1])[0]
    cut = np.where(GRID <= 4600.0, whole.curve.boost_kpa, np.nan)
    short = Observation(1, whole.settings, Curve(GRID, cut), whole.peak_kpa, whole.peak_kpa, NOISE_KPA, complete=False)
    narrow, wide = (band_of(surrogate().fit_pulls([pull]), IDLE) for pull in (whole, short))
    rpm = surrogate().fit_pulls([]).rpm_
    early, late = rpm <= 4400.0, rpm >= 5800.0
    assert np.mean((wide[2] - wide[1])[early]) < 1.5 * np.mean((narrow[2] - narrow[1])[early])
    assert np.mean((wide[2] - wide[1])[late]) > 1.5 * np.mean((narrow[2] - narrow[1])[late])


def test_widening_makes_the_band_wider_and_leaves_its_middle() -> None:
    observations = pulls(car(6), SOME[:2])
    plain, wide = (band_of(surrogate(widen=w).fit_pulls(observations), SOME[2]) for w in (1.0, 2.0))
    assert np.mean(wide[2] - wide[1]) > 1.15 * np.mean(plain[2] - plain[1])
    assert np.max(np.abs(wide[0] - plain[0])) < 0.05 * TARGET.boost_kpa.max()


def test_the_process_takes_up_what_the_physics_cannot() -> None:
    """A dent at 5000 rpm that no gate has: with the process it is in the next curve, without it far less."""
    z = car(7)
    dent = 6.0 * np.exp(-0.5 * ((GRID - 5000.0) / 250.0) ** 2)
    seen = [
        Observation(p.number, p.settings, Curve(GRID, p.curve.boost_kpa - dent), p.peak_kpa, p.peak_kpa, NOISE_KPA)
        for p in pulls(z, SOME[:3], scatter=0.3)
    ]
    clean = pulls(z, SOME[:3], scatter=0.3)
    at = int(np.argmin(np.abs(surrogate().fit_pulls([]).rpm_ - 5000.0)))
    for process, least, most in ((True, 3.5, 7.0), (False, -1.0, 5.5)):
        found = [band_of(surrogate(process=process).fit_pulls(each), SOME[2])[0][at] for each in (clean, seen)]
        assert least < found[0] - found[1] < most


# ------------------------------------------------------------------ covariances


@pytest.mark.parametrize("count", [1, 2, 5])
def test_covariance_of_a_new_pull_is_positive_and_symmetric(count: int) -> None:
    fitted = surrogate().fit_pulls(pulls(car(8), SOME[:count]))
    asked = np.array([each.as_array() for each in (*SOME, Settings(80, 4900, 6700, 20, 100, 9))])
    curves, cross = fitted.expected(asked)
    covariance = fitted.scatter(asked, curves.mean(axis=0), cross)
    np.testing.assert_allclose(covariance, np.swapaxes(covariance, 1, 2), atol=1e-8)
    values = np.linalg.eigvalsh(covariance)
    assert np.all(values > -1e-8 * values.max())
    assert np.all(np.diagonal(covariance, axis1=1, axis2=2) > 0)


def test_many_pulls_and_equal_pulls_do_not_break_it() -> None:
    equal = pulls(car(10), [SOME[1]] * 30)
    fitted = surrogate(draws=48).fit_pulls(equal)
    mean, low, high = band_of(fitted, SOME[1])
    assert np.isfinite([mean, low, high]).all()
    assert np.mean(high - low) < 0.1 * TARGET.boost_kpa.max()


# ------------------------------------------------------------------ honesty


def test_bands_hold_on_cars_drawn_from_the_prior() -> None:
    """Twelve cars, three pulls to learn from, the fourth foretold: a 90 % band should hold about 90 % of its points.

    Points of one pull go together, so twelve pulls are worth some thirty to forty free points: 72 to 100 % is what
    chance allows (three deviations).
    """
    inside, surprises = [], []
    for seed in range(12):
        observations = pulls(car(100 + seed), SOME[:4], seed=seed)
        fitted = surrogate(draws=240, seed=seed).fit_pulls(observations[:3])
        _, low, high = band_of(fitted, SOME[3])
        seen = np.interp(fitted.rpm_, GRID, observations[3].curve.boost_kpa)
        inside.append(np.mean((seen >= low) & (seen <= high)))
        surprises.append(fitted.surprise_of(observations[3]))
    assert 0.72 <= np.mean(inside) <= 1.0
    assert 0.2 < np.median(surprises) < 2.5  # about 1 where it is honest


def test_another_car_is_a_surprise() -> None:
    observations = pulls(car(200), SOME[:4])
    fitted = surrogate().fit_pulls(observations[:3])
    changed = observations[3].curve.boost_kpa * 0.75
    other = Observation(4, SOME[3], Curve(GRID, changed), float(changed.max()), float(changed.max()), NOISE_KPA)
    assert fitted.surprise_of(other) > 4 * max(fitted.surprise_of(observations[3]), 1.0)


def test_thinner_air_lowers_what_the_turbo_can_do_and_not_what_the_spring_holds() -> None:
    """Four pulls near sea level, then the baseline once more at 80 kPa: the ceiling there is a fifth lower."""
    shut = Settings(90, 4900, 6700, 0, 105, 0)
    z = np.zeros((1, Gate(TARGET, KNOBS, GRID).size))
    run = pulls(z, [IDLE, SOME[2], SOME[4], shut, IDLE], scatter=0.0)
    low = [dataclasses.replace(pull, barometer_kpa=101.0) for pull in run]
    high = [*low[:-1], dataclasses.replace(low[-1], barometer_kpa=80.0)]
    at_sea, above = surrogate().fit_pulls(low), surrogate().fit_pulls(high)
    top_sea, top_above = (band_of(each, shut)[0].max() for each in (at_sea, above))
    assert 0.77 * top_sea < top_above < 0.92 * top_sea  # 0.79 where the ceiling alone rules
    spooled = above.rpm_ > 5000.0
    np.testing.assert_allclose(band_of(above, IDLE)[0][spooled], band_of(at_sea, IDLE)[0][spooled], rtol=0.04)


def test_a_pull_without_a_barometer_is_taken_for_one_under_the_barometer_last_known() -> None:
    """Its log lacked the channel: the pulls near sea level had then counted as run up there."""
    shut = Settings(90, 4900, 6700, 0, 105, 0)
    z = np.zeros((1, Gate(TARGET, KNOBS, GRID).size))
    run = pulls(z, [IDLE, SOME[2], SOME[4], shut, IDLE, SOME[2]], scatter=0.0)
    read = [dataclasses.replace(p, barometer_kpa=101.0 if p.number <= 4 else 80.0, intake_c=20.0) for p in run]
    read = [dataclasses.replace(p, intake_c=45.0) if p.number > 4 else p for p in read]
    unread = [*read[:-1], dataclasses.replace(read[-1], barometer_kpa=float("nan"), intake_c=float("nan"))]
    both, one = surrogate().fit_pulls(read), surrogate().fit_pulls(unread)
    np.testing.assert_allclose(one.evidence_.air, both.evidence_.air)
    np.testing.assert_allclose(one.evidence_.warmth, both.evidence_.warmth)
    assert np.any(one.evidence_.air != 0.0)
    np.testing.assert_array_equal(band_of(one, shut)[0], band_of(both, shut)[0])


def test_a_barometer_that_is_not_known_changes_nothing() -> None:
    run = pulls(car(3), SOME)
    known = [dataclasses.replace(pull, barometer_kpa=96.0) for pull in run[:-1]] + [run[-1]]
    for mine, theirs in zip(
        band_of(surrogate().fit_pulls(run), SOME[3]), band_of(surrogate().fit_pulls(known), SOME[3]), strict=True
    ):
        np.testing.assert_array_equal(mine, theirs)


def at(temperatures: list[float], run: list[Observation]) -> list[Observation]:
    return [dataclasses.replace(pull, intake_c=c) for pull, c in zip(run, temperatures, strict=True)]


def test_intake_air_of_one_season_changes_nothing() -> None:
    run = pulls(car(6), SOME[:4], scatter=0.3)
    plain, soaked = surrogate().fit_pulls(run), surrogate().fit_pulls(at([28.0, 31.0, 36.0, 40.0], run))
    np.testing.assert_array_equal(plain.curves(SOME[4].as_array()[None]), soaked.curves(SOME[4].as_array()[None]))


def test_pulls_of_another_season_say_less_of_the_level_than_the_latest_one() -> None:
    """A winter's pulls, then the same settings in summer with 5 % less boost."""
    winter = pulls(car(6), [*SOME[:4], SOME[3]], scatter=0.2)
    last = winter[-1]
    summer = [*winter[:-1], dataclasses.replace(last, curve=Curve(GRID, 0.95 * last.curve.boost_kpa))]
    seen = np.interp(surrogate().fit_pulls([]).rpm_, GRID, summer[-1].curve.boost_kpa)
    off, width = {}, {}
    for told, temperatures in (("told", [5.0, 6.0, 7.0, 8.0, 38.0]), ("not told", [38.0] * 5)):
        fitted = surrogate().fit_pulls(at(temperatures, summer))
        mean, low, high = band_of(fitted, SOME[3])
        off[told] = float(np.mean(np.abs(mean - seen)[TARGET.judged(fitted.rpm_)]))
        width[told] = float(np.mean((high - low)[TARGET.judged(fitted.rpm_)]))
    assert off["told"] < 0.5 * off["not told"]
    assert width["told"] < width["not told"]  # what differs is explained, so that less is scatter


# ------------------------------------------------------------------ kinds of car


def reserves(fitted: BoostSurrogate) -> FloatArray:
    """Ceiling of each draw at mid range, whitened. Shape (D,)"""
    return np.asarray(fitted.posterior_.z[:, NAMES.index("log_top")])


@pytest.mark.parametrize("reserve", [-1.6, 1.6])
def test_both_kinds_of_turbo_are_kept_until_pulls_tell_them_apart(reserve: float) -> None:
    z = np.zeros_like(car(0))
    z[0, NAMES.index("log_top")] = reserve
    settings = [IDLE, *(Settings(duty, 4900, 6700, 0, 60, 0) for duty in (20, 60, 80))]
    seen = pulls(z, settings, scatter=0.3)
    early = reserves(surrogate().fit_pulls(seen[:1]))
    assert 0.25 < np.mean(early > 0.0) < 0.75
    told = reserves(surrogate().fit_pulls(seen))
    assert np.mean((told > 0.0) == (reserve > 0.0)) > 0.85


@pytest.mark.parametrize(
    ("ringing", "most_kpa"),
    [(dataclasses.replace(SOME[3], gain=2.0), 3.0), (dataclasses.replace(SOME[3], engagement=65.0), 3.5)],
)
def test_a_curve_that_rings_is_believed_in_its_mean_and_not_in_its_swings(ringing: Settings, most_kpa: float) -> None:
    """With gain, and where a gate flutters without."""
    settings = [*SOME[:4], ringing]
    seen = pulls(0.3 * car(5), settings, scatter=0.3)
    calm = seen[-1].curve.boost_kpa
    swinging = calm + 12.0 * np.sin(GRID / 55.0) * (GRID > 3600.0)
    seen[-1] = dataclasses.replace(seen[-1], curve=Curve(GRID, swinging), oscillation_kpa=12.0)
    fitted = surrogate().fit_pulls(seen)
    mean, _, _ = band_of(fitted, settings[-1])
    error = (mean - np.interp(fitted.rpm_, GRID, calm))[TARGET.judged(fitted.rpm_)]
    assert np.sqrt(np.mean(error**2)) < most_kpa
    before, _, _ = band_of(surrogate().fit_pulls(seen[:-1]), SOME[2])
    after, _, _ = band_of(fitted, SOME[2])
    assert np.abs(after - before).max() < 4.0


@pytest.mark.parametrize(("gain", "swing_kpa"), [(1.0, 8.0), (2.0, 6.0), (3.0, 8.0), (5.0, 8.0)])
def test_ringing_that_was_seen_is_expected_again(gain: float, swing_kpa: float) -> None:
    """A weak gain that rang as well: far below the gain from which most cars ring, where the prior has no slope."""
    with_gain = dataclasses.replace(SOME[3], gain=gain)
    seen = pulls(np.zeros((1, Gate(TARGET, KNOBS, GRID).size)), [*SOME[:3], with_gain])
    fits = [
        surrogate().fit_pulls([*seen[:3], dataclasses.replace(seen[3], oscillation_kpa=swing)])
        for swing in (0.0, swing_kpa)
    ]
    calm, rings = (
        fit.gate_.ringing(fit.posterior_.parts.constants, with_gain.as_array()[None]).mean() for fit in fits
    )
    assert calm < 1.0
    assert 0.5 * swing_kpa < rings < 1.5 * swing_kpa


def test_a_spike_without_gain_is_remembered_whatever_it_looks_like() -> None:
    """What swings without feedback is no ringing: the same settings will spike again."""
    z = car(3)
    z[0, NAMES.index("log_spike")] = 3.0
    seen = pulls(z, [*SOME[:3], dataclasses.replace(SOME[3], engagement=95.0)], scatter=0.3)
    spiked = dataclasses.replace(seen[3], oscillation_kpa=30.0)
    fitted = surrogate().fit_pulls([*seen[:3], spiked])
    again = float(fitted.curves(spiked.settings.as_array()[None])[:, 0].mean(axis=0).max())
    usual = max(float(pull.curve.boost_kpa.max()) for pull in seen[:3])
    assert spiked.peak_kpa > usual + 20.0
    assert again == pytest.approx(spiked.peak_kpa, rel=0.15)


@pytest.mark.parametrize("width_rpm", [200.0, 500.0, 1000.0])
def test_a_narrow_judged_range_makes_an_engine_no_quicker_over_rpm(width_rpm: float) -> None:
    """What every second point tells holds between them too, however little of the pull is judged."""
    middle = 5200.0
    narrow = dataclasses.replace(TARGET, judge_from=middle - width_rpm / 2, judge_to=middle + width_rpm / 2)
    fitted = surrogate(points=44).set_params(target=narrow).fit_pulls(pulls(car(3), SOME))
    drawn = fitted.curves(SOME[-1].as_array()[None])[:, 0]
    inner = drawn[:, 4:-4]
    apart = np.abs(np.diff(inner.mean(axis=0), n=2))
    spread = inner.std(axis=0)
    assert float(np.max(spread[1:] / spread[:-1])) < 1.6
    assert float(np.median(apart)) < 1.0
