"""Whether the true peak of boost is in the log: a gauge at its top, readings off its scale, a peak without rpm."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from models.units import FloatArray
from recommender.logs.evidence import Evidence, Remark
from recommender.logs.found import FoundPull

#: A gauge with more noise than this does not stand still by itself. [kPa]
LEAST_NOISE_KPA: Final = 0.1
#: Boost without engine speed is told where it stands this much above all the rest of the pull. [kPa]
BESIDE_KPA: Final = 2.0
#: Readings in coarse units jump about where such a share of their third differences is of three units and more, over
#: at least so many, where they rise by no more units in four readings. A smooth curve rounded gives two. On made
#: pulls in whole kPa 2 in 100 with at most 0.3 kPa of noise count, of those with 0.8 to 3 kPa and clipped 3 in 4. [-]
SHAKEN_SHARE: Final = 0.4
FEWEST_CALM: Final = 8
SLOW_UNITS: Final = 8.5
#: In coarse units boost regulated well may read the same for a second and more: over so many samples and so long, and
#: no shorter, it is taken for the gauge's top. [-], [s]
STANDING_SAMPLES: Final = 15
STANDING_S: Final = 1.5
#: What loggers write where a reading is above all that they can show: 6553.5 too, which no turbo gives.
_OFF_SCALE: Final = re.compile(
    r"[>≥»].*|\d+(\.\d+)?(e\+\d+)?|[#*+]{2,}|(ovr|ovl|ol|o\.l\.|over.*|hi|high|max)\W*", re.IGNORECASE
)

#: Those of them that also stand for no reading yet, as before the engine runs: outside a pull they tell nothing.
_NO_READING: Final = re.compile(r"[#*+]{2,}|(hi|high|max)\W*", re.IGNORECASE)


def off_scale(evidence: Evidence) -> Iterator[Remark]:
    """Words in a cell of boost, or a number that is none: above the gauge's range, or no reading."""
    above = [cell for cell in evidence.unread if _OFF_SCALE.fullmatch(cell[1])]
    cells = above or list(evidence.unread)
    if not cells:
        return
    at_s, text = cells[0]
    more = {1: "", 2: " and once more"}.get(len(cells), f" and {len(cells) - 1} times more")
    what = "above what the gauge can show: the true peak is not in the log" if above else "which is no number"
    yield Remark("boost unread", f"boost reads {text!r} at {at_s:.2f} s{more}, {what}", at_s, refuses=bool(above))


def off_scale_said(time_s: FloatArray, texts: Sequence[str], pulls: Sequence[FoundPull]) -> list[str]:
    """The first reading plainly above the gauge's range that lies in none of the pulls, in words; nothing where none.

    Args:
        time_s, texts: Cells of boost that hold words. Shape (m,), [s]
        pulls: As found.
    """
    for at_s, text in zip(time_s.tolist(), texts, strict=True):
        inside = any(pull.start_s <= at_s <= pull.end_s for pull in pulls)
        if _OFF_SCALE.fullmatch(text) and not _NO_READING.fullmatch(text) and not inside:
            return [f"boost reads {text!r} at {at_s:.2f} s, above what the gauge can show"]
    return []


def pinned(evidence: Evidence) -> Iterator[Remark]:
    """Boost stuck at the top of its gauge while it should still move."""
    boost, time = evidence.boost_kpa[evidence.rows], evidence.time_s[evidence.rows]
    top = float(boost.max())
    at_top = boost >= top - 1e-6
    first = int(np.argmax(at_top))
    held = _longest_true(at_top)
    span_s = float(time[held[1]] - time[held[0]])
    absolute = evidence.absolute_kpa
    if absolute is not None and abs(float(absolute[evidence.rows].max()) - 255.0) < 1e-6 and at_top.sum() >= 2:
        yield Remark(
            "pinned",
            "manifold pressure stands at 255 kPa, the most that a one-byte reading can hold: "
            "the true peak is not in the log",
            float(time[first]),
            refuses=True,
        )
        return
    real = span_s / max(evidence.interval_s["boost"], evidence.row_s)
    if real >= 5 and span_s >= 0.3 and noisy(boost, *held):
        fine = _coarse_unit(_steps_beside(boost, *held)) is None
        clear = fine or (real >= STANDING_SAMPLES and span_s >= STANDING_S)
        stands = f"boost stands at exactly {top:.1f} kPa for {span_s:.1f} s while it moves everywhere else: "
        so = "the gauge is at its top and the true peak is not in the log"
        either = "regulated that evenly, or the gauge at its top. Check its range, or log finer than in whole units"
        yield Remark("pinned", stands + (so if clear else either), float(time[held[0]]), refuses=clear)


def without_rpm(evidence: Evidence) -> Iterator[Remark]:
    """The highest boost of the pull, read where engine speed or time was not."""
    if evidence.put_back is None:
        return
    at_s, boost_kpa = evidence.put_back
    if boost_kpa > float(evidence.boost_kpa[evidence.rows].max()) + BESIDE_KPA:
        yield Remark(
            "peak without engine speed",
            f"the highest boost, {boost_kpa:.1f} kPa at {at_s:.2f} s, stands in a row whose time or engine speed is "
            "not known: it counts, at the engine speed between its neighbours",
            at_s,
        )


def _longest_true(on: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """First and last row of the longest run of true rows."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    starts, stops = edges[::2], edges[1::2]
    place = int(np.argmax(stops - starts))
    return int(starts[place]), int(stops[place]) - 1


def noisy(values: FloatArray, first: int, last: int) -> bool:
    """Whether a signal shows noise outside one run of equal values.

    A gauge that shows noise everywhere else cannot stand still by itself; a log without noise (a simulated one, a
    filtered one) may well be flat. What rounding makes does not count as noise.
    """
    parts = (values[:first], values[last + 1 :])
    second = np.concatenate([np.diff(part, n=2) for part in parts])
    if second.size < 4:
        return False
    unit = _coarse_unit(_steps_beside(values, first, last))
    if unit is not None:
        return _shakes(parts, unit)
    noise = 1.4826 * float(np.median(np.abs(second - np.median(second)))) / np.sqrt(6.0)
    rounding = np.unique(np.round(second, 5)).size < 0.4 * second.size
    return bool(noise > LEAST_NOISE_KPA and not rounding)


def _steps_beside(values: FloatArray, first: int, last: int) -> FloatArray:
    """Steps from reading to reading outside one run of equal values."""
    return np.concatenate([np.diff(values[:first]), np.diff(values[last + 1 :])])


def _coarse_unit(steps: FloatArray) -> float | None:
    """The unit of a gauge read in coarse ones, whole kPa say; None where it is read finely. [kPa]"""
    moved = np.abs(steps[np.abs(steps) > 1e-6])
    unit = float(moved.min()) if moved.size else 0.0
    return unit if unit > LEAST_NOISE_KPA and np.all(np.abs(moved / unit - np.round(moved / unit)) < 0.02) else None


def _shakes(parts: tuple[FloatArray, ...], unit: float) -> bool:
    """Whether readings in coarse units jump about more than by rounding, where they do not rise or fall fast."""
    jumps = np.concatenate(
        [
            np.abs(np.diff(part, n=3))[np.abs(part[3:] - part[:-3]) <= SLOW_UNITS * unit]
            for part in parts
            if part.size > 3
        ]
    )
    return bool(jumps.size >= FEWEST_CALM and np.mean(jumps > 2.5 * unit) > SHAKEN_SHARE)
