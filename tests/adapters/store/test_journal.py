"""The journal: every reading as it came, and the marks of the packets that were stored with it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.adapters.store import InboxMark, Store
from monitor.core.readings.arrivals import AGAIN_WITHIN
from monitor.core.terms.events import Flag, Reading

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
    assert store.journal.drop_marks() == 0
    store.db.connection.execute("UPDATE inbox SET ordinal=? WHERE mid=3", (2 + AGAIN_WITHIN,))
    assert store.journal.drop_marks() == 2
    assert set(store.journal.inbox()) == {3}
    store.journal.ingest([], [], [InboxMark(4, b"y")])
    assert store.journal.inbox()[4] == (3 + AGAIN_WITHIN, b"y")
