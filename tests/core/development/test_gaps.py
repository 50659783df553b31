"""Over the gaps of a box's hours: how each kind of gap is filled, how sure that is, and how it adds up."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.core.development.curves import PublishedRates
from monitor.core.development.gaps import LEAST_SD_C, Filled, HourTable, fill

CURVE = PublishedRates([22.0, 24.0, 27.0, 30.0, 32.0], [101.7, 86.0, 66.3, 53.9, 50.5])


def table(means: list[float | None], covered: list[float] | None = None, first: int = 1000) -> HourTable:
    """Hourly means; None is an hour without a reading."""
    mean = np.array([np.nan if m is None else m for m in means], np.float64)
    share = np.array(covered if covered is not None else [0.0 if m is None else 1.0 for m in means])
    rate = np.where(np.isnan(mean), 0.0, CURVE.rate_per_day(np.nan_to_num(mean)))
    base = np.maximum(np.nan_to_num(mean) - CURVE.base_c, 0.0)
    return HourTable(first, rate * share / 24, base * share / 24, mean, share * 3600.0, np.full(len(mean), 3600.0))


def test_without_a_gap_nothing_is_filled() -> None:
    whole = table([28.0] * 10)
    got = fill(whole, CURVE)
    assert (got.filled_s.sum(), got.development_sd, dict(got.how)) == (0.0, 0.0, {})
    assert got.development == pytest.approx(whole.development)


def test_rounding_at_the_seams_is_no_gap() -> None:
    assert fill(table([28.0] * 3, [1.0, 0.9999, 1.0]), CURVE).filled_s.sum() == 0.0


def test_a_short_gap_is_bridged_by_a_straight_line() -> None:
    got = fill(table([28.0, None, None, 31.0]), CURVE)
    assert got.temperature_c == pytest.approx([28.0, 29.0, 30.0, 31.0])
    assert dict(got.how) == {"line": 7200.0}
    slope = (CURVE.rate_per_day(29.1) - CURVE.rate_per_day(28.9)) / 0.2
    slope += (CURVE.rate_per_day(30.1) - CURVE.rate_per_day(29.9)) / 0.2
    assert got.development_sd == pytest.approx(LEAST_SD_C["line"] * float(slope) / 24)
    assert got.development[1] == pytest.approx(float(CURVE.rate_per_day(29.0)) / 24)
    assert got.degree_days[1] == pytest.approx((29.0 - CURVE.base_c) / 24)


def test_an_hour_partly_measured_is_filled_with_its_own_mean() -> None:
    got = fill(table([28.0, 29.0, 28.0], [1.0, 0.5, 1.0]), CURVE)
    assert got.filled_s.tolist() == [0.0, 1800.0, 0.0]
    assert got.development[1] == pytest.approx(float(CURVE.rate_per_day(29.0)) / 24)


def test_short_is_told_by_the_time_that_is_missing_not_by_the_hours_it_touches() -> None:
    # 5.5 hours missing that touch seven hours.
    got = fill(table([28.0, 28.0, *[None] * 5, 30.0, 30.0], [1.0, 0.75, 0, 0, 0, 0, 0, 0.75, 1.0]), CURVE)
    assert set(got.how) == {"line"}
    got = fill(table([28.0, 28.0, *[None] * 6, 30.0, 30.0], [1.0, 0.75, 0, 0, 0, 0, 0, 0, 0.75, 1.0]), CURVE)
    assert set(got.how) == {"own days"}


def test_a_newest_reading_that_is_a_little_old_still_holds() -> None:
    got = fill(table([28.0, 28.5, None, None]), CURVE)
    assert got.temperature_c.tolist() == [28.0, 28.5, 28.5, 28.5]
    assert set(got.how) == {"line"}


def days(n: int, middle: float = 28.0) -> list[float | None]:
    return [middle + 2 * np.sin(2 * np.pi * h / 24) for h in range(24 * n)]


def test_a_long_gap_takes_the_steadiest_neighbour_and_its_usual_difference() -> None:
    own, near = days(6, 28.0), days(6, 27.0)
    wild = [t + 3 * np.cos(i) for i, t in enumerate(near) if t is not None]
    hidden = own[70:110]
    own[70:110] = [None] * 40
    got = fill(table(own), CURVE, [table(wild), table(near)])
    assert dict(got.how) == {"neighbours": 40 * 3600.0}
    assert got.temperature_c[70:110] == pytest.approx(np.array(hidden, np.float64), abs=1e-9)


@pytest.mark.parametrize("first", [1000, 990, 1008])
def test_a_neighbour_s_hours_are_matched_by_the_clock(first: int) -> None:
    own = days(6)
    own[70:110] = [None] * 40
    shift = first - 1000
    near = [27.0 + 2 * np.sin(2 * np.pi * (h + shift) / 24) for h in range(24 * 6)]
    got = fill(table(own), CURVE, [table(near, first=first)])
    assert got.temperature_c[70:110] == pytest.approx([28.0 + 2 * np.sin(2 * np.pi * h / 24) for h in range(70, 110)])


def test_a_neighbour_that_was_away_itself_is_not_used() -> None:
    own, near = days(6), days(6, 27.0)
    own[70:110], near[80:90] = [None] * 40, [None] * 10
    assert set(fill(table(own), CURVE, [table(near)]).how) == {"own days"}
    near = days(6, 27.0)
    near[80:85] = [None] * 5
    assert set(fill(table(own), CURVE, [table(near)]).how) == {"neighbours"}


def test_own_days_are_the_same_hours_of_the_days_before() -> None:
    own = days(6)
    own[72:110] = [None] * 38
    got = fill(table(own), CURVE)
    assert got.temperature_c[72:110] == pytest.approx([28.0 + 2 * np.sin(2 * np.pi * h / 24) for h in range(72, 110)])
    assert dict(got.how) == {"own days": 38 * 3600.0}


def test_a_gap_at_the_beginning_takes_what_came_after() -> None:
    got = fill(table([None] * 40 + [28.0] * 40), CURVE)
    assert got.temperature_c[:40] == pytest.approx(np.full(40, 28.0))
    assert dict(got.how) == {"own days": 40 * 3600.0}


def test_where_nothing_is_known_only_an_assumption_fills_and_it_is_called_so() -> None:
    nothing = table([None] * 10)
    bare = fill(nothing, CURVE)
    assert (bare.filled_s.sum(), dict(bare.how)) == (0.0, {})
    assert np.isnan(bare.temperature_c).all()
    assumed = fill(nothing, CURVE, fallback_c=28.0)
    assert dict(assumed.how) == {"assumed": 36000.0}
    assert assumed.development_sd > 5 * fill(table([28.0, *[None] * 4, 28.0]), CURVE).development_sd


def test_gaps_are_independent_and_hours_of_one_gap_are_not() -> None:
    one = fill(table([28.0, None, 28.0]), CURVE).development_sd
    three_apart = fill(table([28.0, None, 28.0, None, 28.0, None, 28.0]), CURVE).development_sd
    three_together = fill(table([28.0, None, None, None, 28.0]), CURVE).development_sd
    assert three_apart == pytest.approx(one * 3**0.5)
    assert three_together == pytest.approx(one * 3)


def test_the_edges_of_a_span_ask_for_parts_of_hours_only() -> None:
    t = table([28.0, None, 28.0])
    edge = HourTable(
        t.first_hour, t.development, t.degree_days, t.mean_c, t.covered_s, np.array([3600.0, 3600.0, 3600.0])
    )
    edge.need_s[1] = 900.0
    assert fill(edge, CURVE).filled_s.tolist() == [0.0, 900.0, 0.0]


# -- the limits of each way ----------------------------------------------------------------------------------------


def sd_c(got: Filled) -> float:
    """The standard uncertainty of the filled temperature, from that of the development that was filled with it.

    The hours of one gap are wholly correlated, and the slope of the curve carries it over.
    """
    t = got.temperature_c
    slope = (CURVE.rate_per_day(t + 0.1) - CURVE.rate_per_day(t - 0.1)) / 0.2
    return got.development_sd / float(np.sum(np.abs(slope) * got.filled_s / 86400.0))


def test_each_way_is_no_better_known_than_what_is_said_of_it() -> None:
    """A third of a degree by a line or from neighbours, 0.6 from own days, two where nothing is known."""
    steady: list[float | None] = [28.0] * 72
    gap = [*steady, *[None] * 24, *steady]
    beside: list[float | None] = [27.0] * len(gap)
    assert sd_c(fill(table([28.0, None, 28.0]), CURVE)) == pytest.approx(0.3)
    assert sd_c(fill(table([28.0, None]), CURVE)) == pytest.approx(0.3)
    assert sd_c(fill(table(gap), CURVE, [table(beside)])) == pytest.approx(0.3)
    assert sd_c(fill(table(gap), CURVE)) == pytest.approx(0.6)
    assert sd_c(fill(table([None] * 10), CURVE, fallback_c=28.0)) == pytest.approx(2.0)


def test_a_neighbour_is_as_unsure_as_its_difference_wanders_and_own_days_as_they_do() -> None:
    rng = np.random.default_rng(4)
    wander = rng.normal(0.0, 1.5, 24 * 7)
    own: list[float | None] = [28.0 + float(w) for w in wander]
    gap = [*own, *[None] * 24]
    beside: list[float | None] = [27.0] * len(gap)
    assert sd_c(fill(table(gap), CURVE, [table(beside)])) == pytest.approx(float(np.std(wander)))
    assert sd_c(fill(table(gap), CURVE)) == pytest.approx(float(np.std(wander)))


@pytest.mark.parametrize("seed", range(3))
def test_what_is_filled_is_filled_exactly_once_and_what_was_measured_stays(seed: int) -> None:
    """Over any pattern of gaps: hours wholly measured keep their sums, and the seconds by way are those by hour."""
    rng = np.random.default_rng(seed)
    covered = rng.choice([0.0, 0.3, 1.0], 200, p=[0.2, 0.1, 0.7])
    hours = table([float(28.0 + rng.normal()) if c else None for c in covered], covered.tolist())
    got = fill(hours, CURVE)
    assert got.filled_s == pytest.approx(3600.0 * (1.0 - covered))
    assert sum(got.how.values()) == pytest.approx(float(got.filled_s.sum()))
    assert not np.isnan(got.temperature_c).any()
    whole = covered == 1.0
    assert got.development[whole].tolist() == hours.development[whole].tolist()
    assert (got.development >= hours.development).all()
    empty = covered == 0.0
    t = got.temperature_c[empty]
    assert got.development[empty] == pytest.approx(CURVE.rate_per_day(t) / 24)
    assert got.degree_days[empty] == pytest.approx(np.maximum(t - CURVE.base_c, 0.0) / 24)


@pytest.mark.parametrize("ends", [(28.0, 30.0), (28.0, None)])
def test_six_hours_are_short_and_more_are_not(ends: tuple[float, float | None]) -> None:
    for hours, way in ((6, "line"), (7, "own days")):
        gap = [*[ends[0]] * 24, *[None] * hours, *([ends[1]] * 24 if ends[1] else [])]
        assert set(fill(table(gap), CURVE).how) == {way}


def test_the_difference_to_a_neighbour_is_that_of_seven_days_before_and_after() -> None:
    """It stood elsewhere until eight days before the gap, and from eight days after it on: that tells nothing of it."""
    week = 24 * 7
    own: list[float | None] = [*[20.0] * 24, *[28.0] * week, *[None] * 24, *[28.0] * week, *[20.0] * 24]
    near: list[float | None] = [27.0] * len(own)
    got = fill(table(own), CURVE, [table(near)])
    assert dict(got.how) == {"neighbours": 24 * 3600.0}
    assert got.temperature_c[24 + week : 48 + week] == pytest.approx(np.full(24, 28.0))
    alone = fill(table(own), CURVE)
    assert dict(alone.how) == {"own days": 24 * 3600.0}
    assert alone.temperature_c[24 + week : 48 + week] == pytest.approx(np.full(24, 28.0))


def test_a_neighbour_that_has_less_than_twelve_hours_in_common_is_not_asked() -> None:
    for common, way in ((11, "own days"), (12, "neighbours")):
        own: list[float | None] = [*[28.0] * common, *[None] * 24]
        assert set(fill(table(own), CURVE, [table([27.0] * len(own))]).how) == {way}


def test_an_hour_of_which_less_than_a_minute_was_measured_says_nothing_of_its_temperature() -> None:
    for share, known in ((59.0 / 3600.0, False), (1.0 / 60.0, True)):
        got = fill(table([28.0, 40.0, 28.0], [1.0, share, 1.0]), CURVE)
        assert got.temperature_c[1] == (40.0 if known else 28.0)


def test_six_hours_before_a_gap_are_enough_and_of_fewer_those_after_it_are_asked_too() -> None:
    for before in range(1, 10):
        own: list[float | None] = [*[26.0] * before, *[None] * 20, *[30.0] * 12]
        got = fill(table(own), CURVE)
        assert dict(got.how) == {"own days": 20 * 3600.0}
        expected = 26.0 if before >= 6 else (26.0 * before + 30.0 * 12) / (before + 12)
        assert float(got.temperature_c[before + 12]) == pytest.approx(expected), before
