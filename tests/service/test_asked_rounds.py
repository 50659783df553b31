"""A reading that comes near a limit asks for a round; one that stays there, or sways about it, does not each time."""

from __future__ import annotations

import threading
import time
from types import SimpleNamespace
from typing import cast

import pytest

from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.events import Reading
from monitor.service import parts, start
from monitor.service.parts import LastRound, ServiceParts
from monitor.service.start import RoomService


class Clock:
    now_s = 100.0

    def monotonic(self) -> float:
        return self.now_s


@pytest.fixture
def last(monkeypatch: pytest.MonkeyPatch) -> LastRound:
    made = LastRound()
    monkeypatch.setattr(parts, "_near_limits", lambda _snapshot: {"p1": (26.0, 30.0), "p2": (26.0, 30.0)})
    made.see(cast(Snapshot, None))
    return made


def came(last: LastRound, value: float, probe: str = "p1") -> bool:
    """Whether a reading, once it is stored, asks for a round."""
    last.asked.clear()
    last.urgent(Reading(probe, 0, value, 0))
    assert not last.asked.is_set()
    last.kept()
    return last.asked.is_set()


def test_a_round_is_asked_for_when_a_probe_comes_near_a_limit_and_not_while_it_stays(
    last: LastRound, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = Clock()
    monkeypatch.setattr(parts, "time", clock)
    assert not came(last, 28.0)
    assert came(last, 30.5)
    clock.now_s += 60
    assert not came(last, 30.6)
    assert came(last, 25.0, "p2")
    clock.now_s += 60
    assert not came(last, 28.0)
    assert came(last, 30.5)


def test_probes_that_sway_about_a_limit_ask_seldom_and_none_is_forgotten(
    last: LastRound, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = Clock()
    monkeypatch.setattr(parts, "time", clock)
    asked = 0
    for _ in range(100):
        for value in (28.0, 30.5):
            asked += came(last, value)
            clock.now_s += 0.05
    assert asked <= 1 + 10.0 / parts.ASKED_APART_S
    clock.now_s += parts.ASKED_APART_S
    assert came(last, 30.5, "p2")


def waited(last: LastRound, monkeypatch: pytest.MonkeyPatch, due_s: float) -> bool:
    """Whether the time between two rounds ended before the next was due."""
    monkeypatch.setattr(start, "LEAST_APART_S", 3600.0)
    service = RoomService.__new__(RoomService)
    service.parts = cast(ServiceParts, SimpleNamespace(last=last))
    due = time.monotonic() + due_s
    service._wait(threading.Event(), due)
    return time.monotonic() < due


def test_a_reading_near_a_limit_waits_for_no_least_time_between_rounds_and_a_page_does(
    last: LastRound, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert came(last, 30.5)
    assert waited(last, monkeypatch, 3600.0)
    assert not last.asked.is_set()
    last.asked.set()
    assert not waited(last, monkeypatch, 0.4)
    # A page asked first, and then a reading came.
    last.asked.set()

    def pressed() -> None:
        last.pressing = True
        last.asked.set()

    threading.Timer(0.1, pressed).start()
    assert waited(last, monkeypatch, 3600.0)
    # What was pressing is so once.
    last.asked.set()
    assert not waited(last, monkeypatch, 0.4)


def test_a_stop_ends_the_wait(last: LastRound, monkeypatch: pytest.MonkeyPatch) -> None:
    service = RoomService.__new__(RoomService)
    service.parts = cast(ServiceParts, SimpleNamespace(last=last))
    stop = threading.Event()
    threading.Timer(0.1, stop.set).start()
    last.asked.set()
    monkeypatch.setattr(start, "LEAST_APART_S", 3600.0)
    service._wait(stop, time.monotonic() + 3600.0)
    assert stop.is_set()
