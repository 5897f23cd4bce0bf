"""A step on the terminal: what to dial in first and large, whether it is safe next, and why."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Final

from recommender import wording
from recommender.cli.digits import large
from recommender.cli.screen import Screen

if TYPE_CHECKING:
    from recommender.session import Job, Step

#: Reasons shown with a step; ``nextpull why`` has them all.
REASONS: Final = 3
#: Inside of a frame: four large figures, or four and a point; two frames side by side fit in 60 columns. [columns]
FRAME: Final = 27
#: Lines of a frame: heavy for a changed knob, light for one that stays.
_HEAVY: Final = ("┏", "━", "┓", "┃", "┗", "┛")
_LIGHT: Final = ("┌", "─", "┐", "│", "└", "┘")
_PLAIN: Final = ("+", "-", "+", "|", "+", "+")
_PLAIN_HEAVY: Final = ("#", "=", "#", "#", "#", "#")


def step_lines(
    step: Step, job: Job, screen: Screen, *, asked: bool = False, last: Mapping[str, float] | None = None
) -> list[str]:
    """Everything about a step.

    Args:
        step: The step.
        job: Its job.
        screen: Where it is shown.
        asked: The settings were asked about by the user: nothing is proposed.
        last: Settings of the last pull: where the job ends with others, those have to be dialled back in.
    """
    title = f"{job.name}" + (f" · {step.target}" if len(job.targets) > 1 else "")
    number = "asked for, not recorded" if asked else f"step {step.number}" if step.number else "a step that is not kept"
    lines = [_both_ends(title, number, screen.width), ""]
    lines += _asked(screen) if asked else banner(step.verdict, screen)
    lines.append("")
    shown, words = _settings_shown(step)
    changed = step.changed
    if shown is not None and step.settings is None:
        changed = {name: old for name, old in (last or {}).items() if abs(shown[name] - old) > 1e-6}
        words += " Dial them back in." if changed else ""
    if words:
        lines += screen.wrapped(words, " ")
    if shown is not None:
        lines += tiles(shown, changed, job, screen)
    lines.append("")
    lines += _safety(step, job, screen)
    lines += ["", *_reasons(step, screen)]
    if step.notes:
        lines += ["", *screen.listed("Note", list(step.notes))]
    return lines


def otherwise_lines(step: Step, dialled: Mapping[str, float], job: Job, screen: Screen) -> list[str]:
    """That something else is dialled in than proposed, as it was put right; nothing where it is as proposed."""
    moved = {name: value for name, value in dialled.items() if abs(value - (step.settings or dialled)[name]) > 1e-6}
    if not moved:
        return []
    words = wording.settings_line(moved, job.pressure_unit)
    return ["", *screen.listed("Mind", [f"Dialled in otherwise: {words}. The next log counts for that."])]


def _both_ends(left: str, right: str, width: int) -> str:
    return f" {left}{' ' * max(width - len(left) - len(right) - 2, 2)}{right}"


# -------------------------------------------------------------------- verdict


def banner(verdict: str, screen: Screen) -> list[str]:
    """The verdict, in a form of its own: by word, by shape, and by colour where there is one."""
    face = wording.FACES[verdict]
    draw = _FORMS[face.shape]
    return draw(face.words.upper(), face.line, screen)


def _arrow(words: str, line: str, screen: Screen) -> list[str]:
    mark = "▶▶▶" if screen.drawing else ">>>"
    return [
        f" {screen.style(f'{mark} {words} {mark}', 'bold', 'cyan')}",
        *screen.wrapped(line, " "),
    ]


def _ring(words: str, line: str, screen: Screen) -> list[str]:
    mark = "↻" if screen.drawing else "(again)"
    rule = ("┄" if screen.drawing else ". ") * ((len(words) + 2 * len(mark) + 2) // (1 if screen.drawing else 2))
    head = screen.style(f"{mark} {words} {mark}", "bold", "yellow")
    rule = screen.style(rule, "yellow")
    return [f" {rule}", f" {head}", f" {rule}", *screen.wrapped(line, " ")]


def _tick(words: str, line: str, screen: Screen) -> list[str]:
    text = f"  {'✔' if screen.drawing else '[x]'} {words}  "
    side, flat, corners = ("║", "═", "╔╗╚╝") if screen.drawing else ("|", "=", "++++")
    rows = [
        f"{corners[0]}{flat * len(text)}{corners[1]}",
        f"{side}{text}{side}",
        f"{corners[2]}{flat * len(text)}{corners[3]}",
    ]
    return [f" {screen.style(row, 'bold', 'green')}" for row in rows] + screen.wrapped(line, " ")


def _ceiling(words: str, line: str, screen: Screen) -> list[str]:
    over, under = ("▔", "▲") if screen.drawing else ("=", "^")
    text = f"{under} {words} {under}"
    rows = [over * len(text), text]
    return [f" {screen.style(row, 'bold', 'magenta')}" for row in rows] + screen.wrapped(line, " ")


def _octagon(words: str, line: str, screen: Screen) -> list[str]:
    ink = "█" if screen.drawing else "#"
    spaced = " ".join(words)
    text = f"{ink * 4}  {spaced}  {ink * 4}"
    bar = ink * (len(text) - 4)
    rows = [f"  {bar}  ", text, f"  {bar}  "]
    return [f" {screen.style(row, 'bold', 'red')}" for row in rows] + screen.wrapped(line, " ")


_FORMS: Final[Mapping[str, Callable[[str, str, Screen], list[str]]]] = {
    "arrow": _arrow,
    "ring": _ring,
    "tick": _tick,
    "ceiling": _ceiling,
    "octagon": _octagon,
}


def _asked(screen: Screen) -> list[str]:
    return [
        f" {screen.style('? WHAT IF ?', 'bold')}",
        *screen.wrapped(
            "These settings were asked for by you. They are not proposed and not recorded. Nothing here was checked "
            "against steps and caps.",
            " ",
        ),
    ]


# -------------------------------------------------------------------- settings


def _settings_shown(step: Step) -> tuple[Mapping[str, float] | None, str]:
    if step.settings is not None:
        return step.settings, ""
    if step.verdict in ("done", "out of reach") and step.best_settings is not None:
        return step.best_settings, f"The settings of pull {step.best_pull} stand."
    return None, ""


def tiles(settings: Mapping[str, float], changed: Mapping[str, float], job: Job, screen: Screen) -> list[str]:
    """The knobs that move, each in a frame with large figures; changed ones in a heavy frame with the old value.

    A knob that the job fixes has one as well where it stands otherwise, or stood otherwise in the last pull.
    """
    dials = job.dials
    fast = {name for name, value in settings.items() if dials[name].fixed and dials[name].on_dial(value)}
    moving = [name for name in settings if name not in fast or name in changed]
    across = max(screen.width // (FRAME + 3), 1)
    lines: list[str] = []
    for i in range(0, len(moving), across):
        row = [_tile(name, settings[name], changed.get(name), job, screen) for name in moving[i : i + across]]
        lines += [" " + " ".join(parts) for parts in zip(*row, strict=True)]
    fixed = {name: value for name, value in settings.items() if name not in moving and not dials[name].absent}
    if fixed:
        texts = [f"{wording.KNOB_LABELS[name]} {wording.knob(name, fixed[name], job.pressure_unit)}" for name in fixed]
        lines += screen.wrapped(f"Fixed in this job: {', '.join(texts)}.", " ")
    return lines


def _tile(name: str, value: float, before: float | None, job: Job, screen: Screen) -> list[str]:
    heavy, light = (_HEAVY, _LIGHT) if screen.drawing else (_PLAIN_HEAVY, _PLAIN)
    first, flat, second, side, third, fourth = light if before is None else heavy
    unit = wording.knob_unit(name, job.pressure_unit)
    label = f" {wording.KNOB_LABELS[name].upper()} {unit}".rstrip() + " "
    mark = "◀" if screen.drawing else "<"
    note = "" if before is None else f" {mark} was {wording.knob_number(before)} "
    styles = ("bold", "cyan") if before is not None else ("bold",)
    inner = [
        f"{side}{screen.style(figure, *styles)}{side}"
        for figure in _figures(_dialled(value, job.dials[name].resolution), screen)
    ]
    top = f"{first}{flat}{label}{flat * (FRAME - len(label) - 1)}{second}"
    bottom = f"{third}{flat * (FRAME - len(note) - 1)}{screen.style(note, 'bold')}{flat}{fourth}"
    return [top, *inner, bottom]


def _figures(number: str, screen: Screen) -> list[str]:
    """Large figures over the whole inside of a frame; plain ones where they do not fit."""
    rows = large(number, screen.drawing)
    if len(rows[0]) > FRAME:
        rows = ["" if i else number for i in range(len(rows))]
    indent = " " * min(2, FRAME - len(rows[0]))
    return [f"{indent}{row}".ljust(FRAME) for row in rows]


def _dialled(value: float, resolution: float) -> str:
    """A knob's value with as many digits as its resolution has."""
    digits = 0
    while digits < 3 and abs(round(resolution, digits) - resolution) > 1e-9:
        digits += 1
    return f"{value:.{digits}f}" if abs(round(value, digits) - value) < 1e-6 else f"{value:.3f}"


# -------------------------------------------------------------------- safety and reasons


def _safety(step: Step, job: Job, screen: Screen) -> list[str]:
    unit = step.unit
    if _settings_shown(step)[0] is None or not math.isfinite(step.risk):  # no forecast of settings that nobody sees
        return screen.listed("Limit", [f"{wording.pressure(step.limit, unit)} {unit} must never be passed."])
    margin = wording.pressure(abs(step.margin), unit)
    side = "under" if step.margin >= 0 else "OVER"
    allowed = wording.allowed_risk(job.risk)
    risk = f"{wording.risk(step.risk, job.risk)} that it passes the limit, an estimate; this job allows {allowed}."
    lines = screen.listed(
        "Peak",
        [
            f"{wording.pressure(step.peak, unit)} {unit} expected; 19 of 20 such pulls stay under "
            f"{wording.pressure(step.peak_high, unit)} {unit}."
        ],
    )
    lines += screen.listed(
        "Margin",
        [
            f"{margin} {unit} {side} the limit of {wording.pressure(step.limit, unit)} {unit}; tightest at "
            f"{wording.rpm(step.tightest_rpm)}."
        ],
    )
    lines += screen.listed("Risk", [risk])
    deviation = f"{wording.fine(step.deviation, unit)} {unit} off the target expected."
    if step.best_possible < step.deviation and step.verdict in ("out of reach", "pull"):  # NaN where it is not known
        deviation += f" The best thought possible is {wording.fine(step.best_possible, unit)} {unit}."
    return lines + screen.listed("Result", [deviation])


def _reasons(step: Step, screen: Screen) -> list[str]:
    texts = [f"{i}. {text}" for i, text in enumerate(step.reasons[:REASONS], 1)]
    return screen.listed("Why", texts)
