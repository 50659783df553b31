"""Water: what a box loses, what is given back and what is unlike, from weighings, water, eggs that came and went."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.climate.scales import by_scale
from monitor.core.climate.water import (
    STALE_MS,
    BoxWater,
    Given,
    Weighing,
    box_water,
    digit_g,
    eggs_in,
    usual,
    waters,
)
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.projection import project
from monitor.core.terms.settings import scale_sd
from monitor.core.terms.times import DAY_MS, HOUR_MS
from tests.examples import at_most

T0 = 1_780_000_000_000 // DAY_MS * DAY_MS
SD = 1 / math.sqrt(3)  # of a scale that shows whole grams: half-width of a digit, rectangular (JCGM 100:2008, 4.3.7)


def weekly(*grams: float, first: int = 0, box: str = "upper", water: Sequence[tuple[float, float]] = ()) -> BoxWater:
    """A box weighed each week; ``water``: (day, grams)."""
    told = [Weighing(T0 + (first + 7 * i) * DAY_MS, g, order=2 * i) for i, g in enumerate(grams)]
    given_ = [Given(T0 + round(day * DAY_MS), g, 1) for day, g in water]
    return box_water(box, told, given_, [(T0, -1)], T0)


def test_what_it_lost_is_given_back_gram_for_millilitre() -> None:
    found = weekly(812.0, 800.0)
    assert found.give_ml == 12
    assert found.week is not None
    assert found.week.per_week_g == pytest.approx(12.0)
    assert found.week.sd_g == pytest.approx(SD * math.sqrt(2.0))
    assert found.owed_g == pytest.approx(12.0)
    assert found.owed_sd_g == pytest.approx(SD * math.sqrt(2.0))


def test_after_watering_the_base_line_moves() -> None:
    found = weekly(812.0, 800.0, water=[(7.01, 9.0)])
    assert (found.weight_g, found.give_ml) == (809.0, 3)
    # What was given is no gain: in its second week it lost 8 g, though the scale shows one more.
    later = weekly(812.0, 800.0, 801.0, water=[(7.01, 9.0)])
    assert later.newest is not None
    assert later.newest.per_week_g == pytest.approx(8.0)
    assert later.give_ml == 11
    # The weighing between two weeks counts in neither sum; the water's own uncertainty does.
    assert later.week is not None
    assert later.week.sd_g == pytest.approx(7 * math.sqrt(3 * SD**2) / 14)
    assert later.owed_sd_g == pytest.approx(math.sqrt(2 * SD**2))


def test_water_of_the_same_moment_counts_in_the_order_of_telling() -> None:
    at = T0 + 7 * DAY_MS
    for order, weight in ((1, 800.0), (3, 812.0)):
        found = box_water(
            "upper", [Weighing(T0, 812.0, order=0), Weighing(at, 800.0, order=2)], [Given(at, 12.0, order)], [], T0
        )
        assert found.weight_g == weight


def test_a_span_in_which_eggs_came_or_went_is_left_out() -> None:
    told = [Weighing(T0 + d * DAY_MS, g, order=d) for d, g in ((0, 812.0), (7, 800.0), (14, 752.0), (21, 741.0))]
    found = box_water("upper", told, [], [(T0, -1), (T0 + 10 * DAY_MS, 9)], T0)
    assert [s.sort for s in found.spans] == ["measured", "eggs", "measured"]
    assert found.week is not None
    assert found.week.per_week_g == pytest.approx(11.5)
    assert found.give_ml == 23
    # Who weighs before and after leaves only minutes out.
    minute = 60_000
    both = [
        *told[:2],
        Weighing(T0 + 10 * DAY_MS - minute, 795.0),
        Weighing(T0 + 10 * DAY_MS + minute, 757.0),
        *told[2:],
    ]
    exact = box_water("upper", both, [], [(T0, -1), (T0 + 10 * DAY_MS, 9)], T0)
    assert exact.owed_g == pytest.approx(12 + 5 + 5 + 11)
    assert exact.week is not None
    assert exact.week.days == pytest.approx(21, abs=0.01)


def test_what_no_water_makes_is_left_out_and_told() -> None:
    assert [s.sort for s in weekly(812.0, 81.2).spans] == ["step"]
    assert weekly(812.0, 81.2).give_ml == 0
    gained = weekly(812.0, 800.0, 811.0)
    assert [s.sort for s in gained.spans] == ["measured", "gain"]
    # It was watered, though nobody told: the loss a week does not fall to nothing, and nothing is given twice.
    assert gained.week is not None
    assert gained.week.per_week_g == pytest.approx(12.0)
    assert gained.give_ml == 0


def test_one_weighing_or_one_of_before_the_eggs_says_nothing() -> None:
    once = weekly(812.0)
    assert (once.week, once.newest, once.give_ml) == (None, None, 0)
    early = box_water("upper", [Weighing(T0 - HOUR_MS, 700.0)], [], [(T0, 1)], T0)
    assert (early.last, early.before and early.before.grams) == (None, 700.0)


def test_a_scale_that_is_touched_says_the_same() -> None:
    hours = np.arange(T0 // HOUR_MS, T0 // HOUR_MS + 14 * 24)
    grams = 812.0 - 12.0 * (hours - hours[0]) / (7 * 24)
    lifted = grams.copy()
    lifted[::9] = 140.0
    found = [
        box_water("upper", by_scale("scale", scale_sd(), hours, g, [], []).weighings, [], [], T0)
        for g in (grams, lifted)
    ]
    for water in found:
        assert water.week is not None
        assert water.week.per_week_g == pytest.approx(12.0, abs=0.25)
        assert len(water.weighings) == 14
    # A day in which water was given has two weighings, and the hour itself none.
    at = T0 + 3 * DAY_MS + 12 * HOUR_MS + 60_000
    after = np.where(hours * HOUR_MS >= at, grams + 20.0, grams)
    watered = box_water(
        "upper", by_scale("scale", scale_sd(), hours, after, [], [Given(at, 20.0)]).weighings, [Given(at, 20.0)], [], T0
    )
    assert len(watered.weighings) == 15
    assert watered.week is not None
    assert watered.week.per_week_g == pytest.approx(12.0, abs=0.25)


def room(*last_weeks: float, weeks: int = 2) -> list[BoxWater]:
    """Boxes that lost 10 g in each week but the last, and then so much."""
    return [
        weekly(*[900.0 - 10.0 * w for w in range(weeks)], 900.0 - 10.0 * (weeks - 1) - last, box=f"b{i}")
        for i, last in enumerate(last_weeks)
    ]


@pytest.mark.parametrize(
    ("last_weeks", "weeks", "unlike"),
    [
        ((10.0, 11.0, 9.0), 2, ""),
        ((26.0, 11.0, 9.0), 2, "b0"),
        ((1.0, 11.0, 10.0, 12.0), 2, "b0"),
        ((26.0, 11.0), 2, ""),  # two boxes: nobody knows which of them is usual
        ((26.0, 11.0), 4, "b0"),  # but the one's own weeks before do
        ((26.0,), 3, ""),
        ((14.0, 11.0, 9.0), 2, ""),  # by less than half of it
        ((26.0, 4.0, 14.0), 2, ""),  # the others are far apart themselves
    ],
)
def test_unlike_is_told_only_where_the_usual_is_known(last_weeks: tuple[float, ...], weeks: int, unlike: str) -> None:
    boxes = room(*last_weeks, weeks=weeks)
    now = T0 + (7 * weeks + 1) * DAY_MS
    found = [
        b.box
        for b in boxes
        if (known := usual(b, boxes, now))
        and b.newest
        and abs(b.newest.per_week_g - known.per_week_g) > known.may_differ_g
    ]
    assert "".join(found) == unlike
    assert all(usual(b, boxes, now + STALE_MS) is None for b in boxes)


def account(*events: tuple[EventKind, dict[str, object]]) -> list[KeeperEvent]:
    return [
        KeeperEvent(kind, **{"clutch": "K01", "at_ms": T0 + i * HOUR_MS, "recorded_ms": T0, "id": i + 1, **more})  # type: ignore[arg-type]
        for i, (kind, more) in enumerate(events)
    ]


def test_the_account_says_in_which_boxes_eggs_came_and_went() -> None:
    told = account(
        (EventKind.LAID, {"eggs": 8, "species": "x"}),
        (EventKind.SET, {"box": "upper", "eggs": 8}),
        (EventKind.CANDLED, {"box": "upper", "alive": 8}),
        (EventKind.MOVED, {"box": "upper", "to_box": "lower", "eggs": 3}),
        (EventKind.DEAD, {"box": "K01/lower", "eggs": 1, "how": "mould"}),
        (EventKind.HATCHED, {"box": "upper", "eggs": 5}),
    )
    clutches, now = list(project(told).values()), T0 + DAY_MS
    hour = {i: T0 + i * HOUR_MS for i in range(6)}
    assert eggs_in(clutches, "lower", now) == (hour[3], [(hour[3], 4), (hour[4], 5)])
    # Hatchlings go out within days of the entry.
    gone = [(hour[5] + n * DAY_MS, 6) for n in range(4)]
    assert eggs_in(clutches, "upper", now) == (None, [(hour[1], 2), (hour[3], 4), *gone])
    assert eggs_in(clutches, "upper", hour[4]) == (hour[1], [(hour[1], 2), (hour[3], 4)])
    weighed = [
        KeeperEvent(EventKind.WEIGHED, "", T0 + d * DAY_MS, T0, id=20 + d, box=box, grams=800.0 - d)
        for d in (1, 8)
        for box in ("upper", "lower")
    ]
    (found,) = waters([*told, *weighed], clutches, ["upper", "lower"], T0 + 9 * DAY_MS)
    assert (found.box, found.give_ml) == ("lower", 7)


@at_most(0.6)
@given(
    st.lists(st.tuples(st.floats(0.5, 20.0), st.floats(0.0, 8.0), st.floats(0.0, 15.0)), min_size=1, max_size=12),
    st.floats(50.0, 5000.0),
)
def test_grams_balance(steps: list[tuple[float, float, float]], first_g: float) -> None:
    """Whatever happened: what it is owed is what it weighed first, less what it weighs now; water evens out."""
    at, weight = T0, first_g
    told, water = [Weighing(at, weight, order=0)], []
    for n, (days, lost, given_g) in enumerate(steps):
        at += round(days * DAY_MS)
        weight -= min(lost, 0.2 * weight)
        told.append(Weighing(at, weight, order=3 * n + 1))
        water.append(Given(at, given_g, 3 * n + 2))
        weight += given_g
    found = box_water("upper", told, water, [(T0, -1)], T0)
    assert {s.sort for s in found.spans} <= {"measured"}
    assert found.weight_g == pytest.approx(weight)
    assert found.owed_g == pytest.approx(first_g - weight)
    assert 0 <= found.give_ml <= max(first_g - weight, 0.0) + 0.5
    if found.week is not None:
        assert -1e-9 <= found.week.per_week_g <= 7 * 8.0 / 0.5 + 1e-9


def test_water_given_where_nothing_is_known_of_the_loss_counts_all_the_same() -> None:
    """An egg was taken out and the water given back in one go: that water is not asked for once more."""
    told = [Weighing(T0 + d * DAY_MS, g, order=2 * d) for d, g in ((0, 812.0), (7, 800.0), (8, 790.0))]
    found = box_water("upper", told, [Given(T0 + 7 * DAY_MS + HOUR_MS, 12.0, 15)], [(T0, -1), (told[2].at_ms, 14)], T0)
    assert [s.sort for s in found.spans] == ["measured", "eggs"]
    assert (found.owed_g, found.give_ml) == (0.0, 0)


def test_a_hatchling_that_leaves_a_day_after_it_hatched_is_no_water() -> None:
    told = account(
        (EventKind.LAID, {"eggs": 8, "species": "x"}),
        (EventKind.SET, {"box": "upper", "eggs": 8}),
        (EventKind.HATCHED, {"box": "upper", "eggs": 2, "at_ms": T0 + 50 * DAY_MS}),
    )
    grams = {44: 800.0, 50.5: 799.0, 51.5: 760.0, 58: 758.0}
    weighed = [
        KeeperEvent(EventKind.WEIGHED, "", T0 + round(d * DAY_MS), T0, id=20 + i, box="upper", grams=g)
        for i, (d, g) in enumerate(grams.items())
    ]
    (found,) = waters([*told, *weighed], list(project(told).values()), ["upper"], T0 + 60 * DAY_MS)
    assert {s.sort for s in found.spans} == {"eggs"}
    assert found.give_ml == 0


@pytest.mark.parametrize(
    ("grams", "digit"),
    [
        ([], 1.0),
        ([810.0], 1.0),
        ([810.0, 800.0], 10.0),
        ([810.0, 805.0], 1.0),
        ([810.0, 805.0, 795.0], 5.0),
        ([812.0, 806.0, 794.0], 1.0),
        ([812.0, 806.0, 794.0, 790.0, 788.0, 786.0, 782.0], 2.0),
        ([810.0, 805.0, 795.5], 1.0),
    ],
)
def test_a_coarse_scale_is_known_by_what_it_shows(grams: list[float], digit: float) -> None:
    assert digit_g(grams) == digit


def test_a_coarse_scale_makes_no_box_unlike_the_others() -> None:
    """Three boxes that lose 7 g a week each, weighed weekly to 5 g, by seeds; and one that loses 70 g is found."""
    told = account((EventKind.LAID, {"eggs": 9, "species": "x"}))
    boxes = ["a", "b", "c"]
    told += [
        KeeperEvent(EventKind.SET, "K01", T0 + HOUR_MS, T0, id=2 + i, box=box, eggs=3) for i, box in enumerate(boxes)
    ]
    clutches = list(project(told).values())

    def unlike(seed: int, last_a: float, weeks: int) -> list[str]:
        rng = np.random.default_rng(seed)
        weighed = [
            KeeperEvent(EventKind.WEIGHED, "", T0 + (7 * w + 1) * DAY_MS, T0, id=10 + 3 * w + i, box=box, grams=grams)
            for i, box in enumerate(boxes)
            for start in [rng.uniform(400, 2000)]
            for w in range(weeks + 1)
            for more in [last_a if (w, box) == (weeks, "a") else 0.0]
            for grams in [5.0 * round((start - 7.0 * w - more) / 5.0)]
        ]
        now = T0 + (7 * weeks + 2) * DAY_MS
        found = waters([*told, *weighed], clutches, boxes, now)
        return [
            w.box
            for w in found
            if (known := usual(w, found, now))
            and w.newest
            and abs(w.newest.per_week_g - known.per_week_g) > known.may_differ_g
        ]

    for seed in range(100):
        assert unlike(seed, 0.0, 1 + seed % 6) == []
        assert unlike(seed, 63.0, 1 + seed % 6) == ["a"]
