"""What is there: ``warmtally boxes``."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterable

from monitor.cli.forecast import lot_json
from monitor.cli.output import print_json, rounded, table, utc
from monitor.cli.room import RoomAtHand, parse_time, room_at_hand
from monitor.core.climate.exposure import Exposure
from monitor.core.climate.humid_air import dew_point_c, vapour_pressure_deficit_kpa
from monitor.core.development.lots import LotNow
from monitor.core.notices.kinds.uneven import describe as describe_stack
from monitor.core.notices.snapshot import BoxNow, Service, Snapshot
from monitor.core.terms.formats import show_day, show_developed, show_temperature, show_time
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import ModelOutOfRange


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    boxes = sub.add_parser(
        "boxes",
        parents=[parent],
        help="every box: temperature, limits, what develops in it",
        description="Every box: its temperature and limits, what develops in it, and how even its stack is.",
        epilog='example: warmtally boxes --at "2026-06-15 12:00"',
    )
    boxes.add_argument("--at", metavar="WHEN", default="now", help="as it was then (default: now)")
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


def _air(box: BoxNow) -> tuple[float, float] | None:
    """Dew point (C) of the air in a box, and its vapour pressure deficit (kPa) at eggs as warm as the box; None where
    no humidity is known, or it is none that an egg box can have."""
    if box.now_c is None or box.humidity_pct is None:
        return None
    try:
        dew_c = float(dew_point_c(box.now_c, box.humidity_pct))
        return dew_c, float(vapour_pressure_deficit_kpa(box.now_c, box.now_c, box.humidity_pct))
    except ModelOutOfRange:
        return None


def _air_lines(boxes: Iterable[BoxNow], unit: DisplayUnit) -> list[str]:
    lines = []
    for box in boxes:
        air = _air(box)
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
            print_json(
                [
                    {
                        "box": b.box.id,
                        "stack": b.box.stack,
                        "height_cm": b.box.height_cm,
                        "temperature_c": rounded(b.now_c, 3),
                        "temperature_at": utc(b.at_ms),
                        "uncertainty_c": rounded(b.uncertainty_c, 3),
                        "humidity_pct": rounded(b.humidity_pct, 1),
                        "dew_point_c": rounded(air[0], 2) if (air := _air(b)) else None,
                        "vapour_pressure_deficit_kpa": rounded(air[1], 3) if air else None,
                        "too_cool_c": b.limits.too_cool_c,
                        "too_warm_c": b.limits.too_warm_c,
                        "limits_from": b.limits_from,
                        "heat_last_day": None if b.heat is None else _heat_json(b.heat, b.profile_high_c),
                        "course": _course_json(b, at),
                        "conditions": sorted(k for (k, s), c in picture.conditions.items() if c.up and s == b.box.id),
                        "lots": [lot_json(lots[i], at) for i in b.occupied_by],
                    }
                    for b in picture.boxes
                ]
            )
            return 0
        rows = []
        for b in picture.boxes:
            stale = b.at_ms is None or at - b.at_ms > 3_600_000
            temperature = "-" if b.now_c is None else show_temperature(b.now_c, room.unit)
            limits = " to ".join(
                "-" if x is None else show_temperature(x, room.unit) for x in (b.limits.too_cool_c, b.limits.too_warm_c)
            )
            up = [
                k if c.back_ms is None else f"{k} (back since {show_time(c.back_ms, room.zone, at)})"
                for (k, s), c in sorted(picture.conditions.items())
                if c.up and s == b.box.id
            ]
            inside = [lots[i] for i in b.occupied_by]
            rows.append(
                [
                    b.box.id,
                    f"{b.box.stack}, {b.box.height_cm:.0f} cm",
                    temperature + (f" ({show_time(b.at_ms, room.zone, at)})" if stale and b.at_ms is not None else ""),
                    limits,
                    ", ".join(f"{x.lot.id} ({x.lot.eggs})" for x in inside) or "-",
                    ", ".join("-" if x.past is None else f"{show_developed(x.past.development, 1)} %" for x in inside)
                    or "-",
                    ", ".join(_window_text(x, room) for x in inside) or "-",
                    ", ".join(up) or "-",
                ]
            )
        print(f"room {room.settings.room.name}, {show_time(at, room.zone)}")
        print(table(["box", "place", "now", "limits", "lots (eggs)", "development", "first pip", "conditions"], rows))
        for line in _air_lines(picture.boxes, room.unit):
            print(line)
        for profile in picture.stacks:
            print(describe_stack(profile, room.unit))
    return 0


def _window_text(lot: LotNow, room: RoomAtHand) -> str:
    if lot.lot.pipped:
        return f"{lot.lot.pipped} pipped"
    if lot.first_pip is None:
        return "no date"
    window = lot.first_pip.window
    return f"{show_day(window.p10_ms, room.zone)[4:]} to {show_day(window.p90_ms, room.zone)[4:]}"
