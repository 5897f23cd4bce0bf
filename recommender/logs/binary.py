"""Parquet and ASAM MDF 4 to a table of numbers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from models.units import FloatArray
from recommender.logs.cells import bounded, numbers_of
from recommender.logs.errors import LogError
from recommender.logs.read import MOST_CELLS
from recommender.logs.source import sha256_of
from recommender.logs.table import Column, RawLog
from recommender.logs.written_units import split_name, tidy


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
    for field, data in zip(table.schema, table.columns, strict=True):
        unit = (field.metadata or {}).get(b"unit", b"").decode("utf-8", errors="replace")
        if pa.types.is_timestamp(field.type):
            stamps = data.cast(pa.timestamp("us"), safe=False).cast(pa.int64()).to_numpy(zero_copy_only=False)
            columns.append(_column(field.name, None, np.asarray(stamps, dtype=float) * 1e-6, "clock"))
        elif pa.types.is_duration(field.type):
            spans = data.cast(pa.duration("us"), safe=False).cast(pa.int64()).to_numpy(zero_copy_only=False)
            columns.append(_column(field.name, "s", np.asarray(spans, dtype=float) * 1e-6))
        elif not pa.types.is_nested(field.type):
            values, kind = numbers_of(data.to_pandas(), ".")
            columns.append(_column(field.name, unit, values, kind))
    if not any(column.kind != "text" for column in columns) or table.num_rows == 0:
        raise LogError(f"{path.name}: no columns of numbers in this Parquet file. Expected time, engine speed, boost.")
    return RawLog(path.name, sha256_of(path), tuple(columns), "Parquet")


def read_mdf(path: Path) -> RawLog:
    """An ASAM MDF 4 file, read with ``asammdf``: every channel held onto the time of the densest group.

    Raises:
        LogError: ``asammdf`` is not installed, or the file is damaged or holds no channels of numbers.
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
    base = max((np.asarray(signal.timestamps, dtype=float) for signal in signals), key=lambda stamps: stamps.size)
    columns = [_column("time", "s", base)]
    for place, signal in enumerate(signals):
        stamps = np.asarray(signal.timestamps, dtype=float)
        samples = np.asarray(signal.samples, dtype=float)
        if stamps.size == base.size and np.array_equal(stamps, base):
            held = samples
        else:
            last = np.searchsorted(stamps, base + 1e-9, side="right") - 1
            held = np.where(last >= 0, samples[np.maximum(last, 0)], np.nan)
        before = sum(str(other.name) == str(signal.name) for other in signals[:place])
        again = f" (again {before})" if before else ""
        columns.append(_column(str(signal.name), str(signal.unit or ""), held, again=again))
    return RawLog(path.name, sha256_of(path), tuple(columns), "ASAM MDF 4")
