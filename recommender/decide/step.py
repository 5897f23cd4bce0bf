"""What a job asks for and what the decision answers: plain values shared by decision, record, session and screens.

Boost is kPa gauge here. ``recommender.session`` turns it into the job's unit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from models.curve import Target
from models.settings import Knob, Settings
from models.units import FloatArray, from_kpa
from recommender import wording

Verdict = Literal["pull", "repeat", "done", "out of reach", "stop"]


@dataclass(frozen=True)
class Problem:
    """The job, as far as the decision needs it.

    Attributes:
        target: Boost wanted.
        limit_kpa: Overpressure limit. [kPa gauge]
        risk: Highest probability of passing the limit that a proposal may have. [-]
        tolerance_kpa: Deviation at which the job is done. [kPa]
        knobs: The six knobs; engagement in kPa gauge.
        pressure_unit: Unit in which sentences give pressures: psi, kPa or bar.
        seed: Where all random numbers of the job come from.
    """

    target: Target
    limit_kpa: float
    risk: float
    tolerance_kpa: float
    knobs: Mapping[str, Knob]
    pressure_unit: str = "psi"
    seed: int = 0

    def say(self, kpa: float, *, signed: bool = False) -> str:
        """A pressure in the job's unit, as a sentence gives it: ``16.2 psi``."""
        unit = self.pressure_unit
        return f"{wording.pressure(float(from_kpa(kpa, unit)), unit, signed=signed)} {unit}"

    def say_past(self, kpa: float, bound_kpa: float, *, fine: bool = False) -> str:
        """As ``say``, or ``say_fine``, with digits enough to read otherwise than a bound: ``19.04 psi`` at 19.0."""
        unit = self.pressure_unit
        value, bound = float(from_kpa(kpa, unit)), float(from_kpa(bound_kpa, unit))
        return f"{wording.past(value, bound, unit, finer=fine)} {unit}"

    def say_fine(self, kpa: float) -> str:
        """A deviation in the job's unit, one digit finer: ``0.38 psi``."""
        unit = self.pressure_unit
        return f"{wording.fine(float(from_kpa(kpa, unit)), unit)} {unit}"


@dataclass(frozen=True)
class Band:
    """Where the next pull's boost is expected, gauge reading included: 90 % at each rpm.

    Arrays of one length; boost in kPa gauge.
    """

    rpm: FloatArray
    mean_kpa: FloatArray
    low_kpa: FloatArray
    high_kpa: FloatArray


@dataclass(frozen=True)
class Reason:
    """One sentence and what kind of reason it is.

    ``code`` is a short stable word group (``baseline``, ``risk gate``, ``duty step`` …) for tests and screens.
    """

    code: str
    text: str


@dataclass(frozen=True)
class Alternative:
    """A step that was looked at and not taken."""

    settings: Settings
    deviation_kpa: float
    risk: float
    ruled_out_by: str


@dataclass(frozen=True)
class Decision:
    """The answer to "what next".

    Attributes:
        verdict: What to do.
        settings: What to dial in; None when there is nothing to run.
        risk: Probability that the highest boost of the next pull passes the limit. For ``done`` and ``out of reach``
            that of another pull with the settings that stand.
        deviation_kpa: Expected deviation of the next pull (or of the settings that stand). [kPa]
        band: Expected curve.
        peak_kpa: Expected highest boost. [kPa gauge]
        peak_high_kpa: Highest boost that is passed with 5 % probability. [kPa gauge]
        margin_kpa: Limit minus ``peak_high_kpa``. [kPa]
        tightest_rpm: Where the band comes nearest to the limit. [rpm]
        reasons: Most important first.
        binding: What held the step back: ``duty step``, ``risk gate``, ``engagement range`` …
        alternatives: Best ones ruled out.
        best_possible_kpa: Least deviation thought possible with this hardware; NaN before it can be told. [kPa]
        cause: For ``out of reach`` and ``stop``: the limit of the hardware, in a few words (``floor above target``,
            ``boost arrives late``, ``out of breath at the top``, ``boost creeps``, ``duty range used up``…); else "".
        cause_rpm: From which rpm the cause holds. [rpm], NaN where there is none
        best_number: Number of the pull that stands as the best so far; 0 before there is one.
    """

    verdict: Verdict
    settings: Settings | None
    risk: float
    deviation_kpa: float
    band: Band
    peak_kpa: float
    peak_high_kpa: float
    margin_kpa: float
    tightest_rpm: float
    reasons: tuple[Reason, ...]
    binding: tuple[str, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    best_possible_kpa: float = float("nan")
    cause: str = ""
    cause_rpm: float = float("nan")
    best_number: int = 0
    facts: Mapping[str, float] = field(default_factory=dict)


def at_rest(knobs: Mapping[str, Knob], settings: Settings) -> Settings:
    """Settings with the ends of a ramp that a controller lacks where its job file has them stand now.

    They stand over the judged range, which can be edited half-way through a job: nobody has dialled anything.
    """
    add = knobs["ramp_add"]
    if settings.ramp_add or not (add.fixed and add.lower == 0.0):
        return settings
    ends = {name: knobs[name].lower for name in ("ramp_from", "ramp_to") if knobs[name].fixed}
    return replace(settings, **ends)


def that_act(settings: FloatArray) -> FloatArray:
    """Settings with the ends of a ramp that adds nothing at 0: where it stands does nothing. Shape (S, 6), as given"""
    out = np.array(settings, dtype=float)
    out[out[:, 3] == 0.0, 1:3] = 0.0
    return out


def same(first: Settings | None, second: Settings | None) -> bool:
    """Whether two settings are the same on every knob."""
    if first is None or second is None:
        return first is second
    return bool(np.allclose(first.as_array(), second.as_array(), rtol=0.0, atol=1e-6))
