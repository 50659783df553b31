"""An invented room for examples of notices: one evening on which everything is wrong, and one on which nothing is."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

import numpy as np

from monitor.config.zones import zone_of
from monitor.core.climate.box_temperature import ProbesError
from monitor.core.climate.course import course
from monitor.core.climate.exposure import Exposure
from monitor.core.climate.stacks import Level, StackProfile
from monitor.core.development.lots import Ahead, FirstPip, Heat, LotNow, Past
from monitor.core.development.window import Cause, ExpectedRates, Window
from monitor.core.notices.by_calendar import daily, drill
from monitor.core.notices.conditions import Condition, Phase, Rule, Sample, Where
from monitor.core.notices.evaluation import evaluate
from monitor.core.notices.kinds import Kind, Look, all_kinds
from monitor.core.notices.notice import Notice
from monitor.core.notices.notices import digest
from monitor.core.notices.snapshot import (
    BoxNow,
    ClockNow,
    Health,
    LinkNow,
    ProbeNow,
    Service,
    Snapshot,
    StoreNow,
    known_course,
)
from monitor.core.terms.events import Clutch, Lot, Stay
from monitor.core.terms.formats import differences_in
from monitor.core.terms.settings import Box, Limits, Probe, Room, Watch
from monitor.core.terms.times import DAY_MS, HOUR_MS, MINUTE_MS

# An invented evening.
AT_MS: Final = round(datetime(2026, 6, 12, 19, 40, tzinfo=UTC).timestamp() * 1000)
_SPECIES: Final = "elaphe-taeniura"
_LIMITS: Final = Limits(31.0, 25.0, too_dry_pct=70.0, too_damp_pct=95.0)


def _room(of: Room) -> Room:
    """The keeper's name, zone, unit and texts, in a room of two boxes."""
    boxes = (Box("upper", "left", 150.0), Box("lower", "left", 60.0))
    probes = tuple(
        Probe(f"{box.id}-{what}", f"example/{box.id}/{what}", quantity, box=box.id)  # type: ignore[arg-type]
        for box in boxes
        for what, quantity in (("warmth", "temperature"), ("humidity", "humidity"))
    )
    watch = Watch(heading_s=2 * 3600.0, heater_since_ms=AT_MS - 30 * DAY_MS)
    return Room(of.name, of.zone, of.display_unit, ("left",), boxes, probes, _LIMITS, watch, texts=of.texts)


def _box(box: Box, hourly_c: float, now_c: float, humidity_pct: float) -> BoxNow:
    times = AT_MS - np.arange(180, -1, -1, dtype=np.int64) * MINUTE_MS
    values = now_c - hourly_c * np.arange(180, -1, -1, dtype=np.float64) / 60.0
    way = course(times, values, AT_MS)
    return BoxNow(
        box,
        _LIMITS,
        "of the room",
        times,
        values,
        0.29,
        "its own probe",
        humidity_pct,
        (f"K01/{box.id}",),
        31.5,
        24.0,
        known_course(way),
    )


def _lot(clutch: str, box: str, begins_days: float, expected_days: float) -> LotNow:
    p10, p90 = AT_MS + round(begins_days * DAY_MS), AT_MS + round((begins_days + 5.0) * DAY_MS)
    window = Window(
        p10, (p10 + p90) // 2, p90, (0.1, 0.9), (p10, p90), False, (Cause("eggs and clutches differ", 1.9),)
    )
    laid = AT_MS - 50 * DAY_MS
    eggs = Lot(f"{clutch}/{box}", clutch, box, (Stay(box, laid, None),), 6)
    return LotNow(
        eggs,
        Clutch(clutch, _SPECIES, laid, True, 12, (eggs,)),
        past=Past(0.86, mean_c=28.4 if box == "upper" else 27.6, error=ProbesError(0.29)),
        ahead=Ahead(28.3, 0.015, ExpectedRates(0.015, 0.02, 0.0), expected_days, -5.0),
        first_pip=FirstPip(window, window),
        heat=Heat(31.5, Exposure(11.0 * 3600, 3.0 * 3600, 0.0)),
    )


def evening(of: Room, *, wrong: bool) -> Snapshot:
    """The invented room at the invented moment, with the keeper's name, zone, unit and texts."""
    room = _room(of)
    upper, lower = room.boxes
    since = AT_MS - 2 * HOUR_MS
    started_ms = AT_MS - DAY_MS
    service = Service(
        started_ms, store=StoreNow("", 5000.0), channels={"phone": Health()}, shipping=Health(), heartbeat=Health()
    )
    if wrong:
        service = Service(
            started_ms,
            LinkNow("refused", detail="not authorised"),
            StoreNow("no space left on the disk", 120.0),
            ClockNow(False, "it was set forward by an hour"),
            {"phone": Health(since, "no route to the host")},
            Health(since),
            Health(since),
        )
    apart_c = 1.4 if wrong else 0.3
    levels = (Level("box lower", 60.0, 27.9, 0.29, False), Level("box upper", 150.0, 27.9 + apart_c, 0.29, False))
    stack = StackProfile(
        "left", levels, apart_c, 0.41, apart_c / 0.9, "box upper", "box lower", AT_MS - DAY_MS, AT_MS, 24
    )
    last = AT_MS - 40 * MINUTE_MS if wrong else AT_MS - MINUTE_MS
    probes = [ProbeNow(p, AT_MS - MINUTE_MS, 28.0, 1, AT_MS - MINUTE_MS) for p in room.probes]
    probes[0] = replace(probes[0], last_ms=last, usable_ms=last)
    if wrong:
        probes[2] = replace(probes[2], usable_ms=None, unread=5, unread_reason="no number at /value")
    warm = Condition("too-warm", "upper", Phase.RAISED, since, since, None, acknowledged_ms=since, told=1)
    near = (
        ("K01", "upper", 4.0, 9.0),
        ("K01", "lower", 9.0, 14.0),
        ("K02", "upper", -1.0, 4.0),
        ("K03", "lower", -14.0, 1.0),
    )
    return Snapshot(
        AT_MS,
        room,
        zone_of(of.zone),
        service,
        probes=tuple(probes),
        boxes=(
            _box(upper, 1.1 if wrong else 0.0, 31.9 if wrong else 29.0, 97.0 if wrong else 88.0),
            _box(lower, -0.9 if wrong else 0.0, 24.3 if wrong else 28.2, 58.0 if wrong else 88.0),
        ),
        lots=tuple(_lot(*x) for x in near) if wrong else (),
        stacks=(stack,),
        conditions={warm.key: warm} if wrong else {},
    )


def _looks(kind: Kind, of: Room, *, wrong: bool) -> list[Look]:
    """What an example tells of, two subjects at most; where the invented evening has none, the kind's own words."""
    snapshot = evening(of, wrong=wrong)
    if not wrong:
        # What was told of a box until now.
        told_ms = AT_MS - 30 * MINUTE_MS
        up = [Condition(kind.name, b.box.id, Phase.RAISED, told_ms, told_ms, None, told_ms) for b in snapshot.boxes]
        snapshot = replace(snapshot, conditions={c.key: c for c in up})
    there = list(kind.look(snapshot))
    wanted = Where.BEYOND if wrong else Where.BACK
    found = [x for x in there if x.samples and x.samples[-1].where is wanted and x.line][:2]
    if not found:
        subject, where = ("upper-warmth", "probe upper-warmth") if "probe" in kind.name else ("upper", "box upper")
        if there:
            subject, where = there[0].subject, there[0].where
        words = differences_in(kind.raises if wrong else kind.clears, of.display_unit)
        found = [Look(subject, (), where, f"{where}: {words}")]
    return found


def _notices(
    kind: Kind, looks: list[Look], before: Iterable[Condition], samples: Sequence[Sample], of: Room
) -> list[Notice]:
    """What a kind tells when its looks come to these samples."""
    seen = [replace(x, samples=samples, rule=Rule()) for x in looks]
    snapshot = replace(evening(of, wrong=False), conditions={c.key: c for c in before})
    return list(evaluate(snapshot, [replace(kind, look=lambda _: seen)]).notices)


def examples(kind: Kind, of: Room) -> list[Notice]:
    """The notices of a kind as the keeper would get them: raised, still, cleared, as far as the kind has them."""
    since, beyond = AT_MS - 30 * MINUTE_MS, Sample(AT_MS, Where.BEYOND)
    looks = _looks(kind, of, wrong=True)
    made = _notices(kind, looks, (), [replace(beyond, at_ms=since), beyond], of)
    if kind.urgency != "later":
        long_ago = AT_MS - 13 * HOUR_MS
        up = [
            Condition(kind.name, x.subject, Phase.RAISED, long_ago, long_ago, None, long_ago, told_ms=long_ago, told=2)
            for x in looks
        ]
        made += _notices(kind, looks, up, [beyond], of)
    if kind.tell_cleared:
        looks = _looks(kind, of, wrong=False)
        up = [
            Condition(kind.name, x.subject, Phase.RAISED, since, since, None, since, told_ms=since, told=1)
            for x in looks
        ]
        made += _notices(kind, looks, up, [Sample(AT_MS, Where.BACK)], of)
    return made


def examples_beside(of: Room) -> list[Notice]:
    """What is told beside the conditions: the daily line, the weekly drill, and several that could not be delivered."""
    snapshot = evening(of, wrong=True)
    late = [n for kind in all_kinds() if kind.name in {"too-warm", "window-near"} for n in examples(kind, of)[:1]]
    return [daily(snapshot), drill(snapshot), digest(late, "phone", AT_MS, snapshot.zone, of.texts)]
