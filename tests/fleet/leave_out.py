"""Leave one kind out: the gate's constants learnt on all kinds but one, and the tool with them on the kind left out.

What is learnt of a car are the constants that fit twelve pulls over its settings best. Mean and deviation are taken
over the cars, kinds weighed equally; the deviation holds the posterior's own and is widened by ``WIDER``.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Final

import joblib
import numpy as np
import pandas as pd

from models import gate, surrogate
from models.curve import measure
from models.evidence import Observation
from models.gate import CONSTANTS, NAMES
from models.settings import Settings
from models.surrogate import BoostSurrogate
from models.units import FloatArray
from recommender.decide import decide
from tests.fleet import methods
from tests.fleet.clairvoyant import truths
from tests.fleet.families import cache_root, sources
from tests.fleet.figures import figures
from tests.fleet.play import Answer, Turn, play
from tests.fleet.rows import Row, flatten, rows_of
from tests.fleet.scenarios import PLAIN
from tests.fleet.seats import Job, jobs_named, pull_all

Prior = Mapping[str, tuple[float, float]]

#: Factor on the deviation over the cars: those who come will differ more than those who were seen.
WIDER: Final = 1.3
#: Seed of the first car of each kind that is learnt from; the bench plays others.
LEARNT_SEED: Final = 500
DUTIES: Final = (0, 12, 25, 38, 50, 62, 74, 85, 30, 45, 58, 20)
#: Pulls over this multiple of the limit are not learnt from: nobody would have let them run.
ENDS_AT: Final = 1.15
SHIPPED: Final = "shipped prior"
LEFT_OUT: Final = "learnt on the other kinds"


def learn(name: tuple[str, int]) -> tuple[FloatArray, FloatArray]:
    """Constants that fit a car best, and their posterior's deviations, in the scale of ``CONSTANTS``; cached.

    Args:
        name: Full kind and seed.
    """
    place = cache_root() / f"learnt-{_mark(name)}.json"
    if place.exists():
        best, spread = json.loads(place.read_text())
        return np.array(best), np.array(spread)
    job = jobs_named([name])[0]
    pulls = _pulls(job)
    fitted = BoostSurrogate(job.target, job.knobs, draws=96, seed=job.seed).fit_pulls(pulls)
    deviation = np.array([CONSTANTS[each][1] for each in NAMES])
    known = fitted.gate_.constants(fitted.posterior_.best[None])
    best = np.array([float(known[each][0, 0]) for each in NAMES])
    spread = fitted.posterior_.z[:, : len(NAMES)].std(axis=0) * deviation
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_text(json.dumps([best.tolist(), spread.tolist()]))
    return best, spread


def _mark(name: tuple[str, int]) -> str:
    source = hashlib.sha256(repr((name, CONSTANTS, DUTIES, ENDS_AT)).encode())
    for module in (gate, surrogate):
        source.update(Path(str(module.__file__)).read_bytes())
    for path in sources(name[0].split(":")[0]):
        source.update(path.read_bytes())
    return source.hexdigest()[:20]


def _pulls(job: Job) -> list[Observation]:
    """Pulls over a car's settings, as far as its limit lets them run."""
    random = np.random.default_rng([61, job.seed])
    top, wide = float(job.target.boost_kpa.max()), job.knobs
    settings = []
    for i, duty in enumerate(DUTIES):
        wish: dict[str, float] = {
            **job.idle.as_dict(),
            "duty": float(duty + random.integers(-4, 5)),
            "ramp_add": float(random.integers(0, 12)),
            "engagement": random.uniform(0.0, 0.7) * top if i % 3 == 2 else 0.0,
        }
        values = {each: float(knob.value(knob.index(wish[each]))) for each, knob in wide.items()}
        settings.append(Settings(**values))
    runs = pull_all([job] * len(settings), settings, list(range(1, len(settings) + 1)))
    out = []
    for number, (dialled, run) in enumerate(zip(settings, runs, strict=True), start=1):
        if run.true_peak_kpa <= ENDS_AT * job.limit_kpa or number == 1:
            out.append(Observation.of(number, dialled, measure(run.trace, job.target)))
    return out


def prior_of(learnt: Mapping[str, Sequence[tuple[FloatArray, FloatArray]]], without: str = "") -> Prior:
    """Mean and deviation of each constant over the cars of all kinds but one, kinds weighed equally.

    Args:
        learnt: By full kind, what was learnt of each car.
        without: Full kind left out; none where it is empty.
    """
    kinds = [cars for kind, cars in learnt.items() if kind != without]
    means = np.array([np.mean([best for best, _ in cars], axis=0) for cars in kinds])
    mean = means.mean(axis=0)
    between = np.mean([np.mean([(best - mean) ** 2 for best, _ in cars], axis=0) for cars in kinds], axis=0)
    own = np.mean([np.mean([spread**2 for _, spread in cars], axis=0) for cars in kinds], axis=0)
    deviation = WIDER * np.sqrt(between + own)
    return {name: (float(m), float(d)) for name, m, d in zip(NAMES, mean, deviation, strict=True)}


def ask_with(prior: Prior | None, job: Job, turns: Sequence[Turn]) -> Answer:
    """The tool with a prior of one's own."""
    return methods.answer_of(decide(job.problem, [turn.observation for turn in turns], prior))


def play_kind(names: Sequence[tuple[str, int]], label: str, prior: Prior | None, most: int) -> list[Row]:
    """Cars of one kind with one prior: rows."""
    jobs = jobs_named(names)
    true = truths(jobs, PLAIN)
    games = play(jobs, partial(ask_with, prior), most=most)
    return flatten([rows_of(g, label, PLAIN, t, t) for g, t in zip(games, true, strict=True)])


def run(kinds: Sequence[str], played: Sequence[str], cars: int, seed: int, most: int, jobs: int) -> str:
    """Learn, play and compare: the two tables.

    Args:
        kinds: Full kinds learnt from.
        played: Those left out in turn and played.
        cars: Cars a kind, learnt from and played alike.
        seed: Seed of the first car played.
        most: Most pulls of a job.
        jobs: Processes.
    """
    names = [(kind, LEARNT_SEED + i) for kind in kinds for i in range(cars)]
    found = joblib.Parallel(n_jobs=jobs)(joblib.delayed(learn)(name) for name in names)
    learnt = {kind: found[i * cars : (i + 1) * cars] for i, kind in enumerate(kinds)}
    tasks = [
        joblib.delayed(play_kind)([(kind, seed + i) for i in range(cars)], label, prior, most)
        for kind in played
        for label, prior in ((SHIPPED, None), (LEFT_OUT, prior_of(learnt, kind)))
    ]
    rows = pd.DataFrame(flatten(joblib.Parallel(n_jobs=jobs)(tasks)))
    return f"{losses(rows)}\n\n{constants(prior_of(learnt))}"


def losses(rows: pd.DataFrame) -> str:
    """One line a kind, and one for all: the tool with either prior."""
    head = f"{'kind':28}{'prior':28}reached   pulls     over the limit  points  peaks  left psi"
    out = [head]
    kinds = [*rows["kind"].unique(), "all"]
    for kind in kinds:
        for label in (SHIPPED, LEFT_OUT):
            mine = rows[(rows["method"] == label) & ((rows["kind"] == kind) | (kind == "all"))]
            f = figures(mine)
            pulls = "–" if np.isnan(f.pulls_median) else f"{f.pulls_median:.0f} and {f.pulls_90:.0f}"
            out.append(
                f"{kind:28}{label:28}{f.reached:3d} of {f.reachable:<3d}{pulls:>10}  {f.over:4d} in {f.pulls:<5d}"
                f"   {100 * f.points:5.0f}  {100 * f.peak:5.0f}  {f.left_psi:8.2f}"
            )
    return "\n".join(out)


def constants(learnt: Prior) -> str:
    """What all kinds together teach, beside what is shipped."""
    out = [f"{'constant':20}shipped: mean, deviation   all kinds: mean, deviation"]
    for name in NAMES:
        (mean, deviation), (own, wide) = CONSTANTS[name], learnt[name]
        out.append(f"{name:20}{mean:13.3f} {deviation:11.3f}   {own:15.3f} {wide:11.3f}")
    return "\n".join(out)
