"""How a job of the family ``soaked`` is written: what the tuner has in mind, the dials, and the target."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from models.curve import Target
from models.settings import KNOB_NAMES, Knob, Settings
from models.units import FloatArray
from tests.fleet.families.seat import Seat, without
from tests.fleet.families.soaked_car import PSI, SoakedCar

#: Least and most boost that a target asks for at its highest. [kPa]
LEAST_KPA, MOST_KPA = 10.0 * PSI, 24.0 * PSI
#: Kinds of which most jobs cannot be done.
OUT_OF_REACH: Final = ("out of breath", "stiff spring")


@dataclass(frozen=True)
class Wish:
    """A target as the tuner has it in mind.

    Attributes:
        shape: flat, falling, rising or stepped.
        level: Boost where it is highest. [kPa gauge]
        change: How far it falls, rises or, downwards where negative, steps. [kPa]
        first, last: Judged range. [rpm]
        low_share: Share of the first boost that is wanted 1100 rpm before. [-]
        at: Where in the range it bends or steps. [-]
    """

    shape: str
    level: float
    change: float
    first: float
    last: float
    low_share: float
    at: float

    def target(self) -> Target:
        """As it is meant."""
        first, last, level, change = self.first, self.last, self.level, self.change
        middle = first + self.at * (last - first)
        if self.shape == "flat":
            rpm, boost = [first, last], [level, level]
        elif self.shape == "falling":
            rpm, boost = [first, middle, last], [level, level, level - change]
        elif self.shape == "rising":
            rpm, boost = [first, last], [level - change, level]
        else:
            a, b = (level - change, level) if change > 0 else (level, level + change)
            rpm, boost = [first, middle - 150.0, middle + 150.0, last], [a, a, b, b]
        all_rpm, all_boost = [first - 1100.0, *rpm], [self.low_share * boost[0], *boost]
        return Target(np.array(all_rpm), np.array(all_boost), judge_from=first, judge_to=last)

    def written(self) -> Target:
        """As it is written down: to 50 rpm and a tenth of a psi."""
        target, tenth = self.target(), 0.1 * PSI
        boost = np.clip(tenth * np.round(target.boost_kpa / tenth), 4.0 * PSI, MOST_KPA)
        return Target(50.0 * np.round(target.rpm / 50.0), boost, target.judge_from, target.judge_to)

    def bent(self, did: FloatArray, lap: int) -> Wish:
        """Nearer to what a car did, its shape kept where it can be.

        Args:
            did: Boost of the car less the written target, each 50 rpm of the range. [kPa]
            lap: How often this was done before.
        """
        rpm = np.arange(self.first, self.last + 1.0, 50.0)
        tilt, mean = np.polyfit((rpm - self.first) / (self.last - self.first) - 0.5, did, 1)
        shape, change, share = self.shape, self.change, 0.75
        more = share * (mean + 0.2 * (0 if shape != "rising" else tilt))
        level = float(np.clip(self.level + more, LEAST_KPA, MOST_KPA))
        if shape == "falling":
            change = float(np.clip(change - share * tilt, 0.4 * PSI, 5.0 * PSI))
        elif shape == "rising":
            change = float(np.clip(change + share * tilt, 0.4 * PSI, 5.0 * PSI))
        elif shape == "stepped":
            change = float(0.6 * change)
        elif lap >= 1 and abs(tilt) > 0.8 * PSI:
            shape = "falling" if tilt < 0 else "rising"
            change = float(np.clip(abs(tilt), 0.5 * PSI, 5.0 * PSI))
        # Boost that comes late is judged from a bit later.
        late = lap >= 2 and abs(did[0]) > 0.8 * PSI and self.last - self.first > 2550.0
        return replace(self, shape=shape, level=level, change=change, first=self.first + 100.0 * late)


@dataclass(frozen=True)
class Plan:
    """What is drawn for a job besides its car.

    Attributes:
        kind, seed: Of the car.
        hopeless: The target is to be out of reach.
        tended: The target is bent to what the car can do where need be.
        lacks: Knob that the controller lacks, or ``nothing``.
        gain_top, gain_res, ramp_signed, duty_top, duty_res, duty_step, rpm_res, rpm_step, add_step, engage_step:
            Dials: ends, whether a ramp may fall, resolutions, allowed steps. [as the knob; engagement in psi]
        shape, change, low_share, at: As in ``Wish``.
        width: Length of the judged range. [rpm]
        margin: Limit over the target's highest. [kPa]
        after: From where boost can be there to the judged range. [rpm]
    """

    kind: str
    seed: int
    hopeless: bool
    tended: bool
    lacks: str
    gain_top: float
    gain_res: float
    ramp_signed: bool
    duty_top: float
    duty_res: float
    duty_step: float
    rpm_res: float
    rpm_step: float
    add_step: float
    engage_step: float
    shape: str
    change: float
    low_share: float
    at: float
    width: float
    margin: float
    after: float

    def knobs(self, car: SoakedCar, limit_kpa: float) -> dict[str, Knob]:
        """Dials of the controller under a limit. [kPa gauge]"""
        low_rpm = self.rpm_res * np.floor(car.rpm_start / self.rpm_res)
        high_rpm = self.rpm_res * np.ceil(car.rpm_end / self.rpm_res)
        half = 0.5 * PSI
        engage_top = float(half * np.floor((limit_kpa - half) / half))
        knobs = {
            "duty": Knob("duty", 0, self.duty_top, self.duty_res, self.duty_step),
            "ramp_from": Knob("ramp_from", low_rpm, high_rpm, self.rpm_res, self.rpm_step),
            "ramp_to": Knob("ramp_to", low_rpm, high_rpm, self.rpm_res, self.rpm_step),
            "ramp_add": Knob("ramp_add", -30 if self.ramp_signed else 0, 30, 1, self.add_step),
            "engagement": Knob("engagement", 0, engage_top, half, self.engage_step * PSI),
            "gain": Knob("gain", 0, self.gain_top, self.gain_res, 2.0 * self.gain_top / 10.0),
        }
        return without(knobs, self.lacks)

    def seat(self, car: SoakedCar, target: Target) -> Seat[SoakedCar]:
        """The job."""
        limit = float(target.boost_kpa.max()) + self.margin
        return Seat(f"{self.kind} {self.seed}", self.kind, car, target, limit, self.knobs(car, limit))


def plan_of(kind: str, seed: int, hopeless: bool, tended: bool, r: np.random.Generator) -> Plan:
    """What a tuner has in mind, drawn."""
    u = r.uniform
    lacks = str(r.choice(["nothing", "gain", "ramp_add"], p=[0.72, 0.16, 0.12]))
    gain_top = float(r.choice([10.0, 100.0], p=[0.75, 0.25]))
    shape = str(r.choice(["flat", "falling", "rising", "stepped"], p=[0.4, 0.25, 0.15, 0.2]))
    change = u(1.0, 3.5) * PSI
    change *= 0.4 if lacks == "ramp_add" else 1.0
    low_share, at, width, margin, after = u(0.4, 0.7), u(0.2, 0.7), u(2500, 3500), u(2.5, 3.5) * PSI, u(150, 500)
    at *= 0.6 if shape == "falling" else 1.0
    if shape == "stepped":
        change *= float(r.choice([-1.0, 1.0]))
    dials = {
        "ramp_signed": r.random() < 0.75,
        "duty_top": float(r.choice([90.0, 100.0])),
        "duty_res": float(r.choice([1.0, 0.5], p=[0.8, 0.2])),
        "duty_step": float(r.integers(15, 26)),
        "rpm_res": float(r.choice([100.0, 250.0])),
        "rpm_step": float(r.choice([500.0, 750.0, 1000.0])),
        "add_step": float(r.integers(10, 16)),
        "engage_step": float(r.choice([3.0, 3.5, 4.0, 4.5, 5.0])),
        "gain_res": float(r.choice([1.0, 0.5])),
    }
    meant = {"shape": shape, "change": change, "low_share": low_share, "at": at}
    room = {"width": width, "margin": margin, "after": after}
    return Plan(kind, seed, hopeless, tended, lacks, gain_top, **(dials | meant | room))  # type: ignore[arg-type]


def dialled(seat: Seat[SoakedCar], values: FloatArray) -> Settings:
    """The nearest that can be dialled in to six values in the order of the knobs; duty stays within 3.4 steps."""
    out = []
    for name, value in zip(KNOB_NAMES, values, strict=True):
        k = seat.knobs[name]
        out.append(float(k.value(k.index(min(value, 3.4 * k.step) if name == "duty" else value))))
    ramp_to = seat.knobs["ramp_to"]
    if out[1] > out[2] - ramp_to.resolution:
        out[1], out[2] = sorted(out[1:3])
        out[2] = min(max(out[2], out[1] + ramp_to.resolution), ramp_to.upper)
    return Settings(*out)
