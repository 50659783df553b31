"""All rooms at all brokers of an overview, as they are seen now; and answers that are given to them."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from monitor.adapters.mqtt.rooms import RoomsLine
from monitor.adapters.mqtt.rooms_answers import AnswersOnTheirWay
from monitor.core.rooms.overview import OverviewNow, overview
from monitor.core.terms.settings import OverviewSettings

_log = logging.getLogger(__name__)

LOOK_S: Final = 0.5
"""So often at most it is all looked at anew."""


class RoomsSeen:
    """Lines to all brokers, and one thread that looks. Safe to use from several threads.

    ``keep``: answers on their way outlive this process, in the settings' folder. Raises ConfigError.
    """

    def __init__(self, settings: OverviewSettings, now_ms: Callable[[], int], *, keep: bool) -> None:
        self.settings, self.now_ms = settings, now_ms
        self._news, self._stopping = threading.Event(), threading.Event()
        self.lines = {at.id: RoomsLine(at, now_ms, self._news.set) for at in settings.brokers}
        folder = Path(settings.data_dir) if keep else None
        if folder is not None:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        self.answers = AnswersOnTheirWay(folder, self.lines, now_ms)
        self._thread = threading.Thread(target=self._run, name="warmtally-rooms", daemon=True)
        self._shown: object = None
        self._last = overview((), now_ms())
        self.changed_ms = now_ms()
        """When anything changed last."""

    def open(self) -> None:
        for line in self.lines.values():
            line.open()
        self._thread.start()

    def close(self) -> None:
        self._stopping.set()
        self._news.set()
        for line in self.lines.values():
            line.close()
        if self._thread.ident is not None:
            self._thread.join(5.0)

    @property
    def settled(self) -> bool:
        """Whether all that stands at each broker has come."""
        return all(line.settled for line in self.lines.values())

    @property
    def troubles(self) -> dict[str, str]:
        """Broker -> why there is no line to it just now."""
        return {name: line.trouble for name, line in self.lines.items() if line.trouble}

    def alive(self) -> bool:
        """Whether somebody looks."""
        return self._thread.is_alive()

    def last(self) -> OverviewNow:
        """As it was looked at last, half a second ago or two."""
        return self._last

    def look(self) -> OverviewNow:
        """All rooms of this moment."""
        heard = [room for line in self.lines.values() for room in line.rooms()]
        found = overview(heard, self.now_ms(), sum(line.left_out for line in self.lines.values()))
        shown = [(r.watch, r.heard) for r in found.rooms], found.left_out
        if shown != self._shown:
            self._shown, self.changed_ms = shown, max(found.at_ms, self.changed_ms + 1)
        self._last = found
        return found

    def _run(self) -> None:
        told = ""
        while not self._stopping.is_set():
            self._news.clear()
            try:
                if self.answers.tend(self.look()):
                    self.changed_ms = max(self.now_ms(), self.changed_ms + 1)
                trouble = ""
            except OSError as error:
                trouble = f"answers on their way cannot be written down ({error.strerror})"
            except Exception as error:  # noqa: BLE001 - whatever a room says, the next look is made
                trouble = f"the rooms cannot be looked at ({type(error).__name__})"
            if trouble != told and trouble:
                _log.warning("%s; trying again", trouble)
            told = trouble
            self._stopping.wait(LOOK_S)
            self._news.wait(2 * LOOK_S)

    def wait(self, done: Callable[[], bool], seconds: float) -> bool:
        """Until something is so, or for so long; whether it is."""
        until = time.monotonic() + seconds
        while not done():
            if time.monotonic() > until:
                return False
            time.sleep(0.05)
        return True
