"""``warmtally backup`` and ``restore``: a room kept elsewhere, and put back."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.cli.output import print_json, say
from monitor.cli.progress import bar
from monitor.cli.room import now_ms, settings_of, whole
from monitor.core.terms.formats import show_time
from monitor.core.terms.settings import Settings
from monitor.errors import UsageError

if TYPE_CHECKING:
    from monitor.adapters.backups import Origin


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    made = sub.add_parser(
        "backup",
        parents=[parent],
        help="a verified copy of the store, the room's file, species and secrets, while the service runs",
        description="Copies the store as it is at one moment, also while the service runs, with the room's file and "
        "what lies beside it, species of your own, who may look at the page, and the secret of the answers. It is "
        "verified before it counts. What cannot be copied is named. Keep it where nobody else can read it.",
        epilog="examples:\n  warmtally backup /mnt/stick/warmtally\n  warmtally backup --keep 14\n"
        "  warmtally backup /mnt/stick/warmtally --json",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    made.add_argument("folder", metavar="DIR", nargs="?", help="the folder for backups (default: as [backup] says)")
    made.add_argument(
        "--keep", type=whole, metavar="N", help="drop the oldest good ones beyond so many, once it is good"
    )
    made.add_argument("--json", action="store_true")
    made.set_defaults(run=run_backup)
    back = sub.add_parser(
        "restore",
        parents=[parent],
        help="put a backup in its place, on a new computer or after the store was lost",
        description="Verifies a backup and puts everything that is in it where it was, or where --config and --data "
        "say. Refused where a store is, or a service runs on it. Files of the room that differ are moved aside.",
        epilog="examples:\n  warmtally restore /mnt/stick/warmtally\n"
        "  warmtally restore /mnt/stick/warmtally/20260601T013000Z --aside\n"
        "  warmtally restore backup --config trial/room.toml --data trial/data",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    back.add_argument("backup", metavar="BACKUP", help="a backup, or the folder of several: then the newest good one")
    back.add_argument("--aside", action="store_true", help="move the store that is there into a folder beside it first")
    back.add_argument("--json", action="store_true")
    back.set_defaults(run=run_restore)


def run_backup(args: argparse.Namespace) -> int:
    from monitor.adapters import backups

    settings = settings_of(args)
    folder = args.folder or (settings.backup.folder if settings.backup is not None else None)
    if folder is None:
        raise UsageError("where to?", fix="name a folder: warmtally backup DIR; or set [backup] in the room's file")
    if args.keep is not None and args.keep < 1:
        raise UsageError(f"--keep {args.keep} would keep none", fix="give 1 or more")
    with bar("copying", 100) as progress:
        made = backups.make(Path(folder), origin_of(settings), now_ms(), keep=args.keep, progress=progress)
    if args.json:
        print_json(
            {
                "backup": str(made.folder),
                "bytes": made.size_bytes,
                "dropped": list(made.pruned),
                "not_in_it": list(made.elsewhere),
                "open_to_others": made.open_to_others,
            }
        )
        return 0
    say(f"{made.folder}: {made.size_bytes / 1e6:.1f} MB, verified")
    if made.pruned:
        say(f"dropped: {', '.join(made.pruned)}")
    for name in made.elsewhere:
        say(f"not in the backup, take it yourself: {name}")
    if made.open_to_others:
        print(
            "warning: whoever has that disk can read it, and there are passwords in it\n"
            "  what to do: lock the disk away, or take one whose file system knows rights",
            file=sys.stderr,
        )
    return 0


def origin_of(settings: Settings) -> Origin:
    """What a backup of a room is made of."""
    from monitor.adapters.backups import Origin
    from monitor.adapters.people import FILE
    from monitor.adapters.store.answers import SECRET_FILE
    from monitor.config.own_files import own_files

    own = own_files(settings)
    data_dir = Path(settings.data_dir)
    beside = {name: data_dir / name for name in (SECRET_FILE, FILE) if (data_dir / name).is_file()}
    return Origin(settings.room.name, Path(settings.file), data_dir, own.room, {**own.data, **beside}, own.elsewhere)


def run_restore(args: argparse.Namespace) -> int:
    from datetime import UTC

    from monitor.adapters import backups
    from monitor.adapters.store import Store
    from monitor.service.safekeeping import forget_backups

    backup = backups.chosen(Path(args.backup))
    manifest = backups.manifest_of(backup)
    room_file, data_dir = Path(args.config or manifest.room_file), Path(args.data or manifest.data_dir)
    with bar("verifying", 0) as progress:
        back = backups.restore(backup, room_file, data_dir, now_ms(), aside=args.aside, progress=progress)
    # Opened once, it has the form of this version, and its mark.
    with Store(data_dir) as store:
        forget_backups(store, now_ms())
    if args.json:
        print_json(
            {
                "backup": str(backup),
                "room": str(back.room_file),
                "data": str(back.data_dir),
                "aside": [str(path) for path in back.aside],
                "not_in_it": list(manifest.elsewhere),
            }
        )
        return 0
    say(f"{manifest.room}, as it was {show_time(manifest.made_at_ms, UTC)} UTC, is back:")
    say(f"  room's file {back.room_file}, store {back.data_dir}")
    for path in back.aside:
        say(f"  what stood there is kept: {path}")
    for name in manifest.elsewhere:
        say(f"  was not in the backup, put it back yourself: {name}")
    say("  next: warmtally check, then start the service (sudo deploy/install, or warmtally run)")
    return 0
