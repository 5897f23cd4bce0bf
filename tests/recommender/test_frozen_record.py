"""Records of every format that there ever was still open, and say what they said."""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path
from typing import Any

import pytest

from recommender.record import problem_of
from recommender.session import Session, plain

RECORDS = Path(__file__).parents[2] / "fixtures" / "records"


@pytest.fixture(params=[1], ids="format {}".format)
def kept(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A copy of a kept record: opening one to write leaves a lock file beside it."""
    return Path(shutil.copytree(RECORDS / f"format_{request.param}", tmp_path / "job"))


def near(ours: Any, kept: Any, where: str = "") -> None:
    """Compare two answers: numbers to nine digits (what conversion of units may leave), all else exactly; the fields of
    a newer version are its own."""
    if isinstance(kept, dict):
        for name, value in kept.items():
            near(ours[name], value, f"{where}.{name}")
    elif isinstance(kept, list):
        assert len(ours) == len(kept), where
        for place, value in enumerate(kept):
            near(ours[place], value, f"{where}[{place}]")
    elif isinstance(kept, float) and isinstance(ours, (int, float)):
        assert math.isclose(ours, kept, rel_tol=1e-9, abs_tol=1e-9), where
    else:
        assert ours == kept, where


def test_a_kept_record_says_what_it_said(kept: Path) -> None:
    expected = json.loads((kept / "expected.json").read_text(encoding="utf-8"))
    with Session.open(kept, read_only=True) as session:
        assert session.seed == expected["seed"]
        near([plain(each) for each in session.pulls(withdrawn=True)], expected["pulls"], "pulls")
        near([plain(each) for each in session.steps()], expected["steps"], "steps")
        assert session.digest() == expected["digest"]
        for pull in session.pulls(withdrawn=True):
            assert session.raw_log(pull.number)[1].startswith(b"Time [s],Engine Speed [rpm]")
            assert pull.entry is not None
            assert pull.entry.trace.boost_kpa.max() == pytest.approx(pull.peak * 6.894757293, rel=1e-9)
        assert problem_of(session.record.study).limit_kpa == 131.0


def test_pulls_from_before_guards_were_kept_count_by_their_channels(kept: Path) -> None:
    with (kept / "job.toml").open("a", encoding="utf-8") as stream:
        stream.write("exhaust_c = { highest = 930 }\n")
    with Session.open(kept, read_only=True) as session:
        for pull in session.pulls(withdrawn=True):
            assert pull.entry is not None
            assert "watched" not in pull.entry.facts
            assert pull.watched == (("lambda",) if "lambda_" in pull.entry.facts["channels"] else ())
        assert any(pull.watched for pull in session.pulls(withdrawn=True))


def test_a_kept_record_holds_one_of_everything(kept: Path) -> None:
    with Session.open(kept, read_only=True) as session:
        pulls = session.pulls(withdrawn=True)
        assert {pull.source for pull in pulls} == {"foreign", "proposed", "changed"}
        assert [pull.number for pull in pulls if not pull.complete] == [4]
        assert [pull.withdrawn for pull in pulls if pull.withdrawn] == ["hose came off"]
        assert {"pull", "stop", "repeat"} <= {step.verdict for step in session.steps()}


def test_a_job_goes_on_from_a_kept_record(kept: Path) -> None:
    with Session.open(kept) as session:
        count = len(session.steps())
        step = session.next_step()
        assert step.verdict in {"pull", "repeat", "done", "out of reach", "stop"}
        assert len(session.steps()) == count  # the same evidence: the same answer, whatever the version
