"""Notices on their way: who is sent first, what a failed try leaves, and what is told of a channel that fails."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.adapters.store import Outgoing, Store
from monitor.core.notices.notice import Notice, Route
from monitor.core.terms.settings import Urgency

T0 = 1_780_000_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        yield opened


def add(store: Store, key: str, urgency: Urgency = "now", at_ms: int = T0, *routes: Route) -> int:
    told = Notice(
        key, at_ms, "too-warm", ("a",), "raised", urgency, key, "text", routes=routes or (Route("mail"), Route("hook"))
    )
    (made,) = store.ledger.commit([], [], [told], {})
    return made.id


def of(store: Store, notice: int, channel: str = "mail") -> Outgoing:
    (found,) = [o for o in store.outbox.outgoing(notice) if o.channel == channel]
    return found


def test_the_urgent_goes_first_and_of_the_same_urgency_what_came_first(store: Store) -> None:
    keys: list[tuple[str, Urgency]] = [
        ("d1", "later"), ("t1", "today"), ("n1", "now"), ("d2", "later"), ("n2", "now"), ("t2", "today"),
    ]  # fmt: skip
    for key, urgency in keys:
        add(store, key, urgency)
    assert [w.notice.key for w in store.outbox.lease("mail", T0, 4)] == ["n1", "n2", "t1", "t2"]
    assert [w.notice.key for w in store.outbox.lease("mail", T0)] == ["d1", "d2"]
    assert store.outbox.lease("mail", T0) == []
    assert len(store.outbox.lease("hook", T0)) == 6


def test_nothing_goes_before_its_time_and_the_queue_says_when_the_first_may(store: Store) -> None:
    add(store, "early", "now", T0, Route("mail", T0 + 5))
    add(store, "late", "now", T0, Route("mail", T0 + 50))
    assert store.outbox.queue() == {"mail": (2, T0 + 5)}
    assert store.outbox.lease("mail", T0 + 4) == []
    (got,) = store.outbox.lease("mail", T0 + 5)
    assert (got.notice.key, got.channel, got.attempts) == ("early", "mail", 0)
    assert store.outbox.queue() == {"mail": (2, T0 + 5)}, "what is being sent is on its way"
    store.outbox.delivered(got.id, T0 + 6)
    assert store.outbox.queue() == {"mail": (1, T0 + 50)}


def test_a_failed_try_waits_and_counts_and_a_delivered_one_forgets_why(store: Store) -> None:
    number = add(store, "k")
    (got,) = store.outbox.lease("mail", T0)
    store.outbox.failed(got.id, "no answer", T0 + 60)
    assert of(store, number) == Outgoing(number, "mail", "waiting", 1, None, "no answer")
    assert store.outbox.lease("mail", T0 + 59) == []
    (again,) = store.outbox.lease("mail", T0 + 60)
    assert (again.id, again.attempts) == (got.id, 1)
    store.outbox.delivered(again.id, T0 + 61)
    assert of(store, number) == Outgoing(number, "mail", "delivered", 2, T0 + 61, "")
    assert of(store, number, "hook").state == "waiting"
    assert store.outbox.lease("mail", T0 + 10**9) == []


def test_given_up_is_not_tried_again_and_not_waited_for(store: Store) -> None:
    number = add(store, "k")
    (got,) = store.outbox.lease("mail", T0)
    store.outbox.failed(got.id, "no such address", T0 + 60, give_up=True)
    assert of(store, number) == Outgoing(number, "mail", "given-up", 1, None, "no such address")
    assert store.outbox.queue().keys() == {"hook"}
    assert store.outbox.lease("mail", T0 + 10**9) == []
    assert store.outbox.undelivered() == {}


def test_only_waits_after_failed_tries_are_forgotten_of_one_channel_or_of_all(store: Store) -> None:
    """What waits for the end of quiet hours was not tried yet, and goes on waiting."""
    for key in ("x", "y"):
        add(store, key, "now", T0, Route("mail"), Route("hook"))
    add(store, "quiet", "now", T0, Route("mail", T0 + 900), Route("hook", T0 + 900))
    for channel in ("mail", "hook"):
        for w in store.outbox.lease(channel, T0):
            store.outbox.failed(w.id, "down", T0 + 600)
    assert store.outbox.lease("mail", T0 + 1) == []
    store.outbox.retry_at_once("mail")
    assert store.outbox.lease("hook", T0 + 1) == []
    assert [w.notice.key for w in store.outbox.lease("mail", T0 + 1)] == ["x", "y"]
    store.outbox.retry_at_once()
    assert [w.notice.key for w in store.outbox.lease("hook", T0 + 1)] == ["x", "y"]


def test_what_was_being_sent_is_sent_again_after_a_restart(store: Store) -> None:
    number = add(store, "k")
    for channel in ("mail", "hook"):
        (got,) = store.outbox.lease(channel, T0)
    store.outbox.delivered(got.id, T0 + 1)
    assert store.outbox.release_leases("hook") == 0
    assert of(store, number).state == "leased"
    assert store.outbox.release_leases("mail") == 1
    (mail,) = store.outbox.lease("mail", T0)
    assert store.outbox.release_leases() == 1
    assert [w.id for w in store.outbox.lease("mail", T0)] == [mail.id]
    assert of(store, number, "hook").state == "delivered"


def test_of_a_channel_that_fails_is_told_how_many_wait_since_when_and_why(store: Store) -> None:
    for k in range(3):
        add(store, f"k{k}", "now", T0 - k)
    assert store.outbox.undelivered() == {}
    for w in store.outbox.lease("mail", T0):
        if w.notice.key != "k2":
            store.outbox.failed(w.id, "down", T0 + 600)
    assert store.outbox.undelivered() == {"mail": (2, T0 - 1, "down")}
    store.outbox.retry_at_once()
    store.outbox.lease("mail", T0)
    assert store.outbox.undelivered() == {"mail": (2, T0 - 1, "down")}, "being tried again is not delivered"


def test_only_a_lease_is_not_waited_for_to_be_on_the_disk(store: Store) -> None:
    def waits() -> int:
        return int(store.db.rows("PRAGMA synchronous")[0][0])

    full = waits()
    number = add(store, "a")
    seen = []
    store.db.connection.set_trace_callback(lambda sql: seen.append(sql) if "synchronous" in sql else None)
    (row,) = store.outbox.lease("mail", T0)
    store.db.connection.set_trace_callback(None)
    assert [sql.split("=")[-1] for sql in seen] == ["NORMAL", "FULL"]
    assert waits() == full
    store.outbox.delivered(row.id, T0 + 1)
    assert of(store, number).state == "delivered"


def test_a_lease_that_fails_leaves_all_else_to_be_waited_for(store: Store) -> None:
    full = store.db.rows("PRAGMA synchronous")
    with pytest.raises(ZeroDivisionError), store.db.write(lasting=False):
        raise ZeroDivisionError
    assert store.db.rows("PRAGMA synchronous") == full
