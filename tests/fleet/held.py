"""A run at held rpm after the baseline: duty turned up slowly by hand until boost nears the target."""

from __future__ import annotations

from dataclasses import astuple, replace
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.interpolate import PchipInterpolator

from models.curve import Curve, Trace
from models.evidence import Observation
from models.units import FloatArray
from recommender.record.trials import SPACING_RPM, held_observation
from recommender.session.held_run import FOLLOWS_S, held_points, where_to_stop
from tests.fleet.seats import FAMILY, Job, jobs_named

#: Duties between which the hand's end is looked for, first widely, then more narrowly. [points]
WIDE, NARROW = 8.0, 2.0
#: How the hand turns [points a second], for how long it rests before [s], and how often is logged. [Hz]
TURNED, REST_S, RATE_HZ = 4.0, 1.0, 20.0
NOISE_KPA = 0.3
#: A car's ``sweep`` at which boost settles on the way, in its family's unit: rpm a second, or seconds for a pull.
_SLOW = {"other": 150.0, "apart": 35.0, "kept": 35.0, "soaked": 150.0}


@lru_cache(maxsize=512)
def _held(full_kind: str, seed: int) -> tuple[Observation, ...]:
    job = jobs_named([(full_kind, seed)])[0]
    trace = _log(job)
    points, _ = held_points(trace)
    curve = Curve(grid := job.target.grid(SPACING_RPM), np.full(grid.size, np.nan), noise_kpa=NOISE_KPA)
    top_kpa = float(trace.boost_kpa.max())
    run = Observation(2, job.idle, curve, peak_kpa=top_kpa, sustained_peak_kpa=top_kpa, noise_kpa=NOISE_KPA)
    return tuple(held_observation(run, *astuple(point)) for point in points)


def _log(job: Job) -> Trace:
    """What the logger writes of the hand's run: boost follows duty, which is turned up evenly until it is lifted."""
    rpm, stop_kpa = where_to_stop(job.problem)
    duties, boost = _response(job, rpm, stop_kpa)
    first, last = float(duties[0]), float(duties[-1])
    time_s = np.arange(0.0, REST_S + (last - first) / TURNED + FOLLOWS_S, 1.0 / RATE_HZ)
    duty = first + np.maximum(TURNED * (time_s - REST_S), 0.0)
    late = np.clip(first + TURNED * (time_s - REST_S - FOLLOWS_S), first, last)
    settled = PchipInterpolator(duties, boost)(late) if duties.size > 1 else np.full(time_s.size, boost[0])
    noise = NOISE_KPA * np.random.default_rng([59, job.seed]).standard_normal(time_s.size)
    return Trace(time_s, np.full(time_s.size, rpm), settled + noise, np.minimum(duty, job.knobs["duty"].upper))


def _response(job: Job, rpm: float, stop_kpa: float) -> tuple[FloatArray, FloatArray]:
    """Settled boost by duty, up to where the hand stops: boost as high as is advised, or the end of duty.

    Both of shape (n,), [%] and [kPa gauge]
    """
    low, high = job.idle.duty, job.knobs["duty"].upper
    known: dict[float, float] = {}
    for spacing in (WIDE, NARROW):
        duties = np.append(np.arange(low, high, spacing), high)
        known |= dict(zip(duties.tolist(), _still(job, duties, rpm).tolist(), strict=True))
        over = np.flatnonzero(np.array([known[duty] for duty in duties.tolist()]) > stop_kpa)
        if not over.size:
            break
        low, high = float(duties[max(int(over[0]) - 1, 0)]), float(duties[int(over[0])])
    duties = np.array(sorted(duty for duty in known if duty <= high))
    boost = np.array([known[duty] for duty in duties.tolist()])
    if boost[-1] <= stop_kpa or duties.size == 1:
        return duties, boost
    end = float(np.interp(stop_kpa, boost[-2:], duties[-2:]))
    return np.append(duties[:-1], max(end, duties[-2] + 1e-3)), np.append(boost[:-1], min(stop_kpa, boost[-1]))


def held_run(job: Job) -> list[Observation]:
    """What the run showed, one observation a duty, as the record gives them to the decision."""
    return list(_held(job.full_kind, job.seed))


def _still(job: Job, duties: FloatArray, rpm: float) -> FloatArray:
    """True boost at a held rpm, all else idle. One value for each duty, [kPa gauge]"""
    car: Any = job.car
    settings = [replace(job.idle, duty=float(duty)) for duty in duties]
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
