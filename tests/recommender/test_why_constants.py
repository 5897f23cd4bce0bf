"""What was learnt, in words, from draws made by hand: every range is known beforehand, and each sentence follows it.

Draws are spread evenly from one end to the other, so that their 90 % range leaves out a twentieth of it at each end.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from models.settings import Knob, Settings
from models.units import FloatArray
from recommender.why import constants as learnt
from recommender.why.look import Look
from tests.recommender.why_cars import PSI, TARGET, problem, pull

RPM = TARGET.grid()
Boost = Callable[[Settings], FloatArray]


def even(low: float, high: float) -> FloatArray:
    return np.linspace(low, high, 101)


def flat(low_psi: float, high_psi: float) -> Boost:
    """The same at every rpm and for all settings."""
    return lambda _: even(low_psi, high_psi)[:, None] * PSI + 0.0 * RPM


class Draws:
    """As much of a fitted surrogate as the sentences take: curves by settings, and draws of constants."""

    def __init__(self, boost: Boost, *, size: float = 1.0, repeatability: float = 0.01, **changed: FloatArray) -> None:
        known = {
            "dead_low": even(8.0, 12.0),
            "full_at": even(80.0, 90.0),
            "log_ring_from": np.log(even(0.5, 0.6)),
            "log_pull_together": np.log(even(0.9, 1.1)),
            "ceiling": even(20.0, 22.0),
            **changed,
        }
        ceiling = np.log(known.pop("ceiling") * PSI)[:, None] + 0.0 * RPM
        parts = SimpleNamespace(constants=known, log_ceiling=ceiling)
        self.posterior_ = SimpleNamespace(parts=parts, repeatability=repeatability, size=size)
        self.boost, self.rpm_, self.target = boost, RPM, TARGET
        self.gate_ = SimpleNamespace(full_gain=10.0)
        self.residual, self.widen = 0.02, 1.0

    def expected(self, rows: FloatArray) -> tuple[FloatArray, None]:
        return np.stack([self.boost(Settings(*row)) for row in rows], axis=1), None


#: Before the first pull: everything is wide open.
PRIOR = Draws(
    flat(0.0, 40.0),
    size=1.0,
    dead_low=even(0.0, 100.0),
    full_at=even(0.0, 100.0),
    ceiling=even(1.0, 80.0),
    log_ring_from=np.log(even(0.01, 9.0)),
    log_pull_together=even(-9.0, 9.0),
)


@pytest.fixture(autouse=True)
def _plain_differences(monkeypatch: pytest.MonkeyPatch) -> None:
    def draws(surrogate: Draws, before: FloatArray, after: FloatArray) -> FloatArray:
        return np.stack([surrogate.boost(Settings(*row)) - surrogate.boost(Settings(*before)) for row in after], axis=1)

    monkeypatch.setattr(learnt, "effect_draws", draws)


def said(code: str, draws: Draws, *, prior: Any = PRIOR, least_duty: float = 0.0, **base: float) -> str:
    """The sentence of a constant."""
    job = problem()
    duty = replace(job.knobs["duty"], lower=least_duty)
    knobs: Mapping[str, Knob] = {**job.knobs, "duty": duty, "gain": Knob("gain", 0.0, 10.0, 1.0, 3.0)}
    run = Settings(**{**Settings(40.0, 4800.0, 6700.0, 0.0, 8.0 * PSI, 3.0).as_dict(), **base})
    look = Look(replace(job, knobs=knobs), draws, prior, run)  # type: ignore[arg-type]
    found = {each.code: each.text for each in learnt.constants(look, [pull(1, 0.0)])}
    return found[code]


def worth(low_psi: float, high_psi: float) -> Draws:
    """A car on which ten points of duty are worth so much everywhere."""
    return Draws(lambda run: even(low_psi, high_psi)[:, None] * PSI * run.duty / 10.0 + 0.0 * RPM)


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (1.0, 3.0, "From 40 %, each 10 points of duty is worth 1.1 to 2.9 psi at 5300 rpm, and 1.1 to 2.9 psi at"),
        (-1.0, 3.0, "From 40 %, each 10 points of duty may be worth −0.8 to 2.8 psi at 5300 rpm, and −0.8 to 2.8"),
        (0.0, 10.0, "What duty is worth from 40 % is not known yet; a pull with other duty tells."),
    ],
)
def test_duty(low: float, high: float, text: str) -> None:
    assert said("duty worth", worth(low, high)).startswith(text)


def test_duty_near_its_end_is_counted_back_from_there() -> None:
    assert said("duty worth", worth(1.0, 3.0), duty=88.0).startswith("From 80 %, each 10 points of duty is worth")


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (8.0, 10.0, "The spring alone gives 8.1 to 9.9 psi at 5300 rpm and 8.1 to 9.9 psi at 6700 rpm."),
        (6.0, 16.0, "What the spring alone gives is not known yet; a pull with every knob idle tells."),
    ],
)
def test_spring(low: float, high: float, text: str) -> None:
    assert said("floor", Draws(flat(low, high))) == text


def test_what_dials_give_that_cannot_be_idle_is_not_called_the_springs() -> None:
    mildest = "As mild as these dials go, with duty 30 %, boost is 8.1 to 9.9 psi at 5300 rpm and 8.1 to 9.9 psi at"
    assert said("floor", Draws(flat(8.0, 10.0)), least_duty=30.0).startswith(mildest)
    assert said("floor", Draws(flat(6.0, 16.0)), least_duty=30.0) == (
        "What boost is as mild as these dials go, with duty 30 %, is not known yet; the baseline tells."
    )


@pytest.mark.parametrize(
    ("begins", "ends", "text"),
    [
        ((0.0, 20.0), (70.0, 110.0), "Duty begins to act at 1 to 19 %, and more of it adds nothing from 72 to 100 %."),
        ((5.0, 5.0), (80.0, 90.0), "Duty begins to act at 5 %, and more of it adds nothing from 80 to 90 %."),
        ((0.0, 90.0), (80.0, 90.0), "Where duty begins to act is not known yet; pulls with different duty tell."),
    ],
)
def test_dead_band(begins: tuple[float, float], ends: tuple[float, float], text: str) -> None:
    assert said("dead band", Draws(flat(8.0, 10.0), dead_low=even(*begins), full_at=even(*ends))) == text


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (17.0, 19.0, "With the gate held shut the turbo could give 17.1 to 18.9 psi at 6700 rpm, where 16.0 psi is "
         "wanted."),
        (14.6, 16.6, "With the gate held shut the turbo could give 14.7 to 16.5 psi at 6700 rpm, where 16.0 psi is "
         "wanted. At 3900 rpm it falls short of the target with a probability of 50 %."),
        (16.0, 36.0, "What the turbo could give at 6700 rpm with the gate held shut is not known yet; a pull that "
         "reaches the target there tells whether it is enough."),
    ],
)  # fmt: skip
def test_ceiling(low: float, high: float, text: str) -> None:
    # 14.6 to 16.6 psi: half of the draws lie under 15.6 psi, which is the target less the tolerance of 0.4 psi.
    assert said("ceiling", Draws(flat(8.0, 10.0), ceiling=even(low, high))) == text


def arriving(rpm: FloatArray, top_psi: float | FloatArray = 16.0) -> FloatArray:
    """Curves that pass 14.4 psi, nine tenths of the target, at so many rpm, and level out."""
    top = np.broadcast_to(np.asarray(top_psi, dtype=float), rpm.shape)
    return np.minimum(14.4 + 0.01 * (RPM - rpm[:, None]), top[:, None]) * PSI


@pytest.mark.parametrize(
    ("rpm", "reaches", "text"),
    [
        ((4000.0, 4400.0), 101, "Boost reaches 14.4 psi, nine tenths of the target, at 4020 to 4380 rpm."),
        ((4000.0, 4400.0), 61, "Boost reaches 14.4 psi, nine tenths of the target, at 40.. to 4... rpm, if at all "
         r"\(probability 60 %\)."),
        ((4000.0, 4400.0), 10, "Boost does not reach 14.4 psi, nine tenths of the target, with these settings; the "
         "probability that it does is 9.9 %."),
        ((3000.0, 6500.0), 101, "From where boost reaches 14.4 psi, nine tenths of the target, is not known yet; the "
         "next pull tells."),
    ],
)  # fmt: skip
def test_spool(rpm: tuple[float, float], reaches: int, text: str) -> None:
    top = np.where(np.arange(101) < reaches, 16.0, 12.0)
    assert re.fullmatch(text, said("spool", Draws(lambda _: arriving(even(*rpm), top))))


@pytest.mark.parametrize(
    ("sooner", "more", "text"),
    [
        ((100.0, 300.0), (1.0, 3.0), "boost comes 110 to 290 rpm sooner, and the highest boost changes by +1.1 to "
         "+2.9 psi."),
        ((100.0, 300.0), (1.5, 1.5), "boost comes 110 to 290 rpm sooner, and the highest boost changes by +1.5 psi."),
        ((-100.0, 300.0), (-3.0, -1.0), "boost comes between 80 rpm later and 280 rpm sooner, and the highest boost "
         "changes by −2.9 to −1.1 psi."),
        ((-300.0, 600.0), (-6.0, 6.0), "whether boost comes sooner is not known yet, a pull with one of them and the "
         "same duty tells, and the highest boost may change either way."),
        ((-1000.0, 1500.0), (1.0, 2.0), "what it does to when boost comes is not known yet; a pull with more "
         "engagement tells."),
    ],
)  # fmt: skip
def test_engagement(sooner: tuple[float, float], more: tuple[float, float], text: str) -> None:
    def boost(run: Settings) -> FloatArray:
        if run.engagement == 0.0:
            return arriving(np.full(101, 5000.0), 24.0)
        return arriving(5000.0 - even(*sooner), 24.0 + even(*more))

    # The line without engagement ends at 14.4 + 20 psi, over its level of 24 psi: what changes is the level alone.
    assert said("engagement", Draws(boost)) == f"Engagement 8 psi instead of 0 psi: {text}"


@pytest.mark.parametrize(
    ("pull_together", "ring", "text"),
    [
        # Gain 3 of 10 with a law of strength 1: a loop of 0.3, which takes away 0.3 of 1.3.
        ((0.0, 0.0), (0.5, 0.7), "Gain 3 takes away 23 % of what boost is off by; ringing is to be expected from a "
         "gain of 5.1 to 6.9."),
        ((0.0, 0.0), (0.5, 2.1), "Gain 3 takes away 23 % of what boost is off by; ringing is to be expected from a "
         "gain of 5.8 to beyond its end at 10."),
        ((-1.0, 1.0), (0.01, 2.0), "Gain 3 takes away 11 to 42 % of what boost is off by; from where it rings is not "
         "known yet: raise it in small steps."),
        ((-5.0, 5.0), (0.5, 0.6), "What gain 3 does is not known yet; a pull with gain raised by itself tells."),
    ],
)  # fmt: skip
def test_gain(pull_together: tuple[float, float], ring: tuple[float, float], text: str) -> None:
    draws = Draws(flat(8.0, 10.0), log_pull_together=even(*pull_together), log_ring_from=np.log(even(*ring)))
    assert said("gain", draws) == text


def test_gain_that_rings_nowhere_on_the_dial_is_not_said_to_ring_past_its_end() -> None:
    draws = Draws(flat(8.0, 10.0), log_pull_together=even(0.0, 0.0), log_ring_from=np.log(even(1.1, 2.1)))
    text = "Gain 3 takes away 23 % of what boost is off by; it is not expected to ring on this dial."
    assert said("gain", draws) == text


def test_gain_counts_as_the_fit_counts_it_where_more_was_run_before_the_dial_was_narrowed() -> None:
    """Gain 12 was run on what ends at 10 now: 3 of 12 is a loop of 0.25, which takes away a fifth; 23 % were said."""
    draws = Draws(flat(8.0, 10.0), log_pull_together=even(0.0, 0.0), log_ring_from=np.log(even(0.5, 0.7)))
    draws.gate_.full_gain = 12.0
    text = "Gain 3 takes away 20 % of what boost is off by; ringing is to be expected from a gain of 6.1 to 8.3."
    assert said("gain", draws) == text


def test_scatter_of_equal_pulls_is_the_fits_own() -> None:
    for share, text in ((0.01, "about 1.0 % of boost, 0.16 psi at 16.0 psi"), (0.025, "2.5 % of boost, 0.40 psi at")):
        sentence = said("repeatability", Draws(flat(8.0, 10.0), repeatability=share))
        assert sentence.startswith("The same settings run again differ by about ")
        assert text in sentence
        assert sentence.endswith(
            "(one standard deviation). No two pulls were run alike yet, so this rests on the scatter of the fit."
        )


@pytest.mark.parametrize(
    ("size", "how"),
    [
        (1.0, "0.32 psi (one standard deviation), as before the first pull."),
        (2.0, "0.64 psi (one standard deviation), wider than the 0.32 psi before the first pull."),
        (0.5, "0.16 psi (one standard deviation), narrower than the 0.32 psi before the first pull."),
    ],
)
def test_what_the_physics_misses(size: float, how: str) -> None:
    # A residual of 2 % of 16 psi before the first pull.
    assert said("rest", Draws(flat(8.0, 10.0), size=size)) == f"What the physics misses is allowed for with {how}"


def test_what_the_pulls_have_not_narrowed_is_assumed() -> None:
    wide, assumed = Draws(flat(8.0, 10.0)), " Assumed so far: the pulls have not narrowed it yet."
    assert said("floor", wide, prior=wide).endswith(assumed)
    for told in (flat(8.5, 9.5), flat(10.0, 12.0)):  # narrower, or moved
        assert not said("floor", Draws(told), prior=wide).endswith(assumed)


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (1.0, 3.0, "Towards the top, boost falls off by 1.1 to 2.9 psi against the target."),
        (-3.0, -1.0, "Towards the top, boost creeps up by 1.1 to 2.9 psi against the target."),
        (-1.0, 3.0, "Towards the top, boost creeps up by 0.8 psi at most or falls off by 2.8 psi at most against the "
         "target."),
        (-6.0, 6.0, "Whether boost falls off or creeps up towards the top is not known yet; a pull up to there tells."),
    ],
)  # fmt: skip
def test_droop(low: float, high: float, text: str) -> None:
    def boost(_: Settings) -> FloatArray:
        return (
            16.0 - even(low, high)[:, None] * (RPM > 6000.0)
        ) * PSI  # all of the last tenth, nothing of the first half

    assert said("droop", Draws(boost)) == text
