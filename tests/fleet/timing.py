"""How long a step takes after 5 pulls and after 100."""

from __future__ import annotations

import time

import numpy as np

from models.curve import measure
from models.evidence import Observation
from models.settings import KNOB_NAMES, Settings
from recommender.decide import decide
from tests.fleet.seats import Job, Pulled, jobs_named, pull_all
from tests.fleet.thumb import capped

COUNTS = (5, 100)
CARS = (("own: free-flowing", 1), ("other: soft", 1))


def wander(job: Job, count: int) -> list[Observation]:
    """A long session: small steps by chance around two thirds of the duty that the limit allows."""
    random = np.random.default_rng([53, job.seed])
    settings = [job.idle]
    while len(settings) < count:
        wish = {
            name: getattr(settings[-1], name) + random.uniform(-1.0, 1.0) * job.knobs[name].step for name in KNOB_NAMES
        }
        wish["duty"] = min(wish["duty"], 30.0)
        wish["engagement"] = min(wish["engagement"], 0.5 * float(job.target.boost_kpa.max()))
        settings.append(capped(job, settings[-1], wish))
    pulls = pull_all([job] * count, settings, list(range(1, count + 1)))
    return [_seen(job, i + 1, s, p) for i, (s, p) in enumerate(zip(settings, pulls, strict=True))]


def _seen(job: Job, number: int, settings: Settings, pull: Pulled) -> Observation:
    return Observation.of(number, settings, measure(pull.trace, job.target), complete=pull.complete)


def timings() -> dict[int, list[float]]:
    """Seconds of a step by number of pulls: of the processor, so that other work on the machine does not count."""
    out: dict[int, list[float]] = {count: [] for count in COUNTS}
    for job in jobs_named(CARS):
        seen = wander(job, max(COUNTS))
        for count in COUNTS:
            began = time.process_time()
            decide(job.problem, seen[:count])
            out[count].append(time.process_time() - began)
    return out


def table() -> str:
    found = timings()
    return "\n".join(
        f"a step after {count:3d} pulls: {', '.join(f'{s:.2f}' for s in seconds)} s of the processor"
        for count, seconds in found.items()
    )
