"""What is wanted, worked out or of another actuator is not taken for what is measured; two that part are asked for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recommender.logs import ChannelHints, Intake, LogError, ReadOptions, intake
from recommender.logs.words import rank_of
from recommender.session import Session

from .recordings import full_load_rows, recording

_LOG = recording(20.0, noise_kpa=0.3)
_FULL = _LOG["throttle_pct"] > 90.0
#: Boost as a controller wants it: flat under load, nothing elsewhere. [kPa gauge]
_WANTED = np.where(_FULL, 88.0, 0.0) + np.linspace(0.0, 2.0, _FULL.size)

#: What loggers and workshops call boost that is wanted or worked out.
NOT_MEASURED = (
    "Boost Aim|Boost Tgt|Boost Goal|Boost Cmd|Boost Req|Boost Des|Des Boost|Boost SP|Boost Set|Boost Setpt|Boost Ref|"
    "Boost Reference|Boost Nominal|Boost Wanted|Boost Desire|Boost Dmd|Boost Err|Boost Delta|Boost Dev|Boost Expected|"
    "Boost Model|Boost Predicted|Boost Filtered|Boost Avg|Boost Peak|Peak Boost|Boost Hold|Boost Trim|Boost PID|"
    "MAP Select|MAP dot|Ladedruck Ziel|Ladedruck Vorg.|Ladedruck gefiltert|Presión de sobrealimentación consigna|"
    "Presión turbo teórica|Pressione sovralimentazione nominale|Laddtryck bör|Laddtryck önskat|Laaddruk doelwaarde|"
    "Ciśnienie doładowania oczekiwane|Pression turbo théorique|Pressão turbo requerida|"
    "Boost Targ|Boost Tar|Boost Sollw.|Boost Est|Boost Lim|Ladedruck Vorgabewert|Ladedruck modelliert|Boost Ratio|"
    "Boost Pressure Ratio|Boost FF|Boost Feedforward|Boost Feed-forward|Boost Prediction|Boost Base"
)
#: Boost that says it is measured, beside the same that says it is not.
PAIRS = (
    "Boost Act|Boost Aim", "Boost pressure: actual value|Boost pressure: nominal value",
    "Boost Measured|Boost Wanted", "Actual Boost Pressure|Boost Pressure Setpoint", "Ladedruck Ist|Ladedruck Ziel",
    "Pression turbo mesurée|Pression turbo théorique", "Laddtryck är|Laddtryck bör",
    "Presión turbo real|Presión turbo teórica", "Pressione turbo reale|Pressione turbo nominale",
    "Ciśnienie doładowania rzeczywiste|Ciśnienie doładowania oczekiwane",
    "Pressão turbo atual|Pressão turbo requerida", "Manifold Air Pressure|Boost Aim",
)  # fmt: skip
OTHER_DUTIES = (
    "Inj Duty|Injection Duty|Duty Inj|INJ Duty Cycle|Primary Inj Duty|ETB Duty|Throttle Motor Duty|Alternator Duty|"
    "WMI Duty|Water Pump Duty|Nitrous Duty|Shift Solenoid|Boost Solenoid Freq|Boost Solenoid Current"
)
AT_THE_THROTTLE = (
    "Throttle Inlet Pressure|Pre Throttle Pressure|Throttle Body Temp|Throttle Area|Throttle Mass Flow|"
    "Throttle Pressure Ratio|Throttle Duty|Boost Pre Throttle"
)


def table(path: Path, columns: dict[str, np.ndarray]) -> Path:
    whole = {"Time (s)": _LOG["time_s"], "RPM": _LOG["rpm"], **columns, "TPS (%)": _LOG["throttle_pct"]}
    np.savetxt(path, np.column_stack(list(whole.values())), "%.3f", ",", header=",".join(whole), comments="")
    return path


def taken(log: Intake, role: str = "boost") -> str:
    return next((choice.column for choice in log.channels if choice.role == role), "")


@pytest.mark.parametrize("name", NOT_MEASURED.split("|"))
def test_boost_that_is_wanted_or_worked_out_does_not_fit(name: str) -> None:
    assert rank_of("boost", name) == 0


@pytest.mark.parametrize("pair", PAIRS)
@pytest.mark.parametrize("first", [0, 1])
def test_of_measured_and_wanted_the_measured_is_taken(tmp_path: Path, pair: str, first: int) -> None:
    measured, wanted = (f"{name} (kPa)" for name in pair.split("|"))
    columns = [(measured, _LOG["boost_kpa"]), (wanted, _WANTED)]
    log = intake(
        table(tmp_path / "log.csv", dict(columns[first:] + columns[:first])),
        ReadOptions(hints=ChannelHints(boost_is="gauge")),
    )
    assert taken(log) == measured


def test_an_overshoot_is_not_hidden_behind_what_was_wanted(tmp_path: Path) -> None:
    """Alike in nine rows of ten, and the wanted one comes first."""
    swings = _LOG["boost_kpa"].copy()
    row = full_load_rows(_LOG)[0] + 100
    swings[row : row + 15] += 35.0 * np.hanning(15)
    log = intake(table(tmp_path / "log.csv", {"Boost Aim (kPa)": _LOG["boost_kpa"], "Boost Act (kPa)": swings}))
    assert log.pulls[0].trace.boost_kpa.max() == pytest.approx(swings.max(), abs=0.01)


def test_a_log_of_wanted_boost_and_a_pressure_of_unknown_name_is_asked_about(session: Session, tmp_path: Path) -> None:
    columns = {"Boost Tgt (psi)": _WANTED / 6.894757, "Plenum Pressure (psi)": _LOG["boost_kpa"] / 6.894757}
    path = table(tmp_path / "log.csv", columns)
    with pytest.raises(LogError, match=r"no boost channel among .*Boost Tgt \[psi\] \(its name says 'tgt'\)"):
        session.add_pull(path, settings={"duty": 0})
    assert not session.pulls()
    log = intake(path, ReadOptions(hints=ChannelHints(boost="Plenum Pressure")))
    assert log.highest_boost_kpa == pytest.approx(_LOG["boost_kpa"].max(), abs=0.1)


def test_boost_and_duty_known_by_a_part_of_their_names_are_said(tmp_path: Path) -> None:
    columns = {"Boost Level (kPa)": _LOG["boost_kpa"], "Solenoid 3 (%)": _LOG["duty_pct"]}
    said = " ".join(intake(table(tmp_path / "log.csv", columns)).warnings)
    assert "Boost Level [kPa]: taken for boost by a part of its name" in said
    assert "Solenoid 3 [%]: taken for duty by a part of its name" in said


# ------------------------------------------------------------------ two columns of boost


def both(tmp_path: Path, first: np.ndarray, second: np.ndarray, names: str = "Boost 1 (kPa)|Boost 2 (kPa)") -> Intake:
    return intake(table(tmp_path / "log.csv", dict(zip(names.split("|"), (first, second), strict=True))))


def test_a_spike_in_one_of_two_is_asked_about_and_both_are_named(tmp_path: Path) -> None:
    raw = _LOG["boost_kpa"].copy()
    row = full_load_rows(_LOG)[0] + 100
    raw[row : row + 5] = 165.0
    with pytest.raises(LogError, match=r'boost = "Boost 1 \(kPa\)" \(or "Boost 2 \(kPa\)"\)'):
        both(tmp_path, _LOG["boost_kpa"], raw)


def test_two_gauges_20_kpa_apart_are_asked_about(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="fit boost equally well"):
        both(tmp_path, _LOG["boost_kpa"], _LOG["boost_kpa"] + 20.0)


@pytest.mark.parametrize("seed", range(3))
def test_two_gauges_that_agree_but_for_their_noise_are_one(tmp_path: Path, seed: int) -> None:
    noise = np.random.default_rng(seed).normal(0.0, 0.8, (2, _FULL.size))
    assert taken(both(tmp_path, _LOG["boost_kpa"] + noise[0], _LOG["boost_kpa"] + noise[1])) == "Boost 1 (kPa)"


@pytest.mark.parametrize(
    "names", ["Boost (kPa)|Boost Absolute (kPa)", "Boost (kPa gauge)|Boost Pressure (kPa abs)", "Boost 1|Boost 2"]
)
def test_gauge_and_absolute_of_one_sensor_are_one(tmp_path: Path, names: str) -> None:
    first = names.split("|")[0]
    columns = dict(zip(names.split("|"), (_LOG["boost_kpa"], _LOG["boost_kpa"] + 98.3), strict=True))
    log = intake(table(tmp_path / "log.csv", columns), ReadOptions(default_pressure_unit="kPa"))
    assert taken(log) == first
    assert log.highest_boost_kpa == pytest.approx(_LOG["boost_kpa"].max(), abs=0.1)


def test_one_sensor_in_two_units_is_one(tmp_path: Path) -> None:
    log = both(tmp_path, _LOG["boost_kpa"], _LOG["boost_kpa"] / 6.894757, "Boost (kPa)|Boost (psi)")
    assert taken(log) == "Boost (kPa)"


# ------------------------------------------------------------------ other actuators, other sensors


@pytest.mark.parametrize("name", OTHER_DUTIES.split("|"))
def test_the_duty_of_something_else_is_not_that_of_the_boost_solenoid(name: str) -> None:
    assert rank_of("duty", name) == 0


@pytest.mark.parametrize("name", AT_THE_THROTTLE.split("|"))
def test_what_is_measured_at_the_throttle_is_not_its_opening(name: str) -> None:
    assert rank_of("throttle", name) == 0


@pytest.mark.parametrize("noise_pct", [0.0, 0.2])
@pytest.mark.parametrize("heading", ["Pedal Position (%)", "Pedal"])
def test_a_pedal_that_never_opens_does_not_beat_a_sound_throttle(
    tmp_path: Path, heading: str, noise_pct: float
) -> None:
    dead = np.abs(np.random.default_rng(0).normal(0.0, noise_pct, _FULL.size))
    log = intake(table(tmp_path / "log.csv", {"Boost (kPa)": _LOG["boost_kpa"], heading: dead}))
    assert taken(log, "throttle") == "TPS (%)"
    assert [pull.quality.verdict for pull in log.pulls if pull.kind == "sweep"] == ["taken"]


def test_a_share_of_one_under_a_heading_of_percent_is_still_a_throttle(tmp_path: Path) -> None:
    columns = {"Time (s)": _LOG["time_s"], "RPM": _LOG["rpm"], "Boost (kPa)": _LOG["boost_kpa"]}
    columns["TPS (%)"] = _LOG["throttle_pct"] / 100.0
    path = tmp_path / "log.csv"
    np.savetxt(path, np.column_stack(list(columns.values())), "%.3f", ",", header=",".join(columns), comments="")
    log = intake(path)
    assert taken(log, "throttle") == "TPS (%)"
    assert log.pulls[0].trace.time_s[0] == pytest.approx(_LOG["time_s"][_FULL][0], abs=0.11)


def test_a_column_that_was_ruled_out_is_said(tmp_path: Path) -> None:
    columns = {
        "Time (s)": _LOG["time_s"], "RPM": _LOG["rpm"], "MAP (kPa)": _LOG["boost_kpa"] + 98.0,
        "TPS": 2.55 * _LOG["throttle_pct"], "Baro (kPa)": 0.0 * _LOG["rpm"],
    }  # fmt: skip
    path = tmp_path / "log.csv"
    np.savetxt(path, np.column_stack(list(columns.values())), "%.3f", ",", header=",".join(columns), comments="")
    said = " ".join(intake(path).warnings)
    assert "no barometer could be read: looked at and ruled out: Baro [kPa] (about 0.0 kPa is not plausible)" in said
    assert "no throttle could be read: looked at and ruled out: TPS (0 to 255 is not plausible)" in said
    assert "in the log: that load" not in said


# ------------------------------------------------------------------ barometer, mixture and duty without a unit


@pytest.mark.parametrize("value", [14.0, 21.0, 31.5, 68.0])
def test_an_ambient_without_a_unit_that_may_be_a_temperature_is_no_barometer(tmp_path: Path, value: float) -> None:
    columns = {"MAP (kPa)": _LOG["boost_kpa"] + 101.3, "Ambient": np.full(_FULL.size, value)}
    log = intake(table(tmp_path / "log.csv", columns))
    assert taken(log, "barometer") == ""
    assert log.conditions.barometer_from == "standard atmosphere"


@pytest.mark.parametrize(
    ("name", "value", "kpa"),
    [
        ("Ambient", 98.0, 98.0), ("Ambient", 980.0, 98.0), ("Baro", 72.0, 72.0), ("Baro", 29.5, 99.9),
        ("Baro", 14.2, 97.9), ("Ambient Pressure", 0.98, 98.0), ("Luftdruck", 720.0, 72.0),
    ],
)  # fmt: skip
def test_a_barometer_without_a_unit_is_read_by_its_name_and_numbers(
    tmp_path: Path, name: str, value: float, kpa: float
) -> None:
    columns = {"MAP (kPa)": _LOG["boost_kpa"] + 98.0, name: np.full(_FULL.size, value)}
    assert intake(table(tmp_path / "log.csv", columns)).conditions.barometer_kpa == pytest.approx(kpa, abs=0.1)


@pytest.mark.parametrize("heading", ["Richesse", "Richesse (-)"])
def test_richness_is_one_over_lambda(tmp_path: Path, heading: str) -> None:
    """Richesse is fuel over air against the same at lambda 1: lean is under 1."""
    richness = np.where(_FULL, 1.0 / 1.2, 1.0)
    richness[-60:] = 0.0  # fuel is cut in the run-down
    columns = {"Boost (kPa)": _LOG["boost_kpa"], heading: richness}
    log = intake(table(tmp_path / "log.csv", columns))
    assert np.nanmedian(log.pulls[0].channels["lambda_"]) == pytest.approx(1.2, abs=0.01)
    assert "1 over lambda" in next(choice.reason for choice in log.channels if choice.role == "lambda_")


def test_duty_under_one_percent_is_no_share_where_the_throttle_is_in_percent(tmp_path: Path) -> None:
    idle = np.minimum(np.abs(np.random.default_rng(3).normal(0.0, 0.25, _FULL.size)), 0.9) + 0.1
    log = intake(table(tmp_path / "log.csv", {"Boost (kPa)": _LOG["boost_kpa"], "WGDC": idle}))
    assert np.max(log.pulls[0].channels["duty"]) <= 1.0


@pytest.mark.parametrize("highest", [0.08, 0.3, 0.95])
def test_duty_as_a_share_of_1_is_one_beside_a_throttle_in_percent(tmp_path: Path, highest: float) -> None:
    duty = np.where(_FULL, highest, 0.0) * np.clip(_LOG["boost_kpa"] / 100.0, 0.5, 1.0)
    log = intake(table(tmp_path / "log.csv", {"Boost (kPa)": _LOG["boost_kpa"], "WGDC": duty}))
    assert np.max(log.pulls[0].channels["duty"]) == pytest.approx(100.0 * highest, abs=0.1)


@pytest.mark.parametrize("highest", [0.02, 0.04])
def test_next_to_no_duty_beside_a_throttle_in_percent_is_percent(tmp_path: Path, highest: float) -> None:
    log = intake(table(tmp_path / "log.csv", {"Boost (kPa)": _LOG["boost_kpa"], "WGDC": np.where(_FULL, highest, 0)}))
    assert np.max(log.pulls[0].channels["duty"]) <= highest


@pytest.mark.parametrize(
    ("name", "rank"),
    [
        ("Current Boost Duty", 2), ("Current Wastegate Duty Cycle", 2), ("Boost Solenoid Current", 0),
        ("Wastegate Duty Current", 0), ("Wastegate Duty Current (A)", 0),
    ],
)  # fmt: skip
def test_current_before_duty_is_the_present_one_and_after_it_may_be_amperes(name: str, rank: int) -> None:
    assert rank_of("duty", name) == rank
