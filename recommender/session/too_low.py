"""Boost too low to be true: a gauge that lost its hose, or a log in another unit than it says."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from models.curve import Trace
from models.settings import Settings
from recommender.decide.step import Problem
from recommender.record import PullEntry
from recommender.session.pull_log import LoggedPull

#: A whole sweep holds at least this share of what one with no more duty held: the spring alone does. [-]
LEAST_SHARE: Final = 0.5
#: Engine speeds at which duty is compared. [rpm]
AT_RPM: Final = np.arange(1000.0, 10001.0, 250.0)


def too_low(problem: Problem, standing: Sequence[PullEntry], run: Settings, pull: LoggedPull) -> str:
    """That a whole sweep reads far less boost than one with no more duty, as a sentence; else "".

    Less than the spring holds is read where the gauge's hose came off or its unit is another, while the engine sees
    more; or where a charge hose came off.

    Args:
        problem: The job.
        standing: Pulls on record that stand.
        run: What was dialled in.
        pull: As found in its log.
    """
    if pull.kind != "sweep" or not pull.complete or pull.refused:
        return ""
    duty, own_kpa = run.effective_duty(AT_RPM), held_kpa(pull.trace)
    milder = [
        each
        for each in standing
        if each.facts["complete"]
        and each.facts["trusted"]
        and not each.facts.get("held")
        and np.all(each.settings.effective_duty(AT_RPM) <= duty)
    ]
    higher = [each for each in milder if own_kpa < LEAST_SHARE * held_kpa(each.trace)]
    if not higher:
        return ""
    seen = problem.say(held_kpa(higher[-1].trace))
    return (
        f"Boost stands at {problem.say(own_kpa)} in the upper half of this pull, and at {seen} in pull "
        f"{higher[-1].number} with no more duty: the spring alone holds more. A hose of the gauge or of the charge air "
        f"is off, or the log is in another unit than it says; if it is pull {higher[-1].number} that is wrong, or a "
        "softer spring was fitted since, withdraw that first."
    )


def held_kpa(trace: Trace) -> float:
    """Boost that a sweep stands at: its median over the upper half of the engine speeds; spikes aside. [kPa gauge]"""
    middle = 0.5 * (float(trace.rpm.min()) + float(trace.rpm.max()))
    return float(np.median(trace.boost_kpa[trace.rpm >= middle]))
