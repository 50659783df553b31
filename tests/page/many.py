"""Several invented rooms at a broker, for pages of an overview: watched and not, hostile and of a newer version."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from monitor.adapters.mqtt import rooms
from monitor.adapters.mqtt.rooms_seen import RoomsSeen
from monitor.core.terms.settings import Broker, OverviewSettings, PagePlace, RoomsAt
from monitor.core.terms.times import DAY_MS, HOUR_MS, MINUTE_MS
from monitor.telling.as_json import utc
from tests.adapters.mqtt.test_rooms import Speaker
from tests.bench.stepped import Clock
from tests.page.rooms import NOW_MS
from tests.peers import mosquitto, wait_for

LONG: Final = "rack-by-the-window-of-the-long-shelf-of-the-long-shelf-of-the-1"


def need(number: int, kind: str = "too-warm", urgency: str = "now", **more: Any) -> dict[str, Any]:
    told = {"urgency": urgency, "kind": kind, "subjects": ["low"], "subjects_in_all": 1, "state": "open",
            "told": number, "since": utc(NOW_MS - 40 * MINUTE_MS), "notice": number, "title": f"{kind}: box low",
            "first": "Go now: heater off at the plug, lid up a little, no sudden cold."}  # fmt: skip
    return told | more


def box(
    speaker: Speaker, room: str, name: str, value: float | None, *lots: tuple[str, int], at_ms: int = NOW_MS
) -> None:
    eggs = [
        {"lot": f"{clutch}/{name}", "eggs": 6, "waiting": 5, "pipped": 1, "wait_until": None, "development_pct": 90.0,
         "first_pip": {p: utc(NOW_MS + day * DAY_MS + k * DAY_MS) for k, p in enumerate(("p10", "p50", "p90"))}}
        for clutch, day in lots
    ]  # fmt: skip
    told = {"v": 1, "as_of": utc(at_ms), "stack": "left", "height_cm": 100, "temperature_c": value, "last_c": 28.2,
            "temperature_at": utc(at_ms), "last_at": utc(at_ms), "too_cool_c": 25.0, "too_warm_c": 31.0, "eggs": eggs}  # fmt: skip  # noqa: E501
    speaker.say(f"{room}/warmtally/box/{name}", json.dumps(told))


def usual(speaker: Speaker) -> None:
    """Eight rooms: one with everything, one that is down, silent, never heard, newer, unreadable, of long names."""
    answered: dict[str, Any] = {
        "state": "answered",
        "notice": None,
        "answered_by": "anna, on the page",
        "answered_at": utc(NOW_MS - HOUR_MS),
    }
    speaker.room(
        "attic", NOW_MS, page="http://attic.local:8480", needs_in_all=3,
        needs=[need(12), need(9, "probe-quiet", "today"), need(8, "battery-low", "later"),
               need(7, "too-cool", **answered)],
    )  # fmt: skip
    box(speaker, "attic", "low", 32.0, ("K01", 2), ("K02", 9))
    box(speaker, "attic", "top", 28.4, ("K01", 3))
    speaker.room("barn", NOW_MS - 30 * MINUTE_MS, status="gone", needs=[need(3, "room-quiet")])
    box(speaker, "barn", "low", 27.9, ("K07", 1), at_ms=NOW_MS - 30 * MINUTE_MS)
    speaker.room("cellar", NOW_MS - 3 * HOUR_MS)
    box(speaker, "cellar", "low", 27.0, ("K05", 20), at_ms=NOW_MS - 3 * HOUR_MS)
    speaker.room("den", NOW_MS, v=2)
    speaker.say("eaves/warmtally/room", b"\xff")
    name = LONG[:62]
    speaker.room(name, NOW_MS, room="W" * 60, needs=[need(4, "k" * 60, subjects=["W" * 60] * 6, subjects_in_all=900)])
    box(speaker, name, name, 28.0, ("M" * 60, 4))
    speaker.say(f"{name}/warmtally/box/bad", "{}")


@contextmanager
def many_rooms(folder: Path, *, speak: Any = usual) -> Iterator[tuple[RoomsSeen, Speaker]]:
    """An overview of rooms at a real broker."""
    rooms.SETTLED_S = 0.2  # type: ignore[misc]
    with mosquitto(folder / "broker") as broker:
        speaker = Speaker(broker.port)
        speak(speaker)
        at = RoomsAt("house", Broker(port=broker.port), expected=("attic", "garden") if speak is usual else ())
        settings = OverviewSettings("Many rooms", "Europe/Vienna", (at,), PagePlace(), str(folder / "seen"))
        seen = RoomsSeen(settings, Clock(NOW_MS), keep=True)
        seen.open()
        try:
            wait_for(lambda: seen.settled, "what stands there")
            # What stands there comes in any order, and slowly where much else is done.
            boxes = 5 if speak is usual else 0
            wait_for(lambda: sum(len(x.heard.boxes) for x in seen.look().rooms) >= boxes, "all boxes")
            yield seen, speaker
        finally:
            seen.close()
            speaker.close()
