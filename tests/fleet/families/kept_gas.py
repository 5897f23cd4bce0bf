"""What flows in a car of the family ``kept``: engine, turbine, gate, compressor, and the can of the gate.

The engine breathes by volume, turbine and gate are two nozzles side by side, the compressor has one head curve over
flow. Flows are those of a 2 litre engine; a larger one with all sizes in step is the same car.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from models.units import FloatArray

#: kg/s for a unit of volumetric efficiency, rpm and kPa/K, of a 2 litre four-stroke.
BREATH = 0.002 * 1000.0 / (120.0 * 287.0)
CP_AIR, CP_GAS, FUEL = 1.005, 1.15, 1.07


def air_flow(c: SimpleNamespace, rpm: FloatArray, boost: FloatArray) -> FloatArray:
    """Air that the engine takes. [kg/s], from rpm and boost in kPa gauge"""
    away = (rpm - c.best_rpm) / 4000.0
    fullness = (
        c.fullness
        * (1.0 - c.hump * away * away)
        * (1.0 + c.cam * np.minimum(np.maximum((rpm - c.cam_rpm) / c.cam_width, 0.0), 1.0))
    )
    flow: FloatArray = BREATH * fullness * rpm * (c.ambient + boost) / (c.charge_k + 0.12 * boost)
    return flow


def exhaust(
    c: SimpleNamespace, rpm: FloatArray, air: FloatArray, gate: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Gas through the turbine [kg/s], its temperature [K], pressure before and behind it [kPa absolute].

    Both nozzles pass flow as the root of the difference of squared pressures.
    """
    gas, hot_k = FUEL * air, c.hot_k * (0.84 + 0.16 * rpm / 6500.0)
    behind = c.ambient + c.pipe * gas * gas
    all_of_it = c.nozzle + gate
    reach = gas / all_of_it
    return gas * c.nozzle / all_of_it, hot_k, np.sqrt(behind * behind + reach * reach * hot_k), behind


def turbine_kw(
    c: SimpleNamespace, gas: FloatArray, hot_k: FloatArray, before: FloatArray, behind: FloatArray, tip: FloatArray
) -> FloatArray:
    """Power of the turbine, best at one tip speed for each drop of enthalpy. [kW]"""
    drop = CP_GAS * hot_k * (1.0 - np.sqrt(np.sqrt(behind / before)))
    away = 90.0 * tip / np.sqrt(2000.0 * drop + 1.0) - 0.65
    power: FloatArray = c.turbine_worth * np.maximum(1.0 - 1.6 * away * away, 0.35) * gas * drop
    return power


def compressor(c: SimpleNamespace, tip: FloatArray, air: FloatArray) -> tuple[FloatArray, ...]:
    """Rise of temperature over that of the inlet if it lost nothing [-], power [kW], share of choking flow [-].

    Args:
        tip: Tip speed. [100 m/s]
        air: Flow through the compressor. [kg/s]
    """
    full = air / (c.choke * np.tanh(0.3 * tip))
    square = full * full
    short = np.maximum(1.0 - full / c.surge, 0.0)
    head = c.head * np.maximum(1.0 - square * square, -0.2) * (1.0 - 0.4 * short)
    rise = head * tip * tip * (10.0 / (CP_AIR * c.air_k))
    away = full - 0.62
    power = CP_AIR * c.air_k * air * rise / (c.wheel_worth * np.maximum(1.0 - 1.3 * away * away, 0.4))
    return rise, power + 0.03 * tip * tip, full


def can_signal(c: SimpleNamespace, hose: FloatArray, share: FloatArray) -> FloatArray:
    """Pressure that pushes on the diaphragm once the can has filled. [kPa]"""
    vent = c.vent * share
    swap = (1.0 - share) ** 2 / ((1.0 - share) ** 2 + vent**2)
    far = share**2 / (share**2 + (c.vent * (1.0 - share)) ** 2)
    return np.asarray(hose * np.where(c.is_swap, swap, np.where(c.is_bleed, 1.0 / (1.0 + vent**2), 1.0 - c.rod * far)))
