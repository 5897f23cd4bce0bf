"""Family ``own``: the project's virtual cars (``models.fleet``), asked for pulls as the other families are."""

from __future__ import annotations

from collections.abc import Sequence

from models import fleet
from models.settings import Settings
from tests.fleet.families.seat import Run

KINDS = fleet.KINDS
make_many = fleet.make_many


def simulate(
    cars: Sequence[fleet.FleetCar],
    settings: Sequence[Settings],
    _seeds: Sequence[int],
    numbers: Sequence[int],
    *,
    repeatable: bool = False,
) -> list[Run]:
    """One pull of each car, all at once; numbers from 1. The fleet knows the chance of each car's session itself."""
    runs = fleet.pull_all(cars, settings, [number - 1 for number in numbers], repeatable=repeatable)
    return [Run(run.trace, run.true_rpm, run.true_boost_kpa) for run in runs]
