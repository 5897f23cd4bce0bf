"""Many different virtual cars, each with the target a tuner would set for it.

A target is drawn from what the car can do: hidden settings are tried on the car without drift, and the target is a
plain shape through the curve they give. So most cars can reach theirs; the kinds in ``OUT_OF_REACH`` cannot.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np

from models.car_parts import LAWS, Car, Controller, Day, Dyno, Engine, Gate, Gauge, Solenoid, Turbo
from models.curve import Target
from models.settings import Knob, Settings
from models.units import FloatArray, kpa_in
from models.virtual_car import VirtualPull, simulate

PSI: Final = kpa_in("psi")
KINDS: Final = (
    "free-flowing",
    "restrictive exhaust",
    "large and laggy",
    "gate too small",
    "soft spring",
    "touchy solenoid",
    "plain controller",
    "mountain workshop",
    "out of breath",
    "stiff spring",
)
#: Kinds whose target no setting reaches.
OUT_OF_REACH: Final = ("out of breath", "stiff spring")
SHAPES: Final = ("flat", "falling", "rising", "stepped")

_PLACES: Final = "Harbour Quarry Orchard Viaduct Lantern Granite Juniper Ferry Meadow Foundry Heron Tollgate".split()
_BODIES: Final = "hatch saloon coupe estate roadster pickup van special".split()


@dataclass(frozen=True)
class FleetCar:
    """A virtual car with its job.

    Attributes:
        kind, seed, name: What ``make`` was asked for, and an invented name.
        car: The car; its controller regulates to ``target``.
        target: Boost wanted.
        knobs: Range, resolution and step of each knob; engagement in kPa gauge.
        limit_kpa: Overpressure limit: 3 psi above the highest target. [kPa gauge]
        shape: One of ``SHAPES``.
        reachable: Whether the kind's target can be reached.
        hidden: Settings from which the target was drawn: good ones, not the best ones.
    """

    kind: str
    seed: int
    name: str
    car: Car
    target: Target
    knobs: Mapping[str, Knob]
    limit_kpa: float
    shape: str
    reachable: bool
    hidden: Settings

    @property
    def idle(self) -> Settings:
        """Settings of a baseline pull: everything idle."""
        return Settings(*(0.0 if name not in ("ramp_from", "ramp_to") else knob.lower if name == "ramp_from" else
                          knob.upper for name, knob in self.knobs.items()))

    def pull(self, settings: Settings, number: int = 0, *, abort: bool = False) -> VirtualPull:
        """One pull, the ``number``-th of the session from 0; with ``abort`` the driver lifts at the limit."""
        return pull_all([self], [settings], [number], abort=abort)[0]


def pull_all(
    cars: Sequence[FleetCar],
    settings: Sequence[Settings],
    numbers: Sequence[int],
    *,
    repeatable: bool = False,
    abort: bool = False,
) -> list[VirtualPull]:
    """One pull of each car in one batch. Arguments as in ``simulate``; with ``abort`` drivers lift at their limit."""
    return simulate(
        [car.car for car in cars],
        settings,
        [_entropy(car.kind, car.seed) for car in cars],
        numbers,
        repeatable=repeatable,
        abort_above_kpa=[car.limit_kpa for car in cars] if abort else None,
    )


def _entropy(kind: str, seed: int) -> int:
    return zlib.crc32(kind.encode()) * 100003 + seed


@lru_cache(maxsize=1024)
def make(kind: str, seed: int) -> FleetCar:
    """The car of a kind that belongs to a seed; the same one every time.

    Raises:
        ValueError: the kind is not in ``KINDS``.
    """
    return make_many([kind], [seed])[0]


def make_many(kinds: Sequence[str], seeds: Sequence[int]) -> list[FleetCar]:
    """The same cars as ``make`` gives one by one, in two batches of pulls.

    Raises:
        ValueError: a kind is not in ``KINDS``.
    """
    unknown = sorted(set(kinds) - set(KINDS))
    if unknown:
        raise ValueError(f"kind must be one of {', '.join(KINDS)}, but got {', '.join(map(repr, unknown))}")
    drafts = [_draft(kind, seed) for kind, seed in zip(kinds, seeds, strict=True)]
    _try_duties(drafts)
    _try_ramps(drafts)
    return [_finish(draft) for draft in drafts]


@dataclass
class _Draft:
    """A car on its way: parts drawn, target not yet."""

    kind: str
    seed: int
    rng: np.random.Generator
    car: Car
    shape: str
    wish_kpa: float
    level_kpa: float = 0.0
    duty: float = 0.0
    grid_rpm: FloatArray | None = None
    curve_kpa: FloatArray | None = None
    ceiling_kpa: FloatArray | None = None
    hidden: Settings | None = None


def _draft(kind: str, seed: int) -> _Draft:
    """Draw the car's parts. Everything random about a car is drawn in a fixed order from its own seed."""
    rng = np.random.default_rng([_entropy(kind, seed)])

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    engine = Engine(
        displacement_m3=between(1.7e-3, 2.1e-3),
        breathing=between(0.9, 0.98),
        breathing_rpm=between(4300.0, 5200.0),
        charge_volume_m3=between(0.007, 0.013),
        intercooler=between(0.65, 0.85),
        exhaust_restriction=between(2.0e5, 5.0e5),
    )
    size = engine.displacement_m3 / 1.8028e-3
    turbo = Turbo(
        wheel_m=0.078 * size**0.5 * between(0.97, 1.03),
        turbine_area_m2=4.7e-4 * size * between(0.93, 1.1),
        inertia=3.0e-5 * between(0.9, 1.6),
        efficiency_fall=between(2.0, 3.0),
    )
    gate = Gate(
        crack_kpa=between(36.0, 52.0),
        rate_kpa=between(40.0, 75.0),
        flap_share=between(0.1, 0.18),
        area_m2=3.15e-4 * size * between(0.95, 1.2),
        lag_s=between(0.03, 0.06),
    )
    solenoid = Solenoid(
        dead_band_pct=between(4.0, 15.0), curvature=between(0.9, 1.7), most=between(0.8, 0.95), lag_s=between(0.05, 0.1)
    )
    controller = Controller(
        law=LAWS[int(rng.integers(len(LAWS)))],
        gain_scale=between(1.0, 3.5),  # at the top of the knob; divided by its upper end in _knobs' scale below
        dead_time_s=between(0.04, 0.14),
        authority_pct=between(12.0, 30.0),
        integral_s=between(0.5, 1.2),
        derivative_s=between(0.08, 0.2),
        stepping_s=between(0.15, 0.4),
        rearm_share=between(0.4, 0.7),
    )
    gauge = Gauge(
        lag_s=between(0.02, 0.12),
        noise_kpa=between(0.3, 1.5),
        rate_hz=float(rng.choice([10.0, 20.0, 25.0, 50.0, 100.0])),
        quantum_kpa=float(rng.choice([0.0, 0.0, 0.1, 0.5, 1.0])),
    )
    day = Day(
        altitude_m=between(0.0, 900.0), air_k=between(283.0, 308.0), drift=between(0.004, 0.012), soak_k=between(3.0, 15.0)
    )
    dyno = Dyno(rate_rpm_s=between(400.0, 900.0), end_rpm=float(rng.choice([6800.0, 7000.0, 7200.0])))
    car = Car(
        engine=engine, turbo=turbo, gate=gate, solenoid=solenoid, controller=controller, gauge=gauge, day=day, dyno=dyno
    )
    car, wish_psi = _of_kind(kind, car, rng)
    shape = SHAPES[int(rng.integers(len(SHAPES)))]
    if kind in OUT_OF_REACH:
        shape = "flat"
    elif kind == "plain controller" and shape == "stepped":
        shape = "falling"
    return _Draft(kind, seed, rng, car, shape, wish_psi * PSI)


def _of_kind(kind: str, car: Car, rng: np.random.Generator) -> tuple[Car, float]:
    """Give the car what its kind is named after; also the boost its owner wishes for. [psi]"""

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    wish = between(13.0, 18.0)
    engine, turbo, gate, solenoid, day, dyno = car.engine, car.turbo, car.gate, car.solenoid, car.day, car.dyno
    if kind == "free-flowing":
        engine = replace(engine, exhaust_restriction=between(0.5e5, 1.5e5))
        gate = replace(gate, flap_share=between(0.03, 0.07), area_m2=gate.area_m2 * 1.3)
        turbo = replace(turbo, turbine_area_m2=turbo.turbine_area_m2 * 1.05)
    elif kind == "restrictive exhaust":
        engine = replace(engine, exhaust_restriction=between(7e5, 11e5))
        gate = replace(gate, flap_share=between(0.24, 0.36), crack_kpa=gate.crack_kpa + 12.0)
        turbo = replace(turbo, turbine_area_m2=turbo.turbine_area_m2 * 0.92)
    elif kind == "large and laggy":
        turbo = replace(
            turbo,
            wheel_m=turbo.wheel_m * 1.12,
            turbine_area_m2=turbo.turbine_area_m2 * 1.22,
            inertia=turbo.inertia * 1.8,
            efficiency_fall=2.0,
        )
        dyno = replace(dyno, end_rpm=7500.0, rate_rpm_s=between(400.0, 600.0))
    elif kind == "gate too small":
        gate = replace(gate, area_m2=gate.area_m2 * between(0.42, 0.55), flap_share=between(0.05, 0.1))
        wish = between(15.0, 19.0)
    elif kind == "soft spring":
        gate = replace(gate, crack_kpa=between(26.0, 33.0), rate_kpa=between(35.0, 50.0))
        turbo = replace(turbo, wheel_m=turbo.wheel_m * 1.03)
        wish = between(18.0, 22.0)
    elif kind == "touchy solenoid":
        solenoid = replace(
            solenoid, curvature=between(2.2, 3.0), dead_band_pct=between(12.0, 20.0), most=between(0.92, 0.98)
        )
    elif kind == "mountain workshop":
        day = replace(day, altitude_m=between(1500.0, 2600.0))
    elif kind == "out of breath":
        turbo = replace(turbo, wheel_m=turbo.wheel_m * between(0.9, 0.93), turbine_area_m2=turbo.turbine_area_m2 * 0.88)
        engine = replace(engine, exhaust_restriction=between(5e5, 8e5))
    elif kind == "stiff spring":
        gate = replace(gate, crack_kpa=between(62.0, 75.0), rate_kpa=between(40.0, 55.0))
    return replace(car, engine=engine, turbo=turbo, gate=gate, solenoid=solenoid, day=day, dyno=dyno), wish


def _grid(car: Car) -> FloatArray:
    return np.arange(car.dyno.start_rpm, car.dyno.end_rpm - 99.0, 50.0)


_DUTIES: Final = (0.0, 15.0, 25.0, 35.0, 45.0, 55.0, 65.0, 75.0, 85.0, 100.0)


def _try_duties(drafts: Sequence[_Draft]) -> None:
    """Boost at plain duties; from it the level that suits the car and the duty that gives it."""
    plain = [Settings(duty, 3000.0, 7500.0, 0.0, 0.0, 0.0) for duty in _DUTIES]
    count = len(plain)
    cars = [draft.car for draft in drafts for _ in plain]
    pulls = simulate(cars, plain * len(drafts), [0] * len(cars), [0] * len(cars), repeatable=True)
    for i, draft in enumerate(drafts):
        grid = _grid(draft.car)
        curves = np.array([pull.true_curve(grid) for pull in pulls[i * count : (i + 1) * count]])
        upper = (grid >= 0.68 * grid[-1]) & (grid <= grid[-1] - 200.0)
        levels = curves[:, upper].mean(axis=1)
        floor, ceiling = levels[0], curves[-1, upper].min()
        draft.grid_rpm, draft.ceiling_kpa = grid, curves[-1]
        if draft.kind == "stiff spring":
            draft.level_kpa = curves[0, upper].max() - draft.rng.uniform(1.7, 2.3) * PSI
            draft.curve_kpa = curves[0]
            draft.hidden = plain[0]
        elif draft.kind == "out of breath":
            draft.level_kpa = curves[-1, upper][-1] + draft.rng.uniform(2.0, 3.0) * PSI
        else:
            draft.level_kpa = float(np.clip(draft.wish_kpa, floor + 2.5 * PSI, max(ceiling - 2.5 * PSI, floor)))
        draft.duty = float(np.interp(draft.level_kpa, np.maximum.accumulate(levels), _DUTIES))


_ADDS: Final = (0.0, 5.0, 10.0, 15.0)


def _try_ramps(drafts: Sequence[_Draft]) -> None:
    """Boost with ramps around that duty; the one that comes nearest to the wanted shape becomes the hidden settings."""
    trials: list[tuple[_Draft, Settings]] = []
    for draft in drafts:
        if draft.hidden is not None:
            continue
        engagement = max(np.floor(draft.level_kpa / PSI * 2.0) / 2.0 - 3.0, 0.0) * PSI
        spans = ((4500.0, 5300.0),) if draft.shape == "stepped" else ((3500.0, 6500.0), (4500.0, 7000.0))
        adds = (6.0, 9.0, 12.0, 15.0) if draft.shape == "stepped" else _ADDS
        if draft.kind == "plain controller":
            spans, adds = ((3500.0, 6500.0),), (0.0,)
        for low, high in spans:
            for add in adds:
                base = float(np.clip(np.rint(draft.duty - 0.5 * add), 0.0, 90.0))
                trials.append((draft, Settings(base, low, high, add, engagement, 0.0)))
    if not trials:
        return
    cars = [draft.car for draft, _ in trials]
    zeros = [0] * len(trials)
    pulls = simulate(cars, [settings for _, settings in trials], zeros, zeros, repeatable=True)
    best: dict[int, float] = {}
    for (draft, settings), pull in zip(trials, pulls, strict=True):
        assert draft.grid_rpm is not None
        curve = pull.true_curve(draft.grid_rpm)
        miss = _shape_miss(draft, curve)
        if miss < best.get(id(draft), np.inf):
            best[id(draft)], draft.hidden, draft.curve_kpa = miss, settings, curve


def _judged_span(draft: _Draft, curve: FloatArray) -> tuple[float, float]:
    """Judged range: from a little after boost has arrived and settled to a little before the sweep ends. [rpm]"""
    assert draft.grid_rpm is not None
    rpm = draft.grid_rpm
    level = float(np.median(curve[rpm >= 0.68 * rpm[-1]]))
    wanted = 0.93 * min(level, draft.level_kpa) if draft.shape != "stepped" else 0.9 * float(curve[rpm == 4500.0][0])
    arrived = float(rpm[np.argmax(curve >= wanted)])
    return 100.0 * np.ceil((arrived + 350.0) / 100.0), 100.0 * np.floor((rpm[-1] - 150.0) / 100.0)


def _shape_miss(draft: _Draft, curve: FloatArray) -> float:
    """How far a curve is from the wanted shape, over its judged range. [kPa]"""
    assert draft.grid_rpm is not None
    low, high = _judged_span(draft, curve)
    inside = (draft.grid_rpm >= low) & (draft.grid_rpm <= high)
    rpm, boost = draft.grid_rpm[inside], curve[inside]
    if rpm.size < 8:
        return 1e6
    if draft.shape == "flat":
        return float(boost.std())
    slope, start = np.polyfit((rpm - low) / (high - low), boost, 1)
    bend = float(np.std(boost - np.polyval([slope, start], (rpm - low) / (high - low))))
    if draft.shape == "falling":
        return bend + 0.3 * abs(slope + 1.8 * PSI)
    if draft.shape == "rising":
        return bend + 0.3 * abs(slope - 2.0 * PSI)
    return abs(float(boost[-1] - boost[0]) - 2.5 * PSI)


def _points(draft: _Draft, low: float, high: float) -> FloatArray:
    """Rpm of the target's points within the judged range."""
    if draft.shape == "flat":
        return np.array([low])
    if draft.shape != "stepped" or draft.hidden is None:
        return np.array([low, high])
    inner = [rpm for rpm in (draft.hidden.ramp_from, draft.hidden.ramp_to) if low + 200.0 < rpm < high - 200.0]
    return np.array([low, *inner, high])


def _finish(draft: _Draft) -> FleetCar:
    """Target through the hidden curve, rounded as a tuner would; knobs, limit, name."""
    assert draft.grid_rpm is not None
    assert draft.curve_kpa is not None
    assert draft.hidden is not None
    low, high = _judged_span(draft, draft.curve_kpa)
    inside = (draft.grid_rpm >= low) & (draft.grid_rpm <= high)
    at = _points(draft, low, high)
    hats = np.array([np.interp(draft.grid_rpm[inside], at, row) for row in np.eye(at.size)]).T
    if draft.kind in OUT_OF_REACH:
        heights = np.full(at.size, draft.level_kpa)
    else:
        heights, *_ = np.linalg.lstsq(hats, draft.curve_kpa[inside], rcond=None)
    boost_psi = np.round(heights / PSI * 2.0) / 2.0
    rpm = np.concatenate([[min(2500.0, low - 1000.0), low - 200.0], at + np.where(at == low, 0.0, 0.0)])
    psi = np.concatenate([[0.5 * boost_psi[0], boost_psi[0]], boost_psi])
    if rpm[-1] < high:
        rpm, psi = np.append(rpm, high), np.append(psi, psi[-1])
    target = Target(rpm, psi * PSI, low, high)
    knobs, scale = _knobs(draft, float(psi.max()))
    car = replace(
        draft.car,
        target=target,
        controller=replace(draft.car.controller, gain_scale=draft.car.controller.gain_scale / scale),
    )
    name = f"{_PLACES[int(draft.rng.integers(len(_PLACES)))]} {_BODIES[int(draft.rng.integers(len(_BODIES)))]}"
    return FleetCar(
        kind=draft.kind,
        seed=draft.seed,
        name=name,
        car=car,
        target=target,
        knobs=knobs,
        limit_kpa=float((psi.max() + 3.0) * PSI),
        shape=draft.shape,
        reachable=draft.kind not in OUT_OF_REACH,
        hidden=draft.hidden,
    )


def _knobs(draft: _Draft, highest_psi: float) -> tuple[dict[str, Knob], float]:
    """The controller's dials, and the upper end of its gain scale."""
    upper, resolution, step = ((10.0, 1.0, 2.0), (10.0, 0.5, 3.0), (5.0, 0.1, 1.0), (100.0, 5.0, 20.0))[
        int(draft.rng.integers(4))
    ]
    knobs = {
        "duty": Knob("duty", 0.0, 90.0, 1.0, 20.0),
        "ramp_from": Knob("ramp_from", 3000.0, 6000.0, 100.0, 500.0),
        "ramp_to": Knob("ramp_to", 4500.0, 7500.0, 100.0, 500.0),
        "ramp_add": Knob("ramp_add", 0.0, 30.0, 1.0, 10.0),
        "engagement": Knob("engagement", 0.0, highest_psi * PSI, 0.5 * PSI, 3.0 * PSI),
        "gain": Knob("gain", 0.0, upper, resolution, step),
    }
    if draft.kind == "plain controller":
        knobs |= {name: Knob(name, value, value, 1.0, 1.0) for name, value in
                  (("ramp_from", 4500.0), ("ramp_to", 7000.0), ("ramp_add", 0.0), ("gain", 0.0))}
    return knobs, upper
