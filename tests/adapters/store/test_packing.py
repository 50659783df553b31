"""Days that are over become one chunk; stores of before are converted while they are read and written."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.store import Columns, Store, chunks, columns_of, folding
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import StoreCorrupt, StoreError
from tests import older_chunks
from tests.peers import PROJECT

T0 = 1_780_000_000_000 // DAY_MS * DAY_MS
NOW = T0 + 10 * DAY_MS


def some(probe: str, days: float, seed: int, every_ms: int = 300_000) -> list[Reading]:
    """Readings that jitter, with gaps, doubles in time, and some that no test let pass."""
    rng = random.Random(seed)
    found, at = [], T0
    while at < T0 + days * DAY_MS:
        at += every_ms + rng.randrange(-200, 200) + rng.choice((0, 0, 0, 0, 0, 0, 0, 0, 0, 3 * HOUR_MS))
        flag, test = rng.choice(((Flag.GOOD, ""), (Flag.GOOD, ""), (Flag.GOOD, ""), (Flag.BAD, "stuck")))
        found.append(Reading(probe, at, 28 + rng.randrange(-8, 8) / 16, at + rng.randrange(20, 120), flag, test))
    return found


def days_of(store: Store) -> int:
    """In how many days of how many probes readings lie."""
    found = store.readings.load(store.probes.names().values(), 0, 2**60)
    return sum(len(np.unique(c.at // DAY_MS)) for c in found.values())


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as made:
        yield made


def all_of(columns: Columns) -> list[list[str]]:
    c = columns
    return [list(map(repr, np.asarray(x).tolist())) for x in (c.at, c.value, c.received, c.flag, c.timed, c.test)]


def said(store: Store) -> dict[str, object]:
    """What everybody who reads is told."""
    r, first, last = store.readings, T0 // HOUR_MS - 30, NOW // HOUR_MS
    probes = sorted(store.probes.names().values())
    return {
        "whole": {p: all_of(c) for p, c in r.load(probes, 0, 2**60).items()},
        "cut": {p: all_of(c) for p, c in r.load(probes, T0 + 7 * HOUR_MS + 5, T0 + 2 * DAY_MS + 99_999).items()},
        "pieces": {p: all_of(Columns.joined(list(r.pieces(p, T0 + HOUR_MS, NOW)))) for p in probes},
        "counts": r.counts(),
        "hours": {p: r.hour_counts(p, first, last) for p in probes},
        "means": {p: r.hour_means(p, first, last, T0 + 3 * DAY_MS + 5 * HOUR_MS + 1234) for p in probes},
        "first": {p: r.first_at(p) for p in probes},
        "last": [r.last_at(at) for at in (None, T0 + DAY_MS, T0 + DAY_MS + 1_234_567)],
        "usable": {p: r.last_usable_at(p, T0 + DAY_MS + 1_234_567) for p in probes},
        "come": r.newest_come_ms(),
    }


def packed(store: Store) -> None:
    while store.folding.pack(NOW):
        pass


def forms(store: Store) -> dict[int, int]:
    """How many chunks there are of so many hours; 0: those of before."""
    found = dict(store.db.rows("SELECT hours, COUNT(*) FROM chunk GROUP BY hours"))
    return found | {0: store.db.rows("SELECT COUNT(*) FROM hour_chunk")[0][0]}


def test_days_that_are_over_are_packed_and_nothing_else_is_told_of_them(store: Store) -> None:
    for k, probe in enumerate("abc"):
        store.journal.ingest(some(probe, 4.4, k))
    store.folding.fold(T0 + 4 * DAY_MS + 8 * HOUR_MS)
    before = said(store)
    assert forms(store).get(24, 0) == 0
    while store.folding.pack(T0 + 4 * DAY_MS + 1 * HOUR_MS):
        pass
    assert forms(store)[24] == 9, "the newest day is over for an hour only"
    assert said(store) == before
    packed(store)
    assert forms(store).get(1, 0) == 0
    assert said(store) == before
    assert store.folding.pack(NOW) == 0


def test_what_comes_late_goes_into_the_packed_day_and_what_was_there_wins(store: Store) -> None:
    rows = some("a", 2, 1)
    store.journal.ingest(rows)
    store.folding.fold(NOW)
    packed(store)
    late = [r._replace(value=99.0) for r in rows[:5]] + [Reading("a", r.at_ms + 1, 30.0, NOW) for r in rows[:5]]
    late.append(Reading("a", T0 - 5 * HOUR_MS, 1.0, NOW))
    store.journal.ingest(late)
    assert store.readings.counts() == {"a": len(rows) + 6}
    waiting = said(store)
    store.folding.fold(NOW)
    assert said(store)["whole"] == waiting["whole"]
    assert said(store)["counts"] == waiting["counts"]
    assert store.readings.load(["a"], 0, 2**60)["a"].value.max() == 30.0


def test_a_day_of_very_many_readings_stays_in_hours(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folding, "DAY_ROWS", 50)
    store.journal.ingest([*some("a", 1, 1), *some("b", 1, 1, every_ms=6_000_000)])
    store.folding.fold(NOW)
    before = said(store)
    packed(store)
    of_day = T0 // HOUR_MS, T0 // HOUR_MS + 24
    kept = store.db.rows("SELECT DISTINCT probe, hours FROM chunk WHERE hour>=? AND hour<?", *of_day)
    assert set(kept) == {(1, 1), (2, 24)}
    assert said(store) == before


def test_packing_is_bounded_and_goes_on_where_it_stopped(store: Store) -> None:
    store.journal.ingest([r for k, p in enumerate("abcdef") for r in some(p, 3, k)])
    store.folding.fold(NOW)
    before, steps = said(store), 0
    while store.folding.pack(NOW, seconds=0.0):
        steps += 1
        assert forms(store)[24] == steps
        assert said(store) == before
    assert steps == days_of(store) >= 18


@pytest.mark.parametrize("what", ["INSERT chunk", "DELETE chunk", "DELETE hour_chunk"])
def test_a_step_that_fails_changes_nothing(store: Store, what: str) -> None:
    with store.db.write():
        older_chunks.put(store, store.probes.given("a"), columns_of(some("a", 1, 1)))
    store.journal.ingest(some("b", 1, 2))
    store.folding.fold(NOW)
    before = said(store)
    verb, table = what.split()
    store.db.connection.execute(
        f"CREATE TRIGGER fault BEFORE {verb} ON {table} BEGIN SELECT RAISE(ABORT, 'fault in the middle'); END"
    )
    with pytest.raises(StoreError, match="fault in the middle"):
        packed(store)
    assert said(store) == before
    store.db.connection.execute("DROP TRIGGER fault")
    packed(store)
    assert said(store) == before
    assert forms(store) == {24: days_of(store), 0: 0}


@pytest.mark.parametrize("seed", range(3))
def test_a_store_of_before_is_converted_while_readings_come_late_into_it(store: Store, seed: int) -> None:
    """Whatever is done first with an hour of before: it is read, merged, shipped or packed, and nothing is lost."""
    rng = random.Random(seed)
    expected: dict[tuple[str, int], float] = {}
    for probe in "ab":
        rows = some(probe, 5, seed)
        expected |= {(probe, r.at_ms): r.value for r in reversed(rows)}
        with store.db.write():
            older_chunks.put(store, store.probes.given(probe), columns_of(rows).sorted_first_wins())
    store.shipping.begin("outside", NOW)
    step = 0
    while forms(store)[0] or step < 30:
        step += 1
        late = [
            Reading(rng.choice("ab"), T0 + rng.randrange(5 * DAY_MS // 60_000) * 60_000, step + k / 8, NOW)
            for k in range(rng.randrange(6))
        ]
        match rng.choice(("pack", "fold", "bulk", "ship")):
            case "pack":
                store.folding.pack(NOW, seconds=0.0)
            case "fold":
                store.journal.ingest(late)
                store.folding.fold(NOW)
                for r in late:
                    expected.setdefault((r.probe, r.at_ms), r.value)
            case "bulk":
                for probe in "ab":
                    if mine := [r for r in late if r.probe == probe]:
                        store.folding.bulk(probe, columns_of(mine))
                        for r in mine:
                            expected.setdefault((r.probe, r.at_ms), r.value)
            case _:
                hours = store.shipping.hours("outside", 7)
                assert [h.n for h in hours] == [len(h.columns) for h in hours]
                store.shipping.sent("outside", NOW, hours=hours)
        found = store.readings.load(["a", "b"], 0, 2**60)
        got = {(p, t): v for p, c in found.items() for t, v in zip(c.at.tolist(), c.value.tolist(), strict=True)}
        assert got == expected
        assert sum(store.readings.counts().values()) == len(expected)
    assert store.db.check() == []


def test_hours_of_a_packed_day_are_shipped_hour_by_hour_and_stay_marked_where_they_changed(store: Store) -> None:
    rows = some("a", 1, 3)
    store.journal.ingest(rows)
    store.folding.fold(NOW)
    packed(store)
    store.shipping.begin("outside", NOW)
    assert abs(store.shipping.behind("outside") - len(rows)) <= len(rows) * 0.3
    hours = store.shipping.hours("outside", 1000)
    assert sum(h.n for h in hours) == len(rows)
    assert sorted(t for h in hours for t in h.columns.at.tolist()) == [r.at_ms for r in rows]
    store.journal.ingest([Reading("a", rows[0].at_ms + 1, 30.0, NOW)])
    store.folding.fold(NOW)
    store.shipping.sent("outside", NOW, hours=hours)
    assert store.db.rows("SELECT hour FROM ship_hour") == [(rows[0].at_ms // HOUR_MS,)]


def test_a_damaged_chunk_is_set_aside_and_harms_no_other(store: Store) -> None:
    store.journal.ingest([*some("a", 2, 1), *some("b", 2, 2)])
    store.folding.fold(NOW)
    before = store.readings.load(["b"], 0, 2**60)["b"]
    (number, n, hour, blob) = store.db.rows("SELECT id, n, hour, blob FROM chunk WHERE probe=1 ORDER BY hour")[3]
    store.db.connection.execute("UPDATE chunk SET blob=? WHERE id=?", (blob[:-3] + b"abc", number))
    with pytest.raises(StoreCorrupt, match=f"hour {hour} of probe a is damaged"):
        store.readings.load(["a"], 0, 2**60)
    store.journal.ingest([Reading("a", hour * HOUR_MS + 5, 1.5, NOW)])
    store.folding.fold(NOW)
    packed(store)
    assert list(store.folding.set_aside()) == [("a", hour)]
    assert store.db.rows("SELECT n, blob FROM damaged_chunk") == [(n, blob[:-3] + b"abc")]
    assert all_of(store.readings.load(["b"], 0, 2**60)["b"]) == all_of(before)
    assert store.readings.counts()["a"] == len(some("a", 2, 1)) - n + 1
    assert hour * HOUR_MS + 5 in store.readings.load(["a"], 0, 2**60)["a"].at.tolist()


@given(st.integers(0, 2**32), st.sampled_from([40_000, 300_000, 2_000_000]))
def test_what_a_head_says_of_its_hours_is_what_their_readings_say(seed: int, every_ms: int) -> None:
    columns = columns_of(some("a", 1, seed, every_ms)).sorted_first_wins()
    columns = columns.part(0, int(np.searchsorted(columns.at, T0 + DAY_MS)))
    first = T0 // HOUR_MS
    counts, good, sums = chunks.read_hours(chunks.hours_of(columns, first, 24), 24)
    for k in range(24):
        hour = columns.part(*np.searchsorted(columns.at, (T0 + k * HOUR_MS, T0 + (k + 1) * HOUR_MS)).tolist())
        assert (counts[k], good[k]) == (len(hour), int(hour.usable.sum()))
        assert sums[k] == hour.value[hour.usable].sum()


PACKER = """
import sys
from monitor.adapters.store import Store
folding = Store(sys.argv[1]).folding
print("begun", flush=True)
while folding.pack(int(sys.argv[2]), seconds=0.0):
    pass
"""


@pytest.mark.slow
def test_killed_at_any_moment_of_a_conversion_nothing_is_lost_or_doubled(tmp_path: Path) -> None:
    rng = random.Random(5)
    with Store(tmp_path) as store:
        for k, probe in enumerate("abcd"):
            with store.db.write():
                older_chunks.put(store, store.probes.given(probe), columns_of(some(probe, 7, k)).sorted_first_wins())
        before, kills = said(store), 0
        while forms(store)[0]:
            command = [sys.executable, "-c", PACKER, str(tmp_path), str(NOW)]
            with subprocess.Popen(command, cwd=PROJECT, stdout=subprocess.PIPE) as packer:
                assert packer.stdout is not None
                packer.stdout.readline()
                time.sleep(rng.uniform(0.0, 0.08))
                os.kill(packer.pid, signal.SIGKILL)
            kills += 1
            assert said(store) == before
            assert kills < 200
        assert kills > 1
        assert store.db.check() == []
