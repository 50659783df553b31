"""What happened to eggs, boxes and hatchlings: ``warmtally record``."""

from __future__ import annotations

import argparse
import dataclasses
import re
import sys
from collections.abc import Mapping
from typing import Any, Final

from monitor.cli.asking import Asker
from monitor.cli.output import say
from monitor.cli.room import now_ms, number, room_at_hand, whole
from monitor.core.terms.balance import balance_of, became, ended_ms
from monitor.core.terms.events import COUNTED, LOST, OF_BOXES, Clutch, EventKind, KeeperEvent
from monitor.core.terms.formats import name_eggs, show_eggs
from monitor.core.terms.projection import MOST_DEVELOPED
from monitor.errors import EntryUndecided, UsageError
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.entering import (
    MOVES_WINDOWS,
    bites,
    correction_of,
    entry_of,
    looked_at,
    sentence,
    species_of,
    windows_moved,
)

DEVELOPED = (
    f"how far the eggs were when laid, as a share of the whole development: 0.2 or 20%%, {MOST_DEVELOPED:g} at most "
    "(default: not at all)"
)
_K = EventKind
KINDS: Final[Mapping[EventKind, tuple[str, str]]] = {
    _K.LAID: ("a clutch was laid (the same as: clutch add)", "laid K01 --species elaphe-taeniura --eggs 12"),
    _K.SET: ("eggs were set in a box", "set K01 --box upper --eggs 8"),
    _K.MOVED: ("eggs were moved to another box; their development goes with them", "moved K01 --box upper --to lower"),
    _K.SPLIT: ("a part of the eggs of a box was moved to another", "split K01 --box upper --to lower --eggs 3"),
    _K.LOOKED: ("the eggs were looked at, and there was nothing to see", "looked K01 --box lower"),
    _K.CANDLED: (
        "eggs were candled: --alive says how many show vessels, move, or are pink and firm",
        "candled K01 --fertile 6 --doubtful 1 --clear 1",
    ),
    _K.REMOVED: ("eggs were taken out (given away)", "removed K01 --box upper --eggs 2"),
    _K.PIPPED: (
        "eggs were seen pipped; --not-yet-at is the last look at which they had not",
        "pipped K01 --eggs 2 --not-yet-at yesterday",
    ),
    _K.HATCHED: ("hatchlings have left their eggs", "hatched K01 --box upper --eggs 2 --at 07:30"),
    _K.DEAD: (
        "eggs were lost; --how says in which way: in-egg before it pipped, in-shell when it had, or was fully formed",
        "dead K01 --box upper --eggs 1 --how mould",
    ),
    _K.WEIGHED: ("a box was weighed, with its eggs and substrate", "weighed --box upper --grams 812.5"),
    _K.WATERED: ("water was given to a box (1 ml weighs 1 g)", "watered --box upper --grams 12"),
    _K.SHED: ("hatchlings have shed for the first time", "shed K01 --eggs 6"),
    _K.FED: ("hatchlings have eaten for the first time", "fed K01 --eggs 6"),
    _K.NOTE: ("anything worth remembering", 'note K01 --note "moved to the rack at the window"'),
    _K.FINISHED: ("nothing more is to come of a clutch", "finished K01"),
}
_OF_ALL: Final = (_K.NOTE, _K.CANDLED, _K.LOOKED, _K.FINISHED, *OF_BOXES)
_IN_BOX: Final = tuple(k for k in KINDS if k not in (_K.LAID, _K.NOTE, _K.FINISHED, _K.SHED, _K.FED))


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    record = sub.add_parser(
        "record",
        help="tell what happened to eggs",
        description="Tell what happened. Nothing is ever overwritten: a wrong entry is corrected by a further one. "
        "What is not said and could mean more than one thing is asked for, or refused where nobody can be asked.",
    )
    kinds = record.add_subparsers(dest="kind", required=True, metavar="WHAT")
    for kind, (text, example) in KINDS.items():
        p = kinds.add_parser(
            kind.value,
            parents=[parent],
            help=text,
            description=text[0].upper() + text[1:] + ".",
            epilog=f"example: warmtally record {example}",
        )
        _add_options(p, kind)
    _add_correct(kinds, parent)


def _add_options(p: argparse.ArgumentParser, kind: EventKind) -> None:
    if kind is _K.LOOKED:
        p.add_argument("clutch", nargs="?", default="")
        p.add_argument("--all", action="store_true", help="you looked into every box in which eggs are waited for")
    elif kind not in OF_BOXES:
        p.add_argument("clutch")
    add_when_and_who(p)
    if kind is _K.LAID:
        add_laid(p)
    elif kind not in _OF_ALL:
        p.add_argument(
            "--eggs", type=whole, metavar="COUNT", help="how many; asked for where more than one number is possible"
        )
    if kind in _IN_BOX:
        p.add_argument(
            "--box", default="", metavar="BOX", help="where they are; may be left out when they are in one box"
        )
    if kind in (_K.MOVED, _K.SPLIT):
        p.add_argument("--to", default="", metavar="BOX", help="where to")
    if kind is _K.CANDLED:
        _add_counts(p)
    if kind in (_K.REMOVED, _K.DEAD):
        p.add_argument("--not-set", action="store_true", help="it is about eggs that are in no box yet")
    if kind is _K.DEAD:
        p.add_argument("--how", choices=LOST, default="", help="in which way; left out: not known")
    if kind in (_K.PIPPED, _K.HATCHED):
        p.add_argument("--not-yet-at", metavar="WHEN", help="the last look at which it had not happened yet")
    if kind in OF_BOXES:
        p.add_argument("--grams", type=number, required=True, help="grams")
    p.set_defaults(run=run_record)


def add_when_and_who(p: argparse.ArgumentParser, when: str = "--at") -> None:
    """``--at``, ``--by`` and ``--note`` of an entry."""
    if when == "--at":
        p.add_argument(
            "--at",
            metavar="WHEN",
            default="now",
            help='when it was: 07:30, yesterday, "2026-05-01 19:30" (default: now)',
        )
    p.add_argument("--by", metavar="NAME", default="", help="who tells it")
    p.add_argument("--note", default="", help="anything worth remembering")


def add_laid(p: argparse.ArgumentParser) -> None:
    """What is told of a clutch when it is laid."""
    p.add_argument("--species", required=True, help="a profile's id; see: warmtally species")
    p.add_argument("--eggs", required=True, type=whole, metavar="COUNT", help="how many good eggs")
    p.add_argument("--slugs", type=whole, default=0, metavar="COUNT", help="how many slugs were laid beside them")
    p.add_argument("--gone", type=whole, default=0, metavar="COUNT", help="how many of the eggs are gone already")
    p.add_argument("--dam", default="", metavar="NAME", help="the mother, as you name her")
    p.add_argument("--sire", default="", metavar="NAME", help="the father")
    p.add_argument("--line", default="", metavar="TEXT", help="line, morph, locality: free text")
    p.add_argument("--developed", metavar="SHARE", default="0", help=DEVELOPED)


def _add_counts(p: argparse.ArgumentParser) -> None:
    texts = (
        "how many are fertile; the others are not waited for, but for the doubtful",
        "how many of the eggs that lie still were seen alive",
        "of how many of them it could not be told",
        "how many are clear: nothing in them, not waited for",
    )
    for name, text in zip(COUNTED, texts, strict=True):
        p.add_argument(f"--{name}", type=whole, metavar="COUNT", help=f"candled: {text}")


def _add_correct(kinds: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    correct = kinds.add_parser(
        "correct",
        parents=[parent],
        help="put an earlier entry right, or take it back",
        epilog="example: warmtally record correct 7 --eggs 5    (numbers: warmtally clutch show K01)",
    )
    correct.add_argument("event", type=whole, metavar="entry", help="the entry's number")
    correct.add_argument("--withdraw", action="store_true", help="it did not happen at all")
    correct.add_argument("--at", metavar="WHEN", help="when it happened or was seen")
    correct.add_argument("--not-yet-at", metavar="WHEN", help="the last look at which it had not happened yet")
    for name in ("eggs", "slugs", "gone"):
        correct.add_argument(f"--{name}", type=whole, metavar="COUNT", help=f"{name}: how many")
    _add_counts(correct)
    correct.add_argument("--box", help="the box it is about")
    correct.add_argument("--to", metavar="BOX", help="where to (moved, split)")
    correct.add_argument("--how", choices=LOST, help="in which way it was lost (dead)")
    correct.add_argument("--grams", type=number, help="grams (weighed, watered)")
    correct.add_argument("--species", help="a profile's id (laid)")
    for name in ("dam", "sire", "line"):
        correct.add_argument(f"--{name}", metavar="TEXT", help=f"{name} (laid)")
    correct.add_argument("--developed", metavar="SHARE", help=DEVELOPED)
    correct.add_argument("--by", metavar="NAME", default="", help="who tells it")
    correct.add_argument("--note", help="anything worth remembering")
    correct.set_defaults(run=run_correct)


def run_record(args: argparse.Namespace) -> int:
    with room_at_hand(args, create=True) as room:
        kind = EventKind(args.kind)
        if kind is _K.LOOKED and bool(args.clutch) == args.all:
            raise UsageError("which eggs were looked at?", fix="give a clutch, or --all for every box")
        event = entry_of(kind, _told_of(args, room), room, now_ms())
        if kind is _K.LOOKED and args.all:
            return _looked_at_all(event, room)
        clutch_id = event.clutch
        before = room.store.account.clutches(now_ms()).get(clutch_id) if kind in MOVES_WINDOWS else None
        told = _tell(event, room)
        print(f"entry {told.id}: {sentence(told, room.zone)}")
        if kind in OF_BOXES:
            return 0
        clutch = room.store.account.clutches()[clutch_id]
        if kind is _K.LAID:
            profile = room.derived.book.of(event.species)
            if profile.refused:
                say(f"  note: no forecast will be made: {profile.refused}")
            if profile.profile is not None and profile.profile.venomous:
                say(f"  {bites()}")
            if clutch.unplaced:
                print(f'  next: warmtally record set {clutch_id} --box BOX --eggs {clutch.unplaced} --at "WHEN"')
            return 0
        print_lots(clutch)
        if before is not None:
            _print_moved(before, room)
        if kind is not _K.FINISHED and ended_ms(clutch) is not None and clutch.finished_ms is None:
            print(f"  no egg of it is left; when nothing more is to come: warmtally record finished {clutch_id}")
    return 0


def _looked_at_all(event: KeeperEvent, room: RoomAtHand) -> int:
    """One look at each box in which eggs are waited for."""
    looks = looked_at(event, room.store.account.clutches(event.at_ms))
    for told in room.store.account.tell_all(looks):
        print(f"entry {told.id}: {sentence(told, room.zone)}")
    if not looks:
        print("no eggs are waited for")
    return 0


def _told_of(args: argparse.Namespace, room: RoomAtHand) -> dict[str, Any]:
    """What the command's words say, by the names of an entry."""
    told = vars(args)
    return {**told, "species": _species_named(told["species"], room)} if told.get("species") else told


def _tell(event: KeeperEvent, room: RoomAtHand) -> KeeperEvent:
    """Tell it; what could mean more than one thing is asked for, where somebody sits at the keys."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return room.store.account.tell(event)
    asker = Asker()
    if event.kind is _K.DEAD and not event.how:
        event = dataclasses.replace(event, how=_chosen(asker, "how was it lost (Enter: not known)", tuple(LOST), ""))
    while True:
        try:
            return room.store.account.tell(event)
        except EntryUndecided as undecided:
            try:
                event = _decided(asker, event, undecided)
            except EOFError:
                raise undecided from None


def _decided(asker: Asker, event: KeeperEvent, undecided: EntryUndecided) -> KeeperEvent:
    if undecided.asks == "box":
        return dataclasses.replace(event, box=_chosen(asker, undecided.what, undecided.choices, None))

    def wrong(told: str) -> str:
        fits = re.fullmatch("[0-9]{1,6}", told) and 1 <= int(told) <= undecided.most
        return "" if fits else f"a number from 1 to {undecided.most}"

    return dataclasses.replace(event, eggs=int(asker.ask(undecided.what.rstrip("?"), wrong)))


def _chosen(asker: Asker, what: str, choices: tuple[str, ...], nothing: str | None) -> str:
    """One of several, by its number or its name; ``nothing`` is what Enter alone says, where it may."""
    by_number = {str(i): choice for i, choice in enumerate(choices, 1)}
    for i, choice in by_number.items():
        print(f"  {i}  {LOST.get(choice, choice)}")
    known = {**by_number, **{choice: choice for choice in choices}} | ({} if nothing is None else {"": nothing})
    return known[asker.ask(what, lambda told: "" if told in known else "its number or its name")]


def _print_moved(before: Clutch, room: RoomAtHand) -> None:
    """When the others of a clutch are expected now, and when they were before this was told."""
    moved = windows_moved(before, room, now_ms())
    if moved.bites:
        say(f"  {bites()}")
    for x in moved.eggs:
        if x.undated:
            say(f"  note: {name_eggs(x.lot.id)} gets no date: {x.undated}")
        if x.days:
            was = f" (before this: {x.was})" if x.was else ""
            print(f"  {name_eggs(x.lot.id)}: first pip expected {x.days}{was}")


def _species_named(name: str, room: RoomAtHand) -> str:
    """The id of a profile that can be read; how the name was taken is printed."""
    found, said = species_of(name, room.settings.profiles_dir)
    if said:
        print(said)
    return found


def run_correct(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        new = correction_of(args.event, _told_of(args, room), room, now_ms(), withdraw=args.withdraw)
        told = room.store.account.tell(new)
        what = "taken back" if args.withdraw else f"now: {sentence(told, room.zone)}"
        print(f"entry {told.id}: entry {args.event} {what}")
    return 0


def print_lots(clutch: Clutch) -> None:
    """Where the eggs of a clutch are, and what became of all that were laid."""
    for lot in clutch.lots:
        if lot.moved_on or not lot.open:
            continue
        seen = ((lot.pipped, "pipped"), (lot.infertile, "infertile"))
        print(
            f"  {lot.id}: {show_eggs(lot.eggs)} in box {lot.box}"
            + "".join(f", {count} {what}" for count, what in seen if count)
        )
    if clutch.unplaced:
        print(f"  in no box yet: {show_eggs(clutch.unplaced)}")
    if ended_ms(clutch) is not None:
        say(f"  {clutch.id} has ended: {became(clutch)}")
    else:
        say(f"  {balance_of(clutch).words()}")
