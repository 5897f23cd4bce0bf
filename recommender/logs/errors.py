"""The one error of log intake."""

from __future__ import annotations


class LogError(ValueError):
    """A log that cannot be used.

    The message says which file and where in it, what was found, what was expected, and what to do.
    """
