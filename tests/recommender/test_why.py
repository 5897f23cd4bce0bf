"""Every sentence of why follows the evidence: each test changes the evidence and sees the sentence change."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from models.curve import Curve, Target
from models.settings import Knob
from recommender.decide import decide, surrogate_for
from recommender.decide.outlook import Outlook
from recommender.decide.step import Alternative, Band, Decision, Reason
from recommender.why import explain_decision
from recommender.why.constants import constants
from recommender.why.effects import effects
from recommender.why.explanation import Explanation
from recommender.why.look import Look
from recommender.why.scatter import equal_pulls
from recommender.why.step import binding, evidence, tightest, would_change
from recommender.why.trust import outcome, tally, unmodelled_kpa
from tests.recommender.why_cars import PSI, problem, pull, settings

NUMBER = r"-?\d+(?:\.\d+)?"


def numbers(text: str) -> list[float]:
    return [float(each) for each in re.findall(NUMBER, text)]


def look_at(pulls, job=None, duty: float = 40.0) -> Look:
    job = job or problem()
    return Look(job, surrogate_for(job, pulls), surrogate_for(job, ()), settings(duty))


def higher(target: Target, share: float) -> Target:
    """A target that asks for more everywhere, or less with a share under 1."""
    return Target(target.rpm, share * target.boost_kpa, target.judge_from, target.judge_to)


def sloped(curve: Curve, psi_per_1000_rpm: float) -> Curve:
    """A curve that leans from 4000 rpm on."""
    lean = psi_per_1000_rpm * PSI * np.maximum(curve.rpm - 4000.0, 0.0) / 1000.0
    return Curve(curve.rpm, curve.boost_kpa + lean, noise_kpa=curve.noise_kpa)


@pytest.fixture(scope="module")
def pulls():
    return [pull(1, 0.0), pull(2, 20.0), pull(3, 35.0)]


@pytest.fixture(scope="module")
def learnt(pulls):
    return {each.code: each for each in constants(look_at(pulls), pulls)}


@pytest.fixture(scope="module")
def explained(pulls) -> Explanation:
    job = problem()
    return explain_decision(job, pulls, decide(job, pulls), step=4)


class TestConstants:
    def test_duty_is_worth_more_on_a_car_where_it_is(self, learnt) -> None:
        strong = [pull(n, duty, worth_psi=2.4, spring_psi=7.0) for n, duty in ((1, 0.0), (2, 20.0), (3, 35.0))]
        other = {each.code: each for each in constants(look_at(strong), strong)}
        # The cars are made to differ by 0.9 psi for ten points; half of that must show in the middle of the range.
        middle = {0.5 * (each["duty worth"].low + each["duty worth"].high) for each in (learnt, other)}
        assert max(middle) - min(middle) > 0.45
        assert other["duty worth"].high > learnt["duty worth"].high
        assert other["duty worth"].text != learnt["duty worth"].text

    def test_duty_worth_holds_what_the_car_was_made_with(self, learnt) -> None:
        # 1.5 psi for ten points by construction of the car; the range is meant to hold it.
        assert learnt["duty worth"].low <= 1.5 <= learnt["duty worth"].high
        assert learnt["duty worth"].unit == "psi"

    def test_sentence_shows_the_numbers_of_its_range(self, learnt) -> None:
        worth = learnt["duty worth"]
        assert "each 10 points of duty" in worth.text
        assert f"{worth.low:.1f} to {worth.high:.1f} psi" in worth.text

    def test_spring_follows_the_baseline(self, learnt) -> None:
        stiff = [pull(1, 0.0, spring_psi=11.0)]
        floor = {each.code: each for each in constants(look_at(stiff), stiff)}["floor"]
        # 9 and 11 psi by construction, less the round knee; half a psi is twice the scatter between equal pulls.
        assert learnt["floor"].low - 0.5 <= 9.0 <= learnt["floor"].high + 0.5
        assert floor.low - 0.5 <= 11.0 <= floor.high + 0.5

    def test_what_no_pull_has_shown_is_called_assumed(self, learnt) -> None:
        before = {each.code: each for each in constants(look_at([]), [])}
        assert "Assumed so far" in before["duty worth"].text
        assert before["floor"].narrowed == pytest.approx(0.0)
        assert "Assumed so far" not in learnt["floor"].text
        assert learnt["floor"].narrowed > 0.5

    def test_a_range_too_wide_to_say_anything_is_not_said(self, learnt) -> None:
        before = {each.code: each for each in constants(look_at([]), [])}
        # Before the first pull nobody knows the spring: 6 to 16 psi, where 16 psi is wanted.
        assert before["floor"].high - before["floor"].low > 8.0
        assert before["floor"].text.endswith("is not known yet; a pull with every knob idle tells.")
        assert learnt["floor"].text.startswith("The spring alone gives 9.")
        assert "is not known yet" not in learnt["droop"].text

    def test_boost_that_does_not_get_there_is_said_not_to(self, learnt) -> None:
        assert learnt["spool"].text.startswith("Boost does not reach 14.4 psi, nine tenths of the target")
        strong = [pull(n, duty, worth_psi=2.4, spring_psi=9.0) for n, duty in ((1, 0.0), (2, 20.0), (3, 40.0))]
        other = {each.code: each for each in constants(look_at(strong, duty=40.0), strong)}
        assert other["spool"].text.startswith("Boost reaches 14.4 psi, nine tenths of the target, at ")

    def test_engagement_says_that_it_is_not_known_until_it_was_tried(self) -> None:
        tried = [pull(1, 0.0), pull(2, 40.0, worth_psi=2.4), replace(pull(3, 40.0, worth_psi=2.4))]
        more = replace(tried[2], settings=replace(tried[2].settings, engagement=8.0 * PSI))
        before = {e.code: e for e in constants(look_at(tried[:1]), tried[:1])}["engagement"].text
        after = {e.code: e for e in constants(look_at([*tried[:2], more]), [*tried[:2], more])}["engagement"].text
        assert before != after

    def test_a_knob_that_cannot_move_teaches_nothing(self, learnt) -> None:
        assert "gain" not in learnt
        assert "engagement" in learnt

    def test_equal_pulls_are_compared(self, learnt) -> None:
        assert "No two pulls were run alike" in learnt["repeatability"].text
        twice = [pull(1, 20.0), pull(2, 20.0, scale=1.03)]
        text = {each.code: each for each in constants(look_at(twice), twice)}["repeatability"].text
        apart = equal_pulls(twice)[0][2] / PSI
        assert "Pulls 1 and 2, run alike" in text
        assert f"{apart:.2f} psi apart" in text
        # 3 % of about 10.5 psi held over most of the sweep.
        assert apart == pytest.approx(0.3, abs=0.05)

    def test_a_turbo_that_falls_short_is_said_to(self) -> None:
        seen = [pull(n, duty, worth_psi=2.4) for n, duty in ((1, 0.0), (2, 30.0), (3, 40.0))]
        enough = {each.code: each for each in constants(look_at(seen), seen)}["ceiling"].text
        look = look_at(seen)
        short = replace(look, problem=replace(look.problem, target=higher(look.problem.target, 1.8)))
        text = {each.code: each for each in constants(short, seen)}["ceiling"].text
        assert "it falls short of the target with a probability of" in text
        assert text != enough

    def test_gain_tells_what_it_takes_away(self, pulls) -> None:
        job = problem()
        geared = replace(job, knobs={**job.knobs, "gain": Knob("gain", 0.0, 10.0, 1.0, 3.0)})
        look = look_at(pulls, geared)
        text = {each.code: each for each in constants(look, pulls)}["gain"].text
        assert text.startswith("Gain 3 takes away ")
        less = replace(look, base=replace(look.base, gain=1.0))
        other = {each.code: each for each in constants(less, pulls)}["gain"].text
        # A third of the gain takes away less of what is off, whatever the law's strength.
        assert other.startswith("Gain 1 takes away ")
        assert numbers(other)[1] < numbers(text)[1]
        assert numbers(other)[2] < numbers(text)[2]
        most = replace(look, base=replace(look.base, gain=6.0))
        unknown = {each.code: each for each in constants(most, pulls)}["gain"].text
        assert "Assumed so far" in unknown
        assert numbers(unknown)[2] - numbers(unknown)[1] > numbers(text)[2] - numbers(text)[1]

    def test_what_the_physics_misses_follows_the_fit(self, pulls, learnt) -> None:
        # Waves over rpm that no spring, gate or turbo makes.
        wavy = [each.curve.boost_kpa * (1.0 + 0.06 * np.sin(each.curve.rpm / 130.0)) for each in pulls]
        wild = [
            replace(each, curve=replace(each.curve, boost_kpa=boost)) for each, boost in zip(pulls, wavy, strict=True)
        ]
        other = {each.code: each for each in constants(look_at(wild), wild)}["rest"].text
        assert other != learnt["rest"].text
        assert "wider than the" in other
        assert "narrower than the" in learnt["rest"].text

    def test_creep_and_droop_are_told_apart(self) -> None:
        level = [pull(n, duty, worth_psi=2.4) for n, duty in ((1, 0.0), (2, 30.0), (3, 40.0))]
        fall = [replace(each, curve=sloped(each.curve, -1.0)) for each in level]
        rise = [replace(each, curve=sloped(each.curve, 1.0)) for each in level]
        texts = [{each.code: each for each in constants(look_at(seen), seen)}["droop"].text for seen in (fall, rise)]
        assert "falls off by" in texts[0]
        assert "creeps up by" in texts[1]

    def test_units_are_the_jobs(self, pulls, learnt) -> None:
        metric = {each.code: each for each in constants(look_at(pulls, problem(unit="kPa")), pulls)}
        assert metric["floor"].unit == "kPa"
        assert metric["floor"].low == pytest.approx(learnt["floor"].low * PSI, rel=1e-9)
        assert "psi" not in metric["floor"].text


class TestEvidence:
    def test_weights_are_shares_and_the_nearest_pull_has_most(self, pulls) -> None:
        rows = evidence(look_at(pulls, duty=36.0), pulls)
        assert sum(each.weight for each in rows) == pytest.approx(1.0)
        assert max(rows, key=lambda each: each.weight).number == 3
        assert f"weight {100 * rows[2].weight:.0f} %" in rows[2].text

    def test_a_pull_that_cannot_be_relied_on_is_left_out_and_says_why(self, pulls) -> None:
        doubtful = [*pulls[:2], replace(pulls[2], trusted=False, remark="gauge pinned at 20.0 psi")]
        rows = evidence(look_at(doubtful), doubtful)
        assert not rows[2].fitted
        assert rows[2].weight == 0.0
        assert "gauge pinned at 20.0 psi" in rows[2].text
        assert rows[1].weight > evidence(look_at(pulls), pulls)[1].weight

    def test_an_aborted_pull_counts_as_far_as_it_goes(self, pulls) -> None:
        aborted = [*pulls[:2], pull(3, 35.0, last_rpm=4500.0)]
        assert "as far as it goes: to 4500 rpm" in evidence(look_at(aborted), aborted)[2].text

    def test_a_run_at_held_rpm_is_one_row(self, pulls) -> None:
        run = [*pulls, *(pull(4, duty) for duty in (40.0, 44.0, 48.0))]
        rows = evidence(look_at(run), run)
        assert [row.number for row in rows] == [1, 2, 3, 4]
        assert sum(row.weight for row in rows) == pytest.approx(1.0)


class TestEffects:
    def test_one_for_each_knob_and_fixed_ones_say_so(self, explained) -> None:
        assert [each.knob for each in explained.effects] == list(problem().knobs)
        gain = explained.effects[-1]
        assert gain.fixed
        assert "fixed at 0" in gain.text
        assert gain.rpm.size == 0

    def test_picture_and_sentence_agree(self, explained) -> None:
        duty = explained.effects[0]
        assert duty.rpm.shape == duty.mean.shape == duty.low.shape == duty.high.shape
        most = int(np.argmax(np.abs(duty.mean)))
        assert duty.mean[most] > 0
        assert f"{round(duty.rpm[most], -1):.0f} rpm" in duty.text
        assert f"{duty.high[most]:.1f} psi more boost" in duty.text

    def test_values_stay_within_the_step_and_risk_rises_with_duty(self, explained) -> None:
        duty = explained.effects[0]
        assert duty.values.min() >= 35.0 - 20.0
        assert duty.values.max() <= 35.0 + 20.0
        assert duty.risks[-1] >= duty.risks[0]
        assert duty.values.shape == duty.deviations.shape == duty.risks.shape

    def test_ramp_corners_do_nothing_while_the_ramp_adds_nothing(self, pulls) -> None:
        look = look_at(pulls)
        shown = effects(look, Outlook(look.problem, pulls, look.surrogate), pulls[-1].settings)
        assert "does nothing while the ramp adds nothing" in shown[1].text
        ramped = replace(look, base=replace(look.base, ramp_add=20.0))
        other = effects(ramped, Outlook(look.problem, pulls, look.surrogate), pulls[-1].settings)
        assert "does nothing while the ramp adds nothing" not in other[1].text

    def test_a_lower_limit_closes_more_of_the_span(self, pulls) -> None:
        texts = []
        for limit in (19.0, 13.0):
            look = look_at(pulls, problem(limit_psi=limit))
            texts.append(effects(look, Outlook(look.problem, pulls, look.surrogate), pulls[-1].settings)[0].text)
        assert texts[0] != texts[1]
        assert "over the 1 % that the job allows" in texts[1]

    def test_the_gate_is_told_to_the_notch(self, pulls) -> None:
        """Not to the next value that happened to be looked at: that left up to two notches of duty seemingly open."""
        look = look_at(pulls, problem(limit_psi=15.0))
        outlook = Outlook(look.problem, pulls, look.surrogate)
        shown = effects(look, outlook, pulls[-1].settings)[0]
        closed = shown.risks > look.problem.risk
        first = int(np.argmax(closed))
        assert closed[first:].all()
        assert shown.values[first] - shown.values[first - 1] == pytest.approx(1.0)
        assert f"from {shown.values[first]:.0f} % up it is over the 1 %" in shown.text

    def test_the_least_deviation_is_told_to_the_notch(self, pulls) -> None:
        """ "Least is 0.37 psi at 66 %" stood above "duty 68 %: 0.19 psi expected deviation"."""
        look = look_at(pulls, problem(limit_psi=40.0))  # the gate is not looked for
        look = replace(look, base=replace(look.base, duty=48.0))
        outlook = Outlook(look.problem, pulls, look.surrogate)
        shown = effects(look, outlook, replace(pulls[-1].settings, duty=48.0))[0]
        every = outlook.forecast([settings(duty) for duty in np.arange(28.0, 69.0)])
        least = min(every, key=lambda each: each.deviation_kpa)
        told = re.search(r"least is [\d.]+ psi at (\d+) %", shown.text)
        assert told is not None
        assert float(told[1]) == least.settings.duty  # 48 and 53 % alone are among nine values through the span


def decision(**changes: object) -> Decision:
    """A decision by hand, for what does not need a search."""
    rpm = np.linspace(2600.0, 6800.0, 43)
    mean = np.full(43, 14.0 * PSI)
    plain = Decision(
        verdict="pull",
        settings=settings(40.0),
        risk=0.004,
        deviation_kpa=1.2 * PSI,
        band=Band(rpm, mean, mean - PSI, mean + PSI),
        peak_kpa=15.0 * PSI,
        peak_high_kpa=16.5 * PSI,
        margin_kpa=2.5 * PSI,
        tightest_rpm=5100.0,
        reasons=(Reason("aim", "…"),),
    )
    return replace(plain, **changes)


class TestStep:
    def test_tightest_follows_decision_and_limit(self) -> None:
        text = tightest(problem(), decision()).text
        assert "Tightest at 5100 rpm" in text
        assert "2.5 psi under the limit of 19.0 psi" in text
        assert "risk 0.4 %" in text
        over = tightest(problem(limit_psi=16.0), decision(margin_kpa=-0.5 * PSI, risk=0.2)).text
        assert "0.5 psi over the limit of 16.0 psi" in over
        assert "risk 20 %" in over

    def test_binding_cap_gives_its_numbers(self) -> None:
        held = binding(problem(), decision(settings=settings(55.0), binding=("duty step",)), settings(35.0))
        assert held[0].text == "Duty goes from 35 % to 55 %: all of the 20 points that one pull may change."
        narrow = problem(duty_step=5.0)
        held = binding(narrow, decision(settings=settings(40.0), binding=("duty step",)), settings(35.0))
        assert held[0].text == "Duty goes from 35 % to 40 %: all of the 5 points that one pull may change."
        held = binding(
            problem(duty_step=1.0), decision(settings=settings(36.0), binding=("duty step",)), settings(35.0)
        )
        assert held[0].text == "Duty goes from 35 % to 36 %: all of the 1 point that one pull may change."

    def test_binding_range(self) -> None:
        held = binding(problem(), decision(settings=settings(90.0), binding=("duty range",)), settings(80.0))
        assert held[0].text == "Duty is at the end of its range, 90 %."

    def test_gate_names_the_risk_that_closed_the_bolder_step(self) -> None:
        option = Alternative(settings(50.0), 0.6 * PSI, 0.031, "risk gate")
        held = binding(problem(), decision(binding=("risk gate",), alternatives=(option,)), settings(35.0))
        assert "0.60 psi expected deviation was closed by its risk of 3.1 %" in held[0].text
        calmer = replace(option, risk=0.018)
        held = binding(problem(), decision(binding=("risk gate",), alternatives=(calmer,)), settings(35.0))
        assert "closed by its risk of 1.8 %" in held[0].text

    def test_nothing_bound(self) -> None:
        assert "No cap and no gate" in binding(problem(), decision(), settings(35.0))[0].text

    def test_what_would_change_it(self, pulls) -> None:
        job = problem()
        outlook = Outlook(job, pulls, surrogate_for(job, pulls))
        option = Alternative(settings(50.0), 0.6 * PSI, 0.031, "risk gate")
        given = decision(settings=settings(55.0), binding=("duty step",), alternatives=(option,))
        codes = {each.code: each.text for each in would_change(outlook, given, settings(35.0))}
        assert "With a risk of 3.1 % allowed instead of 1 %" in codes["risk"]
        assert "Duty at 65 %, were its step wider" in codes["duty step"]
        further = outlook.forecast([settings(65.0)])[0]
        assert job.say_fine(further.deviation_kpa) in codes["duty step"]

    def test_hardware_and_tolerance(self, pulls) -> None:
        job = problem()
        outlook = Outlook(job, pulls, surrogate_for(job, pulls))
        reach = decision(
            verdict="out of reach", settings=None, cause="out of breath at the top", cause_rpm=6150.0, best_number=3
        )
        assert "6150 rpm" in would_change(outlook, reach, settings(35.0))[0].text
        measured = pulls[0].deviation_kpa(job.target)
        loose = Outlook(replace(job, tolerance_kpa=measured + 0.1), pulls, outlook.surrogate)
        done = decision(verdict="done", settings=None, best_number=1, best_possible_kpa=0.2 * PSI)
        text = would_change(loose, done, settings(35.0))[0].text
        assert f"under {job.say_fine(measured)}" in text
        assert "best thought possible is 0.20 psi" in text

    def test_whole_explanation_has_every_part(self, explained) -> None:
        assert explained.step == 4
        assert explained.verdict in ("pull", "repeat", "done", "out of reach", "stop")
        assert len(explained.evidence) == 3
        assert explained.constants
        assert explained.last is None
        assert explained.trust.texts == ("No prediction has been put to the test yet.",)

    def test_before_the_first_pull(self) -> None:
        job = problem()
        first = explain_decision(job, [], decide(job, []), step=1)
        assert first.evidence == ()
        assert "before the first one nothing is known" in first.would_change[-1].text


class TestTrust:
    def predicted(self, centre_psi: float) -> Decision:
        """A prediction of a flat curve."""
        rpm = np.linspace(4200.0, 6700.0, 26)
        mean = np.full(26, centre_psi * PSI)
        band = Band(rpm, mean, mean - 0.5 * PSI, mean + 0.5 * PSI)
        return decision(band=band, peak_kpa=(centre_psi + 0.2) * PSI, peak_high_kpa=(centre_psi + 0.8) * PSI)

    def test_hit_and_miss_follow_the_pull(self) -> None:
        seen = pull(2, 40.0)  # 9 + 4.5 psi by construction
        came = outcome(problem(), self.predicted(13.5), seen, 2)
        assert came is not None
        assert came.hit
        assert came.inside == 1.0
        assert "Pull 2 came out as predicted: 100 %" in came.text
        other = outcome(problem(), self.predicted(12.0), seen, 2)
        assert other is not None
        assert not other.hit
        assert "Pull 2 missed the prediction (the curve left the band and its peak passed the 12.8 psi" in other.text

    def test_peak_alone_can_miss(self) -> None:
        seen = replace(pull(2, 40.0), peak_kpa=16.0 * PSI)
        came = outcome(problem(), self.predicted(13.5), seen, 2)
        assert came is not None
        assert not came.hit
        assert came.inside == 1.0
        assert "(its peak passed the 14.3 psi" in came.text
        assert "16.0 psi seen" in came.text

    def test_nothing_to_compare(self) -> None:
        assert outcome(problem(), self.predicted(13.5), pull(2, 40.0, last_rpm=4000.0), 2) is None

    def test_counted_over_the_job(self, pulls) -> None:
        job = problem()
        hit = outcome(job, self.predicted(13.5), pull(2, 40.0), 2)
        miss = outcome(job, self.predicted(12.0), pull(3, 40.0), 3)
        assert hit is not None
        assert miss is not None
        fitted = surrogate_for(job, pulls)
        both = tally(job, pulls, [hit, hit], fitted)
        assert (both.predicted, both.hits, both.points) == (2, 2, 1.0)
        assert len(both.texts) == 1
        mixed = tally(job, pulls, [hit, miss], fitted)
        assert (mixed.predicted, mixed.hits) == (2, 1)
        assert "1 of 2 predictions held" in mixed.texts[0]
        assert mixed.points == pytest.approx((hit.inside + miss.inside) / 2)

    def test_widening_is_said_with_its_factor_and_the_values_before_and_after(self) -> None:
        job = problem()
        steady = [pull(1, 0.0), pull(2, 20.0), pull(3, 20.0)]
        wild = [*steady, pull(4, 20.0, scale=1.20)]
        miss = outcome(job, self.predicted(9.0), wild[3], 4)
        assert miss is not None
        before, after = surrogate_for(job, steady), surrogate_for(job, wild)
        assert after.widen > 1.0 == before.widen
        text = tally(job, wild, [miss], after).texts[-1]
        assert text.startswith("After the miss of pull 4 predictions are widened")
        assert f"by a factor of {after.widen:.2f}" in text
        assert job.say_fine(unmodelled_kpa(after)) in text
        assert job.say_fine(unmodelled_kpa(before)) in text
        calm = [*wild, pull(5, 20.0), pull(6, 20.0), pull(7, 20.0), pull(8, 20.0)]
        later = surrogate_for(job, calm)
        assert later.widen < after.widen
        settled = tally(job, calm, [miss], later).texts[-1]
        assert settled != text
        assert ("are not widened any more" in settled) == (later.widen == 1.0)

    def test_widening_without_a_miss_is_said_too(self, pulls) -> None:
        job = problem()
        fitted = surrogate_for(job, pulls)
        hit = outcome(job, self.predicted(13.5), pull(2, 40.0), 2)
        assert hit is not None
        fitted.widen = 1.3
        assert "factor of 1.30" in tally(job, pulls, [hit], fitted).texts[-1]


def test_knob_without_room(pulls) -> None:
    job = problem()
    knobs = {**job.knobs, "engagement": Knob("engagement", 0.0, 0.0, 1.0, 0.0)}
    fixed = replace(job, knobs=knobs)
    assert "engagement" not in {each.code for each in constants(look_at(pulls, fixed), pulls)}


@pytest.mark.parametrize(("value", "more"), [(3.0, ", and stands at 0 in the settings looked from."), (0.0, ".")])
def test_a_fixed_knob_is_told_as_the_job_file_fixes_it(pulls, value: float, more: str) -> None:
    """Fixed in the job file after it had been run otherwise, it was said to be fixed at what was run."""
    job = problem()
    fixed = replace(job, knobs={**job.knobs, "gain": Knob("gain", value, value, 1.0, 0.0)})
    look = look_at(pulls, fixed)
    told = {each.knob: each.text for each in effects(look, Outlook(fixed, pulls, look.surrogate), pulls[-1].settings)}
    assert told["gain"] == f"Gain is fixed at {value:g} in this job{more}"
