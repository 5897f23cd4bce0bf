"""The tool with one part left out at a time, to show what each is worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final
from unittest import mock

import numpy as np
import numpy.typing as npt
from sklearn.base import clone

from models.risk import passing_probability
from models.settings import Settings
from models.units import FloatArray
from recommender.decide import decide, decide_with, next_step, surrogate_for, value
from recommender.decide.outlook import Forecast, Outlook
from recommender.decide.review import Review
from recommender.decide.step import Decision, Problem
from tests.fleet.play import Turn
from tests.fleet.seats import Job

NO_PHYSICS: Final = "tool without physics"
NO_PROCESS: Final = "tool without process"
POINTWISE: Final = "tool; risk point by point"
GREEDY: Final = "tool; no value of information"
NAMES: Final = (NO_PHYSICS, NO_PROCESS, POINTWISE, GREEDY)
_LEFT_OUT: Final[dict[str, dict[str, Any]]] = {NO_PHYSICS: {"physics": False}, NO_PROCESS: {"process": False}}


class PointwiseOutlook(Outlook):
    """Risk one rpm at a time: no spikes between grid points, no ringing, no highest point of a whole curve."""

    def excess(self, settings: FloatArray) -> FloatArray:
        return np.zeros(settings.shape[0])

    def forecast(self, settings: Sequence[Settings]) -> list[Forecast]:
        return [replace(f, risk=self._highest_single_risk(f.curves)) for f in super().forecast(settings)]

    def _highest_single_risk(self, curves: FloatArray) -> float:
        risks = passing_probability(curves.mean(axis=0), curves.std(axis=0), self.problem.limit_kpa)
        return float(risks.max())


def _gain_of_mean(mean: npt.ArrayLike, _: npt.ArrayLike, bar: float) -> FloatArray:
    """What the mean alone promises: uncertainty brings no credit."""
    return np.asarray(bar - np.asarray(mean, dtype=float))


def _gain_of_forecast(problem: Problem, forecast: Forecast, seen: Review) -> float:
    return value.to_beat(problem, seen) - forecast.deviation_kpa


def decide_without(name: str, job: Job, turns: Sequence[Turn]) -> Decision:
    """The tool's decision with a part left out.

    Args:
        name: One of ``NAMES``.
    """
    problem, seen = job.problem, [turn.observation for turn in turns]
    if name in _LEFT_OUT:
        whole = surrogate_for(problem, seen)
        return decide_with(problem, seen, clone(whole).set_params(**_LEFT_OUT[name]).fit_pulls(seen))
    if name == POINTWISE:
        with mock.patch.object(next_step, "Outlook", PointwiseOutlook):
            return decide(problem, seen)
    if name == GREEDY:
        with (
            mock.patch.object(value, "expected_improvement", _gain_of_mean),
            mock.patch.object(value, "improvement", _gain_of_forecast),
        ):
            return decide(problem, seen)
    raise ValueError(f"name must be one of {', '.join(NAMES)}, but got {name!r}")
