"""What the record keeps of a pull: its curve, its measures against every target, and the facts about its log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, astuple
from typing import Any

import numpy as np

from models.curve import Curve, Measures, Trace, curve_of, measure
from recommender.job import Job
from recommender.record.stored import Stored, number_out, target_digest
from recommender.record.trials import SPACING_RPM, full_grid
from recommender.session.pull_log import LoggedPull


def full_curve(pull: LoggedPull, job: Job) -> Curve:
    """The curve of a pull on its own full grid, the points that it reached."""
    if pull.held:
        return held_curve(pull.trace)
    lag = float(job.channels.get("gauge_lag_s", 0.0))
    curve = curve_of(pull.trace, full_grid(pull.trace), gauge_lag_s=lag)
    known = curve.reached
    return Curve(curve.rpm[known], curve.boost_kpa[known], noise_kpa=curve.noise_kpa)


def held_curve(trace: Trace) -> Curve:
    """The one point of a run at held rpm: its median boost."""
    rpm = round(float(np.median(trace.rpm)) / SPACING_RPM) * SPACING_RPM
    return Curve(np.array([float(rpm)]), np.array([float(np.median(trace.boost_kpa))]))


def measures_out(measures: Measures) -> Stored:
    """The measures that depend on the target."""
    return {
        "deviation_kpa": number_out(measures.deviation_kpa),
        "overshoot_kpa": number_out(measures.overshoot_kpa),
        "spool_rpm": number_out(measures.spool_rpm),
        "droop_kpa": number_out(measures.droop_kpa),
        "ripple_kpa": measures.ripple_kpa,
    }


def measured(pull: LoggedPull, job: Job, quiet_kpa: float) -> tuple[Measures, dict[str, Stored]]:
    """Measures against the first target, and those kept for each target; ``quiet_kpa`` as ``measure`` takes it."""
    lag = float(job.channels.get("gauge_lag_s", 0.0))
    each = {
        name: measure(pull.trace, wanted.target, spacing_rpm=SPACING_RPM, gauge_lag_s=lag, quiet_kpa=quiet_kpa)
        for name, wanted in job.targets.items()
    }
    kept = {target_digest(job.targets[name].target): measures_out(found) for name, found in each.items()}
    return each[job.first_target], kept


def facts_of(
    pull: LoggedPull, job: Job, measures: Measures, kept: Mapping[str, Stored], quiet_kpa: float
) -> dict[str, Any]:
    """What the record keeps of a pull beside settings and curve: see ``recommender.record.trials``."""
    ringing = measures.oscillation
    return {
        "peak_kpa": measures.peak_kpa,
        "peak_rpm": measures.peak_rpm,
        "sustained_peak_kpa": measures.sustained_peak_kpa,
        "noise_kpa": measures.noise_kpa,
        "roughness_kpa": number_out(measures.roughness_kpa),
        "ripple_kpa": measures.ripple_kpa,
        "quiet_kpa": quiet_kpa if np.isfinite(quiet_kpa) else None,
        "oscillation_kpa": ringing.standing_kpa,
        "oscillation_hz": number_out(ringing.frequency_hz),
        "oscillation_resolvable": ringing.resolvable and pull.shows_ringing,
        "complete": pull.complete,
        "trusted": not pull.refused,
        "remark": (pull.refused or pull.warnings or ("",))[0],
        "remarks": [*pull.refused, *pull.warnings],
        "conditions": dict(pull.conditions),
        "guards": [asdict(hit) for hit in pull.guards],
        "watched": {name: dict(bounds) for name, bounds in pull.watched.items()},
        "rate_hz": round(pull.trace.rate_hz, 3),
        "which": pull.which,
        "kind_of_run": pull.kind,
        "held": [list(astuple(point)) for point in pull.held],
        "unseen_kpa": pull.unseen_kpa,
        "shape": pull.shape,
        "channels": dict(pull.channels),
        "limit_kpa": job.limit_kpa,
        "measures": dict(kept),
    } | ({"day": pull.day} if pull.day else {})
