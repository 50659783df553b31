"""What is to come as an iCalendar (RFC 5545), which any calendar program reads: a file, and what the page serves.

A window is an event of whole days that moves; what is to be done is a to-do. Each keeps its UID. ``DTSTAMP``,
``LAST-MODIFIED`` and ``SEQUENCE`` change with what is said and never with the clock: they are carried on from the feed
as it was before, so that the same state gives the same bytes. Days are those of the room's zone and have none of their
own (``VALUE=DATE``); moments are in UTC.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from icalendar import Calendar, Component, Event, Todo

from monitor.core.notices.tasks import Days, Task

LONGEST_BEFORE: Final = 4_000_000
"""A feed of before that is longer is none of ours, and not read."""
_STAMPS: Final = ("DTSTAMP", "LAST-MODIFIED", "SEQUENCE")


def feed(tasks: Iterable[Task], spans: Iterable[Days], now_ms: int, *, room: str, before: bytes = b"") -> bytes:
    """The whole calendar. ``before``: as it was made the last time, from which stamps and numbers are carried on; what
    cannot be read of it counts as nothing."""
    known = _known(before)
    now = datetime.fromtimestamp(now_ms // 1000, UTC)
    calendar = Calendar()
    calendar.add("prodid", "-//Warmtally//What is to come in the egg room//EN")
    calendar.add("version", "2.0")
    # RFC 7986: its name, and how often it is worth asking for.
    calendar.add("name", _plain(room))
    calendar.add("refresh-interval", timedelta(hours=1), parameters={"VALUE": "DURATION"})
    made = [*(_event(span, room) for span in spans), *(_todo(task, room) for task in tasks)]
    for part in sorted(made, key=lambda c: str(c["UID"])):
        _stamp(part, known.get(str(part["UID"])), now)
        calendar.add_component(part)
    return bytes(calendar.to_ical())


def _event(span: Days, room: str) -> Event:
    event = Event()
    _name(event, span.id, span.says, span.more, room)
    event.add("dtstart", span.first)
    # The end of whole days is the day after (RFC 5545, 3.6.1).
    event.add("dtend", span.last + timedelta(1))
    # Nobody is busy while eggs may pip.
    event.add("transp", "TRANSPARENT")
    return event


def _todo(task: Task, room: str) -> Todo:
    todo = Todo()
    _name(todo, task.id, task.says, task.more, room)
    if task.begins < task.due:
        todo.add("dtstart", task.begins)
    todo.add("due", task.due)
    if task.done_ms is None:
        todo.add("status", "NEEDS-ACTION")
    else:
        todo.add("status", "COMPLETED")
        todo.add("completed", datetime.fromtimestamp(task.done_ms // 1000, UTC))
        todo.add("percent-complete", 100)
    return todo


def _name(part: Component, name: str, says: str, more: str, room: str) -> None:
    # Of two rooms in one program each has its own.
    mark = hashlib.blake2b(room.encode("utf-8", "replace"), digest_size=5).hexdigest()
    part.add("uid", _plain(f"{name}@{mark}.warmtally"))
    part.add("summary", _plain(says[:1].upper() + says[1:]))
    if more:
        part.add("description", _plain(more))


def _plain(text: str) -> str:
    """In one line: a control character may not stand in a calendar (RFC 5545, 3.1)."""
    return "".join(sign if sign.isprintable() else " " for sign in text)


def _stamp(part: Component, old: Component | None, now: datetime) -> None:
    stamps: Mapping[str, object] = {"DTSTAMP": now, "LAST-MODIFIED": now, "SEQUENCE": 0}
    if old is not None:
        with contextlib.suppress(KeyError, ValueError, TypeError, AttributeError):
            number = int(old.decoded("SEQUENCE"))
            if _said(old) == _said(part):
                stamps = {name: old.decoded(name) for name in _STAMPS}
            else:
                stamps = {**stamps, "SEQUENCE": min(max(number, 0) + 1, 2**31 - 1)}
    for name in _STAMPS:
        part.add(name.lower(), stamps[name])


def _said(part: Component) -> bytes:
    """What it says, without when that was said."""
    bare = part.copy()
    for name in _STAMPS:
        bare.pop(name, None)
    return bytes(bare.to_ical())


def _known(before: bytes) -> dict[str, Component]:
    if not before or len(before) > LONGEST_BEFORE:
        return {}
    try:
        calendar = Calendar.from_ical(before)
        return {
            str(part["UID"]): part for part in calendar.walk() if part.name in ("VEVENT", "VTODO") and "UID" in part
        }
    except Exception:  # noqa: BLE001 - a file may hold anything, and whatever a parser says of it, it is no feed
        return {}


def read_feed(path: Path) -> bytes:
    """A feed of before; nothing where there is none, or none that can be read."""
    try:
        with path.open("rb") as file:
            return file.read(LONGEST_BEFORE + 1)
    except OSError:
        return b""
