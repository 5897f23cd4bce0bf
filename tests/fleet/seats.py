"""One way to ask for jobs, and to run pulls, over all families of cars.

Families and their equations are in ``tests.fleet.families``. Boost is kPa gauge, as everywhere inside.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.curve import Target, Trace
from models.settings import KNOB_NAMES, Knob, Settings
from models.units import FloatArray, kpa_in
from recommender.decide.allowed import idle
from recommender.decide.step import Problem
from tests.fleet.families import apart, kept, other, own, soaked
from tests.fleet.families.seat import Run
from tests.fleet.scenarios import PLAIN, Scenario

PSI = kpa_in("psi")
RISK = 0.01
TOLERANCE_KPA = 0.4 * PSI
#: True deviation under which a job is at its target, whatever its best is; and how near to its best counts as well.
AT_TARGET_KPA = 0.45 * PSI
NEAR_BEST_KPA = 0.2 * PSI
#: Families that a run plays where none are named.
USUAL_FAMILIES = ("own", "other")
#: First seed of cars that nobody looked at while the method was made.
FRESH_SEED = 1000


@dataclass(frozen=True)
class Family:
    """What the bench asks of a family of cars.

    Attributes:
        kinds: Kinds of its cars.
        make: Cars by kind and seed, in that order.
        simulate: One pull of each car: cars, settings, seeds of their chance, numbers from 1, ``repeatable``.
        changed: A car as a scenario has it at a pull: scenario, car, seed, number.
    """

    kinds: tuple[str, ...]
    make: Callable[[Sequence[str], Sequence[int]], Sequence[Any]]
    simulate: Callable[..., Sequence[Run]]
    changed: Callable[[Scenario, Any, int, int], Any]


def _each(make: Callable[[str, int], Any]) -> Callable[[Sequence[str], Sequence[int]], Sequence[Any]]:
    return lambda kinds, seeds: [make(kind, seed) for kind, seed in zip(kinds, seeds, strict=True)]


FAMILY = {
    "own": Family(own.KINDS, own.make_many, own.simulate, Scenario.own),
    "other": Family(other.KINDS, _each(other.make), other.simulate, Scenario.other),
    "apart": Family(apart.KINDS, _each(apart.make), apart.simulate, Scenario.sprung),
    "kept": Family(kept.KINDS, _each(kept.make), kept.simulate, Scenario.sprung),
    "soaked": Family(soaked.KINDS, soaked.make_many, soaked.simulate, Scenario.sprung),
}
FAMILIES = tuple(FAMILY)


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


def all_kinds(families: Sequence[str] = USUAL_FAMILIES) -> list[str]:
    return [f"{family}: {kind}" for family in families for kind in FAMILY[family].kinds]


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
    parts = [full.split(": ", 1) for full, _ in wanted]
    seeds = [seed for _, seed in wanted]
    cars: dict[int, Any] = {}
    for name, family in FAMILY.items():
        mine = [i for i, (theirs, _) in enumerate(parts) if theirs == name]
        if mine:
            made = family.make([parts[i][1] for i in mine], [seeds[i] for i in mine])
            cars.update(zip(mine, made, strict=True))
    return [
        Job(family, kind, seeds[i], cars[i], cars[i].target, cars[i].limit_kpa, dict(cars[i].knobs))
        for i, (family, kind) in enumerate(parts)
    ]


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
    out: dict[int, Run] = {}
    for name, family in FAMILY.items():
        mine = [i for i, job in enumerate(jobs) if job.family == name]
        if mine:
            cars = [family.changed(scenario, jobs[i].car, jobs[i].seed, numbers[i]) for i in mine]
            seeds = [zlib.crc32(jobs[i].kind.encode()) % 99991 + jobs[i].seed for i in mine]
            theirs = [settings[i] for i in mine], seeds, [numbers[i] for i in mine]
            out.update(zip(mine, family.simulate(cars, *theirs, repeatable=repeatable), strict=True))
    return [_as_logged(job, out[i], numbers[i], scenario) for i, job in enumerate(jobs)]


def _as_logged(job: Job, run: Run, number: int, scenario: Scenario) -> Pulled:
    trace = scenario.logged(run.trace)
    ends = scenario.ends_rpm(job.target, job.seed, number)
    if ends is None:
        return Pulled(trace, run.true_rpm, run.true_boost_kpa)
    seen = trace.rpm <= ends
    true = run.true_rpm <= ends
    cut = Trace(trace.time_s[seen], trace.rpm[seen], trace.boost_kpa[seen])
    return Pulled(cut, run.true_rpm[true], run.true_boost_kpa[true], complete=False)


def highest_reach(job: Job) -> Settings:
    """Settings that hold the gate shut at every rpm: they show the ceiling."""
    top = {name: float(job.knobs[name].value(job.knobs[name].count - 1)) for name in KNOB_NAMES}
    return Settings(100.0, top["ramp_from"], top["ramp_to"], 0.0, 10.0 * job.limit_kpa, 0.0)
