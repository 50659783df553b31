"""Doubts: how a box's temperature is judged against its limits, what is doubtful of that, and what to do first then.

A limit is judged by whatever is heard, and told. Where something was found of the box's probe that is likelier than
that the box is so warm or cool, the notice begins with it, for as long as it is so, and asks for a look at the probe
first. And where a box cannot be seen while the others of its stack are beyond a limit, it is said that it most likely
is as well.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from monitor.core.notices.conditions import Condition, KindName
from monitor.core.notices.peers import air_of, boxes_beside
from monitor.core.notices.snapshot import BoxNow, ProbeNow, Snapshot
from monitor.core.readings.belief import FROM
from monitor.core.readings.gusts import GUST_C, goes_with_air, still_with_air
from monitor.core.readings.out_of_box import (
    InAir,
    closed_box,
    in_air,
    sudden_c,
)
from monitor.core.readings.probe_faults import room_like
from monitor.core.readings.series import joined
from monitor.core.terms.arrays import Values
from monitor.core.terms.formats import show_difference, show_temperature, show_time
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.values import dataclass

LOOK_AT_BOX: Final = "Look at the box's own thermometer and at the heat; then at the probe."
LOOK_AT_PROBE: Final = "Look whether its probe lies beside the eggs; then at the heat."
# What was told of a box's probe and makes its temperature doubtful, the likeliest first; and whether the probe is to be
# looked at before anything else.
DOUBTS: Final[Mapping[KindName, tuple[str, bool]]] = {
    "probe-unit": ("Its probe was told as speaking another unit.", True),
    "probe-stuck": ("Its probe was told as stuck: most likely it is not so.", True),
    "probe-out": ("Its probe was told as out of its box: this may be the air.", True),
    "probe-in-air": ("Its probe was told as hanging in the air: this may be the air.", False),
    "probe-drifting": ("Its probe was told as drifting away from the others.", False),
    "probe-jumps": ("Its probe was told as jumping.", False),
}
# Others that fell or rose by so much in three hours are on their way somewhere (judgement).
TOGETHER_C: Final = 1.0
TOGETHER_MS: Final = 3 * HOUR_MS


@dataclass(frozen=True, slots=True)
class Doubt:
    """In one or two sentences; ``first``: what to do first because of it. Both empty: there is none."""

    text: str = ""
    first: str = ""


@dataclass(frozen=True, slots=True)
class Judged:
    """A box's temperatures as they are to be judged, shape (n,) as its readings, and what is doubtful of them.

    ``doubted_ms``: since when they are not sure to be its own (None: they are). What was said of the box before then
    they do not take back; what they said themselves, they do.
    """

    temperature_c: Values
    doubt: Doubt = Doubt()
    doubted_ms: int | None = None

    @property
    def now_c(self) -> float | None:
        return float(self.temperature_c[-1]) if len(self.temperature_c) else None


def judged(box: BoxNow, snapshot: Snapshot, *, warm: bool) -> Judged:
    """As heard, but for two cases.

    Where its one probe surely moves as only air does, they are what a closed box would be at in that air: it gets there
    later, and is told then. Surely: by the air's probe, and against the other boxes or its own past
    (:func:`in_air`, :func:`goes_with_air`). And of several probes, some of which are not believed, those that are
    believed are joined by themselves; the others may pass a limit, each alone, but not hide that it is passed.
    """
    inside = snapshot.probes_in(box.box.id)
    if not inside or not len(box.temperature_c):
        return Judged(box.temperature_c)
    if len(inside) > 1:
        return _of_several(box, inside, snapshot, warm=warm)
    (probe,) = inside
    own, now_ms = (box.time_ms, box.temperature_c), snapshot.now_ms
    found, others = air_of(probe, snapshot), boxes_beside(probe, snapshot)
    since = None
    if found is not None:
        moves, gust = in_air(own, found[1], others, now_ms), goes_with_air(own, found[1], others, now_ms)
        if isinstance(moves, InAir) and moves.news:
            since = moves.since_ms
        elif moves is None and gust is not None and still_with_air(own, found[1], gust.at_ms, now_ms):
            since = gust.at_ms
    if since is not None and snapshot.raised("probe-in-air", probe.probe.id) is None:
        values = closed_box(own, since)
        text = (
            f"Its probe may lie outside: it moves as the air does since {show_time(since, snapshot.zone, now_ms)}. A "
            f"closed box: about {show_temperature(float(values[-1]), snapshot.unit)}."
        )
        return Judged(values, Doubt(text, LOOK_AT_PROBE), since)
    return Judged(box.temperature_c, doubt_of(probe, snapshot), snapshot.disbelieved_ms(probe.probe.id, "sums"))


def _of_several(box: BoxNow, inside: Sequence[ProbeNow], snapshot: Snapshot, *, warm: bool) -> Judged:
    at, side = box.time_ms, 1.0 if warm else -1.0
    suspect = [p for p in inside if not snapshot.believes(p.probe.id, "sums")]
    if not suspect:
        return Judged(box.temperature_c)
    believed = [joined(s, at) for p in inside if p not in suspect and (s := p.corrected) is not None]
    doubted = [joined(s, at) for p in suspect if (s := p.corrected) is not None]
    table = np.vstack(believed) if believed else np.full((1, len(at)), np.nan)
    known = ~np.isnan(table)
    total, count = np.where(known, table, 0.0).sum(axis=0), known.sum(axis=0)
    mean = np.divide(total, count, out=np.full(len(at), np.nan), where=count > 0)
    worst = mean
    for values in doubted:
        worst = side * np.fmax(side * worst, side * values)
    worst = np.where(np.isnan(worst), box.temperature_c, worst)
    alone = bool(np.isnan(mean[-1])) or side * (worst[-1] - mean[-1]) > 0.0
    since = [ms for p in suspect if (ms := snapshot.disbelieved_ms(p.probe.id, "sums")) is not None]
    return Judged(worst, doubt_of(suspect[0], snapshot) if alone else Doubt(), None if believed else min(since))


def doubt_of(probe: ProbeNow, snapshot: Snapshot) -> Doubt:
    """What was told of a probe, or shows, that is a likelier cause of what it says than its box is."""
    for kind, (text, first) in DOUBTS.items():
        told = snapshot.raised(kind, probe.probe.id)
        if told is not None:
            return Doubt(_moved(told, snapshot) or text, LOOK_AT_PROBE if first else "")
    if not snapshot.believes(probe.probe.id, "advice"):
        return Doubt("Its probe was told as exchanged with another.", LOOK_AT_PROBE)
    own = probe.corrected
    if own is not None and len(own[1]) and not room_like(own):
        return Doubt("No egg room is at that: most likely its probe errs.", LOOK_AT_PROBE)
    moved_c = sudden_c(own, snapshot.now_ms) if own is not None else 0.0
    out = snapshot.condition("probe-out", probe.probe.id)
    # It was told as out, and is back since.
    back = out is not None and not out.up and snapshot.now_ms - (out.changed_ms or 0) < DAY_MS
    if abs(moved_c) < GUST_C or back:
        return Doubt()
    return Doubt(
        f"Its probe {'rose' if moved_c > 0 else 'fell'} {show_difference(abs(moved_c), snapshot.unit)} within 15 min: "
        "is the box open, or the probe outside?",
        LOOK_AT_PROBE,
    )


def _moved(told: Condition, snapshot: Snapshot) -> str:
    """How a probe went elsewhere, where that is how it was found."""
    moved, at = told.facts.get("moved_c"), told.facts.get(FROM)
    if not isinstance(moved, float) or not isinstance(at, int):
        return ""
    return (
        f"Most likely its probe lies outside, or fails: at {show_time(at, snapshot.zone, snapshot.now_ms)} it "
        f"{'fell' if moved < 0 else 'rose'} {show_difference(abs(moved), snapshot.unit)} at once, as no box can."
    )


# -- boxes that cannot be seen ------------------------------------------------------------------------------------


def blind(box_id: str, snapshot: Snapshot) -> bool:
    """Whether a box has probes of its own, and none of them says now how warm it is."""
    own = snapshot.probes_in(box_id)
    return bool(own) and not any(
        p.usable_ms is not None
        and snapshot.now_ms - p.usable_ms < p.probe.quiet_after_s * 1000
        and snapshot.believes(p.probe.id, "sums")
        for p in own
    )


def blind_too(box: BoxNow, snapshot: Snapshot, *, warm: bool) -> str:
    """Of a box beyond a limit: which others of its stack are not seen, and most likely as warm or cool; or nothing."""
    if blind(box.box.id, snapshot):
        return ""
    unseen = [b.id for b in snapshot.room.boxes if b.stack == box.box.stack and blind(b.id, snapshot)]
    if not unseen:
        return ""
    return f"Not measured now, and most likely too {'warm' if warm else 'cool'} as well: box {', '.join(unseen)}."


def others_of_blind(box_id: str, snapshot: Snapshot, *, unseen: bool = False) -> tuple[str, bool]:
    """What the seen boxes beside one that cannot be seen tell of it: that half of them or more are beyond a limit or on
    their way, in words; and whether it is the limit. Nothing where its stack is as it was.

    ``unseen``: it is known just now that its probe is not to be believed.
    """
    here = snapshot.room.box(box_id)
    if here is None or not (unseen or blind(box_id, snapshot)):
        return "", False
    seen = [
        b
        for b in snapshot.boxes
        if b.box.stack == here.stack and b.box.id != box_id and b.now_c is not None and not blind(b.box.id, snapshot)
    ]
    for warm in (False, True):
        beyond = [b for b in seen if _beyond(b, warm=warm)]
        if beyond and 2 * len(beyond) >= len(seen):
            at = [b.now_c for b in beyond if b.now_c is not None]
            shown = show_temperature(max(at) if warm else min(at), snapshot.unit)
            return f"Its box is most likely too {'warm' if warm else 'cool'}: others of its stack are at {shown}.", True
    moved = [m for b in seen if (m := _moved_lately(b, snapshot.now_ms)) is not None]
    middle = float(np.median(moved)) if moved else 0.0
    if abs(middle) < TOGETHER_C:
        return "", False
    return (
        f"Its box most likely {'cools' if middle < 0 else 'warms up'} too: the others of its stack "
        f"{'fell' if middle < 0 else 'rose'} by {show_difference(abs(middle), snapshot.unit)} within 3 h."
    ), False


def _beyond(box: BoxNow, *, warm: bool) -> bool:
    limit_c = box.limits.too_warm_c if warm else box.limits.too_cool_c
    if limit_c is None or box.now_c is None:
        return False
    return box.now_c >= limit_c if warm else box.now_c <= limit_c


def _moved_lately(box: BoxNow, now_ms: int) -> float | None:
    before = box.temperature_c[(box.time_ms <= now_ms - TOGETHER_MS) & (box.time_ms > now_ms - 2 * TOGETHER_MS)]
    return float(box.temperature_c[-1] - before[-1]) if len(before) else None
