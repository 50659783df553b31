"""The line to the broker: connected or not, by which protocol, and in plain words why not.

A thin skin around paho-mqtt, whose thread it owns: persistent session, fixed client id, manual acknowledgement,
fall back to MQTT 3.1.1, packet identifiers acknowledged only on the connection they came by. It hands every message
to ``take`` and knows nothing of what becomes of it.
"""

from __future__ import annotations

import logging
import ssl
import sys
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

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
from monitor.core.readings.arrivals import Arrival
from monitor.core.readings.decode import LARGEST_PAYLOAD
from monitor.core.terms.settings import Broker
from monitor.errors import ConfigError

_log = logging.getLogger(__name__)

Protocol = Literal["MQTT 5", "MQTT 3.1.1"]
LineStatus = Literal["up", "down", "refused", "connecting"]

TOPICS_A_PACKET: Final = 100
REVIVE_AFTER_S: Final = 5.0
ANSWER_S: Final = 5.0
OFTEN, OFTEN_S = 3, 60.0
# A will waits so long with MQTT 5, so that a service that is restarted, or that connects again after the longest pause
# (30 s), says nothing.
WILL_DELAY_S: Final = 60
HERE, GONE = b"here", b"gone"
SAY_GONE_S: Final = 2.0
# Refusals that pass by themselves; all others need somebody's hand.
_PASSING: Final = frozenset({"Server unavailable", "Server busy", "Quota exceeded", "Connection rate exceeded"})


@dataclass(frozen=True, slots=True)
class Connected:
    """Comes between the messages of two connections. ``session_present``: the broker remembers this client."""

    session_present: bool
    at_ms: int


@dataclass(frozen=True, slots=True)
class LineState:
    """How the line is at one moment; ``detail`` says what is wrong and what to do."""

    state: LineStatus
    since_ms: int
    detail: str = ""
    protocol: Protocol = "MQTT 5"
    refused_topics: tuple[str, ...] = ()


class Line:
    """One client at one broker.

    ``take`` is called in the network thread with :class:`Connected` and :class:`Arrival`, in order, and returns
    False when it cannot take any more: then the connection is dropped, so that the broker keeps what follows, until
    :meth:`resume`. ``open``, ``close``, ``tend`` and ``resume`` belong to one other thread. Of ``states`` it is wanted
    what they say now, too (retained messages); of ``topics`` only what is said from now on.

    Raises ConfigError when the certificates cannot be used.
    """

    def __init__(
        self,
        broker: Broker,
        topics: Sequence[str],
        take: Callable[[Connected | Arrival], bool],
        *,
        now_ms: Callable[[], int],
        states: Sequence[str] = (),
        config_file: str = "",
        answer_s: float = ANSWER_S,
    ) -> None:
        self._broker = broker
        self._topics = tuple(topics)
        self._states = tuple(states)
        self._replies = ""
        self._take = take
        self._now_ms = now_ms
        self._file = config_file or "the configuration"
        self._answer_s = answer_s
        self._tls = _tls_context(broker)
        self._lock = threading.Lock()
        self._state = LineState("connecting", now_ms())
        self._protocol: Protocol = "MQTT 5"
        self._client: Client | None = None
        self._connection = 0
        self._subscribing: dict[int, list[str]] = {}
        self._saying: dict[int, str] = {}
        self._silenced: set[str] = set()
        self._fall_back = False
        self._greeted: float | None = None
        self._silences = 0
        self._losses: list[float] = []
        self._connected = False
        self._parting = False
        self._dropped = False
        self._closed = False
        self._opened = 0.0

    # ------------------------------------------------------------ for the owner's thread

    def state(self) -> LineState:
        with self._lock:
            return self._state

    @property
    def protocol(self) -> Protocol:
        return self._protocol

    @property
    def dropped(self) -> bool:
        """Whether the line was dropped because nothing more could be taken."""
        return self._dropped

    def open(self) -> None:
        """Begin to connect; a broker that is not there is tried again after 1 to 30 s, for ever."""
        broker, five = self._broker, self._protocol == "MQTT 5"
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            clean_session=None if five else False,
            protocol=MQTTv5 if five else MQTTv311,
            manual_ack=True,
        )
        client.suppress_exceptions = True
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_socket_open = self._on_socket_open
        client.on_publish = self._on_publish
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        client.reconnect_delay_set(1, 30)
        self._leave_will(client)
        if five:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = broker.session_expiry_s
            properties.ReceiveMaximum = broker.receive_maximum
            # Never a clean start, not even the first time: the first connect of this process is the one that must
            # find what waited while the service was away.
            client.connect_async(broker.host, broker.port, broker.keepalive_s, clean_start=False, properties=properties)
        else:
            client.connect_async(broker.host, broker.port, broker.keepalive_s)
        self._parting = False
        self._client = client
        self._opened = time.monotonic()
        client.loop_start()

    def close(self) -> None:
        """Part from the broker; acknowledgements given before still go out."""
        self._closed = True
        self._say_gone()
        self._part()

    def _leave_will(self, client: Client) -> None:
        topic = self._broker.status_topic
        if topic is None:
            return
        properties = None
        if self._protocol == "MQTT 5":
            properties = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]
            properties.WillDelayInterval = WILL_DELAY_S
        client.will_set(topic, GONE, qos=1, retain=True, properties=properties)

    def _say_gone(self) -> None:
        """An orderly parting takes the will back [MQTT-3.14.4-3], so it is said here."""
        topic, client = self._broker.status_topic, self._client
        if topic is None or client is None or not client.is_connected():
            return
        try:
            said = self._say(client, topic, GONE, retain=True)
            if said is not None:
                said.wait_for_publish(SAY_GONE_S)
        except (ValueError, RuntimeError) as error:
            _log.warning("nobody could be told on %s that the service ends: %s", topic, error)

    def _part(self) -> None:
        self._parting = True
        if self._client is not None:
            self._client.disconnect()
            self._client.loop_stop()
            self._client = None
        self._greeted = None
        with self._lock:
            self._connection += 1

    def tend(self) -> None:
        """Do what is due: change the protocol, replace a network thread that died.

        A broker of the older protocol either says so or, because it takes the properties in the greeting for the
        beginning of a name, waits in silence for the rest of it. Silence can also be a busy broker: so each
        silence tries the other protocol.
        """
        silent = self._greeted is not None and time.monotonic() - self._greeted > self._answer_s
        if self._fall_back or silent:
            self._part()
            self._protocol = "MQTT 3.1.1" if self._protocol == "MQTT 5" else "MQTT 5"
            self._silences += silent
            if self._silences > 1:
                detail = (
                    f"something at {self.address} takes the connection but does not answer as a broker; check host, "
                    f"port and tls under [broker] in {self._file}"
                )
                self._set(state="down", detail=detail)
            else:
                why = "does not answer" if silent else "does not speak MQTT 5"
                detail = f"the broker at {self.address} {why}; trying {self._protocol}"
                self._set(state="connecting", detail=detail)
            if self._silences < 3:
                _log.warning("%s", detail)
            self._fall_back = False
            self.open()
        elif self._thread_died() and time.monotonic() - self._opened > REVIVE_AFTER_S:
            _log.error("the network thread ended; starting another")
            self._part()
            self.open()

    def _thread_died(self) -> bool:
        # paho has no public way to ask whether its thread lives.
        return self._client is not None and self._client._thread is None and not self._dropped

    def resume(self) -> None:
        """Connect again after the line was dropped."""
        self._part()
        self._dropped = False
        self._set(state="connecting", detail="connecting again")
        self.open()

    def acknowledge(self, batch: Iterable[Arrival]) -> None:
        """In order of receipt [MQTT-4.6.0-2]. What came by an earlier connection is left out: its packet identifier
        may mean another message now, and the broker sends it again anyway."""
        client = self._client
        if client is None:
            return
        with self._lock:
            for arrival in batch:
                if arrival.mid and arrival.connection == self._connection:
                    client.ack(arrival.mid, 1)
                    crash_point("mid-batch")

    def publish(self, topic: str, text: str) -> None:
        """Say something, at least once while the connection lasts; not retained."""
        self._replies = topic
        if self._client is not None:
            self._say(self._client, topic, text.encode())

    def unsubscribe(self, topic: str) -> None:
        if self._client is not None:
            self._client.unsubscribe(topic)

    # ------------------------------------------------------------ in the network thread

    def _on_socket_open(self, _client: Client, _data: Any, _socket: Any) -> None:
        self._greeted = time.monotonic()

    def _on_connect(self, client: Client, _data: Any, flags: ConnectFlags, reason: ReasonCode, _: Any) -> None:
        self._greeted, self._silences = None, 0
        if reason.is_failure:
            if str(reason) == "Unsupported protocol version" and self._protocol == "MQTT 5":
                self._fall_back = True
                return
            detail = self._why_refused(str(reason))
            if detail != self.state().detail:
                _log.warning("%s", detail)
            self._set(state="down" if str(reason) in _PASSING else "refused", detail=detail)
            return
        self._connected = True
        with self._lock:
            self._connection += 1
        self._set(protocol=self._protocol, refused_topics=())
        _log.info("connected to %s with %s", self.address, self._protocol)
        self._hand_on(Connected(flags.session_present, self._now_ms()), client)
        self._subscribing.clear()
        for start in range(0, len(self._topics), TOPICS_A_PACKET):
            self._subscribe(client, list(self._topics[start : start + TOPICS_A_PACKET]))
        for start in range(0, len(self._states), TOPICS_A_PACKET):
            self._subscribe(client, list(self._states[start : start + TOPICS_A_PACKET]), now=True)
        if not self._topics and not self._states:
            self._set(state="up", detail="")
        if self._broker.status_topic is not None:
            self._say(client, self._broker.status_topic, HERE, retain=True)

    def _subscribe(self, client: Client, topics: list[str], *, now: bool = False) -> None:
        """``now``: what was said before is wanted, too. A retained reading is old news, and need not be sent."""
        if self._protocol == "MQTT 5":
            handling = SubscribeOptions.RETAIN_SEND_ON_SUBSCRIBE if now else SubscribeOptions.RETAIN_DO_NOT_SEND
            options = SubscribeOptions(qos=1, retainHandling=handling)
            _, mid = client.subscribe([(topic, options) for topic in topics])
        else:
            _, mid = client.subscribe([(topic, 1) for topic in topics])
        if mid is not None:
            self._subscribing[mid] = topics

    def _on_subscribe(self, _client: Client, _data: Any, mid: int, reasons: list[ReasonCode], _: Any) -> None:
        topics = self._subscribing.pop(mid, [])
        refused = [t for t, r in zip(topics, reasons, strict=False) if r.is_failure]
        weak = [t for t, r in zip(topics, reasons, strict=False) if not r.is_failure and r.value == 0]
        if weak:
            _log.warning("the broker delivers without acknowledgement (QoS 0), readings may be lost: %s", _some(weak))
        every = (*self.state().refused_topics, *refused)
        detail = ""
        if every:
            detail = (
                f"the broker refuses {len(every)} of {self._wanted} topics ({_some(every)}); let {self._who} "
                f"read them (the broker's access list), or correct the topics in {self._file}"
            )
            _log.warning("%s", detail)
        self._set(refused_topics=every)
        # Up is the line only when the broker has said to every topic that it will send it.
        if not self._subscribing:
            none = bool(self._topics) and set(self._topics) <= set(every)
            self._set(state="refused" if none else "up", detail=detail)
            _log.info("subscribed to %d of %d topics", self._wanted - len(every), self._wanted)

    def _say(self, client: Client, topic: str, text: bytes, *, retain: bool = False) -> MQTTMessageInfo | None:
        """Publish, but not where the broker has refused it: one that refuses may end the connection each time (seen
        with mosquitto 2.0.11), and readings come by the same one."""
        if topic in self._silenced:
            return None
        said = client.publish(topic, text, qos=1, retain=retain)
        self._saying[said.mid] = topic
        return said

    def _on_publish(self, _client: Client, _data: Any, mid: int, reason: ReasonCode, _: Any) -> None:
        topic = self._saying.pop(mid, None)
        if reason.is_failure:
            if topic is not None:
                self._silenced.add(topic)
            topics = [t for t in (self._broker.status_topic, self._replies) if t]
            _log.warning(
                "the broker does not take what %s says on %s (%s); let %s write there, or take status_topic or topic "
                "out of %s",
                self._broker.client_id,
                " or ".join(topics),
                reason,
                self._who,
                self._file,
            )

    def _on_message(self, client: Client, _data: Any, message: MQTTMessage) -> None:
        # An exception here would end paho's thread while it still calls itself connected.
        try:
            now_ms = self._now_ms()
            try:
                topic = message.topic
            except UnicodeDecodeError:
                topic = "(not UTF-8)"
            payload = bytes(message.payload[: LARGEST_PAYLOAD + 1])
            mid = message.mid if message.qos else 0
            arrival = Arrival(topic, payload, now_ms, mid, message.dup, message.retain, self._connection)
            self._hand_on(arrival, client)
        except Exception:  # noqa: BLE001
            _log.exception("a message could not be taken in; the broker will send it again")

    def _hand_on(self, item: Connected | Arrival, client: Client) -> None:
        if self._closed or self._dropped or self._take(item):
            return
        self._dropped = True
        with self._lock:
            self._connection += 1
        self._set(state="down", detail="readings come faster than they can be stored; they wait at the broker")
        _log.warning("nothing more can be taken: parting from the broker, which keeps the messages")
        client.disconnect()

    def _on_disconnect(self, _client: Client, _data: Any, flags: DisconnectFlags, reason: ReasonCode, _: Any) -> None:
        # paho calls this twice for a half-open line, so it only ever says the same thing again.
        self._greeted = None
        with self._lock:
            self._connection += 1
            state = self._state.state
        was_connected, self._connected = self._connected, False
        if self._parting or self._dropped or self._fall_back or (state == "refused" and not was_connected):
            return
        now = time.monotonic()
        if state == "up":
            self._losses = [t for t in self._losses if now - t < OFTEN_S] + [now]
        by = "the broker ended the connection" if flags.is_disconnect_packet_from_server else "the connection was lost"
        detail = f"{by} ({reason}); trying again"
        if str(reason) == "Session taken over" or len(self._losses) >= OFTEN:
            # Not every broker says why it ends a connection; two that push each other out show by the rhythm.
            detail = (
                f"the connection is lost again and again; if another program uses the client id "
                f"{self._broker.client_id!r} at this broker, give each its own client_id under [broker] in {self._file}"
            )
        self._set(state="down", detail=detail)
        _log.warning("%s: %s", self.address, detail)

    def _on_connect_fail(self, _client: Client, _data: Any) -> None:
        # paho calls this while it handles the exception.
        error = sys.exc_info()[1]
        why = f" ({error})" if error is not None else ""
        if isinstance(error, ssl.SSLError):
            detail = f"no trusted line to {self.address}{why}; check tls, ca_file and the port"
        else:
            detail = f"nobody answers at {self.address}{why}; check that the broker runs, and host and port"
        detail += f" under [broker] in {self._file}"
        if self.state().detail != detail:
            _log.warning("%s", detail)
        self._set(state="down", detail=detail)

    # ------------------------------------------------------------ words

    def _why_refused(self, reason: str) -> str:
        if reason not in ("Not authorized", "Bad user name or password"):
            return f"the broker at {self.address} does not accept {self._who} ({reason})"
        if self._broker.username is None:
            how = f"it wants a login: give username and password_file under [broker] in {self._file}"
        else:
            how = f"correct username and password_file under [broker] in {self._file}, or the broker's own list"
        return f"the broker at {self.address} refuses {self._who} ({reason}); {how}"

    @property
    def _wanted(self) -> int:
        return len(self._topics) + len(self._states)

    @property
    def address(self) -> str:
        return f"{self._broker.host}:{self._broker.port}"

    @property
    def _who(self) -> str:
        user = self._broker.username
        return f"the login {user!r}" if user is not None else "a client without login"

    def _set(self, **changes: Any) -> None:
        with self._lock:
            if changes.get("state", self._state.state) != self._state.state:
                changes["since_ms"] = self._now_ms()
            self._state = replace(self._state, **changes)


def _some(topics: Sequence[str]) -> str:
    return ", ".join(topics[:3]) + (f" and {len(topics) - 3} more" if len(topics) > 3 else "")


def _tls_context(broker: Broker) -> ssl.SSLContext | None:
    if not broker.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=broker.ca_file)
        if broker.cert_file is not None:
            context.load_cert_chain(broker.cert_file, broker.key_file)
    except (OSError, ssl.SSLError) as error:
        raise ConfigError(
            f"the certificates for the broker cannot be used ({error})",
            where="[broker]",
            fix="check ca_file, cert_file and key_file: PEM files that this user may read",
        ) from error
    return context
