"""Standard atmosphere against U.S. Standard Atmosphere 1976 and two libraries."""

from __future__ import annotations

import ambiance
import fluids
import numpy as np
import pytest

from models import air
from models.car_parts import Car, Day
from models.virtual_car import barometer_kpa


@pytest.mark.parametrize(
    ("altitude_m", "pascal"), [(0.0, 101325.0), (1000.0, 89876.3), (1609.344, 83431.8), (3000.0, 70121.2)]
)
def test_pressure_at_geometric_altitude(altitude_m: float, pascal: float) -> None:
    # U.S. Standard Atmosphere 1976, six digits.
    assert air.standard_pressure_pa(altitude_m) == pytest.approx(pascal, rel=1e-5)


def test_temperature_and_density_at_1000_m() -> None:
    # U.S. Standard Atmosphere 1976, table I.
    assert air.standard_temperature_k(1000.0) == pytest.approx(281.651, rel=1e-5)
    assert air.standard_density(1000.0) == pytest.approx(1.11166, rel=1e-5)


def test_two_libraries_agree() -> None:
    altitude = np.linspace(0.0, 4000.0, 9)
    theirs = ambiance.Atmosphere(altitude)
    # The two libraries agree with each other to 1e-6.
    np.testing.assert_allclose(air.standard_pressure_pa(altitude), theirs.pressure, rtol=2e-6)
    np.testing.assert_allclose(air.standard_temperature_k(altitude), theirs.temperature, rtol=2e-6)
    np.testing.assert_allclose(air.standard_density(altitude), theirs.density, rtol=2e-6)
    np.testing.assert_allclose(
        air.standard_pressure_pa(altitude), [fluids.ATMOSPHERE_1976(z).P for z in altitude], rtol=2e-6
    )


def test_a_car_at_denver_reads_its_barometer() -> None:
    # One mile, U.S. Standard Atmosphere 1976.
    assert barometer_kpa(Car(day=Day(altitude_m=1609.344))) == pytest.approx(83.4318, rel=1e-5)
