"""The highest point of a pull against the overpressure limit, from whole curves drawn from the posterior.

A curve passes the limit if any point of it does, between grid points and at the end of a ringing swing too. So the
risk is read off the highest point of each drawn curve, never off one rpm at a time.
"""

from __future__ import annotations

from collections.abc import Sequence
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
#: Share of the height that a slow log could have hidden that counts as its mean. The spikes' exponential law then
#: passes the whole height in 2 of 100 pulls. Virtual cars read 1 to 4 times a second hid a fifth of it in the mean.
UNSEEN_SHARE: Final = 0.25
#: Width of the normal kernel put on each drawn highest point, over the spread of them all. It widens the spread by
#: about 1 % and gives the tail beyond the last draw a value.
KERNEL: Final = 0.15


def passing_probability(
    mean_kpa: npt.ArrayLike, deviation_kpa: npt.ArrayLike, limit_kpa: npt.ArrayLike
) -> FloatArray:
    """Probability that a normal value passes the limit. Shapes that broadcast; kPa. [-]"""
    spread = np.maximum(np.asarray(deviation_kpa, dtype=float), 1e-9)
    gap = (np.asarray(mean_kpa, dtype=float) - np.asarray(limit_kpa, dtype=float)) / spread
    return np.asarray(special.ndtr(gap), dtype=float)


def excess_kpa(pulls: Sequence[Observation], *, unseen: bool = True) -> float:
    """Mean by which the highest true boost of a pull stands above its curve. [kPa]

    Spikes shorter than the grid, estimated from the pulls that were run: the trace's highest point without
    single-sample noise, less the highest point of its curve, never below 0. With none it is ``EXCESS_KPA``. A share of
    what their logs were too slow to show, in the mean over the pulls, is put on top: no number of slow logs teaches it.

    Args:
        pulls: Pulls that were run.
        unseen: Whether what slow logs could have hidden counts.
    """
    counted = [pull for pull in pulls if pull.trusted and pull.curve.reached.any()]
    seen = [max(pull.sustained_peak_kpa - float(np.nanmax(pull.curve.boost_kpa)), 0.0) for pull in counted]
    mean = (EXCESS_WORTH * EXCESS_KPA + sum(seen)) / (EXCESS_WORTH + len(seen))
    hidden = sum(pull.unseen_kpa for pull in counted) / max(len(counted), 1)
    return float(mean + UNSEEN_SHARE * hidden) if unseen else float(mean)


def spikes_kpa(draws: int, excess: float) -> FloatArray:
    """Spikes above the curve, one a draw: an exponential law with this mean, in fixed order. Shape (draws,), [kPa]"""
    order = (np.arange(draws) * 0.6180339887498949 + 0.5) % 1.0
    return np.asarray(-excess * np.log1p(-np.minimum(order, 0.999)), dtype=float)


def highest_points(curves: FloatArray, ringing: FloatArray, excess: float) -> FloatArray:
    """Highest boost of each drawn pull.

    Args:
        curves: Shape (D, S, M), [kPa gauge]
        ringing: Half swing of each draw. Shape (D, S), [kPa]
        excess: From ``excess_kpa``. Spread over the draws as in ``spikes_kpa``.
    Returns:
        Shape (D, S), [kPa gauge]
    """
    return np.asarray(curves.max(axis=2) + ringing + spikes_kpa(curves.shape[0], excess)[:, None], dtype=float)


def risk_of(highest: FloatArray, limit_kpa: float) -> FloatArray:
    """Probability that the highest point passes the limit: a kernel estimate over the draws, tail included.

    Args:
        highest: Highest points. Shape (D, S), [kPa gauge]
    Returns:
        Shape (S,), [-]
    """
    spread = highest.std(axis=0)
    return np.asarray(passing_probability(highest, KERNEL * spread + 0.2, limit_kpa).mean(axis=0), dtype=float)
