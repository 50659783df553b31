"""Lots of one moment: what each went through, from the store, and what follows from it for its clutch."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace

import numpy as np

from monitor.adapters.store import Store
from monitor.config.zones import zone_of
from monitor.core.climate.box_temperature import box_error
from monitor.core.development.gaps import SHORT_GAP_H, HourTable
from monitor.core.development.history import LOOK_BACK_H, History, StayTable, Way, measured
from monitor.core.development.lots import LotNow, forecast_clutch
from monitor.core.development.plans import Plan
from monitor.core.terms.events import Clutch, Lot
from monitor.core.terms.formats import show_day
from monitor.core.terms.settings import Box, Room
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.departures import hourly
from monitor.derived.hours import Hours
from monitor.derived.memo import Memo
from monitor.derived.readings import RoomReadings
from monitor.derived.species import Species, SpeciesBook

FORECAST_EVERY_MS = HOUR_MS
# Eggs are set within so long of being laid; the time between is counted at the box's temperature.
LAID_TO_SET_MS = 48 * HOUR_MS


class Lots:
    """The lots of one room's store. Belongs to one thread, like its store."""

    def __init__(self, store: Store, room: Room, readings: RoomReadings, book: SpeciesBook, hours: Hours) -> None:
        self._store = store
        self._room = room
        self._readings = readings
        self._book = book
        self._hours = hours
        self._forecasts: Memo[list[LotNow]] = Memo()

    def now(self, now_ms: int, *, plan: Plan | None = None, clutch: str | None = None) -> list[LotNow]:
        """Every lot that is or was there by ``now_ms``, with development and window as known then.

        A forecast changes slowly: it is computed again every hour, or when something was told, imported or corrected.
        """
        self._readings.follow_corrections()
        self._book.follow()
        known = self._key(now_ms), plan
        clutches = [c for name, c in self._store.account.clutches(now_ms).items() if clutch is None or name == clutch]
        stale = [c for c in clutches if not self._forecasts.holds(c.id, (c, known))]
        with self._hours.sweep():
            ways = {
                c.id: {lot.id: self._way(c, lot, self._book.of(c.species), now_ms) for lot in present(c)} for c in stale
            }
        return [
            lot
            for c in clutches
            for lot in self._forecasts.of(
                c.id,
                (c, known),
                lambda c=c: self._forecast(c, ways[c.id], now_ms, plan),  # type: ignore[misc]
            )
        ]

    def once(self, now_ms: int, clutch: str | Clutch, asked: Callable[[Lot], bool]) -> list[LotNow]:
        """As :meth:`now`, but of one clutch, for once, and with the windows of some of its lots alone.

        ``clutch``: its name, or as it would be by another account.
        """
        self._readings.follow_corrections()
        self._book.follow()
        c = self._store.account.clutches(now_ms).get(clutch) if isinstance(clutch, str) else clutch
        if c is None:
            return []
        with self._hours.sweep():
            ways = {lot.id: self._way(c, lot, self._book.of(c.species), now_ms) for lot in present(c)}
        return self._forecast(c, ways, now_ms, None, [lot.id for lot in present(c) if asked(lot)])

    def history(self, clutch: Clutch, lot: Lot, species: Species, now_ms: int) -> History:
        """What a lot went through by a species' curve: hours with their development, measured and filled.

        The curve need not be that of the clutch's profile: where a profile has none yet, one is learned from another.
        """
        way = self._way(clutch, lot, species, now_ms)
        assert species.curve is not None
        assert way is not None
        return History.of(way, species.curve)

    def _key(self, now_ms: int) -> tuple[object, ...]:
        """What a forecast hangs on beside the keeper's account: the hour, and what was imported, found, learned."""
        bulks, knowledge = self._store.readings.bulks(), self._readings.knowledge
        return now_ms // FORECAST_EVERY_MS, bulks, knowledge, self._book.stamp

    def _forecast(
        self,
        clutch: Clutch,
        ways: Mapping[str, Way | None],
        now_ms: int,
        plan: Plan | None,
        asked: Collection[str] | None = None,
    ) -> list[LotNow]:
        """From what was gathered alone."""
        species = self._book.of(clutch.species)
        profile, curve, unit = species.profile, species.curve, self._room.display_unit
        if curve is None or profile is None:
            bites = profile is not None and profile.venomous
            return [LotNow(lot, clutch, refused=species.refused, venomous=bites) for lot in present(clutch)]
        histories = {name: History.of(way, curve) for name, way in ways.items() if way is not None}
        zone = zone_of(self._room.zone)
        return forecast_clutch(clutch, present(clutch), histories, profile, curve, now_ms, plan, unit, zone, asked)

    def _way(self, clutch: Clutch, lot: Lot, species: Species, now_ms: int) -> Way | None:
        """All that the store has of a lot's way; None where its species has no curve."""
        if species.curve is None:
            return None
        path = list(lot.path)
        notes: list[str] = []
        wait_ms = path[0].from_ms - clutch.laid_ms
        if 0 < wait_ms <= LAID_TO_SET_MS:
            path[0] = replace(path[0], from_ms=clutch.laid_ms)
        elif wait_ms > LAID_TO_SET_MS:
            notes.append(f"the {wait_ms / DAY_MS:.1f} days between laid and set are not counted: nothing was measured")
        stays: list[StayTable] = []
        first: Box | None = None
        for stay in path:
            box = self._room.box(stay.box)
            end = min(stay.to_ms if stay.to_ms is not None else now_ms, now_ms)
            if end <= stay.from_ms:
                continue
            if box is None:
                notes.append(f"box {stay.box} is not in the configuration: the time there is only estimated")
                stays.append(StayTable(_empty_table(stay.from_ms, end), (), stay.from_ms))
                continue
            first = first or (box if not stays else None)
            table = self._hours.table(box, species, stay.from_ms, end, now_ms)
            stays.append(StayTable(table, tuple(self._neighbours(box, table, now_ms)), stay.from_ms))
        here = self._room.box(lot.box)
        if here is not None and not self._room.probes_in(here.id):
            source = self._readings.box_series(here, now_ms - 6 * HOUR_MS, now_ms + 1).source
            notes.append(f"box {here.id} has no probe; its temperature comes from {source}")
        before_ms = self._store.readings.means_before_ms()
        if before_ms is not None and path[0].from_ms < before_ms:
            day = show_day(min(before_ms, now_ms), zone_of(self._room.zone))
            notes.append(f"readings before {day} are kept as ten-minute means: sums made since rest on them")
        before_c = None
        if first is not None and not any(s.known.any() for s in stays):
            from_ms = stays[0].from_ms
            before_c = _mean_c(self._hours.table(first, species, from_ms - LOOK_BACK_H * HOUR_MS, from_ms, now_ms))
        last = None
        if here is not None and lot.open and len(path) > 1:
            since_ms = min(path[-1].from_ms, now_ms - LOOK_BACK_H * HOUR_MS)
            last = self._hours.table(here, species, since_ms, now_ms, now_ms)
        own, around = self._readings.probes_for(here) if here else ((), ())
        own = tuple(self._readings.effective(p, now_ms) for p in own)
        around = tuple((h, self._readings.effective(p, now_ms)) for h, p in around)
        return Way(
            tuple(stays),
            min(now_ms, lot.closed_ms) if lot.closed_ms is not None else now_ms,
            box_error(own, around),
            compared=all(p.compared for p in own) and bool(own),
            notes=tuple(notes),
            before_c=before_c,
            last=last,
            developed=clutch.developed,
        )

    def _neighbours(self, box: Box, table: HourTable, now_ms: int) -> list[HourTable]:
        """Hourly means of the other temperature probes of the same stack; none where no long gap needs them."""
        if float(np.maximum(table.need_s - table.covered_s, 0.0).sum()) <= SHORT_GAP_H * 3600.0:
            return []
        own, around = self._readings.probes_for(box)
        result = []
        for _, probe in around if own else ():
            means = self._store.readings.hour_means(
                probe.id, table.first_hour, table.first_hour + len(table), until_ms=now_ms
            )
            hours = table.first_hour + np.arange(len(table))
            values = hourly(probe, self._readings.corrections, hours, means, self._readings.belief)
            covered = np.where(np.isnan(values), 0.0, 3600.0)
            zero = np.zeros(len(table))
            result.append(HourTable(table.first_hour, zero, zero, values, covered, zero))
        return result


def present(clutch: Clutch) -> list[Lot]:
    """The lots of a clutch but for those that went on as others."""
    return [lot for lot in clutch.lots if not lot.moved_on]


def _empty_table(from_ms: int, to_ms: int) -> HourTable:
    """The hours of a span of which nothing was measured."""
    hours = np.arange(from_ms // HOUR_MS, (to_ms - 1) // HOUR_MS + 1)
    need = (np.minimum((hours + 1) * HOUR_MS, to_ms) - np.maximum(hours * HOUR_MS, from_ms)) / 1000.0
    zero = np.zeros(len(hours))
    return HourTable(int(hours[0]), zero, zero, np.full(len(hours), np.nan), zero, need)


def _mean_c(table: HourTable) -> float | None:
    known = measured(table)
    return float(np.mean(table.mean_c[known])) if known.any() else None
