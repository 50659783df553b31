"""Readings on the disk, out of the journal and the chunks together.

Duplicates, late and out-of-order readings are right by construction: a reading is identified by its probe and its
measured millisecond, and of two with one identity the first stored wins, whether both are in the journal, both
in a chunk, or one in each. Nothing here judges or corrects a value.
"""

from __future__ import annotations

import contextlib
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final

import numpy as np

from monitor.adapters.store import chunks
from monitor.adapters.store.batches import Batches, Unfolded
from monitor.adapters.store.columns import Columns
from monitor.adapters.store.database import REPAIR, Database
from monitor.adapters.store.journal import ProbeNumbers
from monitor.core.terms.events import Reading
from monitor.core.terms.times import HOUR_MS
from monitor.errors import StoreCorrupt

# So many readings are at most read in one piece, beside those of a single hour.
PIECE_ROWS = 100_000
PACE_MS = 600_000
MEANS_BEFORE: Final = "ten minutes before"
_REMEMBERED_ROWS: Final = 10_000


class Readings:
    """What the journal and the chunks hold together."""

    def __init__(self, db: Database, numbers: ProbeNumbers, batches: Batches) -> None:
        self.db = db
        self._batches = batches
        # (probe, hour) -> what is wrong, where damage is tolerated: by the service, which tells it. None: it is not.
        self.damaged: dict[tuple[str, int], str] | None = None
        self._newest: tuple[bytes, Columns] = b"", Columns.empty()
        self._numbers = numbers

    def decoded(self, blob: bytes, probe: int, hour: int) -> Columns:
        """Readings of a chunk. Raises StoreCorrupt, which names the probe and its first hour."""
        try:
            return chunks.decode(blob)
        except ValueError as error:
            name = self._numbers.names().get(probe, str(probe))
            raise StoreCorrupt(
                f"hour {hour} of probe {name} is damaged ({error})",
                where=str(self.db.path),
                fix=REPAIR,
            ) from error

    def _readable(self, blob: bytes, probe: int, hour: int) -> Columns:
        """As :meth:`decoded`; where damage is tolerated a damaged chunk counts as if nothing was measured in it.

        The newest is remembered: whoever goes through a day hour by hour asks for its chunk again and again.
        """
        if self._newest[0] == blob:
            return self._newest[1]
        try:
            found = self.decoded(blob, probe, hour)
        except StoreCorrupt as error:
            if self.damaged is None:
                raise
            self.damaged[self._numbers.names().get(probe, str(probe)), hour] = error.what
            return Columns.empty()
        if len(found) <= _REMEMBERED_ROWS:
            self._newest = blob, found
        return found

    def _all_readable(self, probe: int, found: Sequence[tuple[int, bytes]]) -> Columns:
        if len(found) > 1:
            with contextlib.suppress(ValueError):
                return chunks.decode_all([blob for _, blob in found])
        # One by one, so that the damaged one is named.
        return Columns.joined([self._readable(blob, probe, hour) for hour, blob in found])

    def _reaching(self, what: str, probe: int, first: int, last: int) -> list[tuple[Any, ...]]:
        """Of a probe's chunks that reach into a span of hours, the last one included, in order of time."""
        sql = f"SELECT {what} FROM kept WHERE probe=? AND hour>?-24 AND hour<=? AND hour+hours>? ORDER BY hour"  # noqa: S608
        return self.db.rows(sql, probe, first, last, first)

    def load(self, probes: Iterable[str], from_ms: int, to_ms: int) -> dict[str, Columns]:
        """Readings with ``from_ms <= at < to_ms`` of each probe, in order of time, first stored wins."""
        wanted = {name: number for name in probes if (number := self._numbers.known(name)) is not None}
        parts: dict[int, list[Columns]] = {number: [] for number in wanted.values()}
        if parts:
            holes = ",".join("?" * len(parts))
            with self.db.read():
                # Of one moment: a fold between the two would hide what it moves.
                chunk_rows = self.db.rows(
                    "SELECT probe, hour, blob FROM kept "  # noqa: S608 - only holes
                    f"WHERE probe IN ({holes}) AND hour>?-24 AND hour<=? AND hour+hours>? ORDER BY probe, hour",
                    *parts,
                    from_ms // HOUR_MS,
                    (to_ms - 1) // HOUR_MS,
                    from_ms // HOUR_MS,
                )
                waiting = self._waiting(from_ms, to_ms)
            blobs: dict[int, list[tuple[int, bytes]]] = {}
            for number, hour, blob in chunk_rows:
                blobs.setdefault(number, []).append((hour, blob))
            for number, hours in blobs.items():
                parts[number].append(self._all_readable(number, hours))
            for number, found in parts.items():
                if (mine := waiting.probe == number).any():
                    found.append(waiting.take(mine).columns())
        result: dict[str, Columns] = {}
        for name, number in wanted.items():
            merged = Columns.joined(parts[number]).sorted_first_wins()
            inside = merged.part(*np.searchsorted(merged.at, (from_ms, to_ms)).tolist())
            # A copy, or what lies beside it would be held in memory as well.
            result[name] = merged if len(inside) == len(merged) else inside.copied()
        for name in probes:
            result.setdefault(name, Columns.empty())
        return result

    def _waiting(self, from_ms: int = -(2**62), to_ms: int = 2**62) -> Unfolded:
        """What is not folded yet and was measured in a span."""
        return self._batches.now(from_ms, to_ms)

    def _waiting_hours(self, probe: int, from_ms: int, to_ms: int) -> dict[int, int]:
        """Of each hour in a span, how many readings of a probe are not folded yet."""
        waiting = self._waiting(from_ms, to_ms)
        hours, counts = np.unique(waiting.at[waiting.probe == probe] // HOUR_MS, return_counts=True)
        return dict(zip(hours.tolist(), counts.tolist(), strict=True))

    def hour(self, probe: int, hour: int) -> Columns:
        """What chunks hold of an hour, by the probe's number. Raises StoreCorrupt."""
        for first, blob in self._reaching("hour, blob", probe, hour, hour):
            columns = self._readable(blob, probe, first)
            span = hour * HOUR_MS, (hour + 1) * HOUR_MS
            return columns.part(*np.searchsorted(columns.at, span).tolist()).copied()
        return Columns.empty()

    def kept_of(self, probe: int, hour: int) -> int:
        """How many readings chunks hold of an hour, by the probe's number."""
        return sum(n for _, n, _, _ in self._heads(probe, hour, hour + 1))

    def pieces(self, probe: str, from_ms: int, to_ms: int) -> Iterator[Columns]:
        """As :meth:`load` for one probe, hours that follow each other, some at a time: bounded whatever its rate is."""
        number = self._numbers.known(probe)
        if number is None:
            return
        span = number, from_ms // HOUR_MS, (to_ms - 1) // HOUR_MS
        counts: dict[int, int] = {}
        with self.db.read():
            # What waits in the journal counts for the chunk in which it will lie, else for its hour.
            kept = self._reaching("hour, hours, n", *span)
            waiting = self._waiting_hours(number, from_ms, to_ms)
        starts = [hour for hour, _, _ in kept]
        for hour, _, n in kept:
            counts[max(hour, span[1])] = n
        for hour, n in waiting.items():
            place = bisect_right(starts, hour) - 1
            inside = place >= 0 and hour < starts[place] + kept[place][1]
            begins = max(starts[place], span[1]) if inside else hour
            counts[begins] = counts.get(begins, 0) + n
        start_ms, gathered = from_ms, 0
        for hour, n in sorted(counts.items()):
            if gathered and gathered + n > PIECE_ROWS:
                yield self.load([probe], start_ms, hour * HOUR_MS)[probe]
                start_ms, gathered = hour * HOUR_MS, 0
            gathered += n
        yield self.load([probe], start_ms, to_ms)[probe]

    def sparse(self, probes: Iterable[str], from_ms: int, to_ms: int) -> dict[str, Columns]:
        """As :meth:`load`, thinned to what the judgements need where a probe reports many times a second."""
        probes = tuple(probes)
        with self.db.read():
            if self._held(probes, from_ms, to_ms) <= PIECE_ROWS:
                return {p: c.thinned() for p, c in self.load(probes, from_ms, to_ms).items()}
            return {p: Columns.joined([c.thinned() for c in self.pieces(p, from_ms, to_ms)]) for p in probes}

    def _held(self, probes: Sequence[str], from_ms: int, to_ms: int) -> int:
        """How many readings the hours of a span hold of these probes, or wait in the journal for them, at most."""
        found = len(self._waiting(from_ms, to_ms))
        for number in (n for p in probes if (n := self._numbers.known(p)) is not None):
            ((kept,),) = self._reaching("TOTAL(n)", number, from_ms // HOUR_MS, (to_ms - 1) // HOUR_MS)
            found += kept
        return int(found)

    def paces(self, now_ms: int) -> dict[str, float] | None:
        """Readings a minute of each probe that was heard, by their own times in the last ten minutes and in this hour.

        The journal holds the hour that has begun. None in its first minute: then nothing can be said.
        """
        from_ms = max(now_ms - PACE_MS, now_ms // HOUR_MS * HOUR_MS)
        if now_ms - from_ms < 60_000:
            return None
        with self.db.read():
            names, waiting = self._numbers.names(), self._waiting(from_ms, now_ms)
        numbers, counts = np.unique(waiting.probe, return_counts=True)
        minutes = (now_ms - from_ms) / 60_000.0
        return {names[number]: n / minutes for number, n in zip(numbers.tolist(), counts.tolist(), strict=True)}

    def counts(self) -> dict[str, int]:
        """Number of readings of each probe, duplicates counted once."""
        with self.db.read():
            names = self._numbers.names()
            result = dict.fromkeys(names.values(), 0)
            for number, n in self.db.rows("SELECT probe, SUM(n) FROM kept GROUP BY probe"):
                result[names[number]] += int(n)
            waiting = self._waiting()
            for number in np.unique(waiting.probe).tolist():
                ats = set(waiting.at[waiting.probe == number].tolist())
                known: set[int] = set()
                hours = {at // HOUR_MS for at in ats}
                for hour, blob in self._reaching("hour, blob", number, min(hours), max(hours)):
                    known.update(self.decoded(blob, number, hour).at.tolist())
                result[names[number]] += len(ats - known)
        return result

    def last_at(self, until_ms: int | None = None) -> dict[str, int]:
        """Measured time of each probe's newest reading."""
        until = until_ms if until_ms is not None else 2**62
        result: dict[str, int] = {}
        with self.db.read():
            waiting = self._waiting(to_ms=until + 1)
            for number, name in self._numbers.names().items():
                newest = waiting.at[waiting.probe == number].tolist()
                # The chunk of ``until`` may hold only later readings; the one before it cannot.
                for hour, blob in self.db.rows(
                    "SELECT hour, blob FROM kept WHERE probe=? AND hour<=? ORDER BY hour DESC LIMIT 2",
                    number,
                    until // HOUR_MS,
                ):
                    at = self._readable(blob, number, hour).at
                    newest.extend(int(x) for x in at[at <= until][-1:])
                if newest:
                    result[name] = max(newest)
        return result

    def newest_come_ms(self) -> int | None:
        """A moment that has surely been: of the newest readings, when made or come (a clock may be ahead)."""
        newest: list[int] = []
        with self.db.read():
            waiting = self._waiting()
            newest += [int(np.minimum(waiting.at, waiting.received).max())] if len(waiting) else []
            for number in self._numbers.names():
                for hour, blob in self.db.rows(
                    "SELECT hour, blob FROM kept WHERE probe=? ORDER BY hour DESC LIMIT 1", number
                ):
                    c = self._readable(blob, number, hour)
                    newest += [int(np.minimum(c.at, c.received).max())] if len(c) else []
        return max(newest, default=None)

    def last_usable_at(self, probe: str, until_ms: int) -> int | None:
        """Measured time of a probe's newest usable reading by a moment."""
        number = self._numbers.known(probe)
        if number is None:
            return None
        with self.db.read():
            hours = self.db.rows(
                "SELECT hour, hours FROM kept WHERE probe=? AND hour<=? AND n_good>0 ORDER BY hour DESC LIMIT 2",
                number,
                until_ms // HOUR_MS,
            )
            waiting = self._waiting(to_ms=until_ms + 1)
            usable = waiting.at[(waiting.probe == number) & (waiting.flag <= 2)]
            hours += [(int(usable.max()) // HOUR_MS, 1)] if len(usable) else []
            newest: list[int] = []
            for hour, many in hours:
                columns = self.load([probe], hour * HOUR_MS, min((hour + many) * HOUR_MS, until_ms + 1))[probe]
                newest.extend(int(at) for at in columns.at[columns.usable][-1:])
        return max(newest, default=None)

    def first_at(self, probe: str) -> int | None:
        """Measured time of a probe's oldest reading."""
        number = self._numbers.known(probe)
        if number is None:
            return None
        with self.db.read():
            waiting = self._waiting()
            found = waiting.at[waiting.probe == number].tolist()
            for hour, blob in self.db.rows("SELECT hour, blob FROM kept WHERE probe=? ORDER BY hour LIMIT 1", number):
                found.extend(int(at) for at in self._readable(blob, number, hour).at[:1])
        return min(found) if found else None

    def means_before_ms(self) -> int | None:
        """Up to when there are means of ten minutes among what is kept; None: all are single readings."""
        return self.db.number(MEANS_BEFORE)

    def bulks(self) -> str:
        """Changes whenever readings came otherwise than through the journal."""
        return self.db.fact("bulk") or "0"

    def hour_counts(self, probe: str, from_hour: int, to_hour: int) -> dict[int, int]:
        """How many readings are kept of each hour in ``from_hour <= hour < to_hour``: more came, another number."""
        number = self._numbers.known(probe)
        found: dict[int, int] = {}
        if number is None:
            return found
        with self.db.read():
            of_chunks = ((hour, n) for hour, n, _, _ in self._heads(number, from_hour, to_hour))
            waiting = self._waiting_hours(number, from_hour * HOUR_MS, to_hour * HOUR_MS)
            for hour, n in (*of_chunks, *waiting.items()):
                found[int(hour)] = found.get(int(hour), 0) + int(n)
        return found

    def _heads(self, probe: int, from_hour: int, to_hour: int) -> list[tuple[int, int, int, float]]:
        """Of each hour in a span that chunks hold readings of: how many, how many of them usable, the sum of those."""
        what = "hour, hours, n, n_good, total, head"
        try:
            return chunks.heads(self._reaching(what, probe, from_hour, to_hour - 1), from_hour, to_hour)
        except ValueError as error:
            name = self._numbers.names().get(probe, str(probe))
            raise StoreCorrupt(f"a head of probe {name} is damaged ({error})", where=str(self.db.path)) from error

    def hour_means(self, probe: str, from_hour: int, to_hour: int, until_ms: int = 2**62) -> dict[int, float]:
        """Mean of the usable readings of each hour in ``from_hour <= hour < to_hour``, none after ``until_ms``.

        From the chunks' heads; where something waits in the journal, or ``until_ms`` cuts, from the hour's readings.
        """
        number = self._numbers.known(probe)
        if number is None:
            return {}
        to_hour = min(to_hour, until_ms // HOUR_MS + 1)
        with self.db.read():
            means = {h: total / good for h, _, good, total in self._heads(number, from_hour, to_hour) if good}
            open_hours = {until_ms // HOUR_MS} & set(means)
            open_hours.update(self._waiting_hours(number, from_hour * HOUR_MS, to_hour * HOUR_MS))
            for h in open_hours:
                columns = self.load([probe], h * HOUR_MS, min((h + 1) * HOUR_MS, until_ms + 1))[probe]
                good = columns.value[columns.usable]
                means.pop(h, None)
                if len(good):
                    means[h] = float(good.mean())
        return means


def columns_of_rows(rows: Sequence[tuple[object, ...]]) -> Columns:
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
    return columns_of_rows(
        [(0, 0, r.at_ms, r.value, r.received_ms, int(r.flag), int(r.timed), r.test) for r in readings]
    )
