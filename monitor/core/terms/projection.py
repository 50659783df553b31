"""Clutches and lots as the projection of the keeper's events.

:func:`project` folds the events that were true at a moment into clutches, which makes a correction, a late entry or a
question about the past ("what was known then") the same computation. Every rule that an event must obey stands here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Final

from monitor.core.terms.events import LOST, OF_BOXES, Clutch, EventKind, KeeperEvent, Lot, PipSeen, SeenAlive, Stay
from monitor.core.terms.formats import show_eggs, tell_eggs
from monitor.core.terms.times import DAY_MS
from monitor.errors import EventRefused, UnknownSubject

# Eggs told to be further developed than this when laid have nothing left that a forecast could be made of.
MOST_DEVELOPED: Final = 0.8


def effective(events: Iterable[KeeperEvent], until_ms: int | None = None) -> list[KeeperEvent]:
    """The events as they stand after corrections, in the order in which they happened.

    ``until_ms`` keeps what had happened by then. A correction applies whenever it was recorded: a wrong lay
    date was wrong all along. A correction may be corrected in turn, and what was taken back be told anew.
    Raises EventRefused for a correction of nothing. Events are numbered in the order of telling; their recorded
    time does not count, as clocks are set.
    """
    standing: dict[int, KeeperEvent] = {}
    roots: dict[int, int] = {}
    gone: set[int] = set()
    for event in sorted(events, key=lambda e: e.id):
        if event.corrects is None:
            standing[event.id] = event
            continue
        root = roots.get(event.corrects, event.corrects)
        if root not in standing and root not in gone:
            raise EventRefused(f"there is no event {event.corrects} to correct", fix="see: warmtally clutch show")
        roots[event.id] = root
        if not event.withdrawn:
            gone.discard(root)
            standing[root] = replace(event, id=root, corrects=None)
        elif root in gone:
            raise EventRefused(f"event {event.corrects} was taken back already", fix="see: warmtally clutch show")
        else:
            del standing[root]
            gone.add(root)
    kept = [e for e in standing.values() if until_ms is None or _day_floor(e) <= until_ms]
    return sorted(kept, key=lambda e: (_day_floor(e), _ORDER.get(e.kind, 4), e.at_ms, e.id))


# Of what happened at one moment, what comes first.
_ORDER: Final = {
    EventKind.LAID: 0,
    EventKind.SET: 1,
    EventKind.MOVED: 2,
    EventKind.SPLIT: 2,
    EventKind.CANDLED: 3,
    EventKind.LOOKED: 3,
    EventKind.SHED: 5,
    EventKind.FED: 5,
    EventKind.FINISHED: 6,
}


def _day_floor(event: KeeperEvent) -> int:
    # A lay date without a time of day must sort before anything else of the same day.
    return event.at_ms - DAY_MS // 2 if event.kind is EventKind.LAID and event.day_only else event.at_ms


def project(events: Iterable[KeeperEvent], until_ms: int | None = None) -> dict[str, Clutch]:
    """Fold events into clutches.

    Raises :class:`EventRefused` when the events contradict each other; the store keeps that from happening by
    projecting with the new event before it is written.
    """
    books: dict[str, _Book] = {}
    events = list(events)
    newest = max((event.id for event in events), default=0)
    standing = effective(events, until_ms)
    laid = {event.clutch for event in standing if event.kind is EventKind.LAID}
    for event in standing:
        if event.kind in OF_BOXES:
            continue
        if event.kind is EventKind.LAID:
            if event.clutch in books:
                raise EventRefused(
                    f"clutch {event.clutch} is there already",
                    fix="choose another name, or correct the event that added it",
                )
            books[event.clutch] = _Book(event)
            continue
        book = books.get(event.clutch)
        if book is None:
            if event.clutch in laid:
                raise _before_laid(event)
            raise UnknownSubject(
                f"no clutch {event.clutch!r}",
                fix=f"known clutches: {', '.join(sorted(books)) or 'none'}; add one with: warmtally clutch add",
            )
        try:
            book.take(event)
        except EventRefused as error:
            if event.id == newest:
                raise
            # What is told now comes before something that was told already.
            what = f"entry {event.id} ({event.kind.value}) would not fit any more: {error.what}"
            raise EventRefused(what, where=error.where, fix="see: warmtally clutch show; or check the time") from error
    return {name: book.clutch() for name, book in books.items()}


def _before_laid(event: KeeperEvent) -> EventRefused:
    return EventRefused(
        f"clutch {event.clutch}: {event.kind.value} before it was laid", fix="check the time, or correct the lay date"
    )


class _Book:
    """One clutch being folded."""

    def __init__(self, laid: KeeperEvent) -> None:
        if laid.eggs is None or min(laid.eggs, laid.slugs) < 0 or laid.eggs + laid.slugs < 1:
            raise EventRefused(f"clutch {laid.clutch}: a clutch has at least one egg", fix="give --eggs N")
        if not 0 <= laid.gone <= laid.eggs:
            raise EventRefused(
                f"clutch {laid.clutch}: {laid.gone} of {show_eggs(laid.eggs)} cannot be gone already",
                fix="check --gone",
            )
        if not 0.0 <= laid.developed <= MOST_DEVELOPED:
            raise EventRefused(
                f"clutch {laid.clutch}: {laid.developed:g} developed when laid is not between 0 and {MOST_DEVELOPED:g}",
                fix="give the share of the whole development, like --developed 0.2",
            )
        self.laid = laid
        self.eggs = laid.eggs
        self.unplaced = laid.eggs - laid.gone
        self.gone = laid.gone
        self.lost: tuple[tuple[str, int], ...] = lose((), "slug", laid.slugs)
        self.shed = self.fed = 0
        self.finished_ms: int | None = None
        self.lots: list[Lot] = []
        self.notes: list[tuple[int, str]] = []
        self.events: list[KeeperEvent] = [laid]
        self.laid_ms = laid.at_ms

    def clutch(self) -> Clutch:
        return Clutch(
            id=self.laid.clutch,
            species=self.laid.species,
            laid_ms=self.laid_ms,
            laid_day_only=self.laid.day_only,
            eggs=self.eggs,
            lots=tuple(self.lots),
            unplaced=self.unplaced,
            notes=tuple(self.notes),
            events=tuple(self.events),
            developed=self.laid.developed,
            slugs=self.laid.slugs,
            gone=self.gone,
            lost=self.lost,
            shed=self.shed,
            fed=self.fed,
            finished_ms=self.finished_ms,
        )

    def take(self, event: KeeperEvent) -> None:
        if event.at_ms < _day_floor(self.laid):
            raise _before_laid(event)
        if event.not_yet_at_ms is not None and event.not_yet_at_ms >= event.at_ms:
            raise EventRefused(
                f"clutch {event.clutch}: the look at which nothing was seen is not before the one at which it was",
                fix="give --not-yet-at a time before --at",
            )
        if event.eggs is not None and event.eggs < 1:
            raise EventRefused(f"clutch {event.clutch}: {event.kind.value} of {event.eggs} eggs", fix="give 1 or more")
        if event.developed:
            raise EventRefused(
                f"clutch {event.clutch}: how far eggs were when laid belongs to the entry that says they were laid",
                fix="correct that entry; see: warmtally clutch show",
            )
        if self.finished_ms is not None and event.kind not in (EventKind.NOTE, EventKind.SHED, EventKind.FED):
            raise EventRefused(
                f"clutch {event.clutch} is finished", fix="take that entry back: warmtally record correct"
            )
        RULES[event.kind](self, event)
        self.events.append(event)

    def _laid(self, event: KeeperEvent) -> None:
        raise EventRefused(f"clutch {event.clutch} was laid already", fix="use: record correct")

    def _correct(self, event: KeeperEvent) -> None:
        raise EventRefused(f"a correction of {event.corrects} that does not exist", fix="see: warmtally clutch show")

    def _note(self, event: KeeperEvent) -> None:
        self.notes.append((event.at_ms, event.text))

    def _set(self, event: KeeperEvent) -> None:
        count = self.unplaced if event.eggs is None else event.eggs
        if not event.box:
            raise EventRefused(f"clutch {event.clutch}: set where?", fix="give --box BOX")
        if count < 1 or count > self.unplaced:
            raise EventRefused(
                f"clutch {event.clutch}: {count} eggs cannot be set, {self.unplaced} of {self.eggs} are in no box yet",
                fix="check the count; eggs that are in a box are moved, not set",
            )
        if not self.lots and self.laid.day_only and event.at_ms < self.laid_ms:
            # Only the day of laying is known and the eggs were set earlier on it than our assumed noon.
            self.laid_ms = event.at_ms
        self.unplaced -= count
        for i, lot in enumerate(self.lots):
            if lot.open and lot.box == event.box and lot.path == (Stay(event.box, event.at_ms, None),):
                self.lots[i] = replace(lot, eggs_set=lot.eggs_set + count)
                return
        self._add_lot(event.box, (Stay(event.box, event.at_ms, None),), count)

    def _add_lot(self, box: str, path: tuple[Stay, ...], count: int) -> None:
        base = f"{self.laid.clutch}/{box}"
        taken = {lot.id for lot in self.lots}
        name, n = base, 2
        while name in taken:
            name, n = f"{base}#{n}", n + 1
        self.lots.append(Lot(id=name, clutch=self.laid.clutch, box=box, path=path, eggs_set=count))

    def _which(self, event: KeeperEvent) -> int:
        """The open lot an event is about: by box, or the only one."""
        there = [i for i, lot in enumerate(self.lots) if lot.from_ms <= event.at_ms and lot.open]
        if event.box:
            there = [i for i in there if event.box in (self.lots[i].box, self.lots[i].id)]
        if len(there) == 1:
            return there[0]
        if not there:
            place = f" in box {event.box}" if event.box else ""
            raise EventRefused(
                f"clutch {event.clutch}: no eggs{place} at that time",
                fix=f"boxes with its eggs: {self._names()}",
            )
        if event.box:
            # Several histories in one box: the one with enough eggs, oldest first.
            need = event.eggs or 1
            for i in there:
                if self.lots[i].eggs >= need:
                    return i
            return there[0]
        raise EventRefused(
            f"clutch {event.clutch}: its eggs are in several boxes",
            fix=f"give --box; boxes with its eggs: {self._names()}",
        )

    def _names(self) -> str:
        """Its lots that have eggs; of none, why."""
        if not self.lots:
            return "none yet; set the eggs first: warmtally record set"
        told = ", ".join(f"{lot.id} ({show_eggs(lot.eggs)})" for lot in self.lots if lot.open)
        return told or "no egg of it lies in a box any more; see: warmtally clutch show"

    def _moved(self, event: KeeperEvent) -> None:
        i = self._which(event)
        lot = self.lots[i]
        count = lot.eggs if event.eggs is None else event.eggs
        if not event.to_box:
            raise EventRefused(f"clutch {event.clutch}: moved where to?", fix="give --to BOX")
        if event.to_box == lot.box:
            raise EventRefused(f"clutch {event.clutch}: the eggs are in box {lot.box} already", fix="check --to")
        if count < 1 or count > lot.eggs:
            raise EventRefused(
                f"{tell_eggs(lot.id)}: {count} eggs cannot be moved, {lot.eggs} are there", fix="check the count"
            )
        if event.at_ms <= lot.path[-1].from_ms:
            raise EventRefused(f"{tell_eggs(lot.id)}: moved before it came to box {lot.box}", fix="check the time")
        path = (*lot.path[:-1], replace(lot.path[-1], to_ms=event.at_ms), Stay(event.to_box, event.at_ms, None))
        whole = count == lot.eggs
        if whole and event.kind is EventKind.SPLIT:
            raise EventRefused(f"{tell_eggs(lot.id)}: all {count} eggs are not a part of them", fix="use: record moved")
        if whole:
            self.lots[i] = replace(lot, closed_ms=event.at_ms, path=path[:-1], moved_on=True)
            self._add_lot(event.to_box, path, count)
            # What was seen in the old box belongs to the eggs, which live on in the new one.
            self.lots[-1] = replace(lot, id=self.lots[-1].id, box=event.to_box, path=path)
            return
        # Nobody says which eggs went: taken to be those that have yet to pip, the fertile ones first.
        unpipped = lot.still
        pips_stay, pips_go = _split_pips(lot.pips, max(count - unpipped, 0))
        infertile_go = min(max(count - max(unpipped - lot.infertile, 0), 0), lot.infertile)
        self.lots[i] = _with_alive(
            replace(lot, eggs_set=lot.eggs_set - count, pips=pips_stay, infertile=lot.infertile - infertile_go), count
        )
        self._add_lot(event.to_box, path, count)
        gone = replace(self.lots[-1], pips=pips_go, infertile=infertile_go, looked_ms=lot.looked_ms, alive=lot.alive)
        gone = replace(gone, none_alive_ms=lot.none_alive_ms)
        self.lots[-1] = _with_alive(gone)

    def _candled(self, event: KeeperEvent) -> None:
        i = self._which(event)
        self.lots[i] = _candled(self.lots[i], event)

    def _looked(self, event: KeeperEvent) -> None:
        i = self._which(event)
        self.lots[i] = replace(self.lots[i], looked_ms=max(self.lots[i].looked_ms or 0, event.at_ms))

    def _out(self, event: KeeperEvent) -> tuple[int, Lot, int]:
        i = self._which(event)
        lot = self.lots[i]
        return i, lot, self._count(event, lot.eggs, tell_eggs(lot.id), "are there")

    @staticmethod
    def _count(event: KeeperEvent, most: int, where: str, what: str) -> int:
        """How many an event is about: all when it does not say."""
        count = most if event.eggs is None else event.eggs
        if not 1 <= count <= most:
            raise EventRefused(
                f"{where}: {count} eggs {event.kind.value}, but {most} {what}",
                fix="check the count, or correct an earlier event",
            )
        return count

    def _off_the_unplaced(self, event: KeeperEvent) -> int:
        """How many eggs that were in no box yet an event takes away; 0 where it is about a box."""
        if not event.not_set and (event.box or self.lots or not self.unplaced):
            return 0
        count = self._count(event, self.unplaced, f"clutch {event.clutch}", "are in no box yet")
        self.unplaced -= count
        return count

    def _closed(self, lot: Lot, at_ms: int) -> Lot:
        if lot.eggs > 0:
            return lot
        return replace(lot, closed_ms=at_ms, path=(*lot.path[:-1], replace(lot.path[-1], to_ms=at_ms)))

    def _removed(self, event: KeeperEvent) -> None:
        if count := self._off_the_unplaced(event):
            self.gone += count
            return
        i, lot, count = self._out(event)
        lot = replace(lot, removed=lot.removed + count, infertile=max(lot.infertile - count, 0))
        self.lots[i] = self._closed(_with_alive(lot), event.at_ms)

    def _dead(self, event: KeeperEvent) -> None:
        how = event.how if event.how in LOST else "other"
        if count := self._off_the_unplaced(event):
            self.lost = lose(self.lost, how, count)
            return
        i, lot, count = self._out(event)
        # Dead in shell are those that had pipped, as long as there are any; else those that had not.
        pipped = min(count, lot.inside) if how == "in-shell" else max(count - lot.still, 0)
        infertile = lot.infertile - count if how == "slug" else min(lot.infertile, lot.still - (count - pipped))
        lot = replace(
            lot,
            lost=lose(lot.lost, how, count),
            dead_pipped=lot.dead_pipped + pipped,
            infertile=max(infertile, 0),
        )
        self.lots[i] = self._closed(_with_alive(lot), event.at_ms)

    def _shed(self, event: KeeperEvent) -> None:
        self.shed += self._hatchlings(event, self.shed)

    def _fed(self, event: KeeperEvent) -> None:
        self.fed += self._hatchlings(event, self.fed)

    def _hatchlings(self, event: KeeperEvent, before: int) -> int:
        """Of how many hatchlings a first is told."""
        left = sum(lot.hatched for lot in self.lots if not lot.moved_on) - before
        count = left if event.eggs is None else event.eggs
        if not 1 <= count <= left:
            raise EventRefused(
                f"clutch {event.clutch}: {count} {event.kind.value} for the first time, but {left} hatchlings have not",
                fix="check the count; a later shed or meal is a note: warmtally record note",
            )
        return count

    def _finished(self, event: KeeperEvent) -> None:
        left = [f"{show_eggs(lot.eggs)} in {lot.box}" for lot in self.lots if lot.open]
        left += [f"{show_eggs(self.unplaced)} in no box"] if self.unplaced else []
        if left:
            raise EventRefused(
                f"clutch {event.clutch} is not finished: {', '.join(left)}",
                fix="say what became of them first: warmtally record hatched, dead, removed",
            )
        self.finished_ms = event.at_ms

    def _pipped(self, event: KeeperEvent) -> None:
        i = self._which(event)
        lot = self.lots[i]
        count = 1 if event.eggs is None else event.eggs
        left = lot.eggs_set - lot.removed - lot.dead - lot.pipped + lot.dead_pipped
        if count > left:
            raise EventRefused(
                f"{tell_eggs(lot.id)}: {count} more eggs pipped, but only {left} had not", fix="check the count"
            )
        after = self._last_look(event, lot)
        infertile = min(lot.infertile, left - count)
        pips = (*lot.pips, PipSeen(after, event.at_ms, count))
        looked = max(lot.looked_ms or 0, event.at_ms)
        self.lots[i] = _with_alive(replace(lot, pips=pips, infertile=infertile, looked_ms=looked), count)

    @staticmethod
    def _last_look(event: KeeperEvent, lot: Lot) -> int | None:
        """The look before this one: as told, else the last one recorded."""
        if event.not_yet_at_ms is not None:
            return event.not_yet_at_ms
        return lot.looked_ms if lot.looked_ms is not None and lot.looked_ms < event.at_ms else None

    def _hatched(self, event: KeeperEvent) -> None:
        i, lot, count = self._out(event)
        unseen = lot.hatched + lot.dead_pipped + count - lot.pipped
        pips = lot.pips
        if unseen > 0:
            # Whoever is out has pipped, some time since the last look.
            pips = (*pips, PipSeen(self._last_look(event, lot), event.at_ms, unseen))
        looked = max(lot.looked_ms or 0, event.at_ms)
        lot = replace(lot, hatched=lot.hatched + count, pips=pips, looked_ms=looked)
        lot = replace(lot, infertile=min(lot.infertile, max(lot.eggs, 0)))
        self.lots[i] = self._closed(_with_alive(lot, max(unseen, 0)), event.at_ms)


# What each kind of event does to a clutch.
RULES: Final[Mapping[EventKind, Callable[[_Book, KeeperEvent], None]]] = {
    EventKind.LAID: _Book._laid,
    EventKind.SET: _Book._set,
    EventKind.MOVED: _Book._moved,
    EventKind.CANDLED: _Book._candled,
    EventKind.LOOKED: _Book._looked,
    EventKind.REMOVED: _Book._removed,
    EventKind.PIPPED: _Book._pipped,
    EventKind.HATCHED: _Book._hatched,
    EventKind.DEAD: _Book._dead,
    EventKind.SPLIT: _Book._moved,
    EventKind.SHED: _Book._shed,
    EventKind.FED: _Book._fed,
    EventKind.FINISHED: _Book._finished,
    EventKind.NOTE: _Book._note,
    EventKind.CORRECT: _Book._correct,
}


def _candled(lot: Lot, event: KeeperEvent) -> Lot:
    """A lot after a candling."""
    inside, still = lot.inside, lot.still
    infertile = lot.infertile
    if event.fertile is not None:
        if event.fertile > lot.eggs:
            raise EventRefused(
                f"{tell_eggs(lot.id)}: {event.fertile} fertile eggs, but {lot.eggs} are there", fix="check the count"
            )
        # With those that were seen alive the doubtful are among the fertile ones, at a candling beside them.
        beside = (event.doubtful or 0) if event.alive is None else 0
        infertile = max(lot.eggs - event.fertile - beside, 0)
    elif event.clear is not None:
        infertile = event.clear
    if (event.clear or 0) > still:
        raise EventRefused(f"{tell_eggs(lot.id)}: {event.clear} clear, but {still} lie still", fix="check the counts")
    if (event.alive or 0) + (event.doubtful or 0) > still:
        counted = " and ".join(f"{count} {what}" for what, count in event.counts if what != "fertile")
        raise EventRefused(f"{tell_eggs(lot.id)}: {counted}, but {still} lie still", fix="check the counts")
    # Eggs with vessels are alive; of those that pipped nobody doubts it.
    seen = event.alive if event.alive is not None else (event.fertile or 0) - inside
    alive = (*lot.alive, SeenAlive(event.at_ms, seen)) if seen > 0 else lot.alive
    none = event.alive == 0 and (event.doubtful or 0) < still
    none_alive = event.at_ms if none else (None if seen > 0 else lot.none_alive_ms)
    looked = max(lot.looked_ms or 0, event.at_ms)
    lot = replace(lot, infertile=infertile, looked_ms=looked, alive=alive, none_alive_ms=none_alive)
    return _with_alive(lot)


def lose(lost: tuple[tuple[str, int], ...], how: str, count: int) -> tuple[tuple[str, int], ...]:
    """With so many more lost in that way."""
    known = dict(lost)
    known[how] = known.get(how, 0) + count
    return tuple((each, known[each]) for each in LOST if known.get(each))


def _with_alive(lot: Lot, gone: int = 0) -> Lot:
    """With as many seen alive as can still be among those that wait; ``gone``: so many of them pipped or went away."""
    kept = (replace(seen, count=min(seen.count - gone, lot.waiting)) for seen in lot.alive)
    return replace(lot, alive=tuple(seen for seen in kept if seen.count > 0))


def _split_pips(pips: tuple[PipSeen, ...], count: int) -> tuple[tuple[PipSeen, ...], tuple[PipSeen, ...]]:
    """Take the latest ``count`` pips away: (those that stay, those taken)."""
    stay: list[PipSeen] = []
    taken: list[PipSeen] = []
    for pip in reversed(pips):
        some = min(pip.count, count)
        count -= some
        if some:
            taken.append(replace(pip, count=some))
        if some < pip.count:
            stay.append(replace(pip, count=pip.count - some))
    return tuple(reversed(stay)), tuple(reversed(taken))
