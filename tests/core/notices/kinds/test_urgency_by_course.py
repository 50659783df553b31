"""How a box's course decides what is told and how urgently: the chances and spans of the kinds' own words.

A course is made here of twenty possible ones, straight lines of which so many reach a temperature in time; so each
chance is known. "Most likely" is nine in ten, "as likely as not" one in two.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest

from monitor.core.climate.course import AHEAD_STEP_S, Course
from monitor.core.notices.conditions import Condition, Phase, Where
from monitor.core.notices.kinds import Look, heading, limits
from monitor.core.notices.snapshot import Snapshot, known_course
from monitor.core.terms.settings import Limits
from monitor.core.terms.times import HOUR_MS
from tests.core.timeline import MINUTE, START, Script, a_room

WARM, COOL = limits.KINDS
HEADING, HARM_NEAR, _ = heading.KINDS
DRAWS = 20


def a_course(
    now_c: float,
    to_c: float,
    hours: float,
    n: int,
    *,
    late: float = 0.25,
    way: Literal["two lags", "line"] = "two lags",
) -> Course:
    """``n`` of the lines reach ``to_c`` just within so many hours, the others a little after them."""
    step_h = AHEAD_STEP_S / 3600.0
    at_h = np.where(np.arange(DRAWS) < n, hours - 0.01, hours + 0.25)
    elapsed_h = np.arange(round(30.0 / step_h)) * step_h
    return Course(START, way, now_c + (to_c - now_c) * elapsed_h / at_h[:, None])


def a_moment(
    now_c: float,
    course: Course | None,
    *conditions: Condition,
    before_c: float | None = None,
    for_h: float = 13.0,
    heading_h: float = 4.0,
) -> Snapshot:
    """One box with limits of 31 and 25 C and a deadband of 0.2; ``before_c`` until two hours ago, since ``for_h``."""
    room = a_room(("a",))
    room = replace(room, watch=replace(room.watch, heading_s=heading_h * 3600.0))
    snapshot = Script(room).snapshot(START, {c.key: c for c in conditions})
    at = START - np.arange(round(for_h * 60), -1, -1, dtype=np.int64) * MINUTE
    then = at < START - 2 * HOUR_MS
    own = np.where(then, now_c if before_c is None else before_c, now_c)
    box = replace(
        snapshot.boxes[0], limits=Limits(31.0, 25.0), time_ms=at, temperature_c=own, estimate=known_course(course)
    )
    return replace(snapshot, boxes=(box,))


def look(kind: object, snapshot: Snapshot) -> Look:
    (found,) = kind.look(snapshot)  # type: ignore[attr-defined]
    assert isinstance(found, Look)
    return found


def where(kind: object, snapshot: Snapshot) -> Where:
    (sample,) = look(kind, snapshot).samples
    return sample.where


# -- the limits ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("hours", "n", "urgency"), [(12, 1, "today"), (12, 3, None), (12.5, 20, "today")])
def test_too_cool_waits_until_today_where_harm_is_most_likely_more_than_twelve_hours_away(
    hours: float, n: int, urgency: str | None
) -> None:
    """Harm begins two degrees below the limit, at 23 C."""
    assert look(COOL, a_moment(24.8, a_course(24.8, 23.0, hours, n))).urgency == urgency


@pytest.mark.parametrize(
    ("hours", "n", "urgency"), [(2, 18, "today"), (2, 17, None), (2.5, 20, None), (1, 20, "today")]
)
def test_too_warm_waits_until_today_where_the_box_is_most_likely_back_within_two_hours(
    hours: float, n: int, urgency: str | None
) -> None:
    """Back is below the limit by more than the deadband, at 30.8 C."""
    assert look(WARM, a_moment(31.5, a_course(31.5, 30.8, hours, n))).urgency == urgency


def test_where_harm_has_begun_nothing_waits() -> None:
    assert look(WARM, a_moment(33.0, a_course(33.0, 30.8, 1, 20))).urgency is None
    assert look(WARM, a_moment(32.99, a_course(32.99, 30.8, 1, 20))).urgency == "today"
    assert look(COOL, a_moment(23.0, a_course(23.0, 25.0, 1, 20))).urgency is None
    assert look(COOL, a_moment(23.01, a_course(23.01, 25.0, 1, 20))).urgency == "today"


def test_harm_is_that_of_the_profile_from_half_a_degree_beyond_the_limit_on() -> None:
    (box,) = a_moment(28.0, None).boxes
    for high_c, at_c in ((31.5, 31.5), (31.49, 33.0)):
        assert limits.harm(replace(box, profile_high_c=high_c), 31.0, warm=True)[0] == at_c
    for low_c, at_c in ((24.5, 24.5), (24.51, 23.0)):
        assert limits.harm(replace(box, profile_low_c=low_c), 25.0, warm=False)[0] == at_c


# -- heading for a limit -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n", "expected"),
    [(20, Where.BEYOND), (18, Where.BEYOND), (17, Where.BETWEEN), (10, Where.BETWEEN), (9, Where.BACK)],
)
@pytest.mark.parametrize(("now_c", "limit_c", "before_c"), [(30.0, 31.0, 28.0), (26.0, 25.0, 28.0)])
def test_it_is_told_at_nine_chances_in_ten_within_the_span_and_ends_below_one_in_two(
    now_c: float, limit_c: float, before_c: float, n: int, expected: Where
) -> None:
    snapshot = a_moment(now_c, a_course(now_c, limit_c, 4.0, n), before_c=before_c)
    assert where(HEADING, snapshot) is expected
    rule = look(HEADING, snapshot).rule
    assert (rule.on_delay_s, rule.off_delay_s) == (1800.0, 600.0)


@pytest.mark.parametrize(("now_c", "limit_c"), [(30.0, 31.0), (26.0, 25.0)])
def test_only_a_box_that_is_beyond_all_of_its_last_day_is_told_of(now_c: float, limit_c: float) -> None:
    """By the deadband at least, of twelve hours at least, and the last two hours do not count."""
    side = 1.0 if limit_c > now_c else -1.0
    sure = a_course(now_c, limit_c, 4.0, 20)
    for beyond_c, expected in ((0.19, Where.BACK), (0.21, Where.BEYOND), (-1.0, Where.BACK)):
        assert where(HEADING, a_moment(now_c, sure, before_c=now_c - side * beyond_c)) is expected
    for for_h, expected in ((11.9, Where.BACK), (12.0, Where.BEYOND)):
        assert where(HEADING, a_moment(now_c, sure, before_c=28.0, for_h=for_h)) is expected


def test_a_straight_line_is_not_sure_enough_and_a_course_that_is_there_already_is_no_heading() -> None:
    line = a_course(30.0, 31.0, 4.0, 20, way="line")
    assert where(HEADING, a_moment(30.0, line, before_c=28.0)) is Where.BETWEEN
    assert where(HEADING, a_moment(31.0, a_course(31.0, 33.0, 4.0, 20), before_c=28.0)) is Where.BACK
    assert where(HEADING, a_moment(25.0, a_course(25.0, 23.0, 4.0, 20), before_c=28.0)) is Where.BACK
    assert list(HEADING.look(a_moment(30.0, line, before_c=28.0, heading_h=0.0))) == []


@pytest.mark.parametrize(("hours", "n", "urgency"), [(6, 18, "now"), (6, 17, "today"), (6.5, 20, "today")])
def test_it_is_now_when_harm_is_most_likely_within_six_hours(hours: float, n: int, urgency: str) -> None:
    """Harm begins at 33 C; all of these reach the limit within the four hours."""
    assert look(HEADING, a_moment(30.5, a_course(30.5, 33.0, hours, n), before_c=28.0)).urgency == urgency


# -- harm near -----------------------------------------------------------------------------------------------------


def answered(kind: str, ago_ms: int | None) -> Condition:
    at_ms = None if ago_ms is None else START - ago_ms
    return Condition(kind, "a", Phase.RAISED, START - 9 * HOUR_MS, START - 9 * HOUR_MS, acknowledged_ms=at_ms)


@pytest.mark.parametrize(("n", "expected"), [(10, Where.BEYOND), (9, Where.BETWEEN)])
@pytest.mark.parametrize(("kind", "now_c", "harm_c"), [("too-warm", 32.0, 33.0), ("too-cool", 24.0, 23.0)])
def test_harm_is_near_when_it_is_as_likely_as_not_within_two_hours(
    kind: str, now_c: float, harm_c: float, n: int, expected: Where
) -> None:
    told = answered(kind, 2 * HOUR_MS)
    assert where(HARM_NEAR, a_moment(now_c, a_course(now_c, harm_c, 2.0, n), told)) is expected
    line = a_course(now_c, harm_c, 2.0, n, way="line")
    assert where(HARM_NEAR, a_moment(now_c, line, told)) is Where.BETWEEN
    assert where(HARM_NEAR, a_moment(harm_c, None, told)) is Where.BEYOND


@pytest.mark.parametrize(
    ("ago_ms", "expected"),
    [(2 * HOUR_MS, Where.BEYOND), (2 * HOUR_MS - 1, Where.BETWEEN), (None, Where.BETWEEN)],
)
def test_whoever_answered_has_two_hours_to_help_and_without_an_answer_the_limit_is_told_again(
    ago_ms: int | None, expected: Where
) -> None:
    snapshot = a_moment(33.0, None, answered("too-warm", ago_ms))
    assert where(HARM_NEAR, snapshot) is expected
    rule = look(HARM_NEAR, snapshot).rule
    assert (rule.on_delay_s, rule.off_delay_s) == (600.0, 600.0)
    assert where(HARM_NEAR, a_moment(33.0, None)) is Where.BACK, "nothing was told of its limit"
