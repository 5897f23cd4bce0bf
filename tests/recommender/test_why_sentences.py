"""Sentences of why that only some evidence brings: each test changes the evidence and sees the sentence change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from models.curve import Curve, Target
from models.evidence import Observation
from models.settings import Knob
from recommender.decide import surrogate_for
from recommender.decide.outlook import Forecast, Outlook
from recommender.decide.step import Alternative, Band, Decision, Problem, Reason
from recommender.why import effects, explain_decision
from recommender.why.constants import _gain, constants
from recommender.why.look import Look
from recommender.why.step import binding, evidence, would_change
from recommender.why.trust import outcome
from tests.recommender.why_cars import PSI, TARGET, problem, pull, settings


def looking(pulls: Sequence[Observation], job: Problem | None = None, duty: float = 40.0) -> Look:
    job = job or problem()
    return Look(job, surrogate_for(job, pulls), surrogate_for(job, ()), settings(duty))


def learnt(look: Look, pulls: Sequence[Observation]) -> dict[str, str]:
    return {each.code: each.text for each in constants(look, pulls)}


def leaning(seen: Observation, psi_per_1000_rpm: float) -> Observation:
    """The same pull, leaning from 4000 rpm on."""
    lean = psi_per_1000_rpm * PSI * np.maximum(seen.curve.rpm - 4000.0, 0.0) / 1000.0
    return replace(seen, curve=Curve(seen.curve.rpm, seen.curve.boost_kpa + lean, noise_kpa=seen.curve.noise_kpa))


def decided(**changes: object) -> Decision:
    rpm = np.linspace(4200.0, 6700.0, 26)
    mean = np.full(26, 13.5 * PSI)
    plain = Decision(
        verdict="pull",
        settings=settings(40.0),
        risk=0.004,
        deviation_kpa=1.2 * PSI,
        band=Band(rpm, mean, mean - 0.5 * PSI, mean + 0.5 * PSI),
        peak_kpa=13.7 * PSI,
        peak_high_kpa=14.3 * PSI,
        margin_kpa=2.5 * PSI,
        tightest_rpm=5100.0,
        reasons=(Reason("aim", "…"),),
    )
    return replace(plain, **changes)


@pytest.fixture(scope="module")
def three() -> list[Observation]:
    return [pull(1, 0.0), pull(2, 20.0), pull(3, 35.0)]


@pytest.fixture(scope="module")
def blank() -> Look:
    """Before the first pull."""
    return looking([])


class TestConstants:
    def test_droop_is_open_before_the_first_pull_and_said_after_it(self, blank: Look) -> None:
        text = learnt(blank, [])["droop"]
        # A spring and a gate may do either: nothing but a pull tells, and the sentence promises no direction.
        assert "not known yet" in text or ("at most or falls off by" in text and "Assumed so far" in text)
        seen = [leaning(pull(n, duty), -1.0) for n, duty in ((1, 0.0), (2, 20.0))]
        after = learnt(looking(seen), seen)["droop"]
        assert after.startswith("Towards the top, boost falls off by ")
        assert after != text

    def test_droop_that_is_wider_than_it_tells_is_not_said(self, blank: Look) -> None:
        low_target = Target(TARGET.rpm, 0.2 * TARGET.boost_kpa, TARGET.judge_from, TARGET.judge_to)
        narrow = replace(blank, problem=replace(blank.problem, target=low_target))
        assert learnt(narrow, [])["droop"] == (
            "Whether boost falls off or creeps up towards the top is not known yet; a pull up to there tells."
        )

    def test_the_turbo_is_measured_where_the_gate_was_shut(self) -> None:
        # Full duty and nothing more to get: what was seen at the top is the turbo's own.
        seen = [pull(1, 0.0), pull(2, 20.0), pull(3, 35.0)]
        small = [pull(n, duty, worth_psi=0.2) for n, duty in ((4, 70.0), (5, 90.0))]
        look = looking([*seen, *small], duty=90.0)
        narrow = replace(look, problem=replace(look.problem, target=_times(TARGET, 4.0)))
        text = learnt(narrow, [*seen, *small])["ceiling"]
        assert text.startswith("With the gate held shut the turbo could give ")
        assert "where 64.0 psi is wanted" in text
        assert "it falls short of the target with a probability of" in text

    def test_a_knob_that_cannot_move_has_no_sentence(self, three: list[Observation]) -> None:
        job = problem()
        fixed = {name: Knob(name, 0.0, 0.0, 1.0, 0.0) for name in ("duty", "engagement", "gain")}
        look = looking([three[0]], replace(job, knobs={**job.knobs, **fixed}), duty=0.0)
        assert not {"duty worth", "dead band", "engagement", "gain"} & set(learnt(look, three[:1]))

    def test_engagement_never_tried_and_tried(self) -> None:
        seen = [pull(1, 0.0), pull(2, 40.0, worth_psi=2.4)]
        before = learnt(looking(seen), seen)["engagement"]
        assert before.startswith("Engagement 8 psi instead of 0 psi: ")
        assert "is not known yet" in before or "Assumed so far" in before
        sooner = pull(3, 40.0, worth_psi=2.4)
        earlier = Curve(sooner.curve.rpm, np.interp(sooner.curve.rpm + 250.0, sooner.curve.rpm, sooner.curve.boost_kpa))
        tried = replace(sooner, settings=replace(sooner.settings, engagement=8.0 * PSI), curve=earlier)
        after = learnt(looking([*seen, tried]), [*seen, tried])["engagement"]
        assert "is not known yet" not in after
        assert "Assumed so far" not in after
        assert after != before

    def test_boost_that_never_comes_cannot_come_sooner(self, three: list[Observation]) -> None:
        look = looking(three, duty=0.0)
        far = replace(look, problem=replace(look.problem, target=_times(TARGET, 4.0)))
        assert "whether boost comes sooner cannot be told here" in learnt(far, three)["engagement"]

    def test_ringing_is_given_a_gain_only_where_it_is_known(self, three: list[Observation]) -> None:
        job = problem()
        look = looking(three, replace(job, knobs={**job.knobs, "gain": Knob("gain", 0.0, 10.0, 1.0, 3.0)}))
        # The law is the controller's own: no draw of the posterior is made here, its range alone is set.
        said = {}
        for width in (0.05, 3.0):
            parts = look.surrogate.posterior_.parts
            ring = np.log(0.4) + width * np.linspace(-1.0, 1.0, len(parts.constants["log_ring_from"]))
            known = {**parts.constants, "log_ring_from": ring, "log_pull_together": 0.0 * ring}
            sentence = _gain(_with_constants(look, known))
            assert sentence is not None
            said[width] = sentence.text
        assert "ringing is to be expected from a gain of 3.8 to 4.2" in said[0.05]
        assert "from where it rings is not known yet: raise it in small steps." in said[3.0]


def _times(target: Target, share: float) -> Target:
    return Target(target.rpm, share * target.boost_kpa, target.judge_from, target.judge_to)


def _with_constants(look: Look, known: dict[str, np.ndarray]) -> Look:
    """With other draws of the constants."""
    import copy

    other = copy.copy(look.surrogate)
    parts = replace(look.surrogate.posterior_.parts, constants=known)
    other.posterior_ = replace(look.surrogate.posterior_, parts=parts)
    return replace(look, surrogate=other)


class TestEvidence:
    def test_a_pull_that_ended_too_early_is_left_out_and_says_why(self, three: list[Observation]) -> None:
        short = pull(4, 40.0, last_rpm=TARGET.grid()[1] + 1.0)
        pulls = [*three, short]
        text = evidence(looking(pulls), pulls)[-1].text
        assert text == "Pull 4 is left out: it ended before it reached the rpm range of the target."
        longer = [*three, pull(4, 40.0, last_rpm=5000.0)]
        assert "as far as it goes: to 5000 rpm" in evidence(looking(longer), longer)[-1].text

    def test_a_pull_that_the_fit_passed_over_says_so(self, three: list[Observation]) -> None:
        look = looking(three[1:])
        assert evidence(look, three)[0].text == (
            "Pull 1 is left out of the fit: later and more different pulls say more."
        )
        assert "is fitted" in evidence(looking(three), three)[0].text


class TestStep:
    def test_the_gate_without_a_named_step(self) -> None:
        text = binding(problem(), decided(binding=("risk gate",)), settings(35.0))[0].text
        assert text == "The risk gate: at most 1 % may pass the limit, and bolder steps would pass it more often."
        looser = binding(problem(risk=0.05), decided(binding=("risk gate",)), settings(35.0))[0].text
        assert "at most 5 %" in looser

    def test_a_cause_to_be_put_right_is_named(self, three: list[Observation]) -> None:
        outlook = Outlook(problem(), three, surrogate_for(problem(), three))
        codes = {
            cause: {each.code: each.text for each in would_change(outlook, decided(cause=cause), settings(35.0))}
            for cause in ("", "a hose came off")
        }
        assert codes["a hose came off"]["cause"] == (
            "The cause put right: a hose came off. A pull after that is judged afresh."
        )
        assert "cause" not in codes[""]

    def test_done_as_well_as_can_be(self, three: list[Observation]) -> None:
        outlook = Outlook(problem(), three, surrogate_for(problem(), three))
        done = decided(verdict="done", settings=None, deviation_kpa=0.31 * PSI, best_possible_kpa=0.31 * PSI)
        assert would_change(outlook, done, settings(35.0))[0].text == (
            "A tolerance under 0.31 psi would call for another pull."
        )

    def test_a_bolder_step_is_told_with_what_it_would_bring(self, three: list[Observation]) -> None:
        fitted = surrogate_for(problem(), three)
        outlook = Outlook(problem(), three, fitted)
        given = decided(settings=settings(42.0), binding=("duty step",))
        further = outlook.forecast([settings(52.0)])[0]
        gains = {
            "would bring the expected deviation to": further.deviation_kpa + PSI,
            "would bring nothing to speak of": further.deviation_kpa,
        }
        calm = Outlook(replace(problem(), risk=0.9), three, fitted)
        for said, now in gains.items():
            texts = [each.text for each in would_change(calm, replace(given, deviation_kpa=now), settings(35.0))]
            assert any(said in text for text in texts), texts
        low = Outlook(problem(limit_psi=12.0), three, fitted)  # about what the last pull gave
        texts = [each.text for each in would_change(low, given, settings(35.0))]
        assert any("would not pass the gate" in text for text in texts), texts


class TestEffects:
    def forecast(self, duty: float, risk: float, deviation_psi: float = 1.0) -> Forecast:
        look = looking([])
        plain = Outlook(look.problem, [], look.surrogate).forecast([settings(duty)])[0]
        return replace(plain, risk=risk, deviation_kpa=deviation_psi * PSI)

    @pytest.mark.parametrize(
        ("risks", "said"),
        [
            ((0.001, 0.002, 0.003), ""),
            ((0.001, 0.002, 0.03), "from 40 % up it is over the 1 %"),
            ((0.03, 0.002, 0.001), "up to 20 % it is over the 1 %"),
            ((0.001, 0.03, 0.001), "at 30 % it is over the 1 %"),
            ((0.03, 0.03, 0.03), "all of it is over the 1 %"),
        ],
    )
    def test_which_part_of_the_span_is_closed(self, risks: tuple[float, ...], said: str) -> None:
        judged = [self.forecast(duty, risk) for duty, risk in zip((20.0, 30.0, 40.0), risks, strict=True)]
        text = effects._span_words(problem(), "duty", judged, gated=True)
        assert said in text
        assert ("over the" in text) == bool(said)

    def test_a_span_with_its_least_inside_says_where(self) -> None:
        judged = [self.forecast(duty, 0.001, psi) for duty, psi in ((20.0, 2.0), (30.0, 0.5), (40.0, 1.0))]
        text = effects._span_words(problem(), "duty", judged, gated=True)
        assert "the expected deviation goes from 2.00 psi to 1.00 psi" in text
        assert "least is 0.50 psi at 30 %" in text
        flat = effects._span_words(problem(), "duty", [judged[0], judged[0]], gated=True)
        assert "the expected deviation stays at 2.00 psi" in flat
        assert effects._span_words(problem(), "duty", judged[:1], gated=True) == (
            "It has no other value within one step."
        )

    def test_way_of_boost_follows_the_draws(self, blank: Look) -> None:
        count = blank.surrogate.rpm_.size
        said = {}
        for name, (low, high) in {
            "more": (1.0, 3.0),
            "less": (-3.0, -1.0),
            "open": (-1.0, 3.0),
            "none": (0, 0),
        }.items():
            draws = np.linspace(low, high, 101)[:, None] * PSI * np.ones(count)
            said[name] = effects._curve_words(blank, "duty", 30.0, 40.0, draws)
        # Ends of the 90 % range of an even spread from low to high: 5 and 95 of its hundredths.
        assert "Duty 40 % instead of 30 %: 1.1 to 2.9 psi more boost" in said["more"]
        assert "1.1 to 2.9 psi less boost" in said["less"]
        assert "which way boost goes is not known yet" in said["open"]
        assert said["none"].endswith("no change of boost to speak of is expected anywhere.")


def test_an_aborted_pull_has_no_deviation_to_compare() -> None:
    seen = pull(2, 40.0, last_rpm=5000.0)
    came = outcome(problem(), decided(), seen, 2)
    assert came is not None
    assert "no deviation, the sweep is not complete" in came.text
    whole = outcome(problem(), decided(), pull(2, 40.0), 2)
    assert whole is not None
    assert "deviation 1.20 psi expected" in whole.text


def test_knobs_are_moved_from_what_stands_where_nothing_is_proposed(three: list[Observation]) -> None:
    done = decided(verdict="done", settings=None, best_number=2)
    starts = []
    for best in (2, 3):
        explained = explain_decision(problem(), three, replace(done, best_number=best))
        starts.append(explained.effects[0].start)
    assert starts == [20.0, 35.0]


def test_a_closed_alternative_says_what_more_risk_would_open(three: list[Observation]) -> None:
    outlook = Outlook(problem(), three, surrogate_for(problem(), three))
    closed = Alternative(settings(50.0), 0.6 * PSI, 0.031, "risk gate")
    worse = replace(closed, deviation_kpa=3.0 * PSI)
    for option, said in ((closed, True), (worse, False)):
        codes = [each.code for each in would_change(outlook, decided(alternatives=(option,)), settings(35.0))]
        assert ("risk" in codes) == said
