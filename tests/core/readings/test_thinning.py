"""What stays of a probe that reports many times a second: little, always the same, and each extreme."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from monitor.core.readings.probe_faults import stuck
from monitor.core.readings.thinning import MOST_IN_SLOT, SLOT_MS, kept, spaced
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import HOUR_MS

Rows = list[tuple[int, float, bool]]
Arrays = tuple[Times, Values, NDArray[np.bool_]]


def arrays(rows: Rows) -> Arrays:
    rows = sorted(rows)
    return (
        np.array([r[0] for r in rows], np.int64),
        np.array([r[1] for r in rows], np.float64),
        np.array([r[2] for r in rows], bool),
    )


def thinned(rows: Rows) -> Rows:
    index = kept(*arrays(rows))
    return sorted(rows) if index is None else [sorted(rows)[i] for i in index]


SERIES = st.lists(
    st.tuples(st.integers(0, 4 * SLOT_MS - 1), st.sampled_from([27.9, 28.0, 28.1, 31.0, 85.0]), st.booleans()),
    max_size=80,
    unique_by=lambda row: row[0],
)


@given(SERIES)
def test_of_each_slot_stay_its_ends_its_extremes_and_the_first_that_is_not_usable(rows: Rows) -> None:
    left = thinned(rows)
    assert set(left) <= set(rows)
    for slot in {at // SLOT_MS for at, _, _ in rows}:
        before = sorted(r for r in rows if r[0] // SLOT_MS == slot)
        after = [r for r in left if r[0] // SLOT_MS == slot]
        assert len(after) <= MOST_IN_SLOT
        assert (after[0], after[-1]) == (before[0], before[-1])
        good = [value for _, value, usable in before if usable]
        good_left = [value for _, value, usable in after if usable]
        assert (min(good, default=0.0), max(good, default=0.0)) == (
            min(good_left, default=0.0),
            max(good_left, default=0.0),
        )
        assert [r for r in before if not r[2]][:1] == [r for r in after if not r[2]][:1]


@given(SERIES, st.lists(st.integers(0, 79), max_size=8), st.randoms())
def test_it_is_the_same_in_whatever_pieces_and_order_the_readings_come(
    rows: Rows, cuts: list[int], chance: object
) -> None:
    whole = thinned(rows)
    shuffled = list(rows)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    edges = [0, *sorted(c for c in cuts if c < len(rows)), len(rows)]
    running: Rows = []
    for a, b in itertools.pairwise(edges):
        running = thinned(running + shuffled[a:b])
    assert running == whole


@pytest.mark.parametrize("interval_ms", [SLOT_MS, SLOT_MS + 1, 15_000, 60_000])
def test_a_probe_that_reports_each_ten_seconds_or_less_often_is_as_it_was(interval_ms: int) -> None:
    at = np.arange(1_777_615_200_003, 1_777_615_200_003 + 6 * HOUR_MS, interval_ms, dtype=np.int64)
    assert kept(at, np.sin(at / 1e6), np.ones(len(at), bool)) is None
    assert spaced(at).all()


def test_nothing_and_next_to_nothing_are_as_they_were() -> None:
    for n in (0, 1, 2):
        at = np.arange(n, dtype=np.int64)
        assert kept(at, np.zeros(n), np.zeros(n, bool)) is None
        assert len(spaced(at)) == n


def wave(at: Times) -> Values:
    return np.asarray(28.0 + np.round(np.sin(at / 3e6), 2), np.float64)


@pytest.mark.parametrize("rate", [1, 4, 20])
def test_a_stuck_probe_is_found_however_often_it_reports(rate: int) -> None:
    now = 1_777_615_200_000
    at = np.arange(now - 20 * HOUR_MS, now, 1000 // rate, dtype=np.int64)
    value = np.where(at < now - 8 * HOUR_MS, wave(at), 28.44)
    index = kept(at, value, np.ones(len(at), bool))
    assert index is not None
    slow = np.arange(now - 20 * HOUR_MS, now, 60_000, dtype=np.int64)
    other = wave(slow)
    found = stuck((at[index], value[index]), [(slow, other)], now)
    assert found is not None
    assert found.since_ms == at[at >= now - 8 * HOUR_MS][0]
    moving = wave(at)
    index = kept(at, moving, np.ones(len(at), bool))
    assert index is not None
    assert stuck((at[index], moving[index]), [(slow, other)], now) is None
