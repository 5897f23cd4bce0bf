"""From a log file to the one pull in it, and the facts that the record keeps of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from models.curve import Measures, Target, Trace, measure
from recommender.job import Job
from recommender.logs.errors import LogError
from recommender.stored import Stored, digest, number_out
from recommender.trials import SPACING_RPM


@dataclass(frozen=True)
class GuardHit:
    """A guard channel that passed its bound during a pull.

    Attributes:
        name: Channel, as the job's ``[guards]`` call it.
        value: Value furthest past the bound, in the log's own unit.
        bound: The bound.
        side: ``highest`` or ``lowest``.
        time_s, rpm: Moment of the recording at which it first passed. [s], [rpm]
    """

    name: str
    value: float
    bound: float
    side: str
    time_s: float
    rpm: float

    def words(self) -> str:
        """The hit in half a sentence: ``lambda 0.91 at 12.4 s (5200 rpm), above its guard of 0.86``."""
        where = "above" if self.side == "highest" else "below"
        moment = f"at {self.time_s:.1f} s ({self.rpm:.0f} rpm)"
        return f"{self.name} {self.value:.4g} {moment}, {where} its guard of {self.bound:g}"


@dataclass(frozen=True)
class LoggedPull:
    """A pull as found in a log.

    Attributes:
        which: Its place among the pulls of the log, from 1.
        trace: Boost in kPa gauge.
        complete: False where the sweep was aborted.
        refused: Why it cannot be relied on; empty where it can.
        warnings: What was noticed, most important first.
        conditions: barometer_kpa, intake_c, coolant_c, as far as known.
        guards: Bounds passed.
    """

    which: int
    trace: Trace
    complete: bool
    refused: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    conditions: Mapping[str, float] = field(default_factory=dict)
    guards: tuple[GuardHit, ...] = ()


def pulls_in(path: Path, job: Job) -> list[LoggedPull]:
    """Every pull of a log, in order.

    Raises:
        LogError: the log cannot be read, or holds no pull.
    """
    table = np.genfromtxt(path, delimiter=",", names=True)
    trace = Trace(table["time_s"], table["rpm"], table["boost_kpa"])
    return [LoggedPull(1, trace, complete=True)]


def the_pull(found: Sequence[LoggedPull], which: int | None, name: str) -> LoggedPull:
    """The pull that is meant: the one named, or the only full one.

    Args:
        found: Pulls of one log.
        which: Place among them, from 1; None where the user names none.
        name: Name of the log, for messages.
    Raises:
        LogError: there are several full ones and none is named, or there is none of that place.
    """
    listed = "; ".join(
        f"{each.which}: {each.trace.rpm[0]:.0f} to {each.trace.rpm[-1]:.0f} rpm from {each.trace.time_s[0]:.1f} s"
        f"{'' if each.complete else ', aborted'}"
        for each in found
    )
    if which is not None:
        for each in found:
            if each.which == which:
                return each
        raise LogError(f"{name}: no pull {which} in this log. It holds {listed}.")
    full = [each for each in found if each.complete] or list(found)
    if len(full) > 1:
        raise LogError(
            f"{name}: {len(full)} pulls in this log: {listed}. One pull is added at a time: name the one that was run "
            "with these settings (which=2, or --which 2)."
        )
    return full[0]


def target_digest(target: Target) -> str:
    """Mark of a target, under which the measures taken against it are kept."""
    boost, rpm = target.boost_kpa.tolist(), target.rpm.tolist()
    return digest([rpm, boost, target.judge_from, target.judge_to])[:16]


def measures_out(measures: Measures) -> Stored:
    """The measures that depend on the target."""
    return {
        "deviation_kpa": number_out(measures.deviation_kpa),
        "overshoot_kpa": number_out(measures.overshoot_kpa),
        "spool_rpm": number_out(measures.spool_rpm),
        "droop_kpa": number_out(measures.droop_kpa),
    }


def measured(pull: LoggedPull, job: Job) -> tuple[Measures, dict[str, Stored]]:
    """Measures against the first target, and those kept for each target."""
    lag = float(job.channels.get("gauge_lag_s", 0.0))
    each = {
        name: measure(pull.trace, wanted.target, spacing_rpm=SPACING_RPM, gauge_lag_s=lag)
        for name, wanted in job.targets.items()
    }
    kept = {target_digest(job.targets[name].target): measures_out(found) for name, found in each.items()}
    return each[job.first_target], kept


def facts_of(pull: LoggedPull, job: Job, measures: Measures, kept: Mapping[str, Stored]) -> dict[str, Any]:
    """What the record keeps of a pull beside settings and curve: see ``recommender.trials``."""
    ringing = measures.oscillation
    rings = bool(np.isfinite(ringing.frequency_hz))
    return {
        "peak_kpa": measures.peak_kpa,
        "peak_rpm": measures.peak_rpm,
        "sustained_peak_kpa": measures.sustained_peak_kpa,
        "noise_kpa": measures.noise_kpa,
        "oscillation_kpa": ringing.amplitude_kpa if rings else 0.0,
        "oscillation_hz": number_out(ringing.frequency_hz),
        "oscillation_resolvable": ringing.resolvable,
        "complete": pull.complete,
        "trusted": not pull.refused,
        "remark": (pull.refused or pull.warnings or ("",))[0],
        "remarks": [*pull.refused, *pull.warnings],
        "conditions": dict(pull.conditions),
        "guards": [asdict(hit) for hit in pull.guards],
        "rate_hz": round(pull.trace.rate_hz, 3),
        "which": pull.which,
        "limit_kpa": job.limit_kpa,
        "measures": dict(kept),
    }
