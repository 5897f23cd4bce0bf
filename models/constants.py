"""Most probable constants of the gate, under each kind of car that the prior tells apart.

What lifts boost at first can be a solenoid that bleeds much or a turbo with much in reserve, and two pulls seldom tell
which. A single best fit takes one of the two and is sure of it; fits under rival kinds keep both until a pull decides.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import linalg

from models.fit import Fit, least_squares
from models.gate import NAMES
from models.units import FloatArray

Curves = Callable[[FloatArray], FloatArray]
IntArray = npt.NDArray[np.int64]

#: Natural logarithm of how many times less likely than the straight line has it a draw may be to begin with.
RULED_OUT: Final = 6.0
#: Share of its distance from the best constants that a draw keeps each time it is brought nearer, and how often.
NEARER: Final = 0.7
TIMES: Final = 4
#: Steps of every draw after that, and most tries of a step: a draw that finds nothing stays where it is.
STEPS: Final = 2
TRIES: Final = 12


@dataclass(frozen=True)
class Kind:
    """A kind of car: how likely it is before any pull, and where its whitened constants lie.

    Attributes:
        share: Probability beforehand. [-]
        mean: Middle of the constants. Shape (P,)
        deviation: Standard deviation of the constants. Shape (P,)
    """

    share: float
    mean: FloatArray
    deviation: FloatArray

    def whiten(self, z: FloatArray) -> FloatArray:
        """Constants as deviations from this kind's middle. Shape as z"""
        return (z - self.mean) / self.deviation


#: Turbos that are nearly spent at the target, turbos with much in reserve, and solenoids that do all their work over a
#: short travel, late: how likely each is beforehand, and mean and deviation of those whitened constants that are not
#: as the prior has them.
KINDS: Final[tuple[tuple[float, Mapping[str, tuple[float, float]]], ...]] = (
    (0.4, {"log_top": (-1.0, 0.7)}),
    (0.4, {"log_top": (1.0, 0.7)}),
    (0.2, {"dead_low": (1.0, 1.7), "full_at": (-3.5, 1.5)}),
)


def plain(size: int) -> Kind:
    """The prior as it stands, no kinds told apart, for a gate of ``size`` constants."""
    return Kind(1.0, np.zeros(size), np.ones(size))


def kinds(size: int) -> list[Kind]:
    """Kinds of car of ``KINDS`` for a gate of ``size`` constants."""
    told_apart = []
    for share, differing in KINDS:
        mean, deviation = np.zeros(size), np.ones(size)
        for name, (middle, spread) in differing.items():
            mean[NAMES.index(name)], deviation[NAMES.index(name)] = middle, spread
        told_apart.append(Kind(share, mean, deviation))
    return told_apart


@dataclass(frozen=True)
class Data:
    """What the constants are to explain.

    Attributes:
        seen: Boost. Shape (N,), [kPa gauge]
        boost: The gate's boost at the same places for constants of shape (D, P). Shape (D, N)
        root: Lower Cholesky factor of the covariance of ``seen`` around the gate's boost. Shape (N, N)
    """

    seen: FloatArray
    boost: Curves
    root: FloatArray

    def misfit(self, z: FloatArray) -> FloatArray:
        """Independent misfits of unit variance. Shape (N,)"""
        return self._free(self.seen - self.boost(z[None])[0])

    def slopes(self, z: FloatArray) -> FloatArray:
        """Derivatives of ``misfit`` by the constants. Shape (N, P)"""
        return -self._free(slopes_of(self.boost, z))

    def cost(self, z: FloatArray) -> FloatArray:
        """Sum of squared misfits for constants of shape (D, P). Shape (D,)"""
        return np.asarray(np.sum(self._free((self.seen - self.boost(z)).T) ** 2, axis=0))

    def start(self, tries: FloatArray) -> FloatArray:
        """The one of the tried constants that explains the boost best for its distance from the middle. Shape (P,)"""
        cost = self.cost(tries) + np.sum(tries**2, axis=1)
        return np.asarray(tries[int(np.argmin(cost))])

    def _free(self, values: FloatArray) -> FloatArray:
        return np.asarray(linalg.solve_triangular(self.root, values, lower=True))


@dataclass(frozen=True)
class Explanation:
    """Most probable constants under one kind of car.

    Attributes:
        kind: The kind of car.
        best: Whitened constants. Shape (P,)
        precision: Of the constants around ``best``. Shape (P, P)
        evidence: Logarithm of the kind's probability and of how well it explains the data, up to a constant. [-]
        least: Sum of squared misfits and whitened constants at ``best``. [-]
    """

    kind: Kind
    best: FloatArray
    precision: FloatArray
    evidence: float
    least: float


def slopes_of(curves: Curves, z: FloatArray) -> FloatArray:
    """Derivatives of curves by the constants. Shape (N, P)"""
    step = 1e-4
    values = curves(np.vstack([z[None], z[None] + step * np.eye(z.size)]))
    return np.asarray(((values[1:] - values[0]) / step).T)


def best_constants(data: Data, kind: Kind, start: FloatArray) -> Fit:
    """Most probable constants under one kind of car, to a thousandth. ``start`` of shape (P,)"""
    return least_squares(
        lambda z: np.concatenate([data.misfit(z), kind.whiten(z)]),
        start,
        jacobian=lambda z: np.vstack([data.slopes(z), np.diag(1.0 / kind.deviation)]),
        tolerance=1e-3,
        evaluations=25,
    )


def explain(data: Data, kind: Kind, start: FloatArray) -> Explanation:
    """Fit one kind of car, and weigh it by Laplace's evidence (MacKay 2003, eq. 27.4)."""
    moved = np.where((kind.mean != 0.0) | (kind.deviation != 1.0), kind.mean, start)
    fit = best_constants(data, kind, moved)
    narrowing = 0.5 * float(np.linalg.slogdet(fit.information)[1]) + float(np.log(kind.deviation).sum())
    evidence = float(np.log(kind.share)) - 0.5 * fit.residual_sum - narrowing
    return Explanation(kind, fit.values, fit.information, evidence, fit.residual_sum)


def drawn(
    data: Data,
    found: Sequence[Explanation],
    normal: FloatArray,
    far: FloatArray,
    random: np.random.Generator,
    steps: int = STEPS,
) -> FloatArray:
    """Constants drawn from what the data leave of each kind of car, in proportion to its share.

    They begin as draws of Laplace's approximation, which puts a straight line through the best constants. Where boost
    bends, four in ten of those are cars that cannot have run the pulls, which alone made settings just run 0.5 psi
    uncertain. Such draws are brought nearer to the best constants; then every draw goes a few steps of elliptical slice
    sampling (I. Murray, R. P. Adams, D. J. C. MacKay, "Elliptical slice sampling" (2010)), which leaves the exact
    posterior as it is and takes in some of what the straight line does not reach.

    Args:
        data, found: What is to be explained, and the best explanation of each kind of car.
        normal: Normal draws. Shape (D, P)
        far: Factor on each draw's distance: its posterior is that at ``far`` times the standard deviations. Shape (D,)
        random: Of the steps.
        steps: How many; with none the draws stay those of Laplace's approximation.
    Returns:
        Shape (D, P)
    """
    mine = dealt(shares_of(found), normal.shape[0])
    roots = [linalg.cholesky(each.precision, lower=True) for each in found]
    every = np.arange(normal.shape[0])

    def place(white: FloatArray, rows: IntArray) -> tuple[FloatArray, FloatArray]:
        """Constants, and what they add to the cost beside the data, less that of their kind's best ones."""
        z, beside = np.empty_like(white), np.empty(rows.size)
        for i, (each, root) in enumerate(zip(found, roots, strict=True)):
            own = mine[rows] == i
            away = linalg.solve_triangular(root.T, white[own].T, lower=False).T
            z[own] = each.best + far[rows[own], None] * away
            beside[own] = np.sum(each.kind.whiten(z[own]) ** 2, axis=1) - each.least
        return z, beside

    def likelier(white: FloatArray, rows: IntArray) -> FloatArray:
        """Logarithm of how many times likelier draws are than the straight line has them."""
        z, beside = place(white, rows)
        return np.asarray(0.5 * (np.sum(white**2, axis=1) - (data.cost(z) + beside) / far[rows] ** 2))

    if steps == 0:
        return place(normal, every)[0]
    white = normal.copy()
    now = likelier(white, every)
    for _ in range(TIMES):
        out = every[now < -RULED_OUT]
        if not out.size:
            break
        white[out] *= NEARER
        now[out] = likelier(white[out], out)
    for _ in range(steps):
        white, now = _turned(white, now, likelier, random)
    return place(white, every)[0]


def _turned(
    white: FloatArray,
    now: FloatArray,
    likelier: Callable[[FloatArray, IntArray], FloatArray],
    random: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """One step of elliptical slice sampling of every draw (Murray, Adams, MacKay 2010, fig. 2).

    Args:
        white: Draws, normal but for ``likelier``. Shape (D, P)
        now: ``likelier`` of them. Shape (D,)
        likelier: Logarithm of the likelihood of draws, and which of them they are.
        random: Of the step.
    Returns:
        The draws after it, and ``likelier`` of them.
    """
    other, level = random.standard_normal(white.shape), now + np.log(random.random(now.size))
    angle = random.uniform(0.0, 2.0 * np.pi, now.size)
    low, high = angle - 2.0 * np.pi, angle.copy()
    white_after, after = white.copy(), now.copy()
    left = np.arange(now.size)
    for _ in range(TRIES):
        tried = np.cos(angle[left, None]) * white[left] + np.sin(angle[left, None]) * other[left]
        value = likelier(tried, left)
        taken = value > level[left]
        white_after[left[taken]], after[left[taken]] = tried[taken], value[taken]
        left = left[~taken]
        if not left.size:
            break
        back = angle[left] < 0.0
        low[left] = np.where(back, angle[left], low[left])
        high[left] = np.where(back, high[left], angle[left])
        angle[left] = random.uniform(low[left], high[left])
    return white_after, after


def shares_of(explanations: Sequence[Explanation]) -> FloatArray:
    """Probability of each explanation, given the data. Shape (K,)"""
    evidence = np.array([each.evidence for each in explanations])
    return np.asarray(np.exp(evidence - np.logaddexp.reduce(evidence)))


def dealt(shares: FloatArray, draws: int) -> IntArray:
    """Which explanation each draw belongs to: in proportion to the shares, evenly mixed. Shape (D,)

    Multiples of an irrational number fill the unit interval evenly (Niederreiter 1992, sec. 3.1). It is the root of
    two, since ``models.risk`` deals spikes by the golden section: which spike a draw has must not go with its kind.
    """
    places = (np.arange(draws) * np.sqrt(2.0) + 0.25) % 1.0
    return np.asarray(np.searchsorted(np.cumsum(shares)[:-1], places, side="right"), dtype=np.int64)
