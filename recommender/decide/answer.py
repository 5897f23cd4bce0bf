"""A forecast and a verdict put together as the decision that is handed out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from models.settings import KNOB_NAMES, Settings, effective_duty
from recommender.decide import reasons
from recommender.decide.allowed import (
    beside,
    engages_past,
    forbidden,
    most_engagement,
    past_held,
    repeats_offence,
)
from recommender.decide.caveats import with_caveats
from recommender.decide.choose import half_a_step
from recommender.decide.outlook import Forecast, Outlook
from recommender.decide.review import Review, passes
from recommender.decide.step import Alternative, Decision, Problem

#: Most alternatives that are kept with a decision.
ALTERNATIVES = 5
#: Settings nearer to each other than this are told as one. [steps of a knob]
DISTINCT = 0.4
#: By how much of its step a knob is turned up to see what holds it back.
BOLDER = 0.25
#: Deviation that this must promise to lose, over the tolerance.
PROMISES = 0.1
#: What rules out settings of less deviation, other than the gate and what is told of the chosen ones themselves.
_CLOSED = (
    reasons.AS_MUCH,
    reasons.TOO_NEAR,
    reasons.STEEP,
    reasons.GAIN_WRONG,
    reasons.LESS_GAIN,
    reasons.MOST_DUTY,
)


def say(
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
    """The decision with this verdict. Settings are handed out where they are to be run; risk and band always."""
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
        reasons=with_caveats(outlook, verdict, forecast, why, review),
        binding=binding,
        alternatives=alternatives,
        best_possible_kpa=best,
        cause=cause,
        cause_rpm=cause_rpm,
        best_number=review.best.number if review is not None and review.best is not None else 0,
    )


def bolder(outlook: Outlook, allowed: Sequence[tuple[int, int]], chosen: Forecast, seen: Review) -> list[Forecast]:
    """Settings with one knob turned up from the chosen ones that promise less deviation and may not be proposed.

    The search stays within what its sketch of the gate lets through, so that hardly any of what it leads to shows what
    held it back.
    """
    problem, at = outlook.problem, outlook.positions(chosen.settings)
    rows = []
    for i in (0, 3, 4):  # duty, ramp_add, engagement
        knob, row = outlook.knobs[i], at.copy()
        if not knob.fixed:
            row[i] = min(at[i] + max(round(BOLDER * knob.step / knob.resolution), 1), allowed[i][1])
        if row[i] > at[i]:
            rows.append(Settings.from_array(outlook.values(row[None])[0]))
    tried = outlook.forecast(rows) if rows else []
    return [f for f in tried if _promises(problem, f, chosen) and not passes(outlook, seen, f)]


def _promises(problem: Problem, forecast: Forecast, chosen: Forecast) -> bool:
    return forecast.deviation_kpa < chosen.deviation_kpa - PROMISES * problem.tolerance_kpa


def held_back_by(
    outlook: Outlook,
    allowed: Sequence[tuple[int, int]],
    chosen: Forecast,
    forecasts: Sequence[Forecast],
    seen: Review,
) -> tuple[str, ...]:
    """What held the step back: knobs at the end of their step or range, what went wrong before, and the gate."""
    out: list[str] = []
    at = outlook.positions(chosen.settings)
    last = outlook.pulls[-1].settings
    for i, (name, knob) in enumerate(zip(KNOB_NAMES, outlook.knobs, strict=True)):
        low, high = allowed[i]
        # A ramp that adds nothing holds nothing back, also where its range ends there, as one that only takes away.
        idle = name in ("ramp_from", "ramp_to") or (name == "ramp_add" and knob.upper == 0.0)
        idle = idle and chosen.settings.ramp_add == 0.0
        if knob.fixed or low == high or idle:
            continue
        if at[i] == high < knob.index_span(getattr(last, name))[1]:  # gain, which comes last and by half a step first
            out += [reasons.FIRST_GAIN] if at[i] > knob.index(getattr(last, name)) else []
        elif at[i] == high:
            out.append(f"{name} range" if high == knob.count - 1 else f"{name} step")
        elif at[i] == low and low > 0:
            out.append(f"{name} step")
    most = float(effective_duty(outlook.rpm, chosen.settings.as_array()).max())
    if most + outlook.problem.knobs["duty"].resolution > past_held(outlook.problem, outlook.pulls):
        out.append(reasons.HELD_END)
    open_to = float(most_engagement(chosen.held_kpa, last.engagement))
    if at[4] < allowed[4][1] and chosen.settings.engagement + outlook.knobs[4].resolution > open_to:
        out.append(reasons.BOOST_HELD)
    better = [f for f in forecasts if f.deviation_kpa < chosen.deviation_kpa]
    against = [_against(outlook.problem, f, chosen, seen) for f in better if _promises(outlook.problem, f, chosen)]
    out += [code for code in _CLOSED if code in against]
    if gain_waits(outlook, allowed, chosen):
        out.append(reasons.GAIN_LAST)
    if any(f.risk > outlook.problem.risk for f in better):
        out.append("risk gate")
    return tuple(out)


def gain_waits(outlook: Outlook, allowed: Sequence[tuple[int, int]], chosen: Forecast) -> bool:
    """Whether half a step of gain promises less deviation at a risk that is allowed, and is not open before boost is
    near the target."""
    knob, at = outlook.knobs[5], outlook.positions(chosen.settings)
    most = knob.index_span(outlook.pulls[-1].settings.gain)[1]
    if knob.fixed or allowed[5][1] >= most or at[5] > knob.index(outlook.pulls[-1].settings.gain):
        return False
    row = at.copy()
    row[5] = min(max(half_a_step(knob), int(at[5]) + 1), most)
    (fed_back,) = outlook.forecast([Settings.from_array(outlook.values(row[None])[0])])
    return fed_back.risk <= outlook.problem.risk and _promises(outlook.problem, fed_back, chosen)


def ruled_out(
    problem: Problem, forecasts: Sequence[Forecast], chosen: Forecast, seen: Review
) -> tuple[Alternative, ...]:
    """Up to five judged and not chosen, those with least deviation expected first, and what spoke against each.

    The best for each reason, then such as differ clearly from the chosen one and from each other. ``chosen`` is what
    is handed out: settings to run, or those that stand at the end of a job.
    """
    # What differs by where a ramp stands that adds nothing is the chosen settings once more.
    ranked = sorted(forecasts, key=lambda f: f.deviation_kpa)
    rest = [f for f in ranked if apart(problem, f.settings, chosen.settings) > 1e-6]
    reasoned = [(f, _against(problem, f, chosen, seen)) for f in rest]
    kept: list[tuple[Forecast, str]] = []
    for f, why in reasoned:
        if why not in {each for _, each in kept}:
            kept.append((f, why))
    kept = kept[:ALTERNATIVES]
    for f, why in reasoned:
        others = [chosen, *(each for each, _ in kept)]
        if len(kept) < ALTERNATIVES and all(apart(problem, f.settings, o.settings) >= DISTINCT for o in others):
            kept.append((f, why))
    kept.sort(key=lambda each: each[0].deviation_kpa)
    return tuple(Alternative(f.settings, f.deviation_kpa, f.risk, why) for f, why in kept)


def _against(problem: Problem, forecast: Forecast, chosen: Forecast, seen: Review) -> str:
    """What rules settings out."""
    row = forecast.settings.as_array()[None]
    if any(repeats_offence(problem, row, offender)[0] for offender in seen.bad):
        return reasons.AS_MUCH
    if any(beside(problem, row, offender)[0] for offender in seen.bad):
        return reasons.TOO_NEAR
    if forbidden(problem, row, (), replace(seen.reach, duty=100.0, fed_back=None, gain=float("inf")))[0]:
        return reasons.STEEP
    if forbidden(problem, row, (), replace(seen.reach, duty=100.0, fed_back=None))[0]:
        return reasons.GAIN_WRONG
    if forbidden(problem, row, (), replace(seen.reach, duty=100.0))[0]:
        return reasons.LESS_GAIN
    if forbidden(problem, row, (), seen.reach)[0]:
        return reasons.HELD_END if seen.reach.held_end else reasons.MOST_DUTY
    if engages_past(row, np.array([forecast.held_kpa]), seen.reach)[0]:
        return reasons.BOOST_HELD
    if forecast.risk > problem.risk:
        return "risk gate"
    return "more deviation expected" if forecast.deviation_kpa >= chosen.deviation_kpa else "less to learn from it"


def apart(problem: Problem, first: Settings, second: Settings) -> float:
    """How far settings differ on the knob on which they differ most. [steps of that knob]

    Where a ramp begins and ends counts only while it adds something.
    """
    ramped = first.ramp_add != 0.0 or second.ramp_add != 0.0
    names = [name for name in KNOB_NAMES if ramped or name not in ("ramp_from", "ramp_to")]
    moved = [
        abs(getattr(first, name) - getattr(second, name)) / problem.knobs[name].step
        for name in names
        if not problem.knobs[name].fixed and problem.knobs[name].step > 0
    ]
    return max(moved, default=0.0)
