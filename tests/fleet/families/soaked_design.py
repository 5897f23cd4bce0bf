"""Design of a job of the family ``soaked``: a car that can make the boost it is bought for, and a target for it.

A design is a generator: it yields pulls that it wants to see and takes what came of them, so that many designs share
one batch.
"""

from __future__ import annotations

import zlib
from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from models.settings import Settings
from models.units import FloatArray
from tests.fleet.families.seat import Run, Seat
from tests.fleet.families.soaked_car import PSI, SoakedCar
from tests.fleet.families.soaked_draw import draw
from tests.fleet.families.soaked_jobs import LEAST_KPA, MOST_KPA, OUT_OF_REACH, Plan, Wish, dialled, plan_of

Asked = list[tuple[Seat[SoakedCar], Settings]]
#: Deviation with which the search is content. [psi]
GOOD_PSI: Final = 0.33
#: Stirs the chance by which cars are drawn: another number, other cars.
_STIR: Final = 9


@dataclass(frozen=True)
class Design:
    """A job, and the best settings that its search found."""

    seat: Seat[SoakedCar]
    settings: Settings


@dataclass(frozen=True)
class Bounds:
    """What a car does idle and with the gate held shut, over rpm. Shapes (m,), [rpm], [kPa gauge]"""

    rpm: FloatArray
    floor: FloatArray
    shut: FloatArray


def design(kind: str, seed: int) -> Generator[Asked, list[Run], Design]:
    """The job of a kind and seed."""
    r = np.random.default_rng([zlib.crc32(kind.encode()), seed, _STIR])
    hopeless = kind in OUT_OF_REACH and r.random() < 0.75
    tended = r.random() < 0.9
    car, level = draw(kind, r)
    plan = plan_of(kind, seed, hopeless, tended, r)
    car, bounds = yield from _sound(plan, replace(car, gain_top=plan.gain_top), level, r)
    level = _level(plan, car, level, bounds, r)
    change = float(np.clip(plan.change, 9.0 * PSI - level, max(level - 9.0 * PSI, 0.5 * PSI)))
    wish = Wish(plan.shape, level, change, *_range(plan, car, bounds, level), plan.low_share, plan.at)
    best: Settings | None = None
    for lap in range(7 if tended and not hopeless else 2):
        seat = plan.seat(car, wish.written())
        best, away, run = yield from _search(seat, best, plan.gain_top, r)
        if away < GOOD_PSI:
            break
        if tended and not hopeless:
            rpm = np.arange(wish.first, wish.last + 1.0, 50.0)
            wish = wish.bent(np.interp(rpm, run.true_rpm, run.true_boost_kpa) - seat.target.at(rpm), lap)
    assert best is not None
    return Design(plan.seat(car, wish.written()), best)


def _sound(
    plan: Plan, car: SoakedCar, level: float, r: np.random.Generator
) -> Generator[Asked, list[Run], tuple[SoakedCar, Bounds]]:
    """A car that somebody would drive, and its bounds.

    Nobody fits a turbo that cannot make the boost it is bought for (out of breath: up high only), nor bears a car that
    hunts on its spring alone: that gets a longer stroke and a shorter hose.
    """
    idle = Settings(0, car.rpm_start, car.rpm_end, 0, 0, 0)
    held = replace(idle, engagement=999.0, duty=100.0)
    rough = Wish("flat", level, 0.0, car.rpm_start + 1500, car.rpm_end - 200, 0.5, 0.5).target()
    floor, shut = yield [(plan.seat(car, rough), idle), (plan.seat(car, rough), held)]
    over = r.uniform(1.12, 1.7)
    for _ in range(8):
        far = (shut.true_rpm - car.rpm_start) / (car.rpm_end - car.rpm_start)
        if plan.kind == "out of breath":
            enough = float(shut.true_boost_kpa.max()) >= 1.05 * level
        else:
            enough = float(shut.true_boost_kpa[far > 0.5].min()) >= over * level
        if enough:
            break
        car = replace(car, k_turb=0.94 * car.k_turb, q_max=1.09 * car.q_max)
        floor, shut = yield [(plan.seat(car, rough), idle), (plan.seat(car, rough), held)]
    for _ in range(4):
        tail = floor.true_boost_kpa[floor.true_rpm > car.rpm_start + 0.45 * (car.rpm_end - car.rpm_start)]
        place = np.linspace(-1.0, 1.0, tail.size)
        if float(np.std(tail - np.polynomial.Polynomial.fit(place, tail, 5)(place))) / PSI < 0.12:
            break
        car = replace(car, stiffness=1.3 * car.stiffness, hose_s=0.65 * car.hose_s, flap_s=0.8 * car.flap_s)
        (floor,) = yield [(plan.seat(car, rough), idle)]
    rpm = np.arange(1500.0, 9000.0, 50.0)
    return car, Bounds(rpm, *(np.interp(rpm, run.true_rpm, run.true_boost_kpa) for run in (floor, shut)))


def _range(plan: Plan, car: SoakedCar, bounds: Bounds, level: float) -> tuple[float, float]:
    """Judged range: from a little after boost can be there. [rpm]"""
    there = np.flatnonzero((bounds.shut >= level) & (bounds.rpm > car.rpm_start))
    first = bounds.rpm[there[0]] + plan.after if there.size else car.rpm_start + 1800.0
    first = max(min(first, car.rpm_end - 250.0 - 2400.0), car.rpm_start + 700.0)
    first = 50.0 * np.round(first / 50.0)
    last = min(first + 50.0 * np.round(plan.width / 50.0), 50.0 * np.floor((car.rpm_end - 150.0) / 50.0))
    return float(first), float(last)


def _level(plan: Plan, car: SoakedCar, level: float, bounds: Bounds, r: np.random.Generator) -> float:
    """Boost to ask for: within what the car can do, or out of its reach on purpose. [kPa gauge]"""
    u, kind = r.uniform, plan.kind
    first, last = _range(plan, car, bounds, level)
    inside = (bounds.rpm >= first) & (bounds.rpm <= last)
    late = (bounds.rpm >= last - 700.0) & (bounds.rpm <= last)
    if kind == "stiff spring":
        stands = float(np.mean(bounds.floor[inside]))
        level = stands - u(1.2, 4.0) * PSI if plan.hopeless else stands + u(0.6, 2.5) * PSI
    elif kind == "out of breath":
        weak = float(np.min(bounds.shut[late]))
        if plan.hopeless:
            level = min(weak + u(1.5, 4.5) * PSI, max(float(np.max(bounds.shut)), weak + 1.2 * PSI))
        else:
            level = weak - u(0.4, 1.5) * PSI
    elif kind == "gate too small":
        level = max(level, float(np.percentile(bounds.floor[inside], 70)) + u(0.5, 2.5) * PSI)
    else:
        level = max(level, float(np.max(bounds.floor[inside])) + 1.5 * PSI)
    if not plan.hopeless and plan.tended:
        level = min(level, float(np.min(bounds.shut[inside])) - 1.0 * PSI)
    return float(np.clip(level, LEAST_KPA, MOST_KPA))


def away_psi(seat: Seat[SoakedCar], run: Run) -> float:
    """Root mean square of a pull from the target, and three times what comes within 0.4 psi of the limit. [psi]"""
    rpm = np.arange(seat.target.judge_from, seat.target.judge_to + 1.0, 50.0)
    off = (np.interp(rpm, run.true_rpm, run.true_boost_kpa) - seat.target.at(rpm)) / PSI
    over = max(float(run.true_boost_kpa.max()) - (seat.limit_kpa - 0.4 * PSI), 0.0) / PSI
    return float(np.sqrt(np.mean(off**2))) + 3.0 * over


def _search(
    seat: Seat[SoakedCar], best: Settings | None, gain_top: float, r: np.random.Generator
) -> Generator[Asked, list[Run], tuple[Settings, float, Run]]:
    """Four rounds by chance around the best so far, the first anywhere where there is none.

    Returns:
        Best settings, how far they are away [psi], and their pull.
    """
    first, last = seat.target.judge_from, seat.target.judge_to
    spread = np.array([12, 500, 500, 9, 1.8 * PSI, 1.2 * gain_top / 10])
    for wide in (1.0, 0.6, 0.35, 0.2):
        if best is None:
            tries = [_anywhere(seat, first, last, r) for _ in range(40)]
        else:
            tries, centre = [best], best.as_array()
            for _ in range(20):
                move = r.standard_normal(6) * spread * wide
                keep = r.random(6) < 0.5
                keep[int(r.integers(0, 6))] = True
                tries.append(dialled(seat, centre + move * keep))
        runs = yield [(seat, settings) for settings in tries]
        scores = [away_psi(seat, run) for run in runs]
        k = int(np.argmin(scores))
        best, found = tries[k], (tries[k], scores[k], runs[k])
    return found


def _anywhere(seat: Seat[SoakedCar], first: float, last: float, r: np.random.Generator) -> Settings:
    u, height = r.uniform, float(seat.target.at(first))
    start, end = np.sort(u(first - 300, last, 2))
    engage = float(r.choice([0.0, height * u(0.6, 1.0)], p=[0.25, 0.75]))
    return dialled(seat, np.array([u(5, 75), start, end, r.choice([0.0, u(-25, 25)]), engage, 0.0]))
