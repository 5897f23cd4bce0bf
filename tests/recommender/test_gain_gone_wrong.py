"""What pulls with gain say of ringing, and what is proposed after one of them went wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.evidence import Observation
from models.settings import Knob, Settings
from recommender.decide import decide
from recommender.decide.allowed import (
    backed_off,
    forbidden,
    gain_gone_wrong,
    offenders,
    reach_of,
    repeats_offence,
)
from recommender.decide.outlook import Outlook
from recommender.decide.review import review, surrogate_for
from tests.recommender.cars import PlainCar, knobs_of, problem_of

CAR = PlainCar(pull_together=1.0)
PROBLEM = problem_of()
FED_BACK = Settings(40.0, 4900.0, 6700.0, 0.0, 60.0, 5.0)
ASKED = replace(FED_BACK, duty=50.0, ramp_add=3.0)
BEFORE = [
    CAR.observe(PROBLEM, replace(FED_BACK, duty=duty, gain=0.0), i) for i, duty in enumerate((0.0, 20.0, 40.0), 1)
]


def swing_kpa(pulls: list[Observation]) -> float:
    """Half swing that one pull in twenty would pass with gain."""
    outlook = Outlook(PROBLEM, pulls, surrogate_for(PROBLEM, pulls, changes=()))
    return float(np.quantile(outlook.ringing(ASKED.as_array()[None]), 0.95))


# ------------------------------------------------------------------ evidence


def test_a_pull_that_could_not_show_ringing_proves_nothing_of_it() -> None:
    """Lifted before boost was regulated, or logged twice a second, a pull with gain took 29 kPa expected to 2."""
    whole = CAR.observe(PROBLEM, FED_BACK, 4)
    lifted = CAR.observe(PROBLEM, FED_BACK, 4, last_rpm=2760.0)
    slow = replace(whole, shows_ringing=False)
    assert [each.tells_of_ringing for each in (whole, lifted, slow)] == [True, False, False]
    unknown = swing_kpa(BEFORE)
    assert swing_kpa([*BEFORE, whole]) < 0.2 * unknown
    assert swing_kpa([*BEFORE, lifted]) > 0.6 * unknown
    assert swing_kpa([*BEFORE, slow]) > 0.6 * unknown
    assert [review(PROBLEM, [*BEFORE, each]).gain_known for each in (whole, lifted, slow)] == [True, False, False]


def test_ringing_that_was_seen_counts_in_any_pull() -> None:
    lifted = replace(CAR.observe(PROBLEM, FED_BACK, 4, last_rpm=4500.0), oscillation_kpa=20.0)
    assert lifted.tells_of_ringing
    assert review(PROBLEM, [*BEFORE, lifted]).gain_known
    assert swing_kpa([*BEFORE, lifted]) > 15.0


def test_a_run_at_held_rpm_tells_of_no_ringing() -> None:
    run = [
        replace(each, settings=replace(each.settings, gain=5.0)) for each in CAR.held_run(PROBLEM, 4, (10.0,), 5300.0)
    ]
    assert not run[0].tells_of_ringing
    assert swing_kpa([*BEFORE, *run]) > 0.6 * swing_kpa(BEFORE)


# ------------------------------------------------------------------ back to it from below


def bound(*pulls: Observation) -> float:
    return gain_gone_wrong(PROBLEM, pulls)


def test_gain_that_went_wrong_is_come_back_to_from_below() -> None:
    lifted = replace(CAR.observe(PROBLEM, FED_BACK, 4, last_rpm=4500.0), oscillation_kpa=0.0)
    over = replace(CAR.observe(PROBLEM, replace(FED_BACK, gain=4.0), 5), peak_kpa=PROBLEM.limit_kpa + 5.0)
    calm = CAR.observe(PROBLEM, replace(FED_BACK, duty=30.0, gain=0.0), 6)
    far_below = CAR.observe(PROBLEM, replace(FED_BACK, duty=30.0, gain=1.0), 7)
    a_step_below = CAR.observe(PROBLEM, replace(FED_BACK, duty=30.0, gain=2.0), 7)  # gain's step is 3
    assert bound(*BEFORE) == float("inf")
    assert bound(*BEFORE, lifted) == 5.0
    assert bound(*BEFORE, lifted, over) == bound(*BEFORE, over, lifted) == 4.0
    assert bound(*BEFORE, lifted, calm) == 5.0  # whole, but without gain
    assert bound(*BEFORE, lifted, far_below) == 5.0
    assert bound(*BEFORE, lifted, a_step_below) == float("inf")
    assert bound(*BEFORE, lifted, replace(a_step_below, trusted=False)) == 5.0
    reach = reach_of(PROBLEM, [*BEFORE, lifted, calm])
    rows = np.array([replace(calm.settings, gain=gain).as_array() for gain in (3.0, 4.0, 5.0, 6.0)])
    assert forbidden(PROBLEM, rows, (), reach).tolist() == [False, False, True, True]


def test_gain_that_cannot_be_lowered_is_no_bound() -> None:
    fixed, least = problem_of(gain=5.0), problem_of(gain=(5.0, 10.0, 1.0, 3.0))
    lifted = CAR.observe(PROBLEM, FED_BACK, 4, last_rpm=4500.0)
    assert gain_gone_wrong(fixed, [lifted]) == gain_gone_wrong(least, [lifted]) == float("inf")


def test_a_pull_lifted_with_gain_is_not_followed_by_as_much_of_it() -> None:
    """It rang, and its log ends too soon to show it; a clean pull without gain came after it."""
    pulls = [
        CAR.observe(PROBLEM, replace(FED_BACK, duty=duty, gain=0.0), i) for i, duty in enumerate((0, 20, 40, 58), 1)
    ]
    lifted = CAR.observe(PROBLEM, replace(FED_BACK, duty=58.0, gain=2.0), 5, last_rpm=3900.0)
    calm = CAR.observe(PROBLEM, replace(FED_BACK, duty=57.0, gain=0.0), 6)
    step = decide(PROBLEM, [*pulls, lifted, calm])
    assert step.settings is not None
    assert step.settings.gain < 2.0


# ------------------------------------------------------------------ less gain clears no gain


def test_what_passed_the_limit_with_gain_is_not_cleared_without_it() -> None:
    over = replace(CAR.observe(PROBLEM, FED_BACK, 4), peak_kpa=PROBLEM.limit_kpa + 17.0)
    without = CAR.observe(PROBLEM, replace(FED_BACK, gain=0.0), 5)
    (offender,) = offenders(PROBLEM, [*BEFORE, over, without])
    assert offender.fed_back
    rows = np.array([replace(FED_BACK, duty=42.0, gain=gain).as_array() for gain in (0.0, 4.0, 5.0, 6.0)])
    assert repeats_offence(PROBLEM, rows, offender).tolist() == [False, False, True, True]
    assert forbidden(PROBLEM, rows, (offender,)).tolist() == [False, False, True, True]
    assert review(PROBLEM, [*BEFORE, over, without]).best is not None
    again = CAR.observe(PROBLEM, FED_BACK, 6)
    assert offenders(PROBLEM, [*BEFORE, over, without, again]) == []


@pytest.mark.parametrize(("ramp_add", "enough"), [(29.0, False), (26.0, False), (21.0, True)])
def test_where_duty_is_fixed_the_ramp_is_what_backs_off(ramp_add: float, enough: bool) -> None:
    knobs = knobs_of() | {"duty": Knob("duty", 30.0, 30.0, 1.0, 0.0)}
    problem = replace(PROBLEM, knobs=knobs)
    run = Settings(30.0, 3500.0, 6700.0, 30.0, 0.0, 0.0)
    over = replace(CAR.observe(problem, run, 4), peak_kpa=problem.limit_kpa + 33.0)
    (offender,) = offenders(problem, [over])
    assert backed_off(problem, replace(run, ramp_add=ramp_add).as_array()[None], offender)[0] == enough


# ------------------------------------------------------------------ gain alone


@pytest.mark.parametrize("engagement", [60.0, (60.0, 110.0, 5.0, 30.0)])
@pytest.mark.parametrize("passed", [False, True])
def test_where_gain_is_all_that_can_be_less_less_of_it_is_milder(
    passed: bool, engagement: float | tuple[float, float, float, float]
) -> None:
    """After one lifted pull such a job stopped: nothing was mild enough, since neither duty nor engagement was less."""
    job = problem_of(duty=40.0, ramp_add=0.0, engagement=engagement)
    pulls = [CAR.observe(job, replace(FED_BACK, gain=gain), number) for number, gain in enumerate((0.0, 2.0, 5.0), 1)]
    peak = job.limit_kpa + 3.0 if passed else pulls[-1].peak_kpa
    pulls[-1] = replace(pulls[-1], complete=passed, peak_kpa=peak)
    (offender,) = offenders(job, pulls)
    asked = np.array([replace(FED_BACK, gain=gain).as_array() for gain in (2.0, 4.0, 5.0)])
    assert repeats_offence(job, asked, offender).tolist() == [False, False, True]
    assert backed_off(job, asked, offender).tolist() == [True, not passed, False]  # half a step of 3 where it passed
    step = decide(job, pulls)
    if not passed:
        assert step.verdict == "pull"
        assert step.settings is not None
        assert 0.0 <= step.settings.gain < 5.0
    more = replace(pulls[-1], settings=replace(FED_BACK, engagement=65.0))
    assert not any(each.fed_back for each in offenders(job, [*pulls[:2], more]))  # less engagement is milder, too
