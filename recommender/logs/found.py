"""What intake hands over: the log's channels and pulls."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from models.curve import Trace
from models.units import FloatArray
from recommender.logs.channels import ChannelChoice
from recommender.logs.evidence import Quality
from recommender.logs.guards import GuardFinding
from recommender.logs.options import ChannelHints, Conditions
from recommender.logs.pulls import Kind


@dataclass(frozen=True)
class FoundPull:
    """One pull in a log.

    Attributes:
        kind: ``sweep``, ``held rpm``, or ``partial`` (too little for a sweep).
        trace: Time, rpm, boost (kPa gauge) and duty, real samples only.
        start_s, end_s: Where it lies in the log. [s]
        conditions: Barometer, intake and coolant temperature.
        quality: Verdict with remarks.
        aborted: Ended before the judged range's end; evidence up to there.
        rate_hz: Real rate by role. [Hz]
        guard_findings: Bounds passed or approached, passed ones first.
        watched: Guards whose channel gave readings in it.
        channels: Role to values over the pull, at ``channel_time_s``: rpm, boost and whatever else was logged.
        channel_time_s: All rows of the pull. Shape (m,), [s]
        overshoot_resolvable, oscillation_resolvable: Whether boost is sampled often enough to see them.
        unseen_kpa: How much higher boost may have stood between two real samples. [kPa]
    """

    kind: Kind
    trace: Trace
    start_s: float
    end_s: float
    conditions: Conditions
    quality: Quality
    aborted: bool
    rate_hz: Mapping[str, float]
    guard_findings: tuple[GuardFinding, ...]
    channels: Mapping[str, FloatArray] = field(repr=False)
    channel_time_s: FloatArray = field(repr=False)
    overshoot_resolvable: bool = True
    oscillation_resolvable: bool = True
    unseen_kpa: float = 0.0
    watched: tuple[str, ...] = ()

    @property
    def usable(self) -> bool:
        """Whether it may be recorded as evidence."""
        return self.quality.verdict != "refused"


@dataclass(frozen=True)
class Stretch:
    """Boost above the limit for a while, one reading a time stamp.

    Attributes:
        time_s, boost_kpa: Shape (n,), [s], [kPa gauge]
    """

    time_s: FloatArray
    boost_kpa: FloatArray

    @property
    def peak_kpa(self) -> float:
        """Its highest boost. [kPa gauge]"""
        return float(self.boost_kpa.max())

    @property
    def peak_s(self) -> float:
        """When that was first read. [s]"""
        return float(self.time_s[int(np.argmax(self.boost_kpa))])


@dataclass(frozen=True)
class Intake:
    """Everything that was found in one log.

    Attributes:
        file_name, sha256: Of the file.
        layout: How the file is laid out, in words.
        channels: Which column was taken for which role, and why.
        boost_is: What the boost column holds, gauge or absolute.
        pulls: In order of time.
        conditions: Medians over the recording.
        warnings: What the user should know.
        highest_boost_kpa, highest_at_s: Highest boost anywhere in the recording, in a pull or not. [kPa gauge], [s]
        above: Where boost stood above the limit, in a pull or not, the highest first.
        shape: Same for logs whose headings are the same.
        columns: Label of every column of the file.
        day: Day on which it was written by its own clock, None where its rows name none.
    """

    file_name: str
    sha256: str
    layout: str
    channels: tuple[ChannelChoice, ...]
    boost_is: str
    pulls: tuple[FoundPull, ...]
    conditions: Conditions
    warnings: tuple[str, ...]
    highest_boost_kpa: float
    highest_at_s: float
    shape: str
    columns: tuple[str, ...]
    day: datetime.date | None = None
    above: tuple[Stretch, ...] = ()

    def remembered(self) -> ChannelHints:
        """The choices, to be remembered for the next log of the same ``shape``."""
        names: dict[str, str] = {choice.role: choice.column for choice in self.channels}
        unit = next(choice.unit for choice in self.channels if choice.role == "boost")
        facts: dict[str, Any] = {**names, "boost_unit": unit, "boost_is": self.boost_is}
        return ChannelHints(**facts)
