"""What is known about a pull before it is judged, and the words of a verdict."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from models.units import FloatArray
from recommender.logs.options import Conditions
from recommender.logs.pulls import Span

Verdict = Literal["taken", "taken with a warning", "refused"]


#: Remarks that inform without being a warning.
QUIET: Final = frozenset({"after shift", "load inferred"})


@dataclass(frozen=True)
class Remark:
    """One thing about a pull.

    Attributes:
        code: Short fixed word for programs.
        text: A sentence for people.
        time_s: Moment in the log. [s], None where it concerns the whole
        refuses: Whether it alone makes the pull unusable.
    """

    code: str
    text: str
    time_s: float | None = None
    refuses: bool = False


@dataclass(frozen=True)
class Quality:
    """Verdict on a pull and what it rests on, most important first."""

    verdict: Verdict
    remarks: tuple[Remark, ...]

    @classmethod
    def of(cls, remarks: list[Remark]) -> Quality:
        """Verdict over all remarks, those that refuse the pull first."""
        ordered = sorted(remarks, key=lambda remark: not remark.refuses)
        if any(remark.refuses for remark in remarks):
            return cls("refused", tuple(ordered))
        warned = any(remark.code not in QUIET for remark in remarks)
        return cls("taken with a warning" if warned else "taken", tuple(ordered))


@dataclass(frozen=True)
class Evidence:
    """What the checks look at.

    Attributes:
        span: Where the pull lies.
        time_s, rpm, boost_kpa: All rows of the recording. Shape (n,)
        absolute_kpa: The boost column itself where it is absolute. [kPa absolute], else None
        throttle_pct: Shape (n,) or None
        fullest_pct: Its highest reading in the recording, NaN where there is none. [%]
        row_s: Usual interval between rows. [s]
        interval_s: Refresh interval of boost and of rpm, by role. [s]
        conditions: Of this pull.
        others: Of the day's other pulls.
        earlier: Of the job's pulls on days before.
        judged: Judged range or None. [rpm]
        key_on_gap_kpa: Gauge against barometer at key-on, or None.
        put_back: Time and boost of a reading above all others of the pull, in a row without engine speed or time; None
            where there is none. [s], [kPa gauge]
        unread: Moment and text of every cell of boost in the pull that holds words. [s]
    """

    span: Span
    time_s: FloatArray
    rpm: FloatArray
    boost_kpa: FloatArray
    absolute_kpa: FloatArray | None
    throttle_pct: FloatArray | None
    fullest_pct: float
    row_s: float
    interval_s: dict[str, float]
    conditions: Conditions
    others: tuple[Conditions, ...]
    judged: tuple[float, float] | None
    key_on_gap_kpa: float | None
    earlier: tuple[Conditions, ...] = ()
    put_back: tuple[float, float] | None = None
    unread: tuple[tuple[float, str], ...] = ()

    @property
    def rows(self) -> slice:
        return slice(self.span.trace_first, self.span.trace_last + 1)

    @property
    def seconds(self) -> float:
        return float(self.time_s[self.span.trace_last] - self.time_s[self.span.trace_first])
