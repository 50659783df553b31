"""What is there: ``warmtally boxes``, ``forecast``, ``notices``, ``answer`` and ``species``."""

from __future__ import annotations

import argparse
import getpass

from monitor.cli.room import (
    RoomAtHand,
    now_ms,
    parse_temperature,
    parse_time,
    print_json,
    room_at_hand,
    settings_of,
    table,
    utc,
)
from monitor.core.kinds.uneven import describe as describe_stack
from monitor.core.outlook import Prospect
from monitor.core.siblings import NOT_TO_DO, TO_DO, Story, stories
from monitor.core.snapshot import LotNow, Service, Snapshot, show_day, show_difference, show_temperature, show_time
from monitor.errors import UnknownSubject
from monitor.library import list_profiles, load_profile

CAUTION = (
    "A window is an estimate. No egg is opened on its word: wait, look, candle, and ask an experienced keeper or a "
    "reptile veterinarian."
)


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    boxes = sub.add_parser("boxes", parents=[parent], help="every box: temperature, limits, what develops in it")
    boxes.add_argument("--at", metavar="WHEN", default="now", help="as it was then (default: now)")
    boxes.add_argument("--json", action="store_true")
    boxes.set_defaults(run=run_boxes)
    forecast = sub.add_parser(
        "forecast",
        parents=[parent],
        help="when to expect the first pip, and how sure that is",
        epilog='examples: warmtally forecast K01    warmtally forecast K01/upper --at "2026-06-15 12:00" --json    '
        "warmtally forecast --assume 29.0",
    )
    forecast.add_argument("lot", nargs="?", help="a lot, or a clutch with all its lots (default: all)")
    forecast.add_argument("--at", metavar="WHEN", default="now", help="answer with what was known then")
    forecast.add_argument("--assume", metavar="TEMPERATURE", help="what the box will be kept at from then on")
    forecast.add_argument("--json", action="store_true")
    forecast.set_defaults(run=run_forecast)
    notices = sub.add_parser("notices", parents=[parent], help="what was told, and what is still true")
    notices.add_argument("--limit", type=int, default=30)
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
    species = sub.add_parser("species", parents=[parent], help="the profiles: list them, or show one with its sources")
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
                        "temperature_c": _rounded(b.now_c, 3),
                        "temperature_at": utc(b.at_ms),
                        "uncertainty_c": _rounded(b.uncertainty_c, 3),
                        "humidity_pct": _rounded(b.humidity_pct, 1),
                        "too_cool_c": b.limits.too_cool_c,
                        "too_warm_c": b.limits.too_warm_c,
                        "limits_from": b.limits_from,
                        "conditions": sorted(k for (k, s), c in picture.conditions.items() if c.up and s == b.box.id),
                        "lots": [_lot_json(lots[i], at) for i in b.occupied_by],
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


def _rounded(value: float | None, places: int) -> float | None:
    return None if value is None else round(value, places)


def _lot_json(lot: LotNow, at_ms: int) -> dict[str, object]:
    w = lot.window
    return {
        "lot": lot.lot.id,
        "clutch": lot.clutch.id,
        "box": lot.lot.box,
        "species": lot.species,
        "counts": lot.counts,
        "at": utc(at_ms),
        "eggs": lot.lot.eggs,
        "waiting": lot.lot.waiting,
        "pipped": lot.lot.pipped,
        "open": lot.lot.open,
        "development": _rounded(lot.development, 6),
        "degree_days": _rounded(lot.degree_days, 4),
        "base_c": _rounded(lot.base_c, 3),
        "filled_share": _rounded(lot.filled_share, 6),
        "filled": {way: round(seconds / 3600.0, 2) for way, seconds in lot.filled_how.items()},
        "mean_c": _rounded(lot.mean_c, 3),
        "expected_c": _rounded(lot.expected_c, 3),
        "rate_per_day": _rounded(lot.rate_per_day, 6),
        "first_pip": None
        if w is None
        else {"p10": utc(w.p10_ms), "p50": utc(w.p50_ms), "p90": utc(w.p90_ms)}
        | {f"p{round(100 * p):02d}": utc(t) for p, t in zip(w.probabilities, w.times_ms, strict=True)},
        "overdue": None if w is None else w.overdue,
        "chance_only_late": _rounded(lot.chance_only_late, 4),
        "causes": [] if w is None else [{"cause": c.name, "days": round(c.days, 3)} for c in w.causes],
        "refused": lot.refused or None,
        "notes": list(lot.notes),
    }


def run_forecast(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        at, _ = parse_time(args.at, room.zone)
        prospect = Prospect(parse_temperature(args.assume, room.unit)) if args.assume else None
        clutches = room.store.ledger.clutches(at)
        wanted = args.lot
        clutch = wanted.split("/")[0] if wanted else None
        if clutch is not None and clutch not in clutches:
            later = clutch in room.store.ledger.clutches()
            raise UnknownSubject(
                f"no clutch {clutch!r}" + (" at that time" if later else ""),
                fix="it was entered for a later time"
                if later
                else f"known: {', '.join(sorted(clutches)) or 'none yet; warmtally clutch add'}",
            )
        lots = room.derived.lots(at, prospect=prospect, clutch=clutch)
        if wanted and "/" in wanted:
            lots = [x for x in lots if x.lot.id == wanted]
            if not lots:
                raise UnknownSubject(
                    f"no lot {wanted!r} at that time",
                    fix=f"its lots: {', '.join(x.id for x in clutches[clutch].lots) or 'none yet'}" if clutch else "",
                )
        elif wanted is None:
            lots = [x for x in lots if x.lot.open]
        if args.json:
            print_json([_lot_json(x, at) for x in lots])
            return 0
        if not lots:
            print("no eggs are in a box; set some: warmtally record set CLUTCH --box BOX --eggs N")
            return 0
        for lot in lots:
            print(_forecast_text(lot, room, at, prospect))
            print()
        for story in stories(lots, at):
            print(_story_text(story, room))
            print()
        print(CAUTION)
    return 0


def _bar(development: float, width: int = 40) -> str:
    done = min(max(round(development * width), 0), width)
    return "[" + "#" * done + "." * (width - done) + "]"


def _forecast_text(lot: LotNow, room: RoomAtHand, at_ms: int, prospect: Prospect | None) -> str:
    unit, zone = room.unit, room.zone
    lines = [f"{lot.lot.id}: {lot.lot.eggs} eggs of {lot.species} in box {lot.lot.box}, {show_time(at_ms, zone)}"]
    if lot.development is not None and lot.degree_days is not None and lot.base_c is not None:
        lines.append(
            f"  development {_bar(lot.development)} {100 * lot.development:.1f} %   "
            f"{lot.degree_days:.1f} degree-days above {show_temperature(lot.base_c, 'C')}"
        )
    if lot.mean_c is not None and lot.expected_c is not None:
        to_come = "assumed" if prospect else "expected, from the last three days"
        lines.append(
            f"  mean so far {show_temperature(lot.mean_c, unit, 2)}, {to_come} "
            f"{show_temperature(lot.expected_c, unit, 2)}, probe ± {show_difference(2 * lot.uncertainty_c, unit, 2)}"
        )
    if lot.filled_share > 0.0005:
        ways = ", ".join(f"{way} {seconds / 3600:.1f} h" for way, seconds in lot.filled_how.items())
        lines.append(f"  filled in, not measured: {100 * lot.filled_share:.1f} % of the time ({ways or 'unknown'})")
    if lot.refused:
        lines.append(f"  no date: {lot.refused}")
    if lot.window is not None:
        w = lot.window
        said = "first pip was seen" if lot.lot.pipped else "first pip"
        lines.append(
            f"  {said} between {show_time(w.p10_ms, zone)} and {show_time(w.p90_ms, zone)} "
            f"(8 in 10), middle {show_time(w.p50_ms, zone)}"
        )
        if lot.lot.pipped == 0:
            lines.append(_strip(w.p10_ms, w.p50_ms, w.p90_ms, at_ms, room))
        causes = "; ".join(f"{c.name} ± {c.days:.1f} d" for c in w.causes)
        lines.append(f"  uncertain because: {causes}")
        if lot.chance_only_late is not None and (w.overdue or lot.lot.looked_ms is not None):
            lines.append(f"  chance that what lies still is only late: {100 * lot.chance_only_late:.0f} %")
    lines += [f"  note: {note}" for note in lot.notes]
    return "\n".join(lines)


def _story_text(story: Story, room: RoomAtHand) -> str:
    direction = "later" if story.temperature_days >= 0 else "earlier"
    doubt = "the probes alone could explain all of it" if story.probes_explain else "more than the probes explain"
    due = f"{show_day(story.due_p10_ms, room.zone)} to {show_day(story.due_p90_ms, room.zone)}"
    lines = [f"{story.late} lies still, {story.waited_days:.1f} days after the first pip of {story.early}"]
    lines.append(
        f"  by their temperatures it is expected {abs(story.temperature_days):.1f} days {direction} "
        f"(probes: ± {2 * story.probe_days:.1f} days; {doubt})"
    )
    lines.append(f"  ordinary spread between eggs and boxes: ± {2 * story.spread_days:.1f} days")
    lines.append(
        f"  so the first pip of {story.late} follows {story.offset_p10_days:.1f} to {story.offset_p90_days:.1f} days "
        f"after (8 in 10; middle {story.offset_p50_days:.1f})"
    )
    lines.append(
        f"  given all looks it is due {due}; chance that it is only late: {100 * story.chance_only_late:.0f} %"
    )
    if not story.compared:
        lines.append("  the probes were not compared side by side: do that before trusting half a degree")
    lines += [f"  do: {text}" for text in TO_DO]
    lines += [f"  {text}" for text in NOT_TO_DO]
    return "\n".join(lines)


def _strip(p10: int, p50: int, p90: int, now: int, room: RoomAtHand, width: int = 56) -> str:
    """The window on a line of time: now, the window, its middle."""
    day = 86_400_000
    start, stop = min(now, p10) - day, max(now, p90) + day
    cells = ["."] * width

    def at(ms: int) -> int:
        return min(int((ms - start) / (stop - start) * width), width - 1)

    for i in range(at(p10), at(p90) + 1):
        cells[i] = "="
    cells[at(p50)] = "|"
    cells[at(now)] = "^"
    return f"  {show_day(start, room.zone)[4:]} {''.join(cells)} {show_day(stop, room.zone)[4:]}   (^ now, = window)"


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
        print(
            f"straight line beside it: base temperature {line.base_c:.1f} ± {line.base_se_c:.1f} °C, thermal constant "
            f"{line.constant_degree_days:.0f} ± {line.constant_se_degree_days:.0f} degree-days"
        )
    if p.low_limit_c is not None or p.high_limit_c is not None:
        print(f"limits: {p.low_limit_c} to {p.high_limit_c} °C ({p.limits_source})")
    if p.lethal:
        print(f"lethal: {p.lethal}")
    for note in p.notes:
        print(f"note: {note}")
    for paper in p.papers:
        print(f"{paper.key}: {paper.citation}")
    return 0
