"""Pulls of cars given by one line of arithmetic, for the tests of why: every effect in them is known beforehand."""

from __future__ import annotations

import numpy as np

from models.curve import Curve, Target
from models.evidence import Observation
from models.settings import Knob, Settings
from recommender.decide.step import Problem

PSI = 6.894757293
TARGET = Target(np.array([2600.0, 3900.0, 6800.0]), np.array([8.0, 16.0, 16.0]) * PSI, 3900.0, 6700.0)


def problem(*, unit: str = "psi", risk: float = 0.01, limit_psi: float = 19.0, duty_step: float = 20.0) -> Problem:
    """A job with all six knobs."""
    knobs = [
        Knob("duty", 0.0, 90.0, 1.0, duty_step),
        Knob("ramp_from", 3000.0, 5500.0, 100.0, 1000.0),
        Knob("ramp_to", 5600.0, 7000.0, 100.0, 1000.0),
        Knob("ramp_add", 0.0, 30.0, 1.0, 10.0),
        Knob("engagement", 0.0, 16.0 * PSI, 0.5 * PSI, 8.0 * PSI),
        Knob("gain", 0.0, 0.0, 1.0, 0.0),
    ]
    return Problem(TARGET, limit_psi * PSI, risk, 0.4 * PSI, {knob.name: knob for knob in knobs}, unit, 5)


def settings(duty: float) -> Settings:
    """Duty alone, everything else idle."""
    return Settings(duty, 4800.0, 6700.0, 0.0, 0.0, 0.0)


def boost(duty: float, *, worth_psi: float = 1.5, spring_psi: float = 9.0) -> np.ndarray:
    """Spring plus so many psi for every ten points of duty beyond ten, under a spool line. [kPa gauge]"""
    rpm = TARGET.grid()
    held = (spring_psi + worth_psi * max(duty - 10.0, 0.0) / 10.0) * PSI + 0.0 * rpm
    spool = 25.0 + 0.085 * (rpm - 2300.0)
    return -3.0 * np.logaddexp(-spool / 3.0, -held / 3.0)


def pull(
    number: int,
    duty: float,
    *,
    worth_psi: float = 1.5,
    spring_psi: float = 9.0,
    scale: float = 1.0,
    trusted: bool = True,
    remark: str = "",
    last_rpm: float = 7000.0,
) -> Observation:
    """A pull of the car with some duty; ``scale`` makes it differ from its equals, ``last_rpm`` aborts it."""
    rpm = TARGET.grid()
    curve = np.where(rpm <= last_rpm, scale * boost(duty, worth_psi=worth_psi, spring_psi=spring_psi), np.nan)
    peak = float(np.nanmax(curve)) + 0.5
    return Observation(
        number=number,
        settings=settings(duty),
        curve=Curve(rpm, curve, noise_kpa=0.3),
        peak_kpa=peak,
        sustained_peak_kpa=peak,
        noise_kpa=0.3,
        complete=last_rpm >= 6700.0,
        trusted=trusted,
        remark=remark,
    )
