"""Probes that are heard and not to be believed: each fault in a simulated room, and real rooms in which none is."""

from __future__ import annotations

import csv
import itertools
import random
from datetime import UTC, datetime

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.core.readings.gusts import opening
from monitor.core.readings.out_of_box import (
    CLOSED_BOX_S,
    InAir,
    closed_box,
    in_air,
    left_box,
    sudden_c,
)
from monitor.core.readings.probe_faults import errors, jumps, other_unit, saturated, stuck, swapped
from monitor.core.readings.quality import Context, judge
from monitor.core.readings.series import Series
from monitor.core.terms.events import Reading
from monitor.core.terms.settings import Probe
from monitor.simulation.room import Act, Action, Heater, SimBox, SimProbe, SimRoom, SimSetting
from tests.peers import shared

MINUTE = 60_000
HOUR = 3_600_000
SETTING = SimSetting(
    boxes=(SimBox("low", 40.0), SimBox("high", 160.0)),
    probes=(SimProbe("low", box="low"), SimProbe("high", box="high"), SimProbe("air", height_cm=100.0)),
    heater=Heater(kind="proportional", lift_c=30.0),
    gradient_heated_k_per_m=2.6,
)


def played(
    *script: Action, hours: float = 30.0, every_s: float = 300.0, seed: int = 3
) -> tuple[dict[str, Series], int]:
    """The last day of a room without a fan: probe -> readings; and now. Times of the script in hours."""
    room = SimRoom(SETTING, [Action(0.0, Act.FAN_STOPS), *script], seed=seed)
    room.advance(6 * 3600.0)
    got = room.record(hours * 3600.0, every_s)
    at = (got.at_s * 1000).round().astype(np.int64)
    day = at > at[-1] - 24 * HOUR
    found = {}
    for probe, values in got.values.items():
        there = day & ~np.isnan(values)
        found[probe] = at[there], values[there]
    return found, int(at[-1])


def at(hours: float, act: Act, subject: str = "", value: float | None = None) -> Action:
    return Action(hours * 3600.0, act, subject, value)


def test_a_probe_that_sticks_is_found_after_six_hours_and_not_before() -> None:
    quiet = [at(20, Act.PROBE_STICKS, "high")]
    for hours, expected in ((25.5, False), (27.0, True)):
        said, now = played(*quiet, hours=hours)
        found = stuck(said["high"], [said["low"], said["air"]], now)
        assert (found is not None) is expected
        if found is not None:
            assert found.since_ms == pytest.approx(20 * HOUR, abs=40 * MINUTE)
            assert found.others_moved > 0.18
    said, now = played(hours=27.0)
    assert stuck(said["high"], [said["low"]], now) is None


def test_a_probe_of_a_steady_room_does_not_stick_nor_one_whose_others_say_nothing() -> None:
    times = np.arange(0, 20 * HOUR, 5 * MINUTE, dtype=np.int64)
    same = times, np.full(len(times), 28.0)
    assert stuck(same, [(times, np.full(len(times), 28.3))], int(times[-1])) is None
    assert stuck(same, [], int(times[-1])) is None
    moving = times, 28.0 + times / HOUR / 10
    assert stuck(same, [moving], int(times[-1])) is not None
    coarse = times, 28.0 + np.where(times < 4 * HOUR, 0.5, 0.0)
    little = times, 28.0 + times / HOUR / 20
    assert stuck(coarse, [little], int(times[-1])) is None, "three steps of half a degree are more than it moved"
    assert stuck((times[:-20], same[1][:-20]), [moving], int(times[-1])) is None, "quiet, not stuck"


def test_fahrenheit_where_celsius_was_promised_is_known_by_the_probe_s_own_past_and_by_the_others() -> None:
    said, _ = played(at(29, Act.PROBE_IN_FAHRENHEIT, "low"))
    found = other_unit(said["low"], [], "C")
    assert found is not None
    assert found.speaks == "Fahrenheit"
    assert found.said == pytest.approx(82.0, abs=3)
    assert found.would_be_c == pytest.approx(27.5, abs=1.5)
    assert found.since_ms == pytest.approx(29 * HOUR, abs=6 * MINUTE)
    only = said["low"][0][-6:], said["low"][1][-6:]
    assert other_unit(only, [], "C") is None, "nothing to compare it with"
    assert other_unit(only, [said["high"]], "C") is not None
    assert other_unit(said["high"], [said["low"]], "C") is None, "the one that is right is not suspected for the other"


def test_celsius_where_fahrenheit_was_promised_is_known_too() -> None:
    said, _ = played()
    times, right = said["high"]
    wrong = np.where(times >= 29 * HOUR, (right - 32.0) / 1.8, right)
    found = other_unit((times, wrong), [], "F")
    assert found is not None
    assert found.speaks == "Celsius"
    assert found.said == pytest.approx(28.5, abs=1.5)


def test_heat_that_is_real_is_no_other_unit() -> None:
    said, _ = played(at(20, Act.HEATER_STICKS_ON), hours=32.0)
    for probe in said:
        assert other_unit(said[probe], [said[p] for p in said if p != probe], "C") is None


def test_a_probe_that_falls_out_is_found_where_box_and_air_were_apart() -> None:
    # With a fan the air at the height of the box is that at its probe. The box is still cold, the air warm.
    cold = [at(0, Act.FAN_RUNS), at(8, Act.THERMOSTAT_SET, "", 22.0), at(22, Act.THERMOSTAT_SET, "", 28.0)]
    said, now = played(*cold, at(25, Act.PROBE_FALLS_OUT, "low"), hours=27.5)
    found = left_box(said["low"], said["air"], now)
    assert found is not None
    assert found.at_ms == pytest.approx(25 * HOUR, abs=20 * MINUTE)
    assert found.before_c > 1.2
    said, now = played(*cold, hours=27.5)
    for box in ("low", "high"):
        assert left_box(said[box], said["air"], now) is None


def test_a_probe_beside_the_air_probe_that_falls_out_is_found() -> None:
    times = np.arange(0, 24 * HOUR, 5 * MINUTE, dtype=np.int64)
    rng = np.random.default_rng(1)
    air = 27.0 + 0.3 * np.sin(times / HOUR) + 0.03 * rng.normal(size=len(times))
    box = 28.5 + 0.03 * rng.normal(size=len(times))
    out = np.where(times >= 20 * HOUR, air + 0.1, box)
    found = left_box((times, out), (times, air), int(times[-1]))
    assert found is not None
    assert found.at_ms == pytest.approx(20 * HOUR, abs=20 * MINUTE)
    assert found.before_c == pytest.approx(1.5, abs=0.4)
    assert found.since_c == pytest.approx(0.1, abs=0.05)
    back = np.where(times >= 22 * HOUR, box, out)
    assert left_box((times, back), (times, air), int(times[-1])) is None
    slow = np.interp(times, [0, 18 * HOUR, 22 * HOUR, 24 * HOUR], [28.5, 28.5, 27.0, 27.0])
    assert left_box((times, slow), (times, air), int(times[-1])) is None, "a box can do that"


def test_two_probes_that_change_places_are_found_and_when() -> None:
    said, now = played()
    (times, low), (_, high) = said["low"], said["high"]
    assert float(np.median(high - low)) > 0.5
    late = times >= 20 * HOUR
    one, other = np.where(late, high, low), np.where(late, low, high)
    assert swapped((times, one), (times, other), now) == pytest.approx(20 * HOUR, abs=20 * MINUTE)
    assert swapped((times, low), (times, high), now) is None
    assert swapped((times, one), (times, high), now) is None, "only one of them moved"


@pytest.mark.parametrize("seed", range(20))
def test_what_the_air_made_between_two_readings_is_no_jump_and_what_it_did_not_is(seed: int) -> None:
    """A probe that hangs in the air of a room whose heater switches, heard each quarter of an hour or more often."""
    dice = random.Random(seed)
    every, period = dice.choice([5, 10, 15]) * MINUTE, dice.uniform(20.0, 40.0) * MINUTE
    minutes = np.arange(0, 24 * HOUR + 1, MINUTE, dtype=np.int64)
    air = 27.0 + dice.uniform(1.5, 3.0) * np.sin(2.0 * np.pi * minutes / period)
    at = np.arange(dice.randrange(every), 24 * HOUR + 1, every, dtype=np.int64)
    own = np.interp(at, minutes, air) + dice.uniform(-0.5, 0.5)
    step = dice.choice([1, 2, 5])
    assert not jumps((at, own), (minutes[::step], air[::step])).any()
    loose, wrong = np.full(len(at), 28.0), sorted(dice.sample(range(2, len(at) - 2, 3), 6))
    loose[wrong] += dice.choice([-1.0, 1.0]) * dice.uniform(4.0, 60.0)
    calm = 27.0 + (air - 27.0) / 3.0
    assert np.flatnonzero(jumps((at, loose), (minutes[::step], calm[::step]))).tolist() == wrong


def test_slow_crossing_is_no_swap() -> None:
    times = np.arange(0, 24 * HOUR, 5 * MINUTE, dtype=np.int64)
    rising = 27.0 + times / HOUR / 12
    assert swapped((times, rising), (times, rising[::-1].copy()), int(times[-1])) is None


def test_single_jumps_are_counted_and_levels_are_not() -> None:
    said, _ = played()
    times, values = said["low"]
    assert not jumps((times, values)).any()
    loose = values.copy()
    loose[[20, 60, 100, 140, 200]] += 3.0
    assert np.flatnonzero(jumps((times, loose))).tolist() == [20, 60, 100, 140, 200]
    assert not jumps((times, np.where(times > 15 * HOUR, values + 3.0, values))).any()
    assert not jumps((times * 12, loose)).any(), "within an hour a box may go there and back"


def test_an_opened_door_is_seen_in_the_air_with_its_time_and_whether_it_is_over() -> None:
    doors = [at(28, Act.DOOR_OPENS), at(28.25, Act.DOOR_CLOSES)]
    said, now = played(*doors, hours=28.5)
    found = opening(said["air"], now)
    assert found is not None
    assert found.at_ms == pytest.approx(28 * HOUR, abs=16 * MINUTE)
    assert found.moved_c < -3.0
    said, now = played(*doors, hours=30.0)
    later = opening(said["air"], now)
    assert later is not None
    assert later.back
    assert later.moved_c == pytest.approx(found.moved_c, abs=2.0)
    assert opening(said["low"], now) is None, "the box does not notice"
    said, now = played(hours=30.0)
    assert opening(said["air"], now) is None
    assert opening((said["air"][0][:3], said["air"][1][:3]), now) is None


def test_a_door_is_no_doubtful_reading() -> None:
    said, _ = played(at(28, Act.DOOR_OPENS), at(28.25, Act.DOOR_CLOSES), every_s=60.0)
    context = Context()
    for at_ms, value in zip(*(x.tolist() for x in said["air"]), strict=True):
        reading, context = judge(Reading("air", at_ms, value, at_ms), context, Probe("air", "t/air"))
        assert reading.flag <= 2, (at_ms, value)


def _wavy(hours: float = 24.0, every_min: float = 5.0) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Air that goes up and down by 0.4 C every 28 minutes, as a switching heater makes it."""
    times = np.arange(0, round(hours * 60 / every_min) + 1, dtype=np.int64) * round(every_min * MINUTE)
    return times, 28.0 + 0.4 * np.sin(2 * np.pi * times / (28 * MINUTE))


def _noise(n: int, sd: float = 0.03, seed: int = 2) -> NDArray[np.float64]:
    return np.random.default_rng(seed).normal(scale=sd, size=n)


@pytest.mark.parametrize("every_min", [1.0, 5.0, 10.0])
def test_a_probe_in_the_air_shows_by_following_what_is_fast_however_warm_it_is(every_min: float) -> None:
    times, air = _wavy(every_min=every_min)
    box = 28.0 + _noise(len(times))
    out = np.where(times >= 18 * HOUR, air + _noise(len(times), seed=3), box)
    other = times, 28.0 + _noise(len(times), seed=4)
    found = in_air((times, out), (times, air), [other], int(times[-1]))
    assert isinstance(found, InAir)
    assert found.since_ms == pytest.approx(18 * HOUR, abs=HOUR)
    assert found.share == pytest.approx(1.0, abs=0.1)
    assert found.before == pytest.approx(0.0, abs=0.1)
    assert in_air((times, box), (times, air), [other], int(times[-1])) is False
    lagged = np.interp(times - 7 * MINUTE, times, air)
    assert in_air((times, lagged), (times, air), [other], int(times[-1])) is not True
    assert not isinstance(in_air((times, lagged), (times, air), [other], int(times[-1])), InAir), "it comes late"


def test_what_always_followed_the_air_is_no_news_unless_two_others_do_not() -> None:
    times, air = _wavy()
    own = times, air + _noise(len(times))
    slow = [(times, 28.0 + _noise(len(times), seed=s)) for s in (5, 6)]
    assert in_air(own, (times, air), slow[:1], int(times[-1])) is None
    assert isinstance(in_air(own, (times, air), slow, int(times[-1])), InAir)
    assert in_air(own, (times, air), [own, own], int(times[-1])) is None, "so they are made"


def test_still_air_and_seldom_readings_say_nothing() -> None:
    times, air = _wavy()
    flat = times, np.full(len(times), 28.0)
    assert in_air((times, air), flat, [flat, flat], int(times[-1])) is None
    seldom = slice(None, None, 6)
    assert in_air((times[seldom], air[seldom]), (times, air), [flat, flat], int(times[-1])) is None
    assert in_air((times[:2], air[:2]), (times, air), [], int(times[-1])) is None


def test_without_a_probe_of_the_air_noise_is_not_taken_for_air() -> None:
    times, air = _wavy()
    slow = [(times, 28.0 + _noise(len(times), seed=s)) for s in (5, 6)]
    out = np.where(times >= 15 * HOUR, air, slow[0][1])
    found = in_air((times, out), None, slow, int(times[-1]))
    assert isinstance(found, InAir)
    assert not found.by_air
    for sd in (0.1, 0.3, 1.0):
        for seed in range(10):
            noisy = np.where(times >= 15 * HOUR, 28.0 + _noise(len(times), sd, seed), slow[0][1])
            assert not isinstance(in_air((times, noisy), None, slow, int(times[-1])), InAir)
    assert in_air((times, out), None, slow[:1], int(times[-1])) is None, "one other is too few"
    assert in_air((times, air), None, slow, int(times[-1])) is None, "it was always so"


def test_a_closed_box_in_air_follows_by_newtons_law() -> None:
    times = np.arange(0, 10 * HOUR + 1, 5 * MINUTE, dtype=np.int64)
    probe = np.where(times > 2 * HOUR, 20.0, 28.0)
    box = closed_box((times, probe), 2 * HOUR)
    assert box[times <= 2 * HOUR].tolist() == [28.0] * 25
    passed_s = (times[times > 2 * HOUR] - 2 * HOUR - 2.5 * MINUTE) / 1000.0
    expected = 20.0 + 8.0 * np.exp(-passed_s / CLOSED_BOX_S)
    assert box[times > 2 * HOUR] == pytest.approx(expected, abs=0.01)
    assert closed_box((times, probe), 11 * HOUR).tolist() == probe.tolist()


def test_a_sudden_move_has_its_sign_and_is_forgotten_when_it_stands_no_more() -> None:
    times = np.arange(0, 24 * HOUR + 1, 5 * MINUTE, dtype=np.int64)
    now = int(times[-1])
    for since_h in (0.5, 5.0, 20.0):
        fell = np.where(times > now - since_h * HOUR, 25.0, 28.0)
        assert sudden_c((times, fell), now) == -3.0
        assert sudden_c((times, 56.0 - fell), now) == 3.0
        back = np.where(times > now - since_h * HOUR / 2, 26.6, fell)
        assert sudden_c((times, back), now) == 0.0
    assert sudden_c((times[:0], times[:0].astype(np.float64)), now) == 0.0


def test_what_is_no_measurement_is_counted_by_spells_and_what_only_came_late_is_not() -> None:
    times = np.arange(0, 100, dtype=np.int64) * MINUTE
    value, usable = np.full(100, 28.0), np.ones(100, bool)
    assert errors((times, value), usable)[0] == 0
    for k in (10, 20, 21, 22, 50):
        value[k], usable[k] = (-127.0 if k == 50 else 85.0), False
    assert errors((times, value), usable) == (3, -127.0)
    usable[60] = False
    assert errors((times, value), usable)[0] == 3, "28.0 as well: it waited somewhere"
    value[95:], usable[95:] = 85.0, False
    assert errors((times, value), usable)[0] == 3, "it does not measure any more, which is told as quiet"
    assert errors((times, value), np.zeros(100, bool))[0] == 0
    assert errors((times[:0], value[:0]), usable[:0])[0] == 0


def test_a_humidity_probe_at_the_end_of_its_scale_is_seen_after_six_hours() -> None:
    times = np.arange(0, 10 * HOUR + 1, 5 * MINUTE, dtype=np.int64)
    full = np.where(times >= 3 * HOUR, 100.0, 92.0)
    assert saturated((times, full), int(times[-1])) == 3 * HOUR
    assert saturated((times, np.where(times >= 5 * HOUR, 100.0, 92.0)), int(times[-1])) is None
    assert saturated((times, np.full(len(times), 99.4)), int(times[-1])) is None
    assert saturated((times, np.where(times == 7 * HOUR, 98.0, full)), int(times[-1])) is None
    assert saturated((times, full), int(times[-1]) + 2 * HOUR) is None, "not heard"
    assert saturated((times[:0], full[:0]), 0) is None


def _quiet() -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    with shared("data", "room_every_minute.csv").open() as file:
        rows = [(r[1], float(r[2])) for r in itertools.islice(csv.reader(file), 1, None)]
    times = [round(datetime.fromisoformat(t).replace(tzinfo=UTC).timestamp() * 1000) for t, _ in rows]
    return np.array(times, np.int64), np.array([v for _, v in rows])


def _heated() -> dict[str, tuple[NDArray[np.int64], NDArray[np.float64]]]:
    with shared("data", "heated_room_three_heights.csv").open() as file:
        rows = list(csv.DictReader(file))
    times = np.array([round(datetime.fromisoformat(r["time_utc"]).timestamp() * 1000) for r in rows], np.int64)
    names = ("air_067cm_c", "air_125cm_c", "air_187cm_c", "corridor_c", "bedroom_c")
    return {n: (times, np.array([float(r[n]) for r in rows])) for n in names}


def _day(series: Series, end: int) -> Series:
    times, values = series
    inside = (times > end - 24 * HOUR) & (times <= end)
    return times[inside], values[inside]


@pytest.mark.slow
def test_nothing_is_suspected_in_a_real_quiet_room() -> None:
    whole = _quiet()
    for end in range(int(whole[0][0]) + 6 * HOUR, int(whole[0][-1]), 3 * HOUR):
        day = _day(whole, end)
        assert stuck(day, [(day[0], np.linspace(20, 25, len(day[0])))], end) is None
        assert other_unit(day, [], "C") is None
        assert not jumps(day).any()


@pytest.mark.slow
def test_nothing_is_suspected_in_a_real_heated_room_of_forty_one_days() -> None:
    room = _heated()
    times = room["air_067cm_c"][0]
    for end in times[144::18].tolist():
        day = {n: _day(s, end) for n, s in room.items()}
        for name, own in day.items():
            others = [s for n, s in day.items() if n != name]
            assert stuck(own, others, end) is None, (name, end)
            assert other_unit(own, others, "C") is None, (name, end)
        for one, other in itertools.combinations(day, 2):
            assert swapped(day[one], day[other], end) is None, (one, other, end)
        for box, beside in (("air_067cm_c", "air_187cm_c"), ("air_187cm_c", "air_067cm_c")):
            assert left_box(day[box], day["air_125cm_c"], end) is None, (box, end)
            # They lie in the air all the time, so it is no news; nor without the third one.
            assert not isinstance(in_air(day[box], day["air_125cm_c"], [day[beside]], end), InAir), (box, end)
            assert not isinstance(in_air(day[box], None, [day[beside], day["air_125cm_c"]], end), InAir), (box, end)
        # A corridor and a bedroom follow the heated room slowly, as boxes do.
        for box, beside in (("corridor_c", "bedroom_c"), ("bedroom_c", "corridor_c")):
            found = in_air(day[box], day["air_125cm_c"], [day[beside], day["air_187cm_c"]], end)
            assert not isinstance(found, InAir), (box, end)
