"""A season from the store: its figures, and what was told then, by what was known then."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Sequence
from dataclasses import replace

import numpy as np

from monitor.adapters.store import Store
from monitor.adapters.store.retention import TOLD_DAYS
from monitor.core.climate.box_temperature import BY_MEANS
from monitor.core.climate.exposure import exposure
from monitor.core.climate.stacks import StackProfile
from monitor.core.development.history import History
from monitor.core.readings.ten_minutes import TEN_MS
from monitor.core.season.figures import (
    ASKED_AT,
    BoxSeason,
    ClutchSeason,
    EggsInBox,
    Season,
    SpeciesSeason,
    StackCost,
    StackSeason,
    WindowTold,
    passed_ms,
)
from monitor.core.season.met import Matter, matters
from monitor.core.season.next_season import LONGEST_MS, NEAR_C
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.balance import ended_ms
from monitor.core.terms.events import LOST, OF_BOXES, Clutch, EventKind, KeeperEvent, Lot
from monitor.core.terms.formats import show_eggs
from monitor.core.terms.projection import effective
from monitor.core.terms.settings import Box, Probe, Room
from monitor.core.terms.times import DAY_MS
from monitor.derived.lots import present
from monitor.derived.room import Derived
from monitor.values import dataclass

WEEK_MS = 7 * DAY_MS
# The room with what was known of its probes at a moment.
Then = Callable[[int], Derived]
# As many as a busy room tells in some years; of more, the newest.
MOST_NOTICES = 20_000


@dataclass(frozen=True)
class Seasons:
    """What a room's seasons are made of."""

    store: Store
    room: Room
    derived: Derived

    def of(
        self, name: str, clutches: Sequence[Clutch], species: Sequence[SpeciesSeason], now_ms: int, today_ms: int
    ) -> Season:
        """The season of these clutches, one at least, as it was at ``now_ms``; ``today_ms``: as the store is now."""
        from_ms = min(c.laid_ms for c in clutches)
        to_ms = max(from_ms + 1, *(last_ms(c, now_ms) for c in clutches))
        told = [m for m in self._matters(now_ms) if from_ms <= m.told_ms <= to_ms]
        seen = self.clutches(clutches, told, now_ms)
        names = {s.box for c in clutches for lot in present(c) for s in lot.path}
        boxes = [b for b in self.room.boxes if b.id in names]
        stacks = [s for s in self.room.stacks if any(b.stack == s for b in boxes)]
        of_box: dict[str, BoxSeason] = {}
        of_stack: list[StackSeason] = []
        for stack in stacks:
            probes = [p for p in self.room.probes if p.quantity == "temperature" and self._stands_in(p, stack)]
            with self.derived.readings.held(probes, from_ms - TEN_MS, to_ms + 1 + TEN_MS):
                of_box |= {b.id: self._box(b, clutches, now_ms) for b in boxes if b.stack == stack}
                of_stack.append(self._stack(stack, seen, boxes, from_ms, to_ms))
        return Season(
            name,
            self.room.name,
            from_ms,
            to_ms,
            seen,
            tuple(of_box[b.id] for b in boxes),
            tuple(of_stack),
            tuple(species),
            tuple(told),
            today_ms - TOLD_DAYS * DAY_MS,
        )

    def _stands_in(self, probe: Probe, stack: str) -> bool:
        place = self.room.height_of(probe)
        return place is not None and place[0] == stack

    def _matters(self, now_ms: int) -> list[Matter]:
        """What was told by then, as it stood then."""
        notices = [
            n if n.answered_ms is None or n.answered_ms <= now_ms else replace(n, answered_ms=None)
            for n in self.store.ledger.notices(MOST_NOTICES)
            if n.at_ms <= now_ms
        ]
        return matters(notices, [t for t in self.store.ledger.history(MOST_NOTICES) if t.at_ms <= now_ms])

    # -- clutches

    def clutches(self, clutches: Iterable[Clutch], told: Sequence[Matter], now_ms: int) -> tuple[ClutchSeason, ...]:
        """Each of them with its figures, and with those of these notices that concern it."""
        with self.derived.hours.sweep(), self.derived.looking_back() as then:
            return tuple(self._clutch(c, told, now_ms, then) for c in clutches)

    def _clutch(self, clutch: Clutch, told: Iterable[Matter], now_ms: int, then: Then) -> ClutchSeason:
        eggs = tuple(self._eggs(clutch, lot, now_ms, then) for lot in present(clutch))
        return ClutchSeason(clutch, eggs, tuple(m for m in told if self._concerns(m, clutch, now_ms)))

    def _concerns(self, matter: Matter, clutch: Clutch, now_ms: int) -> bool:
        """Whether a matter was one of a clutch, of its eggs, or of a box in which they lay then and of its probes."""
        mine = {clutch.id, *(lot.id for lot in clutch.lots)}
        for lot in present(clutch):
            end = now_ms if lot.closed_ms is None else lot.closed_ms
            for stay in lot.path:
                until = end if stay.to_ms is None else stay.to_ms
                if stay.from_ms <= matter.told_ms <= until:
                    box = self.room.box(stay.box)
                    mine |= {stay.box, *(p.id for p in self.room.probes if p.box == stay.box)}
                    mine |= {box.stack} if box is not None else set()
        return not mine.isdisjoint(matter.subjects)

    def _eggs(self, clutch: Clutch, lot: Lot, now_ms: int, then: Then) -> EggsInBox:
        species = self.derived.book.of(clutch.species)
        if species.curve is None:
            return EggsInBox(lot, refused=species.refused)
        history = self.derived.histories.history(clutch, lot, species, now_ms)
        return EggsInBox.of(lot, history, species.curve.base_c, _told(clutch, lot, history, then))

    # -- boxes

    def _box(self, box: Box, clutches: Sequence[Clutch], now_ms: int) -> BoxSeason:
        stays, species = [], []
        for clutch in clutches:
            for lot in present(clutch):
                for stay in lot.path:
                    if stay.box == box.id:
                        ends = [x for x in (stay.to_ms, lot.closed_ms, last_ms(clutch, now_ms)) if x is not None]
                        stays.append((stay.from_ms, min(ends)))
                        species.append(clutch.species)
        from_ms, to_ms = min(a for a, _ in stays), max(b for _, b in stays)
        return self.box(box, from_ms, to_ms, species, self.events(box.id, from_ms, to_ms, {c.id for c in clutches}))

    def over(self, box: Box, from_ms: int, to_ms: int) -> BoxSeason:
        """A box over any span, with all that happened in it; limits by what lies in it at the end."""
        clutches = self.store.account.clutches(to_ms)
        species = [
            c.species for c in clutches.values() if any(x.open and x.eggs and x.box == box.id for x in present(c))
        ]
        return self.box(box, from_ms, to_ms, species, self.events(box.id, from_ms, to_ms, clutches))

    def events(
        self, box: str, from_ms: int, to_ms: int, clutches: Container[str] | None = None
    ) -> list[tuple[int, str]]:
        """What happened in a box, oldest first: to the eggs of these clutches (None: of all), and to the box itself."""
        events = [e for e in effective(self.store.account.events()) if from_ms <= e.at_ms <= to_ms]
        mine = [
            e for e in events if _in_box(e, box) and (e.kind in OF_BOXES or clutches is None or e.clutch in clutches)
        ]
        return [(e.at_ms, says(e)) for e in sorted(mine, key=lambda e: e.at_ms)]

    def box(
        self, box: Box, from_ms: int, to_ms: int, species: Sequence[str], events: Sequence[tuple[int, str]]
    ) -> BoxSeason:
        """A box over a span; ``species``: those whose profiles give the limits that it has none of its own for."""
        readings = self.derived.readings
        series = means = readings.box_series(box, from_ms, to_ms + 1, ends=True)
        if series.source.endswith(BY_MEANS):
            # The lowest and highest of ten minutes say what was reached, their mean how warm it was.
            means = readings.box_series(box, from_ms, to_ms + 1)
        limits, _ = self.derived.boxes.limits(box, species)
        t, v = series.time_ms, series.temperature_c
        sides = ((limits.too_warm_c, "above", -1.0), (limits.too_cool_c, "below", 1.0))
        beyond, near = [0.0, 0.0], 0.0
        for i, (limit_c, side, inwards) in enumerate(sides):
            if limit_c is not None:
                beyond[i] = exposure(t, v, limit_c, side, max_gap_s=series.max_gap_s).total_s  # type: ignore[arg-type]
                close = exposure(t, v, limit_c + inwards * NEAR_C, side, max_gap_s=series.max_gap_s)  # type: ignore[arg-type]
                near += close.total_s - beyond[i]
        mean_c = mean_of(means.time_ms, means.temperature_c, series.max_gap_s)
        return BoxSeason(
            box, limits, from_ms, to_ms, t, v, mean_c, series.source,
            gaps_of(t, from_ms, to_ms, series.max_gap_s), beyond[0], beyond[1], near, tuple(events),
        )  # fmt: skip

    # -- stacks

    def _stack(
        self, stack: str, clutches: Sequence[ClutchSeason], boxes: Sequence[Box], from_ms: int, to_ms: int
    ) -> StackSeason:
        def profile(at_ms: int, over_ms: int) -> StackProfile | None:
            return self.derived.boxes.stack_profile(stack, at_ms, over_ms / 1000.0)

        mine = {b.id for b in boxes if b.stack == stack}
        whole = profile(to_ms, to_ms - from_ms)
        ends = [*range(from_ms + WEEK_MS, to_ms, WEEK_MS), to_ms]
        weeks = tuple((end, profile(end, min(WEEK_MS, end - from_ms))) for end in ends)
        inside = [c for c in clutches if any(x.lot.box in mine for x in c.eggs)]
        costs = []
        for name in dict.fromkeys(c.clutch.species for c in inside):
            curve = self.derived.book.of(name).curve
            cost = StackCost.of(name, curve, whole) if curve is not None and whole is not None else None
            costs += [cost] if cost is not None else []
        apart = [a for c in inside if (a := c.apart) is not None and {a.early.box, a.late.box} <= mine]
        return StackSeason(stack, whole, weeks, tuple(costs), tuple(apart))


def _told(clutch: Clutch, lot: Lot, history: History, then: Then) -> list[WindowTold]:
    """What the forecast said at each of ``ASKED_AT``, as it was known then, as long as no pip was seen."""
    begun = lot.path[0]
    seen_ms = min((p.by_ms for p in lot.pips), default=None)

    def same_way(x: Lot) -> bool:
        """What was told of eggs that lay elsewhere then was told by that name."""
        return x.path[0].box == begun.box and x.path[0].from_ms == begun.from_ms

    found = []
    for share in ASKED_AT:
        at_ms = passed_ms(history.edge_ms, history.cumulative, share)
        if at_ms is None or not history.known or (seen_ms is not None and at_ms >= seen_ms):
            continue
        now = [x for x in then(at_ms).histories.once(at_ms, clutch.id, same_way) if same_way(x.lot)]
        same = [x for x in now if x.lot.id == lot.id] or now
        if not same:
            continue
        pip, refused = same[0].first_pip, same[0].refused
        if pip is None:
            found.append(WindowTold(share, at_ms, refused=refused or "no date was told"))
        else:
            w = pip.window
            found.append(WindowTold(share, at_ms, w.p10_ms, w.p50_ms, w.p90_ms))
    return found


def last_ms(clutch: Clutch, now_ms: int) -> int:
    """Until when a season goes for a clutch: its end, or now; of one that nobody finished, no longer than eggs lie."""
    end = ended_ms(clutch)
    return min(now_ms, clutch.laid_ms + LONGEST_MS if end is None else end)


def mean_of(time_ms: Times, temperature_c: Values, max_gap_s: float) -> float | None:
    """Mean over the time that was measured: straight lines between readings that are joined."""
    if not len(time_ms):
        return None
    step_s = np.diff(time_ms) / 1000.0
    step_s = np.where(step_s <= max_gap_s, step_s, 0.0)
    whole = float(step_s.sum())
    if whole == 0.0:
        return float(np.mean(temperature_c))
    return float((0.5 * (temperature_c[1:] + temperature_c[:-1])) @ step_s) / whole


def gaps_of(time_ms: Times, from_ms: int, to_ms: int, max_gap_s: float) -> tuple[tuple[int, int], ...]:
    """Spans without a reading that are longer than what is joined, those at both ends included."""
    edges = np.concatenate(([from_ms], time_ms, [to_ms]))
    long = np.flatnonzero(np.diff(edges) > max_gap_s * 1000.0)
    return tuple((int(edges[i]), int(edges[i + 1])) for i in long)


def _in_box(event: KeeperEvent, box: str) -> bool:
    told = {event.to_box, event.box, event.box.rpartition("/")[2].partition("#")[0]}
    return box in told


def says(event: KeeperEvent) -> str:
    """An entry in a few words, for the mark of a drawing: "K01 pipped, 2 eggs", "weighed"."""
    what = event.kind.value
    if event.kind is EventKind.DEAD:
        what = LOST[event.how or "other"]
    count = f", {show_eggs(event.eggs)}" if event.eggs is not None else ""
    return f"{event.clutch} {what}{count}".strip()
