"""Heading for a limit, time to harm, and harm near: in a simulated room."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from functools import partial

import pytest

from monitor.core.climate.course import Eta, course
from monitor.core.notices.conditions import Condition, Phase
from monitor.core.notices.kinds.limits import KINDS, harm, show_eta
from monitor.core.notices.snapshot import known_course, no_course
from monitor.core.terms.settings import Limits, Watch
from monitor.simulation.room import Act
from tests.core import simulated
from tests.core.simulated import SETTING, act
from tests.core.timeline import MINUTE, START, Course, Run, Script, a_room

play = partial(simulated.play, heading_s=7200.0)


@pytest.mark.slow
def test_a_heater_that_dies_is_told_before_the_box_is_too_cool() -> None:
    played = play([act(0.5, Act.HEATER_DIES)], 4.0)
    (heading, notice), *_ = played.of("heading")
    (cool, limit), *_ = played.of("too-cool")
    assert 1.0 < heading < cool - 0.5
    said = re.search(r"About (?:(\d+) h )?(\d+) min \(.*8 in 10\) until it is too cool\.", notice.whole)
    assert said, notice.whole
    told_h = int(said[1] or 0) + int(said[2]) / 60
    assert told_h == pytest.approx(cool - 0.25 - heading, rel=0.3)
    assert "limit 25.0 °C, falling about" in notice.text
    assert limit.urgency == "now"


@pytest.mark.slow
def test_a_heater_that_sticks_is_told_before_the_box_is_too_warm() -> None:
    played = play([act(-1, Act.HEATER_STICKS_ON)], 5.5)
    (heading, notice), *_ = played.of("heading")
    (warm, _), *_ = played.of("too-warm")
    assert heading < warm - 0.5
    assert "rising about" in notice.text


@pytest.mark.slow
def test_nobody_is_told_of_a_room_that_is_steady_a_door_that_is_opened_or_a_night_that_is_cold() -> None:
    script = [
        act(0.5, Act.DOOR_OPENS),
        act(0.75, Act.DOOR_CLOSES),
        act(2, Act.LID_OPENS, "low"),
        act(2.25, Act.LID_CLOSES, "low"),
        act(3, Act.OUTDOORS, "", 5.0),
    ]
    assert play(script, 12.0, every_min=10).told == []


def test_a_room_that_is_warmed_up_again_is_not_heading_for_its_upper_limit() -> None:
    script = [act(-14, Act.THERMOSTAT_SET, "", 24.0), act(1, Act.THERMOSTAT_SET, "", 28.0)]
    played = play(script, 12.0, limits=Limits(29.0, 20.0), every_min=10)
    assert played.kinds == set()


@pytest.mark.slow
def test_a_slow_cooling_with_harm_far_away_waits_until_today_and_a_quick_one_does_not() -> None:
    mild = replace(SETTING, outdoors_c=25.8, outdoors_swing_c=0.0)
    slow = play([act(-9, Act.HEATER_DIES)], 3.5, every_min=10, setting=mild, limits=Limits(31.0, 26.5))
    (_, notice), *_ = slow.of("too-cool")
    assert notice.urgency == "today"
    assert "does not reach 24.5 °C, where harm begins, within a day" in notice.text
    assert "Harm is taken to begin at two degrees beyond the limit." in notice.whole
    quick = play([act(-1, Act.HEATER_DIES)], 1.5, every_min=10, limits=Limits(31.0, 26.5))
    (_, notice), *_ = quick.of("too-cool")
    assert notice.urgency == "now"
    assert "until it reaches 24.5 °C, where harm begins" in notice.whole


def test_nothing_is_made_less_urgent_without_a_course() -> None:
    played = play([act(-3, Act.HEATER_DIES)], 1.0, every_min=10)
    assert played.last is not None
    warm, cool = KINDS
    boxes = tuple(replace(b, estimate=no_course) for b in played.last.boxes)
    for kind in (warm, cool):
        assert {look.urgency for look in kind.look(replace(played.last, boxes=boxes))} == {None}


def test_harm_is_the_profile_s_limit_where_that_lies_beyond_and_else_two_degrees() -> None:
    played = play([], 0.5, profile=(22.0, 34.0))
    assert played.last is not None
    box = played.last.boxes[0]
    assert harm(box, 31.0, warm=True) == (34.0, "the highest temperature of its profile")
    assert harm(box, 25.0, warm=False) == (22.0, "the lowest temperature of its profile")
    assert harm(box, 33.6, warm=True)[0] == pytest.approx(35.6)
    assert harm(replace(box, profile_low_c=None), 25.0, warm=False)[0] == 23.0


@pytest.mark.slow
def test_what_was_answered_and_has_not_helped_is_told_once_more() -> None:
    script = [act(-1, Act.HEATER_STICKS_ON)]
    assert play(script, 6.5, every_min=10).of("harm-near") == []
    answered = play(script, 8.0, every_min=10, answered_after_h=5.0)
    (warm, _), *_ = answered.of("too-warm")
    (harm_near, notice), *_ = answered.of("harm-near")
    assert warm < 5.0
    assert notice.urgency == "now"
    assert 7.0 <= harm_near <= 7.5
    assert "33.0 °C, where harm begins" in notice.text


@pytest.mark.slow
def test_a_box_that_is_too_warm_and_on_its_way_back_can_wait() -> None:
    played = play([act(-1, Act.HEATER_STICKS_ON), act(4.5, Act.HEATER_WORKS)], 8.0, every_min=10)
    assert played.last is not None
    warm, _ = KINDS
    box = played.last.boxes[0]
    found = course(box.time_ms, box.temperature_c, played.last.now_ms)
    assert box.now_c is not None
    now_c, box = box.now_c, replace(box, estimate=known_course(found))
    cooling = replace(box.limits, too_warm_c=now_c - 0.05)
    (look,) = warm.look(replace(played.last, boxes=(replace(box, limits=cooling),)))
    assert look.urgency == "today"
    deep = replace(box.limits, too_warm_c=now_c - 1.5)
    (look,) = warm.look(replace(played.last, boxes=(replace(box, limits=deep),)))
    assert look.urgency is None, "two hours are not enough to come back"


def test_the_span_is_told_with_its_bounds() -> None:
    assert show_eta(Eta(9000.0, 12000.0, 17400.0)) == "about 3 h 20 min (2 h 30 min to 4 h 50 min, 8 in 10)"
    assert show_eta(Eta(9000.0, 12000.0, float("inf"))) == "about 3 h 20 min (2 h 30 min to a day or more, 8 in 10)"


@pytest.mark.slow
def test_an_open_door_is_named_where_it_is_all_there_is_to_it() -> None:
    script = [act(0.5, Act.DOOR_OPENS), act(1.5, Act.DOOR_CLOSES)]
    played = play(script, 2.0, limits=Limits(31.0, 27.6, on_delay_s=600.0))
    (_, notice), *_ = played.of("too-cool")
    assert "\nThe air of its stack fell" in notice.text
    assert "(door, window or heater)" in notice.text
    condition = next(c for (kind, _), c in played.conditions.items() if kind == "too-cool" and c.up)
    assert isinstance(condition.facts["air_moved_c"], float)
    assert condition.facts["air_moved_c"] < -1.0


def reached(courses: Mapping[str, Course], answered_min: float | None = None) -> Run:
    """Three hours of a room whose upper limit is 31.0, so that harm begins at 33.0; repeats half an hour at first."""
    run = Run(Script(replace(a_room(("a", "b", "c")), watch=Watch()), courses, hours=3.0))
    for minute in range(180):
        run.go(minute, minute)
        for key, c in run.conditions.items():
            if answered_min is not None and minute >= answered_min and c.up and c.acknowledged_ms is None:
                run.conditions[key] = replace(c, acknowledged_ms=START + minute * MINUTE)
    return run


def warmed(from_min: float, harm_min: float) -> Course:
    """At 31.5 from a minute on, and at 33.5 from another."""
    return lambda minute: 28.0 if minute < from_min else 31.5 if minute < harm_min else 33.5


@pytest.mark.parametrize("answered_min", [None, 60])
def test_a_box_that_reaches_harm_is_told_at_once_answered_or_not(answered_min: float | None) -> None:
    run = reached({"a": warmed(10, 110), "b": warmed(40, 128)}, answered_min)
    told = [(change, box, minute) for kind, change, box, minute in run.told() if kind == "harm-reached"]
    raised = [(box, minute) for change, box, minute in told if change == "raised"]
    assert [box for box, _ in raised] == ["a", "b" if answered_min else "a b"]
    assert [minute for _, minute in raised] == pytest.approx([110.0, 128.0], abs=1.01)
    # Told again while nobody answers, as everything that is urgent, and by one notice for the limit and for harm.
    assert told[2:] == []
    limits = [(box, minute) for kind, change, box, minute in run.told() if (kind, change) == ("too-warm", "still")]
    assert [x for x in limits if x[1] > 110] == ([] if answered_min else [("a b", raised[1][1] + 30.0)])
    notice = next(n for n in run.notices if n.kind == "harm-reached")
    assert notice.urgency == "now"
    assert "It has reached 33.0 °C, where harm begins" in notice.text


@pytest.mark.slow
@pytest.mark.parametrize("answered", ["", "too-warm", "harm-reached"])
def test_what_is_told_as_harm_is_told_again_by_one_kind_at_distances_that_begin_anew(answered: str) -> None:
    """Half an hour after harm was told, then after twice as long each time, whichever of the two was answered."""
    run = Run(Script(replace(a_room(("a",)), watch=Watch()), {"a": warmed(10, 610)}, hours=24.0))
    # Every other minute from before harm until the last repeat that is asked for, else now and then.
    for minute in (*range(0, 600, 5), *range(600, 1080, 2), *range(1080, 24 * 60, 5)):
        run.go(minute, minute)
        key = answered, "a"
        if minute == 620 and key in run.conditions:
            run.conditions[key] = replace(run.conditions[key], acknowledged_ms=START + minute * MINUTE)
    (harm_min,) = (minute for kind, change, _, minute in run.told() if (kind, change) == ("harm-reached", "raised"))
    again = [(kind, minute - harm_min) for kind, change, _, minute in run.told() if change == "still" and minute > 600]
    assert {kind for kind, _ in again} == {"harm-reached" if answered == "too-warm" else "too-warm"}
    assert [after for _, after in again] == pytest.approx([30, 90, 210, 450], abs=2.1)
    assert len({n.key for n in run.notices}) == len(run.notices)


@pytest.mark.parametrize("answered", [False, True])
def test_when_the_limit_is_over_harm_is_not_told_again(answered: bool) -> None:
    """Its reminders were left to the limit's, which has ended."""
    back_min = 500.0
    run = Run(
        Script(
            replace(a_room(("a", "b")), watch=Watch()),
            {"a": lambda m: warmed(10, 30)(m) if m < back_min else 28.0, "b": warmed(10, 60)},
            hours=12.0,
        )
    )
    for minute in range(0, 12 * 60, 5):
        run.go(minute, minute)
        if answered and minute == 100:
            key = "too-warm", "a"
            run.conditions[key] = replace(run.conditions[key], acknowledged_ms=START + minute * MINUTE)
    after = [(kind, change, boxes) for kind, change, boxes, minute in run.told() if minute > back_min]
    assert ("too-warm", "cleared", "a") in after
    assert all("a" not in boxes.split() for _, change, boxes in after if change == "still"), after
    assert any(change == "still" for _, change, _ in after), "the other box is told again"


def test_a_box_that_follows_and_waits_for_its_first_notice_is_told_at_once_when_it_reaches_harm() -> None:
    run = reached({"a": warmed(10, 999), "b": warmed(28, 48)})
    told = [(kind, change, boxes) for kind, change, boxes, minute in run.told() if minute <= 50]
    assert told == [("too-warm", "raised", "a"), ("harm-reached", "raised", "b")]


def test_a_box_whose_limit_was_told_when_harm_was_reached_is_not_told_of_it_twice() -> None:
    run = reached({"a": warmed(10, 15)})
    assert {kind for kind, *_ in run.told()} == {"too-warm"}
    assert "It has reached 33.0 °C" in run.notices[0].text


def test_switched_off_while_it_was_raised_it_ends_without_a_word() -> None:
    room = replace(a_room(("a",)), watch=Watch(heading_s=0.0))
    run = Run(Script(room, {"a": warmed(999, 999)}, hours=1.0))
    raised = Condition("heading", "a", Phase.RAISED, START, START, None, START, told_ms=START, told=1)
    run.conditions["heading", "a"] = raised
    run.go(0, 60)
    assert not run.conditions["heading", "a"].up
    assert run.notices == []
