"""The broker inside the process, and the way in over it: the older protocol, retained messages, refused topics."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.mqtt.intake import Intake
from monitor.adapters.store import Store
from monitor.core.terms.settings import Broker, Probe, Room, Settings
from monitor.errors import BrokerUnreachable
from monitor.simulation.broker import RehearsalBroker
from tests.peers import MOMENT_S, free_port, wait_for

WARM = Probe("warm", "room/warm", interval_s=30.0)
TIMED = Probe("timed", "room/timed", pointer="/v", time_pointer="/at", time_form="ms")


def now_ms() -> int:
    return time.time_ns() // 1_000_000


@contextlib.contextmanager
def intake_at(port: int, folder: Path, *probes: Probe) -> Iterator[Intake]:
    room = Room("Test room", "UTC", "C", (), (), probes or (WARM, TIMED))
    wanted = Settings(room, Broker(port=port, keepalive_s=4), data_dir=str(folder / "data"), commit_every_s=0.05)
    intake = Intake(replace(wanted, file="room.toml"), now_ms=now_ms, answer_s=0.3)
    intake.start()
    try:
        yield intake
    finally:
        assert intake.stop()


def publish(port: int, *messages: tuple[str, str], retain: bool = False) -> None:
    client = Client(CallbackAPIVersion.VERSION2, client_id="", protocol=MQTTv311)
    client.connect("127.0.0.1", port)
    client.loop_start()
    infos = [client.publish(topic, payload, qos=1, retain=retain) for topic, payload in messages]
    for info in infos:
        info.wait_for_publish(MOMENT_S)
        assert info.is_published()
    client.disconnect()
    client.loop_stop()


def test_the_older_protocol_is_found_and_told_and_readings_go_all_the_way(tmp_path: Path) -> None:
    with RehearsalBroker() as broker, intake_at(broker.port, tmp_path) as intake:
        wait_for(lambda: intake.link().state == "up")
        assert intake.link().protocol == "MQTT 3.1.1"
        values = [f"{28 + k / 100:.2f}" for k in range(100)]
        publish(broker.port, *(("room/warm", v) for v in values), ("room/warm", "rubbish"))
        wait_for(lambda: intake.link().counts.stored == 100 and intake.link().counts.quarantined == 1)
    with Store(tmp_path / "data") as store:
        assert [f"{r.value:.2f}" for _, r in store.journal.since(0)] == values


def test_a_retained_message_counts_only_with_a_time_of_its_own_and_never_as_fresh(tmp_path: Path) -> None:
    with RehearsalBroker() as broker:
        at = now_ms() - 3_600_000
        publish(broker.port, ("room/warm", "20.0"), ("room/timed", f'{{"v": 21.0, "at": {at}}}'), retain=True)
        with intake_at(broker.port, tmp_path) as intake:
            wait_for(lambda: intake.link().counts.retained == 2)
            assert intake.link().last_live_ms is None
            assert intake.link().last_message_ms is not None
            publish(broker.port, ("room/warm", "28.0"))
            wait_for(lambda: intake.link().last_live_ms is not None)
    with Store(tmp_path / "data") as store:
        readings = [r for _, r in store.journal.since(0)]
        assert [(r.probe, r.value) for r in readings] == [("timed", 21.0), ("warm", 28.0)]
        assert readings[0].at_ms == at


class Refusing(RehearsalBroker):
    """Refuses the topic "prohibited"."""

    plugins = {**RehearsalBroker.plugins, "amqtt.plugins.topic_checking.TopicTabooPlugin": {}}  # noqa: RUF012


def test_a_refused_topic_is_named_with_its_fix_while_the_others_go_on(tmp_path: Path) -> None:
    with Refusing() as broker:
        with intake_at(broker.port, tmp_path, WARM, Probe("no", "prohibited")) as intake:
            wait_for(lambda: intake.link().state == "up")
            link = intake.link()
            assert link.refused_topics == ("prohibited",)
            assert "refuses 1 of 2 topics (prohibited)" in link.detail
            assert "access list" in link.detail
            publish(broker.port, ("room/warm", "28.0"))
            wait_for(lambda: intake.link().counts.stored == 1)
        with intake_at(broker.port, tmp_path, Probe("no", "prohibited")) as intake:
            wait_for(lambda: intake.link().state == "refused")
            broker.stop()
            wait_for(lambda: intake.link().state == "down")


def test_it_starts_on_a_free_port_serves_this_computer_only_and_leaves_no_thread() -> None:
    before = threading.active_count()
    with RehearsalBroker() as one, RehearsalBroker() as two:
        assert one.port != two.port
        publish(one.port, ("a", "1"))
    assert threading.active_count() == before
    one.stop()


def test_a_port_that_is_taken_is_an_error_with_its_address() -> None:
    with RehearsalBroker() as first, pytest.raises(BrokerUnreachable, match=str(first.port)):
        RehearsalBroker(first.port).start()


def test_it_says_nothing(capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level("DEBUG"), RehearsalBroker() as broker:
        publish(broker.port, ("a", "1"))
    said: Any = [r.name for r in caplog.records if r.name.partition(".")[0] in ("amqtt", "transitions")]
    assert said == []
    assert capfd.readouterr() == ("", "")


def test_a_named_port_is_used() -> None:
    port = free_port()
    with RehearsalBroker(port) as broker:
        assert broker.port == port
        publish(port, ("a", "1"))
