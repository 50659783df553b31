"""The vertical gradient of a stack, with its uncertainty."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm, studentized_range

from monitor.core.climate.box_temperature import Series
from monitor.core.climate.stacks import Level, StackProfile, profile
from monitor.core.terms.settings import Probe
from monitor.core.terms.times import HOUR_MS

MINUTE = 60_000


def level(
    name: str, height_cm: float, minutes: list[int], values: list[float], sd: float = 0.29, *, compared: bool = False
) -> tuple[str, float, Series]:
    probe = Probe(name, f"t/{name}", standard_uncertainty=sd, compared=compared)
    return name, height_cm, Series(probe, np.array(minutes, np.int64) * MINUTE, np.array(values, np.float64))


def even(name: str, height_cm: float, value: float, hours: int = 6, **more: Any) -> tuple[str, float, Series]:
    minutes = list(range(0, hours * 60, 10))
    return level(name, height_cm, minutes, [value] * len(minutes), **more)


def found(*levels: tuple[str, float, Series], to_h: int = 6) -> StackProfile:
    got = profile("left", levels, 0, to_h * HOUR_MS)
    assert got is not None
    return got


def test_three_heights_of_a_heated_room() -> None:
    # Mean temperatures of a held room at 0.67, 1.25 and 1.87 m: 29.87, 30.00 and 31.03 C (reference series).
    got = found(even("low", 67, 29.87), even("top", 187, 31.03), even("middle", 125, 30.0))
    assert [x.name for x in got.levels] == ["low", "middle", "top"]
    assert (got.warmest, got.coolest) == ("top", "low")
    assert got.difference_c == pytest.approx(1.16)
    assert got.difference_sd_c == pytest.approx(0.29 * 2**0.5)
    slope = np.polyfit([0.67, 1.25, 1.87], [29.87, 30.0, 31.03], 1)[0]
    assert got.gradient_c_per_m == pytest.approx(slope)
    assert got.hours == 6
    assert got.beyond_probes


def test_what_the_probes_alone_explain_is_not_beyond_them() -> None:
    assert not found(even("a", 50, 28.0), even("b", 150, 28.8)).beyond_probes
    assert found(even("a", 50, 28.0), even("b", 150, 28.83)).beyond_probes
    assert found(even("a", 50, 28.0, sd=0.1), even("b", 150, 28.3, sd=0.1)).beyond_probes


def test_compared_asks_only_the_two_levels_behind_the_difference() -> None:
    a, b, c = (even("a", 50, 28.0, compared=True), even("b", 100, 28.5), even("c", 150, 29.0, compared=True))
    assert found(a, b, c).compared
    assert not found(a, b).compared


def test_hours_in_which_one_was_quiet_do_not_count() -> None:
    warm_day = [28.0] * 18 + [32.0] * 18
    whole = level("a", 50, list(range(0, 360, 10)), warm_day)
    half = level("b", 150, list(range(0, 180, 10)), [28.0] * 18)
    got = found(whole, half)
    assert got.difference_c == pytest.approx(0.0)
    assert got.hours == 3


def test_a_fast_and_a_slow_probe_weigh_every_hour_alike() -> None:
    # The fast one spoke fifty times in the warm hour and once in the cool ones.
    minutes = [*range(50), 70, 130, 190, 250, 310]
    fast = level("a", 50, minutes, [33.0] * 50 + [27.0] * 5)
    slow = level("b", 150, [30, 90, 150, 210, 270, 330], [33.0] + [27.0] * 5)
    assert found(fast, slow).difference_c == pytest.approx(0.0)


def test_no_profile_without_two_levels_or_a_common_hour() -> None:
    assert profile("left", [], 0, HOUR_MS) is None
    assert profile("left", [even("a", 50, 28.0)], 0, 6 * HOUR_MS) is None
    early, late = level("a", 50, [0, 10, 20], [28.0] * 3), level("b", 50, [70, 80, 90], [28.0] * 3)
    assert profile("left", [early, late], 0, 6 * HOUR_MS) is None
    few = level("b", 150, [0, 10], [28.0] * 2)
    assert profile("left", [even("a", 50, 28.0), few], 0, 6 * HOUR_MS) is None
    outside = even("b", 150, 28.0)
    assert profile("left", [even("a", 50, 28.0), outside], 7 * HOUR_MS, 9 * HOUR_MS) is None


def test_two_levels_at_one_height_have_no_gradient() -> None:
    got = found(even("a", 50, 28.0), even("b", 50, 29.0))
    assert got.gradient_c_per_m is None
    assert got.difference_c == pytest.approx(1.0)


@pytest.mark.parametrize("n", range(2, 11))
def test_of_several_levels_that_are_alike_one_case_in_twenty_looks_uneven(n: int) -> None:
    """The warmest and the coolest of many were picked: the bound is that of a range (studentized range, as scipy
    has it), and for two levels the usual two standard uncertainties."""
    bound = studentized_range.ppf(0.95, n, 1e7) / 2**0.5 if n > 2 else 2.0

    def uneven(factor: float) -> bool:
        difference = factor * bound * 0.1 * 2**0.5
        levels = [even(f"l{i}", 10.0 * i, 28.0, sd=0.1) for i in range(n - 1)]
        return found(*levels, even("top", 200.0, 28.0 + difference, sd=0.1)).beyond_probes

    assert not uneven(0.99)
    assert uneven(1.01)


def test_of_one_session_only_the_probes_own_errors_part_two_levels() -> None:
    def of(name: str, height_cm: float, value: float, session: str) -> tuple[str, float, Series]:
        _, _, series = even(name, height_cm, value, compared=True)
        probe = replace(series.probe, standard_uncertainty=0.5, common_c=0.4, session=session)
        return name, height_cm, replace(series, probe=probe)

    same = found(of("a", 50, 28.0, "s1"), of("b", 150, 28.9, "s1"))
    other = found(of("a", 50, 28.0, "s1"), of("b", 150, 28.9, "s2"))
    assert same.difference_sd_c == pytest.approx(0.3 * 2**0.5)
    assert other.difference_sd_c == pytest.approx(0.5 * 2**0.5)
    assert same.beyond_probes
    assert not other.beyond_probes


def at(*levels: tuple[float, float], u_c: float = 0.1, session: str = "", common_c: float = 0.0) -> StackProfile:
    """(height, temperature) of levels, from the lowest up."""
    made = tuple(Level(f"at {h:.0f}", h, t, float(np.hypot(u_c, common_c)), True, common_c, session) for h, t in levels)
    warm, cool = max(made, key=lambda x: x.mean_c), min(made, key=lambda x: x.mean_c)
    sd = warm.error.against(cool.error)
    return StackProfile("left", made, warm.mean_c - cool.mean_c, sd, None, warm.name, cool.name, 0, HOUR_MS, 1)


def test_each_level_is_judged_against_the_one_below_with_a_chance() -> None:
    lower, upper = at((50, 28.0), (100, 28.1), (150, 28.0)).steps
    assert lower.chance == pytest.approx(norm.cdf(0.1 / (0.1 * 2**0.5)))
    assert upper.difference_c == pytest.approx(-0.1)
    assert upper.chance == pytest.approx(lower.chance)
    # Of one session only their own errors count.
    (step,) = at((50, 28.0), (100, 28.3), session="s1", common_c=0.4).steps
    assert step.sd_c == pytest.approx(0.1 * 2**0.5)


def test_the_line_over_height_is_robust_and_its_interval_holds_the_truth() -> None:
    rng = np.random.default_rng(3)
    heights = [40.0, 80.0, 120.0, 160.0]
    held = []
    for _ in range(400):
        common = rng.normal(0.0, 0.3)
        levels = [(h, 27.0 + 0.8 * h / 100 + common + rng.normal(0.0, 0.1)) for h in heights]
        line = at(*levels, session="s1", common_c=0.3).gradient
        assert line is not None
        held.append(line.low <= 0.8 <= line.high)
    assert np.mean(held) > 0.93
    assert at((50, 28.0), (50, 29.0)).gradient is None


def test_a_level_that_stands_out_is_named_and_left_out_of_the_line() -> None:
    rising = [(50.0, 27.5), (90.0, 28.0), (130.0, 28.4), (170.0, 28.9)]
    assert at(*rising, u_c=0.29).odd is None
    for i, off, u_c in ((1, 2.2, 0.29), (1, -2.0, 0.29), (2, 2.0, 0.29), (1, 1.2, 0.05), (2, -1.2, 0.05)):
        wrong = [(h, t + (off if j == i else 0.0)) for j, (h, t) in enumerate(rising)]
        got = at(*wrong, u_c=u_c)
        assert got.odd is not None
        assert got.odd.level.name == f"at {rising[i][0]:.0f}"
        assert np.sign(got.odd.off_c) == np.sign(off)
        assert got.gradient is not None
        assert got.gradient.c_per_m == pytest.approx(1.15, abs=0.1)


def test_a_curved_profile_and_three_levels_name_nobody() -> None:
    # The three heights of a room held at 30 C, whose middle is far off the line; and the same bend with four levels.
    assert at((67, 29.87), (125, 30.0), (187, 31.03)).odd is None
    assert at((67, 29.87), (100, 29.92), (125, 30.0), (187, 31.03)).odd is None
    assert at((50, 28.0), (100, 31.0), (150, 28.2)).odd is None


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_levels_that_are_right_seldom_stand_out(seed: int) -> None:
    rng = np.random.default_rng(seed)
    named = 0
    for _ in range(300):
        rise, bend = rng.uniform(0.0, 2.0), rng.uniform(-0.4, 0.4)
        x = np.linspace(0.0, 1.0, int(rng.integers(4, 8)))
        true = 28.0 + rise * x + bend * 4 * x * (1 - x)
        named += (
            at(*((50 + 120 * a, t + rng.normal(0.0, 0.2)) for a, t in zip(x, true, strict=True)), u_c=0.2).odd
            is not None
        )
    assert named / 300 < 0.02


def test_a_height_is_found_for_a_temperature_with_what_it_may_be_off() -> None:
    got = at((50, 27.0), (100, 28.0), (150, 29.0), u_c=0.05)
    place = got.place_for(28.4)
    assert place is not None
    assert place.height_cm == pytest.approx(120.0)
    assert place.low_cm is not None
    assert place.high_cm is not None
    # Twice the probes' 0.05 on 2 K a metre are 5 cm, and the profile may be bent between the two.
    assert place.low_cm < 115.0
    assert 125.0 < place.high_cm < 150.0
    assert got.place_for(29.5) is None
    # Where an end lies beyond the levels there is none.
    assert got.place_for(28.9).high_cm is None  # type: ignore[union-attr]
    # Of two heights the nearer.
    bent = at((50, 27.0), (100, 28.0), (150, 27.0), u_c=0.05)
    assert bent.place_for(27.5, 140.0).height_cm == pytest.approx(125.0)  # type: ignore[union-attr]
    assert bent.place_for(27.5, 60.0).height_cm == pytest.approx(75.0)  # type: ignore[union-attr]


def test_noise_and_step_of_the_code_are_in_the_mean_and_shrink_with_more_readings() -> None:
    rng = np.random.default_rng(1)

    def of(hours: int) -> float:
        n = hours * 60
        value = np.round((28.0 + rng.normal(0.0, 0.2, n)) * 16) / 16
        return (
            found(level("a", 50, list(range(n)), value.tolist()), even("b", 100, 28.0, hours), to_h=hours)
            .levels[0]
            .noise_c
        )

    short, long = of(1), of(24)
    assert short == pytest.approx(0.2 / 60**0.5, rel=0.35)
    assert long == pytest.approx(0.2 / (24 * 60) ** 0.5, rel=0.5)
    got = found(even("a", 50, 28.0), even("b", 100, 28.0))
    assert got.levels[0].noise_c == 0.0


@given(
    st.lists(st.integers(0, 5_000_000), min_size=3, max_size=60, unique=True).map(sorted),
    st.integers(1, 6),
    st.sampled_from([0.0, 0.13, 1.0 / 3.0]),
    st.integers(0, 2**32 - 1),
)
def test_what_is_quick_says_what_the_definitions_say(times: list[int], places: int, offset_c: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    value = np.round(28.0 + rng.choice([0.01, 1.0]) * rng.standard_normal(len(times)), places) + offset_c
    at = np.array(times, np.int64) * 10
    low, high = (
        (name, height, Series(Probe(name, name), at, value + more))
        for name, height, more in (("a", 50, 0), ("b", 90, 1))
    )
    got = found(low, high, to_h=14)
    hours = at // HOUR_MS
    assert got.levels[0].mean_c == pytest.approx(float(np.mean([value[hours == h].mean() for h in set(hours)])))
    assert got.gradient_c_per_m == pytest.approx(2.5)
    codes = np.unique(np.round(value, 6))
    if len(codes) < 2:
        assert got.levels[0].noise_c == 0.0
        return
    noise = np.std(np.diff(value)) / 2**0.5 / len(value) ** 0.5
    step = np.diff(codes).min() / 12**0.5 / len(codes) ** 0.5
    assert got.levels[0].noise_c == pytest.approx(float(np.hypot(noise, step)), abs=1e-9)
