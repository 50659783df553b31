"""The measurement of one figure: what it promises, and that a species left out is left out."""

from __future__ import annotations

import math

import pytest

from monitor.config.library import load_profile
from monitor.core.development.groups import BASES, base_of
from monitor.core.development.species import Row
from tests.bench import one_figure

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("one-figure")


@pytest.mark.slow
def test_windows_of_species_left_out_hold_what_they_say() -> None:
    found = one_figure.measure(anew=False)
    assert found.falls_short == []
    figures = {key: float(value or 0.0) for key, value in found.figures.items()}
    assert figures["species"] >= 60
    for key in ("one_within_5_c_eggs_in_10_90_pct", "other_papers_within_5_c_eggs_in_10_90_pct"):
        assert 75.0 <= figures[key] <= 88.0
    assert figures["one_within_1p5_c_mean_error_pct"] < 3.2
    assert figures["one_within_3_c_mean_error_pct"] < 6.7
    assert figures["two_mean_error_pct"] < figures["two_by_the_table_alone_mean_error_pct"]


def test_a_species_left_out_is_not_among_its_relatives() -> None:
    profile = load_profile("elaphe-carinata")
    rest = one_figure.without(profile)
    assert sorted((*rest["snake"]["Colubridae"], 12.8)) == sorted(BASES["snake"]["Colubridae"])
    assert rest["turtle"] == BASES["turtle"]


def test_one_figure_asked_of_another_is_the_line_of_its_relatives() -> None:
    profile = load_profile("elaphe-carinata")
    base = base_of("snake", "Colubridae", one_figure.without(profile))
    at = {row.temperature_c: row for row in profile.rows}
    found = one_figure.ask(profile, [at[26.0]], at[30.0], base)
    assert found is not None
    # Ji & Du 2001: 58.06 days at 26 C, 44.4 at 30 C.
    told = 58.06 * (26.0 - base.mean_c) / (30.0 - base.mean_c)
    assert math.exp(found.log_error) == pytest.approx(told / 44.4, rel=0.03)
    assert found.away_c == 4.0
    wrong = one_figure.ask(profile, [at[26.0]], Row(30.0, 90.0, "made", 20, 2.0), base)
    assert wrong is not None
    assert not wrong.mean_in_window
    assert wrong.in_window == pytest.approx(0.0, abs=1e-3)
