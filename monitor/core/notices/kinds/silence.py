"""Probe quiet and room quiet: nothing arrives.

The tick raises these, because what is missing cannot raise anything itself. When the whole room is quiet the
cause is the broker, the gateway or the power, and one condition says so instead of one for every probe.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from monitor.core.notices.after_silence import BREAKER, RESIDUAL, Facts, arrived, facts_of, heard_again
from monitor.core.notices.conditions import Rule, Sample, Where, holds
from monitor.core.notices.doubts import LOOK_AT_BOX, others_of_blind
from monitor.core.notices.fitting import in_full, said
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import UNREAD_LEAST, ProbeNow, Snapshot
from monitor.core.readings.late_readings import LONGEST_S
from monitor.core.readings.probe_clocks import CLOCK_MESSAGES, CLOCK_SPAN_S, CLOCK_SWAYS_S
from monitor.core.terms.formats import as_said, show_messages, show_since, show_span


def _delay_s(probe: ProbeNow) -> float:
    """The last part of a probe's quiet time, in which the others must be heard while it is not.

    When a whole room comes back, its probes speak one after the other within an interval.
    """
    return min(1.5 * probe.probe.interval_s, 0.5 * probe.probe.quiet_after_s)


def _quiet(probe: ProbeNow, newest_ms: int | None, snapshot: Snapshot) -> Where:
    after_ms = (probe.probe.quiet_after_s - _delay_s(probe)) * 1000
    # Only a usable reading counts: a probe that sends its error value all night is no watch.
    if probe.usable_ms is not None and snapshot.now_ms - probe.usable_ms < after_ms:
        return Where.BACK
    if _only_old(probe, snapshot, after_ms):
        return Where.BETWEEN
    # After a start the probe is given its time again: the absence was ours.
    if snapshot.now_ms - snapshot.service.started_ms < after_ms:
        return Where.BETWEEN
    # One cause, one notice: messages that cannot be read, a probe that speaks another unit, a room in which nobody
    # is heard, and a gateway that is gone, are told as such.
    gateway = snapshot.gateway_of(probe.probe)
    if gateway is not None and gateway.gone:
        return Where.BETWEEN
    if snapshot.raised("room-quiet", snapshot.room.name) is not None:
        # Until the room's end was told: its probes come back one after the other.
        return Where.BETWEEN
    unit = snapshot.raised("probe-unit", probe.probe.id)
    if probe.unread >= UNREAD_LEAST or snapshot.room_quiet or unit is not None:
        return Where.BETWEEN
    heard = newest_ms is not None and snapshot.now_ms - newest_ms < 0.5 * probe.probe.quiet_after_s * 1000
    return Where.BEYOND if heard else Where.BETWEEN


def _only_old(probe: ProbeNow, snapshot: Snapshot, after_ms: float) -> bool:
    """Whether it sends, but readings that are too old, and for no longer than it takes to know its clock for wrong."""
    if probe.usable_ms is None or not _came_within(probe, snapshot.now_ms, after_ms):
        return False
    proof_ms = 1000 * max(CLOCK_SPAN_S + CLOCK_SWAYS_S, (CLOCK_MESSAGES + 1) * probe.probe.interval_s)
    return snapshot.now_ms - probe.usable_ms < after_ms + proof_ms


def _fresh(probe: ProbeNow, snapshot: Snapshot) -> bool:
    return probe.usable_ms is not None and snapshot.now_ms - probe.usable_ms < probe.probe.quiet_after_s * 1000


def _look_probes(snapshot: Snapshot) -> Iterable[Look]:
    newest = snapshot.newest_ms
    for probe in snapshot.probes:
        told, beyond = "", False
        if probe.probe.box is not None and probe.probe.quantity == "temperature":
            told, beyond = others_of_blind(probe.probe.box, snapshot)
        look = Look(
            probe.probe.id,
            (Sample(snapshot.now_ms, _quiet(probe, newest, snapshot)),),
            f"probe {probe.probe.id}",
            f"{probe.place}: no usable reading yet",
            Rule(on_delay_s=_delay_s(probe)),
            facts={"last_ms": probe.usable_ms},
            urgency="now" if beyond else None,
            first=LOOK_AT_BOX if beyond else "",
            doubt=told,
            more=tuple(_more(probe, snapshot)),
            limit=show_span(probe.probe.quiet_after_s),
        )
        if probe.usable_ms is not None:
            silent_s = max(snapshot.now_ms - probe.usable_ms, 0) / 1000
            at = show_since(probe.usable_ms, snapshot.zone, snapshot.now_ms)
            line = f"{probe.place}: last usable reading {at}, {show_span(silent_s)} ago, limit {look.limit}"
            look = replace(look, line=line, value=show_span(silent_s), worse=silent_s)
            if _fresh(probe, snapshot):
                look = replace(look, line=f"{probe.place} is heard: last reading {at}", value="", more=())
        yield _by_battery(look, probe, snapshot)


def _more(probe: ProbeNow, snapshot: Snapshot) -> Iterable[str]:
    """What else is known of a probe that is quiet."""
    if not _fresh(probe, snapshot) and _came_within(probe, snapshot.now_ms, probe.probe.quiet_after_s * 1000):
        yield "It sends, but with times that are older."
    if probe.last_ms is not None and probe.last_ms != probe.usable_ms and probe.last_value is not None:
        yield f"It sends {as_said(probe.last_value, probe.probe.unit)}, which is no reading."
    if probe.unread:
        yield f"{show_messages(probe.unread)} could not be read: {said(probe.unread_reason)}."
        yield from in_full(probe.unread_reason)
    yield f"A reading is expected every {show_span(probe.probe.interval_s)}."
    if probe.probe.box is not None:
        yield "Look at the box's own thermometer meanwhile."


def _by_battery(look: Look, probe: ProbeNow, snapshot: Snapshot) -> Look:
    """With what its battery said last, where that is low: the likely cause."""
    for battery in snapshot.batteries:
        if battery.battery.battery_of == probe.probe.id and snapshot.raised("battery-low", battery.battery.id):
            first = look.first or "Renew or charge the probe's battery."
            return replace(look, cause="Its battery was told as low.", first=first)
    return look


def _look_room(snapshot: Snapshot) -> Iterable[Look]:
    newest = snapshot.newest_ms
    heard = (
        "nothing was heard since the start"
        if newest is None
        else (f"last reading {show_since(newest, snapshot.zone, snapshot.now_ms)}")
    )
    quiet = snapshot.room_quiet
    known = snapshot.raised("room-quiet", snapshot.room.name)
    before = None if known is None else known.facts
    look = Look(
        snapshot.room.name,
        _back(snapshot, before) if quiet is False and before is not None else holds(snapshot.now_ms, quiet),
        f"room {snapshot.room.name}",
        f"room {snapshot.room.name} is heard: {heard}",
        Rule(off_delay_s=_back_s(snapshot)),
        facts={"last_ms": newest} if quiet is False and before is None else facts_of(snapshot, newest, before),
        name="",
    )
    if quiet is False and before is not None:
        story, cold = heard_again(snapshot, before)
        look = replace(look, more=story, after=RESIDUAL if cold else "")
    if quiet is not False:
        why = snapshot.service.link.detail or snapshot.service.link.state
        since = "" if newest is None else f"since {show_since(newest, snapshot.zone, snapshot.now_ms)}"
        look = replace(
            look,
            line=f"no probe of room {snapshot.room.name} is heard: {heard}",
            more=(f"The line to the broker: {said(why)}.", BREAKER, *in_full(why)),
            value=since,
        )
    yield look


def _back_s(snapshot: Snapshot) -> float:
    """A room is back when all of its probes had time to speak, but within half of its quiet time."""
    longest_s = max((p.probe.interval_s for p in snapshot.probes), default=0.0)
    return min(3.0 * longest_s, snapshot.room.watch.room_quiet_after_s / 2.0)


def _back(snapshot: Snapshot, before: Facts) -> tuple[Sample, ...]:
    """That it is back holds only while its probes go on speaking: one word between two silences is no end.

    What was kept meanwhile and is still coming says how far the boxes cooled, and is waited for, but no longer than
    `LONGEST_S` after the room was heard again: until it is back none of its probes is told as quiet.
    """
    quiet_ms = before.get("quiet_from_ms")
    heard_ms = arrived(snapshot, quiet_ms) if isinstance(quiet_ms, int) else None
    patient = heard_ms is not None and snapshot.now_ms - heard_ms < LONGEST_S * 1000
    if patient and any(b.late is not None and b.late.arriving(snapshot.now_ms) for b in snapshot.boxes):
        return ()
    speak = any(_speaks(p, snapshot.now_ms) for p in snapshot.probes)
    return (Sample(snapshot.now_ms, Where.BACK if speak else Where.BETWEEN),)


def _speaks(probe: ProbeNow, now_ms: int) -> bool:
    """Whether a usable reading came lately, whatever the probe's clock says."""
    return _came_within(probe, now_ms, 1500.0 * probe.probe.interval_s)


def _came_within(probe: ProbeNow, now_ms: int, within_ms: float) -> bool:
    came_ms = probe.usable_ms
    if probe.heard is not None:
        came = probe.heard.received_ms[(probe.heard.flag <= 2) & (probe.heard.received_ms <= now_ms)]
        came_ms = int(came.max()) if len(came) else came_ms
    if probe.came_ms is not None and probe.came_ms <= now_ms:
        came_ms = max(probe.came_ms, came_ms or 0)
    return came_ms is not None and now_ms - came_ms < within_ms


KINDS = (
    Kind(
        name="probe-quiet",
        says="Probe quiet",
        urgency="today",
        raises="no usable reading of a probe for its quiet time (three intervals, ten minutes at least, unless set)",
        clears="its next usable reading",
        why="a box without a probe is a box nobody watches; its development goes on and is filled from its neighbours",
        first="Look at the probe's battery, cable and place.",
        otherwise="The box is only estimated, its window gets wider each day.",
        look=_look_probes,
        dated=True,
        groups=True,
        cleared_says="Probe heard again",
    ),
    Kind(
        name="room-quiet",
        says="Room quiet",
        urgency="now",
        raises="no reading of any probe, or no link to the broker, for 15 minutes (unless set)",
        clears="readings arrive again, for three intervals of its slowest probe (half the quiet time at most)",
        why="the broker, the gateway, the network or the power of the room is gone, and with it perhaps the heat",
        first="See whether the room has power; then gateway, network, broker.",
        otherwise="Nobody watches the eggs. If the power is gone, they cool.",
        look=_look_room,
        dated=True,
        cleared_says="Room heard again",
        keys=("watch.room_quiet_after",),
    ),
)
