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
from recommender.record.trials import SPACING_RPM
from tests.fleet.seats import FAMILY, PSI, Job, jobs_named

#: Duties at which the hand rests. [%]
DUTIES = tuple(range(0, 65, 8))
#: The hand stops this far under the target. [kPa]
STOP_UNDER_KPA = 1.0 * PSI
NOISE_KPA = 0.3
#: A car's ``sweep`` at which boost settles on the way, in its family's unit: rpm a second, or seconds for a pull.
_SLOW = {"other": 150.0, "apart": 35.0, "kept": 35.0, "soaked": 150.0}


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
            held_rpm=True,
        )
        for dialled, level in list(zip(settings, boost.tolist(), strict=True))[:stop]
    )


def held_run(job: Job) -> list[Observation]:
    """What the run showed, one observation a duty, as the record gives them to the decision."""
    return list(_held(job.full_kind, job.seed))


def _still(job: Job, settings: list[Settings], rpm: float) -> FloatArray:
    """True boost at a held rpm. One value for each settings, [kPa gauge]"""
    car: Any = job.car
    many, simulate = len(settings), FAMILY[job.family].simulate
    if job.family == "own":
        dyno = replace(car.car.dyno, start_rpm=rpm - 20.0, end_rpm=rpm + 20.0, rate_rpm_s=20.0, hold_s=2.0)
        slow = replace(car, car=replace(car.car, dyno=dyno))
    else:
        slow = replace(car, car=replace(car.car, sweep=_SLOW[job.family]))
    runs = simulate([slow] * many, settings, [0] * many, [1] * many, repeatable=True)
    if job.family == "own":
        return np.array([float(np.median(run.true_boost_kpa[run.true_boost_kpa.size // 2 :])) for run in runs])
    return np.array([float(np.interp(rpm, run.true_rpm, run.true_boost_kpa)) for run in runs])
