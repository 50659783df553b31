"""A probe that reports many times a second is told of, for later, once it has done so for ten minutes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC

import pytest

from monitor.core.notices.evaluation import Outcome, evaluate
from monitor.core.notices.kinds.pace import KIND
from monitor.core.notices.snapshot import ProbeNow, Service, Snapshot
from tests.core.timeline import MINUTE, START, a_room


def looked(pace: float | None, minute: int, before: Outcome | None = None) -> Outcome:
    now, room = START + minute * MINUTE, a_room()
    conditions = {}
    if before is not None:
        conditions = dict(before.snapshot.conditions) | {c.key: c for c in before.conditions}
    probes = tuple(ProbeNow(p, now, 28.0, 1, now, pace_per_min=1.0) for p in room.probes)
    probes = (replace(probes[0], pace_per_min=pace), *probes[1:])
    return evaluate(Snapshot(now, room, UTC, Service(0), probes=probes, conditions=conditions), [KIND])


def run(paces: Sequence[float | None]) -> tuple[list[tuple[int, str]], Outcome]:
    told, outcome = [], None
    for minute, pace in enumerate(paces):
        outcome = looked(pace, minute, outcome)
        told += [(minute, notice.text) for notice in outcome.notices]
    assert outcome is not None
    return told, outcome


def test_it_is_told_once_in_the_diary_after_ten_minutes_with_its_pace() -> None:
    told, outcome = run([600.0] * 30)
    assert [minute for minute, _ in told] == [10]
    assert "reports about 600 times a minute, limit 120" in told[0][1]
    assert "Once a minute is plenty." in told[0][1]
    assert KIND.urgency == "later"
    assert [c.subject for c in outcome.snapshot.conditions.values() if c.up] == [a_room().probes[0].id]


@pytest.mark.parametrize("pace", [0.0, 6.0, 60.0, 120.0])
def test_a_probe_that_reports_twice_a_second_or_less_often_is_not_told(pace: float) -> None:
    assert run([pace] * 30)[0] == []


def test_a_device_that_catches_up_for_minutes_is_not_told() -> None:
    assert run([600.0] * 9 + [6.0] * 20)[0] == []


def test_what_is_not_known_changes_nothing_and_a_slower_pace_ends_it() -> None:
    _, outcome = run([600.0] * 20 + [None] * 5 + [90.0] * 5)
    assert any(c.up for c in outcome.snapshot.conditions.values())
    _, outcome = run([600.0] * 20 + [6.0] * 5)
    assert not any(c.up for c in outcome.snapshot.conditions.values())
