"""The optimiser of the decision: the best allowed grid point, constraints first."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize
from scipy.stats import qmc

from models.units import FloatArray

IntArray = npt.NDArray[np.int64]

#: Anything allowed beats anything not allowed; among what is not allowed, the smaller violation wins.
_FORBIDDEN = 1e6


@dataclass(frozen=True)
class Found:
    """Best grid point and all that were looked at, best first.

    Attributes:
        best: Grid positions. Shape (k,)
        value: Objective there.
        violation: 0 where allowed.
        seen: Different grid points looked at, best first. Shape (n, k)
        evaluations: How many points were asked for.
    """

    best: IntArray
    value: float
    violation: float
    seen: IntArray
    evaluations: int


def minimise(
    evaluate: Callable[[IntArray], tuple[FloatArray, FloatArray]],
    spans: Sequence[tuple[int, int]],
    *,
    seed: int,
    starts: IntArray | None = None,
    population: int = 48,
    rounds: int = 30,
) -> Found:
    """Least objective over a grid box under constraints, by differential evolution (SciPy).

    Constraints follow K. Deb, "An efficient constraint handling method for genetic algorithms" (2000): allowed points
    before forbidden ones, forbidden ones by their violation.

    Args:
        evaluate: Grid positions of shape (n, k) to objective (n,) and violation (n,), 0 or less where allowed.
        spans: First and last position of each knob.
        seed: Of the random numbers.
        starts: Points to begin with. Shape (m, k)
        population: Points held at once.
        rounds: Most generations.
    """
    low = np.array([span[0] for span in spans], dtype=np.int64)
    high = np.array([span[1] for span in spans], dtype=np.int64)
    free = np.flatnonzero(high > low)
    seen: dict[bytes, tuple[float, float]] = {}
    asked = 0

    def score(points: IntArray) -> FloatArray:
        nonlocal asked
        unique, back = np.unique(points, axis=0, return_inverse=True)
        keys = [point.tobytes() for point in unique]
        new = [i for i, key in enumerate(keys) if key not in seen]
        if new:
            values, violations = evaluate(unique[new])
            asked += len(new)
            for i, value, violation in zip(new, values, violations, strict=True):
                seen[keys[i]] = (float(value), max(float(violation), 0.0))
        scores = np.array([_merit(*seen[key]) for key in keys])
        return scores[np.ravel(back)]

    def widen(part: FloatArray) -> IntArray:
        points = np.tile(low, (part.shape[0], 1))
        points[:, free] = np.clip(np.rint(part), low[free], high[free]).astype(np.int64)
        return points

    given = np.empty((0, low.size), dtype=np.int64) if starts is None else np.clip(starts, low, high)

    def score_columns(columns: FloatArray, /) -> FloatArray:
        return score(widen(np.atleast_2d(columns.T)))

    if free.size == 0:
        score(low[None])
    else:
        count = max(population - given.shape[0], 8)
        sobol = qmc.Sobol(free.size, seed=np.random.default_rng(seed))
        spread = low[free] + sobol.random(1 << int(np.ceil(np.log2(count))))[:count] * (high - low)[free]
        first = np.vstack([given[:, free].astype(float), spread])
        optimize.differential_evolution(
            score_columns,  # type: ignore[arg-type]  # vectorized: many points in, many scores out
            bounds=optimize.Bounds(low[free].astype(float), high[free].astype(float)),
            integrality=np.ones(free.size, dtype=bool),
            init=first,
            maxiter=rounds,
            mutation=(0.4, 0.9),
            recombination=0.8,
            tol=1e-6,
            atol=1e-9,
            rng=np.random.default_rng([seed, 1]),
            polish=False,
            vectorized=True,
            updating="deferred",
        )
    order = sorted(seen, key=lambda key: (seen[key][1] > 0.0, _merit(*seen[key]), key))
    points = np.array([np.frombuffer(key, dtype=np.int64) for key in order])
    value, violation = seen[order[0]]
    return Found(points[0], value, violation, points, asked)


def _merit(value: float, violation: float) -> float:
    return min(value, _FORBIDDEN) if violation <= 0.0 else _FORBIDDEN * (1.0 + violation)
