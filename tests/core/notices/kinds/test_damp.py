"""Too dry, too damp, condensation near."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.notices.kinds.damp import KINDS, coolest_c
from monitor.core.terms.settings import Limits
from monitor.simulation.room import Act
from tests.core.simulated import SETTING, act, play

LIMITS = Limits(31.0, 25.0, too_dry_pct=70.0, too_damp_pct=97.0)


def test_a_lid_that_stays_off_is_told_as_too_dry_and_its_end_too() -> None:
    played = play([act(0.5, Act.LID_OPENS, "high"), act(3, Act.LID_CLOSES, "high")], 8.0, limits=LIMITS, every_min=10)
    assert [(n.kind, n.change) for _, n in played.told if n.kind == "too-dry"] == [
        ("too-dry", "raised"),
        ("too-dry", "cleared"),
    ]
    ((at_h, notice),) = played.of("too-dry")
    assert 1.0 < at_h < 2.5
    assert "± 3 % relative humidity, limit 70 %" in notice.text


def test_a_lid_that_is_off_for_a_moment_is_nobodys_matter() -> None:
    played = play([act(0.5, Act.LID_OPENS, "high"), act(0.8, Act.LID_CLOSES, "high")], 3.0, limits=LIMITS)
    assert played.told == []


def test_too_damp_is_told() -> None:
    played = play([act(-10, Act.WETNESS, "high", 99.0)], 1.0, limits=replace(LIMITS, too_damp_pct=95.0), every_min=10)
    ((_, notice),) = played.of("too-damp")
    assert notice.urgency == "diary"


def test_a_box_nears_its_dew_point_when_the_room_cools_around_it() -> None:
    script = [act(-10, Act.WETNESS, "high", 96.0), act(0, Act.HEATER_DIES)]
    played = play(script, 3.0, limits=LIMITS, every_min=10)
    ((at_h, notice),) = played.of("condensation-near")
    assert at_h < 2.0
    assert "taken as halfway to the air of the stack, no probe tells" in notice.text


def test_nothing_is_judged_where_no_limit_is_set_or_no_probe_is_in_the_box() -> None:
    played = play([act(0.1, Act.LID_OPENS, "high"), act(-10, Act.WETNESS, "high", 99.9)], 3.0, every_min=10)
    assert played.kinds & {k.name for k in KINDS} == set()
    assert played.last is not None
    low, high = played.last.boxes
    only_low = replace(played.last, boxes=(replace(low, limits=LIMITS),))
    for kind in KINDS:
        assert list(kind.look(only_low)) == []
        (look,) = kind.look(replace(played.last, boxes=(replace(high, limits=LIMITS, humidity_pct=None),)))
        assert list(look.samples) == [], "a probe that is quiet says nothing"


def test_the_lid_is_never_taken_as_warmer_than_the_box() -> None:
    played = play([], 0.5)
    assert played.last is not None
    box = played.last.boxes[1]
    assert box.now_c is not None
    cold = replace(box, temperature_c=box.temperature_c - 10.0)
    found = coolest_c(cold, played.last)
    assert found is not None
    assert found[0] == pytest.approx(box.now_c - 10.0)
    alone = coolest_c(box, replace(played.last, probes=played.last.probes[:3]))
    assert alone is not None
    assert alone[0] == pytest.approx(box.now_c - 0.5)
    assert SETTING.probes[3].box == ""
