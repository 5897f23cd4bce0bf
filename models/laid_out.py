"""Pulls laid out for the surrogate: which ones a fit uses, how far each is believed, and where they lie on its grid."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.evidence import Observation
from models.settings import Knob
from models.units import FloatArray, kelvin_from_celsius

#: Of every second point of the grid a pull must have this many, or all of its points count.
FEW = 4
#: Intake air this far from that last known is another season's; what is nearer is heat soak. [°C]
ANOTHER_SEASON_C = 15.0
#: A barometer this far from another pull's means another altitude, or much other weather. [kPa]
ANOTHER_ALTITUDE_KPA = 2.0
#: Most pulls that a fit uses; of more, the latest and the most different ones.
MOST_PULLS = 16


@dataclass(frozen=True)
class Evidence:
    """Pulls laid out for the fit. ``y`` and what follows have one entry for each boost value, N in all."""

    settings: FloatArray  # (pulls, 6)
    numbers: FloatArray  # (pulls,)
    air: FloatArray  # (pulls,) logarithm of the barometer over that last known, 0 where a pull's is unknown
    warmth: FloatArray  # (pulls,) the same of the intake air's absolute temperature, 0 where it is much alike as well
    mask: npt.NDArray[np.bool_]  # (pulls, M): which boost counts
    y: FloatArray  # (N,)
    noise: FloatArray  # (N,) standard deviation of the curve
    slope: FloatArray  # (N,) boost per u
    pull: npt.NDArray[np.int64]  # (N,) row of settings
    point: npt.NDArray[np.int64]  # (N,) grid point


def rows_of(pulls: Sequence[Observation]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Rows, boost and its standard deviation of pulls, as ``lay_out`` takes them. Shapes (n, 8), (n,), (n,)

    The smooth curve is surer than one sample. One that rings under gain is known to its swing's rms only.
    """
    rows, boost, noise = [np.empty((0, 8))], [np.empty(0)], [np.empty(0)]
    for pull in pulls:
        known = pull.curve.reached
        count = int(known.sum())
        knobs = np.tile(pull.settings.as_array(), (count, 1))
        rows.append(np.column_stack([knobs, pull.curve.rpm[known], np.full(count, float(pull.number))]))
        boost.append(pull.curve.boost_kpa[known])
        smooth = 0.35 * pull.noise_kpa + 0.25
        noise.append(np.full(count, np.hypot(smooth, pull.rung_kpa / np.sqrt(2.0))))
    return np.concatenate(rows), np.concatenate(boost), np.concatenate(noise)


def lay_out(
    rows: FloatArray,
    boost: FloatArray,
    noise: FloatArray,
    grid_rpm: FloatArray,
    grid_u: FloatArray,
    barometer_kpa: Mapping[float, float],
    intake_c: Mapping[float, float],
) -> Evidence:
    """Put every pull on a grid. Points more than half a spacing away from any value stay empty.

    Neighbouring points say nearly the same, so every second one counts, and all of a pull that has few.

    Args:
        rows: Six knobs, rpm, number of the pull. Shape (n, 8)
        boost, noise: Boost and its standard deviation. Shape (n,), [kPa gauge], [kPa]
        grid_rpm, grid_u: The grid in rpm and in shares of the judged range. Shape (M,)
        barometer_kpa: Ambient pressure by number of the pull, where known. [kPa absolute]
        intake_c: Temperature of the intake air by number of the pull, where known. [°C]
    """
    spacing = grid_rpm[1] - grid_rpm[0]
    settings, numbers, mask, values, deviations, slopes = [], [], [], [], [], []
    groups, which = np.unique(rows[:, [7, 0, 1, 2, 3, 4, 5]], axis=0, return_inverse=True)
    for i, group in enumerate(groups):
        mine = np.ravel(which) == i
        order = np.argsort(rows[mine, 6], kind="stable")
        rpm, kpa, sd = rows[mine, 6][order], boost[mine][order], noise[mine][order]
        near = np.min(np.abs(grid_rpm[:, None] - rpm[None, :]), axis=1) <= 0.55 * spacing
        if near[::2].sum() >= FEW:
            near[1::2] = False
        curve = np.interp(grid_rpm, rpm, kpa)
        settings.append(group[1:])
        numbers.append(group[0])
        mask.append(near)
        values.append(curve[near])
        deviations.append(np.interp(grid_rpm, rpm, sd)[near])
        slopes.append(np.gradient(curve, grid_u)[near])
    if not settings:
        none = np.empty(0)
        nowhere = np.empty(0, dtype=np.int64)
        flat = np.empty((0, grid_rpm.size), dtype=bool)
        return Evidence(np.empty((0, 6)), none, none, none, flat, none, none, none, nowhere, nowhere)
    grid_mask = np.array(mask)
    pull, point = np.nonzero(grid_mask)
    return Evidence(
        settings=np.array(settings),
        numbers=np.array(numbers),
        air=_over_the_last(numbers, barometer_kpa),
        warmth=_warmth(numbers, intake_c),
        mask=grid_mask,
        y=np.concatenate(values),
        noise=np.concatenate(deviations),
        slope=np.concatenate(slopes),
        pull=pull,
        point=point,
    )


def _over_the_last(numbers: Sequence[float], values: Mapping[float, float]) -> FloatArray:
    """Logarithm of each pull's value over that last known; 0 where a pull's is unknown. Shape (pulls,)"""
    ratio = np.array([values.get(number, np.nan) for number in numbers]) / _last(numbers, values)
    return np.where(np.isfinite(ratio), np.log(np.where(np.isfinite(ratio), ratio, 1.0)), 0.0)


def _last(numbers: Sequence[float], values: Mapping[float, float]) -> float:
    """Value of the latest of the pulls of which one is known; NaN where none is."""
    return values.get(max((number for number in numbers if number in values), default=np.nan), np.nan)


def _warmth(numbers: Sequence[float], intake_c: Mapping[float, float]) -> FloatArray:
    """Logarithm of each pull's absolute intake temperature over that last known, where another season made it."""
    ratio = _over_the_last(numbers, {number: float(kelvin_from_celsius(value)) for number, value in intake_c.items()})
    last = _last(numbers, intake_c)
    apart = np.array([abs(intake_c.get(number, np.nan) - last) > ANOTHER_SEASON_C for number in numbers])
    return np.where(apart, ratio, 0.0)


def most_telling(observations: Sequence[Observation], knobs: Mapping[str, Knob]) -> list[Observation]:
    """Pulls to fit: all trusted ones, or the first, the latest half and the most different of the rest.

    A run at held rpm is one pull, however many duties it shows. At the end of the grid it has fewer points than the
    three under which a pull that was aborted says too little.
    """
    trusted = [
        pull for pull in observations if pull.trusted and pull.curve.reached.sum() >= (1 if pull.held_rpm else 3)
    ]
    numbers = list(dict.fromkeys(pull.number for pull in trusted))
    if len(numbers) <= MOST_PULLS:
        return trusted
    widths = np.array([max(knob.upper - knob.lower, 1e-9) for knob in knobs.values()])
    runs = [[pull.settings.as_array() for pull in trusted if pull.number == number] for number in numbers]
    places = np.array([np.mean(run, axis=0) for run in runs]) / widths
    chosen = [0, *range(len(numbers) - MOST_PULLS // 2, len(numbers))]
    distance = np.min(np.linalg.norm(places[:, None] - places[None, chosen], axis=2), axis=1)
    while len(chosen) < MOST_PULLS:
        distance[chosen] = -1.0
        far = int(np.argmax(distance))
        chosen.append(far)
        distance = np.minimum(distance, np.linalg.norm(places - places[far], axis=1))
    kept = {numbers[i] for i in chosen}
    return [pull for pull in trusted if pull.number in kept]
