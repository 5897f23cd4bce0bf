"""What is remembered of the job's last log settles what the next one leaves open, and nothing that it states."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.units import STANDARD_ATMOSPHERE_KPA, kpa_in
from recommender.logs import Dialect, write_log
from recommender.session import LogError, Session
from recommender.session.looking import look_for

from .logs.recordings import PLATEAU_KPA, Channels, recording

BASELINE = {"duty": 0, "ramp_from": 5000, "ramp_to": 7000, "ramp_add": 0, "engagement": 0, "gain": 0}
#: With the duty that the recordings hold.
AS_LOGGED = {**BASELINE, "duty": 35}
ROW = Dialect(unit_place="row")
BARE = Dialect(language="short", unit_place="none")
#: Highest of the recording: its plateau, and over it the most that noise of 0.3 kPa adds in some hundred samples. [kPa]
HIGHEST_KPA = pytest.approx(PLATEAU_KPA + 0.6, abs=1.0)


def log(path: Path, dialect: Dialect, *, plateau_kpa: float = PLATEAU_KPA, around: bool = True, seed: int = 1) -> Path:
    channels = recording(50.0, plateau_kpa=plateau_kpa, noise_kpa=0.3, noise_rpm=3.0, around=around, seed=seed)
    return write_log(path, channels, dialect)


def lifted(channels: Channels, kpa: float) -> Channels:
    """The recording with boost raised, as where a gauge was set to absolute."""
    return {**channels, "boost_kpa": channels["boost_kpa"] + kpa}


def highest_kpa(session: Session, path: Path) -> float:
    return session.add_pull(path, BASELINE).peak * kpa_in("psi")


# ------------------------------------------------------------------ what the log states


@pytest.mark.parametrize("place", ["row", "round"])
@pytest.mark.parametrize(
    ("first", "second"),
    [("psi", "bar"), ("bar", "psi"), ("psi", "kPa"), ("kPa", "psi"), ("kPa", "inHg"), ("kPa", "mbar"), ("psi", "Pa")],
)
def test_the_unit_in_the_log_beats_that_of_the_last(
    session: Session, tmp_path: Path, place: str, first: str, second: str
) -> None:
    dialect = replace(ROW, unit_place=place)
    assert highest_kpa(session, log(tmp_path / "a.csv", replace(dialect, pressure=first))) == HIGHEST_KPA
    result = session.add_pull(log(tmp_path / "b.csv", replace(dialect, pressure=second), seed=2), BASELINE)
    assert result.peak * kpa_in("psi") == HIGHEST_KPA
    said = [words for words in result.warnings if f"read as {second}, gauge" in words]
    # Where units stand in the headings the two are no logs of one layout, and there is nothing to compare.
    assert len(said) == (place == "row")
    assert all(f"in the log of pull 1, with the same headings, it was {first}, gauge" in words for words in said)


def test_absolute_in_another_unit(session: Session, tmp_path: Path) -> None:
    dialect = replace(ROW, absolute=True, barometer=True)
    assert highest_kpa(session, log(tmp_path / "a.csv", replace(dialect, pressure="kPa"))) == HIGHEST_KPA
    assert highest_kpa(session, log(tmp_path / "b.csv", replace(dialect, pressure="psi"), seed=2)) == HIGHEST_KPA


def test_absolute_by_the_unit_beats_gauge_of_the_last(session: Session, tmp_path: Path) -> None:
    """A pull from ambient up, logged without idle: the numbers alone could be either."""
    dialect = replace(ROW, pressure="kPa")
    session.add_pull(log(tmp_path / "a.csv", dialect), BASELINE)
    channels = recording(50.0, noise_kpa=0.3, noise_rpm=3.0, around=False, seed=2)
    path = write_log(tmp_path / "b.csv", lifted(channels, STANDARD_ATMOSPHERE_KPA), dialect)
    path.write_text(path.read_text().replace(",kPa,", ",kPa abs,", 1))
    result = session.add_pull(path, BASELINE)
    assert result.peak * kpa_in("psi") == HIGHEST_KPA
    assert any("read as kPa, absolute; in the log of pull 1" in words for words in result.warnings)


def test_a_unit_in_the_job_file_beats_the_logs_and_that_is_said(folder: Path, job_text: str, tmp_path: Path) -> None:
    (folder / "job.toml").write_text(f'{job_text}\n[channels]\nboost_unit = "kPa"\n')
    found, _ = look_for(log(tmp_path / "a.csv", replace(ROW, pressure="mbar"), plateau_kpa=30.0), folder)
    assert found.highest_boost_kpa == pytest.approx(300.0, abs=10.0)  # 300 mbar taken for as many kPa, as was told
    assert any("read in kPa as the job file says, although its heading says mbar" in words for words in found.warnings)


# ------------------------------------------------------------------ what it leaves open


def test_a_log_without_units_is_read_as_the_last_one(session: Session, tmp_path: Path) -> None:
    session.add_pull(log(tmp_path / "a.csv", replace(BARE, pressure="kPa")), AS_LOGGED)
    result = session.add_pull(log(tmp_path / "b.csv", replace(BARE, pressure="kPa"), seed=2), AS_LOGGED)
    assert result.peak * kpa_in("psi") == HIGHEST_KPA
    assert result.warnings == ()  # asked and said at the first log; there is nothing new


@pytest.mark.parametrize("second", ["bar", "kPa", "mbar"])
def test_numbers_that_do_not_fit_the_last_logs_unit_are_asked_about(
    session: Session, folder: Path, tmp_path: Path, job_text: str, second: str
) -> None:
    session.add_pull(log(tmp_path / "a.csv", replace(BARE, pressure="psi")), BASELINE)
    path = log(tmp_path / "b.csv", replace(BARE, pressure=second), seed=2)
    with pytest.raises(LogError, match=rf"in the log of pull 1 it was psi, but its numbers .* fit {second} alone"):
        session.add_pull(path, BASELINE)
    assert len(session.pulls()) == 1
    (folder / "job.toml").write_text(f'{job_text}\n[channels]\nboost_unit = "{second}"\n')  # as it is told to do
    with Session.open(folder) as again:
        assert highest_kpa(again, path) == HIGHEST_KPA


def test_a_unit_under_which_boost_would_have_fallen_to_a_fifth_is_asked_about(
    folder: Path, job_text: str, tmp_path: Path
) -> None:
    """110 kPa, then 21.8 psi: 21.8 kPa would be boost as well, and the spring alone holds more."""
    words = job_text.replace("overpressure = 19.0", "overpressure = 25.0")
    (folder / "job.toml").write_text(words)
    with Session.open(folder) as session:
        session.add_pull(log(tmp_path / "a.csv", replace(BARE, pressure="kPa")), BASELINE)
        path = log(tmp_path / "b.csv", replace(BARE, pressure="psi"), plateau_kpa=150.0, seed=2)
        with pytest.raises(LogError, match=r"22 kPa gauge in kPa and 15\d in psi, after 11\d there"):
            session.add_pull(path, {**BASELINE, "duty": 20})
        result = session.add_pull(
            log(tmp_path / "c.csv", replace(BARE, pressure="kPa"), plateau_kpa=150.0), {**BASELINE, "duty": 20}
        )
        assert result.peak * kpa_in("psi") == pytest.approx(150.6, abs=1.0)


@pytest.mark.parametrize(
    ("around", "rpm_from", "seen"),
    [
        (True, 2000.0, "absolute by its numbers (reads 3"),  # idle at 62 kPa under ambient
        (False, 2000.0, "may be gauge, or absolute from ambient up. In the log of pull 1 it was gauge"),
        (False, 3300.0, "in the log of pull 1. Read so, its highest would be 212 kPa gauge, and 110 if it is absolute"),
    ],
)
def test_a_gauge_turned_to_absolute_without_a_word_is_asked_about(
    session: Session, tmp_path: Path, around: bool, rpm_from: float, seen: str
) -> None:
    session.add_pull(log(tmp_path / "a.csv", replace(BARE, pressure="kPa")), BASELINE)
    channels = recording(50.0, noise_kpa=0.1, noise_rpm=3.0, around=around, rpm_from=rpm_from, seed=2)
    path = write_log(tmp_path / "b.csv", lifted(channels, STANDARD_ATMOSPHERE_KPA), replace(BARE, pressure="kPa"))
    with pytest.raises(LogError) as raised:
        session.add_pull(path, BASELINE)
    assert seen in str(raised.value)
    assert '[channels] boost_is = "' in str(raised.value)
    assert len(session.pulls()) == 1


def test_absolute_turned_to_gauge_without_a_word_is_asked_about(session: Session, tmp_path: Path) -> None:
    channels = recording(50.0, noise_kpa=0.3, noise_rpm=3.0)
    path = write_log(tmp_path / "a.csv", lifted(channels, STANDARD_ATMOSPHERE_KPA), BARE)
    assert highest_kpa(session, path) == HIGHEST_KPA
    with pytest.raises(LogError, match=r"gauge by its numbers .*, absolute in the log of pull 1"):
        session.add_pull(log(tmp_path / "b.csv", BARE, seed=2), BASELINE)


# ------------------------------------------------------------------ which column


def reasons(path: Path, folder: Path) -> dict[str, str]:
    found, _ = look_for(path, folder)
    return {choice.role: choice.reason for choice in found.channels}


def test_words_tell_the_job_file_from_the_last_log(
    session: Session, folder: Path, tmp_path: Path, job_text: str
) -> None:
    path = log(tmp_path / "a.csv", replace(BARE, pressure="kPa"))
    first = reasons(path, folder)
    assert not any("job file" in words or "log of pull" in words for words in first.values())
    session.add_pull(path, BASELINE)
    again = reasons(log(tmp_path / "b.csv", replace(BARE, pressure="kPa"), seed=2), folder)
    assert set(again) == set(first)
    assert all(words.startswith("as in the log of pull 1; ") for words in again.values())
    assert "in kPa as in the log of pull 1" in again["boost"]
    assert not any("job file" in words for words in again.values())
    (folder / "job.toml").write_text(f'{job_text}\n[channels]\ntime = "time"\nrpm = "rpm"\nboost_is = "gauge"\n')
    named = reasons(path, folder)
    assert named["time"].startswith("named in the job file")
    assert named["rpm"].startswith("named in the job file")
    assert "gauge as the job file says" in named["boost"]
    assert named["throttle"].startswith("as in the log of pull 1")


def test_a_time_that_stands_still_is_not_put_on_the_job_file(session: Session, tmp_path: Path) -> None:
    path = log(tmp_path / "a.csv", replace(BARE, pressure="kPa"))
    session.add_pull(path, BASELINE)
    head, *rows = path.read_text().splitlines()
    still = tmp_path / "b.csv"
    still.write_text("\n".join([head, *("1e300," + row.partition(",")[2] for row in rows)]) + "\n")
    with pytest.raises(LogError) as raised:
        session.add_pull(still, BASELINE)
    assert "no time channel among time, rpm" in str(raised.value)
    assert "ruled out: time (it does not rise)" in str(raised.value)
    assert "job file gives" not in str(raised.value)


def test_a_channel_that_went_silent_is_said_and_the_pull_is_taken(session: Session, tmp_path: Path) -> None:
    channels = recording(50.0, noise_kpa=0.3, noise_rpm=3.0)
    dialect = replace(BARE, pressure="kPa")
    session.add_pull(write_log(tmp_path / "a.csv", channels, dialect), AS_LOGGED)
    silent = recording(50.0, noise_kpa=0.3, noise_rpm=3.0, seed=1)
    silent["intake_c"] = np.full(channels["rpm"].size, np.nan)
    result = session.add_pull(write_log(tmp_path / "b.csv", silent, dialect), AS_LOGGED)
    (words,) = result.warnings
    assert words == "'iat', taken for intake_c in the log of pull 1, could not be taken again; nothing else was."


def test_of_two_columns_that_part_the_one_of_the_last_log_is_taken(session: Session, tmp_path: Path) -> None:
    def write(name: str, seed: int, share: float) -> Path:
        channels = recording(50.0, noise_kpa=0.3, noise_rpm=3.0, seed=seed)
        columns = {
            "Time (s)": channels["time_s"], "RPM": channels["rpm"], "Boost (kPa)": channels["boost_kpa"],
            "Boost Pressure (kPa)": share * channels["boost_kpa"], "TPS (%)": channels["throttle_pct"],
        }  # fmt: skip
        path = tmp_path / name
        np.savetxt(path, np.column_stack(list(columns.values())), "%.3f", ",", header=",".join(columns), comments="")
        return path

    session.add_pull(write("a.csv", 0, 1.0), BASELINE)
    result = session.add_pull(write("b.csv", 1, 0.5), BASELINE)
    assert result.peak * kpa_in("psi") == HIGHEST_KPA
    (words,) = [words for words in result.warnings if "does not agree" in words]
    assert "Boost Pressure [kPa] does not agree with Boost [kPa], which was taken as in the log of pull 1" in words
