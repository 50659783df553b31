"""What would be if boxes were so warm from now on, or stood elsewhere."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from monitor.core.development.history import LOOK_BACK_H
from monitor.core.development.lots import LotNow
from monitor.core.development.plans import Plan, set_points, swap
from monitor.core.development.siblings import apart, measured_a_day
from monitor.core.terms.formats import show_temperature
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import UnknownSubject, UsageError
from monitor.telling.forecast import lot_json
from monitor.telling.places import box_named

if TYPE_CHECKING:
    from monitor.telling.at_hand import RoomAtHand
    from monitor.telling.forms_eggs import SetPointJson

# Judgement, no source: see survivable.
LETHAL_ABOVE_C: Final = 4.0


def as_warm_as(name: str, room: RoomAtHand, at_ms: int) -> Plan:
    """As warm from now on as another box was in the last days. Raises UnknownSubject."""
    box = box_named(room.settings.room, name)
    series = room.derived.readings.box_series(box, at_ms - LOOK_BACK_H * HOUR_MS, at_ms + 1)
    if not len(series.time_ms):
        raise UnknownSubject(f"no reading of box {name} in the three days before", fix="assume a temperature")
    return replace(Plan.constant(float(series.temperature_c.mean())), label=f"as box {name}")


def survivable(plan: Plan, species: str, room: RoomAtHand) -> None:
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


def why_past(lot: LotNow, at_ms: int) -> str:
    """Why no temperature set from now on could move a lot's first pip; empty where it could."""
    if not lot.lot.open or not lot.lot.waiting:
        return "no egg of it is waiting any more"
    if lot.lot.pipped or lot.lot.hatched:
        return "its first pip was seen"
    if lot.first_pip is not None and lot.first_pip.open_window.p90_ms < at_ms:
        return f"its window is past, and no temperature set now moves it; what to do: warmtally forecast {lot.lot.id}"
    return ""


def set_points_of(lot: LotNow, room: RoomAtHand, at_ms: int) -> list[tuple[float, LotNow]]:
    """The lot's forecast at each temperature that could be set from now on."""
    return set_points_of_all([lot], room, at_ms)[lot.lot.id]


def set_points_of_all(lots: Sequence[LotNow], room: RoomAtHand, at_ms: int) -> dict[str, list[tuple[float, LotNow]]]:
    """The same of several lots of one clutch, by their ids."""
    found: dict[str, list[tuple[float, LotNow]]] = {x.lot.id: [] for x in lots}
    movable = [x for x in lots if not why_past(x, at_ms)]
    species = room.derived.book.of(movable[0].clutch.species) if movable else None
    if species is None or species.curve is None or species.profile is None:
        return found
    low = species.profile.low_limit_c if species.profile.low_limit_c is not None else species.curve.low_c
    high = species.profile.high_limit_c if species.profile.high_limit_c is not None else species.curve.high_c
    for temperature in set_points(species.curve, low, high):
        for x in room.derived.lots(at_ms, plan=Plan.constant(temperature), clutch=movable[0].clutch.id):
            if any(x.lot.id == m.lot.id for m in movable) and x.first_pip is not None:
                found[x.lot.id].append((temperature, x))
    return found


def set_points_json(lot: LotNow, room: RoomAtHand, at_ms: int) -> list[SetPointJson]:
    """The same by their keys."""
    found = set_points_of(lot, room, at_ms)
    return [{"temperature_c": t, "first_pip": lot_json(x, at_ms)["first_pip"]} for t, x in found]


def together_lines(lots: list[LotNow], at_ms: int) -> list[str]:
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
