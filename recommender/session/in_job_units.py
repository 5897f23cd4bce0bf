"""Steps and pulls of the record, turned into answers in the job's units."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np

from models.curve import Target, measure
from models.settings import Settings
from models.units import FloatArray, from_kpa
from recommender import wording
from recommender.decide.step import Band, Decision, Problem
from recommender.job import Job
from recommender.logs.options import guarded_role
from recommender.record.snapshot import Snapshot
from recommender.record.stored import Stored, decision_in, number_in, problem_in, target_digest
from recommender.record.trials import SPACING_RPM, PullEntry
from recommender.session import conditions, held_run
from recommender.session.answers import PullResult, RuledOut, Step, StepBand
from recommender.session.dialled import OWN_DUTY
from recommender.session.pull_facts import measures_out
from recommender.session.pull_log import TOO_SLOW, GuardHit

#: Share of its points that a 90 % band must hold for a prediction to count as a hit. [-]
HIT_SHARE: Final = 0.8
#: Codes of reasons that say that the car has changed, or may have.
_CHANGED: Final = ("changed", "noticed doubt", "noticed unequal", "stop")


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
        first = [(code, text) for code, text in override["reasons"]]
        withheld = override.get("withheld", False)
        pairs = first if withheld else first + pairs
        settings = settings if override["runs"] else None
        decision = _withheld(decision) if withheld else decision
    best = next((pull for pull in pulls if pull.number == decision.best_number), None)
    if override and override.get("again") and best is not None:
        settings = best.settings
    if best is not None and verdict in ("done", "out of reach"):
        off = [f"{text}: it stands as it was run in pull {best.number}." for text in off_dial(job, best.settings)]
        pairs[1:1] = [("off the dial", text) for text in off]
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
        limit=_limit(job, problem.limit_kpa),
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
        notes=(
            *job.remarks,
            *_other_limit(problem, pulls),
            *_other_duty([code for code, _ in pairs], pulls),
            *_conditions(verdict, pulls),
            *_held_run(problem, verdict, pulls),
        ),
        facts=decision.facts,
    )


def _other_limit(problem: Problem, pulls: tuple[PullEntry, ...]) -> tuple[str, ...]:
    """That the limit was another one at the last pull: the controller's own cut knows nothing of the job file."""
    then = problem.say(pulls[-1].facts["limit_kpa"]) if pulls else ""
    now = problem.say(problem.limit_kpa)
    if then in ("", now):
        return ()
    return (
        f"The overpressure limit is {now} now and was {then} at pull {pulls[-1].number}: set the controller's own "
        "overpressure cut to it, and test that it cuts, before another pull.",
    )


def _other_duty(codes: Sequence[str], pulls: tuple[PullEntry, ...]) -> list[str]:
    """Where the car is said to have changed, the pulls whose logs tell of other duty than is on record: that would
    explain it too."""
    if not any(code.startswith(_CHANGED) for code in codes):
        return []
    told = [(pull.number, text) for pull in pulls for text in pull.facts["remarks"] if text.startswith(OWN_DUTY)]
    return [f"Was pull {number} run with what is on record? {text}" for number, text in told]


def _conditions(verdict: str, pulls: tuple[PullEntry, ...]) -> tuple[str, ...]:
    """Other conditions than before, with the advice to repeat a known pull: under a stop nothing is to be run."""
    return () if verdict == "stop" else conditions.notes(pulls)


def _held_run(problem: Problem, verdict: str, pulls: tuple[PullEntry, ...]) -> tuple[str, ...]:
    run = held_run.worth_making(problem, pulls) if verdict == "pull" else None
    return () if run is None else (held_run.words(problem, run),)


def _withheld(decision: Decision) -> Decision:
    """A decision whose step waits for something to be acknowledged: nothing of the step is shown before that."""
    unknown, band = float("nan"), decision.band
    nothing = np.full(band.rpm.size, unknown)
    return replace(
        decision,
        risk=unknown,
        deviation_kpa=unknown,
        band=Band(band.rpm, nothing, nothing, nothing),
        peak_kpa=unknown,
        peak_high_kpa=unknown,
        margin_kpa=unknown,
        tightest_rpm=unknown,
        binding=(),
        alternatives=(),
    )


def pull_answer(job: Job, pull: PullEntry, target: str, snapshot: Snapshot) -> PullResult:
    """A pull in the job's units.

    Args:
        job: The job.
        pull: The pull on record.
        target: Name of the target to measure against.
        snapshot: The record, for the step that proposed its settings.
    """
    stored = snapshot.steps.get(pull.step or 0)
    facts, unit = pull.facts, job.pressure_unit
    measures = {name: _measures(pull, job, name) for name in job.targets}
    own = measures[target]
    decision = decision_in(stored["decision"]) if stored is not None and pull.source == "proposed" else None
    same_target = stored is not None and stored["target"] == target and _knew(snapshot, stored, job, target)
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
        limit_then=_limit(job, facts["limit_kpa"]),
        overshoot=_pressure(number_in(own["overshoot_kpa"]), unit),
        ran_past=_pressure(_ran_past_kpa(pull, own, job.targets[target].target), unit),
        spool_rpm=number_in(own["spool_rpm"]),
        droop=_pressure(number_in(own["droop_kpa"]), unit),
        oscillation=_pressure(_swing_kpa(facts), unit),
        oscillation_hz=number_in(facts["oscillation_hz"]),
        complete=pull.whole(job.targets[target].target),
        trusted=facts["trusted"],
        warnings=_warnings(job, pull),
        held=held,
        hit=None if decision is None or math.isnan(held) else _hit(pull, decision, held),
        predicted_peak=_pressure(decision.peak_kpa if decision else float("nan"), unit),
        predicted_deviation=_pressure(decision.deviation_kpa if decision and same_target else float("nan"), unit),
        conditions=dict(facts["conditions"]),
        unit=unit,
        rpm=pull.curve.rpm,
        boost=_array(pull.curve.boost_kpa, unit),
        log=facts["log"],
        sha256=facts["sha256"],
        added="" if pull.added is None else pull.added.isoformat(timespec="seconds"),
        withdrawn=pull.withdrawn,
        watched=tuple(name for name, bounds in job.guards.items() if _watched(facts, name, bounds)),
        entry=pull,
    )


def _knew(snapshot: Snapshot, stored: Stored, job: Job, name: str) -> bool:
    """Whether a step was made for a target as it is now, which may have been edited since, before the pull came too."""
    then = problem_in(snapshot.problems[stored["problem"]]).target
    return target_digest(then) == target_digest(job.targets[name].target)


def _watched(facts: Mapping[str, Any], name: str, bounds: Mapping[str, float]) -> bool:
    """Whether a guard watched a pull. Old records do not say so: a channel that was found counts there."""
    if "watched" in facts:
        return bool(facts["watched"].get(name) == dict(bounds))
    return guarded_role(name) in facts["channels"]


def _ran_past_kpa(pull: PullEntry, measures: Stored, target: Target) -> float:
    """Most above the target and, before the judged range, above what is wanted at its beginning: that boost is there on
    the way up before the target asks for it is no overshoot. [kPa]"""
    kept = number_in(measures["overshoot_kpa"])
    nothing = float("nan") if _too_slow(pull.facts) else 0.0
    if not kept > 0.0 or not pull.packed_trace:
        return kept or nothing
    trace = pull.trace
    wanted = target.at(trace.rpm)
    wanted = np.where(trace.rpm < target.judge_from, np.maximum(wanted, target.at(target.judge_from)), wanted)
    above = (trace.boost_kpa - wanted)[trace.rpm <= target.judge_to]
    return float(max(above.max(initial=0.0), 0.0)) or nothing


def _swing_kpa(facts: Mapping[str, Any]) -> float:
    """Half swing of the ringing: a sinusoid that stands out, or what is rougher than the calm pulls by more than their
    noise; NaN where neither could be told. [kPa]"""
    swing, quiet = float(facts["oscillation_kpa"]), facts.get("quiet_kpa")
    if quiet is None and not facts.get("oscillation_resolvable", True):
        return float("nan")
    if quiet is not None:
        ripple = float(facts.get("ripple_kpa") or 0.0)
        swing = max(swing, math.sqrt(2.0) * ripple if ripple > quiet else 0.0)
    return float("nan") if swing == 0.0 and _too_slow(facts) else swing


def _too_slow(facts: Mapping[str, Any]) -> bool:
    """Whether a log was too slow to show that nothing overshoots or rings."""
    return any(text.startswith(TOO_SLOW) for text in facts["remarks"])


def _limit(job: Job, limit_kpa: float) -> float:
    """A limit in the job's unit: that of the job file to the digit. [job's unit]"""
    return job.limit if limit_kpa == job.limit_kpa else _pressure(limit_kpa, job.pressure_unit)


def _pressure(kpa: float, unit: str) -> float:
    return float(from_kpa(kpa, unit))


def off_dial(job: Job, settings: Settings, but: tuple[str, ...] = ()) -> list[str]:
    """What of settings is not on the dial, a sentence without its end for each knob.

    Args:
        job: The job.
        settings: The settings.
        but: Knobs that are not looked at.
    """
    found = []
    for name, value in job.at_rest(settings).as_dict().items():
        dial = job.dials[name]
        if name not in but and abs(float(dial.knob.value(dial.knob.index(value))) - value) > 1e-6:
            said = f"{wording.KNOB_LABELS[name]} {wording.knob_number(dial.to_job(value))}"
            found.append(f"{said} is not on the dial ({dial.range_words()})")
    return found


def _array(values_kpa: FloatArray, unit: str) -> FloatArray:
    array = np.array(from_kpa(values_kpa, unit))
    array.flags.writeable = False
    return array


def _band(decision: Decision, unit: str) -> StepBand:
    band = decision.band
    return StepBand(band.rpm, _array(band.mean_kpa, unit), _array(band.low_kpa, unit), _array(band.high_kpa, unit))


def _changed(job: Job, settings: Settings | None, pulls: tuple[PullEntry, ...]) -> dict[str, float]:
    if settings is None or not pulls:
        return {}
    before, after = job.settings_to_job(pulls[-1].settings), job.settings_to_job(settings)
    return {name: before[name] for name in after if abs(after[name] - before[name]) > 1e-6}


def _measures(pull: PullEntry, job: Job, name: str) -> Stored:
    """Measures against a target, from the record; from the trace for a target that is newer than the pull."""
    target = job.targets[name].target
    kept = pull.facts["measures"].get(target_digest(target))
    if kept is not None:
        return dict(kept)
    lag = float(job.channels.get("gauge_lag_s", 0.0))
    known = pull.facts.get("quiet_kpa")
    quiet = float("inf") if known is None else float(known)
    return measures_out(measure(pull.trace, target, spacing_rpm=SPACING_RPM, gauge_lag_s=lag, quiet_kpa=quiet))


def _held(pull: PullEntry, decision: Decision | None) -> float:
    """Share of the band's points that the curve kept. [-], NaN where there is nothing to compare"""
    if decision is None:
        return float("nan")
    boost = pull.curve.at(decision.band.rpm)
    known = np.isfinite(boost) & np.isfinite(decision.band.low_kpa)
    if not known.any():
        return float("nan")
    inside = (boost >= decision.band.low_kpa) & (boost <= decision.band.high_kpa)
    return float(np.mean(inside[known]))


def _hit(pull: PullEntry, decision: Decision, held: float) -> bool | None:
    """Whether band and peak held. An aborted pull can miss a prediction, but not bear it out: None."""
    hit = held >= HIT_SHARE and bool(pull.facts["peak_kpa"] <= decision.peak_high_kpa)
    return hit if pull.facts["complete"] or not hit else None


def _warnings(job: Job, pull: PullEntry) -> tuple[str, ...]:
    facts, warnings = pull.facts, []
    problem = job.problem()
    now_kpa, then_kpa = job.limit_kpa, facts["limit_kpa"]
    passed_kpa = now_kpa if facts["peak_kpa"] > now_kpa else then_kpa
    if facts["peak_kpa"] > passed_kpa:
        over = problem.say_past(facts["peak_kpa"] - passed_kpa, 0.0)
        peak = f"{problem.say_past(facts['peak_kpa'], passed_kpa)} at {wording.rpm(facts['peak_rpm'])}"
        now, then = problem.say(now_kpa), problem.say(then_kpa)
        when = "" if now == then else f" It was {then} when this pull was added, and is {now} now."
        warnings.append(f"Overpressure limit passed: {peak}, {over} above it.{when}")
    warnings += [f"Guard passed: {GuardHit(**hit).words()}." for hit in facts["guards"]]
    turned = ("duty",) if facts.get("held") else ()
    warnings += [f"{text}: kept as it was run." for text in off_dial(job, pull.settings, turned)]
    points = facts.get("held", ())
    if points:
        warnings.append(
            f"Held at {wording.rpm(points[0][1])}, duty turned from {points[0][0]:.0f} to {points[-1][0]:.0f} %: "
            "counted as evidence at that rpm."
        )
    if not pull.whole(job.wanted().target):
        warnings.append(f"Aborted at {wording.rpm(pull.curve.rpm[-1])}: counted as far as it goes.")
    return (*warnings, *facts["remarks"])
