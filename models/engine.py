"""A mean-value turbo engine for a batch of cars, stepped in time.

Four volumes and a shaft: filter, charge path, exhaust manifold, exhaust pipe; the plenum behind the throttle and the
pipes before and after the machines settle within a step and are solved in closed form. Pressures are Pa absolute.

Symbols, each of shape (n,) over the cars:
    p_charge, p_plenum, p_exhaust, p_pipe: after the compressor, behind the throttle, before and after the turbine. [Pa]
    energy: Of the rotor. [J]
    charge_k: Charge air after the intercooler. [K]
    signal_kpa: Gauge pressure in the diaphragm chamber. [kPa]
    lift: Flap opening. [-], 0 to 1
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from models import air
from models.car_parts import Car, stack
from models.units import FloatArray

#: Time step. Halving it moves spool by a few rpm and a regulated curve by less than 0.3 kPa (a test says so). [s]
STEP_S: Final = 0.005
#: Time constant of the charge air's temperature: metal of pipes and intercooler. [s]
CHARGE_HEAT_S: Final = 0.6
#: Compressor flow, as share of phi_max, where efficiency is best.
BEST_PHI: Final = 0.55
#: Ratio of blade to jet speed where the turbine's efficiency is best (published).
BEST_SPEED_RATIO: Final = 0.7
#: Pressure ratio that chokes the turbine: two rows of blades in series choke later than one opening.
TURBINE_CRITICAL: Final = 0.38
GATE_CRITICAL: Final = float(air.critical_ratio(air.GAMMA_EXHAUST))
#: Air flow at which ``exhaust_rise_k`` is reached. [kg/s]
EXHAUST_RISE_FLOW: Final = 0.2
LEAST_ROTOR_RAD_S: Final = 800.0

_MU_AIR: Final = (air.GAMMA_AIR - 1.0) / air.GAMMA_AIR


class EngineBatch:
    """State and constants of n engines.

    Args:
        cars: The cars. Length n
        spring: Force of each wastegate spring relative to its nominal one. Shape (n,), [-]
        soak_k: Rise of the intercooler's cooling air over the weather. Shape (n,), [K]
    """

    def __init__(self, cars: Sequence[Car], spring: FloatArray, soak_k: FloatArray, step_s: float = STEP_S) -> None:
        n = len(cars)
        e, t = stack([car.engine for car in cars]), stack([car.turbo for car in cars])
        g, s, d = stack([car.gate for car in cars]), stack([car.solenoid for car in cars]), stack([c.day for c in cars])
        self.step_s = step_s
        self.ambient_pa = air.standard_pressure_pa(d.altitude_m)
        self.air_k = d.air_k
        self.coolant_air_k = d.air_k + soak_k
        # engine
        self.breathing, self.breathing_rpm = e.breathing, e.breathing_rpm
        self.breathing_per_rpm = 1.0 / e.breathing_width_rpm
        self.residual = e.residual
        self.volume_per_rpm = e.displacement_m3 / 120.0 / air.R_AIR
        self.exhaust_per_air = 1.0 + 1.0 / e.air_fuel_ratio
        self.charge_stiffness = air.R_AIR / e.charge_volume_m3 * step_s
        self.exhaust_stiffness = air.R_EXHAUST / e.exhaust_volume_m3 * step_s
        self.warm_share = 1.0 - e.intercooler
        self.throttle_flow = e.throttle_area_m2 * float(air.choked_factor(air.GAMMA_AIR)) / np.sqrt(air.R_AIR)
        self.exhaust_k, self.exhaust_rise = e.exhaust_k, e.exhaust_rise_k / EXHAUST_RISE_FLOW
        self.intake_restriction, self.exhaust_restriction = e.intake_restriction, e.exhaust_restriction
        # turbo; (N D)^2 = speed_squared * energy with N in turns a second
        self.speed_squared = 2.0 / t.inertia * (t.wheel_m / (2.0 * np.pi)) ** 2
        self.heat_over_psi = air.CP_AIR * d.air_k / t.psi_max
        self.flow_scale = t.phi_max * t.wheel_m**2 / (air.R_AIR * d.air_k)
        self.compressor_efficiency, self.efficiency_fall = t.compressor_efficiency, t.efficiency_fall
        self.per_design, self.overspeed_fall = 1.0 / t.design_m_s**2, t.overspeed_fall
        self.turbine_flow = t.turbine_area_m2 * float(air.choked_factor(air.GAMMA_EXHAUST)) / np.sqrt(air.R_EXHAUST)
        self.blade_squared = 2.0 / t.inertia * (t.turbine_wheel_m / 2.0) ** 2
        self.turbine_efficiency, self.shaft_efficiency = t.turbine_efficiency, t.shaft_efficiency
        self.least_energy = 0.5 * t.inertia * LEAST_ROTOR_RAD_S**2
        self.inertia = t.inertia
        # gate
        self.crack_kpa, self.per_rate = g.crack_kpa * spring, 1.0 / g.rate_kpa
        self.flap_share = g.flap_share / 1000.0
        self.gate_flow = g.area_m2 * float(air.choked_factor(air.GAMMA_EXHAUST)) / np.sqrt(air.R_EXHAUST)
        self.flap_pace = -np.expm1(-step_s / g.lag_s)
        self.signal_pace = -np.expm1(-step_s / s.lag_s)
        # state
        self.p_charge = self.ambient_pa * 1.0
        self.p_plenum = self.ambient_pa * 0.6
        self.p_exhaust = self.ambient_pa * 1.05
        self.p_pipe = self.ambient_pa * 1.0
        self.energy = 0.5 * t.inertia * 3000.0**2
        self.charge_k = self.coolant_air_k * 1.0
        self.signal_kpa, self.lift = np.zeros(n), np.zeros(n)
        self.air_flow = np.zeros(n)
        self.last_surplus = np.zeros(n)
        self.breath = np.zeros(n)

    def set_speed(self, rpm: FloatArray) -> None:
        """Engine speed for the steps that follow. Shape (n,), [rpm]"""
        off = (rpm - self.breathing_rpm) * self.breathing_per_rpm
        self.breath = self.breathing * (1.0 - off * off) * self.volume_per_rpm * rpm

    def boost_kpa(self) -> FloatArray:
        """Boost in the plenum. Shape (n,), [kPa gauge]"""
        return (self.p_plenum - self.ambient_pa) / 1000.0

    def advance(self, opening: FloatArray, share: FloatArray) -> None:
        """One time step.

        Args:
            opening: Throttle opening. Shape (n,), [-]
            share: Share of the boost signal bled by the solenoid. Shape (n,), [-]
        """
        back = self.p_exhaust / self.p_plenum - 1.0
        breath = self.breath * (1.0 - self.residual * back)
        power = self._charge(opening, breath)
        flow, exhaust_k = self.air_flow * self.exhaust_per_air, self.exhaust_k + self.exhaust_rise * self.air_flow
        gain = self._exhaust(flow, exhaust_k)
        # Two-step Adams-Bashforth: spool grows on itself, and a plain Euler step would shift it by several rpm.
        surplus = gain - power
        self.energy = self.energy + self.step_s * (1.5 * surplus - 0.5 * self.last_surplus)
        self.energy = np.maximum(self.energy, self.least_energy)
        self.last_surplus = surplus
        charge_kpa = (self.p_charge - self.ambient_pa) / 1000.0
        self.signal_kpa += self.signal_pace * (charge_kpa * (1.0 - share) - self.signal_kpa)
        push = self.signal_kpa + self.flap_share * (self.p_exhaust - self.p_pipe) - self.crack_kpa
        self.lift += self.flap_pace * (np.minimum(np.maximum(push * self.per_rate, 0.0), 1.0) - self.lift)

    def compressor(self, inlet_pa: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The compressor at the present rotor speed and charge pressure.

        Args:
            inlet_pa: Pressure before it. Shape (n,), [Pa]
        Returns:
            Flow [kg/s], temperature rise [K], and how much flow is lost per Pa of charge pressure [kg/(s Pa)].
            Each shape (n,)
        """
        head = np.maximum(air.compression_head(self.p_charge / inlet_pa), 0.0)
        speed_squared = self.speed_squared * self.energy
        reach = self.heat_over_psi / speed_squared
        psi = head * reach
        open_share = np.maximum(1.0 - psi * psi, 1e-4)
        phi = np.sqrt(open_share)
        flow = self.flow_scale * inlet_pa * np.sqrt(speed_squared) * phi
        off = phi - BEST_PHI
        over = np.maximum(speed_squared * self.per_design - 1.0, 0.0)
        loss = self.efficiency_fall * off * off + self.overspeed_fall * over * over
        rise = self.air_k * head * (1.0 + loss) / self.compressor_efficiency
        slope = flow * reach * psi / open_share * _MU_AIR * (1.0 + head) / self.p_charge
        return flow, rise, slope

    def _charge(self, opening: FloatArray, breath: FloatArray) -> FloatArray:
        """Compressor, intercooler, throttle, cylinders. Returns the compressor's power. [W]"""
        inlet = self.ambient_pa - self.intake_restriction * self.air_flow * self.air_flow
        flow, rise, slope = self.compressor(inlet)
        warm = self.coolant_air_k + self.warm_share * (self.air_k + rise - self.coolant_air_k)
        self.charge_k += self.step_s / CHARGE_HEAT_S * (warm - self.charge_k)
        # Plenum: flow through the throttle (ellipse with critical ratio 1/2) equals what the cylinders draw.
        draw = breath / self.charge_k
        r = draw * np.sqrt(self.charge_k) / (self.throttle_flow * opening)
        ratio = np.where(r < 2.0, 1.0 / (1.0 + 0.25 * r * r), 1.0 / r)
        drawn = draw * ratio
        # Charge pressure, trapezoidal in the slopes of both flows, which are steep near the map's edge.
        stiffness = self.charge_stiffness * self.charge_k
        self.p_charge += stiffness * (flow - drawn * self.p_charge) / (1.0 + 0.5 * stiffness * (slope + drawn))
        self.p_plenum = ratio * self.p_charge
        self.air_flow = drawn * self.p_charge
        power_w: FloatArray = flow * (air.CP_AIR * rise)
        return power_w

    def _exhaust(self, flow: FloatArray, exhaust_k: FloatArray) -> FloatArray:
        """Exhaust manifold, turbine, wastegate, pipe. Returns the power on the shaft. [W]"""
        root_k = np.sqrt(exhaust_k)
        self.p_pipe = self.ambient_pa + self.exhaust_restriction * flow * flow
        ratio = np.minimum(self.p_pipe / self.p_exhaust, 1.0)
        factor = air.ellipse_factor(ratio, TURBINE_CRITICAL)
        per_pa = self.turbine_flow * factor / root_k
        gate_per_pa = self.gate_flow * self.lift * air.ellipse_factor(ratio, GATE_CRITICAL) / root_k
        turbine = per_pa * self.p_exhaust
        out = (per_pa + gate_per_pa) * self.p_exhaust
        stiffness = self.exhaust_stiffness * exhaust_k
        drop = air.expansion_drop(ratio)
        # Trapezoidal in the slope of the outflow, which is the steeper the nearer the pressure ratio is to 1; the slope
        # of the turbine's ellipse stands for both openings.
        square = np.maximum(factor * factor, 0.01)
        steeper = 1.0 + ratio * np.sqrt(np.maximum(1.0 - square, 0.0)) / ((1.0 - TURBINE_CRITICAL) * square)
        self.p_exhaust += stiffness * (flow - out) / (1.0 + 0.5 * stiffness * steeper * (per_pa + gate_per_pa))
        jet_squared = 2.0 * air.CP_EXHAUST * exhaust_k * drop + 1.0
        speed_ratio = np.sqrt(self.blade_squared * self.energy / jet_squared) / BEST_SPEED_RATIO
        off = np.minimum(speed_ratio, 1.9) - 1.0
        efficiency = self.turbine_efficiency * (1.0 - off * off)
        power_w: FloatArray = turbine * (air.CP_EXHAUST * self.shaft_efficiency) * exhaust_k * drop * efficiency
        return power_w
