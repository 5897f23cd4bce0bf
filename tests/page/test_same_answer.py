"""Whatever the answer is, the page, ``next --json`` and Python give the same one for the same record."""

from __future__ import annotations

import json
import re
import urllib.request
from collections.abc import Callable
from dataclasses import fields
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from recommender import wording
from recommender.cli import app
from recommender.session import Session, Step, to_json
from tests.page.garage import Bay


def read(address: str) -> str:
    with urllib.request.urlopen(address, timeout=30) as answer:
        return str(answer.read().decode())


def texts(pattern: str, page: str) -> list[str]:
    """What a reader sees of each part of a page that fits."""
    return [unescape(re.sub(r"<[^>]+>", "", found)).strip() for found in re.findall(pattern, page, flags=re.S)]


NUMBERS = r'<span class="number">(.*?)</span>'


@pytest.mark.parametrize("kind", ["baseline", "repeat", "done", "reach", "stop"])
def test_each_verdict(serve: Callable[..., Any], faces: dict[str, Bay], kind: str) -> None:
    job = faces[kind].job
    root = serve(job).root
    told = CliRunner().invoke(app, ["next", str(job), "--json"])
    assert told.exit_code == 0, told.output
    with Session.open(job) as session:
        step = session.next_step()
    by_python = json.loads(to_json(step))
    assert json.loads(told.stdout) == by_python == json.loads(read(f"{root}/step.json"))
    assert set(by_python) == {each.name for each in fields(Step)}
    page = read(root)
    assert texts(r'<h1 id="verdict">(.*?)</h1>', page) == [wording.FACES[by_python["verdict"]].words]
    settings = by_python["settings"] or (None if kind == "stop" else by_python["best_settings"])
    tiles = [] if settings is None else [wording.knob_number(value) for value in settings.values()]
    assert texts(NUMBERS, page) == tiles
    reasons = texts(r"<li>(.*?)</li>", page.partition('<ol class="reasons">')[2].partition("</ol>")[0])
    assert reasons == by_python["reasons"][: len(reasons)]
    assert len(reasons) == (2 if kind == "stop" else min(3, len(by_python["reasons"])))
    if kind != "stop":
        assert f"<dd>{wording.risk(by_python['risk'])}</dd>" in page
        assert f"<dd>{by_python['margin']:.1f} <small>psi</small></dd>" in page


def test_done_gives_the_best_pull_and_not_the_last(serve: Callable[..., Any], tmp_path: Path) -> None:
    bay = Bay(tmp_path / "job", tolerance=7.0)
    with Session.open(bay.job) as session:
        idle = dict(session.next_step().settings or {})
        for number, duty in enumerate((0.0, 12.0, 4.0), start=1):
            run = {**idle, "duty": duty}
            session.add_pull(bay.log(f"{number}.csv", run, number), run)
        step = session.next_step()
    # Little duty does nothing yet: the first pull stays the best, and the last left other settings behind.
    assert (step.verdict, step.best_pull) == ("done", 1)
    page = read(serve(bay.job).root)
    assert texts(NUMBERS, page)[0] == "0"
    assert "down from 4" in page
    assert texts(r'<h2 id="dial">(.*?)</h2>', page) == ["Dial back in: the settings of pull 1"]
