"""Why, on the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from recommender import wording
from recommender.cli.screen import Screen

if TYPE_CHECKING:
    from recommender.why.explanation import Explanation, KnobEffect

#: Alternatives shown.
ALTERNATIVES: Final = 3
_BARS: Final = "▁▂▃▄▅▆▇█"
_PLAIN_BARS: Final = ".:-=+*#@"


def why_lines(explained: Explanation, screen: Screen) -> list[str]:
    """Everything that ``why`` has to say, part by part."""
    step = f"step {explained.step}" if explained.step else "a step that is not kept"
    lines = screen.wrapped(f"Why {step} says {wording.FACES[explained.verdict].words.lower()}", " ")
    parts: list[tuple[str, list[str]]] = [
        ("Reasons", [reason.text for reason in explained.reasons]),
        ("Safety", [explained.tightest.text]),
        ("What held it back", [reason.text for reason in explained.binding]),
        ("Ruled out", [each.text for each in explained.alternatives[:ALTERNATIVES]]),
        ("What would change it", [reason.text for reason in explained.would_change]),
        ("Learnt about this car (90 % ranges)", [each.text for each in explained.constants]),
        ("Pulls it rests on", [each.text for each in explained.evidence] or ["None yet."]),
        ("The last prediction", [explained.last.text] if explained.last is not None else []),
        ("Trust", list(explained.trust.texts)),
    ]
    for title, texts in parts:
        if texts:
            lines += _part(title, texts, screen)
        if title == "What would change it":
            lines += _effects(explained.effects, explained.unit, screen)
    return lines


def _part(title: str, texts: list[str], screen: Screen) -> list[str]:
    mark = "•" if screen.drawing else "*"
    lines = ["", f" {screen.style(title, 'bold')}"]
    for text in texts:
        lines += screen.wrapped(text, f"  {mark} ")
    return lines


def _effects(effects: tuple[KnobEffect, ...], unit: str, screen: Screen) -> list[str]:
    if not effects:
        return []
    lines = ["", f" {screen.style('What each knob does from here', 'bold')}"]
    for effect in effects:
        lines += screen.wrapped(effect.text, f"  {'•' if screen.drawing else '*'} ")
        if not effect.fixed and np.abs(effect.mean).max() >= wording.least_shown(unit):
            lines += [f"    {line}" for line in picture(effect, screen)]
    return lines


def picture(effect: KnobEffect, screen: Screen, width: int = 40) -> list[str]:
    """The change of boost over rpm as a row of bars, with which way its greatest value goes; blank where boost goes the
    other way by as much as a bar shows."""
    bars = _BARS if screen.drawing else _PLAIN_BARS
    at = np.linspace(0, effect.rpm.size - 1, min(width, effect.rpm.size)).round().astype(int)
    change = effect.mean[at]
    up = change[int(np.argmax(np.abs(change)))] >= 0
    along = change if up else -change
    level = np.rint(along / max(float(along.max()), 1e-12) * (len(bars) - 1)).astype(int)
    row = "".join(" " if i < 0 else bars[i] for i in level)
    way, other = ("more", "less") if up else ("less", "more")
    words = f"{way}; blank: {other}" if " " in row else f"{way} boost"  # a line of 80 columns holds it
    return [f"{effect.rpm[0]:.0f} {row} {effect.rpm[-1]:.0f} rpm, {words}"]
