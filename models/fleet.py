"""Many different virtual cars, each with the target a tuner would set for it.

A target is drawn from what the car can do: hidden settings are tried on the car without drift, and the target is a
plain shape through the curve they give. So most cars can reach theirs; the kinds in ``OUT_OF_REACH`` cannot.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from types import MappingProxyType
from typing import Final

import numpy as np

from models.car_parts import Car
from models.curve import Target
from models.fleet_parts import KINDS, OUT_OF_REACH, draw_car
from models.fleet_targets import PSI, SHAPES, Draft, draw_target, try_duties, try_ramps
from models.held_run import hold
from models.settings import Knob, Settings
from models.virtual_car import VirtualPull, simulate

__all__ = ["KINDS", "OUT_OF_REACH", "SHAPES", "FleetCar", "make", "make_many", "pull_all"]

#: Overpressure limit above the highest target (common practice). [psi]
LIMIT_ABOVE_PSI: Final = 3.0

#: A hand on the duty knob at held rpm: it rests while boost comes up, then turns. [s], [points a second]
HAND_RESTS_S: Final = 2.0
HAND_RATE: Final = 4.0

_PLACES: Final = ("Harbour", "Quarry", "Orchard", "Viaduct", "Lantern", "Granite", "Juniper", "Ferry", "Heron", "Mill")
_BODIES: Final = ("hatch", "saloon", "coupe", "estate", "roadster", "pickup", "van", "special")
#: Gain scales of controllers: upper end, resolution, step from one pull to the next.
_GAIN_DIALS: Final = ((10.0, 1.0, 2.0), (10.0, 0.5, 3.0), (5.0, 0.1, 1.0), (100.0, 5.0, 20.0))


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
        return Settings(0.0, self.knobs["ramp_from"].lower, self.knobs["ramp_to"].upper, 0.0, 0.0, 0.0)

    def pull(
        self, settings: Settings, number: int = 0, *, repeatable: bool = False, abort: bool = False
    ) -> VirtualPull:
        """One pull, the ``number``-th of the session from 0. Options as in ``pull_all``."""
        return pull_all([self], [settings], [number], repeatable=repeatable, abort=abort)[0]

    def hold(
        self, settings: Settings, rpm: float, number: int, *, stop_kpa: float, rate: float = HAND_RATE
    ) -> VirtualPull:
        """A run at held rpm: duty is turned up by hand until boost passes ``stop_kpa``, and the driver lifts.

        Args:
            settings: What is dialled in at the beginning.
            rpm: Engine speed. [rpm]
            number: Which pull of the session it is, from 0.
            stop_kpa: Boost at which the driver lifts. [kPa gauge]
            rate: How fast duty is turned; 0 to leave it. [points a second]
        """
        most = self.knobs["duty"].upper

        def hand(time_s: float) -> float:
            return min(settings.duty + rate * max(time_s - HAND_RESTS_S, 0.0), most)

        length_s = HAND_RESTS_S + 1.0 + (most / rate if rate else 0.0)
        seed = _entropy(self.kind, self.seed)
        return hold(self.car, settings, rpm, hand, length_s, seed=seed, number=number, lift_above_kpa=stop_kpa)


def pull_all(
    cars: Sequence[FleetCar],
    settings: Sequence[Settings],
    numbers: Sequence[int],
    *,
    repeatable: bool = False,
    abort: bool = False,
) -> list[VirtualPull]:
    """One pull of each car, all in one batch.

    Args:
        cars, settings, numbers: Car, what is dialled in, and which pull of its session it is, from 0. Length n
        repeatable: Leave out drift, heat soak and gauge noise.
        abort: Drivers lift when boost passes their limit.
    """
    return simulate(
        [car.car for car in cars],
        settings,
        [_entropy(car.kind, car.seed) for car in cars],
        numbers,
        repeatable=repeatable,
        abort_above_kpa=[car.limit_kpa for car in cars] if abort else None,
    )


@lru_cache(maxsize=1024)
def make(kind: str, seed: int) -> FleetCar:
    """The car of a kind that belongs to a seed; the same one every time.

    Raises:
        ValueError: the kind is not in ``KINDS``.
    """
    return make_many([kind], [seed])[0]


def make_many(kinds: Sequence[str], seeds: Sequence[int]) -> list[FleetCar]:
    """The same cars as ``make`` gives one by one, tried out in two batches of pulls.

    Raises:
        ValueError: a kind is not in ``KINDS``, or the lengths differ.
    """
    unknown = sorted(set(kinds) - set(KINDS))
    if unknown:
        raise ValueError(f"kind must be one of {', '.join(KINDS)}, but got {', '.join(map(repr, unknown))}")
    drafts = [_draft(kind, seed) for kind, seed in zip(kinds, seeds, strict=True)]
    try_duties(drafts)
    try_ramps(drafts)
    return [_finish(draft, seed) for draft, seed in zip(drafts, seeds, strict=True)]


def _entropy(kind: str, seed: int) -> int:
    return zlib.crc32(kind.encode()) * 100003 + seed


def _draft(kind: str, seed: int) -> Draft:
    rng = np.random.default_rng([_entropy(kind, seed)])
    car, wish_psi = draw_car(kind, rng)
    shape = SHAPES[int(rng.integers(len(SHAPES)))]
    if kind in OUT_OF_REACH:
        shape = "flat"
    elif kind == "plain controller":
        shape = "falling"  # or rising: without a ramp, whatever the car does by itself
    return Draft(kind, car, shape, wish_psi * PSI, rng)


def _finish(draft: Draft, seed: int) -> FleetCar:
    if draft.hidden is None:
        raise RuntimeError(f"no hidden settings were found for {draft.kind!r}, seed {seed}")
    target, shape = draw_target(draft)
    highest_kpa = float(target.boost_kpa.max())
    knobs = _knobs(draft, highest_kpa)
    # Drawn as strength with the dial at its top; the controller counts in marks of its dial.
    marks = _GAIN_DIALS[0][0] if knobs["gain"].fixed else knobs["gain"].upper
    controller = replace(draft.car.controller, gain_scale=draft.car.controller.gain_scale / marks)
    return FleetCar(
        kind=draft.kind,
        seed=seed,
        name=f"{_PLACES[int(draft.rng.integers(len(_PLACES)))]} {_BODIES[int(draft.rng.integers(len(_BODIES)))]}",
        car=replace(draft.car, target=target, controller=controller),
        target=target,
        knobs=MappingProxyType(knobs),
        limit_kpa=highest_kpa + LIMIT_ABOVE_PSI * PSI,
        shape=shape,
        reachable=draft.kind not in OUT_OF_REACH,
        hidden=draft.hidden,
    )


def _knobs(draft: Draft, highest_kpa: float) -> dict[str, Knob]:
    """The controller's dials."""
    dial = _GAIN_DIALS[int(draft.rng.integers(len(_GAIN_DIALS)))]
    knobs = [
        Knob("duty", 0.0, 90.0, 1.0, 20.0),
        Knob("ramp_from", 3000.0, 6000.0, 100.0, 500.0),
        Knob("ramp_to", 4500.0, 7500.0, 100.0, 500.0),
        Knob("ramp_add", 0.0, 30.0, 1.0, 10.0),
        Knob("engagement", 0.0, highest_kpa, 0.5 * PSI, 3.0 * PSI),
        Knob("gain", 0.0, *dial),
    ]
    if draft.kind == "plain controller":
        fixed = {"ramp_from": 4500.0, "ramp_to": 7000.0, "ramp_add": 0.0, "gain": 0.0}
        knobs = [Knob(k.name, fixed[k.name], fixed[k.name], 1.0, 1.0) if k.name in fixed else k for k in knobs]
    return {knob.name: knob for knob in knobs}
