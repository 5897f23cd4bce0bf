"""The figures of page, sheet and README, as Plotly figures.

Each curve has a dash or a width of its own and is named where it ends, so that no figure needs its colours to be read:
they are those of M. Okabe and K. Ito, "Color universal design" (2008), which all kinds of colour vision tell apart. The
role of a trace stands in its ``meta``, that of a shape or a note in its ``name``; ``recommender.figures.svg`` draws the
same figures without a browser.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import plotly.graph_objects as go

from models.units import FloatArray
from recommender.figures.draft import Draft
from recommender.figures.palettes import LIGHT, Palette

if TYPE_CHECKING:
    from recommender.job.checks import TargetWanted
    from recommender.session import PullResult, Step
    from recommender.why.explanation import KnobEffect


def outlook(step: Step, wanted: TargetWanted, pulls: Sequence[PullResult] = (), palette: Palette = LIGHT) -> go.Figure:
    """What is expected of a step: target, pulls so far, predicted band and limit over rpm.

    Args:
        step: The step; its band in the job's unit.
        wanted: The target it serves.
        pulls: Oldest first: the last one is drawn strong, those before it thin.
        palette: Colours.
    """
    draft = Draft(step.unit, palette)
    draft.band(step.band.rpm, step.band.low, step.band.mean, step.band.high)
    draft.pulls(pulls)
    draft.target(wanted)
    draft.limit(step.limit)
    draft.done(wanted)
    return draft.figure


def outcome(step: Step, pull: PullResult, wanted: TargetWanted, palette: Palette = LIGHT) -> go.Figure:
    """A prediction and what happened: the pull drawn over the band, points outside the band marked.

    Args:
        step: The step that proposed the pull's settings.
        pull: The pull.
        wanted: The target that the step served.
        palette: Colours.
    """
    draft = Draft(step.unit, palette)
    draft.band(step.band.rpm, step.band.low, step.band.mean, step.band.high)
    draft.halo(pull.rpm, _outside(step, pull))
    draft.pull(f"pull {pull.number}", pull)
    draft.target(wanted)
    draft.limit(step.limit)
    draft.done(wanted)
    return draft.figure


def measured(
    pulls: Sequence[PullResult], wanted: TargetWanted, limit: float, unit: str, palette: Palette = LIGHT
) -> go.Figure:
    """Pulls so far against target and limit, without any prediction. As ``outlook``; pressures in ``unit``, gauge"""
    draft = Draft(unit, palette)
    draft.pulls(pulls)
    draft.target(wanted)
    draft.limit(limit)
    draft.done(wanted)
    return draft.figure


def before_after(
    first: PullResult | None,
    final: PullResult | None,
    wanted: TargetWanted,
    limit: float,
    unit: str,
    palette: Palette = LIGHT,
) -> go.Figure:
    """The first pull and the one whose settings stand, with target and limit. Pressures in ``unit``, gauge"""
    draft = Draft(unit, palette)
    compared = first is not None and (final is None or first.number != final.number)
    if first is not None and compared:
        draft.first(f"before: pull {first.number}", first)
    if final is not None:
        draft.pull(f"{'now: ' if compared else ''}pull {final.number}", final)
    draft.target(wanted)
    draft.limit(limit)
    draft.done(wanted)
    return draft.figure


def peaks(pulls: Sequence[PullResult], limit: float, unit: str, palette: Palette = LIGHT) -> go.Figure:
    """Highest boost of every pull against the limit. Pressures in ``unit``, gauge"""
    draft = Draft(unit, palette)
    numbers = np.array([pull.number for pull in pulls], dtype=float)
    highest = np.array([pull.peak for pull in pulls])
    draft.dots("highest boost", numbers, highest)
    draft.limit(limit, first=0.5, last=(numbers.max() if numbers.size else 1.0) + 0.5)
    draft.done_over_pulls(numbers)
    return draft.figure


def knob_effect(effect: KnobEffect, unit: str, palette: Palette = LIGHT) -> go.Figure:
    """What turning one knob alone does to boost over rpm: a small picture, the change with its 90 % range.

    Args:
        effect: From an explanation; one that is not fixed.
        unit: The job's pressure unit.
        palette: Colours.
    """
    draft = Draft(unit, palette)
    draft.band(effect.rpm, effect.low, effect.mean, effect.high, name="")
    draft.small(effect.rpm)
    return draft.figure


def _outside(step: Step, pull: PullResult) -> FloatArray:
    """Boost of a pull where it left the predicted band, NaN where it kept to it or nothing was predicted."""
    if step.band.rpm.size == 0 or pull.rpm.size == 0:
        return np.full(pull.rpm.shape, np.nan)
    low = np.interp(pull.rpm, step.band.rpm, step.band.low, left=np.nan, right=np.nan)
    high = np.interp(pull.rpm, step.band.rpm, step.band.high, left=np.nan, right=np.nan)
    return np.where((pull.boost < low) | (pull.boost > high), pull.boost, np.nan)
