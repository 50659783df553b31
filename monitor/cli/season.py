"""A season looked back on: ``warmtally season``, in the terminal, as a page to print, and as a table."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from monitor.cli.new_file import named, write_text
from monitor.cli.output import WIDEST_TABLE, print_json, say, table
from monitor.cli.room import now_ms, parse_time, room_at_hand
from monitor.core.terms.events import Clutch
from monitor.core.terms.formats import show_time
from monitor.core.terms.times import FIRST_YEAR, LAST_YEAR
from monitor.errors import UsageError
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.season import laid_between, laid_in, scene_of_season, season_csv, season_json
from monitor.telling.season_words import MET_HEAD, ClutchWords, SeasonScene, SeasonWords


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    season = sub.add_parser(
        "season",
        parents=[parent],
        help="a season looked back on: eggs, warmth, what was told, what to change; in print with --html or --pdf",
        description="The clutches laid in a year: what became of their eggs, how warm they lay and how long, what was "
        "told and what happened, how notices were met, how even the stacks were, and what to change next season.",
        epilog="examples: warmtally season    warmtally season 2026 --html season.html    "
        "warmtally season 2026 --pdf season.pdf    warmtally season --from 2025-10-01 --to 2026-03-01",
    )
    season.add_argument("year", nargs="?", metavar="YEAR", help="the year of laying (default: the newest that has any)")
    season.add_argument("--from", dest="from_day", metavar="DAY", help="instead: clutches laid from that day on")
    season.add_argument("--to", dest="to_day", metavar="DAY", help="instead: clutches laid before that day")
    season.add_argument("--at", metavar="WHEN", default="now", help="as it was then (default: now)")
    season.add_argument("--html", metavar="FILE", help="write the report as one page with drawings, to read or print")
    season.add_argument("--pdf", metavar="FILE", help="write it as PDF (by Chromium, else by WeasyPrint)")
    season.add_argument("--csv", metavar="FILE", help="write a table: a line for the eggs of each clutch in each box")
    season.add_argument("--json", action="store_true")
    season.set_defaults(run=run_season)


def run_season(args: argparse.Namespace) -> int:
    files = [
        named(text, *suffixes)
        for text, suffixes in ((args.html, (".html", ".htm")), (args.pdf, (".pdf",)), (args.csv, (".csv",)))
        if text is not None
    ]
    with room_at_hand(args) as now:
        at = min(parse_time(args.at, now.zone)[0], now_ms())
        room = now if args.at == "now" else now.as_of(at)
        name, clutches = _chosen(args, room, at)
        scene = scene_of_season(room, name, clutches, at, now_ms())
    made = []
    for path in files:
        made.append(_write(path, scene))
    if args.json:
        print_json({**season_json(scene), "files": [str(path) for path in files]})
        return 0
    if files:
        for line in made:
            print(line)
        return 0
    say(_text(scene), WIDEST_TABLE)
    return 0


def _write(path: Path, scene: SeasonScene) -> str:
    """One file; returns what was done."""
    if path.suffix.lower() == ".csv":
        write_text(path, season_csv(scene.season))
        return f"{path}: a line for the eggs of each clutch in each box"
    from monitor.telling.drawing.season_page import page

    if path.suffix.lower() == ".pdf":
        from monitor.cli.printing import write_pdf

        by = write_pdf(path, page(scene))
        return f"{path}: the report, made by {by}"
    write_text(path, page(scene))
    return f"{path}: the report; open it in a browser, or print it from there"


def _chosen(args: argparse.Namespace, room: RoomAtHand, at_ms: int) -> tuple[str, list[Clutch]]:
    """The season's name and its clutches, in the order of laying. Raises UsageError and UnknownSubject."""
    if args.from_day is None and args.to_day is None:
        return laid_in(room, at_ms, None if args.year is None else year_asked(args.year))
    if args.year is not None:
        raise UsageError("give a year, or --from and --to, not both", fix="warmtally season 2026")
    from_ms = _midnight(args.from_day, room) if args.from_day else 0
    to_ms = _midnight(args.to_day, room) if args.to_day else 2**53
    if to_ms <= from_ms:
        raise UsageError("--to is not after --from", fix="give the earlier day to --from")
    ends = [t for t in (args.from_day, args.to_day) if t]
    name = " to ".join(ends) if len(ends) == 2 else f"from {ends[0]}" if args.from_day else f"before {ends[0]}"
    return name, laid_between(room, at_ms, name, from_ms, to_ms)


def year_asked(text: str) -> int:
    """A year as it was typed. Raises UsageError."""
    if not (text.isdecimal() and FIRST_YEAR <= int(text) <= LAST_YEAR):
        raise UsageError(f"{text[:20]!r} is no year from {FIRST_YEAR} to {LAST_YEAR}", fix="write it as 2026")
    return int(text)


def _midnight(text: str, room: RoomAtHand) -> int:
    """The beginning of a day."""
    at_ms, day_only = parse_time(text, room.zone)
    if not day_only:
        return at_ms
    noon = datetime.fromtimestamp(at_ms / 1000, room.zone)
    return round(noon.replace(hour=0, minute=0).timestamp() * 1000)


def _text(scene: SeasonScene) -> str:
    season, zone, words = scene.season, scene.zone, SeasonWords.of(scene)
    span = f"{show_time(season.from_ms, zone)[:10]} to {show_time(season.to_ms, zone)[:10]}"
    lines = [f"season {season.name}, {season.room}, {span}", *words.short, ""]
    clutches = [ClutchWords.of(c, scene) for c in season.clutches]
    head = ["clutch", "laid on", "laid", "fertile", "hatched", "lost", "to pip", "to last", "mean", "range"]
    rows = [
        [c.name, c.laid_on, c.laid, c.fertile, c.hatched, c.dead, c.to_pip, c.to_last, c.mean, c.range]
        for c in clutches
    ]
    lines += [table(head, rows), *(f"{c.name} lost: {c.lost}" for c in clutches if c.dead != "0"), ""]
    if told := [row for c in clutches for row in c.told]:
        lines += [table(["eggs", "at", "window told (middle)", "the pip came"], told), ""]
    for stack, said in words.stacks:
        lines += [f"stack {stack}:", *(f"  {line}" for line in said), ""]
    lines += [*words.species, ""] if season.species else []
    if words.met:
        lines += [table(MET_HEAD, words.met), ""]
    lines += [f"{gone}\n" for gone in words.not_kept]
    lines.append("what to change next season:" if scene.advised else "what to change next season: nothing stands out")
    for i, a in enumerate(scene.advised, 1):
        lines += [f"  {i}. {a.what}", f"     why: {a.why}"]
    lines += ["", f"as a page with drawings: warmtally season {_again(season.name)}--html season.html"]
    return "\n".join(lines)


def _again(name: str) -> str:
    return f"{name} " if name.isdecimal() else ""
