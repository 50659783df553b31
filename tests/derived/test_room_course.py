"""Where boxes are heading, how much heat lots have had, and what probes told: derived from the store."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.core.notices.snapshot import BoxNow, Service, Snapshot
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Limits, Probe
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.room import Derived
from tests.core.lots import heat_of
from tests.derived.test_room import LOWER, MINUTE, START, UPPER, Bench, a_room, every, one

NOW = START + 30 * HOUR_MS
FAULT = NOW - 2 * HOUR_MS


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    room = a_room()
    room = replace(room, probes=(*room.probes, Probe("air", "t/air", stack="left", height_cm=100.0, interval_s=600)))
    made = Bench(tmp_path, room)
    made.clutch()
    yield made
    for store in made.opened:
        store.close()


def readings(probe: str, tau_room_h: float, tau_box_h: float, to_ms: int = NOW) -> list[Reading]:
    """Steady at 28 C, from the fault on towards 12 C behind two lags (the box's left out for the air itself)."""
    made = []
    for t in every(5, START, 40):
        h = max(t - FAULT, 0) / HOUR_MS
        left = np.exp(-h / tau_room_h)
        if tau_box_h:
            left = (tau_room_h * left - tau_box_h * np.exp(-h / tau_box_h)) / (tau_room_h - tau_box_h)
        if t <= to_ms:
            made.append(Reading(probe, t, round(float(12.0 + 16.0 * left), 2), t, Flag.GOOD))
    return made


def seen(derived: Derived, now_ms: int) -> Snapshot:
    derived.follow(now_ms)
    return derived.snapshot(now_ms, Service(started_ms=0))


def box(snapshot: Snapshot, name: str) -> BoxNow:
    return next(b for b in snapshot.boxes if b.box.id == name)


def test_a_box_that_cools_has_a_course_and_a_steady_one_has_none(bench: Bench) -> None:
    bench.ingest(*readings("up", 3.0, 5.0), *readings("air", 3.0, 0.0))
    bench.ingest(*(Reading("low", t, 28.0, t, Flag.GOOD) for t in every(5, START, 30)))
    bench.room = replace(bench.room, limits=Limits(31.0, 25.0))
    picture = seen(bench.derived, NOW)
    found = box(picture, UPPER).course
    assert found is not None
    assert found.way == "two lags"
    assert found.tau_box_s == pytest.approx(5 * 3600.0, rel=0.15)
    eta = found.time_to(24.0, NOW)
    assert eta is not None
    truth_h = next(h for h in np.arange(0.0, 9.0, 0.01) if 16 * (3 * np.exp(-h / 3) - 5 * np.exp(-h / 5)) / -2 <= 12.0)
    assert eta.mid_s == pytest.approx((truth_h - 2.0) * 3600.0, rel=0.1)
    assert box(picture, "pair").course is None


def test_the_course_is_of_whole_five_minutes_and_not_of_what_comes_later(bench: Bench) -> None:
    bench.ingest(*readings("up", 3.0, 5.0, NOW + 20 * MINUTE), *readings("air", 3.0, 0.0, NOW + 20 * MINUTE))
    first = box(seen(bench.derived, NOW + 2 * MINUTE), UPPER).course
    again = box(seen(bench.derived, NOW + 4 * MINUTE), UPPER).course
    assert first is not None
    assert first is again
    assert first.at_ms == NOW
    fresh = box(seen(bench.look(bench.store), NOW + 3 * MINUTE), UPPER).course
    assert fresh is not None
    assert np.array_equal(fresh.ahead_c, first.ahead_c)
    later = box(seen(bench.derived, NOW + 5 * MINUTE), UPPER).course
    assert later is not None
    assert later.at_ms == NOW + 5 * MINUTE


def test_the_air_that_is_cold_already_makes_a_box_worth_a_look(bench: Bench) -> None:
    early = FAULT + 30 * MINUTE
    bench.ingest(*readings("air", 1.0, 0.0, early), *readings("up", 1.0, 9.0, early))
    assert box(seen(bench.derived, early), UPPER).course is not None
    alone = Bench(bench.folder / "alone", a_room())
    bench.opened += alone.opened
    alone.ingest(*readings("up", 1.0, 90.0, early))
    assert box(seen(alone.derived, early), UPPER).course is None


def test_a_lot_has_its_hours_of_heat_and_its_box_the_last_day_s(bench: Bench) -> None:
    high_c = 30.0
    profile = bench.derived.book.of("elaphe-taeniura").profile
    assert profile is not None
    assert profile.high_limit_c == high_c
    hot = range(START + 10 * HOUR_MS, START + 13 * HOUR_MS)
    bench.ingest(*(Reading("up", t, 31.0 if t in hot else 28.0, t, Flag.GOOD) for t in every(10, START - HOUR_MS, 31)))
    bench.hour(NOW)
    lot = one(bench.derived, NOW)
    heat = heat_of(lot)
    assert heat.limit_c == high_c
    exposure = heat.exposure
    assert (exposure.total_s, exposure.longest_s, exposure.lasting_s) == (
        3 * 3600.0,
        3 * 3600.0,
        0.0,
    )
    picture = box(seen(bench.derived, NOW), UPPER)
    assert (picture.profile_high_c, picture.heat is not None) == (high_c, True)
    assert picture.heat is not None
    assert picture.heat.total_s == pytest.approx(3 * 3600.0, abs=600.0)
    assert box(seen(bench.derived, NOW), LOWER).heat is None


def test_what_a_probe_told_is_its_last_day_of_any_quality_as_it_came(bench: Bench) -> None:
    times = every(10, START, 30)
    bench.ingest(*(Reading("up", t, 82.4 if t > NOW - HOUR_MS else 28.0, t, Flag.GOOD) for t in times))
    bench.ingest(Reading("up", NOW - 5 * MINUTE, -127.0, NOW, Flag.BAD, test="error-value"))
    told = next(p.heard for p in seen(bench.derived, NOW).probes if p.probe.id == "up")
    assert told is not None
    assert int(told.time_ms[0]) > NOW - DAY_MS
    assert told.value[-2:].tolist() == [-127.0, 82.4]
    assert told.flag[-2:].tolist() == [4, 1]
    assert told.received_ms[-2] == NOW
