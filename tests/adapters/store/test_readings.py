"""Readings on the disk: whole transactions, folds that change nothing, and crashes."""

from __future__ import annotations

import itertools
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from monitor.adapters.store import InboxMark, Quarantined, Store, columns_of, folding
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.times import HOUR_MS
from monitor.errors import StoreCorrupt, StoreError
from tests.examples import at_most
from tests.peers import PROJECT

T0 = 1_780_000_000_000 // HOUR_MS * HOUR_MS


def reading(probe: str, at_ms: int, value: float = 28.0, **more: object) -> Reading:
    return Reading(probe, at_ms, value, at_ms + 5, **more)  # type: ignore[arg-type]


def contents(store: Store) -> list[str]:
    return list(store.db.connection.iterdump())


def held(store: Store, probe: str) -> dict[int, float]:
    columns = store.readings.load([probe], 0, 2**60)[probe]
    assert np.all(np.diff(columns.at) > 0)
    return dict(zip(columns.at.tolist(), columns.value.tolist(), strict=True))


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path)


# -- T1 ------------------------------------------------------------------------------------------------------


def fail_at(store: Store, what: str) -> None:
    """Make the database refuse one kind of write, as a full disk or a fault in the middle would."""
    verb, table = what.split()
    store.db.connection.execute(
        f"CREATE TRIGGER fault BEFORE {verb} ON {table} BEGIN SELECT RAISE(ABORT, 'fault in the middle'); END"
    )


@pytest.mark.parametrize("what", ["INSERT probe", "INSERT batch", "INSERT dirty", "INSERT quarantine"])
def test_a_batch_is_stored_whole_or_not_at_all(store: Store, what: str) -> None:
    store.journal.ingest([reading("a", T0)], [], [InboxMark(1, b"x")])
    fail_at(store, what)
    before = contents(store)
    batch = ([reading("a", T0 + 1), reading("b", T0 + 2)], [Quarantined(T0, "t", b"?", "why")], [InboxMark(2, b"y")])
    with pytest.raises(StoreError, match="fault in the middle"):
        store.journal.ingest(*batch)
    assert contents(store) == before
    store.db.connection.execute("DROP TRIGGER fault")
    store.journal.ingest(*batch)
    assert {p: sorted(held(store, p)) for p in ("a", "b")} == {"a": [T0, T0 + 1], "b": [T0 + 2]}
    assert store.journal.inbox() == {1: (1, b"x"), 2: (2, b"y")}
    assert [q.reason for q in store.unread.messages()] == ["why"]


def test_a_value_that_is_no_number_is_refused_with_its_whole_batch(store: Store) -> None:
    before = contents(store)
    with pytest.raises(StoreError):
        store.journal.ingest([reading("a", T0), reading("a", T0 + 1, float("nan"))])
    assert contents(store) == before


def test_everything_told_about_a_reading_comes_back(store: Store) -> None:
    one = reading("a", T0 + 7, -12.3456789, flag=Flag.SUSPECT, test="stuck", timed=False)
    store.journal.ingest([one])
    assert store.journal.since(0) == [(1, one)]
    for _ in range(2):
        columns = store.readings.load(["a"], T0, T0 + HOUR_MS)["a"]
        assert (columns.at[0], columns.value[0], columns.received[0]) == (T0 + 7, -12.3456789, T0 + 12)
        assert (columns.flag[0], columns.test, bool(columns.timed[0])) == (3, ("stuck",), False)
        store.folding.fold(T0 + HOUR_MS)
    assert store.journal.since(0) == []
    assert store.journal.last_seq() == 1


def test_an_inbox_mark_that_comes_again_takes_a_new_place_and_a_new_session_forgets(store: Store) -> None:
    store.journal.ingest([], [], [InboxMark(1, b"x"), InboxMark(2, b"y")])
    store.journal.ingest([], [], [InboxMark(1, b"z")])
    assert store.journal.inbox() == {1: (3, b"z"), 2: (2, b"y")}
    store.journal.forget_inbox()
    assert store.journal.inbox() == {}


# -- folds -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("what", ["INSERT chunk", "UPDATE batch", "INSERT mark", "INSERT ship_hour"])
def test_a_fold_that_fails_moves_nothing(store: Store, what: str) -> None:
    store.journal.ingest([reading("a", T0 + i) for i in range(10)], [], [InboxMark(1, b"x")])
    store.db.connection.execute("INSERT INTO shipped VALUES ('outside', 0)")
    fail_at(store, what)
    before = contents(store)
    with pytest.raises(StoreError, match="fault in the middle"):
        store.folding.fold(T0 + HOUR_MS)
    assert contents(store) == before


@pytest.mark.parametrize("what", ["INSERT probe", "INSERT chunk", "INSERT dirty", "INSERT ship_hour", "INSERT fact"])
def test_a_bulk_that_fails_stores_nothing_of_its_block(store: Store, what: str) -> None:
    store.db.connection.execute("INSERT INTO shipped VALUES ('outside', 0)")
    fail_at(store, what)
    before = contents(store)
    columns = columns_of([reading("new", T0 + h * HOUR_MS) for h in range(5)])
    with pytest.raises(StoreError, match="fault in the middle"):
        store.folding.bulk("new", columns)
    assert contents(store) == before
    store.db.connection.execute("DROP TRIGGER fault")
    assert store.folding.bulk("new", columns) == (5, 0)


def test_only_full_hours_that_were_read_are_folded(store: Store) -> None:
    store.journal.ingest([reading("a", T0 + i * HOUR_MS) for i in range(4)])
    assert store.folding.fold(T0 + 3 * HOUR_MS - 1) == 2
    assert store.folding.fold(T0 + 9 * HOUR_MS, seen_seq=3) == 1
    assert [s for s, _ in store.journal.since(0)] == [4]


def test_a_fold_in_blocks_is_the_same_fold(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folding, "FOLD_ROWS", 7)
    store.journal.ingest([reading("a", T0 + (i * 7919) % 1000, float(i)) for i in range(100)])
    before = held(store, "a")
    assert store.folding.fold(T0 + HOUR_MS) == 100
    assert held(store, "a") == before
    assert store.readings.counts() == {"a": len(before)}


def test_hours_that_changed_behind_the_cursor_of_an_outside_database_are_marked(store: Store) -> None:
    store.journal.ingest([reading("a", T0), reading("a", T0 + HOUR_MS)])
    store.db.connection.execute("INSERT INTO shipped VALUES ('outside', 1)")
    store.folding.fold(T0 + 2 * HOUR_MS)
    hour = T0 // HOUR_MS
    assert store.db.rows("SELECT hour FROM ship_hour") == [(hour + 1,)]
    store.folding.bulk("a", columns_of([reading("a", T0 + 5 * HOUR_MS), reading("a", T0)]))
    assert sorted(store.db.rows("SELECT hour FROM ship_hour")) == [(hour + 1,), (hour + 5,)]


ACTIONS = st.lists(
    st.one_of(
        st.tuples(st.just("ingest"), st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 40)), max_size=12)),
        st.tuples(st.just("bulk"), st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 40)), max_size=12)),
        st.tuples(st.just("fold"), st.integers(0, 5)),
    ),
    max_size=12,
)


@pytest.mark.slow
@given(ACTIONS)
def test_whatever_the_order_of_late_doubled_and_folded_readings_the_first_stored_wins(
    actions: Sequence[tuple[str, object]],
) -> None:
    """Times are eighths of an hour, so that readings meet in hours, folded or not; every value is new."""
    with tempfile.TemporaryDirectory() as folder, Store(folder) as store:
        expected: dict[str, dict[int, float]] = {"a": {}, "b": {}}
        values = itertools.count(1)
        for what, argument in actions:
            if what == "fold":
                store.folding.fold(T0 + int(str(argument)) * HOUR_MS)
            else:
                batch = [
                    reading(p, T0 + eighth * HOUR_MS // 8, next(values) / 7)
                    for p, eighth in argument  # type: ignore[attr-defined]
                ]
                new: Counter[str] = Counter()
                for r in batch:
                    new[r.probe] += r.at_ms not in expected[r.probe]
                    expected[r.probe].setdefault(r.at_ms, r.value)
                if what == "ingest":
                    store.journal.ingest(batch)
                else:
                    for probe in "ab":
                        mine = [r for r in batch if r.probe == probe]
                        if mine:
                            added, known = store.folding.bulk(probe, columns_of(mine))
                            assert added == new[probe]
                            assert added + known == len({r.at_ms for r in mine})
            assert {p: held(store, p) for p in "ab"} == expected
            counts = store.readings.counts()
            assert {p: counts.get(p, 0) for p in "ab"} == {p: len(expected[p]) for p in "ab"}
        for p in "ab":
            assert store.readings.first_at(p) == min(expected[p], default=None)
            for until in (None, T0 + HOUR_MS, T0 + 2 * HOUR_MS + HOUR_MS // 4):
                inside = [t for t in expected[p] if until is None or t <= until]
                assert store.readings.last_at(until).get(p) == max(inside, default=None)
            cut = store.readings.load([p], T0 + HOUR_MS // 4, T0 + 3 * HOUR_MS)[p]
            assert cut.at.tolist() == sorted(t for t in expected[p] if T0 + HOUR_MS // 4 <= t < T0 + 3 * HOUR_MS)


def test_hour_heads_tell_what_the_readings_say(store: Store) -> None:
    told = [(20.0, Flag.GOOD), (30.0, Flag.NOT_JUDGED), (85.0, Flag.BAD)]
    store.journal.ingest([reading("a", T0 + i, value, flag=flag) for i, (value, flag) in enumerate(told)])
    assert store.readings.hour_means("a", T0 // HOUR_MS, T0 // HOUR_MS + 1) == {T0 // HOUR_MS: 25.0}
    store.folding.fold(T0 + HOUR_MS)
    assert store.readings.hour_means("a", T0 // HOUR_MS, T0 // HOUR_MS + 1) == {T0 // HOUR_MS: 25.0}
    assert store.db.rows("SELECT n, n_good, total FROM chunk") == [(3, 2, 50.0)]


def test_retention_forgets_old_hours_only(store: Store) -> None:
    store.journal.ingest([reading("a", T0 + i * HOUR_MS) for i in range(4)])
    store.folding.fold(T0 + 4 * HOUR_MS)
    assert store.folding.drop_before(T0 + 2 * HOUR_MS) == 2
    assert sorted(held(store, "a")) == [T0 + 2 * HOUR_MS, T0 + 3 * HOUR_MS]


def test_retention_keeps_what_a_probe_of_a_wrong_clock_sent_lately(store: Store) -> None:
    """Its readings lie in 1970 and came today: they are as old as their arrival."""
    wrong = [reading("a", k * HOUR_MS)._replace(received_ms=T0 + k * HOUR_MS) for k in range(3)]
    store.journal.ingest([*wrong, *(reading("b", k * HOUR_MS) for k in range(3))])
    store.folding.fold(T0 + 4 * HOUR_MS)
    assert store.folding.drop_before(T0) == 3
    assert (len(held(store, "a")), held(store, "b")) == (3, {})
    # As old as the age by its last arrival it is forgotten like all else.
    store.folding.drop_before(T0 + HOUR_MS)
    assert len(held(store, "a")) == 2
    store.folding.drop_before(T0 + 5 * HOUR_MS)
    assert held(store, "a") == {}


def test_a_damaged_hour_is_named(store: Store) -> None:
    store.journal.ingest([reading("a", T0)])
    store.folding.fold(T0 + HOUR_MS)
    store.db.connection.execute("UPDATE chunk SET blob=x'5731ffff'")
    with pytest.raises(StoreCorrupt, match=f"hour {T0 // HOUR_MS} of probe a is damaged"):
        store.readings.load(["a"], 0, 2**60)


def test_a_probe_that_never_sent_is_empty_and_unknown(store: Store) -> None:
    assert len(store.readings.load(["nobody"], 0, 2**60)["nobody"]) == 0
    assert store.readings.first_at("nobody") is None
    assert store.readings.load([], 0, 2**60) == {}


@pytest.mark.slow
def test_a_reader_never_sees_a_fold_half_done(tmp_path: Path) -> None:
    """One process folds hour after hour; readings seen by another never vanish."""
    with Store(tmp_path) as store:
        store.journal.ingest([reading("a", T0 + i * HOUR_MS // 4) for i in range(400)])
        code = (
            "from monitor.adapters.store import Store, folding\n"
            "import time\n"
            "folding.FOLD_ROWS = 3\n"
            f"store = Store({str(tmp_path)!r})\n"
            f"for hour in range(1, 101):\n"
            f"    store.folding.fold({T0} + hour * {HOUR_MS})\n"
            "print('done')\n"
        )
        with subprocess.Popen([sys.executable, "-c", code], cwd=PROJECT, stdout=subprocess.PIPE) as folder:
            looks = 0
            while folder.poll() is None:
                assert len(held(store, "a")) == 400
                assert store.readings.counts() == {"a": 400}
                assert store.readings.last_at() == {"a": T0 + 399 * HOUR_MS // 4}
                looks += 1
            assert folder.wait(20) == 0
        assert looks > 10
        assert store.journal.since(0) == []
        assert len(held(store, "a")) == 400


# -- crashes and several writers -------------------------------------------------------------------------------

WRITER = """
import sys
from monitor.adapters.store import Store, folding
from monitor.core.terms.events import Reading
folder, t0, first, hour = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), 3_600_000
folding.FOLD_ROWS = 40
store = Store(folder)
n = first
while True:
    batch = [Reading("a", t0 + i * hour // 50, i / 7, 0) for i in range(n, n + 25)]
    # Every other batch comes once more, as after a lost acknowledgement.
    store.journal.ingest(batch + (batch[:10] if n % 2 else []))
    n += 25
    print(n, flush=True)
    if n % 3 == 0:
        store.folding.fold(t0 + n * hour // 50)
"""


@pytest.mark.slow
def test_killed_at_any_moment_nothing_is_lost_or_doubled(tmp_path: Path) -> None:
    rng = random.Random(11)
    Store(tmp_path).close()
    done = 0
    for _ in range(6):
        with subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path), str(T0), str(done)], cwd=PROJECT, stdout=subprocess.PIPE
        ) as writer:
            assert writer.stdout is not None
            writer.stdout.readline()
            time.sleep(rng.uniform(0.0, 0.15))
            os.kill(writer.pid, signal.SIGKILL)
            told = [int(line) for line in writer.stdout.read().split()]
        with Store(tmp_path) as store:
            assert store.db.check() == []
            found = held(store, "a")
            # All that was told, and perhaps the batch that was committed but not yet told.
            assert len(found) >= max(told, default=done + 25)
            assert found == {T0 + i * HOUR_MS // 50: i / 7 for i in range(len(found))}
            assert store.readings.counts() == {"a": len(found)}
            done = len(found)
    with Store(tmp_path) as store:
        store.folding.fold(2**60)
        assert len(held(store, "a")) == done


@pytest.mark.slow
def test_two_programs_may_write_at_once(tmp_path: Path) -> None:
    Store(tmp_path).close()
    code = (
        "import sys\n"
        "from monitor.adapters.store import Store\n"
        "from monitor.core.terms.events import Reading\n"
        "store = Store(sys.argv[1])\n"
        "for i in range(60):\n"
        f"    store.journal.ingest([Reading(sys.argv[2], {T0} + i * 60000, float(i), 0)])\n"
    )
    writers = [
        subprocess.Popen([sys.executable, "-c", code, str(tmp_path), name], cwd=PROJECT) for name in ("a", "b", "c")
    ]
    with Store(tmp_path) as store:
        while any(w.poll() is None for w in writers):
            store.folding.fold(T0 + 2 * HOUR_MS)
        assert [w.wait(20) for w in writers] == [0, 0, 0]
        assert store.readings.counts() == {"a": 60, "b": 60, "c": 60}
        assert held(store, "b") == {T0 + i * 60000: float(i) for i in range(60)}
        assert store.db.check() == []


class Running(RuleBasedStateMachine):
    """Rebuilt equals running: at any moment, a store that is opened anew holds what the open one does."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.store = Store(self.folder.name)
        self.expected: dict[int, float] = {}
        self.value = 0.0

    @rule(times=st.lists(st.integers(0, 60), min_size=1, max_size=6))
    def ingest(self, times: list[int]) -> None:
        batch = []
        for t in times:
            self.value += 1
            batch.append(reading("a", T0 + t * HOUR_MS // 10, self.value))
            self.expected.setdefault(batch[-1].at_ms, self.value)
        self.store.journal.ingest(batch)

    @rule(times=st.lists(st.integers(0, 60), min_size=1, max_size=6))
    def bulk(self, times: list[int]) -> None:
        batch = []
        for t in times:
            self.value += 1
            batch.append(reading("a", T0 + t * HOUR_MS // 10, self.value))
            self.expected.setdefault(batch[-1].at_ms, self.value)
        self.store.folding.bulk("a", columns_of(batch))

    @rule(hours=st.integers(0, 7), seen=st.booleans())
    def fold(self, hours: int, seen: bool) -> None:
        last = self.store.journal.last_seq()
        self.store.folding.fold(T0 + hours * HOUR_MS, last if seen else last // 2)

    @rule()
    def reopen(self) -> None:
        self.store.close()
        self.store = Store(self.folder.name)

    @rule()
    def checkpoint(self) -> None:
        self.store.db.checkpoint()

    @invariant()
    def same(self) -> None:
        assert held(self.store, "a") == self.expected

    def teardown(self) -> None:
        self.store.close()
        self.folder.cleanup()


TestRunning = Running.TestCase
TestRunning.settings = at_most(0.15, 25)
