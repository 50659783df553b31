"""Forms of JSON of an overview of many rooms."""

from __future__ import annotations

from typing import Literal, TypedDict

from monitor.core.rooms.overview import Watch
from monitor.core.terms.settings import Urgency
from monitor.telling.forms import Moment


class RoomHandJson(TypedDict):
    """What needs a hand. Without a ``kind`` it is that the room itself is not watched, or not understood; ``old``: as
    the room last said. ``may_answer``: it can be answered from here."""

    room: str
    broker: str
    urgency: Urgency
    watch: Watch
    old: bool
    kind: str | None
    subjects: list[str]
    subjects_in_all: int
    since: Moment | None
    state: Literal["open", "back", "answered"] | None
    notice: int | None
    title: str | None
    first: str | None
    answered_by: str | None
    answered_at: Moment | None
    may_answer: bool


class RoomsBoxJson(TypedDict):
    """A box of a room. ``temperature_c`` is of now, or null; ``last_c`` with its time is the newest that is known."""

    box: str
    stack: str
    temperature_c: float | None
    estimated: bool
    last_c: float | None
    last_at: Moment | None
    conditions: list[str]


class RoomNowJson(TypedDict):
    """A room. ``word``: its last word; ``since``: since when it is down or cut off, where that was heard;
    ``clock_off_s``: its clock is behind by so much; ``trouble``: why what it says cannot be read."""

    room: str
    broker: str
    name: str | None
    watch: Watch
    word: Moment | None
    since: Moment | None
    clock_off_s: int
    trouble: str | None
    version: str | None
    page: str | None
    newest_reading: Moment | None
    needs_in_all: int
    boxes: list[RoomsBoxJson]
    boxes_unread: int


class RoomsHatchJson(TypedDict):
    """Eggs that are expected: 8 chances in 10 between ``p10`` and ``p90``; ``old``: as the room last said."""

    room: str
    broker: str
    box: str
    lot: str
    waiting: int
    pipped: int
    p10: Moment
    p50: Moment
    p90: Moment
    wait_until: Moment | None
    old: bool


class OverviewJson(TypedDict):
    """All rooms of one moment. ``left_out``: topics that were not looked at; ``troubles``: broker -> why it is not
    heard."""

    as_of: Moment
    needs: list[RoomHandJson]
    rooms: list[RoomNowJson]
    hatching: list[RoomsHatchJson]
    left_out: int
    troubles: dict[str, str]
