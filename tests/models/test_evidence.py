"""What counts as the noise that ringing is held against."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.curve import Curve
from models.evidence import Observation, quiet_kpa
from models.settings import Settings

IDLE = Settings(0.0, 4500.0, 6500.0, 0.0, 0.0, 0.0)
FED_BACK = replace(IDLE, gain=2.0)


def pull(number: int, roughness_kpa: float, settings: Settings = IDLE) -> Observation:
    rpm = np.arange(3900.0, 6701.0, 50.0)
    return Observation(number, settings, Curve(rpm, np.full(rpm.size, 80.0)), 81.0, 80.5, roughness_kpa=roughness_kpa)


def test_noise_is_that_of_the_whole_pulls_without_gain_that_can_be_relied_on() -> None:
    calm = [pull(1, 0.5), pull(2, 0.9), pull(3, 0.7)]
    assert quiet_kpa(calm, FED_BACK) == 0.7
    others = [
        pull(4, 9.0, FED_BACK),
        replace(pull(5, 9.0), trusted=False),
        replace(pull(6, 0.01), complete=False),
        pull(7, float("nan")),
    ]
    assert quiet_kpa([*calm, *others], FED_BACK) == 0.7


def test_the_highest_boost_is_that_of_trace_or_curve() -> None:
    """A record may hold a curve whose trace was read lower: what counts against the limit is the higher of them."""
    assert pull(1, 0.5).highest_kpa == 81.0
    assert replace(pull(1, 0.5), peak_kpa=79.0).highest_kpa == 80.0


def test_the_least_gain_of_a_controller_that_cannot_do_without_counts_as_none() -> None:
    least = replace(IDLE, gain=1.0)
    assert quiet_kpa([pull(1, 0.5, least), pull(2, 9.0, FED_BACK)], FED_BACK, 1.0) == 0.5
    assert quiet_kpa([pull(1, 0.5, least)], least, 1.0) == np.inf


def test_nothing_is_told_apart_without_gain_or_without_such_a_pull() -> None:
    assert quiet_kpa([pull(1, 0.5)], IDLE) == np.inf
    assert quiet_kpa([pull(1, 0.5, FED_BACK)], FED_BACK) == np.inf
    assert quiet_kpa([replace(pull(1, 0.5), complete=False)], FED_BACK) == np.inf
