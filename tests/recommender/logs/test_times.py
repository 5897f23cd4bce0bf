"""The times of a log: units that it does not name, coarse stamps, clocks that begin anew, rates above the names."""

from __future__ import annotations

import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from recommender.logs import ChannelHints, FoundPull, LogError, ReadOptions, intake

from .recordings import Channels, recording


def written(path: Path, channels: Channels, times: list[str], heading: str = "Time") -> Path:
    rows = zip(times, channels["rpm"], channels["boost_kpa"], channels["throttle_pct"], strict=True)
    lines = [f"{time},{rpm:.0f},{boost:.2f},{throttle:.0f}" for time, rpm, boost, throttle in rows]
    path.write_text("\n".join([f"{heading},RPM,Boost (kPa),Throttle (%)", *lines]) + "\n")
    return path


def only_pull(path: Path) -> FoundPull:
    (pull,) = intake(path).pulls
    return pull


def assert_the_sweep(pull: FoundPull) -> None:
    """Ten seconds from 2000 to 7000 rpm."""
    assert pull.usable
    assert pull.end_s - pull.start_s == pytest.approx(10.0, abs=0.3)
    assert float(np.ptp(pull.trace.rpm)) == pytest.approx(5000.0, abs=200.0)


@pytest.mark.parametrize("rate_hz", [10.0, 100.0, 500.0, 1000.0])
@pytest.mark.parametrize(("per_second", "digits"), [(1.0, 4), (1e3, 0), (1e6, 0), (1e9, 0)])
def test_times_without_a_unit(tmp_path: Path, rate_hz: float, per_second: float, digits: int) -> None:
    """The same recording in seconds, in their thousandths, millionths and billionths."""
    channels = recording(rate_hz, noise_rpm=5.0)
    times = [f"{time * per_second:.{digits}f}" for time in channels["time_s"]]
    assert_the_sweep(only_pull(written(tmp_path / "log.csv", channels, times)))


def test_milliseconds_in_bursts(tmp_path: Path) -> None:
    """Five rows a millisecond apart, twenty times a second."""
    channels = recording(100.0)
    rows = np.arange(channels["rpm"].size)
    path = written(tmp_path / "log.csv", channels, [str(time) for time in rows // 5 * 50 + rows % 5])
    assert_the_sweep(only_pull(path))
    (said,) = [words for words in intake(path).warnings if "times read in ms" in words]
    assert "engine speed would rise by" in said


@pytest.mark.parametrize(("per_second", "digits", "taken"), [(100.0, 0, "ms"), (1.0 / 60.0, 6, "s")])
@pytest.mark.parametrize("sweep_s", [5.0, 10.0, 20.0])
def test_hundredths_of_a_second_and_minutes_are_asked_about(
    tmp_path: Path, per_second: float, digits: int, taken: str, sweep_s: float
) -> None:
    channels = recording(20.0, sweep_s=sweep_s)
    times = [f"{time * per_second:.{digits}f}" for time in channels["time_s"]]
    with pytest.raises(LogError, match=rf"would rise by \d+ rpm in .* s if they were in {taken}. Write the unit"):
        intake(written(tmp_path / "log.csv", channels, times))


def test_a_unit_that_is_named_counts(tmp_path: Path) -> None:
    channels = recording(20.0, sweep_s=1.2, noise_rpm=5.0)
    for heading, per_second in (("Time (ms)", 1000.0), ("Time (min)", 1.0 / 60.0)):
        times = [f"{time * per_second:.6f}" for time in channels["time_s"]]
        assert only_pull(written(tmp_path / "log.csv", channels, times, heading)).trace.rpm.max() > 6500.0


@pytest.mark.parametrize(("heading", "per_second"), [("Time (ms)", 1.0), ("Time (s)", 1000.0), ("Time (min)", 1.0)])
def test_a_unit_that_is_named_and_cannot_be_is_asked_about(tmp_path: Path, heading: str, per_second: float) -> None:
    """Seconds under a heading of milliseconds were a pull of 0.01 s, on record as aborted."""
    channels = recording(20.0)
    times = [f"{time * per_second:.3f}" for time in channels["time_s"]]
    with pytest.raises(LogError, match=r"a sweep would rise by \d+ rpm in .*, as its heading says, which no"):
        intake(written(tmp_path / "log.csv", channels, times, heading))


def test_a_blip_before_the_pull_leaves_seconds_seconds(tmp_path: Path) -> None:
    channels = recording(50.0)
    channels["rpm"][50:75] = np.linspace(900.0, 7400.0, 25)  # half a second, no load
    channels["rpm"][75:100] = np.linspace(7400.0, 900.0, 25)
    times = [f"{time:.3f}" for time in channels["time_s"]]
    pulls = intake(written(tmp_path / "log.csv", channels, times)).pulls
    assert_the_sweep(pulls[-1])


@pytest.mark.parametrize("rate_hz", [20.0, 100.0])
def test_whole_seconds(tmp_path: Path, rate_hz: float) -> None:
    channels = recording(rate_hz)
    times = [f"15:42:{int(time):02d}" for time in channels["time_s"]]
    assert_the_sweep(only_pull(written(tmp_path / "log.csv", channels, times)))


def test_whole_seconds_with_one_step_back(tmp_path: Path) -> None:
    """Two recordings, the clock of the second an earlier one: no row is lost."""
    channels = recording(20.0, noise_kpa=0.3)
    row = int(np.flatnonzero(channels["rpm"] > 5000.0)[3])
    channels["boost_kpa"][row : row + 4] = 165.0
    times = [f"15:{minute}:{int(time):02d}" for minute in (42, 40) for time in channels["time_s"]]
    twice = {name: np.concatenate([values, values]) for name, values in channels.items()}
    found = intake(written(tmp_path / "log.csv", twice, times))
    assert len(found.pulls) == 2
    for pull in found.pulls:
        assert_the_sweep(pull)
        assert pull.trace.boost_kpa.max() == 165.0


@pytest.mark.parametrize("form", ["%Y/%m/%d %H:%M:%S.%f", "%Y.%m.%d %H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S.%f"])
def test_dates_that_begin_with_the_year(tmp_path: Path, form: str) -> None:
    """With ``/`` or ``.`` they were no times: the log was refused, since its time "does not rise"."""
    channels = recording(20.0)
    begin = datetime.datetime(2026, 4, 9, 23, 59, 52, tzinfo=datetime.UTC)
    times = [(begin + datetime.timedelta(seconds=each)).strftime(form) for each in channels["time_s"].tolist()]
    path = written(tmp_path / "log.csv", channels, times)
    assert_the_sweep(only_pull(path))
    assert intake(path).day == datetime.date(2026, 4, 9)


def test_a_clock_of_minutes_and_seconds_that_passes_the_hour(tmp_path: Path) -> None:
    channels = recording(20.0)
    clock = (59 * 60 + 46 + channels["time_s"]) % 3600.0
    path = written(tmp_path / "log.csv", channels, [f"{int(time // 60):02d}:{time % 60:06.3f}" for time in clock])
    assert_the_sweep(only_pull(path))


def test_a_clock_of_minutes_and_seconds_set_back_is_two_recordings(tmp_path: Path) -> None:
    channels = recording(20.0)
    clock = np.concatenate([channels["time_s"] + 600.0, channels["time_s"]])
    twice = {name: np.concatenate([values, values]) for name, values in channels.items()}
    path = written(tmp_path / "log.csv", twice, [f"{int(time // 60):02d}:{time % 60:06.3f}" for time in clock])
    found = intake(path)
    assert len(found.pulls) == 2
    assert any("time runs backwards" in words for words in found.warnings)


@pytest.mark.parametrize("kind", ["stamps", "spans", "epoch"])
def test_nanoseconds_in_parquet(tmp_path: Path, kind: str) -> None:
    """At 60 rows a second the times are no whole microseconds."""
    channels = recording(60.0)
    nanoseconds = (channels["time_s"] * 1e9).astype("int64")
    since_1970 = 1_772_323_200_000_000_000 + nanoseconds
    times = {
        "stamps": pd.Series(pd.to_datetime(since_1970, unit="ns")),
        "spans": pd.Series(pd.to_timedelta(nanoseconds, unit="ns")),
        "epoch": pd.Series(since_1970),
    }[kind]
    table = {"Time": times, "RPM": channels["rpm"], "Boost (kPa)": channels["boost_kpa"]}
    path = tmp_path / "log.parquet"
    pd.DataFrame(table | {"Throttle (%)": channels["throttle_pct"]}).to_parquet(path)
    assert_the_sweep(only_pull(path))


@pytest.mark.parametrize("heading", ["Timestamp", "Timestamp (us)"])
def test_microseconds_since_1970(tmp_path: Path, heading: str) -> None:
    channels = recording(60.0)
    times = [f"{(1_770_000_000 + time) * 1e6:.0f}" for time in channels["time_s"]]
    assert_the_sweep(only_pull(written(tmp_path / "log.csv", channels, times, heading)))


def rated(path: Path, above: list[str], hz: float = 20.0) -> Path:
    """A log without times, with lines above its names."""
    channels = recording(hz)
    rows = zip(channels["rpm"], channels["boost_kpa"], channels["throttle_pct"], strict=True)
    lines = [f"{rpm:.0f},{boost:.2f},{throttle:.0f}" for rpm, boost, throttle in rows]
    path.write_text("\n".join([*above, "RPM,Boost (kPa),Throttle (%)", *lines]) + "\n")
    return path


@pytest.mark.parametrize(
    "above",
    [
        ["Low-pass filter frequency: 5 Hz", "Logged with 20 Hz"],
        ["CAN sampling rate limit 100 Hz", "Sample rate: 20 Hz"],
        ["Solenoid PWM frequency 30 Hz; sample rate 20 Hz"],
        ["Abtastrate: 20,0 Hz"],
    ],
)
def test_a_rate_above_the_names_is_that_of_the_rows(tmp_path: Path, above: list[str]) -> None:
    assert_the_sweep(only_pull(rated(tmp_path / "log.csv", above)))


def test_a_filters_frequency_alone_is_no_rate(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="rate_hz = 20"):
        intake(rated(tmp_path / "log.csv", ["Low-pass filter frequency: 5 Hz"]))


def test_two_rates_above_the_names_are_asked_about(tmp_path: Path) -> None:
    path = rated(tmp_path / "log.csv", ["ECU rate: 100 Hz", "Log rate: 20 Hz"])
    with pytest.raises(LogError, match=r"'ECU rate: 100 Hz' and 'Log rate: 20 Hz' above the names state different"):
        intake(path)
    (pull,) = intake(path, ReadOptions(hints=ChannelHints(rate_hz=20.0))).pulls
    assert_the_sweep(pull)


def test_channels_of_one_name_in_an_mdf_file_can_be_named(tmp_path: Path) -> None:
    asammdf = pytest.importorskip("asammdf")
    channels, file = recording(20.0), asammdf.MDF(version="4.10")
    for name, role, unit in (("rpm", "rpm", "rpm"), ("Boost", "boost_kpa", "kPa"), ("TPS", "throttle_pct", "%")):
        signal = asammdf.Signal(samples=channels[role], timestamps=channels["time_s"], name=name, unit=unit)
        file.append([signal])
    other = asammdf.Signal(samples=channels["boost_kpa"] * 0.8, timestamps=channels["time_s"], name="Boost", unit="kPa")
    file.append([other])
    path = Path(file.save(tmp_path / "log.mf4", overwrite=True))
    with pytest.raises(LogError, match=r"'Boost \(again 1\) \[kPa\]' fit boost equally well"):
        intake(path)
    for name, highest_kpa in (("Boost", 110.0), ("Boost (again 1)", 88.0)):
        (pull,) = intake(path, ReadOptions(hints=ChannelHints(boost=name))).pulls
        assert pull.trace.boost_kpa.max() == pytest.approx(highest_kpa, abs=6.0)


@pytest.mark.parametrize("names", ["Time (s)|Time (s)", "Time RPM (s)|Time Boost (s)", "time|time_boost"])
def test_channels_with_times_of_their_own_rates_are_refused(tmp_path: Path, names: str) -> None:
    """Boost 20 times a second and engine speed 100 times: row by row, full boost would stand at 2400 rpm."""
    fast, slow = recording(100.0, around=False), recording(20.0, around=False)
    first, second = names.split("|")
    lines = [f"{first},RPM,{second},Boost (kPa)"]
    for row, (time, rpm) in enumerate(zip(fast["time_s"], fast["rpm"], strict=True)):
        own = f"{slow['time_s'][row]:.3f},{slow['boost_kpa'][row]:.2f}" if row < slow["rpm"].size else ","
        lines.append(f"{time:.3f},{rpm:.0f},{own}")
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n")
    with pytest.raises(LogError, match=r"run apart, 100 and 20 rows a second: each channel has times of its own"):
        intake(path)


def test_times_that_run_alike_are_no_times_of_their_own(tmp_path: Path) -> None:
    log = recording(20.0, around=False)
    columns = {
        "Time (s)": log["time_s"],
        "Time Boost (s)": log["time_s"] + 0.02,
        "Run time (s)": np.floor(log["time_s"] + 300.0),
        "Clock time (s)": log["time_s"] + np.where(log["time_s"] > 5.0, 400.0, 0.0),
        "Injection time (ms)": 2.0 + 0.01 * np.arange(log["rpm"].size),
        "RPM": log["rpm"],
        "Boost (kPa)": log["boost_kpa"],
    }
    path = tmp_path / "log.csv"
    np.savetxt(path, np.column_stack(list(columns.values())), "%.3f", ",", header=",".join(columns), comments="")
    (pull,) = intake(path).pulls
    assert pull.usable
