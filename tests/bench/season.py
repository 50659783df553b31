"""One continuous season in a simulated room: clutches from laid to hatched, over thirty faults, kills and restarts.

The room, the faults and what a keeper wants to hear of each are those of :mod:`tests.bench.faults`; here they come one
after another, some two at once, to one service that is never started from a copy of a calm moment. The service is torn
down without a stop at drawn moments and started on what that left on the disk; the broker is restarted; one of the two
channels fails by a script. At the end everything that was published must be stored, once, with its value; sums must be
those of one integration of what was published; each notice must have arrived through each channel that takes it.
"""

from __future__ import annotations

import contextlib
import json
import random
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from monitor.config.library import load_profile
from monitor.core.notices.kinds import all_kinds
from monitor.core.notices.notice import Notice
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.settings import Box, Channel, Probe, Settings
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.room import Derived
from monitor.simulation.room import Act, Action, SimBox, SimProbe, SimRoom, SimSetting
from tests.bench import Figures
from tests.bench.faultroom import (
    BOXES,
    COOL_C,
    LEAD_MIN,
    STEP_MIN,
    WARM_C,
    Fault,
    Mangle,
    Message,
    Played,
    World,
    came,
    judge,
    message,
    ms,
    of_truth,
    settings,
    simulated,
)
from tests.bench.faults import every
from tests.core.lots import past_of, window_of
from tests.oracles.sums import degree_days
from tests.sinks import Sink, http_sink

SPECIES: Final = "elaphe-taeniura"
SHELF: Final = {"near": 60.0, "far": 130.0}
DAY_MIN: Final = 24 * 60
MORNING_MIN: Final = 8 * 60
# In busy times so many steps have a round between their readings and the next.
BETWEEN_SHARE: Final = 0.25
# The room is calm for so long before the first fault, and between two; what lasts is put right in between.
FIRST_H: Final = 30
CALM_H: Final = 18
# After a quiet room was heard again, until what is still quiet is told for itself.
HEARD_MIN: Final = 30.0
# True of a room over a season, whatever the fault: what lots and boxes of different heights come to; and that a channel
# took nothing for a quarter of an hour, since one try in five fails here and the next is only made at the next round.
ALWAYS: Final = (
    "notices-stuck",
    "siblings-apart", "window-near", "window-open", "window-past", "calibration-due", "daily-line", "heat-sum",
    "heat-exposure",
)  # fmt: skip
# In the order in which they are played; a pair is two at once. Those come first that the short form plays, too.
ORDER: Final[tuple[tuple[str, ...], ...]] = (
    ("probe quiet",),
    ("heater dead for five hours",),
    ("broker killed",),
    ("channel refuses for two hours",),
    ("garbage payload",),
    ("power cut for three hours",),
    ("humidity probe quiet", "killed while calm"),
    ("heater stuck on for eight hours",),
    ("85 for ever",),
    ("air probe quiet", "door open for an hour"),
    ("-127",),
    ("broker stopped for an hour",),
    ("lid open for three hours",),
    ("NaN",),
    ("thermostat 3 C too low",),
    ("every message twice", "killed while a probe is quiet"),
    ("login refused for an hour",),
    ("Fahrenheit",),
    ("stuck code while the set point falls",),
    ("readings buffered for two hours",),
    ("network cut for an hour",),
    ("out of its box, then the door",),
    ("power cut for ten minutes",),
    ("humidity probe quiet", "broker killed"),
    ("wrong topic",),
    ("85 once", "door open for five minutes"),
    ("\"unavailable\"",),
    ("fan stops",),
    ("killed while it is too warm",),
    ("noise times ten",),
    ("noise times sixty",),
    ("probe's clock two hours behind",),
    ("lid lifted for five minutes",),
    ("cold night",),
    ("heater dead for five hours", "channel refuses for two hours"),
    ("retained old message",),
    ("thermostat 3 C too high",),
)  # fmt: skip
# What puts right what a fault leaves behind.
MENDS: Final = (
    (Act.HEATER_WORKS, "", None), (Act.THERMOSTAT_SET, "", 28.0), (Act.FAN_RUNS, "", None),
    (Act.DOOR_CLOSES, "", None), (Act.LID_CLOSES, "top", None), (Act.WETNESS, "top", 92.0),
    (Act.PROBE_WORKS, "upper-t", None), (Act.PROBE_WORKS, "air-t", None), (Act.PROBE_WORKS, "top-h", None),
    (Act.PROBE_BACK_IN, "middle-t", None), (Act.OUTDOORS, "", simulated().outdoors_c),
)  # fmt: skip


@dataclass(frozen=True)
class Episode:
    """One fault, or two at once, at a minute of the season."""

    names: tuple[str, ...]
    fault: Fault
    start_min: int
    end_min: int
    """When it is put right; judged until the next one begins."""


@dataclass
class Account:
    """What was published plainly: probe -> (ms, value); and the true course of each box."""

    published: dict[str, dict[int, float]] = field(default_factory=dict)
    minutes: list[float] = field(default_factory=list)
    truth: dict[str, list[float]] = field(default_factory=dict)
    seen: list[bool] = field(default_factory=list)
    windows: list[str] = field(default_factory=list)


def two_stacks() -> tuple[SimSetting, Settings]:
    """The room of the faults with a second stack in it, whose probes no fault touches."""
    room, given = simulated(), settings()
    room = replace(
        room,
        boxes=(*room.boxes, *(SimBox(name, height_cm) for name, height_cm in SHELF.items())),
        probes=(*room.probes, *(SimProbe(f"{name}-t", box=name) for name in SHELF)),
    )
    model = given.room.probes[0]
    assert isinstance(model, Probe)
    boxes = tuple(Box(name, "shelf", height_cm, WARM_C, COOL_C) for name, height_cm in SHELF.items())
    probes = tuple(replace(model, id=f"{name}-t", topic=f"room/{name}-t", box=name) for name in SHELF)
    whole = replace(
        given.room,
        stacks=(*given.room.stacks, "shelf"),
        boxes=(*given.room.boxes, *boxes),
        probes=(*given.room.probes, *probes),
    )
    return room, replace(given, room=whole)


def planned(days: float, first_h: int = FIRST_H, calm_h: int = CALM_H, most_h: float = float("inf")) -> list[Episode]:
    """As many of the faults as there is room for, each for so many hours at most."""
    table = every()
    found = []
    at = first_h * 60
    for names in ORDER:
        fault = together([table[name] for name in names])
        end = at + round(min(fault.hours, most_h) * 60)
        after = end + calm_h * 60
        if after > days * DAY_MIN:
            break
        found.append(Episode(names, fault, at, end))
        at = after // 60 * 60
    return found


def together(faults: Sequence[Fault]) -> Fault:
    """Several at once, as one; in a room with a second stack, which becomes uneven with the first."""
    if any(w.kind == "stack-uneven" for f in faults for w in f.wants):
        faults = [replace(f, may=(*f.may, "stack-uneven shelf")) for f in faults]
    if len(faults) == 1:
        return faults[0]
    # Cause before effect: while no probe is heard, none is told as quiet by itself.
    deaf_min = max((f.ends_min or 0.0 for f in faults if any(w.kind == "room-quiet" for w in f.wants)), default=0.0)
    faults = [
        replace(
            f,
            wants=tuple(
                replace(w, by_min=w.by_min + deaf_min + HEARD_MIN) if deaf_min and w.kind == "probe-quiet" else w
                for w in f.wants
            ),
        )
        for f in faults
    ]
    ends = [f.ends_min for f in faults if f.ends_min is not None]
    mangles = [f.mangle for f in faults if f.mangle is not None]
    assert len(mangles) <= 1
    return Fault(
        " and ".join(f.name for f in faults),
        max(f.hours for f in faults),
        tuple(dict.fromkeys(w for f in faults for w in f.wants)),
        tuple(sorted((a for f in faults for a in f.acts), key=lambda a: a[0])),
        tuple(sorted((d for f in faults for d in f.deeds), key=lambda d: d[0])),
        mangles[0] if mangles else None,
        max(ends) if ends else None,
        tuple(k for f in faults for k in f.may),
        tuple(b for f in faults for b in f.blind),
        channel=any(f.channel for f in faults),
    )


class _Moody:
    """A receiver that answers by a script, unless a fault wants it to answer otherwise for a while."""

    def __init__(self, sink: Sink, script: str) -> None:
        self._sink, self.script = sink, script
        sink.script = script

    @property
    def then(self) -> str:
        return self._sink.then

    @then.setter
    def then(self, sign: str) -> None:
        self._sink.then = sign
        self._sink.script = self.script if sign == "." else ""


@contextlib.contextmanager
def _world(folder: Path, dice: random.Random) -> Iterator[tuple[World, Mapping[str, Sink]]]:
    """Room, service, broker, and two receivers: one whose channel fails now and then, one that always takes."""
    room, given = two_stacks()
    # Now and then a message is cut off after it came, refused, or refused for now.
    script = "".join(dice.choices(".x54", (12, 1, 1, 1), k=4000))
    with http_sink(script) as hook, http_sink() as mail:
        channels = (
            Channel("hook", f"json://127.0.0.1:{hook.port}/", ("now", "today"), timeout_s=5.0),
            Channel("mail", f"json://127.0.0.1:{mail.port}/", timeout_s=5.0),
        )
        world = World(SimRoom(room, seed=3), replace(given, channels=channels), folder, 0)
        world.sink = _Moody(hook, script)  # type: ignore[assignment]
        try:
            yield world, {"hook": hook, "mail": mail}
        finally:
            world.close()


def measure(
    days: float = 75.0,
    seed: int = 1,
    kill_every_days: float = 2.0,
    first_h: int = FIRST_H,
    calm_h: int = CALM_H,
    most_h: float = float("inf"),
) -> Figures:
    """``days`` of the season; a kill in every so many at a drawn moment, beside those of the faults themselves; hours
    before the first fault, and between two; hours that a fault is played at most."""
    dice = random.Random(seed)
    episodes = planned(days, first_h, calm_h, most_h)
    short: list[str] = []
    notes: list[str] = []
    with tempfile.TemporaryDirectory() as name, _world(Path(name), dice) as (world, sinks):
        account = Account(truth={box: [] for box in (*BOXES, *SHELF)})
        kill_after_min = min(5, calm_h - 1) * 60
        deaths = _play(world, episodes, account, days, dice, kill_every_days, kill_after_min)
        figures: dict[str, float | int | str | None] = {
            "days": days,
            "faults": sum(len(e.names) for e in episodes),
            "two at once": sum(len(e.names) > 1 for e in episodes),
            "deaths of the service": deaths,
        }
        _settle_channels(world, short)
        figures |= _stored(world, account, episodes, short)
        figures |= _sums(world, account, short)
        figures |= _told(world, account, episodes, short, notes)
        figures |= _delivered(world, sinks, short)
        notes += account.windows
    return Figures(figures, short, notes)


# -- playing it --------------------------------------------------------------------------------------------------------


def _play(
    world: World,
    episodes: Sequence[Episode],
    account: Account,
    days: float,
    dice: random.Random,
    kill_every: float,
    kill_after_min: int,
) -> int:
    room = world.room
    world.app.parts.store.account.tell(_event(EventKind.LAID, "K01", 0, species=SPECIES, eggs=12))
    world.app.parts.store.account.tell(_event(EventKind.SET, "K01", 0, box="near", eggs=12))
    second = round(min(10.0, days / 3) * DAY_MIN)
    deaths, told_of_second = 0, False
    acts = [(e.start_min + at, act, s, v) for e in episodes for at, act, s, v in e.fault.acts]
    acts += [(e.end_min, *mend) for e in episodes for mend in MENDS]
    acts.sort(key=lambda a: a[0])
    deeds = [(e.start_min + at, deed) for e in episodes for at, deed in e.fault.deeds]
    deeds.sort(key=lambda d: d[0])
    # Kills at drawn moments of the calm times, so that a fault's own account is its own.
    calm = [e.end_min + kill_after_min for e in episodes]
    kills = sorted(m + dice.randrange(0, 60, 5) for m in calm[:: max(1, round(kill_every / 1.5))])
    hatch, between = Hatching(world, "K01", "near", dice), random.Random(2)
    for minute in range(STEP_MIN, round(days * DAY_MIN) + 1, STEP_MIN):
        while acts and acts[0][0] <= minute:
            at, act, subject, value = acts.pop(0)
            room.advance(at * 60.0)
            room.do(Action(at * 60.0, act, subject, value))
        room.advance(minute * 60.0)
        world.minute = minute
        world.clock.at_ms = ms(minute) + world.off_ms
        while deeds and deeds[0][0] <= minute:
            deeds.pop(0)[1](world)
        if kills and kills[0] <= minute and world.reachable:
            kills.pop(0)
            _kill(world)
            deaths += 1
        if not told_of_second and minute >= second:
            told_of_second = True
            world.app.parts.store.account.tell(_event(EventKind.LAID, "K02", minute, species=SPECIES, eggs=8))
            world.app.parts.store.account.tell(_event(EventKind.SET, "K02", minute, box="far", eggs=8))
        if minute % DAY_MIN == MORNING_MIN:
            world.app.parts.orders.put("daily")
        now = next((e for e in episodes if e.start_min <= minute < e.end_min), None)
        mangle = _shifted(now) if now is not None else None
        # In calm times a round every twenty minutes, as seldom as a keeper would not notice.
        busy = any(e.start_min - LEAD_MIN <= minute < e.end_min + 4 * 60 for e in episodes)
        world.step(minute, _noted(account, mangle), with_round=minute % (10 if busy else 20) == 0)
        if busy and between.random() < BETWEEN_SHARE:
            world.look(minute + between.uniform(0.01, 0.99) * STEP_MIN)
        hatch.look(minute, account)
        account.minutes.append(minute)
        account.seen.append(room.power and world.reachable)
        for box, course in account.truth.items():
            course.append(room.box_c(box))
    world.settle()
    return deaths + sum(d[1] is World.kill_service for e in episodes for d in e.fault.deeds)


def _event(kind: EventKind, clutch: str, minute: float, **more: object) -> KeeperEvent:
    return KeeperEvent(kind, clutch=clutch, at_ms=ms(minute), recorded_ms=ms(minute), **more)  # type: ignore[arg-type]


def _kill(world: World) -> None:
    """Torn down without a stop; what was left behind by earlier ones is cleared away."""
    before = world.data
    world.kill_service()
    shutil.rmtree(before, ignore_errors=True)


def _shifted(episode: Episode) -> Mangle | None:
    """A fault's messages, in minutes from its own beginning."""
    mangle = episode.fault.mangle
    if mangle is None:
        return None

    def shifted(world: World, probe: str, minute: float, value: float) -> list[Message]:
        made = mangle(world, probe, minute - episode.start_min, value)
        return [(topic, _redated(payload, episode.start_min), retain) for topic, payload, retain in made]

    return shifted


def _redated(payload: bytes, by_min: int) -> bytes:
    """A message that was dated from the beginning of its fault, dated in the season."""
    try:
        told = json.loads(payload)
        at = datetime.fromisoformat(told["at"])
    except (ValueError, KeyError, TypeError):
        return payload
    return json.dumps({"at": (at + timedelta(minutes=by_min)).isoformat(), "value": told["value"]}).encode()


def _noted(account: Account, mangle: Mangle | None) -> Mangle:
    """Messages as they are published, each plain one written down for the account."""

    def noted(world: World, probe: str, minute: float, value: float) -> list[Message]:
        plain = (f"room/{probe}", message(ms(minute), value), False)
        made = [plain] if mangle is None else mangle(world, probe, minute, value)
        if plain in made and world.reachable:
            account.published.setdefault(probe, {})[ms(minute)] = value
        return made

    return noted


@dataclass
class Hatching:
    """Eggs that develop at the true temperature of their box, and a keeper who looks each morning."""

    world: World
    clutch: str
    box: str
    dice: random.Random
    development: float = 0.0
    eggs: list[float] = field(default_factory=list)
    told: int = 0
    last_look_min: float = 0.0

    def __post_init__(self) -> None:
        self.curve = load_profile(SPECIES).curve()
        shared = self.dice.gauss(0.0, 0.03)
        self.eggs = sorted(float(np.exp(shared + self.dice.gauss(0.0, 0.02))) for _ in range(12))

    def look(self, minute: int, account: Account) -> None:
        rate = self.curve.rate_per_day(self.world.room.box_c(self.box))
        self.development += float(rate) * STEP_MIN / DAY_MIN
        if minute % DAY_MIN != 2 * 60 or not self.world.reachable:
            return
        out = sum(e <= self.development for e in self.eggs)
        lot = next((x for x in self.world.app.parts.derived.lots(ms(minute)) if x.lot.clutch == self.clutch), None)
        if lot is not None and lot.first_pip is not None and (minute // DAY_MIN) % 10 == 0 and not self.told:
            window = window_of(lot)
            days = [(at - ms(0)) / DAY_MS for at in (window.p10_ms, window.p50_ms, window.p90_ms)]
            account.windows.append(
                f"day {minute // DAY_MIN}: first pip of {self.clutch} expected on day {days[1]:.1f} "
                f"({days[0]:.1f} to {days[2]:.1f}, 8 in 10); development {past_of(lot).development:.3f}, "
                f"true {self.development:.3f}"
            )
        if out > self.told:
            if not self.told:
                account.windows.append(f"day {minute // DAY_MIN}: {out} of {self.clutch} pipped since the day before")
            event = _event(EventKind.PIPPED, self.clutch, minute, box=self.box, eggs=out - self.told)
            self.world.app.parts.store.account.tell(replace(event, not_yet_at_ms=ms(self.last_look_min)))
            self.told = out
        self.last_look_min = minute


# -- what it came to ---------------------------------------------------------------------------------------------------


def _settle_channels(world: World, short: list[str]) -> None:
    """The channels take what they are given from now on; what waits for another try, or for its time, is awaited."""
    world.sink.script = ""
    world.sink.then = "."
    for _ in range(60):
        world.clock.at_ms += HOUR_MS
        world.app.parts.delivery.drain(20)
        if not any(world.app.parts.delivery.status()[c.id].waiting for c in world.given.channels):
            return
    short.append("notices still wait two and a half days after the end")


def _stored(
    world: World, account: Account, episodes: Sequence[Episode], short: list[str]
) -> dict[str, float | int | str | None]:
    """Every plain reading is stored once, with its value; what else is stored comes from a fault's own messages."""
    lost = doubled = wrong = strange = 0
    spans = [(e.start_min, e.end_min) for e in episodes if e.fault.mangle is not None]
    for probe in world.given.room.probes:
        c = world.app.parts.store.readings.load([probe.id], 0, 2**62)[probe.id]
        wanted = account.published.get(probe.id, {})
        count = Counter(c.at.tolist())
        have = dict(zip(c.at.tolist(), c.value.tolist(), strict=True))
        gone = sorted(at for at in wanted if at not in have)
        lost += len(gone)
        if gone:
            days = ", ".join(f"{(at - ms(0)) / DAY_MS:.3f}" for at in gone[:5])
            short.append(f"{len(gone)} readings of {probe.id} are lost: days {days}")
        doubled += sum(n - 1 for n in count.values())
        wrong += sum(at in have and have[at] != value for at, value in wanted.items())
        odd = [(at - ms(0)) / 60_000 for at in have if at not in wanted]
        strange += sum(not any(a - 200 <= at <= b + 200 for a, b in spans) for at in odd)
    figures: dict[str, float | int | str | None] = {
        "readings published plainly": sum(len(v) for v in account.published.values()),
        "readings lost": lost,
        "readings doubled": doubled,
        "readings with another value": wrong,
        "readings that nobody published": strange,
        "damage in the store": len(world.app.parts.store.db.check()),
    }
    short += [f"{name} is {n}" for name, n in figures.items() if n and not name.startswith("readings published")]
    return figures


def _sums(world: World, account: Account, short: list[str]) -> dict[str, float | int | str | None]:
    """Degree-days of the lot in ``near`` against one integration of what its probe published, hour by hour."""
    derived = Derived(world.app.parts.store, world.app.parts.settings, load_profile)
    species = derived.book.of(SPECIES)
    assert species.curve is not None
    box = world.given.room.box("near")
    assert box is not None
    # A probe whose power returned says 85 once: the value it wakes up with, and no temperature.
    series = {t: v for t, v in account.published["near-t"].items() if v != 85.0}
    at = np.array(sorted(series), np.int64)
    values = np.array([series[int(t)] for t in at])
    first, last = int(at[0]) // HOUR_MS + 1, int(at[-1]) // HOUR_MS
    figures: dict[str, float | int | str | None] = {}
    for which in ("running", "rebuilt"):
        if which == "rebuilt":
            world.app.parts.store.parts.forget_all()
            derived = Derived(world.app.parts.store, world.app.parts.settings, load_profile)
        table = derived.hours.table(box, species, first * HOUR_MS, last * HOUR_MS, int(at[-1]))
        whole = np.flatnonzero(table.covered_s >= 3600.0 - 1e-6)
        # One integration over each stretch without a hole; readings an hour before and after belong to it.
        mean = float((table.mean_c[whole] - species.curve.base_c).clip(0).sum() / 24.0)
        once = 0.0
        for hour in whole:
            begin = (first + int(hour)) * HOUR_MS
            edge = np.array([begin, begin + HOUR_MS], np.int64)
            inside = (at > begin) & (at < begin + HOUR_MS)
            ends = np.interp(edge, at, values)
            t = np.concatenate([edge[:1], at[inside], edge[1:]])
            v = np.concatenate([ends[:1], values[inside], ends[1:]])
            once += degree_days(t, v, species.curve.base_c)
        off = abs(mean / once - 1.0)
        figures[f"hours summed, {which}"] = len(whole)
        figures[f"degree-days, {which}"] = round(mean, 3)
        figures[f"degree-days, {which}: relative error"] = off
        if not off <= 1e-6:
            short.append(f"degree-days ({which}) are {mean!r}, one integration gives {once!r}")
        if len(whole) < 0.9 * (last - first):
            short.append(f"only {len(whole)} of {last - first} hours are whole")
    lot = next(x for x in derived.lots(ms(account.minutes[-1])) if x.lot.clutch == "K01")
    figures["filled share of K01"] = round(past_of(lot).filled_share, 4)
    return figures


def _told(
    world: World, account: Account, episodes: Sequence[Episode], short: list[str], notes: list[str]
) -> dict[str, float | int | str | None]:
    """Each fault's notices against what was wanted, and nothing else."""
    everything = came(world.notices)
    counts: Counter[str] = Counter()
    good: set[tuple[str, str]] = set()
    quiet = [c for c in everything if c.at_min < episodes[0].start_min] if episodes else everything
    bounds = [*(e.start_min for e in episodes[1:]), float("inf")][: len(episodes)]
    for c in quiet:
        if c.kind not in ALWAYS:
            short.append(f"before any fault: {c} came, unexpected")
    up_at_end = {key for key, c in world.app.parts.store.ledger.conditions().items() if c.up}
    for e, until in zip(episodes, bounds, strict=True):
        mine = [replace(c, at_min=c.at_min - e.start_min) for c in everything if e.start_min <= c.at_min < until]
        within = [i for i, m in enumerate(account.minutes) if e.start_min - LEAD_MIN <= m < until]
        span = slice(within[0], within[-1] + 1)
        minutes = [m - e.start_min for m in account.minutes[span]]
        truth = {box: course[span] for box, course in account.truth.items()}
        limits = of_truth(e.fault, minutes, truth, account.seen[span])
        played = Played(e.fault)
        played.came = mine
        up = up_at_end if until == float("inf") else set()
        may = [m for w, m in limits if w is None]
        spell = any(
            c.kind in ("too-warm", "too-cool") and e.start_min - DAY_MIN <= c.at_min < e.start_min for c in everything
        )
        # The early notice is of what is beyond the last day: within a day of another spell it leaves the telling to the
        # limit, which is judged by the box's true temperature.
        wants = [w for w in e.fault.wants if not (spell and "heading" in w.kind)]
        judge(played, [*wants, *(w for w, _ in limits)], [*may, *ALWAYS, "heading"], up)
        # An end or a repeat of what an earlier fault brought belongs to that.
        older = {str(c) for c in mine if c.change != "raised" and (c.kind, c.subject) in good}
        # A fault that would last for ever is put right here, and its end may be told.
        brought = {(c.kind, c.subject) for _, c in played.met}
        older |= {
            str(c)
            for c in mine
            if c.change == "cleared" and (c.kind, c.subject) in brought and c.at_min >= e.end_min - e.start_min
        }
        played.unexpected = [text for text in played.unexpected if text not in older]
        good |= {(c.kind, c.subject) for c in mine}
        name = " and ".join(e.names)
        counts["wanted"] += len(played.met) + len(played.missing)
        counts["missing"] += len(played.missing)
        counts["unexpected"] += len(played.unexpected)
        short += [f"{name} (day {e.start_min / DAY_MIN:.1f}): {text} did not come" for text in played.missing]
        short += [f"{name} (day {e.start_min / DAY_MIN:.1f}): {text} came, unexpected" for text in played.unexpected]
    for at_min, notice in world.notices:
        if notice.change != "still":
            notes.append(f"day {at_min / DAY_MIN:6.2f} [{notice.urgency}] {notice.title}")
    waking = sum(n.urgency == "now" for _, n in world.notices)
    return {
        "notices": len(world.notices),
        "of them repeats": sum(n.change == "still" for _, n in world.notices),
        "of them now": waking,
        "wanted": counts["wanted"],
        "missing": counts["missing"],
        "unexpected": counts["unexpected"],
    }


def _in_no_line(notices: Sequence[Notice]) -> list[str]:
    """What was for later, and neither it nor a later word on the same stands in the next daily line: also that it
    is true again, or that it was told anew by itself before then."""
    missing, waiting = [], dict[tuple[str, str], list[str]]()
    says = {kind.name: kind.says for kind in all_kinds()}

    def stands(line: Notice, kind: str, subject: str, titles: Sequence[str]) -> bool:
        again = (f"{says[kind]} since" in told and subject in told for told in line.whole.splitlines())
        return any(title in line.whole for title in titles) or any(again)

    for n in sorted(notices, key=lambda n: n.id):
        if n.change == "daily":
            missing += [titles[-1] for of, titles in waiting.items() if not stands(n, *of, titles)]
            waiting = {}
        elif n.for_daily_line:
            for subject in n.subjects:
                waiting.setdefault((n.kind, subject), []).append(n.title)
        elif n.change == "raised":
            for subject in n.subjects:
                waiting.pop((n.kind, subject), None)
    return missing


def _delivered(world: World, sinks: Mapping[str, Sink], short: list[str]) -> dict[str, float | int | str | None]:
    """Each notice at each channel that takes it, by itself, in a digest or in the daily line; and what came twice, with
    its reason."""
    figures: dict[str, float | int | str | None] = {}
    notices: dict[int, Notice] = {n.id: n for n in world.app.parts.store.ledger.notices(1_000_000)}
    told = {n.key for _, n in world.notices}
    kept = {n.key for n in notices.values()}
    if not told <= kept:
        short.append(f"{len(told - kept)} notices of rounds are not in the ledger")
    history = Counter(
        (t.kind, t.subject) for t in world.app.parts.store.ledger.history(1_000_000) if t.change == "raised"
    )
    named = Counter((n.kind, s) for n in notices.values() for s in n.subjects)
    silent = [key for key in history if key not in named]
    if silent:
        short.append(f"raised and in no notice: {silent}")
    figures["for the daily line"] = sum(n.for_daily_line for n in notices.values())
    short += [f"in no daily line: {title}" for title in _in_no_line(list(notices.values()))]
    for channel in world.given.channels:
        sink = sinks[channel.id]
        taken = Counter(sink.keys())
        reached = Counter(a.key for a in sink.arrivals if a.sign in ".hx")
        digests = [a.text for a in sink.taken if a.key.startswith("digest/")]
        missing = [
            n.key
            for n in notices.values()
            # What is for later comes with the daily line.
            if n.change != "digest" and n.urgency in channel.urgencies and not n.for_daily_line and n.key not in taken
            and not any(n.title in text for text in digests)
        ]  # fmt: skip
        figures[f"{channel.id}: messages taken"] = sum(taken.values())
        figures[f"{channel.id}: digests"] = len(digests)
        figures[f"{channel.id}: notices missing"] = len(missing)
        figures[f"{channel.id}: doubled, though the sender knew"] = sum(n - 1 for n in taken.values())
        figures[f"{channel.id}: doubled, cut off after it came"] = sum(n - 1 for n in reached.values()) - sum(
            n - 1 for n in taken.values()
        )
        short += [f"{channel.id}: {key} did not arrive" for key in missing]
        states = Counter(o.state for o in world.app.parts.store.outbox.outgoing() if o.channel == channel.id)
        if set(states) - {"delivered", "not-needed"}:
            short.append(f"{channel.id}: rows are {dict(states)}")
    return figures
