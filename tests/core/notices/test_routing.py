"""Who is told when: urgencies, kinds, stacks, quiet hours across the nights on which clocks change, escalation."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.core.notices.notice import Notice, NoticeChange, Route
from monitor.core.notices.routing import LOG, quiet_end_ms, routes
from monitor.core.terms.settings import Channel, Urgency, Watch

VIENNA = ZoneInfo("Europe/Vienna")
QUIET = Watch(quiet_from="22:00", quiet_until="07:00")


def ms(text: str, zone: ZoneInfo = VIENNA, fold: int = 0) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=zone, fold=fold).timestamp() * 1000)


def notice(
    urgency: Urgency = "today",
    at: str = "2026-06-01 12:00",
    kind: str = "too-warm",
    subjects: tuple[str, ...] = ("upper",),
    change: NoticeChange = "raised",
) -> Notice:
    return Notice("key", ms(at), kind, subjects, change, urgency, "title", "text")


PHONE, MAIL = Channel("phone", "x://", ("now",)), Channel("mail", "y://")


def names(found: tuple[Route, ...]) -> list[str]:
    return [r.channel for r in found]


def test_a_channel_takes_the_urgencies_it_was_given_and_the_log_takes_all() -> None:
    assert names(routes(notice("today"), [PHONE, MAIL], Watch(), VIENNA)) == [LOG, "mail"]
    assert names(routes(notice("now"), [PHONE, MAIL], Watch(), VIENNA)) == [LOG, "phone", "mail"]


def test_a_channel_may_take_some_kinds_only() -> None:
    only = Channel("heat", "x://", kinds=("too-warm",))
    assert names(routes(notice(kind="too-warm"), [only], Watch(), VIENNA)) == [LOG, "heat"]
    assert names(routes(notice(kind="too-cool"), [only], Watch(), VIENNA)) == [LOG]


@pytest.mark.parametrize("change", ["raised", "cleared"])
def test_what_is_for_the_diary_comes_with_the_daily_line_and_by_itself_only_where_that_does_not(
    change: NoticeChange,
) -> None:
    some = Channel("some", "x://", kinds=("too-warm", "daily-line"))
    only = Channel("only", "x://", kinds=("too-warm",))
    later = Channel("later", "x://", after_s=60.0)
    told = notice("later", change=change)
    line = notice("later", change="daily", kind="daily-line")
    found = names(routes(told, [PHONE, MAIL, some, only, later], Watch(), VIENNA, reached=lambda _: {"later"}))
    assert found == [LOG, "only", "later"]
    assert names(routes(line, [PHONE, MAIL, some, only, later], Watch(), VIENNA)) == [LOG, "mail", "some"]
    # Who takes no daily line and was told that it began is told that it is over.
    assert names(routes(replace(told, reach="now"), [PHONE, MAIL], Watch(), VIENNA)) == [LOG, "phone"]


def test_a_channel_may_take_some_stacks_only_but_what_belongs_to_no_stack_goes_everywhere() -> None:
    left = Channel("left", "x://", stacks=("left",))
    stack_of = {"upper": "left", "lower": "right"}.get
    assert names(routes(notice(subjects=("upper",)), [left], Watch(), VIENNA, stack_of)) == [LOG, "left"]
    assert names(routes(notice(subjects=("lower",)), [left], Watch(), VIENNA, stack_of)) == [LOG]
    assert names(routes(notice(subjects=("lower", "upper")), [left], Watch(), VIENNA, stack_of)) == [LOG, "left"]
    assert names(routes(notice(subjects=("broker",)), [left], Watch(), VIENNA, stack_of)) == [LOG, "left"]


def test_in_quiet_hours_now_goes_through_and_the_rest_waits_for_their_end() -> None:
    night = routes(notice("today", "2026-06-01 23:30"), [MAIL], QUIET, VIENNA)
    assert night == (Route(LOG), Route("mail", ms("2026-06-02 07:00")))
    assert routes(notice("now", "2026-06-01 23:30"), [MAIL], QUIET, VIENNA)[1] == Route("mail")
    assert routes(notice("today", "2026-06-01 12:00"), [MAIL], QUIET, VIENNA)[1] == Route("mail")


@pytest.mark.parametrize(
    ("at", "end"),
    [
        ("2026-06-01 21:59:59", None),
        ("2026-06-01 22:00", "2026-06-02 07:00"),
        ("2026-06-02 00:00", "2026-06-02 07:00"),
        ("2026-06-02 06:59:59", "2026-06-02 07:00"),
        ("2026-06-02 07:00", None),
    ],
)
def test_quiet_hours_begin_with_their_first_and_end_before_their_last_moment(at: str, end: str | None) -> None:
    assert quiet_end_ms(ms(at), QUIET, VIENNA) == (0 if end is None else ms(end))


def test_quiet_hours_within_one_day() -> None:
    noon = Watch(quiet_from="12:00", quiet_until="14:00")
    assert quiet_end_ms(ms("2026-06-01 13:00"), noon, VIENNA) == ms("2026-06-01 14:00")
    assert quiet_end_ms(ms("2026-06-01 15:00"), noon, VIENNA) == 0


def test_the_end_is_the_local_time_given_on_both_nights_on_which_the_clocks_change() -> None:
    """29 March and 25 October 2026, Europe/Vienna: the night has 8 hours and 10 hours of quiet instead of 9."""
    spring, autumn = ms("2026-03-28 22:00"), ms("2026-10-24 22:00")
    assert quiet_end_ms(spring, QUIET, VIENNA) - spring == 8 * 3_600_000
    assert quiet_end_ms(autumn, QUIET, VIENNA) - autumn == 10 * 3_600_000
    for fold in (0, 1):
        twice = ms("2026-10-25 02:30", fold=fold)
        assert quiet_end_ms(twice, QUIET, VIENNA) == ms("2026-10-25 07:00")


def test_no_quiet_hours_unless_set() -> None:
    assert quiet_end_ms(ms("2026-06-01 23:30"), Watch(), VIENNA) == 0


def test_a_further_step_waits_and_is_used_only_while_the_matter_is_open() -> None:
    second = Channel("neighbour", "x://", after_s=1200.0)
    found = routes(notice("now"), [MAIL, second], Watch(), VIENNA)
    assert found[2] == Route("neighbour", ms("2026-06-01 12:20"), if_open=True)
    cleared = routes(notice("today", change="cleared"), [MAIL, second], Watch(), VIENNA)
    assert names(cleared) == [LOG, "mail"]
    # Who was told, because nobody had answered by then, is told that it is over, and at once.
    told = routes(notice("today", change="cleared"), [MAIL, second], Watch(), VIENNA, reached=lambda _: {"neighbour"})
    assert told[2] == Route("neighbour")
    daily = routes(notice("later", change="daily"), [MAIL, second], Watch(), VIENNA, reached=lambda _: {"neighbour"})
    assert "neighbour" not in names(daily)


def test_a_drill_goes_through_every_channel_at_once_but_not_into_the_night() -> None:
    second = Channel("neighbour", "x://", ("now",), after_s=1200.0, kinds=("too-warm",))
    drill = notice("later", change="drill", kind="drill", subjects=())
    assert routes(drill, [PHONE, second], Watch(), VIENNA) == (Route(LOG), Route("phone"), Route("neighbour"))
