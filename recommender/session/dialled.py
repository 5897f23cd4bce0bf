"""Settings as a user gives them, checked and completed."""

from __future__ import annotations

import math
from collections.abc import Mapping

from models.settings import KNOB_NAMES, Settings
from recommender.job import Job
from recommender.job.knob_checks import WIDEST
from recommender.job.schema import nearest


class SettingsError(ValueError):
    """Settings that do not exist, or that no controller can have."""


def checked(job: Job, given: Mapping[str, float]) -> dict[str, float]:
    """Settings in the job's units to the project's, each by itself.

    Values off the dial or out of the knob's range pass: a pull is recorded as what it was.

    Raises:
        SettingsError: unknown knob, not a number, or outside what the knob could ever be.
    """
    inside = {}
    for name, value in given.items():
        if name not in KNOB_NAMES:
            raise SettingsError(f'no knob "{name}".{nearest(str(name), KNOB_NAMES)} Knobs: {", ".join(KNOB_NAMES)}.')
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise SettingsError(f"{name}: must be a finite number, but got {value!r}.")
        dial = job.dials[name]
        kept = dial.from_job(float(value))
        low, high = WIDEST[name]
        if not low <= kept <= high:
            unit = f" {dial.unit}" if dial.unit else ""
            raise SettingsError(
                f"{name}: {value:g}{unit} cannot be dialled on any controller. Must lie between "
                f"{dial.to_job(low):g} and {dial.to_job(high):g}{unit}; this job's dial has {dial.range_words()}."
            )
        inside[name] = kept
    return inside


def completed(job: Job, given: Mapping[str, float], last: Settings) -> Settings:
    """All six settings: those given, the others as last dialled.

    Raises:
        SettingsError: the ramp would end before it begins.
    """
    run = Settings(**(last.as_dict() | dict(given)))
    if (
        run.ramp_add != 0
        and not run.ramp_from < run.ramp_to
        and not (job.dials["ramp_from"].fixed and job.dials["ramp_to"].fixed)
    ):
        raise SettingsError(
            f"ramp_from < ramp_to must hold, but got {run.ramp_from:g} and {run.ramp_to:g} rpm: "
            "a ramp begins before it ends. Check the two as they are dialled in."
        )
    return run
