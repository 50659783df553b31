"""What could not be read: floods of it stay small, what is told of them stays right, and nothing else pays for it."""

from __future__ import annotations

import random
import shutil
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from monitor.adapters.store import Quarantined, Store, unread
from monitor.adapters.store.database import FILE_NAME
from monitor.adapters.store.unread import ALL_BYTES, FIRST_BYTES, SOURCE_BYTES
from monitor.core.readings.decode import KEPT_BYTES
from monitor.core.terms.events import Reading
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import StoreFull

T0 = 1_780_000_000_000 // HOUR_MS * HOUR_MS
QUARTER_MS = 900_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        # A file whose every commit waits for the disk takes minutes for a flood, and nothing is asked of crashes here.
        opened.db.connection.execute("PRAGMA synchronous=OFF")
        yield opened


def junk(at_ms: int, size: int = 300, probe: str = "a", reason: str = "no JSON") -> Quarantined:
    return Quarantined(at_ms, f"room/{probe}", random.Random(at_ms).randbytes(size), reason, probe)


def file_bytes(store: Store) -> int:
    store.db.checkpoint()
    return (store.db.dir / FILE_NAME).stat().st_size


def kept(store: Store) -> dict[str, int]:
    """Bytes of payload of each probe that are there."""
    return dict(store.db.rows("SELECT probe, SUM(LENGTH(payload)) FROM quarantine GROUP BY probe"))


def books_balance(store: Store) -> None:
    """What is noted of each source is what is there."""
    size = unread._SIZE
    rows = store.db.rows(
        f"SELECT u.probe, u.kept, u.kept_first, TOTAL({size}), TOTAL(q.first * {size}) FROM unread u "
        "LEFT JOIN (SELECT *, probe p, topic t FROM quarantine) q ON q.p=u.probe AND q.t=u.topic "
        "GROUP BY u.probe, u.topic".replace("LENGTH(", "LENGTH(q.")
    )
    assert [(probe, n, first) for probe, n, first, _, _ in rows] == [
        (probe, n, first) for probe, _, _, n, first in rows
    ]


class Flood(NamedTuple):
    """One device's rubbish: so many messages of so many bytes, in batches, so many ms apart."""

    n: int
    size: tuple[int, int]
    batch: int
    every_ms: int


FLOODS = {
    "every ten seconds for a week": Flood(60_000, (300, 300), 200, 10_000),
    "empty ones": Flood(20_000, (0, 0), 100, 50),
    "the longest": Flood(300, (KEPT_BYTES, KEPT_BYTES), 20, 1000),
    "beyond the longest": Flood(40, (4 * KEPT_BYTES, 4 * KEPT_BYTES), 20, 1000),
    "a little more than a page": Flood(3000, (4070, 4200), 50, 100),
    "half a page and more": Flood(3000, (2060, 2200), 50, 100),
    "of every size": Flood(4000, (0, KEPT_BYTES), 40, 300),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", FLOODS)
def test_a_flood_from_one_device_stays_small_and_is_counted(store: Store, name: str) -> None:
    flood, rng, empty = FLOODS[name], random.Random(name), file_bytes(store)
    first: list[Quarantined] = []
    last: list[Quarantined] = []
    blob, at = rng.randbytes(4 * KEPT_BYTES), T0
    for start in range(0, flood.n, flood.batch):
        batch = []
        for _ in range(min(flood.batch, flood.n - start)):
            at += flood.every_ms
            size = rng.randint(*flood.size)
            batch.append(Quarantined(at, "room/a", blob[:size], "no JSON", "a"))
        store.journal.ingest([], batch)
        first, last = first or batch, batch
    # A row may take a page more than what is in it, and a batch is there before room is made for it.
    assert file_bytes(store) - empty < 3 * SOURCE_BYTES
    assert kept(store)["a"] <= SOURCE_BYTES
    (source,) = store.unread.sources()
    assert (source.n, source.first_ms, source.last_ms) == (flood.n, T0 + flood.every_ms, at)
    assert source.kept_bytes <= SOURCE_BYTES
    messages = store.unread.messages(10**6)
    # How it began and how it is now.
    if len(first[0].payload) < FIRST_BYTES / 2:
        assert messages[-1] == first[0]
    assert (messages[0].received_ms, messages[0].payload) == (at, last[-1].payload[:KEPT_BYTES])
    books_balance(store)
    # What is told: the number within the quarter hour, but for those of the ten seconds in which it begins.
    inside = QUARTER_MS // flood.every_ms + 1
    n, why = store.unread.since(at - QUARTER_MS, at)["a"]
    assert min(inside, flood.n) <= n <= min(inside + 10_000 // flood.every_ms, flood.n)
    assert why == "no JSON"
    if flood.every_ms >= 10_000:
        assert n == inside


def test_many_devices_at_once_share_one_bound_and_a_quiet_one_keeps_its_own(store: Store) -> None:
    empty = file_bytes(store)
    store.journal.ingest([], [junk(T0, probe="quiet", reason="mine")])
    for start in range(60):
        batch = [junk(T0 + start * 1000 + k, 20_000, f"p{k}") for k in range(60)]
        store.journal.ingest([], batch)
    assert file_bytes(store) - empty < 2 * ALL_BYTES
    assert sum(s.kept_bytes for s in store.unread.sources()) <= ALL_BYTES
    assert {s.probe: s.n for s in store.unread.sources()} == {f"p{k}": 60 for k in range(60)} | {"quiet": 1}
    assert [q.reason for q in store.unread.messages(10, "quiet")] == ["mine"]
    # Each still has its first and its newest.
    for k in range(60):
        mine = store.unread.messages(10**6, f"p{k}")
        assert (mine[-1].received_ms, mine[0].received_ms) == (T0 + k, T0 + 59_000 + k)
    books_balance(store)


def test_rubbish_takes_no_room_from_readings(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a disk that is nearly full it is counted and told, and none of it is written."""
    full = shutil.disk_usage(store.db.dir)._replace(free=unread.LEAVES_FREE - 1)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: full)
    store.journal.ingest([Reading("a", T0, 28.0, T0)], [junk(T0 + k) for k in range(5)])
    assert store.unread.messages() == []
    assert store.unread.since(T0, T0 + 5)["a"] == (5, "no JSON")
    assert store.readings.counts() == {"a": 1}
    monkeypatch.undo()
    store.journal.ingest([], [junk(T0 + 9)])
    assert [q.received_ms for q in store.unread.messages()] == [T0 + 9]
    assert store.unread.sources()[0].n == 6


@pytest.mark.slow
def test_where_no_room_is_left_rubbish_makes_room_for_readings_and_notices(store: Store) -> None:
    """Whatever bounds the file (here SQLite's own bound on its pages), and whatever the disk says of itself."""
    for start in range(60):
        store.journal.ingest([], [junk(T0 + start * 1000 + k, 20_000, f"p{k}") for k in range(60)])
    kept = sum(s.kept_bytes for s in store.unread.sources())
    assert kept > ALL_BYTES / 2
    pages = store.db.rows("PRAGMA page_count")[0][0]
    store.db.rows(f"PRAGMA max_page_count={pages}")
    stored, rng = 0, random.Random(1)

    def until_full() -> None:
        nonlocal stored
        while stored < 10**6:
            batch = [Reading("a", T0 + stored + k, rng.random(), rng.randrange(2**60)) for k in range(1000)]
            store.journal.ingest(batch, [junk(T0 + 10**6 + stored, 20_000)])
            stored += 1000

    with pytest.raises(StoreFull):
        until_full()
    assert store.readings.counts() == {"a": stored}
    # Of values and times of arrival that are all noise a reading takes less than 20 bytes.
    assert stored > kept / 40
    assert store.unread.messages() == []
    (mine,) = (s for s in store.unread.sources() if s.probe == "a")
    assert (mine.n, mine.kept_bytes) == (stored // 1000, 0)
    books_balance(store)


def steps_of(store: Store, since_ms: int) -> int:
    """Steps of the database's own machine that the round's question takes, in hundreds."""
    steps = Counter[str]()
    store.db.connection.set_progress_handler(lambda: steps.update(["a hundred"]), 100)
    store.unread.since(since_ms, since_ms + QUARTER_MS)
    store.db.connection.set_progress_handler(None, 0)
    return steps["a hundred"]


def test_what_a_round_asks_costs_the_same_after_weeks_of_rubbish(store: Store) -> None:
    def flood(from_ms: int, n: int) -> int:
        for start in range(0, n, 500):
            store.journal.ingest([], [junk(from_ms + (start + k) * 10_000, 30) for k in range(500)])
        return from_ms + n * 10_000

    now = flood(T0, 500)
    early = steps_of(store, now - QUARTER_MS)
    now = flood(now, 20_000)
    assert steps_of(store, now - QUARTER_MS) <= early + 1
    assert early < 20
    assert store.db.rows("SELECT COUNT(*) FROM unread_lately")[0][0] <= 361
    (plan,) = store.db.rows(
        "EXPLAIN QUERY PLAN SELECT probe, SUM(n) FROM unread_lately WHERE tens>=1 AND tens<=2 AND last_at>=3"
    )
    assert "USING PRIMARY KEY (tens>? AND tens<?)" in plan[3]


def test_a_clock_that_was_ahead_does_not_tell_of_rubbish_for_ever(store: Store) -> None:
    store.journal.ingest([], [junk(T0 + 400 * DAY_MS + k) for k in range(9)])
    assert store.unread.since(T0 - QUARTER_MS, T0) == {}
    store.journal.ingest([], [junk(T0)])
    assert store.unread.since(T0 - QUARTER_MS, T0 + 500 * DAY_MS)["a"][0] == 1


def test_the_newest_reason_of_a_probe_is_told(store: Store) -> None:
    store.journal.ingest([], [junk(T0, reason="old"), Quarantined(T0 + 1, "other", b"x", "new", "a")])
    store.journal.ingest([], [junk(T0 + 2, probe="", reason="no probe's")])
    assert store.unread.since(T0, T0 + 2) == {"a": (2, "new")}


@pytest.mark.parametrize("text", ["a\0b", "\ud800", "x" * 10**6, "ß" * 2000])
def test_a_reason_of_any_letters_and_length_is_kept_within_bounds(store: Store, text: str) -> None:
    store.journal.ingest([Reading("a", T0, 28.0, T0)], [junk(T0 + k, 10, reason=text) for k in range(3)])
    (source,) = store.unread.sources()
    assert source.n == len(store.unread.messages()) == 3
    assert 1 <= len(source.reason) <= unread.LONGEST_REASON
    books_balance(store)


def test_messages_of_several_probes_stand_in_the_order_in_which_they_came(store: Store) -> None:
    batch = [junk(T0 + k, 10, "abc"[k % 3]) for k in range(30)]
    store.journal.ingest([], batch)
    assert store.unread.messages() == batch[::-1]
    assert store.unread.messages(2, "b") == [batch[28], batch[25]]


def test_old_rubbish_is_forgotten_in_small_steps_and_the_books_balance(store: Store) -> None:
    for day in range(0, 900, 3):
        store.journal.ingest([], [junk(T0 + day * DAY_MS + k, 200, p) for k, p in enumerate("aab")])
    store.journal.ingest([], [junk(T0, 10, "gone")])
    now = T0 + 900 * DAY_MS
    assert store.forget(now, 3650).unread > 300
    assert min(q.received_ms for q in store.unread.messages(10**6)) >= now - 400 * DAY_MS
    assert {s.probe: s.n for s in store.unread.sources()} == {"a": 600, "b": 300}
    books_balance(store)
    assert store.forget(now, 3650).unread == 0
