"""What is true now of many rooms: nothing old is ever called of now, and what needs a hand comes first."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.rooms.overview import CLOCK_MS, SILENT_MS, ClockPace, RoomHeard, judge, overview
from monitor.core.rooms.said import BoxSaid, EggsSaid, NeedSaid, RoomSaid
from monitor.core.terms.settings import Urgency

NOW = 1_811_743_200_000
MINUTE = 60_000
NEED = NeedSaid("now", "too-warm", ("low",), 1, NOW - MINUTE, "open", 12, "Too warm", "Go", 12, "", None)


def said(at_ms: int = NOW, *needs: NeedSaid) -> RoomSaid:
    return RoomSaid(at_ms, "1", "Attic", "C", at_ms, needs, len(needs), "", "number")


def box(at_ms: int = NOW, eggs: tuple[EggsSaid, ...] = ()) -> BoxSaid:
    return BoxSaid(at_ms, "low", "west", 40.0, 28.0, at_ms, False, 28.0, at_ms, 25.0, 31.0, (), eggs)


def heard(name: str = "attic", **more: Any) -> RoomHeard:
    return replace(RoomHeard(name, "house", said(), boxes=(box(),)), **more)


@pytest.mark.parametrize(
    ("room", "watch"),
    [
        (heard(), "here"),
        (heard(gone="service"), "down"),
        (heard(gone="line"), "down"),
        (heard(said=said(NOW - SILENT_MS - 1)), "silent"),
        (heard(said=said(NOW - SILENT_MS)), "here"),
        (heard(said=said(NOW + CLOCK_MS + 1)), "silent"),
        (heard(said=None), "silent"),
        (heard(said=None, trouble="it is no JSON"), "unclear"),
        (heard(cut_off_ms=NOW), "cut-off"),
        (heard(cut_off_ms=NOW, gone="service"), "cut-off"),
    ],
)
def test_a_room_is_watched_as_long_as_its_word_is_of_now(room: RoomHeard, watch: str) -> None:
    now = judge(room, NOW)
    assert now.watch == watch
    assert now.true_now(box(), NOW) is (watch == "here")


def test_a_box_whose_own_word_is_old_has_no_temperature_of_now() -> None:
    assert not judge(heard(), NOW).true_now(box(NOW - SILENT_MS - 1), NOW)
    assert not judge(heard(), NOW).true_now(box(NOW + CLOCK_MS + 1), NOW)


@pytest.mark.parametrize("off_ms", [3 * 60 * MINUTE, -5 * 60 * MINUTE])
def test_a_clock_that_is_hours_off_is_found_by_the_pace_and_nothing_is_believed_before(off_ms: int) -> None:
    pace = ClockPace()
    for minute in range(4):
        at = NOW + minute * MINUTE
        room = heard(said=said(at - off_ms), boxes=(box(at - off_ms),), pace=pace)
        now = judge(room, at)
        assert (now.watch == "here") is (minute >= 2)
        assert now.true_now(room.boxes[0], at) is (minute >= 2)
        assert minute < 2 or (now.clock_off_ms == off_ms and now.word_ms == at)
        pace = pace.follow(at - off_ms, at)


@given(st.lists(st.integers(1, 20 * MINUTE), min_size=1, max_size=30), st.integers(0, 20), st.integers(10, 600))
def test_what_a_bridge_hands_on_late_in_one_go_is_never_of_now(steps: list[int], ms: int, old_min: int) -> None:
    """Messages of a room that is long dead, one soon after another: whatever their number and their spacing."""
    pace, at, last = ClockPace(), NOW, NOW - old_min * MINUTE - SILENT_MS
    said_at = last - sum(steps)
    for step in steps:
        said_at += step
        at += ms
        pace = pace.follow(said_at, at)
        now = judge(heard(said=said(said_at), boxes=(box(said_at),), pace=pace), at)
        assert now.watch == "silent"
        assert not now.true_now(box(said_at), at)


def test_a_clock_that_is_set_right_is_believed_at_once() -> None:
    pace = ClockPace(NOW - 180 * MINUTE, NOW, 180 * MINUTE).follow(NOW + MINUTE, NOW + MINUTE)
    assert pace.offset_ms == 0


def order(*rooms: RoomHeard) -> list[tuple[str, str]]:
    found = overview(rooms, NOW).hands
    return [(x.room.id, "-" if x.need is None else x.need.kind) for x in found]


def need(kind: str, urgency: Urgency, since_min: int = 1, **more: object) -> NeedSaid:
    return replace(NEED, kind=kind, urgency=urgency, since_ms=NOW - since_min * MINUTE, **more)  # type: ignore[arg-type]


def test_what_needs_a_hand_first_comes_first() -> None:
    a = heard("a", said=said(NOW, need("battery-low", "later"), need("too-warm", "now", 5)))
    b = heard("b", said=said(NOW, need("seen", "now", 60, state="answered"), need("too-cool", "now", 30)))
    c = heard("c", gone="service")
    d = heard("d", said=None, trouble="it is no JSON")
    e = heard("e", said=said(NOW, need("probe-quiet", "today")))
    assert order(a, b, c, d, e) == [
        ("c", "-"),
        ("b", "too-cool"),
        ("a", "too-warm"),
        ("d", "-"),
        ("e", "probe-quiet"),
        ("a", "battery-low"),
        ("b", "seen"),
    ]


def test_what_a_room_said_that_is_down_stays_told_as_old() -> None:
    _, hand = overview([heard(said=said(NOW, NEED), gone="service")], NOW).hands
    assert hand.old
    assert hand.code == "12"


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({}, "12"),
        ({"cut_off_ms": NOW}, ""),
        ({"said": said(NOW, replace(NEED, state="answered"))}, ""),
        ({"said": said(NOW, replace(NEED, notice=None))}, ""),
        ({"said": replace(said(NOW, NEED), answers=None)}, ""),
        ({"said": replace(said(NOW, NEED), answers="code"), "codes": {12: "1ABC"}}, "1ABC"),
    ],
)
def test_what_may_be_answered_from_here(changed: dict[str, Any], code: str) -> None:
    hands = overview([heard("attic", **({"said": said(NOW, NEED)} | changed))], NOW).hands
    assert [x.code for x in hands if x.need is not None] == [code]


def test_the_calendar_has_what_lies_still_in_all_rooms_by_its_day() -> None:
    def eggs(lot: str, day: int, waiting: int = 6) -> EggsSaid:
        at = NOW + day * 24 * 60 * MINUTE
        return EggsSaid(lot, 6, waiting, 6 - waiting, 90.0, (at, at + MINUTE, at + 2 * MINUTE), None)

    a = heard("a", boxes=(box(NOW, (eggs("K01/low", 9), eggs("K02/low", 1, 0))),))
    b = heard("b", boxes=(box(NOW, (eggs("K01/low", 2), replace(eggs("K09/low", 3), window=None))),))
    assert [(x.room.id, x.eggs.lot) for x in overview([a, b], NOW).hatching] == [("b", "K01/low"), ("a", "K01/low")]


def test_two_rooms_of_one_id_at_two_brokers_are_two_rooms() -> None:
    both = overview([heard("attic"), heard("attic", broker="barn")], NOW)
    assert both.room("attic") is None
    found = both.room("barn/attic")
    assert found is not None
    assert found.heard.broker == "barn"


def test_no_room_pushes_the_others_out_of_sight() -> None:
    loud = heard("a", said=said(NOW, *(need(f"kind-{n}", "now", 60 + n) for n in range(20))))
    now = overview([loud, heard("b", said=said(NOW, need("too-warm", "now", 5)))], NOW)
    assert len(now.hands) == 21
    assert [x.room.id for x in now.foremost(5)] == ["a"] * 5 + ["b"]
