"""What a log shows outside the pull that was taken from it: boost above the limit, and guards passed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Final

import numpy as np
import numpy.typing as npt

from models.curve import Trace
from models.units import FloatArray
from recommender.decide.step import Problem
from recommender.logs import Stretch
from recommender.record import PullEntry, Snapshot
from recommender.record.stored import Stored
from recommender.session.pull_log import SAME_KPA, GuardHit, LoggedPull

#: A logger that goes on writing one file repeats its moments to the digit, and all of its boost shifted by as much as
#: the barometer's median over the longer log has moved. [s], [kPa]
SAME_S: Final = 1e-3
SHIFT_KPA: Final = 1.5


def outside_facts(snapshot: Snapshot, pull: LoggedPull) -> Stored:
    """What of it is to be kept with the pull: see ``recommender.record.trials``; nothing where the record knows it.

    A log may hold pulls that are on record already, or that were refused before: what they showed is not told twice.
    """
    settled = {event["pull"] for event in snapshot.acknowledged}
    pulls = [each for each in snapshot.pulls if each.withdrawn is None or each.number in settled]
    facts: Stored = {}
    fresh = [each for each in pull.outside if not _on_record(snapshot, pulls, each)]
    if fresh:
        facts["outside"] = {"peak_kpa": fresh[0].peak_kpa, "time_s": fresh[0].peak_s}
    if fresh[1:]:
        facts["outside"]["lower"] = [[each.peak_kpa, each.peak_s] for each in fresh[1:]]
    known = [hit for each in pulls for hit in [*each.facts["guards"], *each.facts.get("guards_outside", ())]]
    passed = [hit for hit in map(asdict, pull.guards_outside) if hit not in known]
    return facts | ({"guards_outside": passed} if passed else {})


def _on_record(snapshot: Snapshot, pulls: Sequence[PullEntry], stretch: Stretch) -> bool:
    """Whether this very stretch is in a pull on record, or told with one or with a log refused before."""
    moments = [(event["peak_kpa"], event.get("peak_s", float("nan"))) for event in snapshot.refused]
    for told in [each.facts["outside"] for each in pulls if "outside" in each.facts]:
        moments += [(told["peak_kpa"], told["time_s"]), *told.get("lower", ())]
    again = [abs(kpa - stretch.peak_kpa) < SHIFT_KPA and abs(s - stretch.peak_s) < SAME_S for kpa, s in moments]
    return any(again) or any(_in_trace(each.trace, stretch) for each in pulls)


def _in_trace(trace: Trace, stretch: Stretch) -> bool:
    """Whether a trace holds the highest reading of a stretch, and its others as far as it has their moments.

    The same sweep run twice is alike at the same moments, but not reading by reading.
    """
    place, both = at_moments(trace, stretch.time_s)
    if not both.any() or stretch.boost_kpa[both].max() < stretch.peak_kpa:
        return False
    return one_boost(trace.boost_kpa[place][both], stretch.boost_kpa[both])


def at_moments(trace: Trace, time_s: FloatArray) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Sample of a trace nearest to each moment, and whether it is of that very moment. Shapes (n,)"""
    after = np.clip(np.searchsorted(trace.time_s, time_s), 1, trace.time_s.size - 1)
    place = after - (time_s - trace.time_s[after - 1] <= trace.time_s[after] - time_s)
    return place, np.abs(trace.time_s[place] - time_s) < SAME_S


def one_boost(one_kpa: FloatArray, two_kpa: FloatArray, rounded_kpa: float = 0.0) -> bool:
    """Whether boost at the same moments, one at least, is of one sweep: alike reading by reading, but for a shift of
    all, and for what rounding may make. Shapes (n,)"""
    apart = one_kpa - two_kpa
    return bool(np.abs(apart).max() < SHIFT_KPA and np.ptp(apart) < SAME_KPA + rounded_kpa)


def passed_outside(pull: PullEntry, problem: Problem) -> bool:
    """Whether boost passed the limit in a pull's log, outside the pull."""
    told = pull.facts.get("outside")
    return bool(told and told["peak_kpa"] > problem.limit_kpa)


def told_outside(pull: PullEntry, problem: Problem) -> Iterator[tuple[str, str]]:
    """Code and sentence of all that stood outside a pull in its log and has to be settled before the next one."""
    where = f"The log of pull {pull.number} shows, outside that pull,"
    if passed_outside(pull, problem):
        told = pull.facts["outside"]
        yield (
            "limit outside the pull",
            f"{where} {problem.say_past(told['peak_kpa'], problem.limit_kpa)} at {told['time_s']:.1f} s, above the "
            "overpressure limit of "
            f"{problem.say(problem.limit_kpa)}: a first attempt, a cut, or the gauge. That has to be settled first.",
        )
    for hit in pull.facts.get("guards_outside", ()):
        yield "guard", f"{where} {GuardHit(**hit).words()}."
