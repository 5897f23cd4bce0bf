"""Parts of the fleet's cars: what is drawn for every car, and what each kind is named after."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from models.car_parts import LAWS, Car, Controller, Day, Dyno, Engine, Gate, Gauge, Solenoid, Turbo

KINDS: Final = (
    "free-flowing",
    "restrictive exhaust",
    "large and laggy",
    "gate too small",
    "soft spring",
    "touchy solenoid",
    "plain controller",
    "mountain workshop",
    "out of breath",
    "stiff spring",
)
#: Kinds whose target no setting reaches.
OUT_OF_REACH: Final = ("out of breath", "stiff spring")
#: How strong a law may be made before it rings, relative to the proportional one.
_LAW_STRENGTH: Final = {"proportional": 1.0, "integral": 0.7, "derivative": 1.0, "stepping": 0.35}


def draw_car(kind: str, rng: np.random.Generator) -> tuple[Car, float]:
    """A car of a kind, without a target yet, and the boost its owner wishes for. [psi]"""

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    engine = Engine(
        displacement_m3=between(1.7e-3, 2.1e-3),
        breathing=between(0.9, 0.98),
        breathing_rpm=between(4300.0, 5200.0),
        charge_volume_m3=between(0.007, 0.013),
        intercooler=between(0.65, 0.85),
        exhaust_restriction=between(2.0e5, 5.0e5),
    )
    size = engine.displacement_m3 / 1.8028e-3
    turbo = Turbo(
        wheel_m=0.078 * size**0.5 * between(0.97, 1.03),
        turbine_area_m2=4.7e-4 * size * between(0.93, 1.1),
        inertia=3.0e-5 * between(0.9, 1.6),
        efficiency_fall=between(3.0, 5.0),
    )
    gate = Gate(
        crack_kpa=between(36.0, 52.0),
        rate_kpa=between(40.0, 75.0),
        flap_share=between(0.1, 0.18),
        area_m2=3.15e-4 * size * between(0.95, 1.2),
        lag_s=between(0.03, 0.06),
    )
    solenoid = Solenoid(
        dead_band_pct=between(4.0, 15.0), curvature=between(0.9, 1.7), most=between(0.8, 0.95), lag_s=between(0.05, 0.1)
    )
    law = LAWS[int(rng.integers(len(LAWS)))]
    controller = Controller(
        law=law,
        # With the knob at its top; divided by the knob's range once that is drawn.
        gain_scale=between(0.8, 2.4) * _LAW_STRENGTH[law],
        dead_time_s=between(0.04, 0.14),
        authority_pct=between(12.0, 30.0),
        integral_s=between(0.5, 1.2),
        derivative_s=between(0.08, 0.2),
        stepping_s=between(0.15, 0.4),
        rearm_share=between(0.4, 0.7),
    )
    gauge = Gauge(
        lag_s=between(0.02, 0.12),
        noise_kpa=between(0.3, 1.5),
        rate_hz=float(rng.choice([10.0, 20.0, 25.0, 50.0, 100.0])),
        quantum_kpa=float(rng.choice([0.0, 0.0, 0.1, 0.5, 1.0])),
    )
    day = Day(
        altitude_m=between(0.0, 900.0),
        air_k=between(283.0, 308.0),
        drift=between(0.004, 0.012),
        soak_k=between(3.0, 15.0),
    )
    dyno = Dyno(rate_rpm_s=between(400.0, 900.0), end_rpm=float(rng.choice([6800.0, 7000.0, 7200.0])))
    car = Car(
        engine=engine, turbo=turbo, gate=gate, solenoid=solenoid, controller=controller, gauge=gauge, day=day, dyno=dyno
    )
    return _of_kind(kind, car, rng)


def _of_kind(kind: str, car: Car, rng: np.random.Generator) -> tuple[Car, float]:
    """Give the car what its kind is named after; also the boost its owner wishes for. [psi]"""

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    wish = between(13.0, 18.0)
    engine, turbo, gate, solenoid, day, dyno = car.engine, car.turbo, car.gate, car.solenoid, car.day, car.dyno
    if kind == "free-flowing":
        engine = replace(engine, exhaust_restriction=between(0.5e5, 1.5e5))
        gate = replace(gate, flap_share=between(0.03, 0.07), area_m2=gate.area_m2 * 1.3)
        turbo = replace(turbo, turbine_area_m2=turbo.turbine_area_m2 * 1.05)
    elif kind == "restrictive exhaust":
        engine = replace(engine, exhaust_restriction=between(7e5, 11e5))
        gate = replace(gate, flap_share=between(0.24, 0.36), crack_kpa=gate.crack_kpa + 12.0)
        turbo = replace(turbo, turbine_area_m2=turbo.turbine_area_m2 * 0.92)
    elif kind == "large and laggy":
        turbo = replace(
            turbo,
            wheel_m=turbo.wheel_m * 1.15,
            turbine_area_m2=turbo.turbine_area_m2 * 1.28,
            inertia=turbo.inertia * 1.8,
            efficiency_fall=3.0,
        )
        dyno = replace(dyno, end_rpm=7500.0, rate_rpm_s=between(450.0, 650.0))
    elif kind == "gate too small":
        gate = replace(gate, area_m2=gate.area_m2 * between(0.5, 0.62), flap_share=between(0.05, 0.1))
        wish = between(15.0, 18.0)
    elif kind == "soft spring":
        gate = replace(gate, crack_kpa=between(26.0, 33.0), rate_kpa=between(35.0, 50.0))
        turbo = replace(turbo, wheel_m=turbo.wheel_m * 1.03)
        wish = between(18.0, 22.0)
    elif kind == "touchy solenoid":
        solenoid = replace(
            solenoid, curvature=between(2.2, 3.0), dead_band_pct=between(12.0, 20.0), most=between(0.92, 0.98)
        )
    elif kind == "mountain workshop":
        day = replace(day, altitude_m=between(1500.0, 2600.0))
    elif kind == "out of breath":
        turbo = replace(turbo, wheel_m=turbo.wheel_m * between(0.9, 0.93), turbine_area_m2=turbo.turbine_area_m2 * 0.88)
        engine = replace(engine, exhaust_restriction=between(5e5, 8e5))
    elif kind == "stiff spring":
        gate = replace(gate, crack_kpa=between(82.0, 98.0), rate_kpa=between(30.0, 45.0), lag_s=0.025)
        turbo = replace(turbo, inertia=turbo.inertia * 1.4)
    return replace(car, engine=engine, turbo=turbo, gate=gate, solenoid=solenoid, day=day, dyno=dyno), wish
