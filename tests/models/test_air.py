"""Behaviour of the flow and compression formulas: limits, direction, scalar and vector alike."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models import air

gammas = st.floats(1.1, 1.6)


@given(gamma=gammas, low=st.floats(0.0, 1.0), high=st.floats(0.0, 1.0))
def test_flow_never_rises_with_back_pressure(gamma: float, low: float, high: float) -> None:
    low, high = min(low, high), max(low, high)
    assert air.flow_factor(low, gamma) >= air.flow_factor(high, gamma) - 1e-12
    assert air.ellipse_factor(low, 0.4) >= air.ellipse_factor(high, 0.4) - 1e-12


@given(gamma=gammas)
def test_flow_is_continuous_at_choking(gamma: float) -> None:
    critical = float(air.critical_ratio(gamma))
    assert air.flow_factor(critical * (1 + 1e-9), gamma) == pytest.approx(float(air.choked_factor(gamma)), rel=1e-9)


def test_nothing_flows_without_or_against_a_difference() -> None:
    assert air.orifice_flow(1e-4, 1e5, 1e5, 300.0) == 0.0
    assert air.orifice_flow(1e-4, 1e5, 2e5, 300.0) == 0.0
    assert air.ellipse_factor(1.0, 0.5) == 0.0
    assert air.ellipse_factor(1.7, 0.5) == 0.0


def test_flow_is_in_proportion_to_area_and_upstream_pressure() -> None:
    once = air.orifice_flow(1e-4, 1.5e5, 1.2e5, 310.0)
    assert air.orifice_flow(3e-4, 1.5e5, 1.2e5, 310.0) == pytest.approx(3 * once)
    assert air.orifice_flow(1e-4, 4.5e5, 3.6e5, 310.0) == pytest.approx(3 * once)


def test_scalar_equals_vector() -> None:
    upstream = np.array([1.1e5, 1.6e5, 3.0e5])
    together = air.orifice_flow(2e-4, upstream, 1e5, np.array([300.0, 320.0, 340.0]))
    one_by_one = [air.orifice_flow(2e-4, p, 1e5, k) for p, k in zip(upstream, (300.0, 320.0, 340.0), strict=True)]
    assert together.shape == (3,)
    np.testing.assert_array_equal(together, one_by_one)


@given(ratio=st.floats(1.0, 5.0), efficiency=st.floats(0.3, 1.0))
def test_compression_and_expansion_undo_each_other_without_loss(ratio: float, efficiency: float) -> None:
    hot = air.compressor_outlet_k(300.0, ratio, 1.0, gamma=1.35)
    assert air.turbine_outlet_k(hot, 1.0 / ratio, 1.0, gamma=1.35) == pytest.approx(300.0, rel=1e-12)
    # With loss, compression takes more work than the same expansion gives back.
    taken = air.compressor_power_w(1.0, 300.0, ratio, efficiency, gamma=1.35, cp=1000.0)
    given_back = air.turbine_power_w(1.0, hot, 1.0 / ratio, efficiency, gamma=1.35, cp=1000.0)
    assert taken >= given_back - 1e-9


def test_no_turbine_power_without_a_pressure_difference() -> None:
    assert air.turbine_power_w(0.1, 1100.0, 1.0, 0.7) == 0.0
    assert air.turbine_power_w(0.1, 1100.0, 1.2, 0.7) == 0.0


def test_speed_density_scales_with_speed_and_pressure() -> None:
    once = air.speed_density_flow(1.8e-3, 3000.0, 1e5, 300.0, 0.9)
    assert air.speed_density_flow(1.8e-3, 6000.0, 2e5, 300.0, 0.9) == pytest.approx(4 * once)


def test_air_thins_with_altitude() -> None:
    altitude = np.linspace(0.0, 4000.0, 30)
    assert np.all(np.diff(air.standard_pressure_pa(altitude)) < 0)
    assert np.all(np.diff(air.standard_density(altitude)) < 0)
    assert np.all(np.diff(air.standard_temperature_k(altitude)) < 0)
