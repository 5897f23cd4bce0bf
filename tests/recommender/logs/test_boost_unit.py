"""Unit of the boost column: units as they are written, those that nobody knows, those that contradict each other."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from models.units import kpa_in
from recommender.logs import ChannelHints, Intake, LogError, ReadOptions, Remembered, intake
from recommender.logs.boost_unit import unit_of
from recommender.logs.table import Column

from .recordings import Channels, recording

_WHOLE, _ALONE = recording(20.0, noise_kpa=0.3), recording(20.0, around=False, noise_kpa=0.3)
#: Mean of the plateau: the recording's 110 kPa, and a hundred samples of 0.3 kPa noise. [kPa gauge]
PLATEAU = pytest.approx(110.0, abs=0.5)


def written(
    path: Path,
    boost: str,
    kpa_each: float,
    *,
    log: Channels = _WHOLE,
    row: str = "",
    more: dict[str, str] | None = None,
) -> Path:
    """A log of four channels in which boost has a heading and a unit of its own.

    Args:
        path: The file.
        boost: Heading of boost.
        kpa_each: Its unit. [kPa]
        log: Recording.
        row: Row of units, none where it is empty.
        more: Further headings, each with the cell that stands under it.
    """
    more = more or {}
    extra = "".join(f",{cell}" for cell in more.values())
    cells = zip(log["time_s"], log["rpm"], log["boost_kpa"] / kpa_each, log["throttle_pct"], strict=True)
    rows = [f"{t:.3f},{n:.0f},{p:.5f},{q:.0f}{extra}" for t, n, p, q in cells]
    head = ",".join(["Time", "RPM", boost, "TPS", *more])
    path.write_text("\n".join([head, *([row] if row else []), *rows]) + "\n", encoding="utf-8")
    return path


def plateau_kpa(log: Intake) -> float:
    (pull,) = [pull for pull in log.pulls if pull.kind == "sweep"]
    return float(np.mean(pull.trace.boost_kpa[pull.trace.rpm > 5000.0]))


@pytest.mark.parametrize(
    ("unit", "name"),
    [
        ("in Hg", "inHg"), ("in. Hg", "inHg"), ("mm Hg", "mmHg"), ("cmHg", "cmHg"), ("PSI (rel)", "psi"),
        ("kPa (gauge)", "kPa"), ("lb", "psi"), ("lb/sq.in", "psi"), ("lbs/sq. in", "psi"), ("dbar", "dbar"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("own", ["psi", "kPa"])
def test_units_as_gauges_and_old_loggers_write_them(tmp_path: Path, unit: str, name: str, own: str) -> None:
    path = written(tmp_path / "log.csv", f"Boost ({unit})", kpa_in(name))
    log = intake(path, ReadOptions(default_pressure_unit=own))
    assert plateau_kpa(log) == PLATEAU
    assert not log.warnings


@pytest.mark.parametrize(("unit", "kpa_each"), [("inHg/psi", 6.894757), ("kPa x100", 100.0), ("mmH2O", 0.00980665)])
def test_a_unit_that_is_written_and_not_known_is_asked_about_by_its_name(
    tmp_path: Path, unit: str, kpa_each: float
) -> None:
    path = written(tmp_path / "log.csv", f"Boost ({unit})", kpa_each)
    for own in ("psi", "kPa", None):
        with pytest.raises(LogError, match=rf"the unit '{unit}' is none that is known.*\[channels\] boost_unit"):
            intake(path, ReadOptions(default_pressure_unit=own))


@pytest.mark.parametrize(
    "unit",
    [
        "inHg/psi", "in-Hg/psi", "psi/inHg", "kPa x100", "x100 kPa", "psi x 10", "x10", "10x", "mmH2O", "in H2O",
        "in", "in water", "at", "ata", "atü", "kN/m2", "N/m2", "N/m²", "kp/cm2", "#/sq in", "#", "pounds", "mm",
    ],
)  # fmt: skip
def test_signs_beside_a_digit_or_a_unit_are_a_unit(unit: str) -> None:
    values = np.linspace(0.0, 12.0, 50)
    with pytest.raises(LogError, match="is none that is known"):
        unit_of(Column(f"Boost ({unit})", f"Boost ({unit})", None, values), ReadOptions(), None, "log.csv")


@pytest.mark.parametrize(
    ("heading", "name"),
    [
        ("boost_in_hg", "inHg"), ("Boost in Hg", "inHg"), ("Boost inches Hg", "inHg"), ("Boost mm Hg", "mmHg"),
        ("boost_mm_hg", "mmHg"), ("Boost kp/cm2", "kgf/cm2"), ("MAP in Hg gauge", "inHg"),
    ],
)  # fmt: skip
def test_units_of_two_words_without_brackets(tmp_path: Path, heading: str, name: str) -> None:
    """Without them 28.6 inHg were 28.6 kPa, in a log whose heading names its unit."""
    log = intake(written(tmp_path / "log.csv", heading, kpa_in(name)), ReadOptions(default_pressure_unit="kPa"))
    assert plateau_kpa(log) == PLATEAU
    assert log.boost_is == "gauge"


@pytest.mark.parametrize(
    ("heading", "unit", "kpa_each"),
    [
        ("Boost (x10 mbar)", "x10 mbar", 10.0), ("Boost [0.1 psi]", "0.1 psi", 0.6895), ("Boost kPa/10", "kPa/10", 1.0),
        ("boost_in_h2o", "h2o", 0.249), ('Boost "Hg', '"Hg', 3.386), ("boost_kgf_cm2", "kgf_cm2", 98.07),
    ],
)  # fmt: skip
def test_a_factor_of_a_unit_and_unknown_ones_without_brackets_are_asked_about(
    tmp_path: Path, heading: str, unit: str, kpa_each: float
) -> None:
    """Ten mbar each were read as one: 9.7 kPa for 97."""
    with pytest.raises(LogError, match=f"the unit '{re.escape(unit)}' is none that is known"):
        intake(written(tmp_path / "log.csv", heading, kpa_each), ReadOptions(default_pressure_unit="kPa"))


def test_an_unknown_unit_is_settled_by_the_job_file(tmp_path: Path) -> None:
    path = written(tmp_path / "log.csv", "Boost (kPa x100)", 100.0)
    assert plateau_kpa(intake(path, ReadOptions(hints=ChannelHints(boost_unit="bar")))) == PLATEAU


@pytest.mark.parametrize(
    "words",
    [
        "ECU", "sensor 2", "actual value", "relative", "CAN", "calibrated", "CAN/ECU", "0x0B", "at manifold",
        "in plenum", "sensor #2", "4 bar MAP", "3-bar sensor", "2.5 bar MAP sensor", "MAP/Baro", "knock ECU",
        "bank 1/2",
    ],
)  # fmt: skip
def test_words_in_brackets_are_no_unit(tmp_path: Path, words: str) -> None:
    path = written(tmp_path / "log.csv", f"Boost ({words})", kpa_in("psi"))
    assert plateau_kpa(intake(path, ReadOptions(default_pressure_unit="psi"))) == PLATEAU


def test_an_unknown_unit_in_a_row_of_units_is_asked_about(tmp_path: Path) -> None:
    path = written(tmp_path / "log.csv", "Boost", kpa_in("psi"), row="s,rpm,pumps,%")
    with pytest.raises(LogError, match="the unit 'pumps' is none that is known"):
        intake(path, ReadOptions(default_pressure_unit="kPa"))


@pytest.mark.parametrize("own", ["psi", "kPa"])
def test_a_row_of_units_counts_where_those_of_time_speed_and_boost_are_known(tmp_path: Path, own: str) -> None:
    odd = {"Gear": "4", "Flow": "880", "Ign": "12.5", "State": "0", "Trigger": "0", "Window": "1"}
    row = "sec,RPM,PSI,pct,gear,cc/min,dBTDC,enum,cnt,usr"
    path = written(tmp_path / "log.csv", "Boost", kpa_in("psi"), row=row, more=odd)
    log = intake(path, ReadOptions(default_pressure_unit=own))
    assert plateau_kpa(log) == PLATEAU
    assert not log.warnings


def test_inches_of_mercury_without_a_unit_are_not_read_in_kpa(tmp_path: Path) -> None:
    """In a job in psi 32.5 inHg were 32.5 kPa, the only unit looked at that fitted."""
    options = ReadOptions(default_pressure_unit="psi", limit_kpa=138.0)
    with pytest.raises(LogError, match=r"no unit, and its numbers \(up to 3\d.*\) could be kPa or inHg"):
        intake(written(tmp_path / "log.csv", "Boost", kpa_in("inHg")), options)
    assert plateau_kpa(intake(written(tmp_path / "kpa.csv", "Boost", 1.0), options)) == PLATEAU


def test_heading_and_row_of_units_that_contradict_are_asked_about(tmp_path: Path) -> None:
    path = written(tmp_path / "log.csv", "Boost_psi", kpa_in("psi"), row="s,rpm,kPa,%")
    with pytest.raises(LogError, match=r"psi by its heading, kPa by the row of units.* boost_unit = \"psi\""):
        intake(path)
    assert plateau_kpa(intake(path, ReadOptions(hints=ChannelHints(boost_unit="psi")))) == PLATEAU
    alike = written(tmp_path / "alike.csv", "Boost_mbar", 0.1, row="s,rpm,hPa,%")
    assert plateau_kpa(intake(alike)) == PLATEAU


def test_gauge_by_the_unit_holds_beside_a_unit_of_the_job_file(tmp_path: Path) -> None:
    path = written(tmp_path / "log.csv", "MAP (psig)", kpa_in("psi"), log=_ALONE)
    log = intake(path, ReadOptions(hints=ChannelHints(boost_unit="psi")))
    assert log.boost_is == "gauge"
    assert plateau_kpa(log) == PLATEAU


@pytest.mark.parametrize("highest_kpa", [60.0, 110.0, float("nan")])
def test_what_is_remembered_of_one_column_is_not_said_of_another(tmp_path: Path, highest_kpa: float) -> None:
    """Pull 1 was read from an absolute sensor in bar; now the job file names the gauge beside it."""
    path = written(tmp_path / "log.csv", "Sensor 2", 1.0, log={**_ALONE, "boost_kpa": _ALONE["boost_kpa"] + 16.0})
    before = Remembered(
        ChannelHints(boost="Sensor 1", boost_unit="bar", boost_is="absolute"), "the log of pull 1", highest_kpa
    )
    log = intake(
        path,
        ReadOptions(hints=ChannelHints(boost="Sensor 2"), remembered=before, default_pressure_unit="kPa"),
    )
    assert log.boost_is == "gauge"
    assert plateau_kpa(log) - 16.0 == PLATEAU
