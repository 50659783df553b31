"""Sums by hour: what was measured in a box, and how far a curve says that it brings eggs.

Development is kept as sums per hour (``part`` rows). An hour in which a reading came since is *dirty*: it and its
neighbours, within the longest joined step, are computed again from the raw readings, in memory by whoever asks
and on the disk by the service once an hour. So late readings, corrected lay dates, moved lots and changed
curves come out right without special paths, and running equals rebuilt.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from monitor.adapters.crashpoints import crash_point
from monitor.adapters.store import Store
from monitor.adapters.store.parts import HourRows
from monitor.core.development.curves import RateCurve
from monitor.core.development.development import hourly_parts
from monitor.core.development.gaps import HourTable
from monitor.core.terms.arrays import Times
from monitor.core.terms.settings import Box, Room
from monitor.core.terms.times import HOUR_MS
from monitor.derived.readings import RoomReadings
from monitor.derived.species import Species, SpeciesBook
from monitor.values import dataclass


@dataclass(frozen=True)
class _Kept:
    """What the store has of one box and model at one moment: sums, for which hours, and the hours that are dirty."""

    span: tuple[int, int] | None
    rows: HourRows
    dirty: Times


@dataclass()
class Sweep:
    """What lots that share a box have in common, by box and model: read and computed once."""

    kept: dict[tuple[str, str], _Kept] = field(default_factory=dict)
    # Whole hours computed afresh: first, last, sums; as known at the moment asked for last.
    whole: dict[tuple[str, str], tuple[int, int, HourRows]] = field(default_factory=dict)
    whole_of_ms: int = -1
    # Spans of less than a day computed afresh from readings up to a moment, such as the last hours until now.
    short: dict[tuple[str, str, int, int, int], HourRows] = field(default_factory=dict)


class Hours:
    """Hourly sums of one room's store. Belongs to one thread, like its store."""

    def __init__(self, store: Store, room: Room, readings: RoomReadings, book: SpeciesBook) -> None:
        self._store = store
        self._room = room
        self._readings = readings
        self._book = book
        self._sweep: Sweep | None = None

    @contextmanager
    def sweep(self) -> Iterator[None]:
        """While lots are looked at: what they and the moments asked for share is read and computed once."""
        outer = self._sweep
        self._sweep = outer or Sweep()
        try:
            yield
        finally:
            self._sweep = outer

    def _model(self, box: Box, species: Species) -> str:
        """Name of what the parts depend on: the curve, and the probes with their corrections."""
        own, around = self._readings.probes_for(box)
        known = self._readings.corrections
        parts = [
            (h, p.id, p.correction, p.max_gap_s, *known.digest(p.id)) for h, p in [(0.0, p) for p in own] or around
        ]
        return species.digest + hashlib.blake2b(repr((parts, box.height_cm)).encode(), digest_size=6).hexdigest()

    def _reach_hours(self, box: Box) -> int:
        """How far from an hour a reading may lie and still change it: the longest joined step, however many probes.

        Where several are brought to one moment t, each is interpolated between two readings of its own, a < t < b, and
        b - a is no longer than that step. A segment that touches the hour lies between two such moments, no reading
        of any probe between them: so a is not after the first of them and b not before the second, and neither is
        further from the hour than b - a.
        """
        own, around = self._readings.probes_for(box)
        gap_s = max((p.max_gap_s for p in own or tuple(p for _, p in around)), default=7200.0)
        return math.ceil(gap_s / 3600.0)

    def _reach_ms(self, box: Box) -> int:
        """How far beyond a span its readings are read."""
        return (self._reach_hours(box) + 1) * HOUR_MS

    def _read_to(self, box: Box, to_ms: int, until_ms: int) -> int:
        """Up to where readings are read for a span that ends at ``to_ms``, of those that were there by ``until_ms``."""
        return min(to_ms + self._reach_ms(box), until_ms + 1)

    def table(self, box: Box, species: Species, from_ms: int, to_ms: int, now_ms: int) -> HourTable:
        """Development and temperature of a box by hour over a span; dirty and partial hours computed afresh.

        Readings after ``now_ms`` have no part in it.
        """
        with self._store.db.read():
            # Of one moment: what the service sums up or drops meanwhile would be missed.
            return self._table(box, species, from_ms, to_ms, now_ms)

    def _table(self, box: Box, species: Species, from_ms: int, to_ms: int, now_ms: int) -> HourTable:
        assert species.curve is not None
        first, last = from_ms // HOUR_MS, max((to_ms - 1) // HOUR_MS, from_ms // HOUR_MS)
        n = last - first + 1
        development, degree_days, integral, covered = (np.zeros(n) for _ in range(4))
        starts = (first + np.arange(n)) * HOUR_MS
        need = (np.minimum(starts + HOUR_MS, to_ms) - np.maximum(starts, from_ms)) / 1000.0
        model = self._model(box, species)
        kept = self._kept(box, model, first, last + 1)
        span = kept.span
        fresh = np.ones(n, bool)
        if span is not None:
            hours = first + np.arange(n)
            fresh = ~((hours >= span[0]) & (hours < span[1]) & (need >= 3600.0))
            # What was summed up later may have been joined to a reading that had not come by then.
            fresh |= (hours + 1 + self._reach_hours(box)) * HOUR_MS > now_ms
            fresh |= self._dirty_mask(box, kept.dirty, first, n)
            rows = kept.rows.between(first, last + 1)
            index = rows.hour - first
            development[index], degree_days[index] = rows.development, rows.degree_days
            integral[index], covered[index] = rows.temperature_integral, rows.covered_s
        for start, stop in _runs(fresh, join=24):
            a, b = max(from_ms, (first + start) * HOUR_MS), min(to_ms, (first + stop) * HOUR_MS)
            where = slice(start, stop)
            development[where] = degree_days[where] = integral[where] = covered[where] = 0.0
            for got in self._fresh(box, species.curve, model, a, b, now_ms):
                index = got.hour - first
                development[index], degree_days[index] = got.development, got.degree_days
                integral[index], covered[index] = got.temperature_integral, got.covered_s
        mean = np.divide(integral, covered, out=np.full(n, np.nan), where=covered > 0)
        return HourTable(int(first), development, degree_days, mean, covered, need)

    def _kept(self, box: Box, model: str, first: int, last: int) -> _Kept:
        """Sums with ``first <= hour < last`` at least, and what goes with them."""
        if self._sweep is not None and (box.id, model) in self._sweep.kept:
            return self._sweep.kept[box.id, model]
        span = self._store.parts.span(box.id, model)
        if self._sweep is not None and span is not None:
            first, last = span
        rows = self._store.parts.load(box.id, model, first, last if span is not None else first)
        kept = _Kept(span, rows, self._dirty(box))
        if self._sweep is not None:
            self._sweep.kept[box.id, model] = kept
        return kept

    def _dirty(self, box: Box) -> Times:
        """Hours in which something came for the box since they were summed up."""
        own, around = self._readings.probes_for(box)
        names = [p.id for p in (own or [p for _, p in around])]
        hours = self._store.parts.dirty(names)
        for name in names:
            # What came with the times of a wrong clock lies in other hours than it is marked in.
            for clock in self._readings.clocks(name):
                for hour in self._store.parts.dirty([name]):
                    first = hour + clock.behind_ms // HOUR_MS
                    hours |= {first, first + 1}
        return np.array(sorted(hours), np.int64)

    def _dirty_mask(self, box: Box, dirty: Times, first: int, n: int) -> NDArray[np.bool_]:
        """Of ``n`` hours, those that a dirty one reaches."""
        gap = self._reach_hours(box)
        begins = np.bincount(np.clip(dirty - gap - first, 0, n), minlength=n + 1)
        ends = np.bincount(np.clip(dirty + gap + 1 - first, 0, n), minlength=n + 1)
        mask: NDArray[np.bool_] = np.cumsum(begins - ends)[:n] > 0
        return mask

    def _fresh(self, box: Box, curve: RateCurve, model: str, from_ms: int, to_ms: int, now_ms: int) -> list[HourRows]:
        """As :meth:`_compute`, in pieces; while all lots are looked at, a box's whole hours are computed only once."""
        first, last = -(-from_ms // HOUR_MS), to_ms // HOUR_MS
        if self._sweep is None:
            return [self._compute(box, curve, from_ms, to_ms, until_ms=now_ms)]
        if last - first < 24:
            key = box.id, model, from_ms, to_ms, self._read_to(box, to_ms, now_ms)
            if key not in self._sweep.short:
                self._sweep.short[key] = self._compute(box, curve, from_ms, to_ms, until_ms=now_ms)
            return [self._sweep.short[key]]
        if self._sweep.whole_of_ms != now_ms:
            self._sweep.whole, self._sweep.whole_of_ms = {}, now_ms
        known = self._sweep.whole.get((box.id, model))
        if known is None or first < known[0] or last > known[1]:
            whole = self._compute(box, curve, first * HOUR_MS, last * HOUR_MS, until_ms=now_ms)
            known = self._sweep.whole[box.id, model] = first, last, whole
        pieces = [known[2].between(first, last)]
        if from_ms < first * HOUR_MS:
            pieces.append(self._compute(box, curve, from_ms, first * HOUR_MS, until_ms=now_ms))
        if last * HOUR_MS < to_ms:
            pieces.append(self._compute(box, curve, last * HOUR_MS, to_ms, until_ms=now_ms))
        return pieces

    def _compute(
        self, box: Box, curve: RateCurve, from_ms: int, to_ms: int, *, until_ms: int = 2**62, stored: bool = False
    ) -> HourRows:
        read_from_ms, read_to_ms = from_ms - self._reach_ms(box), self._read_to(box, to_ms, until_ms)
        series = self._readings.box_series(box, read_from_ms, read_to_ms, stored=stored)
        inside = series.clipped(from_ms, to_ms)
        parts = hourly_parts(inside.time_ms, inside.temperature_c, curve, series.max_gap_s)
        keep = (parts.hour >= from_ms // HOUR_MS) & (parts.hour * HOUR_MS < to_ms)
        return HourRows(
            parts.hour[keep],
            parts.development[keep],
            parts.degree_days[keep],
            parts.temperature_integral[keep],
            parts.covered_s[keep],
        )

    def edges(self, now_ms: int) -> frozenset[int]:
        """Hours in which some eggs' way begins or ends, and those whose readings reach into them: of these parts are
        asked for, which no sum of a whole hour tells."""
        reach = 1 + max((self._reach_hours(b) for b in self._room.boxes), default=2)
        moments: set[int] = set()
        for clutch in self._store.account.clutches(now_ms).values():
            moments.add(clutch.laid_ms)
            for lot in clutch.lots:
                moments |= {lot.closed_ms} if lot.closed_ms is not None else set()
                for stay in lot.path:
                    moments |= {stay.from_ms, *(() if stay.to_ms is None else (stay.to_ms,))}
        return frozenset(
            hour for at_ms in moments for hour in range(at_ms // HOUR_MS - reach, at_ms // HOUR_MS + reach + 1)
        )

    def refresh(self, now_ms: int) -> int:
        """Write the parts of finished hours that are new or dirty; returns how many hours were computed."""
        self._readings.follow_corrections()
        self._book.follow()
        uses: dict[tuple[str, str], tuple[Box, Species, int, int]] = {}
        for clutch in self._store.account.clutches(now_ms).values():
            species = self._book.of(clutch.species)
            if species.curve is None:
                continue
            for lot in clutch.lots:
                for stay in lot.path:
                    box = self._room.box(stay.box)
                    if box is None:
                        continue
                    key = box.id, self._model(box, species)
                    start, stop = stay.from_ms // HOUR_MS, (stay.to_ms or now_ms) // HOUR_MS + 1
                    old = uses.get(key)
                    if old is not None:
                        start, stop = min(start, old[2]), max(stop, old[3])
                    uses[key] = box, species, start, stop
        models: dict[str, list[str]] = {}
        for box_id, model in uses:
            models.setdefault(box_id, []).append(model)
        self._store.parts.keep_only(models)
        computed = 0
        closed = now_ms // HOUR_MS
        with self._store.db.write():
            for (box_id, model), (box, species, start, stop) in uses.items():
                assert species.curve is not None
                span = self._store.parts.span(box_id, model)
                first = min(start, span[0]) if span else start
                # Hours that a reading still to come may join are left to be computed by whoever asks.
                last = min(max(stop, span[1]) if span else stop, closed - self._reach_hours(box))
                if last <= first:
                    continue
                hours = first + np.arange(last - first)
                todo = np.ones(len(hours), bool)
                if span:
                    todo = self._dirty_mask(box, self._dirty(box), first, len(hours))
                    todo |= (hours < span[0]) | (hours >= span[1])
                for a, b in _runs(todo, join=24):
                    # From the store: a reading may have come since the last look, and its mark is cleaned below.
                    rows = self._compute(box, species.curve, (first + a) * HOUR_MS, (first + b) * HOUR_MS, stored=True)
                    self._store.parts.replace(box_id, model, range(first + a, first + b), rows, (first, last))
                    computed += b - a
            crash_point("in-summing")
            # A mark stays until all hours that it reaches are summed up.
            self._store.parts.clean(closed - 2 * max((self._reach_hours(b) for b in self._room.boxes), default=2))
        return computed


def _runs(mask: NDArray[np.bool_], join: int) -> list[tuple[int, int]]:
    """Runs of True as (start, stop), joined when fewer than ``join`` False lie between."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], np.asarray(mask, np.int8), [0]))))
    runs: list[tuple[int, int]] = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if runs and a - runs[-1][1] < join:
            runs[-1] = runs[-1][0], int(b)
        else:
            runs.append((int(a), int(b)))
    return runs
