"""Damp air, lags and times to a limit, against published figures, closed forms and numerical oracles."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate

from monitor.core.climate.humid_air import (
    dew_point_c,
    saturation_vapour_pressure_hpa,
    vapour_pressure_deficit_kpa,
    vapour_pressure_hpa,
)
from monitor.core.climate.outage import two_lag_temperature_c
from monitor.errors import ModelOutOfRange
from tests.oracles.humid_air import absolute_humidity_g_m3
from tests.oracles.lags import (
    fit_time_constant_s,
    ramp_lag_c,
    sine_delay_s,
    sine_gain,
    step_response_c,
    time_to_limit_s,
    two_lag_time_to_limit_s,
)

HOUR_S = 3600.0

# --- damp air -----------------------------------------------------------------------------------------------------


def test_saturation_is_within_a_third_of_a_percent_of_the_standard_for_water() -> None:
    # IAPWS-95 by CoolProp 8.0.0, and ASHRAE Handbook Fundamentals 2017 chapter 1, table 3 (5, 25 and 50 C), in hPa.
    t = [15.0, 20.0, 25.0, 28.0, 30.0, 32.0, 35.0]
    standard = np.array([17.0579, 23.3932, 31.6993, 37.8305, 42.4697, 47.5957, 56.2902])
    off = saturation_vapour_pressure_hpa(t) / standard - 1.0
    assert np.all((off > -0.0032) & (off < -0.0023))
    printed = np.array([8.726, 31.697, 123.513])
    assert np.all(np.abs(saturation_vapour_pressure_hpa([5.0, 25.0, 50.0]) / printed - 1.0) < 0.004)


def test_saturation_is_the_formula_of_the_world_meteorological_organization() -> None:
    # 6.112 exp[17.62 t / (243.12 + t)], WMO-No. 8 (2008), p. 1.4-29; at 0 C the exponent is 0.
    assert float(saturation_vapour_pressure_hpa(0.0)) == 6.112
    assert saturation_vapour_pressure_hpa([20.0, 30.0]) == pytest.approx([23.3260, 42.3372], abs=1e-4)


@pytest.mark.parametrize("t", [-45.01, 60.01, math.nan, math.inf])
def test_saturation_outside_its_range_is_refused(t: float) -> None:
    with pytest.raises(ModelOutOfRange):
        saturation_vapour_pressure_hpa(t)
    with pytest.raises(ModelOutOfRange):
        dew_point_c([20.0, t], 50.0)


@pytest.mark.parametrize("h", [0.0, -1.0, 100.01, math.nan])
def test_an_impossible_humidity_is_refused(h: float) -> None:
    for call in (vapour_pressure_hpa, dew_point_c, absolute_humidity_g_m3):
        with pytest.raises(ModelOutOfRange):
            call(25.0, h)


@given(st.floats(-5.0, 45.0), st.floats(3.0, 100.0))
def test_air_cooled_to_its_dew_point_is_saturated(t: float, h: float) -> None:
    dew = float(dew_point_c(t, h))
    assert float(saturation_vapour_pressure_hpa(dew)) == pytest.approx(float(vapour_pressure_hpa(t, h)), rel=1e-12)
    assert dew <= t + 1e-9


def test_air_too_dry_for_the_formula_has_no_dew_point() -> None:
    with pytest.raises(ModelOutOfRange, match="dew point"):
        dew_point_c([25.0, 0.0], [50.0, 1.0])


def test_dew_points_are_within_two_hundredths_of_an_independent_formula() -> None:
    # PsychroLib 2.5.0 (ASHRAE 2017, Hyland & Wexler).
    assert dew_point_c([25.0, 28.0, 30.0, 32.0], [50.0, 80.0, 95.0, 90.0]) == pytest.approx(
        [13.8640, 24.2253, 29.1094, 30.1498], abs=0.02
    )


def test_air_near_saturation_condenses_on_a_wall_a_degree_colder() -> None:
    # At 30 C and 95 % the dew point is 0.9 C below the air.
    assert 30.0 - float(dew_point_c(30.0, 95.0)) == pytest.approx(0.89, abs=0.005)


def test_the_vapour_pressure_deficit_counts_from_the_eggs_surface() -> None:
    # FAO Irrigation and Drainage Paper 56 has the deficit as es - ea; here es belongs to the egg.
    assert float(vapour_pressure_deficit_kpa(25.0, 25.0, 50.0)) == pytest.approx(1.58003, abs=1e-4)
    assert float(vapour_pressure_deficit_kpa(30.0, 30.0, 100.0)) == pytest.approx(0.0, abs=1e-12)
    assert float(vapour_pressure_deficit_kpa(31.0, 30.0, 95.0)) > float(vapour_pressure_deficit_kpa(30.0, 30.0, 95.0))
    assert float(vapour_pressure_deficit_kpa(28.0, 30.0, 95.0)) < 0.0


def test_absolute_humidity_is_that_of_an_ideal_gas() -> None:
    # 15.80 hPa at 298.15 K with a molar mass of 18.015 g: 1580.03 * 18.015 / (8.314462618 * 298.15).
    assert float(absolute_humidity_g_m3(25.0, 50.0)) == pytest.approx(11.4826, abs=2e-4)
    assert absolute_humidity_g_m3([30.0, 32.0], [95.0, 90.0]) == pytest.approx([28.7479, 30.3240], abs=2e-3)


# --- lag ----------------------------------------------------------------------------------------------------------


def test_a_step_is_followed_by_63_percent_in_one_time_constant() -> None:
    # American Meteorological Society glossary, "time constant".
    assert step_response_c(600.0, 20.0, 30.0, 600.0) == pytest.approx(20.0 + 10.0 * 0.632121, abs=1e-5)
    assert step_response_c(0.0, 20.0, 30.0, 600.0) == 20.0
    assert step_response_c(3000.0, 20.0, 30.0, 600.0) == pytest.approx(29.932621, abs=1e-6)


def test_behind_a_ramp_the_lag_settles_at_rate_times_time_constant() -> None:
    assert ramp_lag_c(1e6, 0.1 / 60.0, 600.0) == pytest.approx(1.0, rel=1e-12)
    assert ramp_lag_c(0.0, 0.1 / 60.0, 600.0) == 0.0
    oracle = integrate.solve_ivp(lambda t, y: (0.001 * t - y) / 600.0, (0.0, 900.0), [0.0], rtol=1e-10, atol=1e-12)
    assert ramp_lag_c(900.0, 0.001, 600.0) == pytest.approx(0.9 - oracle.y[0][-1], abs=1e-7)


@pytest.mark.parametrize("tau_h", [0.5, 1.0, 3.0, 6.0, 24.0])
def test_a_daily_swing_arrives_smaller_and_later_as_the_differential_equation_says(tau_h: float) -> None:
    w = 2.0 * math.pi / 24.0
    t = np.linspace(480.0, 504.0, 4001)
    oracle = integrate.solve_ivp(
        lambda x, y: (math.sin(w * x) - y) / tau_h, (0.0, 504.0), [0.0], t_eval=t, rtol=1e-9, atol=1e-11, max_step=0.5
    ).y[0]
    assert sine_gain(24.0 * HOUR_S, tau_h * HOUR_S) == pytest.approx(float(oracle.max()), abs=1e-5)
    delay_h = sine_delay_s(24.0 * HOUR_S, tau_h * HOUR_S) / HOUR_S
    assert (t[int(np.argmax(oracle))] - 480.0 - 6.0) == pytest.approx(delay_h, abs=0.02)
    assert 0.0 < delay_h < 6.0


def test_a_box_of_six_hours_sees_half_of_the_rooms_daily_swing() -> None:
    assert sine_gain(24.0 * HOUR_S, 6.0 * HOUR_S) == pytest.approx(0.537029, abs=1e-6)
    assert sine_delay_s(24.0 * HOUR_S, 6.0 * HOUR_S) == pytest.approx(3.834558 * HOUR_S, abs=1e-2)


def test_a_time_constant_is_found_again_in_noisy_cooling() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 4.0 * HOUR_S, 300.0)
    cooling = 18.0 + 12.0 * np.exp(-t / (4.0 * HOUR_S)) + rng.normal(0.0, 0.05, t.size)
    assert fit_time_constant_s(t, cooling, 18.0) == pytest.approx(4.0 * HOUR_S, rel=0.02)
    warming = 30.0 - 8.0 * np.exp(-t / 5000.0)
    assert fit_time_constant_s(t, warming, 30.0) == pytest.approx(5000.0, rel=1e-9)


@pytest.mark.parametrize(
    ("t", "c"),
    [
        ([0.0, 1.0], [30.0, 29.0]),
        ([0.0, 1.0, 2.0], [30.0, 20.0, 18.0]),
        ([0.0, 1.0, 2.0], [30.0, 18.5, 17.0]),
        ([0.0, 1.0, 2.0], [28.0, 29.0, 30.0]),
        ([0.0, 1.0, 2.0], [30.0, 30.0, 30.0]),
        ([1.0, 1.0, 1.0], [30.0, 29.0, 28.0]),
        ([0.0, 1.0, 2.0], [30.0, math.nan, 28.0]),
        ([0.0, 1.0, 2.0], [30.0, 29.0]),
    ],
)
def test_no_time_constant_is_read_from_what_does_not_approach_the_surroundings(t: list[float], c: list[float]) -> None:
    with pytest.raises(ModelOutOfRange):
        fit_time_constant_s(t, c, 18.0)


@pytest.mark.parametrize("tau", [0.0, -1.0, math.nan, math.inf])
def test_a_time_constant_has_to_be_above_0(tau: float) -> None:
    calls: list[Callable[[], object]] = [
        lambda: step_response_c(1.0, 20.0, 30.0, tau),
        lambda: ramp_lag_c(1.0, 0.1, tau),
        lambda: sine_gain(60.0, tau),
        lambda: sine_delay_s(60.0, tau),
        lambda: time_to_limit_s(30.0, 18.0, 24.0, tau),
        lambda: two_lag_temperature_c(1.0, 30.0, 18.0, tau, 5.0),
        lambda: two_lag_time_to_limit_s(30.0, 18.0, 24.0, 5.0, tau),
    ]
    for call in calls:
        with pytest.raises(ModelOutOfRange):
            call()


def test_the_past_and_a_period_of_nothing_are_refused() -> None:
    calls: list[Callable[[], object]] = [
        lambda: step_response_c(-1.0, 20.0, 30.0, 600.0),
        lambda: ramp_lag_c(-1.0, 0.1, 600.0),
        lambda: two_lag_temperature_c(math.nan, 30.0, 18.0, 5.0, 6.0),
        lambda: sine_gain(0.0, 600.0),
        lambda: time_to_limit_s(30.0, math.nan, 24.0, 600.0),
    ]
    for call in calls:
        with pytest.raises(ModelOutOfRange):
            call()


# --- time to a limit ----------------------------------------------------------------------------------------------


@given(st.floats(15.0, 35.0), st.floats(5.0, 45.0), st.floats(0.01, 0.99), st.floats(600.0, 1e6))
def test_after_the_time_to_a_limit_the_temperature_is_there(
    start: float, surroundings: float, share: float, tau: float
) -> None:
    if abs(start - surroundings) < 0.1:
        return
    limit = surroundings + share * (start - surroundings)
    after = time_to_limit_s(start, surroundings, limit, tau)
    assert after is not None
    assert step_response_c(after, start, surroundings, tau) == pytest.approx(limit, abs=1e-9)
    later = two_lag_time_to_limit_s(start, surroundings, limit, tau, 0.7 * tau)
    assert later is not None
    assert later > after
    assert two_lag_temperature_c(later, start, surroundings, tau, 0.7 * tau) == pytest.approx(limit, abs=1e-9)


def test_cooling_in_half_the_difference_takes_ln_2_time_constants() -> None:
    assert time_to_limit_s(30.0, 18.0, 24.0, 4.0 * HOUR_S) == pytest.approx(2.772589 * HOUR_S, rel=1e-6)
    assert time_to_limit_s(31.5, 12.0, 26.0, 6.0 * HOUR_S) == pytest.approx(1.988143 * HOUR_S, rel=1e-6)


@pytest.mark.parametrize(
    ("start", "surroundings", "limit"),
    [
        (31.5, 27.0, 26.0),  # the room stays warm enough
        (30.0, 24.0, 24.0),  # it only creeps up to the limit
        (30.0, 18.0, 31.0),  # the limit lies behind
        (20.0, 35.0, 18.0),
        (30.0, 30.0, 24.0),
    ],
)
def test_a_limit_that_is_not_on_the_way_is_never_reached(start: float, surroundings: float, limit: float) -> None:
    assert time_to_limit_s(start, surroundings, limit, 6.0 * HOUR_S) is None
    assert two_lag_time_to_limit_s(start, surroundings, limit, 6.0 * HOUR_S, HOUR_S) is None


def test_at_the_limit_the_time_is_0() -> None:
    assert time_to_limit_s(24.0, 18.0, 24.0, HOUR_S) == 0.0
    assert two_lag_time_to_limit_s(24.0, 18.0, 24.0, HOUR_S, HOUR_S) == 0.0
    assert time_to_limit_s(24.0, 24.0, 24.0, HOUR_S) == 0.0


@pytest.mark.parametrize("tau_box_h", [5.0, 2.0, 2.0000001, 0.01])
def test_a_box_in_a_cooling_room_follows_the_two_equations(tau_box_h: float) -> None:
    def slopes(_t: float, y: np.ndarray) -> list[float]:
        return [(18.0 - y[0]) / 2.0, (y[0] - y[1]) / tau_box_h]

    hours = [1.0, 2.0, 4.0, 8.0, 12.0]
    oracle = integrate.solve_ivp(
        slopes, (0.0, 12.0), [30.0, 30.0], t_eval=hours, rtol=1e-10, atol=1e-12, method="LSODA"
    )
    got = [two_lag_temperature_c(h, 30.0, 18.0, 2.0, tau_box_h) for h in hours]
    assert got == pytest.approx(oracle.y[1], abs=2e-6)
    assert got == [two_lag_temperature_c(h, 30.0, 18.0, tau_box_h, 2.0) for h in hours]


def test_equal_time_constants_take_the_limit_form() -> None:
    expected = 18.0 + 12.0 * 3.0 * math.exp(-2.0)  # (1 + t / tau) exp(-t / tau) at t = 2 tau
    assert two_lag_temperature_c(2.0, 30.0, 18.0, 1.0, 1.0) == pytest.approx(expected, rel=1e-14)
    near = [two_lag_temperature_c(2.0, 30.0, 18.0, 1.0, 1.0 + d) for d in (1e-15, 1e-12, 1e-9, 1e-6)]
    assert near == pytest.approx([expected] * 4, abs=2e-5)
    assert near[:3] == pytest.approx([expected] * 3, abs=1e-7)


@given(st.floats(1.0, 1e7), st.floats(1.0, 1e7), st.floats(0.0, 1e9))
def test_a_cooling_box_never_overshoots(tau_room: float, tau_box: float, after: float) -> None:
    got = two_lag_temperature_c(after, 30.0, 18.0, tau_room, tau_box)
    assert 18.0 <= got <= 30.0
    assert got >= step_response_c(after, 30.0, 18.0, max(tau_room, tau_box)) - 1e-9


def test_the_known_case_of_a_room_of_two_and_a_box_of_five_hours() -> None:
    # Closed form, and scipy solve_ivp: 24 C after 5.63693 h.
    assert two_lag_temperature_c(4.0, 30.0, 18.0, 2.0, 5.0) == pytest.approx(25.90390, abs=1e-5)
    assert two_lag_time_to_limit_s(30.0, 18.0, 24.0, 2.0 * HOUR_S, 5.0 * HOUR_S) == pytest.approx(
        5.63693 * HOUR_S, abs=0.05
    )
