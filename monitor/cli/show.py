"""What is there: ``warmtally boxes``."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from monitor.cli.hand import needs_a_hand
from monitor.cli.output import WIDEST_TABLE, print_json, say, table
from monitor.cli.room import parse_time, room_at_hand
from monitor.core.development.lots import LotNow
from monitor.core.notices.kinds.uneven import describe as describe_stack
from monitor.core.notices.snapshot import BoxNow
from monitor.core.terms.formats import show_developed, show_time
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.boxes import air_lines, box_json, limits_words, now_words, window_words


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    boxes = sub.add_parser(
        "boxes",
        parents=[parent],
        help="every box: temperature, limits, what develops in it",
        description="Every box: its temperature and limits, what develops in it, and how even its stack is.",
        epilog='examples: warmtally boxes --at "2026-06-15 12:00"    warmtally boxes --plot    '
        "warmtally boxes --plot boxes.svg",
    )
    boxes.add_argument("--at", metavar="WHEN", default="now", help="as it was then (default: now)")
    boxes.add_argument(
        "--plot", nargs="?", const="", metavar="FILE", help="also the last day of each; into an SVG file: that alone"
    )
    boxes.add_argument("--json", action="store_true")
    boxes.set_defaults(run=run_boxes)


def run_boxes(args: argparse.Namespace) -> int:
    with room_at_hand(args) as now:
        at, _ = parse_time(args.at, now.zone)
        room = now if args.at == "now" else now.as_of(at)
        picture = room.picture(at)
        lots = {lot.lot.id: lot for lot in picture.lots}
        if args.json:
            print_json([box_json(b, picture, lots) for b in picture.boxes])
            return 0
        if args.plot is not None:
            from monitor.cli.course import plot_boxes
        if args.plot:
            plot_boxes(room, at, svg=args.plot)
            return 0
        print(f"room {room.settings.room.name}, {show_time(at, room.zone)}")
        if args.at == "now":
            # What is known of then is in the table; whether it needs a hand is only known of now.
            print("\n".join(needs_a_hand(room, at)))
        rows = [row for b in picture.boxes for row in _box_rows(b, [lots[i] for i in b.occupied_by], room, at)]
        print(table(["box", "place", "now", "limits", "eggs", "developed", "first pip"], rows))
        for line in air_lines(picture.boxes, room.unit, at):
            say(line, WIDEST_TABLE)
        for profile in picture.stacks:
            say(describe_stack(profile, room.unit), WIDEST_TABLE)
        if args.plot is not None:
            print()
            plot_boxes(room, at)
    return 0


def _box_rows(box: BoxNow, inside: Sequence[LotNow], room: RoomAtHand, at: int) -> list[list[str]]:
    """A line for the box, and one for each further lot in it."""
    told = [
        [
            f"{x.clutch.id}: {x.lot.eggs}",
            "-" if x.past is None or x.still_open else f"{show_developed(x.past.development, 1)} %",
            window_words(x, room),
        ]
        for x in inside
    ] or [["-", "-", "-"]]
    place = f"{box.box.stack}, {box.box.height_cm:.0f} cm"
    first = [box.box.id, place, now_words(box, room, at), limits_words(box, room)]
    return [first + told[0], *([""] * len(first) + more for more in told[1:])]
