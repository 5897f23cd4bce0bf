"""Cars on other equations than the project's own virtual car: a second opinion for the bench.

No gas flow and no turbine here: boost runs after what the turbo could hold at this rpm and gate opening, with a time
constant; the gate opens in a straight line over a width of pressure. Three ways in which duty lifts the pressure at
which it opens (gate balance, straight addition, a curved table), four laws of feedback. All constants invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.curve import Target
from models.settings import Knob, Settings
from tests.fleet.families.seat import PSI, Run, Seat, between, logged, numbers_of

DT = 0.004
LAWS = ("proportional", "integral", "late table", "rate")


@dataclass(frozen=True)
class OtherCar:
    """Constants of one car. Pressures in kPa gauge, times in s."""

    kind: str
    lift: str
    law: str
    spring: float
    spring_slope: float
    spring_bow: float
    width: float
    dead_low: float
    full_at: float
    most: float
    curve: float
    ceiling: float
    spool_rpm: float
    spool_width: float
    breath_rpm: float
    breath: float
    gate_power: float
    tau: float
    solenoid_lag: float
    gauge_lag: float
    dead_time: float
    gain_worth: float
    noise: float
    drift: float
    soak: float
    sweep: float
    rate_hz: float
    ambient: float


def simulate(
    seats: Sequence[Seat[OtherCar]],
    settings: Sequence[Settings],
    seeds: Sequence[int],
    numbers: Sequence[int],
    *,
    repeatable: bool = False,
) -> list[Run]:
    """One pull of each car, all at once. ``repeatable`` leaves out drift, soak and noise."""
    cars = [seat.car for seat in seats]
    n = len(cars)
    randoms = [np.random.default_rng([7, seed, number]) for seed, number in zip(seeds, numbers, strict=True)]
    c = numbers_of(cars, ("kind", "lift", "law"))
    shift = np.array([r.standard_normal(3) for r in randoms])
    order = np.asarray(numbers, dtype=float) - 1.0
    if repeatable:
        shift[:], order[:] = 0.0, 0.0
    spring = c["spring"] * (1.0 + c["drift"] * shift[:, 0])
    ceiling = c["ceiling"] * (1.0 - c["soak"] * (1.0 - np.exp(-order / 4.0))) * (1.0 + 0.5 * c["drift"] * shift[:, 1])
    knobs = np.array([s.as_array() for s in settings])
    duration = (7200.0 - 1900.0) / c["sweep"]
    steps = int(np.ceil(duration.max() / DT))
    balance = np.array([car.lift == "balance" for car in cars])
    added = np.array([car.lift == "added" for car in cars])
    is_law = {law: np.array([car.law == law for car in cars]) for law in LAWS}
    boost, gauge, sol = np.full(n, 2.0), np.full(n, 2.0), np.zeros(n)
    integral, table, previous = np.zeros(n), np.zeros(n), np.full(n, 2.0)
    delay = np.maximum((c["dead_time"] / DT).astype(int), 1)
    history = np.zeros((n, int(delay.max()) + 1))
    all_boost, all_gauge = np.empty((steps, n)), np.empty((steps, n))
    grids = [seat.target for seat in seats]
    table_rpm = np.arange(1900.0, 7300.0, 25.0)
    wanted_table = np.array([t.at(table_rpm) for t in grids])
    rows = np.arange(n)
    judged_top = np.array([t.boost_kpa.max() for t in grids])
    for k in range(steps):
        rpm = np.minimum(1900.0 + c["sweep"] * k * DT, 7200.0)
        cell = np.minimum(((rpm - 1900.0) / 25.0).astype(int), table_rpm.size - 1)
        wanted = wanted_table[rows, cell]
        travel = np.clip((rpm - knobs[:, 1]) / np.maximum(knobs[:, 2] - knobs[:, 1], 1.0), 0.0, 1.0)
        base = knobs[:, 0] + knobs[:, 3] * travel
        error = wanted - gauge
        shut = gauge < knobs[:, 4]
        near = (~shut) & (gauge > 0.7 * wanted)
        strength = knobs[:, 5] * c["gain_worth"]
        integral = np.clip(integral + np.where(near, strength * error * 2.0 * DT, 0.0), -25, 25)
        if k % 25 == 0:
            table = np.clip(table + np.where(near, strength * error * 0.25, 0.0), -25, 25)
        fed = np.where(is_law["proportional"], strength * error, 0.0)
        fed += np.where(is_law["integral"], 0.4 * strength * error + integral, 0.0)
        fed += np.where(is_law["late table"], table, 0.0)
        fed += np.where(is_law["rate"], strength * (error - 0.12 * (gauge - previous) / DT), 0.0)
        previous = gauge
        command = np.where(shut, 100.0, np.clip(base + np.where(near, np.clip(fed, -30, 30), 0.0), 0, 100))
        command = np.where((knobs[:, 0] <= 0) & (knobs[:, 5] <= 0) & (knobs[:, 4] <= 0) & (base <= 0), 0.0, command)
        history[:, k % history.shape[1]] = command
        late = history[rows, (k - delay) % history.shape[1]] if k >= history.shape[1] else command
        sol += (late - sol) * DT / c["solenoid_lag"]
        reach = np.clip((sol - c["dead_low"]) / (c["full_at"] - c["dead_low"]), 0.0, 1.0) ** c["curve"]
        share = c["most"] * reach
        x = (rpm - 4500.0) / 2500.0
        own = spring * (1.0 + c["spring_slope"] * x + c["spring_bow"] * x**2)
        opens = np.where(
            balance,
            own / (1.0 - share),
            np.where(added, own + share * 1.6 * judged_top, own * (1.0 + 2.2 * share**1.4)),
        )
        gate = np.clip((boost - opens) / (c["width"] * opens), 0.0, 1.0)
        spool = 1.0 / (1.0 + np.exp(-(rpm - c["spool_rpm"]) / c["spool_width"]))
        breath = 1.0 - c["breath"] * np.clip((rpm - c["breath_rpm"]) / 2000.0, 0.0, None) ** 1.5
        possible = ceiling * spool * breath
        open_share = 1.0 - (1.0 - c["gate_power"]) * gate
        holds = possible * open_share
        tau = c["tau"] * (3500.0 / rpm) ** 1.2
        boost = boost + (holds - boost) * DT / tau
        gauge = gauge + (boost - gauge) * DT / c["gauge_lag"]
        all_boost[k], all_gauge[k] = boost, gauge
    runs = []
    for i, car in enumerate(cars):
        last = int(duration[i] / DT)
        t = np.arange(last, dtype=float) * DT
        rpm = np.minimum(1900.0 + car.sweep * t, 7200.0)
        random = None if repeatable else randoms[i]
        trace = logged(car, t, between(t, rpm), all_gauge[:last, i], random, rpm_noise=8.0)
        runs.append(Run(trace, rpm, all_boost[:last, i].copy()))
    return runs


KINDS = ("free", "droops", "laggy", "creeps", "soft", "touchy", "breathless", "stiff")


def make(kind: str, seed: int) -> Seat[OtherCar]:
    """A car of a kind with a job that suits it."""
    r = np.random.default_rng([11, KINDS.index(kind), seed])
    u = r.uniform
    top = u(12.5, 19.0) * PSI
    spool = u(2700, 3500) + (700 if kind == "laggy" else 0)
    car = OtherCar(
        kind=kind,
        lift=str(r.choice(["balance", "added", "table"])),
        law=str(r.choice(LAWS)),
        spring=top * u(0.5, 0.68),
        spring_slope=u(-0.05, 0.05),
        spring_bow=u(-0.04, 0.02),
        width=u(0.10, 0.22),
        dead_low=u(3, 14),
        full_at=u(72, 96),
        most=u(0.55, 0.75),
        curve=u(0.9, 1.5),
        ceiling=top * u(1.5, 2.0),
        spool_rpm=spool,
        spool_width=u(260, 420),
        breath_rpm=u(5600, 6500),
        breath=u(0.02, 0.1),
        gate_power=u(0.12, 0.25),
        tau=u(0.10, 0.22),
        solenoid_lag=u(0.03, 0.09),
        gauge_lag=u(0.015, 0.06),
        dead_time=u(0.01, 0.05),
        gain_worth=u(0.04, 0.25),
        noise=u(0.3, 1.5),
        drift=0.008,
        soak=u(0.0, 0.03),
        sweep=u(420, 800),
        rate_hz=float(r.choice([10, 20, 25, 50, 100])),
        ambient=u(84, 102),
    )
    if kind == "droops":
        car = replace(car, spring_slope=u(-0.16, -0.10))
    elif kind == "laggy":
        car = replace(car, tau=u(0.25, 0.35), spool_width=u(380, 480))
    elif kind == "creeps":
        car = replace(car, spring_slope=u(0.03, 0.10), gate_power=u(0.30, 0.42))
    elif kind == "soft":
        car = replace(car, spring=top * u(0.36, 0.45), most=u(0.72, 0.8))
    elif kind == "touchy":
        car = replace(car, dead_low=u(8, 20), full_at=u(45, 60), most=u(0.65, 0.8))
    elif kind == "breathless":
        car = replace(car, breath_rpm=u(4900, 5400), breath=u(0.35, 0.6), ceiling=top * u(1.15, 1.3))
    elif kind == "stiff":
        car = replace(car, spring=top * u(1.06, 1.15))
    start = np.round((spool + u(650, 950)) / 100) * 100
    end = float(r.choice([6500, 6700, 6900]))
    shape = str(r.choice(["flat", "falling", "rising", "stepped"]))
    last = {"flat": 1.0, "falling": 0.93, "rising": 1.0, "stepped": 0.95}[shape]
    first = 0.94 if shape == "rising" else 1.0
    rpm = [start - 1300, start, start + 0.55 * (end - start), end + 100]
    middle = {"flat": 1.0, "falling": 1.0, "rising": 1.0, "stepped": 0.95}[shape]
    target = Target(np.array(rpm), top * np.array([0.5, first, middle, last]), float(start), end)
    knobs = {
        "duty": Knob("duty", 0, 90, 1, 20),
        "ramp_from": Knob("ramp_from", 3000, 6000, 100, 500),
        "ramp_to": Knob("ramp_to", 5000, 7200, 100, 500),
        "ramp_add": Knob("ramp_add", -20 if kind == "creeps" else 0, 30, 1, 10),
        "engagement": Knob("engagement", 0.0, 40 * 0.5 * PSI, 0.5 * PSI, 3 * PSI),
        "gain": Knob("gain", 0, 10, 1, 3),
    }
    return Seat(f"{kind} {seed}", kind, car, target, float(top + 3 * PSI), knobs)
