"""What boxes weigh: ``warmtally weights``."""

from __future__ import annotations

import argparse
from datetime import tzinfo

from monitor.cli.output import columns, print_json, say, table
from monitor.cli.room import now_ms, room_at_hand
from monitor.core.climate.water import BoxWater, Usual, usual
from monitor.core.terms.formats import show_time
from monitor.errors import UnknownSubject
from monitor.telling.weights import GIVE, THIN, loss_words, not_counted_words, weight_json, weight_words

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
            print_json([weight_json(water, usual(water, known, now)) for water in shown])
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
                weight_words(first, zone),
                weight_words(last, zone) if len(water.weighings) > 1 else "-",
                loss_words(water.week),
                "-" if beside is None else f"{beside.per_week_g:.0f} g",
                f"{water.give_ml} ml" if water.week is not None else "-",
            ]
        )
    print(table(["box", "when set", "last", "loss a week", "usual", "give back"], rows))
    for water in shown:
        for line in not_counted_words(water, zone):
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
    say(f"box {water.box} loses {loss_words(water.week)} a week" if water.week else f"box {water.box}: {THIN}")
    if beside is not None and water.newest is not None:
        say(f"its newest week: {loss_words(water.newest)}; {beside.whose}: {beside.per_week_g:.0f} g")
    for given in water.given:
        say(f"watered {show_time(given.at_ms, zone)}: {given.grams:.0f} ml")
    for line in not_counted_words(water, zone):
        say(line)
    if water.give_ml:
        say(f"give back {water.give_ml} ml (± {2 * water.owed_sd_g:.0f})")
        say(GIVE)
