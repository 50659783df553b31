"""From the store to what the core looks at: lots, boxes and stacks of one moment, all of which can be computed anew."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import UTC, tzinfo
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np

from monitor.adapters.store import Columns, Store
from monitor.core.climate import stacks
from monitor.core.climate.box_temperature import BoxSeries, probes_error
from monitor.core.climate.course import LOOK_BACK_S, Course, course, worth_knowing
from monitor.core.climate.exposure import hourly_exposure
from monitor.core.climate.heater import HeaterNow
from monitor.core.development.gaps import SHORT_GAP_H, Filled, HourTable, fill
from monitor.core.development.lots import LOOK_BACK_H, History, LotNow, forecast_clutch
from monitor.core.development.plans import Plan
from monitor.core.development.species import Profile
from monitor.core.notices.conditions import Condition
from monitor.core.notices.snapshot import AwayNow, BoxAway, BoxNow, GatewayNow, ProbeNow, Service, Snapshot, Told
from monitor.core.readings.arrivals import WAITED
from monitor.core.readings.batteries import LOOK_BACK_DAYS, BatteryNow, trend
from monitor.core.readings.gateways import FACT, read
from monitor.core.readings.late_readings import Late, late
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.events import Clutch, Lot, Stay
from monitor.core.terms.settings import Box, Gateway, Limits, Probe, Settings
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.departures import Peer, hourly, peers_of
from monitor.derived.heaters import Heaters
from monitor.derived.hours import Hours, Species, Sweep

# A forecast changes slowly: it is computed again every hour, or when the keeper told something.
FORECAST_EVERY_MS = HOUR_MS
COURSE_EVERY_MS = 5 * 60_000
# A battery's level is the median of so many readings: one that was taken while it sends is lower.
BATTERY_READINGS = 5
# By then an absence was told, and what comes later of it is told by nobody.
AWAY_TOLD_MS = HOUR_MS
# Eggs are set within so long of being laid; the time between is counted at the box's temperature.
LAID_TO_SET_MS = 48 * HOUR_MS


class Derived(Hours):
    """Everything known of one room at a moment. Belongs to one thread, like its store."""

    def __init__(
        self,
        store: Store,
        settings: Settings,
        profiles: Callable[[str], Profile],
        *,
        known_by_ms: int | None = None,
    ) -> None:
        super().__init__(store, settings, profiles, known_by_ms=known_by_ms)
        self._forecasts: dict[str, tuple[object, list[LotNow]]] = {}
        self._courses: dict[str, tuple[int, Course | None]] = {}
        self._peers: tuple[object, dict[str, Peer]] = (None, {})
        self._heaters = Heaters(self.room)
        self._absence: tuple[object, AwayNow] | None = None
        self._battery_days: dict[str, tuple[object, Times, Values]] = {}
        # Conditions as last judged; newer than the ledger's by what is not worth a write (see the service's round).
        self.judged: dict[tuple[str, str], Condition] = {}

    def lots(self, now_ms: int, *, plan: Plan | None = None, clutch: str | None = None) -> list[LotNow]:
        """Every lot that is or was there by ``now_ms``, with development and window as known then."""
        self._follow_corrections()
        self._follow_profiles()
        result = []
        self._sweep = Sweep()
        try:
            for name, found in self.store.account.clutches(now_ms).items():
                if clutch is not None and name != clutch:
                    continue
                now_key = now_ms // FORECAST_EVERY_MS, self.store.readings.bulks(), self._corrections_version
                key = (found, *now_key, self._profiles_stamp, plan)
                cached = self._forecasts.get(name)
                if cached is not None and cached[0] == key:
                    result += cached[1]
                    continue
                lots = self._lots_of(found, now_ms, plan)
                self._forecasts[name] = key, lots
                result += lots
        finally:
            self._sweep = None
        return result

    def _lots_of(self, clutch: Clutch, now_ms: int, plan: Plan | None) -> list[LotNow]:
        species = self.species(clutch.species)
        kept = [lot for lot in clutch.lots if not lot.moved_on]
        if species.curve is None or species.profile is None:
            return [LotNow(lot, clutch, clutch.species, refused=species.refused) for lot in kept]
        histories = {lot.id: self.history(clutch, lot, species, now_ms) for lot in kept}
        profile, curve, unit = species.profile, species.curve, self.room.display_unit
        lots = forecast_clutch(clutch, kept, histories, profile, curve, now_ms, plan, unit)
        result = []
        for lot in lots:
            high_c, past = species.profile.high_limit_c, histories[lot.lot.id]
            heat = None if high_c is None else hourly_exposure(past.temperature_c, past.weight_s, high_c)
            result.append(replace(lot, heat=heat, heat_limit_c=high_c))
        return result

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
            box = self.room.box(stay.box)
            end = min(stay.to_ms if stay.to_ms is not None else now_ms, now_ms)
            if end <= stay.from_ms:
                continue
            if box is None:
                notes.append(f"box {stay.box} is not in the configuration: the time there is only estimated")
                pieces.append((_empty_table(stay.from_ms, end), stay, None))
                continue
            pieces.append((self.hour_table(box, species, stay.from_ms, end, now_ms), stay, box))
        here = self.room.box(lot.box)
        if here is not None and not self.room.probes_in(here.id):
            source = self.box_series(here, now_ms - 6 * HOUR_MS, now_ms + 1).source
            notes.append(f"box {here.id} has no probe; its temperature comes from {source}")
        tables = [table for table, _, _ in pieces]
        beside = [self._neighbours(box, table, now_ms) if box is not None else [] for table, _, box in pieces]
        filled = [fill(t, species.curve, near) for t, near in zip(tables, beside, strict=True)]
        middle_c = _mean_c(tables, filled)
        if middle_c is None and pieces and (first := pieces[0][2]) is not None:
            # Set when the probe had died already: the box was about as warm as before.
            from_ms = pieces[0][1].from_ms
            before = self.hour_table(first, species, from_ms - LOOK_BACK_H * HOUR_MS, from_ms, now_ms)
            known = before.covered_s >= 60.0
            middle_c = float(np.mean(before.mean_c[known])) if known.any() else None
        if middle_c is not None:
            # Nothing is known of a whole stay: the eggs did not stand still, so what is known of the others serves.
            filled = [
                fill(t, species.curve, near, middle_c) if np.isnan(f.temperature_c).all() else f
                for t, near, f in zip(tables, beside, filled, strict=True)
            ]
        own, around = self._probes_for(here) if here else ((), ())
        own = tuple(self.effective(p, now_ms) for p in own)
        around = tuple((h, self.effective(p, now_ms)) for h, p in around)
        error = probes_error(own)
        box_c = box_s = None
        if here is not None and lot.open and len(path) > 1:
            since_ms = min(path[-1].from_ms, now_ms - LOOK_BACK_H * HOUR_MS)
            last = self.hour_table(here, species, since_ms, now_ms, now_ms)
            box_c, box_s = np.where(last.covered_s >= 60.0, last.mean_c, np.nan), last.covered_s
        return History.of(
            [(t, f, max(s.from_ms, t.first_hour * HOUR_MS)) for (t, s, _), f in zip(pieces, filled, strict=True)],
            now_ms=min(now_ms, lot.closed_ms) if lot.closed_ms is not None else now_ms,
            uncertainty_c=box_uncertainty(own, around),
            compared=all(p.compared for p in own) and bool(own),
            notes=tuple(notes),
            box_c=box_c,
            box_s=box_s,
            developed=clutch.developed,
            common_c=error.common_c,
            session=error.session,
        )

    def _neighbours(self, box: Box, table: HourTable, now_ms: int) -> list[HourTable]:
        """Hourly means of the other temperature probes of the same stack; none where no long gap needs them."""
        if float(np.maximum(table.need_s - table.covered_s, 0.0).sum()) <= SHORT_GAP_H * 3600.0:
            return []
        own, around = self._probes_for(box)
        result = []
        for _, probe in around if own else ():
            means = self.store.readings.hour_means(
                probe.id, table.first_hour, table.first_hour + len(table), until_ms=now_ms
            )
            hours = table.first_hour + np.arange(len(table))
            values = hourly(probe, self.corrections, hours, means)
            covered = np.where(np.isnan(values), 0.0, 3600.0)
            zero = np.zeros(len(table))
            result.append(HourTable(table.first_hour, zero, zero, values, covered, zero))
        return result

    def peers(self, now_ms: int) -> dict[str, Peer]:
        """How each temperature probe stands among those of its stack, by whole days; looked at once a day."""
        key = now_ms // DAY_MS, self.store.readings.bulks(), self._corrections_version
        if self._peers[0] != key:
            self._peers = key, peers_of(self.store.readings, self.room, self.corrections, now_ms)
        return self._peers[1]

    def heaters(self, now_ms: int) -> dict[str, HeaterNow]:
        """Each stack's heater, by its air probe; by whole days, looked at once a day."""
        return self._heaters.now(self.store.readings, self.corrections, now_ms)

    def snapshot(self, now_ms: int, service: Service) -> Snapshot:
        """Everything known at ``now_ms``. Call :meth:`follow` before."""
        lots = self.lots(now_ms)
        conditions = self.store.ledger.conditions()
        for key, judged in self.judged.items():
            conditions[key] = conditions.get(key, Condition(*key)).judged_on(judged)
        unread = self.store.unread.since(now_ms - 900_000, now_ms + 300_000)
        peers = self.peers(now_ms)
        paces = self.store.readings.paces(now_ms)
        probes = []
        for probe in self.room.probes:
            c = self._recent.get(probe.id, Columns.empty())
            c = c.take(np.flatnonzero(c.at <= now_ms + 300_000))
            good = np.flatnonzero(c.usable)
            # A probe that died days ago did speak once, also after a restart.
            usable = int(c.at[good[-1]]) if len(good) else self.store.readings.last_usable_at(probe.id, now_ms)
            n, why = unread.get(probe.id, (0, ""))
            peer = peers.get(probe.id, Peer())
            probes.append(
                ProbeNow(
                    self.effective(probe, now_ms),
                    int(c.at[-1]) if len(c) else usable,
                    float(c.value[-1]) if len(c) else None,
                    int(c.flag[-1]) if len(c) else None,
                    usable,
                    n,
                    why,
                    self.corrections.holding(probe.id, now_ms),
                    peer.state,
                    peer.departure,
                    peer.first_ms,
                    _told(c, now_ms),
                    None if paces is None else paces.get(probe.id, 0.0),
                )
            )
        gateways = [
            GatewayNow(gateway, read(self.store.db.fact(FACT.format(gateway.id))), _behind(gateway, probes))
            for gateway in self.room.gateways
        ]
        return Snapshot(
            now_ms=now_ms,
            room=replace(self.room, probes=tuple(p.probe for p in probes)),
            zone=zone_of(self.room.zone),
            service=service,
            probes=tuple(probes),
            boxes=tuple(self._box_now(box, now_ms, lots) for box in self.room.boxes),
            lots=tuple(lots),
            stacks=tuple(p for s in self.room.stacks if (p := self.stack_profile(s, now_ms)) is not None),
            gateways=tuple(gateways),
            batteries=tuple(self.battery(b, now_ms) for b in self.room.batteries),
            away=self._away(service, now_ms),
            heaters=self.heaters(now_ms) if self.room.watch.heater_since_ms is not None else {},
            conditions=conditions,
        )

    def battery(self, battery: Probe, now_ms: int) -> BatteryNow:
        """A battery by its newest readings, and by its days how long it lasts; the days are looked at once a day."""
        c = self._columns([battery], now_ms - DAY_MS, now_ms + 1)[battery.id]
        good = np.flatnonzero(c.usable)[-BATTERY_READINGS:]
        if not len(good):
            return BatteryNow(battery, untold="nothing heard of it for a day")
        key = now_ms // DAY_MS, self.store.readings.bulks()
        known = self._battery_days.get(battery.id)
        if known is None or known[0] != key:
            known = self._battery_days[battery.id] = key, *self._days_of(battery, now_ms)
        now = float(np.median(c.value[good]))
        assert battery.low is not None
        return BatteryNow(battery, now, int(c.at[good[-1]]), *trend(*known[1:], now, battery.low, battery.unit))

    def _away(self, service: Service, now_ms: int) -> AwayNow | None:
        """The last absence and what came of it, looked at once a minute and not after it was surely told."""
        if service.away is None:
            return None
        from_ms, until_ms = service.away
        if now_ms - until_ms > AWAY_TOLD_MS:
            return AwayNow(from_ms, until_ms)
        key = (service.away, now_ms // 60_000, self.seen_seq)
        if self._absence is None or self._absence[0] != key:
            self._absence = key, self._away_of(from_ms, until_ms, service)
        return self._absence[1]

    def _away_of(self, from_ms: int, until_ms: int, service: Service) -> AwayNow:
        late = undated = 0
        waited: dict[str, Values] = {}
        for probe in self.room.probes:
            values = [np.empty(0)]
            for c in self.store.readings.pieces(probe.id, from_ms, until_ms + AWAY_TOLD_MS):
                late += int(np.sum(c.usable & (c.at > from_ms) & (c.at < until_ms)))
                here = np.array([test == WAITED for test in c.test], bool) & (c.received >= until_ms)
                undated += int(here.sum())
                values.append(c.value[here])
            waited[probe.id] = np.concatenate(values)
        boxes = []
        for box in self.room.boxes:
            own = self.room.probes_in(box.id)
            series = self.box_series(box, from_ms + 1, until_ms, stored=True)
            undated_c = np.concatenate([waited[p.id] + p.correction for p in own] or [np.empty(0)])
            lowest = highest = None
            if len(series.temperature_c):
                k, m = int(np.argmin(series.temperature_c)), int(np.argmax(series.temperature_c))
                lowest, highest = ((float(series.temperature_c[i]), int(series.time_ms[i])) for i in (k, m))
            span = (float(undated_c.min()), float(undated_c.max())) if len(undated_c) else None
            boxes.append(BoxAway(box.id, lowest, highest, span))
        lost = service.link.session_lost_ms is not None and service.link.session_lost_ms >= until_ms - 60_000
        return AwayNow(from_ms, until_ms, late, undated, tuple(boxes), lost)

    def _days_of(self, battery: Probe, now_ms: int) -> tuple[Times, Values]:
        """A level for each whole day in which it was heard."""
        first = (now_ms // DAY_MS - LOOK_BACK_DAYS) * 24
        by_day: dict[int, list[float]] = {}
        for hour, level in self.store.readings.hour_means(battery.id, first, now_ms // DAY_MS * 24).items():
            by_day.setdefault(hour // 24, []).append(level)
        days = sorted(by_day)
        return np.array(days, np.int64), np.array([float(np.median(by_day[d])) for d in days])

    def _box_now(self, box: Box, now_ms: int, lots: list[LotNow]) -> BoxNow:
        inside = [x for x in lots if x.lot.open and x.lot.box == box.id and x.lot.eggs]
        limits, source = self.limits(box, [x.species for x in inside])
        series = self.box_series(box, max(now_ms - 24 * HOUR_MS, self._recent_from), now_ms + 1, as_heard=True)
        humidity = None
        for probe in self.room.probes_in(box.id, "humidity"):
            c = self._recent.get(probe.id, Columns.empty())
            good = np.flatnonzero(c.usable & (c.at <= now_ms) & (c.at > now_ms - probe.quiet_after_s * 1000))
            if len(good):
                humidity = float(c.value[good[-1]]) + probe.correction
        profiles = [p for x in inside if (p := self.species(x.species).profile) is not None]
        return BoxNow(
            box,
            limits,
            source,
            series.time_ms,
            series.temperature_c,
            series.uncertainty_c,
            series.source,
            humidity,
            tuple(x.lot.id for x in inside),
            min((p.high_limit_c for p in profiles if p.high_limit_c is not None), default=None),
            max((p.low_limit_c for p in profiles if p.low_limit_c is not None), default=None),
            self._course(box, series, limits, now_ms),
            self._late(box, now_ms),
        )

    def _late(self, box: Box, now_ms: int) -> Late | None:
        """What came late of a box's own probes within the last day: the newest run of it."""
        columns = [self._recent.get(p.id, Columns.empty()) for p in self.room.probes_in(box.id)]
        timed = [c.take(np.flatnonzero(c.usable & c.timed & (c.at > now_ms - DAY_MS))) for c in columns]
        if not timed:
            return None
        return late(np.concatenate([c.at for c in timed]), np.concatenate([c.received for c in timed]), now_ms)

    def _course(self, box: Box, series: BoxSeries, limits: Limits, now_ms: int) -> Course | None:
        """Where a box is heading, if any limit makes that worth knowing; anew each five minutes."""
        cut_ms = now_ms // COURSE_EVERY_MS * COURSE_EVERY_MS
        cached = self._courses.get(box.id)
        if cached is not None and cached[0] == cut_ms:
            return cached[1]
        heights = [
            (abs(p.height_cm - box.height_cm), p.id, p)
            for p in self.room.probes
            if p.quantity == "temperature" and p.box is None and p.stack == box.stack and p.height_cm is not None
        ]
        air = None
        if heights:
            beside = min(heights)[2]
            columns = self._columns([beside], cut_ms - round(LOOK_BACK_S * 1000), cut_ms + 1)[beside.id]
            air = self._series(beside, columns)
        air_c = air.temperature_c if air else None
        inside = series.time_ms <= cut_ms
        at_ms, temperature_c = series.time_ms[inside], series.temperature_c[inside]
        found = None
        if worth_knowing(at_ms, temperature_c, cut_ms, limits.too_cool_c, limits.too_warm_c, air_c):
            found = course(
                at_ms,
                temperature_c,
                cut_ms,
                air_ms=air.time_ms if air else None,
                air_c=air_c,
            )
        self._courses[box.id] = cut_ms, found
        return found

    def limits(self, box: Box, species: Iterable[str]) -> tuple[Limits, str]:
        """The limits of a box: its own, else the room's, else the strictest of the profiles in it."""
        room = self.room.limits
        profiles = [p for name in species if (p := self.species(name).profile) is not None]
        highs = [p.high_limit_c for p in profiles if p.high_limit_c is not None]
        lows = [p.low_limit_c for p in profiles if p.low_limit_c is not None]
        source = []
        warm, cool = box.too_warm_c, box.too_cool_c
        if warm is not None or cool is not None:
            source.append("set for the box")
        if warm is None:
            warm = min(highs) if highs and room.too_warm_c is None else room.too_warm_c
        if cool is None:
            cool = max(lows) if lows and room.too_cool_c is None else room.too_cool_c
        if not source:
            source.append(
                "of the room" if room.too_warm_c is not None or room.too_cool_c is not None else "of the profile"
            )
        return replace(room, too_warm_c=warm, too_cool_c=cool), " and ".join(source)

    def stack_profile(
        self, stack: str, now_ms: int, over_s: float | None = None, of: Literal["air"] | None = None
    ) -> stacks.StackProfile | None:
        """The vertical profile over the last hours, of a stack's boxes, or of its air where there are not two boxes.

        ``of``: of its air anyhow, a single level included.

        Like is compared with like: while a room warms or cools, its boxes are hours behind its air, and a
        difference between the two says nothing about height.
        """
        from_ms = now_ms - int((self.room.watch.uneven_over_s if over_s is None else over_s) * 1000)
        boxes, air = [], []
        for probe in self.room.probes:
            place = self.room.height_of(probe)
            if probe.quantity == "temperature" and place is not None and place[0] == stack:
                series = self._series(probe, self._columns([probe], from_ms, now_ms + 1)[probe.id])
                if probe.box is not None:
                    boxes.append((f"box {probe.box}", place[1], series))
                else:
                    air.append((f"air at {place[1]:.0f} cm", place[1], series))
        named = boxes if len(boxes) > 1 else air if len(air) > 1 else boxes + air
        if of == "air":
            return stacks.profile(stack, air, from_ms, now_ms, least_levels=1)
        return stacks.profile(stack, named, from_ms, now_ms)


def _behind(gateway: Gateway, probes: Iterable[ProbeNow]) -> tuple[ProbeNow, ...]:
    return tuple(p for p in probes if p.probe.gateway == gateway.id)


def box_uncertainty(own: Iterable[Probe], around: Iterable[tuple[float, Probe]]) -> float:
    """Standard uncertainty in C that a box's temperature has from its probes; as in ``core.boxes.box_series``."""
    own = list(own)
    if own:
        return probes_error(own).total_c
    near = [p.standard_uncertainty for _, p in around]
    return math.hypot(max(near, default=1.0), 0.5)


def _told(columns: Columns, now_ms: int) -> Told:
    """The last day of a probe's readings as they came."""
    c = columns.take(np.flatnonzero((columns.at > now_ms - DAY_MS) & (columns.at <= now_ms)))
    return Told(c.at, c.value, c.flag, c.received, c.timed)


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


def zone_of(name: str) -> tzinfo:
    return UTC if name.upper() == "UTC" else ZoneInfo(name)
