"""A large room for measurements of the page: its file, its season written into the store, and clients.

Six stacks, 64 boxes with a probe each and a reading every ten seconds, 24 clutches in two boxes each.
"""

from __future__ import annotations

import contextlib
import http.client
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from monitor.adapters.store import Columns, Store
from monitor.config.library import load_profile
from monitor.config.room_file import load
from monitor.core.terms.events import EventKind, Flag, KeeperEvent
from monitor.core.terms.settings import Settings
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.room import Derived
from tests.bench.evaluation import MIDDLE_C, SPECIES
from tests.bench.process import Table, now_ms, toml

EVERY_S: Final = 10.0
BOXES: Final = 64
STACKS: Final = 6
CLUTCHES: Final = 24
DRAWN: Final = 16
"""So many boxes have readings of their own; four each have the same."""
NEAR_C: Final = 0.5
HOST: Final = "127.0.0.1"


def box_of(number: int) -> str:
    return f"box{number:02}"


def middle_c(number: int) -> float:
    """Boxes of each species' warmth take turns."""
    return MIDDLE_C.get(SPECIES[number % 4], 21.0)


@dataclass(frozen=True)
class LargeRoom:
    """``days`` of readings behind it, up to ``now_ms``."""

    folder: Path
    broker: int
    days: int
    now_ms: int = field(default_factory=now_ms)

    def config(self, page: int | None = None, database: int | None = None) -> Path:
        """The room's file, with a page at a port or without, and with shipping to a database at another."""
        stacks: dict[int, list[Table]] = {}
        for n in range(BOXES):
            # A reading that is so near its limit is committed at once, so that it can be timed.
            limit = {"too_warm_c": middle_c(0) + 1.0} if n == 0 else {}
            stacks.setdefault(n % STACKS, []).append({"id": box_of(n), "height_cm": 20 + 15 * (n // STACKS), **limit})
        path = self.folder / ("room.toml" if page is None else "room-with-page.toml")
        token = self.folder / "token"
        token.write_text("not-a-real-token\n")
        token.chmod(0o600)
        shipping = {"url": f"http://{HOST}:{database}", "org": "room", "bucket": "readings", "token_file": "token"}
        path.write_text(
            toml(
                {
                    "room": {"name": "Large room", "time_zone": "UTC"},
                    "broker": {"host": HOST, "port": self.broker},
                    "limits": {"too_warm_c": 33.0, "too_cool_c": 15.0, "deadband_c": NEAR_C},
                    "stacks": [{"id": f"stack{s}", "boxes": boxes} for s, boxes in stacks.items()],
                    "probes": [
                        {"id": f"{box_of(n)}-warmth", "topic": f"room/{n}", "unit": "C", "box": box_of(n)}
                        | {"interval": EVERY_S, "quiet_after": 600}
                        for n in range(BOXES)
                    ],
                    **({} if page is None else {"page": {"listen": f"{HOST}:{page}"}}),
                    **({} if database is None else {"shipping": shipping}),
                }
            )
        )
        return path

    def settings(self, page: int | None = None) -> Settings:
        return load(self.config(page), data_dir=self.folder / "data")

    def fill(self) -> int:
        """Readings and clutches; how many readings."""
        n = round(self.days * 86_400 / EVERY_S)
        at = self.now_ms - 2000 - np.arange(n, dtype=np.int64)[::-1] * round(1000 * EVERY_S)
        daily = 0.4 * np.sin(2 * np.pi * at / DAY_MS)
        rng = np.random.default_rng(7)
        good, timed, tests = np.full(n, int(Flag.GOOD), np.uint8), np.zeros(n, bool), ("",) * n
        with Store(self.folder / "data", create=True) as store:
            for number in range(DRAWN):
                value = np.round(middle_c(number) + daily + 0.05 * rng.standard_normal(n), 2)
                whole = Columns(at, value, at, good, timed, tests)
                store.folding.bulk(f"{box_of(number)}-warmth", whole)
                for other in range(number + DRAWN, BOXES, DRAWN):
                    _copied(store, number, other, whole)
            self._eggs(store)
        return n * BOXES

    def _eggs(self, store: Store) -> None:
        """The first clutch is as old as the readings, the last a third of that; two boxes each, of one warmth."""
        for number in range(CLUTCHES):
            ago_ms = self.days * DAY_MS * (3 * CLUTCHES - 2 * number) // (3 * CLUTCHES)
            at_ms = self.now_ms - ago_ms + HOUR_MS
            block, place = divmod(number, 4)
            told = {"clutch": f"K{number:02}", "at_ms": at_ms, "recorded_ms": at_ms}
            store.account.tell(KeeperEvent(EventKind.LAID, species=SPECIES[place], eggs=12, **told))  # type: ignore[arg-type]
            for box in (8 * block + place, 8 * block + 4 + place):
                store.account.tell(KeeperEvent(EventKind.SET, box=box_of(box), eggs=6, **told))  # type: ignore[arg-type]

    def sum_up(self) -> None:
        """What the service would do once in its first hour."""
        settings = self.settings()
        with Store(settings.data_dir) as store:
            Derived(store, settings, load_profile).hours.refresh(self.now_ms)


def _copied(store: Store, drawn: int, other: int, whole: Columns) -> None:
    """The same readings for another box: to draw and compress each would take four times as long."""
    names = (f"{box_of(other)}-warmth", f"{box_of(drawn)}-warmth")
    store.folding.bulk(names[0], whole.part(len(whole) - 1, len(whole)))
    with store.db.write() as c:
        to, of = (c.execute("SELECT id FROM probe WHERE name = ?", (name,)).fetchone()[0] for name in names)
        c.execute(
            "INSERT OR REPLACE INTO chunk(probe, hour, hours, n, n_good, total, head, blob) "
            "SELECT ?, hour, hours, n, n_good, total, head, blob FROM chunk WHERE probe = ?",
            (to, of),
        )
        c.execute("INSERT OR IGNORE INTO dirty SELECT ?, hour FROM dirty WHERE probe = ?", (to, of))


@dataclass(frozen=True)
class PageAnswer:
    """An answer of the page; ``first_s``: until its first byte."""

    status: int
    body: bytes
    first_s: float
    headers: http.client.HTTPMessage


def ask(port: int, path: str, source: str = HOST, **headers: str) -> PageAnswer:
    """Ask for a page by a connection of its own."""
    connection = http.client.HTTPConnection(HOST, port, timeout=60, source_address=(source, 0))
    try:
        connection.connect()
        began = time.perf_counter()
        connection.request("GET", path, headers=headers)
        response = connection.getresponse()
        first_s = time.perf_counter() - began
        return PageAnswer(response.status, response.read(), first_s, response.headers)
    finally:
        connection.close()


class WatchingPhone(threading.Thread):
    """A telephone with the room open: it fetches it again after each round that it is told of."""

    def __init__(self, port: int, source: str) -> None:
        super().__init__(daemon=True)
        self._port, self._source = port, source
        self._stopped = threading.Event()
        self.fetched: list[float] = []
        self.failed: list[str] = []
        self.start()

    def run(self) -> None:
        line = http.client.HTTPConnection(HOST, self._port, timeout=30, source_address=(self._source, 0))
        with contextlib.closing(line):
            try:
                line.request("GET", "/live")
                stream = line.getresponse()
                if stream.status != 200:
                    self.failed.append(f"/live: {stream.status}")
                while not self._stopped.is_set() and (text := stream.readline()):
                    if text.strip() == b"event: round":
                        answer = ask(self._port, "/", self._source)
                        self.fetched.append(answer.first_s)
                        if answer.status != 200:
                            self.failed.append(f"/: {answer.status}")
            except OSError as error:
                self.failed.append(f"/live: {type(error).__name__}")

    def stop(self) -> None:
        """It ends with the next word that it hears."""
        self._stopped.set()


@contextlib.contextmanager
def watching(port: int, phones: int) -> Iterator[list[WatchingPhone]]:
    """So many telephones, each at an address of its own."""
    found = [WatchingPhone(port, f"127.0.1.{n + 1}") for n in range(phones)]
    try:
        yield found
    finally:
        for phone in found:
            phone.stop()
        for phone in found:
            phone.join(30)
