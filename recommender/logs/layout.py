"""How a text log is laid out: encoding, separator, decimal sign, header, units row, first row of numbers."""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from dataclasses import dataclass, replace
from typing import Final

from recommender.logs.errors import LogError
from recommender.logs.options import Role
from recommender.logs.words import name_score, rank_of
from recommender.logs.written_units import is_unit, parse_unit, split_name

#: Separators tried, in order of preference where two explain the numbers equally well.
SEPARATORS: Final = (",", ";", "\t", "|", " ")
SEPARATOR_WORDS: Final = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars", " ": "blanks"}
HEAD_LINES: Final = 600
#: More columns than any logger writes.
MOST_COLUMNS: Final = 2000
#: Lines on which separators and decimal signs are tried.
SAMPLE_LINES: Final = 120
#: Names of channels that a row of names holds at least.
FEWEST_NAMES: Final = 2

_DOT = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s?%?")
_COMMA = re.compile(r"[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?\s?%?")
_DOT_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}([,'’\s]\d{3})+(\.\d+)?")
_COMMA_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}([.'’\s]\d{3})+(,\d+)?")
_FOUR_DIGITS = re.compile(r"[+-]?[1-9]\d{3,}(?![\d:/-])")
_CLOCK = re.compile(
    r"(\d{4}[-/.]\d{1,2}[-/.]\d{1,2}[T ]|\d{1,2}[./-]\d{1,2}[./-]\d{2,4},? )?"
    r"\d{1,3}:\d{1,2}(:\d{1,2})?([.,:]\d+)?\s?(Z|[+-]\d\d:?\d\d|[AaPp][Mm])?"
)
#: Words for "nothing was measured here".
BLANKS: Final = frozenset(
    ["", "-", "--", "---", "?", "*", "na", "n/a", "#n/a", "nan", "-nan", "null", "none", "nil", "inf", "-inf"]
)


@dataclass(frozen=True)
class Layout:
    """Facts about a text log.

    Attributes:
        encoding: Name of the encoding, for Python.
        separator: One character.
        decimal: ``.`` or ``,``
        thousands: Sign between thousands, or None where none was seen.
        ungrouped: Whether some number of a thousand or more is written without such a sign: then none has one.
        quoted: Whether cells are quoted.
        width: Cells in a row of numbers.
        names: Column names as written, one for each cell.
        units: Units from a row of their own; empty where there is none.
        header_line: Line of the column names, from 1.
        first_line: Line of the first row of numbers, from 1.
        preamble: Lines above the column names.
    """

    encoding: str
    separator: str
    decimal: str
    thousands: str | None
    ungrouped: bool
    quoted: bool
    width: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    header_line: int
    first_line: int
    preamble: tuple[str, ...]

    def describe(self) -> str:
        """The layout in one line of words."""
        sign = "decimal commas" if self.decimal == "," else "decimal points"
        units = ", a row of units" if self.units else ""
        return f"{SEPARATOR_WORDS[self.separator]}, {sign}, {self.encoding}{units}, names in line {self.header_line}"


def encoding_of(head: bytes) -> str:
    """Encoding of the first bytes of a file: by its mark, by the zeros of UTF-16, else UTF-8, else Latin-1.

    No guessing library: digits, separators and line ends are the same bytes in every 8-bit encoding, so a wrong guess
    among those can only touch a degree sign, which the names are cleaned of anyway.
    """
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if head.startswith(mark):
            return name
    sample = head[: len(head) // 2 * 2]
    if sample:
        even, odd = sample[0::2].count(0), sample[1::2].count(0)
        if odd > 0.4 * len(sample) / 2 and even < odd / 4:
            return "utf-16-le"
        if even > 0.4 * len(sample) / 2 and odd < even / 4:
            return "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def is_number(cell: str, decimal: str) -> bool:
    """Whether a cell is a number or a clock time under a decimal sign."""
    plain, grouped = (_DOT, _DOT_THOUSANDS) if decimal == "." else (_COMMA, _COMMA_THOUSANDS)
    return bool(plain.fullmatch(cell) or _CLOCK.fullmatch(cell) or grouped.fullmatch(cell))


def is_clock(cell: str) -> bool:
    """Whether a cell is a clock time or a date with one."""
    return bool(_CLOCK.fullmatch(cell))


def split(line: str, separator: str, quoted: bool) -> list[str]:
    """Cells of one line, stripped of blanks."""
    if separator == " ":
        return line.split()
    if not quoted:
        return [cell.strip() for cell in line.split(separator)]
    return [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])]


def _kinds(cells: list[str], decimal: str) -> tuple[int, int]:
    """How many cells are numbers, and how many are text."""
    filled = [cell for cell in cells if cell.casefold() not in BLANKS]
    numbers = sum(is_number(cell, decimal) for cell in filled)
    return numbers, len(filled) - numbers


def _grouped(cells: list[str], decimal: str) -> int:
    """How many cells are numbers only by taking a sign for one between thousands."""
    plain, grouped = (_DOT, _DOT_THOUSANDS) if decimal == "." else (_COMMA, _COMMA_THOUSANDS)
    return sum(bool(grouped.fullmatch(cell)) and not plain.fullmatch(cell) for cell in cells)


@dataclass(frozen=True)
class _Reading:
    """One way to read the head of a file, and how well it explains it."""

    separator: str
    decimal: str
    width: int
    first: int
    score: float


def _reading(lines: list[str], separator: str, decimal: str, quoted: bool) -> _Reading | None:
    """How well a separator and decimal sign explain the lines; None where they yield no rows of numbers."""
    widths: Counter[int] = Counter()
    rows: list[tuple[int, int, float]] = []
    for number, line in enumerate(lines):
        cells = split(line, separator, quoted)
        numbers, texts = _kinds(cells, decimal)
        if len(cells) >= 2 and numbers >= 1 and numbers >= texts:
            widths[len(cells)] += 1
            rows.append((number, len(cells), numbers - 2 * texts - 0.1 * _grouped(cells, decimal)))
    if not rows:
        return None
    width = max(widths, key=lambda cells: (widths[cells], cells))
    fitting = [row for row in rows if row[1] == width]
    score = float(sum(row[2] for row in fitting)) / max(len(rows), 1)
    return _Reading(separator, decimal, width, fitting[0][0], score)


def _best_reading(lines: list[str], quoted: bool) -> _Reading | None:
    """The separator and decimal sign that explain the lines best; tried on the last of them where they are many."""
    best: _Reading | None = None
    sample = lines[-SAMPLE_LINES:]
    for separator in SEPARATORS:
        for decimal in (".", ","):
            if separator == "," and decimal == "," and not quoted:
                continue
            found = _reading(sample, separator, decimal, quoted)
            if found is not None and (best is None or found.score > best.score + 1e-9):
                best = found
    if best is None and len(sample) < len(lines):
        return _best_reading(lines[:-SAMPLE_LINES], quoted)
    if best is None or len(sample) == len(lines):
        return best
    # A coasting engine's numbers may fit both decimal signs: all lines decide between them.
    signs = [best.decimal]
    if best.separator != "," or quoted:
        signs.append("," if best.decimal == "." else ".")
    whole = [_reading(lines, best.separator, sign, quoted) for sign in signs]
    return max((reading for reading in whole if reading is not None), key=lambda reading: reading.score)


def _thousands(lines: list[str], reading: _Reading, quoted: bool) -> str | None:
    """The sign between thousands, where some cell needs it."""
    grouped = _DOT_THOUSANDS if reading.decimal == "." else _COMMA_THOUSANDS
    plain = _DOT if reading.decimal == "." else _COMMA
    for line in lines[reading.first :]:
        for cell in split(line, reading.separator, quoted):
            if grouped.fullmatch(cell) and not plain.fullmatch(cell):
                return next(sign for sign in cell if not sign.isdigit() and sign not in "+-")
    return None


def _ungrouped(lines: list[str], reading: _Reading, quoted: bool) -> bool:
    cells = (cell for line in lines[reading.first :] for cell in split(line, reading.separator, quoted))
    return any(_FOUR_DIGITS.match(cell) for cell in cells)


def _fit(cells: list[str], width: int) -> list[str] | None:
    """Cells brought to the width of the numbers, where only empty trailing cells differ."""
    while len(cells) > width and not cells[-1]:
        cells = cells[:-1]
    if len(cells) == width - 1 >= 2:
        cells = [*cells, ""]
    return cells if len(cells) == width else None


def _cells_above(raw: str, reading: _Reading, quoted: bool) -> list[str] | None:
    """Cells of a line above the numbers, brought to their width; without the sign of a comment, where it is one.

    A row of units may begin with an empty cell or with a percent sign.
    """
    first, *_ = split(raw, reading.separator, quoted) or [""]
    whole = _fit(split(raw, reading.separator, quoted), reading.width)
    if whole is not None and reading.separator != " " and (not first or is_unit(first)):
        return whole
    bare = re.sub(r"^\s*(#|%|//|\*)+\s*", "", raw)
    return _fit(split(bare, reading.separator, quoted), reading.width)


def _header_rows(lines: list[str], reading: _Reading, quoted: bool) -> list[tuple[int, list[str]]]:
    """Rows of text of the right width just above the numbers, nearest first, at most three."""
    found: list[tuple[int, list[str]]] = []
    for number in range(reading.first - 1, -1, -1):
        raw = lines[number].strip("\r\n")
        if not raw.strip():
            continue
        cells = _cells_above(raw, reading, quoted)
        if cells is None or not any(cells):
            break
        numbers, texts = _kinds(cells, reading.decimal)
        if texts == 0 or numbers > texts:
            break
        found.append((number, cells))
        if len(found) == 3:
            break
    return found


def _units_of_needed(names: list[str], cells: list[str]) -> bool:
    """Whether under boost stands a unit of pressure, and under time or engine speed one of theirs.

    A row of units may be full of others that nobody else uses.
    """

    def told(role: Role, *quantities: str) -> bool:
        here = [parse_unit(cell) for name, cell in zip(names, cells, strict=True) if rank_of(role, split_name(name)[0])]
        return any(unit is not None and unit.quantity in quantities for unit in here)

    return told("boost", "pressure") and (told("time", "time", "clock") or told("rpm", "speed"))


def _names_and_units(rows: list[tuple[int, list[str]]]) -> tuple[int, list[str], list[str]]:
    """Which row holds the names, and the units from a row of their own."""

    def unit_share(cells: list[str]) -> float:
        filled = [cell for cell in cells if cell]
        return sum(is_unit(cell) for cell in filled) / max(len(filled), 1)

    def names_score(cells: list[str]) -> int:
        return sum(name_score(cell) for cell in cells)

    units = next((cells for _, cells in rows if unit_share(cells) > 0.6), [])
    if not units and len(rows) > 1:
        named = max(rows, key=lambda row: (names_score(row[1]), row[0]))[1]
        units = next((cells for _, cells in rows if cells is not named and _units_of_needed(named, cells)), [])
    candidates = [(number, cells) for number, cells in rows if cells is not units]
    if not candidates:
        return rows[0][0], rows[0][1], []
    number, names = max(candidates, key=lambda row: (names_score(row[1]), row[0]))
    return number, names, units


def _under_the_names(lines: list[str], reading: _Reading, quoted: bool) -> _Reading:
    """The reading from the rows of numbers that stand under names of channels.

    A sheet saved as a table fills up every line above it to the table's width: ``Air,23.4,,`` looks like numbers.
    """
    best, most = reading, _channels_above(lines, reading, quoted)
    before = reading.first
    for number in range(reading.first + 1, len(lines)):
        if most >= FEWEST_NAMES:
            break
        cells = split(lines[number], reading.separator, quoted)
        numbers, texts = _kinds(cells, reading.decimal)
        if len(cells) != reading.width or numbers == 0 or texts >= numbers:
            continue
        if number > before + 1:
            later = replace(reading, first=number)
            named = _channels_above(lines, later, quoted)
            best, most = (later, named) if named > most else (best, most)
        before = number
    return best


def _channels_above(lines: list[str], reading: _Reading, quoted: bool) -> int:
    """How many cells of the best row above the numbers are names of channels."""
    rows = _header_rows(lines, reading, quoted)
    return max((sum(name_score(cell) > 0 for cell in cells) for _, cells in rows), default=0)


def layout_of(lines: list[str], encoding: str, file_name: str) -> Layout:
    """The layout of a text log from its first lines.

    Args:
        lines: First lines, at most ``HEAD_LINES``, with or without their ends.
        encoding: What they were decoded with.
        file_name: For the message.
    Raises:
        LogError: no rows of numbers, no column names, or names and numbers that do not match.
    """
    quoted = sum(line.count('"') for line in lines) >= 2
    best = _best_reading(lines, quoted)
    if best is None:
        shown = next((line.strip()[:60] for line in lines if line.strip()), "")
        raise LogError(
            f"{file_name}: no rows of numbers in its first {len(lines)} lines; it begins with {shown!r}. "
            "Expected a table with columns for time, engine speed and boost: export the log as CSV."
        )
    if best.width > MOST_COLUMNS:
        raise LogError(
            f"{file_name}, line {best.first + 1}: {best.width} columns, more than {MOST_COLUMNS}. "
            "Export the channels that are needed: time, engine speed, boost, throttle."
        )
    best = _under_the_names(lines, best, quoted)
    rows = _header_rows(lines, best, quoted)
    if not rows:
        _refuse_header(lines, best, quoted, file_name)
    header, names, units = _names_and_units(rows)
    return Layout(
        encoding=encoding,
        separator=best.separator,
        decimal=best.decimal,
        thousands=_thousands(lines, best, quoted),
        ungrouped=_ungrouped(lines, best, quoted),
        quoted=quoted,
        width=best.width,
        names=tuple(names),
        units=tuple(units),
        header_line=header + 1,
        first_line=best.first + 1,
        preamble=tuple(line.strip() for number, line in enumerate(lines[: best.first]) if number != header),
    )


def _refuse_header(lines: list[str], best: _Reading, quoted: bool, file_name: str) -> None:
    """Say why the rows of numbers have no usable names above them.

    Raises:
        LogError: always.
    """
    where = f"{file_name}, line {best.first + 1}"
    above = next((line for line in reversed(lines[: best.first]) if line.strip()), None)
    names = split(above, best.separator, quoted) if above is not None else []
    _, texts = _kinds(names, best.decimal)
    if len(names) < 2 or texts == 0:
        raise LogError(
            f"{where}: rows of numbers without a row of column names above them. "
            "Add one, for example: time,rpm,boost (with the unit: boost [kPa])."
        )
    hint = " Decimal commas and separating commas look alike: export with semicolons." if best.separator == "," else ""
    raise LogError(
        f"{where}: {best.width} cells in a row, but {len(names)} column names above ({', '.join(names[:6])}). "
        f"Expected one name for each cell.{hint}"
    )
