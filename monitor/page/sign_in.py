"""Signing in and leaving."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Mapping
from typing import Final

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from monitor.core.terms.people import LONGEST_NAME, LONGEST_PASSPHRASE, Person
from monitor.errors import UnknownSubject
from monitor.page.door import ENTER, LEAVE, Doors, caller, turned_by
from monitor.page.forms import posting
from monitor.page.pages import pages_of

log = logging.getLogger("warmtally.page")

_LONGEST_WAY: Final = 500


def enter_page(request: Request) -> Response:
    """Name and passphrase are asked for."""
    return _page(request, 200, "", "", request.query_params.get("to", ""))


def sign_in(request: Request, fields: Mapping[str, str]) -> Response:
    """Let somebody in, or say why not."""
    doors, to = doors_of(request), fields.get("to", "")
    name, now_ms = fields.get("name", ""), doors.pages.room.now_ms()
    found = doors.tries.sign_in(name, fields.get("passphrase", ""), caller(request), now_ms, doors.today(now_ms))
    if not isinstance(found, Person):
        turned = turned_by(found)
        if found in ("wrong", "over"):
            # So often a log can bear it. Not what was typed as a name: it may be the passphrase.
            log.warning("somebody was not let in (%s)", found)
        return _page(request, turned.status, turned.words, name, to)
    log.info("%s signed in", found.name)
    response = RedirectResponse(inside(to), 303)
    response.headers.append("set-cookie", doors.tickets.cookie(doors.tickets.made(now_ms, found), now_ms))
    return response


def leave(request: Request, _: Mapping[str, str]) -> Response:
    """End this sign-in, for whoever has its cookie."""
    doors, visit = doors_of(request), request.state.visit
    if visit.who is not None and visit.who.way == "cookie":
        now_ms = doors.pages.room.now_ms()
        with contextlib.suppress(UnknownSubject):
            doors.file.leave(visit.who.name, visit.ticket.id, visit.ticket.last_ms, now_ms)
        log.info("%s left", visit.who.name)
    response = RedirectResponse(ENTER, 303)
    response.headers.append("set-cookie", doors.tickets.no_cookie())
    return response


def doors_of(request: Request) -> Doors:
    """The doors of the app that a request came to."""
    found = request.app.state.doors
    assert isinstance(found, Doors)
    return found


def inside(to: str) -> str:
    """Where somebody wanted to go, if that is a page of ours; else the room."""
    ours = to.startswith("/") and not to.startswith(("//", ENTER, LEAVE)) and "\\" not in to and to.isprintable()
    return to if ours and len(to) <= _LONGEST_WAY else "/"


def _page(request: Request, status: int, why: str, name: str, to: str) -> Response:
    pages = pages_of(request)
    return pages.render(
        request,
        "sign_in.html",
        status=status,
        why=pages.say(why) if why else "",
        todo=pages.say(f"{why}_do") if why else "",
        name=name[:LONGEST_NAME],
        to=inside(to),
        longest=LONGEST_PASSPHRASE,
    )


ROUTES: Final[list[BaseRoute]] = [
    Route(ENTER, enter_page),
    Route(ENTER, posting(sign_in, anybody=True), methods=["POST"]),
    Route(LEAVE, posting(leave, anybody=True), methods=["POST"]),
]
