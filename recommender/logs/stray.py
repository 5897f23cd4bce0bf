"""Lines of a text log that do not belong to its table: another header half-way, numbers torn into two cells."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice, pairwise
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from recommender.logs.errors import LogError
from recommender.logs.layout import BLANKS, Layout, is_number, split
from recommender.logs.source import opened, text_of
from recommender.logs.table import Column
from recommender.logs.words import name_score
from recommender.logs.written_units import is_unit, tidy

#: Share of the cells of a row of units that are units. [-]
UNITS_SHARE: Final = 0.6
#: Lines that are looked at for numbers torn in two.
MOST_LOOKED_AT: Final = 1000


def refuse_other_headings(
    file_name: str, columns: Sequence[Column], rows: npt.NDArray[np.intp], layout: Layout
) -> None:
    """Refuse a file in which another header, or another row of units, stands half-way.

    What follows it would be read by the first one. The same header again is sound, and so are comments.

    Args:
        file_name: For the message.
        columns: All of them, in the order of the layout.
        rows: Rows without a single number.
        layout: With the headings above the first numbers.
    Raises:
        LogError: there is one.
    """
    told = [place for place, column in enumerate(columns) if column.kind != "text"]
    named = [(layout.names[place], layout.units[place] if layout.units else "") for place in told]
    for row in rows.tolist():
        texts = [columns[place].unread.get(row, "") for place in told]
        filled = [
            (_plain(text), _plain(name), _plain(unit)) for text, (name, unit) in zip(texts, named, strict=True) if text
        ]
        if len(filled) < max(2, len(named) / 2):
            continue
        what = _other_headings(filled)
        if what:
            shown = ", ".join(text for text in texts if text)[:80]
            raise LogError(
                f"{file_name}, about line {row + layout.first_line}: {what} ({shown}), unlike that above the first "
                "numbers: what follows cannot be read by the first. There are several recordings in the file: split "
                "it, and add the one with the pull."
            )


def _plain(text: str) -> str:
    """A heading without capitals, brackets about a unit, and the sign of a comment line."""
    return tidy(re.sub(r"^\s*(#|%(?=.)|//|\*)+\s*", "", text)).strip("[](){} ").casefold()


def _other_headings(cells: Sequence[tuple[str, str, str]]) -> str:
    """Whether a row's cells are headings unlike those above the numbers, in words; empty where they are not.

    Args:
        cells: Text, and the name and unit in its place above the numbers.
    """
    if all(text == name for text, name, _ in cells) or all(text == unit for text, _, unit in cells):
        return ""
    units = sum(is_unit(text) for text, _, _ in cells)
    if units > UNITS_SHARE * len(cells):
        return "another row of units"
    known = {name for _, name, _ in cells}
    names = sum(text in known or name_score(text) > 0 for text, _, _ in cells)
    return "another row of column names" if names >= max(2, len(cells) / 2) else ""


def refuse_parted_thousands(path: Path, layout: Layout) -> tuple[int, int]:
    """Refuse a log in which commas between thousands tear numbers in two: exactly its highest rows would be left out.

    Returns:
        How many lines have more cells than there are columns, and how many of them only have words at their end.
    Raises:
        LogError: there are such numbers.
    """
    count = noted = 0
    for number, cells in _longer_lines(path, layout):
        count += 1
        noted += words_follow(cells, layout)
        if count <= MOST_LOOKED_AT and _parted(cells, layout):
            raise LogError(
                f"{path.name}, line {number}: {len(cells)} numbers where there are {layout.width} columns "
                f"({layout.separator.join(cells)[:60]}): a comma between thousands parts a number in two, it seems. "
                "Export without signs between thousands, or with semicolons between the columns."
            )
    return count, noted


def _longer_lines(path: Path, layout: Layout) -> Iterator[tuple[int, list[str]]]:
    with opened(path) as stream:
        for number, line in enumerate(islice(text_of(stream, layout.encoding), layout.first_line - 1, None)):
            if layout.separator != " " and line.count(layout.separator) < layout.width:
                continue
            cells = split(line.strip("\r\n"), layout.separator, layout.quoted)
            while cells and not cells[-1]:
                cells.pop()
            if len(cells) > layout.width:
                yield number + layout.first_line, cells


def _parted(cells: Sequence[str], layout: Layout) -> bool:
    """Whether a line is one row of the table once its torn numbers are put together."""
    more = len(cells) - layout.width
    if layout.separator != "," or more > layout.width / 2 or not all(is_number(cell, ".") for cell in cells if cell):
        return False
    return _torn(cells) >= more


def _torn(cells: Sequence[str]) -> int:
    """How many numbers of a line a comma between thousands may have torn in two."""
    pairs = pairwise(cells)
    return sum(bool(re.fullmatch(r"[+-]?[1-9]\d{0,2}", a) and re.fullmatch(r"\d{3}(\.\d+)?", b)) for a, b in pairs)


def words_follow(cells: Sequence[str], layout: Layout) -> bool:
    """Whether a line that is too long is a row of numbers with words after it: a note on the moment, an alarm."""
    row, rest = cells[: layout.width - 1], cells[layout.width - 1 :]
    numbers = [cell for cell in row if cell.casefold() not in BLANKS]
    whole = len(numbers) > 1 and all(is_number(cell, layout.decimal) for cell in numbers)
    return whole and not _torn(cells) and not is_number(rest[-1], layout.decimal)


class Shortened:
    """Text of a table whose rows with words after them are cut off at its last column."""

    def __init__(self, text: Iterable[str], layout: Layout) -> None:
        self._lines = (self._shortened(line, layout) for line in text)

    @staticmethod
    def _shortened(line: str, layout: Layout) -> str:
        if layout.separator == " " or line.count(layout.separator) < layout.width:
            return line
        cells = split(line.strip("\r\n"), layout.separator, layout.quoted)
        while cells and not cells[-1]:
            cells.pop()
        if len(cells) <= layout.width or not words_follow(cells, layout):
            return line
        kept = cells[: layout.width]
        if layout.quoted:
            kept = ['"' + cell.replace('"', '""') + '"' for cell in kept]
        return layout.separator.join(kept) + "\n"

    def read(self, size: int = -1) -> str:
        """The next lines, about as many signs as asked for; empty at the end."""
        part: list[str] = []
        held = 0
        for line in self._lines:
            part.append(line)
            held += len(line)
            if 0 <= size <= held:
                break
        return "".join(part)

    def __iter__(self) -> Iterator[str]:
        return self._lines


def lines_were(count: int) -> str:
    """``1 such line was`` or ``3 such lines were``."""
    return "1 such line was" if count == 1 else f"{count} such lines were"
