"""Who may talk to the page: host, origin, token, size, and what browsers are told.

The page acts on a job, so that a request counts only if it comes from the page itself. Browsers say where a request
comes from (``Origin``, ``Sec-Fetch-Site``: Fetch Standard and Fetch Metadata, W3C); a name that somebody else has
pointed at this machine is told by ``Host``. On a shared network a token is needed as well.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any, Final
from urllib.parse import parse_qsl, urlencode, urlsplit

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

#: Largest log that is taken. [bytes]
LARGEST_LOG: Final = 128 * 1024 * 1024
#: Where the form goes that has a place for a log: a browser sends the log along by each of its buttons.
WITH_A_LOG: Final = frozenset(("/logs", "/dialled"))
#: Largest body of any other form. [bytes]
LARGEST_FORM: Final = 64 * 1024
#: Most that is read of a body which is refused, so that its sender reads the refusal and no broken line. [bytes]
LARGEST_DRAINED: Final = 2 * 1024 * 1024 * 1024
#: Longest silence within such a body, and longest time for the whole of it. [s]
SILENCE_S: Final = 5.0
DRAIN_S: Final = 180.0
#: Time that a wrong token costs. [s]
WRONG_TOKEN_S: Final = 0.3

POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS: Final = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    # Not "no-referrer": browsers would then send the origin of our own forms as "null".
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=()"),
)


class TooLarge(Exception):
    """A body grew past what is taken."""


class Body:
    """What a request brings along, counted.

    A sender that is still sending when the line is closed loses the answer (RFC 9112, 9.6): whoever answers early
    reads on and throws away, within bounds.

    Args:
        receive: Gives the next part.
        headers: Of the request, names in lower case.
        bound: Most that is handed on. [bytes]
    """

    def __init__(self, receive: Receive, headers: MutableMapping[str, str], bound: int) -> None:
        self._receive = receive
        self.bound = bound
        self._taken = 0
        self._announced = headers.get("content-length", "0")
        self._waits = "expect" in headers  # it sends nothing before it is told to
        self._ended = self._announced == "0" and "transfer-encoding" not in headers

    @property
    def too_large(self) -> bool:
        """Whether it says so beforehand."""
        return not self._announced.isdigit() or int(self._announced) > self.bound

    async def part(self) -> Message:
        """The next part. Raises TooLarge where all parts together pass the bound."""
        self._waits = False
        message = await self._next()
        if self._taken > self.bound:
            raise TooLarge(_too_large(self.bound))
        return message

    async def drain(self) -> None:
        """Read the rest and throw it away, as far as that is to be expected to end."""
        if self._waits or (self._announced.isdigit() and int(self._announced) > LARGEST_DRAINED):
            return
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(DRAIN_S):
                while not self._ended and self._taken <= LARGEST_DRAINED:
                    await asyncio.wait_for(self._next(), SILENCE_S)

    async def _next(self) -> Message:
        message = await self._receive()
        self._taken += len(message.get("body", b""))
        self._ended = self._ended or not message.get("more_body", False)
        return message


@dataclass(frozen=True)
class Shield:
    """Stands before the page.

    Attributes:
        app: The page.
        hosts: Names by which it may be called, lower case, without port; empty for any (then a token is needed).
        token: What a visitor must know; None where only this machine can reach the page.
        port: Part of the cookie's name, since cookies do not tell ports apart.
    """

    app: App
    hosts: frozenset[str]
    token: str | None
    port: int

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            raise RuntimeError("only HTTP is spoken here")
        headers = {key.decode("latin-1").lower(): value.decode("latin-1") for key, value in scope["headers"]}
        body = Body(receive, headers, LARGEST_LOG if scope["path"] in WITH_A_LOG else LARGEST_FORM)
        refusal = self._foreign(scope, headers)
        if refusal:
            await _refuse(body, send, 403, refusal)
        elif self.token is not None and not self._known(headers):
            await self._at_the_door(scope, body, send)
        elif body.too_large:
            await _refuse(body, send, 413, _too_large(body.bound))
        else:
            await self._inside(scope, body, send)

    # ---------------------------------------------------------------- who

    def _foreign(self, scope: Scope, headers: MutableMapping[str, str]) -> str:
        """Why a request does not come from the page; "" where it does."""
        host = headers.get("host", "").lower()
        if self.hosts and _name_of(host) not in self.hosts:
            return f"This page answers to {' or '.join(sorted(self.hosts))} only."
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc.lower() != host:
            return "Requests from other pages are refused."
        opened = (
            scope["method"] in ("GET", "HEAD")
            and headers.get("sec-fetch-mode") == "navigate"
            and headers.get("sec-fetch-dest", "document") == "document"
        )
        if headers.get("sec-fetch-site") in ("cross-site", "same-site") and not opened:
            return "Requests from other pages are refused."
        return ""

    @property
    def _cookie(self) -> str:
        return f"nextpull-{self.port}"

    def _known(self, headers: MutableMapping[str, str]) -> bool:
        try:
            kept = SimpleCookie(headers.get("cookie", "")).get(self._cookie)
        except CookieError:
            return False
        return kept is not None and self._right(kept.value)

    def _right(self, offered: str) -> bool:
        return self.token is not None and hmac.compare_digest(offered.encode(), self.token.encode())

    async def _at_the_door(self, scope: Scope, body: Body, send: Send) -> None:
        """Take the token from the address, once; keep it in a cookie from then on."""
        pairs = parse_qsl(scope["query_string"].decode("latin-1"))
        offered = dict(pairs).get("token", "")
        if scope["method"] == "GET" and self._right(offered):
            rest = urlencode([(key, value) for key, value in pairs if key != "token"])
            where = "/" + scope["path"].lstrip("/\\") + (f"?{rest}" if rest else "")
            cookie = f"{self._cookie}={self.token}; HttpOnly; SameSite=Lax; Path=/"
            await _answer(send, 303, "", [(b"location", where.encode()), (b"set-cookie", cookie.encode())])
            return
        if offered:
            await asyncio.sleep(WRONG_TOKEN_S)
        text = "A token is needed: open the whole address that `nextpull serve` has printed, token included."
        await _refuse(body, send, 401, text)

    # ---------------------------------------------------------------- what

    async def _inside(self, scope: Scope, body: Body, send: Send) -> None:
        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                await body.drain()  # nothing is left where the page has read it all
                message = {**message, "headers": list(_dress(message["headers"]))}
            await send(message)

        await self.app(scope, body.part, dressed)


def _too_large(bound: int) -> str:
    if bound < 1e6:
        return f"Too large: at most {bound / 1e3:.0f} kB are taken here."
    return f"Too large: at most {bound / 1e6:.0f} MB are taken. Cut the recording down to the pull."


def _name_of(host: str) -> str:
    """Name in a Host header, without the port."""
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0]


def _dress(headers: Iterable[tuple[bytes, bytes]]) -> Iterable[tuple[bytes, bytes]]:
    given = list(headers)
    names = {key.lower() for key, _ in given}
    yield from given
    yield from _HEADERS
    if b"content-security-policy" not in names:
        yield b"content-security-policy", POLICY.encode()
    if b"cache-control" not in names:
        yield b"cache-control", b"no-store"


async def _refuse(body: Body, send: Send, status: int, text: str) -> None:
    await body.drain()
    await _answer(send, status, text)


async def _answer(send: Send, status: int, text: str, more: Iterable[tuple[bytes, bytes]] = ()) -> None:
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"connection", b"close"), *more]
    await send({"type": "http.response.start", "status": status, "headers": list(_dress(headers))})
    await send({"type": "http.response.body", "body": text.encode()})
