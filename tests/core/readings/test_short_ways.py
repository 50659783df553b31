"""Ways that are shorter than the whole computation come to the same as it does."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.core.climate.exposure import Exposure, exposure
from monitor.core.climate.stacks import _codes, _hour_means
from monitor.core.maths.robust import median
from monitor.core.readings.probe_faults import JUMP_BESIDE_MS, JUMP_C, errors, jumps, swapped, turned
from monitor.core.readings.series import GRID_MS, Series, day_before, joined, on_grid, without_spikes
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import DAY_MS, HOUR_MS

NOW = 1_777_600_000_000
DAYS = 1.2


def a_probe(rng: np.random.Generator, every_s: float, noise_c: float = 0.05) -> Series:
    """A day of readings, uneven in time, with gaps and single readings that jump."""
    at = NOW - np.cumsum(np.maximum(rng.normal(every_s, every_s / 20, round(DAYS * 86_400 / every_s)), 1.0) * 1000)
    at = np.sort(at.astype(np.int64))
    value = 28.0 + 0.4 * np.sin(at / DAY_MS * 2 * np.pi) + rng.normal(0.0, noise_c, len(at))
    some = rng.integers(0, len(at), 4)
    value[some] += rng.choice([-2.5, -1.0, 1.0, 3.0], 4)
    gap = rng.integers(0, len(at))
    keep = np.ones(len(at), bool)
    keep[gap : gap + rng.integers(0, len(at) // 3)] = False
    return at[keep], np.round(value[keep], 2)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("count", [0, 1, 2, 3, 10_000])
def test_a_grid_without_spikes_is_the_grid_of_a_series_without_them(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    at, value = a_probe(rng, float(rng.choice([20.0, 300.0, 1800.0])))
    series = at[-count:] if count else at[:0], value[-count:] if count else value[:0]
    grid = day_before(NOW)
    for way in (on_grid, joined):
        assert np.array_equal(way(series, grid, calmed=True), way(without_spikes(series), grid), equal_nan=True)


@pytest.mark.parametrize("seed", range(6))
def test_whoever_was_swapped_is_among_those_who_may_have_been(seed: int) -> None:
    rng = np.random.default_rng(seed)
    levels = rng.uniform(26.0, 30.0, 7)
    at = NOW - GRID_MS * np.arange(300, dtype=np.int64)[::-1]
    probes = [(at, level + rng.normal(0.0, 0.02, len(at))) for level in levels]
    when = rng.integers(60, 220)
    one, other = rng.choice(7, 2, replace=False).tolist()
    probes[one][1][when:] += levels[other] - levels[one]
    probes[other][1][when:] += levels[one] - levels[other]
    may_be = turned(np.vstack([on_grid(s, day_before(NOW)) for s in probes]))
    found = {(i, j) for i in range(7) for j in range(i + 1, 7) if swapped(probes[i], probes[j], NOW) is not None}
    assert found <= set(may_be)
    assert abs(levels[one] - levels[other]) < 0.5 or (min(one, other), max(one, other)) in found


def brute_jumps(at: Times, value: Values) -> list[int]:
    return [
        k
        for k in range(1, len(value) - 1)
        if abs(value[k] - 0.5 * (value[k - 1] + value[k + 1])) > JUMP_C
        and abs(value[k + 1] - value[k - 1]) <= 0.5 * abs(value[k] - value[k - 1])
        and max(at[k + 1] - at[k], at[k] - at[k - 1]) <= JUMP_BESIDE_MS
    ]


@pytest.mark.parametrize("seed", range(6))
def test_jumps_and_errors_are_those_that_are_found_one_by_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    at, value = a_probe(rng, 60.0, 0.01 if seed % 2 else 0.3)
    assert np.flatnonzero(jumps((at, value))).tolist() == brute_jumps(at, value)
    steady = np.full(len(value), 28.0)
    assert not jumps((at, steady)).any()
    usable = np.ones(len(value), bool)
    assert errors((at, value), usable)[0] == 0
    usable[len(value) // 2] = False
    wrong = value.copy()
    wrong[len(value) // 2] = 85.0
    assert errors((at, wrong), usable) == (1, 85.0)


@pytest.mark.parametrize("seed", range(6))
def test_means_of_hours_and_medians_are_those_of_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    at, value = a_probe(rng, float(rng.choice([20.0, 300.0, 5000.0])))
    hours = at // HOUR_MS
    found, index, counts = np.unique(hours, return_inverse=True, return_counts=True)
    sums = np.bincount(index, value)
    # But for the order in which an hour is added up.
    means = dict(zip(found.tolist(), (sums / counts).tolist(), strict=True))
    assert _hour_means(at, value) == pytest.approx(means, rel=1e-14, abs=0.0)
    for some in (at[1:] - at[:-1], value, value[:-1], at[:1]):
        assert median(some) == float(np.median(some))
    assert math.isnan(median(np.append(value, np.nan)))


@pytest.mark.parametrize("places", [0, 1, 2, 3, 9])
@pytest.mark.parametrize("seed", range(4))
def test_codes_are_the_different_values_however_they_are_found(seed: int, places: int) -> None:
    rng = np.random.default_rng(seed)
    value = np.round(rng.normal(28.0, 0.3, int(rng.choice([0, 1, 2, 50, 3000]))), places)
    assert np.array_equal(_codes(value), np.unique(np.round(value, 6)))
    assert np.array_equal(_codes(-value), np.unique(np.round(-value, 6)))


def test_what_never_reaches_a_limit_is_no_time_beyond_it() -> None:
    at, value = a_probe(np.random.default_rng(1), 60.0)
    assert exposure(at, value, float(value.max()) + 0.01) == Exposure(0.0, 0.0, 0.0)
    assert exposure(at, value, float(value.max()) - 0.01).total_s > 0.0
    assert exposure(at, value, float(value.min()) - 0.01, "below") == Exposure(0.0, 0.0, 0.0)
