"""What is not believed adds no development, in a running service as in one that sums up from nothing."""

from __future__ import annotations

import random
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.store import Store
from monitor.core.notices.conditions import Condition, Phase, Transition
from monitor.core.readings.belief import FROM, NO_GOOD_FOR, RIGHT, UNTIL
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.times import DAY_MS, HOUR_MS, MINUTE_MS
from tests.derived.test_room import LOWER, PAIR, START, UPPER, Bench, assert_same, course, every, history, one

KINDS = sorted(NO_GOOD_FOR)


def change(
    store: Store, kind: str, subject: str, what: str, at_ms: int, facts: Mapping[str, int]
) -> tuple[Transition, Condition]:
    """A condition that changed, as a round commits it."""
    phase = Phase.RAISED if what == "raised" else Phase.CLEAR
    made = Condition(kind, subject, phase, at_ms, at_ms, last_ms=at_ms, facts=facts)
    moved = Transition(kind, subject, what, at_ms, at_ms, "")  # type: ignore[arg-type]
    store.ledger.commit([made], [moved], [], {})
    return moved, made


def rebuilt(bench: Bench, changes: list[tuple[Transition, Condition]], now_ms: int, name: str) -> Bench:
    """The same readings and changes in a store in which nothing was ever summed up."""
    fresh = Bench(bench.folder / name, bench.room)
    fresh.ingest(*bench.readings)
    for event in bench.told:
        fresh.store.account.tell(event)
    for moved, made in changes:
        fresh.store.ledger.commit([made], [moved], [], {})
    return fresh


@pytest.mark.parametrize("seed", range(3))
def test_sums_of_a_running_service_are_those_from_nothing_whatever_was_suspected_when(
    tmp_path: Path, seed: int
) -> None:
    dice = random.Random(seed)
    bench = Bench(tmp_path)
    for box, clutch in ((UPPER, "K01"), (LOWER, "K02"), (PAIR, "K03")):
        bench.clutch(box=box, clutch=clutch)
    probes = {"up": UPPER, "low": LOWER, "two-a": PAIR, "two-b": PAIR}
    steps = {p: dice.choice([3, 7, 10, 20]) for p in probes}
    changes: list[tuple[Transition, Condition]] = []
    up: dict[tuple[str, str], int] = {}
    now, end = START, START + 3 * DAY_MS
    while now < end:
        until = min(now + dice.randrange(20 * MINUTE_MS, 5 * HOUR_MS), end)
        for probe, step in steps.items():
            middle = dice.uniform(26.0, 30.0)
            said = course(probe, every(step, now, (until - now) / HOUR_MS), middle)
            loose = dice.choice([0.0, 0.1])
            bench.ingest(*(r._replace(value=r.value + 2.5) if dice.random() < loose else r for r in said))
        now = until
        bench.derived.follow(now)
        if dice.random() < 0.5:
            bench.hour(now)
        for probe in dice.sample(sorted(probes), 2):
            key = dice.choice(KINDS), probe
            began = up.pop(key, None)
            if began is None and dice.random() < 0.5:
                began = now - dice.randrange(0, 12 * HOUR_MS)
                up[key] = began
                changes.append(change(bench.store, *key, "raised", now, {FROM: began}))
            elif began is not None:
                ends = {UNTIL: dice.randrange(began, now + 1), RIGHT: dice.choice([0, 1])}
                changes.append(change(bench.store, *key, "cleared", now, {FROM: began, **ends}))
        bench.derived.lots(now)
    bench.hour(now)
    fresh = rebuilt(bench, changes, now, "nothing")
    restarted = bench.look(bench.store)
    assert len(changes) >= 4
    for lot in ("K01/upper", "K02/lower", "K03/pair"):
        assert_same(history(bench.derived, now, lot), history(fresh.derived, now, lot))
        assert_same(history(restarted, now, lot), history(fresh.derived, now, lot))
        assert one(bench.derived, now, lot).past == one(restarted, now, lot).past
    for store in (*bench.opened, *fresh.opened):
        store.close()


@pytest.mark.parametrize("wrong_c", [2.0, 12.5, 27.0, 36.0])
@pytest.mark.parametrize("right", [False, True])
def test_hours_that_are_not_believed_are_filled_and_given_back_when_they_were_right(
    tmp_path: Path, wrong_c: float, right: bool
) -> None:
    """The upper probe says something else for eleven hours; its neighbour goes on. Then it is as it was."""
    bench = Bench(tmp_path)
    bench.clutch()
    began, ended = START + 40 * HOUR_MS + 11 * MINUTE_MS, START + 51 * HOUR_MS + 3 * MINUTE_MS
    now = START + 60 * HOUR_MS
    good = course("up", every(10, START, 60.0))
    bench.ingest(*course("low", every(7, START, 60.0), 27.0))
    bench.ingest(*(r._replace(value=wrong_c) if began <= r.at_ms < ended else r for r in good))
    bench.hour(began + 7 * HOUR_MS)
    change(bench.store, "probe-stuck", "up", "raised", began + 7 * HOUR_MS, {FROM: began})
    bench.hour(began + 8 * HOUR_MS)
    known = history(bench.derived, began + 8 * HOUR_MS)
    assert known.filled_s == pytest.approx(8 * 3600.0, abs=1800.0)
    change(bench.store, "probe-stuck", "up", "cleared", now, {FROM: began, UNTIL: ended, RIGHT: int(right)})
    bench.hour(now)
    found = history(bench.derived, now)
    heard = Bench(tmp_path / "heard")
    heard.clutch()
    heard.ingest(*bench.readings)
    truth = Bench(tmp_path / "truth")
    truth.clutch()
    truth.ingest(*good, *(r for r in bench.readings if r.probe == "low"))
    as_heard, as_was = history(heard.derived, now), history(truth.derived, now)
    if right:
        assert_same(found, as_heard)
    else:
        assert found.filled_s == pytest.approx((ended - began) / 1000.0, abs=1300.0)
        assert abs(found.development - as_was.development) <= 0.01 * as_was.development
        assert abs(found.development - as_was.development) < 0.3 * abs(as_heard.development - as_was.development)
    for store in (*bench.opened, *heard.opened, *truth.opened):
        store.close()


@pytest.mark.parametrize("seed", range(4))
def test_what_jumps_and_comes_back_is_no_warmth_once_its_probe_is_known_to_jump(tmp_path: Path, seed: int) -> None:
    dice = random.Random(seed)
    bench, truth = Bench(tmp_path), Bench(tmp_path / "truth")
    size, each = dice.choice([-1, 1]) * dice.uniform(1.6, 4.5), dice.randrange(3, 9)
    good = course("up", every(dice.choice([1, 5, 12]), START, 40.0))
    began, found_ms, now = START + 10 * HOUR_MS, START + 12 * HOUR_MS, START + 40 * HOUR_MS
    for room in (bench, truth):
        room.clutch()
    bench.ingest(
        *(r._replace(value=r.value + size) if i % each == 1 and r.at_ms > began else r for i, r in enumerate(good))
    )
    truth.ingest(*good)
    bench.hour(found_ms)
    as_heard, as_is = history(bench.derived, now).development, history(truth.derived, now).development
    change(bench.store, "probe-jumps", "up", "raised", found_ms, {FROM: began})
    bench.hour(now)
    found = history(bench.derived, now)
    assert abs(found.development - as_is) <= 0.002 * as_is < abs(as_heard - as_is)
    assert found.filled_s == 0.0, "what is left out is bridged"
    for store in (*bench.opened, *truth.opened):
        store.close()


def test_a_box_goes_on_with_its_other_probe(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.clutch(box=PAIR)
    now = START + 30 * HOUR_MS
    bench.ingest(*course("two-a", every(10, START, 30.0), 28.0, 0.0))
    bench.ingest(*(Reading("two-b", t, 40.0, t, Flag.GOOD) for t in every(60, START, 30.0)))
    change(bench.store, "probe-out", "two-b", "raised", now, {FROM: START})
    found = history(bench.derived, now, "K01/pair")
    assert found.filled_s == 0.0
    assert np.nanmax(found.temperature_c) == pytest.approx(28.0)
    for store in bench.opened:
        store.close()


@pytest.mark.parametrize("kind", [k for k in KINDS if "advice" in NO_GOOD_FOR[k]])
def test_a_level_that_is_not_believed_is_no_level_and_limits_go_by_what_is_heard(tmp_path: Path, kind: str) -> None:
    bench = Bench(tmp_path)
    now = START + 26 * HOUR_MS
    for probe, middle in (("up", 31.0), ("low", 27.0)):
        bench.ingest(*course(probe, every(10, START, 26.0), middle, 0.0))
    bench.derived.follow(now)
    before = bench.derived.boxes.stack_profile("left", now)
    assert before is not None
    assert before.difference_c == pytest.approx(4.0)
    change(bench.store, kind, "up", "raised", now, {FROM: now - HOUR_MS})
    bench.derived.follow(now)
    assert bench.derived.boxes.stack_profile("left", now) is None, "one box is left"
    box = bench.derived.boxes.now(bench.room.boxes[0], now, [])
    assert box.now_c == pytest.approx(31.0)
    change(bench.store, kind, "up", "cleared", now, {FROM: now - HOUR_MS, UNTIL: now})
    bench.derived.follow(now)
    after = bench.derived.boxes.stack_profile("left", now)
    assert after is not None
    assert before.hours - 2 <= after.hours < before.hours
    for store in bench.opened:
        store.close()


def test_what_was_believed_then_is_known_later(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    change(bench.store, "probe-out", "up", "raised", START + 5, {FROM: START})
    change(bench.store, "probe-out", "up", "cleared", START + 9, {FROM: START, UNTIL: START + 7})
    at = np.arange(START - 1, START + 10, dtype=np.int64)

    def known(by_ms: int | None) -> list[bool]:
        return [bool(x) for x in bench.store.disbeliefs.belief(by_ms).mask("up", at, "sums")]

    assert known(START + 4) == [True] * 11
    assert known(START + 8) == [True] + [False] * 10
    assert known(START + 9) == known(None) == [True] + [False] * 7 + [True] * 3
    for store in bench.opened:
        store.close()
