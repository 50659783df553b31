"""A reading in its context: flags by the QARTOD scheme, each test by its name."""

from __future__ import annotations

import csv
import math
import time
from collections.abc import Iterable
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.readings.quality import (
    ERROR_VALUES,
    PLAIN_C,
    POWER_ON_C,
    RANGE_C,
    RANGE_PCT,
    TESTS,
    Context,
    flat_line,
    judge,
    spike,
)
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Probe
from tests.oracles.qartod import rate_of_change
from tests.peers import shared

T0 = 1_777_615_200_000
WARM = Probe("w", "a", interval_s=60.0)
DAMP = Probe("h", "a", quantity="humidity", unit="%", interval_s=60.0)


def series(probe: Probe, values: Iterable[tuple[float, float]], start: Context | None = None) -> list[Reading]:
    """Judged readings of (seconds, value), in the given order."""
    context = start or Context()
    result = []
    for seconds, value in values:
        reading, context = judge(Reading(probe.id, T0 + round(seconds * 1000), value, T0), context, probe)
        result.append(reading)
    return result


def flags(readings: Iterable[Reading]) -> list[tuple[int, str]]:
    return [(int(r.flag), r.test) for r in readings]


def test_the_first_reading_has_no_context_and_the_next_is_good() -> None:
    assert flags(series(WARM, [(0, 28.0), (60, 28.1)])) == [(2, ""), (1, "")]


def test_after_a_gap_a_reading_is_usable_but_not_judged() -> None:
    judged = series(WARM, [(0, 28.0), (60, 28.1), (60 + 601, 28.2), (60 + 661, 28.2)])
    assert flags(judged) == [(2, ""), (1, ""), (2, ""), (1, "")]
    assert all(r.flag.usable for r in judged)


def test_a_probe_that_reports_every_half_hour_is_judged_all_the_same() -> None:
    slow = Probe("w", "a", interval_s=1800.0)
    assert flags(series(slow, [(0, 28.0), (1800, 28.1), (3600, 27.9)])) == [(2, ""), (1, ""), (1, "")]


def test_85_degrees_as_the_first_word_is_a_thermometer_that_has_not_measured() -> None:
    assert flags(series(WARM, [(0, 85.0), (60, 28.0)])) == [(4, "power-on"), (2, "")]


def test_85_degrees_after_a_gap_is_the_same_and_otherwise_out_of_range() -> None:
    judged = series(WARM, [(0, 28.0), (60, 85.0), (400, 85.0)])
    assert flags(judged)[1:] == [(4, "gross-range"), (4, "power-on")]


def test_85_per_cent_is_humidity_and_nothing_else() -> None:
    assert flags(series(DAMP, [(0, 85.0), (60, 85.0)])) == [(2, ""), (1, "")]


@pytest.mark.parametrize("value", ERROR_VALUES)
def test_a_drivers_word_for_no_probe_is_no_temperature(value: float) -> None:
    assert flags(series(WARM, [(0, value)])) == [(4, "error-value")]


def test_among_temperatures_that_are_not_asked_about_there_is_no_error_value_in_any_unit() -> None:
    in_celsius = [*ERROR_VALUES, *((v - 32) / 1.8 for v in ERROR_VALUES), *(v - 273.15 for v in ERROR_VALUES)]
    assert all(not PLAIN_C[0] - 0.01 <= v <= PLAIN_C[1] + 0.01 for v in (*in_celsius, POWER_ON_C))
    assert RANGE_C[0] <= PLAIN_C[0] < PLAIN_C[1] <= RANGE_C[1]
    assert all(not RANGE_PCT[0] <= v <= RANGE_PCT[1] for v in ERROR_VALUES)


def test_an_error_value_in_fahrenheit_is_known_by_what_the_probe_wrote() -> None:
    fahrenheit = Probe("f", "a", unit="F")
    # -127 as the driver wrote it, read as Fahrenheit: -88.33 C.
    assert flags(series(fahrenheit, [(0, round((-127 - 32) / 1.8, 6))])) == [(4, "error-value")]
    # -127 C that a gateway turned into -196.6 F.
    assert flags(series(fahrenheit, [(0, -127.0)])) == [(4, "error-value")]
    assert flags(series(fahrenheit, [(0, round((185 - 32) / 1.8, 6))])) == [(4, "power-on")]


@pytest.mark.parametrize(
    ("probe", "value", "flag"),
    [
        (WARM, -40.0, 2), (WARM, -40.01, 4), (WARM, 80.0, 2), (WARM, 80.01, 4),
        (DAMP, 0.0, 2), (DAMP, -0.01, 4), (DAMP, 100.0, 2), (DAMP, 100.01, 4), (DAMP, 119.0, 4), (DAMP, -6.0, 4),
    ],
)  # fmt: skip
def test_the_gross_range_includes_its_ends(probe: Probe, value: float, flag: int) -> None:
    # -6 and 119 %: what the humidity formula of the SHT4x data sheet, -6 + 125 S/65535, gives for no and all bits.
    ((found, _),) = flags(series(probe, [(0, value)]))
    assert found == flag


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_bad_and_leaves_no_trace_in_the_context(value: float) -> None:
    judged = series(WARM, [(0, 28.0), (60, value), (120, 28.1)])
    assert flags(judged)[1:] == [(4, "not-a-number"), (1, "")]


def test_a_spike_is_suspect_and_what_follows_is_good() -> None:
    judged = series(WARM, [(0, 28.0), (60, 28.1), (120, 33.2), (180, 28.1)])
    assert flags(judged)[1:] == [(1, ""), (3, "step"), (1, "")]


def test_five_degrees_within_a_minute_are_still_possible() -> None:
    assert flags(series(WARM, [(0, 28.0), (60, 33.0)]))[1] == (1, "")
    assert flags(series(WARM, [(0, 28.0), (60, 33.01)]))[1] == (3, "step")
    assert flags(series(WARM, [(0, 28.0), (10, 33.01)]))[1] == (3, "step")


def test_further_apart_the_bound_grows_by_the_minute() -> None:
    assert flags(series(WARM, [(0, 28.0), (300, 52.9)]))[1] == (1, "")
    assert flags(series(WARM, [(0, 28.0), (300, 53.1)]))[1] == (3, "step")


def test_a_new_level_is_believed_at_its_third_reading() -> None:
    judged = series(WARM, [(0, 28.0), (60, 20.0), (70, 20.1), (80, 19.9), (140, 20.0)])
    assert flags(judged)[1:] == [(3, "step"), (3, "step"), (1, ""), (1, "")]


def test_a_new_level_is_believed_after_ten_minutes() -> None:
    hot = Context(T0 + 540_000, 60.0, T0 + 540_000, level=0.0, level_since_ms=T0, level_count=1)
    assert judge(Reading("w", T0 + 600_000, 0.0, T0), hot, WARM)[0].flag is Flag.GOOD
    assert judge(Reading("w", T0 + 599_000, 0.0, T0), hot, WARM)[0].flag is Flag.SUSPECT


def test_jumping_to_and_fro_never_becomes_a_level() -> None:
    judged = series(WARM, [(0, 28.0), *[(10 * k, 28.0 + 10 * k) for k in range(1, 5)]])
    assert flags(judged)[1:] == [(3, "step")] * 4


def test_error_values_between_do_not_become_a_level_and_do_not_break_one() -> None:
    judged = series(WARM, [(0, 28.0), (10, -127.0), (20, 20.0), (30, -127.0), (40, 20.0), (50, 20.0)])
    assert flags(judged)[2:] == [(3, "step"), (4, "error-value"), (3, "step"), (1, "")]


def test_opening_a_lid_lets_humidity_step() -> None:
    assert flags(series(DAMP, [(0, 95.0), (60, 40.0)])) == [(2, ""), (1, "")]


def test_a_late_reading_is_judged_without_its_neighbours_and_moves_nothing() -> None:
    context = Context(T0, 28.0, T0)
    late, after = judge(Reading("w", T0 - 3_600_000, 20.0, T0), context, WARM)
    assert (late.flag, late.test, after) == (Flag.NOT_JUDGED, "", context)
    late, after = judge(Reading("w", T0 - 3_600_000, -127.0, T0), context, WARM)
    assert (late.flag, late.test, after) == (Flag.BAD, "error-value", context)


def test_a_flag_that_was_given_before_is_never_improved_but_may_get_worse() -> None:
    suspect = Reading("w", T0 + 60_000, 28.0, T0, Flag.SUSPECT, "waited-at-broker")
    judged, after = judge(suspect, Context(T0, 28.0, T0), WARM)
    assert (judged.flag, judged.test) == (Flag.SUSPECT, "waited-at-broker")
    assert after.last_ms == T0
    worse, _ = judge(Reading("w", T0, 200.0, T0, Flag.SUSPECT, "waited-at-broker"), Context(), WARM)
    assert (worse.flag, worse.test) == (Flag.BAD, "gross-range")


def test_the_value_is_never_changed() -> None:
    for value in (28.0, 85.0, -127.0, 99.9):
        assert judge(Reading("w", T0, value, T0), Context(), WARM)[0].value == value


@given(
    st.lists(st.tuples(st.integers(0, 5000), st.floats(-300, 300)), max_size=40),
    st.sampled_from([WARM, DAMP]),
)
def test_every_reading_gets_a_flag_of_the_scheme_and_a_name_when_it_is_not_usable(
    told: list[tuple[int, float]], probe: Probe
) -> None:
    names = {name for name, _ in TESTS}
    for reading in series(probe, told):
        assert reading.flag in (1, 2, 3, 4)
        assert (reading.test in names) == (not reading.flag.usable)


def _room(column: str) -> list[tuple[float, float]]:
    """The file's header lacks the name of its first column, the row's number."""
    with shared("data", "room_every_minute.csv").open() as file:
        names = next(csv.reader([next(file)]))
        rows = [dict(zip(["row", *names], row, strict=True)) for row in csv.reader(file)]
    return [
        (datetime.fromisoformat(row["date"]).replace(tzinfo=UTC).timestamp() - T0 / 1000, float(row[column]))
        for row in rows
    ]


@pytest.mark.parametrize(("column", "probe"), [("Temperature", WARM), ("Humidity", DAMP)])
def test_a_real_quiet_room_raises_no_doubt(column: str, probe: Probe) -> None:
    judged = series(probe, _room(column))
    assert len(judged) > 8000
    assert [r for r in judged if not r.flag.usable] == []
    assert sum(r.flag is Flag.GOOD for r in judged) == len(judged) - 1


@pytest.mark.parametrize("column", ["air_067cm_c", "air_125cm_c", "air_187cm_c"])
def test_a_real_heated_room_raises_no_doubt(column: str) -> None:
    probe = Probe("w", "a", interval_s=600.0)
    with shared("data", "heated_room_three_heights.csv").open() as file:
        told = [
            (datetime.fromisoformat(row["time_utc"]).timestamp() - T0 / 1000, float(row[column]))
            for row in csv.DictReader(file)
            if row[column]
        ]
    judged = series(probe, told)
    assert len(judged) > 5000
    assert [r for r in judged if not r.flag.usable] == []


# --- tests of a whole series


def test_a_series_too_short_for_a_test_passes_or_is_not_judged() -> None:
    for n in (0, 1, 2):
        values, at = np.zeros(n), np.arange(n, dtype=np.float64)
        assert spike(values, 1.0, 2.0).tolist() == [2] * n
        assert rate_of_change(at, values, 1.0).tolist() == [1] * n
        assert flat_line(at, values, 600.0, 1200.0, 0.1).tolist() == [1] * n


def test_persistence_limits_made_for_the_open_air_would_cry_wolf_in_a_quiet_room() -> None:
    """Why six hours and not one: less than 0.1 C within an hour, suspect outdoors, is common indoors."""
    values = np.array([v for _, v in _room("Temperature")])
    hour = np.lib.stride_tricks.sliding_window_view(values, 61)
    assert float(np.mean(np.ptp(hour, axis=1) < 0.1)) > 0.05
    at = np.array([s for s, _ in _room("Temperature")], float)
    assert flat_line(at, values, 6 * 3600.0, 12 * 3600.0, 1e-9).max() == Flag.GOOD


@given(
    st.lists(st.sampled_from([27.9, 28.0, 28.0, 28.05, np.nan]), min_size=2, max_size=60),
    st.integers(1, 70),
    st.integers(1, 70),
)
def test_a_flat_line_is_what_the_widest_difference_in_each_window_says(
    told: list[float], suspect: int, fail: int
) -> None:
    value, at = np.array(told), np.arange(len(told), dtype=np.float64)
    expected = np.ones(len(told), np.uint8)
    for width, flag in ((suspect + 1, 3), (fail + 1, 4)):
        for k in range(width - 1, len(told)):
            if float(np.ptp(value[k - width + 1 : k + 1])) < 0.04:
                expected[k] = flag
    assert flat_line(at, value, suspect, fail, 0.04).tolist() == expected.tolist()


def test_a_flat_line_takes_a_time_that_grows_as_the_readings_do() -> None:
    """A day of readings; eight times as many take eight times as long, not sixty-four times."""

    def took(n: int) -> float:
        value, at = np.random.default_rng(n).normal(size=n), np.linspace(0.0, 86_400.0, n)
        best = float("inf")
        for _ in range(3):
            begin = time.thread_time()
            flat_line(at, value, 6 * 3600.0, 24 * 3600.0, 1e-9)
            best = min(best, time.thread_time() - begin)
        return max(best, 0.0005)

    assert took(64_000) <= 8 * 5 * took(8000)
