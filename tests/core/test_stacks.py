"""The vertical gradient of a stack, with its uncertainty."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import studentized_range

from monitor.core.boxes import Series
from monitor.core.events import HOUR_MS
from monitor.core.settings import Probe
from monitor.core.stacks import StackProfile, profile

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
