"""Why, read from a job's record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from models.settings import Settings
from recommender.session import Session, to_json


def add(session: Session, log: Callable[..., Path], **options: object) -> None:
    """Run what is proposed and add it."""
    step = session.next_step()
    assert step.settings is not None
    session.add_pull(log(session.job.settings_from_job(step.settings), **options))


def test_predictions_before_the_step_and_none_after_it(session: Session, pull_log: Callable[..., Path]) -> None:
    add(session, pull_log)
    add(session, pull_log)
    explained = session.explain()
    assert [each.pull for each in explained.outcomes] == [1, 2]
    assert explained.last == explained.outcomes[-1]
    pulls = session.pulls()
    for came, pull in zip(explained.outcomes, pulls, strict=True):
        assert came.hit == pull.hit
        assert came.inside == pytest.approx(pull.held)
        assert came.predicted_peak == pytest.approx(pull.predicted_peak)
    assert [each.pull for each in session.explain(2).outcomes] == [1]
    assert session.explain(1).outcomes == ()
    assert explained.trust.predicted == session.trust().predicted
    assert explained.trust.hits == session.trust().hits


def test_a_pull_run_with_other_settings_is_no_test_of_a_prediction(
    session: Session, pull_log: Callable[..., Path]
) -> None:
    add(session, pull_log)
    session.next_step()
    own = Settings(14.0, 4900.0, 6700.0, 0.0, 0.0, 0.0)
    session.add_pull(pull_log(own), session.job.settings_to_job(own))
    assert [each.pull for each in session.explain().outcomes] == [1]


def test_a_wild_pull_makes_the_last_prediction_a_miss(session: Session, pull_log: Callable[..., Path]) -> None:
    add(session, pull_log)
    add(session, pull_log)
    assert session.explain().last.hit
    add(session, pull_log, scale=0.6)
    explained = session.explain()
    assert not explained.last.hit
    assert "missed the prediction" in explained.last.text
    assert "After the miss of pull 3" in explained.trust.texts[-1]


def test_what_a_guard_made_of_the_decision_comes_first(folder: Path, pull_log: Callable[..., Path]) -> None:
    job = folder / "job.toml"
    job.write_text(job.read_text(encoding="utf-8") + "\n[guards]\nknock = { highest = 3 }\n", encoding="utf-8")
    with Session.open(folder) as session:
        add(session, pull_log, more={"Knock": lambda rpm: 0.0 * rpm + 5.0})
        explained = session.explain()
    assert explained.verdict == "stop"
    assert "knock" in explained.reasons[0].text


def test_under_a_guards_stop_neither_why_nor_what_if_lead_past_it(folder: Path, pull_log: Callable[..., Path]) -> None:
    """What-if had advised a run at held rpm before "this pull", and why had told of the settings of the hidden step."""
    job = folder / "job.toml"
    job.write_text(job.read_text(encoding="utf-8") + "\n[guards]\nknock = { highest = 3 }\n", encoding="utf-8")
    with Session.open(folder) as session:
        add(session, pull_log, more={"Knock": lambda rpm: 0.0 * rpm + 5.0})
        stopped, asked = session.explain(), session.what_if({"duty": 10})
        session.acknowledge(1, "plugs changed")
        step, clear, known = session.next_step(), session.what_if({"duty": 10}), session.explain()
    assert asked.codes[0] == "stopped"
    assert asked.reasons[0].startswith("Pull 1: knock 5 at ")
    assert asked.reasons[0].endswith(" Nothing is run before that is acknowledged.")
    assert "held rpm" in " ".join(step.notes)
    assert asked.notes == clear.notes == ()
    assert clear.codes[0] == "asked for"
    assert step.settings is not None
    assert step.settings["duty"] > 0
    hidden, told = (next(c.text for c in each.constants if c.code == "duty worth") for each in (stopped, known))
    assert hidden.startswith("From 0 %")
    assert told.startswith(f"From {step.settings['duty']:g} %")


def test_json_of_an_explanation_has_no_gaps(session: Session, pull_log: Callable[..., Path]) -> None:
    add(session, pull_log)
    text = to_json(session.explain())
    assert "NaN" not in text
    assert '"constants"' in text


def test_units_of_the_job_file_as_it_is_now(session: Session, pull_log: Callable[..., Path]) -> None:
    from recommender.why import explain

    add(session, pull_log)
    number = session.next_step().number
    metric = explain(replace(session.job, pressure_unit="kPa"), session.record.read(), number)
    assert metric.unit == "kPa"
    assert " psi" not in " ".join(each.text for each in metric.constants)
