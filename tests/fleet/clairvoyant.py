"""What each car can do at best, from knowing it exactly, and how few pulls the caps alone would need.

The best is a global optimum over the knobs' grids under the limit, of the repeatable pull: differential evolution of
all cars in lock-step (the simulators are quicker by far on a batch), then a search among neighbours. What seems out of
reach is searched once more from other starts: on a touchy solenoid the good settings are few. Results are kept in a
cache folder under a key of car, job and the simulators' source.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from models.settings import KNOB_NAMES, Settings
from models.units import FloatArray
from tests.fleet.families import cache_root, sources
from tests.fleet.scenarios import PLAIN, Scenario
from tests.fleet.seats import AT_TARGET_KPA, NEAR_BEST_KPA, TOLERANCE_KPA, Job, Pulled, highest_reach, pull_all

IntArray = npt.NDArray[np.int64]
POPULATION = 30
ROUNDS = 32
#: Jobs searched at once.
CHUNK = 25
VERSION = 5
#: Merit from which settings are not allowed. [kPa]
FORBIDDEN = 1000.0
#: Cause where even the spring alone passes the limit.
OVER_LIMIT = "spring alone passes the limit"
#: Pull number at which a car that changes has changed.
LATE = 99


@dataclass(frozen=True)
class Truth:
    """What is true of a job.

    Attributes:
        best: Best settings, in the order of the knobs.
        best_kpa: Deviation they give without drift, heat soak and noise. [kPa]
        soonest: Settings at target that the fewest pulls reach; the best ones where none are at target.
        pulls: Pulls, baseline counted, after which ``soonest`` has been run, held back by the caps alone.
        cause: What holds the best away from the target; "" where the target is within reach.
        cause_rpm: From which rpm (for late boost: up to which). [rpm]
    """

    best: tuple[float, ...]
    best_kpa: float
    soonest: tuple[float, ...]
    pulls: int
    cause: str
    cause_rpm: float

    @property
    def reachable(self) -> bool:
        return self.best_kpa < AT_TARGET_KPA

    @property
    def there_kpa(self) -> float:
        """True deviation under which a pull counts as being there. [kPa]"""
        return max(AT_TARGET_KPA, self.best_kpa + NEAR_BEST_KPA)


def truths(jobs: Sequence[Job], scenario: Scenario = PLAIN) -> list[Truth]:
    """The truth of each job, from the cache where it is there."""
    scenario = replace(scenario, name="", rate_hz=0.0, own_mind=0, aborts=0)  # what has no part in it
    paths = [_cache_path(job, scenario) for job in jobs]
    missing = [i for i, path in enumerate(paths) if not path.exists()]
    for start in range(0, len(missing), CHUNK):
        part = missing[start : start + CHUNK]
        for i, truth in zip(part, _find([jobs[i] for i in part], scenario), strict=True):
            paths[i].parent.mkdir(parents=True, exist_ok=True)
            rough = paths[i].with_suffix(f".{os.getpid()}")
            rough.write_text(json.dumps(asdict(truth)))
            rough.replace(paths[i])
    return [_read(path) for path in paths]


def _read(path: Path) -> Truth:
    values: dict[str, Any] = json.loads(path.read_text())
    values.update(best=tuple(values["best"]), soonest=tuple(values["soonest"]))
    return Truth(**values)


def _cache_path(job: Job, scenario: Scenario) -> Path:
    root = cache_root()
    source = hashlib.sha256()
    for path in sources(job.family):
        source.update(path.read_bytes())
    what = repr((VERSION, POPULATION, ROUNDS, job.name, job.car, scenario))
    source.update(what.encode())
    return root / f"{source.hexdigest()[:24]}.json"


# ---------------------------------------------------------------- search


@dataclass
class _Space:
    """Jobs to be searched, and all that was tried on them: deviation, or 1000 and more where not allowed. [kPa]"""

    jobs: Sequence[Job]
    scenario: Scenario
    tried: list[dict[tuple[int, ...], float]]

    def score(self, points: Sequence[IntArray]) -> list[FloatArray]:
        """Merit of each job's grid points. Shapes (n_j, 6) to (n_j,)"""
        keys = [[tuple(row) for row in rows.tolist()] for rows in points]
        asked = [(j, key) for j, mine in enumerate(keys) for key in sorted(set(mine)) if key not in self.tried[j]]
        if asked:
            owners = [self.jobs[j] for j, _ in asked]
            settings = [settings_at(self.jobs[j], key) for j, key in asked]
            pulls = pull_all(owners, settings, [LATE] * len(owners), repeatable=True, scenario=self.scenario)
            for (j, key), dialled, pull in zip(asked, settings, pulls, strict=True):
                self.tried[j][key] = self._merit(self.jobs[j], dialled, pull)
        return [np.array([self.tried[j][key] for key in mine]) for j, mine in enumerate(keys)]

    def _merit(self, job: Job, settings: Settings, pull: Pulled) -> float:
        over = self.scenario.gauge * pull.true_peak_kpa - job.limit_kpa
        if over > 0.0:
            return FORBIDDEN + over
        if settings.ramp_from >= settings.ramp_to and not job.knobs["ramp_from"].fixed:
            return FORBIDDEN
        return pull.true_deviation_kpa(job.target, self.scenario)

    def best(self, j: int, box: tuple[IntArray, IntArray]) -> tuple[int, ...]:
        """Best position of a job inside a box."""
        keys, merits = np.array(list(self.tried[j])), np.array(list(self.tried[j].values()))
        inside = np.all((keys >= box[0]) & (keys <= box[1]), axis=1)
        return tuple(int(v) for v in keys[inside][np.argmin(merits[inside])])


def settings_at(job: Job, position: Sequence[int]) -> Settings:
    return Settings(*(float(job.knobs[name].value(i)) for name, i in zip(KNOB_NAMES, position, strict=True)))


def position_of(job: Job, settings: Settings) -> IntArray:
    return np.array([int(job.knobs[name].index(v)) for name, v in zip(KNOB_NAMES, settings, strict=True)])


def reach(job: Job, steps: int) -> tuple[IntArray, IntArray]:
    """Grid box that ``steps`` steps from the baseline reach."""
    at = position_of(job, job.idle)
    knobs = [job.knobs[name] for name in KNOB_NAMES]
    stride = np.array([0 if k.fixed else int(np.floor(k.step / k.resolution + 1e-6)) for k in knobs])
    last = np.array([k.count - 1 for k in knobs])
    return np.clip(at - steps * stride, 0, last), np.clip(at + steps * stride, 0, last)


def steps_to(job: Job, positions: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Fewest steps from the baseline to each position. Shapes (n, 6) to (n,)"""
    at = np.atleast_2d(np.asarray(positions))
    knobs = [job.knobs[name] for name in KNOB_NAMES]
    stride = np.array([1 if k.fixed else max(int(np.floor(k.step / k.resolution + 1e-6)), 1) for k in knobs])
    away = np.abs(at - position_of(job, job.idle))
    return np.asarray(np.ceil(away / stride - 1e-9).max(axis=1), dtype=np.int64)


def _evolve(space: _Space, boxes: list[tuple[IntArray, IntArray]], rounds: int, seed: int) -> None:
    """Differential evolution (current to best, and random) of all jobs at once; results end up in ``space.tried``."""
    random = np.random.default_rng(seed)
    low, high = np.array([b[0] for b in boxes])[:, None, :], np.array([b[1] for b in boxes])[:, None, :]
    count = len(boxes)
    people = low + random.random((count, POPULATION, 6)) * (high - low)
    for j, job in enumerate(space.jobs):
        people[j, 0] = position_of(job, job.idle)
        known = sorted(space.tried[j], key=space.tried[j].__getitem__)
        inside = [key for key in known if np.all(key >= boxes[j][0]) and np.all(key <= boxes[j][1])][:6]
        people[j, 1 : 1 + len(inside)] = np.array(inside).reshape(-1, 6)
    people = np.clip(np.rint(people), low, high)
    merit = np.array(space.score([p.astype(np.int64) for p in people]))
    rows = np.arange(count)[:, None]
    for _ in range(rounds):
        best = people[np.arange(count), merit.argmin(axis=1)][:, None, :]
        a, b, c = (random.integers(0, POPULATION, (count, POPULATION)) for _ in range(3))
        factor = random.uniform(0.4, 0.9, (count, POPULATION, 1))
        towards = random.random((count, POPULATION, 1)) < 0.6
        start = np.where(towards, people + factor * (best - people), people[rows, c])
        moved = start + factor * (people[rows, a] - people[rows, b]) + random.uniform(-0.5, 0.5, people.shape)
        crossed = np.where(random.random(people.shape) < 0.8, moved, people)
        crossed = np.clip(np.rint(crossed), low, high)
        trial = np.array(space.score([p.astype(np.int64) for p in crossed]))
        better = trial <= merit
        people, merit = np.where(better[..., None], crossed, people), np.where(better, trial, merit)


def _polish(space: _Space, boxes: list[tuple[IntArray, IntArray]], rounds: int = 6) -> list[tuple[int, ...]]:
    """Neighbours of the best, one knob at a time, and base duty against ramp; the best position of each job's box."""
    moves = np.concatenate([size * sign * np.eye(6, dtype=int) for size in (1, 3) for sign in (1, -1)])
    trades = [[1, 0, 0, -1, 0, 0], [-1, 0, 0, 1, 0, 0], [1, 0, 0, -2, 0, 0], [-1, 0, 0, 2, 0, 0], [0, 1, 0, 1, 0, 0]]
    moves = np.concatenate([moves, np.array(trades)])

    tops = [space.best(j, box) for j, box in enumerate(boxes)]
    for _ in range(rounds):
        space.score([np.clip(np.array(t) + moves, *box) for t, box in zip(tops, boxes, strict=True)])
        now = [space.best(j, box) for j, box in enumerate(boxes)]
        if now == tops:
            break
        tops = now
    return tops


def _again(
    space: _Space, boxes: list[tuple[IntArray, IntArray]], tops: list[tuple[int, ...]]
) -> list[tuple[int, ...]]:
    """Tops after a second search, ignorant of the first, for jobs that seem out of reach, though not by the spring."""
    merits = [space.tried[j][top] for j, top in enumerate(tops)]
    missed = [j for j, merit in enumerate(merits) if AT_TARGET_KPA <= merit < FORBIDDEN]
    if not missed:
        return tops
    fresh = _Space([space.jobs[j] for j in missed], space.scenario, [{} for _ in missed])
    theirs = [boxes[j] for j in missed]
    _evolve(fresh, theirs, ROUNDS, seed=3)
    _polish(fresh, theirs)
    for j, tried in zip(missed, fresh.tried, strict=True):
        space.tried[j].update(tried)
    return [space.best(j, box) for j, box in enumerate(boxes)]


def _find(jobs: Sequence[Job], scenario: Scenario) -> list[Truth]:
    space = _Space(jobs, scenario, [{} for _ in jobs])
    whole = [(np.zeros(6, dtype=np.int64), reach(job, 60)[1]) for job in jobs]
    for job, box in zip(jobs, whole, strict=True):
        box[1][:] = [job.knobs[name].count - 1 for name in KNOB_NAMES]
    _evolve(space, whole, ROUNDS, seed=1)
    tops = _polish(space, whole)
    tops = _again(space, whole, tops)
    best = [space.tried[j][top] for j, top in enumerate(tops)]
    bar = [max(AT_TARGET_KPA, value + NEAR_BEST_KPA) for value in best]

    def fewest(j: int) -> int:
        good = [key for key, merit in space.tried[j].items() if merit < bar[j]]
        return int(steps_to(jobs[j], good).min())

    for _ in range(2):
        boxes = [reach(job, max(fewest(j) - 1, 1)) for j, job in enumerate(jobs)]
        _evolve(space, boxes, 12, seed=2)
        _polish(space, boxes, 3)
    soonest = _polish(space, [reach(job, fewest(j)) for j, job in enumerate(jobs)], 3)
    causes = _causes(jobs, scenario)
    out = []
    for j, job in enumerate(jobs):
        cause, rpm = causes[j] if best[j] >= AT_TARGET_KPA else ("", float("nan"))
        if best[j] >= FORBIDDEN:
            cause = OVER_LIMIT
        settings = [tuple(settings_at(job, position)) for position in (tops[j], soonest[j])]
        pulls = 1 + int(steps_to(job, soonest[j])[0])
        out.append(Truth(settings[0], best[j], settings[1], pulls, cause, rpm))
    return out


# ---------------------------------------------------------------- why not


def _causes(jobs: Sequence[Job], scenario: Scenario) -> list[tuple[str, float]]:
    """What the hardware cannot do, read off the floor and the ceiling themselves."""
    late = [LATE] * len(jobs)
    floors = pull_all(jobs, [job.idle for job in jobs], late, repeatable=True, scenario=scenario)
    shut = pull_all(jobs, [highest_reach(job) for job in jobs], late, repeatable=True, scenario=scenario)
    out = []
    for job, floor, ceiling in zip(jobs, floors, shut, strict=True):
        rpm = np.arange(job.target.judge_from, job.target.judge_to + 1.0, 25.0)
        wanted = job.target.at(rpm)
        at = rpm - scenario.rpm_off
        out.append(
            cause_of(rpm, scenario.gauge * floor.true_at(at) - wanted, scenario.gauge * ceiling.true_at(at) - wanted)
        )
    return out


def cause_of(rpm: FloatArray, floor_error: FloatArray, ceiling_error: FloatArray) -> tuple[str, float]:
    """Cause and rpm from floor and ceiling minus target over the judged range. Shapes (m,), [kPa]"""
    above = np.where(floor_error > TOLERANCE_KPA, floor_error, 0.0)
    below = np.where(ceiling_error < -TOLERANCE_KPA, -ceiling_error, 0.0)
    if not above.any() and not below.any():
        return "shape of the curve", float(rpm[int(np.argmax(np.maximum(floor_error, -ceiling_error)))])
    if np.sum(above**2) >= np.sum(below**2):
        over = np.flatnonzero(above > 0)
        return ("floor above target" if over.size > 0.6 * rpm.size else "boost creeps"), float(rpm[over[0]])
    upper = rpm >= 0.5 * (rpm[0] + rpm[-1])
    if np.sum(below[~upper] ** 2) > np.sum(below[upper] ** 2):
        last = int(np.flatnonzero((below > 0) & ~upper)[-1])
        there = np.flatnonzero(below[last:] == 0.0)
        if there.size:
            return "boost arrives late", float(rpm[last + there[0] - 1])
        met = np.flatnonzero(below[:last] == 0.0)  # short to the very end: it never arrives
        return "out of breath at the top", float(rpm[met[-1] + 1 if met.size else 0])
    return "out of breath at the top", float(rpm[np.flatnonzero((below > 0) & upper)[0]])
