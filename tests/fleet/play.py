"""Whole jobs in lock-step: every job asks its method for the next settings, then all cars run one pull at once."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from models.curve import Measures, measure
from models.evidence import Observation, quiet_kpa
from models.settings import Settings
from recommender.decide.step import Band
from tests.fleet.scenarios import PLAIN, Scenario
from tests.fleet.seats import Job, Pulled, pull_all


@dataclass(frozen=True)
class Answer:
    """What a method says is next. Methods that make no promise leave it out.

    Attributes:
        verdict: ``pull``, ``repeat``, ``done``, ``out of reach`` or ``stop``.
        settings: What to run; None where the job ends.
        risk: Probability of passing the limit. [-]
        deviation_kpa, best_kpa: Expected deviation, and the best thought possible. [kPa]
        band: 90 % band.
        peak_high_kpa: Highest boost that is passed with 5 % probability. [kPa gauge]
        best_number: Number of the pull whose settings stand.
        cause, cause_rpm, binding, codes: As the decision gives them.
    """

    verdict: str
    settings: Settings | None
    risk: float = float("nan")
    deviation_kpa: float = float("nan")
    best_kpa: float = float("nan")
    band: Band | None = None
    peak_high_kpa: float = float("nan")
    best_number: int = 0
    cause: str = ""
    cause_rpm: float = float("nan")
    binding: tuple[str, ...] = ()
    codes: tuple[str, ...] = ()

    @property
    def ends(self) -> bool:
        return self.settings is None


@dataclass(frozen=True)
class Turn:
    """One pull that was run.

    Attributes:
        number: From 1.
        answer: What the method had proposed.
        settings: What was dialled in.
        pull: Log and truth.
        steady: The same pull without drift, heat soak and noise.
        measures: Read off the log.
        observation: The pull as evidence.
        seconds: Time the method took.
    """

    number: int
    answer: Answer
    settings: Settings
    pull: Pulled
    steady: Pulled
    measures: Measures
    observation: Observation
    seconds: float


Method = Callable[[Job, Sequence[Turn]], Answer]


@dataclass
class Game:
    """A job in play. ``end`` is the answer that ended it, None where the pulls ran out before."""

    job: Job
    turns: list[Turn] = field(default_factory=list)
    end: Answer | None = None
    end_seconds: float = float("nan")


def play(jobs: Sequence[Job], method: Method, *, most: int, scenario: Scenario = PLAIN) -> list[Game]:
    """Play each job until its method ends it, or until ``most`` pulls have been run."""
    games = [Game(job) for job in jobs]
    for number in range(1, most + 2):
        asked = []
        for game in games:
            if game.end is not None:
                continue
            began = time.perf_counter()
            answer = method(game.job, game.turns)
            took = time.perf_counter() - began
            if answer.ends or answer.settings is None:
                game.end, game.end_seconds = answer, took
            elif number <= most:
                asked.append((game, answer, answer.settings, took))
        if not asked:
            break
        _run(asked, number, scenario)
    return games


def _run(asked: Sequence[tuple[Game, Answer, Settings, float]], number: int, scenario: Scenario) -> None:
    jobs = [game.job for game, *_ in asked]
    dialled = [scenario.dialled(s, dict(game.job.knobs), game.job.seed, number) for game, _, s, _ in asked]
    numbers = [number] * len(jobs)
    pulls = pull_all(jobs, dialled, numbers, scenario=scenario)
    steadies = pull_all(jobs, dialled, numbers, repeatable=True, scenario=scenario)
    for (game, answer, proposed, took), settings, pull, steady in zip(asked, dialled, pulls, steadies, strict=True):
        quiet = quiet_kpa([turn.observation for turn in game.turns], settings)
        measures = measure(pull.trace, game.job.target, quiet_kpa=quiet)
        seen = replace(Observation.of(number, settings, measures, complete=pull.complete), proposed=proposed)
        game.turns.append(Turn(number, answer, settings, pull, steady, measures, seen, took))
