"""How warm it was: ``warmtally course BOX``, and the lines and drawing of ``warmtally boxes --plot``."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Final

from monitor.cli.new_file import named, write_text
from monitor.cli.output import columns, print_json, say
from monitor.cli.room import now_ms, number, parse_time, room_at_hand
from monitor.cli.season import year_asked
from monitor.core.terms.formats import show_temperature
from monitor.core.terms.settings import Box
from monitor.core.terms.times import DAY_MS
from monitor.errors import UsageError
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.course import (
    boxes_over,
    checked_span,
    course_json,
    days_before,
    span_over_words,
    while_eggs_lay,
)
from monitor.telling.drawing.course_plot import event_lines, in_figures, strip, svg_boxes, svg_course, terminal_course
from monitor.telling.places import box_named

WIDEST: Final = 98


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    course = sub.add_parser(
        "course",
        parents=[parent],
        help="how warm a box was, from a day to a season, as a plot",
        description="How warm a box was: its course with its limits, the times when nothing was heard, and what "
        "happened in it.",
        epilog="examples: warmtally course upper    warmtally course upper --days 7    "
        "warmtally course upper --from 2026-05-01 --to 2026-05-10    warmtally course upper --season 2026 --svg u.svg",
    )
    course.add_argument("box", metavar="BOX")
    course.add_argument("--days", type=number, metavar="N", help="the last so many days (default: 1)")
    course.add_argument("--from", dest="from_time", metavar="WHEN", help="from this time on")
    course.add_argument("--to", dest="to_time", metavar="WHEN", help="until this time (default: now)")
    course.add_argument("--season", metavar="YEAR", help="while eggs laid in that year lay in it")
    course.add_argument("--svg", metavar="FILE", help="write the plot as an SVG drawing instead")
    course.add_argument("--json", action="store_true")
    course.set_defaults(run=run_course)


def run_course(args: argparse.Namespace) -> int:
    path = named(args.svg, ".svg") if args.svg else None
    with room_at_hand(args) as room:
        box = box_named(room.settings.room, args.box)
        from_ms, to_ms = _span(args, room, box)
        (x,) = boxes_over(room, [box], from_ms, to_ms)
        when = span_over_words(x, room)
        if path is not None:
            write_text(path, svg_course(x, room.zone, room.unit, when))
        if args.json:
            print_json(course_json(x))
            return 0
        if path is not None:
            print(f"{path}: box {box.id}, {when}")
            return 0
        print(f"box {box.id} (stack {box.stack}, {box.height_cm:.0f} cm), {when}")
        if x.mean_c is not None:
            print(terminal_course(x, room.zone, room.unit, columns(WIDEST)))
        say("\n".join(in_figures(x, room.zone, room.unit)))
        for line in event_lines(x, room.zone):
            say(f"  {line}")
    return 0


def _span(args: argparse.Namespace, room: RoomAtHand, box: Box) -> tuple[int, int]:
    """From when to when, in ms. Raises UsageError, and UnknownSubject for a year without eggs in the box."""
    ways = [args.days is not None, args.from_time is not None or args.to_time is not None, args.season is not None]
    if sum(ways) > 1:
        raise UsageError("--days, --from and --to, and --season exclude each other", fix="give one of them")
    at = now_ms()
    if args.season is not None:
        return while_eggs_lay(room, box, year_asked(args.season), at)
    to_ms = min(parse_time(args.to_time, room.zone)[0], at) if args.to_time else at
    if args.from_time is not None:
        from_ms = parse_time(args.from_time, room.zone)[0]
    else:
        from_ms = days_before(1.0 if args.days is None else args.days, to_ms)
    return checked_span(from_ms, to_ms)


def plot_boxes(room: RoomAtHand, at_ms: int, days: float = 1.0, svg: str = "") -> None:
    """All boxes of the room over the last days: each a line in the terminal, or one drawing in a file."""
    path: Path | None = named(svg, ".svg") if svg else None
    rows = boxes_over(room, room.settings.room.boxes, at_ms - round(days * DAY_MS), at_ms)
    rows.sort(key=lambda x: (room.settings.room.stacks.index(x.box.stack), -x.box.height_cm))
    if not rows:
        return
    when = span_over_words(rows[0], room)
    if path is not None:
        write_text(path, svg_boxes(rows, room.zone, room.unit, when))
        print(f"{path}: all boxes, {when}")
        return
    measured = [x for x in rows if len(x.temperature_c)]
    low = min((float(x.temperature_c.min()) for x in measured), default=0.0)
    high = max((float(x.temperature_c.max()) for x in measured), default=0.0)
    wide = min(max((len(x.box.id) for x in rows), default=1), 20)
    width = max(columns(WIDEST) - wide - 27, 12)
    print(f"{when}; ▁ {show_temperature(low, room.unit)} to █ {show_temperature(high, room.unit)}, ░ not heard")
    for x in rows:
        ends = "no reading"
        if len(x.temperature_c):
            least, most = float(x.temperature_c.min()), float(x.temperature_c.max())
            least_text = show_temperature(least, room.unit).removesuffix(f" °{room.unit}")
            ends = f"{least_text} to {show_temperature(most, room.unit)}"
        beyond = " !" if x.above_s or x.below_s else ""
        print(f"{x.box.id[:wide]:<{wide}} {strip(x, low, high, width)} {ends}{beyond}")
    if any(x.above_s or x.below_s for x in rows):
        print("! at or beyond a limit for some of the time")
