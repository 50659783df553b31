"""A small app behind the page's server, for tests: pages that are quick, large, slow, hanging, wrong and endless.

``python -m tests.page.served PORT`` serves it in a process of its own, whose memory can be measured.
"""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import socket
import sys
import threading
import time
from collections import Counter
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field, replace

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from monitor.page.bounds import Bounds
from monitor.page.server import PageServer
from tests.peers import MOMENT_S, wait_for

LARGE = b"x" * 3_000_000
SECRET = "K7Q2-SECRET"
QUICK = Bounds(head_s=1.0, body_s=1.0, idle_s=2.0, write_s=1.0, turn_s=2.0, answer_s=1.0, burst=100_000)


@dataclass
class Asked:
    """What the app was asked, and what holds its hanging pages."""

    release: threading.Event = field(default_factory=threading.Event)
    bodies: list[int] = field(default_factory=list)
    streams: int = 0

    def app(self) -> Starlette:
        return Starlette(
            routes=[
                Route("/", lambda _: PlainTextResponse("well")),
                Route("/who", lambda r: PlainTextResponse(f"{r.client.host} {r.url.scheme}")),
                Route("/large", lambda _: Response(LARGE)),
                Route("/static/a.css", lambda _: Response(b"a{}", media_type="text/css")),
                Route("/body", self._body, methods=["POST"]),
                Route("/hang", self._hang),
                Route("/nap", _nap),
                Route("/block", self._block),
                Route("/wrong/{code}", _wrong),
                Route("/half", lambda _: StreamingResponse(_half())),
                Route("/live", self._live),
            ]
        )

    async def _body(self, request: Request) -> Response:
        self.bodies.append(len(await request.body()))
        return PlainTextResponse(str(self.bodies[-1]))

    def _hang(self, _: Request) -> Response:
        self.release.wait(MOMENT_S)
        return PlainTextResponse("late")

    async def _block(self, _: Request) -> Response:
        """A mistake: it holds up the whole loop."""
        self.release.wait(MOMENT_S)
        return PlainTextResponse("late")

    async def _live(self, _: Request) -> Response:
        return StreamingResponse(self._events(), media_type="text/event-stream")

    async def _events(self) -> AsyncIterator[bytes]:
        self.streams += 1
        try:
            while True:
                yield b"data: 1\n\n"
                await asyncio.sleep(0.05)
        finally:
            self.streams -= 1


def _nap(_: Request) -> Response:
    time.sleep(0.1)
    return PlainTextResponse("late")


def _wrong(request: Request) -> Response:
    raise RuntimeError(f"wrong with {request.path_params['code']}")


async def _half() -> AsyncIterator[bytes]:
    yield b"half"
    raise RuntimeError(SECRET)


@dataclass
class Place:
    """A port of a page's server, and a client for it."""

    port: int
    server: PageServer | None = None

    @property
    def counts(self) -> Counter[str]:
        """How many connections there are of each phase."""
        inner = None if self.server is None else self.server._inner
        return Counter() if inner is None else inner.connections.counts

    def ask(
        self,
        path: str = "/",
        method: str = "GET",
        body: bytes | Iterator[bytes] | None = None,
        *,
        source: str = "127.0.0.1",
        headers: dict[str, str] | None = None,
    ) -> tuple[int, bytes, http.client.HTTPMessage]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=MOMENT_S, source_address=(source, 0))
        try:
            connection.request(method, path, body, headers or {})
            response = connection.getresponse()
            return response.status, response.read(), response.headers
        finally:
            connection.close()

    def connect(self, source: str = "127.0.0.1") -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=MOMENT_S, source_address=(source, 0))

    def raw(self, data: bytes) -> bytes:
        """All that comes back for some bytes, until the connection ends."""
        got = b""
        with self.connect() as s, contextlib.suppress(ConnectionError):
            s.sendall(data)
            s.settimeout(0.05)
            # Whoever waits for the rest of it is told that there is none; it may have been cut already.
            with contextlib.suppress(TimeoutError, OSError):
                got += s.recv(65536)
            with contextlib.suppress(OSError):
                s.shutdown(socket.SHUT_WR)
            s.settimeout(MOMENT_S)
            while more := s.recv(65536):
                got += more
        return got

    def until_cut(self, s: socket.socket, drip: bytes = b"") -> tuple[float, bytes]:
        """How long a connection lasts from now on while a byte after the other is sent, and what came."""
        began, got = time.monotonic(), b""
        s.settimeout(0.05)
        while time.monotonic() - began < MOMENT_S:
            try:
                if drip:
                    s.sendall(drip)
                more = s.recv(65536)
                if not more:
                    break
                got += more
            except TimeoutError:
                continue
            except OSError:
                break
        return time.monotonic() - began, got


@contextlib.contextmanager
def served(server: PageServer) -> Iterator[Place]:
    server.start()
    try:
        wait_for(lambda: server.port != 0, "the page to be served")
        yield Place(server.port, server)
    finally:
        server.stop()


if __name__ == "__main__":
    # Slow clients are cut soon, but a busy computer makes nobody wait in vain.
    patient = replace(QUICK, turn_s=MOMENT_S, answer_s=MOMENT_S)
    alone = PageServer(("127.0.0.1", int(sys.argv[1])), Asked().app(), streams={"/live"}, bounds=patient)
    alone.start()
    sys.stdin.read()
    alone.stop()
