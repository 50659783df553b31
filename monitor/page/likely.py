"""What is likely to be entered of a box now: by what lies in it, and how far that is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final
from urllib.parse import quote

from monitor.core.development.lots import LotNow
from monitor.core.notices.snapshot import BoxNow, Snapshot
from monitor.core.terms.events import EventKind
from monitor.core.terms.times import DAY_MS
from monitor.values import dataclass

SOON_MS: Final = 3 * DAY_MS
"""So long before its window a box is looked into for pips. Judgement, no source."""
CANDLED_UNTIL: Final = 0.75
"""Later than this share of development eggs are looked at rather than candled. Judgement, no source."""
MOST: Final = 3
MOST_PLACES: Final = 200


@dataclass(frozen=True)
class LikelyEntry:
    """A button. ``tells``: it tells the entry at once, else it leads to a question; ``waits``: how the entry is named
    while it waits on a telephone."""

    kind: EventKind
    href: str
    words: str
    tells: bool
    waits: str


def likely_entries(box: BoxNow, snapshot: Snapshot, say: Callable[..., str]) -> list[LikelyEntry]:
    """Two or three, the likeliest first."""
    lots = [x for x in snapshot.lots if x.lot.box == box.box.id and x.lot.open and x.lot.eggs > 0]
    return [_button(kind, box.box.id, say) for kind in _kinds(lots, snapshot.now_ms)[:MOST]]


def _kinds(lots: list[LotNow], now_ms: int) -> list[EventKind]:
    if not lots:
        return [EventKind.SET, EventKind.WEIGHED]
    inside = any(x.lot.inside for x in lots)
    waiting = any(x.lot.waiting for x in lots)
    if inside or any(_soon(x, now_ms) for x in lots):
        seen = [EventKind.HATCHED] if inside else []
        return [
            *([EventKind.LOOKED, EventKind.PIPPED] if waiting else []),
            *seen,
            EventKind.DEAD,
        ]
    early = any(x.past is not None and x.past.development < CANDLED_UNTIL for x in lots)
    return [EventKind.LOOKED, EventKind.CANDLED if early else EventKind.PIPPED, EventKind.WEIGHED]


def _soon(lot: LotNow, now_ms: int) -> bool:
    """Whether pips may be there, or nobody knows when they will be."""
    if lot.first_pip is None:
        return bool(lot.lot.waiting) and (lot.past is None or lot.past.development >= CANDLED_UNTIL)
    return now_ms >= lot.first_pip.window.p10_ms - SOON_MS


def _button(kind: EventKind, box: str, say: Callable[..., str]) -> LikelyEntry:
    did = say(f"entry.did_{kind.value}")
    return LikelyEntry(
        kind,
        f"/box/{quote(box, safe='')}/enter/{kind.value}",
        say(f"entry.likely_{kind.value}"),
        kind is EventKind.LOOKED,
        say("entry.waits_in", answer="", kind=did, where=box).strip(),
    )


def places_of(snapshot: Snapshot) -> str:
    """Which eggs lie in which box: what names them, with spaces between. Of these may be chosen when the room does not
    answer; nothing here is a value that grows old."""
    return " ".join([x.lot.id for x in snapshot.lots if x.lot.open and x.lot.eggs > 0][:MOST_PLACES])
