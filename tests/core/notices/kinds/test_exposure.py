"""Heat as a dose, as the keeper is told of it."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from monitor.core.climate.exposure import Exposure
from monitor.core.development.lots import Heat
from monitor.core.notices.conditions import Condition, Phase
from monitor.core.notices.kinds.exposure import KINDS
from monitor.core.terms.settings import Limits
from monitor.simulation.room import Act
from tests.core.simulated import act, play
from tests.core.timeline import MINUTE, START, Script, a_lot, a_room

SINGLE, SUM = KINDS


def test_two_hours_above_the_profile_are_told_where_the_limit_lies_higher() -> None:
    script = [act(-1, Act.THERMOSTAT_SET, "", 30.5)]
    played = play(script, 12.0, limits=Limits(33.0, 25.0), profile=(24.0, 29.5), every_min=10)
    (at_h, notice), *_ = played.of("heat-exposure")
    assert notice.urgency == "today"
    assert re.search(r"(2 h \d\d|120) min at or above 29.5 °C in one go, limit 2 h", notice.text)
    assert "the highest temperature of its profile" in notice.whole
    assert played.last is not None
    box = next(b for b in played.last.boxes if b.box.id in notice.subjects)
    above = box.time_ms[box.temperature_c >= 29.5]
    assert at_h * 3_600_000 + 86_400_000 - int(above[0]) >= 2 * 3_600_000 - 600_000


@pytest.mark.slow
def test_a_spell_that_was_told_as_too_warm_is_told_once_with_its_length() -> None:
    script = [act(-2, Act.HEATER_STICKS_ON), act(5, Act.HEATER_WORKS)]
    played = play(script, 12.0, limits=Limits(31.0, 25.0), profile=(24.0, 30.0), every_min=10)
    assert played.of("too-warm")
    assert played.of("heat-exposure") == []
    _, over = played.of("too-warm", "cleared")[-1]
    assert "of the last day it was at or above 30.0 °C, the highest of its profile" in over.whole


def test_without_a_profile_there_is_no_dose() -> None:
    played = play([], 0.5)
    assert played.last is not None
    assert played.last.boxes[0].heat is None
    assert list(SINGLE.look(played.last)) == []


def test_ten_hours_in_sum_are_told_for_the_lot() -> None:
    base = Script(a_room(("a",))).snapshot(START, {})
    for hours, expected in ((9.9, "back"), (10.0, "beyond")):
        lot = a_lot(heat=Heat(32.0, Exposure(hours * 3600.0, 3 * 3600.0, 0.0)))
        (look,) = SUM.look(replace(base, lots=(lot,)))
        assert [s.where.value for s in look.samples] == [expected]
        assert "at or above 32.0 °C" in look.line
    assert list(SUM.look(replace(base, lots=(a_lot(),)))) == []


def test_a_spell_of_heat_begins_lasts_and_is_over_only_below_the_profile() -> None:
    """Whatever the minutes: beyond after two hours in one go, back once none of it lasts, and else neither."""
    snapshot = Script(a_room(("a",)), {"a": lambda m: 30.0 if m >= 0 else 28.0}, hours=4.0)
    for minutes in (-5, 1, 60, 119, 121, 180):
        now = snapshot.snapshot(START + minutes * MINUTE, {})
        (box,) = now.boxes
        (look,) = SINGLE.look(replace(now, boxes=(replace(box, profile_high_c=29.5),)))
        expected = "back" if minutes < 0 else "beyond" if minutes >= 120 else "between"
        assert [s.where.value for s in look.samples] == [expected], minutes


def test_a_spell_is_not_told_again_where_the_box_is_or_was_told_as_too_warm_in_it() -> None:
    """Three hours of heat: told before it and still up, told and over in it, told and over before it."""
    now = Script(a_room(("a",)), {"a": lambda m: 30.0 if m >= 0 else 28.0}, hours=4.0).snapshot(
        START + 180 * MINUTE, {}
    )
    (box,) = now.boxes
    for phase, minute, expected in (
        (Phase.RAISED, -30, "between"),
        (Phase.RAISED, 30, "between"),
        (Phase.CLEAR, 30, "between"),
        (Phase.CLEAR, -30, "beyond"),
    ):
        told = Condition("too-warm", "a", phase, changed_ms=START + minute * MINUTE)
        known = replace(now, boxes=(replace(box, profile_high_c=29.5),), conditions={told.key: told})
        (look,) = SINGLE.look(known)
        assert [s.where.value for s in look.samples] == [expected], (phase, minute)
