"""Left alone at a hundred times its usual pace: memory, handles, page cache and files of the service, which stay flat.

The real command with everything switched on, against a real broker, a real database and a real receiver of notices.
Each probe reports a hundred times as often as usual (once a minute); one box after the other is warm for a while, and
a telephone opens the page. Two hours of that are as many readings as eight days give. Not every load is a hundred
times the usual one: a round, a notice and a look at the page come as often as they would.
"""

from __future__ import annotations

import contextlib
import http.client
import math
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Final

import numpy as np

from monitor.telling.drawing import svg as draw
from tests.bench import Figures
from tests.bench.footprint import database, process_facts, service, settings
from tests.bench.process import Beat, Publisher, until
from tests.peers import MOMENT_S, free_port, mosquitto, need
from tests.sinks import http_sink

USUAL_S: Final = 60.0
"""A probe's usual interval: what the room's file takes when nothing is said."""
WARM_EVERY_S: Final = 240.0
"""A box is warm for so long, then the next one."""
LOOK_EVERY_S: Final = 10.0
"""Somebody opens the page so often."""
# Judgement, no source: what grows by less than this in the second half would not be seen in a year's log.
MOST_MB_AN_HOUR: Final = 2.0
MOST_CPU_PCT: Final = 33.0
MOST_BYTES_A_READING: Final = 40.0
MOST_LOG_MB: Final = 8.0
"""SQLite's log beside the store is written back into it from 4 MB on (1000 pages); a long reader may delay that."""


@dataclass
class Curves:
    """What was seen, one value for each look. Times in minutes since the first, memory and files in MB."""

    minutes: list[float] = field(default_factory=list)
    resident_mb: list[float] = field(default_factory=list)
    handles: list[float] = field(default_factory=list)
    threads: list[float] = field(default_factory=list)
    page_cache_mb: list[float] = field(default_factory=list)
    file_mb: list[float] = field(default_factory=list)
    log_mb: list[float] = field(default_factory=list)
    cpu_s: list[float] = field(default_factory=list)
    readings: list[float] = field(default_factory=list)

    def look(self, pid: int, data: Path, minutes: float, readings: int) -> None:
        """One look at the process and at the folder of its store."""
        facts = process_facts(pid)
        files = [path for path in data.iterdir() if path.is_file() and not path.name.startswith("reserve")]
        sizes = {path.name: path.stat().st_size / 1e6 for path in files}
        log = sum(size for name, size in sizes.items() if name.endswith("-wal"))
        self.minutes.append(minutes)
        self.resident_mb.append(facts["resident_mb"])
        self.handles.append(sum(1 for _ in Path(f"/proc/{pid}/fd").iterdir()))
        self.threads.append(facts["threads"])
        self.page_cache_mb.append(cached_mb(files))
        self.file_mb.append(sum(sizes.values()) - log)
        self.log_mb.append(log)
        self.cpu_s.append(facts["cpu_s"])
        self.readings.append(readings)

    def later(self) -> Curves:
        """The second half of the time."""
        n = len(self.minutes) // 2
        return Curves(**{f.name: getattr(self, f.name)[n:] for f in fields(self)})

    def an_hour(self, name: str) -> float:
        """By how much a curve rises in an hour: the median of all slopes (Theil 1950; Sen 1968, J. Am. Stat. Assoc.
        63:1379-1389), which a few high values do not move."""
        x, y = np.array(self.minutes) / 60.0, np.array(getattr(self, name))
        i, j = np.triu_indices(len(x), 1)
        return float(np.median((y[j] - y[i]) / (x[j] - x[i]))) if len(i) else float("nan")


def cached_mb(paths: Iterable[Path]) -> float:
    """So much of these files is in the kernel's page cache, in MB."""
    program = need("fincore", "util-linux")
    told = subprocess.run(
        [program, "--bytes", "--noheadings", "--output", "RES", *paths], capture_output=True, text=True
    )
    return sum(int(word) for word in told.stdout.split()) / 1e6


def _looks(port: int, boxes: int, seen: list[int]) -> Callable[[int], None]:
    """A telephone that opens the room and a box in turn; ``seen`` gets each answer's status, 0 for none."""

    def look(n: int) -> None:
        status = 0
        with contextlib.suppress(OSError, http.client.HTTPException):
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
            connection.request("GET", "/" if n % 2 else f"/box/box{n % boxes}")
            answer = connection.getresponse()
            answer.read()
            status = answer.status
            connection.close()
        seen.append(status)

    return look


def _sends(publisher: Publisher, probes: int, every_s: float) -> Callable[[int], None]:
    """The probes one after the other, a box at a time too warm; values that wander as a box does."""
    a_box = max(1, round(WARM_EVERY_S * probes / every_s))

    def send(n: int) -> None:
        probe, wander = n % probes, 0.02 * math.sin(n / 1000.0) + 0.01 * (n // probes % 3)
        up = math.sin(math.pi * (n % a_box) / a_box) if n // a_box % probes == probe else 0.0
        value = 28.0 + wander + 4.0 * up
        publisher.publish(f"room/{probe}", f"{value:.2f}")

    return send


def measure(minutes: float = 120.0, times: float = 100.0, probes: int = 16, svg: str = "") -> Figures:
    """``times`` the usual rate for ``minutes``; ``--svg FILE`` gets the curves, and is written anew as they grow."""
    curves = Curves()
    every_s = USUAL_S / times
    look_s = min(10.0, max(0.25, minutes * 60.0 / 60.0))
    seen: list[int] = []
    with (
        tempfile.TemporaryDirectory() as name,
        http_sink() as receiver,
        mosquitto(Path(name) / "broker") as broker,
        database(Path(name) / "database") as database_port,
    ):
        folder, page = Path(name), free_port()
        config = settings(folder, broker.port, database_port, receiver.port, page, probes)
        text = config.read_text().replace("[answers]\nlisten =", "[page]\nlisten =", 1)
        config.write_text(text.replace('\ntopic = "room/answer"', '\n\n[answers]\ntopic = "room/answer"', 1))
        with service(config, folder) as (process, _):
            with Publisher(broker.port) as publisher:
                began = time.monotonic()
                with (
                    Beat(_sends(publisher, probes, every_s), every_s / probes) as beat,
                    Beat(_looks(page, probes, seen), LOOK_EVERY_S if minutes > 5 else 1.0),
                ):
                    while (passed_s := time.monotonic() - began) < minutes * 60.0:
                        assert process.poll() is None, (folder / "log").read_text()[-3000:]
                        curves.look(process.pid, folder / "data", passed_s / 60.0, publisher.acknowledged)
                        if svg and len(curves.minutes) % 12 == 2:
                            Path(svg).write_text(picture(curves, times), encoding="utf-8")
                        time.sleep(look_s)
                    sent = beat.stop()
                publisher.wait_acknowledged(2 * MOMENT_S)
            stored = _stored(folder, sent)
            curves.look(process.pid, folder / "data", (time.monotonic() - began) / 60.0, stored)
            peak_mb = process_facts(process.pid)["peak_mb"]
        code = process.returncode
        told = len(receiver.arrivals)
        log_bytes = (folder / "log").stat().st_size
    if svg:
        Path(svg).write_text(picture(curves, times), encoding="utf-8")
    figures = {
        "minutes": minutes,
        "readings_sent": sent,
        "readings_lost": sent - stored,
        "readings_a_second": sent / (minutes * 60.0),
        "notices": told,
        "pages": len(seen),
        "pages_not_given": sum(status != 200 for status in seen),
        "peak_mb": peak_mb,
        "log_of_the_service_kb": log_bytes / 1e3,
        **_summed(curves),
    }
    notes = [
        f"usual: {probes} probes, each once a minute; here each {times:g} times as often",
        "an hour: the median of all slopes in the second half of the time; first and last: medians of the eighth parts",
    ]
    return Figures(figures, [*_short(figures, minutes), *([f"it ended with {code}"] if code else [])], notes)


def _stored(folder: Path, sent: int) -> int:
    from monitor.adapters.store import Store

    with Store(folder / "data") as store:
        until(lambda: sum(store.readings.counts().values()) >= sent, 2 * MOMENT_S, 0.5)
        return sum(store.readings.counts().values())


def _summed(curves: Curves) -> dict[str, float]:
    later, n = curves.later(), max(1, len(curves.minutes) // 8)
    found: dict[str, float] = {}
    for name in ("resident_mb", "handles", "threads", "page_cache_mb", "file_mb", "log_mb"):
        values = getattr(curves, name)
        found[f"{name} first"] = float(np.median(values[n : 2 * n] or values))
        found[f"{name} last"] = float(np.median(values[-n:]))
        found[f"{name} most"] = max(values)
        found[f"{name} an hour"] = later.an_hour(name)
    passed_s = (later.minutes[-1] - later.minutes[0]) * 60.0
    found["cpu_pct"] = 100.0 * (later.cpu_s[-1] - later.cpu_s[0]) / passed_s
    more = later.readings[-1] - later.readings[0]
    found["bytes_a_further_reading"] = 1e6 * (later.file_mb[-1] - later.file_mb[0]) / more
    return found


def _short(figures: dict[str, float], minutes: float) -> list[str]:
    short = []
    if figures["readings_lost"]:
        short.append(f"{figures['readings_lost']:.0f} readings are lost, or stored twice where that is negative")
    if figures["pages_not_given"]:
        short.append(f"{figures['pages_not_given']:.0f} of {figures['pages']:.0f} pages were not given")
    if figures["cpu_pct"] > MOST_CPU_PCT:
        short.append(f"it takes {figures['cpu_pct']:.1f} % of a core, more than {MOST_CPU_PCT:g}")
    if figures["log_mb most"] > MOST_LOG_MB:
        short.append(f"the store's log grew to {figures['log_mb most']:.1f} MB, more than {MOST_LOG_MB:g}")
    # What comes and goes with a request, or is loaded with the first notice, says nothing about hours.
    if minutes >= 60.0:
        if figures["resident_mb an hour"] > MOST_MB_AN_HOUR:
            short.append(
                f"memory rises by {figures['resident_mb an hour']:.1f} MB an hour, {MOST_MB_AN_HOUR:g} allowed"
            )
        for name in ("handles", "threads"):
            if figures[f"{name} last"] > figures[f"{name} first"] + 2:
                short.append(f"{name} rose from {figures[f'{name} first']:.0f} to {figures[f'{name} last']:.0f}")
        if figures["bytes_a_further_reading"] > MOST_BYTES_A_READING:
            short.append(f"the file grows by {figures['bytes_a_further_reading']:.1f} bytes a reading")
    return short


# -- the curves -------------------------------------------------------------------------------------------------

PANELS: Final = (
    ("resident memory, MB", ("resident_mb",)),
    ("handles, threads", ("handles", "threads")),
    ("store in the page cache, MB", ("page_cache_mb",)),
    ("store, and its log, MB", ("file_mb", "log_mb")),
)
LEFT, WIDE, HIGH, GAP, TOP = 64.0, 660.0, 110.0, 44.0, 56.0


def picture(curves: Curves, times: float) -> str:
    """The curves as an SVG drawing, one above the other, each from nought."""
    parts = [draw.words_at(LEFT, 26, f"Left alone at {times:g} times the usual rate", size=16)]
    last = max(curves.minutes[-1], 1e-9)
    for k, (label, names) in enumerate(PANELS):
        top = TOP + k * (HIGH + GAP)
        most = max(1e-9, *(max(getattr(curves, name)) for name in names))
        marks = draw.ticks(0.0, most, 4) if most <= 2000 else [0.0]

        def y(value: float, top: float = top, most: float = most) -> float:
            return top + HIGH * (1.0 - value / (1.1 * most))

        parts.append(draw.words_at(LEFT, top - 6, label))
        for mark in marks:
            parts.append(draw.stroke(LEFT, y(mark), LEFT + WIDE, y(mark), draw.PALE))
            parts.append(draw.words_at(LEFT - 6, y(mark) + 4, f"{mark:g}", anchor="end", size=11))
        for index, name in enumerate(names):
            points = [
                (LEFT + WIDE * m / last, y(v)) for m, v in zip(curves.minutes, getattr(curves, name), strict=True)
            ]
            dash = ' stroke-dasharray="4 3"' if index else ""
            parts.append(f'<path d="{draw.path(points)}" fill="none" stroke="{draw.INK}"{dash}/>')
    bottom = TOP + len(PANELS) * (HIGH + GAP) - GAP
    for mark in draw.ticks(0.0, last, 8) if last > 1 else [0.0]:
        parts.append(draw.words_at(LEFT + WIDE * mark / last, bottom + 18, f"{mark:g}", anchor="middle", size=11))
    parts.append(draw.words_at(LEFT + WIDE, bottom + 34, "minutes", anchor="end"))
    text = f"{curves.readings[-1]:.0f} readings in {last:.0f} minutes. " + ". ".join(
        f"{name.replace('_', ' ')}: {getattr(curves, name)[0]:.1f} at first, {getattr(curves, name)[-1]:.1f} at last"
        for _, names in PANELS
        for name in names
    )
    return draw.document("Curves of a service left alone", text, bottom + 48, parts)
