"""Too warm, too cool: which samples are judged, and what is said of them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.notices.conditions import Condition, Phase, Where
from monitor.core.notices.kinds import Look
from monitor.core.notices.kinds.limits import KINDS
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.settings import Limits
from tests.core.timeline import MINUTE, START, Run, Script, a_room, said_of

WARM, COOL = KINDS


def a_snapshot(temperature_c: float = 28.0, now_min: float = 30, unit: str = "C") -> Snapshot:
    room = a_room(("a",), unit=unit)  # type: ignore[arg-type]
    return Script(room, {"a": lambda _: temperature_c}).snapshot(START + round(now_min * MINUTE), {})


def look(kind: object, snapshot: Snapshot) -> Look:
    (found,) = kind.look(snapshot)  # type: ignore[attr-defined]
    assert isinstance(found, Look)
    return found


@pytest.mark.parametrize(
    ("temperature_c", "warm", "cool"),
    [
        (31.0, Where.BEYOND, Where.BACK),
        (30.9, Where.BETWEEN, Where.BACK),
        (30.8, Where.BETWEEN, Where.BACK),
        (30.79, Where.BACK, Where.BACK),
        (25.21, Where.BACK, Where.BACK),
        (25.2, Where.BACK, Where.BETWEEN),
        (25.0, Where.BACK, Where.BEYOND),
    ],
)
def test_limits_are_inclusive_and_the_deadband_is_between(temperature_c: float, warm: Where, cool: Where) -> None:
    snapshot = a_snapshot(temperature_c)
    assert {s.where for s in look(WARM, snapshot).samples} == {warm}
    assert {s.where for s in look(COOL, snapshot).samples} == {cool}


def test_only_samples_after_the_last_judged_one_are_yielded() -> None:
    snapshot = a_snapshot()
    every = look(WARM, snapshot).samples
    assert [s.at_ms for s in every] == snapshot.boxes[0].time_ms.tolist()
    last = every[-3].at_ms
    old = Condition("too-warm", "a", last_ms=last)
    after = look(WARM, replace(snapshot, conditions={old.key: old}))
    assert [s.at_ms for s in after.samples] == [s.at_ms for s in every[-2:]]
    assert len(look(COOL, replace(snapshot, conditions={old.key: old})).samples) == len(every)


def test_a_box_without_that_limit_or_without_readings_is_not_judged() -> None:
    snapshot = a_snapshot()
    none = replace(snapshot.boxes[0], limits=Limits(None, 25.0))
    assert list(WARM.look(replace(snapshot, boxes=(none,)))) == []
    empty = replace(
        snapshot.boxes[0], time_ms=snapshot.boxes[0].time_ms[:0], temperature_c=snapshot.boxes[0].temperature_c[:0]
    )
    found = look(WARM, replace(snapshot, boxes=(empty,)))
    assert (list(found.samples), found.line) == ([], "")


def test_the_delays_are_those_of_the_box() -> None:
    snapshot = a_snapshot()
    box = replace(snapshot.boxes[0], limits=Limits(31.0, 25.0, on_delay_s=60, off_delay_s=120, max_gap_s=600))
    rule = look(WARM, replace(snapshot, boxes=(box,))).rule
    assert (rule.on_delay_s, rule.off_delay_s, rule.max_gap_s) == (60, 120, 600)


def test_the_line_says_what_where_when_how_sure_and_which_limit() -> None:
    assert said_of(look(WARM, a_snapshot(32.04))) == (
        "box a: 32.0 ± 0.6 °C at 09:30, limit 31.0 °C. No eggs are entered for it. It stands in stack left at 40 cm. "
        "Its limits are of the room."
    )
    snapshot = a_snapshot(32.0, unit="F")
    box = replace(snapshot.boxes[0], occupied_by=("K01/a", "K02/a"), limits_from="of the profile")
    assert said_of(look(WARM, replace(snapshot, boxes=(box,)))) == (
        "box a: 89.6 ± 1.0 °F at 09:30, limit 87.8 °F. It holds K01/a, K02/a. It stands in stack left at 40 cm. "
        "Its limits are of the profile."
    )


@pytest.mark.parametrize(
    ("kind", "doubt"),
    [("probe-out", "this may be the air"), ("probe-drifting", "as drifting away"), ("probe-jumps", "as jumping")],
)
def test_a_limit_passed_by_a_doubtful_probe_is_told_with_the_doubt(kind: str, doubt: str) -> None:
    snapshot = a_snapshot(31.5)
    (probe,) = [p.probe.id for p in snapshot.probes if p.probe.box == "a"]
    told_of = Condition(kind, probe, Phase.RAISED, since_ms=START, changed_ms=START, last_ms=START)
    found = look(WARM, replace(snapshot, conditions={told_of.key: told_of}))
    assert {s.where for s in found.samples} == {Where.BEYOND}
    assert doubt in found.doubt
    assert look(WARM, snapshot).doubt == ""


def test_a_probe_of_which_every_second_message_is_lost_is_judged_as_long_as_it_is_not_told_as_quiet() -> None:
    """One reading each 100 minutes where one each 50 is due: farther apart than the largest gap, and no silence yet."""
    room = a_room(("a", "b"))
    slow = replace(room.probes[0], interval_s=3000.0, quiet_after_s=9000.0)
    room = replace(room, probes=(slow, room.probes[1]))
    lost = Script(room, {"a": lambda m: 24.0 if round((m + 30) / 50) % 2 else None}, hours=8.0)
    assert [t[:3] for t in Run(lost).go(0, 480).told()] == [("too-cool", "raised", "a")]
