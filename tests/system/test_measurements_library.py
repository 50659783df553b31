"""The measurements of the library and of the spreads: promises, and that their parts measure what they say."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from scipy import stats

from monitor.config.library import load_profile
from monitor.core.development.curves import PublishedRates
from monitor.core.development.evidence import Spread
from monitor.core.development.species import Row
from tests.bench import library, models, spreads
from tests.bench.library import P10, P90, PROBABILITIES, Table, leave_out
from tests.oracles.rate_models import Schoolfield
from tests.peers import shared

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("library")


@pytest.mark.slow
def test_the_shipped_library_keeps_its_promises() -> None:
    found = library.measure()
    assert found.falls_short == []
    assert found.figures["within_study_inside_first_tables_n"] == 172


def test_a_temperature_is_predicted_from_the_others_alone() -> None:
    profile = load_profile("elaphe-carinata")
    found = {one.temperature_c: one for one in leave_out([Table("one study", profile.rows, profile)])}
    assert [one.inside for _, one in sorted(found.items())] == [False, True, True, False]
    # Ji & Du 2001: 24 C 74.03, 26 C 58.06, 30 C 44.4, 32 C 42.55 days.
    eggs = [row.eggs or 0 for row in profile.rows if row.temperature_c != 26.0]
    rest = PublishedRates([24.0, 30.0, 32.0], [74.03, 44.4, 42.55], eggs)
    assert found[26.0].published_days == pytest.approx(1.0 / float(rest.rate_per_day(26.0)), rel=1e-3)
    assert found[26.0].observed_days == 58.06


def table_of(days: Callable[[float], float]) -> Table:
    profile = load_profile("elaphe-carinata")
    return Table("made", tuple(Row(t, days(t), "made", 10) for t in (20.0, 22.0, 24.5, 27.0, 29.0, 31.0)), profile)


def test_each_rate_model_predicts_what_follows_its_own_rule() -> None:
    line = models.compare([table_of(lambda t: 800.0 / (t - 13.0))])
    assert [max(map(abs, line[name])) for name in ("line", "reduced_major_axis")] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert len(line["joined"]) == 4
    enzyme = Schoolfield(0.018, 18_000.0, 70_000.0, 306.0, 20.0, 31.0)
    bent = models.compare([table_of(lambda t: 1.0 / float(enzyme.rate_per_day(t)))])
    assert max(map(abs, bent["biophysical"])) < 0.01
    assert max(map(abs, bent["line"])) > 0.03


def test_a_model_that_says_never_or_cannot_be_made_counts_as_wholly_wrong() -> None:
    t, eggs = np.array([24.0, 26.0, 30.0]), np.ones(3)
    line = 800.0 / (t - 13.0)
    assert models._error(models.straight, (t, line, eggs), 12.0, 60.0) == 1.0
    assert models._error(models.straight, (t, line[::-1], eggs), 27.0, 60.0) == 1.0
    assert models._error(models.straight, (t, line, eggs), 23.0, 80.0) == pytest.approx(0.0)


@pytest.mark.slow
def test_the_curve_that_serves_is_not_beaten_by_another_model() -> None:
    shared("data", "species_constant_temperature_points.csv")
    found = models.measure(every=4)
    assert found.falls_short == []
    temperatures = found.figures["temperatures"]
    assert isinstance(temperatures, int)
    assert temperatures >= 20


def test_a_wrong_table_is_found_out() -> None:
    profile = load_profile("crocodylus-palustris")
    bad = tuple(
        Row(r.temperature_c, r.days * (1.2 if i == 5 else 1.0), r.paper, r.eggs) for i, r in enumerate(profile.rows)
    )
    good, worse = (
        [abs(one.log_error) for one in leave_out([Table("", rows, profile)]) if one.inside]
        for rows in (profile.rows, bad)
    )
    assert max(good) < 0.03
    assert max(worse) > 0.15


def test_the_window_of_a_mean_is_that_of_the_model() -> None:
    rng = np.random.default_rng(1)
    n, draws = 20, 40_000
    m = rng.normal(0.0, 0.042, draws)
    b = 0.02 * rng.standard_t(4, draws)
    e = 0.02 * rng.standard_t(4, (draws, n)).mean(axis=1)
    drawn = np.quantile(np.exp(m - b + e), PROBABILITIES)
    assert library._mean(Spread(), n, 0.02) == pytest.approx(drawn, rel=0.004)


def test_the_window_of_an_egg_holds_eggs_of_the_model_as_often_as_it_says() -> None:
    rng = np.random.default_rng(2)
    draws = 100_000
    eggs = np.exp(rng.normal(0.0, 0.042, draws) + 0.02 * rng.standard_t(4, draws) - 0.02 * rng.standard_t(4, draws))
    at = library._egg(Spread())
    assert np.mean((at[P10] <= eggs) & (eggs <= at[P90])) == pytest.approx(0.8, abs=0.006)


def test_eggs_are_counted_by_the_spread_of_their_treatment() -> None:
    profile = load_profile("elaphe-carinata")
    one = next(one for one in leave_out([Table("", profile.rows, profile)]) if one.temperature_c == 26.0)
    found = library.of_eggs([one])
    inside = stats.norm.cdf(one.egg_days_at[P90], 58.06, 1.48) - stats.norm.cdf(one.egg_days_at[P10], 58.06, 1.48)
    assert found.n == 1
    assert found.within_80_pct == pytest.approx(100 * inside)


def test_the_reliability_plot_is_of_the_library_as_it_is() -> None:
    """Made by: deploy/measure library --svg tests/reference/reliability.svg"""
    kept = library.PLOT.read_text(encoding="utf-8")
    tree = ElementTree.fromstring(kept)
    names = {node.tag.rpartition("}")[2] for node in tree.iter()}
    assert {"title", "desc", "polyline"} <= names
    assert kept == library.plot()
    assert math.isclose(float(tree.attrib["viewBox"].split()[2]), 760)


def test_a_study_is_predicted_from_the_other_studies_alone() -> None:
    profile = load_profile("natrix-natrix")
    found = {(one.table, one.temperature_c): one for one in library.leave_out_study([profile])}
    # Löwenborg et al. 2010 at 25 C: 38.4 days of 42 eggs; the other paper has 25 C itself (40.44 days, 2012).
    one = found["natrix-natrix, without lowenborg-2010", 25.0]
    assert one.observed_days == 38.4
    assert one.published_days == pytest.approx(40.44)


@pytest.mark.slow
def test_the_scale_of_heavy_tailed_differences_is_found_again() -> None:
    rng = np.random.default_rng(3)
    scale = 0.04 * spreads.NORMAL_90 / spreads.T4_90
    drawn = [spreads.Found(f"s{i % 40}", scale * float(rng.standard_t(4)), 0.0) for i in range(4000)]
    assert spreads.scale_of(drawn) == pytest.approx(0.04, rel=0.05)
    low, high = spreads.resampled(drawn, spreads.scale_of, times=100)
    assert low < spreads.scale_of(drawn) < high
    assert high - low < 0.004
    pairs = [replace(one, log=one.log * math.sqrt(2.0)) for one in drawn]
    assert spreads.scale_of(pairs, 2.0) == pytest.approx(0.04, rel=0.05)


def test_two_studies_are_compared_at_the_same_temperature() -> None:
    (at_25, at_31) = spreads.study_differences([load_profile("natrix-natrix")])
    assert at_25.log == pytest.approx(math.log(38.4 / 40.44))
    assert at_31.log == pytest.approx(math.log(29.8 / 32.62))
    assert at_25.known == pytest.approx(0.04**2 * (1 / 42 + 1 / 25))
