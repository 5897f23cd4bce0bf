"""Pulls of virtual cars: the engine, its gate and its controller driven through a sweep, seen through a gauge.

The result of a car depends on its own arguments only, never on what else is in the batch.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import signal

from models import air
from models.car_parts import Car, stack
from models.controller import TICK_S, ControllerBatch
from models.curve import Target, Trace
from models.engine import STEP_S, EngineBatch
from models.settings import Settings
from models.units import FloatArray

#: Unit of each channel a virtual logger records. ``boost_kpa`` is gauge, ``map_kpa`` and ``barometer_kpa`` absolute.
CHANNEL_UNITS: Final[dict[str, str]] = {
    "time_s": "s",
    "rpm": "rpm",
    "boost_kpa": "kPa gauge",
    "map_kpa": "kPa absolute",
    "barometer_kpa": "kPa absolute",
    "throttle_pct": "%",
    "duty_pct": "%",
    "lambda": "-",
    "intake_c": "°C",
    "coolant_c": "°C",
}

#: Time simulated before the recording starts, so that it starts settled. [s]
PREROLL_S: Final = 0.5
THROTTLE_LAG_S: Final = 0.06
CLOSED_OPENING: Final = 0.02
COAST_RPM_S: Final = 700.0


@dataclass(frozen=True)
class VirtualPull:
    """One pull: what the gauge saw and what was true.

    Attributes:
        trace: The sweep as logged, with lag and noise.
        channels: The whole recording, cruise and coast included; units in ``CHANNEL_UNITS``. Each shape (n,)
        true_time_s, true_rpm, true_boost_kpa: The sweep, without gauge. Shape (m,), [s], [rpm], [kPa gauge]
        true_peak_kpa: Highest boost of the whole recording. [kPa gauge]
        aborted: Whether the driver lifted before the end.
    """

    trace: Trace
    channels: Mapping[str, FloatArray]
    true_time_s: FloatArray
    true_rpm: FloatArray
    true_boost_kpa: FloatArray
    true_peak_kpa: float
    aborted: bool

    def true_curve(self, grid_rpm: npt.ArrayLike) -> FloatArray:
        """True boost at each rpm; NaN where the sweep did not get to. [kPa gauge], shape of ``grid_rpm``"""
        at = np.asarray(grid_rpm, dtype=float)
        boost: FloatArray = np.interp(at, self.true_rpm, self.true_boost_kpa, left=np.nan, right=np.nan)
        return boost

    def true_deviation_kpa(self, target: Target, spacing_rpm: float = 25.0) -> float:
        """Root mean square from the target over the judged range; NaN where the sweep does not cover it. [kPa]"""
        count = int(np.ceil((target.judge_to - target.judge_from) / spacing_rpm)) + 1
        rpm = np.linspace(target.judge_from, target.judge_to, count)
        return float(np.sqrt(np.mean((self.true_curve(rpm) - target.at(rpm)) ** 2)))


@dataclass(frozen=True)
class Recording:
    """States over time: boost at each step (m, n), the rest at each tick (k, n); end and abort of the sweep (n,)."""

    boost_kpa: FloatArray
    rpm: FloatArray
    opening: FloatArray
    duty: FloatArray
    charge_k: FloatArray
    end_s: FloatArray
    aborted: npt.NDArray[np.bool_]
    ambient_kpa: FloatArray
    step_s: float


def simulate(
    cars: Sequence[Car],
    settings: Sequence[Settings],
    seeds: Sequence[int],
    pull_numbers: Sequence[int],
    *,
    repeatable: bool = False,
    abort_above_kpa: Sequence[float] | float | None = None,
    step_s: float = STEP_S,
) -> list[VirtualPull]:
    """Drive one pull of each car.

    Args:
        cars, settings: What is driven, and what is dialled in. Length n
        seeds: Chance of each job: gauge noise and drift follow from seed and pull number. Length n
        pull_numbers: 0 for the first pull of the session. Length n
        repeatable: Leave out what differs between equal pulls: drift, heat soak and gauge noise.
        abort_above_kpa: The driver lifts when boost passes it. One for all or one a car, [kPa gauge]; None: never
        step_s: Time step; a whole number of them must make 0.01 s. [s]
    Returns:
        One pull a car, in order.
    Raises:
        ValueError: lengths differ, or the time step does not divide 0.01 s.
    """
    n = len(cars)
    if not n == len(settings) == len(seeds) == len(pull_numbers):
        raise ValueError(
            f"cars, settings, seeds and pull numbers must have one length, but got {n}, {len(settings)}, "
            f"{len(seeds)} and {len(pull_numbers)}"
        )
    if n == 0:
        return []
    per_tick = round(TICK_S / step_s)
    if per_tick < 1 or abs(per_tick * step_s - TICK_S) > 1e-9:
        raise ValueError(f"a whole number of time steps must make {TICK_S:g} s, but got a step of {step_s:g} s")
    limit = np.full(n, np.inf) if abort_above_kpa is None else np.broadcast_to(abort_above_kpa, (n,)).astype(float)
    spring, soak_k, pace = chance(cars, seeds, pull_numbers, repeatable=repeatable)
    engine = EngineBatch(cars, spring, soak_k, step_s)
    recording = drive(cars, engine, ControllerBatch(cars, settings), limit, pace)
    return [seen(recording, i, cars[i], seeds[i], pull_numbers[i], repeatable=repeatable) for i in range(n)]


def chance(
    cars: Sequence[Car], seeds: Sequence[int], pull_numbers: Sequence[int], *, repeatable: bool
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What differs between equal pulls: spring relative to nominal, heat soak [K], sweep rate relative to nominal.

    Arguments as in ``simulate``. Each shape (n,)
    """
    n = len(cars)
    spring, soak, pace = np.ones(n), np.zeros(n), np.ones(n)
    if repeatable:
        return spring, soak, pace
    for i, (car, seed, number) in enumerate(zip(cars, seeds, pull_numbers, strict=True)):
        draw = np.random.default_rng([seed, number, 1]).standard_normal(3)
        spring[i] = 1.0 + car.day.drift * draw[0]
        soak[i] = car.day.soak_k * (1.0 - np.exp(-number / 3.0)) + 1.0 * draw[1]
        pace[i] = 1.0 + 0.01 * draw[2]
    return spring, soak, pace


def drive(
    cars: Sequence[Car],
    engine: EngineBatch,
    controller: ControllerBatch,
    limit_kpa: FloatArray,
    pace: FloatArray,
) -> Recording:
    """Run engines and controllers through cruise, sweep and coast, lifting where boost passes a limit.

    Args:
        cars: The cars; of them, how the dyno is driven. Length n
        engine, controller: Their engines and controllers, as after being made.
        limit_kpa: Boost above which the driver lifts; infinite for never. Shape (n,), [kPa gauge]
        pace: Sweep rate relative to the dyno's. Shape (n,), [-]
    """
    per_tick = round(TICK_S / engine.step_s)
    d = stack([car.dyno for car in cars])
    rate = d.rate_rpm_s * pace
    sweep_s = d.cruise_s + d.hold_s
    end_s = sweep_s + (d.end_rpm - d.start_rpm) / rate
    ticks = int(np.ceil(float((end_s + d.coast_s).max()) / TICK_S)) + 1
    n, preroll = len(cars), round(PREROLL_S / TICK_S)
    boost = np.empty((ticks * per_tick, n))
    rpms, openings, duties, charge_k = (np.empty((ticks, n)) for _ in range(4))
    opening, aborted = d.cruise_opening * 1.0, np.zeros(n, dtype=bool)
    throttle_pace = -np.expm1(-TICK_S / THROTTLE_LAG_S)
    for k in range(-preroll, ticks):
        t = k * TICK_S
        lift = (engine.boost_kpa() > limit_kpa) & (t < end_s)
        if lift.any():
            aborted |= lift
            end_s = np.where(lift, t, end_s)
        turning = np.minimum(t, end_s)
        rpm = d.start_rpm + rate * np.maximum(turning - sweep_s, 0.0) - COAST_RPM_S * (t - turning)
        rpm = np.maximum(rpm, 900.0)
        wanted = np.where(t < d.cruise_s, d.cruise_opening, np.where(t < end_s, 1.0, CLOSED_OPENING))
        opening = opening + throttle_pace * (wanted - opening)
        duty = controller.duty(rpm, engine.boost_kpa())
        share = controller.share(duty)
        engine.set_speed(rpm)
        if k >= 0:
            rpms[k], openings[k], duties[k], charge_k[k] = rpm, opening, duty, engine.charge_k
        for j in range(per_tick):
            if k >= 0:
                boost[k * per_tick + j] = engine.boost_kpa()
            engine.advance(opening, share)
    return Recording(boost, rpms, openings, duties, charge_k, end_s, aborted, engine.ambient_pa / 1000.0, engine.step_s)


def seen(rec: Recording, i: int, car: Car, seed: int, number: int, *, repeatable: bool) -> VirtualPull:
    """The pull of the ``i``-th car of a recording, as its logger saw it and as it was. Arguments as in ``simulate``."""
    end_s = float(rec.end_s[i])
    sweep_s = car.dyno.cruise_s + car.dyno.hold_s
    whole_s = end_s + car.dyno.coast_s
    steps = min(int(whole_s / rec.step_s), rec.boost_kpa.shape[0])
    boost = np.ascontiguousarray(rec.boost_kpa[:steps, i])
    step_time = np.arange(steps) * rec.step_s
    tick_time = np.arange(rec.rpm.shape[0]) * TICK_S
    sweep = (step_time >= sweep_s) & (step_time <= end_s)
    true_time = step_time[sweep]
    true_rpm = np.interp(true_time, tick_time, rec.rpm[:, i])
    channels = _logged(i, car, rec, step_time, boost, np.random.default_rng([seed, number, 2]), repeatable)
    true_boost = boost[sweep]
    for values in (true_time, true_rpm, true_boost, *channels.values()):
        values.flags.writeable = False
    inside = (channels["time_s"] >= sweep_s) & (channels["time_s"] <= end_s)
    trace = Trace(*(channels[name][inside] for name in ("time_s", "rpm", "boost_kpa", "duty_pct")))
    return VirtualPull(
        trace=trace,
        channels=MappingProxyType(channels),
        true_time_s=true_time,
        true_rpm=true_rpm,
        true_boost_kpa=true_boost,
        true_peak_kpa=float(boost.max()),
        aborted=bool(rec.aborted[i]),
    )


def _logged(
    i: int,
    car: Car,
    rec: Recording,
    step_time: FloatArray,
    boost: FloatArray,
    rng: np.random.Generator,
    repeatable: bool,
) -> dict[str, FloatArray]:
    """Channels as logged: boost through lag, noise and rounding, the rest with a little noise of its own."""
    if car.gauge.lag_s > 0:
        decay = float(np.exp(-rec.step_s / car.gauge.lag_s))
        boost, _ = signal.lfilter([1.0 - decay], [1.0, -decay], boost, zi=[decay * boost[0]])
    period = 1.0 / car.gauge.rate_hz
    time = np.arange(0.0, step_time[-1], period)
    tick_time = np.arange(rec.rpm.shape[0]) * TICK_S
    noise = np.zeros((5, time.size)) if repeatable else rng.standard_normal((5, time.size))

    def at(values: FloatArray) -> FloatArray:
        return np.interp(time, tick_time, values[:, i])

    seen = np.interp(time, step_time, boost) + car.gauge.noise_kpa * noise[0]
    if car.gauge.quantum_kpa > 0:
        seen = np.round(seen / car.gauge.quantum_kpa) * car.gauge.quantum_kpa
    ambient = float(rec.ambient_kpa[i])
    load = np.clip((seen + ambient) / ambient - 0.8, 0.0, 0.5)
    return {
        "time_s": time,
        "rpm": at(rec.rpm) + 3.0 * noise[1],
        "boost_kpa": seen,
        "map_kpa": seen + ambient,
        "barometer_kpa": np.full(time.size, ambient),
        "throttle_pct": np.clip(100.0 * at(rec.opening) + 0.1 * noise[2], 0.0, 100.0),
        "duty_pct": at(rec.duty),
        "lambda": 1.0 - 0.4 * load + 0.004 * noise[3],
        "intake_c": at(rec.charge_k) - 273.15,
        "coolant_c": 88.0 + 0.25 * time + 0.2 * noise[4],
    }


def barometer_kpa(car: Car) -> float:
    """Air pressure at the car's workshop. [kPa absolute]"""
    return float(air.standard_pressure_pa(car.day.altitude_m)) / 1000.0
