"""Window near, open, past: the stages of a lot, each told once."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest

from monitor.core.development.lots import LotNow
from monitor.core.development.species import Grade
from monitor.core.notices.kinds import Kind
from monitor.core.notices.kinds.windows import KINDS
from monitor.core.terms.times import DAY_MS
from tests.core.timeline import START, Run, Script, a_lot, a_room

Day = Callable[[float], LotNow | None]


def days(course: Day, to_day: float, every_h: float = 6.0, kinds: Sequence[Kind] | None = None) -> Run:
    """Ticks every few hours; ``course`` says how the lot stands on a day."""

    def more(now_ms: int) -> dict[str, object]:
        lot = course((now_ms - START) / DAY_MS)
        return {"lots": (lot,) if lot is not None else ()}

    run = Run(Script(a_room(("a",)), {"a": lambda _: None}, hours=0.0, more=more), kinds=kinds)
    at = START
    while at <= START + to_day * DAY_MS:
        run.tick(at)
        at += round(every_h * 3_600_000)
    run.outcomes = [replace(o, notices=tuple(n for n in o.notices if n.kind != "room-quiet")) for o in run.outcomes]
    return run


def stages(run: Run) -> list[tuple[str, float]]:
    assert {n.change for n in run.notices} <= {"raised"}
    return [(kind, minutes / 1440) for kind, _, _, minutes in run.told()]


def at_day(p10: float, length: float = 4.0, **more: Any) -> LotNow:
    return a_lot("K01/a", p10_ms=START + round(p10 * DAY_MS), days=length, **more)


def test_the_stages_come_one_after_the_other_each_told_once() -> None:
    run = days(lambda _: at_day(20), 40)
    # A week before; at the beginning; half its width after its end.
    assert stages(run) == [("window-near", 13.0), ("window-open", 20.0), ("window-past", 26.0)]
    assert [n.urgency for n in run.notices] == ["diary", "today", "today"]
    assert [k for (k, _), c in run.conditions.items() if c.up and k.startswith("window")] == ["window-past"]


def test_a_lot_entered_late_is_told_by_its_stage_only() -> None:
    assert stages(days(lambda _: at_day(-1), 1)) == [("window-open", 0.0)]
    assert stages(days(lambda _: at_day(-20), 1)) == [("window-past", 0.0)]


@pytest.mark.parametrize("change", [{"pipped": 1, "waiting": 5}, {"waiting": 0, "pipped": 6}])
def test_a_pip_ends_every_stage_without_a_word(change: dict[str, int]) -> None:
    run = days(lambda day: at_day(20, **(change if day >= 22 else {})), 40)
    assert [s for s, _ in stages(run)] == ["window-near", "window-open"]
    assert not any(c.up for (k, _), c in run.conditions.items() if k.startswith("window"))


def test_eggs_that_were_all_taken_out_end_it_too() -> None:
    def course(day: float) -> LotNow | None:
        lot = at_day(20)
        return replace(lot, lot=replace(lot.lot, closed_ms=START), first_pip=None) if day >= 21 else lot

    run = days(course, 40)
    assert [s for s, _ in stages(run)] == ["window-near", "window-open"]
    assert not any(c.up for (k, _), c in run.conditions.items() if k.startswith("window"))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_a_forecast_that_sways_by_hours_does_not_repeat_itself(seed: int) -> None:
    dice = random.Random(seed)
    run = days(lambda _: at_day(20 + dice.uniform(-0.2, 0.2)), 40, every_h=1.0, kinds=KINDS)
    assert [s for s, _ in stages(run)] == ["window-near", "window-open", "window-past"]


def test_a_date_that_moves_away_by_days_is_told_again_when_it_comes() -> None:
    run = days(lambda day: at_day(20 if day < 14 else 30), 31)
    assert stages(run) == [("window-near", 13.0), ("window-near", 23.0), ("window-open", 30.0)]


def test_a_day_without_a_date_ends_nothing_and_repeats_nothing() -> None:
    def course(day: float) -> LotNow:
        lot = at_day(20)
        return replace(lot, first_pip=None, refused="too cold") if 21 <= day < 23 else lot

    assert [s for s, _ in stages(days(course, 40))] == ["window-near", "window-open", "window-past"]


def test_the_text_gives_days_eggs_width_and_the_cause_and_never_advises_to_open() -> None:
    lot = at_day(20, filled_share=0.12, chance_only_late=0.83)
    run = days(lambda _: lot, 40)
    near, opened, past = run.notices
    assert near.title == "Window near: K01/a Thu 21 May to Mon 25 May"
    assert near.text.splitlines()[1].startswith("K01/a (6 eggs): first pip expected Thu 21 May to Mon 25 May, since ")
    for said in (
        "8 of 10. The middle is Sat 23 May.",
        "Development 60 %, elaphe-taeniura.",
        "Mostly uncertain because: eggs and clutches differ (± 1.4 days).",
        "12 % of the time was filled in, not measured.",
    ):
        assert said in near.whole
    assert "common practice" not in near.whole
    assert "The chance that it is only late: about 83 %." in past.text
    assert "chance" not in opened.text
    assert "No egg is opened on the word of a window" in past.text
    assert "warmtally record pipped" in opened.text


@pytest.mark.parametrize(
    ("grade", "told"),
    [("no source", "Its days are common practice, no source."), ("one figure", "Its days rest on one figure.")],
)
def test_a_window_that_rests_on_less_than_a_table_says_so(grade: Grade, told: str) -> None:
    lot = replace(at_day(20), grade=grade)
    notices = days(lambda _: lot, 40).notices
    assert [n.kind for n in notices] == ["window-near", "window-open", "window-past"]
    assert all(told in n.whole for n in notices)
    assert all(told in n.text for n in notices[:2])
