"""Steps recomputed from the record."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.curve import Target, Trace
from models.evidence import Observation
from models.settings import Knob, Settings
from recommender.decide import decide
from recommender.decide.step import Alternative, Band, Decision, Problem, Reason
from recommender.record import replay
from recommender.record.stored import decision_in, decision_out, problem_in, problem_out, trace_in, trace_out
from recommender.session import Session

BASELINE = {"duty": 0, "ramp_from": 5000, "ramp_to": 7000, "ramp_add": 0, "engagement": 0, "gain": 0}


@pytest.fixture
def played(session: Session, pull_log: Callable[..., Path]) -> Session:
    """A job with three steps, the second pull run with other settings, a third withdrawn."""
    session.next_step()
    session.add_pull(pull_log(Settings(0, 5000, 7000, 0, 0, 0)), settings=BASELINE)
    session.next_step()
    session.add_pull(pull_log(Settings(15, 5000, 7000, 0, 0, 0)), settings={**BASELINE, "duty": 15})
    session.next_step()
    session.add_pull(pull_log(Settings(25, 5000, 7000, 0, 0, 0)), settings={**BASELINE, "duty": 25})
    session.withdraw(3, "wrong gear")
    return session


def test_every_step_comes_out_again_bit_for_bit(played: Session) -> None:
    rows = played.replay()
    assert [row.step for row in rows] == [1, 2, 3]
    assert [row.pulls for row in rows] == [(), (1,), (1, 2)]
    assert all(row.same for row in rows)
    assert all(row.differs == () for row in rows)


def test_another_decision_is_told_field_by_field(played: Session) -> None:
    def other(problem: Problem, observations: Sequence[Observation]) -> Decision:
        answer = decide(problem, observations)
        if len(observations) != 1:
            return answer
        nudged = answer.band.mean_kpa.copy()
        nudged[0] = np.nextafter(nudged[0], np.inf)
        band = dataclasses.replace(answer.band, mean_kpa=nudged)
        return dataclasses.replace(answer, risk=np.nextafter(answer.risk, 1.0), band=band)

    rows = replay.rows(played.record.read(), other)
    assert [row.same for row in rows] == [True, False, True]
    told = " ".join(rows[1].differs)
    assert "band.mean_kpa: 1 of" in told
    assert "risk " in told
    assert " -> " in told
    assert len(rows[1].differs) == 2


def test_a_pull_that_was_meddled_with_is_noticed(played: Session) -> None:
    snapshot = played.record.read()
    first = snapshot.pulls[0]
    forged = dataclasses.replace(first, curve=dataclasses.replace(first.curve, boost_kpa=first.curve.boost_kpa + 1.0))
    rows = replay.rows(dataclasses.replace(snapshot, pulls=(forged, *snapshot.pulls[1:])))
    assert [row.same for row in rows] == [True, False, False]


# ------------------------------------------------------------------ what is stored comes back to the last bit

doubles = st.floats(allow_nan=True, allow_infinity=False, width=64)
arrays = st.lists(doubles, min_size=3, max_size=3).map(np.array)
settings = st.builds(Settings, *[st.floats(-1e4, 1e4)] * 6)
decisions = st.builds(
    Decision,
    verdict=st.sampled_from(["pull", "repeat", "done", "out of reach", "stop"]),
    settings=st.none() | settings,
    risk=doubles,
    deviation_kpa=doubles,
    band=st.builds(Band, arrays, arrays, arrays, arrays),
    peak_kpa=doubles,
    peak_high_kpa=doubles,
    margin_kpa=doubles,
    tightest_rpm=doubles,
    reasons=st.lists(st.builds(Reason, st.text(max_size=9), st.text(max_size=30)), max_size=3).map(tuple),
    binding=st.lists(st.text(max_size=9), max_size=2).map(tuple),
    alternatives=st.lists(st.builds(Alternative, settings, doubles, doubles, st.text(max_size=9)), max_size=2).map(
        tuple
    ),
    best_possible_kpa=doubles,
    cause=st.text(max_size=9),
    cause_rpm=doubles,
    best_number=st.integers(0, 99),
    facts=st.dictionaries(st.text(max_size=9), doubles, max_size=2),
)


@given(decisions)
def test_a_decision_comes_back_from_json_to_the_last_bit(decision: Decision) -> None:
    stored = json.dumps(decision_out(decision))
    assert "NaN" not in stored.replace(json.dumps(decision.cause), "") or math.isfinite(decision.risk)
    back = decision_in(json.loads(stored))
    for field in dataclasses.fields(Decision):
        ours, theirs = getattr(decision, field.name), getattr(back, field.name)
        if field.name == "band":
            for part in dataclasses.fields(Band):
                assert getattr(ours, part.name).tobytes() == getattr(theirs, part.name).tobytes() or np.array_equal(
                    getattr(ours, part.name), getattr(theirs, part.name), equal_nan=True
                )
        elif isinstance(ours, float):
            assert ours == theirs or (math.isnan(ours) and math.isnan(theirs))
        elif field.name == "alternatives":
            assert [each.settings for each in ours] == [each.settings for each in theirs]
        elif field.name != "facts":
            assert ours == theirs


def test_a_decision_of_another_version_is_read_as_far_as_it_is_known() -> None:
    problem = _problem()
    stored = decision_out(decide(problem, ()))
    newer = {**stored, "mood": "hopeful"}
    del newer["facts"], newer["cause"]
    back = decision_in(newer)
    assert back.cause == ""
    assert back.settings == decide(problem, ()).settings


def test_a_problem_comes_back() -> None:
    problem = _problem()
    back = problem_in(json.loads(json.dumps(problem_out(problem))))
    assert problem_out(back) == problem_out(problem)
    assert dict(back.knobs) == dict(problem.knobs)


@given(st.booleans(), st.lists(st.floats(-1e3, 1e3), min_size=4, max_size=4))
def test_a_trace_comes_back_to_the_last_bit(with_duty: bool, boost: list[float]) -> None:
    duty = np.array([1.0, 2.0, 3.0, 1 / 3]) if with_duty else None
    trace = Trace(np.array([0.0, 0.1, 0.2, 1 / 3]), np.array([2e3, 2.1e3, 2.2e3, 2.3e3]), np.array(boost), duty)
    back = trace_in(trace_out(trace))
    assert np.array_equal(back.boost_kpa, trace.boost_kpa)
    assert np.array_equal(back.time_s, trace.time_s)
    assert (back.duty_pct is None) == (duty is None)


def _problem() -> Problem:
    knobs = {
        "duty": Knob("duty", 0, 90, 1, 20),
        "ramp_from": Knob("ramp_from", 3000, 5500, 100, 1000),
        "ramp_to": Knob("ramp_to", 5600, 7000, 100, 1000),
        "ramp_add": Knob("ramp_add", 0, 30, 1, 10),
        "engagement": Knob("engagement", 0, 110.316, 3.447375, 55.158),
        "gain": Knob("gain", 0, 10, 1, 3),
    }
    target = Target(np.array([2600.0, 3900.0, 6800.0]), np.array([55.158, 110.316, 110.316]), 3900.0, 6700.0)
    return Problem(target, 131.0, 0.01, 2.758, knobs, "psi", 7)
