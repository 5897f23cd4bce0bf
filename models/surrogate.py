"""The surrogate of boost over rpm and settings: physics prior, a Gaussian process for the rest, whole curves out.

    boost(u, x) = gate(u, x; z) + r(u, x) + pull effects + gauge noise

``z`` are the uncertain constants of ``models.gate``; ``r`` is a Gaussian process over (u, effective duty, engagement,
gain); a pull shifts boost by a share of itself (repeatability, and a drift that adds up from pull to pull) and in rpm
(spool that comes a little sooner or later). The posterior of z is a mixture, one part around the best fit of each kind
of car in ``models.constants``, with the covariance of everything else as noise: weighed by Laplace's evidence, drawn by
elliptical slice sampling from Laplace's approximation. r is then conditioned exactly for every draw of z (Rasmussen &
Williams 2006, eq. 2.23 to 2.24 and, for the linearised constants, sec. 2.7).

Symbols and shapes:
    N  boost values used                      y (N,)
    D  draws of z                             z (D, P)
    S  settings asked about, M grid points    curves (D, S, M)
All boost in kPa gauge.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt
from scipy import linalg
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.gaussian_process.kernels import RBF

from models import constants
from models.changes import Change, directions_of
from models.constants import Data, Explanation, Kind
from models.curve import Target
from models.evidence import Observation
from models.gate import FARTHEST_SHAPE, NAMES, Gate, Parts
from models.laid_out import lay_out, most_telling, rows_of
from models.settings import Knob, effective_duty
from models.units import FloatArray

#: Columns of ``X``: the six knobs (engagement in kPa gauge), engine rpm, number of the pull.
COLUMNS = ("duty", "ramp_from", "ramp_to", "ramp_add", "engagement", "gain", "rpm", "pull")

#: Reach of the Gaussian process: u, effective duty [%], engagement over highest target, gain over its range.
REACH = (0.30, 30.0, 0.30, 0.30)
#: What a ramp may do beside it: reach over u, and standard deviation over the highest target and a slope of duty of one
#: point per u. Gate and turbo answer a steep ramp late and then run past it, which no curve of boost over duty knows.
STEEP = (0.15, 0.002)
#: Length over which that slope is taken: it counts a little past the ramp's end. [u]
SLOPE_OVER = 0.1
#: Factors on its size and on the repeatability that are weighed against each other after the first fit.
SIZES = (0.4, 0.6, 0.9, 1.3, 2.0, 3.5)
#: Natural logarithm's deviation of both factors a priori.
SIZE_SPREAD = 0.9
#: Standard deviation of the power of the intake air's absolute temperature with which boost goes.
WARMTH = 0.5
#: Of what repeatability does, the share that is common to all duties of one run at held rpm.
RUN_SHARE = 0.8
#: Degrees of freedom of the draws, and 90 % point of the normal law over that of Student's.
TAIL_FREEDOM = 6.0
TAIL_SCALE = 1.6449 / 1.9432
#: Ringing as evidence: standard deviation of the root of a half swing, and what is added under the root. [kPa]
RING_NOISE = 0.5
RING_OFFSET = 0.5
#: Constants that nothing but ringing tells of, and draws of them that are weighed.
RINGING = [NAMES.index("log_ring_from"), NAMES.index("log_ring")]
RING_TRIES = 2048


@dataclass
class Posterior:
    """What is known after a fit: draws of the constants and everything needed to condition the rest on the data."""

    z: FloatArray  # (D, P)
    kind: Kind  # the likeliest kind of car
    best: FloatArray  # (P,) of that kind
    parts: Parts
    best_parts: Parts
    root: FloatArray  # (N, N) lower Cholesky factor of the covariance of y around the gate's curves
    weights: FloatArray  # (N, D) covariance solved against the misfit of each draw
    best_weights: FloatArray  # (N, 1)
    inputs: FloatArray  # (N, 6) inputs of the Gaussian process
    size: float
    repeatability: float
    noise: FloatArray  # (D, M) what makes each draw's scatter: normal values times the draw's tail


class BoostSurrogate(RegressorMixin, BaseEstimator):  # type: ignore[misc]
    """Boost over rpm and settings, learnt from a handful of pulls.

    Args:
        target: Boost wanted; scales rpm and boost.
        knobs: The six knobs; engagement in kPa gauge.
        points: Grid points over the rpm range of the target.
        draws: Curves drawn from the posterior.
        repeatability: Standard deviation of the share by which equal pulls differ, a priori. [-]
        drift: The same for what adds up from one pull to the next. [-]
        residual: Standard deviation of what the physics misses, over the highest target, a priori. [-]
        rpm_jitter: Standard deviation of a pull's shift along rpm. [u]
        physics: False replaces the gate by a flat mean (to show what the physics is worth).
        widen: Factor on the spread of the residual, and by its root on that of the constants, for when the last
            predictions missed. [-]
        process: False leaves out the Gaussian process (to show what it is worth).
        prior: Mean and standard deviation of each constant of the gate; ``models.gate.CONSTANTS`` where it is None.
        changes: Changes of the car between its pulls: from each on, its form is unknown anew, and the pulls before it
            count only for what they say of the rest.
        steps: Of each draw towards the exact posterior; 0 where only the best fit is asked about.
        seed: Where the draws come from.
    """

    def __init__(
        self,
        target: Target,
        knobs: Mapping[str, Knob],
        *,
        points: int = 44,
        draws: int = 384,
        repeatability: float = 0.008,
        drift: float = 0.004,
        residual: float = 0.030,
        rpm_jitter: float = 0.008,
        widen: float = 1.0,
        physics: bool = True,
        process: bool = True,
        prior: Mapping[str, tuple[float, float]] | None = None,
        changes: tuple[Change, ...] = (),
        steps: int = constants.STEPS,
        seed: int = 0,
    ) -> None:
        self.target = target
        self.knobs = knobs
        self.points = points
        self.draws = draws
        self.repeatability = repeatability
        self.drift = drift
        self.residual = residual
        self.rpm_jitter = rpm_jitter
        self.widen = widen
        self.physics = physics
        self.process = process
        self.prior = prior
        self.changes = changes
        self.steps = steps
        self.seed = seed

    # ---------------------------------------------------------------- scikit-learn's convention

    def fit(
        self,
        X: npt.ArrayLike,
        y: npt.ArrayLike,
        noise_kpa: npt.ArrayLike = 0.5,
        barometer_kpa: Mapping[float, float] | None = None,
        intake_c: Mapping[float, float] | None = None,
        rung: tuple[FloatArray, FloatArray] | None = None,
    ) -> Self:
        """Fit to boost values.

        A turbo multiplies the air it is given, so that the ceiling's gauge pressure goes with the barometer, while a
        spring works against it. What is predicted is a pull under the barometer last known. What intake air of
        another season does depends on intercooler and controller: boost goes with an unknown power of its temperature.

        Args:
            X: Columns as in ``COLUMNS``. Shape (n, 8)
            y: Boost. Shape (n,), [kPa gauge]
            noise_kpa: Standard deviation of ``y``. Shape (n,) or one value
            barometer_kpa: Ambient pressure by number of the pull, where known. [kPa absolute]
            intake_c: Temperature of the intake air by number of the pull, where known. [°C]
            rung: Settings of pulls with gain, shape (k, 6), and the half swing of their ringing, shape (k,) [kPa].
        Raises:
            ValueError: shapes that do not fit, or values that are not finite.
        """
        rows = np.asarray(X, dtype=float)
        boost = np.asarray(y, dtype=float)
        if rows.ndim != 2 or rows.shape[1] != len(COLUMNS):
            raise ValueError(f"X must have the {len(COLUMNS)} columns {', '.join(COLUMNS)}, but got shape {rows.shape}")
        if boost.shape != (rows.shape[0],):
            raise ValueError(f"y must have shape ({rows.shape[0]},), but got {boost.shape}")
        if not (np.isfinite(rows).all() and np.isfinite(boost).all()):
            raise ValueError("X and y must be finite; leave out what was not measured")
        self._prepare(float(rows[:, 5].max(initial=0.0)))
        self._rung = rung or (np.empty((0, 6)), np.empty(0))
        noise = np.broadcast_to(np.asarray(noise_kpa, dtype=float), boost.shape)
        self.evidence_ = lay_out(rows, boost, noise, self.rpm_, self.gate_.u, barometer_kpa or {}, intake_c or {})
        self._condition()
        return self

    def predict(self, X: npt.ArrayLike, return_std: bool = False) -> FloatArray | tuple[FloatArray, FloatArray]:
        """Boost of a new pull at each row; with ``return_std`` also its standard deviation, scatter included.

        Args:
            X: Columns as in ``COLUMNS``; the pull's number is that of the pull asked about. Shape (n, 8) or (n, 7)
        Returns:
            Mean, or mean and standard deviation. Shape (n,), [kPa gauge]
        """
        rows = np.asarray(X, dtype=float)
        mean, std = np.empty(rows.shape[0]), np.empty(rows.shape[0])
        unique, which = np.unique(rows[:, :6], axis=0, return_inverse=True)
        curves = self.curves(unique)
        for i in range(unique.shape[0]):
            mine = np.ravel(which) == i
            mean[mine] = np.interp(rows[mine, 6], self.rpm_, curves[:, i].mean(axis=0))
            std[mine] = np.interp(rows[mine, 6], self.rpm_, curves[:, i].std(axis=0))
        return (mean, std) if return_std else mean

    # ---------------------------------------------------------------- fit

    def fit_pulls(self, observations: Sequence[Observation]) -> Self:
        """Fit to pulls. With none, the posterior is the prior."""
        fitted = most_telling(observations, self.knobs)
        barometer = {float(p.number): p.barometer_kpa for p in observations if np.isfinite(p.barometer_kpa)}
        with_gain = [pull for pull in fitted if pull.settings.gain > 0.0 and pull.tells_of_ringing]
        rung = (
            np.array([pull.settings.as_array() for pull in with_gain]).reshape(-1, 6),
            np.array([pull.swing_kpa for pull in with_gain]),
        )
        intake = {float(p.number): p.intake_c for p in observations if np.isfinite(p.intake_c)}
        return self.fit(*rows_of(fitted), barometer, intake, rung)

    def _prepare(self, most_gain: float = 0.0) -> None:
        fine = self.target.grid(50.0)
        self.rpm_ = np.linspace(fine[0], fine[-1], min(self.points, fine.size))
        self.gate_ = Gate(self.target, dict(self.knobs), self.rpm_, self.prior, most_gain)
        self.random_ = np.random.default_rng(self.seed)

    def _mean_at_data(self, z: FloatArray) -> FloatArray:
        """Gate's boost at the data for each row of z. Shape (D, N)"""
        e = self.evidence_
        if not self.physics or not e.y.size:
            return np.full((z.shape[0], e.y.size), 0.8 * self.gate_.scale_kpa)
        points, point = np.unique(e.point, return_inverse=True)
        curves = self.gate_.boost(self.gate_.parts(z), e.settings, points, air=e.air)
        return np.asarray(curves[:, e.pull, point])

    def inputs_of(self, settings: FloatArray, point: npt.NDArray[np.int64] | slice = slice(None)) -> FloatArray:
        """Inputs of the Gaussian process on the grid. Shape (S, M, 6)

        Four scaled by their reach; u over the reach of what a ramp does beside it; the slope of duty, points per u.
        """
        u = self.gate_.u[point]
        duty = effective_duty(self.rpm_[point], settings)
        slope = (duty - effective_duty(self.rpm_[point] - SLOPE_OVER * self.gate_.span_rpm, settings)) / SLOPE_OVER
        shape = duty.shape
        return np.stack(
            [
                np.broadcast_to(u / REACH[0], shape),
                duty / REACH[1],
                np.broadcast_to(settings[:, 4, None] / self.gate_.scale_kpa / REACH[2], shape),
                np.broadcast_to(settings[:, 5, None] / self.gate_.full_gain / REACH[3], shape),
                np.broadcast_to(u / STEEP[0], shape),
                slope,
            ],
            axis=-1,
        )

    def likeness(self, first: FloatArray, second: FloatArray) -> FloatArray:
        """Covariance of the residual over its squared size: smooth in all inputs, and a ramp's own doing.

        Args:
            first: From ``inputs_of``, all settings at the same rpm. Shape (S, M, 6)
            second: Shape (N, 6)
        Returns:
            Shape (S, M, N), [-]
        """
        smooth = RBF()(first[:, :, :4].reshape(-1, 4), second[:, :4]).reshape(*first.shape[:2], -1)
        steep = RBF()(first[0, :, 4, None], second[:, 4, None]) * second[:, 5]
        share = (STEEP[1] / self.residual) ** 2
        return np.asarray(smooth + share * first[:, :, 5, None] * steep)

    def size_kpa(self, size: float) -> float:
        """Standard deviation of what the physics misses, at a factor on its size. [kPa]"""
        if not self.process:
            return 1e-3
        wide = 1.0 if self.physics else 9.0
        return self.residual * self.gate_.scale_kpa * size * wide * self.widen

    def _covariance(self, size: float, repeat: float) -> FloatArray:
        """Covariance of the data around the gate's curves. Shape (N, N)"""
        residual, scatter, rest = self.covariance_parts_
        return np.asarray(self.size_kpa(size) ** 2 * residual + (self.repeatability * repeat) ** 2 * scatter + rest)

    def _covariance_parts(self, inputs: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """What the size of the residual multiplies, what the repeatability does, and the rest. Shapes (N, N)"""
        e = self.evidence_
        equal = e.pull[:, None] == e.pull[None, :]
        levels = e.y[:, None] * e.y[None, :]
        walk = np.minimum(e.numbers[:, None], e.numbers[None, :])[e.pull[:, None], e.pull[None, :]]
        rest = self.drift**2 * walk * levels
        rest += np.where(equal, self.rpm_jitter**2 * e.slope[:, None] * e.slope[None, :], 0.0)
        warmed = WARMTH * e.warmth[e.pull] * e.y
        rest += warmed[:, None] * warmed[None, :]
        rest[np.diag_indices_from(rest)] += e.noise**2 + 0.15**2
        rest += self.changed_.T @ self.changed_
        run = e.numbers[e.pull][:, None] == e.numbers[e.pull][None, :]
        scatter = np.where(equal, levels, np.where(run, RUN_SHARE * levels, 0.0))
        return self.likeness(inputs[None], inputs)[0], scatter, rest

    def _changed_at_data(self) -> FloatArray:
        """One standard deviation of each change at the data. Shape (C, N), [kPa]"""
        e = self.evidence_
        if not self.changes or not e.y.size:
            return np.empty((0, e.y.size))
        curves = directions_of(self.gate_, self.changes, e.settings, air=e.air)[:, e.pull, e.point]
        return np.asarray(curves * np.stack([c.weight(e.numbers)[e.pull] for c in self.changes]))

    def _changed_next(self, settings: FloatArray, points: slice = slice(None)) -> FloatArray:
        """One standard deviation of each change in the next pull. Shape (C, S, M), [kPa]"""
        times = np.array([float(c.weight(self.next_number)) for c in self.changes])
        return np.asarray(directions_of(self.gate_, self.changes, settings, points) * times[:, None, None])

    def _condition(self) -> None:
        self.changed_ = self._changed_at_data()  # asked for again with every settings that are looked at
        e, gate = self.evidence_, self.gate_
        xi, tails = self.random_.standard_normal((self.draws, gate.size)), self._tails()
        rivals = constants.kinds(gate.size)
        kind, best = rivals[0], np.zeros(gate.size)
        size, repeat = 1.0, 1.0
        inputs, data = np.empty((0, 6)), None
        if e.y.size:
            inputs = self.inputs_of(e.settings)[e.mask]
            self.covariance_parts_ = self._covariance_parts(inputs)  # the same whatever the sizes
            data = self._data(size, repeat)
        if not self.physics:
            z = np.zeros_like(xi)
        elif data is None:
            mine = constants.dealt(np.array([rival.share for rival in rivals]), self.draws)
            z = np.stack([rival.mean for rival in rivals])[mine] + xi * np.stack([r.deviation for r in rivals])[mine]
        else:
            plain = constants.plain(gate.size)
            start = data.start(np.vstack([np.zeros(gate.size), 0.7 * xi[:96]]))
            best = constants.best_constants(data, plain, start).values
            size, repeat = self._weigh_sizes(best, plain)
            data = self._data(size, repeat)
            found = [constants.explain(data, rival, best) for rival in rivals]
            likely = max(found, key=lambda each: each.evidence)
            kind, best = likely.kind, likely.best
            z = self._drawn(data, found, xi, tails)
        root = np.empty((0, 0)) if data is None else data.root
        misfit = e.y[:, None] - self._mean_at_data(np.vstack([z, best])).T
        weights = linalg.cho_solve((root, True), misfit) if e.y.size else np.empty((0, z.shape[0] + 1))
        self.posterior_ = Posterior(
            z=z,
            kind=kind,
            best=best,
            parts=gate.parts(z),
            best_parts=gate.parts(best[None]),
            root=root,
            weights=weights[:, :-1],
            best_weights=weights[:, -1:],
            inputs=inputs,
            size=size,
            repeatability=self.repeatability * repeat,
            noise=tails[:, None] * np.random.default_rng([self.seed, 1]).standard_normal((self.draws, self.rpm_.size)),
        )

    def _data(self, size: float, repeat: float) -> Data:
        """What the constants are to explain."""
        root = linalg.cholesky(self._covariance(size, repeat), lower=True)
        return Data(self.evidence_.y, self._mean_at_data, root)

    def _drawn(self, data: Data, found: list[Explanation], xi: FloatArray, tails: FloatArray) -> FloatArray:
        """Constants, those of ringing from what pulls with gain leave of them. Shape (D, P)"""
        far, random = np.sqrt(self.widen) * tails, np.random.default_rng([self.seed, 4])
        z = constants.drawn(data, found, xi, far, random, self.steps)
        if self._rung[1].size:
            z[:, RINGING] = self._ringing_drawn()
        return np.clip(z, -FARTHEST_SHAPE, FARTHEST_SHAPE)

    def _ringing_drawn(self) -> FloatArray:
        """The constants that feedback's ringing has to itself, drawn from what the pulls with gain leave of them.

        No slope tells of a gain that did not ring, so that a normal law around the best fit would forget it. Here draws
        twice as wide as the prior are weighed by prior and ringing, and taken again by their weights, evenly
        (Doucet, de Freitas, Gordon, "Sequential Monte Carlo Methods in Practice" (2001), sec. 1.3). Shape (D, 2)
        """
        random = np.random.default_rng([self.seed, 3])
        tried = np.zeros((RING_TRIES, self.gate_.size))
        tried[:, RINGING] = 2.0 * random.standard_normal((RING_TRIES, len(RINGING)))
        cost = np.sum(self._ring_misfit(tried) ** 2, axis=1) + 0.75 * np.sum(tried[:, RINGING] ** 2, axis=1)
        weights = np.cumsum(np.exp(-0.5 * (cost - cost.min())))
        places = (np.arange(self.draws) + 0.5) / self.draws * weights[-1]
        return tried[np.searchsorted(weights, random.permutation(places))][:, RINGING]

    def _ring_misfit(self, z: FloatArray) -> FloatArray:
        """Ringing of the gate against that of the pulls with gain, over its noise. Shape (D, k)

        Roots are compared, because a swing is known to about a share of itself, and a small one hardly at all.
        """
        settings, swing = self._rung
        model = self.gate_.ringing(self.gate_.constants(z), settings)
        return np.asarray((np.sqrt(model + RING_OFFSET) - np.sqrt(swing + RING_OFFSET)) / RING_NOISE)

    def _weigh_sizes(self, best: FloatArray, kind: Kind) -> tuple[float, float]:
        """Sizes of residual and repeatability by marginal likelihood of the linearised model, with their priors.

        Rasmussen & Williams 2006, eq. 2.43 for the constants marginalised, eq. 5.8 for the likelihood.

        Returns:
            Factor on the residual, factor on the repeatability.
        """
        found: list[tuple[float, float, float]] = []
        pairs = [(size, repeat) for size in SIZES for repeat in SIZES]
        weighed = self._covariances(best, kind)
        for (size, repeat), (covariance, lifted, penalty) in zip(pairs, weighed, strict=True):
            root = linalg.cholesky(covariance, lower=True)
            white = linalg.solve_triangular(root, lifted, lower=True)
            found.append((0.5 * float(white @ white) + float(np.log(np.diag(root)).sum()) + penalty, size, repeat))
        _, size, repeat = min(found)
        return size, repeat

    def weighed_covariances(self) -> Iterator[tuple[FloatArray, FloatArray, float]]:
        """The fitted model, linear around its best fit, at every pair of sizes, constants integrated out.

        Yields:
            Covariance of the data (N, N); the data less what the model takes as fixed (N,); and the negative logarithm
            of the sizes' prior.
        """
        p = self.posterior_
        yield from self._covariances(p.best, p.kind)

    def linear_at(self, best: FloatArray, kind: Kind) -> tuple[FloatArray, FloatArray]:
        """The gate at the data as a straight line: constants of unit variance around a kind's middle.

        Returns:
            What the line starts from, subtracted from boost, (N,) and its slopes (N, P). [kPa]
        """
        slopes = constants.slopes_of(self._mean_at_data, best)
        lifted = self.evidence_.y - self._mean_at_data(best[None])[0] + slopes @ (best - kind.mean)
        return lifted, slopes * kind.deviation

    def _covariances(self, best: FloatArray, kind: Kind) -> Iterator[tuple[FloatArray, FloatArray, float]]:
        lifted, slopes = self.linear_at(best, kind)
        freed = slopes @ slopes.T
        residual, scatter, rest = self.covariance_parts_
        for size in SIZES:
            for repeat in SIZES:
                covariance = self.size_kpa(size) ** 2 * residual + (self.repeatability * repeat) ** 2 * scatter
                penalty = 0.5 * (np.log(size) ** 2 + np.log(repeat) ** 2) / SIZE_SPREAD**2
                yield covariance + rest + freed, lifted, float(penalty)

    def _tails(self) -> FloatArray:
        """Factor on each draw's distance from the middle: draws follow Student's law, not the normal one. Shape (D,)

        The spread itself is learnt from few pulls, so that rare cars lie farther out than a normal law has them
        (Gelman et al., "Bayesian Data Analysis", 3rd ed. (2013), sec. 17.2: the t as a scale mixture of normals).
        Scaled so that the 90 % band stays that of the normal law.
        """
        law = np.random.default_rng([self.seed, 2]).chisquare(TAIL_FREEDOM, self.draws)
        return np.sqrt(TAIL_FREEDOM / law) * TAIL_SCALE

    # ---------------------------------------------------------------- curves

    @property
    def next_number(self) -> float:
        """Number that the next pull will have."""
        numbers = self.evidence_.numbers
        return float(numbers.max() + 1.0) if numbers.size else 1.0

    def gate_curves(
        self, settings: FloatArray, *, best: bool = False, draws: slice = slice(None), points: slice = slice(None)
    ) -> FloatArray:
        """Mean boost of the gate alone for each draw, or for the most probable constants. Shape (D or 1, S, M)"""
        p = self.posterior_
        parts = p.best_parts if best else _cut(p.parts, draws)
        if not self.physics:
            count = 1 if best else parts.log_floor.shape[0]
            return np.full((count, settings.shape[0], self.rpm_[points].size), 0.8 * self.gate_.scale_kpa)
        return self.gate_.boost(parts, settings, points)

    def _cross(self, settings: FloatArray, level: FloatArray, points: slice = slice(None)) -> FloatArray:
        """Covariance of new curves with the data. Shape (S, M, N)"""
        e, p = self.evidence_, self.posterior_
        inputs = self.inputs_of(settings, points)
        walk = self.drift**2 * e.numbers[e.pull] * e.y
        cross = self.size_kpa(p.size) ** 2 * self.likeness(inputs, p.inputs) + level[:, :, None] * walk
        if self.changes:
            cross = cross + np.tensordot(self._changed_next(settings, points), self.changed_, axes=(0, 0))
        return np.asarray(cross)

    def expected(
        self, settings: FloatArray, *, best: bool = False, draws: slice = slice(None), points: slice = slice(None)
    ) -> tuple[FloatArray, FloatArray]:
        """Curves of each draw with the Gaussian process at its mean, before the scatter of a new pull.

        Args:
            settings: Shape (S, 6)
            best: Only the most probable constants.
            draws: Which draws.
            points: Which grid points.
        Returns:
            Curves of shape (D or 1, S, M), [kPa gauge], and the cross covariance (S, M, N) for ``scatter``.
        """
        curves = self.gate_curves(settings, best=best, draws=draws, points=points)
        if self.evidence_.y.size == 0:
            return curves, np.empty((settings.shape[0], curves.shape[2], 0))
        cross = self._cross(settings, curves.mean(axis=0), points)
        weights = self.posterior_.best_weights if best else self.posterior_.weights[:, draws]
        return curves + np.moveaxis(cross @ weights, 2, 0), cross

    def scatter(self, settings: FloatArray, level: FloatArray, cross: FloatArray) -> FloatArray:
        """Covariance of a new pull's curve around a draw's expected one. Shape (S, M, M), [kPa²]

        Args:
            settings: Shape (S, 6)
            level: Expected boost. Shape (S, M), [kPa gauge]
            cross: From ``expected``.
        """
        p = self.posterior_
        inputs = self.inputs_of(settings)
        own = np.stack([self.size_kpa(p.size) ** 2 * self.likeness(row[None], row)[0] for row in inputs])
        shares = p.repeatability**2 + self.drift**2 * self.next_number
        own = own + shares * level[:, :, None] * level[:, None, :]
        slope = np.gradient(level, self.gate_.u, axis=1)
        own = own + self.rpm_jitter**2 * slope[:, :, None] * slope[:, None, :]
        if self.changes:
            changed = self._changed_next(settings)
            own = own + np.einsum("csm,csk->smk", changed, changed)
        if cross.shape[2]:
            flat = cross.reshape(-1, cross.shape[2]).T
            half = linalg.solve_triangular(p.root, flat, lower=True).T.reshape(cross.shape)
            own = own - half @ np.swapaxes(half, 1, 2)
        return np.asarray(own)

    def curves(self, settings: FloatArray, *, draws: slice = slice(None)) -> FloatArray:
        """Whole curves of a new pull, drawn from the posterior: constants, residual and the pull's own scatter.

        The same seed, data and settings give the same curves whatever else is asked about.

        Args:
            settings: Shape (S, 6)
        Returns:
            Shape (D, S, M), [kPa gauge]
        """
        knobs = np.atleast_2d(settings)
        out, cross = self.expected(knobs, draws=draws)
        covariance = self.scatter(knobs, out.mean(axis=0), cross)
        root = _root(covariance)
        return np.asarray(out + np.moveaxis(root @ self.posterior_.noise[draws].T, 2, 0))

    def surprise_of(self, pull: Observation) -> float:
        """Squared distance of a pull from what was expected of it, over what was to be expected. [-]

        Mean over three independent readings of the curve: its whole height, its tilt and its bow, each over the
        standard deviation that the drawn curves have in it. About 1 where the surrogate is honest; NaN where the pull
        hardly reached the judged range.
        """
        if not pull.curve.reached.any():
            return float("nan")
        known = (self.rpm_ >= pull.curve.rpm[pull.curve.reached][0]) & (
            self.rpm_ <= pull.curve.rpm[pull.curve.reached][-1]
        )
        judged = known & (self.gate_.u >= -0.05)
        if judged.sum() < 4:
            return float("nan")
        seen = np.interp(self.rpm_, pull.curve.rpm[pull.curve.reached], pull.curve.boost_kpa[pull.curve.reached])
        drawn = self.curves(pull.settings.as_array()[None])[:, 0]
        forms, _ = np.linalg.qr(np.vander(self.gate_.u[judged], 3, increasing=True))
        readings = (drawn[:, judged] - drawn[:, judged].mean(axis=0)) @ forms
        seen_readings = (seen - drawn.mean(axis=0))[judged] @ forms
        covariance = readings.T @ readings / drawn.shape[0] + 0.2 * np.eye(3)
        return float(seen_readings @ linalg.solve(covariance, seen_readings, assume_a="pos") / 3.0)


def _root(covariance: FloatArray) -> FloatArray:
    """Square root of covariance matrices; rounding below zero is cut off. Shape (S, M, M)"""
    values, vectors = np.linalg.eigh(0.5 * (covariance + np.swapaxes(covariance, 1, 2)))
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :])


def _cut(parts: Parts, draws: slice) -> Parts:
    constants = {name: values[draws] for name, values in parts.constants.items()}
    return Parts(constants, parts.log_floor[draws], parts.log_ceiling[draws], parts.lift[draws])
