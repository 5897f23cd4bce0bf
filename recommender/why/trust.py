"""How the predictions turned out, counted; and what the tool made of a miss."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.evidence import Observation
from models.surrogate import BoostSurrogate
from recommender import wording
from recommender.decide import surrogate_for
from recommender.decide.step import Decision, Problem
from recommender.why.explanation import Outcome, Tally
from recommender.why.words import in_unit, listed

#: Share of its points that a 90 % band must hold for a prediction to count as a hit. [-]
HIT_SHARE = 0.8


def outcome(problem: Problem, decision: Decision, pull: Observation, step: int) -> Outcome | None:
    """What came of a prediction; None where the pull has no point in the band's range.

    Args:
        problem: The job.
        decision: The step that proposed the pull.
        pull: The pull, run as proposed.
        step: Number of the step.
    """
    band = decision.band
    seen = pull.curve.at(band.rpm)
    known = np.isfinite(seen) & np.isfinite(band.low_kpa)
    if not known.any():
        return None
    kept = (seen >= band.low_kpa) & (seen <= band.high_kpa)
    inside = float(np.mean(kept[known]))
    hit = inside >= HIT_SHARE and pull.highest_kpa <= decision.peak_high_kpa
    if hit and not pull.complete:
        return None  # aborted: it can miss a prediction, but not bear it out
    deviation = pull.deviation_kpa(problem.target) if pull.complete else float("nan")
    return Outcome(
        pull=pull.number,
        step=step,
        hit=hit,
        inside=inside,
        points=int(known.sum()),
        predicted_peak=float(in_unit(problem, decision.peak_kpa)),
        peak=float(in_unit(problem, pull.highest_kpa)),
        predicted_deviation=float(in_unit(problem, decision.deviation_kpa)),
        deviation=float(in_unit(problem, deviation)),
        rpm=band.rpm,
        mean=in_unit(problem, band.mean_kpa),
        low=in_unit(problem, band.low_kpa),
        high=in_unit(problem, band.high_kpa),
        seen=in_unit(problem, seen),
        text=_words(problem, decision, pull, deviation, inside, hit),
    )


def _words(problem: Problem, decision: Decision, pull: Observation, deviation: float, inside: float, hit: bool) -> str:
    peak = f"highest boost {problem.say(decision.peak_kpa)} expected, {problem.say(pull.highest_kpa)} seen"
    if np.isfinite(deviation):
        off = f"; deviation {problem.say_fine(decision.deviation_kpa)} expected, {problem.say_fine(deviation)} seen"
    else:
        off = "; no deviation, it leaves some of the judged range out"
    held = f"{wording.share(inside)} of its points lay inside the 90 % band"
    if hit:
        return f"Pull {pull.number} came out as predicted: {held}; {peak}{off}."
    why = []
    if inside < HIT_SHARE:
        why.append("the curve left the band")
    if pull.highest_kpa > decision.peak_high_kpa:
        why.append(f"its peak passed the {problem.say(decision.peak_high_kpa)} that 19 of 20 should stay under")
    return f"Pull {pull.number} missed the prediction ({listed(why)}): {held}; {peak}{off}."


def tally(
    problem: Problem, observations: Sequence[Observation], outcomes: Sequence[Outcome], surrogate: BoostSurrogate
) -> Tally:
    """Hits and points counted over the job, in numbers and in words."""
    if not outcomes:
        return Tally(0, 0, float("nan"), ("No prediction has been put to the test yet.",))
    hits = sum(each.hit for each in outcomes)
    points = float(np.mean([each.inside for each in outcomes]))
    texts = [
        f"Over the job {hits} of {len(outcomes)} predictions held (curve and peak); on average {wording.share(points)} "
        "of a curve lay inside its band, which should hold 90 %."
    ]
    missed = [each for each in outcomes if not each.hit]
    if missed or surrogate.widen > 1.0:
        texts.append(_widened(problem, observations, missed, surrogate))
    return Tally(len(outcomes), hits, points, tuple(texts))


def _widened(
    problem: Problem, observations: Sequence[Observation], missed: Sequence[Outcome], now: BoostSurrogate
) -> str:
    """By what the surrogate is widened now, and what it allowed for before the pull that missed."""
    last = missed[-1].pull if missed else 0
    cause = f"After the miss of pull {last}" if missed else "As the latest pulls lay far from what was expected"
    allows = _allows(problem, now)
    then = [pull for pull in observations if not missed or pull.number < last]
    before = _allows(problem, surrogate_for(problem, then)) if missed else ""
    was = f", where before it was {before}" if before and before != allows else ""
    if now.widen > 1.0:
        return (
            f"{cause} predictions are widened: by a factor of {now.widen:.2f} on what the physics misses and of "
            f"{np.sqrt(now.widen):.2f} on the learnt constants. They now allow for {allows}{was}."
        )
    if any(pull.number > last for pull in observations):
        why = "are not widened any more, as the pulls since then came out near what was expected"
    elif missed and missed[-1].inside >= HIT_SHARE:
        why = "are not widened: its curve lay near what was expected"
    else:
        why = "are not widened beyond what is now taken for scatter"
    return f"{cause} predictions {why}. They allow for {allows}{was}."


def _allows(problem: Problem, surrogate: BoostSurrogate) -> str:
    return (
        f"{100 * surrogate.posterior_.repeatability:.1f} % of scatter between equal pulls and "
        f"{problem.say_fine(unmodelled_kpa(surrogate))} for what the physics misses"
    )


def unmodelled_kpa(surrogate: BoostSurrogate) -> float:
    """Standard deviation of what the physics misses, as fitted and widened. [kPa]"""
    highest = float(np.max(surrogate.target.boost_kpa))
    return surrogate.residual * highest * surrogate.posterior_.size * surrogate.widen
