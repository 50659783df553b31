"""Clutches laid together: against scipy, and on simulated houses whose probes are off by what is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2

from monitor.core.climate.box_temperature import ProbesError
from monitor.core.development.pooling import (
    MOST_BETWEEN,
    MOVED_SINCE_C,
    Found,
    Prior,
    ProbeShare,
    between_clutches,
    between_that_fit,
    chi_square_below,
    left_c,
    pooled,
)

PRIOR = Prior(0.65 * 0.042**2, 0.35 * 0.042**2)


@pytest.mark.parametrize("freedom", [1, 2, 5, 11, 40])
def test_chi_square_is_that_of_scipy(freedom: int) -> None:
    for x in (0.001, 0.5, 2.0, float(freedom), 30.0, 120.0):
        assert chi_square_below(x, freedom) == pytest.approx(float(chi2.cdf(x, freedom)), rel=1e-9, abs=1e-12)
    assert chi_square_below(0.0, freedom) == 0.0
    assert chi_square_below(1e5, freedom) == 1.0


@pytest.mark.parametrize(("n", "tau"), [(3, 0.0), (3, 0.03), (8, 0.025)])
def test_what_fits_holds_the_true_spread_as_often_as_it_says(n: int, tau: float) -> None:
    rng = np.random.default_rng(n)
    variance = np.full(n, 0.015**2)
    inside = 0
    for _ in range(600):
        low, high = between_that_fit(rng.normal(0.0, math.hypot(tau, 0.015), n), variance)
        assert 0.0 <= low <= high <= MOST_BETWEEN
        inside += low <= tau <= high
    # With nothing between them only the upper end can miss: it does so in one of ten.
    assert inside / 600 == pytest.approx(0.9 if tau == 0.0 else 0.8, abs=0.05)


def house(rng: np.random.Generator, n: int, probes: int, u: float) -> tuple[list[Found], list[float]]:
    """``n`` clutches behind so many probes in turn, and the shift that the next one has behind each probe."""
    mu, bias = rng.normal(0.0, math.sqrt(PRIOR.mean)), rng.normal(0.0, u, probes)
    sd, tau = 0.012, math.sqrt(PRIOR.between)
    found = [
        Found(mu + bias[i % probes] + rng.normal(0.0, math.hypot(tau, sd)), sd, {f"p{i % probes}": 1.0}, u)
        for i in range(n)
    ]
    return found, [mu + b + rng.normal(0.0, tau) for b in bias]


@pytest.mark.parametrize("probes", [1, 2, 3])
def test_the_next_clutch_behind_a_known_probe_lies_where_it_is_said_to(probes: int) -> None:
    """u of 1 C stands for 1 in left_c, so that what is left of it is a part of u."""
    rng, u, inside, told = np.random.default_rng(probes), 0.03, [], []
    for _ in range(400):
        found, following = house(rng, 6, probes, u)
        learned = pooled(found, PRIOR)
        shares = [ProbeShare(name, share, 1.0) for name, share in learned.shares.items()]
        left = left_c(ProbesError(1.0, probes="p0"), shares)
        sd = math.sqrt(learned.tau2 + learned.sd**2 + (u * left) ** 2)
        told.append(sd)
        inside.append(abs(following[0] - learned.mean) < 1.2816 * sd)
    assert np.mean(inside) == pytest.approx(0.8, abs=0.06)
    assert np.mean(told) < math.sqrt(PRIOR.mean + PRIOR.between + u**2)


def test_with_one_probe_its_error_is_learned_with_the_house() -> None:
    found = [Found(0.05, 0.01, {"p": 1.0}, 0.03)] * 6
    one, right = pooled(found, PRIOR), pooled([Found(0.05, 0.01, {"p": 1.0}, 0.0)] * 6, PRIOR)
    assert one.rests == pytest.approx((0.0,) * 6, abs=1e-12)
    # What the probe may be off by makes more of the shift believable: the prior is wider by its variance.
    precision = 6.0 / (0.01**2 + one.tau2)
    assert one.mean == pytest.approx(0.05 * precision / (precision + 1.0 / (PRIOR.mean + 0.03**2)))
    assert right.mean < one.mean < 0.05


def test_what_is_left_of_a_probe() -> None:
    error = ProbesError(0.3, probes="a")
    assert left_c(error, ()) == pytest.approx(0.3)
    assert left_c(error, [ProbeShare("a", 1.0, 0.3)]) == MOVED_SINCE_C
    assert left_c(error, [ProbeShare("a", 0.5, 0.3), ProbeShare("b", 0.5, 0.3)]) == pytest.approx(0.3 * math.sqrt(0.5))
    # Another probe, and the same one after it was compared: the table has something in it that they have not.
    for other in (ProbesError(0.3, probes="c"), ProbesError(0.3), ProbesError(0.1, probes="a")):
        assert left_c(other, [ProbeShare("a", 1.0, 0.3)]) == pytest.approx(math.hypot(other.total_c, 0.3))
    assert left_c(ProbesError(0.05, probes="a"), [ProbeShare("a", 1.0, 0.05)]) == pytest.approx(0.05)


def test_a_clutch_that_says_less_counts_less() -> None:
    found = [Found(0.0, 0.01, {"p": 1.0}, 0.0), Found(0.0, 0.08, {"p": 1.0}, 0.0)]
    learned = pooled(found, PRIOR)
    assert learned.weights[0] == 1.0
    assert learned.weights[1] == pytest.approx((0.01**2 + learned.tau2) / (0.08**2 + learned.tau2))


@pytest.mark.parametrize("seed", range(20))
def test_between_clutches_that_are_known_alike_lies_what_their_scatter_has_more_than_their_error(seed: int) -> None:
    """With equal variances the method of moments is s^2 - v, s^2 the sample variance (n - 1 in its denominator)."""
    rng = np.random.default_rng(seed)
    n, variance = int(rng.integers(2, 12)), float(rng.uniform(1e-4, 1e-2))
    shift = rng.normal(0.0, 0.1, n)
    expected = max(0.0, float(np.var(shift, ddof=1)) - variance)
    assert between_clutches(shift, np.full(n, variance)) == pytest.approx(expected, rel=1e-9, abs=1e-15)


def test_between_clutches_that_are_known_differently_the_truth_is_found_in_the_mean() -> None:
    rng = np.random.default_rng(30)
    variance = np.array([0.01, 0.02, 0.015, 0.005, 0.03]) ** 2
    tau = 0.06
    found = [between_clutches(rng.normal(0.0, np.sqrt(variance + tau**2)), variance) for _ in range(8000)]
    assert np.mean(found) == pytest.approx(tau**2, rel=0.03)
