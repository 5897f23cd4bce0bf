"""Load of a pull: without a pedal, with a throttle that does not follow it; and a last line cut within quotes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recommender.logs import ChannelHints, Dialect, FoundPull, ReadOptions, intake, write_log

from .recordings import Channels, boost_at, full_load_rows, recording, without


def only_pull(path: Path, channels: Channels) -> FoundPull:
    log = intake(
        write_log(path, without(channels, "throttle_pct"), Dialect()), ReadOptions(default_pressure_unit="kPa")
    )
    assert len(log.pulls) == 1
    return log.pulls[0]


def in_the_sweep(channels: Channels, level_kpa: float, share: np.ndarray) -> Channels:
    """Boost moved to a level with the gauge's noise by ``share``, spread over the sweep. [kPa gauge], [-]"""
    first, last = full_load_rows(channels)
    x = np.linspace(0.0, 1.0, last - first + 1)
    weight = np.interp(x, np.linspace(0.0, 1.0, share.size), share)
    boost = channels["boost_kpa"].copy()
    boost[first : last + 1] = (1.0 - weight) * boost[first : last + 1] + weight * (
        level_kpa + np.random.default_rng(1).normal(0.0, 0.8, x.size)
    )
    return {**channels, "boost_kpa": boost}


@pytest.mark.parametrize("seed", range(3))
def test_a_whole_pull_is_taken_and_its_load_said_to_be_inferred(tmp_path: Path, seed: int) -> None:
    found = only_pull(tmp_path / "log.csv", recording(seed=seed))
    assert found.usable
    assert "load inferred" in [remark.code for remark in found.quality.remarks]


@pytest.mark.parametrize("seed", range(3))
def test_throttle_rolled_on_within_the_sweep_is_refused(tmp_path: Path, seed: int) -> None:
    rolled = in_the_sweep(recording(seed=seed), -30.0, np.array([1.0] * 5 + [0.0] * 6))
    found = only_pull(tmp_path / "log.csv", rolled)
    assert not found.usable
    assert "not open from the start" in found.quality.remarks[0].text


@pytest.mark.parametrize(("heading", "usable"), [(None, True), ("Barometer [kPa]", False)])
def test_high_up_vacuum_against_an_assumed_barometer_tells_no_throttle(
    tmp_path: Path, heading: str | None, usable: bool
) -> None:
    """The same absolute readings: full load at 1500 m, or a throttle half shut where a barometer says sea level."""
    late = recording()
    first, last = full_load_rows(late)
    boost = late["boost_kpa"] + 84.0
    boost[first : last + 1] = boost_at(late["rpm"][first : last + 1] - 900.0) + 84.0
    columns = {"Time [s]": late["time_s"], "Engine Speed [rpm]": late["rpm"], "MAP [kPa]": boost}
    if heading is not None:
        columns[heading] = np.full(boost.size, 101.3)
    path = tmp_path / "log.csv"
    table = np.column_stack(list(columns.values()))
    np.savetxt(path, table, fmt="%.2f", delimiter=",", header=",".join(columns), comments="")
    found = intake(path, ReadOptions(default_pressure_unit="kPa", hints=ChannelHints(boost_is="absolute")))
    assert [pull.usable for pull in found.pulls] == [usable]


@pytest.mark.parametrize("seed", range(3))
def test_boost_let_go_of_and_taken_up_again_is_refused(tmp_path: Path, seed: int) -> None:
    lifted = in_the_sweep(recording(seed=seed), 5.0, np.array([0.0] * 13 + [1.0] * 2 + [0.0] * 5))
    found = only_pull(tmp_path / "log.csv", lifted)
    assert not found.usable
    assert "lifted within the sweep" in found.quality.remarks[0].text


def test_with_a_pedal_nothing_is_inferred(tmp_path: Path) -> None:
    log = intake(write_log(tmp_path / "log.csv", recording(), Dialect()), ReadOptions(default_pressure_unit="kPa"))
    assert [remark.code for remark in log.pulls[0].quality.remarks] == []


def with_flap(path: Path, flap: np.ndarray, heading: str = "Throttle Position (%)") -> FoundPull:
    """The only pull of a log with pedal and throttle."""
    log = recording()
    columns = {"Time (s)": log["time_s"], "RPM": log["rpm"], "Boost (kPa)": log["boost_kpa"]}
    columns |= {"Accelerator Pedal (%)": log["throttle_pct"], heading: flap}
    np.savetxt(path, np.column_stack(list(columns.values())), "%.2f", ",", header=",".join(columns), comments="")
    (pull,) = intake(path).pulls
    return pull


@pytest.mark.parametrize("heading", ["Throttle Position (%)", "Absolute throttle position B (%)", "Drosselklappe"])
def test_a_throttle_that_closes_while_the_pedal_is_down_is_said(tmp_path: Path, heading: str) -> None:
    log = recording()
    first, last = full_load_rows(log)
    flap = log["throttle_pct"].copy()
    flap[first + 100 : last + 1] = np.linspace(100.0, 40.0, last - first - 99)
    pull = with_flap(tmp_path / "log.csv", flap, heading)
    assert pull.quality.verdict == "taken with a warning"
    (found,) = pull.quality.remarks
    assert "closes from 100 to 40, at 5" in found.text
    assert "while the pedal is down: the engine control takes load away" in found.text


def test_a_throttle_that_opens_after_the_pedal_and_closes_with_it_is_not_said(tmp_path: Path) -> None:
    log = recording()
    first, _ = full_load_rows(log)
    flap = 0.8 * log["throttle_pct"]
    flap[first : first + 40] = np.linspace(10.0, 80.0, 40)
    assert with_flap(tmp_path / "log.csv", flap).quality.remarks == ()
    assert with_flap(tmp_path / "log.csv", np.zeros(flap.size)).quality.remarks == ()


@pytest.mark.parametrize("lost", [2, 9, 25])
def test_a_file_that_ends_within_quotes_is_read_up_to_there(tmp_path: Path, lost: int) -> None:
    path = write_log(tmp_path / "log.csv", recording(), Dialect(quoted=True))
    whole = intake(path, ReadOptions(default_pressure_unit="kPa"))
    data = path.read_bytes()[:-lost]
    path.write_bytes(data if data.rpartition(b"\n")[2].count(b'"') % 2 else data[:-1])
    log = intake(path, ReadOptions(default_pressure_unit="kPa"))
    assert any("cut short within a quoted cell" in words for words in log.warnings)
    assert np.array_equal(log.pulls[0].trace.boost_kpa, whole.pulls[0].trace.boost_kpa)
