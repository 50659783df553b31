"""A simulated room through the evaluation, as the service sees it: readings, boxes with their course, conditions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC
from functools import cache, partial

import numpy as np

from monitor.core.climate.course import course, worth_knowing
from monitor.core.notices.conditions import Condition
from monitor.core.notices.evaluation import evaluate
from monitor.core.notices.notice import Notice
from monitor.core.notices.snapshot import BoxNow, Heard, ProbeNow, Service, Snapshot, no_course
from monitor.core.readings.probe_clocks import Log, looked_at, righted
from monitor.core.terms.settings import Box, Limits, Probe, Room
from monitor.core.terms.times import HOUR_MS
from monitor.simulation.room import Act, Action, Heater, SimBox, SimProbe, SimRoom, SimSetting

SETTING = SimSetting(
    boxes=(SimBox("low", 60.0), SimBox("high", 140.0)),
    probes=(
        SimProbe("low-t", box="low"),
        SimProbe("high-t", box="high"),
        SimProbe("high-h", box="high", quantity="humidity", noise=0.3, lsb=0.1),
        SimProbe("air-t", height_cm=100.0),
    ),
    heater=Heater(kind="proportional", lift_c=30.0, looks_every_s=300.0),
    outdoors_c=10.0,
)


def act(at_h: float, what: Act, subject: str = "", value: float | None = None) -> Action:
    """``at_h``: hours after the day of history that each run begins with."""
    return Action((24.0 + at_h) * 3600.0, what, subject, value)


@dataclass
class Played:
    """What was told, hours after the day of history, and the conditions at the end."""

    told: list[tuple[float, Notice]] = field(default_factory=list)
    conditions: dict[tuple[str, str], Condition] = field(default_factory=dict)
    last: Snapshot | None = None

    def of(self, kind: str, change: str = "raised") -> list[tuple[float, Notice]]:
        return [(h, n) for h, n in self.told if (n.kind, n.change) == (kind, change)]

    @property
    def kinds(self) -> set[str]:
        return {n.kind for _, n in self.told}


def play(
    script: Iterable[Action],
    hours: float,
    *,
    limits: Limits | None = None,
    profile: tuple[float | None, float | None] = (None, None),
    every_min: float = 5.0,
    setting: SimSetting = SETTING,
    shown: Mapping[str, Mapping[str, object]] | None = None,
    late_s: float = 0.0,
    answered_after_h: float | None = None,
    heading_s: float = 0.0,
) -> Played:
    """Play a script, after a day of history.

    ``profile``: lowest and highest temperature of the eggs' profile; ``shown``: changed settings of probes by id;
    ``late_s``: how far the probes' clocks are behind; ``answered_after_h``: when the keeper answers all;
    ``heading_s``: how early it is told that a box is heading for a limit (0: not).
    """
    room = _room(setting, limits or Limits(31.0, 25.0), shown or {})
    room = replace(room, watch=replace(room.watch, heading_s=heading_s))
    sim = SimRoom(setting, script, seed=11)
    step_ms = round(every_min * 60_000)
    rows: dict[str, list[tuple[int, float]]] = {p.id: [] for p in room.probes}
    played = Played()
    now_ms = 0
    while now_ms < (24.0 + hours) * HOUR_MS:
        now_ms += step_ms
        sim.advance(now_ms / 1000)
        for probe, value in sim.read().items():
            celsius = (value - 32) / 1.8 if _unit(room, probe) == "F" else value
            rows[probe].append((now_ms, celsius))
        if now_ms <= 24.0 * HOUR_MS:
            continue
        snapshot = _snapshot(room, rows, now_ms, profile, played.conditions, round(late_s * 1000))
        outcome = evaluate(snapshot)
        played.conditions |= {c.key: c for c in outcome.conditions}
        played.told += [(now_ms / HOUR_MS - 24.0, n) for n in outcome.notices]
        played.last = snapshot
        if answered_after_h is not None and now_ms / HOUR_MS - 24.0 >= answered_after_h:
            answered_after_h = None
            for key, c in played.conditions.items():
                played.conditions[key] = replace(c, acknowledged_ms=now_ms)
    return played


def _unit(room: Room, probe: str) -> str:
    found = room.probe(probe)
    assert found is not None
    return found.unit


def _room(setting: SimSetting, limits: Limits, shown: Mapping[str, Mapping[str, object]]) -> Room:
    probes = []
    for p in setting.probes:
        probe = Probe(
            p.id,
            f"t/{p.id}",
            p.quantity,
            "%" if p.quantity == "humidity" else "C",
            interval_s=300.0,
            quiet_after_s=1200.0,
            box=p.box or None,
            stack=None if p.box else "rack",
            height_cm=None if p.box else p.height_cm,
            standard_uncertainty=1.5 if p.quantity == "humidity" else 0.1,
            compared=True,
        )
        probes.append(replace(probe, **shown.get(p.id, {})))  # type: ignore[arg-type]
    boxes = tuple(Box(b.id, "rack", b.height_cm) for b in setting.boxes)
    # How far apart the boxes are is no part of it.
    return Room("sim", "UTC", "C", ("rack",), boxes, tuple(probes), limits)


def _snapshot(
    room: Room,
    rows: Mapping[str, list[tuple[int, float]]],
    now_ms: int,
    profile: tuple[float | None, float | None],
    conditions: Mapping[tuple[str, str], Condition],
    late_ms: int,
) -> Snapshot:
    probes, series = [], {}
    for probe in room.probes:
        day = [(t, v) for t, v in rows[probe.id][-288:] if t > now_ms - 24 * HOUR_MS]
        at, value = np.array([t for t, _ in day], np.int64), np.array([v for _, v in day])
        low, high = (0.0, 100.0) if probe.quantity == "humidity" else (-40.0, 80.0)
        good = (value >= low) & (value <= high)
        flag = np.where(good, 1, 4).astype(np.uint8)
        timed = np.ones(len(at), bool)
        clock = looked_at(probe.id, None, Log.empty().with_more(at - late_ms, at), trusted=True)[1]
        heard = Heard(righted(at - late_ms, at, timed, [clock] if clock else []), value, flag, at, timed)
        fine = np.flatnonzero(good)
        probes.append(
            ProbeNow(
                probe,
                int(at[-1]) if len(at) else None,
                float(value[-1]) if len(at) else None,
                int(flag[-1]) if len(at) else None,
                int(at[fine[-1]]) if len(fine) else None,
                first_ms=0,
                heard=heard,
                clock=clock,
            )
        )
        series[probe.id] = at[good], value[good]
    boxes = []
    for box in room.boxes:
        own = room.probes_in(box.id)[0]
        at, value = series[own.id]
        humidity = [series[p.id][1][-1] for p in room.probes_in(box.id, "humidity") if len(series[p.id][1])]
        estimate = no_course
        air_at, air = series["air-t"]
        if worth_knowing(at, value, now_ms, room.limits.too_cool_c, room.limits.too_warm_c, air):
            estimate = cache(partial(course, at, value, now_ms, air_ms=air_at, air_c=air))
        boxes.append(
            BoxNow(
                box,
                room.limits,
                "of the room",
                at,
                value,
                0.1,
                "its own probe",
                float(humidity[0]) if humidity else None,
                (f"K01/{box.id}",),
                profile[1],
                profile[0],
                estimate,
            )
        )
    service = Service(started_ms=-10 * HOUR_MS)
    return Snapshot(now_ms, room, UTC, service, tuple(probes), tuple(boxes), conditions=dict(conditions))
