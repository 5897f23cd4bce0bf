"""Settings as a user gives them, checked and completed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from numbers import Real
from typing import Any, Final

import numpy as np

from models.curve import Trace
from models.settings import KNOB_NAMES, Settings
from recommender.job import Job
from recommender.job.knob_checks import WIDEST
from recommender.job.schema import nearest

#: Boost counts as regulated from this much above engagement. [kPa]
CLEAR_KPA: Final = 5.0
#: Logged and dialled duty may differ by this much: controllers correct it for heat, gear and the like. [points]
UNLIKE: Final = 5.0
#: Duty under this is none. [%]
NO_DUTY: Final = 1.0
#: Beginning of the remark that duty is not what is said to have been dialled in.
OWN_DUTY: Final = "The log's own duty reads"


class SettingsError(ValueError):
    """Settings that do not exist, or that no controller can have."""


def checked(job: Job, given: Mapping[str, float]) -> dict[str, float]:
    """Settings in the job's units to the project's, each by itself.

    Values off the dial or out of the knob's range pass: a pull is recorded as what it was.

    Raises:
        SettingsError: unknown knob, not a number, or outside what the knob could ever be.
    """
    inside: dict[str, float] = {}
    value: Any  # whatever a program gives, a table's own kinds of number too
    for name, value in given.items():
        if name not in KNOB_NAMES:
            raise SettingsError(f'no knob "{name}".{nearest(str(name), KNOB_NAMES)} Knobs: {", ".join(KNOB_NAMES)}.')
        if isinstance(value, bool) or not isinstance(value, Real) or not math.isfinite(value):
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


def unlike_logged(run: Settings, trace: Trace) -> str:
    """That the duty of a log is not what is said to have been dialled in, as a sentence; else "".

    Only where boost stands clearly above engagement: under it controllers log full duty, or none. With gain, which
    moves duty, only where the log has none at all. A log of what the solenoid is closed for, 100 % less duty, is none
    either.

    Args:
        run: What is said to have been dialled in.
        trace: The sweep.
    """
    if trace.duty_pct is None:
        return ""
    clear = trace.boost_kpa > max(run.engagement, 0.5 * float(trace.boost_kpa.max())) + CLEAR_KPA
    if np.count_nonzero(clear) < 10:
        return ""
    logged, wanted = trace.duty_pct[clear], np.array(run.effective_duty(trace.rpm[clear]))
    if min(abs(float(np.median(each - wanted))) for each in (logged, 100.0 - logged)) <= UNLIKE:
        return ""
    if run.gain > 0.0 and logged.max() >= NO_DUTY:
        return ""
    said, seen = (
        f"{each.min():.0f} to {each.max():.0f} %" if np.ptp(each) >= 1.0 else f"{each.mean():.0f} %"
        for each in (wanted, np.quantile(logged, [0.05, 0.95]))
    )
    return (
        f"{OWN_DUTY} {seen} where {said} is on record as dialled in. If other settings were run, "
        "withdraw this pull and add its log with those."
    )


def completed(job: Job, given: Mapping[str, float], last: Settings) -> Settings:
    """All six settings: those given, the others as last dialled; what the job file fixes, as it fixes it.

    Raises:
        SettingsError: the ramp would end before it begins.
    """
    fixed = {name: dial.knob.lower for name, dial in job.dials.items() if dial.fixed}
    run = Settings(**(last.as_dict() | fixed | dict(given)))
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
