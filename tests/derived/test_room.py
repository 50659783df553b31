"""What is derived: running equals rebuilt, moves, gaps, what was known then, and the edges of it all."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.adapters.store import Store, columns_of
from monitor.config.library import load_profile
from monitor.core.development.history import History
from monitor.core.development.lots import LotNow
from monitor.core.development.plans import Plan
from monitor.core.development.window import Window
from monitor.core.notices.snapshot import Service
from monitor.core.readings.corrections import Correction
from monitor.core.terms.events import EventKind, Flag, KeeperEvent, Reading
from monitor.core.terms.settings import Box, Broker, Limits, Probe, Room, Settings
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.room import Derived
from tests.core.lots import ahead_of, past_of, rates_of, window_of
from tests.oracles.sums import degree_days, integrate_rate

SPECIES = "elaphe-taeniura"
MINUTE = 60_000
# 2026-05-01 07:00 UTC
START = round(datetime(2026, 5, 1, 7, tzinfo=UTC).timestamp() * 1000)

UPPER, MIDDLE, LOWER, PAIR = "upper", "middle", "lower", "pair"


def a_room(**changes: Any) -> Room:
    """Upper and lower have a probe each, the pair box has two, the middle one has none."""
    probes = (
        Probe("up", "t/up", box=UPPER, interval_s=600, quiet_after_s=1800, standard_uncertainty=0.29),
        Probe("low", "t/low", box=LOWER, interval_s=600, quiet_after_s=1800, standard_uncertainty=0.29),
        Probe("two-a", "t/a", box=PAIR, interval_s=600, quiet_after_s=1800),
        Probe("two-b", "t/b", box=PAIR, interval_s=3600, quiet_after_s=10800),
        Probe("damp", "t/h", "humidity", "%", box=UPPER, interval_s=600),
    )
    boxes = (
        Box(UPPER, "left", 150.0),
        Box(MIDDLE, "left", 105.0),
        Box(LOWER, "left", 60.0),
        Box(PAIR, "right", 60.0),
    )
    return replace(Room("room", "Europe/Vienna", "C", ("left", "right"), boxes, probes, Limits(31.0, 25.0)), **changes)


@dataclass
class Bench:
    """A store with a running Derived, and ways to ask again from nothing."""

    folder: Path
    room: Room = field(default_factory=a_room)
    readings: list[Reading] = field(default_factory=list)
    told: list[KeeperEvent] = field(default_factory=list)
    opened: list[Store] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.store = self.open("running")
        self.derived = self.look(self.store)

    def open(self, name: str) -> Store:
        store = Store(self.folder / name)
        store.db.connection.execute("PRAGMA synchronous=OFF")
        self.opened.append(store)
        return store

    def look(self, store: Store, room: Room | None = None) -> Derived:
        settings = Settings(room or self.room, Broker())
        return Derived(store, settings, load_profile)

    def ingest(self, *readings: Reading) -> None:
        self.readings += readings
        self.store.journal.ingest(readings)

    def tell(self, kind: EventKind, at_ms: int, **fields: Any) -> KeeperEvent:
        event = KeeperEvent(kind, fields.pop("clutch", "K01"), at_ms, at_ms, **fields)
        self.told.append(event)
        return self.store.account.tell(event)

    def clutch(self, box: str = UPPER, eggs: int = 6, at_ms: int = START, clutch: str = "K01") -> None:
        self.tell(EventKind.LAID, at_ms, species=SPECIES, eggs=eggs, clutch=clutch)
        self.tell(EventKind.SET, at_ms, box=box, eggs=eggs, clutch=clutch)

    def hour(self, now_ms: int) -> None:
        """What the service does once an hour, in its order."""
        self.derived.follow(now_ms)
        self.store.folding.fold(now_ms, self.derived.readings.seen_seq)
        self.derived.hours.refresh(now_ms)

    def only_earlier(self, until_ms: int, name: str) -> Derived:
        """A store that holds only what was known at a moment; nothing folded, nothing summed."""
        store = self.open(name)
        store.journal.ingest([r for r in self.readings if r.at_ms <= until_ms])
        for event in self.told:
            if event.at_ms <= until_ms:
                store.account.tell(event)
        return self.look(store)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    for store in made.opened:
        store.close()


def course(probe: str, at_ms: Sequence[int], middle: float = 28.0, swing: float = 2.0) -> list[Reading]:
    """A warm day and a cool night, to two places as a probe sends it."""
    return [
        Reading(probe, t, round(middle + swing * np.sin(2 * np.pi * (t % DAY_MS) / DAY_MS), 2), t, Flag.GOOD)
        for t in at_ms
    ]


def every(minutes: int, from_ms: int, hours: float) -> list[int]:
    return list(range(from_ms, from_ms + round(hours * HOUR_MS) + 1, minutes * MINUTE))


def history(derived: Derived, now_ms: int, lot: str = "K01/upper") -> History:
    clutch = derived._store.account.clutches(now_ms)[lot.split("/", maxsplit=1)[0]]
    return derived.histories.history(clutch, clutch.lot(lot), derived.book.of(SPECIES), now_ms)


def one(derived: Derived, now_ms: int, lot: str = "K01/upper", **more: Any) -> LotNow:
    return next(x for x in derived.lots(now_ms, **more) if x.lot.id == lot)


def assert_same(a: History, b: History) -> None:
    np.testing.assert_array_equal(a.edge_ms, b.edge_ms)
    np.testing.assert_allclose(a.cumulative, b.cumulative, rtol=0, atol=1e-9)
    np.testing.assert_allclose(a.degree_days, b.degree_days, rtol=0, atol=1e-9)
    np.testing.assert_allclose(a.temperature_c, b.temperature_c, rtol=0, atol=1e-9)
    assert a.filled_s == pytest.approx(b.filled_s, abs=1e-6)
    assert a.unknown_s == pytest.approx(b.unknown_s, abs=1e-6)
    assert a.development_sd == pytest.approx(b.development_sd, abs=1e-9)
    assert a.how.keys() == b.how.keys()


def assert_same_window(a: Window, b: Window) -> None:
    """But for the last bits, which sums of the same hours taken in another order do not share."""
    assert (a.p10_ms, a.p50_ms, a.p90_ms, a.overdue) == (b.p10_ms, b.p50_ms, b.p90_ms, b.overdue)
    assert [cause.name for cause in a.causes] == [cause.name for cause in b.causes]
    assert [cause.days for cause in a.causes] == pytest.approx([cause.days for cause in b.causes], abs=1e-9)


def exact(readings: Sequence[Reading], from_ms: int, to_ms: int) -> tuple[float, float]:
    """Development and degree-days of a clean series without gaps, in one go."""
    first: dict[int, float] = {}
    for r in readings:
        if r.flag.usable:
            first.setdefault(r.at_ms, r.value)
    t = np.array(sorted(first), np.int64)
    v = np.array([first[int(x)] for x in t])
    ends = np.interp([from_ms, to_ms], t, v)
    inside = (t > from_ms) & (t < to_ms)
    t = np.concatenate([[from_ms], t[inside], [to_ms]])
    v = np.concatenate([ends[:1], v[inside], ends[1:]])
    curve = load_profile(SPECIES).curve()
    return integrate_rate(t, v, curve), degree_days(t, v, curve.base_c)


# -- running equals rebuilt ---------------------------------------------------------------------------------


def scrambled(dice: random.Random, bench: Bench, hours: int) -> int:
    """Readings late, doubled, out of order, some bad, with silences; hours and looks at random moments."""
    pool: list[tuple[int, Reading]] = []
    for probe, middle, step in (("up", 28.5, 10), ("low", 27.0, 10), ("two-a", 28.0, 10), ("two-b", 28.4, 60)):
        times = [t + dice.randrange(-2 * MINUTE, 2 * MINUTE) for t in every(step, START - 3 * HOUR_MS, hours + 3)]
        for _ in range(3):
            hole = dice.choice(times)
            length = dice.choice([1, 2, 3, 5, 9, 20]) * HOUR_MS
            times = [t for t in times if not hole <= t < hole + length]
        for r in course(probe, sorted(set(times)), middle):
            late = dice.choice([0, 0, 0, 0, 0, 0, 0, 0, 30, 90, 400, 1700]) * MINUTE
            flag = Flag.BAD if dice.random() < 0.02 else Flag.GOOD
            pool.append((r.at_ms + late, r._replace(flag=flag, received_ms=r.at_ms + late)))
            if dice.random() < 0.03:
                # The same moment once more, with another value: the first one stands.
                pool.append((r.at_ms + late + dice.choice([0, 1, 2000]) * MINUTE, r._replace(value=r.value + 1.5)))
    pool.sort(key=lambda x: x[0])
    now = START
    while pool:
        now += dice.choice([1, 7, 20, 61, 130]) * MINUTE
        batch = [r for due, r in pool if due <= now]
        pool = [x for x in pool if x[0] > now]
        dice.shuffle(batch)
        for probe in ("up", "low", "two-a", "two-b"):
            bench.ingest(*[r for r in batch if r.probe == probe])
            if dice.random() < 0.3:
                bench.derived.follow(now)
        act = dice.random()
        if act < 0.35:
            bench.hour(now)
        elif act < 0.5:
            bench.derived.follow(now)
            bench.derived.lots(now)
        elif act < 0.6:
            bench.derived.hours.refresh(now)
    return now


@pytest.mark.parametrize("seed", range(2))
def test_running_equals_rebuilt_equals_reckoned_from_nothing(bench: Bench, seed: int) -> None:
    dice = random.Random(seed)
    bench.clutch(UPPER)
    bench.clutch(LOWER, clutch="K02", at_ms=START + 5 * HOUR_MS + 17 * MINUTE)
    bench.clutch(PAIR, clutch="K03")
    bench.clutch(MIDDLE, clutch="K04")
    now = scrambled(dice, bench, 70)
    bench.derived.follow(now)
    lots = ["K01/upper", "K02/lower", "K03/pair", "K04/middle"]
    running = [history(bench.derived, now, lot) for lot in lots]
    afresh = [history(bench.look(bench.store), now, lot) for lot in lots]
    plain = bench.only_earlier(now, "plain")
    nothing = [history(plain, now, lot) for lot in lots]
    bench.store.parts.forget_all()
    rebuilt = [history(bench.look(bench.store), now, lot) for lot in lots]
    for a, b, c, d in zip(running, afresh, nothing, rebuilt, strict=True):
        assert_same(a, c)
        assert_same(b, c)
        assert_same(d, c)


@pytest.mark.parametrize("seed", range(3))
def test_without_gaps_the_sum_is_the_exact_integral(bench: Bench, seed: int) -> None:
    dice = random.Random(seed)
    bench.clutch(UPPER, at_ms=START + 11 * MINUTE)
    readings = course("up", sorted({t + dice.randrange(5 * MINUTE) for t in every(10, START - HOUR_MS, 60)}))
    waiting = list(readings)
    dice.shuffle(waiting)
    now = START
    while waiting:
        some, waiting = waiting[:40], waiting[40:]
        bench.ingest(*some)
        now = max(now, *(r.at_ms for r in some))
        bench.hour(now)
    end = readings[-1].at_ms
    bench.derived.follow(end)
    got = history(bench.derived, end)
    development, sums = exact(readings, START + 11 * MINUTE, end)
    assert got.development == pytest.approx(development, abs=1e-9)
    assert float(got.degree_days[-1]) == pytest.approx(sums, abs=1e-9)
    assert got.filled_s == 0.0


def test_a_late_reading_between_following_and_the_hourly_work_is_not_lost(bench: Bench) -> None:
    bench.clutch(UPPER)
    all_of_them = course("up", every(10, START, 20))
    late = [r for r in all_of_them if START + 3 * HOUR_MS < r.at_ms < START + 9 * HOUR_MS]
    bench.ingest(*[r for r in all_of_them if r not in late])
    now = START + 20 * HOUR_MS
    bench.derived.follow(now)
    bench.ingest(*late)
    bench.store.folding.fold(now, bench.derived.readings.seen_seq)
    bench.derived.hours.refresh(now)
    bench.derived.follow(now)
    got = history(bench.derived, now)
    assert got.filled_s == 0.0
    assert got.development == pytest.approx(exact(all_of_them, START, now)[0], abs=1e-9)


def test_a_clock_that_went_back_does_not_hide_late_readings(tmp_path: Path) -> None:
    whole = a_room()
    bench = Bench(tmp_path, replace(whole, boxes=whole.boxes[:1], probes=whole.probes[:1], stacks=("left",)))
    bench.clutch(UPPER)
    silence = START + 10 * HOUR_MS, START + 12 * HOUR_MS + 30 * MINUTE
    bench.ingest(*holed(course("up", every(10, START, 20)), *silence))
    bench.hour(START + 20 * HOUR_MS)
    # One more reading joins both sides over hours that were summed up while the clock was ahead.
    bench.ingest(*course("up", [START + 10 * HOUR_MS + 55 * MINUTE]))
    for back in (13, 14, 15, 16, 20):
        bench.hour(START + back * HOUR_MS)
    now = START + 20 * HOUR_MS
    bench.derived.follow(now)
    assert_same(history(bench.derived, now), history(bench.only_earlier(now, "plain"), now))
    for store in bench.opened:
        store.close()


def test_an_import_into_hours_already_summed_is_taken_up(bench: Bench) -> None:
    bench.clutch(UPPER)
    hot = course("up", every(10, START, 30), 29.0)
    bench.ingest(*[r for r in hot if not START + 4 * HOUR_MS < r.at_ms < START + 15 * HOUR_MS])
    now = START + 30 * HOUR_MS
    bench.hour(now)
    bench.derived.follow(now)
    assert past_of(one(bench.derived, now)).filled_share > 0.3
    bench.store.folding.bulk("up", columns_of(hot))
    bench.derived.follow(now)
    bench.hour(now)
    got = history(bench.derived, now)
    assert got.filled_s == 0.0
    assert got.development == pytest.approx(exact(hot, START, now)[0], abs=1e-9)
    assert past_of(one(bench.derived, now)).filled_share == 0.0


def test_a_changed_correction_of_a_probe_changes_the_past(bench: Bench) -> None:
    bench.clutch(UPPER)
    bench.ingest(*course("up", every(10, START, 40), 28.0))
    now = START + 40 * HOUR_MS
    bench.hour(now)
    probes = tuple(replace(p, correction=-0.5) if p.id == "up" else p for p in bench.room.probes)
    corrected = bench.look(bench.store, a_room(probes=probes))
    corrected.follow(now)
    shifted = [r._replace(value=r.value - 0.5) for r in bench.readings]
    assert history(corrected, now).development == pytest.approx(exact(shifted, START, now)[0], abs=1e-9)
    corrected.hours.refresh(now)
    assert history(corrected, now).development == pytest.approx(exact(shifted, START, now)[0], abs=1e-9)
    assert {m for _, m in bench.store.db.rows("SELECT DISTINCT box, model FROM part")} == {
        corrected.hours._model(corrected.room.boxes[0], corrected.book.of(SPECIES))
    }


@pytest.mark.parametrize("seed", [0])
def test_corrections_told_and_taken_back_in_the_middle_leave_nothing_behind(bench: Bench, seed: int) -> None:
    dice = random.Random(200 + seed)
    bench.clutch(UPPER)
    bench.clutch(MIDDLE, clutch="K02")
    bench.clutch(PAIR, clutch="K03")
    now = scrambled(dice, bench, 60)
    day = START + 24 * HOUR_MS
    found = [
        Correction("up", day, -0.4, 0.1, 0.05, "side by side", day, "s1", to_ms=day + 90 * MINUTE),
        Correction("low", day, 0.2, 0.1, 0.05, "side by side", day, "s1"),
        Correction("two-b", day + 7 * HOUR_MS, 0.3, 0.1, 0.0, "ice point", day, only_after=True),
    ]
    before = {x.lot.id: past_of(x).development for x in bench.derived.lots(now)}
    told = bench.store.corrections.tell(found)
    for step in range(3):
        if step == 2:
            for correction in told:
                bench.store.corrections.withdraw(correction.id, now)
        bench.hour(now)
        running = {x.lot.id: history(bench.derived, now, x.lot.id) for x in bench.derived.lots(now)}
        bench.store.parts.forget_all()
        afresh = bench.look(bench.store)
        for lot, got in running.items():
            assert_same(got, history(afresh, now, lot))
        bench.derived.hours.refresh(now)
        developments = {lot: h.development for lot, h in running.items()}
        if step < 2:
            assert all(abs(developments[lot] - (before[lot] or 0.0)) > 1e-5 for lot in before)
        else:
            assert developments == pytest.approx(before, abs=1e-9)


def test_a_second_hourly_work_finds_nothing_more_to_do(bench: Bench) -> None:
    bench.clutch(UPPER)
    bench.ingest(*course("up", every(10, START, 40)))
    now = START + 40 * HOUR_MS
    bench.hour(now)
    bench.hour(now)
    assert bench.derived.hours.refresh(now) <= 16, "only the last hours, into which a reading may still come"


# -- moves, splits, corrections ------------------------------------------------------------------------------


def both_boxes(bench: Bench, hours: float = 60) -> tuple[list[Reading], list[Reading]]:
    up, low = course("up", every(10, START - HOUR_MS, hours + 1), 29.0), course("low", every(10, START, hours), 26.5)
    bench.ingest(*up, *low)
    return up, low


def test_development_goes_with_the_eggs_that_move(bench: Bench) -> None:
    up, low = both_boxes(bench)
    bench.clutch(UPPER)
    moved = START + 20 * HOUR_MS + 25 * MINUTE
    bench.tell(EventKind.MOVED, moved, box=UPPER, to_box=LOWER)
    now = START + 60 * HOUR_MS
    bench.hour(now)
    got = history(bench.derived, now, "K01/lower")
    assert got.development == pytest.approx(exact(up, START, moved)[0] + exact(low, moved, now)[0], abs=1e-9)
    assert [x.lot.id for x in bench.derived.lots(now)] == ["K01/lower"]
    assert got.development_at(moved) == pytest.approx(exact(up, START, moved)[0], abs=1e-9)


def test_after_a_move_the_temperature_to_come_is_that_of_the_new_box(bench: Bench) -> None:
    both_boxes(bench, 100)
    bench.clutch(UPPER)
    bench.tell(EventKind.MOVED, START + 99 * HOUR_MS, box=UPPER, to_box=LOWER)
    got = one(bench.derived, START + 100 * HOUR_MS, "K01/lower")
    assert past_of(got).mean_c == pytest.approx(29.0, abs=0.2)
    assert ahead_of(got).temperature_c == pytest.approx(26.5, abs=0.1)


def test_a_split_lot_keeps_its_common_past(bench: Bench) -> None:
    up, low = both_boxes(bench)
    bench.clutch(UPPER, eggs=8)
    moved = START + 30 * HOUR_MS
    bench.tell(EventKind.MOVED, moved, box=UPPER, to_box=LOWER, eggs=3)
    now = START + 60 * HOUR_MS
    bench.hour(now)
    stayed, went = one(bench.derived, now), one(bench.derived, now, "K01/lower")
    assert past_of(stayed).development == pytest.approx(exact(up, START, now)[0], abs=1e-9)
    assert past_of(went).development == pytest.approx(exact(up, START, moved)[0] + exact(low, moved, now)[0], abs=1e-9)
    assert (stayed.lot.eggs, went.lot.eggs) == (5, 3)


def test_a_corrected_lay_date_moves_the_beginning(bench: Bench) -> None:
    up, _ = both_boxes(bench)
    bench.clutch(UPPER)
    now = START + 60 * HOUR_MS
    bench.hour(now)
    before = past_of(one(bench.derived, now)).development
    earlier = START - HOUR_MS + 20 * MINUTE
    first = bench.store.account.events()[0]
    bench.store.account.tell(replace(first, id=0, at_ms=earlier, corrects=first.id))
    after = past_of(one(bench.derived, now)).development
    assert before == pytest.approx(exact(up, START, now)[0], abs=1e-9)
    assert after == pytest.approx(exact(up, earlier, now)[0], abs=1e-9), "the eggs lay in the warmth from then on"


def test_days_between_laid_and_set_that_nobody_measured_are_told(bench: Bench) -> None:
    bench.tell(EventKind.LAID, START - 3 * DAY_MS, species=SPECIES, eggs=6)
    bench.tell(EventKind.SET, START, box=UPPER, eggs=6)
    both_boxes(bench)
    got = one(bench.derived, START + 60 * HOUR_MS)
    assert any("3.0 days between laid and set are not counted" in note for note in got.notes)


def test_a_closed_lot_stands_still(bench: Bench) -> None:
    up, _ = both_boxes(bench)
    bench.clutch(UPPER)
    out = START + 30 * HOUR_MS + 5 * MINUTE
    bench.tell(EventKind.REMOVED, out, box=UPPER, eggs=6)
    for now in (START + 31 * HOUR_MS, START + 60 * HOUR_MS):
        bench.hour(now)
        got = one(bench.derived, now)
        assert not got.lot.open
        assert past_of(got).development == pytest.approx(exact(up, START, out)[0], abs=1e-9)
        assert got.first_pip is None


# -- gaps ----------------------------------------------------------------------------------------------------


def holed(readings: Sequence[Reading], from_ms: int, to_ms: int) -> list[Reading]:
    return [r for r in readings if not from_ms < r.at_ms < to_ms]


def test_a_gap_of_some_hours_is_bridged_by_a_line_and_its_share_is_exact(bench: Bench) -> None:
    bench.clutch(UPPER)
    gap = START + 20 * HOUR_MS + 30 * MINUTE, START + 26 * HOUR_MS + 10 * MINUTE
    bench.ingest(*holed(course("up", every(10, START, 60), 28.0), *gap))
    now = START + 60 * HOUR_MS
    got = one(bench.derived, now)
    # Less than six hours that touch seven of the clock's hours are a short gap all the same.
    assert set(past_of(got).filled_how) == {"line"}
    assert past_of(got).filled_how["line"] == pytest.approx(340 * 60, abs=1e-6)
    assert past_of(got).filled_share == pytest.approx(340 / 3600, abs=1e-9)
    whole = exact(course("up", every(10, START, 60), 28.0), START, now)[0]
    assert past_of(got).development == pytest.approx(whole, rel=0.01)


def test_a_step_within_the_longest_joined_one_is_measured_and_not_filled(bench: Bench) -> None:
    bench.clutch(UPPER)
    bench.ingest(*holed(course("up", every(10, START, 60)), START + 20 * HOUR_MS, START + 22 * HOUR_MS))
    got = one(bench.derived, START + 60 * HOUR_MS)
    assert past_of(got).filled_share == 0.0


def test_a_long_gap_is_filled_from_the_neighbours_usual_difference(bench: Bench) -> None:
    bench.clutch(UPPER)
    gap = START + 50 * HOUR_MS, START + 90 * HOUR_MS
    up = course("up", every(10, START, 100), 28.5)
    bench.ingest(*holed(up, *gap), *course("low", every(10, START, 100), 27.0))
    now = START + 100 * HOUR_MS
    got = one(bench.derived, now)
    assert set(past_of(got).filled_how) == {"neighbours"}
    assert past_of(got).filled_share == pytest.approx(0.4, abs=1e-9)
    assert past_of(got).development == pytest.approx(exact(up, START, now)[0], rel=1e-3)
    assert got.ahead is not None
    assert rates_of(got).past_sd_log > 0.0


def test_a_dead_probe_is_filled_from_its_neighbours_at_any_minute_of_the_hour(bench: Bench) -> None:
    bench.clutch(UPPER)
    bench.ingest(*course("up", every(10, START, 50), 28.5), *course("low", every(10, START, 100), 27.0))
    for minutes in (0, 1, 9, 59):
        now = START + 99 * HOUR_MS + minutes * MINUTE
        ways = dict(past_of(one(bench.look(bench.store), now)).filled_how)
        assert set(ways) == {"neighbours"}, minutes
        # The neighbour's own newest reading is some minutes old just after the full hour.
        late = bench.only_earlier(now - 5 * MINUTE, f"late{minutes}")
        assert set(past_of(one(late, now)).filled_how) == {"neighbours"}, minutes


def test_a_long_gap_without_neighbours_is_filled_from_the_box_s_own_days(bench: Bench) -> None:
    bench.clutch(PAIR)
    gap = START + 72 * HOUR_MS, START + 96 * HOUR_MS
    bench.ingest(*holed(course("two-a", every(10, START, 120), 28.0), *gap))
    now = START + 120 * HOUR_MS
    got = one(bench.derived, now, "K01/pair")
    assert set(past_of(got).filled_how) == {"own days"}
    assert past_of(got).filled_share == pytest.approx(24 / 120, abs=1e-9)
    assert past_of(got).development == pytest.approx(
        exact(course("two-a", every(10, START, 120), 28.0), START, now)[0], rel=2e-3
    ), "the same hours of its own days"


def test_a_filled_gap_is_the_same_before_and_after_folding(bench: Bench) -> None:
    bench.clutch(UPPER)
    gap = START + 50 * HOUR_MS, START + 90 * HOUR_MS
    low = course("low", every(10, START, 100), 27.0)
    late = low[::7]
    bench.ingest(*holed(course("up", every(10, START, 100), 28.5), *gap), *[r for r in low if r not in late])
    now = START + 100 * HOUR_MS
    bench.hour(now)
    bench.ingest(*late)
    bench.ingest(*[r._replace(value=r.value + 3.0) for r in late])
    bench.derived.follow(now)
    waiting = history(bench.derived, now)
    bench.hour(now)
    assert_same(waiting, history(bench.derived, now))
    assert_same(waiting, history(bench.only_earlier(now, "plain"), now))


def test_time_in_a_box_that_is_no_longer_configured_is_not_silently_nothing(bench: Bench) -> None:
    up, _ = both_boxes(bench)
    bench.clutch(LOWER)
    moved = START + 24 * HOUR_MS
    bench.tell(EventKind.MOVED, moved, box=LOWER, to_box=UPPER)
    now = START + 60 * HOUR_MS
    without = replace(bench.room, boxes=tuple(b for b in bench.room.boxes if b.id != LOWER))
    got = one(bench.look(bench.store, without), now)
    assert any("box lower is not in the configuration" in note for note in got.notes)
    assert past_of(got).filled_share == pytest.approx(24 / 60, abs=1e-6)
    assert got.past is not None
    measured = exact(up, moved, now)[0]
    assert past_of(got).development > measured * 1.4, "the eggs did not stand still for a day"
    assert got.ahead is not None
    assert rates_of(got).past_sd_log > 0.02


def test_a_box_that_nobody_measured_at_first_is_filled_with_what_came_after(bench: Bench) -> None:
    bench.ingest(*course("up", every(10, START, 60), 29.0))
    bench.clutch(PAIR)
    bench.tell(EventKind.MOVED, START + 20 * HOUR_MS, box=PAIR, to_box=UPPER)
    got = one(bench.derived, START + 60 * HOUR_MS)
    assert past_of(got).filled_how == {"assumed": pytest.approx(20 * 3600.0)}
    assert past_of(got).filled_share == pytest.approx(20 / 60, abs=1e-6)
    assert got.first_pip is not None


# -- what was known then --------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [0])
def test_the_past_is_answered_with_what_was_known_then(bench: Bench, seed: int) -> None:
    dice = random.Random(100 + seed)
    bench.clutch(UPPER, eggs=8)
    bench.clutch(MIDDLE, clutch="K02")
    bench.clutch(PAIR, clutch="K03")
    bench.tell(EventKind.MOVED, START + 30 * HOUR_MS + 7 * MINUTE, box=UPPER, to_box=LOWER, eggs=3)
    bench.tell(EventKind.REMOVED, START + 52 * HOUR_MS, clutch="K02", eggs=6)
    end = scrambled(dice, bench, 70)
    bench.hour(end)
    hour = START + 43 * HOUR_MS
    for at in (hour, hour + 1, hour - 1, START + dice.randrange(5, 70 * 60) * MINUTE):
        then = bench.only_earlier(at, f"at{at}")
        now = bench.look(bench.store)
        expected = {x.lot.id: x for x in then.lots(at)}
        got = {x.lot.id: x for x in now.lots(at)}
        assert got.keys() == expected.keys()
        for lot, answer in got.items():
            assert_same(history(now, at, lot), history(then, at, lot))
            assert_same_window(window_of(answer), window_of(expected[lot]))
            assert answer.notes == expected[lot].notes
        now.follow(at)
        then.follow(at)
        service = Service(0)
        seen, known = now.snapshot(at, service), then.snapshot(at, service)
        for a, b in zip(seen.boxes, known.boxes, strict=True):
            np.testing.assert_array_equal(a.time_ms, b.time_ms)
            np.testing.assert_allclose(a.temperature_c, b.temperature_c, rtol=0, atol=1e-12)
            assert (a.humidity_pct, a.occupied_by) == (b.humidity_pct, b.occupied_by)
        assert seen.stacks == known.stacks


def test_a_neighbour_s_later_readings_do_not_fill_the_gap_of_then(bench: Bench) -> None:
    bench.clutch(UPPER)
    at = START + 80 * HOUR_MS + 20 * MINUTE
    bench.ingest(*course("up", every(10, START, 50), 28.5), *course("low", every(10, START, 80), 27.0))
    bench.ingest(*course("low", every(10, at, 10), 35.0))
    bench.hour(START + 95 * HOUR_MS)
    then = history(bench.only_earlier(at, "then"), at)
    assert set(then.how) == {"neighbours"}
    assert_same(history(bench.look(bench.store), at), then)


# -- edges ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("box", [UPPER, MIDDLE, PAIR, "elsewhere"])
@pytest.mark.parametrize("minutes", [0, 0.001, 1, 25, 35, 59, 60, 60.001, 61, 600])
def test_no_span_is_too_short_or_too_odd(bench: Bench, box: str, minutes: float) -> None:
    bench.clutch(box, at_ms=START)
    bench.clutch(box, at_ms=START + 25 * MINUTE, clutch="K02")
    bench.clutch(box, at_ms=START + HOUR_MS - 1, clutch="K03")
    now = START + round(minutes * MINUTE)
    for filled in (False, True):
        if filled:
            bench.ingest(*course("up", every(10, START - HOUR_MS, 14)), *course("low", every(10, START, 14)))
            bench.ingest(*course("two-a", every(10, START + 20 * MINUTE, 14)))
        for derived in (bench.look(bench.store), bench.derived):
            for found in derived.lots(now):
                assert found.refused or found.first_pip is not None
                if found.past is not None:
                    assert 0.0 <= found.past.filled_share <= 1.0
                    assert 0.0 <= found.past.development < 0.02
        bench.hour(now)
        bench.derived.snapshot(now, Service(0))


def test_without_any_reading_there_is_no_number_and_a_reason(bench: Bench) -> None:
    bench.clutch(UPPER)
    for now in (START, START + HOUR_MS, START + 40 * DAY_MS):
        got = one(bench.derived, now)
        assert (got.past, got.first_pip, got.ahead) == (None, None, None)
        assert "no reading of box upper is there yet" in got.refused
        bench.hour(now)
        assert bench.derived.snapshot(now, Service(0)).boxes[0].now_c is None


def test_eggs_set_after_the_last_reading_or_before_the_first_are_reckoned_with_what_is_known(bench: Bench) -> None:
    bench.ingest(*course("up", every(10, START, 48), 29.0))
    bench.clutch(UPPER, at_ms=START + 50 * HOUR_MS)
    bench.clutch(UPPER, at_ms=START - 30 * HOUR_MS, clutch="K02")
    after = one(bench.derived, START + 60 * HOUR_MS)
    assert past_of(after).filled_share == pytest.approx(1.0)
    assert past_of(after).development == pytest.approx(10 / 24 / 57.6, rel=0.15)
    before = one(bench.derived, START + 48 * HOUR_MS, "K02/upper")
    assert past_of(before).filled_share == pytest.approx(30 / 78, abs=1e-6)
    assert past_of(before).development == pytest.approx(78 / 24 / 57.6, rel=0.15)


def test_a_clutch_too_large_for_the_model_spoils_only_itself(bench: Bench) -> None:
    bench.ingest(*course("up", every(10, START, 30), 29.0))
    bench.clutch(UPPER, eggs=600)
    bench.clutch(UPPER, eggs=6, clutch="K02")
    now = START + 30 * HOUR_MS
    got = one(bench.derived, now)
    assert got.first_pip is None
    assert "500" in got.refused
    assert got.past is not None
    assert one(bench.derived, now, "K02/upper").first_pip is not None
    bench.derived.follow(now)
    bench.derived.snapshot(now, Service(0))


def test_an_unknown_species_or_one_whose_eggs_rest_has_its_reason(bench: Bench) -> None:
    bench.ingest(*course("up", every(10, START, 5)))
    for name, species in (("K01", "draco-nowhere"), ("K02", "chamaeleo-chamaeleon")):
        bench.tell(EventKind.LAID, START, species=species, eggs=6, clutch=name)
        bench.tell(EventKind.SET, START, box=UPPER, eggs=6, clutch=name)
    now = START + 5 * HOUR_MS
    bench.hour(now)
    for lot in bench.derived.lots(now):
        assert lot.past is None
        assert lot.refused


def test_an_assumed_temperature_counts_from_now_on_only(bench: Bench) -> None:
    bench.ingest(*course("up", every(10, START, 48), 27.0))
    bench.clutch(UPPER)
    now = START + 48 * HOUR_MS
    plain, warm = one(bench.derived, now), one(bench.derived, now, plan=Plan.constant(30.0))
    assert past_of(warm).development == past_of(plain).development
    assert ahead_of(warm).rate_per_day == pytest.approx(1 / 53.9)
    assert plain.first_pip is not None
    assert warm.first_pip is not None
    assert window_of(warm).p50_ms < window_of(plain).p50_ms


# -- the boxes now -------------------------------------------------------------------------------------------


def test_a_box_with_two_probes_is_not_judged_by_whichever_spoke_last(bench: Bench) -> None:
    times = every(10, START, 10)
    a = [Reading("two-a", t, 30.0, t) for t in times]
    b = [Reading("two-b", t + 3 * MINUTE, 32.0, t) for t in times[::6]]
    bench.ingest(*a, *b)
    for minutes in (1, 4, 11, 59):
        now = START + 9 * HOUR_MS + minutes * MINUTE
        bench.derived.follow(now)
        box = bench.derived.snapshot(now, Service(0)).boxes[3]
        assert box.now_c == pytest.approx(31.0), minutes


def test_a_box_without_a_probe_is_not_judged_by_whichever_neighbour_spoke_last(bench: Bench) -> None:
    times = every(10, START, 10)
    bench.ingest(*[Reading("up", t, 30.0, t) for t in times], *[Reading("low", t + 4 * MINUTE, 28.0, t) for t in times])
    for minutes in (1, 5, 9):
        now = START + 9 * HOUR_MS + minutes * MINUTE
        bench.derived.follow(now)
        box = bench.derived.snapshot(now, Service(0)).boxes[1]
        assert box.now_c == pytest.approx(29.0), minutes


def test_of_two_probes_one_that_died_no_longer_holds_the_box_up(bench: Bench) -> None:
    times = every(10, START, 12)
    bench.ingest(*[Reading("two-a", t, 30.0, t) for t in times])
    bench.ingest(*[Reading("two-b", t, 32.0, t) for t in times if t <= START + 2 * HOUR_MS])
    now = START + 12 * HOUR_MS
    bench.derived.follow(now)
    box = bench.derived.snapshot(now, Service(0)).boxes[3]
    assert box.at_ms == now
    assert box.now_c == pytest.approx(30.0)


def test_limits_come_from_the_box_then_the_room_then_the_strictest_profile(bench: Bench) -> None:
    plain = bench.derived
    box = bench.room.boxes[0]
    assert plain.boxes.limits(box, [SPECIES])[0].too_warm_c == 31.0
    assert plain.boxes.limits(box, [SPECIES])[1] == "of the room"
    own = replace(box, too_warm_c=30.5)
    got, source = plain.boxes.limits(own, [SPECIES])
    assert (got.too_warm_c, got.too_cool_c) == (30.5, 25.0)
    assert source == "set for the box"
    none = bench.look(bench.store, replace(bench.room, limits=Limits()))
    got, source = none.boxes.limits(box, [SPECIES])
    assert (got.too_warm_c, got.too_cool_c) == (30.0, 22.0)
    assert source == "of the profile"
    assert none.boxes.limits(box, [])[0].too_warm_c is None


def test_the_readings_in_memory_are_those_of_the_store(bench: Bench) -> None:
    dice = random.Random(5)
    bench.clutch(UPPER)
    now = scrambled(dice, bench, 80)
    for at in (now, now + 40 * HOUR_MS, now + 200 * HOUR_MS, now - 10 * HOUR_MS, now):
        bench.ingest(*course("up", [at - 5 * MINUTE]))
        bench.hour(at)
        bench.derived.follow(at)
        fresh = bench.look(bench.store)
        fresh.follow(at)
        a, b = bench.derived.snapshot(at, Service(0)), fresh.snapshot(at, Service(0))
        for x, y in zip(a.boxes, b.boxes, strict=True):
            late = at - 15 * HOUR_MS
            np.testing.assert_array_equal(x.time_ms[x.time_ms > late], y.time_ms[y.time_ms > late])
        assert [p.usable_ms for p in a.probes] == [p.usable_ms for p in b.probes]
