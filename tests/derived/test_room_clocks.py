"""A probe whose clock is wrong: its box is judged by when its readings came, it is told, and sums come out right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.store import Store
from monitor.config.library import load_profile
from monitor.core.notices.kinds import all_kinds
from monitor.core.notices.snapshot import Service
from monitor.core.terms.events import EventKind, KeeperEvent, Reading
from monitor.core.terms.settings import Box, Broker, Room, Settings
from monitor.core.terms.times import HOUR_MS
from monitor.derived.room import Derived
from tests.bench.late_judged import MINUTE, START, a_reading, a_room, played

SPECIES = "elaphe-taeniura"
WATCHED = [
    k for k in all_kinds() if k.name in ("too-cool", "probe-quiet", "room-quiet", "probe-clock", "clock-untrusted")
]


def two_boxes() -> Room:
    """A probe in each of two boxes, quiet after a quarter of an hour."""
    room = a_room(2, 300.0)
    first, second = (replace(p, quiet_after_s=900.0) for p in room.probes)
    return replace(room, boxes=(*room.boxes, Box("other", "left", 40.0)), probes=(first, replace(second, box="other")))


def published(minutes: range, off_min: float, wrong: range, cold_from: int = 10**9) -> list[Reading]:
    """Of p0, whose clock is behind by ``off_min`` while ``wrong``, and whose box is cold from some minute on; and of
    p1, which is right. No time is said twice: to keep such apart is what arrivals do."""
    found = []
    for m in minutes:
        came = START + m * MINUTE
        at = came - (round(off_min * MINUTE) + 1 if m in wrong else 0)
        found.append(a_reading("p0", at, came, 20.8 if m >= cold_from else 28.0 + 0.01 * (m % 7)))
        found.append(a_reading("p1", came + 1000, came + 1000, 28.0 + 0.01 * (m % 5)))
    return found


@pytest.mark.parametrize(
    ("cold_from", "off_min"), [(100, 60.0), (185, 600.0), (100, 40_000.0), (185, -60.0), (100, -1500.0)]
)
def test_a_box_whose_probe_s_clock_is_wrong_is_told_in_time_and_with_the_reason(
    tmp_path: Path, off_min: float, cold_from: int
) -> None:
    """Wrong from minute 90 on; 40 000 minutes are four weeks."""
    came = published(range(0, 300, 5), off_min, range(90, 10_000), cold_from)
    # While nothing changes, a round at each reading will do.
    minutes = [*range(0, 85, 5), *range(85, 230), *range(230, 300, 5)]
    rounds = [START + m * MINUTE for m in minutes]
    found = played(two_boxes(), came, rounds, tmp_path / "data", WATCHED)
    told = [(m, n) for m, n in found.notices if n.kind == "too-cool"]
    assert len(told) >= 1
    # Before the clock is known for wrong it takes the half hour that this takes, and no longer.
    known = 120 if off_min > 0 else 90
    assert told[0][0] <= max(cold_from + 15, known) + 10
    assert told[0][1].subjects == ("box",)
    assert "The clock of probe p0 is" in told[0][1].whole
    assert ("behind" if off_min > 0 else "ahead") in told[0][1].whole
    changes = [(kind, subject, change) for _, kind, subject, change in found.moves]
    assert ("probe-clock", "p0", "raised") in changes
    assert not [c for c in changes if c[0] in ("probe-quiet", "room-quiet", "clock-untrusted")]
    assert not [c for c in changes if c[1] == "other"]


def test_a_clock_that_is_wrong_for_all_is_told_as_one_and_limits_come_in_time(tmp_path: Path) -> None:
    readings = [r._replace(at_ms=r.at_ms - HOUR_MS) for r in published(range(0, 400, 5), 0.0, range(0), 200)]
    found = played(two_boxes(), readings, range(START, START + 400 * MINUTE, 60_000), tmp_path / "data", WATCHED)
    kinds = {n.kind for _, n in found.notices}
    assert kinds == {"too-cool", "clock-untrusted"}
    cool = next((m, n) for m, n in found.notices if n.kind == "too-cool")
    assert cool[0] <= 200 + 15 + 10
    assert "The times that readings carry are 60 min behind" in cool[1].whole
    # What stays true is told again.
    assert [n.change for _, n in found.notices if n.kind == "clock-untrusted"][:2] == ["raised", "still"]


def test_a_backlog_after_an_outage_is_dated_as_it_says(tmp_path: Path) -> None:
    """Three hours kept, given back oldest first, a message a minute, while the other probe is heard."""
    kept = [a_reading("p0", START + m * MINUTE, START + (180 + m // 5) * MINUTE, 28.0) for m in range(0, 180, 5)]
    readings = [
        r for r in published(range(0, 400, 5), 0.0, range(0)) if r.probe == "p1" or r.at_ms >= START + 216 * MINUTE
    ]
    found = played(
        two_boxes(), [*kept, *readings], range(START, START + 400 * MINUTE, 60_000), tmp_path / "data", WATCHED
    )
    assert not [m for m in found.moves if m[1] in ("probe-clock", "too-cool")]
    with Store(tmp_path / "data") as store:
        assert store.clocks.all() == {}


def test_a_probe_that_sends_only_what_is_old_and_differs_is_told_as_quiet_in_the_end(tmp_path: Path) -> None:
    """No constant shows in it, and nothing of the present: that is no watch."""
    dice = np.random.default_rng(4)
    readings = [
        r._replace(at_ms=r.at_ms - int(dice.integers(30, 300)) * MINUTE)
        if r.probe == "p0" and r.received_ms > START + 60 * MINUTE
        else r
        for r in published(range(0, 300, 5), 0.0, range(0))
    ]
    found = played(two_boxes(), readings, range(START, START + 300 * MINUTE, 60_000), tmp_path / "data", WATCHED)
    quiet = [(m, n) for m, n in found.notices if n.kind == "probe-quiet"]
    assert [n.subjects for _, n in quiet][:1] == [("p0",)]
    assert 75 <= quiet[0][0] <= 60 + 15 + 30 + 10
    assert "It sends, but with times that are older" in quiet[0][1].text


# -- sums --------------------------------------------------------------------------------------------------------------


def summed(folder: Path, readings: Sequence[Reading], hours: int) -> tuple[Store, Derived]:
    """A store in which the service would have summed up each hour as it went."""
    store = Store(folder)
    store.db.connection.execute("PRAGMA synchronous=OFF")
    for kind in (EventKind.LAID, EventKind.SET):
        more = {"species": SPECIES} if kind is EventKind.LAID else {"box": "box"}
        event = KeeperEvent(kind, clutch="K01", at_ms=START, recorded_ms=START, eggs=4, **more)  # type: ignore[arg-type]
        store.account.tell(event)
    derived = Derived(store, Settings(two_boxes(), Broker()), load_profile)
    due = sorted(readings, key=lambda r: r.received_ms)
    for minute in range(0, hours * 60, 10):
        now_ms = START + minute * MINUTE
        came = [r for r in due if r.received_ms <= now_ms]
        due = due[len(came) :]
        if came:
            store.journal.ingest(came)
        derived.follow(now_ms)
        derived.readings.look_at_clocks(now_ms, trusted=True)
        if minute % 60 == 0:
            store.folding.fold(now_ms, derived.readings.seen_seq)
            derived.hours.refresh(now_ms)
    return store, derived


def development(store: Store, derived: Derived, hours: int) -> tuple[list[float], list[float]]:
    """Of each hour in the first box: development, and how much of it was measured, in seconds."""
    box = derived.room.boxes[0]
    derived.follow(START + hours * HOUR_MS)
    table = derived.hours.table(box, derived.book.of(SPECIES), START, START + hours * HOUR_MS, START + hours * HOUR_MS)
    return table.development.tolist(), table.covered_s.tolist()


@pytest.mark.parametrize("off_min", [60.0, 3000.0, -90.0])
def test_sums_of_a_probe_whose_clock_was_wrong_are_those_of_a_right_one_running_and_rebuilt(
    tmp_path: Path, off_min: float
) -> None:
    """Warmer in the second half, so that an hour that is dated wrongly shows; wrong from minute 600 to 1500."""
    hours = 36

    def course(off: float) -> list[Reading]:
        return [
            r._replace(value=28.0 if r.received_ms < START + 1000 * MINUTE else 30.0)
            for r in published(range(0, hours * 60, 5), off, range(600, 1500))
        ]

    right_store, right = summed(tmp_path / "right", course(0.0), hours)
    store, running = summed(tmp_path / "wrong", course(off_min), hours)
    want, want_covered = development(right_store, right, hours)
    got, covered = development(store, running, hours)
    assert got == pytest.approx(want, abs=1e-9)
    assert covered == pytest.approx(want_covered, abs=1e-6)
    store.parts.forget_all()
    rebuilt = Derived(store, Settings(two_boxes(), Broker()), load_profile)
    assert development(store, rebuilt, hours)[0] == got
    # What is stored is what came.
    raw = store.readings.load(["p0"], 0, 2**62)["p0"]
    last_ms = START + (hours * 60 - 10) * MINUTE
    came = [r.at_ms for r in course(off_min) if r.probe == "p0" and r.received_ms <= last_ms]
    assert sorted(raw.at.tolist()) == sorted(came)
    for s in (right_store, store):
        s.close()


def test_when_this_computers_clock_is_set_right_its_readings_have_their_own_times_again(tmp_path: Path) -> None:
    """It stood an hour behind: all that came seemed to be ahead."""
    now_ms = START + 120 * MINUTE
    readings = [r._replace(received_ms=r.received_ms - HOUR_MS) for r in published(range(0, 120, 5), 0.0, range(0))]
    with Store(tmp_path / "data") as store:
        derived = Derived(store, Settings(two_boxes(), Broker()), load_profile)
        for r in readings:
            store.journal.ingest([r])
            derived.follow(r.received_ms)
            derived.readings.look_at_clocks(r.received_ms, trusted=True)
        at_wrong_ms = now_ms - HOUR_MS
        box = derived.snapshot(at_wrong_ms, Service(0)).boxes[0]
        # Meanwhile the watch goes by this clock.
        assert box.at_ms == readings[-2].received_ms
        derived.readings.clock_set(now_ms, 3600.0)
        derived.follow(now_ms)
        derived.readings.look_at_clocks(now_ms, trusted=True)
        assert store.clocks.all() == {}
        box = derived.snapshot(now_ms, Service(0)).boxes[0]
        assert box.time_ms.tolist() == sorted(r.at_ms for r in readings if r.probe == "p0")


def test_a_clock_that_jumps_for_ever_is_followed_so_often_and_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in ("monitor.derived.readings", "monitor.adapters.store.clocks"):
        monkeypatch.setattr(f"{module}.MOST_CLOCKS", 30)
    with Store(tmp_path / "data") as store:
        store.db.connection.execute("PRAGMA synchronous=OFF")
        derived = Derived(store, Settings(two_boxes(), Broker()), load_profile)
        derived.follow(START)
        for k in range(45):
            now_ms = START + k * MINUTE
            store.journal.ingest([a_reading("p0", now_ms + (6 + 7 * k) * MINUTE, now_ms, 28.0)])
            derived.follow(now_ms)
            derived.readings.look_at_clocks(now_ms, trusted=True)
        assert len(store.clocks.all()["p0"]) == 30
