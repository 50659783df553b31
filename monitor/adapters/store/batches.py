"""What waits to be folded: each commit's readings and packets as one row, in the order of storing.

One row, and so one page, is written with a commit instead of a row and index entries for each reading and each packet.
Of some tens of them one is made now and then, so that whoever reads has few to unpack.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from monitor.adapters.store.columns import Columns
from monitor.adapters.store.database import Database
from monitor.adapters.store.journal import InboxMark as Mark
from monitor.adapters.store.packed import PackedBytes, ints, names, put, values
from monitor.core.terms.arrays import Flags, Times, Values
from monitor.errors import StoreCorrupt
from monitor.values import dataclass

MAGIC: Final = b"B1"
MOST_ROWS: Final = 4_000_000
JOINED: Final = 64
"""So many rows of single commits become one."""
SINGLE: Final = 200
"""A commit of more readings stays a row by itself."""
LATELY_MS: Final = 660_000
"""What was received within this stays unpacked from one look to the next, so that a probe's pace is soon told."""
MOST_UNPACKED: Final = 40_000
"""And so many readings at most: two megabytes."""
FOLDS: Final = "folds"
"""The fact that is another one after each fold."""


@dataclass(frozen=True)
class Unfolded:
    """Readings of several probes in the order of storing; all arrays have length n. ``seq``: their places in it,
    ``probe``: their probes' numbers; the others as in :class:`Columns`."""

    seq: Times
    probe: Times
    at: Times
    value: Values
    received: Times
    flag: Flags
    timed: NDArray[np.bool_]
    test: NDArray[np.object_]

    def __len__(self) -> int:
        return len(self.seq)

    @staticmethod
    def of(rows: Sequence[Sequence[Any]]) -> Unfolded:
        """From (seq, probe, at, value, received, flag, timed, test) of each."""
        seq, probe, at, value, received, flag, timed, test = zip(*rows, strict=True) if rows else ((),) * 8
        return Unfolded(
            np.array(seq, np.int64),
            np.array(probe, np.int64),
            np.array(at, np.int64),
            np.array(value, np.float64),
            np.array(received, np.int64),
            np.array(flag, np.uint8),
            np.array(timed, np.bool_),
            np.array(test, np.object_),
        )

    @staticmethod
    def joined(parts: Sequence[Unfolded]) -> Unfolded:
        if len(parts) == 1:
            return parts[0]
        if not parts:
            return Unfolded.of(())
        return Unfolded(
            np.concatenate([p.seq for p in parts]),
            np.concatenate([p.probe for p in parts]),
            np.concatenate([p.at for p in parts]),
            np.concatenate([p.value for p in parts]),
            np.concatenate([p.received for p in parts]),
            np.concatenate([p.flag for p in parts]),
            np.concatenate([p.timed for p in parts]),
            np.concatenate([p.test for p in parts]),
        )

    def take(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> Unfolded:
        return Unfolded(
            self.seq[which],
            self.probe[which],
            self.at[which],
            self.value[which],
            self.received[which],
            self.flag[which],
            self.timed[which],
            self.test[which],
        )

    def between(self, from_ms: int, to_ms: int) -> Unfolded:
        """Those with ``from_ms <= at < to_ms``."""
        inside = (self.at >= from_ms) & (self.at < to_ms)
        return self if inside.all() else self.take(inside)

    def columns(self) -> Columns:
        """Of one probe's."""
        return Columns(self.at, self.value, self.received, self.flag, self.timed, tuple(self.test.tolist()))

    def rows(self) -> list[tuple[int, int, int, float, int, int, bool, str]]:
        columns = (self.seq, self.probe, self.at, self.value, self.received, self.flag, self.timed, self.test)
        return list(zip(*(c.tolist() for c in columns), strict=True))


@dataclass(frozen=True)
class PackedMarks:
    """Marks of many packets, a megabyte where as objects they would be ten. ``mid`` and ``length`` (of its digest) have
    shape (n,), ``digests`` stand one after the other."""

    mid: Times
    length: Times
    digests: bytes

    def __len__(self) -> int:
        return len(self.mid)

    def __iter__(self) -> Iterator[Mark]:
        at = 0
        for mid, length in zip(self.mid.tolist(), self.length.tolist(), strict=True):
            yield Mark(mid, self.digests[at : at + length])
            at += length

    @staticmethod
    def of(marks: Iterable[Mark]) -> PackedMarks:
        if isinstance(marks, PackedMarks):
            return marks
        mids, digests = [], []
        for mid, digest in marks:
            mids.append(mid)
            digests.append(digest)
        return PackedMarks(np.array(mids, np.int64), np.array(list(map(len, digests)), np.int64), b"".join(digests))

    @staticmethod
    def joined(parts: Sequence[PackedMarks]) -> PackedMarks:
        if not parts:
            return PackedMarks.of(())
        return PackedMarks(
            np.concatenate([p.mid for p in parts]),
            np.concatenate([p.length for p in parts]),
            b"".join([p.digests for p in parts]),
        )

    def last(self, n: int) -> PackedMarks:
        """The last ones, so many at the most."""
        first = max(len(self) - n, 0)
        return PackedMarks(self.mid[first:], self.length[first:], self.digests[int(self.length[:first].sum()) :])


def encode(waiting: Unfolded, marks: Iterable[Mark] = ()) -> bytes:
    """Bytes of a row; :func:`decode` gives back exactly the same. Raises ValueError when a value is not finite."""
    if not np.isfinite(waiting.value).all():
        raise ValueError("a reading's value is not finite")
    out = bytearray()
    put(out, len(waiting))
    if len(waiting):
        out += ints(waiting.seq, 1) + ints(waiting.probe, 0, 1) + ints(waiting.at, 0, 1) + values(waiting.value)
        out += ints(waiting.received - waiting.at, 0, 1)
        out += ints(waiting.flag.astype(np.int64), 0) + ints(waiting.timed.astype(np.int64), 0)
        out += names(waiting.test.tolist())
    out += _packed_marks(PackedMarks.of(marks))
    return MAGIC + zlib.crc32(out).to_bytes(4, "little") + bytes(out)


def _packed_marks(marks: PackedMarks) -> bytes:
    out = bytearray()
    put(out, len(marks))
    if not marks:
        return bytes(out)
    return bytes(out) + ints(marks.mid, 0, 1) + ints(marks.length, 0) + marks.digests


def _marks(packed: PackedBytes) -> PackedMarks:
    n = packed.number()
    if not n:
        return PackedMarks.of(())
    if not 0 < n <= MOST_ROWS:
        raise ValueError("damaged: the number of packets")
    mids, lengths = packed.ints(n), packed.ints(n)
    if lengths.min() < 0:
        raise ValueError("damaged: the length of a digest")
    return PackedMarks(mids, lengths, packed.raw(int(lengths.sum())))


def decode(blob: bytes) -> tuple[Unfolded, PackedMarks]:
    """Raises ValueError on damaged bytes."""
    if blob[:2] != MAGIC:
        raise ValueError("no batch of readings")
    if zlib.crc32(blob[6:]) != int.from_bytes(blob[2:6], "little"):
        raise ValueError("damaged batch: its checksum is another one")
    packed = PackedBytes(blob, 6)
    try:
        n, found = packed.number(), Unfolded.of(())
        if not 0 <= n <= MOST_ROWS:
            raise ValueError("damaged batch: the number of its readings")
        if n:
            seq, probe, at = packed.ints(n), packed.ints(n), packed.ints(n)
            value = packed.values(n)
            received = at + packed.ints(n)
            flag, timed = packed.ints(n).astype(np.uint8), packed.ints(n).astype(np.bool_)
            found = Unfolded(seq, probe, at, value, received, flag, timed, np.array(packed.names(n), np.object_))
        marks = _marks(packed)
    except (IndexError, OverflowError, TypeError, zlib.error) as error:
        raise ValueError(f"damaged batch: {error}") from error
    if not packed.ended():
        raise ValueError("damaged batch: more bytes than readings")
    return found, marks


@dataclass(frozen=True)
class Batch:
    """A row as it stands. ``wrong``: why it cannot be read."""

    seq: int
    n: int
    blob: bytes
    waiting: Unfolded
    marks: PackedMarks
    wrong: str = ""

    @property
    def first_seq(self) -> int:
        return int(self.waiting.seq[0]) if len(self.waiting) else self.seq


def check(blob: bytes) -> str:
    """What is wrong with the bytes of a row; empty when it is whole."""
    try:
        decode(blob)
    except ValueError as error:
        return str(error)
    return ""


class Batches:
    """The rows of one store, for one thread.

    What was unpacked is kept until it is folded, or :meth:`give_back` is called; whoever lasts calls that now and then.
    """

    def __init__(self, db: Database) -> None:
        self.db = db
        # Whether damage is tolerated, and what was found: first place in the order -> what is wrong.
        self.damaged: dict[int, str] | None = None
        self._folds = "-"
        self._until = 0
        self._known = Unfolded.of(())
        # Whether some of it are rows of before, which stand nowhere else.
        self._of_before = False
        # Up to which place in the order it was given back, and from when to when that was measured.
        self._given_back: tuple[int, int, int] | None = None
        # The same of each row, by its place and number of readings: what is put together is another one.
        self._spans: dict[tuple[int, int], tuple[int, int]] = {}

    @property
    def unpacked(self) -> int:
        """How many readings are in memory."""
        return len(self._known)

    def give_back(self, most: int = MOST_UNPACKED) -> None:
        """The memory of what came longer ago than lately: it is unpacked again for whoever asks. ``most``: so many
        readings stay at the most."""
        known = self._known
        if len(known) <= SINGLE or self._of_before:
            return
        lately = int(np.argmax(known.received >= known.received.max() - LATELY_MS))
        cut = max(lately, len(known) - most)
        # Not a little each time: what stays is copied.
        if cut > len(known) // 8:
            first, last = int(known.at[:cut].min()), int(known.at[:cut].max())
            if self._given_back is not None:
                first, last = min(first, self._given_back[1]), max(last, self._given_back[2])
            self._given_back = int(known.seq[cut - 1]), first, last
            self._known = known.take(np.arange(cut, len(known)))

    def now(self, from_ms: int = -(2**62), to_ms: int = 2**62) -> Unfolded:
        """All that waits and was measured in a span, ``from_ms <= at < to_ms``."""
        with self.db.read():
            folds = self.db.fact(FOLDS) or ""
            if folds != self._folds:
                # Rows of before each stand by themselves, until the first fold.
                before = self.db.rows(
                    "SELECT seq, probe, at, value, received, flag, timed, test FROM journal ORDER BY seq"
                )
                self._folds, self._until, self._known = folds, 0, Unfolded.of(before)
                self._of_before, self._given_back, self._spans = bool(before), None, {}
            rows = self.db.rows("SELECT seq, blob FROM batch WHERE seq>? ORDER BY seq", self._until)
            if rows:
                fresh = [self._opened(seq, blob)[0] for seq, blob in rows]
                # What was read already may have been put together with what was not.
                fresh = [w.take(w.seq > self._until) if len(w) and w.seq[0] <= self._until else w for w in fresh]
                self._known = Unfolded.joined([w for w in (self._known, *fresh) if len(w)])
                self._until = int(rows[-1][0])
            back = self._given_back
            found = self._again(back[0], from_ms, to_ms) if back and from_ms <= back[2] and back[1] < to_ms else []
        return Unfolded.joined([w for w in (*found, self._known.between(from_ms, to_ms)) if len(w)])

    def _again(self, until: int, from_ms: int, to_ms: int) -> list[Unfolded]:
        """What was given back, up to a place in the order: only rows that hold some of a span are unpacked."""
        found: list[Unfolded] = []
        for seq, n in self.db.rows("SELECT seq, n FROM batch WHERE n>0 ORDER BY seq"):
            span = self._spans.get((seq, n))
            if span is None or (from_ms <= span[1] and span[0] < to_ms):
                ((blob,),) = self.db.rows("SELECT blob FROM batch WHERE seq=?", seq)
                waiting = self._opened(seq, blob)[0]
                if len(waiting):
                    self._spans[seq, n] = int(waiting.at.min()), int(waiting.at.max())
                found.append(waiting.take(waiting.seq <= until).between(from_ms, to_ms))
            if seq >= until:
                break
        return found

    def since(self, seq: int, limit: int) -> Unfolded:
        """The first ones after a place in the order."""
        found: list[Unfolded] = []
        with self.db.read():
            before = self.db.rows(
                "SELECT seq, probe, at, value, received, flag, timed, test FROM journal WHERE seq>? "
                "ORDER BY seq LIMIT ?",
                seq,
                limit,
            )
            count, after = len(before), seq
            while count < limit:
                rows = self.db.rows("SELECT seq, n, blob FROM batch WHERE seq>? ORDER BY seq LIMIT ?", after, JOINED)
                if not rows:
                    break
                for after, n, blob in rows:  # noqa: B007
                    waiting = self._opened(after, blob)[0]
                    found.append(waiting.take(waiting.seq > seq))
                    count += len(found[-1])
        whole = Unfolded.joined([w for w in (Unfolded.of(before), *found) if len(w)])
        return whole.take(np.arange(min(limit, len(whole))))

    def held(self, after: int = 0) -> int:
        """How many readings wait, of those after a place in the order."""
        with self.db.read():
            ((held,),) = self.db.rows("SELECT TOTAL(n) FROM batch WHERE seq>?", after)
            if after:
                # The first of these rows may hold some of before.
                rows = self.db.rows("SELECT seq, blob FROM batch WHERE seq>? ORDER BY seq LIMIT 1", after)
                held -= sum(int(np.sum(self._opened(seq, blob)[0].seq <= after)) for seq, blob in rows)
            ((before,),) = self.db.rows("SELECT COUNT(*) FROM journal WHERE seq>?", after)
        return int(held) + int(before)

    def last_seq(self) -> int:
        """The newest place in the order that was given out."""
        rows = self.db.rows("SELECT MAX(seq) FROM batch UNION ALL SELECT seq FROM sqlite_sequence WHERE name='journal'")
        return max((int(seq) for (seq,) in rows if seq is not None), default=0)

    def add(self, rows: Iterable[tuple[int, int, float, int, int, bool, str]], marks: Sequence[Mark]) -> None:
        """(probe, at, value, received, flag, timed, test) of each; inside a transaction of the caller. Raises
        ValueError when a value is not finite."""
        last = self.last_seq()
        waiting = Unfolded.of([(last + 1 + k, *row) for k, row in enumerate(rows)])
        self._write(last + max(len(waiting), 1), waiting, marks, single=len(waiting) <= SINGLE)
        self._join()

    def _write(self, seq: int, waiting: Unfolded, marks: Iterable[Mark], *, single: bool) -> None:
        self.db.connection.execute(
            "INSERT INTO batch(seq, n, single, blob) VALUES (?,?,?,?)",
            (seq, len(waiting), int(single), encode(waiting, marks)),
        )

    def _join(self) -> None:
        """Rows of single commits into one, where there are enough of them."""
        c = self.db.connection
        first = c.execute("SELECT single FROM batch ORDER BY seq DESC LIMIT 1 OFFSET ?", (JOINED - 1,)).fetchone()
        if first is None or not first[0]:
            return
        rows = c.execute("SELECT seq, blob, single FROM batch ORDER BY seq DESC LIMIT ?", (JOINED,)).fetchall()
        if not all(single for _, _, single in rows):
            return
        try:
            opened = [decode(blob) for _, blob, _ in reversed(rows)]
        except ValueError:
            # Left as it is, to be told of by whoever reads.
            return
        c.executemany("DELETE FROM batch WHERE seq=?", [(seq,) for seq, _, _ in rows])
        waiting = Unfolded.joined([w for w, _ in opened if len(w)])
        self._write(rows[0][0], waiting, PackedMarks.joined([marks for _, marks in opened]), single=False)

    def block(self, after: int, most: int) -> list[Batch]:
        """Rows after a place in the order: so many readings, or one row at least."""
        found: list[Batch] = []
        count = 0
        for seq, n, blob in self.db.connection.execute(
            "SELECT seq, n, blob FROM batch WHERE seq>? ORDER BY seq", (after,)
        ):
            if found and count + n > most:
                break
            count += n
            try:
                found.append(Batch(seq, n, blob, *decode(blob)))
            except ValueError as error:
                found.append(Batch(seq, n, blob, Unfolded.of(()), PackedMarks.of(()), str(error)))
        return found

    def replace(self, seq: int, waiting: Unfolded, marks: Sequence[Mark] | PackedMarks) -> None:
        """What stays of a row; nothing: it goes, but for the newest, which keeps the place in the order."""
        c = self.db.connection
        if len(waiting) or marks or seq == c.execute("SELECT MAX(seq) FROM batch").fetchone()[0]:
            c.execute("UPDATE batch SET n=?, blob=? WHERE seq=?", (len(waiting), encode(waiting, marks), seq))
        else:
            c.execute("DELETE FROM batch WHERE seq=?", (seq,))

    def folded(self) -> None:
        """What was unpacked of before is no longer what waits."""
        self.db.connection.execute(
            "INSERT INTO fact VALUES (?, '1') ON CONFLICT(name) DO UPDATE SET value=value+1", (FOLDS,)
        )

    def _opened(self, seq: int, blob: bytes) -> tuple[Unfolded, PackedMarks]:
        try:
            return decode(blob)
        except ValueError as error:
            what = f"readings up to number {seq} that came lately are damaged ({error})"
            if self.damaged is None:
                raise StoreCorrupt(
                    what,
                    where=str(self.db.path),
                    fix="stop the service, copy the file and its -wal aside, and restore the last backup",
                ) from error
            self.damaged[seq] = what
            return Unfolded.of(()), PackedMarks.of(())

    def marks(self, after: int = 0) -> PackedMarks:
        """Packets after a place in the order of storing that are not folded yet."""
        rows = self.db.rows("SELECT seq, blob FROM batch WHERE seq>? ORDER BY seq", after)
        return PackedMarks.joined([self._opened(seq, blob)[1] for seq, blob in rows])
