"""Log intake: any logger's file in, pulls out, each with a verdict.

``read_log`` turns a file into a table, ``intake`` does everything, ``write_log`` writes logs as loggers do.
"""

from recommender.logs.channels import ChannelChoice, Channels, choose_channels
from recommender.logs.errors import LogError
from recommender.logs.guards import GuardFinding
from recommender.logs.intake import FoundPull, Intake, intake, intake_of
from recommender.logs.options import (
    GUARD_ROLES,
    ROLES,
    ChannelHints,
    Conditions,
    FinderOptions,
    Guard,
    ReadOptions,
    Role,
)
from recommender.logs.quality import Quality, Remark
from recommender.logs.read import read_log
from recommender.logs.table import Column, RawLog
from recommender.logs.write import CHANNELS, DIALECTS, Dialect, write_log

__all__ = [
    "CHANNELS",
    "DIALECTS",
    "Dialect",
    "GUARD_ROLES",
    "ROLES",
    "ChannelChoice",
    "ChannelHints",
    "Channels",
    "Column",
    "Conditions",
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
    "Role",
    "choose_channels",
    "intake",
    "intake_of",
    "read_log",
    "write_log",
]
