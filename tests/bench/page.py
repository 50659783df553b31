"""The page of a large room: how soon, how large, what memory it takes, and that ten telephones delay no round.

64 probes in 64 boxes of six stacks, a reading of each every ten seconds, a season of them behind it, 48 lots. The real
command runs against a real broker, first without ``[page]``, then with it; between the two lies nothing but the page.
The page's app runs once more as a process of its own, which serves one snapshot, to tell what a thread of the service
costs and what a process would.

Rounds are closer to each other than usual, so that more of them are looked at. What takes in is timed by a reading that
is committed at once, since it lies near a limit: from its sending until another program finds it in the store.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from monitor.adapters.store import Store
from monitor.config.library import load_profile
from monitor.core.notices.snapshot import Service, no_course
from monitor.derived.room import Derived
from tests.bench import Figures
from tests.bench.footprint import process_facts, service, unit_environment
from tests.bench.page_room import (
    BOXES,
    CLUTCHES,
    EVERY_S,
    STACKS,
    LargeRoom,
    PageAnswer,
    ask,
    box_of,
    middle_c,
    watching,
)
from tests.bench.process import Beat, Publisher, until
from tests.peers import PROJECT, answers, free_port, mosquitto, wait_for

MOST_BYTES: Final = 100 * 1024
MOST_MB: Final = 100.0
MOST_FIRST_S: Final = 1.0
"""Of a page that is opened in the morning. Judgement, no source."""
ROUND_S: Final = 8.0
MOST_RATIO: Final = 1.5
LATE_S: Final = 1.0
PAGES: Final[dict[str, Callable[[int], str]]] = {
    "the room": lambda _: "/",
    "a box's season": lambda n: f"/box/{box_of(n % (2 * CLUTCHES))}?span=season",
    "a box's day": lambda n: f"/box/{box_of(n % BOXES)}?span=day",
    "a stack": lambda n: f"/stack/stack{n % STACKS}",
    "the probes": lambda _: "/probes",
    "the API's boxes": lambda _: "/api/boxes",
}


@dataclass
class PageFigures:
    """What was found, and what falls short."""

    figures: dict[str, float | int | str | bool | None] = field(default_factory=dict)
    short: list[str] = field(default_factory=list)

    def at_most(self, name: str, value: float, most: float) -> None:
        self.figures[name] = value
        if value > most:
            self.short.append(f"{name} is {value:.4g}, more than {most:.4g}")

    def pages(self, port: int, requests: int, pid: int) -> None:
        """Each page so many times: time to its first byte, its size, and the memory that is taken afterwards."""
        for name, path in PAGES.items():
            found = asked(port, path, requests)
            refused = sorted({a.status for a in found if a.status != 200})
            if refused:
                self.short.append(f"{name}: answered with {refused}")
            first = [a.first_s * 1000 for a in found]
            self.figures[f"{name}: first byte, median_ms"] = statistics.median(first)
            self.at_most(f"{name}: first byte, 99 pct_ms", float(np.quantile(first, 0.99)), MOST_FIRST_S * 1000)
            self.at_most(f"{name}: bytes", max(len(a.body) for a in found), MOST_BYTES)
            self.figures[f"{name}: resident afterwards_mb"] = process_facts(pid)["resident_mb"]

    def memory(self, name: str, pid: int) -> float:
        """Resident, and its share of what several programs have in common, in MB; the resident."""
        resident_mb = process_facts(pid)["resident_mb"]
        self.figures |= {f"{name}: resident_mb": resident_mb, f"{name}: pss_mb": pss_mb(pid)}
        return resident_mb


def asked(port: int, path: Callable[[int], str], requests: int) -> list[PageAnswer]:
    """Each request from another address of this computer: nobody asks so often alone."""
    return [ask(port, path(n), f"127.0.0.{2 + n % 40}") for n in range(requests)]


def pss_mb(pid: int) -> float:
    """The proportional set size (proc(5)) in MB."""
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024


@dataclass
class Watched:
    """A running service whose rounds and taking in are looked at."""

    rounds: Path
    file: Path
    publisher: Publisher

    def lag_s(self) -> float:
        """From sending a reading until it stands in the store."""
        with Store(self.file.parent, create=False) as store:
            number = store.probes.known(f"{box_of(0)}-warmth")

            def newest() -> int:
                waiting = store.batches.now()
                return int(waiting.seq[waiting.probe == number].max(initial=0))

            before, began = newest(), time.monotonic()
            self.publisher.publish("room/0", f"{middle_c(0) + 0.7:.2f}")
            if not until(lambda: newest() > before, 60.0, 0.005):
                raise AssertionError("a reading was not taken in within a minute")
            return time.monotonic() - began

    def ended(self, from_s: float) -> list[tuple[float, float]]:
        """(when it began, how long it took) of the rounds that began since then and have ended."""
        if not self.rounds.exists():
            return []
        lines = [line.split() for line in self.rounds.read_text().splitlines()]
        return [(float(at), float(took)) for at, took in lines if float(at) >= from_s]

    def look(self, rounds: int) -> tuple[list[float], list[float], list[float]]:
        """For so many rounds: how long they took, how far apart they began, and lags of taking in meanwhile."""
        began, lags = time.monotonic(), []
        while len(found := self.ended(began)) < rounds:
            if time.monotonic() > began + rounds * 60.0:
                raise AssertionError("there were no rounds")
            lags.append(self.lag_s())
            time.sleep(0.7)
        at = [x for x, _ in found]
        return [took for _, took in found], np.diff(at).tolist(), lags


@contextlib.contextmanager
def running(room: LargeRoom, page: int | None) -> Iterator[tuple[int, Watched, float]]:
    """The service, its probes reporting; its process, what looks at it, and how long its start took (s)."""
    rounds = room.folder / f"rounds-{page or 0}"
    with Publisher(room.broker) as publisher:

        def send(_: int) -> None:
            for n in range(1, BOXES):
                publisher.publish(f"room/{n}", f"{middle_c(n):.2f}")

        usec = str(round(ROUND_S / 0.4 * 1e6))
        command = ("tests.bench.told_rounds", str(rounds))
        with (
            service(room.config(page), room.folder, *command, WATCHDOG_USEC=usec) as (process, start_s),
            Beat(send, EVERY_S),
        ):
            with Store(room.folder / "data") as store:
                file = Path(store.db.path)
            yield process.pid, Watched(rounds, file, publisher), start_s


@contextlib.contextmanager
def alone(room: LargeRoom, page: int) -> Iterator[int]:
    """The page as a process of its own, with one snapshot."""
    settings = room.settings(page)
    with Store(settings.data_dir) as store:
        derived = Derived(store, settings, load_profile)
        now = room.now_ms
        derived.follow(now)
        snapshot = derived.snapshot(now, Service(started_ms=now))
    handed = room.folder / "handed"
    # Where a box is heading is worked out when it is asked for, and cannot be handed on.
    boxes = tuple(replace(box, estimate=no_course) for box in snapshot.boxes)
    handed.write_bytes(pickle.dumps((settings, replace(snapshot, boxes=boxes))))
    command = [sys.executable, "-m", "tests.bench.page_alone", str(handed)]
    environ = {**os.environ, **unit_environment()}
    with subprocess.Popen(command, env=environ, cwd=PROJECT, stdin=subprocess.PIPE) as process:
        try:
            wait_for(lambda: answers(page), "the page alone to answer")
            yield process.pid
        finally:
            process.terminate()


def _rounds(found: PageFigures, watched: Watched, page: int, phones: int, rounds: int) -> None:
    """Rounds and lags with nobody and with everybody watching, by turns."""
    seen: dict[str, tuple[list[float], list[float], list[float]]] = {n: ([], [], []) for n in ("nobody", "all")}
    fetched: list[float] = []
    for _ in range(2):
        for name, some in (("nobody", 0), ("all", phones)):
            with watching(page, some) as there:
                for whole, part in zip(seen[name], watched.look(rounds), strict=True):
                    whole.extend(part)
            fetched += [s for phone in there for s in phone.fetched]
            found.short += [f"a telephone: {text}" for phone in there for text in phone.failed]
    found.figures |= {"telephones": phones, "rooms fetched by them": len(fetched)}
    if fetched:
        found.figures["first byte for them, median_ms"] = 1000 * statistics.median(fetched)
    if phones and len(fetched) < phones:
        found.short.append("telephones did not hear of rounds")
    for n, what in enumerate(("a round takes", "from round to round", "from sending to the store")):
        few, all_ = seen["nobody"][n], seen["all"][n]
        for name, values in ((f"{what}, nobody watching", few), (f"{what}, all watching", all_)):
            found.figures |= {f"{name}: median_s": statistics.median(values), f"{name}: worst_s": max(values)}
        if statistics.median(all_) > MOST_RATIO * statistics.median(few) + 0.1:
            found.short.append(
                f"{what}: the median is {statistics.median(all_):.2f} s, not {statistics.median(few):.2f}"
            )
        if max(all_) > MOST_RATIO * max(few) + LATE_S:
            found.short.append(f"{what}: the worst is {max(all_):.2f} s, not {max(few):.2f}")
    found.figures["rounds looked at"] = len(seen["nobody"][0]) + len(seen["all"][0])


def measure(days: int = 120, requests: int = 40, phones: int = 10, rounds: int = 4, more: int = 200) -> Figures:
    """``days`` of readings; each page ``requests`` times, then ``more`` by turns; twice ``rounds`` each way."""
    found = PageFigures()
    load_before = os.getloadavg()[0]
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name) / "broker") as broker:
        room = LargeRoom(Path(name), broker.port, days)
        began = time.monotonic()
        found.figures |= {"days": days, "readings": room.fill()}
        room.sum_up()
        found.figures["fill_s"] = time.monotonic() - began
        with running(room, None) as (pid, watched, start_s):
            found.figures["without the page: start_s"] = start_s
            watched.look(rounds)
            without_mb = found.memory("without the page", pid)
        page = free_port()
        with running(room, page) as (pid, watched, start_s):
            found.figures["with the page: start_s"] = start_s
            watched.look(rounds)
            before_mb = found.memory("with the page, nobody asked", pid)
            found.pages(page, requests, pid)
            asked(page, lambda n: [*PAGES.values()][n % len(PAGES)](n), more)
            after_mb = found.memory(f"with the page, after {more} more", pid)
            _rounds(found, watched, page, phones, rounds)
        found.figures["the page's own part: resident_mb"] = before_mb - without_mb
        found.figures["what asking added: resident_mb"] = after_mb - before_mb
        if after_mb > MOST_MB:
            found.short.append(
                f"the service has {after_mb:.0f} MB with its page, more than {MOST_MB:.0f}: {without_mb:.0f} of them "
                f"without a page, {before_mb - without_mb:.0f} for the page, {after_mb - before_mb:.0f} when asked"
            )
        alone_port = free_port()
        with alone(room, alone_port) as pid:
            found.memory("a process of its own, nobody asked", pid)
            for page_name, path in PAGES.items():
                first = [a.first_s * 1000 for a in asked(alone_port, path, requests)]
                found.figures[f"a process of its own, {page_name}: first byte, median_ms"] = statistics.median(first)
            found.memory("a process of its own, asked", pid)
    found.figures["load of the computer, before and after"] = f"{load_before:.1f}, {os.getloadavg()[0]:.1f}"
    return Figures(
        found.figures,
        found.short,
        [
            f"rounds every {ROUND_S:g} s instead of fifteen; each request by a connection of its own",
            f"{os.cpu_count()} cores; times are by the clock, and whatever else the computer does is in them",
            "memory: before the first page is asked for, the service has run as long as it did without the page",
        ],
    )
