"""Problems, decisions and traces as the record keeps them, and back again, to the last bit.

Numbers go through JSON, whose shortest decimal form gives back the same double. NaN is kept as null.
"""

from __future__ import annotations

import base64
import hashlib
import json
import math
import zlib
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, TypeVar

import numpy as np

from models.curve import Target, Trace
from models.settings import KNOB_NAMES, Knob, Settings
from models.units import FloatArray
from recommender.decide.step import Alternative, Band, Decision, Problem, Reason

Stored = dict[str, Any]
_Value = TypeVar("_Value")


def number_out(value: float) -> float | None:
    """A number for JSON: null stands for NaN."""
    return None if math.isnan(value) else float(value)


def number_in(value: float | None) -> float:
    """A number from JSON: NaN where it is null."""
    return float("nan") if value is None else float(value)


def digest(content: object) -> str:
    """SHA-256 of a JSON value, its keys sorted. 64 hexadecimal digits"""
    return hashlib.sha256(json.dumps(content, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def target_digest(target: Target) -> str:
    """Mark of a target, under which the measures taken against it are kept."""
    boost, rpm = target.boost_kpa.tolist(), target.rpm.tolist()
    return digest([rpm, boost, target.judge_from, target.judge_to])[:16]


def problem_out(problem: Problem) -> Stored:
    """A problem as JSON holds it."""
    target = problem.target
    return {
        "target": {
            "rpm": target.rpm.tolist(),
            "boost_kpa": target.boost_kpa.tolist(),
            "judge_from": target.judge_from,
            "judge_to": target.judge_to,
        },
        "limit_kpa": problem.limit_kpa,
        "risk": problem.risk,
        "tolerance_kpa": problem.tolerance_kpa,
        "knobs": {name: [knob.lower, knob.upper, knob.resolution, knob.step] for name, knob in problem.knobs.items()},
        "pressure_unit": problem.pressure_unit,
        "seed": problem.seed,
    }


def problem_in(stored: Mapping[str, Any]) -> Problem:
    """A problem from what ``problem_out`` gave."""
    target = stored["target"]
    return Problem(
        target=Target(np.array(target["rpm"]), np.array(target["boost_kpa"]), target["judge_from"], target["judge_to"]),
        limit_kpa=stored["limit_kpa"],
        risk=stored["risk"],
        tolerance_kpa=stored["tolerance_kpa"],
        knobs={name: Knob(name, *stored["knobs"][name]) for name in KNOB_NAMES},
        pressure_unit=stored["pressure_unit"],
        seed=int(stored["seed"]),
    )


def decision_out(decision: Decision) -> Stored:
    """A decision as JSON holds it."""
    stored: Stored = {each.name: getattr(decision, each.name) for each in fields(decision)}
    stored["settings"] = _settings_out(decision.settings)
    stored["band"] = {each.name: _array_out(getattr(decision.band, each.name)) for each in fields(Band)}
    stored["reasons"] = [[reason.code, reason.text] for reason in decision.reasons]
    stored["binding"] = list(decision.binding)
    stored["alternatives"] = [
        {each.name: _plain(getattr(option, each.name)) for each in fields(Alternative)}
        for option in decision.alternatives
    ]
    stored["facts"] = {name: _plain(value) for name, value in decision.facts.items()}
    return {name: _plain(value) for name, value in stored.items()}


def decision_in(stored: Mapping[str, Any]) -> Decision:
    """A decision from what ``decision_out`` gave; of another version too, as far as the fields are the same."""
    values = _known(Decision, stored)
    values["settings"] = _settings_in(stored["settings"])
    values["band"] = Band(**{each.name: _array_in(stored["band"][each.name]) for each in fields(Band)})
    values["reasons"] = tuple(Reason(code, text) for code, text in stored["reasons"])
    values["binding"] = tuple(stored.get("binding", ()))
    values["alternatives"] = tuple(
        Alternative(**(_known(Alternative, option) | {"settings": _settings_in(option["settings"])}))
        for option in stored.get("alternatives", ())
    )
    values["facts"] = {name: number_in(value) for name, value in stored.get("facts", {}).items()}
    return Decision(**values)


def trace_out(trace: Trace) -> str:
    """A trace as one compact piece of text: number of rows, then doubles, deflated, base64."""
    rows = [trace.time_s, trace.rpm, trace.boost_kpa]
    rows += [] if trace.duty_pct is None else [trace.duty_pct]
    columns = np.vstack(rows).astype("<f8")
    return f"{len(rows)}:" + base64.b64encode(zlib.compress(columns.tobytes(), 6)).decode("ascii")


def trace_in(stored: str) -> Trace:
    """A trace from what ``trace_out`` gave."""
    rows, _, packed = stored.partition(":")
    values = np.frombuffer(zlib.decompress(base64.b64decode(packed)), dtype="<f8").reshape(int(rows), -1)
    return Trace(values[0], values[1], values[2], values[3] if int(rows) == 4 else None)


def _plain(value: Any) -> Any:
    if isinstance(value, Settings):
        return _settings_out(value)
    if isinstance(value, (float, np.floating)):
        return number_out(float(value))
    if isinstance(value, np.integer):
        return int(value)
    return value


def _settings_out(settings: Settings | None) -> list[float] | None:
    return None if settings is None else list(settings)


def _settings_in(stored: list[float] | None) -> Settings | None:
    return None if stored is None else Settings.from_array(stored)


def _array_out(values: FloatArray) -> list[float | None]:
    return [number_out(value) for value in np.asarray(values, dtype=float).tolist()]


def _array_in(stored: list[float | None]) -> FloatArray:
    array = np.array([number_in(value) for value in stored], dtype=float)
    array.flags.writeable = False
    return array


def _known(kind: type[Any], stored: Mapping[str, Any]) -> dict[str, Any]:
    """Fields that this version knows; null back to NaN where the field is a plain number."""
    numbers = {each.name for each in fields(kind) if each.type == "float"}
    names = {each.name for each in fields(kind)}
    return {name: number_in(value) if name in numbers else value for name, value in stored.items() if name in names}
