"""Odd text files, compressed ones, Parquet and ASAM MDF 4."""

from __future__ import annotations

import gzip
import importlib
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from recommender.logs import ChannelHints, LogError, ReadOptions, intake, read_log, write_log

from .recordings import PLATEAU_KPA, recording, without

_LOG = recording(20.0, around=False)
_ROWS = list(zip(_LOG["time_s"], _LOG["rpm"], _LOG["boost_kpa"], strict=True))
_LINES = ["Time (s),RPM,Boost (kPa)", *(f"{t:.2f},{n:.0f},{p:.2f}" for t, n, p in _ROWS)]


def plateau(path: Path, options: ReadOptions | None = None) -> float:
    (pull,) = intake(path, options or ReadOptions()).pulls
    assert pull.usable
    return float(np.mean(pull.trace.boost_kpa[pull.trace.rpm > 5000.0]))


def written(path: Path, lines: list[str], encoding: str = "utf-8", newline: str = "\n") -> Path:
    path.write_bytes((newline.join(lines) + newline).encode(encoding))
    return path


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(tmp_path: Path, encoding: str, newline: str) -> None:
    lines = [_LINES[0] + ",Kühlmitteltemperatur [°C]", *(f"{line},88.5" for line in _LINES[1:])]
    path = written(tmp_path / "log.csv", lines, encoding, newline)
    assert plateau(path) == pytest.approx(PLATEAU_KPA, abs=0.7)
    assert intake(path).conditions.coolant_c == 88.5


def test_a_degree_sign_encoded_twice(tmp_path: Path) -> None:
    lines = [_LINES[0] + ",Intake Air Temperature [Â°C]", *(f"{line},30" for line in _LINES[1:])]
    assert intake(written(tmp_path / "log.csv", lines)).conditions.intake_c == 30.0


def test_comments_and_blank_lines_between_rows(tmp_path: Path) -> None:
    lines = [*_LINES[:50], "", "# marker pressed", "", *_LINES[50:120], "// lap 2", *_LINES[120:]]
    path = written(tmp_path / "log.csv", lines)
    assert plateau(path) == pytest.approx(PLATEAU_KPA, abs=0.7)
    assert "2 lines without numbers left out" in read_log(path).warnings[0]


def test_a_comment_sign_before_the_names(tmp_path: Path) -> None:
    assert plateau(written(tmp_path / "log.csv", ["# " + _LINES[0], *_LINES[1:]])) > 109.0


def test_a_long_preamble_with_separators(tmp_path: Path) -> None:
    above = ["Logger,9.2", "Car,Harbour hatch", "Driver,", 'Notes,"windy, 12 °C"', "Rate,20,Hz", "", "Channels,3"]
    path = written(tmp_path / "log.csv", above + _LINES)
    assert plateau(path) == pytest.approx(PLATEAU_KPA, abs=0.7)
    assert read_log(path).layout.endswith("names in line 8")


@pytest.mark.parametrize(
    "above",
    [
        ["Run,12,", ",,"],
        ["Vehicle,Hatch,", "Air temp,23.4,", "Limit,19.0,", ",,"],
        ["Peak power,Peak torque,Air temp", "310,402,23.4", ",,"],
        ["Air temp,23.4,", "Baro,93.5,"],
    ],
)
def test_lines_above_the_names_filled_up_to_the_width_of_the_table(tmp_path: Path, above: list[str]) -> None:
    path = written(tmp_path / "log.csv", above + _LINES)
    assert plateau(path) == pytest.approx(PLATEAU_KPA, abs=0.7)
    assert read_log(path).first_line == len(above) + 2


def test_an_inch_sign_in_the_preamble(tmp_path: Path) -> None:
    assert plateau(written(tmp_path / "log.csv", ['Wheels: 17" and 18 inch', *_LINES])) > 109.0


def test_rows_with_a_trailing_separator(tmp_path: Path) -> None:
    assert plateau(written(tmp_path / "log.csv", [_LINES[0], *(line + "," for line in _LINES[1:])])) > 109.0


def test_a_row_with_too_many_cells_is_left_out_and_said(tmp_path: Path) -> None:
    path = written(tmp_path / "log.csv", [*_LINES[:60], "1,2,3,4,5,6,7", *_LINES[60:]])
    assert plateau(path) == pytest.approx(PLATEAU_KPA, abs=0.7)
    assert read_log(path).warnings == ("line 61: more cells than columns; 1 such line was left out",)


def test_dashes_and_words_for_missing_numbers(tmp_path: Path) -> None:
    lines = list(_LINES)
    for row, word in ((10, "-"), (30, "n/a"), (55, "NaN"), (90, "---"), (120, "ERR")):
        t, n, _ = lines[row].split(",")
        lines[row] = f"{t},{n},{word}"
    path = written(tmp_path / "log.csv", lines)
    assert plateau(path) == pytest.approx(PLATEAU_KPA, abs=0.7)


def test_truncated_last_number_is_not_believed(tmp_path: Path) -> None:
    """``1234`` cut to ``12``: half a number would be a false sample."""
    whole = "\n".join(_LINES)
    cut = whole[: whole.rindex(",") + 3]
    (tmp_path / "log.csv").write_text(cut)
    raw = read_log(tmp_path / "log.csv")
    assert np.isnan(raw.columns[2].values[-1])
    assert "cut short" in raw.warnings[0]


def test_a_complete_last_row_without_line_end_is_believed(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("\n".join(_LINES))
    raw = read_log(tmp_path / "log.csv")
    assert raw.columns[2].values[-1] == float(_LINES[-1].split(",")[2])
    assert raw.warnings == ()


def test_blank_separated_columns(tmp_path: Path) -> None:
    lines = ["time_s rpm boost_kpa", *(f"{t:8.2f} {n:6.0f} {p:8.2f}" for t, n, p in _ROWS)]
    assert plateau(written(tmp_path / "log.txt", lines)) == pytest.approx(PLATEAU_KPA, abs=0.7)


def test_thousands_in_an_unquoted_table(tmp_path: Path) -> None:
    lines = ["Time (s);RPM;Boost (kPa)", *(f"{t:.2f};{n:,.0f};{p:.2f}" for t, n, p in _ROWS)]
    assert plateau(written(tmp_path / "log.csv", lines)) == pytest.approx(PLATEAU_KPA, abs=0.7)


def test_thousands_by_blanks_and_apostrophes(tmp_path: Path) -> None:
    for sign in (" ", "'", "\u202f"):
        lines = [
            "Time (s);RPM;Boost (kPa)",
            *(f"{t:.2f};{f'{n:,.0f}'.replace(',', sign)};{p:.2f}" for t, n, p in _ROWS),
        ]
        assert plateau(written(tmp_path / "log.csv", lines)) == pytest.approx(PLATEAU_KPA, abs=0.7)


def test_channels_that_come_at_their_own_rate_leave_blanks(tmp_path: Path) -> None:
    """A logger that writes one channel a row: the others blank. Nothing is made up, the real rate is found."""
    log = recording(30.0, around=False, sweep_s=12.0)
    lines = ["Time (s),RPM,Boost (kPa)"]
    for row, (t, n, p) in enumerate(zip(log["time_s"], log["rpm"], log["boost_kpa"], strict=True)):
        lines.append(f"{t:.4f},{n:.0f}," if row % 2 == 0 else f"{t:.4f},,{p:.2f}")
    (pull,) = intake(written(tmp_path / "log.csv", lines)).pulls
    assert pull.quality.verdict == "taken"
    assert pull.rate_hz["boost"] == pytest.approx(15.0, rel=0.05)
    plateau_kpa = pull.trace.boost_kpa[pull.trace.rpm > 5000.0]
    assert np.mean(plateau_kpa) == pytest.approx(PLATEAU_KPA, abs=0.7)


def test_a_units_row_above_the_names(tmp_path: Path) -> None:
    lines = ["s,1/min,kPa", "Time,Drehzahl,Ladedruck", *_LINES[1:]]
    assert plateau(written(tmp_path / "log.csv", lines)) == pytest.approx(PLATEAU_KPA, abs=0.7)


def test_parquet(tmp_path: Path) -> None:
    frame = pd.DataFrame({"Time [s]": _LOG["time_s"], "RPM": _LOG["rpm"], "Boost [kPa]": _LOG["boost_kpa"], "car": "x"})
    frame.to_parquet(tmp_path / "log.parquet")
    assert plateau(tmp_path / "log.parquet") == pytest.approx(PLATEAU_KPA, abs=0.7)


def test_parquet_with_time_stamps(tmp_path: Path) -> None:
    stamps = pd.Timestamp("2024-05-17 15:42") + pd.to_timedelta(_LOG["time_s"], unit="s")
    frame = pd.DataFrame({"timestamp": stamps, "rpm": _LOG["rpm"], "boost_kpa": _LOG["boost_kpa"]})
    frame.to_parquet(tmp_path / "log.parquet")
    assert plateau(tmp_path / "log.parquet") == pytest.approx(PLATEAU_KPA, abs=0.7)


def test_parquet_columns_of_one_name_can_be_named(tmp_path: Path) -> None:
    pa, pq = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    arrays = [_LOG["time_s"], _LOG["rpm"], _LOG["boost_kpa"], 0.8 * _LOG["boost_kpa"]]
    pq.write_table(pa.Table.from_arrays(arrays, names=["time_s", "rpm", "boost_kpa", "boost_kpa"]), tmp_path / "log.pq")
    with pytest.raises(LogError, match=r'boost = "boost_kpa" \(or "boost_kpa \(again 1\)"\)'):
        intake(tmp_path / "log.pq")
    named = ReadOptions(hints=ChannelHints(boost="boost_kpa (again 1)"))
    assert plateau(tmp_path / "log.pq", named) == pytest.approx(0.8 * PLATEAU_KPA, abs=0.7)


def test_mdf_with_two_groups_of_their_own_rate(tmp_path: Path) -> None:
    asammdf = pytest.importorskip("asammdf")
    slow = slice(None, None, 4)
    with asammdf.MDF(version="4.10") as file:
        file.append(
            [
                asammdf.Signal(_LOG["rpm"], _LOG["time_s"], name="EngineSpeed", unit="1/min"),
                asammdf.Signal(_LOG["boost_kpa"] + 98.0, _LOG["time_s"], name="ManifoldAbsolutePressure", unit="kPa"),
            ]
        )
        file.append(
            [asammdf.Signal(_LOG["barometer_kpa"][slow], _LOG["time_s"][slow], name="BarometricPressure", unit="kPa")]
        )
        file.append([asammdf.Signal(_LOG["lambda"][slow], _LOG["time_s"][slow], name="Lambda", unit="")])
        file.save(tmp_path / "log.mf4")
    log = intake(tmp_path / "log.mf4")
    (pull,) = log.pulls
    assert pull.quality.verdict == "taken"
    assert pull.conditions.barometer_kpa == pytest.approx(98.3)
    assert pull.rate_hz["lambda_"] == pytest.approx(5.0, rel=0.05)
    assert np.mean(pull.trace.boost_kpa[pull.trace.rpm > 5000]) == pytest.approx(PLATEAU_KPA + 98.0 - 98.3, abs=0.7)


def _mdf(path: Path, *groups: list[tuple[str, str, Any, Any, Any]]) -> Path:
    """An MDF file: of each channel its name, unit, times, samples, and which of them are invalid."""
    asammdf = pytest.importorskip("asammdf")
    with asammdf.MDF(version="4.10") as file:
        for group in groups:
            file.append(
                [
                    asammdf.Signal(samples, times, name=name, unit=unit, invalidation_bits=bad)
                    for name, unit, times, samples, bad in group
                ]
            )
        file.save(path)
    return path


def _spiked() -> tuple[Any, Any, Any]:
    """Times, engine speed, and boost that spikes to 140 kPa at 4 s."""
    boost = _LOG["boost_kpa"].copy()
    boost[80] = 140.0
    return _LOG["time_s"], _LOG["rpm"], boost


def test_a_dense_mdf_group_that_was_triggered_late_cuts_nothing_off(tmp_path: Path) -> None:
    time, rpm, boost = _spiked()
    late = np.arange(6.0, 10.0, 0.001)
    path = _mdf(
        tmp_path / "log.mf4",
        [("EngineSpeed", "1/min", time, rpm, None)],
        [("Boost", "kPa", time + 0.002, boost, None)],
        [("KnockRaw", "V", late, np.sin(late), None)],
    )
    (pull,) = intake(path).pulls
    assert pull.trace.boost_kpa.max() == 140.0
    assert pull.trace.rpm[0] < 2100.0
    assert pull.rate_hz["boost"] == pytest.approx(20.0, rel=0.05)


def test_missing_samples_of_an_mdf_group_are_a_gap(tmp_path: Path) -> None:
    time, rpm, boost = _spiked()
    there = (time < 3.5) | (time > 5.5)
    path = _mdf(
        tmp_path / "log.mf4",
        [("EngineSpeed", "1/min", time, rpm, None)],
        [("Boost", "kPa", time[there], boost[there], None)],
        [("Pedal", "%", time[[0, 1, 2, 3]], np.full(4, 100.0), None)],  # written only as it moves
    )
    (pull,) = intake(path).pulls
    assert any("gap in the log" in remark.text for remark in pull.quality.remarks)
    assert not np.any((pull.trace.time_s > 4.0) & (pull.trace.time_s < 5.0))


def test_samples_that_an_mdf_file_marks_invalid_are_none(tmp_path: Path) -> None:
    time, rpm, boost = _spiked()
    bad = (time > 6.0) & (time < 6.4)
    boost[bad] = 0.0
    path = _mdf(tmp_path / "log.mf4", [("EngineSpeed", "1/min", time, rpm, None), ("Boost", "kPa", time, boost, bad)])
    (pull,) = intake(path).pulls
    assert pull.trace.boost_kpa[pull.trace.rpm > 4500.0].min() > 90.0
    assert any("gap in the log" in remark.text for remark in pull.quality.remarks)


@pytest.mark.parametrize("dialect", ["plain commas", "everything quoted", "quoted decimal commas"])
@pytest.mark.parametrize("cut", [False, True])
def test_a_row_with_words_after_its_last_column_is_read(tmp_path: Path, dialect: str, cut: bool) -> None:
    """An alarm is written just where boost is highest."""
    log = {**_LOG, "boost_kpa": _LOG["boost_kpa"].copy()}
    log["boost_kpa"][100] = 150.0
    path = write_log(tmp_path / "log.csv", log, dialect)
    encoding = "latin-1" if dialect == "quoted decimal commas" else "utf-8"
    lines = path.read_text(encoding).splitlines()
    lines[101] += ",OVERBOOST, cut"
    whole = "\n".join(lines) + "\n"
    path.write_text(whole[:-2] if cut and "quoted" in dialect else whole, encoding)
    (pull,) = intake(path).pulls
    assert pull.trace.boost_kpa.max() == pytest.approx(150.0, abs=0.05)
    said = "line 102: words after the last column; 1 such line was read without them"
    assert said in read_log(path).warnings


def test_a_row_that_may_be_torn_is_left_out_though_words_follow(tmp_path: Path) -> None:
    lines = [_LINES[0] + ",Note", *(f"{line}," for line in _LINES[1:])]
    lines[100] = "4.95,4,480,109.00,x"
    path = written(tmp_path / "log.csv", lines)
    assert read_log(path).warnings == ("line 101: more cells than columns; 1 such line was left out",)


def test_sha256_is_of_the_file_as_it_lies(tmp_path: Path) -> None:
    import hashlib

    path = write_log(tmp_path / "log.csv.gz", recording(20.0), "packed with gzip")
    assert read_log(path).sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="no such file"):
        read_log(tmp_path / "none.csv")
    with pytest.raises(LogError, match="is a folder"):
        read_log(tmp_path)


def test_a_file_that_unpacks_to_far_too_much_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("recommender.logs.source.LARGEST_TEXT", 1_000_000)
    (tmp_path / "log.csv.gz").write_bytes(gzip.compress(("\n".join(_LINES) + "\n").encode() + b"0,0,0\n" * 500_000))
    with pytest.raises(LogError, match="Cut the recording"):
        read_log(tmp_path / "log.csv.gz")


def test_chunks_join_without_a_seam(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_log(tmp_path / "log.csv", recording(20.0), "semicolons and decimal commas")
    whole = read_log(path)
    monkeypatch.setattr("recommender.logs.read.CHUNK_ROWS", 37)
    parts = read_log(path)
    assert [column.name for column in parts.columns] == [column.name for column in whole.columns]
    for one, two in zip(whole.columns, parts.columns, strict=True):
        np.testing.assert_array_equal(one.values, two.values)


def test_too_many_cells_are_refused_with_advice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("recommender.logs.read.MOST_CELLS", 100)
    with pytest.raises(LogError, match="Cut the recording to the part with the pull"):
        read_log(written(tmp_path / "log.csv", _LINES))


@pytest.mark.parametrize("missing", ["throttle_pct", "barometer_kpa", "duty_pct"])
def test_optional_channels_may_be_missing(tmp_path: Path, missing: str) -> None:
    path = write_log(tmp_path / "log.csv", without(recording(20.0), missing), "units row, absolute and barometer")
    assert plateau(path) == pytest.approx(PLATEAU_KPA, abs=3.5 if missing == "barometer_kpa" else 0.7)


def test_decimal_commas_that_show_only_late(tmp_path: Path) -> None:
    """Whole numbers for longer than the layout is looked at, then decimal commas: none is lost, none misread."""
    log = recording(100.0, sweep_s=12.0, around=False, noise_kpa=0.3)
    boost = log["boost_kpa"].copy()
    boost[:800] = np.round(boost[:800])
    lines = ["Zeit [ms];Drehzahl [1/min];Ladedruck [kPa]"]
    for number, (t, n, p) in enumerate(zip(log["time_s"], log["rpm"], boost, strict=True)):
        lines.append(f"{t * 1000:.0f};{n:.0f};" + (f"{p:.0f}" if number < 800 else f"{p:.3f}".replace(".", ",")))
    path = written(tmp_path / "log.csv", lines)
    np.testing.assert_allclose(read_log(path).columns[2].values, boost, atol=0.0006)


def test_more_columns_than_any_logger_writes(tmp_path: Path) -> None:
    lines = [",".join(f"c{k}" for k in range(3000)), *(",".join(["1.5"] * 3000) for _ in range(5))]
    with pytest.raises(LogError, match="3000 columns, more than 2000"):
        read_log(written(tmp_path / "log.csv", lines))


@pytest.mark.parametrize("sign", ["_", "(", " ", ".", "a_", "[a"])
def test_a_monstrous_name_takes_no_time(tmp_path: Path, sign: str) -> None:
    name = sign * 40_000
    lines = [f"Time (s),RPM,Boost (kPa),{name}", *(f"{line},1" for line in _LINES[1:])]
    assert plateau(written(tmp_path / "log.csv", lines)) == pytest.approx(PLATEAU_KPA, abs=0.7)


def test_thousands_that_show_only_late(tmp_path: Path) -> None:
    """A minute of idle under 1000 rpm, then commas between thousands: 1,250 is not one and a quarter."""
    idle = [f"{k / 10:.1f};{880 + k % 7};-60.5" for k in range(700)]
    rows = [f"{t + 70:.1f};{n:,.0f};{p:.1f}" for t, n, p in _ROWS[::2]]
    path = written(tmp_path / "log.csv", ["Time (s);RPM;Boost (kPa)", *idle, *rows])
    assert np.nanmax(read_log(path).columns[1].values) > 6800.0
    assert plateau(path) == pytest.approx(PLATEAU_KPA, abs=0.8)


def test_blanks_are_filled_from_above_alike_in_blocks_of_any_size(monkeypatch: pytest.MonkeyPatch) -> None:
    """Held samples one row in three: the start stays blank, and so does what lies too far behind the last sample."""
    whole = importlib.import_module("recommender.logs.usable")
    values = np.full(90, np.nan)
    values[6:60:3] = np.arange(18.0)
    wanted = np.full(90, np.nan)
    wanted[6:75] = np.minimum(np.arange(69) // 3, 17)  # the last sample, at row 57, holds for five times three rows
    wanted[73:] = np.nan
    for block in (1, 7, 64, 1000):
        monkeypatch.setattr(whole, "BLOCK_ROWS", block)
        np.testing.assert_array_equal(whole.held_forward(values), wanted)


def test_commas_between_thousands_that_part_numbers_are_refused(tmp_path: Path) -> None:
    """Exactly the rows with the highest boost would be left out."""
    rows = [f"{k / 20:.2f},{2000 + 50 * k},{10 * k:,.1f},100.0" for k in range(130)]
    path = written(tmp_path / "log.csv", ["Time (s),RPM,Boost (mbar),Throttle (%)", *rows])
    with pytest.raises(LogError, match=r"line 102: 5 numbers where there are 4 columns .* a comma between thousands"):
        read_log(path)


def test_raised_commas_between_thousands(tmp_path: Path) -> None:
    rows = [f"{k / 20:.2f};{2000 + 50 * k};{10 * k:,.1f};100.0".replace(",", "’") for k in range(130)]
    log = read_log(written(tmp_path / "log.csv", ["Time (s);RPM;Boost (mbar);Throttle (%)", *rows]))
    assert log.columns[2].values.tolist() == [10.0 * k for k in range(130)]


def test_lines_that_are_too_long_are_counted(tmp_path: Path) -> None:
    path = written(tmp_path / "log.csv", [*_LINES[:60], *["a,b,c,d,e,f,g,h,i,j,k"] * 3, *_LINES[60:]])
    assert read_log(path).warnings == ("line 61: more cells than columns; 3 such lines were left out",)


_HALF: list[str] = [
    "Time,RPM,Boost,Throttle",
    "s,rpm,kPa,%",
    *(f"{k / 20:.2f},{2000 + 50 * k},{k},100" for k in range(90)),
]


@pytest.mark.parametrize(
    ("between", "words"),
    [
        (["Time,RPM,Throttle,Boost", "s,rpm,%,kPa"], r"about line 93: another row of column names \(Time, RPM, Thr"),
        (["Time,RPM,Boost,Throttle", "s,rpm,psi,%"], r"about line 94: another row of units \(s, rpm, psi, %\)"),
        (["Time,RPM,Boost [psi],Throttle"], "another row of column names"),
    ],
)
def test_another_header_half_way_is_refused(tmp_path: Path, between: list[str], words: str) -> None:
    path = written(tmp_path / "log.csv", [*_HALF, *between, *_HALF[2:]])
    with pytest.raises(LogError, match=words):
        read_log(path)


@pytest.mark.parametrize(
    "between",
    [
        _HALF[:2],
        ["# " + _HALF[0]],
        ["# second run, cooled down, same settings, fan on"],
        ["marker,,,"],
        ["TIME, RPM, BOOST, THROTTLE"],
    ],
)
def test_the_same_header_half_way_and_comments_are_no_other_header(tmp_path: Path, between: list[str]) -> None:
    path = written(tmp_path / "log.csv", [*_HALF, *between, *_HALF[2:]])
    assert read_log(path).rows == 180


@pytest.mark.parametrize("part", ["[Content_Types].xml", "content.xml"])
def test_a_workbook_is_to_be_saved_as_a_table(tmp_path: Path, part: str) -> None:
    path = tmp_path / "log.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(part, "<a/>")
        archive.writestr("sheet1.xml", "<a/>")
    with pytest.raises(LogError, match=r"log\.xlsx: a workbook of a spreadsheet, not a log\. Save the sheet .* as CSV"):
        intake(path)
