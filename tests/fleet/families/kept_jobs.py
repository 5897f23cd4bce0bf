"""How a job of the family ``kept`` is written: dials, target, and a search over the dials for settings that do it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from models.curve import Target
from models.settings import KNOB_NAMES, Knob, Settings
from tests.fleet.families.kept_balance import duty_for
from tests.fleet.families.kept_car import KeptCar
from tests.fleet.families.kept_drive import Sweep, drive
from tests.fleet.families.seat import PSI, Seat, without


def knobs_of(kind: str, fine: bool, top: float, r: np.random.Generator) -> dict[str, Knob]:
    """Dials of a controller; some lack ramp, engagement or gain."""
    lacks = str(r.choice(["nothing", "ramp_add", "engagement", "gain"], p=[0.7, 0.06, 0.1, 0.14]))
    if lacks == "ramp_add" and kind in ("droops", "creeps", "cam switch"):
        lacks = "nothing"
    grain = 0.5 if fine else 1.0
    rpm = float(r.choice([50, 100, 100, 250]))
    dial = float(r.choice([5, 10, 20]))
    high = float(np.ceil(top / PSI / 5.0) * 5.0 + r.choice([0, 5]))
    knobs = {
        "duty": Knob("duty", 0, float(r.choice([85, 90, 90, 100])), grain, float(r.choice([10, 12, 15, 20]))),
        "ramp_from": Knob("ramp_from", float(r.choice([2500, 3000])), 6500, rpm, float(r.choice([500, 750, 1000]))),
        "ramp_to": Knob("ramp_to", 4000, float(r.choice([7000, 7500])), rpm, float(r.choice([500, 750, 1000]))),
        "ramp_add": Knob("ramp_add", -float(r.choice([25, 40])), 40, grain, float(r.choice([6, 8, 10, 12]))),
        "engagement": Knob("engagement", 0.0, high * PSI, 0.5 * PSI, float(r.choice([2, 2.5, 3, 4])) * PSI),
        "gain": Knob("gain", 0, dial, dial / 20.0, dial / float(r.choice([4, 5]))),
    }
    return without(knobs, lacks)


def idle_of(knobs: Mapping[str, Knob]) -> Settings:
    """No duty, no ramp, no engagement, no gain."""
    centre = {"ramp_from": 4500.0, "ramp_to": 6500.0}
    return Settings(*(float(knobs[n].value(knobs[n].index(centre.get(n, 0.0)))) for n in KNOB_NAMES))


def target_of(kind: str, top: float, start: float, end: float, r: np.random.Generator) -> Target:
    """Boost wanted: flat, falling, rising or stepped. Of a car that runs out of breath as much is asked at the top."""
    u = r.uniform
    weights = {"creeps": [0.5, 0.0, 0.5, 0.0], "breathless": [0.8, 0.0, 0.2, 0.0], "droops": [0.4, 0.4, 0.1, 0.1]}
    shape = str(r.choice(["flat", "falling", "rising", "stepped"], p=weights.get(kind, [0.4, 0.25, 0.2, 0.15])))
    middle = start + u(0.4, 0.6) * (end - start)
    before = start - u(900, 1300)
    if shape == "falling":
        rpm, share = [before, start, middle, end + 100], [0.5, 1.0, 1.0, u(0.88, 0.95)]
    elif shape == "rising":
        rpm, share = [before, start, middle, end + 100], [0.45, u(0.88, 0.95), 1.0, 1.0]
    elif shape == "stepped":
        low, wide = u(0.93, 0.965), u(150, 300)
        rpm, share = [before, start, middle - wide, middle + wide, end + 100], [0.5, low, low, 1.0, 1.0]
        share = share if r.random() < 0.5 else [0.5, 1.0, 1.0, low, low]
    else:
        rpm, share = [before, start, end + 100], [0.5, 1.0, 1.0]
    return Target(np.array(rpm), np.round(top * np.array(share) / PSI, 1) * PSI, start, end)


def _close(run: Sweep, target: Target) -> float:
    grid = np.arange(target.judge_from, target.judge_to + 1.0, 25.0)
    return float(np.sqrt(np.mean((np.interp(grid, run.rpm, run.true) - target.at(grid)) ** 2)))


def _ramp(seat: Seat[KeptCar]) -> list[float]:
    """Duty, ramp_from, ramp_to and ramp_add that come nearest to the target at held rpm."""
    rpm = np.linspace(seat.target.judge_from, seat.target.judge_to, 28)
    wish = np.clip(duty_for(seat.car, rpm, seat.target.at(rpm)), 0.0, 100.0)
    add = seat.knobs["ramp_add"]
    best, found = np.inf, [float(np.median(wish)), 4500.0, 6500.0, 0.0]
    if add.fixed:
        return found
    for first in np.arange(seat.knobs["ramp_from"].lower, 6400.0, 250.0):
        for last in np.arange(max(first + 250.0, 4000.0), seat.knobs["ramp_to"].upper + 1.0, 250.0):
            travel = np.clip((rpm - first) / (last - first), 0.0, 1.0)
            spread = travel - travel.mean()
            slope = float(spread @ wish) / max(float(spread @ spread), 1e-9)
            slope = float(np.clip(slope, add.lower, add.upper))
            base = float(wish.mean() - slope * travel.mean())
            error = float(np.mean((base + slope * travel - wish) ** 2))
            if error < best:
                best, found = error, [base, first, last, slope]
    return found


def search(seat: Seat[KeptCar], rounds: int, wide: int, seed: int, enough: float = 0.0) -> tuple[float, Settings]:
    """Settings near to the target under the limit, by chance around the best so far: deviation [kPa], settings."""
    r, knobs = np.random.default_rng([6043, seed]), [seat.knobs[name] for name in KNOB_NAMES]
    top = float(seat.target.boost_kpa.max())
    ramp = _ramp(seat)
    points = [[ramp[0] + d, *ramp[1:], e, 0.0] for d in (-3.0, 0.0, 3.0) for e in (0.0, 0.6 * top, 0.8 * top)]
    points += [
        [ramp[0] + d, *ramp[1:], e, g * knobs[5].upper]
        for d in (-2.0, 1.0)
        for e in (0.4 * top, 0.85 * top)
        for g in (0.12, 0.3, 0.5)
    ]
    spread = np.array([4.0, 500.0, 500.0, 5.0, 0.12 * top, 0.15 * knobs[5].upper])
    best, found = np.inf, idle_of(seat.knobs)
    for turn in range(rounds):
        tried = [Settings(*(float(k.value(k.index(v))) for k, v in zip(knobs, p, strict=True))) for p in points]
        tried = [s for s in tried if s.ramp_from < s.ramp_to] or [found]
        ones = np.ones(len(tried))
        for dialled, run in zip(tried, drive([seat] * len(tried), tried, ones, 0.0 * ones), strict=True):
            away = _close(run, seat.target)
            away = away if run.true.max() < seat.limit_kpa - 0.3 * PSI else 1e3
            best, found = min((best, found), (away, dialled), key=lambda pair: pair[0])
        if best < enough:
            break
        size = 0.75**turn
        moves = r.standard_normal((wide, 6)) * (r.random((wide, 6)) < 0.6) * spread * size
        points = (found.as_array() + moves).tolist()
    return best, found
