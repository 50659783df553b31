"""Upkeep: what waits to be folded does not stay in memory after a round."""

from __future__ import annotations

from pathlib import Path

from monitor.adapters.store import Store
from monitor.adapters.store.batches import LATELY_MS, SINGLE
from monitor.config.library import load_profile
from monitor.core.terms.events import Reading
from monitor.core.terms.settings import Broker, Room, Settings
from monitor.derived.room import Derived
from monitor.service.upkeep import Upkeep

T0 = 1_777_615_200_000


def test_after_each_round_only_what_came_lately_is_in_memory(tmp_path: Path) -> None:
    settings = Settings(Room("room", "UTC", "C", (), (), ()), Broker())
    with Store(tmp_path) as store:
        upkeep = Upkeep(store, Derived(store, settings, load_profile), settings)
        upkeep.give_back(T0)
        for minute in range(40):
            now = T0 + minute * 60_000
            store.journal.ingest([Reading("a", now + 60 * k, 28.0, now + 60 * k) for k in range(1000)])
            assert len(store.batches.now()) == 1000 * (minute + 1)
            upkeep.give_back(now)
            assert SINGLE < store.batches.unpacked <= 1000 * (LATELY_MS / 60_000 + 1) * 8 / 7
