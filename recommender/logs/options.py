"""What a job may say about its logs: channel names, finder rule, guards, conditions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, get_args

#: What a column can stand for. ``lambda_`` because ``lambda`` is taken; the job file writes ``lambda``.
Role = Literal[
    "time",
    "rpm",
    "boost",
    "barometer",
    "throttle",
    "duty",
    "lambda_",
    "exhaust_c",
    "knock",
    "intake_c",
    "coolant_c",
]
ROLES: Final[tuple[Role, ...]] = get_args(Role)
#: Roles that a guard can watch.
GUARD_ROLES: Final[tuple[Role, ...]] = ("lambda_", "exhaust_c", "knock", "intake_c", "coolant_c", "duty")


#: How ``barometer_from`` begins where the ambient pressure is not known.
ASSUMED_BAROMETER: Final = "standard atmosphere"


def guarded_role(name: str) -> Role:
    """The role that a guard's name in the job file stands for.

    Raises:
        ValueError: no guard can watch that.
    """
    for role in GUARD_ROLES:
        if name in (role, role.rstrip("_")):
            return role
    known = ", ".join(role.rstrip("_") for role in GUARD_ROLES)
    raise ValueError(f"a guard must watch one of {known}, but got {name!r}")


@dataclass(frozen=True)
class ChannelHints:
    """The job file's [channels]: a column's name for a role, and facts that a log may leave out.

    Attributes:
        time … coolant_c: Name of the column as the log writes it, with or without its unit; capitals do not matter.
        boost_is: Whether the boost column is gauge or absolute.
        boost_unit: Unit of the boost column, a key of ``models.units.PASCAL_IN``.
        rate_hz: Rows a second, for a log without time. [Hz]
        stoichiometric: Air-fuel ratio of the fuel at lambda 1, for logs that write lambda as one (petrol 14.7,
            ethanol 9.0). [-]
    """

    time: str | None = None
    rpm: str | None = None
    boost: str | None = None
    barometer: str | None = None
    throttle: str | None = None
    duty: str | None = None
    lambda_: str | None = None
    exhaust_c: str | None = None
    knock: str | None = None
    intake_c: str | None = None
    coolant_c: str | None = None
    boost_is: Literal["gauge", "absolute"] | None = None
    boost_unit: str | None = None
    rate_hz: float | None = None
    stoichiometric: float | None = None

    def column(self, role: str) -> str | None:
        """Name of the column for a role, None where the job says nothing."""
        name = getattr(self, role)
        return None if name is None else str(name)


@dataclass(frozen=True)
class Remembered:
    """What the job's last log of the same layout was taken for: it settles what a log leaves open, not what it states.

    Attributes:
        channels: Columns, unit and kind of that log.
        source: That log in words: ``the log of pull 3``.
        highest_kpa: Highest boost of the pull in it, NaN where that is not known. [kPa gauge]
    """

    channels: ChannelHints
    source: str
    highest_kpa: float = float("nan")


@dataclass(frozen=True)
class FinderOptions:
    """The rule by which a pull is found in a recording.

    Attributes:
        throttle_pct: Throttle or pedal at or above this is full load. [%]. None: 85 % of the highest reading of the
            log, where that is at least 50 %.
        least_rise_rpm: A sweep raises engine speed by at least this. [rpm]
        largest_drop_rpm: Engine speed may fall this far under its highest so far within one sweep. [rpm]
        least_length_s: A sweep lasts at least this long. [s]
        least_boost_kpa: Boost that no sample of a sweep may fall under. [kPa gauge]. None: no such rule.
        held_rpm: Engine speed counts as held while it stays within this width. [rpm]
        held_length_s: A run at held rpm lasts at least this long. [s]
    """

    throttle_pct: float | None = None
    least_rise_rpm: float = 500.0
    largest_drop_rpm: float = 100.0
    least_length_s: float = 0.8
    least_boost_kpa: float | None = None
    held_rpm: float = 150.0
    held_length_s: float = 3.0


@dataclass(frozen=True)
class Guard:
    """Bounds of one guard channel; either may be absent.

    Attributes:
        highest, lowest: Values the channel may not pass during a pull, in the unit of the channel
            (lambda [-], exhaust, intake and coolant temperature [°C], knock as logged, duty [%]).
    """

    highest: float | None = None
    lowest: float | None = None


@dataclass(frozen=True)
class Conditions:
    """Conditions under which a pull was run.

    Attributes:
        barometer_kpa: Ambient pressure, the standard atmosphere where it is not known. [kPa absolute]
        barometer_from: Where that comes from, in words.
        intake_c: Intake air temperature, median over the pull. [°C], None where not logged
        coolant_c: Coolant temperature, median over the pull. [°C], None where not logged
    """

    barometer_kpa: float
    barometer_from: str
    intake_c: float | None = None
    coolant_c: float | None = None

    @property
    def known_barometer_kpa(self) -> float | None:
        """Ambient pressure where it was read or stated, None where it is only assumed. [kPa absolute]"""
        assumed = self.barometer_from.startswith(ASSUMED_BAROMETER) or self.barometer_kpa != self.barometer_kpa
        return None if assumed else self.barometer_kpa


@dataclass(frozen=True)
class ReadOptions:
    """Everything that steers the intake of one log.

    Attributes:
        hints: Channel names and facts from the job file, and from nowhere else: they beat what the log states.
        remembered: What the job's last log of the same layout was taken for, None where there is none.
        barometer_kpa: Ambient pressure where the log has no such channel. [kPa absolute]
        barometer_from: Where that comes from, in words.
        default_pressure_unit: The job's own unit, used for a boost column that names none.
        finder: The rule for finding pulls.
        judged: Judged range, first and last. [rpm]
        guards: Role of ``GUARD_ROLES`` (``lambda`` is taken for ``lambda_``) to its bounds.
        others: Conditions of the day's other pulls, to compare with.
        earlier: Conditions of the job's pulls on days before, oldest first.
        limit_kpa: The overpressure limit. [kPa gauge]
    """

    hints: ChannelHints = field(default_factory=ChannelHints)
    remembered: Remembered | None = None
    barometer_kpa: float | None = None
    barometer_from: str = "the job file"
    default_pressure_unit: str | None = None
    finder: FinderOptions = field(default_factory=FinderOptions)
    judged: tuple[float, float] | None = None
    guards: Mapping[str, Guard] = field(default_factory=dict)
    others: tuple[Conditions, ...] = ()
    earlier: tuple[Conditions, ...] = ()
    limit_kpa: float = float("inf")
