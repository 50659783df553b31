"""Heater weak: off unless asked for, later first and today when little is left, and over when it is strong again."""

from __future__ import annotations

from dataclasses import replace

from monitor.core.climate.heater import HeaterNow, Wear
from monitor.core.notices.kinds.heater import KIND, in_words
from tests.core.timeline import START, Run, Script, a_room, without_minutes

GOOD = Wear(12.0, 12.0, 1.0, 0.45, 0.6, 0.45, 0.0, -0.001, 0.001, False, 20_000, None, 30)
WEAK = replace(
    GOOD, c_per_h=10.2, left=0.85, duty=0.55, most_duty=0.7, per_day=-0.005, weak=True, full_in_days=45.0, days=40
)


def run(*course: tuple[int, Wear | None], on: bool = True) -> Run:
    """(from minute, wear)."""
    room = a_room(("a",))
    if on:
        room = replace(room, watch=replace(room.watch, heater_since_ms=START - 90 * 86_400_000))

    def more(now_ms: int) -> dict[str, object]:
        now = [w for m, w in course if START + m * 60_000 <= now_ms]
        told = HeaterNow("left", "air", now[-1]) if now and now[-1] else HeaterNow("left", "air", untold="too few days")
        return {"heaters": {"left": told}}

    return Run(Script(room, more=more)).go(0, 170, 60)


def changes(found: Run) -> list[tuple[str, str, str]]:
    return without_minutes([x for x in found.told() if x[0] == KIND.name])


def test_a_weak_heater_is_told_once_and_its_end_too() -> None:
    found = run((0, GOOD), (30, WEAK), (60, replace(WEAK, left=0.9, weak=False)), (90, replace(GOOD, left=0.97)))
    assert changes(found) == [("heater-weak", "raised", "left"), ("heater-weak", "cleared", "left")]
    assert [x[3] for x in found.told() if x[0] == KIND.name] == [30, 90]
    first = next(n for n in found.notices if n.kind == KIND.name)
    assert first.urgency == "later"
    assert "85 %" in first.text
    assert "no reserve left in about 45 days" in first.text


def test_it_is_today_when_little_time_or_reserve_is_left() -> None:
    for soon in (replace(WEAK, full_in_days=9.0), replace(WEAK, most_duty=0.93, full_in_days=None)):
        assert next(n for n in run((0, soon)).notices if n.kind == KIND.name).urgency == "today"


def test_nothing_known_is_nothing_over_and_nothing_is_told_unless_asked_for() -> None:
    assert changes(run((0, WEAK), (60, None))) == [("heater-weak", "raised", "left")]
    assert changes(run((0, None))) == []
    assert changes(run((0, WEAK), on=False)) == []


def test_it_is_said_in_the_keepers_unit_or_why_not() -> None:
    assert "18.4 °F an hour" in in_words(HeaterNow("left", "air", WEAK), "F")
    assert in_words(HeaterNow("left", untold="no probe"), "C") == "nothing is known of its strength: no probe"
    assert "no reserve" not in in_words(HeaterNow("left", "air", replace(WEAK, weak=False)), "C")
