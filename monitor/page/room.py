"""What pages are made of: the newest whole round of the service, and the room's store for what was and is entered."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import tzinfo
from typing import Final

from monitor.adapters.store import Store
from monitor.config.zones import zone_of
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.settings import DisplayUnit, Settings
from monitor.errors import StoreError
from monitor.telling.at_hand import RoomAtHand

LOOK_S: Final = 4.0
REHEARSED_LOOK_S: Final = 1.5
"""A page waits so long for the round that knows what was just entered; a slower round is told by its age."""
BUSY_S: Final = 10.0
"""So long a page that has much to work out waits for those before it."""
STALE_S: Final = 90.0
"""So long after the newest whole round a page says first that nobody watches. Nine rounds of ten seconds."""


class LatestRound:
    """The newest whole round, handed from the service to whoever shows it. Safe to use from several threads.

    ``asked`` is set by whoever wants a round at once; the service clears it when it begins one.
    """

    def __init__(self) -> None:
        self._news = threading.Condition()
        self._snapshot: Snapshot | None = None
        self._rounds = 0
        self.asked = threading.Event()

    @property
    def snapshot(self) -> Snapshot | None:
        return self._snapshot

    def see(self, snapshot: Snapshot) -> None:
        """A round has ended."""
        with self._news:
            self._snapshot = snapshot
            self._rounds += 1
            self._news.notify_all()

    def wait(self, from_ms: int, within_s: float) -> Snapshot | None:
        """A round that ends after this call and is of ``from_ms`` or later; the newest when the time is over.

        The moment alone would not do: a rehearsal's clock stands, and so may a clock that was set back.
        """
        with self._news:
            before = self._rounds
            self._news.wait_for(
                lambda: self._rounds > before and self._snapshot is not None and self._snapshot.now_ms >= from_ms,
                within_s,
            )
            return self._snapshot


class PageRoom:
    """One room as its pages see it. Safe to use from several threads.

    Pages are made from the newest round, so that no page works out what the service knows already, and a service that
    hangs is seen by its age.
    """

    def __init__(
        self, settings: Settings, now_ms: Callable[[], int], latest: LatestRound, *, waits_s: float = LOOK_S
    ) -> None:
        """``waits_s``: 0 where rounds come only when somebody steps them."""
        self.settings = settings
        self.zone: tzinfo = zone_of(settings.room.zone)
        self.now_ms = now_ms
        self._latest = latest
        self._waits_s = waits_s
        self._working_out = threading.Lock()

    @property
    def unit(self) -> DisplayUnit:
        return self.settings.room.display_unit

    def last(self) -> Snapshot | None:
        """The newest whole round; None until there was one."""
        return self._latest.snapshot

    def stale(self) -> bool:
        """Whether the newest round is so old that what it says may not be called true now."""
        last = self.last()
        return last is None or not abs(self.now_ms() - last.now_ms) <= STALE_S * 1000

    def look_again(self, after_ms: int) -> Snapshot | None:
        """A round that knows what was told until ``after_ms``; an older one where it does not come in time."""
        if self._waits_s:
            self._latest.asked.set()
        return self._latest.wait(after_ms, self._waits_s)

    @contextmanager
    def at_hand(self) -> Iterator[RoomAtHand]:
        """The room with a store of its own for one request, closed at its end. Raises StoreError."""
        with Store(self.settings.data_dir, create=False) as store:
            yield RoomAtHand(self.settings, store)

    @contextmanager
    def working_out(self) -> Iterator[RoomAtHand]:
        """The same for what has to be worked out from readings: one page at a time, so that neither memory nor the
        rounds suffer however many ask. Raises StoreError, also when others are at it for long."""
        if not self._working_out.acquire(timeout=BUSY_S):
            raise StoreError("other pages are being worked out just now", fix="try again in a minute")
        try:
            with self.at_hand() as room:
                yield room
        finally:
            self._working_out.release()
