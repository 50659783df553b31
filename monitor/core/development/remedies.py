"""What would mend an uneven stack: a fan, a swap of two boxes, another shelf; in days gained, with the uncertainty.

Nothing is advised that the probes alone could have made up. Each remedy is worked out twice more with the difference
between the two places larger and smaller by its standard uncertainty, measured so far and to come alike, since it is
the same probes; what it gains moves along, and only a gain that stays one is advised.

Rates follow the published curve at a lot's present temperature and its slope there: r' = r exp(k dT), which over the
degree or two of a stack differs from the curve itself by a few hundredths of a day a day.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import tzinfo
from typing import Final, Literal

from monitor.core.climate.stacks import Place, StackProfile
from monitor.core.development.lots import LotNow
from monitor.core.development.plans import LEAST_RATE, swap
from monitor.core.development.siblings import apart
from monitor.core.terms.events import Lot
from monitor.core.terms.formats import name_eggs, show_day, show_difference, show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.core.terms.times import DAY_MS
from monitor.values import dataclass

# What stirring leaves of the differences in a stack: middle, and ends two standard deviations apart from it. Judgement,
# no source: it depends on the fan, and on what stands in the way of the air.
FAN_LEAVES: Final = 0.15
FAN_LEAVES_ENDS: Final = (0.0, 0.3)
# By how much the difference between two places may be another one from now on than it is now, as a share of it and
# standard deviation. Judgement: a room's gradient changes with its heating and the season.
SWAYS: Final = 0.2
# A gain below this is not worth a hand on the boxes; and it must be so many of its standard uncertainties.
LEAST_GAIN_DAYS: Final = 0.5
SURE: Final = 2.0
# A height this near to that of a box is the box's own.
SHELF_CM: Final = 8.0
# Beyond this a place is not told apart from any other of the stack: share of the stack's height.
VAGUE_SHARE: Final = 0.6

PROBES_ALONE: Final = "the probes alone could explain it; compare them: warmtally compare"
BEHIND: Final = "by its levels the stack is not surely uneven now: what parts them lies behind them"

Way = Literal["fan", "swap", "shelf"]
Shifted = Callable[[float, float, float], float]


@dataclass(frozen=True, slots=True)
class Remedy:
    """One way to bring two lots of a clutch together.

    ``gains_days`` fewer apart than as they stand, ``sd_days`` its standard uncertainty; ``remains_days`` apart in the
    end, give or take ``remains_sd_days``. ``shift_days``: by how much each of the two is expected later than now.
    ``in_days``: when to do it (swap); ``place``: where to (shelf), at ``temperature_c``.
    """

    way: Way
    early: str
    late: str
    gains_days: float
    sd_days: float
    remains_days: float
    remains_sd_days: float
    shift_days: tuple[float, float]
    in_days: float = 0.0
    place: Place | None = None
    temperature_c: float | None = None

    @property
    def sure(self) -> bool:
        return self.gains_days >= LEAST_GAIN_DAYS and self.gains_days >= SURE * self.sd_days


@dataclass(frozen=True, slots=True)
class Siblings:
    """Two lots of a clutch: ``apart_days`` as they stand (give or take ``sd_days`` by the probes), and what would help,
    the most helpful first; ``refused`` says why nothing is advised, and ``not_done`` why a single way is not."""

    clutch: str
    early: LotNow
    late: LotNow
    apart_days: float
    sd_days: float
    remedies: tuple[Remedy, ...] = ()
    refused: str = ""
    not_done: tuple[tuple[Way, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Fanned:
    """What stirring would do to one lot: its expected days later (negative: earlier) and the standard uncertainty."""

    lot: LotNow
    to_c: float
    shift_days: float
    sd_days: float


def level_of(box: str) -> str:
    """The name that a box has in a stack's profile."""
    return f"box {box}"


def doubt_of(profile: StackProfile) -> str:
    """Why the levels of a stack allow no advice; empty where they do."""
    odd = profile.odd
    if odd is not None:
        return f"{odd.level.name} stands out from the others: first look at its probe, and compare: warmtally compare"
    if not profile.beyond_probes:
        return PROBES_ALONE
    return ""


def fanned(profile: StackProfile, lots: Sequence[LotNow]) -> tuple[Fanned, ...]:
    """Each waiting lot of the stack with the air stirred; empty where nothing can be said of the levels."""
    if doubt_of(profile):
        return ()
    mean_c = profile.mean_c
    found = []
    for lot in lots:
        level, waiting = profile.level(level_of(lot.lot.box)), _StillLying.of(lot)
        if level is None or waiting is None:
            continue
        change = mean_c - level.mean_c
        own = math.sqrt(level.error.own_c**2 + sum(x.error.own_c**2 for x in profile.levels) / len(profile.levels) ** 2)
        later = [waiting.later((1.0 - FAN_LEAVES) * (change + e)) for e in (0.0, own, -own)]
        ends = [waiting.later((1.0 - leaves) * change) for leaves in FAN_LEAVES_ENDS]
        sd = math.hypot((later[1] - later[2]) / 2.0, (ends[0] - ends[1]) / 4.0)
        found.append(Fanned(lot, mean_c - FAN_LEAVES * change, later[0], sd))
    return tuple(found)


def siblings_in(lots: Sequence[LotNow]) -> list[tuple[LotNow, LotNow]]:
    """Earliest and latest of each clutch that waits in several boxes and has a date to expect."""
    by_clutch: dict[str, list[tuple[float, LotNow]]] = {}
    for lot in lots:
        if lot.lot.open and lot.lot.waiting and lot.ahead is not None and lot.ahead.remaining_days is not None:
            by_clutch.setdefault(lot.clutch.id, []).append((lot.ahead.remaining_days, lot))
    found = []
    for members in by_clutch.values():
        if len(members) > 1:
            ordered = sorted(members, key=lambda x: x[0])
            found.append((ordered[0][1], ordered[-1][1]))
    return found


def advise(
    early: LotNow,
    late: LotNow,
    profile: StackProfile | None,
    too_warm_c: float | None = None,
    taken_cm: Sequence[float] = (),
    unit: DisplayUnit = "C",
) -> Siblings:
    """What would bring two lots together. ``profile`` of the stack that both stand in, None for two stacks;
    ``too_warm_c`` the strictest upper limit of the late lot; ``taken_cm`` the heights of the stack's boxes; ``unit``
    for the reasons in words."""
    apart_days, sd_days = apart(early, late)
    told = Siblings(early.clutch.id, early, late, apart_days, sd_days)
    first, last = _StillLying.of(early), _StillLying.of(late)
    if first is None or last is None or early.lot.pipped or late.lot.pipped:
        return replace(told, refused="one of them has pipped, or has no date")
    if early.lot.box == late.lot.box:
        return replace(told, refused="both lie in the same box")
    if profile is not None and (why := doubt_of(profile)):
        return replace(told, refused=BEHIND if why == PROBES_ALONE and apart_days > SURE * sd_days else why)
    if apart_days <= SURE * sd_days:
        return replace(told, refused=PROBES_ALONE)
    if apart_days < LEAST_GAIN_DAYS:
        return replace(told, refused="they are expected together as they stand")
    tries = [_swapped(first, last, sd_days)]
    why_not: list[tuple[Way, str]] = []
    if profile is not None:
        tries.append(_stirred(first, last, profile))
        shelf = _moved(first, last, profile, too_warm_c, taken_cm, unit)
        if isinstance(shelf, str):
            why_not.append(("shelf", shelf))
        else:
            tries.append(shelf)
    helps = []
    for remedy in tries:
        if remedy is None:
            continue
        if remedy.sure:
            helps.append(remedy)
        elif remedy.gains_days >= LEAST_GAIN_DAYS:
            why_not.append((remedy.way, f"{remedy.gains_days:.1f} ± {2 * remedy.sd_days:.1f} days: too uncertain"))
        else:
            why_not.append((remedy.way, "it would not bring them nearer"))
    helps.sort(key=lambda x: -x.gains_days)
    return replace(told, remedies=tuple(helps), not_done=tuple(why_not))


@dataclass(frozen=True, slots=True)
class _StillLying:
    """A lot that waits and has a date to expect."""

    lot: Lot
    development: float
    rate_per_day: float
    remaining_days: float
    days_per_c: float
    slope_per_c: float

    @classmethod
    def of(cls, now: LotNow) -> _StillLying | None:
        past, ahead = now.past, now.ahead
        if not now.lot.open or now.lot.waiting <= 0 or past is None or ahead is None or ahead.remaining_days is None:
            return None
        if ahead.rate_per_day < LEAST_RATE:
            return None
        per_c = ahead.days_per_c or 0.0
        return cls(now.lot, past.development, ahead.rate_per_day, ahead.remaining_days, per_c, ahead.slope_per_c)

    def later(self, change_c: float) -> float:
        """Days by which it is expected later with its place warmer by so much from now on."""
        return self.remaining_days * (math.exp(-self.slope_per_c * change_c) - 1.0)

    def state(self, error_c: float) -> tuple[float, float]:
        """Development and rate if its probe reads ``error_c`` too low."""
        quicker = math.exp(self.slope_per_c * error_c)
        return self.development * quicker, self.rate_per_day * quicker


def _weighed(
    way: Way,
    early: _StillLying,
    late: _StillLying,
    sd_c: float,
    after: Shifted,
    ends: tuple[float, float, float],
    **more: object,
) -> Remedy:
    """``after(e_early, e_late, x)``: days apart (late less early) with the remedy, for errors of the two places and a
    further unknown x, whose middle and one-sigma ends are ``ends``."""

    def before(e1: float, e2: float) -> float:
        (d1, r1), (d2, r2) = early.state(e1), late.state(e2)
        return (1.0 - d2) / r2 - (1.0 - d1) / r1

    half, (middle, low, high) = sd_c / 2.0, ends
    now, then = before(0.0, 0.0), after(0.0, 0.0, middle)
    probes = [after(s * half, -s * half, middle) for s in (1.0, -1.0)]
    moved = [before(s * half, -s * half) - a for s, a in zip((1.0, -1.0), probes, strict=True)]
    other = (after(0.0, 0.0, low) - after(0.0, 0.0, high)) / 2.0
    return Remedy(
        way,
        early.lot.id,
        late.lot.id,
        abs(now) - abs(then),
        math.hypot((moved[0] - moved[1]) / 2.0, other),
        abs(then),
        math.hypot((probes[0] - probes[1]) / 2.0, other),
        **more,  # type: ignore[arg-type]
    )


def _stirred(early: _StillLying, late: _StillLying, profile: StackProfile) -> Remedy | None:
    levels = [profile.level(level_of(x.lot.box)) for x in (early, late)]
    if levels[0] is None or levels[1] is None:
        return None
    warm, cool = levels[0], levels[1]
    mean_c = profile.mean_c

    def after(e1: float, e2: float, leaves: float) -> float:
        days = []
        for lot, level, e in ((early, warm, e1), (late, cool, e2)):
            d, r = lot.state(e)
            days.append((1.0 - d) / (r * math.exp(lot.slope_per_c * (1.0 - leaves) * (mean_c - level.mean_c - e))))
        return days[1] - days[0]

    least, most = ((FAN_LEAVES + end) / 2.0 for end in FAN_LEAVES_ENDS)
    ends = FAN_LEAVES, least, most
    shift = tuple(
        lot.later((1.0 - FAN_LEAVES) * (mean_c - level.mean_c)) for lot, level in ((early, warm), (late, cool))
    )
    return _weighed("fan", early, late, warm.error.against(cool.error), after, ends, shift_days=shift)


def _swapped(early: _StillLying, late: _StillLying, sd_days: float) -> Remedy | None:
    (d1, r1), (d2, r2) = early.state(0.0), late.state(0.0)
    found = swap((d1, d2), (r1, r2))
    days = 0.0 if found.in_days is None else found.in_days
    if abs(found.apart_if_now_days) >= abs(found.apart_days) and found.in_days is None:
        return None
    per_c = (abs(early.days_per_c) + abs(late.days_per_c)) / 2.0
    if per_c == 0.0:
        return None

    def after(e1: float, e2: float, more: float) -> float:
        (a1, b1), (a2, b2) = early.state(e1), late.state(e2)
        apart_further = more * math.log(b1 / b2) / 2.0
        b1, b2 = b1 * math.exp(apart_further), b2 * math.exp(-apart_further)
        return (1.0 - a2 - b2 * days) / b1 - (1.0 - a1 - b1 * days) / b2

    shift = (
        days + (1.0 - d1 - r1 * days) / r2 - early.remaining_days,
        days + (1.0 - d2 - r2 * days) / r1 - late.remaining_days,
    )
    return _weighed("swap", early, late, sd_days / per_c, after, (0.0, -SWAYS, SWAYS), shift_days=shift, in_days=days)


def _moved(
    early: _StillLying,
    late: _StillLying,
    profile: StackProfile,
    too_warm_c: float | None,
    taken_cm: Sequence[float],
    unit: DisplayUnit,
) -> Remedy | str | None:
    """The late lot to the height at which it catches up with the early one, which stays; or why there is none."""
    here = profile.level(level_of(late.lot.box))
    if here is None or early.remaining_days <= 0.0 or late.slope_per_c <= 0.0:
        return None
    d, r = late.state(0.0)
    wanted = math.log((1.0 - d) / early.remaining_days / r) / late.slope_per_c
    to_c = here.mean_c + wanted
    warmest = max(x.mean_c for x in profile.levels)
    needs = f"box {late.lot.box} would have to stand {show_difference(wanted, unit)} warmer"
    if too_warm_c is not None and to_c >= too_warm_c:
        return f"{needs}, beyond its upper limit"
    place = profile.place_for(to_c, here.height_cm)
    if place is None:
        return f"{needs}; the warmest level has {show_difference(warmest - here.mean_c, unit)}"
    first, last = profile.levels[0].height_cm, profile.levels[-1].height_cm
    low = first if place.low_cm is None else place.low_cm
    high = last if place.high_cm is None else place.high_cm
    if high - low > VAGUE_SHARE * (last - first):
        return "which height would be right is too uncertain"
    if any(abs(place.height_cm - x) < SHELF_CM for x in taken_cm):
        return "a box stands at that height"

    def after(e1: float, e2: float, off_c: float) -> float:
        (d1, r1), (d2, r2) = early.state(e1), late.state(e2)
        return (1.0 - d2) / (r2 * math.exp(late.slope_per_c * (wanted - e2 + off_c))) - (1.0 - d1) / r1

    other = profile.level(level_of(early.lot.box))
    sd_c = here.error.against(other.error) if other is not None else here.error.total_c
    return _weighed(
        "shelf",
        early,
        late,
        sd_c,
        after,
        (0.0, -place.sd_c, place.sd_c),
        shift_days=(0.0, early.remaining_days - late.remaining_days),
        place=place,
        temperature_c=to_c,
    )


# -- in words ---------------------------------------------------------------------------------------------------------

DRIES: Final = "a fan dries eggs: watch the boxes' humidity"
CARRY: Final = "carry the boxes level, and do not turn an egg"


def gain(remedy: Remedy) -> str:
    return f"gains {remedy.gains_days:.1f} ± {2 * remedy.sd_days:.1f} days"


def in_short(found: Siblings, now_ms: int, zone: tzinfo) -> tuple[str, ...]:
    """What would bring two lots together, or why nothing is advised, in short sentences."""
    if found.refused:
        return (f"No advice: {found.refused}.",)
    if not found.remedies:
        return ("No advice: what a fan, a swap or another shelf would gain is less than their uncertainty.",)
    boxes = f"{found.early.lot.box} and {found.late.lot.box}"
    said = []
    for remedy in found.remedies:
        match remedy.way:
            case "fan":
                said.append(f"a fan ({gain(remedy)})")
            case "swap":
                said.append(f"swapping boxes {boxes} {_when(remedy, now_ms, zone)} ({gain(remedy)})")
            case "shelf":
                said.append(f"box {found.late.lot.box} at about {_height(remedy)} ({gain(remedy)})")
    careful = [f"{DRIES[:1].upper()}{DRIES[1:]}."] if any(r.way == "fan" for r in found.remedies) else []
    first, *others = said
    together = f"{name_eggs(found.early.lot.id)} and {name_eggs(found.late.lot.id)}"
    return (f"What would bring {together} together: {first}.", *(f"Or {way}." for way in others), *careful)


def in_full(remedy: Remedy, found: Siblings, now_ms: int, zone: tzinfo, unit: DisplayUnit) -> str:
    """One remedy as a sentence or two, with what remains."""
    early, late = found.early.lot, found.late.lot
    left = f"{remedy.remains_days:.1f} ± {2 * remedy.remains_sd_days:.1f} of {found.apart_days:.1f} days apart remain"
    end = f"{left} ({gain(remedy)})"
    match remedy.way:
        case "fan":
            dates = " and ".join(
                f"{name_eggs(x.id)} {abs(d):.1f} days {'later' if d >= 0 else 'earlier'}"
                for x, d in zip((early, late), remedy.shift_days, strict=True)
            )
            return f"a fan that stirs the air of the stack: {dates}; {end}. Careful: {DRIES}."
        case "swap":
            when = _when(remedy, now_ms, zone)
            return f"swap boxes {early.box} and {late.box} {when}, and leave them so: {end}. {CARRY.capitalize()}."
        case "shelf":
            assert remedy.temperature_c is not None
            warm = show_temperature(remedy.temperature_c, unit)
            return (
                f"another shelf for box {late.box}, at about {_height(remedy)}, where it is about {warm}, if a place "
                f"is free there: {end}. {CARRY.capitalize()}."
            )


def _when(remedy: Remedy, now_ms: int, zone: tzinfo) -> str:
    if remedy.in_days < 1.0:
        return "now"
    return f"in {remedy.in_days:.0f} days ({show_day(now_ms + round(remedy.in_days * DAY_MS), zone)})"


def _height(remedy: Remedy) -> str:
    place = remedy.place
    assert place is not None
    low = "the lowest" if place.low_cm is None else f"{place.low_cm:.0f}"
    high = "the uppermost" if place.high_cm is None else f"{place.high_cm:.0f}"
    return f"{place.height_cm:.0f} cm ({low} to {high})"
