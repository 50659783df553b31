"""The book of what an outside database was sent: nothing is left out, whatever moves or changes in between."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.adapters.store import Store, columns_of
from monitor.adapters.store.shipping import DEAD_LETTER_TOPIC, DeadLetter
from monitor.core.terms.events import Reading
from monitor.core.terms.times import HOUR_MS

T0 = 1_780_000_000_000 // HOUR_MS * HOUR_MS
H0 = T0 // HOUR_MS
THERE = "there"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        opened.db.connection.execute("PRAGMA synchronous=OFF")
        yield opened


def reading(at_ms: int, value: float = 28.0, probe: str = "a") -> Reading:
    return Reading(probe, at_ms, value, at_ms + 5)


def readings(probe: str, start: int, n: int) -> list[Reading]:
    """One each ten seconds."""
    return [reading(T0 + i * 10_000, 20 + (i % 977) / 100, probe) for i in range(start, start + n)]


def ship(store: Store, there: dict[tuple[str, int], float], limit: int) -> None:
    """Send one portion of each kind, as the shipper does, into a database that overwrites."""
    rows = store.shipping.fresh(THERE, limit)
    for row in rows:
        there[row.probe, row.at_ms] = row.value
    if rows:
        store.shipping.sent(THERE, T0, seq=rows[-1].seq)
    hours = store.shipping.hours(THERE, limit)
    for hour in hours:
        there.update(
            {(hour.probe, at): v for at, v in zip(hour.columns.at.tolist(), hour.columns.value.tolist(), strict=True)}
        )
    store.shipping.sent(THERE, T0, hours=hours)


@pytest.mark.parametrize("seed", range(12))
def test_whatever_comes_folds_and_is_sent_in_any_order_in_the_end_the_same_is_there(store: Store, seed: int) -> None:
    rng = random.Random(seed)
    there: dict[tuple[str, int], float] = {}
    if rng.random() < 0.5:
        store.journal.ingest([reading(T0 + k * 60_000) for k in range(200)])
        store.folding.fold(T0 + 2 * HOUR_MS)
    assert store.shipping.begin(THERE, T0)
    for _ in range(40):
        at = [T0 + rng.randrange(4 * 60) * 60_000 for _ in range(rng.randrange(1, 20))]
        step = rng.choice(["come", "come", "fold", "import", "ship", "ship"])
        if step == "come":
            store.journal.ingest([reading(t, rng.random(), rng.choice("ab")) for t in at])
        elif step == "fold":
            store.folding.fold(T0 + rng.randrange(5) * HOUR_MS)
        elif step == "import":
            store.folding.bulk("a", columns_of([reading(t, rng.random()) for t in at]))
        else:
            ship(store, there, rng.choice([1, 3, 50]))
    store.folding.fold(T0 + 3 * HOUR_MS)
    while store.shipping.behind(THERE):
        before = store.shipping.behind(THERE)
        ship(store, there, 1000)
        assert store.shipping.behind(THERE) < before
    held = store.readings.load("ab", 0, 2**60)
    here = {(p, at): v for p, c in held.items() for at, v in zip(c.at.tolist(), c.value.tolist(), strict=True)}
    missing = here.keys() - there.keys()
    assert (missing, there.keys() - here.keys()) == (set(), set())
    store.folding.fold(T0 + 5 * HOUR_MS)
    while store.shipping.hours(THERE, 1):
        ship(store, there, 1000)
    assert there == here, "of what came twice the first counts, once its hour is full"


def test_what_is_behind_is_counted_in_the_journal_and_in_marked_hours(store: Store) -> None:
    store.journal.ingest([reading(T0 + k) for k in range(5)])
    store.folding.fold(T0 + HOUR_MS)
    store.journal.ingest([reading(T0 + HOUR_MS + k) for k in range(3)])
    assert store.shipping.begin(THERE, T0)
    assert store.shipping.behind(THERE) == 8
    rows = store.shipping.fresh(THERE, 2)
    assert [r.at_ms for r in rows] == [T0 + HOUR_MS, T0 + HOUR_MS + 1], "oldest first"
    store.shipping.sent(THERE, T0, seq=rows[-1].seq)
    assert store.shipping.behind(THERE) == 6
    store.shipping.sent(THERE, T0, seq=rows[0].seq)
    assert store.shipping.behind(THERE) == 6, "a cursor never goes back"
    store.shipping.sent(THERE, T0, hours=store.shipping.hours(THERE, 9))
    assert store.shipping.behind(THERE) == 1


def test_an_hour_that_changed_while_it_was_under_way_stays_marked(store: Store) -> None:
    store.folding.bulk("a", columns_of(readings("a", 0, 10)))
    assert store.shipping.begin("there", T0)
    assert not store.shipping.begin("there", T0 + 5)
    hours = store.shipping.hours("there", 10)
    assert [(h.probe, h.hour, h.n, len(h.columns)) for h in hours] == [("a", T0 // HOUR_MS, 10, 10)]
    store.folding.bulk("a", columns_of(readings("a", 10, 5)))
    store.shipping.sent("there", T0, hours=hours)
    assert store.shipping.behind("there") == 15
    again = store.shipping.hours("there", 10)
    store.shipping.sent("there", T0, hours=again)
    assert store.shipping.behind("there") == 0
    assert store.shipping.whole_at("there") == T0


def test_an_hour_that_retention_took_away_is_forgotten(store: Store) -> None:
    store.folding.bulk("a", columns_of(readings("a", 0, 10)))
    store.shipping.begin("there", T0)
    store.folding.drop_before(T0 + HOUR_MS)
    hours = store.shipping.hours("there", 10)
    assert [len(h.columns) for h in hours] == [0]
    store.shipping.sent("there", T0, hours=hours)
    assert store.shipping.hours("there", 10) == []


def test_the_newest_hours_go_first(store: Store) -> None:
    store.folding.bulk("a", columns_of(readings("a", 0, 1000)))
    store.shipping.begin("there", T0)
    hours = [h.hour for h in store.shipping.hours("there", 10)]
    assert hours == sorted(hours, reverse=True)
    assert len(hours) == 3


def test_switched_off_nothing_is_marked_any_more(store: Store) -> None:
    store.shipping.begin("there", T0)
    store.shipping.forget()
    store.folding.bulk("a", columns_of(readings("a", 0, 10)))
    assert store.db.rows("SELECT * FROM ship_hour") == []
    assert store.shipping.whole_at("there") is None


def test_of_another_destination_nothing_stays_and_a_known_one_goes_on(store: Store) -> None:
    store.journal.ingest([reading(T0)])
    store.folding.fold(T0 + HOUR_MS)
    assert store.shipping.begin(THERE, T0)
    store.shipping.sent(THERE, T0, hours=store.shipping.hours(THERE, 9))
    store.shipping.note_whole(THERE, T0 + 5)
    assert not store.shipping.begin(THERE, T0 + 9)
    assert (store.shipping.whole_at(THERE), store.shipping.behind(THERE)) == (T0 + 5, 0)
    assert store.shipping.begin("elsewhere", T0 + 10)
    assert (store.shipping.whole_at("elsewhere"), store.shipping.behind("elsewhere")) == (T0 + 10, 1)
    assert store.shipping.whole_at(THERE) is None
    assert store.shipping.begin(THERE, T0 + 11), "it was forgotten"
    store.shipping.forget()
    assert (store.shipping.whole_at(THERE), store.shipping.hours(THERE, 9)) == (None, [])
    assert store.shipping.begin(THERE, T0 + 12)


def test_a_line_that_will_never_be_taken_is_kept_with_its_reason(store: Store) -> None:
    store.shipping.begin(THERE, T0)
    store.shipping.sent(THERE, T0, dead=[DeadLetter("room value=1 2", "no such field")])
    (kept,) = store.unread.messages()
    assert (kept.topic, kept.payload, kept.reason, kept.received_ms) == (
        DEAD_LETTER_TOPIC,
        b"room value=1 2",
        "no such field",
        T0,
    )
