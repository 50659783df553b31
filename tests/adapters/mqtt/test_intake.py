"""The way in, against a real broker: nothing lost, nothing doubled, and every trouble told in plain words."""

from __future__ import annotations

import os
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.mqtt import arrival_queue, keeping, line, persistence
from monitor.adapters.mqtt import intake as way_in
from monitor.adapters.mqtt.intake import Intake
from monitor.adapters.mqtt.line import Connected, Line
from monitor.adapters.store import Quarantined, Store, database
from monitor.adapters.store.database import FILE_NAME
from monitor.core.readings.arrivals import WAITED, Arrival
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Broker, Probe, Room, Settings
from tests.peers import MOMENT_S, PROJECT, Mosquitto, free_port, mosquitto, need, wait_for

WARM = Probe("warm", "room/warm", interval_s=30.0)
TIMED = Probe("timed", "room/timed", pointer="/v", time_pointer="/at", time_form="ms", interval_s=30.0)
DAMP = Probe("damp", "room/timed", quantity="humidity", unit="%", pointer="/h", time_pointer="/at", time_form="ms")
BATCH = Probe("batch", "room/batch", list_pointer="", pointer="/v", time_pointer="/at", time_form="ms")
PROBES = (WARM, TIMED, DAMP, BATCH)


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def settings(folder: Path, port: int, probes: Sequence[Probe] = PROBES, **broker: object) -> Settings:
    return Settings(
        Room("Test room", "UTC", "C", (), (), tuple(probes)),
        Broker(port=port, keepalive_s=4, **broker),  # type: ignore[arg-type]
        data_dir=str(folder / "data"),
        commit_every_s=0.05,
        file="room.toml",
    )


LOGS_ALL = "log_type all"
SAVES_SELDOM = f"{LOGS_ALL}\nautosave_on_changes false"
"""For floods: a broker that writes its whole state at each change, as the other tests want it, would need a minute."""


@pytest.fixture
def broker(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker", extra=getattr(request, "param", LOGS_ALL)) as running:
        yield running


@pytest.fixture
def started() -> Iterator[Callable[..., Intake]]:
    """Starts intakes, waits until they are up, and stops them whatever happens."""
    running: list[Intake] = []

    def start(wanted: Settings, *, up: bool = True, **more: object) -> Intake:
        intake = Intake(wanted, now_ms=now_ms, **more)  # type: ignore[arg-type]
        intake.start()
        running.append(intake)
        if up:
            wait_for(lambda: intake.link().state == "up", "the link to be up")
        return intake

    yield start
    for intake in running:
        assert intake.stop()


class Sender:
    """Publishes with QoS 1 and waits until the broker has it."""

    def __init__(self, port: int) -> None:
        self.client = Client(CallbackAPIVersion.VERSION2, client_id="", protocol=MQTTv5)
        self.client.max_inflight_messages_set(1000)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def send(
        self, topic: str, *payloads: str | bytes, retain: bool = False, qos: int = 1, one_by_one: bool = False
    ) -> None:
        infos = []
        for payload in payloads:
            infos.append(self.client.publish(topic, payload, qos=qos, retain=retain))
            if one_by_one:
                infos[-1].wait_for_publish(MOMENT_S)
        for info in infos:
            info.wait_for_publish(MOMENT_S)
            assert info.is_published()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def sender(broker: Mosquitto) -> Iterator[Sender]:
    own = Sender(broker.port)
    yield own
    own.close()


def parts(intake: Intake, broker: Mosquitto) -> None:
    """Stop, and wait until the broker has read all that was sent before: it takes one packet at a time."""

    log = broker.folder / "log"
    before = log.stat().st_size

    def went() -> bool:
        with log.open("rb") as file:
            file.seek(before)
            return b"Received DISCONNECT from warmtally" in file.read()

    assert intake.stop()
    wait_for(went, "the broker to hear it go", 3 * MOMENT_S)


def store_of(intake: Intake) -> Store:
    """The writer's own connection, to make it fail."""
    assert intake._persistence is not None
    return intake._persistence.store


def stored(folder: Path, probe: str = "warm") -> list[Reading]:
    with Store(folder / "data") as store:
        return [r for _, r in store.journal.since(0) if r.probe == probe]


def quarantined(folder: Path) -> list[Quarantined]:
    with Store(folder / "data") as store:
        return store.unread.messages()


def timed(value: float, at_ms: int, humidity: float = 90.0) -> str:
    return f'{{"v": {value}, "h": {humidity}, "at": {at_ms}}}'


def some_values(n: int) -> list[str]:
    """Few different values, so that equal neighbours are common."""
    return [f"{28 + (k * k % 7) / 10:.1f}" for k in range(n)]


# ------------------------------------------------------------ in good times


def test_what_is_published_is_stored_judged_and_acknowledged(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake]
) -> None:
    intake = started(settings(tmp_path, broker.port))
    at = now_ms() - 60_000
    sender.send("room/warm", "28.0", "28.1")
    sender.send("room/timed", timed(27.5, at, 91.0))
    sender.send("room/batch", f'[{{"v": 27, "at": {at}}}, {{"v": null, "at": {at}}}, {{"v": 27.2, "at": {at + 9}}}]')
    wait_for(lambda: intake.link().counts.stored == 6)
    parts(intake, broker)
    assert [(r.value, r.timed) for r in stored(tmp_path)] == [(28.0, False), (28.1, False)]
    assert [(r.at_ms, r.value) for r in stored(tmp_path, "timed")] == [(at, 27.5)]
    assert [r.value for r in stored(tmp_path, "damp")] == [91.0]
    assert [r.value for r in stored(tmp_path, "batch")] == [27.0, 27.2]
    assert [q.probe for q in quarantined(tmp_path)] == ["batch"]
    link = intake.link()
    assert (link.state, link.protocol, link.counts.received) == ("up", "MQTT 5", 4)
    assert link.last_live_ms is not None
    # Everything was acknowledged: a second one, of the same session, gets nothing.
    again = started(settings(tmp_path, broker.port))
    sender.send("room/warm", "28.2")
    wait_for(lambda: again.link().counts.stored == 1)
    assert again.link().counts.received == 1
    assert again.link().session_lost_ms is None


def test_rubbish_is_kept_with_its_reason_and_does_not_come_back(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake]
) -> None:
    intake = started(settings(tmp_path, broker.port))
    rubbish = [b"", b"\xff\xfe\x00", b"{", b"nan", b"29,5", b"x" * 300_000, b'{"v": 1}']
    sender.send("room/warm", *rubbish)
    sender.send("room/warm", "28.0")
    wait_for(lambda: intake.link().counts.stored == 1)
    assert intake.link().counts.quarantined == len(rubbish)
    parts(intake, broker)
    kept = list(reversed(quarantined(tmp_path)))
    assert [q.payload for q in kept] == [r[: 64 * 1024] for r in rubbish]
    assert all(q.reason and q.probe == "warm" and q.topic == "room/warm" for q in kept)
    again = started(settings(tmp_path, broker.port))
    sender.send("room/warm", "28.1")
    wait_for(lambda: again.link().counts.stored == 1)
    assert again.link().counts.received == 1


def test_an_urgent_reading_is_stored_at_once_and_others_wait_for_company(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake]
) -> None:
    patient = replace(settings(tmp_path, broker.port), commit_every_s=60.0)
    intake = started(patient, urgent=lambda r: r.value > 31)
    sender.send("room/warm", "28.0")
    wait_for(lambda: intake.link().counts.received == 1)
    time.sleep(0.4)
    assert intake.link().counts.stored == 0
    sender.send("room/warm", "32.0")
    wait_for(lambda: intake.link().counts.stored == 2)


def test_after_a_pause_an_urgent_reading_waits_for_nothing(
    tmp_path: Path,
    broker: Mosquitto,
    sender: Sender,
    started: Callable[..., Intake],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(way_in, "URGENT_EVERY_S", 3600.0)
    patient = replace(settings(tmp_path, broker.port), commit_every_s=3600.0)
    intake = started(patient, urgent=lambda r: r.value > 31)
    # The writer looks for messages five times a second, and finds none.
    time.sleep(0.5)
    sender.send("room/warm", "32.0")
    wait_for(lambda: intake.link().counts.stored == 1)
    sender.send("room/warm", "32.1")
    wait_for(lambda: intake.link().counts.received == 2)
    time.sleep(0.4)
    assert intake.link().counts.stored == 1


def test_stopping_stores_and_acknowledges_what_is_here(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake]
) -> None:
    intake = started(replace(settings(tmp_path, broker.port), commit_every_s=60.0))
    sender.send("room/warm", *some_values(7))
    wait_for(lambda: intake.link().counts.received == 7)
    parts(intake, broker)
    assert len(stored(tmp_path)) == 7
    again = started(settings(tmp_path, broker.port))
    sender.send("room/warm", "28.9")
    wait_for(lambda: again.link().counts.stored == 1)
    assert again.link().counts.received == 1


def test_a_retained_message_is_not_asked_for(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake]
) -> None:
    sender.send("room/warm", "20.0", retain=True)
    intake = started(settings(tmp_path, broker.port))
    sender.send("room/warm", "28.0")
    wait_for(lambda: intake.link().counts.stored == 1)
    assert (intake.link().counts.received, intake.link().counts.retained) == (1, 0)


@pytest.mark.parametrize("broker", [SAVES_SELDOM], indirect=True, ids=["seldom"])
def test_a_flood_is_stored_whole_with_a_bounded_queue(
    tmp_path: Path, broker: Mosquitto, started: Callable[..., Intake]
) -> None:
    first = started(settings(tmp_path, broker.port))
    parts(first, broker)
    sender = Sender(broker.port)
    sender.send("room/warm", *some_values(5000))
    sender.close()
    longest = 0
    intake = started(settings(tmp_path, broker.port), up=False)
    deadline = time.monotonic() + MOMENT_S
    while intake.link().counts.stored < 5000 and time.monotonic() < deadline:
        longest = max(longest, intake._queue.qsize())
        time.sleep(0.002)
    assert intake.link().counts.stored == 5000
    assert longest <= arrival_queue.QUEUE_LENGTH
    parts(intake, broker)
    readings = stored(tmp_path)
    assert len({r.at_ms for r in readings}) == 5000
    assert Counter(f"{r.value:.1f}" for r in readings) == Counter(some_values(5000))


def test_messages_sent_without_acknowledgement_are_stored_and_counted(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake]
) -> None:
    intake = started(settings(tmp_path, broker.port))
    sender.send("room/warm", "28.0", qos=0)
    wait_for(lambda: intake.link().counts.stored == 1)
    assert intake.link().counts.without_ack == 1


def test_a_topic_that_left_the_configuration_is_given_up(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake]
) -> None:
    parts(started(settings(tmp_path, broker.port)), broker)
    sender.send("room/timed", timed(27.5, now_ms()))
    intake = started(settings(tmp_path, broker.port, [WARM]))
    wait_for(lambda: intake.link().counts.received == 1)
    sender.send("room/warm", "28.0")
    wait_for(lambda: intake.link().counts.stored == 1)
    time.sleep(0.2)
    sender.send("room/timed", timed(27.6, now_ms()))
    sender.send("room/warm", "28.1")
    wait_for(lambda: intake.link().counts.stored == 2)
    assert intake.link().counts.received == 3


# ------------------------------------------------------------ while the service was away


def test_what_waited_at_the_broker_is_marked_but_for_the_newest_and_what_has_its_own_time(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake]
) -> None:
    quick = (replace(WARM, interval_s=0.5), TIMED)
    first = started(settings(tmp_path, broker.port, quick))
    sender.send("room/warm", "28.0")
    wait_for(lambda: first.link().counts.stored == 1)
    parts(first, broker)
    sender.send("room/warm", "28.1", "28.2", "28.3", "28.4")
    at = now_ms()
    sender.send("room/timed", timed(27.0, at), timed(27.1, at + 1))
    time.sleep(0.8)
    second = started(settings(tmp_path, broker.port, quick))
    wait_for(lambda: second.link().counts.stored == 6)
    assert [(r.value, r.test) for r in stored(tmp_path)] == [
        (28.0, ""), (28.1, WAITED), (28.2, WAITED), (28.3, WAITED), (28.4, ""),
    ]  # fmt: skip
    assert stored(tmp_path)[1].flag is Flag.SUSPECT
    assert all(r.flag.usable for r in stored(tmp_path, "timed"))


def test_a_broker_that_lost_the_session_is_a_possible_gap_and_recorded(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake]
) -> None:
    first = started(settings(tmp_path, broker.port))
    assert first.link().session_lost_ms is None
    sender.send("room/warm", "28.0")
    wait_for(lambda: first.link().counts.stored == 1)
    parts(first, broker)
    broker.stop(kill=True)
    (broker.folder / "mosquitto.db").unlink()
    broker.start()
    second = started(settings(tmp_path, broker.port))
    wait_for(lambda: second.link().session_lost_ms is not None)
    with Store(tmp_path / "data") as store:
        assert store.db.fact(keeping.LOST_FACT) == str(second.link().session_lost_ms)
        assert store.journal.inbox() == {}


# ------------------------------------------------------------ when the service dies

CHILD = """
import sys, time
from pathlib import Path
from monitor.adapters.mqtt.intake import Intake
from tests.adapters.mqtt.test_intake import now_ms, settings
intake = Intake(settings(Path(sys.argv[1]), int(sys.argv[2])), now_ms=now_ms)
intake.start()
sys.stdin.read()
intake.stop()
"""


def child(folder: Path, port: int, crash_at: str = "") -> subprocess.Popen[bytes]:
    environ = {**os.environ, "PYTHONPATH": str(PROJECT), "WARMTALLY_CRASH_AT": crash_at}
    return subprocess.Popen([sys.executable, "-c", CHILD, str(folder), str(port)], env=environ, stdin=subprocess.PIPE)


def ends_well(intake: Intake, folder: Path, total: int) -> None:
    """The one that is started after the last death."""
    wait_for(lambda: len(stored(folder)) >= total, f"{total} readings")
    assert intake.stop()


@pytest.mark.parametrize("place", ["before-commit", "after-commit-before-ack", "mid-batch", "mid-batch:30"])
def test_dying_at_the_worst_moment_loses_and_doubles_nothing(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake], place: str
) -> None:
    parts(started(settings(tmp_path, broker.port)), broker)
    sender.send("room/warm", *some_values(100))
    dying = child(tmp_path, broker.port, place)
    assert dying.wait(MOMENT_S) == -signal.SIGKILL
    assert (len(stored(tmp_path)) == 0) == (place == "before-commit")
    sender.send("room/warm", *some_values(100))
    ends_well(started(settings(tmp_path, broker.port)), tmp_path, 200)
    assert Counter(f"{r.value:.1f}" for r in stored(tmp_path)) == Counter(some_values(100) * 2)


@pytest.mark.parametrize("broker", [SAVES_SELDOM], indirect=True, ids=["seldom"])
def test_killed_again_and_again_under_way_it_loses_and_doubles_nothing(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake]
) -> None:
    parts(started(settings(tmp_path, broker.port)), broker)
    sending = threading.Thread(target=sender.send, args=("room/warm", *some_values(1500)), kwargs={"one_by_one": True})
    sending.start()
    # Many more times: deploy/measure kills.
    for _ in range(2):
        # The first may have stored them all before it is killed.
        have = min(len(stored(tmp_path)), 1499)
        running = child(tmp_path, broker.port)
        wait_for(lambda have=have: len(stored(tmp_path)) > have, "some more readings")  # type: ignore[misc]
        running.kill()
        running.wait(MOMENT_S)
        assert running.stdin is not None
        running.stdin.close()
    sending.join()
    ends_well(started(settings(tmp_path, broker.port)), tmp_path, 1500)
    readings = stored(tmp_path)
    assert Counter(f"{r.value:.1f}" for r in readings) == Counter(some_values(1500))
    assert len({r.at_ms for r in readings}) == 1500


@pytest.mark.parametrize("broker", [SAVES_SELDOM], indirect=True, ids=["seldom"])
def test_readings_of_a_flood_keep_their_moments_from_those_after_a_restart(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake]
) -> None:
    # Without a time of their own, five thousand at once are given the seconds before, none of them the future.
    values = some_values(5000)
    parts(started(settings(tmp_path, broker.port)), broker)
    sender.send("room/warm", *values)
    first = started(settings(tmp_path, broker.port))
    wait_for(lambda: first.link().counts.stored == 5000)
    flood = stored(tmp_path)
    assert all(r.at_ms <= r.received_ms for r in flood)
    assert len({r.at_ms for r in flood}) == 5000
    parts(first, broker)
    second = started(settings(tmp_path, broker.port))
    sender.send("room/warm", *values[:100])
    wait_for(lambda: second.link().counts.stored == 100)
    assert len({r.at_ms for r in stored(tmp_path)}) == 5100


# ------------------------------------------------------------ when the broker dies


@pytest.mark.parametrize("kill", [False, True], ids=["stopped", "killed"])
def test_a_broker_that_goes_and_comes_back_is_found_again(
    tmp_path: Path, broker: Mosquitto, started: Callable[..., Intake], *, kill: bool
) -> None:
    intake = started(settings(tmp_path, broker.port))
    first = Sender(broker.port)
    first.send("room/warm", *some_values(20))
    wait_for(lambda: intake.link().counts.stored == 20)
    first.close()
    # The broker writes its state a moment after it changed.
    time.sleep(1.2)
    stopped = now_ms()
    broker.stop(kill=kill)
    wait_for(lambda: intake.link().state == "down")
    assert "127.0.0.1" in intake.link().detail or "trying again" in intake.link().detail
    since = intake.link().since_ms
    assert stopped <= since <= now_ms()
    broker.start()
    wait_for(lambda: intake.link().state == "up", "the link to come back")
    assert intake.link().detail == ""
    second = Sender(broker.port)
    second.send("room/warm", *some_values(20))
    wait_for(lambda: intake.link().counts.stored == 40)
    second.close()
    assert intake.link().session_lost_ms is None
    assert Counter(f"{r.value:.1f}" for r in stored(tmp_path)) == Counter(some_values(20) * 2)


def test_a_broker_that_hangs_is_noticed_by_the_keep_alive(
    tmp_path: Path, broker: Mosquitto, started: Callable[..., Intake]
) -> None:
    intake = started(replace(settings(tmp_path, broker.port), broker=Broker(port=broker.port, keepalive_s=1)))
    assert broker.process is not None
    broker.process.send_signal(signal.SIGSTOP)
    try:
        wait_for(lambda: intake.link().state != "up", "the silence to be noticed")
        assert intake.alive()
    finally:
        broker.process.send_signal(signal.SIGCONT)
    wait_for(lambda: intake.link().state == "up", "the link to come back")


def test_a_connection_lost_with_messages_on_the_way_to_the_disk_doubles_nothing(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake]
) -> None:
    intake = started(replace(settings(tmp_path, broker.port), commit_every_s=2.5))
    sender.send("room/warm", *some_values(15))
    wait_for(lambda: intake.link().counts.received == 15)
    client = intake._line._client
    assert client is not None
    line_socket = client.socket()
    assert isinstance(line_socket, socket.socket)
    line_socket.shutdown(socket.SHUT_RDWR)
    # They come a second time, by the second connection, while the first copies still wait for their commit.
    wait_for(lambda: intake.link().counts.received == 30, "the messages to come again")
    wait_for(lambda: intake.link().counts.repeated == 15, "the repetitions to be known")
    assert intake.stop()
    assert Counter(f"{r.value:.1f}" for r in stored(tmp_path)) == Counter(some_values(15))


def test_only_the_connection_by_which_a_message_came_may_acknowledge_it(
    tmp_path: Path, broker: Mosquitto, sender: Sender
) -> None:
    came: list[Arrival] = []

    def take(item: Connected | Arrival) -> bool:
        if isinstance(item, Arrival):
            came.append(item)
        return True

    wanted = settings(tmp_path, broker.port, [WARM]).broker
    own = Line(wanted, ["room/warm"], take, now_ms=now_ms)
    own.open()
    wait_for(lambda: own.state().status == "up")
    sender.send("room/warm", "28.0")
    wait_for(lambda: len(came) == 1)
    own.resume()
    wait_for(lambda: len(came) == 2)
    assert came[1].again
    assert came[0].mid == came[1].mid
    # The old copy's word does not count: the broker still has the message afterwards.
    own.acknowledge(came[:1])
    own.resume()
    wait_for(lambda: len(came) == 3)
    own.acknowledge(came[2:])
    time.sleep(0.2)
    own.resume()
    wait_for(lambda: own.state().status == "up")
    sender.send("room/warm", "28.1")
    wait_for(lambda: len(came) == 4)
    assert came[3].payload == b"28.1"
    own.close()


# ------------------------------------------------------------ when the store fails


def test_a_full_disk_acknowledges_nothing_and_what_came_meanwhile_is_stored_later(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Small, so that less than the broker may have under way (500) is more than there is room for.
    monkeypatch.setattr(arrival_queue, "QUEUE_LENGTH", 60)
    monkeypatch.setattr(way_in, "BATCH", 50)
    monkeypatch.setattr(persistence, "BACK_OFF_S", (0.1, 0.3))
    intake = started(settings(tmp_path, broker.port))
    # SQLite's own bound on the file's size: the same failure as a full disk.
    pages = store_of(intake).db.rows("PRAGMA page_count")[0][0]
    limit = store_of(intake).db.connection.execute(f"PRAGMA max_page_count={pages}").fetchone()[0]
    assert limit == pages
    sender.send("room/warm", *some_values(900))
    wait_for(lambda: "no room left" in intake.link().store_error, "the failure to be told")
    wait_for(lambda: intake.link().counts.overflows == 1, "the line to be dropped")
    assert intake.link().state == "down"
    assert "wait at the broker" in intake.link().detail
    assert intake.alive()
    assert intake._queue.qsize() <= 60
    before = len(stored(tmp_path))
    store_of(intake).db.connection.execute("PRAGMA max_page_count=1000000")
    wait_for(lambda: intake.link().counts.stored == 900, "all readings")
    assert before < 900
    assert intake.link().store_error == ""
    wait_for(lambda: intake.link().state == "up")
    assert Counter(f"{r.value:.1f}" for r in stored(tmp_path)) == Counter(some_values(900))


def test_stopping_while_nothing_can_be_stored_ends_and_leaves_the_messages_at_the_broker(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(persistence, "BACK_OFF_S", (0.1, 0.3))
    intake = started(settings(tmp_path, broker.port))
    pages = store_of(intake).db.rows("PRAGMA page_count")[0][0]
    store_of(intake).db.connection.execute(f"PRAGMA max_page_count={pages}").fetchone()
    sender.send("room/warm", *some_values(2000))
    wait_for(lambda: intake.link().store_error != "")
    assert intake.stop(10)
    again = started(settings(tmp_path, broker.port))
    wait_for(lambda: len(stored(tmp_path)) == 2000, "all readings")
    assert again.stop()
    assert Counter(f"{r.value:.1f}" for r in stored(tmp_path)) == Counter(some_values(2000))


def test_stopping_takes_no_longer_than_it_may_and_what_is_under_way_is_stored_all_the_same(
    tmp_path: Path,
    broker: Mosquitto,
    sender: Sender,
    started: Callable[..., Intake],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(database, "BUSY_S", 5 * MOMENT_S)
    intake = started(settings(tmp_path, broker.port))
    blocker = sqlite3.connect(tmp_path / "data" / FILE_NAME, isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    sender.send("room/warm", "28.0")
    wait_for(lambda: intake.link().counts.received == 1)
    time.sleep(0.2)
    ended: list[bool] = []
    began = time.monotonic()
    stopping = threading.Thread(target=lambda: ended.append(intake.stop(0.3)))
    stopping.start()
    stopping.join(2 * MOMENT_S)
    assert ended == [False]
    assert time.monotonic() - began < MOMENT_S
    blocker.execute("ROLLBACK")
    blocker.close()
    assert intake.stop()
    assert [r.value for r in stored(tmp_path)] == [28.0]


def test_a_mistake_of_ours_in_one_message_costs_only_that_message(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake], monkeypatch: pytest.MonkeyPatch
) -> None:
    def judge(reading: Reading, *rest: object) -> object:
        if reading.value == 13.0:
            raise ZeroDivisionError("made to fail")
        return real(reading, *rest)  # type: ignore[arg-type]

    from monitor.core.readings import arrivals

    real = arrivals.judge  # type: ignore[attr-defined]
    monkeypatch.setattr(arrivals, "judge", judge)
    intake = started(settings(tmp_path, broker.port))
    sender.send("room/warm", "28.0", "13.0", "28.1")
    wait_for(lambda: intake.link().counts.stored == 2 and intake.link().counts.quarantined == 1)
    assert "a mistake in this program: ZeroDivisionError" in quarantined(tmp_path)[0].reason
    assert intake.alive()


def test_a_network_thread_that_ended_is_replaced(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(line, "REVIVE_AFTER_S", 0.1)
    intake = started(settings(tmp_path, broker.port))
    client, drive = intake._line._client, intake._line._drive
    assert drive is not None
    drive.end()
    wait_for(lambda: intake._line._client not in (None, client), "another client")
    wait_for(lambda: intake.link().state == "up")
    sender.send("room/warm", "28.0")
    wait_for(lambda: intake.link().counts.stored == 1)


def test_a_disk_that_holds_up_the_writer_for_longer_than_the_keep_alive_costs_no_connection(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "BUSY_S", 5 * MOMENT_S)
    intake = started(replace(settings(tmp_path, broker.port), broker=Broker(port=broker.port, keepalive_s=1)))
    before = intake._line.state().connection
    blocker = sqlite3.connect(tmp_path / "data" / FILE_NAME, isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    sender.send("room/warm", "28.0")
    wait_for(lambda: intake.link().counts.received == 1)
    # The broker gives a client one and a half keep-alives.
    time.sleep(4.0)
    sender.send("room/warm", *some_values(30))
    wait_for(lambda: intake.link().counts.received == 31, "the messages to be taken meanwhile")
    assert intake.link().counts.stored == 0
    assert intake._line.state().connection == before
    blocker.execute("ROLLBACK")
    blocker.close()
    wait_for(lambda: intake.link().counts.stored == 31)
    assert intake._line.state().connection == before
    assert "exceeded timeout" not in (broker.folder / "log").read_text()


def test_a_line_on_which_a_program_error_happens_is_made_anew_and_the_writer_goes_on(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(line, "REVIVE_AFTER_S", 0.1)
    intake = started(settings(tmp_path, broker.port))
    client, drive = intake._line._client, intake._line._drive
    assert client is not None
    assert drive is not None

    def fail() -> None:
        raise ZeroDivisionError("made to fail")

    monkeypatch.setattr(client, "loop_misc", fail)
    wait_for(lambda: intake._line._client not in (None, client), "another client")
    wait_for(lambda: intake.link().state == "up")
    sender.send("room/warm", "28.0")
    wait_for(lambda: intake.link().counts.stored == 1)
    assert not drive.alive()
    assert intake.alive()


def test_the_system_is_asked_for_what_is_there_and_not_for_each_byte(
    tmp_path: Path, broker: Mosquitto, sender: Sender, started: Callable[..., Intake], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It stands on a method of paho that is not promised: where that is gone, readings come in, only slower."""
    asked: list[int] = []
    read = Client._sock_recv

    def counted(client: Client, size: int) -> bytes:
        asked.append(size)
        return read(client, size)

    parts(started(settings(tmp_path, broker.port)), broker)
    sender.send("room/warm", *some_values(200))
    monkeypatch.setattr(Client, "_sock_recv", counted)
    sender.client.loop_stop()
    intake = started(settings(tmp_path, broker.port))
    wait_for(lambda: intake.link().counts.stored == 200)
    assert len(asked) < 200


# ------------------------------------------------------------ when the link cannot be


def test_nobody_at_the_address_is_told_with_the_address_and_is_no_end(
    tmp_path: Path, started: Callable[..., Intake]
) -> None:
    port = free_port()
    intake = started(settings(tmp_path, port), up=False)
    wait_for(lambda: intake.link().state == "down")
    detail = intake.link().detail
    assert f"nobody answers at 127.0.0.1:{port}" in detail
    assert "room.toml" in detail
    assert intake.alive()
    with mosquitto(tmp_path / "broker", port=port):
        wait_for(lambda: intake.link().state == "up")


@pytest.mark.parametrize(
    ("login", "words"),
    [
        ({}, ["wants a login", "username and password_file under [broker] in room.toml"]),
        ({"username": "eggroom", "password": "wrong"}, ["'eggroom'", "correct username and password_file"]),
    ],
    ids=["without login", "with a wrong one"],
)
def test_a_refused_login_is_told_with_its_fix_and_without_the_password(
    tmp_path: Path, started: Callable[..., Intake], login: dict[str, str], words: list[str]
) -> None:
    with mosquitto(tmp_path / "broker", login=("eggroom", "right")) as broker:
        intake = started(settings(tmp_path, broker.port, **login), up=False)  # type: ignore[arg-type]
        wait_for(lambda: intake.link().state == "refused")
        time.sleep(0.3)
        assert intake.link().state == "refused"
        for word in words:
            assert word in intake.link().detail
        assert "wrong" not in intake.link().detail
        assert intake.stop()
        good = started(settings(tmp_path, broker.port, username="eggroom", password="right"))
        assert good.link().detail == ""


def test_another_program_with_the_same_client_id_is_named_as_the_likely_cause(
    tmp_path: Path, broker: Mosquitto, started: Callable[..., Intake]
) -> None:
    intake = started(settings(tmp_path, broker.port))
    other = Client(CallbackAPIVersion.VERSION2, client_id="warmtally", protocol=MQTTv5)
    other.connect("127.0.0.1", broker.port)
    other.loop_start()
    try:
        wait_for(lambda: "another program uses the client id 'warmtally'" in intake.link().detail)
    finally:
        other.disconnect()
        other.loop_stop()
    wait_for(lambda: intake.link().state == "up")


def test_a_port_that_takes_connections_but_is_no_broker_is_told(tmp_path: Path, started: Callable[..., Intake]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        intake = started(settings(tmp_path, server.getsockname()[1]), up=False, answer_s=0.2)
        wait_for(lambda: "does not answer as a broker" in intake.link().detail)
        assert intake.link().state == "down"


def test_a_broker_that_never_answers_for_the_topics_is_asked_again(
    tmp_path: Path, started: Callable[..., Intake], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(line, "PROMISE_S", 0.3)
    greeted: list[socket.socket] = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def greet() -> None:
            # Accepts every greeting (CONNACK of MQTT 5), and says nothing more.
            while True:
                try:
                    connection, _ = server.accept()
                    connection.recv(1000)
                    connection.sendall(bytes((0x20, 3, 0, 0, 0)))
                except OSError:
                    return
                greeted.append(connection)

        threading.Thread(target=greet, daemon=True).start()
        intake = started(settings(tmp_path, server.getsockname()[1]), up=False)
        wait_for(lambda: len(greeted) >= 3, "three greetings")
        assert intake.link().state == "down"
        assert "does not say whether it will send the topics" in intake.link().detail
        assert intake.stop()
        server.shutdown(socket.SHUT_RDWR)
    for connection in greeted:
        connection.close()


def _certificates(folder: Path) -> None:
    folder.mkdir()
    openssl = need("openssl", "openssl")
    for name in ("ca", "other"):
        subprocess.run(
            [openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
             "-days", "2", "-keyout", folder / f"{name}.key", "-out", folder / f"{name}.pem", "-subj", f"/CN={name}"],
            check=True, capture_output=True,
        )  # fmt: skip
    (folder / "ext").write_text("subjectAltName=IP:127.0.0.1\n")
    subprocess.run(
        [openssl, "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-keyout",
         folder / "server.key", "-out", folder / "server.csr", "-subj", "/CN=127.0.0.1"],
        check=True, capture_output=True,
    )  # fmt: skip
    subprocess.run(
        [openssl, "x509", "-req", "-in", folder / "server.csr", "-CA", folder / "ca.pem", "-CAkey", folder / "ca.key",
         "-CAcreateserial", "-days", "2", "-extfile", folder / "ext", "-out", folder / "server.pem"],
        check=True, capture_output=True,
    )  # fmt: skip


def test_an_encrypted_line_is_made_with_the_right_certificate_and_refused_with_another(
    tmp_path: Path, started: Callable[..., Intake]
) -> None:
    certificates = tmp_path / "certificates"
    _certificates(certificates)
    extra = f"certfile {certificates}/server.pem\nkeyfile {certificates}/server.key"
    with mosquitto(tmp_path / "broker", extra=extra) as broker:
        good = started(settings(tmp_path, broker.port, tls=True, ca_file=str(certificates / "ca.pem")))
        assert good.stop()
        wrong = started(settings(tmp_path, broker.port, tls=True, ca_file=str(certificates / "other.pem")), up=False)
        wait_for(lambda: "no trusted line" in wrong.link().detail)
        assert wrong.link().state == "down"
        assert "ca_file" in wrong.link().detail
