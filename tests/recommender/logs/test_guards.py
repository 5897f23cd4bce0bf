"""Guard channels: bounds passed are found with moment and value; trends towards them are told before."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recommender.logs import FoundPull, Guard, ReadOptions, intake, write_log

from .recordings import Channels, full_load_rows, recording

GUARDS = {"lambda": Guard(highest=0.86), "exhaust_c": Guard(highest=930.0), "knock": Guard(highest=3.0)}


def the_pull(tmp_path: Path, channels: Channels, guards: dict[str, Guard] | None = None) -> FoundPull:
    path = write_log(tmp_path / "log.csv", channels, "plain commas")
    return intake(path, ReadOptions(guards=GUARDS if guards is None else guards)).pulls[0]


def test_a_sound_pull_finds_nothing(tmp_path: Path) -> None:
    assert the_pull(tmp_path, recording(20.0)).guard_findings == ()


def test_a_guard_watches_where_its_channel_gave_readings(tmp_path: Path) -> None:
    channels = recording(20.0)
    assert the_pull(tmp_path, channels).watched == tuple(name for name in GUARDS if name in channels)
    first, last = full_load_rows(channels)
    channels["lambda"][first : last + 1] = np.nan  # the probe was silent in the pull itself
    assert "lambda" not in the_pull(tmp_path, channels).watched


@pytest.mark.parametrize("blank", ["rpm", "boost_kpa", "time_s"])
def test_a_guard_passed_where_engine_speed_boost_or_time_is_blank_counts(tmp_path: Path, blank: str) -> None:
    channels = recording(20.0)
    row = full_load_rows(channels)[0] + 120
    moment, speed = channels["time_s"][row], channels["rpm"][row]
    channels["knock"][row] = 5.0
    channels[blank][row] = np.nan
    (found,) = the_pull(tmp_path, channels).guard_findings
    assert (found.kind, found.role, found.value) == ("passed", "knock", 5.0)
    assert found.time_s == pytest.approx(moment)
    assert found.rpm == pytest.approx(speed, abs=60.0)


def test_lambda_past_its_highest(tmp_path: Path) -> None:
    channels = recording(20.0)
    first, _ = full_load_rows(channels)
    channels["lambda"][first + 150 : first + 156] = [0.865, 0.88, 0.91, 0.9, 0.87, 0.85]
    (finding,) = the_pull(tmp_path, channels).guard_findings
    assert (finding.role, finding.kind, finding.bound, finding.value) == ("lambda_", "passed", 0.86, 0.91)
    assert finding.time_s == pytest.approx(channels["time_s"][first + 150])
    assert finding.rpm == pytest.approx(channels["rpm"][first + 150], abs=1.0)
    assert "lambda passed its highest of 0.86" in finding.text


@pytest.mark.parametrize(("share", "counts"), [((-1.0, 0.2), False), ((0.4, 0.6), True)])
def test_lambda_counts_once_boost_comes_up_and_not_in_part_load_before(
    tmp_path: Path, share: tuple[float, float], counts: bool
) -> None:
    """Lean at half of the highest boost is lean under boost."""
    channels = recording(20.0)
    first, last = full_load_rows(channels)
    boost = channels["boost_kpa"] / channels["boost_kpa"].max()
    there = (boost > share[0]) & (boost < share[1]) & (np.arange(boost.size) >= first) & (np.arange(boost.size) <= last)
    assert there.sum() >= 6
    channels["lambda"][there] = 1.0
    found = the_pull(tmp_path, channels).guard_findings
    assert [finding.value for finding in found] == ([1.0] if counts else [])


@pytest.mark.parametrize("after", [10, 120])
def test_one_count_of_knock_is_enough(tmp_path: Path, after: int) -> None:
    """Before boost is up as well: only lambda has to wait for it."""
    channels = recording(20.0)
    row = full_load_rows(channels)[0] + after
    assert (channels["boost_kpa"][row] < 0.2 * channels["boost_kpa"].max()) == (after == 10)
    channels["knock"][row] = 4.0
    (finding,) = the_pull(tmp_path, channels).guard_findings
    assert (finding.role, finding.kind, finding.value) == ("knock", "passed", 4.0)


def test_knock_outside_the_pull_is_not_the_pulls(tmp_path: Path) -> None:
    channels = recording(20.0)
    first, _ = full_load_rows(channels)
    channels["knock"][first - 80] = 9.0
    assert the_pull(tmp_path, channels).guard_findings == ()


def test_exhaust_temperature_rising_with_boost_is_told_before(tmp_path: Path) -> None:
    """6 °C a kPa, 905 °C at the top: 20 kPa more would be about 1025 °C, past 930."""
    channels = recording(20.0, noise_kpa=0.5)
    channels["exhaust_c"] = np.clip(905.0 - 6.0 * (110.0 - channels["boost_kpa"]), 300.0, 905.0)
    (finding,) = the_pull(tmp_path, channels).guard_findings
    assert (finding.role, finding.kind) == ("exhaust_c", "approaching")
    assert finding.value == pytest.approx(1025.0, abs=15.0)
    assert "as boost rises" in finding.text


def test_a_lowest_bound(tmp_path: Path) -> None:
    channels = recording(20.0)
    first, _ = full_load_rows(channels)
    channels["lambda"][first + 150] = 0.66
    (finding,) = the_pull(tmp_path, channels, {"lambda_": Guard(lowest=0.70)}).guard_findings
    assert (finding.kind, finding.value) == ("passed", 0.66)
    assert finding.time_s == pytest.approx(channels["time_s"][first + 150])
    assert "passed its lowest of 0.7" in finding.text
    assert the_pull(tmp_path, recording(20.0), {"lambda_": Guard(lowest=0.70)}).guard_findings == ()


def test_what_was_passed_comes_first(tmp_path: Path) -> None:
    channels = recording(20.0, noise_kpa=0.5)
    first, _ = full_load_rows(channels)
    channels["exhaust_c"] = np.clip(905.0 - 6.0 * (110.0 - channels["boost_kpa"]), 300.0, 905.0)
    channels["knock"][first + 120] = 7.0
    findings = the_pull(tmp_path, channels).guard_findings
    assert [finding.kind for finding in findings] == ["passed", "approaching"]
