"""Family ``soaked``: cars that lose much to heat from pull to pull, with five ways to feed back.

Written without sight of the method, on the equations of ``soaked_gas`` and ``soaked_drive``. A car is drawn and sized
(``soaked_draw``); its job is designed with pulls of it (``soaked_design``), which takes a second or two, so that
designs are kept in the bench's cache folder. Constants are invented.
"""

from __future__ import annotations

import hashlib
import os
import pickle
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Final

import numpy as np

from models import curve
from models import settings as dials
from models.settings import Settings
from tests.fleet.families import cache_root, sources
from tests.fleet.families.seat import Run, Seat, between, logged
from tests.fleet.families.soaked_car import SoakedCar
from tests.fleet.families.soaked_design import Design, design
from tests.fleet.families.soaked_drive import DT, Day, drive, steps_of

KINDS: Final = (
    "free-flowing",
    "restrictive exhaust",
    "large and laggy",
    "gate too small",
    "soft spring",
    "touchy solenoid",
    "out of breath",
    "stiff spring",
)
#: Designs worked out at once.
CHUNK: Final = 16


def simulate(
    seats: Sequence[Seat[SoakedCar]],
    settings: Sequence[Settings],
    seeds: Sequence[int],
    numbers: Sequence[int],
    *,
    repeatable: bool = False,
) -> list[Run]:
    """One pull of each car, all at once.

    Args:
        seats, settings: What is driven, with what. Length n
        seeds, numbers: Chance of each car's session, and which pull of it this is, from 1. Length n
        repeatable: Leave out drift, heat soak, wandering and noise.
    """
    if not seats:
        return []
    runs = []
    day = _day([seat.car for seat in seats], seeds, numbers, repeatable)
    for i, (seat, run) in enumerate(zip(seats, drive(seats, settings, day), strict=True)):
        random = None if repeatable else np.random.default_rng([seeds[i], numbers[i], 2])
        time_s = DT * np.arange(run.rpm.size, dtype=np.float64)
        trace = logged(seat.car, time_s, between(time_s, run.rpm), run.seen, random, rpm_noise=seat.car.rpm_noise)
        runs.append(Run(trace, run.rpm, run.true))
    return runs


def _day(cars: Sequence[SoakedCar], seeds: Sequence[int], numbers: Sequence[int], repeatable: bool) -> Day:
    """Springs, solenoids, air and gusts by the chance of each pull; all as at first where it is repeatable."""
    count, steps = len(cars), max(steps_of(car) for car in cars)
    day = Day(np.ones(count), np.ones(count), np.zeros(count), np.zeros((steps, count)))
    if repeatable:
        return day
    for i, (car, seed, number) in enumerate(zip(cars, seeds, numbers, strict=True)):
        random = np.random.default_rng([seed, number, 1])
        warm = 1.0 - np.exp(-(max(number, 1) - 1) / 2.8)
        day.spring[i] = (1.0 - 0.6 * car.soak * warm) * (1.0 + car.drift * random.standard_normal())
        day.bleed[i] = (1.0 - 0.35 * car.soak * warm) * (1.0 + 0.002 * random.standard_normal())
        day.heat[i] = 9.0 * warm + 1.5 * random.standard_normal()
        day.gusts[:, i] = random.standard_normal(steps)
    return day


# ---------------------------------------------------------------- the fleet


@lru_cache(maxsize=1)
def _source() -> str:
    """What the designs rest on; the shapes of target and knobs are kept with them."""
    files = [*sources("soaked"), Path(curve.__file__), Path(dials.__file__)]
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()


def _path(kind: str, seed: int) -> Path:
    key = hashlib.sha256(repr((_source(), kind, seed)).encode()).hexdigest()
    return cache_root() / f"soaked-{key[:24]}.pickle"


def worked_out(wanted: Sequence[tuple[str, int]]) -> list[Design]:
    """Designs by kind and seed, anew and all in one batch."""
    at_work = [design(kind, seed) for kind, seed in wanted]
    asked = {i: next(job) for i, job in enumerate(at_work)}
    done: dict[int, Design] = {}
    while asked:
        flat = [pull for pulls in asked.values() for pull in pulls]
        cars, settings = [seat for seat, _ in flat], [dialled for _, dialled in flat]
        runs = iter(simulate(cars, settings, [0] * len(flat), [1] * len(flat), repeatable=True))
        following = {}
        for i, pulls in asked.items():
            try:
                following[i] = at_work[i].send([next(runs) for _ in pulls])
            except StopIteration as end:
                done[i] = end.value
        asked = following
    return [done[i] for i in range(len(at_work))]


def prepare(wanted: Sequence[tuple[str, int]]) -> None:
    """Puts into the cache folder what is not there: several at once take much less time than one by one."""
    missing = [each for each in dict.fromkeys(wanted) if not _path(*each).exists()]
    for start in range(0, len(missing), CHUNK):
        part = missing[start : start + CHUNK]
        for (kind, seed), found in zip(part, worked_out(part), strict=True):
            path = _path(kind, seed)
            path.parent.mkdir(parents=True, exist_ok=True)
            rough = path.with_suffix(f".{os.getpid()}")
            rough.write_bytes(pickle.dumps(found))
            rough.replace(path)


@lru_cache(maxsize=4096)
def designed(kind: str, seed: int) -> Design:
    """The job of a kind and seed with the best settings known, from the cache folder where it is there.

    Raises:
        ValueError: there is no such kind.
    """
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {', '.join(KINDS)}, but got {kind!r}")
    prepare([(kind, seed)])
    found: Design = pickle.loads(_path(kind, seed).read_bytes())
    return found


def make(kind: str, seed: int) -> Seat[SoakedCar]:
    """A car of a kind with its job; most jobs of the kinds ``OUT_OF_REACH`` cannot be done, most others can."""
    return designed(kind, seed).seat


def make_many(kinds: Sequence[str], seeds: Sequence[int]) -> list[Seat[SoakedCar]]:
    """Cars by kind and seed, in that order."""
    wanted = list(zip(kinds, seeds, strict=True))
    prepare([each for each in wanted if each[0] in KINDS])
    return [make(kind, seed) for kind, seed in wanted]
