"""The readings of a room as they are used: the newest in memory, corrected, and joined to the course of a box."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from monitor.adapters.store import Columns, Store
from monitor.core.climate.box_temperature import BoxSeries, Series, box_series, probes_for
from monitor.core.readings.belief import Belief, Use
from monitor.core.readings.corrections import StandingCorrections
from monitor.core.readings.thinning import SLOT_MS
from monitor.core.terms.settings import Box, Probe, Room
from monitor.core.terms.times import HOUR_MS

# The service keeps so much of the newest readings in memory.
RECENT_MS = 26 * HOUR_MS


class RoomReadings:
    """Readings and corrections of one room's store. Belongs to one thread, like its store.

    ``known_by_ms``: with the corrections of probes as they stood at that moment, not as they stand. ``seen_seq``: up to
    which place of the journal the newest readings are in memory (-1: none are); they begin at ``recent_from``.
    """

    def __init__(self, store: Store, room: Room, *, known_by_ms: int | None = None) -> None:
        self._store = store
        self._room = room
        self.seen_seq = -1
        self._recent: dict[str, Columns] = {}
        self.recent_from = 0
        self._bulks = ""
        self._around = {box: probes_for(room, box) for box in room.boxes}
        self._corrections = StandingCorrections()
        self._belief = Belief()
        self._belief_version = -1
        self.corrections_version = -1
        self._known_by_ms = known_by_ms

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
        names = [p.id for p in self._room.all_probes]
        bulks = self._store.readings.bulks()
        if self.seen_seq < 0 or bulks != self._bulks or now_ms - RECENT_MS < self.recent_from - RECENT_MS:
            self.seen_seq = self._store.journal.last_seq()
            self._bulks = bulks
            self.recent_from = now_ms - RECENT_MS
            self._recent = self._store.readings.sparse(names, self.recent_from, 2**62)
            return
        fresh = self._store.journal.since(self.seen_seq)
        while fresh:
            self.seen_seq = fresh[-1][0]
            by_probe: dict[str, list[tuple[int, float, int, int, bool, str]]] = {}
            for _, r in fresh:
                if r.at_ms >= self.recent_from:
                    row = (r.at_ms, r.value, r.received_ms, int(r.flag), r.timed, r.test)
                    by_probe.setdefault(r.probe, []).append(row)
            for probe, rows in by_probe.items():
                at, value, received, flag, timed, test = zip(*rows, strict=True)
                new = Columns(
                    np.array(at, np.int64),
                    np.array(value, np.float64),
                    np.array(received, np.int64),
                    np.array(flag, np.uint8),
                    np.array(timed, bool),
                    tuple(test),
                )
                old = self._recent.get(probe, Columns.empty())
                # Of what is there already only the slots that something came into are thinned anew.
                slot_ms = int(new.at.min()) // SLOT_MS * SLOT_MS
                there = int(np.searchsorted(old.at, slot_ms))
                tail = Columns.joined([old.part(there, len(old)), new]).sorted_first_wins().thinned()
                self._recent[probe] = Columns.joined([old.part(0, there), tail])
            fresh = self._store.journal.since(self.seen_seq)
        if now_ms - self.recent_from > RECENT_MS + HOUR_MS:
            self.recent_from = now_ms - RECENT_MS
            self._recent = {name: c.take(np.flatnonzero(c.at >= self.recent_from)) for name, c in self._recent.items()}

    def recent(self, probe: str, until_ms: int = 2**62) -> Columns:
        """What is in memory of a probe, up to a moment, that one included."""
        c = self._recent.get(probe, Columns.empty())
        return c.take(np.flatnonzero(c.at <= until_ms))

    def columns(self, probes: Iterable[Probe], from_ms: int, to_ms: int, *, stored: bool = False) -> dict[str, Columns]:
        """``stored``: as the store has it now, not as it was at the last :meth:`follow`."""
        names = [p.id for p in probes]
        if self.seen_seq >= 0 and from_ms >= self.recent_from and not stored:
            found = {n: self._recent.get(n, Columns.empty()) for n in names}
            return {n: c.take(np.flatnonzero((c.at >= from_ms) & (c.at < to_ms))) for n, c in found.items()}
        return self._store.readings.sparse(names, from_ms, to_ms)

    def series(self, probe: Probe, columns: Columns, believed_for: Use | None) -> Series:
        """Usable readings, corrected as each one's time asks for; the probe is as known at the newest of them.

        What a probe said while it lay elsewhere to be compared belongs to no box. ``believed_for``: those that may be
        believed for that; None: all, as limits are judged.
        """
        usable = columns.usable & ~self.corrections.away(probe.id, columns.at)
        if believed_for is not None:
            usable &= self.belief.mask(probe.id, columns.at, believed_for)
        at = columns.at[usable]
        value = columns.value[usable] + probe.correction + self.corrections.offset_c(probe.id, at)
        return Series(self.effective(probe, int(at[-1]) if len(at) else 2**62), at, value)

    def box_series(
        self, box: Box, from_ms: int, to_ms: int, *, as_heard: bool = False, stored: bool = False
    ) -> BoxSeries:
        """Temperature of a box with ``from_ms <= at < to_ms``, corrected, usable readings only: those that may be
        believed for sums, or ``as_heard`` all of them."""
        own, around = self.probes_for(box)
        use: Use | None = None if as_heard else "sums"
        columns = self.columns(own or [p for _, p in around], from_ms, to_ms, stored=stored)
        return box_series(
            [self.series(p, columns[p.id], use) for p in own],
            [] if own else [(h, self.series(p, columns[p.id], use)) for h, p in around],
            box.height_cm,
            as_heard=as_heard,
        )
