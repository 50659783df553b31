"""The theory of the line to the broker: what it can be, what can happen to it and what follows, as a table.

Three make a line. The *network thread* connects, after a loss again after 1 to 30 s, for ever, and greets, reads and
writes where the writer is busy for long (:mod:`monitor.adapters.mqtt.drive`); else the *writer* does. That owns the
client: it opens it, parts from it, acknowledges what is stored, and looks some times a second whether something else is
due (:func:`due`). The *broker* may
be away, be no broker, speak another protocol, refuse the login or a topic, fall silent, or have forgotten the session.

    ============  =====================================================================================
    apart         there is no client: not opened yet, about to be replaced, or closed
    seeking       a client runs and has no connection; the network thread tries again by itself
    greeting      connected, the greeting is sent, the broker's answer is awaited
    turned away   the broker's answer was no; the connection ends, and it tries again
    other         the answer was that it does not speak this protocol; the writer opens with the other one
    subscribing   greeted, and not every topic is answered for; messages come already in a session that goes on
    listening     the broker has answered for every topic
    overfull      parted, since nothing more can be taken; the writer opens again when there is room
    ============  =====================================================================================

What is shown of it (*status*) is what was last found out, and stays while another attempt is made: "down" nobody is
there, or not reachable, or busy; "refused" the broker wants something that only a person can give (a login, rights);
"up" the broker has promised at least one of the topics with readings, and nothing less; "connecting" nothing is known
yet.

Protocol. MQTT 5 first. A broker of the older one either says so or, since it takes the properties in the greeting for
the beginning of a name, waits in silence for the rest of it. Silence can also be a busy broker: so each silence tries
the other protocol. The second one in a row says that no broker is there at all.

Session. Whether the broker still knows this client's session is no state of the line: it is told with every accepted
greeting, between the messages of two connections (:class:`monitor.adapters.mqtt.line.Connected`).

Packet identifiers mean a message on one connection only [MQTT-2.2.1], so connections are counted: up by one where one
begins to carry messages and where it ceases to.

Threads. A state is one frozen value, replaced as a whole, under one lock, by :func:`step` alone. Events up to ``DIED``
are the writer's, those after it whoever drives. What the table does not name changes nothing: paho tells of one
loss twice, and a client that was parted from may still say something.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping
from dataclasses import field, replace
from types import MappingProxyType
from typing import Final, Literal

from monitor.values import dataclass

Protocol = Literal["MQTT 5", "MQTT 3.1.1"]
LineStatus = Literal["up", "down", "refused", "connecting"]

OFTEN, OFTEN_S = 3, 60.0
"""So many losses of a line that was up, within so long, are often."""


class LinePhase(enum.StrEnum):
    """Where the line is; see the module's table."""

    APART = "apart"
    SEEKING = "seeking"
    GREETING = "greeting"
    TURNED_AWAY = "turned away"
    OTHER = "other"
    SUBSCRIBING = "subscribing"
    LISTENING = "listening"
    OVERFULL = "overfull"


class LineEvent(enum.StrEnum):
    """What can happen; first what the writer does, then what whoever drives finds."""

    OPENED = "a client begins to connect"
    REOPENED = "opened anew, since there is room again"
    CLOSED = "the service ends"
    SWITCHED = "opened anew with the other protocol, as the broker wants it"
    SILENT = "no answer to the greeting in time"
    SILENT_AGAIN = "no answer to the greeting, by either protocol"
    UNPROMISED = "no answer for a topic in time"
    DIED = "the network thread has ended by itself"

    REACHED = "connected; the greeting goes out"
    UNREACHED = "nobody answers at the address"
    UNTRUSTED = "somebody answers who is not trusted"
    ACCEPTED = "the greeting is accepted"
    BUSY = "the greeting is refused for now"
    REFUSED = "the greeting is refused"
    MISSPOKEN = "the greeting is of a protocol that the broker does not speak"
    ASKED = "the topics are asked for"
    ANSWERED = "the broker answered for some topics"
    PROMISED = "the broker answered for the last topic, and sends readings"
    DENIED = "the broker answered for the last topic, and sends no readings"
    FILLED = "nothing more can be taken"
    LOST = "the connection has ended"


_P, _E = LinePhase, LineEvent
_Moves = Mapping[LineEvent, tuple[LinePhase, LineStatus | None]]
# What the writer does wherever there is a client.
_LEAVING: Final[_Moves] = {_E.CLOSED: (_P.APART, None), _E.REOPENED: (_P.APART, "connecting")}
_DYING: Final[_Moves] = {**_LEAVING, _E.DIED: (_P.APART, "down")}

# phase -> event -> (phase, status; None: what was found out before still holds).
TABLE: Final[Mapping[LinePhase, _Moves]] = {
    _P.APART: {_E.OPENED: (_P.SEEKING, None)},
    _P.SEEKING: {
        **_DYING,
        _E.REACHED: (_P.GREETING, None),
        _E.UNREACHED: (_P.SEEKING, "down"),
        _E.UNTRUSTED: (_P.SEEKING, "down"),
    },
    _P.GREETING: {
        **_DYING,
        _E.SILENT: (_P.APART, "connecting"),
        _E.SILENT_AGAIN: (_P.APART, "down"),
        _E.REACHED: (_P.GREETING, None),
        _E.UNREACHED: (_P.SEEKING, "down"),
        _E.UNTRUSTED: (_P.SEEKING, "down"),
        _E.ACCEPTED: (_P.SUBSCRIBING, None),
        _E.BUSY: (_P.TURNED_AWAY, "down"),
        _E.REFUSED: (_P.TURNED_AWAY, "refused"),
        _E.MISSPOKEN: (_P.OTHER, None),
        _E.LOST: (_P.SEEKING, "down"),
    },
    _P.TURNED_AWAY: {**_DYING, _E.REACHED: (_P.GREETING, None), _E.LOST: (_P.SEEKING, None)},
    _P.OTHER: {**_LEAVING, _E.SWITCHED: (_P.APART, "connecting")},
    _P.SUBSCRIBING: {
        **_DYING,
        _E.UNPROMISED: (_P.APART, "down"),
        _E.ASKED: (_P.SUBSCRIBING, None),
        _E.ANSWERED: (_P.SUBSCRIBING, None),
        _E.PROMISED: (_P.LISTENING, "up"),
        _E.DENIED: (_P.LISTENING, "refused"),
        _E.FILLED: (_P.OVERFULL, "down"),
        _E.LOST: (_P.SEEKING, "down"),
    },
    _P.LISTENING: {**_DYING, _E.FILLED: (_P.OVERFULL, "down"), _E.LOST: (_P.SEEKING, "down")},
    _P.OVERFULL: {**_LEAVING},
}

CARRYING: Final = frozenset({_P.SUBSCRIBING, _P.LISTENING})
"""Phases in which messages come."""
_NEEDS_THREAD: Final = frozenset({_P.SEEKING, _P.GREETING, _P.TURNED_AWAY, _P.SUBSCRIBING, _P.LISTENING})
_BROKER_SPOKE: Final = frozenset({_E.ACCEPTED, _E.BUSY, _E.REFUSED, _E.MISSPOKEN})
_OTHER_PROTOCOL: Final = frozenset({_E.SWITCHED, _E.SILENT, _E.SILENT_AGAIN})


@dataclass(frozen=True, slots=True)
class Reason:
    """What came with an event: MQTT's reason code (0: none), its text or an error's, and whether the broker said it."""

    code: int = 0
    text: str = ""
    by_broker: bool = False


@dataclass(frozen=True, slots=True)
class LineState:
    """How the line is at one moment.

    ``since_ms`` is when the status changed (wall clock), ``moved_s`` when the table was last followed (monotonic).
    ``cause`` and ``reason`` are what the status comes from. ``asked``: topics by the packet that asks for them, as far
    as they are not answered for; under None what could not even be asked. ``losses`` are moments (monotonic, s).
    """

    since_ms: int
    phase: LinePhase = LinePhase.APART
    status: LineStatus = "connecting"
    cause: LineEvent | None = None
    reason: Reason = Reason()
    protocol: Protocol = "MQTT 5"
    refused_topics: tuple[str, ...] = ()
    asked: Mapping[int | None, tuple[str, ...]] = field(default_factory=lambda: MappingProxyType({}))
    connection: int = 0
    moved_s: float = 0.0
    silences: int = 0
    losses: tuple[float, ...] = ()

    @property
    def lost_often(self) -> bool:
        return len(self.losses) >= OFTEN


def step(
    state: LineState,
    event: LineEvent,
    now_s: float,
    now_ms: int,
    reason: Reason = Reason(),  # noqa: B008 - frozen
    asked: Mapping[int | None, tuple[str, ...]] | None = None,
    refused_topics: tuple[str, ...] | None = None,
) -> LineState:
    """The state after an event; the same object when the table has nothing for it.

    ``now_s`` is monotonic. ``asked`` and ``refused_topics`` replace those of the state, for ``ASKED`` and answers.
    """
    move = TABLE[state.phase].get(event)
    if move is None:
        return state
    phase, status = move
    new = replace(
        state,
        phase=phase,
        moved_s=now_s,
        connection=state.connection + ((phase in CARRYING) != (state.phase in CARRYING)),
        asked=MappingProxyType(dict(asked)) if asked is not None else state.asked,
        refused_topics=refused_topics if refused_topics is not None else state.refused_topics,
    )
    if status is not None:
        since_ms = state.since_ms if status == state.status else now_ms
        new = replace(new, status=status, since_ms=since_ms, cause=event, reason=reason)
    if event in _BROKER_SPOKE:
        new = replace(new, silences=0)
    if event is LineEvent.ACCEPTED:
        new = replace(new, asked=MappingProxyType({}), refused_topics=())
    elif event in _OTHER_PROTOCOL:
        protocol: Protocol = "MQTT 3.1.1" if state.protocol == "MQTT 5" else "MQTT 5"
        new = replace(new, protocol=protocol, silences=state.silences + (event is not LineEvent.SWITCHED))
    elif event is LineEvent.LOST and state.status == "up":
        # Two clients of one id push each other out: each time the line had been up.
        new = replace(new, losses=(*(t for t in state.losses if now_s - t < OFTEN_S), now_s))
    return new


def answer(
    state: LineState, packet: int, refused: Iterable[str], readings: Iterable[str]
) -> tuple[LineEvent, dict[int | None, tuple[str, ...]], tuple[str, ...]]:
    """The event that the answer to one packet of topics is, with what is still asked and all that is refused.

    ``refused`` are the topics of the packet that the broker will not send, ``readings`` those without which the line
    is of no use: the line is not up when every one of them is refused.
    """
    asked = {mid: topics for mid, topics in state.asked.items() if mid != packet}
    every = (*state.refused_topics, *refused)
    if asked or packet not in state.asked:
        return LineEvent.ANSWERED, asked, every
    needed = set(readings)
    return (LineEvent.DENIED if needed and needed <= set(every) else LineEvent.PROMISED), asked, every


def due(
    state: LineState, now_s: float, *, thread_lives: bool, answer_s: float, promise_s: float, revive_s: float
) -> LineEvent | None:
    """What the writer has to make happen now, None when the next move is another's.

    After ``answer_s`` a greeting, after ``promise_s`` a topic counts as not answered. A network thread that ended is
    replaced ``revive_s`` after the last thing that happened, so that one that ends at once is no endless rush.
    """
    waited_s = now_s - state.moved_s
    if state.phase is LinePhase.OTHER:
        return LineEvent.SWITCHED
    if not thread_lives and state.phase in _NEEDS_THREAD:
        return LineEvent.DIED if waited_s > revive_s else None
    if state.phase is LinePhase.GREETING and waited_s > answer_s:
        return LineEvent.SILENT_AGAIN if state.silences else LineEvent.SILENT
    if state.phase is LinePhase.SUBSCRIBING and waited_s > promise_s:
        return LineEvent.UNPROMISED
    return None
