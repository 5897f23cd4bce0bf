"""From a log file to the one pull in it."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from models.curve import Trace
from recommender import wording
from recommender.job import Job
from recommender.logs import (
    ChannelHints,
    FinderOptions,
    FoundPull,
    Guard,
    GuardFinding,
    Intake,
    LogError,
    ReadOptions,
    Remembered,
    Stretch,
    intake_of,
    read_log,
)
from recommender.record.stored import number_in
from recommender.record.trials import PullEntry
from recommender.session.conditions import conditions_in, day_of, log_of_another_time
from recommender.session.held_run import HeldPoint, held_points, not_held, turned_quickly

#: Beginning of the remark that a log is too slow to show overshoot and ringing.
TOO_SLOW: Final = "Boost is read"
#: Boost this near to the highest of a pull is the same. [kPa]
SAME_KPA: Final = 0.05


class NoPull(LogError):
    """No pull in a log. ``why`` says so without the log's name; ``peak_kpa`` at ``peak_s`` is its highest boost."""

    def __init__(self, text: str, why: str, peak_kpa: float, peak_s: float) -> None:
        super().__init__(text)
        self.why, self.peak_kpa, self.peak_s = why, peak_kpa, peak_s


@dataclass(frozen=True)
class GuardHit:
    """A guard channel that passed its bound during a pull.

    Attributes:
        name: Channel, as the job's ``[guards]`` call it.
        value: Value furthest past the bound, in the log's own unit.
        bound: The bound.
        side: ``highest`` or ``lowest``.
        time_s, rpm: Moment of the recording at which it first passed. [s], [rpm]
    """

    name: str
    value: float
    bound: float
    side: str
    time_s: float
    rpm: float

    def words(self) -> str:
        """The hit in half a sentence: ``lambda 0.91 at 12.4 s (5200 rpm), above its guard of 0.86``."""
        where = "above" if self.side == "highest" else "below"
        moment = f"at {self.time_s:.1f} s ({wording.rpm(self.rpm)})"
        return f"{self.name} {self.value:.4g} {moment}, {where} its guard of {self.bound:g}"


@dataclass(frozen=True)
class LoggedPull:
    """A pull as found in a log, as far as the record cares.

    Attributes:
        which: Its place among the pulls of the log, from 1.
        kind: ``sweep``, ``held rpm`` or ``partial``.
        trace: Boost in kPa gauge.
        complete: False where the sweep was aborted.
        refused: Why it cannot be relied on; empty where it can.
        warnings: What was noticed, most important first.
        conditions: barometer_kpa, barometer_from, intake_c, coolant_c, as far as known.
        guards: Bounds passed.
        watched: Guards whose channel gave readings in this pull, each with its bounds.
        unseen_kpa: How much higher boost may have stood between two samples. [kPa]
        shows_ringing: Whether boost was read often enough to show ringing.
        shape, channels: Layout of the log, and which column was taken for what.
        held: For a run at held rpm, what it showed at each duty, in the order in which duty was turned.
        day: On which the log was written by its own clock, ``YYYY-MM-DD``; empty where that is not known.
        outside: Boost of the log outside this pull, above all of it and above the limit, the highest first.
        guards_outside: Bounds passed in other pulls of the log.
    """

    which: int
    kind: str
    trace: Trace
    complete: bool
    refused: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    conditions: Mapping[str, Any] = field(default_factory=dict)
    guards: tuple[GuardHit, ...] = ()
    watched: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    unseen_kpa: float = 0.0
    shows_ringing: bool = True
    shape: str = ""
    channels: Mapping[str, str] = field(default_factory=dict)
    held: tuple[HeldPoint, ...] = ()
    day: str = ""
    outside: tuple[Stretch, ...] = ()
    guards_outside: tuple[GuardHit, ...] = ()

    def words(self) -> str:
        """The pull in half a line: ``2: 2500 to 6800 rpm from 41.2 s``."""
        rpm, time_s = self.trace.rpm, self.trace.time_s
        state = "refused" if self.refused else "" if self.complete else "aborted"
        more = ", ".join(word for word in (self.kind if self.kind != "sweep" else "", state) if word)
        return f"{self.which}: {rpm[0]:.0f} to {rpm[-1]:.0f} rpm from {time_s[0]:.1f} s{f', {more}' if more else ''}"


def read_options(
    job: Job,
    known: Sequence[PullEntry] = (),
    shape: str = "",
    now: datetime.datetime | None = None,
    day: datetime.date | None = None,
) -> ReadOptions:
    """How a log of this job is to be read.

    Args:
        job: The job, for channel names, finder rule, guards and judged range.
        known: Pulls on record: their conditions are compared with, and what the last log of the same shape was
            taken for is remembered.
        shape: Layout of the log.
        now: When it is brought. None: all pulls count as the day's.
        day: On which the log was written by its own clock, that of ``now`` where it is None; pulls of days before it
            count as another day's.
    """
    named = {"lambda_" if name == "lambda" else name: value for name, value in job.channels.items()}
    gauge = {name: named.pop(name, None) for name in ("gauge_lag_s", "barometer_kpa")}
    first = job.wanted()
    own = day or (None if now is None else now.date())
    days = [day_of(pull) for pull in known]
    old = [now is not None and own is not None and other is not None and other < own for other in days]
    past = [pull for pull, is_old in zip(known, old, strict=True) if is_old]
    today = [pull for pull, is_old in zip(known, old, strict=True) if not is_old]
    return ReadOptions(
        hints=ChannelHints(**named),
        remembered=_remembered(known, shape),
        barometer_kpa=gauge["barometer_kpa"],
        default_pressure_unit=job.pressure_unit,
        finder=FinderOptions(**job.log),
        judged=(first.judge_from, first.judge_to),
        guards={name: Guard(**bounds) for name, bounds in job.guards.items()},
        others=tuple(conditions_in(pull) for pull in today),
        earlier=tuple(conditions_in(pull) for pull in past),
        limit_kpa=job.limit_kpa,
    )


def _remembered(known: Sequence[PullEntry], shape: str) -> Remembered | None:
    """What the last log of a shape among the pulls on record was taken for."""
    alike = [pull for pull in known if pull.facts["shape"] == shape]
    if not alike:
        return None
    last = alike[-1]
    highest = number_in(last.facts["peak_kpa"])
    return Remembered(ChannelHints(**last.facts["channels"]), f"the log of pull {last.number}", highest)


def look(
    path: Path, job: Job | None = None, known: Sequence[PullEntry] = (), now: datetime.datetime | None = None
) -> Intake:
    """Everything found in a log, whether usable or not. Arguments as in ``read_options``.

    Raises:
        LogError: the file cannot be read, or its channels cannot be told.
    """
    raw = read_log(path)
    ahead = now is not None and raw.day is not None and (raw.day - now.date()).days > 1
    day = None if ahead else raw.day  # a clock that runs days ahead is not set
    found = replace(
        intake_of(raw, ReadOptions() if job is None else read_options(job, known, raw.shape, now, day)), day=day
    )
    words = "" if now is None else log_of_another_time(known, day, now)
    return replace(found, warnings=(*found.warnings, words)) if words else found


def pulls_in(
    path: Path, job: Job, known: Sequence[PullEntry] = (), now: datetime.datetime | None = None
) -> list[LoggedPull]:
    """Every pull of a log, in order. Arguments as in ``read_options``.

    Raises:
        LogError: the log cannot be read, or holds no pull.
    """
    found = look(path, job, known, now)
    if not found.pulls:
        raise _no_pull(found, job)
    channels = {name: str(value) for name, value in asdict(found.remembered()).items() if value is not None}
    return [_logged(place, pull, found, channels, job) for place, pull in enumerate(found.pulls, start=1)]


def _no_pull(found: Intake, job: Job) -> NoPull:
    """The error of a log without a pull; boost above the limit comes first in it."""
    why = f"{'. '.join(found.warnings)}."
    if found.highest_boost_kpa > job.limit_kpa:
        stood = job.problem().say_past(found.highest_boost_kpa, job.limit_kpa)
        limit = job.problem().say(job.limit_kpa)
        high = f"boost stood at {stood} at {found.highest_at_s:.1f} s, above the limit of {limit}."
        why = " ".join([high, *map(_sentence, found.warnings)])
    return NoPull(f"{found.file_name}: {why}", why, found.highest_boost_kpa, found.highest_at_s)


def _logged(place: int, pull: FoundPull, log: Intake, channels: Mapping[str, str], job: Job) -> LoggedPull:
    held, nothing_held = held_points(pull.trace) if pull.kind == "held rpm" else ((), not_held(pull.trace))
    refused = [_sentence(each.text) for each in pull.quality.remarks if each.refuses]
    refused += [nothing_held] if nothing_held else []
    # That a pull ended early is said once, by its being aborted.
    said = {"unresolvable"} | ({"ends early"} if pull.aborted else set())
    warnings = [_sentence(each.text) for each in pull.quality.remarks if not each.refuses and each.code not in said]
    warnings += [_sentence(each.text) for each in pull.guard_findings if each.kind == "approaching"]
    warnings += [_sentence(each) for each in log.warnings]
    if held and (quick := turned_quickly(pull.trace)):
        warnings.append(quick)
    own_kpa = float(pull.trace.boost_kpa.max())
    outside = tuple(each for each in log.above if each.peak_kpa > own_kpa + SAME_KPA)
    if outside:
        high = job.problem().say(outside[0].peak_kpa)
        warnings.insert(0, f"Outside the pull, at {outside[0].peak_s:.1f} s, boost stood at {high}: above the limit.")
    if not pull.overshoot_resolvable:
        warnings.append(_too_slow(pull.rate_hz.get("boost", float("nan")), pull.unseen_kpa, job))
    return LoggedPull(
        which=place,
        kind=pull.kind,
        trace=pull.trace,
        complete=not pull.aborted and pull.kind != "partial",
        refused=tuple(refused),
        warnings=tuple(dict.fromkeys(warnings)),
        conditions={name: value for name, value in asdict(pull.conditions).items() if value is not None},
        guards=tuple(
            GuardHit(each.role.rstrip("_"), each.value, each.bound, _side(each), each.time_s, each.rpm)
            for each in pull.guard_findings
            if each.kind == "passed"
        ),
        watched={name: dict(job.guards[name]) for name in pull.watched},
        unseen_kpa=pull.unseen_kpa,
        shows_ringing=pull.oscillation_resolvable,
        shape=log.shape,
        channels=channels,
        held=held,
        day="" if log.day is None else log.day.isoformat(),
        outside=outside,
    )


def _too_slow(rate_hz: float, unseen_kpa: float, job: Job) -> str:
    """What a slow log could have hidden, and what follows from it: nothing where that rounds to nothing."""
    begin = f"{TOO_SLOW} {rate_hz:.1f} times a second: overshoot and ringing cannot be seen"
    say = job.problem().say
    if say(unseen_kpa) == say(0.0):
        return f"{begin}. Log ten times a second."
    return (
        f"{begin}, nor a spike of up to {say(unseen_kpa)} between two readings. The risk of the next step is widened "
        "for that; log ten times a second."
    )


def _side(finding: GuardFinding) -> str:
    return "highest" if finding.value > finding.bound else "lowest"


def _sentence(text: str) -> str:
    """A remark as a sentence: a capital first, a full stop last where no question mark is."""
    trimmed = text.strip().rstrip(".")
    return f"{trimmed[:1].upper()}{trimmed[1:]}{'' if trimmed.endswith('?') else '.'}"


def the_pull(found: Sequence[LoggedPull], which: int | None, name: str) -> LoggedPull:
    """The pull that is meant: the one named, or the only full one.

    Args:
        found: Pulls of one log.
        which: Place among them, from 1; None where the user names none.
        name: Name of the log, for messages.
    Raises:
        LogError: there are several and none is named, or there is none of that place.
    """
    listed = "; ".join(each.words() for each in found)
    if which is not None:
        for each in found:
            if each.which == which:
                return _among(found, each)
        raise LogError(f"{name}: no pull {which} in this log. It holds {listed}.")
    sweeps = [each for each in found if each.kind != "held rpm"]
    sound = [each for each in sweeps if not each.refused]
    candidates = [each for each in sound if each.complete] or sound or sweeps or list(found)
    if len(candidates) > 1:
        raise LogError(
            f"{name}: {len(candidates)} pulls in this log: {listed}. One pull is added at a time: name the one that "
            f"was run with these settings (which={candidates[-1].which}, or --which {candidates[-1].which})."
        )
    return _among(found, candidates[0])


def _among(found: Sequence[LoggedPull], pull: LoggedPull) -> LoggedPull:
    """The pull with the guards that were passed in the others of its log."""
    return replace(pull, guards_outside=tuple(hit for each in found if each is not pull for hit in each.guards))
