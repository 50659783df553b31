"""Plans of temperature, and swapping two boxes."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.core.development.curves import PublishedRates
from monitor.core.development.plans import Plan, PlannedTemperature, set_points, swap
from monitor.core.terms.times import DAY_MS
from monitor.errors import ModelOutOfRange, UsageError

# Elaphe taeniura, Du & Ji 2008: 22 C 101.7 d, 24 C 86.0 d, 27 C 66.3 d, 30 C 53.9 d, 32 C 50.5 d.
CURVE = PublishedRates([22.0, 24.0, 27.0, 30.0, 32.0], [101.7, 86.0, 66.3, 53.9, 50.5])
NOW = 1_780_000_000_000
DAY = int(DAY_MS)


def test_a_constant_plan_runs_at_the_published_rate() -> None:
    mean, rates = Plan.constant(27.0).rates(CURVE, NOW)
    assert mean == 27.0
    assert rates.days_to(1.0) == pytest.approx(66.3, abs=1e-6)
    assert rates.days_to(0.5) == pytest.approx(33.15, abs=1e-6)


def test_a_schedule_gains_what_its_parts_gain() -> None:
    plan = Plan((PlannedTemperature(0, 30.0), PlannedTemperature(NOW + 10 * DAY, 24.0)))
    _, rates = plan.rates(CURVE, NOW)
    gained = 10 / 53.9
    assert rates.gain(10.0) == pytest.approx(gained, rel=1e-9)
    assert rates.days_to(1.0) == pytest.approx(10 + (1 - gained) * 86.0, rel=1e-9)


def test_steps_that_lie_in_the_past_count_only_by_the_one_that_still_holds() -> None:
    plan = Plan(
        (PlannedTemperature(0, 32.0), PlannedTemperature(NOW - 20 * DAY, 22.0), PlannedTemperature(NOW - DAY, 27.0))
    )
    mean, rates = plan.rates(CURVE, NOW)
    assert mean == 27.0
    assert rates.days_to(1.0) == pytest.approx(66.3, abs=1e-6)


def test_a_plan_that_ends_where_nothing_develops_is_refused() -> None:
    with pytest.raises(ModelOutOfRange, match="hardly develop"):
        Plan.constant(5.0).rates(CURVE, NOW)


def test_a_cold_spell_on_the_way_is_allowed() -> None:
    plan = Plan((PlannedTemperature(0, 5.0), PlannedTemperature(NOW + 7 * DAY, 27.0)))
    assert plan.rates(CURVE, NOW)[1].days_to(1.0) == pytest.approx(7 + 66.3, rel=1e-9)


def test_temperatures_out_of_order_are_refused() -> None:
    with pytest.raises(UsageError, match="follow each other"):
        Plan((PlannedTemperature(NOW, 27.0), PlannedTemperature(NOW - DAY, 28.0)))
    with pytest.raises(UsageError, match="follow each other"):
        Plan(())


def simulated(d: tuple[float, float], r: tuple[float, float], swap_day: float) -> tuple[float, float]:
    """Hatch days of two lots that change places on a day, by small steps: an oracle for the closed form."""
    step, ends = 0.001, [0.0, 0.0]
    for lot in (0, 1):
        have, day = d[lot], 0.0
        while have < 1.0:
            have += step * (r[lot] if day < swap_day else r[1 - lot])
            day += step
        ends[lot] = day
    return ends[0], ends[1]


@pytest.mark.parametrize(
    ("development", "rate"),
    [((0.0, 0.0), (1 / 60, 1 / 65)), ((0.3, 0.28), (1 / 58, 1 / 62)), ((0.5, 0.49), (0.02, 0.018))],
)
def test_swapping_on_the_day_told_brings_both_together(
    development: tuple[float, float], rate: tuple[float, float]
) -> None:
    found = swap(development, rate)
    assert found.in_days is not None
    first, second = simulated(development, rate, found.in_days)
    assert first == pytest.approx(second, abs=0.01)
    untouched = simulated(development, rate, 1e9)
    assert found.apart_days == pytest.approx(untouched[1] - untouched[0], abs=0.01)
    now = simulated(development, rate, 0.0)
    assert found.apart_if_now_days == pytest.approx(now[1] - now[0], abs=0.01)


def test_a_difference_that_is_too_large_by_now_cannot_be_swapped_away() -> None:
    found = swap((0.9, 0.7), (1 / 60, 1 / 62))
    assert found.in_days is None
    assert abs(found.apart_if_now_days) < abs(found.apart_days)


def test_equal_places_give_nothing_to_swap() -> None:
    found = swap((0.4, 0.4), (0.02, 0.02))
    assert found.apart_days == found.apart_if_now_days == 0.0
    assert found.in_days is None
    with pytest.raises(ModelOutOfRange, match="no date"):
        swap((0.4, 0.4), (0.02, 0.0))


def test_set_points_stay_within_the_table_and_its_limits() -> None:
    points = set_points(CURVE, 20.0, 30.0)
    assert points[0] >= 22.0
    assert points[-1] <= 30.0
    assert len(points) <= 9
    assert np.all(np.diff(points) > 0)
    assert set_points(CURVE, 28.0, 28.0) == [28.0]


@pytest.mark.parametrize("seed", range(50))
def test_set_points_are_as_many_as_asked_for_at_most_and_as_near_each_other_as_half_degrees_allow(seed: int) -> None:
    dice = np.random.default_rng(seed)
    low, count = float(dice.uniform(18.0, 27.0)), int(dice.integers(1, 12))
    high = low + float(dice.uniform(1.5, 12.0))
    points = set_points(CURVE, low, high, count)
    low, high = max(low, 22.0), min(high, 32.0)
    assert all(low <= p <= high and (2 * p).is_integer() for p in points)
    assert points[0] - low < 0.5
    assert len(points) <= max(count, 2)
    step = points[1] - points[0] if len(points) > 1 else None
    if step is not None:
        assert np.diff(points) == pytest.approx(step)
        assert high - points[-1] < step
        # Half a degree nearer would be too many.
        assert step == 0.5 or (high - low) / (step - 0.5) > count - 1
