"""Duty that a ramp adds past the target's last rpm, up to where pulls end."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from models.curve import Target, Trace, measure
from models.evidence import Observation
from models.settings import Settings
from recommender.decide.allowed import (
    Offender,
    at_or_below,
    backed_off,
    forbidden,
    offenders,
    reach_of,
    repeats_offence,
    too_near,
)
from recommender.decide.outlook import Outlook
from recommender.decide.review import review, surrogate_for
from tests.recommender.cars import PSI, PlainCar, problem_of

CAR = PlainCar(droop=0.0)
ENDS_RPM = 7600.0
_PLAIN = problem_of(ramp_from=(3000.0, 7000.0, 100.0, 1000.0), ramp_to=(5600.0, 8000.0, 100.0, 1000.0))
TARGET = Target(np.array([2600.0, 3900.0, 6500.0]), _PLAIN.target.boost_kpa, 3900.0, 6500.0)
PROBLEM = dataclasses.replace(_PLAIN, target=TARGET)
FLAT = Settings(45.0, 6500.0, ENDS_RPM, 0.0, 0.0, 0.0)
RAMPED = dataclasses.replace(FLAT, ramp_add=22.0)


def observe(settings: Settings, number: int, ends_rpm: float = ENDS_RPM) -> Observation:
    random = np.random.default_rng([3, number])
    rpm = np.linspace(2200.0, ends_rpm, 500)
    boost = (1.0 + 0.006 * random.standard_normal()) * CAR.boost(settings, rpm, TARGET) + random.normal(0.0, 0.4, 500)
    return Observation.of(number, settings, measure(Trace(np.arange(500) * 0.02, rpm, boost), TARGET))


@pytest.fixture(scope="module")
def outlook() -> Outlook:
    pulls = [observe(dataclasses.replace(FLAT, duty=duty), i) for i, duty in enumerate((0.0, 20.0, 35.0, 45.0), 1)]
    return Outlook(PROBLEM, pulls, surrogate_for(PROBLEM, pulls))


def test_a_ramp_past_the_targets_end_counts_against_the_limit(outlook: Outlook) -> None:
    """Both settings are the same over the target's range; before, both were expected to stay at 13.0 psi."""
    flat, ramped = outlook.forecast([FLAT, RAMPED])
    np.testing.assert_allclose(flat.deviations, ramped.deviations, rtol=0.02)
    true = CAR.boost(RAMPED, np.array([ENDS_RPM]), TARGET)[0]
    low, high = np.quantile(ramped.highest, [0.02, 0.98])
    assert low < true < high
    assert float(np.mean(flat.highest)) < true - 2.0 * PSI
    assert ramped.risk > flat.risk
    _, sketched, _, _ = outlook.sketch(np.array([FLAT.as_array(), RAMPED.as_array()]))
    assert float(np.mean(sketched[:, 1] - sketched[:, 0])) > 2.0 * PSI


def test_what_a_ramp_did_past_the_end_is_not_taken_for_the_cars_own_way(outlook: Outlook) -> None:
    pulls = [*outlook.pulls, observe(RAMPED, 5)]
    after = Outlook(PROBLEM, pulls, surrogate_for(PROBLEM, pulls))
    assert pulls[-1].beyond_kpa > 2.0 * PSI
    flat, ramped = after.forecast([FLAT, RAMPED])
    assert float(np.mean(flat.highest)) == pytest.approx(float(CAR.boost(FLAT, np.array([6500.0]), TARGET)[0]), abs=4.0)
    assert float(np.mean(ramped.highest)) == pytest.approx(pulls[-1].highest_kpa, abs=7.0)


def test_a_pull_that_ended_before_the_ramp_did_takes_nothing_off_what_comes_past_the_end(outlook: Outlook) -> None:
    """What the whole ramp would have added had been taken off its boost: 7 kPa less past the end than at it."""
    short = observe(RAMPED, 5, 6800.0)
    assert 2.0 < short.beyond_kpa < 10.0
    added = outlook.by_ramp_past_end(np.array([RAMPED.as_array()] * 2), np.array([6800.0, ENDS_RPM])).mean(axis=0)
    assert 0.0 < added[0] < 0.4 * added[1]
    for pulls in ([*outlook.pulls, short], [short]):
        after = Outlook(PROBLEM, pulls, surrogate_for(PROBLEM, pulls))
        assert after.beyond.mean_kpa > -2.0
        assert after.beyond.deviation_kpa < 4.0


def test_a_ramp_that_ends_with_the_grid_goes_on_acting(outlook: Outlook) -> None:
    """Duty acts 156 rpm late, so that 4 of its 22 points come past the last rpm of the target; none had counted."""
    ends = Settings(30.0, 5700.0, 6500.0, 22.0, 0.0, 0.0)
    (added,) = outlook.by_ramp_past_end(ends.as_array()[None]).mean(axis=0)
    more = dataclasses.replace(ends, duty=52.0, ramp_add=0.0)
    less = dataclasses.replace(more, duty=52.0 - 22.0 * 156.0 / 800.0)
    at_end = outlook.surrogate.gate_curves(np.array([more.as_array(), less.as_array()]))[:, :, -1].mean(axis=0)
    assert added == pytest.approx(at_end[0] - at_end[1], rel=0.02)
    assert added > 2.0


def test_duty_past_the_end_counts_in_what_may_be_dialled_in(outlook: Outlook) -> None:
    reach = reach_of(PROBLEM, outlook.pulls)
    assert reach.last_rpm == pytest.approx(ENDS_RPM)
    most = dataclasses.replace(FLAT, duty=reach.duty)
    rows = np.array([most.as_array(), dataclasses.replace(most, ramp_add=5.0).as_array()])
    assert forbidden(PROBLEM, rows, (), reach).tolist() == [False, True]
    assert forbidden(PROBLEM, rows, (), dataclasses.replace(reach, last_rpm=float("nan"))).tolist() == [False, False]
    lifted = observe(FLAT, 5, 5000.0)  # of how far pulls go it tells nothing
    assert reach_of(PROBLEM, [*outlook.pulls, lifted]).last_rpm == reach.last_rpm
    wider = reach_of(PROBLEM, [*outlook.pulls, observe(RAMPED, 5)])  # 67 % has been run now, at 7600 rpm
    assert wider.duty == pytest.approx(reach.duty + 22.0)


def test_a_steeper_ramp_past_the_end_is_no_backing_off(outlook: Outlook) -> None:
    over = dataclasses.replace(outlook.pulls[-1], peak_kpa=PROBLEM.limit_kpa + 1.0)
    milder = dataclasses.replace(FLAT, duty=38.0)
    rows = np.array([milder.as_array(), dataclasses.replace(milder, ramp_add=20.0).as_array()])
    assert at_or_below(PROBLEM, rows, FLAT).tolist() == [True, True]  # over the target's range
    assert at_or_below(PROBLEM, rows, FLAT, ENDS_RPM).tolist() == [True, False]
    assert backed_off(PROBLEM, rows, Offender(over, "limit passed", latest=True)).tolist() == [True, False]


def test_near_a_spike_past_the_end_duty_counts_there() -> None:
    """Over the target's range they ask for no more than a pull that held, and at the red line for more than the one
    that passed the limit there."""
    held = observe(dataclasses.replace(FLAT, duty=38.0), 1)
    passed = observe(RAMPED, 2)
    high = PROBLEM.limit_kpa + 20.0
    curve = passed.curve.boost_kpa
    spiked = dataclasses.replace(passed, peak_kpa=high, beyond_kpa=high - float(curve[-1]))
    assert spiked.tops_past_grid
    offender = offenders(PROBLEM, [held, spiked])[0]
    asked = {
        "a steeper ramp": dataclasses.replace(FLAT, duty=38.0, ramp_add=30.0),
        "as steep a ramp on less": dataclasses.replace(FLAT, duty=44.0, ramp_add=22.0),
        "the pull that held": dataclasses.replace(FLAT, duty=38.0),
        "more over the range and no ramp": dataclasses.replace(FLAT, duty=45.0),
    }
    rows = np.array([each.as_array() for each in asked.values()])
    near = dict(zip(asked, too_near(PROBLEM, rows, offender).tolist(), strict=True))
    assert near == dict(zip(asked, (True, True, False, False), strict=True))


def test_a_limit_passed_past_the_end_is_cleared_by_no_pull_that_asked_for_less_there_or_ended_before() -> None:
    """Such pulls, the same over the target's range, had cleared it: its own settings could stand as the best."""
    tight = dataclasses.replace(PROBLEM, limit_kpa=15.0 * PSI)
    over, flat, short = observe(RAMPED, 5), observe(FLAT, 6), observe(RAMPED, 6, 6600.0)
    assert over.tops_past_grid
    assert over.highest_kpa > tight.limit_kpa > max(flat.highest_kpa, short.highest_kpa)
    (offender,) = offenders(tight, [over, flat])
    assert [each.pull for each in offenders(tight, [over, short])] == [over]
    assert review(tight, [over, short]).best is None
    rows = np.array([each.as_array() for each in (FLAT, RAMPED)])
    assert repeats_offence(tight, rows, offender).tolist() == [False, True]
    assert review(tight, [over, flat]).best is flat
    again = dataclasses.replace(over, number=6, peak_kpa=tight.limit_kpa - 1.0, last_rpm=over.last_rpm - 60.0)
    assert offenders(tight, [over, again]) == []


def test_a_spike_within_the_range_is_cleared_by_what_asks_for_as_much_there() -> None:
    spiked = dataclasses.replace(observe(RAMPED, 5), peak_kpa=PROBLEM.limit_kpa + 1.0, beyond_kpa=-5.0)
    assert not spiked.tops_past_grid
    assert offenders(PROBLEM, [spiked, observe(FLAT, 6, 6600.0)]) == []


def test_the_boost_held_is_one_number_for_search_and_judgement(outlook: Outlook) -> None:
    """The best of the search lies where engagement may just be raised to: told by all draws it was past it, every
    finalist fell, and the step went nowhere."""
    settings = [FLAT, RAMPED, dataclasses.replace(FLAT, duty=60.0, engagement=50.0)]
    held = outlook.sketch(np.array([each.as_array() for each in settings]))[3]
    assert [each.held_kpa for each in outlook.forecast(settings)] == pytest.approx(held, abs=1e-9)
    judged = outlook.forecast([FLAT])[0].curves.mean(axis=0)[outlook.judged]
    assert held[0] == pytest.approx(float(np.median(judged)), rel=0.05)
