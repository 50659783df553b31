"""A quiet room that is heard again: how long it was, how far each box cooled, and what to look at first."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.core.notices.after_silence import RESIDUAL, TRIPPED
from monitor.core.notices.snapshot import Service
from monitor.core.terms.times import HOUR_MS
from tests.core.timeline import MINUTE, START, Run, Script, without_minutes

Course = Callable[[float], float | None]
BACK = 20 + 180


def cools(per_h: float, *, gone: float = 20, back: float = BACK, after: float | None = None) -> Course:
    """Silent for three hours in which it cools, then a degree an hour up again."""

    def course(m: float) -> float | None:
        if m < gone:
            return 28.0
        if m < back:
            return None
        return (28.0 - per_h * 3.0 + (m - back) / 60.0) if after is None else after

    return course


def played(**courses: Course) -> Run:
    script = Script(courses=courses, hours=6)
    return Run(script).go(0, 260)


def test_the_end_of_a_power_cut_says_how_long_it_was_and_how_far_each_box_cooled() -> None:
    run = played(**{b: cools(0.3 + 0.2 * i) for i, b in enumerate("abcd")}, e=lambda m: 28.0 if m < 20 else None)
    told = [n for n in run.notices if n.kind == "room-quiet"]
    assert [n.change for n in told] == ["raised", "cleared"]
    text = told[1].whole
    assert "Nothing was heard from 09:19 to 12:20 (3 h 01 min)" in text
    assert "Box a: 28.0 °C before, lowest 27.1 °C at 12:20, 0.9 °C cooler (± 0.6 °C)" in text
    assert "Box d: 28.0 °C before, lowest 25.3 °C at 12:20, 2.7 °C cooler" in text
    assert "Box e: 28.0 °C before, no reading since. Without heat it would have cooled by about" in text
    assert "8 in 10" in text
    assert "check the residual-current device" in text
    assert told[1].urgency == "today"
    assert told[1].text.splitlines()[0].endswith("check the residual-current device.")
    assert "Box e: 28.0 °C before, no reading since" in told[1].text, "what is worst comes first"


def test_a_broker_that_was_restarted_is_no_power_cut() -> None:
    run = played(**{b: cools(0.0, back=60, after=28.0) for b in "abcde"})
    told = [n for n in run.notices if n.kind == "room-quiet"]
    assert [n.change for n in told] == ["raised", "cleared"]
    assert "Box a: 28.0 °C before, never below 28.0 °C since" in told[1].whole
    assert "residual-current" not in told[1].whole


@pytest.mark.slow
def test_a_room_that_comes_and_goes_at_once_has_one_end() -> None:
    def flickers(m: float) -> float | None:
        return 28.0 if m < 20 or 60 <= m < 60.5 or m >= 90 else None

    run = Run(Script(courses=dict.fromkeys("abcde", flickers), hours=4)).go(0, 130, 10.0)
    assert without_minutes(run.told()) == [
        ("room-quiet", "raised", "back room"),
        ("room-quiet", "cleared", "back room"),
    ]


def test_it_is_told_right_after_a_restart_too() -> None:
    """What is remembered stands with the condition: a service that was started anew while it was quiet knows it."""
    started = {"ms": START - 10 * HOUR_MS}
    courses = {b: cools(0.5) for b in "abcde"}
    script = Script(courses=courses, hours=6, service=lambda _: Service(started_ms=started["ms"]))
    run = Run(script).go(0, 100)
    started["ms"] = START + 101 * MINUTE
    run.go(101, 260)
    assert "Box a: 28.0 °C before, lowest 26.5 °C" in run.notices[-1].whole


@pytest.mark.parametrize("per_h", [0.0, 0.1, 0.3, 0.9])
def test_what_may_have_tripped_is_told_where_a_box_was_without_heat_and_nowhere_else(per_h: float) -> None:
    run = played(**{b: cools(per_h if b == "c" else 0.0) for b in "abcde"})
    told = [n for n in run.notices if n.kind == "room-quiet"][-1]
    assert told.change == "cleared"
    assert (TRIPPED in told.whole, RESIDUAL in told.whole) == (3.0 * per_h >= 0.5,) * 2
