"""What the service costs: start, memory, threads and time of the processor, with everything switched on.

The real command runs as a process of its own, with the environment that the unit sets, against a real broker, a real
time-series database and a receiver of notices; probes report every second, one box is too warm, so that a notice is
sent and every library that is loaded only when needed is loaded.
"""

from __future__ import annotations

import contextlib
import http.client
import os
import re
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench import Figures
from tests.peers import PROJECT, answers, free_port, mosquitto, need, wait_for
from tests.sinks import http_sink

LIMIT_MB = 100
TOO_HEAVY = ("scipy", "pandas", "pydantic_core")
LIBRARIES = {
    "bare": "",
    "paho-mqtt": "import paho.mqtt.client",
    "pydantic": "import pydantic",
    "numpy": "import numpy",
    "apscheduler": "import apscheduler.schedulers.background",
    "apprise": "import apprise; apprise.Apprise().add('json://127.0.0.1')",
    "influxdb-client": "import influxdb_client",
    "amqtt": "import amqtt.broker",
    "rich": "import rich.console",
    "warmtally-list-of-verbs": "import monitor.cli.main; monitor.cli.main._listing()",
    "warmtally-command": "import monitor.cli.main; monitor.cli.main.parser('boxes')",
    "warmtally-service": "import monitor.service.start",
}


def settings(folder: Path, broker: int, database: int, receiver: int, page: int, probes: int) -> Path:
    """A room.toml with a channel, shipping, a page for answers, and so many probes in boxes of their own."""
    lines = [
        '[room]\nname = "Footprint"\ntime_zone = "UTC"\n',
        f'[broker]\nhost = "127.0.0.1"\nport = {broker}\n',
        "[limits]\ntoo_warm_c = 31.0\ndeadband_c = 0.2\non_delay = 1\noff_delay = 60\n",
        f'[[channels]]\nid = "hook"\nurl = "json://127.0.0.1:{receiver}/hook"\n',
        f'[shipping]\nurl = "http://127.0.0.1:{database}"\norg = "room"\nbucket = "readings"\ntoken_file = "token"\n',
        f'[answers]\nlisten = "127.0.0.1:{page}"\naddress = "http://127.0.0.1:{page}"\ntopic = "room/answer"\n',
        '[calendar]\nfile = "calendar.ics"\nfeed = true\n',
        '[[stacks]]\nid = "stack"\n',
    ]
    lines += [f'[[stacks.boxes]]\nid = "box{n}"\nheight_cm = {30 + n}\n' for n in range(probes)]
    lines += [f'[[probes]]\nid = "probe{n}"\ntopic = "room/{n}"\nunit = "C"\nbox = "box{n}"\n' for n in range(probes)]
    (folder / "token").write_text("not-a-real-token\n")
    (folder / "token").chmod(0o600)
    path = folder / "room.toml"
    path.write_text("\n".join(lines))
    return path


def process_facts(pid: int) -> dict[str, float]:
    """VmRSS and VmHWM in megabytes, threads, and seconds of the processor, of a running process (proc(5))."""
    status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines() if ":" in line)
    times = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return {
        "resident_mb": int(status["VmRSS"].split()[0]) / 1024,
        "peak_mb": int(status["VmHWM"].split()[0]) / 1024,
        "threads": int(status["Threads"]),
        "cpu_s": (int(times[11]) + int(times[12])) / os.sysconf("SC_CLK_TCK"),
    }


def unit_environment() -> dict[str, str]:
    """What the unit of systemd sets."""
    lines = (PROJECT / "deploy" / "warmtally.service").read_text().splitlines()
    return dict(line.removeprefix("Environment=").split("=", 1) for line in lines if line.startswith("Environment="))


@contextlib.contextmanager
def database(folder: Path) -> Iterator[int]:
    """A real server of the write protocol; its port."""
    port = free_port()
    command = [
        need("victoria-metrics", "victoria-metrics"),
        f"-httpListenAddr=127.0.0.1:{port}",
        f"-storageDataPath={folder}",
        "-memory.allowedBytes=64MB",
    ]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        try:
            wait_for(lambda: answers(port), "the database to answer")
            yield port
        finally:
            process.terminate()


@contextlib.contextmanager
def service(config: Path, folder: Path, *module: str, **more: str) -> Iterator[tuple[subprocess.Popen[bytes], float]]:
    """``warmtally run``, once it has told systemd's socket that it is ready; and how long that took, in seconds.

    ``module``: what is run instead, with its words; ``more``: of the environment.
    """
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notify, (folder / "log").open("wb") as log:
        (folder / "notify").unlink(missing_ok=True)
        notify.bind(str(folder / "notify"))
        notify.settimeout(60)
        environ = {**os.environ, **unit_environment(), "NOTIFY_SOCKET": str(folder / "notify"), **more}
        command = [sys.executable, "-m", *(module or ("monitor",))]
        command += ["run", "--config", str(config), "--data", str(folder / "data")]
        began = time.perf_counter()
        with subprocess.Popen(command, env=environ, stdout=log, stderr=log) as process:
            try:
                while b"READY=1" not in notify.recv(4096):
                    pass
                yield process, time.perf_counter() - began
            except TimeoutError:
                raise AssertionError(f"the service was not ready: {(folder / 'log').read_text()}") from None
            finally:
                process.send_signal(signal.SIGTERM)
                process.wait(30)


def alone(code: str) -> tuple[float, float]:
    """Time (s, median of five) and resident memory (MB) of a Python that runs this and nothing else."""
    script = (
        "import time; t = time.perf_counter()\n"
        f"{code}\n"
        "t = time.perf_counter() - t\n"
        "rss = next(l for l in open('/proc/self/status') if l.startswith('VmRSS'))\n"
        "print(t, int(rss.split()[1]) / 1024)"
    )
    runs = []
    for _ in range(5):
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
        seconds, megabytes = done.stdout.split()
        runs.append((float(seconds), float(megabytes)))
    return statistics.median(r[0] for r in runs), statistics.median(r[1] for r in runs)


def loaded(pid: int) -> list[str]:
    """Which of the libraries that are too heavy a running process has loaded, by the files mapped into it."""
    maps = Path(f"/proc/{pid}/maps").read_text()
    return [name for name in TOO_HEAVY if f"site-packages/{name}" in maps]


def answered(texts: Iterable[str]) -> bool:
    """Follow the first link in the texts and press its button; whether that answered."""
    link = next((m for text in texts if (m := re.search(r"127\.0\.0\.1:(\d+)(/a/[0-9A-Z-]+)", text))), None)
    if link is None:
        return False
    statuses = []
    for method in ("GET", "POST"):
        connection = http.client.HTTPConnection("127.0.0.1", int(link[1]), timeout=10)
        connection.request(method, link[2])
        statuses.append(connection.getresponse().status)
        connection.close()
    return statuses == [200, 200]


def measure(probes: int = 16, settle_s: float = 50.0) -> Figures:
    """Run the service for a little, look at it from outside; then each library alone."""
    figures: dict[str, float | int] = {"probes": probes}
    short: list[str] = []
    with (
        tempfile.TemporaryDirectory() as name,
        http_sink() as receiver,
        mosquitto(Path(name) / "broker") as broker,
        database(Path(name) / "database") as database_port,
    ):
        folder = Path(name)
        page = free_port()
        config = settings(folder, broker.port, database_port, receiver.port, page, probes)
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="probes")
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        with service(config, folder) as (process, start_s):
            figures["start_s"] = start_s
            figures["resident_at_start_mb"] = process_facts(process.pid)["resident_mb"]
            before, began = process_facts(process.pid), time.monotonic()
            while time.monotonic() - began < settle_s:
                for n in range(probes):
                    client.publish(f"room/{n}", f"{32.0 if n == 0 else 28.0 + n / 100:.2f}", qos=1)
                time.sleep(1)
            # Whatever comes by the calendar at a start is not what is waited for.
            if not any("Too warm" in a.title for a in receiver.arrivals):
                short.append("a box was too warm, and no notice arrived")
            if not answered([a.text for a in receiver.arrivals]):
                short.append("no notice could be answered by its link")
            after = process_facts(process.pid)
            figures |= {"resident_mb": after["resident_mb"], "peak_mb": after["peak_mb"], "threads": after["threads"]}
            figures["cpu_pct"] = 100 * (after["cpu_s"] - before["cpu_s"]) / (time.monotonic() - began)
            figures["notices_sent"] = len(receiver.arrivals)
            short += [f"the service has loaded {library}" for library in loaded(process.pid)]
            began = time.monotonic()
        figures["stop_s"] = time.monotonic() - began
        client.loop_stop()
        if process.returncode != 0:
            short.append(
                f"the service ended with exit code {process.returncode}: {(folder / 'log').read_text()[-500:]}"
            )
    if figures["peak_mb"] > LIMIT_MB:
        short.append(f"the service needs {figures['peak_mb']:.0f} MB, more than {LIMIT_MB}")
    for library, code in LIBRARIES.items():
        key = library.replace("-", "_")
        figures[f"{key}_import_s"], figures[f"{key}_resident_mb"] = alone(code)
    return Figures(
        figures,
        short,
        [
            f"{probes} probes report every second (usual: each minute); a look every 15 s, as usual",
            "a channel, shipping, the calendar and the page are switched on; a link is opened and answered",
            "libraries: each alone in a Python of its own, median of five",
        ],
    )
