"""Probes that are heard and yet are not to be believed: stuck, jumping, out of the box, of another unit, late."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import combinations
from typing import Final

import numpy as np

from monitor.core.conditions import Rule, holds
from monitor.core.kinds import Kind, Look
from monitor.core.quality import POWER_ON_C
from monitor.core.settings import Probe
from monitor.core.snapshot import (
    ProbeNow,
    Snapshot,
    Told,
    show_difference,
    show_span,
    show_temperature,
    show_time,
)
from monitor.core.suspicion import JUMPS, Series, goes_with_air, jumps, late_by_s, left_box, other_unit, stuck, swapped

# Until another reading or two agree; what is found here has been so for long.
RULE: Final = Rule(on_delay_s=300.0)
# A probe that reports this seldom cannot be told from a box that changes.
OFTEN_S: Final = 900.0
FRESH_MS: Final = 3_600_000


def _usable(told: Told) -> Series:
    good = told.flag <= 2
    return told.time_ms[good], told.value[good]


def _corrected(probe: ProbeNow) -> Series | None:
    if probe.told is None:
        return None
    at, value = _usable(probe.told)
    return at, value + probe.probe.correction


def _where(p: Probe) -> str:
    return f"probe {p.id} (box {p.box})" if p.box is not None else f"probe {p.id}"


def _stack_of(probe: ProbeNow, snapshot: Snapshot) -> str | None:
    place = snapshot.room.height_of(probe.probe)
    return None if place is None else place[0]


def _others(probe: ProbeNow, snapshot: Snapshot) -> list[ProbeNow]:
    """The probes of the same quantity in the same stack: those in boxes for one in a box, if there are any."""
    stack = _stack_of(probe, snapshot)
    found = [
        p
        for p in snapshot.probes
        if p.probe.id != probe.probe.id
        and p.probe.quantity == probe.probe.quantity
        and p.told is not None
        and _stack_of(p, snapshot) == stack
    ]
    alike = [p for p in found if (p.probe.box is None) == (probe.probe.box is None)]
    return alike or found


def _told(snapshot: Snapshot) -> Iterable[tuple[ProbeNow, Told]]:
    for probe in snapshot.probes:
        if probe.told is not None:
            yield probe, probe.told


def _value(probe: Probe, value: float, snapshot: Snapshot) -> str:
    return f"{value:.1f} %" if probe.quantity == "humidity" else show_temperature(value, snapshot.unit, 2)


def _look_stuck(snapshot: Snapshot) -> Iterable[Look]:
    for probe, told in _told(snapshot):
        found = stuck(_usable(told), [_usable(p.told) for p in _others(probe, snapshot) if p.told], snapshot.now_ms)
        line = f"{_where(probe.probe)}: its readings change"
        if found is not None:
            moved = (
                f"{found.others_moved:.1f} %"
                if probe.probe.quantity == "humidity"
                else show_difference(found.others_moved, snapshot.unit)
            )
            line = (
                f"{_where(probe.probe)}: exactly {_value(probe.probe, found.value, snapshot)} for "
                f"{show_span((snapshot.now_ms - found.since_ms) / 1000)}, while others of its stack "
                f"moved by up to {moved}"
            )
        name = probe.probe.id
        yield Look(name, holds(snapshot.now_ms, found is not None), f"probe {name}", line, RULE)


def _look_unit(snapshot: Snapshot) -> Iterable[Look]:
    for probe, told in _told(snapshot):
        if probe.probe.quantity != "temperature":
            continue
        others = [s for p in _others(probe, snapshot) if p.told is not None and len((s := _usable(p.told))[0])]
        found = other_unit((told.time_ms, told.value), others, probe.probe.unit)
        if found is not None and bool((told.value[-3:] == POWER_ON_C).all()):
            # 85 °F would be a box's 29.4 °C; exactly that, again and again, is a probe that does not measure.
            found = None
        line = f"{_where(probe.probe)}: its readings fit its unit"
        if found is not None:
            promised = "Celsius" if found.speaks == "Fahrenheit" else "Fahrenheit"
            line = (
                f"{_where(probe.probe)}: it says {found.told:.1f}, which as {promised} cannot be, and as "
                f"{found.speaks} is about the {show_temperature(found.would_be_c, snapshot.unit)} that it or others "
                "had"
            )
        name = probe.probe.id
        yield Look(name, holds(snapshot.now_ms, found is not None), f"probe {name}", line)


def _look_jumps(snapshot: Snapshot) -> Iterable[Look]:
    for probe, told in _told(snapshot):
        p = probe.probe
        if p.quantity != "temperature" or p.box is None or p.interval_s > OFTEN_S:
            continue
        count = jumps(_usable(told))
        state = True if count >= JUMPS else False if count == 0 else None
        line = f"{_where(p)}: {count} single readings of the last day lie more than a degree beside those around them"
        yield Look(p.id, holds(snapshot.now_ms, state), f"probe {p.id}", line, facts={"jumps": count})


def _look_out(snapshot: Snapshot) -> Iterable[Look]:
    for probe, _ in _told(snapshot):
        p, own = probe.probe, _corrected(probe)
        box = snapshot.room.box(p.box) if p.box is not None else None
        if p.quantity != "temperature" or box is None or own is None:
            continue
        near = [
            (abs(q.probe.height_cm - box.height_cm), q.probe.id, s)
            for q in snapshot.probes
            if q.probe.box is None
            and q.probe.stack == box.stack
            and q.probe.quantity == "temperature"
            and q.probe.height_cm is not None
            and (s := _corrected(q)) is not None
        ]
        if not near:
            continue
        _, air_id, air = min(near, key=lambda x: x[:2])
        found = left_box(own, air, snapshot.now_ms)
        if found is not None and _explained(p.id, found.at_ms, snapshot):
            found = None
        line = f"{_where(p)}: it does not follow the air"
        if found is not None:
            sure = "rather sure" if found.before_c >= 4 * max(found.since_c, 0.1) else "likely"
            line = (
                f"{_where(p)}: it went to the temperature of the air (probe {air_id}) faster than a box can, and has "
                f"stayed within {show_difference(found.since_c, snapshot.unit)} of it since "
                f"{show_time(found.at_ms, snapshot.zone, snapshot.now_ms)}; before it was "
                f"{show_difference(found.before_c, snapshot.unit)} away ({sure}, not certain)"
            )
        else:
            others = [s for q in _others(probe, snapshot) if q.probe.box is not None and (s := _corrected(q))]
            gust = goes_with_air(own, air, others, snapshot.now_ms)
            if gust is not None and not _explained(p.id, gust.at_ms, snapshot):
                line = (
                    f"{_where(p)}: it followed the air (probe {air_id}) by "
                    f"{show_difference(abs(gust.moved_c), snapshot.unit)} of "
                    f"{show_difference(abs(gust.air_c), snapshot.unit)} within a quarter of an hour, at "
                    f"{show_time(gust.at_ms, snapshot.zone, snapshot.now_ms)}, as no box can and the others did not"
                )
                yield Look(p.id, holds(snapshot.now_ms, True), f"probe {p.id}", line, RULE)
                continue
        yield Look(p.id, holds(snapshot.now_ms, found is not None), f"probe {p.id}", line, RULE)


def _explained(probe: str, left_ms: int, snapshot: Snapshot) -> bool:
    """Whether it was told already that the probe left the box then, and came back; or it was told as stuck until then.

    Box and air are often equally warm: then being with the air comes and goes, and only the first time is news.
    """
    before = snapshot.conditions.get(("probe-out", probe))
    if before is not None and not before.up and before.changed_ms is not None and before.changed_ms >= left_ms:
        return True
    held = snapshot.conditions.get(("probe-stuck", probe))
    if held is None or held.changed_ms is None:
        return False
    return held.up or abs(held.changed_ms - left_ms) <= FRESH_MS


def _look_swapped(snapshot: Snapshot) -> Iterable[Look]:
    inside = [
        (p.probe, s)
        for p in snapshot.probes
        if p.probe.quantity == "temperature" and p.probe.box is not None and (s := _corrected(p)) is not None
    ]
    for (one, a), (other, b) in combinations(inside, 2):
        if one.box == other.box:
            continue
        at = swapped(a, b, snapshot.now_ms)
        subject = f"{one.id}/{other.id}"
        line = f"probes {one.id} and {other.id}: each in its place"
        if at is not None:
            line = (
                f"{_where(one)} and {_where(other)}: at about {show_time(at, snapshot.zone, snapshot.now_ms)} each "
                "took on the temperature of the other within a quarter of an hour"
            )
        yield Look(subject, holds(snapshot.now_ms, at is not None), f"probes {one.id} and {other.id}", line)


def _look_clock(snapshot: Snapshot) -> Iterable[Look]:
    for probe, told in _told(snapshot):
        # What was received in the future came while this computer's clock was ahead.
        timed = told.timed & (told.flag <= 2) & (told.received_ms <= snapshot.now_ms)
        received = told.received_ms[timed]
        late_s = late_by_s(told.time_ms[timed], received)
        fresh = bool(len(received)) and snapshot.now_ms - int(np.max(received)) < FRESH_MS
        line = f"{_where(probe.probe)}: its clock is right"
        if late_s is not None:
            line = f"{_where(probe.probe)}: its readings carry times that are {show_span(late_s)} old when they arrive"
        name = probe.probe.id
        yield Look(name, holds(snapshot.now_ms, late_s is not None if fresh else None), f"probe {name}", line, RULE)


KINDS = (
    Kind(
        name="probe-stuck",
        says="Probe stuck",
        urgency="today",
        raises="the same code for six hours or more, while the others of its stack moved by three steps of its code",
        clears="its code changes",
        why="a probe that hangs looks like a room that is wonderfully steady",
        first="Warm it in your hand for a minute; if nothing changes, cut its power, then replace it.",
        otherwise="Whatever happens to the box, its probe says that all is well.",
        look=_look_stuck,
        cleared_says="Probe moves again",
    ),
    Kind(
        name="probe-unit",
        says="Probe speaks another unit",
        urgency="today",
        raises="three readings that in the other unit are where the probe or its peers were, and as told cannot be",
        clears="its readings fit its unit",
        why="after an update or a reset some probes change to Fahrenheit, or back",
        first="Set the probe back, or change its unit in the configuration and start the service again.",
        otherwise="Its readings are taken as impossible, and the box has no probe.",
        look=_look_unit,
        cleared_says="Probe speaks its unit again",
    ),
    Kind(
        name="probe-jumps",
        says="Probe jumps",
        urgency="diary",
        raises="five or more single readings a day that lie more than a degree beside those before and after",
        clears="none for a day",
        why="a box cannot do that: a loose contact, a damp plug or a cable beside a heater's can",
        first="Look at the plug and the cable; dry them and keep them away from mains cables.",
        otherwise="Such probes die soon, mostly at night.",
        look=_look_jumps,
        tell_cleared=False,
    ),
    Kind(
        name="probe-out",
        says="Probe out of its box",
        urgency="today",
        raises="a box's probe goes to the temperature of the air faster than a box can, and stays with it; or it "
        "follows a sudden move of the air as the other boxes do not",
        clears="it leaves the air again or no longer follows it, or a day has passed",
        why="a probe that fell out, or was not put back, tells of the room and not of the eggs",
        first="Look whether the probe lies beside the eggs; put it back.",
        otherwise="Development is counted at the temperature of the air.",
        look=_look_out,
        cleared_says="Probe no longer with the air",
    ),
    Kind(
        name="probes-swapped",
        says="Probes swapped",
        urgency="diary",
        raises="two probes of different boxes take on each other's temperature within a quarter of an hour",
        clears="a day has passed",
        why="boxes that change places are told to the program, probes that do are easily forgotten",
        first="Look which probe lies in which box. If boxes were moved, record it: warmtally record moved.",
        otherwise="Each box is counted at the temperature of the other.",
        look=_look_swapped,
        tell_cleared=False,
    ),
    Kind(
        name="probe-clock",
        says="Probe's clock behind",
        urgency="diary",
        raises="the newest ten messages of a probe carry times that all are more than ten minutes old by the same time",
        clears="its times are right",
        why="development is a sum over time, and what is too old is no watch over the present",
        first="Set the probe's clock, or leave its time out of the configuration: then the time of arrival counts.",
        otherwise="Its readings count for a time at which they were not made, and every notice comes so much later.",
        look=_look_clock,
        tell_cleared=False,
    ),
)
