"""Spans in which probes are not believed, on the disk: written with the conditions that they follow from.

Whoever sums up the past asks here, and finds the same after a restart. An hour that a span begins to hold, or no longer
holds, is marked to be summed up again like one in which a reading came.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from monitor.adapters.store.database import Database
from monitor.core.notices.conditions import Condition, Transition
from monitor.core.readings.belief import Belief, Disbelief, begun, end_ms
from monitor.core.terms.times import HOUR_MS


class Disbeliefs:
    """The account of what was not believed, and when."""

    def __init__(self, db: Database) -> None:
        self.db = db

    def version(self, by_ms: int = 2**62) -> int:
        """Grows whenever a span begins or ends. ``by_ms``: as it was known at that moment."""
        sql = "SELECT COUNT(*) + COUNT(CASE WHEN ended<=? THEN 1 END) FROM disbelief WHERE recorded<=?"
        return int(self.db.rows(sql, by_ms, by_ms)[0][0])

    def belief(self, by_ms: int | None = None) -> Belief:
        """What may be believed. ``by_ms``: as it was known at that moment."""
        until = 2**62 if by_ms is None else by_ms
        rows = self.db.rows(
            "SELECT probe, kind, from_at, CASE WHEN ended<=? THEN to_at END FROM disbelief WHERE recorded<=? "
            "ORDER BY id",
            until,
            until,
        )
        return Belief(Disbelief(str(p), str(k), int(a), None if b is None else int(b)) for p, k, a, b in rows)

    def follow(self, transitions: Iterable[Transition], conditions: Mapping[tuple[str, str], Condition]) -> None:
        """What begins and ends with changes of conditions; only inside the transaction that writes those."""
        for t in transitions:
            known = conditions.get((t.kind, t.subject))
            facts = known.facts if known is not None else {}
            if t.change == "raised":
                for span in begun(t.kind, t.subject, t.since_ms, facts):
                    self._begin(span, t.at_ms)
            else:
                for probe in t.subject.split("/"):
                    self._end(probe, t, facts)

    def _begin(self, span: Disbelief, now_ms: int) -> None:
        self.db.connection.execute(
            "INSERT INTO disbelief(probe, kind, from_at, recorded) VALUES (?,?,?,?)",
            (span.probe, span.kind, span.from_ms, now_ms),
        )
        self._mark(span.probe, span.from_ms, now_ms)

    def _end(self, probe: str, t: Transition, facts: Mapping[str, str | float | int | None]) -> None:
        c = self.db.connection
        rows = c.execute(
            "SELECT id, from_at FROM disbelief WHERE probe=? AND kind=? AND to_at IS NULL", (probe, t.kind)
        ).fetchall()
        for number, from_ms in rows:
            to_ms = end_ms(Disbelief(probe, t.kind, int(from_ms)), t.since_ms, facts)
            c.execute("UPDATE disbelief SET to_at=?, ended=? WHERE id=?", (to_ms, t.at_ms, number))
            self._mark(probe, to_ms, t.at_ms)

    def _mark(self, probe: str, from_ms: int, now_ms: int) -> None:
        """From a span's beginning when it begins, and from its end when it ends, readings count otherwise."""
        c = self.db.connection
        row = c.execute("SELECT id FROM probe WHERE name=?", (probe,)).fetchone()
        if row is not None:
            hours = range(from_ms // HOUR_MS, now_ms // HOUR_MS + 1)
            c.executemany("INSERT OR IGNORE INTO dirty VALUES (?,?)", [(int(row[0]), hour) for hour in hours])
