"""A log as a table of numbers, before anything is known about what the columns mean."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from models.units import FloatArray
from recommender.logs.written_units import parse_unit


def scaled(values: FloatArray, factor: float) -> FloatArray:
    """Values times a factor; the very same array where that changes nothing, for the largest logs' sake."""
    return values if factor == 1.0 else values * factor


@dataclass(frozen=True)
class Column:
    """One column.

    Attributes:
        header: As the log writes it; " (again 1)" is added where an earlier column has the same.
        name: The same without its unit, tidied.
        unit: Unit as written, None where none is given.
        values: Shape (n,), NaN where blank, infinite where the cell holds a number beyond all measure. A clock column
            is in seconds.
        kind: ``clock`` for clock times; ``text`` for columns without numbers.
        unread: Cells of a column of numbers that hold something else, by row; the first of them where they are many.
    """

    header: str
    name: str
    unit: str | None
    values: FloatArray = field(repr=False)
    kind: Literal["number", "clock", "text"] = "number"
    unread: Mapping[int, str] = field(default_factory=dict, repr=False)

    @property
    def label(self) -> str:
        """Name with unit, for messages."""
        again = self.header[self.header.rfind(" (again ") :] if " (again " in self.header else ""
        return f"{self.name}{again} [{self.unit}]" if self.unit else f"{self.name}{again}"

    @property
    def known(self) -> FloatArray:
        """The values that are there. Shape (k,)"""
        return self.values[np.isfinite(self.values)]

    @property
    def quantity(self) -> str | None:
        """Quantity of its unit; None where it names none that is known."""
        unit = parse_unit(self.unit) if self.unit else None
        return unit.quantity if unit else None


@dataclass(frozen=True)
class RawLog:
    """A log as read.

    Attributes:
        file_name: Name without folder.
        sha256: Of the file on disk.
        columns: In the order of the file.
        layout: How the file is laid out, in words.
        preamble: Lines above the column names.
        warnings: What was odd about the file and what was done about it.
        first_line: Line of the first row in the file, 0 where lines mean nothing.
        day: Day on which it was written by its own clock, None where its rows name none.
    """

    file_name: str
    sha256: str
    columns: tuple[Column, ...]
    layout: str
    preamble: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    first_line: int = 0
    day: datetime.date | None = None

    @property
    def rows(self) -> int:
        return self.columns[0].values.size if self.columns else 0

    @property
    def shape(self) -> str:
        """Headings in order: the same for logs that name their channels alike. A row of units is no part of it."""
        return "|".join(column.header for column in self.columns)
