"""The physics prior: what is known of boost under a wastegate before the first pull.

Four things meet at every rpm:

* the *floor*, the spring's own curve, which duty raises by gate balance: boost times (1 - share) holds the spring, so
  boost = floor / (1 - share(duty));
* *creep*, below which boost cannot be held with the gate wide open, because gate or port is too small;
* the *ceiling*, what the turbo can do with the gate held shut: the spool line at low rpm, compressor and exhaust at
  the top;
* the *knee* between floor and ceiling: a gate that leaks before it should makes it round, engagement makes it
  sharp, and too much engagement lets boost run past it.

None of the constants is known. Each has a wide normal prior in a whitened coordinate ``z``; a car is one ``z``.

Symbols and shapes:
    D draws of the constants, S settings, M grid points, P constants
    u   rpm scaled so that 0 is judge_from and 1 is judge_to, see ``scaled_over``   (M,)
    z   whitened constants, standard normal a priori                         (D, P)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import linalg, special

from models.curve import Target
from models.settings import Knob, effective_duty
from models.units import FloatArray

#: name: (mean, standard deviation) of the constant in the scale in which it is normal. Logarithms are natural.
#: Soft and stiff springs, lazy solenoids, early and late turbos lie within. Set by how well the next pull was foreseen
#: on two families of virtual cars; touchy solenoids, and cars of a third family, lie farther out than this has them.
CONSTANTS: Final[dict[str, tuple[float, float]]] = {
    "log_floor": (np.log(0.61), 0.33),  # spring's boost over the highest target
    "floor_slope": (0.0, 0.14),  # log floor, judge_from to judge_to
    "log_creep": (np.log(0.33), 0.32),  # boost with the gate wide open at mid range, over the highest target
    "creep_slope": (0.7, 0.28),  # log of it, judge_from to judge_to
    "spool_at": (-0.11, 0.14),  # u at which the spool line passes the highest target
    "log_spool_slope": (np.log(3.8), 0.35),  # log boost per u along the spool line
    "log_top": (np.log(1.55), 0.27),  # ceiling at mid range over the highest target
    "top_slope": (-0.16, 0.15),  # log ceiling, judge_from to judge_to
    "dead_low": (9.5, 5.0),  # duty at which the solenoid begins to bleed [%]
    "full_at": (89.0, 10.0),  # duty at which it can bleed no more [%]
    "log_curvature": (np.log(1.24), 0.36),  # exponent of the share over its travel
    "logit_most": (0.87, 0.60),  # share bled at the end of the travel
    "duty_tilt": (-0.16, 0.14),  # how much less duty is worth at judge_to than at judge_from
    "duty_bow": (0.04, 0.077),  # the same, second order
    "log_knee": (np.log(9.0), 0.80),  # sharpness of the knee with the gate idle
    "log_sharpen": (np.log(0.9), 0.35),  # how much engagement sharpens it
    "log_spike": (np.log(0.06), 0.65),  # boost past the knee per unit of engagement too near, over the regulated boost
    "spike_from": (0.88, 0.056),  # engagement over regulated boost from which the spike grows
    "log_spike_idle": (np.log(0.007), 0.80),  # boost past the knee with engagement idle
    "log_spike_length": (np.log(0.08), 0.32),  # u over which the spike dies
    "log_pull_together": (np.log(1.5), 0.63),  # feedback: error divided by 1 + this at full gain
    "aim_offset": (0.0, 0.01),  # where feedback pulls to, over the target, less 1
    "log_ring_from": (np.log(0.60), 0.80),  # share of full gain from which it rings
    "log_ring": (np.log(0.04), 1.00),  # growth of the ringing, over boost per tenth of the gain range
}
NAMES: Final = tuple(CONSTANTS)

#: Bound on the named constants' whitened coordinates.
FARTHEST: Final = 3.5
#: The same for those of the free shapes: a fit that tries constants far out must find boost that floats can hold.
FARTHEST_SHAPE: Final = 5.0

#: Free shape of floor, spool line and top of the ceiling beyond their straight lines: (length in u, deviation of log).
FLOOR_SHAPE: Final = (0.30, 0.10)
SPOOL_SHAPE: Final = (0.25, 0.15)
TOP_SHAPE: Final = (0.40, 0.08)
SHAPE_SPACING: Final = 0.22
#: The same for the logarithm of what a point of duty is worth, over duty [%]: solenoids that differ from the formula.
DUTY_SHAPE: Final = (20.0, 0.42)
DUTY_SPACING: Final = 9.0
#: Duty at which the response is tabulated. [%]
DUTY_TABLE: Final = np.linspace(0.0, 100.0, 51)

#: Rpm by which boost answers duty late, over the judged range: lag of solenoid, gate and gauge in a usual sweep.
DUTY_LAG: Final = 0.06

#: Sharpness of the step from boost that the gate holds to boost that it cannot let off.
CREEP_SHARPNESS: Final = 10.0

#: Duty over which the ends of the solenoid's travel are rounded. [%]
ROUNDING_PCT: Final = 2.5

#: Least range over which rpm is scaled: an engine is no quicker over rpm because less of it is judged. [rpm]
LEAST_SPAN: Final = 1400.0


def bled_share(
    duty_pct: FloatArray, *, dead_low: FloatArray, full_at: FloatArray, curvature: FloatArray, most: FloatArray
) -> FloatArray:
    """Share of the boost signal that the solenoid keeps from the wastegate.

    Args:
        duty_pct: Effective duty. [%], any shape
        dead_low: Duty at which bleeding begins. [%]
        full_at: Duty at which it is complete. [%]
        curvature: 1 for a straight response, above 1 for one that starts slowly. [-]
        most: Share at the end of the travel. [-], 0 to 1
    Returns:
        Share, never falling with duty, 0 to ``most``. Broadcast shape
    """
    rise = _soft_plus((duty_pct - dead_low) / ROUNDING_PCT)
    excess = _soft_plus((duty_pct - full_at) / ROUNDING_PCT)
    travel = np.clip((rise - excess) * ROUNDING_PCT / (full_at - dead_low), 1e-9, 1.0)
    return most * np.exp(curvature * np.log(travel))  # as travel**curvature, in a third of the time


def _shape_basis(u: FloatArray, length: float, deviation: float, spacing: float = SHAPE_SPACING) -> FloatArray:
    """Whitened basis of a smooth random function of u: basis @ standard normal has a squared-exponential covariance.

    Rasmussen & Williams, "Gaussian Processes for Machine Learning" (2006), eq. 2.19 for the values between the knots.
    """
    knots = np.arange(u[0], u[-1] + spacing, spacing)
    between = np.exp(-0.5 * ((u[:, None] - knots[None, :]) / length) ** 2)
    at_knots = np.exp(-0.5 * ((knots[:, None] - knots[None, :]) / length) ** 2) + 1e-6 * np.eye(knots.size)
    root = linalg.cholesky(at_knots, lower=True)
    basis: FloatArray = deviation * linalg.solve_triangular(root, between.T, lower=True).T
    return basis


def scaled_over(target: Target, rpm: FloatArray) -> tuple[float, float]:
    """First rpm and width of the range that counts as 0 to 1: the judged one, or one around it where that is narrow.

    Args:
        target: Boost wanted.
        rpm: Grid, beyond which the range is not widened. Shape (M,), [rpm]
    """
    span = target.judge_to - target.judge_from
    if span >= LEAST_SPAN:
        return target.judge_from, span
    middle = 0.5 * (target.judge_from + target.judge_to)
    first = np.clip(middle - 0.5 * LEAST_SPAN, rpm[0], max(rpm[0], rpm[-1] - LEAST_SPAN))
    return float(first), LEAST_SPAN


@dataclass(frozen=True)
class Parts:
    """A car's curves and constants for D draws, ready to be met with settings. Arrays (D, M) or (D, 1)."""

    constants: dict[str, FloatArray]
    log_floor: FloatArray
    log_ceiling: FloatArray
    lift: FloatArray  # log of boost over floor at the duty of DUTY_TABLE; (D, 51)


class Gate:
    """Boost over rpm and settings for any number of cars at once.

    Args:
        target: Boost wanted; scales boost and rpm.
        knobs: Scale the gain: full gain is its dial's end.
        rpm: Grid. Shape (M,), [rpm]
        prior: Mean and standard deviation of each constant; ``CONSTANTS`` where it is None.
        most_gain: Highest gain that was run, which may be past the end of a dial that was narrowed since.
    """

    def __init__(
        self,
        target: Target,
        knobs: dict[str, Knob],
        rpm: FloatArray,
        prior: Mapping[str, tuple[float, float]] | None = None,
        most_gain: float = 0.0,
    ) -> None:
        self.rpm = rpm
        self.scale_kpa = float(np.max(target.boost_kpa))
        self.target_kpa = target.at(rpm)
        from_rpm, self.span_rpm = scaled_over(target, rpm)
        self.u = (rpm - from_rpm) / self.span_rpm
        self.full_gain = max(knobs["gain"].upper, most_gain) or 1.0
        self._shapes = [_shape_basis(self.u, *shape) for shape in (FLOOR_SHAPE, SPOOL_SHAPE, TOP_SHAPE)]
        self._shapes.append(_shape_basis(DUTY_TABLE, *DUTY_SHAPE, DUTY_SPACING))
        self._shape_ends = np.cumsum([len(NAMES)] + [basis.shape[1] for basis in self._shapes])
        known = CONSTANTS if prior is None else prior
        self._mean = np.array([known[name][0] for name in NAMES])
        self._deviation = np.array([known[name][1] for name in NAMES])

    @property
    def size(self) -> int:
        """Number of constants P."""
        return int(self._shape_ends[-1])

    def constants(self, z: FloatArray) -> dict[str, FloatArray]:
        """Named constants in the scale of ``CONSTANTS``. Values of shape (D, 1)"""
        values = self._mean + self._deviation * np.clip(z[:, : len(NAMES)], -FARTHEST, FARTHEST)
        return {name: values[:, i, None] for i, name in enumerate(NAMES)}

    def parts(self, z: FloatArray) -> Parts:
        """Floor and ceiling of each draw. ``z`` of shape (D, P)"""
        c = self.constants(z)
        ends = self._shape_ends
        floor_shape, spool_shape, top_shape, duty_shape = (
            np.clip(z[:, ends[i] : ends[i + 1]], -FARTHEST_SHAPE, FARTHEST_SHAPE) @ basis.T
            for i, basis in enumerate(self._shapes)
        )
        u = self.u
        log_scale = np.log(self.scale_kpa)
        log_floor = log_scale + c["log_floor"] + c["floor_slope"] * (u - 0.5) + floor_shape
        spool = np.exp(c["log_spool_slope"]) * (u - c["spool_at"]) + spool_shape
        top = c["log_top"] + c["top_slope"] * (u - 0.5) + top_shape
        log_ceiling = log_scale + _soft_min(spool, top, 6.0)
        return Parts(c, log_floor, log_ceiling, _lift(c, duty_shape))

    def boost(
        self,
        parts: Parts,
        settings: FloatArray,
        points: slice | npt.NDArray[np.int64] = slice(None),
        *,
        air: FloatArray | None = None,
    ) -> FloatArray:
        """Mean boost of each draw at each settings. [kPa gauge], shape (D, S, M)

        Args:
            parts: From ``parts``.
            settings: Shape (S, 6), engagement in kPa gauge.
            points: Grid points wanted.
            air: Logarithm of the barometer over that for which the ceiling stands. Shape (S,)
        """
        c = {name: value[:, :, None] for name, value in parts.constants.items()}
        log_ceiling = parts.log_ceiling[:, None, points]
        if air is not None and np.any(air):
            log_ceiling = log_ceiling + air[None, :, None]
        log_regulated = self._log_regulated(parts, c, settings, points)
        regulated = np.exp(log_regulated)
        nearness = settings[None, :, 4, None] / regulated
        sharp = 0.5 + 0.5 * np.tanh((nearness - 0.6) / 0.24)  # the logistic function, of width 0.12
        knee = np.exp(np.minimum(c["log_knee"] + np.exp(c["log_sharpen"]) * sharp, 4.0))
        steady = np.exp(_soft_min(log_ceiling, log_regulated, knee))
        return steady + self._spike(c, log_ceiling, log_regulated, regulated, nearness, self.u[points])

    def _log_regulated(
        self, parts: Parts, c: dict[str, FloatArray], settings: FloatArray, points: slice | npt.NDArray[np.int64]
    ) -> FloatArray:
        """Logarithm of the boost that the gate would hold if the turbo could always give it. (D, S, M)"""
        u = self.u[points]
        place = effective_duty(self.rpm[points] - DUTY_LAG * self.span_rpm, settings) / (DUTY_TABLE[1] - DUTY_TABLE[0])
        cell = np.minimum(place.astype(np.int64), DUTY_TABLE.size - 2)
        lift = parts.lift[:, cell]
        lift += (parts.lift[:, cell + 1] - lift) * (place - cell)
        tilt = 1.0 + c["duty_tilt"] * u + c["duty_bow"] * (u - 0.5) ** 2
        held = parts.log_floor[:, None, points] + lift * tilt
        creep = np.log(self.scale_kpa) + c["log_creep"] + c["creep_slope"] * (u - 0.5)
        unaided = _soft_max(held, creep, CREEP_SHARPNESS)
        gain = settings[None, :, 5, None] / self.full_gain
        if not np.any(gain):
            return unaided
        loop = np.exp(c["log_pull_together"]) * gain
        aim = self.target_kpa[points] * (1.0 + c["aim_offset"])
        together: FloatArray = np.log((np.exp(unaided) + aim * loop) / (1.0 + loop))
        return together

    def _spike(
        self,
        c: dict[str, FloatArray],
        log_ceiling: FloatArray,
        log_regulated: FloatArray,
        regulated: FloatArray,
        nearness: FloatArray,
        u: FloatArray,
    ) -> FloatArray:
        """Boost that runs past the knee before the gate answers. (D, S, M), kPa"""
        gap = log_ceiling - log_regulated
        past: npt.NDArray[np.bool_] = np.greater(gap, 0.0)
        first = np.argmax(past, axis=2)
        before = np.maximum(first - 1, 0)
        rows, columns = np.arange(gap.shape[0])[:, None], np.arange(gap.shape[1])
        low, high = gap[rows, columns, before], gap[rows, columns, first]
        share = np.where(first > 0, -low / np.maximum(high - low, 1e-6), 0.0)
        knee_u = u[before] + np.clip(share, 0.0, 1.0) * (u[first] - u[before])
        since = np.maximum((u - knee_u[:, :, None]) / np.exp(c["log_spike_length"]), 0.0)
        form = since * np.exp(1.0 - since)
        close = 0.5 * _soft_plus((nearness - c["spike_from"]) / 0.05)
        found = past[:, :, :1] | (first > 0)[:, :, None]
        size = np.exp(c["log_spike_idle"]) * found + np.exp(c["log_spike"]) * found * close
        spike: FloatArray = regulated * size * form
        return spike

    def ringing(self, c: dict[str, FloatArray], settings: FloatArray) -> FloatArray:
        """Half swing of the ringing that feedback causes, for constants from ``constants``. [kPa], shape (D, S)"""
        gain = settings[None, :, 5] / self.full_gain
        over = _soft_plus((gain - np.exp(c["log_ring_from"])) / 0.05) * 0.5
        ring: FloatArray = self.scale_kpa * np.exp(c["log_ring"]) * over * (gain > 0)
        return ring


def _lift(c: dict[str, FloatArray], shape: FloatArray) -> FloatArray:
    """Log of boost over floor for the duty of the table: gate balance, its slope bent by a free shape.

    The slope stays positive, so more duty never means less boost. Shape (D, 51)
    """
    share = bled_share(
        DUTY_TABLE[None],
        dead_low=c["dead_low"],
        full_at=np.maximum(c["full_at"], c["dead_low"] + 15.0),
        curvature=np.exp(c["log_curvature"]),
        most=special.expit(c["logit_most"]),
    )
    rise = np.diff(-np.log1p(-share), axis=1) * np.exp(0.5 * (shape[:, 1:] + shape[:, :-1]))
    return np.concatenate([np.zeros((rise.shape[0], 1)), np.cumsum(rise, axis=1)], axis=1)


def _soft_plus(value: FloatArray) -> FloatArray:
    """Logarithm of 1 + exp: 0 far below zero, the value far above; five times as fast as ``logaddexp``. Same shape"""
    risen: FloatArray = np.maximum(value, 0.0) + np.log1p(np.exp(-np.abs(value)))
    return risen


def _soft_min(first: FloatArray, second: FloatArray, sharpness: FloatArray | float) -> FloatArray:
    """Smooth smaller of two logarithms; sharper with ``sharpness``. Broadcast shape"""
    return np.minimum(first, second) - _rounding(first, second, sharpness)


def _soft_max(first: FloatArray, second: FloatArray, sharpness: FloatArray | float) -> FloatArray:
    """Smooth larger of two logarithms; sharper with ``sharpness``. Broadcast shape"""
    return np.maximum(first, second) + _rounding(first, second, sharpness)


def _rounding(first: FloatArray, second: FloatArray, sharpness: FloatArray | float) -> FloatArray:
    rounding: FloatArray = np.log1p(np.exp(-sharpness * np.abs(first - second))) / sharpness
    return rounding
