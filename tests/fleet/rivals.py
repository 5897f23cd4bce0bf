"""Other methods on the same cars: Optuna's samplers, a plain Gaussian process, and one who knows the car."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence

import numpy as np
import optuna
from sklearn.exceptions import ConvergenceWarning
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

from models.settings import KNOB_NAMES, Settings
from models.units import FloatArray
from recommender.decide import expected_improvement
from recommender.decide.allowed import spans
from tests.fleet.clairvoyant import FORBIDDEN, Truth
from tests.fleet.play import Answer, Turn
from tests.fleet.seats import TOLERANCE_KPA, Job, pull_all
from tests.fleet.thumb import capped, least

#: Trials that Optuna's samplers draw by chance before they model anything, the baseline counted.
STARTUP = 4
#: Candidates and rpm points of the plain Gaussian process.
CANDIDATES = 500
RPM_POINTS = 14
GATE_SIGMA = 3.0


def _settled(turns: Sequence[Turn]) -> Answer | None:
    best = least(turns)
    if best is not None and best.measures.deviation_kpa <= TOLERANCE_KPA:
        return Answer("done", None, best_number=best.number)
    return None


def optuna_sampler(kind: str, job: Job, turns: Sequence[Turn]) -> Answer:
    """Optuna's TPE or GP sampler with the limit as constraint; its wish is held to the caps, the baseline enqueued.

    The study is told again from the start each time, so that the same pulls give the same answer.
    """
    if (settled := _settled(turns)) is not None:
        return settled
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    seed = 1009 * job.seed + len(turns)
    sampler: optuna.samplers.BaseSampler
    if kind == "TPE":
        sampler = optuna.samplers.TPESampler(seed=seed, n_startup_trials=STARTUP, multivariate=True)
    else:
        sampler = optuna.samplers.GPSampler(seed=seed, n_startup_trials=STARTUP)
    study = optuna.create_study(sampler=sampler)
    free: dict[str, optuna.distributions.BaseDistribution] = {
        name: optuna.distributions.IntDistribution(0, job.knobs[name].count - 1)
        for name in KNOB_NAMES
        if not job.knobs[name].fixed
    }

    def positions(settings: Settings) -> dict[str, int]:
        return {name: int(job.knobs[name].index(getattr(settings, name))) for name in free}

    worst = 2.0 * float(job.target.boost_kpa.max())
    for turn in turns:
        study.enqueue_trial(positions(turn.settings))
        trial = study.ask(free)
        trial.set_constraint("limit", turn.measures.peak_kpa - job.limit_kpa)
        deviation = turn.measures.deviation_kpa
        study.tell(trial, deviation if np.isfinite(deviation) else worst)
    if not turns:
        return Answer("pull", job.idle)
    wish = turns[-1].settings.as_dict()
    for name, position in study.ask(free).params.items():
        wish[name] = float(job.knobs[name].value(position))
    return Answer("pull", capped(job, turns[-1].settings, wish))


def plain_process(job: Job, turns: Sequence[Turn]) -> Answer:
    """One Gaussian process over settings and rpm, expected improvement, a 3-sigma gate, and the tool's caps."""
    if (settled := _settled(turns)) is not None:
        return settled
    if not turns:
        return Answer("pull", job.idle)
    rpm = np.linspace(job.target.judge_from - 600.0, job.target.judge_to, RPM_POINTS)
    top = float(job.target.boost_kpa.max())
    x = np.concatenate([_inputs(job, turn.settings.as_array()[None], rpm) for turn in turns])
    y = np.concatenate([_curve(turn, rpm) for turn in turns])
    known = np.isfinite(y)
    kernel = ConstantKernel(1.0, (0.1, 10.0)) * RBF(np.full(7, 0.7), (0.15, 5.0)) + WhiteKernel(1e-3, (1e-5, 1e-2))
    process = GaussianProcessRegressor(kernel, n_restarts_optimizer=0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        process.fit(x[known], y[known] / top - 0.8)
    random = np.random.default_rng([job.seed, len(turns)])
    box = np.array(spans(job.problem, turns[-1].settings))
    grid = random.integers(box[:, 0], box[:, 1] + 1, (CANDIDATES, 6))
    keep = random.random(grid.shape) < 0.4
    settings = np.column_stack([job.knobs[name].value(grid[:, i]) for i, name in enumerate(KNOB_NAMES)])
    settings = np.where(keep, capped(job, turns[-1].settings, turns[-1].settings.as_dict()).as_array(), settings)
    settings = settings[(settings[:, 1] < settings[:, 2]) | job.knobs["ramp_from"].fixed]
    mean, spread = process.predict(_inputs(job, settings, rpm), return_std=True)
    mean, spread = (top * (mean + 0.8)).reshape(-1, rpm.size), (top * spread).reshape(-1, rpm.size)
    judged = rpm >= job.target.judge_from
    expected = np.sqrt(np.mean((mean - job.target.at(rpm))[:, judged] ** 2, axis=1))
    best = least(turns)
    bar = best.measures.deviation_kpa if best is not None else 2.0 * top
    worth = expected_improvement(expected, np.sqrt(np.mean(spread[:, judged] ** 2, axis=1)), bar)
    highest = (mean + GATE_SIGMA * spread).max(axis=1)
    allowed = highest <= job.limit_kpa
    chosen = int(np.argmax(np.where(allowed, worth, -np.inf))) if allowed.any() else int(np.argmin(highest))
    return Answer("pull", Settings.from_array(settings[chosen]))


def _inputs(job: Job, settings: FloatArray, rpm: FloatArray) -> FloatArray:
    """Knobs over their ranges, and rpm over its own. Shape (S * M, 7)"""
    low = np.array([job.knobs[name].lower for name in KNOB_NAMES])
    span = np.array([max(job.knobs[name].upper - job.knobs[name].lower, 1e-9) for name in KNOB_NAMES])
    knobs = np.repeat((settings - low) / span, rpm.size, axis=0)
    return np.column_stack([knobs, np.tile((rpm - rpm[0]) / np.ptp(rpm), settings.shape[0])])


def _curve(turn: Turn, rpm: FloatArray) -> FloatArray:
    known = turn.measures.curve.reached
    grid, boost = turn.measures.curve.rpm[known], turn.measures.curve.boost_kpa[known]
    return np.interp(rpm, grid, boost, left=np.nan, right=np.nan)


def clairvoyant(truths: Mapping[str, Truth], job: Job, turns: Sequence[Turn]) -> Answer:
    """Knows the car exactly, heat soak and drift aside, and is held back by the caps alone.

    It goes to the settings at target that the fewest pulls reach, under the limit all the way, and on to the best ones.
    """
    truth = truths[job.name]
    if not turns:
        return Answer("pull", job.idle)
    there = [t for t in turns if t.pull.true_deviation_kpa(job.target) < truth.there_kpa]
    if there or truth.best_kpa >= FORBIDDEN:
        return Answer("done", None, best_number=there[0].number if there else 1)
    left = truth.pulls - len(turns)
    goal = np.array(truth.soonest if left >= 1 else truth.best)
    last = turns[-1].settings.as_array()
    quick = capped(job, turns[-1].settings, dict(zip(KNOB_NAMES, goal, strict=True)))
    even = capped(job, turns[-1].settings, dict(zip(KNOB_NAMES, last + (goal - last) / max(left, 1), strict=True)))
    late = Settings(quick.duty, quick.ramp_from, quick.ramp_to, quick.ramp_add, even.engagement, even.gain)
    ways = [quick, even, late]
    peaks = [p.true_peak_kpa for p in pull_all([job] * 3, ways, [1] * 3, repeatable=True)]
    allowed = [way for way, peak in zip(ways, peaks, strict=True) if peak <= job.limit_kpa]
    return Answer("pull", allowed[0] if allowed else ways[int(np.argmin(peaks))])
