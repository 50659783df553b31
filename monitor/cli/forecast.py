"""When to expect the first pip: ``warmtally forecast``, with its what-ifs and its silent siblings."""

from __future__ import annotations

import argparse
from typing import Final

from monitor.cli.output import columns, print_json, say
from monitor.cli.room import parse_temperature, parse_time, room_at_hand
from monitor.core.development.lots import LotNow
from monitor.core.development.plans import Plan, PlannedTemperature
from monitor.core.development.siblings import stories
from monitor.core.development.window import Window
from monitor.core.terms.formats import (
    name_eggs,
    show_day,
    show_degree_days,
    show_developed,
    show_temperature,
    show_time,
)
from monitor.core.terms.times import DAY_MS
from monitor.errors import UnknownSubject, UsageError
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.forecast import CAUTION, expected_lines, heading, rest_is_late
from monitor.telling.late_box import forecast_json, story_lines, story_of, while_still
from monitor.telling.what_if import as_warm_as, set_points_json, set_points_of, survivable, together_lines, why_past

# As long as a line of figures gets.
WIDEST: Final = 104


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    forecast = sub.add_parser(
        "forecast",
        parents=[parent],
        help="when to expect the first pip, and how sure that is",
        epilog='examples: warmtally forecast K01    warmtally forecast K01/upper --at "2026-06-15 12:00" --json    '
        "warmtally forecast --assume 29.0",
    )
    forecast.add_argument(
        "lot", nargs="?", metavar="EGGS", help="a clutch, or its eggs in a box: K01/upper (default: all)"
    )
    forecast.add_argument("--at", metavar="WHEN", default="now", help="answer with what was known then")
    forecast.add_argument(
        "--assume",
        metavar="PLAN",
        help='what will be from then on: "29.0", "29.0 until 2026-06-20, 27.5", or "box=lower" (as warm as that box)',
    )
    forecast.add_argument(
        "--set-points", action="store_true", help="the date over the temperatures that could be set, as a plot"
    )
    forecast.add_argument("--why", action="store_true", help="also the causes, and all that the date rests on")
    forecast.add_argument("--all", action="store_true", help="also eggs that are finished")
    forecast.add_argument("--json", action="store_true")
    forecast.set_defaults(run=run_forecast)


def run_forecast(args: argparse.Namespace) -> int:
    with room_at_hand(args) as now:
        at, _ = parse_time(args.at, now.zone)
        # With the corrections that had been found by then, and not with what was found since.
        room = now if args.at == "now" else now.as_of(at)
        plan = _plan(args.assume, room, at) if args.assume else None
        clutches = room.store.account.clutches(at)
        wanted = args.lot
        clutch = wanted.split("/")[0] if wanted else None
        if clutch is not None and clutch not in clutches:
            later = clutch in room.store.account.clutches()
            raise UnknownSubject(
                f"no clutch {clutch!r}" + (" at that time" if later else ""),
                fix="it was entered for a later time"
                if later
                else f"known: {', '.join(sorted(clutches)) or 'none yet; warmtally clutch add'}",
            )
        if plan is not None:
            open_now = (x for x in clutches.values() if clutch in (None, x.id) and any(lot.open for lot in x.lots))
            for species in sorted({x.species for x in open_now}):
                survivable(plan, species, room)
        lots = room.derived.lots(at, plan=plan, clutch=clutch)
        # What a box that is done tells of those that are not stays until these are done as well.
        told = [] if plan is not None else stories(lots, at, now.zone)
        if wanted and "/" in wanted:
            lots = [x for x in lots if x.lot.id == wanted]
            if not lots:
                raise UnknownSubject(
                    f"no eggs {wanted!r} at that time",
                    fix=f"there are: {', '.join(x.id for x in clutches[clutch].lots) or 'none yet'}" if clutch else "",
                )
        elif not args.all and (wanted is None or not args.json):
            lots = [x for x in lots if x.lot.open]
        if args.json:
            found = [forecast_json(x, at, told) for x in lots]
            if args.set_points:
                print_json(
                    [{**x, "set_points": set_points_json(y, room, at)} for x, y in zip(found, lots, strict=True)]
                )
            else:
                print_json(found)
            return 0
        if not lots:
            print(_no_eggs(clutch))
            return 0
        for lot in lots:
            say(_forecast_text(lot, room, at, plan, told=story_of(lot, told) is not None, why=args.why))
            print()
        if plan is None:
            for clutch_id in dict.fromkeys(x.clutch.id for x in lots):
                together = together_lines([x for x in lots if x.clutch.id == clutch_id], at)
                if together:
                    say("\n".join(together) + "\n")
        if args.set_points:
            for lot in lots:
                say(_set_points_text(lot, room, at) + "\n")
        for story in filter(None, (story_of(x, told) for x in lots)):
            say("\n".join(story_lines(story, room, at, why=args.why)))
            print()
        if any(story_of(x, told) is not None or rest_is_late(x, at) or x.still_open for x in lots):
            say("\n".join(while_still()) + "\n")
        say(CAUTION)
        if not args.why:
            say(f"What it rests on: warmtally forecast {wanted or clutch or ''} --why".replace("  ", " "))
    return 0


def _no_eggs(clutch: str | None) -> str:
    if clutch is not None:
        return f"no eggs of {clutch} are in a box any more; what was: warmtally forecast {clutch} --all"
    return "no eggs are in a box; set some: warmtally record set CLUTCH --box BOX --eggs N"


def _plan(text: str, room: RoomAtHand, at_ms: int) -> Plan:
    """What the keeper assumes: a temperature, temperatures by day, or another box."""
    if text.lower().startswith("box="):
        return as_warm_as(text[4:].strip(), room, at_ms)
    steps, start = [], 0
    parts = [p.strip() for p in text.split(",")]
    for i, part in enumerate(parts):
        temperature, _, until = part.partition(" until ")
        steps.append(PlannedTemperature(start, parse_temperature(temperature, room.unit)))
        if (i < len(parts) - 1) != bool(until):
            raise UsageError(
                f"{text!r} is not a plan", fix='write "29.0" or "29.0 until 2026-06-20, 27.5": the last has no end'
            )
        if until:
            start, _ = parse_time(until, room.zone)
    return Plan(tuple(steps), label=text)


def _set_points_text(lot: LotNow, room: RoomAtHand, at_ms: int) -> str:
    if past := why_past(lot, at_ms):
        return f"{name_eggs(lot.lot.id)}: no set points: {past}"
    points = [(temperature, x.first_pip.window) for temperature, x in set_points_of(lot, room, at_ms) if x.first_pip]
    if not points:
        return f"{name_eggs(lot.lot.id)}: no set points: {lot.refused or 'no date at any temperature of its table'}"
    start, stop = min(w.p10_ms for _, w in points), max(w.p90_ms for _, w in points)
    width, lines = (
        min(50, columns(80) - 29),
        [f"{name_eggs(lot.lot.id)}: first pip by the temperature kept from {show_time(at_ms, room.zone)} on"],
    )
    for temperature, w in points:
        cells = [" "] * (width + 1)
        a, m, b = (round((t - start) / max(stop - start, 1) * width) for t in (w.p10_ms, w.p50_ms, w.p90_ms))
        for i in range(a, b + 1):
            cells[i] = "="
        cells[m] = "|"
        lines.append(
            f"  {show_temperature(temperature, room.unit):>8}  {''.join(cells)}  {show_day(w.p50_ms, room.zone)}"
        )
    lines.append(f"  {'':>8}  {show_day(start, room.zone)[4:]}{show_day(stop, room.zone)[4:]:>{max(width - 9, 11)}}")
    return "\n".join(lines)


def _bar(development: float, width: int = 40) -> str:
    done = min(max(round(development * width), 0), width)
    return "[" + "#" * done + "." * (width - done) + "]"


def _forecast_text(lot: LotNow, room: RoomAtHand, at_ms: int, plan: Plan | None, *, told: bool, why: bool) -> str:
    """``told``: what becomes of eggs that lie still is told elsewhere; ``why``: with all that it rests on."""
    unit, past = room.unit, lot.past
    lines = [heading(lot, room, at_ms)]
    if past is not None:
        wide = columns(WIDEST)
        bar = f"  development {_bar(past.development, min(40, wide - 25))} {show_developed(past.development, 1)} %"
        sums = f"{show_degree_days(past.degree_days, unit, 1)} above {show_temperature(past.base_c, unit)}"
        lines += [bar] if not why else [f"{bar}   {sums}"] if wide == WIDEST else [bar, f"    {sums}"]

    def drawn(w: Window) -> str:
        return _strip(w.p10_ms, w.p50_ms, w.p90_ms, at_ms, room)

    return "\n".join(lines + expected_lines(lot, room, at_ms, plan=plan, told=told, why=why, drawn=drawn))


def _strip(p10: int, p50: int, p90: int, now: int, room: RoomAtHand) -> str:
    """The window on a line of time: now, the window, its middle."""
    wide = columns(WIDEST)
    width = min(56, wide - 24)
    start, stop = min(now, p10) - DAY_MS, max(now, p90) + DAY_MS
    cells = ["."] * width

    def at(ms: int) -> int:
        return min(int((ms - start) / (stop - start) * width), width - 1)

    for i in range(at(p10), at(p90) + 1):
        cells[i] = "="
    cells[at(p50)] = "|"
    cells[at(now)] = "^"
    line = f"  {show_day(start, room.zone)[4:]} {''.join(cells)} {show_day(stop, room.zone)[4:]}"
    return line + ("   " if wide == WIDEST else "\n    ") + "(^ now, = window)"
