"""Readings that come late: which run is the newest, and how long it is waited for."""

from __future__ import annotations

import numpy as np

from monitor.core.readings.late_readings import Late, late, unjudged

MINUTE = 60_000
NOW = 1_000 * MINUTE


def at(*minutes: float) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array([round(m * MINUTE) for m in minutes], np.int64)


def test_what_comes_at_once_is_not_late() -> None:
    assert late(at(980, 990), at(980, 995), NOW) is None
    assert late(at(), at(), NOW) is None


def test_the_newest_run_is_taken_with_its_earliest_reading() -> None:
    times = at(100, 110, 900, 800, 850, 999)
    came = at(300, 301, 990, 991, 992, 999)
    found = late(times, came, NOW)
    assert found == Late(800 * MINUTE, 990 * MINUTE, 992 * MINUTE)


def test_it_is_waited_for_two_minutes_and_no_longer_than_ten() -> None:
    run = Late(800 * MINUTE, 990 * MINUTE, 992 * MINUTE)
    assert run.arriving(993 * MINUTE)
    assert not run.arriving(994 * MINUTE)
    assert not Late(800 * MINUTE, 980 * MINUTE, 992 * MINUTE).arriving(993 * MINUTE)


def test_what_was_received_in_the_future_is_left_out() -> None:
    assert late(at(900), at(1100), NOW) is None


def test_what_is_not_judged_yet_is_newer_than_what_was_or_came_late_since() -> None:
    times, came = at(970, 980, 900, 991, 1002), at(970, 980, 985, 992, 993)
    assert unjudged(times, came, NOW, 980 * MINUTE, None) == Late(900 * MINUTE, 985 * MINUTE, 992 * MINUTE)
    assert unjudged(times, came, NOW, 980 * MINUTE, 985 * MINUTE) == Late(991 * MINUTE, 992 * MINUTE, 992 * MINUTE)
    assert unjudged(times, came, NOW, 995 * MINUTE, 985 * MINUTE) is None
    assert unjudged(times, came, NOW, None, None) == Late(900 * MINUTE, 970 * MINUTE, 992 * MINUTE)
