"""A line to a broker that is looked into: what the broker delivered, what was acknowledged, and in which session.

It stands between one client and the broker, passes all bytes on, and reads the packets that matter (MQTT 3.1.1 and
5.0, sections 3.1, 3.3 and 3.4): so what the client acknowledged is known from outside, whatever becomes of the client.
The line can be cut, held and slowed.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from tests.peers import free_port

Message = tuple[str, bytes]
"""Topic and payload."""
_CONNECT, _PUBLISH, _PUBACK, _SUBACK = 1, 3, 4, 9
_PIECE: Final = 65536
_Told = Callable[[int, int, bytes], None]
"""What hears of a packet: its kind, its flags, what follows its length."""


@dataclass
class WatchedLine:
    """``acknowledged``: message -> when it was last acknowledged (monotonic). ``delivered``: message -> the packets it
    came in, each as (which life of the broker, packet identifier). ``subscribed_s``: when it promised topics."""

    broker: int
    port: int = field(default_factory=free_port)
    life: int = 0
    acknowledged: dict[Message, float] = field(default_factory=dict)
    delivered: defaultdict[Message, set[tuple[int, int]]] = field(default_factory=lambda: defaultdict(set))
    subscribed_s: list[float] = field(default_factory=list)
    slow_s: float = 0.0

    def __post_init__(self) -> None:
        self.lock = threading.Lock()
        self.passing = threading.Event()
        self.passing.set()
        self._ending = threading.Event()
        self._open: set[socket.socket] = set()
        self._door = socket.create_server(("127.0.0.1", self.port), reuse_port=False)
        self._door.settimeout(0.2)
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """Every connection ends at once."""
        with self.lock:
            sockets, self._open = self._open, set()
        for one in sockets:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._ending.set()
        self.passing.set()
        self.cut()
        self._door.close()

    def __enter__(self) -> WatchedLine:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _accept(self) -> None:
        while not self._ending.is_set():
            try:
                client, _ = self._door.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            try:
                broker = socket.create_connection(("127.0.0.1", self.broker), timeout=5)
            except OSError:
                client.close()
                continue
            for one in (client, broker):
                one.settimeout(None)
            with self.lock:
                self._open |= {client, broker}
            told = _Session(self)
            threading.Thread(target=self._pass, args=(client, broker, told.up), daemon=True).start()
            threading.Thread(target=self._pass, args=(broker, client, told.down), daemon=True).start()

    def _pass(self, source: socket.socket, to: socket.socket, packets: Packets) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(_PIECE):
                self.passing.wait()
                if self.slow_s:
                    time.sleep(self.slow_s)
                packets.take(data)
                to.sendall(data)
        for one in (source, to):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
        with self.lock:
            self._open -= {source, to}
        source.close()


class _Session:
    """One connection through the line."""

    def __init__(self, line: WatchedLine) -> None:
        self._line = line
        self._life = line.life
        self._version = 5
        self._under_way: dict[int, Message] = {}
        self.up, self.down = Packets(self._from_client), Packets(self._from_broker)

    def _from_client(self, kind: int, _flags: int, body: bytes) -> None:
        if kind == _CONNECT:
            self._version = body[2 + int.from_bytes(body[:2])]
        elif kind == _PUBACK:
            # Before it is passed on: what the client has said it has said.
            with self._line.lock:
                message = self._under_way.pop(int.from_bytes(body[:2]), None)
                if message is not None:
                    self._line.acknowledged[message] = time.monotonic()

    def _from_broker(self, kind: int, flags: int, body: bytes) -> None:
        if kind == _SUBACK:
            with self._line.lock:
                self._line.subscribed_s.append(time.monotonic())
        if kind != _PUBLISH or not flags & 0x06:
            return
        identifier, topic, payload = published(body, self._version)
        with self._line.lock:
            self._under_way[identifier] = topic, payload
            self._line.delivered[topic, payload].add((self._life, identifier))


def published(body: bytes, version: int) -> tuple[int, str, bytes]:
    """Packet identifier, topic and payload of a PUBLISH with QoS 1 or 2 (3.3)."""
    end = 2 + int.from_bytes(body[:2])
    topic, identifier, rest = body[2:end].decode(), int.from_bytes(body[end : end + 2]), body[end + 2 :]
    if version == 5:
        length, used = _length(rest)
        rest = rest[used + length :]
    return identifier, topic, rest


def _length(data: bytes) -> tuple[int, int]:
    """A variable byte integer (MQTT 5.0, 1.5.5) and how many bytes it takes; (0, 0): there is more to come."""
    value = 0
    for i, byte in enumerate(data[:4]):
        value |= (byte & 0x7F) << (7 * i)
        if not byte & 0x80:
            return value, i + 1
    return 0, 0


class Packets:
    """Bytes, in pieces of any size, to packets."""

    def __init__(self, told: _Told) -> None:
        self._told = told
        self._rest = b""

    def take(self, data: bytes) -> None:
        data = self._rest + data
        at = 0
        while len(data) - at >= 2:
            length, used = _length(data[at + 1 : at + 5])
            end = at + 1 + used + length
            if not used or end > len(data):
                break
            self._told(data[at] >> 4, data[at] & 0x0F, data[at + 1 + used : end])
            at = end
        self._rest = data[at:]
