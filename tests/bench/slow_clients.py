"""Slow clients, all in one thread: heads and bodies that drip, and readers that read nothing; each comes again."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections import Counter
from typing import Final

DRIP_S: Final = 0.5
_HEAD: Final = b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: "
_BODY: Final = (
    b"POST /looked-all HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/x-www-form-urlencoded\r\n"
    b"Content-Length: 5000\r\n\r\na="
)
_READ: Final = b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n" * 40
BEGIN: Final = {"head": _HEAD, "body": _BODY, "reader": _READ}


class SlowClients(threading.Thread):
    """``count`` of them from ``callers`` addresses; ``came``: how many connections there were of each kind, and how
    many of them were cut."""

    def __init__(self, port: int, count: int, callers: int) -> None:
        super().__init__(daemon=True)
        self._port, self._count, self._callers = port, count, callers
        self._stopped = threading.Event()
        self.came = Counter[str]()

    def run(self) -> None:
        kinds = list(BEGIN)
        held: list[socket.socket | None] = [None] * self._count
        while not self._stopped.is_set():
            for n in range(self._count):
                held[n] = self._one(n, kinds[n % len(kinds)], held[n])
            self._stopped.wait(DRIP_S)
        for each in held:
            if each is not None:
                each.close()

    def _one(self, n: int, kind: str, held: socket.socket | None) -> socket.socket | None:
        """One step of one of them: begin, or send a byte more; None where it was cut."""
        if held is None:
            return self._begun(n, kind)
        try:
            if kind == "reader":
                # It takes nothing; an end is seen by what the system says of the connection.
                ended = held.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR) != 0
            else:
                held.send(b"x")
                ended = held.recv(65536) == b""
        except BlockingIOError:
            return held
        except OSError:
            ended = True
        if ended:
            held.close()
            self.came["cut"] += 1
            return None
        return held

    def _begun(self, n: int, kind: str) -> socket.socket | None:
        s = socket.socket()
        with contextlib.suppress(OSError):
            s.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
            s.bind((f"127.0.2.{1 + n % self._callers}", 0))
            s.settimeout(2.0)
            s.connect(("127.0.0.1", self._port))
            s.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                s.send(BEGIN[kind])
            self.came[kind] += 1
            return s
        s.close()
        self.came["not let in"] += 1
        return None

    def stop(self) -> None:
        self._stopped.set()
        self.join(30)
