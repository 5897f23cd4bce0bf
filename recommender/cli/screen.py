"""The terminal: how wide it is, what it can show, and how lines are wrapped for it."""

from __future__ import annotations

import os
import re
import shutil
import sys
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, TextIO

#: Narrowest and widest line that is written. [columns]
NARROWEST: Final = 40
WIDEST: Final = 100
#: A number stays on one line with its unit.
_NUMBER_AND_UNIT: Final = re.compile(r"(\d) (psi|kPa|bar|rpm|%|points?|pulls?)(?=\W|$)")
_CODES: Final = {"bold": "1", "dim": "2", "red": "31", "green": "32", "yellow": "33", "magenta": "35", "cyan": "36"}
_PLAIN: Final = str.maketrans({"−": "-", "–": "-", "±": "+/-", "°": " deg ", "·": "-", "→": "->"})
_SPECIAL: Final = "█▀▄▶↻✔▔━┏┓┗┛┃─┌┐└┘│═╔╗╚╝║┄–°"


@dataclass(frozen=True)
class Screen:
    """What can be shown.

    Attributes:
        width: Columns of a line.
        colour: Whether escape codes for colour may be written.
        drawing: Whether block and line characters may be written; else plain letters do.
        live: Whether a line can be written over.
    """

    width: int = 80
    colour: bool = False
    drawing: bool = True
    live: bool = False

    @classmethod
    def of(cls, stream: TextIO, environment: Mapping[str, str] = os.environ) -> Screen:
        """The screen behind a stream. ``NO_COLOR`` (https://no-color.org) and ``COLUMNS`` are honoured."""
        live = stream.isatty() and environment.get("TERM", "") != "dumb"
        columns = shutil.get_terminal_size((80, 24)).columns if live or "COLUMNS" in environment else 80
        return cls(
            width=min(max(columns, NARROWEST), WIDEST),
            colour=live and not environment.get("NO_COLOR"),
            drawing=_can_show(stream),
            live=live,
        )

    def style(self, text: str, *names: str) -> str:
        """Text with colour where the screen has it."""
        if not self.colour or not names:
            return text
        codes = ";".join(_CODES[name] for name in names)
        return f"\x1b[{codes}m{text}\x1b[0m"

    def wrapped(self, text: str, first: str = "", rest: str | None = None) -> list[str]:
        """Lines of a paragraph.

        Args:
            text: The paragraph.
            first: What its first line begins with.
            rest: What the others begin with; as much blank as ``first`` is long where it is None.
        """
        hang = " " * len(first) if rest is None else rest
        whole = _NUMBER_AND_UNIT.sub("\\1\u00a0\\2", text)
        # A file's name stays in one piece, so that it can be copied off the screen.
        lines = textwrap.wrap(whole, self.width, initial_indent=first, subsequent_indent=hang, break_long_words=False)
        return [line.replace("\u00a0", " ") for line in lines] or [first.rstrip()]

    def listed(self, label: str, texts: list[str], column: int = 10) -> list[str]:
        """A label at the left and paragraphs beside it."""
        lines: list[str] = []
        for i, text in enumerate(texts):
            first = f" {label:<{column - 1}}" if i == 0 else " " * column
            lines += self.wrapped(text, first, " " * column)
        return lines


def _can_show(stream: TextIO) -> bool:
    try:
        _SPECIAL.encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def show(lines: list[str]) -> None:
    """Write lines to standard output. A sign that it cannot show becomes a plain one: a minus must not get lost."""
    text = "\n".join(lines) + "\n"
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        text = text.translate(_PLAIN)
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except OSError as error:
        error.filename = error.filename or "what was to be shown"
        raise
