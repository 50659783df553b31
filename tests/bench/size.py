"""Room on the disk, what is written to it in a day, and how fast it is read: the store beside a time-series database.

The same readings go into both: a value of a converter of twelve bits (a sixteenth of a degree), measured every ten
seconds give or take 200 ms, received 20 to 119 ms later. The database (victoria-metrics, a real one, merged to its end)
is given neither the flag nor the time of arrival. Whole folders are compared, as ``du`` counts them. Each question is
asked of both in turns.

What is written in a day: the real service follows 64 probes with weeks behind it, and the system's counter of it
(proc_pid_io(5), ``write_bytes``) is taken to a day. That time lies between two turns of the hour; those and the day's,
which write into the file itself what an hour's commits left in the log, are made and counted beside it.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import random
import re
import statistics
import subprocess
import tempfile
import time
import urllib.parse
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from monitor.adapters.store import Columns, InboxMark, Store
from monitor.config.library import load_profile
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.room import Derived
from monitor.service.upkeep import Upkeep
from tests.bench import Figures
from tests.bench.footprint import service
from tests.bench.page_room import BOXES, EVERY_S, LargeRoom, box_of, middle_c
from tests.bench.process import Beat, Publisher, now_ms
from tests.peers import PROJECT, answers, free_port, mosquitto, need, wait_for

MOST_BYTES: Final = 2.8
MOST_WRITTEN_MB: Final = 200.0
EVERY_MS: Final = 10_000
JITTER_MS: Final = 200
_LINE: Final = 2000
_TURN_S: Final = 60.0
"""So long after a full hour its turn is surely done."""


def drawn(number: int, days: int, until_ms: int) -> Columns:
    """A probe's readings up to a moment."""
    rng = np.random.default_rng(number)
    n = days * DAY_MS // EVERY_MS
    at = until_ms - (n - np.arange(n, dtype=np.int64)) * EVERY_MS + rng.integers(-JITTER_MS, JITTER_MS + 1, n) + number
    warmth = 28.0 + 0.3 * np.sin(np.arange(n) * (2 * np.pi * EVERY_MS / DAY_MS)) + rng.normal(0.0, 0.02, n)
    good = np.full(n, int(Flag.GOOD), np.uint8)
    return Columns(at, np.round(warmth * 16) / 16, at + rng.integers(20, 120, n), good, np.ones(n, bool), ("",) * n)


def on_disk(folder: Path) -> int:
    """Bytes that a folder takes, as du counts them."""
    return sum(path.lstat().st_blocks * 512 for path in folder.rglob("*"))


@dataclass
class Peer:
    """The database, running, and one connection to it that is kept."""

    folder: Path
    port: int
    line: http.client.HTTPConnection

    def ask(self, path: str, body: bytes | None = None, **words: object) -> bytes:
        query = f"{path}?{urllib.parse.urlencode(words)}" if words else path
        self.line.request("GET" if body is None else "POST", query, body)
        answer = self.line.getresponse()
        found = answer.read()
        if answer.status >= 300:
            raise AssertionError(f"{path} answered {answer.status}: {found[:200]!r}")
        return found

    def take(self, probe: str, columns: Columns) -> None:
        at, value = columns.at.tolist(), columns.value.tolist()
        for k in range(0, len(at), 50 * _LINE):
            lines = [
                json.dumps(
                    {
                        "metric": {"__name__": "warmth", "probe": probe},
                        "values": value[j : j + _LINE],
                        "timestamps": at[j : j + _LINE],
                    }
                )
                for j in range(k, min(k + 50 * _LINE, len(at)), _LINE)
            ]
            self.ask("/api/v1/import", "\n".join(lines).encode())

    def settle(self) -> None:
        """Everything on the disk, and merged."""
        self.ask("/internal/force_flush")
        self.ask("/internal/force_merge")
        before, still = 0, 0
        while still < 3:
            time.sleep(1.0)
            size = on_disk(self.folder)
            still, before = (still + 1 if size == before else 0), size

    def readings(self, probe: str, from_ms: int, to_ms: int) -> bytes:
        match = f'warmth{{probe="{probe}"}}'
        return self.ask("/api/v1/export", None, **{"match[]": match, "start": from_ms / 1000, "end": to_ms / 1000})

    def by_hours(self, probe: str, from_ms: int, to_ms: int) -> bytes:
        asked = f'avg_over_time(warmth{{probe="{probe}"}}[1h])'
        span = {"start": (from_ms + HOUR_MS) / 1000, "end": to_ms / 1000, "step": "1h", "nocache": 1}
        return self.ask("/api/v1/query_range", None, query=asked, **span)


@contextlib.contextmanager
def peer(folder: Path, days: int) -> Iterator[Peer]:
    port = free_port()
    command = [
        need("victoria-metrics", "victoria-metrics"),
        f"-httpListenAddr=127.0.0.1:{port}",
        f"-storageDataPath={folder}",
        f"-retentionPeriod={days + 90}d",
        "-search.maxPointsPerTimeseries=100000",
    ]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        try:
            wait_for(lambda: answers(port), "the database to answer")
            yield Peer(folder, port, http.client.HTTPConnection("127.0.0.1", port, timeout=120))
        finally:
            process.terminate()


def in_turns(ours: Callable[[int], object], theirs: Callable[[int], object], times: int) -> tuple[float, float]:
    """Milliseconds of each, the median, asked in turns; each question is another one."""
    took: tuple[list[float], list[float]] = [], []
    for k in range(times):
        for ask, found in ((ours, took[0]), (theirs, took[1])):
            began = time.perf_counter()
            ask(k)
            found.append(1000.0 * (time.perf_counter() - began))
    return statistics.median(took[0]), statistics.median(took[1])


def beside(probes: int, days: int, times: int) -> tuple[dict[str, float | int], list[str]]:
    """Both filled with the same; how large they are, and how long they take to answer."""
    until_ms = now_ms()
    label, short = f"{probes} probes, {days} days", list[str]()
    with tempfile.TemporaryDirectory() as name, peer(Path(name) / "peer", days) as other:
        folder = Path(name) / "ours"
        with Store(folder) as store:
            for k in range(probes):
                columns = drawn(k, days, until_ms)
                store.folding.bulk(f"p{k}", columns)
                other.take(f"p{k}", columns)
            # What the service would have done by now: the newest day is still in hours.
            while store.folding.pack(until_ms):
                pass
            store.db.checkpoint()
        other.settle()
        n = probes * (days * DAY_MS // EVERY_MS)
        ours, theirs = on_disk(folder) / n, on_disk(other.folder) / n
        from_ms = until_ms - days * DAY_MS
        span = min(30, days) * DAY_MS
        with Store(folder) as store:
            held = sum(store.readings.counts().values())

            def start(k: int) -> int:
                return from_ms + (k * 7919 * 60_000) % max(days * DAY_MS - span, DAY_MS // 4)

            def day(k: int) -> tuple[str, int, int]:
                begins = from_ms + (k * 104_729 * 60_000) % ((days - 1) * DAY_MS)
                return f"p{k % probes}", begins, begins + DAY_MS

            def hours(k: int) -> tuple[str, int, int]:
                begins = start(k) // HOUR_MS * HOUR_MS
                return f"p{k % probes}", begins, begins + span

            same = len(json.loads(other.readings(*day(1)).splitlines()[0])["values"])
            if abs(same - len(store.readings.load([day(1)[0]], *day(1)[1:])[day(1)[0]])) > 1:
                short.append(f"{label}: both do not give the same readings of a day")
            read = in_turns(
                lambda k: store.readings.load([day(k)[0]], *day(k)[1:]), lambda k: other.readings(*day(k)), times
            )
            hourly = in_turns(
                lambda k: store.readings.hour_means(hours(k)[0], hours(k)[1] // HOUR_MS, hours(k)[2] // HOUR_MS),
                lambda k: other.by_hours(*hours(k)),
                times,
            )
    if held != n:
        short.append(f"{label}: {n - held} of {n} readings are not there")
    if ours > MOST_BYTES:
        short.append(f"{label}: {ours:.2f} bytes a reading on the disk, more than {MOST_BYTES:g}")
    for what, (mine, its) in (("a day", read), ("thirty days by the hour", hourly)):
        if mine > its:
            short.append(f"{label}: {what} takes {mine:.2f} ms, the database {its:.2f}")
    return {
        f"{label}: bytes_a_reading": ours,
        f"{label}: peer_bytes_a_reading": theirs,
        f"{label}: a_day_ms": read[0],
        f"{label}: a_day_to_peer": read[0] / read[1],
        f"{label}: hours_of_30_days_ms": hourly[0],
        f"{label}: hours_of_30_days_to_peer": hourly[0] / hourly[1],
    }, short


# -- what is written ------------------------------------------------------------------------------------------


def written(pid: int | str = "self") -> int:
    """Bytes that a process has caused to be written to the disk (proc_pid_io(5))."""
    lines = Path(f"/proc/{pid}/io").read_text().splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("write_bytes:")))


def turns(folder: Path) -> dict[str, float]:
    """What the turn of an hour and of a day write (MB) in a room with its season behind it."""
    room = LargeRoom(folder, 1883, 3, now_ms() // DAY_MS * DAY_MS)
    room.fill()
    room.sum_up()
    settings = room.settings()
    with Store(settings.data_dir) as store:
        derived = Derived(store, settings, load_profile)
        upkeep = Upkeep(store, derived, settings)
        derived.follow(room.now_ms)
        store.db.checkpoint()
        found: dict[str, float] = {}
        dice = random.Random(1)
        for hour, name in enumerate(("first", "an_hour_mb")):
            begins = room.now_ms + hour * HOUR_MS
            for k in range(0, HOUR_MS, EVERY_MS):
                at = [begins + k + n for n in range(BOXES)]
                marks = [InboxMark((t - room.now_ms) % 65_535 + 1, dice.randbytes(16)) for t in at]
                store.journal.ingest(
                    [Reading(f"{box_of(n)}-warmth", t, middle_c(n), t) for n, t in enumerate(at)], marks=marks
                )
            derived.follow(begins + HOUR_MS)
            before = written()
            upkeep.hourly(begins + HOUR_MS + 1)
            found[name] = (written() - before) / 1e6
        before = written()
        while store.folding.pack(room.now_ms + 3 * HOUR_MS):
            pass
        store.db.checkpoint()
        found["a_day_mb"] = (written() - before) / 1e6
    return found


def followed(days: int, settle_s: float, watched_s: float) -> dict[str, float]:
    """What the service writes in a second at 6.4 readings a second (kB), how many it takes in, and how often it
    commits."""
    # As deploy/broker sets it: with fewer under way the service has to commit more often.
    (under_way,) = re.findall(
        "^max_inflight_messages .*", (PROJECT / "deploy/mosquitto/warmtally.conf").read_text(), re.MULTILINE
    )
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name) / "broker", extra=under_way) as broker:
        room = LargeRoom(Path(name), broker.port, days)
        room.fill()
        room.sum_up()
        with Store(room.settings().data_dir) as store:
            while store.folding.pack(room.now_ms):
                pass
        with Publisher(broker.port) as publisher, service(room.config(), Path(name)) as (process, _):
            pace_s = EVERY_S / BOXES

            def send(n: int) -> None:
                publisher.publish(f"room/{n % BOXES}", f"{middle_c(n % BOXES) + (n % 7) / 100:.2f}")

            with Beat(send, pace_s), Store(room.settings().data_dir) as store:
                time.sleep(settle_s)
                if HOUR_MS - now_ms() % HOUR_MS < 1000 * watched_s:
                    time.sleep((HOUR_MS - now_ms() % HOUR_MS) / 1000 + _TURN_S)
                before, seq, began = written(process.pid), store.journal.last_seq(), time.monotonic()
                time.sleep(watched_s)
                took = time.monotonic() - began
                return {
                    "kb_a_second": (written(process.pid) - before) / took / 1e3,
                    "readings_a_second": (store.journal.last_seq() - seq) / took,
                }


def measure(
    probes: int = 16,
    days: int = 30,
    many_probes: int = 64,
    many_days: int = 120,
    history_days: int = 20,
    settle_s: float = 60.0,
    watched_s: float = 400.0,
    times: int = 60,
) -> Figures:
    """Small and large beside the database; then what a day writes. ``many_probes`` 0: the large one is left out."""
    figures, short = beside(probes, days, times)
    if many_probes:
        more, also = beside(many_probes, many_days, times)
        figures, short = figures | more, short + also
    pace = followed(history_days, settle_s, watched_s)
    with tempfile.TemporaryDirectory() as name:
        turn = turns(Path(name))
    day = pace["kb_a_second"] * 86.4 + 24 * turn["an_hour_mb"] + turn["a_day_mb"]
    figures |= {
        "readings_a_second": pace["readings_a_second"],
        "written_a_day_mb": day,
        "of_that_between_hours_mb": pace["kb_a_second"] * 86.4,
        "of_that_at_hours_mb": 24 * turn["an_hour_mb"],
        "of_that_at_its_end_mb": turn["a_day_mb"],
    }
    if abs(pace["readings_a_second"] - BOXES / EVERY_S) > 0.1 * BOXES / EVERY_S:
        short.append(f"{pace['readings_a_second']:.1f} readings a second came in, not {BOXES / EVERY_S:g}")
    if day > MOST_WRITTEN_MB:
        short.append(f"{day:.0f} MB are written in a day, more than {MOST_WRITTEN_MB:g}")
    return Figures(
        figures,
        short,
        [
            "the database is victoria-metrics; it keeps neither flags nor times of arrival",
            f"written: {BOXES} probes every {EVERY_S:g} s, {history_days} days behind, looked at for {watched_s:g} s",
        ],
    )
