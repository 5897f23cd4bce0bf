"""Cells of text to numbers, a whole column at a time."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from models.units import FloatArray
from recommender.logs.layout import is_clock

if TYPE_CHECKING:  # pandas takes a third of a second to load: only when a log is read
    import pandas as pd

DAY_S = 86400.0
HOUR_S = 3600.0
#: No channel of a log reads this much, whatever its unit; but for times since 1970 in the smallest units.
BEYOND: Final = 1e15
BEYOND_TIMES: Final = 1e19
#: Cells with words in them that are kept of a column of numbers.
MOST_UNREAD: Final = 1000
#: Marks that a logger puts on a reading out of the ordinary.
_MARKS: Final = r"^[*!#]+(?=[+\-.]?\d)|(?<=\d)[*!#]+$"


def numbers_of(
    column: pd.Series, decimal: str, *, grouping: bool = True
) -> tuple[FloatArray, Literal["number", "clock", "text"]]:
    """A parsed column as numbers. What does not read as one becomes NaN, what is beyond all measure infinite.

    Args:
        column: Shape (n,)
        decimal: Decimal sign of the log.
        grouping: Whether signs between thousands may occur.
    Returns:
        Values, shape (n,), and what the column was: numbers, clock times (then in seconds), or text.
    """
    import pandas as pd

    if pd.api.types.is_numeric_dtype(column.dtype) or pd.api.types.is_bool_dtype(column.dtype):
        return bounded(column.to_numpy(dtype=float, na_value=np.nan)), "number"
    text = column.astype("str")
    filled = text[column.notna().to_numpy()]
    sample = [cell.strip(" \"'") for cell in filled.iloc[:20]]
    if sample and sum(map(is_clock, sample)) > len(sample) / 2:
        return clock_seconds(text), "clock"
    values = _plain_numbers(text, decimal, grouping)
    if filled.size and not np.isfinite(values).any():
        return values, "text"
    return values, "number"


def unread_cells(column: pd.Series, values: FloatArray) -> dict[int, str]:
    """Cells with something in them that is no number, by row: the first ``MOST_UNREAD``.

    Args:
        column: As parsed. Shape (n,)
        values: The same as ``numbers_of`` reads it. Shape (n,)
    """
    import pandas as pd

    if pd.api.types.is_numeric_dtype(column.dtype):
        return {}
    rows = np.flatnonzero(np.isnan(values) & column.notna().to_numpy())[:MOST_UNREAD]
    return {int(row): str(column.iloc[row]).strip() for row in rows}


def bounded(values: FloatArray) -> FloatArray:
    """Numbers beyond all measure as infinite, so that whoever reads the column can say that it held them."""
    most = np.abs(values)
    if np.count_nonzero((most >= BEYOND) & (most < BEYOND_TIMES)) > values.size / 2:
        return values
    return np.where(np.abs(values) >= BEYOND, np.copysign(np.inf, values), values)


def _plain_numbers(text: pd.Series, decimal: str, grouping: bool) -> FloatArray:
    """Numbers after quotes, blanks between thousands, percent signs and marks such as ``123.9!`` are taken off.

    Under decimal points a comma parts thousands, unless the log writes thousands without, or the column shows that it
    cannot: by a cell that can only be a decimal comma, or because it runs more smoothly when read so.
    """
    bare = text.str.replace(r"[\s'’\"%]", "", regex=True).str.replace("−", "-", regex=False)
    bare = bare.str.replace(_MARKS, "", regex=True)
    with_comma = bare[bare.str.fullmatch(r"[+-]?[\d.]*,[\d.,]*", na=False)]  # numbers, no names of a repeated header
    if decimal == "." and _comma_is_decimal(with_comma, bare, grouping):
        decimal = ","
    return _under(bare, decimal)


def _comma_is_decimal(with_comma: pd.Series, column: pd.Series, grouping: bool) -> bool:
    """Whether the commas of a column part decimals although the log's decimal sign is a point.

    Shares of the column, not single cells, decide: one cell may be damaged.
    """
    if with_comma.empty or with_comma.str.fullmatch(r"[+-]?[\d,]+\.\d*", na=False).mean() > 0.05:
        return False
    whole = column.str.fullmatch(r"[+-]?\d{2,3}", na=False)
    only_decimal = with_comma.str.fullmatch(r"[+-]?(\d+,(\d{1,2}|\d{4,})|0*,\d+)", na=False).mean() > 0.05
    if not grouping or only_decimal:
        return True
    # Whole numbers up to 999 beside 1,000 and more are one series of numbers; a decimal comma would write 999,000.
    return whole.mean() < 0.05 and _roughness(column, ",") < 0.99 * _roughness(column, ".")


def _under(bare: pd.Series, decimal: str) -> FloatArray:
    """Cells as numbers under a decimal sign, the other sign taken for one between thousands."""
    import pandas as pd

    other = "." if decimal == "," else ","
    grouped = bare.str.fullmatch(rf"[+-]?[1-9]\d{{0,2}}(\{other}\d{{3}})+(\{decimal}\d+)?", na=False)
    bare = bare.mask(grouped, bare.str.replace(other, "", regex=False))
    if decimal == ",":
        bare = bare.mask(~bare.str.contains(".", regex=False, na=False), bare.str.replace(",", ".", regex=False))
    return bounded(pd.to_numeric(bare, errors="coerce").to_numpy(dtype=float, na_value=np.nan))


def _roughness(bare: pd.Series, decimal: str) -> float:
    """Largest step over the range: small for a column that runs smoothly. [-]"""
    values = _under(bare, decimal)
    known = values[np.isfinite(values)]
    span = float(np.ptp(known)) if known.size else 0.0
    return float(np.abs(np.diff(known)).max()) / span if span > 0 else 0.0


def _fixed_width_seconds(text: pd.Series) -> FloatArray | None:
    """Seconds of cells that are all exactly ``HH:MM:SS`` or ``HH:MM:SS.fff`` wide; None where they are not."""
    try:
        raw = text.to_numpy(dtype="S")
    except (UnicodeEncodeError, ValueError):
        return None
    width = raw.dtype.itemsize
    if width not in (8, 10, 11, 12, 15):
        return None
    signs = np.frombuffer(raw.tobytes(), dtype=np.uint8).reshape(-1, width)
    fixed = (signs[:, 2] == ord(":")) & (signs[:, 5] == ord(":"))
    if width > 8:
        fixed &= (signs[:, 8] == ord(".")) | (signs[:, 8] == ord(","))
    places = [place for place in range(width) if place not in (2, 5, 8)]
    digits = signs[:, places].astype(np.int16) - ord("0")
    if not (fixed.all() and ((digits >= 0) & (digits <= 9)).all()):
        return None
    weights = [36000.0, 3600.0, 600.0, 60.0, 10.0, 1.0] + [10.0**-k for k in range(1, width - 8)]
    seconds: FloatArray = digits @ np.array(weights)
    return seconds


def clock_seconds(text: pd.Series) -> FloatArray:
    """Clock times to seconds since the first midnight; a step back by most of a day is midnight.

    Args:
        text: ``HH:MM:SS.fff``, ``MM:SS.fff``, dates with a time: ISO 8601, the same with ``/`` or ``.``, day first.
    """
    quick = _fixed_width_seconds(text)
    if quick is None:
        quick = _parsed_seconds(text)
    seconds: FloatArray = np.array(quick, dtype=float)
    known = np.isfinite(seconds)
    steps = np.diff(seconds[known])
    turns = np.where(steps < -DAY_S / 2, DAY_S, 0.0)
    seconds[known] += np.concatenate([[0.0], np.cumsum(turns)]) if known.any() else 0.0
    return seconds


def _parsed_seconds(text: pd.Series) -> FloatArray:
    import pandas as pd

    bare = text.str.strip(" \"'").str.replace(",", ".", regex=False)
    bare = bare.str.replace(r"^(\d{4})[/.](\d{1,2})[/.](\d{1,2})", r"\1-\2-\3", regex=True)
    first = next((cell for cell in bare.dropna() if is_clock(cell)), "")
    if re.match(r"\d{4}-", first):
        stamps = pd.to_datetime(bare, errors="coerce", format="ISO8601", utc=True)
    elif re.match(r"\d{1,2}[./-]", first):
        stamps = pd.to_datetime(bare, errors="coerce", format="mixed", dayfirst=True, utc=True)
    elif re.search(r"[AaPp][Mm]$", first):
        stamps = pd.to_datetime(bare, errors="coerce", format="mixed", utc=True)
    else:
        return _spans(bare)
    base = stamps.dropna().min()
    if pd.isna(base):
        return np.full(bare.size, np.nan)
    elapsed = (stamps - base.normalize()).dt.total_seconds()
    return np.asarray(elapsed.to_numpy(dtype=float, na_value=np.nan), dtype=float)


def _spans(bare: pd.Series) -> FloatArray:
    """``HH:MM:SS.fff``, ``HH:MM:SS:fff`` and ``MM:SS.fff`` (a clock without hours) to seconds."""
    import pandas as pd

    parts = bare.str.extract(r"^(?:(\d{1,3}):)?(\d{1,3}):(\d{1,2})(?:[.:](\d+))?$")
    hours, minutes, seconds = (pd.to_numeric(parts[k], errors="coerce") for k in range(3))
    share = pd.to_numeric("0." + parts[3].fillna("0"), errors="coerce")
    total = hours.fillna(0.0) * HOUR_S + minutes * 60.0 + seconds + share
    told = bounded(total.to_numpy(dtype=float, na_value=np.nan))
    return _past_the_hour(told) if hours.isna().all() else told


def _past_the_hour(seconds: FloatArray) -> FloatArray:
    """Times of a clock without hours run on where it begins anew after 59 minutes and some seconds. [s]"""
    known = np.isfinite(seconds)
    steps = np.diff(seconds[known])
    turns = np.where((steps < 0) & (steps + HOUR_S < 30.0), HOUR_S, 0.0)
    if turns.any() and float(seconds[known].max()) < HOUR_S:
        seconds[known] += np.concatenate([[0.0], np.cumsum(turns)])
    return seconds
