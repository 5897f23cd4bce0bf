"""Boost held against the last log of the same layout: what that log settles, and where it has to be asked instead."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from models.units import STANDARD_ATMOSPHERE_KPA, kpa_in
from recommender.logs.errors import LogError
from recommender.logs.options import Remembered
from recommender.logs.table import Column

#: A reading is clearly nearer to the last log than another where its logarithm of the ratio is under this part of it.
CLEARLY = 0.5


def unit_as_before(column: Column, was: str, fitting: Sequence[str], before: Remembered, file_name: str) -> str:
    """Why a column without a unit may be read in the unit of the last log.

    Args:
        column: The boost column.
        was: Unit of the last log.
        fitting: Units in which the numbers make sense as boost.
        before: The last log.
        file_name: For messages.
    Returns:
        The reason, in words.
    Raises:
        LogError: the numbers speak for another unit.
    """
    where = f"{file_name}, column {column.label!r}: no unit in this log; in {before.source} it was {was}"
    ask = "State it in the job file: [channels] boost_unit"
    top = float(np.quantile(column.known, 0.999))
    if was not in fitting:
        if not fitting:
            raise LogError(f'{where}, but its numbers (up to {top:g}) fit no unit of boost. {ask} = "{was}".')
        could = f"fit {' or '.join(fitting)}{'' if len(fitting) > 1 else ' alone'}"
        raise LogError(f'{where}, but its numbers (up to {top:g}) {could}. {ask} = "{fitting[0]}" (or "{was}").')
    zero = STANDARD_ATMOSPHERE_KPA if before.channels.boost_is == "absolute" else 0.0
    tops = {name: top * kpa_in(name) - zero for name in fitting}
    nearest = _nearest(tops, before.highest_kpa, was)
    if nearest is not None and tops[nearest] != tops[was]:
        raise LogError(
            f"{where}. Its highest would be {tops[was]:.0f} kPa gauge in {was} and {tops[nearest]:.0f} in {nearest}, "
            f'after {before.highest_kpa:.0f} there: it may be either. {ask} = "{nearest}" (or "{was}").'
        )
    return f"no unit given; in {was} as in {before.source}, which fits the numbers"


def confirm_kind(column: Column, tops_kpa: Mapping[str, float], before: Remembered, file_name: str) -> None:
    """Ask where gauge or absolute, as in the last log, is the less likely of the two.

    Args:
        column: The boost column.
        tops_kpa: Highest boost if it is ``gauge`` and if it is ``absolute``. [kPa gauge]
        before: The last log, of which gauge or absolute is known.
        file_name: For messages.
    Raises:
        LogError: read the other way, the highest boost is nearer to that of the last log.
    """
    was = str(before.channels.boost_is)
    nearest = _nearest(tops_kpa, before.highest_kpa, was)
    if nearest not in (None, was):
        raise LogError(
            f"{file_name}, column {column.label!r}: {was} in {before.source}. Read so, its highest would be "
            f"{tops_kpa[was]:.0f} kPa gauge, and {tops_kpa[str(nearest)]:.0f} if it is {nearest}, after "
            f"{before.highest_kpa:.0f} there: it may be either. "
            f'State it in the job file: [channels] boost_is = "{nearest}" (or "{was}").'
        )


def unlike_before(column: Column, unit: str, kind: str, before: Remembered | None) -> list[str]:
    """That a log states another unit, or gauge instead of absolute, than the last one, in words; else nothing.

    Args:
        column: The boost column.
        unit, kind: What it was taken for.
        before: The last log, None where there is none.
    """
    if before is None or (before.channels.boost_unit, before.channels.boost_is) == (unit, kind):
        return []
    was = ", ".join(word for word in (before.channels.boost_unit, before.channels.boost_is) if word)
    return [f"{column.label}: read as {unit}, {kind}; in {before.source}, with the same headings, it was {was}"]


def _nearest(tops_kpa: Mapping[str, float], before_kpa: float, was: str) -> str | None:
    """Under which reading the highest boost is nearest to that of the last log, by their ratio; the last log's own
    reading, ``was``, unless another is clearly nearer.

    Returns:
        None where nothing can be compared.
    """
    able = {name: top for name, top in tops_kpa.items() if top > 0.0}
    if not able or not before_kpa > 0.0:
        return None
    far = {name: abs(math.log(top / before_kpa)) for name, top in able.items()}
    nearest = min(far, key=lambda name: far[name])
    # Boost also falls: back to the spring alone, or in a pull that was lifted early.
    return was if was in far and far[nearest] > CLEARLY * far[was] else nearest
