"""Folding: each hour the journal becomes one compressed chunk for each probe and hour; an import goes there at once.

When a day is over its hours become one chunk, which takes half the room; so do chunks of before. A crash at any moment
leaves each reading in exactly one place.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Sequence
from sqlite3 import Connection
from typing import Final

import numpy as np

from monitor.adapters.crashpoints import crash_point
from monitor.adapters.store import chunks, thin_chunks
from monitor.adapters.store.batches import Batch, Batches, PackedMarks, Unfolded, encode
from monitor.adapters.store.columns import Columns
from monitor.adapters.store.database import ROWS_A_STEP, Database
from monitor.adapters.store.journal import ProbeNumbers, session_from
from monitor.adapters.store.readings import Readings
from monitor.core.terms.times import HOUR_MS
from monitor.errors import StoreCorrupt
from monitor.values import dataclass

# Folding takes at most so many journal rows in one transaction, to keep writers waiting only milliseconds.
FOLD_ROWS = 100_000
DAY_HOURS: Final = 24
DAY_ROWS: Final = 100_000
"""A day with more readings stays in hours: nobody reads more at once."""
SETTLED_HOURS: Final = 2
"""A day that is over for so long is packed: most of what came late is there (judgement)."""
OPENED_AT_ONCE: Final = 32
"""So many old days of a probe are looked into in one transaction: some 50 ms."""
STEP_S: Final = 0.1
"""Packing goes on for so long at a time, one probe's day a transaction."""
_IMPORT_DAYS: Final = 10
# Of an hour in SQL, whose division rounds towards 0.
_DAY: Final = "hour - ((hour % 24) + 24) % 24"


@dataclass(frozen=True, slots=True)
class _KeptChunk:
    """A chunk as it stands. ``id`` None: one of before."""

    id: int | None
    hour: int
    hours: int
    n: int
    blob: bytes


def insert(
    c: Connection, probe: int, hour: int, hours: int, columns: Columns, told: tuple[float | None, bytes] | None = None
) -> None:
    """A chunk into its table. ``told``: its total and its head, where they are not to be made anew."""
    n_good, total = columns.good
    head = chunks.hours_of(columns, hour, hours) if hours > 1 and told is None else None
    if told is not None:
        total, head = told
    c.execute(
        "INSERT INTO chunk(probe, hour, hours, n, n_good, total, head, blob) VALUES (?,?,?,?,?,?,?,?)",
        (probe, hour, hours, columns.readings, n_good, total, head, chunks.encode(columns, total, head)),
    )


def _merged(parts: Sequence[Columns]) -> Columns:
    """As one, in order of time: of two with one time the earlier stays, of ten minutes with a row the row."""
    rows = [p for p in parts if p.spread is not None]
    rest = Columns.joined([p for p in parts if p.spread is None]).sorted_first_wins()
    return thin_chunks.with_more(Columns.joined(rows).sorted_first_wins(), rest) if rows else rest


class Folding:
    """From the journal, or from an import, into chunks."""

    def __init__(self, db: Database, numbers: ProbeNumbers, readings: Readings, batches: Batches) -> None:
        self.db = db
        self._batches = batches
        self._numbers = numbers
        self._readings = readings

    def bulk(self, probe: str, columns: Columns, progress: Callable[[int], None] | None = None) -> tuple[int, int]:
        """Merge many readings of one probe straight into chunks, some days at a time (import).

        Returns how many were new and how many were known already. Safe to repeat and to interrupt.
        """
        columns = columns.sorted_first_wins()
        self._numbers.known(probe)
        days = columns.at // (DAY_HOURS * HOUR_MS)
        edges = [0, *(np.flatnonzero(np.diff(days)) + 1).tolist(), len(columns)] if len(columns) else [0]
        added = 0
        pieces = list(itertools.pairwise(edges))
        for block in range(0, len(pieces), _IMPORT_DAYS):
            with self.db.write():
                number = self._numbers.given(probe)
                # What waits in the journal was stored first and wins, though it is merged later.
                now = self._batches.now()
                waiting = now.at[now.probe == number]
                for a, b in pieces[block : block + _IMPORT_DAYS]:
                    piece = columns.part(a, b)
                    if len(waiting):
                        piece = piece.take(np.flatnonzero(~np.isin(piece.at, waiting)))
                    # The newest day of an import may be the present one: it is packed when it is over.
                    new = self._merge(number, piece, whole=b < len(columns)) if len(piece) else 0
                    if new:
                        for hour in np.unique(piece.at // HOUR_MS).tolist():
                            self._mark(number, hour)
                    added += new
                self.db.connection.execute(
                    "INSERT INTO fact VALUES ('bulk', '1') ON CONFLICT(name) DO UPDATE SET value=value+1"
                )
            if progress is not None:
                progress(pieces[min(block + _IMPORT_DAYS, len(pieces)) - 1][1])
        return added, len(columns) - added

    def _mark(self, probe: int, hour: int) -> None:
        """An hour that changed behind the journal: to be computed again, and to be shipped."""
        c = self.db.connection
        c.execute("INSERT OR IGNORE INTO dirty VALUES (?,?)", (probe, hour))
        c.execute("INSERT OR IGNORE INTO ship_hour SELECT destination, ?, ? FROM shipped", (probe, hour))

    # -- chunks; all of it inside a transaction of the caller

    def _merge(self, probe: int, new: Columns, *, whole: bool = False) -> int:
        """Readings of one day, in order of time, into its chunks; what was there first wins. Returns how many are new.

        ``whole``: as one chunk, if they are not too many. What is one already stays one.
        """
        day = int(new.at[0]) // HOUR_MS // DAY_HOURS * DAY_HOURS
        there = self._there(probe, day)
        if whole and sum(k.n for k in there) + len(new) <= DAY_ROWS:
            return self._put(probe, day, DAY_HOURS, there, new)
        if there and there[0].hours > 1:
            return self._put(probe, day, DAY_HOURS, there, new)
        hours = new.at // HOUR_MS
        edges = [0, *(np.flatnonzero(np.diff(hours)) + 1).tolist(), len(new)]
        added = 0
        for a, b in itertools.pairwise(edges):
            hour = int(hours[a])
            added += self._put(probe, hour, 1, [k for k in there if k.hour == hour], new.part(a, b))
        return added

    def _there(self, probe: int, day: int) -> list[_KeptChunk]:
        """A day's chunks."""
        c, span = self.db.connection, (probe, day, day + DAY_HOURS)
        rows = c.execute("SELECT id, hour, hours, n, blob FROM chunk WHERE probe=? AND hour>=? AND hour<?", span)
        found = [_KeptChunk(*row) for row in rows]
        rows = c.execute("SELECT NULL, hour, 1, n, blob FROM hour_chunk WHERE probe=? AND hour>=? AND hour<?", span)
        return sorted([*found, *(_KeptChunk(*row) for row in rows)], key=lambda k: k.hour)

    def _put(self, probe: int, hour: int, hours: int, old: Sequence[_KeptChunk], new: Columns | None = None) -> int:
        """One chunk in place of some, with what is new; returns how many readings are. A damaged one is set aside."""
        c, parts, good_as_it_is = self.db.connection, list[Columns](), False
        for kept in old:
            try:
                parts.append(self._readings.decoded(kept.blob, probe, kept.hour))
                good_as_it_is = kept.id is not None and kept.hours == hours
            except StoreCorrupt as error:
                c.execute(
                    "INSERT INTO damaged_chunk(probe, hour, hours, n, why, blob) VALUES (?,?,?,?,?,?)",
                    (probe, kept.hour, kept.hours, kept.n, error.what, kept.blob),
                )
        before = sum(p.readings for p in parts)
        merged = _merged([*parts, *([] if new is None else [new])])
        if good_as_it_is and merged.readings == before:
            return 0
        for kept in old:
            self._drop(probe, kept)
        if len(merged):
            insert(c, probe, hour, hours, merged)
        return merged.readings - before

    def set_aside(self) -> dict[tuple[str, int], str]:
        """(probe, first hour) -> what is wrong with a chunk that was set aside."""
        return {
            (str(name), int(hour)): str(why)
            for name, hour, why in self.db.rows(
                "SELECT COALESCE(p.name, 'several probes'), d.hour, d.why FROM damaged_chunk d "
                "LEFT JOIN probe p ON p.id=d.probe"
            )
        }

    def _drop(self, probe: int, kept: _KeptChunk) -> None:
        if kept.id is None:
            self.db.connection.execute("DELETE FROM hour_chunk WHERE probe=? AND hour=?", (probe, kept.hour))
        else:
            self.db.connection.execute("DELETE FROM chunk WHERE id=?", (kept.id,))

    # -- from hours to days

    def pack(self, now_ms: int, seconds: float = STEP_S) -> int:
        """Make days that are over into one chunk each, the oldest first, for so long; returns how many readings that
        were. 0: nothing is left to do. Killed anywhere, each day is in hours or whole."""
        until = (now_ms // HOUR_MS - SETTLED_HOURS) // DAY_HOURS * DAY_HOURS
        began, packed = time.monotonic(), 0
        for probe, day in self._unpacked(until):
            with self.db.write():
                there = self._there(probe, day)
                if sum(k.n for k in there) <= DAY_ROWS:
                    self._put(probe, day, DAY_HOURS, there)
                else:
                    for kept in there:
                        if kept.id is None:
                            self._put(probe, kept.hour, 1, [kept])
                crash_point("in-packing")
            packed += sum(k.n for k in there)
            if time.monotonic() - began >= seconds:
                break
        return packed

    def _unpacked(self, until: int) -> list[tuple[int, int]]:
        """(probe, first hour) of days before an hour that are still in hours, or as they were written before."""
        hours = self.db.rows(
            "SELECT probe, hour FROM (SELECT probe, hour FROM hour_chunk WHERE hour<? LIMIT ?)", until, ROWS_A_STEP
        ) + self.db.rows(
            f"SELECT probe, MIN(hour) FROM chunk WHERE hours=1 AND hour<? GROUP BY probe, {_DAY} HAVING SUM(n)<=?",  # noqa: S608
            until,
            DAY_ROWS,
        )
        days = {(int(hour) // DAY_HOURS * DAY_HOURS, int(probe)) for probe, hour in hours}
        return [(probe, day) for day, probe in sorted(days)]

    # -- the journal

    def fold(self, now_ms: int, seen_seq: int = 2**62) -> int:
        """Move the journal's full hours into chunks; returns how many readings were moved.

        Those after ``seen_seq`` stay: whoever follows the journal by :meth:`since` has not read them yet.

        One transaction per block of readings: a crash leaves each in exactly one place.
        """
        cutoff = (now_ms // HOUR_MS) * HOUR_MS
        moved = self._fold_rows_of_before(cutoff, seen_seq)
        after = 0
        while True:
            with self.db.write():
                block = [b for b in self._batches.block(after, FOLD_ROWS) if b.first_seq <= seen_seq]
                if not block:
                    return moved
                after = block[-1].seq
                moved += self._fold_block(block, cutoff, seen_seq)
                crash_point("in-folding")

    def _fold_block(self, block: list[Batch], cutoff: int, seen_seq: int) -> int:
        """The block is emptied: its readings are in memory once."""
        moving: list[Unfolded] = []
        marks: list[PackedMarks] = []
        void = session_from(self.db)
        while block:
            batch = block.pop(0)
            if batch.wrong:
                self._set_aside(batch)
                continue
            due = (batch.waiting.at < cutoff) & (batch.waiting.seq <= seen_seq)
            seen = batch.seq <= seen_seq
            if due.any() or (seen and (batch.marks or not len(batch.waiting))):
                moving.append(batch.waiting if due.all() else batch.waiting.take(due))
                marks += [batch.marks] if seen and batch.seq > void else []
                left = () if seen else batch.marks
                self._batches.replace(batch.seq, batch.waiting.take(~due), left)
        if packets := PackedMarks.joined(marks):
            self.db.connection.execute(
                "INSERT INTO mark(n, blob) VALUES (?,?)", (len(packets), encode(Unfolded.of(()), packets))
            )
        whole = Unfolded.joined([w for w in moving if len(w)])
        moving.clear()
        self._into_chunks(whole)
        self._batches.folded()
        return len(whole)

    def _set_aside(self, batch: Batch) -> None:
        c = self.db.connection
        c.execute(
            "INSERT INTO damaged_chunk(probe, hour, hours, n, why, blob) VALUES (0,0,0,?,?,?)",
            (batch.n, f"readings up to number {batch.seq} that came lately are damaged ({batch.wrong})", batch.blob),
        )
        self._batches.replace(batch.seq, Unfolded.of(()), ())

    def _fold_rows_of_before(self, cutoff: int, seen_seq: int) -> int:
        """What an earlier version stored, a row each."""
        moved = 0
        while True:
            with self.db.write() as c:
                rows = c.execute(
                    "SELECT seq, probe, at, value, received, flag, timed, test FROM journal "
                    "WHERE at < ? AND seq <= ? ORDER BY seq LIMIT ?",
                    (cutoff, seen_seq, FOLD_ROWS),
                ).fetchall()
                if not rows:
                    return moved
                self._into_chunks(Unfolded.of(rows))
                c.executemany("DELETE FROM journal WHERE seq=?", [(r[0],) for r in rows])
                self._batches.folded()
            moved += len(rows)

    def _into_chunks(self, waiting: Unfolded) -> None:
        """Readings, in the order of storing, into chunks; inside a transaction."""
        c = self.db.connection
        cursors = c.execute("SELECT destination, seq FROM shipped").fetchall()
        days = waiting.at // (DAY_HOURS * HOUR_MS)
        order = np.lexsort((days, waiting.probe))
        edges = np.flatnonzero((np.diff(days[order]) != 0) | (np.diff(waiting.probe[order]) != 0)) + 1
        for some in np.split(order, edges) if len(order) else ():
            group = waiting.take(some)
            probe, hours = int(group.probe[0]), group.at // HOUR_MS
            doubled = self._merge(probe, group.columns().sorted_first_wins()) < len(group)
            for destination, seq in cursors:
                # Of readings that came twice the later one may have been shipped over the one that counts.
                behind = np.unique(hours if doubled else hours[group.seq > seq]).tolist()
                c.executemany(
                    "INSERT OR IGNORE INTO ship_hour VALUES (?,?,?)", [(destination, probe, hour) for hour in behind]
                )

    def drop_before(self, before_ms: int) -> int:
        """Forget chunks that end before a moment and that came before it as well: what a probe whose clock is wrong
        sends lies long ago, and is of now. Returns how many hours were dropped; those of a store of before are dropped
        once they are chunks of a day."""
        last, hours = 0, 0

        def some(c: Connection) -> int:
            nonlocal last, hours
            found = c.execute(
                "SELECT id, probe, hour, hours, blob FROM chunk WHERE id>? AND hour+hours<=? ORDER BY id LIMIT ?",
                (last, before_ms // HOUR_MS, OPENED_AT_ONCE),
            ).fetchall()
            for number, probe, hour, n, blob in found:
                last = number
                if not self._came_since(blob, probe, hour, before_ms):
                    c.execute("DELETE FROM chunk WHERE id=?", (number,))
                    hours += n
            return len(found)

        self.db.in_steps(some)
        return hours

    def _came_since(self, blob: bytes, probe: int, hour: int, at_ms: int) -> bool:
        """Whether any reading of a chunk came since a moment; of a damaged one nobody knows, and it is as old as its
        hour."""
        try:
            return bool((self._readings.decoded(blob, probe, hour).received >= at_ms).any())
        except StoreCorrupt:
            return False
