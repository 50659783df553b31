"""A probe that reports ten times a second, for hours, beside others: all is stored, what is held and judged is bounded,
and nothing that the limits ask for is lost."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.store import Columns, Store
from monitor.config.library import load_profile
from monitor.core.notices.evaluation import evaluate
from monitor.core.notices.kinds import all_kinds
from monitor.core.notices.snapshot import Service
from monitor.core.readings.thinning import MOST_IN_SLOT, SLOT_MS
from monitor.core.terms.events import EventKind, Flag, KeeperEvent, Reading
from monitor.core.terms.settings import Box, Broker, Limits, Probe, Room, Settings
from monitor.core.terms.times import HOUR_MS
from monitor.derived.room import Derived
from tests.core.lots import past_of
from tests.oracles.sums import integrate_rate

SPECIES = "elaphe-taeniura"
START = round(datetime(2026, 5, 1, 7, tzinfo=UTC).timestamp() * 1000)
BOXES = tuple(Box(f"b{k}", "left", 60.0 + 30.0 * k) for k in range(4))
PROBES = tuple(Probe(f"p{k}", f"t/{k}", box=f"b{k}", interval_s=10, quiet_after_s=600) for k in range(4))
ROOM = Room("room", "Europe/Vienna", "C", ("left",), BOXES, PROBES, Limits(31.0, 25.0))
HOURS = 5


def told(seed: int, per_s: float, hours: float = HOURS, from_ms: int = START) -> Columns:
    """Noise on a slow wave, and one single reading each hour far above it."""
    dice = np.random.default_rng(seed)
    at = np.arange(from_ms, from_ms + round(hours * HOUR_MS), round(1000 / per_s), dtype=np.int64)
    value = np.round(28.0 + np.sin(at / 4e6) + dice.normal(0.0, 0.02, len(at)), 2)
    value[dice.choice(len(at), max(round(hours), 1), replace=False)] += 2.5
    n = len(at)
    return Columns(at, value, at + 5, np.ones(n, np.uint8), np.ones(n, bool), ("",) * n)


def readings(probe: str, c: Columns) -> list[Reading]:
    return [
        Reading(probe, int(at), float(value), int(received), Flag.GOOD, timed=True)
        for at, value, received in zip(c.at, c.value, c.received, strict=True)
    ]


class FastRoom:
    """Four probes, of which the first reports so often a second."""

    def __init__(self, folder: Path, per_s: float) -> None:
        self.store = Store(folder)
        self.store.db.connection.execute("PRAGMA synchronous=OFF")
        self.fast = told(1, per_s)
        self.normal = {f"p{k}": told(1 + k, 0.1) for k in (1, 2, 3)}
        self.now = START + HOURS * HOUR_MS
        self.store.folding.bulk("p0", self.fast)
        for probe, columns in self.normal.items():
            self.store.folding.bulk(probe, columns)
        for kind, more in ((EventKind.LAID, {"species": SPECIES}), (EventKind.SET, {"box": "b1"})):
            self.store.account.tell(KeeperEvent(kind, "K01", START, START, eggs=6, **more))  # type: ignore[arg-type]

    def derived(self) -> Derived:
        return Derived(self.store, Settings(ROOM, Broker()), load_profile)


@pytest.fixture
def fast(tmp_path: Path) -> Iterator[FastRoom]:
    made = FastRoom(tmp_path, 10.0)
    yield made
    made.store.close()


def held(derived: Derived) -> dict[str, int]:
    return {name: len(derived.readings.recent(name)) for name in derived.readings._recent}


def test_all_is_stored_and_what_is_held_is_bounded(fast: FastRoom) -> None:
    assert fast.store.readings.counts()["p0"] == len(fast.fast) == HOURS * 36_000
    derived = fast.derived()
    tracemalloc.start()
    derived.follow(fast.now)
    now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    slots = HOURS * HOUR_MS // SLOT_MS
    assert held(derived)["p0"] <= MOST_IN_SLOT * slots
    assert all(n == slots for name, n in held(derived).items() if name != "p0")
    # Of 180 000 readings, each of 34 bytes, what stays is less than a fifth, and less than all was there at once.
    assert now < 180_000 * 34 * 0.2
    assert peak < 180_000 * 34 * 3


def test_each_extreme_of_each_slot_survives(fast: FastRoom) -> None:
    derived = fast.derived()
    derived.follow(fast.now)
    recent = derived.readings.recent("p0")
    for pick in (np.min, np.max):
        before, after = (
            {int(s): float(pick(c.value[c.at // SLOT_MS == s])) for s in np.unique(c.at // SLOT_MS)[::20]}
            for c in (fast.fast, recent)
        )
        assert before == after
    assert np.count_nonzero(recent.value >= 30.5) == np.count_nonzero(fast.fast.value >= 30.5) > 0


def test_what_comes_bit_by_bit_is_held_as_what_was_there_at_the_start(fast: FastRoom) -> None:
    running = fast.derived()
    running.follow(fast.now)
    more = told(9, 10.0, 0.3, fast.now)
    came = readings("p0", more)
    dice = np.random.default_rng(3)
    dice.shuffle(came)
    for part in np.array_split(np.arange(len(came)), 23):
        fast.store.journal.ingest([came[i] for i in part])
        running.follow(fast.now + HOUR_MS // 3)
    fresh = fast.derived()
    fresh.follow(fast.now + HOUR_MS // 3)
    a, b = running.readings.recent("p0"), fresh.readings.recent("p0")
    b = b.take(np.flatnonzero(b.at >= running.readings.recent_from))
    a = a.take(np.flatnonzero(a.at >= fresh.readings.recent_from))
    for x, y in ((a.at, b.at), (a.value, b.value), (a.received, b.received), (a.flag, b.flag)):
        np.testing.assert_array_equal(x, y)
    assert fast.store.readings.counts()["p0"] == len(fast.fast) + len(more)


def test_ordinary_probes_are_read_and_summed_as_ever(fast: FastRoom) -> None:
    names = list(fast.normal)
    whole = fast.store.readings.load(names, START, fast.now)
    sparse = fast.store.readings.sparse(names, START, fast.now)
    for name in names:
        np.testing.assert_array_equal(whole[name].at, sparse[name].at)
        np.testing.assert_array_equal(whole[name].value, sparse[name].value)
    derived = fast.derived()
    derived.follow(fast.now)
    derived.hours.refresh(fast.now)
    (lot,) = derived.lots(fast.now)
    c = fast.normal["p1"]
    curve = load_profile(SPECIES).curve()
    # The last ten seconds until now are not measured yet.
    assert past_of(lot).development == pytest.approx(integrate_rate(c.at, c.value, curve), abs=1e-5)
    table = derived.hours.table(BOXES[1], derived.book.of(SPECIES), START, int(c.at[-1]), fast.now)
    assert float(table.development.sum()) == pytest.approx(integrate_rate(c.at, c.value, curve), abs=1e-9)


def test_the_sum_over_a_fast_probe_is_that_of_its_readings_within_its_noise(fast: FastRoom) -> None:
    derived = fast.derived()
    derived.follow(fast.now)
    curve = load_profile(SPECIES).curve()
    to_ms = int(fast.fast.at[-1])
    table = derived.hours.table(BOXES[0], derived.book.of(SPECIES), START, to_ms, fast.now)
    assert float(table.development.sum()) == pytest.approx(
        integrate_rate(fast.fast.at, fast.fast.value, curve), rel=2e-4
    )


def judged(room: FastRoom) -> tuple[int, int, list[str]]:
    """How many readings, and how many samples, a round passes on; and what it tells."""
    derived = room.derived()
    derived.follow(room.now)
    snapshot = derived.snapshot(room.now, Service(START))
    samples = sum(len(look.samples) for kind in all_kinds() for look in kind.look(snapshot))
    readings = sum(len(p.heard.time_ms) for p in snapshot.probes if p.heard is not None)
    return readings, samples, sorted(n.kind for n in evaluate(snapshot).notices)


def test_a_round_passes_on_no_more_for_a_probe_that_is_ten_times_as_fast(tmp_path: Path) -> None:
    slow, quick = FastRoom(tmp_path / "slow", 2.0), FastRoom(tmp_path / "quick", 20.0)
    few, many = judged(slow), judged(quick)
    slow.store.close()
    quick.store.close()
    bound = (MOST_IN_SLOT + 3) * HOURS * HOUR_MS // SLOT_MS
    assert few[0] <= many[0] <= bound
    assert many[1] <= 3 * bound
    assert many[1] <= 1.5 * few[1]


def test_the_pace_is_told_for_the_hour_that_has_begun_and_not_in_its_first_minute(fast: FastRoom) -> None:
    assert fast.store.readings.paces(fast.now + 59_999) is None
    fast.store.journal.ingest(readings("p0", told(5, 10.0, 0.25, fast.now)))
    fast.store.journal.ingest(readings("p1", told(6, 0.1, 0.25, fast.now)))
    assert fast.store.readings.paces(fast.now + HOUR_MS // 4) == {"p0": 600.0, "p1": 6.0}
    derived = fast.derived()
    now = fast.now + HOUR_MS // 4
    derived.follow(now)
    paces = {p.probe.id: p.pace_per_min for p in derived.snapshot(now, Service(START)).probes}
    assert paces == {"p0": 600.0, "p1": 6.0, "p2": 0.0, "p3": 0.0}


def test_a_long_span_is_read_in_pieces_that_make_up_the_whole(fast: FastRoom, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.adapters.store.readings.PIECE_ROWS", 40_000)
    fast.store.journal.ingest(readings("p0", told(5, 10.0, 0.2, fast.now)))
    pieces = list(fast.store.readings.pieces("p0", START + 7, fast.now + HOUR_MS))
    assert len(pieces) == HOURS + 1
    assert max(map(len, pieces)) <= 40_000
    whole = fast.store.readings.load(["p0"], START + 7, fast.now + HOUR_MS)["p0"]
    np.testing.assert_array_equal(Columns.joined(pieces).at, whole.at)
    np.testing.assert_array_equal(Columns.joined(pieces).value, whole.value)
    assert list(fast.store.readings.pieces("nobody", 0, START)) == []
