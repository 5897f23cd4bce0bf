"""What a session hands out: steps and pulls in the job's units, frozen."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any

import numpy as np

from models.units import FloatArray
from recommender.record.trials import PullEntry, known_barometer_kpa


@dataclass(frozen=True)
class StepBand:
    """Where the next pull's boost is expected: 90 % at each rpm. Arrays of one length, job's unit, gauge."""

    rpm: FloatArray
    mean: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True)
class RuledOut:
    """A step that was looked at and not taken: settings and deviation in the job's units."""

    settings: Mapping[str, float]
    deviation: float
    risk: float
    ruled_out_by: str


@dataclass(frozen=True)
class Step:
    """What to do next. Pressures in ``unit``, gauge.

    Attributes:
        number: Place among the job's steps, from 1; 0 for one that is not on record.
        target: Name of the target that it serves.
        verdict: ``pull``, ``repeat``, ``done``, ``out of reach`` or ``stop``.
        settings: The six knobs as they are dialled; None when there is nothing to run.
        risk: Probability that the highest boost passes the limit. 0 to 1
        deviation: Expected deviation.
        band: Expected curve.
        reasons: Sentences, most important first.
        codes: One short stable word group for each reason.
        changed: Knobs that differ from the last pull, with the value they had.
        peak, peak_high: Expected highest boost, and the one passed with 5 % probability.
        limit, margin: Overpressure limit, and what is left to it above ``peak_high``.
        tightest_rpm: Where the band comes nearest to the limit. [rpm]
        cause, cause_rpm: For ``out of reach`` and ``stop``: what holds the car back, and from which rpm.
        best_pull, best_settings: Pull that stands as the best so far (0 and None before there is one).
        best_possible: Least deviation thought possible with this hardware; NaN before it can be told.
        binding: What held the step back.
        alternatives: Best steps ruled out.
        notes: What was assumed, for example that the default limit is used.
        facts: Learnt numbers that the decision gives along.
    """

    number: int
    target: str
    verdict: str
    settings: Mapping[str, float] | None
    risk: float
    deviation: float
    band: StepBand
    reasons: list[str]
    codes: list[str]
    changed: Mapping[str, float]
    peak: float
    peak_high: float
    limit: float
    margin: float
    tightest_rpm: float
    unit: str
    cause: str = ""
    cause_rpm: float = float("nan")
    best_pull: int = 0
    best_settings: Mapping[str, float] | None = None
    best_possible: float = float("nan")
    binding: tuple[str, ...] = ()
    alternatives: tuple[RuledOut, ...] = ()
    notes: tuple[str, ...] = ()
    facts: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class PullResult:
    """A pull on record. Pressures in ``unit``, gauge; NaN where it cannot be told.

    Attributes:
        number: Place in the job, from 1.
        settings: What was dialled in.
        source: ``proposed``, ``changed`` (other settings than proposed) or ``foreign`` (no step before it).
        step: Number of the step that stood when it was run; None where there was none.
        target: Target that the measures below are taken against.
        deviation: From that target over the judged range.
        deviations: From every target of the job, by name.
        peak, peak_rpm: Highest boost of the raw trace, and where.
        margin: Limit minus peak; negative where the limit was passed.
        limit, limit_then: Overpressure limit of the job file as it is now, and as it was when the pull was added.
        overshoot: Most above the target, on the way up too.
        ran_past: The same but, before the judged range, above what is wanted at its beginning: it is told as overshoot.
        spool_rpm: Boost at nine tenths of the target. [rpm]
        droop: Fall towards the top.
        oscillation, oscillation_hz: Half swing of the ringing, NaN where the log cannot tell; its frequency, NaN where
            none stands out.
        complete: False for a sweep that was aborted.
        trusted: False where the log cannot be relied on.
        warnings: What the tuner should know about the pull: limit and guards passed, settings off the dial, quality.
        held: Share of the predicted 90 % band's points that the pull kept; NaN where nothing was predicted for it.
        hit: Whether band and peak held; None where nothing was predicted for it, or where it was aborted before it
            could tell.
        predicted_peak, predicted_deviation: What the step expected; the latter NaN where the step was for another
            target.
        conditions: Barometer [kPa absolute] and where that is from, intake and coolant temperature [°C], as far as
            known. The barometer may be assumed: ``barometer_kpa`` is not.
        watched: Guards of the job that watched it, with their bounds as they are now.
        rpm, boost: The curve.
        log, sha256: Name of the log as it was brought, and its digest.
        added: When, ISO 8601.
        withdrawn: Why it was withdrawn; None for one that stands.
    """

    number: int
    settings: Mapping[str, float]
    source: str
    step: int | None
    target: str
    deviation: float
    deviations: Mapping[str, float]
    peak: float
    peak_rpm: float
    margin: float
    limit: float
    overshoot: float
    spool_rpm: float
    droop: float
    oscillation: float
    oscillation_hz: float
    complete: bool
    trusted: bool
    warnings: tuple[str, ...]
    held: float
    hit: bool | None
    predicted_peak: float
    predicted_deviation: float
    conditions: Mapping[str, float]
    unit: str
    rpm: FloatArray = field(repr=False)
    boost: FloatArray = field(repr=False)
    log: str = ""
    sha256: str = ""
    added: str = ""
    withdrawn: str | None = None
    watched: tuple[str, ...] = ()
    ran_past: float = float("nan")
    limit_then: float = float("nan")
    entry: PullEntry | None = field(default=None, repr=False, compare=False)

    @property
    def barometer_kpa(self) -> float:
        """Ambient pressure where it was read or stated; NaN where the standard atmosphere is assumed. [kPa absolute]"""
        return known_barometer_kpa(self.conditions)

    @property
    def at_held_rpm(self) -> bool:
        """Whether it was a run at held rpm and no sweep."""
        return self.entry is not None and bool(self.entry.facts.get("held"))


def to_json(answer: Any) -> str:
    """A step or a pull as one JSON object with its fields; NaN becomes null, arrays become lists. In ASCII: where it is
    written may have an encoding of its own, and JSON is read as UTF-8."""
    return json.dumps(plain(answer))


def plain(value: Any) -> Any:
    """Nested dictionaries, lists, numbers and text of an answer, as JSON can hold them."""
    if isinstance(value, PullEntry):
        return None
    if is_dataclass(value) and not isinstance(value, type):
        return {each.name: plain(getattr(value, each.name)) for each in fields(value) if each.name != "entry"}
    if isinstance(value, Mapping):
        return {str(name): plain(each) for name, each in value.items()}
    if isinstance(value, np.ndarray):
        return [plain(each) for each in value.tolist()]
    if isinstance(value, (list, tuple)):
        return [plain(each) for each in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
