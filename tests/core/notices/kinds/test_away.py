"""Nobody watched: when it is told, by what name it is known again, and what it says of each box."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC

from monitor.core.notices.conditions import Condition
from monitor.core.notices.evaluation import Outcome, evaluate
from monitor.core.notices.kinds.away import KIND
from monitor.core.notices.snapshot import AwayNow, BoxAway, LinkNow, Service, Snapshot
from tests.core.timeline import MINUTE, START, a_room

Conditions = Mapping[tuple[str, str], Condition]
FROM, UNTIL = START - 120 * MINUTE, START


def looked(minute: float, away: AwayNow | None, before: Conditions, *, link_since: float | None = 0.0) -> Outcome:
    now = START + round(minute * MINUTE)
    since = None if link_since is None else START + round(link_since * MINUTE)
    service = Service(START, LinkNow("up" if link_since is not None else "down", since))
    return evaluate(Snapshot(now, a_room(), UTC, service, away=away, conditions=before), [KIND])


def watched(
    minutes: range, away: AwayNow | None, before: Conditions | None = None, **more: float | None
) -> list[Outcome]:
    conditions = dict(before or {})
    outcomes = []
    for minute in minutes:
        outcomes.append(looked(minute, away, conditions, **more))
        conditions |= {c.key: c for c in outcomes[-1].conditions}
    return outcomes


def told_at(outcomes: list[Outcome]) -> list[int]:
    return [(n.at_ms - START) // MINUTE for o in outcomes for n in o.notices]


def after(outcomes: list[Outcome]) -> dict[tuple[str, str], Condition]:
    return {c.key: c for o in outcomes for c in o.conditions}


def test_it_is_told_once_when_what_waited_has_had_its_time() -> None:
    away = AwayNow(FROM, UNTIL)
    outcomes = watched(range(30), away)
    assert told_at(outcomes) == [5]
    (notice,) = [n for o in outcomes for n in o.notices]
    assert notice.key == f"was-away/back room/raised/{FROM}"
    assert "from 05:00 to 07:00 (2 h 00 min)" in notice.text
    # The same absence, found again after a restart.
    assert told_at(watched(range(30, 60), away, after(outcomes))) == []


def test_without_a_line_to_the_broker_it_is_told_at_last() -> None:
    assert told_at(watched(range(30), AwayNow(FROM, UNTIL), link_since=None)) == [15]
    assert told_at(watched(range(30), AwayNow(FROM, UNTIL), link_since=9.0)) == [10]


def test_a_second_absence_is_told_though_the_first_is_not_over_yet() -> None:
    first = watched(range(10), AwayNow(FROM, UNTIL))
    second = AwayNow(START + 10 * MINUTE, START + 60 * MINUTE)
    assert told_at(watched(range(60, 80), second, after(first))) == [65]


def test_each_box_says_what_is_known_of_it() -> None:
    boxes = (
        BoxAway("a", (25.1, FROM + 60 * MINUTE), (28.0, FROM + MINUTE)),
        BoxAway("b", undated_c=(26.0, 28.5)),
        BoxAway("c"),
    )
    outcomes = watched(range(10), AwayNow(FROM, UNTIL, 40, 3, boxes, broker_forgot=True))
    (notice,) = [n for o in outcomes for n in o.notices]
    for text in (
        "40 readings of that time came late",
        "3 readings waited at the broker, and when they were made is not known",
        "The broker kept nothing for the service meanwhile",
        "Box a: lowest 25.1 °C at 06:00, highest 28.0 °C at 05:01",
        "Box b: 26.0 °C to 28.5 °C at times that are not known",
        "Box c: nothing is known of that time",
    ):
        assert text in notice.whole
    assert notice.title == "Nobody watched: 2 h 00 min"


def test_who_was_not_away_is_told_nothing() -> None:
    assert told_at(watched(range(30), None)) == []
