"""Copies of the store: whole while others write, compared untouched, and put back with nothing thrown away."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.adapters.store.copies import MOVED, SAME, back, copy, main, since
from monitor.adapters.store.database import FILE_NAME
from monitor.errors import StoreError
from tests.adapters.store.test_database import batch, held


def moved_on(folder: Path) -> None:
    """As a newer program does when it opens the store."""
    with sqlite3.connect(folder / FILE_NAME) as connection:
        connection.execute("CREATE TABLE of_a_newer_program (id INTEGER PRIMARY KEY)")
        connection.execute("PRAGMA user_version=900")


def a_reading(store: Store) -> None:
    store.journal.ingest(batch(700))


def a_fact(store: Store) -> None:
    store.db.set_fact("a", "b")


def an_entry(store: Store) -> None:
    with store.db.write() as c:
        c.execute("INSERT INTO event (kind, clutch, at, recorded, body) VALUES ('note', 'K01', 1, 1, '{}')")


def a_packet(store: Store) -> None:
    with store.db.write() as c:
        c.execute("INSERT INTO inbox VALUES (40000, 1, x'00')")


def a_told_change(store: Store) -> None:
    with store.db.write() as c:
        c.execute("INSERT INTO history (at, kind, subject, change, reason) VALUES (1, 'x', 'y', 'raised', '')")


@pytest.fixture
def data(tmp_path: Path) -> Path:
    with Store(tmp_path / "data") as store:
        store.journal.ingest(batch(0))
    return tmp_path / "data"


def test_a_copy_is_whole_while_the_store_is_in_use(data: Path, tmp_path: Path) -> None:
    with Store(data) as store:
        store.journal.ingest(batch(100))
        copy(data, tmp_path / "copy")
        store.journal.ingest(batch(200))
    with Store(tmp_path / "copy", create=False) as copied:
        assert held(copied) == 200
        assert copied.db.check() == []
    with pytest.raises(StoreError, match="already"):
        copy(data, tmp_path / "copy")


@pytest.mark.parametrize(
    ("does", "told"),
    [
        (a_reading, "journal"),
        (an_entry, "event"),
        (a_packet, "inbox"),
        (a_told_change, ""),
        (a_fact, ""),
    ],
)
@pytest.mark.parametrize("newer", [False, True])
def test_what_was_taken_in_since_a_copy_is_told_and_what_rounds_make_is_not(
    does: Callable[[Store], None], told: str, newer: bool, data: Path, tmp_path: Path
) -> None:
    copy(data, tmp_path / "copy")
    assert since(tmp_path / "copy", data) == (SAME, "")
    with Store(data) as store:
        does(store)
    if newer:
        moved_on(data)
    state, names = since(tmp_path / "copy", data)
    assert state == (MOVED if newer else SAME)
    assert (told in names) if newer and told else names == ""


def test_a_copy_that_goes_back_leaves_what_stood_there_aside(data: Path, tmp_path: Path) -> None:
    copy(data, tmp_path / "copy")
    writer = Store(data)
    writer.journal.ingest(batch(100))
    moved_on(data)
    back(tmp_path / "copy", data, tmp_path / "aside")
    writer.close()
    with Store(data, create=False) as store:
        assert held(store) == 100
        assert store.db.check() == []
    with sqlite3.connect(tmp_path / "aside" / FILE_NAME) as kept:
        assert kept.execute("PRAGMA user_version").fetchone() == (900,)
        assert kept.execute("SELECT SUM(n) FROM batch").fetchone() == (200,)


def test_as_a_program_it_says_what_is_wrong(data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = str(tmp_path / "copy")
    assert main(["copy", str(data), folder]) == 0
    assert main(["since", folder, str(data)]) == 0
    assert capsys.readouterr().out == "same \n"
    assert main(["copy", str(tmp_path / "nowhere"), str(tmp_path / "x")]) == StoreError.exit_code
    assert "there is no store here" in capsys.readouterr().err
    assert main(["give", "back"]) == 2
    assert main([]) == 2
