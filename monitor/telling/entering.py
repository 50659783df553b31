"""What a keeper enters, from a command or from a page: words to an entry, an entry to words, and what it changed."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from datetime import tzinfo
from typing import TYPE_CHECKING, Any, Final

from monitor.core.terms.events import COUNTED, LOST, OF_BOXES, Clutch, EventKind, KeeperEvent, Lot
from monitor.core.terms.formats import show_date, show_eggs, show_time
from monitor.core.terms.projection import MOST_DEVELOPED, effective
from monitor.errors import EventRefused, UnknownSubject, UsageError
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.times_told import time_told
from monitor.values import dataclass

if TYPE_CHECKING:
    from monitor.core.development.lots import LotNow

AHEAD_MS: Final = 300_000
"""A moment so little ahead of now is a clock that is a little off, not a mistake."""
MOVES_WINDOWS: Final = (EventKind.PIPPED, EventKind.HATCHED, EventKind.LOOKED, EventKind.CANDLED)
"""After these it is told how the windows of the clutch moved."""
_AS_TOLD: Final = ("eggs", "slugs", "gone", "dam", "sire", "line", "how", "not_set", "grams", *COUNTED)


# -- from words to an entry --------------------------------------------------------------------------------------------


def entry_of(kind: EventKind, told: Mapping[str, Any], room: RoomAtHand, now_ms: int) -> KeeperEvent:
    """The entry that is told, by the names of KeeperEvent, but for ``at`` and ``not_yet_at`` (words for a time),
    ``developed`` (words for a share), ``to`` and ``note``. ``species``: the id of a profile.

    Raises EventRefused for what lies in the future, UnknownSubject for a box that is not there, and UsageError.
    """
    at, day_only = past_time(told.get("at", "now"), room.zone, now_ms)
    box, to_box, not_yet = told.get("box") or "", told.get("to") or "", told.get("not_yet_at")
    _check_boxes(room, box, to_box, kind)
    if kind is EventKind.NOTE and not told.get("note"):
        raise UsageError("a note without words", fix='give --note "..."')
    return KeeperEvent(
        kind=kind,
        clutch=told.get("clutch") or "",
        at_ms=at,
        recorded_ms=now_ms,
        box=box,
        to_box=to_box,
        not_yet_at_ms=past_time(not_yet, room.zone, now_ms)[0] if not_yet else None,
        day_only=day_only,
        species=told.get("species") or "",
        text=told.get("note") or "",
        developed=share_of(told.get("developed", "0")),
        by=told.get("by") or "",
        **{name: told[name] for name in _AS_TOLD if name in told},
    )


def correction_of(
    number: int, told: Mapping[str, Any], room: RoomAtHand, now_ms: int, *, withdraw: bool = False
) -> KeeperEvent:
    """What puts an entry right: what is told is put in its place, what is None or left out stays as it was.

    ``told`` as for :func:`entry_of`. Raises UnknownSubject where no such entry stands, UsageError where nothing
    changes.
    """
    old = standing(number, room)
    changes: dict[str, Any] = {name: told[name] for name in _AS_TOLD if told.get(name) is not None}
    texts = {"box": told.get("box"), "to_box": told.get("to"), "text": told.get("note"), "species": told.get("species")}
    changes |= {name: value for name, value in texts.items() if value is not None}
    if told.get("at") is not None:
        changes["at_ms"], changes["day_only"] = past_time(told["at"], room.zone, now_ms)
    if told.get("not_yet_at") is not None:
        changes["not_yet_at_ms"] = past_time(told["not_yet_at"], room.zone, now_ms)[0]
    if told.get("developed") is not None:
        changes["developed"] = share_of(told["developed"])
    if not changes and not withdraw:
        raise UsageError("nothing to correct", fix="give what was wrong (--at, --eggs, --box ...) or --withdraw")
    _check_boxes(room, told.get("box") or "", told.get("to") or "", old.kind)
    by = told.get("by") or ""
    return dataclasses.replace(
        old, **{**changes, "id": 0, "recorded_ms": now_ms, "corrects": number, "withdrawn": withdraw, "by": by}
    )


def standing(number: int, room: RoomAtHand) -> KeeperEvent:
    """An entry as it stands after corrections. Raises UnknownSubject."""
    found = {e.id: e for e in effective(room.store.account.events())}.get(number)
    if found is None:
        raise UnknownSubject(f"no standing entry {number}", fix="see the numbers: warmtally clutch show CLUTCH")
    return found


def looked_at(event: KeeperEvent, clutches: Mapping[str, Clutch]) -> list[KeeperEvent]:
    """One look at each box in which eggs are waited for; of one box where the entry names it."""
    lots = [lot for clutch in clutches.values() for lot in clutch.lots if waited_for(lot)]
    return [
        dataclasses.replace(event, clutch=lot.clutch, box=lot.id) for lot in lots if event.box in ("", lot.box, lot.id)
    ]


def waited_for(lot: Lot) -> bool:
    """Whether eggs lie in it that may still pip."""
    return lot.open and lot.waiting > 0


def past_time(text: str, zone: tzinfo, now_ms: int) -> tuple[int, bool]:
    """When something was (ms UTC), and whether only a day was given. Raises EventRefused for what is still to come."""
    at, day_only = time_told(text, zone, now_ms)
    today = day_only and show_time(at, zone)[:10] == show_time(now_ms, zone)[:10]
    if at > now_ms + AHEAD_MS and not today:
        raise EventRefused(
            f"{text} lies in the future", fix='an entry tells what has happened; write the day too: "yesterday 22:30"'
        )
    return at, day_only


def share_of(text: str) -> float:
    """How far eggs were when laid: "0.2" or "20%". Raises UsageError for anything else."""
    told = text.strip()
    try:
        share = float(told[:-1]) / 100.0 if told.endswith("%") else float(told)
    except ValueError:
        share = -1.0
    if not 0.0 <= share <= MOST_DEVELOPED:
        raise UsageError(
            f"{text!r} is not a share of development from 0 to {MOST_DEVELOPED:g}",
            fix="write --developed 0.2 or --developed 20%; leave it out when nothing is known",
        )
    return share


def species_of(name: str, own_dir: str | None) -> tuple[str, str]:
    """The id of a profile that can be read, and how the name was taken, in words. Raises UnknownSubject."""
    from monitor.config.library import load_profile, named

    found, said = named(name, own_dir)
    load_profile(found, own_dir)
    return found, said


def _check_boxes(room: RoomAtHand, box: str, to_box: str, kind: EventKind) -> None:
    """Eggs are put into boxes; what happened to them may be told by the lot as well."""
    known = [b.id for b in room.settings.room.boxes]
    by_lot = "" if kind in (EventKind.SET, *OF_BOXES) else box.rpartition("/")[2].partition("#")[0]
    for told, plain in ((box, by_lot or box), (to_box, to_box)):
        if plain and plain not in known:
            raise UnknownSubject(
                f"no box {told!r} in the configuration", where=room.settings.file, fix=f"boxes: {', '.join(known)}"
            )


# -- from an entry to words --------------------------------------------------------------------------------------------


def sentence(event: KeeperEvent, zone: tzinfo, *, dated: bool = True) -> str:
    """An entry in words; not ``dated``: without its clutch and its time, which stand beside it."""
    at = show_time(event.at_ms, zone)
    parts = [f"{event.clutch} {event.kind.value}".strip(), at[:10] if event.day_only else at]
    if not dated:
        parts = [event.kind.value]
    if event.eggs is not None:
        hatchlings = event.kind in (EventKind.SHED, EventKind.FED)
        parts.append(f"{event.eggs} for the first time" if hatchlings else show_eggs(event.eggs))
    parts += [f"{count} {what}" for what, count in event.counts]
    told = (
        (event.slugs, f"{event.slugs} slugs beside them"),
        (event.gone, f"{event.gone} gone already"),
        (event.how, LOST.get(event.how, event.how)),
        (event.box, f"box {event.box}"),
        (event.not_set, "not set yet"),
        (event.to_box, f"to box {event.to_box}"),
        (event.grams is not None, f"{event.grams or 0.0:g} g"),
        (event.not_yet_at_ms is not None, f"not yet at {show_time(event.not_yet_at_ms or 0, zone)}"),
        (event.species, event.species),
        (event.dam, f"dam {event.dam}"),
        (event.sire, f"sire {event.sire}"),
        (event.line, f"line {event.line}"),
        (event.developed, f"{100 * event.developed:.0f} % developed"),
        (event.text, f'"{event.text}"'),
        (event.by, f"by {event.by}"),
    )
    said = ", ".join([*parts, *(words for there, words in told if there)])
    # An account that came from elsewhere may hold signs that would move the cursor.
    return "".join(sign if sign.isprintable() else " " for sign in said)


# -- what it changed ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class EggsMoved:
    """Eggs of a clutch after something was told: from which day to which their first pip is expected now, and was
    before; both empty where there is no date, and ``was`` where it is the same. ``undated``: why they get none though
    others of theirs pipped."""

    lot: Lot
    days: str
    was: str
    undated: str


@dataclass(frozen=True)
class WindowsMoved:
    """``bites``: hatchlings of a venomous species may be met."""

    eggs: tuple[EggsMoved, ...]
    bites: bool


def windows_moved(before: Clutch, room: RoomAtHand, now_ms: int) -> WindowsMoved:
    """What became of the windows of a clutch; ``before``: as it was, or would be, without what was told."""
    lots = room.derived.histories
    # Both rest on the same readings, which are read once; and no window is worked out that is not shown.
    with room.derived.hours.sweep():
        found = lots.once(now_ms, before.id, lambda lot: not lot.pipped and lot.waiting > 0)
        dated = {now.lot.id for now in found if now.first_pip is not None}
        had = lots.once(now_ms, before, lambda lot: lot.id in dated) if dated else []
    was = {x.lot.id: _days(x, room.zone) for x in had}
    return WindowsMoved(
        tuple(
            EggsMoved(
                now.lot,
                days := _days(now, room.zone),
                "" if was.get(now.lot.id, "") == days else was.get(now.lot.id, ""),
                now.refused if now.lot.pips and now.refused != now.still_open else "",
            )
            for now in found
        ),
        any(now.venomous and now.lot.pips for now in found),
    )


def _days(lot: LotNow, zone: tzinfo) -> str:
    if lot.first_pip is None:
        return ""
    window = lot.first_pip.window
    return f"{show_date(window.p10_ms, zone)} to {show_date(window.p90_ms, zone)}"


def bites() -> str:
    """What is said where hatchlings of a venomous species may be met."""
    from monitor.core.development.species import VENOMOUS, VENOMOUS_CARE

    return f"venomous: {' '.join((VENOMOUS, *VENOMOUS_CARE))}"
