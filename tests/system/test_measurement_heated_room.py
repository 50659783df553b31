"""The measure of the heated room: what it counts, and what falls short in it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.notices.notice import Notice
from monitor.core.terms.times import DAY_MS, MINUTE_MS
from tests.bench import heated_room
from tests.bench.heated_room import STEADY_DAYS

T0 = 1_780_000_000_000


def notice(day: float, kind: str = "too-cool", **more: object) -> Notice:
    said = Notice(f"{kind}{day}", T0 + round(day * DAY_MS), kind, ("lower",), "raised", "now", "Title", "First.\nMore.")
    return replace(said, **more)  # type: ignore[arg-type]


def test_what_comes_by_itself_is_counted_by_week_and_what_the_daily_line_tells_is_not() -> None:
    told = [
        notice(1), notice(1.5, change="still"), notice(8), notice(11, urgency="later"),
        notice(10, change="daily", kind="daily-line", urgency="later"),
    ]  # fmt: skip
    short: list[str] = []
    figures = heated_room._told("x", told, T0, 14, short)
    assert (figures["x_by_themselves"], figures["x_reminders"], figures["x_in_the_daily_line"]) == (3, 1, 1)
    assert figures["x_each_week"] == "2 (1 reminders), 1 (0 reminders)"
    assert figures["x_steady_a_week"] == pytest.approx(3 / STEADY_DAYS * 7, abs=0.01)
    assert short == ["x: more than 2 messages a week while the room was steady"]


@pytest.mark.parametrize(
    ("told", "why"),
    [
        (notice(20, "probe-out"), "x: a probe that was right is accused: Title"),
        (notice(20, title="T" * 51), "x: too long: " + "T" * 51),
        (notice(20, text="First.\n" + "t" * 301), "x: too long: Title"),
    ],
)
def test_an_accusation_and_a_long_text_fall_short(told: Notice, why: str) -> None:
    short: list[str] = []
    heated_room._told("x", [told], T0, 41, short)
    assert short == [why]


def test_readings_between_lie_on_the_line_and_fill_no_gap() -> None:
    at = [0, 10, 20, 400, 410]
    rows = [(T0 + m * MINUTE_MS, {"p": float(m)}) for m in at]
    found = heated_room._between(rows)
    assert [(t - T0) // MINUTE_MS for t, _ in found] == [0, 5, 10, 15, 20, 400, 405]
    assert [v["p"] for _, v in found] == [0, 5, 10, 15, 20, 400, 405]
