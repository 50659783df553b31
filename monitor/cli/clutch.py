"""Clutches: ``warmtally clutch``: added, shown, listed, brought in from a file and written to one."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from monitor.adapters import account_files
from monitor.adapters.store.database import FILE_NAME
from monitor.cli.new_file import new_file
from monitor.cli.output import print_json, say, table
from monitor.cli.record import add_laid, add_when_and_who, print_lots, run_record
from monitor.cli.room import now_ms, room_at_hand, settings_of
from monitor.config.zones import zone_of
from monitor.core.terms.balance import balance_of_all, ended_ms
from monitor.core.terms.entries import Brought, FileRow, bring
from monitor.core.terms.events import KeeperEvent
from monitor.core.terms.formats import show_eggs, show_time
from monitor.errors import EventRefused, MonitorError, UsageError
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.clutches import clutch_json, clutch_named, where_words
from monitor.telling.entering import sentence

# Rows that are named one by one.
MOST_TOLD = 100


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    clutch = sub.add_parser(
        "clutch",
        help="add, show and list clutches; bring them in from a file, or write them to one",
        description="Clutches: add, show, list, bring in from a file, write to one.",
    )
    inner = clutch.add_subparsers(dest="what", required=True, metavar="WHAT")
    add = inner.add_parser(
        "add",
        parents=[parent],
        help="a clutch was laid",
        epilog="example: warmtally clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 12",
    )
    add.add_argument("clutch", help="a name of your own for it, without blanks")
    add.add_argument("--laid", required=True, metavar="WHEN", help="day, or day and time, in the room's zone")
    add_laid(add)
    add_when_and_who(add, "--laid")
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
        "list", parents=[parent], help="the clutches, a line each", description="The clutches, a line each."
    )
    listed.add_argument("--all", action="store_true", help="those that have ended as well")
    listed.add_argument("--json", action="store_true", help="as JSON, those that have ended as well")
    listed.set_defaults(run=run_list)
    _add_files(inner, parent)


def _add_files(inner: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    brought = inner.add_parser(
        "import",
        parents=[parent],
        help="bring an account in from a file: an old season, or another room's",
        description="Bring an account in from a file with a line of column names (CSV), or from JSON lines. A row is "
        "an entry. Nothing is written while one row cannot be taken, unless --take-rest; what is there already is not "
        "doubled. The columns are in the guide to the configuration.",
        epilog="example: warmtally clutch import season-2024.csv --dry-run",
    )
    brought.add_argument("file", metavar="FILE", help="the file, in UTF-8")
    brought.add_argument("--dry-run", action="store_true", help="name every row that cannot be taken; write nothing")
    brought.add_argument("--take-rest", action="store_true", help="leave those rows out and take the others")
    brought.add_argument("--json", action="store_true")
    brought.set_defaults(run=run_import)
    out = inner.add_parser(
        "export",
        parents=[parent],
        help="write the whole account to a file",
        description="Write every entry that was ever told, corrections too. What is written can be brought in again.",
        epilog="example: warmtally clutch export --out account.csv",
    )
    out.add_argument("--out", metavar="FILE", help="write to this file (default: standard output)")
    out.add_argument("--replace", action="store_true", help="write over a file that is there already")
    out.add_argument("--format", choices=account_files.FORMS, default="csv", help="csv (default), jsonl or parquet")
    out.set_defaults(run=run_export)


def run_add(args: argparse.Namespace) -> int:
    args.at = args.laid
    args.kind = "laid"
    return run_record(args)


def run_show(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        clutch = clutch_named(room.store.account.clutches(), args.clutch)
        if args.json:
            print_json(clutch_json(clutch))
            return 0
        laid = show_time(clutch.laid_ms, room.zone)
        laid = laid[:10] if clutch.laid_day_only else laid
        told = clutch.events[0]
        parents = [f"{what} {name}" for what in ("dam", "sire", "line") if (name := getattr(told, what))]
        say(", ".join([f"{clutch.id}: {clutch.species}, laid {laid}, {show_eggs(clutch.eggs)}", *parents]))
        print_lots(clutch)
        if clutch.shed or clutch.fed:
            print(f"  hatchlings: {clutch.shed} have shed, {clutch.fed} have eaten")
        print()
        print(
            table(
                ["entry", "when", "what"],
                [[str(e.id), _when(e, room), sentence(e, room.zone, dated=False)] for e in clutch.events],
            )
        )
    return 0


def _when(event: KeeperEvent, room: RoomAtHand) -> str:
    at = show_time(event.at_ms, room.zone)
    return at[:10] if event.day_only else at


def run_list(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        clutches = room.store.account.clutches()
        if args.json:
            print_json([clutch_json(c) for c in clutches.values()])
            return 0
        if not clutches:
            print("no clutch yet; add one: warmtally clutch add NAME --species ID --laid DAY --eggs N")
            return 0
        shown = [c for c in clutches.values() if args.all or ended_ms(c) is None]
        if shown:
            rows = [[c.id, c.species, show_time(c.laid_ms, room.zone)[:10], str(c.eggs), where_words(c)] for c in shown]
            print(table(["clutch", "species", "laid", "eggs", "where, or what became of them"], rows))
        if len(shown) < len(clutches):
            print(f"{len(clutches) - len(shown)} more have ended: warmtally clutch list --all")
        odd = balance_of_all(clutches.values()).odd
        if odd:
            print(f"{odd} eggs are not accounted for: see each clutch with warmtally clutch show")
    return 0


def run_import(args: argparse.Namespace) -> int:
    path = Path(args.file)
    settings = settings_of(args)
    rows, bad = account_files.read(path, zone_of(settings.room.zone), now_ms())
    rows, unknown = _with_species(rows, settings.profiles_dir)
    wrong = [*bad, *unknown]

    def wanted(brought: Brought) -> bool:
        return not args.dry_run and (args.take_rest or not (wrong or brought.refused))

    if args.dry_run and not Path(settings.data_dir, FILE_NAME).exists():
        return _told(args, bring(rows, []), wrong, writes=False)
    with room_at_hand(args, create=True) as room:
        brought = room.store.account.bring(rows, wanted)
        if writes := wanted(brought):
            _say_dry(brought, room)
    return _told(args, brought, wrong, writes=writes)


def _told(args: argparse.Namespace, brought: Brought, wrong: list[tuple[int, MonitorError]], *, writes: bool) -> int:
    """Says what came of it; the exit code."""
    refused = sorted([*wrong, *brought.refused], key=lambda x: x[0])
    if args.json:
        found = {"taken": brought.taken, "there_already": brought.there, "written": writes}
        print_json({**found, "refused": [{"row": row, "what": e.what, "fix": e.fix} for row, e in refused]})
    else:
        for row, error in refused[:MOST_TOLD]:
            say(f"row {row}: {error}")
        if len(refused) > MOST_TOLD:
            print(f"and {len(refused) - MOST_TOLD} rows more (--json has all)")
        would = "" if writes else "would be "
        print(
            f"{Path(args.file).name}: {_entries(brought.taken)} {would}taken, {brought.there} were there already, ",
            end="",
        )
        print(f"{len(refused)} cannot be taken")
        if refused and not writes and not args.dry_run:
            print("nothing was written; put those rows right, or leave them out with --take-rest")
    return EventRefused.exit_code if refused and not writes else 0


def _entries(count: int) -> str:
    return f"{count} entr{'y' if count == 1 else 'ies'}"


def _say_dry(brought: Brought, room: RoomAtHand) -> None:
    """Of the first of the clutches: which boxes have no readings of their time."""
    boxes = set()
    for clutch in list(dict.fromkeys(event.clutch for event in brought.new if event.clutch))[:10]:
        boxes |= {lot.lot.box for lot in room.derived.lots(now_ms(), clutch=clutch) if lot.past is None}
    if boxes:
        print(
            f"no readings are there of {', '.join(sorted(boxes))} for that time;\n"
            "  a logger's file brings them: warmtally import FILE --probe ID (see its --help)",
            file=sys.stderr,
        )


def _with_species(rows: list[FileRow], own_dir: str | None) -> tuple[list[FileRow], list[tuple[int, MonitorError]]]:
    """The rows whose species are known, by its id; and what is wrong with the others."""
    from monitor.config.library import load_profile, named

    kept, bad, known = [], [], {}
    for row in rows:
        name = row.event.species
        if name and name not in known:
            try:
                known[name] = named(name, own_dir)[0]
                load_profile(known[name], own_dir)
            except MonitorError as error:
                bad.append((row.row, error))
                continue
        kept.append(row.named(known[name]) if name else row)
    return kept, bad


def run_export(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        events = room.store.account.events()
        if args.out is None:
            if args.format == "parquet":
                raise UsageError("Parquet is no text", fix="give --out FILE")
            account_files.write(sys.stdout, events, room.zone, args.format)
            return 0
        with new_file(Path(args.out), replace=args.replace) as path:
            account_files.write_file(path, events, room.zone, args.format)
        print(f"{len(events)} entries written to {args.out}")
    return 0
