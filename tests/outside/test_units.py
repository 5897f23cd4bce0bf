"""Units against NIST SP 811 and pint. The record and every screen convert through this one table."""

from __future__ import annotations

import numpy as np
import pint
import pytest
from scipy import constants

from models import units


@pytest.mark.parametrize(
    ("unit", "pascal"),
    # NIST SP 811, Appendix B.8 (exact or to all digits printed there).
    [("psi", 6894.757293), ("bar", 1e5), ("kgf/cm2", 98066.5), ("atm", 101325.0)],
)
def test_pascal_in_a_unit(unit: str, pascal: float) -> None:
    # SP 811 prints ten digits of the psi.
    assert units.PASCAL_IN[unit] == pytest.approx(pascal, rel=1e-9)


@pytest.mark.parametrize(("unit", "pascal"), [("inHg", 3386.389), ("mmHg", 133.3224), ("cmHg", 1333.224)])
def test_columns_of_mercury(unit: str, pascal: float) -> None:
    # NIST SP 811, Appendix B.8, conventional columns; seven digits printed.
    assert units.PASCAL_IN[unit] == pytest.approx(pascal, rel=1e-6)


@pytest.mark.parametrize(
    ("unit", "theirs"),
    [
        ("Pa", "pascal"),
        ("hPa", "hectopascal"),
        ("mbar", "millibar"),
        ("kPa", "kilopascal"),
        ("MPa", "megapascal"),
        ("bar", "bar"),
        ("psi", "psi"),
        ("atm", "atm"),
        ("kgf/cm2", "kilogram_force / centimeter ** 2"),
        ("inHg", "inHg"),
        ("mmHg", "mmHg"),
        ("cmHg", "centimeter_Hg"),
        ("dbar", "decibar"),
    ],
)
def test_every_unit_agrees_with_pint(unit: str, theirs: str) -> None:
    registry: pint.UnitRegistry = pint.UnitRegistry()
    # 1e-6: mercury's density is conventional and given to seven digits in both tables.
    assert units.PASCAL_IN[unit] == pytest.approx(registry.Quantity(1.0, theirs).to("pascal").magnitude, rel=1e-6)


def test_no_unit_is_left_unchecked() -> None:
    assert set(units.PASCAL_IN) == {
        "Pa", "hPa", "mbar", "kPa", "MPa", "bar", "dbar", "psi", "atm", "kgf/cm2", "inHg", "mmHg", "cmHg"
    }  # fmt: skip


def test_gauge_absolute_and_pressure_ratio() -> None:
    # 15 psi gauge at 101.325 kPa: from scipy.constants (CODATA psi and atm).
    gauge = units.to_kpa(15.0, "psi")
    assert units.absolute_kpa(gauge, 101.325) == pytest.approx(204.7464, rel=1e-5)
    assert units.pressure_ratio(gauge, 101.325) == pytest.approx(2.02069, rel=1e-5)
    assert float(gauge) == pytest.approx(15.0 * constants.psi / 1000.0, rel=1e-12)


@pytest.mark.parametrize("unit", sorted(units.PASCAL_IN))
def test_there_and_back(unit: str) -> None:
    boost = np.linspace(-80.0, 250.0, 12)
    np.testing.assert_allclose(units.to_kpa(units.from_kpa(boost, unit), unit), boost, rtol=1e-14)


def test_temperatures() -> None:
    # ITS-90: steam point near 212 °F = 100 °C, 0 °C = 273.15 K by definition.
    assert units.celsius_from_fahrenheit(212.0) == pytest.approx(100.0)
    assert units.kelvin_from_celsius(0.0) == pytest.approx(273.15)
