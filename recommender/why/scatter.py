"""What equal pulls differ by, and what the physics misses, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from models.evidence import Observation
from recommender.decide.step import same
from recommender.why.explanation import Constant
from recommender.why.trust import unmodelled_kpa
from recommender.why.words import in_unit

if TYPE_CHECKING:
    from recommender.why.look import Look


def repeatability(look: Look, observations: Sequence[Observation]) -> Constant:
    """What equal pulls differ by: the fit's value, and what equal pulls on record did."""
    problem, p = look.problem, look.surrogate.posterior_
    level = float(np.max(problem.target.boost_kpa))
    allowed = p.repeatability * level
    text = (
        f"The same settings run again differ by about {100 * p.repeatability:.1f} % of boost, "
        f"{problem.say_fine(allowed)} at {problem.say(level)} (one standard deviation)."
    )
    seen = equal_pulls(observations)
    if seen:
        first, second, apart = seen[-1]
        text += f" Pulls {first} and {second}, run alike, were {problem.say_fine(apart)} apart."
    else:
        text += " No two pulls were run alike yet, so this rests on the scatter of the fit."
    low, high = in_unit(problem, [allowed, allowed]).tolist()
    return Constant("repeatability", low, high, problem.pressure_unit, 1.0 if seen else 0.0, text)


def equal_pulls(observations: Sequence[Observation]) -> list[tuple[int, int, float]]:
    """Neighbouring trusted pulls with the same settings: both numbers, and how far apart they were. [kPa]

    One duty of a run at held rpm is no pull that was run alike.
    """
    out = []
    trusted = [pull for pull in observations if pull.trusted and pull.complete and not pull.held_rpm]
    for i, second in enumerate(trusted):
        for first in reversed(trusted[:i]):
            if same(first.settings, second.settings):
                error = (first.curve.boost_kpa - second.curve.boost_kpa)[first.curve.reached & second.curve.reached]
                if error.size:
                    out.append((first.number, second.number, float(np.sqrt(np.mean(error**2)))))
                break
    return out


def rest(look: Look) -> Constant:
    """What the physics misses, as the fit sized it."""
    problem, size, first = look.problem, unmodelled_kpa(look.surrogate), unmodelled_kpa(look.prior)
    how = "as before the first pull"
    if size > 1.001 * first:
        how = f"wider than the {problem.say_fine(first)} before the first pull"
    elif size < 0.999 * first:
        how = f"narrower than the {problem.say_fine(first)} before the first pull"
    text = f"What the physics misses is allowed for with {problem.say_fine(size)} (one standard deviation), {how}."
    low, high = in_unit(problem, [size, size]).tolist()
    return Constant("rest", low, high, problem.pressure_unit, 0.0, text)
