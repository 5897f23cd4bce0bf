"""Logs in every dialect and language come out as they went in."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recommender.logs import DIALECTS, FoundPull, ReadOptions, intake, write_log

from .recordings import PLATEAU_KPA, recording, without

JOB = ReadOptions(default_pressure_unit="psi", judged=(3900.0, 6700.0))
#: 25 dialects, three recordings each: with throttle and what lies around; without throttle; the pull alone.
CASES = [
    (name, around, throttle) for name in DIALECTS for around, throttle in ((True, True), (True, False), (False, False))
]


def only_pull(path: Path, options: ReadOptions = JOB) -> FoundPull:
    usable = [pull for pull in intake(path, options).pulls if pull.usable]
    assert len(usable) == 1
    return usable[0]


@pytest.mark.parametrize(("dialect", "around", "throttle"), CASES)
def test_every_dialect_is_read_right(tmp_path: Path, dialect: str, around: bool, throttle: bool) -> None:
    channels = recording(20.0, around=around)
    if not throttle:
        channels = without(channels, "throttle_pct")
    path = write_log(tmp_path / "pull.log", channels, dialect)
    log = intake(path, JOB)
    pull = only_pull(path)
    assert pull.quality.verdict == "taken"
    assert not pull.aborted
    # Three noise standard deviations about the ends of the sweep, and the 0.4 s that a start may take to show.
    assert pull.trace.rpm[0] == pytest.approx(2000.0, abs=200.0)
    assert pull.trace.rpm[-1] == pytest.approx(7000.0, abs=100.0)
    plateau = pull.trace.boost_kpa[pull.trace.rpm > 5000.0]
    # 80 samples of 1.5 kPa noise: their mean is within 0.5; a barometer left out costs 3 kPa in an absolute log.
    left_out = DIALECTS[dialect].absolute and not DIALECTS[dialect].barometer
    assert np.mean(plateau) == pytest.approx(PLATEAU_KPA, abs=4.0 if left_out else 0.7)
    roles = {choice.role for choice in log.channels}
    assert {"rpm", "boost", "duty", "lambda_", "exhaust_c", "knock", "intake_c", "coolant_c"} <= roles
    assert ("throttle" in roles) == throttle
    assert ("barometer" in roles) == DIALECTS[dialect].barometer
    assert pull.conditions.intake_c == pytest.approx(31.4, abs=0.1)
    assert pull.conditions.coolant_c == pytest.approx(88.2, abs=0.1)


@pytest.mark.parametrize("rate_hz", [10.0, 25.0, 50.0, 100.0])
@pytest.mark.parametrize("unit", ["psi", "kPa", "bar"])
@pytest.mark.parametrize("header", ["time,rpm,boost", "Time (s),Engine Speed (rpm),Boost ({unit}),Throttle (%)"])
def test_the_plainest_log_of_a_pull_alone(tmp_path: Path, header: str, unit: str, rate_hz: float) -> None:
    channels = recording(rate_hz, around=False)
    factor = {"psi": 1 / 6.894757293, "kPa": 1.0, "bar": 0.01}[unit]
    more = ",100" if "Throttle" in header else ""
    lines = [header.format(unit=unit)] + [
        f"{t:.3f},{n:.0f},{p * factor:.4f}{more}"
        for t, n, p in zip(channels["time_s"], channels["rpm"], channels["boost_kpa"], strict=True)
    ]
    (tmp_path / "pull.csv").write_text("\n".join(lines))
    pull = only_pull(tmp_path / "pull.csv", ReadOptions(default_pressure_unit=unit, judged=(3900.0, 6700.0)))
    assert pull.quality.verdict == "taken"
    assert np.mean(pull.trace.boost_kpa[pull.trace.rpm > 5000.0]) == pytest.approx(PLATEAU_KPA, abs=0.7)
    assert np.ptp(pull.trace.time_s) == pytest.approx(10.0, abs=0.6)


def test_same_numbers_in_three_units(tmp_path: Path) -> None:
    traces = []
    for name in ("plain commas", "names with unit at the end", "semicolons and decimal commas"):  # psi, kPa, bar
        path = write_log(tmp_path / "pull.csv", recording(20.0), name)
        traces.append(only_pull(path).trace)
    for trace in traces[1:]:
        # bar is written to 0.0001, psi to 0.001, kPa to 0.01: rounding of 0.01 kPa at the most.
        np.testing.assert_allclose(trace.boost_kpa, traces[0].boost_kpa, atol=0.012)


def test_unknown_dialect_and_missing_channel() -> None:
    with pytest.raises(ValueError, match="unknown dialect 'commas'; known are plain commas"):
        write_log("x.csv", recording(), "commas")
    with pytest.raises(ValueError, match="missing are boost_kpa"):
        write_log("x.csv", without(recording(), "boost_kpa"))
