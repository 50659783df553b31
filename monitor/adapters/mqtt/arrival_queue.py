"""What waits between the line and the store: in order, bounded.

Full, nothing is read for less than the keep-alive; then the connection is to be dropped rather than a message. A
broker's "receive maximum" is no bound: a widely used version, 2.0.11 of mosquitto, was measured to exceed it as soon
as messages are acknowledged.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from monitor.adapters.mqtt.line import Connected
from monitor.adapters.mqtt.standing import UNDER_WAY
from monitor.core.readings.arrivals import Arrival
from monitor.core.readings.decode import LARGEST_PAYLOAD

QUEUE_LENGTH: Final = 2000
QUEUE_BYTES: Final = 16 * 1024 * 1024


class ArrivalQueue:
    """One thread puts, one takes; each counts what it did itself, so no lock is needed."""

    def __init__(self) -> None:
        self._items: deque[Arrival | Connected] = deque()
        self._bytes_put = 0
        self._bytes_taken = 0
        self.received = 0
        self.without_ack = 0
        self.overflows = 0
        self.last_message_ms: int | None = None

    def qsize(self) -> int:
        return len(self._items)

    def has_room(self) -> bool:
        """For all that paho reads at once: one packet, and one for each that is under way to the broker."""
        waiting = self._bytes_put - self._bytes_taken
        return len(self._items) < QUEUE_LENGTH - UNDER_WAY and waiting < QUEUE_BYTES - LARGEST_PAYLOAD

    def put(self, item: Arrival | Connected) -> bool:
        """False when there is no room; one message is always taken, however large."""
        size = len(item.payload) if isinstance(item, Arrival) else 0
        length = len(self._items)
        if length >= QUEUE_LENGTH or (length and self._bytes_put - self._bytes_taken + size > QUEUE_BYTES):
            self.overflows += 1
            return False
        if isinstance(item, Arrival):
            self._bytes_put += size
            self.received += 1
            self.without_ack += item.mid == 0
            self.last_message_ms = item.received_ms
        self._items.append(item)
        return True

    def take(self) -> Arrival | Connected | None:
        """What is next, None when there is nothing."""
        if not self._items:
            return None
        item = self._items.popleft()
        if isinstance(item, Arrival):
            self._bytes_taken += len(item.payload)
        return item
