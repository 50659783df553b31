"""What has waited: one digest for what is over, and plans that survive a clock that is set."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC
from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.core.notices.conditions import Condition, Phase
from monitor.core.notices.notice import Notice, NoticeChange, Route
from monitor.core.notices.notices import digest
from monitor.core.terms.settings import Channel, Urgency

T0 = 1_790_000_000_000
HOUR = 3_600_000
DAY = 24 * HOUR


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        yield opened


def add(
    store: Store,
    change: NoticeChange,
    *subjects: str,
    at: int = T0,
    kind: str = "too-cool",
    urgency: Urgency = "now",
    routes: tuple[Route, ...] = (Route("log"), Route("mail")),
    up: bool | None = None,
) -> int:
    """A notice, with its conditions as they then are."""
    up = change in ("raised", "still") if up is None else up
    conditions = [
        Condition(kind, s, Phase.RAISED if up else Phase.CLEAR, at, at, last_ms=at)
        for s in subjects
        if change != "still"
    ]
    made = Notice(
        f"{kind}/{'+'.join(subjects)}/{change}/{at}", at, kind, subjects, change, urgency,
        f"{change} {' '.join(subjects)}", "text", routes=routes,
    )  # fmt: skip
    (kept,) = store.ledger.commit(conditions, (), [made], {})
    return kept.id


def fold(store: Store, now_ms: int) -> int:
    return store.backlog.fold("mail", now_ms, lambda found: digest(found, "mail", now_ms, UTC), 0)


def states(store: Store, channel: str = "mail") -> dict[int, str]:
    return {o.notice: o.state for o in store.outbox.outgoing() if o.channel == channel}


def test_a_night_without_the_channel_is_one_digest_and_what_is_still_true(store: Store) -> None:
    add(store, "raised", "a")
    add(store, "still", "a", at=T0 + HOUR)
    add(store, "cleared", "a", at=T0 + 2 * HOUR, urgency="today")
    add(store, "raised", "b", at=T0 + 3 * HOUR)
    add(store, "still", "b", at=T0 + 4 * HOUR)
    add(store, "raised", "p", at=T0 + 4 * HOUR, kind="probe-quiet", urgency="today")
    now = T0 + 8 * HOUR
    assert fold(store, now) == 4
    got = []
    while rows := store.outbox.lease("mail", now, limit=1):
        got.append(rows[0].notice)
        store.outbox.delivered(rows[0].id, now)
    # In the order of urgency; of b the newest.
    assert [n.title for n in got[:2]] == ["still b", "raised p"]
    assert got[2].change == "digest"
    lines = [line[11:] for line in got[2].text.splitlines()[1:5]]
    assert lines == ["raised a", "still a", "cleared a", "raised b"]
    assert set(states(store).values()) == {"delivered"}, "what is folded has arrived with the digest"
    assert len(store.ledger.notices()) == 7, "the ledger keeps all"
    assert set(states(store, "log").values()) == {"waiting"}, "the log has its own rows"


def test_one_that_is_over_comes_as_itself_and_so_does_what_is_fresh(store: Store) -> None:
    add(store, "raised", "a")
    now = T0 + 8 * HOUR
    add(store, "cleared", "a", at=now)
    assert fold(store, now + 1) == 0
    assert [w.notice.change for w in store.outbox.lease("mail", now + 1)] == ["raised", "cleared"]


def test_a_raise_of_several_stays_while_one_of_them_is_true(store: Store) -> None:
    add(store, "raised", "a", "b")
    add(store, "cleared", "a", at=T0 + HOUR)
    add(store, "cleared", "c", at=T0 + HOUR, kind="other")
    assert fold(store, T0 + 8 * HOUR) == 2
    assert states(store)[1] == "waiting"


def test_what_was_raised_again_is_two_matters(store: Store) -> None:
    add(store, "raised", "a")
    add(store, "cleared", "a", at=T0 + HOUR)
    add(store, "raised", "a", at=T0 + 2 * HOUR)
    assert fold(store, T0 + 8 * HOUR) == 2
    assert states(store)[3] == "waiting"


def test_a_digest_that_is_not_delivered_goes_into_the_next(store: Store) -> None:
    for n in range(2):
        add(store, "cleared", f"x{n}", at=T0 + n)
    assert fold(store, T0 + HOUR) == 2
    (row,) = store.outbox.lease("mail", T0 + HOUR)
    store.outbox.failed(row.id, "no answer", 0)
    assert fold(store, T0 + 2 * HOUR) == 0, "nothing new"
    add(store, "cleared", "x2", at=T0 + 2 * HOUR)
    assert fold(store, T0 + 3 * HOUR) == 3
    (row,) = store.outbox.lease("mail", T0 + 3 * HOUR)
    assert row.notice.text.count("cleared x") == 3
    store.outbox.delivered(row.id, T0 + 3 * HOUR)
    assert set(states(store).values()) == {"delivered"}


def test_of_daily_lines_the_newest_comes_as_itself(store: Store) -> None:
    for n in range(4):
        add(store, "daily", "a", at=T0 + n * DAY, kind="daily-line", urgency="later")
    assert fold(store, T0 + 4 * DAY) == 3
    assert states(store)[4] == "waiting"


def test_given_up_is_given_up_with_all_it_stands_for(store: Store) -> None:
    for n in range(2):
        add(store, "cleared", f"x{n}", at=T0 + n)
    fold(store, T0 + HOUR)
    (row,) = store.outbox.lease("mail", T0 + HOUR)
    store.outbox.failed(row.id, "too old", 0, give_up=True)
    assert set(states(store).values()) == {"given-up"}


# -- plans on a clock that is set ----------------------------------------------------------------------------------

NIGHT_END = T0 + 7 * HOUR


def planned(store: Store) -> dict[str, int]:
    rows = store.db.rows("SELECT channel, not_before FROM outbox WHERE channel<>'log'")
    return {str(channel): int(at) for channel, at in rows}


def test_what_waits_for_its_time_is_not_sent_by_a_restart_or_by_another_channels_recovery(store: Store) -> None:
    add(
        store, "raised", "a", urgency="today",
        routes=(Route("phone", NIGHT_END), Route("person", T0 + 2 * HOUR, if_open=True)),
    )  # fmt: skip
    before = planned(store)
    store.outbox.retry_at_once()
    store.backlog.replan(T0, T0, NIGHT_END)
    assert planned(store) == {"phone": NIGHT_END, "person": NIGHT_END} or planned(store) == before


@pytest.mark.parametrize("step_ms", [-HOUR, DAY, -DAY, 400 * DAY, -400 * DAY])
def test_a_further_step_keeps_what_was_left_of_its_wait(store: Store, step_ms: int) -> None:
    add(store, "raised", "a", routes=(Route("person", T0 + 2 * HOUR, if_open=True),))
    old = T0 + HOUR // 2
    store.backlog.replan(old, old + step_ms, 0)
    assert planned(store) == {"person": old + step_ms + 3 * HOUR // 2}


def test_what_waited_for_the_end_of_the_night_waits_for_that_of_the_new_clock(store: Store) -> None:
    add(store, "raised", "a", urgency="today", routes=(Route("phone", NIGHT_END),))
    store.backlog.replan(T0, T0 + DAY // 2, 0)
    assert planned(store) == {"phone": 0}
    add(store, "raised", "b", urgency="today", routes=(Route("phone", NIGHT_END),))
    store.backlog.replan(T0, T0 - HOUR, T0 + 3 * HOUR)
    assert max(at for _, at in store.db.rows("SELECT id, not_before FROM outbox")) == T0 + 3 * HOUR


def test_a_plan_made_while_the_clock_was_ahead_is_not_longer_than_it_was(store: Store) -> None:
    """At a start nothing is known of a step."""
    ahead = 300 * DAY
    add(store, "raised", "a", at=T0 + ahead, routes=(Route("person", T0 + ahead + HOUR, if_open=True),))
    store.backlog.replan(T0, T0, 0)
    assert planned(store) == {"person": T0 + HOUR}


# -- a channel that is gone ----------------------------------------------------------------------------------------


def test_what_waits_for_a_channel_that_is_gone_goes_to_the_others_if_it_reached_nobody(store: Store) -> None:
    add(store, "raised", "a", routes=(Route("log"), Route("old")))
    both = add(store, "raised", "b", routes=(Route("log"), Route("old"), Route("phone")))
    assert store.backlog.adopt("old", [Channel("phone", "x://"), Channel("mail", "x://", urgencies=("today",))]) == (
        2,
        1,
    )
    assert states(store, "old") == {1: "given-up", 2: "given-up"}
    assert states(store, "phone") == {1: "waiting", both: "waiting"}
    assert states(store, "mail") == {}
