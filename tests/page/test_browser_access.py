"""Everybody can use the page: axe, keyboard, zoom, tablet, dark; and nothing in a log ever runs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from recommender.session import Session
from tests.page.chromium import drop, settings_shown, step_shown
from tests.page.garage import Bay

pytestmark = pytest.mark.browser

Visit = Callable[..., Any]
Serve = Callable[..., Any]

#: WCAG 2.2, levels A and AA, as axe names its rules; and its own best practices.
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def violations(tab: Any) -> list[str]:
    """What axe finds on a page, one line each."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(tab, options={"runOnly": {"type": "tag", "values": RULES}}).response["violations"]
    return [
        f"{each['id']}: {node['html'][:160]} {node['failureSummary'][:300]}" for each in found for node in each["nodes"]
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(serve: Serve, visit: Visit, bay: Bay, scheme: str) -> None:
    with Session.open(bay.job) as session:
        session.put_right(session.next_step().number, {"duty": 30})
    served = serve(bay.job)
    tab = visit(served.address, color_scheme=scheme, bypass_csp=True)
    assert tab.is_visible(".otherwise")
    tab.click("#watch summary")
    assert violations(tab) == []
    (bay.folder / "from the logger").mkdir(exist_ok=True)
    tab.fill("#folder", str(bay.folder / "from the logger"))
    with tab.expect_navigation(wait_until="load"):
        tab.click("text=Watch this folder")
    assert tab.is_visible("text=Stop watching")
    assert violations(tab) == []
    for path in ("/why/3", "/what-if?duty=45", "/sheet", "/why/77"):
        tab.goto(served.root + path)
        assert violations(tab) == [], path


#: Contrast of what is drawn in the figures with their paper, which axe does not look at (WCAG 2.2, 1.4.3 and 1.4.11).
CONTRASTS = """() => {
    const light = value => value <= 10.3 ? value / 3294.6 : ((value / 255 + .055) / 1.055) ** 2.4;
    const luminance = colour => {
        const [red, green, blue] = colour.match(/[0-9]+/g).map(Number).map(light);
        return .2126 * red + .7152 * green + .0722 * blue;
    };
    const found = [];
    for (const figure of document.querySelectorAll("svg.figure")) {
        const paper = luminance(getComputedStyle(figure.querySelector(".paper")).fill);
        for (const mark of figure.querySelectorAll("text, [class$=-line]:not(.halo-line)")) {
            const style = getComputedStyle(mark);
            const ink = luminance(mark.tagName === "text" ? style.fill : style.stroke);
            const contrast = (Math.max(ink, paper) + .05) / (Math.min(ink, paper) + .05);
            found.push([mark.tagName, mark.getAttribute("class"), contrast]);
        }
    }
    return found;
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_figures_can_be_read_in_the_light_and_in_the_dark(serve: Serve, visit: Visit, bay: Bay, scheme: str) -> None:
    served = serve(bay.job)
    tab = visit(served.address, color_scheme=scheme)
    seen: set[str] = set()
    for path in ("/", "/why/3", "/what-if?duty=45"):
        tab.goto(served.root + path)
        found = tab.evaluate(CONTRASTS)
        pale = [mark for mark in found if mark[2] < (4.5 if mark[0] == "text" else 3.0)]
        assert pale == [], path
        seen |= {str(mark[1]) for mark in found}
    assert {"ink", "target-line", "last-line", "band-line", "limit-line", "limit", "target"} <= {
        word for each in seen for word in each.split()
    }


def test_five_faces_that_cannot_be_mistaken(serve: Serve, visit: Visit, faces: dict[str, Bay]) -> None:
    expected = {"baseline": "Pull", "repeat": "Repeat", "done": "Done", "reach": "Out of reach", "stop": "Stop"}
    shapes, words = set(), []
    for kind in expected:
        tab = visit(serve(faces[kind].job).address, bypass_csp=True)
        assert violations(tab) == [], kind
        shapes.add(tab.get_attribute(".verdict .shape path", "d"))
        words.append(tab.inner_text("#verdict"))
        assert (tab.locator(".tile").count() == 0) == (kind == "stop")
    assert words == list(expected.values())
    assert len(shapes) == 5


def test_axe_finds_nothing_while_a_log_is_taken(serve: Serve, visit: Visit, bay: Bay) -> None:
    served = serve(bay.job)
    for scheme in ("light", "dark"):
        tab = visit(served.address, color_scheme=scheme, bypass_csp=True)
        tab.evaluate("() => document.getElementById('live').classList.add('stale')")
        assert tab.is_visible(".overtaken")
        assert tab.is_hidden(".what")
        assert violations(tab) == [], scheme


def test_on_paper_nothing_is_cut_and_nothing_waits_to_be_pressed(serve: Serve, visit: Visit, bay: Bay) -> None:
    tab = visit(serve(bay.job).address, viewport={"width": 700, "height": 1000})  # A4 between its margins
    tab.emulate_media(media="print")
    assert tab.locator("button:visible, .button:visible, input:visible").count() == 0
    assert tab.evaluate("() => document.documentElement.scrollWidth") <= 700
    # Words of the remarks, that the limit was passed among them, are not broken into their letters.
    assert float(tab.locator("td.remarks").first.bounding_box()["width"]) > 100
    ends = [tab.locator(each).bounding_box() for each in ("#pulls ~ .scroll", "#pulls ~ .scroll table")]
    assert ends[1]["x"] + ends[1]["width"] <= ends[0]["x"] + ends[0]["width"] + 1


def test_digits_are_large_and_changed_knobs_stand_out(serve: Serve, visit: Visit, bay: Bay) -> None:
    tab = visit(serve(bay.job).address)
    sizes = tab.evaluate(
        "() => [...document.querySelectorAll('.tile .number')].map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert min(sizes) >= 72
    with Session.open(bay.job) as session:
        step = session.next_step()
    assert tab.locator(".tile.moved").count() == len(step.changed)
    for was in step.changed.values():
        assert f"from {was:g}" in " ".join(tab.locator(".tile.moved .was").all_inner_texts())
    headings = tab.locator("h2").all_inner_texts()
    assert headings[:3] == ["Dial in", "Is it safe?", "Why?"]
    # All three questions are answered before anybody scrolls.
    assert all(tab.locator(mark).bounding_box()["y"] < 768 - 80 for mark in ("#dial", "#safe", "#why"))


@pytest.mark.parametrize(("width", "height"), [(320, 256), (390, 844), (768, 1024), (1180, 800)])
def test_zoomed_to_400_percent_and_on_a_tablet_nothing_is_cut(
    serve: Serve, visit: Visit, bay: Bay, width: int, height: int
) -> None:
    served = serve(bay.job)
    tab = visit(served.address, viewport={"width": width, "height": height}, has_touch=True)
    for path in ("/", "/why/3", "/what-if?duty=40"):
        tab.goto(served.root + path)
        assert tab.evaluate("() => document.documentElement.scrollWidth") <= width, path
        cut = tab.evaluate(
            """() => Array.from(document.querySelectorAll(".tile, .numbers dd, button, input, h1"))
                .filter(e => e.checkVisibility({contentVisibilityAuto: true}) && !e.closest(".scroll"))
                .filter(e => e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX !== "visible"
                    || e.getBoundingClientRect().right > innerWidth + 1)
                .map(e => e.outerHTML.slice(0, 90))"""
        )
        assert cut == [], path
    tab.goto(served.root)
    small = tab.evaluate(
        """() => Array.from(document.querySelectorAll("button, input, .button"))
            .filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 44)
            .map(e => e.outerHTML.slice(0, 90))"""
    )
    assert small == []  # fingers in gloves


def test_a_pull_with_the_keyboard_alone(serve: Serve, visit: Visit, bay: Bay) -> None:
    tab = visit(serve(bay.job).address)
    before = step_shown(tab)
    log = bay.log("keys.csv", settings_shown(tab), 3)
    tab.keyboard.press("Tab")
    assert tab.evaluate("() => document.activeElement.className") == "skip"
    tab.keyboard.press("Enter")
    seen = []
    for _ in range(60):
        tab.keyboard.press("Tab")
        here = tab.evaluate("() => document.activeElement.id || document.activeElement.textContent.trim()")
        seen.append(here)
        if here == "log":
            break
    assert {"run-duty", "run-gain"} <= set(seen)
    outline = tab.evaluate("() => getComputedStyle(document.activeElement).outlineStyle")
    assert outline != "none"
    tab.set_input_files("#log", log)  # the window to choose it in is the browser's own
    tab.keyboard.press("Tab")
    tab.keyboard.press("Tab")
    assert tab.evaluate("() => document.activeElement.textContent") == "Take this log"
    tab.keyboard.press("Enter")
    tab.wait_for_selector(f'#live[data-step="{before + 1}"]')
    assert "keys.csv" in tab.inner_text(".message.good")
    assert tab.evaluate("() => document.activeElement.id") == "main"  # on from the new settings, not from the top


HOSTILE = (
    "<img src=x onerror=window.ran=1>.csv",
    "../../../etc/<svg onload=window.ran=1>.csv",
    '=HYPERLINK("http://elsewhere.example").csv',
    "x" * 300 + ".csv",
)


def test_hostile_names_do_nothing(serve: Serve, visit: Visit, bay: Bay) -> None:
    tab = visit(serve(bay.job).address)
    before = step_shown(tab)
    log = bay.log("plain.csv", settings_shown(tab), 3)
    broken = bay.folder / "broken.csv"
    broken.write_text("a,b\n1,2\n")
    for name in HOSTILE:
        with tab.expect_response(lambda answer: "task=" in answer.url):
            drop(tab, broken, names=(name,))
        tab.wait_for_selector(".message.bad:not([hidden])")
    drop(tab, log, names=(HOSTILE[0],))
    tab.wait_for_selector(f'#live[data-step="{before + 1}"]')
    assert tab.evaluate("() => window.ran") is None
    assert tab.locator("img, #pulls ~ .scroll svg").count() == 0
    with Session.open(bay.job) as session:
        assert session.pulls()[-1].log == "img src_x onerror_window.ran_1_.csv"
    kept = sorted(path.relative_to(bay.folder).parts[0] for path in bay.folder.rglob("*"))
    assert set(kept) <= {"job.toml", "record.db", "record.lock", "logs", "from the logger", "broken.csv"}


def test_hostile_cells_do_nothing(serve: Serve, visit: Visit, bay: Bay) -> None:
    tab = visit(serve(bay.job).address)
    evil = bay.folder / "cells.csv"
    evil.write_text(
        "# <script>window.ran=1</script>\n<img src=x onerror=window.ran=1>,=1+1,</style><svg onload=window.ran=1>\n"
        + "\n".join(f"{i},{i * 2},{i * 3}" for i in range(50)),
        encoding="utf-8",
    )
    drop(tab, evil)
    tab.wait_for_selector(".message.bad:not([hidden])")
    assert "cells.csv" in tab.inner_text(".message.bad")
    assert tab.evaluate("() => window.ran") is None
    assert tab.locator("img").count() == 0


def test_a_job_with_a_hostile_name_is_shown_as_text(serve: Serve, visit: Visit, tmp_path: Path) -> None:
    bay = Bay(tmp_path / "job", name="<script>window.ran=1</script> & co")
    served = serve(bay.job)
    tab = visit(served.address)
    for path in ("/", "/why/1", "/sheet"):
        tab.goto(served.root + path)
        assert "<script>window.ran=1</script> & co" in tab.inner_text("body")
        assert tab.evaluate("() => window.ran") is None


def test_the_figure_can_be_zoomed_with_the_packaged_script(serve: Serve, visit: Visit, bay: Bay) -> None:
    served = serve(bay.job)
    tab = visit("about:blank")
    asked: list[str] = []
    tab.on("request", lambda request: asked.append(request.url))
    tab.goto(served.address)
    assert tab.locator(".plot > svg").count() == 1
    tab.click("#explore")
    tab.wait_for_selector(".plot .js-plotly-plot .scatterlayer .trace")
    assert tab.locator(".plot .scatterlayer .trace").count() >= 4
    assert all(url.startswith(served.root) for url in asked)


def test_several_files_at_once_are_refused(serve: Serve, visit: Visit, bay: Bay) -> None:
    tab = visit(serve(bay.job).address)
    logs = [bay.log(f"{number}.csv", settings_shown(tab), number) for number in (3, 4)]
    drop(tab, *logs)
    assert "One log at a time" in tab.inner_text("#problem")
    with Session.open(bay.job) as session:
        assert len(session.pulls()) == 2


def test_the_sheet_shows_all_settings_on_a_phone(serve: Serve, visit: Visit, bay: Bay) -> None:
    tab = visit(f"{serve(bay.job).root}/sheet", viewport={"width": 390, "height": 844})
    assert tab.evaluate("() => document.documentElement.scrollWidth") <= 390
    cells = [cell.bounding_box() for cell in tab.locator(".settings td").all()]
    assert len(cells) == 6
    assert all(cell["x"] + cell["width"] <= 390 for cell in cells)


def test_long_words_break_instead_of_pushing_the_page_aside(serve: Serve, visit: Visit, tmp_path: Path) -> None:
    bay = Bay(tmp_path / "job", name="Estate " + "x" * 100)
    text = bay.job.read_text(encoding="utf-8")
    bay.job.write_text(text.replace("98 octane, warm tyres", "w" * 300), "utf-8")
    root = serve(bay.job).root
    for width in (390, 1366):
        tab = visit(root, viewport={"width": width, "height": 844})
        for path in ("/", "/why/1", "/sheet"):
            tab.goto(root + path)
            assert tab.evaluate("document.documentElement.scrollWidth") <= width, (path, width)


def test_the_shapes_are_told_with_colours_of_the_users_own(serve: Serve, visit: Visit, faces: dict[str, Bay]) -> None:
    """Where the page's grounds are taken away, shapes that are drawn in white would be lost on white."""
    tab = visit(serve(faces["stop"].job).root, forced_colors="active")
    assert tab.evaluate("getComputedStyle(document.querySelector('.shape')).fill") == "rgb(0, 0, 0)"
    # The ground behind a number begins under the line above it.
    tab = visit(serve(faces["baseline"].job).root, forced_colors="active")
    high, size = tab.evaluate(
        """() => { const number = getComputedStyle(document.querySelector(".tile .number"));
            return [parseFloat(number.lineHeight), parseFloat(number.fontSize)]; }"""
    )
    assert high >= 1.2 * size


def test_on_paper_the_verdict_keeps_its_ground(serve: Serve, visit: Visit, faces: dict[str, Bay]) -> None:
    """Browsers leave grounds out when they print: the words would be white on white, or a pale grey."""
    tab = visit(serve(faces["stop"].job).root)
    tab.emulate_media(media="print")
    look = "getComputedStyle(document.querySelector('.verdict')).printColorAdjust"
    assert tab.evaluate(look) == "exact"


def test_why_a_pull_was_withdrawn_can_be_read(serve: Serve, visit: Visit, bay: Bay) -> None:
    with Session.open(bay.job) as session:
        session.withdraw(2, "hose came off")
    tab = visit(serve(bay.job).root)
    reason = tab.locator("tr.gone .reason")
    assert reason.inner_text() == "Withdrawn: hose came off"
    # A line through a row runs through all of it but what is a block of its own.
    assert reason.evaluate("each => getComputedStyle(each).display") == "inline-block"
