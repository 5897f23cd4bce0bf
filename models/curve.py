"""Boost over rpm: the curve of a pull, the target, and the measures read off them.

All boost is kPa gauge. A curve lives on an even rpm grid; points that the pull did not reach are NaN.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import optimize, signal

from models.units import FloatArray

#: Least and widest half-width of the local straight-line fit that turns a trace into a curve. [rpm]
NARROWEST_RPM: Final = 40.0
WIDEST_RPM: Final = 250.0
#: Samples this far apart in the mean leave too few for a local fit at some points. [rpm]
SPARSE_RPM: Final = 120.0
#: Share of the target at which boost counts as having arrived.
ARRIVED: Final = 0.9
#: Band in which boost oscillation is looked for. [Hz]
OSCILLATION_BAND_HZ: Final = (0.6, 10.0)


def _read_only(values: npt.ArrayLike) -> FloatArray:
    array = np.array(values, dtype=float)
    array.flags.writeable = False
    return array


@dataclass(frozen=True)
class Target:
    """Boost wanted at each rpm: straight lines between points, flat outside them.

    Attributes:
        rpm: Rising engine speeds of the points. Shape (k,), [rpm]
        boost_kpa: Boost wanted there. Shape (k,), [kPa gauge]
        judge_from, judge_to: Range over which deviation is measured. [rpm]
    """

    rpm: FloatArray
    boost_kpa: FloatArray
    judge_from: float
    judge_to: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "rpm", _read_only(self.rpm))
        object.__setattr__(self, "boost_kpa", _read_only(self.boost_kpa))
        if self.rpm.shape != self.boost_kpa.shape or self.rpm.ndim != 1 or self.rpm.size < 1:
            raise ValueError(
                f"target rpm and boost must be lists of one length, but got {self.rpm.size} and {self.boost_kpa.size}"
            )
        if np.any(np.diff(self.rpm) <= 0):
            raise ValueError(f"target rpm must rise, but got {self.rpm.tolist()}")
        if not self.judge_from < self.judge_to:
            raise ValueError(f"judge_from < judge_to must hold, but got {self.judge_from:g} and {self.judge_to:g} rpm")

    def at(self, rpm: npt.ArrayLike) -> FloatArray:
        """Boost wanted at each rpm. [kPa gauge], shape of ``rpm``"""
        wanted: FloatArray = np.interp(np.asarray(rpm, dtype=float), self.rpm, self.boost_kpa)
        return wanted

    def judged(self, rpm: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Which rpm lie in the judged range. Shape of ``rpm``"""
        engine_rpm = np.asarray(rpm, dtype=float)
        return (engine_rpm >= self.judge_from - 1e-6) & (engine_rpm <= self.judge_to + 1e-6)

    def grid(self, spacing_rpm: float = 50.0) -> FloatArray:
        """Even rpm grid from the first to the last point, wide enough for the judged range. [rpm]"""
        first = spacing_rpm * np.floor(min(self.rpm[0], self.judge_from) / spacing_rpm)
        last = spacing_rpm * np.ceil(max(self.rpm[-1], self.judge_to) / spacing_rpm)
        return np.arange(first, last + spacing_rpm / 2, spacing_rpm)


@dataclass(frozen=True)
class Trace:
    """What a logger recorded during one pull, and nothing before or after it.

    Attributes:
        time_s: Rising time. Shape (n,), [s]
        rpm: Engine speed. Shape (n,), [rpm]
        boost_kpa: Boost. Shape (n,), [kPa gauge]
        duty_pct: Duty where it was logged. Shape (n,), [%]
    """

    time_s: FloatArray
    rpm: FloatArray
    boost_kpa: FloatArray
    duty_pct: FloatArray | None = None

    def __post_init__(self) -> None:
        for name in ("time_s", "rpm", "boost_kpa"):
            object.__setattr__(self, name, _read_only(getattr(self, name)))
        if self.duty_pct is not None:
            object.__setattr__(self, "duty_pct", _read_only(self.duty_pct))
        lengths = {self.time_s.size, self.rpm.size, self.boost_kpa.size}
        if len(lengths) != 1:
            raise ValueError(f"time, rpm and boost must have one length, but got {sorted(lengths)}")
        if self.time_s.size < 4:
            raise ValueError(f"a pull needs at least 4 samples, but got {self.time_s.size}")
        if np.any(np.diff(self.time_s) <= 0):
            raise ValueError("time must rise from sample to sample")

    @property
    def rate_hz(self) -> float:
        """Median sample rate. [Hz]"""
        return float(1.0 / np.median(np.diff(self.time_s)))


@dataclass(frozen=True)
class Curve:
    """Boost on an even rpm grid.

    Attributes:
        rpm: Grid. Shape (m,), [rpm]
        boost_kpa: Boost, NaN where the pull did not reach. Shape (m,), [kPa gauge]
        noise_kpa: Standard deviation of the trace about the curve. [kPa]
    """

    rpm: FloatArray
    boost_kpa: FloatArray
    noise_kpa: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "rpm", _read_only(self.rpm))
        object.__setattr__(self, "boost_kpa", _read_only(self.boost_kpa))
        if self.rpm.shape != self.boost_kpa.shape:
            raise ValueError(f"rpm and boost must have one length, but got {self.rpm.size} and {self.boost_kpa.size}")

    @property
    def reached(self) -> npt.NDArray[np.bool_]:
        """Grid points at which there is boost to read. Shape (m,)"""
        return np.isfinite(self.boost_kpa)

    def at(self, rpm: FloatArray) -> FloatArray:
        """Boost at other rpm, NaN where the pull did not go. [kPa gauge], shape of ``rpm``"""
        known = self.reached
        if known.sum() < 2:
            return np.full(rpm.shape, np.nan)
        boost = np.interp(rpm, self.rpm[known], self.boost_kpa[known], left=np.nan, right=np.nan)
        return np.asarray(boost, dtype=float)


def _local_lines(x: FloatArray, y: FloatArray, at: FloatArray, half_width: float) -> tuple[FloatArray, FloatArray]:
    """Straight lines fitted by least squares with tricube weights around each point of ``at``.

    W. S. Cleveland, "Robust locally weighted regression", J. Am. Stat. Assoc. 74 (1979): the weights and the idea.

    Returns:
        Value and slope at each point, NaN where fewer than three samples carry weight. Shapes of ``at``
    """
    distance = (x[None, :] - at[:, None]) / half_width
    weight = np.clip(1.0 - np.abs(distance) ** 3, 0.0, None) ** 3
    total = weight.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_x = (weight @ x) / total
        mean_y = (weight @ y) / total
        centred = x[None, :] - mean_x[:, None]
        spread = np.sum(weight * centred**2, axis=1)
        slope = np.sum(weight * centred * (y[None, :] - mean_y[:, None]), axis=1) / spread
        value = mean_y + slope * (at - mean_x)
    thin = (np.count_nonzero(weight > 1e-6, axis=1) < 3) | ~np.isfinite(value)
    return np.where(thin, np.nan, value), np.where(thin, np.nan, slope)


def _between_samples(
    trace: Trace, grid_rpm: FloatArray, value: FloatArray, slope: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Straight lines between samples where they lie too far apart for a local fit. Shapes of ``grid_rpm``"""
    rpm, first = np.unique(trace.rpm, return_index=True)
    boost = trace.boost_kpa[first]
    lines = np.interp(grid_rpm, rpm, boost, left=np.nan, right=np.nan)
    steps = np.diff(boost) / np.diff(rpm)
    rise = steps[np.clip(np.searchsorted(rpm, grid_rpm, side="right") - 1, 0, steps.size - 1)]
    thin = np.isnan(value)
    return np.where(thin, lines, value), np.where(thin, rise, slope)


def half_width_rpm(trace: Trace) -> float:
    """Half-width of the local fit for a trace: about nine samples wide, within the limits above. [rpm]"""
    swept = float(np.ptp(trace.rpm)) / max(trace.rpm.size - 1, 1)
    return float(np.clip(4.5 * swept, NARROWEST_RPM, WIDEST_RPM))


def curve_of(trace: Trace, grid_rpm: FloatArray, *, gauge_lag_s: float = 0.0) -> Curve:
    """The curve of a pull on a grid.

    Noise is treated by local straight lines over rpm. A gauge that follows boost with a first-order lag reads
    ``p - lag * dp/dt``; the lag is taken back by adding it to the fitted value with the slope of the same fit, never
    by differencing single samples.

    Args:
        trace: The pull.
        grid_rpm: Even grid. Shape (m,), [rpm]
        gauge_lag_s: Known lag of the gauge, 0 where it is not known. [s]
    Returns:
        Curve with NaN outside the rpm that the trace covers.
    """
    width = half_width_rpm(trace)
    value, slope = _local_lines(trace.rpm, trace.boost_kpa, grid_rpm, width)
    if np.ptp(trace.rpm) > SPARSE_RPM * (trace.rpm.size - 1):
        value, slope = _between_samples(trace, grid_rpm, value, slope)
    sweep, _ = np.polyfit(trace.time_s - trace.time_s[0], trace.rpm, 1)
    boost = value + gauge_lag_s * max(float(sweep), 0.0) * np.nan_to_num(slope)
    margin = 0.25 * width
    outside = (grid_rpm < trace.rpm.min() - margin) | (grid_rpm > trace.rpm.max() + margin)
    boost = np.where(outside, np.nan, boost)
    return Curve(grid_rpm, boost, noise_kpa=noise_of(trace))


def beyond_kpa(whole: Curve, last_rpm: float) -> float:
    """By how much boost past an rpm, up to the end of the pull, stands above boost at that rpm. [kPa]

    Args:
        whole: Curve over all that the pull covers.
        last_rpm: One of its grid's points: the end of the range that is fitted.
    Returns:
        Negative where boost only falls; NaN where the pull does not go past that rpm, or does not reach it.
    """
    known = whole.boost_kpa[whole.reached]
    past = whole.rpm[whole.reached] - last_rpm
    at = np.abs(past) < 1e-6
    if not at.any() or not (past > 1e-6).any():
        return float("nan")
    return float(known[past > 1e-6].max() - known[at][0])


def noise_of(trace: Trace) -> float:
    """Standard deviation of the fast part of the trace, from second differences. [kPa]

    A straight line has none; white noise of standard deviation s gives second differences of s * sqrt(6).
    The median makes it blind to a few spikes.
    """
    second = np.diff(trace.boost_kpa, n=2)
    return float(1.4826 * np.median(np.abs(second - np.median(second))) / np.sqrt(6.0))


def peak_of(trace: Trace) -> tuple[float, float]:
    """Highest boost of the raw trace, spikes included, and the rpm at which it stood. [kPa gauge], [rpm]"""
    top = int(np.argmax(trace.boost_kpa))
    return float(trace.boost_kpa[top]), float(trace.rpm[top])


def sustained_peak_kpa(trace: Trace) -> float:
    """Highest boost with single-sample noise taken out: a parabola fitted over about 0.12 s. [kPa gauge]

    Equal to the raw peak where the log is too slow for that.
    """
    window = round(0.12 * trace.rate_hz) | 1
    if window < 5 or window > trace.boost_kpa.size:
        return float(trace.boost_kpa.max())
    return float(signal.savgol_filter(trace.boost_kpa, window, 2).max())


def deviation_kpa(curve: Curve, target: Target) -> float:
    """Root mean square of boost minus target over the judged range, on the even grid. [kPa]

    NaN where the pull covers less than nine tenths of the judged range.
    """
    judged = target.judged(curve.rpm)
    error = (curve.boost_kpa - target.at(curve.rpm))[judged]
    known = np.isfinite(error)
    if known.sum() < 0.9 * judged.sum() or not known.any():
        return float("nan")
    return float(np.sqrt(np.mean(error[known] ** 2)))


def overshoot_kpa(trace: Trace, target: Target) -> float:
    """Most by which the raw trace stood above the target in the judged range or before it; 0 if never. [kPa]"""
    before_end = trace.rpm <= target.judge_to
    if not before_end.any():
        return 0.0
    above = (trace.boost_kpa - target.at(trace.rpm))[before_end]
    return float(max(above.max(), 0.0))


def spool_rpm(curve: Curve, target: Target) -> float:
    """First rpm at which boost stands at nine tenths of the target wanted at judge_from; NaN if never. [rpm]"""
    level = ARRIVED * float(target.at(target.judge_from))
    known = curve.reached
    rpm, boost = curve.rpm[known], curve.boost_kpa[known]
    there = np.flatnonzero(boost >= level)
    if there.size == 0:
        return float("nan")
    first = int(there[0])
    if first == 0:
        return float(rpm[0])
    share = (level - boost[first - 1]) / (boost[first] - boost[first - 1])
    return float(rpm[first - 1] + share * (rpm[first] - rpm[first - 1]))


def droop_kpa(curve: Curve, target: Target) -> float:
    """How far boost, held against the target, falls from the first half of the judged range to its last tenth. [kPa]

    Medians of both parts; positive where boost falls off, negative where it creeps up; NaN where either is not covered.
    """
    error = curve.boost_kpa - target.at(curve.rpm)
    span = target.judge_to - target.judge_from
    known = curve.reached & target.judged(curve.rpm)
    first = known & (curve.rpm <= target.judge_from + span / 2)
    last = known & (curve.rpm >= target.judge_to - span / 10)
    if not first.any() or not last.any():
        return float("nan")
    return float(np.median(error[first]) - np.median(error[last]))


def roughness_kpa(trace: Trace, curve: Curve, target: Target) -> float:
    """Root mean square of the trace about its curve over the judged range: the gauge's noise, and ringing, which the
    curve smooths away. NaN where nothing of that range is covered. [kPa]
    """
    about, _ = _about(trace, curve, target)
    return float(np.sqrt(np.mean(about**2))) if about.size else float("nan")


def ripple_kpa(trace: Trace, curve: Curve, target: Target, quiet_kpa: float) -> float:
    """By how much ringing that the curve smooths away puts up the deviation: the root of the difference of squares.

    It is what the trace's mean square distance from the target has over the curve's, the gauge's noise taken off. What
    is left of the ringing in the curve, beside a trend of third degree, counts with what is not. [kPa]

    Args:
        trace, curve, target: The pull.
        quiet_kpa: Roughness that is the gauge's noise; 0 is returned where the trace is not rougher.
    """
    about, off = _about(trace, curve, target)
    beyond = float(np.mean(about**2)) - quiet_kpa**2 if about.size else 0.0
    if beyond <= 0.0:
        return 0.0
    place = np.linspace(-1.0, 1.0, off.size)
    left = off - np.polynomial.Polynomial.fit(place, off, min(3, off.size - 1))(place)
    return float(np.sqrt(max(beyond + 2.0 * float(np.mean(about * left)), 0.0)))


def _about(trace: Trace, curve: Curve, target: Target) -> tuple[FloatArray, FloatArray]:
    """Samples of the judged range less the curve, and the curve there less the target. [kPa], shapes (k,)"""
    known = curve.reached
    rpm, boost = curve.rpm[known], curve.boost_kpa[known]
    covered = target.judged(trace.rpm)
    covered &= (trace.rpm >= rpm[0]) & (trace.rpm <= rpm[-1]) if rpm.size else False
    smooth = np.interp(trace.rpm[covered], rpm, boost) if rpm.size else np.empty(0)
    return trace.boost_kpa[covered] - smooth, smooth - target.at(trace.rpm[covered])


@dataclass(frozen=True)
class Oscillation:
    """Ringing of boost about its trend.

    Attributes:
        amplitude_kpa: Half of the swing. [kPa]
        frequency_hz: [Hz]; NaN where nothing stands out of the noise
        resolvable: False where the log is too slow or too short to tell
    """

    amplitude_kpa: float
    frequency_hz: float
    resolvable: bool

    @property
    def standing_kpa(self) -> float:
        """Amplitude where a frequency stands out of the noise, else 0. [kPa]"""
        return self.amplitude_kpa if np.isfinite(self.frequency_hz) else 0.0


def oscillation_of(time_s: FloatArray, boost_kpa: FloatArray, *, trend_degree: int = 3) -> Oscillation:
    """Strongest sinusoid about a polynomial trend: periodogram first, then least squares on its frequency.

    Args:
        time_s: Even or nearly even time. Shape (n,), [s]
        boost_kpa: Boost or any signal. Shape (n,), [kPa]
        trend_degree: Degree of the trend taken out.
    Returns:
        Amplitude and frequency. A peak of the periodogram under twelve times its median counts as noise.
    """
    count = time_s.size
    span = float(time_s[-1] - time_s[0]) if count > 1 else 0.0
    lowest, highest = OSCILLATION_BAND_HZ
    rate = (count - 1) / span if span > 0 else 0.0
    lowest = max(lowest, 1.5 / span) if span > 0 else lowest
    highest = min(highest, 0.4 * rate)
    if count < 16 or highest <= lowest * 1.2:
        return Oscillation(0.0, float("nan"), resolvable=False)
    scaled = 2.0 * (time_s - time_s[0]) / span - 1.0
    trend = np.polynomial.Polynomial.fit(scaled, boost_kpa, trend_degree)
    rest = boost_kpa - trend(scaled)
    even = np.interp(np.linspace(time_s[0], time_s[-1], count), time_s, rest)
    frequency, power = signal.periodogram(even, fs=rate, window="hann", nfft=4 * count, detrend="constant")
    band = (frequency >= lowest) & (frequency <= highest)
    if not band.any() or not np.any(power[band] > 0):
        return Oscillation(0.0, float("nan"), resolvable=True)
    start = float(frequency[band][np.argmax(power[band])])

    def misfit(trial_hz: float) -> float:
        return float(np.sum((rest - _sinusoid(time_s, rest, trial_hz)[0]) ** 2))

    bin_hz = 1.0 / span
    found = optimize.minimize_scalar(
        misfit, bounds=(max(start - bin_hz, 1e-3), start + bin_hz), method="bounded", options={"xatol": 1e-6}
    )
    _, amplitude = _sinusoid(time_s, rest, float(found.x))
    if float(power[band].max()) < 12.0 * float(np.median(power[frequency >= lowest])):
        return Oscillation(amplitude, float("nan"), resolvable=True)
    return Oscillation(amplitude, float(found.x), resolvable=True)


def _sinusoid(time_s: FloatArray, values: FloatArray, frequency_hz: float) -> tuple[FloatArray, float]:
    """Best sinusoid of one frequency by linear least squares: its values and its amplitude."""
    angle = 2.0 * np.pi * frequency_hz * (time_s - time_s[0])
    columns = np.column_stack([np.cos(angle), np.sin(angle), np.ones_like(angle)])
    weights, *_ = np.linalg.lstsq(columns, values, rcond=None)
    return columns @ weights, float(np.hypot(weights[0], weights[1]))


@dataclass(frozen=True)
class StepMeasures:
    """Measures of a response to a step, as control engineers define them.

    Attributes:
        overshoot_pct: Highest value above the final one, in percent of the step.
        peak_time_s: Time of the highest value. [s]
        rise_time_s: From 10 to 90 % of the step. [s]
        settling_time_s: Last time outside 2 % of the step. [s]
        time_63_s: Time to 63.2 % of the step. [s]
    """

    overshoot_pct: float
    peak_time_s: float
    rise_time_s: float
    settling_time_s: float
    time_63_s: float


def step_measures(time_s: FloatArray, value: FloatArray, initial: float, final: float) -> StepMeasures:
    """Measures of a recorded step response. Time is from the first sample.

    Raises:
        ValueError: ``initial`` equals ``final``.
    """
    if initial == final:
        raise ValueError("initial and final must differ for a step response")
    share = (np.asarray(value, dtype=float) - initial) / (final - initial)
    elapsed = np.asarray(time_s, dtype=float) - time_s[0]

    def first_crossing(level: float) -> float:
        above = np.flatnonzero(share >= level)
        if above.size == 0:
            return float("nan")
        i = int(above[0])
        if i == 0:
            return float(elapsed[0])
        part = (level - share[i - 1]) / (share[i] - share[i - 1])
        return float(elapsed[i - 1] + part * (elapsed[i] - elapsed[i - 1]))

    outside = np.flatnonzero(np.abs(share - 1.0) > 0.02)
    top = int(np.argmax(share))
    return StepMeasures(
        overshoot_pct=float(max(share[top] - 1.0, 0.0) * 100.0),
        peak_time_s=float(elapsed[top]),
        rise_time_s=first_crossing(0.9) - first_crossing(0.1),
        settling_time_s=float(elapsed[outside[-1]]) if outside.size else 0.0,
        time_63_s=first_crossing(1.0 - np.exp(-1.0)),
    )


def repeatability_kpa(first: Curve, second: Curve) -> float:
    """Standard deviation of one pull, from two equal pulls: root mean square difference over the square root of two.

    NaN where they share no rpm. [kPa]
    """
    difference = first.boost_kpa - second.boost_kpa
    known = np.isfinite(difference)
    if not known.any():
        return float("nan")
    return float(np.sqrt(np.mean(difference[known] ** 2) / 2.0))


@dataclass(frozen=True)
class Measures:
    """What is read off one pull.

    Attributes:
        peak_kpa, peak_rpm: Highest boost of the raw trace, and where. [kPa gauge], [rpm]
        sustained_peak_kpa: The same without single-sample noise. [kPa gauge]
        overshoot_kpa: Most above the target. [kPa]
        spool_rpm: Boost at nine tenths of the target. [rpm], NaN if never
        droop_kpa: Fall towards the top, held against the target. [kPa], NaN if not covered
        oscillation: Ringing after spool.
        deviation_kpa: Root mean square from the target over the judged range, ripple included. [kPa], NaN if not
            covered
        noise_kpa: Fast noise of the trace. [kPa]
        roughness_kpa: Of the trace about its curve over the judged range. [kPa], NaN if not covered
        ripple_kpa: By how much ringing beside the curve puts up the deviation, as the root of squares. [kPa]
        beyond_kpa: By how much boost past the curve's last point stands above it. [kPa], NaN if the pull ends before
        last_rpm: Highest engine speed of the pull. [rpm]
    """

    peak_kpa: float
    peak_rpm: float
    sustained_peak_kpa: float
    overshoot_kpa: float
    spool_rpm: float
    droop_kpa: float
    oscillation: Oscillation
    deviation_kpa: float
    noise_kpa: float
    roughness_kpa: float
    ripple_kpa: float
    beyond_kpa: float
    last_rpm: float
    curve: Curve = field(repr=False)


def measure(
    trace: Trace,
    target: Target,
    *,
    spacing_rpm: float = 50.0,
    gauge_lag_s: float = 0.0,
    quiet_kpa: float = float("inf"),
) -> Measures:
    """Curve and measures of a pull.

    Args:
        trace: The pull.
        target: Boost wanted.
        spacing_rpm: Of the curve's grid. [rpm]
        gauge_lag_s: Known lag of the gauge, 0 where it is not known. [s]
        quiet_kpa: Roughness that is the gauge's own noise; what goes beyond it is ringing. A log taken a few times a
            second cannot tell the two apart by itself. Infinite for a pull at the least gain: nothing rings.
    """
    grid = target.grid(spacing_rpm)
    to_end = np.arange(grid[-1] + spacing_rpm, float(trace.rpm.max()) + spacing_rpm, spacing_rpm)
    whole = curve_of(trace, np.concatenate([grid, to_end]), gauge_lag_s=gauge_lag_s)
    curve = Curve(grid, whole.boost_kpa[: grid.size], noise_kpa=whole.noise_kpa)
    # What the lag takes off a rise of boost is no ringing: noise and ringing are told about the curve as read.
    as_read = curve_of(trace, grid) if gauge_lag_s else curve
    ripple = ripple_kpa(trace, as_read, target, quiet_kpa)
    peak, peak_rpm = peak_of(trace)
    arrived = spool_rpm(curve, target)
    settled = trace.rpm >= (arrived + 150.0 if np.isfinite(arrived) else target.judge_from)
    if settled.sum() >= 16:
        ringing = oscillation_of(trace.time_s[settled], trace.boost_kpa[settled])
    else:
        ringing = Oscillation(0.0, float("nan"), resolvable=False)
    return Measures(
        peak_kpa=peak,
        peak_rpm=peak_rpm,
        sustained_peak_kpa=sustained_peak_kpa(trace),
        overshoot_kpa=overshoot_kpa(trace, target),
        spool_rpm=arrived,
        droop_kpa=droop_kpa(curve, target),
        oscillation=ringing,
        deviation_kpa=float(np.hypot(deviation_kpa(curve, target), ripple)),
        noise_kpa=curve.noise_kpa,
        roughness_kpa=roughness_kpa(trace, as_read, target),
        ripple_kpa=ripple,
        beyond_kpa=beyond_kpa(whole, float(grid[-1])),
        last_rpm=float(trace.rpm.max()),
        curve=curve,
    )
