"""The keeper's account: ``warmtally clutch`` and ``warmtally record``."""

from __future__ import annotations

import argparse
import dataclasses
from collections.abc import Mapping
from typing import Any

from monitor.cli.output import print_json, table, utc
from monitor.cli.room import RoomAtHand, now_ms, parse_time, room_at_hand, whole
from monitor.config.library import load_profile, named
from monitor.core.terms.events import COUNTED, Clutch, EventKind, KeeperEvent
from monitor.core.terms.formats import show_eggs, show_time
from monitor.core.terms.projection import MOST_DEVELOPED, effective
from monitor.errors import EventRefused, UnknownSubject, UsageError

# A moment so little ahead of now is a clock that is a little off, not a mistake.
AHEAD_MS = 300_000
DEVELOPED = (
    f"how far the eggs were when laid, as a share of the whole development: 0.2 or 20%%, {MOST_DEVELOPED:g} at most "
    "(default: not at all)"
)


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    clutch = sub.add_parser("clutch", help="add, show and list clutches", description="Clutches: add, show, list.")
    inner = clutch.add_subparsers(dest="what", required=True, metavar="WHAT")
    add = inner.add_parser(
        "add",
        parents=[parent],
        help="a clutch was laid",
        epilog="example: warmtally clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 12",
    )
    add.add_argument("clutch", help="a name of your own for it")
    add.add_argument("--species", required=True, help="a profile's id; see: warmtally species")
    add.add_argument("--laid", required=True, metavar="WHEN", help="day, or day and time, in the room's zone")
    add.add_argument("--eggs", required=True, type=whole, help="how many")
    add.add_argument("--developed", metavar="SHARE", default="0", help=DEVELOPED)
    add.add_argument("--note", default="", help="anything worth remembering")
    add.set_defaults(run=run_add)
    show = inner.add_parser(
        "show",
        parents=[parent],
        help="one clutch with its whole account",
        epilog="example: warmtally clutch show K01",
    )
    show.add_argument("clutch")
    show.add_argument("--json", action="store_true")
    show.set_defaults(run=run_show)
    listed = inner.add_parser(
        "list", parents=[parent], help="all clutches, a line each", description="All clutches, a line each."
    )
    listed.add_argument("--json", action="store_true")
    listed.set_defaults(run=run_list)
    record = sub.add_parser(
        "record",
        help="tell what happened to eggs",
        description="Tell what happened. Nothing is ever overwritten: a wrong entry is corrected by a further one.",
    )
    kinds = record.add_subparsers(dest="kind", required=True, metavar="WHAT")
    _add_kinds(kinds, parent)
    _add_correct(kinds, parent)


def _add_kinds(kinds: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    texts = {
        "laid": "a clutch was laid (the same as: clutch add)",
        "set": "eggs were set in a box",
        "moved": "eggs were moved to another box; their development goes with them",
        "looked": "the eggs were looked at, and there was nothing to see",
        "candled": "eggs were candled: --alive says how many show vessels, move, or are pink and firm",
        "removed": "eggs were taken out (infertile, given away)",
        "pipped": "eggs were seen pipped; --not-yet-at is the last look at which they had not",
        "hatched": "hatchlings have left their eggs",
        "dead": "eggs died (dead in shell, slugs)",
        "note": "anything worth remembering",
    }
    for kind, text in texts.items():
        p = kinds.add_parser(kind, parents=[parent], help=text, description=text[0].upper() + text[1:] + ".")
        p.add_argument("clutch")
        p.add_argument("--at", metavar="WHEN", default="now", help="when it happened or was seen (default: now)")
        if kind == "laid":
            p.add_argument("--species", required=True)
        if kind not in ("note", "laid", "candled", "looked"):
            p.add_argument("--eggs", type=whole, help="how many (default: all that are there; pipped: one)")
        if kind == "laid":
            p.add_argument("--developed", metavar="SHARE", default="0", help=DEVELOPED)
            p.add_argument("--eggs", type=whole, required=True)
        if kind not in ("note", "laid"):
            p.add_argument("--box", default="", help="the box or lot it is about; may be left out when there is one")
        if kind == "moved":
            p.add_argument("--to", default="", metavar="BOX", help="where to")
        if kind == "candled":
            _add_counts(p)
        if kind in ("pipped", "hatched"):
            p.add_argument("--not-yet-at", metavar="WHEN", help="the last look at which it had not happened yet")
        p.add_argument("--note", default="", help="anything worth remembering")
        p.set_defaults(run=run_record)


def _add_counts(p: argparse.ArgumentParser) -> None:
    texts = (
        "how many are fertile, and alive; the others are not waited for",
        "how many of the eggs that lie still were seen alive",
        "of how many of them it could not be told",
        "how many are clear: nothing in them, not waited for",
    )
    for name, text in zip(COUNTED, texts, strict=True):
        p.add_argument(f"--{name}", type=whole, help=f"candled: {text}")


def _add_correct(kinds: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    correct = kinds.add_parser(
        "correct",
        parents=[parent],
        help="put an earlier entry right, or take it back",
        epilog="example: warmtally record correct 7 --eggs 5    (numbers: warmtally clutch show K01)",
    )
    correct.add_argument("event", type=whole, help="the entry's number")
    correct.add_argument("--withdraw", action="store_true", help="it did not happen at all")
    correct.add_argument("--at", metavar="WHEN", help="when it happened or was seen")
    correct.add_argument("--not-yet-at", metavar="WHEN", help="the last look at which it had not happened yet")
    correct.add_argument("--eggs", type=whole, help="how many")
    _add_counts(correct)
    correct.add_argument("--box", help="the box or lot it is about")
    correct.add_argument("--to", metavar="BOX", help="where to (moved)")
    correct.add_argument("--species", help="a profile's id (laid)")
    correct.add_argument("--developed", metavar="SHARE", help=DEVELOPED)
    correct.add_argument("--note", help="anything worth remembering")
    correct.set_defaults(run=run_correct)


def _when(text: str, room: RoomAtHand) -> tuple[int, bool]:
    at, day_only = parse_time(text, room.zone)
    if at > now_ms() + AHEAD_MS and not (
        day_only and show_time(at, room.zone)[:10] == show_time(now_ms(), room.zone)[:10]
    ):
        raise EventRefused(f"{text} lies in the future", fix="an entry tells what has happened; check the date")
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
    by_lot = "" if kind is EventKind.SET else box.rpartition("/")[2].partition("#")[0]
    for told, plain in ((box, by_lot or box), (to_box, to_box)):
        if plain and plain not in known:
            raise UnknownSubject(
                f"no box {told!r} in the configuration", where=room.settings.file, fix=f"boxes: {', '.join(known)}"
            )


def run_add(args: argparse.Namespace) -> int:
    args.at = args.laid
    args.kind = "laid"
    return run_record(args)


def run_record(args: argparse.Namespace) -> int:
    with room_at_hand(args, create=True) as room:
        kind = EventKind(args.kind)
        at, day_only = _when(args.at, room)
        box, to_box = getattr(args, "box", ""), getattr(args, "to", "")
        _boxes_known(room, box, to_box, kind)
        not_yet = getattr(args, "not_yet_at", None)
        species = getattr(args, "species", "")
        if species:
            species = _species(species, room)
        if kind is EventKind.NOTE and not args.note:
            raise UsageError("a note without words", fix='give --note "..."')
        counted: dict[str, Any] = {name: getattr(args, name, None) for name in COUNTED}
        event = KeeperEvent(
            kind=kind,
            clutch=args.clutch,
            at_ms=at,
            recorded_ms=now_ms(),
            box=box,
            to_box=to_box,
            eggs=getattr(args, "eggs", None),
            not_yet_at_ms=_when(not_yet, room)[0] if not_yet else None,
            day_only=day_only,
            species=species,
            **counted,
            text=args.note,
            developed=_share(getattr(args, "developed", "0")),
        )
        told = room.store.account.tell(event)
        clutch = room.store.account.clutches()[args.clutch]
        print(f"entry {told.id}: {_sentence(told, room)}")
        if kind is EventKind.LAID:
            profile = room.derived.book.of(event.species)
            if profile.refused:
                print(f"  note: no forecast will be made: {profile.refused}")
            print(f'  next: warmtally record set {args.clutch} --box BOX --eggs {event.eggs} --at "WHEN"')
        else:
            _print_lots(clutch)
            if event.kind in (EventKind.PIPPED, EventKind.HATCHED):
                odd = [lot for lot in room.derived.lots(now_ms(), clutch=args.clutch) if lot.lot.pips and lot.refused]
                for lot in odd:
                    print(f"  note: {lot.lot.id} gets no date: {lot.refused}")
    return 0


def _species(name: str, room: RoomAtHand) -> str:
    """The id of a profile that can be read; how the name was taken is printed."""
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
        for name, value in (
            ("eggs", args.eggs),
            *((name, getattr(args, name)) for name in COUNTED),
            ("box", args.box),
            ("to_box", args.to),
            ("text", args.note),
        ):
            if value is not None:
                changes[name] = value
        if args.developed is not None:
            changes["developed"] = _share(args.developed)
        if args.species is not None:
            changes["species"] = _species(args.species, room)
        if not changes and not args.withdraw:
            raise UsageError("nothing to correct", fix="give what was wrong (--at, --eggs, --box ...) or --withdraw")
        _boxes_known(room, args.box or "", args.to or "", old.kind)
        new = dataclasses.replace(
            old,
            id=0,
            recorded_ms=now_ms(),
            corrects=args.event,
            withdrawn=args.withdraw,
            **changes,  # type: ignore[arg-type]
        )
        told = room.store.account.tell(new)
        what = "taken back" if args.withdraw else f"now: {_sentence(told, room)}"
        print(f"entry {told.id}: entry {args.event} {what}")
    return 0


def _sentence(event: KeeperEvent, room: RoomAtHand) -> str:
    at = show_time(event.at_ms, room.zone)
    parts = [f"{event.clutch} {event.kind.value}", at[:10] if event.day_only else at]
    if event.eggs is not None:
        parts.append(show_eggs(event.eggs))
    parts += [f"{count} {what}" for what, count in event.counts]
    if event.box:
        parts.append(f"box {event.box}")
    if event.to_box:
        parts.append(f"to box {event.to_box}")
    if event.not_yet_at_ms is not None:
        parts.append(f"not yet at {show_time(event.not_yet_at_ms, room.zone)}")
    if event.species:
        parts.append(event.species)
    if event.developed:
        parts.append(f"{100 * event.developed:.0f} % developed")
    if event.text:
        parts.append(f'"{event.text}"')
    return ", ".join(parts)


def _print_lots(clutch: Clutch) -> None:
    for lot in clutch.lots:
        if lot.moved_on:
            continue
        state = "" if lot.open else " (closed)"
        print(
            f"  {lot.id}: {show_eggs(lot.eggs)} in box {lot.box}{state}"
            + (f", {lot.pipped} pipped" if lot.pipped else "")
            + (f", {lot.hatched} hatched" if lot.hatched else "")
            + (f", {lot.dead} dead" if lot.dead else "")
            + (f", {lot.removed} removed" if lot.removed else "")
            + (f", {lot.infertile} infertile" if lot.infertile else "")
        )
    if clutch.unplaced:
        print(f"  in no box yet: {show_eggs(clutch.unplaced)}")


def _clutch_json(clutch: Clutch) -> dict[str, object]:
    return {
        "clutch": clutch.id,
        "species": clutch.species,
        "laid": utc(clutch.laid_ms),
        "laid_day_only": clutch.laid_day_only,
        "developed_when_laid": clutch.developed,
        "eggs": clutch.eggs,
        "unplaced": clutch.unplaced,
        "lots": [
            {
                "lot": lot.id,
                "box": lot.box,
                "eggs": lot.eggs,
                "eggs_set": lot.eggs_set,
                "waiting": lot.waiting,
                "pipped": lot.pipped,
                "hatched": lot.hatched,
                "dead": lot.dead,
                "removed": lot.removed,
                "infertile": lot.infertile,
                "open": lot.open,
                "stays": [{"box": s.box, "from": utc(s.from_ms), "to": utc(s.to_ms)} for s in lot.path],
                "pips": [{"after": utc(p.after_ms), "by": utc(p.by_ms), "eggs": p.count} for p in lot.pips],
            }
            for lot in clutch.lots
            if not lot.moved_on
        ],
        "account": [
            {
                "entry": e.id,
                "kind": e.kind.value,
                "at": utc(e.at_ms),
                "recorded": utc(e.recorded_ms),
                "box": e.box or None,
                "to": e.to_box or None,
                "eggs": e.eggs,
                **{name: getattr(e, name) for name in COUNTED},
                "not_yet_at": utc(e.not_yet_at_ms),
                "note": e.text or None,
            }
            for e in clutch.events
        ],
    }


def _one(clutches: Mapping[str, Clutch], name: str) -> Clutch:
    if name not in clutches:
        raise UnknownSubject(f"no clutch {name!r}", fix=f"known: {', '.join(sorted(clutches)) or 'none yet'}")
    return clutches[name]


def run_show(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        clutch = _one(room.store.account.clutches(), args.clutch)
        if args.json:
            print_json(_clutch_json(clutch))
            return 0
        laid = show_time(clutch.laid_ms, room.zone)
        laid = laid[:10] if clutch.laid_day_only else laid
        print(f"{clutch.id}: {clutch.species}, laid {laid}, {show_eggs(clutch.eggs)}")
        _print_lots(clutch)
        print()
        print(
            table(
                ["entry", "when", "what"],
                [[str(e.id), show_time(e.at_ms, room.zone), _sentence(e, room)] for e in clutch.events],
            )
        )
    return 0


def run_list(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        clutches = room.store.account.clutches()
        if args.json:
            print_json([_clutch_json(c) for c in clutches.values()])
            return 0
        if not clutches:
            print("no clutch yet; add one: warmtally clutch add NAME --species ID --laid DAY --eggs N")
            return 0
        print(
            table(
                ["clutch", "species", "laid", "eggs", "boxes"],
                [
                    [
                        c.id,
                        c.species,
                        show_time(c.laid_ms, room.zone)[:10],
                        str(c.eggs),
                        ", ".join(f"{x.box} ({x.eggs})" for x in c.lots if x.open),
                    ]
                    for c in clutches.values()
                ],
            )
        )
    return 0
