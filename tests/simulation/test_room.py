"""The simulated room: its physics against closed forms and an independent solver, and each fault it can play."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from monitor.simulation.room import (
    DAY_S,
    LSB_C,
    Act,
    Action,
    Heater,
    SimBox,
    SimProbe,
    SimRoom,
    SimSetting,
    matrix_exponential,
    saturation_pressure_hpa,
)

HOUR_S = 3600.0
BARE = SimSetting(
    boxes=(SimBox("one", 100.0, tau_s=5 * HOUR_S),),
    probes=(SimProbe("p", box="one", noise=0.0), SimProbe("air", height_cm=100.0, noise=0.0)),
    outdoors_swing_c=0.0,
    outdoors_c=18.0,
    room_tau_s=2 * HOUR_S,
    gradient_k_per_m=0.0,
    gradient_heated_k_per_m=0.0,
)
DEAD = Action(0.0, Act.HEATER_DIES)


def stack(**changes: object) -> SimSetting:
    """Two boxes a metre apart in a heated room."""
    setting = SimSetting(
        boxes=(SimBox("low", 50.0, tau_s=2 * HOUR_S), SimBox("high", 150.0, tau_s=2 * HOUR_S)),
        probes=(
            SimProbe("low", box="low", noise=0.0),
            SimProbe("high", box="high", noise=0.0),
            SimProbe("damp", box="low", quantity="humidity", noise=0.0, lsb=0.1),
        ),
    )
    return replace(setting, **changes)  # type: ignore[arg-type]


# -- physics -------------------------------------------------------------------------------------------------


def test_the_matrix_exponential_agrees_with_scipy() -> None:
    rng = np.random.default_rng(1)
    for scale in (1e-6, 0.1, 1.0, 30.0):
        a = rng.normal(size=(9, 9)) * scale
        a -= np.eye(9) * np.abs(a).sum(axis=1).max()  # decaying, as a room is
        assert np.allclose(matrix_exponential(a), expm(a), rtol=1e-10, atol=1e-13)
    assert np.array_equal(matrix_exponential(np.zeros((3, 3))), np.eye(3))


@pytest.mark.parametrize(
    ("minutes", "expected_c"), [(10, 26.321206), (20, 28.646647), (30, 29.502129), (50, 29.932621)]
)
def test_a_box_after_a_step_follows_the_first_order_lag(minutes: int, expected_c: float) -> None:
    # T = Tenv + (T0 - Tenv) exp(-t / tau): 20 -> 30 C with tau 10 min. A room that is 30 outdoors and stays so.
    setting = replace(BARE, outdoors_c=30.0, boxes=(SimBox("one", 100.0, tau_s=600.0),), room_tau_s=1.0, probes=())
    room = SimRoom(setting, [DEAD], start_c=30.0)
    room._x[room._box_at["one"]] = 20.0
    room.advance(minutes * 60.0)
    assert room.box_c("one") == pytest.approx(expected_c, abs=1e-6)


@pytest.mark.parametrize(
    ("tau_h", "gain", "delay_h"), [(1, 0.967397, 0.978050), (3, 0.786439, 2.543068), (6, 0.537029, 3.834558)]
)
def test_the_daily_wave_reaches_the_room_smaller_and_later(tau_h: int, gain: float, delay_h: float) -> None:
    # A lag of time constant tau: gain 1 / sqrt(1 + (w tau)^2), delay atan(w tau) / w, for a period of 24 h.
    setting = replace(BARE, boxes=(), probes=(), outdoors_swing_c=5.0, room_tau_s=tau_h * HOUR_S, warmest_at_s=0.0)
    room = SimRoom(setting, [DEAD], start_c=18.0)
    room.advance(10 * DAY_S)
    for hour in range(25):
        room.advance(10 * DAY_S + hour * HOUR_S)
        assert room.outdoors_c == pytest.approx(18 + 5 * math.cos(2 * math.pi * hour / 24), abs=1e-9)
        wave = 18 + 5 * gain * math.cos(2 * math.pi * (hour - delay_h) / 24)
        assert room.room_c == pytest.approx(wave, abs=2e-5)


@pytest.mark.parametrize(
    ("hours", "expected_c"), [(1, 29.52237), (2, 28.46337), (4, 25.90390), (8, 21.89141), (12, 19.79453)]
)
def test_a_box_cools_behind_its_room_when_the_heater_dies(hours: int, expected_c: float) -> None:
    # Two lags one behind the other, 2 h and 5 h, 30 -> 18 C:
    # T = Ta + (Ti - Ta) (tr exp(-t/tr) - tb exp(-t/tb)) / (tr - tb).
    room = SimRoom(BARE, [DEAD], start_c=30.0)
    room.advance(hours * HOUR_S)
    assert room.box_c("one") == pytest.approx(expected_c, abs=1e-5)


def test_a_power_cut_is_a_dead_heater_seen_by_nobody() -> None:
    room = SimRoom(BARE, [Action(0.0, Act.POWER_FAILS)], start_c=30.0)
    room.advance(5.63693 * HOUR_S)  # the same two lags pass 24 C then
    assert room.box_c("one") == pytest.approx(24.0, abs=1e-4)
    assert room.read() == {}


def test_a_heater_that_sticks_lifts_the_room_by_its_lift() -> None:
    setting = replace(BARE, heater=Heater(set_c=25.0, lift_c=15.0))
    room = SimRoom(setting, [Action(0.0, Act.HEATER_STICKS_ON)], start_c=18.0)
    room.advance(4 * DAY_S)
    assert room.room_c == pytest.approx(33.0, abs=1e-3)
    assert room.box_c("one") == pytest.approx(33.0, abs=1e-3)


def test_the_whole_room_agrees_with_an_independent_solver() -> None:
    # Everything at once, the heater held on: the equations written out again and solved by Runge-Kutta.
    s = stack(outdoors_swing_c=6.0)
    script = [Action(0.0, Act.HEATER_STICKS_ON), Action(0.0, Act.FAN_STOPS), Action(0.0, Act.DOOR_OPENS)]
    script.append(Action(0.0, Act.PROBE_FALLS_OUT, "high"))
    room = SimRoom(s, script, start_c=24.0)

    def slope(t: float, y: np.ndarray) -> list[float]:
        power, air, gradient, low, high, p_low, p_high = y
        outside = s.outdoors_c + 6.0 * math.cos(2 * math.pi * (t - s.warmest_at_s) / DAY_S)
        above = air + gradient * 0.5
        below = air - gradient * 0.5
        return [
            (1 - power) / s.heater.tau_s,
            (outside - air) * (1 / s.room_tau_s + 1 / s.door_tau_s) + s.heater.lift_c * power / s.room_tau_s,
            (s.gradient_k_per_m + s.gradient_heated_k_per_m * power - gradient) / s.gradient_tau_s,
            (below - low) / (2 * HOUR_S),
            (above - high) / (2 * HOUR_S),
            (low - p_low) / 120.0,
            (above - p_high) / 120.0,
        ]

    solved = solve_ivp(slope, (0, 7 * HOUR_S), [0, 24, 0, 24, 24, 24, 24], rtol=1e-10, atol=1e-10, method="LSODA")
    room.advance(7 * HOUR_S)
    ours = [room.heater_power, room.room_c, room.gradient_k_per_m, room.box_c("low"), room.box_c("high")]
    ours += [float(room._x[room._probe_at["low"]]), float(room._x[room._probe_at["high"]])]
    assert ours == pytest.approx(solved.y[:, -1].tolist(), abs=1e-6)


def test_the_way_there_does_not_change_where_it_ends() -> None:
    script = [Action(1234.5, Act.DOOR_OPENS), Action(2000.25, Act.DOOR_CLOSES), Action(9000.0, Act.FAN_STOPS)]
    at_once, in_pieces = SimRoom(stack(), script), SimRoom(stack(), script)
    done = at_once.advance(20_000.0)
    for to_s in (17.0, 1000.0, 1234.5, 1999.0, 8888.8, 20_000.0):
        in_pieces.advance(to_s)
    assert [a.act for a in done] == [Act.DOOR_OPENS, Act.DOOR_CLOSES, Act.FAN_STOPS]
    assert in_pieces._x == pytest.approx(at_once._x, abs=1e-9)
    with pytest.raises(ValueError, match="does not go back"):
        at_once.advance(19_999.0)


def test_the_thermostat_holds_its_set_point_either_way() -> None:
    for kind in ("switching", "proportional"):
        setting = stack(heater=Heater(set_c=28.0, kind=kind))
        room = SimRoom(setting)
        seen = []
        for minute in range(2 * 24 * 60):
            room.advance(minute * 60.0)
            seen.append(room.air_c(100.0))
        assert 27.0 < min(seen[720:]) < max(seen[720:]) < 29.0, kind
    room = SimRoom(stack(), [Action(0.0, Act.THERMOSTAT_SET, value=25.0)])
    room.advance(DAY_S)
    assert room.air_c(100.0) == pytest.approx(25.0, abs=1.0)


def test_without_the_fan_the_stack_parts() -> None:
    room = SimRoom(stack(), [Action(DAY_S, Act.FAN_STOPS), Action(3 * DAY_S, Act.FAN_RUNS)])
    room.advance(DAY_S)
    stirred = room.box_c("high") - room.box_c("low")
    room.advance(3 * DAY_S)
    still = room.box_c("high") - room.box_c("low")
    room.advance(5 * DAY_S)
    again = room.box_c("high") - room.box_c("low")
    assert 0.0 < stirred < 0.35
    assert 1.0 < still < 2.2  # heated rooms without a fan: 0.4 to 1.3 K per metre on average, 3 at most
    assert again == pytest.approx(stirred, abs=0.2)


def test_an_open_door_and_a_cold_spell_cool_the_room() -> None:
    calm, drafty, cold = SimRoom(stack()), SimRoom(stack()), SimRoom(stack())
    drafty.do(Action(0.0, Act.DOOR_OPENS))
    cold.do(Action(0.0, Act.OUTDOORS, value=-15.0))
    for room in (calm, drafty, cold):
        room.advance(12 * HOUR_S)
    assert drafty.room_c < calm.room_c - 3
    assert cold.room_c < calm.room_c - 3
    drafty.do(Action(0.0, Act.DOOR_CLOSES))
    drafty.advance(36 * HOUR_S)
    assert drafty.room_c == pytest.approx(28.0, abs=1.2)


def test_moisture_rests_under_a_closed_lid_and_leaves_an_open_one() -> None:
    room = SimRoom(stack(), [Action(HOUR_S, Act.LID_OPENS, "low"), Action(4 * HOUR_S, Act.LID_CLOSES, "low")])
    room.advance(HOUR_S)
    assert room.read()["damp"] == pytest.approx(92.0)
    room.advance(4 * HOUR_S)
    assert room.box_humidity_pct("low") == pytest.approx(room.air_humidity_pct(50.0), abs=2.0)
    assert room.box_humidity_pct("high") == pytest.approx(92.0)
    room.advance(28 * HOUR_S)
    assert room.read()["damp"] == pytest.approx(92.0, abs=0.2)
    room.do(Action(0.0, Act.WETNESS, "low", 70.0))
    room.advance(32 * HOUR_S)  # one time constant of 4 h: 63.2 % of the way
    assert room.box_humidity_pct("low") == pytest.approx(70 + 22 * math.exp(-1), abs=0.1)


@pytest.mark.parametrize(
    ("temperature_c", "hpa"), [(20, 23.3260), (25, 31.6006), (28, 37.7115), (30, 42.3372), (32, 47.4505)]
)
def test_saturation_pressure_is_the_published_magnus_form(temperature_c: float, hpa: float) -> None:
    assert saturation_pressure_hpa(temperature_c) == pytest.approx(hpa, abs=1e-4)


# -- probes and their faults ---------------------------------------------------------------------------------


def test_probes_speak_in_codes_of_a_sixteenth_degree() -> None:
    room = SimRoom(replace(BARE, probes=(SimProbe("p", box="one", offset=0.3, noise=0.1),)), seed=3)
    values = []
    for minute in range(200):
        room.advance(minute * 60.0)
        values.append(room.read()["p"])
    assert all(v / LSB_C == round(v / LSB_C) for v in values)
    truth = room.box_c("one")
    assert np.mean(values[-50:]) == pytest.approx(truth + 0.3, abs=0.1)
    assert 0.05 < np.std(values[-50:]) < 0.2


def test_a_seed_tells_the_same_story_twice_and_another_seed_another() -> None:
    def story(seed: int, script: tuple[Action, ...] = ()) -> dict[str, list[float]]:
        setting = stack(probes=(SimProbe("low", box="low"), SimProbe("high", box="high")))
        recorded = SimRoom(setting, script, seed=seed).record(6 * HOUR_S, 60.0)
        return {k: v.tolist() for k, v in recorded.values.items()}

    assert story(1) == story(1)
    assert story(1) != story(2)
    # What one probe does leaves the noise of the other alone.
    assert story(1, (Action(0.0, Act.PROBE_IN_FAHRENHEIT, "low"),))["high"] == story(1)["high"]


def read_after(act: Act, *, value: float | None = None, subject: str = "p", hours: float = 1.0) -> dict[str, float]:
    room = SimRoom(BARE, [DEAD], start_c=30.0)
    room.read()
    room.do(Action(0.0, act, subject, value))
    room.advance(hours * HOUR_S)
    return room.read()


def test_each_fault_of_a_probe_sounds_as_it_should() -> None:
    healthy = read_after(Act.PROBE_WORKS)
    assert healthy["p"] == pytest.approx(29.52237, abs=0.05)
    assert read_after(Act.PROBE_QUIET) == {"air": healthy["air"]}
    assert read_after(Act.PROBE_SAYS_POWER_ON)["p"] == 85.0
    assert read_after(Act.PROBE_SAYS_MISSING)["p"] == -127.0
    assert read_after(Act.PROBE_STICKS)["p"] == 30.0
    assert read_after(Act.PROBE_OFFSET, value=1.5)["p"] == pytest.approx(healthy["p"] + 1.5)
    assert read_after(Act.PROBE_DRIFTS, value=24.0)["p"] == pytest.approx(healthy["p"] + 1.0)
    assert read_after(Act.PROBE_IN_FAHRENHEIT)["p"] == pytest.approx(healthy["p"] * 1.8 + 32)
    # Out of its box it says what the air does: 18 + 12 exp(-1/2), with the probe's own two minutes behind.
    assert read_after(Act.PROBE_FALLS_OUT)["p"] == pytest.approx(healthy["air"], abs=LSB_C)


def test_a_drift_that_is_stopped_stays_where_it_came_to() -> None:
    room = SimRoom(BARE, start_c=18.0)
    room.do(DEAD)
    room.do(Action(0.0, Act.PROBE_DRIFTS, "p", 1.0))
    room.advance(2 * DAY_S)
    room.do(Action(0.0, Act.PROBE_DRIFTS, "p", 0.0))
    room.advance(4 * DAY_S)
    assert room.read()["p"] == pytest.approx(20.0, abs=LSB_C)


def test_a_probe_put_back_and_a_probe_that_works_again_tell_the_truth() -> None:
    script = [
        DEAD,
        Action(10.0, Act.PROBE_FALLS_OUT, "p"),
        Action(10.0, Act.PROBE_STICKS, "air"),
        Action(HOUR_S, Act.PROBE_BACK_IN, "p"),
        Action(HOUR_S, Act.PROBE_WORKS, "air"),
    ]
    room = SimRoom(BARE, script, start_c=30.0)
    room.read()
    room.advance(2 * HOUR_S)
    assert room.read()["p"] == pytest.approx(room.box_c("one"), abs=0.05)
    assert room.read()["air"] == pytest.approx(room.room_c, abs=0.2)


def test_a_probe_says_its_power_on_value_once_when_the_power_returns() -> None:
    script = [Action(60.0, Act.POWER_FAILS), Action(120.0, Act.POWER_RETURNS), Action(600.0, Act.PROBE_RESTARTS, "p")]
    room = SimRoom(BARE, script)
    said = []
    for minute in range(12):
        room.advance(minute * 60.0)
        said.append(room.read().get("p"))
    assert said[1] is None
    assert [i for i, v in enumerate(said) if v == 85.0] == [2, 10]


def test_a_recording_has_holes_where_a_probe_was_quiet() -> None:
    script = [Action(590.0, Act.PROBE_QUIET, "p"), Action(1210.0, Act.PROBE_WORKS, "p")]
    recorded = SimRoom(BARE, script).record(1800.0, 300.0)
    assert recorded.at_s.tolist() == [300.0, 600.0, 900.0, 1200.0, 1500.0, 1800.0]
    assert np.isnan(recorded.values["p"]).tolist() == [False, True, True, True, False, False]
    assert not np.isnan(recorded.values["air"]).any()


def test_a_script_that_cannot_be_played_is_refused() -> None:
    with pytest.raises(ValueError, match="no 'q' here; there are p, air"):
        SimRoom(BARE, [Action(0.0, Act.PROBE_QUIET, "q")])
    with pytest.raises(ValueError, match="no 'two' here; there are one"):
        SimRoom(BARE, [Action(0.0, Act.LID_OPENS, "two")])
    with pytest.raises(ValueError, match="needs a value"):
        Action(0.0, Act.OUTDOORS)
    with pytest.raises(ValueError, match="takes no value"):
        Action(0.0, Act.FAN_STOPS, value=1.0)
    with pytest.raises(ValueError, match="names no subject"):
        Action(0.0, Act.PROBE_QUIET)
    with pytest.raises(ValueError, match="takes no subject"):
        Action(0.0, Act.FAN_STOPS, "one")


def test_a_fading_heater_loses_its_share_each_day_keeps_the_loss_and_is_new_when_it_works_again() -> None:
    script = [
        Action(0.0, Act.HEATER_FADES, "", 0.1),
        Action(2 * DAY_S, Act.HEATER_FADES, "", 0.0),
        Action(3 * DAY_S, Act.HEATER_WORKS),
    ]
    room = SimRoom(BARE, script)
    found = []
    for day in (1.0, 2.0, 2.9, 3.1):
        room.advance(day * DAY_S)
        found.append(room.heater_strength)
    assert found == pytest.approx([0.9, 0.8, 0.8, 1.0])
    # At full power it warms the room by so much less in the end.
    stuck = Action(0.0, Act.HEATER_STICKS_ON)
    weak = SimRoom(BARE, [Action(0.0, Act.HEATER_FADES, "", 0.1), Action(DAY_S, Act.HEATER_FADES, "", 0.0), stuck])
    whole = SimRoom(BARE, [stuck])
    for made in (weak, whole):
        made.advance(6 * DAY_S)
    assert whole.room_c - weak.room_c == pytest.approx(0.1 * BARE.heater.lift_c, rel=0.02)
