"""The journal: every reading as it came, in the order of storing, and which packets were stored with it.

A commit that returned is on the disk: then the messages may be acknowledged (T1).
"""

from __future__ import annotations

from collections.abc import Sequence
from sqlite3 import Connection
from typing import NamedTuple

from monitor.adapters.store.database import ROWS_A_STEP, Database
from monitor.adapters.store.unread import Quarantined, Unread
from monitor.core.readings.arrivals import AGAIN_WITHIN
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.times import HOUR_MS
from monitor.errors import StoreFull

ROWS_A_STATEMENT = 50


class InboxMark(NamedTuple):
    """A message that was stored: packet identifier and a digest of topic and payload."""

    mid: int
    digest: bytes


class ProbeNumbers:
    """Numbers of the probes, by which all other tables know them."""

    def __init__(self, db: Database) -> None:
        self.db = db
        self._known: dict[str, int] = {}

    def names(self) -> dict[int, str]:
        return {int(i): str(n) for i, n in self.db.rows("SELECT id, name FROM probe")}

    def known(self, name: str) -> int | None:
        """Number of a probe that was heard of; None when it was not."""
        if name not in self._known:
            rows = self.db.rows("SELECT id FROM probe WHERE name=?", name)
            if not rows:
                return None
            self._known[name] = int(rows[0][0])
        return self._known[name]

    def given(self, name: str) -> int:
        """Number of a probe, a new one if it needs one; only inside a write transaction.

        A new number is not remembered here: the transaction may be rolled back.
        """
        found = self._known.get(name)
        if found is None:
            c = self.db.connection
            c.execute("INSERT OR IGNORE INTO probe(name) VALUES (?)", (name,))
            found = int(c.execute("SELECT id FROM probe WHERE name=?", (name,)).fetchone()[0])
        return found


class Journal:
    """Readings as they came, and the marks of their packets."""

    def __init__(self, db: Database, numbers: ProbeNumbers, unread: Unread) -> None:
        self.db = db
        self._numbers = numbers
        self._unread = unread

    def ingest(
        self,
        readings: Sequence[Reading],
        quarantined: Sequence[Quarantined] = (),
        marks: Sequence[InboxMark] = (),
    ) -> None:
        """T1: one transaction; after it returns the messages may be acknowledged.

        Raises StoreVanished where the file is no longer in its place: what goes into it would be lost. (Notices still
        go through it, so that this can be told.)
        """
        self.db.must_be_found()
        try:
            self._write(readings, quarantined, marks, count_only=False)
        except StoreFull:
            # Rubbish goes first: what is kept of it, and what would have been.
            if not self._unread.give_up() and not quarantined:
                raise
            self._write(readings, quarantined, marks, count_only=True)

    def _write(
        self,
        readings: Sequence[Reading],
        quarantined: Sequence[Quarantined],
        marks: Sequence[InboxMark],
        *,
        count_only: bool,
    ) -> None:
        names = dict.fromkeys(r.probe for r in readings)
        for name in names:
            self._numbers.known(name)
        with self.db.write() as c:
            numbers = {name: self._numbers.given(name) for name in names}
            _insert(
                c,
                "INSERT INTO journal(probe, at, value, received, flag, timed, test)",
                [
                    (numbers[probe], at, value, received, int(flag), int(timed), test)
                    for probe, at, value, received, flag, test, timed in readings
                ],
            )
            c.executemany(
                "INSERT OR IGNORE INTO dirty VALUES (?,?)",
                sorted({(numbers[r.probe], r.at_ms // HOUR_MS) for r in readings}),
            )
            self._unread.keep(quarantined, count_only=count_only)
            if marks:
                top = c.execute("SELECT COALESCE(MAX(ordinal), 0) FROM inbox").fetchone()[0]
                _insert(
                    c,
                    "INSERT INTO inbox",
                    [(mid, top + 1 + k, digest) for k, (mid, digest) in enumerate(marks)],
                    "ON CONFLICT(mid) DO UPDATE SET ordinal=excluded.ordinal, digest=excluded.digest",
                )

    def inbox(self) -> dict[int, tuple[int, bytes]]:
        """Packet identifier -> (ordinal, digest) of the messages stored in this broker session."""
        return {int(m): (int(o), bytes(d)) for m, o, d in self.db.rows("SELECT mid, ordinal, digest FROM inbox")}

    def forget_inbox(self) -> None:
        """The broker began a new session: its packet identifiers start anew."""
        with self.db.write() as c:
            c.execute("DELETE FROM inbox")

    def drop_marks(self) -> int:
        """Forget packets after which so many came that one like it is another message's; returns how many."""

        def some(c: Connection) -> int:
            return c.execute(
                "DELETE FROM inbox WHERE mid IN (SELECT mid FROM inbox WHERE ordinal <= "
                "(SELECT MAX(ordinal) FROM inbox) - ? ORDER BY ordinal LIMIT ?)",
                (AGAIN_WITHIN, ROWS_A_STEP),
            ).rowcount

        return self.db.in_steps(some)

    def since(self, seq: int, limit: int = 100_000) -> list[tuple[int, Reading]]:
        """Journal rows after ``seq``, oldest first: what is new."""
        with self.db.read():
            # Of one moment: a probe may speak for the first time between the two.
            names = self._numbers.names()
            rows = self.db.rows(
                "SELECT seq, probe, at, value, received, flag, timed, test FROM journal "
                "WHERE seq>? ORDER BY seq LIMIT ?",
                seq,
                limit,
            )
        return [
            (int(s), Reading(names[p], at, value, received, Flag(flag), test, bool(timed)))
            for s, p, at, value, received, flag, timed, test in rows
        ]

    def last_seq(self) -> int:
        rows = self.db.rows("SELECT seq FROM sqlite_sequence WHERE name='journal'")
        return int(rows[0][0]) if rows else 0


def _insert(c: Connection, into: str, rows: Sequence[tuple[object, ...]], on_conflict: str = "") -> None:
    """Many rows in few statements: around each of them the interpreter lets other threads go first."""
    if not rows:
        return
    one = f"({','.join('?' * len(rows[0]))})"
    many = f"{into} VALUES {','.join([one] * ROWS_A_STATEMENT)} {on_conflict}"
    whole = len(rows) - len(rows) % ROWS_A_STATEMENT
    for start in range(0, whole, ROWS_A_STATEMENT):
        c.execute(many, [value for row in rows[start : start + ROWS_A_STATEMENT] for value in row])
    c.executemany(f"{into} VALUES {one} {on_conflict}", rows[whole:])
