"""A clock that is ahead of every reading is told as that, and not as a room that is quiet."""

from __future__ import annotations

from dataclasses import replace

from monitor.core.notices.snapshot import LinkNow, Service
from monitor.core.terms.times import HOUR_MS
from tests.core.timeline import MINUTE, START, Run, Script, without_minutes


def service(now_ms: int, *, arrives: bool = True) -> Service:
    """Messages come every minute, by the clock of this computer."""
    return Service(started_ms=START - 10 * HOUR_MS, link=LinkNow(last_live_ms=now_ms - MINUTE if arrives else START))


def jumped(hours: float, *, arrives: bool = True) -> Run:
    """After an hour this computer's clock goes forward by so much; the probes go on with the times they had."""
    run = Run(Script(hours=3.0, service=lambda now: service(now, arrives=arrives)))
    run.go(0, 60)
    quiet = {b: (lambda m: 28.0 if m < 60 else None) for b in "abcde"}
    run.script = replace(run.script, courses=quiet, extra=())
    return run.go(60 + hours * 60, 60 + hours * 60 + 60)


def test_readings_that_all_come_old_are_told_as_a_clock_that_is_wrong() -> None:
    for hours in (2, 20):
        run = jumped(hours)
        assert without_minutes(run.told()) == [("clock-untrusted", "raised", "clock")], hours
        text = run.notices[0].text
        assert "All readings that arrive carry times that are" in text
        assert "The clock of this machine is ahead" in text


def test_where_nothing_arrives_the_room_is_quiet() -> None:
    assert without_minutes(jumped(2, arrives=False).told()) == [("room-quiet", "raised", "back room")]


def test_messages_that_cannot_be_read_say_nothing_of_the_clock() -> None:
    run = jumped(2)
    snapshot = run.script.snapshot(START + 200 * MINUTE, run.conditions)
    assert snapshot.behind_s is not None
    assert snapshot.room_quiet is None
    unread = replace(snapshot, probes=tuple(replace(p, unread=5) for p in snapshot.probes))
    assert unread.behind_s is None
    assert unread.room_quiet is True
    down = replace(snapshot, service=replace(snapshot.service, link=replace(snapshot.service.link, state="down")))
    assert down.behind_s is None


def test_a_room_that_is_heard_has_a_right_clock() -> None:
    run = Run(Script(hours=3.0, service=service)).go(0, 120)
    assert run.told() == []
