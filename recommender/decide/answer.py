"""A forecast and a verdict put together as the decision that is handed out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.settings import KNOB_NAMES
from recommender.decide import reasons
from recommender.decide.caveats import with_caveats
from recommender.decide.outlook import Forecast, Outlook
from recommender.decide.review import Review, blocked
from recommender.decide.step import Alternative, Decision, Problem, same


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
        reasons=with_caveats(outlook, verdict, forecast, why),
        binding=binding,
        alternatives=alternatives,
        best_possible_kpa=best,
        cause=cause,
        cause_rpm=cause_rpm,
        best_number=review.best.number if review is not None and review.best is not None else 0,
    )


def held_back_by(
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


def ruled_out(
    problem: Problem, forecasts: Sequence[Forecast], chosen: Forecast, seen: Review, outlook: Outlook
) -> tuple[Alternative, ...]:
    """Up to five judged and not chosen, those with least deviation expected first, and what spoke against each."""
    out = []
    for f in sorted(forecasts, key=lambda f: f.deviation_kpa):
        if same(f.settings, chosen.settings):
            continue
        if blocked(outlook, seen, f):
            why = "at or above settings that went wrong"
        elif f.risk > problem.risk:
            why = "risk gate"
        else:
            why = "more deviation expected" if f.deviation_kpa >= chosen.deviation_kpa else "less to learn from it"
        out.append(Alternative(f.settings, f.deviation_kpa, f.risk, why))
    return tuple(out[:5])
