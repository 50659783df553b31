"""How long each thing is kept, and what is forgotten once a day.

Readings are kept as long as the configuration says; the account of every egg, corrections and conditions for ever. All
other ages stand here. What is old is dropped in small steps, so that readings never wait long for a lock; what a day's
steps do not reach is left to the next day.
"""

from __future__ import annotations

import json
from sqlite3 import Connection
from typing import TYPE_CHECKING, Final

from monitor.adapters.store.database import ROWS_A_STEP, Database
from monitor.core.notices.conditions import Phase
from monitor.core.terms.times import DAY_MS
from monitor.values import dataclass

if TYPE_CHECKING:
    from monitor.adapters.store import Store

UNREAD_DAYS: Final = 400
"""Messages that could not be read: a season, and the same weeks of the next one to compare with."""
TOLD_DAYS: Final = 730
"""Notices with their ways and answers, and the history of conditions: two seasons, to see in the second what became
of the first. What is still true, unanswered while nobody knows that it is over, or on its way stays."""
KEY_DAYS: Final = 90
"""Keys of what a keeper told: no telephone keeps an entry so long before it sends it."""


@dataclass(frozen=True, slots=True)
class Forgotten:
    """How much was dropped. ``marks``: of packets so long ago that one like it is another message's, ``keys``: of
    entries."""

    hours: int
    unread: int
    notices: int
    history: int
    marks: int
    keys: int

    def __str__(self) -> str:
        return (
            f"{self.hours} hours of readings, {self.unread} messages that could not be read, {self.notices} notices, "
            f"{self.history} lines of history, {self.marks} marks of packets and {self.keys} keys of entries dropped"
        )


def forget(store: Store, now_ms: int, keep_days: int) -> Forgotten:
    """Drop what is older than it is kept. ``keep_days``: of readings."""
    told_before_ms = now_ms - TOLD_DAYS * DAY_MS
    store.clocks.drop_before(now_ms - keep_days * DAY_MS)
    return Forgotten(
        hours=store.folding.drop_before(now_ms - keep_days * DAY_MS),
        unread=store.unread.drop_before(now_ms - UNREAD_DAYS * DAY_MS),
        notices=_drop_notices(store.db, told_before_ms),
        history=_drop_history(store.db, told_before_ms),
        marks=store.journal.drop_marks(),
        keys=store.account.drop_keys(now_ms - KEY_DAYS * DAY_MS),
    )


def _drop_notices(db: Database, before_ms: int) -> int:
    """Notices that were told before a moment, with their ways and answers; returns how many.

    One stays while what it told of is still so; while it is unanswered and nobody knows whether that is over; while
    it is on its way; and as a digest while a row that it stands for is there.
    """
    last = dropped = 0

    def some(c: Connection) -> int:
        nonlocal last, dropped
        found = c.execute(
            "SELECT id, kind, subjects, change, answered FROM notice WHERE id>? AND at<? ORDER BY id LIMIT ?",
            (last, before_ms, ROWS_A_STEP),
        ).fetchall()
        if not found:
            return 0
        up = _up(c)
        held = {
            int(number)
            for (number,) in c.execute(
                "SELECT notice FROM outbox o WHERE notice>? AND notice<=? AND (state IN "
                "('waiting', 'leased', 'folded') OR EXISTS (SELECT 1 FROM outbox f WHERE f.folded=o.id))",
                (last, found[-1][0]),
            )
        }
        last = int(found[-1][0])
        gone = [
            (number,)
            for number, kind, subjects, change, answered in found
            if number not in held
            and not (
                change in ("raised", "still")
                and any(up.get((kind, subject), answered is None) for subject in json.loads(subjects))
            )
        ]
        for table, column in (("answer", "notice"), ("outbox", "notice"), ("notice", "id")):
            c.executemany(f"DELETE FROM {table} WHERE {column}=?", gone)  # noqa: S608 - only names
        dropped += len(gone)
        return len(found)

    db.in_steps(some)
    return dropped


def _drop_history(db: Database, before_ms: int) -> int:
    """What became of conditions before a moment, but for those that are still raised; returns how many lines."""
    last = dropped = 0

    def some(c: Connection) -> int:
        nonlocal last, dropped
        found = c.execute(
            "SELECT id, kind, subject FROM history WHERE id>? AND at<? ORDER BY id LIMIT ?",
            (last, before_ms, ROWS_A_STEP),
        ).fetchall()
        if not found:
            return 0
        last = int(found[-1][0])
        up = _up(c)
        gone = [(number,) for number, kind, subject in found if not up.get((kind, subject), False)]
        c.executemany("DELETE FROM history WHERE id=?", gone)
        dropped += len(gone)
        return len(found)

    db.in_steps(some)
    return dropped


def _up(c: Connection) -> dict[tuple[str, str], bool]:
    """(kind, subject) -> whether it is raised, of every condition there ever was."""
    return {
        (str(kind), str(subject)): json.loads(body)["phase"] in (Phase.RAISED, Phase.FALLING)
        for kind, subject, body in c.execute("SELECT kind, subject, body FROM condition")
    }
