"""Other shapes of the real road logs: cut, re-timed, with sensors missing, dead for a while, or of another drive.

Made from one file of the open data named in ``test_kit_logs``: what its untouched parts hold must still be found, and
nothing that was damaged may be taken for sound.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from recommender.logs import FoundPull, Intake, LogError, ReadOptions, intake

from .test_kit_logs import FOLDER, RULE, pytestmark  # noqa: F401 - the mark holds here too

NAME = "2017-07-05_Seat_Leon_S_KA_Normal.csv"
TIME, MAP, RPM = 0, 2, 3
#: Starts of its three sweeps, counted from the first row. [s]
STARTS = (871.8, 993.8, 1043.7)
Rows = list[list[str]]


def seconds(clock: str) -> float:
    hours, minutes, rest = clock.split(":")
    return int(hours) * 3600.0 + int(minutes) * 60.0 + float(rest)


@pytest.fixture(scope="module")
def log() -> tuple[list[str], Rows, np.ndarray]:
    head, *lines = (FOLDER / NAME).read_text(encoding="utf-8").splitlines()
    rows = [line.split(",") for line in lines]
    time = np.array([seconds(row[TIME]) for row in rows])
    return head.split(","), rows, time - time[0]


@pytest.fixture
def read(tmp_path: Path) -> Callable[..., Intake]:
    def write_and_read(head: list[str], rows: Rows, options: ReadOptions = RULE) -> Intake:
        path = tmp_path / "drive.csv"
        path.write_text("\n".join(",".join(cells) for cells in [head, *rows]) + "\n", encoding="utf-8")
        return intake(path, options)

    return write_and_read


def sweeps(found: Intake) -> list[FoundPull]:
    return [pull for pull in found.pulls if pull.kind == "sweep" and pull.usable]


def check(found: list[FoundPull], starts: tuple[float, ...], origin_s: float, within_s: float = 0.5) -> None:
    """Sweeps where they must be, and each plateau (medians of the list: 226 to 227 kPa absolute) within 1 kPa."""
    assert [pull.start_s - origin_s for pull in found] == pytest.approx(list(starts), abs=within_s)
    for pull in found:
        assert float(np.median(pull.trace.boost_kpa)) == pytest.approx(129.5, abs=1.0)


def blanked(rows: Rows, time: np.ndarray, column: int, first_s: float, last_s: float, cell: str) -> Rows:
    """The rows with one column's cells changed over a stretch of time."""
    inside = (time > first_s) & (time < last_s)
    return [
        [*row[:column], cell, *row[column + 1 :]] if hit else row for row, hit in zip(rows, inside, strict=True)
    ]


def without(head: list[str], rows: Rows, *words: str) -> tuple[list[str], Rows]:
    kept = [place for place, name in enumerate(head) if not any(word in name for word in words)]
    return [head[place] for place in kept], [[row[place] for place in kept] for row in rows]


def test_a_drive_over_midnight(log: tuple[list[str], Rows, np.ndarray], read: Callable[..., Intake]) -> None:
    head, rows, time = log
    begin = 86400.0 - 900.0
    clock = (begin + time) % 86400.0
    late = [
        [f"{int(t // 3600):02d}:{int(t % 3600 // 60):02d}:{t % 60:06.3f}", *row[1:]]
        for t, row in zip(clock, rows, strict=True)
    ]
    check(sweeps(read(head, late)), STARTS, begin)


def test_a_log_switched_on_while_driving(log: tuple[list[str], Rows, np.ndarray], read: Callable[..., Intake]) -> None:
    """No key-on: the ambient can only be assumed, and that is said; the sweeps are the same."""
    head, rows, time = log
    driving = [row for row, t in zip(rows, time, strict=True) if 600.0 < t < 1400.0]
    found = read(head, driving)
    assert [pull.start_s for pull in sweeps(found)] == pytest.approx(
        [seconds(rows[0][TIME]) + start for start in STARTS], abs=0.5
    )
    if found.conditions.barometer_from.startswith("standard"):
        assert [words for words in found.warnings if "no barometer and no key-on reading" in words]
        assert found.conditions.known_barometer_kpa is None


def test_a_stretch_of_rows_is_missing(log: tuple[list[str], Rows, np.ndarray], read: Callable[..., Intake]) -> None:
    head, rows, time = log
    kept = [row for row, t in zip(rows, time, strict=True) if not 985.0 < t < 1035.0]
    check(sweeps(read(head, kept)), (STARTS[0], STARTS[2]), seconds(rows[0][TIME]))


@pytest.mark.parametrize("cell", ["", "0"])
def test_manifold_pressure_is_dead_within_a_sweep(
    log: tuple[list[str], Rows, np.ndarray], read: Callable[..., Intake], cell: str
) -> None:
    head, rows, time = log
    found = read(head, blanked(rows, time, MAP, 1000.0, 1006.0, cell))
    check(sweeps(found), (STARTS[0], STARTS[2]), seconds(rows[0][TIME]))
    (hurt,) = [pull for pull in found.pulls if pull.kind == "sweep" and not pull.usable]
    assert "dropped samples" in {remark.code for remark in hurt.quality.remarks}
    assert (cell == "0") == any("which no engine can draw" in words for words in found.warnings)


@pytest.mark.parametrize("cell", ["", "0"])
def test_engine_speed_is_dead_for_a_second_within_a_sweep(
    log: tuple[list[str], Rows, np.ndarray], read: Callable[..., Intake], cell: str
) -> None:
    head, rows, time = log
    found = read(head, blanked(rows, time, RPM, 880.0, 881.0, cell))
    check(sweeps(found), STARTS, seconds(rows[0][TIME]))
    assert "dropped samples" in {remark.code for remark in sweeps(found)[0].quality.remarks}
    assert all(pull.trace.rpm.min() > 1400.0 for pull in sweeps(found))


def test_a_drive_without_a_full_load_sweep(
    log: tuple[list[str], Rows, np.ndarray], read: Callable[..., Intake]
) -> None:
    """Cold start and town: nothing over 64 % pedal."""
    head, rows, time = log
    town = [row for row, t in zip(rows, time, strict=True) if t < 800.0]
    found = read(head, town)
    assert not found.pulls
    assert [words for words in found.warnings if "throttle reaches 64 %, full load is from 75 %" in words]
    assert not sweeps(read(head, town, ReadOptions()))


def test_the_pedal_is_missing_and_the_throttle_stands_open(
    log: tuple[list[str], Rows, np.ndarray], read: Callable[..., Intake]
) -> None:
    """The engine is not throttled: its flap stands open at idle too. Load is told by boost, and that is said."""
    head, rows, _ = log
    found = read(*without(head, rows, "Accelerator"), ReadOptions())
    assert [words for words in found.warnings if "throttle stands open for most of the log" in words]
    origin = seconds(rows[0][TIME])
    for start in STARTS:
        assert [p for p in sweeps(found) if p.start_s - origin < start + 1.0 and p.end_s - origin > start + 15.0]
    assert all(pull.trace.boost_kpa.max() > 70.0 for pull in sweeps(found))


def test_the_other_pedal_channel_serves(
    log: tuple[list[str], Rows, np.ndarray], read: Callable[..., Intake]
) -> None:
    head, rows, _ = log
    one = without(head, rows, "Position D")
    with pytest.raises(LogError, match=r"no column named 'Accelerator Pedal Position D'.*Accelerator Pedal Position E"):
        read(*one)
    begins = [pull.start_s - seconds(rows[0][TIME]) for pull in sweeps(read(*one, ReadOptions()))]
    for start in STARTS:
        assert min(abs(begin - start) for begin in begins) < 0.5


@pytest.mark.parametrize("gone", ["RPM", "Manifold"])
def test_a_needed_channel_is_missing(
    log: tuple[list[str], Rows, np.ndarray], read: Callable[..., Intake], gone: str
) -> None:
    head, rows, _ = log
    with pytest.raises(LogError, match=f"no {'rpm' if gone == 'RPM' else 'boost'} channel among Time"):
        read(*without(head, rows[:4000], gone))


def test_a_logger_that_writes_one_row_in_twelve(
    log: tuple[list[str], Rows, np.ndarray], read: Callable[..., Intake]
) -> None:
    head, rows, _ = log
    found = sweeps(read(head, rows[::12]))
    check(found, STARTS, seconds(rows[0][TIME]), within_s=1.2)
    assert all(0.8 < pull.rate_hz["boost"] < 1.2 for pull in found)


def test_two_drives_in_one_file(log: tuple[list[str], Rows, np.ndarray], read: Callable[..., Intake]) -> None:
    """The second drive's clock begins earlier in the day."""
    head, rows, time = log
    part = [row for row, t in zip(rows, time, strict=True) if 800.0 < t < 1100.0]
    found = read(head, part + part)
    assert len(sweeps(found)) == 6
    assert [words for words in found.warnings if "time runs backwards" in words]
