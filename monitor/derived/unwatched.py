"""What came of a time in which nobody watched: the readings of it that came late, and how far each box went."""

from __future__ import annotations

import numpy as np

from monitor.adapters.store import Store
from monitor.core.notices.snapshot import AwayNow, BoxAway, Service
from monitor.core.readings.arrivals import WAITED
from monitor.core.terms.arrays import Values
from monitor.core.terms.settings import Room
from monitor.core.terms.times import HOUR_MS
from monitor.derived.memo import Memo
from monitor.derived.readings import RoomReadings

# By then an absence was told, and what comes later of it is told by nobody.
AWAY_TOLD_MS = HOUR_MS


class Unwatched:
    """The last absence of one room's service. Belongs to one thread, like its store."""

    def __init__(self, store: Store, room: Room, readings: RoomReadings) -> None:
        self._store = store
        self._room = room
        self._readings = readings
        self._known: Memo[AwayNow] = Memo()

    def now(self, service: Service, now_ms: int) -> AwayNow | None:
        """The last absence and what came of it, looked at once a minute and not after it was surely told."""
        if service.away is None:
            return None
        from_ms, until_ms = service.away
        if now_ms - until_ms > AWAY_TOLD_MS:
            return AwayNow(from_ms, until_ms)
        key = (service.away, now_ms // 60_000, self._readings.seen_seq)
        return self._known.of("", key, lambda: self._of(from_ms, until_ms, service))

    def _of(self, from_ms: int, until_ms: int, service: Service) -> AwayNow:
        late = undated = 0
        waited: dict[str, Values] = {}
        dated_until_ms = dict.fromkeys((p.id for p in self._room.probes), until_ms)
        for probe in self._room.probes:
            values = [np.empty(0)]
            for c in self._store.readings.pieces(probe.id, from_ms, until_ms + AWAY_TOLD_MS):
                # One without a time of its own was given a moment at its arrival or just before it, which says nothing
                # of when it was made.
                placed = ~c.timed & (c.received >= until_ms)
                dated_until_ms[probe.id] = min([dated_until_ms[probe.id], *c.at[placed].tolist()])
                late += int(np.sum(c.usable & ~placed & (c.at > from_ms) & (c.at < until_ms)))
                here = np.array([test == WAITED for test in c.test], bool) & (c.received >= until_ms)
                undated += int(here.sum())
                values.append(c.value[here])
            waited[probe.id] = np.concatenate(values)
        boxes = []
        for box in self._room.boxes:
            own = self._room.probes_in(box.id)
            dated_ms = min([until_ms, *(dated_until_ms[p.id] for p in own)])
            series = self._readings.box_series(box, from_ms + 1, dated_ms, as_heard=True, stored=True)
            undated_c = np.concatenate([waited[p.id] + p.correction for p in own] or [np.empty(0)])
            lowest = highest = None
            if len(series.temperature_c):
                k, m = int(np.argmin(series.temperature_c)), int(np.argmax(series.temperature_c))
                lowest, highest = ((float(series.temperature_c[i]), int(series.time_ms[i])) for i in (k, m))
            span = (float(undated_c.min()), float(undated_c.max())) if len(undated_c) else None
            boxes.append(BoxAway(box.id, lowest, highest, span))
        lost = service.link.session_lost_ms is not None and service.link.session_lost_ms >= until_ms - 60_000
        return AwayNow(from_ms, until_ms, late, undated, tuple(boxes), lost)
