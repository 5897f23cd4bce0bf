"""The deviation that is foretold is the one that a pull's own curve will be given: the whole judged range counts."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from models.curve import Curve, Target, deviation_kpa
from models.settings import Settings
from models.units import FloatArray
from recommender.decide.outlook import COARSE, Outlook, between
from recommender.decide.review import surrogate_for

from .cars import outlook_after
from .why_cars import PSI, problem, pull

TARGET: Target = problem().target
EVEN = TARGET.grid()


def late(rpm: FloatArray) -> FloatArray:
    """On its target from 4100 rpm on, and 8 psi under it at 3900."""
    return TARGET.at(rpm) - 8.0 * PSI * np.clip((4100.0 - rpm) / 200.0, 0.0, 1.0)


def out_of_breath(rpm: FloatArray) -> FloatArray:
    """On its target up to 6200 rpm, and 2 psi under it at 6700."""
    return TARGET.at(rpm) - 2.0 * PSI * np.clip((rpm - 6200.0) / 500.0, 0.0, 1.0)


def spoils_the_middle(rpm: FloatArray) -> FloatArray:
    return TARGET.at(rpm) + 1.5 * PSI * np.exp(-(((rpm - 5200.0) / 400.0) ** 2))


@pytest.fixture(scope="module")
def outlook() -> Outlook:
    pulls = [pull(1, 0.0), pull(2, 20.0)]
    return Outlook(problem(), pulls, surrogate_for(problem(), pulls, changes=()))


@pytest.mark.parametrize("car", [late, out_of_breath, spoils_the_middle])
def test_it_is_that_of_a_log_wherever_boost_is_off(outlook: Outlook, car: Callable[[FloatArray], FloatArray]) -> None:
    logged = deviation_kpa(Curve(EVEN, car(EVEN)), TARGET)
    curve = car(outlook.rpm)[None, None]
    assert outlook.deviations(curve, np.zeros((1, 1)))[0, 0] == pytest.approx(logged, rel=0.06)
    sketched = outlook.deviations(curve[:, :, COARSE], np.zeros((1, 1)), coarse=True)
    assert sketched[0, 0] == pytest.approx(logged, rel=0.15)


def test_curves_are_read_between_their_points_and_past_the_last_one() -> None:
    rpm, at = np.array([3000.0, 3100.0, 3300.0]), np.array([3000.0, 3050.0, 3250.0, 3300.0, 3400.0])
    assert np.array([[10.0, 20.0, 40.0]]) @ between(rpm, at) == pytest.approx(np.array([[10, 15, 35, 40, 50]]))


#: Pulls of a job on a car out of breath at the top, the last one twice.
RUN = (
    Settings(0.0, 4900.0, 6500.0, 0.0, 0.0, 0.0),
    Settings(20.0, 4400.0, 6000.0, 3.0, 0.0, 0.0),
    Settings(34.0, 4100.0, 6000.0, 7.0, 0.0, 0.0),
    Settings(46.0, 5200.0, 6200.0, 8.0, 0.0, 0.0),
    Settings(46.0, 5200.0, 6200.0, 8.0, 0.0, 0.0),
)


def test_settings_run_again_are_foretold_what_they_were_on_a_car_out_of_breath() -> None:
    """Its logs stood 0.6 psi from the target, 0.5 was foretold, and the job went on for five more pulls."""
    seen = outlook_after("other: breathless", 1004, RUN)
    (again,) = seen.forecast([RUN[-1]])
    logged = [each.deviation_kpa(seen.problem.target) for each in seen.pulls[-2:]]
    assert again.deviation_kpa == pytest.approx(np.mean(logged), rel=0.08)
