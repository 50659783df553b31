"""Each stack's heater by its air probe, day by day: from the store to what ``core.heater`` judges."""

from __future__ import annotations

from typing import Final

from monitor.adapters.store import Readings
from monitor.core.climate.heater import Day, HeaterNow, day_of, wear
from monitor.core.readings.belief import Belief
from monitor.core.readings.corrections import StandingCorrections
from monitor.core.readings.thinning import spaced
from monitor.core.terms.settings import Probe, Room
from monitor.core.terms.times import DAY_MS

# A heater is judged over so many days at most.
LOOK_BACK_DAYS: Final = 180
NO_AIR: Final = "no probe in the air of this stack: a probe in a box does not see the swing of a thermostat"


class Heaters:
    """Remembers the days that are over, so that each is looked at once. Belongs to one thread, like its store."""

    def __init__(self, room: Room) -> None:
        self.room = room
        self._days: dict[tuple[str, int], Day] = {}
        self._known: tuple[tuple[int, str, int] | None, dict[str, HeaterNow]] = (None, {})
        # Held, so that another one is another one.
        self._belief = Belief()

    def now(
        self, readings: Readings, corrections: StandingCorrections, belief: Belief, now_ms: int
    ) -> dict[str, HeaterNow]:
        """By stack; looked at anew once a day, and after readings were imported or are no longer believed."""
        key = now_ms // DAY_MS, readings.bulks(), id(belief)
        known = self._known[0]
        if known != key:
            if known is not None and known[1:] != key[1:]:
                self._days.clear()
            self._belief = belief
            self._known = key, {s: self._of_stack(s, readings, corrections, belief, now_ms) for s in self.room.stacks}
        return self._known[1]

    def _of_stack(
        self, stack: str, readings: Readings, corrections: StandingCorrections, belief: Belief, now_ms: int
    ) -> HeaterNow:
        probes = [p for p in self.room.probes if p.quantity == "temperature" and p.box is None and p.stack == stack]
        if not probes:
            return HeaterNow(stack, untold=NO_AIR)
        since_ms = self.room.watch.heater_since_ms
        since_day = None if since_ms is None else since_ms // DAY_MS + 1
        today = now_ms // DAY_MS
        first = max(today - LOOK_BACK_DAYS, since_day or 0)
        found = []
        for probe in probes:
            days = [self._day(probe, day, readings, corrections, belief) for day in range(first, today)]
            # Before its first reading there was no probe.
            spoken = next((i for i, d in enumerate(days) if d.why != NOTHING), len(days))
            judged = wear(days[spoken:], since_day)
            seen = sum(bool(d.quarters) for d in days)
            found.append(
                (seen, HeaterNow(stack, probe.id, *((None, judged) if isinstance(judged, str) else (judged,))))
            )
        return max(found, key=lambda x: (x[1].wear is not None, x[0]))[1]

    def _day(self, probe: Probe, day: int, readings: Readings, corrections: StandingCorrections, belief: Belief) -> Day:
        key = probe.id, day
        if key not in self._days:
            columns = readings.sparse([probe.id], day * DAY_MS, (day + 1) * DAY_MS)[probe.id]
            usable = columns.usable & spaced(columns.at) & ~corrections.away(probe.id, columns.at)
            usable &= belief.mask(probe.id, columns.at, "advice")
            at, value = columns.at[usable], columns.value[usable]
            self._days[key] = day_of(day, at, value) if len(at) else Day(day, why=NOTHING)
        return self._days[key]


NOTHING: Final = "no readings"
