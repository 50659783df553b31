"""Probes, batteries and gateways of one moment."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from monitor.adapters.store import Store
from monitor.core.maths.robust import median
from monitor.core.notices.snapshot import GatewayNow, Heard, ProbeNow
from monitor.core.readings.batteries import LOOK_BACK_DAYS, BatteryNow, trend
from monitor.core.readings.gateways import FACT, read
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.settings import Gateway, Probe, Room
from monitor.core.terms.times import DAY_MS
from monitor.derived.departures import Peer, peers_of
from monitor.derived.memo import Memo
from monitor.derived.readings import RoomReadings
from monitor.derived.trace import Trace

# A battery's level is the median of so many readings: one that was taken while it sends is lower.
BATTERY_READINGS = 5


class Probes:
    """The probes of one room's store. Belongs to one thread, like its store."""

    def __init__(self, store: Store, room: Room, readings: RoomReadings) -> None:
        self._store = store
        self._room = room
        self._readings = readings
        self._peers: Memo[dict[str, Peer]] = Memo()
        self._battery_days: Memo[tuple[Times, Values]] = Memo()

    def now(self, now_ms: int) -> tuple[ProbeNow, ...]:
        """Every probe that has a place, in the order of the room."""
        unread = self._store.unread.since(now_ms - 900_000, now_ms + 300_000)
        peers = self.peers(now_ms)
        paces = self._store.readings.paces(now_ms)
        return tuple(
            self._now(p, now_ms, unread.get(p.id, (0, "")), peers.get(p.id, Peer()), paces) for p in self._room.probes
        )

    def _now(
        self, probe: Probe, now_ms: int, unread: tuple[int, str], peer: Peer, paces: Mapping[str, float] | None
    ) -> ProbeNow:
        c = self._readings.recent(probe.id, now_ms + 300_000)
        last = c.last_usable
        # A probe that died days ago did speak once, also after a restart.
        usable = int(c.at[last]) if last is not None else self._store.readings.last_usable_at(probe.id, now_ms)
        return ProbeNow(
            self._readings.effective(probe, now_ms),
            int(c.at[-1]) if len(c) else usable,
            float(c.value[-1]) if len(c) else None,
            int(c.flag[-1]) if len(c) else None,
            usable,
            *unread,
            self._readings.corrections.holding(probe.id, now_ms),
            peer.state,
            peer.departure,
            peer.first_ms,
            _heard(c, now_ms),
            None if paces is None else paces.get(probe.id, 0.0),
            self._readings.clock(probe.id),
            self._readings.came_ms(probe.id),
        )

    def gateway(self, gateway: Gateway, probes: tuple[ProbeNow, ...]) -> GatewayNow:
        """A gateway with the probes that are heard through it."""
        said = read(self._store.db.fact(FACT.format(gateway.id)))
        return GatewayNow(gateway, said, tuple(p for p in probes if p.probe.gateway == gateway.id))

    def peers(self, now_ms: int) -> dict[str, Peer]:
        """How each temperature probe stands among those of its stack, by whole days; looked at once a day."""
        corrections, belief = self._readings.corrections, self._readings.belief
        key = now_ms // DAY_MS, self._store.readings.bulks(), self._readings.knowledge
        return self._peers.of("", key, lambda: peers_of(self._store.readings, self._room, corrections, belief, now_ms))

    def battery(self, battery: Probe, now_ms: int) -> BatteryNow:
        """A battery by its newest readings, and by its days how long it lasts; the days are looked at once a day."""
        c = self._readings.columns([battery], now_ms - DAY_MS, now_ms + 1)[battery.id]
        good = np.flatnonzero(c.usable)[-BATTERY_READINGS:]
        if not len(good):
            return BatteryNow(battery, untold="nothing heard of it for a day")
        key = now_ms // DAY_MS, self._store.readings.bulks()
        days, levels = self._battery_days.of(battery.id, key, lambda: self._days_of(battery, now_ms))
        now = median(c.value[good])
        assert battery.low is not None
        return BatteryNow(battery, now, int(c.at[good[-1]]), *trend(days, levels, now, battery.low, battery.unit))

    def _days_of(self, battery: Probe, now_ms: int) -> tuple[Times, Values]:
        """A level for each whole day in which it was heard."""
        first = (now_ms // DAY_MS - LOOK_BACK_DAYS) * 24
        by_day: dict[int, list[float]] = {}
        for hour, level in self._store.readings.hour_means(battery.id, first, now_ms // DAY_MS * 24).items():
            by_day.setdefault(hour // 24, []).append(level)
        days = sorted(by_day)
        return np.array(days, np.int64), np.array([median(by_day[d]) for d in days])


def _heard(trace: Trace, now_ms: int) -> Heard:
    """The last day of a probe's readings as they came."""
    c = trace.between(now_ms - DAY_MS + 1, now_ms + 1)
    return Heard(c.at, c.value, c.flag, c.received, c.timed)
