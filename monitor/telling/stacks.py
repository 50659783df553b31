"""How warm a stack is by height, which of its boxes really differ, what that comes to, and what would mend it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

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
from monitor.telling.as_json import rounded, utc
from monitor.telling.drawing.stack_plot import StackScene
from monitor.values import dataclass

if TYPE_CHECKING:
    from monitor.telling.at_hand import Reader, RoomAtHand
    from monitor.telling.forms_stack import (
        HeaterJson,
        LevelJson,
        NoHeaterJson,
        NoStackProfileJson,
        RemedyJson,
        SiblingsJson,
        StackJson,
    )

LONGEST_H: Final = 24.0 * 60
"""Over so many hours at most one looks back."""


@dataclass(frozen=True)
class StackSeen:
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


def stack_seen(room: RoomAtHand, picture: Snapshot, stack: str, at: int, hours: float) -> StackSeen:
    """A stack over the last so many hours."""
    profile = room.derived.boxes.stack_profile(stack, at, hours * 3600.0)
    air = room.derived.boxes.stack_profile(stack, at, hours * 3600.0, of="air")
    names = {x.name for x in profile.levels} if profile else set()
    picture = replace(picture, stacks=(profile,) if profile else ())
    boxes = {b.box.id: b for b in picture.boxes if b.box.stack == stack}
    lots = tuple(x for x in picture.lots if x.lot.open and x.lot.eggs and x.lot.box in boxes)
    cool = [b.limits.too_cool_c for b in boxes.values() if b.limits.too_cool_c is not None]
    warm = [b.limits.too_warm_c for b in boxes.values() if b.limits.too_warm_c is not None]
    return StackSeen(
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


def sureness(chance: float) -> str:
    """A chance in words and per cent."""
    for least, word in ((0.99, "sure"), (0.95, "very likely"), (0.8, "likely"), (0.65, "perhaps")):
        if chance >= least:
            return f"{word}, {'>99' if chance > 0.99 else f'{100 * chance:.0f}'} %"
    return f"cannot be told, {100 * chance:.0f} %"


LEVEL_HEAD: Final = ("height", "level", "mean", "against the one below", "its probe")


def span_words(seen: StackSeen, profile: StackProfile, reader: Reader) -> str:
    """Which stack, over which hours."""
    span = f"{show_time(profile.from_ms, reader.zone)} to {show_time(profile.to_ms, reader.zone)}"
    whole_h = min(profile.hours, round((profile.to_ms - profile.from_ms) / HOUR_MS))
    return f"stack {seen.stack}, {span}; {whole_h} hours in which all its levels were measured"


def level_rows(seen: StackSeen, profile: StackProfile, reader: Reader) -> list[list[str]]:
    """A line for each level, the uppermost first, under ``LEVEL_HEAD``."""
    unit, odd = reader.unit, profile.odd
    steps = {step.upper.name: step for step in profile.steps}
    rows = []
    for level in (*reversed(profile.levels), *reversed(seen.air)):
        step = steps.get(level.name)
        rows.append(
            [
                f"{level.height_cm:.0f} cm",
                level.name + (" ?" if odd is not None and level is odd.level else ""),
                f"{show_temperature(level.mean_c, unit, 2)} ± {show_difference(2 * level.error.total_c, unit, 2)}",
                _against_words(step, reader) if step else "-",
                "compared" if level.compared else "not compared",
            ]
        )
    return rows


def silent_lines(seen: StackSeen, reader: Reader, at: int) -> list[str]:
    """Of its boxes that are not measured now: a mean of the hours before is none of now."""
    return [_silent_words(box, reader, at) for box in seen.silent]


def profile_lines(profile: StackProfile, reader: Reader) -> list[str]:
    """By how much it is warmer upwards, which level is the warmest, and which stands out."""
    unit, odd, lines = reader.unit, profile.odd, []
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
    return lines


def heater_words(seen: StackSeen, reader: Reader) -> str:
    """How its heater fares."""
    return f"heater: {in_words(seen.heater, reader.unit)}"


def _silent_words(box: BoxNow, reader: Reader, at: int) -> str:
    since = "" if box.at_ms is None else f" since {show_time(box.at_ms, reader.zone, at)}"
    return f"box {box.box.id}: no reading{since}"


def _against_words(pair: LevelPair, reader: Reader) -> str:
    size = show_difference(abs(pair.difference_c), reader.unit, 2)
    way = "warmer" if pair.difference_c >= 0.0 else "cooler"
    return f"{size} ± {show_difference(2 * pair.sd_c, reader.unit, 2)} {way}: {sureness(pair.chance)}"


def lots_in_stack_lines(seen: StackSeen, reader: Reader) -> list[str]:
    """What its differences come to in days, for the eggs that lie in it."""
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
            f"{name_eggs(lot.lot.id)}: first pip about {show_day(lot.first_pip.window.p50_ms, reader.zone)}; "
            f"the stack's {show_difference(seen.profile.difference_c, reader.unit, 2)} are "
            f"{abs(ahead.days_per_c) * seen.profile.difference_c:.1f} days of a whole incubation, {abs(part):.1f} of "
            "what is left"
        )
    for x in seen.siblings:
        lines.append(
            f"{name_eggs(x.early.lot.id)} is expected {x.apart_days:.1f} ± {2 * x.sd_days:.1f} days before "
            f"{name_eggs(x.late.lot.id)}"
        )
    return lines


def place_for_words(profile: StackProfile, want_c: float, reader: Reader) -> str:
    """At which height it is so warm."""
    warm = show_temperature(want_c, reader.unit)
    if doubt_of(profile):
        return f"where it is {warm}: not told, since {doubt_of(profile)}"
    place = profile.place_for(want_c)
    if place is None:
        low, high = (f(x.mean_c for x in profile.levels) for f in (min, max))
        return (
            f"where it is {warm}: nowhere between its levels, which are {show_temperature(low, reader.unit)} to "
            f"{show_temperature(high, reader.unit)}"
        )
    low_cm = "below the lowest" if place.low_cm is None else f"{place.low_cm:.0f} cm"
    high_cm = "above the uppermost" if place.high_cm is None else f"{place.high_cm:.0f} cm"
    return f"where it is {warm}: at about {place.height_cm:.0f} cm (19 in 20: {low_cm} to {high_cm})"


_WAYS = {"fan": "a fan", "swap": "a swap", "shelf": "another shelf"}


def advice_lines(seen: StackSeen, reader: Reader, at: int) -> list[str]:
    """What would bring its eggs together, or why nothing is advised."""
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
        lines += [f"  - {in_full(remedy, x, at, reader.zone, reader.unit)}" for remedy in x.remedies]
        lines += [f"  - not {_WAYS[way]}: {reason}" for way, reason in x.not_done]
    if not why and not seen.siblings and seen.fanned:
        lines.append(f"a fan that stirs the air would even the boxes out ({DRIES}):")
        lines += [
            f"  - {name_eggs(x.lot.lot.id)} to about {show_temperature(x.to_c, reader.unit)}: "
            f"{abs(x.shift_days):.1f} ± {2 * x.sd_days:.1f} days {'later' if x.shift_days >= 0 else 'earlier'}"
            for x in seen.fanned
        ]
    return lines


def scene_of(seen: StackSeen) -> StackScene:
    """What is drawn of one that has a profile."""
    assert seen.profile is not None
    return StackScene.of(seen.profile, seen.air, seen.too_cool_c, seen.too_warm_c)


# -- for other programs -----------------------------------------------------------------------------------------------


def stack_json(seen: StackSeen, at: int, want_c: float | None) -> StackJson | NoStackProfileJson:
    """A stack with all that is said of it; ``want_c``: and at which height it is so warm."""
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
            {
                "lot": x.lot.lot.id,
                "to_c": rounded(x.to_c, 3),
                "later_days": rounded(x.shift_days, 3),
                "later_standard_uncertainty_days": rounded(x.sd_days, 3),
            }
            for x in seen.fanned
        ],
    }


def _heater_json(heater: HeaterNow) -> HeaterJson | NoHeaterJson:
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


def _level_json(level: Level) -> LevelJson:
    return {
        "level": level.name,
        "height_cm": level.height_cm,
        "mean_c": rounded(level.mean_c, 4),
        "standard_uncertainty_c": rounded(level.error.total_c, 4),
        "common_c": rounded(level.common_c, 4),
        "noise_c": rounded(level.noise_c, 5),
        "compared": level.compared,
    }


def _siblings_json(found: Siblings, at: int) -> SiblingsJson:
    return {
        "clutch": found.clutch,
        "early": found.early.lot.id,
        "late": found.late.lot.id,
        "apart_days": rounded(found.apart_days, 3),
        "apart_standard_uncertainty_days": rounded(found.sd_days, 3),
        "refused": found.refused or None,
        "remedies": [_remedy_json(x, at) for x in found.remedies],
        "not_advised": dict(found.not_done),
    }


def _remedy_json(remedy: Remedy, at: int) -> RemedyJson:
    place = remedy.place
    return {
        "way": remedy.way,
        "says": gain(remedy),
        "gains_days": rounded(remedy.gains_days, 3),
        "gains_standard_uncertainty_days": rounded(remedy.sd_days, 3),
        "remains_days": rounded(remedy.remains_days, 3),
        "remains_standard_uncertainty_days": rounded(remedy.remains_sd_days, 3),
        "later_days": [rounded(x, 3) for x in remedy.shift_days],
        "at": utc(at + round(remedy.in_days * 86_400_000)) if remedy.way == "swap" else None,
        "height_cm": rounded(place.height_cm, 1) if place else None,
        "low_cm": rounded(place.low_cm, 1) if place else None,
        "high_cm": rounded(place.high_cm, 1) if place else None,
        "temperature_c": rounded(remedy.temperature_c, 3),
    }
