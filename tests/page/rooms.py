"""A room behind its pages, for tests: the store of a small room, one whole round of it, and a client."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
from starlette.applications import Starlette
from starlette.testclient import TestClient

from monitor.adapters.people import PeopleFile
from monitor.adapters.store import Store
from monitor.config.library import load_profile
from monitor.config.room_file import load
from monitor.core.notices.snapshot import Service, Snapshot
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.people import Right
from monitor.core.terms.settings import Box, Broker, Channel, DisplayUnit, Limits, Probe, Room, Settings
from monitor.core.terms.times import DAY_MS, HOUR_MS, MINUTE_MS
from monitor.derived.room import Derived
from monitor.page.app import build
from monitor.page.room import LatestRound, PageRoom
from tests.bench.commands import _keep, _look, small_room

PHRASE = "violin quiet harbour two"
SPECIES = "natrix-natrix"
DAYS = 10
LONG = ("rack-by-the-window-", "w" * 60)
"""How names of 60 signs begin that could break, and one that nowhere can."""
NOW_MS = 1_780_293_600_000
"""1 June 2026, 06:00 UTC."""
HOUR_S = 3600.0


def of_60(start: str, number: int) -> str:
    """A name of 60 signs."""
    return f"{start}{'of-the-long-shelf-' * 4}"[:58] + f"-{number}"


class Browser(TestClient):
    """A client that sends forms as a page does: with the key that belongs to its cookie, unless another is given."""

    def form_key(self) -> str:
        doors = self.app.state.doors  # type: ignore[attr-defined]
        cookies = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        ticket = doors.tickets.read(cookies, doors.pages.room.now_ms())
        if ticket is None:
            assert self.get("/enter").cookies
            return self.form_key()
        return str(doors.tickets.form_key(ticket))

    def post(self, url: Any, *, data: Any = None, **more: Any) -> Any:
        """A form; what is no form is sent as it is."""
        if not more.keys() & {"json", "content"}:
            data = {"form_key": self.form_key(), **(data or {})}
        return super().post(url, data=data, **more)


@dataclass
class ShownRoom:
    """``clock_ms`` is the clock of the pages; :meth:`round` makes a round as the service does."""

    settings: Settings
    latest: LatestRound
    clock_ms: int

    @classmethod
    def small(cls, folder: Path, now_ms: int = NOW_MS, *, days: int = 30) -> ShownRoom:
        """Two stacks, four boxes, two clutches about to pip, and a box that has become too warm."""
        config = small_room(folder, 9, days, now_ms)
        shown = cls(load(config, data_dir=folder / "data"), LatestRound(), now_ms)
        shown.round()
        return shown

    @classmethod
    def made(
        cls,
        folder: Path,
        stacks: Mapping[str, Sequence[str]],
        clutches: Sequence[str] = (),
        *,
        name: str = "Egg room",
        unit: DisplayUnit = "C",
        silent_days: int = 0,
    ) -> ShownRoom:
        """A room of these boxes by stack, from the top, with a reading an hour until so many days ago; one of them has
        become too warm. Each clutch lies in two boxes, one after the other. Without clutches nothing was ever heard."""
        boxes = [Box(b, s, 180.0 - 14.0 * n) for s, names in stacks.items() for n, b in enumerate(names)]
        probes = tuple(Probe(f"{b.id[:58]}-t", f"room/{b.id}", interval_s=HOUR_S, quiet_after_s=3 * HOUR_S, box=b.id) for b in boxes)  # fmt: skip  # noqa: E501
        room = Room(name, "Europe/Vienna", unit, tuple(stacks), tuple(boxes), probes, Limits(31.0, 25.0))
        channels = (Channel("hook", "json://127.0.0.1:9/hook"),)
        settings = Settings(room, Broker(), channels, data_dir=str(folder / "data"))
        shown = cls(settings, LatestRound(), NOW_MS)
        with Store(settings.data_dir) as store:
            store.make_all()
            if clutches:
                shown._heard(store, NOW_MS - silent_days * DAY_MS)
                shown._laid(store, clutches, [b.id for b in boxes])
            _look(store, settings, NOW_MS, 30 * MINUTE_MS)
        shown.round()
        return shown

    def _heard(self, store: Store, until_ms: int) -> None:
        rng = np.random.default_rng(20_260_601)
        at = np.arange(NOW_MS - DAYS * DAY_MS, until_ms, HOUR_MS, dtype=np.int64)
        for n, probe in enumerate(self.settings.room.probes):
            values = 28.0 - 0.05 * n + 0.3 * np.sin(2.0 * np.pi * (at % DAY_MS) / DAY_MS) + rng.normal(0, 0.03, len(at))
            if n == 0:
                values += np.interp(at, [until_ms - 4 * HOUR_MS, until_ms - 2 * HOUR_MS], [0.0, 4.2])
            _keep(store, probe.id, at, values.round(2), NOW_MS)

    def _laid(self, store: Store, clutches: Iterable[str], boxes: Sequence[str]) -> None:
        laid_ms = NOW_MS - DAYS * DAY_MS
        for n, clutch in enumerate(clutches):
            entry = KeeperEvent(EventKind.LAID, clutch, laid_ms, laid_ms, species=SPECIES, eggs=12, developed=0.6)
            store.account.tell(entry)
            for box in (boxes[2 * n % len(boxes)], boxes[(2 * n + 1) % len(boxes)]):
                set_ms = laid_ms + HOUR_MS
                store.account.tell(KeeperEvent(EventKind.SET, clutch, set_ms, set_ms, box=box, eggs=6))

    @classmethod
    def usual(cls, folder: Path) -> ShownRoom:
        """Like the small one, made without commands."""
        return cls.made(folder, {s: [f"{s}-upper", f"{s}-lower"] for s in ("left", "right")}, ["K01", "K02"])

    @classmethod
    def many(cls, folder: Path) -> ShownRoom:
        """64 boxes in 6 stacks, with 32 clutches."""
        stacks = {f"stack-{s}": [f"s{s}-{n:02d}" for n in range(11 if s < 5 else 10)] for s in range(1, 7)}
        return cls.made(folder, stacks, [f"K{n:02d}" for n in range(1, 33)])

    @classmethod
    def long(cls, folder: Path) -> ShownRoom:
        """All names have 60 signs; in Fahrenheit."""
        stacks = {of_60(start, 9): [of_60(start, n) for n in (1, 2)] for start in LONG}
        return cls.made(folder, stacks, [of_60("clutch-", 1), "M" * 60], name="Room " + "n" * 55, unit="F")

    @classmethod
    def silent(cls, folder: Path) -> ShownRoom:
        """Nothing has been heard for four days."""
        return cls.made(folder, {"left": ["upper", "lower"]}, ["K01"], silent_days=4)

    @classmethod
    def empty(cls, folder: Path) -> ShownRoom:
        """Nothing was ever heard, entered or told."""
        return cls.made(folder, {"left": ["upper", "lower"]})

    @classmethod
    def new(cls, folder: Path) -> ShownRoom:
        """Before the first round."""
        shown = cls.empty(folder)
        shown.latest = LatestRound()
        return shown

    def copied(self, folder: Path) -> ShownRoom:
        """The same room with a store of its own, and the same newest round: to make one takes seconds."""
        data = shutil.copytree(self.settings.data_dir, folder / "data")
        copy = ShownRoom(replace(self.settings, data_dir=str(data)), LatestRound(), self.clock_ms)
        if self.latest.snapshot is not None:
            copy.latest.see(self.latest.snapshot)
        return copy

    def round(self) -> Snapshot:
        with Store(self.settings.data_dir) as store:
            derived = Derived(store, self.settings, lambda name: load_profile(name, self.settings.profiles_dir))
            derived.follow(self.clock_ms)
            snapshot = derived.snapshot(self.clock_ms, Service(self.clock_ms - DAY_MS))
        self.latest.see(snapshot)
        return snapshot

    def app(self, language: str = "en") -> Starlette:
        return build(PageRoom(self.settings, lambda: self.clock_ms, self.latest, waits_s=0), language=language)

    def text(self, path: str) -> str:
        """What a page says, which is never large."""
        answer = self.client().get(path)
        assert answer.status_code == 200
        assert len(answer.content) < 100_000
        return unescape(answer.text)

    def client(self, language: str = "en") -> Browser:
        return Browser(self.app(language), base_url="http://localhost", raise_server_exceptions=False)

    def visitor(self, name: str, may: Right) -> Browser:
        """Somebody who was entered and has signed in."""
        PeopleFile(self.settings.data_dir).add(name, may, None, PHRASE, self.clock_ms)
        client = self.client()
        assert client.post("/enter", data={"name": name, "passphrase": PHRASE}).status_code == 200
        return client


def told(folder: Path, *words: str) -> str:
    """What a command says of the room in a folder."""
    done = subprocess.run(
        [sys.executable, "-m", "monitor", *words],
        env={"WARMTALLY_CONFIG": str(folder / "room.toml"), "PATH": "/usr/bin:/bin"},
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout
