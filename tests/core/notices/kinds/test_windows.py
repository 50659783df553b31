"""Window near, open, past: the stages of a lot, each told once."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest

from monitor.core.development.lots import LotNow, Silence
from monitor.core.development.siblings import verdict
from monitor.core.development.species import VENOMOUS, VENOMOUS_CARE, Grade
from monitor.core.notices.by_calendar import daily
from monitor.core.notices.kinds import Kind
from monitor.core.notices.kinds.windows import KINDS
from monitor.core.terms.events import PipSeen
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
    assert [n.urgency for n in run.notices] == ["later", "today", "today"]
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
    lot = at_day(20, filled_share=0.12, silence=Silence(0.83, 0.7, START + 26 * DAY_MS))
    run = days(lambda _: lot, 40)
    near, opened, past = run.notices
    assert near.title == "Window near: K01 in a 21 to 25 May"
    assert near.text.splitlines()[1].startswith("6 eggs of K01 in a: first pip expected Thu 21 May to Mon 25 May. ")
    for said in (
        "8 times in 10 it falls in these days, most likely about Sat 23 May.",
        "Development 60 %, elaphe-taeniura.",
        "Why not surer: eggs and clutches differ (± 1.4 days).",
        "12 % of the time nobody measured: it was estimated.",
    ):
        assert said in near.whole
    assert "common practice" not in near.whole
    assert "Late or failed? Probably only late (83 %)." in past.text
    assert "chance" not in opened.text
    assert "No egg is opened on the word of a window" in past.text
    assert "warmtally record looked, or pipped" in opened.text


def test_hatchlings_that_kill_are_announced_with_what_to_have_ready_before_the_box_is_opened() -> None:
    run = days(lambda _: replace(at_day(20), venomous=True), 40)
    for notice in run.notices:
        assert notice.title.endswith(", venomous")
        assert VENOMOUS in notice.text
    near, opened, _ = run.notices
    assert near.text.startswith("Have ready: hook, closed box, a second person, who has the antivenom.\n")
    assert opened.text.startswith("Look with hook and closed box, never alone; record what you see.\n")
    assert all(said in n.whole for said in VENOMOUS_CARE for n in (near, opened))
    assert not any("venomous" in n.whole for n in days(lambda _: at_day(20), 40).notices)


@pytest.mark.parametrize(
    ("grade", "told"),
    [
        ("no source", "Its days of incubation are common practice, no source."),
        ("one figure", "Its days of incubation rest on one figure."),
    ],
)
def test_a_window_that_rests_on_less_than_a_table_says_so(grade: Grade, told: str) -> None:
    lot = replace(at_day(20), grade=grade)
    notices = days(lambda _: lot, 40).notices
    assert [n.kind for n in notices] == ["window-near", "window-open", "window-past"]
    assert all(told in n.whole for n in notices)
    assert all(told in n.text for n in notices[:2])


# -- what lies still ------------------------------------------------------------------------------------------------


def two_lots(
    pip_day: float, until_day: float, *, chance: float = 0.9, end_day: float = 60.0, looks: bool = False
) -> Run:
    """The upper box pips on a day; the lower one lies still, expected on days 24 to 28. ``looks``: a keeper looks on
    each day until the last on which one waits."""
    silence = Silence(chance, 0.7, START + round(until_day * DAY_MS))

    def more(now_ms: int) -> dict[str, object]:
        day = (now_ms - START) / DAY_MS
        early = a_lot("K01/a", p10_ms=START + 20 * DAY_MS)
        if day >= pip_day:
            early = replace(early, lot=replace(early.lot, pips=(PipSeen(None, START + round(pip_day * DAY_MS), 6),)))
        late = a_lot("K01/e", p10_ms=START + 24 * DAY_MS, silence=silence)
        if looks:
            looked_ms = START + round(min(int(day), until_day) * DAY_MS)
            late = replace(late, lot=replace(late.lot, looked_ms=looked_ms))
        return {"lots": (early, late)}

    room = a_room(("a", "e"))
    room = replace(room, watch=replace(room.watch, repeat_today_s=6 * 3600.0))
    run = Run(Script(room, {"a": lambda _: None, "e": lambda _: None}, hours=0.0, more=more), kinds=KINDS)
    at = START
    while at <= START + end_day * DAY_MS:
        run.tick(at)
        at += 6 * 3_600_000
    return run


def told_of(run: Run, lot: str) -> list[tuple[str, str, float]]:
    return [(kind, change, minutes / 1440) for kind, change, subjects, minutes in run.told() if lot in subjects]


def test_when_the_first_box_pips_the_others_are_told_once_and_then_the_daily_line_says_it() -> None:
    run = two_lots(pip_day=22.0, until_day=31.0, end_day=29.0)
    told = [x for x in told_of(run, "K01/e") if x[0] == "others-expected"]
    assert told == [("others-expected", "raised", 22.0)]
    (notice,) = (n for n in run.notices if n.kind == "others-expected")
    assert notice.urgency == "today"
    assert notice.title == "Wait for the others: K01 in e until 1 Jun"
    assert notice.text.splitlines()[0] == "Wait until Mon 1 Jun: look twice a day. Do not cut, do not throw away."
    for said in (
        "6 eggs of K01 in e: first pip expected",
        " after that in box a.",
        "99 of 100 boxes with living eggs",
        "No look is recorded",
    ):
        assert said in notice.text
    last = run.outcomes[-1].snapshot
    boxes = tuple(replace(b, occupied_by=(f"K01/{b.box.id}",)) for b in last.boxes)
    line = daily(replace(last, boxes=boxes))
    assert "K01 in e 60 %, lies still: wait until Mon 1 Jun" in line.text


def test_what_is_past_its_window_is_told_again_only_when_it_is_no_longer_waited() -> None:
    run = two_lots(pip_day=22.0, until_day=36.0, chance=0.3, looks=True)
    told = [x for x in told_of(run, "K01/e") if x[0] == "window-past"]
    assert [x[1] for x in told] == ["raised", "still"]
    assert told[0][2] == 30.0
    assert 36.0 <= told[1][2] <= 37.0, "when that day is over"
    first, again = (n for n in run.notices if n.kind == "window-past" and "K01/e" in n.subjects)
    assert first.text.splitlines()[0] == "Wait until Sat 6 Jun: look and candle. Do not cut, do not throw away."
    assert "30 %" not in first.whole, "a chance below a half is not told while one waits"
    assert "Late or failed? Open: wait and candle." in first.whole
    assert (
        "Late or failed? Probably failed: candle, wait, ask; do not cut, do not throw away (30 % only late)."
        in again.whole
    )


def test_without_a_look_nothing_is_said_of_eggs_that_nobody_has_seen_lie_still() -> None:
    run = two_lots(pip_day=22.0, until_day=36.0, chance=0.9)
    first, again = (n for n in run.notices if n.kind == "window-past" and "K01/e" in n.subjects)
    assert "Late or failed? Probably only late (90 %)." in first.whole
    assert "Late or failed? Not known: nobody has looked since." in again.whole
    assert "%" not in again.whole.partition("Late or failed?")[2].partition(".")[0]


@pytest.mark.parametrize("chance", [0.0, 0.003, 0.19, 0.2, 0.49, 0.5, 0.79, 0.8, 0.949, 0.95, 0.999, 1.0])
@pytest.mark.parametrize("waits", [False, True])
@pytest.mark.parametrize("looked", [False, True])
@pytest.mark.parametrize("none_alive", [False, True])
def test_a_verdict_is_words_first_and_never_sure(chance: float, waits: bool, looked: bool, none_alive: bool) -> None:
    said = str(verdict(chance, waits=waits, looked=looked, none_alive=none_alive))
    if not (waits or looked) or none_alive:
        assert "only late" not in said or "failed" in said, "not more hopeful than what was seen"
    assert said[0].isalpha()
    assert "100 %" not in said
    assert " 0 %" not in said
    assert "dead" not in said
    if waits:
        assert "failed" not in said
        assert all(int(x) >= 50 for x in re.findall(r"(\d+) %", said))
