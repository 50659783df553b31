"""The ledger: what the keeper told, conditions, notices and the outbox, each in whole transactions."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.core.notices.conditions import Condition, Phase, Transition
from monitor.core.notices.notice import Notice, Route
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.settings import Urgency
from monitor.core.terms.times import DAY_MS
from monitor.errors import EventRefused, StoreError, UnknownSubject
from tests.peers import PROJECT

T0 = 1_780_000_000_000
EVERYTHING: tuple[Urgency, ...] = ("now", "today", "later")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        yield opened


def contents(store: Store) -> list[str]:
    return list(store.db.connection.iterdump())


def fail_at(store: Store, what: str) -> None:
    verb, table = what.split()
    store.db.connection.execute(
        f"CREATE TRIGGER fault BEFORE {verb} ON {table} BEGIN SELECT RAISE(ABORT, 'fault in the middle'); END"
    )


def event(kind: str, day: float, **more: object) -> KeeperEvent:
    at = T0 + round(day * DAY_MS)
    return KeeperEvent(EventKind(kind), "c1", at, at + 60_000, **more)  # type: ignore[arg-type]


def notice(key: str, urgency: Urgency = "now", *subjects: str) -> Notice:
    return Notice(key, T0, "too-warm", subjects or ("box A",), "raised", urgency, f"Title {key}", "Text")


RAISED = Condition(
    "too-warm", "box A", Phase.RAISED, T0, T0 + 5, None, T0 + 9, 2, facts={"limit_c": 31.0, "where": "oben", "n": None}
)
RAISE = Transition("too-warm", "box A", "raised", T0 + 5, T0, "beyond the limit for 900 s")


# -- T4 ------------------------------------------------------------------------------------------------------


def test_events_come_back_as_they_were_told_and_are_numbered_in_that_order(store: Store) -> None:
    told = [
        store.account.tell(event("laid", 0, eggs=4, species="Testudo exempli", day_only=True)),
        store.account.tell(event("set", 1, box="A", eggs=4)),
        store.account.tell(event("candled", 20, box="A", fertile=3, text="Adern gut zu sehen")),
        store.account.tell(event("pipped", 50, box="A", eggs=1, not_yet_at_ms=T0 + 49 * DAY_MS)),
        store.account.tell(event("pipped", 50, box="A", corrects=4, withdrawn=True)),
    ]
    assert [e.id for e in told] == [1, 2, 3, 4, 5]
    assert store.account.events() == told
    assert store.account.clutches()["c1"].lots[0].pipped == 0
    assert store.account.clutches(T0 + 10 * DAY_MS)["c1"].lots[0].infertile == 0


def test_what_cannot_have_happened_is_refused_and_leaves_no_trace(store: Store) -> None:
    store.account.tell(event("laid", 0, eggs=4))
    before = contents(store)
    with pytest.raises(EventRefused):
        store.account.tell(event("set", 1, box="A", eggs=5))
    with pytest.raises(UnknownSubject):
        store.account.tell(replace(event("note", 1), clutch="c9"))
    with pytest.raises(EventRefused, match="no such box"):
        store.account.tell(event("set", 1, box="A", eggs=4), check=_object)
    assert contents(store) == before
    assert store.account.tell(event("set", 1, box="A", eggs=4)).id == 2


def _object(_: object) -> None:
    raise EventRefused("no such box")


def test_an_event_is_written_whole_or_not_at_all(store: Store) -> None:
    fail_at(store, "INSERT event")
    before = contents(store)
    with pytest.raises(StoreError, match="fault in the middle"):
        store.account.tell(event("laid", 0, eggs=4))
    assert contents(store) == before


@pytest.mark.slow
def test_two_who_tell_at_once_are_checked_one_after_the_other(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.account.tell(event("laid", 0, eggs=30))
        store.account.tell(event("set", 1, box="A", eggs=30))
    code = (
        "import sys\nfrom monitor.adapters.store import Store\nfrom monitor.core.terms.events import *\n"
        "from monitor.errors import EventRefused\nstore, done = Store(sys.argv[1]), 0\n"
        "for i in range(20):\n"
        "    try:\n"
        f"        at = {T0 + 9 * DAY_MS} + 2 * i + int(sys.argv[2])\n"
        "        store.account.tell(KeeperEvent(EventKind.REMOVED, 'c1', at, at, box='A', eggs=1))\n"
        "        done += 1\n"
        "    except EventRefused:\n        pass\n"
        "print(done)\n"
    )
    tellers = [
        subprocess.Popen([sys.executable, "-c", code, str(tmp_path), str(i)], cwd=PROJECT, stdout=subprocess.PIPE)
        for i in range(2)
    ]
    done = [int(t.communicate(timeout=60)[0]) for t in tellers]
    with Store(tmp_path) as store:
        assert sum(done) == 30
        assert store.account.clutches()["c1"].lots[0].removed == 30
        assert [e.id for e in store.account.events()] == list(range(1, 33))


# -- T2 ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("what", ["INSERT condition", "INSERT history", "INSERT notice", "INSERT outbox"])
def test_a_change_and_its_notice_are_written_whole_or_not_at_all(store: Store, what: str) -> None:
    fail_at(store, what)
    before = contents(store)
    with pytest.raises(StoreError, match="fault in the middle"):
        store.ledger.commit([RAISED], [RAISE], [notice("k1")], {"mail": EVERYTHING})
    assert contents(store) == before
    store.db.connection.execute("DROP TRIGGER fault")
    assert [n.key for n in store.ledger.commit([RAISED], [RAISE], [notice("k1")], {"mail": EVERYTHING})] == ["k1"]


def test_conditions_their_history_and_notices_come_back_as_they_were(store: Store) -> None:
    made = store.ledger.commit([RAISED], [RAISE], [notice("k1", "now", "box A", "Kiste ü")], {"mail": EVERYTHING})
    assert store.ledger.conditions() == {("too-warm", "box A"): RAISED}
    assert store.ledger.history() == [replace(RAISE, since_ms=RAISE.at_ms)]
    assert store.ledger.notices() == made == [replace(notice("k1", "now", "box A", "Kiste ü"), id=1)]
    assert store.ledger.notice(1) == made[0]
    with pytest.raises(UnknownSubject, match="no notice 2"):
        store.ledger.notice(2)


def test_a_notice_is_made_once_and_goes_to_the_channels_that_want_its_urgency(store: Store) -> None:
    channels: dict[str, tuple[Urgency, ...]] = {"phone": ("now",), "mail": EVERYTHING, "paper": ("later",)}
    store.ledger.commit((), (), [notice("k1", "now"), notice("k2", "later")], channels)
    assert store.ledger.commit((), (), [notice("k1", "now"), notice("k3", "today")], channels)[0].key == "k3"
    keys = {n.id: n.key for n in store.ledger.notices()}
    assert sorted((keys[o.notice], o.channel) for o in store.outbox.outgoing()) == [
        ("k1", "mail"),
        ("k1", "phone"),
        ("k2", "mail"),
        ("k2", "paper"),
        ("k3", "mail"),
    ]
    assert [o.channel for o in store.outbox.outgoing(1)] == ["phone", "mail"]


def test_an_answer_acknowledges_the_conditions_that_are_still_raised(store: Store) -> None:
    cleared = replace(RAISED, subject="box B", phase=Phase.CLEAR)
    store.ledger.commit([RAISED, cleared], [], [notice("k1", "now", "box A", "box B", "box C")], {})
    answered = store.ledger.answer(1, T0 + 100, "the keeper")
    assert (answered.answered_ms, answered.answer) == (T0 + 100, "the keeper")
    assert store.ledger.answer(1, T0 + 200, "somebody else") == answered
    found = store.ledger.conditions()
    assert found["too-warm", "box A"].acknowledged_ms == T0 + 100
    assert found["too-warm", "box B"].acknowledged_ms is None
    assert [(t.subject, t.change) for t in store.ledger.history()] == [("box A", "acknowledged")]
    with pytest.raises(UnknownSubject):
        store.ledger.answer(99, T0, "nobody")


def test_an_answer_given_while_a_round_was_computed_is_not_lost_in_its_commit(store: Store) -> None:
    store.ledger.commit([RAISED], [RAISE], [notice("k1")], {})
    before = store.ledger.conditions()[RAISED.key]
    store.ledger.answer(1, T0 + 100, "the keeper")
    store.ledger.commit([replace(before, last_ms=T0 + 500)], [], [], {})
    assert store.ledger.conditions()[RAISED.key] == replace(RAISED, last_ms=T0 + 500, acknowledged_ms=T0 + 100)
    # A new raise is acknowledged by nobody.
    again = replace(before, changed_ms=T0 + 900)
    store.ledger.commit([again], [replace(RAISE, at_ms=T0 + 900)], [], {})
    assert store.ledger.conditions()[RAISED.key].acknowledged_ms is None


def test_what_was_answered_while_a_round_was_computed_is_not_told_again_by_it(store: Store) -> None:
    other = replace(RAISED, subject="box B")
    store.ledger.commit([RAISED, other], [RAISE], [notice("k1", "now", RAISED.subject)], {})
    store.ledger.answer(1, T0 + 100, "the keeper")
    judged = [replace(c, last_ms=T0 + 500, told=2) for c in (RAISED, other)]

    def told(key: str, *subjects: str) -> bool:
        again = replace(notice(key, "now", *subjects), change="still")
        return bool(store.ledger.commit(judged, [], [again], {"phone": ("now",)}))

    assert not told("k2", RAISED.subject)
    assert store.outbox.outgoing() == []
    assert told("k3", RAISED.subject, "box B"), "of one of them nobody has answered"
    assert store.ledger.commit(judged, [], [notice("k4", "now", RAISED.subject)], {}), "it is no reminder"
    # What is judged from then on knows of the answer itself.
    judged[0] = replace(judged[0], acknowledged_ms=T0 + 100)
    assert told("k5", RAISED.subject)


def test_shelving_outlives_a_round_and_can_be_ended(store: Store) -> None:
    store.ledger.commit([RAISED], [RAISE], [], {})
    before = store.ledger.conditions()[RAISED.key]
    store.ledger.shelve("too-warm", "box A", T0 + DAY_MS, T0 + 1, "the keeper")
    store.ledger.commit([replace(before, last_ms=T0 + 500)], [], [], {})
    shelved = store.ledger.conditions()[RAISED.key]
    assert (shelved.shelved_until_ms, shelved.last_ms) == (T0 + DAY_MS, T0 + 500)
    store.ledger.shelve("too-warm", "box A", None, T0 + 2, "the keeper")
    store.ledger.commit([replace(shelved, last_ms=T0 + 600)], [], [], {})
    assert store.ledger.conditions()[RAISED.key].shelved_until_ms is None
    assert [t.change for t in store.ledger.history()][:2] == ["unshelved", "shelved"]
    with pytest.raises(UnknownSubject):
        store.ledger.shelve("too-warm", "box Z", None, T0, "nobody")


# -- T3 ------------------------------------------------------------------------------------------------------


def test_what_is_leased_is_not_leased_again_until_it_is_released(store: Store) -> None:
    store.ledger.commit((), (), [notice("k1"), notice("k2")], {"mail": EVERYTHING, "phone": EVERYTHING})
    assert [w.notice.key for w in store.outbox.lease("mail", T0)] == ["k1", "k2"]
    assert store.outbox.lease("mail", T0) == []
    assert [w.channel for w in store.outbox.lease("phone", T0, 1)] == ["phone"]
    assert store.outbox.release_leases("phone") == 1
    assert store.outbox.release_leases() == 2
    assert len(store.outbox.lease("mail", T0)) == 2


def test_the_urgent_ones_go_first(store: Store) -> None:
    batch = [notice("d", "later"), notice("t", "today"), notice("n1", "now"), notice("n2", "now")]
    store.ledger.commit((), (), batch, {"mail": EVERYTHING})
    assert [w.notice.key for w in store.outbox.lease("mail", T0)] == ["n1", "n2", "t", "d"]


def test_a_failed_one_waits_and_counts_and_a_delivered_one_is_done(store: Store) -> None:
    store.ledger.commit((), (), [notice("k1"), notice("k2"), notice("k3")], {"mail": EVERYTHING})
    one, two, three = store.outbox.lease("mail", T0)
    store.outbox.delivered(one.id, T0 + 5)
    store.outbox.failed(two.id, "no answer", T0 + 1000)
    store.outbox.failed(three.id, "too old", T0 + 1000, give_up=True)
    assert [(o.state, o.attempts, o.delivered_ms, o.error) for o in store.outbox.outgoing()] == [
        ("delivered", 1, T0 + 5, ""),
        ("waiting", 1, None, "no answer"),
        ("given-up", 1, None, "too old"),
    ]
    assert store.outbox.undelivered() == {"mail": (1, T0, "no answer")}
    assert store.outbox.lease("mail", T0 + 999) == []
    assert [w.attempts for w in store.outbox.lease("mail", T0 + 1000)] == [1]
    store.outbox.failed(two.id, "no answer", T0 + 10**9)
    store.outbox.retry_at_once()
    assert len(store.outbox.lease("mail", T0)) == 1


@pytest.mark.parametrize("what", ["lease", "delivered", "failed"])
def test_a_mark_that_fails_leaves_the_outbox_as_it_was(store: Store, what: str) -> None:
    store.ledger.commit((), (), [notice("k1")], {"mail": EVERYTHING})
    if what != "lease":
        store.outbox.lease("mail", T0)
    fail_at(store, "UPDATE outbox")
    before = contents(store)
    calls: dict[str, Callable[[], object]] = {
        "lease": lambda: store.outbox.lease("mail", T0),
        "delivered": lambda: store.outbox.delivered(1, T0),
        "failed": lambda: store.outbox.failed(1, "no", T0),
    }
    with pytest.raises(StoreError, match="fault in the middle"):
        calls[what]()
    assert contents(store) == before


SENDER = """
import itertools, os, signal, sys
from monitor.adapters.store import Store

def send(left):
    def place():
        nonlocal left
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
    store = Store(sys.argv[1])
    store.outbox.release_leases()
    while True:
        place()
        waiting = store.outbox.lease("mail", 2**50, 2)
        if not waiting:
            break
        for one in waiting:
            place()
            with open(sys.argv[2], "a") as sent:
                sent.write(one.notice.key + "\\n")
                sent.flush()
                os.fsync(sent.fileno())
            place()
            store.outbox.delivered(one.id, 1)
            place()

# Each sender is a process of its own, made of this one before it has opened anything.
for after in itertools.chain((1, 2, 3, 4, 5, 6), itertools.repeat(10**6)):
    child = os.fork()
    if child == 0:
        send(after)
        os._exit(0)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    print(code)
    if code != -signal.SIGKILL:
        break
"""


@pytest.mark.slow
def test_killed_between_any_two_steps_of_sending_every_notice_goes_out_once_at_least(tmp_path: Path) -> None:
    keys = [f"k{i}" for i in range(12)]
    with Store(tmp_path / "data") as store:
        store.ledger.commit((), (), [notice(k) for k in keys], {"mail": EVERYTHING})
    out = tmp_path / "sent"
    done = subprocess.run(
        [sys.executable, "-c", SENDER, str(tmp_path / "data"), str(out)], cwd=PROJECT, capture_output=True, text=True
    )
    *killed, last = map(int, done.stdout.split())
    assert last == 0, done.stderr
    kills = killed.count(-9)
    assert kills == len(killed)
    sent = out.read_text().split()
    assert kills == 6
    assert set(sent) == set(keys)
    assert len(sent) <= len(keys) + kills
    with Store(tmp_path / "data") as store:
        assert {o.state for o in store.outbox.outgoing()} == {"delivered"}


# -- escalation ------------------------------------------------------------------------------------------------------


def stepped_notice(key: str, *boxes: str) -> Notice:
    ways = (Route("mail"), Route("neighbour", T0 + 1_200_000, if_open=True))
    return replace(notice(key, "now", *boxes), routes=ways)


def states(store: Store) -> dict[str, str]:
    return {o.channel: o.state for o in store.outbox.outgoing()}


def test_a_further_step_waits_for_its_time(store: Store) -> None:
    store.ledger.commit([RAISED], [RAISE], [stepped_notice("k1", RAISED.subject)], {})
    assert [w.channel for w in store.outbox.lease("mail", T0)] == ["mail"]
    assert store.outbox.lease("neighbour", T0) == []
    assert [w.channel for w in store.outbox.lease("neighbour", T0 + 1_200_000)] == ["neighbour"]


def test_an_answer_makes_the_further_step_needless(store: Store) -> None:
    made = store.ledger.commit([RAISED], [RAISE], [stepped_notice("k1", RAISED.subject)], {})
    store.ledger.answer(made[0].id, T0 + 60_000, "keeper")
    assert states(store) == {"mail": "waiting", "neighbour": "not-needed"}


def test_when_all_it_tells_of_has_cleared_the_further_step_is_needless(store: Store) -> None:
    other = replace(RAISED, subject="box other")
    store.ledger.commit([RAISED, other], [RAISE], [stepped_notice("k1", RAISED.subject, "box other")], {})
    over = replace(RAISED, phase=Phase.CLEAR)
    store.ledger.commit([over], [replace(RAISE, change="cleared")], [], {})
    assert states(store)["neighbour"] == "waiting"
    end = replace(RAISE, subject="box other", change="cleared")
    store.ledger.commit([replace(other, phase=Phase.CLEAR)], [end], [], {})
    assert states(store) == {"mail": "waiting", "neighbour": "not-needed"}


def test_it_is_known_which_channels_were_told_of_a_matter_while_it_lasted(store: Store) -> None:
    def reached() -> set[str]:
        return set(store.ledger.reached("too-warm", [RAISED.subject]))

    store.ledger.commit([RAISED], [RAISE], [stepped_notice("k1", RAISED.subject)], {})
    assert reached() == set()
    (mail,) = store.outbox.lease("mail", T0)
    store.outbox.delivered(mail.id, T0)
    assert reached() == {"mail"}
    # On its way counts as told: an end that nobody needed is better than one that is missing.
    store.outbox.lease("neighbour", T0 + 1_200_000)
    assert reached() == {"mail", "neighbour"}
    assert store.ledger.reached("too-cool", [RAISED.subject]) == store.ledger.reached("too-warm", ["other"]) == set()
    over = replace(notice("k2", "today", RAISED.subject), change="cleared")
    store.ledger.commit([replace(RAISED, phase=Phase.CLEAR)], [replace(RAISE, change="cleared")], [over], {})
    assert reached() == set()


def test_what_was_for_the_diary_since_the_last_daily_line_oldest_first(store: Store) -> None:
    def commit(*notices: Notice) -> None:
        store.ledger.commit((), (), notices, {})

    line = replace(notice("line", "later"), kind="daily-line", change="daily")
    commit(notice("before", "later"))
    assert [n.key for n in store.ledger.since_daily_line()] == ["before"]
    commit(replace(line, key="first"))
    assert store.ledger.since_daily_line() == []
    over = replace(notice("over", "later"), change="cleared")
    commit(notice("a", "later"), notice("waking", "now"), over, replace(notice("drill", "later"), change="drill"))
    assert [n.key for n in store.ledger.since_daily_line()] == ["a", "over"]
    assert [n.key for n in store.ledger.since_daily_line(limit=2)] == ["over"], "the newest of very much"
    commit(replace(line, key="second"))
    assert store.ledger.since_daily_line() == []
