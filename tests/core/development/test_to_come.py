"""The temperature still to come: against ordinary kriging written down a second way, and what must hold of any room."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from monitor.core.development.to_come import (
    AHEAD_DAYS,
    EXPONENTS,
    HELD_STEADY,
    LEAST_DAYS,
    LEAST_SD_C,
    LEVEL_DAYS,
    MOST_DAYS,
    MOST_DRIFT_C,
    MOST_SD_C,
    NOISE_C,
    RE_SET,
    RE_SET_C,
    SHORT_SD_C,
    SPANS_DAYS,
    WANDERING_C2,
    to_come,
)

Array = npt.NDArray[np.float64]


def walk(seed: int, n: int, step_c: float = 0.2, noise_c: float = 0.1) -> Array:
    rng = np.random.default_rng(seed)
    return np.asarray(28.0 + np.cumsum(rng.normal(0.0, step_c, n)) + rng.normal(0.0, noise_c, n))


def kriged(days: Array, exponent: float, q: float, s: float, ahead: float, span: int) -> tuple[float, float, float]:
    """Drift at ``ahead``, drift of the mean over ``span`` days, and that one's variance with the noise: the system of
    ordinary kriging (Cressie 1993, 3.2), with a constant added to make a covariance of it, which drops out."""
    n = len(days)
    at = np.arange(n, dtype=float)
    future = n - 1.0 + np.arange(1.0, span + 1.0)
    big = 1e4 * max(q, 1e-12)

    def covariance(a: Array, b: Array) -> Array:
        return np.asarray(big - 0.5 * q * np.abs(a[:, None] - b[None, :]) ** exponent)

    system = np.block([[covariance(at, at) + s * s * np.eye(n), np.ones((n, 1))], [np.ones((1, n)), np.zeros((1, 1))]])

    def signal(points: Array) -> Array:
        """Kriging weights (n,) of the mean of the wandering part over some points."""
        right = np.append(covariance(at, points).mean(axis=1), 1.0)
        return np.asarray(np.linalg.solve(system, right)[:n])

    level = np.zeros(n)
    level[-3:] = 1.0 / 3.0
    weights = signal(future) - signal(at[-3:])
    # Error: what comes (with noise) less the last three days' mean (with theirs) less the drift that was kriged.
    everything = np.concatenate([at, future])
    whole = covariance(everything, everything) + s * s * np.eye(n + span)
    error = np.concatenate([-level - weights, np.full(span, 1.0 / span)])
    mean_ahead = signal(np.array([n - 0.5 + ahead])) - signal(at[-3:])
    return float(mean_ahead @ days), float(weights @ days), float(error @ whole @ error)


def log_likelihood(days: Array, exponent: float, q: float, s: float, re_set: int = 0) -> float:
    """Of the differences of neighbouring days, contrasts as good as any other; ``re_set``: so many days ago."""
    n = len(days)
    at = np.arange(n, dtype=float)
    among = s * s * np.eye(n) - 0.5 * q * np.abs(at[:, None] - at[None, :]) ** exponent
    step = (at >= n - re_set).astype(float)
    among += RE_SET_C**2 * np.outer(step, step)
    apart = np.diff(np.eye(n), axis=0)
    variance, told = apart @ among @ apart.T, apart @ days
    return -0.5 * (float(np.linalg.slogdet(variance)[1]) + float(told @ np.linalg.solve(variance, told)))


@pytest.mark.parametrize(
    ("seed", "n", "span", "step_c"), [(1, 6, 10, 0), (2, 14, 30, 0), (3, 28, 20, 0), (4, 12, 7, 0.8)]
)
def test_it_is_the_weighed_mean_of_ordinary_kriging(seed: int, n: int, span: int, step_c: float) -> None:
    days = walk(seed, n, step_c=0.03)
    days[-5:] += step_c
    rows = []
    for s in NOISE_C:
        steady = 0.0, 0.0, s * s * (1 / 3 + 1 / span)
        rows.append((math.log(HELD_STEADY * (1.0 - RE_SET)) + log_likelihood(days, 1.0, 0.0, s), *steady))
        for since in range(LEVEL_DAYS, n):
            before = math.log(HELD_STEADY * RE_SET / (n - LEVEL_DAYS))
            rows.append((before + log_likelihood(days, 1.0, 0.0, s, since), *steady))
        for exponent in EXPONENTS:
            before = math.log((1.0 - HELD_STEADY) / len(EXPONENTS) / len(WANDERING_C2))
            for q in WANDERING_C2:
                told = kriged(days, exponent, q, s, 10.0, span)
                rows.append((before + log_likelihood(days, exponent, q, s), *told))
    log_weight, drift, mean, variance = np.array(rows).T
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    sd = float(weight @ np.sqrt(variance + np.square(mean - weight @ mean)))
    found = to_come(days)
    assert float(np.interp(10.0, AHEAD_DAYS, found.drift_c)) == pytest.approx(float(weight @ drift), abs=1e-4)
    assert found.sd_c(span) == pytest.approx(min(math.hypot(sd, LEAST_SD_C), MOST_SD_C), rel=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_a_warmer_or_a_mirrored_place_has_the_same_to_come_warmer_or_mirrored(seed: int) -> None:
    days = walk(seed, 20)
    found, warmer, mirrored = to_come(days), to_come(days + 3.0), to_come(56.0 - days)
    for other, sign in ((warmer, 1.0), (mirrored, -1.0)):
        assert other.drift_c == pytest.approx(sign * found.drift_c, abs=1e-9)
        assert other.span_sd_c == pytest.approx(found.span_sd_c, abs=1e-9)


@pytest.mark.parametrize("length", [4, 7, 14, 28, 60])
def test_a_room_held_steady_stays_and_is_known_to_a_quarter_of_a_degree(length: int) -> None:
    """Rooms are re-set: none is trusted beyond 0.2 C."""
    found = to_come(np.full(length, 27.0))
    assert found.drift_c == pytest.approx(np.zeros(len(AHEAD_DAYS)))
    assert (found.span_sd_c >= LEAST_SD_C).all()
    assert (found.span_sd_c[SPANS_DAYS <= 60] < 0.25).all()


@pytest.mark.parametrize("since", [3, 4, 7, 14])
def test_a_room_that_was_re_set_is_steady_again_three_days_later(since: int) -> None:
    days = 27.0 + 0.05 * np.random.default_rng(since).standard_normal(28)
    days[-since:] += 1.5
    found = to_come(days)
    assert found.mean_drift_c(30.0) == pytest.approx(0.0, abs=0.02)
    assert found.sd_c(30.0) < 0.25


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_season_goes_on_and_a_steady_room_of_the_same_scatter_does_not(sign: float) -> None:
    rng = np.random.default_rng(5)
    noise = 0.05 * rng.standard_normal(20)
    season = to_come(27.0 + sign * 0.1 * np.arange(20) + noise)
    assert 0.8 < sign * float(np.interp(15.0, AHEAD_DAYS, season.drift_c)) < 2.5
    assert season.sd_c(30.0) > 2.0 * to_come(27.0 + noise).sd_c(30.0)


def test_what_comes_later_is_less_sure_and_nothing_passes_its_bounds() -> None:
    for seed in range(6):
        found = to_come(walk(seed, 20))
        assert (np.diff(found.span_sd_c[SPANS_DAYS >= 10]) > 0.0).all()
    wild = to_come(np.linspace(15.0, 40.0, 20))
    assert wild.sd_c(60.0) == MOST_SD_C
    assert np.abs(wild.drift_c).max() == MOST_DRIFT_C


def test_days_that_are_long_past_say_nothing_and_a_few_days_no_direction() -> None:
    days = walk(7, 40)
    assert (to_come(days).drift_c == to_come(days[-MOST_DAYS:]).drift_c).all()
    for n in range(4):
        found = to_come(20.0 + np.arange(n, dtype=float))
        assert (found.drift_c == 0.0).all()
        assert (found.span_sd_c == SHORT_SD_C).all()


def test_the_mean_drift_is_the_integral_of_the_drift() -> None:
    found = to_come(27.0 + 0.1 * np.arange(20.0))
    at = np.linspace(0.0, 33.0, 20001)
    assert found.mean_drift_c(33.0) == pytest.approx(float(np.interp(at, AHEAD_DAYS, found.drift_c).mean()), abs=1e-3)


@pytest.mark.parametrize("seed", range(20))
def test_an_outage_that_is_over_says_nothing_of_the_weeks_to_come(seed: int) -> None:
    """A heater that was dead for days and works again: then the room is what it has been since."""
    rng = np.random.default_rng(seed)
    level, noise = rng.uniform(26.0, 31.0), rng.uniform(0.0, 0.1)
    before, out, since = (int(rng.integers(*x)) for x in ((2, 12), (1, 8), (LEAST_DAYS + 1, 12)))
    held = level + noise * rng.standard_normal(since)
    cold = np.full(out, level - rng.uniform(4.0, 15.0))
    days = np.concatenate([level + noise * rng.standard_normal(before), cold, held])
    if np.abs(np.diff(held)).max() > 0.1 * abs(days[before + out] - days[before + out - 1]):
        return
    found, alone = to_come(days), to_come(held)
    assert np.array_equal(found.span_sd_c, alone.span_sd_c)
    assert np.array_equal(found.drift_c, alone.drift_c)


def test_a_season_or_weather_that_goes_up_by_degrees_is_not_cut() -> None:
    rng = np.random.default_rng(3)
    weather = 25.0 + np.cumsum(rng.normal(0.0, 2.5, 28))
    assert not np.array_equal(to_come(weather).drift_c, to_come(weather[-6:]).drift_c)
