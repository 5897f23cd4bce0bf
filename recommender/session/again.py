"""Pulls of a log that are on record already: loggers go on writing one file, and logs are exported twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from models.curve import Trace
from recommender.job import Job
from recommender.record import PullEntry
from recommender.session.history import BRING_THE_NEW, twice
from recommender.session.outside import at_moments, one_boost
from recommender.session.pull_log import LoggedPull, the_pull

#: Two traces are of one pull where they share so much of the shorter one's moments, and engine speed there. [-], [rpm]
SHARED: Final = 0.5
SAME_RPM: Final = 1.0
#: Boost written in coarser units tells no pull. [kPa]
MOST_ROUNDED_KPA: Final = 1.2
#: A part of a log that went higher by so much than the pull taken from it is worth a word. [kPa]
HIGHER_KPA: Final = 2.0


def the_new_pull(
    found: Sequence[LoggedPull], standing: Sequence[PullEntry], which: int | None, name: str
) -> LoggedPull:
    """The pull of a log that is meant, as ``pull_log.the_pull`` has it, of those that are not on record yet.

    Args:
        found: Pulls of one log.
        standing: Pulls on record that stand.
        which, name: As for ``pull_log.the_pull``.
    Raises:
        LogError: it cannot be told which is meant, or it is on record.
    """
    known = {each.which: number for each in found if (number := _number_on_record(each, standing))}
    fresh = [each for each in found if each.which not in known]
    if which in known or not fresh:
        where = f"{name}, pull {which}" if which in known else name
        numbers = str(known[which]) if which in known else ", ".join(map(str, known.values()))
        advice = "Name the new pull (--which)" if fresh else BRING_THE_NEW
        raise twice(where, numbers, advice)
    if which is not None or not known:
        return the_pull(found, which, name)
    pull = the_pull(fresh, None, name)
    old = ", ".join(f"pull {each} is pull {number}" for each, number in known.items())
    guards = tuple(hit for each in found if each.which != pull.which for hit in each.guards)
    said = f"Of the pulls in this log, {old} on record; the new one, from {pull.trace.time_s[0]:.1f} s on, was taken."
    return replace(pull, guards_outside=guards, warnings=(*pull.warnings, said))


def told_higher(pull: LoggedPull, found: Sequence[LoggedPull], standing: Sequence[PullEntry], job: Job) -> LoggedPull:
    """The pull that was taken of a log, with a word on a part of the log that went higher and is not on record.

    A first attempt that was lifted, say: it may have been made with the same settings. Above the limit it is told
    anyway, and what lies before a pull on record was told with that.

    Args:
        pull: As taken.
        found: Pulls of the log.
        standing: Pulls on record that stand.
        job: The job, for its limit and unit.
    """
    told = max((each.which for each in found if _number_on_record(each, standing)), default=0)
    others = [each for each in found if each.which > told and each.which != pull.which]
    peaks = {each.which: float(each.trace.boost_kpa.max()) for each in [pull, *others]}
    higher = [each for each in others if peaks[pull.which] + HIGHER_KPA < peaks[each.which] <= job.limit_kpa]
    if not higher:
        return pull
    top = max(higher, key=lambda each: peaks[each.which])
    add = "" if top.refused else f" If it was run with these settings, add it as well (--which {top.which})."
    high = job.problem().say(peaks[top.which])
    said = f"A part of this log that was not taken went higher, {high}: {top.words()}.{add}"
    return replace(pull, warnings=(*pull.warnings, said))


def _number_on_record(pull: LoggedPull, standing: Sequence[PullEntry]) -> int | None:
    """Number under which this very pull stands on record; None where it does not."""
    return next((each.number for each in standing if _one_pull(each.trace, pull.trace)), None)


def _one_pull(one: Trace, two: Trace) -> bool:
    """Whether two traces are of one pull, by the moments of their logs or, where one is exported over a clock, by those
    since they begin."""
    later_s = float(one.time_s[0] - two.time_s[0])
    return _alike(one, two) or _alike(one, replace(two, time_s=two.time_s + later_s))


def _alike(one: Trace, two: Trace) -> bool:
    """Whether two traces are alike reading by reading at the same moments.

    All of the boost may be shifted by as much as the barometer's median over the longer log has moved, and rounded
    where the log was exported in another unit. The same sweep run twice is alike, but not reading by reading.
    """
    place, both = at_moments(two, one.time_s)
    if np.count_nonzero(both) < SHARED * min(one.time_s.size, two.time_s.size):
        return False
    turned = np.abs(two.rpm[place][both] - one.rpm[both])
    rounded_kpa = min(_step_kpa(one) + _step_kpa(two), MOST_ROUNDED_KPA)
    alike = one_boost(two.boost_kpa[place][both], one.boost_kpa[both], rounded_kpa)
    return alike and bool(np.median(turned) < SAME_RPM)


def _step_kpa(trace: Trace) -> float:
    """The unit in which boost was written, as far as its readings tell: their smallest step. [kPa]"""
    steps = np.diff(np.unique(np.round(trace.boost_kpa, 6)))
    return float(steps.min()) if steps.size else 0.0
