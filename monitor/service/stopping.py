"""How it all stops: the parts beside each other, under one deadline, and then what they rest on.

Each part's own stop waits for what is under way: a send, a request, a batch. One after the other these waits add up to
more than the service manager grants (``TimeoutStopSec``), and whoever is killed there has not written down what it
knew. So all are asked at once, and whoever is late is left behind: nothing is lost by that, what was not acknowledged
or marked comes again after the next start.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Final

log = logging.getLogger("warmtally")

STOP_S: Final = 20.0
"""All parts together have so long to end; a third of what the unit grants."""


class Stops:
    """What was started, in the order in which it was. Belongs to the thread that starts and stops the service."""

    def __init__(self) -> None:
        self._parts: list[tuple[str, Callable[[float], object]]] = []
        self._floor: list[Callable[[], object]] = []

    def part(self, name: str, stop: Callable[[float], object]) -> None:
        """A part with work of its own; ``stop`` is called in a thread of its own with the seconds that it may take."""
        self._parts.append((name, stop))

    def floor(self, close: Callable[[], object]) -> None:
        """What the parts rest on; closed after them, in this thread, the last one first."""
        self._floor.append(close)

    def stop(self, within_s: float = STOP_S) -> tuple[str, ...]:
        """Stop everything; the names of the parts that were late or failed. The second time there is nothing left."""
        parts, floor = self._parts, self._floor
        self._parts, self._floor = [], []
        until = time.monotonic() + within_s
        late: list[str] = []

        def end(name: str, stop: Callable[[float], object]) -> None:
            try:
                stop(max(until - time.monotonic(), 0.0))
            except Exception:
                log.exception("%s could not be stopped", name)
                late.append(name)

        threads = [(n, threading.Thread(target=end, args=(n, s), name=f"stop {n}", daemon=True)) for n, s in parts]
        for _, thread in threads:
            thread.start()
        for name, thread in threads:
            thread.join(max(until - time.monotonic(), 0.0))
            if thread.is_alive():
                log.warning("%s did not stop within %.0f s and is left behind", name, within_s)
                late.append(name)
        for close in reversed(floor):
            try:
                close()
            except Exception:
                log.exception("not everything could be closed")
        return tuple(late)
