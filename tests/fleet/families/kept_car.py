"""Constants of a car of the family ``kept``, and what they say without time. All are invented."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from types import SimpleNamespace

import numpy as np

from models.units import FloatArray
from tests.fleet.families.seat import numbers_of

#: Three ports that swap can and vent; a bleed behind a restrictor; boost on both sides of the diaphragm.
PLUMBING = ("swap", "bleed", "two-sided")
#: What duty makes of the valve: a power of it, an S, or a steep step.
VALVES = ("power", "ess", "step")
#: Steps of duty from 0 to 100 % in a valve's table.
CELLS = 1000


@dataclass(frozen=True)
class KeptCar:
    """Constants of one car.

    Attributes:
        kind, plumbing, valve: What it is, one of ``PLUMBING``, one of ``VALVES``.
        ambient, air_k: Air outside. [kPa absolute], [K]
        charge_k: Charge air without boost. [K]
        fullness, hump, best_rpm: Volumetric efficiency at its best, what 4000 rpm off costs, and where that is.
        cam, cam_rpm, cam_width: More of it once the cams switch, from where, over how many rpm.
        hot_k: Exhaust at full load at the top. [K]
        nozzle: Size of the turbine. [kg/s K^0.5/kPa]
        pipe: Back pressure behind it, of flow squared. [kPa s²/kg²]
        turbine_worth, wheel_worth: Best efficiency of turbine and compressor. [-]
        head, choke, surge: Head coefficient, most flow [kg/s], share of it under which head is lost.
        mass: Of the shaft, as if at the tips of the compressor. [kg]
        fill: Of the pipes. [s]
        cooler: Pressure lost between compressor and engine, of flow squared. [kPa s²/kg²]
        port: 1 where the can's hose is at the compressor, 0 at the engine.
        gate, swing: Nozzle of the wide open gate [as ``nozzle``], and how early in its travel it comes.
        preload, stiffness: Pressure at which the gate opens, and more of it for all of its travel. [kPa]
        flap: Share of exhaust pressure that pushes the gate open. [-]
        stick, actuator: Friction [-, of travel] and lag [s] of the gate.
        can: How quickly the can fills. [kPa^0.5/s]
        vent, rod: Vent against supply; area of the far side of a two-sided can. [-]
        dead_low, dead_high, bend: Duty at which the valve begins and ends to act [%], and its curve's number.
        slack, delay: Hysteresis [points of duty] and dead time [s] of the valve.
        sensor, fade, rearm: Lag of the controller's sensor [s]; how long the hand-over takes [s]; share of engagement
            under which the gate is shut again, 0 for never in a pull.
        worth, memory, quiet: Duty for a kPa and a unit of gain [%/kPa]; its integral's share [1/s], 0 for none; error
            that is let be [kPa].
        gauge, noise, grain: Lag [s], noise [kPa] and smallest difference [kPa, 0 for none] of the logged gauge.
        drift, soften, soak_k: Spring from pull to pull [-]; what it loses when hot [-]; charge when all is hot [K].
        sweep, loaded: Length of a pull at the torque it is made for [s]; how much rpm's rate follows torque, 0 to 1.
        torque: Air for each turn at which the pull takes that long. [kg/s/rpm]
        end_rpm, rate_hz: End of a pull, and rate of its log. [rpm], [Hz]
        leak: Share of the compressor's flow that is lost. [-]
    """

    kind: str
    plumbing: str
    valve: str
    ambient: float
    air_k: float
    charge_k: float
    fullness: float
    hump: float
    best_rpm: float
    cam: float
    cam_rpm: float
    cam_width: float
    hot_k: float
    nozzle: float
    pipe: float
    turbine_worth: float
    wheel_worth: float
    head: float
    choke: float
    surge: float
    mass: float
    fill: float
    cooler: float
    port: float
    gate: float
    swing: float
    preload: float
    stiffness: float
    flap: float
    stick: float
    actuator: float
    can: float
    vent: float
    rod: float
    dead_low: float
    dead_high: float
    bend: float
    slack: float
    delay: float
    sensor: float
    fade: float
    rearm: float
    worth: float
    memory: float
    quiet: float
    gauge: float
    noise: float
    grain: float
    drift: float
    soften: float
    soak_k: float
    sweep: float
    loaded: float
    torque: float
    end_rpm: float
    rate_hz: float
    leak: float = 0.0


@lru_cache(maxsize=4096)
def valve_table(valve: str, dead_low: float, dead_high: float, bend: float) -> FloatArray:
    """Share of its travel that the valve's mean stands at, at even steps of duty from 0 to 100 %. Shape (1001,), [-]"""
    travel = np.clip((np.linspace(0.0, 100.0, CELLS + 1) - dead_low) / (dead_high - dead_low), 0.0, 1.0)
    if valve == "power":
        return np.asarray(travel**bend)
    if valve == "ess":
        return np.asarray(travel**bend / (travel**bend + (1.0 - travel) ** bend))
    # A step of width 1 / bend in the middle, on a slow rise.
    step = 0.5 + 0.5 * np.tanh(bend * (travel - 0.5)) / np.tanh(0.5 * bend)
    return np.asarray(0.15 * travel + 0.85 * step)


def table_of(car: KeptCar) -> FloatArray:
    """The valve's table of a car, as ``valve_table`` gives it."""
    return valve_table(car.valve, car.dead_low, car.dead_high, car.bend)


def columns(cars: Sequence[KeptCar]) -> SimpleNamespace:
    """The cars' numbers as arrays of shape (n,), and which plumbing each has."""
    numbers = numbers_of(cars, ("kind", "plumbing", "valve"))
    plumbing = {f"is_{p.replace('-', '_')}": np.array([car.plumbing == p for car in cars]) for p in PLUMBING}
    return SimpleNamespace(**numbers, **plumbing)
