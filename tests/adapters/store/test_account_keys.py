"""What is told with a key is entered once, however often and by how many it is sent."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.adapters.store import Once, Store, database
from monitor.adapters.store.retention import KEY_DAYS
from monitor.core.terms.events import Clutch, EventKind, KeeperEvent
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import EntryThere, EventRefused, UsageError

T0 = 1_780_000_000_000 // HOUR_MS * HOUR_MS
LAID = KeeperEvent(EventKind.LAID, "K01", T0, T0, eggs=6, species="elaphe-taeniura")
SET = KeeperEvent(EventKind.SET, "K01", T0 + 1, T0 + 1, box="upper", eggs=6)
PIPPED = KeeperEvent(EventKind.PIPPED, "K01", T0 + 60 * DAY_MS, T0 + 60 * DAY_MS, box="upper", eggs=2)
KEY = Once("b0a3-1", "two pips")
BEFORE_KEYS = 10


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        opened.account.tell(LAID)
        opened.account.tell(SET)
        yield opened


def test_a_key_told_again_gives_back_the_entry_it_made(store: Store, tmp_path: Path) -> None:
    first = store.account.tell(PIPPED, once=KEY)
    # A moment later the same button is pressed again; and after a restart the telephone sends it once more.
    later = replace(PIPPED, at_ms=PIPPED.at_ms + 700, recorded_ms=PIPPED.recorded_ms + 700)
    assert store.account.tell(later, once=KEY) == first
    with Store(tmp_path) as again:
        assert again.account.tell(later, once=KEY) == first
        assert [e.id for e in again.account.events()] == [1, 2, 3]
    assert store.account.tell(later, once=Once("b0a3-2", "two pips")).id == 4


def test_a_key_gives_back_its_entry_even_where_it_could_not_be_told_any_more(store: Store) -> None:
    all_six = replace(PIPPED, eggs=6)
    told = store.account.tell(all_six, once=KEY)
    with pytest.raises(EventRefused, match="6 more eggs pipped"):
        store.account.tell(replace(all_six, at_ms=all_six.at_ms + 1), once=Once("other", "two pips"))
    assert store.account.tell(all_six, once=KEY) == told


def test_a_key_of_something_else_is_refused_and_names_the_entry(store: Store) -> None:
    told = store.account.tell(PIPPED, once=KEY)
    with pytest.raises(EntryThere, match="saved already, as entry 3") as refused:
        store.account.tell(replace(PIPPED, eggs=3), once=Once(KEY.key, "three pips"))
    assert refused.value.entry == told.id
    assert len(store.account.events()) == 3


def test_what_is_refused_uses_no_key_up(store: Store) -> None:
    with pytest.raises(EventRefused):
        store.account.tell(replace(PIPPED, eggs=9), once=KEY)
    assert store.account.tell(PIPPED, once=KEY).id == 3


def test_several_told_at_once_are_all_entered_or_none_and_come_back_together(store: Store) -> None:
    other = [replace(LAID, clutch="K02"), replace(SET, clutch="K02", box="lower")]
    with pytest.raises(EventRefused):
        store.account.tell_all([*other, replace(SET, clutch="K02", box="upper")], once=KEY)
    assert len(store.account.events()) == 2
    told = store.account.tell_all(other, once=KEY)
    assert [(e.id, e.kind) for e in told] == [(3, EventKind.LAID), (4, EventKind.SET)]
    assert store.account.tell_all(other, once=KEY) == told
    assert len(store.account.events()) == 4


def test_two_that_send_the_same_key_at_the_same_time_make_one_entry(store: Store, tmp_path: Path) -> None:
    """The first is held in the middle of its transaction until the second has begun."""
    began, found = threading.Event(), {}

    def held(_: dict[str, Clutch]) -> None:
        assert began.wait(10)

    def tell(name: str, *, hold: bool) -> None:
        with Store(tmp_path) as own:
            if not hold:
                began.set()
            found[name] = own.account.tell(PIPPED, held if hold else None, once=KEY)  # type: ignore[arg-type]

    threads = [threading.Thread(target=tell, args=(n,), kwargs={"hold": n == "first"}) for n in ("first", "second")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert found["first"] == found["second"]
    assert [e.id for e in store.account.events()] == [1, 2, 3]


@pytest.mark.parametrize("key", ["", "x" * 65, "two words", "Schlüssel", "a\n"])
def test_what_is_no_key_is_refused(key: str) -> None:
    with pytest.raises(UsageError, match="no key of an entry"):
        Once(key, "")


def test_keys_are_forgotten_after_ninety_days_and_the_entries_stay(store: Store) -> None:
    told = store.account.tell(PIPPED, once=KEY)
    at = PIPPED.recorded_ms + KEY_DAYS * DAY_MS
    assert store.forget(at, 3650).keys == 0
    assert store.account.tell(PIPPED, once=KEY) == told
    assert store.forget(at + 1, 3650).keys == 1
    assert store.account.events()[-1] == told


def test_a_store_of_before_there_were_keys_opens_and_takes_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps = database._schema()
    monkeypatch.setattr(database, "_schema", lambda: steps[:BEFORE_KEYS])
    with Store(tmp_path / "old") as old:
        for event in (LAID, SET):
            old.account.tell(event)
        before = old.account.events()
        assert old.db.rows("SELECT name FROM sqlite_master WHERE name='entry_key'") == []
    monkeypatch.setattr(database, "_schema", lambda: steps)
    with Store(tmp_path / "old") as brought_up:
        assert brought_up.account.events() == before
        told = brought_up.account.tell(PIPPED, once=KEY)
        assert brought_up.account.tell(PIPPED, once=KEY) == told
        assert brought_up.db.check() == []
