"""What is there: ``warmtally boxes``, ``notices``, ``answer`` and ``species``."""

from __future__ import annotations

import argparse
import getpass
import math

from monitor.cli.forecast import lot_json, rounded
from monitor.cli.room import (
    RoomAtHand,
    now_ms,
    parse_time,
    print_json,
    room_at_hand,
    settings_of,
    table,
    utc,
)
from monitor.core.kinds.uneven import describe as describe_stack
from monitor.core.snapshot import LotNow, Service, Snapshot, show_day, show_temperature, show_time
from monitor.library import list_profiles, load_profile


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
    notices = sub.add_parser(
        "notices",
        parents=[parent],
        help="what was told, and what is still true",
        description="What was told, newest last, how it was delivered, and what is still true.",
    )
    notices.add_argument("--limit", type=int, default=30, metavar="N", help="how many (default: 30)")
    notices.add_argument("--json", action="store_true")
    notices.set_defaults(run=run_notices)
    answer = sub.add_parser(
        "answer",
        parents=[parent],
        help="answer a notice: you know, and see to it",
        epilog="example: warmtally answer 12",
    )
    answer.add_argument("id", type=int, metavar="ID")
    answer.add_argument("--by", default="", help="who answers (default: the user)")
    answer.set_defaults(run=run_answer)
    species = sub.add_parser(
        "species",
        parents=[parent],
        help="the profiles: list them, or show one with its sources",
        description="The profiles: list them, or show one with its table, its limits and the papers behind it.",
        epilog="example: warmtally species elaphe-taeniura",
    )
    species.add_argument("species", nargs="?")
    species.add_argument("--json", action="store_true")
    species.set_defaults(run=run_species)


def _picture(room: RoomAtHand, at_ms: int) -> Snapshot:
    room.derived.follow(at_ms)
    return room.derived.snapshot(at_ms, Service(started_ms=0))


def run_boxes(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        at, _ = parse_time(args.at, room.zone)
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
                        "too_cool_c": b.limits.too_cool_c,
                        "too_warm_c": b.limits.too_warm_c,
                        "limits_from": b.limits_from,
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
            up = [k for (k, s), c in sorted(picture.conditions.items()) if c.up and s == b.box.id]
            inside = [lots[i] for i in b.occupied_by]
            rows.append(
                [
                    b.box.id,
                    f"{b.box.stack}, {b.box.height_cm:.0f} cm",
                    temperature + (f" ({show_time(b.at_ms, room.zone, at)})" if stale and b.at_ms is not None else ""),
                    limits,
                    ", ".join(f"{x.lot.id} ({x.lot.eggs})" for x in inside) or "-",
                    ", ".join("-" if x.development is None else f"{100 * x.development:.1f} %" for x in inside) or "-",
                    ", ".join(_window_text(x, room) for x in inside) or "-",
                    ", ".join(up) or "-",
                ]
            )
        print(f"room {room.settings.room.name}, {show_time(at, room.zone)}")
        print(table(["box", "place", "now", "limits", "lots (eggs)", "development", "first pip", "conditions"], rows))
        for profile in picture.stacks:
            print(describe_stack(profile, room.unit))
    return 0


def _window_text(lot: LotNow, room: RoomAtHand) -> str:
    if lot.lot.pipped:
        return f"{lot.lot.pipped} pipped"
    if lot.window is None:
        return "no date"
    return f"{show_day(lot.window.p10_ms, room.zone)[4:]} to {show_day(lot.window.p90_ms, room.zone)[4:]}"


def run_notices(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        notices = room.store.ledger.notices(args.limit)
        sent: dict[int, list[dict[str, object]]] = {}
        for o in room.store.ledger.outgoing():
            sent.setdefault(o.notice, []).append(
                {
                    "channel": o.channel,
                    "state": o.state,
                    "attempts": o.attempts,
                    "delivered": utc(o.delivered_ms),
                    "error": o.error or None,
                }
            )
        conditions = [c for c in room.store.ledger.conditions().values() if c.up]
        if args.json:
            print_json(
                {
                    "notices": [
                        {
                            "id": n.id,
                            "key": n.key,
                            "at": utc(n.at_ms),
                            "kind": n.kind,
                            "subjects": list(n.subjects),
                            "change": n.change,
                            "urgency": n.urgency,
                            "title": n.title,
                            "text": n.text,
                            "answered": utc(n.answered_ms),
                            "answered_by": n.answer or None,
                            "channels": sent.get(n.id, []),
                        }
                        for n in notices
                    ],
                    "conditions": [
                        {
                            "kind": c.kind,
                            "subject": c.subject,
                            "state": "raised",
                            "since": utc(c.since_ms),
                            "acknowledged": utc(c.acknowledged_ms),
                            "facts": dict(c.facts),
                        }
                        for c in conditions
                    ],
                }
            )
            return 0
        if not notices:
            print("no notice yet")
        for n in reversed(notices):
            answered = f"answered {show_time(n.answered_ms, room.zone)}" if n.answered_ms is not None else ""
            waiting = [str(s["channel"]) for s in sent.get(n.id, []) if s["state"] in ("waiting", "leased")]
            print(f"{n.id:>4}  {show_time(n.at_ms, room.zone)}  [{n.urgency}]  {n.title}  {answered}".rstrip())
            if waiting:
                print(f"      not delivered yet: {', '.join(waiting)}")
        print()
        print("still true:" if conditions else "nothing is wrong now")
        for c in sorted(conditions, key=lambda c: c.since_ms or 0):
            state = "acknowledged" if c.acknowledged_ms is not None else "not answered"
            since = show_time(c.since_ms, room.zone) if c.since_ms is not None else "?"
            print(f"  {c.kind}, {c.subject}, since {since} ({state})")
    return 0


def run_answer(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        notice = room.store.ledger.answer(args.id, now_ms(), args.by or getpass.getuser())
        print(f"notice {notice.id} answered by {notice.answer}: {notice.title}")
    return 0


def run_species(args: argparse.Namespace) -> int:
    settings = settings_of(args) if args.config else None
    own = settings.profiles_dir if settings else None
    if args.species is None:
        listing = list_profiles(own)
        if args.json:
            print_json(
                [
                    {"id": p.id, "scientific_name": p.scientific_name, "status": p.status, "grade": p.grade}
                    for p in listing.profiles
                ]
            )
            return 0
        rows = [
            [
                p.id,
                p.common_name,
                f"{p.temperatures_c[0]:g} to {p.temperatures_c[-1]:g} °C" if p.temperatures_c else "-",
                p.grade if p.status == "table" else "no forecast",
            ]
            for p in listing.profiles
        ]
        print(table(["profile", "name", "table", "confidence"], rows))
        for bad in listing.bad:
            print(f"not readable: {bad}")
        return 0
    p = load_profile(args.species, own)
    # The line of the curve itself, whose base temperature the degree-days are counted from.
    line = p.curve().line if p.status == "table" and p.line() is not None else None
    if args.json:
        print_json(
            {
                "id": p.id,
                "scientific_name": p.scientific_name,
                "status": p.status,
                "reason": p.reason or None,
                "grade": p.grade,
                "counts": p.counts,
                "rows": [
                    {
                        "temperature_c": r.temperature_c,
                        "days": r.days,
                        "eggs": r.eggs,
                        "sd_days": r.sd_days,
                        "paper": r.paper,
                    }
                    for r in p.rows
                ],
                "papers": {x.key: x.citation for x in p.papers},
                "low_limit_c": p.low_limit_c,
                "high_limit_c": p.high_limit_c,
                "base_c": line.base_c if line else None,
                "thermal_constant_degree_days": line.constant_degree_days if line else None,
                "notes": list(p.notes),
            }
        )
        return 0
    print(f"{p.scientific_name} ({p.common_name or p.id}); confidence: {p.grade}; days count to: {p.counts}")
    if p.reason:
        print(f"no forecast: {p.reason}")
    if p.rows:
        print(
            table(
                ["°C", "days", "eggs", "paper"],
                [[f"{r.temperature_c:g}", f"{r.days:g}", str(r.eggs or "-"), r.paper] for r in p.rows],
            )
        )
    if line is not None:
        # Two points leave nothing to tell an uncertainty from.
        base, constant = (
            "" if math.isnan(sd) else f" ± {sd:.{places}f}"
            for sd, places in ((line.base_se_c, 1), (line.constant_se_degree_days, 0))
        )
        print(
            f"straight line beside it: base temperature {line.base_c:.1f}{base} °C, thermal constant "
            f"{line.constant_degree_days:.0f}{constant} degree-days"
        )
    if p.low_limit_c is not None or p.high_limit_c is not None:
        low, high = ("-" if x is None else f"{x:g}" for x in (p.low_limit_c, p.high_limit_c))
        print(f"limits: {low} to {high} °C ({p.limits_source})")
    if p.lethal:
        print(f"lethal: {p.lethal}")
    for note in p.notes:
        print(f"note: {note}")
    for paper in p.papers:
        print(f"{paper.key}: {paper.citation}")
    return 0
