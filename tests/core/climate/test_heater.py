"""A heater's strength by the swing of the air: against integration, in simulated rooms and real ones, and refusals."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from datetime import UTC, datetime
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from monitor.core.climate.heater import (
    LEAST_LOSS,
    NO_SWING,
    Day,
    Quarter,
    Wear,
    day_of,
    duty_and_strength,
    lag_of,
    wave,
    wear,
)
from monitor.core.terms.times import DAY_MS
from monitor.simulation.room import Act, Action, Heater, Recorded, SimBox, SimProbe, SimRoom, SimSetting
from tests.peers import shared

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("heater")

DAY0 = 20_000
Script = tuple[Action, ...]


@cache
def played(days: int, script: Script, outdoors_c: float, **heater: object) -> Recorded:
    """A simulated room of so many days, minute by minute. Its air could warm by 12 C an hour at full power."""
    setting = SimSetting(
        boxes=(SimBox("a", 60.0),),
        probes=(SimProbe("air", height_cm=100.0), SimProbe("box", box="a")),
        heater=Heater(**{"lift_c": 36.0, **heater}),  # type: ignore[arg-type]
        outdoors_c=outdoors_c,
    )
    return SimRoom(setting, script, seed=5).record(days * 86_400.0, 60.0)


def days_of(
    days: int,
    script: Script = (),
    *,
    outdoors_c: float = 12.0,
    every_min: int = 1,
    probe: str = "air",
    **heater: object,
) -> list[Day]:
    """Such a room as its probe tells it, which reports every so many minutes."""
    recorded = played(days, script, outdoors_c, **heater)
    told = slice(every_min - 1, None, every_min)
    at = DAY0 * DAY_MS + (recorded.at_s[told] * 1000).astype(np.int64)
    return [day_of(DAY0 + d, at, recorded.values[probe][told]) for d in range(days)]


@cache
def fading(every_min: int = 1) -> tuple[Day, ...]:
    """Half a per cent of its power lost each day from the tenth on, for sixty days."""
    return tuple(days_of(60, (Action(10 * 86_400.0, Act.HEATER_FADES, "", 0.005),), every_min=every_min))


def judged(days: Iterable[Day], since: int | None = None) -> Wear:
    found = wear(list(days), since)
    assert isinstance(found, Wear), found
    return found


@pytest.mark.parametrize("duty", [0.15, 0.5, 0.8])
@pytest.mark.parametrize("lag_min", [0.0, 2.0, 6.0])
def test_the_wave_is_that_of_an_integrated_room(duty: float, lag_min: float) -> None:
    period, lag = 0.6, lag_min / 60.0

    def rates(t: float, state: NDArray[np.float64]) -> list[float]:
        on = (t % period) < duty * period
        warm = float(on) if lag == 0.0 else state[0]
        return [0.0 if lag == 0.0 else (float(on) - state[0]) / lag, warm - duty]

    t = np.linspace(0.0, 6 * period, 6 * 600 + 1)
    got = solve_ivp(rates, (0.0, t[-1]), [duty, 0.0], t_eval=t, max_step=period / 120, rtol=1e-6)
    last = got.y[1][-601:]
    rising, height = wave(np.array([duty]), period, lag)
    assert float(np.mean(np.diff(last) > 0.0)) == pytest.approx(float(rising[0]), abs=0.02)
    assert float(np.ptp(last)) == pytest.approx(float(height[0]), rel=0.03)
    back = duty_and_strength(Quarter(0, 9, period, float(rising[0]), 12.0 * float(height[0])), lag)
    assert back == pytest.approx((duty, 12.0), rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize(("outdoors_c", "tau_s"), [(1.0, 300.0), (18.0, 300.0), (1.0, 900.0), (18.0, 900.0)])
def test_share_of_time_on_is_that_of_the_balance_and_strength_does_not_hang_on_the_season(
    outdoors_c: float, tau_s: float
) -> None:
    days = days_of(3, outdoors_c=outdoors_c, tau_s=tau_s)[1:]
    middle = days_of(3, outdoors_c=10.0, tau_s=tau_s)[1:]
    lag = lag_of([q for d in middle for q in d.quarters])
    found = np.array([duty_and_strength(q, lag) for d in days for q in d.quarters])
    usual = np.array([duty_and_strength(q, lag) for d in middle for q in d.quarters])
    # A slow heater's lag is not wholly known, so its share of time on is good to a tenth.
    assert np.median(found[:, 0]) == pytest.approx((28.0 - outdoors_c) / 36.0, abs=0.1)
    assert np.median(found[:, 1]) == pytest.approx(np.median(usual[:, 1]), rel=0.06)


@pytest.mark.slow
@pytest.mark.parametrize("every_min", [1, 5])
def test_a_fading_heater_is_told_before_a_fifth_is_lost_with_weeks_to_spare(every_min: int) -> None:
    told = next(n for n in range(12, 61) if judged(fading(every_min)[:n]).weak)
    lost = 0.005 * (told - 10)
    assert LEAST_LOSS - 0.02 < lost < 0.2
    found = judged(fading(every_min)[:told])
    assert found.left == pytest.approx(1.0 - lost, abs=0.04)
    assert DAY0 + 5 <= found.since_day <= DAY0 + 20
    last = judged(fading(every_min))
    assert last.per_day == pytest.approx(-0.005, abs=0.0015)
    assert last.per_day_high < 0.0
    # 16 C of 36 at first: with half a per cent a day its middle duty is full after 111 days, the hardest hours before.
    assert last.full_in_days is not None
    assert 20.0 < last.full_in_days < 70.0


@pytest.mark.slow
def test_after_a_service_the_first_days_are_others() -> None:
    script = Action(10 * 86_400.0, Act.HEATER_FADES, "", 0.01), Action(45 * 86_400.0, Act.HEATER_WORKS)
    days = days_of(60, script)
    assert judged(days[:44]).weak
    assert not judged(days).weak
    # Taken as good while it was weak, it is stronger now.
    late = judged(days, DAY0 + 35)
    assert late.left > 1.1
    assert not late.weak
    assert judged(days, DAY0 + 46).left == pytest.approx(1.0, abs=0.03)


@pytest.mark.slow
@pytest.mark.parametrize(
    "script",
    [
        tuple(Action(d * 86_400.0, Act.OUTDOORS, "", 22.0 - 0.6 * d) for d in range(40)),
        tuple(Action(d * 86_400.0, Act.OUTDOORS, "", -2.0 + 0.6 * d) for d in range(40)),
        tuple(
            Action(d * 86_400.0 + h * 3600.0, Act.THERMOSTAT_SET, "", c)
            for d in range(40)
            for h, c in ((7, 29.0), (22, 26.0))
        ),
        tuple(
            Action(d * 86_400.0 + h * 3600.0, act)
            for d in range(40)
            for h, act in (
                (9.0, Act.DOOR_OPENS),
                (9.2, Act.DOOR_CLOSES),
                (18.0, Act.DOOR_OPENS),
                (18.1, Act.DOOR_CLOSES),
            )
        ),
    ],
    ids=["colder", "warmer", "by day and night", "doors"],
)
def test_seasons_programmes_and_doors_are_no_wear(script: Script) -> None:
    days = days_of(40, script)
    assert not any(judged(days[:n]).weak for n in range(14, 41, 2))
    assert judged(days).left > 0.9


@pytest.mark.slow
@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"kind": "proportional"}, NO_SWING),
        ({"probe": "box"}, NO_SWING),
        ({"every_min": 10}, "readings come too seldom, every 10 min"),
        ({"every_min": 30}, "readings come too seldom, every 30 min"),
    ],
)
def test_where_no_swing_can_be_seen_the_reason_is_told(more: dict[str, object], why: str) -> None:
    found = wear(days_of(12, **more))  # type: ignore[arg-type]
    assert isinstance(found, str)
    assert found.startswith(why)


@pytest.mark.slow
def test_too_few_days_and_days_without_readings_are_no_ground() -> None:
    assert wear([]) == "too few days yet"
    assert wear(list(fading()[:4])) == "too few days yet"
    assert day_of(DAY0, np.empty(0, np.int64), np.empty(0)).why == "too few readings"
    # When the swing is gone, nothing is said of what it was.
    gone = [*fading()[:20], *(Day(DAY0 + 20 + i, why=NO_SWING) for i in range(4))]
    assert wear(gone) == NO_SWING


def test_a_gap_does_not_make_a_swing() -> None:
    at = DAY0 * DAY_MS + np.arange(0, DAY_MS, 60_000)
    hours = (at - at[0]) / 3.6e6
    value = 28.0 + 0.4 * np.abs((hours * 2.0) % 2.0 - 1.0)
    kept = (hours % 6.0) < 5.1
    (whole, holed) = (day_of(DAY0, at[m], value[m]) for m in (np.ones(len(at), bool), kept))
    for q, p in zip(whole.quarters, holed.quarters, strict=True):
        assert p.period_h == pytest.approx(q.period_h, rel=0.05)
        assert p.swings < q.swings


def of_file(name: str, time: int, column: int, head: int = 1) -> list[Day]:
    with shared("data", name).open() as file:
        rows = [r for r in list(csv.reader(file))[head:] if r[column]]
    told = [datetime.fromisoformat(r[time].replace("Z", "+00:00")) for r in rows]
    at = np.array([round(t.replace(tzinfo=t.tzinfo or UTC).timestamp() * 1000) for t in told], np.int64)
    order = np.argsort(at)
    at, value = at[order], np.array([float(r[column]) for r in rows])[order]
    return [day_of(d, at, value) for d in range(int(at[0] // DAY_MS), int(at[-1] // DAY_MS) + 1)]


def test_a_quiet_real_room_and_a_steadily_heated_one_show_no_swing() -> None:
    quiet = of_file("room_every_minute.csv", 1, 2)
    assert not any(d.quarters for d in quiet)
    assert wear(quiet) == NO_SWING
    for column in (1, 2, 3):
        heated = of_file("heated_room_three_heights.csv", 0, column)
        found = wear(heated)
        assert isinstance(found, str)
        assert found.startswith("readings come too seldom, every 10 min")


@pytest.mark.slow
def test_the_lag_is_found_from_any_duty() -> None:
    lags = [lag_of([q for d in days_of(2, outdoors_c=o)[1:] for q in d.quarters]) for o in (2.0, 10.0, 18.0)]
    assert max(lags) / min(lags) < 1.35
    assert math.isclose(60 * lags[1], 5.2, rel_tol=0.2)
