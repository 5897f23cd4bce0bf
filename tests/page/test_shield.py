"""Who may talk to the page: hosts, origins, tokens, sizes; and what browsers are told."""

from __future__ import annotations

import contextlib
import http.client
import inspect
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from recommender.cli.record import serve as serve_command
from recommender.page import PageError, shield
from recommender.page import serve as serve_job
from recommender.page.server import Page, is_loopback
from recommender.session import Session
from tests.page.garage import Bay

TOKEN = "quiet-harbour-0123456789"


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Bay(tmp_path_factory.mktemp("shield") / "job").job


Ask = Callable[..., http.client.HTTPResponse]


def asker(port: int) -> Ask:
    def ask(
        path: str = "/", method: str = "GET", body: bytes | None = None, **headers: str
    ) -> http.client.HTTPResponse:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        connection.request(method, path, body, named)
        answer = connection.getresponse()
        answer.text = answer.read().decode()  # type: ignore[attr-defined]
        connection.close()
        return answer

    return ask


@pytest.fixture
def ask(serve: Callable[..., Any], job: Path) -> Ask:
    return asker(serve(job).page.port)


FORM = {"Content_Type": "application/x-www-form-urlencoded"}


def test_only_names_of_this_machine_are_answered(ask: Ask) -> None:
    assert ask().status == 200
    assert ask(Host="localhost:9").status == 200
    assert ask(Host="rebound.example:8765").status == 403
    assert ask(Host="127.0.0.1.example").status == 403
    assert ask(Host="[::1]:8765").status == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://elsewhere.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},  # another program on this machine
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
    ],
)
@pytest.mark.parametrize("path", ["/acknowledge", "/withdraw", "/logs", "/dialled"])
def test_other_origins_cannot_act(ask: Ask, path: str, headers: dict[str, str]) -> None:
    answer = ask(path, "POST", b"pull=1", **FORM, **headers)
    assert answer.status == 403
    assert "refused" in answer.text  # type: ignore[attr-defined]


def test_other_origins_cannot_read_but_a_link_may_open_the_page(ask: Ask) -> None:
    assert ask("/step.json", Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="cors").status == 403
    assert ask("/", Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="navigate", Sec_Fetch_Dest="iframe").status == 403
    assert ask("/", Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="navigate", Sec_Fetch_Dest="document").status == 200
    assert (
        ask(
            "/withdraw", "POST", b"pull=1&reason=x", **FORM, Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="navigate"
        ).status
        == 403
    )


def test_browsers_are_told_to_run_nothing_but_our_files(ask: Ask) -> None:
    for path in ("/", "/static/page.js", "/nowhere", "/step.json", "/sheet"):
        answer = ask(path)
        policy = str(answer.headers["content-security-policy"])
        for rule in policy.split(";"):
            name, *sources = rule.split()
            ours = {"'none'", "'self'"} | ({"data:"} if name == "img-src" else set())
            strange = [each for each in sources if each not in ours and not each.startswith("'sha256-")]
            assert strange == [], (path, rule)
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "DENY"
    page = ask("/").text  # type: ignore[attr-defined]
    assert re.findall(r"<script(?![^>]*\ssrc=)|\son\w+=|\sstyle=|javascript:", page) == []


def test_a_log_that_is_too_large_is_refused_in_words(ask: Ask, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shield, "LARGEST_LOG", 5_000)
    monkeypatch.setattr(shield, "LARGEST_FORM", 1_000)
    # Far more than a socket holds: the sender is still sending when the size is known, and must not lose the answer.
    announced = ask("/logs", "POST", b"x" * 20_000_000)
    assert (announced.status, "Too large" in announced.text) == (413, True)  # type: ignore[attr-defined]
    assert ask("/withdraw", "POST", b"reason=" + b"x" * 2_000, **FORM).status == 413
    # The server itself refuses this head and hangs up: a body sent after it may find the line cut and the answer lost.
    assert ask("/withdraw", "POST", None, **FORM, Content_Length="many").status == 400


@pytest.mark.parametrize(
    ("headers", "status"),
    [({"Origin": "http://elsewhere.example"}, 403), ({"Content_Type": "multipart/form-data; boundary=b"}, 400)],
    ids=["another page", "no form"],
)
def test_every_refusal_reaches_a_sender_who_is_still_sending(ask: Ask, headers: dict[str, str], status: int) -> None:
    assert ask("/logs", "POST", b"x" * 20_000_000, **headers).status == status


def test_nobody_is_waited_for_who_falls_silent(ask: Ask, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shield, "LARGEST_FORM", 1_000)
    monkeypatch.setattr(shield, "SILENCE_S", 0.2)
    began = time.monotonic()
    assert ask("/withdraw", "POST", b"pull=1", **FORM, Content_Length="2000").status == 413
    assert time.monotonic() - began < 3.0
    # One who asks before sending is answered without being told to send.
    monkeypatch.setattr(shield, "SILENCE_S", 60.0)
    asks = ask("/withdraw", "POST", b"", **FORM, Content_Length="2000", Expect="100-continue")
    assert asks.status == 413


def test_a_body_beyond_all_bounds_is_not_read(ask: Ask, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shield, "LARGEST_DRAINED", 1_000_000)
    assert ask("/logs", "POST", b"", Content_Length=str(10**12)).status == 413
    chunks = b"".join(b"186a0\r\n" + b"x" * 100_000 + b"\r\n" for _ in range(400))  # 40 MB
    monkeypatch.setattr(shield, "LARGEST_FORM", 1_000)
    with contextlib.suppress(OSError):  # it may be cut off: that it ends is what counts
        assert ask("/withdraw", "POST", chunks, **FORM, Transfer_Encoding="chunked").status == 413


def test_a_body_that_hides_its_size_is_cut_off(ask: Ask, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shield, "LARGEST_FORM", 1_000)
    chunks = b"".join(b"186a0\r\n" + b"x" * 100_000 + b"\r\n" for _ in range(100)) + b"0\r\n\r\n"
    answer = ask("/withdraw", "POST", chunks, **FORM, Transfer_Encoding="chunked")
    assert (answer.status, "Too large" in answer.text) == (413, True)  # type: ignore[attr-defined]


def test_a_token_opens_the_page_once_and_a_cookie_keeps_it_open(serve: Callable[..., Any], job: Path) -> None:
    served = serve(job, token=TOKEN)
    assert served.address.endswith(f"?token={TOKEN}")
    ask = asker(served.page.port)
    for path in ("/", "/step.json", "/static/page.js", "/?token=wrong"):
        answer = ask(path)
        assert (answer.status, "token is needed" in answer.text) == (401, True)  # type: ignore[attr-defined]
    assert ask("/withdraw?token=" + TOKEN, "POST", b"pull=1&reason=x", **FORM).status == 401
    opened = ask(f"/?target=target&token={TOKEN}")
    assert (opened.status, opened.headers["location"]) == (303, "/?target=target")
    cookie = str(opened.headers["set-cookie"])
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    kept = cookie.partition(";")[0]
    assert ask("/", Cookie=kept).status == 200
    assert ask("/", Cookie=kept[:-1] + "x").status == 401
    assert ask("/", Cookie=kept, Host="dyno-laptop.local:8765").status == 200
    assert ask("/", Cookie=kept, Origin="http://elsewhere.example").status == 403


def test_a_token_never_leads_to_another_machine(serve: Callable[..., Any], job: Path) -> None:
    ask = asker(serve(job, token=TOKEN).page.port)
    assert ask(f"//elsewhere.example/?token={TOKEN}").headers["location"] == "/elsewhere.example/"


def test_listening_beyond_this_machine_makes_a_token(job: Path) -> None:
    page = Page(job, host="0.0.0.0")
    try:
        assert page.token is not None
        assert len(page.token) >= 20
        assert page.token in page.address
        assert "Anybody on this network" in page.lines()[1]
    finally:
        page.close()
    assert [is_loopback(host) for host in ("127.0.0.1", "::1", "localhost", "0.0.0.0", "192.168.1.4", "dyno")] == [
        True, True, True, False, False, False,
    ]  # fmt: skip


@pytest.mark.parametrize("called", [serve_job, serve_command, Page.__init__])
def test_nobody_listens_beyond_this_machine_unasked(called: Callable[..., Any]) -> None:
    assert is_loopback(inspect.signature(called).parameters["host"].default)


def test_what_cannot_be_served_is_said(job: Path, tmp_path: Path) -> None:
    with pytest.raises(PageError, match="at least 16 characters, but got 5"):
        Page(job, token="short")
    with pytest.raises(PageError, match="letters, digits, dashes"):
        Page(job, token="not; a; cookie; value")
    with pytest.raises(PageError, match=r"absent: no such folder here\. Name the folder into which the logger writes"):
        Page(job, watch_folder=tmp_path / "absent")
    folder = job.parent
    (folder / "logs").mkdir(exist_ok=True)
    for own in (folder, folder / "logs", folder / "logs" / ".." / "logs"):
        with pytest.raises(PageError, match="the job's own files are kept there"):
            Page(job, watch_folder=own)
    page = Page(job)
    try:
        with pytest.raises(PageError, match=f"port {page.port}: cannot be listened on"):
            Page(job, port=page.port)
    finally:
        page.close()


def test_nothing_was_recorded_by_any_of_it(job: Path) -> None:
    with Session.open(job) as session:
        assert session.pulls(withdrawn=True) == []
