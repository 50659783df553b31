"""What needs a hand now, a line for each: what stands above whatever a command shows of the room."""

from __future__ import annotations

from monitor.cli.output import labelled
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.hand import LOOKED_BACK, Needed, needed


def needs_a_hand(room: RoomAtHand, now_ms: int) -> list[str]:
    """A line for each kind of condition that is true, with the notice by which to answer it; first of all whether
    anybody watches."""
    found = needed(room.store.ledger.conditions().values(), room.store.ledger.notices(LOOKED_BACK))
    lines = []
    if not room.store.watched:
        then = ", and what follows is as it was when it ended" if found else ""
        lines.append(labelled("now", f"nobody watches: the service is not running{then}", 5))
    elif not found:
        lines.append("nothing needs a hand")
    return lines + [labelled(x.urgency, f"{x.what(room.zone, now_ms)} ({_state(x)})", 5) for x in found]


def _state(x: Needed) -> str:
    if x.state == "answered":
        return "answered"
    if x.state == "back":
        return "back, over when it stays so"
    return f"answer with: warmtally answer {x.notice.id}" if x.notice is not None else "not told yet"
