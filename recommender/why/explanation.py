"""What ``why`` answers: plain frozen values, pressures in the job's unit, gauge; every sentence is ready to show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from models.units import FloatArray
from recommender.decide.step import Reason


@dataclass(frozen=True)
class PullEvidence:
    """A pull that the step was made from, or that was on record and left out.

    Attributes:
        number: Its number.
        fitted: Whether the surrogate was fitted to it.
        weight: Its share in the prediction: how far the prediction moves when this pull alone is left out, over the
            sum of that for all fitted pulls. 0 to 1
        moves: How far that is, root mean square over the judged range. [job's unit]
        text: All that as a sentence.
    """

    number: int
    fitted: bool
    weight: float
    moves: float
    text: str


@dataclass(frozen=True)
class Constant:
    """Something learnt about the car, as a 90 % range.

    Attributes:
        code: Stable short word group: ``floor``, ``dead band``, ``duty worth``, ``ceiling``, ``spool`` …
        low, high: Ends of the range.
        unit: psi, kPa, bar, rpm, %, or "".
        narrowed: Share by which the pulls have narrowed what was assumed before the first one. 0 (nothing) to 1, NaN
            where it cannot be told
        text: As a sentence.
    """

    code: str
    low: float
    high: float
    unit: str
    narrowed: float
    text: str


@dataclass(frozen=True)
class KnobEffect:
    """What one knob alone does from the settings of the step.

    Attributes:
        knob: Its name.
        fixed: True where the controller lacks it or it cannot move: the arrays are empty then.
        start, moved: Value of the step, and the value that the picture shows. [job's unit]
        rpm: Grid of the picture. [rpm]
        mean, low, high: Change of boost from ``start`` to ``moved``: mean and 90 % range. [job's unit]
        values: Values that are allowed next, through the whole span. [job's unit]
        deviations, risks: Expected deviation [job's unit] and risk [-] at each of them, the other knobs as in the step.
        text: As a sentence.
    """

    knob: str
    fixed: bool
    start: float
    moved: float
    rpm: FloatArray = field(repr=False)
    mean: FloatArray = field(repr=False)
    low: FloatArray = field(repr=False)
    high: FloatArray = field(repr=False)
    values: FloatArray = field(repr=False)
    deviations: FloatArray = field(repr=False)
    risks: FloatArray = field(repr=False)
    text: str


@dataclass(frozen=True)
class Tightest:
    """Where the expected curve comes nearest to the limit.

    Attributes:
        rpm: There. [rpm]
        high: Upper end of the band there. [job's unit]
        peak_high: Highest boost of the pull that is passed with 5 % probability.
        margin: Limit minus ``peak_high``.
        limit: Overpressure limit.
        text: As a sentence.
    """

    rpm: float
    high: float
    peak_high: float
    margin: float
    limit: float
    text: str


@dataclass(frozen=True)
class RuledOutStep:
    """A step that was looked at and not taken."""

    settings: Mapping[str, float]
    deviation: float
    risk: float
    ruled_out_by: str
    text: str


@dataclass(frozen=True)
class Outcome:
    """A prediction and what came of it. Pressures in the job's unit.

    Attributes:
        pull, step: Numbers of the pull and of the step that predicted it.
        hit: Whether band and peak held.
        inside: Share of the curve's points inside the 90 % band. [-]
        points: How many points were compared.
        predicted_peak, peak: Highest boost, expected and seen.
        predicted_deviation, deviation: Expected and seen; the latter NaN for an aborted pull.
        rpm, mean, low, high: The band.
        seen: Boost of the pull on the same grid, NaN where it did not reach.
        text: As a sentence.
    """

    pull: int
    step: int
    hit: bool
    inside: float
    points: int
    predicted_peak: float
    peak: float
    predicted_deviation: float
    deviation: float
    rpm: FloatArray = field(repr=False)
    mean: FloatArray = field(repr=False)
    low: FloatArray = field(repr=False)
    high: FloatArray = field(repr=False)
    seen: FloatArray = field(repr=False)
    text: str


@dataclass(frozen=True)
class Tally:
    """How often the predictions held over the job.

    Attributes:
        predicted, hits: Pulls that were run as proposed, and those in which band and peak held.
        points: Mean share of a curve inside its 90 % band; NaN before there is one. [-]
        texts: As sentences, the one on widening after a miss included.
    """

    predicted: int
    hits: int
    points: float
    texts: tuple[str, ...]


@dataclass(frozen=True)
class Explanation:
    """Why a step is what it is.

    Attributes:
        step: Number of the step; 0 for one that is not on record.
        target: Name of its target.
        verdict: Its verdict.
        unit: The job's pressure unit.
        reasons: Reasons that the step gave.
        evidence: Pulls used and left out.
        constants: What was learnt about the car.
        effects: One for each of the six knobs.
        tightest: Where the limit is nearest.
        binding: Caps and gates that held the step back.
        alternatives: Best ones ruled out.
        would_change: What would change the answer.
        last: How the last prediction before this step turned out; None where there was none.
        outcomes: All predictions before this step that were run.
        trust: Counted over ``outcomes``.
    """

    step: int
    target: str
    verdict: str
    unit: str
    reasons: tuple[Reason, ...]
    evidence: tuple[PullEvidence, ...]
    constants: tuple[Constant, ...]
    effects: tuple[KnobEffect, ...]
    tightest: Tightest
    binding: tuple[Reason, ...]
    alternatives: tuple[RuledOutStep, ...]
    would_change: tuple[Reason, ...]
    last: Outcome | None
    outcomes: tuple[Outcome, ...]
    trust: Tally
