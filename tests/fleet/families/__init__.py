"""Families of virtual cars that the bench plays: each has kinds, a way to make a car with its job, and pulls.

``own`` are the project's virtual cars (``models.fleet``); the others stand on equations of their own, so that the
method is not only tried on what it was made with.
"""

from __future__ import annotations

import os
from pathlib import Path

import models

_HERE = Path(__file__).parent
_MODELS = ("virtual_car.py", "engine.py", "controller.py", "car_parts.py", "air.py")


def sources(family: str) -> list[Path]:
    """Files on which the cars of a family rest: what was worked out from other ones is out of date."""
    own = [Path(models.__file__).with_name(name) for name in _MODELS] if family == "own" else []
    return [*own, _HERE / "seat.py", *sorted(_HERE.glob(f"{family}*.py"))]


def cache_root() -> Path:
    """Folder in which the bench keeps what is long to work out."""
    folder = os.environ.get("NEXTPULL_BENCH_CACHE")
    return Path(folder) if folder else Path.home() / ".cache" / "nextpull-bench"
