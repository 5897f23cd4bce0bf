"""What the page says: margins, misses, withheld settings; each sentence changes with what it is made from."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from recommender.page import pieces
from recommender.session import PullResult, Session, Step, StepBand, Stop, Trust
from tests.page.garage import Bay


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Any:
    bay = Bay(tmp_path_factory.mktemp("pieces") / "job")
    bay.play(1)
    with Session.open(bay.job) as opened:
        yield opened


@pytest.fixture
def step(session: Session) -> Step:
    return session.next_step()


@pytest.fixture
def pull(session: Session) -> PullResult:
    return session.pulls()[0]


def banded(step: Step, width: float) -> Step:
    rpm = np.array([3000.0, 6000.0])
    mean = np.array([14.0, 15.0])
    return dataclasses.replace(step, band=StepBand(rpm, mean, mean - width / 2, mean + width / 2))


def test_trust_is_counted_and_a_miss_is_told_with_what_it_did(step: Step, pull: PullResult) -> None:
    assert pieces.trust_lines(Trust(0, 0, float("nan")), None, step, None) == [
        "No prediction has been put to the test yet."
    ]
    held = pieces.trust_lines(Trust(4, 3, 0.93), dataclasses.replace(pull, hit=True), step, None)
    assert held == ["3 of 4 predictions held (curve and peak); on average 93 % of a curve lay inside its 90 % band."]
    missed = dataclasses.replace(pull, hit=False, held=0.61, peak=16.2, predicted_peak=14.9)
    wider = pieces.trust_lines(Trust(4, 3, 0.8), missed, banded(step, 2.5), banded(step, 1.25))
    assert wider[1] == (
        "Pull 1 missed its prediction: 61 % of it lay inside the band, peak 16.2 instead of 14.9 psi. The band is "
        "2.50 psi wide now, wider than the 1.25 psi of the prediction that missed."
    )
    narrower = pieces.trust_lines(Trust(4, 3, 0.8), missed, banded(step, 1.0), banded(step, 1.25))
    assert "1.00 psi wide now, narrower than" in narrower[1]


def test_safety_says_whether_the_risk_is_allowed(session: Session, step: Step) -> None:
    job = session.job
    assert (
        pieces.safety(job, dataclasses.replace(step, risk=0.004), True)["verdict"]
        == "Within the 1 % that the job allows."
    )
    above = pieces.safety(job, dataclasses.replace(step, risk=0.02), True)
    assert (above["within"], above["verdict"]) == (False, "Above the 1 % that the job allows.")
    assert not pieces.safety(job, dataclasses.replace(step, risk=0.0), False)["within"]
    # 12 % of room is left right of the limit, so that what passes it can be seen.
    assert pieces.safety(job, step, True)["at_limit"] == pytest.approx(100 / 1.12, abs=0.01)


def test_nearness_is_what_was_measured(session: Session, pull: PullResult) -> None:
    assert pieces.nearness(session.job, pull)["verdict"] == "Pull 1 stayed under the limit."
    over = dataclasses.replace(pull, peak=pull.limit + 1.5, margin=-1.5)
    assert pieces.nearness(session.job, over)["verdict"] == "Pull 1 passed the limit by 1.5 psi."
    assert pieces.nearness(session.job, over)["at_peak"] < 100


def test_boost_above_the_limit_outside_the_pull_is_no_less_above_it(session: Session, pull: PullResult) -> None:
    """What a refused log showed is not to stand beside a tick and "stayed under the limit"."""
    refused = Stop(0, "The refused log cut.csv shows 27.6 psi.", "limit in refused log")
    shown = pieces.nearness(session.job, pull, (refused,))
    assert shown["verdict"] == "Boost passed the limit, though not within pull 1: see what stopped the job."
    assert not shown["within"]
    assert pieces.nearness(session.job, pull, (Stop(1, "Pull 1: lambda 0.93.", "guard"),))["within"]


def test_withheld_settings_are_not_in_the_reasons(step: Step) -> None:
    stopped = dataclasses.replace(
        step, reasons=["lambda passed", "find the cause", "Duty 20 % to 34 %"], codes=["guard", "acknowledge", "duty"]
    )
    assert pieces.shown_reasons(stopped, True) == ["lambda passed", "find the cause"]
    assert pieces.shown_reasons(stopped, False) == stopped.reasons


def test_tiles_mark_what_changes(session: Session, pull: PullResult) -> None:
    moved = dict(pull.settings) | {"duty": pull.settings["duty"] + 7}
    tiles = pieces.tiles(session.job, moved, pull)
    assert [tile.name for tile in tiles if tile.was] == ["duty"]
    assert (tiles[0].number, tiles[0].was, tiles[0].more) == ("7", "0", True)
    assert {tile.note for tile in tiles[1:]} == {"as it is"}
    assert {tile.note for tile in pieces.tiles(session.job, moved, None)} == {""}


def test_a_controller_without_a_knob_has_no_tile_for_it(tmp_path: Any) -> None:
    bay = Bay(tmp_path / "job")
    text = bay.job.read_text()
    bay.job.write_text(text[: text.index("[knobs.gain]")])
    with Session.open(bay.job) as session:
        step = session.next_step()
        assert "gain" not in [tile.name for tile in pieces.tiles(session.job, step.settings or {}, None)]


def test_the_table_says_what_the_figure_shows(session: Session, step: Step, pull: PullResult) -> None:
    rows = pieces.values(session.job, step, pull)
    rpm = [float(row[0]) for row in rows]
    assert np.all(np.diff(rpm) == 250.0)
    middle = next(row for row in rows if row[0] == "5000")
    wanted = session.job.wanted()
    assert middle[1] == f"{np.interp(5000.0, wanted.rpm, wanted.boost):.1f}"
    assert middle[2] == f"{np.interp(5000.0, pull.rpm, pull.boost):.1f}"
    assert [float(cell) for cell in middle[3:]] == sorted(float(cell) for cell in middle[3:])
    stopped = pieces.values(session.job, dataclasses.replace(step, verdict="stop"), pull)
    assert {row[3:] for row in stopped} == {("–", "–", "–")}


def test_a_run_at_held_rpm_is_a_dot_and_no_curve(session: Session, step: Step, pull: PullResult) -> None:
    entry: Any = SimpleNamespace(facts={"held": [[0.0, 5250.0, 75.0]]})
    held = dataclasses.replace(pull, number=2, rpm=np.array([5250.0]), boost=np.array([10.9]), entry=entry)
    assert {row[2] for row in pieces.values(session.job, step, held)} == {"–"}
    assert pieces.dots([]) == ""
    assert pieces.dots([pull]) == "Dot: the highest boost of pull 1, spikes included."
    assert pieces.dots([pull, held]) == "Dot: the highest boost of pull 2, a run at held rpm."
    over = dataclasses.replace(pull, margin=-0.1)
    for before in (held, over):
        assert "Small dots: that of earlier pulls which passed the limit" in pieces.dots([before, pull])


def test_what_has_to_be_said_is_an_empty_field(session: Session) -> None:
    known = {"duty": 4.0, "gain": 0.0, "ramp_add": 0.0, "ramp_from": 5000.0, "ramp_to": 6700.0}
    shown = pieces.fields(session.job, known)
    assert [tile.name for tile in shown] == list(session.job.dials)
    assert {tile.name: tile.number for tile in shown if tile.name in ("duty", "engagement")} == {
        "duty": "4",
        "engagement": "",
    }
    assert pieces.fields(session.job, {**known, "engagement": 2.0}) == pieces.tiles(
        session.job, {name: {**known, "engagement": 2.0}[name] for name in session.job.dials}, None
    )
