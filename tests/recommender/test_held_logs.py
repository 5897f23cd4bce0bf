"""Logs of runs at held rpm, spool, hand and all; when one is advised, and what it is taken to begin with."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from typer.testing import CliRunner

from models import fleet
from models.settings import Settings
from models.units import kpa_in
from recommender import cli
from recommender.cli.pull import pull_lines
from recommender.cli.screen import Screen
from recommender.page.desk import Desk
from recommender.page.pieces import rows
from recommender.report.view import sheet
from recommender.session import LogError, PullResult, Session
from tests.recommender.conftest import write_pull

PSI = kpa_in("psi")
IDLE = Settings(0, 5000, 7000, 0, 0, 0)
RPM = 5300.0
REST_S = 2.0
RATE = 4.0


def settled_kpa(duty: np.ndarray) -> np.ndarray:
    """Boost of the plain car at the held rpm. [kPa gauge]"""
    return np.asarray(65.0 * (1.0 - 0.03 * (RPM - 4000.0) / 3000.0) / (1.0 - 0.6 * np.clip((duty - 5.0) / 90.0, 0, 1)))


def hand(time_s: np.ndarray) -> np.ndarray:
    """Duty that rests at 0, then is turned up slowly to 40 %."""
    return np.clip(RATE * (time_s - REST_S), 0.0, 40.0)


def held_log(
    path: Path,
    turned: Callable[[np.ndarray], np.ndarray] = hand,
    *,
    seconds: float = 14.0,
    follows_s: float = 0.3,
    spool_s: float = 0.35,
    logged: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None,
) -> Path:
    """Part load, then full load at held rpm: boost spools, and follows the hand.

    Args:
        path: Where to.
        turned: Duty at a time since the throttle was opened. [s] to [%]
        seconds: At full load.
        follows_s: By which boost follows the hand.
        spool_s: Time constant of the spool.
        logged: Duty that is logged, by duty and boost; None: duty itself.
    """
    time = np.arange(0.0, seconds + 4.0, 0.02)
    since = time - 2.0
    on = (since > 0.0) & (since < seconds)
    rise = 1.0 - np.exp(-np.maximum(since, 0.0) / spool_s)
    boost = np.where(on, -70.0 + (settled_kpa(turned(since - follows_s)) + 70.0) * rise, -70.0)
    random = np.random.default_rng(4)
    columns = {
        "Time [s]": time,
        "Engine Speed [rpm]": RPM + random.normal(0.0, 8.0, time.size),
        "Boost [kPa]": boost + random.normal(0.0, 0.3, time.size),
        "Throttle [%]": np.where(on, 100.0, 12.0),
        "Duty [%]": np.where(on, turned(since) if logged is None else logged(turned(since), boost), 0.0),
    }
    table = np.column_stack(list(columns.values()))
    np.savetxt(path, table, delimiter=",", header=",".join(columns), comments="", fmt="%.3f")
    return path


def points(pull: PullResult) -> np.ndarray:
    """Duty and boost at each duty of a run. Shape (n, 2)"""
    assert pull.entry is not None
    return np.array(pull.entry.facts["held"])[:, [0, 2]]


@pytest.fixture
def begun(session: Session, tmp_path: Path) -> Session:
    """A job whose baseline is on record, and whose next step has settings of its own."""
    session.next_step()
    session.add_pull(write_pull(tmp_path / "baseline.csv", IDLE))
    step = session.next_step()
    assert step.settings is not None
    baseline = session.pulls()[0].settings
    assert {**step.settings, "duty": 0.0} != {**baseline}  # not by duty alone, which a run at held rpm turns itself
    return session


# ------------------------------------------------------------------ what a log shows


def test_boost_counts_for_the_duty_that_it_follows(begun: Session, tmp_path: Path) -> None:
    seen = points(begun.add_pull(held_log(tmp_path / "held.csv")))
    assert 8 <= len(seen) <= 9
    assert seen[:, 1] == pytest.approx(settled_kpa(seen[:, 0]), abs=0.4)


def test_a_steep_end_is_cut_more_narrowly(begun: Session, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A solenoid that wakes up late: what boost does over its last points of duty tells what comes next."""

    def late(duty: np.ndarray) -> np.ndarray:
        return np.asarray(65.0 + 4.0 * np.maximum(duty - 34.0, 0.0))

    monkeypatch.setattr(f"{__name__}.settled_kpa", late)
    seen = points(begun.add_pull(held_log(tmp_path / "held.csv", seconds=12.0)))
    asleep, awake = seen[seen[:, 0] < 33.0], seen[seen[:, 0] > 35.0]
    assert np.diff(asleep[:, 0]).min() > 3.0
    assert np.diff(awake[:, 0]).max() < 2.5
    assert len(seen) <= 12
    assert seen[-1] == pytest.approx([39.0, 85.0], abs=6.0)
    assert seen[:, 1] == pytest.approx(late(seen[:, 0]), abs=2.0)


def test_the_spool_and_a_gate_held_shut_in_it_are_left_out(begun: Session, tmp_path: Path) -> None:
    """While boost comes up a controller logs full duty: evidence that 100 % gives hardly any boost, if it counted."""

    def shut(duty: np.ndarray, boost: np.ndarray) -> np.ndarray:
        return np.where(boost < 30.0, 100.0, duty)

    seen = points(begun.add_pull(held_log(tmp_path / "held.csv", logged=shut, spool_s=0.6)))
    assert seen[:, 0].max() < 41.0
    assert seen[0, 1] == pytest.approx(float(settled_kpa(seen[:1, 0])[0]), abs=2.0)


def test_a_log_that_begins_with_boost_settled_counts_from_its_beginning(begun: Session, tmp_path: Path) -> None:
    def at_once(time_s: np.ndarray) -> np.ndarray:
        return np.clip(RATE * time_s, 0.0, 40.0)

    seen = points(begun.add_pull(held_log(tmp_path / "held.csv", at_once, spool_s=1e-3, seconds=11.0)))
    assert seen[0, 0] < 4.0


def test_duty_that_jumps_up_is_refused_with_what_to_do(begun: Session, tmp_path: Path) -> None:
    def flutters(duty: np.ndarray, _: np.ndarray) -> np.ndarray:
        return np.where((duty > 20.0) & (duty < 22.0), 100.0, duty)

    with pytest.raises(LogError, match=r"Duty jumps from 20 to 100 % at .* s: .*engagement as low as it goes"):
        begun.add_pull(held_log(tmp_path / "held.csv", logged=flutters))


def test_boost_that_never_settles_is_refused(begun: Session, tmp_path: Path) -> None:
    with pytest.raises(LogError, match="Boost never settled: hold rpm until"):
        begun.add_pull(held_log(tmp_path / "held.csv", seconds=3.5, spool_s=3.0))


def test_duty_turned_too_fast_is_said(begun: Session, tmp_path: Path) -> None:
    def quick(time_s: np.ndarray) -> np.ndarray:
        return np.clip(14.0 * (time_s - REST_S), 0.0, 40.0)

    pull = begun.add_pull(held_log(tmp_path / "held.csv", quick, seconds=6.0))
    assert any("by as much as 14 points a second: boost lags the hand" in words for words in pull.warnings)


def test_duty_turned_in_small_steps_that_rest_is_not_too_fast(begun: Session, tmp_path: Path) -> None:
    def stairs(time_s: np.ndarray) -> np.ndarray:
        return 8.0 * np.clip(np.floor((time_s - REST_S) / 1.5), 0.0, 5.0)

    pull = begun.add_pull(held_log(tmp_path / "held.csv", stairs))
    assert not any("lags the hand" in words for words in pull.warnings)
    assert points(pull)[:, 1] == pytest.approx(settled_kpa(points(pull)[:, 0]), abs=0.4)


def test_duty_written_the_other_way_round_is_refused(begun: Session, tmp_path: Path) -> None:
    """Loggers write what the solenoid is closed for, too: evidence that full duty gives the spring's boost."""
    with pytest.raises(LogError, match=r"kPa at 6\d % of the log's duty and .* more duty gives more boost, so this is"):
        begun.add_pull(held_log(tmp_path / "held.csv", logged=lambda duty, _: 100.0 - duty))


@pytest.mark.parametrize("share", [False, True])
def test_duty_that_is_not_what_was_turned_is_refused(begun: Session, tmp_path: Path, share: bool) -> None:
    """A column of what was dialled at first; a share of 1 under a heading of percent, which was 0.4 % at 40."""

    def other(duty: np.ndarray, _: np.ndarray) -> np.ndarray:
        return duty / 100.0 if share else np.full(duty.shape, 25.0)

    with pytest.raises(LogError, match=r"Boost moves from \d+ to \d+ kPa while the log's duty stands at"):
        begun.add_pull(held_log(tmp_path / "held.csv", logged=other))


def changed(path: Path, change: Callable[[np.ndarray], np.ndarray]) -> Path:
    """A held log with its table changed: time, engine speed, boost, throttle, duty."""
    heading = path.read_text().splitlines()[0]
    table = change(np.loadtxt(path, delimiter=",", skiprows=1))
    np.savetxt(path, table, delimiter=",", header=heading, comments="", fmt="%.3f")
    return path


def test_too_few_readings_at_most_duties_are_refused(begun: Session, tmp_path: Path) -> None:
    """Read twice a second, only the rest at duty 0 had enough: it was on record with the highest boost of the run."""
    path = changed(held_log(tmp_path / "held.csv"), lambda table: table[::25])
    with pytest.raises(LogError, match="Too few readings at most of the duties: turn it slower, or log faster"):
        begun.add_pull(path)


@pytest.mark.parametrize("creep_rpm", [300.0, 600.0])
def test_rpm_that_creeps_while_duty_is_turned_is_no_sweep(begun: Session, tmp_path: Path, creep_rpm: float) -> None:
    """It was an aborted pull at duty 0, with the boost of duty 40."""

    def creeping(table: np.ndarray) -> np.ndarray:
        table[:, 1] += creep_rpm * np.clip((table[:, 0] - 2.0) / 14.0, 0.0, 1.0)
        return table

    with pytest.raises(LogError, match=r"Duty goes from 0 to 40 % while engine speed .*not held nearly enough"):
        begun.add_pull(changed(held_log(tmp_path / "held.csv"), creeping))


# ------------------------------------------------------------------ when it is advised


def test_it_is_advised_after_the_baseline_with_rpm_and_where_to_lift(begun: Session) -> None:
    advised = begun.held_run()
    assert advised is not None
    assert (advised.rpm, advised.like) == (RPM, 1)
    assert begun.job.settings_to_job(advised.settings) == begun.pulls()[0].settings
    assert advised.stop_kpa == pytest.approx(15.0 * PSI, abs=0.01)
    note = next(note for note in begun.next_step().notes if "held rpm" in note)
    assert "knobs as for pull 1, 5300 rpm held at full load" in note
    assert "lift at 15.0 psi" in note
    assert "exhaust temperature" in note


def test_the_hand_stops_under_the_limit_too(begun: Session) -> None:
    near = replace(begun.job, limit=16.2)
    with Session(near, begun.record) as other:
        advised = other.held_run()
        assert advised is not None
        assert advised.stop_kpa == pytest.approx(14.2 * PSI, abs=0.01)


def test_it_is_advised_once_and_not_without_a_sound_baseline(session: Session, tmp_path: Path) -> None:
    assert session.held_run() is None
    session.add_pull(write_pull(tmp_path / "aborted.csv", IDLE, last_rpm=5600.0))
    assert session.held_run() is None
    session.withdraw(1, "lifted for a noise")
    session.add_pull(write_pull(tmp_path / "baseline.csv", IDLE))
    assert session.held_run() is not None
    session.add_pull(held_log(tmp_path / "held.csv"))
    assert session.held_run() is None
    assert not any("held rpm" in note for note in session.next_step().notes)


@pytest.mark.parametrize("spring_kpa", [92.0, 135.0])
def test_it_is_not_advised_where_the_spring_alone_is_near_the_target_or_over_the_limit(
    session: Session, tmp_path: Path, spring_kpa: float
) -> None:
    session.add_pull(write_pull(tmp_path / "stiff.csv", IDLE, spring_kpa=spring_kpa))
    assert session.held_run() is None


def test_it_is_not_advised_where_duty_was_not_idle(session: Session, tmp_path: Path) -> None:
    session.add_pull(write_pull(tmp_path / "first.csv", replace(IDLE, duty=20.0)), {"duty": 20})
    assert session.held_run() is None


# ------------------------------------------------------------------ what it is taken to begin with


def test_settings_left_out_are_those_that_were_advised(begun: Session, tmp_path: Path) -> None:
    """Not those of the step that waits, which were not dialled in."""
    pull = begun.add_pull(held_log(tmp_path / "held.csv"))
    assert pull.settings["duty"] == pytest.approx(40.0, abs=2.5)
    first = begun.pulls()[0].settings
    assert {**pull.settings, "duty": 0.0} == {**first}
    assert begun.next_step().verdict == "pull"
    assert all(row.same for row in begun.replay())


def test_settings_that_are_given_count(begun: Session, tmp_path: Path) -> None:
    pull = begun.add_pull(held_log(tmp_path / "held.csv"), {"engagement": 2.0})
    assert pull.settings["engagement"] == 2.0


def test_settings_put_right_before_the_run_count(begun: Session, tmp_path: Path) -> None:
    begun.put_right(begun.next_step().number, {"engagement": 3.0})
    assert begun.add_pull(held_log(tmp_path / "held.csv")).settings["engagement"] == 3.0


@pytest.mark.parametrize("form", [None, {}, {"engagement": 1.5}])
def test_from_the_page_what_nobody_changed_is_as_advised(
    begun: Session, tmp_path: Path, form: dict[str, float] | None
) -> None:
    """The form holds the step's settings: sent as they stand they say nothing of a run at held rpm."""
    step = begun.next_step()
    sent = None if form is None else {**dict(step.settings or {}), **form}
    desk = Desk(begun)
    try:
        task = desk.take(held_log(tmp_path / "held.csv"), target=step.target, settings=sent)
        assert task.ended.wait(60)
    finally:
        desk._worker.shutdown(wait=True)
    assert task.error == ""
    assert begun.pulls()[-1].settings["engagement"] == (form or {}).get("engagement", 0.0)


# ------------------------------------------------------------------ on a virtual car


def test_a_virtual_car_is_held_and_read_as_what_it_settles_at(tmp_path: Path) -> None:
    """Through log and record, spool and lag of an engine's equations included."""
    played: Any = CliRunner().invoke(cli.app, ["demo", str(tmp_path / "car"), "--held", "--pulls", "3"])
    assert played.exit_code == 0, played.output
    car = fleet.make("free-flowing", 3)
    with Session.open(tmp_path / "car") as session:
        run = session.pulls()[1]
        assert run.entry is not None
        assert run.entry.facts["kind_of_run"] == "held rpm"
        assert run.peak < car.limit_kpa / PSI
        for duty, rpm, boost, _ in run.entry.facts["held"]:
            still = car.hold(replace(car.idle, duty=duty), rpm, 1, stop_kpa=np.inf, rate=0.0)
            assert boost == pytest.approx(float(np.median(still.true_boost_kpa[-200:])), abs=1.5)
        spared = session.pulls()[2]
        assert spared.hit
        assert spared.settings["duty"] > 40.0  # in one step from the baseline


@pytest.mark.parametrize(("blank_s", "counts"), [(0.4, True), (3.0, False)])
def test_a_few_blank_cells_of_duty_are_drawn_between_their_neighbours(
    session: Session, tmp_path: Path, blank_s: float, counts: bool
) -> None:
    path = held_log(tmp_path / "held.csv")
    head, *rows = path.read_text().splitlines()
    row = 400
    blank = range(row, row + round(blank_s / 0.02))
    rows = [text.rpartition(",")[0] + "," if each in blank else text for each, text in enumerate(rows)]
    path.write_text("\n".join([head, *rows]) + "\n")
    if counts:
        duty = points(session.add_pull(path))[:, 0]
        assert duty[-1] > 35.0
    else:
        with pytest.raises(LogError, match="only with duty in the log"):
            session.add_pull(path)


def test_sheet_and_page_call_it_what_it_is(begun: Session, tmp_path: Path) -> None:
    """Advised beside a step, it has other settings than that step, and nothing went otherwise than advised."""
    begun.add_pull(held_log(tmp_path / "held.csv"))
    begun.next_step()
    begun.add_pull(write_pull(tmp_path / "other.csv", Settings(7, 5000, 7000, 0, 0, 0)), settings={"duty": 7})
    assert [row["why"] for row in sheet(begun, datetime.datetime(2026, 11, 27))["pulls"]][1:] == [
        "A run at held rpm.",
        "Other settings than proposed.",
    ]
    told = ["\n".join(pull_lines(pull, begun.job, Screen(200, colour=False))) for pull in begun.pulls()[1:]]
    assert [text.split("(")[1].split(")")[0] for text in told] == ["a run at held rpm", "not as proposed in step 3"]
    found = SimpleNamespace(pulls=begun.pulls(), withdrawn=[], step=begun.next_step())
    assert [row["source"] for row in rows(begun.job, cast(Any, found))][:2] == [
        "other settings than proposed",
        "a run at held rpm",
    ]
