"""One or two figures and the slope of the group: it is the library's, meets the figures, and is wider farther away."""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate

from monitor.config.library import list_profiles
from monitor.core.development.groups import (
    BASES,
    BELOW_COLDEST_C,
    BENT,
    FIGURE_SHARED,
    GROUPS,
    NEAR_C,
    OTHER_FAMILIES,
    STRAIGHT_C,
    Base,
    Group,
    GroupLine,
    base_of,
    group_of,
)
from monitor.errors import ModelOutOfRange

SNAKE = Base(15.0, 4.0, 5)


def test_the_base_temperatures_are_those_of_the_shipped_tables() -> None:
    found: dict[Group, dict[str, list[float]]] = {group: defaultdict(list) for group in GROUPS}
    for profile in list_profiles().profiles:
        if profile.status == "table" and len(profile.temperatures_c) > 2:
            line = profile.line()
            assert line is not None
            assert profile.group is not None
            found[profile.group][profile.family].append(round(line.base_c, 1))
    assert {group: {f: tuple(sorted(v)) for f, v in families.items()} for group, families in found.items()} == BASES


def test_a_group_is_known_by_family_or_by_order() -> None:
    families = [f for group in BASES.values() for f in group]
    assert not set(families) & set(OTHER_FAMILIES)
    assert group_of("Colubridae") == group_of("Pythonidae", "Squamata") == "snake"
    assert group_of("Eublepharidae") == "lizard"
    assert group_of("Unheardidae", "Testudines") == "turtle"
    assert group_of("Unheardidae", "Squamata") is None
    assert set(BENT) == set(FIGURE_SHARED) == set(GROUPS)


def test_a_base_is_the_mean_of_the_family_and_of_the_middle_of_the_group() -> None:
    bases: dict[Group, dict[str, tuple[float, ...]]] = {"snake": {"A": (10.0, 12.0), "B": (17.0,)}}
    assert base_of("snake", "A", bases).mean_c == pytest.approx((12.0 + 10.0 + 12.0) / 3)
    assert base_of("snake", "C", bases).mean_c == 12.0
    assert (base_of("snake", "A", bases).of_family, base_of("snake", "C", bases).of_family) == (2, 0)
    # Each left out: 10 by (14.5 + 12) / 2, 12 by (13.5 + 10) / 2, 17 by 11; the same three are all there is.
    squares = [(10 - 13.25) ** 2, (12 - 11.75) ** 2, (17 - 11.0) ** 2]
    assert base_of("snake", "A", bases).sd_c == pytest.approx(BENT["snake"] * math.sqrt(sum(squares) / 3))


@pytest.mark.parametrize("group", GROUPS)
def test_every_group_expects_a_base_that_eggs_survive(group: Group) -> None:
    base = base_of(group)
    assert 8.0 < base.mean_c < 21.0
    assert 1.0 < base.sd_c < 9.0


def test_one_figure_is_met_and_the_rate_rises_along_the_relatives_line() -> None:
    line = GroupLine([27.8], [60.0], [0.03], SNAKE)
    assert 1.0 / float(line.rate_per_day(27.8)) == pytest.approx(60.0)
    assert line.base_c == pytest.approx(15.0, abs=0.05)
    assert 1.0 / float(line.rate_per_day(29.0)) == pytest.approx(60.0 * (27.8 - line.base_c) / (29.0 - line.base_c))
    assert (line.low_c, line.high_c) == (27.8 - NEAR_C, 27.8 + NEAR_C)
    assert float(line.rate_per_day(line.base_c - 0.1)) == 0.0
    # Beyond STRAIGHT_C it levels off, and stays.
    end = 27.8 + STRAIGHT_C
    last, slope = float(line.rate_per_day(end)), 1.0 / line.constant_degree_days
    assert line.rate_per_day([end + 8.0, end + 20.0]) == pytest.approx([last + 4.0 * slope] * 2)


def test_how_sure_a_curve_is_falls_with_the_distance_as_drawn_base_temperatures_say() -> None:
    line = GroupLine([28.0], [60.0], [0.03], SNAKE)
    drawn = np.random.default_rng(5).normal(15.0, 4.0, 40_000)
    drawn = drawn[(drawn > 0.0) & (drawn < 26.0)]
    for t in (25.0, 26.5, 29.5, 31.0):
        log_rate = np.log(np.maximum(t - drawn, 0.2) / (28.0 - drawn))
        spread = 0.5 * float(np.subtract(*np.quantile(log_rate, [0.84, 0.16])))
        assert float(line.rate_sd_relative(t)) == pytest.approx(math.hypot(0.04, spread), rel=0.25), t
    assert float(line.rate_sd_relative(28.0)) == pytest.approx(0.04)


def test_two_figures_and_the_relatives_are_weighed_as_quadrature_does() -> None:
    t, days, u = np.array([26.0, 29.0]), np.array([75.0, 57.0]), np.array([0.03, 0.05])
    line = GroupLine(t, days, u, SNAKE)
    weight = 1.0 / u**2

    def chance(base: float) -> float:
        says = np.log(days * (t - base))
        middle = says @ weight / weight.sum()
        return math.exp(-0.5 * float((says - middle) ** 2 @ weight) - 0.5 * ((base - 15.0) / 4.0) ** 2)

    high = 26.0 - BELOW_COLDEST_C
    whole = integrate.quad(chance, 0.0, high)[0]
    mean = integrate.quad(lambda x: x * chance(x), 0.0, high)[0] / whole
    square = integrate.quad(lambda x: x * x * chance(x), 0.0, high)[0] / whole
    assert line.base_c == pytest.approx(mean, abs=0.02)
    assert line.base_sd_c == pytest.approx(math.sqrt(square - mean**2), rel=0.02)
    # Outside them no less unsure than a table there.
    assert float(line.rate_sd_relative(32.0)) >= 0.04 + 0.025 * 3.0
    assert (line.low_c, line.high_c) == (26.0, 29.0)


def test_what_no_relative_does_is_refused() -> None:
    with pytest.raises(ModelOutOfRange, match="no line that relatives have"):
        GroupLine([27.0, 29.0], [57.4, 574.0], [0.03, 0.03], SNAKE)
    with pytest.raises(ModelOutOfRange, match="no line that relatives have"):
        GroupLine([27.0, 29.0], [60.0, 75.0], [0.03, 0.03], SNAKE)
    with pytest.raises(ModelOutOfRange, match="no egg develops"):
        GroupLine([1.0], [60.0], [0.03], SNAKE)


@pytest.mark.parametrize(
    ("t", "days", "u"), [([28.0], [0.0], [0.03]), ([28.0], [60.0], [0.0]), ([28.0, 29.0], [60.0], [0.03])]
)
def test_figures_that_are_no_numbers_of_a_kind_are_refused(t: list[float], days: list[float], u: list[float]) -> None:
    with pytest.raises(ModelOutOfRange, match="figures need"):
        GroupLine(t, days, u, SNAKE)


@given(st.floats(22.0, 34.0), st.floats(20.0, 300.0), st.sampled_from(GROUPS))
def test_a_curve_of_one_figure_rises_everywhere_and_its_days_scale(t: float, days: float, group: Group) -> None:
    line = GroupLine([t], [days], [0.03], base_of(group))
    x = np.linspace(0.0, 50.0, 301)
    rate = line.rate_per_day(x)
    assert np.all(np.diff(rate) >= 0.0)
    assert np.all(np.isfinite(line.rate_sd_relative(x)))
    assert GroupLine([t], [2.0 * days], [0.03], base_of(group)).rate_per_day(x) == pytest.approx(rate / 2.0)
    assert line.mean_rate_per_day(t - 1.0, t + 1.0) == pytest.approx(float(line.rate_per_day(t)), rel=1e-9)
