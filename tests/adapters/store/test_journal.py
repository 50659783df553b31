"""The journal: every reading as it came, and the marks of the packets that were stored with it."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.adapters.store import InboxMark, Store, batches, database
from monitor.adapters.store.batches import Unfolded
from monitor.core.readings.arrivals import AGAIN_WITHIN, DIGEST_BYTES
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.times import HOUR_MS
from monitor.errors import StoreCorrupt

T0 = 1_780_000_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        yield opened


@pytest.mark.parametrize("n", [0, 1, 49, 50, 51, 100, 130])
def test_a_batch_of_any_length_comes_back_in_its_order_with_all_that_was_told(store: Store, n: int) -> None:
    told = [
        Reading("ab"[k % 2], T0 - k, k / 7, T0 + k, list(Flag)[k % 5], "step" if k % 3 else "", bool(k % 2))
        for k in range(n)
    ]
    store.journal.ingest(told)
    assert [r for _, r in store.journal.since(0)] == told
    assert [s for s, _ in store.journal.since(0)] == list(range(1, n + 1))
    assert store.journal.last_seq() == n


def test_what_is_new_is_what_came_after_a_place_as_much_as_is_asked_for(store: Store) -> None:
    store.journal.ingest([Reading("a", T0 + k, float(k), T0) for k in range(10)])
    assert [s for s, _ in store.journal.since(4)] == [5, 6, 7, 8, 9, 10]
    assert [s for s, _ in store.journal.since(4, 2)] == [5, 6]
    assert store.journal.since(10) == []
    store.folding.fold(T0 + 10**8)
    assert (store.journal.since(0), store.journal.last_seq()) == ([], 10)
    store.journal.ingest([Reading("a", T0 + 10**9, 0.0, T0)])
    assert store.journal.last_seq() == 11, "a place is never given twice"


def test_marks_are_numbered_on_in_the_order_of_coming_and_one_that_comes_again_is_the_newest(store: Store) -> None:
    store.journal.ingest([], [], [InboxMark(7, b"a"), InboxMark(3, b"b")])
    store.journal.ingest([], [], [InboxMark(9, b"c"), InboxMark(7, b"d")])
    assert store.journal.inbox() == {3: (2, b"b"), 9: (3, b"c"), 7: (4, b"d")}


def test_a_mark_is_forgotten_when_one_like_it_is_another_message_s(store: Store) -> None:
    """The same bound as where a packet that comes again is known (``AGAIN_WITHIN`` packets)."""
    store.journal.ingest([], [], [InboxMark(k, b"x") for k in (1, 2, 3)])
    store.folding.fold(T0)
    assert store.journal.drop_marks() == 0
    store.journal.ingest([], [], [InboxMark(4 + k, b"z") for k in range(AGAIN_WITHIN - 1)])
    assert store.journal.drop_marks() == 0
    assert sorted(store.journal.inbox()) == list(range(3, AGAIN_WITHIN + 3))
    store.journal.ingest([], [], [InboxMark(3, b"y")])
    assert store.journal.drop_marks() == 3
    assert sorted(store.journal.inbox()) == list(range(3, AGAIN_WITHIN + 3))
    assert store.journal.inbox()[3] == (max(n for n, _ in store.journal.inbox().values()), b"y")


def test_marks_of_an_ended_session_never_come_back(store: Store) -> None:
    """Not by being put together with later ones, and not by a fold."""
    told = iter(range(10**6))

    def packets(n: int) -> None:
        for _ in range(n):
            k = next(told)
            store.journal.ingest([Reading("a", T0 + k, 28.0, T0)], [], [InboxMark(k, b"%d" % k)])

    packets(40)
    store.journal.forget_inbox()
    packets(200)
    assert sorted(store.journal.inbox()) == list(range(40, 240))
    store.folding.fold(T0 + HOUR_MS)
    packets(3)
    assert sorted(store.journal.inbox()) == list(range(40, 243))
    store.journal.forget_inbox()
    assert store.journal.inbox() == {}


def test_rows_of_single_commits_are_put_together_and_nobody_who_follows_misses_one_or_sees_one_twice(
    tmp_path: Path,
) -> None:
    rng = random.Random(3)
    with Store(tmp_path) as writer, Store(tmp_path) as follower:
        seen: list[int] = []
        at, told, place = 0, [], 0
        for _ in range(400):
            batch = [Reading(rng.choice("abc"), T0 + at + k, (at + k) / 7, T0) for k in range(rng.randrange(1, 5))]
            at += len(batch)
            told += batch
            writer.journal.ingest(batch, [], [InboxMark(len(told), b"x")])
            if rng.random() < 0.1:
                held = follower.batches.now()
                assert held.at.tolist() == [r.at_ms for r in told]
                assert held.seq.tolist() == list(range(1, len(told) + 1))
            if rng.random() < 0.1:
                fresh = follower.journal.since(place, 50)
                seen += [r.at_ms for _, r in fresh]
                place = fresh[-1][0] if fresh else place
        while fresh := follower.journal.since(place, 50):
            seen += [r.at_ms for _, r in fresh]
            place = fresh[-1][0]
        assert seen == [r.at_ms for r in told]
        assert writer.db.rows("SELECT COUNT(*) FROM batch")[0][0] < 400 / 64 + 64
        assert len(writer.journal.inbox()) == 400
        writer.folding.fold(T0 + HOUR_MS)
        assert len(follower.batches.now()) == 0
        assert len(follower.readings.load(["a", "b", "c"], 0, 2**60)["a"]) == sum(r.probe == "a" for r in told)


def test_a_batch_comes_out_exactly_and_a_damaged_one_is_told_and_set_aside(store: Store) -> None:
    told = [
        Reading("ab"[k % 2], T0 + 977 * k, v, T0 - k, Flag.SUSPECT if k % 3 else Flag.GOOD, "x" * (k % 2), k % 5 > 0)
        for k, v in enumerate((0.0, -0.0, 1 / 3, 28.5, 1e300, -5e-324, 85.0))
    ]
    store.journal.ingest(told, [], [InboxMark(5, b"five"), InboxMark(6, b"")])
    assert [repr(r) for _, r in store.journal.since(0)] == [repr(r) for r in told]
    assert store.journal.inbox() == {5: (1, b"five"), 6: (2, b"")}
    ((seq, blob),) = store.db.rows("SELECT seq, blob FROM batch")
    rng = random.Random(1)
    for _ in range(300):
        wrong = bytearray(blob)
        wrong[rng.randrange(len(wrong))] ^= 1 << rng.randrange(8)
        with pytest.raises(ValueError, match="batch"):
            batches.decode(bytes(wrong))
    store.db.connection.execute("UPDATE batch SET blob=? WHERE seq=?", (blob[:-1], seq))
    with Store(store.db.dir) as other, pytest.raises(StoreCorrupt, match="damaged batch"):
        other.journal.since(0)
    store.journal.ingest([Reading("a", T0 + 5, 1.0, T0)])
    with Store(store.db.dir) as other:
        assert other.folding.fold(T0 + HOUR_MS) == 1
        assert next(iter(other.folding.set_aside().values())).startswith("readings up to number 7 that came")
        assert other.readings.load(["a"], 0, 2**60)["a"].at.tolist() == [T0 + 5]
        assert other.journal.last_seq() == 8


def test_marks_that_are_damaged_cost_their_messages_alone(store: Store) -> None:
    """A service that could not start because of them would be started again and again, and watch nothing."""
    store.journal.ingest([Reading("a", T0, 28.0, T0)], marks=[InboxMark(7, b"0123456789abcdef")])
    with store.db.write() as c:
        c.execute("INSERT INTO mark(n, blob) VALUES (1, ?)", (b"no batch at all",))
    assert list(store.journal.inbox()) == [7]


def test_marks_of_before_are_longer_and_known(store: Store) -> None:
    digest = bytes(range(16))
    with store.db.write() as c:
        c.execute(
            "INSERT INTO mark(n, blob) VALUES (1, ?)", (batches.encode(Unfolded.of(()), [InboxMark(7, digest[:8])]),)
        )
        c.execute("INSERT INTO inbox VALUES (9, 1, ?)", (digest,))
    store.journal.ingest([Reading("a", T0, 28.0, T0)], marks=[InboxMark(8, digest)])
    assert store.journal.inbox() == {mid: (k, digest[:DIGEST_BYTES]) for k, mid in enumerate((9, 7, 8), 1)}


def test_a_commit_writes_little(store: Store) -> None:
    """What it writes to the log is what a memory card has to take: two pages in the mean, readings of 64 probes."""
    rng = random.Random(1)
    log = store.db.path.with_name(store.db.path.name + "-wal")

    def commit(k: int) -> None:
        at = [T0 + 10_000 * k + 150 * n for n in range(64)]
        readings = [Reading(f"p{n}", t, 28.0 + rng.randrange(16) / 16, t + 20) for n, t in enumerate(at)]
        store.journal.ingest(readings, marks=[InboxMark(64 * k + n, rng.randbytes(16)) for n in range(64)])

    commit(0)
    store.db.checkpoint()
    for k in range(1, 129):
        commit(k)
    assert log.stat().st_size < 128 * 2 * database.PAGE_BYTES
