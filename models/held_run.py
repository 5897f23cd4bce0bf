"""A virtual car at held rpm, its duty turned by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from models.car_parts import Car
from models.controller import TICK_S, ControllerBatch
from models.engine import EngineBatch
from models.settings import Settings
from models.units import FloatArray
from models.virtual_car import PREROLL_S, VirtualPull, chance, drive, seen

#: Nobody holds rpm to the point: it creeps up by this much. [rpm]
CREEP_RPM: Final = 10.0


class _ByHand(ControllerBatch):
    """A controller whose duty knob is turned while the engine runs."""

    def __init__(self, car: Car, settings: Settings, hand: Callable[[float], float], begin_s: float) -> None:
        super().__init__([car], [settings])
        self.hand, self.begin_s = hand, begin_s

    def duty(self, rpm: FloatArray, boost_kpa: FloatArray) -> FloatArray:
        self.knobs[0, 0] = self.hand(max(self.tick_number * TICK_S - PREROLL_S - self.begin_s, 0.0))
        return super().duty(rpm, boost_kpa)


def hold(
    car: Car,
    settings: Settings,
    rpm: float,
    hand: Callable[[float], float],
    length_s: float,
    *,
    seed: int = 0,
    number: int = 0,
    lift_above_kpa: float = np.inf,
) -> VirtualPull:
    """Hold an engine speed at full load while duty is turned by hand.

    Args:
        car: The car.
        settings: What is dialled in; duty is the hand's.
        rpm: Engine speed. [rpm]
        hand: Duty at a time since the throttle was opened. [s] to [%]
        length_s: Time at full load. [s]
        seed, number: Chance, and which pull of the session it is, from 0.
        lift_above_kpa: The driver lifts when boost passes it. [kPa gauge]
    Returns:
        The run; its trace is from the opening of the throttle to its closing.
    """
    dyno = replace(
        car.dyno,
        start_rpm=rpm - 0.5 * CREEP_RPM,
        end_rpm=rpm + 0.5 * CREEP_RPM,
        rate_rpm_s=CREEP_RPM / length_s,
        hold_s=0.0,
    )
    held = replace(car, dyno=dyno)
    spring, soak_k, pace = chance([held], [seed], [number], repeatable=False)
    controller = _ByHand(held, settings, hand, dyno.cruise_s)
    recording = drive([held], EngineBatch([held], spring, soak_k), controller, np.array([lift_above_kpa]), pace)
    return seen(recording, 0, held, seed, number, repeatable=False)
