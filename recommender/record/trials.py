"""A pull as an Optuna trial, and back: nothing but the study is needed to read the history.

Format 1. User attributes of a pull's trial (pressures in kPa, gauge; null for what is not known)::

    kind                "pull", or "proposal not run" for settings that were proposed and never run
    number              place in the job, from 1
    source              "proposed", "changed" (other settings than proposed) or "foreign" (no step before it)
    step                number of the step that stood when it was run, or null
    peak_kpa, peak_rpm, sustained_peak_kpa, noise_kpa, oscillation_kpa, oscillation_hz, oscillation_resolvable
    roughness_kpa, ripple_kpa, quiet_kpa    of the trace about its curve over the first target's judged range, how much
                        of it is ringing, and the noise it was held against (null: not told apart); absent in old pulls
    complete, trusted, remark, remarks, conditions, guards, rate_hz, log, sha256, artifact, limit_kpa
    watched             guards whose channel gave readings in the pull, each with its bounds then; absent in old pulls
    day                 on which the log was written by its own clock, YYYY-MM-DD; absent where that is not known
    unseen_kpa          height of a spike that the log was too slow to show; 0 where it is absent
    outside             peak_kpa and time_s of boost above the limit in the log and outside the pull, the highest that
                        was not on record before, and under ``lower`` those of all others; absent where none
    guards_outside      guards passed in other pulls of the log and not on record before; absent where none
    kind_of_run, held   "sweep" or "held rpm"; for the latter duty, rpm, boost and highest boost at each duty
    measures            by digest of a target: deviation_kpa, overshoot_kpa, spool_rpm, droop_kpa, ripple_kpa (absent in
                        old pulls)

The curve is the trial's intermediate values by whole rpm, the value is the deviation from the job's first target, the
constraint ``overpressure limit`` is peak minus limit. A PRUNED trial is a pull without a deviation (aborted).
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, Final

import numpy as np
from optuna.distributions import BaseDistribution, FloatDistribution
from optuna.study import Study
from optuna.trial import FrozenTrial, TrialState, create_trial

from models.curve import Curve, Target, Trace, beyond_kpa
from models.evidence import Observation
from models.settings import KNOB_NAMES, Knob, Settings
from models.units import FloatArray
from recommender.decide.step import Problem, at_rest
from recommender.record.stored import number_in, number_out, problem_in, target_digest, trace_in, trace_out

FORMAT: Final = 1
#: Spacing of the grid on which curves are kept. Targets' grids are multiples of it. [rpm]
SPACING_RPM: Final = 50
CONSTRAINT: Final = "constraints:overpressure limit"


@dataclass(frozen=True)
class PullEntry:
    """A pull as it is on record. Pressures in kPa, gauge.

    Attributes:
        number: Place in the job, from 1.
        settings: What was dialled in; engagement in kPa gauge.
        source: ``proposed``, ``changed`` or ``foreign``.
        step: Step that stood when it was run; None where there was none.
        curve: Boost on the full grid of the pull, multiples of 50 rpm.
        facts: The other attributes of format 1, as in the module's docstring.
        added: When it was added.
        withdrawn: Reason for which it was withdrawn; None for one that stands.
        proposed: Settings of the step that stood; None where there was none.
    """

    number: int
    settings: Settings
    source: str
    step: int | None
    curve: Curve
    facts: Mapping[str, Any]
    added: datetime.datetime | None = None
    withdrawn: str | None = None
    packed_trace: str = field(default="", repr=False)
    proposed: Settings | None = None

    @property
    def trace(self) -> Trace:
        """Time, rpm and boost as logged, kPa gauge."""
        return trace_in(self.packed_trace)

    @property
    def sound(self) -> bool:
        """Whether it was a sweep, no run at held rpm, to its end when it was added, and can be relied on."""
        return bool(self.facts["complete"] and self.facts["trusted"] and not self.facts.get("held"))

    def whole(self, target: Target | None) -> bool:
        """Whether it was no aborted sweep: it was none when it was added, or it goes on to where the judged range of a
        target ends now. That range can be edited, and the first of several targets alone had counted."""
        if self.facts["complete"] or target is None or self.facts.get("kind_of_run") != "sweep":
            return bool(self.facts["complete"])
        return bool(max(self.curve.rpm[self.curve.reached], default=0.0) >= target.judge_to)

    def curve_on(self, grid_rpm: FloatArray) -> Curve:
        """The curve at the points of a grid, NaN where the pull did not reach or the grid has none of its own."""
        return _on_grid(self.curve, grid_rpm)

    def observation(self, grid_rpm: FloatArray | None = None, target: Target | None = None) -> Observation:
        """The pull as the surrogate takes it. One that lies outside the grid says nothing that could be fitted.

        Args:
            grid_rpm: Grid of the target; the pull's own where it is None.
            target: Target in whose judged range ringing counts; that which was the first one where it is None, or
                where the pull was not measured against it.
        """
        facts = self.facts
        curve = self.curve if grid_rpm is None else self.curve_on(grid_rpm)
        outside = not curve.reached.any() and not facts.get("held")
        span = f"{self.curve.rpm[0]:.0f} to {self.curve.rpm[-1]:.0f} rpm" if self.curve.rpm.size else "no rpm"
        return Observation(
            number=self.number,
            settings=self.settings,
            curve=curve,
            peak_kpa=facts["peak_kpa"],
            sustained_peak_kpa=facts["sustained_peak_kpa"],
            noise_kpa=facts["noise_kpa"],
            oscillation_kpa=facts["oscillation_kpa"],
            shows_ringing=facts.get("oscillation_resolvable", True),
            # Boost that follows the hand at held rpm is neither noise nor ringing.
            roughness_kpa=float("nan") if facts.get("held") else number_in(facts.get("roughness_kpa")),
            ripple_kpa=0.0 if facts.get("held") else self._ripple_kpa(target),
            complete=self.whole(target),
            trusted=facts["trusted"] and not outside,
            remark=f"it covers {span}, outside the target's range" if outside else facts["remark"],
            barometer_kpa=known_barometer_kpa(facts["conditions"]),
            intake_c=number_in(facts["conditions"].get("intake_c")),
            unseen_kpa=float(facts.get("unseen_kpa") or 0.0),
            beyond_kpa=beyond_kpa(self.curve, float(curve.rpm[-1])) if curve.rpm.size else float("nan"),
            last_rpm=float(max(self.curve.rpm[self.curve.reached], default=np.nan)),
            proposed=self.proposed if self.source == "changed" else None,
        )

    def evidence(self, problem: Problem) -> list[Observation]:
        """The pull as the decision takes it, for a target of the job."""
        own = self.observations(problem.target.grid(SPACING_RPM), problem.target)
        rest = partial(at_rest, problem.knobs)
        return [
            replace(each, settings=rest(each.settings), proposed=each.proposed and rest(each.proposed)) for each in own
        ]

    def _ripple_kpa(self, target: Target | None) -> float:
        measured = {} if target is None else self.facts["measures"].get(target_digest(target), {})
        return float(measured.get("ripple_kpa", self.facts.get("ripple_kpa")) or 0.0)

    def observations(self, grid_rpm: FloatArray, target: Target | None = None) -> list[Observation]:
        """The same on the grid of a target: one for a sweep; one for each duty of a run at held rpm."""
        own = self.observation(grid_rpm, target)
        points = self.facts.get("held", ())
        if not points:
            return [own]
        held = [held_observation(own, *point) for point in points]
        # A height of which no duty tells came between two of them, or was gone too soon: the most duty answers for it.
        most = max(range(len(held)), key=lambda i: held[i].settings.duty)
        if own.peak_kpa > max(each.peak_kpa for each in held):
            held[most] = replace(held[most], peak_kpa=own.peak_kpa)
        return held


def known_barometer_kpa(conditions: Mapping[str, Any]) -> float:
    """Ambient pressure where it was read or stated; NaN where the standard atmosphere was assumed. [kPa absolute]"""
    assumed = str(conditions.get("barometer_from", "")).startswith("standard atmosphere")
    return float("nan") if assumed else number_in(conditions.get("barometer_kpa"))


def held_observation(run: Observation, duty: float, rpm: float, boost_kpa: float, highest_kpa: float) -> Observation:
    """What a run at held rpm showed at one duty: the same boost at the two or three points next to that rpm, since
    nobody holds rpm to the point. The logged duty holds the ramp's share already. Boost that follows the hand is no
    ringing."""
    grid = run.curve.rpm
    boost = np.where(np.abs(grid - rpm) <= 1.5 * SPACING_RPM, boost_kpa, np.nan)
    settings = replace(run.settings, duty=duty, ramp_add=0.0)
    return replace(
        run,
        settings=settings,
        curve=Curve(grid, boost, noise_kpa=run.curve.noise_kpa),
        peak_kpa=highest_kpa,
        sustained_peak_kpa=boost_kpa,
        oscillation_kpa=0.0,
        held_rpm=True,
    )


def _on_grid(curve: Curve, grid_rpm: FloatArray) -> Curve:
    known = {int(rpm): boost for rpm, boost in zip(curve.rpm.tolist(), curve.boost_kpa.tolist(), strict=True)}
    boost = [known.get(round(rpm), float("nan")) for rpm in grid_rpm.tolist()]
    return Curve(grid_rpm, np.array(boost), noise_kpa=curve.noise_kpa)


def full_grid(trace: Trace) -> FloatArray:
    """Multiples of 50 rpm over what a trace covers. [rpm]"""
    first = int(np.floor(trace.rpm.min() / SPACING_RPM)) * SPACING_RPM
    last = int(np.ceil(trace.rpm.max() / SPACING_RPM)) * SPACING_RPM
    return np.arange(first, last + 1, SPACING_RPM, dtype=float)


def distributions(knobs: Mapping[str, Knob], settings: Settings) -> dict[str, BaseDistribution]:
    """The knobs' ranges as distributions, wide enough for settings that were run outside them."""
    wide: dict[str, BaseDistribution] = {}
    for name, value in settings.as_dict().items():
        wide[name] = FloatDistribution(min(knobs[name].lower, value), max(knobs[name].upper, value))
    return wide


def trial_of(entry: PullEntry, *, knobs: Mapping[str, Knob], deviation_kpa: float, trace: Trace) -> FrozenTrial:
    """The trial that keeps a pull.

    Args:
        entry: The pull.
        knobs: The job's knobs.
        deviation_kpa: From the job's first target; NaN makes it a pruned trial. [kPa]
        trace: As logged.
    """
    whole = bool(np.isfinite(deviation_kpa))
    known = entry.curve.reached
    artifact = {
        "artifact_id": entry.facts["artifact"],
        "filename": entry.facts["log"],
        "mimetype": "text/csv" if str(entry.facts["log"]).lower().endswith(".csv") else "application/octet-stream",
        "encoding": None,
    }
    return create_trial(
        state=TrialState.COMPLETE if whole else TrialState.PRUNED,
        value=deviation_kpa if whole else None,
        params=entry.settings.as_dict(),
        distributions=distributions(knobs, entry.settings),
        user_attrs={
            "kind": "pull",
            "number": entry.number,
            "source": entry.source,
            "step": entry.step,
            **entry.facts,
        },
        system_attrs={
            CONSTRAINT: entry.facts["peak_kpa"] - entry.facts["limit_kpa"],
            f"artifacts:{entry.facts['artifact']}": json.dumps(artifact),
            "trace": trace_out(trace),
            "noise_kpa": number_out(entry.curve.noise_kpa),
        },
        intermediate_values={
            int(rpm): float(boost)
            for rpm, boost in zip(entry.curve.rpm[known].tolist(), entry.curve.boost_kpa[known].tolist(), strict=True)
        },
    )


def not_run_trial(step: int, settings: Settings, knobs: Mapping[str, Knob]) -> FrozenTrial:
    """The trial that keeps a proposal that was never run."""
    return create_trial(
        state=TrialState.FAIL,
        params=settings.as_dict(),
        distributions=distributions(knobs, settings),
        user_attrs={"kind": "proposal not run", "step": step},
    )


def is_pull(trial: FrozenTrial) -> bool:
    """Whether a trial is a pull that was run (withdrawn ones included)."""
    return trial.user_attrs.get("kind") == "pull"


def entry_of(trial: FrozenTrial, withdrawn: str | None = None) -> PullEntry:
    """The pull that a trial keeps."""
    attributes = dict(trial.user_attrs)
    own = {name: attributes.pop(name) for name in ("kind", "number", "source", "step")}
    rpm = np.array(sorted(trial.intermediate_values), dtype=float)
    boost = np.array([trial.intermediate_values[int(each)] for each in rpm], dtype=float)
    return PullEntry(
        number=int(own["number"]),
        settings=Settings(**{name: float(trial.params[name]) for name in KNOB_NAMES}),
        source=own["source"],
        step=own["step"],
        curve=Curve(rpm, boost, noise_kpa=number_in(trial.system_attrs.get("noise_kpa"))),
        facts=attributes,
        added=trial.datetime_complete or trial.datetime_start,
        withdrawn=withdrawn,
        packed_trace=trial.system_attrs.get("trace", ""),
    )


def observation_of(trial: FrozenTrial, grid_rpm: FloatArray | None = None) -> Observation:
    """A pull as the surrogate takes it, from its trial alone.

    Args:
        trial: A trial for which ``is_pull`` holds.
        grid_rpm: Grid of the target, multiples of 50 rpm; the pull's own where it is None.
    """
    return entry_of(trial).observation(grid_rpm)


def withdrawn_in(attributes: Mapping[str, Any]) -> dict[int, str]:
    """Pulls withdrawn, by number, with the reason: from a study's user attributes."""
    events = (value for name, value in sorted(attributes.items()) if name.startswith("event:"))
    return {int(event["pull"]): str(event["reason"]) for event in events if event["kind"] == "withdrawn"}


def problem_of(study: Study, target: str | None = None) -> Problem:
    """The job that a study records, as the decision needs it.

    Args:
        study: An Optuna study that a record was kept in.
        target: Name of a target; the job's first where it is None.
    Raises:
        KeyError: the study is no record, or has no such target.
    """
    attributes = study.user_attrs
    if "targets" not in attributes:
        raise KeyError(f"study {study.study_name!r} is no record of pulls: it has no attribute 'targets'")
    digests: dict[str, str] = dict(attributes["targets"])
    if target is not None and target not in digests:
        raise KeyError(f"study {study.study_name!r} has no target {target!r}. It has: {', '.join(digests)}")
    return problem_in(attributes[f"problem:{digests[target or next(iter(digests))]}"])


def observations_of(study: Study, problem: Problem | None = None) -> Sequence[Observation]:
    """The pulls of a study that stand, in the order in which they were run, on the target's grid."""
    own = problem or problem_of(study)
    withdrawn = withdrawn_in(study.user_attrs)
    pulls = [entry_of(trial) for trial in study.get_trials(deepcopy=False) if is_pull(trial)]
    return [each for pull in pulls if pull.number not in withdrawn for each in pull.evidence(own)]
