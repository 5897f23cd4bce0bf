"""Logs on their way: tame names, forms, the watched folder, the desk without a browser."""

from __future__ import annotations

import errno
import io
import os
import re
import stat
import time
from pathlib import Path

import httpx
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from recommender.page import forms
from recommender.page.desk import Desk
from recommender.page.uploads import LONGEST, LONGEST_BYTES, Drop, tame
from recommender.page.watch import STILL, Watch
from recommender.session import Session
from tests.page.garage import Bay

HOSTILE = {
    "../../etc/passwd.csv": "passwd.csv",
    "..\\..\\boot.ini": "boot.ini",
    "<img src=x onerror=alert(1)>.csv": "img src_x onerror_alert_1_.csv",
    "=cmd|' /C calc'!A0.csv": "C calc_A0.csv",
    "con.csv": "log con.csv",
    "": "log",
    "...": "log",
    "a\x00b.csv": "a_b.csv",
    "-rf.csv": "rf.csv",
    "Zug Nr. 3 – Straße.csv": "Zug Nr. 3 _ Straße.csv",
    "𠀀" * 80 + ".csv": "𠀀" * 59 + ".csv",  # four bytes each: file systems take 255
}


def taken(watch: Watch, desk: Desk) -> str:
    """Let the logs that lie in a watched folder be taken one by one; why the last of them was not, "" where it was."""
    for path in [path for _ in range(STILL + 1) for path in watch.look()]:
        watch._bring(path)
    assert desk.latest is not None
    assert desk.latest.ended.wait(60)
    return desk.latest.error


@pytest.mark.parametrize(("name", "kept"), HOSTILE.items(), ids=map(str, range(len(HOSTILE))))
def test_names_are_tamed(name: str, kept: str) -> None:
    assert tame(name) == kept


@given(st.text(max_size=300))
def test_no_name_leaves_its_folder(name: str) -> None:
    kept = tame(name)
    assert 0 < len(kept) <= LONGEST
    assert len(kept.encode()) <= LONGEST_BYTES
    assert Path(kept).name == kept
    assert not kept.startswith((".", "-", "=", "+", "@"))
    assert not set(kept) & set("<>\"'&|:*?\\/\x00\n\r\t;`$")
    assert tame(kept) == kept


def test_uploads_lie_in_a_private_folder() -> None:
    drop = Drop()
    try:
        first, second = (drop.keep("same.csv", io.BytesIO(b"x")) for _ in range(2))
        assert first != second
        assert first.name == second.name == "same.csv"
        if os.name == "posix":
            assert stat.S_IMODE(drop.folder.stat().st_mode) == 0o700
        drop.forget(first)
        assert not first.parent.exists()
    finally:
        drop.close()
    assert not drop.folder.exists()


def test_settings_of_a_form(tmp_path: Path) -> None:
    with Session.open(Bay(tmp_path / "job", "plain controller").job) as session:
        job = session.job
        assert forms.settings_in({"duty": " 34 ", "engagement": "13,5"}, job) == {"duty": 34.0, "engagement": 13.5}
        with pytest.raises(forms.FormError, match="Duty: must be a number, but got 'plenty'"):
            forms.settings_in({"duty": "plenty"}, job)
        with pytest.raises(forms.FormError, match="must be a number"):
            forms.settings_in({"duty": "inf"}, job)
    with pytest.raises(forms.FormError, match="pull: must be a whole number, but got '-1'"):
        forms.whole({"pull": "-1"}, "pull")


def test_the_folder_gives_whole_new_files_once(tmp_path: Path) -> None:
    folder = tmp_path / "logger"
    folder.mkdir()
    (folder / "old.csv").write_text("old")
    with Session.open(Bay(tmp_path / "job").job) as session:
        watch = Watch(folder, Desk(session), Drop(), 1000)
        new = folder / "new.csv"
        new.write_text("a")
        (folder / "picture.png").write_text("not a log")
        (folder / "link.csv").symlink_to(folder / "old.csv")
        for _ in range(STILL):
            assert watch.look() == []
        new.write_text("a, and more")  # still growing: the wait begins again
        for _ in range(STILL):
            assert watch.look() == []
        assert watch.look() == [new]
        assert watch.look() == []


def test_without_script_a_form_does_it(serve: object, bay: Bay) -> None:
    served = serve(bay.job)  # type: ignore[operator]
    with Session.open(bay.job) as session:
        step = session.next_step()
    log = bay.log("by form.csv", dict(step.settings or {}), 3)
    fields = {
        "target": step.target,
        "step": str(step.number),
        **{k: f"{v:g}" for k, v in (step.settings or {}).items()},
    }
    with httpx.Client(base_url=served.root, follow_redirects=True, timeout=60) as client:
        # A browser sends the place for the log with the form, empty as it is.
        kept = client.post("/dialled", data={**fields, "duty": "11"}, files={"log": ("", b"")})
        assert 'value="11"' in kept.text
        answer = client.post("/logs", data=fields, files={"log": ("../by <b>form</b>.csv", log.read_bytes())})
        assert "Pull 3 taken</strong> from b_.csv" in answer.text
        assert f"Step {step.number + 1}" in answer.text
        assert client.post("/logs", data=fields).status_code == 422
        again = client.post(
            "/logs", data={**fields, "step": str(step.number)}, files={"log": ("x.csv", log.read_bytes())}
        )
        assert "had changed meanwhile" in again.text
        assert client.get("/logs/3").content == log.read_bytes()
        assert "attachment" in client.get("/logs/3").headers["content-disposition"]
        assert client.get("/why/99").status_code == 404
        assert client.get("/?target=moon").status_code == 404
        assert client.post("/acknowledge", data={"pull": "3"}).status_code == 404
        assert client.get("/what-if", params={"duty": "nan"}).status_code == 422
        asked = client.get("/what-if", params={"duty": "41"})
        assert "asked for by you" in asked.text
        assert 'value="41"' in asked.text
    with Session.open(bay.job) as session:
        assert [pull.log for pull in session.pulls()][-1] == "b_.csv"
        assert len(session.steps()) == step.number + 1  # what was only asked about left no trace


def test_a_log_that_cannot_be_kept_is_refused_in_words(
    serve: object, bay: Bay, monkeypatch: pytest.MonkeyPatch
) -> None:
    served = serve(bay.job)  # type: ignore[operator]

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with httpx.Client(base_url=served.root, timeout=60) as client:
        step = client.get("/step.json").json()["number"]
        monkeypatch.setattr("recommender.page.uploads.shutil.copyfileobj", full)
        answer = client.post("/logs", data={"step": str(step)}, files={"log": ("pull.csv", b"rpm")})
        assert answer.status_code == 507
        assert "it cannot be kept on this machine (No space left on device)" in answer.text
        assert list(served.page._drop.folder.iterdir()) == []


def test_a_fault_of_the_machine_is_told_in_words(serve: object, bay: Bay, monkeypatch: pytest.MonkeyPatch) -> None:
    served = serve(bay.job)  # type: ignore[operator]

    def full(*_: object) -> None:
        raise RuntimeError("database or disk is full")

    monkeypatch.setattr(served.page.desk, "withdraw", full)
    for accepted in ("text/html", "application/json"):  # each on a line of its own: the server hangs up after a fault
        asked = {"pull": "2", "reason": "x"}
        answer = httpx.post(f"{served.root}/withdraw", data=asked, headers={"accept": accepted}, timeout=60)
        assert answer.status_code == 500
        assert "by a fault on this machine (RuntimeError: database or disk is full)" in answer.text
        assert "content-security-policy" in answer.headers


def test_two_logs_that_come_together_are_not_both_of_the_step_that_waits(tmp_path: Path) -> None:
    """The second was made before the step that the first led to was known: nobody can have dialled that in."""
    bay, folder = Bay(tmp_path / "job"), tmp_path / "logger"
    folder.mkdir()
    bay.play(1)
    with Session.open(bay.job) as session:
        drop, desk = Drop(), Desk(session)
        step = desk.answers().step
        watch = Watch(folder, desk, drop, 10**8)
        for number in (2, 3):
            log = bay.log(f"pull {number}.csv", dict(step.settings or {}), number)
            (folder / log.name).write_bytes(log.read_bytes())
        assert "pull 3.csv: not taken, because the settings had changed" in taken(watch, desk)
        assert [pull.log for pull in session.pulls()] == ["pull 1.csv", "pull 2.csv"]
        # A step made meanwhile by another program stands as well as one that the page has shown.
        session.withdraw(2, "the second log of the two was meant")
        step = session.next_step()
        log = bay.log("pull 3 again.csv", dict(step.settings or {}), 3)
        (folder / log.name).write_bytes(log.read_bytes())
        assert (taken(watch, desk), session.pulls()[-1].source) == ("", "proposed")
        # One that is still being written to when the next step stands belongs to that step.
        third = folder / "pull 4.csv"
        third.write_text("begun")
        watch.look()
        step = desk.answers().step
        third.write_bytes(bay.log("pull 4.csv", dict(step.settings or {}), 4).read_bytes())
        assert taken(watch, desk) == ""
        assert session.pulls()[-1].source == "proposed"
        desk._worker.shutdown()
        drop.close()


def test_the_page_follows_the_job_file(serve: object, bay: Bay) -> None:
    """A limit lowered while the page is served counts from then on; a file at fault shows no settings at all."""
    served = serve(bay.job)  # type: ignore[operator]
    text = bay.job.read_text(encoding="utf-8")
    with httpx.Client(base_url=served.root, timeout=60) as client:
        before, mark = client.get("/step.json").json(), client.get("/state").json()["mark"]
        lower = before["limit"] - 1.5
        bay.job.write_text(re.sub("overpressure = .*", f"overpressure = {lower}", text), "utf-8")
        assert client.get("/step.json").json()["limit"] == pytest.approx(lower)
        served.page.desk._asked = (float("-inf"), "")
        assert client.get("/state").json()["mark"] != mark
        bay.job.write_text(text.replace("overpressure", "overpresure"), "utf-8")
        told = client.get("/state", headers={"accept": "application/json"}).json()
        assert "overpresure" in told["error"]  # an open tab says so, and strikes out what it shows
        shown = client.get("/")
        assert shown.status_code == 404
        assert "overpresure" in shown.text
        assert "Dial in" not in shown.text
        bay.job.write_text(text, "utf-8")
        assert client.get("/step.json").json()["limit"] == before["limit"]


def test_pages_that_are_not_there_are_told_in_words(serve: object, bay: Bay) -> None:
    served = serve(bay.job)  # type: ignore[operator]
    with httpx.Client(base_url=served.root, timeout=60) as client:
        for path in ("/nothing", "/why/abc"):
            answer = client.get(path)
            assert answer.status_code == 404
            assert "There is no such page." in answer.text
            assert "<html" in answer.text


def stopped_bay(folder: Path) -> Bay:
    """A job whose baseline ran lean: it stands at a stop."""
    bay = Bay(folder, guards="lambda = { highest = 0.86 }")
    with Session.open(bay.job) as session:
        run = dict(session.next_step().settings or {})
        lean = {"lambda": lambda _, rpm: np.where((rpm > 5000) & (rpm < 5400), 0.93, 0.80)}
        session.add_pull(bay.log("pull 1.csv", run, 1, changed=lean))
        assert session.next_step().verdict == "stop"
    return bay


def test_after_a_stop_the_form_asks_what_was_dialled_in(serve: object, tmp_path: Path) -> None:
    bay = stopped_bay(tmp_path / "job")
    served = serve(bay.job)  # type: ignore[operator]
    with Session.open(bay.job) as session:
        step = session.next_step()
        run = dict(session.pulls()[0].settings)
    log = bay.log("pull 2.csv", run, 2)
    fields = {"target": step.target, "step": str(step.number), "gain": "0", "duty": "", "engagement": ""}
    with httpx.Client(base_url=served.root, follow_redirects=True, timeout=60) as client:
        page = client.get("/").text
        for name, value in (("duty", ""), ("engagement", ""), ("ramp_add", "0"), ("gain", "0")):
            assert re.search(rf'name="{name}" value="{value}"[^>]* required>', page), name
        assert "nothing is proposed: say what it was" in page
        answer = client.post("/logs", data=fields, files={"log": (log.name, log.read_bytes())})
        assert "pull 2.csv: not taken. After a stop nothing is proposed." in answer.text
        assert "dialled in (duty, engagement; in the baseline all was idle)" in answer.text
        assert client.post("/dialled", data={**fields, "duty": "3"}).status_code == 422
        assert 'name="duty" value="3"' in client.post("/dialled", data={**fields, "duty": "3", "engagement": "1"}).text
        said = {**fields, "duty": "0", "engagement": "0"}
        answer = client.post("/logs", data=said, files={"log": (log.name, log.read_bytes())})
        assert "Pull 2 taken</strong>" in answer.text
    with Session.open(bay.job) as session:
        last = session.pulls()[-1].settings
    assert (last["duty"], last["engagement"], last["gain"]) == (0.0, 0.0, 0.0)


def test_after_a_stop_a_watched_folder_waits_for_what_was_dialled_in(tmp_path: Path) -> None:
    bay, folder = stopped_bay(tmp_path / "job"), tmp_path / "logger"
    folder.mkdir()
    with Session.open(bay.job) as session:
        drop, desk = Drop(), Desk(session)
        stop = desk.answers().step
        watch = Watch(folder, desk, drop, 10**8)
        run = dict(session.pulls()[0].settings)

        def written(name: str) -> str:
            (folder / name).write_bytes(bay.log(name, run, 2).read_bytes())
            return taken(watch, desk)

        assert "Say what was dialled in (duty, engagement; in the baseline all was idle)" in written("too soon.csv")
        assert len(session.pulls()) == 1
        session.put_right(stop.number, {"duty": 2.0, "engagement": 1.0})
        assert written("in time.csv") == ""
        last = session.pulls()[-1].settings
        assert (last["duty"], last["engagement"], last["ramp_add"]) == (2.0, 1.0, 0.0)
        desk._worker.shutdown()
        drop.close()


def test_a_watched_log_that_reads_as_one_with_far_less_duty_has_to_be_dropped(tmp_path: Path) -> None:
    """A known pull is repeated, as is advised after weeks, and its log comes by itself: nobody said what was run."""
    bay, folder = Bay(tmp_path / "job"), tmp_path / "logger"
    folder.mkdir()
    with Session.open(bay.job) as session:
        idle = dict(session.next_step().settings or {})
        session.add_pull(bay.log("pull 1.csv", idle, 0))
        high = {**idle, "duty": 55.0}
        session.add_pull(bay.log("pull 2.csv", high, 1), high)
        step = session.next_step()
        assert step.settings is not None
        drop, desk = Drop(), Desk(session)
        watch = Watch(folder, desk, drop, 10**8)
        log = bay.log("again.csv", idle, 2)
        (folder / log.name).write_bytes(log.read_bytes())
        assert "as in pull 1 at duty 0 %" in taken(watch, desk)
        assert len(session.pulls()) == 2
        task = desk.take(log, target=step.target, settings=idle, seen=step.number)
        assert task.ended.wait(60)
        assert (task.error, session.pulls()[-1].settings["duty"]) == ("", 0.0)
        desk._worker.shutdown()
        drop.close()


def test_a_watched_log_that_was_not_taken_is_not_said_to_be_and_stays_told(serve: object, tmp_path: Path) -> None:
    bay, folder = stopped_bay(tmp_path / "job"), tmp_path / "logger"
    folder.mkdir()
    served = serve(bay.job, watch_folder=folder)  # type: ignore[operator]
    desk = served.page.desk
    with Session.open(bay.job) as session:
        stop, run = session.next_step(), dict(session.pulls()[0].settings)

    def written(name: str) -> None:
        before = desk.latest
        (folder / name).write_bytes(bay.log(name, run, 2).read_bytes())
        until = time.monotonic() + 30
        while desk.latest is before and time.monotonic() < until:
            time.sleep(0.05)
        assert desk.latest is not before
        assert desk.latest.ended.wait(60)

    with httpx.Client(base_url=served.root, timeout=60) as client:
        mark = client.get("/state").json()["mark"]
        written("too soon.csv")
        assert client.get("/state").json()["mark"] != mark  # open tabs learn of it
        page = client.get("/").text
        assert "None has been taken yet." in page
        assert (
            "A watched log was not taken.</strong> too soon.csv: not taken. After a stop nothing is proposed." in page
        )
        told = client.get("/", params={"task": desk.latest.id}).text
        assert told.count("too soon.csv: not taken.") == 1
        desk.put_right(stop.number, {"duty": 0.0, "engagement": 0.0})
        written("in time.csv")
        page = client.get("/").text
        assert "Taken so far: 1, the last one in time.csv." in page
        assert "too soon.csv" not in page


def test_a_look_that_fails_does_not_end_the_watch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "logger"
    folder.mkdir()
    monkeypatch.setattr("recommender.page.watch.EVERY_S", 0.01)
    with Session.open(Bay(tmp_path / "job").job) as session:
        desk = Desk(session)
        watch = Watch(folder, desk, Drop(), 1000)
        looks: list[int] = []

        def fails() -> list[Path]:
            looks.append(1)
            raise OSError("the database does not answer")

        monkeypatch.setattr(watch, "look", fails)
        watch.start()
        until = time.monotonic() + 20
        while len(looks) < 3 and time.monotonic() < until:
            time.sleep(0.01)
        watch.close()
        assert len(looks) >= 3
        assert desk.notices == [
            f"{folder}: could not be looked into (OSError: the database does not answer). It is tried again."
        ]
