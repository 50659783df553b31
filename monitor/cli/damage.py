"""``warmtally verify`` and ``repair``: what is damaged, and what can be made of it."""

from __future__ import annotations

import argparse
from collections import defaultdict
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.cli.output import print_json, say
from monitor.cli.progress import bar
from monitor.cli.room import now_ms, settings_if_any, settings_of
from monitor.config.zones import zone_of
from monitor.core.terms.formats import show_time
from monitor.core.terms.settings import Settings
from monitor.core.terms.times import HOUR_MS
from monitor.errors import BackupUnfit, StoreCorrupt, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.adapters.store.salvage import Salvage
    from monitor.adapters.store.soundness import Finding

MOST_LINES = 30
"""So many things that are damaged are told; all of them with --json."""


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    looked = sub.add_parser(
        "verify",
        parents=[parent],
        help="look a store or a backup through for damage",
        description="SQLite's own check of the file, what each column may hold, the sum of every chunk of readings "
        "and, in a backup, of every file. Changes nothing, also while the service runs. Exit code 14 where a store is "
        "damaged, 16 where a backup is.",
        epilog="examples:\n  warmtally verify\n  warmtally verify /mnt/stick/warmtally\n  warmtally verify --json",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    looked.add_argument("place", metavar="PLACE", nargs="?", help="a store's folder, a backup, or a folder of backups")
    looked.add_argument("--json", action="store_true")
    looked.set_defaults(run=run_verify)
    mended = sub.add_parser(
        "repair",
        parents=[parent],
        help="set aside what is damaged in the store, and make what is left whole again",
        description="Reads a copy of the damaged store row by row into a new one, which takes its place only when it "
        "is whole; the old one and every row that was not taken stay in a folder beside it. What a backup has of what "
        "is missing is taken from there. Sums of hours are made anew by the service. Stop the service first.",
        epilog="examples:\n  warmtally repair\n  warmtally repair --from /mnt/stick/warmtally",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    mended.add_argument(
        "--from", dest="backup", metavar="BACKUP", help="a backup, or a folder of them (default: as [backup] says)"
    )
    mended.add_argument("--json", action="store_true")
    mended.set_defaults(run=run_repair)


def run_verify(args: argparse.Namespace) -> int:
    from monitor.adapters import backups
    from monitor.adapters.store.database import FILE_NAME
    from monitor.adapters.store.soundness import examined, how_much

    if args.place is None:
        settings: Settings | None = settings_of(args)
        assert settings is not None
        place, store = Path(settings.data_dir), True
    else:
        place, settings = Path(args.place), settings_if_any(args)
        store = place.is_file() or (place / FILE_NAME).exists()
    if store:
        path = place if place.is_file() else place / FILE_NAME
        with bar("verifying", how_much(path)) as progress:
            found = examined(path, progress=progress)
    else:
        path = backups.chosen(place)
        with bar("verifying", how_much(path / "data" / FILE_NAME, still=True)) as progress:
            found = backups.verified(path, progress)
    zone = zone_of(settings.room.zone) if settings is not None else UTC
    if args.json:
        print_json({"place": str(path), "whole": not found, "found": [finding_json(f) for f in found]})
    else:
        say(f"{path}: {'whole' if not found else 'damaged'}")
        tell(found, zone)
        if found:
            say(f"  what to do: {'stop the service, then: warmtally repair' if store else 'take another backup'}")
    code = StoreCorrupt.exit_code if store else BackupUnfit.exit_code
    return code if found else 0


def tell(found: Sequence[Finding], zone: tzinfo) -> None:
    """A line for each thing that is damaged or missing."""
    for finding in found[:MOST_LINES]:
        where = f"probe {finding.probe}" if finding.probe else finding.table
        when = ""
        if finding.from_ms is not None and finding.to_ms is not None:
            when = f", {show_time(finding.from_ms, zone)} to {show_time(finding.to_ms, zone)}"
        say(f"  {where}{when}: {finding.what}" if where else f"  {finding.what}")
    if len(found) > MOST_LINES:
        say(f"  and {len(found) - MOST_LINES} more: --json")


def finding_json(finding: Finding) -> dict[str, Any]:
    from monitor.telling.as_json import utc

    return {
        "table": finding.table,
        "what": finding.what,
        "found_by": finding.by,
        "probe": finding.probe or None,
        "from": utc(finding.from_ms),
        "to": utc(finding.to_ms),
    }


# -- repair ----------------------------------------------------------------------------------------------------------


def run_repair(args: argparse.Namespace) -> int:
    from monitor.adapters.store.database import FILE_NAME, ServiceLock
    from monitor.adapters.store.salvage import mend
    from monitor.adapters.store.soundness import how_much

    settings = settings_of(args)
    data_dir = Path(settings.data_dir)
    if not data_dir.is_dir():
        raise UsageError("there is no store here", where=str(data_dir), fix="give the right --data DIR")
    lock = ServiceLock(data_dir)
    try:
        stamp = f"{datetime.fromtimestamp(now_ms() / 1000, UTC):%Y%m%dT%H%M%SZ}"
        with bar("verifying", how_much(data_dir / FILE_NAME)) as progress:
            outcome = mend(data_dir, stamp, _backups(args, settings), progress)
        effects = _effects(args, outcome) if outcome.lost else []
    finally:
        lock.release()
    if args.json:
        print_json(
            {
                "aside": None if outcome.aside is None else str(outcome.aside),
                "found": [finding_json(f) for f in outcome.found],
                "missing": [finding_json(f) for f in outcome.lost],
                "from_backups": outcome.refilled,
                "rows": outcome.rows,
                "eggs": effects,
            }
        )
        return 0
    _say_outcome(outcome, effects, zone_of(settings.room.zone))
    return 0


def _say_outcome(outcome: Salvage, effects: list[str], zone: tzinfo) -> None:
    if outcome.aside is None:
        say("the store is whole: nothing to repair")
        return
    say(f"the store is whole again; what was there before is kept: {outcome.aside}")
    if outcome.refilled:
        say(f"  from backups: {outcome.refilled} rows that were damaged or gone")
    if outcome.lost:
        say("missing now:")
        tell(outcome.lost, zone)
    else:
        say("  nothing is missing")
    for line in effects:
        say(f"  {line}")


def _backups(args: argparse.Namespace, settings: Settings) -> list[Path]:
    """Stores of backups that may have what is missing, the newest first; only such as are whole."""
    from monitor.adapters import backups
    from monitor.adapters.store.database import FILE_NAME

    place = args.backup or (settings.backup.folder if settings.backup is not None else None)
    if place is None:
        return []
    path = Path(place)
    named = [path] if backups.is_backup(path) else backups.good(path)[:3]
    if args.backup and not named:
        raise BackupUnfit("there is no good backup here", where=str(path), fix="name another folder")
    whole = [each for each in named if not backups.verified(each)]
    if args.backup and not whole:
        raise BackupUnfit("it is damaged itself", where=str(named[0]), fix="take another; warmtally verify tells more")
    return [each / "data" / FILE_NAME for each in whole]


def _effects(args: argparse.Namespace, outcome: Salvage) -> list[str]:
    """What the hours that are missing mean for the eggs: their time is filled, which makes a window wider."""
    from monitor.cli.room import room_at_hand
    from monitor.telling.forecast import between

    gone: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for finding in outcome.lost:
        if finding.probe and finding.from_ms is not None and finding.to_ms is not None:
            gone[finding.probe].append((finding.from_ms, finding.to_ms))
    if any(finding.table == "event" for finding in outcome.lost):
        told = ["entries of the account are missing: look it through (warmtally clutch list), and enter them again"]
    else:
        told = []
    if not gone:
        return told
    now = now_ms()
    with room_at_hand(args) as room:
        boxes = {p.box: gone[p.id] for p in room.settings.room.probes if p.id in gone and p.box is not None}
        room.derived.follow(now)
        for lot in room.derived.lots(now):
            hours = (
                sum(
                    max(0, min(b, stay.to_ms if stay.to_ms is not None else now) - max(a, stay.from_ms))
                    for stay in lot.lot.path
                    for a, b in boxes.get(stay.box, ())
                )
                / HOUR_MS
            )
            if hours:
                window = f"; its first pip {between(lot.first_pip.window, room)}" if lot.first_pip is not None else ""
                told.append(f"{lot.lot.id}: up to {hours:.0f} h of its time are filled now, not measured{window}")
    return told
