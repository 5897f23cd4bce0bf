"""Where why looks from, and how a range of the posterior becomes a sentence: known, assumed, or not known yet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from models.settings import Settings
from models.surrogate import BoostSurrogate
from models.units import FloatArray
from recommender.decide.step import Problem
from recommender.why.explanation import Constant
from recommender.why.words import ends, in_unit

#: A range that the pulls have narrowed and moved by less than this share of it counts as assumed, not learnt.
ASSUMED = 0.2
#: Share of the target's highest boost, and of its rpm range, beyond which the width of a range tells nothing.
VAGUE_BOOST, VAGUE_RPM = 0.5, 0.35
#: The same for ranges of duty and of what gain takes away. [%]
VAGUE_PERCENT = 60.0


@dataclass(frozen=True)
class Look:
    """A fitted surrogate, the one before the first pull, and the settings to look from.

    Attributes:
        problem: The job.
        surrogate: Fitted to the pulls.
        prior: Fitted to none.
        base: Settings of the step, or those that stand.
    """

    problem: Problem
    surrogate: BoostSurrogate
    prior: BoostSurrogate
    base: Settings

    @property
    def middle_rpm(self) -> float:
        """Grid point in the middle of the judged range. [rpm]"""
        target = self.problem.target
        return self.nearest(0.5 * (target.judge_from + target.judge_to))

    @property
    def top_rpm(self) -> float:
        """Last grid point of the judged range. [rpm]"""
        rpm = self.surrogate.rpm_
        return float(rpm[self.problem.target.judged(rpm)][-1])

    @property
    def vague_kpa(self) -> float:
        """Width of a range of boost that tells nothing. [kPa]"""
        return VAGUE_BOOST * float(np.max(self.problem.target.boost_kpa))

    @property
    def vague_rpm(self) -> float:
        """Width of a range of engine speed that tells nothing. [rpm]"""
        return VAGUE_RPM * float(np.ptp(self.problem.target.rpm))

    def nearest(self, rpm: float) -> float:
        """Grid point nearest to an rpm. [rpm]"""
        grid = self.surrogate.rpm_
        return float(grid[int(np.argmin(np.abs(grid - rpm)))])

    def column(self, rpm: float) -> int:
        """Its place on the grid."""
        return int(np.argmin(np.abs(self.surrogate.rpm_ - rpm)))


def constant(
    code: str,
    look: Look,
    draws: Callable[[BoostSurrogate], FloatArray],
    unit: str,
    say: Callable[[float, float], str],
    unknown: str,
    widest: float,
) -> Constant:
    """A constant from draws of the posterior, held against the same draws before the first pull.

    Args:
        code, look, unit: Of the constant.
        draws: Its draws from a surrogate. [kPa, rpm, % …]
        say: Words a range.
        unknown: Said instead where the range is wider than ``widest`` and tells nothing. [as ``draws``]
    """
    low, high = ends(draws(look.surrogate))
    was_low, was_high = ends(draws(look.prior))
    spread, now = was_high - was_low, high - low
    narrowed = float(np.clip(1.0 - now / spread, 0.0, 1.0)) if spread > 0 and np.isfinite(now) else float("nan")
    text = say(low, high) if not now > widest else unknown
    moved = abs(0.5 * (low + high) - 0.5 * (was_low + was_high))
    if not now > widest and narrowed < ASSUMED and moved < ASSUMED * spread:
        text += " Assumed so far: the pulls have not narrowed it yet."
    if unit == look.problem.pressure_unit:
        low, high = in_unit(look.problem, [low, high]).tolist()
    return Constant(code, low, high, unit, narrowed, text)
