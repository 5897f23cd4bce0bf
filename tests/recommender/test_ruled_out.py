"""Which alternatives are told: the best for each reason, then such as differ clearly; and what is said of each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.settings import Settings
from recommender.decide.answer import DISTINCT, apart, ruled_out
from recommender.decide.outlook import Forecast
from recommender.decide.review import review
from recommender.decide.step import Alternative
from recommender.why.step import alternatives
from tests.recommender.test_why import decision
from tests.recommender.why_cars import PSI, problem, pull, settings


def forecast(run: Settings, deviation_psi: float, risk: float = 0.002) -> Forecast:
    none = np.empty(0)
    return Forecast(run, deviation_psi * PSI, none, risk, none, none)


@pytest.fixture
def chosen() -> Forecast:
    return forecast(settings(30.0), 2.0)


def test_near_duplicates_are_told_as_one(chosen: Forecast) -> None:
    job = problem()
    near = [forecast(settings(31.0 + 0.5 * i), 2.1 + 0.01 * i) for i in range(6)]
    other = [forecast(settings(20.0), 2.6), forecast(settings(10.0), 3.0)]
    told = ruled_out(job, [chosen, *near, *other], chosen, review(job, [pull(1, 20.0)]))
    # One of the six beside the chosen step, because it is the best of its reason; then only what differs clearly.
    assert [each.settings.duty for each in told] == [31.0, 20.0, 10.0]
    for i, first in enumerate(told):
        for second in told[i + 1 :]:
            assert apart(job, first.settings, second.settings) >= DISTINCT


def test_a_ramp_that_adds_nothing_makes_no_alternative(chosen: Forecast) -> None:
    """On a controller without a ramp "Ramp from 4700 rpm: no better than the step" was told as ruled out."""
    job = problem()
    moved = replace(chosen.settings, ramp_from=4200.0, ramp_to=6000.0)
    told = ruled_out(job, [forecast(moved, 2.1), forecast(replace(moved, duty=20.0), 2.4)], chosen, review(job, []))
    assert [each.settings.duty for each in told] == [20.0]
    words = alternatives(job, decision(settings=chosen.settings, alternatives=told), None)[0].text
    assert words.startswith("Duty 20 %: ")
    ramped = forecast(replace(moved, ramp_add=5.0), 2.1)
    told = ruled_out(job, [ramped], chosen, review(job, []))
    words = alternatives(job, decision(settings=chosen.settings, alternatives=told), None)[0].text
    assert words.startswith("Ramp from 4200 rpm, ramp to 6000 rpm, ramp add 5 points: ")


def test_every_reason_is_told_however_many_are_better_for_another(chosen: Forecast) -> None:
    job = problem()
    bold = [forecast(settings(33.0 + i), 1.0 + 0.1 * i, risk=0.05) for i in range(7)]
    plain = forecast(settings(28.0), 2.4)
    told = ruled_out(job, [chosen, *bold, plain], chosen, review(job, [pull(1, 20.0)]))
    assert {each.ruled_out_by for each in told} == {"risk gate", "more deviation expected"}
    assert told[0].settings == bold[0].settings  # the best one that the gate closed
    assert [each.deviation_kpa for each in told] == sorted(each.deviation_kpa for each in told)


def test_the_cap_on_duty_with_its_ramp_is_not_told_as_something_that_went_wrong(chosen: Forecast) -> None:
    job = problem()
    ramped = Settings(38.0, 4800.0, 6700.0, 10.0, 0.0, 0.0)  # 48 % at the top, where 20 % and a step of 20 were run
    good, wild = pull(1, 20.0), pull(2, 32.0, worth_psi=6.0)
    told = ruled_out(job, [chosen, forecast(ramped, 1.0)], chosen, review(job, [good]))
    assert [each.ruled_out_by for each in told] == ["most duty"]
    assert wild.highest_kpa > job.limit_kpa
    told = ruled_out(job, [chosen, forecast(ramped, 1.0)], chosen, review(job, [good, wild]))
    assert [each.ruled_out_by for each in told] == ["at or above settings that went wrong"]
    nearer = forecast(settings(31.0), 1.5)
    told = ruled_out(job, [chosen, nearer], chosen, review(job, [good, wild]))
    assert [each.ruled_out_by for each in told] == ["too near settings that went wrong"]


def test_less_gain_and_more_duty_in_one_step_is_told_as_that(chosen: Forecast) -> None:
    job = problem()
    run = pull(2, 30.0)
    fed_back = review(job, [pull(1, 20.0), replace(run, settings=replace(run.settings, gain=2.0))])
    for duty, ramp_add, gain, why in (
        (31.0, 0.0, 1.0, "more duty with less gain"),
        (30.0, 2.0, 0.0, "more duty with less gain"),
        (29.0, 0.0, 0.0, "more deviation expected"),
        (31.0, 0.0, 2.0, "more deviation expected"),
    ):
        other = forecast(Settings(duty, 4800.0, 6700.0, ramp_add, 0.0, gain), 2.4)
        assert [each.ruled_out_by for each in ruled_out(job, [chosen, other], chosen, fed_back)] == [why]


def test_where_a_ramp_lies_counts_only_while_it_adds_something() -> None:
    job, plain = problem(), settings(30.0)
    moved = replace(plain, ramp_from=3000.0)
    assert apart(job, plain, moved) == 0.0
    # 1800 rpm at a step of 1000 rpm.
    assert apart(job, replace(plain, ramp_add=1.0), replace(moved, ramp_add=1.0)) == pytest.approx(1.8)


@pytest.mark.parametrize(
    ("ruled_out_by", "said"),
    [
        ("risk gate", "over the 1 % that the job allows"),
        ("more deviation expected", "the step has 1.20 psi"),
        ("less to learn from it", "it would teach less about the car"),
        ("most duty", "duty with its ramp would go too far past the highest run so far"),
        ("more duty with less gain", "shows only with gain taken back alone"),
        ("too near settings that went wrong", "not far enough below the pull that went wrong"),
        ("at or above settings that went wrong", "it asks for at least as much boost as a pull that went wrong"),
    ],
)
def test_each_reason_has_words_of_its_own(ruled_out_by: str, said: str) -> None:
    option = Alternative(settings(52.0), 1.5 * PSI, 0.031, ruled_out_by)
    text = alternatives(problem(), decision(alternatives=(option,)), settings(35.0))[0].text
    assert text.startswith("Duty 52 %: 1.50 psi expected deviation, risk 3.1 %. Not taken: ")
    assert said in text
    ended = alternatives(problem(), decision(alternatives=(option,), settings=None), settings(35.0))[0].text
    assert ("not worth another pull" in ended) == (ruled_out_by == "less to learn from it")
    other = replace(option, deviation_kpa=1.9 * PSI, risk=0.0004, settings=settings(20.0))
    changed = alternatives(problem(), decision(alternatives=(other,)), settings(35.0))[0].text
    assert changed.startswith("Duty 20 %: 1.90 psi expected deviation, risk under 0.3 %.")


def test_the_end_of_a_held_run_is_told_as_what_it_is(chosen: Forecast) -> None:
    """Duty that the step would allow, and the run at held rpm does not."""
    job, more = problem(), forecast(settings(36.0), 1.0)
    seen = review(job, [pull(1, 20.0)])
    bounded = replace(seen, reach=replace(seen.reach, duty=34.0, held_end=True))
    told = ruled_out(job, [chosen, more], chosen, bounded)
    assert [each.ruled_out_by for each in told] == ["end of the held run"]
    words = alternatives(job, decision(settings=settings(30.0), alternatives=told), settings(20.0))[0].text
    assert "boost rose too steeply at the end of the run at held rpm for so much more duty" in words
