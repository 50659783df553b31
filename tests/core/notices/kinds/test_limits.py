"""Too warm, too cool: which samples are judged, and what is said of them."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from monitor.core.notices.conditions import Condition, Phase, Rule, Where, above, advance, below
from monitor.core.notices.kinds import Look
from monitor.core.notices.kinds.limits import KINDS
from monitor.core.notices.snapshot import Heard, Snapshot
from monitor.core.readings.late_readings import Late
from monitor.core.terms.events import Flag
from monitor.core.terms.formats import show_since, show_temperature
from monitor.core.terms.settings import Limits
from monitor.core.terms.times import HOUR_MS
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
    snapshot = a_snapshot(31.5)
    every = look(WARM, snapshot).samples
    assert [s.at_ms for s in every] == snapshot.boxes[0].time_ms.tolist()
    last = every[-3].at_ms
    old = Condition("too-warm", "a", last_ms=last)
    after = look(WARM, replace(snapshot, conditions={old.key: old}))
    assert [s.at_ms for s in after.samples] == [s.at_ms for s in every[-2:]]
    # Of what is far from the other limit all the time, only the newest is judged.
    assert [s.at_ms for s in look(COOL, snapshot).samples] == [s.at_ms for s in every[-1:]]


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("phase", list(Phase))
def test_what_is_left_out_would_have_changed_nothing(seed: int, phase: Phase) -> None:
    rng = np.random.default_rng(seed)
    snapshot = a_snapshot(now_min=180)
    (box,) = snapshot.boxes
    walk = np.round(np.cumsum(rng.normal(0.0, 0.15, len(box.time_ms))), 1).astype(np.float64)
    rule = Rule(box.limits.on_delay_s, box.limits.off_delay_s, box.limits.max_gap_s, 3 * 3600.0)
    for kind, limit_c, judge in ((WARM, box.limits.too_warm_c, above), (COOL, box.limits.too_cool_c, below)):
        assert limit_c is not None
        begun = int(box.time_ms[5])
        old = Condition(kind.name, "a", phase, since_ms=begun, changed_ms=begun, last_ms=int(box.time_ms[9]))
        if phase in (Phase.RISING, Phase.FALLING):
            old = replace(old, delay_from_ms=begun)
        moved = replace(box, temperature_c=np.add(limit_c, walk))
        found = look(kind, replace(snapshot, boxes=(moved,), conditions={old.key: old}))
        whole = [
            judge(t, v, limit_c, box.limits.deadband_c)
            for t, v in zip(box.time_ms[10:].tolist(), moved.temperature_c[10:].tolist(), strict=True)
        ]
        assert advance(old, found.samples, rule, found.facts) == advance(old, whole, rule, found.facts)


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
        "box a: 32.0 ± 0.6 °C at 09:30, limit 31.0 °C. No eggs are recorded in it. It stands in stack left at 40 cm. "
        "Its limits are those of the room."
    )
    snapshot = a_snapshot(32.0, unit="F")
    box = replace(snapshot.boxes[0], occupied_by=("K01/a", "K02/a"), limits_from="of the profile")
    assert said_of(look(WARM, replace(snapshot, boxes=(box,)))) == (
        "box a: 89.6 ± 1.0 °F at 09:30, limit 87.8 °F. In it: eggs of K01 in a, K02 in a. It stands in stack left at "
        "40 cm. Its limits are those of the profile."
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


@pytest.mark.parametrize("seed", range(40))
@pytest.mark.parametrize("warm", [True, False])
def test_what_is_told_at_the_end_is_the_worst_of_the_last_spell_and_of_none_before(seed: int, warm: bool) -> None:
    """By the definition, reading for reading: a spell goes on until a reading lies beyond the deadband."""
    dice = random.Random(seed)
    limit, band, side = (31.0, 0.25, 1.0) if warm else (25.0, 0.25, -1.0)
    past = [0.25 * dice.randrange(-4, 9) for _ in range(30)] + [-0.5]
    room = replace(a_room(("a",)), limits=Limits(31.0, 25.0, deadband_c=band))
    snapshot = Script(room, {"a": lambda m: limit + side * past[min(round(m + 30), 30)]}).snapshot(START, {})
    times = snapshot.boxes[0].time_ms.tolist()
    assert len(times) == 31
    spell: list[tuple[int, float]] = []
    running = False
    for at, p in zip(times, past, strict=True):
        if p < -band:
            running = False
        elif not running and p >= 0.0:
            running, spell = True, [(at, p)]
        elif running:
            spell.append((at, p))
    at, worst = max(spell, key=lambda x: (x[1], -x[0]))
    up = Condition(KINDS[0 if warm else 1].name, "a", Phase.RAISED, times[0], times[0], last_ms=times[-2])
    found = look(KINDS[0 if warm else 1], replace(snapshot, conditions={up.key: up}))
    shown = show_temperature(limit + side * worst, "C")
    assert found.cause == f"{'Highest' if warm else 'Lowest'} was {shown} at {show_since(at, snapshot.zone, START)}."


def test_a_box_that_comes_and_goes_is_back_when_it_has_been_so_for_three_hours() -> None:
    """Beyond for half an hour, twice within six hours: the first end is told soon, the second when it has held."""

    def course(m: float) -> float:
        return 32.0 if 10 <= m < 40 or 120 <= m < 150 else 28.0

    run = Run(Script(a_room(("a",)), {"a": course}, hours=7.0)).go(0, 400)
    moves = [(change, minute) for kind, change, _, minute in run.told() if kind == "too-warm"]
    assert [change for change, _ in moves] == ["raised", "cleared", "raised", "cleared"]
    assert moves[1][1] == pytest.approx(55, abs=3)
    assert moves[3][1] == pytest.approx(150 + 180, abs=3)


@pytest.mark.parametrize("seed", range(10))
def test_however_much_comes_late_nothing_that_is_there_waits_longer_than_ten_minutes(seed: int) -> None:
    """New late readings have come within the last minute, so that more may be on the way."""
    dice = random.Random(seed)
    base = Script(a_room(("a",)), {"a": lambda _: 32.0}).snapshot(START, {})

    def judged(waited_min: float, *, back_min: float | None = None, oldest: Flag = Flag.GOOD) -> bool:
        """Whether it is judged when its oldest unjudged reading came so long ago."""
        made = np.array(sorted(dice.randrange(20, 60) for _ in range(6)))[::-1]
        came = np.array([waited_min, *sorted(dice.uniform(0, min(waited_min, 9)) for _ in range(4))[::-1], 0.5])
        at, received = (START - np.round(np.asarray(m) * MINUTE).astype(np.int64) for m in (made, came))
        flags = np.array([oldest, *[Flag.GOOD] * 5], np.uint8)
        heard = Heard(at, np.full(6, 32.0), flags, received, np.ones(6, bool))
        known = Late(int(at[-1]), int(received[-1]), int(received[-1]))
        assert known.arriving(START)
        old = Condition("too-warm", "a", last_ms=START - 2 * HOUR_MS)
        away = None if back_min is None else (START - HOUR_MS, START - round(back_min * MINUTE))
        snapshot = replace(
            base,
            probes=(replace(base.probes[0], heard=heard),),
            boxes=(replace(base.boxes[0], late=known),),
            conditions={old.key: old},
            service=replace(base.service, away=away),
        )
        return len(look(WARM, snapshot).samples) > 0

    assert not judged(dice.uniform(0.5, 9.9))
    assert judged(dice.uniform(10.0, 19.0))
    assert not judged(dice.uniform(10.0, 19.0), oldest=Flag.BAD), "what is no measurement is not waited for"
    # After an absence that is told, from its end.
    assert not judged(15.0, back_min=dice.uniform(0.5, 9.9))
    assert judged(15.0, back_min=dice.uniform(10.0, 15.0))


def test_what_is_coming_is_waited_for_where_all_that_is_there_was_judged() -> None:
    snapshot = a_snapshot(32.0)
    known = Late(snapshot.now_ms - HOUR_MS, snapshot.now_ms - MINUTE, snapshot.now_ms)
    late = replace(snapshot, boxes=(replace(snapshot.boxes[0], late=known),))
    assert list(look(WARM, late).samples) == []
    assert list(look(WARM, replace(late, now_ms=snapshot.now_ms + 3 * MINUTE)).samples) != []


@pytest.mark.parametrize("seed", range(20))
def test_what_is_judged_once_more_begins_a_delay_and_a_gap_before_it_and_never_before_what_was_told(seed: int) -> None:
    dice = random.Random(seed)
    snapshot = a_snapshot(28.0)
    made = START - dice.randrange(70, 600) * MINUTE
    came = START - dice.randrange(12, 50) * MINUTE
    changed = START - dice.randrange(60, 700) * MINUTE
    one = np.array([made], np.int64), np.array([28.0]), np.ones(1, np.uint8), np.array([came], np.int64)
    heard = Heard(*one, np.ones(1, bool))
    late = Late(made, came, came)
    clear = Condition("too-warm", "a", Phase.CLEAR, changed, changed, last_ms=START - 5 * MINUTE)
    now = replace(
        snapshot,
        probes=(replace(snapshot.probes[0], heard=heard),),
        boxes=(replace(snapshot.boxes[0], late=late),),
        conditions={clear.key: clear},
    )
    limits, probe = snapshot.boxes[0].limits, snapshot.room.probes[0]
    reach_s = limits.on_delay_s + max(limits.max_gap_s, probe.quiet_after_s)
    again = look(WARM, now).again_from_ms
    assert again == max(made - round(1000 * reach_s), changed + 1)
    # What is up is not judged back, and what was judged in time is not judged again.
    up = replace(clear, phase=Phase.RAISED)
    assert look(WARM, replace(now, conditions={up.key: up})).again_from_ms is None
    before = replace(clear, last_ms=made - 1)
    assert look(WARM, replace(now, conditions={before.key: before})).again_from_ms is None
