"""The knobs of a job file, checked and turned into dials."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from models import units
from models.settings import KNOB_NAMES
from recommender.job.dials import SLACK, Dial, fixed_dial, moving_dial
from recommender.job.schema import JobFile, KnobTable
from recommender.job.toml_lines import KeyPath

#: More boost than this is a number in the wrong unit. [kPa gauge]
MOST_BOOST_KPA: Final = 500.0
#: A dial with more positions than this is a slip of the pen.
MOST_POSITIONS: Final = 100_000
#: Values that a knob's range may have; engagement in kPa gauge.
WIDEST: Final = {
    "duty": (0.0, 100.0),
    "ramp_from": (0.0, 20000.0),
    "ramp_to": (0.0, 20000.0),
    "ramp_add": (-100.0, 100.0),
    "engagement": (0.0, MOST_BOOST_KPA),
    "gain": (0.0, 1e6),
}


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a job file.

    Attributes:
        path: The key, from the top.
        found: Its value; None where it is missing.
        words: What is allowed and what to change.
    """

    path: KeyPath
    found: Any
    words: str


def dials_of(
    file: JobFile, unit: str, ramp_at_rest: tuple[float, float], faults: list[Fault], remarks: list[str]
) -> dict[str, Dial]:
    """The six knobs, as far as they are sound; faults and remarks are added to the lists.

    Args:
        file: The job file.
        unit: The job's pressure unit.
        ramp_at_rest: Where the ramp of a controller without one is said to stand. [rpm]
        faults, remarks: What was found is added to them.
    """
    dials: dict[str, Dial] = {}
    absent: list[str] = []
    idle = dict(zip(("ramp_from", "ramp_to"), ramp_at_rest, strict=True))
    for name in KNOB_NAMES:
        table = getattr(file.knobs, name)
        knob_unit = unit if name == "engagement" else ""
        if table is not None:
            dial = _dial(name, table, knob_unit, faults)
            if dial is not None:
                dials[name] = dial
        elif name == "duty":
            words = "is missing: lower, upper, resolution and step of the solenoid's duty, or fixed."
            faults.append(Fault(("knobs", "duty"), None, words))
        else:
            dials[name] = fixed_dial(name, idle.get(name, 0.0), knob_unit, absent=True)
            absent.append(name)
    if absent:
        remarks.append(f"The job file has no table for {', '.join(absent)}: taken as fixed at idle.")
    if all(name in dials for name in ("ramp_from", "ramp_to", "ramp_add")):
        _ramp(dials, faults)
    return dials


def _dial(name: str, table: KnobTable, unit: str, faults: list[Fault]) -> Dial | None:
    path = ("knobs", name)
    parts = {key: getattr(table, key) for key in ("lower", "upper", "resolution", "step")}
    given = [key for key, value in parts.items() if value is not None]
    if table.fixed is not None:
        if given:
            words = f"stands beside {', '.join(given)}. Keep either fixed, or lower, upper, resolution and step."
            faults.append(Fault((*path, "fixed"), table.fixed, words))
            return None
        if not _within(path, name, {"fixed": table.fixed}, unit, faults):
            return None
        return fixed_dial(name, table.fixed, unit)
    missing = [key for key in parts if parts[key] is None]
    if missing:
        words = f"lacks {', '.join(missing)}. Give lower, upper, resolution and step, or fixed alone."
        faults.append(Fault(path, None, words))
        return None
    lower, upper, resolution, step = (float(parts[key]) for key in ("lower", "upper", "resolution", "step"))
    if not _within(path, name, {"lower": lower, "upper": upper}, unit, faults):
        return None
    for key, bad, words in _range_faults(lower, upper, resolution, step):
        if bad:
            faults.append(Fault((*path, key), parts[key], words))
            return None
    return moving_dial(name, lower, upper, resolution, step, unit)


def _range_faults(lower: float, upper: float, resolution: float, step: float) -> list[tuple[str, bool, str]]:
    """Key, whether it is at fault, and the words; the first that holds is the one to tell."""
    span = upper - lower
    # Past the most that is taken, how many does not matter, and a quotient that overflows could not be rounded.
    count = min(span / resolution, MOST_POSITIONS + 1.0) if resolution > 0 else 0.0
    fitting_upper, fitting_resolution = lower + int(count) * resolution, span / max(round(count), 1)
    return [
        ("upper", upper <= lower, f"must be above lower, {lower:g}. For a knob that stands still: fixed = {lower:g}."),
        ("resolution", resolution <= 0, "must be above 0: the smallest change that can be dialled."),
        (
            "resolution",
            count > MOST_POSITIONS,
            f"is too fine for the range {lower:g} to {upper:g}: must be at least {span / MOST_POSITIONS:g}.",
        ),
        ("resolution", count < 0.98, f"must be at most the range, {span:g} (from {lower:g} to {upper:g})."),
        (
            "resolution",
            abs(count - round(count)) > SLACK,
            f"must divide the range {lower:g} to {upper:g} into whole parts. Set upper = {fitting_upper:g}, "
            f"or resolution = {fitting_resolution:.6g}.",
        ),
        (
            "step",
            step < resolution * 0.98,
            f"must be at least one resolution, {resolution:g}: the largest change from one pull to the next.",
        ),
    ]


def _within(path: KeyPath, name: str, values: dict[str, float], unit: str, faults: list[Fault]) -> bool:
    low, high = WIDEST[name]
    if unit:
        low, high = (float(units.from_kpa(end, unit)) for end in (low, high))
    outside = {key: value for key, value in values.items() if not low <= value <= high * (1 + 1e-9)}
    where = f" {unit}" if unit else {"duty": " %", "ramp_from": " rpm", "ramp_to": " rpm"}.get(name, "")
    for key, value in outside.items():
        faults.append(Fault((*path, key), value, f"must lie between {low:.4g} and {high:.5g}{where}."))
    return not outside


def _ramp(dials: dict[str, Dial], faults: list[Fault]) -> None:
    start, end, add = dials["ramp_from"], dials["ramp_to"], dials["ramp_add"]
    if add.fixed and add.lower == 0:
        return  # a controller without a ramp: where it would stand does not matter
    if start.lower >= end.upper:
        key = "fixed" if start.fixed else "lower"
        words = f"must stay below ramp_to, which goes up to {end.upper:g} rpm: the ramp begins before it ends."
        faults.append(Fault(("knobs", "ramp_from", key), start.lower, words))
