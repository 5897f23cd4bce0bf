"""What is refused is told in words, never as a broken line: sizes, tokens."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from recommender.page import shield
from recommender.session import Session
from tests.page.chromium import drop, settings_shown, step_shown
from tests.page.garage import Bay

pytestmark = pytest.mark.browser

Visit = Callable[..., Any]
Serve = Callable[..., Any]


@pytest.fixture
def huge(tmp_path: Path) -> Path:
    """More than any socket holds, so that it is still being sent when it is refused. [20 MB]"""
    log = tmp_path / "huge.csv"
    log.write_bytes(b"time,rpm\n" + b"1,2\n" * 5_000_000)
    return log


def test_a_log_that_is_too_large_is_not_even_sent(serve: Serve, visit: Visit, bay: Bay, huge: Path) -> None:
    tab = visit(serve(bay.job).address)
    sent: list[str] = []
    tab.on("request", lambda request: sent.append(request.url) if request.method == "POST" else None)
    assert int(tab.get_attribute("#log-form", "data-largest")) == shield.LARGEST_LOG
    tab.evaluate("() => { document.getElementById('log-form').dataset.largest = 1000000; }")
    drop(tab, huge)
    assert tab.inner_text("#problem") == "huge.csv: larger than 1 MB. Cut the recording down to the pull."
    assert sent == []


def test_words_of_a_refusal_arrive_while_the_log_is_being_sent(
    serve: Serve, visit: Visit, bay: Bay, huge: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tab = visit(serve(bay.job).address)
    tab.wait_for_function("() => document.getElementById('log-form').dataset.equipped")
    before = step_shown(tab)
    monkeypatch.setattr(shield, "LARGEST_LOG", 1_000_000)  # the page does not know of it
    for _ in range(3):
        tab.evaluate("() => { document.getElementById('problem').hidden = true; }")
        drop(tab, huge)
        tab.wait_for_selector("#problem:not([hidden])")
        assert tab.inner_text("#problem") == (
            "huge.csv was not taken. Too large: at most 1 MB are taken. Cut the recording down to the pull."
        )
        assert tab.is_hidden("#progress")
    assert step_shown(tab) == before


def test_without_script_the_words_are_shown_too(
    serve: Serve, visit: Visit, bay: Bay, huge: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tab = visit(serve(bay.job).address, java_script_enabled=False)
    monkeypatch.setattr(shield, "LARGEST_LOG", 1_000_000)
    tab.set_input_files("#log", huge)
    tab.click("text=Take this log")
    assert "Too large: at most 1 MB are taken" in tab.inner_text("body")


def test_a_page_with_a_token_of_yesterday_says_what_to_open(serve: Serve, visit: Visit, bay: Bay) -> None:
    served = serve(bay.job, token="quiet-harbour-0123456789")
    tab = visit(served.address)
    log = bay.log("late.csv", settings_shown(tab), 3)
    served.close()
    serve(bay.job, token="another-harbour-0123456789", port=served.page.port)
    tab.wait_for_selector("#problem >> text=A token is needed: open the whole address")
    drop(tab, log)
    tab.wait_for_selector("#problem >> text=late.csv was not taken. A token is needed")
    with Session.open(bay.job) as session:
        assert len(session.pulls()) == 2
