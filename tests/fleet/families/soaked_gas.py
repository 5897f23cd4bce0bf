"""What flows in a car of the family ``soaked``: engine, turbine beside its gate, compressor, solenoid.

Turbine and gate are two nozzles side by side under the ellipse law (Stodola, from memory). The compressor has a head
that flow takes away and an efficiency over flow and tip speed; their shapes are invented.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from models.units import FloatArray
from tests.fleet.families.soaked_car import CP_AIR, CP_EXHAUST, GAS, K_AIR, K_EXHAUST, TIP_REF, SoakedCar


def breathing(c: SimpleNamespace, rpm: FloatArray, before: FloatArray, manifold: FloatArray) -> FloatArray:
    """Volumetric efficiency; pressure before the turbine that is over the manifold's takes some. Shape (n,), [-]"""
    hump = c.ve * (1.0 - ((rpm - c.ve_rpm) / c.ve_width) ** 2)
    return np.asarray(hump * (1.0 - 0.05 * np.clip(before / manifold - 1.0, -1, 2)))


def air_flow(
    c: SimpleNamespace, ve: FloatArray, rpm: FloatArray, manifold: FloatArray, charge: FloatArray
) -> FloatArray:
    """Air that a four-stroke takes. [kg/s], from kPa absolute and K. Shape (n,)"""
    per_rev = c.litres * 1e-3 / 120.0 * 1e3 / GAS
    return np.asarray(per_rev * ve * rpm * manifold / charge)


def exhaust_k(c: SimpleNamespace | SoakedCar, rpm: FloatArray | float, boost: FloatArray | float) -> FloatArray:
    """Temperature before the turbine, of n cars or of one. Shape (n,) or (), [K]"""
    return np.asarray(c.exh_k + 0.028 * (rpm - 4000.0) + 0.25 * boost)


def gate_nozzle(c: SimpleNamespace, lift: FloatArray) -> FloatArray:
    """Nozzle of the gate at a lift of 0 to 1. Shape (n,), [as ``k_gate``]"""
    return np.asarray(c.k_gate * (1.0 - np.exp(-c.area_bend * lift)) / (1.0 - np.exp(-c.area_bend)))


def turbine(
    c: SimpleNamespace, gas: FloatArray, hot_k: FloatArray, behind: FloatArray, gate: FloatArray, gust: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Pressure before the turbine [kPa absolute] and its power [W]. Shapes (n,)

    Args:
        gas, hot_k: Exhaust, through turbine and gate together. [kg/s], [K]
        behind: Pressure behind both. [kPa absolute]
        gate: Nozzle of the gate. [as ``k_gate``]
        gust: By how much the power is off just now. [-]
    """
    both = c.k_turb + gate
    before = np.sqrt(behind**2 + (gas * np.sqrt(hot_k) / both) ** 2)
    power = gas * c.k_turb / both * CP_EXHAUST * hot_k * c.eta_t * (1.0 + gust) * (1.0 - (behind / before) ** K_EXHAUST)
    return before, power


def full_of(c: SimpleNamespace, flow: FloatArray, air_k: FloatArray, inlet: FloatArray, tip: FloatArray) -> FloatArray:
    """Share of the choking flow that goes through the compressor. Shape (n,), [-]"""
    return np.asarray(flow * GAS * air_k / (inlet * 1e3) / (c.q_max * tip / TIP_REF))


def lift_of(c: SimpleNamespace, full: FloatArray, tip2: FloatArray) -> FloatArray:
    """Work that the compressor's head does on the air, from share of choking flow and tip speed squared. [J/kg]"""
    return np.asarray(c.head * (1.0 - np.minimum(full, 1.1) ** c.stall) * tip2)


def heating(c: SimpleNamespace, full: FloatArray, tip2: FloatArray, air_k: FloatArray, ratio: FloatArray) -> FloatArray:
    """Rise of temperature in the compressor for a ratio of pressures. Shape (n,), [K]"""
    eta = np.maximum(c.eta_c * (1.0 - 1.1 * (np.minimum(full, 1.1) - 0.62) ** 2), 0.3)
    eta = eta / (1.0 + 0.35 * (tip2 / 230e3) ** 4)
    return np.asarray(air_k * (np.maximum(ratio, 1.0) ** K_AIR - 1.0) / eta)


def compressor_w(flow: FloatArray, rise: FloatArray, tip: FloatArray, tip2: FloatArray) -> FloatArray:
    """Power that compressor and bearings take. Shape (n,), [W]"""
    return np.asarray(flow * CP_AIR * rise + 0.012 * tip2 * tip / TIP_REF)


def bled(c: SimpleNamespace, duty: FloatArray) -> FloatArray:
    """Share of the can's signal that the solenoid takes off at a duty. Shape (n,), [-]"""
    travel = np.clip((duty - c.dead_low) / (100.0 - c.dead_low - c.dead_high), 0.0, 1.0)
    logistic = 1.0 / (1.0 + np.exp(-c.s_steep * (travel - 0.5)))
    low = 1.0 / (1.0 + np.exp(0.5 * c.s_steep))
    ess = (logistic - low) / (1.0 - 2.0 * low)
    return np.asarray(c.bleed * ((1.0 - c.s_mix) * travel**c.curve + c.s_mix * ess))
