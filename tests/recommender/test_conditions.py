"""A job taken up at another altitude, in another season, weeks later: said in look, add and next."""

from __future__ import annotations

import datetime
import math
from pathlib import Path

import numpy as np
import pytest

from models.settings import Settings
from recommender.session import Session

from .conftest import write_pull

KNOWN = {"duty": 15.0, "ramp_add": 0.0, "engagement": 6.0, "gain": 0.0}
SPRING = datetime.datetime(2026, 4, 20, 10, 0)


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.now = SPRING

    def __call__(self) -> datetime.datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def dated(folder: Path, clock: Clock) -> Session:
    return Session.open(folder, clock=clock)


def log(folder: Path, number: int, *, barometer_kpa: float | None, intake_c: float, duty: float = 0.0) -> Path:
    """A pull's log with its conditions, and a file name of its own."""
    more = {"Intake Air Temperature [C]": lambda rpm: np.full(rpm.size, intake_c)}
    if barometer_kpa is not None:
        more["Barometer [kPa]"] = lambda rpm: np.full(rpm.size, barometer_kpa)
    run = Settings(duty, 4900, 6700, 0, 0, 0)
    return write_pull(folder / f"pull {number}.csv", run, seed=number, more=more)


def warned(texts: tuple[str, ...] | list[str], word: str) -> list[str]:
    return [text for text in texts if word in text]


def test_barometer_and_intake_air_reach_the_evidence(dated: Session, tmp_path: Path) -> None:
    with_both = dated.add_pull(log(tmp_path, 1, barometer_kpa=94.3, intake_c=18.0)).entry
    assert with_both is not None
    assert with_both.observation().barometer_kpa == pytest.approx(94.3)
    assert with_both.observation().intake_c == pytest.approx(18.0)
    without = dated.add_pull(log(tmp_path, 2, barometer_kpa=None, intake_c=18.0)).entry
    assert without is not None
    assert math.isnan(without.observation().barometer_kpa)  # the standard atmosphere is an assumption, not a reading
    dated.close()


def test_the_job_files_barometer_stands_in(folder: Path, tmp_path: Path) -> None:
    with (folder / "job.toml").open("a", encoding="utf-8") as stream:
        stream.write("\n[channels]\nbarometer_kpa = 95.5\n")
    with Session.open(folder) as session:
        entry = session.add_pull(log(tmp_path, 1, barometer_kpa=None, intake_c=18.0)).entry
    assert entry is not None
    assert entry.observation().barometer_kpa == 95.5


def test_another_altitude_is_said_until_a_known_pull_was_repeated(dated: Session, tmp_path: Path) -> None:
    dated.add_pull(log(tmp_path, 1, barometer_kpa=101.2, intake_c=20.0))
    dated.add_pull(log(tmp_path, 2, barometer_kpa=100.1, intake_c=22.0, duty=15.0), KNOWN)
    assert not warned(dated.next_step().notes, "conditions")
    high = log(tmp_path, 3, barometer_kpa=89.9, intake_c=21.0, duty=20.0)
    shown = [remark.text for remark in dated.look(high).pulls[0].quality.remarks]
    assert warned(shown, "89.9 kPa, 100.1 on the pull before (like 850 m higher)")
    pull = dated.add_pull(high, {"duty": 20.0})
    assert warned(pull.warnings, "repeat the baseline or a known pull first")
    note = warned(dated.next_step().notes, "other conditions than pull 2: barometer 89.9 kPa after 100.1")
    assert note
    assert "Repeat the baseline or a known pull first" in note[0]
    again = dated.add_pull(log(tmp_path, 4, barometer_kpa=89.8, intake_c=21.0, duty=15.0), KNOWN)
    assert not warned(again.warnings, "pull before")
    assert not warned(dated.next_step().notes, "conditions")
    dated.close()


def test_another_season(dated: Session, clock: Clock, tmp_path: Path) -> None:
    dated.add_pull(log(tmp_path, 1, barometer_kpa=101.2, intake_c=16.0))
    clock.now = SPRING + datetime.timedelta(days=80)
    warm = log(tmp_path, 2, barometer_kpa=101.0, intake_c=41.0, duty=15.0)
    shown = [remark.text for remark in dated.look(warm).pulls[0].quality.remarks]
    assert warned(shown, "intake air at 41 °C, 16 °C on the pulls of days before")
    assert not warned(shown, "let it settle")
    pull = dated.add_pull(warm, {"duty": 15.0})
    assert warned(pull.warnings, "11 weeks lie between this pull and the one before")
    assert warned(dated.next_step().notes, "intake air 41 °C after 16, 11 weeks later")
    dated.close()


def test_a_hot_pull_of_the_same_day_is_told_to_settle(dated: Session, tmp_path: Path) -> None:
    dated.add_pull(log(tmp_path, 1, barometer_kpa=101.2, intake_c=20.0))
    pull = dated.add_pull(log(tmp_path, 2, barometer_kpa=101.2, intake_c=44.0, duty=15.0), {"duty": 15.0})
    assert warned(pull.warnings, "Intake air at 44 °C, 20 °C on the other pulls: let it settle and repeat")
    assert not warned(pull.warnings, "days before")
    dated.close()
