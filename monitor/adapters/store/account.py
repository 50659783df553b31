"""The keeper's account: what was told of clutches and eggs, append-only.

T4: an event is checked against all earlier ones and written in one transaction.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Mapping, Sequence

from monitor.adapters.store.database import Database
from monitor.core.terms.entries import Brought, FileRow, bring, check_name, check_told, settled
from monitor.core.terms.events import Clutch, EventKind, KeeperEvent
from monitor.core.terms.projection import project

_EVENT_FIELDS = tuple(f.name for f in dataclasses.fields(KeeperEvent) if f.name not in ("id", "kind"))


class KeepersAccount:
    """The keeper's events."""

    def __init__(self, db: Database) -> None:
        self.db = db

    def events(self) -> list[KeeperEvent]:
        """All events ever told, in the order of telling."""
        return [
            KeeperEvent(id=int(i), kind=EventKind(kind), **json.loads(body))
            for i, kind, body in self.db.rows("SELECT id, kind, body FROM event ORDER BY id")
        ]

    def clutches(self, until_ms: int | None = None) -> dict[str, Clutch]:
        return project(self.events(), until_ms)

    def tell(self, event: KeeperEvent, check: Callable[[Mapping[str, Clutch]], None] | None = None) -> KeeperEvent:
        """Add an event if it can have happened; returns it with its number, and with what it left out where there is
        but one possibility.

        Raises EventRefused or UnknownSubject, and then nothing is written; EntryUndecided where it could mean more than
        one thing. ``check`` may object to the clutches as they would be.
        """
        if event.kind is EventKind.LAID:
            check_name(event.clutch)
        with self.db.write() as c:
            before = self.events()
            if not event.withdrawn:
                event = settled(event, before)
            number = int(
                c.execute("SELECT COALESCE(MAX(seq), 0) FROM sqlite_sequence WHERE name='event'").fetchone()[0]
            )
            numbered = dataclasses.replace(event, id=number + 1)
            after = project([*before, numbered])
            if not event.withdrawn:
                check_told(event, after)
            if check is not None:
                check(after)
            c.execute(_INSERT, _row(numbered))
        return numbered

    def bring(self, rows: Sequence[FileRow], *, dry_run: bool) -> Brought:
        """Add the entries of a file: all that can be taken, in one transaction; with ``dry_run`` none."""
        with self.db.write() as c:
            brought = bring(rows, self.events())
            if not dry_run:
                c.executemany(_INSERT, [_row(event) for event in brought.new])
        return brought


_INSERT = "INSERT INTO event(id, kind, clutch, at, recorded, body) VALUES (?,?,?,?,?,?)"


def _row(event: KeeperEvent) -> tuple[object, ...]:
    body = json.dumps({n: getattr(event, n) for n in _EVENT_FIELDS})
    return event.id, event.kind.value, event.clutch, event.at_ms, event.recorded_ms, body
