"""What settings are worth: the improvement expected of them, less a small price for what is turned."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from models.settings import KNOB_NAMES, Settings
from models.units import FloatArray
from recommender.decide.allowed import engages_past, forbidden
from recommender.decide.outlook import Forecast, Outlook
from recommender.decide.review import Review
from recommender.decide.search import IntArray
from recommender.decide.step import Problem

#: Spread of a step's deviation that the sketch cannot see, over the tolerance.
UNSEEN = 0.25
#: Deviation that a changed knob must bring, so that nothing is turned for nothing. [share of tolerance]
EFFORT = 0.01


def merit(outlook: Outlook, points: IntArray, last: Settings, seen: Review) -> tuple[FloatArray, FloatArray]:
    """Objective and violation of grid points, from the sketch."""
    settings = outlook.values(points)
    deviations, highest, excess, held = outlook.sketch(settings)
    effort = _effort(outlook.problem, settings, last)
    spread = np.hypot(deviations.std(axis=0), UNSEEN * outlook.problem.tolerance_kpa)
    hoped = expected_improvement(deviations.mean(axis=0), spread, to_beat(outlook.problem, seen))
    objective = effort - np.where(seen.learnt(settings), 0.0, hoped)
    violation = np.maximum(-outlook.headroom(highest, excess) / outlook.problem.limit_kpa, 0.0)
    violation += forbidden(outlook.problem, settings, seen.bad, seen.reach) | engages_past(settings, held, seen.reach)
    return objective, violation


def _effort(problem: Problem, settings: FloatArray, last: Settings) -> FloatArray:
    """Small price of every knob that is turned, and of how far. Shape (S,), [kPa]

    A knob that the job file fixes costs nothing: run with another value once, it goes back whatever is chosen.
    """
    free = np.array([not problem.knobs[name].fixed for name in KNOB_NAMES])
    steps = np.array([max(problem.knobs[name].step, 1e-9) for name in KNOB_NAMES])
    moved = np.where(free, np.abs(settings - last.as_array()), 0.0) / steps
    return np.asarray(EFFORT * problem.tolerance_kpa * ((moved > 1e-6).sum(axis=1) + moved.sum(axis=1)))


def expected_improvement(mean: npt.ArrayLike, deviation: npt.ArrayLike, bar: float) -> FloatArray:
    """Expected amount by which a normal value falls under ``bar``. Same unit as the arguments, broadcast shape.

    D. R. Jones, M. Schonlau, W. J. Welch, "Efficient global optimization of expensive black-box functions" (1998),
    eq. 15, for a minimum.
    """
    spread = np.maximum(np.asarray(deviation, dtype=float), 1e-12)
    gap = bar - np.asarray(mean, dtype=float)
    z = gap / spread
    return np.asarray(gap * special.ndtr(z) + spread * np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi))


def to_beat(problem: Problem, seen: Review) -> float:
    """Deviation to be improved on: that of the best pull, or one that everything beats."""
    return seen.best_kpa if np.isfinite(seen.best_kpa) else float(2.0 * np.max(problem.target.boost_kpa))


def improvement(problem: Problem, forecast: Forecast, seen: Review) -> float:
    """Expected improvement of a forecast over the best pull; none of settings that were run twice. [kPa]"""
    if seen.learnt(forecast.settings.as_array()[None])[0]:
        return 0.0
    return float(np.maximum(to_beat(problem, seen) - forecast.deviations, 0.0).mean())


def score(problem: Problem, forecast: Forecast, last: Settings, seen: Review) -> float:
    """Price of what is turned less expected improvement: the least is chosen. [kPa]"""
    effort = float(_effort(problem, forecast.settings.as_array()[None], last)[0])
    return effort - improvement(problem, forecast, seen)
