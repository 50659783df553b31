"""The account of attention: what is counted, and what is not."""

from __future__ import annotations

from dataclasses import replace

from monitor.core.notices.attention import account
from monitor.core.notices.conditions import Condition, Phase, Transition
from monitor.core.notices.notices import Notice, NoticeChange
from monitor.core.terms.settings import Urgency
from monitor.core.terms.times import DAY_MS

NOW = 1_780_000_000_000


def notice(
    days_ago: float, urgency: Urgency = "now", change: NoticeChange = "raised", answered_min: float | None = None
) -> Notice:
    at = NOW - round(days_ago * DAY_MS)
    answered = None if answered_min is None else at + round(answered_min * 60_000)
    return Notice(f"k{days_ago}{change}", at, "too-warm", ("a",), change, urgency, "", "", answered_ms=answered)


def raised(hours_ago: float, subject: str = "a") -> Transition:
    at = NOW - round(hours_ago * 3_600_000)
    return Transition("too-warm", subject, "raised", at, at, "")


def test_daily_lines_drills_and_what_is_older_are_not_counted() -> None:
    told = [notice(1), notice(2, "diary"), notice(3, change="daily"), notice(4, change="drill"), notice(40)]
    found = account(told, (), (), NOW, 28.0)
    assert (found.notices, found.waking) == (2, 1)
    assert found.waking_a_week == 0.25
    assert found.within_budget


def test_more_than_one_waking_notice_a_week_is_beyond_the_budget() -> None:
    found = account([notice(i) for i in range(1, 7)], (), (), NOW, 28.0)
    assert found.waking_a_week == 1.5
    assert not found.within_budget


def test_repeats_and_the_time_to_an_answer() -> None:
    told = [
        notice(1, answered_min=10),
        notice(2, answered_min=30),
        notice(3, answered_min=500),
        notice(4, change="still"),
    ]
    found = account(told, (), (), NOW)
    assert found.reminders == 1
    assert (found.answered, found.answered_after_min) == (3, 30.0)


def test_the_ways_of_answering_are_counted_with_their_channel() -> None:
    ways = [("link", "phone"), ("link", "phone"), ("message", "mail"), ("", ""), ("command", ""), ("number", "")]
    told = [
        replace(notice(day, answered_min=1), answer_way=way, answer_channel=channel)
        for day, (way, channel) in enumerate(ways, 1)
    ]
    told.append(notice(9))
    assert account(told, (), (), NOW).answered_by == {
        "link (phone)": 2,
        "command": 2,
        "message (mail)": 1,
        "number": 1,
    }


def test_chattering_is_three_raises_within_a_day() -> None:
    quick = [raised(h) for h in (2, 10, 25)]
    slow = [raised(h, "b") for h in (2, 20, 40)]
    assert account((), [*quick, *slow], (), NOW).chattering == (("too-warm", "a"),)


def test_standing_and_shelved() -> None:
    old = Condition("too-warm", "a", Phase.RAISED, since_ms=NOW - 2 * DAY_MS)
    young = Condition("too-warm", "b", Phase.RAISED, since_ms=NOW - DAY_MS // 2)
    aside = Condition("too-warm", "c", Phase.CLEAR, shelved_until_ms=NOW + 1)
    found = account((), (), [old, young, aside], NOW)
    assert found.standing == (("too-warm", "a"),)
    assert found.shelved == (("too-warm", "c"),)


def test_nothing_told_is_an_empty_account() -> None:
    found = account((), (), (), NOW)
    assert (found.notices, found.waking_a_week, found.answered_after_min) == (0, 0.0, None)
