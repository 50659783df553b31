"""Real receivers for tests: an HTTP server and a mail server that record what arrives and answer by a script.

The script is a string with one sign for each arrival, in order:

    .  taken                        h  held until ``release()``, then taken
    5  refused (HTTP 500, SMTP 550)  4  refused for now (HTTP 429, SMTP 451)
    3  HTTP: led elsewhere (302)     t  never answered (until the sink closes)
    x  HTTP: connection cut          d  HTTP: an answer that drips, a byte at a time, and never ends

After its end ``then`` counts for all further arrivals.
"""

from __future__ import annotations

import asyncio
import contextlib
import email
import email.policy
import json
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from tests.peers import MOMENT_S, free_port, wait_for


@dataclass(frozen=True)
class Arrival:
    """One thing that arrived. ``sign``: what the script said; the rest: as the receiver reads it."""

    sign: str
    at: float
    path: str
    headers: dict[str, str]
    body: bytes
    title: str = ""
    text: str = ""
    key: str = ""


@dataclass
class Sink:
    script: str = ""
    then: str = "."
    port: int = field(default_factory=free_port)
    arrivals: list[Arrival] = field(default_factory=list)
    released: threading.Event = field(default_factory=threading.Event)
    closed: threading.Event = field(default_factory=threading.Event)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def sign(self, **fields: Any) -> str:
        """Record an arrival, and what to answer."""
        with self._lock:
            n = len(self.arrivals)
            sign = self.script[n] if n < len(self.script) else self.then
            self.arrivals.append(Arrival(sign=sign, at=time.monotonic(), **fields))
            return sign

    @property
    def taken(self) -> list[Arrival]:
        """Those that the sender was told were taken."""
        return [a for a in list(self.arrivals) if a.sign in ".h"]

    def keys(self) -> list[str]:
        return [a.key for a in self.taken]

    def wait_for(self, count: int) -> None:
        wait_for(lambda: len(self.arrivals) >= count, f"{count} arrivals, got {len(self.arrivals)}")

    def release(self) -> None:
        self.released.set()


@contextlib.contextmanager
def http_sink(script: str = "", *, then: str = ".") -> Iterator[Sink]:
    """An HTTP server that takes POST (JSON with title and message) and GET."""
    sink = Sink(script, then)

    class Handler(BaseHTTPRequestHandler):
        def _handle(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
            said: dict[str, Any] = {}
            with contextlib.suppress(ValueError):
                said = json.loads(body)
            sign = sink.sign(
                path=self.path,
                headers=dict(self.headers.items()),
                body=body,
                title=str(said.get("title", "")),
                text=str(said.get("message", "")),
                key=self.headers.get("X-Notice-Key", ""),
            )
            if sign == "t":
                sink.closed.wait(10 * MOMENT_S)
            elif sign == "h":
                sink.released.wait(10 * MOMENT_S)
            with contextlib.suppress(OSError):
                if sign == "d":
                    self.wfile.write(b"HTTP/1.1 200 OK\r\nX-Slow: ")
                    while not sink.closed.wait(0.05):
                        self.wfile.write(b"a")
                elif sign != "x":
                    self.send_response({"5": 500, "4": 429, "3": 302}.get(sign, 200))
                    if sign == "3":
                        self.send_header("Location", f"http://127.0.0.1:{sink.port}/login")
                    self.send_header("Content-Length", "0")
                    self.end_headers()
            self.close_connection = True

        do_GET = do_POST = _handle  # noqa: N815 - the library's own names

        def log_message(self, *_: object) -> None:
            return

    server = ThreadingHTTPServer(("127.0.0.1", sink.port), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield sink
    finally:
        sink.closed.set()
        sink.released.set()
        server.shutdown()
        server.server_close()
        thread.join(5)


@contextlib.contextmanager
def smtp_sink(script: str = "", *, then: str = ".") -> Iterator[Sink]:
    """A mail server without login or encryption."""
    from aiosmtpd.controller import Controller

    sink = Sink(script, then)

    class Handler:
        async def handle_DATA(self, _server: object, _session: object, envelope: Any) -> str:  # noqa: N802
            message = email.message_from_bytes(envelope.content, policy=email.policy.default)
            assert isinstance(message, EmailMessage)
            part = message.get_body(preferencelist=("plain", "html"))
            sign = sink.sign(
                path=",".join(envelope.rcpt_tos),
                headers={k: str(v) for k, v in message.items()},
                body=bytes(envelope.content),
                title=str(message["Subject"]),
                text=part.get_content() if part is not None else "",
                key=str(message.get("X-Notice-Key", "")),
            )
            waits = {"t": sink.closed, "h": sink.released}.get(sign)
            while waits is not None and not waits.is_set():
                await asyncio.sleep(0.02)
            return {"5": "550 no such box", "4": "451 try again later"}.get(sign, "250 taken")

    controller = Controller(Handler(), hostname="127.0.0.1", port=sink.port)
    controller.start()
    try:
        yield sink
    finally:
        sink.closed.set()
        sink.released.set()
        controller.stop()
