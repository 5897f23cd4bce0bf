"""Rules of the trade as behaviour of job and first proposals. None has a published source: common practice.

How the virtual car follows the same rules is tested with it.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from models import fleet
from models.curve import measure
from models.evidence import Observation
from models.settings import Settings, effective_duty
from models.units import kpa_in
from recommender.decide import decide, surrogate_for
from recommender.decide.outlook import Outlook
from recommender.decide.step import Problem
from recommender.job import Job
from tests.fleet.seats import jobs_named, pull_all
from tests.recommender.cars import PSI, PlainCar, problem_of

#: Kinds that have something to tune; the first car of each.
KINDS = [kind for kind in fleet.KINDS if kind not in fleet.OUT_OF_REACH]


@cache
def begun() -> list[tuple[Problem, list[Observation]]]:
    """A job on each car, with its baseline run."""
    jobs = jobs_named([(f"own: {kind}", 0) for kind in KINDS])
    baselines = [job.idle for job in jobs]
    pulls = pull_all(jobs, baselines, [1] * len(jobs))
    return [
        (job.problem, [Observation.of(1, settings, measure(pull.trace, job.target), complete=pull.complete)])
        for job, settings, pull in zip(jobs, baselines, pulls, strict=True)
    ]


def test_duty_ramp() -> None:
    """30 % of duty and 12 points from 4800 to 6800 rpm: 30, 36, 42 %, held outside, as NumPy draws a line."""
    settings = Settings(30, 4800, 6800, 12, 0, 0)
    rpm = np.array([2000.0, 4800.0, 5300.0, 5800.0, 6800.0, 8000.0])
    np.testing.assert_allclose(settings.effective_duty(rpm), [30, 30, 33, 36, 42, 42])
    fine = np.linspace(2000, 8000, 601)
    np.testing.assert_allclose(effective_duty(fine, settings.as_array()), np.interp(fine, [4800, 6800], [30, 42]))


@pytest.mark.parametrize("highest", [9.0, 16.0, 24.5])
def test_limit_stands_about_3_psi_over_the_highest_target(tmp_path: Path, highest: float) -> None:
    file = tmp_path / "job.toml"
    file.write_text(
        'name = "Quay van"\npressure = "psi"\n[target]\nrpm = [2600, 3900, 6800]\n'
        f"boost = [6.0, {highest}, {highest - 1}]\n"
        "[knobs.duty]\nlower = 0\nupper = 90\nresolution = 1\nstep = 20\n"
    )
    job = Job.load(file)
    assert job.limit == pytest.approx(highest + 3.0)
    assert job.limit_is_default
    assert job.limit_kpa == pytest.approx((highest + 3.0) * kpa_in("psi"), abs=1e-3)


def test_first_pull_is_the_spring_alone() -> None:
    for problem, _ in begun():
        first = decide(problem, []).settings
        assert first is not None
        assert first.duty == first.ramp_add == first.engagement == first.gain == 0


def test_first_step_is_about_20_points_of_duty() -> None:
    """Over eight kinds of cars: duty at most the 20 that the knob allows, and with what the ramp adds 12 to 28 points
    over the judged range, in the median of the cars; on none more than duty and ramp may take in one step."""
    steps = []
    for problem, history in begun():
        settings = decide(problem, history).settings
        assert settings is not None
        assert 0 < settings.duty <= 20
        rpm = np.linspace(problem.target.judge_from, problem.target.judge_to, 50)
        steps.append(float(settings.effective_duty(rpm).mean()))
    assert 12 <= np.median(steps) <= 28
    assert max(steps) <= 30


def test_gain_waits_until_boost_is_near_the_target() -> None:
    """Feedback comes last: no first step turns it on, on any of the cars."""
    for problem, history in begun():
        settings = decide(problem, history).settings
        assert settings is not None
        assert settings.gain == 0


def outlook() -> tuple[Outlook, Settings]:
    """A plain car with two pulls, the second within 2 psi of the target."""
    problem = problem_of()
    car, near = PlainCar(), Settings(58, 4800, 6700, 0, 8.0 * PSI, 0)
    history = [car.observe(problem, Settings(0, 4800, 6700, 0, 0, 0), 1), car.observe(problem, near, 2)]
    return Outlook(problem, history, surrogate_for(problem, history)), near


def test_engagement_at_the_target_is_known_for_spikes() -> None:
    """Before any pull has shown it: engagement at the target is held to be riskier than 3 psi under it."""
    view, near = outlook()
    safe, close = view.forecast([Settings(*list(near)[:4], psi * PSI, 0.0) for psi in (13.0, 16.0)])
    assert float(np.quantile(close.highest, 0.95)) > float(np.quantile(safe.highest, 0.95)) + 0.3 * PSI
    assert close.risk > safe.risk


def test_too_much_gain_is_known_for_ringing() -> None:
    """Half of the dial's gain and all of it: the swing that is expected grows by far more than twice."""
    view, near = outlook()
    knobs = np.array([[*list(near)[:5], gain] for gain in (0.0, 5.0, 10.0)])
    swing = view.surrogate.gate_.ringing(view.surrogate.posterior_.parts.constants, knobs).mean(axis=0)
    assert swing[0] == 0.0
    assert swing[2] > 2.5 * swing[1]
    assert swing[2] > 0.2 * PSI
