"""Battery low: told once, by its readings' own time, and over when it was renewed."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

from monitor.core.notices.evaluation import Outcome, evaluate
from monitor.core.notices.kinds.battery import KIND
from monitor.core.notices.snapshot import Service, Snapshot
from monitor.core.readings.batteries import BatteryNow, BatteryTrend
from monitor.core.terms.settings import Probe
from tests.core.timeline import MINUTE, START, Run, Script, a_room

BATTERY = Probe("cell", "t/cell", "battery", "V", battery_of="p-b", low=2.4)


def looked(
    level: float | None, minute: int, before: Outcome | None = None, trend: BatteryTrend | None = None
) -> Outcome:
    now = START + minute * MINUTE
    conditions = {} if before is None else {c.key: c for c in before.conditions} | dict(before.snapshot.conditions)
    if before is not None:
        conditions |= {c.key: c for c in before.conditions}
    at = None if level is None else now - 30_000
    battery = BatteryNow(BATTERY, level, at, trend)
    room = replace(a_room(), batteries=(BATTERY,))
    snapshot = Snapshot(now, room, UTC, Service(0), batteries=(battery,), conditions=conditions)
    return evaluate(snapshot, [KIND])


def test_a_low_battery_is_told_once_in_the_diary_with_how_long_it_lasts() -> None:
    first = looked(2.39, 0, trend=BatteryTrend(-0.01, 2.2, 19.0, 12.0, 30.0))
    (notice,) = first.notices
    assert notice.urgency == "later"
    assert "Battery of probe p-b: 2.39 V at 06:59, limit 2.40 V" in notice.text
    assert "about 19 days until 2.20 V (12 to 30)" in notice.text
    assert looked(2.38, 1, first).notices == ()


def test_it_is_over_when_the_battery_was_renewed_and_not_by_a_warm_day() -> None:
    first = looked(2.39, 0)
    warm = looked(2.45, 1, first)
    assert warm.transitions == ()
    assert [t.change for t in looked(3.0, 2, warm).transitions] == ["cleared"]


def test_a_battery_that_is_not_heard_says_nothing() -> None:
    assert looked(None, 0).notices == ()
    first = looked(2.39, 0)
    assert looked(None, 1, first).transitions == ()


def test_a_battery_is_no_probe_of_the_room() -> None:
    """It is neither quiet by itself, nor does it keep a room from being quiet, nor is it a temperature."""
    room = replace(a_room(), batteries=(BATTERY,))
    silent = {b: lambda m: 28.0 if m < 20 else None for b in "abcde"}
    alive = BatteryNow(BATTERY, 3.0, START)
    script = Script(room, courses=silent, more=lambda now: {"batteries": (replace(alive, at_ms=now),)})
    run = Run(script).go(0, 60)
    assert [(n.kind, n.subjects) for n in run.notices] == [("room-quiet", ("back room",))]
