"""Rate curves: they meet the printed figures, follow their oracles, and say what they do outside the table."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import integrate, interpolate, optimize, stats

from monitor.core.development import curves
from monitor.core.development.curves import BEND, EGG_SD, MEAN_SD, PublishedRates, RateCurve
from monitor.core.development.line import LineFit, fit_line
from monitor.core.terms.arrays import Values
from monitor.errors import ModelOutOfRange
from tests.oracles.rate_models import (
    Schoolfield,
    StraightLine,
    ikemoto_takai,
    log_linear_rate_per_day,
    mean_kinetic_temperature_c,
    q10,
    q10_of_activation_energy,
)

# Crocodylus palustris: Lang, Andrews & Whitaker 1989, Am. Zool. 29:935-952.
MUGGER_C = [28.0, 28.5, 29.0, 29.5, 30.0, 30.5, 31.0, 31.5, 32.0, 32.5, 33.0]
MUGGER_DAYS = [99.8, 93.1, 89.3, 83.6, 79.8, 76.3, 72.8, 70.6, 66.9, 65.4, 63.4]
# Calotes versicolor: Ji, Qiu & Diong 2002, J. Exp. Zool. 292:649-659; a plateau at the top.
CALOTES_C, CALOTES_DAYS = [24.0, 27.0, 30.0, 33.0], [82.1, 60.5, 51.4, 50.3]
# Emys marmorata: Geist, Dallara & Gordon 2015, Herpetol. Conserv. Biol. 10:489-503; days hardly change with warmth.
POND_TURTLE_C, POND_TURTLE_DAYS = [26.0, 27.0, 28.0, 29.0, 30.0, 31.0], [89.0, 84.2, 83.82, 84.99, 87.18, 87.75]
# Rainbow trout, hatchery record 239 of the Great Lakes Fishery Commission's table of egg incubation.
TROUT_C, TROUT_DAYS = [3.2, 4.8, 7.5, 10.3, 11.5, 12.0, 14.5, 15.5], [101.0, 75.0, 44.0, 29.0, 27.0, 25.0, 21.0, 18.0]
# Sphenodon guntheri: Mitchell et al. 2006, Frontiers in Zoology 3:9, Table 2.
TUATARA_C, TUATARA_DAYS = [18.3, 20.9, 22.1, 23.1], [263.0, 182.0, 160.0, 152.0]
# Schoolfield form of the published Drosophila prepupal fit (Sharpe & DeMichele 1977, J. theor. Biol. 64:649-670).
DROSOPHILA = Schoolfield(0.10644042, 10490.0, 69113.0, 305.0, 10.0, 35.0, -44373.0, 282.810707)

MUGGER = PublishedRates(MUGGER_C, MUGGER_DAYS)
CURVES: list[RateCurve] = [
    MUGGER,
    PublishedRates(CALOTES_C, CALOTES_DAYS),
    StraightLine.from_fit(fit_line(MUGGER_C, MUGGER_DAYS)),
    StraightLine(15.0, 800.0, 24.0, 32.0, upper_c=31.0),
    DROSOPHILA,
]


def antiderivative(curve: Any, temperature_c: npt.ArrayLike) -> Values:
    """Of the rate over temperature: that of the pieces which every curve here is made of."""
    found: Values = curve._pieces.cumulative(temperature_c)
    return found


# --- what every curve keeps ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: curve.name)
def test_a_rate_is_never_negative_and_always_a_number(curve: RateCurve) -> None:
    t = np.linspace(-30.0, 80.0, 4001)
    rate = curve.rate_per_day(t)
    assert np.all(np.isfinite(rate))
    assert np.all(rate >= 0.0)


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: curve.name)
def test_mean_rates_are_those_of_numerical_quadrature(curve: RateCurve) -> None:
    for a, b in [(28.0, 33.0), (22.0, 26.0), (15.0, 40.0), (30.0, 30.01), (33.0, 29.7), (10.0, 12.0)]:
        low, high = min(a, b), max(a, b)
        edges = [low, *(x for x in np.arange(10.0, 40.0, 0.5) if low < x < high), high]
        total = sum(
            integrate.quad(lambda x: float(curve.rate_per_day(x)), p, q, epsabs=1e-15, epsrel=1e-13, limit=200)[0]
            for p, q in pairwise(edges)
        )
        assert float(curve.mean_rate_per_day(a, b)) == pytest.approx(total / (high - low), rel=2e-9, abs=1e-13)


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: curve.name)
def test_differences_of_the_antiderivative_are_the_mean_rate_times_the_step(curve: RateCurve) -> None:
    a, b = np.array([5.0, 16.0, 24.0, 29.0, 32.0]), np.array([20.0, 24.5, 31.0, 35.0, 50.0])
    difference = antiderivative(curve, b) - antiderivative(curve, a)
    assert difference == pytest.approx(curve.mean_rate_per_day(a, b) * (b - a), rel=1e-12, abs=1e-14)


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: curve.name)
def test_the_relative_error_grows_outside_the_range(curve: RateCurve) -> None:
    inside = float(curve.rate_sd_relative(0.5 * (curve.low_c + curve.high_c)))
    above = curve.rate_sd_relative(curve.high_c + np.array([0.5, 1.0, 2.0, 4.0]))
    below = curve.rate_sd_relative(curve.low_c - np.array([0.5, 1.0, 2.0, 4.0]))
    assert 0.03 < inside < 0.06
    for outside in (above, below):
        assert outside[0] > inside
        assert np.all(np.diff(outside) > 0.0)
    # 11 % at about 2 C below: leaving one temperature out, Reptile Development Database (Noble et al. 2018).
    assert below[2] == pytest.approx(inside + 0.10, abs=0.03)
    assert inside + 0.02 < above[2] <= below[2]


# --- the published table ------------------------------------------------------------------------------------------


def test_the_table_is_met_at_every_printed_figure() -> None:
    assert 1.0 / MUGGER.rate_per_day(MUGGER_C) == pytest.approx(MUGGER_DAYS, rel=1e-13)


def test_interpolation_and_its_integral_are_those_of_the_oracle() -> None:
    oracle = interpolate.PchipInterpolator(MUGGER_C, 1.0 / np.array(MUGGER_DAYS))
    t = np.linspace(28.0, 33.0, 2001)
    assert MUGGER.rate_per_day(t) == pytest.approx(oracle(t), rel=1e-13)
    gained = antiderivative(MUGGER, t) - antiderivative(MUGGER, 28.0)
    assert gained == pytest.approx(oracle.antiderivative()(t), abs=1e-15)


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[float], list[float]]:
    n = draw(st.integers(2, 9))
    steps = draw(st.lists(st.floats(0.2, 6.0), min_size=n, max_size=n))
    rates = draw(st.lists(st.floats(0.002, 0.05), min_size=n, max_size=n))
    if rates[-1] <= rates[0]:
        rates = sorted(rates)
    return (15.0 + np.cumsum(steps)).tolist(), (1.0 / np.array(rates)).tolist()


@pytest.mark.slow
@given(tables())
def test_any_table_falling_ones_in_part_included_is_joined_as_the_oracle_does(
    table: tuple[list[float], list[float]],
) -> None:
    t, days = table
    try:
        curve = PublishedRates(t, days)
    except ModelOutOfRange:
        with pytest.raises(ModelOutOfRange):
            fit_line(t, days)
        return
    x = np.linspace(t[0], t[-1], 301)
    oracle = interpolate.PchipInterpolator(t, 1.0 / np.array(days))(x)
    assert curve.rate_per_day(x) == pytest.approx(oracle, rel=1e-9, abs=1e-14)
    # No bump that the figures do not have.
    for i in range(len(t) - 1):
        part = oracle[(x >= t[i]) & (x <= t[i + 1])]
        ends = sorted((1.0 / days[i], 1.0 / days[i + 1]))
        assert np.all((part >= ends[0] - 1e-12) & (part <= ends[1] + 1e-12))


def test_a_plateau_at_the_top_is_kept_where_a_line_would_run_away() -> None:
    curve = PublishedRates(CALOTES_C, CALOTES_DAYS)
    assert 1.0 / float(curve.rate_per_day(33.0)) == pytest.approx(50.3)
    assert 1.0 / float(curve.rate_per_day(31.5)) > 50.3
    line = StraightLine.from_fit(fit_line(CALOTES_C, CALOTES_DAYS))
    misses = 1.0 / line.rate_per_day(CALOTES_C) - CALOTES_DAYS
    assert misses == pytest.approx([-5.8, 3.2, 3.2, -2.5], abs=0.1)


def test_above_the_table_the_rate_levels_off_and_below_it_goes_down_along_the_fitted_line() -> None:
    slope = fit_line(MUGGER_C, MUGGER_DAYS).slope_per_day_c
    # The last two figures rise less steeply than the line.
    last = (1 / 63.4 - 1 / 65.4) / 0.5
    assert last < slope
    top = 1 / 63.4
    # The slope falls evenly to 0 within 8 C: half of it is lost on the way, and nothing is gained beyond.
    assert MUGGER.rate_per_day([33.0, 37.0, 41.0, 60.0]) == pytest.approx(
        [top, top + last * 4 * 0.75, top + last * 4, top + last * 4], rel=1e-12
    )
    steep = PublishedRates([26.0, 28.0, 30.0], [80.0, 70.0, 50.0])
    line = fit_line([26.0, 28.0, 30.0], [80.0, 70.0, 50.0]).slope_per_day_c
    assert float(steep.rate_per_day(38.0)) == pytest.approx(1 / 50 + 4 * line, rel=1e-12)
    assert MUGGER.rate_per_day([27.0, 25.0]) == pytest.approx([1 / 99.8 - slope, 1 / 99.8 - 3 * slope], rel=1e-12)
    zero_c = 28.0 - 1 / 99.8 / slope
    assert 18.0 < zero_c < 20.0
    assert MUGGER.rate_per_day([zero_c - 1e-9, 10.0, -5.0]) == pytest.approx([0.0] * 3, abs=1e-12)


def test_studies_at_one_temperature_become_one_point_weighted_by_how_sure_each_is() -> None:
    curve = PublishedRates([32.0, 28.0, 28.0], [66.0, 100.0, 90.0], [5.0, 30.0, 10.0])
    assert curve.temperatures_c.tolist() == [28.0, 32.0]
    sure = [1 / (MEAN_SD**2 + EGG_SD**2 / n) for n in (30.0, 10.0)]
    assert 1.0 / float(curve.rate_per_day(28.0)) == pytest.approx(np.average([100.0, 90.0], weights=sure))
    assert (curve.low_c, curve.high_c) == (28.0, 32.0)
    exact = PublishedRates([32.0, 28.0, 28.0], [66.0, 100.0, 90.0])
    assert 1.0 / float(exact.rate_per_day(28.0)) == pytest.approx(95.0)


# Caretta caretta, Mrosovsky 1988 (Can. J. Zool. 66:661-669) and 2002 (80:2118-2124) as pooled in the profile: 53.2 days
# at 29.2 C and 53.7 at 29.5.
PAPERS_C = [27.1, 27.3, 27.5, 28.0, 28.3, 28.5, 28.8, 29.0, 29.2, 29.5, 30.0, 30.4, 30.5]
PAPERS_DAYS = [65.6, 65.3, 65.0, 60.9, 57.9, 57.7, 56.3, 54.8, 53.2, 53.7, 49.5, 50.5, 48.1]
PAPERS_EGGS = [14.0, 23.0, 7.0, 29.0, 13.0, 124.0, 84.0, 39.0, 29.0, 91.0, 37.0, 50.0, 39.0]


def test_pooled_papers_become_the_smoothing_spline_of_the_oracle() -> None:
    t, rates = np.array(PAPERS_C), 1.0 / np.array(PAPERS_DAYS)
    variance = np.square(rates) * (MEAN_SD**2 + EGG_SD**2 / np.array(PAPERS_EGGS))
    bend = (BEND * float(np.mean(rates))) ** 2
    oracle = interpolate.make_smoothing_spline(t, rates, w=1.0 / variance, lam=1.0 / bend)
    curve = PublishedRates(PAPERS_C, PAPERS_DAYS, PAPERS_EGGS)
    assert curve.rates_per_day == pytest.approx(oracle(t), rel=1e-6)
    assert np.all(np.diff(curve.rate_per_day(np.linspace(27.1, 30.5, 300))) > 0.0)


@given(
    st.lists(st.tuples(st.floats(0.2, 3.0), st.floats(-0.1, 0.25), st.integers(1, 200)), min_size=2, max_size=12),
    st.floats(0.3, 3.0),
)
def test_a_curve_through_means_of_eggs_never_falls_and_scales_with_its_days(
    steps: list[tuple[float, float, int]], times: float
) -> None:
    t = 24.0 + np.cumsum([step for step, _, _ in steps])
    days = 80.0 * np.exp(-np.cumsum([rise for _, rise, _ in steps]))
    eggs = [float(n) for _, _, n in steps]
    try:
        curve = PublishedRates(t, days, eggs)
    except ModelOutOfRange:
        with pytest.raises(ModelOutOfRange):
            fit_line(t, days, eggs)
        return
    # Flat to the last digit is a matter of that digit.
    assume(curve.line.r_squared > 1e-9)
    x = np.linspace(t[0] - 3.0, t[-1] + 12.0, 400)
    rates = curve.rate_per_day(x)
    assert np.all(np.diff(rates) >= -1e-12)
    # Every share of what the eggs did stays the same when all took longer.
    assert PublishedRates(t, times * days, eggs).rate_per_day(x) == pytest.approx(rates / times, rel=1e-6, abs=1e-9)


@given(st.lists(st.tuples(st.floats(-1.0, 1.0), st.floats(0.1, 10.0)), min_size=1, max_size=20))
def test_neighbours_that_fall_are_pooled_as_the_oracle_does(drawn: list[tuple[float, float]]) -> None:
    y, weight = np.array(drawn).T
    assert curves._monotone(y, weight) == pytest.approx(optimize.isotonic_regression(y, weights=weight).x, abs=1e-9)


def test_a_straight_line_is_not_bent_by_smoothing() -> None:
    t = np.array([24.0, 25.0, 25.5, 28.0, 31.0])
    curve = PublishedRates(t, 800.0 / (t - 13.0), [3.0, 50.0, 8.0, 12.0, 5.0])
    assert 1.0 / curve.rates_per_day == pytest.approx(800.0 / (t - 13.0), rel=1e-9)


def test_the_order_of_the_rows_does_not_matter() -> None:
    shuffled = np.random.default_rng(3).permutation(len(MUGGER_C))
    other = PublishedRates(np.array(MUGGER_C)[shuffled], np.array(MUGGER_DAYS)[shuffled])
    t = np.linspace(15.0, 40.0, 200)
    assert other.rate_per_day(t) == pytest.approx(MUGGER.rate_per_day(t), rel=1e-12)


def test_a_table_cannot_be_changed_after_it_was_made() -> None:
    with pytest.raises(ValueError, match="read-only"):
        MUGGER.rates_per_day[0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        MUGGER.temperatures_c[0] = 1.0


def test_two_far_temperatures_are_less_trusted_in_the_middle() -> None:
    wide = PublishedRates([22.0, 28.0], [62.5, 39.5])  # Coluber constrictor: Burger 1990, J. Herpetol. 24:158-163
    at = wide.rate_sd_relative([22.0, 24.0, 25.0, 26.0, 28.0])
    assert at == pytest.approx([0.04, 0.04, 0.05, 0.04, 0.04])


def test_a_table_whose_rates_do_not_rise_is_refused_or_its_line_is_named_nonsense() -> None:
    with pytest.raises(ModelOutOfRange, match="shorter"):
        PublishedRates([26.0, 31.0], [83.0, 88.0])
    with pytest.raises(ModelOutOfRange, match="shorter"):
        PublishedRates([26.0, 31.0], [83.0, 83.0])
    with pytest.raises(ModelOutOfRange, match="shorter"):
        PublishedRates(POND_TURTLE_C, POND_TURTLE_DAYS)
    # Without the warmest eggs the same table rises, barely, and its line is 0 at -297 C.
    fit = fit_line(POND_TURTLE_C[:5], POND_TURTLE_DAYS[:5])
    assert "base temperature" in fit.problem()
    with pytest.raises(ModelOutOfRange, match="cannot be used"):
        StraightLine.from_fit(fit)


@pytest.mark.parametrize(
    ("t", "days", "eggs"),
    [
        ([28.0], [90.0], None),
        ([28.0, 28.0], [90.0, 91.0], None),
        ([28.0, 30.0], [90.0, 0.0], None),
        ([28.0, 30.0], [90.0, -4.0], None),
        ([28.0, math.nan], [90.0, 80.0], None),
        ([28.0, 30.0], [90.0, math.inf], None),
        ([28.0, 30.0], [90.0], None),
        ([28.0, 30.0], [90.0, 80.0], [1.0, 0.0]),
        ([28.0, 30.0], [90.0, 80.0], [1.0]),
        ([[28.0, 30.0]], [[90.0, 80.0]], None),
    ],
)
def test_unusable_rows_are_refused(t: npt.ArrayLike, days: npt.ArrayLike, eggs: npt.ArrayLike | None) -> None:
    with pytest.raises(ModelOutOfRange):
        PublishedRates(t, days, eggs)
    with pytest.raises(ModelOutOfRange):
        fit_line(t, days, eggs)


# --- the straight line --------------------------------------------------------------------------------------------


def test_the_fit_of_the_mugger_is_the_known_one() -> None:
    fit = fit_line(MUGGER_C, MUGGER_DAYS)
    # T0 19.3 +- 0.2, K 862 +- 16, worked out from the same table apart from this code.
    assert fit.base_c == pytest.approx(19.3, abs=0.05)
    assert fit.base_se_c == pytest.approx(0.2, abs=0.05)
    assert fit.constant_degree_days == pytest.approx(862, abs=0.5)
    assert fit.constant_se_degree_days == pytest.approx(16, abs=0.5)
    assert fit.problem() == ""
    assert (fit.points, fit.temperatures, fit.low_c, fit.high_c) == (11, 11, 28.0, 33.0)


def test_slope_errors_and_r_squared_are_those_of_the_oracle() -> None:
    fit = fit_line(TROUT_C, TROUT_DAYS)
    oracle = stats.linregress(TROUT_C, 1.0 / np.array(TROUT_DAYS))
    assert fit.slope_per_day_c == pytest.approx(oracle.slope, rel=1e-12)
    assert fit.base_c == pytest.approx(-oracle.intercept / oracle.slope, rel=1e-11)
    assert fit.constant_se_degree_days == pytest.approx(oracle.stderr / oracle.slope**2, rel=1e-11)
    assert fit.r_squared == pytest.approx(oracle.rvalue**2, rel=1e-12)


def test_the_trout_gives_the_figures_of_the_x_intercept_method() -> None:
    # Worked out apart from this code; Campbell et al. 1974 for the method, Fieller 1954 for the interval.
    fit = fit_line(TROUT_C, TROUT_DAYS)
    assert fit.base_c == pytest.approx(0.941639, abs=1e-6)
    assert fit.base_se_c == pytest.approx(0.384441, abs=1e-6)
    assert fit.constant_degree_days == pytest.approx(275.331829, abs=1e-5)
    assert fit.constant_se_degree_days == pytest.approx(10.718911, abs=1e-5)
    assert fit.correlation == pytest.approx(-0.908445, abs=1e-6)
    assert list(fit.fieller_interval_c(0.95)) == pytest.approx([-0.08907, 1.80804], abs=1e-5)


@pytest.mark.parametrize("level", [0.5, 0.8, 0.95, 0.999])
@pytest.mark.parametrize("rows", [3, 4, 5, 8, 11])
def test_the_interval_of_the_base_temperature_uses_students_t(level: float, rows: int) -> None:
    fit = fit_line(MUGGER_C[:rows], MUGGER_DAYS[:rows])
    t = stats.t.ppf(0.5 + level / 2, rows - 2)
    try:
        ends = fit.fieller_interval_c(level)
    except ModelOutOfRange:
        assert abs(fit.slope_per_day_c / (fit.residual_sd_per_day / math.sqrt(fit.spread_c2))) < t
        return
    # At either end the line's value, divided by its own standard error there, is t: what the interval means.
    for end in ends:
        z = end - fit.mean_c
        value = fit.mean_rate_per_day + fit.slope_per_day_c * z
        error = fit.residual_sd_per_day * math.sqrt(1 / fit.points + z * z / fit.spread_c2)
        assert abs(value / error) == pytest.approx(t, rel=1e-9)


def test_weights_count_like_repeated_rows_for_the_line() -> None:
    weighted = fit_line([24.0, 27.0, 31.0], [80.0, 60.0, 45.0], [1.0, 3.0, 2.0])
    repeated = fit_line([24.0, 27.0, 27.0, 27.0, 31.0, 31.0], [80.0, 60.0, 60.0, 60.0, 45.0, 45.0])
    assert weighted.base_c == pytest.approx(repeated.base_c, rel=1e-12)
    assert weighted.constant_degree_days == pytest.approx(repeated.constant_degree_days, rel=1e-12)
    assert weighted.r_squared == pytest.approx(repeated.r_squared, rel=1e-12)
    assert fit_line([24.0, 27.0, 31.0], [80.0, 60.0, 45.0], [10.0, 30.0, 20.0]) == weighted


def test_two_rows_give_a_line_without_errors() -> None:
    fit = fit_line([28.0, 32.0], [53.0, 39.5])  # Lampropeltis getula: Burger 1990, J. Herpetol. 24:158-163
    assert fit.problem() == ""
    assert math.isnan(fit.base_se_c)
    assert math.isnan(fit.covariance)
    with pytest.raises(ModelOutOfRange, match="three rows"):
        fit.fieller_interval_c()
    curve = StraightLine.from_fit(fit)
    assert float(curve.rate_sd_relative(30.0)) == pytest.approx(0.045)
    assert math.isinf(float(curve.rate_sd_relative(fit.base_c - 1.0)))


def _fit(base_c: float, low_c: float = 26.0, high_c: float = 30.0, temperatures: int = 3) -> LineFit:
    return LineFit(base_c, 800.0, 1.0, 50.0, -40.0, 0.99, 1e-4, 3, temperatures, low_c, high_c, 28.0, 0.015, 8.0)


@pytest.mark.parametrize(
    ("fit", "word"),
    [
        (_fit(15.0, 28.0, 29.9), "span only 1.9 °C"),
        (_fit(0.0), "no egg"),
        (_fit(-3.0), "no egg"),
        (_fit(24.1), "less than 2 °C below"),
        (_fit(15.0, temperatures=1), "one temperature"),
    ],
)
def test_a_nonsensical_fit_is_named(fit: LineFit, word: str) -> None:
    assert word in fit.problem()


@pytest.mark.parametrize("fit", [_fit(15.0), _fit(24.0), _fit(15.0, 28.0, 30.0), _fit(0.1)])
def test_a_sane_fit_has_no_problem(fit: LineFit) -> None:
    assert fit.problem() == ""


def test_the_line_of_the_cold_tuatara_is_optimistic_below_its_table() -> None:
    # Mitchell et al. 2006, Table 2, S. punctatus: 764 days at 15 C, where the line through 18.3 to 22.6 C says 483.
    fit = fit_line([18.3, 21.3, 22.6], [264.0, 183.0, 166.0])
    days = 1.0 / StraightLine.from_fit(fit).rate_per_day(15.0)
    assert float(days) == pytest.approx(482.7, abs=0.2)


def test_ikemoto_and_takai_give_their_known_figures() -> None:
    # Worked out apart from this code from the same tables.
    got = ikemoto_takai(TUATARA_C, TUATARA_DAYS)
    assert got.base_c == pytest.approx(12.06167, abs=1e-5)
    assert got.constant_degree_days == pytest.approx(1633.30393, abs=1e-4)
    assert got.base_se_c == pytest.approx(0.467699, abs=1e-5)
    assert got.correlation == pytest.approx(0.998495, abs=1e-6)
    with pytest.raises(ModelOutOfRange):
        ikemoto_takai([28.0, 30.0], [90.0, 80.0])
    with pytest.raises(ModelOutOfRange):
        ikemoto_takai([28.0, 30.0, 32.0], [80.0, 80.0, 80.0])


def test_a_straight_line_is_0_at_its_base_and_flat_above_its_cut_off() -> None:
    line = StraightLine(15.0, 800.0, 24.0, 32.0, upper_c=31.0)
    assert line.rate_per_day([10.0, 15.0, 25.0, 31.0, 40.0]).tolist() == [0.0, 0.0, 10 / 800, 16 / 800, 16 / 800]
    endless = StraightLine(15.0, 800.0, 24.0, 32.0)
    assert float(endless.rate_per_day(40.0)) == 25 / 800


def test_far_from_the_data_the_error_is_the_regressions_own() -> None:
    fit = fit_line([20.0, 24.0, 28.0, 32.0], [160.0, 82.0, 60.0, 41.0])
    line = StraightLine.from_fit(fit)
    # r is the fitted value of the regression, so its standard error is known without T0, K and their covariance.
    for t in (18.0, 16.5):
        error = fit.residual_sd_per_day * math.sqrt(1 / fit.points + (t - fit.mean_c) ** 2 / fit.spread_c2)
        expected = error / float(line.rate_per_day(t))
        floor = 0.045 + 0.05 * (20.0 - t)
        assert expected > floor
        assert float(line.rate_sd_relative(t)) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("base_c", "constant", "low_c", "high_c", "upper_c"),
    [
        (15.0, 0.0, 24.0, 30.0, None),
        (15.0, -5.0, 24.0, 30.0, None),
        (math.nan, 800.0, 24.0, 30.0, None),
        (25.0, 800.0, 24.0, 30.0, None),
        (15.0, 800.0, 30.0, 24.0, None),
        (15.0, 800.0, 24.0, 30.0, 15.0),
    ],
)
def test_an_impossible_line_is_refused(
    base_c: float, constant: float, low_c: float, high_c: float, upper_c: float | None
) -> None:
    with pytest.raises(ModelOutOfRange):
        StraightLine(base_c, constant, low_c, high_c, upper_c=upper_c)


# --- the biophysical model ----------------------------------------------------------------------------------------


def _schoolfield(t: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Equation 4 of Schoolfield et al. 1981 with the constants of the curve above, as printed."""
    k = t + 273.16
    top = 0.10644042 * k / 298 * np.exp(10490 / 1.987 * (1 / 298 - 1 / k))
    low = np.exp(-44373 / 1.987 * (1 / 282.810707 - 1 / k))
    high = np.exp(69113 / 1.987 * (1 / 305.0 - 1 / k))
    result: npt.NDArray[np.float64] = top / (1 + low + high)
    return result


def test_the_tabulated_biophysical_rate_is_the_formula_within_its_stated_error() -> None:
    t = np.linspace(0.0, 59.99, 77_777)
    error = np.abs(DROSOPHILA.rate_per_day(t) - _schoolfield(t))
    assert float(error.max()) < 1e-10 * float(_schoolfield(t).max())
    total, _ = integrate.quad(lambda x: float(_schoolfield(np.array(x))), 12.3, 38.7, epsabs=1e-15, epsrel=1e-13)
    assert float(DROSOPHILA.mean_rate_per_day(12.3, 38.7)) == pytest.approx(total / 26.4, rel=1e-10)


def test_published_biophysical_rates_are_met() -> None:
    # Sharpe & DeMichele 1977 (Drosophila prepupae), parameters as compiled in the R package devRate; rates from them.
    got = DROSOPHILA.rate_per_day([10.0, 15.0, 20.0, 25.0, 30.0, 35.0])
    assert got == pytest.approx([0.020954, 0.045617, 0.072938, 0.098615, 0.097239, 0.046757], abs=2e-6)


def test_without_the_low_terms_the_cold_side_is_arrhenius() -> None:
    four = Schoolfield(0.10644042, 10490.0, 69113.0, 330.0, 10.0, 35.0)
    cold = four.rate_per_day([5.0, 10.0])
    expected = 278.16 / 283.16 * math.exp(10490 / 1.987 * (1 / 283.16 - 1 / 278.16))
    assert float(cold[0] / cold[1]) == pytest.approx(expected, rel=1e-7)
    assert np.all(cold > DROSOPHILA.rate_per_day([5.0, 10.0]))


def test_a_biophysical_rate_is_0_beyond_the_temperatures_it_is_followed_in() -> None:
    assert DROSOPHILA.rate_per_day([-0.01, 60.01, -20.0, 90.0]).tolist() == [0.0] * 4


def test_the_base_of_a_biophysical_curve_is_where_a_line_through_its_range_is_0() -> None:
    mild = Schoolfield(0.10644042, 10490.0, 69113.0, 305.0, 12.0, 24.0, -44373.0, 282.810707)
    t = np.linspace(12.0, 24.0, 21)
    slope, intercept = np.polyfit(t, _schoolfield(t), 1)
    assert mild.base_c == pytest.approx(-intercept / slope, abs=1e-6)


@pytest.mark.parametrize(
    ("low_c", "high_c", "low_cal", "low_k"),
    [(30.0, 20.0, None, None), (-1.0, 30.0, None, None), (20.0, 61.0, None, None), (20.0, 30.0, -4e4, None)],
)
def test_an_impossible_biophysical_curve_is_refused(
    low_c: float, high_c: float, low_cal: float | None, low_k: float | None
) -> None:
    with pytest.raises(ModelOutOfRange):
        Schoolfield(0.1, 1e4, 6e4, 305.0, low_c, high_c, low_cal, low_k)


# --- ratios of rates ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("t1", "days1", "t2", "days2", "printed"),
    [(15.0, 764.0, 18.3, 264.0, 25.03), (18.3, 264.0, 21.3, 183.0, 3.39), (22.6, 166.0, 25.0, 150.0, 1.53)],
)
def test_a_q10_is_the_printed_one(t1: float, days1: float, t2: float, days2: float, printed: float) -> None:
    # Sphenodon punctatus: Mitchell et al. 2006, Frontiers in Zoology 3:9, Table 2.
    assert q10(t1, days1, t2, days2) == pytest.approx(printed, abs=0.006)
    assert q10(t2, days2, t1, days1) == pytest.approx(q10(t1, days1, t2, days2), rel=1e-12)


def test_a_q10_needs_two_temperatures_and_days() -> None:
    with pytest.raises(ModelOutOfRange):
        q10(25.0, 60.0, 25.0, 50.0)
    with pytest.raises(ModelOutOfRange):
        q10(25.0, 60.0, 27.0, 0.0)


def test_a_log_linear_rate_meets_both_neighbours_and_refuses_to_go_beyond() -> None:
    assert 1 / log_linear_rate_per_day(18.3, 18.3, 264.0, 21.3, 183.0) == pytest.approx(264.0)
    assert 1 / log_linear_rate_per_day(21.3, 18.3, 264.0, 21.3, 183.0) == pytest.approx(183.0)
    assert 1 / log_linear_rate_per_day(19.8, 18.3, 264.0, 21.3, 183.0) == pytest.approx(math.sqrt(264.0 * 183.0))
    for outside in (18.29, 21.31):
        with pytest.raises(ModelOutOfRange, match="not between"):
            log_linear_rate_per_day(outside, 18.3, 264.0, 21.3, 183.0)


def test_a_q10_follows_from_an_activation_energy() -> None:
    # exp[(65 kJ / R)(1 / 293.15 K - 1 / 303.15 K)] by hand.
    assert q10_of_activation_energy(65_000.0, 20.0) == pytest.approx(2.41016, abs=2e-5)


def test_mean_kinetic_temperatures_are_the_known_ones() -> None:
    # Haynes 1971, J. Pharm. Sci. 60:927-929, with E / R = 10 000 K; figures worked out apart from this code.
    assert mean_kinetic_temperature_c([20.0, 25.0, 30.0]) == pytest.approx(25.8582, abs=2e-4)
    assert mean_kinetic_temperature_c([25.0, 40.0], [23.0, 1.0]) == pytest.approx(26.3721, abs=2e-4)
    assert mean_kinetic_temperature_c([21.5]) == pytest.approx(21.5, abs=1e-12)


@given(st.lists(st.floats(-30.0, 60.0), min_size=1, max_size=20))
def test_a_mean_kinetic_temperature_lies_between_the_mean_and_the_warmest(t: list[float]) -> None:
    got = mean_kinetic_temperature_c(t)
    assert np.mean(t) - 1e-9 <= got <= max(t) + 1e-9


@pytest.mark.parametrize(
    ("t", "weights"),
    [([], None), ([20.0], [0.0]), ([20.0, 21.0], [1.0]), ([-300.0], None), ([20.0, 21.0], [2.0, -1.0])],
)
def test_a_mean_kinetic_temperature_of_nothing_is_refused(t: list[float], weights: list[float] | None) -> None:
    with pytest.raises(ModelOutOfRange):
        mean_kinetic_temperature_c(t, weights)


@pytest.mark.parametrize("seed", range(8))
def test_the_nearest_figure_is_the_nearest_of_all(seed: int) -> None:
    dice = np.random.default_rng(seed)
    warm = np.sort(dice.uniform(20.0, 36.0, dice.integers(2, 12)))
    curve = PublishedRates(warm, 2000.0 / (warm - 5.0))
    asked = np.concatenate([dice.uniform(15.0, 40.0, 200), warm, 0.5 * (warm[1:] + warm[:-1])])
    for t, found in zip(asked.tolist(), curve.rate_sd_relative(asked).tolist(), strict=True):
        nearest = min(abs(t - c) for c in warm.tolist())
        inside = 0.01 * max(nearest - 2.0, 0.0) if warm[0] <= t <= warm[-1] else 0.0
        assert found == float(curves.table_sd(np.array(t), float(warm[0]), float(warm[-1]))) + inside
    assert np.isnan(curve.rate_sd_relative(math.nan))
