"""The line to the broker: connected or not, by which protocol, and in plain words why not.

A thin skin around paho-mqtt, driven as :mod:`monitor.adapters.mqtt.drive` says: persistent session, fixed client id,
manual acknowledgement, fall back to MQTT 3.1.1, packet identifiers acknowledged only on the connection they came by. It
hands every message to ``take`` and knows nothing of what becomes of it. What may happen and what follows from it is the
table of :mod:`monitor.adapters.mqtt.line_states`; here it is only told what has happened, and carried out what is due.
"""

from __future__ import annotations

import logging
import ssl
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from itertools import islice
from typing import Any, Final

from paho.mqtt.client import (
    Client,
    ConnectFlags,
    DisconnectFlags,
    MQTTMessage,
    MQTTMessageInfo,
    MQTTv5,
    MQTTv311,
)
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.adapters.crashpoints import crash_point
from monitor.adapters.mqtt.certificates import tls_context
from monitor.adapters.mqtt.drive import BufferedClient, Drive
from monitor.adapters.mqtt.line_states import (
    CARRYING,
    LineEvent,
    LinePhase,
    LineState,
    Reason,
    answer,
    due,
    step,
)
from monitor.adapters.mqtt.line_words import LineWords, some
from monitor.adapters.mqtt.standing import StandingMessages
from monitor.core.readings.arrivals import Arrival
from monitor.core.readings.decode import LARGEST_PAYLOAD
from monitor.core.terms.settings import Broker
from monitor.values import dataclass

_log = logging.getLogger(__name__)

TOPICS_A_PACKET: Final = 100
# What may be under way before it is on disk: a whole batch of the one that writes. Fewer make it wait, more only fill
# memory.
RECEIVE_MAXIMUM: Final = 500
# So many acknowledgements are one call of the system. A crash between two is one that a test plays.
ACKS_A_SEND: Final = 10
REVIVE_AFTER_S: Final = 5.0
ANSWER_S: Final = 5.0
# Longer than the keep-alive may hold up reading: the answer may wait behind messages that cannot be taken.
PROMISE_S: Final = 120.0
# A will waits so long with MQTT 5, so that a service that is restarted, or that connects again after the longest pause
# (30 s), says nothing.
WILL_DELAY_S: Final = 60
HERE, GONE = b"here", b"gone"
SAY_GONE_S: Final = 2.0
PART_S: Final = 1.0
# Reason codes of MQTT 5 (section 2.4); paho gives those of MQTT 3.1.1 as the same numbers. Of the refusals of a
# greeting these pass by themselves (unavailable, busy, over a quota, too many connections): all others need a hand.
UNSUPPORTED_PROTOCOL: Final = 0x84
PASSING: Final = frozenset({0x88, 0x89, 0x97, 0x9F})
GRANTED_WITHOUT_ACK: Final = 0


@dataclass(frozen=True, slots=True)
class Connected:
    """Comes between the messages of two connections. ``session_present``: the broker remembers this client."""

    session_present: bool
    at_ms: int


class Line:
    """One client at one broker.

    ``take`` is called with :class:`Connected` and :class:`Arrival`, in order, by whichever thread drives, and returns
    False when it cannot take any more: then the connection is dropped, so that the broker keeps what follows, until
    :meth:`resume`. While ``room`` says False nothing is read, for half a keep-alive at most. Of ``states`` it is wanted
    what they say now, too (retained messages); of ``topics`` only what is said from now on. ``standing``: what this
    service lets stand at the broker.

    :meth:`state` and :meth:`detail` may be asked in any thread; all other methods belong to one thread, the writer.

    Raises ConfigError when the certificates cannot be used.
    """

    def __init__(
        self,
        broker: Broker,
        topics: Sequence[str],
        take: Callable[[Connected | Arrival], bool],
        *,
        now_ms: Callable[[], int],
        room: Callable[[], bool] = lambda: True,
        states: Sequence[str] = (),
        standing: StandingMessages | None = None,
        config_file: str = "",
        answer_s: float = ANSWER_S,
    ) -> None:
        self._broker = broker
        self._standing = standing
        self._topics = tuple(topics)
        self._states = tuple(states)
        self._take = take
        self._room = room
        self._now_ms = now_ms
        self._answer_s = answer_s
        self._tls = tls_context(broker, "[broker]")
        self._words = LineWords(broker, config_file or "the configuration", len(self._topics) + len(self._states))
        self._sayings = _Sayings(self._words, self._settled)
        # paho may tell of a loss inside a call that acknowledges: the same thread may hold it twice.
        self._lock = threading.RLock()
        self._state = LineState(now_ms())
        self._client: BufferedClient | None = None
        self._drive: Drive | None = None

    # ------------------------------------------------------------ for any thread

    def state(self) -> LineState:
        return self._state

    def detail(self, state: LineState) -> str:
        """A state in plain words: what is wrong and what to do."""
        return self._words.detail(state)

    def _happen(self, event: LineEvent, reason: Reason = Reason(), **more: Any) -> LineState:  # noqa: B008 - frozen
        """Follow the table, and log what there is to say of it."""
        with self._lock:
            before = self._state
            self._state = after = step(before, event, time.monotonic(), self._now_ms(), reason, **more)
        said = self.detail(after)
        if after.cause is not None and said not in ("", self.detail(before)):
            _log.log(logging.INFO if after.cause is LineEvent.REOPENED else logging.WARNING, "%s", said)
        return after

    # ------------------------------------------------------------ for the writer

    def open(self) -> None:
        """Begin to connect; a broker that is not there is tried again after 1 to 30 s, for ever."""
        broker, five = self._broker, self._state.protocol == "MQTT 5"
        client = BufferedClient(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            clean_session=None if five else False,
            protocol=MQTTv5 if five else MQTTv311,
            manual_ack=True,
        )
        client.suppress_exceptions = True
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.plain = self._take_in
        client.on_socket_open = self._on_socket_open
        client.on_publish = self._on_publish
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        will = None
        if five:
            will = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]
            will.WillDelayInterval = WILL_DELAY_S
        if broker.status_topic is not None:
            client.will_set(broker.status_topic, GONE, qos=1, retain=True, properties=will)
        if five:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = broker.session_expiry_s
            properties.ReceiveMaximum = RECEIVE_MAXIMUM
            # Never a clean start, not even the first time: the first connect of this process is the one that must
            # find what waited while the service was away.
            client.connect_async(broker.host, broker.port, broker.keepalive_s, clean_start=False, properties=properties)
        else:
            client.connect_async(broker.host, broker.port, broker.keepalive_s)
        self._sayings.begin()
        self._client = client
        self._drive = Drive(client, self._on_connect_fail, self._room, max(broker.keepalive_s * 0.5, 1.0))
        self._happen(LineEvent.OPENED)
        self._drive.start()

    def turn(self, wait_s: float, most: int) -> None:
        """Wait so long for the broker, and take ``most`` messages at most. Raises nothing."""
        if self._drive is None:
            time.sleep(wait_s)
        else:
            self._drive.turn(wait_s, most)

    def tend(self) -> None:
        """Do what is due: change the protocol, replace a network thread that died, ask again; say what is to stand."""
        client, drive = self._client, self._drive
        event = due(
            self._state,
            time.monotonic(),
            thread_lives=drive is not None and drive.alive(),
            answer_s=self._answer_s,
            promise_s=PROMISE_S,
            revive_s=REVIVE_AFTER_S,
        )
        if event is not None:
            self._part(event)
            self.open()
        elif client is None or drive is None or self._standing is None or self._state.phase is not LinePhase.LISTENING:
            return
        elif chosen := self._standing.due():
            with drive.wheel():
                for topic, payload in chosen:
                    if self._sayings.say(client, topic, payload, retain=True) is None:
                        self._standing.settled(topic, refused=True)

    def resume(self) -> None:
        """Connect again after the line was dropped."""
        self._part(LineEvent.REOPENED)
        self.open()

    def close(self) -> None:
        """Part from the broker; acknowledgements given before still go out."""
        self._part(LineEvent.CLOSED)

    def _part(self, event: LineEvent) -> None:
        self._happen(event)
        client, drive = self._client, self._drive
        if client is None or drive is None:
            return
        drive.end()
        with drive.wheel():
            if event is LineEvent.CLOSED:
                self._say_gone(client, drive)
            client.disconnect()
            # What was given before goes out first, where it can.
            drive.turn(0.0, 1)
            deadline = time.monotonic() + PART_S
            while client.socket() is not None and time.monotonic() < deadline:
                drive.turn(0.05, 1)
            if (own := client.socket()) is not None:
                own.close()
        drive.join()
        self._client = self._drive = None

    def _say_gone(self, client: Client, drive: Drive) -> None:
        """An orderly parting takes the will back [MQTT-3.14.4-3], so it is said here."""
        topic = self._broker.status_topic
        if topic is None or not client.is_connected():
            return
        try:
            said = self._sayings.say(client, topic, GONE, retain=True)
            deadline = time.monotonic() + SAY_GONE_S
            while said is not None and not said.is_published() and time.monotonic() < deadline:
                drive.turn(0.05, 1)
        except (ValueError, RuntimeError) as error:
            _log.warning("nobody could be told on %s that the service ends: %s", topic, error)

    def acknowledge(self, batch: Iterable[Arrival]) -> None:
        """In order of receipt [MQTT-4.6.0-2]. What came by an earlier connection is left out: its packet identifier
        may mean another message now, and the broker sends it again anyway."""
        client, drive = self._client, self._drive
        if client is None or drive is None or self._state.phase not in CARRYING:
            return
        with drive.wheel(), self._lock:
            told = iter([arrival for arrival in batch if arrival.mid])
            while part := list(islice(told, ACKS_A_SEND)):
                if mids := [a.mid for a in part if a.connection == self._state.connection]:
                    client.acknowledge(mids)
                for _ in mids:
                    crash_point("mid-batch")

    def publish(self, topic: str, text: str) -> None:
        """Say something, at least once while the connection lasts; not retained."""
        if self._client is not None and self._drive is not None:
            with self._drive.wheel():
                self._sayings.say(self._client, topic, text.encode())

    def _settled(self, topic: str, refused: bool) -> None:
        if self._standing is not None:
            self._standing.settled(topic, refused=refused)

    def unsubscribe(self, topic: str) -> None:
        if self._client is not None and self._drive is not None:
            with self._drive.wheel():
                self._client.unsubscribe(topic)

    # ------------------------------------------------------------ in the thread that drives

    def _on_socket_open(self, _client: Client, _data: Any, _socket: Any) -> None:
        self._happen(LineEvent.REACHED)

    def _on_connect_fail(self, error: OSError) -> None:
        event = LineEvent.UNTRUSTED if isinstance(error, ssl.SSLError) else LineEvent.UNREACHED
        self._happen(event, Reason(text=str(error)))

    def _on_connect(self, client: Client, _data: Any, flags: ConnectFlags, reason: ReasonCode, _: Any) -> None:
        protocol = self._state.protocol
        if reason.is_failure:
            event = LineEvent.BUSY if reason.value in PASSING else LineEvent.REFUSED
            if reason.value == UNSUPPORTED_PROTOCOL and protocol == "MQTT 5":
                event = LineEvent.MISSPOKEN
            self._happen(event, _reason(reason, by_broker=True))
            return
        if self._happen(LineEvent.ACCEPTED).phase is not LinePhase.SUBSCRIBING:
            return
        _log.info("connected to %s with %s", self._words.address, protocol)
        if self._drive is not None:
            self._drive.pause_s = 0.0
        if self._standing is not None:
            self._standing.line_made()
        self._hand_on(Connected(flags.session_present, self._now_ms()), client)
        asked: dict[int | None, tuple[str, ...]] = {}
        for wanted, now in ((self._topics, False), (self._states, True)):
            for start in range(0, len(wanted), TOPICS_A_PACKET):
                topics = wanted[start : start + TOPICS_A_PACKET]
                mid = self._subscribe(client, topics, now=now)
                asked[mid] = (*asked.get(mid, ()), *topics)
        self._happen(LineEvent.ASKED if asked else LineEvent.PROMISED, asked=asked)
        if self._broker.status_topic is not None:
            self._sayings.say(client, self._broker.status_topic, HERE, retain=True)

    def _subscribe(self, client: Client, topics: Sequence[str], *, now: bool) -> int | None:
        """The packet's identifier; None when the connection has ended meanwhile.

        ``now``: what was said before is wanted, too. A retained reading is old news, and need not be sent.
        """
        if self._state.protocol == "MQTT 5":
            handling = SubscribeOptions.RETAIN_SEND_ON_SUBSCRIBE if now else SubscribeOptions.RETAIN_DO_NOT_SEND
            options = SubscribeOptions(qos=1, retainHandling=handling)
            return client.subscribe([(topic, options) for topic in topics])[1]
        return client.subscribe([(topic, 1) for topic in topics])[1]

    def _on_subscribe(self, _client: Client, _data: Any, mid: int, reasons: list[ReasonCode], _: Any) -> None:
        pairs = list(zip(self._state.asked.get(mid, ()), reasons, strict=False))
        weak = [t for t, r in pairs if not r.is_failure and r.value == GRANTED_WITHOUT_ACK]
        if weak:
            _log.warning("the broker delivers without acknowledgement (QoS 0), readings may be lost: %s", some(weak))
        event, asked, refused = answer(self._state, mid, [t for t, r in pairs if r.is_failure], self._topics)
        after = self._happen(event, asked=asked, refused_topics=refused)
        if after.phase is LinePhase.LISTENING:
            _log.info("subscribed to %d of %d topics", self._words.wanted - len(refused), self._words.wanted)

    def _on_publish(self, _client: Client, _data: Any, mid: int, reason: ReasonCode, _: Any) -> None:
        self._sayings.answered(mid, reason)

    def _on_message(self, client: Client, _data: Any, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(not UTF-8)"
        mid = message.mid if message.qos else 0
        self._take_in(client, topic, bytes(message.payload), mid, message.dup, message.retain)

    def _take_in(self, client: Client, topic: str, payload: bytes, mid: int, again: bool, retained: bool) -> None:
        # An exception here would end the line while it still calls itself connected.
        try:
            if self._drive is not None:
                self._drive.came += 1
            kept = payload[: LARGEST_PAYLOAD + 1]
            self._hand_on(Arrival(topic, kept, self._now_ms(), mid, again, retained, self._state.connection), client)
        except Exception:  # noqa: BLE001
            _log.exception("a message could not be taken in; the broker will send it again")

    def _hand_on(self, item: Connected | Arrival, client: Client) -> None:
        phase = self._state.phase
        # The first is nearly always so, and a member of an enumeration is slow to look up.
        if (phase is LinePhase.LISTENING or phase in CARRYING) and not self._take(item):
            self._happen(LineEvent.FILLED)
            if self._drive is not None:
                self._drive.end()
            client.disconnect()

    def _on_disconnect(self, _client: Client, _data: Any, flags: DisconnectFlags, reason: ReasonCode, _: Any) -> None:
        self._happen(LineEvent.LOST, _reason(reason, by_broker=flags.is_disconnect_packet_from_server))


class _Sayings:
    """What the service itself says at the broker, but not where the broker has refused it: one that refuses may end
    the connection each time (seen with mosquitto 2.0.11), and readings come by the same one.

    ``settled`` is told each answer: the topic, and whether it was refused.
    """

    def __init__(self, words: LineWords, settled: Callable[[str, bool], None]) -> None:
        self._words = words
        self._settled = settled
        # Never held while paho is called, which holds locks of its own when it tells of an answer.
        self._lock = threading.Lock()
        self._topics: dict[int, str] = {}
        self._early: dict[int, ReasonCode] = {}
        self._refused: set[str] = set()

    def begin(self) -> None:
        """A new client counts its packets anew."""
        with self._lock:
            self._topics.clear()
            self._early.clear()

    def say(self, client: Client, topic: str, text: bytes, *, retain: bool = False) -> MQTTMessageInfo | None:
        """None where the broker has refused it before."""
        with self._lock:
            if topic in self._refused:
                return None
        said = client.publish(topic, text, qos=1, retain=retain)
        with self._lock:
            # The answer may have come before the topic is noted.
            early = self._early.pop(said.mid, None)
            if early is None:
                self._topics[said.mid] = topic
        if early is not None:
            self._settle(topic, early)
        return said

    def answered(self, mid: int, reason: ReasonCode) -> None:
        with self._lock:
            topic = self._topics.pop(mid, None)
            if topic is None:
                self._early[mid] = reason
                return
        self._settle(topic, reason)

    def _settle(self, topic: str, reason: ReasonCode) -> None:
        if reason.is_failure:
            with self._lock:
                self._refused.add(topic)
            _log.warning("%s", self._words.cannot_say(topic, str(reason)))
        self._settled(topic, reason.is_failure)


def _reason(code: ReasonCode, *, by_broker: bool) -> Reason:
    return Reason(code.value, str(code), by_broker)
