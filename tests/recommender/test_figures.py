"""The figures: what they show, where it is drawn, and that nobody needs colour to read them."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest

from recommender import figures
from recommender.figures.draft import APART
from recommender.figures.palettes import PALETTES
from recommender.figures.svg import svg
from recommender.job import Job
from recommender.job.template import write_template
from recommender.session import PullResult, Step, StepBand
from recommender.why.explanation import KnobEffect

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return Job.load(write_template(tmp_path_factory.mktemp("figures"), "Harbour hatch"))


def made_step(**more: Any) -> Step:
    """A step whose band is 15 to 17 psi from 2600 to 6800 rpm."""
    rpm = np.arange(2600.0, 6801.0, 50.0)
    flat = np.full(rpm.shape, 16.0)
    values: dict[str, Any] = {
        "number": 3, "target": "target", "verdict": "pull", "settings": {"duty": 34.0}, "risk": 0.002, "deviation": 0.6,
        "band": StepBand(rpm, flat, flat - 1.0, flat + 1.0), "reasons": ["because"], "codes": ["x"], "changed": {},
        "peak": 16.4, "peak_high": 17.2, "limit": 19.0, "margin": 1.8, "tightest_rpm": 4000.0, "unit": "psi",
    }  # fmt: skip
    return Step(**(values | more))


def made_pull(boost: Callable[[np.ndarray], np.ndarray], **more: Any) -> PullResult:
    rpm = np.arange(2600.0, 6801.0, 50.0)
    values: dict[str, Any] = {
        "number": 2, "settings": {"duty": 30.0}, "source": "proposed", "step": 2, "target": "target", "deviation": 1.0,
        "deviations": {"target": 1.0}, "peak": 16.0, "peak_rpm": 5000.0, "margin": 3.0, "limit": 19.0, "overshoot": 0.0,
        "spool_rpm": 3500.0, "droop": 0.0, "oscillation": 0.0, "oscillation_hz": float("nan"), "complete": True,
        "trusted": True, "warnings": (), "held": 1.0, "hit": True, "predicted_peak": 16.2, "predicted_deviation": 0.8,
        "conditions": {}, "unit": "psi", "rpm": rpm, "boost": boost(rpm),
    }  # fmt: skip
    return PullResult(**(values | more))


def roles(figure: go.Figure) -> list[str]:
    return [trace.meta["role"] for trace in figure.data]


def notes(figure: go.Figure) -> dict[str, str]:
    return {note.name: note.text for note in figure.layout.annotations}


def test_the_outlook_shows_target_last_pull_band_and_limit(job: Job) -> None:
    step, last = made_step(), made_pull(lambda rpm: np.full(rpm.shape, 14.0))
    figure = figures.outlook(step, job.wanted(), [last])
    assert roles(figure) == ["band", "band", "band", "last", "last", "target"]
    assert notes(figure) == {"band": "predicted, 90 %", "last": "pull 2", "target": "target", "limit": "limit 19.0"}
    lines = [shape for shape in figure.layout.shapes if shape.type == "line"]
    assert [(line.y0, line.y1) for line in lines] == [(19.0, 19.0)]
    assert figure.layout.yaxis.range[1] > 19.0
    judged = next(shape for shape in figure.layout.shapes if shape.name == "judged")
    assert (judged.x0, judged.x1) == (3900.0, 6800.0)  # the template's target: judged from its first highest point


def test_the_picture_grows_with_the_pulls(job: Job) -> None:
    pulls = [made_pull(lambda rpm, n=n: np.full(rpm.shape, 10.0 + n), number=n) for n in (1, 2, 3)]
    figure = figures.outlook(made_step(), job.wanted(), pulls)
    assert roles(figure)[3:] == ["earlier", "earlier", "last", "last", "target"]
    assert (notes(figure)["earlier"], notes(figure)["last"]) == ("earlier pulls", "pull 3")
    assert "band" not in roles(figures.measured(pulls, job.wanted(), 19.0, "psi"))


def test_a_spike_stands_where_it_was_measured(job: Job) -> None:
    """The curve of a pull is coarser than a spike: what passed the limit must not be drawn under it."""
    spiked = made_pull(lambda rpm: np.full(rpm.shape, 16.0), peak=19.6, peak_rpm=4010.0)
    for figure in (
        figures.measured([spiked], job.wanted(), 19.0, "psi"),
        figures.outlook(made_step(), job.wanted(), [spiked]),
        figures.outcome(made_step(), spiked, job.wanted()),
        figures.before_after(None, spiked, job.wanted(), 19.0, "psi"),
    ):
        dots = [trace for trace in figure.data if trace.mode == "markers"]
        assert [(each.x, each.y) for each in dots] == [((4010.0,), (19.6,))]
        assert figure.layout.yaxis.range[1] > 19.6


def test_an_earlier_pull_over_the_limit_is_not_drawn_under_it(job: Job) -> None:
    """The thin curve shows a short spike no better than the strong one does."""
    spiked = made_pull(lambda rpm: np.full(rpm.shape, 16.0), number=1, peak=19.6, peak_rpm=4010.0, margin=-0.6)
    after = made_pull(lambda rpm: np.full(rpm.shape, 14.0), peak=14.2)
    for figure in (
        figures.outlook(made_step(), job.wanted(), [spiked, after]),
        figures.measured([spiked, after], job.wanted(), 19.0, "psi"),
        figures.before_after(spiked, after, job.wanted(), 19.0, "psi"),
    ):
        dots = [trace for trace in figure.data if trace.mode == "markers"]
        assert [(each.meta["role"], each.x, each.y) for each in dots] == [
            ("earlier", (4010.0,), (19.6,)),
            ("last", (5000.0,), (14.2,)),
        ]
        assert figure.layout.yaxis.range[1] > 19.6


def test_a_run_at_held_rpm_is_a_dot_with_its_name_beside_it(job: Job) -> None:
    """It has no curve; its median boost lies near the baseline's, which the name would seem to belong to."""
    entry: Any = SimpleNamespace(facts={"held": [[0.0, 5250.0, 75.0]]})
    baseline = made_pull(lambda rpm: np.full(rpm.shape, 10.0), number=1, peak=10.3)
    held = made_pull(lambda _: np.array([10.9]), rpm=np.array([5250.0]), peak=15.4, peak_rpm=5254.0, entry=entry)
    figure = figures.outlook(made_step(), job.wanted(), [baseline, held])
    assert [(trace.mode, trace.x) for trace in figure.data if trace.meta["role"] == "last"] == [("markers", (5254.0,))]
    places = {note.name: note.y for note in figure.layout.annotations}
    assert places["last"] > 14.0  # beside 15.4, pushed down at most by the names of band and target
    assert places["earlier"] == pytest.approx(10.0, abs=0.1)
    then = figures.outlook(made_step(), job.wanted(), [baseline, held, replace(baseline, number=3)])
    assert roles(then)[3:] == ["earlier", "earlier", "last", "last", "target"]
    assert [trace.x for trace in then.data if trace.name == "pull 2, highest boost"] == [(5254.0,)]
    assert notes(then)["earlier"] == "before"  # one curve


def test_earlier_pulls_are_named_beside_a_curve_that_goes_to_the_edge(job: Job) -> None:
    """A pull lifted early ends lower, in the middle of the plot: beside the edge nothing lies at that boost."""
    whole = made_pull(lambda rpm: np.full(rpm.shape, 10.0), number=1)
    lifted = made_pull(lambda _: np.full(9, 4.0), rpm=np.arange(2600.0, 3001.0, 50.0), number=2, complete=False)
    last = made_pull(lambda rpm: np.full(rpm.shape, 12.0), number=3)
    for before, place in (([whole, lifted], 10.0), ([lifted], 4.0)):
        figure = figures.measured([*before, last], job.wanted(), 19.0, "psi")
        named = {note.name: note.y for note in figure.layout.annotations}
        assert named["earlier"] == pytest.approx(place, abs=0.1)


@pytest.mark.parametrize("boost", [0.0, 18.5, 19.4])
def test_names_never_lie_on_each_other(job: Job, boost: float) -> None:
    pulls = [made_pull(lambda rpm: np.full(rpm.shape, boost), number=n, peak=boost) for n in (1, 2)]
    flat = np.full(85, boost)
    step = made_step(band=StepBand(made_step().band.rpm, flat, flat - 0.1, flat + 0.1))
    wanted = replace(job.wanted(), boost=tuple(boost for _ in job.wanted().boost))
    figure = figures.outlook(step, wanted, pulls)
    inner = figure.layout.height - figure.layout.margin.t - figure.layout.margin.b
    low, high = figure.layout.yaxis.range
    places = sorted(note.y for note in figure.layout.annotations)
    assert min(np.diff(places)) > 0.9 * APART * (high - low) / inner
    assert low <= places[0]
    assert places[-1] <= high


def test_nobody_needs_colour(job: Job) -> None:
    last = made_pull(lambda rpm: np.full(rpm.shape, 14.0))
    figure = figures.outlook(made_step(), job.wanted(), [last])
    looks = {(t.line.dash or "solid", t.line.width) for t in figure.data if t.name in ("pull 2", "target", "expected")}
    assert len(looks) == 3
    places = sorted(note.y for note in figure.layout.annotations)
    inner = figure.layout.height - figure.layout.margin.t - figure.layout.margin.b
    apart = APART * (figure.layout.yaxis.range[1] - figure.layout.yaxis.range[0]) / inner
    assert min(np.diff(places)) > 0.9 * apart


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_text_stands_out_from_the_paper(theme: str) -> None:
    palette = PALETTES[theme]

    def luminance(colour: str) -> float:
        # Relative luminance, WCAG 2.2, "relative luminance".
        parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for role in ("ink", "target", "last", "band", "limit", "earlier"):
        high, low = sorted((luminance(getattr(palette, role)), luminance(palette.paper)), reverse=True)
        # WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text.
        assert (high + 0.05) / (low + 0.05) >= 4.5, role


def test_the_outcome_marks_where_the_band_was_left(job: Job) -> None:
    inside = figures.outcome(made_step(), made_pull(lambda rpm: np.full(rpm.shape, 16.5)), job.wanted())
    assert "halo" not in roles(inside)
    spike = made_pull(lambda rpm: np.where(rpm == 4000.0, 18.0, 16.0))
    halo = next(t for t in figures.outcome(made_step(), spike, job.wanted()).data if t.meta["role"] == "halo")
    assert [x for x, y in zip(halo.x, halo.y, strict=True) if y is not None] == [4000.0]


def test_before_and_after_are_named_once(job: Job) -> None:
    first = made_pull(lambda rpm: np.full(rpm.shape, 10.0), number=1)
    final = made_pull(lambda rpm: np.full(rpm.shape, 16.0), number=4)
    both = notes(figures.before_after(first, final, job.wanted(), 19.0, "psi"))
    assert both["earlier"] == "before: pull 1"
    assert both["last"] == "now: pull 4"
    alone = notes(figures.before_after(final, final, job.wanted(), 19.0, "psi"))
    assert alone == {"last": "pull 4", "target": "target", "limit": "limit 19.0"}
    assert set(notes(figures.before_after(None, None, job.wanted(), 19.0, "psi"))) == {"target", "limit"}


def test_a_knob_that_hardly_acts_looks_like_it() -> None:
    rpm = np.arange(3000.0, 6001.0, 100.0)
    small = np.full(rpm.shape, 0.02)
    effect = KnobEffect(
        "gain", False, 3.0, 4.0, rpm, small, small - 0.01, small + 0.01, np.empty(0), np.empty(0), np.empty(0), ""
    )
    low, high = figures.knob_effect(effect, "psi").layout.yaxis.range
    assert low < -1.0 < 1.0 < high


def test_svg_puts_points_where_plotly_would(job: Job) -> None:
    figure = figures.before_after(None, made_pull(lambda rpm: rpm / 500.0), job.wanted(), 19.0, "psi")
    root = ET.fromstring(svg(figure, title="t"))
    path = next(e for e in root.iter(f"{SVG}path") if e.get("class") == "last-line")
    numbers = [float(n) for n in re.findall(r"-?\d+\.?\d*", str(path.get("d")).replace("h0", ""))]
    layout = figure.layout
    left, right = layout.margin.l, layout.width - layout.margin.r
    top, bottom = layout.margin.t, layout.height - layout.margin.b
    # First point: 2600 rpm, the left edge; 5.2 psi, linear between the ends of the axis.
    share = (5.2 - layout.yaxis.range[0]) / (layout.yaxis.range[1] - layout.yaxis.range[0])
    assert numbers[0] == pytest.approx(left, abs=0.06)  # pixels are rounded to a tenth
    assert numbers[1] == pytest.approx(bottom - share * (bottom - top), abs=0.06)
    assert numbers[-2] == pytest.approx(right, abs=0.06)


def test_gaps_stay_gaps_in_svg(job: Job) -> None:
    pull = made_pull(lambda rpm: np.where((rpm > 4000) & (rpm < 4500), np.nan, 12.0))
    root = ET.fromstring(svg(figures.before_after(None, pull, job.wanted(), 19.0, "psi"), title="t"))
    path = next(e for e in root.iter(f"{SVG}path") if e.get("class") == "last-line")
    assert str(path.get("d")).count("M") == 2


def test_svg_escapes_and_refuses_what_it_cannot_draw(job: Job) -> None:
    figure = figures.before_after(None, None, job.wanted(), 19.0, "psi")
    figure.layout.annotations[0].text = "<script>alert(1)</script>"
    drawn = svg(figure, title='"><script>', description="<b>")
    assert "<script>" not in drawn
    ET.fromstring(drawn)
    figure.add_trace(go.Bar(x=[1], y=[1]))
    with pytest.raises(ValueError, match=r"only scatter traces .* but got bar"):
        svg(figure, title="t")


def test_a_figure_is_valid_json_for_the_packaged_script(job: Job) -> None:
    pull = made_pull(lambda rpm: np.where(rpm > 6000, np.nan, 12.0))
    sent = json.loads(str(figures.outlook(made_step(), job.wanted(), [pull]).to_json()))
    assert {trace["type"] for trace in sent["data"]} == {"scatter"}
    assert None in sent["data"][3]["y"]


def test_peaks_stand_against_the_limit() -> None:
    pulls = [made_pull(lambda rpm: rpm, number=n, peak=10.0 + n) for n in (1, 2, 3)]
    figure = figures.peaks(pulls, 19.0, "psi")
    assert list(figure.data[0].x) == [1.0, 2.0, 3.0]
    assert list(figure.data[0].y) == [11.0, 12.0, 13.0]
