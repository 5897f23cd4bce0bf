"""What is foretold of settings that were run before: about what their pulls showed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from models.risk import excess_kpa, spikes_seen
from models.settings import Settings
from models.units import kpa_in
from recommender.decide.outlook import Outlook
from recommender.decide.review import surrogate_for
from recommender.job.dials import fixed_dial

from .cars import PlainCar, outlook_after, problem_of

PSI = kpa_in("psi")

#: A car whose boost overshoots on the way up, which bends what the constants do; and pulls of one of its jobs.
RUN = (
    Settings(0.0, 4650.0, 6400.0, 0.0, 0.0, 0.0),
    Settings(12.0, 3950.0, 5400.0, 2.0, 4.0 * PSI, 0.0),
    Settings(24.0, 3200.0, 4400.0, 6.5, 8.0 * PSI, 0.0),
    Settings(28.0, 2700.0, 4100.0, 5.0, 9.0 * PSI, 0.0),
)


@pytest.fixture(scope="module")
def outlook() -> Outlook:
    return outlook_after("kept: cam switch", 6002, RUN)


def test_settings_that_held_far_under_the_limit_are_hardly_a_risk(outlook: Outlook) -> None:
    """They had been given a risk of 11 %, by draws of cars that cannot have run these pulls, and the job ended with
    settings from long before them."""
    third = outlook.pulls[2]
    assert third.highest_kpa < outlook.problem.limit_kpa - 2.5 * PSI
    (forecast,) = outlook.forecast([third.settings])
    assert forecast.risk <= outlook.problem.risk


def test_boost_of_settings_that_were_run_is_known_to_what_equal_pulls_differ_by(outlook: Outlook) -> None:
    settings = outlook.pulls[2].settings.as_array()[None]
    curves, _ = outlook.surrogate.expected(settings)
    assert curves[:, 0, outlook.judged].std(axis=0).max() < 0.35 * PSI  # had been 0.5 psi, a spike of 4 psi with it


def test_a_hump_that_the_fit_does_not_follow_counts_as_spike(outlook: Outlook) -> None:
    bold = outlook.pulls[-1].settings.as_array()[None]
    assert outlook.excess(bold)[0] > excess_kpa(spikes_seen(outlook.pulls)) + 0.3


def test_a_spike_counts_where_a_fixed_knob_goes_back_after_it() -> None:
    """Engagement, fixed at 5 psi, had been 6 psi once: milder by any number of steps, and the spike was forgotten."""
    problem, car = problem_of(), PlainCar()
    problem = replace(problem, knobs={**problem.knobs, "engagement": fixed_dial("engagement", 5.0, "psi").knob})
    run = [Settings(duty, 4800, 6700, 0, psi * PSI, 0) for duty, psi in ((0, 5.0), (20, 5.0), (38, 6.0))]
    pulls = [car.observe(problem, settings, number) for number, settings in enumerate(run, start=1)]
    pulls[2] = replace(pulls[2], peak_kpa=pulls[2].peak_kpa + 14.0, sustained_peak_kpa=pulls[2].peak_kpa + 14.0)
    outlook = Outlook(problem, pulls, surrogate_for(problem, pulls, changes=()))
    back = replace(run[2], engagement=problem.knobs["engagement"].lower)
    assert outlook.excess(back.as_array()[None]) == pytest.approx(outlook.excess(run[2].as_array()[None]))


def test_gain_that_was_run_before_the_job_file_fixed_it_at_none() -> None:
    """As a share of a dial that ends at 0 it was thousands of millions: what had been run was foretold at 94 % risk."""
    problem, car = problem_of(), PlainCar()
    run = [Settings(duty, 4800, 6700, 0, 0, gain) for duty, gain in ((0, 0.0), (20, 0.0), (50, 2.0))]
    pulls = [car.observe(problem, settings, number) for number, settings in enumerate(run, start=1)]
    fixed = replace(problem, knobs={**problem.knobs, "gain": fixed_dial("gain", 0.0, "psi").knob})
    outlook = Outlook(fixed, pulls, surrogate_for(fixed, pulls, changes=()))
    as_run, without = outlook.forecast([run[2], replace(run[2], gain=0.0)])
    assert as_run.risk < 0.01
    assert without.risk < 0.05
    assert as_run.highest.mean() == pytest.approx(pulls[2].highest_kpa, abs=PSI)
    assert without.highest.mean() == pytest.approx(pulls[2].highest_kpa, abs=2.0 * PSI)
    never = Outlook(fixed, pulls[:2], surrogate_for(fixed, pulls[:2], changes=()))
    assert never.forecast([run[2]])[0].highest.mean() < 100.0 * PSI  # had been 118 thousand million psi
