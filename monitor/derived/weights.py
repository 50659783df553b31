"""What each box weighs and loses: from the account, and from the scales that stand under boxes."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from monitor.adapters.store import Store
from monitor.core.climate.scales import by_scale
from monitor.core.climate.water import BoxWater, Given, OnScale, waters
from monitor.core.maths.robust import median
from monitor.core.terms.arrays import Times, Values, distinct
from monitor.core.terms.events import OF_BOXES, KeeperEvent
from monitor.core.terms.projection import effective, project
from monitor.core.terms.settings import Probe, Room
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.memo import Memo
from monitor.derived.readings import RoomReadings

# A scale is looked at so far back: beyond the longest time for which eggs lie in boxes nothing of it is of use.
LOOK_BACK_MS = 200 * DAY_MS

Hours = tuple[tuple[int, float], ...]


class Weights:
    """The weights of one room's boxes. Belongs to one thread, like its store."""

    def __init__(self, store: Store, room: Room, readings: RoomReadings) -> None:
        self._store = store
        self._room = room
        self._readings = readings
        self._days: Memo[Hours] = Memo()
        self._known: Memo[tuple[BoxWater, ...]] = Memo()

    def now(self, now_ms: int) -> tuple[BoxWater, ...]:
        """Every box with eggs in it that was weighed; anew each hour, and when something was told.

        Where no box was ever weighed nothing is read but the account.
        """
        told = self._store.account.events()
        if not self._room.scales and not any(e.kind in OF_BOXES for e in told):
            return ()
        key = now_ms // HOUR_MS, self._store.readings.bulks(), tuple(told)
        return self._known.of("", key, lambda: self._waters(told, now_ms))

    def _waters(self, told: Sequence[KeeperEvent], now_ms: int) -> tuple[BoxWater, ...]:
        events, clutches = effective(told, now_ms), project(told, now_ms).values()
        scales = {p.box: p for p in self._room.scales if p.box is not None}

        def of_scale(box: str, since_ms: int, moves_ms: Sequence[int], given: Sequence[Given]) -> OnScale:
            scale = scales.get(box)
            if scale is None:
                return OnScale(given=given)
            hours, grams = self._medians(scale, since_ms, now_ms)
            return by_scale(scale.id, scale.standard_uncertainty, hours, grams, moves_ms, given)

        return waters(events, clutches, [box.id for box in self._room.boxes], now_ms, of_scale)

    def _medians(self, scale: Probe, since_ms: int, now_ms: int) -> tuple[Times, Values]:
        """Whole hours since 1970 and their medians; a day is read again when something came for it, however late."""
        until_ms = now_ms // HOUR_MS * HOUR_MS
        first, last = max(since_ms, now_ms - LOOK_BACK_MS) // DAY_MS, until_ms // DAY_MS
        counts = self._store.readings.hour_counts(scale.id, first * 24, until_ms // HOUR_MS)
        others = self._store.readings.bulks(), self._store.clocks.version()
        medians: list[tuple[int, float]] = []
        for day in range(first, last + 1):
            ends_ms = min((day + 1) * DAY_MS, until_ms)
            there = tuple(counts.get(hour, 0) for hour in range(day * 24, day * 24 + 24))
            key = (*others, ends_ms, there)
            medians += self._days.of((scale.id, day), key, partial(self._hours, scale, day, ends_ms))
        counted = [(hour, grams) for hour, grams in medians if hour * HOUR_MS >= since_ms]
        return np.array([hour for hour, _ in counted], np.int64), np.array([grams for _, grams in counted])

    def _hours(self, scale: Probe, day: int, ends_ms: int) -> Hours:
        """Hour since 1970 and its median, for each hour of a day in which the scale was heard."""
        trace = self._readings.columns([scale], day * DAY_MS, ends_ms)[scale.id]
        good = trace.usable
        hours, values = trace.at[good] // HOUR_MS, trace.value[good]
        return tuple((int(hour), median(values[hours == hour])) for hour in distinct(hours))
