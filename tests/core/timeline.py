"""Scripted courses of a room: readings and the service's state, tick by tick, through the evaluation."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.core.climate.box_temperature import ProbesError
from monitor.core.climate.stacks import Level, StackProfile
from monitor.core.development.lots import Ahead, FirstPip, LotNow, Past, Silence
from monitor.core.development.window import Cause, ExpectedRates, Window
from monitor.core.notices.conditions import Condition, Transition
from monitor.core.notices.evaluation import Outcome, evaluate
from monitor.core.notices.grouping import Telling
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.notice import Notice
from monitor.core.notices.snapshot import BoxNow, ProbeNow, Service, Snapshot
from monitor.core.terms.events import Clutch, Flag, Lot, PipSeen, Reading, Stay
from monitor.core.terms.settings import Box, DisplayUnit, Limits, Probe, Room, Watch
from monitor.core.terms.times import DAY_MS, HOUR_MS
from tests.core.lots import changed

MINUTE = 60_000
START = round(datetime(2026, 5, 1, 7, tzinfo=UTC).timestamp() * 1000)
BOXES = ("a", "b", "c", "d", "e")


def a_room(boxes: Sequence[str] = BOXES, unit: DisplayUnit = "C", zone: str = "Europe/Vienna") -> Room:
    """One stack; each box has a probe that reports every minute."""
    return Room(
        "back room",
        zone,
        unit,
        ("left",),
        tuple(Box(b, "left", 40.0 + 20 * i) for i, b in enumerate(boxes)),
        tuple(Probe(f"p-{b}", f"t/{b}", box=b) for b in boxes),
        Limits(31.0, 25.0),
        # Repeats have their own tests; a course is told by what began and what ended.
        Watch(repeat_now_s=0.0, repeat_today_s=0.0),
    )


Times = NDArray[np.int64]
Values = NDArray[np.float64]
Course = Callable[[float], float | None]


def steady(_: float) -> float:
    return 28.0


@dataclass
class Script:
    """What the probes say: minutes since the start -> degrees, or nothing. Boxes without a course say 28.0."""

    room: Room = field(default_factory=a_room)
    courses: Mapping[str, Course] = field(default_factory=dict)
    hours: float = 3.0
    extra: Sequence[Reading] = ()
    service: Callable[[int], Service] = lambda _: Service(started_ms=START - 10 * HOUR_MS)
    more: Callable[[int], Mapping[str, object]] = lambda _: {}

    def __post_init__(self) -> None:
        self._made = -1
        self._tables: dict[str, tuple[Times, Times, Values, Times]] = {}
        self.readings: list[Reading] = list(self.extra)
        for i, probe in enumerate(self.room.probes):
            course = self.courses.get(probe.box or probe.id, steady)
            step = probe.interval_s / 60
            # Probes do not speak at one moment.
            minute = -30.0 + 0.1 * i
            while minute <= self.hours * 60:
                value = course(minute)
                if value is not None:
                    at = START + round(minute * MINUTE)
                    self.readings.append(Reading(probe.id, at, value, at, Flag.GOOD))
                minute += step

    def _table(self, probe: str) -> tuple[Times, Times, Values, Times]:
        """Columns of a probe's readings in order of time; made anew when readings were added."""
        if self._made != len(self.readings):
            self._made, self._tables = len(self.readings), {}
        if probe not in self._tables:
            rows = sorted((r for r in self.readings if r.probe == probe), key=lambda r: r.at_ms)
            self._tables[probe] = (
                np.array([r.at_ms for r in rows], np.int64),
                np.array([r.received_ms for r in rows], np.int64),
                np.array([r.value for r in rows], np.float64),
                np.array([int(r.flag) for r in rows], np.int64),
            )
        return self._tables[probe]

    def snapshot(self, now_ms: int, conditions: Mapping[tuple[str, str], Condition]) -> Snapshot:
        probes, boxes = [], []
        series: dict[str, tuple[Times, Values]] = {}
        for probe in self.room.probes:
            at, received, value, flag = self._table(probe.id)
            known = np.flatnonzero((received <= now_ms) & (at <= now_ms) & (at >= now_ms - 24 * HOUR_MS))
            good = known[flag[known] <= 2]
            series[probe.id] = at[good], value[good]
            probes.append(
                ProbeNow(
                    probe,
                    int(at[known[-1]]) if len(known) else None,
                    float(value[known[-1]]) if len(known) else None,
                    int(flag[known[-1]]) if len(known) else None,
                    int(at[good[-1]]) if len(good) else None,
                )
            )
        for box in self.room.boxes:
            time_ms, temperature_c = series[self.room.probes_in(box.id)[0].id]
            limits = replace(
                self.room.limits,
                too_warm_c=box.too_warm_c or self.room.limits.too_warm_c,
                too_cool_c=box.too_cool_c or self.room.limits.too_cool_c,
            )
            boxes.append(
                BoxNow(
                    box,
                    limits,
                    "of the room",
                    time_ms,
                    temperature_c,
                    0.29,
                    "its own probe",
                )
            )
        whole = Snapshot(
            now_ms,
            self.room,
            ZoneInfo(self.room.zone),
            self.service(now_ms),
            tuple(probes),
            tuple(boxes),
            conditions=dict(conditions),
        )
        return replace(whole, **self.more(now_ms))  # type: ignore[arg-type]


@dataclass
class Run:
    """Ticks through a script; keeps the conditions as a store does. ``kinds``: these alone, else all."""

    script: Script
    conditions: dict[tuple[str, str], Condition] = field(default_factory=dict)
    outcomes: list[Outcome] = field(default_factory=list)
    kinds: Sequence[Kind] | None = None

    def tick(self, now_ms: int) -> Outcome:
        outcome = evaluate(self.script.snapshot(now_ms, self.conditions), self.kinds)
        self.conditions |= {c.key: c for c in outcome.conditions}
        self.outcomes.append(outcome)
        return outcome

    def go(self, from_min: float, to_min: float, every_s: float = 120.0) -> Run:
        for s in np.arange(from_min * 60, to_min * 60 + 0.001, every_s):
            self.tick(START + round(float(s) * 1000))
        return self

    @property
    def notices(self) -> list[Notice]:
        return [n for o in self.outcomes for n in o.notices]

    def told(self) -> list[tuple[str, str, str, float]]:
        """(kind, change, subjects, minutes since the start) of every notice."""
        return [
            (n.kind, n.change, " ".join(sorted(n.subjects)), round((n.at_ms - START) / MINUTE, 2)) for n in self.notices
        ]

    def moves(self, *kinds: str) -> list[tuple[str, str, str, int]]:
        """(kind, subject, change, since) of every transition."""
        return sorted(
            (t.kind, t.subject, t.change, t.since_ms)
            for o in self.outcomes
            for t in o.transitions
            if not kinds or t.kind in kinds
        )


def said_of(look: Look) -> str:
    """All that a look says, in the order in which it is told."""
    return " ".join(filter(None, [look.doubt, look.cause, f"{look.line}.", *look.more]))


def without_minutes(told: Iterable[tuple[str, str, str, float]]) -> list[tuple[str, str, str]]:
    return [x[:3] for x in told]


def a_lot(
    lot: str = "K01/a",
    *,
    p10_ms: int = START + 20 * 24 * HOUR_MS,
    days: float = 4.0,
    waiting: int = 6,
    pipped: int = 0,
    remaining: float = 22.0,
    **more: object,
) -> LotNow:
    """A lot with a window that begins at ``p10_ms`` and is ``days`` long."""
    clutch, box = lot.split("/")
    p90 = p10_ms + round(days * 24 * HOUR_MS)
    window = Window(
        p10_ms, (p10_ms + p90) // 2, p90, (0.1, 0.9), (p10_ms, p90), False, (Cause("eggs and clutches differ", 1.4),)
    )
    pips = (PipSeen(None, START, pipped),) if pipped else ()
    eggs = Lot(lot, clutch, box, (Stay(box, START - 40 * DAY_MS, None),), waiting + pipped, pips=pips)
    rates = ExpectedRates(0.015, 0.02, 0.0)
    base = LotNow(
        eggs,
        Clutch(clutch, "elaphe-taeniura", START - 40 * DAY_MS, True, waiting + pipped, (eggs,)),
        past=Past(0.6, 500.0, 12.0, 28.0, error=ProbesError(0.29)),
        ahead=Ahead(28.1, 0.015, rates, remaining, -5.0),
        first_pip=FirstPip(window, window, Silence(0.97, 0.8, p10_ms + round(1.8 * days * DAY_MS))),
    )
    return changed(base, **more)


def a_profile(difference_c: float, *, sd_c: float = 0.41, compared: bool = False, hours: int = 24) -> StackProfile:
    levels = (
        Level("box a", 40.0, 28.0, 0.29, compared),
        Level("box e", 120.0, 28.0 + difference_c, 0.29, compared),
    )
    return StackProfile(
        "left", levels, difference_c, sd_c, difference_c / 0.8, "box e", "box a", START, START + 24 * HOUR_MS, hours
    )


def tell_of(
    kind: Kind,
    moves: Sequence[Transition],
    looks: Mapping[str, Look],
    before: Mapping[tuple[str, str], Condition] | None = None,
) -> Telling:
    """All of some changes, to be worded; what is up ``before`` was told."""
    last = {t.subject: t for t in moves}
    up = {c.subject for c in (before or {}).values() if c.up}
    passed = {t.subject: t for t in moves if t.change == "raised" and last[t.subject].change == "cleared"}
    passed = {s: t for s, t in passed.items() if s not in up}
    new = tuple(t for t in last.values() if t.change == "raised")
    ended = tuple(t for t in last.values() if t.change == "cleared")
    if not kind.tell_cleared:
        new, ended = (*new, *(t for s, t in passed.items() if s in looks)), ()
    joins = kind.groups and bool(new) and not up <= {t.subject for t in new}
    return Telling(new=new, joins=joins, ended=ended, passed=passed)
