"""What the surrogate expects of settings: deviation, highest boost and risk, for many settings at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.changes import car_since
from models.evidence import Observation
from models.gate import DUTY_LAG
from models.risk import beyond_of, excess_kpa, hidden_kpa, highest_points, risk_of, spikes_seen, tops_kpa
from models.settings import KNOB_NAMES, Settings, effective_duty
from models.surrogate import BoostSurrogate
from models.units import FloatArray
from recommender.decide.allowed import duty_step, ends_at
from recommender.decide.search import IntArray
from recommender.decide.step import Band, Problem

#: Draws used while searching; the finalists are judged with all of them.
SKETCH = 16
#: Grid points used while searching.
COARSE = slice(None, None, 2)
#: Latest pulls whose highest boost is compared with that of the curves expected of their settings.
COMPARED = 8
#: Spread, in standard deviations, that must fit under the limit while searching. The law has a long tail upwards, so
#: that this is 1 to 3 psi looser than a risk of 1 %: the gate proper is held against finalists and strides.
SKETCH_SPREAD = 2.5


@dataclass(frozen=True)
class Forecast:
    """A new pull with some settings, from all draws.

    Attributes:
        settings: What would be dialled in.
        deviation_kpa: Expected deviation.
        deviations: Deviation of each draw. Shape (D,), [kPa]
        risk: Probability that the highest boost passes the limit.
        curves: Drawn curves. Shape (D, M), [kPa gauge]
        highest: Highest boost of each draw. Shape (D,), [kPa gauge]
        held_kpa: Boost that is expected to be held over the judged range, by its median as a few draws have it; NaN
            where it is not asked for. [kPa gauge]
    """

    settings: Settings
    deviation_kpa: float
    deviations: FloatArray
    risk: float
    curves: FloatArray
    highest: FloatArray
    held_kpa: float = float("nan")


class Outlook:
    """A fitted surrogate asked about settings of one job."""

    def __init__(self, problem: Problem, observations: Sequence[Observation], surrogate: BoostSurrogate) -> None:
        self.problem = problem
        self.surrogate = surrogate
        self.pulls = tuple(observations)
        self.rpm = surrogate.rpm_
        self.wanted = problem.target.at(self.rpm)
        self.judged = problem.target.judged(self.rpm)
        even = problem.target.grid()
        even = even[problem.target.judged(even)]
        self._even_target = problem.target.at(even)
        self._even, self._even_coarse = between(self.rpm, even), between(self.rpm[COARSE], even)
        self.run = np.array([pull.settings.as_array() for pull in self.pulls]).reshape(-1, len(KNOB_NAMES))
        self.spikes = spikes_seen(observations, self._fitted_tops())
        self.hidden = hidden_kpa(observations)
        self.last_rpm = ends_at(self.pulls)
        ends = np.array([pull.last_rpm for pull in self.pulls])
        self.beyond = beyond_of(observations, self.by_ramp_past_end(self.run, ends).mean(axis=0))
        self.knobs = [problem.knobs[name] for name in KNOB_NAMES]

    def _fitted_tops(self) -> FloatArray:
        """Highest point of the curve expected of each pull's settings, up to where that pull ended; NaN where the car
        has changed since, of runs at held rpm and of pulls long ago. Shape (K,), [kPa gauge]"""
        tops = np.full(len(self.pulls), np.nan)
        since = car_since(self.surrogate.changes)
        which = [i for i, pull in enumerate(self.pulls) if pull.number >= since and not pull.held_rpm][-COMPARED:]
        if not which:
            return tops
        mean = self.surrogate.expected(self.run[which])[0].mean(axis=0)
        pulls = [self.pulls[i] for i in which]
        end = np.array([np.max(pull.curve.rpm, where=pull.curve.reached, initial=0.0) for pull in pulls])
        at_end = [np.interp(rpm, self.rpm, each) for rpm, each in zip(end, mean, strict=True)]
        before = np.where(self.rpm <= end[:, None] + 1e-6, mean, -np.inf)
        beyond = np.array([pull.beyond_kpa for pull in pulls])
        tops[which] = np.fmax(np.maximum(before.max(axis=1), at_end), mean[:, -1] + beyond)
        return tops

    def by_ramp_past_end(
        self, settings: FloatArray, last_rpm: FloatArray | float | None = None, *, draws: slice = slice(None)
    ) -> FloatArray:
        """What a ramp that goes on past the grid's end adds to boost there, up to where a pull ends: as much as so much
        more duty would at the grid's end. Duty acts late there too: of a ramp that ends there, part comes after.

        Args:
            settings: Shape (S, 6)
            last_rpm: Where it ends, one value or one for each; the farthest that pulls went where it is None. [rpm]
            draws: Which draws.
        Returns:
            Shape (D or 1, S), [kPa]
        """
        end = np.broadcast_to(self.last_rpm if last_rpm is None else last_rpm, settings.shape[0])
        last = np.full(end.size, self.rpm[-1])
        late = DUTY_LAG * self.surrogate.gate_.span_rpm
        duty = effective_duty(np.column_stack([last, np.fmax(end, last)]) - late, settings)
        ramped = duty[:, 1] > duty[:, 0] + 1e-9
        if not ramped.any():
            return np.zeros((1, settings.shape[0]))
        flat = np.repeat(settings[ramped], 2, axis=0)
        flat[:, 0], flat[:, 3] = duty[ramped].ravel(), 0.0
        boost = self.surrogate.gate_curves(flat, draws=draws, points=slice(-1, None))[:, :, 0]
        added = np.zeros((boost.shape[0], settings.shape[0]))
        added[:, ramped] = boost[:, 1::2] - boost[:, ::2]
        return added

    def excess(self, settings: FloatArray) -> FloatArray:
        """Mean spike above the curve, with what slow logs could have hidden. Settings (S, 6); shape (S,), [kPa]"""
        return excess_kpa(self.spikes, self._milder(settings)) + self.hidden

    def _milder(self, settings: FloatArray) -> FloatArray:
        """By how many steps of duty, ramp included, and of engagement settings are milder than pulls. Shape (S, K)

        A knob that the job file fixes has no step: run with more of it once, it is milder by none.
        """
        mean, run = (effective_duty(self.rpm, each).mean(axis=1) for each in (settings, self.run))
        less = run[None, :] - mean[:, None], self.run[None, :, 4] - settings[:, None, 4]
        steps = duty_step(self.problem), self.problem.knobs["engagement"].step
        milder = np.zeros(less[0].shape)
        for each, step in zip(less, steps, strict=True):
            milder += np.maximum(each, 0.0) / step if step > 0.0 else 0.0
        return milder

    def values(self, positions: IntArray) -> FloatArray:
        """Grid positions (S, 6) to knob values (S, 6), engagement in kPa gauge."""
        return np.column_stack([knob.value(positions[:, i]) for i, knob in enumerate(self.knobs)])

    def positions(self, settings: Settings) -> IntArray:
        """Nearest grid position of each knob. Shape (6,)"""
        return np.array([int(knob.index(value)) for knob, value in zip(self.knobs, settings, strict=True)])

    def ringing(self, settings: FloatArray) -> FloatArray:
        """Half swing of each draw's ringing. Settings of shape (S, 6); shape (D, S), [kPa]"""
        return self.surrogate.gate_.ringing(self.surrogate.posterior_.parts.constants, settings)

    def deviations(self, curves: FloatArray, ringing: FloatArray, *, coarse: bool = False) -> FloatArray:
        """Deviation of each draw's curve, ringing included, over the very rpm of a pull's own. Shape (D, S), [kPa]

        Of the surrogate's grid alone what lies between its last point and the judged range's end would not count: on a
        car out of breath there, which is at its farthest from the target, 0.48 psi where pulls were at 0.58.
        """
        error = curves @ (self._even_coarse if coarse else self._even) - self._even_target
        return np.asarray(np.sqrt(np.mean(error**2, axis=2) + 0.5 * ringing**2))

    def _sketched(self, settings: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Curves of a few draws, (SKETCH, S, coarse M), and the boost held over the judged range, the median of their
        mean, (S,). The search and what is judged with all draws must hold it alike: the best of the search lies at a
        bound that goes by it. [kPa gauge]"""
        curves = self.surrogate.expected(settings, draws=slice(0, SKETCH), points=COARSE)[0]
        return curves, np.asarray(np.median(curves.mean(axis=0)[:, self.judged[COARSE]], axis=1))

    def held_kpa(self, settings: FloatArray) -> FloatArray:
        """Boost that settings are expected to hold over the judged range. (S, 6) to shape (S,), [kPa gauge]"""
        return self._sketched(settings)[1]

    def sketch(self, settings: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Deviations and highest points from a few draws, before a new pull's scatter, both of shape (SKETCH, S), the
        spike that the latter include, and the boost that is held, of shape (S,). [kPa]"""
        few = slice(0, SKETCH)
        curves, held = self._sketched(settings)
        ringing = self.ringing(settings)[few]
        excess = self.excess(settings)
        highest = tops_kpa(curves, self.beyond.mean_kpa + self.by_ramp_past_end(settings, draws=few)) + ringing + excess
        return self.deviations(curves, ringing, coarse=True), highest, excess, held

    def headroom(self, highest: FloatArray, excess: FloatArray) -> FloatArray:
        """Limit minus the sketched highest point with its spread, from what ``sketch`` gives. Shape (S,), [kPa]"""
        p = self.surrogate.posterior_
        level = highest.mean(axis=0)
        rest = 0.3 * self.surrogate.residual * level * p.size
        scatter = (p.repeatability * level) ** 2 + excess**2 + rest**2
        spread = np.sqrt(highest.var(axis=0) + scatter)
        return np.asarray(self.problem.limit_kpa - level - SKETCH_SPREAD * spread)

    def forecast(self, settings: Sequence[Settings]) -> list[Forecast]:
        """Full judgement of a few settings."""
        knobs = np.array([s.as_array() for s in settings])
        curves = self.surrogate.curves(knobs)
        ringing = self.ringing(knobs)
        highest = highest_points(curves, ringing, self.excess(knobs), self.beyond, self.by_ramp_past_end(knobs))
        deviations = self.deviations(curves, ringing)
        risks, held = risk_of(highest, self.problem.limit_kpa), self.held_kpa(knobs)
        return [
            Forecast(
                settings=s,
                deviation_kpa=float(deviations[:, i].mean()),
                deviations=deviations[:, i],
                risk=float(risks[i]),
                curves=curves[:, i],
                highest=highest[:, i],
                held_kpa=float(held[i]),
            )
            for i, s in enumerate(settings)
        ]

    def band(self, forecast: Forecast) -> Band:
        """90 % band of the gauge's reading at each rpm."""
        low, high = np.quantile(forecast.curves, [0.05, 0.95], axis=0)
        return Band(self.rpm.copy(), forecast.curves.mean(axis=0), low, high)


def between(rpm: FloatArray, at: FloatArray) -> FloatArray:
    """Weights with which curves on a grid are read at other rpm, by straight lines, the end ones going on.

    Args:
        rpm: Grid, rising, two points at least. Shape (M,)
        at: Where it is read. Shape (F,)
    Returns:
        Curves of shape (..., M) times these are of shape (..., F). Shape (M, F), [-]
    """
    left = np.clip(np.searchsorted(rpm, at, side="right") - 1, 0, rpm.size - 2)
    share = (at - rpm[left]) / (rpm[left + 1] - rpm[left])
    weights = np.zeros((rpm.size, at.size))
    columns = np.arange(at.size)
    weights[left, columns] = 1.0 - share
    weights[left + 1, columns] = share
    return weights
