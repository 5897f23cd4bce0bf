"""A log file of any open format to a table of numbers."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from models.units import FloatArray
from recommender.logs.cells import MOST_UNREAD, numbers_of, unread_cells
from recommender.logs.dates import day_in
from recommender.logs.errors import LogError
from recommender.logs.layout import BLANKS, HEAD_LINES, SEPARATOR_WORDS, Layout, encoding_of, layout_of, split
from recommender.logs.source import UNPACK_FAULTS, checked, magic_of, opened, sha256_of, text_of
from recommender.logs.stray import Shortened, lines_were, refuse_other_headings, refuse_parted_thousands
from recommender.logs.table import Column, RawLog
from recommender.logs.written_units import split_name, tidy

if TYPE_CHECKING:  # pandas takes a third of a second to load: only when a log is read
    import pandas as pd

#: Rows parsed at a time.
CHUNK_ROWS: Final = 200_000
#: Numbers held at most, 8 bytes each: about 2 GB at the peak.
MOST_CELLS: Final = 150_000_000
_MISSING: Final = sorted(
    {form for word in BLANKS - {"", "inf", "-inf"} for form in (word, word.upper(), word.capitalize())}
)  # infinite is no blank: it is left out as well, and said


def read_log(path: str | Path) -> RawLog:
    """Read a log: CSV in any dialect, Parquet, or ASAM MDF 4; gzip, zip, bzip2 and xz are unpacked.

    Text is parsed in chunks; what is kept is 8 bytes a cell.

    Args:
        path: The file.
    Returns:
        Every column as numbers, with names, units and what was odd about the file.
    Raises:
        LogError: the file cannot be used, with the reason and what to do.
    """
    file = checked(Path(path))
    kind = magic_of(file)
    if kind == "parquet":
        from recommender.logs.binary import read_parquet

        return read_parquet(file)
    if kind == "mdf":
        from recommender.logs.binary import read_mdf

        return read_mdf(file)
    return _read_text(file)


def _head(path: Path) -> tuple[list[str], str]:
    """First lines of a text log and their encoding."""
    with opened(path) as stream:
        start = stream.read(1 << 16)
    encoding = encoding_of(start)
    if not encoding.startswith("utf-16") and start.count(0) > len(start) / 50:
        raise LogError(
            f"{path.name}: binary data, not a text log (zero bytes from byte {start.index(0)}). "
            "Expected CSV, Parquet or ASAM MDF 4: export the log in one of those."
        )
    with opened(path) as stream:
        lines = [line[:100_000] for line in islice(text_of(stream, encoding), HEAD_LINES)]
    return lines, encoding


def _read_text(path: Path) -> RawLog:
    from pandas.errors import ParserError

    lines, encoding = _head(path)
    layout = layout_of(lines, encoding, path.name)
    warnings: list[str] = []
    try:
        chunks = _parsed_to_the_end(path, layout, "error", warnings)
    except ParserError as fault:
        place = re.search(r"line (\d+)", str(fault))
        line = int(place[1]) + layout.first_line - 1 if place else layout.first_line
        count, noted = refuse_parted_thousands(path, layout)
        if noted:
            warnings.append(f"line {line}: words after the last column; {lines_were(noted)} read without them")
        if count > noted:
            warnings.append(f"line {line}: more cells than columns; {lines_were(count - noted)} left out")
        try:
            chunks = _parsed_to_the_end(path, layout, "skip", warnings)
        except ParserError as second:
            raise LogError(
                f"{path.name}, from line {layout.first_line}: not a regular table ({second}). Expected "
                f"{layout.width} cells a row, parted by {SEPARATOR_WORDS[layout.separator]}: export the log again."
            ) from second
    columns = _columns(layout, chunks)
    columns = _without_stray_rows(path, columns, layout, warnings)
    _distrust_cut_end(path, columns, layout, warnings)
    if not any(column.kind != "text" for column in columns) or columns[0].values.size == 0:
        raise LogError(f"{path.name}: no numbers under the column names in line {layout.header_line}.")
    return RawLog(
        file_name=path.name,
        sha256=sha256_of(path),
        columns=tuple(columns),
        layout=layout.describe(),
        preamble=layout.preamble,
        warnings=tuple(warnings),
        first_line=layout.first_line,
        day=day_in(split(lines[layout.first_line - 1], layout.separator, layout.quoted)),
    )


class _Growing:
    """A column that grows by chunks in place: at no time are there two copies of it."""

    def __init__(self) -> None:
        self._values = np.empty(0)
        self._kinds: set[str] = set()
        self.unread: dict[int, str] = {}

    def add(self, values: FloatArray, kind: str, unread: Mapping[int, str]) -> None:
        begin = self._values.size
        if len(self.unread) < MOST_UNREAD:
            self.unread |= {begin + row: text for row, text in unread.items()}
        self._values.resize(begin + values.size, refcheck=False)
        self._values[begin:] = values
        self._kinds.add(kind)

    @property
    def kind(self) -> Literal["number", "clock", "text"]:
        return "clock" if "clock" in self._kinds else "number" if "number" in self._kinds else "text"

    def whole(self) -> FloatArray:
        """All of it, read-only; nothing is added after that."""
        self._values.flags.writeable = False
        return self._values


class _ClosedAtEnd:
    """Text whose last line may end within a quoted cell: that cell is closed, so worded that it is no number.

    A quote left open further up is left as it is: all that follows would be taken for one cell.
    """

    def __init__(self, text: io.TextIOWrapper | Shortened) -> None:
        self._text = text
        self._above = self._last = 0

    def read(self, size: int = -1) -> str:
        part = self._text.read(size)
        if part:
            above, newline, last = part.rpartition("\n")
            if newline:
                self._above += self._last + above.count('"')
                self._last = 0
            self._last += last.count('"')
        elif self._above % 2 == 0 and self._last % 2 == 1:
            self._last += 1
            return ' cut"'
        return part

    def __iter__(self) -> Iterator[str]:
        return iter(self._text)


def _parsed_to_the_end(path: Path, layout: Layout, bad_lines: str, warnings: list[str]) -> list[_Growing]:
    """The columns, also of a file that ends within a quoted cell."""
    from pandas.errors import ParserError

    try:
        return _parsed(path, layout, bad_lines)
    except ParserError as fault:
        if "EOF inside string" not in str(fault):
            raise
        chunks = _parsed(path, layout, bad_lines, closed=True)
        warnings.append("the last line is cut short within a quoted cell; that cell was left out")
        return chunks


def _parsed(path: Path, layout: Layout, bad_lines: str, *, closed: bool = False) -> list[_Growing]:
    """The columns of numbers, read chunk by chunk."""
    options: dict[str, Any] = {
        "sep": r"\s+" if layout.separator == " " else layout.separator,
        "header": None,
        "names": range(layout.width),
        "index_col": False,
        "decimal": layout.decimal,
        "quoting": csv.QUOTE_MINIMAL if layout.quoted else csv.QUOTE_NONE,
        "skipinitialspace": True,
        "na_values": _MISSING,
        "on_bad_lines": bad_lines,
        "chunksize": CHUNK_ROWS,
        "low_memory": False,
        "engine": "c",
    }
    found = [_Growing() for _ in range(layout.width)]
    held = 0
    with opened(path) as stream:
        text = text_of(stream, layout.encoding)
        for _ in islice(text, layout.first_line - 1):
            pass
        rows = Shortened(text, layout) if bad_lines == "skip" else text
        for frame in _frames(_ClosedAtEnd(rows) if closed else rows, options, path.name):
            held += frame.size
            if held > MOST_CELLS:
                raise LogError(
                    f"{path.name}: more than {MOST_CELLS / 1e6:g} million cells. Cut the recording to the part with "
                    "the pull, or leave out channels that are not needed."
                )
            for column, name in zip(found, frame.columns, strict=True):
                cells = frame.pop(name)
                values, read = numbers_of(cells, layout.decimal, grouping=not layout.ungrouped)
                column.add(values, read, {} if read == "text" else unread_cells(cells, values))
    return found


def _frames(text: Any, options: dict[str, Any], file_name: str) -> Iterator[pd.DataFrame]:
    import pandas as pd

    try:
        with pd.read_csv(text, **options) as reader:
            yield from reader
    except pd.errors.EmptyDataError:
        return
    except (OverflowError, UnicodeError) as fault:
        raise LogError(
            f"{file_name}: cannot be read as text ({fault}). Export the log again as CSV in UTF-8."
        ) from fault
    except UNPACK_FAULTS as fault:
        if isinstance(fault, LogError):
            raise
        raise LogError(
            f"{file_name}: cannot be read to its end ({fault}). It may be cut short: copy it again."
        ) from fault


def _columns(layout: Layout, grown: list[_Growing]) -> list[Column]:
    columns: list[Column] = []
    for place, (header, read) in enumerate(zip(layout.names, grown, strict=True)):
        name, unit = split_name(header)
        if layout.units and layout.units[place]:
            name, unit = tidy(header) if unit is None else name, tidy(layout.units[place]).strip("[](){} ")
        before = sum(tidy(other) == tidy(header) for other in layout.names[:place])
        again = f" (again {before})" if before and header else ""
        full_name = name or f"column {place + 1}"
        columns.append(Column(tidy(header) + again, full_name, unit, read.whole(), read.kind, read.unread))
    if columns and not columns[-1].header and not np.isfinite(columns[-1].values).any():
        columns.pop()
    return columns


def _without_stray_rows(path: Path, columns: list[Column], layout: Layout, warnings: list[str]) -> list[Column]:
    """Rows without a single number (a repeated header, comments, trailing words) taken out, and said."""
    told = [column for column in columns if column.kind != "text"]
    if not told:
        return columns
    empty = np.ones(told[0].values.size, dtype=bool)
    for column in told:
        empty &= ~np.isfinite(column.values)
    if not empty.any():
        return columns
    refuse_other_headings(path.name, columns, np.flatnonzero(empty), layout)
    first = int(np.flatnonzero(empty)[0]) + layout.first_line
    many = np.count_nonzero(empty) > 1
    lines = f"{np.count_nonzero(empty)} lines" if many else "1 line"
    warnings.append(f"{lines} without numbers left out, {'the first ' if many else ''}about line {first}")
    kept, place = [], np.cumsum(~empty) - 1
    for column in columns:
        values = column.values[~empty]
        values.flags.writeable = False
        unread = {int(place[row]): text for row, text in column.unread.items() if not empty[row]}
        kept.append(replace(column, values=values, unread=unread))
    return kept


def _distrust_cut_end(path: Path, columns: list[Column], layout: Layout, warnings: list[str]) -> None:
    """Blank the last cell of a file that ends within a line, where it is shorter or has fewer decimals than usual.

    A logger that lost power leaves half a number; read as a whole one it would be a false sample.
    """
    if magic_of(path) != "text" or layout.encoding.startswith("utf-16"):
        return
    size = path.stat().st_size
    with path.open("rb") as stream:
        stream.seek(max(size - 4096, 0))
        tail = stream.read().decode(layout.encoding.replace("-sig", ""), errors="replace")
    if tail.endswith(("\n", "\r")):
        return
    lines = tail.splitlines()[-20:]
    last = lines[-1].split(layout.separator)
    if len(last) > layout.width or len(lines) < 3:
        return
    before = [line.split(layout.separator) for line in lines[:-1]]
    place = len(last) - 1
    cell = last[place].strip()
    whole = [cells[place].strip() for cells in before[1:] if len(cells) > place]
    decimals = {len(text.partition(layout.decimal)[2]) for text in whole if text}
    shorter = bool(whole) and len(cell) < min(map(len, whole))
    fewer = len(decimals) == 1 and len(cell.partition(layout.decimal)[2]) < max(decimals)
    cut = len(last) < layout.width or shorter or fewer
    if cut and cell and place < len(columns):
        values = columns[place].values.copy()
        if values.size and np.isfinite(values[-1]):
            values[-1] = np.nan
            values.flags.writeable = False
            old = columns[place]
            columns[place] = replace(old, values=values)
            warnings.append(f"the last line is cut short after {lines[-1][-30:]!r}; its last cell was left out")
