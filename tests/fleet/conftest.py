"""Cars for the tests of families."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.fleet.seats import FAMILY, Job, jobs_named

#: Seeds other than 1 that are quick to make: the first car drawn has a job that can be done.
QUICK_SEEDS = {"kept: soft spring": 5, "kept: touchy": 4, "kept: sticky gate": 6, "kept: cam switch": 5}


@pytest.fixture(scope="session")
def jobs_of() -> Callable[[str], list[Job]]:
    """One job of each kind of a family."""

    def jobs(family: str) -> list[Job]:
        kinds = [f"{family}: {kind}" for kind in FAMILY[family].kinds]
        return jobs_named([(kind, QUICK_SEEDS.get(kind, 1)) for kind in kinds])

    return jobs
