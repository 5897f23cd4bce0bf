"""How a car of the family ``apart`` moves: shaft, boost, gate, solenoid and controller, on equations of its own.

Two states make boost: ``head``, what the shaft's speed is worth in boost (it rises with the turbine's surplus of work),
and boost itself, which fills up to the head less what a wheel out of breath loses. The gate is a balance of forces with
backlash and lag, the exhaust helps to push it open, and the solenoid's response is any rising curve. Flow is counted in
units of the engine's own at 6000 rpm and 100 kPa. All constants are invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from types import SimpleNamespace

import numpy as np
from scipy.interpolate import PchipInterpolator

from models.settings import Settings
from models.units import FloatArray
from tests.fleet.families.seat import PSI, Dials, numbers_of

DT = 0.004
#: Steps between two decisions of a controller.
TICK = 5
START_RPM = 2000.0
#: Hose from a bleed with sharp edges; the same with a long thin jet; a regulated supply against the spring; direct.
PLUMBING = ("orifice", "jet", "supply", "position")
#: Feedback: PI with anti-windup; proportional with a slew limit; none whatever the gain; only within 2 psi of target.
LAWS = ("pi", "slewed", "none", "near")
WINDOW_KPA = 2.0 * PSI
AUTHORITY = 25.0
_CELLS = 2000


@dataclass(frozen=True)
class ApartCar:
    """Constants of one car.

    Attributes:
        kind, plumbing, law: What it is, one of ``PLUMBING``, one of ``LAWS``.
        response: Duty [%] and effect [-, 0 to 1] of the solenoid at the knots of its rising curve.
        ambient: Air outside. [kPa absolute]
        turbine: Head that all of the exhaust's heat would be worth. [kPa]
        back: Exhaust back pressure at unit flow. [kPa]
        choke: Flow at which the compressor gives half. [-]
        inertia: Of the shaft, at unit flow. [s]
        fill: Of the pipes, at 6000 rpm. [s]
        gate_size: Wide open gate over turbine. [-]
        preload, stiffness: Boost at which the spring gives way, and more of it to open wide. [kPa]
        flap: Share of back pressure that pushes the gate open. [-]
        authority: Strength of the solenoid, in the unit that its plumbing needs. [-]
        rest: Opening at which a direct actuator stands at no duty. [-]
        play, actuator: Backlash [-, of opening] and lag [s] of the gate.
        solenoid, gauge: Lags. [s]
        worth: Duty for a kPa and a unit of gain. [%/kPa]
        slew: Of the slewed law. [%/s]
        rearm: Share of engagement under which the gate is held shut again. [-]
        noise, drift, soak: Gauge noise [kPa], spring from pull to pull [-], turbine when all is hot [-].
        sweep, bend, end_rpm: Length of a pull [s], how much quicker rpm rises at first [-], its end [rpm].
        rate_hz: Of the log. [Hz]
        leak: Share of the compressor's flow that is lost. [-]
    """

    kind: str
    plumbing: str
    law: str
    response: tuple[tuple[float, float], ...]
    ambient: float
    turbine: float
    back: float
    choke: float
    inertia: float
    fill: float
    gate_size: float
    preload: float
    stiffness: float
    flap: float
    authority: float
    rest: float
    play: float
    actuator: float
    solenoid: float
    gauge: float
    worth: float
    slew: float
    rearm: float
    noise: float
    drift: float
    soak: float
    sweep: float
    bend: float
    end_rpm: float
    rate_hz: float
    leak: float = 0.0


@lru_cache(maxsize=4096)
def response_table(knots: tuple[tuple[float, float], ...]) -> FloatArray:
    """Effect of the solenoid at even steps of duty from 0 to 100 %. Shape (2001,), [-]

    F. N. Fritsch and R. E. Carlson, "Monotone piecewise cubic interpolation", SIAM J. Numer. Anal. 17 (1980).
    """
    duty, effect = np.array(knots).T
    table: FloatArray = PchipInterpolator(duty, effect)(np.linspace(0.0, 100.0, _CELLS + 1))
    return table


def columns(cars: Sequence[ApartCar]) -> SimpleNamespace:
    """The cars' numbers as arrays of shape (n,), and which plumbing and law each has."""
    numbers = numbers_of(cars, ("kind", "plumbing", "law", "response"))
    plumbing = {f"is_{p}": np.array([car.plumbing == p for car in cars]) for p in PLUMBING}
    law = {f"law_{w}": np.array([car.law == w for car in cars]) for w in LAWS}
    return SimpleNamespace(**numbers, **plumbing, **law)


def area(opening: FloatArray) -> FloatArray:
    """Flow area of the gate over its opening: most of it comes early. Shape of ``opening``, [-]"""
    return opening * (1.5 - 0.5 * opening)


def exhaust(c: SimpleNamespace, rpm: FloatArray, boost: FloatArray, gate: FloatArray) -> tuple[FloatArray, ...]:
    """Engine's flow [-], share of it through the turbine [-], and back pressure before it [kPa gauge]."""
    flow = rpm / 6000.0 * (boost + c.ambient) / 100.0
    share = 1.0 / (1.0 + c.gate_size * area(gate))
    return flow, share, c.back * (flow * share) ** 1.3


def head_of(c: SimpleNamespace, share: FloatArray, back_kpa: FloatArray) -> FloatArray:
    """Head at which turbine and compressor are even. [kPa]"""
    head: FloatArray = c.turbine * (1.0 - c.leak) * share * (1.0 - (1.0 + back_kpa / c.ambient) ** -0.3)
    return head


def breath(c: SimpleNamespace, flow: FloatArray) -> FloatArray:
    """Share of the head that is left as boost at a flow. [-]"""
    left: FloatArray = 1.0 / (1.0 + (flow / (c.choke * (1.0 - c.leak))) ** 6)
    return left


def opening(
    c: SimpleNamespace, boost: FloatArray, back_kpa: FloatArray, effect: FloatArray, vent: FloatArray
) -> FloatArray:
    """Opening at which the gate's forces are even. [-], 0 to 1

    Args:
        c: Cars.
        boost, back_kpa: Boost and back pressure. [kPa gauge]
        effect: Of the solenoid. [-]
        vent: 1 where the hose is vented, so that the gate is held shut. [-]
    """
    push, open_hose = effect * c.authority, 1.0 - vent
    signal = np.where(c.is_orifice, boost / (1.0 + push * push), boost / (1.0 + push)) * open_hose
    supply = np.maximum(push, c.authority * vent) * c.preload
    signal = np.where(c.is_supply, boost * open_hose - supply, signal)
    by_force = (signal + c.flap * back_kpa - c.preload) / c.stiffness
    by_hand = (c.rest * (1.0 - effect) + c.authority * (boost / c.preload - 1.0)) * open_hose
    even: FloatArray = np.clip(np.where(c.is_position, by_hand, by_force), 0.0, 1.0)
    return even


def settle(car: ApartCar, rpm: FloatArray, effect: FloatArray, *, shut: bool = False) -> FloatArray:
    """Boost that stands at a held rpm. Shape that ``rpm`` and ``effect`` of the solenoid broadcast to, [kPa gauge]"""
    c = columns([car])
    shape = np.broadcast_shapes(rpm.shape, effect.shape)
    head, gate = np.full(shape, 5.0), np.zeros(shape)
    boost: FloatArray = np.full(shape, 5.0)
    for _ in range(500):
        flow, share, back_kpa = exhaust(c, rpm, boost, gate)
        wanted = opening(c, boost, back_kpa, effect, np.array(float(shut)))
        gate = gate + 0.15 * (wanted - gate)
        head = head + 0.06 * (head_of(c, share, back_kpa) - head)
        boost = boost + 0.3 * (head * breath(c, flow) - boost)
    return boost


class Controllers(Dials):
    """Controllers of n cars: engagement, ramp and feedback."""

    def __init__(self, c: SimpleNamespace, settings: Sequence[Settings]) -> None:
        super().__init__(settings)
        self.c = c
        self.strength = np.where(c.law_none, 0.0, self.gain * c.worth)
        self.trim = np.zeros(self.gain.size)

    def tick(self, rpm: FloatArray, gauge: FloatArray, wanted: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Duty [%] and vent [-] from now to the next decision. Shapes (n,)"""
        c, period = self.c, TICK * DT
        self.engage(gauge, c.rearm)
        base = self.base(rpm)
        error = wanted - gauge
        near = np.abs(error) < WINDOW_KPA
        asked = self.strength * error
        awake = ~self.shut & (gauge > 0.6 * wanted)
        # PI: what does not fit between its stops is taken back out of the integral.
        free = 0.7 * asked + self.trim
        spill = np.clip(free, -AUTHORITY, AUTHORITY) - free
        integral = self.trim + np.where(awake, period * (asked / 0.6 + spill / 0.15), 0.0)
        # Slewed: the correction walks to where it should be.
        goal = np.where(awake, np.clip(1.2 * asked, -AUTHORITY, AUTHORITY), 0.0)
        walked = self.trim + np.clip(goal - self.trim, -c.slew * period, c.slew * period)
        # Near: sharp and with a memory inside the window, asleep outside.
        learnt = np.where(awake & near, self.trim + 0.8 * period * asked, self.trim * (1.0 - period / 0.8))
        self.trim = np.where(c.law_pi, integral, np.where(c.law_slewed, walked, learnt))
        fed = np.where(c.law_pi, 0.7 * asked + self.trim, self.trim)
        fed = np.where(c.law_near, self.trim + np.where(near, 1.4 * asked, 0.0), fed)
        fed = np.where(awake & (self.strength > 0.0), np.clip(fed, -AUTHORITY, AUTHORITY), 0.0)
        return np.clip(base + fed, 0.0, 100.0), self.shut.astype(float)


def rpm_at(c: SimpleNamespace | ApartCar, time_s: FloatArray) -> FloatArray:
    """Engine speed at a time of the pull. [rpm]"""
    done = np.minimum(time_s / c.sweep, 1.0)
    rpm: FloatArray = START_RPM + (c.end_rpm - START_RPM) * (done + c.bend * done * (1.0 - done))
    return rpm


def sweep(
    cars: Sequence[ApartCar],
    settings: Sequence[Settings],
    wanted: Sequence[FloatArray],
    spring: FloatArray,
    warmth: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """All pulls at once: true boost, and what the gauge makes of it. Shapes (steps, n), [kPa gauge]

    Args:
        cars, settings: What is driven, with what. Length n
        wanted: Target of each car, one value each 25 rpm from ``START_RPM``. Shapes (w,), [kPa gauge]
        spring: Factor on each spring. Shape (n,)
        warmth: Factor on each turbine. Shape (n,)
    """
    c = columns(cars)
    c.preload, c.stiffness, c.turbine = c.preload * spring, c.stiffness * spring, c.turbine * warmth
    count = len(cars)
    rows = np.arange(count)
    tables, targets = np.array([response_table(car.response) for car in cars]), np.array(wanted)
    controllers = Controllers(c, settings)
    head, boost, gauge = np.full(count, 4.0), np.full(count, 2.0), np.full(count, 2.0)
    gate, seat = np.zeros(count), np.zeros(count)
    duty, vent = np.zeros(count), np.zeros(count)
    sol, vented = np.zeros(count), np.zeros(count)
    back_kpa = np.zeros(count)
    steps = int(np.ceil(c.sweep.max() / DT)) + 1
    true, seen = np.empty((steps, count)), np.empty((steps, count))
    for k in range(steps):
        rpm = rpm_at(c, np.array(k * DT))
        if k % TICK == 0:
            cell = np.minimum((rpm - START_RPM) / 25.0, targets.shape[1] - 1).astype(int)
            duty, vent = controllers.tick(rpm, gauge, targets[rows, cell])
        sol += (duty - sol) * (DT / c.solenoid)
        vented += (vent - vented) * (DT / c.solenoid)
        effect = tables[rows, (sol * (_CELLS / 100.0) + 0.5).astype(int)]
        even = opening(c, boost, back_kpa, effect, vented)
        seat = np.maximum(np.minimum(seat, even + c.play), even - c.play)
        gate += (np.clip(seat, 0.0, 1.0) - gate) * (DT / c.actuator)
        flow, share, back_kpa = exhaust(c, rpm, boost, gate)
        head += (head_of(c, share, back_kpa) - head) * (DT * flow / c.inertia)
        boost = boost + (head * breath(c, flow) - boost) * (DT * rpm / 6000.0 / c.fill)
        gauge = gauge + (boost - gauge) * (DT / c.gauge)
        true[k], seen[k] = boost, gauge
    return true, seen
