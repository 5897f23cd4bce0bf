"""Pulls that leave much of the judged range out: no deviation can be told, and the tool says what to do about it."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from models.settings import Settings
from recommender.decide.caveats import out_of_range
from recommender.session import PullResult, Session, Step

from .conftest import JOB, write_pull
from .why_cars import problem, pull


def run(place: Path, judge_from: int, last_rpm: float, number: int, duty: float) -> tuple[PullResult, Step]:
    """A pull from 2200 rpm on, and the step after it."""
    job = JOB.replace("judge_from = 3900", f"judge_from = {judge_from}")
    (place / "job.toml").write_text(job, encoding="utf-8")
    log = write_pull(place / f"log {number}.csv", Settings(duty, 3000, 7000, 0, 0, 0), seed=number, last_rpm=last_rpm)
    with Session.open(place) as session:
        return session.add_pull(log, {"duty": duty, "engagement": 0.0}), session.next_step()


@pytest.mark.parametrize(
    ("judge_from", "last_rpm", "words"),
    [
        (3900, 6100.0, "The pulls so far end at 6100 rpm and the judged range at 6700 rpm: go on further"),
        (1500, 7000.0, "The pulls so far begin at 2200 rpm and the judged range at 1500 rpm: begin lower"),
    ],
)
def test_what_is_missing_is_said_with_what_to_do(
    tmp_path: Path, judge_from: int, last_rpm: float, words: str
) -> None:
    pull, step = run(tmp_path, judge_from, last_rpm, 1, 0.0)
    assert all(math.isnan(value) for value in pull.deviations.values())
    assert step.codes[0] == "out of range"  # the first of the few that a screen shows
    text = step.reasons[0]
    assert text.startswith(words)
    assert ", or set judge_" in text
    assert text.endswith("As it is no deviation can be told, and the job comes to no end.")


def test_nothing_is_said_once_a_pull_covers_the_range(tmp_path: Path) -> None:
    _, step = run(tmp_path, 3900, 6100.0, 1, 0.0)
    assert "out of range" in step.codes
    pull, step = run(tmp_path, 3900, 7000.0, 2, 20.0)
    assert all(math.isfinite(value) for value in pull.deviations.values())
    assert "out of range" not in step.codes


def told(*last_rpm: float) -> str:
    """What is said after whole pulls to these rpm, judged to 6700."""
    pulls = [replace(pull(n, 0.0, last_rpm=rpm), complete=True) for n, rpm in enumerate(last_rpm, start=1)]
    seen: Any = SimpleNamespace(problem=problem(), pulls=pulls)
    return " ".join(reason.text for reason in out_of_range(seen))


def test_of_several_pulls_the_one_that_went_farthest_is_told() -> None:
    assert told(5800.0, 6100.0, 5900.0).startswith("The pulls so far end at 6100 rpm and the judged range at 6700 rpm")


def test_a_pull_that_lacks_less_than_a_tenth_is_enough() -> None:
    """The judged range is 2800 rpm wide, and 250 of them are missing."""
    assert told(6100.0, 6450.0) == ""


def test_a_pull_that_was_lifted_early_is_not_taken_for_all_that_the_engine_turns() -> None:
    """To set judge_to to 3000 had been the first thing said after a lifted baseline."""
    assert told(3000.0) == told(3000.0, 5000.0) == ""
    assert told(3000.0, 5500.0).startswith("The pulls so far end at 5500 rpm")


def test_a_pull_is_whole_once_the_judged_range_ends_where_it_does(tmp_path: Path) -> None:
    """Done as was advised, the baseline still counted as aborted, and had to be run again once it was found out why."""
    pull, step = run(tmp_path, 3900, 6100.0, 1, 0.0)
    assert not pull.complete
    assert "set judge_to to 6100 in the job file" in step.reasons[0]
    file = tmp_path / "job.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("judge_to   = 6700", "judge_to   = 6100"))
    with Session.open(tmp_path) as session:
        (pull,) = session.pulls()
        assert (pull.complete, pull.warnings) == (True, ())
        assert math.isfinite(pull.deviation)
        assert session.next_step().verdict == "pull"
        assert all(row.same for row in session.replay())
