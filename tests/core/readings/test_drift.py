"""Robust trends against another oracle, and a probe among its peers in real and invented rooms."""

from __future__ import annotations

import csv
from typing import Final

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from monitor.core.maths.robust import theil_sen, theil_sen_slope
from monitor.core.readings import drift
from monitor.core.readings.drift import BASELINE_DAYS, LEAST_DAYS, PERSISTS_DAYS, PeerView, departing
from monitor.simulation.room import Act, Action, Heater, SimBox, SimProbe, SimRoom, SimSetting
from tests.oracles.trends import mann_kendall
from tests.peers import shared


def test_trends_agree_with_scipy_on_series_with_ties() -> None:
    rng = np.random.default_rng(2)
    for _ in range(20):
        x, y = np.arange(25.0), (rng.normal(0, 1, 25) + 0.05 * np.arange(25)).round(1)
        line, oracle = theil_sen(x, y, 0.9), stats.theilslopes(y, x, 0.9)
        assert (line.slope, line.low, line.high) == pytest.approx(
            (oracle.slope, oracle.low_slope, oracle.high_slope), abs=1e-12
        )
        assert mann_kendall(y).tau == pytest.approx(stats.kendalltau(x, y).statistic, abs=1e-12)
    small = rng.permutation(10).astype(np.float64)
    assert mann_kendall(small).p == pytest.approx(stats.kendalltau(np.arange(10), small, method="exact").pvalue)


def test_a_line_through_one_point_is_refused_and_a_level_series_has_no_trend() -> None:
    with pytest.raises(ValueError, match="two points"):
        theil_sen([1.0], [2.0])
    assert theil_sen_slope([1.0], [2.0]) == 0.0
    level = mann_kendall([28.0] * 8)
    assert (level.s, level.z, level.tau, level.p) == (0, 0.0, 0.0, 1.0)


# -- a stack against its set point ------------------------------------------------------------------------------


def test_a_stack_that_sways_about_its_set_point_is_inside_and_one_that_sags_is_outside_since_some_day() -> None:
    days = np.random.default_rng(1).normal(28.5, 0.1, 40)
    calm = drift.level(days, 28.5)
    assert calm is not None
    assert calm.since_day is None
    days[25:] -= 0.4
    sagged = drift.level(days, 28.5)
    assert sagged is not None
    assert sagged.off_c == pytest.approx(-0.4, abs=0.1)
    assert sagged.since_day is not None
    assert 25 <= sagged.since_day <= 28
    # Three sigma of the average: sigma sqrt(weight / (2 - weight)) = sigma / 3 with weight 0.2 (NIST 6.3.2.4).
    assert sagged.within_c == pytest.approx(0.1, abs=0.05)
    assert drift.level(days[:9], 28.5) is None


# -- a probe among its peers ----------------------------------------------------------------------------------

HEIGHTS: Final = {"low": 60.0, "middle": 105.0, "high": 150.0}
NAMES: Final = tuple(HEIGHTS)


def a_stack(days: int = 60, seed: int = 1) -> NDArray[np.float64]:
    """Daily medians (days x probes) of a calm stack with a gradient and probes that are off by what they may be."""
    table: NDArray[np.float64] = np.random.default_rng(seed).normal(0.0, 0.03, (days, 3))
    table += np.array([27.9, 28.3, 28.7])
    return table


def view(table: NDArray[np.float64], heights: dict[str, float] = HEIGHTS) -> PeerView:
    return departing(np.arange(len(table)), {n: table[:, i] for i, n in enumerate(heights)}, heights)


@pytest.mark.parametrize("probe", NAMES)
@pytest.mark.parametrize("rate", [0.02, 0.05, -0.05])
def test_a_probe_that_drifts_is_named_with_its_rate_and_beginning(probe: str, rate: float) -> None:
    table = a_stack()
    table[20:, NAMES.index(probe)] += rate * np.arange(1, 41)
    found = view(table).departure
    assert found is not None
    assert found.probe == probe
    assert found.shift_c == pytest.approx(rate * 40, abs=0.15)
    assert found.rate_c_per_day is not None
    assert found.shift_c == pytest.approx(found.rate_c_per_day * (found.until_day - found.since_day))
    assert found.rate_c_per_day == pytest.approx(rate, rel=0.2)
    assert abs(found.since_day - 20) <= 4


def test_a_probe_that_jumps_is_told_after_five_days_and_not_before() -> None:
    told = []
    for days in range(26, 40):
        table = a_stack(days)
        table[30:, 1] += 0.5
        if view(table).departure is not None:
            told.append(days)
    assert told == list(range(35, 40))


def test_a_departure_that_goes_back_is_not_told() -> None:
    table = a_stack()
    table[40:55, 0] += 0.6
    assert view(table).departure is None


def test_two_probes_of_four_that_leave_together_are_no_drift_of_one() -> None:
    table = np.hstack([a_stack(), a_stack(seed=2)[:, :1]])
    table[30:, 1] += 0.5
    table[30:, 2] += 0.5
    assert view(table, HEIGHTS | {"floor": 40.0}).departure is None


@pytest.mark.parametrize("change", [0.3, 0.8, -0.5])
def test_a_changed_gradient_is_no_drift(change: float) -> None:
    table = a_stack()
    table[30:] += change * (np.array(list(HEIGHTS.values())) - 105.0) / 100.0
    assert view(table).departure is None


def test_with_two_levels_close_together_a_gradient_and_a_drift_look_alike_and_nothing_is_told() -> None:
    table = a_stack()
    table[30:, 2] += 0.5
    assert view(table, {"low": 60.0, "middle": 62.0, "high": 150.0}).departure is None


def test_a_room_set_anew_is_judged_by_what_the_others_did() -> None:
    table = a_stack()
    table[30:] -= 2.0
    assert set(view(table).state.values()) == {"steady"}
    table[30:, 2] -= 0.8
    assert view(table).departure is None
    # One that goes on leaving them afterwards is no matter of the heating.
    table[32:, 2] -= 0.1 * np.arange(1, 29)
    found = view(table).departure
    assert found is not None
    assert found.probe == "high"
    assert found.rate_c_per_day == pytest.approx(-0.1, abs=0.04)


def test_a_probe_that_leaves_the_others_when_the_room_is_set_anew_has_to_leave_them_by_more() -> None:
    for shift, told in ((0.4, False), (0.7, True)):
        table = a_stack(30)
        table[14:] += 1.5
        table[16:, 1] += shift
        found = view(table)
        assert (found.departure is not None) is told
        if found.departure is None:
            assert found.state["middle"] == "in doubt"
        else:
            assert found.departure.probe == "middle"
            assert found.departure.shift_c == pytest.approx(shift, abs=0.1)
            assert found.departure.rate_c_per_day is None


def test_nothing_is_said_of_two_probes_or_of_a_few_days() -> None:
    table = a_stack()
    two = departing(np.arange(60), {"low": table[:, 0], "high": table[:, 2]}, HEIGHTS)
    assert set(two.state.values()) == {"too few peers"}
    assert set(view(a_stack(LEAST_DAYS + PERSISTS_DAYS - 1)).state.values()) == {"too few days"}
    assert set(view(a_stack(BASELINE_DAYS + PERSISTS_DAYS)).state.values()) == {"steady"}


@pytest.mark.slow
def test_false_alarms_of_calm_stacks_are_rare() -> None:
    """Twenty-five calm stacks over ninety days, looked at on every third of the last sixty. ``deploy/measure drift``
    draws hundreds."""
    false = sum(
        any(view(table[:days]).departure is not None for days in range(30, 91, 3))
        for table in (a_stack(90, seed) for seed in range(25))
    )
    assert false == 0


TWIN_HOUSE: Final = {"air_067cm_c": 67.0, "air_125cm_c": 125.0, "air_187cm_c": 187.0}


def twin_house() -> NDArray[np.float64]:
    """Daily medians at three heights. IEA EBC Annex 58 twin house: nine days at 30 C by thermostat, then free, then
    constant power, free again, six days at 25 C by thermostat, and free to the end."""
    with shared("data", "heated_room_three_heights.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    dates = np.array([r["time_utc"][:10] for r in rows])
    values = np.array([[float(r[c] or "nan") for c in TWIN_HOUSE] for r in rows])
    return np.array([np.nanmedian(values[dates == d], axis=0) for d in sorted(set(dates))[:-1]])


@pytest.mark.slow
def test_no_drift_is_seen_in_a_real_room_whatever_was_done_to_its_heating() -> None:
    """Every span of days of the forty-one, none of them left out."""
    table = twin_house()
    judged = 0
    for first in range(len(table) - 15):
        for end in range(first + 15, len(table) + 1):
            found = view(table[first:end], TWIN_HOUSE)
            assert found.departure is None, (first, end, found.departure)
            judged += "steady" in found.state.values()
    assert judged > 250


@pytest.mark.slow
@pytest.mark.parametrize("probe", TWIN_HOUSE)
@pytest.mark.parametrize("rate", [0.1, -0.1, 0.2, -0.2])
def test_a_drift_in_a_real_room_whose_heating_is_changed_is_told(probe: str, rate: float) -> None:
    """From the eleventh day on, while the room is heated at constant power, not at all, and by thermostat."""
    table = twin_house()
    table[11:, list(TWIN_HOUSE).index(probe)] += rate * np.arange(1, len(table) - 10)
    told = {}
    for end in range(15, len(table) + 1):
        found = view(table[:end], TWIN_HOUSE).departure
        if found is not None:
            told[end - 11] = {found.probe, found.or_probe} if end < len(table) else {found.probe}
    # On the 15th day at the latest by 0.1 C a day, on the 8th by 0.2.
    assert min(told) <= (8 if abs(rate) == 0.2 else 15)
    assert sum(probe in names for names in told.values()) >= 0.9 * len(told)
    assert told[len(table) - 11] == {probe}


@pytest.mark.slow
def test_days_of_a_real_heated_room_in_any_order_are_no_drift_and_one_in_them_is_found() -> None:
    """The nine days at 30 C, drawn at random to forty: the gradient sways by 0.2 K from day to day."""
    table, rng = twin_house()[:9], np.random.default_rng(0)
    found = 0
    for _ in range(100):
        drawn = table[rng.integers(0, 9, 40)]
        assert view(drawn, TWIN_HOUSE).departure is None
        drawn[15:, 0] += 0.03 * np.arange(1, 26)
        departure = view(drawn, TWIN_HOUSE).departure
        found += departure is not None and departure.probe == "air_067cm_c"
    assert found >= 95


def simulated(script: tuple[Action, ...], days: int = 50) -> PeerView:
    """A heated stack of four boxes with digital probes, outdoors with a day's wave; medians of each day."""
    heights = {"h40": 40.0, "h80": 80.0, "h120": 120.0, "h160": 160.0}
    room = SimRoom(
        SimSetting(
            tuple(SimBox(n, h) for n, h in heights.items()),
            tuple(SimProbe(f"p{n}", n, offset=0.2 * (i % 2)) for i, n in enumerate(heights)),
            Heater(looks_every_s=600.0),
        ),
        script,
        seed=4,
    )
    kept = room.record(days * 86_400.0, 3600.0)
    day = (kept.at_s - 1.0) // 86_400.0
    table = {name: np.array([np.nanmedian(v[day == d]) for d in range(days)]) for name, v in kept.values.items()}
    return departing(np.arange(days), table, {f"p{n}": h for n, h in heights.items()})


def test_in_a_simulated_room_the_fan_and_the_weather_are_no_drift_and_a_drift_is_found() -> None:
    day = 86_400.0
    assert simulated((Action(25 * day, Act.FAN_STOPS),)).departure is None
    assert simulated((Action(25 * day, Act.OUTDOORS, value=2.0),)).departure is None
    found = simulated((Action(25 * day, Act.PROBE_DRIFTS, "ph120", 0.03),)).departure
    assert found is not None
    assert found.probe == "ph120"
    assert found.rate_c_per_day == pytest.approx(0.03, rel=0.25)
