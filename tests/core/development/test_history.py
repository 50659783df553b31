"""A lot's way so far: what its last days say of the days to come, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.library import load_profile
from monitor.core.climate.box_temperature import ProbesError
from monitor.core.development.gaps import MOST_OPEN_DAYS, HourTable
from monitor.core.development.history import History, Prospect, StayTable, Way, log_slope
from monitor.core.development.to_come import AHEAD_DAYS, to_come
from monitor.core.development.window import ExpectedRates
from monitor.core.terms.times import HOUR_MS

LAID = round(datetime(2026, 5, 1, 10, tzinfo=UTC).timestamp() * 1000)
PROFILE = load_profile("elaphe-taeniura")
CURVE = PROFILE.curve()


def hours(temperature_c: Sequence[float], from_ms: int = LAID, covered_s: Sequence[float] | None = None) -> HourTable:
    """Whole hours, all of them measured (or for ``covered_s`` of each); NaN is not."""
    t = np.array(temperature_c, np.float64)
    known = ~np.isnan(t)
    rate = np.where(known, CURVE.rate_per_day(np.nan_to_num(t)), 0.0) / 24
    sums = np.where(known, np.maximum(np.nan_to_num(t) - CURVE.base_c, 0.0), 0.0) / 24
    covered = np.where(known, 3600.0 if covered_s is None else np.array(covered_s), 0.0)
    return HourTable(from_ms // HOUR_MS, rate, sums, t, covered, np.full(len(t), 3600.0))


def way(temperature_c: Sequence[float], **more: Any) -> History:
    stay = StayTable(hours(temperature_c), (), LAID)
    now_ms = LAID + len(temperature_c) * HOUR_MS
    return History.of(Way((stay,), now_ms, ProbesError(0.29), compared=False, **more), CURVE)


def days(means_c: Sequence[float]) -> list[float]:
    return [c for c in means_c for _ in range(24)]


def expected(history: History) -> Prospect:
    found = history.ahead(CURVE)
    assert found is not None
    return found


def rates(history: History) -> ExpectedRates:
    found = expected(history).rates
    assert found is not None
    return found


# -- how sure the temperature to come is ---------------------------------------------------------------------------


@pytest.mark.parametrize("length", [4, 20, 40])
def test_a_room_held_steady_goes_on_at_its_own_rate(length: int) -> None:
    history = way(days([27.0] * length))
    rate = float(CURVE.rate_per_day(27.0))
    left = 1.0 - history.development
    assert expected(history).temperature_c == pytest.approx(27.0)
    assert expected(history).rate_per_day == pytest.approx(rate)
    assert rates(history).days_to(left) == pytest.approx(left / rate)
    # A fifth of a degree, by the slope of the curve.
    sure = 0.2 * log_slope(CURVE, 27.0)
    assert rates(history).rate_sd_relative == pytest.approx(sure, rel=0.2)


@pytest.mark.parametrize("hours", [1, 23, 24, 95])
def test_what_less_than_four_days_say_is_good_to_half_a_degree(hours: int) -> None:
    assert expected(way([27.0] * hours)).sd_c == pytest.approx(0.5, abs=1e-12)


def test_no_room_is_taken_to_wander_by_more_than_two_and_a_half_degrees_nor_its_rate_by_more_than_half() -> None:
    assert expected(way(days([22.0, 24.0, 30.0, 32.0, 30.0, 24.0] * 3))).sd_c == 2.5
    assert rates(way(days(list(np.linspace(34.0, 16.0, 20))))).rate_sd_relative == 0.5


@pytest.mark.parametrize("per_day_c", [0.05, 0.1, -0.05])
def test_a_season_is_followed(per_day_c: float) -> None:
    """By its mean until the end: warmer than now, but less than twice as much as if it went on straight to the end."""
    history = way(days([27.0 + per_day_c * d for d in range(20)]))
    now_c = 27.0 + per_day_c * 18.0
    to_go_days = rates(history).days_to(1.0 - history.development)
    going_on = (expected(history).temperature_c - now_c) / (per_day_c * (1.0 + to_go_days / 2.0))
    assert 0.4 < going_on < 1.1
    straight = (1.0 - history.development) / float(CURVE.rate_per_day(now_c))
    assert (to_go_days < straight) == (per_day_c > 0.0)


def test_the_expected_rates_are_those_of_the_expected_temperatures() -> None:
    history = way(days([26.0 + 0.08 * d for d in range(20)]))
    coming = to_come(np.array([26.0 + 0.08 * d for d in range(20)]))
    at = np.linspace(0.0, 40.0, 4001)
    temperature_c = 26.0 + 0.08 * 18.0 + np.interp(at, AHEAD_DAYS, coming.drift_c)
    # The hours of the last three days lie 0.08 C about their mean, which the curve hardly bends over.
    gain = float(np.trapezoid(CURVE.rate_per_day(temperature_c), at))
    assert float(rates(history).gain(40.0)) == pytest.approx(gain, rel=2e-3)


def test_a_place_that_cools_below_the_base_keeps_a_date() -> None:
    """What no season is followed to: the rate of today goes on after the days that are told."""
    history = way(days(list(np.linspace(28.0, 16.5, 20))))
    assert 0.0 < rates(history).days_to(1.0 - history.development) < 1000.0


def test_eggs_that_are_due_ask_no_more_of_the_days_to_come() -> None:
    history = way(days([26.0 + 0.1 * d for d in range(40)]), developed=0.9)
    assert history.development > 1.0
    assert expected(history).temperature_c == pytest.approx(26.0 + 0.1 * 38.0, abs=0.3)


# -- what counts as the last days ----------------------------------------------------------------------------------


def test_the_last_three_whole_days_and_no_hour_more() -> None:
    def level(way: History) -> float:
        return float(rates(way).rate_per_day)

    known, before = float(CURVE.rate_per_day(27.0)), float(CURVE.rate_per_day(26.0))
    assert level(way([26.0] * 240 + [27.0] * 72)) == pytest.approx(known, rel=1e-3)
    # Of a part of a day more it is not known how much of it is a wandering that goes on.
    assert level(way([26.0] * 10 + [27.0] * 71)) == pytest.approx((before + 71.0 * known) / 72.0)


def test_hours_that_are_known_are_looked_back_over_and_unknown_ones_are_not() -> None:
    """A probe that fell silent leaves its last three days of readings as what is known."""
    moved = way(days([30.0] * 5), last=hours([20.0] * 10 + [27.0] * 72 + [np.nan] * 30))
    assert expected(moved).temperature_c == 27.0


def test_an_hour_weighs_as_long_as_it_was_measured_and_less_than_a_minute_says_nothing() -> None:
    box, seconds = np.array([24.0, 30.0, 10.0, 30.0]), np.array([1200.0, 3600.0, 59.0, 60.0])
    got = expected(way(days([30.0] * 5), last=hours(list(box), covered_s=list(seconds))))
    box, seconds = box[[0, 1, 3]], seconds[[0, 1, 3]]
    assert got.temperature_c == pytest.approx(float(box @ seconds) / 4860)
    assert got.rate_per_day == pytest.approx(float(CURVE.rate_per_day(box) @ seconds) / 4860)


# -- the way itself ------------------------------------------------------------------------------------------------


def test_stays_follow_each_other_and_what_was_filled_adds_up() -> None:
    """Two stays, of which the second has no reading for its first day: those hours are filled or unknown, no third."""
    second_ms = LAID + 48 * HOUR_MS
    first = StayTable(hours(days([27.0, 27.0])), (), LAID)
    second = StayTable(hours(days([np.nan, 27.0]), second_ms), (), second_ms)
    gathered = Way((first, second), second_ms + 48 * HOUR_MS, ProbesError(0.29), compared=False)
    both, filled = History.of(gathered, CURVE), gathered.filled(CURVE)
    assert len(both.edge_ms) == 97
    assert (np.diff(both.edge_ms) == HOUR_MS).all()
    assert both.filled_s + both.unknown_s == pytest.approx(24 * 3600.0)
    assert both.filled_share == pytest.approx(24 / 96)
    assert both.development == pytest.approx(float(sum(f.development.sum() for f in filled)))
    assert both.development_sd == pytest.approx(math.hypot(*(f.development_sd for f in filled)))
    assert both.development_at(LAID) == 0.0
    assert both.development_at(LAID + 24 * HOUR_MS) == pytest.approx(float(CURVE.rate_per_day(np.array(27.0))))


def test_of_a_way_that_is_half_known_the_mean_is_that_of_the_known_hours() -> None:
    assert way(days([27.0, 29.0])).mean_c == pytest.approx(28.0)
    assert way([27.0] * 12 + [29.0] * 36).mean_c == pytest.approx(28.5)


def test_the_slope_of_a_curve_is_that_of_its_logarithm() -> None:
    """Against the published points: between 27 and 30 C the rate grows by 66.3 / 53.9 (Du & Ji 2008)."""
    inner = [log_slope(CURVE, float(t)) for t in np.linspace(27.25, 29.75, 6)]
    assert float(np.mean(inner)) * 3.0 == pytest.approx(math.log(66.3 / 53.9), rel=0.02)
    assert log_slope(CURVE, -20.0) == 0.0


# -- where nothing is measured any more ----------------------------------------------------------------------------


@given(st.integers(1, 30), st.integers(0, 60), st.integers(0, 20))
def test_the_end_is_filled_for_a_week_and_a_gap_between_readings_however_long_it_is(
    before: int, gap: int, after: int
) -> None:
    """27 C throughout, measured for some days, then not, then perhaps again."""
    whole = way([*days([27.0] * before), *days([math.nan] * gap), *days([27.0] * after)])
    a_day = float(CURVE.rate_per_day(27.0))
    filled = gap if after else min(gap, MOST_OPEN_DAYS)
    assert whole.development == pytest.approx((before + filled + after) * a_day)
    assert whole.unknown_s == pytest.approx((gap - filled) * 86400.0 if not after else 0.0)
    silent = not after and gap > MOST_OPEN_DAYS
    assert whole.silent_since_ms == (LAID + before * 24 * HOUR_MS if silent else None)


def test_beside_measured_neighbours_a_dead_probe_is_filled_on() -> None:
    own = hours([*days([27.0] * 10), *days([math.nan] * 20)])
    stay = StayTable(own, (hours(days([28.0] * 30)),), LAID)
    whole = History.of(Way((stay,), LAID + 720 * HOUR_MS, ProbesError(0.29), compared=False), CURVE)
    assert whole.silent_since_ms is None
    assert whole.development == pytest.approx(30 * float(CURVE.rate_per_day(27.0)))
    # Of a probe that was dead from the beginning too, as long as others beside it are measured.
    dead = StayTable(hours(days([math.nan] * 30)), (hours(days([28.0] * 20)),), LAID)
    whole = History.of(Way((dead,), LAID + 720 * HOUR_MS, ProbesError(0.29), compared=False), CURVE)
    assert whole.development == pytest.approx(27 * float(CURVE.rate_per_day(28.0)))
    assert whole.silent_since_ms is not None


def test_eggs_that_were_moved_where_nothing_is_measured_are_filled_for_a_week() -> None:
    moved_ms = LAID + 240 * HOUR_MS
    stays = (
        StayTable(hours(days([27.0] * 10)), (), LAID),
        StayTable(hours(days([math.nan] * 20), moved_ms), (), moved_ms),
    )
    whole = History.of(Way(stays, LAID + 720 * HOUR_MS, ProbesError(0.29), compared=False), CURVE)
    assert whole.development == pytest.approx(17 * float(CURVE.rate_per_day(27.0)))
    assert whole.silent_since_ms == moved_ms
