"""Steps of duty that are small beside what the solenoid does not answer to: no pull brings anything for a while."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from models.curve import Target
from models.evidence import Observation
from models.settings import Settings
from models.units import FloatArray
from recommender.decide import decide, verdict
from recommender.decide.allowed import spans_after
from recommender.decide.outlook import Outlook
from recommender.decide.reasons import steps_to_go
from recommender.decide.review import review, surrogate_for
from recommender.decide.step import Problem
from recommender.decide.verdict import Prospect, conclude, goes_further, way_on
from tests.recommender.cars import PlainCar, problem_of


@dataclass(frozen=True)
class WakesLate(PlainCar):
    """A solenoid that does nothing up to 30 % of duty."""

    most: float = 0.75

    def boost(self, settings: Settings, rpm: FloatArray, target: Target) -> FloatArray:
        return super().boost(replace(settings, duty=max(settings.duty - 30.0, 0.0)), rpm, target)


def at(duty: float, engagement: float = 0.0) -> Settings:
    return Settings(duty, 4800.0, 6700.0, 0.0, engagement, 0.0)


def run(problem: Problem, *duties: float) -> list[Observation]:
    return [WakesLate().observe(problem, at(duty), number) for number, duty in enumerate(duties, start=1)]


def without_ramp(step: float) -> Problem:
    return problem_of(duty=(0.0, 90.0, 1.0, step), ramp_add=0.0)


@pytest.mark.parametrize(("step", "count"), [(5.0, 6), (3.0, 7)])
def test_pulls_that_brought_nothing_end_no_job_while_duty_goes_on_up(step: float, count: int) -> None:
    """Five pulls at 0 to 20 % were enough to call the turbo spent, or the target's shape wrong."""
    problem = without_ramp(step)
    pulls = run(problem, *(step * i for i in range(count)))
    decision = decide(problem, pulls)
    assert decision.verdict == "pull"
    assert decision.settings is not None
    assert decision.settings.duty == step * count
    told = {reason.code: reason.text for reason in decision.reasons}
    assert f"steps of {step:.0f} points" in told["steps to go"]


def test_more_duty_than_any_pull_goes_further_ramp_included() -> None:
    problem = problem_of()
    pulls = [WakesLate().observe(problem, replace(at(20), ramp_add=10.0), 1)]
    assert not goes_further(problem, pulls, at(30))
    assert not goes_further(problem, pulls, at(39))
    assert goes_further(problem, pulls, at(40))
    assert goes_further(problem, pulls, replace(at(20), ramp_add=20.0))
    fixed = problem_of(duty=20.0, ramp_add=0.0)
    assert not goes_further(fixed, pulls, at(20))


def test_where_no_step_promises_anything_one_leads_on_to_where_none_has_been(monkeypatch: pytest.MonkeyPatch) -> None:
    problem = without_ramp(5.0)
    pulls = run(problem, 0, 5, 10)
    outlook = Outlook(problem, pulls, surrogate_for(problem, pulls, changes=()))
    seen = review(problem, pulls)
    spans = [(int(low), int(high)) for low, high in ([5, 15], [0, 0], [0, 0], [0, 0], [0, 0], [0, 0])]
    same_again, goal = outlook.forecast([at(10), at(60)])
    same_again = replace(same_again, deviations=np.full(8, seen.best_kpa), deviation_kpa=seen.best_kpa)

    def decided(possible: float) -> object:
        monkeypatch.setattr(verdict, "prospect", lambda *_: Prospect(possible, 0.3, goal))
        return conclude(outlook, pulls, seen, same_again, [same_again], spans)

    on = decided(0.3 * seen.best_kpa)
    assert on.verdict == "pull"
    assert on.settings.duty == 15.0
    told = {reason.code: reason.text for reason in on.reasons}
    assert told["way on"].startswith("Duty 15 % instead of 10 %")
    assert "With 60 %" in told["way on"]
    assert "aim" not in told
    # Where nothing better is thought possible, or one step leads no further, nothing leads on.
    assert "way on" not in {reason.code for reason in decided(seen.best_kpa).reasons}
    spans[0] = (5, 11)
    assert "way on" not in {reason.code for reason in decided(0.3 * seen.best_kpa).reasons}


def test_a_ramp_that_adds_nothing_is_not_moved_on_the_way() -> None:
    """Three knobs were turned pull by pull, two of them the ends of a ramp of 0 points."""
    problem = problem_of(duty=(0.0, 90.0, 1.0, 5.0))
    pulls = run(problem, 0, 5, 10)
    outlook = Outlook(problem, pulls, surrogate_for(problem, pulls, changes=()))
    seen, allowed = review(problem, pulls), spans_after(problem, pulls)
    for add, kept in ((0.0, True), (10.0, False)):
        goal = replace(at(60), ramp_from=4000.0, ramp_to=6000.0, ramp_add=add)
        on = way_on(outlook, pulls, seen, goal, allowed)
        assert on is not None
        assert on.settings.duty > 10.0
        stands = (on.settings.ramp_from, on.settings.ramp_to) == (4800.0, 6700.0)
        assert stands is kept


def test_how_many_steps_are_to_come_is_told_of_many_only() -> None:
    problem = without_ramp(5.0)
    assert not steps_to_go(problem, at(30), at(50))
    (told,) = steps_to_go(problem, at(30), at(51))
    assert told.text.startswith("About 51 % of duty is thought best: 5 steps of 5 points")
    assert not steps_to_go(problem_of(duty=30.0), at(30), at(60))
