"""Student's t with four degrees of freedom against scipy, and counts against enumeration."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from monitor.core.maths import student_t
from monitor.errors import ModelOutOfRange
from tests.oracles.student_t import density, quantile

VALUES = np.concatenate([-np.geomspace(1e5, 1e-6, 60), [0.0], np.geomspace(1e-6, 1e5, 60)])


def test_the_distribution_function_is_scipys_far_into_both_tails() -> None:
    np.testing.assert_allclose(student_t.below(VALUES), stats.t.cdf(VALUES, 4), rtol=1e-11)
    np.testing.assert_allclose(student_t.beyond(VALUES), stats.t.sf(VALUES, 4), rtol=1e-11)
    np.testing.assert_allclose(density(VALUES), stats.t.pdf(VALUES, 4), rtol=1e-11)


def test_infinities_are_certain() -> None:
    assert student_t.beyond(-np.inf) == 1.0
    assert student_t.beyond(np.inf) == 0.0
    assert student_t.between(-np.inf, np.inf) == 1.0
    assert student_t.between(-np.inf, 1.0) == pytest.approx(stats.t.cdf(1.0, 4), rel=1e-12)


def test_a_narrow_interval_far_out_keeps_its_digits() -> None:
    for place in (-400.0, -30.0, 30.0, 400.0):
        exact = stats.t.pdf(place, 4) * 1e-3
        assert float(student_t.between(place - 5e-4, place + 5e-4)) == pytest.approx(exact, rel=1e-6, abs=0.0)


def test_the_quantile_undoes_the_distribution_function() -> None:
    p = np.array([1e-9, 1e-4, 0.025, 0.1, 0.3, 0.5, 0.7, 0.9, 0.975, 0.9999])
    np.testing.assert_allclose(quantile(p), stats.t.ppf(p, 4), rtol=1e-8, atol=1e-12)
    for wrong in (0.0, 1.0, -0.1, math.nan):
        with pytest.raises(ModelOutOfRange):
            quantile(wrong)


@pytest.mark.parametrize(("sigma", "scale"), [(0.0, 0.02), (0.02, 0.0), (0.015, 0.02), (0.0, 0.0)])
def test_cells_hold_the_sum_of_a_normal_and_a_heavy_tail(sigma: float, scale: float) -> None:
    step = 0.004
    got = student_t.cells(-200, 150, step, sigma=sigma, scale=scale)
    assert got.shape == (351,)
    rng = np.random.default_rng(7)
    draws = rng.normal(0.0, 1.0, 400_000) * sigma + rng.standard_t(4, 400_000) * scale
    for low, high in ((-5, 5), (6, 10), (-20, -8), (15, 150)):
        seen = np.mean((draws > (low - 0.5) * step) & (draws < (high + 0.5) * step))
        assert float(np.sum(got[low + 200 : high + 201])) == pytest.approx(seen, abs=0.003)


def test_counts_of_unlike_eggs_are_those_of_enumeration() -> None:
    groups = [(2, np.array(0.3)), (1, np.array(0.85)), (3, np.array(0.05))]
    single = [float(out) for count, out in groups for _ in range(count)]
    for k in range(1, 7):
        exact = 0.0
        for outcome in itertools.product((0, 1), repeat=6):
            if sum(outcome) >= k:
                exact += math.prod(p if out else 1.0 - p for p, out in zip(single, outcome, strict=True))
        assert float(student_t.at_least(k, groups)) == pytest.approx(exact, rel=1e-12)


def test_many_eggs_follow_the_binomial() -> None:
    out = np.linspace(0.0, 1.0, 21)
    for k in (1, 40, 110, 150):
        np.testing.assert_allclose(
            student_t.at_least(k, [(150, out)]), stats.binom.sf(k - 1, 150, out), rtol=1e-9, atol=1e-12
        )
