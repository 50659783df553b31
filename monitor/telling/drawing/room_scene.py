"""What the picture of the room shows, and the table under it says: boxes by height, and when their eggs are expected.

A scene is made of a snapshot alone, so that page, picture and table show what the round judged.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import tzinfo
from typing import Final, Literal

import numpy as np

from monitor.core.climate.stacks import StackProfile
from monitor.core.development.lots import LotNow
from monitor.core.notices.snapshot import BoxNow, Snapshot
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.formats import show_dates, show_since, show_span, show_time
from monitor.core.terms.settings import DisplayUnit
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.telling.boxes import limits_words
from monitor.values import dataclass

# The last hours of which it is said whether a box gets warmer, and by how much it has to. Judgement, no source: a
# thermostat moves a box of damp substrate by a tenth of a degree.
TREND_H: Final = 3
TREND_LEAST_C: Final = 0.15
TREND_LEAST_READINGS: Final = 5
# Eggs that are done stay in the picture so long, and as long as others of their clutch still lie.
DONE_DAYS: Final = 4

EggsState = Literal["expected", "late", "pipping", "done", "no date"]


@dataclass(frozen=True)
class ShownEggs:
    """Eggs of a clutch in a box.

    ``window``: 10, 50 and 90 % of the next pip, all looks included (ms); ``missed``: the same of a window that is past,
    the eggs' own silent looks left out. ``inside``: hatchlings that have pipped and are in their eggs still; ``pips``:
    when so many were seen pipped. ``why``: there is no date.
    """

    clutch: str
    lot: str
    box: str
    state: EggsState
    waiting: int
    pipped: int
    hatched: int
    lost: int
    inside: int = 0
    development: float | None = None
    window: tuple[int, int, int] | None = None
    missed: tuple[int, int, int] | None = None
    wait_until_ms: int | None = None
    pips: tuple[tuple[int, int], ...] = ()
    closed_ms: int | None = None
    why: str = ""


@dataclass(frozen=True)
class ShownBox:
    """A box as it is now: ``now_c`` is None where nothing so new is known that it may be called that of now; then
    ``last_c`` and ``last`` say what was read last, and when.

    ``half_c``: twice the standard uncertainty; ``age``: how old its temperature is, where that is more than due;
    ``trend_c``: by how much it changed in the last hours; ``day_c``: its mean in the profile of its stack;
    ``limits``: both limits in words.
    """

    id: str
    stack: str
    height_cm: float
    now_c: float | None
    last_c: float | None = None
    last: str = ""
    half_c: float = math.inf
    age: str = ""
    estimated: str = ""
    trend_c: float | None = None
    day_c: float | None = None
    too_cool_c: float | None = None
    too_warm_c: float | None = None
    limits: str = ""
    eggs: tuple[ShownEggs, ...] = ()

    @property
    def beyond(self) -> Literal["too warm", "too cool", ""]:
        """Whether its temperature of now is at a limit, or past it."""
        if self.now_c is None:
            return ""
        if self.too_warm_c is not None and self.now_c >= self.too_warm_c:
            return "too warm"
        return "too cool" if self.too_cool_c is not None and self.now_c <= self.too_cool_c else ""


@dataclass(frozen=True)
class ShownStack:
    """A stack: its boxes from the uppermost down, and what its profile says of it (by how much one is warmer)."""

    id: str
    boxes: tuple[ShownBox, ...]
    difference_c: float | None = None
    difference_half_c: float = 0.0
    warmest: str = ""
    coolest: str = ""


@dataclass(frozen=True)
class RoomScene:
    """All of it, at ``now_ms``. ``elsewhere``: eggs whose box the room's file does not have."""

    room: str
    now_ms: int
    zone: tzinfo
    unit: DisplayUnit
    stacks: tuple[ShownStack, ...]
    elsewhere: tuple[ShownEggs, ...] = ()

    @property
    def boxes(self) -> tuple[ShownBox, ...]:
        return tuple(box for stack in self.stacks for box in stack.boxes)

    @property
    def eggs(self) -> tuple[ShownEggs, ...]:
        return tuple(eggs for box in self.boxes for eggs in box.eggs)


def room_scene(snapshot: Snapshot) -> RoomScene:
    """What is known of the room, as it is shown."""
    lots = shown_lots(snapshot.lots, snapshot.now_ms)
    places = {box.box.id for box in snapshot.boxes}
    stacks = []
    for name in snapshot.room.stacks:
        profile = next((p for p in snapshot.stacks if p.stack == name), None)
        boxes = [_box(b, snapshot, profile, lots) for b in snapshot.boxes if b.box.stack == name]
        if boxes:
            boxes.sort(key=lambda b: (-b.height_cm, b.id))
            stacks.append(_stack(name, boxes, profile))
    elsewhere = tuple(_eggs(x, snapshot.now_ms) for x in lots if x.lot.box not in places)
    return RoomScene(snapshot.room.name, snapshot.now_ms, snapshot.zone, snapshot.unit, tuple(stacks), elsewhere)


def shown_lots(lots: Sequence[LotNow], now_ms: int) -> list[LotNow]:
    """Eggs that lie in a box, and those that were done lately or whose clutch still lies somewhere; in the order in
    which they are expected."""
    lying = {x.lot.clutch for x in lots if x.lot.open and x.lot.waiting}

    def shown(x: LotNow) -> bool:
        if x.lot.moved_on or not x.lot.eggs_set:
            return False
        if x.lot.open and x.lot.eggs:
            return True
        since_ms = x.lot.closed_ms if x.lot.closed_ms is not None else max((p.by_ms for p in x.lot.pips), default=0)
        return bool(x.lot.pipped or x.lot.hatched) and (x.lot.clutch in lying or now_ms - since_ms < DONE_DAYS * DAY_MS)

    def due_ms(x: LotNow) -> float:
        return x.first_pip.window.p50_ms if x.first_pip is not None else math.inf

    return sorted((x for x in lots if shown(x)), key=lambda x: (not x.lot.waiting, due_ms(x), x.lot.id))


def _stack(name: str, boxes: Sequence[ShownBox], profile: StackProfile | None) -> ShownStack:
    if profile is None or len(profile.levels) < 2:
        return ShownStack(name, tuple(boxes))
    half_c = 2.0 * profile.difference_sd_c
    return ShownStack(name, tuple(boxes), profile.difference_c, half_c, profile.warmest, profile.coolest)


def _box(box: BoxNow, snapshot: Snapshot, profile: StackProfile | None, lots: Iterable[LotNow]) -> ShownBox:
    now_ms = snapshot.now_ms
    now_c, age_s = box.current_c(now_ms), box.age_s(now_ms)
    level = profile.level(f"box {box.box.id}") if profile is not None else None
    return ShownBox(
        box.box.id,
        box.box.stack,
        box.box.height_cm,
        now_c,
        last_c=box.now_c,
        last="" if box.at_ms is None else _moment(box.at_ms, snapshot.zone, now_ms),
        half_c=2.0 * box.uncertainty_c,
        age=f"{show_span(age_s)} ago" if now_c is not None and age_s is not None and age_s > box.due_s else "",
        estimated=box.estimated,
        trend_c=None if now_c is None else trend_c(box.time_ms, box.temperature_c, now_ms),
        day_c=None if level is None else level.mean_c,
        too_cool_c=box.limits.too_cool_c,
        too_warm_c=box.limits.too_warm_c,
        limits=limits_words(box, snapshot),
        eggs=tuple(_eggs(x, now_ms) for x in lots if x.lot.box == box.box.id),
    )


def _moment(at_ms: int, zone: tzinfo, now_ms: int) -> str:
    """A moment, as short as it can be told: "05:40", "Fri 05:40", "1 May"."""
    today = show_time(at_ms, zone, now_ms)
    if len(today) == len("05:40"):
        return today
    return show_since(at_ms, zone, now_ms) if now_ms - at_ms < 6 * DAY_MS else show_dates(at_ms, None, zone)


def trend_c(time_ms: Times, temperature_c: Values, now_ms: int) -> float | None:
    """By how much a box changed in the last hours: the least-squares slope over them (so that one reading decides
    nothing), 0 where it is less than shows; None where too little of them was measured."""
    inside = (time_ms > now_ms - TREND_H * HOUR_MS) & (time_ms <= now_ms)
    at, value = (time_ms[inside] - now_ms) / HOUR_MS, temperature_c[inside]
    if len(at) < TREND_LEAST_READINGS or at[-1] - at[0] < 2 / 3 * TREND_H:
        return None
    lever = at - at.mean()
    changed = float(lever @ (value - value.mean()) / (lever @ lever)) * TREND_H
    if not np.isfinite(changed):
        return None
    return changed if abs(changed) >= TREND_LEAST_C else 0.0


def _eggs(x: LotNow, now_ms: int) -> ShownEggs:
    lot, pip = x.lot, x.first_pip
    silence = pip.silence if pip is not None else None
    window = pip.window if pip is not None else None
    if lot.pipped and silence is not None and silence.rest is not None:
        window = silence.rest
    missed = pip.open_window if pip is not None and not lot.pipped and pip.open_window.p90_ms < now_ms else None
    state: EggsState
    if not lot.open or not lot.waiting:
        state, window, missed, silence = "done", None, None, None
    elif x.still_open or window is None:
        state = "no date"
    else:
        state = "pipping" if lot.pipped else "late" if missed is not None else "expected"
    return ShownEggs(
        lot.clutch,
        lot.id,
        lot.box,
        state,
        waiting=lot.waiting if lot.open else 0,
        pipped=lot.pipped,
        hatched=lot.hatched,
        lost=lot.dead,
        inside=lot.inside if lot.open else 0,
        development=x.past.development if x.past is not None and state != "done" else None,
        window=None if window is None or state == "no date" else (window.p10_ms, window.p50_ms, window.p90_ms),
        missed=None if missed is None else (missed.p10_ms, missed.p50_ms, missed.p90_ms),
        wait_until_ms=silence.wait_until_ms if silence is not None and state != "no date" else None,
        pips=tuple((p.by_ms, p.count) for p in lot.pips),
        closed_ms=lot.closed_ms,
        why=x.still_open or x.refused,
    )
