"""Last wills, against a real broker: what a gateway's says is kept, and the service leaves one of its own."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.mqtt import line
from monitor.adapters.mqtt.intake import Intake
from monitor.adapters.mqtt.wills import Wills, said_last
from monitor.adapters.store import Store
from monitor.core.readings.gateways import Said
from monitor.core.terms.settings import Broker, Gateway, Probe, Room, Settings
from monitor.errors import StoreFull
from monitor.simulation.broker import RehearsalBroker
from tests.peers import MOMENT_S, Mosquitto, mosquitto, wait_for

PROBE = Probe("warm", "room/warm", gateway="bridge")
BRIDGE = Gateway("bridge", "room/bridge")
STATUS = "room/warmtally"


class Clock:
    """Counts up at each look, so that no two moments are one."""

    def __init__(self) -> None:
        self.ms = 1_700_000_000_000

    def __call__(self) -> int:
        self.ms += 1
        return self.ms


def settings(port: int, folder: Path, status: str | None = None) -> Settings:
    room = Room("Test room", "UTC", "C", (), (), (PROBE,), gateways=(BRIDGE,))
    broker = Broker(port=port, keepalive_s=4, status_topic=status)
    return Settings(room, broker, data_dir=str(folder / "data"), commit_every_s=0.05, file="room.toml")


@contextmanager
def intake(port: int, folder: Path, status: str | None = None, clock: Clock | None = None) -> Iterator[Intake]:
    made = Intake(settings(port, folder, status), now_ms=clock or Clock(), answer_s=1.0)
    made.start()
    try:
        wait_for(lambda: made.link().state == "up", "the service to subscribe")
        yield made
    finally:
        assert made.stop()


def gateway(broker: Mosquitto, *, retain: bool = True) -> Client:
    """A gateway with a last will that has said that it is here."""
    client = Client(CallbackAPIVersion.VERSION2, client_id="bridge", protocol=MQTTv5)
    client.will_set(BRIDGE.topic, "offline", qos=1, retain=retain)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    client.publish(BRIDGE.topic, "online", qos=1, retain=retain).wait_for_publish(5)
    return client


def cut(client: Client) -> None:
    """Its line dies without a word."""
    client.loop_stop()
    sock = client.socket()
    assert isinstance(sock, socket.socket)
    sock.shutdown(socket.SHUT_RDWR)
    sock.close()


def state(folder: Path) -> Said | None:
    with Store(folder / "data") as store:
        return said_last(store, "bridge")


@pytest.mark.parametrize("retain", [True, False])
def test_the_will_of_a_gateway_that_dies_is_kept_over_a_restart(tmp_path: Path, retain: bool) -> None:
    with mosquitto(tmp_path / "broker") as broker:
        clock = Clock()
        with intake(broker.port, tmp_path, clock=clock):
            client = gateway(broker, retain=retain)
            wait_for(lambda: (s := state(tmp_path)) is not None and not s.gone, "here to be kept")
            cut(client)
            wait_for(lambda: (s := state(tmp_path)) is not None and s.gone, "gone to be kept")
            before = state(tmp_path)
        with intake(broker.port, tmp_path, clock=clock):
            # The retained state comes again, and is no new death.
            assert state(tmp_path) == before
            assert before is not None
            assert not before.kept


def test_a_gateway_that_died_while_the_service_was_away_is_found_gone(tmp_path: Path) -> None:
    with mosquitto(tmp_path / "broker") as broker:
        cut(gateway(broker))
        with intake(broker.port, tmp_path):
            wait_for(lambda: state(tmp_path) is not None, "the will to be found")
        found = state(tmp_path)
        assert found is not None
        assert found.gone
        assert found.kept


def test_what_waits_in_the_session_and_is_not_retained_is_heard_too(tmp_path: Path) -> None:
    with mosquitto(tmp_path / "broker") as broker:
        with intake(broker.port, tmp_path):
            client = gateway(broker, retain=False)
            wait_for(lambda: (s := state(tmp_path)) is not None and not s.gone, "here to be kept")
        cut(client)
        with intake(broker.port, tmp_path):
            wait_for(lambda: (s := state(tmp_path)) is not None and s.gone, "gone to be kept")


def test_a_will_that_cannot_be_written_down_is_not_acknowledged_and_comes_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with mosquitto(tmp_path / "broker") as broker:
        tried = threading.Event()

        def full(_wills: Wills, _store: Store, _arrivals: object) -> None:
            tried.set()
            raise StoreFull("no room left on the disk", where="test", fix="free some space")

        with monkeypatch.context() as patch, intake(broker.port, tmp_path):
            patch.setattr(Wills, "keep", full)
            client = Client(CallbackAPIVersion.VERSION2, client_id="bridge")
            client.connect("127.0.0.1", broker.port)
            client.loop_start()
            client.publish(BRIDGE.topic, "offline", qos=1).wait_for_publish(5)
            assert tried.wait(MOMENT_S)
            client.disconnect()
            client.loop_stop()
        assert state(tmp_path) is None
        with intake(broker.port, tmp_path):
            wait_for(lambda: (s := state(tmp_path)) is not None and s.gone, "the will to come again")


def test_what_a_gateway_says_that_is_neither_is_kept_as_unreadable_and_disturbs_no_reading(tmp_path: Path) -> None:
    with mosquitto(tmp_path / "broker") as broker, intake(broker.port, tmp_path) as made:
        client = gateway(broker)
        for payload in ("asleep", "offline", "online"):
            client.publish(BRIDGE.topic, payload, qos=1)
            client.publish(PROBE.topic, "28.1", qos=1)
        wait_for(lambda: made.link().counts.stored == 3, "the readings to be stored")
        wait_for(lambda: (s := state(tmp_path)) is not None and not s.gone, "here to be kept")
        with Store(tmp_path / "data") as store:
            assert store.db.rows("SELECT topic, probe FROM quarantine") == [(BRIDGE.topic, "")]
        client.disconnect()
        client.loop_stop()


def test_a_broker_of_the_older_protocol_gives_the_state_too(tmp_path: Path) -> None:
    with RehearsalBroker() as broker:
        client = Client(CallbackAPIVersion.VERSION2, client_id="bridge")
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        client.publish(BRIDGE.topic, "offline", qos=1, retain=True).wait_for_publish(5)
        with intake(broker.port, tmp_path) as made:
            assert made.link().protocol == "MQTT 3.1.1"
            wait_for(lambda: (s := state(tmp_path)) is not None and s.gone, "the will to be found")
        client.disconnect()
        client.loop_stop()


# -- the service's own -------------------------------------------------------------------------------------------------


class Watcher:
    """Another device that looks at the service's status."""

    def __init__(self, port: int) -> None:
        self.said: list[str] = []
        self.client = Client(CallbackAPIVersion.VERSION2, client_id="lamp")
        self.client.on_message = self._hear
        self.client.connect("127.0.0.1", port)
        subscribed = threading.Event()
        self.client.on_subscribe = lambda *_: subscribed.set()
        self.client.loop_start()
        self.client.subscribe(STATUS, 1)
        assert subscribed.wait(MOMENT_S)

    def _hear(self, _client: Client, _data: Any, message: Any) -> None:
        self.said.append(message.payload.decode())

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def test_the_service_says_that_it_is_here_and_at_an_orderly_end_that_it_is_gone(tmp_path: Path) -> None:
    with mosquitto(tmp_path / "broker") as broker:
        watcher = Watcher(broker.port)
        with intake(broker.port, tmp_path, STATUS):
            wait_for(lambda: watcher.said == ["here"], "here")
        wait_for(lambda: watcher.said == ["here", "gone"], "gone")
        watcher.close()
        late = Watcher(broker.port)
        wait_for(lambda: late.said == ["gone"], "the retained word")
        late.close()


def test_the_broker_says_gone_only_when_the_delay_has_passed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(line, "WILL_DELAY_S", 2)
    monkeypatch.setattr(line, "REVIVE_AFTER_S", 600.0)
    with mosquitto(tmp_path / "broker") as broker:
        watcher = Watcher(broker.port)
        with intake(broker.port, tmp_path, STATUS) as made:
            wait_for(lambda: watcher.said == ["here"], "here")
            client, drive = made._line._client, made._line._drive
            assert client is not None
            assert drive is not None
            sock = client.socket()
            assert isinstance(sock, socket.socket)
            sock.shutdown(socket.SHUT_RDWR)
            # Back after a second, within the delay: it only says once more that it is here.
            wait_for(lambda: len(watcher.said) > 1, "the service to be back")
            assert set(watcher.said) == {"here"}
            # As if the process had been killed: nobody connects again.
            drive.end()
            cut(client)
            wait_for(lambda: watcher.said[-1] == "gone", "the broker to say gone")
        watcher.close()


def test_without_a_status_topic_nothing_is_said(tmp_path: Path) -> None:
    with mosquitto(tmp_path / "broker") as broker:
        watcher = Watcher(broker.port)
        with intake(broker.port, tmp_path):
            pass
        assert watcher.said == []
        watcher.close()


def test_a_broker_that_does_not_let_it_say_so_is_told_of_and_readings_come_all_the_same(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    rights = tmp_path / "rights"
    rights.write_text("topic read room/#\ntopic write room/warm\n")
    with (
        mosquitto(tmp_path / "broker", extra=f"acl_file {rights}") as broker,
        intake(broker.port, tmp_path, STATUS) as made,
    ):
        client = Client(CallbackAPIVersion.VERSION2, client_id="probe")
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        client.publish(PROBE.topic, "28.1", qos=1)
        wait_for(lambda: made.link().counts.stored == 1, "the reading")
        wait_for(lambda: "does not take what warmtally says on" in caplog.text, "the warning")
        # This broker ends the connection when it refuses; once is enough.
        wait_for(lambda: made.link().state == "up", "the line to be back")
        client.publish(PROBE.topic, "28.2", qos=1)
        wait_for(lambda: made.link().counts.stored == 2, "the reading after that")
        assert caplog.text.count("does not take") == 1
        client.disconnect()
        client.loop_stop()
