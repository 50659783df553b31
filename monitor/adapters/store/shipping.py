"""What an outside database has been sent: a cursor over the journal, and the hours that are behind it.

Readings in the journal are sent in its order and the cursor follows. An hour whose readings left the journal before
they were sent, or changed otherwise, is marked by whoever changed it and sent again as a whole; sending twice
does no harm, as a reading is identified by its probe and time there as here.
"""

from __future__ import annotations

from collections.abc import Sequence

from monitor.adapters.store.batches import Batches, Unfolded
from monitor.adapters.store.columns import Columns
from monitor.adapters.store.database import Database
from monitor.adapters.store.readings import Readings
from monitor.adapters.store.unread import Quarantined, Unread
from monitor.values import dataclass

_WHOLE = "shipped whole "
DEAD_LETTER_TOPIC = "shipping"


@dataclass(frozen=True, slots=True)
class Fresh:
    """One row of the journal to be sent."""

    seq: int
    probe: str
    at_ms: int
    value: float
    flag: int


@dataclass(frozen=True)
class Hour:
    """One probe-hour to be sent; ``n`` tells whether it changed meanwhile. Without readings when it is gone."""

    probe: str
    number: int
    hour: int
    n: int
    columns: Columns


@dataclass(frozen=True, slots=True)
class DeadLetter:
    """A line that the outside database will never take, and why."""

    line: str
    reason: str


class ShippingBook:
    """Cursor, marked hours and dead letters of one destination at a time."""

    def __init__(self, db: Database, unread: Unread, readings: Readings, batches: Batches) -> None:
        self.db = db
        self._batches = batches
        self._unread = unread
        self._readings = readings

    def begin(self, destination: str, now_ms: int) -> bool:
        """Make a destination known; True when it is new: then everything stored is still to be sent.

        Other destinations are forgotten: there is one at a time.
        """
        with self.db.write() as c:
            c.execute("DELETE FROM shipped WHERE destination<>?", (destination,))
            c.execute("DELETE FROM ship_hour WHERE destination<>?", (destination,))
            c.execute("DELETE FROM fact WHERE name LIKE ? AND name<>?", (_WHOLE + "%", _WHOLE + destination))
            if c.execute("SELECT 1 FROM shipped WHERE destination=?", (destination,)).fetchone() is not None:
                return False
            c.execute("INSERT INTO shipped VALUES (?, 0)", (destination,))
            c.execute(
                "WITH RECURSIVE k(i) AS (VALUES (0) UNION ALL SELECT i+1 FROM k WHERE i<23) "
                "INSERT INTO ship_hour SELECT ?, probe, hour+i FROM kept JOIN k ON i<hours",
                (destination,),
            )
            c.execute("INSERT OR REPLACE INTO fact VALUES (?,?)", (_WHOLE + destination, str(now_ms)))
        return True

    def forget(self) -> None:
        """Shipping was switched off: no cursor is kept, and nothing is marked any more."""
        with self.db.write() as c:
            c.execute("DELETE FROM shipped")
            c.execute("DELETE FROM ship_hour")
            c.execute("DELETE FROM fact WHERE name LIKE ?", (_WHOLE + "%",))

    def fresh(self, destination: str, limit: int) -> list[Fresh]:
        """The next rows of the journal, oldest first."""
        with self.db.read():
            names = dict(self.db.rows("SELECT id, name FROM probe"))
            sent = self.db.rows("SELECT seq FROM shipped WHERE destination=?", destination)
            fresh = self._batches.since(int(sent[0][0]), limit) if sent else Unfolded.of(())
        return [Fresh(seq, str(names[probe]), at, value, flag) for seq, probe, at, value, _, flag, _, _ in fresh.rows()]

    def hours(self, destination: str, limit: int) -> list[Hour]:
        """The next marked hours, newest first: what happened lately is wanted first."""
        return [
            self._hour(str(name), int(number), int(hour))
            for name, number, hour in self.db.rows(
                "SELECT p.name, s.probe, s.hour FROM ship_hour s JOIN probe p ON p.id=s.probe "
                "WHERE s.destination=? ORDER BY s.hour DESC LIMIT ?",
                destination,
                limit,
            )
        ]

    def _hour(self, probe: str, number: int, hour: int) -> Hour:
        columns = self._readings.hour(number, hour)
        return Hour(probe, number, hour, len(columns), columns)

    def sent(
        self,
        destination: str,
        now_ms: int,
        *,
        seq: int | None = None,
        hours: Sequence[Hour] = (),
        dead: Sequence[DeadLetter] = (),
    ) -> None:
        """Note what has arrived, in one transaction. An hour that changed since it was read stays marked."""
        with self.db.write() as c:
            if seq is not None:
                c.execute("UPDATE shipped SET seq=MAX(seq, ?) WHERE destination=?", (seq, destination))
            c.executemany(
                "DELETE FROM ship_hour WHERE destination=? AND probe=? AND hour=?",
                [(destination, h.number, h.hour) for h in hours if self._readings.kept_of(h.number, h.hour) == h.n],
            )
            self._unread.keep([Quarantined(now_ms, DEAD_LETTER_TOPIC, d.line.encode(), d.reason) for d in dead])

    def behind(self, destination: str) -> int:
        """Readings that are still to be sent; of hours of a packed day its mean."""
        with self.db.read():
            sent = self.db.rows("SELECT seq FROM shipped WHERE destination=?", destination)
            fresh = self._batches.held(int(sent[0][0])) if sent else 0
            late = self.db.rows(
                "SELECT TOTAL(c.n * 1.0 / c.hours) FROM ship_hour s JOIN kept c ON c.probe=s.probe "
                "AND c.hour>s.hour-24 AND c.hour<=s.hour AND c.hour+c.hours>s.hour WHERE s.destination=?",
                destination,
            )[0][0]
        return fresh + round(float(late))

    def whole_at(self, destination: str) -> int | None:
        """When everything had arrived last, as far as it was noted; else when the destination was begun."""
        return self.db.number(_WHOLE + destination)

    def note_whole(self, destination: str, now_ms: int) -> None:
        self.db.set_fact(_WHOLE + destination, str(now_ms))
