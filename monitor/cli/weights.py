"""What boxes weigh: ``warmtally weights``."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from datetime import tzinfo

from monitor.cli.output import columns, print_json, say, table
from monitor.cli.room import now_ms, room_at_hand
from monitor.core.climate.water import LEFT_OUT, BoxWater, Loss, Usual, Weighing, usual
from monitor.core.terms.formats import show_date, show_time
from monitor.errors import UnknownSubject
from monitor.telling.as_json import rounded, utc

GIVE = (
    "give water beside the eggs, never on them; wash your hands afterwards\n"
    "then tell it: warmtally record watered --box BOX --grams N"
)
THIN = "not weighed often enough to say what it loses"
NONE_YET = (
    "no box with eggs in it was weighed yet; weigh each when it is set and then weekly:\n"
    "  warmtally record weighed --box BOX --grams 812.5"
)


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    weights = sub.add_parser(
        "weights",
        parents=[parent],
        help="what each box weighed when set and last, what it loses a week, and the water to give back",
        description="What each box weighed when it was set and weighs now, what it loses a week, and the water to give "
        "back (1 g = 1 ml: common practice, no source). With BOX: each weighing of that box, as a plot.",
        epilog="examples:\n"
        "  warmtally weights\n"
        "  warmtally weights upper\n"
        "  warmtally record weighed --box upper --grams 812.5\n"
        "  warmtally record watered --box upper --grams 12",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    weights.add_argument("box", nargs="?", metavar="BOX")
    weights.add_argument("--json", action="store_true")
    weights.set_defaults(run=run_weights)


def run_weights(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        now, zone = now_ms(), room.zone
        known = room.derived.weights.now(now)
        if args.box is not None and room.settings.room.box(args.box) is None:
            boxes = ", ".join(box.id for box in room.settings.room.boxes)
            raise UnknownSubject(f"no box {args.box!r}", fix=f"boxes are: {boxes}")
        shown = [water for water in known if args.box in (None, water.box)]
        if args.json:
            print_json([_as_json(water, usual(water, known, now)) for water in shown])
        elif not shown:
            say(NONE_YET if args.box is None else f"box {args.box}: {NONE_YET}")
        elif args.box is not None:
            _show_one(shown[0], usual(shown[0], known, now), zone)
        else:
            _show_all(shown, known, now, zone)
        if not args.json:
            last = room.store.readings.last_at() if room.settings.room.scales else {}
            for scale in room.settings.room.scales:
                heard_ms = last.get(scale.id)
                if args.box in (None, scale.box) and (heard_ms is None or now - heard_ms > scale.quiet_after_s * 1000):
                    since = "yet" if heard_ms is None else f"since {show_time(heard_ms, zone)}"
                    say(f"scale {scale.id} of box {scale.box}: nothing heard of it {since}")
    return 0


def _show_all(shown: list[BoxWater], known: tuple[BoxWater, ...], now: int, zone: tzinfo) -> None:
    rows = []
    for water in shown:
        beside = usual(water, known, now)
        first, last = (water.weighings[0], water.weighings[-1]) if water.weighings else (None, None)
        rows.append(
            [
                water.box,
                _weight(first, zone),
                _weight(last, zone) if len(water.weighings) > 1 else "-",
                _loss(water.week),
                "-" if beside is None else f"{beside.per_week_g:.0f} g",
                f"{water.give_ml} ml" if water.week is not None else "-",
            ]
        )
    print(table(["box", "when set", "last", "loss a week", "usual", "give back"], rows))
    for water in shown:
        for line in _notes(water, zone):
            say(f"box {water.box}: {line}")
    if any(water.give_ml for water in shown):
        say(GIVE)


def _show_one(water: BoxWater, beside: Usual | None, zone: tzinfo) -> None:
    """Each weighing of one box with a bar, and what follows."""
    grams = [w.grams for w in water.weighings]
    if grams:
        low, wide = min(grams), columns(80) - 40
        step = max((max(grams) - low) / max(wide, 8), 1e-9)
        rows = [
            [
                show_time(w.at_ms, zone),
                f"{w.grams:.1f} g",
                w.scale or "by hand",
                "#" * (1 + round((w.grams - low) / step)),
            ]
            for w in water.weighings[-40:]
        ]
        print(table(["weighed", "weight", "by", f"from {low:.0f} g"], rows))
    say(f"box {water.box} loses {_loss(water.week)} a week" if water.week else f"box {water.box}: {THIN}")
    if beside is not None and water.newest is not None:
        say(f"its newest week: {_loss(water.newest)}; {beside.whose}: {beside.per_week_g:.0f} g")
    for given in water.given:
        say(f"watered {show_time(given.at_ms, zone)}: {given.grams:.0f} ml")
    for line in _notes(water, zone):
        say(line)
    if water.give_ml:
        say(f"give back {water.give_ml} ml (± {2 * water.owed_sd_g:.0f})")
        say(GIVE)


def _notes(water: BoxWater, zone: tzinfo) -> Iterator[str]:
    """What does not count, and why."""
    if water.before is not None:
        yield f"weighed {_weight(water.before, zone)}, before the eggs that lie in it now: not counted"
    for span in water.spans:
        if span.sort != "measured":
            days = f"{show_date(span.first.at_ms, zone)} to {show_date(span.last.at_ms, zone)}"
            yield f"{days} not counted: {LEFT_OUT[span.sort]}"


def _weight(weighing: Weighing | None, zone: tzinfo) -> str:
    return "-" if weighing is None else f"{weighing.grams:.1f} g, {show_date(weighing.at_ms, zone)}"


def _loss(loss: Loss | None) -> str:
    return "-" if loss is None else f"{loss.per_week_g:.1f} ± {2 * loss.sd_g:.1f} g"


def _as_json(water: BoxWater, beside: Usual | None) -> dict[str, object]:
    last = water.last
    return {
        "box": water.box,
        "first_g": water.weighings[0].grams if water.weighings else None,
        "first_at": utc(water.weighings[0].at_ms) if water.weighings else None,
        "last_g": last.grams if last else None,
        "last_at": utc(last.at_ms) if last else None,
        "weight_g": rounded(water.weight_g, 2),
        "loss_g_week": rounded(water.week.per_week_g, 2) if water.week else None,
        "loss_standard_uncertainty_g_week": rounded(water.week.sd_g, 2) if water.week else None,
        "newest_loss_g_week": rounded(water.newest.per_week_g, 2) if water.newest else None,
        "usual_loss_g_week": rounded(beside.per_week_g, 2) if beside else None,
        "give_back_ml": water.give_ml if water.week else None,
        "missing_g": rounded(water.owed_g, 2) if water.week else None,
        "weighings": [{"at": utc(w.at_ms), "grams": w.grams, "scale": w.scale or None} for w in water.weighings],
        "watered": [{"at": utc(g.at_ms), "grams": g.grams} for g in water.given],
        "not_counted": [
            {"from": utc(s.first.at_ms), "to": utc(s.last.at_ms), "why": LEFT_OUT[s.sort]}
            for s in water.spans
            if s.sort != "measured"
        ],
    }
