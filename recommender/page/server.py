"""A job's page while it is open: address, token, watched folder, and the server itself."""

from __future__ import annotations

import ipaddress
import secrets
import socket
import threading
import webbrowser
from pathlib import Path
from typing import Final

import uvicorn

from recommender.page import PageError, views
from recommender.page.app import make_app
from recommender.page.desk import Desk
from recommender.page.shield import LARGEST_LOG, Shield
from recommender.page.uploads import Drop
from recommender.page.watch import Lookout, WatchError, folder_to_watch
from recommender.session import Job, Session

#: Shortest token that may be chosen. [characters]
SHORTEST_TOKEN: Final = 16
_LOOPBACK: Final = frozenset(("localhost", "127.0.0.1", "[::1]"))


def is_loopback(host: str) -> bool:
    """Whether an address can be reached from this machine alone."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class Page:
    """Everything that is open while a page is served. Arguments and errors as ``recommender.page.serve``."""

    def __init__(
        self,
        job_path: str | Path,
        *,
        host: str = "127.0.0.1",
        port: int = 0,
        token: str | None = None,
        watch_folder: str | Path | None = None,
        storage: str | None = None,
    ) -> None:
        if token is not None and len(token) < SHORTEST_TOKEN:
            raise PageError(
                f"token: must have at least {SHORTEST_TOKEN} characters, but got {len(token)}. Or leave it out."
            )
        if token is not None and not all(sign.isalnum() or sign in "-_" for sign in token):
            raise PageError("token: must be letters, digits, dashes and underscores only.")
        self._folder = None if watch_folder is None else _folder(Path(watch_folder), job_path)
        self.host = host
        self.local = is_loopback(host)
        self.token = token if token or self.local else secrets.token_urlsafe(18)
        self._socket = _listen(host, port)
        self.port: int = self._socket.getsockname()[1]
        self._drop = Drop()
        try:
            self.desk = Desk(Session.open(job_path, storage), self._drop.forget)
        except BaseException:
            self._socket.close()
            self._drop.close()
            raise
        self._lookout = Lookout(self.desk, self._drop, LARGEST_LOG)
        self._folder = self._folder or self._lookout.remembered()
        app = make_app(self.desk, self._drop, self._lookout)
        # With a token, whatever name the machine has on the network will do.
        hosts = _LOOPBACK if self.local and self.token is None else frozenset()
        self._server = uvicorn.Server(
            uvicorn.Config(
                Shield(app, hosts, self.token, self.port),
                log_level="warning",
                server_header=False,
                timeout_graceful_shutdown=3,
                ws="none",
                lifespan="off",
            )
        )

    @property
    def address(self) -> str:
        """Where the page is found, token included."""
        name = f"[{self.host}]" if ":" in self.host else self.host
        if self.host in ("0.0.0.0", "::"):
            name = socket.gethostname()
        return f"http://{name}:{self.port}/" + (f"?token={self.token}" if self.token else "")

    def lines(self) -> list[str]:
        """What the user must know, address first."""
        lines = [f"{self.desk.session.job.name}: {self.address}"]
        if not self.local:
            lines.append("Anybody on this network who has the whole address, token included, can add pulls to the job.")
        if self._folder is not None:
            lines.append(f"Logs that appear in {self._folder} are taken.")
        return [*lines, "Ctrl-C ends it."]

    def run(self, *, open_browser: bool = False) -> None:
        """Serve until interrupted."""
        # What stands is worked out, and what draws it is loaded, before anybody looks.
        views.desk(self.desk, self.desk.in_hand, None, "")
        if self._folder is not None:
            self._lookout.start(self._folder)
        if open_browser:
            threading.Timer(0.3, webbrowser.open, [self.address]).start()
        self._server.run(sockets=[self._socket])

    def stop(self) -> None:
        """Let ``run`` return."""
        self._server.should_exit = True

    @property
    def started(self) -> bool:
        return self._server.started

    def close(self) -> None:
        """Let go of everything. The log in hand is finished first."""
        self._lookout.close()
        self.desk.close()
        self._drop.close()
        self._socket.close()


def _folder(wanted: Path, job_path: str | Path) -> Path:
    """The folder to watch, held to what the page asks of one; it may be named from the current folder."""
    try:
        return folder_to_watch(str(wanted.expanduser().absolute()), Job.load(job_path).folder)
    except WatchError as error:
        raise PageError(str(error)) from None


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen(64)
    except (OSError, OverflowError) as error:
        listener.close()
        why = getattr(error, "strerror", None) or error
        raise PageError(f"{host} port {port}: cannot be listened on ({why}). Name another with --port.") from None
    return listener
