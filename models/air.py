"""Air and exhaust gas: flow through openings, compression, expansion, the standard atmosphere.

Pressures are Pa absolute and temperatures K everywhere in this file. Every function takes scalars or arrays that
broadcast.

References:
    [1] Heywood, Internal Combustion Engine Fundamentals, Appendix C (flow through an orifice).
    [2] ISO 6358-1, flow of compressible fluids through pneumatic components (the ellipse).
    [3] U.S. Standard Atmosphere, 1976.
    [4] Ng, Frisk, Krysander, Eriksson, IEEE Control Systems Magazine 40(2), 2020: constants of a 1.8 L turbo engine.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from models.units import FloatArray

#: Gas constant, heat capacity and ratio of heat capacities of air and of exhaust gas. [J/(kg K)], [-]
R_AIR: Final = 287.2
CP_AIR: Final = 1005.2
GAMMA_AIR: Final = CP_AIR / (CP_AIR - R_AIR)
R_EXHAUST: Final = 290.0
CP_EXHAUST: Final = 1256.67
GAMMA_EXHAUST: Final = CP_EXHAUST / (CP_EXHAUST - R_EXHAUST)

#: Standard atmosphere: sea level, lapse rate up to 11 km geopotential, radius for geopotential height [3].
SEA_LEVEL_PA: Final = 101325.0
SEA_LEVEL_K: Final = 288.15
LAPSE_K_PER_M: Final = 0.0065
EARTH_RADIUS_M: Final = 6356766.0
GRAVITY: Final = 9.80665
R_ATMOSPHERE: Final = 8314.32 / 28.9644


def critical_ratio(gamma: npt.ArrayLike) -> FloatArray:
    """Pressure ratio (downstream over upstream) at and below which the flow is choked. [-]"""
    g = np.asarray(gamma, dtype=float)
    ratio: FloatArray = (2.0 / (g + 1.0)) ** (g / (g - 1.0))
    return ratio


def choked_factor(gamma: npt.ArrayLike) -> FloatArray:
    """Flow function of an orifice when choked: mass flow x sqrt(R T) / (area x pressure). [-], [1]"""
    g = np.asarray(gamma, dtype=float)
    factor: FloatArray = np.sqrt(g) * (2.0 / (g + 1.0)) ** ((g + 1.0) / (2.0 * (g - 1.0)))
    return factor


def flow_factor(ratio: npt.ArrayLike, gamma: npt.ArrayLike) -> FloatArray:
    """Flow function of an orifice for isentropic flow, choked and subsonic [1].

    Args:
        ratio: Downstream over upstream pressure; above 1 nothing flows. [-]
        gamma: Ratio of heat capacities. [-]
    Returns:
        Mass flow x sqrt(R T) / (area x upstream pressure). [-]
    """
    g = np.asarray(gamma, dtype=float)
    r = np.clip(ratio, critical_ratio(g), 1.0)
    factor: FloatArray = r ** (1.0 / g) * np.sqrt(2.0 * g / (g - 1.0) * (1.0 - r ** ((g - 1.0) / g)))
    return factor


def orifice_flow(
    area_m2: npt.ArrayLike,
    upstream_pa: npt.ArrayLike,
    downstream_pa: npt.ArrayLike,
    upstream_k: npt.ArrayLike,
    *,
    gamma: float = GAMMA_AIR,
    gas_constant: float = R_AIR,
) -> FloatArray:
    """Mass flow through an opening of effective area ``area_m2`` (area x discharge coefficient) [1]. [kg/s]"""
    upstream = np.asarray(upstream_pa, dtype=float)
    factor = flow_factor(np.asarray(downstream_pa, dtype=float) / upstream, gamma)
    root = np.sqrt(gas_constant * np.asarray(upstream_k, dtype=float))
    flow: FloatArray = np.asarray(area_m2, dtype=float) * upstream * factor / root
    return flow


def ellipse_factor(ratio: npt.ArrayLike, critical: npt.ArrayLike) -> FloatArray:
    """Share of the choked flow that passes at a pressure ratio: a quarter of an ellipse [2].

    It replaces two powers by one root. With the isentropic critical ratio it is within 0.31 % of isentropic flow.

    Args:
        ratio: Downstream over upstream pressure; above 1 nothing flows. [-]
        critical: Ratio at and below which the flow is choked. [-]
    """
    beyond = (np.minimum(ratio, 1.0) - critical) / (1.0 - np.asarray(critical))
    beyond = np.maximum(beyond, 0.0)
    return np.sqrt(1.0 - beyond * beyond)


def compression_head(ratio: npt.ArrayLike, gamma: float = GAMMA_AIR) -> FloatArray:
    """Relative temperature rise of isentropic compression by a pressure ratio. [-]"""
    head: FloatArray = np.asarray(ratio, dtype=float) ** ((gamma - 1.0) / gamma) - 1.0
    return head


def compressor_outlet_k(
    inlet_k: npt.ArrayLike, ratio: npt.ArrayLike, efficiency: npt.ArrayLike, gamma: float = GAMMA_AIR
) -> FloatArray:
    """Temperature after a compressor of isentropic ``efficiency``. [K]"""
    rise = compression_head(ratio, gamma) / np.asarray(efficiency, dtype=float)
    outlet_k: FloatArray = np.asarray(inlet_k, dtype=float) * (1.0 + rise)
    return outlet_k


def compressor_power_w(
    flow_kg_s: npt.ArrayLike,
    inlet_k: npt.ArrayLike,
    ratio: npt.ArrayLike,
    efficiency: npt.ArrayLike,
    *,
    gamma: float = GAMMA_AIR,
    cp: float = CP_AIR,
) -> FloatArray:
    """Power that a compressor takes. [W]"""
    rise = compressor_outlet_k(inlet_k, ratio, efficiency, gamma) - np.asarray(inlet_k, dtype=float)
    power_w: FloatArray = np.asarray(flow_kg_s, dtype=float) * cp * rise
    return power_w


def expansion_drop(ratio: npt.ArrayLike, gamma: float = GAMMA_EXHAUST) -> FloatArray:
    """Relative temperature drop of isentropic expansion; ``ratio`` is outlet over inlet pressure, at most 1. [-]"""
    drop: FloatArray = 1.0 - np.minimum(ratio, 1.0) ** ((gamma - 1.0) / gamma)
    return drop


def turbine_power_w(
    flow_kg_s: npt.ArrayLike,
    inlet_k: npt.ArrayLike,
    ratio: npt.ArrayLike,
    efficiency: npt.ArrayLike,
    *,
    gamma: float = GAMMA_EXHAUST,
    cp: float = CP_EXHAUST,
) -> FloatArray:
    """Power that a turbine gives; ``ratio`` is outlet over inlet pressure. [W]"""
    drop = np.asarray(inlet_k, dtype=float) * expansion_drop(ratio, gamma) * np.asarray(efficiency)
    power_w: FloatArray = np.asarray(flow_kg_s, dtype=float) * cp * drop
    return power_w


def turbine_outlet_k(
    inlet_k: npt.ArrayLike, ratio: npt.ArrayLike, efficiency: npt.ArrayLike, gamma: float = GAMMA_EXHAUST
) -> FloatArray:
    """Temperature after a turbine; ``ratio`` is outlet over inlet pressure. [K]"""
    return np.asarray(inlet_k, dtype=float) * (1.0 - np.asarray(efficiency) * expansion_drop(ratio, gamma))


def speed_density_flow(
    displacement_m3: npt.ArrayLike,
    engine_rpm: npt.ArrayLike,
    manifold_pa: npt.ArrayLike,
    manifold_k: npt.ArrayLike,
    volumetric_efficiency: npt.ArrayLike,
    *,
    gas_constant: float = R_AIR,
) -> FloatArray:
    """Air that a four-stroke engine draws: one displacement in two turns [1]. [kg/s]"""
    volume_m3_s = np.asarray(displacement_m3, dtype=float) * np.asarray(engine_rpm, dtype=float) / 120.0
    density = np.asarray(manifold_pa, dtype=float) / (gas_constant * np.asarray(manifold_k, dtype=float))
    flow: FloatArray = np.asarray(volumetric_efficiency, dtype=float) * volume_m3_s * density
    return flow


def standard_temperature_k(altitude_m: npt.ArrayLike) -> FloatArray:
    """Temperature of the standard atmosphere at a geometric altitude up to 11 km [3]. [K]"""
    altitude = np.asarray(altitude_m, dtype=float)
    geopotential = EARTH_RADIUS_M * altitude / (EARTH_RADIUS_M + altitude)
    return SEA_LEVEL_K - LAPSE_K_PER_M * geopotential


def standard_pressure_pa(altitude_m: npt.ArrayLike) -> FloatArray:
    """Pressure of the standard atmosphere at a geometric altitude up to 11 km [3]. [Pa]"""
    exponent = GRAVITY / (R_ATMOSPHERE * LAPSE_K_PER_M)
    pressure_pa: FloatArray = SEA_LEVEL_PA * (standard_temperature_k(altitude_m) / SEA_LEVEL_K) ** exponent
    return pressure_pa


def standard_density(altitude_m: npt.ArrayLike) -> FloatArray:
    """Density of the standard atmosphere at a geometric altitude up to 11 km [3]. [kg/m3]"""
    return standard_pressure_pa(altitude_m) / (R_ATMOSPHERE * standard_temperature_k(altitude_m))
