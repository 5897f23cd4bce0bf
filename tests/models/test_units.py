"""Units as physics: there and back, gauge and absolute, scalar and vector."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models import units

PRESSURES = st.floats(-200.0, 2000.0)
UNITS = sorted(units.PASCAL_IN)


@given(value=PRESSURES, unit=st.sampled_from(UNITS))
def test_there_and_back(value: float, unit: str) -> None:
    # Two roundings of a double.
    assert float(units.from_kpa(units.to_kpa(value, unit), unit)) == pytest.approx(value, rel=1e-15, abs=1e-300)


@given(value=st.floats(0.01, 1000.0), unit=st.sampled_from(UNITS), other=st.sampled_from(UNITS))
def test_a_pressure_is_the_same_through_any_unit(value: float, unit: str, other: str) -> None:
    kpa = float(units.to_kpa(value, unit))
    assert float(units.to_kpa(units.from_kpa(kpa, other), other)) == pytest.approx(kpa, rel=1e-14)


@pytest.mark.parametrize("unit", UNITS)
def test_scalar_equals_vector_and_order_is_kept(unit: str) -> None:
    values = np.array([[-3.0, 0.0, 0.5], [1.0, 16.0, 300.0]])
    kpa = units.to_kpa(values, unit)
    assert kpa.shape == values.shape
    assert kpa.tolist() == [[float(units.to_kpa(value, unit)) for value in row] for row in values]
    assert np.all(np.diff(kpa.ravel()) > 0)
    assert units.to_kpa(0.0, unit) == 0.0


def test_an_unknown_unit_is_told_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match=r"unknown pressure unit 'PSI'; known are Pa, hPa.*psi"):
        units.kpa_in("PSI")


@given(gauge=st.floats(-100.0, 400.0), barometer=st.floats(60.0, 110.0))
def test_gauge_and_absolute_are_inverse(gauge: float, barometer: float) -> None:
    absolute = units.absolute_kpa(gauge, barometer)
    assert float(units.gauge_kpa(absolute, barometer)) == pytest.approx(gauge, abs=1e-12)
    assert float(units.pressure_ratio(gauge, barometer)) == pytest.approx(float(absolute) / barometer)
    assert (units.pressure_ratio(gauge, barometer) > 1.0) == (float(absolute) > barometer)


def test_no_boost_is_a_pressure_ratio_of_one_at_any_height() -> None:
    assert np.all(units.pressure_ratio(0.0, [60.0, 101.325, 110.0]) == 1.0)


def test_temperatures_at_the_fixed_points_of_water() -> None:
    # Freezing and boiling at one atmosphere: 32 °F = 0 °C = 273.15 K, 212 °F = 100 °C; both scales meet at -40.
    np.testing.assert_allclose(units.celsius_from_fahrenheit([32.0, 212.0, -40.0]), [0.0, 100.0, -40.0], atol=1e-12)
    np.testing.assert_allclose(units.kelvin_from_celsius([0.0, -273.15]), [273.15, 0.0], atol=1e-12)
