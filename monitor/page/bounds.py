"""What a client may take: so many connections, so many bytes, so much time. And who counts as one client."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from dataclasses import field

from monitor.values import dataclass


@dataclass(frozen=True, slots=True)
class Bounds:
    """Every bound of the page's server (judgement, no source). ``_of_one``: of one caller, see :func:`caller_of`."""

    connections: int = 64
    connections_of_one: int = 16
    """A browser keeps six, and several telephones may stand in one IPv6 network."""
    streams: int = 24
    streams_of_one: int = 6
    """Open event streams. They count for themselves and take nothing from requests."""
    head_s: float = 10.0
    body_s: float = 20.0
    idle_s: float = 15.0
    """From the first byte to the end of a head; from there to the end of the body; between two requests."""
    write_s: float = 15.0
    """A reader must take 64 KB, or all there is, in this time."""
    turn_s: float = 5.0
    """A request waits so long for one of ``turns`` places among those that are worked on."""
    answer_s: float = 30.0
    """And so long for the first byte of its answer."""
    send_s: float = 600.0
    """And so long for the last one."""
    stream_s: float = 3600.0
    """A stream is ended then, and its reader comes again."""
    turns: int = 4
    turns_of_one: int = 3
    waiting_of_one: int = 12
    head_bytes: int = 16 * 1024
    target_bytes: int = 2048
    headers: int = 100
    body_bytes: int = 64 * 1024
    pieces: int = 1024
    """In so many pieces a body may come. Each takes time of its own, however short."""
    drain_bytes: int = 1024 * 1024
    """A body that is too long is read to its end up to this length, so that the client sees why it was refused."""
    waiting_bytes: int = 32 * 1024 * 1024
    """What all clients together have not taken yet. Beyond it those are cut that took nothing for longest."""
    burst: int = 80
    per_s: float = 20.0
    """Requests of one caller: so many at once, and then so many a second."""
    hung_s: float = 60.0


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


@dataclass(slots=True)
class RequestRate:
    """Keeps each caller to ``burst`` requests at once and ``per_s`` from then on.

    Of at most ``callers`` it is remembered; the longest silent is forgotten, which lets nobody in who comes often.
    """

    burst: int
    per_s: float
    clock: Callable[[], float]
    callers: int = 512
    _left: dict[str, tuple[float, float]] = field(default_factory=dict)

    def wait_s(self, caller: str) -> float:
        """Count a request; 0 if it may come, else how long it is too early."""
        now = self.clock()
        left, at = self._left.pop(caller, (float(self.burst), now))
        left = min(float(self.burst), left + (now - at) * self.per_s)
        may = left >= 1.0
        self._left[caller] = left - may, now
        while len(self._left) > self.callers:
            del self._left[next(iter(self._left))]
        return 0.0 if may else (1.0 - left) / self.per_s
