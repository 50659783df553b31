"""A bad part never stops the rest: damage, what was renamed or taken away, and channels that are gone."""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.core.notices.kinds.checks import WHOLE
from monitor.core.notices.snapshot import Health, Service
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.settings import Box, Broker, Channel, Limits, PagePlace, Probe, Room, Settings
from monitor.errors import (
    ConfigError,
    SecretMissing,
    StoreCorrupt,
    StoreError,
    StoreFull,
    StoreLocked,
    StoreNewer,
    UsageError,
)
from monitor.service import round as rounds
from tests.bench.stepped import Stepped, stepped
from tests.peers import MOMENT_S, PROJECT, wait_for
from tests.sinks import http_sink

START_MS = int(datetime(2026, 9, 1, 12, tzinfo=UTC).timestamp() * 1000)
MINUTE_MS = 60_000
BOXES = ("a", "b", "c")


def settings(boxes: tuple[str, ...] = BOXES, channels: tuple[Channel, ...] = ()) -> Settings:
    return Settings(
        room=Room(
            "room", "UTC", "C", ("left",), tuple(Box(b, "left", 10.0 + 40 * i) for i, b in enumerate(boxes)),
            tuple(
                Probe(f"{b}-t", f"room/{b}", pointer="/value", time_pointer="/at", box=b, interval_s=300.0,
                      quiet_after_s=1800.0)
                for b in boxes
            ),
            limits=Limits(too_warm_c=32.0, too_cool_c=20.0, on_delay_s=600.0, off_delay_s=600.0),
        ),
        broker=Broker(),
        channels=channels,
    )  # fmt: skip


class Course:
    """Five minutes a step, from one service to the next on the same store."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.now_ms = folder, START_MS

    @contextmanager
    def service(self, given: Settings) -> Iterator[Stepped]:
        with stepped(given, self.folder, self.now_ms) as run:
            self.run, self.boxes = run, [b.id for b in given.room.boxes]
            yield run

    def go(self, minutes: int, warm: tuple[str, ...] = (), silent: tuple[str, ...] = ()) -> list[tuple[str, str, str]]:
        told: list[tuple[str, str, str]] = []
        for _ in range(minutes // 5):
            self.now_ms += 5 * MINUTE_MS
            values = {f"room/{b}": 33.0 if b in warm else 28.0 for b in self.boxes if b not in silent}
            told += [(n.kind, n.change, " ".join(n.subjects)) for n in self.run.step(self.now_ms, values)]
        return told


def set_in_a(store: Store, species: str) -> None:
    """Six eggs of a clutch, laid and set at the start."""
    told = {"clutch": "K01", "at_ms": START_MS, "recorded_ms": START_MS}
    store.account.tell(KeeperEvent(EventKind.LAID, species=species, eggs=6, **told))  # type: ignore[arg-type]
    store.account.tell(KeeperEvent(EventKind.SET, box="a", eggs=6, **told))  # type: ignore[arg-type]


def test_a_damaged_hour_of_readings_is_told_while_readings_and_notices_go_on(tmp_path: Path) -> None:
    course = Course(tmp_path)
    with http_sink() as sink:
        given = settings(channels=(Channel("hook", f"json://127.0.0.1:{sink.port}/"),))
        with course.service(given) as run:
            course.go(180)
            with run.app.parts.store.db.write() as c:
                assert c.execute("UPDATE chunk SET blob=zeroblob(20)").rowcount > 0
        with course.service(given) as run:
            told = course.go(40, warm=("a",))
            damaged = " ".join(f"the readings of {b}-t" for b in BOXES)
            assert told == [("check-failed", "raised", damaged), ("too-warm", "raised", "a")]
            assert run.app.parts.delivery.drain(60)
            assert {a.key.split("/")[0] for a in sink.taken} == {"check-failed", "too-warm"}
            assert "is damaged (not a chunk of readings)" in sink.taken[0].text


def test_where_nothing_can_be_looked_at_that_is_told_and_readings_are_stored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    course = Course(tmp_path)
    with http_sink() as sink:
        given = settings(channels=(Channel("hook", f"json://127.0.0.1:{sink.port}/"),))
        with course.service(given) as run:
            course.go(30)
            monkeypatch.setattr(run.app.parts.derived, "lots", lambda _: 1 / 0)
            monkeypatch.setattr(run.app.parts.derived, "of_boxes", lambda *_: 1 / 0)
            assert course.go(30, warm=("a",)) == [("check-failed", "raised", WHOLE)]
            assert run.app.parts.delivery.drain(60)
            assert ["ZeroDivisionError" in a.text for a in sink.taken] == [True]
            assert run.app.parts.store.readings.last_at()["a-t"] == course.now_ms
            monkeypatch.undo()
            told = [("check-failed", "cleared", WHOLE), ("too-warm", "raised", "a")]
            assert sorted(course.go(20, warm=("a",))) == told


def test_where_only_what_becomes_of_the_eggs_cannot_be_worked_out_limits_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    course = Course(tmp_path)
    with course.service(settings()) as run:
        course.go(30)
        monkeypatch.setattr(run.app.parts.derived, "lots", lambda _: 1 / 0)
        told = [("check-failed", "raised", WHOLE), ("too-warm", "raised", "a")]
        assert sorted(course.go(30, warm=("a",))) == told
        monkeypatch.undo()
        assert ("check-failed", "cleared", WHOLE) in (found := course.go(20, warm=("a",)))
        assert ("too-warm", "cleared", "a") not in found


def test_a_damaged_entry_is_told_and_limits_go_on_being_those_of_the_eggs(tmp_path: Path) -> None:
    """What lies in a box was known before: its limits stay those of its species, and it is told that it is too warm."""
    course = Course(tmp_path)
    with course.service(settings()) as run:
        set_in_a(run.app.parts.store, "elaphe-taeniura")
        course.go(30)
        before = run.app.round().snapshot.boxes[0]
        with run.app.parts.store.db.write() as c:
            c.execute("UPDATE event SET body='{' WHERE id=2")
        found = course.go(30, warm=("a",))
        assert ("check-failed", "raised", WHOLE) in found
        assert ("too-warm", "raised", "a") in found
        now = run.app.parts.derived.of_boxes(course.now_ms, Service(START_MS)).boxes[0]
        assert (now.limits, now.limits_from, now.occupied_by) == (before.limits, before.limits_from, before.occupied_by)


def test_that_notices_cannot_be_answered_is_told_also_where_nothing_can_be_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    course = Course(tmp_path)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        page = PagePlace(("127.0.0.1", taken.getsockname()[1]), "http://egg.room")
        with course.service(replace(settings(), page=page)) as run:
            wait_for(lambda: run.app.parts.ways_back.health() != Health(), "the trouble")
            monkeypatch.setattr(run.app.parts.derived, "lots", lambda _: 1 / 0)
            assert ("answers-blocked", "raised", "answers") in course.go(40)


def test_a_lot_whose_profile_is_gone_is_refused_and_its_box_watched(tmp_path: Path) -> None:
    course = Course(tmp_path)
    with course.service(settings()) as run:
        set_in_a(run.app.parts.store, "no-such-animal")
        assert ("too-warm", "raised", "a") in course.go(120, warm=("a",))
        (lot,) = run.app.round().snapshot.lots
        assert lot.refused


def test_damaged_sums_of_an_hour_stop_no_notice(tmp_path: Path) -> None:
    course = Course(tmp_path)
    with course.service(settings()) as run:
        set_in_a(run.app.parts.store, "elaphe-taeniura")
        course.go(240)
        with run.app.parts.store.db.write() as c:
            c.execute("UPDATE part SET development='damaged'")
    with course.service(settings()):
        found = course.go(120, warm=("b",))
    kinds = {kind for kind, _, _ in found}
    assert "too-warm" in kinds or "check-failed" in kinds, "it is told, one way or the other"


def test_a_box_that_is_taken_away_and_a_probe_that_is_renamed_end_what_stood_and_start_nothing(tmp_path: Path) -> None:
    course = Course(tmp_path)
    with course.service(settings()):
        assert ("too-warm", "raised", "a") in course.go(60, warm=("a",))
        assert ("probe-quiet", "raised", "b-t") in course.go(60, warm=("a",), silent=("b",))
    without = settings(("b", "c"))
    room = without.room
    renamed = replace(room, probes=tuple(replace(p, id=p.id.replace("b-t", "new-t")) for p in room.probes))
    with course.service(replace(without, room=renamed)) as run:
        told = course.go(60)
        assert sorted(told) == [("probe-quiet", "cleared", "b-t"), ("too-warm", "cleared", "a")]
        assert not [c for c in run.app.parts.store.ledger.conditions().values() if c.up]


def test_what_waited_for_a_channel_that_was_taken_away_comes_through_the_new_one(tmp_path: Path) -> None:
    course = Course(tmp_path)
    with http_sink(then="5") as dead, http_sink() as new:
        old = Channel("old", f"json://127.0.0.1:{dead.port}/", timeout_s=2.0)
        with course.service(settings(channels=(old,))) as run:
            course.go(30, warm=("a",))
            assert run.app.parts.delivery.drain(60)
        with course.service(settings(channels=(Channel("new", f"json://127.0.0.1:{new.port}/"),))) as run:
            assert run.app.parts.delivery.drain(60)
            assert "too-warm" in {a.key.split("/")[0] for a in new.taken}


@pytest.mark.parametrize("broken", [True, False])
def test_a_notice_that_cannot_be_routed_does_not_stop_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, broken: bool
) -> None:
    """A mistake in what one channel takes: the notice goes to every channel rather than to none."""

    real = vars(rounds)["routes"]

    def routes(notice, channels, *more):  # type: ignore[no-untyped-def]
        if broken and any(c.id == "odd" for c in channels):
            raise ZeroDivisionError("odd")
        return real(notice, channels, *more)

    monkeypatch.setattr(rounds, "routes", routes)
    course = Course(tmp_path)
    with http_sink() as good, http_sink() as odd:
        channels = tuple(Channel(n, f"json://127.0.0.1:{s.port}/") for n, s in (("good", good), ("odd", odd)))
        with course.service(settings(channels=channels)) as run:
            assert ("too-warm", "raised", "a") in course.go(30, warm=("a",))
            assert run.app.parts.delivery.drain(60)
        assert len(good.taken) == len(odd.taken) == 1


def test_what_no_new_start_can_mend_is_not_started_again_and_everything_else_is() -> None:
    unit = (PROJECT / "deploy" / "warmtally.service").read_text(encoding="utf-8")
    (line,) = [x for x in unit.splitlines() if x.startswith("RestartPreventExitStatus=")]
    codes = {int(x) for x in line.partition("=")[2].split()}
    assert codes == {e.exit_code for e in (UsageError, ConfigError, StoreNewer, SecretMissing)}
    # A full disk, a store that is in use or damaged, a broker that is away: tried again, for ever.
    assert codes.isdisjoint({StoreFull.exit_code, StoreLocked.exit_code, StoreCorrupt.exit_code, StoreError.exit_code})
    assert "\nRestart=always\n" in unit
    assert "\nStartLimitIntervalSec=0\n" in unit


def test_a_configuration_that_does_not_load_ends_the_start_with_its_code_and_every_mistake(tmp_path: Path) -> None:
    file = tmp_path / "room.toml"
    file.write_text('[room]\nname = "x"\nzone = "Nowhere/At-all"\n', encoding="utf-8")
    command = [sys.executable, "-m", "monitor", "run", "--config", str(file), "--data", str(tmp_path / "data")]
    done = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, timeout=MOMENT_S, check=False)
    assert done.returncode == ConfigError.exit_code
    assert "zone" in done.stderr
    assert not (tmp_path / "data").exists(), "nothing was begun"
