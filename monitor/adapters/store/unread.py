"""What could not be read: messages that came and made no reading, with the reason.

One device may send rubbish for weeks, at any size and rate. Of each source (a probe and a topic) the first messages are
kept, which show how it began, the newest ones, which show how it is now, and the number of all; those between make
room. There is a bound for each source and one for all together, and on a disk that is nearly full messages are counted
only, so that rubbish never takes the room of a reading or a notice; where there is none left it makes room for them.
"""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from sqlite3 import Connection
from typing import Final

from monitor.adapters.store.database import ROWS_A_STEP, Database
from monitor.core.readings.decode import KEPT_BYTES
from monitor.values import dataclass

SOURCE_BYTES: Final = 256 * 1024
"""What the messages of one source may take: four of the longest, or some 500 of the usual ones."""
FIRST_BYTES: Final = 64 * 1024
"""What the first messages of a source may take of that."""
ALL_BYTES: Final = 8 * 1024 * 1024
"""What all messages may take together, whatever the number of sources."""
LEAVES_FREE: Final = 64_000_000
"""With less than so many bytes free on the disk messages are only counted."""
LONGEST_REASON: Final = 1000
# Of one row, in bytes but for letters beyond ASCII; the last number stands for what SQLite adds.
_SIZE: Final = "(LENGTH(payload) + LENGTH(reason) + 2 * LENGTH(topic) + 2 * LENGTH(probe) + 100)"
# So often the largest source makes room before the rest is left to the next time.
_LARGEST_IN_TURN: Final = 64
# How many came lately is known for so long.
_LATELY_TENS: Final = 360


@dataclass(frozen=True, slots=True)
class Quarantined:
    """A message that could not become a reading, kept as it came."""

    received_ms: int
    topic: str
    payload: bytes
    reason: str
    probe: str = ""


@dataclass(frozen=True, slots=True)
class UnreadSource:
    """A probe and topic of which messages could not be read: how many in all, and of how many bytes some are kept."""

    probe: str
    topic: str
    first_ms: int
    last_ms: int
    n: int
    kept_bytes: int
    reason: str


class Unread:
    """Messages that could not be read."""

    def __init__(self, db: Database) -> None:
        self.db = db

    # -- keeping -------------------------------------------------------------------------------------------

    def keep(self, messages: Sequence[Quarantined], *, count_only: bool = False) -> None:
        """Keep and count messages, in order of coming; only inside a transaction of the caller (``db.write()``)."""
        if not messages:
            return
        messages = [_within_bounds(message) for message in messages]
        sources: dict[tuple[str, str], list[int]] = {}
        for number, message in enumerate(messages):
            sources.setdefault((message.probe, message.topic), []).append(number)
        room = not count_only and shutil.disk_usage(self.db.dir).free >= LEAVES_FREE
        first, rest = set[int](), set[int]()
        for source, numbers in sources.items():
            group = {number: messages[number] for number in numbers}
            early, late = self._chosen(source, group) if room else ([], [])
            self._count(source, list(group.values()), *(sum(_size(group[k]) for k in some) for some in (early, late)))
            first.update(early)
            rest.update(late)
        self.db.connection.executemany(
            "INSERT INTO quarantine(received, topic, payload, reason, probe, first) VALUES (?,?,?,?,?,?)",
            [
                (q.received_ms, q.topic, q.payload, q.reason, q.probe, int(k in first))
                for k, q in enumerate(messages)
                if k in first or k in rest
            ],
        )
        self._count_lately(messages)
        self._hold_bounds(sources)

    def _chosen(self, source: tuple[str, str], group: Mapping[int, Quarantined]) -> tuple[list[int], list[int]]:
        """Of a source's messages those that are kept among its first ones, and those that are kept as its newest.

        What would at once make room again for newer ones is in neither.
        """
        row = self.db.connection.execute("SELECT kept_first FROM unread WHERE probe=? AND topic=?", source).fetchone()
        room = FIRST_BYTES - (int(row[0]) if row else 0)
        early: list[int] = []
        for k, message in group.items():
            if _size(message) <= room:
                room -= _size(message)
                early.append(k)
        room = SOURCE_BYTES - FIRST_BYTES
        late: list[int] = []
        for k in sorted(group.keys() - set(early), reverse=True):
            room -= _size(group[k])
            if room < 0:
                break
            late.append(k)
        return early, late

    def _count(self, source: tuple[str, str], group: Sequence[Quarantined], first: int, rest: int) -> None:
        """Note a source's messages. ``first``, ``rest``: how many bytes of them are kept, as first ones and others."""
        self.db.connection.execute(
            "INSERT INTO unread VALUES (?,?,?,?,?,?,?,?) ON CONFLICT DO UPDATE SET last_at=excluded.last_at, "
            "n=n+excluded.n, kept=kept+excluded.kept, kept_first=kept_first+excluded.kept_first, "
            "reason=excluded.reason",
            (*source, group[0].received_ms, group[-1].received_ms, len(group), first + rest, first, group[-1].reason),
        )

    def _count_lately(self, messages: Sequence[Quarantined]) -> None:
        c = self.db.connection
        counts = Counter((q.received_ms // 10_000, q.probe) for q in messages if q.probe)
        last = {(q.received_ms // 10_000, q.probe): q.received_ms for q in messages if q.probe}
        c.executemany(
            "INSERT INTO unread_lately VALUES (?,?,?,?) ON CONFLICT DO UPDATE SET n=n+excluded.n, "
            "last_at=MAX(last_at, excluded.last_at)",
            [(tens, probe, n, last[tens, probe]) for (tens, probe), n in counts.items()],
        )
        # Those of a clock that was ahead go as well.
        now = messages[-1].received_ms // 10_000
        c.execute("DELETE FROM unread_lately WHERE tens<? OR tens>?", (now - _LATELY_TENS, now + _LATELY_TENS))

    def _hold_bounds(self, sources: Iterable[tuple[str, str]]) -> int:
        """Make room within each of these sources, then in the largest of all until all together keep their bound.

        Returns how many messages were dropped. Bounded work: what an older version let grow is brought down little
        by little.
        """
        c = self.db.connection
        dropped = 0
        for probe, topic in sources:
            (kept,) = c.execute("SELECT kept FROM unread WHERE probe=? AND topic=?", (probe, topic)).fetchone()
            dropped += self._make_room(probe, topic, kept - SOURCE_BYTES)
        for _ in range(_LARGEST_IN_TURN):
            everything, sources_there = c.execute("SELECT TOTAL(kept), COUNT(*) FROM unread").fetchone()
            if everything <= ALL_BYTES:
                break
            probe, topic, kept = c.execute(
                "SELECT probe, topic, kept FROM unread ORDER BY kept DESC LIMIT 1"
            ).fetchone()
            # Down to its share and no further: it has first messages, too.
            spare = min(int(everything) - ALL_BYTES, kept - ALL_BYTES // sources_there)
            dropped += self._make_room(probe, topic, spare)
        return dropped

    def _make_room(self, probe: str, topic: str, size: int) -> int:
        """Drop a source's oldest messages, first ones last, until ``size`` bytes are free; a step's number of rows at
        the most. Returns how many were dropped."""
        if size <= 0:
            return 0
        c = self.db.connection
        dropped: list[int] = []
        freed = freed_first = 0
        for seq, first, own in c.execute(
            f"SELECT seq, first, {_SIZE} FROM quarantine WHERE probe=? AND topic=? ORDER BY first, seq LIMIT ?",  # noqa: S608
            (probe, topic, ROWS_A_STEP),
        ):
            if freed >= size:
                break
            dropped.append(seq)
            freed += own
            freed_first += own * first
        c.executemany("DELETE FROM quarantine WHERE seq=?", [(seq,) for seq in dropped])
        c.execute(
            "UPDATE unread SET kept=kept-?, kept_first=kept_first-? WHERE probe=? AND topic=?",
            (freed, freed_first, probe, topic),
        )
        return len(dropped)

    def drop_before(self, before_ms: int) -> int:
        """Forget messages that came before a moment, sources that have been silent since, and what an older version
        kept beyond the bounds. Returns how many messages were dropped."""

        def some(c: Connection) -> int:
            old = c.execute(
                "SELECT seq, probe, topic FROM quarantine WHERE received<? ORDER BY seq LIMIT ?",
                (before_ms, ROWS_A_STEP),
            ).fetchall()
            c.executemany("DELETE FROM quarantine WHERE seq=?", [(seq,) for seq, _, _ in old])
            for source in {(probe, topic) for _, probe, topic in old}:
                c.execute(
                    f"UPDATE unread SET (kept, kept_first) = (SELECT COALESCE(SUM({_SIZE}), 0), "  # noqa: S608
                    f"COALESCE(SUM(first*{_SIZE}), 0) FROM quarantine q WHERE q.probe=unread.probe "
                    "AND q.topic=unread.topic) WHERE probe=? AND topic=?",
                    source,
                )
            return len(old)

        def beyond(c: Connection) -> int:
            return self._hold_bounds(
                c.execute("SELECT probe, topic FROM unread WHERE kept>?", (SOURCE_BYTES,)).fetchall()
            )

        dropped = self.db.in_steps(some) + self.db.in_steps(beyond)
        with self.db.write() as c:
            c.execute("DELETE FROM unread WHERE last_at<? AND kept=0", (before_ms,))
        return dropped

    def give_up(self) -> int:
        """Drop every message that is kept, where its room is needed for what counts; how many there were. What is
        counted stays. Raises StoreFull where there is not even room for that."""

        def some(c: Connection) -> int:
            return c.execute(
                "DELETE FROM quarantine WHERE seq IN (SELECT seq FROM quarantine ORDER BY seq LIMIT ?)", (ROWS_A_STEP,)
            ).rowcount

        dropped = self.db.in_steps(some)
        if dropped:
            with self.db.write() as c:
                c.execute("UPDATE unread SET kept=0, kept_first=0")
        return dropped

    # -- looking -------------------------------------------------------------------------------------------

    def since(self, since_ms: int, until_ms: int) -> dict[str, tuple[int, str]]:
        """Probe -> (number, newest reason) of messages that could not be read in a span of the last hour.

        Where several come within ten seconds, those of the ten seconds in which the span begins are all counted.
        """
        counts = self.db.rows(
            "SELECT probe, SUM(n) FROM unread_lately WHERE tens>=? AND tens<=? AND last_at>=? GROUP BY probe",
            since_ms // 10_000,
            until_ms // 10_000,
            since_ms,
        )
        if not counts:
            return {}
        reasons = {
            str(probe): str(why)
            for probe, why, _ in self.db.rows("SELECT probe, reason, MAX(last_at) FROM unread GROUP BY probe")
        }
        return {str(probe): (int(n), reasons.get(str(probe), "")) for probe, n in counts}

    def messages(self, limit: int = 100, probe: str | None = None) -> list[Quarantined]:
        """Those that are kept, newest first; of one probe or of all."""
        where, values = ("WHERE probe=?", (probe,)) if probe is not None else ("", ())
        return [
            Quarantined(int(received), str(topic), bytes(payload), str(why), str(of))
            for received, topic, payload, why, of in self.db.rows(
                f"SELECT received, topic, payload, reason, probe FROM quarantine {where} ORDER BY seq DESC LIMIT ?",  # noqa: S608
                *values,
                limit,
            )
        ]

    def sources(self) -> list[UnreadSource]:
        """Where messages came from that could not be read, the latest first."""
        return [
            UnreadSource(str(probe), str(topic), int(first), int(last), int(n), int(kept), str(why))
            for probe, topic, first, last, n, kept, why in self.db.rows(
                "SELECT probe, topic, first_at, last_at, n, kept, reason FROM unread "
                "ORDER BY last_at DESC, probe, topic"
            )
        ]


def _within_bounds(message: Quarantined) -> Quarantined:
    """Bounded in length, and with no letter in its texts that the database cannot hold."""
    return replace(
        message,
        topic=_plain(message.topic),
        payload=message.payload[:KEPT_BYTES],
        reason=_plain(message.reason)[:LONGEST_REASON],
    )


def _plain(text: str) -> str:
    return text.replace("\0", "\\0").encode("utf-8", "backslashreplace").decode()


def _size(q: Quarantined) -> int:
    """As ``_SIZE`` counts."""
    return len(q.payload) + len(q.reason) + 2 * len(q.topic) + 2 * len(q.probe) + 100
