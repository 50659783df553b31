"""An ear at the broker: what comes there for a while, for whoever looks.

Looks and touches nothing: a client id of its own, no session, no acknowledgement, so that the service misses nothing
meanwhile.
"""

from __future__ import annotations

import secrets
import statistics
import threading
import time
from collections.abc import Sequence
from dataclasses import field
from typing import Any, Final, Protocol

from monitor.core.readings.decode import LARGEST_PAYLOAD
from monitor.core.terms.settings import Broker
from monitor.errors import BrokerRefused, BrokerUnreachable
from monitor.values import dataclass

ANSWER_S: Final = 10.0
MOST_TOPICS: Final = 2000
MOST_BYTES: Final = 32 * 2**20
"""Of all last messages together."""


@dataclass()
class Overheard:
    """What came on one topic. Arrival times (monotonic, s) without retained messages."""

    topic: str
    count: int = 0
    retained: int = 0
    last: bytes = b""
    arrivals: list[float] = field(default_factory=list)

    @property
    def interval_s(self) -> float | None:
        """Median time between two messages; None with fewer than two."""
        gaps = [b - a for a, b in zip(self.arrivals, self.arrivals[1:], strict=False)]
        return statistics.median(gaps) if gaps else None


class Showing(Protocol):
    """Whoever wants to see each message as it comes."""

    def __call__(self, known: Overheard, *, retained: bool) -> None: ...


class Ear:
    """Listens once. ``heard`` fills up while :meth:`listen` runs, and ``show`` is told of each message in the network
    thread: the topic with this message as its last one, and whether it was retained."""

    def __init__(self, broker: Broker, topic_filter: str, show: Showing) -> None:
        self.heard: dict[str, Overheard] = {}
        self.left_out = False
        self._bytes = 0
        self._broker = broker
        self._filter = topic_filter
        self._show = show
        self._answered = threading.Event()
        self._refused = ""
        self._lost = threading.Event()
        self._ending = False

    def listen(self, seconds: float) -> None:
        """For so long. Raises BrokerUnreachable, BrokerRefused, and ConfigError when certificates cannot be used."""
        from paho.mqtt.client import Client, MQTTv311
        from paho.mqtt.enums import CallbackAPIVersion

        from monitor.adapters.mqtt.certificates import tls_context

        where = f"{self._broker.host}:{self._broker.port}"
        # MQTT 3.1.1 is enough to look, and every broker speaks it.
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"warmtally-listen-{secrets.token_hex(4)}",
            clean_session=True,
            protocol=MQTTv311,
            reconnect_on_failure=False,
        )
        client.suppress_exceptions = True
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_disconnect = self._on_disconnect
        if self._broker.username is not None:
            client.username_pw_set(self._broker.username, self._broker.password)
        if (context := tls_context(self._broker, where)) is not None:
            client.tls_set_context(context)
        try:
            client.connect(self._broker.host, self._broker.port, 30)
        except (OSError, ValueError) as error:
            raise BrokerUnreachable(
                f"nobody answers ({error})", where=where, fix="check that the broker runs, its host and its port"
            ) from error
        client.loop_start()
        try:
            if not self._answered.wait(ANSWER_S):
                raise BrokerUnreachable(
                    "the connection is taken, but no broker answers", where=where, fix="check host, port and tls"
                )
            if self._refused:
                raise BrokerRefused(self._refused, where=where, fix=self._login_fix())
            if self._lost.wait(seconds):
                raise BrokerUnreachable("the broker ended the connection", where=where, fix="look into its log")
        finally:
            self._ending = True
            client.disconnect()
            client.loop_stop()

    def _login_fix(self) -> str:
        if self._broker.username is None:
            return "give a login: --username and --password-file, or username and password_file under [broker]"
        return "check the login and what the broker's access list lets it read, or give a narrower --topic"

    def _on_connect(self, client: Any, _data: Any, _flags: Any, reason: Any, _: Any) -> None:
        if reason.is_failure:
            who = f"the login {self._broker.username!r}" if self._broker.username else "a client without login"
            self._refused = f"the broker refuses {who} ({reason})"
            self._answered.set()
            return
        try:
            client.subscribe(self._filter, 0)
        except ValueError:
            self._refused = f"{self._filter!r} is not a topic filter"
            self._answered.set()

    def _on_subscribe(self, _client: Any, _data: Any, _mid: int, reasons: Sequence[Any], _: Any) -> None:
        if any(r.is_failure for r in reasons):
            self._refused = f"the broker refuses to send {self._filter!r}"
        self._answered.set()

    def _on_disconnect(self, *_: Any) -> None:
        if not self._ending:
            if not self._answered.is_set():
                self._refused = self._refused or "the broker ended the connection at once"
                self._answered.set()
            self._lost.set()

    def _on_message(self, _client: Any, _data: Any, message: Any) -> None:
        try:
            topic: str = message.topic
        except UnicodeDecodeError:
            return
        known = self.heard.get(topic, Overheard(topic))
        last = bytes(message.payload[: LARGEST_PAYLOAD + 1])
        held = self._bytes + len(last) - len(known.last)
        if held > MOST_BYTES or (topic not in self.heard and len(self.heard) >= MOST_TOPICS):
            self.left_out = True
            return
        self.heard[topic], self._bytes, known.last = known, held, last
        known.count += 1
        if message.retain:
            known.retained += 1
        elif len(known.arrivals) < 1000:
            known.arrivals.append(time.monotonic())
        self._show(known, retained=message.retain)
