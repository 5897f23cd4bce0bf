"""More gain before a job is given up: what no duty brings nearer may be what feedback is for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from models.evidence import Observation
from models.settings import Settings
from recommender.decide.allowed import idle_like, kept_limit, trusted_sweeps
from recommender.decide.choose import FIRST_GAIN
from recommender.decide.outlook import Forecast, Outlook
from recommender.decide.reasons import has_breath
from recommender.decide.review import Review, passes
from recommender.decide.step import same

#: Half swing, over the tolerance, from which a pull counts as one that rang.
RANG = 0.5
#: Parts of gain's step that are tried, largest first.
PARTS = (1.0, 0.5, 0.25)
#: Pulls that may differ from the best one by more gain alone.
TRIES = 3


def more_gain(
    outlook: Outlook, observations: Sequence[Observation], seen: Review, allowed: Sequence[tuple[int, int]]
) -> Forecast | None:
    """The best pull's settings with more gain than any pull was run with; None where that leads nowhere.

    Common practice: gain goes up until it starts to ring. The surrogate knows of gains that no pull has been run with
    what its prior says, and may never think one worth a pull. So one is run where no pull with gain has rung, passed
    the limit or been aborted, and feedback could mend what is left of the deviation.

    Args:
        outlook, observations, seen: The job so far.
        allowed: First and last position of each knob that the next step may take.
    """
    problem, knob = outlook.problem, outlook.problem.knobs["gain"]
    if seen.best is None or knob.fixed or not feedback_could_mend(outlook, observations, seen.best):
        return None
    run = [pull for pull in trusted_sweeps(problem, observations) if pull.settings.gain > knob.lower]
    calm = all(kept_limit(problem, pull) and pull.swing_kpa <= RANG * problem.tolerance_kpa for pull in run)
    if not calm or _tries(run, seen.best) >= TRIES:
        return None
    highest = max((pull.settings.gain for pull in run), default=knob.lower)
    low, high = allowed[5]
    for part in PARTS if run else (FIRST_GAIN * each for each in PARTS):
        at = min(max(int(knob.index(highest + part * knob.step)), int(knob.index(highest)) + 1), high)
        gain = float(knob.value(at))
        if at < low or gain <= highest:
            continue
        # The best pull may have been run off the dial or past its end: what is judged is what can be dialled.
        row = outlook.positions(replace(seen.best.settings, gain=gain))
        if any(not a <= place <= b for place, (a, b) in zip(row, allowed, strict=True)):
            return None
        settings = Settings.from_array(outlook.values(row[None])[0])
        forecast = outlook.forecast([settings])[0]
        if passes(outlook, seen, forecast):
            return forecast
    return None


def feedback_could_mend(outlook: Outlook, observations: Sequence[Observation], best: Observation) -> bool:
    """Whether the best pull would be within the tolerance but for points at which the controller has a way to go.

    It has where boost stands above the target and stood under it on the spring alone, and where it stands under the
    target and the turbo has more to give.
    """
    problem = outlook.problem
    rpm, wanted = outlook.rpm[outlook.judged], outlook.wanted[outlook.judged]
    error = best.curve.at(rpm) - wanted
    whole = [pull for pull in trusted_sweeps(problem, observations) if pull.complete]
    idle = [pull for pull in whole if idle_like(problem, pull.settings)]
    if not idle or not np.isfinite(error).all():
        return False
    could_fall = idle[-1].curve.at(rpm) < wanted
    could_rise = has_breath(outlook, np.arange(rpm.size))
    stuck = np.where(error > 0.0, ~could_fall, ~could_rise)
    return bool(np.sqrt(np.mean(np.where(stuck, error, 0.0) ** 2)) <= problem.tolerance_kpa)


def _tries(run: Sequence[Observation], best: Observation) -> int:
    """How many pulls differed from the best one by more gain alone."""
    more = [pull.settings for pull in run if pull.settings.gain > best.settings.gain]
    return sum(same(replace(settings, gain=best.settings.gain), best.settings) for settings in more)
