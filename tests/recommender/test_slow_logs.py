"""A log too slow to show a spike: the same pulls, a higher risk, and the reason said everywhere."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from models.risk import hidden_kpa, risk_of, spikes_kpa
from models.settings import Settings
from recommender import wording
from recommender.decide.caveats import slow_logs
from recommender.session import PullRefused, PullResult, Session, Step
from recommender.session.pull_log import _too_slow

from .why_cars import problem, pull

RUN = {"duty": 20.0, "engagement": 8.0}
IDLE = Settings(0, 3000, 7000, 0, 0, 0)
STEP = Settings(20, 3000, 7000, 0, 8 * 6.894757293, 0)


def thinned(log: Path, every: int) -> Path:
    """The log with every so many rows."""
    head, *rows = log.read_text(encoding="utf-8").splitlines()
    slow = log.with_name(f"{log.stem} every {every}.csv")
    slow.write_text("\n".join([head, *rows[::every]]) + "\n", encoding="utf-8")
    return slow


@pytest.fixture(scope="module")
def answers(tmp_path_factory: pytest.TempPathFactory) -> dict[int, tuple[PullResult, Step, list[str]]]:
    """Two pulls and the step after them, logged 50 and 1.5 times a second."""
    from .conftest import JOB, write_pull

    folder = tmp_path_factory.mktemp("slow")
    logs = [write_pull(folder / f"pull {n}.csv", run, seed=n) for n, run in ((1, IDLE), (2, STEP))]
    found = {}
    for every in (1, 33):
        place = folder / f"job {every}"
        place.mkdir()
        (place / "job.toml").write_text(JOB, encoding="utf-8")
        with Session.open(place) as session:
            for log, settings in zip(logs, ({}, RUN), strict=True):
                pull = session.add_pull(thinned(log, every), settings)
            why = [reason.text for reason in session.explain().reasons]
            found[every] = (pull, session.next_step(), why)
            near = session.what_if({"duty": 45.0, "engagement": 8.0, "gain": 0.0, "ramp_add": 0.0})
            found[-every] = (pull, near, why)
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr("models.risk.UNSEEN_SHARE", 0.0)
                found[-every - 1] = (pull, session.what_if(near.settings or {}), why)
    return found


def test_what_the_rate_could_have_hidden_reaches_the_surrogate(
    answers: dict[int, tuple[PullResult, Step, list[str]]],
) -> None:
    quick, slow = (answers[every][0].entry for every in (1, 33))
    assert quick is not None
    assert slow is not None
    assert quick.observation().unseen_kpa == 0.0
    # 0.075 kPa/rpm along the spool line, 500 rpm/s and 0.66 s between readings: 25 kPa a reading, half of it a tent
    assert 5.0 < slow.observation().unseen_kpa < 14.0


def test_the_same_settings_carry_more_risk_for_what_was_not_seen(
    answers: dict[int, tuple[PullResult, Step, list[str]]],
) -> None:
    """Evidence alike but for what the log could have hidden; 50 times a second hides nothing, so nothing is added."""
    with_risk = {every: answers[-every][1] for every in (1, 33)}
    assert with_risk[33].risk > 1.05 * answers[-34][1].risk
    assert with_risk[33].peak_high > answers[-34][1].peak_high + 0.1
    assert with_risk[1].risk == answers[-2][1].risk


def test_it_is_said_in_add_in_next_and_in_why(answers: dict[int, tuple[PullResult, Step, list[str]]]) -> None:
    pull, step, why = answers[33]
    (warning,) = [text for text in pull.warnings if "times a second" in text]
    assert "1.5 times a second: overshoot and ringing cannot be seen" in warning
    assert "psi between two readings" in warning
    assert "slow log" in step.codes[:3]
    (reason,) = [text for text in step.reasons if "too slow" in text]
    assert reason.startswith("The logs of pulls 1 and 2 are too slow to show a spike of up to")
    assert "takes the risk from" in reason
    assert reason in why


@pytest.mark.parametrize(("unit", "unseen_kpa", "size"), [("kPa", 0.4, ""), ("psi", 0.4, "0.1 psi"), ("psi", 0.3, "")])
def test_what_rounds_to_nothing_has_no_size_and_widens_nothing(
    folder: Path, unit: str, unseen_kpa: float, size: str
) -> None:
    text = (folder / "job.toml").read_text(encoding="utf-8")
    (folder / "job.toml").write_text(text.replace('pressure = "psi"', f'pressure = "{unit}"'), encoding="utf-8")
    with Session.open(folder) as session:
        said = _too_slow(5.0, unseen_kpa, session.job)
    assert said.startswith("Boost is read 5.0 times a second: overshoot and ringing cannot be seen")
    assert ("widened" in said) == bool(size)
    assert ("nor a spike" in said) == bool(size)
    assert size in said


def test_a_quick_log_says_nothing_of_the_kind(answers: dict[int, tuple[PullResult, Step, list[str]]]) -> None:
    pull, step, why = answers[1]
    assert not [text for text in (*pull.warnings, *step.reasons, *why) if "times a second" in text or "slow" in text]


def test_the_risk_it_is_taken_from_is_that_of_the_same_pulls_logged_quickly() -> None:
    """Draws of the highest boost without what the logs could have hidden, and with it."""
    slow = [replace(pull(n, duty), unseen_kpa=12.0) for n, duty in ((1, 0.0), (2, 20.0))]
    bare = np.linspace(110.0, 130.0, 384)
    highest = bare + spikes_kpa(bare.size, hidden_kpa(slow))
    limit = problem().limit_kpa
    without, risk = (float(risk_of(each[:, None], limit)[0]) for each in (bare, highest))
    assert wording.risk(without) != wording.risk(risk)
    seen: Any = SimpleNamespace(problem=problem(), pulls=slow, hidden=hidden_kpa(slow))
    forecast: Any = SimpleNamespace(highest=highest, risk=risk)
    (reason,) = slow_logs(seen, forecast)
    assert f"takes the risk from {wording.risk(without)} to {wording.risk(risk)}." in reason.text
    far: Any = SimpleNamespace(highest=highest - 60.0, risk=0.0)
    (reason,) = slow_logs(seen, far)
    assert f"leaves the risk at {wording.risk(0.0, seen.problem.risk)}." in reason.text


def test_a_slow_log_that_cannot_be_relied_on_is_not_told_again() -> None:
    """Nothing was widened for it: it was left out."""
    pulls = [pull(1, 0.0), replace(pull(2, 20.0, trusted=False), unseen_kpa=12.0)]
    seen: Any = SimpleNamespace(problem=problem(), pulls=pulls, hidden=hidden_kpa(pulls))
    forecast: Any = SimpleNamespace(highest=np.full(384, 100.0), risk=0.001)
    assert slow_logs(seen, forecast) == ()


def test_a_record_without_the_entry_reads_as_all_seen(pull_log: Callable[..., Path], session: Session) -> None:
    """Records of before it was kept."""
    entry = session.add_pull(pull_log(IDLE)).entry
    assert entry is not None
    facts = {name: value for name, value in entry.facts.items() if name != "unseen_kpa"}
    assert replace(entry, facts=facts).observation().unseen_kpa == 0.0


@pytest.mark.parametrize("first", [True, False])
def test_a_pull_lifted_before_the_target_begins_is_no_evidence_and_no_fault(
    folder: Path, job_text: str, pull_log: Callable[..., Path], first: bool
) -> None:
    (folder / "job.toml").write_text(job_text.replace("[2600, 3900", "[3200, 3900"), encoding="utf-8")
    with Session.open(folder) as session:
        if not first:
            session.add_pull(pull_log(IDLE))
        with pytest.raises(PullRefused, match=r"covers 22.. to 29.. rpm and the target 3200 to 6800"):
            session.add_pull(pull_log(IDLE, last_rpm=2900.0), {"duty": 0.0})
        step = session.next_step()
        assert step.codes[0] == "log refused"
        assert step.verdict == ("repeat" if first else "pull")  # after a baseline, duty 0 is not what was proposed
        assert session.explain().reasons


def test_a_pull_on_record_outside_a_target_is_left_out(session: Session, pull_log: Callable[..., Path]) -> None:
    """A second target may begin above what an aborted pull covers."""
    entry = session.add_pull(pull_log(IDLE, last_rpm=3400.0)).entry
    assert entry is not None
    seen = entry.observation(np.arange(3900.0, 6851.0, 50.0))
    assert not seen.trusted
    assert "to 3400 rpm, outside the target's range" in seen.remark
    assert entry.observation().trusted
