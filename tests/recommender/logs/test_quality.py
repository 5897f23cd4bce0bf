"""Pulls that cannot be trusted are refused or warned of, with the reason and the moment."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from recommender.logs import Conditions, FoundPull, Intake, ReadOptions, Remark, intake, write_log

from .recordings import Channels, full_load_rows, joined, recording, without

JUDGED = ReadOptions(judged=(3900.0, 6700.0))


def read(tmp_path: Path, channels: Channels, options: ReadOptions = JUDGED, dialect: str = "plain commas") -> Intake:
    return intake(write_log(tmp_path / "log.csv", channels, dialect), options)


def first(
    tmp_path: Path, channels: Channels, options: ReadOptions = JUDGED, dialect: str = "plain commas"
) -> FoundPull:
    return read(tmp_path, channels, options, dialect).pulls[0]


def remark(pull: FoundPull, code: str) -> Remark:
    found = [remark for remark in pull.quality.remarks if remark.code == code]
    assert found, f"no remark {code!r} among {pull.quality}"
    return found[0]


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("rate_hz", [10.0, 25.0, 100.0])
def test_a_sound_pull_has_no_remark(tmp_path: Path, seed: int, rate_hz: float) -> None:
    pull = first(tmp_path, recording(rate_hz, seed=seed))
    assert pull.quality.verdict == "taken"
    assert pull.quality.remarks == ()


def test_gauge_pinned_at_its_top(tmp_path: Path) -> None:
    channels = recording(20.0, plateau_kpa=130.0)
    channels["boost_kpa"] = np.minimum(channels["boost_kpa"], 120.0)
    pull = first(tmp_path, channels)
    assert pull.quality.verdict == "refused"
    found = remark(pull, "pinned")
    assert "gauge is at its top" in found.text
    start, _ = full_load_rows(channels)
    assert found.time_s is not None
    assert found.time_s > channels["time_s"][start]


@pytest.mark.parametrize(("top_kpa", "refused"), [(255.0, True), (254.0, False)])
def test_manifold_pressure_at_the_most_that_one_byte_holds_is_refused(
    tmp_path: Path, top_kpa: float, refused: bool
) -> None:
    """However short, and in a log without noise: what boost was above it nobody knows."""
    channels = recording(20.0, plateau_kpa=130.0, noise_kpa=0.0)
    start, _ = full_load_rows(channels)
    channels["boost_kpa"][start + 100 : start + 102] = top_kpa - 98.3
    pull = first(tmp_path, channels, dialect="units row, absolute and barometer")
    assert pull.trace.boost_kpa.max() == pytest.approx(top_kpa - 98.3, abs=0.05)
    assert (pull.quality.verdict == "refused") == refused
    if refused:
        assert "255 kPa, the most that a one-byte reading can hold" in remark(pull, "pinned").text


def test_boost_far_under_ambient_at_full_load_is_refused(tmp_path: Path) -> None:
    """A gauge with its sign the other way round: the vacuum after the lift was taken for its highest boost."""
    channels = recording(20.0)
    channels["boost_kpa"] = -channels["boost_kpa"]
    pull = first(tmp_path, channels)
    assert pull.quality.verdict == "refused"
    assert "boost stands at -1" in remark(pull, "under ambient").text


@pytest.mark.parametrize(("channel", "word"), [("rpm", "engine speed stands"), ("boost_kpa", "boost stands")])
def test_frozen_channel(tmp_path: Path, channel: str, word: str) -> None:
    channels = recording(20.0)
    start, _ = full_load_rows(channels)
    channels[channel][start + 60 : start + 150] = channels[channel][start + 60]
    log = read(tmp_path, channels)
    refused = [pull for pull in log.pulls if pull.quality.verdict == "refused"]
    assert refused
    assert any(word in remark.text for pull in refused for remark in pull.quality.remarks)
    assert not [pull for pull in log.pulls if pull.usable and np.ptp(pull.trace.rpm) > 4000.0]


def test_boost_that_stands_still_for_a_second_is_said(tmp_path: Path) -> None:
    channels = recording(20.0)
    start, _ = full_load_rows(channels)
    channels["boost_kpa"][start + 130 : start + 150] = channels["boost_kpa"][start + 130]
    pull = first(tmp_path, channels)
    assert pull.quality.verdict == "taken with a warning"
    assert "for 1.0 s while it moves everywhere else: what it did then is not in the log" in remark(pull, "frozen").text


def test_boost_that_never_changes(tmp_path: Path) -> None:
    channels = recording(20.0)
    channels["boost_kpa"] = np.where(channels["throttle_pct"] > 90.0, 60.0, -40.0)
    pull = first(tmp_path, channels)
    assert pull.quality.verdict == "refused"
    assert "boost never changes" in remark(pull, "frozen").text


def test_gauge_and_barometer_disagree_at_key_on(tmp_path: Path) -> None:
    channels = recording(20.0)
    channels["rpm"][:40] = 0.0
    channels["boost_kpa"][:40] = 6.0
    pull = first(tmp_path, channels)
    assert pull.quality.verdict == "taken with a warning"
    assert "reads +6.0 kPa" in remark(pull, "gauge and barometer disagree").text


def test_few_dropped_samples_are_warned_of_and_many_refused(tmp_path: Path) -> None:
    channels = recording(20.0)
    start, last = full_load_rows(channels)
    few = {name: np.delete(values, np.arange(start + 100, start + 106)) for name, values in channels.items()}
    pull = first(tmp_path, few)
    assert pull.quality.verdict == "taken with a warning"
    found = remark(pull, "dropped samples")
    assert found.time_s == pytest.approx(channels["time_s"][start + 99], abs=0.06)
    many = {name: np.delete(values, np.arange(start + 60, last - 40)) for name, values in channels.items()}
    assert first(tmp_path, many).quality.verdict == "refused"


def test_time_running_backwards(tmp_path: Path) -> None:
    channels = recording(20.0)
    start, last = full_load_rows(channels)
    middle = (start + last) // 2
    channels["time_s"][middle:] -= 7.0
    log = read(tmp_path, channels)
    assert any("time runs backwards after" in warning for warning in log.warnings)
    for pull in log.pulls:
        assert np.all(np.diff(pull.trace.time_s) > 0)
        assert np.ptp(pull.trace.rpm) < 4000.0


def test_two_recordings_in_one_file_each_with_its_own_clock(tmp_path: Path) -> None:
    channels = joined(recording(20.0), recording(20.0, seed=1))
    half = channels["time_s"].size // 2
    channels["time_s"][half:] -= channels["time_s"][half]
    log = read(tmp_path, channels)
    assert [pull.kind for pull in log.pulls if pull.usable] == ["sweep", "sweep"]


def test_throttle_not_full(tmp_path: Path) -> None:
    channels = recording(20.0)
    channels["throttle_pct"] = channels["throttle_pct"] * 0.62
    pull = first(tmp_path, channels)
    assert pull.quality.verdict == "taken with a warning"
    assert "throttle reads 62 % at the most" in remark(pull, "throttle not full").text


def test_sweep_too_fast_for_the_log(tmp_path: Path) -> None:
    """5000 rpm in 3 s at 2 Hz: 833 rpm between two samples."""
    channels = recording(2.0, sweep_s=3.5, noise_rpm=5.0)
    pull = read(tmp_path, channels).pulls[0]
    assert pull.quality.verdict == "refused"
    assert "too fast for a log of 2.0 Hz" in remark(pull, "too slow a log").text


def test_held_samples_are_seen_through(tmp_path: Path) -> None:
    """20 Hz rows over 4 Hz readings: the rate is 4 Hz, the trace holds readings only, and no spike can be ruled out."""
    channels = recording(20.0, sweep_s=14.0)
    for name in ("rpm", "boost_kpa"):
        rows = np.arange(channels[name].size) // 5 * 5
        channels[name] = channels[name][rows]
    pull = first(tmp_path, channels)
    assert pull.rate_hz["boost"] == pytest.approx(4.0, rel=0.02)
    assert pull.trace.rate_hz == pytest.approx(4.0, rel=0.02)
    assert not pull.overshoot_resolvable
    assert not pull.oscillation_resolvable
    assert pull.unseen_kpa > 0.0
    assert "4.0 times a second: overshoot and ringing" in remark(pull, "unresolvable").text


def test_the_highest_held_reading_is_kept(tmp_path: Path) -> None:
    channels = recording(20.0, sweep_s=14.0)
    for name in ("rpm", "boost_kpa"):
        rows = np.arange(channels[name].size) // 5 * 5
        channels[name] = channels[name][rows]
    start, _ = full_load_rows(channels)
    spike = (start + 150) // 5 * 5
    channels["boost_kpa"][spike : spike + 5] = 151.0
    assert first(tmp_path, channels).trace.boost_kpa.max() == pytest.approx(151.0, abs=0.01)


def test_intake_air_far_from_the_days_other_pulls(tmp_path: Path) -> None:
    day = tuple(Conditions(98.0, "barometer channel", intake_c=31.0, coolant_c=88.0) for _ in range(3))
    channels = recording(20.0)
    assert first(tmp_path, channels, replace(JUDGED, others=day)).quality.verdict == "taken"
    channels["intake_c"] = channels["intake_c"] + 28.0
    pull = first(tmp_path, channels, replace(JUDGED, others=day))
    assert pull.quality.verdict == "taken with a warning"
    assert "intake air at 59 °C, 31 °C on the other pulls" in remark(pull, "intake air differs").text


def test_one_hot_pull_among_three_in_a_file(tmp_path: Path) -> None:
    hot = recording(20.0, seed=2)
    hot["coolant_c"] = hot["coolant_c"] + 22.0
    log = read(tmp_path, joined(recording(20.0), recording(20.0, seed=1), hot))
    verdicts = [pull.quality.verdict for pull in log.pulls]
    assert verdicts == ["taken", "taken", "taken with a warning"]


def test_slip_is_a_jump_of_engine_speed(tmp_path: Path) -> None:
    channels = recording(20.0)
    start, _ = full_load_rows(channels)
    channels["rpm"][start + 90 : start + 97] += np.array([150, 420, 700, 700, 500, 300, 100])
    log = read(tmp_path, channels)
    slipped = [r for pull in log.pulls for r in pull.quality.remarks if r.code == "slip"]
    assert slipped
    assert "tyre or roller slip" in slipped[0].text


def test_pull_that_begins_inside_the_judged_range(tmp_path: Path) -> None:
    pull = first(tmp_path, recording(20.0, rpm_from=4600.0))
    assert pull.quality.verdict == "taken with a warning"
    assert "after the judged range's start at 3900" in remark(pull, "begins late").text


@pytest.mark.parametrize("blank", [slice(0, 3), slice(-2, None)])
def test_a_blank_throttle_cell_hides_nothing(tmp_path: Path, blank: slice) -> None:
    channels = recording(20.0)
    channels["throttle_pct"] = channels["throttle_pct"] * 0.62
    channels["throttle_pct"][blank] = np.nan
    text = remark(first(tmp_path, channels), "throttle not full").text
    assert "throttle reads 62 % at the most" in text


def test_throttle_may_be_missing(tmp_path: Path) -> None:
    pull = first(tmp_path, without(recording(20.0), "throttle_pct"))
    assert pull.quality.verdict == "taken"


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0])
@pytest.mark.parametrize("decimals", [1, 2, 4])
def test_a_log_without_noise_may_be_flat(tmp_path: Path, rate_hz: float, decimals: int) -> None:
    """A simulated log: straight rise, then exactly 16 psi to the end. Nothing in it says that the gauge is pinned."""
    rpm = np.linspace(2000.0, 7000.0, int(10 * rate_hz))
    boost = np.interp(rpm, [2000.0, 3600.0, 7000.0], [2.0, 16.0, 16.0])
    rows = [f"{k / rate_hz:.3f},{n:.0f},{p:.{decimals}f},100" for k, (n, p) in enumerate(zip(rpm, boost, strict=True))]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["Time (s),Engine Speed (rpm),Boost (psi),Throttle (%)", *rows]))
    (pull,) = intake(path, JUDGED).pulls
    assert pull.quality.verdict == "taken", pull.quality
    assert pull.trace.boost_kpa.max() == pytest.approx(16 * 6.894757, rel=1e-4)


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0])
def test_a_gauge_pinned_for_most_of_the_pull(tmp_path: Path, rate_hz: float) -> None:
    channels = recording(rate_hz, plateau_kpa=200.0, noise_kpa=0.3)
    channels["boost_kpa"] = np.minimum(channels["boost_kpa"], 100.0)
    assert remark(first(tmp_path, channels), "pinned").refuses


@pytest.mark.parametrize("noise_kpa", [0.8, 1.5])
def test_gauge_in_whole_kpa_pinned_at_its_top(tmp_path: Path, noise_kpa: float) -> None:
    channels = recording(10.0, plateau_kpa=170.0, noise_kpa=noise_kpa)
    channels["boost_kpa"] = np.minimum(np.round(channels["boost_kpa"]), 152.0)
    pull = first(tmp_path, channels, dialect="names with unit at the end")
    assert remark(pull, "pinned").refuses


@pytest.mark.parametrize("rate_hz", [4.0, 10.0, 25.0])
@pytest.mark.parametrize("noise_kpa", [0.0, 0.15])
def test_a_calm_gauge_in_whole_kpa_may_stand_at_its_highest(tmp_path: Path, rate_hz: float, noise_kpa: float) -> None:
    """Boost held well, read in whole kPa: the plateau is one number, and the rise to it is steep."""
    channels = recording(rate_hz, noise_kpa=noise_kpa)
    channels["boost_kpa"] = np.round(channels["boost_kpa"])
    assert first(tmp_path, channels, dialect="names with unit at the end").quality.verdict != "refused"


@pytest.mark.parametrize("stood_s", [0.7, 1.3])
def test_regulated_boost_in_whole_kpa_may_read_the_same_for_a_second(tmp_path: Path, stood_s: float) -> None:
    """Noise and wander of a sound gauge, and by chance the highest whole number a few times running."""
    channels = recording(10.0, noise_kpa=0.8)
    boost = np.round(channels["boost_kpa"])
    row = full_load_rows(channels)[0] + 60
    boost[row : row + round(stood_s * 10.0) + 1] = boost.max() + 1.0
    channels["boost_kpa"] = boost
    pull = first(tmp_path, channels, dialect="names with unit at the end")
    assert pull.quality.verdict == "taken with a warning"
    assert "or the gauge at its top" in remark(pull, "pinned").text
