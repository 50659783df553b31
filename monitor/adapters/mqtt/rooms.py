"""What many rooms say at one broker: kept as it came, the newest of each topic, and read when somebody looks.

So a flood costs little: a message that is overtaken is never read. What is kept is bounded in rooms, in boxes and in
bytes. Who speaks is told by the topic alone; that a room speaks on its own topics only is the broker's to enforce
(``deploy/broker --room``).
"""

from __future__ import annotations

import contextlib
import logging
import re
import secrets
import ssl
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import field
from typing import Any, Final

from paho.mqtt.client import Client, MQTTMessage, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.mqtt.certificates import tls_context
from monitor.core.rooms.overview import ClockPace, RoomHeard
from monitor.core.rooms.said import (
    LARGEST_STATE,
    BoxSaid,
    NewerForm,
    RoomSaid,
    one_line,
    read_box,
    read_codes,
    read_room,
)
from monitor.core.terms.settings import Broker, RoomsAt
from monitor.errors import PayloadError
from monitor.values import dataclass

_log = logging.getLogger(__name__)

MOST_ROOMS: Final = 2000
MOST_BOXES: Final = 250
MOST_BOXES_IN_ALL: Final = 20_000
"""Of one room, and of all."""
MOST_BYTES: Final = 128 * 2**20
"""Of all messages that are kept of one broker."""
SETTLED_S: Final = 3.0
"""So long after a broker has promised its topics all that stands there has come."""
MOST_REPLIES: Final = 20
_ID: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_PARTS: Final = ("", "/room", "/box/+", "/codes", "/line")
_KEEPALIVE_S: Final = 30


@dataclass(slots=True)
class _KeptMessage:
    """The newest message of one topic; ``read``: what was made of it."""

    payload: bytes
    received_ms: int
    retained: bool
    connection: int
    read: Any = None


@dataclass(slots=True)
class _RoomMessages:
    """The messages of one room by the part of the topic behind its own; ``pace`` and ``followed_ms``: how its clock
    goes, and up to which message."""

    kept: dict[str, _KeptMessage] = field(default_factory=dict)
    pace: ClockPace = field(default_factory=ClockPace)
    followed_ms: int = 0


class RoomsLine:
    """The line to one broker. ``heard`` is called in the network thread when something new has come.

    Connects again by itself for ever. Safe to use from several threads. Raises ConfigError when the certificates cannot
    be used.
    """

    def __init__(self, at: RoomsAt, now_ms: Callable[[], int], heard: Callable[[], None] = lambda: None) -> None:
        self.at = at
        self._now_ms, self._heard = now_ms, heard
        self._lock = threading.Lock()
        self._rooms: dict[str, _RoomMessages] = {}
        self._bytes = self._boxes = 0
        self._left_out: set[str] = set()
        self._closing = False
        self._connection = 0
        self._settled_s: float | None = None
        self._cut_off_ms: int | None = now_ms()
        self._replies: dict[str, deque[tuple[str, int]]] = {}
        self.trouble = "not connected yet"
        """Why there is no line just now; empty while there is one."""
        self._topic = _pattern(at.topic)
        self._reply = _pattern(f"{at.answers}/reply")
        self._client = _client(at.broker)
        self._client.on_connect = self._on_connect
        self._client.on_connect_fail = self._on_connect_fail
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message

    def open(self) -> None:
        """Begin to connect."""
        broker = self.at.broker
        self._client.connect_async(broker.host, broker.port, _KEEPALIVE_S)
        self._client.loop_start()

    def close(self) -> None:
        self._closing = True
        self._client.disconnect()
        with contextlib.suppress(AttributeError):
            self._client.loop_stop()

    @property
    def settled(self) -> bool:
        """Whether all that stands at the broker has come."""
        at_s = self._settled_s
        return at_s is not None and time.monotonic() >= at_s

    @property
    def left_out(self) -> int:
        """How many topics were left out: of too many rooms or boxes, of no id, or of too many bytes."""
        return len(self._left_out)

    def say(self, room: str, text: str) -> bool:
        """Publish an answer; whether the line took it. It may come twice, and answers once."""
        if not self._client.is_connected() or not _ID.fullmatch(room):
            return False
        try:
            self._client.publish(self.at.answers.replace("+", room), text, qos=1)
        except ValueError:
            return False
        return True

    def replies(self, room: str) -> Sequence[tuple[str, int]]:
        """The last replies of a room to answers, and when each came; the newest last."""
        with self._lock:
            return tuple(self._replies.get(room, ()))

    def rooms(self) -> list[RoomHeard]:
        """What is known of each room: of those that spoke, and those that are expected."""
        with self._lock:
            settled = self.settled
            if settled:
                for name in list(self._rooms):
                    self._forget_gone(name)
            names = dict.fromkeys((*self.at.expected, *self._rooms))
            return [self._told(name, self._rooms.get(name) or _RoomMessages()) for name in names]

    # -- with the lock held

    def _forget_gone(self, name: str) -> None:
        """What a broker of which everything has come does not have any more. A room of which it has nothing stays known
        as one that says nothing."""
        room = self._rooms[name]
        for part in [p for p, kept in room.kept.items() if kept.connection != self._connection]:
            self._drop(room, part)

    def _drop(self, room: _RoomMessages, part: str) -> None:
        self._bytes -= len(room.kept.pop(part).payload)
        self._boxes -= part.startswith("/box/")

    def _told(self, name: str, room: _RoomMessages) -> RoomHeard:
        found = {part: self._read(part, kept) for part, kept in room.kept.items()}
        said, trouble, newer = None, "", False
        if (own := found.get("/room")) is not None:
            said = own if isinstance(own, RoomSaid) else None
            trouble = "" if said is not None else str(own)
            newer = isinstance(own, NewerForm)
            kept = room.kept["/room"]
            if said is not None and not kept.retained and kept.received_ms != room.followed_ms:
                room.pace, room.followed_ms = room.pace.follow(said.at_ms, kept.received_ms), kept.received_ms
        boxes = [x for part, x in found.items() if part.startswith("/box/")]
        gone, gone_ms = self._gone(room)
        codes = found.get("/codes")
        return RoomHeard(
            name,
            self.at.id,
            said,
            gone,
            gone_ms,
            trouble,
            newer,
            tuple(sorted((x for x in boxes if isinstance(x, BoxSaid)), key=lambda x: (x.stack, -x.height_cm, x.box))),
            sum(not isinstance(x, BoxSaid) for x in boxes),
            room.pace,
            codes if isinstance(codes, dict) else {},
            self._cut_off_ms,
        )

    @staticmethod
    def _gone(room: _RoomMessages) -> tuple[Any, int | None]:
        will, line = room.kept.get(""), room.kept.get("/line")
        if will is not None and will.payload == b"gone":
            return "service", None if will.retained else will.received_ms
        if line is not None and line.payload == b"0":
            return "line", None if line.retained else line.received_ms
        return "", None

    @staticmethod
    def _read(part: str, kept: _KeptMessage) -> Any:
        """What a message says, or the PayloadError that says why nothing."""
        if kept.read is None:
            try:
                if part == "/room":
                    kept.read = read_room(kept.payload)
                elif part.startswith("/box/"):
                    kept.read = read_box(kept.payload, part.removeprefix("/box/"))
                elif part == "/codes":
                    kept.read = read_codes(kept.payload)
            except PayloadError as error:
                kept.read = error
        return kept.read

    def _keep(self, name: str, part: str, payload: bytes, *, retained: bool) -> None:
        room = self._rooms.get(name)
        before = None if room is None else room.kept.get(part)
        grown = len(payload) - (len(before.payload) if before is not None else 0)
        if not payload:
            if room is not None and before is not None:
                self._drop(room, part)
                if not room.kept:
                    # It took all of it away itself.
                    del self._rooms[name]
            return
        new_box = before is None and part.startswith("/box/")
        boxes = sum(p.startswith("/box/") for p in room.kept) if new_box and room is not None else 0
        too_many = new_box and (boxes >= MOST_BOXES or self._boxes >= MOST_BOXES_IN_ALL)
        if (room is None and len(self._rooms) >= MOST_ROOMS) or too_many or self._bytes + grown > MOST_BYTES:
            self._leave_out(f"{name}{part}")
            return
        self._bytes += grown
        self._boxes += new_box
        self._rooms.setdefault(name, _RoomMessages()).kept[part] = _KeptMessage(
            payload, self._now_ms(), retained, self._connection
        )

    def _leave_out(self, topic: str) -> None:
        if len(self._left_out) < MOST_ROOMS:
            self._left_out.add(topic[:200])

    # -- in the network thread

    def _on_connect(self, client: Client, _data: Any, _flags: Any, reason: Any, _: Any) -> None:
        if reason.is_failure:
            self._lost(f"the broker refuses {self._who} ({reason})")
            return
        with self._lock:
            self._connection += 1
            self._settled_s = None
        topics = [f"{self.at.topic}{part}" for part in _PARTS]
        client.subscribe([(topic, 1) for topic in (*topics, f"{self.at.answers}/reply")])

    def _on_subscribe(self, _client: Client, _data: Any, _mid: int, reasons: list[Any], _: Any) -> None:
        refused = [part or "the will" for part, reason in zip(_PARTS, reasons, strict=False) if reason.is_failure]
        # Codes may be kept from a display, and a line has none but a bridge.
        if needed := [part for part in refused if part not in ("/codes", "/line")]:
            self._lost(f"the broker sends {self._who} nothing of {self.at.topic} ({', '.join(needed)})")
            return
        with self._lock:
            self._settled_s = time.monotonic() + SETTLED_S
            self._cut_off_ms, self.trouble = None, ""
        _log.info("the rooms at %s are heard", self.at.id)
        self._heard()

    def _on_connect_fail(self, _client: Client, _data: Any) -> None:
        # paho calls this while it handles the exception.
        error = sys.exc_info()[1]
        kind = "no trusted line to it" if isinstance(error, ssl.SSLError) else "nobody answers"
        self._lost(f"{kind} ({error})" if error is not None else kind)

    def _on_disconnect(self, _client: Client, _data: Any, _flags: Any, reason: Any, _: Any) -> None:
        self._lost(f"the connection was lost ({reason})")

    def _lost(self, why: str) -> None:
        if self._closing:
            return
        with self._lock:
            new = why != self.trouble and not (self.trouble and why.startswith("the connection was lost"))
            if new:
                self.trouble = why
            if self._cut_off_ms is None:
                self._cut_off_ms = self._now_ms()
            self._settled_s = None
        if new:
            _log.warning("the rooms at %s are not heard: %s; trying again", self.at.id, why)
        self._heard()

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        # An exception here would end paho's thread while it still calls itself connected.
        try:
            topic, payload = message.topic, bytes(message.payload[: LARGEST_STATE + 1])
            found = self._reply.fullmatch(topic)
            with self._lock:
                if found is not None and _ID.fullmatch(found["room"]) and not found["part"]:
                    if not message.retain and (found["room"] in self._rooms or found["room"] in self.at.expected):
                        words = one_line(payload[:2000].decode("utf-8", "replace"), 400)
                        kept = self._replies.setdefault(found["room"], deque(maxlen=MOST_REPLIES))
                        kept.append((words, self._now_ms()))
                    return
                found = self._topic.fullmatch(topic)
                part = "" if found is None else found["part"]
                names = [] if found is None else [found["room"], *part.split("/")[2:]]
                if found is not None and all(map(_ID.fullmatch, names)):
                    self._keep(found["room"], part, payload, retained=bool(message.retain))
                else:
                    self._leave_out(one_line(topic, 200))
            self._heard()
        except Exception:  # noqa: BLE001 - whatever stands in a message, the next one is heard
            _log.warning("a message could not be taken in at %s", self.at.id)

    @property
    def _who(self) -> str:
        user = self.at.broker.username
        return f"the login {user!r}" if user is not None else "a client without login"


def _pattern(topic: str) -> re.Pattern[str]:
    """Topics of a filter with one place for the room; ``part``: what stands behind."""
    before, _, behind = topic.partition("+")
    return re.compile(f"{re.escape(before)}(?P<room>[^/]+){re.escape(behind)}(?P<part>(?:/[^/]+){{0,2}})")


def _client(broker: Broker) -> Client:
    # MQTT 3.1.1 is enough to hear, and every broker speaks it. No session: all that stands there comes at once.
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"warmtally-rooms-{secrets.token_hex(4)}",
        clean_session=True,
        protocol=MQTTv311,
    )
    client.suppress_exceptions = True
    client.reconnect_delay_set(1, 30)
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.password)
    if (context := tls_context(broker, f"{broker.host}:{broker.port}")) is not None:
        client.tls_set_context(context)
    return client
