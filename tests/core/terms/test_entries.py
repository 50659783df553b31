"""The account balances, whatever is told and in whichever order; and nothing in it is guessed."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.terms.balance import Balance, balance_of, balance_of_all, became, ended_ms
from monitor.core.terms.entries import check_name, check_told, settled
from monitor.core.terms.events import LOST, Clutch, EventKind, KeeperEvent
from monitor.core.terms.projection import project
from monitor.core.terms.times import DAY_MS
from monitor.errors import EntryUndecided, EventRefused

T0 = 1_770_000_000_000 // DAY_MS * DAY_MS


class Told:
    """An account that takes an entry as the store does: settled, projected, checked; or leaves no trace."""

    def __init__(self) -> None:
        self.events: list[KeeperEvent] = []

    def tell(self, kind: str, day: float, clutch: str = "c1", **more: Any) -> KeeperEvent:
        at = T0 + round(day * DAY_MS)
        event = KeeperEvent(EventKind(kind), clutch, at, at, **more)
        if not event.withdrawn:
            event = settled(event, self.events)
        event = replace(event, id=len(self.events) + 1)
        after = project([*self.events, event])
        if not event.withdrawn:
            check_told(event, after)
        self.events.append(event)
        return event

    def clutch(self, name: str = "c1") -> Clutch:
        return project(self.events)[name]


@pytest.fixture
def told() -> Told:
    """Twelve eggs and two slugs, laid on day 0; eight set in box A on day 1, four in box B."""
    a = Told()
    a.tell("laid", 0, eggs=12, slugs=2, species="Testudo exempli")
    a.tell("set", 1, box="A", eggs=8)
    a.tell("set", 1, box="B", eggs=4)
    return a


ANY = [kind for kind in EventKind if kind not in (EventKind.LAID, EventKind.CORRECT)]
STEP = st.fixed_dictionaries(
    {
        "kind": st.sampled_from(ANY),
        "days": st.floats(-3.0, 40.0),
        "box": st.sampled_from(["", "A", "B", "c1/A", "c1/A#2"]),
        "to_box": st.sampled_from(["A", "B"]),
        "eggs": st.none() | st.integers(-1, 14),
        "how": st.sampled_from(["", *LOST]),
        "not_set": st.sampled_from([False, False, True]),
        "grams": st.none() | st.floats(1.0, 2000.0),
        "fertile": st.none() | st.integers(0, 6),
        "doubtful": st.none() | st.integers(0, 6),
        "clear": st.none() | st.integers(0, 6),
        "change": st.none() | st.integers(1, 20),
        "withdrawn": st.booleans(),
    }
)


@given(st.integers(0, 12), st.integers(0, 3), st.integers(0, 3), st.lists(STEP, max_size=25))
def test_laid_is_what_is_in_boxes_not_set_hatched_lost_and_removed_after_every_entry(
    eggs: int, slugs: int, gone: int, steps: list[dict[str, Any]]
) -> None:
    a = Told()
    with contextlib.suppress(EventRefused):
        a.tell("laid", 0, eggs=eggs, slugs=slugs, gone=gone)
    days = 1.0
    for step in steps if a.events else []:
        days = max(days + step["days"], 0.1)
        more = {name: step[name] for name in ("box", "eggs", "how", "not_set", "grams")}
        if step["kind"] in (EventKind.MOVED, EventKind.SPLIT):
            more["to_box"] = step["to_box"]
        if step["kind"] is EventKind.CANDLED:
            more |= {name: step[name] for name in ("fertile", "doubtful", "clear")}
        old = step["change"]
        kind = step["kind"]
        if old is not None and 1 < old <= len(a.events):
            kind = a.events[old - 1].kind
            more |= {"corrects": old, "withdrawn": step["withdrawn"]}
        with contextlib.suppress(EventRefused):
            a.tell(kind.value, days, **more)
        clutch = a.clutch()
        balance = balance_of(clutch)
        assert balance.laid == eggs + slugs
        assert balance.odd == 0
        assert min(balance.not_set, balance.in_boxes, balance.hatched, balance.removed, balance.dead) >= 0
        assert clutch.shed <= balance.hatched
        assert clutch.fed <= balance.hatched
        if clutch.finished_ms is not None:
            assert balance.in_boxes == balance.not_set == 0
        for lot in clutch.lots:
            assert 0 <= lot.inside + lot.waiting <= lot.eggs
            assert lot.dead_pipped <= lot.dead
    counted = [e for e in a.events if e.kind in (EventKind.DEAD, EventKind.HATCHED, EventKind.SET, EventKind.REMOVED)]
    assert all(e.eggs is not None for e in counted if not e.withdrawn)


def test_a_season_balances_with_every_loss_by_its_kind(told: Told) -> None:
    told.tell("dead", 20, box="A", eggs=1, how="mould")
    told.tell("candled", 20, box="B", fertile=2, doubtful=1)
    told.tell("dead", 22, box="B", eggs=1, how="slug")
    told.tell("split", 25, box="A", to_box="C", eggs=3)
    told.tell("removed", 30, box="C", eggs=1)
    told.tell("pipped", 60, box="A", eggs=3)
    told.tell("dead", 61, box="A", eggs=1, how="in-shell")
    told.tell("hatched", 62, box="A", eggs=2)
    clutch = told.clutch()
    above = clutch.lot("c1/A")
    # The one that died in its shell had pipped: the other that lies still is still waited for.
    assert (above.eggs, above.inside, above.waiting) == (1, 0, 1)
    # A slug is no egg that failed, and the one in doubt is waited for.
    assert (clutch.lot("c1/B").failed, clutch.lot("c1/B").waiting) == (0, 3)
    balance = balance_of(clutch)
    assert balance == Balance(14, 0, 1 + 3 + 2, 2, (("slug", 3), ("mould", 1), ("in-shell", 1)), 1)
    assert balance.words() == (
        "14 laid: 6 in boxes, 2 hatched, 3 slug or infertile, 1 mould, 1 dead in shell, 1 removed"
    )
    assert balance_of_all([clutch, clutch]).laid == 28


def test_a_clutch_ends_when_its_last_egg_has_gone_and_is_finished_only_then(told: Told) -> None:
    with pytest.raises(EventRefused, match=r"8 eggs in A, 4 eggs in B"):
        told.tell("finished", 70)
    assert ended_ms(told.clutch()) is None
    told.tell("hatched", 70, box="A", eggs=8)
    told.tell("dead", 71, box="B", eggs=4, how="dried-out")
    assert ended_ms(told.clutch()) == T0 + 71 * DAY_MS
    told.tell("finished", 72)
    assert became(told.clutch()) == "8 of 14 eggs hatched, 2 slug or infertile, 4 dried out"
    with pytest.raises(EventRefused, match="finished"):
        told.tell("looked", 73, box="A")
    told.tell("shed", 80, eggs=5)
    with pytest.raises(EventRefused, match="3 hatchlings have not"):
        told.tell("shed", 81, eggs=4)
    told.tell("fed", 84, eggs=8)
    assert (told.clutch().shed, told.clutch().fed) == (5, 8)


def test_what_is_gone_or_lost_before_it_is_set_is_in_the_balance() -> None:
    a = Told()
    a.tell("laid", 0, eggs=6, gone=2)
    a.tell("dead", 1, eggs=1, how="dried-out")
    a.tell("set", 2, box="A", eggs=1)
    with pytest.raises(EntryUndecided, match="several places"):
        a.tell("removed", 3, eggs=1)
    a.tell("removed", 3, eggs=1, not_set=True)
    assert balance_of(a.clutch()) == Balance(6, 1, 1, 0, (("dried-out", 1),), 3)


@pytest.mark.parametrize(
    ("kind", "more", "asks", "choices", "most"),
    [
        ("dead", {"box": "A"}, "eggs", (), 8),
        ("hatched", {"box": "B"}, "eggs", (), 4),
        ("pipped", {"box": "B"}, "eggs", (), 4),
        ("split", {"box": "B", "to_box": "C"}, "eggs", (), 3),
        ("looked", {}, "box", ("A", "B"), 0),
        ("removed", {"eggs": 1}, "box", ("A", "B"), 0),
    ],
)
def test_what_could_be_more_than_one_thing_is_asked_for(
    told: Told, kind: str, more: dict[str, Any], asks: str, choices: tuple[str, ...], most: int
) -> None:
    before = list(told.events)
    with pytest.raises(EntryUndecided) as asked:
        told.tell(kind, 50, **more)
    assert (asked.value.asks, asked.value.choices, asked.value.most) == (asks, choices, most)
    assert told.events == before


def test_the_only_possible_number_and_box_are_taken_and_stored(told: Told) -> None:
    assert told.tell("moved", 30, box="B", to_box="C").eggs == 4
    told.tell("hatched", 60, box="A", eggs=8)
    told.tell("dead", 61, eggs=3, how="mould")
    last = told.tell("pipped", 62)
    assert (last.eggs, last.box) == (1, "C")
    assert told.tell("hatched", 63).eggs == 1
    assert told.tell("shed", 70, eggs=8).eggs == 8
    assert told.tell("shed", 71).eggs == 1


def test_two_parts_of_a_clutch_in_one_box_are_told_apart_by_the_keeper(told: Told) -> None:
    told.tell("moved", 30, box="B", to_box="A")
    with pytest.raises(EntryUndecided) as asked:
        told.tell("pipped", 60, box="A", eggs=1)
    assert asked.value.choices == ("c1/A", "c1/A#2")
    told.tell("pipped", 60, box="c1/A#2", eggs=1)
    assert told.clutch().lot("c1/A#2").pipped == 1


def test_the_same_entry_is_taken_once(told: Told) -> None:
    told.tell("pipped", 60, box="A", eggs=1, by="Ada")
    with pytest.raises(EventRefused, match="entry 4 says the same"):
        told.tell("pipped", 60, box="A", eggs=1, by="Bo")
    told.tell("pipped", 60.01, box="A", eggs=1)
    told.tell("weighed", 60, clutch="", box="A", grams=800.0)
    with pytest.raises(EventRefused, match="entry 6 says the same"):
        told.tell("weighed", 60, clutch="", box="A", grams=900.0)
    # Taken back it may be told anew, and a correction may say what it corrects.
    told.tell("pipped", 60, box="A", eggs=1, corrects=4, withdrawn=True)
    told.tell("pipped", 60, box="A", eggs=1)


@pytest.mark.parametrize(
    ("kind", "day", "more", "why"),
    [
        ("set", 575, {"box": "A", "eggs": 1}, "575 days after"),
        ("note", 1200, {"text": "x"}, "1200 days after"),
        ("dead", 10, {"box": "A", "eggs": 1, "how": "bored"}, "no way to lose"),
        ("looked", 10, {"box": "A", "not_set": True}, "in a box"),
        ("weighed", 10, {"box": "A"}, "grams"),
        ("watered", 10, {"box": "A", "grams": -3.0}, "grams"),
        ("weighed", 10, {"grams": 3.0}, "which box"),
        ("note", 10, {"text": "x" * 2001}, "signs"),
        ("split", 10, {"box": "A", "to_box": "C", "eggs": 8}, "not a part"),
        ("candled", 10, {"box": "A", "clear": 9}, "9 clear"),
        ("fed", 10, {"eggs": 1}, "0 hatchlings"),
        ("looked", 10, {"box": "A", "how": "mould"}, "says nothing of: how"),
        ("pipped", 10, {"box": "A", "eggs": 1, "fertile": 0}, "says nothing of: fertile"),
    ],
)
def test_what_an_account_cannot_hold_is_refused(
    told: Told, kind: str, day: float, more: dict[str, Any], why: str
) -> None:
    told.tell("laid", 0, clutch="c2", eggs=3)
    name = "c2" if kind == "set" else "c1"
    with pytest.raises(EventRefused, match=why):
        told.tell(kind, day, clutch=name, **more)


@pytest.mark.parametrize("name", ["K 01", "", "-K", "K/1", "x" * 65, " K"])
def test_a_clutch_has_a_name_without_blanks(name: str) -> None:
    with pytest.raises(EventRefused, match="name of a clutch"):
        check_name(name)
    check_name("K01.b-2_ä")


def test_doubtful_eggs_are_waited_for_and_clear_ones_are_not(told: Told) -> None:
    told.tell("candled", 10, box="A", fertile=5, doubtful=2)
    assert (told.clutch().lot("c1/A").infertile, told.clutch().lot("c1/A").waiting) == (1, 7)
    told.tell("candled", 20, box="A", clear=2)
    assert told.clutch().lot("c1/A").waiting == 6
    told.tell("dead", 21, box="A", eggs=2, how="slug")
    assert (told.clutch().lot("c1/A").infertile, told.clutch().lot("c1/A").waiting) == (0, 6)
