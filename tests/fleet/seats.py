"""One way to ask for jobs, and to run pulls, over all families of cars.

Family ``own`` are the project's virtual cars (``models.fleet``), family ``other`` those on other equations
(``tests.fleet.other_cars``), family ``apart`` those on a third set, kept for a last check (``tests.fleet.apart_cars``).
Boost is kPa gauge, as everywhere inside.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models import fleet
from models.curve import Target, Trace
from models.settings import KNOB_NAMES, Knob, Settings
from models.units import FloatArray, kpa_in
from models.virtual_car import simulate
from recommender.decide.allowed import idle
from recommender.decide.step import Problem
from tests.fleet import apart_cars, other_cars
from tests.fleet.scenarios import PLAIN, Scenario

PSI = kpa_in("psi")
RISK = 0.01
TOLERANCE_KPA = 0.4 * PSI
#: True deviation under which a job is at its target, whatever its best is; and how near to its best counts as well.
AT_TARGET_KPA = 0.45 * PSI
NEAR_BEST_KPA = 0.2 * PSI
FAMILIES = ("own", "other", "apart")
#: Families that a run plays where none are named.
USUAL_FAMILIES = ("own", "other")
#: First seed of cars that nobody looked at while the method was made.
FRESH_SEED = 1000


@dataclass(frozen=True)
class Job:
    """A car and what is wanted of it.

    Attributes:
        family, kind, seed: Which car.
        car: The car itself, for its own family to drive: a ``FleetCar`` or a ``Seat``.
        target, limit_kpa, knobs: What the tuner would put into the job file.
    """

    family: str
    kind: str
    seed: int
    car: Any
    target: Target
    limit_kpa: float
    knobs: Mapping[str, Knob]

    @property
    def name(self) -> str:
        return f"{self.family}: {self.kind} {self.seed}"

    @property
    def full_kind(self) -> str:
        return f"{self.family}: {self.kind}"

    @property
    def problem(self) -> Problem:
        """The job as the tool is told of it."""
        return Problem(self.target, self.limit_kpa, RISK, TOLERANCE_KPA, self.knobs, "psi", self.seed)

    @property
    def idle(self) -> Settings:
        """Settings of the baseline, the same for every method."""
        return idle(self.problem)


@dataclass(frozen=True)
class Pulled:
    """One pull: the log, and the truth that no method sees.

    Attributes:
        trace: As logged.
        true_rpm, true_boost_kpa: The sweep without gauge. Shape (m,), [rpm], [kPa gauge]
        complete: False where the driver lifted before the end.
    """

    trace: Trace
    true_rpm: FloatArray
    true_boost_kpa: FloatArray
    complete: bool = True

    @property
    def true_peak_kpa(self) -> float:
        return float(self.true_boost_kpa.max())

    def true_at(self, rpm: FloatArray) -> FloatArray:
        """True boost, NaN more than 200 rpm beyond the end. [kPa gauge], shape of ``rpm``"""
        boost = np.interp(rpm, self.true_rpm, self.true_boost_kpa)
        return np.where(rpm > self.true_rpm[-1] + 200.0, np.nan, boost)

    def true_deviation_kpa(self, target: Target, scenario: Scenario = PLAIN) -> float:
        """Root mean square from the target over the judged range; NaN where not covered. [kPa]

        A gauge or an rpm signal that is off counts as true: nobody can know better than they do.
        """
        count = int(np.ceil((target.judge_to - target.judge_from) / 25.0)) + 1
        rpm = np.linspace(target.judge_from, target.judge_to, count)
        boost = scenario.gauge * self.true_at(rpm - scenario.rpm_off)
        return float(np.sqrt(np.mean((boost - target.at(rpm)) ** 2)))


def kinds_of(family: str) -> tuple[str, ...]:
    return tuple({"own": fleet.KINDS, "other": other_cars.KINDS, "apart": apart_cars.KINDS}[family])


def all_kinds(families: Sequence[str] = USUAL_FAMILIES) -> list[str]:
    return [f"{family}: {kind}" for family in families for kind in kinds_of(family)]


def roster(
    cars: int, *, kinds: Sequence[str] = (), seed: int = FRESH_SEED, families: Sequence[str] = USUAL_FAMILIES
) -> list[Job]:
    """``cars`` jobs, spread evenly over the kinds.

    Args:
        cars: How many.
        kinds: Parts of full kinds (``own: stiff``, ``touchy``); empty for all of them.
        seed: Seed of the first car of each kind.
        families: Which of ``FAMILIES``.
    Raises:
        ValueError: no kind matches.
    """
    offered = all_kinds(families)
    chosen = [kind for kind in offered if not kinds or any(part in kind for part in kinds)]
    if not chosen:
        raise ValueError(f"kinds must match one of {', '.join(offered)}, but got {', '.join(kinds)}")
    wanted = [(chosen[i % len(chosen)], seed + i // len(chosen)) for i in range(cars)]
    return jobs_named(wanted)


def jobs_named(wanted: Sequence[tuple[str, int]]) -> list[Job]:
    """Jobs by full kind and seed, in that order."""
    own = [(kind.removeprefix("own: "), seed) for kind, seed in wanted if kind.startswith("own: ")]
    made = iter(fleet.make_many([k for k, _ in own], [s for _, s in own]) if own else [])
    out = []
    for full, seed in wanted:
        family, kind = full.split(": ", 1)
        make = apart_cars.make if family == "apart" else other_cars.make
        car: Any = next(made) if family == "own" else make(kind, seed)
        out.append(Job(family, kind, seed, car, car.target, car.limit_kpa, dict(car.knobs)))
    return out


def pull_all(
    jobs: Sequence[Job],
    settings: Sequence[Settings],
    numbers: Sequence[int],
    *,
    repeatable: bool = False,
    scenario: Scenario = PLAIN,
) -> list[Pulled]:
    """One pull of each job, each family in one batch.

    Args:
        jobs, settings, numbers: Job, what is dialled in, and which pull it is, from 1. Length n
        repeatable: Leave out drift, heat soak and gauge noise.
        scenario: What is wrong on purpose.
    """
    out: dict[int, Pulled] = {}
    for family, drive in (("own", _pull_own), ("other", _pull_other), ("apart", _pull_apart)):
        mine = [i for i, job in enumerate(jobs) if job.family == family]
        if mine:
            theirs = [jobs[i] for i in mine], [settings[i] for i in mine], [numbers[i] for i in mine]
            out.update(zip(mine, drive(*theirs, repeatable, scenario), strict=True))
    return [_as_logged(job, out[i], numbers[i], scenario) for i, job in enumerate(jobs)]


def _pull_own(
    jobs: Sequence[Job], settings: Sequence[Settings], numbers: Sequence[int], repeatable: bool, scenario: Scenario
) -> list[Pulled]:
    cars = [scenario.own(job.car.car, job.seed, n) for job, n in zip(jobs, numbers, strict=True)]
    seeds = [fleet._entropy(job.kind, job.seed) for job in jobs]
    runs = simulate(cars, settings, seeds, [n - 1 for n in numbers], repeatable=repeatable)
    return [Pulled(run.trace, run.true_rpm, run.true_boost_kpa) for run in runs]


def _pull_other(
    jobs: Sequence[Job], settings: Sequence[Settings], numbers: Sequence[int], repeatable: bool, scenario: Scenario
) -> list[Pulled]:
    seats = [scenario.other(job.car, job.seed, n) for job, n in zip(jobs, numbers, strict=True)]
    seeds = [zlib.crc32(job.kind.encode()) % 99991 + job.seed for job in jobs]
    runs = other_cars.simulate(seats, settings, seeds, numbers, repeatable=repeatable)
    return [Pulled(run.trace, run.true_rpm, run.true_boost_kpa) for run in runs]


def _pull_apart(
    jobs: Sequence[Job], settings: Sequence[Settings], numbers: Sequence[int], repeatable: bool, scenario: Scenario
) -> list[Pulled]:
    seats = [scenario.apart(job.car, job.seed, n) for job, n in zip(jobs, numbers, strict=True)]
    seeds = [zlib.crc32(job.kind.encode()) % 99991 + job.seed for job in jobs]
    runs = apart_cars.simulate(seats, settings, seeds, numbers, repeatable=repeatable)
    return [Pulled(run.trace, run.true_rpm, run.true_boost_kpa) for run in runs]


def _as_logged(job: Job, pull: Pulled, number: int, scenario: Scenario) -> Pulled:
    trace = scenario.logged(pull.trace)
    ends = scenario.ends_rpm(job.target, job.seed, number)
    if ends is None:
        return Pulled(trace, pull.true_rpm, pull.true_boost_kpa)
    seen = trace.rpm <= ends
    true = pull.true_rpm <= ends
    cut = Trace(trace.time_s[seen], trace.rpm[seen], trace.boost_kpa[seen])
    return Pulled(cut, pull.true_rpm[true], pull.true_boost_kpa[true], complete=False)


def highest_reach(job: Job) -> Settings:
    """Settings that hold the gate shut at every rpm: they show the ceiling."""
    top = {name: float(job.knobs[name].value(job.knobs[name].count - 1)) for name in KNOB_NAMES}
    return Settings(100.0, top["ramp_from"], top["ramp_to"], 0.0, 10.0 * job.limit_kpa, 0.0)
