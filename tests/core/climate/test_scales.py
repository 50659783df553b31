"""Scales: whatever is done to a box and its scale, by seeds, no loss is made up and a true one is found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

from monitor.core.climate.scales import by_scale
from monitor.core.climate.water import BoxWater, Given, Loss, Weighing, box_water, usual
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.settings import scale_sd
from monitor.core.terms.times import DAY_MS, HOUR_MS

T0 = 1_780_000_000_000 // DAY_MS * DAY_MS
SET = T0 // HOUR_MS
DAYS = 28
SEEDS = 16


@dataclass
class Box:
    """A box on a scale, by hours: what it weighs, the water that was told, and when eggs are said to have moved."""

    rng: np.random.Generator
    loss_g_week: float
    hours: Times = field(init=False)
    grams: Values = field(init=False)
    given: list[Given] = field(default_factory=list)
    moves: list[tuple[int, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        # Set at any hour of a day.
        self.hours = np.arange(SET + int(self.rng.integers(24)), SET + 24 * DAYS)
        weeks = (self.hours - self.hours[0]) / (7 * 24)
        self.grams = self.rng.uniform(300.0, 4000.0) - self.loss_g_week * weeks + self.rng.normal(0, 0.2, len(weeks))

    def some_hour(self) -> int:
        """Between readings as at them."""
        return int(self.rng.integers(48, len(self.hours) - 24))

    def change(self, begins: int, grams: float, hours: int = 10_000) -> None:
        """In the hour before, anything of it may be seen."""
        self.grams[begins : begins + hours] += grams
        self.grams[begins - 1] += self.rng.uniform(0, grams) if grams > 0 else -self.rng.uniform(0, -grams)

    def at_ms(self, i: int, off_h: float) -> int:
        return int((self.hours[i] + off_h) * HOUR_MS)

    def known(self, until: int) -> BoxWater:
        now_ms = int(self.hours[until]) * HOUR_MS
        given = [g for g in self.given if g.at_ms <= now_ms]
        moves = [(int(self.hours[0]) * HOUR_MS, -1), *(m for m in self.moves if m[0] <= now_ms)]
        hours = self.hours[:until]
        grams: Values = np.maximum(self.grams[:until], 0.0).round(1)
        seen = by_scale("scale", scale_sd(), hours, grams, [at_ms for at_ms, _ in moves], given)
        return box_water("box", seen.weighings, seen.given, moves, int(self.hours[0]) * HOUR_MS)

    def unlike(self, water: BoxWater, usual_g_week: float) -> bool:
        now_ms = water.weighings[-1].at_ms
        others = [BoxWater(x, (Weighing(now_ms, 500.0),), newest=Loss(usual_g_week, 0.3, 7.0)) for x in ("b", "c")]
        known = usual(water, others, now_ms)
        if known is None or water.newest is None:
            return False
        return abs(water.newest.per_week_g - known.per_week_g) > known.may_differ_g


def nothing(box: Box) -> None:
    pass


def a_lid_lifted(box: Box) -> None:
    for _ in range(box.rng.integers(1, 4)):
        box.change(box.some_hour(), -box.rng.uniform(20, 150), int(box.rng.integers(1, 30)))


def carried_away(box: Box) -> None:
    for _ in range(box.rng.integers(1, 4)):
        begins = box.some_hour()
        box.grams[begins : begins + int(box.rng.integers(1, 60))] = 0.0


def zeroed(box: Box) -> None:
    box.change(box.some_hour(), box.rng.uniform(-200, 200))


def watered(box: Box) -> None:
    """Told up to half a day too early or too late."""
    for n in range(3):
        begins, grams = box.some_hour(), float(round(box.rng.uniform(5, 40)))
        box.change(begins, grams)
        box.given.append(Given(box.at_ms(begins, box.rng.uniform(-12, 12)), grams, n))


def eggs_taken_out(box: Box) -> None:
    for n in range(2):
        begins = box.some_hour()
        box.change(begins, -box.rng.uniform(1, 120))
        box.moves.append((box.at_ms(begins, box.rng.uniform(-2, 11)), n))


def silent(box: Box) -> None:
    """Its scale is silent for up to four days, and zeroed meanwhile."""
    begins = box.some_hour()
    box.change(begins, box.rng.uniform(-60, 60))
    there = np.delete(np.arange(len(box.hours)), np.s_[begins - 1 : begins + int(box.rng.integers(1, 96))])
    box.hours, box.grams = box.hours[there], box.grams[there]


@pytest.mark.parametrize("loss_g_week", [0.0, 10.0])
@pytest.mark.parametrize("what", [nothing, a_lid_lifted, carried_away, zeroed, watered, eggs_taken_out, silent])
def test_no_loss_is_made_up(what: Callable[[Box], None], loss_g_week: float) -> None:
    told, known, asked = [], 0, []
    for seed in range(SEEDS):
        box = Box(np.random.default_rng(seed), loss_g_week)
        what(box)
        for until in box.rng.integers(4 * 24, len(box.hours), 3).tolist():
            water = box.known(until)
            known += water.newest is not None
            if box.unlike(water, loss_g_week):
                told.append((seed, until, water.newest))
            last_ms = water.weighings[-1].at_ms
            weeks = (last_ms - water.weighings[0].at_ms) / (7 * DAY_MS)
            missing_g = max(loss_g_week * weeks - sum(g.grams for g in water.given), 0.0)
            # A step of as much as days of silence may hide is not seen.
            if water.give_ml > missing_g + 4 * water.owed_sd_g + 5.0:
                asked.append((seed, until, water.give_ml, missing_g))
    assert told == []
    assert asked == []
    assert known > 0.8 * 3 * SEEDS, "that is quiet because nothing is known"


@pytest.mark.parametrize("what", [nothing, a_lid_lifted, carried_away, zeroed, watered, eggs_taken_out])
def test_a_true_loss_is_found_all_the_same(what: Callable[[Box], None]) -> None:
    """In the last eight days it loses four times as much. Who carries it away for two of them hides some of that."""
    found = []
    for seed in range(SEEDS):
        box = Box(np.random.default_rng(seed), 10.0)
        weeks = np.maximum(box.hours - box.hours[-1] + 8 * 24, 0) / (7 * 24)
        box.grams -= 30.0 * weeks
        what(box)
        water = box.known(len(box.hours) - 1)
        if box.unlike(water, 10.0) and water.newest is not None and abs(water.newest.per_week_g - 40.0) < 10.0:
            found.append(seed)
    assert len(found) >= 0.75 * SEEDS


def test_a_lid_that_is_off_is_no_step() -> None:
    """Eight grams an hour for two days: each hour is a step to one who looks at it alone."""
    for seed in range(SEEDS // 4):
        box = Box(np.random.default_rng(seed), 10.0)
        off = np.clip(np.arange(len(box.hours)) - len(box.hours) + 5 * 24, 0, 48)
        box.grams += 500.0 - box.rng.uniform(3.0, 12.0) * off
        assert box.unlike(box.known(len(box.hours) - 1), 10.0)


def test_a_scale_that_wanders_is_given_the_uncertainty_that_its_days_have() -> None:
    box = Box(np.random.default_rng(1), 0.0)
    wander = np.interp(box.hours / 24, np.arange(SET // 24, SET // 24 + DAYS + 1), box.rng.normal(0, 5.0, DAYS + 1))
    box.grams += wander
    water = box.known(len(box.hours) - 1)
    assert 1.2 < water.weighings[0].sd_g < 5.0
    assert not box.unlike(water, 0.0)


def test_an_empty_scale_weighs_no_box() -> None:
    """For ten days nothing stands on it: that is no loss of nothing a week."""
    box = Box(np.random.default_rng(2), 10.0)
    box.grams[-240:] = box.rng.uniform(0.0, 4.0, 240)
    water = box.known(len(box.hours) - 1)
    last = water.weighings[-1]
    assert last.at_ms < box.at_ms(len(box.hours) - 240, 0)
    assert last.grams > 100.0
    assert not box.unlike(water, 10.0)


def test_water_is_moved_to_the_step_that_it_made() -> None:
    box = Box(np.random.default_rng(3), 7.0)
    box.grams[240:] += 20.0
    box.given.append(Given(box.at_ms(240, 10.5), 20.0))
    water = box.known(len(box.hours) - 1)
    assert [g.at_ms for g in water.given] == [box.at_ms(240, 0)]
    assert {s.sort for s in water.spans} == {"measured"}
    # Of water that the scale did not feel nobody knows where it went; it counts as given.
    box.grams[240:] -= 20.0
    water = box.known(len(box.hours) - 1)
    assert [s.sort for s in water.spans if s.sort != "measured"] == ["step"]
    assert water.week is not None
    assert water.week.per_week_g == pytest.approx(7.0, abs=1.0)


def days_of(water: BoxWater, box: Box) -> set[int]:
    """On which days since it was set it was weighed."""
    return {int((w.at_ms / HOUR_MS - box.hours[0]) // 24) for w in water.weighings}


def test_water_is_found_by_all_of_its_step_though_an_hour_shows_half_of_it() -> None:
    """The rest of one step is not taken for other water that was told."""
    box = Box(np.random.default_rng(4), 0.0)
    box.grams[240:] += 18.5
    box.grams[241:] += 4.5
    box.grams[270:] += 30.0
    box.given += [Given(box.at_ms(245, 0), 23.0, 1), Given(box.at_ms(275, 0), 30.0, 2)]
    water = box.known(len(box.hours) - 1)
    assert [round(g.at_ms / HOUR_MS - box.hours[0]) for g in water.given] == [240, 270]
    assert {s.sort for s in water.spans} == {"measured"}


def test_what_was_long_away_or_short_there_leaves_nothing_out() -> None:
    """A lid that was off for hours on two days is no reason to leave out the days between, nor is a scale that weighs
    less for a week."""
    short = Box(np.random.default_rng(5), 0.0)
    short.grams[:4] -= 50.0
    short.grams[60:64] -= 50.0
    assert {0, 1, 2, 3, 4} <= days_of(short.known(300), short)
    long = Box(np.random.default_rng(6), 0.0)
    long.grams[200:368] -= 50.0
    assert set(range(9, 15)) <= days_of(long.known(600), long)


def test_eggs_too_light_for_a_step_are_no_water_though_they_are_told_late() -> None:
    box = Box(np.random.default_rng(7), 0.0)
    box.hours -= box.hours[0] % 24
    for n, begins in enumerate((244, 340, 436)):
        box.grams[begins:] -= 3.0
        box.moves.append((box.at_ms(begins, 10.5), n))
    water = box.known(len(box.hours) - 1)
    assert abs(water.owed_g) < 1.0


@pytest.mark.parametrize("n", [0, 1, 2, 3, 5])
def test_little_says_nothing(n: int) -> None:
    seen = by_scale("scale", scale_sd(), np.arange(SET, SET + n), np.full(n, 800.0), [], [Given(T0 - DAY_MS, 5.0)])
    assert (len(seen.weighings), len(seen.given)) == (int(n >= 3), 1)
