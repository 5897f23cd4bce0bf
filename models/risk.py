"""The highest point of a pull against the overpressure limit, from whole curves drawn from the posterior.

A curve passes the limit if any point of it does, between grid points, at the end of a ringing swing and past the
judged range too. So the risk is read off the highest point of each drawn curve, never off one rpm at a time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from models.evidence import Observation
from models.units import FloatArray

#: What a trace shows above its own curve before there is a pull to measure it on: mean. [kPa]
EXCESS_KPA: Final = 1.2
#: Pulls that this first value is worth.
EXCESS_WORTH: Final = 2.0
#: How fast a spike counts less with settings milder than it came with. [per step]
FADES: Final = 2.0
#: Share of the height that a slow log could have hidden that counts as its mean. The spikes' exponential law then
#: passes the whole height in 2 of 100 pulls. Virtual cars read 1 to 4 times a second hid a fifth of it in the mean.
UNSEEN_SHARE: Final = 0.25
#: How far boost past the grid's end usually stands from that at its end [kPa], and how many pulls that is worth.
BEYOND_KPA: Final = 1.5
BEYOND_WORTH: Final = 0.5
#: Share of the way past the grid's end that others went on, under which a pull tells less of it than they do. [-]
AS_FAR: Final = 0.75
#: By how much pulls may end apart and count as run as far all the same. [rpm]
ENDS_APART: Final = 100.0
#: Worth of a pull for both, over that of the pull after it.
OLDER_WORTH: Final = 0.7
#: Width of the normal kernel put on each drawn highest point, over the spread of them all. It widens the spread by
#: about 1 % and gives the tail beyond the last draw a value.
KERNEL: Final = 0.15


def passing_probability(mean_kpa: npt.ArrayLike, deviation_kpa: npt.ArrayLike, limit_kpa: npt.ArrayLike) -> FloatArray:
    """Probability that a normal value passes the limit. Shapes that broadcast; kPa. [-]"""
    spread = np.maximum(np.asarray(deviation_kpa, dtype=float), 1e-9)
    gap = (np.asarray(mean_kpa, dtype=float) - np.asarray(limit_kpa, dtype=float)) / spread
    return np.asarray(special.ndtr(gap), dtype=float)


def spikes_seen(pulls: Sequence[Observation], fitted_kpa: FloatArray | None = None) -> FloatArray:
    """By how much each pull's highest boost stood above its curve: spikes shorter than the grid.

    The trace's highest point without single-sample noise, less the highest point of its curve up to the pull's end and
    less half the swing of its ringing under gain, which is forecast by itself; never below 0. Where the curve expected
    of the pull's settings does not come up to that curve, since the fit is smooth, what it lacks counts as well. Runs
    at held rpm show no spike of a pull, and that a pull which was lifted had none is no news: it may have come later.

    Args:
        pulls: Pulls that were run.
        fitted_kpa: Highest point of the curve expected of each pull's settings; NaN where there is none. Shape (K,),
            [kPa gauge]
    Returns:
        NaN where a pull does not tell. Shape (K,), [kPa]
    """
    fitted = np.full(len(pulls), np.nan) if fitted_kpa is None else fitted_kpa
    seen = [_spike_kpa(pull, top) if _shows_spikes(pull) else np.nan for pull, top in zip(pulls, fitted, strict=True)]
    whole = np.array([pull.complete for pull in pulls], dtype=bool)
    return np.where(whole | (np.array(seen) > EXCESS_KPA), seen, np.nan)


def excess_kpa(seen: FloatArray, milder: npt.ArrayLike = 0.0) -> FloatArray:
    """Mean by which the next pull's highest boost that its log will show stands above its curve. [kPa]

    The latest pull counts most. A spike counts less the milder the settings asked about are than those that it came
    with, and in full where they are not. With no pull it is ``EXCESS_KPA``.

    Args:
        seen: From ``spikes_seen``. Shape (K,), [kPa]
        milder: How many steps milder than each pull's the settings asked about are, 0 where they are not. One value,
            or shape (..., K)
    Returns:
        Shape (...)
    """
    told = np.isfinite(seen)
    count = int(told.sum())
    away = np.broadcast_to(np.asarray(milder, dtype=float), (*np.shape(milder)[:-1], seen.size))[..., told]
    if not count:
        return np.full(away.shape[:-1], EXCESS_KPA)
    worth = OLDER_WORTH ** np.arange(count)[::-1]
    usual = (np.exp(-FADES * away) * seen[told]) @ worth / worth.sum()
    return np.asarray((EXCESS_WORTH * EXCESS_KPA + count * usual) / (EXCESS_WORTH + count))


def hidden_kpa(pulls: Sequence[Observation]) -> float:
    """What comes on top of ``excess_kpa`` for what logs were too slow to show: a share of it, in the mean over the
    pulls. No number of slow logs teaches it. [kPa]"""
    unseen = [pull.unseen_kpa for pull in pulls if _shows_spikes(pull)]
    return UNSEEN_SHARE * float(np.mean(unseen)) if unseen else 0.0


def _shows_spikes(pull: Observation) -> bool:
    return pull.trusted and bool(pull.curve.reached.any()) and not pull.held_rpm


def _spike_kpa(pull: Observation, fitted_kpa: float) -> float:
    """What a pull's highest boost has over its curve or, where that is lower, over the fitted one. [kPa]"""
    rings = pull.rung_kpa if pull.settings.gain > 0.0 else 0.0
    over_own = pull.sustained_peak_kpa - _top_kpa(pull) - pull.rung_kpa
    return float(np.fmax(max(over_own, 0.0), pull.sustained_peak_kpa - fitted_kpa - rings))


def _top_kpa(pull: Observation) -> float:
    """Highest point of a pull's curve, up to the pull's end. [kPa gauge]"""
    highest = float(np.nanmax(pull.curve.boost_kpa))
    return highest if np.isnan(pull.beyond_kpa) else max(highest, float(pull.curve.boost_kpa[-1]) + pull.beyond_kpa)


@dataclass(frozen=True)
class Beyond:
    """Boost from the grid's end to the pull's end, above that at the grid's end: a normal law.

    Attributes:
        mean_kpa: Minus infinity where no pull goes past the grid.
        deviation_kpa: Of the next pull's.
    """

    mean_kpa: float = -np.inf
    deviation_kpa: float = 0.0

    def drawn_kpa(self, draws: int) -> FloatArray:
        """One value a draw, in fixed order. Shape (draws,), [kPa]"""
        place = (np.arange(draws) * 0.7548776662466927 + 0.5) % 1.0
        return np.asarray(self.mean_kpa + self.deviation_kpa * special.ndtri(np.clip(place, 1e-3, 1.0 - 1e-3)))


#: Nothing comes past the grid.
NO_MORE: Final = Beyond()


def beyond_of(pulls: Sequence[Observation], by_ramp: Sequence[float] | FloatArray) -> Beyond:
    """How boost goes on past the grid's end, from the pulls that went there: the latest counts most, since it was run
    with settings most like the next ones. What is usual counts as half a pull.

    Args:
        pulls: Pulls so far. Of those that were lifted past the grid's end, or ended long before others, none counts
            beside a whole one.
        by_ramp: How much of it came of a ramp that goes on past the grid's end, up to where the pull ended, one a pull.
            [kPa]
    """
    past = [
        (pull.complete, pull.last_rpm - float(pull.curve.rpm[-1]), pull.beyond_kpa - ramp)
        for pull, ramp in zip(pulls, by_ramp, strict=True)
        if pull.trusted and np.isfinite(pull.beyond_kpa)
    ]
    farthest = float(np.fmax.reduce([went for whole, went, _ in past if whole], initial=np.nan))
    least = min(AS_FAR * farthest, farthest - ENDS_APART)
    seen = np.array([kpa for whole, went, kpa in past if whole and not went < least] or [kpa for *_, kpa in past])
    if not seen.size:
        return NO_MORE
    worth = OLDER_WORTH ** np.arange(seen.size)[::-1]
    total = BEYOND_WORTH + worth.sum()
    mean = float(worth @ seen / total)
    variance = (BEYOND_WORTH * BEYOND_KPA**2 + worth @ (seen - mean) ** 2) / total
    return Beyond(mean, float(np.sqrt(variance)))


def spikes_kpa(draws: int, excess: float = 1.0) -> FloatArray:
    """Spikes above the curve, one a draw: an exponential law with this mean, in fixed order. Shape (draws,), [kPa]"""
    order = (np.arange(draws) * 0.6180339887498949 + 0.5) % 1.0
    return np.asarray(-excess * np.log1p(-np.minimum(order, 0.999)), dtype=float)


def tops_kpa(curves: FloatArray, beyond_kpa: FloatArray | float) -> FloatArray:
    """Highest point of each curve, up to the pull's end.

    Args:
        curves: Up to the grid's end. Shape (D, S, M), [kPa gauge]
        beyond_kpa: What boost past it has over its last point: one value, or shape (D, S).
    Returns:
        Shape (D, S), [kPa gauge]
    """
    return np.asarray(np.maximum(curves.max(axis=2), curves[:, :, -1] + beyond_kpa))


def highest_points(
    curves: FloatArray,
    ringing: FloatArray,
    excess: npt.ArrayLike,
    beyond: Beyond = NO_MORE,
    by_ramp: FloatArray | float = 0.0,
) -> FloatArray:
    """Highest boost of each drawn pull.

    Args:
        curves: Shape (D, S, M), [kPa gauge]
        ringing: Half swing of each draw. Shape (D, S), [kPa]
        excess: Mean spike, one value or shape (S,), [kPa]. Spread over the draws as in ``spikes_kpa``.
        beyond: From ``beyond_of``: how boost goes on past the curves' last point.
        by_ramp: What a ramp that goes on past it adds. Shape (D, S) or one value, [kPa]
    Returns:
        Shape (D, S), [kPa gauge]
    """
    draws = curves.shape[0]
    top = tops_kpa(curves, beyond.drawn_kpa(draws)[:, None] + by_ramp)
    return np.asarray(top + ringing + spikes_kpa(draws)[:, None] * np.asarray(excess), dtype=float)


def risk_of(highest: FloatArray, limit_kpa: float) -> FloatArray:
    """Probability that the highest point passes the limit: a kernel estimate over the draws, tail included.

    Args:
        highest: Highest points. Shape (D, S), [kPa gauge]
    Returns:
        Shape (S,), [-]
    """
    spread = highest.std(axis=0)
    return np.asarray(passing_probability(highest, KERNEL * spread + 0.2, limit_kpa).mean(axis=0), dtype=float)
