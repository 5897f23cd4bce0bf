"""Whether a pull can be trusted: taken, taken with a warning, or refused, each with the reason and the moment."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

import numpy as np

from models.units import FloatArray
from recommender.logs.boost import FAR_UNDER_KPA
from recommender.logs.conditions import conditions
from recommender.logs.evidence import Evidence, Quality, Remark
from recommender.logs.gauge_top import noisy, off_scale, pinned, without_rpm
from recommender.logs.load import inferred
from recommender.logs.tracing import slipping

#: Engine speed swept between two real samples: worth a warning, and too much. [rpm]
STEP_WARN_RPM: Final = 150.0
STEP_MOST_RPM: Final = 600.0
#: A leap of engine speed under full load by this much within this time is no sweep. [rpm], [s]
LEAP_RPM: Final = 600.0
LEAP_S: Final = 0.4
#: Gauge and barometer may differ this much with the engine at rest. [kPa]
KEY_ON_KPA: Final = 3.0
#: Fewest real samples of boost in a pull.
FEWEST_SAMPLES: Final = 6
#: Real rates under these hide short spikes, and ringing of 1 to 3 Hz. [Hz]
OVERSHOOT_HZ: Final = 7.0
OSCILLATION_HZ: Final = 7.0


Check = Callable[[Evidence], Iterator[Remark]]


def _longest_equal(values: FloatArray) -> tuple[int, int]:
    """First row and length of the longest run of one value."""
    edges = np.concatenate([[0], np.flatnonzero(np.diff(values) != 0) + 1, [values.size]])
    lengths = np.diff(edges)
    place = int(np.argmax(lengths))
    return int(edges[place]), int(lengths[place])


def frozen(evidence: Evidence) -> Iterator[Remark]:
    """A channel that stops changing although it usually does."""
    time = evidence.time_s[evidence.rows]
    for role, values in (("rpm", evidence.rpm), ("boost", evidence.boost_kpa)):
        if role == "rpm" and evidence.span.kind == "held rpm":
            continue
        part = values[evidence.rows]
        start, length = _longest_equal(part)
        seconds = float(time[min(start + length, time.size - 1)] - time[start])
        usual = max(evidence.interval_s[role], evidence.row_s)
        if not np.isfinite(usual) or float(np.ptp(part)) == 0:
            yield Remark("frozen", f"{role} never changes: {part[0]:g} throughout", float(time[0]), refuses=True)
        elif role == "rpm" and seconds > max(8 * usual, 0.25 * evidence.seconds):
            yield Remark(
                "frozen",
                f"engine speed stands at {part[start]:.0f} rpm for {seconds:.1f} s",
                float(time[start]),
                refuses=True,
            )
        elif part[start] == part.max() and role == "boost":
            continue  # at its top: that is for the check of a pinned gauge
        elif seconds > 12 * usual and noisy(part, start, start + length - 1):
            yield Remark(
                "frozen",
                f"boost stands at exactly {part[start]:.1f} kPa for {seconds:.1f} s while it moves everywhere else: "
                "what it did then is not in the log",
                float(time[start]),
                refuses=seconds > 0.3 * evidence.seconds,
            )


def gaps(evidence: Evidence) -> Iterator[Remark]:
    """Rows missing within the pull."""
    time = evidence.time_s[evidence.rows]
    steps = np.diff(time)
    limit = max(4.0 * evidence.row_s, 0.12)
    holes = np.flatnonzero(steps > limit)
    if not holes.size:
        return
    worst = int(holes[np.argmax(steps[holes])])
    swept = abs(float(evidence.rpm[evidence.rows][worst + 1] - evidence.rpm[evidence.rows][worst]))
    count = "a gap in the log of" if holes.size == 1 else f"{holes.size} gaps in the log, the longest"
    text = f"{count} {steps[worst]:.2f} s and {swept:.0f} rpm wide"
    far = steps[worst] > 0.2 * evidence.seconds and swept > STEP_WARN_RPM
    yield Remark("dropped samples", text, float(time[worst]), refuses=bool(far or swept > 1.5 * STEP_MOST_RPM))


def slow(evidence: Evidence) -> Iterator[Remark]:
    """Too few real samples for the sweep."""
    if evidence.span.kind == "held rpm":
        return
    interval = max(evidence.row_s, *(evidence.interval_s[role] for role in ("boost", "rpm")))
    if not np.isfinite(interval):
        return
    rpm = evidence.rpm[evidence.rows]
    swept = float(np.ptp(rpm)) / max(evidence.seconds, 1e-9) * interval
    samples = evidence.seconds / interval
    start = float(evidence.time_s[evidence.span.trace_first])
    if swept > STEP_MOST_RPM or samples < FEWEST_SAMPLES:
        plural = "" if round(samples) == 1 else "s"
        yield Remark(
            "too slow a log",
            f"{samples:.0f} real sample{plural} in the pull, {swept:.0f} rpm apart: the sweep is too fast for a log of "
            f"{1 / interval:.1f} Hz",
            start,
            refuses=samples < 4 or swept > STEP_MOST_RPM,
        )
    elif swept > STEP_WARN_RPM:
        yield Remark("slow log", f"real samples are {swept:.0f} rpm apart ({1 / interval:.1f} Hz)", start)
    rate = 1.0 / max(evidence.interval_s["boost"], evidence.row_s)
    hidden = [word for word, least in (("overshoot", OVERSHOOT_HZ), ("ringing", OSCILLATION_HZ)) if rate < least]
    if hidden:
        yield Remark(
            "unresolvable",
            f"boost is really sampled {rate:.1f} times a second: {' and '.join(hidden)} cannot be seen in this log",
            start,
        )


def throttle(evidence: Evidence) -> Iterator[Remark]:
    """Throttle that is not all the way open."""
    if evidence.throttle_pct is None:
        return
    part = evidence.throttle_pct[evidence.span.first : evidence.span.last + 1]
    highest, known = evidence.fullest_pct, part[np.isfinite(part)]
    middle = float(np.median(known)) if known.size else highest
    if highest < 70.0 and highest > 6.0:
        yield Remark("throttle not full", f"throttle reads {highest:.0f} % at the most: is that full?", None)
    elif middle < 0.93 * highest:
        yield Remark(
            "throttle not full",
            f"throttle at {middle:.0f} %, {highest:.0f} % elsewhere in the log",
            float(evidence.time_s[evidence.span.first]),
        )


def drawn(evidence: Evidence) -> Iterator[Remark]:
    """Boost far under ambient at full load, as of a gauge with its sign the other way round."""
    part = slice(evidence.span.trace_first, evidence.span.sweep_last + 1)
    rpm, boost = evidence.rpm[part], evidence.boost_kpa[part]
    level = float(np.median(boost[rpm >= 0.5 * (float(rpm.min()) + float(rpm.max()))]))
    if level < -FAR_UNDER_KPA:
        yield Remark(
            "under ambient",
            f"boost stands at {level:.0f} kPa in the upper half of the pull, far under ambient, as no engine draws at "
            "full load: look at the sensor, and whether the column is that of a vacuum or has its sign the other way",
            float(evidence.time_s[evidence.span.trace_first]),
            refuses=True,
        )


def slip(evidence: Evidence) -> Iterator[Remark]:
    """Engine speed that jumps: tyre or roller slip, or a bad rpm signal."""
    if evidence.span.kind == "held rpm":
        return
    time, rpm = evidence.time_s[evidence.rows], evidence.rpm[evidence.rows]
    count = evidence.span.sweep_last - evidence.span.trace_first + 1
    away = slipping(time[:count], rpm[:count])
    if away.any():
        rows = np.flatnonzero(away)
        yield Remark(
            "slip",
            f"engine speed jumps off its line from {time[rows[0]]:.2f} to {time[rows[-1]]:.2f} s, up to "
            f"{rpm[rows].max():.0f} rpm: tyre or roller slip, or a bad rpm signal; those readings were left out",
            float(time[rows[0]]),
        )
        return
    changed = np.concatenate([[0], np.flatnonzero(np.diff(rpm) != 0) + 1])
    if changed.size < 8:
        return
    steps, spans = np.diff(rpm[changed]), np.diff(time[changed])
    sweep = float(rpm[-1] - rpm[0]) / max(evidence.seconds, 1e-9)
    excess = steps - sweep * spans
    spread = 1.4826 * float(np.median(np.abs(excess - np.median(excess))))
    jumps = np.flatnonzero(np.abs(excess) > max(150.0, 8.0 * spread, 2.5 * sweep * float(np.median(spans))))
    if jumps.size:
        worst = int(jumps[np.argmax(np.abs(excess[jumps]))])
        yield Remark(
            "slip",
            f"engine speed jumps by {steps[worst]:.0f} rpm between two samples: "
            "tyre or roller slip, or a bad rpm signal",
            float(time[changed[worst]]),
        )


def shift_within(evidence: Evidence) -> Iterator[Remark]:
    """Engine speed that leaps up and goes on from there: a gear shift down, or a clutch that slips."""
    if evidence.span.kind != "sweep":
        return
    rows = slice(evidence.span.trace_first, evidence.span.sweep_last + 1)
    time, rpm = evidence.time_s[rows], evidence.rpm[rows]
    slip_rows = slipping(time, rpm)
    ahead = np.minimum(np.searchsorted(time, time + LEAP_S, side="right") - 1, time.size - 1)
    begun = time > time[0] + 1.5 * LEAP_S  # a leap into the pull is no part of it
    rise = np.where(slip_rows | slip_rows[ahead] | ~begun, 0.0, rpm[ahead] - rpm)
    if not begun.any():
        return
    usual = float(np.median(rise[begun]))
    row = int(np.argmax(rise))
    if rise[row] > max(LEAP_RPM, 6.0 * usual):
        yield Remark(
            "shift within",
            f"engine speed leaps from {rpm[row]:.0f} to {rpm[ahead[row]]:.0f} rpm within {LEAP_S:g} s "
            "and goes on from there: a gear shift down or a slipping clutch within the pull. Hold one gear",
            float(time[row]),
            refuses=True,
        )


def coverage(evidence: Evidence) -> Iterator[Remark]:
    """Judged range not covered."""
    if evidence.judged is None:
        return
    rpm = evidence.rpm[evidence.rows]
    low, high = float(rpm.min()), float(rpm.max())
    first, last = evidence.judged
    if evidence.span.kind == "held rpm":
        return
    if high < last - 60.0:
        word = "ends" if evidence.span.ending != "throttle lifted" else "is lifted"
        yield Remark(
            "ends early",
            f"the pull {word} at {high:.0f} rpm, before the judged range's end at {last:.0f}: it counts up to there",
            float(evidence.time_s[evidence.span.trace_last]),
        )
    if low > first + 60.0:
        yield Remark(
            "begins late",
            f"the pull begins at {low:.0f} rpm, after the judged range's start at {first:.0f}",
            float(evidence.time_s[evidence.span.trace_first]),
        )


def short(evidence: Evidence) -> Iterator[Remark]:
    """Too little of a sweep."""
    if evidence.span.kind != "partial":
        return
    rpm = evidence.rpm[evidence.rows]
    yield Remark(
        "partial",
        f"engine speed rises by {float(np.ptp(rpm)):.0f} rpm in {evidence.seconds:.1f} s: too little for a pull",
        float(evidence.time_s[evidence.span.first]),
        refuses=True,
    )


def shift(evidence: Evidence) -> Iterator[Remark]:
    """A gear shift just before."""
    if evidence.span.after_shift:
        yield Remark(
            "after shift", "begins after a gear shift under full load", float(evidence.time_s[evidence.span.first])
        )


def key_on(evidence: Evidence) -> Iterator[Remark]:
    """Gauge and barometer that disagree with the engine at rest."""
    gap = evidence.key_on_gap_kpa
    if gap is not None and abs(gap) > KEY_ON_KPA:
        yield Remark(
            "gauge and barometer disagree",
            f"with the engine at rest the boost gauge reads {gap:+.1f} kPa against the barometer: "
            "check hose and calibration",
        )


CHECKS: Final[tuple[Check, ...]] = (
    short, off_scale, pinned, without_rpm, frozen, drawn, gaps, slow, throttle, inferred, slip, shift_within, coverage,
    shift, key_on, conditions,
)  # fmt: skip


def judge(evidence: Evidence) -> Quality:
    """Verdict on one pull."""
    return Quality.of([remark for check in CHECKS for remark in check(evidence)])
