"""A simulated room in which one fault is played to the real service, and what a keeper should have heard of it.

The room (``simulation.room``) has been calm for two weeks, the last thirty hours of them through the broker. Each
fault starts from a copy of that moment, with a mosquitto and a service of its own, on a simulated clock: the readings
of a moment are published, the service has stored them, and on its minutes it makes its round.

What must be told of a box that is too warm or too cool is read from the box itself (:func:`of_truth`), which no part
of the service can see; everything else is written down with the fault.
"""

from __future__ import annotations

import copy
import json
import random
import shutil
import signal
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np
import paho.mqtt.client as mqtt
from numpy.typing import NDArray
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.store import Columns, Store
from monitor.core.notices.kinds import all_kinds
from monitor.core.notices.notice import Notice
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.settings import Box, Broker, Channel, Limits, Probe, Room, Settings, Watch
from monitor.service.start import RoomService
from monitor.service.watchers import ClockWatch
from monitor.simulation.room import Act, Action, Heater, SimBox, SimProbe, SimRoom, SimSetting
from tests.bench.stepped import Clock
from tests.peers import Mosquitto, wait_for
from tests.sinks import Sink, http_sink

MINUTE_MS: Final = 60_000
# When the fault begins; any day would do that is later than the program, whose watch of the clock looks at that.
ZERO_MS: Final = int(datetime(2027, 5, 20, 6, tzinfo=UTC).timestamp() * 1000)
CALM_MIN: Final = 30 * 60
HISTORY_MIN: Final = 14 * 24 * 60
# The service is started anew for each fault, and gives probes their time after a start.
LEAD_MIN: Final = 30
STEP_MIN: Final = 5
STACK: Final = "rack"
BOXES: Final = {"lower": 40.0, "middle": 80.0, "upper": 120.0, "top": 160.0}
PROBES: Final = (*(f"{box}-t" for box in BOXES), "air-t", "top-h")
WARM_C: Final = 30.5
COOL_C: Final = 25.5
# A limit is surely passed, or surely not, when the box is so far from it: the probe's step, noise and lag.
SURE_C: Final = 0.15
# Boxes that follow a first one of one cause wait so long for each other (``notices.grouping``), and for the next
# round; so do the ends.
GATHER_MIN: Final = 40.0
KINDS: Final = {kind.name: kind for kind in all_kinds()}


def simulated() -> SimSetting:
    return SimSetting(
        boxes=tuple(SimBox(name, height_cm) for name, height_cm in BOXES.items()),
        probes=(
            *(SimProbe(f"{name}-t", box=name) for name in BOXES),
            SimProbe("air-t", height_cm=100.0),
            SimProbe("top-h", box="top", quantity="humidity", noise=0.3, lsb=0.1),
        ),
        heater=Heater(set_c=28.0, looks_every_s=60.0),
        fan_leaves=0.35,
    )


def settings() -> Settings:
    """Default settings but for the limits of this room."""
    plain = Probe(
        "", "", pointer="/value", time_pointer="/at", interval_s=300.0, quiet_after_s=900.0,
        standard_uncertainty=0.1, compared=True,
    )  # fmt: skip
    probes = [replace(plain, id=f"{box}-t", topic=f"room/{box}-t", box=box) for box in BOXES]
    probes.append(replace(plain, id="air-t", topic="room/air-t", stack=STACK, height_cm=100.0))
    probes.append(
        replace(plain, id="top-h", topic="room/top-h", box="top", quantity="humidity", unit="%", compared=False)
    )
    return Settings(
        room=Room(
            name="faulty room",
            zone="UTC",
            display_unit="C",
            stacks=(STACK,),
            boxes=tuple(Box(name, STACK, height_cm, WARM_C, COOL_C) for name, height_cm in BOXES.items()),
            probes=tuple(probes),
            limits=Limits(too_dry_pct=75.0),
            # The early notice is off unless asked for; here it is, so that it is judged as well.
            watch=Watch(heading_s=7200.0),
        ),
        broker=Broker(),
        commit_every_s=0.0,
    )


# -- what is wanted --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Want:
    """A notice that a keeper wants, in minutes after the fault began.

    ``kind``: one of several with ``|`` between; ``subject`` empty: any. ``clears``: minutes after the fault's end by
    which its end is told, None: not asked for here.
    """

    kind: str
    subject: str
    by_min: float
    from_min: float = 0.0
    clears: float | None = 45.0

    def __str__(self) -> str:
        return f"{self.kind} {self.subject or '(any)'}"


Message = tuple[str, bytes, bool]
Mangle = Callable[["World", str, float, float], list[Message]]
"""(world, probe, minute, value) -> messages (topic, payload, retained)."""
Deed = Callable[["World"], None]


@dataclass(frozen=True)
class Fault:
    """One thing that goes wrong, for itself.

    ``acts``: (minute, what, subject, value) in the room; ``deeds``: (minute, what is done) to broker, service and
    clock; ``mangle``: what becomes of the probes' messages. ``ends_min``: when it is over, None: it lasts. ``may``:
    kinds, or "kind subject", that are true consequences and no more than that. ``blind``: boxes whose own probe does
    not tell of the box, so that no limit can be judged.
    """

    name: str
    hours: float
    wants: tuple[Want, ...] = ()
    acts: tuple[tuple[float, Act, str, float | None], ...] = ()
    deeds: tuple[tuple[float, Deed], ...] = ()
    mangle: Mangle | None = None
    ends_min: float | None = None
    may: tuple[str, ...] = ()
    blind: tuple[str, ...] = ()
    round_min: int = 10
    change: Callable[[Settings, Path], Settings] | None = None
    channel: bool = False


@dataclass(frozen=True)
class Came:
    """One subject of one notice, in minutes after the fault began."""

    at_min: float
    kind: str
    subject: str
    change: str
    urgency: str

    def __str__(self) -> str:
        return f"{self.kind} {self.subject} {self.change} after {self.at_min:.0f} min"


@dataclass
class Played:
    """What one fault came to."""

    fault: Fault
    notices: list[Notice] = field(default_factory=list)
    came: list[Came] = field(default_factory=list)
    met: list[tuple[Want, Came]] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    unexpected: list[str] = field(default_factory=list)

    @property
    def first_s(self) -> float | None:
        """Simulated seconds from the fault to the first notice that was wanted."""
        return min((c.at_min * 60.0 for _, c in self.met), default=None)


# -- the world of one fault ------------------------------------------------------------------------------------------


def message(at_ms: float, value: object) -> bytes:
    at = datetime.fromtimestamp(at_ms / 1000, UTC).isoformat()
    return json.dumps({"at": at, "value": value}).encode()


def ms(minute: float) -> int:
    return ZERO_MS + round(minute * MINUTE_MS)


class World:
    """Room, broker, service and clock; minutes count from the fault's beginning."""

    def __init__(self, room: SimRoom, given: Settings, folder: Path, minute: float) -> None:
        self.room, self.given, self.folder = room, given, folder
        self.minute = minute
        self.clock = Clock(ms(minute))
        self.off_ms = 0
        self.broker = Mosquitto(folder / "broker")
        self.reachable = True
        self.away = False
        self.data = folder / "data"
        self.notices: list[tuple[float, Notice]] = []
        self.kept: dict[str, list[Message]] = {}
        self.dice = random.Random(1)
        self.sink = Sink()
        self._expected = 0
        self.broker.start()
        self.start_service()
        self.publisher = self._publisher()

    def start_service(self) -> None:
        broker = replace(self.given.broker, host="127.0.0.1", port=self.broker.port)
        nowhere = self.folder / "no mark"
        self.app = RoomService(
            replace(self.given, broker=broker, data_dir=str(self.data)),
            now_ms=self.clock,
            # The watch of the clock as the real service has it, beside a second clock that nobody sets.
            clock=lambda newest: ClockWatch(
                self.clock, lambda: self.minute * 60.0, newest_ms=newest, mark=nowhere, ask=lambda: None
            ),
        )
        self._expected = 0
        wait_for(lambda: self.app.parts.intake.link().state == "up", "the service to subscribe")

    def _publisher(self) -> mqtt.Client:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="probes", protocol=mqtt.MQTTv5)
        client.connect("127.0.0.1", self.broker.port)
        client.loop_start()
        return client

    def close(self) -> None:
        self.app.stop()
        self._part()
        if self.broker.process is not None:
            self.broker.process.send_signal(signal.SIGCONT)
        self.broker.stop()

    def _part(self) -> None:
        self.publisher.disconnect()
        self.publisher.loop_stop()

    # what is done to it

    def stop_broker(self, *, kill: bool = False) -> None:
        self.settle()
        self._part()
        self.reachable = False
        self.broker.stop(kill=kill)
        wait_for(lambda: self.app.parts.intake.link().state != "up", "the service to see that the broker is gone")

    def start_broker(self, login: tuple[str, str] | None = None) -> None:
        """With a login, it lets nobody in who has none."""
        self.broker.login = login
        self.broker.start()
        state = "up" if login is None else "refused"
        wait_for(lambda: self.app.parts.intake.link().state == state, f"the service to be {state}")
        if login is None:
            self.publisher = self._publisher()
            self.reachable = True

    def freeze_broker(self, frozen: bool) -> None:
        """The network is cut: nothing comes through, and nobody is told."""
        self.settle()
        assert self.broker.process is not None
        self.broker.process.send_signal(signal.SIGSTOP if frozen else signal.SIGCONT)
        self.reachable = not frozen

    def kill_service(self) -> None:
        """What a kill leaves on the disk is what the next service starts from."""
        self.settle()
        left = self.folder / f"data {self.minute:.0f}"
        shutil.copytree(self.data, left, ignore=shutil.ignore_patterns("*lock*"))
        self.app.stop()
        self.data = left
        self.start_service()

    def stop_service(self) -> None:
        """Nobody watches until it is started again; what is published waits at the broker."""
        self.settle()
        self.app.stop()
        self.away, self._expected = True, 0

    def resume_service(self) -> None:
        waiting = self._expected
        self.start_service()
        self.away, self._expected = False, waiting

    # time

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, counts: bool = True) -> None:
        self.publisher.publish(topic, payload, qos=1, retain=retain)
        self._expected += counts

    def settle(self) -> None:
        """Until everything that was published is stored or kept as unreadable."""

        def done() -> bool:
            counts = self.app.parts.intake.link().counts
            return counts.stored + counts.quarantined >= self._expected

        if self.reachable and not self.away:
            wait_for(done, f"the messages of minute {self.minute:.0f} to be stored")

    def step(self, minute: float, mangle: Mangle | None, *, with_round: bool) -> None:
        """Readings of this minute, and perhaps a round."""
        self.minute = minute
        self.clock.at_ms = ms(minute) + self.off_ms
        known = {p.topic for p in self.given.room.probes}
        for probe, value in self.room.read().items():
            plain = [(f"room/{probe}", message(ms(minute), value), False)]
            for topic, payload, retain in mangle(self, probe, minute, value) if mangle else plain:
                if self.reachable:
                    self.publish(topic, payload, retain=retain, counts=topic in known)
        if with_round:
            self.look()

    def look(self, minute: float | None = None) -> None:
        """A round at the moment of the last readings, or at a later one before the next."""
        if minute is not None:
            self.minute = minute
            self.clock.at_ms = ms(minute) + self.off_ms
        if not self.away:
            self.settle()
            made = list(self.app.round().notices)
            self.notices += [(self.minute, notice) for notice in made]
            if self.given.channels:
                self.app.parts.delivery.drain(20)


# -- playing ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Calm:
    """The moment from which every fault starts: the room, and the store in a folder."""

    room: SimRoom
    data: Path
    notices: tuple[Notice, ...]

    @property
    def room_s(self) -> float:
        """The room's time at the fault's beginning."""
        return (HISTORY_MIN + CALM_MIN) * 60.0


def calm(folder: Path, round_min: int = 20) -> Calm:
    """Two weeks written to the store in one go, then thirty hours through the broker, with a round now and then."""
    room = SimRoom(simulated(), seed=3)
    begin = -CALM_MIN - HISTORY_MIN
    history = room.record(HISTORY_MIN * 60.0, 600.0)
    at_ms = np.array([ms(begin + s / 60.0) for s in history.at_s.tolist()], np.int64)
    n = len(at_ms)
    with Store(folder / "data") as store:
        for probe, values in history.values.items():
            columns = Columns(at_ms, values, at_ms, np.ones(n, np.uint8), np.ones(n, bool), ("",) * n)
            store.folding.bulk(probe, columns)
        told = {"clutch": "K01", "at_ms": ms(begin + 60), "recorded_ms": ms(begin + 60)}
        store.account.tell(KeeperEvent(EventKind.LAID, species="elaphe-taeniura", eggs=12, **told))  # type: ignore[arg-type]
        for box in ("lower", "middle"):
            store.account.tell(KeeperEvent(EventKind.SET, box=box, eggs=6, **told))  # type: ignore[arg-type]
    world = World(room, settings(), folder, -CALM_MIN)
    try:
        for minute in range(-CALM_MIN + STEP_MIN, -LEAD_MIN + 1, STEP_MIN):
            room.advance((HISTORY_MIN + CALM_MIN + minute) * 60.0)
            world.step(minute, None, with_round=minute % round_min == 0 or minute == -LEAD_MIN)
    finally:
        world.close()
    return Calm(room, folder / "data", tuple(notice for _, notice in world.notices))


@contextmanager
def calmed(round_min: int = 20) -> Iterator[Calm]:
    with tempfile.TemporaryDirectory() as name:
        yield calm(Path(name), round_min)


@contextmanager
def world_of(fault: Fault, start: Calm) -> Iterator[World]:
    """A world of its own, at the beginning of the lead; with a receiver of notices where the fault needs one."""
    with tempfile.TemporaryDirectory() as name, http_sink() as sink:
        folder = Path(name)
        shutil.copytree(start.data, folder / "data")
        given = fault.change(settings(), folder) if fault.change else settings()
        if fault.channel:
            given = replace(given, channels=(Channel("hook", f"json://127.0.0.1:{sink.port}/", timeout_s=5.0),))
        world = World(copy.deepcopy(start.room), given, folder, -LEAD_MIN)
        world.sink = sink
        try:
            yield world
        finally:
            world.close()


def play(fault: Fault, start: Calm) -> Played:
    """Play it from the calm moment, and compare what came with what was wanted."""
    acts, deeds = list(fault.acts), list(fault.deeds)
    minutes: list[float] = []
    truth: dict[str, list[float]] = {box: [] for box in BOXES}
    seen: list[bool] = []
    with world_of(fault, start) as world:
        room = world.room
        for minute in range(-LEAD_MIN + STEP_MIN, round(fault.hours * 60) + 1, STEP_MIN):
            while acts and acts[0][0] <= minute:
                at, act, subject, value = acts.pop(0)
                room.advance(start.room_s + at * 60.0)
                room.do(Action(start.room_s + at * 60.0, act, subject, value))
            room.advance(start.room_s + minute * 60.0)
            while deeds and deeds[0][0] <= minute:
                world.minute = minute
                world.clock.at_ms = ms(minute) + world.off_ms
                deeds.pop(0)[1](world)
            world.step(minute, fault.mangle if minute >= 0 else None, with_round=minute % fault.round_min == 0)
            minutes.append(minute)
            seen.append(room.power and world.reachable and not world.away)
            for box in BOXES:
                truth[box].append(room.box_c(box))
        up = {key for key, c in world.app.parts.store.ledger.conditions().items() if c.up}
    played = Played(fault, [notice for _, notice in world.notices])
    played.came = came(world.notices)
    limits = of_truth(fault, minutes, truth, seen)
    judge(played, [*fault.wants, *(w for w, _ in limits)], [m for w, m in limits if w is None], up)
    return played


def came(notices: Iterable[tuple[float, Notice]]) -> list[Came]:
    """What came, one for each subject; one that was told and is named again with others is no second time."""
    found: list[Came] = []
    told: set[tuple[str, str]] = set()
    for at_min, notice in notices:
        for subject in notice.subjects if notice.change != "daily" else ():
            key = notice.kind, subject
            # Where no end is told, each time is a time of its own.
            again = key in told and KINDS[notice.kind].tell_cleared
            change = "still" if notice.change == "raised" and again else notice.change
            found.append(Came(at_min, notice.kind, subject, change, notice.urgency))
            told = told - {key} if change == "cleared" else told | {key}
    return found


def of_truth(
    fault: Fault, minutes: Sequence[float], truth: dict[str, list[float]], seen: Sequence[bool]
) -> list[tuple[Want | None, str]]:
    """What must be told, and what may be, of boxes at their limits: (want or None, "kind box").

    It must be told once a box has surely been beyond for forty minutes in one go in which it could be seen, and may be
    as soon as it perhaps is. Its end must be told when it has surely been back for an hour. Boxes that follow a first
    one may wait for each other, and so may the ends.
    """
    found: list[tuple[Want | None, str]] = []
    at = np.array(minutes)
    for box, course in truth.items():
        if box in fault.blind:
            continue
        for kind, limit, side in (("too-warm", WARM_C, 1.0), ("too-cool", COOL_C, -1.0)):
            beyond = side * (np.array(course) - limit)
            if beyond.max() < -SURE_C:
                continue
            began = None
            want = None
            for i, surely in enumerate((beyond >= SURE_C) & np.array(seen)):
                began = (began if began is not None else at[i]) if surely else None
                if began is not None and at[i] - began >= 40:
                    maybe = np.flatnonzero(beyond >= -SURE_C)
                    back = np.flatnonzero(beyond[i:] <= -0.2 - SURE_C)
                    clears = None
                    if len(back) and at[-1] - at[i + back[0]] >= 60 + GATHER_MIN:
                        clears = float(at[i + back[0]] + 60 + GATHER_MIN - (fault.ends_min or 0.0))
                    want = Want(kind, box, float(began + 45), float(at[maybe[0]]), clears)
                    break
            found.append((want, f"{kind} {box}"))
            if _again(beyond):
                found.append((None, f"{kind} {box}"))
    first = {w.kind: min(x.by_min for x, _ in found if x is not None and x.kind == w.kind) for w, _ in found if w}
    wants = [(_together(w, first[w.kind]), m) for w, m in found if w is not None]
    return [*wants, *((None, m) for w, m in found if w is None)]


def _together(want: Want, first_min: float) -> Want:
    """A want that may wait for others where it follows another."""
    return replace(want, by_min=want.by_min + (GATHER_MIN if want.by_min > first_min else 0.0))


def _again(beyond: NDArray[np.float64]) -> bool:
    """Whether a box may have been back from its limit, and beyond it once more."""
    maybe, back = beyond >= -SURE_C, beyond <= -0.2 + SURE_C
    first = int(np.argmax(maybe))
    returned = np.flatnonzero(back[first:])
    return bool(len(returned)) and bool(maybe[first + returned[0] :].any())


def judge(played: Played, wants: Iterable[Want | None], may: Iterable[str], up: set[tuple[str, str]]) -> None:
    """Each raised notice serves one want, or is allowed; repeats and ends follow what they belong to."""
    fault = played.fault
    left = [c for c in played.came if c.change == "raised"]
    allowed = {*fault.may, *may}
    good: set[tuple[str, str]] = set()
    for want in wants:
        if want is None:
            continue
        found = next(
            (
                c
                for c in left
                if c.kind in want.kind.split("|")
                and want.subject in ("", c.subject)
                and want.from_min <= c.at_min <= want.by_min
            ),
            None,
        )
        if found is None:
            played.missing.append(f"{want} by {want.by_min:.0f} min")
            continue
        left.remove(found)
        played.met.append((want, found))
        good.add((found.kind, found.subject))
        _ended(played, want, found, up)
    for c in left:
        if c.kind in allowed or f"{c.kind} {c.subject}" in allowed:
            good.add((c.kind, c.subject))
        else:
            played.unexpected.append(str(c))
    for c in played.came:
        if c.change == "raised":
            continue
        lasts = fault.ends_min is None or c.at_min < fault.ends_min
        # A box's limits, and what merely may be, come and go by themselves; what was wanted ends with the fault.
        holds = (c.kind, c.subject) in {(f.kind, f.subject) for w, f in played.met if w in fault.wants}
        if (c.kind, c.subject) not in good or (c.change == "cleared" and lasts and holds):
            played.unexpected.append(str(c))


def _ended(played: Played, want: Want, found: Came, up: set[tuple[str, str]]) -> None:
    """Whether the end of a fault was told, or at least seen where ends are not told."""
    ends_min = played.fault.ends_min
    if want.kind in ("too-warm", "too-cool"):
        ends_min = ends_min or 0.0
    if ends_min is None or want.clears is None:
        return
    by_min = ends_min + want.clears
    if not KINDS[found.kind].tell_cleared:
        if (found.kind, found.subject) in up:
            played.missing.append(f"{found.kind} {found.subject} is still true at the end")
        return
    ends = [c for c in played.came if (c.kind, c.subject, c.change) == (found.kind, found.subject, "cleared")]
    if not any(found.at_min <= c.at_min <= by_min for c in ends):
        played.missing.append(f"end of {found.kind} {found.subject} by {by_min:.0f} min")
