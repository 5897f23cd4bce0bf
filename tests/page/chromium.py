"""Debian's Chromium, driven by Playwright."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

NONE_FOUND = "no Chromium: apt-get install chromium"
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def find_chromium() -> str | None:
    """Path of the browser; None where there is none."""
    return shutil.which("chromium") or ("/usr/bin/chromium" if Path("/usr/bin/chromium").exists() else None)


@contextlib.contextmanager
def launched() -> Iterator[Any]:
    """A running browser without a window."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=list(ARGUMENTS))
        try:
            yield browser
        finally:
            browser.close()


def drop(tab: Any, *logs: Path, names: tuple[str, ...] = ()) -> None:
    """Let go of files over the page, as from a file manager.

    Args:
        tab: The tab.
        logs: The files.
        names: Names that they are to have; their own where none are given.
    """
    files = [
        {"name": names[place] if names else log.name, "text": log.read_text(encoding="utf-8")}
        for place, log in enumerate(logs)
    ]
    carried = tab.evaluate_handle(
        """files => {
            const carried = new DataTransfer();
            for (const each of files) carried.items.add(new File([each.text], each.name, {type: "text/csv"}));
            return carried;
        }""",
        files,
    )
    for event in ("dragenter", "dragover", "drop"):
        tab.dispatch_event("#pulls", event, {"dataTransfer": carried})


def step_shown(tab: Any) -> int:
    """Number of the step that a tab shows."""
    return int(tab.get_attribute("#live", "data-step"))


def wait_for_step(tab: Any, number: int) -> None:
    """Wait until a tab shows a step."""
    tab.wait_for_selector(f'#live[data-step="{number}"]')


def settings_shown(tab: Any) -> dict[str, float]:
    """The settings in the form of what was dialled in."""
    return tab.evaluate(
        """() => Object.fromEntries(Array.from(document.querySelectorAll("#log-form .fields input"))
            .map(field => [field.name, Number(field.value)]))"""
    )
