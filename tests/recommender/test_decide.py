"""The decision in the cases that every shop meets sooner or later, with the words it finds for them."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence

import numpy as np
import pytest

from models.curve import Curve, deviation_kpa, repeatability_kpa
from models.evidence import Observation
from models.settings import KNOB_NAMES, Knob, Settings
from models.units import to_kpa
from recommender import wording
from recommender.decide import decide, reasons, surrogate_for, widening
from recommender.decide.allowed import spans_after
from recommender.decide.answer import held_back_by
from recommender.decide.choose import _retreat, longest_stride
from recommender.decide.outlook import Forecast, Outlook
from recommender.decide.review import blocked, review
from recommender.decide.step import Decision, Problem, same
from recommender.record.stored import decision_out
from recommender.why.step import binding
from tests.recommender.cars import PSI, PlainCar, problem_of

CAR = PlainCar()
IDLE = Settings(0, 4800, 6700, 0, 0, 0)


def words(decision: Decision) -> str:
    return " ".join(reason.text for reason in decision.reasons)


def codes(decision: Decision) -> list[str]:
    return [reason.code for reason in decision.reasons]


def play(
    problem: Problem, car: PlainCar, *, most: int = 10, history: list[Observation] | None = None
) -> tuple[Decision, list[Observation]]:
    """Run what is proposed until the job ends."""
    seen = list(history or [])
    for _ in range(most + 1):
        decision = decide(problem, seen)
        if decision.settings is None:
            return decision, seen
        seen.append(car.observe(problem, decision.settings, len(seen) + 1))
    return decision, seen


# ------------------------------------------------------------------ the plain way


def test_baseline_first_then_one_cautious_step_then_the_target() -> None:
    problem = problem_of()
    first = decide(problem, [])
    assert first.verdict == "pull"
    assert first.settings is not None
    assert (first.settings.duty, first.settings.ramp_add, first.settings.engagement, first.settings.gain) == (
        0,
        0,
        0,
        0,
    )
    assert codes(first)[0] == "baseline"
    assert "with every knob idle" in words(first)
    assert "19.0 psi" in words(first)  # the limit that the spring must hold

    end, history = play(problem, CAR)
    assert end.verdict == "done"
    second = history[1].settings
    assert 0 < second.duty <= 20
    assert max(pull.highest_kpa for pull in history) <= problem.limit_kpa
    assert len(history) <= 8
    assert deviation_kpa(history[end.best_number - 1].curve, problem.target) <= problem.tolerance_kpa
    assert re.search(
        rf"Pull {end.best_number} is 0\.\d\d psi from the target, within the tolerance of 0\.40 psi", words(end)
    )


def test_a_step_says_what_moves_why_and_how_near_the_limit_it_comes() -> None:
    problem = problem_of()
    step = decide(problem, [CAR.observe(problem, IDLE, 1)])
    assert step.settings is not None
    text = words(step)
    assert f"Duty {step.settings.duty:.0f} % instead of 0 %" in text
    assert re.search(r"at \d{4} rpm pull 1 was \d+\.\d psi under the target", text)
    assert re.search(r"Highest boost is expected at \d+\.\d psi, at most \d+\.\d psi in 19 of 20 pulls", text)
    assert f"risk {wording.risk(step.risk, problem.risk)}" in text
    assert step.margin_kpa == pytest.approx(problem.limit_kpa - step.peak_high_kpa)
    assert step.binding[-2:] == ("most duty", "gain last")  # the ramp would add more; gain is told by why alone
    told = [reasons.say_binding(problem, code) for code in step.binding[:-1]]
    assert f"Held back by {'; '.join(told)}." in text
    assert "the most duty, ramp included" in text
    for alternative in step.alternatives:
        assert alternative.ruled_out_by
        assert not same(alternative.settings, step.settings)
        if alternative.ruled_out_by == "risk gate":
            assert alternative.risk > problem.risk


# ------------------------------------------------------------------ jobs that cannot be done


def test_a_target_below_what_the_spring_gives() -> None:
    problem = problem_of(8.0, limit_psi=13.0)
    car = PlainCar(spring_kpa=10.0 * PSI, droop=0.0)
    end, history = play(problem, car)
    assert end.verdict == "out of reach"
    assert len(history) == 1  # the baseline alone shows it
    assert end.cause == "floor above target"
    assert "the spring alone holds more boost than the target" in words(end)
    assert "softer spring" in words(end)
    assert end.best_number == 1
    assert end.best_possible_kpa == pytest.approx(deviation_kpa(history[0].curve, problem.target))


def test_a_target_above_the_ceiling() -> None:
    problem = problem_of(16.0)
    car = PlainCar(top_kpa=12.0 * PSI)
    end, history = play(problem, car, most=14)
    assert end.verdict == "out of reach"
    assert end.cause in ("out of breath at the top", "duty range used up", "boost arrives late")
    assert "cannot be reached" in words(end)
    assert re.search(r"from \d{4} rpm|before \d{4} rpm", words(end))
    assert max(pull.highest_kpa for pull in history) <= problem.limit_kpa
    best = deviation_kpa(history[end.best_number - 1].curve, problem.target)
    assert end.best_possible_kpa == pytest.approx(best, abs=1.0 * PSI)  # what it promised at best is what there was


def test_the_gate_is_named_though_the_search_never_went_past_it() -> None:
    """Half a psi of room: 1.1 psi off the target was called free of any cap and gate, the best that was found."""
    problem = problem_of(16.0, 16.5)
    run = [IDLE, Settings(20, 3900, 5700, 3, 10, 0), Settings(33, 3300, 5700, 4, 17, 0)]
    run.append(Settings(48, 3200, 6100, 5, 55, 0))
    step = decide(problem, [CAR.observe(problem, each, n) for n, each in enumerate(run, start=1)])
    assert step.settings is not None
    assert step.risk <= problem.risk
    assert "risk gate" in step.binding
    closed = [each for each in step.alternatives if each.ruled_out_by == "risk gate"]
    assert min(each.deviation_kpa for each in closed) < step.deviation_kpa - 0.1 * problem.tolerance_kpa


def test_what_went_wrong_is_named_where_it_alone_holds_a_step_back() -> None:
    """After a pull that was lifted half a psi less engagement was called the best that was found."""
    problem = problem_of()
    run = [IDLE, Settings(20, 3900, 5700, 3, 10, 0), Settings(35, 3200, 6200, 5, 44, 0)]
    pulls = [CAR.observe(problem, each, n) for n, each in enumerate(run, start=1)]
    step = decide(problem, [*pulls[:2], dataclasses.replace(pulls[2], complete=False)])
    assert step.risk < 0.5 * problem.risk
    assert any("settings that went wrong" in code for code in step.binding)
    assert words(step).count("Held back by") == 0  # "nothing at or above its settings is proposed" says it
    assert "nothing at or above its settings is proposed" in words(step)
    told = " ".join(each.text for each in binding(problem, step, run[-1]))
    assert "went wrong" in told
    assert "No cap and no gate" not in told


def test_nothing_better_than_the_best_thought_possible_is_expected_of_a_step() -> None:
    """A step was expected 1.5 psi from the target, and "the best thought possible is 1.7 psi" stood beside it."""
    problem = problem_of()
    run = [IDLE, Settings(20, 3900, 5700, 3, 10, 0), Settings(35, 3200, 6200, 5, 44, 0)]
    pulls = [CAR.observe(problem, each, n) for n, each in enumerate(run, start=1)]
    high = pulls[2].highest_kpa + 5.0 * PSI  # a spike: engagement and gate hold the search of what is possible short
    step = decide(problem, [*pulls[:2], dataclasses.replace(pulls[2], peak_kpa=high, sustained_peak_kpa=high)])
    assert step.verdict == "pull"
    assert step.best_possible_kpa <= step.deviation_kpa
    assert f"the best thought possible is {problem.say_fine(step.best_possible_kpa)}" in words(step)


def test_a_ramp_that_only_takes_away_holds_nothing_back_where_it_takes_nothing() -> None:
    problem = problem_of(ramp_add=(-20.0, 0.0, 1.0, 10.0))
    pulls = [CAR.observe(problem, Settings(duty, 4900, 6700, 0, 0, 0), n) for n, duty in enumerate((0, 20), start=1)]
    outlook = Outlook(problem, pulls, surrogate_for(problem, pulls))
    seen, allowed = review(problem, pulls), spans_after(problem, pulls)
    for add, held_back in ((0.0, []), (-10.0, ["ramp_add step"])):
        chosen = outlook.forecast([Settings(35, 4900, 6700, add, 0, 0)])[0]
        found = held_back_by(outlook, allowed, chosen, [chosen], seen)
        assert [code for code in found if code.startswith("ramp_add")] == held_back


# ------------------------------------------------------------------ controllers that lack a knob


@pytest.mark.parametrize(
    "absent",
    [
        {"ramp_from": 4500.0, "ramp_to": 7000.0, "ramp_add": 0.0},
        {"ramp_from": 0.0, "ramp_to": 0.0, "ramp_add": 0.0},
        {"gain": 0.0},
        {"engagement": 0.0},
    ],
    ids=["without ramp", "without ramp, corners at 0", "without gain", "without engagement"],
)
def test_a_controller_without_a_knob(absent: dict[str, float]) -> None:
    problem = problem_of(**absent)
    end, history = play(problem, CAR)
    assert end.verdict == "done"
    for pull in history:
        for name, value in absent.items():
            assert getattr(pull.settings, name) == value
    assert not any(name.split()[0] in absent for name in end.binding)
    assert max(pull.highest_kpa for pull in history) <= problem.limit_kpa


# ------------------------------------------------------------------ histories of all kinds


@pytest.mark.parametrize(("name", "run"), [("engagement", 4.0 * PSI), ("gain", 0.5)])
def test_a_fixed_knob_run_with_another_value_goes_back_at_no_price(name: str, run: float) -> None:
    """Its step is 0, as the job file makes it: each way back would else cost more than anything can win."""
    knobs = problem_of().knobs
    steps = []
    for step in (0.0, 1.0):
        problem = dataclasses.replace(problem_of(), knobs={**knobs, name: Knob(name, 0.0, 0.0, 1.0, step)})
        other = dataclasses.replace(IDLE, duty=20.0, **{name: run})
        steps.append(decide(problem, [CAR.observe(problem, IDLE, 1), CAR.observe(problem, other, 2)]))
    assert steps[0].settings == steps[1].settings
    assert steps[0].settings is not None
    assert getattr(steps[0].settings, name) == 0.0


def test_a_job_taken_up_with_five_foreign_pulls_and_no_baseline() -> None:
    """No baseline is asked for: the first step starts from what was run last, off the dial as it was."""
    problem = problem_of()
    foreign = [
        Settings(31.5, 4500, 6500, 4, 41.0, 0),
        Settings(37.0, 4500, 6500, 4, 41.0, 0),
        Settings(37.0, 4500, 6500, 9, 52.3, 0),
        Settings(44.5, 4550, 6500, 9, 52.3, 1),
        Settings(48.25, 4550, 6500, 6, 60.0, 1),
    ]
    history = [CAR.observe(problem, each, number) for number, each in enumerate(foreign, 1)]
    step = decide(problem, history)
    assert step.verdict == "pull"
    assert "baseline" not in codes(step)
    assert step.settings is not None
    for name, value, last in zip(KNOB_NAMES, step.settings, foreign[-1], strict=True):
        assert abs(value - last) <= problem.knobs[name].step + 1e-6
    assert "instead of 48.25 %" in words(step) or step.settings.duty == 48.25
    end, history = play(problem, CAR, history=history, most=6)
    assert end.verdict == "done"
    assert max(pull.highest_kpa for pull in history) <= problem.limit_kpa


def test_the_limit_broken_on_the_baseline() -> None:
    problem = problem_of()
    stiff = PlainCar(spring_kpa=21.0 * PSI, top_kpa=400.0)
    pull = stiff.observe(problem, IDLE, 1)
    end = decide(problem, [pull])
    assert end.verdict == "stop"
    assert end.settings is None
    assert end.cause == "spring alone passes the limit"
    assert re.search(r"Pull 1 reached 2\d\.\d psi on the spring alone; the limit is 19\.0 psi", words(end))
    assert "wastegate" in words(end)


def test_the_limit_broken_once_is_backed_off_from_and_twice_is_a_stop() -> None:
    problem = problem_of()
    mild, bold = Settings(30, 4800, 6700, 0, 40, 0), Settings(45, 4800, 6700, 0, 60, 0)
    history = [CAR.observe(problem, IDLE, 1), CAR.observe(problem, mild, 2), CAR.observe(problem, bold, 3, scale=1.5)]
    assert history[2].highest_kpa > problem.limit_kpa
    step = decide(problem, history)
    assert step.settings is not None
    assert codes(step)[0] == "back off"
    assert "backed off, and nothing at or above its settings is proposed" in words(step)
    assert step.settings.duty < bold.duty
    assert step.peak_kpa < history[2].highest_kpa
    again = [*history, CAR.observe(problem, step.settings, 4, scale=1.6)]
    assert again[3].highest_kpa > problem.limit_kpa
    end = decide(problem, again)
    assert end.verdict == "stop"
    assert end.cause == "limit passed twice"
    assert "Pulls 3 and 4 both passed the limit of 19.0 psi although the second was backed off" in words(end)
    # A pull between them that was lifted under the limit, or cannot be relied on, says nothing against that.
    for told_nothing in (
        CAR.observe(problem, step.settings, 4, last_rpm=3000.0),
        CAR.observe(problem, step.settings, 4, trusted=False),
    ):
        end = decide(problem, [*history, told_nothing, dataclasses.replace(again[3], number=5)])
        assert end.cause == "limit passed twice"
        assert "Pulls 3 and 5 both passed the limit" in words(end)
    kept = CAR.observe(problem, step.settings, 4)
    assert decide(problem, [*history, kept, dataclasses.replace(again[3], number=5)]).cause != "limit passed twice"


def test_an_aborted_pull_is_backed_off_from() -> None:
    problem = problem_of()
    bold = Settings(40, 4800, 6700, 0, 60, 0)
    history = [CAR.observe(problem, IDLE, 1), CAR.observe(problem, bold, 2, last_rpm=4600.0)]
    assert not history[1].complete
    assert history[1].highest_kpa < problem.limit_kpa
    step = decide(problem, history)
    assert step.verdict == "pull"
    assert step.settings is not None
    assert "Pull 2 was aborted: nothing at or above its settings is proposed." in words(step)
    rpm = problem.target.grid()
    duty, was = step.settings.effective_duty(rpm), bold.effective_duty(rpm)
    assert np.any(duty < was) or step.settings.engagement < bold.engagement


def test_two_equal_pulls_teach_repeatability_and_are_no_dead_end() -> None:
    problem = problem_of()
    near = Settings(40, 4800, 6700, 0, 60, 0)
    once = [CAR.observe(problem, IDLE, 1), CAR.observe(problem, near, 2)]
    twice = [*once, CAR.observe(problem, near, 3)]
    assert repeatability_kpa(once[1].curve, twice[2].curve) < 0.02 * problem.limit_kpa
    step = decide(problem, twice)
    assert step.verdict == "pull"
    assert step.settings is not None
    assert not same(step.settings, near)
    calm = surrogate_for(problem, twice).posterior_.repeatability
    apart = [*once, CAR.observe(problem, near, 3, scale=1.06)]  # the same settings, 6 % more boost
    assert surrogate_for(problem, apart).posterior_.repeatability * widening(problem, apart) > calm
    assert decide(problem, apart).verdict in ("pull", "repeat", "stop")


@pytest.mark.parametrize("scales", [(0.97, 1.0), (1.0, 0.96), (1.02, 0.97)])
def test_settings_that_were_run_twice_are_not_run_again_for_their_luck(scales: tuple[float, float]) -> None:
    """Duty ends just under the target, so that only a lucky pull would come nearer."""
    fixed = {"ramp_from": 4800.0, "ramp_to": 6700.0, "ramp_add": 0.0, "engagement": 60.0, "gain": 0.0}
    problem = problem_of(duty=(0.0, 64.0, 1.0, 20.0), **fixed)
    top = Settings(64, 4800, 6700, 0, 60, 0)
    run = [Settings(duty, 4800, 6700, 0, 60, 0) for duty in (0, 20, 40, 55)]
    history = [CAR.observe(problem, settings, i + 1) for i, settings in enumerate(run)]
    history += [CAR.observe(problem, top, i + 5, scale=scale) for i, scale in enumerate(scales)]
    step = decide(problem, history)
    assert not same(step.settings, top), words(step)


def test_settings_that_differ_by_their_rounding_alone_were_run_twice() -> None:
    """What was typed in and what was proposed: 0.1 + 0.2 is not 0.3."""
    problem = problem_of()
    typed, proposed = (Settings(40, 4800, 6700, 0, engagement, 0) for engagement in (0.3, 0.1 + 0.2))
    seen = review(problem, [CAR.observe(problem, each, i + 1) for i, each in enumerate((IDLE, typed, proposed))])
    assert seen.learnt(np.array([each.as_array() for each in (IDLE, typed, proposed)])).tolist() == [False, True, True]


def test_settings_that_differ_by_where_a_ramp_stands_that_adds_nothing_were_run_twice() -> None:
    """A third pull with them was told as a step: ramp from 4600 rpm instead of 4700."""
    problem = problem_of()
    here, there = (Settings(40, ramp_from, 6700, 0, 0, 0) for ramp_from in (4800.0, 4600.0))
    seen = review(problem, [CAR.observe(problem, each, i + 1) for i, each in enumerate((IDLE, here, there))])
    assert seen.best is not None
    assert seen.best.number == 3  # the latest of them
    moved, adding = (dataclasses.replace(here, **each) for each in ({"ramp_from": 4500.0}, {"ramp_add": 1.0}))
    assert seen.learnt(np.array([each.as_array() for each in (IDLE, moved, adding)])).tolist() == [False, True, False]


def test_a_log_that_cannot_be_trusted_is_repeated() -> None:
    problem = problem_of()
    mild = Settings(20, 4800, 6700, 0, 8.0 * PSI, 0)
    history = [
        CAR.observe(problem, IDLE, 1),
        CAR.observe(problem, mild, 2, trusted=False, remark="boost stands still from 4100 rpm"),
    ]
    step = decide(problem, history)
    assert step.verdict == "repeat"
    assert step.settings is not None
    assert same(step.settings, mild)
    assert (
        "The log of pull 2 cannot be relied on: boost stands still from 4100 rpm. Run the same settings again."
        in words(step)
    )
    assert step.risk <= problem.risk


def test_nothing_allowed_is_safe_is_a_verdict_with_a_way_out() -> None:
    """A pull far over the limit, and steps too short to get away from it."""
    problem = problem_of(duty=(0.0, 90.0, 1.0, 2.0), engagement=(0.0, 16.0 * PSI, 0.5 * PSI, 0.5 * PSI))
    hot = Settings(80, 4800, 6700, 0, 60, 0)
    end = decide(problem, [CAR.observe(problem, hot, 1)])
    assert end.verdict == "stop"
    assert end.cause == "nothing allowed is safe"
    assert "keeps the risk at or under 1 %" in words(end)
    assert "Set the controller back to idle and run a baseline" in words(end)
    assert end.risk > problem.risk


def test_where_mild_settings_nobody_has_run_seem_unsafe_the_way_back_is_to_those_that_held(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Right after a miss a few draws of what was never run may pass any limit."""
    problem = problem_of()
    run = [IDLE, Settings(20, 4800, 6700, 0, 8.0 * PSI, 0), Settings(34, 4800, 6700, 0, 8.0 * PSI, 0)]
    history = [CAR.observe(problem, each, n) for n, each in enumerate(run, start=1)]
    judge = Outlook.forecast

    def wary(outlook: Outlook, settings: Sequence[Settings]) -> list[Forecast]:
        known = [run[1].as_array(), 0.5 * (run[1].as_array() + run[2].as_array())]
        return [
            dataclasses.replace(f, risk=0.004 if any(np.allclose(f.settings.as_array(), k) for k in known) else 0.02)
            for f in judge(outlook, settings)
        ]

    monkeypatch.setattr(Outlook, "forecast", wary)
    step = decide(problem, history)
    assert step.verdict == "pull"
    assert step.settings is not None
    assert step.settings.duty == 27.0  # half-way back, which is nearer to the target than the whole way
    assert step.risk == 0.004


@pytest.mark.parametrize(("latest", "starts"), [(5500.0, 5500.0), (6800.0, 6200.0)])
def test_the_mildest_way_back_has_its_ramp_as_late_as_it_may_be(latest: float, starts: float) -> None:
    """15 points are left of the ramp, which rise over 750 rpm at the least; no other start asks for less."""
    problem = problem_of(ramp_from=(3000.0, latest, 100.0, 2000.0))
    history = [CAR.observe(problem, Settings(10, 5000, 6700, 25, 20, 0), 1)]
    outlook, seen = Outlook(problem, history, surrogate_for(problem, history)), review(problem, history)
    _, judged = _retreat(outlook, history, spans_after(problem, history), seen)
    rpm = problem.target.grid(100.0)
    mildest = min(judged, key=lambda f: float(f.settings.effective_duty(rpm).mean()))
    assert mildest.settings == Settings(0, starts, 7000, 15, 0, 0)
    assert not blocked(outlook, seen, mildest)


def test_on_the_way_back_a_ramp_that_adds_nothing_is_not_turned() -> None:
    """It had been: "ramp from 5400 rpm instead of 4900 rpm, ramp to 7100 rpm instead of 6600 rpm", adding nothing."""
    problem = problem_of()
    history = [CAR.observe(problem, IDLE, 1), CAR.observe(problem, Settings(20, 4800, 6700, 0, 0, 0), 2)]
    outlook, seen = Outlook(problem, history, surrogate_for(problem, history)), review(problem, history)
    allowed = spans_after(problem, history)
    _, judged = _retreat(outlook, history, allowed, seen)
    idle = [(f.settings.ramp_from, f.settings.ramp_to) for f in judged if f.settings.ramp_add == 0.0]
    assert set(idle) == {(4800.0, 6700.0)}
    assert any(f.settings.ramp_add > 0.0 and f.settings.ramp_to == 7000.0 for f in judged)
    chosen = dataclasses.replace(judged[0], settings=Settings(20, 5500, 7000, 0, 0, 0))
    assert not [code for code in held_back_by(outlook, allowed, chosen, [chosen], seen) if code.startswith("ramp")]
    ramped = dataclasses.replace(chosen, settings=dataclasses.replace(chosen.settings, ramp_add=5.0))
    held_back = [code for code in held_back_by(outlook, allowed, ramped, [ramped], seen) if code.startswith("ramp")]
    assert held_back == ["ramp_from range", "ramp_to range"]


@pytest.mark.parametrize("risk", [0.0, 0.02])
def test_no_way_leads_through_what_went_wrong(monkeypatch: pytest.MonkeyPatch, risk: float) -> None:
    """Neither back to the mildest, where no draw of the surrogate passes the limit, nor in short strides from it."""
    problem = problem_of()
    run = [IDLE, Settings(20, 4800, 6700, 0, 40, 0), Settings(45, 4800, 6700, 0, 60, 0)]
    history = [CAR.observe(problem, each, n) for n, each in enumerate(run, start=1)]
    history[2] = dataclasses.replace(history[2], peak_kpa=problem.limit_kpa + PSI)
    judge = Outlook.forecast
    monkeypatch.setattr(
        Outlook, "forecast", lambda self, rows: [dataclasses.replace(f, risk=risk) for f in judge(self, rows)]
    )
    outlook, seen = Outlook(problem, history, surrogate_for(problem, history)), review(problem, history)
    allowed = spans_after(problem, history)
    open_to, judged = _retreat(outlook, history, allowed, seen)
    assert bool(open_to) == (risk == 0.0)
    assert any(blocked(outlook, seen, each) for each in judged)
    strides = longest_stride(outlook, outlook.positions(IDLE), run[2], allowed, seen)
    assert strides
    assert not any(blocked(outlook, seen, each) for each in [*open_to, *strides])


# ------------------------------------------------------------------ units and repetition


def test_psi_kpa_and_bar_give_the_same_settings() -> None:
    """The decision works in kPa gauge; the unit changes what is said, never what is dialled."""
    problem = problem_of()
    history = [CAR.observe(problem, IDLE, 1), CAR.observe(problem, Settings(20, 4800, 6700, 0, 8 * PSI, 0), 2)]
    decisions = {
        unit: decide(dataclasses.replace(problem, pressure_unit=unit), history) for unit in ("psi", "kPa", "bar")
    }
    stored = [{**decision_out(each), "reasons": None} for each in decisions.values()]
    assert stored[0] == stored[1] == stored[2]
    for unit, decision in decisions.items():
        assert f" {unit}" in words(decision)
        assert not any(f" {other}" in words(decision) for other in decisions if other != unit)
    peaks = {unit: re.search(r"expected at ([\d.]+)", words(each)) for unit, each in decisions.items()}
    said = [float(to_kpa(float(found[1]), unit)) for unit, found in peaks.items() if found]
    assert len(said) == 3
    assert np.ptp(said) < 1.0  # the same pressure, rounded as each unit is


def test_where_the_history_was_recorded_makes_no_difference() -> None:
    problem = problem_of()
    history = [CAR.observe(problem, IDLE, 1), CAR.observe(problem, Settings(20, 4800, 6700, 0, 8 * PSI, 0), 2)]
    copies = [dataclasses.replace(pull) for pull in history]
    assert decision_out(decide(problem, tuple(copies))) == decision_out(decide(problem, history))
    other = decide(dataclasses.replace(problem, seed=6), history)
    assert decision_out(other) != decision_out(decide(problem, history))  # the seed is all that chance hangs on


def test_a_pull_that_rings_about_the_target_is_not_done() -> None:
    """The smooth curve lies on the target, boost swings by 1 psi about it."""
    problem = problem_of()
    settings = dataclasses.replace(IDLE, duty=40.0, engagement=20.0, gain=5.0)
    baseline, run = CAR.observe(problem, IDLE, 1), CAR.observe(problem, settings, 2)
    curve = Curve(run.curve.rpm, problem.target.at(run.curve.rpm))
    calm = dataclasses.replace(run, curve=curve, oscillation_kpa=0.0)
    assert decide(problem, [baseline, calm]).verdict == "done"
    ringing = dataclasses.replace(calm, ripple_kpa=PSI / np.sqrt(2.0))
    assert ringing.deviation_kpa(problem.target) == pytest.approx(PSI / np.sqrt(2.0))
    assert ringing.swing_kpa == pytest.approx(PSI)
    end = decide(problem, [baseline, ringing])
    assert end.verdict == "pull"
    assert end.settings is not None
    assert end.settings.gain < settings.gain
    aim = next(reason.text for reason in end.reasons if reason.code == "aim")
    assert "pull 2 rang by ±1.0 psi, which is more than its curve was off" in aim


def test_on_the_way_to_a_bold_step_engagement_comes_down_with_duty() -> None:
    """Where the gate refused the whole step, every shorter one fell for its engagement, and duty rose by one point."""
    problem, car = problem_of(16.0), PlainCar(top_kpa=12.0 * PSI)
    rows = ((0, 4900, 6700, 0, 0, 0), (20, 3900, 5700, 3, 8 * PSI, 0), (32, 3300, 5600, 7, 10 * PSI, 0))
    pulls = [car.observe(problem, Settings(*row), i + 1) for i, row in enumerate(rows)]
    step = decide(problem, pulls)
    assert step.settings is not None
    assert step.settings.duty > 40.0
