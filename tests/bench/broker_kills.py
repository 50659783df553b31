"""What the broker itself loses when it is killed, and what losing so little costs, as deploy/broker sets it up.

A real mosquitto with settings of its persistence beside each other. A gateway publishes with QoS 1 and sends again
what was not acknowledged; the client that the readings are for is away, so that they wait at the broker, or is there.
The broker is killed (kill -9) at random moments. What it had acknowledged and does not know afterwards is lost. Cost:
bytes it writes and time of the processor a message, while so many wait.
"""

from __future__ import annotations

import itertools
import math
import os
import random
import re
import subprocess
import tempfile
import threading
import time
from pathlib import Path
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.bench import Figures
from tests.bench.process import Beat, Publisher, until
from tests.peers import MOMENT_S, PROJECT, Mosquitto

TOPIC: Final = "eggs/numbered"
OTHERS: Final = {
    "every half hour": "autosave_interval 1800",
    "every 30 s": "autosave_interval 30",
    "every 100 changes": "autosave_on_changes true\nautosave_interval 100",
    "every 10 changes": "autosave_on_changes true\nautosave_interval 10",
}
MOST_S: Final = {"as set up": 12.0, "each message": 1.0}
"""So long a stretch of messages may be lost at a kill, by what deploy/broker sets: its interval and a moment; at each
message what one pass of its loop takes in."""
PLAIN: Final = "autosave_on_changes false\n"


def ours(*words: str) -> str:
    """When the broker writes down what it holds, by the configuration that deploy/broker makes."""
    command = [str(PROJECT / "deploy" / "broker"), "--dry-run", *words]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    return "\n".join(re.findall(r"^autosave_\w+ \w+$", told, re.MULTILINE))


def _subscribe(client: mqtt.Client, *_: object) -> None:
    client.subscribe(TOPIC, qos=1)


class Listener:
    """A client with a session that lasts: the readings wait for it while it is away."""

    def __init__(self, port: int) -> None:
        self.got: set[int] = set()
        self._port = port
        self._lock = threading.Lock()
        self._client: mqtt.Client | None = None

    def there(self) -> None:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="listener", protocol=mqtt.MQTTv5)
        client.reconnect_delay_set(1, 1)
        client.on_message = self._take
        client.on_connect = _subscribe
        lasting = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        lasting.SessionExpiryInterval = 3600
        client.connect("127.0.0.1", self._port, clean_start=False, properties=lasting)
        client.loop_start()
        self._client = client
        until(client.is_connected, MOMENT_S)
        time.sleep(0.3)

    def away(self) -> None:
        if self._client is not None:
            self._client.disconnect()
            self._client.loop_stop()
            self._client = None

    def _take(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        with self._lock:
            self.got.add(int(message.payload))


def cost(pid: int) -> tuple[float, float]:
    """Bytes written, and seconds of the processor, of a running process (proc(5))."""
    told = dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text().splitlines())
    times = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return float(told["wchar"]), (int(times[11]) + int(times[12])) / os.sysconf("SC_CLK_TCK")


def lost(
    folder: Path, setting: str, kills: int, between_s: float, rate: float, dice: random.Random, *, away: bool
) -> tuple[int, int, int]:
    """(Acknowledged, of them lost, most lost in a row) over so many kills; the client is away meanwhile, or there."""
    broker = Mosquitto(folder, extra=PLAIN + setting)
    broker.start()
    listener = Listener(broker.port)
    try:
        listener.there()
        if away:
            listener.away()
        with Publisher(broker.port) as publisher:
            with Beat(lambda n: publisher.publish(TOPIC, str(n)), 1.0 / rate) as beat:
                for _ in range(kills):
                    time.sleep(between_s * dice.uniform(0.8, 1.5))
                    broker.stop(kill=True)
                    broker.start()
                    time.sleep(1.5)
                sent = beat.stop()
            publisher.wait_acknowledged(2 * MOMENT_S)
        if away:
            listener.there()
        until(lambda: len(listener.got) >= sent, 3.0)
        gone = sorted(set(range(sent)) - listener.got)
        rows = [sum(1 for _ in row) for _, row in itertools.groupby(n - i for i, n in enumerate(gone))]
        return sent, len(gone), max(rows, default=0)
    finally:
        listener.away()
        broker.stop(kill=True)


def kept(folder: Path, setting: str, waiting: int, rate: float, seconds: float) -> tuple[float, float]:
    """(kB written, ms of the processor) a message, while so many wait for a client that is away."""
    broker = Mosquitto(folder, extra=PLAIN + "autosave_interval 3600")
    broker.start()
    listener = Listener(broker.port)
    try:
        listener.there()
        listener.away()
        with Publisher(broker.port) as publisher:
            for n in range(waiting):
                publisher.publish(TOPIC, str(n))
            publisher.wait_acknowledged(4 * MOMENT_S)
        broker.stop()
        broker.extra = PLAIN + setting
        broker.start()
        assert broker.process is not None
        with Publisher(broker.port) as publisher:
            before = cost(broker.process.pid)
            with Beat(lambda n: publisher.publish(TOPIC, str(waiting + n)), 1.0 / rate, round(rate * seconds)) as beat:
                beat.join(seconds + 60.0)
            publisher.wait_acknowledged(2 * MOMENT_S)
            after = cost(broker.process.pid)
        return (after[0] - before[0]) / 1e3 / beat.n, (after[1] - before[1]) * 1e3 / beat.n
    finally:
        broker.stop(kill=True)


def measure(
    kills: int = 4,
    between_s: float = 15.0,
    rate: float = 20.0,
    most_waiting: int = 20_000,
    seconds: float = 20.0,
    seed: int = 1,
    only: str = "",
) -> Figures:
    """Each setting: so many kills, at so many messages a second; then its cost with more and more that wait.

    ``only``: the settings whose names hold this; "as set up" is what deploy/broker writes, "each message" with that
    option.
    """
    figures: dict[str, float | int] = {}
    short: list[str] = []
    for name, setting in {"as set up": ours(), "each message": ours("--each-message"), **OTHERS}.items():
        if only not in name:
            continue
        dice = random.Random(seed)
        with tempfile.TemporaryDirectory() as place:
            for who, away in (("away", True), ("there", False)):
                sent, gone, row = lost(Path(place) / who, setting, kills, between_s, rate, dice, away=away)
                figures[f"{name}: acknowledged, client {who}"] = sent
                figures[f"{name}: lost, client {who}"] = gone
                figures[f"{name}: longest lost_s, client {who}"] = row / rate
                if row / rate > MOST_S.get(name, math.inf):
                    short.append(f"{name}: {row / rate:.1f} s of messages are lost at a kill, {MOST_S[name]:g} allowed")
            waiting = 0
            while waiting <= most_waiting:
                kilobytes, ms = kept(Path(place) / str(waiting), setting, waiting, min(rate, 10.0), seconds)
                figures[f"{name}: kB written a message, {waiting} waiting"] = kilobytes
                figures[f"{name}: ms of processor a message, {waiting} waiting"] = ms
                waiting = waiting * 10 or 200
    return Figures(figures, short, [f"{kills} kills each, {rate:g} messages a second, seed {seed}"])
