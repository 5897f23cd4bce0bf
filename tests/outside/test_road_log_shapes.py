"""The real road logs as other files of their kind may be written: other order, names, time columns, sampling, drives.

Nothing but the shape is changed, so the list of sweeps beside the files must come out again under the same rule.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
import pytest

from recommender.logs import ChannelHints, Intake, ReadOptions

from .test_kit_logs import FILES, FOLDER, RULE, pytestmark  # noqa: F401 - the mark holds here too
from .test_road_logs import MAP, NAME, RPM, TIME, Rows, log, read, seconds, sweeps  # noqa: F401 - fixtures among them

SPEED, PEDAL = 4, 9
#: The same channels as other readers of the bus call them.
LONG: Final = (
    "Time|Engine coolant temperature (°C)|Intake manifold absolute pressure (kPa)|Engine RPM (rpm)|"
    "Vehicle speed (km/h)|Intake air temperature (°C)|MAF air flow rate (g/s)|Throttle position (%)|"
    "Ambient air temperature (°C)|Accelerator pedal position D (%)|Accelerator pedal position E (%)"
)
SHORT: Final = "Time|ECT|MAP (kPa)|RPM|VSS (km/h)|IAT|MAF (g/s)|TPS_B (%)|AAT|APP_D (%)|APP_E (%)"
Log = tuple[list[str], Rows, np.ndarray]
Read = Callable[..., Intake]
#: A written log: its head, its rows, and what the finder's clock shows at the first of them.
Shape = tuple[list[str], Rows, float]


def listed(name: str = NAME) -> list[tuple[float, float]]:
    """Start and length of each listed sweep. [s]"""
    with (FOLDER / "sweeps.csv").open() as stream:
        found = [row for row in csv.DictReader(stream) if row["source_file"] == name]
    return [(float(row["t0_s"]), float(row["dur_s"])) for row in found]


def clock(second: float) -> str:
    return f"{int(second // 3600):02d}:{int(second % 3600 // 60):02d}:{second % 60:06.3f}"


def check(found: Intake, wanted: list[tuple[float, float]], origin_s: float, within_s: float = 1.5) -> None:
    """The list counts time from the first complete row, about a second after the first row: hence 1.5 s."""
    spans = [(pull.start_s - origin_s, pull.end_s - pull.start_s) for pull in sweeps(found)]
    assert len(spans) == len(wanted), spans
    for (start, length), (first, lasts) in zip(spans, wanted, strict=True):
        assert start == pytest.approx(first, abs=within_s)
        assert length == pytest.approx(lasts, abs=1.5)


def timed(head: list[str], rows: Rows, name: str, stamp: Callable[[float], str]) -> tuple[list[str], Rows]:
    return [name, *head[1:]], [[stamp(seconds(row[TIME])), *row[1:]] for row in rows]


def half_past(second: float) -> str:
    hours = int(second // 3600)
    return f"{(hours - 1) % 12 + 1}{clock(second)[2:]} {'PM' if hours >= 12 else 'AM'}"


SHAPES: Final[dict[str, Callable[[list[str], Rows, float], Shape]]] = {
    "columns in reverse": lambda head, rows, begin: (head[::-1], [row[::-1] for row in rows], begin),
    "ISO time two hours east": lambda head, rows, begin: (
        *timed(head, rows, "Time", lambda t: f"2017-07-05T{clock(t)}+02:00"),
        begin - 7200.0,
    ),
    "seconds": lambda head, rows, begin: (*timed(head, rows, "Time [s]", lambda t: f"{t - begin:.3f}"), 0.0),
    "milliseconds since 1970": lambda head, rows, begin: (
        *timed(head, rows, "Timestamp", lambda t: f"{1e3 * (1499212800 + t):.0f}"),
        1499212800.0 + begin,
    ),
    "morning and afternoon": lambda head, rows, begin: (*timed(head, rows, "Time", half_past), begin),
    "date in a column of its own": lambda head, rows, begin: (
        ["Date", *head],
        [["05.07.2017", *row] for row in rows],
        begin,
    ),
    "one channel a row": lambda head, rows, begin: (
        head,
        [
            [row[0], *(cell if place % 10 == k % 10 else "" for place, cell in enumerate(row[1:]))]
            for k, row in enumerate(rows)
        ],
        begin,
    ),
    "every second row": lambda head, rows, begin: (head, rows[::2], begin),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_the_same_sweeps_in_another_shape(log: Log, read: Read, shape: str) -> None:  # noqa: F811
    head, rows, _ = log
    heads, cells, origin_s = SHAPES[shape](head, rows, seconds(rows[0][TIME]))
    check(read(heads, cells), listed(), origin_s, within_s=2.0 if shape == "one channel a row" else 1.5)


@pytest.mark.parametrize(("names", "pedal"), [(LONG, "Accelerator pedal position D"), (SHORT, "APP_D (%)")])
def test_the_same_sweeps_under_other_names(log: Log, read: Read, names: str, pedal: str) -> None:  # noqa: F811
    _, rows, _ = log
    found = read(names.split("|"), rows, replace(RULE, hints=ChannelHints(throttle=pedal)))
    check(found, listed(), seconds(rows[0][TIME]))


@pytest.mark.parametrize("name", [name for name in FILES if listed(name)] if FOLDER.is_dir() else [])
def test_the_engine_is_switched_off_in_mid_file(read: Read, name: str) -> None:  # noqa: F811
    """A minute's halt with ignition on: all sweeps stand, those behind it a minute later."""
    head, *lines = (FOLDER / name).read_text(encoding="utf-8").splitlines()
    rows = [line.split(",") for line in lines]
    begin, half = seconds(rows[0][TIME]), len(rows) // 2
    stop = seconds(rows[half][TIME])
    off = list(rows[half])
    off[MAP], off[RPM], off[SPEED], off[PEDAL], off[PEDAL + 1] = "98.0", "0.0", "0.0", "14.1", "14.5"
    halt = [[clock(stop + 0.1 * k), *off[1:]] for k in range(600)]
    later = [[clock(seconds(row[TIME]) + 60.0), *row[1:]] for row in rows[half:]]
    wanted = [(start + (60.0 if begin + start > stop else 0.0), lasts) for start, lasts in listed(name)]
    check(read(head.split(","), [*rows[:half], *halt, *later]), wanted, begin)


def test_one_pull_alone_and_one_cut_off(log: Log, read: Read) -> None:  # noqa: F811
    head, rows, time = log
    start, lasts = listed()[0]
    begin = seconds(rows[0][TIME])
    alone = [row for row, t in zip(rows, time, strict=True) if start - 60.0 < t < start + lasts + 30.0]
    check(read(head, alone), listed()[:1], begin)
    cut = read(head, [row for row, t in zip(rows, time, strict=True) if t < start + 0.6 * lasts])
    (pull,) = [pull for pull in cut.pulls if pull.usable]
    assert pull.aborted
    assert [remark for remark in pull.quality.remarks if "it counts up to where it ended" in remark.text]


@pytest.mark.parametrize("options", [RULE, ReadOptions(hints=RULE.hints)])
def test_an_engine_that_only_idles(log: Log, read: Read, options: ReadOptions) -> None:  # noqa: F811
    head, rows, _ = log
    found = read(head, [row for row in rows if not row[RPM] or float(row[RPM]) < 1000.0], options)
    assert not [pull for pull in found.pulls if pull.usable]
    assert [words for words in found.warnings if words.startswith("no pull found")]


def test_a_drive_that_never_sees_full_pedal_is_doubted(log: Log, read: Read) -> None:  # noqa: F811
    """Without the rule the highest pedal of a log is taken for full. It starts with blank cells, as all of these do."""
    head, rows, time = log
    away = np.ones(time.size, dtype=bool)
    for start, lasts in listed():
        away &= (time < start - 8.0) | (time > start + lasts + 8.0)
    gentle = [row for row, far in zip(rows, away, strict=True) if far and float(row[PEDAL] or 0.0) <= 60.0]
    assert not rows[0][PEDAL]
    assert not sweeps(read(head, gentle))
    taken = [pull for pull in read(head, gentle, ReadOptions(hints=RULE.hints)).pulls if pull.usable]
    assert taken
    for pull in taken:
        assert "throttle reads 60 % at the most: is that full?" in [remark.text for remark in pull.quality.remarks]
