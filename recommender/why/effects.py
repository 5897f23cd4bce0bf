"""What each knob alone does from the settings of the step: to the curve, to the deviation, to the risk."""

from __future__ import annotations

from itertools import groupby, pairwise

import numpy as np

from models.contrast import effect_draws
from models.settings import KNOB_NAMES, Knob, Settings
from models.units import FloatArray
from recommender import wording
from recommender.decide.outlook import Forecast, Outlook
from recommender.decide.reasons import say_knob
from recommender.decide.step import Problem
from recommender.why.explanation import KnobEffect
from recommender.why.look import Look
from recommender.why.words import between, ends, in_unit, knob_in_unit, listed, signed

#: A move for the picture: this share of the range, at least one resolution, at most one step.
SHOWN_SHARE = 0.08
#: Values looked at through the allowed span.
SPAN_POINTS = 9
#: An effect under this is called none. [share of the tolerance]
NOTHING = 0.1


def effects(look: Look, outlook: Outlook, last: Settings | None) -> tuple[KnobEffect, ...]:
    """One for each of the six knobs.

    Args:
        look: Surrogate and settings to start from.
        outlook: To judge deviation and risk.
        last: Settings of the last pull, from which the allowed span is counted; None before the first pull.
    """
    rows = {name: _span(look.problem, name, look.base, last) for name in KNOB_NAMES}
    settings = [row for values in rows.values() for row in values]
    forecasts = iter(outlook.forecast(settings)) if settings else iter(())
    judged = {name: [next(forecasts) for _ in rows[name]] for name in KNOB_NAMES}
    _to_the_notch(outlook, judged)
    return tuple(
        _effect(look, name, each, last is not None) if each else _fixed(look, name) for name, each in judged.items()
    )


def _to_the_notch(outlook: Outlook, judged: dict[str, list[Forecast]]) -> None:
    """Look between neighbours of which the gate closes one alone, and beside the least deviation, by halving, until
    they are one notch apart."""
    while True:
        between_them = []
        for name, each in judged.items():
            knob = outlook.problem.knobs[name]
            for first, second in pairwise(each):
                low, high = (int(knob.index(getattr(one.settings, name))) for one in (first, second))
                if high - low > 1 and (_parted(outlook, first, second) or _least_near(outlook, each, first, second)):
                    middle = float(knob.value((low + high) // 2))
                    between_them.append((name, _with(first.settings, name, middle)))
        if not between_them:
            return
        found = outlook.forecast([settings for _, settings in between_them])
        for (name, _), forecast in zip(between_them, found, strict=True):
            judged[name] = sorted([*judged[name], forecast], key=lambda one: float(getattr(one.settings, name)))


def _parted(outlook: Outlook, first: Forecast, second: Forecast) -> bool:
    """Whether the gate closes one of two alone."""
    return _open(outlook, first) != _open(outlook, second)


def _least_near(outlook: Outlook, judged: list[Forecast], first: Forecast, second: Forecast) -> bool:
    """Whether one of two neighbours has the least deviation, and the other more by an amount worth a word."""
    least = min(judged, key=lambda each: each.deviation_kpa)
    apart = abs(first.deviation_kpa - second.deviation_kpa)
    return (first is least or second is least) and apart > NOTHING * outlook.problem.tolerance_kpa


def _open(outlook: Outlook, forecast: Forecast) -> bool:
    return forecast.risk <= outlook.problem.risk


def _with(settings: Settings, name: str, value: float) -> Settings:
    return Settings(**{**settings.as_dict(), name: value})


def _span(problem: Problem, name: str, base: Settings, last: Settings | None) -> list[Settings]:
    """Settings with one knob through its allowed span, ``base`` among them; empty for a fixed knob."""
    knob = problem.knobs[name]
    if knob.fixed:
        return []
    own = getattr(base, name)
    first, final = knob.index_span(own if last is None else getattr(last, name))
    at = int(knob.index(own))
    places = {*np.linspace(first, final, SPAN_POINTS).round().astype(int).tolist(), at}
    rows = [_with(base, name, float(knob.value(place))) for place in sorted(places)]
    if name in ("ramp_from", "ramp_to"):
        rows = [row for row in rows if row.ramp_from < row.ramp_to]
    return rows or [base]


def shown_move(knob: Knob, start: float) -> float:
    """Where the picture moves a knob to: a move large enough to mean something, upwards unless it is at its end."""
    wanted = min(max(SHOWN_SHARE * (knob.upper - knob.lower), knob.resolution), max(knob.step, knob.resolution))
    size = max(round(wanted / knob.resolution), 1) * knob.resolution
    moved = start + size if start + size <= knob.upper + 1e-9 else start - size
    return float(knob.value(knob.index(moved)))


def _effect(look: Look, name: str, judged: list[Forecast], gated: bool) -> KnobEffect:
    problem, base = look.problem, look.base
    start = getattr(base, name)
    moved = shown_move(problem.knobs[name], start)
    draws = effect_draws(look.surrogate, base.as_array(), _with(base, name, moved).as_array()[None])[:, 0]
    low, high = np.quantile(draws, [0.05, 0.95], axis=0)
    values = [getattr(each.settings, name) for each in judged]
    return KnobEffect(
        knob=name,
        fixed=False,
        start=knob_in_unit(problem, name, start),
        moved=knob_in_unit(problem, name, moved),
        rpm=look.surrogate.rpm_.copy(),
        mean=in_unit(problem, draws.mean(axis=0)),
        low=in_unit(problem, low),
        high=in_unit(problem, high),
        values=np.array([knob_in_unit(problem, name, value) for value in values]),
        deviations=in_unit(problem, [each.deviation_kpa for each in judged]),
        risks=np.array([each.risk for each in judged]),
        text=f"{_curve_words(look, name, start, moved, draws)} {_span_words(problem, name, judged, gated)}",
    )


def _curve_words(look: Look, name: str, start: float, moved: float, draws: FloatArray) -> str:
    """Where the move matters most, and by how much."""
    problem = look.problem
    move = f"{wording.KNOB_LABELS[name]} {say_knob(problem, name, moved)} instead of {say_knob(problem, name, start)}"
    mean = draws.mean(axis=0)
    most = int(np.argmax(np.abs(mean)))
    if abs(mean[most]) < NOTHING * problem.tolerance_kpa:
        if name in ("ramp_from", "ramp_to") and look.base.ramp_add == 0.0:
            return f"{move}: does nothing while the ramp adds nothing."
        return f"{move}: no change of boost to speak of is expected anywhere."
    low, high = ends(draws[:, most])
    rpm = look.surrogate.rpm_[most]
    if low >= 0.0:
        return f"{move}: {between(problem, low, high)} more boost at {wording.rpm(rpm)}, where it does most."
    if high <= 0.0:
        return f"{move}: {between(problem, -high, -low)} less boost at {wording.rpm(rpm)}, where it does most."
    return (
        f"{move}: which way boost goes is not known yet: {signed(problem, low)} to "
        f"{signed(problem, high)} at {wording.rpm(rpm)}, where it does most."
    )


def _span_words(problem: Problem, name: str, judged: list[Forecast], gated: bool) -> str:
    """Deviation and risk through the allowed span."""
    if len(judged) == 1:
        return "It has no other value within one step."
    first, last = judged[0], judged[-1]
    best = min(judged, key=lambda each: each.deviation_kpa)
    at = [say_knob(problem, name, getattr(each.settings, name)) for each in (first, last, best)]
    deviation = _from_to(problem.say_fine(first.deviation_kpa), problem.say_fine(last.deviation_kpa))
    text = (
        f"From {at[0]} to {at[1]}, all that its own step allows, the expected deviation {deviation} and the risk "
        f"{_from_to(wording.risk(first.risk, problem.risk), wording.risk(last.risk, problem.risk))}"
    )
    if min(first.deviation_kpa, last.deviation_kpa) - best.deviation_kpa > NOTHING * problem.tolerance_kpa:
        text += f"; least is {problem.say_fine(best.deviation_kpa)} at {at[2]}"
    return f"{text}{_gate_words(problem, name, judged) if gated else ''}."


def _from_to(first: str, last: str) -> str:
    return f"stays at {first}" if first == last else f"goes from {first} to {last}"


def _gate_words(problem: Problem, name: str, judged: list[Forecast]) -> str:
    """Which part of the span the gate closes."""
    closed = [each.risk > problem.risk for each in judged]
    limit = f"over the {wording.allowed_risk(problem.risk)} that the job allows"
    if not any(closed):
        return ""
    if all(closed):
        return f"; all of it is {limit}"
    words = [say_knob(problem, name, getattr(each.settings, name)) for each in judged]
    count = sum(closed)
    if all(closed[-count:]):
        return f"; from {words[-count]} up it is {limit}"
    if all(closed[:count]):
        return f"; up to {words[count - 1]} it is {limit}"
    parts = [list(part) for shut, part in groupby(zip(closed, words, strict=True), key=lambda one: one[0]) if shut]
    spans = [part[0][1] if len(part) == 1 else f"{part[0][1]} to {part[-1][1]}" for part in parts]
    return f"; at {listed(spans)} it is {limit}"


def _fixed(look: Look, name: str) -> KnobEffect:
    value = getattr(look.base, name)
    none = np.empty(0)
    shown = knob_in_unit(look.problem, name, value)
    own = look.problem.knobs[name].lower
    text = f"{wording.KNOB_LABELS[name]} is fixed at {say_knob(look.problem, name, own)} in this job"
    if abs(value - own) > 1e-6:
        text += f", and stands at {say_knob(look.problem, name, value)} in the settings looked from"
    return KnobEffect(name, True, shown, shown, none, none, none, none, none, none, none, f"{text}.")


def expected_curve(look: Look) -> FloatArray:
    """Expected curve at the settings looked from. Shape (M,), [kPa gauge]"""
    curves, _ = look.surrogate.expected(look.base.as_array()[None], best=True)
    return np.asarray(curves[0, 0])
