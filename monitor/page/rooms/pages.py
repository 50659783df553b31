"""The pages of an overview: all rooms, the calendar of all, one room in short, and an answer that is given."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import AsyncIterator, Callable, Mapping
from typing import Any, Final, Literal
from urllib.parse import urlsplit

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Route

from monitor.adapters.mqtt.rooms_answers import AnswerGiven
from monitor.adapters.mqtt.rooms_seen import RoomsSeen
from monitor.core.rooms.overview import HandNow, HatchNow, RoomNow
from monitor.core.rooms.said import LONGEST_NAME, BoxSaid, one_line
from monitor.core.terms.formats import name_eggs, show_dates, show_range, show_temperature
from monitor.page.forms import posting, who_enters
from monitor.page.live import LOOK_S, PATH, SIGN_S
from monitor.page.pages import Pages, pages_of
from monitor.page.problems import PREFIX
from monitor.page.texts import USUAL, table
from monitor.telling.rooms import overview_json
from monitor.values import dataclass

MOST_HANDS: Final = 30
OF_ONE: Final = 5
"""So much of what one room says needs a hand stands on the first page; all of it on that of the room."""
MOST_ROOMS: Final = 50
MOST_EXPECTED: Final = 200
"""So many of each stand on one page."""
LONGEST_SHOWN: Final = 60
"""Of a room's own name, which stands beside its id each time."""
FIRST_EXPECTED: Final = 8
EVERY_S: Final = 3.0
"""An open page is made anew at most so often, however many rooms speak."""
_NUMBER: Final = 9


@dataclass(frozen=True, slots=True)
class HandShown:
    """What needs a hand, as a page shows it. ``given``: the answer to it that was given here; ``answers``: whether it
    can be answered here."""

    hand: HandNow
    look: Literal["now", "today", "later"]
    what: str
    first: str
    state: str
    given: str
    answers: bool


@dataclass(frozen=True, slots=True)
class RoomShown:
    """A room, as a page shows it. ``span``: from the coolest box of now to the warmest."""

    room: RoomNow
    who: str
    watch: str
    span: str
    href: str


class RoomsShown:
    """One look at all rooms, in the words and the zone of the page."""

    def __init__(self, pages: Pages, seen: RoomsSeen) -> None:
        self.pages, self.seen, self.now = pages, seen, seen.last()
        self._several = len(seen.lines) > 1
        self._say, self._when = pages.say, pages.when

    def who(self, room: RoomNow) -> str:
        """A room by its topic, its broker where there are several, and its own name where that is another."""
        where = self._say("rooms.at", room=room.id, broker=room.heard.broker) if self._several else room.id
        return self._say("rooms.named", room=where, name=one_line(room.name, LONGEST_SHOWN)) if room.name else where

    def watch(self, room: RoomNow) -> str:
        """Whether a room is watched, and why not."""
        way: str = "line" if room.watch == "down" and room.heard.gone == "line" else room.watch
        if room.watch == "unclear":
            way = "newer" if room.heard.newer else "unclear"
        if room.watch == "silent":
            way = "ahead" if room.clock_unsure else "silent" if room.word_ms is not None else "never"
        told = [self._say(f"rooms.is_{way}")]
        if room.since_ms is not None and room.watch != "here":
            told.append(self._say("rooms.since", when=self._when(room.since_ms)))
        if room.word_ms is not None and room.watch != "here":
            told.append(self._say("rooms.word", when=self._when(room.word_ms)))
        if room.clock_off_ms:
            hours = f"{abs(room.clock_off_ms) / 3_600_000:.1f}"
            told.append(self._say("rooms.behind" if room.clock_off_ms > 0 else "rooms.clock_ahead", hours=hours))
        return ", ".join(told)

    def hand(self, hand: HandNow, who: Any) -> HandShown:
        """``who``: whoever looks, who may answer or not."""
        room, need, say = hand.room, hand.need, self._say
        if need is None:
            return HandShown(hand, hand.urgency, f"{self.who(room)}: {self.watch(room)}", "", "", "", answers=False)
        known = f"kind.{need.kind}" in table(USUAL)
        what = say(f"kind.{need.kind}") if known else need.kind.replace("-", " ") or say("rooms.something")
        whom, more = (
            one_line(", ".join(map(name_eggs, need.subjects)), LONGEST_NAME),
            need.subjects_in_all - len(need.subjects),
        )
        whom = say("notices.and_more", named=whom, more=more) if more > 0 else whom
        since_ms = room.ours(need.since_ms)
        told = say("notices.what", what=what, whom=whom)
        if since_ms is not None:
            told = say("notices.since", what=what, whom=whom, when=self._when(since_ms))
        given = self.seen.answers.of(room.heard.key, need.notice or need.told)
        may = bool(hand.code) and who is not None and who.may_enter and (given is None or given.outcome in ("refused", "nobody"))  # fmt: skip  # noqa: E501
        words = "" if given is None or need.state == "answered" else self.given(given)
        return HandShown(
            hand, hand.urgency, f"{self.who(room)}: {told}", need.first, self._state(hand), words, answers=may
        )

    def _state(self, hand: HandNow) -> str:
        need, say = hand.need, self._say
        assert need is not None
        old = f"{say('rooms.as_said')} " if hand.old else ""
        if need.state == "back":
            return old + say("notices.back")
        if need.state == "open":
            return old.strip()
        at_ms = hand.room.ours(need.answered_ms)
        if not need.answered_by or at_ms is None:
            return old + say("notices.answered")
        return old + say("rooms.seen_by", who=need.answered_by, when=self._when(at_ms))

    def given(self, x: AnswerGiven) -> str:
        """What came of an answer."""
        if x.outcome:
            return self._say(f"rooms.answer_{x.outcome}", words=x.words)
        return self._say("rooms.answer_sent" if x.sent else "rooms.answer_waits")

    def room(self, room: RoomNow) -> RoomShown:
        values = [b.temperature_c for b in room.heard.boxes if room.true_now(b, self.now.at_ms)]
        known = [v for v in values if v is not None]
        unit = self.pages.room.unit
        span = show_range(round(min(known), 1), round(max(known), 1), unit) if known else ""
        if known and round(min(known), 1) == round(max(known), 1):
            span = show_temperature(known[0], unit)
        return RoomShown(room, self.who(room), self.watch(room), self.pages.short(span), f"/room/{room.heard.key}")

    def temperature(self, room: RoomNow, box: BoxSaid) -> str:
        """Of now, or that there is none and the last with its time."""
        unit, say = self.pages.room.unit, self._say
        if room.true_now(box, self.now.at_ms) and box.temperature_c is not None:
            told = show_temperature(box.temperature_c, unit)
            if box.too_warm_c is not None and box.temperature_c >= box.too_warm_c:
                told += f", {say('picture.too_warm')}"
            elif box.too_cool_c is not None and box.temperature_c <= box.too_cool_c:
                told += f", {say('picture.too_cool')}"
            return f"{told} ({say('picture.estimated')})" if box.estimated else told
        last_ms = room.ours(box.last_ms)
        if box.last_c is None or last_ms is None:
            return say("picture.no_reading")
        return say("rooms.was", value=show_temperature(box.last_c, unit), when=self._when(last_ms))

    def hatching(self, x: HatchNow) -> tuple[str, str, str, str]:
        """A row of the calendar: the days, the room, the eggs, how many."""
        low, high = (self._day(at + x.room.clock_off_ms) for at in (x.window[0], x.window[2]))
        say = self._say
        many = say("picture.still", count=x.eggs.waiting)
        many += f", {say('picture.pipped', count=x.eggs.pipped)}" if x.eggs.pipped else ""
        wait_ms = x.room.ours(x.eggs.wait_until_ms)
        many += f", {say('picture.wait', day=self._day(wait_ms))}" if wait_ms else ""
        many += f" {say('rooms.as_said')}" if x.room.watch != "here" else ""
        days = low if low == high else say("days.to", **{"from": low, "to": high})
        return days, self.who(x.room), name_eggs(x.eggs.lot), many

    def _day(self, at_ms: int) -> str:
        return self.pages.short(show_dates(at_ms, None, self.pages.room.zone))


def _shown(request: Request) -> RoomsShown:
    seen = request.app.state.seen
    assert isinstance(seen, RoomsSeen)
    return RoomsShown(pages_of(request), seen)


def all_rooms_page(request: Request) -> Response:
    """What needs a hand, the rooms, and what hatches next."""
    shown = _shown(request)
    now, who = shown.now, getattr(request.state, "who", None)
    hands = now.foremost(OF_ONE)
    asked = request.query_params.get("from", "0")
    start = int(asked) if re.fullmatch("[0-9]{1,4}", asked) else 0
    return shown.pages.render(
        request,
        "all_rooms.html",
        changed_ms=shown.seen.changed_ms,
        looked_ms=now.at_ms,
        hands=[shown.hand(x, who) for x in hands[:MOST_HANDS]],
        hands_more=len(now.hands) - len(hands[:MOST_HANDS]),
        rooms=[shown.room(x) for x in now.rooms[start : start + MOST_ROOMS]],
        rooms_more=max(0, len(now.rooms) - start - MOST_ROOMS),
        rooms_from=start + MOST_ROOMS,
        count=len(now.rooms),
        watched=sum(x.watch == "here" for x in now.rooms),
        rows=[shown.hatching(x) for x in now.hatching[:FIRST_EXPECTED]],
        rows_more=max(0, len(now.hatching) - FIRST_EXPECTED),
        left_out=now.left_out,
        troubles=shown.seen.troubles,
        given=[(x, shown.given(x)) for x in shown.seen.answers.all()[:MOST_HANDS]],
    )


def rooms_told(request: Request) -> Response:
    """The same as JSON, for programs: as ``warmtally rooms --json`` has it."""
    shown = _shown(request)
    return JSONResponse(overview_json(shown.now, shown.seen.troubles))


def calendar_page(request: Request) -> Response:
    """What will hatch, in all rooms."""
    shown = _shown(request)
    rows = [shown.hatching(x) for x in shown.now.hatching[:MOST_EXPECTED]]
    return shown.pages.render(
        request,
        "rooms_calendar.html",
        changed_ms=shown.seen.changed_ms,
        looked_ms=shown.now.at_ms,
        rows=rows,
        rows_more=max(0, len(shown.now.hatching) - MOST_EXPECTED),
    )


def room_page(request: Request) -> Response:
    """One room in short, with the way to its own page."""
    shown = _shown(request)
    room = shown.now.room(f"{request.path_params['broker']}/{request.path_params['room']}")
    if room is None:
        raise HTTPException(404)
    who, said = getattr(request.state, "who", None), room.heard.said
    unit, page = shown.pages.room.unit, "" if said is None else said.page
    boxes = [
        (
            b.box,
            shown.temperature(room, b),
            " / ".join("-" if x is None else show_temperature(x, unit) for x in (b.too_cool_c, b.too_warm_c)),
            ", ".join(name_eggs(x.lot) for x in b.eggs),
        )
        for b in room.heard.boxes
    ]
    return shown.pages.render(
        request,
        "rooms_one.html",
        changed_ms=shown.seen.changed_ms,
        looked_ms=shown.now.at_ms,
        shown=shown.room(room),
        hands=[shown.hand(x, who) for x in shown.now.hands if x.room.heard.key == room.heard.key and x.need],
        needs_more=0 if said is None else max(0, said.needs_in_all - len(said.needs)),
        boxes=boxes,
        rows=[shown.hatching(x) for x in shown.now.hatching if x.room.heard.key == room.heard.key],
        own_page=page,
        own_host=urlsplit(page).netloc,
        version="" if said is None else said.version,
        history=shown.seen.settings.history is not None,
    )


def answer(request: Request, fields: Mapping[str, str]) -> Response:
    """Somebody knows, and sees to it: the answer is on the disk, and goes to the room."""
    shown = _shown(request)
    key, number = fields.get("room", "")[:200], fields.get("notice", "")
    if not number.isdecimal() or not number.isascii() or len(number) > _NUMBER:
        raise HTTPException(400)
    notice = int(number)
    hand = next(
        (h for h in shown.now.hands if h.room.heard.key == key and h.need is not None and h.need.notice == notice), None
    )
    if hand is None or not hand.code:
        raise HTTPException(409)
    try:
        shown.seen.answers.give(key, notice, who_enters(request) or shown.pages.room.settings.room.name)
    except (OSError, ValueError):
        raise HTTPException(503) from None
    return RedirectResponse(f"/room/{key}" if fields.get("back") == "room" else "/", 303)


async def told(
    seen: RoomsSeen, still: Callable[[], bool] = lambda: True, *, look_s: float = LOOK_S
) -> AsyncIterator[str]:
    """Server-sent events, as the page of a room has them: "round" when anything has changed, "sign" between."""
    known, silent_s, since_s = -1, SIGN_S, EVERY_S
    while still():
        event = ""
        if seen.changed_ms != known and since_s >= EVERY_S:
            known, silent_s, since_s, event = seen.changed_ms, 0.0, 0.0, "round"
        elif silent_s >= SIGN_S and seen.alive():
            silent_s, event = 0.0, "sign"
        if event:
            data = json.dumps({"round_ms": known, "now_ms": seen.now_ms(), "stale": not seen.alive()})
            yield f"event: {event}\ndata: {data}\n\n"
        await asyncio.sleep(look_s)
        silent_s, since_s = silent_s + look_s, since_s + look_s


async def live(request: Request) -> Response:
    """The stream."""
    return StreamingResponse(told(request.app.state.seen, request.state.still), media_type="text/event-stream")


ROUTES: Final[list[BaseRoute]] = [
    Route("/", all_rooms_page),
    Route("/calendar", calendar_page),
    Route(f"{PREFIX}rooms", rooms_told),
    Route("/room/{broker}/{room}", room_page),
    Route("/answer", posting(answer), methods=["POST"]),
    Route(PATH, live),
]
