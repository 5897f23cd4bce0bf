"""Which column is which: by name, unit and numbers together; hints; two that fit equally."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from recommender.logs import ChannelHints, Guard, Intake, LogError, ReadOptions, Remembered, intake, write_log
from recommender.logs.words import rank_of
from recommender.logs.written_units import parse_unit, split_name

from .recordings import recording

_LOG = recording(20.0, around=False)


def table(path: Path, columns: dict[str, np.ndarray]) -> Path:
    rows = [",".join(f"{value:.3f}" for value in row) for row in zip(*columns.values(), strict=True)]
    path.write_text("\n".join([",".join(columns), *rows]) + "\n", encoding="utf-8")
    return path


def base(**more: np.ndarray) -> dict[str, np.ndarray]:
    return {"Time (s)": _LOG["time_s"], "RPM": _LOG["rpm"], "Boost (kPa)": _LOG["boost_kpa"], **more}


def chosen(log: Intake) -> dict[str, str]:
    return {choice.role: choice.column for choice in log.channels}


# Headings as loggers and workshops write them, three languages; what a channel is called is trade usage.
NAMES = {
    "rpm": "rpm|RPM|Engine Speed|Engine RPM|engine_rpm|EngineSpeed|Motordrehzahl|Drehzahl|N_Mot|Régime moteur|Régime",
    "boost": "Boost|boost_pressure|Boost Pressure|MAP|Manifold Pressure|Manifold Absolute Pressure|Ladedruck|"
    "Saugrohrdruck|Ladedruck Ist|Pression de suralimentation|Pression collecteur|Pression d'admission|Pression turbo",
    "barometer": "Baro|Barometric Pressure|Ambient Pressure|Luftdruck|Umgebungsdruck|Pression atmosphérique",
    "throttle": "Throttle|TPS|Throttle Position|Accelerator Pedal Position|Drosselklappe|Fahrpedal|Gaspedalstellung|"
    "Position papillon|Pédale accélérateur|throttle_pos",
    "duty": "WGDC|Wastegate Duty|Wastegate Duty Cycle|Boost Solenoid Duty|Tastverhältnis Ladedruckventil|"
    "Rapport cyclique",
    "lambda_": "Lambda|AFR|Wideband|Lambda 1|Air/Fuel Ratio|Richesse|Lambdawert",
    "exhaust_c": "EGT|Exhaust Gas Temperature|Exhaust Temp|Abgastemperatur|Température échappement|EGT 1",
    "knock": "Knock|Knock Count|Knock Retard|Klopfen|Cliquetis",
    "intake_c": "IAT|Intake Air Temp|Intake Air Temperature|Ansauglufttemperatur|Température air admission|MAT",
    "coolant_c": "ECT|CLT|Coolant Temp|Water Temp|Kühlmitteltemperatur|Température eau|Engine Coolant Temperature|"
    "Température liquide de refroidissement|Wassertemperatur",
    "time": "Time|time|Zeit|Temps|Timestamp|Elapsed Time|Uhrzeit|Heure|Zeitstempel|Time Stamp|time_s",
}
# Channels that share words with ours and are something else.
OTHERS = {
    "rpm": "Turbo Speed|Wheel Speed|Turbo RPM|Idle Target RPM|Fan RPM|Solldrehzahl Leerlauf|Launch RPM|Vehicle Speed",
    "boost": "Boost Target|Target Boost|Boost Error|Boost Solenoid Duty|Ladedruck Soll|Desired Boost|Boost Control|"
    "Exhaust Pressure|Fuel Pressure|Oil Pressure|Wastegate Position|Pression consigne suralimentation|"
    "MAP Voltage Limit",
    "throttle": "Brake Pedal|Throttle Target|Clutch Pedal|TPS Rate",
    "duty": "Injector Duty|Injector Duty Cycle|IDC|Fuel Pump Duty|Idle Duty|VVT Solenoid",
    "lambda_": "Lambda Target|Lambda Correction|AFR Target|Lambda Soll|Lambda Trim",
    "intake_c": "Ambient Air Temp|Exhaust Temp|Outside Temp|Intake Pressure",
    "coolant_c": "Oil Temp|Coolant Pressure|Coolant Fan",
    "time": "Injection Time|Boost Time|Dwell Time|Ignition Time|Spool Time",
}


@pytest.mark.parametrize("role", list(NAMES))
def test_usual_names_fit_their_role(role: str) -> None:
    for name in NAMES[role].split("|"):
        assert rank_of(role, split_name(name)[0]) >= 1, name  # type: ignore[arg-type]


@pytest.mark.parametrize("role", list(OTHERS))
def test_other_channels_do_not(role: str) -> None:
    for name in OTHERS[role].split("|"):
        assert rank_of(role, split_name(name)[0]) == 0, name  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("written", "quantity", "name"),
    [
        ("psi", "pressure", "psi"), ("PSI", "pressure", "psi"), ("psig", "pressure", "psi"),
        ("kPa abs", "pressure", "kPa"),
        ("bar", "pressure", "bar"), ("mbar", "pressure", "mbar"), ("inHg", "pressure", "inHg"),
        ("hPa", "pressure", "hPa"),
        ("kg/cm2", "pressure", "kgf/cm2"), ("°C", "temperature", "C"), ("Â°C", "temperature", "C"),
        ("\ufffdC", "temperature", "C"), ("?C", "temperature", "C"), ("ºC", "temperature", "C"),
        ("degC", "temperature", "C"),
        ("deg F", "temperature", "F"), ("Grad C", "temperature", "C"), ("K", "temperature", "K"),
        ("1/min", "speed", "1/min"), ("U/min", "speed", "u/min"), ("tr/min", "speed", "tr/min"), ("%", "share", "%"),
        ("ms", "time", "ms"), ("V", "volt", "v"),
    ],
)  # fmt: skip
def test_units_as_written(written: str, quantity: str, name: str) -> None:
    unit = parse_unit(written)
    assert unit is not None
    assert (unit.quantity, unit.name) == (quantity, name)


@pytest.mark.parametrize("written", ["rpm/1000", "1000 rpm", "1000/min", "× 1000 rpm", "rpm × 1000", "x1000 rpm"])
def test_engine_speed_in_thousands(tmp_path: Path, written: str) -> None:
    columns = {name: values for name, values in base().items() if name != "RPM"}
    columns[f"Engine Speed ({written})"] = _LOG["rpm"] / 1000.0
    (pull,) = intake(table(tmp_path / "log.csv", columns)).pulls
    assert pull.trace.rpm.max() == pytest.approx(7000.0, abs=100.0)


@pytest.mark.parametrize(
    ("heading", "factor"),
    [("RPM x1000", 1e-3), ("rpm (x1000)", 1e-3), ("RPM/10", 0.1), ("Engine Speed [x10 rpm]", 0.1), ("RPM*10", 10.0)],
)
def test_engine_speed_with_a_factor_in_its_name(tmp_path: Path, heading: str, factor: float) -> None:
    columns = {name: values for name, values in base().items() if name != "RPM"}
    columns[heading] = _LOG["rpm"] * factor
    (pull,) = intake(table(tmp_path / "log.csv", columns)).pulls
    assert pull.trace.rpm.max() == pytest.approx(7000.0, abs=100.0)


@pytest.mark.parametrize("written", ["psig", "bar(g)", "kPa gauge", "psi rel"])
def test_gauge_by_the_unit(written: str) -> None:
    unit = parse_unit(written)
    assert unit is not None
    assert unit.mark == "gauge"


@pytest.mark.parametrize("written", ["psia", "bar(a)", "kPa abs", "kPa absolute"])
def test_absolute_by_the_unit(written: str) -> None:
    unit = parse_unit(written)
    assert unit is not None
    assert unit.mark == "absolute"


@pytest.mark.parametrize(
    ("header", "name", "unit"),
    [
        ("Boost [kPa]", "Boost", "kPa"), ("Boost (psi)", "Boost", "psi"), ("boost_psi", "boost", "psi"),
        ("Boost, bar", "Boost", "bar"), ("Intake Air Temperature [Â°C]", "Intake Air Temperature", "°C"),
        ("Engine Speed", "Engine Speed", None), ("EGT 1", "EGT 1", None), ("time_ms", "time", "ms"),
        ("iat_c", "iat", "c"), ("Lambda (bank 1)", "Lambda (bank 1)", None), ("Knock V", "Knock V", None),
    ],
)  # fmt: skip
def test_name_and_unit_of_a_heading(header: str, name: str, unit: str | None) -> None:
    assert split_name(header) == (name, unit)


def test_boost_is_not_taken_for_its_target_or_solenoid(tmp_path: Path) -> None:
    extra = {
        "Boost Target (kPa)": np.full(_LOG["rpm"].size, 120.0),
        "Boost Solenoid Duty (%)": _LOG["duty_pct"],
        "Turbo Speed (rpm)": _LOG["rpm"] * 2.5,
        "Fuel Pressure (kPa)": _LOG["boost_kpa"] + 300.0,
    }
    names = chosen(intake(table(tmp_path / "log.csv", base(**extra))))
    assert names["boost"] == "Boost (kPa)"
    assert names["rpm"] == "RPM"
    assert names["duty"] == "Boost Solenoid Duty (%)"


def test_two_equal_candidates_are_asked_for_and_a_hint_settles_it(tmp_path: Path) -> None:
    columns = base()
    columns["Boost 1 (kPa)"], columns["Boost 2 (kPa)"] = columns.pop("Boost (kPa)"), _LOG["boost_kpa"] * 0.8
    path = table(tmp_path / "log.csv", columns)
    with pytest.raises(LogError, match=r"'Boost 1 \[kPa\]' and 'Boost 2 \[kPa\]' fit boost equally well"):
        intake(path)
    log = intake(path, ReadOptions(hints=ChannelHints(boost="boost 2")))
    assert chosen(log)["boost"] == "Boost 2 (kPa)"
    assert next(choice for choice in log.channels if choice.role == "boost").reason.startswith("named in the job file")


def test_two_that_agree_are_one(tmp_path: Path) -> None:
    log = intake(
        table(tmp_path / "log.csv", base(**{"TPS 1 (%)": _LOG["throttle_pct"], "TPS 2 (%)": _LOG["throttle_pct"]}))
    )
    choice = next(choice for choice in log.channels if choice.role == "throttle")
    assert choice.column == "TPS 1 (%)"
    assert "TPS 2 [%] agrees with it" in choice.reason


def test_two_tracks_of_one_pedal_are_one_and_two_that_part_are_asked_for(tmp_path: Path) -> None:
    whole = recording(20.0)
    columns = {"Time (s)": whole["time_s"], "RPM": whole["rpm"], "Boost (kPa)": whole["boost_kpa"]}
    columns["Accelerator Pedal D (%)"] = 15.0 + 0.66 * whole["throttle_pct"]
    columns["Accelerator Pedal E (%)"] = 7.5 + 0.33 * whole["throttle_pct"]
    log = intake(table(tmp_path / "tracks.csv", columns))
    assert chosen(log)["throttle"] == "Accelerator Pedal D (%)"
    assert len(log.pulls) == 1
    lifted = np.where(whole["rpm"] > 5000.0, 20.0, columns["Accelerator Pedal E (%)"])  # as of another pedal
    columns["Accelerator Pedal E (%)"] = lifted
    with pytest.raises(LogError, match=r"'Accelerator Pedal D \[%\]' and 'Accelerator Pedal E \[%\]' fit throttle"):
        intake(table(tmp_path / "parted.csv", columns))


def test_equal_candidates_for_a_channel_that_is_not_needed_are_left_out(tmp_path: Path) -> None:
    probes = {"EGT 1 (°C)": 600 + 0.04 * _LOG["rpm"], "EGT 2 (°C)": 900 - 0.01 * _LOG["rpm"]}
    path = table(tmp_path / "log.csv", base(**probes))
    log = intake(path)
    assert "exhaust_c" not in chosen(log)
    assert any("fit exhaust_c equally well; neither was used" in warning for warning in log.warnings)
    with pytest.raises(LogError, match="fit exhaust_c equally well"):
        intake(path, ReadOptions(guards={"exhaust_c": Guard(highest=930.0)}))


def test_two_exhausts_that_run_alike_at_different_heat_are_asked_for_where_a_guard_watches(tmp_path: Path) -> None:
    """The hotter one passes the guard; the other, taken because the two agree but for a constant, does not."""
    columns = base(**{"EGT 1 (°C)": _LOG["exhaust_c"], "EGT 2 (°C)": _LOG["exhaust_c"] + 120.0})
    path = table(tmp_path / "log.csv", columns)
    guards = {"exhaust_c": Guard(highest=950.0)}
    with pytest.raises(LogError, match="fit exhaust_c equally well"):
        intake(path, ReadOptions(guards=guards))
    named = ReadOptions(guards=guards, hints=ChannelHints(exhaust_c="EGT 2 (°C)"))
    assert [finding.kind for finding in intake(path, named).pulls[0].guard_findings] == ["passed"]


def test_an_implausible_column_is_not_taken_by_its_name(tmp_path: Path) -> None:
    columns = base(**{"Throttle (%)": np.full(_LOG["rpm"].size, 4000.0)})
    assert "throttle" not in chosen(intake(table(tmp_path / "log.csv", columns)))


def test_rpm_by_unit_where_the_name_says_nothing(tmp_path: Path) -> None:
    columns = base()
    columns["Kanal 7 (1/min)"] = columns.pop("RPM")
    log = intake(table(tmp_path / "log.csv", columns))
    choice = next(choice for choice in log.channels if choice.role == "rpm")
    assert (choice.column, choice.reason.split(";")[0]) == ("Kanal 7 (1/min)", "by its unit")


@pytest.mark.parametrize("heading", ["U/min", "1/min", "tr/min", "Régime moteur [tr/mn]"])
def test_engine_speed_called_by_its_unit_alone(tmp_path: Path, heading: str) -> None:
    columns = {name: values for name, values in base().items() if name != "RPM"} | {heading: _LOG["rpm"]}
    assert chosen(intake(table(tmp_path / "log.csv", columns)))["rpm"] == heading


def test_hint_for_a_column_that_is_not_there(tmp_path: Path) -> None:
    path = table(tmp_path / "log.csv", base())
    with pytest.raises(
        LogError, match=r"no column named 'Bost', which the job file gives for boost. The log has: Boost"
    ):
        intake(path, ReadOptions(hints=ChannelHints(boost="Bost")))


def test_hint_for_a_column_of_another_kind(tmp_path: Path) -> None:
    path = table(tmp_path / "log.csv", base(**{"EGT (°C)": 600 + 0.04 * _LOG["rpm"]}))
    with pytest.raises(LogError, match="its unit is °C, expected one of pressure"):
        intake(path, ReadOptions(hints=ChannelHints(boost="EGT")))


@pytest.mark.parametrize("name", ["Boost (kPa)", "boost", "BOOST", "Boost [kPa]"])
def test_hints_with_or_without_unit_and_capitals(tmp_path: Path, name: str) -> None:
    path = table(tmp_path / "log.csv", base())
    assert chosen(intake(path, ReadOptions(hints=ChannelHints(boost=name))))["boost"] == "Boost (kPa)"


def test_choices_are_remembered_for_logs_of_one_shape(tmp_path: Path) -> None:
    first = intake(write_log(tmp_path / "a.csv", recording(20.0), "units row, absolute and barometer"))
    second = write_log(tmp_path / "b.csv", recording(20.0, seed=1), "units row, absolute and barometer")
    plain = intake(second)
    again = intake(second, ReadOptions(remembered=Remembered(first.remembered(), "the log of pull 7")))
    assert plain.shape == first.shape == again.shape
    assert chosen(again) == chosen(plain)
    np.testing.assert_array_equal(again.pulls[0].trace.boost_kpa, plain.pulls[0].trace.boost_kpa)
    assert all(c.reason.startswith("as in the log of pull 7") for c in again.channels)
    other = intake(
        write_log(tmp_path / "c.csv", recording(20.0), "short names"), ReadOptions(default_pressure_unit="psi")
    )
    assert other.shape != first.shape


def test_throttle_as_share_or_voltage(tmp_path: Path) -> None:
    channels = recording(20.0)
    columns = {"Time (s)": channels["time_s"], "RPM": channels["rpm"], "Boost (kPa)": channels["boost_kpa"]}
    share = intake(table(tmp_path / "a.csv", {**columns, "TPS": channels["throttle_pct"] / 100}))
    volts = intake(table(tmp_path / "b.csv", {**columns, "TPS (V)": 0.5 + channels["throttle_pct"] / 100 * 4.0}))
    assert [pull.kind for pull in share.pulls] == [pull.kind for pull in volts.pulls] == ["sweep"]
    assert share.pulls[0].start_s == volts.pulls[0].start_s


def test_air_fuel_ratio_becomes_lambda(tmp_path: Path) -> None:
    log = intake(table(tmp_path / "log.csv", base(AFR=np.full(_LOG["rpm"].size, 12.0))))
    assert log.pulls[0].channels["lambda_"].mean() == pytest.approx(12.0 / 14.7)  # petrol's stoichiometric ratio
    (choice,) = [choice for choice in log.channels if choice.role == "lambda_"]
    assert "an air-fuel ratio about 12.0, divided by 14.7, is plausible" in choice.reason
    assert choice.unit == "air-fuel ratio over 14.7"


@pytest.mark.parametrize("named", [None, "AFR"])
def test_air_fuel_ratio_of_another_fuel(tmp_path: Path, named: str | None) -> None:
    """Ethanol: 9.0 to 1 by mass (common practice)."""
    hints = ChannelHints(lambda_=named, stoichiometric=9.0)
    log = intake(
        table(tmp_path / "log.csv", base(AFR=np.full(_LOG["rpm"].size, 7.2))),
        ReadOptions(hints=hints, guards={"lambda": Guard(highest=0.78)}),
    )
    assert log.pulls[0].channels["lambda_"].mean() == pytest.approx(0.8)
    (choice,) = [choice for choice in log.channels if choice.role == "lambda_"]
    assert "divided by 9," in choice.reason
    assert [finding.value for finding in log.pulls[0].guard_findings] == [pytest.approx(0.8)]


def test_fahrenheit_and_kelvin(tmp_path: Path) -> None:
    full = np.full(_LOG["rpm"].size, 1.0)
    log = intake(table(tmp_path / "log.csv", base(**{"IAT (°F)": 86.0 * full, "Coolant (K)": 363.15 * full})))
    assert log.conditions.intake_c == pytest.approx(30.0, abs=0.01)
    assert log.conditions.coolant_c == pytest.approx(90.0, abs=0.01)


@pytest.mark.parametrize(
    ("heading", "factor"),
    [
        ("Time (ms)", 1e3), ("Time", 1e3), ("Time (us)", 1e6), ("Time", 1 / 86400), ("Time (1/10 s)", 10.0),
        ("Time [0.01 s]", 100.0), ("Time (1/1000 s)", 1e3),
    ],
)  # fmt: skip
def test_time_in_other_units(tmp_path: Path, heading: str, factor: float) -> None:
    columns = {heading: _LOG["time_s"] * factor, "RPM": _LOG["rpm"], "Boost (kPa)": _LOG["boost_kpa"]}
    rows = [",".join(f"{value:.9f}" for value in row) for row in zip(*columns.values(), strict=True)]
    (tmp_path / "log.csv").write_text("\n".join([",".join(columns), *rows]) + "\n")
    (pull,) = intake(tmp_path / "log.csv").pulls
    assert pull.trace.rate_hz == pytest.approx(20.0, rel=0.01)


def test_rows_that_share_a_whole_second_are_spread(tmp_path: Path) -> None:
    columns = base()
    columns["Time (s)"] = np.floor(_LOG["time_s"])
    (pull,) = intake(table(tmp_path / "log.csv", columns)).pulls
    assert pull.trace.rate_hz == pytest.approx(20.0, rel=0.05)


def test_a_rate_from_the_job_file(tmp_path: Path) -> None:
    columns = base()
    del columns["Time (s)"]
    (pull,) = intake(table(tmp_path / "log.csv", columns), ReadOptions(hints=ChannelHints(rate_hz=20.0))).pulls
    assert pull.trace.rate_hz == pytest.approx(20.0, rel=1e-6)


def test_midnight(tmp_path: Path) -> None:
    stamps = []
    for second in _LOG["time_s"] + 86395.0:
        whole = second % 86400
        stamps.append(f"{int(whole // 3600):02d}:{int(whole % 3600 // 60):02d}:{whole % 60:06.3f}")
    rows = [f"{t},{n:.0f},{p:.2f}" for t, n, p in zip(stamps, _LOG["rpm"], _LOG["boost_kpa"], strict=True)]
    (tmp_path / "log.csv").write_text("\n".join(["Time,RPM,Boost (kPa)", *rows]) + "\n")
    log = intake(tmp_path / "log.csv")
    assert len(log.pulls) == 1
    assert np.ptp(log.pulls[0].trace.time_s) == pytest.approx(10.0, abs=0.6)


def test_guard_without_its_channel_is_said(tmp_path: Path) -> None:
    options = ReadOptions(guards={"lambda": Guard(highest=0.86)})
    log = intake(table(tmp_path / "log.csv", base()), options)
    assert "the guard on lambda could not watch" in log.warnings[-1]
    with pytest.raises(ValueError, match="a guard must watch one of lambda, exhaust_c"):
        intake(table(tmp_path / "log.csv", base()), replace(options, guards={"boost": Guard(highest=1.0)}))


@pytest.mark.parametrize("name", ["?", "№", "Температура масла", "油温"])
def test_a_name_of_which_no_latin_letter_is_left_stands_for_nothing(tmp_path: Path, name: str) -> None:
    assert [role for role in NAMES if rank_of(role, name)] == []  # type: ignore[arg-type]  # keys are roles
    columns = base(**{name: np.full(_LOG["rpm"].size, 88.0)})  # taken for the barometer, it shifts absolute boost
    columns["MAP (kPa)"] = columns.pop("Boost (kPa)") + 98.3
    log = intake(table(tmp_path / "log.csv", columns))
    assert "barometer" not in chosen(log)
    assert log.conditions.barometer_from != "barometer channel"


@pytest.mark.parametrize("name", ["Baro Compensation", "Baro Trim", "Barometric Fuel Comp", "Ambient Pressure Ratio"])
def test_a_correction_for_the_barometer_is_no_barometer(tmp_path: Path, name: str) -> None:
    columns = base(**{name: np.full(_LOG["rpm"].size, 97.0)})
    columns["MAP (kPa)"] = columns.pop("Boost (kPa)") + 90.0
    assert "barometer" not in chosen(intake(table(tmp_path / "log.csv", columns)))
