"""Development: sums are exact, do not depend on how a series is cut or how often it was read, and hide no gap."""

from __future__ import annotations

import itertools
import math
import random
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate

from monitor.core.development.curves import PublishedRates, RateCurve
from monitor.core.development.development import hourly_parts
from monitor.core.terms.arrays import Values
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import ModelOutOfRange
from tests.oracles.rate_models import Schoolfield, StraightLine, mean_kinetic_temperature_c
from tests.oracles.sums import (
    SHAPES,
    Cutoff,
    Shape,
    daily_degree_days,
    degree_days,
    excess,
    integrate_rate,
    mean_rule_degree_days,
    rate_equivalent_temperature_c,
)

# Crocodylus palustris: Lang, Andrews & Whitaker 1989, Am. Zool. 29:935-952.
MUGGER = PublishedRates(
    [28.0, 28.5, 29.0, 29.5, 30.0, 30.5, 31.0, 31.5, 32.0, 32.5, 33.0],
    [99.8, 93.1, 89.3, 83.6, 79.8, 76.3, 72.8, 70.6, 66.9, 65.4, 63.4],
)
LINE = StraightLine(15.0, 800.0, 24.0, 32.0, upper_c=31.0)
BENT = Schoolfield(0.10644042, 10490.0, 69113.0, 305.0, 10.0, 35.0, -44373.0, 282.810707)
CURVES: list[RateCurve] = [MUGGER, LINE, BENT]
START_MS = 1_700_000_000_123


def _series(hours: list[float], celsius: list[float]) -> tuple[npt.NDArray[np.int64], Values]:
    return np.array([round(h * HOUR_MS) for h in hours], dtype=np.int64), np.array(celsius)


@st.composite
def series(draw: st.DrawFn, most: int = 25) -> tuple[npt.NDArray[np.int64], Values]:
    """Times from a millisecond to days apart, temperatures of an egg room and of a broken one, many repeats."""
    n = draw(st.integers(2, most))
    gaps = draw(
        st.lists(
            st.sampled_from([0, 1, 999, 60_000, 600_000, HOUR_MS, 5 * HOUR_MS + 7, 3 * DAY_MS]), min_size=n, max_size=n
        )
    )
    one = st.one_of(st.floats(5.0, 45.0), st.sampled_from([15.0, 28.0, 28.000001, 30.0, 31.0, 33.0]))
    celsius = draw(st.lists(one, min_size=n, max_size=n))
    return START_MS + np.cumsum(np.array(gaps, dtype=np.int64)), np.array(celsius)


# --- the integral -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: curve.name)
def test_the_integral_is_that_of_quadrature_over_time(curve: RateCurve) -> None:
    t, c = _series([0.0, 6.0, 6.5, 30.0, 50.0, 50.001, 75.0], [20.0, 31.0, 31.0000001, 34.5, 27.0, 13.0, 29.9])
    total = 0.0
    for i in range(len(t) - 1):
        for p in range(64):  # thin slices, so that joins of the curve do not spoil the oracle
            a = t[i] + (t[i + 1] - t[i]) * p / 64
            b = t[i] + (t[i + 1] - t[i]) * (p + 1) / 64
            total += integrate.quad(
                lambda x: float(curve.rate_per_day(np.interp(x, t, c))), a, b, epsabs=0, epsrel=1e-11
            )[0]
    assert integrate_rate(t, c, curve) == pytest.approx(total / DAY_MS, rel=1e-6)


def test_a_constant_temperature_completes_development_in_the_published_days() -> None:
    t = np.array([0, round(79.8 * DAY_MS)])
    assert integrate_rate(t, [30.0, 30.0], MUGGER) == pytest.approx(1.0, rel=1e-12)
    assert integrate_rate(t, [30.0, 30.0 + 1e-13], MUGGER) == pytest.approx(1.0, rel=1e-12)


def test_the_mean_temperature_would_give_another_development_where_the_curve_bends() -> None:
    # Alternating 30 / 20 C is slower than 25 C and 20 / 10 C faster than 15 C: Bryant, Bale & Thomas 1999 (abstract).
    def square(low: float, high: float) -> float:
        hours = [h for k in range(24) for h in (12.0 * k, 12.0 * (k + 1))]
        t, c = _series(hours, [x for k in range(24) for x in ([low] * 2 if k % 2 else [high] * 2)])
        return integrate_rate(t, c, BENT) * 24 / hours[-1]

    assert square(20.0, 30.0) < float(BENT.rate_per_day(25.0))
    assert square(10.0, 20.0) > float(BENT.rate_per_day(15.0))


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: curve.name)
@given(got=series(), data=st.data())
def test_a_series_may_be_cut_at_any_reading(curve: RateCurve, got: Any, data: st.DataObject) -> None:
    t, c = got
    k = data.draw(st.integers(0, len(t) - 1))
    parts = integrate_rate(t[: k + 1], c[: k + 1], curve) + integrate_rate(t[k:], c[k:], curve)
    assert parts == pytest.approx(integrate_rate(t, c, curve), rel=1e-12, abs=1e-15)


@pytest.mark.parametrize("curve", [MUGGER, LINE], ids=lambda curve: curve.name)
@given(got=series(), warmer=st.floats(0.0, 3.0))
def test_a_warmer_series_never_develops_less_on_a_curve_that_does_not_fall(
    curve: RateCurve, got: Any, warmer: float
) -> None:
    t, c = got
    assert integrate_rate(t, c + warmer, curve) >= integrate_rate(t, c, curve) * (1 - 1e-12)


@given(got=series(), data=st.data())
def test_more_readings_never_take_development_away(got: Any, data: st.DataObject) -> None:
    t, c = got
    k = data.draw(st.integers(1, len(t) - 1))
    assert 0.0 <= integrate_rate(t[: k + 1], c[: k + 1], MUGGER) <= integrate_rate(t, c, MUGGER) * (1 + 1e-12)


@given(got=series(), data=st.data())
def test_a_reading_delivered_twice_counts_once(got: Any, data: st.DataObject) -> None:
    t, c = got
    times = data.draw(st.lists(st.integers(1, 3), min_size=len(t), max_size=len(t)))
    doubled = np.repeat(t, times), np.repeat(c, times)
    assert integrate_rate(*doubled, MUGGER) == pytest.approx(integrate_rate(t, c, MUGGER), rel=1e-14)
    once, twice = hourly_parts(t, c, MUGGER, 1e9), hourly_parts(*doubled, MUGGER, 1e9)
    assert once.hour.tolist() == twice.hour.tolist()
    assert twice.development == pytest.approx(once.development, rel=1e-12)
    assert twice.covered_s.tolist() == once.covered_s.tolist()


@given(got=series(most=8), data=st.data())
def test_a_reading_on_the_straight_line_between_two_changes_nothing(got: Any, data: st.DataObject) -> None:
    t, c = got
    k = data.draw(st.integers(0, len(t) - 2))
    middle = (t[k] + t[k + 1]) // 2
    if t[k + 1] == t[k]:
        return
    value = c[k] + (c[k + 1] - c[k]) * ((middle - t[k]) / (t[k + 1] - t[k]))
    more = np.insert(t, k + 1, middle), np.insert(c, k + 1, value)
    assert integrate_rate(*more, MUGGER) == pytest.approx(integrate_rate(t, c, MUGGER), rel=1e-11, abs=1e-15)


# --- hours --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: curve.name)
@given(got=series())
def test_the_hours_add_up_to_the_integral(curve: RateCurve, got: Any) -> None:
    t, c = got
    parts = hourly_parts(t, c, curve, 1e9)
    assert float(parts.development.sum()) == pytest.approx(integrate_rate(t, c, curve), rel=1e-12, abs=1e-15)
    assert float(parts.degree_days.sum()) == pytest.approx(degree_days(t, c, curve.base_c), rel=1e-11, abs=1e-12)
    assert float(parts.covered_s.sum()) == pytest.approx((t[-1] - t[0]) / 1000.0, rel=1e-12)
    trapezoid = float(np.sum(0.5 * (c[1:] + c[:-1]) * np.diff(t))) / 1000.0
    assert float(parts.temperature_integral.sum()) == pytest.approx(trapezoid, rel=1e-11)
    assert np.all(np.diff(parts.hour) > 0)
    assert np.all((parts.covered_s > 0.0) & (parts.covered_s <= 3600.0))


def hour_by_hour(t: list[int], c: list[float], curve: RateCurve, max_gap_s: float) -> dict[int, list[float]]:
    """Hour -> development, degree-days, C s and seconds: segment after segment, cut at each full hour it passes."""
    found: dict[int, list[float]] = {}
    for (t0, t1), (c0, c1) in zip(itertools.pairwise(t), itertools.pairwise(c), strict=True):
        if t1 == t0 or t1 - t0 > max_gap_s * 1000.0:
            continue
        cuts = [t0, *range((t0 // HOUR_MS + 1) * HOUR_MS, t1, HOUR_MS), t1]
        for a, b in itertools.pairwise(cuts):
            at_a, at_b = (
                c0 + (c1 - c0) * ((x - t0) / (t1 - t0)) if t0 < x < t1 else {t0: c0, t1: c1}[x] for x in (a, b)
            )
            low, high = min(at_a, at_b) - curve.base_c, max(at_a, at_b) - curve.base_c
            above = 0.5 * (low + high) if low >= 0.0 else 0.5 * high**2 / (high - low) if high > 0.0 else 0.0
            rate = float(curve.mean_rate_per_day(at_a, at_b))
            own = found.setdefault(a // HOUR_MS, [0.0] * 4)
            for k, of_ms in enumerate((rate / DAY_MS, above / DAY_MS, 0.5 * (at_a + at_b) / 1000.0, 1.0 / 1000.0)):
                own[k] += of_ms * (b - a)
    return found


@pytest.mark.parametrize("seed", range(12))
def test_all_hours_at_once_are_those_of_one_segment_after_the_other(seed: int) -> None:
    dice = random.Random(seed)
    curve = CURVES[seed % len(CURVES)]
    at, t, c = 1_780_000_000_000 + dice.randrange(HOUR_MS), [], []
    warm = dice.uniform(curve.base_c - 2.0, curve.base_c + 12.0)
    for _ in range(dice.choice([2, 3, 40, 9000])):
        t.append(at)
        c.append(warm)
        # Twice at once, on the full hour, within the hour, over several, and too long to be joined.
        step = dice.choice([0, HOUR_MS - at % HOUR_MS, dice.randrange(1, 900_000), dice.randrange(1, 30_000_000)])
        at += step
        warm += dice.uniform(-3.0, 3.0) if dice.random() < 0.3 else dice.uniform(-0.01, 0.01)
        warm = min(max(warm, curve.base_c - 5.0), curve.base_c + 25.0)
    told = hour_by_hour(t, c, curve, 7200.0)
    found = hourly_parts(t, c, curve, 7200.0)
    assert found.hour.tolist() == sorted(told)
    columns = (found.development, found.degree_days, found.temperature_integral, found.covered_s)
    for k, column in enumerate(columns):
        assert column.tolist() == pytest.approx([told[h][k] for h in sorted(told)], rel=1e-12, abs=1e-15)


@given(got=series(), max_gap_s=st.sampled_from([0.5, 60.0, 600.0, 3600.0, 20_000.0]))
def test_only_what_lies_between_near_readings_is_in_an_hour(got: Any, max_gap_s: float) -> None:
    t, c = got
    parts = hourly_parts(t, c, MUGGER, max_gap_s)
    near = np.diff(t) <= max_gap_s * 1000
    assert float(parts.covered_s.sum()) == pytest.approx(float(np.diff(t)[near].sum()) / 1000, rel=1e-12)
    one_by_one = sum(integrate_rate(t[i : i + 2], c[i : i + 2], MUGGER) for i in np.flatnonzero(near))
    assert float(parts.development.sum()) == pytest.approx(one_by_one, rel=1e-12, abs=1e-15)


def test_a_segment_is_split_at_the_full_hour_with_the_temperature_it_has_there() -> None:
    t, c = _series([10.5, 12.5], [20.0, 24.0])
    parts = hourly_parts(t, c, StraightLine(10.0, 100.0, 15.0, 30.0), 7200.0)
    assert parts.hour.tolist() == [10, 11, 12]
    assert parts.covered_s.tolist() == [1800.0, 3600.0, 1800.0]
    assert parts.temperature_integral == pytest.approx([20.5 * 1800, 22.0 * 3600, 23.5 * 1800])
    assert parts.development == pytest.approx([10.5 / 100 / 48, 12.0 / 100 / 24, 13.5 / 100 / 48])
    assert parts.degree_days == pytest.approx(100.0 * parts.development)


def test_a_gap_longer_than_allowed_is_in_no_hour_and_one_just_allowed_is() -> None:
    t, c = _series([0.0, 0.5, 3.5, 4.0], [30.0] * 4)
    assert hourly_parts(t, c, MUGGER, 3 * 3600 - 0.001).hour.tolist() == [0, 3]
    allowed = hourly_parts(t, c, MUGGER, 3 * 3600)
    assert allowed.hour.tolist() == [0, 1, 2, 3]
    assert allowed.covered_s.tolist() == [3600.0] * 4


def test_a_reading_on_the_full_hour_belongs_to_both_neighbours_and_opens_no_empty_hour() -> None:
    t, c = _series([1.0, 2.0, 3.0], [29.0, 30.0, 31.0])
    parts = hourly_parts(t, c, MUGGER, 7200.0)
    assert parts.hour.tolist() == [1, 2]
    assert parts.temperature_integral.tolist() == [29.5 * 3600, 30.5 * 3600]


def test_two_values_at_one_time_are_a_step() -> None:
    t, c = _series([0.5, 1.0, 1.0, 1.5], [20.0, 20.0, 30.0, 30.0])
    parts = hourly_parts(t, c, LINE, 7200.0)
    assert parts.temperature_integral.tolist() == [20.0 * 1800, 30.0 * 1800]


def test_hours_before_the_epoch_are_counted_down() -> None:
    t, c = _series([-1.5, 0.5], [30.0, 30.0])
    assert hourly_parts(t, c, MUGGER, 7200.0).hour.tolist() == [-2, -1, 0]


@pytest.mark.parametrize("n", [0, 1, 2])
def test_no_time_gives_no_hours(n: int) -> None:
    parts = hourly_parts(np.full(n, START_MS), np.full(n, 30.0), MUGGER, 600.0)
    assert [len(x) for x in (parts.hour, parts.development, parts.covered_s)] == [0, 0, 0]
    assert parts.hour.dtype == np.int64
    assert integrate_rate(np.full(n, START_MS), np.full(n, 30.0), MUGGER) == 0.0


def test_parts_of_two_calls_that_share_a_reading_are_those_of_one() -> None:
    rng = np.random.default_rng(11)
    t = START_MS + np.cumsum(rng.integers(1, 900_000, 500))
    c = 30.0 + np.cumsum(rng.normal(0.0, 0.1, 500))
    whole = hourly_parts(t, c, MUGGER, 700.0)
    first, second = hourly_parts(t[:201], c[:201], MUGGER, 700.0), hourly_parts(t[200:], c[200:], MUGGER, 700.0)
    sums: dict[int, float] = {}
    for part in (first, second):
        for hour, gained in zip(part.hour, part.development, strict=True):
            sums[int(hour)] = sums.get(int(hour), 0.0) + float(gained)
    assert list(sums) == whole.hour.tolist()
    assert list(sums.values()) == pytest.approx(whole.development.tolist(), rel=1e-12)


@pytest.mark.parametrize(
    ("t", "c", "word"),
    [
        ([0, 10, 5], [30.0, 30.0, 30.0], "times fall"),
        ([0, 10], [30.0, math.nan], "not a number"),
        ([0, 10], [30.0, math.inf], "not a number"),
        ([0, 10], [30.0], "one length"),
        ([[0, 10]], [[30.0, 30.0]], "one length"),
    ],
)
def test_a_series_that_is_none_is_refused(t: Any, c: Any, word: str) -> None:
    for call in (
        lambda: integrate_rate(t, c, MUGGER),
        lambda: hourly_parts(t, c, MUGGER, 600.0),
        lambda: degree_days(t, c, 15.0),
        lambda: rate_equivalent_temperature_c(t, c, MUGGER),
    ):
        with pytest.raises(ModelOutOfRange, match=word):
            call()


# --- degree-days of a series --------------------------------------------------------------------------------------


def test_a_threshold_counts_where_it_is_crossed() -> None:
    # A triangle of half an hour's width and 5 C height each way: 2.5 degree-hours; the trapezoid would say 5.
    t, c = _series([0.0, 2.0], [10.0, 20.0])
    assert degree_days(t, c, 15.0) * 24 == pytest.approx(2.5, rel=1e-12)


def test_an_irregular_series_with_both_thresholds_crossed() -> None:
    # Areas by hand: 122.1125 degree-hours above 15 C with a horizontal cut-off at 30 C.
    t, c = _series([0.0, 0.5, 2.0, 2.25, 6.0, 6.1, 12.0], [27.0, 28.0, 26.0, 31.0, 29.0, 14.0, 29.0])
    assert degree_days(t, c, 15.0, 30.0, "horizontal") * 24 == pytest.approx(122.1125, rel=1e-9)


@pytest.mark.parametrize(
    ("cutoff", "counts"),
    [
        ("none", [0.0, 0.0, 5.0, 15.0, 20.0, 30.0, 35.0]),
        ("horizontal", [0.0, 0.0, 5.0, 15.0, 15.0, 15.0, 15.0]),
        ("vertical", [0.0, 0.0, 5.0, 15.0, 0.0, 0.0, 0.0]),
        ("intermediate", [0.0, 0.0, 5.0, 15.0, 10.0, 0.0, 0.0]),
    ],
)
def test_each_cut_off_counts_as_it_is_defined(cutoff: Cutoff, counts: list[float]) -> None:
    upper = None if cutoff == "none" else 30.0
    at = [10.0, 15.0, 20.0, 30.0, 35.0, 45.0, 50.0]
    assert excess(15.0, upper, cutoff).value(at).tolist() == pytest.approx(counts, abs=1e-12)
    for temperature, count in zip(at, counts, strict=True):
        assert degree_days([0, DAY_MS], [temperature] * 2, 15.0, upper, cutoff) == pytest.approx(count, abs=1e-12)


@pytest.mark.parametrize(
    ("base", "upper", "cutoff"),
    [(15.0, None, "horizontal"), (15.0, 30.0, "none"), (15.0, 15.0, "vertical"), (15.0, 30.0, "sideways")],
)
def test_thresholds_that_do_not_fit_are_refused(base: float, upper: float | None, cutoff: Any) -> None:
    with pytest.raises(ModelOutOfRange):
        degree_days([0, 1], [20.0, 20.0], base, upper, cutoff)
    with pytest.raises(ModelOutOfRange):
        daily_degree_days("single sine", 10.0, 20.0, 10.0, base, upper, cutoff)


# --- degree-days of a day -----------------------------------------------------------------------------------------

# Zalom, Goodell, Wilson, Barnett & Bentley 1983, UC DANR Leaflet 21373, Table 7: base 55 F, horizontal cut-off 90 F.
ZALOM = [
    (96.0, 110.0, 91.0, 35.00, 35.00, 35.00, 35.00),
    (45.0, 54.0, 38.0, 0.0, 0.0, 0.0, 0.0),
    (60.0, 80.0, 75.0, 15.00, 18.75, 15.00, 18.75),
    (50.0, 82.0, 45.0, 11.39, 10.62, 11.85, 11.31),
    (75.0, 95.0, 60.0, 29.38, 25.76, 28.91, 25.30),
    (50.0, 101.0, 48.0, 19.56, 19.19, 18.95, 18.69),
]
# University of California IPM degree-day calculator, Esparto 2020, base 50 F, upper 70 F (lowest, highest, next
# lowest): single sine, double sine, single triangle, double triangle, each horizontal, vertical, intermediate.
UC_IPM: list[tuple[float, float, float, Shape, tuple[float, float, float]]] = [
    (52.0, 73.0, 44.0, "single sine", (12.01, 7.08, 11.52)),
    (52.0, 73.0, 44.0, "double triangle", (10.63, 8.16, 10.44)),
    (40.0, 74.0, 43.0, "double sine", (9.06, 4.49, 8.45)),
    (63.0, 89.0, 56.0, "single triangle", (19.06, 4.44, 12.12)),
    (59.0, 103.0, 59.0, "single sine", (17.60, 4.27, 4.27)),  # the intermediate one stopped by the vertical one
    (59.0, 103.0, 59.0, "single triangle", (18.63, 3.63, 6.25)),
]


@pytest.mark.parametrize("row", ZALOM)
def test_the_printed_table_of_four_daily_shapes_is_met(row: tuple[float, ...]) -> None:
    lowest, highest, following, *printed = row
    shapes: list[Shape] = ["single triangle", "double triangle", "single sine", "double sine"]
    got = [daily_degree_days(shape, lowest, highest, following, 55.0, 90.0, "horizontal") for shape in shapes]
    assert got == pytest.approx(printed, abs=0.006)


@pytest.mark.parametrize(("lowest", "highest", "following", "shape", "printed"), UC_IPM)
def test_the_published_output_of_three_cut_offs_is_met(
    lowest: float, highest: float, following: float, shape: Shape, printed: tuple[float, float, float]
) -> None:
    cutoffs: list[Cutoff] = ["horizontal", "vertical", "intermediate"]
    got = [daily_degree_days(shape, lowest, highest, following, 50.0, 70.0, cutoff) for cutoff in cutoffs]
    assert got == pytest.approx(printed, abs=0.0101)


@pytest.mark.parametrize("cutoff", ["none", "horizontal", "vertical"])
@given(st.floats(-5.0, 40.0), st.floats(0.0, 30.0), st.floats(0.0, 30.0))
def test_a_day_of_straight_lines_or_half_sines_is_the_series_it_stands_for(
    cutoff: Cutoff, highest: float, fall: float, next_fall: float
) -> None:
    lowest, following = highest - fall, highest - next_fall
    upper = None if cutoff == "none" else 25.0
    t, c = _series([0.0, 12.0, 24.0], [lowest, highest, following])
    day = daily_degree_days("double triangle", lowest, highest, following, 12.0, upper, cutoff)
    assert degree_days(t, c, 12.0, upper, cutoff) == pytest.approx(day, abs=1e-9)
    minutes = np.arange(1441)
    swing = 0.5 - 0.5 * np.cos(minutes * math.pi / 720)
    wave = np.where(minutes <= 720, lowest + fall * swing, following + next_fall * swing)
    day = daily_degree_days("double sine", lowest, highest, following, 12.0, upper, cutoff)
    # The chords of a minute's sine miss it by less than 2e-5 C; a vertical cut-off jumps by 13 C at its crossing.
    assert degree_days(minutes * 60_000, wave, 12.0, upper, cutoff) == pytest.approx(
        day, abs=0.02 if cutoff == "vertical" else 1e-4
    )


def test_a_flat_day_and_a_day_upside_down() -> None:
    for shape in SHAPES:
        assert daily_degree_days(shape, 20.0, 20.0, 20.0, 12.0) == 8.0
        with pytest.raises(ModelOutOfRange, match="below the lowest"):
            daily_degree_days(shape, 20.0, 19.0, 18.0, 12.0)
    with pytest.raises(ModelOutOfRange):
        daily_degree_days("saw", 10.0, 20.0, 10.0, 12.0)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("highest", "lowest", "first", "second"),
    [
        (20.0, 10.0, 15.0, 15.0),
        (8.0, -2.0, 3.0, 4.0),
        (5.0, -5.0, 0.0, 2.5),
        (10.0, -2.0, 4.0, 5.0),
        (-2.0, -7.0, 0.0, 0.0),
    ],
)
def test_the_mean_rule_has_its_two_readings(highest: float, lowest: float, first: float, second: float) -> None:
    # McMaster & Wilhelm 1997, Agric. For. Meteorol. 87:291-300, Table 1, base 0 C.
    assert mean_rule_degree_days(lowest, highest, 0.0) == (first, second)


def test_the_mean_rule_refuses_a_day_upside_down() -> None:
    with pytest.raises(ModelOutOfRange):
        mean_rule_degree_days(10.0, 5.0, 0.0)


# --- one temperature for a series ---------------------------------------------------------------------------------


def test_for_a_straight_line_the_rate_equivalent_temperature_is_the_mean() -> None:
    t, c = _series([0.0, 5.0, 9.0, 24.0], [25.0, 29.0, 30.0, 22.0])
    mean = float(np.sum(0.5 * (c[1:] + c[:-1]) * np.diff(t)) / (t[-1] - t[0]))
    assert rate_equivalent_temperature_c(t, c, LINE) == pytest.approx(mean, abs=1e-10)


def test_for_an_arrhenius_rate_it_is_the_mean_kinetic_temperature() -> None:
    celsius = np.linspace(0.0, 60.0, 601)
    over_r = 83_144.0 / 8.314462618
    arrhenius = PublishedRates(celsius, 50.0 * np.exp(over_r * (1 / (celsius + 273.15) - 1 / 298.15)))
    t, c = _series([0.0, 23.0, 23.0, 24.0], [25.0, 25.0, 40.0, 40.0])
    assert rate_equivalent_temperature_c(t, c, arrhenius) == pytest.approx(
        mean_kinetic_temperature_c([25.0, 40.0], [23.0, 1.0]), abs=1e-4
    )


def test_it_gives_the_same_development_in_the_same_time() -> None:
    t, c = _series([0.0, 5.0, 9.0, 24.0], [28.2, 29.7, 32.8, 28.5])
    same = rate_equivalent_temperature_c(t, c, MUGGER)
    assert integrate_rate(t[[0, -1]], [same, same], MUGGER) == pytest.approx(integrate_rate(t, c, MUGGER), rel=1e-12)


@pytest.mark.parametrize(
    ("curve", "celsius"),
    [(MUGGER, [32.0, 44.0]), (MUGGER, [10.0, 30.0]), (BENT, [26.0, 33.0]), (LINE, [30.0, 31.5])],
)
def test_it_is_refused_where_the_curve_is_flat_or_falls(curve: RateCurve, celsius: list[float]) -> None:
    with pytest.raises(ModelOutOfRange, match="does not rise"):
        rate_equivalent_temperature_c([0, DAY_MS], celsius, curve)


def test_of_a_steady_series_it_is_that_temperature_and_of_no_time_it_is_refused() -> None:
    assert rate_equivalent_temperature_c([0, DAY_MS], [34.0, 34.0], MUGGER) == 34.0
    with pytest.raises(ModelOutOfRange, match="different times"):
        rate_equivalent_temperature_c([5, 5], [30.0, 31.0], MUGGER)
