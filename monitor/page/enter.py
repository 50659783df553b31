"""What a keeper enters: one question a screen, until the entry is whole and told."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta, tzinfo
from hashlib import blake2b
from typing import TYPE_CHECKING, Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from monitor.adapters.store import Once
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.formats import show_since
from monitor.core.terms.times import HOUR_MS, MINUTE_MS
from monitor.errors import EntryUndecided, EventRefused, MonitorError, UnknownSubject, UsageError
from monitor.page.forms import posting, who_enters
from monitor.page.pages import Pages, new_key, pages_of
from monitor.page.questions import SEEN_FIRST, Choice, Growing, KnownEggs, Question, offered
from monitor.page.way_out import way_out
from monitor.telling.clutches import clutch_named
from monitor.telling.entering import entry_of, looked_at, species_of
from monitor.telling.places import box_named
from monitor.telling.species import species_to_choose
from monitor.values import dataclass

if TYPE_CHECKING:
    from monitor.telling.at_hand import RoomAtHand

FIELDS: Final = (
    "eggs_of", "place", "eggs", "alive", "others", "how", "to", "box", "grams", "note", "sure", "species", "clutch",
    "at", "not_yet_at", "slugs", "gone", "dam", "sire", "line", "developed",
)  # fmt: skip
"""What a form of an entry may bring."""
OF_LAYING: Final = ("slugs", "gone", "developed", "dam", "sire", "line")
"""What may be said beside of a clutch that is laid."""
LONGEST_WAIT_S: Final = 90 * 86_400
"""A telephone may have kept an entry so long before it sends it."""
NO_STORE: Final = {"Cache-Control": "no-store"}
"""A form has a key of its own: one that was pressed is not shown again by going back."""


@dataclass(frozen=True)
class Wrong:
    """Why an entry was not taken, and the way out; ``entry``: the one that says the same already."""

    what: str
    fix: str
    entry: int | None

    @classmethod
    def of(cls, error: MonitorError, pages: Pages) -> Wrong:
        where = f"{error.where}: " if error.where else ""
        return cls(f"{where}{error.what}", way_out(error.fix, pages.say), getattr(error, "entry", None))


def known_now(room: RoomAtHand, pages: Pages, *, species: bool = False) -> KnownEggs:
    """What can be told of now. ``species``: with those to choose from."""
    snapshot = pages.room.last()
    waters = () if snapshot is None else snapshot.waters
    return KnownEggs(
        room.store.account.clutches(),
        boxes_downwards(room),
        pages.say,
        species=species_to_choose(room.settings.profiles_dir) if species else (),
        weighed_g={w.box: w.weight_g for w in waters if w.weight_g is not None},
        water_ml={w.box: w.give_ml for w in waters if w.give_ml},
    )


def boxes_downwards(room: RoomAtHand) -> list[str]:
    """The boxes of each stack, from above to below."""
    stacks = room.settings.room.stacks
    return [b.id for b in sorted(room.settings.room.boxes, key=lambda b: (stacks.index(b.stack), -b.height_cm))]


def fields_of(told: Mapping[str, str]) -> dict[str, str]:
    """What of a form belongs to an entry. What was typed stands for what was not pressed."""
    # A browser ends the lines of a text in two signs.
    told = {name: value.replace("\r\n", "\n").strip() for name, value in told.items()}
    found = {name: told[name] for name in FIELDS if told.get(name)}
    for name in FIELDS:
        typed = told.get(f"{name}_typed", "")
        if typed and found.get(name, "other") in ("other", ""):
            found[name] = typed
    return found


def growing_of(request: Request, fields: Mapping[str, str], known: KnownEggs) -> Growing:
    """The entry that an address and a form make. Raises HTTPException for a kind that is none, UnknownSubject."""
    place = request.path_params
    try:
        kind = EventKind(place.get("what", "laid"))
    except ValueError:
        raise HTTPException(404) from None
    if box := place.get("box", ""):
        box_named(pages_of(request).room.settings.room, box)
    if clutch := place.get("clutch", ""):
        clutch_named(known.clutches, clutch)
    if kind is EventKind.CORRECT or (kind is EventKind.LAID) == bool(box or clutch):
        raise HTTPException(404)
    return Growing(kind, fields, known, box, clutch)


# -- pages -------------------------------------------------------------------------------------------------------------


def enter_page(request: Request) -> Response:
    """The first question of an entry. Nothing is told by looking."""
    pages = pages_of(request)
    asks_for = {name: request.query_params.get(name, "")[:200] for name in ("eggs_of",)}
    with pages.room.at_hand() as room:
        known = known_now(room, pages, species="what" not in request.path_params)
    growing = growing_of(request, fields_of(asks_for), known)
    return show(request, growing, growing.next() or growing.sure())


def enter(request: Request, told: Mapping[str, str]) -> Response:
    """An answer: the next question, or the entry is told. A contradiction is shown beside the question."""
    pages = pages_of(request)
    fields = fields_of(told)
    with pages.room.at_hand() as room:
        known = known_now(room, pages, species="what" not in request.path_params)
        growing = growing_of(request, fields, known)
        try:
            if made := told_before(request, told, room):
                return after(request, made)
            asked = growing.next()
            if asked is None:
                return after(request, _tell(request, growing, told, room))
            wrong = None
        except EntryUndecided as undecided:
            asked, wrong = growing.undecided(undecided), None
        except (EventRefused, UsageError, UnknownSubject) as error:
            asked, wrong = growing.without(told.get("asked", "")).next() or growing.sure(), Wrong.of(error, pages)
    return show(request, growing, asked, wrong=wrong, key=told.get("key", ""))


def show(request: Request, growing: Growing, asked: Question, *, wrong: Wrong | None = None, key: str = "") -> Response:
    """A question as a page; for a program that sends what was kept, why the entry is not whole."""
    pages = pages_of(request)
    if asks_json(request):
        what = wrong.what if wrong is not None else asked.words
        return JSONResponse({"what": what, "fix": wrong.fix if wrong is not None else ""}, 409 if wrong else 422)
    now_ms, zone = pages.room.now_ms(), pages.room.zone
    lot, beside = growing.lot, _beside(growing.kind)
    return pages.render(
        request,
        "enter.html",
        status=200 if wrong is None else 409,
        headers=NO_STORE,
        asked=asked,
        growing=growing,
        kind=growing.kind.value,
        pressed=growing.said(asked.name),
        kept=[(k, v) for k, v in growing.fields.items() if k != asked.name and not (asked.last and k in beside)],
        beside={name: growing.said(name) for name in beside} if asked.last else {},
        counted=OF_LAYING[:3],
        times=times_to_choose(now_ms, zone, pages),
        looked="" if lot is None or lot.looked_ms is None else show_since(lot.looked_ms, zone, now_ms),
        wrong=wrong,
        key=key or new_key(),
        back=f"/box/{growing.box}" if growing.box else f"/clutch/{growing.clutch}" if growing.clutch else "/",
        waits_as=_waits_as(growing, asked, pages),
    )


def more_of_box(request: Request) -> Response:
    """All that can be told of a box."""
    return _more(request, box=request.path_params["box"])


def more_of_clutch(request: Request) -> Response:
    """All that can be told of a clutch."""
    return _more(request, clutch=request.path_params["clutch"])


def _more(request: Request, *, box: str = "", clutch: str = "") -> Response:
    pages = pages_of(request)
    with pages.room.at_hand() as room:
        known = known_now(room, pages)
    if box:
        box_named(pages.room.settings.room, box)
    if clutch:
        clutch_named(known.clutches, clutch)
    kinds = [k.value for k in offered(known, box=box, clutch=clutch)]
    return pages.render(request, "enter_what.html", headers=NO_STORE, box=box, clutch=clutch, kinds=kinds)


# -- telling -----------------------------------------------------------------------------------------------------------


def _tell(request: Request, growing: Growing, told: Mapping[str, str], room: RoomAtHand) -> list[KeeperEvent]:
    """Tell the entry that is whole; of a look at a box, one for all eggs in it that are waited for."""
    pages = pages_of(request)
    now_ms = pages.room.now_ms()
    said = growing.told() | {"by": who_enters(request)}
    if said.get("at") == "other":
        raise UsageError(pages.say("entry.which_time"))
    if "species" in said:
        said["species"] = species_of(said["species"], room.settings.profiles_dir)[0]
    # What was kept on a telephone happened when it was pressed there: by how long it waited, as its clock may be wrong.
    event = entry_of(growing.entry_kind(), said, room, now_ms - 1000 * waited_s(told))
    event = replace(event, recorded_ms=now_ms)
    events = [event]
    if growing.kind is EventKind.LOOKED and growing.box:
        events = looked_at(replace(event, box=growing.box), room.store.account.clutches(event.at_ms))
        if not events:
            raise EventRefused(pages.say("entry.no_waiting", box=growing.box))
    return room.store.account.tell_all(events, once=once_of(request, told))


def looked_everywhere(request: Request, told: Mapping[str, str]) -> Response:
    """A look into every box in which eggs are waited for."""
    pages = pages_of(request)
    now_ms = pages.room.now_ms()
    with pages.room.at_hand() as room:
        look = entry_of(EventKind.LOOKED, {"by": who_enters(request)}, room, now_ms - 1000 * waited_s(told))
        events = looked_at(replace(look, recorded_ms=now_ms), room.store.account.clutches(look.at_ms))
        made = room.store.account.tell_all(events, once=once_of(request, told))
    if not made:
        raise EventRefused(pages.say("entry.no_waiting_anywhere"))
    return after(request, made)


def told_before(request: Request, told: Mapping[str, str], room: RoomAtHand) -> list[KeeperEvent]:
    """What the same form told already; nothing where it did not. Raises EntryThere where it said something else."""
    once = once_of(request, told)
    return [] if once is None else room.store.account.told_with(once)


def after(request: Request, made: list[KeeperEvent]) -> Response:
    """What was told stands: on to what changed because of it."""
    pages = pages_of(request)
    first, last = made[0].id, made[-1].id
    place = f"/entered/{first}" + (f"?to={last}" if last != first else "")
    if asks_json(request):
        return JSONResponse({"entered": [e.id for e in made], "address": place})
    pages.room.look_again(made[-1].recorded_ms)
    return RedirectResponse(place, 303)


def asks_json(request: Request) -> bool:
    return request.headers.get("accept", "").startswith("application/json")


def once_of(request: Request, told: Mapping[str, str]) -> Once | None:
    """The key of a form, and what it says: all but its key, and how long it waited on a telephone."""
    if not told.get("key"):
        return None
    said = sorted((k, v) for k, v in told.items() if k not in ("key", "waited_s", "asked"))
    digest = blake2b(json.dumps([request.url.path, said]).encode(), digest_size=16).hexdigest()
    return Once(told["key"], digest)


def waited_s(told: Mapping[str, str]) -> int:
    """For how long a telephone has kept what it sends. Raises UsageError."""
    text = told.get("waited_s") or "0"
    if re.fullmatch("[0-9]{1,8}", text) is None or int(text) > LONGEST_WAIT_S:
        raise UsageError(f"{text[:20]!r} is no time that an entry may have waited")
    return int(text)


# -- words -------------------------------------------------------------------------------------------------------------


def times_to_choose(now_ms: int, zone: tzinfo, pages: Pages) -> list[Choice]:
    """When it was, the likely first; each with its time of day."""

    def clock(at_ms: int) -> str:
        return f"{datetime.fromtimestamp(at_ms / 1000, zone):%H:%M}"

    found = [Choice("now", pages.say("entry.at_now"))]
    found.append(Choice("30 min ago", pages.say("entry.at_half_hour", at=clock(now_ms - 30 * MINUTE_MS))))
    found.append(Choice("1 h ago", pages.say("entry.at_hour", at=clock(now_ms - HOUR_MS))))
    now = datetime.fromtimestamp(now_ms / 1000, zone)
    if now.replace(hour=6, minute=0) < now - timedelta(hours=1):
        found.append(Choice("06:00", pages.say("entry.at_morning")))
    return [*found, Choice("yesterday 20:00", pages.say("entry.at_evening"))]


def _beside(kind: EventKind) -> tuple[str, ...]:
    """What may be said beside the last question, behind a fold."""
    if kind is EventKind.LAID:
        return (*OF_LAYING, "note")
    looks = ("not_yet_at",) if kind in SEEN_FIRST else ()
    return ("at", *looks) if kind is EventKind.NOTE else ("at", *looks, "note")


def _waits_as(growing: Growing, asked: Question, pages: Pages) -> str:
    """How the entry is named while it waits on a telephone; {} stands for the answer."""
    box, clutch = growing.box or growing.said("box"), growing.clutch or growing.said("clutch")
    kind = pages.say(f"entry.did_{growing.kind.value}")
    answer = "{}" if asked.name in ("eggs", "alive", "grams") else growing.said("eggs")
    key = "waits_in" if box else "waits_of" if clutch else "waits_new"
    return pages.say(f"entry.{key}", answer=answer, kind=kind, where=box or clutch).strip()


ROUTES: Final[list[BaseRoute]] = [
    Route("/box/{box}/enter", more_of_box),
    Route("/clutch/{clutch}/enter", more_of_clutch),
    *(
        route
        for place in ("/box/{box}/enter/{what}", "/clutch/{clutch}/enter/{what}", "/clutches/new")
        for route in (Route(place, enter_page, methods=["GET"]), Route(place, posting(enter), methods=["POST"]))
    ),
    Route("/looked-all", posting(looked_everywhere), methods=["POST"]),
]
