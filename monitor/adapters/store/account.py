"""The keeper's account: what was told of clutches and eggs, append-only.

T4: an event is checked against all earlier ones and written in one transaction.
"""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Callable, Mapping, Sequence
from sqlite3 import Connection
from typing import Final

from monitor.adapters.store.database import REPAIR, ROWS_A_STEP, Database
from monitor.core.terms.entries import Brought, FileRow, bring, check_name, check_told, settled
from monitor.core.terms.events import Clutch, EventKind, KeeperEvent
from monitor.core.terms.projection import project
from monitor.errors import EntryThere, StoreCorrupt, UsageError
from monitor.values import dataclass

_EVENT_FIELDS = tuple(f.name for f in dataclasses.fields(KeeperEvent) if f.name not in ("id", "kind"))


MOST_KEY: Final = 64


@dataclass(frozen=True, slots=True)
class Once:
    """A key that whoever tells something made for it, and ``said``, a digest of what they tell.

    Told again, it is the same thing: a button pressed twice, a page loaded anew, a telephone that never heard the
    answer. Raises UsageError for what is no key.
    """

    key: str
    said: str

    def __post_init__(self) -> None:
        if re.fullmatch(r"[\w.:-]+", self.key, re.ASCII) is None or len(self.key) > MOST_KEY:
            raise UsageError(
                f"{self.key[:20]!r} is no key of an entry", fix=f"use 1 to {MOST_KEY} letters, digits and . : - _"
            )


class KeepersAccount:
    """The keeper's events."""

    def __init__(self, db: Database) -> None:
        self.db = db

    def events(self) -> list[KeeperEvent]:
        """All events ever told, in the order of telling. Raises StoreCorrupt, which names the first that is none."""
        found: list[KeeperEvent] = []
        for number, kind, body in self.db.rows("SELECT id, kind, body FROM event ORDER BY id"):
            try:
                found.append(KeeperEvent(id=int(number), kind=EventKind(kind), **json.loads(body)))
            except (TypeError, ValueError) as error:
                raise StoreCorrupt(
                    f"entry {number} is damaged ({error})",
                    where=str(self.db.path),
                    fix=REPAIR,
                ) from error
        return found

    def clutches(self, until_ms: int | None = None) -> dict[str, Clutch]:
        return project(self.events(), until_ms)

    def tell(
        self,
        event: KeeperEvent,
        check: Callable[[Mapping[str, Clutch]], None] | None = None,
        *,
        once: Once | None = None,
    ) -> KeeperEvent:
        """Add an event if it can have happened; returns it with its number, and with what it left out where there is
        but one possibility.

        Raises EventRefused or UnknownSubject, and then nothing is written; EntryUndecided where it could mean more than
        one thing. ``check`` may object to the clutches as they would be. ``once``: what was told with that key before
        is given back as it was told, and nothing is added.
        """
        return self.tell_all([event], check, once=once)[0]

    def tell_all(
        self,
        events: Sequence[KeeperEvent],
        check: Callable[[Mapping[str, Clutch]], None] | None = None,
        *,
        once: Once | None = None,
    ) -> list[KeeperEvent]:
        """The same for several that are told at once: all of them are added, or none."""
        with self.db.write() as c:
            if once is not None and (told := self.told_with(once)):
                return told
            before = self.events()
            number = int(
                c.execute("SELECT COALESCE(MAX(seq), 0) FROM sqlite_sequence WHERE name='event'").fetchone()[0]
            )
            new: list[KeeperEvent] = []
            for event in events:
                new.append(_checked(event, [*before, *new], number + len(new) + 1, check))
            c.executemany(_INSERT, [_row(event) for event in new])
            if once is not None and new:
                span = new[0].id, new[-1].id, new[0].recorded_ms
                c.execute("INSERT INTO entry_key VALUES (?,?,?,?,?)", (once.key, once.said, *span))
        return new

    def told_with(self, once: Once) -> list[KeeperEvent]:
        """What was told with a key; none where it is new. Raises EntryThere where that was something else."""
        found = self.db.rows("SELECT said, first, last FROM entry_key WHERE key=?", once.key)
        if not found:
            return []
        said, first, last = found[0]
        if said != once.said:
            raise EntryThere(
                f"this was saved already, as entry {first}, and is something else now",
                fix=f"to change what was saved, correct entry {first}; to tell a further thing, begin a new entry",
                entry=first,
            )
        return [event for event in self.events() if first <= event.id <= last]

    def drop_keys(self, before_ms: int) -> int:
        """Forget the keys of what was told before a moment; returns how many."""

        def some(c: Connection) -> int:
            return c.execute(
                "DELETE FROM entry_key WHERE key IN (SELECT key FROM entry_key WHERE recorded<? LIMIT ?)",
                (before_ms, ROWS_A_STEP),
            ).rowcount

        return self.db.in_steps(some)

    def bring(self, rows: Sequence[FileRow], wanted: Callable[[Brought], bool] = lambda _: True) -> Brought:
        """Add the entries of a file that can be taken, in one transaction, where what came of looking at them is
        ``wanted``; else none.

        Many rows take long, so that they are looked at before the transaction, in which everybody else waits; and once
        more within it where something was told meanwhile.
        """
        events = self.events()
        brought = bring(rows, events)
        if wanted(brought):
            with self.db.write() as c:
                # Nothing in an account is ever changed or taken away.
                if c.execute("SELECT count(*) FROM event").fetchone()[0] != len(events):
                    brought = bring(rows, self.events())
                if wanted(brought):
                    c.executemany(_INSERT, [_row(event) for event in brought.new])
        return brought


def _checked(
    event: KeeperEvent,
    before: Sequence[KeeperEvent],
    number: int,
    check: Callable[[Mapping[str, Clutch]], None] | None,
) -> KeeperEvent:
    """An event with its number and with what it left out, if it can have happened after all ``before`` it."""
    if event.kind is EventKind.LAID:
        check_name(event.clutch)
    if not event.withdrawn:
        event = settled(event, before)
    numbered = dataclasses.replace(event, id=number)
    after = project([*before, numbered])
    if not event.withdrawn:
        check_told(event, after)
    if check is not None:
        check(after)
    return numbered


_INSERT = "INSERT INTO event(id, kind, clutch, at, recorded, body) VALUES (?,?,?,?,?,?)"


def _row(event: KeeperEvent) -> tuple[object, ...]:
    body = json.dumps({n: getattr(event, n) for n in _EVENT_FIELDS})
    return event.id, event.kind.value, event.clutch, event.at_ms, event.recorded_ms, body
