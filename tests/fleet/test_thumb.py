"""The rule of thumb does what it says, on pulls made up by hand."""

from __future__ import annotations

import numpy as np
import pytest

from models.curve import Trace, measure
from models.evidence import Observation
from models.settings import Settings
from tests.fleet.play import Answer, Turn
from tests.fleet.seats import PSI, Job, Pulled, jobs_named
from tests.fleet.thumb import FIRST_STEP_PCT, capped, duty_slope, plateau, rule_of_thumb


@pytest.fixture(scope="module")
def job() -> Job:
    return jobs_named([("other: free", 1)])[0]


def turn(
    job: Job, number: int, error_psi: float, *, fall_psi: float = 0.0, spike_psi: float = 0.0, **knobs: float
) -> Turn:
    """A pull that stands ``error_psi`` above the target and falls by ``fall_psi`` over its second half."""
    target = job.target
    time = np.arange(0.0, 9.0, 0.02)
    rpm = np.linspace(2000.0, 7150.0, time.size)
    middle = 0.5 * (target.judge_from + target.judge_to)
    fall = fall_psi * np.clip((rpm - middle) / (target.judge_to - middle), 0.0, 1.0)
    spike = spike_psi * np.exp(-(((rpm - target.judge_from + 100.0) / 120.0) ** 2))
    boost = np.minimum(target.at(rpm), 200.0) + PSI * (error_psi - fall + spike)
    trace = Trace(time, rpm, boost)
    settings = Settings(**{**job.idle.as_dict(), **knobs})
    pull = Pulled(trace, rpm, boost)
    measures = measure(trace, target)
    seen = Observation.of(number, settings, measures, complete=pull.complete)
    return Turn(number, Answer("pull", settings), settings, pull, pull, measures, seen, 0.0)


def following(job: Job, *turns: Turn) -> Settings:
    answer = rule_of_thumb(job, turns)
    assert answer.settings is not None
    return answer.settings


def test_baseline_then_twenty_points(job: Job) -> None:
    assert following(job) == job.idle
    step = following(job, turn(job, 1, -6.0))
    assert step.duty == FIRST_STEP_PCT
    assert step.engagement == pytest.approx(3.0 * PSI)  # one cap of 3 psi on the way to 3 under the target
    assert step.gain == 0.0


def test_duty_is_interpolated_to_the_plateau(job: Job) -> None:
    """From 6 psi under at 0 to 4 under at 20 %: 0.1 psi a point, 40 points wanted, 20 allowed; 1.5 under: 15 wanted."""
    far = [turn(job, 1, -6.0), turn(job, 2, -4.0, duty=20.0, engagement=6 * PSI)]
    assert duty_slope(job, far) == pytest.approx(0.1 * PSI, rel=0.05)
    assert following(job, *far).duty == 40.0
    near = [turn(job, 1, -3.5), turn(job, 2, -1.5, duty=20.0, engagement=6 * PSI)]
    assert following(job, *near).duty == pytest.approx(35.0, abs=1.0)


def test_ramp_where_it_droops(job: Job) -> None:
    pulls = [turn(job, 1, -4.0), turn(job, 2, 0.0, fall_psi=2.0, duty=20.0)]
    error, droop, begins = plateau(job, pulls[1])
    assert error == pytest.approx(0.0, abs=0.05 * PSI)
    assert droop == pytest.approx(1.85 * PSI, abs=0.2 * PSI)  # the last eighth, not the last point
    step = following(job, *pulls)
    assert step.duty == 20.0
    assert step.ramp_add > 0
    assert abs(begins - 0.5 * (job.target.judge_from + job.target.judge_to)) < 450.0


def test_engagement_goes_back_after_a_spike(job: Job) -> None:
    top = float(job.target.boost_kpa.max())
    at = float(job.knobs["engagement"].value(job.knobs["engagement"].index(top - 3 * PSI)))
    calm = [turn(job, 1, -6.0), turn(job, 2, -2.0, duty=20.0, engagement=at)]
    spiked = [turn(job, 1, -6.0), turn(job, 2, -2.0, spike_psi=4.5, duty=20.0, engagement=at)]
    assert following(job, *calm).engagement == pytest.approx(at)
    assert following(job, *spiked).engagement == pytest.approx(at - 3 * PSI, abs=0.3 * PSI)


def test_done_at_the_target_and_given_up_above_it(job: Job) -> None:
    done = rule_of_thumb(job, [turn(job, 1, -6.0), turn(job, 2, 0.2, duty=20.0)])
    assert (done.verdict, done.best_number) == ("done", 2)
    assert rule_of_thumb(job, [turn(job, 1, 2.0)]).verdict == "out of reach"


def test_backs_off_over_the_limit(job: Job) -> None:
    pulls = [turn(job, 1, -6.0), turn(job, 2, 3.5, duty=30.0)]
    assert following(job, *pulls).duty == 20.0


def test_capped_keeps_range_step_and_resolution(job: Job) -> None:
    wish = {"duty": 61.4, "ramp_from": 6900.0, "ramp_to": 5000.0, "ramp_add": 4.6, "engagement": 1e3, "gain": -3.0}
    step = capped(job, job.idle, wish)
    assert (step.duty, step.ramp_add, step.gain) == (20.0, 5.0, 0.0)
    assert step.ramp_from < step.ramp_to
    assert step.engagement == pytest.approx(3 * PSI)
