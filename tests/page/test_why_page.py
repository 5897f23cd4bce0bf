"""Lines of the why page that stand where there is nothing to list: each goes when there is something."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from recommender.page import views
from recommender.page.app import templates
from recommender.page.desk import Desk
from recommender.session import Session
from tests.page.garage import Bay

NO_PULL = "No pull yet: the step rests on what is known of wastegates in general."
NO_OTHER = "No other step was near enough to be named."
NO_CHANGE = "Nothing within reach: neither a wider step nor a little more risk."
NOTHING = "Nothing to dial in."


def shown(desk: Desk, number: int, **changed: Any) -> str:
    """The page of a step, or of the same step with other findings."""
    values = views.why(desk, number)
    values["why"] = replace(values["why"], **changed)
    job = desk.session.job
    return templates().get_template("why.html").render(job=job, unit=job.pressure_unit, **values)


@pytest.fixture
def desk(bay: Bay) -> Any:
    with Session.open(bay.job) as session:
        yield Desk(session)


def test_before_and_after_the_first_pull(desk: Desk) -> None:
    first, third = shown(desk, 1), shown(desk, 3)
    assert NO_PULL in first
    assert NO_OTHER in first
    assert NO_PULL not in third
    assert third.count('aria-label="Weight of pull ') == 2  # two pulls are on record
    assert NO_OTHER not in third
    ruled_out = desk.session.explain(3).alternatives
    assert ruled_out
    assert f"<li>{ruled_out[0].text}</li>" in third
    assert NOTHING not in third
    assert shown(desk, 3, alternatives=()).count(NO_OTHER) == 1


def test_what_would_change_the_answer_or_nothing(desk: Desk) -> None:
    explained = desk.session.explain(3)
    assert explained.would_change
    page = shown(desk, 3)
    assert NO_CHANGE not in page
    assert f"<li>{explained.would_change[0].text}</li>" in page
    assert NO_CHANGE in shown(desk, 3, would_change=())


def test_a_step_without_settings_has_nothing_to_dial_in(faces: dict[str, Bay]) -> None:
    for kind, nothing in (("done", False), ("reach", False), ("stop", True), ("repeat", False)):
        with Session.open(faces[kind].job) as session:
            desk = Desk(session)
            page = shown(desk, session.next_step().number)
        assert (NOTHING in page) == nothing, kind
        # where the job ended, the page of the settings may say to dial back in what stood
        assert ("<p>The settings of pull 1 stand: Duty 0 %" in page) == (kind in ("done", "reach")), kind


def test_the_last_prediction_is_drawn_with_the_target_that_it_served(tmp_path: Path) -> None:
    """On the page of another target too: the deviations in the sentence above it are from that one."""
    bay = Bay(tmp_path / "job", second=0.8)
    with Session.open(bay.job) as session:
        run = session.next_step("track").settings or {}
        session.add_pull(bay.log("pull 1.csv", run, 1), run, target="track")
        desk = Desk(session)
        numbers = {name: session.next_step(name).number for name in ("road", "track")}
        pages = {name: shown(desk, number) for name, number in numbers.items()}
    drawn = {name: re.findall(r'<path class="target-line" d="([^"]+)"', page)[0] for name, page in pages.items()}
    assert drawn["road"] == drawn["track"]
    words = "Target: that of track, for which it was made."
    assert words in pages["road"]
    assert words not in pages["track"]


def test_weeks_since_the_last_pull_stand_beside_the_step(bay: Bay) -> None:
    """The page of the settings, opened on the day of the pulls and five weeks later."""
    now = datetime.datetime.now(datetime.UTC)
    for days, said in ((0, False), (35, True)):
        with Session.open(bay.job, clock=lambda ahead=days: now + datetime.timedelta(days=ahead)) as session:
            values = views.desk(Desk(session), session.job.wanted(None).name, None, "")
            page = templates().get_template("desk.html").render(job=session.job, unit="psi", mark="", **values)
        assert ("5 weeks lie between pull 2 and today" in page) == said


def asked(desk: Desk, **settings: float) -> str:
    """The page of what if."""
    values = views.what_if(desk, None, settings)
    return templates().get_template("what_if.html").render(job=desk.job, unit=desk.job.pressure_unit, **values)


def test_what_if_says_what_speaks_against_settings_of_little_risk(faces: dict[str, Bay], bay: Bay) -> None:
    with Session.open(faces["stop"].job) as session:
        page = asked(Desk(session), duty=0.0)
        assert "Within the 1 % that the job allows." not in page
        assert 'class="risk beyond"' in page
        assert "The job is at a stop: nothing is to be run before its cause is found." in page
        assert f"<strong>The job is at a stop.</strong> {session.next_step().reasons[0]}" in page
        assert "of the step that stands" not in page
    with Session.open(bay.job) as session:
        assert "Within the 1 % that the job allows." in asked(Desk(session), duty=20.0)
        run = dict(session.next_step().settings or {})
        session.add_pull(bay.log("pull 3.csv", run, 3, until_rpm=5000), run)
        page = asked(Desk(session), **run)
        assert "The risk is within what the job allows." in page
        against = "Pull 3 was aborted, and these settings ask for at least as much boost: this would not be proposed."
        assert f"</span> {against}</p>" in page
        assert "of the step that stands" in page


def test_what_if_shows_all_that_it_answers_for(bay: Bay) -> None:
    """A knob that the job fixes can be asked about; it has no field, and the answer is of it all the same."""
    text = bay.job.read_text(encoding="utf-8")
    fixed = re.sub(r"(?s)\[knobs\.engagement\].*?(?=\[)", "[knobs.engagement]\nfixed = 3.0\n", text)
    bay.job.write_text(fixed, "utf-8")
    with Session.open(bay.job) as session:
        page = asked(Desk(session), duty=20.0, engagement=5.0)
    assert re.search(r"<p>Duty 20 %, Ramp from \d+ rpm, .*, Engagement 5 psi, Gain 0</p>", page)
    assert 'name="duty"' in page
    assert 'name="engagement"' not in page
