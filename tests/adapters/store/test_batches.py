"""What waits to be folded: little of it stays in memory, and it is told as if all of it did."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.store import InboxMark, Store
from monitor.adapters.store.batches import LATELY_MS, MOST_UNPACKED, SINGLE, PackedMarks, Unfolded, decode
from monitor.core.readings.arrivals import AGAIN_WITHIN
from monitor.core.terms.events import Reading
from monitor.core.terms.times import HOUR_MS

T0 = 1_777_615_200_000
NAMES = tuple("abcd")


def commit(dice: np.random.Generator, n: int, from_ms: int, to_ms: int, late_share: float = 0.05) -> list[Reading]:
    """Readings as they come: most of now, some late by hours, some with a time to come."""
    came = np.sort(dice.integers(from_ms, to_ms, n))
    late = np.where(dice.random(n) < late_share, dice.integers(-2 * HOUR_MS, HOUR_MS, n), 0)
    names = dice.choice(NAMES, n)
    return [
        Reading(str(name), int(at + off), float(k), int(at), timed=bool(off))
        for k, (name, at, off) in enumerate(zip(names, came, late, strict=True))
    ]


def same(a: Unfolded, b: Unfolded) -> bool:
    return all(np.array_equal(getattr(a, name), getattr(b, name)) for name in ("seq", "probe", "at", "value", "flag"))


@pytest.mark.parametrize("seed", range(4))
def test_whoever_gives_back_is_told_the_same_as_whoever_keeps_all(tmp_path: Path, seed: int) -> None:
    dice = np.random.default_rng(seed)
    with Store(tmp_path) as writer, Store(tmp_path) as keeps, Store(tmp_path) as gives:
        writer.db.connection.execute("PRAGMA synchronous=OFF")
        now = T0
        for _ in range(60):
            to_ms = now + int(dice.integers(10_000, 400_000))
            writer.journal.ingest(commit(dice, int(dice.integers(1, 3 * SINGLE)), now, to_ms))
            now = to_ms
            if dice.random() < 0.3:
                gives.batches.give_back(int(dice.choice([0, 300, MOST_UNPACKED])))
            span = sorted(now + int(dice.integers(-3 * HOUR_MS, HOUR_MS)) for _ in range(2))
            if dice.random() < 0.7:
                assert same(gives.batches.now(*span), keeps.batches.now(*span))
            if dice.random() < 0.3:
                assert gives.readings.paces(now) == keeps.readings.paces(now)
            if dice.random() < 0.2:
                seq = int(dice.integers(0, writer.journal.last_seq() + 1))
                assert gives.batches.held(seq) == int((keeps.batches.now().seq > seq).sum())
            if dice.random() < 0.1:
                writer.folding.fold(now)
        assert same(gives.batches.now(), keeps.batches.now())
        assert gives.readings.counts() == keeps.readings.counts()


@pytest.mark.parametrize("a_second", [1, 100])
def test_what_stays_in_memory_and_what_a_look_unpacks_is_bounded_whatever_the_rate(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, a_second: int
) -> None:
    """For most of an hour, looked at as the rounds do."""
    unpacked: list[int] = []

    def counting(blob: bytes) -> tuple[Unfolded, PackedMarks]:
        found = decode(blob)
        unpacked.append(len(found[0]))
        return found

    monkeypatch.setattr("monitor.adapters.store.batches.decode", counting)
    dice = np.random.default_rng(a_second)
    with Store(tmp_path) as store:
        store.db.connection.execute("PRAGMA synchronous=OFF")
        most, looks = 0, list[int]()
        for minute in range(0, 50, 5):
            from_ms = T0 + minute * 60_000
            store.journal.ingest(commit(dice, a_second * 300, from_ms, from_ms + 300_000, 0.0))
            unpacked.clear()
            paces = store.readings.paces(from_ms + 300_000)
            assert paces is not None
            assert sum(paces.values()) == pytest.approx(60 * a_second, rel=0.01)
            # Of ten minutes, and the rows that reach into them; the first time all that was not looked at before.
            looks.append(sum(unpacked))
            store.batches.give_back()
            most = max(most, store.batches.unpacked)
        assert max(looks) <= a_second * 1200
        lately = a_second * LATELY_MS // 1000
        # Up to an eighth more stays, so that not all is copied at each look.
        assert most <= min(lately, MOST_UNPACKED) * 8 / 7 + a_second * 60
        assert most <= MOST_UNPACKED * 8 / 7
        assert len(store.batches.now()) == a_second * 3000
        store.batches.give_back(0)
        assert store.batches.unpacked <= SINGLE


def test_folding_an_hour_of_many_packets_needs_little_more_than_their_bytes(tmp_path: Path) -> None:
    """As objects their marks alone were fifteen megabytes, in pieces that no later hour gave back."""
    packets = 60_000
    with Store(tmp_path) as store:
        store.db.connection.execute("PRAGMA synchronous=OFF")
        for first in range(0, packets, 1000):
            readings = [Reading("a", T0 + k, k / 8, T0 + k) for k in range(first, first + 1000)]
            store.journal.ingest(readings, [], [InboxMark(1 + k, b"%05d" % k) for k in range(first, first + 1000)])
        store.batches.give_back(0)
        tracemalloc.start()
        try:
            assert store.folding.fold(T0 + HOUR_MS) == packets
            assert tracemalloc.get_traced_memory()[1] < 350 * packets
            tracemalloc.reset_peak()
            inbox = store.journal.inbox()
            assert tracemalloc.get_traced_memory()[1] < 380 * AGAIN_WITHIN
        finally:
            tracemalloc.stop()
        assert list(inbox) == list(range(packets - AGAIN_WITHIN + 1, packets + 1))
        assert inbox[packets] == (packets, b"%05d" % (packets - 1))
