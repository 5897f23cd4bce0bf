"""What can be wrong on purpose: with gauge, log, car or tuner.

A scenario changes cars and logs; it never tells the method.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from models.curve import Target, Trace
from models.fleet import FleetCar
from models.settings import KNOB_NAMES, Knob, Settings
from tests.fleet.families.apart_drive import ApartCar
from tests.fleet.families.kept_car import KeptCar
from tests.fleet.families.other import OtherCar
from tests.fleet.families.seat import Seat
from tests.fleet.families.soaked_car import SoakedCar

SprungT = TypeVar("SprungT", ApartCar, KeptCar, SoakedCar)


@dataclass(frozen=True)
class Scenario:
    """One thing that is wrong.

    Attributes:
        name: What it is called on the command line.
        gauge: What the gauge reads over what is true. [-]
        rpm_off: Added to logged rpm. [rpm]
        rate_hz: Log rate, 0 for the car's own. [Hz]
        changes_after: Last pull before the car changes; 0 for never.
        leak: Share of the turbo's flow that leaks after the change. [-]
        spring: Relative change of the spring after the change, up or down by chance of the car. [-]
        own_mind: Every how many pulls the tuner enters something else; 0 for never.
        aborts: Every how many pulls the driver lifts early; 0 for never.
    """

    name: str
    gauge: float = 1.0
    rpm_off: float = 0.0
    rate_hz: float = 0.0
    changes_after: int = 0
    leak: float = 0.0
    spring: float = 0.0
    own_mind: int = 0
    aborts: int = 0

    def changed(self, number: int) -> bool:
        return 0 < self.changes_after < number

    def _spring(self, seed: int) -> float:
        up = bool(np.random.default_rng([41, seed]).integers(2))
        return 1.0 + self.spring if up else 1.0 - self.spring

    def own(self, seat: FleetCar, seed: int, number: int) -> FleetCar:
        """The project's virtual car as it is at a pull."""
        car = seat.car
        if self.rate_hz:
            car = replace(car, gauge=replace(car.gauge, rate_hz=self.rate_hz))
        if self.changed(number):
            gate, turbo = car.gate, car.turbo
            factor = self._spring(seed)
            gate = replace(gate, crack_kpa=gate.crack_kpa * factor, rate_kpa=gate.rate_kpa * factor)
            # Air that leaks has been compressed for nothing: less is left for the same work of the turbine.
            turbo = replace(turbo, compressor_efficiency=turbo.compressor_efficiency * (1.0 - self.leak))
            car = replace(car, gate=gate, turbo=turbo)
        return replace(seat, car=car)

    def other(self, seat: Seat[OtherCar], seed: int, number: int) -> Seat[OtherCar]:
        """The car on other equations as it is at a pull."""
        car = seat.car
        if self.rate_hz:
            car = replace(car, rate_hz=self.rate_hz)
        if self.changed(number):
            car = replace(
                car,
                spring=car.spring * self._spring(seed),
                ceiling=car.ceiling * (1.0 - self.leak),
                spool_rpm=car.spool_rpm + 1500.0 * self.leak,
            )
        return replace(seat, car=car)

    def sprung(self, seat: Seat[SprungT], seed: int, number: int) -> Seat[SprungT]:
        """A car with a spring's preload and stiffness, and a leak, as it is at a pull."""
        car = seat.car
        if self.rate_hz:
            car = replace(car, rate_hz=self.rate_hz)
        if self.changed(number):
            factor = self._spring(seed)
            car = replace(car, preload=car.preload * factor, stiffness=car.stiffness * factor, leak=self.leak)
        return replace(seat, car=car)

    def logged(self, trace: Trace) -> Trace:
        """The log as this gauge and this rpm signal write it."""
        if self.gauge == 1.0 and self.rpm_off == 0.0:
            return trace
        return Trace(trace.time_s, trace.rpm + self.rpm_off, trace.boost_kpa * self.gauge, trace.duty_pct)

    def ends_rpm(self, target: Target, seed: int, number: int) -> float | None:
        """Where the driver lifts; None where the pull is driven to its end. [rpm]"""
        if not self.aborts or number % self.aborts:
            return None
        share = float(np.random.default_rng([43, seed, number]).uniform(0.35, 0.8))
        return target.judge_from + share * (target.judge_to - target.judge_from)

    def dialled(self, proposed: Settings, knobs: dict[str, Knob], seed: int, number: int) -> Settings:
        """What the tuner enters: what was proposed, or something near and, if anything, lower."""
        if not self.own_mind or number < 2 or number % self.own_mind:
            return proposed
        random = np.random.default_rng([47, seed, number])
        values = proposed.as_dict()
        for name in KNOB_NAMES:
            knob = knobs[name]
            if knob.fixed or random.random() < 0.4:
                continue
            share = (
                random.uniform(-0.5, 0.1) if name in ("duty", "ramp_add", "engagement") else random.uniform(-0.5, 0.5)
            )
            values[name] = float(knob.value(knob.index(values[name] + share * knob.step)))
        if values["ramp_from"] >= values["ramp_to"]:
            return proposed
        return Settings(**values)


PLAIN = Scenario("plain")
SCENARIOS = {
    s.name: s
    for s in (
        PLAIN,
        Scenario("gauge 3 % high", gauge=1.03),
        Scenario("rpm off by 150", rpm_off=150.0),
        Scenario("logs at 10 Hz", rate_hz=10.0),
        Scenario("boost leak after pull 3", changes_after=3, leak=0.12),
        Scenario("other settings", own_mind=3),
        Scenario("spring changed after pull 3", changes_after=3, spring=0.10),
        Scenario("aborted pulls", aborts=3),
    )
}
