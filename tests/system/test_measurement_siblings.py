"""The measurement of two boxes of one clutch: a short run, and that it finds what it is there to find."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.core.terms.times import DAY_MS, HOUR_MS
from tests.bench import siblings
from tests.bench.siblings import CURVE, OWN, PROFILE, START, Bin, Silent, World, draw, early_look, judged


def test_a_short_run_measures_every_figure() -> None:
    found = siblings.measure(clutches=16, silent_clutches=24)
    figures = {name: float(value or 0.0) for name, value in found.figures.items()}
    for probe in ("compared", "as_bought"):
        for when in ("early", "before", "after"):
            assert figures[f"{probe}_{when}_n"] >= 8
            assert 40.0 <= figures[f"{probe}_{when}_inside_10_90_pct"] <= 100.0
        assert figures[f"{probe}_waited_1_days_n"] >= 8
    assert "elsewhere_normal_tails_after_inside_10_90_pct" in found.figures


def test_an_egg_pips_when_its_true_development_is_complete() -> None:
    rng = np.random.default_rng(1)
    ends = []
    for _ in range(400):
        nest = draw(rng, OWN, 0.0)
        for box in (0, 1):
            # Without an error of the probe, measured is true.
            done = np.cumsum(CURVE.rate_per_day(nest.measured_c[box])) / 24.0
            ends += list(np.log(done[(nest.pips_ms[box] - START) // HOUR_MS - 1]))
    # m normal 0.042; egg and box t with 4 degrees of freedom, whose variance is twice the square of the scale.
    assert np.median(ends) == pytest.approx(0.0, abs=0.006)
    assert np.std(ends) == pytest.approx((PROFILE.spread.shared**2 + 4.0 * 0.02**2) ** 0.5, rel=0.1)


def test_a_look_comes_once_or_twice_a_day_and_never_before_what_it_sees() -> None:
    rng = np.random.default_rng(2)
    nests = [draw(rng, OWN, 0.1) for _ in range(50)]
    assert {nest.look_every_ms for nest in nests} == {DAY_MS, DAY_MS // 2}
    for nest in nests:
        late = nest.look(nest.pip(0)) - nest.pip(0)
        assert 0 <= late < nest.look_every_ms
        early = early_look(nest)
        assert early is None or early < min(nest.pip(i) for i in (0, 1) if not nest.failed[i])


def test_a_world_far_from_the_model_falls_short() -> None:
    rng = np.random.default_rng(3)
    wild = [draw(rng, World("wild", egg_and_box=3.0), 0.1) for _ in range(30)]
    figures = siblings.date_figures(wild, "compared", ("before", "after"))
    assert any("instead of 80 %" in text for text in judged(figures, {"compared": []}))


def test_a_date_that_the_pip_does_not_bring_nearer_falls_short() -> None:
    figures = {
        "p_after_inside_10_90_pct": 80.0,
        "p_before_mean_absolute_error_days": 1.5,
        "p_after_mean_absolute_error_days": 1.5,
    }
    assert len(judged(figures, {"p": []})) == 1


def test_a_stated_chance_that_is_off_is_found_and_one_that_is_right_is_not() -> None:
    def cases(stated: float, came: int, n: int = 200) -> list[Silent]:
        return [Silent(i, 7, stated, i < came) for i in range(n)]

    assert not Bin.of("right", cases(0.6, 120)).off
    assert Bin.of("wrong", cases(0.6, 90)).off
    assert not Bin.of("too few", cases(0.6, 0, n=10)).off


def test_many_waits_of_one_clutch_count_as_one() -> None:
    apart = Bin.of("", [Silent(i, 7, 0.5, True) for i in range(100)])
    together = Bin.of("", [Silent(i // 10, 7, 0.5, True) for i in range(100)])
    assert apart.allowed == pytest.approx(3.0 * 0.5 / 10 + 0.005)
    assert together.allowed == pytest.approx(3.0 * 0.5 / 10**0.5 + 0.005)
