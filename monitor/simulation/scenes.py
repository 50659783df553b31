"""Invented rooms in which each kind of condition is true, with ids, numbers of boxes and values as they are asked for.

What is told of them is the example of each notice, and what tests and measurements of notices look at.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field, replace
from datetime import UTC, datetime
from functools import cached_property, lru_cache, partial
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.core.climate.box_temperature import ProbesError
from monitor.core.climate.course import Course, course
from monitor.core.climate.exposure import Exposure
from monitor.core.climate.heater import HeaterNow, Wear
from monitor.core.climate.stacks import Level, StackProfile
from monitor.core.climate.water import BoxWater, Loss, Weighing
from monitor.core.development.lots import Ahead, FirstPip, Heat, LotNow, Past, Silence
from monitor.core.development.window import Cause, ExpectedRates, Window
from monitor.core.notices.conditions import Condition, Phase, Transition, Where
from monitor.core.notices.grouping import Telling
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.notice import Notice
from monitor.core.notices.notices import compose, remind
from monitor.core.notices.snapshot import (
    AwayNow,
    BackupNow,
    BoxAway,
    BoxNow,
    ClockNow,
    DamageNow,
    GatewayNow,
    Health,
    Heard,
    LinkNow,
    ProbeNow,
    Service,
    Snapshot,
    StoreNow,
    known_course,
)
from monitor.core.readings.batteries import BatteryNow, BatteryTrend
from monitor.core.readings.drift import Departure
from monitor.core.readings.gateways import Said
from monitor.core.readings.probe_clocks import WrongClock
from monitor.core.terms.events import Clutch, Lot, PipSeen, Stay
from monitor.core.terms.settings import Box, DisplayUnit, Gateway, Limits, Probe, Room, Watch
from monitor.core.terms.texts import Texts
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.values import dataclass

NOW = round(datetime(2026, 6, 12, 1, 40, tzinfo=UTC).timestamp() * 1000)
STEP_MS = 300_000
N = 288
AT = NOW - STEP_MS * np.arange(N - 1, -1, -1, dtype=np.int64)
Values = NDArray[np.float64]
LIMITS = Limits(31.0, 25.0, too_dry_pct=70.0, too_damp_pct=90.0)
HOURS = (AT - NOW) / HOUR_MS


@lru_cache(maxsize=64)
def heading(values: tuple[float, ...]) -> Course | None:
    """Where a box is heading by its last readings, which are the same ones in many of these rooms."""
    return course(AT[-len(values) :], np.array(values), NOW)


@dataclass(frozen=True)
class Names:
    """The ids of a room: its boxes, lowest first, and everything else."""

    boxes: tuple[str, ...] = ("lower", "upper")
    stack: str = "left"
    room: str = "Back room"
    clutch: str = "K01"
    channel: str = "phone"
    gateway: str = "bridge"
    suffix: str = "-t"

    def probe(self, box: str) -> str:
        return f"{box[: 24 - len(self.suffix)]}{self.suffix}"


@dataclass(frozen=True)
class Scene:
    """One room, at one moment. ``over_c``: by how much boxes are beyond their limits; ``said``: what each of the others
    says, instead of its own."""

    names: Names = field(default_factory=Names)
    unit: DisplayUnit = "C"
    over_c: float = 0.9
    uncertainty_c: float = 0.29
    said: str = ""
    zone: str = "Europe/Vienna"
    texts: Texts = field(default_factory=Texts)

    @cached_property
    def room(self) -> Room:
        n = self.names
        boxes = tuple(Box(b, n.stack, 40.0 + 20.0 * i) for i, b in enumerate(n.boxes))
        probes = [Probe(n.probe(b), f"t/{b}", box=b, gateway=n.gateway) for b in n.boxes]
        probes += [Probe(f"h-{n.probe(b)}"[:24], f"h/{b}", "humidity", "%", box=b) for b in n.boxes]
        probes += [Probe("air-t", "t/air", stack=n.stack, height_cm=60.0)]
        batteries = tuple(
            Probe(f"b-{n.probe(b)}"[:24], f"b/{b}", "battery", "V", battery_of=n.probe(b), low=2.4) for b in n.boxes
        )
        return Room(
            n.room, self.zone, self.unit, (n.stack,), boxes, tuple(probes), LIMITS,
            Watch(heading_s=6 * 3600.0, heater_since_ms=0), gateways=(Gateway(n.gateway, "g"),), batteries=batteries,
            texts=self.texts,
        )  # fmt: skip

    # -- parts -----------------------------------------------------------------------------------------------------

    def box(self, box: Box, values: Values, humidity: float = 80.0, *, heads: bool = False) -> BoxNow:
        recent = tuple(values[-37:].tolist())
        lots = (f"{self.names.clutch}/{box.id}",)
        return BoxNow(
            box,
            LIMITS,
            "of the room",
            AT,
            values,
            self.uncertainty_c,
            "its own probe",
            humidity,
            lots,
            32.0,
            23.5,
            partial(heading, recent) if heads else known_course(None),
        )

    def probe(self, probe: Probe, values: Values, **more: object) -> ProbeNow:
        received = more.pop("received", AT)
        flag = np.ones(N, np.uint8)
        heard = Heard(AT, values, flag, received, np.ones(N, np.bool_))  # type: ignore[arg-type]
        known = ProbeNow(probe, NOW, float(values[-1]), 1, NOW, heard=heard, first_ms=int(AT[0]))
        return replace(known, **more)  # type: ignore[arg-type]

    def snapshot(
        self,
        values: Mapping[str, Values] | None = None,
        *,
        air: Values | None = None,
        humidity: float = 80.0,
        heads: bool = False,
        of_probe: Mapping[str, object] | None = None,
        **more: object,
    ) -> Snapshot:
        room, calm = self.room, 28.0 + 0.3 * np.sin(HOURS)
        series = {b.id: (values or {}).get(b.id, calm) for b in room.boxes}
        boxes = tuple(self.box(b, series[b.id], humidity, heads=heads) for b in room.boxes)
        probes = []
        for p in room.probes:
            own = (
                np.full(N, humidity)
                if p.quantity == "humidity"
                else series.get(p.box or "", calm if air is None else air)
            )
            probes.append(self.probe(p, own, **(of_probe or {})))
        given: dict[str, object] = {"probes": tuple(probes), "boxes": boxes, "service": Service(NOW - 2 * DAY_MS)}
        return Snapshot(NOW, room, ZoneInfo(room.zone), **{**given, **more})  # type: ignore[arg-type]

    # -- everything that may be wrong ------------------------------------------------------------------------------

    def all(self) -> Iterable[Snapshot]:
        """One snapshot after the other; each kind is true in one of them at least."""
        yield from self._warm_and_cool()
        yield from self._probes()
        yield from self._service()
        harmless = self._lots()
        yield harmless
        yield replace(harmless, lots=tuple(replace(x, venomous=True) for x in harmless.lots))

    def calm(self, conditions: Mapping[tuple[str, str], Condition]) -> Snapshot:
        """The room when all is well again, with what was true of it until now."""
        here = self.snapshot(conditions=conditions)
        well = Health()
        service = Service(
            NOW - 2 * DAY_MS, LinkNow("up", NOW - DAY_MS, last_live_ms=NOW), StoreNow("", 5000.0), ClockNow(True),
            {self.names.channel: well, "mail": well}, well, well, well,
            backup=BackupNow(NOW - HOUR_MS, NOW), damage=DamageNow(NOW - DAY_MS),
        )  # fmt: skip
        levels = tuple(
            Level(f"box {b.id}", b.height_cm, 27.9 + 0.3 * i, 0.29, False) for i, b in enumerate(self.room.boxes)
        )
        ends = levels[-1].name, levels[0].name
        even = StackProfile(self.names.stack, levels, 0.3, 0.41, 0.3, *ends, NOW - DAY_MS, NOW, 24)
        strong = Wear(1.4, 1.4, 1.0, 0.6, 0.7, 0.6, 0.0, -0.001, 0.001, False, NOW // DAY_MS - 9, None, 30)
        behind = tuple(p for p in here.probes if p.probe.gateway)
        return replace(
            here,
            service=service,
            stacks=(even,),
            heaters={self.names.stack: HeaterNow(self.names.stack, "air-t", strong)},
            gateways=(GatewayNow(self.room.gateways[0], Said(False, NOW - HOUR_MS), behind),),
            batteries=tuple(BatteryNow(b, 3.0, NOW - HOUR_MS) for b in self.room.batteries),
        )

    def _up(self, kind: str) -> dict[tuple[str, str], Condition]:
        since = NOW - 4 * HOUR_MS
        return {
            (kind, b.id): Condition(kind, b.id, Phase.RAISED, since, since, None, since, told_ms=since, told=1,
                                    acknowledged_ms=since, facts={})
            for b in self.room.boxes
        }  # fmt: skip

    def _warm_and_cool(self) -> Iterable[Snapshot]:
        ids = [b.id for b in self.room.boxes]
        for side, limit in ((1.0, 31.0), (-1.0, 25.0)):
            # The worst is neither the first nor the last of them.
            level = {b: limit + side * (self.over_c + 0.1 * ((i + 1) % len(ids))) for i, b in enumerate(ids)}
            slow = {b: np.where(HOURS < -3, 28.0, 28.0 + (v - 28.0) * (HOURS + 3) / 3) for b, v in level.items()}
            sudden = {b: np.where(HOURS < -0.1, 28.0, v) for b, v in level.items()}
            back = {b: np.where(HOURS < -0.2, limit + side * 2.0, limit - side * 0.1) for b in ids}
            for kind in (slow, sudden, back):
                yield self.snapshot(kind, heads=True)
            long = {b: limit + side * np.where(HOURS < -3, 1.0, 3.0) for b in ids}
            conditions = self._up("too-warm" if side > 0 else "too-cool")
            yield self.snapshot(long, conditions=conditions, heads=True)
            yield self.snapshot(long)
            heading = {b: np.where(HOURS < -1, 28.0, 28.0 + side * 1.6 * (HOURS + 1)) for b in ids}
            yield self.snapshot(heading, heads=True)
        for humidity in (58.0, 99.0, 100.0):
            yield self.snapshot(humidity=humidity)
        levels = tuple(
            Level(f"box {b.id}", b.height_cm, 27.9 + 1.4 * i, 0.29, False) for i, b in enumerate(self.room.boxes)
        )
        if len(levels) > 1:
            apart = 1.4 * (len(levels) - 1)
            profile = StackProfile(self.names.stack, levels, apart, 0.41, apart / 0.9, levels[-1].name, levels[0].name,
                                   NOW - DAY_MS, NOW, 24)  # fmt: skip
            up = Condition("stack-uneven", self.names.stack, Phase.RAISED, NOW, NOW)
            yield self.snapshot(stacks=(profile,), conditions={up.key: up})
        wear = Wear(1.1, 1.4, 0.79, 0.8, 0.93, 0.6, -0.01, -0.02, -0.005, True, NOW // DAY_MS - 9, 6.0, 30)
        yield self.snapshot(heaters={self.names.stack: HeaterNow(self.names.stack, "air-t", wear)})
        usual, weighed = Loss(9.4, 0.8, 7.0), (Weighing(NOW - 8 * DAY_MS, 812.0), Weighing(NOW - DAY_MS, 786.0))
        yield self.snapshot(
            waters=tuple(
                BoxWater(b, weighed, owed_g=26.0, owed_sd_g=0.8, newest=Loss(26.0 * (not i) or 9.0, 0.8, 7.0),
                         weeks_before=(usual,) * 3)
                for i, b in enumerate(ids)
            )
        )  # fmt: skip

    def _probes(self) -> Iterable[Snapshot]:
        ids, last = [b.id for b in self.room.boxes], self.room.boxes[-1].id
        moves = 28.0 + np.sin(HOURS)
        wave = dict.fromkeys(ids, moves)
        gone = np.where(HOURS > -2, 20.0 + 0.2 * np.sin(9 * HOURS), 28.0 + 0.2 * np.sin(HOURS))
        yield self.snapshot({**wave, last: np.where(HOURS > -9, 28.0, moves)}, air=moves)
        yield self.snapshot({last: np.where(AT > NOW - 4 * STEP_MS, 82.4, 28.0)})
        yield self.snapshot({last: np.where(np.arange(N) % 40 == 0, 33.0, 28.0)})
        yield self.snapshot({last: gone}, air=np.full(N, 20.0))
        yield self.snapshot({last: gone}, air=np.full(N, 24.0))
        restless = 28.0 + 2.0 * np.sign(np.sin(2 * HOURS))
        yield self.snapshot({last: restless}, air=restless)
        yield self.snapshot({last: 28.0 + 2.5 * np.sin(6 * HOURS)}, air=28.0 + 3.0 * np.sin(6 * HOURS))
        if len(ids) > 1:
            first, warm, cool = ids[0], np.full(N, 29.5), np.full(N, 26.5)
            yield self.snapshot({first: np.where(HOURS > -3, warm, cool), last: np.where(HOURS > -3, cool, warm)})
        yield self.snapshot(of_probe={"pace_per_min": 600.0})
        still = self.snapshot()
        first_wrong = replace(still.probes[0], clock=WrongClock("p", NOW - HOUR_MS, 2 * HOUR_MS))
        yield replace(still, probes=(first_wrong, *still.probes[1:]))
        left = Departure("p", 0.4, NOW // DAY_MS - 30, NOW // DAY_MS - 1, 0.0138, 9.0, 40, self.names.probe(ids[0]))
        yield self.snapshot(of_probe={"departure": left, "drift": "departing"})
        silent = NOW - 50 * 60_000
        quiet = self.snapshot(
            of_probe={
                "usable_ms": silent,
                "last_ms": NOW - STEP_MS,
                "last_value": -127.0,
                "unread": 1,
                "unread_reason": self.said or "no number at /value",
            }
        )
        heard_still = self.probe(self.room.probes[-1], np.full(N, 28.0))
        yield replace(quiet, probes=(*quiet.probes[:-1], heard_still))
        yield self.snapshot(
            of_probe={"usable_ms": None, "unread": 5, "unread_reason": self.said or "no number at /value"}
        )
        low = tuple(
            BatteryNow(b, 2.31, NOW - HOUR_MS, BatteryTrend(-0.01, 2.2, 19.0, 12.0, 30.0)) for b in self.room.batteries
        )
        yield self.snapshot(batteries=low)
        here = self.snapshot()
        yield replace(here, gateways=(
            GatewayNow(self.room.gateways[0], Said(True, NOW + 1), tuple(p for p in here.probes if p.probe.gateway)),
        ))  # fmt: skip

    def _service(self) -> Iterable[Snapshot]:
        since = NOW - 2 * HOUR_MS
        ill = Health(since, self.said or "no route to the host")
        service = Service(
            NOW - 2 * DAY_MS,
            LinkNow("refused", since, self.said or "not authorised"),
            StoreNow(self.said or "no space left on the disk", 12.0),
            ClockNow(False, self.said or "it was set forward by an hour"),
            {self.names.channel: ill, "mail": Health(since)}, ill, ill, ill,
            checks_failed=dict.fromkeys(("too-warm", "boxes, probes and eggs"), self.said or "float division by zero"),
            backup=BackupNow(NOW - 3 * DAY_MS, NOW, self.said or "12 MB are free there, and 80 MB are needed"),
            damage=DamageNow(NOW, (self.said or "probe upper-warmth from 2026-06-01T10:00:00Z: damaged",)),
        )  # fmt: skip
        boxes = tuple(
            BoxAway(b.id, (24.1, since), (30.2, since)) if i % 2 else BoxAway(b.id, undated_c=(24.0, 29.0))
            for i, b in enumerate(self.room.boxes)
        )
        yield self.snapshot(service=service, away=AwayNow(since, since + HOUR_MS, 40, 3, boxes, broker_forgot=True))
        down = Service(NOW - 2 * DAY_MS, LinkNow("down", since, self.said or "connection refused"))
        yield self.snapshot(of_probe={"usable_ms": since, "last_ms": since}, service=down)
        live = LinkNow("up", NOW - DAY_MS, last_live_ms=NOW)
        yield self.snapshot(of_probe={"usable_ms": since, "last_ms": since}, service=Service(NOW - DAY_MS, live))

    def _lots(self) -> Snapshot:
        room, heat = self.room, Heat(32.0, Exposure(11 * 3600.0, 3 * 3600.0, 0.0))
        lots = [
            replace(
                _eggs(
                    f"{self.names.clutch}{'abc'[j]}/{b.id}",
                    p10_ms=NOW + round(days * DAY_MS),
                    past=Past(0.61 - min(0.09 * i, 0.5), 500.0, 12.0, 29.0 - i, 0.12, error=ProbesError(0.29)),
                    remaining_days=20.0 + 9 * i,
                    silence=Silence(0.62, 0.5, NOW + round((days + 6.0) * DAY_MS)),
                ),
                heat=heat,
            )
            for i, b in enumerate(room.boxes)
            for j, days in enumerate((3.0, -1.0, -30.0))
        ]
        # One of a clutch has pipped, the others of it lie still.
        first, *others = (b.id for b in room.boxes)
        lots += [
            _eggs(f"{self.names.clutch}d/{first}", p10_ms=NOW - 5 * DAY_MS, pipped=2, waiting=3),
            *(_eggs(f"{self.names.clutch}d/{b}", p10_ms=NOW + DAY_MS, remaining_days=3.0) for b in others),
        ]
        whole = self.snapshot(lots=tuple(lots))
        inside = tuple(replace(b, occupied_by=(f"{self.names.clutch}a/{b.box.id}",)) for b in whole.boxes)
        return replace(whole, boxes=inside)


def _eggs(
    lot: str,
    *,
    p10_ms: int,
    waiting: int = 6,
    pipped: int = 0,
    remaining_days: float = 22.0,
    past: Past | None = None,
    silence: Silence | None = None,
) -> LotNow:
    """Eggs with a window of four days that begins at ``p10_ms``."""
    clutch, box = lot.split("/")
    p90_ms = p10_ms + 4 * DAY_MS
    cause = Cause("eggs and clutches differ", 1.4)
    window = Window(p10_ms, (p10_ms + p90_ms) // 2, p90_ms, (0.1, 0.9), (p10_ms, p90_ms), False, (cause,))
    laid_ms = NOW - 50 * DAY_MS
    pips = (PipSeen(None, NOW - 3 * DAY_MS, pipped),) if pipped else ()
    eggs = Lot(lot, clutch, box, (Stay(box, laid_ms, None),), waiting + pipped, pips=pips)
    return LotNow(
        eggs,
        Clutch(clutch, "elaphe-taeniura", laid_ms, True, waiting + pipped, (eggs,)),
        past=past or Past(0.6, 500.0, 12.0, 28.0, error=ProbesError(0.29)),
        ahead=Ahead(28.1, 0.015, ExpectedRates(0.015, 0.02, 0.0), remaining_days, -5.0),
        first_pip=FirstPip(window, window, silence or Silence(0.97, 0.8, p10_ms + round(7.2 * DAY_MS))),
    )


def raised_by(kind: Kind, snapshots: Iterable[Snapshot]) -> list[tuple[Snapshot, list[Look]]]:
    """The snapshots in which a kind is true of something, with what it is true of."""
    found = []
    for snapshot in snapshots:
        looks = [x for x in kind.look(snapshot) if x.samples and x.samples[-1].where is not Where.BACK and x.line]
        true = [x for x in looks if any(s.where is Where.BEYOND for s in x.samples)]
        if true:
            found.append((snapshot, true))
    return found


def moved(kind: Kind, look: Look, change: str, since_ms: int = NOW - HOUR_MS) -> Transition:
    return Transition(kind.name, look.subject, change, NOW - 1, since_ms, "")  # type: ignore[arg-type]


def told(kind: Kind, snapshot: Snapshot, looks: Sequence[Look]) -> dict[str, Notice]:
    """What is told of some looks: raised, also, still, cleared and cleared late, as far as the kind has them."""
    of = {x.subject: x for x in looks}
    new = tuple(moved(kind, x, "raised") for x in looks)
    before_ms = NOW - 2 * HOUR_MS
    conditions = [
        Condition(kind.name, x.subject, Phase.RAISED, before_ms, before_ms, told_ms=before_ms, told=2,
                  told_value="30.1 °C" if i % 2 else x.value)
        for i, x in enumerate(looks)
    ]  # fmt: skip
    (raised,) = compose(kind, Telling(new=new), of, snapshot)
    made = {"raised": raised}
    if kind.groups:
        half = (len(looks) + 1) // 2
        again = tuple(conditions[half:])
        (made["also"],) = compose(kind, Telling(new=new[:half], joins=True, again=again), of, snapshot)
    if raised.urgency != "later":
        made["still"] = remind(kind, conditions, of, snapshot)
    if kind.tell_cleared:
        ended = tuple(moved(kind, x, "cleared") for x in looks)
        (made["cleared"],) = compose(kind, Telling(ended=ended), of, snapshot)
        passed = {x.subject: moved(kind, x, "raised", before_ms) for x in looks}
        (made["late"],) = compose(kind, Telling(ended=ended, passed=passed), of, snapshot)
        (made["gone"],) = compose(kind, Telling(ended=ended), {}, snapshot)
    return made
