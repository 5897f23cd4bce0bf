"""More gain before a job is given up."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from models.curve import Target
from models.evidence import Observation
from models.settings import KNOB_NAMES, Knob, Settings
from models.units import FloatArray
from recommender.decide import decide, surrogate_for
from recommender.decide.allowed import spans_after
from recommender.decide.choose import GAIN_FROM, _gain_last
from recommender.decide.more_gain import TRIES, feedback_could_mend, more_gain
from recommender.decide.outlook import Forecast, Outlook
from recommender.decide.review import review
from recommender.decide.step import Problem
from tests.recommender.cars import PSI, PlainCar, problem_of
from tests.recommender.test_decide import play


@dataclass(frozen=True)
class WakesLate(PlainCar):
    """Boost rises towards the top, and feedback does nothing up to a gain of 3."""

    droop: float = -0.2
    pull_together: float = 8.0
    asleep: float = 3.0

    def boost(self, settings: Settings, rpm: FloatArray, target: Target) -> FloatArray:
        return super().boost(replace(settings, gain=max(settings.gain - self.asleep, 0.0)), rpm, target)


@pytest.fixture
def problem() -> Problem:
    """A job whose ramp cannot take duty away towards the top."""
    return problem_of(ramp_from=4800.0, ramp_to=6700.0, ramp_add=0.0, engagement=60.0)


def run(problem: Problem, *dialled: tuple[float, float], car: PlainCar | None = None) -> list[Observation]:
    """Pulls with these duties and gains."""
    of = car or WakesLate()
    settings = [Settings(duty, 4800, 6700, 0, 60, gain) for duty, gain in dialled]
    return [of.observe(problem, each, i + 1) for i, each in enumerate(settings)]


def asked(problem: Problem, pulls: list[Observation]) -> Forecast | None:
    outlook = Outlook(problem, pulls, surrogate_for(problem, pulls))
    return more_gain(outlook, pulls, review(problem, pulls), spans_after(problem, pulls))


def test_a_car_whose_feedback_wakes_late_is_not_given_up(problem: Problem) -> None:
    decision, pulls = play(problem, WakesLate(), most=12)
    assert decision.verdict == "done"
    assert pulls[-1].settings.gain > 3.0
    assert max(pull.highest_kpa for pull in pulls) < problem.limit_kpa
    first = [decide(problem, pulls[:n]).reasons[0] for n in range(1, len(pulls))]
    told = [reason for reason in first if reason.code == "more gain"]
    assert told
    assert told[0].text.endswith("Be ready to end the pull if it rings.")


def test_the_best_pull_is_run_again_with_more_gain_than_any(problem: Problem) -> None:
    pulls = run(problem, (0, 0), (20, 0), (40, 0), (57, 0), (57, 2))
    raised = asked(problem, pulls)
    assert raised is not None
    assert replace(raised.settings, gain=0.0) == replace(review(problem, pulls).best.settings, gain=0.0)  # type: ignore[union-attr]
    assert 2.0 < raised.settings.gain <= 2.0 + problem.knobs["gain"].step
    assert raised.risk <= problem.risk


@pytest.mark.parametrize(("droop", "duties"), [(-0.45, (54, 63, 78, 68)), (-0.6, (47, 56, 60, 61))])
def test_gain_waits_for_nothing_where_nothing_else_is_left(
    problem: Problem, droop: float, duties: tuple[float, ...]
) -> None:
    """Boost that rises too much for any one duty stood over four tolerances off at its best: gain waited for a nearer
    pull, none came, and the job ended as out of reach. With gain 8 it is 0.4 psi off."""
    car = PlainCar(spring_kpa=50.0, droop=droop, pull_together=4.0)
    pulls = run(problem, (0, 0), (20, 0), (35, 0), *((duty, 0) for duty in duties), car=car)
    assert review(problem, pulls).best_kpa > GAIN_FROM * problem.tolerance_kpa
    step = decide(problem, pulls)
    assert step.verdict == "pull"
    assert step.reasons[0].code == "more gain"
    assert step.settings is not None
    assert 0.0 < step.settings.gain <= 0.5 * problem.knobs["gain"].step


@pytest.mark.parametrize(("duty", "dialled"), [(57.4, 57.0), (59.0, 58.0)])
def test_what_is_run_again_can_be_dialled(problem: Problem, duty: float, dialled: float) -> None:
    """The best pull was run between two notches of duty, or past the end of its range, which is 58 % here."""
    short = replace(problem, knobs={**problem.knobs, "duty": replace(problem.knobs["duty"], upper=58.0)})
    pulls = run(short, (0, 0), (20, 0), (40, 0), (duty, 0))
    assert review(short, pulls).best is pulls[3]
    raised = asked(short, pulls)
    assert raised is not None
    assert raised.settings.duty == dialled
    assert raised.settings.gain > 0.0


@pytest.mark.parametrize("went_wrong", ["rang", "aborted", "passed the limit"])
def test_not_after_a_pull_with_gain_went_wrong(problem: Problem, went_wrong: str) -> None:
    pulls = run(problem, (0, 0), (20, 0), (40, 0), (57, 0), (57, 2), (57, 1))
    changes = {
        "rang": {"oscillation_kpa": 1.0 * PSI},
        "aborted": {"complete": False},
        "passed the limit": {"peak_kpa": problem.limit_kpa + 1.0},
    }
    assert asked(problem, pulls) is not None
    pulls[4] = replace(pulls[4], **changes[went_wrong])  # type: ignore[arg-type]
    assert asked(problem, pulls) is None


def test_not_past_the_gate_nor_right_after_the_limit_was_passed(
    problem: Problem, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More gain is nothing milder, whatever the duty."""
    pulls = run(problem, (0, 0), (20, 0), (40, 0), (57, 0))
    over = replace(run(problem, (64, 0))[0], number=5, peak_kpa=problem.limit_kpa + PSI)
    outlook = Outlook(problem, pulls, surrogate_for(problem, pulls))
    spans = spans_after(problem, pulls)
    judge = Outlook.forecast
    for risk, history, open_to in ((0.0, pulls, True), (0.011, pulls, False), (0.0, [*pulls, over], False)):
        monkeypatch.setattr(
            Outlook, "forecast", lambda self, rows, risk=risk: [replace(f, risk=risk) for f in judge(self, rows)]
        )
        seen = review(problem, history)
        assert seen.best is pulls[3]
        assert (more_gain(outlook, history, seen, spans) is not None) is open_to


def test_the_gain_that_was_run_is_not_asked_for_again(problem: Problem) -> None:
    """Where the span of gain ends at it, nothing more can be had."""
    pulls = run(problem, (0, 0), (20, 0), (40, 0), (57, 0), (57, 2))
    outlook = Outlook(problem, pulls, surrogate_for(problem, pulls))
    spans, seen = spans_after(problem, pulls), review(problem, pulls)
    assert more_gain(outlook, pulls, seen, [*spans[:5], (0, 3)]) is not None
    assert more_gain(outlook, pulls, seen, [*spans[:5], (0, 2)]) is None


def test_the_spring_as_it_is_now_tells_whether_boost_could_fall(problem: Problem) -> None:
    """A stiff spring was changed for a softer one: the latest pull on the spring alone counts."""
    stiff = run(problem, (0, 0), car=WakesLate(spring_kpa=18.0 * PSI))
    pulls = [replace(pull, number=n + 2) for n, pull in enumerate(run(problem, (0, 0), (20, 0), (40, 0), (62, 0)))]
    outlook = Outlook(problem, pulls, surrogate_for(problem, pulls))
    assert feedback_could_mend(outlook, [*stiff, *pulls], pulls[-1])
    assert not feedback_could_mend(outlook, [*pulls, replace(stiff[0], number=6)], pulls[-1])


def test_a_step_of_one_notch_is_a_notch(problem: Problem) -> None:
    """Half a step of gain's one notch rounds to nothing; the first gain and the next are a notch all the same."""
    knobs = {**problem.knobs, "gain": Knob("gain", 0.0, 10.0, 1.0, 1.0)}
    coarse = replace(problem, knobs=knobs)
    pulls = run(coarse, (0, 0), (20, 0), (40, 0), (46, 0), (48, 0))
    first = asked(coarse, pulls)
    assert first is not None
    assert first.settings.gain == 1.0
    second = asked(coarse, [*pulls, WakesLate().observe(coarse, first.settings, 6)])
    assert second is not None
    assert second.settings.gain == 2.0
    seen = replace(review(coarse, pulls), best_kpa=coarse.tolerance_kpa, gain_known=False)
    assert _gain_last(coarse, spans_after(coarse, pulls), pulls[-1].settings, seen)[5] == (0, 1)


def test_not_without_end(problem: Problem) -> None:
    """Feedback that never wakes brings nothing, and each pull with it is a little worse by chance."""
    asleep = WakesLate(asleep=10.0)
    pulls = run(problem, (0, 0), (20, 0), (40, 0), (57, 0), car=asleep)
    for i in range(TRIES):
        assert asked(problem, pulls) is not None
        settings = replace(pulls[3].settings, gain=1.0 + i)
        pulls.append(asleep.observe(problem, settings, len(pulls) + 1, scale=0.99))
    assert review(problem, pulls).best is pulls[3]
    assert asked(problem, pulls) is None


def test_not_where_boost_arrives_late(problem: Problem) -> None:
    late = PlainCar(spool_from=3600.0, spool_slope=0.05)
    pulls = run(problem, (0, 0), (20, 0), (40, 0), (59, 0), car=late)
    outlook = Outlook(problem, pulls, surrogate_for(problem, pulls))
    assert not feedback_could_mend(outlook, pulls, pulls[-1])
    assert asked(problem, pulls) is None


def test_not_where_the_spring_alone_stands_above_the_target(problem: Problem) -> None:
    stiff = WakesLate(spring_kpa=16.5 * PSI)
    pulls = run(problem, (0, 0), (5, 0), car=stiff)
    outlook = Outlook(problem, pulls, surrogate_for(problem, pulls))
    assert not feedback_could_mend(outlook, pulls, pulls[0])


def test_not_where_gain_is_fixed() -> None:
    fixed = problem_of(ramp_from=4800.0, ramp_to=6700.0, ramp_add=0.0, engagement=60.0, gain=0.0)
    assert asked(fixed, run(fixed, (0, 0), (20, 0), (40, 0), (57, 0))) is None


# ------------------------------------------------------------------ where gain is all that there is


def test_where_nothing_moves_duty_gain_is_not_waited_with() -> None:
    """It was raised from 1.6 psi on alone, and a job at 4.8 psi from the target ended as out of reach without it."""
    alone: dict[str, tuple[float, float, float, float] | float] = {"duty": 40.0, "ramp_add": 0.0, "engagement": 0.0}
    car = PlainCar(spring_kpa=60.0, pull_together=3.0)
    problem = problem_of(**alone)
    idle = Settings(40.0, 4900.0, 6700.0, 0.0, 0.0, 0.0)
    step = decide(problem, [car.observe(problem, idle, 1)])
    assert step.verdict == "pull"
    assert step.settings is not None
    assert step.settings.gain in (1.0, 2.0)  # half a step, and no more, before it has shown whether it rings
    assert step.risk <= problem.risk
    # Not before the spring has been seen to hold; and where the ramp moves duty, it waits.
    spans = [(0, problem.knobs[name].count - 1) for name in KNOB_NAMES]
    lifted = review(problem, [car.observe(problem, idle, 1, last_rpm=3000.0)])
    assert _gain_last(problem, spans, idle, lifted)[5] == (0, 0)
    ramped = problem_of(**(alone | {"ramp_add": (0.0, 30.0, 1.0, 10.0)}))
    assert _gain_last(ramped, spans, idle, review(ramped, [car.observe(ramped, idle, 1)]))[5] == (0, 0)


@pytest.mark.parametrize(("duty", "ramp_add", "opens"), [(60, 0.0, True), (59, 0.0, False), (60, 30.0, False)])
def test_nor_where_duty_has_come_to_the_end_of_its_dial(duty: float, ramp_add: float, opens: bool) -> None:
    """A job whose best pull stood there, 4.8 psi from the target, ended as out of reach, and gain was never tried."""
    problem = problem_of(duty=(0.0, 60.0, 1.0, 20.0), ramp_add=(0.0, ramp_add, 1.0, 10.0) if ramp_add else 0.0)
    car = PlainCar(spring_kpa=50.0, pull_together=3.0)
    pulls = [car.observe(problem, Settings(each, 4900.0, 6700.0, 0.0, 0.0, 0.0), n) for n, each in ((1, 0), (2, duty))]
    seen = review(problem, pulls)
    assert seen.best_kpa > GAIN_FROM * problem.tolerance_kpa
    spans = [(0, problem.knobs[name].count - 1) for name in KNOB_NAMES]
    assert _gain_last(problem, spans, pulls[-1].settings, seen)[5] == (0, 2 if opens else 0)
