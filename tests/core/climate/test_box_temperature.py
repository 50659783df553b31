"""From probes to the temperature of a box, and over its gaps."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from monitor.core.climate.box_temperature import BoxSeries, Series, box_series, probes_for
from monitor.core.development.curves import PublishedRates
from monitor.core.development.gaps import LEAST_SD_C, HourTable, fill
from monitor.core.terms.settings import Box, Probe, Room
from monitor.core.terms.times import HOUR_MS

MINUTE = 60_000
CURVE = PublishedRates([22.0, 24.0, 27.0, 30.0, 32.0], [101.7, 86.0, 66.3, 53.9, 50.5])


def series(name: str, minutes: list[float], values: list[float], interval_s: float = 60.0, **more: Any) -> Series:
    probe = Probe(name, f"t/{name}", interval_s=interval_s, **more)
    return Series(probe, np.array([round(m * MINUTE) for m in minutes], np.int64), np.array(values))


# -- the temperature of a box -------------------------------------------------------------------------------------


def test_a_box_with_one_probe_is_as_its_probe_says() -> None:
    own = series("a", [0, 1, 2], [28.0, 28.5, 29.0], standard_uncertainty=0.2)
    got = box_series([own])
    assert got.temperature_c.tolist() == [28.0, 28.5, 29.0]
    assert (got.uncertainty_c, got.max_gap_s, got.source) == (0.2, 7200.0, "its own probe")


def test_several_probes_are_averaged_between_their_readings() -> None:
    a, b = series("a", [0, 10, 20], [28.0, 29.0, 30.0]), series("b", [5, 15], [30.0, 32.0], standard_uncertainty=0.4)
    got = box_series([a, b])
    assert (got.time_ms / MINUTE).tolist() == [0, 5, 10, 15, 20]
    assert got.temperature_c == pytest.approx([28.0, 29.25, 30.0, 30.75, 30.0])
    assert got.uncertainty_c == pytest.approx(np.hypot(0.29, 0.4) / 2)
    assert got.source == "the mean of its 2 probes"


def test_as_heard_each_probe_counts_with_its_newest_reading_until_it_is_quiet() -> None:
    a = series("a", [0, 10, 20, 30, 40], [28.0, 29.0, 30.0, 30.0, 30.0])
    b = series("b", [5, 15], [30.0, 32.0], quiet_after_s=900.0)
    got = box_series([a, b], as_heard=True)
    assert (got.time_ms / MINUTE).tolist() == [0, 5, 10, 15, 20, 30, 40]
    assert got.temperature_c == pytest.approx([28.0, 29.0, 29.5, 30.5, 31.0, 30.0, 30.0])


@pytest.mark.parametrize("cut", range(1, 8))
def test_as_heard_nothing_that_comes_later_changes_what_was(cut: int) -> None:
    times = [0.0, 5, 10, 15, 20, 30, 40]
    a, b = times[::2], times[1::2]
    whole = box_series(
        [series("a", a, [28.0 + m / 10 for m in a]), series("b", b, [30.0 - m / 9 for m in b])], as_heard=True
    )
    known = set(times[:cut])
    a, b = [m for m in a if m in known], [m for m in b if m in known]
    part = box_series(
        [series("a", a, [28.0 + m / 10 for m in a]), series("b", b, [30.0 - m / 9 for m in b])], as_heard=True
    )
    assert part.temperature_c == pytest.approx(whole.temperature_c[:cut])


def test_a_probe_s_long_step_is_no_measurement_in_between() -> None:
    a, b = series("a", [0, 200], [20.0, 20.0]), series("b", [0, 60, 120, 200], [30.0, 30.0, 30.0, 30.0])
    assert box_series([a, b]).temperature_c == pytest.approx([25.0, 30.0, 30.0, 25.0])


def test_a_box_without_a_probe_is_interpolated_over_the_height_and_less_certain() -> None:
    low, high = series("low", [0, 10], [28.0, 28.0]), series("high", [0, 10], [30.0, 31.0])
    got = box_series([], [(150.0, high), (50.0, low)], 75.0)
    assert got.temperature_c == pytest.approx([28.5, 28.75])
    assert got.uncertainty_c == pytest.approx(np.hypot(0.29, 0.5))
    for height, expected in ((0.0, 28.0), (50.0, 28.0), (150.0, 30.0), (300.0, 30.0)):
        assert box_series([], [(150.0, high), (50.0, low)], height).temperature_c[0] == expected


def test_a_box_without_any_probe_knows_nothing() -> None:
    got = box_series([], [(50.0, series("x", [], []))], 75.0)
    assert (len(got.time_ms), got.source) == (0, "no probe")
    assert len(box_series([series("x", [], [])]).time_ms) == 0


def test_what_is_joined_does_not_hang_on_which_probe_has_readings_here() -> None:
    slow = series("slow", [], [], interval_s=7200.0)
    assert box_series([series("a", [0], [28.0]), slow]).max_gap_s == 21600.0
    assert box_series([slow, slow]).max_gap_s == 21600.0


# -- a part of a series ------------------------------------------------------------------------------------------


def a_series(minutes: list[float], values: list[float]) -> BoxSeries:
    return BoxSeries(
        np.array([round(m * MINUTE) for m in minutes], np.int64), np.array(values, np.float64), 7200.0, 0.0, ""
    )


@pytest.mark.parametrize(
    ("span", "minutes", "values"),
    [
        ((0, 30), [0, 10, 20, 30], [20, 21, 22, 23]),
        ((5, 25), [5, 10, 20, 25], [20.5, 21, 22, 22.5]),
        ((12, 17), [12, 17], [21.2, 21.7]),
        ((10, 10), [10], [21]),
        ((-20, 5), [0, 5], [20, 20.5]),
        ((25, 90), [25, 30], [22.5, 23]),
        ((-20, -10), [], []),
        ((40, 90), [], []),
        ((30, 90), [30], [23]),
    ],
)
def test_a_part_ends_where_it_was_cut_and_invents_nothing_beyond(
    span: tuple[float, float], minutes: list[float], values: list[float]
) -> None:
    got = a_series([0, 10, 20, 30], [20, 21, 22, 23]).clipped(*(round(m * MINUTE) for m in span))
    assert (got.time_ms / MINUTE).tolist() == minutes
    assert got.temperature_c == pytest.approx(values)


def test_a_cut_inside_a_gap_has_no_end_point() -> None:
    got = a_series([0, 200], [20.0, 22.0]).clipped(10 * MINUTE, 250 * MINUTE)
    assert (got.time_ms / MINUTE).tolist() == [200]
    assert len(a_series([], []).clipped(0, MINUTE).time_ms) == 0


# -- gaps ------------------------------------------------------------------------------------------------------


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


def test_the_probes_of_a_box_and_those_around_it() -> None:
    room = Room(
        "r", "UTC", "C", ("left", "right"),
        (Box("a", "left", 50.0), Box("b", "left", 100.0), Box("c", "right", 100.0)),
        (
            Probe("pa", "t/pa", box="a"),
            Probe("ha", "t/ha", "humidity", "%", box="a"),
            Probe("air", "t/air", stack="left", height_cm=75.0),
            Probe("pc", "t/pc", box="c"),
            Probe("lost", "t/lost"),
        ),
    )  # fmt: skip
    own, around = probes_for(room, room.boxes[0])
    assert [p.id for p in own] == ["pa"]
    assert [(h, p.id) for h, p in around] == [(75.0, "air")]
    own, around = probes_for(room, room.boxes[1])
    assert (own, [(h, p.id) for h, p in around]) == ((), [(50.0, "pa"), (75.0, "air")])
    assert HOUR_MS == 60 * MINUTE
