"""Thinning: days of single readings that are old become rows of ten minutes, one probe's day a transaction.

What was summed up, told and entered is not touched: sums of hours, their means and numbers of readings stay to the bit.
A day waits while anything still needs its single readings: an hour of it that is to be summed up or shipped, a reading
that is not folded yet, a day that is not packed. So does each probe's newest day, which says when it was heard last.
Days that came late are as old as what came last of them; those of a wrong clock stay, for two of its times may lie in
one ten minutes. Hours in which some eggs' way begins or ends stay single: parts of them are asked for. Killed anywhere,
each day is as it was or in rows; what is in rows is not looked at again.
"""

from __future__ import annotations

import time
from collections.abc import Collection
from sqlite3 import Connection
from typing import Any, Final

import numpy as np

from monitor.adapters.crashpoints import crash_point
from monitor.adapters.store import chunks, thin_chunks
from monitor.adapters.store.batches import Batches
from monitor.adapters.store.clocks import ProbeClocks
from monitor.adapters.store.columns import Columns
from monitor.adapters.store.database import Database
from monitor.adapters.store.folding import DAY_HOURS, DAY_ROWS, STEP_S, insert
from monitor.adapters.store.journal import ProbeNumbers
from monitor.adapters.store.readings import MEANS_BEFORE, Readings
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import StoreCorrupt
from monitor.values import dataclass

AGAIN_MS: Final = 30 * DAY_MS
"""A day that is damaged or of a wrong clock is looked at again after so long: it may be right by then (judgement)."""
AT_ONCE: Final = 32
"""So many chunks are listed at a time: to list one is to read it."""
_SINGLE: Final = "substr(blob, 1, 2)=X'5732'"


@dataclass(frozen=True, slots=True)
class Thinned:
    """How far one call came: days of probes looked at, those that became rows, and whether nothing is left."""

    looked: int
    days: int
    done: bool


class Thinning:
    """From single readings to rows of ten minutes."""

    def __init__(
        self, db: Database, numbers: ProbeNumbers, readings: Readings, batches: Batches, clocks: ProbeClocks
    ) -> None:
        self.db = db
        self._numbers = numbers
        self._readings = readings
        self._batches = batches
        self._clocks = clocks
        # (hour, probe) up to which this pass has come.
        self._after = -(2**62), 0

    def thin(
        self, now_ms: int, after_days: int, seconds: float = STEP_S, single: Collection[int] = frozenset()
    ) -> Thinned:
        """Make days older than so many days into rows, the oldest first, for so long; the next call goes on there.

        ``single``: hours since 1970 of which single readings stay: those of which more than their sums is asked.
        """
        began, looked, days = time.monotonic(), 0, 0
        before_ms = now_ms - after_days * DAY_MS
        while True:
            found = self.db.rows(
                f"SELECT hour, probe FROM chunk c WHERE {_SINGLE} AND (hour, probe)>(?,?) AND hour<? AND NOT EXISTS "  # noqa: S608
                "(SELECT 1 FROM single_day s WHERE s.probe=c.probe AND s.hour=c.hour AND s.until>?) "
                "ORDER BY hour, probe LIMIT ?",
                *self._after,
                before_ms // DAY_MS * DAY_HOURS,
                now_ms,
                AT_ONCE,
            )
            if not found:
                self._after = -(2**62), 0
                return Thinned(looked, days, done=True)
            seen: set[tuple[int, int]] = set()
            for hour, probe in found:
                self._after = hour, probe
                day = hour // DAY_HOURS * DAY_HOURS
                if (day, probe) in seen:
                    continue
                seen.add((day, probe))
                with self.db.write() as c:
                    days += self._thin(c, probe, day, now_ms, after_days, single)
                    crash_point("in-thinning")
                looked += 1
                if time.monotonic() - began >= seconds:
                    return Thinned(looked, days, done=False)

    def _thin(self, c: Connection, probe: int, day: int, now_ms: int, after_days: int, single: Collection[int]) -> bool:
        """One probe's day, inside a transaction."""
        if self._needed(c, probe, day):
            return False
        span = probe, day, day + DAY_HOURS
        kept = c.execute(
            "SELECT id, hour, hours, n, n_good, total, head, blob FROM chunk WHERE probe=? AND hour>=? AND hour<? "
            "ORDER BY hour",
            span,
        ).fetchall()
        # Of very many readings a day nobody reads more than some (core/readings/thinning.py), nor are they kept.
        many = sum(n for _, _, _, n, *_ in kept) > DAY_ROWS
        whole = [] if many else [hour for hour in range(day, day + DAY_HOURS) if hour in single]
        until_ms, parts = 0, list[Columns]()
        for _, hour, _, _, _, _, _, blob in kept:
            try:
                columns = self._readings.decoded(blob, probe, hour)
            except StoreCorrupt:
                # It is told by whoever looks the store through, and repaired with what is left of it.
                until_ms = now_ms + AGAIN_MS
                break
            if len(columns):
                until_ms = max(until_ms, int(columns.received.max()) + after_days * DAY_MS)
            if self._of_wrong_clock(probe, columns):
                until_ms = now_ms + AGAIN_MS
            if until_ms > now_ms:
                break
            parts.append(thin_chunks.thinned(columns, whole))
        if until_ms > now_ms:
            c.executemany("INSERT OR REPLACE INTO single_day VALUES (?,?,?)", [(probe, k[1], until_ms) for k in kept])
            return False
        rows = Columns.joined(parts)
        told = (kept[0][5], kept[0][6]) if len(kept) == 1 and kept[0][2] == DAY_HOURS else _told(kept, day)
        c.executemany("DELETE FROM chunk WHERE id=?", [(k[0],) for k in kept])
        c.execute("DELETE FROM single_day WHERE probe=? AND hour>=? AND hour<?", span)
        insert(c, probe, day, DAY_HOURS, rows, told)
        if rows.spread is not None and rows.spread.several.any():
            ends_ms = max((day + DAY_HOURS) * HOUR_MS, self._readings.means_before_ms() or -(2**62))
            c.execute(
                "INSERT INTO fact VALUES (?,?) ON CONFLICT(name) DO UPDATE SET value=excluded.value",
                (MEANS_BEFORE, str(ends_ms)),
            )
        return True

    def _needed(self, c: Connection, probe: int, day: int) -> bool:
        """Whether something is still to be done with a day's single readings, or none of the probe is newer."""
        ends = day + DAY_HOURS
        if (self._batches.now(day * HOUR_MS, ends * HOUR_MS).probe == probe).any():
            return True
        ((newer, unpacked, unsummed, unshipped),) = c.execute(
            "SELECT EXISTS (SELECT 1 FROM chunk WHERE probe=:probe AND hour>=:ends) "
            "OR EXISTS (SELECT 1 FROM hour_chunk WHERE probe=:probe AND hour>=:ends), "
            "EXISTS (SELECT 1 FROM hour_chunk WHERE probe=:probe AND hour>=:day AND hour<:ends), "
            # What came in an hour changes the sums of its neighbours as well.
            "EXISTS (SELECT 1 FROM dirty WHERE probe=:probe AND hour>=:day-24 AND hour<:ends+24), "
            "EXISTS (SELECT 1 FROM ship_hour WHERE destination IN (SELECT destination FROM shipped) "
            "AND probe=:probe AND hour>=:day AND hour<:ends)",
            {"probe": probe, "day": day, "ends": ends},
        ).fetchall()
        return bool(not newer or unpacked or unsummed or unshipped)

    def _of_wrong_clock(self, probe: int, columns: Columns) -> bool:
        clocks = self._clocks.all().get(self._numbers.names().get(probe, ""), ())
        return any(bool((columns.timed & clock.covers(columns.at, columns.received)).any()) for clock in clocks)

    def tidy(self, now_ms: int) -> None:
        """Forget which days stay, where that is over."""
        with self.db.write() as c:
            c.execute("DELETE FROM single_day WHERE until<=?", (now_ms,))


def _told(kept: list[tuple[Any, ...]], day: int) -> tuple[float | None, bytes]:
    """Total and head of a day of which there are chunks of an hour: as they stand beside each."""
    table = np.zeros((DAY_HOURS, 3))
    for _, hour, hours, n, n_good, total, head, _ in kept:
        if head is None:
            table[hour - day] = n, n_good, total or 0.0
        else:
            table[hour - day : hour - day + hours] = np.column_stack(chunks.read_hours(head, hours))
    return (float(table[:, 2].sum()) if table[:, 1].any() else None), chunks.put_hours(table)
