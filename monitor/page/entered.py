"""What was entered: what changed because of it, taking it back, putting it right."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Final
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from monitor.core.notices.notice import Notice
from monitor.core.terms.balance import balance_of, ended_ms
from monitor.core.terms.events import COUNTED, LOST, OF_BOXES, Clutch, EventKind, KeeperEvent
from monitor.core.terms.projection import effective, project
from monitor.errors import EventRefused, MonitorError, UnknownSubject, UsageError
from monitor.page.enter import NO_STORE, Wrong, after, boxes_downwards, fields_of, known_now, once_of, told_before
from monitor.page.entry_words import FIELDS_OF, entry_said, value_of
from monitor.page.forms import posting, who_enters
from monitor.page.notices import boxes_named
from monitor.page.pages import Pages, new_key, pages_of
from monitor.page.questions import Choice, Question, decimal, per_cent, whole
from monitor.telling.entering import (
    MOVES_WINDOWS,
    WindowsMoved,
    bites,
    correction_of,
    species_of,
    standing,
    windows_moved,
)
from monitor.telling.hand import LOOKED_BACK, needed
from monitor.values import dataclass

if TYPE_CHECKING:
    from monitor.telling.at_hand import RoomAtHand

_K = EventKind
MOST_AT_ONCE: Final = 200
"""So many entries may have been told at once: a look into every box."""
_COUNTS: Final = ("eggs", *COUNTED, "slugs", "gone")


@dataclass(frozen=True)
class OnTo:
    """Where to go on."""

    href: str
    words: str


# -- what changed ------------------------------------------------------------------------------------------------------


def entered_page(request: Request) -> Response:
    """What was told, what changed because of it, and the way on."""
    return _entered(request)


def _entered(request: Request, wrong: Wrong | None = None) -> Response:
    pages = pages_of(request)
    first = request.path_params["number"]
    last = min(_number(request.query_params.get("to", "")) or first, first + MOST_AT_ONCE)
    with pages.room.at_hand() as room:
        events = room.store.account.events()
        made = [e for e in events if first <= e.id <= last]
        if not made:
            raise UnknownSubject(f"no entry {first}")
        stands = {e.id: e for e in effective(events)}
        clutches = project(events)
        moved = _moved(room, made, events, pages.room.now_ms())
        taken_back = made[0].withdrawn or not any(_root(e) in stands for e in made)
        ways = _ways(pages, room, made, clutches, taken_back=taken_back)
    clutch = clutches.get(made[0].clutch) if len({e.clutch for e in made}) == 1 else None
    return pages.render(
        request,
        "entered.html",
        status=200 if wrong is None else 409,
        headers=NO_STORE,
        said=[entry_said(pages, e) for e in made],
        made=made,
        taken_back=taken_back,
        corrected=made[0].corrects is not None and not made[0].withdrawn,
        moved=[x for m in moved for x in m.eggs],
        bites=bites() if any(m.bites for m in moved) else "",
        left=_left(clutch) if clutch is not None else [],
        balance=balance_of(clutch).words() if clutch is not None else "",
        undo=first if not taken_back and made[0].corrects is None else None,
        last=last,
        correct=_root(made[0]) if not taken_back and len(made) == 1 else None,
        ways=ways,
        wrong=wrong,
        key=new_key(),
    )


def _number(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 12 else 0


def _root(event: KeeperEvent) -> int:
    """The entry that it is, or that it puts right."""
    return event.id if event.corrects is None else event.corrects


def _moved(
    room: RoomAtHand, made: Iterable[KeeperEvent], events: Iterable[KeeperEvent], now_ms: int
) -> list[WindowsMoved]:
    """What became of the windows of each clutch that it was told of, against the account without it."""
    made = list(made)
    ids = {e.id for e in made}
    without = [e for e in events if e.id not in ids and e.corrects not in ids]
    named = dict.fromkeys(e.clutch for e in made if e.kind in MOVES_WINDOWS)
    try:
        before = project(without, now_ms)
    except MonitorError:
        # What was told since rests on it: there is no account without it.
        return []
    return [windows_moved(before[name], room, now_ms) for name in named if name in before]


def _left(clutch: Clutch) -> list[tuple[str, int, int]]:
    """Where its eggs lie: box, how many, how many of them have pipped."""
    return [(lot.box, lot.eggs, lot.inside) for lot in clutch.lots if lot.open and not lot.moved_on and lot.eggs]


def _ways(
    pages: Pages, room: RoomAtHand, made: list[KeeperEvent], clutches: Mapping[str, Clutch], *, taken_back: bool
) -> list[OnTo]:
    """Where to go on, the likely first."""
    event, say = made[0], pages.say
    box = event.to_box or event.box.rpartition("/")[2].partition("#")[0]
    ways = []
    clutch = clutches.get(event.clutch)
    if clutch is not None and not taken_back:
        if clutch.unplaced and event.kind in (_K.LAID, _K.SET):
            ways.append(OnTo(f"/clutch/{clutch.id}/enter/set", say("entered.set_next", count=clutch.unplaced)))
        if ended_ms(clutch) is not None and clutch.finished_ms is None:
            ways.append(OnTo(f"/clutch/{clutch.id}/enter/finished", say("entered.finish_next", clutch=clutch.id)))
    ways += [OnTo(f"/notices/{n.id}", say("entered.notice", title=n.title)) for n in _open_notices(room, box)]
    after_it = _next_box(room, clutches, box)
    if after_it and event.kind in (_K.LOOKED, _K.PIPPED, _K.HATCHED, _K.CANDLED, *OF_BOXES):
        ways.append(OnTo(f"/box/{quote(after_it)}", say("entered.next_box", box=after_it)))
    if box:
        ways.append(OnTo(f"/box/{quote(box)}", say("entered.box", box=box)))
    if clutch is not None:
        ways.append(OnTo(f"/clutch/{clutch.id}", say("entered.clutch", clutch=clutch.id)))
    return [*ways, OnTo("/", say("all.room"))]


def _open_notices(room: RoomAtHand, box: str) -> list[Notice]:
    """What was told of a box and nobody has answered: the most urgent, if it is not for later."""
    ledger = room.store.ledger
    found = needed(ledger.conditions().values(), ledger.notices(LOOKED_BACK)) if box else []
    pressing = [(x.notice, x.subjects) for x in found if x.notice is not None and x.urgency != "later"]
    return [notice for notice, subjects in pressing if box in boxes_named(subjects, room.settings.room)][:1]


def _next_box(room: RoomAtHand, clutches: Mapping[str, Clutch], box: str) -> str:
    """The next box in which eggs lie, from above to below; empty after the last."""
    full = {lot.box for c in clutches.values() for lot in c.lots if lot.open and lot.eggs > 0}
    boxes = boxes_downwards(room)
    rest = boxes[boxes.index(box) + 1 :] if box in boxes else []
    return next((b for b in rest if b in full), "")


# -- taking back, putting right ----------------------------------------------------------------------------------------


def undo(request: Request, told: Mapping[str, str]) -> Response:
    """Take back what was told: an entry, or all that were told with it."""
    pages = pages_of(request)
    first = request.path_params["number"]
    last = min(_number(told.get("to", "")) or first, first + MOST_AT_ONCE)
    try:
        with pages.room.at_hand() as room:
            now_ms, by = pages.room.now_ms(), {"by": who_enters(request)}
            made = told_before(request, told, room)
            if not made:
                events = [e.id for e in room.store.account.events() if first <= e.id <= last and e.corrects is None]
                back = [correction_of(number, by, room, now_ms, withdraw=True) for number in reversed(events)]
                made = room.store.account.tell_all(back, once=once_of(request, told))
    except (EventRefused, UnknownSubject) as error:
        return _entered(request, Wrong.of(error, pages))
    return after(request, made)


def correct_page(request: Request) -> Response:
    """What of an entry was wrong; ``?field=``: how it was."""
    pages = pages_of(request)
    with pages.room.at_hand() as room:
        event = standing(request.path_params["number"], room)
        boxes = known_now(room, pages).boxes
    return _correct(request, event, boxes, request.query_params.get("field", ""))


def correct(request: Request, told: Mapping[str, str]) -> Response:
    """Put one thing of an entry right."""
    pages = pages_of(request)
    number, name = request.path_params["number"], told.get("asked", "")
    with pages.room.at_hand() as room:
        event = standing(number, room)
        try:
            fields = {name: fields_of(told).get(name, ""), "by": who_enters(request)}
            new = correction_of(number, _changed(pages, name, fields, room), room, pages.room.now_ms())
            made = room.store.account.tell_all([new], once=once_of(request, told))
        except (EventRefused, UsageError, UnknownSubject) as error:
            boxes = known_now(room, pages).boxes
            return _correct(request, event, boxes, name, Wrong.of(error, pages), fields.get(name, ""))
    return after(request, made)


def _changed(pages: Pages, name: str, fields: Mapping[str, str], room: RoomAtHand) -> dict[str, object]:
    """One field as it was, by the names of a correction. Raises UsageError."""
    told: dict[str, object] = {"by": fields["by"]}
    value = fields[name]
    if not value and name not in ("note", "dam", "sire", "line"):
        raise UsageError(pages.say("correct.nothing"))
    if name in _COUNTS:
        told[name] = whole(value, pages.say(f"correct.{name}"))
    elif name == "grams":
        told[name] = decimal(value)
    elif name == "species":
        told[name] = species_of(value, room.settings.profiles_dir)[0]
    else:
        told[name] = per_cent(value) if name == "developed" else value
    return told


def _correct(
    request: Request,
    event: KeeperEvent,
    boxes: Iterable[str],
    name: str,
    wrong: Wrong | None = None,
    typed: str = "",
) -> Response:
    pages = pages_of(request)
    names = FIELDS_OF.get(event.kind, ())
    asked = None
    if name in names:
        asked = _asked_of(pages, event, name, boxes, typed)
    return pages.render(
        request,
        "correct.html",
        status=200 if wrong is None else 409,
        headers=NO_STORE,
        event=event,
        said=entry_said(pages, event),
        fields=[(x, pages.say(f"correct.{x}"), value_of(pages, event, x)) for x in names],
        asked=asked,
        wrong=wrong,
        key=new_key(),
        back=f"/clutch/{event.clutch}" if event.clutch else f"/box/{event.box}",
    )


def _asked_of(pages: Pages, event: KeeperEvent, name: str, boxes: Iterable[str], typed: str) -> Question:
    """The question how a field was."""
    given = typed or value_of(pages, event, name)
    words, about = pages.say(f"correct.ask_{name}"), ""
    if name in ("box", "to"):
        return Question(name, words, about, (), tuple(Choice(box, box) for box in boxes))
    if name == "how":
        choices = tuple(Choice(how, pages.say(f"entry.how_{how.replace('-', '_')}")) for how in LOST)
        return Question(name, words, about, (), choices)
    kinds = {"at": "moment", "not_yet_at": "moment", "note": "text", "grams": "decimal"}
    if name in ("at", "not_yet_at"):
        given = typed or given.replace(" ", "T") if not event.day_only or name != "at" else given
    return Question(name, words, about, typed="number" if name in _COUNTS else kinds.get(name, "line"), given=given)


ROUTES: Final[list[BaseRoute]] = [
    Route("/entered/{number:int}", entered_page),
    Route("/entry/{number:int}/undo", posting(undo), methods=["POST"]),
    Route("/entry/{number:int}/correct", correct_page, methods=["GET"]),
    Route("/entry/{number:int}/correct", posting(correct), methods=["POST"]),
]
