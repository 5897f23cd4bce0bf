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
from recommender.session import RecordBusy, RecordError, Session, to_json

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


class Server:
    """A database server of our own.

    Args:
        bin_: Folder of its programs.
        place: Folder of its data.
        user: Who it runs as; None for who runs the tests.
    """

    def __init__(self, bin_: Path, place: str, user: str | None) -> None:
        self._bin, self._place, self._user = bin_, place, user
        self._run("initdb", "-D", f"{place}/data", "-U", "shop", "-A", "trust", "--no-sync")
        self.start()

    def _run(self, program: str, *words: str) -> None:
        command = [str(self._bin / program), *words]
        subprocess.run(command, check=True, capture_output=True, user=self._user, cwd=self._place, timeout=60)

    def start(self) -> None:
        options = f"-c listen_addresses='' -c fsync=off -k {self._place}"
        self._run("pg_ctl", "-D", f"{self._place}/data", "-o", options, "-l", f"{self._place}/log", "-w", "start")

    def stop(self) -> None:
        self._run("pg_ctl", "-D", f"{self._place}/data", "-m", "immediate", "stop")

    def make(self, name: str) -> str:
        """Make an empty database; gives its URL."""
        self._run("createdb", "-h", self._place, "-U", "shop", name)
        return f"postgresql+psycopg://shop@/{name}?host={self._place}"


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    pytest.importorskip("psycopg", reason="pip install 'nextpull[postgresql]'")
    bin_ = programs()
    if bin_ is None:
        pytest.skip("PostgreSQL is not installed")
    user = servant()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as place:
        if user is not None:
            shutil.chown(place, user)
        own = Server(bin_, place, user)
        try:
            yield own
        finally:
            own.stop()


@pytest.fixture(scope="module")
def make_database(server: Server) -> Callable[[str], str]:
    """Make an empty database on that server; gives its URL."""
    return server.make


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


def test_a_server_that_is_gone_is_told_and_nothing_is_lost(
    server: Server, folder: Path, pull_log: Callable[..., Path]
) -> None:
    url = server.make("gone")
    log = pull_log(Settings(20, 5000, 7000, 0, 0, 0))
    with Session.open(folder, storage=url) as session:
        session.add_pull(pull_log(Settings(0, 5000, 7000, 0, 0, 0)), settings=BASELINE)
        answer = to_json(session.next_step())
        server.stop()
        try:
            for call in (
                session.next_step,
                lambda: session.add_pull(log, settings=BASELINE),
                lambda: session.withdraw(1, "hose came off"),
                lambda: Session.open(folder, storage=url),
                lambda: Session.open(folder, storage=url, read_only=True),
            ):
                with pytest.raises(
                    RecordError, match=r"cannot be (reached|opened as a record) .* runs and lets you in"
                ):
                    call()
        finally:
            server.start()
        assert to_json(session.next_step()) == answer
        with session.record.writing():  # it ends while something is written: what was kept is not denied
            server.stop()
        server.start()
        assert session.add_pull(log, settings=BASELINE | {"duty": 20}).number == 2
