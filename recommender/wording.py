"""How numbers, knobs and verdicts are worded: the same in reasons and why, on terminal, page, sheet and figures."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

KNOB_LABELS: Final[Mapping[str, str]] = {
    "duty": "Duty",
    "ramp_from": "Ramp from",
    "ramp_to": "Ramp to",
    "ramp_add": "Ramp add",
    "engagement": "Engagement",
    "gain": "Gain",
}
#: Units of the knobs; that of engagement is the job's.
_KNOB_UNITS: Final[Mapping[str, str]] = {
    "duty": "%",
    "ramp_from": "rpm",
    "ramp_to": "rpm",
    "ramp_add": "points",
    "gain": "",
}
#: Digits after the point of a pressure, and of a deviation, by unit.
_DIGITS: Final[Mapping[str, tuple[int, int]]] = {"psi": (1, 2), "kPa": (0, 1), "bar": (2, 3)}
#: What stands where a number cannot be told.
UNKNOWN: Final = "–"

CAUTIONS: Final = (
    "This tool advises; it controls nothing. A qualified tuner decides about every pull, and stops it.",
    "The controller's own overpressure cut comes first: set it, and test that it cuts, before the first pull.",
    "Someone watches fuelling, knock, exhaust temperature and cooling during every pull, and lifts at the first doubt.",
    "The dyno is run as its operator's manual says; nobody stands in line with the rollers.",
    "Risk and band are estimates from the pulls on record. A leak, a slipped hose or a tired part is not in them.",
)


@dataclass(frozen=True)
class Face:
    """How a verdict looks: a word or two, a sentence, and the name of a shape.

    Attributes:
        words: Said first and largest.
        line: What to do, in a sentence.
        shape: ``arrow``, ``ring``, ``tick``, ``ceiling`` or ``octagon``.
        key: The verdict as a name for styles.
    """

    words: str
    line: str
    shape: str
    key: str


FACES: Final[Mapping[str, Face]] = {
    "pull": Face("Pull", "Dial these settings in and make the next pull.", "arrow", "pull"),
    "repeat": Face("Repeat", "Run these settings once more.", "ring", "repeat"),
    "done": Face("Done", "These settings stand; no further pull is needed.", "tick", "done"),
    "out of reach": Face(
        "Out of reach",
        "No setting brings this car to the target. These settings are the best there are.",
        "ceiling",
        "reach",
    ),
    "stop": Face("Stop", "Make no further pull until the cause is found.", "octagon", "stop"),
}


def pressure(value: float, unit: str, *, signed: bool = False) -> str:
    """Boost as screens give it, without its unit: ``16.2``. ``value`` in ``unit``; a dash where it is not known."""
    return _number(value, _DIGITS.get(unit, (2, 3))[0], signed)


def fine(value: float, unit: str) -> str:
    """A deviation, one digit finer: ``0.38``. ``value`` in ``unit``"""
    return _number(value, _DIGITS.get(unit, (2, 3))[1], False)


def past(value: float, bound: float, unit: str, *, finer: bool = False) -> str:
    """As ``pressure``, or ``fine``, with more digits where it would read like a bound that it is past or short of:
    ``19.04`` beside a limit of 19.0. Both in ``unit``"""
    digits = _DIGITS.get(unit, (2, 3))[int(finer)]
    for more in range(3):
        if _number(value, digits + more, False) != _number(bound, digits + more, False):
            return _number(value, digits + more, False)
    return _number(value, digits, False)


def least_shown(unit: str) -> float:
    """Least pressure that screens tell from nothing. [``unit``]"""
    return float(10.0 ** -_DIGITS.get(unit, (2, 3))[0])


def _number(value: float, digits: int, signed: bool) -> str:
    if not math.isfinite(value):
        return UNKNOWN
    text = f"{value:{'+' if signed else ''}.{digits}f}"
    shown = text.lstrip("+-").strip("0.") == ""
    return text.lstrip("-+") if shown else text.replace("-", "−")


def risk(value: float, allowed: float = 0.01) -> str:
    """A probability as screens give it: ``0.4 %``, ``under 0.3 %``.

    Args:
        value: The probability.
        allowed: What the job allows. What is far under that is told by hardly one curve of all that are drawn.
    """
    if not math.isfinite(value):
        return UNKNOWN
    percent, least = 100.0 * value, 30.0 * min(max(allowed, 0.001), 0.01)
    if percent < least:
        return f"under {least:.2g} %"
    if percent > 99.9:
        return "over 99.9 %"
    digits = 2 if percent < 0.095 else 1 if percent < 9.95 or percent >= 99.5 else 0
    text = f"{percent:.{digits}f}"
    if value > allowed and float(text) <= 100.0 * allowed + 1e-9:
        return f"just over {allowed_risk(allowed)}"
    return f"{text} %"


def allowed_risk(value: float) -> str:
    """The risk that a job allows, as its file has it: ``1 %``, ``0.5 %``."""
    return f"{100.0 * value:g} %"


def share(value: float) -> str:
    """A share of points: ``92 %``."""
    return UNKNOWN if not math.isfinite(value) else f"{100.0 * value:.0f} %"


def rpm(value: float) -> str:
    """Engine speed to ten, finer than which none is known: ``4350 rpm``; a dash where it is not known."""
    return UNKNOWN if not math.isfinite(value) else f"{round(value, -1):.0f} rpm"


def writable(name: str) -> str:
    """A file's name as UTF-8 can write it: bytes of another encoding stand as question marks."""
    return name.encode("utf-8", "replace").decode()


def knob_number(value: float) -> str:
    """A knob's value as it is dialled, without its unit."""
    return f"{value:.5g}"


def knob_word(name: str) -> str:
    """A knob's name within a sentence: ``ramp add``."""
    return KNOB_LABELS[name].lower()


def knob_unit(name: str, pressure_unit: str) -> str:
    """Unit of a knob: ``%``, ``rpm``, ``points``, the job's pressure unit, or nothing."""
    return pressure_unit if name == "engagement" else _KNOB_UNITS[name]


def knob(name: str, value: float, pressure_unit: str) -> str:
    """A knob's value with its unit: ``34 %``."""
    unit = knob_unit(name, pressure_unit)
    return f"{knob_number(value)} {'point' if unit == 'points' and value == 1 else unit}".strip()


def settings_line(settings: Mapping[str, float], pressure_unit: str, absent: frozenset[str] = frozenset()) -> str:
    """All knobs in one line: ``Duty 34 %, Ramp from 4800 rpm, …``; those the controller lacks are left out."""
    return ", ".join(
        f"{KNOB_LABELS[name]} {knob(name, value, pressure_unit)}"
        for name, value in settings.items()
        if name not in absent
    )
