"""What waits between the network thread and the writer: in order, bounded.

Full, it holds the network thread for less than the keep-alive; then the connection is to be dropped rather than a
message. A broker's "receive maximum" is no bound: a widely used version, 2.0.11 of mosquitto, was measured to exceed
it as soon as messages are acknowledged.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from typing import Final

from monitor.adapters.mqtt.line import Connected
from monitor.core.readings.arrivals import Arrival

QUEUE_LENGTH: Final = 2000
QUEUE_BYTES: Final = 16 * 1024 * 1024
# After the first message the writer waits so long for more: two threads that take turns at each message cost more
# than all that is done with it.
GATHER_S: Final = 0.003


class ArrivalQueue:
    """One thread puts, one takes; each counts what it did itself, so no lock is needed."""

    def __init__(self) -> None:
        self._items: deque[Arrival | Connected] = deque()
        self._something = threading.Event()
        self._bytes_put = 0
        self._bytes_taken = 0
        self.received = 0
        self.without_ack = 0
        self.overflows = 0
        self.last_message_ms: int | None = None

    def qsize(self) -> int:
        return len(self._items)

    def put(self, item: Arrival | Connected, patience_s: float, ending: threading.Event) -> bool:
        """False when there was no room for so long; True, too, when the service ends and nobody will take it."""
        if self._put(item):
            return True
        deadline = time.monotonic() + patience_s
        while not ending.is_set():
            time.sleep(GATHER_S)
            if self._put(item):
                return True
            if time.monotonic() > deadline:
                self.overflows += 1
                return False
        return True

    def _put(self, item: Arrival | Connected) -> bool:
        """False when there is no room; one message is always taken, however large."""
        size = len(item.payload) if isinstance(item, Arrival) else 0
        length = len(self._items)
        if length >= QUEUE_LENGTH or (length and self._bytes_put - self._bytes_taken + size > QUEUE_BYTES):
            return False
        if isinstance(item, Arrival):
            self._bytes_put += size
            self.received += 1
            self.without_ack += item.mid == 0
            self.last_message_ms = item.received_ms
        self._items.append(item)
        if not self._something.is_set():
            self._something.set()
        return True

    def take(self) -> Arrival | Connected | None:
        """What is next, None when there is nothing."""
        if not self._items:
            return None
        item = self._items.popleft()
        if isinstance(item, Arrival):
            self._bytes_taken += len(item.payload)
        return item

    def wait(self, seconds: float) -> None:
        """Until something is there, at most so long; and a moment longer, for what comes with it."""
        self._something.clear()
        # Looked at after it was cleared: what is put between the two is seen here or wakes us.
        if self._items or self._something.wait(seconds):
            time.sleep(min(GATHER_S, seconds))
