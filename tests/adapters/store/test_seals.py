"""Seals: what changes by itself is found, and what is written on purpose is no damage."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.store import Store
from monitor.adapters.store.database import FILE_NAME
from monitor.adapters.store.parts import HourRows
from monitor.adapters.store.salvage import mend
from monitor.adapters.store.seals import ROWS, WHOLE
from monitor.adapters.store.soundness import examined
from monitor.core.terms.events import EventKind, KeeperEvent

T0 = 1_780_000_000_000


def told(store: Store, n: int, first: int = 0) -> None:
    for k in range(first, first + n):
        store.account.tell(
            KeeperEvent(EventKind.LAID, clutch=f"K{k}", at_ms=T0, recorded_ms=T0, species="elaphe-taeniura", eggs=6)
        )


def summed(store: Store, hours: range, development: float) -> None:
    n = len(hours)
    rows = HourRows(np.array(hours), np.full(n, development), np.ones(n), np.ones(n), np.full(n, 3600.0))
    with store.db.write():
        store.parts.replace("a", "m", hours, rows, (hours.start, hours.stop))


def behind_its_back(folder: Path, sql: str) -> None:
    """A change that no program made: the triggers are not asked, as by a bit that flips."""
    connection = sqlite3.connect(folder / FILE_NAME, isolation_level=None)
    names = [r[0] for r in connection.execute("SELECT name FROM sqlite_master WHERE type='trigger'")]
    kept = [r[0] for r in connection.execute("SELECT sql FROM sqlite_master WHERE type='trigger'")]
    connection.execute("BEGIN")
    for name in names:
        connection.execute(f"DROP TRIGGER {name}")
    connection.execute(sql)
    for script in kept:
        connection.execute(script)
    connection.execute("COMMIT")
    connection.close()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with Store(tmp_path) as store:
        told(store, 300)
        summed(store, range(100, 700), 0.01)
        assert store.seal() > 5
        assert store.seal() == 0
    return tmp_path


def test_whatever_is_written_on_purpose_is_no_damage(folder: Path) -> None:
    with Store(folder) as store:
        told(store, 2, 300)
        summed(store, range(650, 720), 0.02)
        store.db.rows("SELECT 1")
        with store.db.write() as c:
            c.execute("INSERT INTO condition VALUES ('k', 's', '{}')")
            c.execute("UPDATE event SET recorded=recorded+1 WHERE id=3")
            c.execute("DELETE FROM history WHERE id=1")
        assert examined(folder / FILE_NAME) == []
        assert store.seal() > 0
        summed(store, range(100, 101), 0.03)
        store.parts.keep_only({})
        store.parts.forget_all()
        assert examined(folder / FILE_NAME) == []


@pytest.mark.parametrize(
    ("sql", "says"),
    [
        ("UPDATE event SET body=replace(body, '6', '7') WHERE id=280", "event 256 to 511"),
        ("UPDATE part SET development=0.011 WHERE hour=500", "the sums of hours of box a"),
        ("DELETE FROM event WHERE id=9", "event 1 to 255"),
    ],
)
def test_what_changes_by_itself_is_found(folder: Path, sql: str, says: str) -> None:
    behind_its_back(folder, sql)
    (found,) = examined(folder / FILE_NAME)
    assert found.by == "seal"
    assert found.what.startswith(says)


def test_a_backup_gives_back_what_the_seal_says(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    backup = tmp_path_factory.mktemp("backup") / "b.db"
    connection = sqlite3.connect(folder / FILE_NAME)
    connection.execute("VACUUM INTO ?", (str(backup),))
    connection.close()
    with Store(folder) as store:
        before = store.account.events()
    behind_its_back(folder, "UPDATE event SET body=replace(body, '6', '7') WHERE id=280")
    outcome = mend(folder, "1", [backup])
    assert outcome.lost == []
    with Store(folder) as store:
        assert store.account.events() == before


def test_without_a_backup_it_is_kept_and_told(folder: Path) -> None:
    behind_its_back(folder, "UPDATE event SET body=replace(body, '6', '7') WHERE id=280")
    outcome = mend(folder, "1")
    assert [f.what for f in outcome.lost] == ["event 256 to 511: one of them is not as it was written, and was kept"]
    assert examined(folder / FILE_NAME) == []


def test_every_table_that_is_sealed_has_its_triggers(folder: Path) -> None:
    with Store(folder) as store:
        names = {r[0] for r in store.db.rows("SELECT name FROM sqlite_master WHERE type='trigger'")}
    assert names == {f"seal_{t}_{what}" for t in (*ROWS, *WHOLE) for what in ("insert", "update", "delete")}
