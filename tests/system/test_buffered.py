"""Probes that keep their readings while the network is away, and give them back in any order, over a real broker."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.service.start import RoomService
from tests.core.lots import past_of
from tests.shed import MINUTE, START, Shed, reading, shed, told

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("buffered")

Message = tuple[str, object]
GONE, BACK, END = 30, 150, 190
# Where nothing begins or ends, a round is made in each so many minutes only.
SELDOM = 10
BOXES = ("low", "top")


def low_c(minute: float) -> float:
    """Too cool for an hour while nobody hears of it, as slowly as a box goes."""
    fallen, risen = ((minute - begin) * 4.0 / 45.0 for begin in (31, 100))
    return 28.0 - min(max(fallen, 0.0), 4.0) + min(max(risen, 0.0), 4.0)


def steady_c(minute: float) -> float:
    return 28.0 + 0.01 * (minute % 7)


def kept(box: str, course: Callable[[float], float], minutes: Iterable[int]) -> list[Message]:
    return [(box, reading(m, course(m))) for m in minutes]


def oldest_first(messages: list[Message]) -> list[list[Message]]:
    return [messages]


def newest_first(messages: list[Message]) -> list[list[Message]]:
    return [messages[::-1]]


def shuffled(messages: list[Message]) -> list[list[Message]]:
    return [messages[::3] + messages[1::3][::-1] + messages[2::3]]


def a_few_a_minute(messages: list[Message]) -> list[list[Message]]:
    """Over six minutes, the newest first."""
    back = messages[::-1]
    return [back[k::6] for k in range(6)]


def a_few_a_minute_from_the_oldest(messages: list[Message]) -> list[list[Message]]:
    size = -(-len(messages) // 6)
    return [messages[k * size : (k + 1) * size] for k in range(6)]


def after_a_while(messages: list[Message]) -> list[list[Message]]:
    """First only what is measured now, so that the present is judged before the past is known."""
    return [[], [], [], messages[::-1]]


def in_batches(messages: list[Message]) -> list[list[Message]]:
    """Three lists of readings, the middle one first."""
    readings = [content for _, content in messages]
    parts = [readings[40:80], readings[:40], readings[80:]]
    return [[(messages[0][0], {"gathered": part})] for part in parts]


# At once, in parts, and after a while; each other order that is written here is played by one of the tests below.
ORDERS = (shuffled, a_few_a_minute, after_a_while)
Order = Callable[[list[Message]], list[list[Message]]]


def eggs(app: RoomService) -> None:
    told = {"clutch": "K01", "at_ms": START, "recorded_ms": START}
    app.parts.store.account.tell(KeeperEvent(EventKind.LAID, species="elaphe-taeniura", eggs=6, **told))  # type: ignore[arg-type]
    app.parts.store.account.tell(KeeperEvent(EventKind.SET, box="low", eggs=6, **told))  # type: ignore[arg-type]


def sums(app: RoomService) -> tuple[float, float]:
    (lot,) = app.parts.derived.lots(app.parts.now_ms())
    return past_of(lot).development, past_of(lot).degree_days


def live(minute: int, courses: dict[str, Callable[[float], float]], wrap: bool) -> list[Message]:
    readings = [(box, reading(minute, course(minute))) for box, course in courses.items()]
    return [(box, {"gathered": [r]}) for box, r in readings] if wrap else list(readings)


def play(
    room: Shed,
    order: Order | None,
    courses: dict[str, Callable[[float], float]],
    away: Sequence[str] = BOXES,
) -> tuple[float, float]:
    """The whole course; ``order`` None: all of it live. Who is ``away`` gives back what was kept from BACK on."""
    wrap = order is in_batches
    if wrap:
        probes = tuple(replace(p, list_pointer="/gathered") for p in room.given.room.probes)
        room.given = replace(room.given, room=replace(room.given.room, probes=probes))
    with room.service(0) as app:
        eggs(app)
        parts: list[list[Message]] = []
        for minute in range(END):
            gone = order is not None and GONE <= minute < BACK
            heard = {b: c for b, c in courses.items() if not (gone and b in away)}
            messages = live(minute, heard, wrap)
            if order is not None and minute == BACK:
                by_box = [order(kept(box, courses[box], range(GONE, BACK))) for box in away]
                parts = [[m for box in by_box for m in (box[k] if k < len(box) else [])] for k in range(len(by_box[0]))]
            if minute >= BACK and parts:
                # The live reading of the moment comes in the middle of what was kept.
                some = parts.pop(0)
                messages = some[: len(some) // 2] + messages + some[len(some) // 2 :]
            busy = order is not None and (GONE <= minute < GONE + 40 or minute >= BACK - 1)
            room.tell(app, minute, messages, with_round=busy or minute % SELDOM == 0)
        return sums(app)


@pytest.fixture(scope="module")
def as_live(tmp_path_factory: pytest.TempPathFactory) -> tuple[float, float]:
    with shed(tmp_path_factory.mktemp("live")) as room:
        found = play(room, None, {"low": low_c, "top": steady_c})
        assert told(room.notices) == [("too-cool", "raised", "low"), ("too-cool", "cleared", "low")]
        return found


@pytest.mark.parametrize("order", [*ORDERS, in_batches], ids=lambda o: o.__name__)
def test_a_room_that_was_away_and_gives_its_readings_back_is_told_once_of_each(
    tmp_path: Path, order: Order, as_live: tuple[float, float]
) -> None:
    with shed(tmp_path) as room:
        found = play(room, order, {"low": low_c, "top": steady_c})
    assert sorted(told(room.notices)) == [
        ("room-quiet", "cleared", "shed"),
        ("room-quiet", "raised", "shed"),
        ("too-cool", "cleared", "low"),
    ]
    limit = next(n for n in room.notices if n.kind == "too-cool")
    assert "Too cool from Thu 07:00 to Thu 08:00" in limit.text
    end = next(n for n in room.notices if (n.kind, n.change) == ("room-quiet", "cleared"))
    assert "Nothing was heard from 06:29 to 08:30 (2 h 01 min)" in end.text
    assert "Box low: 28.0 °C before, lowest 24.0 °C at 07:16, 4.0 °C cooler" in end.whole
    assert found == pytest.approx(as_live, rel=1e-9)


@pytest.mark.parametrize("order", [newest_first, a_few_a_minute], ids=lambda o: o.__name__)
def test_one_probe_that_was_away_is_told_as_quiet_once_and_its_limit_afterwards(
    tmp_path: Path, order: Order, as_live: tuple[float, float]
) -> None:
    with shed(tmp_path) as room:
        found = play(room, order, {"low": low_c, "top": steady_c}, away=("low",))
    assert sorted(told(room.notices)) == [
        ("probe-quiet", "cleared", "low-t"),
        ("probe-quiet", "raised", "low-t"),
        ("too-cool", "cleared", "low"),
    ]
    assert found == pytest.approx(as_live, rel=1e-9)


@pytest.mark.parametrize("order", [a_few_a_minute_from_the_oldest], ids=lambda o: o.__name__)
def test_readings_within_the_limits_bring_no_notice_but_the_silence(tmp_path: Path, order: Order) -> None:
    with shed(tmp_path) as room:
        play(room, order, {"low": steady_c, "top": steady_c})
    assert told(room.notices) == [("room-quiet", "raised", "shed"), ("room-quiet", "cleared", "shed")]


def still_cool_c(minute: float) -> float:
    """Too cool since long before its probe is heard again, and for good."""
    return 28.0 - min(max((minute - 31) * 4.0 / 45.0, 0.0), 4.0)


@pytest.mark.parametrize("order", [oldest_first], ids=lambda o: o.__name__)
def test_what_is_still_so_is_told_as_so_and_since_when_it_was(tmp_path: Path, order: Order) -> None:
    with shed(tmp_path) as room:
        play(room, order, {"low": still_cool_c, "top": steady_c}, away=("low",))
    (limit,) = [n for n in room.notices if n.kind == "too-cool"]
    assert limit.change == "raised"
    assert "since Thu 07:00" in limit.text
    assert limit.at_ms <= START + (BACK + 5) * MINUTE
