"""The line's table: every state with every event, and what holds whatever happens in whatever order."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, cast, get_args

import pytest
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule
from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessageInfo
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from monitor.adapters.mqtt.drive import BufferedClient, Drive
from monitor.adapters.mqtt.line import ACKS_A_SEND, Connected, Line, _Sayings
from monitor.adapters.mqtt.line_states import (
    CARRYING,
    OFTEN,
    OFTEN_S,
    TABLE,
    LineEvent,
    LinePhase,
    LineState,
    LineStatus,
    Reason,
    answer,
    due,
    step,
)
from monitor.adapters.mqtt.line_words import LineWords
from monitor.core.readings.arrivals import Arrival
from monitor.core.terms.settings import Broker
from tests.examples import at_most

P, E = LinePhase, LineEvent
NOW_MS = 1_790_000_000_000
WORDS = LineWords(Broker(), "room.toml", 3)
READINGS = ("room/a", "room/b")

# A row for each event, a column for each phase; a cell is the phase that follows, with + up, - down, x refused,
# ? connecting, nothing: as before. A dot: the event changes nothing there.
PHASES = {
    "A": P.APART, "S": P.SEEKING, "G": P.GREETING, "T": P.TURNED_AWAY,
    "O": P.OTHER, "U": P.SUBSCRIBING, "L": P.LISTENING, "F": P.OVERFULL,
}  # fmt: skip
STATUSES: dict[str, LineStatus | None] = {"+": "up", "-": "down", "x": "refused", "?": "connecting", "": None}
GRID = """
              A   S   G   T   O   U   L   F
OPENED        S   .   .   .   .   .   .   .
REOPENED      .   A?  A?  A?  A?  A?  A?  A?
CLOSED        .   A   A   A   A   A   A   A
SWITCHED      .   .   .   .   A?  .   .   .
SILENT        .   .   A?  .   .   .   .   .
SILENT_AGAIN  .   .   A-  .   .   .   .   .
UNPROMISED    .   .   .   .   .   A-  .   .
DIED          .   A-  A-  A-  .   A-  A-  .
REACHED       .   G   G   G   .   .   .   .
UNREACHED     .   S-  S-  .   .   .   .   .
UNTRUSTED     .   S-  S-  .   .   .   .   .
ACCEPTED      .   .   U   .   .   .   .   .
BUSY          .   .   T-  .   .   .   .   .
REFUSED       .   .   Tx  .   .   .   .   .
MISSPOKEN     .   .   O   .   .   .   .   .
ASKED         .   .   .   .   .   U   .   .
ANSWERED      .   .   .   .   .   U   .   .
PROMISED      .   .   .   .   .   L+  .   .
DENIED        .   .   .   .   .   Lx  .   .
FILLED        .   .   .   .   .   F-  F-  .
LOST          .   .   S-  S   .   S-  S-  .
"""


def cells() -> list[tuple[LinePhase, LineEvent, str]]:
    head, *rows = [line.split() for line in GRID.strip().splitlines()]
    return [
        (PHASES[letter], E[row[0]], cell) for row in rows for letter, cell in zip(head, row[1:], strict=True)
    ]  # fmt: skip


def test_the_grid_names_every_phase_with_every_event_once() -> None:
    named = [(phase, event) for phase, event, _ in cells()]
    assert len(named) == len(set(named)) == len(LinePhase) * len(LineEvent)
    assert set(TABLE) == set(LinePhase)


@pytest.mark.parametrize(("phase", "event", "cell"), cells(), ids=lambda x: str(getattr(x, "name", x)))
def test_every_event_in_every_phase_does_what_the_grid_says(phase: LinePhase, event: LineEvent, cell: str) -> None:
    for before_status in get_args(LineStatus):
        before = LineState(NOW_MS, phase, before_status, protocol="MQTT 5", connection=7, moved_s=1.0)
        after = step(before, event, 2.0, NOW_MS + 5)
        if cell == ".":
            assert after is before
            continue
        assert after.phase is PHASES[cell[0]]
        assert after.status == (STATUSES[cell[1:]] or before_status)
        assert after.since_ms == (NOW_MS if after.status == before_status else NOW_MS + 5)
        assert after.moved_s == 2.0
        assert after.connection - 7 == ((phase in CARRYING) != (after.phase in CARRYING))


# ------------------------------------------------------------ whatever happens


class LineLife(RuleBasedStateMachine):
    """paho, the broker and the writer, doing anything at any time; no rule asks whether it makes sense."""

    def __init__(self) -> None:
        super().__init__()
        self.state = LineState(NOW_MS)
        self.now_s = 0.0
        self.closed = False
        self.mid = 0
        self.promised: set[str] = set()
        self.unanswered: set[str] = set()

    def happen(self, event: LineEvent, **more: Any) -> None:
        before = self.state
        self.state = step(before, event, self.now_s, NOW_MS + round(self.now_s * 1000), **more)
        if before.phase not in CARRYING and self.state.phase in CARRYING:
            self.promised, self.unanswered = set(), set(READINGS)
        same = self.state.status == before.status
        assert self.state.since_ms == (before.since_ms if same else NOW_MS + round(self.now_s * 1000))
        if before.protocol != self.state.protocol:
            assert event in (E.SWITCHED, E.SILENT, E.SILENT_AGAIN)

    @rule(event=st.sampled_from([e for e in E if e not in (E.ASKED, E.ANSWERED, E.PROMISED, E.DENIED, E.CLOSED)]))
    def something(self, event: LineEvent) -> None:
        self.happen(event, reason=Reason(0x80, "some reason", by_broker=True))

    @rule(sent=st.booleans())
    def reached_and_accepted(self, sent: bool) -> None:
        self.happen(E.REACHED)
        self.happen(E.ACCEPTED)
        if self.state.phase is P.SUBSCRIBING:
            self.mid += 2
            mids: tuple[int, int | None] = (self.mid, self.mid + 1 if sent else None)
            self.happen(E.ASKED, asked=dict(zip(mids, [(READINGS[0],), (READINGS[1],)], strict=True)))

    @rule(which=st.integers(-1, 2), refuses=st.booleans())
    def broker_answers(self, which: int, refuses: bool) -> None:
        mid = self.mid + which
        topics = self.state.asked.get(mid, ())
        event, asked, refused = answer(self.state, mid, topics if refuses else (), READINGS)
        if self.state.phase is P.SUBSCRIBING:
            self.unanswered -= set(topics)
            self.promised |= set() if refuses else set(topics)
        self.happen(event, asked=asked, refused_topics=refused)

    @rule(seconds=st.sampled_from([0.1, 3.0, 6.0, 130.0]), lives=st.booleans())
    def writer_tends(self, seconds: float, lives: bool) -> None:
        self.now_s += seconds
        event = self.due(self.now_s, lives)
        if event is not None:
            self.happen(event)
            assert self.state.phase in {P.APART}
        if self.state.phase is P.APART and not self.closed:
            self.happen(E.OPENED)
            assert self.state.phase in {P.SEEKING}

    @rule()
    def service_ends(self) -> None:
        self.happen(E.CLOSED)
        self.closed = True

    @rule()
    def service_starts(self) -> None:
        if self.closed:
            self.closed, self.state = False, LineState(NOW_MS)
            self.happen(E.OPENED)

    def due(self, at_s: float, lives: bool) -> LineEvent | None:
        return due(self.state, at_s, thread_lives=lives, answer_s=5.0, promise_s=120.0, revive_s=5.0)

    @invariant()
    def it_is_up_only_when_the_broker_has_answered_for_every_topic_and_sends_one(self) -> None:
        if self.state.status == "up" and not self.closed:
            assert self.state.phase is P.LISTENING
            assert self.promised
            assert not self.unanswered
            assert not self.state.asked

    @invariant()
    def somebody_always_has_the_next_move(self) -> None:
        later = self.now_s + 1e6
        if self.state.phase in (P.APART, P.OVERFULL):
            # The writer's in the same breath, unless the service ends; and when there is room again.
            assert self.due(later, lives=True) is None
            return
        # With a dead network thread always the writer's, where the broker is awaited in the end, too; else paho's.
        assert self.due(later, lives=False) is not None
        awaited = self.state.phase in (P.GREETING, P.OTHER, P.SUBSCRIBING)
        assert (self.due(later, lives=True) is not None) == awaited

    @invariant()
    def what_is_wrong_is_told(self) -> None:
        assert WORDS.detail(self.state) or self.state.status in ("up", "connecting")

    @invariant()
    def connections_are_counted_where_they_begin_and_end(self) -> None:
        assert self.state.connection % 2 == (self.state.phase in CARRYING)


LineLife.TestCase.settings = at_most(1, 40)
TestLineLife = LineLife.TestCase


# ------------------------------------------------------------ in particular


def run(*events: LineEvent, state: LineState | None = None) -> LineState:
    state = state or LineState(NOW_MS)
    for event in events:
        state = step(state, event, 0.0, NOW_MS)
    return state


def test_a_topic_that_could_not_even_be_asked_for_is_never_promised() -> None:
    state = run(E.OPENED, E.REACHED, E.ACCEPTED)
    state = step(state, E.ASKED, 0.0, NOW_MS, asked={4: ("room/a",), None: ("room/b",)})
    event, asked, refused = answer(state, 4, (), READINGS)
    assert (event, asked, refused) == (E.ANSWERED, {None: ("room/b",)}, ())
    # Nor is anything by an answer to a packet that nobody sent.
    assert answer(run(E.OPENED, E.REACHED, E.ACCEPTED), 9, (), READINGS)[0] is E.ANSWERED


def test_the_line_is_refused_when_no_reading_will_come_and_up_when_some_will() -> None:
    state = step(run(E.OPENED, E.REACHED, E.ACCEPTED), E.ASKED, 0.0, NOW_MS, asked={1: READINGS, 2: ("gateway",)})
    event, asked, refused = answer(state, 1, READINGS, READINGS)
    state = step(state, event, 0.0, NOW_MS, asked=asked, refused_topics=refused)
    assert answer(state, 2, (), READINGS)[0] is E.DENIED
    assert answer(replace(state, refused_topics=("room/a",)), 2, ("gateway",), READINGS)[0] is E.PROMISED
    assert answer(replace(state, refused_topics=()), 2, (), ())[0] is E.PROMISED


def test_each_silence_tries_the_other_protocol_and_the_second_says_that_no_broker_is_there() -> None:
    state = run(E.OPENED, E.REACHED)
    seen = []
    for _ in range(3):
        event = due(state, 6.0, thread_lives=True, answer_s=5.0, promise_s=120.0, revive_s=5.0)
        assert event is not None
        state = run(event, state=state)
        seen.append((event, state.protocol, state.status))
        state = run(E.OPENED, E.REACHED, state=state)
    assert seen == [
        (E.SILENT, "MQTT 3.1.1", "connecting"),
        (E.SILENT_AGAIN, "MQTT 5", "down"),
        (E.SILENT_AGAIN, "MQTT 3.1.1", "down"),
    ]
    assert run(E.BUSY, state=state).silences == 0


def test_losses_are_often_by_their_rhythm_and_only_of_a_line_that_was_up() -> None:
    state = LineState(NOW_MS)
    for n in range(OFTEN):
        assert not state.lost_often
        state = run(E.OPENED, E.REACHED, E.ACCEPTED, E.PROMISED, state=replace(state, phase=P.APART))
        state = step(state, E.LOST, 10.0 * n, NOW_MS, Reason(0x80, "Unspecified error"))
        # paho tells of it twice.
        assert step(state, E.LOST, 10.0 * n, NOW_MS) is state
    assert state.lost_often
    assert "another program uses the client id" in WORDS.detail(state)
    state = run(E.REACHED, E.ACCEPTED, E.PROMISED, state=state)
    later = step(state, E.LOST, 20.0 + OFTEN_S, NOW_MS, Reason(0x80, "Unspecified error"))
    assert WORDS.detail(later) == "the connection was lost (Unspecified error); trying again"
    assert run(E.REACHED, E.LOST, E.REACHED, E.LOST, E.REACHED, E.LOST, state=later).losses == later.losses


# ------------------------------------------------------------ by paho's callbacks


def a_line(**broker: Any) -> Line:
    own = Line(Broker(**broker), READINGS, lambda _item: True, now_ms=lambda: NOW_MS, config_file="room.toml")
    own._happen(E.OPENED)
    own._happen(E.REACHED)
    return own


class Idle:
    """As much of a client as is spoken to here."""

    def __init__(self) -> None:
        self.acknowledged: list[int] = []

    def acknowledge(self, mids: Sequence[int]) -> None:
        self.acknowledged += mids

    def disconnect(self) -> None: ...


def connack(own: Line, code: int) -> LineState:
    reason = ReasonCode(PacketTypes.CONNACK, identifier=code)
    own._on_connect(cast(Client, Idle()), None, ConnectFlags(session_present=False), reason, None)
    return own.state()


@pytest.mark.parametrize(
    ("code", "phase", "status", "words"),
    [
        (0x84, P.OTHER, "connecting", ""),
        (0x86, P.TURNED_AWAY, "refused", "give username and password_file under [broker] in room.toml"),
        (0x87, P.TURNED_AWAY, "refused", "give username and password_file under [broker] in room.toml"),
        (0x85, P.TURNED_AWAY, "refused", "does not accept a client without login"),
        (0x8A, P.TURNED_AWAY, "refused", "does not accept a client without login"),
        (0x88, P.TURNED_AWAY, "down", "does not accept"),
        (0x89, P.TURNED_AWAY, "down", "does not accept"),
        (0x97, P.TURNED_AWAY, "down", "does not accept"),
        (0x9F, P.TURNED_AWAY, "down", "does not accept"),
    ],
)
def test_refusals_are_told_apart_by_their_number(code: int, phase: LinePhase, status: str, words: str) -> None:
    own = a_line()
    state = connack(own, code)
    assert (state.phase, state.status) == (phase, status)
    assert words in own.detail(state)
    # The end of the connection, which follows, says nothing new of it.
    own._on_disconnect(
        cast(Client, Idle()),
        None,
        DisconnectFlags(is_disconnect_packet_from_server=False),
        ReasonCode(PacketTypes.DISCONNECT, identifier=0x80),
        None,
    )
    assert own.detail(own.state()) == own.detail(state)


def test_a_client_that_was_taken_over_is_known_by_the_number() -> None:
    own = a_line()
    flags = DisconnectFlags(is_disconnect_packet_from_server=True)
    reason = ReasonCode(PacketTypes.DISCONNECT, identifier=0x8E)
    own._on_disconnect(cast(Client, Idle()), None, flags, reason, None)
    assert "another program uses the client id 'warmtally'" in own.detail(own.state())


def test_a_loss_that_is_told_of_inside_an_acknowledgement_holds_up_nobody() -> None:
    """paho writes in the caller's thread where its own has ended, and tells of what it finds there."""
    own = a_line()

    class Dying(Idle):
        def acknowledge(self, mids: Sequence[int]) -> None:
            super().acknowledge(mids)
            flags = DisconnectFlags(is_disconnect_packet_from_server=False)
            reason = ReasonCode(PacketTypes.DISCONNECT, identifier=0x80)
            own._on_disconnect(cast(Client, self), None, flags, reason, None)

    dying = Dying()
    own._happen(E.ACCEPTED)
    own._client = client = cast(BufferedClient, dying)
    own._drive = Drive(client, own._on_connect_fail, lambda: True, 1.0)
    mids = list(range(1, ACKS_A_SEND + 2))
    came = [Arrival("room/a", b"1", NOW_MS, mid, connection=own.state().connection) for mid in mids]
    writer = threading.Thread(target=own.acknowledge, args=(came,), daemon=True)
    writer.start()
    writer.join(5.0)
    assert not writer.is_alive()
    # What was not sent with the first came by a connection that has ended.
    assert dying.acknowledged == mids[:ACKS_A_SEND]
    assert own.state().status == "down"


def test_what_comes_after_the_line_was_filled_or_closed_is_not_handed_on() -> None:
    taken: list[Connected | Arrival] = []

    def take(item: Connected | Arrival) -> bool:
        taken.append(item)
        return len(taken) < 2

    own = Line(Broker(), READINGS, take, now_ms=lambda: NOW_MS)
    for event in (E.OPENED, E.REACHED, E.ACCEPTED):
        own._happen(event)
    client = cast(Client, Idle())
    for n in range(4):
        own._hand_on(Arrival("room/a", b"%d" % n, NOW_MS, n), client)
    assert len(taken) == 2
    assert own.state().phase is P.OVERFULL
    assert own.detail(own.state()) == "readings come faster than they can be stored; they wait at the broker"


@pytest.mark.parametrize("early", [False, True], ids=["answered after it is noted", "answered before"])
def test_what_the_broker_refuses_to_take_is_said_once(early: bool) -> None:
    settled: list[tuple[str, bool]] = []
    sayings = _Sayings(WORDS, lambda topic, refused: settled.append((topic, refused)))
    sent: list[str] = []
    refusal = ReasonCode(PacketTypes.PUBACK, identifier=0x87)

    class Refusing:
        def publish(self, topic: str, _text: bytes, **_: object) -> MQTTMessageInfo:
            sent.append(topic)
            if early:
                sayings.answered(len(sent), refusal)
            return MQTTMessageInfo(len(sent))

    client = cast(Client, Refusing())
    sayings.say(client, "room/service", b"here")
    if not early:
        sayings.answered(1, refusal)
    assert sayings.say(client, "room/service", b"here") is None
    sayings.say(client, "room/answers/reply", b"Nothing was answered.")
    assert sent == ["room/service", "room/answers/reply"]
    assert settled[0] == ("room/service", True)
