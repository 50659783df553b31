"""Upkeep of the store: once an hour readings are folded and summed up, days that are over packed little by little, and
once a day what is too old is dropped, and what is old thinned."""

from __future__ import annotations

import ctypes
import logging
from typing import Final

from monitor.adapters.crashpoints import crash_point
from monitor.adapters.store import Store
from monitor.core.notices.evaluation import place_of
from monitor.core.terms.settings import Settings
from monitor.core.terms.times import HOUR_MS
from monitor.derived.room import Derived
from monitor.errors import MonitorError, StoreFull

log = logging.getLogger("warmtally")

GIVE_BACK_EVERY_MS: Final = 300_000
MUCH_ROWS: Final = 100_000
LOOK_EVERY_MS: Final = 300_000


def why(error: Exception) -> str:
    """What failed, in the words of the error where it has some, else the place in the program."""
    return f"{error.what} ({error.where})" if isinstance(error, MonitorError) else place_of(error)


class Upkeep:
    """Belongs to the thread of the rounds, like its store."""

    def __init__(self, store: Store, derived: Derived, settings: Settings) -> None:
        self._store = store
        self._derived = derived
        self._keep_days = settings.calendar.keep_days
        self._hour = -1
        self._looked_ms = 0
        self._thin_after_days = settings.calendar.thin_after_days
        self._unpacked = True
        self._unthinned = False
        self._thinned_days = 0
        self._unsummed = ""
        self._gave_back_ms = 0

    def hourly(self, now_ms: int) -> None:
        """Fold the journal into chunks and write the finished hours' sums, where this hour's is still to be done.

        One damaged hour must not end the watch: it is told as a check (:meth:`damage`).
        """
        hour = now_ms // HOUR_MS
        if hour == self._hour and not self._much(now_ms):
            self._pack(now_ms)
            self._thin(now_ms)
            return
        seen = self._derived.readings.seen_seq
        try:
            self._store.folding.fold(now_ms, seen if seen >= 0 else 2**62)
            crash_point("after-folding-before-summing")
            self._derived.hours.refresh(now_ms)
            self._store.seal()
            self._store.db.checkpoint()
            self._unsummed = ""
        except StoreFull as error:
            log.error("%s", error)  # noqa: TRY400 - the message is the whole story
        except Exception as error:  # noqa: BLE001
            self._unsummed = why(error)
            log.error("the hour's sums cannot be written: %s", self._unsummed)  # noqa: TRY400
        self._hour, self._unpacked = hour, True

    def _much(self, now_ms: int) -> bool:
        """Whether a broker's backlog came in, say, which is not to be held in memory until the hour is over."""
        if abs(now_ms - self._looked_ms) < LOOK_EVERY_MS:
            return False
        self._looked_ms = now_ms
        return self._store.batches.held() > MUCH_ROWS

    def _pack(self, now_ms: int) -> None:
        """A little at each round, until nothing is left: then once an hour it is looked whether there is more."""
        if not self._unpacked:
            return
        try:
            self._unpacked = self._store.folding.pack(now_ms) > 0
        except MonitorError as error:
            self._unpacked = False
            log.error("days cannot be packed: %s", why(error))  # noqa: TRY400 - tried again in an hour

    def _thin(self, now_ms: int) -> None:
        """A little at each round, once days are packed and sums are written, until the next day's turn."""
        if not self._unthinned or self._unpacked or self._unsummed:
            return
        try:
            edges = self._derived.hours.edges(now_ms)
            thinned = self._store.thinning.thin(now_ms, self._thin_after_days, single=edges)
            if thinned.done:
                self._store.thinning.tidy(now_ms)
        except MonitorError as error:
            self._unthinned = False
            log.error("old readings cannot be thinned: %s", why(error))  # noqa: TRY400 - tried again tomorrow
            return
        self._thinned_days += thinned.days
        self._unthinned = not thinned.done
        if thinned.done and self._thinned_days:
            log.info("%d old days of probes became means of ten minutes", self._thinned_days)
            self._thinned_days = 0

    def give_back(self, now_ms: int) -> None:
        """Memory that was needed for a while, by a first round, a flood of readings or a page, back to the system; now
        and then, for the allocator keeps by itself what lies between things that are still of use. At each call: what
        waits to be folded and came some time ago does not stay unpacked."""
        self._store.batches.give_back()
        if 0 <= now_ms - self._gave_back_ms < GIVE_BACK_EVERY_MS:
            return
        self._gave_back_ms = now_ms
        self._store.db.give_back()
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        # Of glibc alone (malloc_trim(3)).
        if trim is not None:
            trim(0)

    def retention(self, now_ms: int) -> None:
        """Drop what is older than is kept; from then on old days are thinned, a little at each round."""
        self._unthinned = True
        log.info("retention: %s", self._store.forget(now_ms, self._keep_days))

    def damage(self) -> dict[str, str]:
        """Checks that suffer from damage in the store, each with the reason."""
        damaged = self._store.folding.set_aside() | (self._store.readings.damaged or {})
        found = {f"the readings of {probe}": text for (probe, _), text in damaged.items()}
        found |= {f"readings up to number {n}": text for n, text in (self._store.batches.damaged or {}).items()}
        return found | ({"hourly sums": self._unsummed} if self._unsummed else {})
