"""Who is accused: faults of probes in rooms drawn by seed, and calm rooms; the right one, an innocent, a limit missed.

Rooms, boxes, intervals, offsets, units, magnitudes and moments are drawn, not picked. The simulated room of
``simulation.room`` speaks to a store as the intake writes it; each ten minutes a snapshot is derived from it, judged
and committed, as a round does, without broker and channels. What is true of a box is read from the room.
"""

from __future__ import annotations

import itertools
import multiprocessing
import os
import random
import tempfile
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from monitor.adapters.store import Store
from monitor.config.library import load_profile
from monitor.core.development.development import hourly_parts
from monitor.core.notices.conditions import Condition
from monitor.core.notices.doubts import LOOK_AT_PROBE
from monitor.core.notices.evaluation import evaluate
from monitor.core.notices.notice import Notice
from monitor.core.notices.snapshot import Service
from monitor.core.readings.quality import Context, judge
from monitor.core.terms.events import EventKind, KeeperEvent, Reading
from monitor.core.terms.settings import Box, Broker, Limits, Probe, Room, Settings, Watch
from monitor.core.terms.times import HOUR_MS, MINUTE_MS
from monitor.derived.room import Derived
from monitor.simulation.room import Act, Action, Heater, SimBox, SimProbe, SimRoom, SimSetting
from tests.bench import Figures

SPECIES: Final = "elaphe-taeniura"
BEGIN_MS: Final = 1_790_000_000_000 // HOUR_MS * HOUR_MS
HISTORY_MIN: Final = 30 * 60
ROUND_MIN: Final = 10
ACCUSES: Final = frozenset(
    {"probe-stuck", "probe-out", "probe-unit", "probe-jumps", "probe-drifting", "probes-swapped", "probe-in-air"}
)
SILENT: Final = frozenset({"probe-quiet", "probe-unread"})
# A limit is surely passed, or surely not, so far beyond it: the probe's offset, step, noise and lag.
SURE_C: Final = 0.4
# The sum of the time of a fault may be off by so much: what the neighbours tell of a box, and what was not found yet.
MOST_OFF: Final = 0.05
# Of a box of which nothing was ever measured they tell less: it may stand half a degree from all of them.
MOST_OFF_NEW: Final = 0.10
# So long a suspect probe may pass a limit before its notice has to ask for the probe first.
FOUND_MIN: Final = 90.0

Says = Callable[[float, dict[str, float]], dict[str, float]]
"""(minutes since the fault, what each probe says) -> what arrives."""


@dataclass
class Drawn:
    """One room and its fault.

    ``faulty``: probes that may be accused; ``must``: by when (minutes) one of them must be, None: it need not;
    ``airy``: probes that may be asked whether they hang in the air; ``uneven``: that must be told; ``sums``: whether
    what the boxes are at can be known.
    """

    name: str
    setting: SimSetting
    room: Room
    hours: float = 14.0
    acts: list[tuple[float, Act, str, float | None]] = field(default_factory=list)
    says: Says | None = None
    faulty: frozenset[str] = frozenset()
    must: float | None = None
    may: frozenset[str] = frozenset()
    airy: frozenset[str] = frozenset()
    uneven: bool = False
    sums: bool = True
    most_off: float = MOST_OFF


@dataclass
class Tried:
    """What came of it. ``accused``: kind and probe, with the minute; ``off``: of the sums of the faulty boxes;
    ``sums``: whether those can be right."""

    name: str
    accused: list[tuple[float, str, str]] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    innocents: list[str] = field(default_factory=list)
    unled: list[str] = field(default_factory=list)
    off: float = 0.0
    sums: bool = True
    most_off: float = MOST_OFF


# -- rooms --------------------------------------------------------------------------------------------------------


def _room(dice: random.Random, name: str, *, boxes: int | None = None, air: bool | None = None) -> Drawn:
    n = boxes or dice.choice([2, 3, 3, 4, 5, 6])
    heights = sorted(dice.sample(range(30, 190, 12), n))
    has_air = dice.random() < 0.8 if air is None else air
    names = [f"b{i}" for i in range(n)]
    sim_boxes = tuple(SimBox(b, float(h), dice.uniform(3.0, 7.0) * 3600) for b, h in zip(names, heights, strict=True))
    offsets = {b: dice.uniform(-0.2, 0.2) for b in names}
    sim_probes = [
        SimProbe(b, box=b, offset=offsets[b], noise=dice.uniform(0.01, 0.04), lsb=dice.choice([0.0625, 0.1, 0.01]))
        for b in names
    ]
    set_c = dice.uniform(26.5, 30.0)
    heater = Heater(
        set_c, dice.choice(["switching", "switching", "proportional"]), dice.uniform(0.4, 1.2), looks_every_s=60.0,
        lift_c=dice.uniform(20.0, 30.0),
    )  # fmt: skip
    limits = Limits(round(set_c + dice.uniform(2.5, 3.5), 1), round(set_c - dice.uniform(2.5, 3.5), 1))
    probes = []
    for b in names:
        interval_s = dice.choice([60.0, 120.0, 300.0, 300.0, 600.0, 900.0])
        probes.append(
            Probe(b, f"t/{b}", unit=dice.choice(["C", "C", "F"]), interval_s=interval_s, box=b,
                  quiet_after_s=max(3 * interval_s, 900.0), standard_uncertainty=0.1, compared=True)
        )  # fmt: skip
    if has_air:
        sim_probes.append(SimProbe("air", height_cm=float(dice.randrange(60, 140))))
        probes.append(
            Probe("air", "t/air", interval_s=dice.choice([60.0, 300.0, 600.0]), quiet_after_s=1800.0, stack="rack",
                  height_cm=sim_probes[-1].height_cm)
        )  # fmt: skip
    setting = SimSetting(
        sim_boxes, tuple(sim_probes), heater, outdoors_c=dice.uniform(8.0, 16.0), fan_leaves=dice.uniform(0.1, 0.5),
        warmest_at_s=dice.uniform(0.0, 86_400.0),
    )  # fmt: skip
    # How unlike the boxes are is asked only where that is the question.
    room = Room(
        "drawn", "UTC", "C", ("rack",), tuple(Box(b.id, "rack", b.height_cm) for b in sim_boxes), tuple(probes), limits,
        Watch(repeat_now_s=3600.0, uneven_c=9.0),
    )  # fmt: skip
    return Drawn(name, setting, room)


def _interval_min(case: Drawn, probe: str) -> float:
    return next(p.interval_s for p in case.room.probes if p.id == probe) / 60.0


def _victim(dice: random.Random, case: Drawn) -> str:
    return dice.choice([b.id for b in case.room.boxes])


def constant(probe: str, value: float | None) -> Says:
    """It hangs: at a value in C, or at what it said last."""
    held: dict[str, float] = {}

    def says(minute: float, said: dict[str, float]) -> dict[str, float]:
        if probe in said:
            held.setdefault(probe, said[probe] if value is None else value)
            said[probe] = held[probe]
        return said

    return says


def stuck(dice: random.Random) -> Drawn:
    case = _room(dice, "stuck at its last code")
    v = _victim(dice, case)
    case.says, case.faulty, case.hours = constant(v, None), frozenset({v}), 18.0
    # The room moves on, or nothing would show it; also beyond a limit.
    case.acts = [(30.0, Act.THERMOSTAT_SET, "", case.setting.heater.set_c + dice.choice([-5.0, -1.5, 1.5, 4.0]))]
    case.must = 12 * 60.0
    return case


def hung(dice: random.Random) -> Drawn:
    case = _room(dice, "hung at a value far off")
    v = _victim(dice, case)
    value = dice.choice([dice.uniform(-6.0, 3.0), dice.uniform(-20.0, 16.0), dice.uniform(38.0, 70.0)])
    case.says, case.faulty = constant(v, round(value * 16) / 16), frozenset({v})
    case.must = max(120.0, 15 * _interval_min(case, v))
    return case


def other_unit(dice: random.Random) -> Drawn:
    case = _room(dice, "another unit")
    v = _victim(dice, case)
    known = next(p for p in case.room.probes if p.id == v)

    def says(minute: float, said: dict[str, float]) -> dict[str, float]:
        if v in said:
            # What it says is decoded by the promised unit.
            said[v] = said[v] * 1.8 + 32.0 if known.unit == "C" else (said[v] - 32.0) / 1.8
        return said

    case.says, case.faulty, case.must = says, frozenset({v}), max(60.0, 5 * _interval_min(case, v))
    case.hours = dice.choice([10.0, 28.0])
    return case


def new_with_another_unit(dice: random.Random) -> Drawn:
    """From its first reading on."""
    case = other_unit(dice)
    v = next(iter(case.faulty))
    inner = case.says
    assert inner is not None

    def says(minute: float, said: dict[str, float]) -> dict[str, float]:
        if minute < 0.0:
            said.pop(v, None)
            return said
        return inner(minute, said)

    case.name, case.says, case.hours, case.most_off = "new, and of another unit", says, 10.0, MOST_OFF_NEW
    if len(case.room.probes) < 3:
        # One other against one: nobody can tell, and what cannot be told adds what it says.
        case.must, case.sums = None, False
    return case


def _falls(dice: random.Random, name: str, off_c: float) -> Drawn:
    case = _room(dice, name)
    v = _victim(dice, case)
    # What lies beside its box for hours may as well be asked whether it hangs in the air: it does.
    case.airy = frozenset({v})
    at = dice.uniform(0.0, 120.0)
    case.acts = [(at, Act.PROBE_LIES_ELSEWHERE, v, off_c)]
    case.faulty, case.must = frozenset({v}), at + max(150.0, 12 * _interval_min(case, v))
    if dice.random() < 0.5:
        back = at + dice.uniform(300.0, 600.0)
        case.acts.append((back, Act.PROBE_BACK_IN, v, None))
    return case


def fell_colder(dice: random.Random) -> Drawn:
    return _falls(dice, "fell to where it is colder", -dice.uniform(3.5, 14.0))


def fell_warmer(dice: random.Random) -> Drawn:
    return _falls(dice, "fell to where it is warmer", dice.uniform(3.5, 12.0))


def fell_equal(dice: random.Random) -> Drawn:
    case = _falls(dice, "fell to where it is as warm", dice.uniform(-0.3, 0.3))
    case.must = None
    return case


def swapped(dice: random.Random) -> Drawn:
    """Of two boxes that are not equally warm: the heater stands high, and there is no fan."""
    case = _room(dice, "changed places")
    one, other = dice.sample([b.id for b in case.room.boxes], 2)
    case.setting = replace(case.setting, fan_leaves=1.0)

    def says(minute: float, said: dict[str, float]) -> dict[str, float]:
        a, b = said.pop(one, None), said.pop(other, None)
        held.update({k: x for k, x in ((one, a), (other, b)) if x is not None})
        if a is not None and other in held:
            said[one] = held[other]
        if b is not None and one in held:
            said[other] = held[one]
        return said

    held: dict[str, float] = {}
    # Which way it was is the keeper's to say: until then each is counted where it is taken to be.
    case.says, case.faulty, case.sums = says, frozenset({one, other}), False
    return case


def blind(dice: random.Random) -> Drawn:
    """A probe is silent, or says what is no reading, while the heater dies: before, or after."""
    case = _room(dice, "blind while the others cool", boxes=dice.choice([2, 3, 5]))
    v = _victim(dice, case)
    silent, dies = dice.choice([(60.0, 200.0), (200.0, 60.0), (120.0, 120.0)])
    error = dice.choice([None, -127.0, 85.0])

    def says(minute: float, said: dict[str, float]) -> dict[str, float]:
        if minute >= silent and v in said:
            if error is None:
                del said[v]
            else:
                said[v] = error
        return said

    case.acts = [(dies, Act.HEATER_DIES, "", None)]
    # How it cools its neighbours tell, roughly: it is quicker or slower than they are.
    case.says, case.faulty, case.sums = says, frozenset({v}), False
    return case


def jumping(dice: random.Random) -> Drawn:
    case = _room(dice, "jumps now and then")
    v = _victim(dice, case)
    size, every = dice.uniform(1.5, 4.0) * dice.choice([-1, 1]), dice.randrange(4, 9)
    count = itertools.count(1)

    def says(minute: float, said: dict[str, float]) -> dict[str, float]:
        if v in said and next(count) % every == 0:
            said[v] += size
        return said

    case.says, case.faulty, case.must = says, frozenset({v}), 12 * 60.0
    return case


def doors(dice: random.Random) -> Drawn:
    """Nothing is wrong: doors are opened, at night the window."""
    case = _room(dice, "clean: doors")
    minute = 0.0
    for _ in range(dice.randrange(2, 6)):
        minute += dice.uniform(30.0, 180.0)
        case.acts += [(minute, Act.DOOR_OPENS, "", None), (minute + dice.uniform(2.0, 40.0), Act.DOOR_CLOSES, "", None)]
        minute = case.acts[-1][0]
    return case


def heaters(dice: random.Random) -> Drawn:
    """Nothing is wrong with a probe: the heater is switched, dies, sticks, or the fan stops."""
    case = _room(dice, "clean: heat")
    set_c = case.setting.heater.set_c
    what = dice.choice(["set", "dies", "sticks", "fan", "power"])
    at = dice.uniform(10.0, 120.0)
    script: dict[str, list[tuple[float, Act, str, float | None]]] = {
        "set": [(at, Act.THERMOSTAT_SET, "", set_c + dice.uniform(-3.0, 2.0))],
        "dies": [(at, Act.HEATER_DIES, "", None), (at + dice.uniform(60.0, 500.0), Act.HEATER_WORKS, "", None)],
        "sticks": [(at, Act.HEATER_STICKS_ON, "", None), (at + dice.uniform(60.0, 400.0), Act.HEATER_WORKS, "", None)],
        "fan": [(at, Act.FAN_STOPS, "", None), (at + 300.0, Act.FAN_RUNS, "", None)],
        "power": [(at, Act.POWER_FAILS, "", None), (at + dice.uniform(20.0, 90.0), Act.POWER_RETURNS, "", None)],
    }
    case.acts = script[what]
    # Whoever is silent with the others is told as that.
    case.may = frozenset({"room-quiet", "probe-quiet"})
    return case


def lids(dice: random.Random) -> Drawn:
    """Nothing is wrong: boxes are candled, or one is left open."""
    case = _room(dice, "clean: lids")
    minute = 20.0
    for box in dice.sample([b.id for b in case.room.boxes], dice.randrange(1, len(case.room.boxes) + 1)):
        case.acts += [
            (minute, Act.LID_OPENS, box, None),
            (minute + dice.choice([5.0, 20.0, 300.0]), Act.LID_CLOSES, box, None),
        ]
        minute = case.acts[-1][0] + dice.uniform(5.0, 60.0)
    return case


def in_air(dice: random.Random) -> Drawn:
    """Some or all probes of boxes hang in the air, as ever, more or less in the open; then the fan stops."""
    case = _room(dice, "always in the air", boxes=dice.choice([3, 4, 5]), air=True)
    boxes = {b.id: b for b in case.setting.boxes}
    out = dice.sample(sorted(boxes), dice.choice([1, 1, 2, len(boxes)]))
    probes = tuple(
        replace(p, box="", height_cm=boxes[p.id].height_cm, tau_s=dice.choice([60.0, 120.0, 600.0, 2400.0]))
        if p.id in out else p
        for p in case.setting.probes
    )  # fmt: skip
    case.setting = replace(case.setting, probes=probes, fan_leaves=0.1, gradient_heated_k_per_m=5.0)
    watch = Watch(repeat_now_s=3600.0, uneven_c=1.0, uneven_over_s=6 * 3600.0)
    case.room = replace(case.room, watch=watch, limits=Limits(60.0, 0.0))
    case.acts = [(60.0, Act.FAN_STOPS, "", None)]
    # What it always does has shown by the time of the fault: doors were opened on the day before as well.
    for at in (dice.uniform(-1200.0, -900.0), dice.uniform(-800.0, -300.0), dice.uniform(200.0, 600.0)):
        case.acts += [(at, Act.DOOR_OPENS, "", None), (at + dice.uniform(15.0, 40.0), Act.DOOR_CLOSES, "", None)]
    case.airy, case.uneven, case.hours = frozenset(out), True, 16.0
    return case


KINDS: Final[Mapping[str, Callable[[random.Random], Drawn]]] = {
    f.__name__: f
    for f in (
        stuck, hung, other_unit, new_with_another_unit, fell_colder, fell_warmer, fell_equal, swapped, blind, jumping,
        doors, heaters, lids, in_air,
    )
}  # fmt: skip


# -- playing ------------------------------------------------------------------------------------------------------


class _World:
    """A store, what is derived from it, and a room that speaks to it; minutes count from the fault."""

    def __init__(self, case: Drawn, folder: Path, seed: int) -> None:
        self.case = case
        self.store = Store(folder)
        self.store.db.connection.execute("PRAGMA synchronous=OFF")
        self.derived = Derived(self.store, Settings(case.room, Broker()), load_profile)
        self.sim = SimRoom(case.setting, seed=seed)
        self.sim.advance(12 * 3600.0)
        self.contexts = {p.id: Context() for p in case.room.probes}
        dice = random.Random(seed)
        self.phase = {p.id: dice.randrange(round(p.interval_s / 60.0)) for p in case.room.probes}
        self.truth: dict[str, list[tuple[float, float]]] = {b.id: [] for b in case.room.boxes}
        self.notices: list[tuple[float, Notice]] = []
        at = BEGIN_MS - HISTORY_MIN * MINUTE_MS
        for i, box in enumerate(case.room.boxes):
            told = {"clutch": f"K{i}", "at_ms": at, "recorded_ms": at, "eggs": 6}
            self.store.account.tell(KeeperEvent(EventKind.LAID, species=SPECIES, **told))  # type: ignore[arg-type]
            self.store.account.tell(KeeperEvent(EventKind.SET, box=box.id, **told))  # type: ignore[arg-type]
        self.service = Service(started_ms=at)

    def minute(self, minute: float) -> list[Reading]:
        """Go on by a minute; what arrives then."""
        self.sim.advance((12 * 60 + HISTORY_MIN + minute) * 60.0)
        whole = round(minute)
        due = {p.id: p for p in self.case.room.probes if whole % round(p.interval_s / 60.0) == self.phase[p.id]}
        if whole % 5 == 0:
            for box, course in self.truth.items():
                course.append((minute, self.sim.box_c(box)))
        if not due:
            return []
        said = {name: value for name, value in self.sim.read().items() if name in due}
        if self.case.says is not None and (minute >= 0.0 or self.case.name.startswith("new")):
            said = self.case.says(minute, said)
        at_ms = BEGIN_MS + whole * MINUTE_MS
        made = []
        for name, value in said.items():
            reading, self.contexts[name] = judge(Reading(name, at_ms, value, at_ms), self.contexts[name], due[name])
            made.append(reading)
        return made

    def round(self, minute: float) -> None:
        """As the service makes one, without its channels."""
        now = BEGIN_MS + round(minute) * MINUTE_MS
        self.derived.follow(now)
        outcome = evaluate(self.derived.snapshot(now, self.service))
        self.derived.judged |= {c.key: c for c in outcome.conditions}
        before = outcome.snapshot.conditions
        worth = [c for c in outcome.conditions if c.differs(before.get(c.key, Condition(*c.key)))]
        self.store.ledger.commit(worth, outcome.transitions, outcome.notices, {})
        self.notices += [(minute, n) for n in outcome.notices]
        if outcome.failed:
            raise AssertionError(f"{self.case.name}: {outcome.failed}")
        if minute % 60 == 0:
            self.store.folding.fold(now, self.derived.readings.seen_seq)
            self.derived.hours.refresh(now)

    def sums(self, box: str, from_min: float, to_min: float) -> tuple[float, float]:
        """Development of a box's lot by the program, and by the room itself, over a span."""
        i = [b.id for b in self.case.room.boxes].index(box)
        now = BEGIN_MS + round(to_min) * MINUTE_MS
        clutch = self.store.account.clutches(now)[f"K{i}"]
        species = self.derived.book.of(SPECIES)
        assert species.curve is not None
        history = self.derived.histories.history(clutch, clutch.lot(f"K{i}/{box}"), species, now)
        a, b = (history.development_at(BEGIN_MS + round(m) * MINUTE_MS) for m in (from_min, to_min))
        rows = [(m, c) for m, c in self.truth[box] if from_min <= m <= to_min]
        at = np.array([BEGIN_MS + round(m) * MINUTE_MS for m, _ in rows], np.int64)
        parts = hourly_parts(at, np.array([c for _, c in rows]), species.curve, 7200.0)
        return b - a, float(parts.development.sum())


def play(kind: str, seed: int) -> Tried:
    """One room drawn by a seed, through its fault."""
    case = KINDS[kind](random.Random(f"{kind} {seed}"))
    tried = Tried(f"{case.name} #{seed}", sums=case.sums, most_off=case.most_off)
    with tempfile.TemporaryDirectory() as name:
        world = _World(case, Path(name), seed)
        acts = sorted(case.acts, key=lambda a: a[0])
        pending: list[Reading] = []
        for minute in range(-HISTORY_MIN + 1, round(case.hours * 60) + 1):
            while acts and acts[0][0] <= minute:
                _, act, subject, value = acts.pop(0)
                world.sim.do(Action(world.sim.at_s, act, subject, value))
            pending += world.minute(float(minute))
            if minute % ROUND_MIN == 0 and minute > -60:
                world.store.journal.ingest(pending)
                pending = []
                world.round(float(minute))
        _judge(world, tried)
        world.store.close()
    return tried


def _judge(world: _World, tried: Tried) -> None:
    case, end = world.case, world.case.hours * 60.0
    beyond = {b.id: _spells(world.truth[b.id], case.room.limits) for b in case.room.boxes}
    for minute, n in world.notices:
        if n.change == "cleared":
            continue
        for subject in n.subjects:
            if n.kind in ACCUSES | SILENT and n.change == "raised":
                tried.accused.append((minute, n.kind, subject))
                innocent = not (set(subject.split("/")) & case.faulty) or (minute < 0.0 and n.kind not in SILENT)
                if n.kind == "probe-in-air":
                    innocent = subject not in case.airy
                if innocent and n.kind not in case.may:
                    tried.innocents.append(f"{n.kind} {subject} after {minute:.0f} min")
            if n.kind in ("too-warm", "too-cool", "harm-reached", "heading"):
                true = any(side == n.kind[4:] or n.kind in ("harm-reached", "heading") for side, *_ in beyond[subject])
                if not true and subject not in case.faulty:
                    tried.innocents.append(f"{n.kind} {subject} after {minute:.0f} min, which it never was")
                if not true and subject in case.faulty and _late(case, minute) and LOOK_AT_PROBE not in n.text:
                    tried.unled.append(f"{n.kind} {subject} after {minute:.0f} min asks for the heat first")
    times = [
        (k, s)
        for m, k, s in tried.accused
        if case.must is not None and m <= case.must and set(s.split("/")) & case.faulty
    ]
    if case.must is not None and not times:
        tried.missed.append(f"{', '.join(case.faulty)} not accused by {case.must:.0f} min")
    found_min = min((m for m, _, s in tried.accused if set(s.split("/")) & case.faulty), default=0.0)
    for box, spells in beyond.items():
        for side, from_min, surely_min, to_min in spells:
            # Nobody can tell it of a box whose probe is not found yet.
            by_min = max(surely_min, found_min if box in case.faulty else 0.0) + 70.0
            told = any(m <= by_min and n.change != "cleared" and _tells(n, box, side) for m, n in world.notices)
            if to_min - surely_min >= 60.0 and not told:
                tried.missed.append(f"box {box} is too {side} from {from_min:.0f} min on")
    if case.uneven and not any(n.kind == "stack-uneven" for _, n in world.notices) and _apart(world) > 1.3:
        tried.missed.append(f"uneven by {_apart(world):.1f} K")
    asked = [x[1:] for x in tried.accused if x[1] == "probe-in-air"]
    tried.innocents += [f"{k} {s} asked again" for k, s in set(asked) if asked.count((k, s)) > 1]
    for box in case.faulty & {b.id for b in case.room.boxes}:
        measured, truly = world.sums(box, 0.0, end)
        _, before = world.sums(box, -600.0, 0.0)
        tried.off = max((tried.off, (measured - truly) / (before * end / 600.0)), key=abs)


def _late(case: Drawn, minute: float) -> bool:
    began = next((m for m, act, *_ in case.acts if act is Act.PROBE_LIES_ELSEWHERE), 0.0)
    back = next((m for m, act, *_ in case.acts if act is Act.PROBE_BACK_IN), 1e9)
    return began + FOUND_MIN <= minute < back


def _tells(n: Notice, box: str, side: str) -> bool:
    """Whether a notice tells that a box is beyond, of itself or as one that is not seen."""
    if n.kind == f"too-{side}" and box in n.subjects:
        return True
    return f"most likely too {side}" in n.text and box in n.text


def _spells(course: Iterable[tuple[float, float]], limits: Limits) -> list[tuple[str, float, float, float]]:
    """Side, minute from which it may be beyond, from which it surely is, and the last of that."""
    rows = [(m, c) for m, c in course if m >= -60.0]
    found = []
    for side, limit, sign in (("warm", limits.too_warm_c, 1.0), ("cool", limits.too_cool_c, -1.0)):
        assert limit is not None
        maybe = [m for m, c in rows if sign * (c - limit) >= -SURE_C]
        surely = [m for m, c in rows if sign * (c - limit) >= SURE_C]
        if maybe:
            found.append((side, maybe[0], surely[0] if surely else 1e9, surely[-1] if surely else 0.0))
    return found


def _apart(world: _World) -> float:
    """What the means of the last six hours, as heard, are apart by."""
    now = BEGIN_MS + round(world.case.hours * 60) * MINUTE_MS
    profile = world.derived.boxes.stack_profile("rack", now)
    return 0.0 if profile is None else profile.difference_c


def measure(rooms: int = 5, seed: int = 1, only: str = "") -> Figures:
    """``rooms`` of each kind of fault; of the kinds whose name holds ``only``."""
    jobs = [(kind, seed * 1000 + i) for i in range(rooms) for kind in KINDS if only in kind]
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(2, os.cpu_count() or 1), mp_context=spawn) as pool:
        found = list(pool.map(play, *zip(*jobs, strict=True)))
    figures: dict[str, float | int | str] = {
        "rooms": len(found),
        "right_accused": sum(bool(t.accused) and not t.missed for t in found),
        "innocent_accused": sum(bool(t.innocents) for t in found),
        "missed": sum(bool(t.missed) for t in found),
        "asked_for_heat_first": sum(bool(t.unled) for t in found),
        "sum_off_most_pct": round(100 * max((abs(t.off) for t in found), default=0.0), 1),
    }
    short: list[str] = [] if found else [f"no kind of fault has {only!r} in its name: {', '.join(KINDS)}"]
    for t in found:
        first: dict[str, float] = {}
        for minute, kind, subject in t.accused:
            first.setdefault(f"{kind} {subject}", minute)
        told = ", ".join(f"{what} after {minute:.0f} min" for what, minute in first.items()) or "nobody"
        figures[t.name] = f"{told}; sum off {100 * t.off:+.1f} %"
        short += [f"{t.name}: innocent: {x}" for x in t.innocents]
        short += [f"{t.name}: missed: {x}" for x in t.missed]
        short += [f"{t.name}: {x}" for x in t.unled]
        if abs(t.off) > t.most_off and t.sums:
            short.append(f"{t.name}: its sum is off by {100 * t.off:+.1f} %")
    notes = [
        "rooms, boxes, intervals, offsets, units, magnitudes and moments drawn by seed; a round each 10 min",
        "sums: of the time since the fault, against the room's own temperature, as share of what it is at the",
        f"temperature of before; off by {100 * MOST_OFF:.0f} % at most, where the box was never measured before by",
        f"{100 * MOST_OFF_NEW:.0f} %",
        "of probes that changed places, of a new one with one other alone, and of how a box cools that is not seen,",
        "nobody can tell: those sums may be off by more",
    ]
    return Figures(figures, short, notes)
