"""After a stop nothing is proposed: what was dialled in for the next log is said, and never taken for granted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from models.settings import Settings
from recommender.logs import write_log
from recommender.session import PullRefused, RecordError, Session, SettingsError

from .logs.recordings import recording
from .test_held_logs import held_log

BASELINE = {"duty": 0, "ramp_from": 5000, "ramp_to": 7000, "ramp_add": 0, "engagement": 0, "gain": 0}
IDLE = Settings(0, 5000, 7000, 0, 0, 0)
BOLD = {"duty": 60, "engagement": 9}
Write = Callable[..., Path]


def stop_stands(session: Session, target: str | None = None) -> int:
    """Makes the step that stands a stop at which nothing allowed is safe; its number."""
    stood = session.next_step(target).number
    stored = session.record.read().steps[stood]
    decision = {**stored["decision"], "verdict": "stop", "settings": None}
    number = max(session.record.read().steps) + 1
    with session.record.writing():
        session.record.add_step(number, {**stored, "number": number, "decision": decision})
    step = session.next_step(target)
    assert (step.number, step.verdict, step.settings) == (number, "stop", None)
    return number


@pytest.fixture
def stopped(session: Session, pull_log: Write) -> Session:
    """A job whose second pull was run with bold settings, and whose step is a stop."""
    session.add_pull(pull_log(IDLE), settings=BASELINE)
    session.add_pull(pull_log(replace(IDLE, duty=20.0)), settings={**BASELINE, **BOLD, "gain": 2})
    stop_stands(session)
    return session


@pytest.mark.parametrize(
    ("given", "asked"),
    [
        ({}, "--duty … --engagement … (for the baseline --duty 0 --engagement 0)"),
        ({"gain": 0}, "--duty … --engagement … (for the baseline --duty 0 --engagement 0)"),
        ({"duty": 0}, "--engagement … (for the baseline --engagement 0)"),
        ({"engagement": 0}, "--duty … (for the baseline --duty 0)"),
    ],
)
@pytest.mark.parametrize("more", [{}, {"foreign": True}, {"target": "target"}, {"assumed": {"gain": 0.0}}])
def test_what_raises_boost_is_asked_for(
    stopped: Session, pull_log: Write, given: dict[str, float], asked: str, more: dict[str, object]
) -> None:
    before = stopped.digest()
    with pytest.raises(SettingsError) as caught:
        stopped.add_pull(pull_log(IDLE), given, **more)  # type: ignore[arg-type]
    assert str(caught.value).startswith("After the stop of step 2 nothing is proposed. ")
    assert f" Say what was dialled in: {asked}. " in str(caught.value)
    assert stopped.digest() == before


def test_a_pull_made_without_the_tool_takes_nothing_from_what_is_proposed(session: Session, pull_log: Write) -> None:
    """An old log, brought while a step waits, had been recorded with that step's duty: as if duty did little."""
    session.add_pull(pull_log(IDLE), settings=BASELINE)
    step = session.next_step()
    assert step.settings is not None
    assert step.settings["duty"] > 0
    before = session.digest()
    for given in ({}, {"duty": 0.0}, {"gain": 0.0}):
        with pytest.raises(SettingsError, match=r"^For a pull that was made without this tool nothing is proposed\."):
            session.add_pull(pull_log(IDLE), given, foreign=True)
    assert session.digest() == before
    old = session.add_pull(pull_log(IDLE), {"duty": 3, "engagement": 1}, foreign=True)
    assert (old.source, old.settings["duty"], old.settings["ramp_add"], old.settings["gain"]) == ("foreign", 3, 0, 0)


def test_what_was_said_for_the_next_pull_is_not_that_of_one_made_without_the_tool(
    stopped: Session, pull_log: Write
) -> None:
    stopped.put_right(2, BOLD)
    with pytest.raises(SettingsError, match="After the stop of step 2 nothing is proposed"):
        stopped.add_pull(pull_log(IDLE), foreign=True)
    assert stopped.add_pull(pull_log(replace(IDLE, duty=20.0))).settings["duty"] == 60.0


def test_what_else_is_left_out_counts_as_idle(stopped: Session, pull_log: Write) -> None:
    run = stopped.add_pull(pull_log(IDLE), {"duty": 3, "engagement": 1}).settings
    assert (run["duty"], run["engagement"], run["ramp_add"], run["gain"]) == (3.0, 1.0, 0.0, 0.0)


def test_what_the_job_file_fixes_is_not_asked_for(folder: Path, job_text: str, pull_log: Write) -> None:
    head, rest = job_text.split("[knobs.engagement]")
    text = f"{head}[knobs.engagement]\nfixed = 5.0\n[knobs.gain]{rest.split('[knobs.gain]')[1]}"
    (folder / "job.toml").write_text(text)
    with Session.open(folder) as session:
        session.add_pull(pull_log(IDLE), settings={"duty": 0})
        step = stop_stands(session)
        with pytest.raises(SettingsError, match=r"in: --duty … \(for the baseline --duty 0\)"):
            session.add_pull(pull_log(IDLE))
        assert "duty" not in session.dialled_in(session.step(step))
        assert session.add_pull(pull_log(IDLE), {"duty": 0}).settings["engagement"] == pytest.approx(5.0)


def test_another_targets_step_is_not_taken_for_that_of_the_stop(folder: Path, job_text: str, pull_log: Write) -> None:
    text = job_text.replace("[target]", "[targets.track]")
    road = "[targets.road]\nrpm = [2600, 3900, 6800]\nboost = [7.0, 10.0, 10.0]\n"
    (folder / "job.toml").write_text(text.replace("[limit]", f"{road}\n[limit]"))
    with Session.open(folder) as session:
        session.add_pull(pull_log(IDLE), settings=BASELINE)
        step = session.next_step("road")
        assert step.settings is not None
        number = stop_stands(session, "track")
        for target in (None, "track"):
            with pytest.raises(SettingsError) as caught:
                session.add_pull(pull_log(IDLE), target=target)
            assert f'After the stop of step {number} for the target "track" nothing is proposed' in str(caught.value)
            assert ("--target road" in str(caught.value)) == (target is None)
        run = session.add_pull(pull_log(session.job.settings_from_job(step.settings)), target="road")
        assert (run.settings, run.step) == (step.settings, step.number)


def test_a_log_refused_after_a_stop_proposes_nothing_either(stopped: Session, pull_log: Write) -> None:
    """Acknowledged and not asked what is next, nothing is proposed yet: the last settings are those before the stop."""
    high = pull_log(Settings(60, 5000, 7000, 0, 0, 0), scale=1.6, pinned_kpa=140.0)
    with pytest.raises(SettingsError, match="After the stop of step 2"):
        stopped.add_pull(high)
    with pytest.raises(PullRefused, match="acknowledge 0"):
        stopped.add_pull(high, BOLD)
    with pytest.raises(SettingsError, match="After the stop of step 2"):
        stopped.add_pull(pull_log(IDLE))
    stopped.acknowledge(0, "gauge changed")
    with pytest.raises(SettingsError, match="After the stop of step 2"):
        stopped.add_pull(pull_log(IDLE))
    step = stopped.next_step()
    assert step.settings is not None
    assert stopped.add_pull(pull_log(stopped.job.settings_from_job(step.settings))).settings == step.settings


def test_boost_above_the_limit_in_a_log_without_a_pull_is_said_and_asked_about(
    stopped: Session, tmp_path: Path
) -> None:
    falling = recording(20.0, plateau_kpa=150.0, noise_kpa=0.5)
    full = falling["throttle_pct"] > 90.0
    falling["rpm"][full], falling["boost_kpa"][full] = falling["rpm"][full][::-1], 150.0  # a sweep downwards is no pull
    short = write_log(tmp_path / "short.csv", falling)
    with pytest.raises(SettingsError, match=r"(?s)above the limit.*Not noted yet\. After the stop of step 2"):
        stopped.add_pull(short)
    assert stopped.open_stops() == []
    with pytest.raises(PullRefused, match="acknowledge 0"):
        stopped.add_pull(short, BOLD)
    assert [stop.pull for stop in stopped.open_stops()] == [0]


def test_after_a_pull_over_the_limit_its_settings_are_not_taken_again(session: Session, pull_log: Write) -> None:
    """Also where nobody has asked yet what is next."""
    over = pull_log(Settings(70, 5000, 7000, 0, 0, 0), spring_kpa=80.0)
    pull = session.add_pull(over, settings={**BASELINE, "duty": 70})
    assert pull.margin < 0.0
    with pytest.raises(SettingsError, match="After pull 1, which passed the limit, nothing is proposed"):
        session.add_pull(pull_log(IDLE))
    assert session.add_pull(pull_log(IDLE), {"duty": 0, "engagement": 0}).settings["duty"] == 0.0


def test_what_is_said_beforehand_need_not_be_said_again(stopped: Session, pull_log: Write) -> None:
    stop = stopped.next_step()
    with pytest.raises(SettingsError, match="--engagement …"):
        stopped.put_right(stop.number, {"duty": 4})
    stopped.put_right(stop.number, {"duty": 4, "engagement": 2, "gain": 1})
    before = stopped.digest()
    stopped.put_right(stop.number, {"duty": 4})  # the same once more: nothing to note
    assert stopped.digest() == before
    said = stopped.dialled_in(stop)
    assert (said["duty"], said["engagement"], said["gain"], said["ramp_add"]) == (4.0, 2.0, 1.0, 0.0)
    assert stopped.add_pull(pull_log(replace(IDLE, duty=4.0))).settings == said


def test_a_stop_that_ends_with_a_pull_says_so_when_it_is_acknowledged(stopped: Session, pull_log: Write) -> None:
    for number, where in ((2, "pull 2"), (0, "0, a refused log")):
        with pytest.raises(RecordError) as caught:
            stopped.acknowledge(number)
        assert str(caught.value).startswith(f"{where}: this stop ends with a pull that keeps the limit, not with")
        assert "Put the cause right, run the baseline and add its log with what was dialled in" in str(caught.value)
        assert str(caught.value).endswith("or withdraw the pull if its log is wrong.")
    with pytest.raises(RecordError, match="9"):
        stopped.acknowledge(9)
    stopped.add_pull(pull_log(IDLE), {"duty": 0, "engagement": 0})
    with pytest.raises(RecordError, match=r"^pull 2: no stop is waiting to be acknowledged there\.$"):
        stopped.acknowledge(2)


def test_where_another_stop_waits_it_is_named(stopped: Session, pull_log: Write) -> None:
    with pytest.raises(PullRefused):
        stopped.add_pull(pull_log(Settings(60, 5000, 7000, 0, 0, 0), scale=1.6, pinned_kpa=140.0), BOLD)
    with pytest.raises(RecordError, match=r"^pull 2: no stop is waiting .* there, but at 0\.$"):
        stopped.acknowledge(2)
    stopped.acknowledge(0)
    with pytest.raises(RecordError, match=r"^0, a refused log: no stop is waiting to be acknowledged there\.$"):
        stopped.acknowledge(0)


def test_after_a_stop_a_run_at_held_rpm_brings_its_own_duty_alone(stopped: Session, tmp_path: Path) -> None:
    """It begins with what was dialled in for it, not with what was advised before the stop."""
    log = held_log(tmp_path / "held.csv")
    with pytest.raises(SettingsError, match=r"in: --engagement … \(for the baseline --engagement 0\)"):
        stopped.add_pull(log)
    run = stopped.add_pull(log, {"engagement": 2})
    assert run.at_held_rpm
    assert (run.settings["duty"] > 30.0, run.settings["engagement"], run.settings["gain"]) == (True, 2.0, 0.0)
