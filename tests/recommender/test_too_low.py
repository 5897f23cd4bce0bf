"""A whole sweep that reads far less boost than the spring holds is refused: the gauge does not tell what is there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recommender.logs import write_log
from recommender.session import PullRefused, Session

from .logs.recordings import Channels, recording

BASELINE = {"duty": 0.0, "ramp_from": 5000.0, "ramp_to": 7000.0, "ramp_add": 0.0, "engagement": 0.0, "gain": 0.0}
MORE = {**BASELINE, "duty": 20.0}
SPRING_KPA = 60.0


def sweep(plateau_kpa: float, seed: int) -> Channels:
    return recording(20.0, plateau_kpa=plateau_kpa, noise_kpa=0.3, seed=seed)


def test_a_gauge_without_its_hose_is_no_evidence(session: Session, tmp_path: Path) -> None:
    session.add_pull(write_log(tmp_path / "one.csv", sweep(SPRING_KPA, 0)), BASELINE)
    # 5 kPa are 0.7 psi, 60 kPa are 8.7
    with pytest.raises(PullRefused, match=r"stands at 0\.\d psi .* and at 8\.\d psi in pull 1 with no more duty"):
        session.add_pull(write_log(tmp_path / "two.csv", sweep(5.0, 1)), MORE)
    assert len(session.pulls()) == 1


def test_a_wrong_first_pull_can_be_withdrawn(session: Session, tmp_path: Path) -> None:
    session.add_pull(write_log(tmp_path / "one.csv", sweep(2.5 * SPRING_KPA - 25.0, 0)), BASELINE)
    with pytest.raises(PullRefused, match="if it is pull 1 that is wrong, or a softer spring was fitted"):
        session.add_pull(write_log(tmp_path / "two.csv", sweep(SPRING_KPA, 1)), MORE)
    session.withdraw(1, "the gauge was set to absolute")
    assert session.add_pull(write_log(tmp_path / "two.csv", sweep(SPRING_KPA, 1)), MORE).trusted


def test_less_boost_with_less_duty_or_after_a_spike_is_sound(session: Session, tmp_path: Path) -> None:
    spiked = sweep(SPRING_KPA, 1)
    row = int(np.flatnonzero(spiked["rpm"] > 3800.0)[0])
    spiked["boost_kpa"][row : row + 4] = 125.0  # twice what it then stands at, under the limit of 131
    session.add_pull(write_log(tmp_path / "spiked.csv", spiked), BASELINE)
    assert session.add_pull(write_log(tmp_path / "sound.csv", sweep(SPRING_KPA, 2)), BASELINE).trusted
    session.add_pull(write_log(tmp_path / "much.csv", sweep(128.0, 3)), {**BASELINE, "duty": 60.0})
    assert session.add_pull(write_log(tmp_path / "less.csv", sweep(SPRING_KPA, 4)), MORE).trusted
