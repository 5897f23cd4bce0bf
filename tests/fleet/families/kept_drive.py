"""How a car of the family ``kept`` moves: power balance of the shaft, hoses that fill, a gate that sticks.

Tip speed follows from what turbine and compressor leave each other (``kept_gas``). The can is a chamber that fills and
empties through the solenoid. The sweep runs as quickly as the engine pulls.
"""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace

import numpy as np

from models.settings import Settings
from models.units import FloatArray
from tests.fleet.families.kept_car import CELLS, KeptCar, columns, table_of
from tests.fleet.families.kept_gas import air_flow, compressor, exhaust, turbine_kw
from tests.fleet.families.seat import Dials, Seat, Sweep

DT = 0.005
#: Steps between two decisions of a controller.
TICK = 4
START_RPM = 1900.0
#: Points of duty that feedback may add or take.
AUTHORITY = 30.0
#: Drop under which a small orifice flows in proportion and not by the root. [kPa]
SMOOTH_KPA = 0.4


class Controllers(Dials):
    """Controllers of n cars: gate shut to the engagement pressure, then duty with its ramp and feedback."""

    def __init__(self, c: SimpleNamespace, settings: Sequence[Settings]) -> None:
        super().__init__(settings)
        self.c = c
        self.strength = self.gain * c.worth
        self.learnt = np.zeros(self.gain.size)
        self.hold = self.shut.astype(float)

    def tick(self, rpm: FloatArray, seen: FloatArray, wanted: FloatArray) -> FloatArray:
        """Duty from now to the next decision. Shape (n,), [%]"""
        c, period = self.c, TICK * DT
        self.engage(seen, c.rearm)
        self.hold = np.where(self.shut, 1.0, np.maximum(self.hold - period / np.maximum(c.fade, period), 0.0))
        error = wanted - seen
        error = error - np.clip(error, -c.quiet, c.quiet)
        awake = ~self.shut & (error < 0.25 * wanted)
        self.learnt = np.where(awake, self.learnt + c.memory * period * self.strength * error, 0.0)
        self.learnt = np.clip(self.learnt, -0.6 * AUTHORITY, 0.6 * AUTHORITY)
        fed = np.clip(self.strength * error + self.learnt, -AUTHORITY, AUTHORITY)
        duty = np.clip(self.base(rpm) + fed, 0.0, 100.0)
        return np.asarray(duty + (100.0 - duty) * self.hold)


# ---------------------------------------------------------------- the pull


def _orifice(drop: FloatArray) -> FloatArray:
    flow: FloatArray = drop / np.sqrt(np.abs(drop) + SMOOTH_KPA)
    return flow


def sweep(
    cars: Sequence[KeptCar],
    settings: Sequence[Settings],
    wanted: FloatArray,
    spring: FloatArray,
    warmth: FloatArray,
) -> list[Sweep]:
    """All pulls at once.

    Args:
        cars, settings: What is driven, with what. Length n
        wanted: Target of each car, one value each 25 rpm from ``START_RPM``. Shape (n, w), [kPa gauge]
        spring: Factor on each spring. Shape (n,)
        warmth: How far each car is on its way to hot. Shape (n,), 0 to 1
    """
    c = columns(cars)
    spring = spring * (1.0 - c.soften * warmth)
    c.preload, c.stiffness, c.charge_k = c.preload * spring, c.stiffness * spring, c.charge_k + c.soak_k * warmth
    count = len(cars)
    rows = np.arange(count)
    tables = np.array([table_of(car) for car in cars])
    controllers = Controllers(c, settings)
    swung = c.gate / np.tanh(c.swing)
    lag_sensor, lag_gauge, lag_gate = (1.0 - np.exp(-DT / np.maximum(x, 1e-4)) for x in (c.sensor, c.gauge, c.actuator))
    late = np.maximum(np.rint(c.delay / DT).astype(int), 0)
    line = np.zeros((int(late.max()) + 1, count))
    pace = (c.end_rpm - START_RPM) / c.sweep * DT
    boost, outlet, seen, gauge, can = (np.full(count, v) for v in (0.0, 0.0, 0.0, 0.0, 0.0))
    lift, tip, rpm, held = np.zeros(count), np.full(count, 0.75), np.full(count, START_RPM), np.zeros(count)
    duty = np.zeros(count)
    air = air_flow(c, rpm, boost)
    most = int(4.0 * c.sweep.max() / DT)
    track = np.empty((3, most, count))
    k = 0
    while k < most:
        track[0, k], track[1, k], track[2, k] = rpm, boost, gauge
        k += 1
        if k % TICK == 1:
            cell = np.minimum((rpm - START_RPM) / 25.0, wanted.shape[1] - 1).astype(int)
            duty = controllers.tick(rpm, seen, wanted[rows, cell])
            if (rpm >= c.end_rpm).all():
                break
        line[k % len(line)] = duty
        asked = line[(k - late) % len(line), rows]
        held = np.maximum(np.minimum(held, asked + c.slack), asked - c.slack)
        share = tables[rows, (np.minimum(np.maximum(held, 0.0), 100.0) * (CELLS / 100.0) + 0.5).astype(int)]
        # The can fills from the hose and empties through the vent.
        hose = np.maximum(boost + c.port * (outlet - boost), 0.0)
        into = np.where(c.is_swap, 1.0 - share, np.where(c.is_bleed, 1.0, share))
        out = c.vent * np.where(c.is_two_sided, 1.0 - share, share)
        stiff = into / np.sqrt(np.abs(hose - can) + SMOOTH_KPA) + out / np.sqrt(can + SMOOTH_KPA)
        can = can + DT * c.can * (into * _orifice(hose - can) - out * _orifice(can)) / (1.0 + DT * c.can * stiff)
        can = np.maximum(can, 0.0)
        # Gate: what is left of the force after friction moves it.
        gas, hot_k, before, behind = exhaust(c, rpm, air, swung * np.tanh(c.swing * lift))
        signal = np.where(c.is_two_sided, hose - c.rod * can, can)
        pull = (signal + c.flap * (before - behind) - c.preload) / c.stiffness - lift
        pull = pull - np.minimum(np.maximum(pull, -c.stick), c.stick)
        lift = np.minimum(np.maximum(lift + lag_gate * pull, 0.0), 1.0)
        # Shaft, pipes, engine.
        air_c = air / (1.0 - c.leak)
        rise, used, full = compressor(c, tip, air_c)
        spare = turbine_kw(c, gas, hot_k, before, behind, tip) - used
        tip = np.maximum(tip + DT * 0.1 * spare / (c.mass * tip), 0.4)
        warm = 1.0 + rise
        goal = c.ambient * (warm * warm * warm * np.sqrt(warm) - 1.0)
        square = full * full
        steep = 14.0 * np.maximum(rise, 0.02) * square * square / np.maximum(1.05 - square * square, 0.05)
        share_in = DT / c.fill
        outlet = outlet + share_in * (goal - outlet) / (1.0 + share_in * (1.0 + steep))
        boost = outlet - c.cooler * air_c * air_c
        air = air_flow(c, rpm, boost)
        seen = seen + lag_sensor * (boost - seen)
        gauge = gauge + lag_gauge * (boost - gauge)
        rate = 1.0 - c.loaded + c.loaded * air / (rpm * c.torque)
        rpm = rpm + pace * np.maximum(rate, 0.15)
    last = [int(np.argmax(track[0, :k, i] >= car.end_rpm)) or k - 1 for i, car in enumerate(cars)]
    return [Sweep(*(track[row, : end + 1, i].copy() for row in range(3))) for i, end in enumerate(last)]


def drive(
    seats: Sequence[Seat[KeptCar]], settings: Sequence[Settings], spring: FloatArray, warmth: FloatArray
) -> list[Sweep]:
    """``sweep`` for jobs: each car regulates to its own target."""
    grid = np.arange(START_RPM, 7800.0, 25.0)
    known: dict[int, FloatArray] = {}
    for seat in seats:
        if id(seat) not in known:
            known[id(seat)] = seat.target.at(grid)
    return sweep([s.car for s in seats], settings, np.array([known[id(s)] for s in seats]), spring, warmth)
