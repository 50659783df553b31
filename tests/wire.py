"""A wire between a client and a server that can be cut: a small TCP proxy, so that "no network" is nobody's promise."""

from __future__ import annotations

import contextlib
import selectors
import socket
import struct
import threading
from collections.abc import Iterator

_RESET = struct.pack("ii", 1, 0)


class Wire:
    """Carries what comes at ``port`` to a server's port and back. Cut, whatever is on it and whoever comes anew is
    reset; mended, it carries again."""

    def __init__(self, to_port: int) -> None:
        self._to = to_port
        self._lock = threading.Lock()
        self._whole = True
        self._peers: dict[socket.socket, socket.socket] = {}
        self._ended = threading.Event()
        self._listening = socket.create_server(("127.0.0.1", 0), backlog=64)
        self.port: int = self._listening.getsockname()[1]
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listening, selectors.EVENT_READ)
        self._thread = threading.Thread(target=self._carry, name="wire", daemon=True)
        self._thread.start()

    def cut(self) -> None:
        with self._lock:
            self._whole = False
            for end in list(self._peers):
                self._drop(end)

    def mend(self) -> None:
        with self._lock:
            self._whole = True

    def close(self) -> None:
        self._ended.set()
        self._thread.join(5)
        self.cut()
        self._listening.close()
        self._selector.close()

    def _carry(self) -> None:
        while not self._ended.is_set():
            for key, _ in self._selector.select(0.05):
                assert isinstance(key.fileobj, socket.socket)
                with self._lock:
                    if key.fileobj is self._listening:
                        self._accept()
                    elif key.fileobj in self._peers:
                        self._pass_on(key.fileobj)

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            near, _ = self._listening.accept()
            if not self._whole:
                _reset(near)
                return
            try:
                far = socket.create_connection(("127.0.0.1", self._to), timeout=5)
            except OSError:
                _reset(near)
                return
            for end, other in ((near, far), (far, near)):
                self._peers[end] = other
                self._selector.register(end, selectors.EVENT_READ)

    def _pass_on(self, end: socket.socket) -> None:
        try:
            data = end.recv(65536)
            if data:
                self._peers[end].sendall(data)
                return
        except OSError:
            pass
        self._drop(end)

    def _drop(self, end: socket.socket) -> None:
        other = self._peers.pop(end, None)
        for one in (end, other):
            if one is not None:
                self._peers.pop(one, None)
                with contextlib.suppress(KeyError, ValueError):
                    self._selector.unregister(one)
                (_reset if not self._whole else socket.socket.close)(one)


def _reset(end: socket.socket) -> None:
    """Ends a connection as a broken line does."""
    with contextlib.suppress(OSError):
        end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
    end.close()


@contextlib.contextmanager
def wired(to_port: int) -> Iterator[Wire]:
    wire = Wire(to_port)
    try:
        yield wire
    finally:
        wire.close()
