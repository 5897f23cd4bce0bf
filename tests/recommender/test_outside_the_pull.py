"""Boost above the limit anywhere in a log, and guards passed there, hold the job up until acknowledged."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from models.units import kpa_in
from recommender.logs import write_log
from recommender.session import LogError, PullRefused, Session, Stop

from .logs.recordings import Channels, joined, recording

#: The job's limit is 19 psi, 131 kPa.
HIGH_KPA = 150.0
SOUND_KPA = 100.0
BASELINE = {"duty": 0.0, "ramp_from": 5000.0, "ramp_to": 7000.0, "ramp_add": 0.0, "engagement": 0.0, "gain": 0.0}
#: Said of a log whose pull before it passed the limit: after that nothing is taken for granted.
SAID = {"duty": 0.0, "engagement": 0.0}


def sweep(plateau_kpa: float, seed: int = 0, noise_kpa: float = 0.5) -> Channels:
    return recording(20.0, plateau_kpa=plateau_kpa, noise_kpa=noise_kpa, seed=seed)


def part(channels: Channels, rows: slice) -> Channels:
    return {name: values[rows] for name, values in channels.items()}


def row_at(channels: Channels, rpm: float) -> int:
    """The row at which the sweep passes an engine speed."""
    return int(np.flatnonzero((channels["rpm"] > rpm) & (channels["throttle_pct"] > 90.0))[0])


def cut(*, throttle_closes: bool) -> Channels:
    """Boost shoots up to 150 kPa at 4300 rpm, the cut acts, engine speed falls by 250, and the pull goes on."""
    whole = sweep(SOUND_KPA)
    row = row_at(whole, 4300.0)
    whole["boost_kpa"][row - 8 : row] = np.linspace(SOUND_KPA, HIGH_KPA, 8)
    fall, back = part(whole, slice(row, row + 7)), part(whole, slice(row, row + 10))
    fall["rpm"], fall["boost_kpa"] = np.linspace(4300.0, 4050.0, 7), np.linspace(120.0, 40.0, 7)
    fall["throttle_pct"] = np.full(7, 20.0 if throttle_closes else 100.0)
    back["rpm"], back["boost_kpa"] = np.linspace(4050.0, 4300.0, 10), np.linspace(40.0, 95.0, 10)
    return joined(part(whole, slice(row)), fall, back, part(whole, slice(row, None)))


def lifted_first() -> Channels:
    """A first attempt at too much boost, lifted at 4600 rpm, then a whole pull."""
    first, second = sweep(HIGH_KPA), sweep(SOUND_KPA, seed=1)
    row = row_at(first, 4600.0)
    first["throttle_pct"][row:] = 0.0
    first["boost_kpa"][row:] = -70.0
    first["rpm"][row:] = np.linspace(4600.0, 1500.0, first["rpm"].size - row)
    return joined(first, second)


def holed_first() -> Channels:
    """A pull at too much boost with a hole in it, for which it is refused, then a sound one."""
    first, second = sweep(HIGH_KPA), sweep(SOUND_KPA, seed=1)
    both = joined(first, second)
    keep = (both["time_s"] < 12.0) | (both["time_s"] > 15.0)
    return {name: values[keep] for name, values in both.items()}


LOGS = {
    "cut": cut(throttle_closes=False),
    "cut, throttle closed": cut(throttle_closes=True),
    "first attempt lifted": lifted_first(),
    "refused pull before": holed_first(),
}


@pytest.mark.parametrize("name", LOGS)
def test_boost_above_the_limit_outside_the_pull_taken_stops_the_job(
    session: Session, tmp_path: Path, name: str
) -> None:
    log = write_log(tmp_path / "log.csv", LOGS[name])
    pull = session.add_pull(log)
    assert pull.peak < 16.0
    assert "above the limit" in pull.warnings[0]
    step = session.next_step()
    assert (step.verdict, step.settings) == ("stop", None)
    assert step.codes == ["limit outside the pull", "acknowledge"]
    top = int(np.argmax(LOGS[name]["boost_kpa"]))
    stood = re.search(r"outside that pull, ([\d.]+) psi at ([\d.]+) s", step.reasons[0])
    assert stood is not None
    assert float(stood[1]) == pytest.approx(LOGS[name]["boost_kpa"][top] / kpa_in("psi"), abs=0.051)
    # Among neighbours of one plateau the log's own rounding decides which is highest.
    assert float(stood[2]) == pytest.approx(LOGS[name]["time_s"][top], abs=0.11)
    assert "above the overpressure limit of 19.0 psi" in step.reasons[0]
    session.acknowledge(1, "line to the gate was off")
    assert session.open_stops() == []
    assert session.next_step().verdict in ("pull", "repeat")


def test_a_first_attempt_that_went_higher_under_the_limit_is_said_once(session: Session, tmp_path: Path) -> None:
    first, second = sweep(120.0), sweep(SOUND_KPA, seed=1)
    row = row_at(first, 4600.0)
    first["throttle_pct"][row:] = 0.0
    first["boost_kpa"][row:] = -70.0
    first["rpm"][row:] = np.linspace(4600.0, 1500.0, first["rpm"].size - row)
    both = joined(first, second)
    pull = session.add_pull(write_log(tmp_path / "one.csv", both))
    assert pull.peak < 15.0
    assert re.fullmatch(
        r"A part of this log that was not taken went higher, 17\.\d psi: 1: \d+ to \d+ rpm from 9\.\d s, aborted\. "
        r"If it was run with these settings, add it as well \(--which 1\)\.",
        pull.warnings[-1],
    )
    longer = session.add_pull(write_log(tmp_path / "two.csv", joined(both, sweep(SOUND_KPA, seed=2))), which=None)
    assert not any("went higher" in each for each in longer.warnings)


def test_what_stood_above_the_limit_is_told_once(session: Session, tmp_path: Path) -> None:
    """A logger that goes on writing one file shows the same spike again beside the next pull."""
    first = lifted_first()
    session.add_pull(write_log(tmp_path / "one.csv", first))
    session.acknowledge(1)
    again = write_log(tmp_path / "two.csv", joined(first, sweep(SOUND_KPA, seed=2)))
    session.add_pull(again, which=3)
    assert session.open_stops() == []


def in_absolute(path: Path, channels: Channels, barometer_kpa: float) -> Path:
    """A log of absolute pressure whose barometer has moved for most of the recording."""
    barometer = np.where(channels["time_s"] > 7.0, barometer_kpa, 100.0)
    columns = {
        "Time [s]": channels["time_s"],
        "RPM [rpm]": channels["rpm"],
        "MAP [kPa]": np.round(channels["boost_kpa"] + 100.0, 1),
        "Barometer [kPa]": barometer,
        "Throttle [%]": channels["throttle_pct"],
    }
    table = np.column_stack(list(columns.values()))
    np.savetxt(path, table, delimiter=",", header=",".join(columns), comments="", fmt="%.3f")
    return path


@pytest.mark.parametrize("first", [lifted_first(), joined(sweep(HIGH_KPA), sweep(SOUND_KPA, seed=1))])
def test_it_is_told_once_though_the_barometer_moved_over_the_longer_log(
    session: Session, tmp_path: Path, first: Channels
) -> None:
    session.add_pull(in_absolute(tmp_path / "one.csv", first, 100.0), which=1)
    for stop in session.open_stops():
        session.acknowledge(stop.pull)
    again = in_absolute(tmp_path / "two.csv", joined(first, sweep(SOUND_KPA, seed=2)), 100.2)
    session.add_pull(again, SAID, which=3)
    assert session.open_stops() == []


@pytest.mark.parametrize("noise_kpa", [0.5, 0.1])
def test_the_same_sweep_run_again_outside_the_pull_is_told_though_it_reads_alike(
    session: Session, tmp_path: Path, noise_kpa: float
) -> None:
    session.add_pull(write_log(tmp_path / "one.csv", sweep(HIGH_KPA, 0, noise_kpa)))
    again = joined(sweep(HIGH_KPA, 3, noise_kpa), sweep(SOUND_KPA, seed=1))
    session.add_pull(write_log(tmp_path / "two.csv", again), SAID, which=2)
    assert [(each.pull, each.code) for each in session.open_stops()] == [(2, "limit outside the pull")]


def test_what_went_higher_after_the_logger_was_read_is_told(session: Session, tmp_path: Path) -> None:
    """It was read while boost rose: what is on record of that pull ends over the limit, and below its height."""
    first = sweep(HIGH_KPA, noise_kpa=0.1)
    row = row_at(first, 6000.0)
    first["boost_kpa"][row - 20 : row + 20] = np.linspace(HIGH_KPA, HIGH_KPA + 40.0, 40)
    session.add_pull(write_log(tmp_path / "one.csv", part(first, slice(row))), SAID)
    assert session.pulls()[0].peak < 25.0  # psi
    session.add_pull(write_log(tmp_path / "two.csv", joined(first, sweep(SOUND_KPA, seed=2))), SAID)
    (stop,) = session.open_stops()
    assert (stop.pull, stop.code) == (2, "limit outside the pull")
    assert "outside that pull, 27.6 psi at" in stop.text


def test_a_new_passing_is_told_beside_an_older_and_higher_one(session: Session, tmp_path: Path) -> None:
    first = lifted_first()
    session.add_pull(write_log(tmp_path / "one.csv", first))
    session.acknowledge(1)
    second = lifted_first()
    second["boost_kpa"] -= 10.0
    session.add_pull(write_log(tmp_path / "two.csv", joined(first, second)), which=4)
    (stop,) = session.open_stops()
    assert (stop.pull, stop.code) == (2, "limit outside the pull")
    assert "outside that pull, 20.2 psi at 60.0 s" in stop.text
    session.acknowledge(2)
    session.add_pull(write_log(tmp_path / "three.csv", joined(first, second, sweep(SOUND_KPA, seed=2))), which=5)
    assert session.open_stops() == []


def test_of_two_passings_in_one_log_neither_is_told_again(session: Session, tmp_path: Path) -> None:
    second = lifted_first()
    second["boost_kpa"] -= 10.0
    both = joined(lifted_first(), second)
    session.add_pull(write_log(tmp_path / "one.csv", both), which=4)
    assert len(session.open_stops()) == 1
    session.acknowledge(1)
    session.add_pull(write_log(tmp_path / "two.csv", joined(both, sweep(SOUND_KPA, seed=2))), which=5)
    assert session.open_stops() == []


def test_a_pull_withdrawn_and_added_again_is_told_again(session: Session, tmp_path: Path) -> None:
    log = write_log(tmp_path / "log.csv", lifted_first())
    session.add_pull(log)
    session.withdraw(1, "wrong settings given")
    session.add_pull(log)
    assert [(each.pull, each.code) for each in session.open_stops()] == [(2, "limit outside the pull")]


def test_a_pull_that_is_on_record_itself_is_not_told_again(session: Session, tmp_path: Path) -> None:
    log = write_log(tmp_path / "log.csv", joined(sweep(HIGH_KPA), sweep(SOUND_KPA, seed=1)))
    session.add_pull(log, which=1)
    session.add_pull(log, SAID, which=2)
    assert session.open_stops() == []


def test_a_log_under_the_limit_stops_nothing(session: Session, tmp_path: Path) -> None:
    channels = joined(sweep(SOUND_KPA), sweep(SOUND_KPA - 20.0, seed=1))
    session.add_pull(write_log(tmp_path / "log.csv", channels), which=2)
    assert session.open_stops() == []


def test_a_guard_passed_in_an_attempt_that_was_not_taken_stops_the_job(
    folder: Path, job_text: str, tmp_path: Path
) -> None:
    (folder / "job.toml").write_text(job_text + "\n[guards]\nlambda = { highest = 0.86 }\n")
    channels = lifted_first()
    row = row_at(channels, 4000.0)
    channels["lambda"][row : row + 5] = 0.95
    channels["boost_kpa"] = np.minimum(channels["boost_kpa"], 120.0)
    with Session.open(folder) as session:
        session.add_pull(write_log(tmp_path / "log.csv", channels))
        (stop,) = session.open_stops()
        assert (stop.pull, stop.code) == (1, "guard")
        assert "outside that pull, lambda 0.95 at" in stop.text
        session.acknowledge(1)
        assert session.open_stops() == []


def downwards() -> Channels:
    channels = sweep(HIGH_KPA)
    rows = channels["throttle_pct"] > 90.0
    channels["rpm"][rows] = channels["rpm"][rows][::-1]
    channels["boost_kpa"][rows] = HIGH_KPA
    return channels


def stab() -> Channels:
    """The throttle opened for a moment at 4000 rpm: no pull."""
    channels = part(sweep(SOUND_KPA), slice(200))
    channels["rpm"] = np.full(200, 4000.0) + np.linspace(0.0, 20.0, 200)
    channels["throttle_pct"] = np.where(np.arange(200) // 8 == 12, 100.0, 20.0)
    channels["boost_kpa"] = np.where(channels["throttle_pct"] > 90.0, HIGH_KPA, -30.0) + np.linspace(0.0, 1.0, 200)
    return channels


@pytest.mark.parametrize("make", [downwards, stab])
def test_a_log_without_a_pull_above_the_limit_stops_the_job(session: Session, tmp_path: Path, make: object) -> None:
    log = write_log(tmp_path / "log.csv", make())  # type: ignore[operator]
    with pytest.raises(PullRefused) as caught:
        session.add_pull(log)
    assert str(caught.value).startswith("log.csv: boost stood at 21.")
    assert "above the limit of 19.0 psi. " in str(caught.value)
    assert "no pull found" in str(caught.value).casefold()
    assert "acknowledge 0" in str(caught.value)
    assert [(each.pull, each.code) for each in session.open_stops()] == [(0, "limit in refused log")]
    assert session.next_step().verdict == "stop"
    session.acknowledge(0, "wrong spring")
    assert session.next_step().settings is not None


def test_the_same_log_without_a_pull_brought_twice_stops_the_job_once(session: Session, tmp_path: Path) -> None:
    log = write_log(tmp_path / "log.csv", stab())
    with pytest.raises(PullRefused):
        session.add_pull(log)
    session.acknowledge(0, "wrong spring")
    before = session.digest()
    with pytest.raises(PullRefused, match="on record already"):
        session.add_pull(log)
    assert session.open_stops() == []
    assert session.digest() == before


def test_a_log_without_a_pull_under_the_limit_is_not_noted(session: Session, tmp_path: Path) -> None:
    channels = stab()
    channels["boost_kpa"] = np.minimum(channels["boost_kpa"], SOUND_KPA)
    before = session.digest()
    with pytest.raises(LogError, match="no pull found"):
        session.add_pull(write_log(tmp_path / "log.csv", channels))
    assert session.digest() == before


def test_a_refused_log_above_the_limit_is_not_to_be_run_again_at_once(session: Session, tmp_path: Path) -> None:
    whole = sweep(HIGH_KPA)
    keep = (whole["time_s"] < 12.0) | (whole["time_s"] > 15.0)
    log = write_log(tmp_path / "log.csv", {name: values[keep] for name, values in whole.items()})
    with pytest.raises(PullRefused, match=r"It shows 2\d\.\d psi at .* s, above the overpressure limit") as caught:
        session.add_pull(log)
    assert "run the same settings again" not in str(caught.value)


def test_going_past_settings_that_passed_the_limit_outside_their_pull_is_warned_of_until_they_held(
    session: Session, tmp_path: Path
) -> None:
    session.add_pull(write_log(tmp_path / "one.csv", sweep(70.0)), BASELINE)
    mild = {**BASELINE, "duty": 3.0}
    both = lifted_first()
    both["boost_kpa"] = np.where(both["boost_kpa"] > 120.0, HIGH_KPA, 0.75 * both["boost_kpa"])
    session.add_pull(write_log(tmp_path / "two.csv", both), mild)
    session.acknowledge(2, "gauge looked at")

    def warned() -> str:
        step = session.next_step()
        assert step.settings is not None
        assert step.settings["duty"] > 3.0
        return step.reasons[0] if step.codes[0] == "limit outside the pull" else ""

    assert "The log of pull 2 showed, outside that pull, 21.8 psi" in warned()
    assert "run the settings of pull 1 again first" in warned()
    session.add_pull(write_log(tmp_path / "three.csv", sweep(70.0, seed=2)), BASELINE)
    assert "run the settings of pull 2 again first" in warned()
    session.add_pull(write_log(tmp_path / "four.csv", sweep(75.0, seed=3)), mild)
    assert warned() == ""


def test_a_refused_pull_carries_what_stood_beside_it(session: Session, tmp_path: Path) -> None:
    """Refused for a hole at sound boost, while a first attempt in the same log was above the limit."""
    both = lifted_first()
    start = row_at(both, 4650.0)
    keep = np.ones(both["time_s"].size, dtype=bool)
    keep[start : start + 60] = False
    log = write_log(tmp_path / "log.csv", {name: values[keep] for name, values in both.items()})
    with pytest.raises(PullRefused, match=r"above the overpressure limit"):
        session.add_pull(log, which=2)
    stops: list[Stop] = session.open_stops()
    assert [(each.pull, each.code) for each in stops] == [(0, "limit in refused log")]


# ------------------------------------------------------------------ pulls of a log that are on record already


def test_of_a_log_that_goes_on_the_new_pull_is_taken_without_asking(session: Session, tmp_path: Path) -> None:
    first, second = sweep(SOUND_KPA), sweep(SOUND_KPA + 10.0, seed=1)
    before = session.add_pull(write_log(tmp_path / "one.csv", first), BASELINE)
    added = session.add_pull(write_log(tmp_path / "two.csv", joined(first, second)), {**BASELINE, "duty": 20.0})
    assert added.peak > before.peak + 1.0  # 10 kPa are 1.45 psi
    assert any("pull 1 is pull 1 on record; the new one, from" in warning for warning in added.warnings)


def test_of_a_log_that_goes_on_a_lifted_pull_is_not_passed_over_for_the_old_one(
    session: Session, tmp_path: Path
) -> None:
    first, second = sweep(SOUND_KPA), sweep(SOUND_KPA + 10.0, seed=1)
    session.add_pull(write_log(tmp_path / "one.csv", first), BASELINE)
    row = row_at(second, 5200.0)
    second["throttle_pct"][row:], second["boost_kpa"][row:] = 0.0, -70.0
    second["rpm"][row:] = np.linspace(5200.0, 1500.0, second["rpm"].size - row)
    added = session.add_pull(write_log(tmp_path / "two.csv", joined(first, second)), {**BASELINE, "duty": 20.0})
    assert not added.complete
    assert added.rpm.max() < 5300.0


def test_of_a_log_that_goes_on_a_guard_passed_in_a_lifted_attempt_is_told(
    folder: Path, job_text: str, tmp_path: Path
) -> None:
    (folder / "job.toml").write_text(job_text + "\n[guards]\nlambda = { highest = 0.86 }\n")
    first, more = sweep(SOUND_KPA - 10.0, seed=2), lifted_first()
    more["boost_kpa"] = np.minimum(more["boost_kpa"], 120.0)
    row = row_at(more, 4000.0)
    more["lambda"][row : row + 5] = 0.95
    with Session.open(folder) as session:
        session.add_pull(write_log(tmp_path / "one.csv", first), BASELINE)
        assert session.open_stops() == []
        session.add_pull(write_log(tmp_path / "two.csv", joined(first, more)), {**BASELINE, "duty": 20.0})
        (stop,) = session.open_stops()
        assert (stop.pull, stop.code) == (2, "guard")
        assert "outside that pull, lambda 0.95 at" in stop.text


def test_a_pull_that_is_on_record_is_not_taken_again_with_other_settings(session: Session, tmp_path: Path) -> None:
    first, second = sweep(SOUND_KPA), sweep(SOUND_KPA, seed=1)
    session.add_pull(write_log(tmp_path / "one.csv", first), BASELINE)
    again = write_log(tmp_path / "two.csv", joined(first, second))
    with pytest.raises(LogError, match=r"two\.csv, pull 1: .* is on record already, as pull 1\. Name the new pull"):
        session.add_pull(again, {**BASELINE, "duty": 20.0}, which=1)
    other = write_log(tmp_path / "three.csv", first, "semicolons and decimal commas")  # exported anew
    with pytest.raises(LogError, match=r"three\.csv: this very log is on record already, as pull 1\. Bring the log"):
        session.add_pull(other, {**BASELINE, "duty": 20.0})
    session.withdraw(1, "other settings were run")
    assert session.add_pull(again, {**BASELINE, "duty": 20.0}, which=1).settings["duty"] == 20.0


def test_the_same_sweep_run_twice_is_two_pulls(session: Session, tmp_path: Path) -> None:
    session.add_pull(write_log(tmp_path / "one.csv", sweep(SOUND_KPA)), BASELINE)
    session.add_pull(write_log(tmp_path / "two.csv", sweep(SOUND_KPA, seed=1)), BASELINE)
    assert len(session.pulls()) == 2


def test_a_remark_that_asks_ends_with_its_question_mark(session: Session, tmp_path: Path) -> None:
    part = sweep(SOUND_KPA)
    part["throttle_pct"] = 0.6 * part["throttle_pct"]
    added = session.add_pull(write_log(tmp_path / "log.csv", part), BASELINE)
    assert "Throttle reads 60 % at the most: is that full?" in added.warnings
