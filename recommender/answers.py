"""What a session hands out: steps and pulls in the job's units, frozen."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any

import numpy as np

from models.settings import Settings
from models.units import FloatArray, from_kpa
from recommender.job import Job
from recommender.pull_log import GuardHit, measures_out, target_digest
from recommender.step import Decision, Problem
from recommender.stored import Stored, decision_in, number_in
from recommender.trials import SPACING_RPM, PullEntry

#: Share of its points that a 90 % band must hold for a prediction to count as a hit. [-]
HIT_SHARE = 0.8


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
        overshoot: Most above the target.
        spool_rpm: Boost at nine tenths of the target. [rpm]
        droop: Fall towards the top.
        oscillation, oscillation_hz: Half swing and frequency of ringing after spool.
        complete: False for a sweep that was aborted.
        trusted: False where the log cannot be relied on.
        warnings: What the tuner should know about the pull: limit and guards passed, settings off the dial, quality.
        held: Share of the predicted 90 % band's points that the pull kept; NaN where nothing was predicted for it.
        hit: Whether band and peak held; None where nothing was predicted for it.
        predicted_peak, predicted_deviation: What the step expected.
        conditions: Barometer [kPa absolute], intake and coolant temperature [°C], as far as known.
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
    entry: PullEntry | None = field(default=None, repr=False, compare=False)


def step_answer(job: Job, stored: Stored, problem: Problem, pulls: tuple[PullEntry, ...]) -> Step:
    """A stored step in the job's units.

    Args:
        job: The job.
        stored: The step as the record keeps it.
        problem: The problem it answered.
        pulls: Pulls that it was made from, in order.
    """
    decision = decision_in(stored["decision"])
    override = stored.get("override")
    settings = decision.settings
    pairs = [(reason.code, reason.text) for reason in decision.reasons]
    verdict: str = decision.verdict
    if override:
        verdict = override["verdict"]
        settings = settings if override["runs"] else None
        pairs = [(code, text) for code, text in override["reasons"]] + pairs
    best = next((pull for pull in pulls if pull.number == decision.best_number), None)
    unit = job.pressure_unit
    return Step(
        number=stored["number"],
        target=stored["target"],
        verdict=verdict,
        settings=None if settings is None else job.settings_to_job(settings),
        risk=decision.risk,
        deviation=_pressure(decision.deviation_kpa, unit),
        band=_band(decision, unit),
        reasons=[text for _, text in pairs],
        codes=[code for code, _ in pairs],
        changed=_changed(job, settings, pulls),
        peak=_pressure(decision.peak_kpa, unit),
        peak_high=_pressure(decision.peak_high_kpa, unit),
        limit=job.limit if problem.limit_kpa == job.limit_kpa else _pressure(problem.limit_kpa, unit),
        margin=_pressure(decision.margin_kpa, unit),
        tightest_rpm=decision.tightest_rpm,
        unit=unit,
        cause=decision.cause,
        cause_rpm=decision.cause_rpm,
        best_pull=decision.best_number,
        best_settings=None if best is None else job.settings_to_job(best.settings),
        best_possible=_pressure(decision.best_possible_kpa, unit),
        binding=decision.binding,
        alternatives=tuple(
            RuledOut(
                job.settings_to_job(each.settings), _pressure(each.deviation_kpa, unit), each.risk, each.ruled_out_by
            )
            for each in decision.alternatives
        ),
        notes=job.remarks,
        facts=decision.facts,
    )


def pull_answer(job: Job, pull: PullEntry, target: str, stored: Stored | None) -> PullResult:
    """A pull in the job's units.

    Args:
        job: The job.
        pull: The pull on record.
        target: Name of the target to measure against.
        stored: The step that proposed its settings; None where none did.
    """
    facts, unit = pull.facts, job.pressure_unit
    measures = {name: _measures(pull, job, name) for name in job.targets}
    own = measures[target]
    decision = decision_in(stored["decision"]) if stored is not None and pull.source == "proposed" else None
    held = _held(pull, decision)
    return PullResult(
        number=pull.number,
        settings=job.settings_to_job(pull.settings),
        source=pull.source,
        step=pull.step,
        target=target,
        deviation=_pressure(number_in(own["deviation_kpa"]), unit),
        deviations={name: _pressure(number_in(each["deviation_kpa"]), unit) for name, each in measures.items()},
        peak=_pressure(facts["peak_kpa"], unit),
        peak_rpm=facts["peak_rpm"],
        margin=_pressure(job.limit_kpa - facts["peak_kpa"], unit),
        limit=job.limit,
        overshoot=_pressure(number_in(own["overshoot_kpa"]), unit),
        spool_rpm=number_in(own["spool_rpm"]),
        droop=_pressure(number_in(own["droop_kpa"]), unit),
        oscillation=_pressure(facts["oscillation_kpa"], unit),
        oscillation_hz=number_in(facts["oscillation_hz"]),
        complete=facts["complete"],
        trusted=facts["trusted"],
        warnings=_warnings(job, pull),
        held=held,
        hit=None if decision is None or math.isnan(held) else _hit(pull, decision, held),
        predicted_peak=_pressure(decision.peak_kpa if decision else float("nan"), unit),
        predicted_deviation=_pressure(decision.deviation_kpa if decision else float("nan"), unit),
        conditions=dict(facts["conditions"]),
        unit=unit,
        rpm=pull.curve.rpm,
        boost=_array(pull.curve.boost_kpa, unit),
        log=facts["log"],
        sha256=facts["sha256"],
        added="" if pull.added is None else pull.added.isoformat(timespec="seconds"),
        withdrawn=pull.withdrawn,
        entry=pull,
    )


def to_json(answer: Any) -> str:
    """A step or a pull as one JSON object with its fields; NaN becomes null, arrays become lists."""
    return json.dumps(plain(answer), ensure_ascii=False)


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


def _pressure(kpa: float, unit: str) -> float:
    return float(from_kpa(kpa, unit))


def _array(values_kpa: FloatArray, unit: str) -> FloatArray:
    array = np.array(from_kpa(values_kpa, unit))
    array.flags.writeable = False
    return array


def _band(decision: Decision, unit: str) -> StepBand:
    band = decision.band
    return StepBand(
        band.rpm, _array(band.mean_kpa, unit), _array(band.low_kpa, unit), _array(band.high_kpa, unit)
    )


def _changed(job: Job, settings: Settings | None, pulls: tuple[PullEntry, ...]) -> dict[str, float]:
    if settings is None or not pulls:
        return {}
    before, after = job.settings_to_job(pulls[-1].settings), job.settings_to_job(settings)
    return {name: before[name] for name in after if abs(after[name] - before[name]) > 1e-6}


def _measures(pull: PullEntry, job: Job, name: str) -> Stored:
    """Measures against a target, from the record; from the trace for a target that is newer than the pull."""
    from models.curve import measure

    target = job.targets[name].target
    kept = pull.facts["measures"].get(target_digest(target))
    if kept is not None:
        return dict(kept)
    lag = float(job.channels.get("gauge_lag_s", 0.0))
    return measures_out(measure(pull.trace, target, spacing_rpm=SPACING_RPM, gauge_lag_s=lag))


def _held(pull: PullEntry, decision: Decision | None) -> float:
    """Share of the band's points that the curve kept. [-], NaN where there is nothing to compare"""
    if decision is None:
        return float("nan")
    boost = pull.curve_on(decision.band.rpm).boost_kpa
    known = np.isfinite(boost) & np.isfinite(decision.band.low_kpa)
    if not known.any():
        return float("nan")
    inside = (boost >= decision.band.low_kpa) & (boost <= decision.band.high_kpa)
    return float(np.mean(inside[known]))


def _hit(pull: PullEntry, decision: Decision, held: float) -> bool:
    return held >= HIT_SHARE and bool(pull.facts["peak_kpa"] <= decision.peak_high_kpa)


def _warnings(job: Job, pull: PullEntry) -> tuple[str, ...]:
    facts, warnings = pull.facts, []
    problem = job.problem()
    if facts["peak_kpa"] > job.limit_kpa:
        over = problem.say(facts["peak_kpa"] - job.limit_kpa)
        peak = f"{problem.say(facts['peak_kpa'])} at {facts['peak_rpm']:.0f} rpm"
        warnings.append(f"Overpressure limit passed: {peak}, {over} above it.")
    warnings += [f"Guard passed: {GuardHit(**hit).words()}." for hit in facts["guards"]]
    for name, value in pull.settings.as_dict().items():
        dial = job.dials[name]
        if abs(float(dial.knob.value(dial.knob.index(value))) - value) > 1e-6:
            warnings.append(
                f"{name} {dial.to_job(value):g} is not on the dial ({dial.range_words()}): kept as it was run."
            )
    if not facts["complete"]:
        warnings.append(f"Aborted at {pull.curve.rpm[-1]:.0f} rpm: counted as far as it goes.")
    return (*warnings, *facts["remarks"])
