"""Compressible flow against NACA Report 1135, Heywood, ISO 6358 and the fluids library."""

from __future__ import annotations

import fluids
import numpy as np
import pytest

from models import air


@pytest.mark.parametrize(("gamma", "ratio"), [(1.4, 0.528282), (1.3, 0.545728)])
def test_critical_pressure_ratio(gamma: float, ratio: float) -> None:
    # NACA Report 1135, eq. 44 at M = 1; fluids.P_critical_flow.
    assert air.critical_ratio(gamma) == pytest.approx(ratio, abs=1e-6)
    assert air.critical_ratio(gamma) == pytest.approx(fluids.P_critical_flow(1.0, gamma), rel=1e-12)


@pytest.mark.parametrize(("ratio", "area_ratio"), [(0.8430, 1.3398), (0.1278, 1.6875)])
def test_flow_function_gives_the_tabled_area_ratio(ratio: float, area_ratio: float) -> None:
    """A/A* at a Mach number is choked over actual flow function at its pressure ratio (subsonic branch only)."""
    # NACA Report 1135, table I: M = 0.5 (p/pt 0.8430, A/A* 1.3398) and M = 2 (0.1278, 1.6875), four digits.
    choked = float(air.choked_factor(1.4))
    if ratio > float(air.critical_ratio(1.4)):
        assert choked / float(air.flow_factor(ratio, 1.4)) == pytest.approx(area_ratio, rel=2e-4)
    else:
        # Beyond the throat an orifice stays choked whatever the table's supersonic nozzle does.
        assert float(air.flow_factor(ratio, 1.4)) == pytest.approx(choked, rel=1e-12)
        supersonic = ratio ** (1 / 1.4) * np.sqrt(7.0 * (1.0 - ratio ** (0.4 / 1.4)))
        assert choked / supersonic == pytest.approx(area_ratio, rel=5e-4)


@pytest.mark.parametrize("ratio", [0.3, 0.528282])
def test_choked_flow(ratio: float) -> None:
    # Heywood, Appendix C: 1 cm2, Cd 1, 2 bar, 300 K, R 287.05.
    flow = air.orifice_flow(1e-4, 2e5, 2e5 * ratio, 300.0, gamma=1.4, gas_constant=287.05)
    assert flow == pytest.approx(0.0466671, rel=1e-5)


def test_choked_flow_function() -> None:
    # Heywood, Appendix C.
    assert air.choked_factor(1.4) == pytest.approx(0.684731, rel=1e-5)
    assert air.choked_factor(1.3) == pytest.approx(0.667262, rel=1e-5)


@pytest.mark.parametrize(("ratio", "kg_s", "scaled"), [(0.7, 0.0435038, 0.9322), (0.9, 0.0288005, 0.6172)])
def test_subsonic_flow(ratio: float, kg_s: float, scaled: float) -> None:
    # Heywood, Appendix C, as the choked case.
    flow = air.orifice_flow(1e-4, 2e5, 2e5 * ratio, 300.0, gamma=1.4, gas_constant=287.05)
    assert flow == pytest.approx(kg_s, rel=1e-5)
    # One unit of the fourth digit: the quoted ratio was formed from a rounded flow.
    assert flow / 0.0466671 == pytest.approx(scaled, abs=1e-4)


@pytest.mark.parametrize(("ratio", "share"), [(0.2, 1.0), (0.65, 0.866025), (0.9, 0.515079)])
def test_valve_ellipse(ratio: float, share: float) -> None:
    # ISO 6358-1: sqrt(1 - ((r - b)/(1 - b))^2) with b = 0.3.
    assert air.ellipse_factor(ratio, 0.3) == pytest.approx(share, abs=1e-6)


def test_ellipse_stands_for_isentropic_flow() -> None:
    # With b = 0.528 the ellipse is within 0.31 % of the choked flow everywhere (0.315 rounds to it).
    ratio = np.linspace(0.0, 1.0, 2001)
    isentropic = air.flow_factor(ratio, 1.4) / air.choked_factor(1.4)
    assert np.abs(air.ellipse_factor(ratio, 0.528) - isentropic).max() < 0.00315
