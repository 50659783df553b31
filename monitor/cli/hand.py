"""What needs a hand now, most urgent first: what stands above whatever a command shows of the room."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from monitor.cli.output import labelled
from monitor.core.notices.conditions import Condition
from monitor.core.notices.notice import Notice
from monitor.core.terms.formats import name_eggs, show_time
from monitor.core.terms.settings import URGENCIES
from monitor.telling.at_hand import RoomAtHand

# So many are named of what is true of many; the others are counted.
MOST_NAMED = 6


def needs_a_hand(room: RoomAtHand, now_ms: int) -> list[str]:
    """A line for each kind of condition that is true, with the notice by which to answer it; first of all whether
    anybody watches."""
    up = [c for c in room.store.ledger.conditions().values() if c.up]
    lines = []
    if not room.store.watched:
        then = ", and what follows is as it was when it ended" if up else ""
        lines.append(labelled("now", f"nobody watches: the service is not running{then}", 5))
    elif not up:
        lines.append("nothing needs a hand")
    notices = room.store.ledger.notices(200)
    by_kind: dict[str, list[Condition]] = {}
    for c in sorted(up, key=lambda c: c.since_ms or 0):
        by_kind.setdefault(c.kind, []).append(c)
    told = [(_urgency(kind, found, notices), kind, found) for kind, found in by_kind.items()]
    # What is unanswered goes before what somebody sees to, and the room before a box.
    told.sort(key=lambda x: (all(c.answered for c in x[2]), URGENCIES.index(x[0])))
    lines += [labelled(urgency, _line(kind, found, notices, room, now_ms), 5) for urgency, kind, found in told]
    return lines


def _of(kind: str, subjects: Iterable[str], notices: Sequence[Notice]) -> list[Notice]:
    """The notices that told of it, the newest first."""
    wanted = set(subjects)
    return [n for n in notices if n.kind == kind and n.change in ("raised", "still") and wanted & set(n.subjects)]


def _urgency(kind: str, found: Sequence[Condition], notices: Sequence[Notice]) -> str:
    told = _of(kind, [c.subject for c in found], notices)
    return min((n.urgency for n in told[:1]), key=URGENCIES.index, default="later")


def _line(kind: str, found: Sequence[Condition], notices: Sequence[Notice], room: RoomAtHand, now_ms: int) -> str:
    named = [name_eggs(c.subject) for c in found[:MOST_NAMED]]
    more = f" and {len(found) - len(named)} more" if len(found) > len(named) else ""
    since_ms = min((c.since_ms for c in found if c.since_ms is not None), default=None)
    since = "" if since_ms is None else f", since {show_time(since_ms, room.zone, now_ms)}"
    open_ones = [c.subject for c in found if not c.answered]
    told = _of(kind, open_ones, notices)
    if not open_ones:
        state = "answered"
    elif all(c.back_ms is not None for c in found):
        state = "back, over when it stays so"
    else:
        state = f"answer with: warmtally answer {told[0].id}" if told else "not told yet"
    return f"{kind.replace('-', ' ')}: {', '.join(named)}{more}{since} ({state})"
