"""How a car of the family ``kept`` is drawn, and sized at held rpm (``kept_balance``) for the boost wanted of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from tests.fleet.families.kept_balance import gate_for, outlet_of, with_choke, with_nozzle
from tests.fleet.families.kept_car import KeptCar, columns, table_of
from tests.fleet.families.kept_gas import air_flow, exhaust

#: Where spring, gate and solenoid are sized.
MIDDLE_RPM: Final = 4800.0


def _solenoid(kind: str, r: np.random.Generator) -> dict[str, object]:
    """Plumbing, valve and its curve."""
    u = r.uniform
    plumbing = str(r.choice(["swap", "bleed", "two-sided"], p=[0.45, 0.35, 0.2]))
    valve = "step" if kind == "touchy" else str(r.choice(["power", "ess"]))
    if kind == "touchy":
        plumbing = str(r.choice(["bleed", "two-sided"]))
    bend = {"power": u(0.65, 1.5), "ess": u(0.8, 1.6), "step": u(3.2, 4.8)}[valve]
    slack = u(1.5, 3.0) if kind == "sticky gate" else float(r.choice([0.0, u(0.3, 1.2)]))
    return {
        "plumbing": plumbing,
        "valve": valve,
        "bend": bend,
        "dead_low": u(3, 16),
        "dead_high": u(84, 98),
        "slack": 0.5 * slack if kind == "touchy" else slack,
        "delay": u(0.012, 0.05),
    }


def draft(kind: str, r: np.random.Generator) -> KeptCar:
    """All that does not depend on the target; sizes are 1 for now."""
    u = r.uniform
    droops, laggy, sticky = kind == "droops", kind == "laggy", kind == "sticky gate"
    height_m = float(r.choice([0.0, u(0, 400), u(300, 1700)], p=[0.3, 0.4, 0.3]))
    air_k = u(281, 309)
    values: dict[str, object] = {
        "kind": kind,
        "ambient": u(99.5, 102.3) * (1.0 - 2.2558e-5 * height_m) ** 5.256,
        "air_k": air_k,
        "charge_k": air_k + u(4, 16),
        "fullness": u(0.86, 0.98),
        "hump": u(0.10, 0.28),
        "best_rpm": u(4300, 5500),
        "cam": u(0.06, 0.12) if kind == "cam switch" else 0.0,
        "cam_rpm": u(4500, 5200),
        "cam_width": u(60, 180),
        "hot_k": u(1120, 1260),
        "nozzle": 1.0,
        "pipe": u(120, 260) if kind == "free-flowing" else u(400, 1100),
        "turbine_worth": u(0.62, 0.72),
        "wheel_worth": u(0.68, 0.77),
        "head": u(0.54, 0.64),
        "choke": 1.0,
        "surge": u(0.15, 0.32),
        "mass": u(0.075, 0.115) if laggy else u(0.022, 0.055),
        "fill": u(0.025, 0.06),
        "cooler": u(250, 420) if droops else u(40, 160),
        "port": 1.0 if droops else float(r.choice([0.0, 1.0])),
        "gate": 1.0,
        "swing": u(0.8, 2.2),
        "preload": 1.0,
        "stiffness": 1.0,
        "flap": u(0.18, 0.30) if droops else u(0.01, 0.07),
        "stick": u(0.025, 0.05) if sticky else u(0.002, 0.012),
        "actuator": u(0.012, 0.035),
        "can": u(190, 440),
        "vent": 1.0,
        "rod": u(0.88, 0.98),
        "sensor": u(0.008, 0.035),
        "fade": float(r.choice([0.0, u(0.04, 0.16)])),
        "rearm": float(r.choice([0.0, u(0.4, 0.7)])),
        "worth": 1.0,
        "memory": float(r.choice([0.0, u(0.5, 2.2)])),
        "quiet": float(r.choice([0.0, u(0.3, 1.6)], p=[0.7, 0.3])),
        "gauge": float(r.choice([0.0, u(0.01, 0.15)], p=[0.2, 0.8])),
        "noise": u(0.3, 1.5),
        "grain": float(r.choice([0.0, 0.1, 0.3], p=[0.5, 0.3, 0.2])),
        "drift": 0.008,
        "soften": u(0.0, 0.012),
        "soak_k": u(0, 14),
        "sweep": u(6.0, 10.5) if laggy else u(4.0, 9.5),
        "loaded": u(0.3, 1.0),
        "torque": 1.0,
        "end_rpm": float(r.choice([6700, 6900, 7000, 7200, 7400])),
        "rate_hz": float(r.choice([10, 12.5, 20, 25, 40, 50, 100])),
    }
    return KeptCar(**(values | _solenoid(kind, r)))  # type: ignore[arg-type]


def sized(car: KeptCar, top: float, r: np.random.Generator) -> KeptCar:
    """Turbine, compressor, gate, spring and vent for a boost of ``top``. [kPa]"""
    u, kind = r.uniform, car.kind
    spool = u(3000, 3500) if kind == "laggy" else u(2300, 3000)
    last = {"breathless": u(0.68, 0.8), "soft spring": u(1.18, 1.35)}.get(kind, u(1.25, 1.6))
    car = replace(car, choke=0.4)
    for _ in range(3):
        car = with_nozzle(car, spool, 1.08 * top)
        car = with_choke(car, car.end_rpm - 300.0, last * top)
    floor = top * {
        "soft spring": u(0.33, 0.42),
        "stiff spring": u(1.08, 1.14),
        "creeps": u(0.48, 0.58),
        "touchy": u(0.5, 0.62),
    }.get(kind, u(0.46, 0.68))
    c, middle = columns([car]), np.array([MIDDLE_RPM])
    size = float(gate_for(c, middle, np.array([floor]))[0])
    if kind == "creeps":
        end = np.array([car.end_rpm - 300.0])
        gate = float(gate_for(c, end, np.array([u(0.80, 0.90) * top]))[0])
    else:
        gate = size * np.tanh(car.swing) / np.tanh(car.swing * u(0.3, 0.6))
    car = replace(car, gate=gate)
    stiffness = floor * (u(0.10, 0.2) if kind == "droops" else u(0.15, 0.42))
    car = replace(car, stiffness=stiffness, preload=_hose(car, floor) - stiffness * _lift(car, floor))
    car = replace(car, preload=car.preload + car.flap * _push(car, floor))
    # The vent lets one duty give the target at the middle.
    wish = car.preload + stiffness * _lift(car, top) - car.flap * _push(car, top)
    left = float(np.clip(wish / _hose(car, top), 0.12, 0.97))
    share = u(0.35, 0.6) if kind == "touchy" else float(table_of(car)[int(10 * u(32, 60))])
    share = float(np.clip(share, 0.12, 0.85))
    far = min((1.0 - left) / car.rod, 0.97)
    vent = {
        "swap": (1.0 - share) / share * np.sqrt(1.0 / left - 1.0),
        "bleed": np.sqrt(1.0 / left - 1.0) / share,
        "two-sided": share / (1.0 - share) * np.sqrt(1.0 / far - 1.0),
    }[car.plumbing]
    air = float(air_flow(columns([car]), middle, np.array([0.9 * top]))[0])
    return replace(car, vent=float(vent), torque=air / MIDDLE_RPM)


def _lift(car: KeptCar, boost: float) -> float:
    """Lift with which a boost stands at the middle. [-]"""
    size = float(gate_for(columns([car]), np.array([MIDDLE_RPM]), np.array([boost]))[0])
    return float(np.arctanh(min(size / car.gate, 0.98) * np.tanh(car.swing)) / car.swing)


def _push(car: KeptCar, boost: float) -> float:
    """Pressure across the flap at the middle. [kPa]"""
    c, rpm, level = columns([car]), np.array([MIDDLE_RPM]), np.array([boost])
    _, _, before, behind = exhaust(c, rpm, air_flow(c, rpm, level), gate_for(c, rpm, level))
    return float((before - behind)[0])


def _hose(car: KeptCar, boost: float) -> float:
    """Pressure in the can's hose at the middle. [kPa]"""
    outlet = float(outlet_of(columns([car]), np.array([MIDDLE_RPM]), np.array([boost]))[0])
    return boost + car.port * (outlet - boost)
