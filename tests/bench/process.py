"""The service as its users run it: a process of its own, with a configuration file, against a real broker."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.store import Store
from monitor.core.notices.conditions import Transition
from monitor.core.notices.notice import Notice
from tests.peers import MOMENT_S, PROJECT, wait_for

Table = Mapping[str, object]
Tables = Mapping[str, Table | Iterable[Table]]


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def until(check: Callable[[], bool], seconds: float, every_s: float = 0.05) -> bool:
    """Look again and again; whether it became true in time."""
    deadline = time.monotonic() + seconds
    while True:
        at = time.monotonic()
        if check():
            return True
        if at > deadline:
            return False
        time.sleep(max(every_s, 2.0 * (time.monotonic() - at)))


def toml(tables: Tables) -> str:
    """Tables, and lists of tables, as a configuration file; dots in a name make sub-tables."""
    lines: list[str] = []
    for name, content in tables.items():
        several = not isinstance(content, Mapping)
        for table in content if several else [content]:
            assert isinstance(table, Mapping)
            lines.append(f"[[{name}]]" if several else f"[{name}]")
            inner = {k: v for k, v in table.items() if isinstance(v, list) and v and isinstance(v[0], dict)}
            lines += [f"{k} = {json.dumps(v)}" for k, v in table.items() if k not in inner]
            for key, parts in inner.items():
                assert isinstance(parts, list)
                for part in parts:
                    lines.append(f"[[{name}.{key}]]")
                    lines += [f"{k} = {json.dumps(v)}" for k, v in part.items()]
    return "\n".join(lines) + "\n"


def room(
    boxes: Iterable[str],
    probes: Iterable[Table],
    *,
    port: int,
    watch: Table | None = None,
    limits: Table | None = None,
    channels: Mapping[str, int] | None = None,
    pace: Table | None = None,
    **more: Table,
) -> dict[str, Table | Iterable[Table]]:
    """A room in which nothing else happens than what a test brings about.

    Each box has a stack of its own, it is six in the morning with the calendar's hours far off, and probes may be
    silent for long. ``channels``: id -> port of an HTTP receiver on this computer. ``pace``: what no file sets
    (:mod:`tests.bench.paced`).
    """
    now = datetime.now(UTC)
    ahead_h = (6 - now.hour + 12) % 24 - 12
    quiet = {"interval": 60, "quiet_after": "24 h"}
    tables: dict[str, Table | Iterable[Table]] = {
        "room": {"name": "Test room", "time_zone": f"Etc/GMT{-ahead_h:+d}"},
        "broker": {"host": "127.0.0.1", "port": port, **more.pop("broker", {})},
        "stacks": [{"id": f"stack-{box}", "boxes": [{"id": box, "height_cm": 100}]} for box in boxes],
        "probes": [{"unit": "C", **quiet, **probe} for probe in probes],
        "limits": {"too_warm_c": 45.0, "too_cool_c": 5.0, "on_delay": 0, "off_delay": 0, **(limits or {})},
        "watch": {"disk_low_mb": 10, **(watch or {})},
        "calendar": {
            "daily_line_at": "23:00",
            "drill_on": f"{now + timedelta(days=3):%A}".lower(),
            "drill_at": "23:00",
        },
        "channels": [
            {"id": name, "url": f"json://127.0.0.1:{number}/{name}"} for name, number in (channels or {}).items()
        ],
        "pace": {"tick_s": 0.2, "commit_every_s": 0.2, "channels": {"timeout_s": 5}, **(pace or {})},
        **more,
    }
    return tables


def timed(probe: str, box: str, **more: object) -> dict[str, object]:
    """A probe whose messages carry their own time in ms: {"at": ..., "v": ...}."""
    return {
        "id": probe,
        "topic": f"eggs/{probe}",
        "box": box,
        "pointer": "/v",
        "time_pointer": "/at",
        "time_form": "ms",
        **more,
    }


def message(at_ms: int, value: float) -> str:
    return json.dumps({"at": at_ms, "v": value})


@dataclass
class Service:
    """``warmtally run`` in a folder: started, killed, stopped, and looked into from outside.

    The part ``pace`` of the tables goes to :mod:`tests.bench.paced`, all others stand in the room's file.
    """

    folder: Path
    tables: Tables
    data: Path = field(init=False)
    process: subprocess.Popen[bytes] | None = None

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.data = self.folder / "data"
        self.config = self.folder / "room.toml"
        self.log_file = self.folder / "service.log"
        self.config.write_text(toml({name: table for name, table in self.tables.items() if name != "pace"}))

    def start(self, *, under: Sequence[str] = (), **environ: str) -> subprocess.Popen[bytes]:
        """Start; returns at once. ``environ`` is added to the environment, ``under``: a program that runs it."""
        outside = {k: v for k, v in os.environ.items() if not k.startswith(("WARMTALLY_", "NOTIFY_", "WATCHDOG_"))}
        command = [*under, sys.executable, "-m", "tests.bench.paced", json.dumps(self.tables.get("pace", {}))]
        command += ["run", "--config", str(self.config), "--data", str(self.data)]
        with self.log_file.open("ab") as log:
            self.process = subprocess.Popen(command, cwd=PROJECT, env={**outside, **environ}, stdout=log, stderr=log)
        return self.process

    def log(self) -> str:
        return self.log_file.read_text(errors="replace") if self.log_file.exists() else ""

    def wait_log(self, text: str, *, times: int = 1) -> None:
        def said() -> bool:
            assert self.process is not None
            code = self.process.poll()
            assert code is None, f"the service ended with {code} before it said {text!r}:\n{self.log()[-3000:]}"
            return self.log().count(text) >= times

        wait_for(said, f"the service to say {text!r}; it said:\n{self.log()[-3000:]}")

    def wait_up(self, *, times: int = 1) -> None:
        """Until the broker has promised it its topics so many times in its life.

        Connected is not enough: what is published before the subscription stands is no client's message.
        """
        self.wait_log("subscribed to", times=times)

    def kill(self) -> None:
        """As if the power went, for the process."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(MOMENT_S)
            self.process = None

    def stop(self, seconds: float = MOMENT_S) -> int:
        """SIGTERM, and the exit code."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(seconds)
        self.process = None
        return code

    # -- what is in its store ------------------------------------------------------------------------------

    @contextlib.contextmanager
    def store(self) -> Iterator[Store]:
        with Store(self.data) as store:
            yield store

    def stored_raw(self) -> int:
        """Rows in the journal and readings in chunks; a reading stored twice in the journal counts twice."""
        with self.store() as store, store.db.read():
            return len(store.batches.now()) + int(store.db.rows("SELECT TOTAL(n) FROM kept")[0][0])

    def readings(self, probe: str) -> tuple[np.ndarray, np.ndarray]:
        """(measured time in ms, value) of every reading of a probe."""
        with self.store() as store:
            columns = store.readings.load([probe], 0, 2**61)[probe]
        return columns.at, columns.value

    def history(self) -> list[Transition]:
        """Every change of a condition, oldest first."""
        with self.store() as store:
            return store.ledger.history(100_000)[::-1]

    def notices(self) -> list[Notice]:
        with self.store() as store:
            return store.ledger.notices(100_000)[::-1]

    def changes(self) -> Counter[str]:
        """Such as "room-quiet raised" -> how many times."""
        return Counter(f"{t.kind} {t.change}" for t in self.history())

    def came(self, change: str, seconds: float = MOMENT_S, *, times: int = 1) -> bool:
        """Wait for a change of a condition, such as "room-quiet raised"."""
        return until(lambda: self.changes()[change] >= times, seconds)

    def undelivered(self) -> int:
        """Outbox rows that are neither delivered nor given up."""
        with self.store() as store:
            return sum(o.state in ("waiting", "leased") for o in store.outbox.outgoing())


@contextlib.contextmanager
def service(folder: Path, tables: Tables) -> Iterator[Service]:
    """A service that is killed at the end if it still runs."""
    made = Service(folder, tables)
    try:
        yield made
    finally:
        made.kill()


class Publisher:
    """A probe's gateway: publishes with QoS 1 and sends again what the broker has not acknowledged."""

    def __init__(self, port: int, client_id: str = "gateway", login: tuple[str, str] | None = None) -> None:
        self._lock = threading.Lock()
        self.published = 0
        self.acknowledged = 0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5)
        self._client.max_queued_messages_set(0)
        self._client.max_inflight_messages_set(200)
        self._client.reconnect_delay_set(1, 1)
        if login is not None:
            self._client.username_pw_set(*login)
        self._client.on_publish = self._on_publish
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _on_publish(self, *_: object) -> None:
        with self._lock:
            self.acknowledged += 1

    def publish(self, topic: str, payload: str | bytes, *, retain: bool = False) -> None:
        self.published += 1
        self._client.publish(topic, payload, qos=1, retain=retain)

    def wait_acknowledged(self, seconds: float = MOMENT_S) -> None:
        wait_for(lambda: self.acknowledged >= self.published, "the broker to acknowledge", seconds)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def __enter__(self) -> Publisher:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class Beat:
    """Calls ``act(n)`` with n = 0, 1, 2 ... at a steady pace in a thread of its own, until ``stop``."""

    def __init__(self, act: Callable[[int], None], every_s: float, count: int | None = None) -> None:
        self.n = 0
        self._act = act
        self._every_s = every_s
        self._count = count
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        began = time.monotonic()
        while not self._stop.is_set() and (self._count is None or self.n < self._count):
            self._act(self.n)
            self.n += 1
            self._stop.wait(max(0.0, began + self.n * self._every_s - time.monotonic()))

    @property
    def running(self) -> bool:
        return self._thread.is_alive()

    def join(self, seconds: float) -> bool:
        """Wait for the last one; False when that took too long."""
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def stop(self) -> int:
        """Stop; how many there were."""
        self._stop.set()
        self._thread.join(10)
        return self.n

    def __enter__(self) -> Beat:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
