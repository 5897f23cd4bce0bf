"""Boost that goes on rising past the target's range, to the end of the pull: it counts against the limit alone."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from models.settings import Settings
from recommender.decide.caveats import past_the_range
from recommender.decide.outlook import Outlook
from recommender.decide.review import surrogate_for
from recommender.session import Session, Step

from .conftest import JOB, write_pull
from .why_cars import problem, pull, settings

TARGET_RPM = np.arange(2600.0, 6801.0, 50.0)
PSI = 6.894757293
RISE_KPA = 16.0


@pytest.fixture(scope="module")
def answers(tmp_path_factory: pytest.TempPathFactory) -> dict[float, tuple[list[float], Step, Step]]:
    """Two pulls to 7400 rpm, with nothing or ``RISE_KPA`` more from 6800 rpm to the end, what equal settings promise,
    and the next step."""
    found = {}
    for rise_kpa in (0.0, RISE_KPA):
        place = tmp_path_factory.mktemp("past")
        (place / "job.toml").write_text(JOB, encoding="utf-8")
        beyond = []
        with Session.open(place) as session:
            for number, duty in ((1, 0.0), (2, 20.0)):
                log, run = place / f"log {number}.csv", Settings(duty, 3000, 7000, 0, 0, 0)
                write_pull(log, run, seed=number, last_rpm=7400.0)
                head = log.read_text(encoding="utf-8").splitlines()[0]
                rows = np.loadtxt(log, delimiter=",", skiprows=1)
                past = (rows[:, 3] > 90.0) & (rows[:, 1] > 6800.0)
                rows[past, 2] += rise_kpa * (rows[past, 1] - 6800.0) / 600.0
                np.savetxt(log, rows, delimiter=",", header=head, comments="", fmt="%.3f")
                entry = session.add_pull(log, {"duty": duty, "engagement": 0.0}).entry
                assert entry is not None
                beyond.append(entry.observation(TARGET_RPM).beyond_kpa)
                assert np.isnan(entry.observation().beyond_kpa)  # nothing lies past the pull's own grid
            same = {"duty": 45.0, "engagement": 0.0, "ramp_add": 0.0, "gain": 0.0}
            found[rise_kpa] = (beyond, session.what_if(same), session.next_step())
    return found


def test_it_is_read_off_what_the_record_keeps(answers: dict[float, tuple[list[float], Step, Step]]) -> None:
    for level, rising in zip(answers[0.0][0], answers[RISE_KPA][0], strict=True):
        assert -2.0 < level < 0.5
        assert rising - level == pytest.approx(RISE_KPA, abs=1.0)


def test_it_raises_the_highest_boost_and_the_risk(answers: dict[float, tuple[list[float], Step, Step]]) -> None:
    (_, level, _), (_, rising, _) = answers[0.0], answers[RISE_KPA]
    assert rising.peak > level.peak + 0.7 / PSI
    assert rising.risk > level.risk


def test_the_deviation_does_not_know_of_it() -> None:
    """Of one fitted surrogate: two fits would differ by the chance of their draws as well."""
    pulls = [pull(1, 0.0), pull(2, 20.0)]
    fitted = surrogate_for(problem(), pulls, changes=())
    level, rising = (
        Outlook(problem(), [replace(each, beyond_kpa=rise_kpa) for each in pulls], fitted).forecast([settings(45.0)])[0]
        for rise_kpa in (0.0, RISE_KPA)
    )
    assert rising.deviation_kpa == level.deviation_kpa
    assert rising.highest.mean() > level.highest.mean() + 0.3 * RISE_KPA  # some cars are highest before
    assert rising.risk > level.risk


def test_it_is_said(answers: dict[float, tuple[list[float], Step, Step]]) -> None:
    assert "past the range" not in answers[0.0][2].codes
    step = answers[RISE_KPA][2]
    text = step.reasons[step.codes.index("past the range")]
    assert text.startswith("Past 6800 rpm, where the target ends, boost goes up by about another 1.")
    assert "counts against the limit" in text


def test_it_is_not_said_where_the_highest_boost_comes_before() -> None:
    """Six kPa more past the range, on curves that end highest and on such as have fallen by ten."""
    seen: Any = SimpleNamespace(
        problem=problem(),
        rpm=TARGET_RPM,
        beyond=SimpleNamespace(mean_kpa=6.0),
        by_ramp_past_end=lambda rows: np.zeros((1, len(rows))),
    )
    for fall, said in ((0.0, 1), (10.0, 0)):
        curves = np.tile(100.0 - np.linspace(0.0, fall, TARGET_RPM.size), (8, 1))
        forecast: Any = SimpleNamespace(curves=curves, settings=settings(40.0))
        assert len(past_the_range(seen, forecast)) == said
