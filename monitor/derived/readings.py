"""The readings of a room as they are used: the newest in memory, corrected, and joined to the course of a box."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.adapters.store import Store
from monitor.core.climate.box_temperature import BoxSeries, Series, box_series, probes_for
from monitor.core.readings.belief import Belief, Use
from monitor.core.readings.corrections import StandingCorrections
from monitor.core.readings.probe_clocks import MOST_CLOCKS, Log, WrongClock, after_step, looked_at, righted
from monitor.core.readings.probe_faults import jumps
from monitor.core.readings.ten_minutes import TEN_MS
from monitor.core.readings.thinning import SLOT_MS
from monitor.core.terms.arrays import Times
from monitor.core.terms.settings import Box, Probe, Room
from monitor.core.terms.times import HOUR_MS
from monitor.derived.trace import GrowingTrace, Trace

# The service keeps so much of the newest readings in memory.
RECENT_MS = 26 * HOUR_MS
# So many readings that came are looked at in one go: as objects they take some three megabytes.
FOLLOWED: Final = 5_000
# Clocks differ by so much without being wrong.
TO_COME_MS = 300_000


class RoomReadings:
    """Readings and corrections of one room's store. Belongs to one thread, like its store.

    ``known_by_ms``: with the corrections of probes as they stood at that moment, and without what was
    measured after the moment that is followed to. ``seen_seq``: up to which place of the journal the newest readings
    are in memory (-1: none are); they begin at ``recent_from``.
    """

    def __init__(self, store: Store, room: Room, *, known_by_ms: int | None = None) -> None:
        self._store = store
        self._room = room
        self.seen_seq = -1
        self._recent: dict[str, GrowingTrace] = {}
        self.recent_from = 0
        self._recent_to = 2**62
        self._bulks = ""
        self._clocks: dict[str, tuple[WrongClock, ...]] = {}
        self._clocks_version: tuple[int, ...] = ()
        self._logs: dict[str, Log] = {}
        # What was given a time to come before this computer's clock was set back is no reading of now.
        self._set_back = False
        self._around = {box: probes_for(room, box) for box in room.boxes}
        self._corrections = StandingCorrections()
        self._belief = Belief()
        self._belief_version = -1
        self.corrections_version = -1
        self._known_by_ms = known_by_ms
        self._held: tuple[int, int, dict[str, Trace]] = 0, 0, {}

    def follow_corrections(self) -> None:
        """Only where a computation begins: what is summed up must be of one state of knowledge."""
        version = self._store.corrections.version()
        if version != self.corrections_version:
            self._corrections = self._store.corrections.standing(self._known_by_ms)
            self.corrections_version = version
        version = self._store.disbeliefs.version()
        if version != self._belief_version:
            self._belief = self._store.disbeliefs.belief(self._known_by_ms)
            self._belief_version = version

    @property
    def knowledge(self) -> tuple[int, int]:
        """Changes whenever something else is known of a probe: its corrections, or whether it is to be believed."""
        return self.corrections_version, self._belief_version

    @property
    def belief(self) -> Belief:
        """Which readings of which probe may be believed, and for what."""
        if self._belief_version < 0:
            self.follow_corrections()
        return self._belief

    @property
    def corrections(self) -> StandingCorrections:
        if self.corrections_version < 0:
            self.follow_corrections()
        return self._corrections

    def probes_for(self, box: Box) -> tuple[tuple[Probe, ...], tuple[tuple[float, Probe], ...]]:
        found = self._around.get(box)
        return found if found is not None else probes_for(self._room, box)

    def effective(self, probe: Probe, now_ms: int) -> Probe:
        """A probe with its correction and uncertainty of a moment."""
        return self.corrections.effective(probe, now_ms)

    def follow(self, now_ms: int) -> None:
        """Bring what is in memory up to date: corrections and the newest readings."""
        self.follow_corrections()
        bulks = self._store.readings.bulks()
        version = self._store.clocks.version()
        known = self.seen_seq >= 0 and bulks == self._bulks and version == self._clocks_version
        if not known or now_ms < self.recent_from or now_ms + TO_COME_MS > self._recent_to:
            self.seen_seq = self._store.journal.last_seq()
            self._bulks = bulks
            self._follow_clocks(version)
            self.recent_from = now_ms - RECENT_MS
            names = [p.id for p in self._room.all_probes]
            # Years may have passed since a moment that is looked back to.
            self._recent_to = 2**62 if self._known_by_ms is None else now_ms + TO_COME_MS + 1
            until_ms = now_ms + TO_COME_MS if self._set_back else self._recent_to
            # Probe by probe: what decoding takes is given back before the next.
            self._recent = {
                name: GrowingTrace(self._stored([name], self.recent_from, until_ms)[name]) for name in names
            }
            return
        fresh = self._store.journal.since(self.seen_seq, FOLLOWED)
        while fresh:
            self.seen_seq = fresh[-1][0]
            by_probe: dict[str, list[tuple[int, float, int, int, bool]]] = {}
            for _, r in fresh:
                row = (r.at_ms, r.value, r.received_ms, int(r.flag), r.timed)
                by_probe.setdefault(r.probe, []).append(row)
            for probe, rows in by_probe.items():
                at, value, received, flag, timed = zip(*rows, strict=True)
                new = Trace(
                    np.array(at, np.int64),
                    np.array(value, np.float64),
                    np.array(received, np.int64),
                    np.array(flag, np.uint8),
                    np.array(timed, bool),
                )
                self._logs[probe] = _logged(self._logs.get(probe, Log.empty()), new)
                right = self._times(probe, new)
                new = new.take((right >= self.recent_from) & (right < self._recent_to))
                if not len(new):
                    continue
                self._recent[probe] = _with_new(self._recent.get(probe), new)
            fresh = self._store.journal.since(self.seen_seq, FOLLOWED)
        if now_ms - self.recent_from > RECENT_MS + HOUR_MS:
            self.recent_from = now_ms - RECENT_MS
            for name, grown in self._recent.items():
                trace = grown.trace
                self._recent[name] = GrowingTrace(trace.take(self._times(name, trace) >= self.recent_from))

    def recent(self, probe: str, until_ms: int = 2**62) -> Trace:
        """What is in memory of a probe, up to a moment, that one included."""
        return self._in_memory(probe).between(-(2**62), until_ms + 1)

    def _in_memory(self, probe: str) -> Trace:
        grown = self._recent.get(probe)
        return Trace.empty() if grown is None else self._righted(probe, grown.trace)

    def columns(self, probes: Iterable[Probe], from_ms: int, to_ms: int, *, stored: bool = False) -> dict[str, Trace]:
        """``stored``: as the store has it now, not as it was at the last :meth:`follow`."""
        names = [p.id for p in probes]
        if not stored and self._held[0] <= from_ms and to_ms <= self._held[1] and self._held[2].keys() >= set(names):
            return {n: self._held[2][n].between(from_ms, to_ms) for n in names}
        in_memory = self.seen_seq >= 0 and self.recent_from <= from_ms and to_ms <= self._recent_to
        if in_memory and not stored and not self._of_means(from_ms):
            return {n: self._in_memory(n).between(from_ms, to_ms) for n in names}
        if not self._clocks_version:
            self._follow_clocks(self._store.clocks.version())
        found = self._stored(names, from_ms, to_ms)
        return {n: self._righted(n, c).between(from_ms, to_ms) for n, c in found.items()}

    def _of_means(self, from_ms: int) -> bool:
        """Whether a moment of years ago is looked back to, whose rows of ten minutes stand in the store alone."""
        if self._known_by_ms is None:
            return False
        before_ms = self._store.readings.means_before_ms()
        return before_ms is not None and from_ms < before_ms

    @contextmanager
    def held(self, probes: Iterable[Probe], from_ms: int, to_ms: int) -> Iterator[None]:
        """While much is asked of these probes within a span: its readings are read once."""
        self._held = from_ms, to_ms, self.columns(probes, from_ms, to_ms)
        try:
            yield
        finally:
            self._held = 0, 0, {}

    # -- the clocks of probes

    def clock(self, probe: str) -> WrongClock | None:
        """How a probe's clock is wrong now; None: it is not, so far as is known."""
        clocks = self._clocks.get(probe, ())
        return next((c for c in clocks if c.to_ms is None), None)

    def clocks(self, probe: str) -> tuple[WrongClock, ...]:
        """How a probe's clock was and is wrong."""
        return self._clocks.get(probe, ())

    def came_ms(self, probe: str) -> int | None:
        """When a usable reading of a probe with a time of its own came last, to half a minute; None: not since the
        start."""
        log = self._logs.get(probe)
        return int(log.received_ms[-1]) if log is not None and len(log.received_ms) else None

    def look_at_clocks(self, now_ms: int, *, trusted: bool) -> None:
        """What arrived lately says of clocks; what is new of it is written down. Call it after :meth:`follow`.

        ``trusted``: whether this computer's clock is. What was found while it was not is taken back when it ends.
        """
        found: list[WrongClock] = []
        over: list[WrongClock] = []
        for probe, log in self._logs.items():
            clock = self.clock(probe)
            if clock is None and len(self.clocks(probe)) >= MOST_CLOCKS:
                continue
            before, wrong = looked_at(probe, clock, log, trusted=trusted)
            over += [] if before is None else [before]
            found += [] if wrong is None or wrong == clock else [wrong]
        if found or over:
            ended = [c for c in over if c.trusted]
            withdrawn = [c for c in over if not c.trusted]
            self._store.clocks.change(now_ms, found=found, ended=ended, withdrawn=withdrawn)
            self.follow(now_ms)

    def clock_set(self, now_ms: int, step_s: float) -> None:
        """This computer's clock was set by so much: what it made seem wrong of other clocks is taken back, and all that
        is in memory is read again."""
        open_ = [c for clocks in self._store.clocks.all().values() for c in clocks if c.to_ms is None]
        back, end = after_step(open_, round(step_s * 1000))
        before_ms = now_ms - round(step_s * 1000)
        ended = [replace(c, to_ms=max(before_ms, c.from_ms)) for c in end]
        if back or ended:
            self._store.clocks.change(max(now_ms, before_ms), ended=ended, withdrawn=back)
        self._logs = {}
        self._set_back = step_s < 0.0
        self.seen_seq = -1

    def _follow_clocks(self, version: tuple[int, ...]) -> None:
        self._clocks, self._clocks_version = self._store.clocks.all(), version

    def _times(self, probe: str, trace: Trace) -> Times:
        return righted(trace.at, trace.received, trace.timed, self._clocks.get(probe, ()))

    def _righted(self, probe: str, trace: Trace) -> Trace:
        """With the times that a right clock would have given."""
        if probe not in self._clocks or not len(trace):
            return trace
        return replace(trace, at=self._times(probe, trace)).sorted_first_wins()

    def _stored(self, names: Sequence[str], from_ms: int, to_ms: int) -> dict[str, Trace]:
        """Readings as they are stored, those at least that rightly lie in a span."""
        found = {n: Trace.of(c) for n, c in self._store.readings.sparse(names, from_ms, to_ms).items()}
        for name in names:
            parts = [found[name]]
            for clock in self._clocks.get(name, ()):
                if (clock.to_ms is None or clock.to_ms >= from_ms) and clock.behind_ms:
                    reach = from_ms - clock.behind_ms, to_ms - clock.behind_ms
                    parts.append(Trace.of(self._store.readings.sparse([name], *reach)[name]))
            if len(parts) > 1:
                joined = Trace.joined(parts).sorted_first_wins()
                found[name] = joined.take(self._times(name, joined) >= from_ms)
        return found

    # -- as they are used

    def series(
        self, probe: Probe, trace: Trace, believed_for: Use | None, ends: tuple[int, int] | None = None
    ) -> Series:
        """Usable readings, corrected as each one's time asks for; the probe is as known at the newest of them.

        ``ends``: of means of ten minutes also the lowest and highest, and all of it only from one moment to another.
        What a probe said while it lay elsewhere to be compared belongs to no box. ``believed_for``: those that may be
        believed for that; None: all, as limits are judged.
        """
        usable = trace.usable & ~self.corrections.away(probe.id, trace.at)
        if believed_for is not None and self.belief.spans(probe.id, believed_for):
            usable &= self.belief.mask(probe.id, trace.at, believed_for)
        if believed_for == "sums" and not (still := self.belief.mask(probe.id, trace.at, "jumps")).all():
            good = np.flatnonzero(usable)
            away = good[jumps((trace.at[good], trace.value[good]))]
            usable[away] = still[away]
        if not usable.all():
            trace = trace.take(usable)
        means = trace.spread is not None and bool(trace.spread.several.any())
        trace = trace if ends is None else trace.with_ends().between(*ends)
        at, value = trace.at, trace.value
        if probe.correction or self.corrections.of(probe.id):
            value = value + probe.correction + self.corrections.offset_c(probe.id, at)
        return Series(self.effective(probe, int(at[-1]) if len(at) else 2**62), at, value, means)

    def box_series(
        self, box: Box, from_ms: int, to_ms: int, *, as_heard: bool = False, stored: bool = False, ends: bool = False
    ) -> BoxSeries:
        """Temperature of a box with ``from_ms <= at < to_ms``, corrected, usable readings only: those that may be
        believed for sums, or ``as_heard`` all of them; ``ends``: of means of ten minutes also the lowest and highest.
        """
        own, around = self.probes_for(box)
        use: Use | None = None if as_heard else "sums"
        # The lowest and highest of ten minutes lie beside their mean.
        beside_ms, within = (TEN_MS, (from_ms, to_ms)) if ends else (0, None)
        columns = self.columns(own or [p for _, p in around], from_ms - beside_ms, to_ms + beside_ms, stored=stored)
        return box_series(
            [self.series(p, columns[p.id], use, within) for p in own],
            [] if own else [(h, self.series(p, columns[p.id], use, within)) for h, p in around],
            box.height_cm,
            as_heard=as_heard,
        )


def _logged(log: Log, new: Trace) -> Log:
    """With the arrivals of readings that have a time of their own."""
    timed = new.timed & new.usable
    return log.with_more(new.at[timed], new.received[timed]) if timed.any() else log


def _with_new(grown: GrowingTrace | None, new: Trace) -> GrowingTrace:
    """With what came; of what is there already only the slots that something came into are thinned anew."""
    if grown is None:
        return GrowingTrace(new.sorted_first_wins().thinned())
    old = grown.trace
    there = int(old.at.searchsorted(int(new.at.min()) // SLOT_MS * SLOT_MS))
    tail = Trace.joined([old.part(there, len(old)), new]).sorted_first_wins().thinned()
    same = len(old) - there
    if len(tail) >= same and (tail.at[:same] == old.at[there:]).all():
        return grown.with_more(tail.part(same, len(tail)))
    return GrowingTrace(Trace.joined([old.part(0, there), tail]))
