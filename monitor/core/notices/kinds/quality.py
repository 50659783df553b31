"""Probes that are heard and yet are not to be believed: stuck, jumping, of another unit, exchanged."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import numpy as np

from monitor.core.notices.conditions import Condition, Phase, Rule, holds
from monitor.core.notices.doubts import LOOK_AT_BOX, others_of_blind
from monitor.core.notices.kinds import Facts, Kind, Look
from monitor.core.notices.peers import air_of, heard_of, others_of, said_by, stack_of, where_of
from monitor.core.notices.snapshot import ProbeNow, Snapshot
from monitor.core.readings.belief import FROM, RIGHT, UNTIL
from monitor.core.readings.gusts import OPENING_C
from monitor.core.readings.out_of_box import SUDDEN_STEPS
from monitor.core.readings.probe_faults import (
    CODE_UNKNOWN,
    FULL_PCT,
    JUMPS,
    ROOM_C,
    Stuck,
    errors,
    jumps,
    other_unit,
    room_like,
    saturated,
    stuck,
    swapped,
    turned,
)
from monitor.core.readings.quality import POWER_ON_C
from monitor.core.readings.series import GRID_MS, Series, day_before, on_grid
from monitor.core.terms.formats import as_said, in_words, show_difference, show_since, show_span, show_temperature
from monitor.core.terms.settings import Probe

# Until another reading or two agree; what is found here has been so for long.
RULE: Final = Rule(on_delay_s=300.0)
# A probe that reports this seldom cannot be told from a box that changes.
OFTEN_S: Final = 900.0
FRESH_MS: Final = 3_600_000
REPLACE: Final = "If it does not follow your hand, cut its power, then replace it."
ANEW: Final = "The service takes a changed file up when it is started again."
SATURATED: Final = "The air in there is saturated, or a drop lies on its sensor: it cannot tell the one from the other."
MOVED: Final = "If boxes were moved, record it: warmtally record moved."


def _value(probe: Probe, value: float, snapshot: Snapshot) -> str:
    return f"{value:.1f} %" if probe.quantity == "humidity" else show_temperature(value, snapshot.unit, 2)


def _look_stuck(snapshot: Snapshot) -> Iterable[Look]:
    for probe, heard in heard_of(snapshot):
        p, own = probe.probe, heard.usable
        often = p.quantity == "temperature" and p.interval_s <= OFTEN_S
        found = stuck(own, said_by(others_of(probe, snapshot), snapshot), snapshot.now_ms, steps=often)
        if found is not None and p.quantity == "humidity" and found.value >= FULL_PCT:
            # Told as what it is.
            found = None
        if found is not None and p.quantity == "temperature" and snapshot.raised("probe-unit", p.id) is not None:
            found = None
        before = snapshot.condition("probe-stuck", p.id)
        line, facts = f"{where_of(p)}: its readings change", _moved_again(own, before)
        told: dict[str, Any] = {}
        if found is not None:
            span = show_span((snapshot.now_ms - found.since_ms) / 1000)
            line = f"{where_of(p)}: exactly {_value(p, found.value, snapshot)} for {span}"
            told = {"more": (_while(found, p, snapshot), REPLACE), "value": f"for {span}"}
            facts = {FROM: found.since_ms, "value": found.value}
            told |= _of_its_box(p, snapshot)
        yield Look(p.id, holds(snapshot.now_ms, found is not None), f"probe {p.id}", line, RULE, facts, **told)


def _of_its_box(probe: Probe, snapshot: Snapshot) -> dict[str, Any]:
    """What the others of its stack tell of the box of a probe that is not to be believed."""
    if probe.box is None or probe.quantity != "temperature":
        return {}
    told, beyond = others_of_blind(probe.box, snapshot, unseen=True)
    return {"doubt": told, "urgency": "now", "first": LOOK_AT_BOX} if beyond else {"doubt": told}


def _while(found: Stuck, probe: Probe, snapshot: Snapshot) -> str:
    """What shows that it is stuck."""
    if not found.others_moved:
        return "It stepped there in a moment, as nothing in a room does."
    moved = (
        f"{found.others_moved:.1f} %"
        if probe.quantity == "humidity"
        else show_difference(found.others_moved, snapshot.unit)
    )
    return f"Meanwhile others of its stack moved by up to {moved}."


def _moved_again(own: Series, before: Condition | None) -> Facts:
    """From when a stuck probe says something else, and whether it was right: it goes on within two steps of its code.

    It may have stood still because its box did. What else it had to say meanwhile lay within those two steps.
    """
    if before is None or not before.up:
        return {} if before is None else before.facts
    at, value = own
    held, from_ms = before.facts.get("value"), before.facts.get(FROM)
    if not isinstance(held, float) or not isinstance(from_ms, int):
        return before.facts
    moved = np.flatnonzero((at > from_ms) & (value != held))
    if not len(moved):
        return before.facts
    steps = np.abs(np.diff(value))
    step = float(steps[steps > 1e-9].min(initial=CODE_UNKNOWN))
    right = abs(float(value[moved[0]]) - held) <= 2.0 * step + 1e-9
    return {**before.facts, UNTIL: int(at[moved[0]]), RIGHT: int(right)}


def _look_unit(snapshot: Snapshot) -> Iterable[Look]:
    for probe, heard in heard_of(snapshot):
        if probe.probe.quantity != "temperature":
            continue
        own, before = (heard.time_ms, heard.value), snapshot.raised("probe-unit", probe.probe.id)
        found = other_unit(own, said_by(stack_of(probe, snapshot), snapshot), probe.probe.unit)
        if found is not None and bool((heard.value[-3:] == POWER_ON_C).all()):
            # 85 °F would be a box's 29.4 °C; exactly that, again and again, is a probe that does not measure.
            found = None
        # What told it leaves the last day, and the probe is as it was.
        state = None if found is None and before is not None and not room_like(own) else found is not None
        line, told = f"{where_of(probe.probe)}: its readings fit its unit", dict[str, Any]()
        facts: Facts = {} if before is None else before.facts
        if found is not None:
            promised = "Celsius" if found.speaks == "Fahrenheit" else "Fahrenheit"
            facts = {FROM: found.since_ms}
            line = f"{where_of(probe.probe)}: it says {found.said:.1f}, which as {promised} cannot be"
            had = show_temperature(found.would_be_c, snapshot.unit)
            told = {
                "more": (f"As {found.speaks} it is about the {had} that it or others had.", ANEW),
                "value": f"says {found.said:.1f}",
            }
        elif before is not None:
            line = f"{where_of(probe.probe)}: it still says what is no {probe.probe.unit}" if state is None else line
            facts = {**facts, **_like_a_room_from(own, facts)}
        name = probe.probe.id
        told |= _of_its_box(probe.probe, snapshot) if found is not None else {}
        yield Look(name, holds(snapshot.now_ms, state), f"probe {name}", line, facts=facts, **told)


def _like_a_room_from(own: Series, facts: Facts) -> Facts:
    """From when a probe that spoke another unit says again what a room may have."""
    from_ms, (at, value) = facts.get(FROM), own
    strange = np.flatnonzero((value < ROOM_C[0]) | (value > ROOM_C[1]))
    after = int(strange[-1]) + 1 if len(strange) else 0
    return {UNTIL: int(at[after])} if isinstance(from_ms, int) and after < len(at) else {}


def _look_jumps(snapshot: Snapshot) -> Iterable[Look]:
    for probe, heard in heard_of(snapshot):
        p = probe.probe
        if p.interval_s > OFTEN_S:
            continue
        wrong, said = errors((heard.time_ms, heard.value), heard.flag <= 2)
        # Only of a box is it known that it cannot jump.
        own = heard.usable
        at = own[0][:0]
        if p.quantity == "temperature" and p.box is not None and snapshot.raised("probe-in-air", p.id) is None:
            air = air_of(probe, snapshot)
            at = own[0][jumps(own, None if air is None else air[1])]
        count = len(at)
        state = True if max(count, wrong) >= JUMPS else False if count + wrong == 0 else None
        size = in_words("a degree", 1.0, snapshot.unit)
        line = f"{where_of(p)}: {count} single readings of the last day lie more than {size} off, limit {JUMPS}"
        if wrong >= JUMPS:
            line = f"{where_of(p)}: {wrong} times in the last day it said what is no measurement, limit {JUMPS}"
        yield Look(
            p.id,
            holds(snapshot.now_ms, state),
            f"probe {p.id}",
            line,
            facts={"jumps": count, "errors": wrong, **({FROM: int(at[0])} if count else {})},
            more=(f"Just now it said {as_said(said, p.unit)}.",) if wrong >= JUMPS else (),
            value=f"{max(count, wrong)} times",
            worse=max(count, wrong),
        )


def _look_saturated(snapshot: Snapshot) -> Iterable[Look]:
    for probe, heard in heard_of(snapshot):
        p = probe.probe
        if p.quantity != "humidity":
            continue
        since = saturated(heard.usable, snapshot.now_ms)
        fresh = bool(len(heard.time_ms)) and snapshot.now_ms - int(heard.time_ms[-1]) < FRESH_MS
        line = f"{where_of(p)}: it is below the end of its scale"
        if since is not None:
            at = show_since(since, snapshot.zone, snapshot.now_ms)
            line = f"{where_of(p)}: at the end of its scale since {at}"
        yield Look(
            p.id,
            holds(snapshot.now_ms, since is not None if fresh else None),
            f"probe {p.id}",
            line,
            RULE,
            more=(SATURATED,) if since is not None else (),
        )


def _look_swapped(snapshot: Snapshot) -> Iterable[Look]:
    inside = [
        (p, s)
        for p in snapshot.probes
        if p.probe.quantity == "temperature" and p.probe.box is not None and (s := p.corrected) is not None
    ]
    # Of so many pairs those are looked at of which there may be something to tell.
    grid = day_before(snapshot.now_ms)
    pairs = set(turned(np.vstack([on_grid(s, grid) for _, s in inside]))) if inside else set()
    place = {p.probe.id: k for k, (p, _) in enumerate(inside)}
    for c in snapshot.conditions.values():
        if c.kind == "probes-swapped" and (c.phase is not Phase.CLEAR or c.over_ms is not None):
            i, j = (place.get(name, -1) for name in c.subject.split("/"))
            pairs |= {(i, j)} if 0 <= i < j else set()
    for i, j in sorted(pairs):
        (first, a), (second, b) = inside[i], inside[j]
        one, other = first.probe, second.probe
        if one.box == other.box:
            continue
        at = swapped(a, b, snapshot.now_ms)
        if at is not None and any(_goes_with_air(p, at, snapshot) for p in (first, second)):
            at = None
        subject = f"{one.id}/{other.id}"
        before = snapshot.condition("probes-swapped", subject)
        line = f"probes {one.id} and {other.id}: each in its place"
        facts: Facts = before.facts if before is not None else {}
        if at is not None:
            facts = {FROM: at}
            moment = show_since(at, snapshot.zone, snapshot.now_ms)
            line = f"probes {one.id} and {other.id}: each took on the temperature of the other at about {moment}"
        yield Look(
            subject,
            holds(snapshot.now_ms, at is not None),
            f"probes {one.id} and {other.id}",
            line,
            facts=facts,
            more=(MOVED, f"They lie in boxes {one.box} and {other.box}, and changed within a quarter of an hour."),
        )


def _goes_with_air(probe: ProbeNow, at_ms: int, snapshot: Snapshot) -> bool:
    """Whether a probe is one that the air moves, or the air moved at that time: two such cross without changing
    places."""
    if snapshot.raised("probe-in-air", probe.probe.id) is not None or not snapshot.believes(probe.probe.id, "peers"):
        return True
    air = air_of(probe, snapshot)
    if air is None:
        return False
    held = on_grid(air[1], at_ms + GRID_MS * np.arange(-SUDDEN_STEPS, SUDDEN_STEPS + 1, dtype=np.int64))
    known = held[~np.isnan(held)]
    return bool(len(known)) and float(np.ptp(known)) >= OPENING_C


KINDS = (
    Kind(
        name="probe-stuck",
        says="Probe stuck",
        urgency="today",
        raises="exactly the same value for six hours or more, while the others of its stack moved by three steps",
        clears="its value changes",
        why="a probe that hangs looks like a room that is wonderfully steady",
        first="Warm it in your hand for a minute; see whether it follows.",
        otherwise="Whatever happens, its probe says that all is well.",
        look=_look_stuck,
        cleared_says="Probe moves again",
    ),
    Kind(
        name="probe-unit",
        says="Probe in another unit",
        urgency="today",
        raises="three readings that in the other unit are where the probe or its peers were, and as told cannot be",
        clears="its readings fit its unit",
        why="after an update or a reset some probes change to Fahrenheit, or back",
        first="Set the probe back, or change its unit in the room's file.",
        otherwise="Its readings do not count, and the box has no probe.",
        look=_look_unit,
        cleared_says="Probe in its unit again",
    ),
    Kind(
        name="probe-jumps",
        says="Probe jumps",
        urgency="later",
        raises="five or more single readings a day that lie more than 1 °C beside those before and after, or that "
        "are no measurement (85.0, -127) among good ones",
        clears="none for a day",
        why="no box does that: it is a loose contact, a damp plug, or a cable beside that of a heater",
        first="Dry its plug and cable; keep them away from mains cables.",
        otherwise="Its jumps do not count. Such probes die soon, mostly at night.",
        look=_look_jumps,
        tell_cleared=False,
    ),
    Kind(
        name="probe-saturated",
        says="Humidity probe at 100 %",
        urgency="later",
        raises="a humidity probe says 99.5 % or more for six hours without a break",
        clears="it says less",
        why="a sensor on which water has condensed says 100 % until it is dry, whatever the air does",
        first="Let it dry for an hour; hang it where no drop falls on it.",
        otherwise="A box that dries out is told of late or not at all.",
        look=_look_saturated,
        dated=True,
        tell_cleared=False,
    ),
    Kind(
        name="probes-swapped",
        says="Probes swapped",
        urgency="later",
        raises="two probes of different boxes take on each other's temperature within a quarter of an hour",
        clears="a day has passed",
        why="boxes that change places are told to the program, probes that do are easily forgotten",
        first="See which probe lies in which box.",
        otherwise="Each box is counted at the temperature of the other.",
        look=_look_swapped,
        dated=True,
        tell_cleared=False,
    ),
)
