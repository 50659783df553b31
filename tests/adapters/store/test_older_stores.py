"""A store written before: it opens, is brought up, loses nothing, and says the same as it did."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.store import InboxMark, Store, columns_of, database
from monitor.adapters.store.unread import ALL_BYTES, SOURCE_BYTES
from monitor.core.notices.answers import Answer
from monitor.core.notices.conditions import Condition, Phase, Transition
from monitor.core.notices.notice import Notice, Route
from monitor.core.readings.corrections import Correction
from monitor.core.terms.events import EventKind, Flag, KeeperEvent, Reading
from monitor.core.terms.times import DAY_MS, HOUR_MS
from tests import older_chunks

T0 = 1_780_000_000_000 // HOUR_MS * HOUR_MS
QUARTER_MS = 900_000
# What each schema of before had, of what is written here.
OLD_COLUMNS = {
    "quarantine": "seq, received, topic, payload, reason, probe",
    "notice": "id, key, at, kind, subjects, change, urgency, title, text, answered, answer",
}
BEFORE_UNREAD = 5


def readings(n: int) -> list[Reading]:
    rng = random.Random(4)
    return [
        Reading(
            rng.choice("abc"),
            T0 + rng.randrange(40 * HOUR_MS),
            rng.choice((27.5, 28.1, 1 / 3, 85.0)),
            T0 + 41 * HOUR_MS,
            rng.choice((Flag.GOOD, Flag.SUSPECT)),
            rng.choice(("", "stuck")),
            rng.random() < 0.5,
        )
        for _ in range(n)
    ]


def notice(key: str, at_ms: int, change: str, *subjects: str) -> Notice:
    ways = (Route("mail"), Route("second", not_before_ms=at_ms + HOUR_MS, if_open=True))
    return Notice(key, at_ms, "too-warm", subjects, change, "now", f"Title {key}", "Text", routes=ways)  # type: ignore[arg-type]


def fill(store: Store, *, before: bool) -> None:
    """Something of everything that the service of before wrote; or the same as it is written today."""
    marks = [InboxMark(mid, bytes([mid])) for mid in range(1, 200)]
    logged = columns_of([Reading("logger", T0 - k * HOUR_MS, 26.0, T0) for k in range(1, 50)])
    if before:
        older_chunks.ingest(store, readings(3000), marks)
        older_chunks.fold(store, T0 + 30 * HOUR_MS, "chunk")
        with store.db.write():
            older_chunks.put(store, store.probes.given("logger"), logged.sorted_first_wins(), "chunk")
    else:
        store.journal.ingest(readings(3000), [], marks)
        store.folding.fold(T0 + 30 * HOUR_MS)
        store.folding.bulk("logger", logged)
    store.account.tell(KeeperEvent(EventKind.LAID, "c1", T0, T0 + 1, eggs=4, species="x"))
    told = store.corrections.tell(
        [
            Correction(p, T0 + k, 0.2 * k, 0.1, 0.05, "side-by-side", T0 + k + 5)  # type: ignore[arg-type]
            for k, p in enumerate("abc")
        ]
    )
    store.corrections.withdraw(told[1].id, T0 + 99)
    up = Condition("too-warm", "box A", Phase.RAISED, T0, T0 + 5, None, T0 + 9, 2, facts={"limit_c": 31.0})
    clear = replace(up, subject="box B", phase=Phase.CLEAR)
    moves = [Transition("too-warm", "box A", "raised", T0 + 5, T0, "beyond the limit")]
    store.ledger.commit([up, clear], moves, [notice("n1", T0 + 5, "raised", "box A")], {})
    for k in range(5):
        store.ledger.commit([], [], [notice(f"over {k}", T0 + 10 + k, "cleared", f"box {k}")], {})
    store.ledger.answer_once(1, T0 + 50, Answer("link", "mail", "keeper"))
    (first,) = store.outbox.lease("mail", T0 + 60, limit=1)
    store.outbox.delivered(first.id, T0 + 61)
    (second,) = store.outbox.lease("mail", T0 + 62, limit=1)
    store.outbox.failed(second.id, "no answer", T0 + 70)
    digest = Notice("digest", T0 + DAY_MS, "digest", (), "digest", "today", "Title", "Text")
    assert store.backlog.fold("mail", T0 + DAY_MS, lambda _: digest, 0) > 1


def unreadable(store: Store, n: int, size: int = 300) -> None:
    """As the service of before wrote what could not be read: without any bound."""
    rows = [(T0 + k * 10_000, f"room/{'ab'[k % 2]}", b"\xff" * size, f"why {k}", "ab"[k % 2]) for k in range(n)]
    rows.append((T0, "shipping", b"line", "refused", ""))
    with store.db.write() as c:
        c.executemany("INSERT INTO quarantine(received, topic, payload, reason, probe) VALUES (?,?,?,?,?)", rows)


def told(store: Store) -> dict[str, Any]:
    """What the store says to all who ask."""
    return {
        "readings": {
            p: [list(map(repr, column)) for column in (c.at, c.value, c.received, c.flag, c.timed, c.test)]
            for p, c in store.readings.load(["a", "b", "c", "logger"], 0, 2**60).items()
        },
        "counts": store.readings.counts(),
        "new": store.journal.since(0),
        "inbox": store.journal.inbox(),
        "events": store.account.events(),
        "conditions": store.ledger.conditions(),
        "history": store.ledger.history(),
        "notices": store.ledger.notices(),
        "outgoing": store.outbox.outgoing(),
        "queue": store.outbox.queue(),
        "corrections": store.corrections.all(),
        "unread": store.unread.messages(10**6),
    }


def tables(store: Store) -> dict[str, Sequence[tuple[Any, ...]]]:
    names = [name for (name,) in store.db.rows("SELECT name FROM sqlite_master WHERE type='table' ORDER BY name")]
    return {name: store.db.rows(f"SELECT {OLD_COLUMNS.get(name, '*')} FROM {name}") for name in names}


def as_of_before(store: Store) -> None:
    with store.db.write() as c:
        c.execute("ALTER TABLE notice DROP COLUMN story")


@pytest.fixture
def older(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[], Store]:
    """Opens the store with the schema of before the bounds of what could not be read."""
    steps = database._schema()

    def opened() -> Store:
        monkeypatch.setattr(database, "_schema", lambda: steps[:BEFORE_UNREAD])
        store = Store(tmp_path)
        monkeypatch.setattr(database, "_schema", lambda: steps)
        assert store.db.rows("PRAGMA user_version") == [(BEFORE_UNREAD,)]
        # What writes and reads here is the ledger of today, which knows of stories; `as_of_before` takes them away.
        with store.db.write() as c:
            c.execute("ALTER TABLE notice ADD COLUMN story TEXT NOT NULL DEFAULT ''")
        return store

    return opened


def test_a_store_of_before_opens_loses_nothing_and_says_the_same(tmp_path: Path, older: Callable[[], Store]) -> None:
    with Store(tmp_path / "same") as store:
        fill(store, before=False)
        unreadable(store, 400)
        before = told(store)
    with older() as store:
        fill(store, before=True)
        unreadable(store, 400)
        rows = {name: found for name, found in tables(store).items() if name != "chunk"}
        lately = {
            str(probe): (int(n), str(why))
            for probe, n, why, _ in store.db.rows(
                "SELECT probe, COUNT(*), reason, MAX(seq) FROM quarantine "
                "WHERE received>=? AND probe<>'' GROUP BY probe",
                T0 + 3_990_000 - QUARTER_MS,
            )
        }
        as_of_before(store)
    assert all(before.values())
    with Store(tmp_path) as store:
        assert store.db.rows("PRAGMA user_version")[0][0] > BEFORE_UNREAD
        assert told(store) == before
        after = tables(store)
        assert {name: after[name] for name in rows} == rows
        assert store.unread.since(T0 + 3_990_000 - QUARTER_MS, T0 + 3_990_000) == lately
        assert {(s.probe, s.n, s.first_ms, s.last_ms, s.reason) for s in store.unread.sources()} == {
            ("a", 200, T0, T0 + 3_980_000, "why 398"),
            ("b", 200, T0 + 10_000, T0 + 3_990_000, "why 399"),
            ("", 1, T0, T0, "refused"),
        }
        assert store.db.check() == []
        assert store.db.rows("PRAGMA foreign_key_check") == []
    with Store(tmp_path) as store:
        assert told(store) == before
        while store.folding.pack(T0 + 10 * DAY_MS):
            pass
        assert store.db.rows("SELECT COUNT(*) FROM hour_chunk") == [(0,)]
        assert told(store) == before


def test_a_store_of_before_that_holds_much_rubbish_is_brought_down_a_little_at_a_time(
    tmp_path: Path, older: Callable[[], Store], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "STEP_PAUSE_S", 0.0)
    with older() as store:
        unreadable(store, 40_000)
        as_of_before(store)
    with Store(tmp_path) as store:
        dropped = store.forget(T0 + DAY_MS, 3650).unread
        sources = {s.probe: s for s in store.unread.sources()}
        assert sources["a"].n == sources["b"].n == 20_000
        assert max(s.kept_bytes for s in sources.values()) <= SOURCE_BYTES < ALL_BYTES
        messages = store.unread.messages(10**6)
        assert len(messages) + dropped == 40_001
        assert min(q.received_ms for q in messages if q.probe == "a") == T0
        assert messages[1].reason == "why 39999"
        # The room that it took is used again; the file need not grow for weeks.
        free, size = (store.db.rows(f"PRAGMA {name}")[0][0] for name in ("freelist_count", "page_count"))
        assert free > 0.8 * size


def test_every_schema_of_before_is_brought_up_to_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steps, made = database._schema(), []
    for number in range(1, len(steps) + 1):
        monkeypatch.setattr(database, "_schema", lambda upto=number: steps[:upto])
        Store(tmp_path / str(number)).close()
        monkeypatch.setattr(database, "_schema", lambda: steps)
        with Store(tmp_path / str(number)) as store:
            made.append(store.db.rows("SELECT type, name, sql FROM sqlite_master ORDER BY name"))
    assert made == [made[-1]] * len(steps)
