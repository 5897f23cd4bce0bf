"""The decision: from the pulls so far to the next settings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.evidence import Observation
from models.settings import Settings
from recommender.step import Band, Decision, Problem, Reason


def idle(problem: Problem) -> Settings:
    """Settings of the baseline: every knob idle, the ramp's corners where they can do most good later."""
    knobs, target = problem.knobs, problem.target
    span = target.judge_to - target.judge_from
    wanted = {
        "duty": 0.0,
        "ramp_from": target.judge_from + 0.4 * span,
        "ramp_to": target.judge_to,
        "ramp_add": 0.0,
        "engagement": 0.0,
        "gain": 0.0,
    }
    return Settings(**{name: float(knobs[name].value(knobs[name].index(value))) for name, value in wanted.items()})


def decide(problem: Problem, observations: Sequence[Observation]) -> Decision:
    """The next step. The same arguments give the same answer, bit for bit.

    Args:
        problem: The job.
        observations: Pulls that were run, in the order in which they were run.
    Returns:
        Verdict, settings, risk, band and reasons.
    """
    rpm = problem.target.grid(50.0)
    wanted = problem.target.at(rpm)
    if observations:
        last = observations[-1].settings
        low, high = problem.knobs["duty"].index_span(last.duty)
        duty = float(problem.knobs["duty"].value(min(high, low + 60)))
        settings = Settings(duty, last.ramp_from, last.ramp_to, last.ramp_add, last.engagement, last.gain)
    else:
        settings = idle(problem)
    return Decision(
        verdict="pull",
        settings=settings,
        risk=0.0,
        deviation_kpa=float("nan"),
        band=Band(rpm, wanted, wanted - 5.0, wanted + 5.0),
        peak_kpa=float(np.max(wanted)),
        peak_high_kpa=float(np.max(wanted)) + 5.0,
        margin_kpa=problem.limit_kpa - float(np.max(wanted)) - 5.0,
        tightest_rpm=float(rpm[-1]),
        reasons=(Reason("baseline", "A first run with everything idle shows what the spring alone gives."),),
    )
