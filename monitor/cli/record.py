"""What happened to eggs, boxes and hatchlings: ``warmtally record``."""

from __future__ import annotations

import argparse
import dataclasses
import re
import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from monitor.cli.asking import Asker
from monitor.cli.output import say
from monitor.cli.room import now_ms, number, parse_time, room_at_hand, whole
from monitor.core.terms.balance import balance_of, became, ended_ms
from monitor.core.terms.events import COUNTED, LOST, OF_BOXES, Clutch, EventKind, KeeperEvent
from monitor.core.terms.formats import name_eggs, show_date, show_eggs, show_time
from monitor.core.terms.projection import MOST_DEVELOPED, effective
from monitor.errors import EntryUndecided, EventRefused, UnknownSubject, UsageError
from monitor.telling.at_hand import RoomAtHand

if TYPE_CHECKING:
    from monitor.core.development.lots import LotNow

# A moment so little ahead of now is a clock that is a little off, not a mistake.
AHEAD_MS = 300_000
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


def _when(text: str, room: RoomAtHand) -> tuple[int, bool]:
    at, day_only = parse_time(text, room.zone)
    if at > now_ms() + AHEAD_MS and not (
        day_only and show_time(at, room.zone)[:10] == show_time(now_ms(), room.zone)[:10]
    ):
        raise EventRefused(
            f"{text} lies in the future", fix='an entry tells what has happened; write the day too: "yesterday 22:30"'
        )
    return at, day_only


def _share(text: str) -> float:
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


def _boxes_known(room: RoomAtHand, box: str, to_box: str, kind: EventKind) -> None:
    """Eggs are put into boxes; what happened to them may be told by the lot as well."""
    known = [b.id for b in room.settings.room.boxes]
    by_lot = "" if kind in (_K.SET, *OF_BOXES) else box.rpartition("/")[2].partition("#")[0]
    for told, plain in ((box, by_lot or box), (to_box, to_box)):
        if plain and plain not in known:
            raise UnknownSubject(
                f"no box {told!r} in the configuration", where=room.settings.file, fix=f"boxes: {', '.join(known)}"
            )


def run_record(args: argparse.Namespace) -> int:
    with room_at_hand(args, create=True) as room:
        kind = EventKind(args.kind)
        if kind is _K.LOOKED and bool(args.clutch) == args.all:
            raise UsageError("which eggs were looked at?", fix="give a clutch, or --all for every box")
        event = _event(kind, args, room)
        if kind is _K.LOOKED and args.all:
            return _looked_at_all(event, room)
        clutch_id = event.clutch
        seen = kind in (_K.PIPPED, _K.HATCHED, _K.LOOKED, _K.CANDLED)
        before = room.store.account.clutches(now_ms()).get(clutch_id) if seen else None
        told = _tell(event, room)
        print(f"entry {told.id}: {sentence(told, room)}")
        if kind in OF_BOXES:
            return 0
        clutch = room.store.account.clutches()[clutch_id]
        if kind is _K.LAID:
            profile = room.derived.book.of(event.species)
            if profile.refused:
                say(f"  note: no forecast will be made: {profile.refused}")
            if profile.profile is not None and profile.profile.venomous:
                say(_bites())
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
    lots = [lot for clutch in room.store.account.clutches(event.at_ms).values() for lot in clutch.lots]
    for lot in lots:
        if lot.open and lot.waiting and event.box in ("", lot.box):
            told = _tell(dataclasses.replace(event, clutch=lot.clutch, box=lot.id), room)
            print(f"entry {told.id}: {sentence(told, room)}")
    if not any(lot.open and lot.waiting for lot in lots):
        print("no eggs are waited for")
    return 0


def _event(kind: EventKind, args: argparse.Namespace, room: RoomAtHand) -> KeeperEvent:
    """The entry as the command's words say it."""
    at, day_only = _when(args.at, room)
    box, to_box = getattr(args, "box", ""), getattr(args, "to", "")
    _boxes_known(room, box, to_box, kind)
    not_yet = getattr(args, "not_yet_at", None)
    species = species_named(args.species, room) if kind is _K.LAID else ""
    if kind is _K.NOTE and not args.note:
        raise UsageError("a note without words", fix='give --note "..."')
    plain = ("eggs", "slugs", "gone", "dam", "sire", "line", "how", "not_set", "grams", *COUNTED)
    more: dict[str, Any] = {name: getattr(args, name) for name in plain if hasattr(args, name)}
    return KeeperEvent(
        kind=kind,
        clutch=getattr(args, "clutch", ""),
        at_ms=at,
        recorded_ms=now_ms(),
        box=box,
        to_box=to_box,
        not_yet_at_ms=_when(not_yet, room)[0] if not_yet else None,
        day_only=day_only,
        species=species,
        text=args.note,
        developed=_share(getattr(args, "developed", "0")),
        by=args.by,
        **more,
    )


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
    at, lots = now_ms(), room.derived.histories
    # Both rest on the same readings, which are read once; and no window is worked out that is not shown.
    with room.derived.hours.sweep():
        found = lots.once(at, before.id, lambda lot: not lot.pipped and lot.waiting > 0)
        dated = {now.lot.id for now in found if now.first_pip is not None}
        was = {x.lot.id: _days(x, room) for x in lots.once(at, before, lambda lot: lot.id in dated)} if dated else {}
    if any(now.venomous and now.lot.pips for now in found):
        say(_bites())
    for now in found:
        name, days = name_eggs(now.lot.id), _days(now, room)
        if now.lot.pips and now.refused not in ("", now.still_open):
            say(f"  note: {name} gets no date: {now.refused}")
        if days:
            moved = was.get(now.lot.id, "") not in ("", days)
            print(f"  {name}: first pip expected {days}" + (f" (before this: {was[now.lot.id]})" if moved else ""))


def _bites() -> str:
    """What is said where hatchlings of a venomous species may be met."""
    from monitor.core.development.species import VENOMOUS, VENOMOUS_CARE

    return f"  venomous: {' '.join((VENOMOUS, *VENOMOUS_CARE))}"


def _days(lot: LotNow, room: RoomAtHand) -> str:
    if lot.first_pip is None:
        return ""
    window = lot.first_pip.window
    return f"{show_date(window.p10_ms, room.zone)} to {show_date(window.p90_ms, room.zone)}"


def species_named(name: str, room: RoomAtHand) -> str:
    """The id of a profile that can be read; how the name was taken is printed."""
    from monitor.config.library import load_profile, named

    found, said = named(name, room.settings.profiles_dir)
    if said:
        print(said)
    load_profile(found, room.settings.profiles_dir)
    return found


def run_correct(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        standing = {e.id: e for e in effective(room.store.account.events())}
        old = standing.get(args.event)
        if old is None:
            raise UnknownSubject(f"no standing entry {args.event}", fix="see the numbers: warmtally clutch show CLUTCH")
        changes: dict[str, object] = {}
        if args.at is not None:
            changes["at_ms"], changes["day_only"] = _when(args.at, room)
        if args.not_yet_at is not None:
            changes["not_yet_at_ms"] = _when(args.not_yet_at, room)[0]
        plain = ("eggs", "slugs", "gone", "box", "how", "grams", "dam", "sire", "line", *COUNTED)
        told_of = [(name, getattr(args, name)) for name in plain]
        changes |= {
            name: value for name, value in (*told_of, ("to_box", args.to), ("text", args.note)) if value is not None
        }
        if args.developed is not None:
            changes["developed"] = _share(args.developed)
        if args.species is not None:
            changes["species"] = species_named(args.species, room)
        if not changes and not args.withdraw:
            raise UsageError("nothing to correct", fix="give what was wrong (--at, --eggs, --box ...) or --withdraw")
        _boxes_known(room, args.box or "", args.to or "", old.kind)
        new = dataclasses.replace(
            old,
            id=0,
            recorded_ms=now_ms(),
            corrects=args.event,
            withdrawn=args.withdraw,
            by=args.by,
            **changes,  # type: ignore[arg-type]
        )
        told = room.store.account.tell(new)
        what = "taken back" if args.withdraw else f"now: {sentence(told, room)}"
        print(f"entry {told.id}: entry {args.event} {what}")
    return 0


def sentence(event: KeeperEvent, room: RoomAtHand, *, dated: bool = True) -> str:
    """An entry in words; not ``dated``: without its clutch and its time, which stand beside it."""
    at = show_time(event.at_ms, room.zone)
    parts = [f"{event.clutch} {event.kind.value}".strip(), at[:10] if event.day_only else at]
    if not dated:
        parts = [event.kind.value]
    if event.eggs is not None:
        hatchlings = event.kind in (_K.SHED, _K.FED)
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
        (event.not_yet_at_ms is not None, f"not yet at {show_time(event.not_yet_at_ms or 0, room.zone)}"),
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
