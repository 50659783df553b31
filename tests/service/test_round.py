"""The round: what gets a sign of life and what does not, and which readings are committed at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.config.zones import zone_of
from monitor.core.notices.kinds.checks import WHOLE
from monitor.core.notices.snapshot import BoxNow, Service, Snapshot
from monitor.core.terms.events import Reading
from monitor.core.terms.settings import Box, Broker, Limits, Probe, Room, Settings
from monitor.core.terms.times import HOUR_MS, MINUTE_MS
from monitor.errors import StoreError
from monitor.service.parts import LastRound
from monitor.service.round import Round
from monitor.service.start import RoomService
from monitor.service.watchers import Heartbeat, Notifier
from tests.peers import free_port

START_MS = 1_790_000_000_000
LIMITS = Limits(too_warm_c=31.0, too_cool_c=26.0, deadband_c=0.3)
PROBE = Probe("a-t", "room/a", box="a")
ROOM = Room("shed", "UTC", "C", ("left",), (Box("a", "left", 100.0),), (PROBE,), limits=LIMITS)


class Signs(Notifier):
    """Counts the signs of life for the service manager."""

    def __init__(self) -> None:
        super().__init__({})
        self.count = 0

    def round_done(self) -> None:
        self.count += 1


class Watch:
    """A service whose broker is not there, and its rounds one by one."""

    def __init__(self, service: RoomService, clock: list[int]) -> None:
        self.service, self.clock, self.signs = service, clock, Signs()
        self.round = Round(replace(service.parts, notifier=self.signs))

    def go(self) -> int:
        """One round a minute later; how many signs of life it gave."""
        self.clock[0] += MINUTE_MS
        before = self.signs.count
        try:
            self.round.once()
        finally:
            self.gave = self.signs.count - before
        return self.gave


@pytest.fixture
def watch(tmp_path: Path) -> Iterator[Watch]:
    clock = [START_MS]
    given = Settings(ROOM, Broker(port=free_port()), (), data_dir=str(tmp_path / "data"))
    service = RoomService(given, now_ms=lambda: clock[0])
    try:
        yield Watch(service, clock)
    finally:
        service.stop()


def breaking(error: Exception) -> Callable[..., object]:
    def broken(*_: object, **__: object) -> object:
        raise error

    return broken


@pytest.mark.parametrize("part", ["of_boxes", "whole"])
def test_only_a_round_that_could_look_at_the_boxes_feeds_the_watchdog(
    watch: Watch, monkeypatch: pytest.MonkeyPatch, part: str
) -> None:
    assert watch.go() == 1
    monkeypatch.setattr(watch.service.parts.derived, part, breaking(ZeroDivisionError()))
    assert [watch.go() for _ in range(5)] == [0] * 5
    assert ("check-failed", WHOLE) in watch.service.parts.store.ledger.conditions()
    monkeypatch.undo()
    assert watch.go() == 1


def test_a_round_that_cannot_be_written_down_feeds_it_only_where_the_boxes_could_be_looked_at(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = StoreError("the disk is full")
    monkeypatch.setattr(watch.service.parts.store.ledger, "commit", breaking(full))
    watch.clock[0] += 2 * HOUR_MS  # long enough for a silent probe to be told
    with pytest.raises(StoreError):
        watch.go()
    assert watch.gave == 1
    monkeypatch.setattr(watch.service.parts.derived, "follow", breaking(full))
    for _ in range(3):
        with pytest.raises(StoreError):
            watch.go()
        assert watch.gave == 0


def test_the_outside_heartbeat_is_not_fed_while_the_boxes_cannot_be_looked_at(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls = []

    class Beat(Heartbeat):
        def __init__(self) -> None:
            pass

        def status(self) -> None:  # type: ignore[override]
            return None

        def round_done(self) -> None:
            calls.append(watch.clock[0])

    up = replace(watch.service.parts.intake.link(), state="up")
    monkeypatch.setattr(watch.service.parts.intake, "link", lambda: up)
    watch.round = Round(replace(watch.service.parts, notifier=watch.signs, heartbeat=Beat()))
    watch.go()
    assert len(calls) == 1
    monkeypatch.setattr(watch.service.parts.derived, "lots", breaking(ZeroDivisionError()))
    for _ in range(3):
        watch.go()
    assert len(calls) == 1


@pytest.mark.parametrize("correction", [0.0, -0.7, 1.2])
@pytest.mark.parametrize(
    ("box_c", "urgent"),
    [(30.6, False), (30.69, False), (30.71, True), (31.5, True), (26.4, False), (26.29, True), (25.0, True)],
)
def test_a_reading_within_the_deadband_of_a_limit_or_beyond_it_is_committed_at_once(
    box_c: float, urgent: bool, correction: float
) -> None:
    probe = replace(PROBE, correction=correction)
    room = replace(ROOM, probes=(probe,))
    box = BoxNow(ROOM.boxes[0], LIMITS, "", np.empty(0, np.int64), np.empty(0), 0.0, "")
    last = LastRound()
    raw_c = box_c - correction
    assert not last.urgent(Reading("a-t", START_MS, raw_c, START_MS)), "nothing is known of limits before a round"
    last.see(Snapshot(START_MS, room, zone_of("UTC"), Service(START_MS), boxes=(box,)))
    assert last.urgent(Reading("a-t", START_MS, raw_c, START_MS)) is urgent
    assert not last.urgent(Reading("another", START_MS, raw_c, START_MS))


def test_an_orderly_stop_says_so_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO", "warmtally")
    given = Settings(ROOM, Broker(port=free_port()), (), data_dir=str(tmp_path / "data"))
    service = RoomService(given, now_ms=lambda: START_MS)
    service.stop()
    service.stop()
    said = [r.getMessage() for r in caplog.records if "stop" in r.getMessage()]
    assert [s.split()[0] for s in said] == ["stopping,", "stopped"]
