"""An entry in words: what it says, field by field, in the language of the page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from monitor.core.terms.events import COUNTED, LOST, EventKind, KeeperEvent
from monitor.core.terms.formats import show_time
from monitor.page.pages import Pages
from monitor.page.texts import USUAL
from monitor.telling.entering import sentence

_K = EventKind
FIELDS_OF: Final[Mapping[EventKind, tuple[str, ...]]] = {
    _K.LAID: ("at", "eggs", "species", "slugs", "gone", "developed", "dam", "sire", "line", "note"),
    _K.SET: ("at", "eggs", "box", "note"),
    _K.MOVED: ("at", "eggs", "box", "to", "note"),
    _K.SPLIT: ("at", "eggs", "box", "to", "note"),
    _K.LOOKED: ("at", "box", "note"),
    _K.CANDLED: ("at", *COUNTED, "box", "note"),
    _K.PIPPED: ("at", "eggs", "not_yet_at", "box", "note"),
    _K.HATCHED: ("at", "eggs", "not_yet_at", "box", "note"),
    _K.DEAD: ("at", "eggs", "how", "box", "note"),
    _K.REMOVED: ("at", "eggs", "box", "note"),
    _K.WEIGHED: ("at", "grams", "box", "note"),
    _K.WATERED: ("at", "grams", "box", "note"),
    _K.SHED: ("at", "eggs", "note"),
    _K.FED: ("at", "eggs", "note"),
    _K.NOTE: ("at", "note"),
    _K.FINISHED: ("at", "note"),
}
"""What of each kind can be put right."""


def entry_said(pages: Pages, event: KeeperEvent, *, dated: bool = True) -> str:
    """An entry as a sentence; not ``dated``: without its clutch and its time, which stand beside it."""
    if pages.language == USUAL:
        return sentence(event, pages.room.zone, dated=dated)
    parts = [" ".join(x for x in (event.clutch if dated else "", pages.say(f"entry.did_{event.kind.value}")) if x)]
    parts += [pages.days(value_of(pages, event, "at"))] if dated else []
    named = [(x, value_of(pages, event, x)) for x in FIELDS_OF.get(event.kind, ()) if x != "at"]
    parts += [f"{pages.say(f'correct.{x}')} {value}" for x, value in named if value]
    # What somebody typed may hold signs that are none to be read.
    return "".join(sign if sign.isprintable() else " " for sign in ", ".join(parts))


def value_of(pages: Pages, event: KeeperEvent, name: str) -> str:
    """How a field of an entry stands, in words; empty where it says nothing."""
    if name == "at":
        at = show_time(event.at_ms, pages.room.zone)
        return at[:10] if event.day_only else at
    if name == "not_yet_at":
        return "" if event.not_yet_at_ms is None else show_time(event.not_yet_at_ms, pages.room.zone)
    if name == "developed":
        return f"{100 * event.developed:.0f} %" if event.developed else ""
    if name == "how":
        return pages.say(f"entry.how_{event.how.replace('-', '_')}") if event.how in LOST else event.how
    if name == "grams":
        return "" if event.grams is None else f"{event.grams:g}"
    value = getattr(event, {"to": "to_box", "note": "text"}.get(name, name))
    return "" if value is None or (name in ("slugs", "gone") and not value) else str(value)
