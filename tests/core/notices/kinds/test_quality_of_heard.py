"""What the last day of a probe looks like is judged once, and for what it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.core.notices.conditions import Condition, KindName, Phase, Where
from monitor.core.notices.doubts import LOOK_AT_BOX
from monitor.core.notices.kinds import Facts, Look, all_kinds
from monitor.core.notices.snapshot import ClockNow, Heard, LinkNow, ProbeNow, Service, Snapshot
from monitor.core.readings.belief import FROM, RIGHT, UNTIL
from monitor.core.readings.probe_clocks import WrongClock
from monitor.core.terms.formats import show_span
from monitor.core.terms.settings import Box, DisplayUnit, Probe, Room
from monitor.simulation.scenes import NOW as NOW_OF_SCENE
from monitor.simulation.scenes import Scene

STEP_MS = 300_000
N = 288
NOW = 1_790_000_000_000
AT = NOW - STEP_MS * np.arange(N - 1, -1, -1, dtype=np.int64)
ROOM = Room(
    "room",
    "UTC",
    "C",
    ("rack",),
    (Box("low", "rack", 40.0),),
    (Probe("low-t", "t/low", box="low"), Probe("air-t", "t/air", stack="rack", height_cm=40.0)),
)

HIGH = Probe("high-t", "t/high", box="high")


def heard(value: object, received_ms: object = None, flag: int = 1) -> Heard:
    values = np.broadcast_to(np.asarray(value, np.float64), (N,))
    received = AT if received_ms is None else np.asarray(received_ms, np.int64)
    return Heard(AT, values, np.full(N, flag, np.uint8), received, np.ones(N, np.bool_))


def snapshot(low: Heard, air: Heard, conditions: Mapping[tuple[str, str], Condition] | None = None) -> Snapshot:
    probes = tuple(
        ProbeNow(p, int(AT[-1]), float(t.value[-1]), 1, int(AT[-1]), heard=t)
        for p, t in zip(ROOM.probes, (low, air), strict=True)
    )
    service = Service(started_ms=NOW - 86_400_000)
    return Snapshot(NOW, ROOM, ZoneInfo("UTC"), service, probes, conditions=dict(conditions or {}))


def look(kind: str, at: Snapshot, subject: str = "low-t") -> Look:
    (found,) = [k for k in all_kinds() if k.name == kind]
    return next(x for x in found.look(at) if x.subject == subject)


def states(found: Look) -> list[Where]:
    return [s.where for s in found.samples]


def test_a_probe_that_says_85_and_nothing_else_does_not_speak_fahrenheit() -> None:
    """85 °F is 29.4 °C, about what the box had; exactly that, again and again, is the value before a measurement."""
    value = np.full(N, 28.0)
    value[-12:] = 85.0
    assert states(look("probe-unit", snapshot(heard(value), heard(28.0)))) == [Where.BACK]
    value[-12:] = 85.0 + 0.1 * np.arange(12)
    assert states(look("probe-unit", snapshot(heard(value), heard(28.0)))) == [Where.BEYOND]


def fallen_out() -> tuple[Heard, Heard]:
    """Two hours ago the probe went from its box, at 30 and falling, to the air at 27."""
    value = 30.0 - 0.001 * np.arange(N)
    value[-24:] = 27.0
    return heard(value), heard(27.0)


def test_a_probe_out_of_its_box_is_told_once_for_each_time_it_left() -> None:
    low, air = fallen_out()
    assert states(look("probe-out", snapshot(low, air))) == [Where.BEYOND]
    key = ("probe-out", "low-t")
    over = Condition(*key, phase=Phase.CLEAR, since_ms=NOW - STEP_MS, changed_ms=NOW - STEP_MS)
    assert states(look("probe-out", snapshot(low, air, {key: over}))) == [Where.BACK]
    before = Condition(*key, phase=Phase.CLEAR, since_ms=NOW - 6 * 3_600_000, changed_ms=NOW - 6 * 3_600_000)
    assert states(look("probe-out", snapshot(low, air, {key: before}))) == [Where.BEYOND]


def test_a_probe_that_sticks_no_more_has_not_left_its_box() -> None:
    low, air = fallen_out()
    key = ("probe-stuck", "low-t")
    for hours, expected in ((2.0, Where.BACK), (12.0, Where.BEYOND)):
        ended = NOW - round(hours * 3_600_000)
        was = Condition(*key, phase=Phase.CLEAR, since_ms=ended, changed_ms=ended)
        assert states(look("probe-out", snapshot(low, air, {key: was}))) == [expected]
    is_stuck = Condition(*key, phase=Phase.RAISED, since_ms=NOW - 3_600_000, changed_ms=NOW - 3_600_000)
    assert states(look("probe-out", snapshot(low, air, {key: is_stuck}))) == [Where.BACK]


def test_what_was_received_in_the_future_says_nothing_of_a_probe_s_clock() -> None:
    """This computer's clock stood a day ahead for a while, and was set right."""
    received = AT.copy()
    received[-24:-1] += 86_400_000
    assert states(look("probe-clock", snapshot(heard(28.0, received), heard(28.0)))) == [Where.BACK]
    assert states(look("probe-clock", snapshot(heard(28.0, AT + 3_600_000 - 3_600_000), heard(28.0)))) == [Where.BACK]


def test_a_probe_that_goes_with_the_air_when_a_door_opens_is_out_of_its_box() -> None:
    gust = np.where((AT > NOW - 2 * 3_600_000) & (AT <= NOW - 6_000_000), -4.0, 0.0)
    room = replace(ROOM, boxes=(*ROOM.boxes, Box("high", "rack", 90.0)), probes=(*ROOM.probes, HIGH))

    def at(low: object, high: object) -> Snapshot:
        whole = snapshot(heard(low), heard(28.0 + gust))
        other = ProbeNow(HIGH, int(AT[-1]), 28.0, 1, int(AT[-1]), heard=heard(high))
        return replace(whole, room=room, probes=(*whole.probes, other))

    found = look("probe-out", at(28.0 + 0.9 * gust, 28.0 + 0.05 * gust))
    assert states(found) == [Where.BEYOND]
    assert "by 3.6 °C with the air, as no closed box can" in found.line
    assert "The air (probe air-t) moved by 4.0 °C within the same quarter of an hour" in found.more[0]
    for low, high in ((0.05, 0.05), (0.5, 0.05), (0.9, 0.9)):
        assert states(look("probe-out", at(28.0 + low * gust, 28.0 + high * gust))) == [Where.BACK], (low, high)


def test_a_probe_that_says_now_and_then_what_is_no_measurement_is_told_with_what_it_said() -> None:
    value, flag = np.full(N, 28.0), np.full(N, 1, np.uint8)
    for k in (20, 60, 100, 140, 180):
        value[k], flag[k] = -127.0, 4
    few = heard(value)
    loose = Heard(few.time_ms, few.value, flag, few.received_ms, few.timed)
    found = look("probe-jumps", snapshot(loose, heard(28.0)))
    assert states(found) == [Where.BEYOND]
    assert "5 times in the last day it said what is no measurement" in found.line
    assert found.more == ("Just now it said -127.",)
    flag[20] = 1
    value[20] = 28.0
    four = look("probe-jumps", snapshot(Heard(few.time_ms, value, flag, few.received_ms, few.timed), heard(28.0)))
    assert states(four) == [], "four are not yet enough, and not none"


def test_a_humidity_probe_at_its_end_is_told_as_that_and_not_as_stuck() -> None:
    wet = Probe("wet", "t/wet", "humidity", "%", box="low")
    beside = Probe("dry", "t/dry", "humidity", "%", stack="rack", height_cm=40.0)
    moving = heard(60.0 + 10.0 * np.sin(np.arange(N) / 20.0))
    probes = tuple(
        ProbeNow(p, int(AT[-1]), float(t.value[-1]), 1, int(AT[-1]), heard=t)
        for p, t in ((wet, heard(100.0)), (beside, moving))
    )
    room = replace(ROOM, probes=(wet, beside))
    now = Snapshot(NOW, room, ZoneInfo("UTC"), Service(started_ms=NOW - 86_400_000), probes)
    assert states(look("probe-saturated", now, "wet")) == [Where.BEYOND]
    assert states(look("probe-saturated", now, "dry")) == [Where.BACK]
    assert states(look("probe-stuck", now, "wet")) == [Where.BACK]


def test_a_probe_is_not_told_of_for_a_clock_of_this_computer_that_is_in_doubt() -> None:
    late = heard(28.0, AT + 3_600_000)
    behind = replace(snapshot(late, heard(28.0)), now_ms=NOW + 3_600_000)
    wrong = replace(behind.probes[0], clock=WrongClock("low-t", NOW - 86_400_000, 3_600_000))
    behind = replace(behind, probes=(wrong, *behind.probes[1:]))
    assert states(look("probe-clock", behind)) == [Where.BEYOND]
    doubtful = replace(behind, service=replace(behind.service, clock=ClockNow(trusted=False)))
    assert states(look("probe-clock", doubtful)) == []
    all_late = replace(behind, service=replace(behind.service, link=LinkNow(last_live_ms=behind.now_ms)))
    assert all_late.behind_s == 3600.0
    assert states(look("probe-clock", all_late)) == [], "all come late: that is told as one clock"


def test_a_probe_that_jumps_is_not_believed_for_jumps_from_its_first_jump_on() -> None:
    dice = np.random.default_rng(5)
    for _ in range(10):
        value = 28.0 + 0.02 * dice.standard_normal(N)
        at = np.sort(dice.choice(np.arange(2, N - 2, 3), int(dice.integers(5, 20)), replace=False))
        value[at] += dice.choice([-3.0, 3.0])
        found = look("probe-jumps", snapshot(heard(value), heard(28.0)))
        assert states(found) == [Where.BEYOND]
        assert (found.facts["jumps"], found.facts[FROM]) == (len(at), AT[at[0]])
        in_air = look("probe-jumps", snapshot(heard(value), heard(28.0), up("probe-in-air", {})))
        assert states(in_air) == [Where.BACK], "only a box cannot jump"


@pytest.mark.parametrize("unit", ["C", "F"])
def test_a_probe_that_sticks_is_told_with_its_value_in_its_quantity(unit: DisplayUnit) -> None:
    scene = Scene(unit=unit)
    moves = 28.0 + np.sin(np.arange(N) / 12.0)
    now = scene.snapshot({"lower": moves, "upper": np.where(np.arange(N) < N - 100, moves, 27.25)}, air=moves)
    wet = 70.0 + 5.0 * np.sin(np.arange(N) / 12.0)
    own = {"h-lower-t": wet, "h-upper-t": np.where(np.arange(N) < N - 100, wet, 71.5)}
    probes = tuple(scene.probe(p.probe, own[p.probe.id]) if p.probe.id in own else p for p in now.probes)
    now = replace(now, probes=probes)
    shown = {"C": "27.25 °C", "F": "81.05 °F"}[unit]
    for probe, said in (("upper-t", f"exactly {shown} for"), ("h-upper-t", "exactly 71.5 % for")):
        found = look("probe-stuck", now, probe)
        assert states(found) == [Where.BEYOND]
        assert said in found.line


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_while_the_boxes_beside_are_beyond_a_limit_a_probe_that_is_not_to_be_believed_is_told_at_once(
    side: float,
) -> None:
    """Stuck, or in another unit: nobody sees its box, and what the others say it says too."""
    hours = np.arange(N)
    for beyond in (True, False):
        level = 28.0 + side * (np.linspace(0.0, 5.0, N) if beyond else np.sin(hours / 12.0) * 0.5)
        for kind, own in (
            ("probe-stuck", np.where(hours < N - 100, level, 28.125)),
            ("probe-unit", np.where(hours < N - 6, level, level * 1.8 + 32.0)),
        ):
            found = look(kind, Scene().snapshot({"lower": level, "upper": own}, air=level), "upper-t")
            assert states(found) == [Where.BEYOND], kind
            assert (found.urgency, found.first) == (("now", LOOK_AT_BOX) if beyond else (None, "")), kind
            warm = "warm" if side > 0 else "cool"
            assert (f"Its box is most likely too {warm}" in found.doubt) is beyond, kind


def test_how_sure_a_move_to_the_air_is_goes_by_how_far_it_was_from_it() -> None:
    """Rather sure where it was four times as far from the air as it is now, or more; a tenth of a degree counts at
    least."""
    told = set()
    for apart, rests in ((3.0, 0.0), (1.6, 0.5), (1.3, 0.29), (2.1, 0.5), (1.9, 0.5), (1.25, 0.05)):
        value = np.full(N, 27.0 + apart)
        value[-24:] = 27.0 + rests
        value[-6:] = 27.0 + min(rests, 0.25)
        found = look("probe-out", snapshot(heard(value), heard(27.0)))
        assert states(found) == [Where.BEYOND], (apart, rests)
        sure = "rather sure" if apart >= 4 * max(rests, 0.1) else "likely"
        assert f"That is {sure}, not certain." in found.more[0], (apart, rests)
        told.add(sure)
    assert len(told) == 2


@pytest.mark.parametrize("minutes", [-3000, -71, -11, 11, 59, 119, 2459, 30_000])
def test_a_clock_that_is_wrong_is_told_with_by_how_much_to_the_minute(minutes: int) -> None:
    whole = snapshot(heard(28.0), heard(28.0))
    wrong = replace(whole.probes[0], clock=WrongClock("low-t", NOW - 86_400_000, minutes * 60_000))
    found = look("probe-clock", replace(whole, probes=(wrong, *whole.probes[1:])))
    assert states(found) == [Where.BEYOND]
    assert found.value == f"{show_span(60.0 * abs(minutes))} {'behind' if minutes > 0 else 'ahead'}"
    assert found.value in found.line


# -- from when until when a probe is not to be believed ---------------------------------------------------------------

WAVE = np.round((28.0 + np.sin(np.arange(N) / 12.0)) * 16) / 16


def up(kind: KindName, facts: Facts) -> dict[tuple[str, str], Condition]:
    since = NOW - 3_600_000
    return {(kind, "low-t"): Condition(kind, "low-t", Phase.RAISED, since, since, last_ms=since, facts=facts)}


@pytest.mark.parametrize("seed", range(10))
def test_a_probe_that_stuck_is_not_believed_from_where_its_code_began_until_it_moved_again(seed: int) -> None:
    """Right all the time where it goes on within two steps of its code, which is a sixteenth of a degree."""
    dice = np.random.default_rng(seed)
    began = int(dice.integers(60, 140))
    # Another step would lie within the wave; so it stands out by ten.
    held = np.where(np.arange(N) < began, WAVE, WAVE[began - 1] + 10 / 16)
    found = look("probe-stuck", snapshot(heard(held), heard(WAVE + np.sin(np.arange(N) / 20.0))))
    assert states(found) == [Where.BEYOND]
    assert (found.facts[FROM], found.facts["value"]) == (AT[began], held[-1])
    again = int(dice.integers(began + 80, N - 2))
    for steps in (1, 2, 3, 8):
        moved = np.where(np.arange(N) < again, held, held[-1] + steps / 16)
        moved[again::2] += 1 / 16
        moved[again] -= 1 / 16
        over = look("probe-stuck", snapshot(heard(moved), heard(WAVE), up("probe-stuck", found.facts)))
        assert states(over) == [Where.BACK]
        assert over.facts == {**found.facts, UNTIL: AT[again], RIGHT: int(steps <= 2)}


@pytest.mark.parametrize("seed", range(10))
def test_a_probe_in_another_unit_is_not_believed_from_its_first_such_reading_until_the_first_of_a_room(
    seed: int,
) -> None:
    dice = np.random.default_rng(seed)
    began, back = sorted(int(k) for k in dice.choice(np.arange(40, N - 10), 2, replace=False))
    spoke = np.where(np.arange(N) < began, WAVE, 1.8 * WAVE + 32.0)
    found = look("probe-unit", snapshot(heard(spoke), heard(WAVE)))
    assert states(found) == [Where.BEYOND]
    assert found.facts == {FROM: AT[began]}
    known = up("probe-unit", found.facts)
    righted = np.where(np.arange(N) < back, spoke, WAVE)
    over = look("probe-unit", snapshot(heard(righted), heard(WAVE), known))
    assert states(over) == [Where.BACK]
    assert over.facts == {FROM: AT[began], UNTIL: AT[back]}
    # Nothing of what it was told by is left in the last day, and it still says what no room has.
    still = look("probe-unit", snapshot(heard(np.full(N, 70.0) + WAVE), heard(np.nan), known))
    assert states(still) == []
    assert UNTIL not in still.facts


@pytest.mark.parametrize("air_moves_c", [0.0, 0.5, 1.5, -4.0])
def test_two_probes_that_cross_while_the_air_moves_did_not_change_places(air_moves_c: float) -> None:
    at = 200
    late = np.arange(N) > at
    warm, cool = np.where(late, 28.0, 29.0), np.where(late, 29.0, 28.0)
    now = Scene().snapshot({"lower": warm, "upper": cool}, air=np.where(late, 28.0 + air_moves_c, 28.0))
    found = look("probes-swapped", now, "lower-t/upper-t")
    if abs(air_moves_c) >= 1.0:
        assert states(found) == [Where.BACK]
        assert FROM not in found.facts
    else:
        assert states(found) == [Where.BEYOND]
        began = found.facts[FROM]
        assert isinstance(began, int)
        assert abs(began - (NOW_OF_SCENE - STEP_MS * (N - 1 - at))) <= 15 * 60_000
