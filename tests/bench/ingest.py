"""Readings coming in, beside the bare parts: the same messages into a paho client and one plain table.

Messages with QoS 1 wait in a real mosquitto, first bare numbers, then JSON with a time of its own. Programs fetch
them by turns, each as a process of its own, with nothing in its store and a disk that is really written (WAL,
``synchronous=FULL``). *The bare parts*: paho's callback reads each message with ``float`` or ``json.loads``, a batch
goes into one table of four columns, and is acknowledged after the commit; once all in paho's thread, once handed over
through a queue. *Ours*: the intake as the service has it, with everything it promises: what cannot be read is kept,
what is sent again is known, what waited is told from what is fresh, each reading is judged in its context, and the
queue is bounded. Ours reads, stores and acknowledges in one thread, too, and another one keeps the line where the disk
is slow.
"""

from __future__ import annotations

import json
import os
import queue
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TypeAlias

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.adapters.mqtt.line import RECEIVE_MAXIMUM
from tests.bench import Figures
from tests.peers import PROJECT, mosquitto, wait_for

PROBES = 20
BATCH = 500
WINDOW = RECEIVE_MAXIMUM
WAYS = ("bare", "handed", "ours")
FORMS = ("bare-number", "json")
# The broker is no part of what is compared: it need not write each message down.
SELDOM = "autosave_on_changes false\nautosave_interval 3600"
MOST_RATIO = 1.2
# What begins, and what says how many messages are stored and acknowledged.
Program: TypeAlias = tuple[Callable[[], object], Callable[[], int]]


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def topics() -> list[str]:
    return [f"room/{n}" for n in range(PROBES)]


def payload(form: str, number: int, start_ms: int) -> str:
    """Message ``number`` of a stream; the values move as those of a calm box do."""
    value = 28.0 + (number // PROBES % 40) / 100
    if form == "json":
        return json.dumps({"id": number, "at": start_ms + 50 * number, "temperature": value, "battery": 2.9})
    return f"{value:.2f}"


# ---------------------------------------------------------------- the two programs, each in a process of its own


def _session(port: int, name: str = "warmtally") -> mqtt.Client:
    """A client as both programs have it: MQTT 5, a session that stays, acknowledgement by hand."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, name, protocol=mqtt.MQTTv5, manual_ack=True)
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 86_400
    properties.ReceiveMaximum = WINDOW
    client.connect("127.0.0.1", port, clean_start=False, properties=properties)
    return client


def bare(port: int, folder: Path, messages: int, form: str, *, handed: bool = False) -> Program:
    """The bare parts, in paho's own thread; or ``handed`` over through a bounded queue to a thread that writes."""
    folder.mkdir(parents=True)
    table = sqlite3.connect(folder / "bare.db", isolation_level=None, check_same_thread=False)
    table.execute("PRAGMA journal_mode=WAL").fetchall()
    table.execute("PRAGMA synchronous=FULL")
    table.execute("CREATE TABLE reading (topic TEXT, at INTEGER, value REAL, received INTEGER)")
    waiting: queue.Queue[mqtt.MQTTMessage] = queue.Queue(2000)
    rows: list[tuple[str, int, float, int]] = []
    mids: list[int] = []
    done = 0

    def take(client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        nonlocal done
        received = now_ms()
        if form == "json":
            tree = json.loads(message.payload)
            rows.append((message.topic, tree["at"], tree["temperature"], received))
        else:
            rows.append((message.topic, received, float(message.payload), received))
        mids.append(message.mid)
        if len(rows) < BATCH and done + len(rows) < messages:
            return
        table.execute("BEGIN")
        table.executemany("INSERT INTO reading VALUES (?,?,?,?)", rows)
        table.execute("COMMIT")
        for mid in mids:
            client.ack(mid, 1)
        done += len(rows)
        rows.clear()
        mids.clear()

    def put(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        waiting.put(message)

    def write(client: mqtt.Client) -> None:
        while True:
            take(client, None, waiting.get())

    def begin() -> None:
        client = _session(port)
        client.on_message = put if handed else take
        if handed:
            threading.Thread(target=write, args=(client,), name="writer", daemon=True).start()
        client.loop_start()

    return begin, lambda: done


def ours(port: int, folder: Path, messages: int, form: str) -> Program:
    """The intake of the service: what begins, and what says how many messages are stored and acknowledged."""
    from monitor.adapters.mqtt.intake import Intake
    from monitor.adapters.store import Store
    from monitor.core.terms.settings import Box, Broker, Probe, Room, Settings

    del messages
    pointers = {"pointer": "/temperature", "time_pointer": "/at", "time_form": "ms"} if form == "json" else {}
    boxes = tuple(Box(f"box{n}", "rack", 10.0 * n) for n in range(PROBES))
    probes = tuple(
        Probe(f"probe{n}", topic, interval_s=0.001, box=f"box{n}", **pointers)  # type: ignore[arg-type]
        for n, topic in enumerate(topics())
    )
    room = Room("full room", "UTC", "C", ("rack",), boxes, probes)
    Store(folder).close()
    broker = Broker(port=port)
    # As the service does it: a reading near a limit is worth a commit at once.
    near = {probe.id: (20.0, 35.0) for probe in probes}
    intake = Intake(
        Settings(room=room, broker=broker, data_dir=str(folder)),
        now_ms=now_ms,
        urgent=lambda reading: not near[reading.probe][0] < reading.value < near[reading.probe][1],
    )

    def stored() -> int:
        counts = intake.link().counts
        return counts.stored + counts.repeated + counts.quarantined

    return intake.start, stored


def _thread_seconds() -> dict[str, float]:
    """Seconds of the processor of each thread of this process by its name (proc(5))."""
    names = {thread.native_id: thread.name for thread in threading.enumerate()}
    found = {}
    for task in Path("/proc/self/task").iterdir():
        fields = (task / "stat").read_text().rpartition(")")[2].split()
        name = names.get(int(task.name), "other")
        found[name] = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return found


def child(way: str, port: str, folder: str, messages: str, form: str) -> None:
    """Fetch all messages once; prints what it took as JSON."""
    if way == "ours":
        begin, stored = ours(int(port), Path(folder), int(messages), form)
    else:
        begin, stored = bare(int(port), Path(folder), int(messages), form, handed=way == "handed")
    cpu, began = time.process_time(), time.perf_counter()
    begin()
    while stored() < int(messages):
        time.sleep(0.01)
        if time.perf_counter() - began > 300:
            raise SystemExit(f"only {stored()} of {messages} messages were stored")
    took = {"wall_s": time.perf_counter() - began, "cpu_s": time.process_time() - cpu}
    threads = _thread_seconds()
    took["network_s"] = sum(s for name, s in threads.items() if "paho" in name)
    took["writer_s"] = sum(s for name, s in threads.items() if "writer" in name)
    print(json.dumps(took))
    # Nobody else wants anything of this process: the last acknowledgements are given a moment to go out.
    time.sleep(0.2)
    os._exit(0)


# ---------------------------------------------------------------- the measurement


def waits_for(port: int, wanted: Sequence[str], name: str = "warmtally") -> None:
    """The session of a client of that name begins, and it parts: what is published now waits there."""
    client = _session(port, name)
    there = threading.Event()
    client.on_subscribe = lambda *_: there.set()
    client.loop_start()
    client.subscribe([(topic, 1) for topic in wanted])
    wait_for(there.is_set, "the subscription")
    client.disconnect()
    client.loop_stop()


def publish(port: int, messages: Iterable[tuple[str, str]]) -> None:
    """All (topic, payload) with QoS 1, until the broker has taken each."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "probes", protocol=mqtt.MQTTv5)
    client.max_queued_messages_set(0)
    client.max_inflight_messages_set(200)
    taken = [0]

    def count(*_: object) -> None:
        taken[0] += 1

    client.on_publish = count
    client.connect("127.0.0.1", port)
    client.loop_start()
    sent = 0
    for topic, text in messages:
        client.publish(topic, text, qos=1)
        sent += 1
    wait_for(lambda: taken[0] >= sent, "the broker to take all messages", seconds=120)
    client.disconnect()
    client.loop_stop()


def _offer(port: int, form: str, messages: int) -> None:
    """Begin the session, part, and let all messages wait in it."""
    waits_for(port, topics())
    names, start_ms = topics(), now_ms() - 50 * messages
    publish(port, ((names[n % PROBES], payload(form, n, start_ms)) for n in range(messages)))


def _process_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def once(way: str, form: str, messages: int) -> dict[str, float]:
    """All messages through one program; seconds of the wall clock and of the processor, by thread."""
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name) / "broker", extra=SELDOM) as broker:
        assert broker.process is not None
        _offer(broker.port, form, messages)
        folder = Path(name) / "data"
        before = _process_s(broker.process.pid)
        command = [sys.executable, "-m", "tests.bench.ingest", way, str(broker.port), str(folder), str(messages), form]
        done = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=False)
        if done.returncode:
            raise AssertionError(f"{way}: {done.stderr[-2000:]}")
        took: dict[str, float] = json.loads(done.stdout)
        took["broker_s"] = _process_s(broker.process.pid) - before
        if way == "ours":
            took["doubled_or_lost"] = abs(_kept(folder) - messages)
        return took


def _kept(folder: Path) -> int:
    with sqlite3.connect(folder / "warmtally.db") as table:
        return int(table.execute("SELECT SUM(n) FROM batch").fetchone()[0])


def measure(messages: int = 20_000, repeats: int = 5) -> Figures:
    """``messages`` of each form, ``repeats`` times by turns through each program."""
    figures: dict[str, float | int] = {"messages": messages, "repeats": repeats}
    short: list[str] = []
    for form in FORMS:
        runs: dict[str, list[dict[str, float]]] = {way: [] for way in WAYS}
        for turn in range(repeats):
            # Each goes first as often as the others.
            for way in WAYS[turn % 3 :] + WAYS[: turn % 3]:
                runs[way].append(once(way, form, messages))
        key = form.replace("-", "_")
        for way in WAYS:
            least = {part: min(run[part] for run in runs[way]) for part in runs[way][0]}
            figures[f"{key}_{way}_per_s"] = messages / least["wall_s"]
            figures |= {f"{key}_{way}_{part}": seconds for part, seconds in least.items() if part.endswith("_s")}
        for other in ("bare", "handed"):
            for part in ("wall_s", "cpu_s"):
                ratios = [o[part] / b[part] for b, o in zip(runs[other], runs["ours"], strict=True)]
                name = f"{key}_{part[:-2]}_ratio_to_{other}"
                figures[name], figures[f"{name}_least"] = statistics.median(ratios), min(ratios)
                figures[f"{name}_most"] = max(ratios)
        wrong = sum(int(run["doubled_or_lost"]) for run in runs["ours"])
        figures[f"{key}_doubled_or_lost"] = wrong
        if wrong:
            short.append(f"{wrong} readings ({form}) were doubled or lost")
        ratio = figures[f"{key}_cpu_ratio_to_handed"]
        if ratio > MOST_RATIO:
            short.append(f"{form}: {ratio:.2f} times the processor's time of the bare parts, more than {MOST_RATIO}")
    return Figures(
        figures,
        short,
        [
            "ratios are of runs one right after the other: median, least and most; seconds are the least of all runs",
            f"all: batches of {BATCH}, MQTT 5, a window of {WINDOW}, acknowledgement after the commit",
            "bare: all in paho's thread, which a program cannot be that must answer its broker while the disk is full",
            "handed: the same through a bounded queue to a second thread",
            "seconds of the processor: network is paho's thread, writer the thread that decodes and stores",
        ],
    )


if __name__ == "__main__":
    child(*sys.argv[1:])
