"""Logs as loggers write them, in named dialects."""

from __future__ import annotations

import bz2
import gzip
import lzma
import zipfile
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from models.units import STANDARD_ATMOSPHERE_KPA, FloatArray, kpa_in
from recommender.logs.dialects import DIALECTS, HEADINGS, Dialect

#: Channels that can be written, in inside units, in the order they are written.
CHANNELS: Final = (
    "time_s",
    "rpm",
    "boost_kpa",
    "barometer_kpa",
    "throttle_pct",
    "duty_pct",
    "lambda",
    "exhaust_c",
    "knock",
    "intake_c",
    "coolant_c",
)
_DECIMALS: Final = {
    "time_s": 3, "rpm": 0, "throttle_pct": 1, "duty_pct": 1, "lambda": 3, "exhaust_c": 0, "knock": 1, "intake_c": 1,
    "coolant_c": 1,
}  # fmt: skip
_PRESSURE_DECIMALS: Final = {"kPa": 2, "psi": 3, "bar": 4, "mbar": 1, "hPa": 1, "inHg": 3, "Pa": 0}
_STRANGE: Final = (("Battery Voltage", "V", 13.9, 2), ("Boost Target", "", 0.0, 0), ("Gear", "", 4.0, 0))


def write_log(path: str | Path, channels: Mapping[str, npt.ArrayLike], dialect: str | Dialect = "plain commas") -> Path:
    """Write recorded channels as a logger would.

    Args:
        path: File to write; a dialect that packs does not change the name.
        channels: Names of ``CHANNELS`` to arrays of one length, in inside units: s, rpm, kPa gauge (boost), kPa
            absolute (barometer), %, lambda, °C. ``time_s``, ``rpm`` and ``boost_kpa`` must be there.
        dialect: Name of ``DIALECTS``, or one of your own.
    Returns:
        The path.
    Raises:
        ValueError: unknown dialect or channel, a missing one, or unequal lengths.
    """
    if isinstance(dialect, str):
        if dialect not in DIALECTS:
            raise ValueError(f"unknown dialect {dialect!r}; known are {', '.join(DIALECTS)}")
        dialect = DIALECTS[dialect]
    arrays = _checked(channels)
    columns = _columns(arrays, dialect)
    file = Path(path)
    text = dialect.newline.join(_lines(columns, arrays, dialect)) + dialect.newline
    data = text.encode(dialect.encoding)
    if dialect.packed == "zip":
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("log.csv", data)
        return file
    packers: dict[str, Callable[[bytes], bytes]] = {"gz": gzip.compress, "bz2": bz2.compress, "xz": lzma.compress}
    file.write_bytes(packers[dialect.packed](data) if dialect.packed else data)
    return file


def _checked(channels: Mapping[str, npt.ArrayLike]) -> dict[str, FloatArray]:
    unknown = [name for name in channels if name not in CHANNELS]
    missing = [name for name in ("time_s", "rpm", "boost_kpa") if name not in channels]
    if unknown or missing:
        raise ValueError(
            f"channels must be among {', '.join(CHANNELS)}, but unknown are {', '.join(unknown) or 'none'} "
            f"and missing are {', '.join(missing) or 'none'}"
        )
    arrays = {name: np.asarray(channels[name], dtype=float) for name in CHANNELS if name in channels}
    sizes = {name: array.size for name, array in arrays.items()}
    if len(set(sizes.values())) != 1:
        raise ValueError(f"channels must have one length, but got {sizes}")
    return arrays


@dataclass(frozen=True)
class _Written:
    name: str
    unit: str
    cells: list[str]


def _number(values: FloatArray, decimals: int, dialect: Dialect) -> list[str]:
    """Numbers as cells; NaN is a blank."""
    cells = []
    for value in values:
        if not np.isfinite(value):
            cells.append("")
            continue
        text = f"{value:,.{decimals}f}" if dialect.thousands else f"{value:.{decimals}f}"
        if dialect.thousands == "." or (dialect.thousands and dialect.decimal == ","):
            text = text.replace(",", "\0").replace(".", dialect.decimal).replace("\0", dialect.thousands)
        elif dialect.decimal == ",":
            text = text.replace(".", ",")
        cells.append(text)
    return cells


def _clock(time_s: FloatArray, dialect: Dialect) -> list[str]:
    cells = []
    for second in time_s:
        whole = 15 * 3600 + 42 * 60 + second
        hours, rest = divmod(whole, 3600)
        minutes, seconds = divmod(rest, 60)
        text = f"{int(hours):02d}:{int(minutes):02d}:{seconds:06.3f}".replace(".", dialect.decimal)
        cells.append(f"2024-05-17 {text}" if dialect.time == "date" else text)
    return cells


def _columns(arrays: dict[str, FloatArray], dialect: Dialect) -> list[_Written]:
    words = HEADINGS[dialect.language]
    written: list[_Written] = []
    ambient = arrays.get("barometer_kpa", np.full(arrays["rpm"].shape, STANDARD_ATMOSPHERE_KPA))
    for name in CHANNELS:
        if name == "barometer_kpa" and dialect.barometer:
            written.append(_pressure(words[name], ambient, dialect))
        if name not in arrays or name == "barometer_kpa":
            continue
        values = arrays[name]
        if name == "time_s":
            written += _time(words[name], values, dialect)
        elif name == "boost_kpa":
            heading = words["manifold_kpa"] if dialect.absolute else words[name]
            written.append(_pressure(heading, values + ambient if dialect.absolute else values, dialect))
        else:
            written.append(_other(name, words[name], values, dialect))
    if dialect.strange:
        count = arrays["rpm"].size
        written[2:2] = [_Written(n, u, _number(np.full(count, v), d, dialect)) for n, u, v, d in _STRANGE]
    return written


def _pressure(heading: str, kpa: FloatArray, dialect: Dialect) -> _Written:
    decimals = _PRESSURE_DECIMALS[dialect.pressure]
    return _Written(heading, dialect.pressure, _number(kpa / kpa_in(dialect.pressure), decimals, dialect))


def _time(heading: str, time_s: FloatArray, dialect: Dialect) -> list[_Written]:
    if dialect.time == "none":
        return []
    if dialect.time == "s":
        return [_Written(heading, "s", _number(time_s, 3, dialect))]
    if dialect.time == "ms":
        return [_Written(heading, "ms", _number(time_s * 1000.0, 0, dialect))]
    return [_Written(heading, "", _clock(time_s, dialect))]


def _other(name: str, heading: str, values: FloatArray, dialect: Dialect) -> _Written:
    unit = {"rpm": "rpm", "throttle_pct": "%", "duty_pct": "%"}.get(name, "°C" if name.endswith("_c") else "")
    if name.endswith("_c") and dialect.fahrenheit:
        values, unit = values * 1.8 + 32.0, "°F"
    if name == "rpm" and dialect.language in ("German", "French"):
        unit = {"German": "1/min", "French": "tr/min"}[dialect.language]
    return _Written(heading, unit, _number(values, _DECIMALS[name], dialect))


def _headings(columns: list[_Written], dialect: Dialect) -> list[list[str]]:
    """Rows of the header."""
    names = [column.name for column in columns]
    units = [column.unit for column in columns]
    if dialect.unit_place == "row":
        return [names, units]
    forms: dict[str, Callable[[str, str], str]] = {
        "square": lambda name, unit: f"{name} [{unit}]" if unit else name,
        "round": lambda name, unit: f"{name} ({unit})" if unit else name,
        "suffix": lambda name, unit: f"{name}_{unit}" if unit not in ("", "rpm", "%", "°C") else name,
        "none": lambda name, unit: name,  # noqa: ARG005  every form takes both
    }
    return [[forms[dialect.unit_place](name, unit) for name, unit in zip(names, units, strict=True)]]


def _lines(columns: list[_Written], arrays: dict[str, FloatArray], dialect: Dialect) -> Iterable[str]:
    def line(cells: Iterable[str]) -> str:
        return dialect.separator.join(f'"{cell}"' if dialect.quoted else cell for cell in cells)

    yield from dialect.above
    if dialect.time == "none":
        rate = 1.0 / float(np.median(np.diff(arrays["time_s"])))
        yield f"Sample rate: {rate:.6g} Hz"
    header = [line(cells) for cells in _headings(columns, dialect)]
    yield from header
    rows = list(zip(*(column.cells for column in columns), strict=True))
    for number, row in enumerate(rows):
        if dialect.repeat_header and number == len(rows) // 2:
            yield from header
        yield line(row)
    yield from dialect.below
