"""A small HTTP server that no client can hold up: few connections, few of them from one place, each for a short time.

One thread accepts and looks after the others; each connection has a thread for one request and is then closed. What is
too long, too slow or one too many is cut. Requests are read with the standard library's parser. If the place to listen
at is not there (a network that comes later, a port in use) it is tried again for ever; a thread that died is replaced.
"""

from __future__ import annotations

import contextlib
import http.client
import io
import ipaddress
import logging
import socket
import socketserver
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler
from typing import Final

log = logging.getLogger("warmtally.page")

CONNECTIONS: Final = 8
CONNECTIONS_OF_ONE: Final = 4
REQUEST_S: Final = 15.0
"""A connection that has not ended by then is cut, however busy it looks."""
SILENCE_S: Final = 5.0
LONGEST_LINE: Final = 2048
LONGEST_HEAD: Final = 16 * 1024
LONGEST_BODY: Final = 1024
AGAIN_S: Final = 10.0
HUNG_S: Final = 60.0
_LOOK_S: Final = 0.25


@dataclass(frozen=True, slots=True)
class Request:
    """What somebody asked for. ``caller``: from where, an IPv6 address as its network of 64 bits."""

    method: str
    path: str
    caller: str


@dataclass(frozen=True, slots=True)
class Response:
    """What is answered; ``headers`` beside those that every response has."""

    status: int
    html: str
    headers: dict[str, str] = field(default_factory=dict)


Answering = Callable[[Request], Response]
"""Called in the thread of a connection, several at a time; raises nothing that is not a mistake of ours."""


def caller_of(address: str) -> str:
    """Who counts as one caller: an IPv4 address, or the network of 64 bits that one IPv6 connection usually has."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)


class _Bounded(io.BufferedIOBase):
    """A request's bytes, up to a bound."""

    def __init__(self, file: io.BufferedIOBase) -> None:
        self._file = file
        self._left = LONGEST_HEAD + LONGEST_BODY

    def readline(self, size: int | None = -1, /) -> bytes:
        wanted = self._left if size is None or size < 0 else min(size, self._left)
        line = self._file.readline(wanted)
        self._left -= len(line)
        if self._left <= 0 and not line.endswith(b"\n"):
            raise http.client.LineTooLong("header")
        return line

    def read(self, size: int | None = -1, /) -> bytes:
        data = self._file.read(min(size or 0, self._left))
        self._left -= len(data)
        return data


class _Handler(BaseHTTPRequestHandler):
    timeout = SILENCE_S
    server: _Server

    def setup(self) -> None:
        super().setup()
        self.rfile = _Bounded(self.rfile)

    def handle(self) -> None:
        """One request; a client that goes away or keeps silent is nobody's fault."""
        self.close_connection = True
        with contextlib.suppress(OSError, http.client.HTTPException):
            self.raw_requestline = self.rfile.readline(LONGEST_LINE + 1)
            self.requestline, self.command, self.request_version = "", "", "HTTP/1.0"
            if len(self.raw_requestline) > LONGEST_LINE:
                self.send_error(414)
            elif self.raw_requestline and self.parse_request():
                refused = self._body_refused()
                if refused:
                    self.send_error(refused)
                else:
                    self._respond(self._answer())
            self._drain()

    def _answer(self) -> Response:
        path = self.path.partition("?")[0].partition("#")[0]
        try:
            return self.server.answering(Request(self.command, path, caller_of(str(self.client_address[0]))))
        except Exception:
            log.exception("a page could not be made")
            return self.server.failing(500)

    def _body_refused(self) -> int:
        """Read the body, which nobody needs; 0, or the status with which it is refused."""
        if self.headers.get("Transfer-Encoding"):
            return 411
        length = self.headers.get("Content-Length") or "0"
        if not length.isascii() or not length.isdigit():
            return 400
        if len(length) > 9 or int(length) > LONGEST_BODY:
            return 413
        return 0 if len(self.rfile.read(int(length))) == int(length) else 400

    def send_error(self, code: int, message: str | None = None, explain: str | None = None) -> None:  # noqa: ARG002
        self._respond(self.server.failing(int(code)))

    def _respond(self, response: Response) -> None:
        body = response.html.encode("utf-8", "replace")
        self.send_response(response.status)
        for name, value in {
            "Content-Type": "text/html; charset=utf-8",
            "Content-Length": str(len(body)),
            "Cache-Control": "no-store",
            "Referrer-Policy": "no-referrer",
            "X-Content-Type-Options": "nosniff",
            "X-Robots-Tag": "noindex, nofollow",
            "Connection": "close",
            **response.headers,
        }.items():
            self.send_header(name, value)
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)

    def _drain(self) -> None:
        """Take what the client still sends, for a moment: closed at once, it would never see what was answered."""
        self.wfile.flush()
        self.connection.shutdown(socket.SHUT_WR)
        self.connection.settimeout(0.2)
        for _ in range(32):
            if not self.connection.recv(4096):
                return

    def version_string(self) -> str:
        return "Warmtally"

    def log_message(self, *_: object) -> None:
        """Nothing: a path holds a code."""


class _Server(socketserver.TCPServer):
    allow_reuse_address = True
    request_queue_size = 128
    timeout = _LOOK_S

    def __init__(
        self,
        family: socket.AddressFamily,
        place: tuple[object, ...],
        answering: Answering,
        failing: Callable[[int], Response],
    ) -> None:
        self.address_family = family
        self.answering, self.failing = answering, failing
        self.beat = time.monotonic()
        self._lock = threading.Lock()
        self._open: dict[socket.socket, tuple[float, str]] = {}
        super().__init__(place, _Handler)  # type: ignore[arg-type]

    def server_bind(self) -> None:
        if self.address_family == socket.AF_INET6:
            with contextlib.suppress(OSError):
                self.socket.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
        super().server_bind()

    def process_request(self, request: socket.socket, client_address: tuple[str, int]) -> None:  # type: ignore[override]
        caller = caller_of(client_address[0])
        with self._lock:
            of_each = Counter(c for _, c in self._open.values())
            room = of_each[caller] < CONNECTIONS_OF_ONE and (
                len(self._open) < CONNECTIONS or self._make_room(of_each, caller)
            )
            if room:
                self._open[request] = time.monotonic() + REQUEST_S, caller
        if not room:
            with contextlib.suppress(OSError):
                request.settimeout(0.05)
                request.sendall(b"HTTP/1.0 503 Busy\r\nRetry-After: 5\r\nContent-Length: 0\r\n\r\n")
            self.shutdown_request(request)
            return
        one = threading.Thread(
            target=self._one, args=(request, client_address), name="warmtally-page-request", daemon=True
        )
        try:
            one.start()
        except RuntimeError:
            # No thread to be had; the caller closes the connection.
            with self._lock:
                self._open.pop(request, None)
            raise

    def _make_room(self, of_each: Counter[str], caller: str) -> bool:
        """Cut the oldest connection of whoever has the most, if that is more than this caller has.

        So callers who hold all they can get keep nobody out who needs one, and what takes a moment is done before it is
        the oldest.
        """
        most = max(of_each.values())
        if most <= of_each[caller]:
            return False
        oldest = min((r for r, (_, c) in self._open.items() if of_each[c] == most), key=lambda r: self._open[r][0])
        del self._open[oldest]
        with contextlib.suppress(OSError):
            oldest.shutdown(socket.SHUT_RDWR)
        return True

    def _one(self, request: socket.socket, client_address: tuple[str, int]) -> None:
        try:
            self.finish_request(request, client_address)
        except Exception as error:  # noqa: BLE001 - whatever a client's bytes bring about ends with its connection
            if not isinstance(error, OSError):
                log.warning("a request ended with %s", type(error).__name__)
        finally:
            with self._lock:
                self._open.pop(request, None)
            self.shutdown_request(request)

    def service_actions(self) -> None:
        """In the accepting thread, a few times a second: cut what takes too long."""
        self.beat = time.monotonic()
        with self._lock:
            late = [r for r, (until, _) in self._open.items() if self.beat > until]
        for request in late:
            with contextlib.suppress(OSError):
                request.shutdown(socket.SHUT_RDWR)

    def handle_error(self, request: object, client_address: object) -> None:
        """Accepting failed for one client; nothing is said, since a path could stand in it."""

    def close_all(self) -> None:
        with self._lock:
            still = list(self._open)
        for request in still:
            with contextlib.suppress(OSError):
                request.shutdown(socket.SHUT_RDWR)


class PageServer:
    """Serves pages at one place until :meth:`stop`. ``answering`` makes a page, ``failing`` that of a mere status."""

    def __init__(self, listen: tuple[str, int], answering: Answering, failing: Callable[[int], Response]) -> None:
        self._listen = listen
        self._answering, self._failing = answering, failing
        self._stopping = threading.Event()
        self._server: _Server | None = None
        self._thread: threading.Thread | None = None
        self._beat = time.monotonic()
        self.trouble = ""
        """Why nothing is served just now; empty when all is well."""

    def start(self) -> None:
        self._beat = time.monotonic()
        self._thread = threading.Thread(target=self._run, name="warmtally-page", daemon=True)
        self._thread.start()

    def tend(self) -> None:
        """Replace a thread that died; called now and then by the owner."""
        if self._thread is not None and not self._thread.is_alive() and not self._stopping.is_set():
            log.error("the page's thread ended; starting another")
            self.start()

    def alive(self) -> bool:
        """Whether the accepting thread makes its rounds."""
        server = self._server
        beat = self._beat if server is None else max(self._beat, server.beat)
        return self._thread is not None and self._thread.is_alive() and time.monotonic() - beat < HUNG_S

    @property
    def port(self) -> int:
        """The port in use; 0 while there is none."""
        server = self._server
        return 0 if server is None else int(server.server_address[1])

    def stop(self, timeout_s: float = 3.0) -> None:
        """Close everything. May be called twice."""
        self._stopping.set()
        server = self._server
        if server is not None:
            server.close_all()
        if self._thread is not None and self._thread.ident is not None:
            self._thread.join(timeout_s)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._beat = time.monotonic()
            try:
                self._serve()
            except Exception as error:  # noqa: BLE001 - whatever it was, the place is tried again
                detail = error.strerror if isinstance(error, OSError) and error.strerror else type(error).__name__
                trouble = f"the page of answers cannot be served at {self._place} ({detail}); trying again"
                if trouble != self.trouble:
                    log.error("%s", trouble)  # noqa: TRY400 - the sentence is the whole story
                self.trouble = trouble
            self._stopping.wait(AGAIN_S)

    def _serve(self) -> None:
        host, port = self._listen
        family, _, _, _, place = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
        with _Server(family, place, self._answering, self._failing) as server:
            self._server = server
            if self.trouble:
                log.warning("the page of answers is served again at %s", self._place)
            self.trouble = ""
            try:
                while not self._stopping.is_set():
                    server.handle_request()
                    server.service_actions()
            finally:
                self._server = None
                server.close_all()

    @property
    def _place(self) -> str:
        host, port = self._listen
        return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
