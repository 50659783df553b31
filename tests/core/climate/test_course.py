"""Where a box is heading: against closed forms, against simulated rooms, and when nothing can be said."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from monitor.core.climate.course import (
    AHEAD_STEP_S,
    DRAWS,
    HORIZON_S,
    Course,
    _moved,
    _outdoors,
    _slopes,
    course,
    normals,
    worth_knowing,
)
from monitor.simulation.room import Act, Action, Heater, SimBox, SimProbe, SimRoom, SimSetting
from tests.oracles.lags import two_lag_time_to_limit_s

Floats = NDArray[np.float64]
HOUR = 3600.0
SETTING = SimSetting(
    boxes=(SimBox("box", 60.0),),
    probes=(SimProbe("probe", box="box"), SimProbe("air", height_cm=100.0)),
    heater=Heater(kind="proportional", lift_c=28.0),
    outdoors_swing_c=0.0,
)


def recorded(act: Act, hours: float = 30.0, setting: SimSetting = SETTING) -> tuple[NDArray[np.int64], Floats, Floats]:
    """(ms, probe, air), a minute apart; the act happens at 0, the readings begin six hours before."""
    room = SimRoom(setting, [Action(24 * HOUR, act)], seed=4)
    room.advance(18 * HOUR)
    got = room.record((24 + hours) * HOUR, 60.0)
    return ((got.at_s - 24 * HOUR) * 1000).round().astype(np.int64), got.values["probe"], got.values["air"]


def seen(minute: float, at: NDArray[np.int64], box: Floats, air: Floats | None = None) -> Course:
    n = int(np.searchsorted(at, minute * 60_000, "right"))
    beside = (None, None) if air is None else (at[:n], air[:n])
    found = course(at[:n], box[:n], round(minute * 60_000), air_ms=beside[0], air_c=beside[1])
    assert found is not None
    return found


def truth_s(minute: float, limit_c: float, at: NDArray[np.int64], box: Floats) -> float:
    sign = 1.0 if limit_c > box[int(np.searchsorted(at, minute * 60_000))] else -1.0
    return float(at[np.flatnonzero((at >= minute * 60_000) & (sign * (box - limit_c) >= 0))[0]]) / 1000 - minute * 60


@pytest.mark.parametrize(("act", "limit_c"), [(Act.HEATER_DIES, 24.0), (Act.HEATER_STICKS_ON, 32.0)])
def test_an_hour_after_a_fault_the_time_to_a_limit_is_known_within_a_fifth(act: Act, limit_c: float) -> None:
    at, box, air = recorded(act)
    expected = truth_s(60, limit_c, at, box)
    for found in (seen(60, at, box, air), seen(60, at, box)):
        eta = found.time_to(limit_c)
        assert eta is not None
        assert found.way == "two lags"
        assert eta.mid_s == pytest.approx(expected, rel=0.2)
        assert eta.low_s <= expected <= eta.high_s
        assert eta.low_s < eta.mid_s < eta.high_s


def test_with_an_air_probe_the_answer_is_sharper_and_the_box_s_time_constant_is_found() -> None:
    at, box, air = recorded(Act.HEATER_DIES)
    with_air, alone = seen(60, at, box, air).time_to(24.0), seen(60, at, box).time_to(24.0)
    assert with_air is not None
    assert alone is not None
    assert with_air.high_s / with_air.low_s < alone.high_s / alone.low_s
    late = seen(240, at, box, air)
    assert late.tau_box_s == pytest.approx(5 * HOUR, rel=0.15)
    assert late.tau_room_s == pytest.approx(3 * HOUR, rel=0.25)


def test_noiseless_two_lags_give_the_closed_form_back() -> None:
    at_s = np.arange(-3 * HOUR, 4 * HOUR, 60.0)
    after = np.maximum(at_s, 0.0)
    theta = np.array([[math.log(2 * HOUR), math.log(5 * HOUR), math.log(12.0), 0.0, 0.0, 30.0, 30.0, 0.0]])
    box, air = _moved(theta, -1.0, after)
    found = course(
        (at_s * 1000).astype(np.int64),
        box[0],
        round(4 * HOUR * 1000),
        air_ms=(at_s * 1000).astype(np.int64),
        air_c=air[0],
    )
    assert found is not None
    expected = two_lag_time_to_limit_s(30.0, 18.0, 24.0, 2 * HOUR, 5 * HOUR)
    assert expected is not None
    eta = found.time_to(24.0)
    assert eta is not None
    assert eta.mid_s == pytest.approx(expected - 4 * HOUR, rel=0.05)


def test_the_model_solves_its_differential_equations() -> None:
    tau_room, tau_box, away, lag = 1.5 * HOUR, 4 * HOUR, -10.0, 2.0

    def slope(_: float, y: Floats) -> list[float]:
        air, box = y
        return [(28.0 + away - air) / tau_room, (air + lag - box) / tau_box]

    times = np.linspace(0, 12 * HOUR, 25)
    solved = solve_ivp(slope, (0, times[-1]), [28.0, 28.0], t_eval=times, rtol=1e-9, atol=1e-9)
    theta = np.array([[math.log(tau_room), math.log(tau_box), math.log(-away), 0.0, lag, 28.0, 28.0, 0.0]])
    box, air = _moved(theta, -1.0, times)
    assert air[0] == pytest.approx(solved.y[0], abs=1e-6)
    assert box[0] == pytest.approx(solved.y[1], abs=1e-6)
    equal = np.array([[math.log(tau_box), math.log(tau_box), math.log(-away), 0.0, 0.0, 28.0, 28.0, 0.0]])
    near = equal + np.array([[0, 1e-6, 0, 0, 0, 0, 0, 0]])
    assert _moved(equal, -1.0, times)[0][0] == pytest.approx(_moved(near, -1.0, times)[0][0], abs=1e-4)


def test_the_day_outdoors_arrives_damped_and_late() -> None:
    drawn = np.tile([[math.log(1e-3), math.log(1e-3), 0, 0, 0, 0, 0, 0.0]], (DRAWS, 1))
    added = _outdoors(drawn, np.ones(DRAWS), np.zeros(DRAWS))
    assert added[0, 144] == pytest.approx(-6.0, abs=0.01)
    slow = drawn.copy()
    slow[:, :2] = math.log(6 * HOUR)
    assert abs(_outdoors(slow, np.ones(DRAWS), np.zeros(DRAWS))).max() < 4.5


def test_a_steady_box_is_heading_nowhere() -> None:
    room = SimRoom(SETTING, seed=2)
    room.advance(40 * HOUR)
    got = room.record(48 * HOUR, 60.0)
    at = (got.at_s * 1000).astype(np.int64)
    found = course(at, got.values["probe"], int(at[-1]), air_ms=at, air_c=got.values["air"])
    assert found is not None
    assert found.time_to(25.0) is None
    assert found.time_to(31.0) is None
    assert abs(found.rate_c_per_h) < 0.1


def test_when_the_heater_works_again_the_old_course_is_not_continued() -> None:
    room = SimRoom(SETTING, [Action(24 * HOUR, Act.HEATER_STICKS_ON), Action(28 * HOUR, Act.HEATER_WORKS)], seed=5)
    room.advance(18 * HOUR)
    got = room.record(30 * HOUR, 60.0)
    at = (got.at_s * 1000).astype(np.int64)
    found = course(at, got.values["probe"], int(at[-1]), air_ms=at, air_c=got.values["air"])
    assert found is not None
    now_c = float(got.values["probe"][-1])
    assert found.chance(now_c + 1.5, 2 * HOUR, int(at[-1])) < 0.1


def test_a_line_is_continued_with_wide_bounds() -> None:
    at = np.arange(0, 31, 5, dtype=np.int64) * 60_000
    found = course(at, 28.0 - 1.5 * at / 3_600_000, int(at[-1]))
    assert found is not None
    assert found.way == "line"
    eta = found.time_to(26.25)
    assert eta is not None
    assert eta.low_s < 40 * 60 < eta.high_s
    assert eta.high_s > 1.5 * eta.low_s


@pytest.mark.parametrize(
    ("minutes", "now_min"),
    [([], 0), ([0, 5, 10], 10), ([0, 5, 10, 15, 20, 25], 120)],
    ids=["no reading", "too few", "none that is fresh"],
)
def test_nothing_is_said_without_readings_enough(minutes: list[int], now_min: int) -> None:
    at = np.array(minutes, np.int64) * 60_000
    assert course(at, np.full(len(at), 28.0), now_min * 60_000) is None


def test_what_comes_later_has_no_part_in_it() -> None:
    at, box, air = recorded(Act.HEATER_DIES, 3.0)
    one = course(at, box, 3_600_000, air_ms=at, air_c=air)
    spoilt = np.where(at > 3_600_000, 99.0, box)
    other = course(at, spoilt, 3_600_000, air_ms=at, air_c=np.where(at > 3_600_000, -9.0, air))
    assert one is not None
    assert other is not None
    assert np.array_equal(one.ahead_c, other.ahead_c)


def a_course(rates_c_per_h: Floats, now_c: float = 28.0) -> Course:
    hours = np.arange(0, HORIZON_S + 1, AHEAD_STEP_S) / HOUR
    return Course(0, "two lags", now_c + rates_c_per_h[:, None] * hours[None, :])


def test_time_and_chance_are_read_off_the_bundle_of_courses() -> None:
    found = a_course(np.linspace(0.5, 2.0, 101))
    eta = found.time_to(31.0)
    assert eta is not None
    assert eta.mid_s == pytest.approx(3.0 / 1.25 * HOUR, rel=1e-6)
    assert eta.low_s == pytest.approx(3.0 / 1.85 * HOUR, rel=0.02)
    assert eta.high_s == pytest.approx(3.0 / 0.65 * HOUR, rel=0.02)
    assert found.chance(31.0, 3.0 / 1.25 * HOUR, 0) == pytest.approx(0.5, abs=0.02)
    assert found.rate_c_per_h == pytest.approx(1.25)
    later = found.time_to(31.0, 1_800_000)
    assert later is not None
    assert later.mid_s == pytest.approx(eta.mid_s - 1800.0)
    assert found.chance(31.0, 3.0 / 1.25 * HOUR - 1800.0, 1_800_000) == pytest.approx(0.5, abs=0.02)


def test_a_limit_that_most_courses_never_reach_is_not_told_and_one_that_some_do_not_has_no_end() -> None:
    rates = np.concatenate([np.full(40, 1.0), np.full(60, -0.1)])
    assert a_course(rates).time_to(30.0) is None
    eta = a_course(-rates[::-1] * np.where(rates[::-1] > 0, 1, -10)).time_to(26.0)
    assert eta is not None
    few = a_course(np.concatenate([np.full(80, 1.0), np.full(20, 0.0)])).time_to(30.0)
    assert few is not None
    assert (few.mid_s, few.high_s) == (2 * HOUR, math.inf)


def test_draws_are_spread_as_a_normal_distribution_is() -> None:
    z = normals(11)
    assert z.shape == (DRAWS, 11)
    assert np.abs(z.mean(axis=0)).max() < 0.15
    assert np.abs(z.std(axis=0) - 1).max() < 0.15
    assert np.abs(np.corrcoef(z.T) - np.eye(11)).max() < 0.35


@pytest.mark.parametrize(
    ("values", "air", "expected"),
    [
        ([28.0, 28.0, 28.0], None, False),
        ([25.4, 25.4, 25.4], None, True),
        ([31.2, 31.3, 31.4], None, True),
        ([28.0, 27.5, 27.0], None, True),
        ([28.0, 28.5, 29.0], None, True),
        ([28.0, 28.0, 28.0], 24.9, True),
        ([28.0, 28.0, 28.0], 26.0, False),
    ],
)
def test_an_estimate_is_worth_it_where_a_limit_is_passed_or_near(
    values: list[float], air: float | None, expected: bool
) -> None:
    at = np.array([0, 30, 60], np.int64) * 60_000
    around = None if air is None else np.array([air])
    assert worth_knowing(at, np.array(values), 3_600_000, 25.0, 31.0, around) is expected
    assert worth_knowing(at, np.array(values), 3_600_000, None, None, around) is False
    assert worth_knowing(at[:0], np.empty(0), 3_600_000, 25.0, 31.0, around) is False


@pytest.mark.slow
def test_a_door_that_stood_open_for_ten_minutes_is_forgotten_a_quarter_of_an_hour_later() -> None:
    script = [Action(24 * HOUR, Act.DOOR_OPENS), Action(24 * HOUR + 600, Act.DOOR_CLOSES)]
    room = SimRoom(replace(SETTING, outdoors_c=5.0), script, seed=6)
    room.advance(18 * HOUR)
    got = room.record(27 * HOUR, 60.0)
    at = (got.at_s * 1000).astype(np.int64)
    for minute in range(6 * 60 + 25, 9 * 60, 5):
        found = course(
            at[:minute],
            got.values["probe"][:minute],
            int(at[minute - 1]),
            air_ms=at[:minute],
            air_c=got.values["air"][:minute],
        )
        assert found is not None
        assert found.chance(25.0, 2 * HOUR, int(at[minute - 1])) < 0.9, minute


def test_the_slopes_of_the_two_lags_are_those_of_their_values() -> None:
    rng = np.random.default_rng(20)
    for round_ in range(60):
        box_s, air_s = (np.sort(rng.uniform(-21600.0, 0.0, n)) for n in (40, int(rng.integers(0, 40))))
        theta = np.array([*rng.uniform([7, 6, -1, -20000], [11, 11, 3, -300]), rng.normal(), 28.0, 27.0, rng.normal()])
        if round_ % 3 == 0:
            # Where both lags are nearly equal, the plain formula is 0 / 0.
            theta[1] = theta[0] + rng.choice([0.0, 1e-9, 1e-5, -1e-3, 1e-2])
        sign = float(rng.choice([-1.0, 1.0]))
        (value,), (slope,) = _slopes(theta[None, :], np.array([sign]), box_s, air_s)
        (box,), _ = _moved(theta[None, :], sign, box_s)
        _, (air,) = _moved(theta[None, :], sign, air_s)
        assert value == pytest.approx(np.concatenate([box, air]), abs=1e-8)
        away_from_the_bend = np.abs(np.concatenate([box_s, air_s]) - theta[3]) > 1.0
        for k, step in enumerate((1e-5, 1e-5, 1e-5, 1e-2, 1e-5, 1e-5, 1e-5, 1e-5)):
            by = np.eye(8)[k] * step
            (up, down), _ = _slopes(theta + np.stack([by, -by]), np.array([sign, sign]), box_s, air_s)
            numerical = ((up - down) / (2 * step))[away_from_the_bend]
            size = 1.0 + np.abs(slope[k]).max()
            assert slope[k][away_from_the_bend] == pytest.approx(numerical, abs=1e-5 * size)
