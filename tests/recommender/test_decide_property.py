"""Whatever the car, the job and the history: no step leaves range, resolution, step cap or gate.

The histories are worse than any workshop's: settings off the dial and out of range, aborted pulls, pulls over the
limit, logs that cannot be trusted, knobs that stand still. The surrogate is the real one on a coarser grid, so that
many jobs can be tried; the examples are the same on every run.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from models.evidence import Observation
from models.settings import KNOB_NAMES, Knob, Settings
from models.surrogate import BoostSurrogate
from recommender.decide import decide, decide_with
from recommender.decide.step import Decision, Problem
from recommender.record.stored import decision_out
from tests.recommender.cars import PSI, PlainCar, problem_of

RESOLUTIONS = {
    "duty": (0.5, 1.0, 2.0),
    "ramp_from": (50.0, 100.0, 250.0),
    "ramp_to": (50.0, 100.0, 250.0),
    "ramp_add": (1.0, 2.0),
    "engagement": (0.5 * PSI, 1.0, 5.0),
    "gain": (0.1, 1.0, 5.0),
}
RANGES = {
    "duty": (0.0, 90.0),
    "ramp_from": (3000.0, 5500.0),
    "ramp_to": (4500.0, 7000.0),
    "ramp_add": (0.0, 30.0),
    "engagement": (0.0, 110.0),
    "gain": (0.0, 100.0),
}
#: Knobs more of which asks for more.
ASKING = ("duty", "ramp_add", "engagement", "gain")
FIXED = {"ramp_from": 4000.0, "ramp_to": 6500.0, "ramp_add": 0.0, "engagement": 0.0, "gain": 0.0}


@dataclass(frozen=True)
class Case:
    problem: Problem
    history: list[Observation]


@st.composite
def knob(draw: st.DrawFn, name: str) -> tuple[float, float, float, float] | float:
    if name in FIXED and draw(st.integers(0, 4)) == 0:
        return FIXED[name]
    low, high = RANGES[name]
    resolution = draw(st.sampled_from(RESOLUTIONS[name]))
    count = int((high - low) / resolution)
    step = draw(st.integers(1, max(count // 3, 1)))
    return low, low + count * resolution, resolution, step * resolution


@st.composite
def cars(draw: st.DrawFn) -> PlainCar:
    return PlainCar(
        spring_kpa=draw(st.floats(35.0, 140.0)),
        most=draw(st.floats(0.3, 0.75)),
        spool_from=draw(st.floats(1800.0, 3200.0)),
        spool_slope=draw(st.floats(0.04, 0.12)),
        top_kpa=draw(st.floats(90.0, 260.0)),
        droop=draw(st.floats(-0.15, 0.25)),
        pull_together=draw(st.floats(0.0, 3.0)),
    )


@st.composite
def dialled(draw: st.DrawFn, knobs: dict[str, Knob]) -> Settings:
    """Settings that were run: on the dial, between its marks, or beyond its ends."""
    values = {}
    for name, each in knobs.items():
        where = draw(st.sampled_from(["dial", "dial", "between", "beyond"]))
        if where == "dial":
            values[name] = float(each.value(draw(st.integers(0, each.count - 1))))
        elif where == "between":
            values[name] = draw(st.floats(each.lower, each.upper))
        else:
            values[name] = each.upper + draw(st.floats(0.0, 0.1)) * (RANGES[name][1] - RANGES[name][0])
    values["duty"] = min(values["duty"], 100.0)
    if values["ramp_from"] >= values["ramp_to"]:
        values["ramp_to"] = values["ramp_from"] + 100.0
    return Settings(**values)


@st.composite
def cases(draw: st.DrawFn) -> Case:
    problem = problem_of(
        draw(st.sampled_from([8.0, 12.0, 16.0, 22.0])),
        limit_psi=None,
        **{name: draw(knob(name)) for name in KNOB_NAMES},
    )
    car, seed = draw(cars()), draw(st.integers(0, 99))
    history = []
    for number in range(1, draw(st.integers(1, 4)) + 1):
        baseline = number == 1 and draw(st.booleans())
        run = Settings(0, 4000, 6700, 0, 0, 0) if baseline else draw(dialled(dict(problem.knobs)))
        went = draw(st.sampled_from(["well", "well", "aborted", "spike", "untrusted"]))
        history.append(
            car.observe(
                problem,
                run,
                number,
                seed=seed,
                last_rpm=draw(st.floats(3000.0, 6500.0)) if went == "aborted" else 7000.0,
                spike_kpa=draw(st.floats(5.0, 80.0)) if went == "spike" else 0.0,
                trusted=went != "untrusted",
                remark="gauge stuck" if went == "untrusted" else "",
            )
        )
    return Case(problem, history)


def lean(problem: Problem, history: list[Observation]) -> Decision:
    surrogate = BoostSurrogate(problem.target, problem.knobs, seed=problem.seed, draws=96, points=18)
    return decide_with(problem, history, surrogate.fit_pulls(history))


def asks_for_as_much(one: Settings, other: Settings) -> bool:
    """At least the duty of the other at every rpm, and at least its engagement."""
    rpm = np.arange(2600.0, 6801.0, 50.0)
    more = one.effective_duty(rpm) >= other.effective_duty(rpm) - 1e-9
    return bool(more.all() and one.engagement >= other.engagement - 1e-9)


def went_wrong(problem: Problem, history: list[Observation]) -> list[Settings]:
    """Settings over the limit that no later sound pull has shown to be safe, and those of an aborted last pull."""
    out = []
    for i, pull in enumerate(history):
        sound = [each for each in history[i + 1 :] if each.complete and each.trusted]
        under = [each for each in sound if each.highest_kpa <= problem.limit_kpa]
        cleared = any(asks_for_as_much(each.settings, pull.settings) for each in under)
        over = pull.highest_kpa > problem.limit_kpa and not cleared
        if over or (pull is history[-1] and not pull.complete):
            out.append(pull.settings)
    return out


def leapt(problem: Problem, history: list[Observation]) -> bool:
    """Whether the last pull had more of something than one step from the pull before leads to."""
    for name in ASKING if len(history) > 1 else ():
        each, before = problem.knobs[name], getattr(history[-2].settings, name)
        dial = each.value(np.arange(each.count))
        nearest = float(dial[np.abs(dial - before).argmin()])
        if getattr(history[-1].settings, name) > max(before + each.step, nearest) + 1e-6:
            return True
    return False


def check(case: Case, decision: Decision) -> None:
    problem, history = case.problem, case.history
    assert decision.verdict in ("pull", "repeat", "done", "out of reach", "stop")
    assert decision.reasons
    assert all(len(reason.text) > 20 and "nan" not in reason.text for reason in decision.reasons)
    assert 0.0 <= decision.risk <= 1.0
    band = decision.band
    assert np.all(band.low_kpa <= band.mean_kpa)
    assert np.all(band.mean_kpa <= band.high_kpa)
    assert (decision.settings is not None) == (decision.verdict in ("pull", "repeat"))
    if decision.settings is None:
        return
    last = history[-1].settings
    # What was dialled in past a step may be taken back.
    back = history[-2].settings if leapt(problem, history) else last
    for name, value, before in zip(KNOB_NAMES, decision.settings, last, strict=True):
        each = problem.knobs[name]
        dial = each.value(np.arange(each.count))
        assert value in dial, f"{name} = {value} is not on the dial"
        far = max(each.step, float(np.abs(dial - before).min()))
        down_to = min(before, getattr(back, name)) if name in ASKING else before
        low, high = min(before - far, down_to - each.step), before + far
        assert low - 1e-6 <= value <= high + 1e-6, f"{name}: {before} to {value}, step {each.step}"
    assert decision.settings.ramp_from < decision.settings.ramp_to
    nothing_milder = decision.settings.ramp_add <= 0.0 and all(
        getattr(decision.settings, name) == problem.knobs[name].lower for name in ("duty", "engagement", "gain")
    )
    assert decision.risk <= problem.risk or (decision.verdict == "repeat" and nothing_milder)
    for bad in went_wrong(problem, history):
        assert not asks_for_as_much(decision.settings, bad)


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(case=cases())
def test_no_step_leaves_range_resolution_cap_or_gate(case: Case) -> None:
    check(case, lean(case.problem, case.history))


@settings(max_examples=3, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(case=cases())
def test_the_same_history_gives_the_same_decision_bit_for_bit(case: Case) -> None:
    first = decide(case.problem, case.history)
    check(case, first)
    assert decision_out(first) == decision_out(decide(case.problem, case.history))
