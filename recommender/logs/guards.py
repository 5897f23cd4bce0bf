"""Guard channels: a bound that was passed during a pull, or that is being approached as boost rises."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from models.units import FloatArray
from recommender.logs.options import Guard

#: A guard channel is warned of when its trend passes the bound within this much more boost. [kPa]
AHEAD_KPA: Final = 20.0
#: Lambda is watched once boost has passed this share of the pull's highest: before, the probe still shows part load.
LAMBDA_FROM: Final = 0.3
#: Share of the pull's highest boost over which trends are looked for.
ON_BOOST: Final = 0.3
#: A trend must stand out of its own standard error by this factor.
LEAST_T: Final = 5.0

_WORDS: Final = {
    "lambda_": "lambda", "exhaust_c": "exhaust temperature", "knock": "knock", "intake_c": "intake temperature",
    "coolant_c": "coolant temperature", "duty": "duty",
}  # fmt: skip


@dataclass(frozen=True)
class GuardFinding:
    """What a guard saw.

    Attributes:
        role: Guarded channel.
        kind: ``passed``, or ``approaching``.
        bound: The bound, in the channel's unit.
        value: Worst value, or the one expected ``AHEAD_KPA`` further up.
        time_s: First moment past the bound, or of the worst value. [s]
        rpm, boost_kpa: At that moment. [rpm], [kPa gauge]
        text: A sentence.
    """

    role: str
    kind: Literal["passed", "approaching"]
    bound: float
    value: float
    time_s: float
    rpm: float
    boost_kpa: float
    text: str


def _rise_with_boost(rpm: FloatArray, boost_kpa: FloatArray, values: FloatArray) -> float:
    """Slope of a channel over boost with engine speed accounted for; 0 where it does not stand out. [unit/kPa]

    Least squares on boost and engine speed together: exhaust temperature rises with engine speed at equal boost too.
    """
    loaded = boost_kpa > ON_BOOST * boost_kpa.max()
    count = int(np.count_nonzero(loaded))
    if count < 12 or np.ptp(boost_kpa[loaded]) < 5.0 or np.ptp(values[loaded]) == 0:
        return 0.0
    columns = np.column_stack([np.ones(count), boost_kpa[loaded], rpm[loaded] / 1000.0])
    weights, _, rank, _ = np.linalg.lstsq(columns, values[loaded], rcond=None)
    if rank < 3:
        return 0.0
    rest = values[loaded] - columns @ weights
    spread = np.linalg.inv(columns.T @ columns)[1, 1] * float(rest @ rest) / (count - 3)
    slope = float(weights[1])
    return slope if abs(slope) > LEAST_T * np.sqrt(spread) else 0.0


def _one_bound(
    role: str, bound: float, sign: float, time_s: FloatArray, rpm: FloatArray, boost_kpa: FloatArray, values: FloatArray
) -> GuardFinding | None:
    """Finding for one bound; ``sign`` +1 for a highest, -1 for a lowest."""
    word = _WORDS.get(role, role)
    over = np.flatnonzero(sign * (values - bound) > 1e-9)
    if over.size:
        first = int(over[0])
        worst = float(sign * np.max(sign * values))
        text = (
            f"{word} passed its {'highest' if sign > 0 else 'lowest'} of {bound:g} at {time_s[first]:.2f} s, "
            f"{rpm[first]:.0f} rpm: {values[first]:g}, worst {worst:g}"
        )
        return GuardFinding(
            role, "passed", bound, worst, float(time_s[first]), float(rpm[first]), float(boost_kpa[first]), text
        )
    slope = _rise_with_boost(rpm, boost_kpa, values)
    worst_row = int(np.argmax(sign * values))
    ahead = float(values[worst_row]) + slope * AHEAD_KPA
    if sign * slope <= 0 or sign * (ahead - bound) <= 0:
        return None
    text = (
        f"{word} at {values[worst_row]:g} moves towards its bound of {bound:g} as boost rises: "
        f"about {ahead:.3g} with {AHEAD_KPA:g} kPa more"
    )
    return GuardFinding(
        role, "approaching", bound, ahead, float(time_s[worst_row]), float(rpm[worst_row]),
        float(boost_kpa[worst_row]), text,
    )  # fmt: skip


def readings(role: str, boost_kpa: FloatArray, values: FloatArray) -> npt.NDArray[np.bool_]:
    """Rows of a pull in which a guard can watch its channel; none where the channel was silent. Shape (n,)"""
    known = np.isfinite(values)
    return known & (boost_kpa > LAMBDA_FROM * boost_kpa.max()) if role == "lambda_" else known


def watch(
    role: str, guard: Guard, time_s: FloatArray, rpm: FloatArray, boost_kpa: FloatArray, values: FloatArray
) -> list[GuardFinding]:
    """Findings of one guard over one pull, bounds that were passed first.

    Args:
        role: Guarded channel.
        guard: Its bounds.
        time_s, rpm, boost_kpa, values: The pull. Shape (n,); NaN values are passed over
    """
    known = readings(role, boost_kpa, values)
    if not known.any():
        return []
    part = (time_s[known], rpm[known], boost_kpa[known], values[known])
    found = [
        _one_bound(role, bound, sign, *part)
        for bound, sign in ((guard.highest, 1.0), (guard.lowest, -1.0))
        if bound is not None
    ]
    return sorted((item for item in found if item is not None), key=lambda item: item.kind != "passed")
