"""What the tool notices of a car that changes between pulls, and what it does not claim of one that stays the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from models.changes import Change, Form, car_since
from models.curve import Curve
from models.evidence import Observation
from models.settings import Settings
from models.surrogate import BoostSurrogate
from recommender.decide import decide, decide_with, noticed, surrogate_for, widening
from recommender.decide.allowed import idle
from recommender.decide.findings import _of_change, _of_doubt, _unequal, findings
from recommender.decide.noticed import STRONG
from recommender.decide.review import AFTER_CHANGE, MISS, WIDEST, review
from recommender.decide.step import Decision
from tests.recommender.cars import PlainCar, problem_of

PROBLEM = problem_of()
CAR = PlainCar()
#: A job as it goes: up with duty, then small steps near the target.
DUTIES = (0.0, 20.0, 36.0, 44.0, 47.0)


def settings(duty: float) -> Settings:
    return replace(idle(PROBLEM), duty=duty, engagement=0.0 if duty == 0.0 else 20.0)


def session(cars: Sequence[PlainCar], *, seed: int = 0) -> list[Observation]:
    """One pull of each car with the duty of its place."""
    pairs = zip(cars, DUTIES, strict=False)
    return [car.observe(PROBLEM, settings(duty), i + 1, seed=seed) for i, (car, duty) in enumerate(pairs)]


def said(decision: Decision) -> dict[str, str]:
    words = ("noticed", "changed", "drift")
    return {r.code: r.text for r in decision.reasons if r.code.startswith(words)}


@pytest.mark.parametrize("seed", range(6))
def test_an_unchanged_car_is_left_alone(seed: int) -> None:
    """With the fleet's scatter between pulls (0.6 %) nothing is claimed: at 2 % of jobs six in a row are silent."""
    for count in (3, 5):
        assert said(decide(PROBLEM, session([CAR] * count, seed=seed))) == {}


def test_a_leak_is_said_from_the_pull_after_it() -> None:
    """Ten per cent off the ceiling and spool 200 rpm later, at a boost that the gate still holds."""
    leaking = replace(CAR, spool_from=CAR.spool_from + 200.0, top_kpa=0.9 * CAR.top_kpa)
    told = said(decide(PROBLEM, session([CAR] * 3 + [leaking])))
    assert "From pull 4 on boost comes later and lower" in told["changed leak"]
    assert "leak" in told["changed check"]
    assert "Pulls before 4" in told["changed evidence"]


def test_the_spring_moves_the_amount_and_the_way_that_are_said() -> None:
    """Softer and stiffer springs by a quarter: the sentence follows the evidence."""
    for factor, way in ((0.75, "less boost"), (1.25, "more boost")):
        other = replace(CAR, spring_kpa=factor * CAR.spring_kpa)
        told = said(decide(PROBLEM, session([CAR] * 3 + [other] * 2)))
        assert f"% {way}" in told["changed spring"], told
        assert "psi" in told["changed spring"]
    bar = replace(PROBLEM, pressure_unit="bar")
    assert " bar at " in said(decide(bar, session([CAR] * 3 + [other] * 2)))["changed spring"]


def test_equal_pulls_that_differ_are_told_with_their_conditions() -> None:
    pulls = [CAR.observe(PROBLEM, settings(20.0), 2), CAR.observe(PROBLEM, settings(20.0), 3, scale=1.1)]
    cold = [replace(pulls[0], intake_c=40.0), replace(pulls[1], intake_c=12.0)]
    (found,) = _unequal(PROBLEM, cold)
    words = "Pull 3 was run under other conditions: intake air 12 °C after 40. That alone may be it."
    assert found.text.endswith(words)
    (alike,) = _unequal(PROBLEM, [replace(pull, intake_c=20.0) for pull in pulls])
    assert alike.text.endswith("Check hoses, spring and gauge.")


@pytest.mark.parametrize(("factor", "way"), [(0.95, "5 % less"), (1.08, "8 % more")])
def test_what_may_be_a_change_is_said_and_not_acted_on(factor: float, way: str) -> None:
    """A spring off by little: the pulls speak for it as much as against it."""
    pulls = session([CAR] * 3 + [replace(CAR, spring_kpa=factor * CAR.spring_kpa)])
    decision = decide(PROBLEM, pulls)
    told = said(decision)
    assert list(told) == ["noticed doubt"]
    assert f"Pull 4 gave {way} boost" in told["noticed doubt"]
    assert "takes the car as unchanged" in told["noticed doubt"]
    assert "spring" in told["noticed doubt"]
    without = decide_with(PROBLEM, pulls, surrogate_for(PROBLEM, pulls, changes=()))
    assert (decision.settings, decision.risk, decision.verdict) == (without.settings, without.risk, without.verdict)
    assert not said(without)


def test_a_doubt_of_an_earlier_pull_is_no_word_on_that_pull_alone() -> None:
    """Its size is that at the latest pull's settings."""
    pulls = session([CAR] * 3 + [replace(CAR, spring_kpa=0.95 * CAR.spring_kpa)] * 2)
    doubt = noticed.note(PROBLEM, pulls[:4]).doubt
    assert doubt is not None
    text = findings(PROBLEM, pulls, surrogate_for(PROBLEM, pulls, changes=()), doubt)[0].text
    assert text.startswith("Pulls from 4 on gave 5 % less boost")


def test_a_small_leak_may_be_one() -> None:
    """Five per cent off the ceiling and spool 100 rpm later."""
    leaking = replace(CAR, spool_from=CAR.spool_from + 100.0, top_kpa=0.95 * CAR.top_kpa)
    told = said(decide(PROBLEM, session([CAR] * 3 + [leaking])))
    assert "later and lower" in told["noticed doubt"]
    assert "hoses" in told["noticed doubt"]


def test_after_a_change_old_pulls_cannot_stand_and_the_next_step_is_less_sure() -> None:
    leaking = replace(CAR, spool_from=CAR.spool_from + 250.0, top_kpa=0.9 * CAR.top_kpa)
    changed, whole = session([CAR] * 3 + [leaking]), session([CAR] * 4)
    fitted = surrogate_for(PROBLEM, changed)
    assert car_since(fitted.changes) == 4
    assert decide(PROBLEM, changed).best_number in (0, 4)
    at = settings(DUTIES[3]).as_array()[None]
    spreads = [s.curves(at)[:, 0].std(axis=0).mean() for s in (fitted, surrogate_for(PROBLEM, whole))]
    assert spreads[0] > spreads[1]
    assert fitted.widen >= AFTER_CHANGE > surrogate_for(PROBLEM, whole).widen


def test_other_settings_than_proposed_are_said_in_words() -> None:
    pulls = session([CAR] * 3)
    wanted = replace(pulls[-1].settings, duty=30.0)
    told = said(decide(PROBLEM, [*pulls[:-1], replace(pulls[-1], proposed=wanted)]))
    assert "duty 36" in told["noticed settings"]
    assert "30" in told["noticed settings"]
    assert said(decide(PROBLEM, [*pulls[:-1], replace(pulls[-1], proposed=pulls[-1].settings)])) == {}


def test_a_run_at_held_rpm_is_no_departure_from_the_step_beside_it() -> None:
    step = settings(12.0)
    run = [replace(each, proposed=step) for each in CAR.held_run(PROBLEM, 2, (10.0, 20.0, 30.0), 5000.0)]
    pulls = [CAR.observe(PROBLEM, settings(0.0), 1), *run]
    surrogate = BoostSurrogate(PROBLEM.target, PROBLEM.knobs)
    surrogate.changes = ()
    assert findings(PROBLEM, pulls, surrogate) == ()
    swept = replace(pulls[-1], held_rpm=False)
    assert [told.code for told in findings(PROBLEM, [pulls[0], swept], surrogate)] == ["noticed settings"]


def test_equal_settings_that_differ_are_said() -> None:
    """Two pulls with the same settings, a tenth apart."""
    first = CAR.observe(PROBLEM, settings(20.0), 2)
    again = replace(CAR, spring_kpa=0.9 * CAR.spring_kpa).observe(PROBLEM, settings(20.0), 3)
    told = said(decide(PROBLEM, [CAR.observe(PROBLEM, settings(0.0), 1), first, again]))
    assert told, "nothing was said"
    assert any("pull 3" in text or "Pulls 2 and 3" in text for text in told.values())


def test_equal_settings_are_held_against_the_latest_pull_with_them() -> None:
    """A tenth less since the second pull: what the third shows is as before."""
    weak = replace(CAR, spring_kpa=0.9 * CAR.spring_kpa)
    pulls = [car.observe(PROBLEM, settings(20.0), n) for n, car in enumerate((CAR, weak, weak), start=1)]
    assert _unequal(PROBLEM, pulls) == []
    (found,) = _unequal(PROBLEM, pulls[:2])
    assert "Pulls 1 and 2" in found.text
    assert " psi less: more than equal pulls differ" in found.text
    (back,) = _unequal(PROBLEM, [pulls[1], CAR.observe(PROBLEM, settings(20.0), 4)])
    assert " psi more: more than equal pulls differ" in back.text


def test_equal_pulls_that_differ_by_less_than_scatter_or_tolerance_are_left_alone() -> None:
    """A hundredth off: over the tolerance of a fine job, and no more than scatter."""
    fine = replace(PROBLEM, tolerance_kpa=0.1)
    pulls = [CAR.observe(fine, settings(20.0), 1), CAR.observe(fine, settings(20.0), 2, scale=0.97)]
    assert _unequal(fine, pulls) == []


# ------------------------------------------------------------------ what counts as a change, and what it leads to


def change(form: Form, since: int, amount: float, *, spread: float = 0.01, evidence: float = 20.0) -> Change:
    return Change(form, since, evidence, amount, spread, np.empty(0))


@pytest.mark.parametrize(
    ("found", "says"),
    [
        ([change("floor", 4, -0.20)], ""),
        ([change("floor", 2, -0.20), change("floor", 4, -0.15)], "changed again, after pull 2"),
        ([change("floor", 2, -0.20), change("floor", 4, 0.15)], ""),  # put right
        ([change("ceiling", 2, -0.20), change("floor", 4, -0.15)], ""),  # another thing
        ([change("floor", 4, -0.50)], "is off by 50 %"),
        ([change("floor", 4, 0.50)], "is off by 50 %"),
        ([change("floor", 4, -0.50, spread=0.15)], ""),  # not for certain by as much as 30 %
        ([change("floor", 3, -0.50)], ""),  # a pull has been run since
        ([change("drift", 4, -0.50)], ""),
    ],
)
def test_a_car_that_changes_again_or_by_much_is_not_run_on(found: list[Change], says: str) -> None:
    stop = noticed.must_stop(session([CAR] * 4), found)
    assert (stop is None) == (not says)
    if stop is not None:
        assert f"with pull 4 it {says}. Find the cause before another pull." in stop[1][0].text


def test_the_car_as_it_is_now_begins_at_its_latest_change_and_drift_is_none() -> None:
    assert car_since([change("floor", 3, -0.2), change("ceiling", 5, -0.2), change("drift", 1, -0.01)]) == 5
    assert car_since([change("drift", 1, -0.01)]) == 0


def test_what_counts_as_a_change() -> None:
    pulls = session([CAR] * 5)
    gained = [replace(pull, settings=replace(pull.settings, gain=2.0)) if pull.number >= 4 else pull for pull in pulls]
    leak, spring = change("ceiling", 3, -0.2), change("floor", 4, -0.2)
    least = STRONG["floor"]
    assert noticed._counts(spring, pulls, (), least)
    assert not noticed._counts(spring, gained, (), least)  # gain was first used with that pull
    assert noticed._counts(change("floor", 5, -0.2), gained, (), least)
    assert not noticed._counts(replace(spring, evidence=least), pulls, (), least)  # of five pulls more is asked
    assert not noticed._counts(change("floor", 4, -0.04), pulls, (), least)
    assert not noticed._counts(change("ceiling", 5, 0.2), pulls, (), least)  # no turbo gets better by itself
    assert noticed._counts(change("ceiling", 5, 0.2), pulls, (leak,), least)
    assert not noticed._counts(spring, pulls, (leak,), least)  # one pull after another change: one change in two
    assert noticed._counts(change("floor", 5, -0.2), pulls, (leak,), least)


@pytest.mark.parametrize("form", ["floor", "shift"])
@pytest.mark.parametrize(("away_from", "told"), [(3, False), (4, True), (9, False)])
def test_a_change_that_begins_under_other_conditions_is_told_with_them(
    monkeypatch: pytest.MonkeyPatch, form: Form, away_from: int, told: bool
) -> None:
    """Another altitude from a pull on, and a change with pull 4: in one sentence, whether it counts or only may be."""
    monkeypatch.setattr("recommender.decide.findings._largest", lambda *_: (16.0, 3700.0))
    pulls = [replace(pull, barometer_kpa=84.6 if pull.number >= away_from else 100.1) for pull in session([CAR] * 5)]
    found, surrogate = change(form, 4, -0.15), BoostSurrogate(PROBLEM.target, PROBLEM.knobs)
    pulls[2] = replace(pulls[2], barometer_kpa=float("nan")) if told else pulls[2]  # the last one known counts
    words = " Pull 4 was run under other conditions: barometer 84.6 kPa after 100.1. That alone may be it."
    counted, *_ = _of_change(PROBLEM, pulls, surrogate, found)
    assert counted.text.startswith("From pull 4 on ")
    assert counted.text.endswith(words) == told
    assert _of_doubt(PROBLEM, pulls, surrogate, found).text.endswith(words) == told


@pytest.mark.parametrize(("amount", "way"), [(-0.012, "falls"), (0.012, "rises")])
def test_a_drift_is_told_with_its_way_and_how_sure_it_is(amount: float, way: str) -> None:
    pulls = session([CAR] * 3)
    drift = change("drift", 1, amount, spread=0.003)
    (told,) = _of_change(PROBLEM, pulls, BoostSurrogate(PROBLEM.target, PROBLEM.knobs), drift)
    assert told.text.startswith(f"Boost {way} by 1.2 % a pull over the session, give or take 0.3 %: ")


def test_of_the_latest_two_pulls_a_miss_counts_in_full_and_by_half(monkeypatch: pytest.MonkeyPatch) -> None:
    """One pull lies twice as far off as nothing is made of; and one as far as anything can."""
    pulls = session([CAR] * 4)
    for number, off, factor in ((4, 2.0, 2.0), (3, 2.0, 1.5), (2, 2.0, 1.0), (4, 100.0, WIDEST)):
        monkeypatch.setattr(
            BoostSurrogate,
            "surprise_of",
            lambda _, pull, number=number, off=off: (off * MISS) ** 2 if pull.number == number else 0.0,
        )
        assert widening(PROBLEM, pulls) == pytest.approx(factor)


def test_what_tells_nothing_takes_no_miss_back() -> None:
    """Neither a log that cannot be relied on nor a pull lifted under the judged range foretells anything."""
    missed = [CAR.observe(PROBLEM, settings(duty), i + 1) for i, duty in enumerate((0.0, 20.0))]
    missed.append(CAR.observe(PROBLEM, settings(30.0), 3, scale=1.5))
    stuck = [CAR.observe(PROBLEM, settings(30.0), number, trusted=False) for number in (4, 5)]
    lifted = [CAR.observe(PROBLEM, settings(30.0), number, last_rpm=3200.0) for number in (4, 5)]
    alone = widening(PROBLEM, missed)
    assert alone > 1.3
    assert widening(PROBLEM, [*missed, *stuck]) == alone
    assert widening(PROBLEM, [*missed, *lifted]) == alone


def test_a_log_that_tells_nothing_does_not_end_the_care_after_a_change() -> None:
    pulls = session([CAR] * 3)
    pulls += [CAR.observe(PROBLEM, settings(30.0), number, trusted=False) for number in (4, 5)]
    assert widening(PROBLEM, pulls, changes=(change("ceiling", 3, -0.15),)) >= AFTER_CHANGE
    assert review(PROBLEM, pulls, since=3).reach.duty == review(PROBLEM, pulls[:3], since=3).reach.duty
    assert review(PROBLEM, pulls, since=3).reach.duty < review(PROBLEM, pulls).reach.duty


# ------------------------------------------------------------------ runs at held rpm


def held_run(number: int, duties: Sequence[float]) -> list[Observation]:
    """One place of the curve at each duty, as a run at held rpm shows it."""
    whole = [CAR.observe(PROBLEM, settings(duty), number) for duty in duties]
    near = np.abs(whole[0].curve.rpm - 5000.0) < 80.0
    curves = [Curve(each.curve.rpm, np.where(near, each.curve.boost_kpa, np.nan)) for each in whole]
    return [replace(each, curve=curve, proposed=None) for each, curve in zip(whole, curves, strict=True)]


def test_a_miss_widens_what_comes_after_a_run_at_held_rpm_too() -> None:
    missed = [CAR.observe(PROBLEM, settings(duty), i + 1) for i, duty in enumerate((0.0, 20.0))]
    missed.append(CAR.observe(PROBLEM, settings(30.0), 3, scale=1.5))
    alone = widening(PROBLEM, missed)
    assert alone > 1.3
    assert widening(PROBLEM, [*missed, *held_run(4, (10.0, 20.0, 30.0))]) == alone


def test_a_run_at_held_rpm_of_many_duties_hides_no_earlier_pull_from_the_comparison(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pulls, run = session([CAR] * 5), held_run(6, [float(duty) for duty in range(2, 37, 3)])
    compared: list[set[int]] = []
    scan = noticed._scan
    monkeypatch.setattr(noticed, "_scan", lambda *job: compared.append({p.number for p in job[1]}) or scan(*job))
    noticed.note(PROBLEM, [*pulls, *run])
    assert compared[0] == {1, 2, 3, 4, 5, 6}
