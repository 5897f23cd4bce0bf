"""Pictures of the page and the sheet, to be looked at: ``python -m tests.page.screenshots OUT``.

Every state that the page can be in, each on a laptop, in the dark, on a tablet, on a phone, at 400 % zoom and in print;
the why panel, what if, a log on its way; the sheet of one, two and three targets as Chromium prints it to A4 and to
letter. Those that the README shows are kept under ``fixtures/pictures``.
"""

from __future__ import annotations

import contextlib
import shutil
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from recommender.session import Session
from tests.page.chromium import drop, launched, settings_shown, step_shown
from tests.page.conftest import Served
from tests.page.garage import Bay, all_faces

SCREEN: Final = {"width": 1366, "height": 768}
#: How a state is looked at: what a picture's name ends with, and how its tab is opened.
LOOKS: Final[Mapping[str, Mapping[str, Any]]] = {
    "": {"viewport": SCREEN},
    "-dark": {"viewport": SCREEN, "color_scheme": "dark"},
    "-tablet": {"viewport": {"width": 768, "height": 1024}, "has_touch": True},
    "-phone": {"viewport": {"width": 390, "height": 844}, "has_touch": True},
    "-zoomed": {"viewport": {"width": 320, "height": 640}},  # 1280 at 400 %
}
#: States whose picture down to the end of the page is kept too.
WHOLE: Final = ("baseline", "pull", "stop", "aborted", "acknowledged")
PAPERS: Final = ("A4", "Letter")


def jobs(folder: Path) -> dict[str, Bay]:
    """A job for each state that needs nothing brought in the browser."""
    bays = all_faces(folder)
    bays["pull"] = Bay(folder / "pull")
    bays["pull"].play(2)
    bays["aborted"] = _copy(bays["pull"], folder / "aborted")
    bays["acknowledged"] = _copy(bays["stop"], folder / "acknowledged", guards="lambda = { highest = 0.86 }")
    with Session.open(bays["aborted"].folder) as session:
        settings = session.next_step().settings or {}
        session.add_pull(bays["aborted"].log("pull 3.csv", settings, 3, until_rpm=5000), settings)
        session.next_step()
    with Session.open(bays["acknowledged"].folder) as session:
        session.acknowledge(1, "injector plug loose, put on again")
        session.next_step()
    return bays


def _copy(bay: Bay, folder: Path, **more: Any) -> Bay:
    copy = Bay(folder, **more)
    shutil.copytree(bay.folder, folder, dirs_exist_ok=True)
    return copy


def sheets(folder: Path) -> dict[str, Bay]:
    """Jobs that were played to their end, by how many targets they have."""
    bays = {
        "one": Bay(folder / "one"),
        "two": Bay(folder / "two", second=0.85, name="Harbour hatch, 2.0"),
        "three": Bay(folder / "three", second=0.85, third=0.8, name="Harbour hatch, 2.0"),
    }
    for bay in bays.values():
        with Session.open(bay.folder) as session:
            targets = tuple(session.job.targets)
        for target in targets:
            _to_the_end(bay, target)
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


def take(browser: Any, folder: Path, out: Path) -> Iterator[Path]:
    """Take all pictures. Gives each file once it is there."""
    bays = jobs(folder)
    for name, bay in bays.items():
        with _served(bay) as root:
            yield from _state(browser, root, name, out)
    with _served(bays["pull"]) as root:
        yield from _why(browser, root, out)
        yield from _on_its_way(browser, root, bays["pull"], out)
    for name, bay in sheets(folder).items():
        with _served(bay) as root:
            yield from _sheet(browser, root, name, out)
            if name != "one":
                yield from _state(browser, root, f"targets-{name}", out)


@contextlib.contextmanager
def _served(bay: Bay) -> Iterator[str]:
    served = Served(bay.job)
    try:
        yield served.root
    finally:
        served.close()


def _state(browser: Any, root: str, name: str, out: Path) -> Iterator[Path]:
    """One state of the page in every look."""
    for ending, look in LOOKS.items():
        with contextlib.closing(browser.new_context(**look)) as context:
            tab = context.new_page()
            yield _shot(tab, out / f"{name}{ending}.png", root)
            if not ending and name in WHOLE:
                yield _shot(tab, out / f"{name}-whole.png", full_page=True)
            if not ending:
                yield _printed(tab, out / f"{name}-printed.pdf", "A4")


def _why(browser: Any, root: str, out: Path) -> Iterator[Path]:
    """The why panel, and what if."""
    for ending, look in LOOKS.items():
        with contextlib.closing(browser.new_context(**look)) as context:
            tab = context.new_page()
            tab.goto(root)
            step = step_shown(tab)
            yield _shot(tab, out / f"why{ending}.png", f"{root}/why/{step}", full_page=True)
            yield _shot(tab, out / f"what-if{ending}.png", f"{root}/what-if?duty=60", full_page=True)
    top = browser.new_page(viewport={"width": 1366, "height": 1350})
    yield _shot(top, out / "why-top.png", f"{root}/why/{step}")
    top.close()


def _on_its_way(browser: Any, root: str, bay: Bay, out: Path) -> Iterator[Path]:
    """A log that cannot be read, then one while it is taken and once it is."""
    tab = browser.new_page(viewport=SCREEN)
    tab.goto(root)
    step = step_shown(tab)
    spoilt = bay.folder / "spoilt.csv"
    spoilt.write_text("rpm\n1\n", encoding="utf-8")
    drop(tab, spoilt)
    tab.wait_for_selector("text=The log was not taken")
    yield _shot(tab, out / "bad-log.png")
    drop(tab, bay.log("next.csv", settings_shown(tab), 3))
    tab.wait_for_selector("#progress:not([hidden])")
    yield _shot(tab, out / "progress.png")
    tab.wait_for_selector(f'#live[data-step="{step + 1}"]')
    yield _shot(tab, out / "taken.png")
    tab.close()


def _sheet(browser: Any, root: str, name: str, out: Path) -> Iterator[Path]:
    tab = browser.new_page(viewport={"width": 1040, "height": 1180})
    yield _shot(tab, out / f"sheet-{name}.png", f"{root}/sheet")
    for paper in PAPERS:
        yield _printed(tab, out / f"sheet-{name}-{paper.lower()}.pdf", paper)
    tab.close()


def _printed(tab: Any, file: Path, paper: str) -> Path:
    tab.pdf(path=file, format=paper, print_background=True)
    return file


def shrunk(file: Path, colours: int = 128) -> None:
    """Fewer colours make a picture of a page some times smaller. Does nothing without Pillow.

    Rare colours count as much as frequent ones: the limit is a thin line, and must not take on that of the band.
    """
    with contextlib.suppress(ImportError):
        from PIL import Image

        with Image.open(file) as picture:
            small = picture.convert("RGB").quantize(colours, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
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
        with launched() as browser:
            for file in take(browser, folder, out):
                print(f"{file}  {file.stat().st_size / 1024:.0f} KB")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
