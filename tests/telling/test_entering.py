"""From words to entries and back: times, boxes, looks, and what may not be told."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.settings import Box, Broker, Room, Settings
from monitor.core.terms.times import HOUR_MS, MINUTE_MS
from monitor.errors import EventRefused, MonitorError, UnknownSubject, UsageError
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.entering import AHEAD_MS, correction_of, entry_of, looked_at, past_time, sentence, standing
from monitor.telling.times_told import time_told

_K = EventKind
NOW = round(datetime(2026, 6, 1, 6, 30, tzinfo=UTC).timestamp() * 1000)
EAST = timezone(timedelta(hours=2))


@pytest.fixture
def room(tmp_path: Path) -> Iterator[RoomAtHand]:
    boxes = Box("upper", "left", 150.0), Box("lower", "left", 60.0)
    settings = Settings(Room("room", "UTC", "C", ("left",), boxes, ()), Broker(), data_dir=str(tmp_path))
    with Store(tmp_path) as store:
        for n, event in enumerate(
            (
                KeeperEvent(_K.LAID, "K01", NOW - 90 * HOUR_MS, NOW, eggs=6, species="natrix-natrix"),
                KeeperEvent(_K.SET, "K01", NOW - 80 * HOUR_MS, NOW, box="upper", eggs=4),
                KeeperEvent(_K.SET, "K01", NOW - 80 * HOUR_MS, NOW, box="lower", eggs=2),
            ),
            1,
        ):
            assert store.account.tell(event).id == n
        yield RoomAtHand(settings, store)


@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("now", NOW),
        ("30 min ago", NOW - 30 * MINUTE_MS),
        ("2 h ago", NOW - 2 * HOUR_MS),
        # Half past six UTC is half past eight here.
        ("08:00", NOW - 30 * MINUTE_MS),
        ("yesterday 20:00", NOW - 12 * HOUR_MS - 30 * MINUTE_MS),
        ("2026-06-01T06:00", NOW - 150 * MINUTE_MS),
    ],
)
def test_times_are_of_the_zone_and_of_the_moment_at_which_they_were_told(text: str, at: int) -> None:
    assert time_told(text, EAST, NOW) == (at, False)


def test_what_lies_in_the_future_is_refused_but_for_a_clock_that_is_a_little_off() -> None:
    assert past_time("08:34", EAST, NOW) == (NOW + 4 * MINUTE_MS, False)
    assert 4 * MINUTE_MS < AHEAD_MS < 6 * MINUTE_MS
    with pytest.raises(EventRefused, match="lies in the future"):
        past_time("08:36", EAST, NOW)
    # A day stands for its noon, which of today may still come.
    assert past_time("2026-06-01", EAST, NOW) == (NOW + 210 * MINUTE_MS, True)
    with pytest.raises(EventRefused):
        past_time("2026-06-02", EAST, NOW)


@pytest.mark.parametrize(
    ("kind", "told", "refused"),
    [
        (_K.PIPPED, {"box": "attic"}, UnknownSubject),
        (_K.MOVED, {"box": "upper", "to": "attic"}, UnknownSubject),
        (_K.SET, {"box": "K01/upper"}, UnknownSubject),
        (_K.NOTE, {}, UsageError),
        (_K.LAID, {"developed": "90%"}, UsageError),
        (_K.PIPPED, {"at": "breakfast"}, UsageError),
    ],
)
def test_what_cannot_be_told_is_refused(
    room: RoomAtHand, kind: EventKind, told: dict[str, str], refused: type[MonitorError]
) -> None:
    with pytest.raises(refused):
        entry_of(kind, {"clutch": "K01", **told}, room, NOW)


def test_an_entry_says_what_was_told_and_nothing_more(room: RoomAtHand) -> None:
    told = {"clutch": "K01", "box": "K01/upper", "eggs": 2, "at": "1 h ago", "not_yet_at": "3 h ago", "by": "Ada"}
    event = entry_of(_K.PIPPED, told, room, NOW)
    assert event == KeeperEvent(
        _K.PIPPED, "K01", NOW - HOUR_MS, NOW, box="K01/upper", eggs=2, not_yet_at_ms=NOW - 3 * HOUR_MS, by="Ada"
    )
    assert sentence(event, EAST) == (
        "K01 pipped, 2026-06-01 07:30, 2 eggs, box K01/upper, not yet at 2026-06-01 05:30, by Ada"
    )
    assert sentence(event, EAST, dated=False).startswith("pipped, 2 eggs")


def test_a_look_is_at_every_box_in_which_eggs_are_waited_for(room: RoomAtHand) -> None:
    room.store.account.tell(KeeperEvent(_K.HATCHED, "K01", NOW - HOUR_MS, NOW, box="lower", eggs=2))
    look = entry_of(_K.LOOKED, {}, room, NOW)
    assert [e.box for e in looked_at(look, room.store.account.clutches(NOW - 2 * HOUR_MS))] == [
        "K01/upper",
        "K01/lower",
    ]
    assert [e.box for e in looked_at(look, room.store.account.clutches(NOW))] == ["K01/upper"]
    lower = entry_of(_K.LOOKED, {"box": "lower"}, room, NOW)
    assert looked_at(lower, room.store.account.clutches(NOW)) == []


def test_a_correction_keeps_what_is_not_told(room: RoomAtHand) -> None:
    new = correction_of(2, {"eggs": 3, "note": "counted again", "by": "Ada"}, room, NOW)
    assert (new.corrects, new.eggs, new.box, new.text, new.by) == (2, 3, "upper", "counted again", "Ada")
    room.store.account.tell(new)
    assert (standing(2, room).eggs, standing(2, room).box) == (3, "upper")
    with pytest.raises(UsageError, match="nothing to correct"):
        correction_of(2, {"by": "Ada"}, room, NOW)
    room.store.account.tell(correction_of(2, {}, room, NOW, withdraw=True))
    with pytest.raises(UnknownSubject, match="no standing entry 2"):
        standing(2, room)
