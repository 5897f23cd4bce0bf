"""A real Chromium, and pages served from this process."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from recommender.page.server import Page
from tests.page import garage
from tests.page.chromium import NONE_FOUND, find_chromium, launched


class Served:
    """A page that is being served from a thread."""

    def __init__(self, job: Path, **more: Any) -> None:
        self.page = Page(job, **more)
        self._thread = threading.Thread(target=self.page.run, daemon=True)
        self._thread.start()
        until = time.monotonic() + 30
        while not self.page.started and time.monotonic() < until:
            time.sleep(0.01)
        self.address = self.page.address
        self.root = f"http://127.0.0.1:{self.page.port}"

    def close(self) -> None:
        self.page.stop()
        self._thread.join(20)
        self.page.close()


@pytest.fixture
def serve() -> Iterator[Callable[..., Served]]:
    """Serve the page of a job; what is open at the end is closed."""
    opened: list[Served] = []

    def start(job: Path, **more: Any) -> Served:
        opened.append(Served(job, **more))
        return opened[-1]

    yield start
    for each in opened:
        each.close()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """One Chromium for all tests of a worker."""
    if find_chromium() is None:
        pytest.skip(NONE_FOUND)
    with launched() as opened:
        yield opened


def against_policy(line: Any) -> bool:
    """Whether a line on the console tells of a breach of the content policy.

    Plotly's script brings a style for maps, which the policy refuses and no figure here needs.
    """
    return "Content Security Policy" in line.text and "plotly.min.js" not in line.location["url"]


@pytest.fixture
def visit(chromium: Any) -> Iterator[Callable[..., Any]]:
    """Open an address in a fresh visitor's tab. What its scripts complain about fails the test."""
    contexts: list[Any] = []
    complaints: list[str] = []

    def open_tab(address: str, **more: Any) -> Any:
        more.setdefault("viewport", {"width": 1366, "height": 768})
        context = chromium.new_context(**more)
        contexts.append(context)
        tab = context.new_page()
        tab.set_default_timeout(15_000)
        tab.on("pageerror", lambda error: complaints.append(str(error)))
        tab.on("console", lambda line: complaints.append(line.text) if against_policy(line) else None)
        tab.goto(address)
        return tab

    yield open_tab
    for context in contexts:
        context.close()
    assert complaints == []


@pytest.fixture(scope="session")
def two_pulls(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job with two pulls on record. Never to be changed: copy it."""
    bay = garage.Bay(tmp_path_factory.mktemp("two pulls") / "job")
    bay.play(2)
    return bay.folder


@pytest.fixture
def bay(two_pulls: Path, tmp_path: Path) -> garage.Bay:
    """A copy of the job with two pulls, and its car."""
    copy = garage.Bay(tmp_path / "job")
    shutil.copytree(two_pulls, copy.folder, dirs_exist_ok=True)
    return copy


@pytest.fixture(scope="session")
def faces(tmp_path_factory: pytest.TempPathFactory) -> dict[str, garage.Bay]:
    """A job for each face but ``pull`` after a pull, which ``bay`` has. Not to be changed."""
    return garage.all_faces(tmp_path_factory.mktemp("faces"))
