"""Everything known at one moment, as values: what an evaluation looks at and all that it looks at.

The shell gathers a :class:`Snapshot` from the store; the core judges it. The same values serve the commands that
show boxes and forecasts, so that the screen and the notices cannot disagree.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import field
from datetime import tzinfo
from functools import cached_property
from typing import Final, Literal, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from monitor.core.climate.course import Course
from monitor.core.climate.exposure import Exposure, exposure
from monitor.core.climate.heater import HeaterNow
from monitor.core.climate.stacks import StackProfile
from monitor.core.climate.water import BoxWater
from monitor.core.development.care import Care
from monitor.core.development.lots import LotNow
from monitor.core.notices.conditions import Condition, KindName
from monitor.core.readings.batteries import BatteryNow
from monitor.core.readings.belief import Belief, Use, begun
from monitor.core.readings.corrections import Correction
from monitor.core.readings.drift import Departure
from monitor.core.readings.gateways import Said
from monitor.core.readings.late_readings import Late
from monitor.core.readings.probe_clocks import WrongClock, one_clock_s
from monitor.core.readings.series import Series
from monitor.core.terms.arrays import Flags, Times, Values
from monitor.core.terms.formats import show_span, show_temperature
from monitor.core.terms.settings import Box, DisplayUnit, Gateway, Limits, Probe, Room
from monitor.values import dataclass

# So many messages of a probe that could not be read within a quarter hour are no accident.
UNREAD_LEAST: Final = 3
# A reading is later than due when it is older than so many of its probe's intervals: half of one is how far a sender's
# clock and the way of a message make it waver. Judgement, no source.
DUE_INTERVALS: Final = 1.5

T = TypeVar("T")
LinkState = Literal["up", "down", "refused", "connecting"]


@dataclass(frozen=True)
class Heard:
    """What was heard of a probe in the last day, in order of time and of any quality: arrays of equal length.

    ``value`` in Celsius or per cent as decoded, without any correction; ``timed``: with a time of its own. Of a probe
    that reports many times a second it is what :mod:`monitor.core.readings.thinning` keeps.
    """

    time_ms: Times
    value: Values
    flag: Flags
    received_ms: Times
    timed: NDArray[np.bool_]

    @cached_property
    def usable(self) -> Series:
        """What is no error of it, as it was heard."""
        good = self.flag <= 2
        if good.all():
            return self.time_ms, self.value
        return self.time_ms[good], self.value[good]


@dataclass(frozen=True)
class ProbeNow:
    """A probe at this moment. ``last_ms`` is the measured time of its newest live reading, of any quality.

    ``correction`` is the dated one that holds now; ``drift`` says how it stands among its peers, and ``departure``
    by how much it has left them. ``first_ms``: its oldest reading. ``pace_per_min``: how many readings a minute
    it gives now, None where that is not known. ``clock``: how its clock is wrong; all times here are righted.
    ``came_ms``: when a usable reading with a time of its own came last, whatever that is.
    """

    probe: Probe
    last_ms: int | None = None
    last_value: float | None = None
    last_flag: int | None = None
    usable_ms: int | None = None
    unread: int = 0
    unread_reason: str = ""
    correction: Correction | None = None
    drift: str = ""
    departure: Departure | None = None
    first_ms: int | None = None
    heard: Heard | None = None
    pace_per_min: float | None = None
    clock: WrongClock | None = None
    came_ms: int | None = None

    @property
    def offset_c(self) -> float:
        """What is added to its readings now: the configuration's correction, and the dated one upon it."""
        return self.probe.correction + (self.correction.offset_c if self.correction is not None else 0.0)

    @cached_property
    def corrected(self) -> Series | None:
        """What it said in the last day that is no error, corrected; None of a probe of which nothing was heard."""
        if self.heard is None:
            return None
        at, value = self.heard.usable
        return at, value + self.offset_c if self.offset_c else value

    @property
    def place(self) -> str:
        """The probe in the keeper's words."""
        p = self.probe
        if p.box is not None:
            return f"probe {p.id} (box {p.box})"
        if p.height_cm is not None:
            return f"probe {p.id} (air of stack {p.stack}, {p.height_cm:.0f} cm)"
        return f"probe {p.id}"


@dataclass(frozen=True)
class GatewayNow:
    """A gateway at this moment: what it said last (None: nothing yet), and the probes that are heard through it."""

    gateway: Gateway
    said: Said | None
    probes: tuple[ProbeNow, ...] = ()

    @property
    def gone(self) -> bool | None:
        """Whether it is gone by its will, and nothing that was read since speaks against it; None: not known.

        A reading speaks against it that was made and received after it was said to be gone; one that is retained, or
        that waited somewhere, does not.
        """
        if self.said is None:
            return None
        return self.said.gone and not any(_heard_since(p, self.said.since_ms) for p in self.probes)


def clock_off(behind_s: float) -> str:
    """How wrong a clock is, in words."""
    return f"{show_span(abs(behind_s))} {'behind' if behind_s > 0 else 'ahead'}"


def _heard_since(probe: ProbeNow, since_ms: int) -> bool:
    if probe.heard is None:
        return probe.last_ms is not None and probe.last_ms > since_ms
    return bool(np.any((probe.heard.time_ms > since_ms) & (probe.heard.received_ms > since_ms)))


@dataclass(frozen=True)
class BoxAway:
    """What is known of a box for the time in which nobody watched: temperature (C) and time (ms) of its lowest and
    highest reading; ``undated_c``: lowest and highest of readings whose time is not known."""

    box: str
    lowest: tuple[float, int] | None = None
    highest: tuple[float, int] | None = None
    undated_c: tuple[float, float] | None = None


@dataclass(frozen=True)
class AwayNow:
    """The last absence of the service, and what came of it late: ``late`` readings with a time in it, ``undated`` ones
    that waited at the broker without a time of their own. ``broker_forgot``: it knew the service no more."""

    from_ms: int
    until_ms: int
    late: int = 0
    undated: int = 0
    boxes: tuple[BoxAway, ...] = ()
    broker_forgot: bool = False


def no_course() -> Course | None:
    """Of a box that it is not known where it is heading."""
    return None


def known_course(course: Course | None) -> Callable[[], Course | None]:
    """Of a box of which it is known already."""
    return lambda: course


@dataclass(frozen=True)
class BoxNow:
    """A box at this moment: its recent temperature (arrays of equal length) and the limits that hold for it.

    ``profile_high_c`` and ``profile_low_c`` are the strictest of the profiles whose eggs lie in it; ``late`` is the
    newest of its readings that came late. Its newest temperature has its age told once that is above ``due_s``, and is
    that of now until ``quiet_after_s``; ``estimated`` says in words where it comes from, if not from the box itself:
    "from the box above". Where it is heading costs more than all else of a round, so ``estimate``
    gives it to whoever asks (:attr:`course`), from what was known at this moment.
    """

    box: Box
    limits: Limits
    limits_from: str
    time_ms: Times
    temperature_c: Values
    uncertainty_c: float
    source: str
    humidity_pct: float | None = None
    occupied_by: tuple[str, ...] = ()
    profile_high_c: float | None = None
    profile_low_c: float | None = None
    estimate: Callable[[], Course | None] = no_course
    late: Late | None = None
    due_s: float = DUE_INTERVALS * 300.0
    quiet_after_s: float = 900.0
    estimated: str = ""

    @property
    def course(self) -> Course | None:
        """Where it is heading; None where no limit is passed or near, or too little is known."""
        return self.estimate()

    @property
    def place(self) -> str:
        """The box in the keeper's words."""
        return f"box {self.box.id} (stack {self.box.stack}, {self.box.height_cm:.0f} cm)"

    @property
    def heat(self) -> Exposure | None:
        """How long the last day was at or above the highest temperature of the profiles in it; None without any."""
        if self.profile_high_c is None:
            return None
        return exposure(self.time_ms, self.temperature_c, self.profile_high_c, max_gap_s=self.limits.max_gap_s)

    @property
    def now_c(self) -> float | None:
        return float(self.temperature_c[-1]) if len(self.temperature_c) else None

    @property
    def at_ms(self) -> int | None:
        return int(self.time_ms[-1]) if len(self.time_ms) else None

    def age_s(self, now_ms: int) -> float | None:
        """How old its newest temperature is; None without any."""
        return None if self.at_ms is None else max(now_ms - self.at_ms, 0) / 1000.0

    def current_c(self, now_ms: int) -> float | None:
        """Its temperature now; None where nothing is known, or nothing so new that it may be called that of now."""
        age_s = self.age_s(now_ms)
        return None if age_s is None or age_s >= self.quiet_after_s else self.now_c

    def current(self, now_ms: int, unit: DisplayUnit) -> str:
        """The same in words, with its age once that is above what is due, and where it comes from if not from the box;
        empty where there is none."""
        now_c, age_s = self.current_c(now_ms), self.age_s(now_ms)
        if now_c is None or age_s is None:
            return ""
        age = f"{show_span(age_s)} ago" if age_s > self.due_s else ""
        return ", ".join(x for x in (show_temperature(now_c, unit), self.estimated, age) if x)


@dataclass(frozen=True, slots=True)
class LinkNow:
    """The line to the broker. ``last_live_ms``: when the newest message that was not retained came;
    ``session_lost_ms``: when the broker knew the service no more."""

    state: LinkState = "up"
    since_ms: int | None = None
    detail: str = ""
    last_live_ms: int | None = None
    session_lost_ms: int | None = None


@dataclass(frozen=True, slots=True)
class StoreNow:
    """The store: why nothing can be written (empty: it can), and the free space (MB) where it lies."""

    error: str = ""
    disk_free_mb: float | None = None


@dataclass(frozen=True, slots=True)
class ClockNow:
    """Whether this computer's clock is trusted, and why not."""

    trusted: bool = True
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Health:
    """A part of the service that somebody outside has to take or to answer: since when that fails (None: it does not),
    and why."""

    failing_since_ms: int | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class BackupNow:
    """Backups: when the newest good one was made (None: there is none), since when one is awaited, and why the last try
    failed (empty: it did not)."""

    newest_ms: int | None
    awaited_ms: int
    why: str = ""


@dataclass(frozen=True, slots=True)
class DamageNow:
    """What was found when the store was looked through the last time, in words, and when that was."""

    at_ms: int
    found: tuple[str, ...] = ()


@dataclass(frozen=True)
class Service:
    """How the service itself fares. ``shipping``, ``heartbeat``, ``answers``, ``backup``: None where it is not switched
    on; ``away``: from when until when nobody watched, the last time; ``checks_failed``: check -> why; ``damage``: None
    until it was looked for."""

    started_ms: int
    link: LinkNow = LinkNow()
    store: StoreNow = StoreNow()
    clock: ClockNow = ClockNow()
    channels: Mapping[str, Health] = field(default_factory=dict)
    shipping: Health | None = None
    heartbeat: Health | None = None
    answers: Health | None = None
    away: tuple[int, int] | None = None
    checks_failed: Mapping[str, str] = field(default_factory=dict)
    backup: BackupNow | None = None
    damage: DamageNow | None = None


@dataclass(frozen=True)
class Snapshot:
    """All of it, at ``now_ms``. ``care``: species -> the days of its profile on which something is to be done.
    ``audiences``: stack -> the channels that are told of it, see :meth:`audience`; ``belief``: which readings of which
    probe may be believed."""

    now_ms: int
    room: Room
    zone: tzinfo
    service: Service
    probes: tuple[ProbeNow, ...] = ()
    boxes: tuple[BoxNow, ...] = ()
    lots: tuple[LotNow, ...] = ()
    stacks: tuple[StackProfile, ...] = ()
    gateways: tuple[GatewayNow, ...] = ()
    batteries: tuple[BatteryNow, ...] = ()
    waters: tuple[BoxWater, ...] = ()
    care: Mapping[str, Care] = field(default_factory=dict)
    away: AwayNow | None = None
    heaters: Mapping[str, HeaterNow] = field(default_factory=dict)
    conditions: Mapping[tuple[str, str], Condition] = field(default_factory=dict)
    audiences: Mapping[str, str] = field(default_factory=dict)
    belief: Belief = field(default_factory=Belief)

    def once(self, work: Callable[[Snapshot], T]) -> T:
        """What several kinds need to know of it, worked out when the first of them asks."""
        if work not in self._known:
            self._known[work] = work(self)
        return cast(T, self._known[work])

    @cached_property
    def _known(self) -> dict[Callable[[Snapshot], object], object]:
        return {}

    def condition(self, kind: KindName, subject: str) -> Condition | None:
        """How a subject stood by a kind when it was judged last; None where it never was."""
        return self.conditions.get((kind, subject))

    def raised(self, kind: KindName, subject: str) -> Condition | None:
        """A condition that is raised; None where it is not."""
        known = self.condition(kind, subject)
        return known if known is not None and known.up else None

    def believes(self, probe: str, use: Use) -> bool:
        """Whether a probe is believed for a use now."""
        return self.disbelieved_ms(probe, use) is None

    def disbelieved_ms(self, probe: str, use: Use) -> int | None:
        """Since when a probe is not believed for a use; None: it is."""
        spans = (*self.belief.spans(probe, use), *self._suspect.spans(probe, use))
        return min((s.from_ms for s in spans if s.to_ms is None), default=None)

    @cached_property
    def _suspect(self) -> Belief:
        """By the conditions, which stand before their spans are kept."""
        up = [c for c in self.conditions.values() if c.up]
        return Belief(s for c in up for s in begun(c.kind, c.subject, c.since_ms or self.now_ms, c.facts))

    def judged_ms(self, kind: KindName, subject: str) -> int | None:
        """The newest moment for which a subject was judged by a kind."""
        known = self.condition(kind, subject)
        return None if known is None else known.last_ms

    def air_probes(self, stack: str) -> list[ProbeNow]:
        """The temperature probes in the air of a stack."""
        return self._air.get(stack, [])

    def probes_in(self, box_id: str) -> Sequence[ProbeNow]:
        """The temperature probes of a box."""
        return self._inside.get(box_id, ())

    @cached_property
    def _inside(self) -> dict[str, list[ProbeNow]]:
        found: dict[str, list[ProbeNow]] = {}
        for p in self.probes:
            if p.probe.box is not None and p.probe.quantity == "temperature":
                found.setdefault(p.probe.box, []).append(p)
        return found

    @cached_property
    def _air(self) -> dict[str, list[ProbeNow]]:
        found: dict[str, list[ProbeNow]] = {}
        for p in self.probes:
            if p.probe.box is None and p.probe.stack is not None and p.probe.quantity == "temperature":
                found.setdefault(p.probe.stack, []).append(p)
        return found

    @property
    def newest_ms(self) -> int | None:
        """The measured time of the newest live reading of any probe, of any quality."""
        return max((p.last_ms for p in self.probes if p.last_ms is not None), default=None)

    def stack_of(self, subject: str) -> str | None:
        """The stack of a box, lot, probe or stack; None for what belongs to none."""
        return self._stacks.get(subject)

    def audience(self, subject: str) -> str:
        """Which channels are told of a subject's stack, as a word that is the same for the same ones."""
        return self.audiences.get(self.stack_of(subject) or "", "")

    @cached_property
    def _stacks(self) -> dict[str, str]:
        stacks = {box.id: box.stack for box in self.room.boxes}
        stacks |= {name: name for name in self.room.stacks}
        stacks |= {lot.lot.id: stacks[lot.lot.box] for lot in self.lots if lot.lot.box in stacks}
        for probe in self.room.probes:
            place = self.room.height_of(probe)
            if place is not None:
                stacks[probe.id] = place[0]
        for battery in self.room.batteries:
            if battery.battery_of in stacks:
                stacks[battery.id] = stacks[battery.battery_of]
        return stacks

    @property
    def unit(self) -> DisplayUnit:
        return self.room.display_unit

    def gateway_of(self, probe: Probe) -> GatewayNow | None:
        """What a probe is heard through, if that is told of."""
        return next((g for g in self.gateways if g.gateway.id == probe.gateway), None)

    @property
    def _patience_ms(self) -> float:
        """A room of slow probes alone is not quiet before the quickest of them is due."""
        return max(self.room.watch.room_quiet_after_s * 1000, min(p.probe.quiet_after_s for p in self.probes) * 1000)

    @property
    def behind_s(self) -> float | None:
        """By how much all that arrives is older than this computer's clock says (less than 0: still to come); None: it
        is not, or nothing arrives.

        Then either this clock was set wrong, or whatever gives the readings their times has a wrong one.
        """
        return self._one_clock_s if self._one_clock_s is not None else self._all_old_s

    @property
    def _all_old_s(self) -> float | None:
        """By how much what arrives is old though every clock that is known to be wrong was put right."""
        live_ms = self.service.link.last_live_ms
        newest_ms = self.newest_ms
        if self.service.link.state != "up" or live_ms is None or newest_ms is None:
            return None
        if any(p.unread >= UNREAD_LEAST for p in self.probes):
            return None
        arrives = 0 <= self.now_ms - live_ms < self._patience_ms
        return (live_ms - newest_ms) / 1000 if arrives and self.now_ms - newest_ms >= self._patience_ms else None

    @cached_property
    def _one_clock_s(self) -> float | None:
        """By how much the clocks of all probes that gave times of their own in the last day are behind, as one."""
        return one_clock_s([p.clock for p in self.probes if p.heard is not None and bool(p.heard.timed.any())])

    def clock_words(self, subject: str) -> str:
        """What a notice of a box or of a probe says of the clocks of its probes, where one is wrong; else nothing."""
        wrong = [p for p in self.probes if p.clock is not None and subject in (p.probe.id, p.probe.box)]
        if wrong and self._one_clock_s is not None:
            return f"The times that readings carry are {clock_off(self._one_clock_s)}: they are judged by arrival."
        return " ".join(
            f"The clock of probe {name} is {clock_off(behind_ms / 1000)}: it is judged by arrival."
            for name, behind_ms in ((p.probe.id, p.clock.behind_ms) for p in wrong if p.clock is not None)
        )

    @property
    def room_quiet(self) -> bool | None:
        """Whether nothing at all arrives: the broker or the gateway is gone rather than one probe.

        None: not known. So it is until the room had its time after the start, while the link is just being made,
        while what arrives is no usable reading or all of it old (:attr:`_all_old_s`), and while the broker refuses,
        which are told as such.
        """
        if not self.probes:
            return False
        if self.service.link.state == "refused":
            return None
        watch_ms, patience_ms = self.room.watch.room_quiet_after_s * 1000, self._patience_ms

        def fresh(at_ms: int | None) -> bool:
            return at_ms is not None and self.now_ms - at_ms < patience_ms

        if self.service.link.state == "up" and any(fresh(p.usable_ms) for p in self.probes):
            return False
        if self.now_ms - self.service.started_ms < patience_ms:
            return None
        if not any(fresh(p.last_ms) for p in self.probes):
            return True if self._all_old_s is None else None
        since = self.service.link.since_ms
        if self.service.link.state != "up" and since is not None and self.now_ms - since >= watch_ms:
            return True
        return None
