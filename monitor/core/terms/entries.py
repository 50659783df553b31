"""What is asked of an entry when it is told: that it is whole, and means one thing.

:func:`~monitor.core.terms.projection.project` asks of all entries that they can have happened. What is asked here is
asked once, so that an account that was kept before one of these rules is still read. Nothing is guessed: a number or a
box that is not said is taken where there is but one, and else asked for (``EntryUndecided``).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import field, replace
from typing import Final

from monitor.core.terms.events import COUNTED, LOST, OF_BOXES, Clutch, EventKind, KeeperEvent, Lot
from monitor.core.terms.formats import show_eggs
from monitor.core.terms.projection import effective, project
from monitor.core.terms.times import DAY_MS
from monitor.errors import EntryThere, EntryUndecided, EventRefused, MonitorError
from monitor.values import dataclass

# Of one clutch, so that a slip of the fingers is told. Sea turtles lay 200; from memory.
MOST_EGGS: Final = 1000
# Later than this after laying nobody sets eggs, and later than that nothing is told of a clutch: then a year was
# mistyped. The longest incubation is that of tuatara, 12 to 16 months (from memory). Judgement, no source.
LATEST_SET_DAYS: Final = 120
LATEST_DAYS: Final = 1100
# What a box with eggs and substrate can weigh, in grams. Judgement, no source.
MOST_GRAMS: Final = 100_000.0
MOST_TEXT: Final = 2000
# Entries of which a part of the eggs may be meant.
_OF_SOME: Final = (EventKind.REMOVED, EventKind.DEAD, EventKind.HATCHED, EventKind.PIPPED)
# What belongs to some entries only.
_ONLY_OF: Final[Mapping[str, tuple[EventKind, ...]]] = {
    **dict.fromkeys(("species", "slugs", "gone", "dam", "sire", "line"), (EventKind.LAID,)),
    **dict.fromkeys(COUNTED, (EventKind.CANDLED,)),
    "how": (EventKind.DEAD,),
    "grams": OF_BOXES,
    "to_box": (EventKind.MOVED, EventKind.SPLIT),
    "not_yet_at_ms": (EventKind.PIPPED, EventKind.HATCHED),
}
_OF_HATCHLINGS: Final = (EventKind.SHED, EventKind.FED)


@dataclass(frozen=True, slots=True)
class FileRow:
    """An entry of a file: its line, the number by which others of the file name it, and whether it was taken before
    (then it is as it was told, and asked for nothing more than that it can have happened)."""

    row: int
    event: KeeperEvent
    entry: int | None = None
    taken_before: bool = False

    def named(self, species: str) -> FileRow:
        return replace(self, event=replace(self.event, species=species))


@dataclass()
class Brought:
    """What came of bringing rows in: the entries to be written, how many were there already, and what is refused."""

    new: list[KeeperEvent] = field(default_factory=list)
    there: int = 0
    refused: list[tuple[int, MonitorError]] = field(default_factory=list)

    @property
    def taken(self) -> int:
        return len(self.new)


def bring(rows: Iterable[FileRow], events: Iterable[KeeperEvent]) -> Brought:
    """What of a file's rows can be added to an account of ``events``; each is checked with all before it.

    Clutches are independent of each other, so each is looked at by itself: the work grows with the largest clutch and
    not with the account.
    """
    brought = Brought()
    books: dict[str, list[KeeperEvent]] = {}
    number = 0
    for event in events:
        books.setdefault(event.clutch, []).append(event)
        number = max(number, event.id)
    numbers: dict[int, int] = {}
    for row in rows:
        book = books.setdefault(row.event.clutch, [])
        try:
            event = _renumbered(row.event, numbers)
            known = next((e for e in book if _alike(e, event)), None)
            if known is None:
                event = _taken(row, event, book, number + 1)
                book.append(event)
                brought.new.append(event)
                number, known = event.id, event
            else:
                brought.there += 1
        except EntryThere as there:
            brought.there += 1
            known = replace(row.event, id=there.entry)
        except MonitorError as error:
            brought.refused.append((row.row, error))
            continue
        if row.entry is not None:
            numbers[row.entry] = known.id
    return brought


def _renumbered(event: KeeperEvent, numbers: Mapping[int, int]) -> KeeperEvent:
    if event.corrects is None:
        return event
    if event.corrects not in numbers:
        raise EventRefused(f"there is no entry {event.corrects} before it to correct", fix="check the column corrects")
    return replace(event, corrects=numbers[event.corrects])


def _alike(known: KeeperEvent, event: KeeperEvent) -> bool:
    """Whether an entry that was told is the one of a file, whatever came of it since."""
    told = ("recorded_ms", "id")
    return all(getattr(known, name) == getattr(event, name) for name in KeeperEvent.__slots__ if name not in told)


def _taken(row: FileRow, event: KeeperEvent, book: list[KeeperEvent], number: int) -> KeeperEvent:
    """An entry of a file with its number. Raises what ``project``, ``settled`` and ``check_told`` raise."""
    if not row.taken_before:
        if event.kind is EventKind.LAID:
            check_name(event.clutch)
        if not event.withdrawn:
            event = settled(event, book)
    event = replace(event, id=number)
    after = project([*book, event])
    if not (row.taken_before or event.withdrawn):
        check_told(event, after)
    return event


def check_name(clutch: str) -> None:
    """A clutch is asked for by its name, and its lots as NAME/BOX. Raises EventRefused for one that cannot be."""
    if not re.fullmatch(r"\w(?:[\w.-]{0,63})", clutch):
        raise EventRefused(
            f"{clutch!r} cannot be the name of a clutch",
            fix="use up to 64 letters, digits, dots, hyphens and underscores, a letter or digit first, no blanks",
        )


def settled(event: KeeperEvent, events: Iterable[KeeperEvent]) -> KeeperEvent:
    """The entry with the box and the number that it leaves out, where there is but one.

    ``events``: all that were told before. Raises EntryUndecided where there are several, EventRefused where the same
    stands there already. What cannot have happened is left to ``project``.
    """
    others = [e for e in effective(events) if e.id != _root(event, events)]
    if event.kind not in (EventKind.LAID, EventKind.NOTE, EventKind.FINISHED, *OF_BOXES):
        clutch = project(others, event.at_ms).get(event.clutch)
        if clutch is not None:
            event = _counted(_placed(event, clutch), clutch)
    for other in others:
        if _same(event, other):
            raise EntryThere(
                f"entry {other.id} says the same already",
                fix=f"if it happened twice, give another --at; to change it: warmtally record correct {other.id}",
                entry=other.id,
            )
    return event


def _root(event: KeeperEvent, events: Iterable[KeeperEvent]) -> int | None:
    """The entry that a correction is about, through the corrections before it."""
    corrects = {e.id: e.corrects for e in events}
    root = event.corrects
    while root is not None and (earlier := corrects.get(root)) is not None:
        root = earlier
    return root


def _same(event: KeeperEvent, other: KeeperEvent) -> bool:
    """Whether two entries say one thing, whoever told it and when."""
    if event.kind in OF_BOXES:
        return (event.kind, event.box, event.at_ms) == (other.kind, other.box, other.at_ms)
    told = ("recorded_ms", "id", "corrects", "by")
    return all(getattr(event, name) == getattr(other, name) for name in KeeperEvent.__slots__ if name not in told)


def _placed(event: KeeperEvent, clutch: Clutch) -> KeeperEvent:
    """With the eggs that it is about: those of one box, or those that are in no box yet."""
    if event.kind in (EventKind.SET, *_OF_HATCHLINGS) or event.not_set:
        return event
    there = [lot for lot in clutch.lots if lot.open and lot.from_ms <= event.at_ms]
    if event.box:
        there = [lot for lot in there if event.box in (lot.box, lot.id)]
        if len(there) > 1:
            raise EntryUndecided(
                f"clutch {clutch.id}: its eggs lie in {event.box} in {len(there)} parts that came there by other ways",
                fix=f"give --box with one of: {_named(there)}",
                asks="box",
                choices=tuple(lot.id for lot in there),
            )
        return event
    loose = clutch.unplaced and event.kind in (EventKind.REMOVED, EventKind.DEAD)
    if len(there) + bool(loose) > 1:
        beside = f", or --not-set for {show_eggs(clutch.unplaced)} in no box" if loose else ""
        raise EntryUndecided(
            f"clutch {clutch.id}: its eggs are in several places",
            fix=f"give --box with one of: {_named(there)}{beside}",
            asks="box",
            choices=tuple(place_of(lot, there) for lot in there),
        )
    if there:
        return replace(event, box=place_of(there[0], there))
    return replace(event, not_set=bool(loose))


def place_of(lot: Lot, there: Iterable[Lot]) -> str:
    """A lot by its box, where no other lies in it."""
    return lot.box if sum(other.box == lot.box for other in there) == 1 else lot.id


def _named(lots: list[Lot]) -> str:
    return ", ".join(f"{place_of(lot, lots)} ({show_eggs(lot.eggs)})" for lot in lots)


def _counted(event: KeeperEvent, clutch: Clutch) -> KeeperEvent:
    """With its number, where there is but one."""
    if event.eggs is not None:
        return event
    where = f"clutch {clutch.id}"
    if event.kind is EventKind.SET:
        most = clutch.unplaced
    elif event.kind in _OF_HATCHLINGS:
        had = clutch.shed if event.kind is EventKind.SHED else clutch.fed
        most = sum(lot.hatched for lot in clutch.lots if not lot.moved_on) - had
    elif event.not_set:
        most = clutch.unplaced
    else:
        lot = next((x for x in clutch.lots if x.open and event.box in (x.box, x.id)), None)
        if lot is None:
            return event
        where = f"{where} in {lot.box}"
        if event.kind is EventKind.MOVED:
            return replace(event, eggs=lot.eggs)
        if event.kind not in (*_OF_SOME, EventKind.SPLIT):
            return event
        most = lot.still if event.kind is EventKind.PIPPED else lot.eggs - (event.kind is EventKind.SPLIT)
    if most > 1:
        raise EntryUndecided(
            f"{where}: {event.kind.value}: how many of {most}?", fix=f"give --eggs, 1 to {most}", asks="eggs", most=most
        )
    return replace(event, eggs=most) if most == 1 else event


def check_told(event: KeeperEvent, clutches: Mapping[str, Clutch]) -> None:
    """That its words and numbers are some that an account can hold. ``clutches``: with it. Raises EventRefused."""
    who = f"clutch {event.clutch}"
    for text in (event.text, event.dam, event.sire, event.line, event.by):
        if not text.replace("\n", " ").isprintable():
            raise EventRefused(f"{who}: {text[:20]!r} holds signs that cannot be shown", fix="write plain text")
        if len(text) > MOST_TEXT:
            raise EventRefused(f"{who}: {text[:20]!r}... has {len(text)} signs", fix=f"write {MOST_TEXT} at most")
    strange = [name for name, kinds in _ONLY_OF.items() if event.kind not in kinds and _said(event, name)]
    if strange:
        what = f"{event.kind.value} says nothing of: {', '.join(strange)}"
        raise EventRefused(f"{who}: {what}" if event.clutch else what, fix="leave that out, or tell it by itself")
    if event.kind in OF_BOXES:
        _check_weight(event)
        return
    _check_counts(event, who)
    if event.how and event.how not in LOST:
        raise EventRefused(f"{who}: {event.how!r} is no way to lose an egg", fix=f"use one of: {', '.join(LOST)}")
    if event.not_set and event.kind not in (EventKind.REMOVED, EventKind.DEAD):
        raise EventRefused(f"{who}: {event.kind.value} is about eggs in a box", fix="leave --not-set out")
    clutch = clutches.get(event.clutch)
    if clutch is None:
        return
    if event.not_yet_at_ms is not None and event.not_yet_at_ms < clutch.laid_ms - DAY_MS:
        raise EventRefused(f"{who}: the look at which nothing was seen is before it was laid", fix="check --not-yet-at")
    days = (event.at_ms - clutch.laid_ms) / DAY_MS
    if event.kind is EventKind.SET and days > LATEST_SET_DAYS:
        raise EventRefused(
            f"{who}: set {days:.0f} days after it was laid",
            fix="check both days; of eggs that lay elsewhere so long, say how far they were: clutch add --developed",
        )
    if days > LATEST_DAYS:
        raise EventRefused(f"{who}: {event.kind.value} {days:.0f} days after it was laid", fix="check the year")


def _said(event: KeeperEvent, name: str) -> bool:
    return getattr(event, name) not in ("", 0.0, None) or (name in COUNTED and getattr(event, name) is not None)


def _check_counts(event: KeeperEvent, who: str) -> None:
    counted = " and ".join(f"{count} {what}" for what, count in event.counts)
    if any(count < 0 for _, count in event.counts):
        raise EventRefused(f"{who}: {counted}: eggs are counted from 0", fix="check the counts")
    if event.fertile is not None and event.alive is not None and event.alive + (event.doubtful or 0) > event.fertile:
        raise EventRefused(f"{who}: {counted}: those are more than the fertile", fix="check the counts")
    if event.kind is EventKind.LAID and (event.eggs or 0) + event.slugs > MOST_EGGS:
        raise EventRefused(f"{who}: {(event.eggs or 0) + event.slugs} eggs are no clutch", fix=f"{MOST_EGGS} at most")


def _check_weight(event: KeeperEvent) -> None:
    if not event.box:
        raise EventRefused(f"{event.kind.value}: which box?", fix="give --box BOX")
    if event.grams is None or not 0.0 < event.grams <= MOST_GRAMS:
        raise EventRefused(
            f"box {event.box}: {event.kind.value} needs grams above 0, {MOST_GRAMS:.0f} at most", fix="give --grams"
        )
