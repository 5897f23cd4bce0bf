"""The whole loop on virtual cars of every kind: the right verdict, the limit unbroken, every cap kept.

The first car of each kind, none of them chosen for how it goes.
"""

from __future__ import annotations

import numpy as np
import pytest

from models import fleet
from models.curve import measure
from models.evidence import Observation
from models.settings import KNOB_NAMES
from models.units import kpa_in
from recommender.decide import decide
from recommender.decide.step import Decision, Problem

PSI = kpa_in("psi")
#: Pulls that a job may take before the test gives up on it.
MOST = 12


def observe(car: fleet.FleetCar, decision: Decision, number: int) -> Observation:
    assert decision.settings is not None
    measures = measure(car.pull(decision.settings, number - 1).trace, car.target)
    return Observation.of(number, decision.settings, measures)


def true_deviation_kpa(car: fleet.FleetCar, pull: Observation) -> float:
    """What the pull was without its gauge; drift and heat of that pull are in it: nobody can tell them apart. [kPa]"""
    rpm = np.arange(car.target.judge_from, car.target.judge_to + 1.0, 25.0)
    boost = car.pull(pull.settings, pull.number - 1).true_curve(rpm)
    return float(np.sqrt(np.mean((boost - car.target.at(rpm)) ** 2)))


@pytest.mark.parametrize("kind", fleet.KINDS)
def test_a_job_ends_with_the_right_verdict_and_the_limit_unbroken(kind: str) -> None:
    car = fleet.make(kind, 0)
    problem = Problem(car.target, car.limit_kpa, 0.01, 0.4 * PSI, car.knobs, "psi", seed=0)
    history: list[Observation] = []
    decision = decide(problem, history)
    while decision.settings is not None and len(history) < MOST:
        history.append(observe(car, decision, len(history) + 1))
        assert history[-1].peak_kpa <= problem.limit_kpa, f"pull {len(history)} passed the limit: {decision.settings}"
        before = history[-1].settings
        decision = decide(problem, history)
        if decision.settings is None:
            break
        assert decision.risk <= problem.risk
        assert decision.settings.ramp_from < decision.settings.ramp_to
        for name, value, last in zip(KNOB_NAMES, decision.settings, before, strict=True):
            knob = problem.knobs[name]
            assert float(knob.value(knob.index(value))) == value
            assert abs(value - last) <= knob.step + 1e-6
    assert decision.settings is None, f"no end after {MOST} pulls"
    assert decision.best_number > 0
    left = true_deviation_kpa(car, history[decision.best_number - 1])
    if car.reachable:
        assert decision.verdict == "done"
        assert left <= 0.5 * PSI  # 0.4 by the log, which has noise on it
    else:
        assert decision.verdict == "out of reach"
        words = " ".join(reason.text for reason in decision.reasons)
        assert (
            decision.cause == {"out of breath": "out of breath at the top", "stiff spring": "floor above target"}[kind]
        )
        assert "cannot be reached" in words
        assert left > 0.4 * PSI
