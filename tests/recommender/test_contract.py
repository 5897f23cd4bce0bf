"""What others call: the session as it was promised, word for word."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest

from models.settings import KNOB_NAMES, Settings
from models.units import kpa_in

VERDICTS = {"pull", "repeat", "done", "out of reach", "stop"}
BASELINE = {"duty": 0, "ramp_from": 5000, "ramp_to": 7000, "ramp_add": 0, "engagement": 0, "gain": 0}


def test_session_as_promised(folder: Path, pull_log: Callable[..., Path]) -> None:
    from recommender import Session

    session = Session.open(str(folder / "job.toml"))
    assert (folder / "record.db").is_file()  # made on first use
    first = session.next_step()
    assert first.verdict == "pull"
    assert isinstance(first.settings, Mapping)
    assert list(first.settings) == list(KNOB_NAMES)
    assert first.settings["duty"] == first.settings["ramp_add"] == first.settings["gain"] == 0  # baseline first

    # Settings left out: those last proposed were run.
    pull = session.add_pull(str(pull_log(session.job.settings_from_job(first.settings))))
    assert dict(pull.settings) == dict(first.settings)
    assert pull.source == "proposed"

    session.add_pull(
        str(pull_log(Settings(20, 5000, 7000, 0, 8 * kpa_in("psi"), 0))),
        settings={"duty": 20, "ramp_from": 5000, "ramp_to": 7000, "ramp_add": 0, "engagement": 8, "gain": 0},
    )
    step = session.next_step()
    assert step.verdict in VERDICTS
    assert 0.0 <= step.risk <= 1.0
    assert isinstance(step.deviation, float)
    band = step.band
    assert band.rpm.shape == band.mean.shape == band.low.shape == band.high.shape
    assert np.all(band.low <= band.mean)
    assert np.all(band.mean <= band.high)
    assert np.all(np.diff(band.rpm) > 0)
    assert 0 < band.mean.max() < 30  # psi, not kPa
    assert step.reasons
    assert all(isinstance(reason, str) and reason.endswith(".") for reason in step.reasons)


def test_the_answer_stays_the_same_until_a_pull_is_added(folder: Path, pull_log: Callable[..., Path]) -> None:
    from recommender.session import Session, to_json

    with Session.open(folder) as session:
        session.add_pull(pull_log(Settings(0, 5000, 7000, 0, 0, 0)), settings=BASELINE)
        answer = to_json(session.next_step())
        assert to_json(session.next_step()) == answer
        garbage = folder / "notes.csv"
        garbage.write_text("hello")
        with pytest.raises(ValueError, match=r"notes\.csv"):
            session.add_pull(garbage)
        assert to_json(session.next_step()) == answer
    imports = "import sys; from recommender.session import Session, to_json"
    command = f"{imports}; print(to_json(Session.open(sys.argv[1]).next_step()))"
    again = subprocess.run([sys.executable, "-c", command, str(folder)], capture_output=True, text=True, check=True)
    assert again.stdout.strip() == answer
    parsed = json.loads(answer)
    assert {"verdict", "settings", "risk", "deviation", "band", "reasons"} <= parsed.keys()
    assert {"rpm", "mean", "low", "high"} == parsed["band"].keys()


def test_the_same_history_gives_the_same_step_in_another_record(
    tmp_path: Path, job_text: str, pull_log: Callable[..., Path]
) -> None:
    from recommender.session import Session, plain

    logs = [pull_log(Settings(duty, 5000, 7000, 0, 0, 0)) for duty in (0, 15)]
    answers = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "job.toml").write_text(job_text)
        with Session.open(tmp_path / name) as session:
            for log, duty in zip(logs, (0, 15), strict=True):
                session.add_pull(log, settings={**BASELINE, "duty": duty})
            answers.append(plain(session.next_step()))
    assert answers[0] == answers[1]


def test_importing_the_package_is_quick_and_light() -> None:
    code = (
        "import sys, recommender; print([m for m in ('optuna', 'pandas', 'scipy', 'sqlalchemy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_name_that_is_not_there_is_an_attribute_error() -> None:
    import recommender

    with pytest.raises(AttributeError, match="no attribute 'Sesion'"):
        _ = recommender.Sesion  # type: ignore[attr-defined]
    for name in recommender.__all__:
        assert getattr(recommender, name) is not None


@pytest.mark.parametrize("unit", ["kPa", "bar"])
def test_the_same_job_in_another_unit_gets_the_same_settings(
    tmp_path: Path, job_text: str, pull_log: Callable[..., Path], unit: str
) -> None:
    from recommender.session import Session

    factor = kpa_in("psi") / kpa_in(unit)

    def rewritten(text: str) -> str:
        text = text.replace('pressure = "psi"', f'pressure = "{unit}"').replace("19.0", f"{19 * factor:.6f}")
        text = text.replace("[8.0, 16.0, 16.0]", f"[{8 * factor:.6f}, {16 * factor:.6f}, {16 * factor:.6f}]")
        head, tail = text.split("[knobs.engagement]")
        for value in ("16.0", "0.5", "8.0"):
            tail = tail.replace(f"= {value}", f"= {float(value) * factor:.6f}", 1)
        return f"{head}[knobs.engagement]{tail}"

    sessions = []
    for name, text in (("psi", job_text), (unit, rewritten(job_text))):
        (tmp_path / name).mkdir()
        (tmp_path / name / "job.toml").write_text(text)
        sessions.append(Session.open(tmp_path / name))
    ours, theirs = sessions
    for _ in range(3):
        first, second = ours.next_step(), theirs.next_step()
        assert first.verdict == second.verdict
        if first.settings is None or second.settings is None:
            break
        # Six decimals were written into the job file.
        expected = {**first.settings, "engagement": first.settings["engagement"] * factor}
        assert dict(second.settings) == pytest.approx(expected, abs=1e-4)
        assert ours.job.settings_from_job(first.settings) == theirs.job.settings_from_job(second.settings)
        assert second.risk == first.risk
        assert second.deviation == pytest.approx(first.deviation * factor, rel=1e-12)
        log = pull_log(ours.job.settings_from_job(first.settings))
        mine, other = ours.add_pull(log), theirs.add_pull(log)
        assert other.peak == pytest.approx(mine.peak * factor, rel=1e-12)
