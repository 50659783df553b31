"""Probes that went elsewhere, and boxes that did what a box does: drawn by seed, between readings as at them."""

from __future__ import annotations

import random

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.core.readings.gusts import always_goes_with_air, goes_with_air
from monitor.core.readings.out_of_box import (
    Back,
    air_went,
    back_again,
    jumped,
    left_box,
    restless,
)
from monitor.core.readings.probe_faults import other_unit, stuck, swapped
from monitor.core.readings.series import Series

MINUTE, HOUR = 60_000, 3_600_000
DAY = 24 * HOUR


def times(dice: random.Random, most_min: float = 15.0) -> NDArray[np.int64]:
    step = round(dice.uniform(1.0, most_min) * MINUTE)
    return np.arange(dice.randrange(step), DAY + 1, step, dtype=np.int64)


def box(dice: random.Random, at: NDArray[np.int64], level_c: float) -> NDArray[np.float64]:
    rng = np.random.default_rng(dice.randrange(10**6))
    wave = dice.uniform(0.0, 0.6) * np.sin(2 * np.pi * (at / DAY + dice.random()))
    noisy = level_c + wave + rng.normal(scale=dice.uniform(0.005, 0.05), size=len(at))
    lsb = dice.choice([0.01, 0.0625, 0.1])
    return np.asarray(np.round(noisy / lsb) * lsb)


def beside(dice: random.Random, n: int) -> list[Series]:
    found = []
    for _ in range(n):
        at = times(dice)
        found.append((at, box(dice, at, dice.uniform(27.0, 29.5))))
    return found


@pytest.mark.parametrize("seed", range(40))
def test_a_probe_that_goes_elsewhere_at_once_is_found_and_its_return_is_no_second_time(seed: int) -> None:
    dice = random.Random(seed)
    at = times(dice, 9.0)
    own, others = box(dice, at, dice.uniform(27.0, 29.5)), beside(dice, dice.randrange(0, 5))
    air_at = times(dice)
    air = (air_at, box(dice, air_at, 28.0)) if dice.random() < 0.7 else None
    left = dice.randrange(6 * HOUR, 20 * HOUR)
    went = dice.choice([-1, 1]) * dice.uniform(4.5, 15.0)
    gone = 1.0 - np.exp(-np.maximum(at - left, 0) / (2 * MINUTE))
    out = own + went * gone
    for later_h in (1.5, 3.9):
        now = min(left + round(later_h * HOUR) + dice.randrange(10 * MINUTE), DAY)
        heard = at[at <= now], out[at <= now]
        seen = [(t[t <= now], v[t <= now]) for t, v in others]
        found = jumped(heard, None if air is None else (air[0][air[0] <= now], air[1][air[0] <= now]), seen, now)
        assert found is not None
        assert found.at_ms == pytest.approx(left, abs=25 * MINUTE)
        assert found.moved_c == pytest.approx(went, abs=1.3)
        assert back_again(heard, seen, found.at_ms, found.was_c, found.moved_c, found.apart_c) is None
    assert found is not None
    back = left + 2 * HOUR
    here = np.where(at >= back, own + went * np.exp(-np.maximum(at - back, 0) / (2 * MINUTE)), out)
    for later_min in (40.0, 80.0, 200.0):
        now = min(back + round(later_min * MINUTE), DAY)
        heard = at[at <= now], here[at <= now]
        seen = [(t[t <= now], v[t <= now]) for t, v in others]
        if (heard[0] > back).sum() >= 5:
            returned = back_again(heard, seen, found.at_ms, found.was_c, found.moved_c, found.apart_c)
            assert isinstance(returned, Back)
            assert returned.suddenly
            assert returned.at_ms == pytest.approx(back, abs=30 * MINUTE)
        assert jumped(heard, air, seen, now) is None


@pytest.mark.parametrize("seed", range(20))
def test_one_that_is_put_back_at_once_is_believed_from_the_reading_by_which_it_was_there(seed: int) -> None:
    """None of what it said elsewhere, and all of what it said since."""
    dice = random.Random(seed)
    step = dice.choice([1, 2, 5, 10]) * MINUTE
    at = np.arange(0, 12 * HOUR, step, dtype=np.int64) + dice.randrange(MINUTE)
    own, by_c = box(dice, at, 28.0), dice.choice([-1, 1]) * dice.uniform(3.0, 12.0)
    left, back = 2 * HOUR, dice.randrange(4 * HOUR, 10 * HOUR)
    heard = np.where((at >= left) & (at < back), own + by_c, own)
    after = at[at >= back]
    for seen in (3, 5, 11):
        now = int(after[seen])
        some = at <= now
        found = back_again((at[some], heard[some]), beside(dice, 2), left, float(own[at < left][-1]), by_c, None)
        assert found == Back(int(after[0]), True)


@pytest.mark.parametrize("seed", range(40))
def test_what_a_box_does_is_no_going_elsewhere(seed: int) -> None:
    """Closed or open, in a room that cools or warms, with others or alone; and one that slowly comes back."""
    dice = random.Random(seed)
    at = times(dice)
    began = dice.randrange(4 * HOUR, 20 * HOUR)
    tau_s = dice.choice([1800.0, 7200.0, 18000.0])
    to_c = dice.uniform(-14.0, 8.0)
    since_s = np.maximum(at - began, 0) / 1000.0
    own = box(dice, at, 28.0) + to_c * (1.0 - np.exp(-since_s / tau_s))
    air = box(dice, at, 28.0) + np.where(at >= began, to_c, 0.0)
    others = beside(dice, dice.randrange(0, 4))
    for now in range(began + 10 * MINUTE, DAY, 37 * MINUTE):
        seen = [(t[t <= now], v[t <= now]) for t, v in others]
        assert jumped((at[at <= now], own[at <= now]), (at[at <= now], air[at <= now]), seen, now) is None


def test_a_probe_that_comes_to_be_noisy_did_not_go_elsewhere() -> None:
    """Its readings go up and down by more than they went, all but by chance."""
    accused = set()
    for seed in range(30):
        dice = random.Random(seed)
        at = times(dice, 10.0)
        others, began = beside(dice, dice.randrange(1, 5)), dice.randrange(12 * HOUR, 20 * HOUR)
        noise = np.random.default_rng(seed).normal(scale=dice.uniform(0.5, 2.5), size=len(at))
        own = box(dice, at, 28.0) + np.where(at >= began, noise, 0.0)
        for now in range(began + 30 * MINUTE, DAY, 23 * MINUTE):
            seen = [(t[t <= now], v[t <= now]) for t, v in others]
            if jumped((at[at <= now], own[at <= now]), None, seen, now) is not None:
                accused.add(seed)
    assert len(accused) <= 1


@pytest.mark.parametrize("seed", range(20))
def test_a_box_that_was_cooled_at_once_and_warms_slowly_was_right_all_the_time(seed: int) -> None:
    dice = random.Random(seed)
    at = times(dice, 10.0)
    own = box(dice, at, 28.0)
    began, by_c = 10 * HOUR, -dice.uniform(3.0, 9.0)
    heard = own + np.where(at >= began, by_c * np.exp(-(at - began) / dice.uniform(1.0, 2.0) / HOUR), 0.0)
    found = back_again((at, heard), beside(dice, dice.randrange(0, 3)), began, 28.0, by_c, None)
    assert isinstance(found, Back)
    assert not found.suddenly


def test_one_that_moves_suddenly_all_day_is_restless_and_one_that_did_once_is_not() -> None:
    dice = random.Random(3)
    at = times(dice, 5.0)
    calm = box(dice, at, 28.0)
    often = calm + np.where((at // (90 * MINUTE)) % 2 == 0, 2.0, 0.0)
    assert restless((at, often), DAY, DAY)
    assert not restless((at, calm), DAY, DAY)
    assert not restless((at, calm + np.where(at > 12 * HOUR, 5.0, 0.0)), DAY, DAY)
    assert not restless((at, often), 2 * HOUR, DAY), "before it there was one"


@pytest.mark.parametrize("seed", range(60))
def test_no_probe_that_is_right_is_accused_of_another_unit_whatever_one_other_says(seed: int) -> None:
    dice = random.Random(seed)
    unit = dice.choice(["C", "F"])
    at = times(dice)
    own = at, box(dice, at, dice.uniform(24.0, 33.0))
    others = beside(dice, dice.randrange(0, 5))
    wrong_c = dice.choice([dice.uniform(-8.0, 4.0), dice.uniform(-40.0, 110.0), (9.6 - 32.0) / 1.8])
    since = dice.choice([0, dice.randrange(DAY)])
    hung = at, np.where(at >= since, wrong_c, 28.0)
    others.insert(dice.randrange(len(others) + 1), hung)
    for now in range(HOUR, DAY, 97 * MINUTE):
        seen = [(t[t <= now], v[t <= now]) for t, v in others]
        assert other_unit((own[0][own[0] <= now], own[1][own[0] <= now]), seen, unit) is None


@pytest.mark.parametrize("seed", range(40))
def test_a_probe_that_changes_its_unit_is_accused_whoever_else_is_wrong(seed: int) -> None:
    dice = random.Random(seed)
    unit = dice.choice(["C", "F"])
    at = times(dice)
    right = box(dice, at, dice.uniform(22.0, 34.0))
    changed = dice.randrange(2 * HOUR, 22 * HOUR)
    wrong = right * 1.8 + 32.0 if unit == "C" else (right - 32.0) / 1.8
    own = at, np.where(at >= changed, wrong, right)
    others = [(at, np.full(len(at), dice.uniform(-5.0, 60.0))) for _ in range(dice.randrange(0, 4))]
    now = min(changed + 4 * int(at[1] - at[0]), DAY)
    found = other_unit((own[0][own[0] <= now], own[1][own[0] <= now]), others, unit)
    assert found is not None
    assert found.since_ms == at[np.searchsorted(at, changed)]
    assert found.speaks == ("Fahrenheit" if unit == "C" else "Celsius")


@pytest.mark.parametrize("seed", range(20))
def test_a_new_probe_is_judged_by_the_majority_of_its_peers_and_by_no_minority(seed: int) -> None:
    dice = random.Random(seed)
    at = times(dice)[-40:]
    right = box(dice, at, 28.0)
    wrong = at, (right - 32.0) / 1.8
    good, bad = beside(dice, 3), [(at, np.full(len(at), -2.0)) for _ in range(2)]
    assert other_unit(wrong, good + bad[:1], "F") is not None
    assert other_unit(wrong, good + bad, "F") is not None
    assert other_unit(wrong, good[:1], "F") is None, "one against one"
    assert other_unit(wrong, good[:1] + bad[:1], "F") is None, "half is no majority"
    assert other_unit(wrong, [], "F") is None


@pytest.mark.parametrize("seed", range(20))
def test_a_code_to_which_a_step_led_and_that_stays_is_stuck_and_a_place_whose_code_moves_is_not(seed: int) -> None:
    dice = random.Random(seed)
    at = times(dice, 10.0)
    rng = np.random.default_rng(seed)
    own = np.round((28.0 + 0.4 * np.sin(at / HOUR * 9.0) + rng.normal(scale=0.05, size=len(at))) / 0.0625) * 0.0625
    since = dice.randrange(4 * HOUR, 18 * HOUR)
    to_c = dice.choice([0.0, -5.0, 2.0, 45.0, dice.uniform(-20.0, 20.0)])
    hung = at, np.where(at >= since, to_c, own)
    found = stuck(hung, [], DAY, steps=True)
    assert found is not None
    assert found.since_ms == at[np.searchsorted(at, since)]
    soon = min(since + 20 * MINUTE, DAY)
    assert stuck((at[at <= soon], hung[1][at <= soon]), [], soon, steps=True) is None
    assert stuck((at, np.where(at >= since, own - 9.0, own)), [], DAY, steps=True) is None


def gusty(dice: random.Random, count: int) -> tuple[NDArray[np.int64], NDArray[np.float64], list[int]]:
    """Air into which doors let cold, so often; and when."""
    at = np.arange(0, DAY + 1, 5 * MINUTE, dtype=np.int64)
    opened = sorted(dice.sample(range(2 * HOUR, 22 * HOUR, 3 * HOUR), count))
    air = 28.0 + 0.02 * np.random.default_rng(dice.randrange(10**6)).normal(size=len(at))
    for k in opened:
        since_h = (at - k) / HOUR
        air = air - np.where(since_h >= 0, dice.uniform(3.0, 8.0) * np.exp(-np.maximum(since_h, 0.0) / 0.7), 0.0)
    return at, air, opened


@pytest.mark.parametrize("seed", range(30))
def test_one_that_goes_along_each_time_the_air_moves_always_did_and_one_that_does_now_fell_out(seed: int) -> None:
    dice = random.Random(seed)
    at, air, opened = gusty(dice, dice.randrange(2, 6))
    slow = [(at, 28.0 + 0.05 * (air - 28.0) + 0.01 * dice.random()) for _ in range(dice.randrange(1, 4))]
    now = min(opened[-1] + HOUR, DAY)
    until = at <= now

    def judged(own: NDArray[np.float64]) -> tuple[bool, int]:
        series, around = (at[until], own[until]), (at[until], air[until])
        others = [(t[until], v[until]) for t, v in slow]
        gust = goes_with_air(series, around, others, now)
        return gust is not None, always_goes_with_air(series, around, others, now)

    assert judged(28.0 + dice.uniform(0.8, 1.2) * (air - 28.0)) == (False, len(opened))
    fell = opened[-1] - dice.randrange(10 * MINUTE, 2 * HOUR)
    assert judged(np.where(at >= fell, air, 28.0 + 0.1 * (air - 28.0))) == (True, 0)
    assert judged(28.0 + 0.1 * (air - 28.0)) == (False, 0)
    slow[:] = [(at, air)] * len(slow)
    assert judged(air) == (False, 0), "so all of them do"


@pytest.mark.parametrize("seed", range(20))
def test_a_first_door_accuses_none_that_followed_a_heater_s_swings_all_the_day_before(seed: int) -> None:
    dice = random.Random(seed)
    at = np.arange(0, DAY + 1, 5 * MINUTE, dtype=np.int64)
    opened = dice.randrange(10 * HOUR, 20 * HOUR)
    swings = dice.uniform(0.3, 0.6) * np.sin(2.0 * np.pi * at / (dice.uniform(40.0, 90.0) * MINUTE))
    since_h = (at - opened) / HOUR
    air = 28.0 + swings - np.where(since_h >= 0, dice.uniform(3.0, 6.0) * np.exp(-np.maximum(since_h, 0.0) / 0.7), 0.0)
    until = at <= opened + dice.randrange(30, 90) * MINUTE
    slow = [(at[until], (28.0 + 0.05 * (air - 28.0))[until]) for _ in range(dice.randrange(1, 4))]
    now = int(at[until][-1])

    def gust(own: NDArray[np.float64]) -> bool:
        return goes_with_air((at[until], own[until]), (at[until], air[until]), slow, now) is not None

    assert not gust(28.0 + dice.uniform(0.8, 1.1) * (air - 28.0)), "it always hung in the air"
    fell = opened - dice.randrange(5 * MINUTE, HOUR)
    assert gust(np.where(at >= fell, air, 28.0 + 0.1 * (air - 28.0)))


@pytest.mark.parametrize("seed", range(20))
def test_two_that_cross_again_and_again_did_not_change_places(seed: int) -> None:
    dice = random.Random(seed)
    at = np.arange(0, DAY + 1, 5 * MINUTE, dtype=np.int64)
    apart_c, noise = dice.uniform(0.6, 3.0), np.random.default_rng(seed).normal(scale=0.02, size=(2, len(at)))
    turn = dice.randrange(6 * HOUR, 22 * HOUR)
    side = np.where(at < turn, 1.0, -1.0)
    one, other = 28.0 + noise
    assert swapped((at, one + side * apart_c / 2), (at, other - side * apart_c / 2), DAY) is not None
    often = np.where((at - turn) // (dice.randrange(80, 150) * MINUTE) % 2 == 0, 1.0, -1.0)
    assert swapped((at, one + often * apart_c / 2), (at, other - often * apart_c / 2), DAY) is None


@pytest.mark.parametrize("seed", range(20))
def test_no_minority_of_moving_peers_makes_a_still_box_stuck(seed: int) -> None:
    dice = random.Random(seed)
    at = np.arange(0, DAY + 1, 10 * MINUTE, dtype=np.int64)
    still = at, np.where(at < dice.randrange(2 * HOUR, 8 * HOUR), 28.1, 28.0)
    n = dice.randrange(2, 7)
    moving = dice.randrange(0, n + 1)
    peers = [(at, 28.0 + (3.0 if i < moving else 0.02) * np.sin(at / HOUR)) for i in range(n)]
    found = stuck(still, dice.sample(peers, n), DAY)
    assert (found is not None) is (2 * moving > n)


@pytest.mark.parametrize("seed", range(20))
def test_of_a_probe_that_is_heard_each_hour_and_stands_alone_no_move_is_said(seed: int) -> None:
    """What is between two of its readings may be a door, the sun or a heater; others beside it would show more."""
    dice = random.Random(seed)
    step = dice.choice([30, 60]) * MINUTE
    at = np.arange(dice.randrange(step), DAY + 1, step, dtype=np.int64)
    went = dice.choice([-1, 1]) * dice.uniform(4.0, 9.0)
    own = box(dice, at, 27.0) + went * (at > 18 * HOUR)
    assert jumped((at, own), None, [], DAY) is None
    near = [(at, box(dice, at, 27.0)) for _ in range(2)]
    assert jumped((at, own), None, near, DAY) is not None


@pytest.mark.parametrize("seed", range(30))
def test_one_that_always_hung_in_the_air_did_not_fall_out_however_seldom_it_is_heard(seed: int) -> None:
    """It is heard up to a quarter of an hour after the air has moved, and follows with a lag of its own."""
    dice = random.Random(seed)
    minutes = np.arange(0, DAY + 1, MINUTE, dtype=np.int64)
    air_at, coarse, opened = gusty(dice, dice.randrange(2, 5))
    air_c = np.interp(minutes, air_at, coarse)
    kept = float(np.exp(-60.0 / dice.choice([60.0, 120.0, 300.0])))
    own_c = air_c.copy()
    for k in range(1, len(own_c)):
        own_c[k] = kept * own_c[k - 1] + (1.0 - kept) * air_c[k - 1]
    step = dice.choice([1, 5, 10, 15])
    some = np.arange(dice.randrange(step), len(minutes), step)
    slow = [(minutes, 28.0 + 0.05 * (air_c - 28.0) + 0.01 * dice.random()) for _ in range(2)]
    for now in range(opened[1] + 20 * MINUTE, DAY, 13 * MINUTE):
        until, heard = minutes <= now, some[minutes[some] <= now]
        own, air = (minutes[heard], own_c[heard]), (minutes[until], air_c[until])
        others = [(t[until], v[until]) for t, v in slow]
        assert goes_with_air(own, air, others, now) is None
        left = left_box(own, air, now, others)
        assert left is None or air_went(air, left.move, own)
