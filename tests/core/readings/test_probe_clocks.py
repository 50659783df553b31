"""Clocks that are wrong by a constant: how it shows, what does not look like it, and which times are right."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.readings.decode import AHEAD_MS
from monitor.core.readings.probe_clocks import (
    CLOCK_SWAYS_S,
    LOG_SLOTS,
    Log,
    WrongClock,
    after_step,
    late_by_s,
    looked_at,
    one_clock_s,
    righted,
)

MINUTE = 60_000
HOUR = 3_600_000


def clock(delays_s: list[float]) -> float | None:
    received = np.arange(len(delays_s), dtype=np.int64) * MINUTE
    return late_by_s(received - (np.array(delays_s) * 1000).astype(np.int64), received)


def test_a_clock_that_is_behind_shows_when_all_comes_late_by_the_same() -> None:
    assert clock([3600.0] * 26) == 3600.0
    assert clock([3600.0, 3640.0] * 14) == pytest.approx(3620.0)
    assert clock([3600.0] * 25) is None, "not yet 25 minutes"
    assert clock([500.0] * 40) is None, "under ten minutes"
    assert clock([3600.0 - 60 * i for i in range(40)]) is None, "a queue that empties"


def test_a_probe_that_reports_seldom_needs_four_messages_to_show_a_wrong_clock() -> None:
    received = np.arange(4, dtype=np.int64) * HOUR
    assert late_by_s(received - 2 * HOUR, received) == 7200.0
    assert late_by_s(received[1:] - 2 * HOUR, received[1:]) is None


def test_a_probe_that_was_away_and_sends_what_it_kept_has_a_right_clock() -> None:
    """Two hours of five minutes, sent within four minutes: the lag shrinks to nothing with the newest message."""
    measured = np.arange(0, 125, 5, dtype=np.int64) * MINUTE
    received = 120 * MINUTE + np.arange(len(measured), dtype=np.int64) * 10_000
    assert late_by_s(measured, received) is None
    before = np.arange(-60, 0, 5, dtype=np.int64) * MINUTE
    assert late_by_s(np.append(before, measured), np.append(before, received)) is None
    slowly = 120 * MINUTE + np.arange(len(measured), dtype=np.int64) * MINUTE
    assert late_by_s(measured, slowly) is None


def test_a_logger_that_gathers_has_a_right_clock() -> None:
    times = np.arange(0, 240, 5, dtype=np.int64) * MINUTE
    received = (times // HOUR + 1) * HOUR
    assert late_by_s(times, received) is None


# -- from arrival to arrival -------------------------------------------------------------------------------------------


def hearing(readings: Sequence[tuple[float, float]], *, trusted: bool = True) -> Iterator[list[WrongClock]]:
    """Of (arrival, lag) in minutes, after each arrival: every clock that was found so far, as it was left."""
    log, clock, found = Log.empty(), None, list[WrongClock]()
    for came, lag in readings:
        at = np.array([round((came - lag) * MINUTE)], np.int64)
        log = log.with_more(at, np.array([round(came * MINUTE)], np.int64))
        ended, wrong = looked_at("p", clock, log, trusted=trusted)
        found = [ended if ended is not None and f.from_ms == ended.from_ms else f for f in found]
        if wrong is not None and wrong != clock:
            found.append(wrong)
        clock = wrong
        yield list(found)
    assert len(log.received_ms) <= LOG_SLOTS


def heard(readings: Sequence[tuple[float, float]], *, trusted: bool = True) -> list[WrongClock]:
    """After the last arrival."""
    *_, found = hearing(readings, trusted=trusted)
    return found


def test_a_clock_that_goes_wrong_and_is_set_right_is_wrong_for_just_that_time() -> None:
    readings = [(5.0 * k, 60.0 if 12 <= k < 36 else 0.0) for k in range(60)]
    assert heard(readings) == [WrongClock("p", 60 * MINUTE, HOUR, to_ms=180 * MINUTE - 1)]


def test_a_clock_that_is_ahead_shows_with_its_first_message() -> None:
    readings = [(5.0 * k, -90.0 if 12 <= k < 36 else 0.0) for k in range(13)]
    assert heard(readings) == [WrongClock("p", 60 * MINUTE, -90 * MINUTE)]
    readings = [(5.0 * k, -90.0 if 12 <= k < 36 else 0.0) for k in range(60)]
    assert heard(readings) == [WrongClock("p", 60 * MINUTE, -90 * MINUTE, to_ms=180 * MINUTE - 1)]


def test_a_clock_that_is_wrong_by_another_time_is_followed() -> None:
    readings = [(5.0 * k, 60.0 if k < 20 else 180.0) for k in range(40)]
    first, second = heard(readings)
    assert (first.behind_ms, first.to_ms) == (HOUR, 100 * MINUTE - 1)
    assert second == WrongClock("p", 100 * MINUTE, 3 * HOUR)


def test_what_such_a_clock_kept_during_an_outage_leaves_it_as_it_is() -> None:
    usual = [(5.0 * k, 60.0) for k in range(12)]
    kept = [(120.0 + 0.2 * k, 60.0 + 60.0 - 5.0 * k) for k in range(12)]
    assert heard([*usual, *kept, *((125.0 + 5 * k, 60.0) for k in range(12))]) == [WrongClock("p", 0, HOUR)]


@given(
    st.floats(1.0, 20.0), st.floats(11.0, 2000.0), st.floats(1.15, 30.0), st.floats(0.0, 0.5), st.booleans(),
    st.integers(0, 2**31),
)  # fmt: skip
def test_a_backlog_of_any_length_and_pace_is_no_wrong_clock(
    interval_min: float, outage_min: float, faster: float, jitter_min: float, newest_first: bool, seed: int
) -> None:
    """What was kept is given back one by one, ``faster`` times as fast as it was made."""
    rng = np.random.default_rng(seed)
    made = np.arange(0.0, outage_min * faster / (faster - 1.0) + 120.0, interval_min)[:400]
    if newest_first:
        kept = made[made < outage_min][::-1]
        came = outage_min + interval_min / faster * np.arange(len(kept))
        pairs = sorted([*zip(came, came - kept, strict=True), *((m, 0.0) for m in made if m >= outage_min)])
    else:
        came = np.maximum(made, outage_min + interval_min / faster * np.arange(len(made)))
        pairs = list(zip(came, came - made, strict=True))
    shaken = sorted((c + d, lag + d) for (c, lag), d in zip(pairs, rng.uniform(0, jitter_min, len(pairs)), strict=True))
    assert heard([(float(c), float(lag)) for c, lag in shaken]) == []


@given(
    st.floats(0.5, 14.0), st.one_of(st.floats(10.1, 100_000.0), st.floats(-2880.0, -5.1)), st.floats(0.0, 0.4),
    st.integers(0, 2**31),
)  # fmt: skip
def test_a_constant_is_found_within_half_an_hour_or_four_messages_and_times_come_out_right(
    interval_min: float, off_min: float, jitter_min: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    made = np.arange(0.0, max(60.0, 6 * interval_min), interval_min)
    came = np.sort(made + rng.uniform(0, jitter_min, len(made)))
    lag = came - made + off_min
    found_by = list(hearing(list(zip(came.tolist(), lag.tolist(), strict=True))))
    found = found_by[-1]
    assert [f.to_ms for f in found] == [None], found
    time_ms, received_ms = ((came - lag) * MINUTE).round().astype(np.int64), (came * MINUTE).round().astype(np.int64)
    right = righted(time_ms, received_ms, np.ones(len(made), bool), found)
    assert np.all(right <= received_ms)
    assert np.abs(right - made * MINUTE).max() <= (jitter_min + 0.01) * MINUTE
    if off_min > 0:
        first = next(k for k, by in enumerate(found_by) if by)
        assert came[first] <= max(25.0 + 2 * interval_min + 2 * jitter_min, 4 * interval_min + jitter_min)


@pytest.mark.parametrize("seed", range(40))
def test_a_clock_that_is_behind_is_found_within_an_hour_though_some_messages_wait_on_their_way(seed: int) -> None:
    rng = np.random.default_rng(seed)
    interval_min, off_min = rng.uniform(1.0, 10.0), rng.uniform(11.0, 500.0)
    made = np.arange(0.0, 60.0, interval_min)
    waited = np.where(rng.random(len(made)) < rng.uniform(0.1, 0.5), rng.uniform(0.0, 4.5, len(made)), 0.0)
    order = np.argsort(made + waited, kind="stable")
    came, lag = (made + waited)[order], (waited + off_min)[order]
    (found,) = heard(list(zip(came.tolist(), lag.tolist(), strict=True)))
    assert found.to_ms is None
    assert found.behind_ms == pytest.approx(off_min * MINUTE, abs=0.01 * MINUTE)


def test_it_does_not_matter_in_how_many_pieces_arrivals_come() -> None:
    rng = np.random.default_rng(3)
    came = np.sort(rng.integers(0, 5 * HOUR, 400))
    made = came - rng.integers(-HOUR, 3 * HOUR, 400)
    whole = Log.empty().with_more(made, came)
    pieces = Log.empty()
    for part in np.array_split(np.arange(400), 37):
        pieces = pieces.with_more(made[part], came[part])
    assert np.array_equal(whole.lag_ms, pieces.lag_ms)
    assert np.array_equal(whole.received_ms, pieces.received_ms)


def test_readings_without_a_time_of_their_own_and_those_of_another_time_stay_as_they_are() -> None:
    clock = WrongClock("p", 10 * HOUR, HOUR, to_ms=20 * HOUR)
    received = np.array([9, 10, 15, 20, 21, 15, 15], np.int64) * HOUR
    time = received - np.array([1, 1, 1, 1, 1, 0, 4], np.int64) * HOUR
    timed = np.ones(7, bool)
    assert ((righted(time, received, timed, [clock]) - time) / HOUR).tolist() == [0, 1, 1, 1, 0, 0, 1]
    assert np.array_equal(righted(time, received, ~timed, [clock]), time)


def test_when_this_computers_clock_is_set_what_came_of_it_is_taken_back() -> None:
    behind, ahead = WrongClock("p", 0, HOUR), WrongClock("q", 0, -HOUR)
    assert after_step([behind, ahead], -HOUR) == ([behind], [ahead])
    assert after_step([behind, ahead], HOUR) == ([ahead], [behind])
    other = replace(behind, behind_ms=-HOUR - AHEAD_MS - 1)
    assert after_step([other], HOUR) == ([], [other])


def test_clocks_that_are_all_wrong_alike_may_be_one() -> None:
    one = WrongClock("p", 0, HOUR)
    near = replace(one, probe="q", behind_ms=HOUR + round(CLOCK_SWAYS_S * 1000))
    assert one_clock_s([one, near]) == 3660.0
    assert one_clock_s([one]) is None
    assert one_clock_s([one, None]) is None
    assert one_clock_s([one, replace(near, behind_ms=2 * HOUR)]) is None
