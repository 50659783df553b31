"""``warmtally stack``: how warm a stack is by height, how sure that is, and what would mend it."""

from __future__ import annotations

import argparse
from pathlib import Path

from monitor.cli.new_file import write_text
from monitor.cli.output import columns, print_json, say, table
from monitor.cli.room import now_ms, number, parse_temperature, parse_time, room_at_hand
from monitor.core.terms.formats import show_time
from monitor.errors import UsageError
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.drawing.stack_plot import svg_stack, terminal_stack
from monitor.telling.places import stack_named
from monitor.telling.stacks import (
    LEVEL_HEAD,
    LONGEST_H,
    StackSeen,
    advice_lines,
    heater_words,
    level_rows,
    lots_in_stack_lines,
    place_for_words,
    profile_lines,
    scene_of,
    silent_lines,
    span_words,
    stack_json,
    stack_seen,
)


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    stack = sub.add_parser(
        "stack",
        parents=[parent],
        help="how warm a stack is by height, which boxes really differ, by how many days, and what would mend it",
        epilog="examples: warmtally stack    warmtally stack left --hours 72    warmtally stack left --svg left.svg    "
        "warmtally stack left --wanted 28.5",
    )
    stack.add_argument("stack", nargs="?", metavar="STACK", help="one stack (default: all)")
    stack.add_argument("--hours", type=number, default=24.0, metavar="N", help="over the last so many hours (24)")
    stack.add_argument("--at", metavar="WHEN", default="now", help="the hours before then (default: now)")
    stack.add_argument("--wanted", metavar="TEMPERATURE", help="also say at which height it is so warm")
    stack.add_argument("--svg", metavar="FILE", help="also write the profile as an SVG drawing (of one stack)")
    stack.add_argument("--json", action="store_true")
    stack.set_defaults(run=run_stack)


def run_stack(args: argparse.Namespace) -> int:
    if not 1.0 <= args.hours <= LONGEST_H:
        raise UsageError(f"{args.hours:g} hours are none to look at", fix=f"give 1 to {LONGEST_H:.0f}")
    with room_at_hand(args) as now:
        at = min(parse_time(args.at, now.zone)[0], now_ms())
        room = now if args.at == "now" else now.as_of(at)
        known = room.settings.room.stacks
        wanted = [stack_named(room.settings.room, args.stack)] if args.stack is not None else list(known)
        if args.svg and len(wanted) != 1:
            raise UsageError("a drawing is of one stack", fix=f"warmtally stack {known[0]} --svg {args.svg}")
        want_c = parse_temperature(args.wanted, room.unit) if args.wanted else None
        picture = room.picture(at)
        seen = [stack_seen(room, picture, stack, at, args.hours) for stack in wanted]
        if args.svg:
            _save(seen[0], room, Path(args.svg))
        if args.json:
            print_json([stack_json(x, at, want_c) for x in seen])
            return 0
        say("\n\n".join("\n".join(_lines(x, room, at, want_c)) for x in seen))
        if args.svg:
            print(f"\nthe profile is drawn in {args.svg}")
    return 0


def _lines(seen: StackSeen, room: RoomAtHand, at: int, want_c: float | None) -> list[str]:
    profile, heater = seen.profile, heater_words(seen, room)
    if profile is None:
        least = "two levels at least must be measured in the same hours, and so far they were not"
        return [f"stack {seen.stack}: no profile; {least}: see warmtally probes, or look at more --hours", heater]
    lines = [span_words(seen, profile, room), *silent_lines(seen, room, at)]
    lines.append(table(LEVEL_HEAD, level_rows(seen, profile, room)))
    lines += profile_lines(profile, room)
    lines += ["", terminal_stack(scene_of(seen), room.unit, columns(76)), ""]
    lines += lots_in_stack_lines(seen, room)
    if want_c is not None:
        lines.append(place_for_words(profile, want_c, room))
    return [*lines, *advice_lines(seen, room, at), heater]


def _save(seen: StackSeen, room: RoomAtHand, path: Path) -> None:
    if seen.profile is None:
        raise UsageError(f"stack {seen.stack} has no profile to draw", fix="look at more --hours, or: warmtally probes")
    p = seen.profile
    when = f"{show_time(p.from_ms, room.zone)} to {show_time(p.to_ms, room.zone)}"
    write_text(path, svg_stack(scene_of(seen), room.unit, when))
