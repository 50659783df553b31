"""What needs a hand: its order, who is named, how it is answered, and what to do first."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import pytest

from monitor.core.notices.conditions import Condition, Phase
from monitor.core.notices.notice import Notice, NoticeChange
from monitor.core.terms.settings import Urgency
from monitor.core.terms.times import HOUR_MS
from monitor.telling.hand import hand_json, needed

NOW = 1_780_300_800_000
"""1 June 2026, 08:00 UTC."""


def true(kind: str, subject: str, hours_ago: float = 1.0) -> Condition:
    return Condition(kind, subject, Phase.RAISED, since_ms=NOW - round(hours_ago * HOUR_MS))


def told(number: int, kind: str, *subjects: str, urgency: Urgency = "now", change: NoticeChange = "raised") -> Notice:
    title, text = f"{kind} {number}", f"Do {number} first.\nThen the rest."
    return Notice(f"k{number}", NOW, kind, subjects, change, urgency, title, text, id=number)


def test_the_most_urgent_comes_first_and_what_is_answered_last() -> None:
    conditions = [
        true("late", "a"),
        true("too-warm", "b"),
        true("probe-quiet", "c"),
        replace(true("too-cool", "d"), acknowledged_ms=NOW),
        Condition("gone", "e", Phase.CLEAR),
    ]
    notices = [
        told(4, "too-cool", "d"),
        told(3, "probe-quiet", "c", urgency="today"),
        told(2, "too-warm", "b"),
        told(1, "late", "a", urgency="later"),
    ]
    found = needed(conditions, notices)
    assert [(x.kind, x.urgency, x.state) for x in found] == [
        ("too-warm", "now", "open"),
        ("probe-quiet", "today", "open"),
        ("late", "later", "open"),
        ("too-cool", "now", "answered"),
    ]
    assert [x.notice.id if x.notice else None for x in found] == [2, 3, 1, None]
    assert found[0].first == "Do 2 first."


def test_all_of_one_kind_is_one_with_the_newest_notice_that_told_of_what_is_open() -> None:
    conditions = [true("too-warm", "b", 1), replace(true("too-warm", "a", 3), acknowledged_ms=NOW)]
    (found,) = needed(conditions, [told(9, "too-warm", "a"), told(8, "too-warm", "b"), told(7, "too-warm", "b")])
    assert (found.subjects, found.state, found.since_ms) == (("a", "b"), "open", NOW - 3 * HOUR_MS)
    assert (found.notice, found.told) == (told(8, "too-warm", "b"), told(9, "too-warm", "a"))
    assert found.what(UTC, NOW) == "too warm: a, b, since 05:00"


@pytest.mark.parametrize("change", ["cleared", "drill", "daily", "digest"])
def test_what_tells_of_something_else_answers_nothing(change: NoticeChange) -> None:
    (found,) = needed([true("too-warm", "a")], [told(3, "too-warm", "a", change=change), told(2, "too-cool", "a")])
    assert (found.notice, found.told, found.first, found.urgency) == (None, None, "", "later")
    assert hand_json(found) == {
        "urgency": "later", "kind": "too-warm", "subjects": ["a"], "since": "2026-06-01T07:00:00Z", "state": "open",
        "notice": None, "title": None, "first": None,
    }  # fmt: skip


def test_of_many_some_are_named_and_all_are_in_the_json() -> None:
    (found,) = needed([true("uneven", f"K01/{n}") for n in "abcdefgh"], [])
    assert found.what(UTC, NOW).startswith("uneven: K01 in a, K01 in b, ")
    assert found.what(UTC, NOW).endswith("K01 in f and 2 more, since 07:00")
    assert len(hand_json(found)["subjects"]) == 8


def test_what_is_back_is_only_waited_for() -> None:
    back = replace(true("too-warm", "a"), phase=Phase.FALLING, delay_from_ms=NOW)
    (found,) = needed([back], [told(1, "too-warm", "a")])
    assert found.state == "back"
    (found,) = needed([back, true("too-warm", "b")], [told(1, "too-warm", "a")])
    assert found.state == "open"


def test_nothing_is_nothing() -> None:
    assert needed([], [told(1, "too-warm", "a")]) == []
