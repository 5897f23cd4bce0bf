"""How fast the page is, and what it weighs: ``python -m tests.page.timings``.

A job with ten pulls; the eleventh log is dropped. Printed: from the drop to the new settings on screen, first paint of
the page as Chromium reports it, and the bytes of everything that the page loads.
"""

from __future__ import annotations

import statistics
import tempfile
from pathlib import Path
from typing import Any

from recommender.session import Session
from tests.page.chromium import drop, launched, settings_shown, step_shown
from tests.page.conftest import Served
from tests.page.garage import Bay

#: What is needed: [s]
DROP_S, PAINT_S = 2.0, 0.5


def ten_pulls(folder: Path, pulls: int = 10) -> Bay:
    """A job with so many pulls; where nothing more is proposed, the last settings are run again with other duty."""
    bay = Bay(folder, tolerance=0.05)
    with Session.open(bay.folder) as session:
        for number in range(1, pulls + 1):
            step = session.next_step()
            run = dict(step.settings or session.pulls()[-1].settings)
            if step.settings is None:
                run["duty"] += 1.0 if number % 2 else -1.0
            session.add_pull(bay.log(f"pull {number}.csv", run, number), run)
        session.next_step()
    return bay


def dropped_s(tab: Any, bay: Bay, number: int) -> float:
    """Time from a drop to the new settings on screen. [s]"""
    before = step_shown(tab)
    log = bay.log(f"timed {number}.csv", settings_shown(tab), number)
    tab.evaluate(
        """before => { window.changed = new Promise(resolve => {
            const began = performance.now();
            const look = () => document.getElementById("live").dataset.step !== before
                ? requestAnimationFrame(() => resolve(performance.now() - began)) : requestAnimationFrame(look);
            document.addEventListener("drop", look, {once: true});
        }); }""",
        str(before),
    )
    drop(tab, log)
    return float(tab.evaluate("() => window.changed")) / 1000.0


def painted_s(tab: Any, address: str) -> float:
    """First contentful paint after the address was asked for. [s]"""
    tab.goto(address)
    paint = """() => new Promise(resolve => new PerformanceObserver(list => resolve(list.getEntries()
        .find(entry => entry.name === "first-contentful-paint").startTime)).observe({type: "paint", buffered: true}))"""
    return float(tab.evaluate(paint)) / 1000.0


def weight(tab: Any, address: str) -> dict[str, int]:
    """Bytes of everything that a page loads, by path."""
    sizes: dict[str, int] = {}
    tab.on("response", lambda answer: sizes.__setitem__(answer.url.split("?")[0], len(answer.body())))
    tab.goto(address, wait_until="networkidle")
    return {url[len(address) - 1 :]: size for url, size in sizes.items() if not url.endswith("/state")}


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        bay = ten_pulls(Path(folder) / "job")
        served = Served(bay.job)
        try:
            with launched() as browser:
                tab = browser.new_page()
                paints = [painted_s(tab, served.address) for _ in range(5)]
                drops = [dropped_s(tab, bay, number) for number in (11, 12, 13)]
                sizes = weight(browser.new_page(), served.address)
        finally:
            served.close()
    print(f"from drop to new settings: {', '.join(f'{each:.2f}' for each in drops)} s (needed: {DROP_S:g})")
    print(f"first paint: median {statistics.median(paints):.2f} s, most {max(paints):.2f} s (needed: {PAINT_S:g})")
    print(f"page weight: {sum(sizes.values()) / 1024:.0f} KB in {len(sizes)} files")
    for path, size in sizes.items():
        print(f"  {path:24} {size / 1024:6.1f} KB")


if __name__ == "__main__":
    main()
