"""Absolute and gauge boost in one log: the ambient pressure between them, and a gauge whose zero is off."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from models.units import STANDARD_ATMOSPHERE_KPA
from recommender.logs import ChannelHints, Intake, LogError, ReadOptions, intake

from .recordings import PLATEAU_KPA, recording

#: At 1000 m or so.
AMBIENT_KPA = 90.0
_LOG = recording(20.0, noise_kpa=0.3)


def read(path: Path, columns: dict[str, np.ndarray], options: ReadOptions | None = None) -> Intake:
    whole = {"Time (s)": _LOG["time_s"], "RPM": _LOG["rpm"], **columns, "TPS (%)": _LOG["throttle_pct"]}
    np.savetxt(path, np.column_stack(list(whole.values())), "%.3f", ",", header=",".join(whole), comments="")
    return intake(path, options or ReadOptions())


def plateau(log: Intake) -> float:
    trace = log.pulls[0].trace
    return float(np.mean(trace.boost_kpa[trace.rpm > 5000.0]))


def both(zero_kpa: float) -> dict[str, np.ndarray]:
    absolute = _LOG["boost_kpa"] + AMBIENT_KPA
    return {"Ladedruck absolut [mbar]": 10.0 * absolute, "Ladedruck relativ [mbar]": 10.0 * (absolute - zero_kpa)}


def test_ambient_is_what_lies_between_absolute_and_gauge(tmp_path: Path) -> None:
    log = read(tmp_path / "log.csv", both(AMBIENT_KPA))
    assert plateau(log) == pytest.approx(PLATEAU_KPA, abs=0.5)  # under by 11 kPa with the standard atmosphere
    assert log.conditions.barometer_kpa == pytest.approx(AMBIENT_KPA, abs=0.01)
    assert log.conditions.barometer_from == "absolute boost less gauge boost"
    assert log.warnings == ()


def test_a_gauge_made_with_the_standard_atmosphere_tells_no_ambient(tmp_path: Path) -> None:
    log = read(tmp_path / "log.csv", both(STANDARD_ATMOSPHERE_KPA))
    assert log.conditions.known_barometer_kpa is None
    assert any("no barometer and no key-on reading" in warning for warning in log.warnings)


def test_the_job_files_barometer_comes_first(tmp_path: Path) -> None:
    log = read(tmp_path / "log.csv", both(AMBIENT_KPA), ReadOptions(barometer_kpa=89.5))
    assert (log.conditions.barometer_kpa, log.conditions.barometer_from) == (89.5, "the job file")


def three(gauge_kpa: np.ndarray) -> dict[str, np.ndarray]:
    absolute = _LOG["boost_kpa"] + AMBIENT_KPA
    return {"MAP (kPa)": absolute, "Boost (kPa)": gauge_kpa, "Baro (kPa)": np.full(absolute.size, AMBIENT_KPA)}


def test_a_gauge_under_absolute_boost_less_the_barometer_is_said(tmp_path: Path) -> None:
    columns = three(_LOG["boost_kpa"] + AMBIENT_KPA - STANDARD_ATMOSPHERE_KPA)
    (words,) = read(tmp_path / "log.csv", columns).warnings
    assert words.startswith("Boost [kPa] stands 11.3 kPa under MAP [kPa] less Baro [kPa]")
    named = ReadOptions(hints=ChannelHints(boost="MAP (kPa)"))
    assert plateau(read(tmp_path / "log.csv", columns, named)) == pytest.approx(PLATEAU_KPA, abs=0.5)
    decided = ReadOptions(hints=ChannelHints(boost="Boost (kPa)"))
    assert read(tmp_path / "log.csv", columns, decided).warnings == ()


@pytest.mark.parametrize("above_kpa", [-1.0, 0.0, 6.0])
def test_a_gauge_that_agrees_or_stands_over_it_is_not(tmp_path: Path, above_kpa: float) -> None:
    assert read(tmp_path / "log.csv", three(_LOG["boost_kpa"] + above_kpa)).warnings == ()


def test_absolute_boost_that_goes_on_where_the_gauge_is_at_its_top_is_asked_about(tmp_path: Path) -> None:
    """A gauge without noise, so that nothing in its own numbers tells it from well-regulated boost."""
    columns = three(np.minimum(_LOG["boost_kpa"], 80.0))
    words = r"MAP \[kPa\] reaches 11\d kPa gauge at 1\d\.\d\d s, and Boost \[kPa\], taken for boost, 80 in all"
    with pytest.raises(LogError, match=words):
        read(tmp_path / "log.csv", columns)
    named = ReadOptions(hints=ChannelHints(boost="MAP (kPa)"))
    assert plateau(read(tmp_path / "log.csv", columns, named)) == pytest.approx(PLATEAU_KPA, abs=0.5)


def test_a_spike_that_only_the_other_column_shows_is_said(tmp_path: Path) -> None:
    columns = three(_LOG["boost_kpa"])
    columns["MAP (kPa)"] = columns["MAP (kPa)"].copy()
    columns["MAP (kPa)"][300] += 30.0
    (words,) = read(tmp_path / "log.csv", columns).warnings
    assert words.startswith("MAP [kPa] reaches 14")
    assert 'boost = "MAP (kPa)" (or "Boost (kPa)")' in words


def test_a_gauge_ahead_of_a_throttle_that_is_not_open_stands_over_it_and_is_not_asked_about(tmp_path: Path) -> None:
    ahead = np.where(_LOG["throttle_pct"] > 90.0, _LOG["boost_kpa"] + 4.0, 0.0)
    assert read(tmp_path / "log.csv", three(ahead)).warnings == ()
