"""Boxes and stacks of one moment: their temperature, their limits, where they are heading, the vertical profile."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import cache
from typing import Literal

import numpy as np

from monitor.core.climate import stacks
from monitor.core.climate.box_temperature import BoxSeries, Series
from monitor.core.climate.course import LOOK_BACK_S, Course, course, worth_knowing
from monitor.core.notices.snapshot import DUE_INTERVALS, BoxNow, no_course
from monitor.core.readings.late_readings import Late, late
from monitor.core.terms.events import Clutch, Lot
from monitor.core.terms.settings import Box, Limits, Probe, Room
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.memo import Memo
from monitor.derived.readings import RoomReadings
from monitor.derived.species import SpeciesBook

COURSE_EVERY_MS = 5 * 60_000


class Boxes:
    """The boxes of one room's store. Belongs to one thread, like its store."""

    def __init__(self, room: Room, readings: RoomReadings, book: SpeciesBook) -> None:
        self._room = room
        self._readings = readings
        self._book = book
        self._courses: Memo[Callable[[], Course | None]] = Memo()

    def now(self, box: Box, now_ms: int, inside: Sequence[tuple[Clutch, Lot]]) -> BoxNow:
        """A box; ``inside``: the eggs that lie in it."""
        limits, source = self.limits(box, [clutch.species for clutch, _ in inside])
        series = self._readings.box_series(
            box, max(now_ms - 24 * HOUR_MS, self._readings.recent_from), now_ms + 1, as_heard=True
        )
        newest = self._newest(box, now_ms)
        humidity = None
        for probe in self._room.probes_in(box.id, "humidity"):
            c = self._readings.recent(probe.id, now_ms)
            last = c.last_usable
            if last is not None and c.at[last] > now_ms - probe.quiet_after_s * 1000:
                humidity = float(c.value[last]) + probe.correction
        profiles = [p for clutch, _ in inside if (p := self._book.of(clutch.species).profile) is not None]
        return BoxNow(
            box,
            limits,
            source,
            series.time_ms,
            series.temperature_c,
            series.uncertainty_c,
            series.source,
            humidity,
            tuple(lot.id for _, lot in inside),
            min((p.high_limit_c for p in profiles if p.high_limit_c is not None), default=None),
            max((p.low_limit_c for p in profiles if p.low_limit_c is not None), default=None),
            self._course(box, series, limits, now_ms),
            self._late(box, now_ms),
            due_s=DUE_INTERVALS * max((p.interval_s for p in newest), default=300.0),
            quiet_after_s=max((p.quiet_after_s for p in newest), default=900.0),
            estimated="" if self._room.probes_in(box.id) else self._whence(box, newest),
        )

    def _newest(self, box: Box, now_ms: int) -> list[Probe]:
        """Whose readings its temperature is made of now: its own probe that spoke last; of a box without one, those of
        its stack that are heard, or the one of them that spoke last."""
        own, around = self._readings.probes_for(box)
        ages = {}
        for probe in own or [p for _, p in around]:
            c = self._readings.recent(probe.id, now_ms)
            newest = c.last_usable
            if newest is not None:
                ages[probe] = (now_ms - int(c.at[newest])) / 1000.0
        last = sorted(ages, key=lambda p: ages[p])[:1]
        heard = [p for p in ages if ages[p] < p.quiet_after_s]
        return last if own else heard or last

    def _whence(self, box: Box, probes: Sequence[Probe]) -> str:
        """Where the temperature of a box without a probe comes from: by height from what lies next above and below."""
        near: dict[str, tuple[float, str]] = {}
        for probe in probes:
            _, height_cm = self._room.height_of(probe) or (box.stack, box.height_cm)
            off_cm = height_cm - box.height_cm
            side = "above" if off_cm > 0 else "below" if off_cm < 0 else "beside"
            near[side] = min(near.get(side, (math.inf, "")), (abs(off_cm), "air" if probe.box is None else "box"))
        if "beside" in near:
            near = {"beside": near["beside"]}
        if not near:
            return ""
        kinds = {kind for _, kind in near.values()}
        what = "box and air" if len(kinds) > 1 else "the air" if kinds == {"air"} else "the box"
        if what == "the box" and len(near) > 1:
            what = "the boxes"
        return f"from {what} {' and '.join(sorted(near))}"

    def _late(self, box: Box, now_ms: int) -> Late | None:
        """What came late of a box's own probes within the last day: the newest run of it."""
        traces = [self._readings.recent(p.id).between(now_ms - DAY_MS + 1, 2**62) for p in self._room.probes_in(box.id)]
        timed = [c if good.all() else c.take(good) for c in traces if (good := c.usable & c.timed).any()]
        if not timed:
            return None
        return late(np.concatenate([c.at for c in timed]), np.concatenate([c.received for c in timed]), now_ms)

    def _course(self, box: Box, series: BoxSeries, limits: Limits, now_ms: int) -> Callable[[], Course | None]:
        """Where a box is heading, if any limit makes that worth knowing; anew each five minutes, and worked out when it
        is first asked for, from what was gathered here."""
        cut_ms = now_ms // COURSE_EVERY_MS * COURSE_EVERY_MS
        return self._courses.of(box.id, cut_ms, lambda: self._course_at(cut_ms, box, series, limits))

    def _course_at(self, cut_ms: int, box: Box, series: BoxSeries, limits: Limits) -> Callable[[], Course | None]:
        air = self._air_beside(box, cut_ms)
        air_c = air.temperature_c if air else None
        until = int(series.time_ms.searchsorted(cut_ms, "right"))
        at_ms, temperature_c = series.time_ms[:until], series.temperature_c[:until]
        if not worth_knowing(at_ms, temperature_c, cut_ms, limits.too_cool_c, limits.too_warm_c, air_c):
            return no_course
        air_ms = air.time_ms if air else None
        return cache(lambda: course(at_ms, temperature_c, cut_ms, air_ms=air_ms, air_c=air_c))

    def _air_beside(self, box: Box, cut_ms: int) -> Series | None:
        """The last hours of the air probe of the box's stack that is nearest to it in height."""
        heights = [
            (abs(p.height_cm - box.height_cm), p.id, p)
            for p in self._room.probes
            if p.quantity == "temperature" and p.box is None and p.stack == box.stack and p.height_cm is not None
        ]
        if not heights:
            return None
        beside = min(heights)[2]
        trace = self._readings.columns([beside], cut_ms - round(LOOK_BACK_S * 1000), cut_ms + 1)[beside.id]
        return self._readings.series(beside, trace, "advice")

    def limits(self, box: Box, species: Iterable[str]) -> tuple[Limits, str]:
        """The limits of a box: its own, else the room's, else the strictest of the profiles in it."""
        room = self._room.limits
        profiles = [p for name in species if (p := self._book.of(name).profile) is not None]
        highs = [p.high_limit_c for p in profiles if p.high_limit_c is not None]
        lows = [p.low_limit_c for p in profiles if p.low_limit_c is not None]
        source = []
        warm, cool = box.too_warm_c, box.too_cool_c
        if warm is not None or cool is not None:
            source.append("set for the box")
        if warm is None:
            warm = min(highs) if highs and room.too_warm_c is None else room.too_warm_c
        if cool is None:
            cool = max(lows) if lows and room.too_cool_c is None else room.too_cool_c
        if not source:
            source.append(
                "of the room" if room.too_warm_c is not None or room.too_cool_c is not None else "of the profile"
            )
        return replace(room, too_warm_c=warm, too_cool_c=cool), " and ".join(source)

    def stack_profile(
        self, stack: str, now_ms: int, over_s: float | None = None, of: Literal["air"] | None = None
    ) -> stacks.StackProfile | None:
        """The vertical profile over the last hours, of a stack's boxes, or of its air where there are not two boxes.

        ``of``: of its air anyhow, a single level included.

        Like is compared with like: while a room warms or cools, its boxes are hours behind its air, and a
        difference between the two says nothing about height. A probe that is not believed now is no level; what one
        said while it was not believed is left out.
        """
        from_ms = now_ms - int((self._room.watch.uneven_over_s if over_s is None else over_s) * 1000)
        boxes, air, suspect = [], [], 0
        for probe in self._room.probes:
            place = self._room.height_of(probe)
            if probe.quantity == "temperature" and place is not None and place[0] == stack:
                if self._readings.belief.lasting(probe.id, "advice"):
                    suspect += probe.box is not None
                    continue
                trace = self._readings.columns([probe], from_ms, now_ms + 1)[probe.id]
                series = self._readings.series(probe, trace, "advice")
                if probe.box is not None:
                    boxes.append((f"box {probe.box}", place[1], series))
                else:
                    air.append((f"air at {place[1]:.0f} cm", place[1], series))
        named = boxes if len(boxes) + suspect > 1 else air if len(air) > 1 else boxes + air
        if of == "air":
            return stacks.profile(stack, air, from_ms, now_ms, least_levels=1)
        return stacks.profile(stack, named, from_ms, now_ms)
