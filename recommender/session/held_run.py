"""A run at held rpm, duty turned slowly by hand: what its log shows, and when one is worth making."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from models.curve import Trace
from models.settings import Settings
from models.signals import median_smooth
from models.units import FloatArray, to_kpa
from recommender import wording
from recommender.decide.allowed import idle_like
from recommender.decide.step import Problem
from recommender.record import PullEntry

#: Stretches into which a run is cut: how narrow at the least, and how many at the most. [points of duty]
NARROWEST_DUTY: Final = 4.0
MOST_HELD: Final = 8
#: A stretch in which boost rises by more is halved, and so on: where it is steep, its end tells what comes next. [kPa]
RISE_KPA: Final = 4.0
#: Stretches after that at the most.
MOST_CUT: Final = 12
#: Samples that a stretch needs.
FEWEST: Final = 5
#: Boost follows the hand by about this much, so that it belongs to the duty of so long before. [s] (0.2 to 0.4 on the
#: virtual cars; up to 0.5 psi is lost at 8 points a second where it is left out)
FOLLOWS_S: Final = 0.3
#: The spool at the run's beginning is over once boost rises at less than this share of its fastest rise. [-]
SETTLED: Final = 0.1
#: More duty from one reading to the next is no hand that turns slowly, where it stays. [points]
JUMP: Final = 25.0
#: Faster than this boost lags the hand by more than is put right. [points a second]
QUICK: Final = 8.0
#: The duty of a log is not what moves boost where it stands within the first while boost moves by the second, or where
#: boost at the most duty is lower by that than at the least. [points], [kPa]
STANDS: Final = 2.0
MOVES_KPA: Final = 10.0
#: Points must lie over such a share of the duty that was turned. [-]
COVERED: Final = 0.5
#: A run whose engine speed rises more slowly is no sweep; duty turned by so much in it was turned by hand.
#: [rpm/s], [points]
CREEPS_RPM_S: Final = 50.0
TURNED: Final = 10.0
#: The hand stops this far under the target, and as far under the limit again. [kPa]
STOP_UNDER_KPA: Final = float(to_kpa(1.0, "psi"))


@dataclass(frozen=True)
class HeldPoint:
    """One duty of a run at held rpm.

    Attributes:
        duty: As logged. [%]
        rpm: At which it was held. [rpm]
        boost_kpa, highest_kpa: Median and highest boost there. [kPa gauge]
    """

    duty: float
    rpm: float
    boost_kpa: float
    highest_kpa: float


def held_points(trace: Trace) -> tuple[tuple[HeldPoint, ...], str]:
    """A run cut into stretches of about one duty each, in the order in which duty was turned.

    The spool at its beginning is left out, and boost counts for the duty that stood ``FOLLOWS_S`` before. Stretches are
    narrower where boost rises steeply. One with under five samples says too little and is passed over.

    Returns:
        The points; where there are none, why, as a sentence.
    """
    if trace.duty_pct is None:
        return (), "A run at held rpm says something only with duty in the log."
    settled = _settled(trace)
    if not settled.any():
        return (), "Boost never settled: hold rpm until boost stands still, and only then turn duty, slowly."
    time_s, boost, rpm = trace.time_s[settled], trace.boost_kpa[settled], trace.rpm[settled]
    logged = trace.duty_pct[settled]
    rise = np.diff(logged, prepend=logged[0])
    jump = int(np.argmax(rise))
    if rise[jump] > JUMP and (logged[jump : jump + FEWEST] > logged[jump - 1] + 0.5 * rise[jump]).sum() == FEWEST:
        return (), (
            f"Duty jumps from {logged[jump - 1]:.0f} to {logged[jump]:.0f} % at {time_s[jump]:.1f} s: either it was "
            "not turned slowly, or the gate was held shut in between. Set engagement as low as it goes, and turn duty "
            "by hand, about 4 points a second."
        )
    duty = logged[np.maximum(np.searchsorted(time_s, time_s - FOLLOWS_S, side="right") - 1, 0)]
    width = max(NARROWEST_DUTY, float(np.ptp(duty)) / MOST_HELD)
    stretch = np.floor((duty - duty.min()) / width).astype(int)
    parts = [np.flatnonzero(stretch == each) for each in dict.fromkeys(stretch.tolist())]
    found = []
    for rows in _cut_where_steep(duty, boost, [rows for rows in parts if rows.size >= FEWEST]):
        point = (np.median(duty[rows]), np.median(rpm[rows]), np.median(boost[rows]), boost[rows].max())
        found.append(HeldPoint(*map(float, point)))
    other = _not_what_was_turned(duty, boost, found)
    if other:
        return (), other
    covered = float(np.ptp([each.duty for each in found])) if found else 0.0
    if not found or covered < COVERED * (float(np.ptp(duty)) - width):
        return (), "Too few readings at most of the duties: turn it slower, or log faster."
    return tuple(found), ""


def _not_what_was_turned(duty: FloatArray, boost_kpa: FloatArray, points: Sequence[HeldPoint]) -> str:
    """That the duty of the log is not what moved boost, as a sentence; else ""."""
    low, high = np.quantile(duty, [0.02, 0.98])
    begins, ends = np.quantile(boost_kpa, [0.05, 0.95])
    if high - low < STANDS and ends - begins > MOVES_KPA:
        return (
            f"Boost moves from {begins:.0f} to {ends:.0f} kPa while the log's duty stands at {low:.4g} to {high:.4g} "
            "%: that is not the duty that was turned, or it is a share of 1 under a heading of percent. Name the right "
            "column: [channels] duty."
        )
    if not points:
        return ""
    least, most = min(points, key=lambda each: each.duty), max(points, key=lambda each: each.duty)
    if least.boost_kpa - most.boost_kpa > MOVES_KPA:
        return (
            f"Boost is {least.boost_kpa:.0f} kPa at {least.duty:.0f} % of the log's duty and {most.boost_kpa:.0f} at "
            f"{most.duty:.0f} %: more duty gives more boost, so this is written the other way round, or is another "
            "valve's. Log the duty as it is dialled, or name its column: [channels] duty."
        )
    return ""


def _cut_where_steep(
    duty: FloatArray, boost_kpa: FloatArray, stretches: list[npt.NDArray[np.int64]]
) -> list[npt.NDArray[np.int64]]:
    """Rows of each stretch, the steepest halved by duty until boost rises by no more than ``RISE_KPA`` in any."""

    def halves(rows: npt.NDArray[np.int64]) -> tuple[float, list[npt.NDArray[np.int64]]]:
        """Rise of boost over the stretch, and its two halves; 0 where they would be too small. [kPa]"""
        upper = duty[rows] > 0.5 * (duty[rows].min() + duty[rows].max())
        two = [rows[~upper], rows[upper]]
        if min(each.size for each in two) < FEWEST:
            return 0.0, two
        return 2.0 * abs(float(np.median(boost_kpa[two[1]]) - np.median(boost_kpa[two[0]]))), two

    out = list(stretches)
    while out and len(out) < MOST_CUT:
        steepest = max(range(len(out)), key=lambda i: halves(out[i])[0])
        rise, two = halves(out[steepest])
        if rise <= RISE_KPA:
            break
        out[steepest : steepest + 1] = sorted(two, key=lambda rows: int(rows[0]))
    return out


def turned_quickly(trace: Trace) -> str:
    """That duty was turned too fast for boost to follow, as a sentence; else ""."""
    time_s, duty = trace.time_s, trace.duty_pct
    if duty is None:
        return ""
    settled = _settled(trace)
    time_s, duty = time_s[settled], duty[settled]
    earlier = np.searchsorted(time_s, time_s - 2.0, side="right") - 1
    rate = (duty - duty[np.maximum(earlier, 0)])[earlier >= 0] / 2.0
    if not rate.size or rate.max() <= QUICK:
        return ""
    return (
        f"Duty was turned up by as much as {rate.max():.0f} points a second: boost lags the hand, and more of it than "
        "was read may belong to these duties. Turn about 4 points a second."
    )


def not_held(trace: Trace) -> str:
    """That duty was turned by hand in what is neither a sweep nor a run at held rpm, as a sentence; else ""."""
    if trace.duty_pct is None:
        return ""
    settled = _settled(trace)
    seconds, rise = float(np.ptp(trace.time_s)), float(np.ptp(trace.rpm))
    if np.count_nonzero(settled) < FEWEST or rise > CREEPS_RPM_S * seconds:
        return ""
    low, high = np.quantile(trace.duty_pct[settled], [0.05, 0.95])
    if high - low <= TURNED:
        return ""
    return (
        f"Duty goes from {low:.0f} to {high:.0f} % while engine speed goes over no more than {rise:.0f} rpm in "
        f"{seconds:.0f} s: a run at held rpm, it seems, but rpm was not held nearly enough for one. Hold it within "
        "100 rpm, or make a sweep at one setting."
    )


def _settled(trace: Trace) -> npt.NDArray[np.bool_]:
    """Samples after the spool at the beginning of a run at held rpm. Shape (n,)"""
    boost: FloatArray = median_smooth(trace.time_s, trace.boost_kpa, 0.2)
    spools = boost[0] < 0.5 * float(np.median(boost))
    if not spools:
        return np.ones(boost.size, dtype=bool)
    earlier = np.maximum(np.searchsorted(trace.time_s, trace.time_s - 0.2, side="right") - 1, 0)
    rate = (boost - boost[earlier]) / np.maximum(trace.time_s - trace.time_s[earlier], 0.2)
    fastest = int(np.argmax(rate))
    calm = np.flatnonzero(rate[fastest:] < SETTLED * rate[fastest])
    if not calm.size:
        return np.zeros(boost.size, dtype=bool)
    return np.asarray(trace.time_s >= trace.time_s[fastest + int(calm[0])] + FOLLOWS_S)


@dataclass(frozen=True)
class HeldRun:
    """A run at held rpm that would spare pulls.

    Attributes:
        rpm: At which to hold. [rpm]
        stop_kpa: Boost at which the hand stops. [kPa gauge]
        settings: What is dialled in at its beginning; duty is turned up from there.
        like: Number of the pull that was run with these settings.
    """

    rpm: float
    stop_kpa: float
    settings: Settings
    like: int


def worth_making(problem: Problem, pulls: Sequence[PullEntry]) -> HeldRun | None:
    """The run at held rpm that may be made now: after a sound baseline, while nothing else is known.

    It is as mild as the baseline up to its rpm, and the hand stops short of target and limit.

    Args:
        problem: The job.
        pulls: Pulls that stand, in order.
    """
    if len(pulls) != 1 or problem.knobs["duty"].fixed:
        return None
    pull = pulls[0]
    under = pull.facts["peak_kpa"] <= problem.limit_kpa
    if not pull.sound or not under or not idle_like(problem, pull.settings):
        return None
    rpm, stop_kpa = where_to_stop(problem)
    boost = float(pull.curve.at(np.array([rpm]))[0])
    if not boost < stop_kpa - 2.0 * STOP_UNDER_KPA:  # NaN where the pull did not get there
        return None
    return HeldRun(rpm, stop_kpa, pull.settings, pull.number)


def where_to_stop(problem: Problem) -> tuple[float, float]:
    """The rpm to hold, in the middle of the judged range, and the boost at which the hand stops. [rpm], [kPa gauge]"""
    target = problem.target
    rpm = 50.0 * round((target.judge_from + target.judge_to) / 100.0)
    return rpm, min(float(target.at(rpm)), problem.limit_kpa - STOP_UNDER_KPA) - STOP_UNDER_KPA


def words(problem: Problem, run: HeldRun) -> str:
    """What to do for a run at held rpm, and what for."""
    return (
        "Where the dyno can hold rpm, a run at held rpm before this pull may spare a pull or two: knobs as for pull "
        f"{run.like}, {wording.rpm(run.rpm)} held at full load; let boost stand, then turn duty up by hand from "
        f"{wording.knob_number(run.settings.duty)} %, about 4 points a second, and lift at "
        f"{problem.say(run.stop_kpa)}. Log duty too, add that log, and ask again. It is 10 to 20 s at full load: watch "
        "exhaust temperature and cooling, and lift early."
    )
