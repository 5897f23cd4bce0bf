"""Boost too low to be true: a gauge that lost its hose, a log in another unit than it says, or a pull that was not run
with what was proposed."""

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
#: A sweep that holds less than this share of what one with no more duty held, and is within the other share of what one
#: with less duty held, reads as that one. [-]
LESS_SHARE: Final = 0.75
LIKE_SHARE: Final = 0.1
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
    if not _tells(pull):
        return ""
    own_kpa = held_kpa(pull.trace)
    higher = [each for each in _milder(standing, run) if own_kpa < LEAST_SHARE * held_kpa(each.trace)]
    if not higher:
        return ""
    seen = problem.say(held_kpa(higher[-1].trace))
    return (
        f"Boost stands at {problem.say(own_kpa)} in the upper half of this pull, and at {seen} in pull "
        f"{higher[-1].number} with no more duty: the spring alone holds more. A hose of the gauge or of the charge air "
        f"is off, or the log is in another unit than it says; if it is pull {higher[-1].number} that is wrong, or a "
        "softer spring was fitted since, withdraw that first."
    )


def like_less(problem: Problem, standing: Sequence[PullEntry], run: Settings, pull: LoggedPull) -> str:
    """That a whole sweep reads as one with less duty did, and far less than one with no more duty, as a sentence; else
    "". Arguments as for ``too_low``.

    A baseline or a known pull was repeated, say, and its log brought as if the step that waits had been run.
    """
    if not _tells(pull):
        return ""
    own_kpa, milder = held_kpa(pull.trace), _milder(standing, run)
    # The latest of them alone: of a car that has changed the earlier ones would have it asked of every pull.
    higher = [each for each in milder[-1:] if own_kpa < LESS_SHARE * held_kpa(each.trace)]
    alike = [each for each in milder if abs(held_kpa(each.trace) - own_kpa) < LIKE_SHARE * own_kpa]
    if not higher or not alike:
        return ""
    known = min(alike, key=lambda each: abs(held_kpa(each.trace) - own_kpa))
    return (
        f"Boost stands at {problem.say(own_kpa)} in the upper half of this pull, as in pull {known.number} at duty "
        f"{known.settings.duty:.0f} %, and stood at {problem.say(held_kpa(higher[-1].trace))} in pull "
        f"{higher[-1].number} with no more duty than the {run.duty:.0f} % that were proposed."
    )


def _tells(pull: LoggedPull) -> bool:
    """Whether a pull says what its settings hold: a whole sweep that can be relied on."""
    return pull.kind == "sweep" and pull.complete and not pull.refused


def _milder(standing: Sequence[PullEntry], run: Settings) -> list[PullEntry]:
    """Whole sweeps that can be relied on and asked for no more duty at any engine speed."""
    duty = run.effective_duty(AT_RPM)
    return [each for each in standing if each.sound and np.all(each.settings.effective_duty(AT_RPM) <= duty)]


def held_kpa(trace: Trace) -> float:
    """Boost that a sweep stands at: its median over the upper half of the engine speeds; spikes aside. [kPa gauge]"""
    middle = 0.5 * (float(trace.rpm.min()) + float(trace.rpm.max()))
    return float(np.median(trace.boost_kpa[trace.rpm >= middle]))
