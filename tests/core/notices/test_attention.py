"""The account of attention: what is counted, and what is not."""

from __future__ import annotations

from dataclasses import replace

from monitor.core.notices.attention import AskedOfKeeper, account, quieter
from monitor.core.notices.conditions import Condition, Phase, Transition
from monitor.core.notices.notice import Notice, NoticeChange
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


CHANGES: tuple[NoticeChange, ...] = ("raised", "still", "cleared")


def test_daily_lines_drills_and_what_is_older_are_not_counted() -> None:
    told = [notice(1), notice(2, "later"), notice(3, change="daily"), notice(4, change="drill"), notice(40)]
    found = account(told, (), (), NOW, 28.0)
    assert (found.notices, found.in_daily_line, found.waking) == (1, 1, 1)
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
    ways = [("link", "phone"), ("link", "phone"), ("message", "mail"), ("", "")]
    ways += [(way, "") for way in ("command", "number", "page", "program")]
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
        "page": 1,
        "program": 1,
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


def test_the_account_is_of_four_weeks_to_the_millisecond_both_ends_counted() -> None:
    told = [notice(0), notice(28), replace(notice(28), at_ms=NOW - 28 * DAY_MS - 1), replace(notice(0), at_ms=NOW + 1)]
    found = account(told, [raised(0), raised(1), raised(2)], (), NOW)
    assert (found.days, found.notices) == (28.0, 2)
    assert found.chattering == (("too-warm", "a"),)


def test_what_is_older_than_the_account_makes_nothing_chatter_in_it() -> None:
    hours = 28 * 24
    assert account((), [raised(hours + h) for h in (1, 2)] + [raised(hours)], (), NOW).chattering == ()


def test_a_day_of_chatter_is_any_twenty_four_hours_and_standing_is_longer_than_that() -> None:
    """Three raises exactly a day from first to last chatter; what is true for exactly a day does not stand yet."""
    for last_ms, chatters in ((DAY_MS, True), (DAY_MS + 1, False)):
        ways = [replace(raised(0), at_ms=NOW - back) for back in (0, DAY_MS // 2, last_ms)]
        assert bool(account((), ways, (), NOW).chattering) is chatters
    for since_ms, stands in ((NOW - DAY_MS, False), (NOW - DAY_MS - 1, True)):
        known = [Condition("too-warm", "a", Phase.RAISED, since_ms=since_ms)]
        assert bool(account((), (), known, NOW).standing) is stands


def test_what_is_over_does_not_stand_and_only_raises_chatter() -> None:
    over = Condition("too-warm", "a", Phase.CLEAR, since_ms=NOW - 2 * DAY_MS)
    assert account((), (), [over], NOW).standing == ()
    cleared = [replace(raised(h), change="cleared") for h in (1, 2, 3)]
    assert account((), cleared, (), NOW).chattering == ()


def test_one_waking_notice_a_week_is_within_the_budget() -> None:
    """At most one a week is the aim; a digest, and what is not urgent, wake nobody."""
    told = [notice(day) for day in (3, 10, 17, 24)] + [notice(5, "today"), notice(6, change="digest")]
    found = account(told, (), (), NOW)
    assert (found.waking, found.waking_a_week, found.within_budget) == (4, 1.0, True)
    assert [(a.kind, a.messages) for a in found.asked] == [("too-warm", 5)]


def spell(kind: str, hours_ago: float, minutes: float, subject: str = "a") -> list[Transition]:
    at = NOW - round(hours_ago * 3_600_000)
    over = at + round(minutes * 60_000)
    return [Transition(kind, subject, "raised", at, at, ""), Transition(kind, subject, "cleared", over, over, "")]


def test_what_asked_most_comes_first_with_its_spells_and_subjects() -> None:
    told = [replace(notice(d), kind="probe-quiet", subjects=("p",), urgency="today") for d in (1, 2)]
    told += [notice(3), notice(4, change="still"), notice(5, change="cleared")]
    told.append(replace(notice(6), subjects=("b", "a")))
    history = [*spell("too-warm", 100, 30), *spell("too-warm", 60, 50), *spell("too-warm", 30, 600, "b")]
    history += spell("too-warm", 24 * 40, 5)
    first, second = account(told, history, (), NOW, 28.0).asked
    assert first == AskedOfKeeper("too-warm", 2, 1, 1, ("a", "b"), 50.0)
    assert second == AskedOfKeeper("probe-quiet", 2, 0, 0, ("p",), None)


def test_all_messages_count_for_the_budget_of_a_week() -> None:
    calm = account([notice(d, "today") for d in range(1, 9)], (), (), NOW, 28.0)
    assert (calm.messages_a_week, calm.within_budget) == (2.0, True)
    loud = account([notice(d, "today") for d in range(1, 10)], (), (), NOW, 28.0)
    assert (loud.messages_a_week, loud.within_budget) == (2.25, False)
    # What comes with the daily line is no message of its own.
    written = account([notice(d, "later", change=c) for d in range(1, 20) for c in CHANGES], (), (), NOW, 28.0)
    assert (written.messages_a_week, written.in_daily_line) == (0.0, 57)


def test_each_kind_is_told_what_would_make_it_quieter() -> None:
    keys = ("limits.too_warm_c", "limits.on_delay")
    assert "warmtally answer" in quieter(AskedOfKeeper("too-warm", 2, 3, 0, ("a",), None), keys)
    assert (
        quieter(AskedOfKeeper("too-warm", 3, 0, 3, ("a",), 20.0), keys) == "over again soon: lengthen limits.on_delay"
    )
    assert "limits.too_warm_c so that" in quieter(AskedOfKeeper("too-warm", 3, 0, 3, ("a",), 600.0), keys)
    assert quieter(AskedOfKeeper("probe-out", 1, 0, 0, ("p",), None), ()).endswith('shelve probe-out p --for "7 d"')
    assert "SUBJECT" in quieter(AskedOfKeeper("probe-out", 2, 0, 0, ("p", "q"), None), ())
