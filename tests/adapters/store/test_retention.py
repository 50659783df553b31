"""What is forgotten once a day: what is old and over, a little at a time."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.adapters.store import InboxMark, Quarantined, Store, columns_of, database, retention
from monitor.adapters.store.folding import OPENED_AT_ONCE
from monitor.core.notices.answers import Answer
from monitor.core.notices.conditions import Condition, Phase, Transition
from monitor.core.notices.notice import Notice, Route
from monitor.core.readings.arrivals import AGAIN_WITHIN
from monitor.core.terms.events import EventKind, KeeperEvent, Reading
from monitor.core.terms.times import DAY_MS, HOUR_MS

T0 = 1_780_000_000_000 // HOUR_MS * HOUR_MS
NOW = T0 + 1000 * DAY_MS
OLD = NOW - 731 * DAY_MS
YOUNG = NOW - 729 * DAY_MS


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        yield opened


def notice(key: str, at_ms: int = OLD, change: str = "raised", subject: str = "box") -> Notice:
    return Notice(key, at_ms, "too-warm", (subject,), change, "now", key, "text", routes=(Route("mail"),))  # type: ignore[arg-type]


def condition(subject: str, phase: Phase) -> Condition:
    return Condition("too-warm", subject, phase, OLD, OLD)


def told(store: Store, *notices: Notice) -> None:
    store.ledger.commit([], [], notices, {})


def deliver(store: Store) -> None:
    for row in store.outbox.lease("mail", NOW, limit=10_000):
        store.outbox.delivered(row.id, NOW)


def keys(store: Store) -> set[str]:
    return {n.key for n in store.ledger.notices(10_000)}


def test_what_is_over_and_old_goes_with_its_ways_answers_and_history(store: Store) -> None:
    moves = [
        Transition("too-warm", "box", change, at, at, "") for at in (OLD, YOUNG) for change in ("raised", "cleared")
    ]
    store.ledger.commit([condition("box", Phase.CLEAR)], moves, [notice("old"), notice("young", YOUNG)], {})
    store.ledger.answer_once(1, OLD + 5, Answer("link", "mail", "keeper"))
    deliver(store)
    forgotten = store.forget(NOW, 3650)
    assert (forgotten.notices, forgotten.history) == (1, 2)
    assert keys(store) == {"young"}
    assert [o.notice for o in store.outbox.outgoing()] == [2]
    assert store.db.rows("SELECT COUNT(*) FROM answer") == [(0,)]
    assert {t.at_ms for t in store.ledger.history()} == {YOUNG}
    assert store.db.rows("PRAGMA foreign_key_check") == []
    # Numbers are not given twice: an old code never answers another notice.
    told(store, notice("next"))
    assert store.ledger.notices(1)[0].id == 3


@pytest.mark.parametrize(
    ("phase", "answered", "change", "stays"),
    [
        (Phase.RAISED, True, "raised", True),
        (Phase.FALLING, True, "still", True),
        (Phase.RAISED, False, "raised", True),
        (Phase.CLEAR, False, "raised", False),
        (Phase.RISING, True, "raised", False),
        (None, False, "raised", True),
        (None, True, "raised", False),
        (None, False, "daily", False),
        (None, False, "drill", False),
        (Phase.RAISED, False, "cleared", False),
    ],
)
def test_a_notice_stays_while_it_is_true_or_nobody_knows(
    store: Store, phase: Phase | None, answered: bool, change: str, stays: bool
) -> None:
    store.ledger.commit([condition("box", phase)] if phase else [], [], [notice("n", change=change)], {})
    deliver(store)
    if answered:
        store.ledger.answer(1, OLD + 5, "keeper")
    store.forget(NOW, 3650)
    assert (keys(store) == {"n"}) is stays


def test_the_history_of_what_is_still_raised_stays(store: Store) -> None:
    raised = [Transition("too-warm", s, "raised", OLD, OLD, "") for s in ("up", "down")]
    store.ledger.commit([condition("up", Phase.RAISED), condition("down", Phase.CLEAR)], raised, [], {})
    assert store.forget(NOW, 3650).history == 1
    assert [t.subject for t in store.ledger.history()] == ["up"]


@pytest.mark.parametrize("state", ["waiting", "leased"])
def test_what_is_on_its_way_stays_however_old(store: Store, state: str) -> None:
    told(store, notice("daily", change="daily"))
    if state == "leased":
        store.outbox.lease("mail", NOW)
    assert store.forget(NOW, 3650).notices == 0
    assert [o.state for o in store.outbox.outgoing()] == [state]


def test_a_digest_and_what_it_stands_for_stay_until_it_is_delivered(store: Store) -> None:
    told(store, *(notice(f"d{k}", change="cleared", subject=f"s{k}") for k in range(3)))
    made = Notice("digest", OLD + 5, "digest", (), "digest", "today", "title", "text")

    def make(_: Sequence[Notice]) -> Notice:
        return made

    assert store.backlog.fold("mail", OLD + DAY_MS, make, 0) == 3
    store.forget(NOW, 3650)
    assert len(keys(store)) == 4
    deliver(store)
    # First what it stands for, then the digest itself.
    assert store.forget(NOW, 3650).notices == 3
    assert keys(store) == {"digest"}
    assert store.forget(NOW, 3650).notices == 1
    assert store.db.rows("PRAGMA foreign_key_check") == []


def test_many_old_notices_go_a_little_at_a_time_and_the_rest_another_day(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "STEPS_A_DAY", 3)
    monkeypatch.setattr(retention, "ROWS_A_STEP", 20)
    monkeypatch.setattr(database, "STEP_PAUSE_S", 0.0)
    told(store, *(notice(f"n{k}", change="daily") for k in range(80)))
    deliver(store)
    # Each is told again for each trigger that it sets off.
    deleted: set[str] = set()
    store.db.connection.set_trace_callback(deleted.add)
    assert store.forget(NOW, 3650).notices == 60
    store.db.connection.set_trace_callback(None)
    assert sum(sql.startswith("DELETE FROM notice") for sql in deleted) == 60
    assert store.forget(NOW, 3650).notices == 20
    assert keys(store) == set()


def test_while_much_is_forgotten_readings_are_stored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between any two steps another connection may write, and no step takes more rows than it may."""
    with Store(tmp_path) as store, Store(tmp_path) as intake:
        store.journal.ingest([Reading("a", T0 + h * HOUR_MS, 28.0, T0) for h in range(1200)])
        store.folding.fold(T0 + 1200 * HOUR_MS)
        left = []

        def meanwhile(_: float) -> None:
            left.append(store.db.rows("SELECT COUNT(*) FROM chunk")[0][0])
            intake.journal.ingest([Reading("b", NOW + len(left), 28.0, NOW)])

        monkeypatch.setattr(time, "sleep", meanwhile)
        assert store.forget(NOW, 400).hours == 1200
        assert left == [*range(1200 - OPENED_AT_ONCE, 0, -OPENED_AT_ONCE), 0]
        assert store.readings.counts() == {"a": 0, "b": len(left)}


def test_a_packet_stays_known_as_long_as_it_can_come_again(store: Store) -> None:
    marks = [InboxMark(mid, bytes([mid % 256])) for mid in range(1, 40_001)]
    for k in range(0, 40_000, 1000):
        store.journal.ingest([Reading("a", T0 + k, 28.0, T0)], [], marks[k : k + 1000])
        if k % 3000 == 0:
            store.folding.fold(T0 + HOUR_MS)
    assert sorted(store.journal.inbox()) == list(range(40_001 - AGAIN_WITHIN, 40_001))
    assert 40_000 - AGAIN_WITHIN - 3000 < store.forget(NOW, 3650).marks <= 40_000 - AGAIN_WITHIN
    assert sorted(store.journal.inbox()) == list(range(40_001 - AGAIN_WITHIN, 40_001))


def test_the_account_of_every_egg_is_never_forgotten(store: Store) -> None:
    laid = KeeperEvent(EventKind.LAID, "c1", T0, T0 + 1, eggs=4, species="x")
    store.account.tell(laid)
    store.forget(NOW + 100 * 365 * DAY_MS, 400)
    assert store.account.events() == [replace(laid, id=1)]


def test_what_was_forgotten_is_said_in_words(store: Store) -> None:
    assert str(store.forget(NOW, 3650)) == (
        "0 hours of readings, 0 messages that could not be read, 0 notices, 0 lines of history, 0 marks of packets and "
        "0 keys of entries dropped"
    )


def test_everything_is_kept_exactly_as_long_as_is_said(store: Store) -> None:
    """Readings as the room's file says, what could not be read 400 days, what was told 730; and no hour longer."""

    def reading(before_ms: int) -> Reading:
        return Reading("a", NOW - before_ms, 28.0, NOW - before_ms)

    store.folding.bulk("a", columns_of([reading(10 * DAY_MS + k) for k in (HOUR_MS, 1, 0, -HOUR_MS)]))
    for k in (1, 0):
        store.journal.ingest([], [Quarantined(NOW - 400 * DAY_MS - k, "t", b"?", "no JSON")])
        told(store, notice(f"n{k}", NOW - 730 * DAY_MS - k, "cleared"))
    deliver(store)
    forgotten = store.forget(NOW, 10)
    assert (forgotten.hours, forgotten.unread, forgotten.notices) == (1, 1, 1)
    assert (store.readings.first_at("a"), keys(store)) == (NOW - 10 * DAY_MS, {"n0"})
    assert [q.received_ms for q in store.unread.messages()] == [NOW - 400 * DAY_MS]
