"""Where pulls begin and end: several in a file, aborted, held, after a gear shift, with a spike at the lift."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recommender.logs import FinderOptions, FoundPull, Intake, ReadOptions, intake, write_log

from .recordings import Channels, full_load_rows, joined, recording, without

JUDGED = ReadOptions(judged=(3900.0, 6700.0))


def read(tmp_path: Path, channels: Channels, options: ReadOptions = JUDGED) -> Intake:
    return intake(write_log(tmp_path / "log.csv", channels, "plain commas"), options)


def the_pull(tmp_path: Path, channels: Channels, options: ReadOptions = JUDGED) -> FoundPull:
    usable = [pull for pull in read(tmp_path, channels, options).pulls if pull.usable]
    assert len(usable) == 1
    return usable[0]


def codes(pull: FoundPull) -> set[str]:
    return {remark.code for remark in pull.quality.remarks}


@pytest.mark.parametrize("throttle", [True, False])
@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 100.0])
@pytest.mark.parametrize("seed", range(4))
def test_starts_after_the_wait_and_ends_at_the_top(tmp_path: Path, throttle: bool, rate_hz: float, seed: int) -> None:
    channels = recording(rate_hz, seed=seed)
    first, last = full_load_rows(channels)
    pull = the_pull(tmp_path, channels if throttle else without(channels, "throttle_pct"))
    assert pull.kind == "sweep"
    assert pull.quality.verdict == "taken"
    # A start hidden in noise of 20 rpm at 500 rpm/s may be 0.5 s off, the end 0.3 s.
    assert pull.trace.time_s[0] == pytest.approx(channels["time_s"][first], abs=0.5)
    assert pull.trace.time_s[-1] == pytest.approx(channels["time_s"][last], abs=0.3)


@pytest.mark.parametrize("throttle", [True, False])
@pytest.mark.parametrize("rows_after", [1, 2, 6, 12])
def test_a_spike_at_the_lift_is_kept(tmp_path: Path, throttle: bool, rows_after: int) -> None:
    """Boost that shoots up when the throttle shuts is the pull's peak: up to 0.6 s after the lift at 20 Hz."""
    channels = recording(20.0)
    _, last = full_load_rows(channels)
    channels["boost_kpa"][last + 1 : last + rows_after] = 105.0
    channels["boost_kpa"][last + rows_after] = 171.0
    pull = the_pull(tmp_path, channels if throttle else without(channels, "throttle_pct"))
    assert pull.trace.boost_kpa.max() == pytest.approx(171.0, abs=0.01)
    assert pull.trace.time_s[-1] == pytest.approx(channels["time_s"][last + rows_after], abs=1e-6)


@pytest.mark.parametrize(("shut_pct", "told"), [(2.0, True), (84.0, False)])
def test_a_pull_lifted_early_is_told_by_a_throttle_that_shuts(tmp_path: Path, shut_pct: float, told: bool) -> None:
    """Full throttle for most of the log, at low boost for most of it: a lifted pull, or a flap that stands open."""
    channels = recording(20.0, rpm_from=2000.0, rpm_to=3400.0)
    first, last = full_load_rows(channels)
    log = {name: values[first - 40 : last + 41] for name, values in channels.items()}
    full = log["throttle_pct"] > 50.0
    assert full.mean() > 0.5
    assert np.median(log["boost_kpa"][full]) < 0.3 * log["boost_kpa"].max()
    log["throttle_pct"][~full] = shut_pct
    found = read(tmp_path, log)
    assert bool([words for words in found.warnings if "throttle stands open" in words]) != told
    assert len(found.pulls) == 1


@pytest.mark.parametrize("throttle", [True, False])
def test_a_spike_while_spooling_at_held_rpm_is_kept(tmp_path: Path, throttle: bool) -> None:
    """Full throttle at held rpm, a spike, then the sweep: the spike is part of the pull where the throttle shows it."""
    channels = recording(20.0)
    first, _ = full_load_rows(channels)
    channels["throttle_pct"][first - 30 : first] = 100.0
    channels["boost_kpa"][first - 30 : first] = 30.0
    channels["boost_kpa"][first - 12] = 180.0
    log = read(tmp_path, channels if throttle else without(channels, "throttle_pct"))
    assert log.highest_boost_kpa == pytest.approx(180.0, abs=0.01)
    if throttle:
        assert log.pulls[0].trace.boost_kpa.max() == pytest.approx(180.0, abs=0.01)


def test_a_spike_in_the_last_row_of_a_file_without_line_end(tmp_path: Path) -> None:
    channels = recording(20.0, around=False)
    channels["boost_kpa"][-1] = 190.0
    path = write_log(tmp_path / "log.csv", channels, "short names")
    path.write_bytes(path.read_bytes().rstrip())
    pull = intake(path, ReadOptions(default_pressure_unit="psi")).pulls[0]
    assert pull.trace.boost_kpa.max() == pytest.approx(190.0, abs=0.01)


@pytest.mark.parametrize("throttle", [True, False])
def test_aborted_pull_is_evidence_up_to_where_it_ends(tmp_path: Path, throttle: bool) -> None:
    channels = recording(20.0, rpm_to=5200.0, sweep_s=6.4)
    pull = the_pull(tmp_path, channels if throttle else without(channels, "throttle_pct"))
    assert pull.aborted
    assert pull.quality.verdict == "taken with a warning"
    (remark,) = [remark for remark in pull.quality.remarks if remark.code == "ends early"]
    assert "it counts up to there" in remark.text
    assert pull.trace.rpm[-1] == pytest.approx(5200.0, abs=100.0)


def test_a_lone_stab_of_the_throttle_is_still_evidence(tmp_path: Path) -> None:
    channels = recording(20.0, rpm_from=2600.0, rpm_to=2950.0, sweep_s=1.5)
    pull = the_pull(tmp_path, channels)
    assert pull.kind == "partial"
    assert pull.aborted
    assert pull.quality.verdict == "taken with a warning"


@pytest.mark.parametrize("throttle", [True, False])
def test_three_pulls_in_one_file(tmp_path: Path, throttle: bool) -> None:
    channels = joined(*(recording(20.0, seed=seed, plateau_kpa=100.0 + 5 * seed) for seed in range(3)))
    log = read(tmp_path, channels if throttle else without(channels, "throttle_pct"))
    usable = [pull for pull in log.pulls if pull.usable]
    assert [pull.kind for pull in usable] == ["sweep"] * 3
    for seed, pull in enumerate(usable):
        assert np.median(pull.trace.boost_kpa[pull.trace.rpm > 5000]) == pytest.approx(100.0 + 5 * seed, abs=1.0)


def test_a_gear_shift_under_full_load_parts_two_sweeps(tmp_path: Path) -> None:
    first, second = recording(20.0, around=False), recording(20.0, around=False, rpm_from=4200.0, seed=1)
    log = read(tmp_path, joined(first, second))
    assert [pull.kind for pull in log.pulls] == ["sweep", "sweep"]
    assert "after shift" in codes(log.pulls[1])
    assert log.pulls[1].trace.rpm[0] == pytest.approx(4200.0, abs=150.0)


def test_held_rpm_run(tmp_path: Path) -> None:
    channels = recording(20.0)
    first, last = full_load_rows(channels)
    channels["rpm"][first : last + 1] = 4000.0 + np.random.default_rng(2).normal(0, 15, last + 1 - first)
    pull = the_pull(tmp_path, channels)
    assert pull.kind == "held rpm"
    assert not pull.aborted
    assert np.ptp(pull.trace.time_s) > 9.0
    assert pull.trace.rpm.mean() == pytest.approx(4000.0, abs=5.0)


def test_a_brake_that_hunts_parts_no_run_at_held_rpm(tmp_path: Path) -> None:
    """Engine speed fell by more than it may within a sweep: only the run's first seconds had counted."""
    channels = recording(20.0)
    first, last = full_load_rows(channels)
    hunting = 60.0 * np.sin(2.0 * np.pi * channels["time_s"][first : last + 1] / 3.0)
    channels["rpm"][first : last + 1] = 4000.0 + hunting
    pull = the_pull(tmp_path, channels)
    assert pull.kind == "held rpm"
    assert np.ptp(pull.trace.time_s) > 9.0


def test_held_rpm_run_without_throttle(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    count = 200
    channels = {
        "time_s": np.arange(count) / 20.0,
        "rpm": 4000.0 + rng.normal(0, 15, count),
        "boost_kpa": 80.0 + rng.normal(0, 1.5, count),
    }
    pull = the_pull(tmp_path, channels)
    assert pull.kind == "held rpm"


def test_part_load_rises_are_not_pulls(tmp_path: Path) -> None:
    """Without throttle: a drive up through the rpm at a third of the boost is no pull."""
    drive = recording(20.0, plateau_kpa=30.0, seed=4)
    channels = without(joined(drive, recording(20.0)), "throttle_pct")
    pull = the_pull(tmp_path, channels)
    assert pull.trace.boost_kpa.max() > 100.0


def test_finder_options_rule(tmp_path: Path) -> None:
    channels = recording(20.0)
    strict = ReadOptions(finder=FinderOptions(least_rise_rpm=6000.0))
    log = read(tmp_path, channels, strict)
    assert [pull.kind for pull in log.pulls] == ["partial"]
    low = ReadOptions(finder=FinderOptions(least_boost_kpa=50.0))
    assert [pull for pull in read(tmp_path, channels, low).pulls if pull.kind == "sweep"] == []


def test_nothing_found_says_what_was_there(tmp_path: Path) -> None:
    channels = recording(20.0)
    channels["rpm"] = np.full(channels["rpm"].size, 900.0) + np.random.default_rng(1).normal(0, 5, channels["rpm"].size)
    channels["throttle_pct"] = np.full(channels["rpm"].size, 30.0)
    log = read(tmp_path, channels, ReadOptions(finder=FinderOptions(throttle_pct=80.0)))
    assert log.pulls == ()
    assert "throttle reaches 30 %, full load is from 80 %" in log.warnings[-1]
    assert "Log a whole pull at full throttle" in log.warnings[-1]


def test_slow_throttle_channel(tmp_path: Path) -> None:
    """Throttle refreshed twice a second in a 20 Hz log: the sweep keeps its ends to half a second."""
    channels = recording(20.0)
    rows = np.arange(channels["throttle_pct"].size) // 10 * 10
    channels["throttle_pct"] = channels["throttle_pct"][rows]
    first, last = full_load_rows(recording(20.0))
    pull = the_pull(tmp_path, channels)
    assert pull.trace.time_s[0] == pytest.approx(first / 20.0, abs=0.8)
    assert pull.trace.time_s[-1] == pytest.approx(last / 20.0, abs=0.6)
    # The run-down is not part of the curve: no boost far under the plateau at the top.
    assert pull.trace.boost_kpa[-3:].min() > 90.0


def test_recording_that_begins_and_ends_within_the_sweep(tmp_path: Path) -> None:
    pull = the_pull(tmp_path, recording(20.0, around=False, rpm_from=2400.0, rpm_to=6750.0))
    assert pull.quality.verdict == "taken"
    assert not pull.aborted


@pytest.mark.parametrize("throttle", [True, False])
@pytest.mark.parametrize("seed", range(3))
def test_bouncing_on_the_rev_limiter_leaves_the_sweep_whole(tmp_path: Path, throttle: bool, seed: int) -> None:
    sweep = recording(20.0, around=False, seed=seed)
    limiter = recording(20.0, around=False, rpm_from=6980.0, rpm_to=6990.0, sweep_s=3.0, noise_rpm=45.0, seed=seed)
    channels = joined(sweep, limiter)
    pull = read(tmp_path, channels if throttle else without(channels, "throttle_pct")).pulls[0]
    assert pull.trace.rpm[0] == pytest.approx(2000.0, abs=200.0)
    assert pull.trace.rpm.max() > 6850.0


@pytest.mark.parametrize("throttle", [True, False])
def test_a_road_pull_that_gathers_speed(tmp_path: Path, throttle: bool) -> None:
    """Engine speed that rises slowly before boost and three times as fast on boost."""
    channels = recording(20.0, around=False, sweep_s=12.0)
    share = np.linspace(0.0, 1.0, channels["rpm"].size)
    channels["rpm"] = 1900.0 + 5000.0 * (0.35 * share + 0.65 * share**2.5)
    channels["boost_kpa"] = 110.0 / (1.0 + np.exp(-(channels["rpm"] - 3300.0) / 250.0))
    pull = the_pull(tmp_path, channels if throttle else without(channels, "throttle_pct"))
    assert pull.trace.rpm[0] == pytest.approx(1900.0, abs=60.0)
    assert pull.quality.verdict == "taken"


@pytest.mark.parametrize("strays", [1, 2])
def test_a_stray_reading_of_the_throttle_tells_no_full_load(tmp_path: Path, strays: int) -> None:
    channels = recording(20.0)
    channels["throttle_pct"][30 : 30 + strays] = 255.0
    pull = the_pull(tmp_path, channels)
    assert pull.quality.remarks == ()
    assert pull.trace.rpm.max() > 6900.0
