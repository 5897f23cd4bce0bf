"""What the terminal shows: large figures, verdicts that cannot be mistaken, narrow and plain terminals."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.settings import Settings
from recommender import wording
from recommender.cli.digits import large
from recommender.cli.pull import pull_lines, table
from recommender.cli.screen import Screen, show
from recommender.cli.step import FRAME, banner, step_lines, tiles
from recommender.cli.why import picture
from recommender.session import Session
from recommender.why.explanation import KnobEffect

VERDICTS = sorted(wording.FACES)
ESCAPE = re.compile(r"\x1b\[[0-9;]*m")


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def __init__(self, live: bool = True, encoding: str = "utf-8") -> None:
        super().__init__()
        self._live, self._encoding = live, encoding

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self._encoding

    def isatty(self) -> bool:
        return self._live


class TestDigits:
    def test_every_figure_is_different(self) -> None:
        for drawing in (True, False):
            assert len({tuple(large(sign, drawing)) for sign in "0123456789.-"}) == 12

    def test_lines_have_one_length(self) -> None:
        for number in ("0", "4300", "12.5", "-3"):
            assert len({len(row) for row in large(number)}) == 1
            assert len(large(number)) == 4
            assert len(large(number, drawing=False)) == 7

    def test_half_blocks_hold_the_same_points(self) -> None:
        ink = {" ": "  ", "▀": "# ", "▄": " #", "█": "##"}
        rows = large("2.5", drawing=False)
        packed = large("2.5")
        for column in range(len(rows[0])):
            points = "".join(ink[row[column]] for row in packed)
            assert points[:7] == "".join(row[column] for row in rows)

    def test_what_cannot_be_drawn_is_named(self) -> None:
        with pytest.raises(ValueError, match="but got 'x'"):
            large("1x")


class TestVerdicts:
    @pytest.mark.parametrize("drawing", [True, False])
    def test_each_has_words_and_a_shape_of_its_own(self, drawing: bool) -> None:
        shown = {verdict: banner(verdict, Screen(80, drawing=drawing)) for verdict in VERDICTS}
        letters = {verdict: wording.FACES[verdict].words.upper() for verdict in VERDICTS}
        for verdict, lines in shown.items():
            text = "\n".join(lines)
            assert letters[verdict] in text or " ".join(letters[verdict]) in text
        shapes = {re.sub(r"[A-Z ]", "", "".join(lines[:-1])) for lines in shown.values()}
        assert len(shapes) == len(VERDICTS)

    def test_colour_adds_nothing_that_words_and_shape_do_not_say(self) -> None:
        for verdict in VERDICTS:
            plain = banner(verdict, Screen(80))
            coloured = banner(verdict, Screen(80, colour=True))
            assert plain != coloured
            assert [ESCAPE.sub("", line) for line in coloured] == plain


class TestScreen:
    def test_no_color_is_honoured(self) -> None:
        assert Screen.of(Terminal(), {"TERM": "xterm"}).colour
        assert not Screen.of(Terminal(), {"TERM": "xterm", "NO_COLOR": "1"}).colour
        assert not Screen.of(Terminal(), {"TERM": "dumb"}).colour

    def test_a_file_gets_neither_colour_nor_overwritten_lines(self) -> None:
        screen = Screen.of(Terminal(live=False), {"TERM": "xterm"})
        assert not screen.colour
        assert not screen.live
        assert screen.width == 80

    def test_letters_alone_where_the_encoding_has_no_lines(self) -> None:
        assert not Screen.of(Terminal(encoding="ascii"), {}).drawing
        assert Screen.of(Terminal(), {}).drawing

    def test_a_number_stays_with_its_unit(self) -> None:
        lines = Screen(40).wrapped("The highest boost that is expected is 16.9 psi, which is 2.1 psi under it.")
        assert all(len(line) <= 40 for line in lines)
        assert not any(line.startswith("psi") for line in lines)


class TestStep:
    @pytest.mark.parametrize("width", [40, 60, 80, 100])
    @pytest.mark.parametrize("drawing", [True, False])
    def test_no_line_is_wider_than_the_terminal(self, session: Session, width: int, drawing: bool) -> None:
        for line in step_lines(session.next_step(), session.job, Screen(width, drawing=drawing)):
            assert len(line) <= width

    def test_two_frames_side_by_side_at_60_columns(self, session: Session) -> None:
        step = session.next_step()
        assert step.settings is not None
        first = tiles(step.settings, {}, session.job, Screen(60))[0]
        assert "DUTY" in first
        assert "RAMP FROM" in first

    def test_letters_alone_are_ascii(self, session: Session) -> None:
        frames = tiles(session.next_step().settings or {}, {"duty": 20.0}, session.job, Screen(80, drawing=False))
        assert "\n".join(frames).isascii()

    def test_changed_knobs_have_a_heavy_frame_and_the_old_value(self, session: Session) -> None:
        settings = session.next_step().settings or {}
        text = "\n".join(tiles(settings, {"duty": 20.0}, session.job, Screen(60)))
        assert text.count("┏") == 1
        assert text.count("┌") == len(settings) - 1
        assert "◀ was 20" in text

    def test_figures_too_wide_for_a_frame_are_plain(self, session: Session) -> None:
        frames = tiles({"ramp_from": 123456.5}, {}, session.job, Screen(80))
        assert all(len(line) == FRAME + 3 for line in frames)
        assert "123456.5" in "\n".join(frames)

    def test_settings_that_stand_are_shown_when_nothing_is_to_be_run(self, session: Session) -> None:
        step = session.next_step()
        done = replace(step, verdict="done", settings=None, best_pull=4, best_settings=step.settings)
        text = "\n".join(step_lines(done, session.job, Screen(60), last=step.settings))
        assert "The settings of pull 4 stand.\n" in text
        assert "DUTY" in text
        assert "◀ was" not in text

    def test_settings_that_have_to_be_dialled_back_in_are_marked(self, session: Session) -> None:
        step = session.next_step()
        assert step.settings is not None
        done = replace(step, verdict="done", settings=None, best_pull=4, best_settings=step.settings)
        last = {**step.settings, "gain": step.settings["gain"] + 2.0}
        text = "\n".join(step_lines(done, session.job, Screen(60), last=last))
        assert "The settings of pull 4 stand. Dial them back in." in text
        assert text.count("◀ was") == 1
        assert f"◀ was {last['gain']:g} " in text

    def test_a_fixed_knob_that_stands_otherwise_is_not_told_as_fixed(self, session: Session, folder: Path) -> None:
        text = (folder / "job.toml").read_text().split("[knobs.gain]")[0]
        (folder / "job.toml").write_text(f"{text}[knobs.gain]\nfixed = 2\n")
        session.follow()
        settings = dict(session.next_step().settings or {})
        as_fixed = "\n".join(tiles(settings, {}, session.job, Screen(80)))
        otherwise = "\n".join(tiles({**settings, "gain": 3.0}, {}, session.job, Screen(80)))
        assert ("Fixed in this job: Gain 2." in as_fixed, "─ GAIN ─" in as_fixed) == (True, False)
        assert ("Fixed in this job" in otherwise, "─ GAIN ─" in otherwise) == (False, True)

    def test_a_knob_that_the_job_lacks_is_shown_where_a_pull_was_run_with_it(
        self, session: Session, folder: Path, pull_log: Callable[..., Path]
    ) -> None:
        """Gain 2 of a job without a table for it stood in no line but a remark, and had to go back to 0 unseen."""
        (folder / "job.toml").write_text((folder / "job.toml").read_text().split("[knobs.gain]")[0])
        session.follow()
        assert "Gain" not in "\n".join(tiles(session.next_step().settings or {}, {}, session.job, Screen(80)))
        idle = session.add_pull(pull_log(Settings(0, 5000, 7000, 0, 0, 0)))
        assert "Gain" not in "\n".join(pull_lines(idle, session.job, Screen(80)))
        assert "gain" not in table([idle], session.job)[0]
        run = session.add_pull(pull_log(Settings(0, 5000, 7000, 0, 0, 0)), {"gain": 2, "duty": 0, "engagement": 0})
        assert "Gain 2 " in "\n".join(pull_lines(run, session.job, Screen(80)))
        assert [line.split()[6] for line in table([idle, run], session.job)[::2]] == ["gain", "0"]
        step = session.next_step()
        back = tiles(step.settings or {}, step.changed, session.job, Screen(80))
        assert any("━ GAIN ━" in line for line in back)
        assert any("◀ was 2 " in line for line in back)

    def test_a_stop_foretells_nothing_of_settings_that_it_does_not_show(self, session: Session) -> None:
        step = session.next_step()
        stop = replace(step, verdict="stop", settings=None, best_pull=4, best_settings=step.settings)
        told = "\n".join(step_lines(stop, session.job, Screen(80)))
        assert "Limit    19.0 psi must never be passed." in told
        assert not any(f"\n {word}" in told for word in ("Peak", "Margin", "Risk", "Result"))

    def test_margin_over_the_limit_is_said(self, session: Session) -> None:
        step = replace(session.next_step(), margin=-1.25)
        text = " ".join("\n".join(step_lines(step, session.job, Screen(80))).split())
        assert "1.2 psi OVER the limit" in text

    def test_the_best_thought_possible_is_no_worse_than_what_is_expected(self, session: Session) -> None:
        step = replace(session.next_step(), deviation=1.84, best_possible=1.97)
        for given, told in ((step, False), (replace(step, best_possible=0.65), True)):
            text = "\n".join(step_lines(given, session.job, Screen(80)))
            assert ("best thought possible" in text) == told


def test_bars_show_one_way_and_the_other_stays_blank() -> None:
    """A knob that brings more boost in the middle and takes it away above: bars of both ways looked alike."""
    rpm, none = np.array([3000.0, 4000.0, 5000.0, 6000.0]), np.empty(0)
    change = np.array([0.0, 1.4, 0.7, -0.7])  # 7 bars above the lowest for 1.4 psi: 0.7 is half of them, rounded
    rows = [
        picture(KnobEffect("gain", False, 0.0, 1.0, rpm, each, each, each, none, none, none, ""), Screen(80))[0]
        for each in (change, -change, np.abs(change))
    ]
    assert rows[0] == "3000 ▁█▅  6000 rpm, more; blank: less"
    assert rows[1] == "3000 ▁█▅  6000 rpm, less; blank: more"
    assert rows[2] == "3000 ▁█▅▅ 6000 rpm, more boost"


@pytest.mark.parametrize(
    ("encoding", "shown"), [("ascii", "-0.4 to +1.2 psi, +/-0.3"), ("utf-8", "−0.4 to +1.2 psi, ±0.3")]
)
def test_a_minus_is_never_lost(monkeypatch: pytest.MonkeyPatch, encoding: str, shown: str) -> None:
    raw = io.BytesIO()
    monkeypatch.setattr("sys.stdout", io.TextIOWrapper(raw, encoding=encoding, errors="replace"))
    show(["−0.4 to +1.2 psi, ±0.3"])
    assert raw.getvalue().decode(encoding).rstrip() == shown


def test_why_no_deviation_can_be_told_is_said_as_it_is(session: Session, pull_log: Callable[..., Path]) -> None:
    """Of a pull whose wheels had spun in the middle it was said that it does not cover the judged range."""
    pull = session.add_pull(pull_log(Settings(0, 5000, 7000, 0, 0, 0)))
    nothing = replace(pull, deviation=float("nan"), deviations={"target": float("nan")})
    short = replace(nothing, rpm=pull.rpm[pull.rpm < 5000], boost=pull.boost[pull.rpm < 5000])
    for each, words in ((nothing, "readings are missing within"), (short, "the sweep does not cover")):
        said = " ".join(" ".join(pull_lines(each, session.job, Screen(80))).split())
        assert f"Deviation Cannot be told: {words} the judged range, 3900 to 6700 rpm." in said
