"""How a car of the family ``soaked`` moves: power balance of the shaft, a flap that sticks, five ways to feed back.

The can is fed through solenoid and hose, each with a lag. Boost is kPa gauge, other pressures kPa absolute.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Final

import numpy as np

from models.settings import Settings
from models.units import FloatArray
from tests.fleet.families.seat import Dials, Seat, Sweep
from tests.fleet.families.soaked_car import CP_AIR, FLOW_REF, FUEL, K_AIR, PSI, TIP_REF, SoakedCar, columns
from tests.fleet.families.soaked_gas import (
    air_flow,
    bled,
    breathing,
    compressor_w,
    exhaust_k,
    full_of,
    gate_nozzle,
    heating,
    lift_of,
    turbine,
)

#: Step of time. [s]
DT: Final = 0.01
#: No pull takes longer, but for a sweep slower than any that is drawn. [s]
LONGEST_S: Final = 14.0
#: Distance of a target's points in a controller's table. [rpm]
TABLE_RPM: Final = 25.0
#: Time over which the turbine's power wanders. [s]
GUST_S: Final = 0.25


@dataclass(frozen=True)
class Day:
    """What is otherwise at this pull than at the car's first one.

    Attributes:
        spring, bleed: Factors on springs and solenoids. Shapes (n,), [-]
        heat: What the air is warmer by. Shape (n,), [K]
        gusts: Chance of the turbine's power, each step a standard normal. Shape (steps, n)
    """

    spring: FloatArray
    bleed: FloatArray
    heat: FloatArray
    gusts: FloatArray


def steps_of(car: SoakedCar) -> int:
    """Most steps that a pull of a car takes."""
    return int(np.ceil(max(LONGEST_S, car.hold_s + 1.25 * (car.rpm_end - car.rpm_start) / car.sweep) / DT))


def _toward(seconds: FloatArray) -> FloatArray:
    """Share of the way that a lag goes in one step. Shape (n,), [-]"""
    return np.asarray(1.0 - np.exp(-DT / np.maximum(seconds, 1e-3)))


class Controllers(Dials):
    """Controllers of n cars: gate shut to the engagement pressure, then duty with its ramp and feedback."""

    def __init__(
        self, c: SimpleNamespace, seats: Sequence[Seat[SoakedCar]], settings: Sequence[Settings], steps: int
    ) -> None:
        super().__init__(settings)
        count = len(seats)
        grid = np.arange(0.0, 10000.0 + TABLE_RPM, TABLE_RPM)
        known = {id(seat.target): seat.target.at(grid) for seat in {id(s.target): s for s in seats}.values()}
        self.table = np.stack([known[id(seat.target)] for seat in seats])
        self.c, self.rows = c, np.arange(count)
        self.strength = 10.0 * self.gain / c.gain_top * c.k_law
        self.period = np.maximum(np.rint(c.tick_s / DT).astype(int), 1)
        self.late = np.rint(c.dead_s / DT).astype(int)
        self.sensor_in = _toward(c.sensor_s)
        self.history = np.zeros((steps, count))
        self.sensed, self.seen, self.rate = np.zeros(count), np.zeros(count), np.zeros(count)
        self.integral, self.error, self.learnt = np.zeros(count), np.zeros(count), np.zeros(count)
        self.held = np.where(self.shut, 100.0, 0.0)

    def _wanted(self, rpm: FloatArray) -> FloatArray:
        """The target at an rpm. Shape (n,), [kPa gauge]"""
        place = np.minimum(rpm / TABLE_RPM, self.table.shape[1] - 2.0)
        index = place.astype(int)
        part = place - index
        return np.asarray(self.table[self.rows, index] * (1.0 - part) + self.table[self.rows, index + 1] * part)

    def _sense(self, step: int, boost: FloatArray) -> None:
        """What the sensor shows, late, and how quickly that changes."""
        self.sensed = self.sensed + self.sensor_in * (boost - self.sensed)
        self.history[step] = self.sensed
        seen = self.history[np.maximum(step - self.late, 0), self.rows]
        self.rate = self.rate + 0.25 * ((seen - self.seen) / DT - self.rate)
        self.seen = seen

    def tick(self, step: int, rpm: FloatArray, boost: FloatArray) -> FloatArray:
        """Duty at a step. Shape (n,), [%]"""
        c, strength = self.c, self.strength
        self._sense(step, boost)
        wanted = self._wanted(rpm)
        error = (wanted - self.seen) / PSI
        self.engage(self.seen, c.rearm)
        live = ~self.shut & (self.seen > 0.75 * wanted)
        more = self.integral + strength * c.i_rate * error * DT
        self.integral = np.where(live, np.clip(more, -c.trim, c.trim), 0.0)
        self.error = self.error + np.clip(error - self.error, -c.slew * DT, c.slew * DT)
        near = np.maximum(1.0 - (error / c.window) ** 2, 0.0)
        taught = np.where(live, np.clip(0.96 * self.learnt + 0.4 * strength * error, -c.trim, c.trim), 0.0)
        self.learnt = np.where(step % self.period == 0, taught, self.learnt)
        ways = (
            strength * error,
            0.6 * strength * error * live + self.integral,
            strength * self.error * near,
            self.learnt,
            strength * (error - 0.12 * self.rate / PSI) * (error < 6.0),
        )
        fed = np.clip(np.choose(c.law, ways), -c.trim, c.trim)
        self.held = np.where(self.shut, 100.0, np.maximum(self.held - c.hand_rate * DT, 0.0))
        return np.asarray(np.clip(np.maximum(self.base(rpm) + fed, self.held), 0.0, 100.0))


class Gates:
    """Solenoid, hose, can and flap of n cars."""

    def __init__(self, c: SimpleNamespace, day: Day, duty: FloatArray) -> None:
        self.c, self.day = c, day
        self.preload, self.stiffness = c.preload * day.spring, c.stiffness * day.spring
        self.flap_in, self.solenoid_in = _toward(c.flap_s), _toward(c.sol_s)
        self.hose_up, self.hose_down = _toward(c.hose_s), _toward(c.hose_s * c.vent)
        self.solenoid = bled(c, duty) * day.bleed
        self.can, self.held, self.lift = np.zeros(duty.size), np.zeros(duty.size), np.zeros(duty.size)

    def feed(self, duty: FloatArray, shut: FloatArray, tap: FloatArray) -> None:
        """Fills the can from where the hose is at ``tap``, in kPa gauge; a gate held shut gets nothing."""
        aim = np.where(shut, 1.0, bled(self.c, duty) * self.day.bleed)
        self.solenoid = self.solenoid + self.solenoid_in * (aim - self.solenoid)
        taken = np.clip(self.solenoid * (1.0 + self.c.bleed_lean * (tap - 100.0) / 100.0), 0.0, 0.99)
        fed = np.maximum(tap, 0.0) * (1.0 - taken)
        self.can = self.can + np.where(fed > self.can, self.hose_up, self.hose_down) * (fed - self.can)

    def move(self, across: FloatArray) -> FloatArray:
        """Nozzle of the gate after a step with this pressure across the flap in kPa. Shape (n,), [as ``k_gate``]"""
        pressing = self.can + self.c.push * across - self.preload
        self.held = np.clip(self.held, pressing - self.c.stick, pressing + self.c.stick)
        self.lift = self.lift + self.flap_in * (np.clip(self.held / self.stiffness, 0.0, 1.0) - self.lift)
        return gate_nozzle(self.c, self.lift)


def drive(seats: Sequence[Seat[SoakedCar]], settings: Sequence[Settings], day: Day) -> list[Sweep]:
    """One pull of each car, all at once; each regulates to its own target.

    Args:
        seats, settings: What is driven, with what. Length n
        day: What is otherwise today; its gusts reach to the longest of ``steps_of``.
    """
    c, count, most = columns([seat.car for seat in seats]), len(seats), day.gusts.shape[0]
    controllers = Controllers(c, seats, settings, most)
    gates = Gates(c, day, controllers.duty)
    baro, air_k = c.baro, c.air_k + day.heat
    hold = np.rint(c.hold_s / DT).astype(int)
    gust_keep = np.exp(-DT / GUST_S)
    gust_scale = c.wander * np.sqrt(1.0 - gust_keep**2)
    fill, gauge_in = _toward(c.fill_s), _toward(c.gauge_s)
    rpm, tip2 = c.rpm_start.copy(), np.full(count, 0.16 * TIP_REF**2)
    outlet, manifold, before, charge = baro.copy(), baro.copy(), baro * 1.05, air_k + 8.0
    gust, gauge = np.zeros(count), np.zeros(count)
    end = np.array([steps_of(seat.car) - 1 for seat in seats])
    track = np.empty((3, most, count))
    for step in range(most):
        boost = manifold - baro
        gauge = gauge + gauge_in * (boost - gauge)
        track[0, step], track[1, step], track[2, step] = rpm, boost, gauge
        end = np.where((rpm >= c.rpm_end) & (step < end), step, end)
        if step % 25 == 0 and np.all(end < step):
            break
        gust = gust_keep * gust + gust_scale * day.gusts[step]
        duty = controllers.tick(step, rpm, boost)
        gates.feed(duty, controllers.shut, np.where(c.at_manifold > 0.5, manifold, outlet) - baro)
        # Engine, and what it sends through turbine and gate.
        ve = breathing(c, rpm, before, manifold)
        flow = air_flow(c, ve, rpm, manifold, charge)
        behind = baro + c.pipe_kpa * (flow / FLOW_REF) ** 2
        nozzle = gates.move(before - behind)
        before, made = turbine(c, FUEL * flow, exhaust_k(c, rpm, boost), behind, nozzle, gust)
        # Compressor, whose flow is more than the engine's where some leaks.
        flow = flow / (1.0 - c.leak)
        heavy = flow / FLOW_REF
        inlet, tip = baro - c.intake_drop * heavy**2, np.sqrt(tip2)
        full = full_of(c, flow, air_k, inlet, tip)
        lift = lift_of(c, full, tip2)
        ratio = np.maximum(1.0 + lift / (CP_AIR * air_k), 0.5) ** (1.0 / K_AIR)
        rise = heating(c, full, tip2, air_k, outlet / inlet)
        used = compressor_w(flow, rise, tip, tip2)
        tip2 = np.clip(tip2 + DT * (made - used) / c.inertia, 0.05 * TIP_REF**2, 4.0 * TIP_REF**2)
        # Implicit in the steep slope near choke; where it comes to rest is the same.
        steep = inlet * ratio / (K_AIR * (CP_AIR * air_k + np.maximum(lift, 0.0)))
        steep = steep * c.head * tip2 * c.stall * np.minimum(full, 1.1) ** c.stall / outlet
        outlet = outlet + fill * (np.maximum(inlet * ratio, 0.85 * inlet) - outlet) / (1.0 + fill * steep)
        manifold = outlet - c.cooler_drop * heavy**2 * 200.0 / np.maximum(outlet, 80.0)
        charge = charge + 0.02 * (air_k + 6.0 + (1.0 - c.cool) * rise - charge)
        pace = c.sweep * (1.0 - c.sweep_load + c.sweep_load * ve / 0.9 * manifold / 200.0)
        rpm = np.where(step >= hold, np.minimum(rpm + DT * pace, c.rpm_end), rpm)
    spans = zip(hold.tolist(), (end + 1).tolist(), strict=True)
    return [Sweep(*(track[row, a:b, i].copy() for row in range(3))) for i, (a, b) in enumerate(spans)]
