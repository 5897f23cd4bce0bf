"""Compression, expansion, work and air properties against textbooks, fluids and published tables."""

from __future__ import annotations

import fluids
import pytest

from models import air


@pytest.mark.parametrize(("efficiency", "kelvin"), [(1.0, 519.523), (0.78, 585.163)])
def test_compressor_outlet(efficiency: float, kelvin: float) -> None:
    # First value: the example in the documentation of fluids.isentropic_T_rise_compression.
    ratio = 432.4 / 54.05
    ours = air.compressor_outlet_k(286.8, ratio, efficiency, gamma=1.4)
    assert ours == pytest.approx(kelvin, rel=1e-5)
    theirs = fluids.isentropic_T_rise_compression(286.8, 54050.0, 432400.0, 1.4, eta=efficiency)
    assert ours == pytest.approx(theirs, rel=1e-12)


def test_compressor_outlet_at_boost() -> None:
    # Ideal gas 388.84 K (fluids); real air 388.56 K (CoolProp): between them, and within half a kelvin of both.
    assert air.compressor_outlet_k(298.15, 2.0, 0.72) == pytest.approx(388.7, abs=0.5)


def test_isentropic_work() -> None:
    # Çengel & Boles, worked example: air from 100 to 900 kPa at 300 K, 263.2 kJ/kg with cp = k R/(k - 1), R = 287.
    work = air.compressor_power_w(1.0, 300.0, 9.0, 1.0, gamma=1.4, cp=1.4 / 0.4 * 287.0)
    assert work / 1000.0 == pytest.approx(263.2, abs=0.1)


def test_polytropic_and_isothermal_work() -> None:
    # Same example: n = 1.3 gives 246.4 kJ/kg, isothermal (n towards 1) 189.2 kJ/kg.
    polytropic = air.compressor_power_w(1.0, 300.0, 9.0, 1.0, gamma=1.3, cp=1.3 / 0.3 * 287.0)
    assert polytropic / 1000.0 == pytest.approx(246.4, abs=0.1)
    n = 1.0001
    nearly_isothermal = air.compressor_power_w(1.0, 300.0, 9.0, 1.0, gamma=n, cp=n / (n - 1.0) * 287.0)
    assert nearly_isothermal / 1000.0 == pytest.approx(189.2, abs=0.1)


def test_compressor_power() -> None:
    # Closed form W cp T1 (PR^((k-1)/k) - 1)/eta with the published cp of the 1.8 L engine.
    assert air.compressor_power_w(0.1, 298.15, 2.0, 0.72, gamma=1.4) == pytest.approx(9116.5, rel=1e-4)


def test_turbine_power_and_outlet() -> None:
    # Closed form, equal to the turbine temperature function of the published 1.8 L engine model.
    assert air.turbine_power_w(0.1, 1100.0, 0.5, 0.7, gamma=1.3) == pytest.approx(14303.6, rel=1e-4)
    assert air.turbine_outlet_k(1100.0, 0.5, 0.7, gamma=1.3) == pytest.approx(986.18, rel=1e-4)


def test_air_properties() -> None:
    # CoolProp at 298.15 K, 1 atm: cp 1006.3, k 1.4018, R 287.05, density 1.1843. Ours are the constants of the
    # published engine, rounded there to k = 1.4: 0.15 % apart.
    ours = {"cp": air.CP_AIR, "k": air.GAMMA_AIR, "R": air.R_AIR, "rho": 101325.0 / (air.R_AIR * 298.15)}
    assert ours == pytest.approx({"cp": 1006.3, "k": 1.4018, "R": 287.05, "rho": 1.1843}, rel=1.5e-3)


def test_speed_density() -> None:
    # Heywood, ch. 2: 1.8 L, 6000 rpm, 200 kPa, 313 K, volumetric efficiency 0.95, R 287.2.
    flow = air.speed_density_flow(1.8e-3, 6000.0, 200e3, 313.0, 0.95, gas_constant=287.2)
    assert flow == pytest.approx(0.190225, rel=1e-5)


def test_heat_capacities_of_the_published_engine() -> None:
    # Ng, Frisk, Krysander, Eriksson (IEEE CSM 40(2), 2020): k/(k-1) R = cp with k 1.4 and 1.3, cp 1005.2 and 1256.67.
    ours = {"air": 1.4 / 0.4 * air.R_AIR, "exhaust": 1.3 / 0.3 * air.R_EXHAUST}
    assert ours == pytest.approx({"air": air.CP_AIR, "exhaust": air.CP_EXHAUST}, rel=1e-5)
    assert ours == pytest.approx({"air": 1005.2, "exhaust": 1256.67}, rel=1e-5)
