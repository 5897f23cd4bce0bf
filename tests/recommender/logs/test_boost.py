"""The boost column to kPa gauge: unit, gauge or absolute, ambient."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from recommender.logs import ChannelHints, Conditions, Intake, LogError, ReadOptions, intake

from .recordings import Channels, recording

_WHOLE, _ALONE = recording(20.0), recording(20.0, around=False)
KPA = {"psi": 6.894757293168361, "kPa": 1.0, "bar": 100.0, "mbar": 0.1, "inHg": 3.386389}


def read(
    tmp_path: Path, name: str, values: np.ndarray, log: Channels = _WHOLE, options: ReadOptions | None = None
) -> Intake:
    rows = [f"{t:.3f},{n:.0f},{p:.4f}" for t, n, p in zip(log["time_s"], log["rpm"], values, strict=True)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([f"time,rpm,{name}", *rows]) + "\n")
    return intake(path, options or ReadOptions())


def plateau(log: Intake) -> float:
    trace = log.pulls[0].trace
    return float(np.mean(trace.boost_kpa[trace.rpm > 5000.0]))


@pytest.mark.parametrize("unit", list(KPA))
@pytest.mark.parametrize("absolute", [False, True])
def test_any_unit_gauge_or_absolute(tmp_path: Path, unit: str, absolute: bool) -> None:
    name = f"{'Manifold Pressure' if absolute else 'Boost'} ({unit})"
    values = (_WHOLE["boost_kpa"] + (101.325 if absolute else 0.0)) / KPA[unit]
    log = read(tmp_path, name, values)
    assert log.boost_is == ("absolute" if absolute else "gauge")
    assert plateau(log) == pytest.approx(
        110.0, abs=0.7
    )  # no barometer: the standard atmosphere, which it was written with


def test_key_on_gives_the_ambient(tmp_path: Path) -> None:
    log = {name: values.copy() for name, values in _WHOLE.items()}
    log["rpm"][:30] = 0.0
    values = log["boost_kpa"] + 93.0
    values[:30] = 93.0
    found = read(tmp_path, "MAP (kPa)", values, log)
    assert found.conditions.barometer_kpa == pytest.approx(93.0)
    assert found.conditions.barometer_from == "boost channel at key-on"
    assert plateau(found) == pytest.approx(110.0, abs=0.7)


def test_ambient_from_the_job_file(tmp_path: Path) -> None:
    log = read(tmp_path, "MAP (kPa)", _WHOLE["boost_kpa"] + 88.0, options=ReadOptions(barometer_kpa=88.0))
    assert log.conditions.barometer_from == "the job file"
    assert plateau(log) == pytest.approx(110.0, abs=0.7)


def test_ambient_from_a_quiet_start(tmp_path: Path) -> None:
    values = _WHOLE["boost_kpa"] + 96.0
    values[:60] = 96.0 + np.random.default_rng(0).normal(0, 0.2, 60)
    log = read(tmp_path, "Manifold Absolute Pressure (kPa)", values)
    assert log.conditions.barometer_kpa == pytest.approx(96.0, abs=0.3)
    assert any("the boost channel at its start" in warning for warning in log.warnings)


def test_standard_atmosphere_is_warned_of(tmp_path: Path) -> None:
    log = read(tmp_path, "MAP (kPa)", _WHOLE["boost_kpa"] + 101.3)
    assert log.conditions.barometer_kpa == pytest.approx(101.325)
    assert any("Log the barometer or state it in the job file" in warning for warning in log.warnings)


def test_name_and_numbers_that_contradict_are_asked_about(tmp_path: Path) -> None:
    with pytest.raises(LogError, match=r"absolute by its name, gauge by its numbers .* boost_is = \"gauge\""):
        read(tmp_path, "Manifold Absolute Pressure (kPa)", _WHOLE["boost_kpa"])
    hints = ReadOptions(hints=ChannelHints(boost_is="gauge"))
    assert plateau(read(tmp_path, "Manifold Absolute Pressure (kPa)", _WHOLE["boost_kpa"], options=hints)) > 109.0


def test_gauge_or_absolute_cannot_be_told_from_a_pull_alone(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="may be gauge, or absolute from ambient up"):
        read(tmp_path, "Boost (kPa)", _ALONE["boost_kpa"] + 100.0, _ALONE)
    hints = ReadOptions(hints=ChannelHints(boost_is="absolute"), barometer_kpa=100.0)
    assert plateau(read(tmp_path, "Boost (kPa)", _ALONE["boost_kpa"] + 100.0, _ALONE, hints)) == pytest.approx(
        110.0, abs=0.7
    )


def test_unit_by_the_job_where_two_would_do(tmp_path: Path) -> None:
    values = _ALONE["boost_kpa"] * 0.36  # up to 41: 41 kPa, or 41 psi
    with pytest.raises(LogError, match=r"could be psi or kPa. State it in the job file: \[channels\] boost_unit"):
        read(tmp_path, "Boost", values, _ALONE)
    psi = read(tmp_path, "Boost", values, _ALONE, ReadOptions(default_pressure_unit="psi"))
    kpa = read(tmp_path, "Boost", values, _ALONE, ReadOptions(default_pressure_unit="kPa"))
    assert plateau(psi) == pytest.approx(plateau(kpa) * KPA["psi"])
    assert "read in psi, the job's own unit" in psi.warnings[0]


def test_a_larger_unit_than_the_jobs_own_is_asked_about_where_a_pull_may_reach_it(tmp_path: Path) -> None:
    values = _ALONE["boost_kpa"] / KPA["psi"] * 1.4  # up to 23: 23 kPa, or 160 kPa in psi
    job = ReadOptions(default_pressure_unit="kPa", limit_kpa=131.0)
    with pytest.raises(LogError, match=r"\(up to 22\.\d+\) could be psi or kPa"):
        read(tmp_path, "Boost", values, _ALONE, job)
    # 280 kPa, twice the limit, is no pull of this job.
    assert plateau(read(tmp_path, "Boost", _ALONE["boost_kpa"] * 0.36, _ALONE, job)) == pytest.approx(39.6, abs=0.3)
    # Read in psi in a job in psi it is the higher of the two already.
    psi = replace(job, default_pressure_unit="psi")
    assert plateau(read(tmp_path, "Boost", values, _ALONE, psi)) == pytest.approx(154.0, abs=1.0)


def test_the_unit_in_the_log_beats_the_jobs(tmp_path: Path) -> None:
    log = read(tmp_path, "Boost (kPa)", _ALONE["boost_kpa"], _ALONE, ReadOptions(default_pressure_unit="psi"))
    assert plateau(log) == pytest.approx(110.0, abs=0.7)


def test_unknown_unit_hint(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="'furlong' is no pressure unit that is known"):
        read(tmp_path, "Boost", _ALONE["boost_kpa"], _ALONE, ReadOptions(hints=ChannelHints(boost_unit="furlong")))


@pytest.mark.parametrize("altitude_kpa", [101.3, 89.9, 70.1])
def test_one_pull_at_three_altitudes(tmp_path: Path, altitude_kpa: float) -> None:
    """Absolute logs of equal gauge boost: the same gauge boost whatever the altitude; the ambient is kept with it."""
    path = tmp_path / "log.csv"
    rows = [
        f"{t:.3f},{n:.0f},{max(p + altitude_kpa, 16.0):.3f},{altitude_kpa}"  # no engine draws less
        for t, n, p in zip(_WHOLE["time_s"], _WHOLE["rpm"], _WHOLE["boost_kpa"], strict=True)
    ]
    path.write_text("\n".join(["time,rpm,Manifold Pressure (kPa),Barometer (kPa)", *rows]) + "\n")
    log = intake(path)
    assert plateau(log) == pytest.approx(110.0, abs=0.7)
    assert log.pulls[0].conditions.barometer_kpa == pytest.approx(altitude_kpa)


def test_unmarked_boost_that_fits_both_is_gauge_with_a_word_how_to_say_otherwise(tmp_path: Path) -> None:
    """Only the loaded part of a pull was logged: 55 to 145 kPa may be gauge, or absolute from part vacuum on."""
    rpm = np.linspace(3000.0, 7000.0, 200)
    boost = np.linspace(55.0, 145.0, 200)
    rows = [f"{k / 20:.2f},{n:.0f},{p:.1f}" for k, (n, p) in enumerate(zip(rpm, boost, strict=True))]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["Time [s],RPM [rpm],Boost [kPa]", *rows]))
    log = intake(path)
    (warning,) = [text for text in log.warnings if "taken as gauge" in text]
    assert '[channels] boost_is = "absolute"' in warning
    told = intake(path, ReadOptions(hints=ChannelHints(boost_is="absolute")))
    assert told.boost_is == "absolute"
    assert not [text for text in told.warnings if "taken as gauge" in text]


@pytest.mark.parametrize(("name", "kpa_each"), [("Boost (psia)", KPA["psi"]), ("Boost (bar abs)", 100.0)])
def test_a_unit_that_says_absolute_over_numbers_under_zero_is_asked_about(
    tmp_path: Path, name: str, kpa_each: float
) -> None:
    with pytest.raises(LogError, match=r"absolute by its unit, gauge by its numbers .* boost_is = \"gauge\""):
        read(tmp_path, name, _WHOLE["boost_kpa"] / kpa_each)
    hints = ReadOptions(hints=ChannelHints(boost_is="gauge"))
    assert plateau(read(tmp_path, name, _WHOLE["boost_kpa"] / kpa_each, options=hints)) == pytest.approx(110.0, abs=0.7)


def test_a_unit_that_says_gauge_over_an_absolute_idle_is_asked_about(tmp_path: Path) -> None:
    with pytest.raises(LogError, match=r"gauge by its unit, absolute by its numbers \(reads \d\d kPa at idle\)"):
        read(tmp_path, "Boost (kPa gauge)", _WHOLE["boost_kpa"] + 101.3)


@pytest.mark.parametrize("name", ["MAP (kPa)", "Manifold Pressure (kPa)"])
def test_a_manifold_gauge_logged_at_full_load_alone_is_not_taken_for_absolute(tmp_path: Path, name: str) -> None:
    """16 to 126 kPa: as absolute readings full throttle would begin as far under ambient as an idling engine."""
    with pytest.raises(LogError, match=r"full load begin 8\d kPa under ambient. State it .* boost_is = \"gauge\""):
        read(tmp_path, name, _ALONE["boost_kpa"] + 16.0, _ALONE)
    log = read(tmp_path, name, _ALONE["boost_kpa"] + 16.0, _ALONE, ReadOptions(hints=ChannelHints(boost_is="gauge")))
    assert plateau(log) == pytest.approx(126.0, abs=0.7)


def after_a_cruise(log: Channels, seconds: float, kpa: float) -> Channels:
    """The same after so long at steady speed and pressure, its boost absolute."""
    rows = int(seconds * 20.0)
    rpm = log["rpm"][0] + np.random.default_rng(1).normal(0.0, 10.0, rows)
    boost = np.concatenate([np.full(rows, kpa), log["boost_kpa"] + 101.3])
    size = rows + log["rpm"].size
    return {"time_s": np.arange(size) / 20.0, "rpm": np.concatenate([rpm, log["rpm"]]), "boost_kpa": boost}


@pytest.mark.parametrize("seconds", [0.5, 2.0, 15.0])
def test_a_cruise_in_vacuum_before_a_rise_that_ends_the_log_is_no_full_load(tmp_path: Path, seconds: float) -> None:
    log = after_a_cruise(_ALONE, seconds, 50.0)
    read_so = read(tmp_path, "MAP (kPa)", log["boost_kpa"], log)
    assert read_so.boost_is == "absolute"
    assert plateau(read_so) == pytest.approx(110.0, abs=0.7)


def test_a_manifold_gauge_that_is_steady_before_the_rise_is_asked_about_all_the_same(tmp_path: Path) -> None:
    log = after_a_cruise(_ALONE, 2.0, 16.0)
    values = np.maximum(log["boost_kpa"] - 101.3, 0.0) + 16.0
    with pytest.raises(LogError, match="full load begin"):
        read(tmp_path, "MAP (kPa)", values, log)


def test_a_manifold_gauge_that_spools_from_its_first_row_is_asked_about(tmp_path: Path) -> None:
    log = recording(20.0, around=False, rpm_from=3000.0)
    with pytest.raises(LogError, match="full load begin"):
        read(tmp_path, "MAP (kPa)", log["boost_kpa"] + 14.0, log)


def with_throttle(path: Path, log: Channels, values: np.ndarray) -> Path:
    columns = [log["time_s"], log["rpm"], values, log["throttle_pct"]]
    np.savetxt(path, np.column_stack(columns), "%.3f", ",", header="Time (s),RPM,MAP (kPa),TPS (%)", comments="")
    return path


@pytest.mark.parametrize("ambient_kpa", [101.3, 83.0, 62.0])
def test_absolute_full_load_from_ambient_up_is_taken_as_it_is(tmp_path: Path, ambient_kpa: float) -> None:
    """Full throttle begins 3 kPa under ambient, at sea level and at 4000 m, and nothing else is logged."""
    path = with_throttle(tmp_path / "log.csv", _ALONE, _ALONE["boost_kpa"] + ambient_kpa - 3.0)
    log = intake(path, ReadOptions(barometer_kpa=ambient_kpa))
    assert log.boost_is == "absolute"
    assert plateau(log) == pytest.approx(107.0, abs=0.7)


@pytest.mark.parametrize("throttle", [True, False])
def test_boost_at_the_start_of_full_load_is_no_ambient(tmp_path: Path, throttle: bool) -> None:
    """The turbo already works: 91 kPa in a workshop of 83."""
    slow = recording(20.0, around=False, rpm_from=2000.0, noise_kpa=0.2)
    values = np.maximum(slow["boost_kpa"], 8.0) + 83.0
    log = (
        intake(with_throttle(tmp_path / "log.csv", slow, values))
        if throttle
        else read(tmp_path, "MAP (kPa)", values, slow)
    )
    assert log.conditions.barometer_from == "standard atmosphere"


def test_no_start_over_103_kpa_is_an_ambient(tmp_path: Path) -> None:
    values = _WHOLE["boost_kpa"] + 101.0
    values[:60] = 105.0 + np.random.default_rng(0).normal(0, 0.2, 60)
    assert read(tmp_path, "MAP (kPa)", values).conditions.barometer_from == "standard atmosphere"


def test_the_barometer_of_the_pull_before_comes_before_the_start_of_the_log(tmp_path: Path) -> None:
    values = _WHOLE["boost_kpa"] + 96.0
    values[:60] = 99.0 + np.random.default_rng(0).normal(0, 0.2, 60)
    others = (Conditions(96.0, "barometer channel"), Conditions(99.0, "boost channel at the start"))
    log = read(tmp_path, "MAP (kPa)", values, options=ReadOptions(others=others))
    assert (log.conditions.barometer_kpa, log.conditions.barometer_from) == (96.0, "the job's pull before")
    assert any("as on the job's pull before" in warning for warning in log.warnings)
    alone = read(tmp_path, "MAP (kPa)", values, options=ReadOptions(others=others[1:]))
    assert alone.conditions.barometer_from == "boost channel at the start"


def test_a_sensor_that_never_rises_is_said_to_be_that(tmp_path: Path) -> None:
    dead = np.random.default_rng(1).normal(0.0, 0.3, _WHOLE["rpm"].size)
    with pytest.raises(LogError, match=r"it never rises. Look at the sensor, its hose and its wire"):
        read(tmp_path, "Boost (kPa)", dead)


#: The recording without its idle: a wait at 22 % of throttle, the sweep, the run-down on a closed throttle.
_LOADED: Channels = {name: values[120:] for name, values in _WHOLE.items()}


def with_ambient(path: Path, values: np.ndarray, *, barometer: bool) -> Path:
    log = _LOADED
    columns = {"Time [s]": log["time_s"], "RPM": log["rpm"], "Boost pressure actual [mbar]": values * 10.0}
    columns |= {"Ambient pressure [mbar]": np.full(values.size, 983.0)} if barometer else {}
    columns["Accelerator pedal [%]"] = log["throttle_pct"]
    np.savetxt(path, np.column_stack(list(columns.values())), "%.3f", ",", header=",".join(columns), comments="")
    return path


def test_unmarked_boost_in_vacuum_at_part_load_and_from_the_barometer_up_is_absolute(tmp_path: Path) -> None:
    log = intake(with_ambient(tmp_path / "log.csv", _LOADED["boost_kpa"] + 98.3, barometer=True))
    assert log.boost_is == "absolute"
    assert plateau(log) == pytest.approx(110.0, abs=0.7)


def test_unmarked_boost_that_looks_absolute_by_its_load_is_asked_about_without_a_barometer(tmp_path: Path) -> None:
    path = with_ambient(tmp_path / "log.csv", _LOADED["boost_kpa"] + 98.3, barometer=False)
    with pytest.raises(LogError, match=r"as an absolute column does.* boost_is = \"absolute\""):
        intake(path)
    assert intake(path, ReadOptions(hints=ChannelHints(boost_is="gauge"))).boost_is == "gauge"


@pytest.mark.parametrize("barometer", [True, False])
@pytest.mark.parametrize("cruise_kpa", [14.0, 30.0, 60.0])
def test_a_gauge_that_is_boosted_at_part_load_stays_one(tmp_path: Path, barometer: bool, cruise_kpa: float) -> None:
    """An engine without a throttle valve: its full load sets out from the boost of the cruise."""
    values = np.maximum(_LOADED["boost_kpa"], cruise_kpa)
    log = intake(with_ambient(tmp_path / "log.csv", values, barometer=barometer))
    assert log.boost_is == "gauge"


def test_unmarked_boost_that_looks_absolute_by_its_coast_down_is_asked_about_without_a_throttle(tmp_path: Path) -> None:
    values = (_LOADED["boost_kpa"] + 98.3) * 10.0
    with pytest.raises(LogError, match=r"as an absolute column does.* boost_is = \"absolute\""):
        read(tmp_path, "Boost (mbar)", values, _LOADED)
    absolute = ReadOptions(hints=ChannelHints(boost_is="absolute"), barometer_kpa=98.3)
    assert plateau(read(tmp_path, "Boost (mbar)", values, _LOADED, absolute)) == pytest.approx(110.0, abs=0.7)


@pytest.mark.parametrize("coast_kpa", [14.0, 30.0, 60.0])
def test_a_gauge_that_is_boosted_while_coasting_stays_one_without_a_throttle(tmp_path: Path, coast_kpa: float) -> None:
    values = np.maximum(_LOADED["boost_kpa"], coast_kpa)
    assert read(tmp_path, "Boost (kPa)", values, _LOADED).boost_is == "gauge"


def test_engine_speed_lost_under_boost_is_no_key_on(tmp_path: Path) -> None:
    log = {name: values[: int(np.argmax(_WHOLE["rpm"])) + 1].copy() for name, values in _WHOLE.items()}
    log["rpm"][-10:] = 0.0  # the trigger's wire came off, at 110 kPa and falling
    values = log["boost_kpa"].copy()
    values[-10:] = np.linspace(105.0, 60.0, 10)
    found = read(tmp_path, "Boost (kPa)", values, log)
    assert found.boost_is == "gauge"
    assert found.highest_boost_kpa == pytest.approx(values.max(), abs=0.01)
    values[-10:] = np.linspace(18.0, 0.0, 10)
    absolute = read(tmp_path, "MAP (kPa)", values + 98.0, log)
    assert absolute.conditions.barometer_from != "boost channel at key-on"  # 107 kPa, and boost 9 too low
