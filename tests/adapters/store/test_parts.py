"""Derived sums by box and model: what is put in comes out, and what must be computed again is known."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.store import Store
from monitor.adapters.store.parts import HourRows
from monitor.core.terms.events import Reading
from monitor.core.terms.times import HOUR_MS


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        yield opened


def rows(hours: Sequence[int], seed: int = 1) -> HourRows:
    some = np.random.default_rng(seed).random((4, len(hours)))
    return HourRows(np.array(hours, np.int64), *some)


def put(store: Store, box: str, model: str, some: HourRows, span: tuple[int, int]) -> None:
    with store.db.write():
        store.parts.replace(box, model, range(*span), some, span)


def same(found: HourRows, told: HourRows) -> bool:
    names = ("hour", "development", "degree_days", "temperature_integral", "covered_s")
    return all(getattr(found, n).tolist() == getattr(told, n).tolist() for n in names)


def test_what_was_computed_comes_back_by_box_and_model_with_the_last_hour_left_out(store: Store) -> None:
    told, other = rows(range(100, 110)), rows(range(100, 110), seed=2)
    put(store, "a", "m1", told, (100, 110))
    put(store, "a", "m2", other, (100, 110))
    put(store, "b", "m1", other, (100, 110))
    assert same(store.parts.load("a", "m1", 100, 110), told)
    assert same(store.parts.load("a", "m2", 0, 1000), other)
    assert same(store.parts.load("a", "m1", 102, 105), told.between(102, 105))
    assert told.between(102, 105).hour.tolist() == [102, 103, 104]
    assert len(store.parts.load("c", "m1", 0, 1000).hour) == 0


def test_an_hour_that_is_computed_again_takes_the_place_of_what_was_there_and_may_be_empty(store: Store) -> None:
    put(store, "a", "m", rows([100, 101, 102]), (100, 103))
    again = rows([101], seed=2)
    with store.db.write():
        store.parts.replace("a", "m", range(101, 103), again, (101, 103))
    found = store.parts.load("a", "m", 0, 1000)
    assert found.hour.tolist() == [100, 101]
    assert found.development[1] == again.development[0]


def test_the_span_grows_to_both_sides_and_never_shrinks(store: Store) -> None:
    assert store.parts.span("a", "m") is None
    for span, whole in (
        ((100, 110), (100, 110)),
        ((102, 105), (100, 110)),
        ((90, 95), (90, 110)),
        ((95, 120), (90, 120)),
    ):
        put(store, "a", "m", rows([]), span)
        assert store.parts.span("a", "m") == whole
    assert store.parts.span("a", "other") is None


def test_hours_in_which_something_came_are_dirty_by_probe_until_they_are_dealt_with(store: Store) -> None:
    store.journal.ingest([Reading("a", h * HOUR_MS + k, 28.0, 0) for h in (5, 6, 9) for k in (0, HOUR_MS - 1)])
    store.journal.ingest([Reading("b", 7 * HOUR_MS, 28.0, 0)])
    assert store.parts.dirty(["a"]) == {5, 6, 9}
    assert store.parts.dirty(["a", "b", "nobody"]) == {5, 6, 7, 9}
    assert store.parts.dirty([]) == store.parts.dirty(["nobody"]) == set()
    with store.db.write():
        store.parts.clean(7)
    assert store.parts.dirty(["a", "b"]) == {7, 9}


def test_of_models_that_no_lot_uses_nothing_stays_and_all_of_the_others(store: Store) -> None:
    for box, model in (("a", "m1"), ("a", "m2"), ("b", "m1"), ("c", "m1")):
        put(store, box, model, rows([100, 101]), (100, 102))
    store.parts.keep_only({"a": ["m1", "new"], "b": []})
    left = {(b, m) for b in "abc" for m in ("m1", "m2") if store.parts.span(b, m)}
    assert left == {("a", "m1")}
    assert store.db.rows("SELECT DISTINCT box, model FROM part") == [("a", "m1")]
    store.parts.forget_all()
    assert store.parts.span("a", "m1") is None
    assert store.db.rows("SELECT COUNT(*) FROM part") == [(0,)]
