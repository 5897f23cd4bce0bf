"""Plain cars by arithmetic for tests of the decision: any constants, any history, quick."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.curve import Curve, Target, Trace, measure
from models.evidence import Observation
from models.settings import KNOB_NAMES, Knob, Settings
from models.units import FloatArray, to_kpa
from recommender.decide.outlook import Outlook
from recommender.decide.review import surrogate_for
from recommender.decide.step import Problem
from tests.fleet.play import Answer, play
from tests.fleet.seats import jobs_named

PSI = float(to_kpa(1.0, "psi"))


@dataclass(frozen=True)
class PlainCar:
    """A spool line up to what spring and duty hold, with the gate shut a little longer where engagement says so.

    Attributes:
        spring_kpa: Boost with the solenoid idle, at 4000 rpm.
        most: Share of the signal that the solenoid can take away. [-]
        spool_from: Where the spool line leaves 25 kPa. [rpm]
        spool_slope: Its slope. [kPa/rpm]
        top_kpa: Ceiling at high rpm.
        droop: Share of boost lost from 4000 to 7000 rpm.
        pull_together: What full gain makes of an error: it is divided by 1 plus this.
    """

    spring_kpa: float = 65.0
    most: float = 0.6
    spool_from: float = 2200.0
    spool_slope: float = 0.075
    top_kpa: float = 230.0
    droop: float = 0.03
    pull_together: float = 1.0

    def boost(self, settings: Settings, rpm: FloatArray, target: Target) -> FloatArray:
        """Boost at each rpm. [kPa gauge]"""
        share = self.most * np.clip((settings.effective_duty(rpm) - 5.0) / 90.0, 0.0, 1.0)
        held = self.spring_kpa * (1.0 - self.droop * (rpm - 4000.0) / 3000.0) / (1.0 - share)
        loop = self.pull_together * settings.gain / 10.0
        held = held + (target.at(rpm) - held) * loop / (1.0 + loop)
        sharp = 4.0 + 8.0 * np.clip(1.0 - settings.engagement / (0.7 * held), 0.0, 1.0)
        line = 25.0 + self.spool_slope * (rpm - self.spool_from)
        return np.asarray(
            -sharp * np.log(np.exp(-line / sharp) + np.exp(-held / sharp) + np.exp(-self.top_kpa / sharp))
        )

    def observe(
        self,
        problem: Problem,
        settings: Settings,
        number: int,
        *,
        seed: int = 0,
        scale: float = 1.0,
        last_rpm: float = 7000.0,
        spike_kpa: float = 0.0,
        trusted: bool = True,
        remark: str = "",
    ) -> Observation:
        """One pull as the decision gets it: 50 Hz, 0.4 kPa noise, a percent of scatter from pull to pull."""
        random = np.random.default_rng([seed, number])
        rpm = np.linspace(2200.0, last_rpm, max(int((last_rpm - 2200.0) / 10.0), 20))
        boost = scale * (1.0 + 0.006 * random.standard_normal()) * self.boost(settings, rpm, problem.target)
        boost = boost + random.normal(0.0, 0.4, rpm.size)
        boost[rpm.size // 2] += spike_kpa
        trace = Trace(np.arange(rpm.size) * 0.02, rpm, boost)
        measures = measure(trace, problem.target)
        return Observation.of(number, settings, measures, complete=last_rpm >= 7000.0, trusted=trusted, remark=remark)

    def held_run(self, problem: Problem, number: int, duties: Sequence[float], rpm: float) -> list[Observation]:
        """A run at held rpm as the decision gets it: one observation for each duty, boost at that rpm alone."""
        grid = problem.target.grid(50.0)
        found = []
        for duty in duties:
            settings = Settings(duty, 4800, 6700, 0, 0, 0)
            boost = float(self.boost(settings, np.array([rpm]), problem.target)[0])
            curve = Curve(grid, np.where(np.abs(grid - rpm) <= 75.0, boost, np.nan))
            found.append(Observation(number, settings, curve, boost + 0.5, boost, 0.3, held_rpm=True))
        return found


def target_of(highest_psi: float = 16.0) -> Target:
    """Half the boost at 2600 rpm, all of it from 3900, judged to 6700 rpm."""
    boost = to_kpa([0.5 * highest_psi, highest_psi, highest_psi], "psi")
    return Target(np.array([2600.0, 3900.0, 6800.0]), boost, 3900.0, 6700.0)


def knobs_of(**changes: tuple[float, float, float, float] | float) -> dict[str, Knob]:
    """Six knobs as many controllers have them; a knob given as one number is fixed at it."""
    ranges: dict[str, tuple[float, float, float, float] | float] = {
        "duty": (0.0, 90.0, 1.0, 20.0),
        "ramp_from": (3000.0, 5500.0, 100.0, 1000.0),
        "ramp_to": (5600.0, 7000.0, 100.0, 1000.0),
        "ramp_add": (0.0, 30.0, 1.0, 10.0),
        "engagement": (0.0, 16.0 * PSI, 0.5 * PSI, 8.0 * PSI),
        "gain": (0.0, 10.0, 1.0, 3.0),
        **changes,
    }
    return {
        name: Knob(name, *ranges[name])
        if isinstance(ranges[name], tuple)
        else Knob(name, ranges[name], ranges[name], 1, 1)  # type: ignore[misc, arg-type]
        for name in KNOB_NAMES
    }


def problem_of(
    highest_psi: float = 16.0, limit_psi: float | None = None, **changes: tuple[float, float, float, float] | float
) -> Problem:
    """The usual job: limit 3 psi over the target, risk 1 %, tolerance 0.4 psi."""
    limit = highest_psi + 3.0 if limit_psi is None else limit_psi
    return Problem(target_of(highest_psi), limit * PSI, 0.01, 0.4 * PSI, knobs_of(**changes), "psi", seed=5)


def outlook_after(kind: str, seed: int, run: Sequence[Settings]) -> Outlook:
    """What is expected of a virtual car of the bench once it has been run with some settings, one after the other."""
    answers = (*(Answer("pull", settings) for settings in run), Answer("done", None))
    (game,) = play(jobs_named([(kind, seed)]), lambda _, turns: answers[len(turns)], most=len(run))
    pulls = [turn.observation for turn in game.turns]
    return Outlook(game.job.problem, pulls, surrogate_for(game.job.problem, pulls, changes=()))
