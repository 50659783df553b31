"""Sex by temperature: the published curves, what weighs how much, and when nothing is said."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from monitor.config.library import list_profiles, load_profile
from monitor.core.development.profile_file import parse_profile
from monitor.core.development.sex import (
    MIDDLE_THIRD,
    NOT_SAID,
    RANGE_IN_SCALES,
    SexRule,
    Turn,
    sex_now,
    weighted_mean_c,
)
from monitor.errors import ConfigError, ModelOutOfRange
from tests.core.development.test_species import GOOD

ONE = SexRule("temperature", ("p",), (Turn(29.0, "females", 4.0),))
# A hundred hours at an even rate, from laying to the end.
EVEN = np.linspace(0.0, 1.0, 101)


def at(temperature_c: float, done: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    edges = np.linspace(0.0, done, 101)
    return edges, np.full(100, temperature_c)


# --- the curve --------------------------------------------------------------------------------------------------


def test_half_are_female_at_the_pivotal_temperature_and_the_range_holds_the_middle_nine_tenths() -> None:
    # Girondot 1999: the transitional range runs from 5 to 95 %.
    assert ONE.females([27.0, 29.0, 31.0]) == pytest.approx([0.05, 0.5, 0.95])
    assert 2.0 * math.log(19.0) == RANGE_IN_SCALES


def test_where_warm_eggs_become_males_the_curve_is_turned_round() -> None:
    males = SexRule("temperature", ("p",), (Turn(29.0, "males", 4.0),))
    t = np.linspace(20.0, 38.0, 50)
    assert males.females(t) == pytest.approx(1.0 - ONE.females(t))


def test_a_share_is_never_below_nothing_or_above_all() -> None:
    t = np.linspace(-50.0, 100.0, 1501)
    for profile in list_profiles().profiles:
        if profile.sex is not None and profile.sex.gives_share:
            share = profile.sex.females(t)
            assert share.min() >= 0.0
            assert share.max() <= 1.0


def shipped(species: str) -> SexRule:
    rule = load_profile(species).sex
    assert rule is not None
    return rule


def test_snapping_turtles_are_as_printed() -> None:
    """O'Steen 1998, abstract: 21.5 C both sexes, 24.5 C all males, 27.5 C both, 30.5 C all females."""
    share = shipped("chelydra-serpentina").females([21.5, 24.5, 27.5, 30.5])
    assert 0.2 < share[0] < 0.8
    assert share[1] < 0.01
    assert 0.05 < share[2] < 0.95
    assert share[3] > 0.97


def test_leopard_geckos_are_as_printed() -> None:
    """Flores, Tousignant & Crews 1994, abstract: females 100, 70, 25 and 95 % at 26, 30, 32.5 and 34 C."""
    share = shipped("eublepharis-macularius").females([26.0, 30.0, 32.5, 34.0])
    assert share == pytest.approx([1.0, 0.70, 0.25, 0.95], abs=0.01)


def test_painted_turtles_are_as_printed() -> None:
    """Etchberger et al. 1992, abstract: all females above 30 C, all males at most temperatures of 24 to 27 C."""
    share = shipped("chrysemys-picta").females([24.0, 27.0, 30.1])
    assert share[0] < 0.01
    assert share[1] <= 0.0501
    assert share[2] >= 0.95


def test_sliders_are_half_female_at_29_4() -> None:
    """Wibbels & Murdock, abstract: 79 males and 78 females at 29.4 C."""
    assert float(shipped("trachemys-scripta").females(29.4)) == pytest.approx(78 / 157, abs=0.01)


def test_warm_tuatara_are_males_and_their_sex_is_open_from_a_quarter_on() -> None:
    """Mitchell et al. 2006, abstract: males above 21.6 and 22.0 C; 0.25 to 0.55 of development."""
    for species, pivotal_c in (("sphenodon-guntheri", 21.6), ("sphenodon-punctatus", 22.0)):
        rule = shipped(species)
        assert [(turn.pivotal_c, turn.warm) for turn in rule.turns] == [(pivotal_c, "males")]
        assert rule.sensitive == (0.25, 0.55)


def test_no_share_is_made_up_where_no_range_was_found() -> None:
    rule = shipped("sphenodon-punctatus")
    with pytest.raises(ModelOutOfRange, match="transitional range"):
        rule.females(22.0)
    now, _ = sex_now(rule, *at(22.6), 0.1)
    assert now is not None
    assert now.females is None
    assert (now.pivotal_c, now.more) == (22.0, "males")
    cool, _ = sex_now(rule, *at(21.4), 0.1)
    assert cool is not None
    assert cool.more == "females"


# --- what weighs how much ---------------------------------------------------------------------------------------


def test_only_the_middle_third_counts() -> None:
    t = np.full(100, 20.0)
    t[34:66] = 30.0
    found = weighted_mean_c(EVEN, t)
    assert found is not None
    # The third begins and ends within hours 33 and 66, which count with two thirds of themselves.
    assert found[0] == pytest.approx((32 * 30.0 + 4 / 3 * 20.0) / (100 / 3))
    assert found[1] == 1.0


def test_an_hour_weighs_as_much_as_it_developed() -> None:
    """Georges, Limpus & Stoutjesdijk 1994: the proportion of development at a temperature, not the exposure.

    T = 28 + 3 cos, rate proportional to T - 15: mean weighted by development 28 + 3^2 / (2 (28 - 15)) = 28.346.
    """
    t = 28.0 + 3.0 * np.cos(2.0 * np.pi * (np.arange(24 * 90) + 0.5) / 24.0)
    rate = t - 15.0
    edges = np.concatenate(([0.0], np.cumsum(rate))) / rate.sum()
    found = weighted_mean_c(edges, t)
    assert found is not None
    assert found[0] == pytest.approx(28.0 + 9.0 / 26.0, abs=1e-3)


def test_what_is_not_known_has_no_weight() -> None:
    t = np.full(100, 30.0)
    t[40:60] = np.nan
    assert weighted_mean_c(EVEN, t) == pytest.approx((30.0, 1.0))
    assert weighted_mean_c(EVEN, np.full(100, np.nan)) is None


def test_nothing_is_said_before_the_middle_third_and_the_share_behind_grows_in_it() -> None:
    assert weighted_mean_c(*at(30.0, 0.33)) is None
    now, reason = sex_now(ONE, *at(30.0, 0.3), 0.1)
    assert now is None
    assert reason == "temperature decides between 33 and 67 % of development, which has not begun"
    half, _ = sex_now(ONE, *at(30.0, 0.5), 0.1)
    assert half is not None
    assert half.behind == pytest.approx(0.5)
    assert half.temperature_c == pytest.approx(30.0)


def test_eggs_part_developed_when_laid_may_begin_within_it() -> None:
    edges = np.linspace(0.5, 0.6, 11)
    found = weighted_mean_c(edges, np.full(10, 30.0))
    assert found is not None
    assert found == pytest.approx((30.0, (0.6 - 1 / 3) * 3))


@pytest.mark.parametrize(
    ("edges", "sensitive"),
    [([0.0, 0.5], MIDDLE_THIRD), ([0.0, 0.5, 0.4], MIDDLE_THIRD), ([0.0, 0.2, 0.4], (0.5, 0.5))],
)
def test_sums_that_do_not_fit_are_refused(edges: list[float], sensitive: tuple[float, float]) -> None:
    with pytest.raises(ModelOutOfRange):
        weighted_mean_c(edges, [28.0, 28.0], sensitive)


# --- the uncertainty --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mean_c", [27.0, 28.6, 29.0, 31.5])
def test_the_uncertainty_of_probe_and_pivot_passes_through_the_curve(mean_c: float) -> None:
    now, _ = sex_now(ONE, *at(mean_c), 0.3)
    assert now is not None
    u = math.hypot(0.3, 0.5)
    shares = ONE.females(mean_c + stats.norm.ppf(np.linspace(0.0005, 0.9995, 4000)) * u)
    assert now.females == pytest.approx(float(np.mean(shares)), abs=2e-3)
    # The curve rises all the way, so its quantiles are those of the temperature.
    assert now.females_p10 == pytest.approx(float(ONE.females(mean_c - 1.2816 * u)), abs=5e-3)
    assert now.females_p90 == pytest.approx(float(ONE.females(mean_c + 1.2816 * u)), abs=5e-3)


def test_a_better_probe_tells_more() -> None:
    widths = []
    for u_c in (0.05, 0.3, 0.6):
        now, _ = sex_now(ONE, *at(28.5), u_c)
        assert now is not None
        assert now.females_p10 is not None
        assert now.females_p90 is not None
        widths.append(now.females_p90 - now.females_p10)
    assert widths == sorted(widths)
    assert widths[0] < 0.8 * widths[2]


def test_between_two_turns_the_interval_reaches_both_ways() -> None:
    rule = SexRule("temperature", ("p",), (Turn(22.0, "males", 2.0), Turn(28.0, "females", 2.0)))
    now, _ = sex_now(rule, *at(25.0), 1.0)
    assert now is not None
    assert now.females_p10 is not None
    assert now.females is not None
    assert float(rule.females(25.0)) < now.females
    assert now.females_p10 >= float(rule.females(25.0)) - 1e-9


# --- refusals ---------------------------------------------------------------------------------------------------


def test_a_profile_without_a_source_says_so() -> None:
    assert sex_now(None, *at(28.0), 0.1) == (None, NOT_SAID)


@pytest.mark.parametrize("species", ["elaphe-taeniura", "pelodiscus-sinensis", "chelodina-longicollis"])
def test_genes_that_decide_are_said_so(species: str) -> None:
    now, reason = sex_now(shipped(species), *at(28.0), 0.1)
    assert now is None
    assert reason.startswith("genes decide the sex, not temperature")


def test_a_species_whose_mean_does_not_tell_is_refused_with_the_reason() -> None:
    """Warner & Shine 2011: in the jacky dragon the swing of the day counts beside the mean."""
    now, reason = sex_now(shipped("amphibolurus-muricatus"), *at(28.0), 0.1)
    assert now is None
    assert "swing of the day" in reason


def test_every_shipped_rule_names_papers_of_its_file_and_does_not_contradict_itself() -> None:
    rules = [(p, p.sex) for p in list_profiles().profiles if p.sex is not None]
    assert len(rules) >= 30
    for profile, rule in rules:
        assert rule.problem() == ""
        assert rule.papers
        assert all(profile.paper(key) is not None for key in rule.papers), profile.id


def file_with(**sex: Any) -> dict[str, Any]:
    return {**GOOD, "sex": {"by": "temperature", "papers": ["somebody-2001"], **sex}}


def test_an_own_profile_may_have_its_own_rule() -> None:
    rule = parse_profile(file_with(turns=[{"pivotal_c": 28.0, "warm": "females", "range_c": 2.0}]), "x.toml").sex
    assert rule == SexRule("temperature", ("somebody-2001",), (Turn(28.0, "females", 2.0),))
    assert parse_profile(GOOD, "x.toml").sex is None


@pytest.mark.parametrize(
    ("sex", "told"),
    [
        ({"by": "luck"}, "must be one of temperature, genes"),
        ({"papers": []}, "must name the papers"),
        ({"papers": ["nobody-1900"]}, "must name the papers"),
        ({}, "text has to say what is known"),
        ({"turns": [{"pivotal_c": 29.0, "warm": "hens"}]}, "must be one of females, males"),
        ({"turns": [{"warm": "males"}]}, "pivotal_c: is missing"),
        ({"turns": [{"pivotal_c": 84.0, "warm": "males"}]}, "degrees Celsius"),
        ({"turns": 3}, "must be a list of tables"),
        ({"text": "t", "sensitive": [0.6, 0.3]}, "the first one smaller"),
        ({"text": "t", "sensitive": "middle"}, "two developments"),
        ({"text": "t", "pivot": 29.0}, "not a key of a profile"),
        ({"by": "genes", "turns": [{"pivotal_c": 29.0, "warm": "males"}]}, "decided by genes has no turns"),
        (
            {"turns": [{"pivotal_c": 29.0, "warm": "males"}, {"pivotal_c": 31.0, "warm": "males"}]},
            "change sides each time",
        ),
    ],
)
def test_each_mistake_in_a_rule_is_told(sex: dict[str, Any], told: str) -> None:
    with pytest.raises(ConfigError, match=told):
        parse_profile(file_with(**sex), "x.toml")
