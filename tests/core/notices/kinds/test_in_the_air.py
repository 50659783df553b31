"""A probe that lies in the air is told by how it moves, and limits are then told of the eggs and not of the probe."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.core.notices.conditions import Condition, Where
from monitor.core.notices.kinds import Look, all_kinds
from monitor.core.notices.kinds.limits import KINDS
from monitor.core.notices.snapshot import BoxNow, Heard, ProbeNow, Service, Snapshot
from monitor.core.terms.settings import Box, Limits, Probe, Room
from monitor.core.terms.times import HOUR_MS
from monitor.simulation.room import Act, Action, Heater, SimBox, SimProbe, SimSetting
from tests.core.simulated import Played, act, play

LIMITS = Limits(30.5, 25.5)
# A heater that switches, so that the air goes up and down; a fan, so that box and air are equally warm.
ROOM = SimSetting(
    boxes=(SimBox("low", 60.0), SimBox("middle", 100.0), SimBox("high", 140.0)),
    probes=(
        SimProbe("low-t", box="low"),
        SimProbe("middle-t", box="middle"),
        SimProbe("high-t", box="high"),
        SimProbe("air-t", height_cm=100.0),
    ),
    heater=Heater(looks_every_s=60.0),
    fan_leaves=0.35,
)
DOOR = (act(1, Act.DOOR_OPENS), act(1.2, Act.DOOR_CLOSES))
OUT = act(0, Act.PROBE_FALLS_OUT, "middle-t")


def played(*script: Action, hours: float = 6.0, setting: SimSetting = ROOM) -> Played:
    return play(script, hours, limits=LIMITS, setting=setting, every_min=10.0)


def without_air(setting: SimSetting) -> SimSetting:
    """Its probe for the air is in a fourth box: the simulation wants one of that name."""
    boxes = (*setting.boxes, SimBox("top", 160.0))
    return replace(setting, boxes=boxes, probes=(*setting.probes[:3], SimProbe("air-t", box="top")))


@pytest.mark.slow
def test_a_probe_that_falls_out_while_box_and_air_are_equally_warm_is_told_within_four_hours() -> None:
    room = played(OUT)
    ((at_h, notice),) = room.of("probe-out")
    assert at_h < 4.0
    assert notice.urgency == "today"
    assert notice.subjects == ("middle-t",)
    assert "follows each rise and fall of the air at once, since" in notice.text
    assert "The air is that of probe air-t." in notice.whole
    assert "It follows the air by 89 %, before by 0 %, the other boxes by 0 %." in notice.text
    assert room.kinds == {"probe-out"}


@pytest.mark.slow
def test_a_probe_that_is_put_back_is_no_longer_told_as_out_and_what_is_still_is_not_taken_back() -> None:
    room = played(OUT, act(4, Act.PROBE_BACK_IN, "middle-t"), hours=8.0)
    ((at_h, _),) = room.of("probe-out", "cleared")
    assert 4.0 < at_h < 7.0
    assert len(room.of("probe-out")) == 1
    # The heater stands still, and with it the air: nothing tells where the probe lies.
    still = played(OUT, act(4, Act.HEATER_DIES), act(4, Act.OUTDOORS, "", 28.0), hours=9.0)
    assert len(still.of("probe-out")) == 1
    assert still.of("probe-out", "cleared") == []


@pytest.mark.slow
def test_without_a_probe_of_the_air_the_other_boxes_show_it_and_the_line_says_what_else_it_may_be() -> None:
    room = played(OUT, hours=7.0, setting=without_air(ROOM))
    ((_, notice),) = room.of("probe-out")
    assert notice.urgency == "later"
    assert "Either it lies in the air, or the box is open, or something blows at it" in notice.text
    assert played(act(0, Act.LID_OPENS, "middle"), hours=7.0, setting=without_air(ROOM)).of("probe-out") == []


@pytest.mark.slow
@pytest.mark.parametrize(
    "script",
    [
        [],
        [act(0, Act.LID_OPENS, "middle")],
        [act(0, Act.FAN_STOPS)],
        DOOR,
        [act(0, Act.LID_OPENS, "middle"), *DOOR],
        [act(0, Act.HEATER_DIES), act(2, Act.HEATER_WORKS)],
        [act(0, Act.HEATER_STICKS_ON), act(4, Act.HEATER_WORKS)],
        [act(0, Act.POWER_FAILS), act(1, Act.POWER_RETURNS)],
        [act(0, Act.THERMOSTAT_SET, "", 26.0)],
    ],
)
def test_nothing_that_a_box_does_is_taken_for_a_probe_outside(script: list[Action]) -> None:
    assert played(*script).of("probe-out") == []


@pytest.mark.slow
def test_a_door_does_not_make_eggs_too_cool_whose_probe_lies_in_the_air() -> None:
    room = played(OUT, *DOOR)
    assert {n.kind for _, n in room.told} == {"probe-out"}
    ((at_h, notice),) = room.of("probe-out")
    assert at_h < 1.6
    assert notice.urgency == "now", "if the box is open, the eggs are as cold as that"
    assert "beyond the limit of 25.5 °C: if the box is open, its eggs are at that now." in notice.text
    assert "If it is closed, they follow slowly" in notice.whole


@pytest.mark.slow
def test_a_box_whose_probe_lies_in_the_air_is_told_when_a_closed_box_would_be_too_cool() -> None:
    """The heater dies four hours after the probe fell out: it is told before the box itself, or another, is there."""
    room = played(OUT, act(4, Act.HEATER_DIES), hours=8.0)
    cool = {s: h for h, n in room.of("too-cool") for s in n.subjects}
    assert set(cool) >= {"low", "middle", "high"}
    assert cool["middle"] <= min(cool["low"], cool["high"])
    first = next(n for _, n in room.of("too-cool") if "middle" in n.subjects)
    assert "A closed box: about 24" in first.text


@pytest.mark.slow
def test_a_box_that_is_open_while_a_heater_sticks_is_told_before_the_closed_ones() -> None:
    warm = act(0, Act.OUTDOORS, "", 20.0)
    opened = played(warm, act(0, Act.HEATER_STICKS_ON), act(0, Act.LID_OPENS, "middle"), hours=4.0)
    ((_, notice), *_) = opened.of("too-warm")
    assert notice.subjects == ("middle",)
    assert opened.of("probe-out") == []


@pytest.mark.slow
def test_an_open_box_beside_an_open_door_is_told_as_too_cool() -> None:
    """Its probe follows the air by nearly half, at once; the others do not. It is the box."""
    room = played(act(0, Act.LID_OPENS, "middle"), act(1, Act.DOOR_OPENS), act(3, Act.DOOR_CLOSES), hours=5.0)
    assert room.of("probe-out") == []
    ((at_h, notice), *_) = room.of("too-cool")
    assert "middle" in notice.subjects
    assert at_h < 2.5


AT = np.arange(0, 86_400_001, 300_000, dtype=np.int64)
LATE = AT > 86_400_000 - 3_600_000
CALM = np.full(len(AT), 28.0)


def judged(own: NDArray[np.float64], air: NDArray[np.float64] | None, other: NDArray[np.float64] = CALM) -> Look:
    """Too warm, of a box whose last hour is as given; a second box and perhaps the air beside it."""
    boxes = (Box("own", "rack", 60.0), Box("other", "rack", 140.0))
    series = {"own": own, "other": other} | ({} if air is None else {"air": air})
    probes = [
        Probe(n, f"t/{n}", box=None if n == "air" else n, stack="rack" if n == "air" else None, height_cm=100.0)
        for n in series
    ]
    flag, timed = np.ones(len(AT), np.uint8), np.ones(len(AT), bool)
    now = tuple(
        ProbeNow(p, int(AT[-1]), float(v[-1]), 1, int(AT[-1]), heard=Heard(AT, v, flag, AT, timed))
        for p, v in zip(probes, series.values(), strict=True)
    )
    room = Room("room", "UTC", "C", ("rack",), boxes, tuple(probes), LIMITS)
    own_box = BoxNow(boxes[0], LIMITS, "of the room", AT, own, 0.1, "its own probe")
    (look,) = KINDS[0].look(Snapshot(int(AT[-1]), room, UTC, Service(0), now, (own_box,)))
    return look


def test_heat_that_blows_at_one_box_is_told_although_no_box_can_warm_so_fast() -> None:
    """The air's own probe does not see it: it is not the air that this probe lies in."""
    hot = np.where(LATE, 36.0, CALM)
    for air in (CALM, None):
        look = judged(hot, air)
        assert look.samples[-1].where is Where.BEYOND
        assert "Its probe rose 8.0 °C within 15 min: is the box open, or the probe outside?" in look.doubt


def test_heat_that_all_boxes_follow_is_told_however_fast() -> None:
    hot = np.where(LATE, 36.0, CALM)
    assert judged(hot, hot, hot).samples[-1].where is Where.BEYOND


def test_a_probe_that_alone_goes_with_hot_air_is_told_of_once_a_closed_box_would_be_too_warm() -> None:
    """Hot air of 36 C: a closed box is at 30.5 C, from 28 C, after about three quarters of an hour."""
    hot = np.where(LATE, 36.0, CALM)
    beyond = [s.at_ms for s in judged(hot, hot).samples if s.where is Where.BEYOND]
    assert beyond
    assert 40 * 60_000 <= beyond[0] - (86_400_000 - 3_600_000) <= 50 * 60_000
    doubt = judged(hot, hot).doubt
    assert "may lie outside" in doubt
    assert "A closed box: about 31" in doubt


def test_a_probe_that_was_put_back_after_the_door_is_believed_at_once() -> None:
    """The air fell and is still cold; the probe was out and is back in a box that is too warm."""
    cold = np.where(LATE, 20.0, CALM)
    back = np.where(AT > 86_400_000 - 1_800_000, 31.0, cold)
    assert judged(back, cold).samples[-1].where is Where.BEYOND


def test_a_move_before_a_clock_was_found_wrong_or_right_again_is_none() -> None:
    """What was said until then stands at wrong times beside what was right, and looks like a sudden move."""
    found = played(act(0, Act.PROBE_LIES_ELSEWHERE, "middle-t", -6.0), hours=2.0).last
    assert found is not None
    (kind,) = (k for k in all_kinds() if k.name == "probe-out")

    def out(changed_h: float | None) -> bool:
        conditions = {}
        if changed_h is not None:
            changed_ms = found.now_ms + round((changed_h - 2.0) * HOUR_MS)
            conditions["probe-clock", "middle-t"] = Condition("probe-clock", "middle-t", changed_ms=changed_ms)
        (look,) = (x for x in kind.look(replace(found, conditions=conditions)) if x.subject == "middle-t")
        return look.samples[-1].where is Where.BEYOND

    assert out(None)
    assert out(-3.0), "long before the move its clock was looked at"
    assert not out(0.5)
    assert not out(-0.2), "what comes next may still stand beside it"
