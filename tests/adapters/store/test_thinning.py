"""Days that are old become rows of ten minutes: nothing that rests on sums changes, and nothing that is needed goes."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.store import Columns, Store, chunks, columns_of, folding, thin_chunks
from monitor.adapters.store.soundness import chunk_fault, examined
from monitor.adapters.store.thinning import AGAIN_MS, Thinned
from monitor.core.readings.probe_clocks import WrongClock
from monitor.core.readings.ten_minutes import TEN_MS
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.times import DAY_MS, HOUR_MS
from tests import older_chunks
from tests.peers import PROJECT

T0 = 1_698_278_400_000
"""2023-10-26: clocks go back in Europe on the fourth day. Ten minutes are of UTC, whatever the room's clock does."""
AGE = 1100
NOW = T0 + (AGE + 5) * DAY_MS + 7 * HOUR_MS
"""Five days are old, and what begins then is not."""
DAYS = 7
CHUNK = "probe, hour, hours, n, n_good, total, head, blob"


def some(probe: str, seed: int, every_ms: int = 60_000, days: float = DAYS, late_ms: int = 100) -> list[Reading]:
    """Readings that jitter, with gaps, doubles in time, and some that no test let pass."""
    rng = random.Random(seed)
    found, at = [], T0 + rng.randrange(HOUR_MS)
    while at < T0 + days * DAY_MS:
        flag, test = rng.choice(((Flag.GOOD, ""),) * 9 + ((Flag.BAD, "stuck"), (Flag.NOT_JUDGED, "")))
        value = 28 + rng.randrange(-8, 8) / rng.choice((16, 10))
        found.append(Reading(probe, at, value, at + rng.randrange(late_ms), flag, test, rng.random() < 0.7))
        at += max(0, every_ms + rng.randrange(-200, 200) + rng.choice((0,) * 200 + (-every_ms, 3 * HOUR_MS, DAY_MS)))
    return found


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as made:
        yield made


def settled(store: Store) -> None:
    """Folded, packed and summed up."""
    store.folding.fold(NOW)
    while store.folding.pack(NOW):
        pass
    with store.db.write() as c:
        c.execute("DELETE FROM dirty")


def filled(store: Store, probes: str = "abc") -> None:
    for k, probe in enumerate(probes):
        store.journal.ingest(some(probe, k, (10_000, 60_000, 700_000)[k % 3]))
    settled(store)


def thinned(store: Store) -> Thinned:
    found = store.thinning.thin(NOW, AGE, 60.0)
    assert found.done
    return found


def summed(store: Store) -> dict[str, object]:
    """What rests on sums, to the bit."""
    r, probes = store.readings, sorted(store.probes.names().values())
    first, last = T0 // HOUR_MS - 30, NOW // HOUR_MS
    return {
        "counts": r.counts(),
        "hours": {p: r.hour_counts(p, first, last) for p in probes},
        "means": {p: r.hour_means(p, first, last) for p in probes},
        "last": r.last_at(),
        "usable": {p: r.last_usable_at(p, NOW) for p in probes},
        "come": r.newest_come_ms(),
        "parts": store.db.rows("SELECT * FROM part"),
        "events": store.account.events(),
    }


def all_of(columns: Columns) -> list[list[str]]:
    c = columns
    return [list(map(repr, np.asarray(x).tolist())) for x in (c.at, c.value, c.received, c.flag, c.timed, c.test)]


def forms(store: Store) -> dict[str, int]:
    return {
        bytes(form).decode(): n
        for form, n in store.db.rows("SELECT substr(blob, 1, 2), COUNT(*) FROM chunk GROUP BY 1 ORDER BY 1")
    }


def contents(store: Store) -> list[tuple[Any, ...]]:
    return store.db.rows(f"SELECT {CHUNK} FROM chunk ORDER BY probe, hour")


def slowly(columns: Columns) -> dict[tuple[int, int, str, bool], tuple[int, float, float, float]]:
    """Of each ten minutes, flag, test and way of being timed: number, lowest, highest, mean."""
    groups: dict[tuple[int, int, str, bool], list[float]] = {}
    for at, value, flag, timed, test in zip(
        columns.at.tolist(), columns.value.tolist(), columns.flag, columns.timed, columns.test, strict=True
    ):
        groups.setdefault((at // TEN_MS, int(flag), test, bool(timed)), []).append(value)
    return {key: (len(v), min(v), max(v), sum(v) / len(v)) for key, v in groups.items()}


@pytest.mark.parametrize("seed", range(6))
def test_old_days_become_means_with_lowest_and_highest_and_sums_stay_to_the_bit(store: Store, seed: int) -> None:
    rng = random.Random(seed)
    for probe in "abc":
        store.journal.ingest(some(probe, rng.randrange(10**6), rng.choice((1000, 10_000, 60_000, 300_000))))
    settled(store)
    before, rests = store.readings.load("abc", 0, 2**60), summed(store)
    assert thinned(store).days >= 12
    assert summed(store) == rests
    old_ms = T0 + 5 * DAY_MS
    for probe, whole in before.items():
        found = store.readings.load([probe], 0, 2**60)[probe]
        fresh = int(np.searchsorted(whole.at, old_ms))
        here = int(np.searchsorted(found.at, old_ms))
        assert all_of(found.part(here, len(found))) == all_of(whole.part(fresh, len(whole)))
        rows, expected = found.part(0, here), slowly(whole.part(0, fresh))
        assert rows.spread is not None
        assert len(rows) == len(expected)
        s = rows.spread
        for k in range(len(rows)):
            key = int(rows.at[k]) // TEN_MS, int(rows.flag[k]), rows.test[k], bool(rows.timed[k])
            count, lowest, highest, mean = expected.pop(key)
            assert (s.count[k], s.lowest[k], s.highest[k]) == (count, lowest, highest)
            assert rows.value[k] == pytest.approx(mean, abs=1e-9)
            assert lowest <= rows.value[k] <= highest
    assert store.db.check() == []
    store.db.checkpoint()
    assert examined(store.db.path) == []


def test_a_probe_that_reports_each_ten_minutes_or_less_often_loses_nothing(store: Store) -> None:
    at = T0 + TEN_MS * np.arange(7 * 144) + 1234
    rng = np.random.default_rng(1)
    n = len(at)
    rows = Columns(at, 28 + rng.normal(0, 1, n), at + 5, np.ones(n, np.uint8), np.ones(n, bool), ("",) * n)
    store.folding.bulk("a", rows)
    settled(store)
    # An import came now; as if it had come then.
    before = all_of(store.readings.load("a", 0, 2**60)["a"])
    assert thinned(store).days == 5
    assert all_of(store.readings.load("a", 0, 2**60)["a"]) == before
    assert store.readings.means_before_ms() is None, "no mean is among them"


def test_a_second_time_nothing_is_done_and_nothing_is_written(store: Store) -> None:
    filled(store)
    thinned(store)
    before, written = contents(store), store.db.connection.total_changes
    again = thinned(store)
    assert again.days == 0
    assert contents(store) == before
    assert store.db.connection.total_changes == written
    assert store.readings.means_before_ms() == T0 + 5 * DAY_MS


def test_it_is_bounded_and_goes_on_where_it_stopped(store: Store, tmp_path: Path) -> None:
    filled(store)
    with Store(tmp_path / "other") as other:
        filled(other)
        thinned(other)
        steps = 0
        while not (step := store.thinning.thin(NOW, AGE, 0.0)).done:
            assert step.looked == 1
            steps += 1
        assert steps >= 12
        assert contents(store) == contents(other)


def test_each_probes_newest_day_stays(store: Store) -> None:
    store.journal.ingest(some("a", 1, days=3))
    settled(store)
    assert thinned(store).days == 2
    assert forms(store) == {"W2": 1, "W3": 2}


@pytest.mark.parametrize("what", ["dirty", "ship_hour", "journal", "unpacked"])
def test_what_is_still_needed_stays_until_it_is_no_more(store: Store, what: str) -> None:
    filled(store, "a")
    day = T0 + DAY_MS
    number, hour = store.probes.given("a"), day // HOUR_MS + 3
    with store.db.write() as c:
        if what == "dirty":
            c.execute("INSERT INTO dirty VALUES (?,?)", (number, hour))
        if what == "ship_hour":
            c.execute("INSERT INTO shipped VALUES ('db', 0)")
            c.execute("INSERT INTO ship_hour VALUES ('db', ?, ?)", (number, hour))
        if what == "unpacked":
            older_chunks.put(store, number, columns_of([Reading("a", day + 3 * HOUR_MS + 1, 1.0, day)]))
    if what == "journal":
        store.journal.ingest([Reading("a", day + 3 * HOUR_MS + 1, 1.0, day)])
        with store.db.write() as c:
            c.execute("DELETE FROM dirty")
    before = store.readings.load("a", day, day + DAY_MS)["a"]
    thinned(store)
    there = store.readings.load("a", day, day + DAY_MS)["a"]
    assert all_of(there) == all_of(before)
    assert store.readings.load("a", day + 2 * DAY_MS, day + 3 * DAY_MS)["a"].spread is not None
    with store.db.write() as c:
        c.execute("DELETE FROM ship_hour")
        c.execute("DELETE FROM hour_chunk")
    settled(store)
    assert thinned(store).days > 0
    assert store.readings.load("a", day, day + DAY_MS)["a"].spread is not None


def test_a_new_database_gets_what_is_there_and_its_single_readings_stay_until_they_are_shipped(store: Store) -> None:
    filled(store, "a")
    store.shipping.begin("db", NOW)
    assert thinned(store).days == 0
    sent: dict[int, float] = {}
    while hours := store.shipping.hours("db", 50):
        for hour in hours:
            sent |= dict(zip(hour.columns.at.tolist(), hour.columns.value.tolist(), strict=True))
        store.shipping.sent("db", NOW, hours=hours)
    whole = store.readings.load("a", 0, 2**60)["a"]
    assert sent == dict(zip(whole.at.tolist(), whole.value.tolist(), strict=True))
    assert thinned(store).days > 3
    assert store.shipping.hours("db", 50) == [], "nothing is shipped twice"


def test_what_came_late_is_as_old_as_its_arrival(store: Store) -> None:
    store.journal.ingest([r._replace(received_ms=NOW - (AGE - 10) * DAY_MS) for r in some("a", 1)])
    settled(store)
    assert thinned(store).days == 0
    assert store.thinning.thin(NOW + HOUR_MS, AGE, 60.0).looked == 0, "and is not looked at each day"
    assert store.thinning.thin(NOW + 11 * DAY_MS, AGE, 60.0).days > 3


def test_a_day_of_a_wrong_clock_stays(store: Store) -> None:
    store.journal.ingest([r._replace(timed=True) for r in some("a", 1)])
    settled(store)
    wrong = WrongClock("a", T0 + 2 * DAY_MS, HOUR_MS, T0 + 3 * DAY_MS)
    store.clocks.change(NOW, found=[replace_behind(wrong)], ended=[])
    with store.db.write() as c:
        c.execute("DELETE FROM dirty")
    thinned(store)
    assert store.readings.load("a", T0 + 2 * DAY_MS, T0 + 3 * DAY_MS)["a"].spread is None
    assert store.readings.load("a", T0 + DAY_MS, T0 + 2 * DAY_MS)["a"].spread is not None


def replace_behind(clock: WrongClock) -> WrongClock:
    """A clock that is ahead: readings are dated back by it."""
    return WrongClock(clock.probe, clock.from_ms, -clock.behind_ms, clock.to_ms)


def test_a_damaged_day_stays_as_it_is_and_is_told_as_before(store: Store) -> None:
    filled(store, "a")
    (number, blob) = store.db.rows("SELECT id, blob FROM chunk ORDER BY hour")[1]
    with store.db.write() as c:
        c.execute("UPDATE chunk SET blob=? WHERE id=?", (blob[:-3] + b"abc", number))
    thinned(store)
    assert store.db.rows("SELECT blob FROM chunk WHERE id=?", number) == [(blob[:-3] + b"abc",)]
    assert store.thinning.thin(NOW + DAY_MS, AGE, 60.0).looked == 1, "the day that has become old"
    store.thinning.tidy(NOW + AGAIN_MS)
    assert store.db.rows("SELECT * FROM single_day") == []


def test_what_was_thinned_comes_again_and_is_known_and_what_is_new_is_taken(store: Store) -> None:
    rows = some("a", 1)
    store.journal.ingest(rows)
    settled(store)
    thinned(store)
    before = contents(store)
    assert store.folding.bulk("a", columns_of(rows))[0] == 0
    settled(store)
    store.journal.ingest(rows)
    settled(store)
    assert contents(store) == before
    there = store.readings.load("a", T0, T0 + 5 * DAY_MS)["a"]
    assert bool(there.known(columns_of(rows).at[columns_of(rows).at < T0 + 5 * DAY_MS]).all())
    # Ten minutes of which there is nothing take what comes.
    slots = set((there.at // TEN_MS).tolist())
    free = next(k for k in range(T0 // TEN_MS, T0 // TEN_MS + 5 * 144) if k not in slots) * TEN_MS
    new = [Reading("a", free + k, 20.0 + k, NOW) for k in (0, 1, 2)]
    counts = store.readings.counts()["a"]
    store.journal.ingest(new)
    store.folding.fold(NOW)
    found = store.readings.load("a", free, free + TEN_MS)["a"]
    assert found.spread is not None
    assert (found.value.tolist(), found.spread.count.tolist()) == ([21.0], [3])
    assert store.readings.counts()["a"] == counts + 3
    store.db.checkpoint()
    assert examined(store.db.path) == []


def test_a_row_of_one_reading_takes_what_comes_beside_it(store: Store) -> None:
    store.journal.ingest([Reading("a", T0 + k * TEN_MS, 28.0, T0, Flag.GOOD) for k in range(7 * 144)])
    settled(store)
    thinned(store)
    store.journal.ingest([Reading("a", T0 + 500, 29.0, NOW, Flag.GOOD), Reading("a", T0, 99.0, NOW, Flag.GOOD)])
    store.folding.fold(NOW)
    first = store.readings.load("a", T0, T0 + TEN_MS)["a"]
    assert (first.at.tolist(), first.value.tolist()) == ([T0 + 250], [28.5])


def test_days_of_very_many_readings_are_thinned_from_their_hours(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folding, "DAY_ROWS", 1)
    filled(store, "ab")
    assert store.db.rows("SELECT COUNT(*) FROM chunk WHERE hours=24") == [(0,)]
    rests = summed(store)
    thinned(store)
    assert summed(store) == rests
    assert store.db.rows("SELECT COUNT(*) FROM chunk WHERE hours=1 AND hour<?", (T0 + 5 * DAY_MS) // HOUR_MS) == [(0,)]
    store.db.checkpoint()
    assert examined(store.db.path) == []


def test_hours_of_which_more_is_asked_stay_single(store: Store) -> None:
    filled(store, "ab")
    first = T0 // HOUR_MS
    hours = {first + 3, first + 4, first + 30}
    before = store.readings.load("ab", 0, 2**60)
    rests = summed(store)
    assert store.thinning.thin(NOW, AGE, 60.0, hours).done
    assert summed(store) == rests
    for probe, whole in before.items():
        for hour in range(first, first + 5 * 24):
            span = hour * HOUR_MS, (hour + 1) * HOUR_MS
            found = store.readings.load([probe], *span)[probe]
            part = whole.part(*np.searchsorted(whole.at, span).tolist())
            if hour in hours:
                assert all_of(found) == all_of(part)
            else:
                assert found.readings == len(part)
                assert len(found) <= 6 * 12
    store.db.checkpoint()
    assert examined(store.db.path) == []
    # What comes beside a single one makes a row with it alone.
    slot = (first + 3) * HOUR_MS
    here = before["a"].part(*np.searchsorted(before["a"].at, (slot, slot + HOUR_MS)).tolist())
    store.journal.ingest([Reading("a", slot + 1, 28.0, NOW)])
    store.folding.fold(NOW)
    found = store.readings.load(["a"], slot, slot + HOUR_MS)["a"]
    after = slot + TEN_MS
    assert found.at[found.at >= after].tolist() == here.at[here.at >= after].tolist()
    assert found.readings == len(here) + 1


def test_every_flipped_bit_of_a_thinned_day_is_found(store: Store) -> None:
    filled(store, "a")
    thinned(store)
    row = next(r for r in contents(store) if r[7][:2] == thin_chunks.MAGIC)
    names = {1: "a"}
    assert chunk_fault(row, names) == ""
    for column in (6, 7):
        whole = row[column]
        for bit in range(8 * len(whole)):
            torn = bytearray(whole)
            torn[bit // 8] ^= 1 << bit % 8
            assert chunk_fault((*row[:column], bytes(torn), *row[column + 1 :]), names), (column, bit)
    total = np.array([row[5]])
    for bit in range(64):
        torn_total = float((total.view(np.int64) ^ np.int64(-(2**63) if bit == 63 else 1 << bit)).view(np.float64)[0])
        assert chunk_fault((*row[:5], torn_total, *row[6:]), names), bit
    for column in (0, 1, 2, 3, 4):
        for bit in range(20):
            assert chunk_fault((*row[:column], row[column] ^ 1 << bit, *row[column + 1 :]), names), (column, bit)


@given(st.integers(0, 2**32), st.sampled_from([1.0, 1e-9, 1e12, 1e300]), st.booleans())
def test_rows_come_back_from_their_bytes(seed: int, scale: float, decimal: bool) -> None:
    rng = random.Random(seed)
    columns = columns_of(some("a", seed, rng.choice((500, 10_000, 400_000)), 0.3)).sorted_first_wins()
    value = columns.value if decimal else columns.value * rng.random() * scale
    columns = Columns(columns.at, value, columns.received, columns.flag, columns.timed, columns.test)
    rows = thin_chunks.thinned(columns)
    blob = chunks.encode(rows, 1.5, b"head")
    back = chunks.decode(blob)
    assert all_of(back) == all_of(rows)
    assert rows.spread is not None
    assert back.spread is not None
    for name in ("count", "lowest", "highest", "lowest_after_ms", "highest_after_ms"):
        assert (getattr(back.spread, name) == getattr(rows.spread, name)).all(), name
    assert back.readings == len(columns)
    assert back.good[0] == columns.good[0]
    assert thin_chunks.fits(blob, 1.5, b"head")
    assert not thin_chunks.fits(blob, 1.5, b"Head")
    cut = rng.randrange(len(blob))
    with pytest.raises(ValueError, match="chunk"):
        chunks.decode(blob[:cut])


@given(st.integers(0, 2**32))
def test_any_bytes_behind_a_right_checksum_are_rows_or_refused(seed: int) -> None:
    rng = random.Random(seed)
    blob = bytearray(chunks.encode(thin_chunks.thinned(columns_of(some("a", 7, 60_000, 0.2)).sorted_first_wins())))
    for _ in range(rng.choice((1, 1, 3, 40))):
        blob[rng.randrange(6, len(blob))] = rng.randrange(256)
    del blob[rng.choice((len(blob), len(blob), rng.randrange(6, len(blob)))) :]
    blob[2:6] = zlib.crc32(blob[6:]).to_bytes(4, "little")
    try:
        rows = chunks.decode(bytes(blob))
    except ValueError:
        return
    assert len(rows) == len(rows.test) == len(rows.value)


THINNER = """
import sys
from monitor.adapters.store import Store
store = Store(sys.argv[1])
store.thinning.thin(int(sys.argv[2]), int(sys.argv[3]), 60.0)
"""


def test_killed_at_the_named_place_each_day_is_as_it_was_or_in_rows_and_the_rest_follows(tmp_path: Path) -> None:
    with Store(tmp_path / "calm") as calm, Store(tmp_path / "killed") as store:
        filled(calm)
        filled(store)
        rests, before = summed(store), contents(store)
        thinned(calm)
        after = contents(calm)
        command = [sys.executable, "-c", THINNER, str(tmp_path / "killed"), str(NOW), str(AGE)]
        for time in (1, 3, 5):
            environment = {**os.environ, "WARMTALLY_CRASH_AT": f"in-thinning:{time}"}
            ended = subprocess.run(command, cwd=PROJECT, env=environment, check=False)
            assert ended.returncode == -signal.SIGKILL
            assert summed(store) == rests
            found = contents(store)
            assert len(found) == len(before)
            assert all(row in (old, new) for row, old, new in zip(found, before, after, strict=True))
            assert store.db.check() == []
        thinned(store)
        assert contents(store) == after
