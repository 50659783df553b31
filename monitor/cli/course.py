"""How warm it was: ``warmtally course BOX``, and the lines and drawing of ``warmtally boxes --plot``."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Final

from monitor.cli.new_file import named, write_text
from monitor.cli.output import columns, print_json, say
from monitor.cli.room import now_ms, number, parse_time, room_at_hand
from monitor.cli.season import year_asked
from monitor.core.season.figures import BoxSeason
from monitor.core.terms.formats import show_temperature, show_time
from monitor.core.terms.settings import Box
from monitor.core.terms.times import DAY_MS
from monitor.derived.lots import present
from monitor.derived.season import Seasons, last_ms
from monitor.errors import UnknownSubject, UsageError
from monitor.telling.as_json import rounded, utc
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.drawing.course_plot import (
    ends_c,
    event_lines,
    in_figures,
    strip,
    svg_boxes,
    svg_course,
    terminal_course,
)
from monitor.telling.drawing.time_frame import gathered

WIDEST: Final = 98
LONGEST_DAYS: Final = 3660.0
# For other programs, where more was measured.
MOST_POINTS: Final = 1000


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
        box = room.settings.room.box(args.box)
        if box is None:
            known = ", ".join(b.id for b in room.settings.room.boxes)
            raise UnknownSubject(f"no box {args.box!r} in the configuration", fix=f"boxes: {known}")
        from_ms, to_ms = _span(args, room, box)
        (x,) = boxes_over(room, [box], from_ms, to_ms)
        when = _when(x, room)
        if path is not None:
            write_text(path, svg_course(x, room.zone, room.unit, when))
        if args.json:
            print_json(_json(x))
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


def _when(x: BoxSeason, room: RoomAtHand) -> str:
    return f"{show_time(x.from_ms, room.zone)} to {show_time(x.to_ms, room.zone)}"


def _span(args: argparse.Namespace, room: RoomAtHand, box: Box) -> tuple[int, int]:
    """From when to when, in ms. Raises UsageError, and UnknownSubject for a year without eggs in the box."""
    ways = [args.days is not None, args.from_time is not None or args.to_time is not None, args.season is not None]
    if sum(ways) > 1:
        raise UsageError("--days, --from and --to, and --season exclude each other", fix="give one of them")
    at = now_ms()
    if args.season is not None:
        year = year_asked(args.season)
        stays = [
            (stay.from_ms, min(x for x in (stay.to_ms, lot.closed_ms, last_ms(c, at)) if x is not None))
            for c in room.store.account.clutches(at).values()
            if datetime.fromtimestamp(c.laid_ms / 1000, room.zone).year == year
            for lot in present(c)
            for stay in lot.path
            if stay.box == box.id
        ]
        if not stays:
            raise UnknownSubject(f"no eggs laid in {year} lay in box {box.id}", fix="give --from and --to")
        return min(a for a, _ in stays), max(b for _, b in stays)
    to_ms = min(parse_time(args.to_time, room.zone)[0], at) if args.to_time else at
    if args.from_time is not None:
        from_ms = parse_time(args.from_time, room.zone)[0]
    else:
        days = 1.0 if args.days is None else args.days
        if not 0.01 <= days <= LONGEST_DAYS:
            raise UsageError(f"{days:g} days are none to look at", fix=f"give 0.01 to {LONGEST_DAYS:.0f}")
        from_ms = to_ms - round(days * DAY_MS)
    if from_ms >= to_ms:
        raise UsageError("--to is not after --from", fix="give the earlier time to --from; neither lies ahead")
    if to_ms - from_ms > LONGEST_DAYS * DAY_MS:
        raise UsageError(f"more than {LONGEST_DAYS:.0f} days are none to look at", fix="give a later --from")
    return from_ms, to_ms


def boxes_over(room: RoomAtHand, boxes: Sequence[Box], from_ms: int, to_ms: int) -> list[BoxSeason]:
    """Boxes over one span, with what happened in them; limits as for what lay in them at its end."""
    seasons = Seasons(room.store, room.settings.room, room.derived)
    return [seasons.over(box, from_ms, to_ms) for box in boxes]


# -- boxes --plot -----------------------------------------------------------------------------------------------------


def plot_boxes(room: RoomAtHand, at_ms: int, days: float = 1.0, svg: str = "") -> None:
    """All boxes of the room over the last days: each a line in the terminal, or one drawing in a file."""
    path: Path | None = named(svg, ".svg") if svg else None
    rows = boxes_over(room, room.settings.room.boxes, at_ms - round(days * DAY_MS), at_ms)
    rows.sort(key=lambda x: (room.settings.room.stacks.index(x.box.stack), -x.box.height_cm))
    if not rows:
        return
    when = _when(rows[0], room)
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


def _json(x: BoxSeason) -> dict[str, object]:
    low, high = ends_c(x)
    found = gathered(x.time_ms, x.temperature_c, x.from_ms, x.to_ms, MOST_POINTS)
    columns_ = (found.at_ms.tolist(), found.mean.tolist(), found.low.tolist(), found.high.tolist())
    return {
        "box": x.box.id,
        "stack": x.box.stack,
        "height_cm": x.box.height_cm,
        "from": utc(x.from_ms),
        "to": utc(x.to_ms),
        "measured_by": x.source,
        "mean_c": rounded(x.mean_c, 3),
        "lowest_c": rounded(float(x.temperature_c.min()), 3) if len(x.temperature_c) else None,
        "highest_c": rounded(float(x.temperature_c.max()), 3) if len(x.temperature_c) else None,
        "axis_c": [round(low, 3), round(high, 3)],
        "too_cool_c": x.limits.too_cool_c,
        "too_warm_c": x.limits.too_warm_c,
        "above_h": round(x.above_s / 3600, 3),
        "below_h": round(x.below_s / 3600, 3),
        "gaps": [{"from": utc(a), "to": utc(b)} for a, b in x.gaps],
        "events": [{"at": utc(at), "what": what} for at, what in x.events],
        "course": [
            {"at": utc(at), "mean_c": round(mean, 3), "lowest_c": round(least, 3), "highest_c": round(most, 3)}
            for at, mean, least, most in zip(*columns_, strict=True)
        ],
    }
