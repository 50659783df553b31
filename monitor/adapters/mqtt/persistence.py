"""The writer's store: what has to be written is tried until the store takes it, or the service ends."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Final

from monitor.adapters.store import Store
from monitor.errors import MonitorError, StoreFull, StoreLocked, StoreVanished

_log = logging.getLogger(__name__)

BACK_OFF_S: Final = (0.5, 30.0)


class Persistence:
    """Opens the store (raises StoreError) and writes to it. Belongs to one thread; ``error`` and ``beat_s`` may be read
    by any.

    ``error`` is why nothing can be stored right now, else empty; ``beat_s`` when its thread last showed that it is
    alive (monotonic).
    """

    def __init__(self, data_dir: str, ending: threading.Event) -> None:
        self._data_dir = data_dir
        self._ending = ending
        self.error = ""
        self.beat_s = time.monotonic()
        self.store = self._opened()

    def _opened(self) -> Store:
        store = Store(self._data_dir)
        # An hour of the past that is damaged must not keep the present from being stored.
        store.readings.damaged, store.batches.damaged = {}, {}
        return store

    def beat(self) -> None:
        self.beat_s = time.monotonic()

    def insist(self, work: Callable[[Store], None]) -> bool:
        """Do it until the store takes it. False only when the service ends meanwhile."""
        pause = BACK_OFF_S[0]
        while True:
            self.beat()
            try:
                work(self.store)
            except MonitorError as error:
                if not self.error:
                    _log.error("nothing can be stored: %s", error)
                self.error = str(error)
                if self._ending.is_set():
                    return False
                self._ending.wait(pause)
                pause = min(pause * 2, BACK_OFF_S[1])
                # With another file in its place the whole service is started anew, not its writer alone.
                if not isinstance(error, (StoreFull, StoreLocked, StoreVanished)):
                    self._reopen()
                continue
            if self.error:
                self.error = ""
                _log.warning("the store takes readings again")
            return True

    def _reopen(self) -> None:
        """A file that came back (a disk mounted again) needs a new connection."""
        try:
            fresh = self._opened()
        except MonitorError:
            return
        self.store.close()
        self.store = fresh
