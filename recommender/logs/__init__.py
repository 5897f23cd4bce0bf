"""Log intake: any logger's file in, pulls out, each with a verdict.

``read_log`` turns a file into a table, ``intake`` does everything, ``write_log`` writes logs as loggers do.
"""

from recommender.logs.channels import ChannelChoice, Channels, choose_channels
from recommender.logs.dialects import DIALECTS, Dialect
from recommender.logs.errors import LogError
from recommender.logs.evidence import Quality, Remark
from recommender.logs.found import FoundPull, Intake, Stretch
from recommender.logs.guards import GuardFinding
from recommender.logs.intake import intake, intake_of
from recommender.logs.options import (
    GUARD_ROLES,
    ROLES,
    ChannelHints,
    Conditions,
    FinderOptions,
    Guard,
    ReadOptions,
    Remembered,
    Role,
)
from recommender.logs.read import read_log
from recommender.logs.table import Column, RawLog
from recommender.logs.write import CHANNELS, write_log

__all__ = [
    "CHANNELS",
    "DIALECTS",
    "GUARD_ROLES",
    "ROLES",
    "ChannelChoice",
    "ChannelHints",
    "Channels",
    "Column",
    "Conditions",
    "Dialect",
    "FinderOptions",
    "FoundPull",
    "Guard",
    "GuardFinding",
    "Intake",
    "LogError",
    "Quality",
    "RawLog",
    "ReadOptions",
    "Remark",
    "Remembered",
    "Role",
    "Stretch",
    "choose_channels",
    "intake",
    "intake_of",
    "read_log",
    "write_log",
]
