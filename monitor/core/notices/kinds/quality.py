"""Probes that are heard and yet are not to be believed: stuck, jumping, out of the box, of another unit, late."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import combinations
from typing import Final

import numpy as np

from monitor.core.notices.conditions import Rule, holds
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.kinds.service import CLOCK
from monitor.core.notices.snapshot import Heard, ProbeNow, Snapshot
from monitor.core.readings.probe_faults import (
    FULL_PCT,
    JUMPS,
    InAir,
    Series,
    errors,
    goes_with_air,
    in_air,
    jumps,
    late_by_s,
    left_box,
    other_unit,
    saturated,
    stuck,
    swapped,
)
from monitor.core.readings.quality import POWER_ON_C
from monitor.core.terms.formats import as_said, in_words, show_difference, show_span, show_temperature, show_time
from monitor.core.terms.settings import Probe, Urgency

# Until another reading or two agree; what is found here has been so for long.
RULE: Final = Rule(on_delay_s=300.0)
# A probe that reports this seldom cannot be told from a box that changes.
OFTEN_S: Final = 900.0
FRESH_MS: Final = 3_600_000


def _usable(heard: Heard) -> Series:
    good = heard.flag <= 2
    return heard.time_ms[good], heard.value[good]


def _corrected(probe: ProbeNow) -> Series | None:
    if probe.heard is None:
        return None
    at, value = _usable(probe.heard)
    return at, value + probe.offset_c


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
        and p.heard is not None
        and _stack_of(p, snapshot) == stack
    ]
    alike = [p for p in found if (p.probe.box is None) == (probe.probe.box is None)]
    return alike or found


def _heard(snapshot: Snapshot) -> Iterable[tuple[ProbeNow, Heard]]:
    for probe in snapshot.probes:
        if probe.heard is not None:
            yield probe, probe.heard


def _value(probe: Probe, value: float, snapshot: Snapshot) -> str:
    return f"{value:.1f} %" if probe.quantity == "humidity" else show_temperature(value, snapshot.unit, 2)


def _look_stuck(snapshot: Snapshot) -> Iterable[Look]:
    for probe, heard in _heard(snapshot):
        found = stuck(_usable(heard), [_usable(p.heard) for p in _others(probe, snapshot) if p.heard], snapshot.now_ms)
        if found is not None and probe.probe.quantity == "humidity" and found.value >= FULL_PCT:
            # Told as what it is.
            found = None
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
    for probe, heard in _heard(snapshot):
        if probe.probe.quantity != "temperature":
            continue
        others = [s for p in _others(probe, snapshot) if p.heard is not None and len((s := _usable(p.heard))[0])]
        found = other_unit((heard.time_ms, heard.value), others, probe.probe.unit)
        if found is not None and bool((heard.value[-3:] == POWER_ON_C).all()):
            # 85 °F would be a box's 29.4 °C; exactly that, again and again, is a probe that does not measure.
            found = None
        line = f"{_where(probe.probe)}: its readings fit its unit"
        if found is not None:
            promised = "Celsius" if found.speaks == "Fahrenheit" else "Fahrenheit"
            line = (
                f"{_where(probe.probe)}: it says {found.said:.1f}, which as {promised} cannot be, and as "
                f"{found.speaks} is about the {show_temperature(found.would_be_c, snapshot.unit)} that it or others "
                "had"
            )
        name = probe.probe.id
        yield Look(name, holds(snapshot.now_ms, found is not None), f"probe {name}", line)


def _look_jumps(snapshot: Snapshot) -> Iterable[Look]:
    for probe, heard in _heard(snapshot):
        p = probe.probe
        if p.interval_s > OFTEN_S:
            continue
        wrong, said = errors((heard.time_ms, heard.value), heard.flag <= 2)
        # Only of a box is it known that it cannot jump.
        count = jumps(_usable(heard)) if p.quantity == "temperature" and p.box is not None else 0
        state = True if max(count, wrong) >= JUMPS else False if count + wrong == 0 else None
        size = in_words("a degree", 1.0, snapshot.unit)
        line = f"{_where(p)}: {count} single readings of the last day lie more than {size} beside those around them"
        if wrong >= JUMPS:
            shown = as_said(said, p.unit)
            line = f"{_where(p)}: {wrong} times in the last day it said what is no measurement, as {shown} just now"
        yield Look(p.id, holds(snapshot.now_ms, state), f"probe {p.id}", line, facts={"jumps": count, "errors": wrong})


def _look_saturated(snapshot: Snapshot) -> Iterable[Look]:
    for probe, heard in _heard(snapshot):
        p = probe.probe
        if p.quantity != "humidity":
            continue
        since = saturated(_usable(heard), snapshot.now_ms)
        fresh = bool(len(heard.time_ms)) and snapshot.now_ms - int(heard.time_ms[-1]) < FRESH_MS
        line = f"{_where(p)}: it is below the end of its scale"
        if since is not None:
            line = (
                f"{_where(p)}: at the end of its scale since {show_time(since, snapshot.zone, snapshot.now_ms)}; the "
                "air in there is saturated, or a drop lies on its sensor: it cannot tell the one from the other"
            )
        yield Look(p.id, holds(snapshot.now_ms, since is not None if fresh else None), f"probe {p.id}", line, RULE)


def air_of(probe: ProbeNow, snapshot: Snapshot) -> tuple[str, Series] | None:
    """The air probe of a box's stack that is nearest in height, with its corrected readings; None without any."""
    box = snapshot.room.box(probe.probe.box) if probe.probe.box is not None else None
    near = [
        (abs(q.probe.height_cm - box.height_cm), q.probe.id, s)
        for q in (snapshot.air_probes(box.stack) if box is not None else ())
        if box is not None and q.probe.height_cm is not None and (s := _corrected(q)) is not None
    ]
    return min(near, key=lambda x: x[:2])[1:] if near else None


def boxes_beside(probe: ProbeNow, snapshot: Snapshot) -> list[Series]:
    """Corrected readings of the probes in the other boxes of the stack."""
    return [s for q in _others(probe, snapshot) if q.probe.box is not None and (s := _corrected(q)) is not None]


def _look_out(snapshot: Snapshot) -> Iterable[Look]:
    for probe, _ in _heard(snapshot):
        p, own = probe.probe, _corrected(probe)
        if p.quantity != "temperature" or p.box is None or snapshot.room.box(p.box) is None or own is None:
            continue
        before = snapshot.raised("probe-out", p.id)
        by, text = _out(probe, own, snapshot)
        line = f"{_where(p)}: it does not follow the air"
        state: bool | None = bool(text)
        if not text and by is None and before is not None and before.facts.get("by") != "left":
            # The air is too still to tell: what was found stands.
            state = None
        urgency: Urgency | None = None
        if text:
            beyond = _beyond(probe, own, snapshot)
            urgency = "now" if beyond else "diary" if by == "alone" else None
            line = f"{_where(p)}: {text}{beyond}"
        yield Look(p.id, holds(snapshot.now_ms, state), f"probe {p.id}", line, RULE, {"by": by or ""}, urgency)


def _out(probe: ProbeNow, own: Series, snapshot: Snapshot) -> tuple[str | None, str]:
    """By what it shows that a probe lies in the air, and in words; no words: it does not show, and by None: nor that it
    does not."""
    name, now_ms = probe.probe.id, snapshot.now_ms
    found = air_of(probe, snapshot)
    others = boxes_beside(probe, snapshot)
    moves = in_air(own, None if found is None else found[1], others, now_ms)
    since = "" if not isinstance(moves, InAir) else show_time(moves.since_ms, snapshot.zone, now_ms)
    if found is None:
        if isinstance(moves, InAir) and not _explained(name, moves.since_ms, snapshot):
            return "alone", (
                f"since about {since} its temperature goes up and down as no closed box can, as it did not before and "
                "the other boxes do not; either it lies in the air, or the box is open, or something blows at it"
            )
        return (None if moves is None else "moves"), ""
    air_id, air = found
    left = left_box(own, air, now_ms)
    if left is not None and not _explained(name, left.at_ms, snapshot):
        sure = "rather sure" if left.before_c >= 4 * max(left.since_c, 0.1) else "likely"
        return "left", (
            f"it went to the temperature of the air (probe {air_id}) faster than a box can, and has "
            f"stayed within {show_difference(left.since_c, snapshot.unit)} of it since "
            f"{show_time(left.at_ms, snapshot.zone, now_ms)}; before it was "
            f"{show_difference(left.before_c, snapshot.unit)} away ({sure}, not certain)"
        )
    before = snapshot.raised("probe-out", name)
    if moves is False or (before is not None and before.facts.get("by") == "left"):
        return "moves", ""
    if isinstance(moves, InAir) and not _explained(name, moves.since_ms, snapshot):
        was = "" if moves.before is None else f", before {100 * max(moves.before, 0.0):.0f} %"
        beside = "" if moves.others is None else f", the other boxes {100 * max(moves.others, 0.0):.0f} %"
        return "moves", (
            f"since about {since} it follows each rise and fall of the air (probe {air_id}) at once, by "
            f"{100 * moves.share:.0f} %{was}{beside}; a closed box does not (rather sure, not certain)"
        )
    gust = goes_with_air(own, air, others, now_ms)
    if gust is not None and not _explained(name, gust.at_ms, snapshot):
        return "gust", (
            f"it followed the air (probe {air_id}) by {show_difference(abs(gust.moved_c), snapshot.unit)} of "
            f"{show_difference(abs(gust.air_c), snapshot.unit)} within a quarter of an hour, at "
            f"{show_time(gust.at_ms, snapshot.zone, now_ms)}, as no box can and the others did not"
        )
    return None, ""


def _beyond(probe: ProbeNow, own: Series, snapshot: Snapshot) -> str:
    """In words, when what it says is beyond a limit of its box; else nothing."""
    box = next((b for b in snapshot.boxes if b.box.id == probe.probe.box), None)
    if box is None or not len(own[1]):
        return ""
    value, low, high = float(own[1][-1]), box.limits.too_cool_c, box.limits.too_warm_c
    limit = low if low is not None and value <= low else high if high is not None and value >= high else None
    if limit is None:
        return ""
    return (
        f"; it says {show_temperature(value, snapshot.unit)}, beyond the limit of "
        f"{show_temperature(limit, snapshot.unit)}: if the box is closed, its eggs follow slowly, and are told of when "
        "they too may be beyond it; if it is open, they are as warm as that now"
    )


def _explained(probe: str, left_ms: int, snapshot: Snapshot) -> bool:
    """Whether it was told already that the probe left the box then, and came back; or it was told as stuck until then.

    Box and air are often equally warm: then being with the air comes and goes, and only the first time is news.
    """
    before = snapshot.condition("probe-out", probe)
    if before is not None and not before.up and before.changed_ms is not None and before.changed_ms >= left_ms:
        return True
    held = snapshot.condition("probe-stuck", probe)
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
    doubtful = snapshot.raised("clock-untrusted", CLOCK) is not None or snapshot.behind_s is not None
    for probe, heard in _heard(snapshot):
        # What was received in the future came while this computer's clock was ahead.
        timed = heard.timed & (heard.flag <= 2) & (heard.received_ms <= snapshot.now_ms)
        received = heard.received_ms[timed]
        late_s = late_by_s(heard.time_ms[timed], received)
        fresh = bool(len(received)) and snapshot.now_ms - int(np.max(received)) < FRESH_MS
        line = f"{_where(probe.probe)}: its clock is right"
        if late_s is not None:
            line = f"{_where(probe.probe)}: its readings carry times that are {show_span(late_s)} old when they arrive"
        name = probe.probe.id
        # While this computer's clock is in doubt, and told as that, it says nothing of another one.
        known = fresh and snapshot.service.clock.trusted and not doubtful
        yield Look(name, holds(snapshot.now_ms, late_s is not None if known else None), f"probe {name}", line, RULE)


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
        says="Probe in another unit",
        urgency="today",
        raises="three readings that in the other unit are where the probe or its peers were, and as told cannot be",
        clears="its readings fit its unit",
        why="after an update or a reset some probes change to Fahrenheit, or back",
        first="Set the probe back, or change its unit in the configuration and start the service again.",
        otherwise="Its readings are taken as impossible, and the box has no probe.",
        look=_look_unit,
        cleared_says="Probe in its unit again",
    ),
    Kind(
        name="probe-jumps",
        says="Probe jumps",
        urgency="diary",
        raises="five or more single readings a day that lie more than 1 °C beside those before and after, or that "
        "are no measurement (85.0, -127) among good ones",
        clears="none for a day",
        why="a box cannot do that: a loose contact, a damp plug or a cable beside a heater's can",
        first="Look at the plug and the cable; dry them and keep them away from mains cables.",
        otherwise="Such probes die soon, mostly at night.",
        look=_look_jumps,
        tell_cleared=False,
    ),
    Kind(
        name="probe-saturated",
        says="Humidity probe at 100 %",
        urgency="diary",
        raises="a humidity probe says 99.5 % or more for six hours without a break",
        clears="it says less",
        why="a sensor on which water has condensed says 100 % until it is dry, whatever the air does",
        first="Take it out, let it dry for an hour in the air of the room, and hang it where no drop falls on it.",
        otherwise="A box that dries out is told of late or not at all.",
        look=_look_saturated,
        tell_cleared=False,
    ),
    Kind(
        name="probe-out",
        says="Probe out of its box",
        urgency="today",
        raises="a box's probe goes to the temperature of the air faster than a box can, and stays with it; or for "
        "three hours, or in one sudden move, it follows the air at once, as the other boxes do not",
        clears="it leaves the air again or no longer follows it",
        why="a probe that fell out, or was not put back, tells of the room and not of the eggs",
        first="Look whether the probe lies beside the eggs; put it back.",
        otherwise="Development is counted at the temperature of the air.",
        look=_look_out,
        cleared_says="Probe not with the air",
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
        raises="all messages of a probe within 25 minutes, four at least, carry times that are more than ten minutes "
        "old, by the same time",
        clears="its times are right",
        why="development is a sum over time, and what is too old is no watch over the present",
        first="Set the probe's clock, or leave its time out of the configuration: then the time of arrival counts.",
        otherwise="Its readings count for a time at which they were not made, and every notice comes so much later.",
        look=_look_clock,
        groups=True,
        tell_cleared=False,
    ),
)
