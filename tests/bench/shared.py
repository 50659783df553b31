"""More readings than one process takes: two and four at one broker, by topic and by shared subscriptions.

A backlog waits in a real mosquitto; processes fetch it side by side, each the intake as the service has it, with a
store of its own. *By topic*: each owns its share of the probes, and subscribes to those alone. *Shared*: all subscribe
to ``$share/GROUP/TOPIC`` of every probe (MQTT 5, section 4.8.2), and the broker gives each message to one of them. In
each way one process is killed in the middle and started again. Asked is how fast it is, whether each reading is in one
store once, and in how many stores the readings of one probe lie: who judges a probe has to have them all.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from monitor.adapters.store import Store
from monitor.core.terms.settings import Box, Broker, Probe, Room, Settings
from tests.bench import Figures
from tests.bench.ingest import SELDOM, now_ms, publish, waits_for
from tests.peers import PROJECT, mosquitto, wait_for

PROBES = 40
GROUP = "fleet"
WAYS = ("topic", "shared")
LONGEST_S = 120.0


def topic(probe: int) -> str:
    return f"room/{probe}"


def owned(way: str, process: int, of: int) -> list[int]:
    """The probes that a process subscribes to."""
    return list(range(process, PROBES, of)) if way == "topic" else list(range(PROBES))


def filters(way: str, process: int, of: int) -> list[str]:
    before = f"$share/{GROUP}/" if way == "shared" else ""
    return [f"{before}{topic(n)}" for n in owned(way, process, of)]


# ---------------------------------------------------------------- one process


def child(port: str, folder: str, way: str, process: str, of: str) -> None:
    """Begins at a word, says now and then how many it stored and what that took, and ends with its input."""
    from monitor.adapters.mqtt.intake import Intake

    boxes = tuple(Box(f"box{n}", "rack", 10.0 * n) for n in range(PROBES))
    probes = tuple(
        Probe(f"p{n}", topic(n), pointer="/v", time_pointer="/at", time_form="ms", interval_s=0.001, box=f"box{n}")
        for n in owned(way, int(process), int(of))
    )
    settings = Settings(
        Room("a part", "UTC", "C", ("rack",), boxes, probes),
        Broker(port=int(port), client_id=f"part-{process}"),
        data_dir=folder,
    )
    Store(folder, create=True).close()
    intake = Intake(settings, now_ms=now_ms)
    # What the service has no key for: it is measured here why.
    intake._line._topics = tuple(filters(way, int(process), int(of)))
    print("{}", flush=True)
    sys.stdin.readline()
    cpu = time.process_time()
    intake.start()

    def told() -> None:
        while True:
            counts = intake.link().counts
            print(json.dumps({"stored": counts.stored, "cpu_s": time.process_time() - cpu}), flush=True)
            time.sleep(0.02)

    threading.Thread(target=told, daemon=True).start()
    sys.stdin.read()
    intake.stop()


class Part:
    """A process from outside. ``stored`` and ``cpu_s`` since it was started last."""

    def __init__(self, port: int, folder: Path, way: str, process: int, of: int) -> None:
        self.folder = folder
        self.stored, self.cpu_s = 0, 0.0
        self._ready = threading.Event()
        command = [sys.executable, "-m", "tests.bench.shared", str(port), str(folder), way, str(process), str(of)]
        self.process = subprocess.Popen(
            command, cwd=PROJECT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        threading.Thread(target=self._listen, daemon=True).start()
        wait_for(self._ready.is_set, "a process to be ready")

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with contextlib.suppress(ValueError):
                said = json.loads(line)
                self.stored, self.cpu_s = said.get("stored", 0), said.get("cpu_s", 0.0)
            self._ready.set()

    def go(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(b"go\n")
        self.process.stdin.flush()

    def stop(self) -> None:
        assert self.process.stdin is not None
        with contextlib.suppress(OSError):
            self.process.stdin.close()
        self.process.wait(60)


# ---------------------------------------------------------------- the measurement


def _publish(port: int, messages: int) -> set[tuple[str, int]]:
    """Each message with a time of its own; all of them as (probe, time)."""
    began = now_ms() - 50 * messages
    times = [(n, began + 50 * n) for n in range(messages)]
    publish(port, ((topic(n % PROBES), json.dumps({"v": 28 + n // PROBES % 40 / 100, "at": at})) for n, at in times))
    return {(f"p{n % PROBES}", at) for n, at in times}


def _kept(folder: Path) -> list[tuple[str, int]]:
    with Store(folder) as store:
        found = store.readings.load([f"p{n}" for n in range(PROBES)], 0, 2**61)
    return [(probe, int(at)) for probe, columns in found.items() for at in columns.at]


def once(way: str, processes: int, messages: int, *, kill: bool = False) -> dict[str, float]:
    """All messages through so many processes; ``kill``: the first one dies in the middle, and is started again."""
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name) / "broker", extra=SELDOM) as broker:
        for n in range(processes):
            waits_for(broker.port, filters(way, n, processes), f"part-{n}")
        sent = _publish(broker.port, messages)
        folders = [Path(name) / f"store{n}" for n in range(processes)]
        parts = [Part(broker.port, folder, way, n, processes) for n, folder in enumerate(folders)]
        began = time.monotonic()
        for part in parts:
            part.go()
        if kill:
            wait_for(lambda: parts[0].stored > 0, "a first commit")
            parts[0].process.kill()
            parts[0].process.wait(60)
            parts[0] = Part(broker.port, folders[0], way, 0, processes)
            parts[0].go()
            last = (time.monotonic(), -1)
            while time.monotonic() - last[0] < 3.0:
                now = sum(part.stored for part in parts)
                last = last if now == last[1] else (time.monotonic(), now)
                time.sleep(0.05)
        else:
            wait_for(lambda: sum(p.stored for p in parts) >= messages, "all to be stored", seconds=LONGEST_S)
        took_s = time.monotonic() - began
        for part in parts:
            part.stop()
        kept = [_kept(folder) for folder in folders]
    every = [each for those in kept for each in those]
    homes = [sum(any(probe == f"p{n}" for probe, _ in those) for those in kept) for n in range(PROBES)]
    return {
        "per_s": messages / took_s,
        "per_busiest_processor_s": messages / max(part.cpu_s for part in parts),
        "lost": len(sent - set(every)),
        "doubled": len(every) - len(set(every)),
        "stores_of_a_probe": max(homes),
    }


def measure(messages: int = 20_000) -> Figures:
    """One, two and four processes in both ways, and two of which one is killed."""
    figures: dict[str, float | int] = {"messages": messages, "probes": PROBES}
    short = []
    for way in WAYS:
        for processes, kill in ((1, False), (2, False), (4, False), (2, True)):
            found = once(way, processes, messages, kill=kill)
            key = f"{way}_{processes}" + ("_killed" if kill else "")
            figures |= {
                f"{key}_{name}": value for name, value in found.items() if not (kill and name.startswith("per"))
            }
            for what in ("lost", "doubled"):
                if found[what]:
                    short.append(f"{key}: {found[what]:.0f} readings {what}")
            if way == "topic" and found["stores_of_a_probe"] != 1:
                short.append(f"{key}: the readings of one probe lie in {found['stores_of_a_probe']:.0f} stores")
        for processes in (2, 4):
            for name in ("per_s", "per_busiest_processor_s"):
                figures[f"{way}_{processes}_{name}_to_one"] = (
                    figures[f"{way}_{processes}_{name}"] / figures[f"{way}_1_{name}"]
                )
    return Figures(
        figures,
        short,
        [
            "per_s: by the clock, on the cores that there are, beside the broker",
            "per_busiest_processor_s: by the processor time of the process that had most, as if each had a core",
            "who has a part of a probe's readings cannot judge it: steps, gaps and limits need all of them",
        ],
    )


if __name__ == "__main__":
    child(*sys.argv[1:])
