"""What may be dialled in next."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from models.curve import Curve, Target
from models.evidence import Observation
from models.settings import KNOB_NAMES, Knob, Settings
from models.units import to_kpa
from recommender.decide import decide
from recommender.decide.allowed import (
    Offender,
    at_or_above,
    backed_off,
    engages_past,
    forbidden,
    held,
    idle,
    idle_like,
    offenders,
    reach_of,
    spans,
    spans_after,
    too_near,
)
from recommender.decide.step import Problem
from tests.recommender.cars import PlainCar, outlook_after

TARGET = Target(np.array([2600.0, 3900.0, 6800.0]), to_kpa([8.0, 16.0, 16.0], "psi"), 3900.0, 6700.0)
KNOBS = {
    "duty": Knob("duty", 0, 90, 1, 20),
    "ramp_from": Knob("ramp_from", 3000, 5500, 100, 500),
    "ramp_to": Knob("ramp_to", 4000, 7000, 100, 500),
    "ramp_add": Knob("ramp_add", 0, 30, 1, 10),
    "engagement": Knob("engagement", 0, 110, 5, 40),
    "gain": Knob("gain", 0, 10, 1, 3),
}
PROBLEM = Problem(TARGET, limit_kpa=130.0, risk=0.01, tolerance_kpa=2.76, knobs=KNOBS)
BASE = Settings(30, 4800, 6600, 10, 60, 0)
CAR = PlainCar()


def run(settings: Settings, *, peak: float = 100.0, complete: bool = True, trusted: bool = True) -> Observation:
    grid = TARGET.grid()
    return Observation(1, settings, Curve(grid, np.full(grid.size, 95.0)), peak, peak, 0.3, 0.0, complete, trusted)


# ------------------------------------------------------------------ idle and spans


def test_idle_has_nothing_on_and_a_ramp_that_can_be_used_later() -> None:
    nothing = idle(PROBLEM)
    assert nothing.duty == nothing.ramp_add == nothing.engagement == nothing.gain == 0
    assert TARGET.judge_from <= nothing.ramp_from < nothing.ramp_to <= TARGET.judge_to
    for name, value in nothing.as_dict().items():
        assert float(KNOBS[name].value(KNOBS[name].index(value))) == value


def test_idle_where_a_knob_cannot_be_off() -> None:
    """A knob that begins above nothing begins at its lower end; a ramp whose corners cross goes to its ends."""
    knobs = {**KNOBS, "duty": Knob("duty", 10, 90, 5, 20), "gain": Knob("gain", 2, 2, 1, 1)}
    nothing = idle(dataclasses.replace(PROBLEM, knobs=knobs))
    assert nothing.duty == 10
    assert nothing.gain == 2
    crossed = {**KNOBS, "ramp_to": Knob("ramp_to", 4000, 4700, 100, 500)}  # it would begin at 4900
    nothing = idle(dataclasses.replace(PROBLEM, knobs=crossed))
    assert (nothing.ramp_from, nothing.ramp_to) == (3000, 4700)


def test_spans_hold_range_and_step_from_what_was_run() -> None:
    found = dict(zip(KNOB_NAMES, spans(PROBLEM, BASE), strict=True))
    assert found["duty"] == (10, 50)
    assert found["ramp_add"] == (0, 20)
    assert found["engagement"] == (4, 20)
    assert found["gain"] == (0, 3)
    # Off the grid and out of range: what lies within one step of it, or the one value that is nearest.
    off = dict(zip(KNOB_NAMES, spans(PROBLEM, Settings(97.4, 4750, 7300, 12.5, 58.0, 0)), strict=True))
    assert off["duty"] == (78, 90)
    assert off["ramp_to"] == (28, 30)
    assert off["ramp_add"] == (3, 22)
    assert dict(zip(KNOB_NAMES, spans(PROBLEM, None), strict=True))["duty"] == (0, 90)


@pytest.mark.parametrize("add", [0.0, 10.0])
def test_a_ramp_that_was_dialled_the_wrong_way_round_ends_no_job(add: float) -> None:
    """It may be, while it adds nothing. No step of its ends led to a ramp that begins before it ends, and the job
    stopped: nothing was mild enough beside what went wrong, and nothing had gone wrong."""
    wrong = Settings(20, 7000, 4000, add, 0, 0)
    assert spans(PROBLEM, wrong)[1:3] == [(0, 25), (0, 30)]
    assert spans(PROBLEM, wrong)[0] == (0, 40)
    pulls = [CAR.observe(PROBLEM, each, number) for number, each in ((1, idle(PROBLEM)), (2, wrong))]
    step = decide(PROBLEM, pulls)
    assert step.verdict == "pull"
    assert step.settings is not None
    assert step.settings.ramp_from < step.settings.ramp_to


@pytest.mark.parametrize("change", [{"duty": 5}, {"ramp_add": 5}, {"ramp_add": -5}, {"engagement": 10}, {"gain": 1}])
def test_whatever_does_something_to_boost_is_no_baseline(change: dict[str, float]) -> None:
    nothing = idle(PROBLEM)
    assert idle_like(PROBLEM, nothing)
    assert idle_like(PROBLEM, dataclasses.replace(nothing, ramp_from=3000, ramp_to=7000))
    assert not idle_like(PROBLEM, dataclasses.replace(nothing, **change))


# ------------------------------------------------------------------ at or above


@pytest.mark.parametrize(
    ("changes", "above"),
    [
        ({}, True),
        ({"duty": 31}, True),
        ({"duty": 29}, False),
        ({"duty": 29, "ramp_add": 25}, False),  # less before the ramp, more after it
        ({"ramp_add": 9}, False),
        ({"ramp_from": 4700}, True),  # a ramp that begins sooner asks for more
        ({"ramp_from": 4900}, False),
        ({"ramp_to": 6700}, False),
        ({"engagement": 65}, True),
        ({"engagement": 55}, False),
        ({"gain": 5}, True),  # gain has no direction
        ({"ramp_from": 3000, "ramp_to": 4000, "duty": 41, "ramp_add": 0}, True),  # all of the ramp's end, everywhere
    ],
)
def test_at_or_above_looks_at_every_rpm(changes: dict[str, float], above: bool) -> None:
    asked = dataclasses.replace(BASE, **changes)
    assert bool(at_or_above(PROBLEM, asked.as_array()[None], BASE)[0]) is above


def test_at_or_above_is_an_order() -> None:
    """Each is at or above itself, and what is above the upper one is above the lower one too."""
    rng = np.random.default_rng(3)
    rows = np.column_stack([rng.uniform(knob.lower, knob.upper, 60) for knob in KNOBS.values()])
    rows[:, 2] = np.maximum(rows[:, 2], rows[:, 1] + 100)
    table = np.array([at_or_above(PROBLEM, rows, Settings.from_array(row)) for row in rows])  # [other, asked]
    assert table.diagonal().all()
    for low, middle in np.argwhere(table):
        assert np.all(table[low] >= table[middle])


# ------------------------------------------------------------------ offenders


def test_a_pull_over_the_limit_offends_until_one_above_it_stayed_under() -> None:
    over = run(BASE, peak=131.0)
    assert [each.why for each in offenders(PROBLEM, [over])] == ["limit passed"]
    below = run(dataclasses.replace(BASE, duty=10))
    assert len(offenders(PROBLEM, [over, below])) == 1  # a lower one says nothing about it
    above = run(dataclasses.replace(BASE, duty=32))
    assert offenders(PROBLEM, [over, below, above]) == []
    assert len(offenders(PROBLEM, [over, run(above.settings, trusted=False)])) == 1
    assert len(offenders(PROBLEM, [above, over])) == 1  # evidence from before does not clear it
    assert offenders(PROBLEM, [run(BASE, peak=130.0)]) == []  # at the limit is not past it


def test_a_pull_that_began_late_clears_none_that_passed_the_limit_maybe_before() -> None:
    """It passed the limit by a spike on the way up, say, and the later pull began past it."""
    over, late = run(BASE, peak=140.0), run(BASE)
    rpm = late.curve.rpm
    late = dataclasses.replace(late, curve=Curve(rpm, np.where(rpm < 4700.0, np.nan, late.curve.boost_kpa)))
    assert [each.pull for each in offenders(PROBLEM, [over, late])] == [over]
    begun = dataclasses.replace(late, curve=Curve(rpm, np.where(rpm < 2900.0, np.nan, 95.0)))
    assert offenders(PROBLEM, [over, begun]) == []
    lifted = dataclasses.replace(over, complete=False, curve=Curve(rpm, np.where(rpm < 4700.0, np.nan, 95.0)))
    assert offenders(PROBLEM, [lifted, late]) == []  # over the same rpm


def test_an_untrusted_log_over_the_limit_offends_too() -> None:
    assert [each.why for each in offenders(PROBLEM, [run(BASE, peak=140.0, trusted=False)])] == ["limit passed"]


def test_an_aborted_pull_offends_until_any_whole_one() -> None:
    aborted = run(BASE, complete=False)
    assert [each.why for each in offenders(PROBLEM, [aborted])] == ["aborted"]
    assert len(offenders(PROBLEM, [aborted, run(BASE, trusted=False)])) == 1
    assert offenders(PROBLEM, [aborted, run(dataclasses.replace(BASE, duty=5))]) == []


def test_an_aborted_pull_clears_no_pull_that_passed_the_limit() -> None:
    """Lifted early, it never came to where boost was highest."""
    over, aborted = run(BASE, peak=131.0), run(dataclasses.replace(BASE, duty=32), complete=False)
    assert [each.why for each in offenders(PROBLEM, [over, aborted])] == ["limit passed", "aborted"]


def test_an_aborted_baseline_forbids_nothing() -> None:
    """Nothing milder can be dialled: it is run again, or the job stops."""
    assert offenders(PROBLEM, [run(idle(PROBLEM), complete=False)]) == []


def test_after_an_aborted_pull_a_bad_log_opens_nothing_at_or_above_it() -> None:
    milder = dataclasses.replace(BASE, duty=25)
    bad = offenders(PROBLEM, [run(BASE, complete=False), run(milder, trusted=False)])
    assert [each.latest for each in bad] == [False]
    rows = [BASE, dataclasses.replace(BASE, duty=31), milder]
    assert forbidden(PROBLEM, np.array([each.as_array() for each in rows]), bad).tolist() == [True, True, False]


def test_what_is_forbidden() -> None:
    bad = offenders(PROBLEM, [run(BASE, peak=131.0)])
    rows = [BASE, dataclasses.replace(BASE, duty=20), dataclasses.replace(BASE, duty=20, ramp_from=5500, ramp_to=5500)]
    found = forbidden(PROBLEM, np.array([each.as_array() for each in rows]), bad)
    assert found.tolist() == [True, False, True]  # the last one's ramp ends where it begins
    assert forbidden(PROBLEM, np.array([each.as_array() for each in rows]), []).tolist() == [False, False, True]


def test_a_token_change_is_no_backing_off_after_the_limit_was_passed() -> None:
    """One point of duty less at the same gain is not milder; a quarter of duty's step with less gain is."""
    hot = dataclasses.replace(BASE, duty=50, gain=3)
    passed = Offender(run(hot, peak=PROBLEM.limit_kpa + 0.1), "limit passed", latest=True)
    token = dataclasses.replace(hot, duty=49)
    same_gain = dataclasses.replace(hot, duty=40)
    milder = dataclasses.replace(same_gain, gain=1)
    found = backed_off(PROBLEM, np.array([each.as_array() for each in (token, same_gain, milder)]), passed)
    assert found.tolist() == [False, False, True]


def test_where_a_step_of_duty_cannot_come_down_far_a_step_of_the_ramp_is_backing_off() -> None:
    """Duty at its end and a ramp with a small step: a quarter of duty's step is out of reach in one step."""
    knobs = {**KNOBS, "ramp_add": Knob("ramp_add", 0, 30, 1, 3), "engagement": Knob("engagement", 0, 0, 1, 1)}
    problem = dataclasses.replace(PROBLEM, knobs=knobs)
    offender = dataclasses.replace(BASE, duty=0, ramp_add=20, engagement=0)
    passed = Offender(run(offender, peak=131.0), "limit passed", latest=True)
    rows = np.array([dataclasses.replace(offender, ramp_add=add).as_array() for add in (19, 17)])
    assert backed_off(problem, rows, passed).tolist() == [False, True]


def test_without_a_ramp_too_a_point_of_duty_is_a_token_change() -> None:
    """A quarter of duty's step of 20 is 5 points."""
    plain = dataclasses.replace(BASE, ramp_add=0)
    passed = Offender(run(plain, peak=131.0), "limit passed", latest=True)
    rows = np.array([dataclasses.replace(plain, duty=duty).as_array() for duty in (29, 26, 25)])
    assert backed_off(PROBLEM, rows, passed).tolist() == [False, False, True]


def test_engagement_that_cannot_come_down_by_half_a_step_comes_down_to_its_end() -> None:
    """10 kPa above its lower end, with a step of 40."""
    low = dataclasses.replace(BASE, engagement=10)
    passed = Offender(run(low, peak=131.0), "limit passed", latest=True)
    rows = np.array([dataclasses.replace(low, engagement=engagement).as_array() for engagement in (5, 0)])
    assert backed_off(PROBLEM, rows, passed).tolist() == [False, True]


def test_a_controller_without_a_ramp_may_have_its_corners_anywhere() -> None:
    row = dataclasses.replace(BASE, ramp_from=0, ramp_to=0, ramp_add=0).as_array()[None]
    assert forbidden(PROBLEM, row, ())[0]
    none = {name: Knob(name, 0, 0, 1, 1) for name in ("ramp_from", "ramp_to", "ramp_add")}
    assert not forbidden(dataclasses.replace(PROBLEM, knobs={**KNOBS, **none}), row, ())[0]


def test_the_farther_the_limit_was_passed_the_farther_off_stays_what_is_proposed() -> None:
    """A spike as high as limit stands over target: a step of engagement and of duty are too near."""
    spare = PROBLEM.limit_kpa - float(TARGET.boost_kpa.max())
    asked = {
        "a little less engagement": {"engagement": 55},
        "a little less of both": {"engagement": 45, "duty": 28},
        "a step less engagement": {"engagement": 15},
        "more than a step less duty": {"duty": 9},
        "as a pull that held": {"engagement": 40},
        "under a pull that held": {"engagement": 35, "duty": 29},
    }
    rows = np.array([dataclasses.replace(BASE, **change).as_array() for change in asked.values()])
    held = run(dataclasses.replace(BASE, engagement=40))
    for share, near in ((1.0, 2), (3.0, 2), (0.3, 1), (0.0, 0)):
        offender = offenders(PROBLEM, [held, run(BASE, peak=PROBLEM.limit_kpa + share * spare + 0.01), held])[0]
        assert dict(zip(asked, too_near(PROBLEM, rows, offender), strict=True)) == {
            name: i < near for i, name in enumerate(asked)
        }, share
        assert forbidden(PROBLEM, rows, [offender]).tolist() == [i < near for i in range(len(asked))]
    aborted = offenders(PROBLEM, [run(BASE, complete=False)])[0]
    assert not too_near(PROBLEM, rows, aborted).any()


@pytest.mark.parametrize(("part", "near"), [(1.0, False), (0.3, False), (0.2, True), (0.0, True)])
def test_boost_that_stood_over_the_limit_is_no_spike(part: float, near: bool) -> None:
    """Boost over the limit through a quarter of the judged range is what the surrogate follows: what asks for less is
    judged by its risk. A whole step of duty kept away from a touchy solenoid left only ramps that take away at the
    very end, 4 psi under the target there."""
    high = PROBLEM.limit_kpa + 20.0
    rpm = TARGET.grid()
    over = np.where(rpm >= 6700.0 - part * 2800.0, high, 95.0)
    passed = dataclasses.replace(run(BASE, peak=high), curve=Curve(rpm, over))
    less = dataclasses.replace(BASE, duty=22).as_array()[None]
    offender = Offender(passed, "limit passed")
    assert too_near(PROBLEM, less, offender).tolist() == [near]
    # Engagement need not come down for it either.
    latest = Offender(passed, "limit passed", latest=True)
    assert backed_off(PROBLEM, less, latest).tolist() == [not near]
    # Of a pull lifted at its spike nothing tells what boost would have been.
    lifted = np.where(rpm <= 4200.0, high, np.nan)
    assert too_near(PROBLEM, less, Offender(dataclasses.replace(passed, curve=Curve(rpm, lifted)), "limit passed"))[0]


@pytest.mark.parametrize(("at_rpm", "last_rpm"), [(4200.0, 7000.0), (None, 7000.0), (None, np.nan)])
def test_less_duty_elsewhere_takes_nothing_from_a_spike(at_rpm: float | None, last_rpm: float) -> None:
    """A ramp that takes away at the very end left duty at the spool, where boost had spiked, as it was."""
    high, rpm = PROBLEM.limit_kpa + 20.0, TARGET.grid()
    boost = np.full(rpm.size, np.nan) if at_rpm is None else np.where(np.abs(rpm - at_rpm) < 150.0, high, 95.0)
    pull = dataclasses.replace(run(BASE, peak=high), curve=Curve(rpm, boost), last_rpm=last_rpm)
    spiked = Offender(pull, "limit passed")
    asked = ({"ramp_add": -15}, {"duty": 9, "ramp_add": 30}, {"duty": 9})
    rows = np.array([dataclasses.replace(BASE, **change).as_array() for change in asked])
    at_the_end = at_rpm is None and np.isfinite(last_rpm)  # all that is known of where it was
    assert too_near(PROBLEM, rows, spiked).tolist() == [at_rpm is not None, at_the_end, False]


@pytest.mark.parametrize(
    ("held_at", "engagement", "over", "from_duty"),
    [
        (None, 60, 1.0, 10),  # a whole step
        (20, 60, 0.5, 25.1),  # 100 kPa at duty 20 and 139.8 at 30: a straight line meets 120.2 there
        (20, 60, 1.0, 22.1),
        (26, 60, 0.5, 28.0),
        (20, 55, 0.5, 20.0),  # with less engagement it tells nothing of the spike
        (20, 60, 3.0, 20.0),
    ],
)
def test_where_a_pull_held_with_as_much_engagement_duty_on_the_way_from_it_is_open(
    held_at: float | None, engagement: float, over: float, from_duty: float
) -> None:
    """Up to where boost stands as far under the limit, by a straight line, as it was passed: on a touchy solenoid a
    whole step under a spike leads back to the spring."""
    spare = PROBLEM.limit_kpa - float(TARGET.boost_kpa.max())
    flat = dataclasses.replace(BASE, ramp_add=0)
    spiked = run(flat, peak=PROBLEM.limit_kpa + over * spare)
    held = [] if held_at is None else [run(dataclasses.replace(flat, duty=held_at, engagement=engagement))]
    offender = offenders(PROBLEM, [*held, spiked])[0]
    duties = np.arange(8.0, 30.0, 0.2)
    rows = np.array([dataclasses.replace(flat, duty=duty).as_array() for duty in duties])
    near = duties[too_near(PROBLEM, rows, offender)]
    assert near[0] == pytest.approx(from_duty, abs=0.25)
    assert near[-1] == duties[-1]


def test_more_duty_where_a_spike_stood_is_not_open_because_a_pull_with_more_there_held() -> None:
    """It asked for less further up. How near a spike is, nobody knows from it."""
    rpm = TARGET.grid()
    high = PROBLEM.limit_kpa + 20.0
    curve = Curve(rpm, np.where(np.abs(rpm - 4200.0) < 150.0, high, 95.0))
    spiked = dataclasses.replace(run(BASE, peak=high), curve=curve)
    held = run(dataclasses.replace(BASE, duty=BASE.duty + 3, ramp_add=0))
    offender = offenders(PROBLEM, [held, spiked])[0]
    assert offender.kept == (held,)
    row = dataclasses.replace(BASE, duty=BASE.duty + 1, ramp_add=5).as_array()[None]
    assert too_near(PROBLEM, row, offender).tolist() == [True]


def test_settings_that_held_once_and_then_passed_the_limit_open_nothing_beside_them() -> None:
    """A pull that kept the limit opens what asks for no more than it did, but not where the same settings passed it."""
    passed = run(BASE, peak=PROBLEM.limit_kpa + 10.0)
    just_under = dataclasses.replace(BASE, duty=BASE.duty - 1).as_array()[None]
    for first, near in ((BASE, True), (dataclasses.replace(BASE, duty=BASE.duty - 1), False)):
        offender = offenders(PROBLEM, [run(first), passed])[0]
        assert too_near(PROBLEM, just_under, offender).tolist() == [near]


@pytest.mark.parametrize(("share", "most"), [(0.02, 60.0), (0.15, 60.0), (0.5, 45.0), (1.0, 25.0), (5.0, 25.0)])
def test_after_a_high_spike_engagement_comes_down_whatever_duty_does(share: float, most: float) -> None:
    """Duty alone may not be what it was: with engagement left where it was a car spiked as high again."""
    spare = PROBLEM.limit_kpa - float(TARGET.boost_kpa.max())
    passed = Offender(run(BASE, peak=PROBLEM.limit_kpa + share * spare), "limit passed", latest=True)
    rows = np.array([dataclasses.replace(BASE, duty=10, engagement=e).as_array() for e in (65.0, most + 5.0, most)])
    assert backed_off(PROBLEM, rows, passed).tolist() == [False, False, True]
    without = dataclasses.replace(PROBLEM, knobs={**KNOBS, "engagement": Knob("engagement", 60, 60, 0, 0)})
    assert backed_off(without, rows[:1] - [0, 0, 0, 0, 5, 0], passed).tolist() == [True]


# ------------------------------------------------------------------ reach and held runs


def test_after_a_run_at_held_rpm_the_way_back_to_the_last_sweep_is_open() -> None:
    sweep, at = run(dataclasses.replace(BASE, duty=10)), dataclasses.replace(BASE, duty=60)
    grid = TARGET.grid()
    one_place = Curve(grid, np.where(np.abs(grid - 5000.0) < 80.0, 95.0, np.nan))
    held = Observation(2, at, one_place, 95.0, 95.0)
    duty = KNOBS["duty"]
    assert [float(duty.value(i)) for i in spans_after(PROBLEM, [sweep, held])[0]] == [0.0, 80.0]
    near = run(dataclasses.replace(BASE, duty=50))
    assert [float(duty.value(i)) for i in spans_after(PROBLEM, [near, run(at)])[0]] == [40.0, 80.0]
    # Ended at less than the last sweep had, a step counts from there: nobody has run more since.
    low = dataclasses.replace(held, settings=dataclasses.replace(BASE, duty=10))
    assert [float(duty.value(i)) for i in spans_after(PROBLEM, [run(at), low])[0]] == [0.0, 30.0]
    aborted = dataclasses.replace(held, complete=False)
    assert [float(duty.value(i)) for i in spans_after(PROBLEM, [near, aborted])[0]] == [40.0, 80.0]


@pytest.mark.parametrize(
    ("changed", "at", "low", "high"),
    [
        ({"duty": 60.0}, 0, 10.0, 80.0),  # from 30: to 50 at the most
        ({"engagement": 105.0}, 4, 20.0, 110.0),
        ({"engagement": 140.0}, 4, 20.0, 110.0),  # past the dial's end, which was all that was left
        ({"engagement": 100.0}, 4, 60.0, 110.0),
        ({"duty": 5.0}, 0, 0.0, 25.0),
    ],
)
def test_the_way_back_is_open_after_more_was_dialled_than_a_step_leads_to(
    changed: dict[str, float], at: int, low: float, high: float
) -> None:
    """Engagement of 22 psi where 0 was proposed passed the limit, and 17 psi, the dial's end, was what was proposed
    then."""
    knob = KNOBS[KNOB_NAMES[at]]
    pulls = [run(BASE), run(dataclasses.replace(BASE, **changed))]
    assert [float(knob.value(i)) for i in spans_after(PROBLEM, pulls)[at]] == [low, high]


def test_a_ramp_on_top_of_a_full_step_of_duty_may_take_a_part_of_its_own() -> None:
    reach = reach_of(PROBLEM, [run(dataclasses.replace(BASE, duty=20, ramp_add=0))])
    assert reach.duty == pytest.approx(20 + 20 + 0.6 * 10)
    assert reach_of(PROBLEM, [run(dataclasses.replace(BASE, duty=20, ramp_add=0))], changed=True).duty == 20
    fixed = {**KNOBS, "ramp_add": Knob("ramp_add", 0, 0, 1, 10)}
    without = reach_of(dataclasses.replace(PROBLEM, knobs=fixed), [run(dataclasses.replace(BASE, duty=20, ramp_add=0))])
    assert without.duty == pytest.approx(40)
    ramped = np.array([dataclasses.replace(BASE, duty=40, ramp_add=add).as_array() for add in (6.0, 7.0)])
    assert forbidden(PROBLEM, ramped, (), reach).tolist() == [False, True]


def test_a_whole_pull_that_leaves_the_judged_range_out_tells_of_no_limit() -> None:
    """It covers a third of the target's rpm, and none that is judged but the first."""
    short = Curve(TARGET.grid(), np.where(TARGET.grid() <= TARGET.judge_from, 95.0, np.nan))
    over, above = run(BASE, peak=131.0), dataclasses.replace(run(BASE), curve=short)
    assert held(PROBLEM, above)
    assert [each.why for each in offenders(PROBLEM, [over, above])] == ["limit passed"]


def test_how_far_duty_may_go_counts_from_the_most_that_was_run() -> None:
    """A milder pull takes nothing back of what is known; of the spring alone half as much is known."""
    run_with = {duty: run(dataclasses.replace(BASE, duty=duty, ramp_add=0)) for duty in (0, 20, 40)}
    assert reach_of(PROBLEM, [run_with[40], run_with[20]]).duty == pytest.approx(40 + 20 + 0.6 * 10)
    assert reach_of(PROBLEM, [run_with[0]]).duty == pytest.approx(0 + 20 + 0.3 * 10)
    still = dataclasses.replace(PROBLEM, knobs={**KNOBS, "duty": Knob("duty", 40, 40, 1, 20)})
    assert reach_of(still, [run_with[40]]).duty == 40 + 10  # the ramp alone, by its own step


def test_a_steep_ramp_is_not_proposed_unless_one_was_run() -> None:
    steep = dataclasses.replace(BASE, ramp_from=5000, ramp_to=5400, ramp_add=10)
    row = steep.as_array()[None]
    assert forbidden(PROBLEM, row, (), reach_of(PROBLEM, [run(BASE)]))[0]
    assert not forbidden(PROBLEM, row, (), reach_of(PROBLEM, [run(steep)]))[0]
    down = dataclasses.replace(steep, ramp_add=-10).as_array()[None]
    assert forbidden(PROBLEM, down, (), reach_of(PROBLEM, [run(BASE)]))[0]


def test_with_gain_taken_back_no_more_duty_is_asked_for() -> None:
    """How much boost feedback had held off shows only without it."""
    fed_back = reach_of(PROBLEM, [run(dataclasses.replace(BASE, gain=2))])
    asked = {
        "less gain alone": {"gain": 1},
        "less gain, less duty": {"gain": 0, "duty": 28},
        "more duty alone": {"gain": 2, "duty": 32},
        "less gain, more duty": {"gain": 1, "duty": 31},
        "less gain, more ramp": {"gain": 0, "ramp_add": 11},
    }
    rows = np.array([dataclasses.replace(BASE, **change).as_array() for change in asked.values()])
    out = forbidden(PROBLEM, rows, (), fed_back)
    assert dict(zip(asked, out, strict=True)) == {name: name in list(asked)[3:] for name in asked}
    idle_last = reach_of(PROBLEM, [run(dataclasses.replace(BASE, gain=2)), run(BASE)])
    assert not forbidden(PROBLEM, dataclasses.replace(BASE, duty=32).as_array()[None], (), idle_last)[0]


def test_engagement_is_raised_no_further_than_what_the_gate_will_hold() -> None:
    """By half a step more than was run it may go whatever boost is held; past that, under 0.85 of it."""
    engagement = np.array([55.0, 60.0, 65.0, 84.0, 86.0])
    rows = np.array([dataclasses.replace(BASE, engagement=each).as_array() for each in engagement])
    reach = reach_of(PROBLEM, [run(BASE)])
    assert engages_past(rows, np.full(5, 100.0), reach).tolist() == [False, False, False, False, True]
    assert engages_past(rows, np.full(5, 60.0), reach).tolist() == [False, False, True, True, True]
    assert not engages_past(rows, np.full(5, 60.0), reach_of(PROBLEM, [])).any()
    for knob, past in ((Knob("engagement", 86, 86, 0, 0), False), (Knob("engagement", 84, 110, 5, 40), True)):
        other = dataclasses.replace(PROBLEM, knobs={**KNOBS, "engagement": knob})
        found = engages_past(rows[-2:], np.full(2, 60.0), reach_of(other, [run(BASE)]))
        assert found.tolist() == [False, past]  # what cannot be dialled lower is not past anything


def test_far_from_the_target_engagement_waits_for_duty() -> None:
    """On this car 12 psi was proposed with the gate expected to hold 8, for what the spike does to the mean: it went to
    18.8 psi at a limit of 15.4, at a risk of 0.3 %."""
    psi = float(to_kpa(1.0, "psi"))
    rows = ((0, 4450, 6600, 0, 0, 0), (12, 3450, 6600, 3, 4 * psi, 0), (24, 3050, 5600, 9, 8 * psi, 0))
    outlook = outlook_after("kept: touchy", 7003, [Settings(*row) for row in rows])
    step = decide(outlook.problem, outlook.pulls)
    assert step.settings is not None
    assert step.band is not None
    held = float(np.median(step.band.mean_kpa[outlook.judged]))
    assert step.settings.engagement <= max(0.85 * held, 8 * psi) + 0.01
    assert step.settings.duty > 30.0
