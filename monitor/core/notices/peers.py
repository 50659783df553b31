"""Peers: what a probe says, corrected, and the others by which it is judged. Whoever is suspect is nobody's peer."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.core.notices.snapshot import Heard, ProbeNow, Snapshot
from monitor.core.readings.series import Series
from monitor.core.terms.settings import Probe, Quantity


def where_of(p: Probe) -> str:
    return f"probe {p.id} (box {p.box})" if p.box is not None else f"probe {p.id}"


def heard_of(snapshot: Snapshot) -> Iterable[tuple[ProbeNow, Heard]]:
    """The probes of which something was heard."""
    for probe in snapshot.probes:
        if probe.heard is not None:
            yield probe, probe.heard


def stack_of(probe: ProbeNow, snapshot: Snapshot) -> list[ProbeNow]:
    """The other believed probes of the same quantity in the same stack."""
    alike = snapshot.once(_believed).get((_stack_of(probe, snapshot), probe.probe.quantity), [])
    return [p for p in alike if p.probe.id != probe.probe.id]


def _believed(snapshot: Snapshot) -> dict[tuple[str | None, Quantity], list[ProbeNow]]:
    """The believed probes that were heard, by stack and quantity."""
    found: dict[tuple[str | None, Quantity], list[ProbeNow]] = {}
    for p in snapshot.probes:
        if p.heard is not None and snapshot.believes(p.probe.id, "peers"):
            found.setdefault((_stack_of(p, snapshot), p.probe.quantity), []).append(p)
    return found


def others_of(probe: ProbeNow, snapshot: Snapshot) -> list[ProbeNow]:
    """Those of :func:`stack_of` that are in boxes for one in a box, if there are any; or in the air for one there."""
    found = stack_of(probe, snapshot)
    alike = [p for p in found if (p.probe.box is None) == (probe.probe.box is None)]
    return alike or found


def said_by(peers: Iterable[ProbeNow], snapshot: Snapshot, *, correct: bool = False) -> list[Series]:
    """What peers said in the last day while they were believed; of those that said anything."""
    found = []
    for p in peers:
        if p.heard is None:
            continue
        series = (p.corrected if correct else None) or p.heard.usable
        at, value = series
        if not snapshot.belief.spans(p.probe.id, "peers"):
            found += [series] if len(at) else []
            continue
        good = snapshot.belief.mask(p.probe.id, at, "peers")
        if good.all():
            found += [series] if len(at) else []
        elif good.any():
            found.append((at[good], value[good]))
    return found


def air_of(probe: ProbeNow, snapshot: Snapshot) -> tuple[str, Series] | None:
    """The believed air probe of a box's stack that is nearest in height, with its corrected readings; None without
    any."""
    box = snapshot.room.box(probe.probe.box) if probe.probe.box is not None else None
    near = [
        (abs(q.probe.height_cm - box.height_cm), q.probe.id, s[0])
        for q in (snapshot.air_probes(box.stack) if box is not None else ())
        if box is not None
        and q.probe.height_cm is not None
        and snapshot.believes(q.probe.id, "peers")
        and (s := said_by([q], snapshot, correct=True))
    ]
    return min(near, key=lambda x: x[:2])[1:] if near else None


def boxes_beside(probe: ProbeNow, snapshot: Snapshot) -> list[Series]:
    """Corrected readings of the believed probes in the other boxes of the stack; of none that hangs in the air."""
    beside = [
        q
        for q in others_of(probe, snapshot)
        if q.probe.box is not None and snapshot.raised("probe-in-air", q.probe.id) is None
    ]
    return said_by(beside, snapshot, correct=True)


def _stack_of(probe: ProbeNow, snapshot: Snapshot) -> str | None:
    place = snapshot.room.height_of(probe.probe)
    return None if place is None else place[0]
