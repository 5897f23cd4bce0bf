"""The trade's rule of thumb: what a careful tuner does without a model.

Baseline; 20 points of duty more; duty interpolated to the plateau; a ramp where boost droops; engagement 3 psi under
the target, and back 3 psi if boost spikes; gain tried, and taken back if it rings. (Common practice.)
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.settings import KNOB_NAMES, Settings
from tests.fleet.play import Answer, Turn
from tests.fleet.seats import PSI, TOLERANCE_KPA, Job

FIRST_STEP_PCT = 20.0
UNDER_TARGET_KPA = 3.0 * PSI
BACK_KPA = 3.0 * PSI
#: Boost this far above the target before or early in the judged range is a spike; this much swing is ringing. [kPa]
SPIKE_KPA = 1.5 * PSI
RINGING_KPA = 0.4 * PSI
#: Plateau this near is good enough to look at its shape; fall this large asks for a ramp. [kPa]
NEAR_KPA = 0.35 * PSI
DROOP_KPA = 0.5 * PSI
#: Boost a point of duty is taken to bring before two pulls have shown it. [kPa/%]
USUAL_SLOPE = 0.25 * PSI
PATIENCE = 3


def rule_of_thumb(job: Job, turns: Sequence[Turn]) -> Answer:
    """What the rule of thumb runs next, from the pulls so far."""
    if not turns:
        return Answer("pull", job.idle)
    best = least(turns)
    if best is not None and best.measures.deviation_kpa <= TOLERANCE_KPA:
        return Answer("done", None, best_number=best.number)
    if len(turns) == 1 and plateau(job, turns[0])[0] > NEAR_KPA:
        return Answer("out of reach", None, best_number=1, cause="floor above target", cause_rpm=job.target.judge_from)
    wanted = _wish(job, turns)
    settings = capped(job, turns[-1].settings, wanted)
    stuck = len(turns) >= PATIENCE + 2 and best is not None and turns[-1].number - best.number >= PATIENCE
    again = [turn for turn in turns if np.allclose(turn.settings.as_array(), settings.as_array(), atol=1e-6)]
    if stuck or len(again) > 1:
        return Answer("done", None, best_number=0 if best is None else best.number)
    return Answer("pull", settings)


def least(turns: Sequence[Turn]) -> Turn | None:
    """The pull with the least measured deviation."""
    known = [turn for turn in turns if np.isfinite(turn.measures.deviation_kpa)]
    return min(known, key=lambda turn: turn.measures.deviation_kpa) if known else None


def _wish(job: Job, turns: Sequence[Turn]) -> dict[str, float]:
    """Settings wished for, caps aside."""
    last = turns[-1]
    wish = last.settings.as_dict()
    top = float(job.target.boost_kpa.max())
    wish["engagement"] = _engagement(job, turns, top)
    if len(turns) == 1:
        return {**wish, "duty": FIRST_STEP_PCT}
    error, droop, droop_from = plateau(job, last)
    slope = duty_slope(job, turns)
    if last.measures.peak_kpa > job.limit_kpa:
        return {**wish, "duty": wish["duty"] - 0.5 * FIRST_STEP_PCT, "gain": 0.0}
    if last.measures.oscillation.amplitude_kpa > RINGING_KPA and wish["gain"] > 0:
        return {**wish, "gain": turns[-2].settings.gain if turns[-2].settings.gain < wish["gain"] else 0.0}
    if abs(error) > NEAR_KPA:
        return {**wish, "duty": wish["duty"] - error / slope}
    if abs(droop) > DROOP_KPA and not job.knobs["ramp_add"].fixed:
        wish["ramp_add"] += droop / slope
        if last.settings.ramp_add == 0:
            wish["ramp_from"], wish["ramp_to"] = droop_from, job.target.judge_to
        return wish
    tried = max(turn.settings.gain for turn in turns)
    if tried > last.settings.gain:
        return wish  # taken back once, and left alone
    return {**wish, "gain": wish["gain"] + 0.5 * job.knobs["gain"].step}


def _engagement(job: Job, turns: Sequence[Turn], top: float) -> float:
    """3 psi under the target; 3 psi lower still for every pull that spiked."""
    spikes = sum(spiked(job, turn) for turn in turns)
    return max(top - UNDER_TARGET_KPA - spikes * BACK_KPA, 0.0)


def spiked(job: Job, turn: Turn) -> bool:
    """Whether boost stood well above the target around its arrival, and came back down."""
    trace, target = turn.pull.trace, job.target
    early = (trace.rpm > target.judge_from - 900.0) & (trace.rpm < target.judge_from + 300.0)
    if turn.settings.engagement <= 0 or not early.any():
        return False
    over = float((trace.boost_kpa - target.at(trace.rpm))[early].max())
    error, _, _ = plateau(job, turn)
    return over > SPIKE_KPA and over - max(error, 0.0) > SPIKE_KPA


def plateau(job: Job, turn: Turn) -> tuple[float, float, float]:
    """Plateau minus target, fall from there to the top, and the rpm at which it begins. [kPa], [kPa], [rpm]"""
    curve, target = turn.measures.curve, job.target
    known = curve.reached & target.judged(curve.rpm)
    if known.sum() < 6:
        return -SPIKE_KPA, 0.0, target.judge_from
    rpm, error = curve.rpm[known], (curve.boost_kpa - target.at(curve.rpm))[known]
    level = float(np.median(error[: max(rpm.size // 2, 3)]))
    droop = level - float(np.median(error[-max(rpm.size // 8, 2) :]))
    off = np.flatnonzero(np.sign(droop) * (level - error) < 0.25 * PSI)
    begins = float(rpm[off[-1]]) if off.size else float(rpm[0])
    return level, droop, min(begins, 0.5 * (rpm[0] + rpm[-1]))


def duty_slope(job: Job, turns: Sequence[Turn]) -> float:
    """Boost a point of duty brings at the plateau, from the last two pulls that differ in duty. [kPa/%]"""
    for first, second in zip(reversed(turns[:-1]), reversed(turns[1:]), strict=True):
        change = second.settings.duty - first.settings.duty
        if abs(change) >= 2:
            slope = (plateau(job, second)[0] - plateau(job, first)[0]) / change
            return float(np.clip(slope, 0.3 * USUAL_SLOPE, 6.0 * USUAL_SLOPE))
    return USUAL_SLOPE


def capped(job: Job, last: Settings, wish: dict[str, float]) -> Settings:
    """A wish, held to range, step and resolution from the settings last run."""
    values = {}
    for name in KNOB_NAMES:
        knob = job.knobs[name]
        low, high = knob.index_span(getattr(last, name))
        values[name] = float(knob.value(int(np.clip(knob.index(wish[name]), low, high))))
    if values["ramp_from"] >= values["ramp_to"]:
        values["ramp_from"], values["ramp_to"] = last.ramp_from, last.ramp_to
    return Settings(**values)
