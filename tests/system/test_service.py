"""The service as a process: how it starts and ends, what it refuses, what it says of itself, what it survives."""

from __future__ import annotations

import contextlib
import json
import random
import socket
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.adapters.store.unread import SOURCE_BYTES
from tests.bench.process import Publisher, Service, message, now_ms, room, service, timed, until
from tests.peers import MOMENT_S, Mosquitto, free_port, mosquitto, wait_for
from tests.sinks import http_sink

BOX = "upper"
PROBES = (timed("upper-t", BOX), {"id": "bare", "topic": "eggs/bare", "box": BOX})


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker") as one:
        yield one


def stored(run: Service) -> int:
    with run.store() as store:
        return sum(store.readings.counts().values())


class Manager:
    """What stands for systemd: a socket at which it hears what the service says (sd_notify(3))."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.said: list[str] = []
        self._over = threading.Event()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._socket.settimeout(0.05)
        # All the time: what nobody reads would hold the service up.
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self) -> None:
        while not self._over.is_set():
            with contextlib.suppress(TimeoutError):
                self.said += self._socket.recv(4096).decode().splitlines()

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        self._socket.close()

    def lives(self, seconds: float = 0.0) -> int:
        """How many signs of life there were, after some time."""
        time.sleep(seconds)
        return self.said.count("WATCHDOG=1")

    def wait(self, line: str, times: int = 1) -> None:
        wait_for(lambda: self.said.count(line) >= times, f"{line} {times} times; heard {self.said}")

    def environ(self, watchdog_s: float) -> dict[str, str]:
        return {"NOTIFY_SOCKET": str(self.path), "WATCHDOG_USEC": str(round(watchdog_s * 1e6))}


@pytest.fixture
def systemd(tmp_path: Path) -> Iterator[Manager]:
    one = Manager(tmp_path / "notify")
    yield one
    one.close()


# -- start and end ---------------------------------------------------------------------------------------------


def test_sigterm_ends_it_at_once_with_everything_committed_that_had_come(broker: Mosquitto, tmp_path: Path) -> None:
    # A commit only every ten minutes: what came is still in memory when the signal does, and the end waits for none.
    tables = room([BOX], PROBES, port=broker.port, pace={"commit_every_s": 10 * MOMENT_S})
    with service(tmp_path / "service", tables) as run, Publisher(broker.port) as publisher:
        run.start()
        run.wait_up()
        sent = {now_ms() + n: 28.0 + n / 100 for n in range(15)}
        for at, value in sent.items():
            publisher.publish("eggs/upper-t", message(at, value))
        publisher.wait_acknowledged()
        time.sleep(1.0)
        assert stored(run) == 0
        assert run.stop() == 0
        times, values = run.readings("upper-t")
        assert dict(zip(times.tolist(), values.tolist(), strict=True)) == sent
        # And all of it was acknowledged: nothing comes again.
        run.start()
        run.wait_up(times=2)
        time.sleep(1.0)
        assert run.stop() == 0
        assert run.stored_raw() == len(sent)


def test_a_second_service_on_the_same_store_is_turned_away_and_told_whom_to_stop(
    broker: Mosquitto, tmp_path: Path
) -> None:
    tables = room([BOX], PROBES, port=broker.port)
    with service(tmp_path / "first", tables) as first, service(tmp_path / "second", tables) as second:
        second.data = first.data
        first.start()
        first.wait_log("watching room")
        assert second.start().wait(MOMENT_S) == 12
        assert first.process is not None
        assert f"another Warmtally service (process {first.process.pid}) uses this store" in second.log()
        assert "Traceback" not in second.log()
        # A service that was killed leaves nothing behind that would keep the next one out.
        first.kill()
        second.start()
        second.wait_log("watching room")
        assert second.stop() == 0


def no_toml(run: Service) -> None:
    run.config.write_text('[room\nname = "broken"\n')


def no_config(run: Service) -> None:
    run.config.unlink()


def newer_store(run: Service) -> None:
    run.data.mkdir()
    with sqlite3.connect(run.data / "warmtally.db") as c:
        c.execute("PRAGMA user_version=999")
    c.close()


def no_store(run: Service) -> None:
    run.data.mkdir()
    (run.data / "warmtally.db").write_bytes(b"this was a store once" * 500)


def no_folder(run: Service) -> None:
    run.data.write_text("a file where the folder should be")


@pytest.mark.parametrize(
    ("fault", "code", "says"),
    [
        (no_toml, 3, "room.toml: not TOML"),
        (no_config, 3, "no configuration file at"),
        (None, 22, "no file at"),
        (newer_store, 13, "the store has schema 999"),
        (no_store, 14, "the store's file is damaged"),
        (no_folder, 10, "the data directory cannot be"),
    ],
)
def test_what_cannot_be_started_ends_with_its_own_exit_code_and_a_line_that_says_what_to_do(
    fault: Callable[[Service], None] | None, code: int, says: str, tmp_path: Path
) -> None:
    login = {"username": "eggs", "password_file": "broker.password"} if fault is None else {}
    with service(tmp_path, room([BOX], PROBES, port=free_port(), broker=login)) as run:
        if fault is not None:
            fault(run)
        assert run.start().wait(MOMENT_S) == code, run.log()
        assert says in run.log()
        assert "Traceback" not in run.log()


# -- the service manager and the outside heartbeat -------------------------------------------------------------


def test_the_service_manager_hears_ready_then_a_sign_of_life_each_round_then_stopping(
    broker: Mosquitto, systemd: Manager, tmp_path: Path
) -> None:
    with service(tmp_path / "service", room([BOX], PROBES, port=broker.port)) as run:
        run.start(**systemd.environ(watchdog_s=10))
        systemd.wait("READY=1")
        systemd.wait("WATCHDOG=1", 5)
        assert systemd.said[0] == "READY=1"
        assert "STATUS=watching room Test room" in systemd.said
        assert "STOPPING=1" not in systemd.said
        assert run.stop() == 0
        systemd.wait("STOPPING=1")
        time.sleep(0.3)
        assert systemd.said[-1] == "STOPPING=1"


def test_rounds_come_often_enough_for_a_short_watchdog_even_when_the_room_is_looked_at_seldom(
    broker: Mosquitto, systemd: Manager, tmp_path: Path
) -> None:
    tables = room([BOX], PROBES, port=broker.port, pace={"tick_s": 60})
    with service(tmp_path / "service", tables) as run:
        run.start(**systemd.environ(watchdog_s=2))
        systemd.wait("READY=1")
        began = time.monotonic()
        systemd.wait("WATCHDOG=1", 4)
        # Without the watchdog the fourth look would come after four minutes.
        assert time.monotonic() - began < MOMENT_S


def test_a_round_that_hangs_feeds_neither_the_watchdog_nor_the_heartbeat(
    broker: Mosquitto, systemd: Manager, tmp_path: Path
) -> None:
    # Another program holds the store's write lock while the room has become quiet: the round waits for the lock.
    with http_sink() as outside:
        tables = room(
            [BOX],
            [timed("upper-t", BOX, interval=1, quiet_after=6)],
            port=broker.port,
            watch={"room_quiet_after": 6},
            heartbeat={"url": f"http://127.0.0.1:{outside.port}/beat", "every": 1},
        )
        with service(tmp_path / "service", tables) as run:
            run.start(**systemd.environ(watchdog_s=10))
            outside.wait_for(2)
            systemd.wait("WATCHDOG=1", 3)
            blocker = sqlite3.connect(run.data / "warmtally.db", isolation_level=None)
            blocker.execute("BEGIN IMMEDIATE")
            try:
                # Silent from the moment when the change has to be written.
                assert until(lambda: systemd.lives() == systemd.lives(3.0), MOMENT_S)
                heard, beats = systemd.lives(), len(outside.arrivals)
                assert systemd.lives(3.0) == heard
                assert len(outside.arrivals) == beats
            finally:
                blocker.execute("ROLLBACK")
                blocker.close()
            systemd.wait("WATCHDOG=1", heard + 3)
            outside.wait_for(beats + 1)
            assert run.came("room-quiet raised")


def test_the_heartbeat_is_called_only_while_the_broker_is_there(systemd: Manager, tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path / "broker")
    with http_sink() as outside:
        beat = {"url": f"http://127.0.0.1:{outside.port}/beat", "every": 1}
        with service(tmp_path / "service", room([BOX], PROBES, port=broker.port, heartbeat=beat)) as run:
            run.start(**systemd.environ(watchdog_s=10))
            systemd.wait("WATCHDOG=1", 8)
            assert outside.arrivals == []
            broker.start()
            try:
                outside.wait_for(2)
                assert {a.path for a in outside.arrivals} == {"/beat"}
                broker.stop()
                run.wait_log("; trying again")
                rounds = systemd.lives(1.2)
                calls = len(outside.arrivals)
                systemd.wait("WATCHDOG=1", rounds + 8)
                time.sleep(1.2)
                assert len(outside.arrivals) == calls
            finally:
                broker.stop()


# -- what arrives ----------------------------------------------------------------------------------------------


def junk(rng: random.Random) -> bytes:
    """A payload of some kind: bytes, half a JSON, a strange value, too deep, too large, or by chance a good one."""
    kinds: tuple[Callable[[], bytes], ...] = (
        lambda: rng.randbytes(rng.randint(0, 300)),
        lambda: b"",
        lambda: message(now_ms(), 28.0).encode()[: rng.randint(1, 20)],
        lambda: json.dumps({"at": rng.choice([None, -1, 1e300, "x", [], now_ms()]), "v": rng.random()}).encode(),
        lambda: json.dumps(
            {"at": now_ms(), "v": rng.choice([None, "x", {}, [], True, 1e308, -1e-320, 10**400])}
        ).encode(),
        lambda: b'{"at": NaN, "v": Infinity}',
        lambda: b"[" * rng.randint(1, 100_000),
        lambda: b"9" * rng.randint(1, 400_000),
        lambda: rng.choice(["\u0661\u0662", "28,4", "28.4 C", "-0", "0x1f", "nan", "1e999", "\ud7ff"]).encode(),
        lambda: repr(rng.uniform(-300, 300)).encode(),
    )
    return rng.choice(kinds)()


def test_no_message_stops_the_service_and_each_is_a_reading_or_counted_and_within_bounds_kept_with_its_reason(
    broker: Mosquitto, tmp_path: Path
) -> None:
    rng = random.Random(7)
    payloads = [junk(rng) for _ in range(200)]
    with service(tmp_path / "service", room([BOX], PROBES, port=broker.port)) as run:
        run.start()
        run.wait_up()
        with Publisher(broker.port) as publisher:
            for payload in payloads:
                publisher.publish(rng.choice(["eggs/upper-t", "eggs/bare"]), payload)
                publisher.publish("eggs/nobody", payload)
            good = now_ms() + 60_000
            publisher.publish("eggs/upper-t", message(good, 28.5))
            publisher.wait_acknowledged()
        wait_for(lambda: good in run.readings("upper-t")[0].tolist(), "the good reading after the bad messages")
        with run.store() as store:
            kept, sources = store.unread.messages(1000), store.unread.sources()
        assert sum(s.n for s in sources) + run.stored_raw() == len(payloads) + 1
        # So many hundreds of kilobytes are more than is kept of one source.
        assert all(0 < s.kept_bytes <= SOURCE_BYTES for s in sources)
        assert len(kept) > 100
        assert all(k.reason and k.topic in ("eggs/upper-t", "eggs/bare") for k in kept)
        assert run.stop() == 0
        assert "Traceback" not in run.log()


def test_a_retained_message_is_old_news_and_a_live_one_is_not(broker: Mosquitto, tmp_path: Path) -> None:
    probes = [
        timed("upper-t", BOX, interval=1, quiet_after=2),
        {"id": "bare", "topic": "eggs/bare", "box": BOX, "interval": 1, "quiet_after": 2},
    ]
    tables = room([BOX], probes, port=broker.port, watch={"room_quiet_after": 2})
    with service(tmp_path / "service", tables) as run, Publisher(broker.port) as publisher:
        publisher.publish("eggs/upper-t", message(now_ms(), 28.0), retain=True)
        publisher.publish("eggs/bare", "28.0", retain=True)
        publisher.wait_acknowledged()
        run.start()
        run.wait_up()
        assert run.came("room-quiet raised")

        def over() -> bool:
            # The room has to be heard for a while: one message is not enough where the computer is slow.
            publisher.publish("eggs/bare", "28.1")
            return run.changes()["room-quiet cleared"] >= 1

        assert until(over, MOMENT_S, every_s=0.3)
        assert set(run.readings("bare")[1].tolist()) == {28.1}
