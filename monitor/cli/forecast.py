"""When to expect the first pip: ``warmtally forecast``, with its what-ifs and its silent siblings."""

from __future__ import annotations

import argparse
import math
from dataclasses import replace
from typing import Final

from monitor.cli.output import columns, print_json, say
from monitor.cli.room import parse_temperature, parse_time, room_at_hand
from monitor.core.development.history import LOOK_BACK_H
from monitor.core.development.lots import FirstPip, LotNow
from monitor.core.development.plans import Plan, PlannedTemperature, set_points, swap
from monitor.core.development.sex import SexNow
from monitor.core.development.siblings import (
    NOT_TO_DO,
    TO_DO,
    GoneBefore,
    Story,
    apart,
    looked_since,
    measured_a_day,
    stories,
    verdict,
    waits_until,
)
from monitor.core.development.species import RESTS_ON
from monitor.core.development.window import Window
from monitor.core.terms.balance import became_of_lot
from monitor.core.terms.formats import (
    in_words,
    name_eggs,
    show_day,
    show_days_after,
    show_degree_days,
    show_developed,
    show_difference,
    show_eggs,
    show_temperature,
    show_time,
)
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import UnknownSubject, UsageError
from monitor.telling.as_json import rounded, utc
from monitor.telling.at_hand import RoomAtHand

# As long as a line of figures gets.
WIDEST: Final = 104
# Judgement, no source: see _survivable.
LETHAL_ABOVE_C = 4.0
# So much of the time filled in makes a date less sure by more than one can leave out. Judgement, no source.
MUCH_FILLED: Final = 0.05
CAUTION = (
    "A window is an estimate. No egg is opened on its word: wait, look, candle, and ask an experienced keeper or a "
    "reptile veterinarian."
)


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
                _survivable(plan, species, room)
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
            found = [lot_json(x, at) | {"story": _story_json(_of(x, told))} for x in lots]
            if args.set_points:
                for entry, lot in zip(found, lots, strict=True):
                    entry["set_points"] = [
                        {"temperature_c": t, "first_pip": lot_json(x, at)["first_pip"]}
                        for t, x in _set_points(lot, room, at)
                    ]
            print_json(found)
            return 0
        if not lots:
            print(_no_eggs(clutch))
            return 0
        for lot in lots:
            say(_forecast_text(lot, room, at, plan, told=_of(lot, told) is not None, why=args.why))
            print()
        if plan is None:
            for clutch_id in dict.fromkeys(x.clutch.id for x in lots):
                together = _together_text([x for x in lots if x.clutch.id == clutch_id], at)
                if together:
                    say("\n".join(together) + "\n")
        if args.set_points:
            for lot in lots:
                say(_set_points_text(lot, room, at) + "\n")
        for story in filter(None, (_of(x, told) for x in lots)):
            say(_story_text(story, room, at, why=args.why))
            print()
        if any(_of(x, told) is not None or _rest_is_late(x, at) or x.still_open for x in lots):
            say("\n".join(["while eggs lie still:", *(f"  - {text}" for text in (*TO_DO, *NOT_TO_DO))]) + "\n")
        say(CAUTION)
        if not args.why:
            say(f"What it rests on: warmtally forecast {wanted or clutch or ''} --why".replace("  ", " "))
    return 0


def _no_eggs(clutch: str | None) -> str:
    if clutch is not None:
        return f"no eggs of {clutch} are in a box any more; what was: warmtally forecast {clutch} --all"
    return "no eggs are in a box; set some: warmtally record set CLUTCH --box BOX --eggs N"


def _rest_is_late(lot: LotNow, at_ms: int) -> bool:
    """Whether eggs lie still beside others that pipped, for longer than nine of ten that live would have."""
    silence = lot.first_pip.silence if lot.first_pip is not None else None
    return silence is not None and silence.rest_by_ms is not None and at_ms >= silence.rest_by_ms


def _plan(text: str, room: RoomAtHand, at_ms: int) -> Plan:
    """What the keeper assumes: a temperature, temperatures by day, or another box."""
    if text.lower().startswith("box="):
        name = text[4:].strip()
        box = room.settings.room.box(name)
        if box is None:
            known = ", ".join(b.id for b in room.settings.room.boxes)
            raise UnknownSubject(f"no box {name!r} in the configuration", fix=f"boxes: {known}")
        series = room.derived.readings.box_series(box, at_ms - LOOK_BACK_H * HOUR_MS, at_ms + 1)
        if not len(series.time_ms):
            raise UnknownSubject(f"no reading of box {name} in the three days before", fix="assume a temperature")
        return replace(Plan.constant(float(series.temperature_c.mean())), label=f"as box {name}")
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


def _survivable(plan: Plan, species: str, room: RoomAtHand) -> None:
    """Raises UsageError for a temperature that eggs of the species do not survive: no date is worked out for it.

    Warmer by more than LETHAL_ABOVE_C than the warmest at which they are known to hatch. Where profiles name lethal
    temperatures, those lie 1 to 4 C above it.
    """
    known = room.derived.book.of(species)
    if known.profile is None or known.curve is None:
        return
    limit_c = max(known.profile.high_limit_c or 0.0, known.curve.high_c) + LETHAL_ABOVE_C
    warmest = max(step.temperature_c for step in plan.steps)
    if warmest > limit_c:
        raise UsageError(
            f"{show_temperature(warmest, room.unit)} kills eggs of {species}: no date is worked out for it",
            fix=f"they are known to hatch at {show_temperature(known.curve.high_c, room.unit)} at the warmest; "
            "stay below, and see their limits: warmtally species " + species,
        )


def _past(lot: LotNow, at_ms: int) -> str:
    """Why no temperature set from now on could move a lot's first pip; empty where it could."""
    if not lot.lot.open or not lot.lot.waiting:
        return "no egg of it is waiting any more"
    if lot.lot.pipped or lot.lot.hatched:
        return "its first pip was seen"
    if lot.first_pip is not None and lot.first_pip.open_window.p90_ms < at_ms:
        return f"its window is past, and no temperature set now moves it; what to do: warmtally forecast {lot.lot.id}"
    return ""


def _set_points(lot: LotNow, room: RoomAtHand, at_ms: int) -> list[tuple[float, LotNow]]:
    """The lot's forecast at each temperature that could be set from now on."""
    species = room.derived.book.of(lot.clutch.species)
    if species.curve is None or species.profile is None or _past(lot, at_ms):
        return []
    low = species.profile.low_limit_c if species.profile.low_limit_c is not None else species.curve.low_c
    high = species.profile.high_limit_c if species.profile.high_limit_c is not None else species.curve.high_c
    found = []
    for temperature in set_points(species.curve, low, high):
        lots = room.derived.lots(at_ms, plan=Plan.constant(temperature), clutch=lot.clutch.id)
        found += [(temperature, x) for x in lots if x.lot.id == lot.lot.id and x.first_pip is not None]
    return found


def _set_points_text(lot: LotNow, room: RoomAtHand, at_ms: int) -> str:
    if past := _past(lot, at_ms):
        return f"{name_eggs(lot.lot.id)}: no set points: {past}"
    points = [(temperature, x.first_pip.window) for temperature, x in _set_points(lot, room, at_ms) if x.first_pip]
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


def _of(lot: LotNow, told: list[Story]) -> Story | None:
    return next((story for story in told if story.late == lot.lot.id), None)


def _together_text(lots: list[LotNow], at_ms: int) -> list[str]:
    """For a clutch in two boxes: what swapping their places would do; nothing once their eggs may pip any day."""
    waiting = [x for x in lots if x.lot.open and not x.lot.pipped and x.past and x.ahead and x.ahead.rates]
    if len(waiting) != 2 or waiting[0].lot.box == waiting[1].lot.box:
        return []
    if any(x.first_pip is None or x.first_pip.window.p10_ms - DAY_MS <= at_ms for x in waiting):
        return []
    if not all(measured_a_day(x, at_ms) for x in waiting):
        return []
    one, other = waiting
    days, probe_days = apart(one, other)
    ahead = [x.ahead for x in waiting if x.ahead and x.ahead.rates]
    # What is to come is not known either: each box by itself.
    to_come = [a.rates.rate_sd_relative * (a.remaining_days or 0.0) for a in ahead if a.rates]
    doubt = 2.0 * math.hypot(probe_days, *to_come)
    both = f"{one.lot.id} and {other.lot.id} are expected"
    if abs(days) <= doubt:
        return [f"{both} at the same time, as far as can be told (± {doubt:.0f} days)"]
    developed = [x.past.development for x in waiting if x.past]
    found = swap((developed[0], developed[1]), (ahead[0].rate_per_day, ahead[1].rate_per_day))
    lines = [f"{both} {abs(found.apart_days):.1f} ± {doubt:.1f} days apart as they stand"]
    if found.in_days is not None:
        lines.append(f"  to bring them together, swap their places in {found.in_days:.0f} days and leave them so")
    elif abs(found.apart_if_now_days) < abs(found.apart_days):
        lines.append(
            f"  swapped now they would come {abs(found.apart_if_now_days):.1f} days apart: the best a swap does"
        )
    else:
        lines.append("  swapping their places would not bring them nearer")
    return lines


def _bar(development: float, width: int = 40) -> str:
    done = min(max(round(development * width), 0), width)
    return "[" + "#" * done + "." * (width - done) + "]"


def _forecast_text(lot: LotNow, room: RoomAtHand, at_ms: int, plan: Plan | None, *, told: bool, why: bool) -> str:
    """``told``: what becomes of eggs that lie still is told elsewhere; ``why``: with all that it rests on."""
    unit, zone = room.unit, room.zone
    past, ahead, eggs = lot.past, lot.ahead, show_eggs(lot.lot.eggs)
    lines = [f"{name_eggs(lot.lot.id)}: {eggs} of {lot.clutch.species}, {show_time(at_ms, zone)}"]
    if past is not None:
        wide = columns(WIDEST)
        bar = f"  development {_bar(past.development, min(40, wide - 25))} {show_developed(past.development, 1)} %"
        sums = f"{show_degree_days(past.degree_days, unit, 1)} above {show_temperature(past.base_c, unit)}"
        lines += [bar] if not why else [f"{bar}   {sums}"] if wide == WIDEST else [bar, f"    {sums}"]
    if (why or plan is not None) and past is not None and past.mean_c is not None and ahead is not None:
        to_come = f"assumed ({plan.label})" if plan else "expected from now on"
        lines.append(
            f"  mean so far {show_temperature(past.mean_c, unit, 2)}, {to_come} "
            f"{show_temperature(ahead.temperature_c, unit, 2)}, "
            f"probe ± {show_difference(2 * past.error.total_c, unit, 2)}"
        )
    if past is not None and past.filled_share > (0.0005 if why else MUCH_FILLED):
        ways = ", ".join(f"{way} {seconds / 3600:.1f} h" for way, seconds in past.filled_how.items())
        lines.append(f"  filled in, not measured: {100 * past.filled_share:.1f} % of the time ({ways or 'unknown'})")
    if lot.still_open:
        lines.append(f"  {lot.still_open}")
    if lot.refused:
        lines += [] if lot.refused == lot.still_open else [f"  no date: {lot.refused}"]
    elif nothing := _nothing_left(lot):
        lines.append(f"  {nothing}")
    if lot.first_pip is not None:
        lines += _pip_text(lot, lot.first_pip, at_ms, room, told=told, why=why)
    if why and lot.sex is not None:
        lines += _sex_text(lot.sex, room)
    if why:
        lines += [f"  note: {note}" for note in lot.notes]
    elif lot.grade in RESTS_ON:
        lines.append(f"  {RESTS_ON[lot.grade]}")
    return "\n".join(lines)


def _nothing_left(lot: LotNow) -> str:
    """Why nothing is waited for; empty where something is."""
    what = lot.lot
    if not what.open:
        return f"nothing of it lies there any more: {became_of_lot(what)}"
    return "" if what.waiting or what.pipped else f"no date: no egg is waited for ({became_of_lot(what)})"


def _pip_text(lot: LotNow, pip: FirstPip, at_ms: int, room: RoomAtHand, *, told: bool, why: bool) -> list[str]:
    """When the first pip was seen, or is expected; and of what lies still beside it, when that is. ``told``: until when
    to wait is told elsewhere."""
    w, zone, lines = pip.window, room.zone, []
    between = _between(w, room)
    if lot.lot.pips:
        seen = lot.lot.pips[0]
        look = f"none at {show_time(seen.after_ms, zone)}" if seen.after_ms is not None else "no look before was told"
        lines.append(f"  first pip: {show_eggs(seen.count)} seen at {show_time(seen.by_ms, zone)}, {look}")
        lines.append(f"    most likely {between} (8 in 10)")
    else:
        # Nobody waits for an egg by a date that rests on its being alive, when that is in doubt.
        lives = ", if it lives" if pip.silence is not None and at_ms > pip.silence.wait_until_ms else ""
        lines.append(f"  first pip {between} (8 in 10{lives}), middle {_moment(w.p50_ms, w, room)}")
        lines.append(_strip(w.p10_ms, w.p50_ms, w.p90_ms, at_ms, room))
    causes = [f"{c.name} ± {c.days:.1f} d" for c in w.causes if c.days >= 0.05]
    lines += ["  uncertain because: " + "; ".join(causes)] if causes and why else []
    silence = pip.silence
    if silence is None or not (lot.lot.pips or at_ms >= pip.open_window.p10_ms):
        return lines
    until = show_day(silence.wait_until_ms, zone)
    if silence.rest is None and told:
        return lines
    if silence.rest is None:
        lines.append(f"  wait until {until}: by then 99 of 100 living boxes would have pipped")
        return lines
    rest = _between(silence.rest, room)
    lines.append(f"  the other {show_eggs(lot.lot.waiting)}: {rest} (8 in 10 of those that live); wait until {until}")
    waits = waits_until(silence.wait_until_ms, at_ms, zone)
    if silence.rest_by_ms is not None and at_ms >= silence.rest_by_ms:
        known = {"looked": looked_since(lot.lot, silence), "none_alive": lot.lot.none_alive_ms is not None}
        said = verdict(silence.each, waits=waits, **known)
        lines.append(f"    each of them, late or failed: {said}")
    return lines


def _moment(at_ms: int, w: Window, room: RoomAtHand) -> str:
    """By the day where the width is days, else by the minute."""
    return (show_day if w.p90_ms - w.p10_ms >= 2 * DAY_MS else show_time)(at_ms, room.zone)


def _between(w: Window, room: RoomAtHand) -> str:
    return f"between {_moment(w.p10_ms, w, room)} and {_moment(w.p90_ms, w, room)}"


def _sex_text(sex: SexNow, room: RoomAtHand) -> list[str]:
    """Only for species whose sex is decided by temperature, once that has begun."""
    side = "above" if sex.temperature_c > sex.pivotal_c else "below"
    lines = [
        f"  sex: mean {show_temperature(sex.temperature_c, room.unit, 2)} in the part of development that decides it"
    ]
    lines.append(
        f"    ({100 * sex.behind:.0f} % of it over), "
        f"{show_difference(abs(sex.temperature_c - sex.pivotal_c), room.unit)} {side} the pivotal temperature of "
        f"{show_temperature(sex.pivotal_c, room.unit)}: more {sex.more}"
    )
    if sex.females is not None and sex.females_p10 is not None and sex.females_p90 is not None:
        lines.append(
            f"    about {100 * sex.females:.0f} % females (8 in 10: {100 * sex.females_p10:.0f} to "
            f"{100 * sex.females_p90:.0f} %), over many clutches; a single one may be far off"
        )
    return lines


def _story_text(story: Story, room: RoomAtHand, at_ms: int, *, why: bool) -> str:
    """Until when to wait, then what was seen, then how likely, and ``why``."""
    until, zone = show_day(story.silence.wait_until_ms, room.zone), room.zone
    beside = story.beside
    lines = [f"{name_eggs(story.late)} lies still" + ("" if beside is None else f": {_gone_before(beside)}")]
    if story.waits:
        lines.append(f"  wait until {until}: by then 99 of 100 living boxes would have pipped")
    else:
        lines.append(f"  {until}, by which 99 of 100 living boxes would have pipped, is over: candle, and ask")
    lines.append(f"  {_seen_text(story, at_ms, room)}")
    if story.verdict is not None:
        lines.append(f"  late or failed: {story.verdict}")
    if beside is not None and why:
        lines += _why_text(beside, room)
    due = f"{show_day(story.due_p10_ms, zone)} to {show_day(story.due_p90_ms, zone)}"
    lines.append(f"  if it lives, it is due {due}, given all looks")
    return "\n".join(lines)


def _gone_before(beside: GoneBefore) -> str:
    done = "" if beside.done_ms is None else ", and is done"
    return f"{name_eggs(beside.early)} pipped {beside.waited_days:.1f} days ago{done}"


def _seen_text(story: Story, at_ms: int, room: RoomAtHand) -> str:
    """What was seen of it: what is said rests on that."""
    if story.none_alive_ms is not None:
        at = show_time(story.none_alive_ms, room.zone)
        return f"none of {show_eggs(story.eggs)} was seen alive at {at}: that is no proof, candle again"
    if story.alive is not None:
        at = show_time(story.alive.at_ms, room.zone)
        return f"{story.alive.count} of {show_eggs(story.eggs)} were seen alive at {at}: that counts for much"
    if story.looked_ms is None:
        return "no look has been told of: one look sharpens this (warmtally record looked, or candled --alive N)"
    looked = show_time(story.looked_ms, room.zone)
    old = at_ms - story.looked_ms > 36 * HOUR_MS
    return f"no look has been told of since {looked}: one look sharpens this" if old else f"nothing to see at {looked}"


def _why_text(beside: GoneBefore, room: RoomAtHand) -> list[str]:
    direction = "later" if beside.temperature_days >= 0 else "earlier"
    doubt = f"± {2 * beside.probe_days:.1f} days"
    lines = [f"  why: by their temperatures it is expected {abs(beside.temperature_days):.1f} {doubt} {direction}"]
    if beside.probes_explain:
        lines = [f"  why: their temperatures part them by less than the probes can tell ({doubt})"]
    low, high = beside.offset_p10_days, beside.offset_p90_days
    lines.append(f"    ordinary spread between eggs and boxes: ± {2 * beside.spread_days:.1f} days")
    lines.append(f"    so its first pip comes {show_days_after(low, high)} that of {name_eggs(beside.early)} (8 in 10)")
    if not beside.compared:
        half = in_words("half a degree", 0.5, room.unit)
        lines.append(f"    the probes were never compared: do that before trusting {half} (warmtally compare)")
    return lines


def _story_json(story: Story | None) -> dict[str, object] | None:
    if story is None:
        return None
    said, beside = story.verdict, story.beside
    return {
        "wait_until": utc(story.silence.wait_until_ms),
        "waits": story.waits,
        "verdict": None if said is None else said.words,
        "looked": utc(story.looked_ms),
        "seen_alive": None if story.alive is None else {"eggs": story.alive.count, "at": utc(story.alive.at_ms)},
        "due": {"p10": utc(story.due_p10_ms), "p50": utc(story.due_p50_ms), "p90": utc(story.due_p90_ms)},
        "beside": None
        if beside is None
        else {
            "lot": beside.early,
            "pipped_days_ago": round(beside.waited_days, 2),
            "done": utc(beside.done_ms),
            "temperature_days": round(beside.temperature_days, 2),
            "probe_days": round(beside.probe_days, 2),
            "probes_explain": beside.probes_explain,
            "compared": beside.compared,
            "follows_days": {
                "p10": round(beside.offset_p10_days, 2),
                "p50": round(beside.offset_p50_days, 2),
                "p90": round(beside.offset_p90_days, 2),
            },
        },
        "do": list(TO_DO),
        "do_not": list(NOT_TO_DO),
    }


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


def lot_json(lot: LotNow, at_ms: int) -> dict[str, object]:
    past, ahead, pip = lot.past, lot.ahead, lot.first_pip
    w = pip.window if pip else None
    return {
        "lot": lot.lot.id,
        "clutch": lot.clutch.id,
        "box": lot.lot.box,
        "species": lot.clutch.species,
        "counts": lot.counts,
        "confidence": lot.grade,
        "at": utc(at_ms),
        "eggs": lot.lot.eggs,
        "waiting": lot.lot.waiting,
        "pipped": lot.lot.pipped,
        "open": lot.lot.open,
        "development": rounded(past.development, 6) if past else None,
        "degree_days": rounded(past.degree_days, 4) if past else None,
        "base_c": rounded(past.base_c, 3) if past else None,
        "filled_share": rounded(past.filled_share, 6) if past else 0.0,
        "filled": {way: round(seconds / 3600.0, 2) for way, seconds in past.filled_how.items()} if past else {},
        "mean_c": rounded(past.mean_c, 3) if past else None,
        "heat": None
        if lot.heat is None
        else {
            "limit_c": lot.heat.limit_c,
            "total_h": round(lot.heat.exposure.total_s / 3600, 2),
            "longest_h": round(lot.heat.exposure.longest_s / 3600, 2),
        },
        "expected_c": rounded(ahead.temperature_c, 3) if ahead else None,
        "rate_per_day": rounded(ahead.rate_per_day, 6) if ahead else None,
        "first_pip": None
        if w is None
        else {"p10": utc(w.p10_ms), "p50": utc(w.p50_ms), "p90": utc(w.p90_ms)}
        | {f"p{round(100 * p):02d}": utc(t) for p, t in zip(w.probabilities, w.times_ms, strict=True)},
        "overdue": None if w is None else w.overdue,
        **_silence_json(pip, at_ms),
        "causes": [] if w is None else [{"cause": c.name, "days": round(c.days, 3)} for c in w.causes],
        "sex": None if lot.sex is None else _sex_json(lot.sex),
        "no_sex": None if lot.sex is not None else lot.no_sex or lot.refused or None,
        "refused": lot.refused or None,
        "still_open": lot.still_open or None,
        "notes": list(lot.notes),
    }


def _silence_json(pip: FirstPip | None, at_ms: int) -> dict[str, object]:
    """Of what lies still: nothing before the window opens."""
    silence = None if pip is None or at_ms < pip.open_window.p10_ms else pip.silence
    return {
        "chance_only_late": None if silence is None else rounded(silence.chance, 4),
        "chance_each_lives": None if silence is None else rounded(silence.each, 4),
        "wait_until": None if silence is None else utc(silence.wait_until_ms),
        "rest": None
        if silence is None or silence.rest is None
        else {"p10": utc(silence.rest.p10_ms), "p50": utc(silence.rest.p50_ms), "p90": utc(silence.rest.p90_ms)},
    }


def _sex_json(sex: SexNow) -> dict[str, object]:
    return {
        "behind": round(sex.behind, 4),
        "temperature_c": round(sex.temperature_c, 3),
        "uncertainty_c": round(sex.u_c, 3),
        "pivotal_c": sex.pivotal_c,
        "more": sex.more,
        "females": rounded(sex.females, 4),
        "females_p10": rounded(sex.females_p10, 4),
        "females_p90": rounded(sex.females_p90, 4),
        "papers": list(sex.papers),
        "text": sex.text or None,
    }
