"""Real road logs of a real turbocharged car, against sweeps found in them by hand-written rules.

Source: Automotive OBD-II Dataset, M. Weber (2023), Karlsruhe Institute of Technology, DOI 10.35097/1130, CC BY 4.0.
``sweeps.csv`` beside the files lists the sweeps; its rule is stated here as options of the finder.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from recommender.logs import ChannelHints, FinderOptions, Intake, LogError, ReadOptions, intake, read_log

FOLDER = Path(__file__).parents[3] / "shared" / "data" / "kit"
pytestmark = [
    pytest.mark.open_data,
    pytest.mark.skipif(
        not FOLDER.is_dir(), reason=f"no {FOLDER}: put the dataset's CSV files and sweeps.csv there (DOI 10.35097/1130)"
    ),
]
#: The rule of sweeps.csv: pedal D at or over 75 %, rpm rising by 600 or more with no drop over 100, 5 s or longer,
#: manifold pressure over 120 kPa absolute, which is 20 kPa gauge or a little more at the ambient of these days.
RULE = ReadOptions(
    hints=ChannelHints(throttle="Accelerator Pedal Position D"),
    finder=FinderOptions(
        throttle_pct=75.0, least_rise_rpm=600.0, largest_drop_rpm=100.0, least_length_s=5.0, least_boost_kpa=20.0
    ),
)
FILES = sorted(path.name for path in FOLDER.glob("20*.csv"))


@pytest.fixture(scope="module")
def logs() -> dict[str, Intake]:
    return {name: intake(FOLDER / name, RULE) for name in FILES}


def listed(name: str) -> list[dict[str, str]]:
    with (FOLDER / "sweeps.csv").open() as stream:
        return [row for row in csv.DictReader(stream) if row["source_file"] == name]


@pytest.mark.parametrize("name", FILES)
def test_finds_exactly_the_listed_sweeps(logs: dict[str, Intake], name: str) -> None:
    wanted = listed(name)
    found = [pull for pull in logs[name].pulls if pull.kind == "sweep"]
    assert len(found) == len(wanted)
    raw = read_log(FOLDER / name)
    time = raw.columns[0].values
    rpm = next(column for column in raw.columns if column.name == "Engine RPM").values
    for pull, row in zip(found, wanted, strict=True):
        # The list counts time from the first complete row, which comes about a second after the first row.
        assert pull.start_s - time[0] == pytest.approx(float(row["t0_s"]), abs=1.5)
        assert pull.end_s - pull.start_s == pytest.approx(float(row["dur_s"]), abs=0.05)  # listed to 0.1 s
        assert rpm[np.searchsorted(time, pull.start_s)] == float(row["rpm_start"])
        assert rpm[np.searchsorted(time, pull.end_s)] == float(row["rpm_end"])


@pytest.mark.parametrize("name", FILES)
def test_plateau_within_one_kilopascal(logs: dict[str, Intake], name: str) -> None:
    found = [pull for pull in logs[name].pulls if pull.kind == "sweep"]
    for pull, row in zip(found, listed(name), strict=True):
        absolute = pull.trace.boost_kpa + pull.conditions.barometer_kpa
        assert np.median(absolute) == pytest.approx(float(row["map_median"]), abs=1.0)


@pytest.mark.parametrize("name", FILES)
def test_ambient_from_key_on(logs: dict[str, Intake], name: str) -> None:
    conditions = logs[name].conditions
    assert conditions.barometer_from == "boost channel at key-on"
    # Karlsruhe and Stuttgart lie 115 to 250 m high: 98 to 100 kPa in the standard atmosphere, weather +-3.
    assert 95.0 <= conditions.barometer_kpa <= 103.0


@pytest.mark.parametrize("name", [name for name in FILES if "07-07" not in name])
def test_true_rate_is_about_one_a_second(logs: dict[str, Intake], name: str) -> None:
    log = logs[name]
    for pull in (pull for pull in log.pulls if pull.kind == "sweep"):
        rows_hz = (pull.channel_time_s.size - 1) / np.ptp(pull.channel_time_s)
        assert rows_hz > 3.0 * pull.rate_hz["boost"]  # rows repeat held samples
        assert pull.rate_hz["boost"] == pytest.approx(1.1, abs=0.3)  # README of the data: "about once a second"
        assert pull.rate_hz["rpm"] == pytest.approx(1.1, abs=0.3)
        assert not pull.overshoot_resolvable
        assert "unresolvable" in {remark.code for remark in pull.quality.remarks}


def test_short_full_pedal_runs_are_not_sweeps(logs: dict[str, Intake]) -> None:
    """The file of 13 July holds 10 full-pedal runs, four of which the list keeps."""
    pulls = logs["2017-07-13_Seat_Leon_RT_KA_Stau_Messfehler.csv"].pulls
    others = [pull for pull in pulls if pull.kind != "sweep"]
    assert others
    assert all(pull.quality.verdict == "refused" for pull in others if pull.kind == "partial")


def test_a_log_never_at_full_pedal_says_so(logs: dict[str, Intake]) -> None:
    log = logs["2017-07-07_Seat_Leon_S_RT_Normal.csv"]
    assert log.pulls == ()
    assert "throttle reaches 67 %, full load is from 75 %" in log.warnings[-1]


@pytest.mark.parametrize("name", FILES)
def test_pedals_are_told_apart_or_asked_for(name: str) -> None:
    """Without a hint: pedals D and E are one pedal read twice, a second apart; the guesser takes one or asks."""
    try:
        log = intake(FOLDER / name)
    except LogError as error:
        assert "Accelerator Pedal Position D" in str(error)  # noqa: PT017  either is right
        assert "Accelerator Pedal Position E" in str(error)  # noqa: PT017
    else:
        chosen = {choice.role: choice for choice in log.channels}
        assert chosen["throttle"].column.startswith("Accelerator Pedal Position")
        assert chosen["boost"].column.startswith("Intake Manifold Absolute Pressure")


def test_every_row_obeys_the_scaling_of_the_bus() -> None:
    """SAE J1979: manifold pressure 1 kPa a bit, engine speed 1/4 rpm a bit, pedal 100/255 % a bit."""
    for name in FILES:
        columns = {column.name: column.known for column in read_log(FOLDER / name).columns}
        pressure = columns["Intake Manifold Absolute Pressure"]
        assert np.all((pressure == np.round(pressure)) & (pressure <= 255))
        quarters = columns["Engine RPM"] * 4.0
        # The files are rounded to whole rpm; a bit is a quarter, so any whole number is a reading.
        assert np.all(np.abs(quarters - np.round(quarters)) < 1e-9)
        bits = columns["Accelerator Pedal Position D"] * 255.0 / 100.0
        # Written to 0.1 %, a quarter of a bit.
        assert np.all(np.abs(bits - np.round(bits)) <= 0.05 * 255 / 100 + 1e-6)
