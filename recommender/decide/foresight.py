"""What is expected of settings that the user asks for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.evidence import Observation
from models.settings import Settings
from recommender import wording
from recommender.decide.allowed import beside, gain_gone_wrong, idle_like, offenders, repeats_offence
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
    why = (Reason("asked for", text), Reason("risk gate", gate), *_went_wrong(problem, observations, settings))
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
        reasons=why,
    )


def _went_wrong(problem: Problem, observations: Sequence[Observation], settings: Settings) -> tuple[Reason, ...]:
    """That a pull that went wrong speaks against settings, whatever their risk; of several pulls the latest."""
    row = settings.as_array()[None]
    for offender in reversed(offenders(problem, observations)):
        what = "passed the limit" if offender.why == "limit passed" else "was aborted"
        if repeats_offence(problem, row, offender)[0]:
            near = "ask for at least as much boost"
        elif beside(problem, row, offender)[0]:
            near = "are not far enough below it"
        else:
            continue
        text = f"Pull {offender.pull.number} {what}, and these settings {near}: this would not be proposed."
        return (Reason("back off", text),)
    wrong = gain_gone_wrong(problem, observations)
    if settings.gain < wrong - 1e-9:
        return ()
    what = f"A pull with gain {wording.knob_number(wrong)} was lifted or passed the limit"
    text = f"{what}, and none with at most a step less has kept it since: this would not be proposed."
    return (Reason("back off", text),)
