"""A short turn of the fuzzing that ``python -m tests.recommender.logs.fuzz`` does at length, and what that found."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from recommender.logs import Dialect, intake

from .fuzzing import (
    check_nothing_made_up,
    check_read_right,
    damaged_logs,
    mistreated_logs,
    odd_tables,
    read_without_fault,
    sound_samples,
    written_logs,
)
from .recordings import Channels

FOUND = Path(__file__).parents[3] / "fixtures" / "logs" / "fuzz"
_QUICK = settings(
    max_examples=40, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@_QUICK
@given(data=odd_tables())
def test_odd_tables(tmp_path: Path, data: bytes) -> None:
    read_without_fault(tmp_path / "log.csv", data)


@pytest.fixture(scope="module")
def samples(tmp_path_factory: pytest.TempPathFactory) -> list[bytes]:
    return sound_samples(tmp_path_factory.mktemp("samples"))


@_QUICK
@given(draw=st.data())
def test_damaged_logs(tmp_path: Path, samples: list[bytes], draw: st.DataObject) -> None:
    read_without_fault(tmp_path / "log.csv", draw.draw(damaged_logs(samples)))


@_QUICK
@given(data=st.binary(max_size=600))
def test_any_bytes(tmp_path: Path, data: bytes) -> None:
    read_without_fault(tmp_path / "log.csv", data)


@_QUICK
@given(case=mistreated_logs())
def test_mistreated_logs_yield_nothing_made_up(tmp_path: Path, case: tuple[Channels, bytes, str]) -> None:
    check_nothing_made_up(tmp_path / "log.csv", case)


@_QUICK
@given(case=written_logs())
def test_written_logs_come_back_or_are_refused(tmp_path: Path, case: tuple[Channels, Dialect]) -> None:
    check_read_right(tmp_path / "log.csv", *case)


@pytest.mark.parametrize("path", sorted(FOUND.glob("*")), ids=lambda path: path.name)
def test_what_fuzzing_found(tmp_path: Path, path: Path) -> None:
    read_without_fault(tmp_path / path.name, path.read_bytes())


def test_the_decimal_sign_is_told_by_the_whole_head_not_by_the_coasting_engine() -> None:
    """Its last 120 lines fit points and commas alike; 10 Hz, one sweep to about 7 000 rpm written as 7.000."""
    log = intake(FOUND / "decimal_sign_of_a_coasting_engine.log")
    assert "decimal commas" in log.layout
    (pull,) = [pull for pull in log.pulls if pull.usable]
    assert 6000.0 < pull.trace.rpm.max() < 7600.0
    assert np.ptp(pull.trace.rpm) > 3500.0
