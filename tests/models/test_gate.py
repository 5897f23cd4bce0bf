"""The physics prior, as physics: limits, what must never fall, floor and ceiling, scalar equals vector.

The constants are drawn from their own wide priors, so that what holds here holds for every car thought possible.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.curve import Target
from models.gate import LEAST_SPAN, NAMES, Gate, bled_share, scaled_over
from models.settings import KNOB_NAMES, Knob, Settings
from models.units import FloatArray, to_kpa

TARGET = Target(np.array([2600.0, 3900.0, 6800.0]), to_kpa([8.0, 16.0, 16.0], "psi"), 3900.0, 6700.0)
KNOBS = {
    name: Knob(name, lower, upper, 1.0, 20.0)
    for name, lower, upper in zip(KNOB_NAMES, (0, 3000, 5600, 0, 0, 0), (100, 5500, 7000, 30, 110, 10), strict=True)
}
RPM = np.linspace(2600.0, 6800.0, 43)
GATE = Gate(TARGET, KNOBS, RPM)
CARS = np.random.default_rng(12).standard_normal((64, GATE.size))
IDLE = Settings(0, 4500, 6700, 0, 0, 0)


def without_spike(z: FloatArray) -> FloatArray:
    """The same cars with next to no boost past the knee: what is left is the steady part."""
    calm = z.copy()
    for name in ("log_spike", "log_spike_idle"):
        calm[:, NAMES.index(name)] = -3.5
    return calm


def boost(z: FloatArray, *settings: Settings) -> FloatArray:
    return GATE.boost(GATE.parts(z), np.array([each.as_array() for each in settings]))


# ------------------------------------------------------------------ share that the solenoid bleeds


@given(
    dead_low=st.floats(0.0, 30.0),
    travel=st.floats(15.0, 90.0),
    curvature=st.floats(0.4, 3.0),
    most=st.floats(0.05, 0.95),
)
def test_bled_share_climbs_from_nothing_to_the_most(
    dead_low: float, travel: float, curvature: float, most: float
) -> None:
    duty = np.linspace(-60.0, 220.0, 141)
    full = {"dead_low": dead_low, "full_at": dead_low + travel, "curvature": curvature, "most": most}
    constants = {name: np.array(value) for name, value in full.items()}
    share = bled_share(duty, **constants)
    assert np.all(np.diff(share) >= -1e-12)  # rounding of two logarithms
    assert np.all((share >= 0) & (share <= most))
    assert share[0] < 0.01  # well under the dead band: nothing
    assert share[-1] == pytest.approx(most, rel=1e-3)  # well past its end: all of it
    one_by_one = [float(bled_share(np.array(each), **constants)) for each in duty]
    np.testing.assert_allclose(share, one_by_one, rtol=1e-12)


def test_a_straight_share_with_no_curvature() -> None:
    """Away from its rounded ends the travel is a straight line."""
    share = bled_share(
        np.array([30.0, 45.0, 60.0]),
        dead_low=np.array(10.0),
        full_at=np.array(90.0),
        curvature=np.array(1.0),
        most=np.array(0.6),
    )
    np.testing.assert_allclose(share, 0.6 * np.array([0.25, 0.4375, 0.625]), atol=1e-3)


# ------------------------------------------------------------------ duty


@given(duty=st.floats(0.0, 95.0), more=st.floats(0.5, 60.0), ramp=st.floats(0.0, 30.0))
def test_more_duty_is_never_less_boost(duty: float, more: float, ramp: float) -> None:
    """At every rpm, for the steady part of every car; a spike moves along rpm with the knee and is left out here."""
    calm = without_spike(CARS)
    low = dataclasses.replace(IDLE, duty=duty, ramp_add=ramp)
    curves = boost(
        calm, low, dataclasses.replace(low, duty=duty + more), dataclasses.replace(low, ramp_add=ramp + more)
    )
    slack = 0.002 * TARGET.boost_kpa.max()
    assert np.all(curves[:, 1] >= curves[:, 0] - slack)
    assert np.all(curves[:, 2] >= curves[:, 0] - slack)


def test_more_duty_is_never_less_mean_boost_spikes_and_all() -> None:
    ladder = [dataclasses.replace(IDLE, duty=float(duty)) for duty in range(0, 101, 5)]
    means = boost(CARS, *ladder).mean(axis=2)
    # A spike at the knee goes where the gate no longer opens: that may cost half a percent of the target.
    assert np.all(np.diff(means, axis=1) >= -0.005 * TARGET.boost_kpa.max())


def test_a_ramp_touches_nothing_before_it_begins() -> None:
    before = RPM <= 4500.0
    plain, ramped = np.moveaxis(
        boost(
            without_spike(CARS), dataclasses.replace(IDLE, duty=30.0), dataclasses.replace(IDLE, duty=30.0, ramp_add=20)
        ),
        1,
        0,
    )
    np.testing.assert_allclose(ramped[:, before], plain[:, before], atol=1e-9)


# ------------------------------------------------------------------ floor and ceiling


def test_steady_boost_stays_between_nothing_and_the_ceiling() -> None:
    parts = GATE.parts(without_spike(CARS))
    ceiling = np.exp(parts.log_ceiling)[:, None]
    some = [
        dataclasses.replace(IDLE, duty=float(d), engagement=e) for d in (0, 30, 60, 100) for e in (0.0, 60.0, 105.0)
    ]
    curves = GATE.boost(parts, np.array([each.as_array() for each in some]))
    assert np.all(curves > 0)
    assert np.all(curves <= ceiling * 1.01)  # the 1 % is what is left of the spike


def test_an_idle_controller_shows_the_floor_where_the_turbo_can_give_it() -> None:
    """Where the ceiling stands at twice the floor, the knee is out of sight and boost is the spring's own."""
    roomy = without_spike(CARS)
    roomy[:, NAMES.index("log_creep")] = -3.5  # a gate that lets off all there is
    parts = GATE.parts(roomy)
    curves = GATE.boost(parts, IDLE.as_array()[None])[:, 0]
    floor, ceiling = np.exp(parts.log_floor), np.exp(parts.log_ceiling)
    free = (ceiling > 2.0 * floor) & (np.exp(parts.constants["log_knee"]) > 5.0)
    assert free.sum() > 100
    np.testing.assert_allclose(curves[free], floor[free], rtol=0.03)


def test_gate_balance_holds_in_its_own_formula() -> None:
    """Boost over floor of a car with no free shape is 1 / (1 - share): the solenoid takes its share off the signal."""
    plain = np.zeros((1, GATE.size))
    for name in ("log_spike", "log_spike_idle"):
        plain[0, NAMES.index(name)] = -3.5
    plain[0, NAMES.index("log_top")] = 3.4  # a turbo with plenty to give
    plain[0, NAMES.index("duty_tilt")] = (
        -GATE._mean[NAMES.index("duty_tilt")] / GATE._deviation[NAMES.index("duty_tilt")]
    )
    parts = GATE.parts(plain)
    constants = {name: parts.constants[name] for name in NAMES}
    top = RPM > 5000.0

    def share(duty: float) -> float:
        found = bled_share(
            np.array(duty),
            dead_low=constants["dead_low"],
            full_at=constants["full_at"],
            curvature=np.exp(constants["log_curvature"]),
            most=1.0 / (1.0 + np.exp(-constants["logit_most"])),
        )
        return float(found[0, 0])

    for duty in (20.0, 40.0, 60.0):
        held = GATE.boost(parts, dataclasses.replace(IDLE, duty=duty).as_array()[None])[0, 0, top]
        expected = np.exp(parts.log_floor[0, top]) * (1.0 - share(0.0)) / (1.0 - share(duty))
        np.testing.assert_allclose(held, expected, rtol=0.03)


def test_the_same_step_of_duty_is_worth_more_the_more_there_is() -> None:
    """Boost as 1 / (1 - share) grows faster and faster while the solenoid is in its travel (mean over the cars)."""
    curves = boost(without_spike(CARS), *(dataclasses.replace(IDLE, duty=float(d)) for d in (20, 40, 60)))
    parts = GATE.parts(CARS)
    free = np.exp(parts.log_ceiling) > 1.5 * curves[:, 2]  # where the turbo is not the limit
    first, second = (curves[:, 1] - curves[:, 0])[free], (curves[:, 2] - curves[:, 1])[free]
    assert second.mean() > first.mean() > 0


# ------------------------------------------------------------------ engagement and gain


def test_engagement_near_the_target_gives_quicker_spool_and_then_a_spike() -> None:
    """Common practice: the gate held shut for longer builds boost sooner; too near, boost runs past the knee."""
    far, near = (dataclasses.replace(IDLE, duty=60.0, engagement=e) for e in (0.0, 108.0))
    curves = boost(CARS, far, near)
    assert np.all(curves[:, 1] >= curves[:, 0] - 1.0)
    assert np.mean(curves[:, 1].max(axis=1) - curves[:, 0].max(axis=1)) > 1.0


@given(gain=st.floats(0.0, 9.0), more=st.floats(0.1, 5.0))
def test_gain_pulls_together_and_never_rings_less(gain: float, more: float) -> None:
    calm = without_spike(CARS)
    calm[:, NAMES.index("aim_offset")] = 0.0
    knobs = np.array([dataclasses.replace(IDLE, duty=40.0, gain=g).as_array() for g in (0.0, gain, gain + more)])
    parts = GATE.parts(calm)
    curves = GATE.boost(parts, knobs)
    free = np.exp(parts.log_ceiling) > 2.5 * np.maximum(curves.max(axis=1), TARGET.at(RPM))  # the gate alone decides
    off = np.moveaxis(np.abs(curves - TARGET.at(RPM)), 1, 2)[free]
    assert len(off) > 20
    assert np.all(np.diff(off, axis=1) <= 0.01 * TARGET.boost_kpa.max())
    rings = GATE.ringing(parts.constants, knobs)
    assert np.all(rings[:, 0] == 0.0)  # feedback alone rings
    assert np.all(np.diff(rings, axis=1) >= 0.0)


# ------------------------------------------------------------------ arrays


def test_cars_and_settings_one_by_one_or_together() -> None:
    some = [Settings(d, 4000, 6500, r, e, g) for d, r, e, g in ((0, 0, 0, 0), (35, 10, 60, 0), (70, 0, 100, 6))]
    together = boost(CARS[:5], *some)
    assert together.shape == (5, 3, RPM.size)
    for i in range(5):
        for j, each in enumerate(some):
            # One ulp of a logarithm and an exponential of about 100 kPa.
            np.testing.assert_allclose(boost(CARS[i : i + 1], each)[0, 0], together[i, j], rtol=1e-12)


def test_the_prior_is_wide_enough_for_any_workshop() -> None:
    """Springs of 5 to 14 psi for a target of 16, turbos that make it from 3000 to 5000 rpm: all within the prior."""
    parts = GATE.parts(np.random.default_rng(1).standard_normal((2000, GATE.size)))
    middle = RPM.size // 2
    floor_low, floor_high = np.quantile(np.exp(parts.log_floor[:, middle]), [0.05, 0.95]) / to_kpa(1.0, "psi")
    assert floor_low < 6.0
    assert floor_high > 13.0
    assert np.isfinite(parts.log_ceiling).all()
    assert np.all(np.diff(parts.lift, axis=1) >= 0)


def test_constants_however_far_out_give_boost_that_floats_can_hold() -> None:
    """A fit may try any constants on its way; of what is not finite it cannot find back."""
    random = np.random.default_rng(3)
    far = np.vstack([random.uniform(-30.0, 30.0, (400, GATE.size)), random.choice([-30.0, 30.0], (400, GATE.size))])
    some = [Settings(d, 4000, 6500, r, e, g) for d, r, e, g in ((0, 0, 0, 0), (90, 20, 100, 10))]
    assert np.isfinite(boost(far, *some)).all()


@pytest.mark.parametrize(
    ("judged", "first_rpm", "span_rpm"),
    [
        ((3900.0, 6700.0), 3900.0, 2800.0),  # as it is judged
        ((5000.0, 5600.0), 5300.0 - LEAST_SPAN / 2, LEAST_SPAN),  # about its middle
        ((2700.0, 3200.0), 2600.0, LEAST_SPAN),  # not past the grid
        ((6200.0, 6800.0), 6800.0 - LEAST_SPAN, LEAST_SPAN),
    ],
)
def test_rpm_is_scaled_over_the_judged_range_or_a_wider_one(
    judged: tuple[float, float], first_rpm: float, span_rpm: float
) -> None:
    target = dataclasses.replace(TARGET, judge_from=judged[0], judge_to=judged[1])
    assert scaled_over(target, RPM) == pytest.approx((first_rpm, span_rpm))
