"""The parts of a virtual car, as plain values with units.

Defaults follow the published 1.8 L turbo engine of Ng, Frisk, Krysander and Eriksson (IEEE Control Systems Magazine
40(2), 2020) where it gives a figure: displacement, heat capacities, wastegate opening, intercooler and machine
efficiencies, shape of the compressor map. The compressor wheel is larger than the published one, whose air ends at
about 4000 rpm; a sweep to 7000 rpm needs more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from types import SimpleNamespace
from typing import Any, Final

import numpy as np

from models.curve import Target

#: Feedback laws a controller may use.
LAWS: Final = ("proportional", "integral", "derivative", "stepping")


@dataclass(frozen=True)
class Engine:
    """Cylinders, charge path and exhaust up to the turbine.

    Attributes:
        displacement_m3: Swept volume. [m3]
        breathing: Highest volumetric efficiency. [-]
        breathing_rpm, breathing_width_rpm: Where it is highest, and how far off it would fall to 0 (parabola). [rpm]
        residual: Loss of volumetric efficiency per unit of exhaust over manifold pressure above 1. [-]
        air_fuel_ratio: Air to fuel by mass. [-]
        charge_volume_m3, exhaust_volume_m3: Pipes, intercooler and plenum; exhaust manifold. [m3]
        intercooler: Effectiveness. [-]
        throttle_area_m2: Effective area, wide open. [m2]
        exhaust_k, exhaust_rise_k: Exhaust temperature at no flow, and its rise at 0.2 kg/s of air. [K]
        intake_restriction, exhaust_restriction: Pressure drop over flow squared. [Pa/(kg/s)2]
    """

    displacement_m3: float = 1.8028e-3
    breathing: float = 0.95
    breathing_rpm: float = 4600.0
    breathing_width_rpm: float = 6500.0
    residual: float = 0.05
    air_fuel_ratio: float = 12.0
    charge_volume_m3: float = 0.009
    exhaust_volume_m3: float = 0.0025
    intercooler: float = 0.8
    throttle_area_m2: float = 2.3e-3
    exhaust_k: float = 980.0
    exhaust_rise_k: float = 200.0
    intake_restriction: float = 9.0e4
    exhaust_restriction: float = 4.0e5


@dataclass(frozen=True)
class Turbo:
    """Compressor, turbine and shaft.

    The map is Phi = phi_max sqrt(1 - (Psi / psi_max)^2) with Phi = W R T / (p N D^3), Psi = cp T (PR^((k-1)/k) - 1) /
    (N D)^2 and N in turns a second.

    Attributes:
        psi_max, phi_max: Ends of the map's ellipse. [-]
        wheel_m: Compressor diameter D. [m]
        compressor_efficiency: Best. [-]
        efficiency_fall, design_m_s, overspeed_fall: Efficiency is best / (1 + efficiency_fall x (Phi / phi_max -
            0.55)^2 + overspeed_fall x ((N D / design)^2 - 1)^2), the last part above the design speed only.
            [-], [m/s], [-]
        turbine_area_m2: Effective area of the turbine. [m2]
        turbine_wheel_m: Turbine diameter. [m]
        turbine_efficiency: Best, at a ratio of blade to jet speed of 0.7. [-]
        shaft_efficiency: What bearings leave. [-]
        inertia: Of the rotor. [kg m2]
    """

    psi_max: float = 2.3
    phi_max: float = 0.12
    wheel_m: float = 0.078
    compressor_efficiency: float = 0.8
    efficiency_fall: float = 4.0
    design_m_s: float = 210.0
    overspeed_fall: float = 1.0
    turbine_area_m2: float = 4.8e-4
    turbine_wheel_m: float = 0.052
    turbine_efficiency: float = 0.75
    shaft_efficiency: float = 0.95
    inertia: float = 3.0e-5


@dataclass(frozen=True)
class Gate:
    """Wastegate: diaphragm, spring and flap.

    Attributes:
        crack_kpa: Gauge pressure at the diaphragm that just lifts the flap, without exhaust pressure. [kPa]
        rate_kpa: Further pressure that opens it fully. [kPa]
        flap_share: Part of the pressure across the flap that helps to open it, as seen at the diaphragm. [-]
        area_m2: Effective area, fully open (published opening x discharge coefficient). [m2]
        lag_s: Time constant of the flap's motion. [s]
    """

    crack_kpa: float = 45.0
    rate_kpa: float = 60.0
    flap_share: float = 0.15
    area_m2: float = 3.5e-4 * 0.9
    lag_s: float = 0.04


@dataclass(frozen=True)
class Solenoid:
    """Valve that bleeds the wastegate's signal.

    Attributes:
        dead_band_pct: Duty at each end that does nothing. [%]
        curvature: 1 for a straight response, above 1 for one that starts slowly. [-]
        most: Share of the signal bled at full duty. [-]
        lag_s: Time constant of signal line and diaphragm chamber. [s]
    """

    dead_band_pct: float = 8.0
    curvature: float = 1.2
    most: float = 0.9
    lag_s: float = 0.07


@dataclass(frozen=True)
class Controller:
    """What the controller does with its knobs besides the duty table.

    Attributes:
        law: One of ``LAWS``.
        gain_scale: Points of duty per kPa of error at gain 1. [%/kPa]
        dead_time_s: From boost to the feedback's answer. [s]
        authority_pct: Most that feedback adds or takes. [points of duty]
        integral_s, derivative_s: Time constants of the laws that have them. [s]
        stepping_s: Time between two corrections of the stepping law. [s]
        rearm_share: Share of engagement under which the gate is held shut again. [-]
    """

    law: str = "proportional"
    gain_scale: float = 0.15
    dead_time_s: float = 0.08
    authority_pct: float = 20.0
    integral_s: float = 0.8
    derivative_s: float = 0.15
    stepping_s: float = 0.25
    rearm_share: float = 0.6

    def __post_init__(self) -> None:
        if self.law not in LAWS:
            raise ValueError(f"law must be one of {', '.join(LAWS)}, but got {self.law!r}")


@dataclass(frozen=True)
class Gauge:
    """Boost gauge and logger.

    Attributes:
        lag_s: First-order lag of the boost signal; 0 for none. [s]
        noise_kpa: Standard deviation of its noise. [kPa]
        rate_hz: Samples a second. [Hz]
        quantum_kpa: Step of the logged boost; 0 for none. [kPa]
    """

    lag_s: float = 0.05
    noise_kpa: float = 0.6
    rate_hz: float = 25.0
    quantum_kpa: float = 0.0


@dataclass(frozen=True)
class Day:
    """Weather, place, and what changes from pull to pull.

    Attributes:
        altitude_m: Of the workshop. [m]
        air_k: Air temperature at the intake. [K]
        drift: Standard deviation of the spring from pull to pull, as share of its force. [-]
        soak_k: Rise of charge-air temperature over a long session. [K]
    """

    altitude_m: float = 100.0
    air_k: float = 296.0
    drift: float = 0.008
    soak_k: float = 8.0


@dataclass(frozen=True)
class Dyno:
    """How a pull is driven: cruise, throttle open at constant rpm, sweep, coast down.

    Attributes:
        start_rpm, end_rpm: Of the sweep. [rpm]
        rate_rpm_s: Of the sweep. [rpm/s]
        cruise_s, hold_s, coast_s: Before the throttle opens; open before the sweep; after the sweep. [s]
        cruise_opening: Throttle opening while cruising. [-]
    """

    start_rpm: float = 2000.0
    end_rpm: float = 7000.0
    rate_rpm_s: float = 600.0
    cruise_s: float = 1.0
    hold_s: float = 1.0
    coast_s: float = 1.5
    cruise_opening: float = 0.04

    def __post_init__(self) -> None:
        if not self.start_rpm < self.end_rpm:
            raise ValueError(f"start_rpm < end_rpm must hold, but got {self.start_rpm:g} and {self.end_rpm:g}")
        if not self.rate_rpm_s > 0:
            raise ValueError(f"rate_rpm_s must be above 0, but got {self.rate_rpm_s:g}")


def _flat_target() -> Target:
    return Target(np.array([2500.0, 3600.0, 6800.0]), np.array([60.0, 110.0, 110.0]), 3600.0, 6700.0)


@dataclass(frozen=True)
class Car:
    """A virtual car, with the target its controller is set up for."""

    target: Target = field(default_factory=_flat_target)
    engine: Engine = Engine()
    turbo: Turbo = Turbo()
    gate: Gate = Gate()
    solenoid: Solenoid = Solenoid()
    controller: Controller = Controller()
    gauge: Gauge = Gauge()
    day: Day = Day()
    dyno: Dyno = Dyno()


def stack(parts: Sequence[Any]) -> SimpleNamespace:
    """The number fields of equal parts as arrays over the cars. Each shape (n,)"""
    names = [f.name for f in fields(parts[0]) if f.type == "float"]
    return SimpleNamespace(**{name: np.array([getattr(part, name) for part in parts], dtype=float) for name in names})
