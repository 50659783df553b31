"""Tasks: what is asked for when, and that the account ends it; and the spans of a calendar."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.climate.water import Given, Weighing, box_water
from monitor.core.development.care import Care, usual_care
from monitor.core.development.lots import LotNow
from monitor.core.notices.by_calendar import daily
from monitor.core.notices.conditions import Condition, Phase
from monitor.core.notices.fitting import LINE_MOST
from monitor.core.notices.snapshot import BoxNow, ProbeNow, Service, Snapshot
from monitor.core.notices.tasks import MOST, Task, day_of, due, spans, tasks
from monitor.core.readings.corrections import Correction
from monitor.core.terms.events import Clutch, EventKind, KeeperEvent
from monitor.core.terms.projection import project
from monitor.core.terms.settings import Limits
from monitor.core.terms.times import DAY_MS, HOUR_MS
from tests.core.lots import changed
from tests.core.timeline import a_lot, a_room
from tests.examples import at_most

LAID = round(datetime(2026, 5, 1, 10, tzinfo=UTC).timestamp() * 1000)
VIENNA = ZoneInfo("Europe/Vienna")
OPENS, LASTS = 50, 6


def account(*told: tuple[EventKind, float, Mapping[str, object]]) -> Clutch:
    """A clutch of 6, set in box a on the day it was laid, and what was told of it: (what, day after, more)."""
    first: list[tuple[EventKind, float, Mapping[str, object]]] = [
        (EventKind.LAID, 0.0, {"eggs": 6, "species": "x"}),
        (EventKind.SET, 0.1, {"box": "a", "eggs": 6}),
    ]
    events = [
        KeeperEvent(kind, "K01", LAID + round(day * DAY_MS), LAID, id=i + 1, **more)  # type: ignore[arg-type]
        for i, (kind, day, more) in enumerate([*first, *told])
    ]
    return project(events)["K01"]


def lots_of(clutch: Clutch, opens: float = OPENS) -> tuple[LotNow, ...]:
    """The lots of a clutch, with a window from a day after laying on."""
    known = a_lot(p10_ms=LAID + round(opens * DAY_MS), days=LASTS)
    return tuple(replace(known, lot=lot, clutch=clutch) for lot in clutch.lots)


def at(
    day: float, clutch: Clutch | None = None, *, zone: tzinfo = VIENNA, opens: float = OPENS, **more: object
) -> Snapshot:
    now_ms = LAID + round(day * DAY_MS)
    lots = lots_of(account() if clutch is None else clutch, opens)
    return replace(Snapshot(now_ms, a_room(("a",)), zone, Service(0), lots=lots), **more)  # type: ignore[arg-type]


def stands(snapshot: Snapshot, days: int = 0) -> list[str]:
    """What is to be done within so many days, each with how it stands."""
    today = day_of(snapshot.now_ms, snapshot.zone)
    return [f"{t.says}: {t.state(today)}" for t in tasks(snapshot, days) if t.state(today) != "done"]


def test_eggs_are_candled_on_the_days_of_their_profile() -> None:
    assert stands(at(6)) == []
    assert stands(at(6), 14) == ["candle K01 in a (day 7): coming"]
    assert stands(at(7)) == ["candle K01 in a (day 7): due"]
    assert stands(at(9)) == ["candle K01 in a (day 7): overdue"]
    # The second day takes the place of a first that nobody did, and the window's opening that of both.
    assert stands(at(31)) == ["candle K01 in a (day 30): overdue"]
    assert stands(at(31, opens=20)) == ["look at K01 in a: due"]
    # Where no window comes any more, as without readings, nobody is asked for ever.
    assert stands(at(59, opens=900)) == ["candle K01 in a (day 30): overdue"]
    assert stands(at(62, opens=900)) == []
    own = {"x": Care(candle_days=(12.0,))}
    assert stands(at(12, care=own)) == ["candle K01 in a (day 12): due"]


@pytest.mark.parametrize(("candled", "asked"), [(4.0, True), (5.1, False), (7.0, False), (9.0, False)])
def test_a_candling_ends_it_from_two_days_before_on(candled: float, *, asked: bool) -> None:
    told = account((EventKind.CANDLED, candled, {"box": "a", "alive": 6}))
    assert bool(stands(at(9.5, told))) is asked


def test_what_was_seen_in_one_box_says_nothing_of_the_other() -> None:
    told = account(
        (EventKind.CANDLED, 7.0, {"box": "a", "alive": 6}),
        (EventKind.SPLIT, 10.0, {"box": "a", "to_box": "b", "eggs": 3}),
        (EventKind.CANDLED, 30.0, {"box": "a", "alive": 3}),
    )
    # Both were candled when they lay together; later only those that stayed.
    assert stands(at(12, told)) == []
    assert stands(at(31, told)) == ["candle K01 in b (day 30): overdue"]


def test_one_looks_daily_from_the_opening_until_all_have_hatched() -> None:
    assert "look at K01 in a: due" not in stands(at(OPENS - 1))
    assert "look at K01 in a: due" in stands(at(OPENS))
    looked = account((EventKind.LOOKED, OPENS + 1, {"box": "a"}))
    assert "look at K01 in a: due" not in stands(at(OPENS + 1.1, looked))
    assert stands(at(OPENS + 2, looked)) == ["look at K01 in a: due"]  # and no overdue one of yesterday
    assert stands(at(OPENS + 40)) == ["look at K01 in a: due"]
    pipped = account((EventKind.PIPPED, OPENS - 3, {"box": "a", "eggs": 1}))
    assert stands(at(OPENS - 2, pipped)) == ["look at K01 in a: due"]
    out = account((EventKind.HATCHED, OPENS, {"box": "a", "eggs": 6}))
    assert stands(at(OPENS + 1, out)) == []


def test_the_place_is_prepared_before_the_window_and_not_asked_for_after() -> None:
    prepare = "prepare for hatchlings of K01"
    assert not any(prepare in x for x in stands(at(OPENS - 8)))
    assert f"{prepare}: due" in stands(at(OPENS - 7))
    assert f"{prepare}: due" in stands(at(OPENS))
    assert not any(prepare in x for x in stands(at(OPENS + 1)))
    venomous = tuple(changed(lot, venomous=True) for lot in lots_of(account()))
    task = next(t for t in due(replace(at(OPENS - 7), lots=venomous)) if t.id == "prepare/K01")
    assert "venomous" in task.says
    assert "antivenom" in task.more


def test_first_sheds_and_first_meals_follow_the_account() -> None:
    hatched = ((EventKind.HATCHED, 50.0, {"box": "a", "eggs": 2}), (EventKind.HATCHED, 52.0, {"box": "a", "eggs": 4}))
    shed, fed = "first shed of hatchlings of K01", "first meal for hatchlings of K01"
    assert stands(at(56, account(*hatched))) == []
    assert stands(at(58, account(*hatched))) == [f"{shed}: overdue"]
    some = (*hatched, (EventKind.SHED, 58.0, {"eggs": 2}))
    assert stands(at(59, account(*some)), 3) == [f"{shed}: due", f"{fed}: coming"]
    all_ = (*some, (EventKind.SHED, 60.0, {"eggs": 4}), (EventKind.FED, 61.0, {"eggs": 6}))
    assert stands(at(64, account(*all_))) == []
    assert stands(at(58, account(*hatched, (EventKind.FINISHED, 57.0, {})))) == []
    assert stands(at(100, account(*hatched))) == []  # nobody tells of it any more
    # Turtles are not waited for to shed.
    care = {"x": usual_care("Testudines")}
    assert stands(at(55, account(*hatched), care=care)) == [f"{fed}: overdue", f"{fed}: due"]


def test_boxes_are_weighed_weekly_and_watered_once_they_were_weighed() -> None:
    def weighed(day: float, *grams: float, given_: float = 0.0) -> Snapshot:
        told = [Weighing(LAID + 7 * i * DAY_MS, g, order=2 * i + 2) for i, g in enumerate(grams)]
        later = [Given(told[-1].at_ms + HOUR_MS, given_, 99)] if given_ else []
        return at(day, lots=(), waters=(box_water("a", told, later, [(LAID, 1)], LAID),))

    assert stands(weighed(6, 812.0)) == []
    assert stands(weighed(7, 812.0)) == ["weigh box a: due"]
    assert stands(weighed(8, 812.0, 800.0)) == ["give box a 12 ml of water: overdue"]
    assert stands(weighed(8, 812.0, 800.0, given_=12.0)) == []
    done = [t for t in tasks(weighed(8, 812.0, 800.0, given_=12.0)) if t.done_ms is not None]
    assert {t.id for t in done} == {"weigh/a/20260501", "water/a/20260508"}
    # The weighing that is asked for is another thing to do than that of last week.
    assert [t.id for t in tasks(weighed(8, 812.0, 800.0, given_=12.0), 7) if t.done_ms is None] == ["weigh/a/20260508"]


def test_a_box_whose_scale_falls_silent_is_to_be_weighed_by_hand() -> None:
    """Nothing else would say so: a scale is no probe of warmth, whose silence is told."""
    told = [Weighing(LAID + i * DAY_MS, 812.0 - i, scale="s") for i in range(10)]
    water = box_water("a", told, [], [(LAID, 1)], LAID)
    assert not any("weigh" in x for x in stands(at(16, lots=(), waters=(water,)), 14))
    later = at(17, lots=(), waters=(water,))
    assert "weigh box a: overdue" in stands(later)
    assert "Its scale has said nothing" in next(t.more for t in due(later) if t.says == "weigh box a")


def test_probes_are_compared_a_year_after_they_were() -> None:
    probe = a_room(("a",)).probes[0]
    compared = replace(ProbeNow(probe), correction=Correction("p-a", LAID, 0.1, 0.1, 0.05, "side by side", LAID))
    assert stands(at(364, lots=(), probes=(compared,))) == []
    assert stands(at(365, lots=(), probes=(compared,))) == ["compare the probes of stack left: due"]
    assert stands(at(900, lots=(), probes=(ProbeNow(probe),))) == []


def test_days_are_those_of_the_room() -> None:
    # Laid at 23:30 UTC of the first: in Vienna that is the second.
    late = LAID - LAID % DAY_MS + 23 * HOUR_MS + HOUR_MS // 2
    clutch = replace(account(), laid_ms=late)
    snapshot = at(2, clutch)
    assert [t.due for t in tasks(snapshot, 7)] == [date(2026, 5, 9)]
    assert [t.due for t in tasks(replace(snapshot, zone=UTC), 7)] == [date(2026, 5, 8)]


@pytest.mark.parametrize(
    ("zone", "night"),
    [
        ("Europe/Vienna", "2026-10-25"),
        ("America/Havana", "2026-11-01"),  # its hour from midnight to one comes twice
        ("Africa/Cairo", "2027-04-30"),  # has no midnight
        ("Australia/Lord_Howe", "2026-10-04"),  # by half an hour
    ],
)
def test_a_night_on_which_the_clocks_change_asks_for_each_day_once(zone: str, night: str) -> None:
    own, noon_ms = ZoneInfo(zone), round(datetime.fromisoformat(f"{night} 12:00+00:00").timestamp() * 1000)
    for minutes in range(-36 * 60, 36 * 60, 30):
        now_ms = noon_ms + minutes * 60_000
        day = (now_ms - LAID) / DAY_MS
        # One look an hour before: it counts for its own day alone.
        clutch = account((EventKind.LOOKED, day - 1 / 24, {"box": "a"}))
        snapshot = at(day, clutch, zone=own, opens=day - 4)
        looks = [t for t in tasks(snapshot, 3) if t.says.startswith("look at")]
        today = day_of(now_ms, own)
        assert sorted(t.due for t in looks) == [today + timedelta(n) for n in range(len(looks))]
        assert len({t.id for t in looks}) == len(looks) > 1
        done = [t.due for t in looks if t.done_ms is not None]
        assert done == ([today] if day_of(now_ms - HOUR_MS, own) == today else [])


def test_windows_and_waits_are_spans_of_whole_days() -> None:
    window, wait = spans(at(10))
    assert (window.id, window.says) == ("window/K01/a", "K01 in a: first pip 20 Jun to 26 Jun")
    assert (window.first, window.last) == (date(2026, 6, 20), date(2026, 6, 26))
    assert (wait.id, wait.first, wait.last) == ("wait/K01/a", date(2026, 7, 1), date(2026, 7, 1))
    assert "no egg is opened" in window.more
    pipped = account((EventKind.PIPPED, OPENS, {"box": "a", "eggs": 1}))
    assert [s.id for s in spans(at(OPENS + 1, pipped))] == ["wait/K01/a"]
    assert spans(at(OPENS + 1, replace(account(), finished_ms=LAID))) == ()


def test_the_daily_line_says_what_is_due_in_one_line() -> None:
    snapshot = at(7)
    box = BoxNow(snapshot.room.boxes[0], Limits(), "", np.empty(0, np.int64), np.empty(0), 0.0, "", occupied_by=())
    told = daily(replace(snapshot, boxes=(box,))).text
    assert told.startswith("To do: candle K01 in a (day 7).")
    assert "Nothing to do" not in told
    many = tuple(replace(lot, lot=replace(lot.lot, id=f"K{i}/a")) for i in range(30) for lot in snapshot.lots)
    line = daily(replace(snapshot, boxes=(box,), lots=many)).text.partition("\n")[0]
    assert len(line) <= LINE_MOST + len("To do: .")
    assert "more" in line
    assert daily(replace(at(3), boxes=(box,))).text.startswith("Nothing to do.")
    # What is wrong goes before what is to be done.
    cool = Condition("too-cool", "a", Phase.RAISED, snapshot.now_ms, snapshot.now_ms, None, snapshot.now_ms)
    first, wrong, todo, *_ = daily(replace(snapshot, boxes=(box,), conditions={cool.key: cool})).text.splitlines()
    assert (first, todo) == ("Look at: too cool (a).", "To do: candle K01 in a (day 7).")
    assert wrong.startswith("Too cool since")


EVENTS = st.lists(
    st.tuples(
        st.sampled_from([EventKind.CANDLED, EventKind.LOOKED, EventKind.PIPPED, EventKind.HATCHED, EventKind.SHED]),
        st.floats(0.2, 90.0),
        st.integers(1, 3),
    ),
    max_size=8,
)


@at_most(0.6)
@given(EVENTS, st.floats(0.0, 120.0), st.integers(0, 400))
def test_whatever_was_told_tasks_are_single_bounded_and_never_long_past(
    told: list[tuple[EventKind, float, int]], day: float, days: int
) -> None:
    clutch = account()
    later = [
        KeeperEvent(kind, "K01", LAID + round(on * DAY_MS), LAID, 10 + i, "a", eggs=eggs)
        for i, (kind, on, eggs) in enumerate(told)
        if on <= day
    ]
    snapshot = at(day, replace(clutch, events=(*clutch.events, *later)))
    found = tasks(snapshot, days)
    today = day_of(snapshot.now_ms, snapshot.zone)
    assert len({t.id for t in found}) == len(found) <= MOST
    assert all(t.begins <= t.due and t.begins <= today + timedelta(days) for t in found if t.done_ms is None)
    assert all(t.done_ms <= snapshot.now_ms for t in found if t.done_ms is not None)
    assert set(due(snapshot)) <= set(found)
    assert all(isinstance(t, Task) and t.says for t in found)
