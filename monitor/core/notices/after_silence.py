"""What is told when a quiet room is heard again: how long it was, how far each box cooled, and what to look at first.

A broker that was restarted and a breaker that tripped look alike while they last; the boxes tell them apart afterwards.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import numpy as np

from monitor.core.climate.outage import cooled
from monitor.core.notices.snapshot import BoxNow, Snapshot
from monitor.core.terms.formats import show_difference, show_span, show_temperature, show_time

Facts = Mapping[str, str | float | int | None]

# A box that has cooled by so much was without heat; less is a thermostat's swing.
COOLED_C: Final = 0.5
MOST_BOXES: Final = 12
RESIDUAL: Final = "See that every heater draws current; check the residual-current device."
BREAKER: Final = (
    "Has a residual-current device tripped: dry hands, find the cause first. If it trips again, an electrician."
)
TRIPPED: Final = "If the power was gone: what has tripped stays off when the power is back."


def facts_of(snapshot: Snapshot, newest_ms: int | None, before: Facts | None) -> dict[str, str | float | int | None]:
    """What has to be remembered while a room is quiet: since when, and how warm each box was then.

    ``before``: as remembered already; that stands.
    """
    if before is not None and before.get("quiet_from_ms") is not None:
        kept = {k: v for k, v in before.items() if k == "quiet_from_ms" or k.startswith("before_c ")}
        return {"last_ms": newest_ms, **kept}
    boxes = {f"before_c {box.box.id}": round(box.now_c, 3) for box in snapshot.boxes if box.now_c is not None}
    return {"last_ms": newest_ms, "quiet_from_ms": newest_ms, **boxes}


def heard_again(snapshot: Snapshot, facts: Facts) -> tuple[tuple[str, ...], bool]:
    """The story of a quiet that is over, in sentences, and whether the heat may have been gone; none when it is not
    known when it began."""
    quiet_ms = facts.get("quiet_from_ms")
    if not isinstance(quiet_ms, int):
        return (), False
    back_ms = min((_first_after(b, quiet_ms) for b in snapshot.boxes), default=snapshot.now_ms)
    back_ms = arrived(snapshot, quiet_ms) or min(back_ms, snapshot.now_ms)
    zone, now_ms = snapshot.zone, snapshot.now_ms
    fared = [t for box in snapshot.boxes if (t := _box(box, facts, quiet_ms, snapshot)) is not None]
    # The coldest first, and before them those of which nothing is known.
    known = sorted(fared, key=lambda t: -t[1])
    away = f"{show_time(quiet_ms, zone, now_ms)} to {show_time(back_ms, zone, now_ms)}"
    story = [f"Nothing was heard from {away} ({show_span((back_ms - quiet_ms) / 1000)})."]
    story += [f"{text}." for text, _ in known[:MOST_BOXES]]
    if len(known) > MOST_BOXES:
        story.append(f"And {len(known) - MOST_BOXES} more boxes.")
    cold = any(cooler_c >= COOLED_C for _, cooler_c in known)
    return (*story, *([TRIPPED, BREAKER] if cold else [])), cold


def _first_after(box: BoxNow, at_ms: int) -> int:
    k = int(np.searchsorted(box.time_ms, at_ms, "right"))
    return int(box.time_ms[k]) if k < len(box.time_ms) else 2**62


def arrived(snapshot: Snapshot, quiet_ms: int) -> int | None:
    """When the first message came again: a reading that was kept meanwhile has an earlier time."""
    came = [
        int(p.heard.received_ms[p.heard.time_ms > quiet_ms].min())
        for p in snapshot.probes
        if p.heard is not None and bool(np.any(p.heard.time_ms > quiet_ms))
    ]
    return min(came) if came else None


def _box(box: BoxNow, facts: Facts, quiet_ms: int, snapshot: Snapshot) -> tuple[str, float] | None:
    """How a box fared, and by how much (C) it cooled, infinite where that is not known; None where nothing was ever
    known of it."""
    before = facts.get(f"before_c {box.box.id}")
    if not isinstance(before, int | float):
        return None
    unit = snapshot.unit
    k = int(np.searchsorted(box.time_ms, quiet_ms, "right"))
    at_ms, values = box.time_ms[k:], box.temperature_c[k:]
    name = f"Box {box.box.id}"
    if not len(values):
        found = cooled((snapshot.now_ms - quiet_ms) / 1000)
        if found is None:
            return f"{name}: {show_temperature(before, unit)} before, no reading since", math.inf
        spread = f"{show_difference(found.low_c, unit)} to {show_difference(found.high_c, unit)}, 8 in 10"
        text = (
            f"{name}: {show_temperature(before, unit)} before, no reading since. Without heat it would have cooled by "
            f"about {show_difference(found.mid_c, unit)} ({spread})"
        )
        return text, math.inf
    low = int(np.argmin(values))
    dropped = before - float(values[low])
    when = show_time(int(at_ms[low]), snapshot.zone, snapshot.now_ms)
    text = f"{name}: {show_temperature(before, unit)} before, "
    if dropped < COOLED_C:
        return text + f"never below {show_temperature(float(values[low]), unit)} since", dropped
    text += f"lowest {show_temperature(float(values[low]), unit)} at {when}, {show_difference(dropped, unit)} cooler"
    return text + f" (± {show_difference(2 * box.uncertainty_c, unit)})", dropped
