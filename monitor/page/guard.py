"""The guard before the app: whom it lets in, what every answer carries, and how long anything may take.

A request is read whole before the app sees it, and then waits its turn. So slow clients take no turn, and a page that
hangs takes one and no more. In the request's state the guard and the connection tell each other: whether it ``waits``
for its turn, how many bytes are ``unsent``, and that the client has ``gone``.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import re
import time
import traceback
from collections.abc import Callable, Collection, Iterable
from http import HTTPStatus
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.page.bounds import Bounds, RequestRate, caller_of
from monitor.page.problems import MEDIA_TYPE, PREFIX, problem
from monitor.page.turns import Turns

log = logging.getLogger("warmtally.page")

POLICY: Final = (
    "default-src 'none'; style-src 'self'; img-src 'self' data:; script-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS: Final = {
    b"content-security-policy": POLICY.encode(),
    b"x-content-type-options": b"nosniff",
    # Not "no-referrer": browsers then leave out of a form from where it came, and no origin could be compared.
    b"referrer-policy": b"same-origin",
    b"x-robots-tag": b"noindex, nofollow",
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"permissions-policy": b"camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
"""What every answer carries, whatever the app says."""
_KEPT: Final = b"public, max-age=31536000, immutable"
_STAMP: Final = re.compile(rb"[0-9a-f]{12,64}")
_HOST: Final = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[0-9A-Za-z](?:[0-9A-Za-z._-]{0,251}[0-9A-Za-z])?)\.?(?::\d{1,5})?")
_SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})
_SAME_LOG_S: Final = 60.0
_AGAIN: Final = {429: b"5", 503: b"5"}

PIECE_BYTES: Final = 64 * 1024

Failing = Callable[[int], str]
"""The page of a mere status."""


def bare_page(status: int) -> str:
    """A page for a mere status, where there is no better one."""
    words = HTTPStatus(status).phrase
    return f'<!doctype html>\n<html lang="en"><title>{words}</title><h1>{words}</h1></html>\n'


class Refusals:
    """Whole answers for mere statuses, each made once."""

    def __init__(self, failing: Failing = bare_page) -> None:
        self._failing = failing
        self._made: dict[int, bytes] = {}

    def _body(self, status: int, *, program: bool = False) -> bytes:
        if program:
            return bytes(problem(status, "").body)
        if status not in self._made:
            try:
                page = self._failing(status)
            except Exception as error:  # noqa: BLE001 - whatever it was, a bare page says the same
                log.error("the page for status %d could not be made: %s", status, place_of(error))  # noqa: TRY400
                page = bare_page(status)
            self._made[status] = page.encode("utf-8", "replace")
        return self._made[status]

    def _headers(self, status: int, *, close: bool, program: bool = False) -> list[tuple[bytes, bytes]]:
        kind = MEDIA_TYPE.encode() if program else b"text/html; charset=utf-8"
        own = {b"content-type": kind, b"content-length": b"%d" % len(self._body(status, program=program))}
        again = {b"retry-after": _AGAIN[status]} if status in _AGAIN else {}
        end = {b"connection": b"close"} if close else {}
        return [*{**HEADERS, b"cache-control": b"no-store", **own, **again, **end}.items()]

    async def send(self, send: Send, status: int, *, close: bool = False, program: bool = False) -> None:
        """Answer a request with a status; ``program``: as one is told of it."""
        headers = self._headers(status, close=close, program=program)
        await send({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": self._body(status, program=program)})

    def raw(self, status: int) -> bytes:
        """The bytes for a connection that is closed after them."""
        lines = [b"HTTP/1.1 %d %s" % (status, HTTPStatus(status).phrase.encode()), b"server: Warmtally"]
        lines += [b"%s: %s" % pair for pair in self._headers(status, close=True)]
        return b"\r\n".join(lines) + b"\r\n\r\n" + self._body(status)


def place_of(error: BaseException) -> str:
    """Which mistake it was and where in the code. What it says may hold a code of somebody's and is left out."""
    frames = traceback.extract_tb(error.__traceback__)[-6:]
    return f"{type(error).__name__} in " + " > ".join(f"{Path(f.filename).name}:{f.lineno} {f.name}" for f in frames)


def host_of(text: str) -> str:
    """The host of a Host header's value, without its port; empty for what is none."""
    found = _HOST.fullmatch(text)
    return "" if found is None else found[1].lower()


def _ip_of(host: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        found = ipaddress.ip_address(host.strip("[]").partition("%")[0])
    except ValueError:
        return None
    mapped = found.ipv4_mapped if isinstance(found, ipaddress.IPv6Address) else None
    return mapped or found


class _GuardedAnswer:
    """What goes back for one request, with what every answer carries, in pieces: the loop would else keep a copy of all
    that a client has not taken yet."""

    def __init__(self, scope: Scope, send: Send) -> None:
        self._send = send
        stamped = _STAMP.fullmatch(scope["query_string"]) is not None
        self._kept = scope["path"].startswith("/static/") and stamped
        self.program = scope["path"].startswith(PREFIX)
        self._state = scope.setdefault("state", {})
        self.started = self.ended = False

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.started = True
            kept = self._kept and message["status"] in (200, 304)
            ours = {**HEADERS, b"cache-control": _KEPT if kept else b"no-store"}
            own = [(name, value) for name, value in message.get("headers", ()) if name.lower() not in ours]
            await self._send({**message, "headers": [*own, *ours.items()]})
            return
        body, more = memoryview(message.get("body", b"")), message.get("more_body", False)
        while len(body) > PIECE_BYTES and not self._state.get("gone"):
            self._state["unsent"] = len(body)
            await self._send({**message, "body": bytes(body[:PIECE_BYTES]), "more_body": True})
            body = body[PIECE_BYTES:]
        self._state["unsent"] = 0
        self.ended = not more
        await self._send({**message, "body": bytes(body)})


class _Exchange:
    """One request's place among those that are worked on, given back at the first byte of the answer or at its end."""

    def __init__(self, answer: _GuardedAnswer, receive: Receive, body: bytes, free: Callable[[], None]) -> None:
        self._answer, self._receive, self._body, self._free = answer, receive, body, free
        self.begun = asyncio.Event()
        self._read = self._over = self._given_back = False

    async def receive(self) -> Message:
        if self._over:
            return {"type": "http.disconnect"}
        if self._read:
            return await self._receive()
        self._read = True
        return {"type": "http.request", "body": self._body, "more_body": False}

    async def send(self, message: Message) -> None:
        if self._over:
            return
        self.give_back()
        await self._answer(message)

    def give_back(self, _: object = None) -> None:
        self.begun.set()
        if not self._given_back:
            self._given_back = True
            self._free()

    def leave(self) -> None:
        """Nobody waits for this answer any more. Its place stays taken while it is worked on."""
        self._over = True


class Guard:
    """Stands before an app. Belongs to the event loop in which it is first called.

    ``hosts``: the names under which it is asked, beside this computer's own; ``streams``: paths of endless answers.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        hosts: Collection[str] = (),
        streams: Collection[str] = (),
        refusals: Refusals | None = None,
        bounds: Bounds | None = None,
    ) -> None:
        self._app = app
        self._hosts = {"localhost", "[::1]", *(h.lower() for h in hosts)}
        self._streams = frozenset(streams)
        self._refusals = refusals or Refusals()
        self._bounds = bounds or Bounds()
        self._rate = RequestRate(self._bounds.burst, self._bounds.per_s, time.monotonic)
        self.turns = Turns(self._bounds)
        self._left: set[asyncio.Task[None]] = set()
        self._said: dict[str, float] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        answer = _GuardedAnswer(scope, send)
        try:
            refused = self._refused(scope)
            if refused:
                # Who asks too much may have sent hundreds in one go: the rest of them is not even looked at.
                await self._refusals.send(answer, refused, close=refused == 429, program=answer.program)
            elif scope["path"] in self._streams and scope["method"] == "GET":
                await self._app(scope, receive, answer)
            else:
                await self._one(scope, receive, answer)
        except Exception as error:
            # Whatever a page does wrong ends with its answer. The app may have said so to the client already.
            self._tell(error)
            if answer.started and not answer.ended:
                raise
            if not answer.started:
                await self._refusals.send(answer, 500, program=answer.program)

    async def _one(self, scope: Scope, receive: Receive, answer: _GuardedAnswer) -> None:
        body = await self._body(scope, receive)
        if body is None:
            return
        if isinstance(body, int):
            await self._refusals.send(answer, 413, close=body > self._bounds.drain_bytes, program=answer.program)
            return
        caller, state = _caller(scope), scope.setdefault("state", {})
        state["waits"] = True
        if not await self.turns.take(caller):
            await self._refusals.send(answer, 503, program=answer.program)
            return
        state["waits"] = False
        if state.get("gone"):
            self.turns.give(caller)
            return
        turn = _Exchange(answer, receive, body, lambda: self.turns.give(caller))
        # A task of its own: what runs in a thread cannot be ended, only left.
        task = asyncio.create_task(self._work(scope, turn))
        self._left.add(task)
        task.add_done_callback(self._left.discard)
        task.add_done_callback(turn.give_back)
        try:
            async with asyncio.timeout(self._bounds.answer_s):
                await turn.begun.wait()
        except TimeoutError:
            # It may have begun at the last moment.
            if not turn.begun.is_set():
                turn.leave()
                task.add_done_callback(self._late)
                log.warning("a page was not made within %.0f s", self._bounds.answer_s)
                await self._refusals.send(answer, 503, program=answer.program)
                return
        async with asyncio.timeout(self._bounds.send_s):
            await task

    async def _work(self, scope: Scope, turn: _Exchange) -> None:
        await self._app(scope, turn.receive, turn.send)

    def _late(self, task: asyncio.Task[None]) -> None:
        if not task.cancelled() and (error := task.exception()) is not None:
            self._tell(error)

    async def _body(self, scope: Scope, receive: Receive) -> bytes | int | None:
        """All of it; how long it is, where that is too long; None where the client went away."""
        declared = next((v for n, v in scope["headers"] if n == b"content-length"), b"0")
        # The parser has seen that it is a number.
        length, pieces = int(declared), []
        if length > self._bounds.drain_bytes:
            return length
        read = 0
        while True:
            message = await receive()
            if message["type"] != "http.request":
                return None
            piece = message.get("body", b"")
            read += len(piece)
            if read <= self._bounds.body_bytes:
                pieces.append(piece)
            elif read > self._bounds.drain_bytes or not length:
                # Of one whose length was not said nobody knows how much there is to come.
                return self._bounds.drain_bytes + 1
            if not message.get("more_body", False):
                return b"".join(pieces) if read <= self._bounds.body_bytes else read

    def _refused(self, scope: Scope) -> int:
        """0, or the status with which a request is refused for where it comes from or goes to."""
        if self._rate.wait_s(_caller(scope)):
            return 429
        hosts = [v.decode("latin-1") for n, v in scope["headers"] if n == b"host"]
        host = host_of(hosts[0]) if len(hosts) == 1 else ""
        if not host:
            return 400
        if not self._known(host, scope):
            return 421
        if scope["method"] not in _SAFE and not _own(hosts[0], scope["headers"]):
            return 403
        return 0

    def _known(self, host: str, scope: Scope) -> bool:
        """Whether a host is one of this computer's: else a stranger's page could reach it under a name of its own."""
        if host in self._hosts:
            return True
        ip, here = _ip_of(host), scope.get("server")
        return ip is not None and (ip.is_loopback or (here is not None and ip == _ip_of(str(here[0]))))

    def _tell(self, error: BaseException) -> None:
        """Log a mistake of ours, the same one once a minute."""
        place, now = place_of(error), time.monotonic()
        if now - self._said.get(place, -_SAME_LOG_S) >= _SAME_LOG_S:
            self._said[place] = now
            log.error("a page could not be made: %s", place)


def _caller(scope: Scope) -> str:
    client = scope.get("client")
    return caller_of(client[0]) if client else ""


def _own(host: str, headers: Iterable[tuple[bytes, bytes]]) -> bool:
    """Whether a request that changes something was sent by a page of ours, or by no page of anybody's.

    Browsers say from where a form or a script sends; programs say nothing. The scheme is not compared, since it is
    the proxy's before which one stands.
    """
    said = {n: v.decode("latin-1") for n, v in headers if n in (b"origin", b"sec-fetch-site")}
    site, origin = said.get(b"sec-fetch-site"), said.get(b"origin")
    if site is not None and site not in ("same-origin", "none"):
        return False
    if origin is None:
        return True
    try:
        there = urlsplit(origin)
        if there.scheme not in ("http", "https") or not there.netloc:
            return False
        usual = ":443" if there.scheme == "https" else ":80"
        return there.netloc.lower().removesuffix(usual) == host.lower().removesuffix(usual)
    except ValueError:
        return False
