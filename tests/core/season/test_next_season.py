"""What is said of the next season follows from what is known, is quiet where that is thin, and touches no egg."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.core.season.figures import BoxSeason, ClutchSeason, EggsInBox, Season, WindowTold
from monitor.core.season.met import Matter
from monitor.core.season.next_season import next_season
from monitor.core.terms.events import Clutch, EventKind, KeeperEvent, Lot, PipSeen, Stay
from monitor.core.terms.settings import Box, Limits
from monitor.core.terms.times import DAY_MS, HOUR_MS

END = 60 * DAY_MS


def clutch(name: str = "K01", *, lost: tuple[tuple[str, int], ...] = (), came_day: float | None = None) -> ClutchSeason:
    """Twelve eggs in one box that are out at the end; ``came_day``: the first pip, of which 50 to 54 was told."""
    pips = () if came_day is None else (PipSeen(round((came_day - 0.5) * DAY_MS), round(came_day * DAY_MS), 2),)
    dead = sum(n for _, n in lost)
    path = (Stay("upper", 0, END),)
    lot = Lot(f"{name}/upper", name, "upper", path, 12, lost=lost, pips=pips, hatched=12 - dead, closed_ms=END)
    told = (WindowTold(0.5, 30 * DAY_MS, 50 * DAY_MS, 52 * DAY_MS, 54 * DAY_MS),)
    events = (KeeperEvent(EventKind.CANDLED, name, DAY_MS, DAY_MS),)
    return ClutchSeason(Clutch(name, "invented", 0, False, 12, (lot,), events=events), (EggsInBox(lot, told),), ())


def box(**more: object) -> BoxSeason:
    whole = BoxSeason(
        Box("upper", "left", 150.0), Limits(31.0, 25.0), 0, END, np.arange(0, END, HOUR_MS), np.full(1440, 28.0), 28.0,
        "its own probe", (), 0.0, 0.0, 0.0, (),
    )  # fmt: skip
    return replace(whole, **more)  # type: ignore[arg-type]


def matter(number: int, urgency: str = "now", answered_ms: int | None = None) -> Matter:
    return Matter(number, "too-warm", ("upper",), urgency, "Too warm", 0, 1, answered_ms, "", 9 * HOUR_MS)  # type: ignore[arg-type]


def season(*clutches: ClutchSeason, boxes: tuple[BoxSeason, ...] = (), told: tuple[Matter, ...] = ()) -> Season:
    return Season("2026", "Invented", 0, END, clutches or (clutch(),), boxes, (), (), told)


def said(given: Season) -> str:
    return "\n".join(f"{a.what} {a.why}" for a in next_season(given, "C"))


def test_a_season_in_which_all_went_well_changes_nothing() -> None:
    told = (matter(1, answered_ms=HOUR_MS), matter(2, "later"), matter(3, "later"), matter(4, "later"))
    assert said(season(clutch(came_day=52.0), boxes=(box(),), told=told)) == ""


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (season(boxes=(box(above_s=3 * 3600.0),)), "box upper above the limit"),
        (season(boxes=(box(below_s=3 * 3600.0),)), "box upper below the limit"),
        (season(boxes=(box(near_s=0.2 * END / 1000),)), "more room to its limits"),
        (season(boxes=(box(gaps=((0, 2 * DAY_MS),)),)), "not heard once, 3.3 % of the time, 2.0 days"),
        (season(boxes=(box(mean_c=None),)), "nothing was measured there"),
        (season(boxes=(box(source="the stack's other probes, by height"),)), "Lay a probe into box upper"),
        (season(clutch(lost=(("mould", 3),))), "3 of 12 eggs: mould"),
        (season(clutch(lost=(("in-shell", 4),))), "4 of 12 eggs: dead in shell"),
        (season(told=tuple(matter(i) for i in range(3))), "3 of 3 notices that asked for a hand"),
    ],
)  # fmt: skip
def test_what_is_known_is_said_with_its_reason(given: Season, words: str) -> None:
    assert words in said(given)


@pytest.mark.parametrize(
    "given",
    [
        season(boxes=(box(above_s=600.0),)),
        season(boxes=(box(near_s=0.05 * END / 1000),)),
        season(boxes=(box(gaps=((0, 3 * HOUR_MS),)),)),
        season(clutch(lost=(("mould", 2),))),
        season(told=(matter(1), matter(2))),
        season(told=(*(matter(i) for i in range(3)), *(matter(9 + i, answered_ms=HOUR_MS) for i in range(4)))),
        season(clutch("K01", came_day=58.0), clutch("K02", came_day=58.0)),
        season(*(clutch(f"K{i}", came_day=58.0 if i < 2 else 52.0) for i in range(5))),
    ],
)
def test_what_is_thin_is_not_made_into_advice(given: Season) -> None:
    assert said(given) == ""


def test_windows_that_missed_more_often_than_chance_are_told_with_their_side() -> None:
    late = season(*(clutch(f"K{i}", came_day=58.0) for i in range(3)))
    assert "Of 3 windows told half way, 3 did not hold the first pip, all late (K0, K1, K2)" in said(late)


def test_a_pip_that_nobody_had_looked_before_asks_for_looks() -> None:
    seen = clutch(came_day=52.0)
    lot = replace(seen.eggs[0].lot, pips=(PipSeen(None, 52 * DAY_MS, 2),))
    blind = replace(seen, eggs=(replace(seen.eggs[0], lot=lot),))
    assert "Of 1 clutch with pips (K01) no look within two days" in said(season(blind))


def test_a_clutch_that_nobody_finished_is_named() -> None:
    seen = clutch()
    left = replace(seen.eggs[0].lot, hatched=0, closed_ms=None)
    open_one = replace(seen, clutch=replace(seen.clutch, lots=(left,)), eggs=(replace(seen.eggs[0], lot=left),))
    assert "finished" not in said(season(open_one))
    assert "record finished K01" in said(replace(season(open_one), to_ms=400 * DAY_MS))


@pytest.mark.parametrize(
    ("after", "by", "came"),
    [
        (48.0, 49.0, "early"), (49.5, 50.5, "inside"), (52.0, 52.5, "inside"), (53.5, 56.0, "inside"),
        (54.5, 55.0, "late"), (None, 56.0, "inside"), (None, 58.0, "late"), (None, 49.9, "early"),
    ],
)  # fmt: skip
def test_a_window_holds_a_pip_that_may_have_come_in_it(after: float | None, by: float, came: str) -> None:
    told = WindowTold(0.5, 0, 50 * DAY_MS, 52 * DAY_MS, 54 * DAY_MS)
    seen = PipSeen(None if after is None else round(after * DAY_MS), round(by * DAY_MS), 1)
    assert told.came(seen) == came
    assert told.came(None) == ""
    assert WindowTold(0.5, 0, refused="no date").came(seen) == ""
