"""Much of a probe is read some hours at a time and stored some days at a time; it comes to the same as at once."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.adapters.store import Columns, Store, columns_of
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.times import HOUR_MS

T0 = 1_780_000_000_000 // HOUR_MS * HOUR_MS
H0 = T0 // HOUR_MS


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        opened.db.connection.execute("PRAGMA synchronous=OFF")
        yield opened


def some_hours(seed: int, probe: str = "a", hours: int = 12) -> list[Reading]:
    """From none to thirty readings in each hour, none of them where thinning would leave one out."""
    rng = random.Random(seed)
    ats = [T0 + h * HOUR_MS + k * (HOUR_MS // 30) for h in range(hours) for k in range(rng.choice([0, 1, 9, 30]))]
    return [Reading(probe, at, 28.0 + rng.random(), at + 5) for at in ats]


def loads(store: Store, monkeypatch: pytest.MonkeyPatch) -> list[Columns]:
    """What is read from now on, as it is read."""
    found: list[Columns] = []
    load = store.readings.load

    def noted(*args: Any) -> dict[str, Columns]:
        result = load(*args)
        found.extend(result.values())
        return result

    monkeypatch.setattr(store.readings, "load", noted)
    return found


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("folded", [0, 5, 12])
def test_pieces_follow_each_other_each_within_its_bound_and_all_are_the_whole(
    store: Store, monkeypatch: pytest.MonkeyPatch, folded: int, seed: int
) -> None:
    store.journal.ingest(some_hours(seed))
    store.folding.fold(T0 + folded * HOUR_MS)
    monkeypatch.setattr("monitor.adapters.store.readings.PIECE_ROWS", 40)
    for from_ms, to_ms in ((T0, T0 + 12 * HOUR_MS), (T0 + HOUR_MS // 2, T0 + 7 * HOUR_MS + 1), (0, 2**60)):
        whole = store.readings.load(["a"], from_ms, to_ms)["a"]
        pieces = list(store.readings.pieces("a", from_ms, to_ms))
        joined = Columns.joined(pieces)
        assert joined.at.tolist() == whole.at.tolist()
        assert joined.value.tolist() == whole.value.tolist()
        # An hour of a piece is never divided, and one that goes beyond the bound stands alone.
        hours = [set((p.at // HOUR_MS).tolist()) for p in pieces]
        assert sum(len(h) for h in hours) == len(set().union(*hours))
        assert all(len(p) <= 40 or len(h) == 1 for p, h in zip(pieces, hours, strict=True))
        assert len(pieces) <= 2 * len(whole) / 40 + 2, "no more pieces than the bound asks for"


@pytest.mark.parametrize("folded", [0, 6, 12])
def test_what_is_much_is_never_read_at_once_wherever_it_lies(
    store: Store, monkeypatch: pytest.MonkeyPatch, folded: int
) -> None:
    """Six probes' worth of the bound in one hour each, the first or the last of what is asked for included."""
    for hour in range(12):
        store.journal.ingest([Reading("a", T0 + hour * HOUR_MS + k * 60_000, 28.0, T0) for k in range(20)])
    store.folding.fold(T0 + folded * HOUR_MS)
    monkeypatch.setattr("monitor.adapters.store.readings.PIECE_ROWS", 30)
    for first in range(11):
        read = loads(store, monkeypatch)
        found = store.readings.sparse(["a"], T0 + first * HOUR_MS, T0 + (first + 2) * HOUR_MS)["a"]
        assert len(found) == 40
        assert [len(c) for c in read] == [20, 20]
        monkeypatch.undo()
        monkeypatch.setattr("monitor.adapters.store.readings.PIECE_ROWS", 30)


@pytest.mark.parametrize("folded", [0, 12])
def test_what_is_little_is_read_at_once_however_much_there_is_besides(
    store: Store, monkeypatch: pytest.MonkeyPatch, folded: int
) -> None:
    for hour in range(12):
        store.journal.ingest([Reading("a", T0 + hour * HOUR_MS + k * 60_000, 28.0, T0) for k in range(20)])
    store.journal.ingest([Reading("b", T0 + k * 60_000, 28.0, T0) for k in range(5)])
    store.folding.fold(T0 + folded * HOUR_MS)
    monkeypatch.setattr("monitor.adapters.store.readings.PIECE_ROWS", 45)
    for first in range(11):
        read = loads(store, monkeypatch)
        found = store.readings.sparse(["a", "nobody"], T0 + first * HOUR_MS, T0 + (first + 2) * HOUR_MS)
        assert (len(found["a"]), len(found["nobody"]), len(read)) == (40, 0, 2)
        monkeypatch.undo()
        monkeypatch.setattr("monitor.adapters.store.readings.PIECE_ROWS", 45)


def test_an_import_says_after_each_ten_days_how_much_of_it_is_done(store: Store) -> None:
    """Two readings in each hour of 25 days; one of the hours is known already."""
    told = [Reading("a", T0 + k * HOUR_MS // 2, 28.0, T0) for k in range(2 * 600)]
    store.folding.bulk("a", columns_of(told[10:12]))
    done: list[int] = []
    assert store.folding.bulk("a", columns_of(told[::-1]), done.append) == (1198, 2)
    # Days of the calendar; the first has begun.
    assert done == [440, 920, 1200]
    assert store.readings.load(["a"], 0, 2**60)["a"].at.tolist() == [r.at_ms for r in told]
    assert store.folding.bulk("a", columns_of([]), done.append) == (0, 0)
    assert done[3:] == []


def test_an_import_changes_what_was_read_before_and_says_so(store: Store) -> None:
    before = store.readings.bulks()
    store.folding.bulk("a", columns_of([Reading("a", T0, 28.0, T0)]))
    between = store.readings.bulks()
    store.folding.bulk("a", columns_of([Reading("a", T0 + 1, 28.0, T0)]))
    assert len({before, between, store.readings.bulks()}) == 3
    assert store.parts.dirty(["a"]) == {H0}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("folded", [0, 5, 12])
def test_the_means_of_hours_are_those_of_the_usable_readings_in_them(store: Store, folded: int, seed: int) -> None:
    """However much is folded, and whatever came late into a folded hour; none after the moment that is asked for."""
    rng = random.Random(seed)
    told = [Reading("a", r.at_ms, r.value, r.at_ms, rng.choice(list(Flag))) for r in some_hours(seed)]
    # Two just after the moment that is asked for below.
    told += [Reading("a", T0 + 5 * HOUR_MS + HOUR_MS // 3 + k, 10.0, T0) for k in (1, 2)]
    rng.shuffle(told)
    store.journal.ingest(told[:-15])
    store.folding.fold(T0 + folded * HOUR_MS)
    store.journal.ingest(told[-15:])
    for first, last, until in ((0, 12, 2**62), (2, 9, 2**62), (0, 12, T0 + 5 * HOUR_MS + HOUR_MS // 3), (3, 6, T0)):
        expected: dict[int, list[float]] = {}
        for r in sorted(told):
            if r.flag <= 2 and r.at_ms <= until and H0 + first <= r.at_ms // HOUR_MS < H0 + last:
                expected.setdefault(r.at_ms // HOUR_MS, []).append(r.value)
        found = store.readings.hour_means("a", H0 + first, H0 + last, until)
        assert found == pytest.approx({h: float(np.mean(v)) for h, v in expected.items()})
    usable = [r.at_ms for r in told if r.flag <= 2]
    for until in (T0 - 1, T0 + HOUR_MS, T0 + 5 * HOUR_MS + 7, 2**60):
        newest = max((at for at in usable if at <= until), default=None)
        assert store.readings.last_usable_at("a", until) == newest
    assert store.readings.counts() == {"a": len(told)}


@pytest.mark.parametrize("minute", [0, 1, 5, 10, 11, 30, 59])
def test_a_pace_is_that_of_the_last_ten_minutes_of_this_hour(store: Store, minute: int) -> None:
    """One reading each ten seconds is six a minute, from the hour's second minute on; before that nothing is said."""
    now_ms = T0 + minute * 60_000
    store.journal.ingest([Reading("a", T0 + k * 10_000, 28.0, T0) for k in range(-720, 720)])
    store.folding.fold(now_ms)
    assert store.readings.paces(now_ms) == (None if minute == 0 else {"a": pytest.approx(6.0)})
