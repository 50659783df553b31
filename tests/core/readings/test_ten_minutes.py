"""Ten minutes as one row, beside a plain and slow writing-down of the same."""

from __future__ import annotations

import random
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.readings.ten_minutes import TEN_MS, TenMinuteSpread, ten_minutes

T0 = 1_700_000_400_000 // TEN_MS * TEN_MS
Row = tuple[int, float, int, int, int]


def drawn(seed: int) -> list[Row]:
    """Readings (time, value, arrival, flag, kind) of a drawn pace, with gaps, bursts and flags."""
    rng = random.Random(seed)
    every = rng.choice((90, 1000, 10_000, 60_000, 240_000, 700_000))
    step, places = rng.choice(((1, 16), (1, 10), (1, 100), (7, 1000)))
    found: list[Row] = []
    at = T0 + rng.randrange(TEN_MS)
    for _ in range(rng.choice((1, 2, 40, 400))):
        at += max(1, round(every * rng.choice((1, 1, 1, 1, 0.1, 30)))) + rng.randrange(-20, 20) * (every > 100)
        at = max(at, found[-1][0] + 1) if found else at
        flag = rng.choice((1, 1, 1, 1, 1, 2, 3, 4, 9))
        value = (28 * places + rng.randrange(-40, 40) * step) / places
        found.append((at, value, at + rng.randrange(5000), flag, rng.choice((0, 0, 0, 0, 1))))
    return found


def slowly(rows: list[Row]) -> dict[tuple[int, int, int], tuple[int, float, float, Fraction, int]]:
    """Of each ten minutes, flag and kind: number, lowest, highest, mean of the values, last arrival."""
    groups: dict[tuple[int, int, int], list[Row]] = {}
    for row in rows:
        groups.setdefault((row[0] // TEN_MS, row[3], row[4]), []).append(row)
    return {
        key: (
            len(group),
            min(r[1] for r in group),
            max(r[1] for r in group),
            sum((Fraction(r[1]) for r in group), Fraction(0)) / len(group),
            max(r[2] for r in group),
        )
        for key, group in groups.items()
    }


@given(st.integers(0, 2**32))
def test_each_row_is_what_a_plain_reckoning_says(seed: int) -> None:
    rows = drawn(seed)
    at, value, received, flag, kind = (np.array(x) for x in zip(*rows, strict=True))
    found = ten_minutes(at, value, received, flag.astype(np.uint8), kind)
    assert (np.diff(found.at) > 0).all()
    expected = slowly(rows)
    assert len(found.at) == len(expected)
    by_time = {r[0]: r[1] for r in rows}
    for k in range(len(found.at)):
        last, s = int(found.last[k]), found.spread
        key = int(found.at[k]) // TEN_MS, int(flag[last]), int(kind[last])
        count, lowest, highest, mean, came = expected.pop(key)
        assert (s.count[k], s.lowest[k], s.highest[k], received[last]) == (count, lowest, highest, came)
        assert abs(found.mean[k] - float(mean)) < 1e-6 / count + 1e-12
        assert by_time[int(found.at[k] + s.lowest_after_ms[k])] == lowest
        assert by_time[int(found.at[k] + s.highest_after_ms[k])] == highest
        if count == 1:
            assert (found.at[k], found.mean[k]) == (at[last], value[last])
    assert not expected


@given(st.integers(0, 2**32), st.floats(-5, 5), st.floats(20, 35))
def test_a_row_lies_on_the_line_that_its_readings_lie_on(seed: int, per_hour: float, begin: float) -> None:
    at = np.array([r[0] for r in drawn(seed)])
    value = begin + per_hour * (at - at[0]) / 3.6e6
    found = ten_minutes(at, value, at, np.ones(len(at), np.uint8), np.zeros(len(at), np.int64))
    # A millisecond for the whole milliseconds of a time, another where two would stand at one.
    assert found.mean == pytest.approx(begin + per_hour * (found.at - at[0]) / 3.6e6, abs=2e-6 + abs(per_hour) / 1.8e6)


@given(st.integers(0, 2**32))
def test_lowest_and_highest_come_back_between_the_means_in_order_of_time(seed: int) -> None:
    rows = [r for r in drawn(seed) if r[3] == 1 and r[4] == 0] or [(T0, 28.0, T0, 1, 0)]
    at, value = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    found = ten_minutes(at, value, at, np.ones(len(at), np.uint8), np.zeros(len(at), np.int64))
    times, values, of = found.spread.ends(found.at, found.mean)
    assert (np.diff(times) > 0).all()
    assert (values.min(), values.max()) == (value.min(), value.max())
    assert set(of.tolist()) == set(range(len(found.at)))
    assert (np.abs(times - found.at[of]) <= TEN_MS).all()


def test_rows_of_single_readings_are_those() -> None:
    spread = TenMinuteSpread.single(np.array([28.0, 29.0]))
    at = np.array([T0, T0 + 5])
    times, values, _ = spread.ends(at, np.array([28.0, 29.0]))
    assert (times.tolist(), values.tolist()) == (at.tolist(), [28.0, 29.0])


def test_means_that_would_stand_at_one_moment_stand_beside_each_other_and_single_readings_where_they_were() -> None:
    at = np.array([T0, T0 + 10, T0 + 20, T0 + 30, T0 + 40])
    flag = np.array([1, 2, 4, 2, 1], np.uint8)
    found = ten_minutes(at, np.arange(5.0), at, flag, np.zeros(5, np.int64))
    assert sorted(found.at.tolist()) == [T0 + 20, T0 + 21, T0 + 22]
    assert found.mean[found.at == T0 + 20] == [2.0]
