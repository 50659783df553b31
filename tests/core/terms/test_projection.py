"""The keeper's account: what can be told, what is refused, and what follows from it."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.terms.balance import balance_of, became, became_of_lot
from monitor.core.terms.entries import MOST_EGGS, check_told
from monitor.core.terms.events import (
    COUNTED,
    OF_BOXES,
    Clutch,
    EventKind,
    Flag,
    KeeperEvent,
    Lot,
    PipSeen,
    SeenAlive,
    Stay,
)
from monitor.core.terms.projection import RULES, effective, project
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import EventRefused, UnknownSubject

T0 = 1_770_000_000_000 // DAY_MS * DAY_MS


class Account:
    """Events numbered in the order of telling, some days after ``T0``."""

    def __init__(self) -> None:
        self.events: list[KeeperEvent] = []

    def tell(self, kind: str, day: float, clutch: str = "c1", **more: object) -> int:
        number = len(self.events) + 1
        at = T0 + round(day * DAY_MS)
        event = KeeperEvent(EventKind(kind), clutch, at, at, id=number, **more)  # type: ignore[arg-type]
        project([*self.events, event])
        self.events.append(event)
        return number

    def clutch(self, until_day: float | None = None, name: str = "c1") -> Clutch:
        return project(self.events, None if until_day is None else T0 + round(until_day * DAY_MS))[name]

    def lot(self, name: str) -> Lot:
        return self.clutch().lot(name)


@pytest.fixture
def account() -> Account:
    """Twelve eggs, laid on day 0, eight of them set in box A on day 1 and four in box B."""
    a = Account()
    a.tell("laid", 0, eggs=12, species="Testudo exempli")
    a.tell("set", 1, box="A", eggs=8)
    a.tell("set", 1, box="B", eggs=4)
    return a


def day(number: float) -> int:
    return T0 + round(number * DAY_MS)


# -- from laid to hatched --------------------------------------------------------------------------------


def test_a_clutch_is_laid_and_its_eggs_are_set_in_boxes(account: Account) -> None:
    clutch = account.clutch()
    assert (clutch.species, clutch.eggs, clutch.unplaced, clutch.laid_ms) == ("Testudo exempli", 12, 0, T0)
    assert [(x.id, x.box, x.eggs_set, x.eggs, x.waiting, x.open) for x in clutch.lots] == [
        ("c1/A", "A", 8, 8, 8, True),
        ("c1/B", "B", 4, 4, 4, True),
    ]
    assert clutch.lots[0].path == (Stay("A", day(1), None),)
    assert [e.kind for e in clutch.events] == [EventKind.LAID, EventKind.SET, EventKind.SET]


def test_setting_without_a_number_sets_all_that_are_in_no_box() -> None:
    a = Account()
    a.tell("laid", 0, eggs=5)
    a.tell("set", 1, box="A", eggs=2)
    a.tell("set", 2, box="B")
    assert (a.lot("c1/B").eggs_set, a.clutch().unplaced) == (3, 0)


def test_eggs_set_in_one_box_at_one_time_are_one_lot_and_later_ones_another() -> None:
    a = Account()
    a.tell("laid", 0, eggs=6)
    a.tell("set", 1, box="A", eggs=2)
    a.tell("set", 1, box="A", eggs=2)
    a.tell("set", 2, box="A", eggs=2)
    assert [(x.id, x.eggs_set, x.from_ms) for x in a.clutch().lots] == [("c1/A", 4, day(1)), ("c1/A#2", 2, day(2))]


def test_eggs_set_on_the_day_of_laying_were_laid_before_that(account: Account) -> None:
    a = Account()
    a.tell("laid", 0.5, eggs=3, day_only=True)
    a.tell("set", 0.25, box="A")
    assert a.clutch().laid_ms == day(0.25)
    with pytest.raises(EventRefused, match="before it was laid"):
        a.tell("note", -0.1)


def test_a_pip_is_known_to_lie_between_two_looks(account: Account) -> None:
    account.tell("candled", 20, box="A", fertile=8)
    account.tell("pipped", 50, box="A", eggs=2)
    account.tell("pipped", 51, box="A", not_yet_at_ms=day(50.5))
    account.tell("pipped", 51, box="B")
    lot = account.lot("c1/A")
    assert lot.pips == (PipSeen(day(20), day(50), 2), PipSeen(day(50.5), day(51), 1))
    assert (lot.pipped, lot.waiting, lot.eggs, lot.looked_ms) == (3, 5, 8, day(51))
    assert account.lot("c1/B").pips == (PipSeen(None, day(51), 1),)


def test_whoever_hatched_unseen_has_pipped_since_the_last_look(account: Account) -> None:
    account.tell("candled", 20, box="A", fertile=8)
    account.tell("pipped", 50, box="A", eggs=1)
    account.tell("hatched", 52, box="A", eggs=3)
    lot = account.lot("c1/A")
    assert lot.pips == (PipSeen(day(20), day(50), 1), PipSeen(day(50), day(52), 2))
    assert (lot.eggs, lot.waiting, lot.hatched) == (5, 5, 3)


def test_a_lot_ends_when_the_last_egg_is_out(account: Account) -> None:
    account.tell("removed", 30, box="B", eggs=1)
    account.tell("dead", 40, box="B", eggs=1)
    account.tell("hatched", 55, box="B", eggs=2)
    lot = account.lot("c1/B")
    assert (lot.removed, lot.dead, lot.hatched, lot.eggs, lot.waiting) == (1, 1, 2, 0, 0)
    assert (lot.open, lot.closed_ms, lot.path) == (False, day(55), (Stay("B", day(1), day(55)),))
    assert account.lot("c1/A").open


def test_candling_tells_infertile_eggs_and_those_taken_out_are_the_infertile_ones_first(account: Account) -> None:
    account.tell("candled", 20, box="A", fertile=5)
    assert (account.lot("c1/A").infertile, account.lot("c1/A").waiting, account.lot("c1/A").eggs) == (3, 5, 8)
    account.tell("removed", 21, box="A", eggs=2)
    assert (account.lot("c1/A").infertile, account.lot("c1/A").waiting, account.lot("c1/A").eggs) == (1, 5, 6)


def test_a_look_that_found_nothing_is_known_and_changes_no_count(account: Account) -> None:
    account.tell("looked", 50, box="A")
    account.tell("pipped", 51, box="A", eggs=2)
    lot = account.lot("c1/A")
    assert lot.pips == (PipSeen(day(50), day(51), 2),)
    assert (lot.looked_ms, lot.eggs, lot.waiting) == (day(51), 8, 6)


def test_what_was_seen_alive_is_of_the_eggs_that_still_lie(account: Account) -> None:
    account.tell("candled", 30, box="A", fertile=7)
    account.tell("candled", 50, box="A", alive=5, doubtful=2)
    assert account.lot("c1/A").alive == (SeenAlive(day(30), 7), SeenAlive(day(50), 5))
    # Those that pip were alive; of those that went elsewhere as many go along as there can be.
    account.tell("pipped", 51, box="A", eggs=2)
    assert account.lot("c1/A").alive == (SeenAlive(day(30), 5), SeenAlive(day(50), 3))
    account.tell("moved", 52, box="A", to_box="C", eggs=2)
    assert account.lot("c1/A").alive == (SeenAlive(day(30), 3), SeenAlive(day(50), 1))
    assert account.lot("c1/C").alive == (SeenAlive(day(30), 2), SeenAlive(day(50), 2))
    account.tell("dead", 53, box="A", eggs=3)
    lot = account.lot("c1/A")
    assert all(seen.count <= lot.waiting for seen in lot.alive)
    account.tell("candled", 54, box="C", alive=0, doubtful=2)
    assert account.lot("c1/C").alive[-1] == SeenAlive(day(50), 2), "none seen alive is no sign of death"


@pytest.mark.parametrize("more", [{"alive": 9}, {"alive": 5, "doubtful": 4}, {"doubtful": 9}])
def test_more_eggs_alive_and_doubtful_than_lie_still_are_refused(account: Account, more: dict[str, int]) -> None:
    with pytest.raises(EventRefused, match="lie still"):
        account.tell("candled", 30, box="A", **more)  # type: ignore[arg-type]


def test_an_egg_thought_infertile_that_pips_was_not(account: Account) -> None:
    account.tell("candled", 20, box="B", fertile=1)
    account.tell("pipped", 50, box="B", eggs=2)
    assert (account.lot("c1/B").infertile, account.lot("c1/B").waiting) == (2, 0)


def test_notes_are_kept_and_change_nothing(account: Account) -> None:
    before = account.clutch().lots
    account.tell("note", 10, text="condensation on the lid")
    assert account.clutch().notes == ((day(10), "condensation on the lid"),)
    assert account.clutch().lots == before


# -- moves -------------------------------------------------------------------------------------------------


def test_eggs_that_move_take_their_whole_past_along(account: Account) -> None:
    account.tell("candled", 20, box="A", fertile=6)
    account.tell("pipped", 50, box="A")
    account.tell("moved", 50.5, box="A", to_box="C")
    clutch = account.clutch()
    old, new = clutch.lot("c1/A"), clutch.lot("c1/C")
    assert (old.open, old.closed_ms, old.moved_on) == (False, day(50.5), True)
    assert new.path == (Stay("A", day(1), day(50.5)), Stay("C", day(50.5), None))
    assert (new.eggs_set, new.infertile, new.pips, new.looked_ms) == (8, 2, old.pips, day(50))
    assert (new.open, new.moved_on, new.from_ms) == (True, False, day(1))
    account.tell("moved", 52, box="C", to_box="A")
    back = account.lot("c1/A#2")
    assert [s.box for s in back.path] == ["A", "C", "A"]


def test_a_lot_that_is_split_shares_the_past_and_goes_on_apart(account: Account) -> None:
    account.tell("candled", 20, box="A", fertile=8)
    account.tell("moved", 30, box="A", to_box="C", eggs=3)
    clutch = account.clutch()
    stayed, went = clutch.lot("c1/A"), clutch.lot("c1/C")
    assert (stayed.eggs_set, stayed.path) == (5, (Stay("A", day(1), None),))
    assert (went.eggs_set, went.path) == (3, (Stay("A", day(1), day(30)), Stay("C", day(30), None)))
    assert went.looked_ms == day(20)
    account.tell("pipped", 50, box="C")
    assert account.lot("c1/C").pips == (PipSeen(day(20), day(50), 1),)
    assert account.lot("c1/A").pipped == 0


def test_of_a_split_lot_the_fertile_and_unpipped_eggs_are_taken_to_have_moved(account: Account) -> None:
    account.tell("candled", 20, box="A", fertile=6)
    account.tell("pipped", 50, box="A", eggs=2)
    account.tell("moved", 51, box="A", to_box="C", eggs=5)
    stayed, went = account.lot("c1/A"), account.lot("c1/C")
    # Eight eggs: two pipped, two infertile, four to come. Five move: the four and one of the infertile.
    assert (went.eggs_set, went.infertile, went.pipped, went.waiting) == (5, 1, 0, 4)
    assert (stayed.eggs_set, stayed.infertile, stayed.pipped, stayed.waiting) == (3, 1, 2, 0)


def test_more_eggs_than_the_unpipped_take_pipped_ones_along(account: Account) -> None:
    account.tell("pipped", 50, box="B", eggs=2)
    account.tell("pipped", 51, box="B", eggs=1)
    account.tell("moved", 52, box="B", to_box="C", eggs=3)
    stayed, went = account.lot("c1/B"), account.lot("c1/C")
    # Four eggs, three of them pipped: with the one that has not go the two that did so last.
    assert went.pips == (PipSeen(None, day(50), 1), PipSeen(day(50), day(51), 1))
    assert (went.eggs, went.waiting) == (3, 1)
    assert stayed.pips == (PipSeen(None, day(50), 1),)
    assert (stayed.eggs, stayed.waiting) == (1, 0)


def test_eggs_that_went_elsewhere_are_found_by_box_or_by_lot(account: Account) -> None:
    account.tell("moved", 10, box="A", to_box="B", eggs=3)
    # Box B now holds two lots of the clutch; four hatched can only be of the four set there.
    account.tell("hatched", 55, box="c1/B#2", eggs=3)
    account.tell("hatched", 56, box="B", eggs=4)
    assert [(x.id, x.hatched) for x in account.clutch().lots] == [("c1/A", 0), ("c1/B", 4), ("c1/B#2", 3)]


# -- what cannot have happened -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "on", "more", "said"),
    [
        ("laid", 5, {"eggs": 3}, "is there already"),
        ("laid", 5, {"clutch": "c2"}, "at least one egg"),
        ("laid", 5, {"clutch": "c2", "eggs": 0}, "at least one egg"),
        ("note", -1, {}, "before it was laid"),
        ("pipped", 50, {"box": "A", "not_yet_at_ms": day(50)}, "not before the one at which it was"),
        ("pipped", 50, {"box": "A", "eggs": 0}, "pipped of 0 eggs"),
        ("removed", 50, {"box": "A", "eggs": -2}, "removed of -2 eggs"),
        ("set", 2, {"eggs": 1}, "set where"),
        ("set", 2, {"eggs": 1, "box": "C"}, "1 eggs cannot be set, 0 of 12"),
        ("set", 2, {"box": "C"}, "0 eggs cannot be set, 0 of 12"),
        ("candled", 20, {"box": "C"}, "no eggs in box C"),
        ("candled", 0.5, {"box": "A"}, "no eggs in box A at that time"),
        ("candled", 20, {}, "in several boxes"),
        ("candled", 20, {"box": "A", "fertile": 9}, "9 fertile eggs, but 8 are there"),
        ("moved", 20, {"box": "A"}, "moved where to"),
        ("moved", 20, {"box": "A", "to_box": "A"}, "already"),
        ("moved", 20, {"box": "A", "to_box": "C", "eggs": 9}, "9 eggs cannot be moved, 8 are there"),
        ("moved", 1, {"box": "A", "to_box": "C"}, "moved before it came"),
        ("removed", 20, {"box": "A", "eggs": 9}, "9 eggs removed, but 8 are there"),
        ("dead", 20, {"box": "B", "eggs": 5}, "5 eggs dead, but 4 are there"),
        ("hatched", 55, {"box": "B", "eggs": 5}, "5 eggs hatched, but 4 are there"),
        ("pipped", 55, {"box": "B", "eggs": 5}, "5 more eggs pipped, but only 4 had not"),
        ("correct", 55, {}, "correction of None"),
        ("note", 55, {"corrects": 77}, "no event 77 to correct"),
    ],
)
def test_what_cannot_have_happened_is_refused(
    account: Account, kind: str, on: float, more: dict[str, object], said: str
) -> None:
    before = list(account.events)
    with pytest.raises(EventRefused) as caught:
        account.tell(kind, on, **more)  # type: ignore[arg-type]
    assert said in str(caught.value)
    assert caught.value.fix
    assert account.events == before


def test_a_clutch_that_is_not_there_is_named(account: Account) -> None:
    with pytest.raises(UnknownSubject, match="known clutches: c1"):
        account.tell("note", 5, clutch="c9")
    with pytest.raises(UnknownSubject, match="it has: c1/A, c1/B"):
        account.lot("c1/Z")


def test_nothing_more_happens_to_eggs_that_are_gone(account: Account) -> None:
    account.tell("hatched", 55, box="B")
    for kind in ("pipped", "hatched", "dead", "removed", "candled", "moved"):
        with pytest.raises(EventRefused, match="no eggs in box B"):
            account.tell(kind, 56, box="B", to_box="C" if kind == "moved" else "")


def test_an_egg_pips_once(account: Account) -> None:
    account.tell("hatched", 55, box="B", eggs=2)
    account.tell("pipped", 56, box="B", eggs=2)
    with pytest.raises(EventRefused, match="only 0 had not"):
        account.tell("pipped", 57, box="B", eggs=1)


# -- corrections ---------------------------------------------------------------------------------------------


def test_a_correction_replaces_an_event_as_if_it_had_always_been_so(account: Account) -> None:
    wrong = account.tell("pipped", 50, box="A", eggs=3)
    account.tell("pipped", 49, box="A", eggs=2, corrects=wrong)
    assert account.lot("c1/A").pips == (PipSeen(None, day(49), 2),)
    account.tell("laid", 0.5, eggs=12, species="Testudo exempli", corrects=1)
    assert account.clutch().laid_ms == day(0.5)
    assert len(account.events) == 6


def test_an_event_may_be_taken_back_and_told_anew(account: Account) -> None:
    wrong = account.tell("pipped", 50, box="A", eggs=3)
    account.tell("pipped", 50, box="A", corrects=wrong, withdrawn=True)
    assert account.lot("c1/A").pips == ()
    with pytest.raises(EventRefused, match="was taken back already"):
        account.tell("pipped", 50, box="A", corrects=wrong, withdrawn=True)
    account.tell("pipped", 50, box="A", eggs=1, corrects=wrong)
    assert account.lot("c1/A").pipped == 1


def test_a_correction_may_itself_be_corrected_by_its_own_number(account: Account) -> None:
    first = account.tell("pipped", 50, box="A", eggs=3)
    second = account.tell("pipped", 50, box="A", eggs=2, corrects=first)
    account.tell("pipped", 50, box="A", eggs=1, corrects=second)
    assert account.lot("c1/A").pipped == 1


def test_a_correction_counts_though_the_clock_was_set_back_before_it(account: Account) -> None:
    wrong = account.tell("pipped", 50, box="A", eggs=3)
    event = KeeperEvent(EventKind.PIPPED, "c1", day(50), day(2), id=wrong + 1, box="A", eggs=2, corrects=wrong)
    assert project([*account.events, event])["c1"].lot("c1/A").pipped == 2


def test_a_correction_that_makes_later_events_impossible_is_refused(account: Account) -> None:
    account.tell("hatched", 55, box="B", eggs=4)
    with pytest.raises(EventRefused, match="4 eggs hatched, but 1 are there"):
        account.tell("set", 1, box="B", eggs=1, corrects=3)
    with pytest.raises(UnknownSubject):
        account.tell("laid", 0, corrects=1, withdrawn=True)


def test_until_a_moment_only_what_had_happened_by_then_counts_with_its_corrections(account: Account) -> None:
    wrong = account.tell("pipped", 50, box="A", eggs=3)
    account.tell("hatched", 55, box="A", eggs=3)
    account.tell("pipped", 51, box="A", eggs=2, corrects=wrong)
    assert account.clutch(49).lots[0].pipped == 0
    assert account.clutch(50).lots[0].pipped == 0
    assert account.clutch(51).lots[0].pipped == 2
    assert account.clutch(54).lots[0].eggs == 8
    assert account.clutch(1).unplaced == 0
    assert account.clutch(0.9).lots == ()
    assert project(account.events, day(-1)) == {}


def test_events_told_late_take_their_place_in_time() -> None:
    a = Account()
    a.tell("laid", 0, eggs=4)
    a.tell("set", 1, box="A")
    a.tell("hatched", 60, eggs=2)
    a.tell("pipped", 58, eggs=2)
    a.tell("moved", 10, box="A", to_box="B")
    assert [e.kind.value for e in effective(a.events)] == ["laid", "set", "moved", "pipped", "hatched"]
    assert (a.lot("c1/B").pipped, a.lot("c1/B").hatched) == (2, 2)
    with pytest.raises(EventRefused, match="no eggs in box A"):
        a.tell("candled", 20, box="A", fertile=4)


def test_on_a_day_of_laying_without_an_hour_the_clutch_is_there_from_midnight_on() -> None:
    a = Account()
    a.tell("laid", 0.5, eggs=4, day_only=True)
    a.tell("set", 0.3, box="A")
    assert a.clutch(0.4).lots[0].eggs == 4
    assert a.clutch(0.1).unplaced == 4


# -- all together --------------------------------------------------------------------------------------------

STEP = st.tuples(
    st.sampled_from(["set", "moved", "candled", "removed", "dead", "pipped", "hatched"]),
    st.integers(0, 3 * 24),
    st.sampled_from(["", "A", "B", "C"]),
    st.sampled_from(["A", "B", "C"]),
    st.one_of(st.none(), st.integers(1, 6)),
)


@given(st.integers(1, 12), st.lists(STEP, max_size=25))
def test_no_egg_is_lost_or_doubled_whatever_is_told(
    eggs: int, steps: list[tuple[str, int, str, str, int | None]]
) -> None:
    a = Account()
    a.tell("laid", 0, eggs=eggs)
    hours = 24
    for kind, later, box, to_box, count in steps:
        hours += later
        more: dict[str, object] = {"fertile": count} if kind == "candled" else {"eggs": count}
        with contextlib.suppress(EventRefused):
            a.tell(kind, hours / 24, box=box, to_box=to_box if kind == "moved" else "", **more)  # type: ignore[arg-type]
        clutch = a.clutch()
        living = [lot for lot in clutch.lots if not lot.moved_on]
        assert balance_of(clutch).odd == 0
        for lot in living:
            assert min(lot.eggs, lot.waiting, lot.infertile, lot.removed, lot.dead, lot.hatched) >= 0
            assert lot.pipped <= lot.eggs_set
            assert lot.waiting <= lot.eggs
            assert lot.open == (lot.eggs > 0)
            assert all(s.to_ms == t.from_ms for s, t in zip(lot.path, lot.path[1:], strict=False))
            assert lot.path[-1].to_ms == lot.closed_ms
        assert len({lot.id for lot in clutch.lots}) == len(clutch.lots)


def test_every_kind_of_event_has_its_own_rule() -> None:
    named = {kind: f"_{kind.value}" for kind in EventKind if kind not in OF_BOXES}
    assert {kind: rule.__name__ for kind, rule in RULES.items()} == named | {EventKind.SPLIT: "_moved"}


@given(st.permutations(range(5)))
def test_the_order_in_which_events_are_handed_over_does_not_matter(order: list[int]) -> None:
    a = Account()
    a.tell("laid", 0, eggs=4)
    a.tell("set", 1, box="A")
    wrong = a.tell("pipped", 50, box="A", eggs=2)
    a.tell("pipped", 50, box="A", eggs=1, corrects=wrong)
    a.tell("hatched", 52, box="A", eggs=1)
    assert project([a.events[i] for i in order]) == project(a.events)


def test_flags_good_and_not_judged_are_usable_and_no_others() -> None:
    assert [f for f in Flag if f.usable] == [Flag.GOOD, Flag.NOT_JUDGED]
    assert [int(f) for f in Flag] == [1, 2, 3, 4, 9]


def test_events_are_facts_and_cannot_be_changed(account: Account) -> None:
    with pytest.raises(AttributeError):
        account.events[0].eggs = 3  # type: ignore[misc]
    assert replace(account.events[0], eggs=3).eggs == 3
    assert HOUR_MS * 24 == DAY_MS


# -- what is seen, in any order -------------------------------------------------------------------------------------


def test_that_none_was_seen_alive_is_kept_until_one_is_and_goes_with_the_eggs(account: Account) -> None:
    account.tell("candled", 40, box="A", alive=8)
    account.tell("candled", 45, box="A", alive=0, doubtful=3)
    assert account.lot("c1/A").none_alive_ms == day(45)
    account.tell("looked", 46, box="A")
    account.tell("candled", 47, box="A", doubtful=2)
    account.tell("moved", 48, box="A", to_box="C", eggs=3)
    assert account.lot("c1/A").none_alive_ms == account.lot("c1/C").none_alive_ms == day(45)
    account.tell("candled", 49, box="A", alive=1)
    assert account.lot("c1/A").none_alive_ms is None
    account.tell("moved", 50, box="C", to_box="D")
    assert account.lot("c1/D").none_alive_ms == day(45)
    account.tell("candled", 51, box="D", alive=0, doubtful=3)
    assert account.lot("c1/D").none_alive_ms == day(45), "of none could anything be told"


COUNTS = st.one_of(st.none(), st.integers(-3, 12))
TOLD = st.tuples(
    st.sampled_from(["set", "moved", "looked", "candled", "pipped", "hatched", "dead", "removed"]),
    st.integers(-3, 80),
    st.fixed_dictionaries(
        {"eggs": COUNTS, "fertile": COUNTS, "alive": COUNTS, "doubtful": COUNTS},
        optional={"box": st.sampled_from(["A", "B", "c1/A", "C"]), "to_box": st.sampled_from(["A", "B", "C"])},
    ),
    st.one_of(st.none(), st.integers(-3, 80)),
)


@given(st.lists(TOLD, max_size=12))
def test_whatever_is_told_in_whatever_order_the_counts_agree(
    entries: list[tuple[str, int, dict[str, object], int]],
) -> None:
    account = Account()
    account.tell("laid", 0, eggs=12, species="Testudo exempli")
    account.tell("set", 1, box="A", eggs=8)
    for kind, when, told, not_yet in entries:
        more: dict[str, Any] = {name: told[name] for name in told if kind == "candled" or name not in COUNTED}
        if not_yet is not None and kind in ("pipped", "hatched"):
            more["not_yet_at_ms"] = day(not_yet)
        event = KeeperEvent(EventKind(kind), "c1", day(when), day(90), id=len(account.events) + 1, **more)
        with contextlib.suppress(EventRefused):
            check_told(event, project([*account.events, event]))
            account.events.append(event)
    clutch = account.clutch()
    lying = [lot for lot in clutch.lots if not lot.moved_on]
    gone = sum(lot.dead + lot.removed + lot.hatched for lot in lying)
    assert clutch.unplaced + gone + sum(lot.eggs for lot in lying) == 12
    for lot in lying:
        assert 0 <= lot.waiting <= lot.eggs <= lot.eggs_set
        assert 0 <= lot.hatched <= lot.pipped
        assert lot.open == (lot.eggs > 0)
        assert lot.infertile >= 0
        assert all(0 < seen.count <= lot.waiting for seen in lot.alive)
        if lot.none_alive_ms is not None and lot.alive:
            assert lot.none_alive_ms >= lot.alive[-1].at_ms
        for pip in lot.pips:
            assert pip.count > 0
            assert pip.after_ms is None or clutch.laid_ms - DAY_MS <= pip.after_ms < pip.by_ms


def test_what_does_not_fit_is_told_of_the_entry_that_it_stands_against(account: Account) -> None:
    account.tell("candled", 50, box="B", fertile=4)
    with pytest.raises(EventRefused, match=r"entry 4 \(candled\) would not fit any more"):
        account.tell("dead", 20, box="B")
    with pytest.raises(EventRefused, match=r"^clutch c1: no eggs in box C at that time"):
        account.tell("dead", 20, box="C")
    account.tell("dead", 60, box="B")
    account.tell("removed", 61, box="A")
    with pytest.raises(EventRefused) as caught:
        account.tell("looked", 62)
    assert "no egg of it lies in a box any more" in caught.value.fix


def test_what_is_asked_only_when_it_is_told_is_still_read(account: Account) -> None:
    odd: list[tuple[str, dict[str, Any]]] = [
        ("candled", {"fertile": -1, "box": "A"}),
        ("candled", {"fertile": 3, "alive": 4, "box": "A"}),
        ("pipped", {"eggs": 1, "not_yet_at_ms": T0 - 40 * DAY_MS, "box": "B"}),
    ]
    for kind, more in odd:
        event = KeeperEvent(EventKind(kind), "c1", day(50), day(50), id=9, **more)
        with pytest.raises(EventRefused):
            check_told(event, project([*account.events, event]))
    laid = KeeperEvent(EventKind.LAID, "c2", day(0), day(0), id=9, eggs=MOST_EGGS + 1)
    with pytest.raises(EventRefused, match="are no clutch"):
        check_told(laid, project([laid]))


def test_what_became_of_a_lot_is_told_in_the_words_of_its_clutch(account: Account) -> None:
    account.tell("candled", 20, box="A", clear=2)
    account.tell("hatched", 40, box="A", eggs=3)
    account.tell("dead", 41, box="A", eggs=1, how="in-shell")
    account.tell("removed", 41, box="A", eggs=1)
    assert became_of_lot(account.lot("c1/A")) == "3 hatched, 1 dead in shell, 1 removed, 1 infertile"
    account.tell("dead", 42, box="A", eggs=3, how="slug")
    account.tell("dead", 42, box="B", eggs=4)
    assert became_of_lot(account.lot("c1/A")) == "3 hatched, 3 slug or infertile, 1 dead in shell, 1 removed"
    assert became(account.clutch()) == (
        "3 of 12 eggs hatched, 3 slug or infertile, 1 dead in shell, 4 lost otherwise, 1 removed"
    )
