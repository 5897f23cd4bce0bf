"""Slip is cut out of the trace, a shift ends the pull, and a sweep downwards is never taken for a pull."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recommender.logs import Intake, ReadOptions, intake, write_log

from .recordings import Channels, boost_at, full_load_rows, recording, without

JUDGED = ReadOptions(judged=(3900.0, 6700.0))


def read(tmp_path: Path, channels: Channels) -> Intake:
    return intake(write_log(tmp_path / "log.csv", channels, "plain commas"), JUDGED)


def slipped(rate_hz: float, *, seconds: float, most_rpm: float) -> tuple[Channels, float, float]:
    """A sweep with one smooth burst of engine speed, and when it begins and ends."""
    channels = recording(rate_hz, noise_kpa=0.3, noise_rpm=8.0)
    start, _ = full_load_rows(channels)
    first, count = start + int(4.0 * rate_hz), int(seconds * rate_hz)
    channels["rpm"][first : first + count] += most_rpm * np.sin(np.pi * (np.arange(count) + 0.5) / count)
    return channels, float(channels["time_s"][first]), float(channels["time_s"][first + count])


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0])
@pytest.mark.parametrize(("seconds", "most_rpm"), [(0.4, 900.0), (0.8, 350.0)])
def test_slip_is_left_out_and_the_moment_is_said(
    tmp_path: Path, rate_hz: float, seconds: float, most_rpm: float
) -> None:
    channels, first_s, last_s = slipped(rate_hz, seconds=seconds, most_rpm=most_rpm)
    (pull,) = [pull for pull in read(tmp_path, channels).pulls if pull.usable]
    (remark,) = [remark for remark in pull.quality.remarks if remark.code == "slip"]
    assert "left out" in remark.text
    assert remark.time_s == pytest.approx(first_s, abs=0.25)
    trace = pull.trace
    assert np.ptp(trace.rpm) > 4700.0
    # Boost belongs to engine speed again everywhere: without the cut it is off by far more at the burst's top.
    off = np.abs(trace.boost_kpa - boost_at(trace.rpm))
    assert off.max() < 4.0 + 0.12 * 90.0  # noise, and what the smallest burst that counts is worth on the spool line
    inside = (trace.time_s > first_s + 0.3 * seconds) & (trace.time_s < last_s - 0.3 * seconds)
    assert np.count_nonzero(inside) <= 1


def test_the_highest_boost_of_a_pull_is_kept_even_in_slip(tmp_path: Path) -> None:
    channels, first_s, _ = slipped(20.0, seconds=0.6, most_rpm=700.0)
    row = int(np.searchsorted(channels["time_s"], first_s + 0.3))
    channels["boost_kpa"][row] = 152.0
    (pull,) = [pull for pull in read(tmp_path, channels).pulls if pull.usable]
    assert pull.trace.boost_kpa.max() == pytest.approx(152.0, abs=0.01)
    assert pull.trace.rpm[int(np.argmax(pull.trace.boost_kpa))] == pytest.approx(4150.0, abs=120.0)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("rate_hz", [4.0, 20.0, 100.0])
def test_a_sweep_without_slip_loses_nothing(tmp_path: Path, rate_hz: float, seed: int) -> None:
    channels = recording(rate_hz, seed=seed)
    start, last = full_load_rows(channels)
    (pull,) = read(tmp_path, channels).pulls
    assert not [remark for remark in pull.quality.remarks if remark.code == "slip"]
    assert pull.trace.rpm.size >= 0.97 * (last - start)


@pytest.mark.parametrize("throttle", [True, False])
@pytest.mark.parametrize(("rate_hz", "share", "seconds"), [(20.0, 0.5, 0.3), (20.0, 0.85, 0.8), (50.0, 0.5, 0.5)])
def test_engine_speed_misread_for_a_moment_does_not_part_a_pull(
    tmp_path: Path, rate_hz: float, share: float, seconds: float, throttle: bool
) -> None:
    """Read at half for 0.3 s, engine speed had put full boost at 2105 rpm, in what was taken for a whole pull."""
    channels = recording(rate_hz, noise_kpa=0.3, noise_rpm=8.0)
    start, _ = full_load_rows(channels)
    first = start + int(5.0 * rate_hz)
    channels["rpm"][first : first + int(seconds * rate_hz)] *= share
    log = channels if throttle else without(channels, "throttle_pct")
    (pull,) = read(tmp_path, log).pulls
    assert "left out" in next(remark.text for remark in pull.quality.remarks if remark.code == "slip")
    assert np.ptp(pull.trace.rpm) > 4600.0
    assert np.abs(pull.trace.boost_kpa - boost_at(pull.trace.rpm)).max() < 4.0  # noise; 50 and more without the cut


def test_a_limiter_at_the_end_of_a_pull_is_no_misread_engine_speed(tmp_path: Path) -> None:
    """Taken for that, its bounce had cost the last 600 rpm of the pull."""
    channels = recording(20.0, noise_kpa=0.3, noise_rpm=8.0)
    _, last = full_load_rows(channels)
    time = channels["time_s"][last - 16 : last + 1]
    channels["rpm"][last - 16 : last + 1] = 6550.0 + 150.0 * np.sign(np.sin(2.0 * np.pi * 8.0 * time))
    pull = read(tmp_path, channels).pulls[0]
    assert pull.trace.rpm.max() > 6400.0


def test_a_shift_ends_the_pull(tmp_path: Path) -> None:
    channels = recording(20.0)
    start, last = full_load_rows(channels)
    middle = (start + last) // 2
    channels["rpm"][middle : last + 1] -= 1600.0
    first, second = (pull for pull in read(tmp_path, channels).pulls if pull.kind == "sweep")
    assert first.trace.rpm[-1] > channels["rpm"][middle - 10] - 120.0
    assert np.all(np.abs(first.trace.boost_kpa - boost_at(first.trace.rpm)) < 13.0)  # noise
    assert second.start_s >= channels["time_s"][middle] - 0.1
    assert "after shift" in {remark.code for remark in second.quality.remarks}


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0])
def test_a_shift_down_within_the_pull_is_refused_with_the_moment(tmp_path: Path, rate_hz: float) -> None:
    """From 3000 to 4500 rpm in 0.3 s, and on from there."""
    channels = recording(rate_hz, noise_rpm=8.0)
    start, last = full_load_rows(channels)
    full = slice(start, last + 1)
    since = channels["time_s"][full] - channels["time_s"][start]
    channels["rpm"][full] = np.interp(since, [0.0, 3.0, 3.3, 10.0], [2200.0, 3000.0, 4500.0, 6800.0])
    (pull,) = [pull for pull in read(tmp_path, channels).pulls if pull.kind == "sweep"]
    assert not pull.usable
    (remark,) = [remark for remark in pull.quality.remarks if remark.code == "shift within"]
    assert remark.time_s == pytest.approx(channels["time_s"][start] + 3.0, abs=0.25)
    assert "Hold one gear" in remark.text


@pytest.mark.parametrize("seconds", [2.2, 4.0, 12.0])
def test_a_quick_even_sweep_is_no_shift(tmp_path: Path, seconds: float) -> None:
    log = read(tmp_path, recording(50.0, sweep_s=seconds))
    assert [pull.quality.verdict for pull in log.pulls if pull.kind == "sweep"] == ["taken"]


@pytest.mark.parametrize("throttle", [True, False])
@pytest.mark.parametrize("seconds", [6.0, 12.0, 60.0])
def test_a_sweep_downwards_is_refused_with_the_reason(tmp_path: Path, seconds: float, throttle: bool) -> None:
    channels = recording(20.0, sweep_s=seconds, rpm_from=6800.0, rpm_to=2300.0)
    log = read(tmp_path, channels if throttle else without(channels, "throttle_pct"))
    assert not [pull for pull in log.pulls if pull.usable]
    (words,) = [warning for warning in log.warnings if "sweep downwards" in warning]
    start, _ = full_load_rows(channels)
    assert 6500.0 < float(words.split("falls from ")[1].split()[0]) < 6850.0
    assert float(words.split()[1]) == pytest.approx(channels["time_s"][start], abs=4.0 if not throttle else 0.3)


def test_up_and_down_again_under_full_load_is_one_pull(tmp_path: Path) -> None:
    up, down = recording(20.0, around=False), recording(20.0, around=False, rpm_from=7000.0, rpm_to=2000.0)
    both = {name: np.concatenate([up[name], down[name]]) for name in up}
    both["time_s"] = np.arange(both["rpm"].size) / 20.0
    log = read(tmp_path, both)
    (pull,) = [pull for pull in log.pulls if pull.usable]
    assert pull.trace.time_s[-1] <= 10.0 + 0.2 + 0.75  # the end, the drop that counts as one, and a spike after it
    assert [warning for warning in log.warnings if "sweep downwards" in warning]
