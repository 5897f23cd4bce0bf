"""Constants of a car of the family ``soaked``. All are invented."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Final

import numpy as np

from tests.fleet.families.seat import numbers_of

#: As rounded when these cars were drawn: more digits would make other cars.
PSI: Final = 6.894757
#: Gas constant of air, and of exhaust as near as matters here. [J/(kg K)]
GAS: Final = 287.0
CP_AIR, CP_EXHAUST = 1005.0, 1150.0
#: (k - 1) / k of air and of exhaust, rounded.
K_AIR, K_EXHAUST = 0.2857, 0.25
#: Fuel and air over air. [-]
FUEL: Final = 1.07
#: Tip speed to which sizes refer. [m/s]
TIP_REF: Final = 318.0
#: Flow at which drops of pressure are given. [kg/s]
FLOW_REF: Final = 0.25
#: How a controller feeds back: in proportion; with an integral; only near the target, with an error that may not
#: jump; learning at each tick; in proportion with the rate of boost against it.
LAWS: Final = ("proportional", "integral", "near", "ticks", "rate")


@dataclass(frozen=True)
class SoakedCar:
    """Constants of one car, its dyno, controller and logger.

    Attributes:
        rate_hz, noise: Rate [Hz] and noise [kPa] of the log.
        baro, air_k: Air outside. [kPa absolute], [K]
        rpm_start, rpm_end: Where a pull starts and ends. [rpm]
        sweep, sweep_load: Rate of a pull [rpm/s], and share of it that follows torque [-].
        hold_s: Wide open at constant rpm before the sweep. [s]
        litres: Of the engine.
        ve, ve_rpm, ve_width: Volumetric efficiency at its best [-], where that is, how wide its hump is [rpm].
        cool: Effectiveness of the charge cooler. [-]
        cooler_drop, intake_drop, pipe_kpa: Pressure lost in cooler, intake and exhaust pipe at ``FLOW_REF``. [kPa]
        exh_k: Exhaust at 4000 rpm without boost. [K]
        inertia: Of the shaft, for each (m/s)² of tip speed. [J s²/m²]
        head, stall: Head coefficient, and the exponent with which flow takes it away. [-]
        q_max: Volume at which the compressor chokes at ``TIP_REF``. [m³/s]
        eta_c, eta_t: Best efficiency of the compressor, efficiency of the turbine. [-]
        k_turb, k_gate: Nozzles of turbine and wide open gate. [kg/s K^0.5/kPa]
        fill_s: Lag of the pipes. [s]
        area_bend: How early in its travel the gate's nozzle comes. [-]
        preload, stiffness: Pressure at which the gate opens, and more of it for all of its travel. [kPa]
        push: Share of the exhaust's pressure across the flap that counts at the can. [-]
        flap_s, stick: Lag [s] and friction [kPa] of the flap.
        at_manifold: 1 where the can's hose is at the manifold, 0 at the compressor.
        dead_low, dead_high: Duty that does nothing at either end. [%]
        bleed: Most of the signal that the solenoid takes off. [-]
        curve, s_mix, s_steep: Exponent of a power of duty, how much of an S there is instead, and how steep that is.
        bleed_lean: How much more is taken off at 200 kPa than at 100. [-]
        sol_s, hose_s, vent: Lag of solenoid and hose [s]; how much slower the hose empties [-].
        law: One of ``LAWS``.
        k_law, gain_top: Points of duty for a psi at a tenth of the gain's scale, and the end of that scale.
        i_rate: Of the integral. [1/s]
        trim: Most that feedback adds or takes. [points of duty]
        sensor_s, dead_s, tick_s: Lag and dead time of the sensor, time between two ticks. [s]
        window, slew: Error from which feedback is none [psi], and how quickly the error may move [psi/s].
        hand_rate: How quickly the shut gate is handed over. [%/s]
        rearm: Share of engagement under which the gate is shut again. [-]
        drift: Spring from pull to pull. [-]
        soak: What heat takes of spring and solenoid, before their shares in it. [-]
        wander: Of the turbine's power within a pull. [-]
        gauge_s, rpm_noise: Lag of the logged gauge [s], noise of logged rpm [rpm].
        leak: Share of the compressor's flow that is lost. [-]
    """

    rate_hz: float
    noise: float
    baro: float
    air_k: float
    rpm_start: float
    rpm_end: float
    sweep: float
    sweep_load: float
    hold_s: float
    litres: float
    ve: float
    ve_rpm: float
    ve_width: float
    cool: float
    cooler_drop: float
    intake_drop: float
    exh_k: float
    pipe_kpa: float
    inertia: float
    head: float
    stall: float
    q_max: float
    eta_c: float
    eta_t: float
    k_turb: float
    fill_s: float
    k_gate: float
    area_bend: float
    preload: float
    stiffness: float
    push: float
    flap_s: float
    stick: float
    at_manifold: float
    dead_low: float
    dead_high: float
    bleed: float
    curve: float
    s_mix: float
    s_steep: float
    bleed_lean: float
    sol_s: float
    hose_s: float
    vent: float
    law: str
    k_law: float
    gain_top: float
    i_rate: float
    trim: float
    sensor_s: float
    dead_s: float
    tick_s: float
    window: float
    slew: float
    hand_rate: float
    rearm: float
    drift: float
    soak: float
    wander: float
    gauge_s: float
    rpm_noise: float
    leak: float = 0.0


def columns(cars: Sequence[SoakedCar]) -> SimpleNamespace:
    """The cars' numbers as arrays of shape (n,); ``law`` is the place in ``LAWS``."""
    law = np.array([LAWS.index(car.law) for car in cars])
    return SimpleNamespace(**numbers_of(cars, ("law",)), law=law)
