"""What is there: ``warmtally boxes``."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterable, Mapping, Sequence

from monitor.cli.forecast import lot_json
from monitor.cli.hand import needs_a_hand
from monitor.cli.output import WIDEST_TABLE, print_json, say, table
from monitor.cli.room import parse_time, room_at_hand
from monitor.core.climate.exposure import Exposure
from monitor.core.climate.humid_air import dew_point_c, vapour_pressure_deficit_kpa
from monitor.core.development.lots import LotNow
from monitor.core.notices.kinds.uneven import describe as describe_stack
from monitor.core.notices.snapshot import BoxNow, Service, Snapshot
from monitor.core.terms.formats import show_date, show_developed, show_range, show_temperature, show_time
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import ModelOutOfRange
from monitor.telling.as_json import rounded, utc
from monitor.telling.at_hand import RoomAtHand


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


def _picture(room: RoomAtHand, at_ms: int) -> Snapshot:
    room.derived.follow(at_ms)
    return room.derived.snapshot(at_ms, Service(started_ms=0))


def _heat_json(heat: Exposure, limit_c: float | None) -> dict[str, object]:
    """Hours at or above the highest temperature of the profile."""
    return {
        "limit_c": limit_c,
        "total_h": round(heat.total_s / 3600, 2),
        "longest_h": round(heat.longest_s / 3600, 2),
        "lasting_h": round(heat.lasting_s / 3600, 2),
    }


def _course_json(box: BoxNow, at_ms: int) -> dict[str, object] | None:
    """Where a box is heading; None where no limit is passed or near."""
    if box.course is None:
        return None
    ways: dict[str, object] = {"from": box.course.way, "rate_c_per_h": round(box.course.rate_c_per_h, 3)}
    for name, limit_c in (("too_cool", box.limits.too_cool_c), ("too_warm", box.limits.too_warm_c)):
        eta = None if limit_c is None else box.course.time_to(limit_c, at_ms)
        ways[f"{name}_in_h"] = (
            None
            if eta is None
            else {
                "p10": round(eta.low_s / 3600, 2),
                "p50": round(eta.mid_s / 3600, 2),
                "p90": round(eta.high_s / 3600, 2) if math.isfinite(eta.high_s) else None,
            }
        )
    return ways


def _air(box: BoxNow, at_ms: int) -> tuple[float, float] | None:
    """Dew point (C) of the air in a box, and its vapour pressure deficit (kPa) at eggs as warm as the box; None where
    its temperature or humidity of now is not known, or is none that an egg box can have."""
    now_c = box.current_c(at_ms)
    if now_c is None or box.humidity_pct is None:
        return None
    try:
        dew_c = float(dew_point_c(now_c, box.humidity_pct))
        return dew_c, float(vapour_pressure_deficit_kpa(now_c, now_c, box.humidity_pct))
    except ModelOutOfRange:
        return None


def _air_lines(boxes: Iterable[BoxNow], unit: DisplayUnit, at_ms: int) -> list[str]:
    lines = []
    for box in boxes:
        air = _air(box, at_ms)
        if air is not None:
            lines.append(
                f"air in box {box.box.id}: {box.humidity_pct:.0f} % relative humidity, dew point "
                f"{show_temperature(air[0], unit)}, vapour pressure deficit {air[1]:.2f} kPa"
            )
    return lines


def run_boxes(args: argparse.Namespace) -> int:
    with room_at_hand(args) as now:
        at, _ = parse_time(args.at, now.zone)
        room = now if args.at == "now" else now.as_of(at)
        picture = _picture(room, at)
        lots = {lot.lot.id: lot for lot in picture.lots}
        if args.json:
            print_json([_box_json(b, picture, lots) for b in picture.boxes])
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
        for line in _air_lines(picture.boxes, room.unit, at):
            say(line, WIDEST_TABLE)
        for profile in picture.stacks:
            say(describe_stack(profile, room.unit), WIDEST_TABLE)
        if args.plot is not None:
            print()
            plot_boxes(room, at)
    return 0


def _box_json(b: BoxNow, picture: Snapshot, lots: Mapping[str, LotNow]) -> dict[str, object]:
    """A box; without a temperature of now the last one stands under its own key with its time."""
    at, now_c, air = picture.now_ms, b.current_c(picture.now_ms), _air(b, picture.now_ms)
    return {
        "box": b.box.id,
        "stack": b.box.stack,
        "height_cm": b.box.height_cm,
        "temperature_c": rounded(now_c, 3),
        "temperature_at": None if now_c is None else utc(b.at_ms),
        "age_s": rounded(b.age_s(at), 1),
        "estimated": bool(b.estimated),
        "source": b.estimated or ("its own probe" if b.at_ms is not None else None),
        "last_c": rounded(b.now_c, 3),
        "last_at": utc(b.at_ms),
        "uncertainty_c": None if now_c is None else rounded(b.uncertainty_c, 3),
        "humidity_pct": rounded(b.humidity_pct, 1),
        "dew_point_c": rounded(air[0], 2) if air else None,
        "vapour_pressure_deficit_kpa": rounded(air[1], 3) if air else None,
        "too_cool_c": b.limits.too_cool_c,
        "too_warm_c": b.limits.too_warm_c,
        "limits_from": b.limits_from,
        "heat_last_day": None if b.heat is None else _heat_json(b.heat, b.profile_high_c),
        "course": None if now_c is None else _course_json(b, at),
        "conditions": sorted(k for (k, s), c in picture.conditions.items() if c.up and s == b.box.id),
        "lots": [lot_json(lots[i], at) for i in b.occupied_by],
    }


def _box_rows(box: BoxNow, inside: Sequence[LotNow], room: RoomAtHand, at: int) -> list[list[str]]:
    """A line for the box, and one for each further lot in it."""
    told = [
        [
            f"{x.clutch.id}: {x.lot.eggs}",
            "-" if x.past is None or x.still_open else f"{show_developed(x.past.development, 1)} %",
            _window_text(x, room),
        ]
        for x in inside
    ] or [["-", "-", "-"]]
    place = f"{box.box.stack}, {box.box.height_cm:.0f} cm"
    first = [box.box.id, place, _now_text(box, room, at), _limits_text(box, room)]
    return [first + told[0], *([""] * len(first) + more for more in told[1:])]


def _now_text(box: BoxNow, room: RoomAtHand, at: int) -> str:
    if told := box.current(at, room.unit):
        return told
    return "no reading" + ("" if box.at_ms is None else f" since {show_time(box.at_ms, room.zone, at)}")


def _limits_text(box: BoxNow, room: RoomAtHand) -> str:
    cool_c, warm_c = box.limits.too_cool_c, box.limits.too_warm_c
    if cool_c is not None and warm_c is not None:
        return show_range(round(cool_c, 2), round(warm_c, 2), room.unit)
    return " to ".join("-" if x is None else show_temperature(x, room.unit) for x in (cool_c, warm_c))


def _window_text(lot: LotNow, room: RoomAtHand) -> str:
    if lot.still_open:
        return lot.still_open
    if lot.lot.pipped:
        return f"{lot.lot.pipped} pipped"
    if lot.first_pip is None:
        return "no date"
    window = lot.first_pip.window
    return " to ".join(show_date(ms, room.zone).partition(" ")[2] for ms in (window.p10_ms, window.p90_ms))
