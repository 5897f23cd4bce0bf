"""What a job file must mean to be usable: checks that look at several keys at once."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from models import units
from models.curve import Target
from recommender.job.dials import held
from recommender.job.knob_checks import MOST_BOOST_KPA, Fault, dials_of
from recommender.job.schema import JobFile, TargetTable, nearest
from recommender.job.toml_lines import KeyPath

#: Least width of the judged range. Less is a few points of a curve, and the fit is held to fewer still. [rpm]
LEAST_JUDGED: Final = 500.0
#: Common practice: the limit stands about 3 psi above the target. [kPa]
DEFAULT_HEADROOM_KPA: Final = float(units.to_kpa(3.0, "psi"))
#: A job is done at this deviation unless the file says otherwise. [kPa]
DEFAULT_TOLERANCE_KPA: Final = float(units.to_kpa(0.4, "psi"))


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
    faults = _names(file)
    remarks: list[str] = []
    targets = _targets(file, unit, faults)
    limit = _limit(file, unit, targets, faults, remarks)
    guards = file.guards.model_dump(by_alias=True, exclude_none=True)
    _guards(guards, faults)
    channels = file.channels.model_dump(by_alias=True, exclude_none=True)
    boost_unit = channels.get("boost_unit", unit)
    if boost_unit not in units.PASCAL_IN:
        words = f"must be one of {', '.join(units.PASCAL_IN)}.{nearest(boost_unit, list(units.PASCAL_IN))}"
        faults.append(Fault(("channels", "boost_unit"), boost_unit, words))
    dials = dials_of(file, unit, _ramp_at_rest(targets), faults, remarks)
    if faults:
        return faults
    return {
        "name": file.name,
        "pressure_unit": unit,
        "targets": targets,
        "limit": limit,
        "limit_is_default": file.limit.overpressure is None,
        "risk": file.limit.risk,
        "dials": dials,
        "channels": channels,
        "guards": guards,
        "log": file.log.model_dump(exclude_none=True),
        "notes": file.notes,
        "storage": file.record.storage,
        "study": file.record.study or file.name,
        "remarks": tuple(remarks),
    }


def steers(sign: str) -> bool:
    """Whether a sign is a control sign or ends a line."""
    return unicodedata.category(sign) in ("Cc", "Zl", "Zp")


def _names(file: JobFile) -> list[Fault]:
    """Faults of names that screens show in one line."""
    names: dict[KeyPath, str] = {("name",): file.name}
    names |= {("targets", name): name for name in file.targets}
    names |= {("record", "study"): file.record.study} if file.record.study is not None else {}
    faults = []
    for path, name in names.items():
        if not name.strip():
            faults.append(Fault(path, name, "must not be blank."))
        elif any(map(steers, name)):
            faults.append(Fault(path, name, "must be one line of text, without control signs."))
    return faults


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
    if np.any(np.diff(rpm) < 0):
        fault("rpm", table.rpm, "must rise from point to point. Sort the points.")
    elif np.any(np.diff(rpm) == 0):
        twice = float(rpm[int(np.argmin(np.diff(rpm)))])
        more = f"Put the second a little higher, for example at {twice + 50:g}."
        fault("rpm", table.rpm, f"must rise from point to point, but two points stand at {twice:g}. {more}")
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

    def misjudged(key: str, leaves: str, advice: str) -> None:
        given = getattr(table, key)
        words = f"judged range would run from {first:g} to {last:g} rpm: {advice}."
        fault(key, given, words if given is None else f"leaves {leaves} to judge: the {words}")

    if not first < last:
        key = "judge_from" if table.judge_from is not None or table.judge_to is None else "judge_to"
        misjudged(key, "no range", "set judge_from below judge_to")
    elif last - first < LEAST_JUDGED:
        key = "judge_to" if table.judge_to is not None or table.judge_from is None else "judge_from"
        misjudged(key, "too little", f"make it {LEAST_JUDGED:g} rpm wide or wider")
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


#: Least risk that the curves drawn can tell.
LEAST_RISK: Final = 0.001


def _limit(
    file: JobFile, unit: str, targets: dict[str, TargetWanted], faults: list[Fault], remarks: list[str]
) -> float:
    highest = max((max(each.boost) for each in targets.values()), default=0.0)
    given = file.limit.overpressure
    if not 0 < file.limit.risk <= 0.2:
        words = "must be a probability above 0 and at most 0.2, for example 0.01 for one pull in a hundred."
        faults.append(Fault(("limit", "risk"), file.limit.risk, words))
    elif file.limit.risk < LEAST_RISK:
        remarks.append(f"A risk of less than {100 * LEAST_RISK:g} % cannot be told: steps may have as much.")
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


def _guards(guards: dict[str, dict[str, float]], faults: list[Fault]) -> None:
    for name, bounds in guards.items():
        low, high = bounds.get("lowest"), bounds.get("highest")
        if low is None and high is None:
            words = "needs a bound, for example { highest = 930 } or { lowest = 0.7 }."
            faults.append(Fault(("guards", name), None, words))
        elif low is not None and high is not None and not low < high:
            faults.append(Fault(("guards", name, "lowest"), low, f"must be below highest, {high:g}."))


def _ramp_at_rest(targets: dict[str, TargetWanted]) -> tuple[float, float]:
    """Where the ramp of a controller without one is said to stand: over the judged range. [rpm]"""
    first = next(iter(targets.values()), None)
    return (first.judge_from, first.judge_to) if first else (0.0, 1.0)
