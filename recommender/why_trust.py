"""How the predictions turned out, counted; and what the tool made of a miss."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.curve import deviation_kpa
from models.evidence import Observation
from models.surrogate import BoostSurrogate
from models.units import FloatArray
from recommender.decide import surrogate_for
from recommender.explanation import Outcome, Tally
from recommender.step import Decision, Problem
from recommender.why_words import in_unit, listed

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
    seen = _on(pull, band.rpm)
    known = np.isfinite(seen) & np.isfinite(band.low_kpa)
    if not known.any():
        return None
    kept = (seen >= band.low_kpa) & (seen <= band.high_kpa)
    inside = float(np.mean(kept[known]))
    hit = inside >= HIT_SHARE and pull.highest_kpa <= decision.peak_high_kpa
    deviation = deviation_kpa(pull.curve, problem.target) if pull.complete else float("nan")
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


def _on(pull: Observation, rpm: FloatArray) -> FloatArray:
    """Boost of a pull on another grid, NaN where it did not reach. [kPa gauge]"""
    known = pull.curve.reached
    if known.sum() < 2:
        return np.full(rpm.shape, np.nan)
    boost = np.interp(rpm, pull.curve.rpm[known], pull.curve.boost_kpa[known], left=np.nan, right=np.nan)
    return np.asarray(boost, dtype=float)


def _words(problem: Problem, decision: Decision, pull: Observation, deviation: float, inside: float, hit: bool) -> str:
    peak = f"highest boost {problem.say(decision.peak_kpa)} expected, {problem.say(pull.highest_kpa)} seen"
    if np.isfinite(deviation):
        off = f"; deviation {problem.say_fine(decision.deviation_kpa)} expected, {problem.say_fine(deviation)} seen"
    else:
        off = "; no deviation, the sweep is not complete"
    held = f"{100 * inside:.0f} % of its points lay inside the 90 % band"
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
    total = sum(each.points for each in outcomes)
    points = sum(each.inside * each.points for each in outcomes) / total
    texts = [
        f"Over the job {hits} of {len(outcomes)} predictions held (curve and peak), and {100 * points:.0f} % of all "
        "points lay inside the band that should hold 90 %."
    ]
    missed = [each for each in outcomes if not each.hit]
    if missed:
        texts.append(_widened(problem, observations, missed[-1].pull, surrogate))
    return Tally(len(outcomes), hits, points, tuple(texts))


def _widened(problem: Problem, observations: Sequence[Observation], missed: int, now: BoostSurrogate) -> str:
    """What the fit allows for now and what it allowed for before the pull that missed."""
    then = surrogate_for(problem, [pull for pull in observations if pull.number < missed])
    grew = now.posterior_.repeatability > then.posterior_.repeatability or now.posterior_.size > then.posterior_.size
    was, is_now = _allows(problem, then), _allows(problem, now)
    if grew:
        return f"After the miss of pull {missed} the tool has widened: {is_now}, where before it was {was}."
    kept = f"as before, {is_now}" if is_now == was else f"{is_now}, where before it was {was}"
    return (
        f"After the miss of pull {missed} the learnt constants explain it, and the tool has not widened what it allows "
        f"for: {kept}."
    )


def _allows(problem: Problem, surrogate: BoostSurrogate) -> str:
    p = surrogate.posterior_
    rest = surrogate.residual * float(np.max(problem.target.boost_kpa)) * p.size
    return (
        f"{100 * p.repeatability:.1f} % of scatter between equal pulls and {problem.say_fine(rest)} for what the "
        "physics misses"
    )
