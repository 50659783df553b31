"""Readings on the disk: an append-only journal, folded each hour into one compressed chunk per probe and hour.

Duplicates, late and out-of-order readings are right by construction: a reading is identified by its probe and its
measured millisecond, and of two with one identity the first stored wins, whether both are in the journal, both
in a chunk, or one in each. Nothing here judges or corrects a value.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from sqlite3 import Connection
from typing import NamedTuple

import numpy as np

from monitor.adapters.store import chunks
from monitor.adapters.store.chunks import Columns
from monitor.adapters.store.database import Database
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.times import HOUR_MS
from monitor.errors import StoreCorrupt

# Folding takes at most so many journal rows in one transaction, to keep writers waiting only milliseconds.
FOLD_ROWS = 100_000
ROWS_A_STATEMENT = 50


@dataclass(frozen=True, slots=True)
class Quarantined:
    """A message that could not become a reading, kept as it came."""

    received_ms: int
    topic: str
    payload: bytes
    reason: str
    probe: str = ""


class InboxMark(NamedTuple):
    """A message that was stored: packet identifier and a digest of topic and payload."""

    mid: int
    digest: bytes


class Readings:
    """The journal, the chunks, and what could not be read."""

    def __init__(self, db: Database) -> None:
        self.db = db
        # (probe, hour) -> what is wrong, where damage is tolerated: by the service, which tells it. None: it is not.
        self.damaged: dict[tuple[str, int], str] | None = None
        self._ids: dict[str, int] = {}
        self._pending_ids: dict[str, int] = {}

    # -- probes -------------------------------------------------------------------------------------------

    def _id(self, name: str) -> int:
        """Number of a probe; only inside a write transaction."""
        found = self._ids.get(name)
        if found is None:
            self.db.connection.execute("INSERT OR IGNORE INTO probe(name) VALUES (?)", (name,))
            found = int(self.db.connection.execute("SELECT id FROM probe WHERE name=?", (name,)).fetchone()[0])
            # A rolled back insert must not leave its number behind, so it is remembered only once committed.
            self._pending_ids[name] = found
        return found

    def names(self) -> dict[int, str]:
        return {int(i): str(n) for i, n in self.db.rows("SELECT id, name FROM probe")}

    def _known(self, name: str) -> int | None:
        if name not in self._ids:
            rows = self.db.rows("SELECT id FROM probe WHERE name=?", name)
            if not rows:
                return None
            self._ids[name] = int(rows[0][0])
        return self._ids[name]

    # -- writing ------------------------------------------------------------------------------------------

    def ingest(
        self,
        readings: Sequence[Reading],
        quarantined: Sequence[Quarantined] = (),
        marks: Sequence[InboxMark] = (),
    ) -> None:
        """T1: one transaction; after it returns the messages may be acknowledged."""
        self._pending_ids = {}
        with self.db.write() as c:
            numbers = {name: self._id(name) for name in dict.fromkeys(r.probe for r in readings)}
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
            c.executemany(
                "INSERT INTO quarantine(received, topic, payload, reason, probe) VALUES (?,?,?,?,?)",
                [(q.received_ms, q.topic, q.payload, q.reason, q.probe) for q in quarantined],
            )
            if marks:
                top = c.execute("SELECT COALESCE(MAX(ordinal), 0) FROM inbox").fetchone()[0]
                _insert(
                    c,
                    "INSERT INTO inbox",
                    [(mid, top + 1 + k, digest) for k, (mid, digest) in enumerate(marks)],
                    "ON CONFLICT(mid) DO UPDATE SET ordinal=excluded.ordinal, digest=excluded.digest",
                )
        self._ids.update(self._pending_ids)

    def inbox(self) -> dict[int, tuple[int, bytes]]:
        """Packet identifier -> (ordinal, digest) of the messages stored in this broker session."""
        return {int(m): (int(o), bytes(d)) for m, o, d in self.db.rows("SELECT mid, ordinal, digest FROM inbox")}

    def forget_inbox(self) -> None:
        """The broker began a new session: its packet identifiers start anew."""
        with self.db.write() as c:
            c.execute("DELETE FROM inbox")

    def bulk(self, probe: str, columns: Columns, progress: Callable[[int], None] | None = None) -> tuple[int, int]:
        """Merge many readings of one probe straight into chunks, some days at a time (import).

        Returns how many were new and how many were known already. Safe to repeat and to interrupt.
        """
        columns = columns.sorted_first_wins()
        hours = columns.at // HOUR_MS
        edges = np.flatnonzero(np.diff(hours)) + 1
        starts = [0, *edges.tolist(), len(columns)] if len(columns) else [0]
        added = 0
        pieces = [(starts[i], starts[i + 1]) for i in range(len(starts) - 1)]
        for block in range(0, len(pieces), 240):
            self._pending_ids = {}
            with self.db.write() as c:
                number = self._id(probe)
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
            self._ids.update(self._pending_ids)
            if progress is not None:
                progress(pieces[min(block + 240, len(pieces)) - 1][1])
        return added, len(columns) - added

    def _mark(self, probe: int, hour: int) -> None:
        """An hour that changed behind the journal: to be computed again, and to be shipped."""
        c = self.db.connection
        c.execute("INSERT OR IGNORE INTO dirty VALUES (?,?)", (probe, hour))
        c.execute("INSERT OR IGNORE INTO ship_hour SELECT destination, ?, ? FROM shipped", (probe, hour))

    def _decoded(self, blob: bytes, probe: int, hour: int) -> Columns:
        try:
            return chunks.decode(blob)
        except ValueError as error:
            name = self.names().get(probe, str(probe))
            raise StoreCorrupt(
                f"hour {hour} of probe {name} is damaged ({error})",
                where=str(self.db.path),
                fix="stop the service, copy the file and its -wal aside, and restore the last backup",
            ) from error

    def _readable(self, blob: bytes, probe: int, hour: int) -> Columns:
        """As :meth:`_decoded`; where damage is tolerated a damaged hour counts as one in which nothing was measured."""
        try:
            return self._decoded(blob, probe, hour)
        except StoreCorrupt as error:
            if self.damaged is None:
                raise
            self.damaged[self.names().get(probe, str(probe)), hour] = error.what
            return Columns.empty()

    def _all_decoded(self, probe: int, hours: Sequence[tuple[int, bytes]]) -> Columns:
        try:
            return chunks.decode_all([blob for _, blob in hours])
        except ValueError:
            # One by one, so that the damaged hour is named.
            return Columns.joined([self._readable(blob, probe, hour) for hour, blob in hours])

    def _merge(self, probe: int, hour: int, new: Columns) -> int:
        """Into the chunk; what was there first wins. Returns how many are new."""
        c = self.db.connection
        row = c.execute("SELECT n, blob FROM chunk WHERE probe=? AND hour=?", (probe, hour)).fetchone()
        before = int(row[0]) if row else 0
        old = [self._decoded(row[1], probe, hour)] if row else []
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
                    added = self._merge(probe, hour, _columns(group))
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
        """Retention: forget chunks that end before a moment. Returns how many hours were dropped."""
        with self.db.write() as c:
            return c.execute("DELETE FROM chunk WHERE hour < ?", (before_ms // HOUR_MS,)).rowcount

    # -- reading ------------------------------------------------------------------------------------------

    def load(self, probes: Iterable[str], from_ms: int, to_ms: int) -> dict[str, Columns]:
        """Readings with ``from_ms <= at < to_ms`` of each probe, in order of time, first stored wins."""
        wanted = {name: number for name in probes if (number := self._known(name)) is not None}
        parts: dict[int, list[Columns]] = {number: [] for number in wanted.values()}
        if parts:
            holes = ",".join("?" * len(parts))
            with self.db.read():
                # Of one moment: a fold between the two would hide what it moves.
                chunk_rows = self.db.rows(
                    "SELECT probe, hour, blob FROM chunk "  # noqa: S608 - only holes
                    f"WHERE probe IN ({holes}) AND hour>=? AND hour<=? ORDER BY probe, hour",
                    *parts,
                    from_ms // HOUR_MS,
                    (to_ms - 1) // HOUR_MS,
                )
                rows = self.db.rows(
                    "SELECT seq, probe, at, value, received, flag, timed, test FROM journal "  # noqa: S608 - only holes
                    f"WHERE at>=? AND at<? AND probe IN ({holes}) ORDER BY seq",
                    from_ms,
                    to_ms,
                    *parts,
                )
            blobs: dict[int, list[tuple[int, bytes]]] = {}
            for number, hour, blob in chunk_rows:
                blobs.setdefault(number, []).append((hour, blob))
            for number, hours in blobs.items():
                parts[number].append(self._all_decoded(number, hours))
            groups: dict[int, list[tuple[object, ...]]] = {}
            for row in rows:
                groups.setdefault(row[1], []).append(row)
            for number, group in groups.items():
                parts[number].append(_columns(group))
        result: dict[str, Columns] = {}
        for name, number in wanted.items():
            merged = Columns.joined(parts[number]).sorted_first_wins()
            inside = np.flatnonzero((merged.at >= from_ms) & (merged.at < to_ms))
            result[name] = merged if len(inside) == len(merged) else merged.take(inside)
        for name in probes:
            result.setdefault(name, Columns.empty())
        return result

    def since(self, seq: int, limit: int = 100_000) -> list[tuple[int, Reading]]:
        """Journal rows after ``seq``, oldest first: what is new."""
        names = self.names()
        return [
            (int(s), Reading(names[p], at, value, received, Flag(flag), test, bool(timed)))
            for s, p, at, value, received, flag, timed, test in self.db.rows(
                "SELECT seq, probe, at, value, received, flag, timed, test FROM journal "
                "WHERE seq>? ORDER BY seq LIMIT ?",
                seq,
                limit,
            )
        ]

    def last_seq(self) -> int:
        rows = self.db.rows("SELECT seq FROM sqlite_sequence WHERE name='journal'")
        return int(rows[0][0]) if rows else 0

    def counts(self) -> dict[str, int]:
        """Number of readings of each probe, duplicates counted once."""
        with self.db.read():
            names = self.names()
            result = dict.fromkeys(names.values(), 0)
            for number, n in self.db.rows("SELECT probe, SUM(n) FROM chunk GROUP BY probe"):
                result[names[number]] += int(n)
            fresh: dict[int, set[int]] = {}
            for number, at in self.db.rows("SELECT DISTINCT probe, at FROM journal"):
                fresh.setdefault(number, set()).add(at)
            for number, ats in fresh.items():
                known: set[int] = set()
                for hour in {at // HOUR_MS for at in ats}:
                    for (blob,) in self.db.rows("SELECT blob FROM chunk WHERE probe=? AND hour=?", number, hour):
                        known.update(int(x) for x in self._decoded(blob, number, hour).at)
                result[names[number]] += len(ats - known)
        return result

    def last_at(self, until_ms: int | None = None) -> dict[str, int]:
        """Measured time of each probe's newest reading."""
        until = until_ms if until_ms is not None else 2**62
        result: dict[str, int] = {}
        with self.db.read():
            for number, name in self.names().items():
                newest = [
                    r[0] for r in self.db.rows("SELECT MAX(at) FROM journal WHERE probe=? AND at<=?", number, until)
                ]
                # The hour of ``until`` may hold only later readings; the one before it cannot.
                for hour, blob in self.db.rows(
                    "SELECT hour, blob FROM chunk WHERE probe=? AND hour<=? ORDER BY hour DESC LIMIT 2",
                    number,
                    until // HOUR_MS,
                ):
                    at = self._readable(blob, number, hour).at
                    newest.extend(int(x) for x in at[at <= until][-1:])
                known = [int(x) for x in newest if x is not None]
                if known:
                    result[name] = max(known)
        return result

    def last_usable_at(self, probe: str, until_ms: int) -> int | None:
        """Measured time of a probe's newest usable reading by a moment."""
        number = self._known(probe)
        if number is None:
            return None
        with self.db.read():
            hours = self.db.rows(
                "SELECT hour FROM chunk WHERE probe=? AND hour<=? AND n_good>0 ORDER BY hour DESC LIMIT 2",
                number,
                until_ms // HOUR_MS,
            )
            hours += self.db.rows(
                "SELECT DISTINCT at / 3600000 FROM journal WHERE probe=? AND at<=? AND flag<=2 "
                "ORDER BY at DESC LIMIT 1",
                number,
                until_ms,
            )
            newest: list[int] = []
            for (hour,) in hours:
                columns = self.load([probe], hour * HOUR_MS, min((hour + 1) * HOUR_MS, until_ms + 1))[probe]
                newest.extend(int(at) for at in columns.at[columns.usable][-1:])
        return max(newest, default=None)

    def first_at(self, probe: str) -> int | None:
        """Measured time of a probe's oldest reading."""
        number = self._known(probe)
        if number is None:
            return None
        with self.db.read():
            found = [r[0] for r in self.db.rows("SELECT MIN(at) FROM journal WHERE probe=?", number)]
            for hour, blob in self.db.rows("SELECT hour, blob FROM chunk WHERE probe=? ORDER BY hour LIMIT 1", number):
                found.extend(int(at) for at in self._readable(blob, number, hour).at[:1])
        known = [int(x) for x in found if x is not None]
        return min(known) if known else None

    def bulks(self) -> str:
        """Changes whenever readings came otherwise than through the journal."""
        return self.db.fact("bulk") or "0"

    def hour_means(self, probe: str, from_hour: int, to_hour: int, until_ms: int = 2**62) -> dict[int, float]:
        """Mean of the usable readings of each hour in ``from_hour <= hour < to_hour``, none after ``until_ms``.

        From the chunks' heads; an hour of which something waits in the journal, or that ``until_ms`` cuts, from its
        readings.
        """
        number = self._known(probe)
        if number is None:
            return {}
        to_hour = min(to_hour, until_ms // HOUR_MS + 1)
        with self.db.read():
            means = {
                int(h): float(total) / int(n)
                for h, n, total in self.db.rows(
                    "SELECT hour, n_good, total FROM chunk WHERE probe=? AND hour>=? AND hour<? AND n_good>0",
                    number,
                    from_hour,
                    to_hour,
                )
            }
            open_hours = {until_ms // HOUR_MS} & set(means)
            open_hours.update(
                int(h)
                for (h,) in self.db.rows(
                    "SELECT DISTINCT at / 3600000 FROM journal WHERE probe=? AND at>=? AND at<?",
                    number,
                    from_hour * HOUR_MS,
                    to_hour * HOUR_MS,
                )
            )
            for h in open_hours:
                columns = self.load([probe], h * HOUR_MS, min((h + 1) * HOUR_MS, until_ms + 1))[probe]
                good = columns.value[columns.usable]
                means.pop(h, None)
                if len(good):
                    means[h] = float(good.mean())
        return means

    def unread_since(self, since_ms: int) -> dict[str, tuple[int, str]]:
        """Probe -> (number, newest reason) of messages that could not be read since a moment."""
        return {
            str(p): (int(n), str(why))
            for p, n, why, _ in self.db.rows(
                "SELECT probe, COUNT(*), reason, MAX(seq) FROM quarantine "
                "WHERE received>=? AND probe<>'' GROUP BY probe",
                since_ms,
            )
        }

    def quarantined(self, limit: int = 100) -> list[Quarantined]:
        """Newest first."""
        return [
            Quarantined(int(r), str(t), bytes(p), str(why), str(probe))
            for r, t, p, why, probe in self.db.rows(
                "SELECT received, topic, payload, reason, probe FROM quarantine ORDER BY seq DESC LIMIT ?", limit
            )
        ]


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


def _columns(rows: Sequence[tuple[object, ...]]) -> Columns:
    """Journal rows (seq, probe, at, value, received, flag, timed, test) of one probe as columns."""
    at, value, received, flag, timed, test = list(zip(*rows, strict=True))[2:8]
    return Columns(
        np.array(at, np.int64),
        np.array(value, np.float64),
        np.array(received, np.int64),
        np.array(flag, np.uint8),
        np.array(timed, bool),
        tuple(str(t) for t in test),
    )


def columns_of(readings: Sequence[Reading]) -> Columns:
    """Readings of one probe as columns, in the given order."""
    if not readings:
        return Columns.empty()
    return _columns([(0, 0, r.at_ms, r.value, r.received_ms, int(r.flag), int(r.timed), r.test) for r in readings])


__all__ = ["InboxMark", "Quarantined", "Readings", "columns_of"]
