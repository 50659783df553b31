"""Too dry, too damp, condensation near."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from monitor.core.climate.humid_air import dew_point_c
from monitor.core.notices.conditions import Where
from monitor.core.notices.kinds import Look
from monitor.core.notices.kinds.damp import KINDS, coolest_c
from monitor.core.notices.snapshot import ProbeNow, Snapshot
from monitor.core.readings.corrections import Correction
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
    assert notice.urgency == "later"


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


# -- the limits of each ---------------------------------------------------------------------------------------------


@cache
def a_moment() -> Snapshot:
    played = play([], 0.5, limits=LIMITS)
    assert played.last is not None
    return replace(played.last, boxes=(replace(played.last.boxes[1], limits=LIMITS),))


def judged(kind: str, snapshot: Snapshot, humidity_pct: float) -> Look:
    (which,) = (k for k in KINDS if k.name == kind)
    (found,) = which.look(replace(snapshot, boxes=(replace(snapshot.boxes[0], humidity_pct=humidity_pct),)))
    assert isinstance(found, Look)
    return found


@pytest.mark.parametrize(
    ("humidity_pct", "dry", "damp"),
    [
        (69.9, Where.BEYOND, Where.BACK),
        (70.0, Where.BEYOND, Where.BACK),
        (70.1, Where.BETWEEN, Where.BACK),
        (72.0, Where.BETWEEN, Where.BACK),
        (72.1, Where.BACK, Where.BACK),
        (94.9, Where.BACK, Where.BACK),
        (95.0, Where.BACK, Where.BETWEEN),
        (96.9, Where.BACK, Where.BETWEEN),
        (97.0, Where.BACK, Where.BEYOND),
    ],
)
def test_limits_are_inclusive_and_two_per_cent_lie_between(humidity_pct: float, dry: Where, damp: Where) -> None:
    snapshot = a_moment()
    for kind, where in (("too-dry", dry), ("too-damp", damp)):
        look = judged(kind, snapshot, humidity_pct)
        assert [(s.at_ms, s.where) for s in look.samples] == [(snapshot.now_ms, where)]
        assert (look.rule.on_delay_s, look.rule.off_delay_s) == (1800.0, 1800.0)


@pytest.mark.parametrize(
    ("away_c", "where"), [(0.49, Where.BEYOND), (0.51, Where.BETWEEN), (0.99, Where.BETWEEN), (1.01, Where.BACK)]
)
def test_condensation_is_near_within_half_a_degree_and_over_beyond_a_whole_one(away_c: float, where: Where) -> None:
    """Without a probe in the air the lid is half a degree cooler than the box."""
    snapshot = a_moment()
    snapshot = replace(snapshot, probes=tuple(p for p in snapshot.probes if p.probe.box))
    now_c = snapshot.boxes[0].now_c
    assert now_c is not None
    dew_c = now_c - 0.5 - away_c
    low, high = 50.0, 100.0
    for _ in range(60):
        low, high = (low, mid) if float(dew_point_c(now_c, mid := (low + high) / 2)) > dew_c else (mid, high)
    look = judged("condensation-near", snapshot, low)
    assert [s.where for s in look.samples] == [where]
    assert [s.value for s in look.samples] == pytest.approx([away_c], abs=1e-6)
    assert (look.rule.on_delay_s, look.rule.off_delay_s) == (1800.0, 1800.0)


def test_a_probe_that_says_no_humidity_at_all_says_nothing_of_the_dew_point() -> None:
    snapshot = a_moment()
    box = replace(snapshot.boxes[0], humidity_pct=0.0)
    (drips,) = (k for k in KINDS if k.name == "condensation-near")
    assert list(drips.look(replace(snapshot, boxes=(box,)))) == []


def test_the_coolest_air_of_the_stack_counts_corrected_and_only_while_it_is_heard() -> None:
    snapshot = a_moment()
    box = snapshot.boxes[0]
    assert box.now_c is not None
    (air,) = (p for p in snapshot.air_probes(box.box.stack) if p.last_value is not None)
    quiet_ms = round(air.probe.quiet_after_s * 1000)

    def lid_c(*more: ProbeNow) -> float:
        found = coolest_c(box, replace(snapshot, probes=(*[p for p in snapshot.probes if p.probe.box], *more)))
        assert found is not None
        assert box.now_c is not None
        return found[0] - box.now_c

    def heard(below_c: float, ago_ms: int = 0, **more: object) -> ProbeNow:
        at_ms = snapshot.now_ms - ago_ms
        assert box.now_c is not None
        value = box.now_c - below_c
        return replace(air, last_value=value, last_ms=at_ms, **{"usable_ms": at_ms, **more})  # type: ignore[arg-type]

    assert lid_c(heard(3.0)) == pytest.approx(-1.5)
    assert lid_c(heard(3.0), heard(5.0)) == pytest.approx(-2.5)
    corrected = heard(3.0)
    corrected = replace(corrected, probe=replace(corrected.probe, correction=-1.0))
    assert lid_c(corrected) == pytest.approx(-2.0)
    dated = Correction(air.probe.id, 0, -0.6, 0.1, 0.05, "side by side", 0)
    assert lid_c(replace(corrected, correction=dated)) == pytest.approx(-2.3), "as every reading is corrected"
    assert lid_c(heard(3.0, quiet_ms - 1)) == pytest.approx(-1.5)
    assert lid_c(heard(3.0, quiet_ms)) == pytest.approx(-0.5), "a quiet one says nothing"
    assert lid_c(heard(3.0, usable_ms=None)) == pytest.approx(-0.5), "nor one that is not to be used"
