"""What follows from a correction: development, boxes, stacks, siblings, as if the readings had been right at once."""

from __future__ import annotations

import csv
import math
import operator
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.adapters.store import Columns
from monitor.config.library import load_profile
from monitor.core.climate.box_temperature import ProbesError, probes_error
from monitor.core.development.history import History
from monitor.core.development.lots import LotNow
from monitor.core.development.siblings import apart
from monitor.core.notices.snapshot import Service
from monitor.core.readings.corrections import Correction
from monitor.core.terms.events import EventKind, Flag, Reading
from monitor.core.terms.settings import Broker, Probe, Settings
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.room import Derived
from tests.core.lots import ahead_of, changed, past_of, window_of
from tests.derived.test_room import (
    LOWER,
    MINUTE,
    SPECIES,
    START,
    UPPER,
    Bench,
    a_room,
    assert_same,
    course,
    every,
    history,
    one,
)
from tests.peers import shared

DAYS = 6
NOW = START + DAYS * DAY_MS + 20 * MINUTE


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    made.clutch()
    made.ingest(*course("up", every(10, START - HOUR_MS, DAYS * 24 + 1)))
    made.ingest(*course("low", every(10, START - HOUR_MS, DAYS * 24 + 1), middle=27.6))
    made.hour(NOW)
    yield made
    for store in made.opened:
        store.close()


def correction(offset: float, from_ms: int = START, probe: str = "up", **more: Any) -> Correction:
    fields: dict[str, Any] = {"uncertainty_c": 0.04, "common_c": 0.2, "how": "side by side", "session": "s1"}
    return Correction(probe, from_ms, offset, recorded_ms=NOW, **(fields | more))


def with_readings(bench: Bench, change: Any, name: str) -> Derived:
    """A store in which the readings were right from the beginning."""
    store = bench.open(name)
    store.journal.ingest([change(r) for r in bench.readings])
    for event in bench.told:
        store.account.tell(event)
    return bench.look(store)


def warmer(r: Reading, offset: float = 0.5, from_ms: int = 0) -> Reading:
    return r._replace(value=r.value + offset) if r.probe == "up" and r.at_ms >= from_ms else r


def test_half_a_degree_of_correction_is_as_a_run_with_readings_half_a_degree_higher(bench: Bench) -> None:
    before = history(bench.derived, NOW)
    bench.store.corrections.tell([correction(0.5)])
    bench.derived.follow(NOW)
    expected = history(with_readings(bench, warmer, "right"), NOW)
    assert_same(history(bench.derived, NOW), expected)
    assert expected.development > before.development * 1.02
    # And the same once its sums are on the disk, and when everything is made anew from there.
    bench.hour(NOW)
    assert bench.derived._store.parts.dirty(["up"]) is not None
    assert_same(history(bench.derived, NOW), expected)
    assert_same(history(bench.look(bench.store), NOW), expected)


def test_sums_on_the_disk_are_those_of_the_correction_and_of_no_other(bench: Bench) -> None:
    bench.store.corrections.tell([correction(0.5)])
    bench.hour(NOW)
    models = bench.store.db.rows("SELECT DISTINCT model FROM part WHERE box=?", UPPER)
    assert len(models) == 1
    bench.store.corrections.withdraw(1, NOW)
    bench.hour(NOW)
    assert bench.store.db.rows("SELECT DISTINCT model FROM part WHERE box=?", UPPER) != models


def test_taken_back_everything_is_as_it_was(bench: Bench) -> None:
    before = history(bench.derived, NOW)
    window = window_of(one(bench.derived, NOW))
    bench.store.corrections.tell([correction(0.5)])
    bench.hour(NOW)
    assert window_of(one(bench.derived, NOW)) != window
    bench.store.corrections.withdraw(1, NOW)
    bench.hour(NOW)
    assert_same(history(bench.derived, NOW), before)
    assert window_of(one(bench.derived, NOW)) == window


def test_what_was_known_then_is_told_with_the_corrections_of_then(bench: Bench) -> None:
    """Found on the third day, found anew on the fifth, and the first taken back on the seventh."""
    first, second, undone = (START + d * DAY_MS for d in (3, 5, 7))
    asked = START + 8 * DAY_MS
    bench.store.corrections.tell([replace(correction(0.5), recorded_ms=first)])
    bench.store.corrections.tell([replace(correction(0.9, START + DAY_MS), recorded_ms=second)])
    bench.store.corrections.withdraw(1, undone)

    def as_of(known_ms: int) -> History:
        return history(Derived(bench.store, Settings(bench.room, Broker()), load_profile, known_by_ms=known_ms), asked)

    def with_only(*corrections: Correction) -> History:
        store = bench.open(f"only {len(bench.opened)}")
        store.journal.ingest(bench.readings)
        for event in bench.told:
            store.account.tell(event)
        store.corrections.tell(corrections)
        return history(bench.look(store), asked)

    both = (correction(0.5), correction(0.9, START + DAY_MS))
    assert_same(as_of(first - 1), with_only())
    assert_same(as_of(first), with_only(both[0]))
    assert_same(as_of(second), with_only(*both))
    assert_same(as_of(undone - 1), with_only(*both))
    assert_same(as_of(undone), with_only(both[1]))
    bench.derived.follow(asked)
    assert_same(history(bench.derived, asked), with_only(both[1]))
    # What the service has summed up with today's corrections is not taken for yesterday's.
    bench.hour(asked)
    assert_same(as_of(first), with_only(both[0]))


def test_looking_back_tells_of_each_moment_what_its_own_room_tells(bench: Bench) -> None:
    """Whatever moments share is read once: before and after a correction, of readings that came between them, and of a
    lot alone as of its clutch."""
    bench.tell(EventKind.LAID, START, species=SPECIES, eggs=10, clutch="K02")
    for box, eggs in ((UPPER, 6), (LOWER, 4)):
        bench.tell(EventKind.SET, START + 7 * MINUTE, box=box, eggs=eggs, clutch="K02")
    found = START + 3 * DAY_MS + 20 * MINUTE
    bench.store.corrections.tell([replace(correction(0.9), recorded_ms=found)])
    moments = [found + m * MINUTE for m in (-2880, -1, 0, 5, 35, 1440)]

    def told(x: LotNow) -> tuple[Any, ...]:
        return x.lot.id, past_of(x), window_of(x)

    with bench.derived.looking_back() as then:
        for at_ms in (*moments, *reversed(moments)):
            alone = Derived(bench.store, Settings(bench.room, Broker()), load_profile, known_by_ms=at_ms)
            both = alone.lots(at_ms, clutch="K02")
            assert len(both) == 2
            for now in both:
                found_alone = then(at_ms).histories.once(at_ms, "K02", partial(operator.eq, now.lot))
                (only,) = [x for x in found_alone if x.lot == now.lot]
                assert told(only) == told(now)
                assert [x.first_pip for x in found_alone if x is not only] == [None]
                assert then(at_ms).histories.once(at_ms, now.clutch, partial(operator.eq, now.lot)) == found_alone
        assert len({id(then(at_ms)) for at_ms in moments}) == 2
        assert then(found).histories.once(found, "none", lambda _: True) == []


def test_readings_that_are_held_are_those_of_the_store_also_beside_their_span(bench: Bench) -> None:
    bench.store.corrections.tell([correction(0.5, START + DAY_MS)])
    room = Derived(bench.store, Settings(bench.room, Broker()), load_profile).readings
    box, probe = bench.room.box(UPPER), bench.room.probe("up")
    assert box is not None
    assert probe is not None
    held_ms = START + HOUR_MS, START + 3 * DAY_MS
    spans = [held_ms, (START + DAY_MS, START + 2 * DAY_MS + 1), (START, held_ms[1]), (held_ms[0], NOW), (START, START)]
    alone = [room.box_series(box, *span) for span in spans]
    with room.held([probe], *held_ms):
        held = [room.box_series(box, *span) for span in spans]
        # What comes in meanwhile is seen by whoever asks for what is stored.
        bench.store.journal.ingest([Reading("up", held_ms[0] + 1, 29.0, NOW, Flag.GOOD)])
        assert len(room.box_series(box, *held_ms, stored=True).time_ms) == len(alone[0].time_ms) + 1
        assert len(room.box_series(box, *held_ms).time_ms) == len(alone[0].time_ms)
    assert len(room.box_series(box, *held_ms).time_ms) == len(alone[0].time_ms) + 1
    for x, y in zip(held, alone, strict=True):
        np.testing.assert_array_equal(x.time_ms, y.time_ms)
        np.testing.assert_array_equal(x.temperature_c, y.temperature_c)
    assert [len(x.time_ms) > 0 for x in held] == [True, True, True, True, False]


def test_a_second_correction_holds_from_its_own_time_on(bench: Bench) -> None:
    then = START + 3 * DAY_MS + 25 * MINUTE
    bench.store.corrections.tell([correction(0.1), correction(0.5, then)])
    bench.derived.follow(NOW)
    right = with_readings(bench, lambda r: warmer(warmer(r, 0.1), 0.4, then), "right")
    assert_same(history(bench.derived, NOW), history(right, NOW))


def test_what_the_configuration_adds_lies_beneath(bench: Bench) -> None:
    room = a_room(probes=tuple(replace(p, correction=-0.2) if p.id == "up" else p for p in bench.room.probes))
    bench.store.corrections.tell([correction(0.7)])
    assert_same(history(bench.look(bench.store, room), NOW), history(with_readings(bench, warmer, "right"), NOW))


def test_what_a_probe_said_in_another_place_is_a_gap_in_its_box(bench: Bench) -> None:
    start, end = START + 2 * DAY_MS, START + 2 * DAY_MS + 8 * HOUR_MS
    bench.store.corrections.tell([correction(0.0, start, to_ms=end)])
    bench.derived.follow(NOW)
    store = bench.open("gap")
    store.journal.ingest([r for r in bench.readings if r.probe != "up" or not start <= r.at_ms <= end])
    for event in bench.told:
        store.account.tell(event)
    found, expected = history(bench.derived, NOW), history(bench.look(store), NOW)
    assert_same(found, expected)
    # Eight hours and the steps at both ends, and the twenty minutes since the newest reading.
    assert found.filled_s == pytest.approx((8 * 60 + 20 + 20) * 60)


def test_a_gap_is_filled_from_a_neighbour_as_corrected(bench: Bench) -> None:
    """The neighbour's own error does not matter when it is constant; a step in its correction does."""
    then = START + 4 * DAY_MS
    bench.store.corrections.tell([correction(0.0, probe="low"), correction(0.8, then, probe="low")])
    store = bench.open("quiet")
    store.journal.ingest([r for r in bench.readings if r.probe != "up" or r.at_ms < then])
    store.corrections.tell(bench.store.corrections.all())
    right = bench.open("right")
    right.journal.ingest(
        [
            r._replace(value=r.value + 0.8) if r.probe == "low" and r.at_ms >= then else r
            for r in bench.readings
            if r.probe != "up" or r.at_ms < then
        ]
    )
    for event in bench.told:
        store.account.tell(event)
        right.account.tell(event)
    assert_same(history(bench.look(store), NOW), history(bench.look(right), NOW))


def test_boxes_stacks_and_lots_have_the_uncertainty_that_was_found(bench: Bench) -> None:
    bench.derived.follow(NOW)
    plain = bench.derived.snapshot(NOW, Service(0))
    assert not plain.stacks[0].compared
    # A little noise is left in the mean of a day beside the probes' own error.
    assert plain.stacks[0].difference_sd_c == pytest.approx(0.29 * math.sqrt(2), abs=1e-3)
    bench.store.corrections.tell([correction(0.1), correction(-0.1, probe="low")])
    bench.derived.follow(NOW)
    snapshot = bench.derived.snapshot(NOW, Service(0))
    total = math.hypot(0.04, 0.2)
    (stack,) = [s for s in snapshot.stacks if s.stack == "left"]
    assert stack.compared
    # The common part is in each level and not in their difference.
    assert [level.uncertainty_c for level in stack.levels] == pytest.approx([total, total])
    assert stack.difference_sd_c == pytest.approx(0.04 * math.sqrt(2), abs=1e-3)
    assert stack.difference_c == pytest.approx(plain.stacks[0].difference_c + 0.2, abs=1e-6)
    box = next(b for b in snapshot.boxes if b.box.id == UPPER)
    assert box.uncertainty_c == pytest.approx(total)
    assert box.now_c == pytest.approx(next(b for b in plain.boxes if b.box.id == UPPER).now_c + 0.1)  # type: ignore[operator]
    (lot,) = snapshot.lots
    assert past_of(lot).error.total_c == pytest.approx(total)
    assert (past_of(lot).error.common_c, past_of(lot).error.session, past_of(lot).compared) == (0.2, "s1", True)
    probe = next(p for p in snapshot.probes if p.probe.id == "up")
    assert probe.correction is not None
    assert snapshot.room.probe("up") == probe.probe


def test_of_one_session_siblings_differ_by_what_is_the_probes_own(bench: Bench) -> None:
    bench.clutch("lower", at_ms=START + 1, clutch="K02")
    bench.store.corrections.tell([correction(0.0), correction(0.0, probe="low")])
    bench.derived.follow(NOW)
    early, late = one(bench.derived, NOW, "K01/upper"), one(bench.derived, NOW, "K02/lower")
    days, sd = apart(early, late)
    _, of_two_sessions = apart(early, changed(late, error=replace(past_of(late).error, session="s2")))
    slope_a, slope_b = ahead_of(early).days_per_c or 0.0, ahead_of(late).days_per_c or 0.0
    assert days > 0
    assert sd == pytest.approx(math.hypot(0.04 * slope_a, 0.04 * slope_b, 0.2 * (slope_a - slope_b)))
    total = math.hypot(0.04, 0.2)
    assert of_two_sessions == pytest.approx(math.hypot(total * slope_a, total * slope_b))
    assert sd < 0.3 * of_two_sessions


def test_the_error_of_a_mean_keeps_what_is_common_and_averages_the_rest() -> None:
    one_, two = (
        Probe(n, "t", standard_uncertainty=math.hypot(0.04, 0.2), common_c=0.2, session="s1") for n in ("a", "b")
    )
    mean = probes_error([one_, two])
    assert mean.own_c == pytest.approx(0.04 / math.sqrt(2))
    assert (mean.common_c, mean.session) == (0.2, "s1")
    other = replace(two, session="s2")
    mixed = probes_error([one_, other])
    assert (mixed.common_c, mixed.session) == (0.0, "")
    assert mixed.own_c == pytest.approx(math.hypot(0.04, 0.2) / math.sqrt(2))
    assert ProbesError(0.1, 0.3, "s1").against(ProbesError(0.1, 0.3, "s1")) == pytest.approx(0.1 * math.sqrt(2))
    assert ProbesError(0.1, 0.3).against(ProbesError(0.1, 0.3)) == pytest.approx(math.sqrt(0.2))
    assert probes_error([]).total_c == 0.0


def test_a_probe_that_drifts_is_seen_in_the_store_and_a_comparison_begins_a_new_baseline(tmp_path: Path) -> None:
    bench = Bench(tmp_path, a_room(probes=tuple(Probe(n, f"t/{n}", stack="left", height_cm=h, interval_s=1800)
                                                for n, h in (("p", 60.0), ("q", 105.0), ("r", 150.0)))))  # fmt: skip
    rng = np.random.default_rng(4)
    first = START // DAY_MS * DAY_MS
    for name in "pqr":
        at = np.arange(first, first + 40 * DAY_MS, 1_800_000)
        value = 28.0 + 0.3 * np.sin(2 * np.pi * (at % DAY_MS) / DAY_MS) + rng.normal(0.0, 0.05, len(at))
        if name == "q":
            value += np.maximum((at - first) / DAY_MS - 20.0, 0.0) * 0.03
        bench.ingest(*(Reading(name, int(t), float(v), int(t), Flag.GOOD) for t, v in zip(at, value, strict=True)))
    now = first + 40 * DAY_MS + HOUR_MS
    bench.hour(now)
    peers = bench.derived.probes.peers(now)
    assert {n: p.state for n, p in peers.items()} == {"p": "steady", "q": "departing", "r": "steady"}
    left = peers["q"].departure
    assert left is not None
    assert left.rate_c_per_day == pytest.approx(0.03, abs=0.006)
    assert peers["p"].departure is None
    assert peers["p"].first_ms == first
    assert {n: p.state for n, p in bench.derived.probes.peers(first + 24 * DAY_MS).items()}["q"] == "steady"
    bench.store.corrections.tell([correction(0.0, first + 39 * DAY_MS, probe="q")])
    bench.derived.follow(now)
    assert bench.derived.probes.peers(now)["q"].state == "too few days"
    bench.store.close()


def test_forty_one_days_of_a_real_heated_room_look_at_no_probe_askance(tmp_path: Path) -> None:
    """IEA EBC Annex 58 twin house, three heights of air: every day's look at the probes among their peers, by the way
    the service has to it. Its heating was changed six times, and with it the gradient."""
    columns = {"air_067cm_c": 67.0, "air_125cm_c": 125.0, "air_187cm_c": 187.0}
    probes = tuple(Probe(n, f"t/{n}", stack="left", height_cm=h, interval_s=600) for n, h in columns.items())
    with shared("data", "heated_room_three_heights.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    at = np.array([round(datetime.fromisoformat(r["time_utc"]).timestamp() * 1000) for r in rows], np.int64)
    bench = Bench(tmp_path, a_room(probes=probes))
    n = len(at)
    for name in columns:
        value = np.array([float(r[name] or "nan") for r in rows])
        flag = np.where(np.isnan(value), int(Flag.MISSING), int(Flag.GOOD)).astype(np.uint8)
        bench.store.folding.bulk(name, Columns(at, value, at, flag, np.ones(n, bool), ("",) * n))
    seen = [bench.derived.probes.peers(int(at[0]) + day * DAY_MS) for day in range(1, 42)]
    assert {peer.departure for look in seen for peer in look.values()} == {None}
    bench.store.close()


def test_a_moment_long_past_is_looked_back_to_without_what_was_measured_since(bench: Bench) -> None:
    bench.ingest(Reading("up", START + DAY_MS + HOUR_MS, 31.0, START + DAY_MS + 5 * HOUR_MS, Flag.GOOD, timed=True))

    def back(at_ms: int) -> Derived:
        derived = Derived(bench.store, Settings(bench.room, Broker()), load_profile, known_by_ms=at_ms)
        derived.follow(at_ms)
        return derived

    def told(derived: Derived, at_ms: int) -> list[object]:
        seen = derived.snapshot(at_ms, Service(0))
        lots = [(x.lot.id, x.first_pip.window if x.first_pip else None) for x in seen.lots]
        boxes = [(b.box.id, b.now_c, b.at_ms, b.temperature_c.tolist(), b.late, b.source) for b in seen.boxes]
        probes = [(p.probe, p.last_ms, p.last_value, p.usable_ms) for p in seen.probes]
        return [lots, boxes, probes, [(s.stack, s.difference_c) for s in seen.stacks]]

    first = START + 30 * HOUR_MS
    bounded = back(first)
    for at_ms in (first, first + 2 * DAY_MS, START + 26 * HOUR_MS):
        bounded.follow(at_ms)
        whole = bench.look(bench.store)
        whole.follow(at_ms)
        held = {name: bounded.readings.recent(name) for name in ("up", "low")}
        assert all(len(c) and int(c.at[-1]) <= at_ms + 5 * MINUTE for c in held.values())
        assert all(int(whole.readings.recent(name).at[-1]) >= NOW - 20 * MINUTE for name in held)
        assert told(bounded, at_ms) == told(whole, at_ms) == told(back(at_ms), at_ms)
    # What lies outside is read from the store, as it was without a bound.
    probes = [p for p in bench.room.probes if p.id == "up"]
    all_of_it = bounded.readings.columns(probes, START, NOW)["up"]
    assert all_of_it.at.tolist() == bench.look(bench.store).readings.columns(probes, START, NOW)["up"].at.tolist()
