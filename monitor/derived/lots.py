"""Lots of one moment: what each went through, from the store, and what follows from it for its clutch."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from monitor.adapters.store import Store
from monitor.core.climate.box_temperature import box_error
from monitor.core.development.gaps import SHORT_GAP_H, Filled, HourTable, fill
from monitor.core.development.history import LOOK_BACK_H, History
from monitor.core.development.lots import LotNow, forecast_clutch
from monitor.core.development.plans import Plan
from monitor.core.terms.events import Clutch, Lot, Stay
from monitor.core.terms.settings import Box, Room
from monitor.core.terms.times import HOUR_MS
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
        hour, bulks = now_ms // FORECAST_EVERY_MS, self._store.readings.bulks()
        known = hour, bulks, self._readings.corrections_version, self._book.stamp, plan
        result = []
        with self._hours.sweep():
            for name, found in self._store.account.clutches(now_ms).items():
                if clutch is None or name == clutch:
                    result += self._forecasts.of(
                        name,
                        (found, known),
                        lambda found=found: self._of(found, now_ms, plan),  # type: ignore[misc]
                    )
        return result

    def _of(self, clutch: Clutch, now_ms: int, plan: Plan | None) -> list[LotNow]:
        species = self._book.of(clutch.species)
        kept = [lot for lot in clutch.lots if not lot.moved_on]
        if species.curve is None or species.profile is None:
            return [LotNow(lot, clutch, refused=species.refused) for lot in kept]
        histories = {lot.id: self.history(clutch, lot, species, now_ms) for lot in kept}
        profile, curve, unit = species.profile, species.curve, self._room.display_unit
        return forecast_clutch(clutch, kept, histories, profile, curve, now_ms, plan, unit)

    def history(self, clutch: Clutch, lot: Lot, species: Species, now_ms: int) -> History:
        """What a lot went through: hours with their development, measured and filled."""
        assert species.curve is not None
        path = list(lot.path)
        notes: list[str] = []
        wait_ms = path[0].from_ms - clutch.laid_ms
        if 0 < wait_ms <= LAID_TO_SET_MS:
            path[0] = replace(path[0], from_ms=clutch.laid_ms)
        elif wait_ms > LAID_TO_SET_MS:
            notes.append(
                f"the {wait_ms / 86_400_000:.1f} days between laid and set are not counted: nothing was measured"
            )
        pieces: list[tuple[HourTable, Stay, Box | None]] = []
        for stay in path:
            box = self._room.box(stay.box)
            end = min(stay.to_ms if stay.to_ms is not None else now_ms, now_ms)
            if end <= stay.from_ms:
                continue
            if box is None:
                notes.append(f"box {stay.box} is not in the configuration: the time there is only estimated")
                pieces.append((_empty_table(stay.from_ms, end), stay, None))
                continue
            pieces.append((self._hours.table(box, species, stay.from_ms, end, now_ms), stay, box))
        here = self._room.box(lot.box)
        if here is not None and not self._room.probes_in(here.id):
            source = self._readings.box_series(here, now_ms - 6 * HOUR_MS, now_ms + 1).source
            notes.append(f"box {here.id} has no probe; its temperature comes from {source}")
        tables = [table for table, _, _ in pieces]
        beside = [self._neighbours(box, table, now_ms) if box is not None else [] for table, _, box in pieces]
        filled = [fill(t, species.curve, near) for t, near in zip(tables, beside, strict=True)]
        middle_c = _mean_c(tables, filled)
        if middle_c is None and pieces and (first := pieces[0][2]) is not None:
            # Set when the probe had died already: the box was about as warm as before.
            from_ms = pieces[0][1].from_ms
            before = self._hours.table(first, species, from_ms - LOOK_BACK_H * HOUR_MS, from_ms, now_ms)
            known = before.covered_s >= 60.0
            middle_c = float(np.mean(before.mean_c[known])) if known.any() else None
        if middle_c is not None:
            # Nothing is known of a whole stay: the eggs did not stand still, so what is known of the others serves.
            filled = [
                fill(t, species.curve, near, middle_c) if np.isnan(f.temperature_c).all() else f
                for t, near, f in zip(tables, beside, filled, strict=True)
            ]
        own, around = self._readings.probes_for(here) if here else ((), ())
        own = tuple(self._readings.effective(p, now_ms) for p in own)
        around = tuple((h, self._readings.effective(p, now_ms)) for h, p in around)
        box_c = box_s = None
        if here is not None and lot.open and len(path) > 1:
            since_ms = min(path[-1].from_ms, now_ms - LOOK_BACK_H * HOUR_MS)
            last = self._hours.table(here, species, since_ms, now_ms, now_ms)
            box_c, box_s = np.where(last.covered_s >= 60.0, last.mean_c, np.nan), last.covered_s
        return History.of(
            [(t, f, max(s.from_ms, t.first_hour * HOUR_MS)) for (t, s, _), f in zip(pieces, filled, strict=True)],
            now_ms=min(now_ms, lot.closed_ms) if lot.closed_ms is not None else now_ms,
            error=box_error(own, around),
            compared=all(p.compared for p in own) and bool(own),
            notes=tuple(notes),
            box_c=box_c,
            box_s=box_s,
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
            values = hourly(probe, self._readings.corrections, hours, means)
            covered = np.where(np.isnan(values), 0.0, 3600.0)
            zero = np.zeros(len(table))
            result.append(HourTable(table.first_hour, zero, zero, values, covered, zero))
        return result


def _empty_table(from_ms: int, to_ms: int) -> HourTable:
    """The hours of a span of which nothing was measured."""
    hours = np.arange(from_ms // HOUR_MS, (to_ms - 1) // HOUR_MS + 1)
    need = (np.minimum((hours + 1) * HOUR_MS, to_ms) - np.maximum(hours * HOUR_MS, from_ms)) / 1000.0
    zero = np.zeros(len(hours))
    return HourTable(int(hours[0]), zero, zero, np.full(len(hours), np.nan), zero, need)


def _mean_c(tables: Iterable[HourTable], filled: Iterable[Filled]) -> float | None:
    """Mean temperature of all that is known of a lot's way, by time."""
    integral_c_s = seconds = 0.0
    for table, found in zip(tables, filled, strict=True):
        known = ~np.isnan(found.temperature_c)
        integral_c_s += float(found.temperature_c[known] @ table.need_s[known])
        seconds += float(table.need_s[known].sum())
    return integral_c_s / seconds if seconds > 0.0 else None
