"""All rooms at a glance: which of them are watched now, what needs a hand first, and what will hatch.

Nothing here is worked out anew: a room knows best. Judged is only how far what was said is still true. A room says its
state again every five minutes at least, so one that has not for eleven is silent, whatever its last word was; a will
says at once that it is down. Moments in messages are of the room's clock. Where that goes wrong by more than two
minutes the moment counts for nothing until two messages, a minute apart or more, have come at the pace of both clocks:
then it is known by how much it is off. What a broker or a bridge hands on late comes at no such pace.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field, replace
from types import MappingProxyType
from typing import Final, Literal

from monitor.core.rooms.said import BoxSaid, EggsSaid, NeedSaid, RoomSaid
from monitor.core.terms.settings import URGENCIES, Urgency
from monitor.values import dataclass

SAID_AGAIN_MS: Final = 300_000
"""What has not changed is said again after so long, so that whoever reads it knows by its moment that it is watched."""
SILENT_MS: Final = 2 * SAID_AGAIN_MS + 60_000
"""So old the newest word may be. One that was lost on the way alarms nobody."""
CLOCK_MS: Final = 120_000
"""So far apart clocks may be that nobody set. Judgement, no source."""
_PACED_MS: Final = 60_000
_SLACK_MS: Final = 30_000

Watch = Literal["here", "down", "silent", "unclear", "cut-off"]
"""Of a room. ``here``: watched, and what it said is of now; ``down``: the broker says that it is gone, or its line;
``silent``: nothing was heard for too long, or never; ``unclear``: what it says cannot be read; ``cut-off``: this
program has no line to the broker."""


@dataclass(frozen=True, slots=True)
class ClockPace:
    """How a room's clock goes beside ours. ``offset_ms``: to be added to its moments; 0 until it was measured."""

    said_ms: int = 0
    received_ms: int = 0
    offset_ms: int = 0

    def follow(self, said_ms: int, received_ms: int) -> ClockPace:
        """After a message that was not retained, in the order of their coming."""
        if abs(received_ms - said_ms) <= CLOCK_MS:
            return ClockPace(said_ms, received_ms)
        passed_ms, said_on_ms = received_ms - self.received_ms, said_ms - self.said_ms
        if self.received_ms and passed_ms >= _PACED_MS and abs(passed_ms - said_on_ms) <= _SLACK_MS:
            return ClockPace(said_ms, received_ms, received_ms - said_ms)
        if self.received_ms and 0 <= passed_ms < _PACED_MS and 0 <= said_on_ms <= passed_ms + _SLACK_MS:
            return self
        return ClockPace(said_ms, received_ms)


@dataclass(frozen=True, slots=True)
class RoomHeard:
    """What stands at a broker of one room, as far as it could be read. ``id``: by its topic, which is all that is
    believed of who speaks.

    ``gone``: the will, or the end of the bridge's line; ``gone_ms``: when that was heard, None where it stood there
    already. ``trouble``: why its message cannot be read, ``newer``: because it is of a newer form.
    """

    id: str
    broker: str
    said: RoomSaid | None = None
    gone: Literal["", "service", "line"] = ""
    gone_ms: int | None = None
    trouble: str = ""
    newer: bool = False
    boxes: tuple[BoxSaid, ...] = ()
    boxes_unread: int = 0
    pace: ClockPace = ClockPace()
    codes: Mapping[int, str] = field(default_factory=lambda: MappingProxyType({}), repr=False)
    cut_off_ms: int | None = None

    @property
    def key(self) -> str:
        """One room of all brokers: by one id at two of them two rooms are meant, for each broker has its own rights."""
        return f"{self.broker}/{self.id}"


@dataclass(frozen=True, slots=True)
class RoomNow:
    """A room of now. ``word_ms``: its last word, by our clock, as far as that is known; ``since_ms``: since when it is
    down or cut off, where that was heard; ``clock_off_ms``: its clock is behind by so much (negative: ahead)."""

    heard: RoomHeard
    watch: Watch
    word_ms: int | None
    since_ms: int | None = None
    clock_off_ms: int = 0
    clock_unsure: bool = False

    @property
    def id(self) -> str:
        return self.heard.id

    @property
    def name(self) -> str:
        """The room's own name, empty where it is the id; it may be that of another, so it never stands without it."""
        name = self.heard.said.name if self.heard.said is not None else ""
        return "" if name.casefold() == self.id.casefold() else name

    def ours(self, at_ms: int | None) -> int | None:
        """A moment of the room's clock by ours."""
        return None if at_ms is None else at_ms + self.clock_off_ms

    def true_now(self, box: BoxSaid, now_ms: int) -> bool:
        """Whether what a box's message says may be called true now."""
        age_ms = now_ms - box.at_ms - self.clock_off_ms
        return self.watch == "here" and not self.clock_unsure and -CLOCK_MS <= age_ms <= SILENT_MS


@dataclass(frozen=True, slots=True)
class HandNow:
    """Something that needs a hand in a room: what the room says, or (``need`` None) that the room itself is not watched
    or not understood."""

    room: RoomNow
    urgency: Urgency
    need: NeedSaid | None = None

    @property
    def old(self) -> bool:
        """Whether it is as the room last said, and nobody knows whether it is still so."""
        return self.need is not None and self.room.watch != "here"

    @property
    def code(self) -> str:
        """What answers it at the room's answer topic; empty where nothing does."""
        need, said = self.need, self.room.heard.said
        if need is None or need.notice is None or need.state != "open" or said is None or self.room.watch == "cut-off":
            return ""
        return str(need.notice) if said.answers == "number" else self.room.heard.codes.get(need.notice, "")


@dataclass(frozen=True, slots=True)
class HatchNow:
    """Eggs that are expected: a row of the calendar of all rooms."""

    room: RoomNow
    box: BoxSaid
    eggs: EggsSaid
    window: tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class OverviewNow:
    """All rooms of one moment: what needs a hand, the rooms by their id, and the calendar. ``left_out``: how many rooms
    more than may be spoke, or spoke on a topic that names none."""

    at_ms: int
    hands: tuple[HandNow, ...]
    rooms: tuple[RoomNow, ...]
    hatching: tuple[HatchNow, ...]
    left_out: int = 0

    def foremost(self, of_one: int) -> list[HandNow]:
        """What needs a hand, so many of one room at most: none of them pushes the others out of sight."""
        counted: Counter[str] = Counter()
        found = []
        for hand in self.hands:
            counted[hand.room.heard.key] += 1
            if counted[hand.room.heard.key] <= of_one:
                found.append(hand)
        return found

    def room(self, key: str) -> RoomNow | None:
        """The room of that key, or of that id where only one has it."""
        found = [x for x in self.rooms if key in (x.heard.key, x.id)]
        return found[0] if len(found) == 1 else None


def judge(heard: RoomHeard, now_ms: int) -> RoomNow:
    """How far what was heard of a room is true at a moment."""
    said, offset_ms = heard.said, heard.pace.offset_ms
    word_ms = None if said is None else said.at_ms + offset_ms
    # A moment to come tells nothing of how old the word is; what came by itself was said when it came.
    unsure = word_ms is not None and word_ms > now_ms + CLOCK_MS
    if unsure:
        word_ms = heard.pace.received_ms or None
    now = RoomNow(heard, "here", word_ms, clock_off_ms=offset_ms, clock_unsure=unsure)
    if heard.cut_off_ms is not None:
        return replace(now, watch="cut-off", since_ms=heard.cut_off_ms)
    if heard.gone:
        return replace(now, watch="down", since_ms=heard.gone_ms)
    if heard.trouble:
        return replace(now, watch="unclear")
    if word_ms is None or unsure or now_ms - word_ms > SILENT_MS:
        return replace(now, watch="silent")
    return now


_BROKEN: Final[Mapping[Watch, Urgency]] = {"down": "now", "silent": "now", "cut-off": "now", "unclear": "today"}


def overview(heard: Iterable[RoomHeard], now_ms: int, left_out: int = 0) -> OverviewNow:
    """All rooms at a moment: what nobody has answered before what somebody sees to, the most urgent and the oldest
    first; of one urgency a room that nobody watches before what others say."""
    rooms = tuple(judge(x, now_ms) for x in sorted(heard, key=lambda x: (x.id, x.broker)))
    hands = [HandNow(r, _BROKEN[r.watch]) for r in rooms if r.watch != "here"]
    hands += [HandNow(r, n.urgency, n) for r in rooms if r.heard.said is not None for n in r.heard.said.needs]
    return OverviewNow(now_ms, tuple(sorted(hands, key=_place)), rooms, tuple(_hatching(rooms)), left_out)


def _place(x: HandNow) -> tuple[bool, int, bool, int, str]:
    since_ms = x.room.since_ms or x.room.word_ms if x.need is None else x.room.ours(x.need.since_ms)
    answered = x.need is not None and x.need.state == "answered"
    return answered, URGENCIES.index(x.urgency), x.need is not None, since_ms or 0, x.room.id


def _hatching(rooms: Sequence[RoomNow]) -> list[HatchNow]:
    found = [
        HatchNow(room, box, eggs, eggs.window)
        for room in rooms
        for box in room.heard.boxes
        for eggs in box.eggs
        if eggs.window is not None and eggs.waiting
    ]
    return sorted(found, key=lambda x: (x.window, x.room.id, x.eggs.lot))
