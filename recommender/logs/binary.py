"""Parquet and ASAM MDF 4 to a table of numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from models.units import FloatArray
from recommender.logs.cells import bounded, numbers_of
from recommender.logs.errors import LogError
from recommender.logs.read import MOST_CELLS
from recommender.logs.source import sha256_of
from recommender.logs.table import Column, RawLog
from recommender.logs.words import rank_of
from recommender.logs.written_units import split_name, tidy

#: A sample stands for so many of its channel's usual intervals; after that the next one is missing. [-]
LONGEST_HELD: Final = 5.0


def _column(header: str, unit: str | None, values: FloatArray, kind: Any = "number", again: str = "") -> Column:
    """A column; ``again`` marks one whose name stands before already, as ``Column`` has it."""
    name, own = split_name(header)
    given = tidy(unit) if unit and unit.strip() else None
    if given is not None and own is None:
        name = tidy(header)
    array = bounded(np.array(values, dtype=float))
    array.flags.writeable = False
    return Column(tidy(header) + again, name, given or own, array, kind)


def read_parquet(path: Path) -> RawLog:
    """A Parquet file: columns by name, the unit from the name or from the field's ``unit`` metadata.

    Raises:
        LogError: damaged, or no columns of numbers.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            if file.metadata.num_rows * file.metadata.num_columns > MOST_CELLS:
                raise LogError(f"{path.name}: more than {MOST_CELLS / 1e6:g} million cells. Cut the recording.")
            table = file.read()
    except (pa.ArrowException, OSError, ValueError) as fault:
        if isinstance(fault, LogError):
            raise
        raise LogError(f"{path.name}: damaged Parquet file ({fault}). Export or copy it again.") from fault
    columns = []
    for place, (field, data) in enumerate(zip(table.schema, table.columns, strict=True)):
        unit = (field.metadata or {}).get(b"unit", b"").decode("utf-8", errors="replace")
        before = table.schema.names[:place].count(field.name)
        again = f" (again {before})" if before else ""
        if pa.types.is_timestamp(field.type):
            stamps = data.cast(pa.timestamp("us"), safe=False).cast(pa.int64()).to_numpy(zero_copy_only=False)
            columns.append(_column(field.name, None, np.asarray(stamps, dtype=float) * 1e-6, "clock", again))
        elif pa.types.is_duration(field.type):
            spans = data.cast(pa.duration("us"), safe=False).cast(pa.int64()).to_numpy(zero_copy_only=False)
            columns.append(_column(field.name, "s", np.asarray(spans, dtype=float) * 1e-6, again=again))
        elif not pa.types.is_nested(field.type):
            values, kind = numbers_of(data.to_pandas(), ".")
            columns.append(_column(field.name, unit, values, kind, again))
    if not any(column.kind != "text" for column in columns) or table.num_rows == 0:
        raise LogError(f"{path.name}: no columns of numbers in this Parquet file. Expected time, engine speed, boost.")
    return RawLog(path.name, sha256_of(path), tuple(columns), "Parquet")


def _stamps(signal: Any) -> FloatArray:
    """Moments of a channel to the microsecond: groups of one raster differ by less. [s]"""
    return np.round(np.asarray(signal.timestamps, dtype=float), 6)


def _moments(signals: Sequence[Any], file_name: str) -> FloatArray:
    """Every moment at which any channel was read.

    Not those of the densest group alone: one that was triggered late would cut off what the others read before.

    Raises:
        LogError: there are several groups, and the time of one runs backwards.
    """
    groups: list[FloatArray] = []
    for signal in signals:
        stamps = _stamps(signal)
        if not groups or not np.array_equal(stamps, groups[-1]):
            groups.append(stamps)
    if len(groups) == 1:
        return groups[0]
    if any(np.any(np.diff(stamps) < 0) for stamps in groups):
        raise LogError(f"{file_name}: time runs backwards in a group of this ASAM MDF file. Export it as CSV.")
    return np.unique(np.concatenate(groups))


def _held(signal: Any, base: FloatArray) -> FloatArray:
    """A channel held from sample to sample. Shape of ``base``, NaN before the first, and where one is marked invalid"""
    stamps, samples = _stamps(signal), np.asarray(signal.samples, dtype=float)
    if signal.invalidation_bits is not None:
        samples = np.where(np.asarray(signal.invalidation_bits, dtype=bool), np.nan, samples)
    if np.array_equal(stamps, base):
        return samples
    last = np.searchsorted(stamps, base, side="right") - 1
    return np.where(last >= 0, samples[np.maximum(last, 0)], np.nan)


def _without_missing(column: Column, signal: Any, base: FloatArray) -> Column:
    """A pressure or engine speed with blanks where its samples are missing; other channels as they are held.

    A pedal, say, may be written only as it moves, and stands for long.
    """
    measured = rank_of("boost", column.name) or rank_of("rpm", column.name)
    stamps = _stamps(signal)
    if not (measured or column.quantity in ("pressure", "speed")) or np.array_equal(stamps, base):
        return column
    since = base - stamps[np.maximum(np.searchsorted(stamps, base, side="right") - 1, 0)]
    missing = since > LONGEST_HELD * float(np.quantile(np.diff(stamps), 0.9)) + 1e-6
    values = np.where(missing, np.nan, column.values)
    values.flags.writeable = False
    return replace(column, values=values)


def read_mdf(path: Path) -> RawLog:
    """An ASAM MDF 4 file, read with ``asammdf``: a row for each moment at which any group was read.

    Raises:
        LogError: ``asammdf`` is not installed, or the file is damaged, too large, or holds no channels of numbers.
    """
    with path.open("rb") as stream:
        start = stream.read(72)
    version = start[8:12].decode("latin-1")
    if not version.startswith("4") or start[64:68] != b"##HD":
        raise LogError(
            f"{path.name}: not a sound ASAM MDF 4 file (version {version!r}, header {start[64:68]!r}). "
            "Export it as MDF 4 or CSV, or copy it again."
        )
    try:
        from asammdf import MDF
    except ImportError as fault:
        raise LogError(
            f"{path.name}: an ASAM MDF file needs the package asammdf. Install it: pip install 'nextpull[mdf]'."
        ) from fault
    try:
        with MDF(path) as file:
            signals = [signal for signal in file.iter_channels(skip_master=True) if signal.samples.dtype.kind in "iufb"]
    except Exception as fault:  # asammdf raises many kinds on damaged files
        raise LogError(f"{path.name}: damaged ASAM MDF file ({fault}). Export or copy it again.") from fault
    signals = [signal for signal in signals if signal.samples.ndim == 1 and signal.timestamps.size > 3]
    if not signals:
        raise LogError(f"{path.name}: no channels of numbers in this ASAM MDF file. Expected engine speed and boost.")
    base = _moments(signals, path.name)
    if base.size * (len(signals) + 1) > MOST_CELLS:
        raise LogError(
            f"{path.name}: {len(signals)} channels at {base.size} moments, more than {MOST_CELLS / 1e6:g} million "
            "cells. Cut the recording to the part with the pull, or leave out channels that are not needed."
        )
    columns = [_column("time", "s", base)]
    for place, signal in enumerate(signals):
        before = sum(str(other.name) == str(signal.name) for other in signals[:place])
        again = f" (again {before})" if before else ""
        held = _column(str(signal.name), str(signal.unit or ""), _held(signal, base), again=again)
        columns.append(_without_missing(held, signal, base))
    return RawLog(path.name, sha256_of(path), tuple(columns), "ASAM MDF 4")
