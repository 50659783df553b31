"""Heat as a dose: in one go and in sum."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.core.climate.exposure import exposure, hourly_exposure
from tests.oracles.indicators import WHO_TYPE_I, WHO_TYPE_II, met

HOUR_MS = 3_600_000


def series(*points: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """(hours, temperature) as arrays."""
    return np.array([round(h * HOUR_MS) for h, _ in points], np.int64), np.array([c for _, c in points], np.float64)


def held(temperature_c: float, hours: float) -> tuple[np.ndarray, np.ndarray]:
    return series(*((i / 4, temperature_c) for i in range(round(4 * hours) + 1)))


@pytest.mark.parametrize(
    ("temperature_c", "hours", "type_i", "type_ii"),
    [
        # WHO/PQS/E006/TR07: the limits are inclusive, 30.0 triggers and 29.9 does not.
        (30.0, 10.0, {(30.0, "sum")}, {(30.0, "sum")}),
        (29.9, 10.0, set(), set()),
        (30.0, 9.75, set(), set()),
        (45.0, 1.0, {(45.0, "single")}, {(45.0, "single")}),
        (44.9, 1.0, set(), set()),
        (45.0, 0.75, set(), set()),
        (-0.5, 1.0, {(-0.5, "single")}, set()),
        (-0.4, 24.0, set(), set()),
        (10.0, 20.0, set(), {(10.0, "sum")}),
        (9.9, 40.0, set(), set()),
        (30.0, 20.0, {(30.0, "sum")}, {(30.0, "sum"), (10.0, "sum")}),
    ],
)
def test_the_clauses_of_who_shipment_indicators(
    temperature_c: float, hours: float, type_i: set[tuple[float, str]], type_ii: set[tuple[float, str]]
) -> None:
    assert {(c.limit_c, c.how) for c in met(WHO_TYPE_I, *held(temperature_c, hours))} == type_i
    assert {(c.limit_c, c.how) for c in met(WHO_TYPE_II, *held(temperature_c, hours))} == type_ii


def test_time_beyond_is_exact_between_readings() -> None:
    at, c = series((0, 28.0), (1, 32.0), (2, 32.0), (3, 28.0))
    found = exposure(at, c, 30.0)
    assert (found.total_s, found.longest_s, found.lasting_s) == (7200.0, 7200.0, 0.0)
    assert exposure(at, c, 32.0).total_s == 3600.0
    assert exposure(at, c, 32.1).total_s == 0.0


def test_two_hot_spells_are_summed_and_the_longer_one_is_the_single_one() -> None:
    at, c = series((0, 31), (1, 31), (1.01, 29), (2, 29), (2.01, 31), (4, 31))
    found = exposure(at, c, 30.0)
    assert found.total_s == pytest.approx(3600 * (1 + 0.005 + 0.005 + 1.99))
    assert found.longest_s == found.lasting_s == pytest.approx(3600 * 1.995)


def test_a_moment_below_ends_what_was_in_one_go() -> None:
    at, c = series((0, 31), (1, 29), (2, 31), (3, 31))
    found = exposure(at, c, 30.0)
    assert (found.total_s, found.longest_s, found.lasting_s) == (7200.0, 5400.0, 5400.0)


def test_nothing_is_counted_across_a_gap_and_one_go_ends_there() -> None:
    at, c = series((0, 31), (1, 31), (5, 31), (6, 31))
    found = exposure(at, c, 30.0, max_gap_s=7200.0)
    assert (found.total_s, found.longest_s, found.lasting_s) == (7200.0, 3600.0, 3600.0)


def test_below_is_the_mirror_of_above() -> None:
    rng = np.random.default_rng(3)
    at = np.arange(200, dtype=np.int64) * 600_000
    c = 30.0 + np.cumsum(rng.normal(size=200))
    assert exposure(at, c, 31.0, "above") == exposure(at, -c, -31.0, "below")


def test_fewer_than_two_readings_are_no_exposure() -> None:
    assert exposure(*series((0, 50.0)), 30.0).total_s == 0.0
    assert exposure(*series(), 30.0).total_s == 0.0


def test_the_sum_agrees_with_a_fine_sampling_of_the_same_line() -> None:
    rng = np.random.default_rng(7)
    at = np.sort(rng.choice(np.arange(0, 86_400_000, 1000), 80, replace=False)).astype(np.int64)
    c = 30.0 + 2.0 * rng.normal(size=80)
    fine = np.arange(at[0], at[-1], 250)
    expected = float((np.interp(fine, at, c) >= 30.5).sum()) * 0.25
    assert exposure(at, c, 30.5, max_gap_s=1e9).total_s == pytest.approx(expected, abs=80.0 * 0.25)


def test_hours_count_whole_by_their_mean_and_unknown_ones_not_at_all() -> None:
    mean = np.array([30.0, 29.9, 31.0, 31.0, np.nan, 31.0])
    seconds = np.array([3600.0, 3600.0, 3600.0, 1800.0, 3600.0, 3600.0])
    found = hourly_exposure(mean, seconds, 30.0)
    assert (found.total_s, found.longest_s, found.lasting_s) == (12600.0, 5400.0, 3600.0)
    assert hourly_exposure(mean, seconds, 29.9, "below").total_s == 3600.0
