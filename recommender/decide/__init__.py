"""The decision: which settings are allowed, what they are worth, whether the gate lets them pass, and when a job ends.

The values that go in and come out are in ``step``; ``next_step`` shows the way from pulls to settings.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

from recommender.decide.step import Alternative, Band, Decision, Problem, Reason

if TYPE_CHECKING:
    from recommender.decide.next_step import decide, decide_with
    from recommender.decide.review import surrogate_for, widening
    from recommender.decide.value import expected_improvement

__all__ = [
    "Alternative",
    "Band",
    "Decision",
    "Problem",
    "Reason",
    "decide",
    "decide_with",
    "expected_improvement",
    "surrogate_for",
    "widening",
]


_HOMES: Final = {
    "decide": "next_step",
    "decide_with": "next_step",
    "expected_improvement": "value",
    "surrogate_for": "review",
    "widening": "review",
}


def __getattr__(name: str) -> Any:
    """Load the surrogate only when a step is asked for: the job file and the record need the values alone."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
