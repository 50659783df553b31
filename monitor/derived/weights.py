"""What each box weighs and loses: from the account, and from the scales that stand under boxes."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from monitor.adapters.store import Columns, Store
from monitor.core.climate.water import BoxWater, Weighing, by_scale, waters
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

        def of_scale(box: str, since_ms: int, changed_ms: Sequence[int]) -> Sequence[Weighing]:
            scale = scales.get(box)
            return () if scale is None else self._weighings(scale, since_ms, changed_ms, now_ms)

        return waters(events, clutches, [box.id for box in self._room.boxes], now_ms, of_scale)

    def _weighings(self, scale: Probe, since_ms: int, changed_ms: Sequence[int], now_ms: int) -> list[Weighing]:
        """By the medians of whole hours, of which each day's are read once, today's each hour."""
        bulks = self._store.readings.bulks()
        until_ms = now_ms // HOUR_MS * HOUR_MS
        medians: list[tuple[int, float]] = []
        for day in range(max(since_ms, now_ms - LOOK_BACK_MS) // DAY_MS, until_ms // DAY_MS + 1):
            ends_ms = min((day + 1) * DAY_MS, until_ms)
            medians += self._days.of((scale.id, day), (bulks, ends_ms), partial(self._hours, scale, day, ends_ms))
        counted = [(hour, grams) for hour, grams in medians if hour * HOUR_MS >= since_ms]
        hours = np.array([hour for hour, _ in counted], np.int64)
        grams = np.array([grams for _, grams in counted])
        return by_scale(scale.id, scale.standard_uncertainty, hours, grams, changed_ms)

    def _hours(self, scale: Probe, day: int, ends_ms: int) -> Hours:
        """Hour since 1970 and its median, for each hour of a day in which the scale was heard."""
        columns: Columns = self._readings.columns([scale], day * DAY_MS, ends_ms)[scale.id]
        good = np.flatnonzero(columns.usable)
        hours, values = columns.at[good] // HOUR_MS, columns.value[good]
        return tuple((int(hour), float(np.median(values[hours == hour]))) for hour in np.unique(hours))
