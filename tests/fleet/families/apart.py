"""Family ``apart``: cars and jobs on the equations of ``apart_drive``, apart from those the method was made with.

A job is drawn as a tuner would set it: boost must be there a little after the turbo can make it, and where the
controller has no ramp the target follows what one duty gives. All constants are invented.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache, partial
from typing import Final

import numpy as np

from models.curve import Target
from models.settings import Knob, Settings
from tests.fleet.families.apart_drive import (
    DT,
    START_RPM,
    ApartCar,
    breath,
    columns,
    exhaust,
    head_of,
    response_table,
    rpm_at,
    settle,
    sweep,
)
from tests.fleet.families.seat import PSI, Run, Seat, logged, without

KINDS: Final = (
    "free-flowing",
    "droops",
    "laggy",
    "creeps",
    "soft spring",
    "touchy",
    "breathless",
    "stiff spring",
    "two-stage",
    "direct",
)
OUT_OF_REACH: Final = ("breathless", "stiff spring")
#: Where a car is set out: spring, gate and solenoid are drawn to suit this rpm.
MIDDLE_RPM: Final = 5000.0


def simulate(
    seats: Sequence[Seat[ApartCar]],
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
        repeatable: Leave out drift, heat soak and noise.
    """
    cars = [seat.car for seat in seats]
    spring, warmth = np.ones(len(cars)), np.ones(len(cars))
    if not repeatable:
        for i, (car, seed, number) in enumerate(zip(cars, seeds, numbers, strict=True)):
            walk = np.random.default_rng([83, seed]).standard_normal(max(number, 1))
            spring[i] = 1.0 + car.drift * float(walk.sum())
            warmth[i] = 1.0 - car.soak * (number - 1.0) / (number + 2.0)
    grid = np.arange(START_RPM, 7500.0, 25.0)
    true, seen = sweep(cars, settings, [seat.target.at(grid) for seat in seats], spring, warmth)
    runs = []
    for i, car in enumerate(cars):
        last = int(car.sweep / DT) + 1
        random = None if repeatable else np.random.default_rng([89, seeds[i], numbers[i]])
        time_s = np.arange(last, dtype=float) * DT
        trace = logged(car, time_s, partial(rpm_at, car), seen[:last, i], random, rpm_noise=6.0)
        runs.append(Run(trace, rpm_at(car, time_s), true[:last, i].copy()))
    return runs


# ---------------------------------------------------------------- solenoids

Draw = Callable[[float, float], float]


def _even_response(u: Draw) -> tuple[tuple[float, float], ...]:
    """Rises all the way, here more and there less."""
    duty = [u(2, 12), 25.0, 42.0, 58.0, 74.0, u(86, 97)]
    effect = np.cumsum([u(0.5, 1.5) for _ in duty[1:]])
    pairs = zip(duty[1:], (effect / effect[-1]).tolist(), strict=True)
    return ((0.0, 0.0), (duty[0], 0.0), *pairs, (100.0, 1.0))


def _touchy_response(u: Draw) -> tuple[tuple[float, float], ...]:
    """Most of it within 10 to 15 points of duty."""
    width = u(10, 15)
    low = u(25, 60 - width)
    below, above = u(0.08, 0.16), u(0.84, 0.92)
    return ((0.0, 0.0), (low, below), (low + width, above), (100.0, 1.0))


def _two_stage_response(u: Draw) -> tuple[tuple[float, float], ...]:
    """Against a preload of its own: little, then much."""
    knee = u(32, 46)
    return (
        (0.0, 0.0),
        (0.5 * knee, u(0.02, 0.05)),
        (knee, u(0.08, 0.15)),
        (knee + u(24, 34), u(0.72, 0.88)),
        (100.0, 1.0),
    )


def _near_straight_response(u: Draw) -> tuple[tuple[float, float], ...]:
    return ((0.0, 0.0), (u(1, 4), 0.0), (50.0, u(0.46, 0.54)), (u(96, 99), 1.0), (100.0, 1.0))


def _response(kind: str, u: Draw) -> tuple[tuple[float, float], ...]:
    drawn = {"touchy": _touchy_response, "two-stage": _two_stage_response, "direct": _near_straight_response}
    return drawn.get(kind, _even_response)(u)


# ---------------------------------------------------------------- cars


def _draft(kind: str, r: np.random.Generator) -> ApartCar:
    """All that does not depend on the target; the rest is 1 for now."""
    u = r.uniform
    laggy = kind == "laggy"
    # An orifice on top of a touchy solenoid would need duty finer than controllers take it.
    hoses = {"direct": ["position"], "touchy": ["jet", "supply"]}.get(kind, ["orifice", "jet", "supply"])
    return ApartCar(
        kind=kind,
        plumbing=str(r.choice(hoses)),
        law=str(r.choice(["pi", "slewed", "none", "near"])),
        response=_response(kind, u),
        ambient=u(80, 102),
        turbine=1.0,
        back=u(55, 75) if kind == "droops" else u(22, 32) if kind == "free-flowing" else u(30, 45),
        choke=1e3,
        inertia=u(0.30, 0.45) if laggy else u(0.10, 0.22),
        fill=u(0.02, 0.05),
        gate_size=1.0,
        preload=1.0,
        stiffness=1.0,
        flap=u(0.45, 0.65) if kind == "droops" else u(0.03, 0.15),
        authority=1.0,
        rest=u(0.75, 0.9),
        play=u(0.003, 0.015),
        actuator=u(0.015, 0.04),
        solenoid=u(0.02, 0.06),
        gauge=u(0.02, 0.08),
        worth=u(0.03, 0.15),
        slew=u(30, 120),
        rearm=u(0.5, 0.85),
        noise=u(0.3, 1.5),
        drift=0.008,
        soak=u(0.0, 0.03),
        sweep=u(7.5, 12) if laggy else u(5, 12),
        bend=u(0.0, 0.25),
        end_rpm=u(7000, 7300),
        rate_hz=float(r.choice([10, 20, 25, 50, 100])),
    )


def _with_turbo(car: ApartCar, spool: tuple[float, float], end: tuple[float, float]) -> ApartCar:
    """Turbine and choke such that the ceiling passes through two points. (rpm, kPa gauge)"""

    def even(which: ApartCar, point: tuple[float, float]) -> tuple[float, float]:
        c = columns([which])
        flow, share, back_kpa = exhaust(c, np.array(point[0]), np.array(point[1]), np.array([0.0]))
        return float(flow[0]), float(head_of(c, share, back_kpa)[0])

    _, head = even(car, spool)
    car = replace(car, turbine=spool[1] / head)
    flow, head = even(car, end)
    spare = head / end[1] - 1.0
    return replace(car, choke=flow / spare ** (1.0 / 6.0)) if spare > 1e-3 else car


def _gate_at(car: ApartCar, rpm: float, boost: float) -> tuple[float, float]:
    """Gate size times area that holds a boost, and the back pressure then. [-], [kPa]"""
    c = columns([replace(car, gate_size=1.0)])
    sizes = np.concatenate([[0.0], np.geomspace(0.01, 20.0, 400)])
    flow = np.full(sizes.size, rpm / 6000.0 * (boost + car.ambient) / 100.0)
    share = 1.0 / (1.0 + sizes)
    back_kpa = car.back * (flow * share) ** 1.3
    left = head_of(c, share, back_kpa) * breath(c, flow)
    size = float(np.interp(-boost, -left, sizes))
    return size, float(np.interp(size, sizes, back_kpa))


def _with_gate(car: ApartCar, floor: float, travel: float, top: float, u: Draw, effect: float) -> ApartCar:
    """Gate, spring and solenoid: ``floor`` at no duty with the gate open by ``travel``, ``top`` at ``effect``. [kPa]"""
    size, back_kpa = _gate_at(car, MIDDLE_RPM, floor)
    travel = car.rest if car.plumbing == "position" else travel
    car = replace(car, gate_size=size / (travel * (1.5 - 0.5 * travel)))
    if car.plumbing == "position":
        return replace(car, preload=floor, stiffness=1.0, authority=u(0.20, 0.30))
    stiffness = floor * (u(0.18, 0.26) if car.kind == "droops" else u(0.30, 0.45))
    car = replace(car, stiffness=stiffness, preload=floor - stiffness * travel + car.flap * back_kpa)
    needed, back_kpa = _gate_at(car, MIDDLE_RPM, top)
    share = min(needed / car.gate_size, 1.0)
    wide = 1.5 - np.sqrt(1.5**2 - 2.0 * share)
    signal = car.preload + stiffness * wide - car.flap * back_kpa
    lift = max(top / signal - 1.0, 0.35)
    authority = {"orifice": np.sqrt(lift), "jet": lift, "supply": lift * signal / car.preload}[car.plumbing] / effect
    return replace(car, authority=float(authority))


@lru_cache(maxsize=4096)
def make(kind: str, seed: int) -> Seat[ApartCar]:
    """A car of a kind with a job that suits it."""
    r = np.random.default_rng([97, KINDS.index(kind), seed])
    u = r.uniform
    top = (u(18, 24) if kind == "soft spring" else u(10, 20)) * PSI
    car = _draft(kind, r)
    spool = u(3300, 3900) if kind == "laggy" else u(2600, 3300)
    end = float(r.choice([6500, 6600, 6800]))
    last = {"breathless": u(0.66, 0.78), "soft spring": u(1.2, 1.35)}.get(kind, u(1.35, 1.7))
    car = _with_turbo(car, (spool, 1.2 * top), (end, last * top))
    floor = {
        "soft spring": u(0.36, 0.45),
        "stiff spring": 1.0 + u(0.8, 1.4) * PSI / top,
        "creeps": u(0.5, 0.6),
        "direct": u(0.58, 0.68),
    }
    travel = {"creeps": u(0.75, 0.9), "free-flowing": u(0.3, 0.4)}.get(kind, u(0.4, 0.6))
    duty = u(38, 62)
    effect = u(0.4, 0.65) if kind == "touchy" else float(response_table(car.response)[int(20 * duty)])
    effect = float(np.clip(effect, 0.4, 0.75))
    car = _with_gate(car, floor.get(kind, u(0.5, 0.68)) * top, travel, top, u, effect)
    knobs = _knobs(kind, r)
    target = _target(car, top, spool, end, effect, knobs, r)
    spare = u(3.2 if kind == "stiff spring" else 2.5, 4.0) * PSI
    return Seat(f"{kind} {seed}", kind, car, target, float(target.boost_kpa.max() + spare), knobs)


def _knobs(kind: str, r: np.random.Generator) -> dict[str, Knob]:
    """Dials of a controller; some lack ramp, engagement or gain."""
    lacks = str(r.choice(["nothing", "ramp_add", "engagement", "gain"], p=[0.64, 0.12, 0.12, 0.12]))
    if lacks == "ramp_add" and kind in ("droops", "creeps", "direct"):
        lacks = "nothing"
    fine = 0.5 if kind in ("touchy", "two-stage") else 1.0
    knobs = {
        "duty": Knob("duty", 0, 100 if kind == "direct" else 95, fine, float(r.choice([20, 20, 20, 15, 25]))),
        "ramp_from": Knob("ramp_from", 3000, 6500, 100, 500),
        "ramp_to": Knob("ramp_to", 4500, 7200, 100, 500),
        "ramp_add": Knob("ramp_add", -40 if kind == "direct" else -30, 30, fine, float(r.choice([8, 10, 12]))),
        "engagement": Knob("engagement", 0.0, 25 * PSI, 0.5 * PSI, float(r.choice([2, 3, 4])) * PSI),
        "gain": Knob("gain", 0, 10, 1, float(r.choice([2, 3]))),
    }
    return without(knobs, lacks)


def _target(
    car: ApartCar,
    top: float,
    spool: float,
    end: float,
    effect: float,
    knobs: Mapping[str, Knob],
    r: np.random.Generator,
) -> Target:
    """Boost wanted: flat, falling, rising or stepped with a ramp, else along what one duty gives.

    Of a car that runs out of breath as much is asked at the top as before.
    """
    u = r.uniform
    pace = (car.end_rpm - START_RPM) * (1.0 + car.bend) / car.sweep
    late = 0.9 * pace * car.inertia + u(450, 750)
    late += 300.0 if knobs["engagement"].fixed else 0.0
    late += 200.0 if car.kind in ("soft spring", "direct") else 0.0
    start = float(np.round((spool + late) / 100.0) * 100.0)
    at = np.array([start - 1200, start, start + u(0.4, 0.6) * (end - start), end + 100])
    # Nobody asks a gate at a set place, under which boost rises with rpm, for less at the top.
    shapes = ["flat", "rising"] if car.kind == "direct" else ["flat", "falling", "rising", "stepped"]
    shape = str(r.choice(shapes))
    share = np.ones(4)
    if car.kind == "breathless":
        share[1] = u(0.94, 1.0)
    elif knobs["ramp_add"].fixed:
        at = np.append(at[0], np.linspace(start, end + 100, 6))
        held = settle(car, at[1:], np.array(effect))
        share = np.ones(at.size)
        share[1:] = np.clip(held / held.max(), 0.8, 1.0)
    elif shape == "falling":
        share[3] = u(0.90, 0.96)
    elif shape == "rising":
        share[1] = u(0.86, 0.93) if car.kind == "direct" else u(0.92, 0.96)
    elif shape == "stepped":
        step = u(0.93, 0.97)
        at = np.array([at[0], at[1], at[2] - 150, at[2] + 150, end + 100])
        share = np.array([1.0, 1.0, 1.0, step, step])
    share[0] = 0.5
    return Target(at, top * share, start, end)
