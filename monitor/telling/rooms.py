"""Many rooms in words and as JSON: what needs a hand first, each room, and what will hatch."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import tzinfo
from typing import TYPE_CHECKING

from monitor.core.rooms.overview import HandNow, HatchNow, OverviewNow, RoomNow
from monitor.core.rooms.said import BoxSaid
from monitor.core.terms.formats import name_eggs, show_dates, show_lately, show_span, show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.telling.as_json import rounded, utc

if TYPE_CHECKING:
    from monitor.telling.forms_rooms import OverviewJson, RoomHandJson, RoomNowJson, RoomsBoxJson, RoomsHatchJson


class RoomsWords:
    """How an overview is told: in a zone and a unit, with the broker beside a room's id where there are several."""

    def __init__(self, now: OverviewNow, zone: tzinfo, unit: DisplayUnit, *, brokers: int = 1) -> None:
        self.now, self.zone, self.unit = now, zone, unit
        self._several = brokers > 1

    def when(self, at_ms: int) -> str:
        return show_lately(at_ms, self.zone, self.now.at_ms)

    def who(self, room: RoomNow) -> str:
        """The room, by its topic; its own name beside it where that is another."""
        where = f" at {room.heard.broker}" if self._several else ""
        return f"{room.id}{where}" + (f" ({room.name})" if room.name else "")

    def watch(self, room: RoomNow) -> str:
        """Whether a room is watched, and why not."""
        word = "" if room.word_ms is None else f"; last word {self.ago(room.word_ms)}"
        since = "" if room.since_ms is None else f" since {self.when(room.since_ms)}"
        if room.watch == "down":
            what = "the line to its broker is down" if room.heard.gone == "line" else "down"
            return f"{what}{since}: nobody watches{word}"
        if room.watch == "cut-off":
            return f"not heard{since}: no line to the broker{word}"
        if room.watch == "unclear":
            return room.heard.trouble + (": bring this program up to date" if room.heard.newer else "")
        if room.watch == "silent":
            clock = " (its clock is ahead)" if room.clock_unsure else ""
            return f"silent{word}{clock}" if word else "never heard"
        return "watched"

    def ago(self, at_ms: int) -> str:
        return f"{self.when(at_ms)} ({show_span(max(self.now.at_ms - at_ms, 0) / 1000)} ago)"

    def clock(self, room: RoomNow) -> str:
        """Of a clock that is wrong; empty for one that is right."""
        off_s = room.clock_off_ms / 1000
        return "" if not off_s else f"its clock is {show_span(abs(off_s))} {'behind' if off_s > 0 else 'ahead'}"

    def what(self, hand: HandNow) -> str:
        """What needs a hand, in which room, and since when."""
        room, need = hand.room, hand.need
        if need is None:
            return f"{self.who(room)}: {self.watch(room)}"
        more = need.subjects_in_all - len(need.subjects)
        whom = ", ".join(name_eggs(x) for x in need.subjects) + (f" and {more} more" if more > 0 else "")
        what = need.title or f"{need.kind.replace('-', ' ')}: {whom}"
        since_ms = room.ours(need.since_ms)
        since = "" if since_ms is None else f", since {self.when(since_ms)}"
        return f"{self.who(room)}: {what}{since}"

    def state(self, hand: HandNow) -> str:
        """Who has seen it, or how to answer it; empty of what is no notice."""
        need = hand.need
        if need is None:
            return ""
        old = "as it last said, " if hand.old else ""
        if need.state == "answered":
            at_ms = hand.room.ours(need.answered_ms)
            when = "" if at_ms is None else f", {self.when(at_ms)}"
            return f"{old}answered by {need.answered_by}{when}" if need.answered_by else f"{old}answered"
        if need.state == "back":
            return f"{old}back, over when it stays so"
        if hand.code:
            room = hand.room.heard.key if self._several else hand.room.id
            return f"{old}answer with: warmtally rooms answer {room} {need.notice}"
        return f"{old}nobody has answered" + ("" if need.notice is None else f"; notice {need.notice}")

    def temperature(self, room: RoomNow, box: BoxSaid) -> str:
        """A box's temperature of now; else that there is none, and the last with its time."""
        if room.true_now(box, self.now.at_ms) and box.temperature_c is not None:
            return show_temperature(box.temperature_c, self.unit) + (" estimated" if box.estimated else "")
        last_ms = room.ours(box.last_ms)
        if box.last_c is None or last_ms is None:
            return "no reading"
        return f"no reading (was {show_temperature(box.last_c, self.unit)}, {self.when(last_ms)})"

    def dates(self, hatch: HatchNow) -> str:
        """When they are expected."""
        low, _, high = (x + hatch.room.clock_off_ms for x in hatch.window)
        return show_dates(low, high, self.zone)

    def rest(self, hatch: HatchNow) -> str:
        """How many lie still, and how sure it is that this is so now."""
        pipped = f", {hatch.eggs.pipped} pipped" if hatch.eggs.pipped else ""
        old = ", as it last said" if hatch.room.watch != "here" else ""
        wait = hatch.eggs.wait_until_ms
        until = "" if wait is None else f", wait until {show_dates(wait, None, self.zone)}"
        return f"{hatch.eggs.waiting} still{pipped}{until}{old}"


def overview_json(now: OverviewNow, troubles: Mapping[str, str]) -> OverviewJson:
    """All of it, in UTC and Celsius."""
    return {
        "as_of": utc(now.at_ms),
        "needs": [hand_json(x) for x in now.hands],
        "rooms": [room_json(x, now.at_ms) for x in now.rooms],
        "hatching": [_hatch_json(x) for x in now.hatching],
        "left_out": now.left_out,
        "troubles": dict(troubles),
    }


def hand_json(x: HandNow) -> RoomHandJson:
    """What needs a hand."""
    need, ours = x.need, x.room.ours
    return {
        "room": x.room.id,
        "broker": x.room.heard.broker,
        "urgency": x.urgency,
        "watch": x.room.watch,
        "old": x.old,
        "kind": None if need is None else need.kind,
        "subjects": [] if need is None else list(need.subjects),
        "subjects_in_all": 0 if need is None else need.subjects_in_all,
        "since": utc(x.room.since_ms if need is None else ours(need.since_ms)),
        "state": None if need is None else need.state,
        "notice": None if need is None else need.notice,
        "title": None if need is None else need.title or None,
        "first": None if need is None else need.first or None,
        "answered_by": None if need is None else need.answered_by or None,
        "answered_at": None if need is None else utc(ours(need.answered_ms)),
        "may_answer": bool(x.code),
    }


def room_json(x: RoomNow, now_ms: int) -> RoomNowJson:
    """A room."""
    said = x.heard.said
    return {
        "room": x.id,
        "broker": x.heard.broker,
        "name": x.name or None,
        "watch": x.watch,
        "word": utc(x.word_ms),
        "since": utc(x.since_ms),
        "clock_off_s": round(x.clock_off_ms / 1000),
        "trouble": x.heard.trouble or None,
        "version": None if said is None else said.version or None,
        "page": None if said is None else said.page or None,
        "newest_reading": None if said is None else utc(x.ours(said.newest_ms)),
        "needs_in_all": 0 if said is None else said.needs_in_all,
        "boxes": [_box_json(x, b, now_ms) for b in x.heard.boxes],
        "boxes_unread": x.heard.boxes_unread,
    }


def _box_json(room: RoomNow, b: BoxSaid, now_ms: int) -> RoomsBoxJson:
    return {
        "box": b.box,
        "stack": b.stack,
        "temperature_c": rounded(b.temperature_c, 2) if room.true_now(b, now_ms) else None,
        "estimated": b.estimated,
        "last_c": rounded(b.last_c, 2),
        "last_at": utc(room.ours(b.last_ms)),
        "conditions": list(b.conditions),
    }


def _hatch_json(x: HatchNow) -> RoomsHatchJson:
    low, middle, high = (utc(at + x.room.clock_off_ms) for at in x.window)
    return {
        "room": x.room.id,
        "broker": x.room.heard.broker,
        "box": x.box.box,
        "lot": x.eggs.lot,
        "waiting": x.eggs.waiting,
        "pipped": x.eggs.pipped,
        "p10": low,
        "p50": middle,
        "p90": high,
        "wait_until": utc(x.room.ours(x.eggs.wait_until_ms)),
        "old": x.room.watch != "here",
    }
