"""A first gain with the step that should come near the target."""

from __future__ import annotations

from dataclasses import replace

import pytest

from models.evidence import Observation
from models.settings import Settings
from recommender.decide import decide
from recommender.decide.allowed import spans_after
from recommender.decide.caveats import first_gain
from recommender.decide.choose import GAIN_FROM, GAIN_WITH, _first_gain, _gain_last
from recommender.decide.outlook import Outlook
from recommender.decide.review import review, surrogate_for
from recommender.decide.step import Problem, Reason
from tests.recommender.cars import PlainCar, problem_of

PROBLEM = problem_of()
#: After its third pull, 2.0 psi from the target, a step is expected within 0.5 psi of it.
NEAR = PlainCar(spring_kpa=75.0)


def run(car: PlainCar, problem: Problem, *duties: float) -> list[Observation]:
    return [car.observe(problem, Settings(duty, 4800, 6700, 0, 0, 0), i + 1) for i, duty in enumerate(duties)]


def test_a_first_gain_goes_with_the_step_that_should_come_near() -> None:
    pulls = run(NEAR, PROBLEM, 0.0, 20.0, 40.0)
    assert review(PROBLEM, pulls).best_kpa > GAIN_FROM * PROBLEM.tolerance_kpa
    step = decide(PROBLEM, pulls)
    assert step.settings is not None
    assert step.settings.gain == 2.0  # half of a step of 3, in whole notches
    assert step.settings.duty > 40.0
    assert step.risk <= PROBLEM.risk
    assert "first gain" in step.binding
    told = {reason.code: reason.text for reason in step.reasons}
    assert "be ready to end this one if boost rings" in told["first gain"]


def test_not_with_the_first_sweep_after_a_run_at_held_rpm() -> None:
    """From the spring alone to near the target is a leap of its own: with gain, one car rang past its limit on it."""
    baseline = run(NEAR, PROBLEM, 0.0)
    pulls = [*baseline, *NEAR.held_run(PROBLEM, 2, [8.0, 16.0, 24.0, 32.0, 40.0, 48.0], 4200.0)]
    step = decide(PROBLEM, pulls)
    assert step.settings is not None
    assert step.deviation_kpa < GAIN_WITH * PROBLEM.tolerance_kpa
    assert step.settings.gain == 0.0


def test_no_gain_goes_with_a_step_that_stays_far_off() -> None:
    pulls = run(PlainCar(spring_kpa=65.0), PROBLEM, 0.0, 20.0, 40.0)
    step = decide(PROBLEM, pulls)
    assert step.settings is not None
    assert step.deviation_kpa > GAIN_WITH * PROBLEM.tolerance_kpa
    assert step.settings.gain == 0.0
    assert "first gain" not in {reason.code for reason in step.reasons}


def test_a_gain_that_the_job_fixes_stays() -> None:
    fixed = problem_of(gain=0.0)
    step = decide(fixed, run(NEAR, fixed, 0.0, 20.0, 40.0))
    assert step.settings is not None
    assert step.settings.gain == 0.0


def test_not_while_a_pull_that_went_wrong_is_the_latest() -> None:
    """Lifted at 5000 rpm: nothing but milder settings may follow, whatever is expected of them."""
    pulls = run(NEAR, PROBLEM, 0.0, 20.0, 40.0)
    pulls[-1] = NEAR.observe(PROBLEM, pulls[-1].settings, 3, last_rpm=5000.0)
    step = decide(PROBLEM, pulls)
    assert step.settings is not None
    assert step.settings.gain == 0.0


@pytest.mark.parametrize(("near", "known", "most"), [(True, False, 2), (True, True, 3), (False, False, 0)])
def test_gain_nobody_has_seen_is_open_up_to_half_a_step_and_only_near_the_target(
    near: bool, known: bool, most: int
) -> None:
    pulls = run(NEAR, PROBLEM, 0.0, 20.0)
    best_kpa = (0.9 if near else 1.1) * GAIN_FROM * PROBLEM.tolerance_kpa
    seen = replace(review(PROBLEM, pulls), best_kpa=best_kpa, gain_known=known)
    assert _gain_last(PROBLEM, spans_after(PROBLEM, pulls), pulls[-1].settings, seen)[5] == (0, most)


@pytest.mark.parametrize(
    ("known", "deviation", "top", "at"),
    [(False, 2.9, 0, 2), (True, 2.9, 0, None), (False, 3.1, 0, None), (False, 2.9, 2, None)],
)
def test_what_a_first_gain_depends_on(known: bool, deviation: float, top: int, at: int | None) -> None:
    """That none is known, that the step comes near, and that the search was not free to take it already."""
    pulls = run(NEAR, PROBLEM, 0.0, 20.0, 40.0)
    outlook = Outlook(PROBLEM, pulls, surrogate_for(PROBLEM, pulls))
    chosen = outlook.forecast([replace(pulls[-1].settings, duty=48.0)])[0]
    chosen = replace(chosen, deviation_kpa=deviation * PROBLEM.tolerance_kpa)
    seen = replace(review(PROBLEM, pulls), gain_known=known)
    allowed = [(0, 90), (0, 25), (0, 14), (0, 30), (0, 32), (0, top)]
    assert _first_gain(PROBLEM, chosen, allowed, pulls[-1].settings, seen) == at


def test_what_is_said_of_a_first_gain() -> None:
    pulls = run(NEAR, PROBLEM, 0.0, 20.0, 40.0)
    outlook = Outlook(PROBLEM, pulls, surrogate_for(PROBLEM, pulls))
    fed_back = outlook.forecast([replace(pulls[-1].settings, gain=2.0)])[0]
    without = outlook.forecast([pulls[-1].settings])[0]
    seen = review(PROBLEM, pulls)
    assert first_gain(outlook, "pull", fed_back, (), seen)
    assert first_gain(outlook, "repeat", fed_back, (), seen)
    assert not first_gain(outlook, "pull", without, (), seen)
    assert not first_gain(outlook, "done", fed_back, (), seen)
    assert not first_gain(outlook, "pull", fed_back, (), replace(seen, gain_known=True))
    assert not first_gain(outlook, "pull", fed_back, (Reason("more gain", "says so itself"),), seen)
