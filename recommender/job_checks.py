"""What a job file must mean to be usable: checks that look at several keys at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from models import units
from models.curve import Target
from models.settings import KNOB_NAMES
from recommender.dials import SLACK, Dial, fixed_dial, held, moving_dial
from recommender.job_schema import JobFile, KnobTable, TargetTable, nearest
from recommender.toml_lines import KeyPath

#: Common practice: the limit stands about 3 psi above the target. [kPa]
DEFAULT_HEADROOM_KPA: Final = float(units.to_kpa(3.0, "psi"))
#: A job is done at this deviation unless the file says otherwise. [kPa]
DEFAULT_TOLERANCE_KPA: Final = float(units.to_kpa(0.4, "psi"))
#: More boost than this is a number in the wrong unit. [kPa gauge]
MOST_BOOST_KPA: Final = 500.0
#: Values that a knob's range may have; engagement in kPa gauge.
WIDEST: Final = {
    "duty": (0.0, 100.0),
    "ramp_from": (0.0, 20000.0),
    "ramp_to": (0.0, 20000.0),
    "ramp_add": (-100.0, 100.0),
    "engagement": (0.0, MOST_BOOST_KPA),
    "gain": (-1e6, 1e6),
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


@dataclass(frozen=True)
class TargetWanted:
    """One target of the job.

    Attributes:
        name: ``target``, or the name of its ``[targets.NAME]`` table.
        rpm, boost: Points as the file gives them. [rpm], [job's unit, gauge]
        judge_from, judge_to: Judged range. [rpm]
        tolerance: Deviation at which the job is done. [job's unit]
        target: The same, in kPa gauge.
        tolerance_kpa: [kPa]
    """

    name: str
    rpm: tuple[float, ...]
    boost: tuple[float, ...]
    judge_from: float
    judge_to: float
    tolerance: float
    target: Target
    tolerance_kpa: float


def to_kpa(value: float, unit: str) -> float:
    """One pressure in kPa."""
    return float(units.to_kpa(value, unit))


def check(file: JobFile) -> dict[str, Any] | list[Fault]:
    """Fields of a ``Job`` from a parsed file, or every fault found."""
    if file.pressure not in units.JOB_PRESSURE_UNITS:
        allowed = ", ".join(f'"{unit}"' for unit in units.JOB_PRESSURE_UNITS)
        words = f"must be one of {allowed}.{nearest(file.pressure, units.JOB_PRESSURE_UNITS)}"
        return [Fault(("pressure",), file.pressure, f"{words} Pressures of the file and of every screen are in it.")]
    unit = file.pressure
    faults: list[Fault] = []
    remarks: list[str] = []
    targets = _targets(file, unit, faults)
    limit = _limit(file, unit, targets, faults, remarks)
    _guards(file, faults)
    dials = _dials(file, unit, targets, faults, remarks)
    if faults:
        return faults
    channels = file.channels.model_dump(by_alias=True, exclude_none=True)
    return {
        "name": file.name,
        "pressure_unit": unit,
        "targets": targets,
        "limit": limit,
        "limit_is_default": file.limit.overpressure is None,
        "risk": file.limit.risk,
        "dials": dials,
        "channels": channels,
        "guards": {name: guard.model_dump(exclude_none=True) for name, guard in file.guards.items()},
        "log": dict(file.log),
        "notes": file.notes,
        "storage": file.record.storage,
        "study": file.record.study or file.name,
        "remarks": tuple(remarks),
    }


def _targets(file: JobFile, unit: str, faults: list[Fault]) -> dict[str, TargetWanted]:
    if file.target is not None and file.targets:
        words = "stands beside [target]. Move that one to a table of its own, like [targets.road]."
        faults.append(Fault(("targets",), None, words))
        return {}
    tables = {("target",): file.target} if file.target else {("targets", name): t for name, t in file.targets.items()}
    if not tables:
        words = "is missing: boost wanted at each rpm, for example rpm = [2600, 3900, 6800] and boost = [8, 16, 16]."
        faults.append(Fault(("target",), None, words))
    found = {}
    for path, table in tables.items():
        wanted = _target(path, table, unit, faults)
        if wanted is not None:
            found[path[-1]] = wanted
    return found


def _target(path: KeyPath, table: TargetTable, unit: str, faults: list[Fault]) -> TargetWanted | None:
    before = len(faults)

    def fault(key: str, found: Any, words: str) -> None:
        faults.append(Fault((*path, key), found, words))

    rpm, boost = np.array(table.rpm), np.array(table.boost)
    if rpm.size != boost.size:
        fault("boost", table.boost, f"must hold one boost for each rpm: {rpm.size} rpm, but {boost.size} boost.")
        return None
    if np.any(np.diff(rpm) <= 0):
        fault("rpm", table.rpm, "must rise from point to point. Sort the points.")
    if rpm.min() < 300 or rpm.max() > 20000:
        fault("rpm", table.rpm, "must lie between 300 and 20000 rpm.")
    if boost.min() < 0 or boost.max() <= 0:
        fault("boost", table.boost, f"must be gauge pressure in {unit}: 0 or more, and above 0 somewhere.")
    if to_kpa(float(boost.max()), unit) > MOST_BOOST_KPA:
        most = float(units.from_kpa(MOST_BOOST_KPA, unit))
        fault("boost", table.boost, f'must be at most {most:.3g} {unit}. Is pressure = "{unit}" the unit meant?')
    first, last = table.judge_from, table.judge_to
    first = float(rpm[int(np.argmax(boost))]) if first is None else first
    last = float(rpm[-1]) if last is None else last
    if not first < last:
        key = "judge_from" if table.judge_from is not None or table.judge_to is None else "judge_to"
        given = getattr(table, key)
        words = f"judged range would run from {first:g} to {last:g} rpm: set judge_from below judge_to."
        fault(key, given, words if given is None else f"leaves no range to judge: the {words}")
    tolerance = table.tolerance
    if tolerance is not None and not 0 < to_kpa(tolerance, unit) <= 50:
        most = float(units.from_kpa(50.0, unit))
        fault("tolerance", tolerance, f"must be above 0 and at most {most:.3g} {unit}.")
    if len(faults) > before:
        return None
    tolerance_kpa = DEFAULT_TOLERANCE_KPA if tolerance is None else to_kpa(tolerance, unit)
    return TargetWanted(
        name=path[-1],
        rpm=tuple(table.rpm),
        boost=tuple(table.boost),
        judge_from=first,
        judge_to=last,
        tolerance=round(float(units.from_kpa(tolerance_kpa, unit)), 6),
        target=Target(rpm, np.array([held(to_kpa(each, unit)) for each in table.boost]), first, last),
        tolerance_kpa=held(tolerance_kpa),
    )


def _limit(
    file: JobFile, unit: str, targets: dict[str, TargetWanted], faults: list[Fault], remarks: list[str]
) -> float:
    highest = max((max(each.boost) for each in targets.values()), default=0.0)
    given = file.limit.overpressure
    if not 0 < file.limit.risk <= 0.2:
        words = "must be a probability above 0 and at most 0.2, for example 0.01 for one pull in a hundred."
        faults.append(Fault(("limit", "risk"), file.limit.risk, words))
    if given is None:
        limit = round(float(units.from_kpa(to_kpa(highest, unit) + DEFAULT_HEADROOM_KPA, unit)), 6)
        remarks.append(
            f"The job file gives no overpressure limit: {limit:.4g} {unit} is used, 3 psi above the highest target."
        )
        return limit
    if targets and given <= highest:
        words = (
            f"must be above the highest target, {highest:g} {unit}. Raise the limit if the engine allows it, "
            "or lower the target; common practice is 3 psi between them."
        )
        faults.append(Fault(("limit", "overpressure"), given, words))
    elif to_kpa(given, unit) > MOST_BOOST_KPA * 1.2:
        most = float(units.from_kpa(MOST_BOOST_KPA * 1.2, unit))
        words = f'must be at most {most:.3g} {unit}. Is pressure = "{unit}" the unit meant?'
        faults.append(Fault(("limit", "overpressure"), given, words))
    return given


def _guards(file: JobFile, faults: list[Fault]) -> None:
    for name, guard in file.guards.items():
        low, high = guard.lowest, guard.highest
        if low is None and high is None:
            words = "needs a bound, for example { highest = 930 } or { lowest = 0.7 }."
            faults.append(Fault(("guards", name), None, words))
        elif low is not None and high is not None and not low < high:
            faults.append(Fault(("guards", name, "lowest"), low, f"must be below highest, {high:g}."))


def _dials(
    file: JobFile, unit: str, targets: dict[str, TargetWanted], faults: list[Fault], remarks: list[str]
) -> dict[str, Dial]:
    dials: dict[str, Dial] = {}
    first = next(iter(targets.values()), None)
    idle = {"ramp_from": first.judge_from if first else 0.0, "ramp_to": first.judge_to if first else 1.0}
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
            remarks.append(f"No [knobs.{name}] in the job file: taken as a controller without it, fixed at idle.")
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
    count = span / resolution if resolution > 0 else 0.0
    fitting_upper, fitting_resolution = lower + int(count) * resolution, span / max(round(count), 1)
    return [
        ("upper", upper <= lower, f"must be above lower, {lower:g}. For a knob that stands still: fixed = {lower:g}."),
        ("resolution", resolution <= 0, "must be above 0: the smallest change that can be dialled."),
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
