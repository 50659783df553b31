"""``warmtally stack``: how warm a stack is by height, how sure that is, and what would mend it."""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from pathlib import Path

from monitor.cli.output import columns, print_json, say, table
from monitor.cli.room import now_ms, number, parse_temperature, parse_time, room_at_hand
from monitor.core.climate.heater import HeaterNow
from monitor.core.climate.stacks import Level, LevelPair, StackProfile
from monitor.core.development.lots import LotNow
from monitor.core.development.remedies import (
    DRIES,
    Fanned,
    Remedy,
    Siblings,
    doubt_of,
    fanned,
    gain,
    in_full,
    siblings_in,
)
from monitor.core.notices.kinds.heater import in_words
from monitor.core.notices.kinds.uneven import advice, doubt
from monitor.core.notices.snapshot import BoxNow, Snapshot
from monitor.core.terms.formats import name_eggs, show_day, show_difference, show_temperature, show_time
from monitor.core.terms.times import HOUR_MS
from monitor.errors import UnknownSubject, UsageError
from monitor.telling.as_json import rounded, utc
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.drawing.stack_plot import StackScene, svg_stack, terminal_stack

LONGEST_H = 24.0 * 60


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


@dataclass(frozen=True)
class _Seen:
    """A stack with all that is said of it."""

    stack: str
    profile: StackProfile | None
    air: tuple[Level, ...]
    lots: tuple[LotNow, ...]
    siblings: tuple[Siblings, ...]
    fanned: tuple[Fanned, ...]
    heater: HeaterNow
    too_cool_c: float | None
    too_warm_c: float | None
    silent: tuple[BoxNow, ...] = ()


def run_stack(args: argparse.Namespace) -> int:
    if not 1.0 <= args.hours <= LONGEST_H:
        raise UsageError(f"{args.hours:g} hours are none to look at", fix=f"give 1 to {LONGEST_H:.0f}")
    with room_at_hand(args) as now:
        at = min(parse_time(args.at, now.zone)[0], now_ms())
        room = now if args.at == "now" else now.as_of(at)
        known = room.settings.room.stacks
        if args.stack is not None and args.stack not in known:
            raise UnknownSubject(f"no stack {args.stack!r} in the configuration", fix=f"stacks: {', '.join(known)}")
        wanted = [args.stack] if args.stack is not None else list(known)
        if args.svg and len(wanted) != 1:
            raise UsageError("a drawing is of one stack", fix=f"warmtally stack {known[0]} --svg {args.svg}")
        want_c = parse_temperature(args.wanted, room.unit) if args.wanted else None
        picture = room.picture(at)
        seen = [_seen(room, picture, stack, at, args.hours) for stack in wanted]
        if args.svg:
            _save(seen[0], room, Path(args.svg))
        if args.json:
            print_json([_json(x, at, want_c) for x in seen])
            return 0
        say("\n\n".join("\n".join(_text(x, room, at, want_c)) for x in seen))
        if args.svg:
            print(f"\nthe profile is drawn in {args.svg}")
    return 0


def _seen(room: RoomAtHand, picture: Snapshot, stack: str, at: int, hours: float) -> _Seen:
    profile = room.derived.boxes.stack_profile(stack, at, hours * 3600.0)
    air = room.derived.boxes.stack_profile(stack, at, hours * 3600.0, of="air")
    names = {x.name for x in profile.levels} if profile else set()
    picture = replace(picture, stacks=(profile,) if profile else ())
    boxes = {b.box.id: b for b in picture.boxes if b.box.stack == stack}
    lots = tuple(x for x in picture.lots if x.lot.open and x.lot.eggs and x.lot.box in boxes)
    cool = [b.limits.too_cool_c for b in boxes.values() if b.limits.too_cool_c is not None]
    warm = [b.limits.too_warm_c for b in boxes.values() if b.limits.too_warm_c is not None]
    return _Seen(
        stack,
        profile,
        tuple(x for x in air.levels if x.name not in names) if air else (),
        lots,
        tuple(advice(picture, early, late) for early, late in siblings_in(lots)),
        fanned(profile, lots) if profile else (),
        room.derived.heaters(at)[stack],
        max(cool, default=None),
        min(warm, default=None),
        tuple(b for b in boxes.values() if b.current_c(at) is None),
    )


# -- in words -----------------------------------------------------------------------------------------------------


def sureness(chance: float) -> str:
    """A chance in words and per cent."""
    for least, word in ((0.99, "sure"), (0.95, "very likely"), (0.8, "likely"), (0.65, "perhaps")):
        if chance >= least:
            return f"{word}, {'>99' if chance > 0.99 else f'{100 * chance:.0f}'} %"
    return f"cannot be told, {100 * chance:.0f} %"


def _text(seen: _Seen, room: RoomAtHand, at: int, want_c: float | None) -> list[str]:
    unit, zone, profile = room.unit, room.zone, seen.profile
    heater = [f"heater: {in_words(seen.heater, unit)}"]
    if profile is None:
        least = "two levels at least must be measured in the same hours, and so far they were not"
        return [f"stack {seen.stack}: no profile; {least}: see warmtally probes, or look at more --hours", *heater]
    span = f"{show_time(profile.from_ms, zone)} to {show_time(profile.to_ms, zone)}"
    whole_h = min(profile.hours, round((profile.to_ms - profile.from_ms) / HOUR_MS))
    lines = [f"stack {seen.stack}, {span}; {whole_h} hours in which all its levels were measured"]
    steps = {step.upper.name: step for step in profile.steps}
    odd = profile.odd
    rows = []
    for level in (*reversed(profile.levels), *reversed(seen.air)):
        step = steps.get(level.name)
        rows.append(
            [
                f"{level.height_cm:.0f} cm",
                level.name + (" ?" if odd is not None and level is odd.level else ""),
                f"{show_temperature(level.mean_c, unit, 2)} ± {show_difference(2 * level.error.total_c, unit, 2)}",
                _against(step, room) if step else "-",
                "compared" if level.compared else "not compared",
            ]
        )
    # A mean of the hours before is none of now where nothing is heard any more.
    lines += [_silent_text(box, room, at) for box in seen.silent]
    lines.append(table(["height", "level", "mean", "against the one below", "its probe"], rows))
    g = profile.gradient
    if g is not None:
        lines.append(
            f"by height: {show_difference(g.c_per_m, unit, 2)} warmer for each metre up (19 in 20: "
            f"{show_difference(g.low, unit, 2)} to {show_difference(g.high, unit, 2)})"
        )
    lines.append(
        f"{profile.warmest} is {show_difference(profile.difference_c, unit, 2)} ± "
        f"{show_difference(2 * profile.difference_sd_c, unit, 2)} warmer than {profile.coolest}: "
        f"{doubt(profile.beyond_probes, profile.compared)}"
    )
    if odd is not None:
        lines.append(
            f"{odd.level.name} stands out: {show_difference(abs(odd.off_c), unit)} "
            f"{'warmer' if odd.off_c > 0 else 'cooler'} than the line through the others says; it is left out of the "
            "gradient. First look at its probe: is it where it should be, dry and unhurt? Then: warmtally compare"
        )
    lines += ["", terminal_stack(_scene(seen), unit, columns(76)), ""]
    lines += _of_lots(seen, room)
    if want_c is not None:
        lines.append(_place_text(profile, want_c, room))
    return lines + _advice(seen, room, at) + heater


def _silent_text(box: BoxNow, room: RoomAtHand, at: int) -> str:
    since = "" if box.at_ms is None else f" since {show_time(box.at_ms, room.zone, at)}"
    return f"box {box.box.id}: no reading{since}"


def _against(pair: LevelPair, room: RoomAtHand) -> str:
    size = show_difference(abs(pair.difference_c), room.unit, 2)
    way = "warmer" if pair.difference_c >= 0.0 else "cooler"
    return f"{size} ± {show_difference(2 * pair.sd_c, room.unit, 2)} {way}: {sureness(pair.chance)}"


def _of_lots(seen: _Seen, room: RoomAtHand) -> list[str]:
    if not seen.lots:
        return ["no eggs lie in this stack"]
    assert seen.profile is not None
    lines = []
    for lot in seen.lots:
        ahead = lot.ahead
        if lot.first_pip is None or ahead is None or ahead.days_per_c is None:
            lines.append(f"{name_eggs(lot.lot.id)}: no date ({lot.refused or 'nothing to expect'})")
            continue
        if lot.lot.pipped:
            lines.append(f"{name_eggs(lot.lot.id)}: has pipped")
            continue
        part = (ahead.remaining_days or 0.0) * ahead.days_per_c * ahead.rate_per_day * seen.profile.difference_c
        lines.append(
            f"{name_eggs(lot.lot.id)}: first pip about {show_day(lot.first_pip.window.p50_ms, room.zone)}; "
            f"the stack's {show_difference(seen.profile.difference_c, room.unit, 2)} are "
            f"{abs(ahead.days_per_c) * seen.profile.difference_c:.1f} days of a whole incubation, {abs(part):.1f} of "
            "what is left"
        )
    for x in seen.siblings:
        lines.append(
            f"{name_eggs(x.early.lot.id)} is expected {x.apart_days:.1f} ± {2 * x.sd_days:.1f} days before "
            f"{name_eggs(x.late.lot.id)}"
        )
    return lines


def _place_text(profile: StackProfile, want_c: float, room: RoomAtHand) -> str:
    warm = show_temperature(want_c, room.unit)
    if doubt_of(profile):
        return f"where it is {warm}: not told, since {doubt_of(profile)}"
    place = profile.place_for(want_c)
    if place is None:
        low, high = (f(x.mean_c for x in profile.levels) for f in (min, max))
        return (
            f"where it is {warm}: nowhere between its levels, which are {show_temperature(low, room.unit)} to "
            f"{show_temperature(high, room.unit)}"
        )
    low_cm = "below the lowest" if place.low_cm is None else f"{place.low_cm:.0f} cm"
    high_cm = "above the uppermost" if place.high_cm is None else f"{place.high_cm:.0f} cm"
    return f"where it is {warm}: at about {place.height_cm:.0f} cm (19 in 20: {low_cm} to {high_cm})"


def _advice(seen: _Seen, room: RoomAtHand, at: int) -> list[str]:
    assert seen.profile is not None
    why = doubt_of(seen.profile)
    if why and not seen.siblings:
        return [f"no advice: {why}"]
    lines = []
    for x in seen.siblings:
        both = f"{name_eggs(x.early.lot.id)} and {name_eggs(x.late.lot.id)}"
        if x.refused:
            lines.append(f"no advice for {both}: {x.refused}")
            continue
        lines.append(f"what would bring {both} together:" if x.remedies else f"nothing is advised for {both}:")
        lines += [f"  - {in_full(remedy, x, at, room.zone, room.unit)}" for remedy in x.remedies]
        lines += [f"  - not {_WAYS[way]}: {reason}" for way, reason in x.not_done]
    if not why and not seen.siblings and seen.fanned:
        lines.append(f"a fan that stirs the air would even the boxes out ({DRIES}):")
        lines += [
            f"  - {name_eggs(x.lot.lot.id)} to about {show_temperature(x.to_c, room.unit)}: {abs(x.shift_days):.1f} ± "
            f"{2 * x.sd_days:.1f} days {'later' if x.shift_days >= 0 else 'earlier'}"
            for x in seen.fanned
        ]
    return lines


_WAYS = {"fan": "a fan", "swap": "a swap", "shelf": "another shelf"}


# -- drawn, and for scripts ---------------------------------------------------------------------------------------


def _scene(seen: _Seen) -> StackScene:
    assert seen.profile is not None
    return StackScene.of(seen.profile, seen.air, seen.too_cool_c, seen.too_warm_c)


def _save(seen: _Seen, room: RoomAtHand, path: Path) -> None:
    if seen.profile is None:
        raise UsageError(f"stack {seen.stack} has no profile to draw", fix="look at more --hours, or: warmtally probes")
    p = seen.profile
    when = f"{show_time(p.from_ms, room.zone)} to {show_time(p.to_ms, room.zone)}"
    try:
        path.write_text(svg_stack(_scene(seen), room.unit, when), encoding="utf-8")
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written: {error.strerror or error}", fix="name a file in a folder that is yours"
        ) from error


def _json(seen: _Seen, at: int, want_c: float | None) -> dict[str, object]:
    p = seen.profile
    if p is None:
        return {"stack": seen.stack, "profile": None, "heater": _heater_json(seen.heater)}
    g, odd = p.gradient, p.odd
    place = p.place_for(want_c) if want_c is not None and not doubt_of(p) else None
    return {
        "stack": seen.stack,
        "no_reading": [b.box.id for b in seen.silent],
        "profile": {
            "from": utc(p.from_ms),
            "to": utc(p.to_ms),
            "hours": p.hours,
            "levels": [_level_json(x) for x in p.levels],
            "air": [_level_json(x) for x in seen.air],
            "steps": [
                {
                    "lower": x.lower.name,
                    "upper": x.upper.name,
                    "difference_c": rounded(x.difference_c, 4),
                    "standard_uncertainty_c": rounded(x.sd_c, 4),
                    "chance": rounded(x.chance, 4),
                }
                for x in p.steps
            ],
            "warmest": p.warmest,
            "coolest": p.coolest,
            "difference_c": rounded(p.difference_c, 4),
            "difference_standard_uncertainty_c": rounded(p.difference_sd_c, 4),
            "beyond_probes": p.beyond_probes,
            "compared": p.compared,
            "gradient_c_per_m": None
            if g is None
            else {"middle": rounded(g.c_per_m, 4), "low": rounded(g.low, 4), "high": rounded(g.high, 4)},
            "stands_out": None
            if odd is None
            else {
                "level": odd.level.name,
                "off_c": rounded(odd.off_c, 3),
                "standard_uncertainty_c": rounded(odd.sd_c, 3),
            },
        },
        "wanted": None
        if want_c is None
        else {
            "temperature_c": rounded(want_c, 3),
            "height_cm": rounded(place.height_cm, 1) if place else None,
            "low_cm": rounded(place.low_cm, 1) if place else None,
            "high_cm": rounded(place.high_cm, 1) if place else None,
        },
        "lots": [
            {
                "lot": x.lot.id,
                "box": x.lot.box,
                "first_pip": utc(x.first_pip.window.p50_ms) if x.first_pip else None,
                "days_per_c": rounded(x.ahead.days_per_c, 3) if x.ahead else None,
            }
            for x in seen.lots
        ],
        "heater": _heater_json(seen.heater),
        "no_advice": doubt_of(p) or None,
        "siblings": [_siblings_json(x, at) for x in seen.siblings],
        "fan": [
            {"lot": x.lot.lot.id, "to_c": rounded(x.to_c, 3), **_days("later", x.shift_days, x.sd_days)}
            for x in seen.fanned
        ],
    }


def _heater_json(heater: HeaterNow) -> dict[str, object]:
    w = heater.wear
    if w is None:
        return {"untold": heater.untold}
    return {
        "probe": heater.probe,
        "c_per_h": rounded(w.c_per_h, 3),
        "left": rounded(w.left, 4),
        "per_day": {
            "middle": rounded(w.per_day, 5),
            "low": rounded(w.per_day_low, 5),
            "high": rounded(w.per_day_high, 5),
        },
        "duty": rounded(w.duty, 3),
        "most_duty": rounded(w.most_duty, 3),
        "weak": w.weak,
        "full_in_days": rounded(w.full_in_days, 1),
        "days": w.days,
    }


def _level_json(level: Level) -> dict[str, object]:
    return {
        "level": level.name,
        "height_cm": level.height_cm,
        "mean_c": rounded(level.mean_c, 4),
        "standard_uncertainty_c": rounded(level.error.total_c, 4),
        "common_c": rounded(level.common_c, 4),
        "noise_c": rounded(level.noise_c, 5),
        "compared": level.compared,
    }


def _days(name: str, days: float, sd: float) -> dict[str, object]:
    return {f"{name}_days": rounded(days, 3), f"{name}_standard_uncertainty_days": rounded(sd, 3)}


def _siblings_json(found: Siblings, at: int) -> dict[str, object]:
    return {
        "clutch": found.clutch,
        "early": found.early.lot.id,
        "late": found.late.lot.id,
        **_days("apart", found.apart_days, found.sd_days),
        "refused": found.refused or None,
        "remedies": [_remedy_json(x, at) for x in found.remedies],
        "not_advised": dict(found.not_done),
    }


def _remedy_json(remedy: Remedy, at: int) -> dict[str, object]:
    place = remedy.place
    return {
        "way": remedy.way,
        "says": gain(remedy),
        **_days("gains", remedy.gains_days, remedy.sd_days),
        **_days("remains", remedy.remains_days, remedy.remains_sd_days),
        "later_days": [rounded(x, 3) for x in remedy.shift_days],
        "at": utc(at + round(remedy.in_days * 86_400_000)) if remedy.way == "swap" else None,
        "height_cm": rounded(place.height_cm, 1) if place else None,
        "low_cm": rounded(place.low_cm, 1) if place else None,
        "high_cm": rounded(place.high_cm, 1) if place else None,
        "temperature_c": rounded(remedy.temperature_c, 3),
    }
