"""Batteries: how long they last as they go, and when nothing is said of it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import theilslopes

from monitor.core.readings.batteries import BatteryNow, say, trend
from monitor.core.terms.settings import Probe

CELL = Probe("cell", "t/cell", "battery", "V", battery_of="warm", low=2.4)


def days(n: int) -> NDArray[np.int64]:
    return np.arange(20_000, 20_000 + n, dtype=np.int64)


def falling(n: int, start: float, per_day: float) -> NDArray[np.float64]:
    return np.asarray(start - per_day * np.arange(n), np.float64)


def test_a_level_that_falls_evenly_lasts_as_long_as_it_takes_to_the_low_level() -> None:
    found, untold = trend(days(30), falling(30, 3.0, 0.01), 2.7, 2.4, "V")
    assert untold == ""
    assert found is not None
    assert found.per_day == pytest.approx(-0.01)
    assert (found.until, found.days, found.days_low, found.days_high) == pytest.approx((2.4, 30.0, 30.0, 30.0))


def test_the_days_have_the_interval_of_the_slope() -> None:
    noise = np.random.default_rng(3).normal(0.0, 0.02, 40)
    levels = falling(40, 3.0, 0.01) + noise
    found, _ = trend(days(40), levels, 2.6, 2.4, "V")
    assert found is not None
    slope, _, low, high = theilslopes(levels, np.arange(40.0), 0.95)
    assert found.days == pytest.approx(0.2 / -slope)
    assert found.days_low == pytest.approx(0.2 / -low, rel=0.05)
    assert found.days_high == pytest.approx(0.2 / -high, rel=0.05)
    assert found.days_low < found.days < found.days_high


def test_a_level_that_does_not_fall_steadily_has_no_end() -> None:
    wobble = 2.9 + 0.02 * np.sin(np.arange(30))
    assert trend(days(30), wobble, 2.9, 2.4, "V") == (None, "it does not fall steadily")
    assert trend(days(30), np.full(30, 87.0), 87.0, 20.0, "%")[0] is None


def test_too_few_days_say_nothing() -> None:
    assert trend(days(0), np.empty(0), 2.9, 2.4, "V")[0] is None
    assert trend(days(6), falling(6, 3.0, 0.01), 2.9, 2.4, "V")[1] == "known for 6 of the 7 days that a trend needs"


def test_the_days_before_a_battery_was_renewed_count_no_more() -> None:
    levels = np.concatenate([falling(20, 2.6, 0.02), falling(20, 3.1, 0.005)])
    found, _ = trend(days(40), levels, 3.0, 2.4, "V")
    assert found is not None
    assert found.per_day == pytest.approx(-0.005)


def test_below_its_low_level_per_cent_run_to_nought_and_volts_to_nobody_knows_where() -> None:
    found, _ = trend(days(10), falling(10, 25.0, 1.0), 15.0, 20.0, "%")
    assert found is not None
    assert (found.until, found.days) == pytest.approx((0.0, 15.0))
    nothing, untold = trend(days(10), falling(10, 2.5, 0.02), 2.3, 2.4, "V")
    assert nothing is None
    assert untold == "falls by 0.02 V a day; how long it lasts below its low level is not known"


def test_it_is_said_in_the_batterys_unit() -> None:
    found, untold = trend(days(30), falling(30, 3.0, 0.01), 2.7, 2.4, "V")
    told = say(BatteryNow(CELL, 2.7, 0, found, untold))
    assert told == "falls by 0.01 V a day: about 30 days until 2.40 V (30 to 30)"
    assert say(BatteryNow(CELL, untold="it does not fall steadily")) == "it does not fall steadily"
