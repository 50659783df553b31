"""What a file brings into the account: looked at once, and once more where somebody told something meanwhile."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.adapters.store import Store, account
from monitor.core.terms.entries import Brought, FileRow, bring
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.times import DAY_MS

T0 = 1_700_000_000_000
LAID = KeeperEvent(EventKind.LAID, "K01", T0, T0, eggs=6, species="elaphe-taeniura")
SET = KeeperEvent(EventKind.SET, "K01", T0 + DAY_MS, T0 + DAY_MS, box="upper", eggs=6)
OTHER = KeeperEvent(EventKind.LAID, "K02", T0, T0, eggs=4, species="elaphe-taeniura")
TOO_MANY = KeeperEvent(EventKind.SET, "K01", T0 + DAY_MS, T0 + DAY_MS, box="lower", eggs=7)
ROWS = [FileRow(2, LAID), FileRow(3, TOO_MANY), FileRow(4, SET)]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        yield opened


def test_what_is_wanted_is_looked_at_once_and_added_but_for_what_cannot_be_taken(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks: list[int] = []

    def counted(rows: list[FileRow], events: list[KeeperEvent]) -> Brought:
        looks.append(len(events))
        return bring(rows, events)

    monkeypatch.setattr(account, "bring", counted)
    assert [row for row, _ in store.account.bring(ROWS, lambda b: not b.refused).refused] == [3]
    assert store.account.events() == []
    brought = store.account.bring(ROWS, lambda b: len(b.refused) == 1)
    assert store.account.events() == brought.new
    assert [(e.kind, e.box) for e in brought.new] == [(EventKind.LAID, ""), (EventKind.SET, "upper")]
    assert looks == [0, 0]
    assert (store.account.bring(ROWS).there, looks) == (2, [0, 0, 2])


def test_what_was_told_meanwhile_is_looked_at_too(store: Store, tmp_path: Path) -> None:
    def told_meanwhile(brought: Brought) -> bool:
        with Store(tmp_path) as other:
            if not other.account.events():
                other.account.tell(OTHER)
        return True

    brought = store.account.bring(ROWS, told_meanwhile)
    assert [e.id for e in brought.new] == [2, 3]
    assert [e.clutch for e in store.account.events()] == ["K02", "K01", "K01"]


def test_what_is_wanted_no_more_once_something_was_told_is_not_added(store: Store, tmp_path: Path) -> None:
    def told_meanwhile(brought: Brought) -> bool:
        if brought.there == 0:
            with Store(tmp_path) as other:
                other.account.tell(LAID)
        return not brought.there

    brought = store.account.bring(ROWS, told_meanwhile)
    assert (brought.there, brought.taken) == (1, 1)
    assert [e.kind for e in store.account.events()] == [EventKind.LAID]
