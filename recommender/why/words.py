"""How ``why`` says numbers: ranges, changes and settings in the job's unit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from models.settings import KNOB_NAMES, Settings
from models.units import FloatArray, from_kpa
from recommender import wording
from recommender.decide.reasons import say_knob
from recommender.decide.step import Problem

#: Ends of a 90 % range.
RANGE: Final = (0.05, 0.95)


def ends(draws: npt.ArrayLike) -> tuple[float, float]:
    """Ends of the 90 % range of draws; NaN are left out. (NaN, NaN) where nothing is left."""
    values = np.asarray(draws, dtype=float)
    values = values[np.isfinite(values)]
    if values.size == 0:
        return float("nan"), float("nan")
    low, high = np.quantile(values, RANGE)
    return float(low), float(high)


def between(problem: Problem, low_kpa: float, high_kpa: float) -> str:
    """A range of pressures: ``1.9 to 2.4 psi``, or ``2.1 psi`` where both ends read the same."""
    low, high = problem.say(low_kpa), problem.say(high_kpa)
    if low == high:
        return low
    return f"{low.split()[0]} to {high}"


def signed(problem: Problem, kpa: float) -> str:
    """A change of pressure with its sign: ``+0.4 psi``; nothing has none."""
    return problem.say(kpa, signed=True)


def whole(low: float, high: float, unit: str) -> str:
    """A range of whole numbers: ``3400 to 3550 rpm``."""
    first, last = f"{low:.0f}", f"{high:.0f}"
    first, last = first.replace("-0", "0"), last.replace("-0", "0")
    return f"{first}{unit}" if first == last else f"{first} to {last}{unit}"


def in_unit(problem: Problem, kpa: npt.ArrayLike) -> FloatArray:
    """Pressures in the job's unit, read-only."""
    values = np.array(from_kpa(kpa, problem.pressure_unit), dtype=float)
    values.flags.writeable = False
    return values


def knob_in_unit(problem: Problem, name: str, value: float) -> float:
    """A knob's value as it is dialled."""
    return round(float(from_kpa(value, problem.pressure_unit)) if name == "engagement" else value, 6)


def settings_in_unit(problem: Problem, settings: Settings) -> dict[str, float]:
    """Settings as they are dialled."""
    return {name: knob_in_unit(problem, name, value) for name, value in settings.as_dict().items()}


def moves(problem: Problem, before: Settings, after: Settings) -> str:
    """What differs between two settings: ``duty 34 %, gain 3``; ``the same settings`` where nothing does. Where a ramp
    stands that adds nothing in either is left out."""
    ramped = before.ramp_add != 0.0 or after.ramp_add != 0.0
    parts = [
        f"{wording.knob_word(name)} {say_knob(problem, name, new)}"
        for name, old, new in zip(KNOB_NAMES, before, after, strict=True)
        if abs(old - new) > 1e-6 and (ramped or name not in ("ramp_from", "ramp_to"))
    ]
    return ", ".join(parts) or "the same settings"


def upper_first(text: str) -> str:
    """The sentence with a capital first letter."""
    return text[:1].upper() + text[1:]


def listed(words: Sequence[object]) -> str:
    """``1``, ``1 and 2``, ``1, 2 and 3``."""
    texts = [str(word) for word in words]
    if len(texts) < 2:
        return "".join(texts)
    return f"{', '.join(texts[:-1])} and {texts[-1]}"
