"""A rehearsal: five invented days in a simulated room, played to the real service over real MQTT.

The room (:mod:`.room`) and the service run in lock-step on one simulated clock: the readings of a moment are
published, the service has stored them, the clock goes on, the service has its round. What a rehearsal comes to is
therefore the same to the last notice each time, however fast it is played.

A scenario is the room, the weeks that came before (written to the store in one go), the steps that happen at their
times, what the keeper does when told, and what must be told to the keeper in consequence. Everything here is
invented, but for the species' published incubation days.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal, Protocol

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.store import Columns, Store
from monitor.core.notices.notice import Notice
from monitor.core.notices.snapshot import Snapshot
from monitor.core.readings.late_readings import SETTLED_S
from monitor.core.terms.events import EventKind, Flag, KeeperEvent
from monitor.core.terms.settings import Box, Broker, Limits, PagePlace, Probe, Room, Settings, Watch
from monitor.core.terms.times import DAY_MS, MINUTE_MS
from monitor.errors import BrokerUnreachable
from monitor.service.start import RoomService
from monitor.simulation.broker import RehearsalBroker
from monitor.simulation.room import Act, Action, Heater, Recorded, SimBox, SimProbe, SimRoom, SimSetting
from monitor.values import dataclass

HOUR: Final = 60
DAY: Final = 24 * HOUR
# The first simulated minute; any day would do.
START_MS: Final = int(datetime(2024, 5, 6, tzinfo=UTC).timestamp() * 1000)
HISTORY_DAYS: Final = 58
HISTORY_STEP_MIN: Final = 15
STEP_MIN: Final = 5
ROUND_MIN: Final = 20
LENGTH_MIN: Final = 5 * DAY
# How long, by the real clock, the service may take to store what was published.
PATIENCE_S: Final = 20.0

Change = Literal["raised", "cleared"]


# -- the scenario ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Step:
    """Something that happens at a minute: to the room, or told to the service by the keeper."""

    at_min: int
    name: str
    acts: tuple[tuple[Act, str], ...] = ()
    events: tuple[KeeperEvent, ...] = ()


@dataclass(frozen=True)
class Reaction:
    """What the keeper does so many minutes after the first notice of a kind; answering it included."""

    to_kind: str
    after_min: int
    name: str
    acts: tuple[tuple[Act, str], ...] = ()


@dataclass(frozen=True)
class Expected:
    """A notice that must come, and when: minutes after a step or reaction (by name) happened."""

    because: str
    kind: str
    subject: str
    change: Change
    from_min: int
    to_min: int


@dataclass(frozen=True)
class Scenario:
    """``nothing_told``: steps after which nobody may be told anything on their account."""

    settings: Settings
    room: SimSetting
    history: tuple[Action, ...]
    account: tuple[KeeperEvent, ...]
    steps: tuple[Step, ...]
    reactions: tuple[Reaction, ...]
    expected: tuple[Expected, ...]
    nothing_told: tuple[str, ...]
    length_min: int = LENGTH_MIN


BOXES: Final = (("lower", 40.0), ("middle", 80.0), ("upper", 120.0), ("top", 160.0))
STACK: Final = "shelf"
BEFORE: Final = "the weeks before"


def _ms(at_min: float) -> int:
    return START_MS + round(at_min * MINUTE_MS)


def _told(
    kind: EventKind, clutch: str, at_min: float, *, box: str = "", eggs: int | None = None, **more: Any
) -> KeeperEvent:
    at_ms = _ms(at_min)
    return KeeperEvent(kind, clutch, at_ms, recorded_ms=at_ms, box=box, eggs=eggs, **more)


def _probes() -> tuple[Probe, ...]:
    """One probe a box, speaking in three forms; one in the air, and humidity in the same message as the top."""
    plain = Probe(
        "",
        "",
        pointer="/degrees",
        time_pointer="/at",
        time_form="ms",
        interval_s=60.0 * STEP_MIN,
        quiet_after_s=1200.0,
        standard_uncertainty=0.1,
        compared=True,
    )
    lower = replace(plain, box="lower", pointer="/warmth/degrees", time_form="iso")
    top = replace(plain, topic="simulated/top", box="top", list_pointer="/gathered")
    damp = replace(top, quantity="humidity", unit="%", pointer="/percent", standard_uncertainty=1.7, compared=False)
    return (
        replace(lower, id="lower-warmth", topic="simulated/lower"),
        replace(plain, id="middle-warmth", topic="simulated/middle", box="middle"),
        replace(plain, id="upper-warmth", topic="simulated/upper", box="upper"),
        replace(top, id="top-warmth"),
        replace(damp, id="top-humidity"),
        replace(plain, id="air", topic="simulated/air", stack=STACK, height_cm=100.0),
    )


def _settings() -> Settings:
    room = Room(
        name="simulated room",
        zone="UTC",
        display_unit="C",
        stacks=(STACK,),
        boxes=tuple(Box(name, STACK, height_cm, too_warm_c=31.0, too_cool_c=24.0) for name, height_cm in BOXES),
        probes=_probes(),
        limits=Limits(deadband_c=0.2, on_delay_s=900.0, off_delay_s=900.0),
        # A quarter of a day instead of a whole one, so that a stack can be uneven and even again in five days; and how
        # full the real disk is, is no part of the play.
        watch=Watch(
            heading_s=7200.0,
            uneven_c=1.0,
            uneven_over_s=6 * 3600.0,
            apart_days=2.0,
            window_near_days=7.0,
            disk_low_mb=0.0,
        ),
    )
    return Settings(room=room, broker=Broker(client_id="warmtally-rehearsal"), commit_every_s=0.01)


def _room() -> SimSetting:
    return SimSetting(
        boxes=tuple(SimBox(name, height_cm) for name, height_cm in BOXES),
        probes=(
            *(SimProbe(f"{name}-warmth", box=name) for name, _ in BOXES),
            SimProbe("top-humidity", box="top", quantity="humidity", noise=0.3, lsb=0.1),
            SimProbe("air", height_cm=100.0),
        ),
        heater=Heater(set_c=28.0, kind="proportional", lift_c=30.0, looks_every_s=300.0),
        gradient_heated_k_per_m=2.6,
    )


def _account() -> tuple[KeeperEvent, ...]:
    laid, placed = EventKind.LAID, EventKind.SET
    snake, other = "elaphe-taeniura", "elaphe-carinata"
    amber, birch, cedar = -52.0 * DAY, -50.9 * DAY, -34.5 * DAY
    return (
        _told(laid, "amber", amber, eggs=12, species=snake),
        _told(placed, "amber", amber + HOUR, eggs=6, box="lower"),
        _told(placed, "amber", amber + HOUR, eggs=6, box="top"),
        _told(laid, "birch", birch, eggs=8, species=snake),
        _told(placed, "birch", birch + HOUR, eggs=8, box="upper"),
        _told(laid, "cedar", cedar, eggs=9, species=other),
        _told(placed, "cedar", cedar + HOUR, eggs=9, box="middle"),
    )


def scenario() -> Scenario:
    """Five days around the first pip of a clutch that lies in two boxes."""
    stuck, mended = "the heater sticks on", "the keeper, called, mends the heater"
    quiet, battery = "the probe of box middle goes quiet", "the probe gets a new battery"
    still, stirred = "the fan stops", "the fan runs again"
    once, pip = "the probe of box upper restarts and says 85 once", "the first egg of amber pips in box top"
    seen = 3 * DAY + 7 * HOUR
    first = _told(EventKind.PIPPED, "amber", seen, box="top", eggs=1, not_yet_at_ms=_ms(seen - 12 * HOUR))
    return Scenario(
        settings=_settings(),
        room=_room(),
        # The fan came late: in the first weeks the boxes at the top were warmer.
        history=(Action(0.0, Act.FAN_STOPS), Action(26 * 86400.0, Act.FAN_RUNS)),
        account=_account(),
        steps=(
            Step(9 * HOUR, once, ((Act.PROBE_RESTARTS, "upper-warmth"),)),
            Step(22 * HOUR, stuck, ((Act.HEATER_STICKS_ON, ""),)),
            Step(DAY + 18 * HOUR, quiet, ((Act.PROBE_QUIET, "middle-warmth"),)),
            Step(2 * DAY, battery, ((Act.PROBE_WORKS, "middle-warmth"),)),
            Step(2 * DAY, still, ((Act.FAN_STOPS, ""),)),
            Step(seen, pip, events=(first,)),
            Step(3 * DAY + 8 * HOUR, stirred, ((Act.FAN_RUNS, ""),)),
        ),
        reactions=(Reaction("too-warm", 30, mended, ((Act.HEATER_WORKS, ""),)),),
        expected=(
            Expected(BEFORE, "siblings-apart", "amber", "raised", 24 * HOUR, 26 * HOUR),
            Expected(BEFORE, "window-near", "amber/lower", "raised", 0, HOUR),
            Expected(BEFORE, "window-near", "amber/top", "raised", 0, HOUR),
            Expected(BEFORE, "window-near", "birch/upper", "raised", 0, HOUR),
            Expected(BEFORE, "window-open", "amber/top", "raised", 2 * HOUR, 30 * HOUR),
            Expected(BEFORE, "window-near", "cedar/middle", "raised", 24 * HOUR, 72 * HOUR),
            Expected(BEFORE, "window-open", "birch/upper", "raised", 40 * HOUR, 76 * HOUR),
            *(Expected(stuck, "too-warm", box, "raised", 3 * HOUR, 8 * HOUR) for box, _ in BOXES),
            Expected(stuck, "harm-reached", "middle", "raised", 3 * HOUR, 9 * HOUR),
            *(Expected(mended, "too-warm", box, "cleared", HOUR, 8 * HOUR) for box, _ in BOXES),
            *(Expected(stuck, "heading", box, "raised", HOUR, 6 * HOUR) for box, _ in BOXES),
            Expected(quiet, "probe-quiet", "middle-warmth", "raised", 15, 40),
            Expected(battery, "probe-quiet", "middle-warmth", "cleared", 0, 20),
            Expected(still, "stack-uneven", STACK, "raised", 4 * HOUR, 14 * HOUR),
            Expected(stirred, "stack-uneven", STACK, "cleared", 4 * HOUR, 20 * HOUR),
            Expected(pip, "others-expected", "amber/lower", "raised", 0, HOUR),
            Expected(pip, "window-open", "amber/lower", "raised", 0, 40 * HOUR),
        ),
        nothing_told=(once,),
    )


# -- what is seen while it is played -----------------------------------------------------------------------------


@dataclass(frozen=True)
class ToldSubject:
    """One subject of one notice, when it came."""

    at_min: int
    kind: str
    subject: str
    change: str
    urgency: str
    title: str


class Audience(Protocol):
    """Who watches the rehearsal."""

    def happened(self, at_min: int, name: str) -> None: ...
    def told(self, at_min: int, notice: Notice) -> None: ...
    def moment(self, at_min: int, snapshot: Snapshot, said: dict[str, float], /) -> None: ...


@dataclass(frozen=True)
class Verdict:
    """One line of the summary: what was scripted, what was expected of it and what came, in minutes after it."""

    because: str
    because_at_min: int | None
    expected: Expected | None
    came_after_min: int | None
    ok: bool


@dataclass(frozen=True)
class Summary:
    """What the rehearsal came to."""

    seed: int
    simulated_min: int
    readings: int
    rounds: int
    notices: int
    undelivered: int
    real_s: float
    lines: tuple[Verdict, ...]
    unexpected: tuple[ToldSubject, ...]
    told: tuple[ToldSubject, ...]

    @property
    def ok(self) -> bool:
        """Everything expected came in its time, nothing else did, and all of it went out."""
        return not self.unexpected and not self.undelivered and all(line.ok for line in self.lines)

    def as_json(self) -> dict[str, Any]:
        return {
            "simulated": True,
            "ok": self.ok,
            "seed": self.seed,
            "simulated_days": self.simulated_min / DAY,
            "real_seconds": round(self.real_s, 1),
            "readings": self.readings,
            "rounds": self.rounds,
            "notices": self.notices,
            "undelivered": self.undelivered,
            "expected": [
                {
                    "because": line.because,
                    "because_at_min": line.because_at_min,
                    "kind": line.expected.kind if line.expected else None,
                    "subject": line.expected.subject if line.expected else None,
                    "change": line.expected.change if line.expected else None,
                    "allowed_after_min": [line.expected.from_min, line.expected.to_min] if line.expected else None,
                    "came_after_min": line.came_after_min,
                    "ok": line.ok,
                }
                for line in self.lines
            ],
            "unexpected": [asdict(arrival) for arrival in self.unexpected],
            "told": [asdict(arrival) for arrival in self.told],
        }


def judge(
    expected: Iterable[Expected], nothing_told: Iterable[str], happened: dict[str, int], arrivals: Iterable[ToldSubject]
) -> tuple[tuple[Verdict, ...], tuple[ToldSubject, ...]]:
    """Match what came with what was expected; each arrival serves one expectation.

    An arrival outside the time allowed is unexpected, and its expectation unmet.
    """
    left = sorted(arrivals, key=lambda a: a.at_min)
    lines: list[Verdict] = []
    for want in expected:
        cause = happened.get(want.because)
        found = None
        if cause is not None:
            found = next(
                (
                    a
                    for a in left
                    if (a.kind, a.subject, a.change) == (want.kind, want.subject, want.change)
                    and cause + want.from_min <= a.at_min <= cause + want.to_min
                ),
                None,
            )
        if found is not None:
            left.remove(found)
        came = found.at_min - cause if found is not None and cause is not None else None
        lines.append(Verdict(want.because, cause, want, came, found is not None))
    for name in nothing_told:
        lines.append(Verdict(name, happened.get(name), None, None, name in happened))
    lines.sort(key=lambda line: (line.because_at_min is None, line.because_at_min or 0))
    return tuple(lines), tuple(left)


# -- playing it --------------------------------------------------------------------------------------------------


@dataclass()
class Clock:
    """The simulated clock that room and service share."""

    now_ms: int = START_MS

    def __call__(self) -> int:
        return self.now_ms


class Publisher:
    """Sends the room's readings as its probes would: one message a topic, with the measured time in it."""

    def __init__(self, probes: tuple[Probe, ...], port: int) -> None:
        self.probes = probes
        self.readings = 0
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="simulated-probes", protocol=mqtt.MQTTv311)
        self.client.max_inflight_messages_set(100)
        try:
            self.client.connect("127.0.0.1", port)
        except OSError as error:
            raise BrokerUnreachable(f"the rehearsal's own broker does not answer ({error})") from error
        self.client.loop_start()

    def publish(self, at_ms: int, said: dict[str, float]) -> None:
        """Publish one moment; ``readings`` counts on."""
        for topic in dict.fromkeys(p.topic for p in self.probes):
            speaking = [p for p in self.probes if p.topic == topic and p.id in said]
            if speaking:
                self.client.publish(topic, _payload(speaking, at_ms, said), qos=1)
                self.readings += len(speaking)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def _payload(probes: list[Probe], at_ms: int, said: dict[str, float]) -> str:
    """JSON in which each probe's pointers find its value and the time."""
    moment = datetime.fromtimestamp(at_ms / 1000, UTC).isoformat() if probes[0].time_form == "iso" else at_ms
    body: dict[str, Any] = {}
    for probe in probes:
        _put(body, probe.pointer or "", said[probe.id])
    _put(body, probes[0].time_pointer or "", moment)
    listed = probes[0].list_pointer
    return json.dumps({listed.removeprefix("/"): [body]} if listed else body)


def _put(body: dict[str, Any], pointer: str, value: object) -> None:
    *path, last = pointer.split("/")[1:]
    for name in path:
        body = body.setdefault(name, {})
    body[last] = value


@dataclass()
class Rehearsal:
    """One performance of a scenario in a data directory of its own.

    ``speed``: simulated minutes per real second, 0 for as fast as it goes. ``page``: where the room's page is while it
    plays, and ``stays``: what is done at the end before the service is stopped, with the clock standing.
    """

    data_dir: Path
    audience: Audience
    seed: int = 1
    speed: float = 0.0
    scenario: Scenario = field(default_factory=scenario)
    page: PagePlace | None = None
    stays: Callable[[RoomService, Summary], None] | None = None

    def play(self) -> Summary:
        """Play it to the end. Raises MonitorError when the service or the broker cannot do their part."""
        began = time.monotonic()
        room = SimRoom(self.scenario.room, self.scenario.history, seed=self.seed)
        history = room.record(HISTORY_DAYS * DAY * 60.0, HISTORY_STEP_MIN * 60.0)
        with Store(self.data_dir) as store:
            for probe in self.scenario.settings.room.probes:
                if probe.box and probe.quantity == "temperature":
                    store.folding.bulk(probe.id, columns_of_history(history, probe.id))
            for event in self.scenario.account:
                store.account.tell(event)
        broker = RehearsalBroker()
        broker.start()
        try:
            settings = replace(
                self.scenario.settings,
                data_dir=str(self.data_dir),
                broker=replace(self.scenario.settings.broker, host="127.0.0.1", port=broker.port),
                page=self.page,
            )
            clock = Clock()
            app = RoomService(settings, now_ms=clock)
            try:
                publisher = Publisher(settings.room.probes, broker.port)
                try:
                    summary = self._play(room, app, clock, publisher, began)
                    if self.stays is not None:
                        self.stays(app, summary)
                    return summary
                finally:
                    publisher.close()
            finally:
                app.stop()
        finally:
            broker.stop()

    def _play(self, room: SimRoom, app: RoomService, clock: Clock, publisher: Publisher, began: float) -> Summary:
        _wait(lambda: app.parts.intake.link().state == "up", "the service to subscribe")
        happened = {BEFORE: 0}
        arrivals: list[ToldSubject] = []
        due = list(self.scenario.steps)
        awaited = list(self.scenario.reactions)
        notices = rounds = 0
        said: dict[str, float] = {}
        play_began = time.monotonic()
        for now_min in range(ROUND_MIN, self.scenario.length_min + 1, ROUND_MIN):
            clock.now_ms = _ms(now_min)
            # What the probes measured since the last round is sent in one go, each reading with its own time.
            for at_min in range(now_min - ROUND_MIN + STEP_MIN, now_min + 1, STEP_MIN):
                room.advance((HISTORY_DAYS * DAY + at_min) * 60.0)
                for step in [s for s in due if s.at_min <= at_min]:
                    due.remove(step)
                    happened[step.name] = at_min
                    self._do(step, room)
                    self.audience.happened(at_min, step.name)
                said = room.read()
                publisher.publish(_ms(at_min), said)
            _wait(
                lambda: app.parts.intake.link().counts.stored >= publisher.readings, "the service to store the readings"
            )
            # A limit is judged when what came in one go has come whole, which is taken for granted after two minutes.
            clock.now_ms = _ms(now_min) + round(SETTLED_S * 1000)
            outcome = app.round()
            rounds += 1
            for notice in outcome.notices:
                if notice.change not in ("raised", "cleared"):
                    continue
                notices += 1
                arrivals += [
                    ToldSubject(now_min, notice.kind, subject, notice.change, notice.urgency, notice.title)
                    for subject in notice.subjects
                ]
                self.audience.told(now_min, notice)
                for reaction in [r for r in awaited if r.to_kind == notice.kind]:
                    awaited.remove(reaction)
                    self._answer(notice, clock.now_ms)
                    due.append(Step(now_min + reaction.after_min, reaction.name, reaction.acts))
            self.audience.moment(now_min, outcome.snapshot, said)
            if self.speed > 0:
                time.sleep(max(0.0, play_began + now_min / self.speed - time.monotonic()))
        app.parts.delivery.drain(PATIENCE_S)
        with Store(self.data_dir, create=False) as store:
            undelivered = sum(row.state != "delivered" for row in store.outbox.outgoing())
        lines, unexpected = judge(self.scenario.expected, self.scenario.nothing_told, happened, arrivals)
        return Summary(
            seed=self.seed,
            simulated_min=self.scenario.length_min,
            readings=publisher.readings,
            rounds=rounds,
            notices=notices,
            undelivered=undelivered,
            real_s=time.monotonic() - began,
            lines=lines,
            unexpected=unexpected,
            told=tuple(arrivals),
        )

    def _do(self, step: Step, room: SimRoom) -> None:
        for act, subject in step.acts:
            room.do(Action(room.at_s, act, subject))
        if step.events:
            with Store(self.data_dir, create=False) as store:
                for event in step.events:
                    store.account.tell(event)

    def _answer(self, notice: Notice, now_ms: int) -> None:
        with Store(self.data_dir, create=False) as store:
            store.ledger.answer(notice.id, now_ms, "the simulated keeper")


def columns_of_history(history: Recorded, probe: str) -> Columns:
    """What a probe said before the rehearsal begins, as the store keeps it."""
    said = np.flatnonzero(~np.isnan(history.values[probe]))
    at_ms = START_MS - HISTORY_DAYS * DAY_MS + np.round(history.at_s[said] * 1000).astype(np.int64)
    n = len(said)
    good = np.full(n, int(Flag.GOOD), np.uint8)
    return Columns(at_ms, history.values[probe][said], at_ms, good, np.ones(n, bool), ("",) * n)


def _wait(ready: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not ready():
        if time.monotonic() > deadline:
            raise BrokerUnreachable(
                f"waited {PATIENCE_S:.0f} s for {what}", where="rehearsal", fix="run it again; if it stays, see --keep"
            )
        time.sleep(0.002)
