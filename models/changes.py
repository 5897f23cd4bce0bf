"""Whether a car changed between two of its pulls: one car all along against one that changed, by marginal likelihood.

A change begins at a pull and stays. It is one of ``FORMS``, each a direction in which the whole curve moves:

* ``floor``: boost that the gate holds, by a share: spring, preload, what reaches the wastegate;
* ``ceiling``: what the turbo can give, by a share: a leak, or one that was closed;
* ``shift``: the whole curve along rpm, earlier where it is above 0: spool, or rpm read differently;
* ``drift``: boost that falls or rises by a share with every pull since the first.

The surrogate's model is taken as linear around its best fit, constants integrated out, so that a change is one more
column with a normal prior on its amount; its evidence is a rank-one update of the likelihood (Rasmussen & Williams
2006, eq. 2.43; C. M. Bishop, "Pattern Recognition and Machine Learning" (2006), sec. 3.4). The sizes of residual and
repeatability are summed over in both, so that scatter from pull to pull is no change.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from scipy import linalg

from models.gate import Gate, Parts
from models.units import FloatArray

if TYPE_CHECKING:
    from models.surrogate import BoostSurrogate

Form = Literal["floor", "ceiling", "shift", "drift"]

#: Standard deviation of each form's amount a priori: shares; for ``shift`` in u, for ``drift`` a share a pull.
FORMS: Final[dict[Form, float]] = {"floor": 0.12, "ceiling": 0.20, "shift": 0.06, "drift": 0.008}
#: Step of the difference quotients, log of boost.
_STEP: Final = 0.02


@dataclass(frozen=True)
class Change:
    """A change of the car, as found.

    Attributes:
        form: Which direction.
        since: Number of the first pull after it; of the first pull at all for ``drift``.
        evidence: Natural logarithm of the odds that the pulls give it against one car all along. [-]
        amount: Expected amount, in the unit of ``FORMS``.
        spread: Its standard deviation.
        best: Whitened constants around which the model was taken as linear. Shape (P,)
    """

    form: Form
    since: int
    evidence: float
    amount: float
    spread: float
    best: FloatArray

    def weight(self, numbers: FloatArray | float) -> FloatArray:
        """How many times the amount counts in each pull, by number. Shape of ``numbers``"""
        since = np.asarray(numbers, dtype=float) - self.since
        return np.maximum(since, 0.0) if self.form == "drift" else np.asarray(since >= 0.0, dtype=float)


def car_since(changes: Sequence[Change]) -> int:
    """Number of the first pull of the car as it is now; 0 where it did not change."""
    return max((c.since for c in changes if c.form != "drift"), default=0)


def effect(
    gate: Gate,
    parts: Parts,
    form: Form,
    settings: FloatArray,
    points: slice = slice(None),
    air: FloatArray | None = None,
) -> FloatArray:
    """Derivative of one car's curves by the amount of a change. [kPa per unit of ``FORMS``], shape (S, M)

    Args:
        gate, parts: One car: parts of one draw.
        form: Which change.
        settings: Shape (S, 6), engagement in kPa gauge.
        points: Grid points wanted.
        air: As in ``Gate.boost``. Shape (S,)
    """
    if form == "shift":
        return np.asarray(np.gradient(gate.boost(parts, settings, air=air)[0], gate.u, axis=1)[:, points])
    base = gate.boost(parts, settings, points, air=air)[0]
    if form == "drift":
        return np.asarray(base)
    moved = (
        replace(parts, log_floor=parts.log_floor + _STEP)
        if form == "floor"
        else replace(parts, log_ceiling=parts.log_ceiling + _STEP)
    )
    return np.asarray((gate.boost(moved, settings, points, air=air)[0] - base) / _STEP)


def scan(surrogate: BoostSurrogate) -> list[Change]:
    """Every change that the fitted pulls could show, strongest evidence first.

    A change at the second pull is not among them: what solenoid and change do cannot be told apart there.
    """
    e, p, gate = surrogate.evidence_, surrogate.posterior_, surrogate.gate_
    numbers = np.unique(e.numbers)
    if numbers.size < 3 or not surrogate.physics:
        return []
    parts = p.best_parts
    tried = [
        Change(form, int(since), 0.0, 0.0, 0.0, p.best) for since in numbers[2:] for form in FORMS if form != "drift"
    ]
    tried.append(Change("drift", int(numbers[0]), 0.0, 0.0, 0.0, p.best))
    curves = {form: effect(gate, parts, form, e.settings, air=e.air)[e.pull, e.point] for form in FORMS}
    directions = np.stack([curves[c.form] * c.weight(e.numbers)[e.pull] for c in tried], axis=1)
    deviations = np.array([FORMS[c.form] for c in tried])
    alone, changed, amounts = _weighed(surrogate, directions, deviations)
    gained = np.logaddexp.reduce(changed, axis=0) - np.logaddexp.reduce(alone)
    likely = amounts[changed.argmax(axis=0), :, np.arange(len(tried))]
    found = [
        replace(c, evidence=float(odds), amount=float(amount), spread=float(spread))
        for c, odds, (amount, spread) in zip(tried, gained, likely, strict=True)
    ]
    return sorted(found, key=lambda c: -c.evidence)


def _weighed(
    surrogate: BoostSurrogate, directions: FloatArray, deviations: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log evidence of one car at each pair of sizes (K,), of each change (K, C), and amount and spread (K, 2, C)."""
    alone: list[float] = []
    changed, amounts = [], []
    for covariance, lifted, penalty in surrogate.weighed_covariances():
        root = linalg.cholesky(covariance, lower=True)
        misfit = linalg.solve_triangular(root, lifted, lower=True)
        white = linalg.solve_triangular(root, directions, lower=True)
        one_car = -0.5 * float(misfit @ misfit) - float(np.log(np.diag(root)).sum()) - penalty
        towards, precision = white.T @ misfit, np.sum(white**2, axis=0) + 1.0 / deviations**2
        alone.append(one_car)
        changed.append(one_car + 0.5 * towards**2 / precision - 0.5 * np.log(precision * deviations**2))
        amounts.append(np.stack([towards / precision, precision**-0.5]))
    return np.array(alone), np.array(changed), np.array(amounts)


def directions_of(
    gate: Gate,
    changes: Sequence[Change],
    settings: FloatArray,
    points: slice = slice(None),
    air: FloatArray | None = None,
) -> FloatArray:
    """What one standard deviation of each change's prior does to curves of a pull in which it counts once. [kPa]

    Shape (C, S, M)
    """
    return np.stack(
        [FORMS[c.form] * effect(gate, gate.parts(c.best[None]), c.form, settings, points, air) for c in changes]
    )
