"""Probe drifting and calibration due: whether what a probe says can still be believed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any, Final

from monitor.core.notices.conditions import holds
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import ProbeNow, Snapshot
from monitor.core.readings.drift import LEAST_DRIFT_C, Departure
from monitor.core.terms.formats import show_day, show_difference
from monitor.core.terms.times import DAY_MS

# A good digital sensor moves by less than 0.03 C a year (from memory of data sheets); damp and knocks do more.
CALIBRATED_FOR_DAYS: Final = 365


def _look_drift(snapshot: Snapshot) -> Iterable[Look]:
    for probe in snapshot.probes:
        if probe.probe.quantity != "temperature":
            continue
        left = probe.departure
        state: bool | None = left is not None
        if left is None and probe.drift != "steady":
            # In doubt, or days too few: nothing is known, and nothing is over, unless it was compared or corrected.
            known = snapshot.raised("probe-drifting", probe.probe.id)
            since = None if known is None else known.since_ms
            found = probe.correction
            state = False if since is not None and found is not None and found.recorded_ms >= since else None
        name = probe.probe.id
        look = Look(
            name,
            holds(snapshot.now_ms, state),
            f"probe {name}",
            f"{probe.place} keeps with the others of its stack",
            facts={"shift_c": left.shift_c if left else None},
        )
        yield look if left is None else replace(look, **_drifted(probe, left, snapshot))


def _drifted(probe: ProbeNow, left: Departure, snapshot: Snapshot) -> dict[str, Any]:
    """What is said of a probe that has left the others."""
    size, limit = (show_difference(c, snapshot.unit, 2) for c in (abs(left.shift_c), LEAST_DRIFT_C))
    how = "It came at once"
    if left.rate_c_per_day is not None:
        rate = show_difference(abs(left.rate_c_per_day), snapshot.unit, 3)
        how = f"It moved by {rate} a day for {left.until_day - left.since_day} days"
    return {
        "line": f"{probe.place} says {size} {'more' if left.shift_c > 0 else 'less'} than the others of its stack "
        f"explain, limit {limit}",
        "more": (
            *([f"Or {left.or_probe} is the one that drifts."] if left.or_probe else []),
            f"{how}, since about {show_day(left.since_day * DAY_MS, snapshot.zone)}.",
            f"Judged over {left.days} days.",
        ),
        "value": size,
        "limit": limit,
        "worse": abs(left.shift_c),
    }


def _look_due(snapshot: Snapshot) -> Iterable[Look]:
    """By stack: what counts is that its probes were compared with each other."""
    by_stack: dict[str, list[ProbeNow]] = {}
    for probe in snapshot.probes:
        where = snapshot.room.height_of(probe.probe)
        if probe.probe.quantity == "temperature" and where is not None:
            by_stack.setdefault(where[0], []).append(probe)
    homes: dict[str, set[str]] = {}
    for lot in snapshot.lots:
        box = snapshot.room.box(lot.lot.box)
        if lot.lot.open and box is not None:
            homes.setdefault(lot.clutch.id, set()).add(box.stack)
    for stack, probes in by_stack.items():
        why = "its levels are not equally warm" if snapshot.raised("stack-uneven", stack) else ""
        if not why and any(stack in homes[clutch] and snapshot.raised("siblings-apart", clutch) for clutch in homes):
            why = "boxes of one clutch are expected apart"
        never = [p.probe.id for p in probes if not p.probe.compared]
        # Once asked for it stays so until it is done, however often the stack is even meanwhile.
        asked = snapshot.raised("calibration-due", stack) is not None
        old = [
            p.probe.id
            for p in probes
            if p.correction is not None
            and p.correction.how == "side by side"
            and snapshot.now_ms - p.correction.from_ms > CALIBRATED_FOR_DAYS * DAY_MS
        ]
        line, more = f"stack {stack}: its probes were compared", tuple[str, ...]()
        if old:
            line = f"stack {stack}: {_probes(old)} last compared more than {CALIBRATED_FOR_DAYS} days ago"
            more = (f"They are: {', '.join(old)}.",)
        elif never and (why or asked):
            line = f"stack {stack}: {_probes(never)} never compared with the others" + (f", and {why}" if why else "")
            more = (f"They are: {', '.join(never)}.",)
        yield Look(
            stack,
            holds(snapshot.now_ms, len(probes) > 1 and bool(old or (never and (why or asked)))),
            f"stack {stack}",
            line,
            more=more,
        )


def _probes(ids: Sequence[str]) -> str:
    return f"{ids[0]} was" if len(ids) == 1 else f"{len(ids)} probes were"


KINDS = (
    Kind(
        name="probe-drifting",
        says="Probe drifting",
        urgency="today",
        raises="one probe of a stack with three or more says 0.25 °C or more otherwise than the others let expect, for "
        "five days",
        clears="the others explain it again, or it was compared or corrected",
        why="a probe that ages, gets wet or has slipped out of its place says something a little more wrong each day",
        first="See that it lies right, dry and unhurt; then: warmtally compare.",
        otherwise="Its box's date is wrong by days, heat or cold may go unseen.",
        look=_look_drift,
        cleared_says="Probe steady again",
    ),
    Kind(
        name="calibration-due",
        says="Compare the probes",
        urgency="later",
        raises="probes of a stack were last compared a year ago, or never, while its boxes seem unequally warm",
        clears="they were compared side by side",
        why="what two probes differ by looks like a difference between two boxes",
        first="Put all probes of the stack into one box: warmtally compare.",
        otherwise="A difference between boxes may be one between probes.",
        look=_look_due,
        tell_cleared=False,
    ),
)
