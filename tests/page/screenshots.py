"""Pictures of the page and the sheet, to be looked at: ``python -m tests.page.screenshots OUT``.

The five verdicts, the why panel, what if, the page in the dark and on a tablet, and the sheet as Chromium prints it to
A4 and to letter. Those that the README shows are kept under ``fixtures/pictures``.
"""

from __future__ import annotations

import contextlib
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from recommender.session import Session
from tests.page.chromium import drop, launched, settings_shown, step_shown
from tests.page.conftest import Served
from tests.page.garage import Bay, all_faces

SCREEN = {"width": 1366, "height": 768}
TABLET = {"width": 820, "height": 1180}


def jobs(folder: Path) -> dict[str, Bay]:
    """The five faces, and a job that was played to its end."""
    bays = all_faces(folder)
    bays["pull"] = Bay(folder / "pull")
    bays["pull"].play(2)
    bays["ended"] = Bay(folder / "ended", second=0.85, name="Harbour hatch, 2.0")
    for target in ("road", "track"):
        _to_the_end(bays["ended"], target)
    return bays


def _to_the_end(bay: Bay, target: str, most: int = 6) -> None:
    with Session.open(bay.folder) as session:
        for _ in range(most):
            step = session.next_step(target)
            if step.settings is None:
                return
            number = len(session.pulls()) + 1
            log = bay.log(f"{target} {number}.csv", step.settings, number)
            session.add_pull(log, step.settings, target=target)


def take(browser: Any, bays: dict[str, Bay], out: Path) -> Iterator[Path]:
    """Take all pictures. Gives each file once it is there."""
    for name in ("baseline", "pull", "repeat", "done", "reach", "stop"):
        served = Served(bays[name].job)
        try:
            yield from _faces(browser, served, bays[name], name, out)
        finally:
            served.close()
    served = Served(bays["ended"].job)
    try:
        tab = browser.new_page(viewport=SCREEN)
        tab.goto(served.root + "/sheet")
        for paper in ("A4", "Letter"):
            file = out / f"sheet-{paper.lower()}.pdf"
            tab.pdf(path=file, format=paper, print_background=True)
            yield file
        yield _shot(tab, out / "sheet.png", full_page=True)
        top = browser.new_page(viewport={"width": 1040, "height": 1180})
        yield _shot(top, out / "sheet-top.png", served.root + "/sheet")
        yield _shot(browser.new_page(viewport=SCREEN), out / "targets.png", served.root)
    finally:
        served.close()


def _faces(browser: Any, served: Served, bay: Bay, name: str, out: Path) -> Iterator[Path]:
    tab = browser.new_page(viewport=SCREEN)
    yield _shot(tab, out / f"{name}.png", served.root)
    yield _shot(tab, out / f"{name}-whole.png", full_page=True)
    if name != "pull":
        return
    dark = browser.new_page(viewport=SCREEN, color_scheme="dark")
    yield _shot(dark, out / "pull-dark.png", served.root, full_page=True)
    yield _shot(browser.new_page(viewport=TABLET), out / "tablet.png", served.root)
    yield _shot(browser.new_page(viewport={"width": 320, "height": 640}), out / "zoomed.png", served.root)
    step = step_shown(tab)
    yield _shot(tab, out / "why.png", f"{served.root}/why/{step}", full_page=True)
    yield _shot(
        browser.new_page(viewport={"width": 1366, "height": 1350}), out / "why-top.png", f"{served.root}/why/{step}"
    )
    yield _shot(dark, out / "why-dark.png", f"{served.root}/why/{step}", full_page=True)
    yield _shot(tab, out / "what-if.png", f"{served.root}/what-if?duty=60", full_page=True)
    tab.goto(served.root)
    drop(tab, bay.log("next.csv", settings_shown(tab), 3))
    tab.wait_for_selector("#progress:not([hidden])")
    yield _shot(tab, out / "progress.png")
    tab.wait_for_selector(f'#live[data-step="{step + 1}"]')
    yield _shot(tab, out / "taken.png")


def shrunk(file: Path, colours: int = 128) -> None:
    """Fewer colours make a picture of a page some times smaller. Does nothing without Pillow."""
    with contextlib.suppress(ImportError):
        from PIL import Image

        with Image.open(file) as picture:
            small = picture.convert("RGB").quantize(colours, dither=Image.Dither.NONE)
        small.save(file, optimize=True)


def _shot(tab: Any, file: Path, address: str = "", **more: Any) -> Path:
    if address:
        tab.goto(address)
    tab.screenshot(path=file, **more)
    shrunk(file)
    return file


def main() -> None:
    if len(sys.argv) != 2:
        sys.exit("usage: python -m tests.page.screenshots OUT")
    out = Path(sys.argv[1])
    out.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix="pictures-"))
    try:
        bays = jobs(folder)
        with launched() as browser:
            for file in take(browser, bays, out):
                print(f"{file}  {file.stat().st_size / 1024:.0f} KB")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
