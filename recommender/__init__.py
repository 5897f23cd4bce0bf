"""Log in, next settings out: the next boost-controller settings after each pull.

``Session`` is all that other programs need::

    from recommender import Session

    session = Session.open("job.toml")
    session.add_pull("pull.csv", settings={"duty": 20})
    step = session.next_step()
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from recommender.session import JobError, LogError, PullResult, RecordError, Session, Step

__all__ = ["JobError", "LogError", "PullResult", "RecordError", "Session", "Step"]


def __getattr__(name: str) -> Any:
    """Load the session only when it is asked for, so that a help text does not wait for it."""
    if name in __all__:
        from recommender import session

        return getattr(session, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
