"""Sums by hour: a late reading reaches as far as it changes anything, however many probes a box has."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Box, Limits, Probe, Room
from monitor.core.terms.times import DAY_MS, HOUR_MS, MINUTE_MS
from tests.core.lots import past_of
from tests.derived.test_room import START, Bench


def slow_room(probes: int) -> Room:
    """One box whose probes speak so seldom that a joined step lasts hours."""
    own = tuple(Probe(f"p{i}", f"t/{i}", box="box", interval_s=5400, quiet_after_s=14_400) for i in range(probes))
    return Room("room", "UTC", "C", ("left",), (Box("box", "left", 60.0),), own, Limits(31.0, 25.0))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("probes", [1, 2, 3])
def test_sums_after_a_late_reading_are_those_of_a_store_that_had_it_in_time(
    tmp_path: Path, probes: int, seed: int
) -> None:
    dice = random.Random(1000 * probes + seed)
    bench = Bench(tmp_path, slow_room(probes))
    bench.clutch(box="box")
    now = START + 3 * DAY_MS
    late: list[Reading] = []
    for i in range(probes):
        at = START - dice.randrange(HOUR_MS)
        while at < now:
            # As long as a straight line still joins them.
            at += dice.randrange(30, round(bench.room.probes[i].max_gap_s / 60)) * MINUTE_MS
            reading = Reading(f"p{i}", at, dice.uniform(24.0, 32.0), at, Flag.GOOD)
            if dice.random() < 0.15 and at < now - 12 * HOUR_MS:
                late.append(reading)
            elif at <= now:
                bench.ingest(reading)
    bench.hour(now)
    for reading in dice.sample(late, len(late)):
        bench.ingest(reading._replace(received_ms=now))
        bench.hour(now)
    running = bench.derived.histories.now(now)
    rebuilt = bench.only_earlier(now, "fresh").histories.now(now)
    assert late
    assert [past_of(x).development for x in running] == pytest.approx(
        [past_of(x).development for x in rebuilt], rel=1e-12
    )
    assert [past_of(x).degree_days for x in running] == pytest.approx(
        [past_of(x).degree_days for x in rebuilt], rel=1e-12
    )
    for store in bench.opened:
        store.close()


@pytest.mark.parametrize("seed", range(6))
def test_hours_that_a_late_reading_reaches_are_those_about_each_of_them(tmp_path: Path, seed: int) -> None:
    dice = random.Random(seed)
    bench = Bench(tmp_path, slow_room(1))
    hours, box = bench.derived.hours, bench.room.boxes[0]
    reach = hours._reach_hours(box)
    for n in (0, 1, 5, 300):
        dirty = np.array(sorted(dice.sample(range(900, 1400), dice.choice([0, 1, 30]))), np.int64)
        told = [any(abs(first - d) <= reach for d in dirty.tolist()) for first in range(1000, 1000 + n)]
        assert hours._dirty_mask(box, dirty, 1000, n).tolist() == told
    for store in bench.opened:
        store.close()
