"""Whether two pulls were run under other conditions: another altitude, other weather, another season."""

from __future__ import annotations

from typing import Final

from models.evidence import Observation
from models.laid_out import ANOTHER_ALTITUDE_KPA, ANOTHER_SEASON_C

#: Compression heats air by no more than about this, without an intercooler and at common efficiencies. [°C/kPa]
WARMED_C_PER_KPA: Final = 1.0


def apart(then: Observation, now: Observation) -> list[str]:
    """What differs between the conditions of two pulls, in words; nothing where nothing much does, or is not known.

    Intake air is often measured after the compressor: what more or less boost may have made of it is no other weather.
    """
    found = []
    if abs(now.barometer_kpa - then.barometer_kpa) > ANOTHER_ALTITUDE_KPA:
        found.append(f"barometer {now.barometer_kpa:.1f} kPa after {then.barometer_kpa:.1f}")
    by_boost = WARMED_C_PER_KPA * (now.sustained_peak_kpa - then.sustained_peak_kpa)
    warmer = now.intake_c - then.intake_c
    if warmer > max(by_boost, 0.0) + ANOTHER_SEASON_C or warmer < min(by_boost, 0.0) - ANOTHER_SEASON_C:
        found.append(f"intake air {now.intake_c:.0f} °C after {then.intake_c:.0f}")
    return found
