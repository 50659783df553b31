"""The page's server: uvicorn in a thread of the service, within bounds, that comes back whatever becomes of it.

If the place to listen at is not there (a network that comes later, a port in use) it is tried again for ever; a thread
that died is replaced; one that hangs is seen.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import logging
import socket
import threading
import time
from collections.abc import Collection, Iterator
from typing import Any, Final
from urllib.parse import urlsplit

import anyio.to_thread
import uvicorn
from starlette.types import ASGIApp

from monitor.page.bounds import Bounds
from monitor.page.connections import BoundedProtocol, Connections
from monitor.page.guard import Failing, Guard, Refusals, bare_page, place_of

log = logging.getLogger("warmtally.page")

AGAIN_S: Final = 10.0
_LOOK_S: Final = 0.25
_BUFFER_BYTES: Final = 128 * 1024
"""What the system keeps of a connection each way. By itself it would keep megabytes for a client that reads nothing."""
_GONE_MS: Final = 30_000
"""A client that acknowledges nothing for so long is gone."""


class _Inner(uvicorn.Server):
    """uvicorn's server of one run."""

    def __init__(self, config: uvicorn.Config, connections: Connections, guard: Guard) -> None:
        super().__init__(config)
        self.server_state = self.connections = connections
        self.guard = guard
        self.beat = time.monotonic()

    async def main_loop(self) -> None:
        anyio.to_thread.current_default_thread_limiter().total_tokens = self.connections.bounds.turns
        asyncio.get_running_loop().set_exception_handler(_unforeseen)
        while not await self.on_tick(0):
            self.look()
            await asyncio.sleep(_LOOK_S)

    def look(self) -> None:
        self.beat = time.monotonic()
        self.connections.look()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self.connections.close_all(answering_too=False)
        await super().shutdown(sockets)


def _unforeseen(_: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """What went wrong outside of a request; what is said of it may hold what a client sent."""
    error = context.get("exception")
    if isinstance(error, OSError):
        return
    log.warning("the page's server met %s", place_of(error) if error is not None else "something unforeseen")


class PageServer:
    """Serves an app at one place until :meth:`stop`.

    ``address``: where a browser finds it, which is a name that it answers to; ``streams``: paths of endless answers;
    ``proxy``: addresses of this computer whose word on who asks is taken; ``failing``: the page of a mere status.
    """

    def __init__(
        self,
        listen: tuple[str, int],
        app: ASGIApp,
        *,
        address: str = "",
        streams: Collection[str] = (),
        proxy: Collection[str] = (),
        failing: Failing = bare_page,
        bounds: Bounds | None = None,
    ) -> None:
        """Raises ValueError for a proxy that is not on this computer."""
        if not all(ipaddress.ip_address(p).is_loopback for p in proxy):
            raise ValueError("a proxy whose word is taken must be on this computer")
        self._listen = listen
        self._app = app
        host = listen[0]
        self._hosts = {f"[{host}]" if ":" in host else host, _host_in(address)} - {""}
        self._streams, self._proxy, self._failing = streams, proxy, failing
        self._bounds = bounds or Bounds()
        self._stopping = threading.Event()
        self._inner: _Inner | None = None
        self._socket: socket.socket | None = None
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
        """Whether the loop makes its rounds, and requests get their turn."""
        inner, hung_s = self._inner, self._bounds.hung_s
        beat = self._beat if inner is None else max(self._beat, inner.beat)
        if self._thread is None or not self._thread.is_alive() or time.monotonic() - beat > hung_s:
            return False
        return inner is None or inner.guard.turns.full_s() <= hung_s

    @property
    def port(self) -> int:
        """The port in use; 0 while there is none."""
        inner, sock = self._inner, self._socket
        if inner is None or sock is None or not inner.started:
            return 0
        with contextlib.suppress(OSError):
            return int(sock.getsockname()[1])
        return 0

    def stop(self, timeout_s: float = 3.0) -> None:
        """Close everything. May be called twice."""
        self._stopping.set()
        inner = self._inner
        if inner is not None:
            inner.should_exit = True
        if self._thread is not None and self._thread.ident is not None:
            self._thread.join(timeout_s)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._beat = time.monotonic()
            try:
                self._serve()
            except Exception as error:  # noqa: BLE001 - whatever it was, the place is tried again
                detail = error.strerror if isinstance(error, OSError) and error.strerror else type(error).__name__
                trouble = f"the page cannot be served at {self._place} ({detail}); trying again"
                if trouble != self.trouble:
                    log.error("%s", trouble)  # noqa: TRY400 - the sentence is the whole story
                self.trouble = trouble
            self._stopping.wait(AGAIN_S)

    def _serve(self) -> None:
        with _listening(*self._listen) as sock:
            asyncio.run(self._serve_at(sock))

    async def _serve_at(self, sock: socket.socket) -> None:
        refusals = Refusals(self._failing)
        guard = Guard(self._app, hosts=self._hosts, streams=self._streams, refusals=refusals, bounds=self._bounds)
        connections = Connections(self._bounds, refusals, streams=self._streams, proxy=self._proxy)
        inner = _Inner(_config(guard, self._bounds), connections, guard)
        self._socket, self._inner = sock, inner
        # It may have been told to stop before there was anything to be told.
        inner.should_exit = self._stopping.is_set()
        if self.trouble:
            log.warning("the page is served again at %s", self._place)
        self.trouble = ""
        try:
            await inner.serve(sockets=[sock])
        finally:
            self._inner = self._socket = None
            connections.close_all(answering_too=True)

    @property
    def _place(self) -> str:
        host, port = self._listen
        return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def _config(guard: Guard, bounds: Bounds) -> uvicorn.Config:
    return uvicorn.Config(
        guard,
        http=BoundedProtocol,
        ws="none",
        lifespan="off",
        interface="asgi3",
        log_config=None,
        # It logs a line for each request that is none; what matters is logged by the guard.
        log_level="critical",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        headers=[("server", "Warmtally")],
        backlog=128,
        timeout_keep_alive=int(bounds.idle_s),
        timeout_graceful_shutdown=1,
    )


def _host_in(address: str) -> str:
    with contextlib.suppress(ValueError):
        name = urlsplit(address).hostname or ""
        return f"[{name}]" if ":" in name else name
    return ""


@contextlib.contextmanager
def _listening(host: str, port: int) -> Iterator[socket.socket]:
    """The socket to listen with; what is set on it holds for every connection."""
    family, _, _, _, place = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
    with socket.socket(family, socket.SOCK_STREAM) as sock:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _BUFFER_BYTES)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER_BYTES)
        if family == socket.AF_INET6:
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _GONE_MS)
        sock.bind(place)
        yield sock
