"""Pressure and temperature units, gauge and absolute.

Inside the project boost is kPa gauge; ``models.air`` works in Pa absolute.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import constants

FloatArray = npt.NDArray[np.float64]

STANDARD_ATMOSPHERE_KPA: Final = constants.atm / 1000.0

#: Pascal in one unit. psi, bar and atm from scipy.constants (CODATA); the columns of mercury are the conventional
#: values of NIST SP 811, Appendix B.
PASCAL_IN: Final[dict[str, float]] = {
    "Pa": 1.0,
    "hPa": 100.0,
    "mbar": 100.0,
    "kPa": 1000.0,
    "MPa": 1e6,
    "bar": constants.bar,
    "psi": constants.psi,
    "atm": constants.atm,
    "kgf/cm2": constants.kgf * 1e4,
    "inHg": 3386.389,
    "mmHg": 133.3224,
    "cmHg": 1333.224,
    "dbar": constants.bar / 10.0,
}

#: The units a job file may use.
JOB_PRESSURE_UNITS: Final = ("psi", "kPa", "bar")


def kpa_in(unit: str) -> float:
    """Kilopascal in one ``unit``.

    Raises:
        ValueError: the unit is not in ``PASCAL_IN``.
    """
    try:
        return PASCAL_IN[unit] / 1000.0
    except KeyError:
        raise ValueError(f"unknown pressure unit {unit!r}; known are {', '.join(PASCAL_IN)}") from None


def to_kpa(value: npt.ArrayLike, unit: str) -> FloatArray:
    """Pressure in ``unit`` to kPa; gauge stays gauge, absolute stays absolute. Any shape."""
    return np.asarray(value, dtype=float) * kpa_in(unit)


def from_kpa(value_kpa: npt.ArrayLike, unit: str) -> FloatArray:
    """Pressure in kPa to ``unit``; gauge stays gauge, absolute stays absolute. Any shape."""
    return np.asarray(value_kpa, dtype=float) / kpa_in(unit)


def gauge_kpa(absolute_kpa: npt.ArrayLike, barometer_kpa: npt.ArrayLike) -> FloatArray:
    """Gauge pressure from absolute pressure and barometer, all kPa. Any shapes that broadcast."""
    gauge: FloatArray = np.asarray(absolute_kpa, dtype=float) - np.asarray(barometer_kpa, dtype=float)
    return gauge


def absolute_kpa(gauge: npt.ArrayLike, barometer_kpa: npt.ArrayLike) -> FloatArray:
    """Absolute pressure from gauge pressure and barometer, all kPa. Any shapes that broadcast."""
    absolute: FloatArray = np.asarray(gauge, dtype=float) + np.asarray(barometer_kpa, dtype=float)
    return absolute


def pressure_ratio(gauge: npt.ArrayLike, barometer_kpa: npt.ArrayLike) -> FloatArray:
    """Absolute boost over barometer, from gauge pressure and barometer in kPa. [-]"""
    ratio: FloatArray = absolute_kpa(gauge, barometer_kpa) / np.asarray(barometer_kpa, dtype=float)
    return ratio


def celsius_from_fahrenheit(fahrenheit: npt.ArrayLike) -> FloatArray:
    """Temperature in °C from °F. Any shape."""
    return (np.asarray(fahrenheit, dtype=float) - 32.0) / 1.8


def kelvin_from_celsius(celsius: npt.ArrayLike) -> FloatArray:
    """Temperature in K from °C. Any shape."""
    return np.asarray(celsius, dtype=float) + constants.zero_Celsius
