"""A run at held rpm after the baseline: duty turned up slowly by hand until boost nears the target."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from models.curve import Curve
from models.evidence import Observation
from models.settings import Settings
from models.units import FloatArray
from models.virtual_car import simulate
from recommender.record.trials import SPACING_RPM
from tests.fleet import apart_cars, other_cars
from tests.fleet.seats import PSI, Job, jobs_named

#: Duties at which the hand rests. [%]
DUTIES = tuple(range(0, 65, 8))
#: The hand stops this far under the target. [kPa]
STOP_UNDER_KPA = 1.0 * PSI
NOISE_KPA = 0.3


@lru_cache(maxsize=512)
def _held(full_kind: str, seed: int) -> tuple[Observation, ...]:
    job = jobs_named([(full_kind, seed)])[0]
    rpm = 50.0 * round((job.target.judge_from + job.target.judge_to) / 100.0)
    settings = [replace(job.idle, duty=float(duty)) for duty in DUTIES]
    boost = _still(job, settings, rpm)
    boost = boost + NOISE_KPA * np.random.default_rng([59, seed]).standard_normal(boost.size)
    stop = int(np.argmax(np.append(boost > float(job.target.at(rpm)) - STOP_UNDER_KPA, True)))
    grid = job.target.grid(SPACING_RPM)
    near = np.abs(grid - rpm) <= 1.5 * SPACING_RPM
    return tuple(
        Observation(
            number=2,
            settings=dialled,
            curve=Curve(grid, np.where(near, level, np.nan), noise_kpa=NOISE_KPA),
            peak_kpa=float(level) + NOISE_KPA,
            sustained_peak_kpa=float(level),
            noise_kpa=NOISE_KPA,
        )
        for dialled, level in list(zip(settings, boost.tolist(), strict=True))[:stop]
    )


def held_run(job: Job) -> list[Observation]:
    """What the run showed, one observation a duty, as the record gives them to the decision."""
    return list(_held(job.full_kind, job.seed))


def _still(job: Job, settings: list[Settings], rpm: float) -> FloatArray:
    """True boost at a held rpm. One value for each settings, [kPa gauge]"""
    car: Any = job.car
    many = len(settings)
    if job.family == "own":
        dyno = replace(car.car.dyno, start_rpm=rpm - 20.0, end_rpm=rpm + 20.0, rate_rpm_s=20.0, hold_s=2.0)
        runs = simulate([replace(car.car, dyno=dyno)] * many, settings, [0] * many, [0] * many, repeatable=True)
        return np.array([float(np.median(run.true_boost_kpa[run.true_boost_kpa.size // 2 :])) for run in runs])
    if job.family == "apart":
        slow_one = replace(car, car=replace(car.car, sweep=35.0))
        runs_apart = apart_cars.simulate([slow_one] * many, settings, [0] * many, [1] * many, repeatable=True)
        return np.array([float(np.interp(rpm, run.true_rpm, run.true_boost_kpa)) for run in runs_apart])
    slow = replace(car, car=replace(car.car, sweep=150.0))
    runs_other = other_cars.simulate([slow] * many, settings, [0] * many, [1] * many, repeatable=True)
    return np.array([float(np.interp(rpm, run.true_rpm, run.true_boost_kpa)) for run in runs_other])
