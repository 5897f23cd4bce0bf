"""The tables of a job file: which keys there are and what kind of value each takes. Meaning is checked in ``job``."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from recommender.job.toml_lines import KeyPath

#: Longest name of a job. [letters]
LONGEST_NAME: Final = 120

Number = Annotated[float, Field(allow_inf_nan=False)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class TargetTable(_Table):
    """``[target]`` or ``[targets.NAME]``: boost wanted at each rpm, job's pressure unit."""

    rpm: list[Number] = Field(min_length=1, max_length=200)
    boost: list[Number] = Field(min_length=1, max_length=200)
    judge_from: Number | None = None
    judge_to: Number | None = None
    tolerance: Number | None = None


class LimitTable(_Table):
    """``[limit]``."""

    overpressure: Number | None = None
    risk: Number = 0.01


class KnobTable(_Table):
    """``[knobs.NAME]``: the four parts, or ``fixed`` alone."""

    lower: Number | None = None
    upper: Number | None = None
    resolution: Number | None = None
    step: Number | None = None
    fixed: Number | None = None


class KnobTables(_Table):
    """``[knobs]``: one table for each knob that the controller has."""

    duty: KnobTable | None = None
    ramp_from: KnobTable | None = None
    ramp_to: KnobTable | None = None
    ramp_add: KnobTable | None = None
    engagement: KnobTable | None = None
    gain: KnobTable | None = None


class ChannelTable(_Table):
    """``[channels]``: the log's own column names, and what only the tuner can know about its gauge."""

    time: str | None = None
    rpm: str | None = None
    boost: str | None = None
    barometer: str | None = None
    throttle: str | None = None
    duty: str | None = None
    lambda_: str | None = Field(default=None, alias="lambda")
    exhaust_c: str | None = None
    knock: str | None = None
    intake_c: str | None = None
    coolant_c: str | None = None
    boost_is: Literal["gauge", "absolute"] | None = None
    boost_unit: str | None = None
    rate_hz: Number | None = Field(default=None, gt=0)
    stoichiometric: Number | None = Field(default=None, ge=5, le=20)
    gauge_lag_s: Number = Field(default=0.0, ge=0, le=2)
    barometer_kpa: Number | None = Field(default=None, ge=40, le=120)


class GuardTable(_Table):
    """``[guards]`` NAME = { highest = …, lowest = … }: bounds on a channel of the log, in the log's own unit."""

    highest: Number | None = None
    lowest: Number | None = None


class GuardTables(_Table):
    """``[guards]``: one line for each channel that is watched."""

    lambda_: GuardTable | None = Field(default=None, alias="lambda")
    exhaust_c: GuardTable | None = None
    knock: GuardTable | None = None
    intake_c: GuardTable | None = None
    coolant_c: GuardTable | None = None
    duty: GuardTable | None = None


class LogTable(_Table):
    """``[log]``: the rule by which a pull is found in a recording; see ``recommender.logs.FinderOptions``."""

    throttle_pct: Number | None = Field(default=None, gt=0, le=100)
    least_rise_rpm: Number | None = Field(default=None, gt=0, le=10000)
    largest_drop_rpm: Number | None = Field(default=None, ge=0, le=2000)
    least_length_s: Number | None = Field(default=None, gt=0, le=60)
    least_boost_kpa: Number | None = Field(default=None, ge=-100, le=500)
    held_rpm: Number | None = Field(default=None, gt=0, le=1000)
    held_length_s: Number | None = Field(default=None, gt=0, le=600)


class RecordTable(_Table):
    """``[record]``: where the record is kept when it is not beside the job file."""

    storage: str | None = Field(default=None, min_length=1)
    study: str | None = Field(default=None, min_length=1, max_length=200)


class JobFile(_Table):
    """The whole job file."""

    name: str = Field(min_length=1, max_length=LONGEST_NAME)
    pressure: str
    notes: str = ""
    target: TargetTable | None = None
    targets: dict[str, TargetTable] = Field(default_factory=dict)
    limit: LimitTable = LimitTable()
    knobs: KnobTables
    channels: ChannelTable = ChannelTable()
    guards: GuardTables = GuardTables()
    log: LogTable = LogTable()
    record: RecordTable = RecordTable()


def nearest(name: str, known: Sequence[str]) -> str:
    """The known name most like ``name`` as a half sentence: `` Did you mean "duty"?``; empty where none is like it."""
    close = get_close_matches(name.lower(), [each.lower() for each in known], n=1, cutoff=0.55)
    if not close:
        return ""
    return f' Did you mean "{next(each for each in known if each.lower() == close[0])}"?'


def keys_of(table: type[BaseModel]) -> list[str]:
    """Keys of a table as they are written in the file."""
    return [field.alias or name for name, field in table.model_fields.items()]


_TABLES: dict[str, type[BaseModel]] = {
    "target": TargetTable,
    "targets": TargetTable,
    "limit": LimitTable,
    "channels": ChannelTable,
    "log": LogTable,
    "record": RecordTable,
}


def _table_at(path: KeyPath) -> type[BaseModel]:
    """The table in which the last key of a path stands."""
    if len(path) <= 1:
        return JobFile
    if path[0] in ("knobs", "guards"):
        tables, table = (KnobTables, KnobTable) if path[0] == "knobs" else (GuardTables, GuardTable)
        return tables if len(path) == 2 else table
    return _TABLES.get(path[0], JobFile)


def explain(error: ValidationError) -> list[tuple[KeyPath, Any, str]]:
    """Each fault that pydantic found: path of the key, value found, and what is allowed."""
    return [_explain_one(fault) for fault in error.errors()]


def _explain_one(fault: Any) -> tuple[KeyPath, Any, str]:
    path = tuple(str(part) for part in fault["loc"])
    kind, found, context = fault["type"], fault["input"], fault.get("ctx", {})
    if kind == "extra_forbidden":
        known = keys_of(_table_at(path))
        return path, found, f"is not a key here.{nearest(path[-1], known)} Known here: {', '.join(known)}."
    if kind == "missing":
        return path, None, "is missing. Add it; `nextpull new FOLDER` writes a job file with every key explained."
    words = {
        "float_type": "must be a number without quotes, with a point for decimals.",
        "finite_number": "must be a finite number.",
        "string_type": 'must be text in quotes, for example "Engine Speed".',
        "list_type": "must be a list in square brackets, for example [2600, 3900, 6800].",
        "model_type": "must be a table.",
        "dict_type": "must be a table.",
        "string_too_short": "must not be empty.",
        "string_too_long": f"must be at most {context.get('max_length')} letters long.",
        "too_short": "must hold at least one number.",
        "too_long": f"must hold at most {context.get('max_length')} numbers.",
        "literal_error": f"must be {context.get('expected')}.",
        "greater_than": f"must be above {context.get('gt')}.",
        "greater_than_equal": f"must be at least {context.get('ge')}.",
        "less_than_equal": f"must be at most {context.get('le')}.",
    }
    return path, found, words.get(kind, f"cannot be used: {fault['msg']}.")
