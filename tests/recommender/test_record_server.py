"""The record on a shop's PostgreSQL server; a server of our own is started for it where PostgreSQL is installed."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import optuna
import pytest

from models.settings import Settings
from recommender.session import RecordBusy, Session, to_json

from .conftest import open_at_once

BASELINE = {"duty": 0, "ramp_from": 5000, "ramp_to": 7000, "ramp_add": 0, "engagement": 0, "gain": 0}


def programs() -> Path | None:
    """Folder with PostgreSQL's programs; None where it is not installed."""
    found = shutil.which("initdb")
    folders = [Path(found).resolve().parent] if found else sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    return next((folder for folder in folders if (folder / "pg_ctl").exists()), None)


def servant() -> str | None:
    """User to run the server as: it refuses to be run by root."""
    if os.geteuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        try:
            return pwd.getpwnam(name).pw_name
        except KeyError:
            continue
    pytest.skip("no user to run a database server as")


@pytest.fixture(scope="module")
def make_database() -> Iterator[Callable[[str], str]]:
    """Make an empty database on a server of our own; gives its URL."""
    pytest.importorskip("psycopg", reason="pip install 'nextpull[postgresql]'")
    bin_ = programs()
    if bin_ is None:
        pytest.skip("PostgreSQL is not installed")
    user = servant()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as place:
        if user is not None:
            shutil.chown(place, user)

        def run(*command: str) -> None:
            subprocess.run(command, check=True, capture_output=True, user=user, cwd=place, timeout=60)

        run(str(bin_ / "initdb"), "-D", f"{place}/data", "-U", "shop", "-A", "trust", "--no-sync")
        options = f"-c listen_addresses='' -c fsync=off -k {place}"
        run(str(bin_ / "pg_ctl"), "-D", f"{place}/data", "-o", options, "-l", f"{place}/log", "-w", "start")
        try:

            def make(name: str) -> str:
                run(str(bin_ / "createdb"), "-h", place, "-U", "shop", name)
                return f"postgresql+psycopg://shop@/{name}?host={place}"

            yield make
        finally:
            run(str(bin_ / "pg_ctl"), "-D", f"{place}/data", "-m", "immediate", "stop")


@pytest.fixture(scope="module")
def url(make_database: Callable[[str], str]) -> str:
    """URL of a database that the tests share."""
    return make_database("pulls")


def test_a_job_kept_on_a_server(url: str, folder: Path, job_text: str, pull_log: Callable[..., Path]) -> None:
    (folder / "job.toml").write_text(f'{job_text}\n[record]\nstorage = "{url}"\nstudy = "bay 2, hatch"\n')
    with Session.open(folder) as session:
        session.add_pull(pull_log(Settings(0, 5000, 7000, 0, 0, 0)), settings=BASELINE)
        answer = to_json(session.next_step())
    assert not (folder / "record.db").exists()
    with Session.open(folder, read_only=True) as reader:
        assert to_json(reader.next_step()) == answer
        assert reader.replay()[0].same
    storage = optuna.storages.RDBStorage(url)
    assert len(optuna.load_study(study_name="bay 2, hatch", storage=storage).trials) == 1
    storage.remove_session()
    storage.engine.dispose()


def test_two_dynos_on_one_server(url: str, tmp_path: Path, job_text: str, pull_log: Callable[..., Path]) -> None:
    folders = [tmp_path / name for name in ("bay 1", "bay 2")]
    for place in folders:
        place.mkdir()
        (place / "job.toml").write_text(job_text.replace("Harbour hatch", "Shared hatch"))
    Session.open(folders[0], storage=url).close()
    logs = [pull_log(Settings(duty, 5000, 7000, 0, 0, 0)) for duty in range(8)]
    faults: list[Exception] = []

    def add(place: Path, part: list[Path]) -> None:
        try:
            with Session.open(place, storage=url) as session:
                for log in part:
                    session.add_pull(log, settings=BASELINE)
        except Exception as fault:
            faults.append(fault)

    threads = [threading.Thread(target=add, args=pair) for pair in zip(folders, (logs[::2], logs[1::2]), strict=True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not faults
    with Session.open(folders[1], storage=url) as session:
        assert [pull.number for pull in session.pulls()] == list(range(1, 9))
    with Session.open(folders[0], storage=url) as one, Session.open(folders[1], storage=url) as two:
        two.record.wait_s = 0.1
        with one.record.writing(), pytest.raises(RecordBusy, match="from another machine"):
            two.add_pull(pull_log(Settings(9, 5000, 7000, 0, 0, 0)), settings=BASELINE)


def test_tables_and_studies_are_made_by_one_at_a_time(
    make_database: Callable[[str], str], tmp_path: Path, job_text: str
) -> None:
    folders = [tmp_path / name for name in ("bay 1", "bay 2", "bay 3")]
    for place, car in zip(folders, ("Shared hatch", "Shared hatch", "Another"), strict=True):
        place.mkdir()
        (place / "job.toml").write_text(job_text.replace("Harbour hatch", car))
    url = make_database("fresh")
    open_at_once(folders, url)
    storage = optuna.storages.RDBStorage(url)
    try:
        assert sorted(study.study_name for study in storage.get_all_studies()) == ["Another", "Shared hatch"]
    finally:
        storage.remove_session()
        storage.engine.dispose()
