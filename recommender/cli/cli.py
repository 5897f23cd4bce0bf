"""The command line: ``nextpull new | check | add | next | why | …``.

Exit codes: 0 done, 1 the input or job is at fault, 2 wrong usage. Commands import what is heavy when they need it.
"""

from __future__ import annotations

import contextlib
import os
import sys

from recommender.cli import loop, record
from recommender.cli.shared import app, fail

__all__ = ["app", "loop", "main", "record"]


def main() -> None:
    """Run the command line; never shows a traceback."""
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError, ValueError):
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    try:
        app()
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except OSError as error:
        fail(f"{error.filename or 'a file'}: {error.strerror or error}. What is on record: nextpull pulls JOB")
    except Exception as error:  # a fault of this program: said plainly, traceback on request
        if os.environ.get("NEXTPULL_TRACEBACK"):
            raise
        fail(
            f"a fault of this program, not of your job: {type(error).__name__}: {error}. "
            "Set NEXTPULL_TRACEBACK=1 and run it again to see where. What is on record: nextpull pulls JOB"
        )
