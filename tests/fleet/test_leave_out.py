"""Learning a prior from some kinds of cars, with another left out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from models.gate import CONSTANTS, NAMES
from tests.fleet import leave_out


def learnt_at(value: float, spread: float) -> tuple[np.ndarray, np.ndarray]:
    return np.full(len(NAMES), value), np.full(len(NAMES), spread)


def test_a_kind_left_out_leaves_no_trace_and_kinds_weigh_alike() -> None:
    """By hand: kinds at 1 and 3, one of them with twice the cars, give 2; a third at 100 counts only where it is in."""
    learnt = {
        "a": [learnt_at(1.0, 0.5)] * 2,
        "b": [learnt_at(3.0, 0.5)],
        "c": [learnt_at(100.0, 0.5)],
    }
    mean, deviation = leave_out.prior_of(learnt, "c")[NAMES[0]]
    assert mean == pytest.approx(2.0)
    assert deviation == pytest.approx(leave_out.WIDER * np.sqrt(1.0 + 0.25))
    assert leave_out.prior_of(learnt)[NAMES[0]][0] == pytest.approx(104.0 / 3.0)


def test_what_a_car_teaches_is_kept_and_lies_within_reason(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NEXTPULL_BENCH_CACHE", str(tmp_path))
    best, spread = leave_out.learn(("other: free", leave_out.LEARNT_SEED))
    again = leave_out.learn(("other: free", leave_out.LEARNT_SEED))
    np.testing.assert_array_equal(best, again[0])
    deviation = np.array([CONSTANTS[name][1] for name in NAMES])
    assert np.all(spread > 0.0)
    floor = NAMES.index("log_floor")
    assert spread[floor] < 0.5 * deviation[floor]  # a baseline shows the floor
    gain = NAMES.index("log_pull_together")
    assert spread[gain] > 0.7 * deviation[gain]  # no pull had gain: nothing was learnt of it
