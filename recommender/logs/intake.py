"""A log file to pulls: channels chosen, pulls found, each judged."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from models.units import FloatArray
from recommender.logs.boost import BoostReading, read_boost
from recommender.logs.both_boosts import BETWEEN, ambient_between, higher_said, zero_said
from recommender.logs.channels import ChannelChoice, Channels, choose_channels
from recommender.logs.conditions import compared, usual_temperatures
from recommender.logs.evidence import Evidence, Quality, Remark
from recommender.logs.falling import find_falling
from recommender.logs.flap import flaps_of, with_flaps
from recommender.logs.found import FoundPull, Intake
from recommender.logs.gauge_top import off_scale_said
from recommender.logs.guards import GuardFinding, readings, watch
from recommender.logs.left_out import signal_lost, signal_lost_said
from recommender.logs.options import Conditions, FinderOptions, ReadOptions, guarded_role
from recommender.logs.pulls import Recording, Span, find_pulls, full_load_pct, fullest, shifted
from recommender.logs.quality import OSCILLATION_HZ, OVERSHOOT_HZ, judge
from recommender.logs.read import read_log
from recommender.logs.table import RawLog
from recommender.logs.time_base import confirm_sweeps, with_possible_times
from recommender.logs.tracing import (
    Rows,
    dropouts_said,
    intervals_in,
    put_back,
    trace_of,
    unseen_kpa,
    whole_intervals,
    with_left_out,
    words_in,
)
from recommender.logs.usable import above_limit, highest_boost, running_rpm, usable_rows

#: Boost under this share of the highest is that of part load. [-]
LOADED_SHARE: Final = 0.3
#: A throttle under this share of its fullest is shut; shut in more than this share of a log's rows, it is no flap that
#: stands open: on six drives of an engine that is not throttled it was shut in 0.9 % of them at most. [-]
SHUT_SHARE: Final = 0.3
SHUT_ROWS: Final = 0.05
#: Up to so many pulls in a log each is compared with all others but itself; above, with all.
MOST_COMPARED: Final = 50


def intake(path: str | Path, options: ReadOptions | None = None) -> Intake:
    """Read a log, choose its channels, find its pulls and judge them.

    Args:
        path: The log.
        options: Hints, finder rule, judged range and guards; the defaults suit most logs.
    Returns:
        All of it; ``pulls`` may be empty where the log is sound but holds none (the warnings then say what was found).
    Raises:
        LogError: the file cannot be read, or its channels cannot be told.
    """
    options = options or ReadOptions()
    return intake_of(read_log(path), options)


def intake_of(raw: RawLog, options: ReadOptions) -> Intake:
    """The same for a log already read."""
    channels = with_possible_times(choose_channels(raw, options), raw.file_name)
    barometer = channels.values.get("barometer")
    known = barometer[np.isfinite(barometer)] if barometer is not None else np.empty(0)
    ambient = float(np.median(known)) if known.size else None
    column, throttle = channels.columns["boost"], channels.values.get("throttle")
    between = ambient_between(raw, channels) if ambient is None and options.barometer_kpa is None else None
    if between is not None:
        options = replace(options, barometer_kpa=between, barometer_from=BETWEEN)
    reading = read_boost(column, running_rpm(channels), ambient, options, raw.file_name, throttle)
    lost = signal_lost(channels.time_s, reading.boost_kpa)
    lost_said = signal_lost_said(column.label, channels.time_s, reading.boost_kpa, lost)
    if lost_said:
        reading = replace(reading, boost_kpa=np.where(lost, np.nan, reading.boost_kpa))
    rows = usable_rows(channels, reading, raw.file_name)
    warnings = [*raw.warnings, *channels.warnings, *reading.warnings, *_unwatched(channels, options)]
    warnings += [*zero_said(raw, channels, reading, options), *higher_said(raw, channels, reading, options)]
    warnings += [*lost_said, *dropouts_said(channels.time_s, channels.values["rpm"])]
    if rows.backward_rows:
        moments = ", ".join(f"{rows.time_s[row - 1]:.2f} s" for row in rows.backward_rows[:3])
        warnings.append(f"time runs backwards after {moments}: the parts were searched one by one")
    spans, falling = _spans(rows, options)
    confirm_sweeps(rows, spans, channels, raw.file_name)
    warnings += falling
    whole = whole_intervals(rows) if spans else {}
    flaps = () if rows.backward_rows else flaps_of(raw, channels)
    pulls = [with_flaps(_pull(rows, span, whole, reading, options), flaps, channels) for span in spans]
    pulls = _rescue_lone_partial(_compared(pulls, options))
    warnings += off_scale_said(rows.unread.time_s, rows.unread.texts, pulls)
    if not pulls:
        warnings.append(_nothing_found(rows, options))
    highest_kpa, highest_at_s = highest_boost(channels, reading)
    choices = tuple(
        ChannelChoice(c.role, c.column, reading.unit, f"{c.reason}; {reading.reason}") if c.role == "boost" else c
        for c in channels.choices
    )
    return Intake(
        file_name=raw.file_name,
        sha256=raw.sha256,
        layout=raw.layout,
        channels=choices,
        boost_is=reading.kind,
        pulls=tuple(pulls),
        conditions=_conditions(rows, slice(None), reading),
        warnings=tuple(warnings),
        highest_boost_kpa=highest_kpa,
        highest_at_s=highest_at_s,
        shape=raw.shape,
        columns=tuple(column.label for column in raw.columns),
        day=raw.day,
        above=above_limit(channels, reading, options.limit_kpa),
    )


def _unwatched(channels: Channels, options: ReadOptions) -> list[str]:
    """Guards whose channel the log lacks, in words."""
    lacking = [role.rstrip("_") for role in map(guarded_role, options.guards) if role not in channels.values]
    if not lacking:
        return []
    listed = ", ".join(lacking)
    return [f"the guard on {listed} could not watch: no such channel in the log. Log it, or name it under [channels]"]


def _told_by_throttle(rows: Rows, finder: FinderOptions) -> bool:
    """Whether the throttle channel tells full load: not on engines whose throttle stands open at any load."""
    throttle = rows.values.get("throttle")
    if throttle is None or not np.isfinite(throttle).any():
        return False
    threshold = full_load_pct(throttle[np.isfinite(throttle)], finder)
    if threshold is None or finder.throttle_pct is not None:
        return True
    if float(np.mean(throttle < SHUT_SHARE * fullest(throttle[np.isfinite(throttle)]))) > SHUT_ROWS:
        return True
    full = throttle >= threshold
    low = float(np.median(rows.boost_kpa[full])) < LOADED_SHARE * float(rows.boost_kpa.max()) if full.any() else False
    return not (low and float(full.mean()) > 0.5)


def _parts(rows: Rows, options: ReadOptions) -> Iterator[tuple[int, Recording, FinderOptions]]:
    """Every part of the recording in which time rises: its first row, its rows, and the rule for it."""
    finder = options.finder
    throttle = rows.values.get("throttle") if _told_by_throttle(rows, finder) else None
    if throttle is not None:
        finder = replace(finder, throttle_pct=full_load_pct(throttle[np.isfinite(throttle)], finder))
    for first, stop in pairwise([0, *rows.backward_rows, rows.time_s.size]):
        part = slice(first, stop)
        pedal = None if throttle is None or finder.throttle_pct is None else np.nan_to_num(throttle[part], nan=-1.0)
        yield first, Recording(rows.time_s[part], rows.rpm[part], rows.boost_kpa[part], pedal), finder


def _spans(rows: Rows, options: ReadOptions) -> tuple[list[Span], list[str]]:
    """Pulls, and sweeps downwards in words, which are no pulls."""
    found: list[Span] = []
    words: list[str] = []
    for first, rec, finder in _parts(rows, options):
        falling = find_falling(rec, finder)
        for span in find_pulls(rec, finder):
            inside = any(top <= span.first and span.last <= low + 1 for top, low in falling)
            if span.kind != "held rpm" or not inside:
                found.append(shifted(span, first))
        words += [
            f"from {rec.time_s[top]:.2f} s on engine speed falls from {rec.rpm[top]:.0f} to {rec.rpm[low]:.0f} rpm "
            "under full load: a sweep downwards. The turbo is up to speed before it begins, so it shows neither spool "
            "nor the spike after it, and was not taken. Sweep upwards"
            for top, low in falling
        ]
    if len(words) > 3:
        words = [*words[:2], f"{len(words) - 2} more sweeps downwards were not taken"]
    return found, [*_untold(rows, options, len(found)), *words]


def _untold(rows: Rows, options: ReadOptions, count: int) -> list[str]:
    """What is to be said of pulls that were found without a throttle that tells full load."""
    if _told_by_throttle(rows, options.finder):
        return []
    if "throttle" in rows.values and np.isfinite(rows.values["throttle"]).any():
        return [
            "the throttle stands open for most of the log while boost is low, as on engines that are not throttled: "
            "pulls were looked for by engine speed and boost. Log the pedal, or name it under [channels]: throttle"
        ]
    if count < 2:
        return []
    return ["no throttle or pedal to go by: pulls were told by engine speed and boost. Look at each; log the pedal"]


def _median(values: FloatArray | None, rows: slice) -> float | None:
    if values is None:
        return None
    known = values[rows][np.isfinite(values[rows])]
    return float(np.median(known)) if known.size else None


def _conditions(rows: Rows, part: slice, reading: BoostReading) -> Conditions:
    return Conditions(
        barometer_kpa=reading.barometer_kpa,
        barometer_from=reading.barometer_from,
        intake_c=_median(rows.values.get("intake_c"), part),
        coolant_c=_median(rows.values.get("coolant_c"), part),
    )


def _pull(rows: Rows, span: Span, whole: dict[str, float], reading: BoostReading, options: ReadOptions) -> FoundPull:
    part = slice(span.trace_first, span.trace_last + 1)
    intervals = intervals_in(rows, span, whole)
    row_s = float(np.median(np.diff(rows.time_s[part])))
    own = trace_of(rows, span, intervals, row_s)
    trace = with_left_out(rows, span, own)
    conditions = _conditions(rows, part, reading)
    evidence = Evidence(
        span=span,
        time_s=rows.time_s,
        rpm=rows.rpm,
        boost_kpa=rows.boost_kpa,
        absolute_kpa=rows.boost_kpa + reading.barometer_kpa if reading.kind == "absolute" else None,
        throttle_pct=rows.values.get("throttle"),
        fullest_pct=rows.fullest_pct,
        row_s=row_s,
        interval_s=intervals,
        conditions=conditions,
        others=options.others,
        judged=options.judged,
        key_on_gap_kpa=reading.key_on_gap_kpa,
        earlier=options.earlier,
        put_back=put_back(own, trace),
        unread=words_in(rows, span),
    )
    quality = judge(evidence)
    judged = options.judged
    early = judged is not None and float(rows.rpm[part].max()) < judged[1] - 60.0
    rate = {role: 1.0 / interval for role, interval in intervals.items() if np.isfinite(interval)}
    boost_hz = rate.get("boost", 0.0)
    arrays: dict[str, FloatArray] = {role: values[part] for role, values in rows.values.items() if role != "boost"}
    arrays["boost"] = rows.boost_kpa[part]
    return FoundPull(
        kind=span.kind,
        trace=trace,
        start_s=float(rows.time_s[span.first]),
        end_s=float(rows.time_s[span.last]),
        conditions=conditions,
        quality=quality,
        aborted=early and span.kind != "held rpm",
        rate_hz=rate,
        guard_findings=_guard_findings(rows, part, options),
        watched=tuple(name for name in options.guards if _watches(guarded_role(name), arrays)),
        channels=arrays,
        channel_time_s=rows.time_s[part],
        overshoot_resolvable=boost_hz >= OVERSHOOT_HZ,
        oscillation_resolvable=boost_hz >= OSCILLATION_HZ,
        unseen_kpa=unseen_kpa(trace, boost_hz >= OVERSHOOT_HZ),
    )


def _watches(role: str, channels: Mapping[str, FloatArray]) -> bool:
    """Whether a guard had readings of its channel in a pull."""
    return role in channels and bool(readings(role, channels["boost"], channels[role]).any())


def _guard_findings(rows: Rows, part: slice, options: ReadOptions) -> tuple[GuardFinding, ...]:
    """Findings of all guards in a pull, also in rows whose engine speed or boost is not known: drawn between then."""
    found: list[GuardFinding] = []
    time, beside, within = rows.time_s[part], rows.beside, rows.beside.within(part)
    for name, guard in options.guards.items():
        role = guarded_role(name)
        if role not in rows.values:
            continue
        more = within & np.isfinite(beside.values[role])
        place, at_s = beside.before[more] - part.start, beside.time_s[more]
        rpm, boost = (
            np.insert(own, place, np.interp(at_s, time, own)) for own in (rows.rpm[part], rows.boost_kpa[part])
        )
        values = np.insert(rows.values[role][part], place, beside.values[role][more])
        found += watch(role, guard, np.insert(time, place, at_s), rpm, boost, values)
    return tuple(sorted(found, key=lambda item: item.kind != "passed"))


def _compared(pulls: list[FoundPull], options: ReadOptions) -> list[FoundPull]:
    """Each pull's temperatures held against the other pulls of the same log, where the day has no others."""
    if options.others or len(pulls) < 3:
        return pulls
    conditions = [pull.conditions for pull in pulls]
    few = len(pulls) <= MOST_COMPARED
    usual = usual_temperatures(conditions)
    return [
        replace(
            pull,
            quality=compared(
                pull.quality,
                pull.conditions,
                usual_temperatures([*conditions[:k], *conditions[k + 1 :]]) if few else usual,
            ),
        )
        for k, pull in enumerate(pulls)
    ]


def _rescue_lone_partial(pulls: list[FoundPull]) -> list[FoundPull]:
    """A log's only full-load run, cut short, is still evidence up to where it ended."""
    if not pulls or any(pull.kind != "partial" for pull in pulls):
        return pulls
    best = max(range(len(pulls)), key=lambda k: float(np.ptp(pulls[k].trace.rpm)))
    pull = pulls[best]
    remarks = [
        Remark("ends early", f"{r.text}, but it is all there is: it counts up to where it ended", r.time_s)
        if r.code == "partial"
        else r
        for r in pull.quality.remarks
    ]
    return [*pulls[:best], replace(pull, quality=Quality.of(remarks), aborted=True), *pulls[best + 1 :]]


def _nothing_found(rows: Rows, options: ReadOptions) -> str:
    """Why no pull was found, in words."""
    finder = options.finder
    throttle = rows.values.get("throttle")
    if throttle is not None and np.isfinite(throttle).any():
        least = full_load_pct(throttle[np.isfinite(throttle)], finder)
        seen = f"throttle reaches {np.nanmax(throttle):.0f} %, full load is from {least or 0:.0f} %"
    else:
        seen = "no throttle to go by, so a rise of engine speed was looked for"
    return (
        f"no pull found: engine speed lies between {rows.rpm.min():.0f} and {rows.rpm.max():.0f} rpm, {seen}; "
        f"expected a rise of {finder.least_rise_rpm:.0f} rpm in {finder.least_length_s:g} s or more without a drop "
        f"over {finder.largest_drop_rpm:.0f} rpm. Log a whole pull at full throttle"
    )
