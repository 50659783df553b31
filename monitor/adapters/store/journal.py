"""The journal: every reading as it came, in the order of storing, and which packets were stored with it.

A commit that returned is on the disk: then the messages may be acknowledged (T1).
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final, NamedTuple

from monitor.adapters.store.database import Database
from monitor.adapters.store.unread import Quarantined, Unread
from monitor.core.readings.arrivals import AGAIN_WITHIN, DIGEST_BYTES
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.times import HOUR_MS
from monitor.errors import StoreError, StoreFull

if TYPE_CHECKING:
    from monitor.adapters.store.batches import Batches

EVERY_PLACE: Final = 2**63 - 1
SESSION: Final = "inbox from"
"""The fact up to which place in the order of storing packets are of a session that the broker has ended."""


def session_from(db: Database) -> int:
    """Packets up to this place in the order of storing count no more. Where that cannot be read none of before does: a
    message that comes again is stored twice then, rather than another one not at all."""
    place = db.number(SESSION)
    return place if place is not None else 0 if db.fact(SESSION) is None else EVERY_PLACE


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

    def __init__(self, db: Database, numbers: ProbeNumbers, unread: Unread, batches: Batches) -> None:
        self.db = db
        self._numbers = numbers
        self._unread = unread
        self._batches = batches

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
            c.executemany(
                "INSERT OR IGNORE INTO dirty VALUES (?,?)",
                sorted({(numbers[r.probe], r.at_ms // HOUR_MS) for r in readings}),
            )
            self._unread.keep(quarantined, count_only=count_only)
            if not (readings or marks):
                return
            try:
                self._batches.add(
                    [
                        (numbers[probe], at, value, received, int(flag), bool(timed), test)
                        for probe, at, value, received, flag, test, timed in readings
                    ],
                    [InboxMark(mid, digest[:DIGEST_BYTES]) for mid, digest in marks],
                )
            except ValueError as error:
                raise StoreError(f"a reading cannot be stored: {error}", where=str(self.db.path)) from error

    def inbox(self) -> dict[int, tuple[int, bytes]]:
        """Packet identifier -> (ordinal, digest) of the messages stored in this broker session that may come again."""
        # Names of probes are asked for by commands that have nothing to do with arrays.
        from monitor.adapters.store.batches import PackedMarks, decode

        with self.db.read():
            before = self.db.rows("SELECT mid, digest FROM inbox ORDER BY ordinal")
            marks = [PackedMarks.of(InboxMark(int(mid), bytes(digest)) for mid, digest in before)]
            for (blob,) in self.db.rows("SELECT blob FROM mark ORDER BY id"):
                # Damage here must keep no service from starting: it may cost that a message is taken for a new one.
                with contextlib.suppress(ValueError):
                    marks.append(decode(blob)[1])
            marks.append(self._batches.marks(self.session_from()))
        whole = PackedMarks.joined(marks)
        last = whole.last(AGAIN_WITHIN)
        first = len(whole) - len(last) + 1
        return {mid: (place, digest[:DIGEST_BYTES]) for place, (mid, digest) in enumerate(last, first)}

    def forget_inbox(self) -> None:
        """The broker began a new session: its packet identifiers start anew."""
        with self.db.write() as c:
            c.execute("DELETE FROM inbox")
            c.execute("DELETE FROM mark")
            c.execute("INSERT OR REPLACE INTO fact VALUES (?,?)", (SESSION, str(self.last_seq())))
            # Nothing of before is put together with what comes: its packets would count again.
            c.execute("UPDATE batch SET single=0")

    def session_from(self) -> int:
        """Packets up to this place in the order of storing count no more."""
        return session_from(self.db)

    def drop_marks(self) -> int:
        """Forget packets after which so many came that one like it is another message's; returns how many."""
        with self.db.write() as c:
            newer = len(self._batches.marks(self.session_from()))
            dropped = 0
            for number, n in c.execute("SELECT id, n FROM mark ORDER BY id DESC").fetchall():
                if newer >= AGAIN_WITHIN:
                    c.execute("DELETE FROM mark WHERE id=?", (number,))
                    dropped += int(n)
                newer += int(n)
            # Those of before: there are no more than there are packet identifiers.
            return (
                dropped
                + c.execute(
                    "DELETE FROM inbox WHERE ordinal <= (SELECT MAX(ordinal) FROM inbox) + ? - ?", (newer, AGAIN_WITHIN)
                ).rowcount
            )

    def since(self, seq: int, limit: int = 100_000) -> list[tuple[int, Reading]]:
        """Readings after a place in the order of storing, oldest first: what is new."""
        with self.db.read():
            # Of one moment: a probe may speak for the first time between the two.
            names = self._numbers.names()
            fresh = self._batches.since(seq, limit)
        return [
            (place, Reading(names[probe], at, value, received, Flag(flag), test, timed))
            for place, probe, at, value, received, flag, timed, test in fresh.rows()
        ]

    def last_seq(self) -> int:
        return self._batches.last_seq()
