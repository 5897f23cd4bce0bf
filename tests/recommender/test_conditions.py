"""A job taken up at another altitude, in another season, weeks later: said in look, add and next."""

from __future__ import annotations

import datetime
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from models.settings import Settings
from recommender.cli import app
from recommender.decide.other_conditions import apart
from recommender.session import Session, to_json

from .conftest import write_pull
from .why_cars import pull

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
    idle = {**KNOWN, "duty": 0.0, "engagement": 0.0}
    baseline = dated.add_pull(log(tmp_path, 3, barometer_kpa=101.0, intake_c=40.0), idle)
    assert not warned(baseline.warnings, "repeat the baseline")  # it is the baseline, repeated
    assert not warned(dated.next_step().notes, "conditions")
    dated.close()


def test_a_hot_pull_of_the_same_day_is_told_to_settle(dated: Session, tmp_path: Path) -> None:
    dated.add_pull(log(tmp_path, 1, barometer_kpa=101.2, intake_c=20.0))
    pull = dated.add_pull(log(tmp_path, 2, barometer_kpa=101.2, intake_c=44.0, duty=15.0), {"duty": 15.0})
    assert warned(pull.warnings, "Intake air at 44 °C, 20 °C on the other pulls: let it settle and repeat")
    assert not warned(pull.warnings, "days before")
    dated.close()


def test_intake_air_that_boost_has_warmed_is_no_other_weather(dated: Session, tmp_path: Path) -> None:
    """Measured after the compressor: 24 °C more with 29 kPa more boost, and back."""
    dated.add_pull(log(tmp_path, 1, barometer_kpa=100.0, intake_c=32.0))
    high = {"duty": 60.0, "ramp_add": 0.0, "engagement": 6.0, "gain": 0.0}
    dated.add_pull(log(tmp_path, 2, barometer_kpa=100.0, intake_c=56.0, duty=60.0), high)
    assert not warned(dated.next_step().notes, "conditions")
    dated.add_pull(log(tmp_path, 3, barometer_kpa=100.0, intake_c=31.0, duty=15.0), KNOWN)
    assert not warned(dated.next_step().notes, "conditions")
    dated.add_pull(log(tmp_path, 4, barometer_kpa=100.0, intake_c=56.0, duty=20.0), KNOWN | {"duty": 20.0})
    assert warned(dated.next_step().notes, "other conditions than pull 3: intake air 56 °C after 31")
    dated.close()


@pytest.mark.parametrize(
    ("warmer_c", "more_kpa", "told"),
    [
        (14, 0, False),
        (16, 0, True),
        (-16, 0, True),
        (40, 30, False),
        (50, 30, True),
        (-40, -30, False),
        (-20, 30, True),
    ],
)
def test_how_much_boost_may_warm_the_air(warmer_c: float, more_kpa: float, told: bool) -> None:
    """Up to 15 °C are no season, and up to 1 °C a kPa are the compressor's: never the other way round."""
    then = replace(pull(1, 20.0), barometer_kpa=100.0, intake_c=20.0)
    highest = then.sustained_peak_kpa + more_kpa
    assert bool(apart(then, replace(then, intake_c=20.0 + warmer_c, sustained_peak_kpa=highest))) == told
    assert apart(then, replace(then, intake_c=float("nan"), barometer_kpa=float("nan"))) == []


def test_under_a_stop_no_pull_is_advised(folder: Path, tmp_path: Path) -> None:
    with (folder / "job.toml").open("a", encoding="utf-8") as stream:
        stream.write("\n[guards]\nlambda = { highest = 0.86 }\n")
    with Session.open(folder) as session:
        session.add_pull(log(tmp_path, 1, barometer_kpa=100.0, intake_c=20.0))
        more = {"Barometer [kPa]": lambda rpm: np.full(rpm.size, 85.0), "Lambda": lambda rpm: np.full(rpm.size, 0.95)}
        lean = write_pull(tmp_path / "lean.csv", Settings(15, 4900, 6700, 0, 0, 0), more=more)
        session.add_pull(lean, KNOWN)
        step = session.next_step()
        assert step.verdict == "stop"
        assert not warned(step.notes, "conditions")
        session.acknowledge(2)
        assert warned(session.next_step().notes, "other conditions than pull 1: barometer 85.0 kPa after 100.0")


# ------------------------------------------------------------------ the log's own day, weeks between, what screens say


def dated_log(path: Path, day: str, **conditions: float) -> Path:
    """A pull's log whose clock writes a date in front of the time."""
    plain = log(
        path.parent,
        77,
        barometer_kpa=conditions.get("barometer_kpa", 100.0),
        intake_c=conditions.get("intake_c", 20.0),
        duty=15.0,
    )
    head, *rows = plain.read_text(encoding="utf-8").splitlines()
    parts = [row.split(",", 1) for row in rows if row]
    begin = float(parts[0][0])
    minutes = [(divmod(float(t) - begin, 60.0), rest) for t, rest in parts]
    stamped = [f"{day} 10:{int(whole):02d}:{seconds:06.3f},{rest}" for (whole, seconds), rest in minutes]
    path.write_text("\n".join([head.replace("Time [s]", "Time"), *stamped]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("day", "after_days", "said"),
    [
        ("2026-04-20", 0, ""),
        ("20.04.2026", 1, ""),
        ("2026-07-09", 80, "11 weeks lie between this pull and the one before"),
        ("2026-04-21", 80, ""),  # brought late, but run the day after
        ("2026-03-02", 0, "by its own clock this log is of 2026-03-02, 7 weeks before pull 1"),
        ("2026-04-12", 0, "by its own clock this log is of 2026-04-12, 8 days before pull 1"),
        ("2000-01-01", 0, ""),  # a clock that was never set
        ("2080-01-06", 0, ""),  # nor one that is years ahead
    ],
)
def test_a_log_of_another_day_is_said(
    dated: Session, clock: Clock, tmp_path: Path, day: str, after_days: int, said: str
) -> None:
    dated.add_pull(log(tmp_path, 1, barometer_kpa=100.0, intake_c=20.0))
    clock.now = SPRING + datetime.timedelta(days=after_days)
    path = dated_log(tmp_path / "pull.csv", day)
    words = [text for text in dated.look(path).warnings if "weeks" in text or "by its own clock" in text]
    assert len(words) == bool(said)
    assert said in "".join(words)
    pull = dated.add_pull(path, KNOWN)
    assert len([text for text in pull.warnings if said.lower() in text.lower()]) == 1 or not said
    dated.close()


def test_old_logs_brought_in_one_after_the_other_are_of_their_own_days(dated: Session, tmp_path: Path) -> None:
    """A day's logs added a season later: each is held against the day of the pull before, not of its being added."""
    dated.add_pull(dated_log(tmp_path / "a.csv", "2026-01-05"), KNOWN, foreign=True)
    second = dated_log(tmp_path / "b.csv", "2026-01-05", barometer_kpa=100.5)
    assert not [text for text in dated.look(second).warnings if "by its own clock" in text]
    dated.close()


def test_logs_of_one_day_brought_later_are_of_one_day(dated: Session, tmp_path: Path) -> None:
    """Temperatures of one day are to settle, although the day is over when its logs are brought."""
    hot = dated_log(tmp_path / "a.csv", "2026-04-11", intake_c=44.0)
    dated.add_pull(hot, KNOWN, foreign=True)
    again = dated_log(tmp_path / "b.csv", "2026-04-11")
    shown = [remark.text for remark in dated.look(again).pulls[0].quality.remarks]
    assert warned(shown, "let it settle")
    assert not warned(shown, "days before")
    dated.close()


def test_next_says_that_weeks_have_passed_and_the_step_stays_the_same(
    dated: Session, clock: Clock, tmp_path: Path
) -> None:
    assert dated.long_ago() == ""
    dated.add_pull(log(tmp_path, 1, barometer_kpa=100.0, intake_c=20.0))
    step = to_json(dated.next_step())
    clock.now = SPRING + datetime.timedelta(days=21)
    assert dated.long_ago() == ""
    clock.now = SPRING + datetime.timedelta(days=22)
    assert dated.long_ago().startswith("3 weeks lie between pull 1 and today: fuel, parts and gauge may have changed.")
    assert to_json(dated.next_step()) == step
    dated.close()


def test_weeks_that_only_the_logs_own_clock_tells_are_said_to_be_its(dated: Session, tmp_path: Path) -> None:
    """A log brought today by a logger whose clock is years behind: whoever knows its clock can tell."""
    dated.add_pull(dated_log(tmp_path / "a.csv", "2015-01-01"), KNOWN)
    assert dated.long_ago().startswith("589 weeks lie between pull 1 (2015-01-01 by its log's own clock) and today: ")
    dated.close()


def test_the_commands_hold_a_log_against_the_record(folder: Path, tmp_path: Path) -> None:
    run = CliRunner()
    high = log(tmp_path, 2, barometer_kpa=88.0, intake_c=20.0)
    before = run.invoke(app, ["look", str(high), "--job", str(folder)])
    assert before.exit_code == 0
    assert "m higher" not in before.output
    assert not (folder / "record.db").exists()  # looking makes no record
    long_past = datetime.datetime.now() - datetime.timedelta(days=70)
    with Session.open(folder, clock=lambda: long_past) as session:
        session.add_pull(log(tmp_path, 1, barometer_kpa=100.0, intake_c=20.0))
    looked = " ".join(run.invoke(app, ["look", str(high), "--job", str(folder)]).output.split())
    assert "88.0 kPa, 100.0 on the pull before (like 1000 m higher)" in looked
    assert "10 weeks lie between this pull and the one before" in looked
    shown = " ".join(run.invoke(app, ["next", str(folder)]).output.split())
    assert "10 weeks lie between pull 1 and today" in shown
    (folder / "record.db").write_bytes(b"no database" * 100)
    broken = run.invoke(app, ["look", str(high), "--job", str(folder)])
    assert broken.exit_code == 0
    assert "not compared with the job's other pulls" in " ".join(broken.output.split())
