"""Single readings that cannot be are left out and said, with the moment; the pull is the one without them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recommender.logs import ChannelHints, Intake, LogError, ReadOptions, intake, write_log

from .recordings import Channels, full_load_rows, recording, without

JUDGED = ReadOptions(judged=(3900.0, 6700.0))
_LOG = recording(50.0, noise_kpa=0.3, noise_rpm=3.0)
_ROW = full_load_rows(_LOG)[0] + 250  # well within the sweep


def read(path: Path, cells: dict[int, str], column: int) -> Intake:
    """The recording with some cells written otherwise; an empty one is a blank."""
    write_log(path, _LOG)
    head, *rows = path.read_text().splitlines()
    for row, cell in cells.items():
        parts = rows[row].split(",")
        parts[column] = cell
        rows[row] = ",".join(parts)
    path.write_text("\n".join([head, *rows]) + "\n")
    return intake(path, JUDGED)


def assert_same_pull(found: Intake, blank: Intake) -> None:
    (pull,), (wanted,) = found.pulls, blank.pulls
    assert pull.usable
    assert pull.quality == wanted.quality
    np.testing.assert_array_equal(pull.trace.rpm, wanted.trace.rpm)
    np.testing.assert_array_equal(pull.trace.boost_kpa, wanted.trace.boost_kpa)


@pytest.mark.parametrize("cell", ["999999", "65535", "20001"])
def test_engine_speed_that_no_engine_turns(tmp_path: Path, cell: str) -> None:
    found = read(tmp_path / "a.csv", {_ROW: cell}, 1)
    assert_same_pull(found, read(tmp_path / "b.csv", {_ROW: ""}, 1))
    moment = _LOG["time_s"][_ROW]
    (words,) = [words for words in found.warnings if "no engine can turn" in words]
    assert f"reads {float(cell):g} at {moment:.2f} s, which no engine can turn: 1 such reading was left out" in words


def test_a_lonely_reading_that_may_be_true_counts(tmp_path: Path) -> None:
    """Engines turn 9,200 rpm, and a spike of 400 kPa is no less one for being a single reading."""
    quick = intake(write_log(tmp_path / "quick.csv", recording(50.0, rpm_to=9200.0, noise_rpm=3.0)), JUDGED)
    assert quick.pulls[0].trace.rpm.max() > 9150.0
    spiked = read(tmp_path / "spiked.csv", {_ROW: "58"}, 2)  # psi
    assert spiked.pulls[0].trace.boost_kpa.max() == pytest.approx(400.0, abs=0.2)
    assert not any("left out" in words for words in (*quick.warnings, *spiked.warnings))


def test_such_readings_do_not_spoil_a_short_log(tmp_path: Path) -> None:
    """80 rows: one reading is already more than the share that is passed over when a column is looked at."""
    channels = recording(8.0, around=False, noise_rpm=3.0)
    path = write_log(tmp_path / "log.csv", channels)
    spoiled = path.read_text().splitlines()
    spoiled[40] = ",".join([spoiled[40].split(",")[0], "999999", *spoiled[40].split(",")[2:]])
    path.write_text("\n".join(spoiled) + "\n")
    found = intake(path, JUDGED)
    assert [pull.usable for pull in found.pulls] == [True]
    assert any("1 such reading was left out" in words for words in found.warnings)


def test_a_column_full_of_them_is_no_engine_speed(tmp_path: Path) -> None:
    rows = range(0, _LOG["rpm"].size, 10)
    with pytest.raises(LogError, match=r"no rpm channel among .* rpm is not plausible"):
        read(tmp_path / "a.csv", dict.fromkeys(rows, "999999"), 1)


@pytest.mark.parametrize("cell", ["inf", "-inf", "Inf", "1e308", "-1e20", "1e999"])
def test_boost_beyond_all_measure(tmp_path: Path, cell: str) -> None:
    found = read(tmp_path / "a.csv", {_ROW: cell, _ROW + 1: cell}, 2)
    assert_same_pull(found, read(tmp_path / "b.csv", {_ROW: "", _ROW + 1: ""}, 2))
    (words,) = [words for words in found.warnings if "left out" in words]
    assert words.startswith("Boost [psi]: infinite, or a number beyond all measure")
    assert f"at {_LOG['time_s'][_ROW]:.2f} s: 2 such readings were left out" in words


def test_a_time_beyond_all_measure_is_told_by_its_row(tmp_path: Path) -> None:
    found = read(tmp_path / "a.csv", {_ROW: "inf"}, 0)
    assert_same_pull(found, read(tmp_path / "b.csv", {_ROW: ""}, 0))
    assert any(f"in row {_ROW + 1} of the numbers: 1 such reading" in words for words in found.warnings)


def test_blanks_are_no_such_readings(tmp_path: Path) -> None:
    found = read(tmp_path / "a.csv", {_ROW: "NaN", _ROW + 1: "", _ROW + 2: "n/a"}, 2)
    assert not any("left out" in words for words in found.warnings)


def test_infinite_boost_in_parquet(tmp_path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    boost = _LOG["boost_kpa"].copy()
    boost[_ROW] = np.inf
    table = pa.table({"Time (s)": _LOG["time_s"], "RPM": _LOG["rpm"], "Boost (kPa)": boost})
    path = tmp_path / "log.parquet"
    pq.write_table(table, path)
    found = intake(path, JUDGED)
    assert [pull.usable for pull in found.pulls] == [True]
    assert any(f"at {_LOG['time_s'][_ROW]:.2f} s: 1 such reading was left out" in words for words in found.warnings)


def spiked(cells: dict[str, str]) -> Channels:
    """The recording with a spike in three rows of the sweep, in which some channels read otherwise."""
    channels = {name: values.copy() for name, values in _LOG.items()}
    rows = slice(_ROW, _ROW + 3)
    channels["boost_kpa"][rows] = [150.0, 170.0, 160.0]
    for name, cell in cells.items():
        channels[name][rows] = float(cell)
    return channels


@pytest.mark.parametrize("rpm", ["nan", "0", "65535"])
def test_a_spike_in_rows_without_engine_speed_counts(tmp_path: Path, rpm: str) -> None:
    found = intake(write_log(tmp_path / "log.csv", spiked({"rpm": rpm})), JUDGED)
    (pull,) = found.pulls
    moment = _LOG["time_s"][_ROW + 1]
    assert pull.trace.boost_kpa.max() == pytest.approx(170.0, abs=0.05)
    assert pull.trace.time_s[np.argmax(pull.trace.boost_kpa)] == pytest.approx(moment)
    assert pull.trace.rpm[np.argmax(pull.trace.boost_kpa)] == pytest.approx(_LOG["rpm"][_ROW + 1], abs=15.0)
    assert found.highest_boost_kpa == pytest.approx(170.0, abs=0.05)
    assert found.highest_at_s == pytest.approx(moment)
    words = [remark.text for remark in pull.quality.remarks]
    assert any(f"kPa at {moment:.2f} s, stands in a row whose time or engine speed is not" in each for each in words)
    assert not any("at rest" in each for each in words)


def test_a_spike_in_rows_without_time_counts(tmp_path: Path) -> None:
    found = intake(write_log(tmp_path / "log.csv", spiked({"time_s": "nan"})), JUDGED)
    assert found.highest_boost_kpa == pytest.approx(170.0, abs=0.05)
    assert found.highest_at_s == pytest.approx(_LOG["time_s"][_ROW - 1])
    (pull,) = found.pulls
    assert pull.trace.boost_kpa.max() == pytest.approx(170.0, abs=0.05)
    assert pull.trace.time_s[np.argmax(pull.trace.boost_kpa)] == pytest.approx(_LOG["time_s"][_ROW + 1])
    assert pull.trace.rpm[np.argmax(pull.trace.boost_kpa)] == pytest.approx(_LOG["rpm"][_ROW + 1], abs=15.0)


@pytest.mark.parametrize("place", [0, 1])
def test_of_two_rows_with_one_time_stamp_the_higher_boost_counts(tmp_path: Path, place: int) -> None:
    channels = {name: values.copy() for name, values in _LOG.items()}
    channels["time_s"][_ROW + 1] = channels["time_s"][_ROW]
    channels["boost_kpa"][_ROW + place] = 170.0
    (pull,) = intake(write_log(tmp_path / "log.csv", channels), JUDGED).pulls
    assert pull.trace.boost_kpa.max() == pytest.approx(170.0, abs=0.05)


@pytest.mark.parametrize(("boost_is", "level_kpa"), [("gauge", 65.0), ("gauge", 100.0), ("absolute", 104.0)])
def test_engine_speed_that_drops_out_is_no_key_on(tmp_path: Path, boost_is: str, level_kpa: float) -> None:
    """Boost read in those rows says neither gauge or absolute nor what the barometer is."""
    channels = without({name: values.copy() for name, values in _LOG.items()}, "barometer_kpa")
    if boost_is == "absolute":
        channels["boost_kpa"] += 90.0
    start, _ = full_load_rows(channels)
    row = start + int(np.argmax(channels["boost_kpa"][start:] > level_kpa))
    channels["rpm"][row : row + 4] = 0.0
    path = write_log(tmp_path / "log.csv", channels, "names with unit at the end")
    said = ChannelHints(boost_is="absolute") if boost_is == "absolute" else ChannelHints()
    found = intake(path, ReadOptions(barometer_kpa=90.0, hints=said))
    assert found.boost_is == boost_is
    assert found.conditions.barometer_from == "the job file"
    assert found.pulls[0].trace.boost_kpa.max() == pytest.approx(110.0, abs=2.0)


@pytest.mark.parametrize("cell", [">160", "OVR", "####", "≥ 24 psi"])
def test_boost_above_the_gauges_range_refuses_the_pull(tmp_path: Path, cell: str) -> None:
    (pull,) = read(tmp_path / "log.csv", {_ROW: cell, _ROW + 1: cell}, 2).pulls
    assert not pull.usable
    words = f"boost reads {cell!r} at {_LOG['time_s'][_ROW]:.2f} s and once more, above what the gauge can show"
    assert pull.quality.remarks[0].text.startswith(words)


def test_boost_above_the_gauges_range_in_a_row_without_time_refuses_the_pull(tmp_path: Path) -> None:
    lines = write_log(tmp_path / "log.csv", _LOG).read_text().splitlines()
    cells = lines[_ROW + 1].split(",")
    lines[_ROW + 1] = ",".join(["", cells[1], "OVL", *cells[3:]])
    (tmp_path / "log.csv").write_text("\n".join(lines) + "\n")
    (pull,) = intake(tmp_path / "log.csv", JUDGED).pulls
    assert not pull.usable
    assert "boost reads 'OVL' at 14.00 s, above what the gauge can show" in pull.quality.remarks[0].text


@pytest.mark.parametrize("cell", ["24.50!", "24.50*", "#24.50", "** 24.50"])
def test_a_marked_reading_counts(tmp_path: Path, cell: str) -> None:
    """A logger marks what is out of the ordinary, such as the highest boost."""
    found = read(tmp_path / "log.csv", {_ROW: cell}, 2)
    assert found.highest_boost_kpa == pytest.approx(24.5 * 6.894757, abs=0.01)
    assert found.pulls[0].trace.boost_kpa.max() == found.highest_boost_kpa


def test_a_minus_as_printed_is_one(tmp_path: Path) -> None:
    row = full_load_rows(_LOG)[0] + 10
    (pull,) = read(tmp_path / "log.csv", {row: "−1.25"}, 2).pulls
    assert pull.quality.remarks == ()
    assert np.isclose(pull.channels["boost"], -1.25 * 6.894757, atol=0.001).any()


def test_words_in_a_cell_of_boost_are_said(tmp_path: Path) -> None:
    (pull,) = read(tmp_path / "log.csv", {_ROW: "bus error"}, 2).pulls
    assert pull.usable
    moment = f"{_LOG['time_s'][_ROW]:.2f} s"
    assert [each.text for each in pull.quality.remarks] == [f"boost reads 'bus error' at {moment}, which is no number"]


def test_boost_above_the_gauges_range_outside_a_pull_is_said(tmp_path: Path) -> None:
    found = read(tmp_path / "log.csv", {20: ">160"}, 2)
    assert [pull.usable for pull in found.pulls] == [True]
    assert f"boost reads '>160' at {_LOG['time_s'][20]:.2f} s, above what the gauge can show" in found.warnings


@pytest.mark.parametrize("cell", ["***", "max", "##"])
def test_marks_for_no_reading_before_the_pull_are_not_called_above_the_range(tmp_path: Path, cell: str) -> None:
    found = read(tmp_path / "log.csv", {0: cell, 1: cell}, 2)
    assert [pull.usable for pull in found.pulls] == [True]
    assert not any("above what the gauge can show" in words for words in found.warnings)
    (pull,) = read(tmp_path / "within.csv", {_ROW: cell}, 2).pulls
    assert not pull.usable


def test_boost_far_beyond_any_turbo_is_above_the_gauge_within_a_pull_and_said_outside(tmp_path: Path) -> None:
    """Without it the whole log was refused for its unit."""
    at_key_on = read(tmp_path / "key-on.csv", dict.fromkeys(range(5), "6553.5"), 2)
    assert_same_pull(at_key_on, read(tmp_path / "blank.csv", dict.fromkeys(range(5), ""), 2))
    assert f"boost reads '6553.5' at {_LOG['time_s'][0]:.2f} s, above what the gauge can show" in at_key_on.warnings
    (pull,) = read(tmp_path / "within.csv", {_ROW: "6553.5"}, 2).pulls
    (remark,) = (each for each in pull.quality.remarks if each.refuses)
    assert remark.text == (
        f"boost reads '6553.5' at {_LOG['time_s'][_ROW]:.2f} s, above what the gauge can show: the true peak is not in "
        "the log"
    )


def test_boost_that_rises_beyond_any_turbo_is_in_another_unit(tmp_path: Path) -> None:
    rising = {_ROW + k: f"{20.0 + 10.0 * k:.1f}" for k in range(25)}  # psi, to 260: 1793 kPa
    with pytest.raises(LogError, match="highest boost would be 1793 kPa gauge"):
        read(tmp_path / "log.csv", rising, 2)


@pytest.mark.parametrize(("level_kpa", "count"), [(0.0, 1), (-101.3, 3), (0.0, 40)])
def test_a_gauge_without_signal_for_a_moment_is_left_out_and_said(tmp_path: Path, level_kpa: float, count: int) -> None:
    """40 readings are 0.8 s, too much of the pull for that to be no gap."""
    channels = {name: values.copy() for name, values in _LOG.items()}
    channels["boost_kpa"][_ROW : _ROW + count] = level_kpa
    found = intake(write_log(tmp_path / "log.csv", channels), JUDGED)
    (pull,) = found.pulls
    assert pull.trace.boost_kpa[pull.trace.rpm > 4200.0].min() > 100.0
    assert any("gap in the log" in remark.text for remark in pull.quality.remarks) == (count == 40)
    words = f"falls to {level_kpa:.0f} kPa gauge at {_LOG['time_s'][_ROW]:.2f} s and is back at once"
    assert any(words in each for each in found.warnings)


def test_a_spike_after_one_low_reading_is_no_signal_that_comes_back(tmp_path: Path) -> None:
    channels = {name: values.copy() for name, values in _LOG.items()}
    channels["boost_kpa"][_ROW : _ROW + 2] = [-40.0, 160.0]
    found = intake(write_log(tmp_path / "log.csv", channels), JUDGED)
    assert not any("is back at once" in each for each in found.warnings)


def test_boost_that_is_let_go_of_and_comes_back_by_itself_is_no_lost_signal(tmp_path: Path) -> None:
    """The throttle shut for half a second: boost falls within a reading or two and takes its time to come back."""
    channels = {name: values.copy() for name, values in _LOG.items()}
    channels["boost_kpa"][_ROW : _ROW + 45] = np.concatenate([np.linspace(-40, -50, 25), np.linspace(-45, 105, 20)])
    found = intake(write_log(tmp_path / "log.csv", channels), JUDGED)
    assert not any("is back at once" in each for each in found.warnings)
    assert found.pulls[0].trace.boost_kpa[found.pulls[0].trace.rpm > 4200.0].min() < -40.0


def test_a_shift_in_boost_that_is_read_once_a_second_is_no_lost_signal(tmp_path: Path) -> None:
    """Each reading held over the rows of a second, as on the road: one of them falls between two gears."""
    channels = {name: values.copy() for name, values in _LOG.items()}
    held = np.arange(channels["boost_kpa"].size) // 50 * 50
    channels["boost_kpa"] = channels["boost_kpa"][held]
    channels["boost_kpa"][held == held[_ROW]] = -2.0
    found = intake(write_log(tmp_path / "log.csv", channels), JUDGED)
    assert not any("is back at once" in each for each in found.warnings)
