"""Folding: each hour the journal becomes one compressed chunk for each probe and hour; an import goes there at once.

A crash at any moment leaves each reading in exactly one place.
"""

from __future__ import annotations

from collections.abc import Callable
from sqlite3 import Connection

import numpy as np

from monitor.adapters.store import chunks
from monitor.adapters.store.chunks import Columns
from monitor.adapters.store.database import ROWS_A_STEP, Database
from monitor.adapters.store.journal import ProbeNumbers
from monitor.adapters.store.readings import Readings, columns_of_rows
from monitor.core.terms.times import HOUR_MS

# Folding takes at most so many journal rows in one transaction, to keep writers waiting only milliseconds.
FOLD_ROWS = 100_000


class Folding:
    """From the journal, or from an import, into chunks."""

    def __init__(self, db: Database, numbers: ProbeNumbers, readings: Readings) -> None:
        self.db = db
        self._numbers = numbers
        self._readings = readings

    def bulk(self, probe: str, columns: Columns, progress: Callable[[int], None] | None = None) -> tuple[int, int]:
        """Merge many readings of one probe straight into chunks, some days at a time (import).

        Returns how many were new and how many were known already. Safe to repeat and to interrupt.
        """
        columns = columns.sorted_first_wins()
        self._numbers.known(probe)
        hours = columns.at // HOUR_MS
        edges = np.flatnonzero(np.diff(hours)) + 1
        starts = [0, *edges.tolist(), len(columns)] if len(columns) else [0]
        added = 0
        pieces = [(starts[i], starts[i + 1]) for i in range(len(starts) - 1)]
        for block in range(0, len(pieces), 240):
            with self.db.write() as c:
                number = self._numbers.given(probe)
                # What waits in the journal was stored first and wins, though it is merged later.
                waiting = np.array(
                    [r[0] for r in c.execute("SELECT at FROM journal WHERE probe=?", (number,))], np.int64
                )
                for a, b in pieces[block : block + 240]:
                    hour = int(hours[a])
                    piece = columns.part(a, b)
                    if len(waiting):
                        piece = piece.take(np.flatnonzero(~np.isin(piece.at, waiting)))
                    new = self._merge(number, hour, piece) if len(piece) else 0
                    if new:
                        self._mark(number, hour)
                    added += new
                self.db.connection.execute(
                    "INSERT INTO fact VALUES ('bulk', '1') ON CONFLICT(name) DO UPDATE SET value=value+1"
                )
            if progress is not None:
                progress(pieces[min(block + 240, len(pieces)) - 1][1])
        return added, len(columns) - added

    def _mark(self, probe: int, hour: int) -> None:
        """An hour that changed behind the journal: to be computed again, and to be shipped."""
        c = self.db.connection
        c.execute("INSERT OR IGNORE INTO dirty VALUES (?,?)", (probe, hour))
        c.execute("INSERT OR IGNORE INTO ship_hour SELECT destination, ?, ? FROM shipped", (probe, hour))

    def _merge(self, probe: int, hour: int, new: Columns) -> int:
        """Into the chunk; what was there first wins. Returns how many are new."""
        c = self.db.connection
        row = c.execute("SELECT n, blob FROM chunk WHERE probe=? AND hour=?", (probe, hour)).fetchone()
        before = int(row[0]) if row else 0
        old = [self._readings.decoded(row[1], probe, hour)] if row else []
        merged = Columns.joined([*old, new]).sorted_first_wins()
        if len(merged) == before:
            return 0
        good = merged.value[merged.usable]
        stats = (float(good.min()), float(good.max()), float(good.sum())) if len(good) else (None, None, None)
        c.execute(
            "INSERT OR REPLACE INTO chunk VALUES (?,?,?,?,?,?,?,?)",
            (probe, hour, len(merged), len(good), *stats, chunks.encode(merged)),
        )
        return len(merged) - before

    def fold(self, now_ms: int, seen_seq: int = 2**62) -> int:
        """Move the journal's full hours into chunks; returns how many rows were moved.

        Rows after ``seen_seq`` stay: whoever follows the journal by :meth:`since` has not read them yet.

        One transaction per block of rows: a crash leaves each row in exactly one place.
        """
        moved = 0
        cutoff = (now_ms // HOUR_MS) * HOUR_MS
        while True:
            with self.db.write() as c:
                rows = c.execute(
                    "SELECT seq, probe, at, value, received, flag, timed, test FROM journal "
                    "WHERE at < ? AND seq <= ? ORDER BY seq LIMIT ?",
                    (cutoff, seen_seq, FOLD_ROWS),
                ).fetchall()
                if not rows:
                    return moved
                groups: dict[tuple[int, int], list[tuple[object, ...]]] = {}
                for row in rows:
                    groups.setdefault((row[1], row[2] // HOUR_MS), []).append(row)
                cursors = c.execute("SELECT destination, seq FROM shipped").fetchall()
                for (probe, hour), group in groups.items():
                    added = self._merge(probe, hour, columns_of_rows(group))
                    last = max(int(r[0]) for r in group)  # type: ignore[call-overload]
                    for destination, seq in cursors:
                        # Of readings that came twice the later one may have been shipped over the one that counts.
                        if last > seq or added < len(group):
                            c.execute("INSERT OR IGNORE INTO ship_hour VALUES (?,?,?)", (destination, probe, hour))
                c.executemany("DELETE FROM journal WHERE seq=?", [(r[0],) for r in rows])
            moved += len(rows)
            if len(rows) < FOLD_ROWS:
                return moved

    def drop_before(self, before_ms: int) -> int:
        """Forget chunks that end before a moment. Returns how many hours were dropped."""

        def some(c: Connection) -> int:
            for (probe,) in c.execute("SELECT id FROM probe").fetchall():
                dropped = c.execute(
                    "DELETE FROM chunk WHERE probe=?1 AND hour IN "
                    "(SELECT hour FROM chunk WHERE probe=?1 AND hour<?2 ORDER BY hour LIMIT ?3)",
                    (probe, before_ms // HOUR_MS, ROWS_A_STEP),
                ).rowcount
                if dropped:
                    return dropped
            return 0

        return self.db.in_steps(some)
