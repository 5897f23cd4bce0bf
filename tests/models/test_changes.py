"""What a change of the car does to boost, and whether pulls show which one it was and since when."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.changes import FORMS, Change, Form, car_since, directions_of, effect, scan
from models.evidence import Observation
from models.gate import CONSTANTS, NAMES, Gate
from models.settings import Settings

from .test_surrogate import GRID, KNOBS, SOME, TARGET, pulls, surrogate

GATE = Gate(TARGET, KNOBS, GRID)
#: A car in the middle of the prior: everything on the spool line or held by the gate, nothing in between for long.
MIDDLE = np.zeros((1, GATE.size))
HALF_DUTY = Settings(40, 4900, 6700, 0, 0, 0).as_array()[None]
ON_THE_LINE = (GATE.u > -0.6) & (GATE.u < -0.35)
HELD = (GATE.u > 0.3) & (GATE.u < 0.7)


def moved_by(form: Form) -> np.ndarray:
    """Share by which boost moves for an amount of one in a thousand. Shape (M,)"""
    parts = GATE.parts(MIDDLE)
    return np.asarray(1e-3 * effect(GATE, parts, form, HALF_DUTY)[0] / GATE.boost(parts, HALF_DUTY)[0, 0])


def test_a_spring_moves_boost_that_the_gate_holds_and_a_leak_boost_that_it_cannot_reach() -> None:
    spring, leak = moved_by("floor"), moved_by("ceiling")
    assert spring[HELD] == pytest.approx(1e-3, rel=0.25)
    assert spring[ON_THE_LINE] == pytest.approx(0.0, abs=1e-4)
    assert leak[ON_THE_LINE] == pytest.approx(1e-3, rel=0.25)
    assert leak[HELD] == pytest.approx(0.0, abs=3e-4)
    assert moved_by("drift") == pytest.approx(1e-3)


def test_a_shift_moves_the_curve_along_rpm() -> None:
    parts = GATE.parts(MIDDLE)
    boost = GATE.boost(parts, HALF_DUTY)[0, 0]
    earlier = boost + 0.01 * effect(GATE, parts, "shift", HALF_DUTY)[0]
    assert earlier[5:-5] == pytest.approx(np.interp(GATE.u + 0.01, GATE.u, boost)[5:-5], abs=0.6)
    assert np.all(earlier[ON_THE_LINE] > boost[ON_THE_LINE])


def test_a_change_counts_from_its_pull_on_and_drift_with_every_pull() -> None:
    later, drift = (Change(form, 3, 0.0, 0.1, 0.1, MIDDLE[0]) for form in ("floor", "drift"))  # type: ignore[arg-type]
    numbers = np.arange(1.0, 6.0)
    assert later.weight(numbers).tolist() == [0, 0, 1, 1, 1]
    assert drift.weight(numbers).tolist() == [0, 0, 0, 1, 2]
    assert car_since([drift]) == 0
    assert car_since([later, drift, replace(later, since=5)]) == 5


def test_directions_are_one_deviation_of_what_may_be_expected() -> None:
    change = Change("floor", 3, 0.0, 0.1, 0.1, MIDDLE[0])
    (curve,) = directions_of(GATE, [change], HALF_DUTY)[0]
    alone = effect(GATE, GATE.parts(MIDDLE), "floor", HALF_DUTY)[0]
    assert curve == pytest.approx(FORMS["floor"] * alone)


def two_cars(since: int, name: str, amount: float, *, seed: int = 0) -> list[Observation]:
    """Pulls of one car, and from one pull on of the same car with one of its constants moved, in its logarithm."""
    after = MIDDLE.copy()
    after[0, NAMES.index(name)] = amount / CONSTANTS[name][1]
    settings = [*SOME, SOME[2], SOME[3]]
    return pulls(MIDDLE, settings, seed=seed)[: since - 1] + pulls(after, settings, seed=seed)[since - 1 :]


@pytest.mark.parametrize("amount", [-0.15, 0.15])
@pytest.mark.parametrize("since", [4, 6])
def test_another_spring_is_found_with_its_pull_and_its_amount(since: int, amount: float) -> None:
    best = scan(surrogate().fit_pulls(two_cars(since, "log_floor", amount)))[0]
    assert (best.form, best.since) == ("floor", since)
    assert best.evidence > 3.0
    assert best.amount == pytest.approx(amount, abs=3.0 * best.spread + 0.02)


@pytest.mark.parametrize("since", [4, 6])
def test_a_turbo_that_gives_less_is_found_with_its_pull(since: int) -> None:
    """On the spool line a lower ceiling and a later one look alike."""
    best = scan(surrogate().fit_pulls(two_cars(since, "spool_at", 0.06)))[0]
    assert best.form in ("ceiling", "shift")
    assert best.since == since
    assert best.amount < 0.0
    assert best.evidence > 5.0


@pytest.mark.parametrize("seed", range(4))
def test_a_car_that_stays_itself_gives_no_such_evidence(seed: int) -> None:
    run = [*SOME, SOME[2], SOME[3]]
    assert scan(surrogate().fit_pulls(pulls(MIDDLE, run, seed=seed)))[0].evidence < 5.0


def test_two_pulls_tell_of_no_change() -> None:
    assert scan(surrogate().fit_pulls(pulls(MIDDLE, SOME[:2]))) == []
    assert scan(surrogate(physics=False).fit_pulls(pulls(MIDDLE, SOME))) == []
