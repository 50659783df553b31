"""Corrections on the disk: append-only, taken back by a row, whole or not at all, and in stores from before them."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.adapters.store import Store, database
from monitor.core.readings.corrections import Correction
from monitor.errors import EventRefused, StoreError, UnknownSubject

A = Correction("a", 1000, 0.25, 0.04, 0.2, "side by side", 2000, "s1", 1500)
B = Correction("b", 1000, -0.25, 0.04, 0.2, "side by side", 2000, "s1", 1500)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        yield opened


def rows(store: Store) -> list[tuple[object, ...]]:
    return store.db.rows("SELECT * FROM correction ORDER BY id")


def test_corrections_come_back_as_they_were_told(store: Store) -> None:
    by_hand = Correction("a", 5000, 0.1, 0.1, 0.0, "by hand", 6000, only_after=True)
    told = store.corrections.tell([A, B]) + store.corrections.tell([by_hand])
    assert [c.id for c in told] == [1, 2, 3]
    assert store.corrections.all() == told == [replace(A, id=1), replace(B, id=2), replace(by_hand, id=3)]


def test_taking_back_adds_a_row_and_changes_none(store: Store) -> None:
    store.corrections.tell([A, B])
    before, version = rows(store), store.corrections.version()
    gone = store.corrections.withdraw(1, 9000)
    assert (gone.probe, gone.withdrawn) == ("a", True)
    assert rows(store)[:2] == before
    assert len(rows(store)) == 3
    assert [c.withdrawn for c in store.corrections.all()] == [True, False]
    assert store.corrections.standing().holding("a", 9999) is None
    assert store.corrections.standing().holding("b", 9999) == replace(B, id=2)
    assert store.corrections.version() > version


def test_what_is_not_there_or_gone_cannot_be_taken_back(store: Store) -> None:
    store.corrections.tell([A])
    with pytest.raises(UnknownSubject, match="no correction 7"):
        store.corrections.withdraw(7, 9000)
    store.corrections.withdraw(1, 9000)
    before = rows(store)
    with pytest.raises(EventRefused, match="already"):
        store.corrections.withdraw(1, 9000)
    with pytest.raises(UnknownSubject):
        store.corrections.withdraw(2, 9000)  # the row that took back is no correction itself
    assert rows(store) == before


def test_a_session_is_written_whole_or_not_at_all(store: Store) -> None:
    store.db.connection.execute(
        "CREATE TEMP TRIGGER stop BEFORE INSERT ON correction WHEN NEW.probe='b' "
        "BEGIN SELECT RAISE(ABORT, 'fault in the middle'); END"
    )
    with pytest.raises(StoreError, match="fault in the middle"):
        store.corrections.tell([A, B])
    assert rows(store) == []


def test_another_process_sees_the_version_grow(tmp_path: Path) -> None:
    with Store(tmp_path) as one, Store(tmp_path) as other:
        assert one.corrections.version() == other.corrections.version() == 0
        other.corrections.tell([A])
        assert one.corrections.version() == 1
        assert one.corrections.all() == [replace(A, id=1)]


def test_a_store_from_before_corrections_gets_the_table_and_keeps_what_it_has(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps = database._schema()
    monkeypatch.setattr(database, "_schema", lambda: steps[:1])
    with Store(tmp_path) as old:
        old.db.set_fact("kept", "yes")
        with pytest.raises(sqlite3.OperationalError):
            old.db.connection.execute("SELECT * FROM correction")
    monkeypatch.undo()
    with Store(tmp_path) as new:
        assert new.db.fact("kept") == "yes"
        assert new.corrections.all() == []
        assert [c.id for c in new.corrections.tell([A])] == [1]
