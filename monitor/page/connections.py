"""Connections within bounds: how many, of whom, how slow, and who goes when there are too many.

uvicorn bounds none of this: it waits for ever for a head, a body and a reader. Here every connection is in one of a few
phases, looked at four times a second, and cut when it is too long in one.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import itertools
import socket
import struct
import sys
import time
from collections import Counter
from typing import TYPE_CHECKING, Any, Final

import h11
from starlette.types import Scope
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from monitor.page.bounds import Bounds, caller_of

if TYPE_CHECKING:
    from collections.abc import Collection

    from uvicorn._types import ASGIReceiveCallable, ASGISendCallable
    from uvicorn._types import Scope as UvicornScope
    from uvicorn.config import Config

    from monitor.page.guard import Refusals

_GOES: Final = {"idle": 0, "head": 1, "body": 1, "write": 1, "wait": 2}
"""Phases in which a connection may be cut to make room, in this order."""
_BEGUN_S: Final = 0.5
_LINGER_S: Final = 1.0
_LINGERING: Final = 32
"""So many that were refused are listened to a little longer: closed at once, they would never see why."""
_STEP: Final = 64 * 1024
_TWO_LENGTHS: Final = {b"content-length", b"transfer-encoding"}
"""A proxy before the page may believe the other one, and take for a new request what is a body here."""
_FORWARDED: Final = (b"x-forwarded-for", b"x-forwarded-proto")


class _Parser(h11.Connection):
    """The parser, with bounds on what it takes in one go: its own hold only for what has not come whole."""

    def __init__(self, bounds: Bounds) -> None:
        super().__init__(h11.SERVER, bounds.head_bytes)
        self._bounds = bounds
        self._pieces = 0

    def next_event(self) -> Any:
        event = super().next_event()
        if isinstance(event, h11.Request):
            self._pieces = 0
            if len(event.target) > self._bounds.target_bytes:
                raise h11.RemoteProtocolError("target too long", error_status_hint=414)
            size = sum(len(name) + len(value) + 4 for name, value in event.headers)
            if len(event.headers) > self._bounds.headers or size > self._bounds.head_bytes:
                raise h11.RemoteProtocolError("head too long", error_status_hint=431)
            if {name for name, _ in event.headers} >= _TWO_LENGTHS:
                raise h11.RemoteProtocolError("two lengths", error_status_hint=400)
        elif isinstance(event, h11.Data):
            self._pieces += 1
            if self._pieces > self._bounds.pieces:
                raise h11.RemoteProtocolError("too many pieces", error_status_hint=413)
        return event


class Connections(ServerState):
    """All connections of one server."""

    def __init__(
        self, bounds: Bounds, refusals: Refusals, *, streams: Collection[str] = (), proxy: Collection[str] = ()
    ) -> None:
        """``streams``: paths of endless answers. ``proxy``: addresses that say for whom they ask."""
        super().__init__()
        self.bounds, self.refusals = bounds, refusals
        self.stream_paths = frozenset(streams)
        self.proxy = frozenset(caller_of(p) for p in proxy)
        self._open: set[BoundedProtocol] = set()
        self.lingering: set[BoundedProtocol] = set()
        self.next_number = itertools.count().__next__

    @property
    def counts(self) -> Counter[str]:
        """How many of each phase there are."""
        return Counter(c.phase() for c in list(self._open))

    def admit(self, new: BoundedProtocol) -> bool:
        """Let a connection in, at the cost of another one if need be.

        Who has most gives first, and of theirs what is idle, then the oldest that is not worked on. So callers who hold
        all they can get keep nobody out who needs one, and what takes a moment is done before it is the oldest.
        """
        held = [c for c in self._open if not c.streaming]
        of_each = Counter(c.caller for c in held)
        own = of_each[new.caller]
        if own >= self.bounds.connections_of_one and new.caller not in self.proxy:
            may_go = [c for c in held if c.gives_way_to_its_own(new)]
        elif len(held) >= self.bounds.connections:
            may_go = [c for c in held if of_each[c.caller] > own or c.gives_way_to_its_own(new)]
        else:
            self._open.add(new)
            return True
        places = [(-of_each[c.caller], _GOES[c.phase()], c.since, c.number, c) for c in may_go if c.phase() in _GOES]
        if not places:
            return False
        self._cut(min(places)[-1])
        self._open.add(new)
        return True

    def admit_stream(self, stream: BoundedProtocol, caller: str) -> None:
        """Let a connection become a stream, at the cost of the caller's oldest one, or of the oldest of who has most.

        A reader whose stream is cut comes again by itself, and hears then what it missed; one that is refused does not.
        """
        streams = [c for c in self._open if c.streaming]
        of_each = Counter(c.caller for c in streams)
        if of_each[caller] >= self.bounds.streams_of_one:
            self._cut(min((c for c in streams if c.caller == caller), key=lambda c: c.number))
        elif len(streams) >= self.bounds.streams:
            self._cut(min(streams, key=lambda c: (-of_each[c.caller], c.number)))
        stream.streaming, stream.caller, stream.number = True, caller, self.next_number()

    def forget(self, gone: BoundedProtocol) -> None:
        self._open.discard(gone)
        self.lingering.discard(gone)

    def look(self) -> None:
        """Cut what takes too long."""
        now = time.monotonic()
        for each in list(self._open):
            if each.late(now):
                self._cut(each)

    def shed(self) -> None:
        """More was sent than is taken: where it is too much in all, cut those that took nothing for longest."""
        now = time.monotonic()
        waiting = [c for c in self._open if c.waiting()]
        if sum(c.waiting() for c in waiting) <= self.bounds.waiting_bytes:
            return
        for each in waiting:
            each.late(now)
        waiting.sort(key=lambda c: (-c.since, -c.number))
        while waiting and sum(c.waiting() for c in waiting) > self.bounds.waiting_bytes:
            self._cut(waiting.pop())

    def close_all(self, *, answering_too: bool) -> None:
        for each in [*self._open, *self.lingering]:
            if answering_too or each.streaming or each.phase() not in ("wait", "answer"):
                self._cut(each)

    def _cut(self, connection: BoundedProtocol) -> None:
        self._open.discard(connection)
        if connection.waiting():
            # What the system still has of it is given up as well.
            with contextlib.suppress(OSError):
                sock = connection.transport.get_extra_info("socket")
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        connection.transport.abort()


class BoundedProtocol(H11Protocol):
    """One connection."""

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
    ) -> None:
        super().__init__(config, server_state, app_state, _loop)
        assert isinstance(server_state, Connections)
        self._all = server_state
        self.conn = _Parser(server_state.bounds)
        self._inner = self.app
        self.app = self._called
        self.caller = ""
        self.streaming = self._refused = False
        self.since = time.monotonic()
        self.number = server_state.next_number()
        self._requests = 0
        self._key = ("head", 0, 0)

    # -- what uvicorn calls

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        peer = transport.get_extra_info("peername")
        self.caller = caller_of(str(peer[0])) if peer else ""
        self.transport = transport
        if self._all.admit(self):
            super().connection_made(transport)
        else:
            self._refuse(503)

    def data_received(self, data: bytes) -> None:
        if not self._refused:
            super().data_received(data)

    def connection_lost(self, exc: Exception | None) -> None:
        self._all.forget(self)
        if self.scope is not None:
            self.scope["state"]["gone"] = True
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        super().pause_writing()
        self._all.shed()

    def shutdown(self) -> None:
        """The server stops: what is being answered is still answered."""
        if self.cycle is not None and not self.cycle.response_complete:
            self.cycle.keep_alive = False
        else:
            self.transport.abort()

    def send_400_response(self, msg: str) -> None:  # noqa: ARG002 - what the parser says holds what was sent
        """What came was no request, or too long a one."""
        error = sys.exc_info()[1]
        status = error.error_status_hint if isinstance(error, h11.RemoteProtocolError) else 400
        if self.cycle is not None and not self.cycle.response_complete:
            begun = self.cycle.response_started
            self.cycle.disconnected = True
            self.cycle.message_event.set()
            if begun:
                self.transport.abort()
                return
        self._refuse(status)

    def _refuse(self, status: int) -> None:
        self._refused = True
        self.transport.write(self._all.refusals.raw(status))
        if len(self._all.lingering) < _LINGERING and not self.transport.is_closing():
            self._all.lingering.add(self)
            self.loop.call_later(_LINGER_S, self.transport.abort)
            with contextlib.suppress(OSError):
                self.transport.write_eof()
        else:
            self.transport.close()

    # -- how long it has been at what

    def waiting(self) -> int:
        """Bytes that were not taken yet."""
        unsent = 0 if self.scope is None else self.scope["state"].get("unsent", 0)
        return self.transport.get_write_buffer_size() + int(unsent)

    def phase(self) -> str:
        """What it waits for."""
        if self.waiting():
            return "write"
        if self.streaming:
            return "stream"
        if self.conn.their_state is h11.SEND_BODY:
            return "body"
        if self.cycle is not None and not self.cycle.response_complete:
            return "wait" if self.scope["state"].get("waits") else "answer"
        return "head" if not self._requests or self.conn.trailing_data[0] else "idle"

    def gives_way_to_its_own(self, new: BoundedProtocol) -> bool:
        """Whether it would be cut for another one of the same caller: not what has only begun, nor what waits."""
        return self.caller == new.caller and self.phase() != "wait" and new.since - self.since > _BEGUN_S

    def late(self, now: float) -> bool:
        """Whether it has been at the same for too long."""
        phase = self.phase()
        key = (phase, self._requests, self.waiting() // _STEP)
        if key != self._key:
            self._key, self.since = key, now
        bounds = self._all.bounds
        answer_s = bounds.turn_s + bounds.answer_s + bounds.send_s
        longest = {
            "head": bounds.head_s,
            "body": bounds.body_s,
            "idle": bounds.idle_s,
            "write": bounds.write_s,
            "stream": bounds.stream_s,
            "wait": answer_s,
            "answer": answer_s,
        }
        return now - self.since > longest[phase]

    # -- one request

    async def _called(self, scope: UvicornScope, receive: ASGIReceiveCallable, send: ASGISendCallable) -> None:
        """Before the guard: for whom is asked, and whether it becomes a stream."""
        assert scope["type"] == "http"
        self._requests += 1
        if self.caller in self._all.proxy:
            _forwarded(scope)  # type: ignore[arg-type]
        client = scope.get("client")
        stream = scope["path"] in self._all.stream_paths and scope["method"] == "GET"
        if not stream:
            await self._inner(scope, receive, send)
            return
        self._all.admit_stream(self, caller_of(client[0]) if client else "")
        try:
            async with asyncio.timeout(self._all.bounds.stream_s):
                await self._inner(scope, receive, send)
        except TimeoutError:
            self.transport.close()
        finally:
            self.streaming = False


def _forwarded(scope: Scope) -> None:
    """What the proxy says of its client: the last hop alone, which it added itself."""
    last = {n: v.decode("latin-1").rpartition(",")[2].strip() for n, v in scope["headers"] if n in _FORWARDED}
    try:
        address = str(ipaddress.ip_address(last.get(b"x-forwarded-for", "").strip("[]")))
    except ValueError:
        return
    scope["client"] = (address, 0)
    if last.get(b"x-forwarded-proto") in ("http", "https"):
        scope["scheme"] = last[b"x-forwarded-proto"]
