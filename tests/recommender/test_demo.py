"""The demo: a whole job on a virtual car, and a folder that the other commands go on with."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from models import fleet
from recommender import cli
from recommender.demo import BENCH, job_text, kinds
from recommender.job import Job
from recommender.session import Session

run = CliRunner()


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A demo left after two pulls, and what it printed."""
    folder = tmp_path_factory.mktemp("demo") / "car"
    done = run.invoke(cli.app, ["demo", str(folder), "--kind", "plain controller", "--seed", "1", "--pulls", "2"])
    assert done.exit_code == 0, done.output
    return folder, done.output


def test_table_has_settings_deviation_peak_and_verdict_of_every_pull(played: tuple[Path, str]) -> None:
    folder, text = played
    with Session.open(folder) as session:
        pulls, steps = session.pulls(), session.steps()
    assert len(pulls) == 2
    for pull, answer in zip(pulls, steps[1:], strict=True):
        row = next(line for line in text.splitlines() if line.split()[:1] == [str(pull.number)])
        assert f"{pull.settings['duty']:g}" in row.split()
        assert f"{pull.deviation:.2f}" in row.split()
        assert f"{pull.peak:.1f}" in row.split()
        assert row.endswith(answer.verdict)


def test_logs_are_written_in_different_dialects_and_read_back_as_what_was_driven(played: tuple[Path, str]) -> None:
    folder, _ = played
    logs = sorted((folder / BENCH).iterdir())
    heads = {log.read_bytes().splitlines()[0] for log in logs}
    assert len(heads) == len(logs) == 3
    car = fleet.make("plain controller", 1)
    with Session.open(folder) as session:
        for number, pull in enumerate(session.pulls()):
            made = car.pull(session.job.settings_from_job(pull.settings), number, abort=True)
            # Written with two decimals of kPa or three of psi; the log's rows are those of the pull.
            assert pull.peak * 6.894757 == pytest.approx(float(made.trace.boost_kpa.max()), abs=0.1)


def test_the_log_that_waits_can_be_added(played: tuple[Path, str]) -> None:
    folder, text = played
    waiting = folder / BENCH / "pull-03.csv"
    assert f"nextpull add {folder} {waiting}" in text
    done = run.invoke(cli.app, ["add", str(folder), str(waiting)])
    assert done.exit_code == 0, done.output
    assert "as proposed in step 3" in " ".join(done.output.split())


def test_picture_is_an_svg_with_band_and_curve(played: tuple[Path, str]) -> None:
    folder, text = played
    picture = (folder / "session.svg").read_text(encoding="utf-8")
    assert str(folder / "session.svg") in text
    assert picture.startswith("<svg")
    with Session.open(folder) as session:
        pull = session.pulls()[1]
    assert f"Pull 2: {100 * pull.held:.0f} % of the curve inside the 90 % band" in picture
    assert f"{pull.predicted_peak:.1f} psi expected, {pull.peak:.1f} psi seen" in picture


def test_a_job_is_never_overwritten(played: tuple[Path, str]) -> None:
    folder, _ = played
    done = run.invoke(cli.app, ["demo", str(folder)])
    assert done.exit_code == 1
    assert "holds a job already" in done.stderr


def test_kinds_can_be_listed() -> None:
    text = run.invoke(cli.app, ["demo", "--kind", "list"]).output
    assert [line.strip() for line in text.splitlines()] == list(kinds())


@pytest.mark.parametrize("pressure", ["psi", "kPa", "bar"])
@pytest.mark.parametrize("kind", fleet.KINDS)
def test_job_files_are_sound_in_every_unit(tmp_path: Path, kind: str, pressure: str) -> None:
    car = fleet.make(kind, 1)
    text = job_text(car, pressure)
    assert tomllib.loads(text)["pressure"] == pressure
    (tmp_path / "job.toml").write_text(text, encoding="utf-8")
    job = Job.load(tmp_path)
    # Rounded to what a tuner would write: to a tenth of a psi, a kPa, or a hundredth of a bar.
    assert job.limit_kpa == pytest.approx(car.limit_kpa, abs=0.6)
    assert np.abs(job.wanted().target.boost_kpa - car.target.boost_kpa).max() < 0.6
    assert {name: dial.fixed for name, dial in job.dials.items()} == {
        name: knob.fixed for name, knob in car.knobs.items()
    }
