"""Conditions of a pull held against those of other pulls: temperatures of the day, altitude and season of the job."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

import numpy as np

from models.laid_out import ANOTHER_ALTITUDE_KPA
from recommender.logs.evidence import Evidence, Quality, Remark
from recommender.logs.options import Conditions

#: Intake air or coolant this far from the day's other pulls is worth a warning. [°C]
INTAKE_GAP_C: Final = 15.0
COOLANT_GAP_C: Final = 15.0
#: The standard atmosphere loses this much pressure with each 100 m of altitude near the ground. [kPa]
PER_100_M_KPA: Final = 1.2


def _far(own: Conditions, usual: Mapping[str, float]) -> Iterator[Remark]:
    for name, words, most in (("intake_c", "intake air", INTAKE_GAP_C), ("coolant_c", "coolant", COOLANT_GAP_C)):
        value, other = getattr(own, name), usual.get(name)
        if value is not None and other is not None and abs(value - other) > most:
            text = f"{words} at {value:.0f} °C, {other:.0f} °C on the other pulls: let it settle and repeat"
            yield Remark(f"{words} differs", text)


def usual_temperatures(others: Sequence[Conditions]) -> dict[str, float]:
    """Medians of intake air and coolant over pulls, as far as known. [°C]"""
    known = {name: [getattr(each, name) for each in others] for name in ("intake_c", "coolant_c")}
    there = {name: [value for value in values if value is not None] for name, values in known.items()}
    return {name: float(np.median(values)) for name, values in there.items() if values}


def conditions(evidence: Evidence) -> Iterator[Remark]:
    """Intake air or coolant far from the day's other pulls; another altitude or season than the pulls before."""
    yield from _far(evidence.conditions, usual_temperatures(evidence.others))
    yield from taken_up(evidence.conditions, evidence.earlier, evidence.others)


def taken_up(own: Conditions, earlier: tuple[Conditions, ...], today: tuple[Conditions, ...]) -> Iterator[Remark]:
    """A job taken up at another altitude or in another season; told once, of the first pull that shows it.

    Args:
        own: Of this pull.
        earlier: Of the pulls on days before; their intake air is compared with.
        today: Of the day's pulls before it. The barometer is compared with that of the latest pull of all.
    """
    advice = "repeat the baseline or a known pull first, to see how far the earlier pulls still hold"
    known = [each.known_barometer_kpa for each in (*earlier, *today) if each.known_barometer_kpa is not None]
    here = own.known_barometer_kpa
    if known and here is not None and abs(here - known[-1]) > ANOTHER_ALTITUDE_KPA:
        metres = 100.0 * (known[-1] - here) / PER_100_M_KPA
        where = f"like {abs(metres):.0f} m {'higher' if metres > 0 else 'lower'}"
        text = f"the barometer stands at {here:.1f} kPa, {known[-1]:.1f} on the pull before ({where}): {advice}"
        yield Remark("other altitude", text)
    air = [each.intake_c for each in earlier if each.intake_c is not None]
    usual = float(np.median(air)) if air else float("nan")
    far = [each.intake_c is not None and abs(each.intake_c - usual) > INTAKE_GAP_C for each in (own, *today)]
    if far[0] and not any(far[1:]):
        text = f"intake air at {own.intake_c:.0f} °C, {usual:.0f} °C on the pulls of days before: {advice}"
        yield Remark("other season", text)


def compared(quality: Quality, own: Conditions, usual: Mapping[str, float]) -> Quality:
    """The verdict after the pull's temperatures were held against those of ``usual_temperatures``."""
    extra = list(_far(own, usual))
    return Quality.of([*quality.remarks, *extra]) if extra else quality
