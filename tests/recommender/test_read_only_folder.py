"""A job in a folder that cannot be written to, a stick or a share: it is read as it is, and what writes says so."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import pytest

from models.settings import Settings
from recommender.session import Session

#: Runs commands one after another in a process of its own, and gives code, output and errors of each.
COMMANDS = """
import json, sys
from typer.testing import CliRunner
from recommender import cli

done = [CliRunner().invoke(cli.app, words) for words in json.loads(sys.argv[1])]
print(json.dumps([[each.exit_code, each.stdout, each.stderr] for each in done]))
"""
#: Root writes wherever it likes, but not on what is mounted read only. The mount ends with the process.
MOUNTED = 'mount --bind "$1" "$1" && mount -o remount,bind,ro "$1" && shift && exec "$@"'
NOTE = "the record is only read, and no new step is kept on it"
ADVICE = "Copy the whole folder of the job to a place of your own, and name the copy."


class Done(NamedTuple):
    code: int
    out: str
    errors: str


Run = Callable[..., list[Done]]


@pytest.fixture
def run_read_only(folder: Path) -> Iterator[Run]:
    """Run commands while the job's folder can be read only."""
    root = os.geteuid() == 0
    mounted = ["unshare", "-m", "sh", "-c", MOUNTED, "sh", str(folder)] if root else []
    if root and (not shutil.which("unshare") or subprocess.run([*mounted, "true"], capture_output=True).returncode):
        pytest.skip("nothing can be mounted here, and root writes everywhere else")

    def run(*commands: Sequence[object]) -> list[Done]:
        if not root:
            folder.chmod(0o555)
        words = json.dumps([[str(word) for word in command] for command in commands])
        child = [*mounted, sys.executable, "-c", COMMANDS, words]
        done = subprocess.run(child, capture_output=True, text=True, timeout=120, check=True)
        folder.chmod(0o755)
        return [Done(*each) for each in json.loads(done.stdout)]

    yield run
    folder.chmod(0o755)


@pytest.fixture
def begun(folder: Path, pull_log: Callable[..., Path]) -> Path:
    """A job with two steps and two pulls; the step after them was not asked for yet."""
    with Session.open(folder) as session:
        for _ in range(2):
            run = session.job.settings_from_job(session.next_step().settings or {})
            session.add_pull(pull_log(run))
    return folder


def test_what_only_reads_answers_as_ever_and_says_that_nothing_is_kept(
    begun: Path, run_read_only: Run, tmp_path: Path
) -> None:
    before = {file: file.read_bytes() for file in begun.rglob("*") if file.is_file()}
    sheet = tmp_path / "sheet.html"
    commands = [
        ("next", begun, "--json"),
        ("next", begun),
        ("why", begun),
        ("why", begun, 2),
        ("pulls", begun),
        ("replay", begun),
        ("what-if", begun, "--duty", 30),
        ("report", begun, sheet),
    ]
    done = run_read_only(*commands)
    assert [each.code for each in done] == [0] * len(commands), done
    for command, each in zip(commands, done, strict=True):
        assert each.errors.count("\n") == each.errors.count(NOTE) == 1, command
    assert {file: file.read_bytes() for file in begun.rglob("*") if file.is_file()} == before
    answer = json.loads(done[0].out)
    with Session.open(begun) as session:
        assert session.digest() in sheet.read_text(encoding="utf-8")
        step = session.next_step()
        assert (step.number, answer["number"]) == (3, 0)
        assert (answer["settings"], answer["risk"], answer["reasons"]) == (step.settings, step.risk, step.reasons)
    assert "a step that is not kept" in done[1].out
    assert done[2].out.startswith(" Why a step that is not kept says pull")
    assert "2 of 2 steps are the same" in done[5].out


def test_what_writes_says_what_to_do_and_that_can_be_done(
    begun: Path, run_read_only: Run, pull_log: Callable[..., Path], tmp_path: Path
) -> None:
    log = pull_log(Settings(20.0, 4900.0, 6700.0, 0.0, 0.0, 0.0))
    *faults, no_sheet = run_read_only(
        ("add", begun, log),
        ("withdraw", begun, 1, "--reason", "hose came off"),
        ("acknowledge", begun, 1),
        ("serve", begun, "--port", 0),
        ("report", begun),
    )
    for each in faults:
        assert (each.code, each.out) == (1, "")
        assert each.errors.startswith(f"nextpull: {begun}: cannot be written to (")
        assert each.errors.endswith(f"{ADVICE}\n")
    assert no_sheet.code == 1
    assert f"{begun / 'sheet.html'}: cannot be written: " in no_sheet.errors
    copy = shutil.copytree(begun, tmp_path / "copy")
    with Session.open(copy) as session:
        assert session.add_pull(log).number == 3


def test_a_job_without_a_record_is_not_told_to_make_one_there(folder: Path, run_read_only: Run) -> None:
    (fault,) = run_read_only(("next", folder))
    assert fault.code == 1
    assert fault.errors.endswith(f"{ADVICE}\n")


def test_a_record_left_half_written_is_mended_in_a_copy(begun: Path, run_read_only: Run, tmp_path: Path) -> None:
    place = begun / "record.db"
    writer = sqlite3.connect(place, isolation_level=None)
    writer.execute("PRAGMA cache_size = 1")  # so that it spills into the file before the end
    writer.execute("BEGIN")
    writer.execute("UPDATE trial_intermediate_values SET intermediate_value = 0")
    for name in ("record.db", "record.db-journal"):
        shutil.copy(begun / name, tmp_path / name)  # as if the power had gone here
    writer.execute("ROLLBACK")
    writer.close()
    for name in ("record.db", "record.db-journal"):
        shutil.copy(tmp_path / name, begun / name)
    (fault,) = run_read_only(("pulls", begun))
    assert fault.code == 1
    assert "a program ended while it wrote here" in fault.errors
    assert fault.errors.endswith(f"{ADVICE}\n")
    copy = shutil.copytree(begun, tmp_path / "copy")
    with Session.open(copy, read_only=True) as session:
        assert session.pulls()[0].boost.max() > 1.0
