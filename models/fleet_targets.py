"""Targets for the fleet: a plain shape through what a car does with good settings, rounded as a tuner would.

All boost is kPa gauge. Cars are tried without drift, heat soak and gauge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from models.car_parts import Car
from models.curve import Target
from models.fleet_parts import OUT_OF_REACH
from models.settings import Settings
from models.units import FloatArray, kpa_in
from models.virtual_car import simulate

PSI: Final = kpa_in("psi")
SHAPES: Final = ("flat", "falling", "rising", "stepped")
#: Duties tried, from idle to held shut. [%]
_DUTIES: Final = (0.0, 15.0, 25.0, 35.0, 45.0, 55.0, 65.0, 75.0, 85.0, 100.0)
_NOTHING: Final = np.empty(0)


@dataclass
class Draft:
    """A car on its way to a target.

    Attributes:
        kind, car, shape, wish_kpa: The car, and the shape and level its owner wishes for.
        rng: What is still drawn by chance.
        level_kpa, duty: Level that suits the car, and the duty that about gives it.
        rpm, ceiling_kpa, curve_kpa: Even grid; boost with the gate held shut; boost with ``hidden``. Each shape (m,)
        hidden: Settings from which the target is drawn.
    """

    kind: str
    car: Car
    shape: str
    wish_kpa: float
    rng: np.random.Generator
    level_kpa: float = 0.0
    duty: float = 0.0
    rpm: FloatArray = field(default_factory=lambda: _NOTHING)
    ceiling_kpa: FloatArray = field(default_factory=lambda: _NOTHING)
    curve_kpa: FloatArray = field(default_factory=lambda: _NOTHING)
    hidden: Settings | None = None


def try_duties(drafts: Sequence[Draft]) -> None:
    """Boost at plain duties; from it the level that suits each car and the duty that gives it."""
    plain = [Settings(duty, 3000.0, 7500.0, 0.0, 0.0, 0.0) for duty in _DUTIES]
    cars = [draft.car for draft in drafts for _ in plain]
    zeros = [0] * len(cars)
    pulls = simulate(cars, plain * len(drafts), zeros, zeros, repeatable=True)
    for i, draft in enumerate(drafts):
        dyno = draft.car.dyno
        draft.rpm = np.arange(dyno.start_rpm, dyno.end_rpm - 99.0, 50.0)
        curves = np.array([pull.true_curve(draft.rpm) for pull in pulls[i * len(plain) : (i + 1) * len(plain)]])
        draft.ceiling_kpa = curves[-1]
        upper = (draft.rpm >= 0.68 * draft.rpm[-1]) & (draft.rpm <= draft.rpm[-1] - 200.0)
        levels = curves[:, upper].mean(axis=1)
        if draft.kind == "stiff spring":
            # Well below the floor, and yet with the floor under the limit, 3 psi above target.
            draft.level_kpa = float(max(levels[0] - draft.rng.uniform(1.5, 2.0) * PSI, curves[0].max() - 2.1 * PSI))
            draft.curve_kpa, draft.hidden = curves[0], plain[0]
        elif draft.kind == "out of breath":
            draft.level_kpa = float(curves[-1, upper][-1] + draft.rng.uniform(2.2, 3.2) * PSI)
        else:
            lowest = levels[0] + 2.5 * PSI
            highest = max(curves[-1, upper].min() - 2.5 * PSI, lowest)
            draft.level_kpa = float(np.clip(draft.wish_kpa, lowest, highest))
        draft.duty = float(np.interp(draft.level_kpa, np.maximum.accumulate(levels), _DUTIES))


def try_ramps(drafts: Sequence[Draft]) -> None:
    """Boost with ramps around that duty; the one nearest to the wished shape becomes the hidden settings."""
    trials = [(draft, settings) for draft in drafts if draft.hidden is None for settings in _candidates(draft)]
    cars, zeros = [draft.car for draft, _ in trials], [0] * len(trials)
    pulls = simulate(cars, [settings for _, settings in trials], zeros, zeros, repeatable=True)
    least: dict[int, float] = {}
    for (draft, settings), pull in zip(trials, pulls, strict=True):
        curve = pull.true_curve(draft.rpm)
        miss = _shape_miss(draft, curve)
        if miss < least.get(id(draft), np.inf):
            least[id(draft)], draft.hidden, draft.curve_kpa = miss, settings, curve


def _candidates(draft: Draft) -> list[Settings]:
    engagement = float(max(np.floor(draft.level_kpa / PSI * 2.0) / 2.0 - 3.0, 0.0) * PSI)
    spans: tuple[tuple[float, float], ...] = ((3500.0, 6500.0), (4500.0, 7000.0))
    adds: tuple[float, ...] = (0.0, 5.0, 10.0, 15.0)
    if draft.shape == "stepped":
        spans, adds = ((4500.0, 5300.0),), (6.0, 9.0, 12.0, 15.0)
    if draft.kind == "plain controller":
        spans, adds = ((4500.0, 7000.0),), (0.0,)
    return [
        Settings(float(np.clip(np.rint(draft.duty - 0.5 * add), 0.0, 90.0)), low, high, add, engagement, 0.0)
        for low, high in spans
        for add in adds
    ]


def judged_span(draft: Draft, curve_kpa: FloatArray) -> tuple[float, float]:
    """Judged range: from a little after boost has arrived and settled to a little before the sweep ends. [rpm]"""
    rpm = draft.rpm
    level = float(np.median(curve_kpa[rpm >= 0.68 * rpm[-1]]))
    wanted = 0.93 * min(level, draft.level_kpa)
    if draft.shape == "stepped":
        wanted = 0.9 * float(curve_kpa[rpm == 4500.0][0])
    arrived = float(rpm[np.argmax(curve_kpa >= wanted)])
    return 100.0 * float(np.ceil((arrived + 400.0) / 100.0)), 100.0 * float(np.floor((rpm[-1] - 150.0) / 100.0))


def _shape_miss(draft: Draft, curve_kpa: FloatArray) -> float:
    """How far a curve is from the wished shape, over its judged range. [kPa]"""
    low, high = judged_span(draft, curve_kpa)
    inside = (draft.rpm >= low) & (draft.rpm <= high)
    if inside.sum() < 8:
        return 1e6
    travel, boost = (draft.rpm[inside] - low) / (high - low), curve_kpa[inside]
    if draft.shape == "flat":
        return float(boost.std())
    rise, start = np.polyfit(travel, boost, 1)
    bend = float(np.std(boost - (start + rise * travel)))
    if draft.shape == "falling":
        return bend + 0.3 * abs(float(rise) + 1.8 * PSI)
    if draft.shape == "rising":
        return bend + 0.3 * abs(float(rise) - 2.0 * PSI)
    return abs(float(boost[-1] - boost[0]) - 2.5 * PSI)


def draw_target(draft: Draft) -> tuple[Target, str]:
    """Target through the hidden curve in steps of half a psi, and the shape that it has become."""
    if draft.hidden is None:
        raise ValueError("a target is drawn through hidden settings: run try_duties and try_ramps first")
    low, high = judged_span(draft, draft.ceiling_kpa if draft.kind == "out of breath" else draft.curve_kpa)
    at = [low] if draft.shape == "flat" else [low, high]
    if draft.shape == "stepped":
        bends = (draft.hidden.ramp_from, draft.hidden.ramp_to)
        at[1:1] = [rpm for rpm in bends if low + 200.0 < rpm < high - 200.0]
    if draft.kind in OUT_OF_REACH:
        heights = np.full(len(at), draft.level_kpa)
    else:
        inside = (draft.rpm >= low) & (draft.rpm <= high)
        hats = np.array([np.interp(draft.rpm[inside], at, row) for row in np.eye(len(at))]).T
        heights = np.linalg.lstsq(hats, draft.curve_kpa[inside], rcond=None)[0]
    psi = np.round(heights / PSI * 2.0) / 2.0
    rpm = np.array([min(2500.0, low - 1000.0), low - 200.0, *at] + ([high] if at[-1] < high else []))
    boost = np.array([np.round(psi[0]) / 2.0, psi[0], *psi] + ([psi[-1]] if at[-1] < high else []))
    rise = float(psi[-1] - psi[0])
    shape = "rising" if rise > 0 else "falling" if rise < 0 else "flat"
    if draft.shape == "stepped" and len(at) > 2:
        shape = "stepped"
    return Target(rpm, boost * PSI, low, high), shape
