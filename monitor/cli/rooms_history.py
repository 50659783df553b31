"""``warmtally rooms history``: what a room's boxes were like, out of the time-series database that it ships to."""

from __future__ import annotations

import argparse
import csv
import re
import sys
from collections.abc import Sequence
from datetime import tzinfo
from typing import TYPE_CHECKING, Any, Final

from monitor.cli.output import print_json, say, table
from monitor.cli.room import now_ms, parse_time
from monitor.config.zones import zone_of
from monitor.core.terms.formats import show_temperature, show_time
from monitor.core.terms.settings import DisplayUnit, HistoryAt
from monitor.core.terms.times import DAY_MS
from monitor.errors import ConfigError, UsageError

if TYPE_CHECKING:
    from monitor.adapters.history import HistoryStep

UNITS_S: Final = {"s": 1, "min": 60, "h": 3600, "d": 86_400}
STEPS: Final = 48
"""So many lines, about, where nothing else is asked for."""
WIDE: Final = 24


def add_history(inner: argparse._SubParsersAction[argparse.ArgumentParser], where: argparse.ArgumentParser) -> None:
    history = inner.add_parser(
        "history",
        parents=[where],
        help="what a room's boxes were like, out of the database that it ships to",
        description="What a room's boxes were like, out of the time-series database that the room ships to "
        "([shipping]): each box over a span, one box by steps of time, or every reading of a probe.",
        epilog="examples:\n"
        "  warmtally rooms history attic\n"
        "  warmtally rooms history attic left-upper --from 2026-05-01 --to 2026-06-01 --every 6h\n"
        "  warmtally rooms history attic --probe left-upper-warmth --csv\n"
        "  warmtally rooms history attic --url http://192.0.2.6:8086 --database attic --token-file history.token",
    )
    history.add_argument("room", metavar="ROOM", help="its id, which is in the database's name")
    history.add_argument("box", metavar="BOX", nargs="?", help="one box, by steps of time")
    history.add_argument("--probe", metavar="PROBE", help="every reading of a probe, as it was shipped")
    history.add_argument("--from", dest="begin", metavar="TIME", help="from when on (a day before --to)")
    history.add_argument("--to", dest="end", metavar="TIME", help="until when (now)")
    history.add_argument("--every", metavar="SPAN", help="the step: 30min, 6h, 1d (about 48 steps)")
    history.add_argument("--url", help="the database's address (else the file's [history])")
    history.add_argument("--database", metavar="NAME", help='its name there, {room} for the room\'s id ("{room}")')
    history.add_argument("--token-file", metavar="FILE", help="the file that holds the token with which it is read")
    form = history.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true")
    form.add_argument("--csv", action="store_true", help="times in UTC, temperatures in C")
    history.set_defaults(run=run_history)


def run_history(args: argparse.Namespace) -> int:
    """Ask the database, and show it. Raises ConfigError, UsageError and what the database says."""
    from monitor.adapters.history import RoomHistory

    if args.box and args.probe:
        raise UsageError("a box and a probe are both asked for", fix="keep one of them")
    place, zone, unit = _place(args)
    to_ms = now_ms() if args.end is None else parse_time(args.end, zone)[0]
    from_ms = to_ms - DAY_MS if args.begin is None else parse_time(args.begin, zone)[0]
    if from_ms >= to_ms:
        raise UsageError("--from is not before --to", fix="give a span, such as --from 2026-05-01 --to 2026-06-01")
    history = RoomHistory(place, args.room)
    if args.probe:
        rows = [[x.at_ms, x.value, x.flag] for x in history.readings(args.probe, from_ms, to_ms)]
        _told(args, zone, ["at", "value", "flag"], rows)
        return 0
    if args.box is None:
        boxes = history.boxes(from_ms, to_ms)
        if args.json or args.csv:
            named = [[box, x.count, x.mean, x.low, x.high] for box, x in boxes.items()]
            _told(args, zone, ["box", "n", "mean_c", "low_c", "high_c"], named)
            return 0
        print(_shown([(box, x) for box, x in boxes.items()], "box", unit) or _nothing(args.room))
        return 0
    every_ms = _step_ms(args.every, from_ms, to_ms)
    steps = history.box(args.box, from_ms, to_ms, every_ms)
    if args.json or args.csv:
        rows = [[x.from_ms, x.count, x.mean, x.low, x.high] for x in steps]
        _told(args, zone, ["at", "n", "mean_c", "low_c", "high_c"], rows)
        return 0
    print(_shown([(show_time(x.from_ms, zone), x) for x in steps], "from", unit) or _nothing(f"{args.room} {args.box}"))
    return 0


def _place(args: argparse.Namespace) -> tuple[HistoryAt, tzinfo, DisplayUnit]:
    """Which database, and how times and temperatures are shown."""
    from monitor.cli.rooms import overview_file, password

    if args.url is None:
        if args.token_file or args.database:
            raise UsageError("--database and --token-file belong to --url", fix="add --url, or use the file alone")
        settings = overview_file(args.file)
        if settings.history is None:
            fix = 'add [history] with url = "http://192.0.2.6:8086" and token_file to it, or give --url'
            raise ConfigError("the overview's file names no database", where=args.file or "", fix=fix)
        return settings.history, zone_of(args.zone or settings.zone), settings.display_unit
    if not re.fullmatch(r"https?://[^\s/?#@]+(?:/[^\s?#]*)?", args.url):
        raise UsageError(f"{args.url[:60]!r} is no address of a database", fix="write it as http://192.0.2.6:8086")
    try:
        zone = zone_of(args.zone or "UTC")
    except (KeyError, ValueError, OSError):
        raise UsageError(f"there is no time zone {args.zone[:60]!r}", fix="write it as Europe/Vienna") from None
    return HistoryAt(args.url, args.database or "{room}", password(args.token_file) or ""), zone, "C"


def _step_ms(text: str | None, from_ms: int, to_ms: int) -> int:
    if text is None:
        wanted_s = (to_ms - from_ms) / 1000 / STEPS
        usual = (60, 300, 600, 1800, 3600, 3 * 3600, 6 * 3600, 12 * 3600, 86_400, 7 * 86_400)
        return 1000 * next((s for s in usual if s >= wanted_s), usual[-1])
    found = re.fullmatch(r"([0-9]{1,6}) ?(s|min|h|d)", text.strip())
    if found is None or not int(found[1]):
        raise UsageError(f"{text[:40]!r} is no step of time", fix="write it as 30min, 6h or 1d")
    return 1000 * int(found[1]) * UNITS_S[found[2]]


def _told(args: argparse.Namespace, zone: tzinfo, head: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    """For other programs: JSON with times in ms and CSV with times in UTC; for people the readings as a table."""
    from datetime import UTC

    if args.json:
        print_json([dict(zip([name if name != "at" else "at_ms" for name in head], row, strict=True)) for row in rows])
        return
    if args.csv:
        from datetime import datetime

        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow(head)
        for row in rows:
            first = row[0]
            if head[0] == "at":
                first = datetime.fromtimestamp(first / 1000, UTC).isoformat(timespec="milliseconds")
            writer.writerow([first, *row[1:]])
        return
    shown = [[show_time(row[0], zone), f"{row[1]:g}", str(row[2])] for row in rows]
    print(table(["at", "value", "flag"], shown) if shown else _nothing(f"{args.room} {args.probe}"))


def _nothing(what: str) -> str:
    return f"nothing of {what} lies there in this span"


def _shown(steps: Sequence[tuple[str, HistoryStep]], first: str, unit: DisplayUnit) -> str:
    """A table with a drawing of where each lies between the lowest and the highest of all; empty for none."""
    if not steps:
        return ""
    low, high = min(x.low for _, x in steps), max(x.high for _, x in steps)
    say(f"from {show_temperature(low, unit)} to {show_temperature(high, unit)}")
    rows = []
    for name, x in steps:
        a, m, b = (round((v - low) / ((high - low) or 1.0) * (WIDE - 1)) for v in (x.low, x.mean, x.high))
        bar = "".join("o" if n == m else "-" if a <= n <= b else "." for n in range(WIDE))
        shown = [show_temperature(v, unit) for v in (x.mean, x.low, x.high)]
        rows.append([name, *shown, str(x.count), bar])
    return table([first, "mean", "lowest", "highest", "values", "between"], rows)
