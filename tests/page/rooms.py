"""A room behind its pages, for tests: the store of a small room, one whole round of it, and a client."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.testclient import TestClient

from monitor.adapters.people import PeopleFile
from monitor.adapters.store import Store
from monitor.config.library import load_profile
from monitor.config.room_file import load
from monitor.core.notices.snapshot import Service, Snapshot
from monitor.core.terms.people import Right
from monitor.core.terms.settings import Settings
from monitor.core.terms.times import DAY_MS
from monitor.derived.room import Derived
from monitor.page.app import build
from monitor.page.room import LatestRound, PageRoom
from tests.bench.commands import small_room

PHRASE = "violin quiet harbour two"
NOW_MS = 1_780_293_600_000
"""1 June 2026, 06:00 UTC."""


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
