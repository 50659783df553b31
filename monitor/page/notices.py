"""Notices: what is true and was told, what each asks for, an answer, and silence for a while."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from monitor.core.notices.answers import Answer
from monitor.core.terms.formats import name_eggs
from monitor.core.terms.settings import Room
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.page.forms import posting, who_enters
from monitor.page.pages import Pages, pages_of
from monitor.telling.hand import LOOKED_BACK, MOST_NAMED, Needed, needed
from monitor.telling.told import answered_words, sent_by_notice, waiting_words

SHOWN: Final = 40
MOST_NEEDS: Final = 16
"""So many kinds of what needs a hand stand with what to do and how to silence them; the others in a line each."""
SHELVED_MS: Final = {"6h": 6 * HOUR_MS, "1d": DAY_MS, "3d": 3 * DAY_MS, "7d": 7 * DAY_MS}


def notices_page(request: Request) -> Response:
    """What needs a hand, then what was told, the newest first."""
    pages = pages_of(request)
    with pages.room.at_hand() as room:
        notices = room.store.ledger.notices(max(LOOKED_BACK, SHOWN))
        conditions = list(room.store.ledger.conditions().values())
        sent = sent_by_notice(room.store.outbox.outgoing())
    now_ms = pages.room.now_ms()
    rows = [
        (n, pages.when(n.at_ms), answered_words(n, pages.room.zone), waiting_words(sent.get(n.id, [])))
        for n in notices[:SHOWN]
    ]
    room_known = pages.room.settings.room
    needs = [(x, needed_said(x, pages), boxes_named(x.subjects, room_known)) for x in needed(conditions, notices)]
    shelved = [
        (c, pages.when(c.shelved_until_ms))
        for c in conditions
        if c.shelved_until_ms is not None and c.shelved_until_ms > now_ms
    ]
    return pages.render(request, "notices.html", needs=needs, most_needs=MOST_NEEDS, rows=rows, shelved=shelved)


def notice_page(request: Request) -> Response:
    """One notice with all that it has to say."""
    pages = pages_of(request)
    with pages.room.at_hand() as room:
        notice = room.store.ledger.notice(request.path_params["number"])
        sent = sent_by_notice(room.store.outbox.outgoing()).get(notice.id, [])
        conditions = room.store.ledger.conditions()
    open_ones = [
        c for s in notice.subjects if (c := conditions.get((notice.kind, s))) is not None and c.up and not c.answered
    ]
    return pages.render(
        request,
        "notice.html",
        notice=notice,
        told=[line.strip() for line in notice.whole.splitlines() if line.strip()],
        answered=answered_words(notice, pages.room.zone),
        waiting=waiting_words(sent),
        to_answer=notice.answered_ms is None and (bool(open_ones) or notice.change == "drill"),
        still=[c.subject for c in open_ones],
        boxes=boxes_named(notice.subjects, pages.room.settings.room),
    )


def needed_said(x: Needed, pages: Pages) -> str:
    """What is true of whom, and since when, in the page's words."""
    whom = ", ".join(name_eggs(subject) for subject in x.subjects[:MOST_NAMED])
    if len(x.subjects) > MOST_NAMED:
        whom = pages.say("notices.and_more", named=whom, more=len(x.subjects) - MOST_NAMED)
    what = pages.say(f"kind.{x.kind}")
    if x.since_ms is None:
        return pages.say("notices.what", what=what, whom=whom)
    return pages.say("notices.since", what=what, whom=whom, when=pages.when(x.since_ms))


def boxes_named(subjects: Iterable[str], room: Room) -> list[str]:
    """Boxes that subjects are, lie in, or measure."""
    boxes = {box.id for box in room.boxes}
    of_probes = {p.id: p.box for p in room.all_probes if p.box is not None}
    named = (of_probes.get(s, s.rpartition("/")[2].partition("#")[0]) for s in subjects)
    return list(dict.fromkeys(name for name in named if name in boxes))


def answer(request: Request, fields: Mapping[str, str]) -> Response:
    """The keeper knows, and sees to it. To be answered twice is no mistake."""
    pages = pages_of(request)
    number = request.path_params["number"]
    with pages.room.at_hand() as room:
        room.store.ledger.answer_once(number, pages.room.now_ms(), Answer("page", by=who_enters(request)))
    pages.room.look_again(pages.room.now_ms())
    back = "/" if fields.get("back") == "room" else f"/notices/{number}"
    return RedirectResponse(back, 303)


def shelve(request: Request, fields: Mapping[str, str]) -> Response:
    """Nothing is told of a condition for a while, or it is told again from now on ("0")."""
    pages = pages_of(request)
    kind, subject, span = (fields.get(name, "")[:200] for name in ("kind", "subject", "for"))
    if span != "0" and span not in SHELVED_MS:
        raise HTTPException(400)
    now_ms = pages.room.now_ms()
    until_ms = None if span == "0" else now_ms + SHELVED_MS[span]
    with pages.room.at_hand() as room:
        room.store.ledger.shelve(kind, subject, until_ms, now_ms, who_enters(request) or "the page")
    pages.room.look_again(now_ms)
    return RedirectResponse("/notices", 303)


ROUTES: Final[list[BaseRoute]] = [
    Route("/notices", notices_page),
    Route("/notices/shelve", posting(shelve), methods=["POST"]),
    Route("/notices/{number:int}", notice_page),
    Route("/notices/{number:int}/answer", posting(answer), methods=["POST"]),
]
