"""Upkeep: what waits to be folded does not stay in memory after a round; old days are thinned a little at each."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.adapters.store.batches import LATELY_MS, SINGLE
from monitor.config.library import load_profile
from monitor.core.terms.events import Reading
from monitor.core.terms.settings import Broker, Calendar, Room, Settings
from monitor.core.terms.times import DAY_MS, HOUR_MS
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


def test_old_days_are_thinned_once_a_day_a_little_at_each_round(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    settings = Settings(Room("room", "UTC", "C", (), (), ()), Broker(), calendar=Calendar(thin_after_days=1000))
    now = T0 + 1010 * DAY_MS
    with Store(tmp_path) as store:
        upkeep = Upkeep(store, Derived(store, settings, load_profile), settings)
        store.journal.ingest([Reading("a", T0 + 60_000 * k, 28.0, T0 + 60_000 * k) for k in range(1440 * 3)])
        thin = store.thinning.thin
        monkeypatch.setattr(store.thinning, "thin", lambda now_ms, days, single: thin(now_ms, days, 0.0, single))

        def rows() -> int:
            return len(store.readings.load(["a"], 0, 2**60)["a"])

        for minute in range(10):
            upkeep.hourly(now + minute * 60_000)
        assert rows() == 1440 * 3, "not before it is ordered"
        upkeep.retention(now + 10 * 60_000)
        seen = []
        for minute in range(11, 30):
            upkeep.hourly(now + minute * 60_000)
            seen.append(rows())
        assert len(set(seen)) > 2, "a day at a round"
        # The first and the last day are parts of days; the newest stays.
        assert seen[-1] == 1440 * 3 - sum(1 for k in range(1440 * 3) if T0 + 60_000 * k < NEWEST) * 9 // 10
        assert store.readings.means_before_ms() == NEWEST
        upkeep.hourly(now + 2 * HOUR_MS)
        assert rows() == seen[-1]


NEWEST = (T0 + 60_000 * (1440 * 3 - 1)) // DAY_MS * DAY_MS
