"""Each probe among the others of its stack, day by day: from the store to what ``core.drift`` judges."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from monitor.adapters.store import Readings
from monitor.core.maths.robust import row_medians
from monitor.core.readings.belief import Belief
from monitor.core.readings.corrections import StandingCorrections
from monitor.core.readings.drift import LEAST_PROBES, Departure, HeldLevel, day_medians, departing, level
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.settings import Probe, Room
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.values import dataclass

# Probes are judged against their peers over so many days at most: a baseline of another season is none.
LOOK_BACK_DAYS: Final = 90
AIR_AMONG_BOXES: Final = "in the air, among boxes"


@dataclass(frozen=True, slots=True)
class Peer:
    """A probe among the others of its stack (see ``core.drift``), and its oldest reading."""

    state: str = ""
    departure: Departure | None = None
    first_ms: int | None = None


def hourly(
    probe: Probe, corrections: StandingCorrections, hours: Times, means: Mapping[int, float], belief: Belief
) -> Values:
    """Hourly means of a probe, corrected; NaN where it said nothing, lay elsewhere to be compared, or is not to be
    believed."""
    middle_ms = hours * HOUR_MS + HOUR_MS // 2
    values = np.array([means.get(h, np.nan) for h in hours.tolist()], np.float64) + probe.correction
    values += corrections.offset_c(probe.id, middle_ms)
    values[corrections.away(probe.id, middle_ms) | ~belief.hours(probe.id, hours, "sums")] = np.nan
    return values


def peers_of(
    readings: Readings, room: Room, corrections: StandingCorrections, belief: Belief, now_ms: int
) -> dict[str, Peer]:
    """Every temperature probe that has a place, over the whole days before ``now_ms``."""
    result: dict[str, Peer] = {}
    for stack in room.stacks:
        result |= _of_stack(stack, readings, room, corrections, belief, now_ms)
    return result


def levels_of(
    readings: Readings, room: Room, corrections: StandingCorrections, belief: Belief, now_ms: int
) -> dict[str, HeldLevel]:
    """Each stack's level of the last days against the middle of the room's limits, where both are set."""
    warm, cool = room.limits.too_warm_c, room.limits.too_cool_c
    if warm is None or cool is None:
        return {}
    days = np.arange(now_ms // DAY_MS - LOOK_BACK_DAYS, now_ms // DAY_MS)
    result: dict[str, HeldLevel] = {}
    for stack in room.stacks:
        table = [
            _daily(readings, probe, corrections, belief, days)
            for probe in room.probes
            if probe.quantity == "temperature" and (room.height_of(probe) or ("",))[0] == stack
        ]
        if table:
            values = np.vstack(table)
            known = ~np.isnan(values).all(axis=0)
            found = level(row_medians(values[:, known].T), (warm + cool) / 2.0)
            if found is not None:
                result[stack] = found
    return result


def _of_stack(
    stack: str, readings: Readings, room: Room, corrections: StandingCorrections, belief: Belief, now_ms: int
) -> dict[str, Peer]:
    heights: dict[str, float] = {}
    probes: dict[str, Probe] = {}
    days = np.arange(now_ms // DAY_MS - LOOK_BACK_DAYS, now_ms // DAY_MS)
    for probe in room.probes:
        place = room.height_of(probe)
        if probe.quantity == "temperature" and place is not None and place[0] == stack:
            probes[probe.id], heights[probe.id] = probe, place[1]
    table = {name: _daily(readings, probe, corrections, belief, days) for name, probe in probes.items()}
    for name, values in table.items():
        # What is known of it since begins anew, from the next whole day on.
        begun = [c.to_ms or c.from_ms for c in corrections.of(name) if c.from_ms <= now_ms]
        values[days <= max(begun, default=-DAY_MS) // DAY_MS] = np.nan
    boxes = [name for name, probe in probes.items() if probe.box is not None]
    air = [name for name in probes if name not in boxes]
    # What the air and the boxes differ by goes with the heating, too: each is judged among its like.
    state = dict.fromkeys(air, AIR_AMONG_BOXES if boxes else "") | dict.fromkeys(boxes, "")
    departed: dict[str, Departure] = {}
    for group in (boxes, air):
        view = departing(days, {n: table[n] for n in group}, {n: heights[n] for n in group})
        state |= {n: said for n, said in view.state.items() if len(group) >= LEAST_PROBES or not state[n]}
        if view.departure is not None:
            departed[view.departure.probe] = view.departure
    return {name: Peer(state[name], departed.get(name), readings.first_at(name)) for name in probes}


def _daily(readings: Readings, probe: Probe, corrections: StandingCorrections, belief: Belief, days: Times) -> Values:
    """Median of each day's hours; NaN for a day of which too little was measured."""
    if not len(days):
        return np.empty(0)
    hours = np.arange(days[0] * 24, (days[-1] + 1) * 24)
    means = readings.hour_means(probe.id, int(hours[0]), int(hours[-1]) + 1)
    return day_medians(hourly(probe, corrections, hours, means, belief))
