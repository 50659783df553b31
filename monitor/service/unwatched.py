"""Whether, and how long, nobody watched: what the service remembers of its own rounds."""

from __future__ import annotations

import contextlib
import json
from typing import Final

from monitor.adapters.store import Store
from monitor.errors import StoreError

WATCHED: Final = "watched_until_ms"
AWAY: Final = "was_away"
AWAY_S: Final = 1800.0
"""A shorter absence is an update or a restart, within the time that limits and probes are given anyway (judgement)."""
NOTED_EVERY_S: Final = 300.0
"""The last round is written down so often only: a disk bears that, and an absence is told in hours."""


class Absence:
    """The last absence of one room's service. Belongs to the thread of the rounds, like its store."""

    def __init__(self, store: Store) -> None:
        self._db = store.db
        self._decided = False
        self._away: tuple[int, int] | None = None
        self._noted_ms = 0

    def look(self, now_ms: int, started_ms: int, *, trusted: bool = True) -> tuple[int, int] | None:
        """From when until when nobody watched, the last time that happened; call it at each round.

        It ended when the service started, or when a clock that was set wrong was set right (``started_ms``).
        While the clock is not trusted nothing is decided. A store that cannot be written to only makes a later absence
        begin earlier.
        """
        if not trusted:
            return self._away
        with contextlib.suppress(StoreError):
            if not self._decided:
                self._decide(min(started_ms, now_ms))
            if abs(now_ms - self._noted_ms) >= NOTED_EVERY_S * 1000:
                self.note(now_ms)
        return self._away

    def note(self, now_ms: int) -> None:
        """Somebody watched until now: at a round, and at an orderly end. Raises StoreError."""
        if self._decided:
            self._db.set_fact(WATCHED, str(now_ms))
            self._noted_ms = now_ms

    def end(self, now_ms: int, *, trusted: bool) -> None:
        """An orderly end: the last moment at which somebody watched.

        A store that takes nothing any more only makes it earlier.
        """
        if trusted:
            with contextlib.suppress(StoreError):
                self.note(now_ms)

    def _decide(self, started_ms: int) -> None:
        watched, told = self._db.number(WATCHED), self._db.fact(AWAY)
        # What a flipped bit has made unreadable is as if it had not been noted.
        with contextlib.suppress(ValueError, TypeError):
            from_ms, until_ms = json.loads(told or "")
            self._away = int(from_ms), int(until_ms)
        if watched is not None and started_ms - watched >= AWAY_S * 1000:
            self._away = watched, started_ms
            # Written down before anything is told of it: this process may end before that.
            self._db.set_fact(AWAY, json.dumps(self._away))
        self._decided = True
