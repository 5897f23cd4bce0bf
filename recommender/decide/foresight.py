"""What is expected of settings that the user asks for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.evidence import Observation
from models.settings import Settings
from recommender import wording
from recommender.decide.allowed import idle_like
from recommender.decide.outlook import Outlook
from recommender.decide.review import surrogate_for
from recommender.decide.step import Decision, Problem, Reason
from recommender.decide.verdict import baseline_due


def expected(problem: Problem, observations: Sequence[Observation], settings: Settings) -> Decision:
    """Band, risk and deviation of a pull with any settings, marked as asked for.

    Args:
        problem: The job.
        observations: Pulls so far.
        settings: What is asked about; off the dial or out of range too.
    """
    outlook = Outlook(problem, observations, surrogate_for(problem, observations))
    forecast = outlook.forecast([settings])[0]
    band = outlook.band(forecast)
    high = float(np.quantile(forecast.highest, 0.95))
    margin = problem.limit_kpa - high
    text = (
        f"Asked for, not proposed: risk {wording.risk(forecast.risk, problem.risk)}, "
        f"highest boost under {problem.say(high)} in 19 of 20 such pulls."
    )
    allowed, most = forecast.risk <= problem.risk, wording.allowed_risk(problem.risk)
    if allowed:
        gate = "The risk is within what the job allows."
    elif baseline_due(problem, observations) and idle_like(problem, settings):
        gate = f"The risk is above the {most} that the job allows; as the baseline it is proposed all the same."
    else:
        gate = f"The risk is above the {most} that the job allows: this would not be proposed."
    return Decision(
        verdict="pull",
        settings=settings,
        risk=forecast.risk,
        deviation_kpa=forecast.deviation_kpa,
        band=band,
        peak_kpa=float(forecast.highest.mean()),
        peak_high_kpa=high,
        margin_kpa=margin,
        tightest_rpm=float(outlook.rpm[int(np.argmax(band.high_kpa))]),
        reasons=(Reason("asked for", text), Reason("risk gate", gate)),
    )
