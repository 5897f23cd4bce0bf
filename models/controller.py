"""The boost controllers of a batch of cars: solenoid duty from rpm, boost and the knobs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from models.car_parts import Car, stack
from models.settings import Settings, effective_duty
from models.units import FloatArray

#: Time between two decisions of a controller. [s]
TICK_S: Final = 0.01
#: Error beyond which the integral holds still, so that it does not wind up during spool. [kPa]
INTEGRAL_WINDOW_KPA: Final = 25.0
#: Smoothing of the derivative. [s]
DERIVATIVE_SMOOTHING_S: Final = 0.04

_TABLE_RPM: Final = np.arange(0.0, 12001.0, 20.0)


def bled_share(
    duty_pct: npt.ArrayLike, *, dead_band_pct: npt.ArrayLike, curvature: npt.ArrayLike, most: npt.ArrayLike
) -> FloatArray:
    """Share of the boost signal that the solenoid keeps from the wastegate.

    Args:
        duty_pct: Effective duty. [%], any shape
        dead_band_pct: Duty at each end that does nothing. [%]
        curvature: 1 for a straight response, above 1 for one that starts slowly. [-]
        most: Share at full duty. [-], 0 to 1
    Returns:
        Share kept from the wastegate, same shape as ``duty_pct``. [-], 0 to ``most``
    """
    dead = np.asarray(dead_band_pct, dtype=float)
    travel = (np.asarray(duty_pct, dtype=float) - dead) / (100.0 - 2.0 * dead)
    shaped = np.minimum(np.maximum(travel, 0.0), 1.0) ** np.asarray(curvature, dtype=float)
    share: FloatArray = np.asarray(most, dtype=float) * shaped
    return share


class ControllerBatch:
    """State of n controllers: engagement, feedback and its dead time."""

    def __init__(self, cars: Sequence[Car], settings: Sequence[Settings]) -> None:
        n = len(cars)
        c, s = stack([car.controller for car in cars]), stack([car.solenoid for car in cars])
        self.solenoid = s
        self.knobs = np.array([setting.as_array() for setting in settings])
        self.engagement = self.knobs[:, 4].copy()
        self.release = self.engagement * c.rearm_share
        self.gain = self.knobs[:, 5] * c.gain_scale
        self.authority = c.authority_pct
        laws = np.array([car.controller.law for car in cars])
        self.stepping = laws == "stepping"
        self.pace_i = np.where(laws == "integral", self.gain / c.integral_s, 0.0) * TICK_S
        self.time_d = np.where(laws == "derivative", c.derivative_s, 0.0)
        self.step_ticks = np.maximum(np.rint(c.stepping_s / TICK_S), 1.0).astype(np.int64)
        self.dead_ticks = np.rint(c.dead_time_s / TICK_S).astype(np.int64)
        self.table = np.array([car.target.at(_TABLE_RPM) for car in cars]).ravel()
        self.row = np.arange(n) * _TABLE_RPM.size
        self.cars = np.arange(n)
        self.seen = np.zeros((int(self.dead_ticks.max()) + 1, n))
        self.tick_number = 0
        self.regulating = np.zeros(n, dtype=bool)
        self.sum_i, self.slope, self.last_error = np.zeros(n), np.zeros(n), np.zeros(n)

    def _target(self, rpm: FloatArray) -> FloatArray:
        position = rpm / 20.0
        left = position.astype(np.int64)
        part = position - left
        at = self.row + left
        wanted: FloatArray = self.table[at] * (1.0 - part) + self.table[at + 1] * part
        return wanted

    def duty(self, rpm: FloatArray, boost_kpa: FloatArray) -> FloatArray:
        """Duty for the next tick.

        Args:
            rpm: Engine speed. Shape (n,), [rpm]
            boost_kpa: Boost at the controller's own sensor. Shape (n,), [kPa gauge]
        Returns:
            Commanded duty. Shape (n,), [%]
        """
        depth = self.seen.shape[0]
        self.seen[self.tick_number % depth] = self._target(rpm) - boost_kpa
        error = self.seen[(self.tick_number - self.dead_ticks) % depth, self.cars]
        self.regulating = (boost_kpa >= self.engagement) | (self.regulating & (boost_kpa >= self.release))
        self.slope += TICK_S / DERIVATIVE_SMOOTHING_S * ((error - self.last_error) / TICK_S - self.slope)
        self.last_error = error
        near = self.regulating & (np.abs(error) < INTEGRAL_WINDOW_KPA)
        now = near & (self.tick_number % self.step_ticks == 0)
        grown = self.sum_i + np.where(near, self.pace_i * error, 0.0)
        grown = grown + np.where(now & self.stepping, self.gain * error, 0.0)
        self.sum_i = np.where(self.regulating, np.clip(grown, -self.authority, self.authority), 0.0)
        direct = np.where(self.stepping, 0.0, self.gain * (error + self.time_d * self.slope))
        feedback = np.clip(direct + self.sum_i, -self.authority, self.authority)
        table = effective_duty(rpm[:, None], self.knobs)[:, 0]
        self.tick_number += 1
        return np.where(self.regulating, np.clip(table + feedback, 0.0, 100.0), 100.0)

    def share(self, duty_pct: FloatArray) -> FloatArray:
        """Share of the signal bled at a duty. Shape (n,), [-]"""
        s = self.solenoid
        return bled_share(duty_pct, dead_band_pct=s.dead_band_pct, curvature=s.curvature, most=s.most)
