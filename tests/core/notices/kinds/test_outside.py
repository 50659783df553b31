"""What is held against a probe ends: by its return, by its times put right, or by a day of behaving as a box does."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.core.notices.conditions import Condition, Phase, Where
from monitor.core.notices.kinds import Look
from monitor.core.notices.kinds.outside import KINDS
from monitor.core.notices.snapshot import BoxNow, Heard, ProbeNow, Service, Snapshot
from monitor.core.readings.belief import FROM, RIGHT, UNTIL, Belief, Disbelief
from monitor.core.readings.out_of_box import BLOCK_S
from monitor.core.terms.settings import Box, Limits, Probe, Room
from monitor.core.terms.times import DAY_MS, HOUR_MS, MINUTE_MS

OUT = KINDS[0]
(IN_AIR,) = (k for k in KINDS if k.name == "probe-in-air")
NOW = 40 * DAY_MS
Series = tuple[NDArray[np.int64], NDArray[np.float64]]


def a_snapshot(boxes: dict[str, Series], air: Series | None, *conditions: Condition) -> Snapshot:
    probes = [Probe(f"p-{name}", f"t/{name}", box=name) for name in boxes]
    series = list(boxes.values())
    if air is not None:
        probes.append(Probe("p-air", "t/air", stack="left", height_cm=100.0))
        series.append(air)
    now = tuple(
        ProbeNow(
            p, int(at[-1]), float(v[-1]), 1, int(at[-1]),
            heard=Heard(at, v, np.ones(len(at), np.uint8), at, np.ones(len(at), bool)),
        )
        for p, (at, v) in zip(probes, series, strict=True)
    )  # fmt: skip
    room = Room(
        "room", "UTC", "C", ("left",), tuple(Box(n, "left", 50.0 + 30 * i) for i, n in enumerate(boxes)),
        tuple(probes), Limits(33.0, 20.0),
    )  # fmt: skip
    shown = tuple(BoxNow(b, room.limits, "of the room", *boxes[b.id], 0.1, "its own probe") for b in room.boxes)
    return Snapshot(NOW, room, UTC, Service(0), now, shown, conditions={c.key: c for c in conditions})


def slow(dice: random.Random, level_c: float, step_ms: int) -> Series:
    """A day of a box at a level: it goes up and down by some tenths over hours, in steps of a sixteenth."""
    at = np.arange(NOW - DAY_MS + dice.randrange(step_ms), NOW + 1, step_ms, dtype=np.int64)
    sway = dice.uniform(0.0, 0.4) * np.sin(2 * np.pi * at / (dice.uniform(6.0, 24.0) * HOUR_MS) + dice.uniform(0, 6))
    return at, np.round((level_c + sway) * 16) / 16


def quick(series: Series, dice: random.Random, size_c: float) -> Series:
    """The same in air that a heater warms and lets cool, in half an hour or so."""
    at, value = series
    return at, value + size_c * np.sin(2 * np.pi * at / (dice.uniform(0.6, 1.2) * HOUR_MS))


def told(
    dice: random.Random, hours: float, level_c: float, beside_c: float, moved_c: float | None = None,
    far_c: tuple[float, float] = (1.2, 9.0),
) -> Condition:  # fmt: skip
    """A claim by a move to a level, made so many hours ago, with whatever it was measured against."""
    since_ms = NOW - round(hours * HOUR_MS)
    moved_c = dice.choice([-1, 1]) * dice.uniform(*far_c) if moved_c is None else moved_c
    facts: dict[str, str | float | int | None] = {
        "by": "jumped", FROM: since_ms - HOUR_MS, "moved_c": moved_c, "was_c": level_c - moved_c,
        "apart_c": level_c - moved_c - beside_c,
    }  # fmt: skip
    return Condition("probe-out", "p-a", Phase.RAISED, since_ms, since_ms, last_ms=since_ms, facts=facts)


def look(snapshot: Snapshot) -> Look:
    return next(x for x in OUT.look(snapshot) if x.subject == "p-a")


@pytest.mark.parametrize("seed", range(40))
def test_a_claim_that_nothing_bears_out_ends_within_a_day(seed: int) -> None:
    dice = random.Random(seed)
    step_ms = dice.choice([1, 2, 5, 10, 14]) * MINUTE_MS
    others = {name: slow(dice, dice.uniform(27.0, 29.0), step_ms) for name in "bcd"[: dice.randrange(1, 4)]}
    levels = [float(np.median(v)) for _, v in others.values()]
    level_c = dice.uniform(min(levels), max(levels)) + dice.uniform(-0.4, 0.4)
    air = dice.choice([None, slow(dice, 26.0, step_ms)])
    boxes = {"a": slow(dice, level_c, step_ms), **others}
    claim = told(dice, dice.uniform(24.1, 400.0), level_c, float(np.median(levels)))

    found = look(a_snapshot(boxes, air, claim))
    assert [s.where for s in found.samples] == [Where.BACK]
    since_ms = claim.facts[FROM]
    assert isinstance(since_ms, int)
    assert found.facts[RIGHT] == 0
    assert found.facts[UNTIL] == max(NOW - DAY_MS, since_ms)
    # The same by how it moved, in air that has come to stand still.
    moved = replace(claim, facts={"by": "moves", FROM: since_ms})
    still = look(a_snapshot(boxes, slow(dice, 26.0, step_ms), moved))
    assert [s.where for s in still.samples] == [Where.BACK]
    assert still.facts[UNTIL] == max(NOW - DAY_MS, since_ms), "for the day in which it was seen it is believed"
    # Not before, where it is not back by its reference.
    early = told(dice, dice.uniform(1.0, 23.5), level_c, float(np.median(levels)), far_c=(3.0, 9.0))
    assert [s.where for s in look(a_snapshot(boxes, air, early)).samples] == [Where.BEYOND]


@pytest.mark.parametrize("seed", range(40))
def test_a_claim_does_not_end_while_anything_bears_it_out(seed: int) -> None:
    dice = random.Random(1000 + seed)
    step_ms = dice.choice([1, 2, 5, 10, 14]) * MINUTE_MS
    others = {name: slow(dice, dice.uniform(27.0, 29.0), step_ms) for name in "bcd"[: dice.randrange(1, 4)]}
    levels = [float(np.median(v)) for _, v in others.values()]
    was_c, beside_c = dice.uniform(min(levels), max(levels)), float(np.median(levels))
    moved_c = dice.choice([-1, 1]) * dice.uniform(4.0, 9.0)
    claim = told(dice, dice.uniform(24.1, 400.0), was_c + moved_c, beside_c, moved_c)

    def stands(own: Series, air: Series | None) -> bool:
        return [s.where for s in look(a_snapshot({"a": own, **others}, air, claim)).samples] == [Where.BEYOND]

    elsewhere = slow(dice, was_c + moved_c, step_ms)
    assert stands(elsewhere, dice.choice([None, slow(dice, 26.0, step_ms)])), "where no box is"
    if step_ms <= 10 * MINUTE_MS:
        air = quick(slow(dice, was_c, step_ms), dice, dice.uniform(0.4, 0.9))
        assert stands((air[0], air[1] + 0.3), air), "as warm as its box, and it goes up and down as the air does"
    at, value = slow(dice, was_c + moved_c / 2, step_ms)
    assert stands((at[: len(at) // 2], value[: len(at) // 2]), None), "seen for half a day"


@pytest.mark.parametrize("seed", range(10))
def test_where_nothing_else_can_tell_a_claim_ends_a_day_after_the_keeper_answered(seed: int) -> None:
    dice = random.Random(2000 + seed)
    own = slow(dice, 24.0, 5 * MINUTE_MS)
    claim = told(dice, 300.0, 24.0, 24.0, dice.choice([-1, 1]) * dice.uniform(3.0, 9.0))
    claim = replace(claim, facts={**claim.facts, "apart_c": None})

    def where(answered_h: float | None) -> Where:
        at_ms = None if answered_h is None else NOW - round(answered_h * HOUR_MS)
        return look(a_snapshot({"a": own}, None, replace(claim, acknowledged_ms=at_ms))).samples[-1].where

    assert where(None) is Where.BEYOND
    assert where(dice.uniform(0.0, 23.9)) is Where.BEYOND
    assert where(dice.uniform(24.0, 200.0)) is Where.BACK


@pytest.mark.parametrize("seed", range(20))
def test_a_claim_made_from_wrong_times_is_taken_back_when_they_are_put_right(seed: int) -> None:
    dice = random.Random(3000 + seed)
    step_ms = dice.choice([1, 2, 5, 10]) * MINUTE_MS
    others = {name: slow(dice, 28.0, step_ms) for name in "bc"}
    moved_c = dice.choice([-1, 1]) * dice.uniform(2.5, 6.0)
    at, value = slow(dice, 28.0, step_ms)

    def found(went_c: float, changed_h: float) -> Look:
        """It moved by so much by the times as they are read now; told was a move to where it is."""
        claim = told(dice, dice.uniform(0.2, 3.0), 28.0 + went_c, 28.0, moved_c)
        changed_ms = NOW - round(changed_h * HOUR_MS)
        clock = Condition("probe-clock", "p-a", Phase.RAISED, changed_ms, changed_ms)
        own = at, value + went_c * (at > NOW - 5 * HOUR_MS)
        return look(a_snapshot({"a": own, **others}, None, claim, clock))

    taken_back = found(0.0, dice.uniform(0.0, 0.5))
    assert taken_back.samples[-1].where is Where.BACK
    assert taken_back.facts[RIGHT] == 1
    assert found(0.0, 0.7).samples[-1].where is Where.BEYOND
    assert found(moved_c, 0.1).samples[-1].where is Where.BEYOND, "by the right times, too, it went"


@pytest.mark.parametrize("seed", range(20))
def test_what_goes_with_the_air_as_it_went_before_did_not_fall_out_now(seed: int) -> None:
    """A door stays open; the probe falls with the air, further than in an open box. Once that is a probe outside."""
    dice = random.Random(4000 + seed)
    step_ms = dice.choice([2, 5, 10]) * MINUTE_MS
    others = {name: slow(dice, 28.0, step_ms) for name in "bc"}
    (at, value), (_, air) = slow(dice, 28.0, step_ms), slow(dice, 28.5, step_ms)
    fell_c, came_ms = dice.uniform(5.0, 8.0), NOW - dice.randrange(70, 120) * MINUTE_MS
    before_ms = NOW - dice.randrange(14, 20) * HOUR_MS

    def door(ago: NDArray[np.int64], lasts_ms: float, tau_min: float) -> NDArray[np.float64]:
        opened = 1.0 - np.exp(-np.maximum(ago, 0) / (tau_min * MINUTE_MS))
        closed = 1.0 - np.exp(-np.maximum(ago - lasts_ms, 0) / (30.0 * MINUTE_MS))
        return np.asarray(-fell_c * opened * (1.0 - closed))

    def out(*, went_before: bool) -> bool:
        own, around = value.copy(), air.copy()
        for opened_ms, lasts_ms in ((before_ms, 20.0 * MINUTE_MS), (came_ms, 1e12)):
            around += 1.1 * door(at - opened_ms, lasts_ms, 3.0)
            if went_before or opened_ms == came_ms:
                own += door(at - opened_ms, lasts_ms, 4.0)
        return look(a_snapshot({"a": (at, own), **others}, (at, around))).samples[-1].where is Where.BEYOND

    assert out(went_before=False)
    assert not out(went_before=True)


@pytest.mark.parametrize("seed", range(10))
def test_what_a_probe_said_while_it_was_not_believed_says_nothing_of_how_it_always_is(seed: int) -> None:
    """It lay elsewhere for hours, and went up and down there as no closed box can; then it was put back."""
    dice = random.Random(5000 + seed)
    others = {name: slow(dice, 28.0, 5 * MINUTE_MS) for name in "bc"}
    at, value = slow(dice, 28.0, 5 * MINUTE_MS)
    began, ended = NOW - dice.randrange(18, 23) * HOUR_MS, NOW - dice.randrange(4, 8) * HOUR_MS
    elsewhere = (at >= began) & (at < ended)
    own = value + np.where(elsewhere, 3.0 * (at // (2 * HOUR_MS) % 2), 0.0)
    snapshot = a_snapshot({"a": (at, own), **others}, None)
    belief = Belief([Disbelief("p-a", "probe-out", began, ended)])

    def always(of: Snapshot) -> Where:
        return next(x for x in IN_AIR.look(of) if x.subject == "p-a").samples[-1].where

    assert always(snapshot) is Where.BEYOND, "believed, it is how it always is"
    assert always(replace(snapshot, belief=belief)) is Where.BACK


@pytest.mark.parametrize("seed", range(10))
def test_a_probe_that_no_longer_follows_the_air_is_believed_for_the_block_that_shows_it(seed: int) -> None:
    dice = random.Random(6000 + seed)
    others = {name: slow(dice, 28.0, 5 * MINUTE_MS) for name in "bc"}
    air = quick(slow(dice, 26.0, 5 * MINUTE_MS), dice, 0.8)
    for hours in (1.0, 2.5, 5.0, 20.0):
        since_ms = NOW - round(hours * HOUR_MS)
        claim = Condition("probe-out", "p-a", Phase.RAISED, since_ms, since_ms, last_ms=since_ms)
        claim = replace(claim, facts={"by": "moves", FROM: since_ms})
        found = look(a_snapshot({"a": slow(dice, 28.0, 5 * MINUTE_MS), **others}, air, claim))
        assert [s.where for s in found.samples] == [Where.BACK]
        assert found.facts[UNTIL] == max(NOW - round(1000 * BLOCK_S), since_ms)
