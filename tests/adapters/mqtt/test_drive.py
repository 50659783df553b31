"""The shorter ways of the client, beside paho's own: whatever comes, the same is handed on, and the same is sent."""

from __future__ import annotations

import socket
from typing import Any, TypeAlias, cast

from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import Client, MQTTMessage, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from monitor.adapters.mqtt.drive import BufferedClient

Taken: TypeAlias = tuple[str | None, bytes, int, bool, bool]
PROTOCOLS = (MQTTv5, MQTTv311)


class Wire:
    """A socket on which some bytes have come, no more than so many at once; what is sent is kept."""

    def __init__(self, came: bytes, at_once: int = 1_000_000) -> None:
        self.came, self.at_once, self.sent = came, at_once, b""

    def recv(self, most: int) -> bytes:
        if not self.came:
            raise BlockingIOError
        found, self.came = self.came[: min(most, self.at_once)], self.came[min(most, self.at_once) :]
        return found

    def send(self, data: bytes) -> int:
        self.sent += data
        return len(data)

    def close(self) -> None: ...


def heard(kind: type[Client], protocol: MQTTProtocolVersion, wire: Wire) -> tuple[list[Taken], object, bytes]:
    """What a client takes from a wire, how that ends, and what it sends."""
    client = kind(CallbackAPIVersion.VERSION2, "warmtally", protocol=protocol, manual_ack=True)
    taken: list[Taken] = []

    def by_paho(_client: Client, _data: Any, message: MQTTMessage) -> None:
        try:
            topic: str | None = message.topic
        except UnicodeDecodeError:
            topic = None
        taken.append((topic, bytes(message.payload), message.mid, bool(message.dup), bool(message.retain)))

    client.on_message = by_paho
    if isinstance(client, BufferedClient):
        client.plain = lambda _client, *parts: taken.append(parts)
    client._sock = cast(socket.socket, wire)
    quiet, ended = 0, MQTTErrorCode.MQTT_ERR_SUCCESS
    # Of what drips paho wants to be asked again, though all of it is here.
    while quiet < 2 and ended <= MQTTErrorCode.MQTT_ERR_SUCCESS:
        try:
            ended = client._packet_read()
        except Exception as error:
            # The other one has to end in the same way.
            return taken, type(error), wire.sent
        quiet = quiet + 1 if ended == MQTTErrorCode.MQTT_ERR_AGAIN and not wire.came else 0
    return taken, ended, wire.sent


def packet(head: int, body: bytes) -> bytes:
    """With its length, as of MQTT 5, section 1.5.5."""
    length, size = b"", len(body)
    while True:
        size, digit = divmod(size, 128)
        length += bytes([digit | (128 if size else 0)])
        if not size:
            return bytes([head]) + length + body


topics = st.sampled_from([b"room/1", "räume/ö".encode(), b"", b"\xff/1", b"a" * 300, b"\0"])
# Nothing, a content type, an alias of a topic that is not known, and what is no property.
properties = st.sampled_from([b"\0", b"\x05\x03\0\x02ab", b"\x03\x23\0\x01", b"\x02\xff\xff", b"\x80", b"\x81\x00"])
messages = st.builds(
    lambda flags, topic, mid, more, payload: packet(
        0x30 | flags, len(topic).to_bytes(2) + topic + (mid.to_bytes(2) if flags & 6 else b"") + more + payload
    ),
    st.sampled_from([0x2, 0x3, 0xA, 0xB, 0x0, 0x1, 0x4, 0x6]),
    topics,
    st.integers(0, 65_535),
    st.one_of(properties, st.just(b"")),
    st.one_of(st.binary(max_size=40), st.just(b"28.4"), st.just(b"x" * 20_000)),
)
noise = st.builds(packet, st.integers(0x30, 0x3F), st.binary(max_size=12))


@given(
    st.lists(st.one_of(messages, messages, noise, st.binary(max_size=6)), max_size=8).map(b"".join),
    st.sampled_from(PROTOCOLS),
    st.integers(1, 3000),
)
def test_whatever_comes_is_handed_on_as_paho_does_it(came: bytes, protocol: MQTTProtocolVersion, at_once: int) -> None:
    assert heard(BufferedClient, protocol, Wire(came, at_once)) == heard(Client, protocol, Wire(came))


@given(st.lists(st.integers(1, 65_535), min_size=1, max_size=30), st.sampled_from(PROTOCOLS))
def test_many_acknowledgements_are_what_paho_sends_one_by_one(mids: list[int], protocol: MQTTProtocolVersion) -> None:
    wires = Wire(b""), Wire(b"")
    ours = BufferedClient(CallbackAPIVersion.VERSION2, "warmtally", protocol=protocol, manual_ack=True)
    theirs = Client(CallbackAPIVersion.VERSION2, "warmtally", protocol=protocol, manual_ack=True)
    for client, wire in zip((ours, theirs), wires, strict=True):
        client._sock = cast(socket.socket, wire)
    ours.acknowledge(mids)
    for mid in mids:
        theirs.ack(mid, 1)
    assert wires[0].sent == wires[1].sent
    assert not ours.want_write()
