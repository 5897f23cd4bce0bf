"""The page at the dyno: served from this machine, everything in the package, no network needed."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

__all__ = ["PageError", "serve"]


class PageError(ValueError):
    """The page cannot be opened as asked."""


def serve(
    job_path: str | Path,
    *,
    host: str = "127.0.0.1",
    port: int = 8765,
    token: str | None = None,
    watch_folder: str | Path | None = None,
    open_browser: bool = False,
    storage: str | None = None,
    announce: Callable[[str], None] = print,
) -> None:
    """Open the page of a job and keep it open until interrupted.

    Args:
        job_path: The job file, or a folder that holds one.
        host: Address to listen on. Anything but the loopback address needs a token.
        port: Port to listen on; 0 for any free one.
        token: What a visitor must know; made up, and told, where the address is not loopback and none is given.
        watch_folder: Folder into which the logger writes: logs that appear there are taken.
        open_browser: Open the page in the browser of this machine.
        storage: As for ``Session.open``.
        announce: Is told the address, and what else the user must know.
    Raises:
        PageError: the address is taken or not ours, the token is too short, or there is no such folder.
        JobError, RecordError: as ``Session.open`` does.
    """
    from recommender.page.server import Page

    page = Page(job_path, host=host, port=port, token=token, watch_folder=watch_folder, storage=storage)
    with contextlib.closing(page), _ended_by_signals():
        for line in page.lines():
            announce(line)
        page.run(open_browser=open_browser)


@contextlib.contextmanager
def _ended_by_signals() -> Iterator[None]:
    """An interrupt or a termination ends the page in good order: the log in hand is finished, nothing is left over."""

    def end(*_: object) -> None:
        raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, end)
    try:
        with contextlib.suppress(KeyboardInterrupt):
            yield
    finally:
        signal.signal(signal.SIGTERM, before)
