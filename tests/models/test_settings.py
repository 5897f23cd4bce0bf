"""Settings, knobs, and the duty that results at an rpm."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.settings import KNOB_NAMES, Knob, Settings, effective_duty

RPM = np.linspace(1500.0, 8500.0, 71)


@st.composite
def settings_of(draw: st.DrawFn) -> Settings:
    start = draw(st.floats(2000.0, 6000.0))
    return Settings(
        draw(st.floats(0.0, 100.0)),
        start,
        start + draw(st.floats(50.0, 3000.0)),
        draw(st.floats(-30.0, 60.0)),
        draw(st.floats(0.0, 150.0)),
        draw(st.floats(0.0, 10.0)),
    )


@st.composite
def knobs(draw: st.DrawFn) -> Knob:
    lower = draw(st.floats(-50.0, 50.0))
    resolution = draw(st.sampled_from([0.1, 0.25, 0.5, 1.0, 3.447, 50.0]))
    count = draw(st.integers(1, 120))
    return Knob("duty", lower, lower + resolution * count, resolution, resolution * draw(st.integers(1, 40)))


# ------------------------------------------------------------------ effective duty


@given(settings=settings_of())
def test_duty_stays_between_shut_and_open_and_is_flat_outside_the_ramp(settings: Settings) -> None:
    duty = settings.effective_duty(RPM)
    assert np.all((duty >= 0.0) & (duty <= 100.0))
    for flat in (duty[settings.ramp_from >= RPM], duty[settings.ramp_to <= RPM]):
        assert flat.size == 0 or np.ptp(flat) < 1e-9
    rises = np.diff(duty) * np.sign(settings.ramp_add)
    assert np.all(rises >= -1e-9)


@given(settings=settings_of(), more=st.floats(0.0, 40.0))
def test_more_duty_or_ramp_is_never_less_duty_at_any_rpm(settings: Settings, more: float) -> None:
    duty = settings.effective_duty(RPM)
    assert np.all(dataclasses.replace(settings, duty=settings.duty + more).effective_duty(RPM) >= duty - 1e-9)
    assert np.all(dataclasses.replace(settings, ramp_add=settings.ramp_add + more).effective_duty(RPM) >= duty - 1e-9)
    later = dataclasses.replace(
        settings, ramp_from=settings.ramp_from + 10 * more, ramp_to=settings.ramp_to + 10 * more
    )
    assert np.all((later.effective_duty(RPM) - duty) * np.sign(settings.ramp_add) <= 1e-9)


@given(rows=st.lists(settings_of(), min_size=1, max_size=5))
def test_scalar_equals_vector(rows: list[Settings]) -> None:
    together = effective_duty(RPM, np.array([row.as_array() for row in rows]))
    assert together.shape == (len(rows), RPM.size)
    for row, duty in zip(rows, together, strict=True):
        np.testing.assert_array_equal(row.effective_duty(RPM), duty)
        assert float(row.effective_duty(float(RPM[40]))) == duty[40]


def test_engagement_and_gain_do_not_touch_the_duty() -> None:
    plain = Settings(30, 4800, 6800, 12, 0, 0)
    np.testing.assert_array_equal(
        plain.effective_duty(RPM), dataclasses.replace(plain, engagement=90, gain=8).effective_duty(RPM)
    )


# ------------------------------------------------------------------ settings


def test_settings_as_array_mapping_and_back() -> None:
    settings = Settings(20, 5000, 7000, 5, 55.2, 2)
    assert Settings.from_array(settings.as_array()) == settings
    assert Settings.from_mapping(settings.as_dict()) == settings
    assert list(settings.as_dict()) == list(KNOB_NAMES)
    with pytest.raises(dataclasses.FrozenInstanceError):
        settings.duty = 30  # type: ignore[misc]


def test_a_missing_and_an_unknown_knob_are_named() -> None:
    values = {**Settings(20, 5000, 7000, 5, 55.2, 2).as_dict(), "boost": 1.0}
    del values["gain"]
    with pytest.raises(ValueError, match=r"exactly duty, .* but missing are gain and unknown are boost"):
        Settings.from_mapping(values)


# ------------------------------------------------------------------ knobs


@given(knob=knobs(), data=st.data())
def test_positions_and_values_are_inverse(knob: Knob, data: st.DataObject) -> None:
    index = data.draw(st.integers(0, knob.count - 1))
    assert int(knob.index(float(knob.value(index)))) == index
    positions = np.arange(knob.count)
    np.testing.assert_array_equal(knob.index(knob.value(positions)), positions)
    assert knob.value(0) == pytest.approx(knob.lower, abs=1e-8)
    assert knob.value(knob.count - 1) == pytest.approx(knob.upper, abs=1e-6)


@given(knob=knobs(), value=st.floats(-500.0, 500.0))
def test_what_can_be_reached_is_in_range_and_within_one_step(knob: Knob, value: float) -> None:
    """From any value, on the grid or off it, in range or out of it."""
    low, high = knob.index_span(value)
    assert 0 <= low <= high < knob.count
    ends = knob.value(np.array([low, high]))
    if np.all(np.abs(knob.value(np.arange(knob.count)) - value) > knob.step * (1 + 1e-6)):
        assert low == high == int(knob.index(value))  # nothing within reach: the nearest value alone
    else:
        assert np.all(np.abs(ends - value) <= knob.step + 1e-5 * knob.resolution)
        for beyond in (low - 1, high + 1):  # and nothing that could be reached is left out
            if 0 <= beyond < knob.count:
                assert abs(float(knob.value(beyond)) - value) > knob.step * (1 - 1e-9)


def test_a_fixed_knob_has_one_value() -> None:
    knob = Knob("gain", 3.0, 3.0, 1.0, 1.0)
    assert knob.fixed
    assert knob.count == 1
    assert knob.index_span(99.0) == (0, 0)
    np.testing.assert_array_equal(knob.value(np.array([0, 4])), [3.0, 3.0])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("bost", 0, 1, 1, 1), "name must be one of duty, .*but got 'bost'"),
        (("duty", 5, 1, 1, 1), "duty: lower <= upper must hold, but got 5 and 1"),
        (("duty", 0, 90, 0, 1), "duty: resolution must be above 0, but got 0"),
        (("duty", 0, 90, 5, 4), r"duty: step must be at least one resolution \(5\), but got 4"),
    ],
)
def test_knobs_that_cannot_be_are_refused(arguments: tuple[str, float, float, float, float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Knob(*arguments)
