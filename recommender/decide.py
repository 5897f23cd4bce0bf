"""The decision: from the pulls so far to the next settings, or to the verdict that ends the job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special
from threadpoolctl import threadpool_limits

from models.curve import deviation_kpa
from models.evidence import Observation
from models.settings import KNOB_NAMES, Settings
from models.surrogate import BoostSurrogate
from models.units import FloatArray
from recommender import reasons
from recommender.allowed import Offender, forbidden, idle, idle_like, most_duty, offenders, spans
from recommender.outlook import Forecast, Outlook
from recommender.search import IntArray, minimise
from recommender.step import Alternative, Decision, Problem, same

#: Expected improvement of deviation, over the tolerance, that is worth another pull.
WORTH = 0.12
#: Expected improvement, over the tolerance, that needs no look at what is possible in the end.
CLEAR = 1.0
#: What the best car among the draws may still promise, over the tolerance, when the job is ended without the target.
SETTLED = 0.5
#: Deviation of the best pull, over the tolerance, from which gain may be raised.
GAIN_FROM = 4.0
#: Spread of a step's deviation that the sketch cannot see, over the tolerance.
UNSEEN = 0.25
#: Deviation that a changed knob must bring, so that nothing is turned for nothing. [share of tolerance]
EFFORT = 0.01
#: Chance of reaching the target under which it is called out of reach.
HOPELESS = 0.10
#: Deviation, over the tolerance, up to which a job that can be improved no more ends as done.
CLOSE = 1.12
#: The same for a job that has stalled although the target is thought possible.
FAIR = 1.6
#: Widening up to which the surrogate is trusted to say that nothing more is possible.
CALM = 1.3
#: Pulls without improvement after which a job is ended.
PATIENCE = 3
#: Distance of a pull from its prediction, in standard deviations, up to which nothing is widened; and widest factor.
MISS = 1.5
WIDEST = 2.5
#: Settings judged with all draws.
FINALISTS = 8
#: Shorter strides towards the best, for when the gate holds the whole stride back.
STRIDES = (0.2, 0.5)
#: Halvings of the way to the best that look for the longest stride the gate allows.
HALVINGS = 5


@dataclass(frozen=True)
class Review:
    """The pulls so far, as the verdict needs them.

    Attributes:
        best: The trusted pull with least deviation that kept the limit; None before there is one.
        best_kpa: Its deviation. [kPa]
        bad: What must not be repeated.
        duty_up_to: Highest duty, ramp included, that the next step may ask for anywhere. [%]
    """

    best: Observation | None
    best_kpa: float
    bad: tuple[Offender, ...]
    duty_up_to: float


def review(problem: Problem, observations: Sequence[Observation]) -> Review:
    """Best pull and offenders."""
    rows = [
        (deviation_kpa(pull.curve, problem.target), -i, pull)
        for i, pull in enumerate(observations)
        if pull.trusted and pull.complete and pull.highest_kpa <= problem.limit_kpa
    ]
    rows = [row for row in rows if np.isfinite(row[0])]
    bad = tuple(offenders(problem, observations))
    if not rows:
        return Review(None, float("inf"), bad, most_duty(problem, observations))
    least, _, pull = min(rows, key=lambda row: row[:2])
    return Review(pull, least, bad, most_duty(problem, observations))


def surrogate_for(problem: Problem, observations: Sequence[Observation]) -> BoostSurrogate:
    """The surrogate fitted to all trusted pulls, widened where its last predictions missed."""
    seed = problem.seed * 1009 + len(observations)
    widen = widening(problem, observations)
    return BoostSurrogate(problem.target, problem.knobs, seed=seed, widen=widen).fit_pulls(observations)


def widening(problem: Problem, observations: Sequence[Observation]) -> float:
    """Factor by which the surrogate is widened: how far the latest two pulls lay from what was expected of them.

    Each is judged by a fit to the pulls before it. The latest counts in full, the one before it half.
    """
    factor = 1.0
    for back, weight in ((1, 1.0), (2, 0.5)):
        before = observations[: len(observations) - back]
        pull = observations[len(observations) - back] if len(observations) >= back else None
        if pull is None or not pull.trusted or sum(other.trusted for other in before) < 1:
            continue
        seed = problem.seed * 1009 + len(before)
        fitted = BoostSurrogate(problem.target, problem.knobs, seed=seed, draws=192, points=24).fit_pulls(before)
        miss = float(np.sqrt(fitted.surprise_of(pull)))
        factor = max(factor, 1.0 + weight * (min(miss / MISS, WIDEST) - 1.0))
    return factor


def decide(problem: Problem, observations: Sequence[Observation]) -> Decision:
    """The next step. The same arguments give the same answer, bit for bit.

    Args:
        problem: The job.
        observations: Pulls that were run, in the order in which they were run.
    Returns:
        Verdict, settings, risk, band and reasons.
    """
    # One thread for linear algebra: small matrices gain nothing from more, and the sums keep their order.
    with threadpool_limits(limits=1, user_api="blas"):
        return decide_with(problem, observations, surrogate_for(problem, observations))


def decide_with(problem: Problem, observations: Sequence[Observation], surrogate: BoostSurrogate) -> Decision:
    """As ``decide``, with a surrogate that was fitted before."""
    outlook = Outlook(problem, observations, surrogate)
    if not observations:
        return _say(outlook, "pull", outlook.forecast([idle(problem)])[0], reasons.for_baseline(problem))
    seen = review(problem, observations)
    last = observations[-1]
    stop = _must_stop(problem, observations, seen)
    if stop is not None:
        cause, why = stop
        return _say(outlook, "stop", outlook.forecast([last.settings])[0], why, cause=cause, review=seen)
    over = floor_above(problem, observations)
    if over is not None:
        pull, from_rpm = over
        could = deviation_kpa(pull.curve, problem.target)
        why = reasons.for_out_of_reach(problem, pull, could, could, "floor above target", from_rpm)
        standing = outlook.forecast([pull.settings])[0]
        return _say(
            outlook,
            "out of reach",
            standing,
            why,
            review=seen,
            cause="floor above target",
            cause_rpm=from_rpm,
            best=could,
        )
    if not last.trusted or (not last.complete and idle_like(problem, last.settings)):
        again = outlook.forecast([_on_grid(outlook, last.settings)])[0]
        if again.risk <= problem.risk and not _blocked(outlook, seen, again):
            return _say(outlook, "repeat", again, reasons.for_repeat(problem, last), review=seen)
    return _search(outlook, observations, seen)


def _on_grid(outlook: Outlook, settings: Settings) -> Settings:
    return Settings.from_array(outlook.values(outlook.positions(settings)[None])[0])


def _blocked(outlook: Outlook, seen: Review, forecast: Forecast) -> bool:
    return bool(forbidden(outlook.problem, forecast.settings.as_array()[None], seen.bad, seen.duty_up_to)[0])


def _must_stop(
    problem: Problem, observations: Sequence[Observation], seen: Review
) -> tuple[str, tuple[reasons.Reason, ...]] | None:
    """Cause and reasons to stop, before anything is searched; None to go on."""
    last = observations[-1]
    over = [offender for offender in seen.bad if offender.why == "limit passed"]
    if over and last.highest_kpa > problem.limit_kpa:
        if idle_like(problem, last.settings):
            return "spring alone passes the limit", reasons.for_limit_on_spring(problem, last)
        if len(observations) > 1 and observations[-2].highest_kpa > problem.limit_kpa:
            return "limit passed twice", reasons.for_limit_twice(problem, observations[-2:])
    return None


def floor_above(problem: Problem, observations: Sequence[Observation]) -> tuple[Observation, float] | None:
    """The pull on the spring alone, where it stands above the target over most of the judged range; and from which rpm.

    Above means by more than the tolerance on the whole, so that no setting can bring boost down to the target.
    """
    for pull in reversed(observations):
        if not pull.trusted or not pull.complete or not idle_like(problem, pull.settings):
            continue
        judged = problem.target.judged(pull.curve.rpm) & pull.curve.reached
        error = (pull.curve.boost_kpa - problem.target.at(pull.curve.rpm))[judged]
        above = error > problem.tolerance_kpa
        if (
            error.size
            and np.mean(above) > 0.5
            and float(np.sqrt(np.mean(np.maximum(error, 0.0) ** 2))) > (1.1 * problem.tolerance_kpa)
        ):
            return pull, float(pull.curve.rpm[judged][int(np.argmax(above))])
        return None
    return None


# -------------------------------------------------------------------- search


def _search(outlook: Outlook, observations: Sequence[Observation], seen: Review) -> Decision:
    problem, last = outlook.problem, observations[-1]
    allowed = _gain_last(problem, spans(problem, last.settings), last.settings, seen)
    found = minimise(
        lambda points: _merit(outlook, points, last.settings, seen),
        allowed,
        seed=problem.seed + len(observations),
        starts=_starts(outlook, observations, seen),
        population=40,
        rounds=24,
    )
    finalists = _finalists(outlook, found.seen, last.settings, allowed)
    forecasts = outlook.forecast(finalists)
    open_to = [f for f in forecasts if f.risk <= problem.risk and not _blocked(outlook, seen, f)]
    stride = _longest_stride(outlook, found.best, last.settings, allowed, seen)
    forecasts += stride
    open_to += [f for f in stride if f.risk <= problem.risk]
    if not open_to:
        open_to, forecasts = _retreat(outlook, allowed, seen)
    if not open_to:
        least = min(forecasts, key=lambda f: f.risk)
        why = reasons.for_nothing_safe(problem, last, least)
        return _say(outlook, "stop", least, why, cause="nothing allowed is safe", review=seen)
    chosen = min(open_to, key=lambda f: _score(problem, f, last.settings, seen))
    return _verdict(outlook, observations, seen, chosen, forecasts, allowed)


def _gain_last(problem: Problem, allowed: list[tuple[int, int]], last: Settings, seen: Review) -> list[tuple[int, int]]:
    """Gain is not raised before boost is within reach of the target without it.

    Common practice, and for a reason: many feedback laws wake up only near the target, so that far from it gain
    teaches nothing about itself and hides what duty does.
    """
    low, high = allowed[5]
    if seen.best_kpa <= GAIN_FROM * problem.tolerance_kpa:
        return allowed
    stay = int(problem.knobs["gain"].index(last.gain))
    return [*allowed[:5], (low, max(low, min(stay, high)))]


def _starts(outlook: Outlook, observations: Sequence[Observation], seen: Review) -> IntArray:
    last = outlook.positions(observations[-1].settings)
    rows = [last]
    if seen.best is not None:
        rows.append(outlook.positions(seen.best.settings))
    for share in (-1.0, -0.5, 0.25, 0.5, 0.75, 1.0):
        row = last.copy()
        row[0] = int(outlook.knobs[0].index(observations[-1].settings.duty + share * outlook.knobs[0].step))
        rows.append(row)
    return np.array(rows)


def _merit(outlook: Outlook, points: IntArray, last: Settings, seen: Review) -> tuple[FloatArray, FloatArray]:
    """Objective and violation of grid points, from the sketch."""
    settings = outlook.values(points)
    deviations, highest = outlook.sketch(settings)
    effort = _effort(outlook.problem, settings, last)
    spread = np.hypot(deviations.std(axis=0), UNSEEN * outlook.problem.tolerance_kpa)
    objective = effort - expected_improvement(deviations.mean(axis=0), spread, _bar(outlook.problem, seen))
    violation = np.maximum(-outlook.headroom(highest) / outlook.problem.limit_kpa, 0.0)
    return objective, violation + forbidden(outlook.problem, settings, seen.bad, seen.duty_up_to)


def _effort(problem: Problem, settings: FloatArray, last: Settings) -> FloatArray:
    """Small price of every knob that is turned, and of how far. Shape (S,), [kPa]"""
    steps = np.array([max(problem.knobs[name].step, 1e-9) for name in KNOB_NAMES])
    moved = np.abs(settings - last.as_array()) / steps
    return np.asarray(EFFORT * problem.tolerance_kpa * ((moved > 1e-6).sum(axis=1) + moved.sum(axis=1)))


def expected_improvement(mean: npt.ArrayLike, deviation: npt.ArrayLike, bar: float) -> FloatArray:
    """Expected amount by which a normal value falls under ``bar``. Same unit as the arguments, broadcast shape.

    D. R. Jones, M. Schonlau, W. J. Welch, "Efficient global optimization of expensive black-box functions" (1998),
    eq. 15, for a minimum.
    """
    spread = np.maximum(np.asarray(deviation, dtype=float), 1e-12)
    gap = bar - np.asarray(mean, dtype=float)
    z = gap / spread
    return np.asarray(gap * special.ndtr(z) + spread * np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi))


def _bar(problem: Problem, seen: Review) -> float:
    """Deviation to be improved on: that of the best pull, or one that everything beats."""
    return seen.best_kpa if np.isfinite(seen.best_kpa) else float(2.0 * np.max(problem.target.boost_kpa))


def _improvement(problem: Problem, forecast: Forecast, seen: Review) -> float:
    """Expected improvement of a forecast over the best pull. [kPa]"""
    return float(np.maximum(_bar(problem, seen) - forecast.deviations, 0.0).mean())


def _score(problem: Problem, forecast: Forecast, last: Settings, seen: Review) -> float:
    effort = float(_effort(problem, forecast.settings.as_array()[None], last)[0])
    return effort - _improvement(problem, forecast, seen)


def _longest_stride(
    outlook: Outlook, goal: IntArray, last: Settings, allowed: Sequence[tuple[int, int]], seen: Review
) -> list[Forecast]:
    """Settings on the straight way from the last pull to the goal, as far along as the gate allows, by halving."""
    low, high = np.array(allowed).T
    start = np.clip(outlook.positions(last), low, high)
    tried: dict[bytes, Forecast] = {}
    near, far, share = 0.0, 1.0, 1.0
    for _ in range(HALVINGS):
        row = np.clip(np.rint(start + share * (goal - start)).astype(np.int64), low, high)
        if row.tobytes() not in tried:
            tried[row.tobytes()] = outlook.forecast([Settings.from_array(outlook.values(row[None])[0])])[0]
        forecast = tried[row.tobytes()]
        if forecast.risk <= outlook.problem.risk and not _blocked(outlook, seen, forecast):
            near = share
        else:
            far = share
        if near >= far:
            break
        share = 0.5 * (near + far)
    return [f for f in tried.values() if not _blocked(outlook, seen, f)]


def _finalists(
    outlook: Outlook, ranked: IntArray, last: Settings, allowed: Sequence[tuple[int, int]]
) -> list[Settings]:
    """The best of the sketch, and the way to them from the last pull in smaller strides."""
    low, high = np.array(allowed).T
    start = np.clip(outlook.positions(last), low, high)
    rows = list(ranked[:FINALISTS])
    rows += [np.rint(start + share * (ranked[0] - start)).astype(np.int64) for share in STRIDES]
    unique = np.unique(np.clip(np.array(rows), low, high), axis=0)
    return [Settings.from_array(row) for row in outlook.values(unique)]


def _retreat(
    outlook: Outlook, allowed: Sequence[tuple[int, int]], seen: Review
) -> tuple[list[Forecast], list[Forecast]]:
    """The mildest settings that can be reached: those that pass the gate, and all that were judged."""
    corner = np.array([low for low, _ in allowed])
    rows = []
    for share in (0.0, 0.25, 0.5, 0.75):
        row = corner.copy()
        for i in (0, 3, 4, 5):
            row[i] = int(np.floor(allowed[i][0] + share * (allowed[i][1] - allowed[i][0])))
        row[2] = allowed[2][1]
        rows.append(row)
    judged = outlook.forecast([Settings.from_array(v) for v in outlook.values(np.array(rows))])
    ok = [f for f in judged if f.risk <= outlook.problem.risk and not _blocked(outlook, seen, f)]
    return ok, judged


# -------------------------------------------------------------------- verdict


@dataclass(frozen=True)
class Prospect:
    """What the car could do with any settings at all, caps aside.

    Attributes:
        best_kpa: Expected deviation of the best settings, if each draw's car were known. [kPa]
        chance: Probability that some settings reach the tolerance.
        forecast: The settings that are best on the whole.
    """

    best_kpa: float
    chance: float
    forecast: Forecast


def prospect(outlook: Outlook, observations: Sequence[Observation], seen: Review) -> Prospect:
    """Search without caps, under the limit."""
    problem = outlook.problem

    def merit(points: IntArray) -> tuple[FloatArray, FloatArray]:
        values = outlook.values(points)
        deviations, highest = outlook.sketch(values)
        violation = np.maximum(highest.mean(axis=0) / problem.limit_kpa - 1.0, 0.0)
        return deviations.mean(axis=0), violation + (values[:, 1] >= values[:, 2])

    found = minimise(
        merit,
        spans(problem, None),
        seed=problem.seed + 17 + len(observations),
        starts=_starts(outlook, observations, seen),
        population=40,
        rounds=24,
    )
    points = found.seen[:160]
    deviations, highest = outlook.sketch(outlook.values(points))
    deviations = np.where(highest > problem.limit_kpa, np.inf, deviations)
    least = np.minimum(deviations.min(axis=1), 50.0)
    forecast = outlook.forecast([Settings.from_array(outlook.values(found.best[None])[0])])[0]
    return Prospect(float(least.mean()), float(np.mean(least <= 1.1 * problem.tolerance_kpa)), forecast)


def _verdict(
    outlook: Outlook,
    observations: Sequence[Observation],
    seen: Review,
    chosen: Forecast,
    forecasts: Sequence[Forecast],
    allowed: Sequence[tuple[int, int]],
) -> Decision:
    problem = outlook.problem
    last = observations[-1].settings
    binding = _binding(outlook, allowed, chosen, forecasts)
    others = _alternatives(problem, forecasts, chosen, seen, outlook)
    if seen.best is not None and seen.best_kpa <= problem.tolerance_kpa:
        standing = outlook.forecast([seen.best.settings])[0]
        why = reasons.for_done(problem, seen.best, seen.best_kpa)
        return _say(outlook, "done", standing, why, review=seen, alternatives=others, best=seen.best_kpa)
    gain = _improvement(problem, chosen, seen)
    if gain > CLEAR * problem.tolerance_kpa and len(observations) % 3:
        # A clear step forward: what is possible in the end is looked at every third pull, not between them.
        why = reasons.for_pull(outlook, observations, seen.bad, chosen, binding, float("nan"), 1.0)
        return _say(outlook, "pull", chosen, why, review=seen, binding=binding, alternatives=others)
    could = prospect(outlook, observations, seen)
    # A best thought possible that is worse than a pull already run tells of a search cut short, not of the car.
    near = abs(seen.best_kpa - could.best_kpa) < SETTLED * problem.tolerance_kpa
    calm = outlook.surrogate.widen <= CALM
    settled = gain < WORTH * problem.tolerance_kpa and near and calm
    settled = settled and (could.chance <= HOPELESS or _close(problem, seen))
    stalled = _stalled(problem, observations)
    if seen.best is not None and (settled or stalled):
        standing = outlook.forecast([seen.best.settings])[0]
        fair = _close(problem, seen) or (
            stalled and could.chance > 0.5 and seen.best_kpa <= FAIR * problem.tolerance_kpa
        )
        if not fair:
            cause, cause_rpm = reasons.hardware(outlook, could.forecast)
            why = reasons.for_out_of_reach(problem, seen.best, seen.best_kpa, could.best_kpa, cause, cause_rpm)
            return _say(
                outlook,
                "out of reach",
                standing,
                why,
                review=seen,
                alternatives=others,
                cause=cause,
                cause_rpm=cause_rpm,
                best=could.best_kpa,
            )
        why = reasons.for_good_enough(problem, seen.best, seen.best_kpa, could.best_kpa)
        return _say(outlook, "done", standing, why, review=seen, alternatives=others, best=could.best_kpa)
    why = reasons.for_pull(outlook, observations, seen.bad, chosen, binding, could.best_kpa, could.chance)
    verdict: reasons.Verdict = "repeat" if same(chosen.settings, last) else "pull"
    return _say(outlook, verdict, chosen, why, review=seen, binding=binding, alternatives=others, best=could.best_kpa)


def _close(problem: Problem, seen: Review) -> bool:
    """Whether the best pull is as good as there, so that the job may end well without the last tenth."""
    return seen.best_kpa <= CLOSE * problem.tolerance_kpa


def _stalled(problem: Problem, observations: Sequence[Observation]) -> bool:
    """Whether the latest pulls brought the best one down by too little to go on. Runs at held rpm could not have."""
    swept = [pull for pull in observations if np.isfinite(deviation_kpa(pull.curve, problem.target))]
    if len(swept) <= PATIENCE + 1:
        return False
    before = review(problem, swept[:-PATIENCE]).best_kpa
    return before - review(problem, swept).best_kpa < WORTH * problem.tolerance_kpa


def _binding(
    outlook: Outlook, allowed: Sequence[tuple[int, int]], chosen: Forecast, forecasts: Sequence[Forecast]
) -> tuple[str, ...]:
    """What held the step back: knobs at the end of their step or range, and the gate."""
    out: list[str] = []
    at = outlook.positions(chosen.settings)
    for i, (name, knob) in enumerate(zip(KNOB_NAMES, outlook.knobs, strict=True)):
        low, high = allowed[i]
        if knob.fixed or low == high:
            continue
        if at[i] == high:
            out.append(f"{name} range" if high == knob.count - 1 else f"{name} step")
        elif at[i] == low and low > 0:
            out.append(f"{name} step")
    if any(f.risk > outlook.problem.risk and f.deviation_kpa < chosen.deviation_kpa for f in forecasts):
        out.append("risk gate")
    return tuple(out)


def _alternatives(
    problem: Problem, forecasts: Sequence[Forecast], chosen: Forecast, seen: Review, outlook: Outlook
) -> tuple[Alternative, ...]:
    out = []
    for f in sorted(forecasts, key=lambda f: f.deviation_kpa):
        if same(f.settings, chosen.settings):
            continue
        if _blocked(outlook, seen, f):
            why = "at or above settings that went wrong"
        elif f.risk > problem.risk:
            why = "risk gate"
        else:
            why = "more deviation expected" if f.deviation_kpa >= chosen.deviation_kpa else "less to learn from it"
        out.append(Alternative(f.settings, f.deviation_kpa, f.risk, why))
    return tuple(out[:5])


def _say(
    outlook: Outlook,
    verdict: reasons.Verdict,
    forecast: Forecast,
    why: Sequence[reasons.Reason],
    *,
    review: Review | None = None,
    binding: tuple[str, ...] = (),
    alternatives: tuple[Alternative, ...] = (),
    cause: str = "",
    cause_rpm: float = float("nan"),
    best: float = float("nan"),
) -> Decision:
    band = outlook.band(forecast)
    high = float(np.quantile(forecast.highest, 0.95))
    runs = verdict in ("pull", "repeat")
    return Decision(
        verdict=verdict,
        settings=forecast.settings if runs else None,
        risk=forecast.risk,
        deviation_kpa=forecast.deviation_kpa,
        band=band,
        peak_kpa=float(forecast.highest.mean()),
        peak_high_kpa=high,
        margin_kpa=outlook.problem.limit_kpa - high,
        tightest_rpm=float(outlook.rpm[int(np.argmax(band.high_kpa))]),
        reasons=tuple(why),
        binding=binding,
        alternatives=alternatives,
        best_possible_kpa=best,
        cause=cause,
        cause_rpm=cause_rpm,
        best_number=review.best.number if review is not None and review.best is not None else 0,
    )
