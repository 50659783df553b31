"""The API of other programs: the same words as the commands' JSON, described by ``/api/openapi.json``."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from hashlib import blake2b
from typing import Annotated, Any, Final

from starlette.routing import BaseRoute

from monitor.adapters.store import Once
from monitor.config.library import load_profile
from monitor.core.development.siblings import stories
from monitor.core.notices.answers import Answer
from monitor.core.notices.snapshot import DUE_INTERVALS
from monitor.core.notices.tasks import FEED_DAYS, day_of, tasks
from monitor.core.terms.events import OF_BOXES, EventKind, KeeperEvent
from monitor.core.terms.times import FIRST_YEAR, LAST_YEAR
from monitor.errors import EventRefused, UsageError
from monitor.page.api_calls import ApiAddress, Asking, Call, routes_of
from monitor.page.api_told import (
    AnswerToldJson,
    CorrectionToldJson,
    EnteredJson,
    NewEntryJson,
    ShelfToldJson,
    ShelvedJson,
)
from monitor.page.described import MOST_COUNTED, Long, Within
from monitor.page.room import PageRoom
from monitor.telling.as_json import rounded, utc
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.boxes import box_json
from monitor.telling.clutches import clutch_json, clutch_named, told_entry_json
from monitor.telling.forms import NoticeJson, NoticesJson, StateJson, TaskJson
from monitor.telling.forms_eggs import ClutchJson, ForecastJson, ToldEntryJson
from monitor.telling.forms_room import BoxJson, CourseJson, ProbesJson, WeightsJson
from monitor.telling.forms_season import SeasonJson
from monitor.telling.forms_species import ListedSpeciesJson, SpeciesJson
from monitor.telling.forms_stack import NoStackProfileJson, StackJson
from monitor.telling.hand import LOOKED_BACK, hand_json, needed
from monitor.telling.late_box import forecast_json
from monitor.telling.places import box_named, stack_named
from monitor.telling.stacks import LONGEST_H
from monitor.telling.todo import task_json
from monitor.telling.told import condition_json, notice_json, sent_by_notice

LONGEST_COURSE_DAYS: Final = 400
"""Over so many days at most a box is looked at at once: a season and its year."""
MOST_LISTED: Final = 500
FARTHEST: Final = 1_000_000
"""A list is passed over so far at most."""

_When = Annotated[str, Long(1, 40)]
_Name = Annotated[str, Long(1, 130)]
_Limit = Annotated[int, Within(1, MOST_LISTED)]
_Offset = Annotated[int, Within(0, FARTHEST)]


# -- the room ----------------------------------------------------------------------------------------------------------


def boxes(call: Call) -> list[BoxJson]:
    """Every box: temperature, limits, what develops in it."""
    picture = call.round()
    lots = {lot.lot.id: lot for lot in picture.lots}
    return [box_json(b, picture, lots, call.now_ms) for b in picture.boxes]


def box(call: Call) -> BoxJson:
    """One box."""
    wanted = box_named(call.room.settings.room, call.asked["box"])
    return next(b for b in boxes(call) if b["box"] == wanted.id)


def course(call: Call) -> CourseJson:
    """How warm a box was, and what happened in it."""
    from monitor.telling.course import boxes_over, checked_span, course_json, days_before
    from monitor.telling.times_told import time_told

    box, zone, now_ms = box_named(call.room.settings.room, call.asked["box"]), call.room.zone, call.now_ms
    days, since, until = (call.asked[name] for name in ("days", "from", "to"))
    if days is not None and (since or until):
        raise UsageError("days, and from and to, exclude each other", fix="give one of them")
    to_ms = min(time_told(until, zone, now_ms)[0], now_ms) if until else now_ms
    from_ms = time_told(since, zone, now_ms)[0] if since else days_before(1.0 if days is None else days, to_ms)
    from_ms, to_ms = checked_span(from_ms, to_ms, LONGEST_COURSE_DAYS)
    with call.room.at_hand() as room:
        room.derived.readings.follow_corrections()
        (found,) = boxes_over(room, [box], from_ms, to_ms)
    return course_json(found)


def probes(call: Call) -> ProbesJson:
    """Every probe: how it stands, and whether it can be believed."""
    from monitor.telling.probes import probes_json, probes_known

    with call.room.working_out() as room:
        return probes_json(probes_known(room, call.now_ms), call.now_ms)


def stack(call: Call) -> StackJson | NoStackProfileJson:
    """How warm a stack is by height, and what would mend it."""
    from monitor.telling.stacks import stack_json, stack_seen

    name = stack_named(call.room.settings.room, call.asked["stack"])
    picture = call.round()
    with call.room.at_hand() as room:
        room.derived.readings.follow_corrections()
        seen = stack_seen(room, picture, name, picture.now_ms, call.asked["hours"])
    return stack_json(seen, picture.now_ms, call.asked["wanted_c"])


def weights(call: Call) -> list[WeightsJson]:
    """What each box weighed, what it loses, and the water to give back."""
    from monitor.core.climate.water import usual
    from monitor.telling.weights import weight_json

    picture = call.round()
    return [weight_json(water, usual(water, picture.waters, picture.now_ms)) for water in picture.waters]


def task_list(call: Call) -> list[TaskJson]:
    """What is to be done."""
    picture = call.round()
    today = day_of(picture.now_ms, picture.zone)
    return [task_json(task, today) for task in tasks(picture, call.asked["days"])]


def state(call: Call) -> StateJson:
    """What needs a hand now, how old what is known is, and whether anybody watches."""
    picture, now_ms = call.room.last(), call.now_ms
    with call.room.at_hand() as room:
        found = needed(room.store.ledger.conditions().values(), room.store.ledger.notices(LOOKED_BACK))
        watched = room.store.watched and not call.room.stale()
    heard = {p.probe.id: p.last_ms for p in picture.probes} if picture is not None else {}
    ages = {name: None if at is None else max(now_ms - at, 0) / 1000 for name, at in heard.items()}
    return {
        "room": call.room.settings.room.name,
        "at": utc(now_ms),
        "watched": watched,
        "round_at": utc(picture.now_ms) if picture is not None else None,
        "round_age_s": rounded(max(now_ms - picture.now_ms, 0) / 1000, 1) if picture is not None else None,
        "needs": [hand_json(x) for x in found],
        "probes": [
            {
                "probe": p.id,
                "box": p.box,
                "last_at": utc(heard.get(p.id)),
                "age_s": rounded(ages.get(p.id), 1),
                "due_every_s": p.interval_s * DUE_INTERVALS,
            }
            for p in call.room.settings.room.probes
        ],
    }


# -- eggs --------------------------------------------------------------------------------------------------------------


def _page_of(call: Call, found: list[Any]) -> list[Any]:
    """The part of a list that is asked for."""
    return found[call.asked["offset"] : call.asked["offset"] + call.asked["limit"]]


def clutches(call: Call) -> list[ClutchJson]:
    """Every clutch with its whole account."""
    with call.room.at_hand() as room:
        return [clutch_json(c) for c in _page_of(call, list(room.store.account.clutches().values()))]


def clutch(call: Call) -> ClutchJson:
    """One clutch with its whole account."""
    with call.room.at_hand() as room:
        return clutch_json(clutch_named(room.store.account.clutches(), call.asked["clutch"]))


def forecast(call: Call) -> list[ForecastJson]:
    """When to expect the first pip, of eggs that lie in boxes or of all of one clutch."""
    picture, wanted = call.round(), call.asked["clutch"]
    told = stories(picture.lots, picture.now_ms, picture.zone)
    if wanted is None:
        return [forecast_json(x, picture.now_ms, told) for x in picture.lots if x.lot.open]
    with call.room.at_hand() as room:
        clutch_named(room.store.account.clutches(), wanted)
    return [forecast_json(x, picture.now_ms, told) for x in picture.lots if x.clutch.id == wanted]


def account(call: Call) -> list[ToldEntryJson]:
    """Every entry as it was told, corrections too, in the order of telling."""
    with call.room.at_hand() as room:
        return [told_entry_json(e, call.room.zone) for e in _page_of(call, room.store.account.events())]


def season(call: Call) -> SeasonJson:
    """The clutches laid in a year, looked back on."""
    from monitor.telling.season import laid_in, scene_of_season, season_json

    with call.room.working_out() as room:
        room.derived.follow(call.now_ms)
        name, found = laid_in(room, call.now_ms, call.asked["year"])
        return season_json(scene_of_season(room, name, found, call.now_ms, call.now_ms))


def species_list(call: Call) -> list[ListedSpeciesJson]:
    """Every profile."""
    from monitor.telling.species import listed_species

    return list(listed_species(call.room.settings.profiles_dir))


def species(call: Call) -> SpeciesJson:
    """One profile with its table and its papers."""
    from monitor.telling.species import species_json

    return species_json(load_profile(call.asked["species"], call.room.settings.profiles_dir))


# -- notices -----------------------------------------------------------------------------------------------------------


def notices(call: Call) -> NoticesJson:
    """What was told, newest first, and what is still true."""
    with call.room.at_hand() as room:
        found = _page_of(call, room.store.ledger.notices(call.asked["offset"] + call.asked["limit"]))
        sent = sent_by_notice(room.store.outbox.outgoing())
        conditions = [c for c in room.store.ledger.conditions().values() if c.up]
    return {
        "notices": [notice_json(n, sent.get(n.id, [])) for n in found],
        "conditions": [condition_json(c) for c in conditions],
    }


def notice(call: Call) -> NoticeJson:
    """One notice."""
    with call.room.at_hand() as room:
        found = room.store.ledger.notice(call.asked["number"])
        return notice_json(found, sent_by_notice(room.store.outbox.outgoing()).get(found.id, []))


def answer_notice(call: Call) -> NoticeJson:
    """Answer a notice: somebody knows, and sees to it."""
    with call.room.at_hand() as room:
        given = Answer("program", by=call.by)
        found, _ = room.store.ledger.answer_once(call.asked["number"], call.now_ms, given)
        told = notice_json(found, sent_by_notice(room.store.outbox.outgoing()).get(found.id, []))
    call.room.look_again(call.now_ms)
    return told


def shelve(call: Call) -> ShelvedJson:
    """Say nothing of a condition for a while; it stays listed."""
    kind, subject, for_s = (call.told[name] for name in ("kind", "subject", "for_s"))
    until_ms = call.now_ms + for_s * 1000 if for_s else None
    with call.room.at_hand() as room:
        room.store.ledger.shelve(kind, subject, until_ms, call.now_ms, call.by or "a program")
    call.room.look_again(call.now_ms)
    return {"kind": kind, "subject": subject, "until": utc(until_ms)}


# -- telling -----------------------------------------------------------------------------------------------------------


def new_entry(call: Call) -> EnteredJson:
    """Tell what happened to eggs."""
    from monitor.telling.entering import entry_of, looked_at

    told = {**call.told, "by": call.by}
    kind = EventKind(told.pop("kind"))
    everywhere = told.pop("all", False)
    if everywhere and kind is not EventKind.LOOKED:
        raise UsageError("only looks are told of all boxes at once", fix="leave all out")
    _whole(kind, told, everywhere=everywhere)

    def made_of(room: RoomAtHand) -> list[KeeperEvent]:
        event = entry_of(kind, told | _profile(told, room), room, call.now_ms)
        events = looked_at(event, room.store.account.clutches(event.at_ms)) if everywhere else [event]
        if not events:
            raise EventRefused("no eggs are waited for", fix="tell of one clutch what was seen")
        return events

    return _entered(call, made_of)


def correct_entry(call: Call) -> EnteredJson:
    """Put an entry right, or take it back."""
    from monitor.telling.entering import correction_of

    told = {**call.told, "by": call.by}
    withdraw, number = told.pop("withdraw", False), call.asked["number"]

    def made_of(room: RoomAtHand) -> list[KeeperEvent]:
        return [correction_of(number, told | _profile(told, room), room, call.now_ms, withdraw=withdraw)]

    return _entered(call, made_of)


def _profile(told: Mapping[str, Any], room: RoomAtHand) -> dict[str, str]:
    """The species that is told, by its id."""
    from monitor.telling.entering import species_of

    return {"species": species_of(told["species"], room.settings.profiles_dir)[0]} if "species" in told else {}


def _whole(kind: EventKind, told: Mapping[str, Any], *, everywhere: bool) -> None:
    """Whether all is told that no entry of its kind can be without. Raises UsageError."""
    needs = ["clutch"] if kind not in OF_BOXES and not everywhere else []
    needs += ["species", "eggs"] if kind is EventKind.LAID else ["box", "grams"] if kind in OF_BOXES else []
    if missing := [name for name in needs if name not in told]:
        raise UsageError(f"{kind.value} needs {' and '.join(missing)}", fix=f"tell {' and '.join(missing)}")


def _once(call: Call) -> Once | None:
    """The key under which something is told once, and a digest of what is told."""
    if not call.key:
        return None
    told = json.dumps([call.path, sorted(call.told.items())]).encode()
    return Once(call.key, blake2b(told, digest_size=16).hexdigest())


def _entered(call: Call, made_of: Callable[[RoomAtHand], list[KeeperEvent]]) -> EnteredJson:
    """What was told before with the same key, which may not be possible a second time; else what is told now."""
    once = _once(call)
    with call.room.at_hand() as room:
        made = room.store.account.told_with(once) if once is not None else []
        made = made or room.store.account.tell_all(made_of(room), once=once)
    call.room.look_again(call.now_ms)
    return {"entries": [told_entry_json(e, call.room.zone) for e in made]}


# -- addresses ---------------------------------------------------------------------------------------------------------

_IN_PATH: Final[Mapping[str, Asking]] = {
    x.name: x
    for x in (
        Asking("box", _Name, "the id of a box"),
        Asking("clutch", _Name, "the name of a clutch"),
        Asking("stack", _Name, "the id of a stack"),
        Asking("species", _Name, "the id of a profile"),
        Asking("number", Annotated[int, Within(1, MOST_COUNTED)], "the number of a notice or an entry"),
        Asking("year", Annotated[int, Within(FIRST_YEAR, LAST_YEAR)], "the year of laying"),
    )
}
_PAGE: Final = (
    Asking("limit", _Limit, "how many at most", 100),
    Asking("offset", _Offset, "how many to pass over", 0),
)
_SPAN: Final = (
    Asking(
        "days", Annotated[float, Within(0.01, LONGEST_COURSE_DAYS)], "the last so many days (one, if nothing is said)"
    ),
    Asking("from", _When, "instead: from this time on, as on the command line"),
    Asking("to", _When, "until this time"),
)
_STACK: Final = (
    Asking("hours", Annotated[float, Within(1, LONGEST_H)], "over the last so many hours", 24.0),
    Asking("wanted_c", Annotated[float, Within(0, 60)], "also at which height it is so warm, °C"),
)

ENDPOINTS: Final = (
    ApiAddress("GET", "/state", state, StateJson),
    ApiAddress("GET", "/boxes", boxes, list[BoxJson]),
    ApiAddress("GET", "/boxes/{box}", box, BoxJson),
    ApiAddress("GET", "/boxes/{box}/course", course, CourseJson, _SPAN),
    ApiAddress("GET", "/clutches", clutches, list[ClutchJson], _PAGE),
    ApiAddress("GET", "/clutches/{clutch}", clutch, ClutchJson),
    ApiAddress("GET", "/forecast", forecast, list[ForecastJson], (Asking("clutch", _Name, "the name of a clutch"),)),
    ApiAddress("GET", "/account", account, list[ToldEntryJson], _PAGE),
    ApiAddress("GET", "/notices", notices, NoticesJson, _PAGE),
    ApiAddress("GET", "/notices/{number}", notice, NoticeJson),
    ApiAddress("GET", "/probes", probes, ProbesJson),
    ApiAddress("GET", "/stacks/{stack}", stack, StackJson | NoStackProfileJson, _STACK),
    ApiAddress(
        "GET",
        "/tasks",
        task_list,
        list[TaskJson],
        (Asking("days", Annotated[int, Within(0, FEED_DAYS)], "how far ahead", 14),),
    ),
    ApiAddress("GET", "/weights", weights, list[WeightsJson]),
    ApiAddress("GET", "/species", species_list, list[ListedSpeciesJson]),
    ApiAddress("GET", "/species/{species}", species, SpeciesJson),
    ApiAddress("GET", "/season/{year}", season, SeasonJson),
    ApiAddress("POST", "/entries", new_entry, EnteredJson, body=NewEntryJson, status=201),
    ApiAddress("POST", "/entries/{number}/correct", correct_entry, EnteredJson, body=CorrectionToldJson, status=201),
    ApiAddress("POST", "/notices/{number}/answer", answer_notice, NoticeJson, body=AnswerToldJson),
    ApiAddress("POST", "/shelve", shelve, ShelvedJson, body=ShelfToldJson),
)


def routes(room: PageRoom) -> list[BaseRoute]:
    """The API of one room, with what describes it."""
    return routes_of(room, ENDPOINTS, _IN_PATH)
