"""The door before the app: who asks, whether they may, and what is said to who may not.

As long as nobody is entered, everybody on this computer may look and enter: the page then answers to this computer's
own names alone, and to no proxy, behind which others stand. Once somebody is entered, everybody signs in. Links that
answer a notice and the calendar carry their own leave, and are served to whoever has them.
"""

from __future__ import annotations

import datetime as dt
import hmac
import re
from collections.abc import Callable
from typing import Final, Literal
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.adapters.people import PeopleFile
from monitor.adapters.store import secret_of
from monitor.config.reach import is_local, reached_from_elsewhere
from monitor.core.terms.people import People, Person, ProgramToken, is_over
from monitor.core.terms.settings import PagePlace
from monitor.errors import PeopleUnreadable
from monitor.page.api_calls import FORM
from monitor.page.bounds import caller_of
from monitor.page.pages import Pages
from monitor.page.problems import PREFIX, problem
from monitor.page.sessions import Refused, Ticket, Tickets, Tries
from monitor.values import dataclass

OPEN: Final = ("/static/", "/a/", "/c/")
_OPEN_PATHS: Final = frozenset({"/manifest.webmanifest", "/offline", "/worker.js"})
"""Served to everybody: what carries its own leave, and what a page looks like; some browsers ask for that unnamed."""
ENTER: Final = "/enter"
LEAVE: Final = "/leave"
KEY_HEADER: Final = "x-form-key"
_SAFE: Final = frozenset({"GET", "HEAD"})
_FORMS: Final = ("application/x-www-form-urlencoded", "multipart/form-data")
_OF_A_PROXY: Final = frozenset(
    {"forwarded", "via", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto", "x-real-ip"}
)
_HOST: Final = re.compile(r"\[([^\]]*)\](?::\d+)?|([^:]*)(?::\d+)?")
_SAID: Final[dict[Refused, tuple[int, str]]] = {
    "wrong": (401, "sign_in.wrong"),
    "over": (403, "sign_in.over"),
    "enough": (429, "sign_in.enough"),
    "busy": (503, "sign_in.busy"),
}


@dataclass(frozen=True, slots=True)
class Who:
    """Who asks. ``name`` is empty where nobody had to say who they are."""

    name: str
    may_enter: bool
    way: Literal["open", "cookie", "token"]


@dataclass(frozen=True, slots=True)
class Turned:
    """Why somebody is turned away: a status, and which words say it."""

    status: int
    words: str


@dataclass(frozen=True, slots=True)
class Visit:
    """One request at the door. ``who`` is None for somebody who has to sign in first; ``fresh``: the ticket is to be
    handed out with the answer."""

    who: Who | None
    ticket: Ticket | None = None
    fresh: bool = False


def turned_by(why: Refused) -> Turned:
    """How it is said that somebody is not let in."""
    return Turned(*_SAID[why])


class Doors:
    """What the doors of one room's page have in common. Safe to use from several threads."""

    def __init__(self, pages: Pages) -> None:
        """Raises StoreError where there is no secret to sign with."""
        room = pages.room
        place = room.settings.page or PagePlace()
        self.pages = pages
        self.file = PeopleFile(room.settings.data_dir)
        self.tickets = Tickets(secret_of(room.settings.data_dir), secure=place.address.startswith("https:"))
        self.tries = Tries(self.file)
        self._reached = reached_from_elsewhere(place)

    def today(self, now_ms: int) -> dt.date:
        """The day in the room's zone."""
        return dt.datetime.fromtimestamp(now_ms / 1000, self.pages.room.zone).date()

    def visit(self, request: Request) -> Visit | Turned:
        """Who asks, or why they may not."""
        try:
            people = self.file.read()
        except PeopleUnreadable:
            return Turned(503, "sign_in.damaged")
        shown = request.headers.get("authorization")
        return self._by_cookie(request, people) if shown is None else self._by_token(request, shown)

    def _by_token(self, request: Request, shown: str) -> Visit | Turned:
        scheme, _, token = shown.partition(" ")
        if scheme.lower() != "bearer":
            return Turned(401, "sign_in.token")
        now_ms = self.pages.room.now_ms()
        found = self.tries.token(token.strip(), caller(request), now_ms, self.today(now_ms))
        if isinstance(found, ProgramToken):
            return Visit(Who(found.name, found.may == "enter", "token"))
        return Turned(401, "sign_in.token") if found == "wrong" else turned_by(found)

    def _by_cookie(self, request: Request, people: People) -> Visit | Turned:
        now_ms = self.pages.room.now_ms()
        ticket = self.tickets.read(request.headers.get("cookie", ""), now_ms)
        person = None if ticket is None else self.tickets.person_of(ticket, people, self.today(now_ms))
        if ticket is not None and person is not None:
            longer = self.tickets.renewed(ticket, now_ms)
            return Visit(_who(person), longer or ticket, fresh=longer is not None)
        if not people.people and (self._reached or not _from_here(request)):
            return Turned(403, "sign_in.nobody")
        who = None if people.people else Who("", may_enter=True, way="open")
        if ticket is None or ticket.name:
            return Visit(who, self.tickets.made(now_ms), fresh=True)
        longer = self.tickets.renewed(ticket, now_ms)
        return Visit(who, longer or ticket, fresh=longer is not None)

    def still(self, visit: Visit) -> Callable[[], bool]:
        """Whether what this request was let in for still holds: for answers that take long."""

        def holds() -> bool:
            try:
                people = self.file.read()
            except PeopleUnreadable:
                return False
            who, ticket, now_ms = visit.who, visit.ticket, self.pages.room.now_ms()
            if who is None or who.way == "open":
                return who is not None and not people.people
            if ticket is not None:
                return ticket.good(now_ms) and self.tickets.person_of(ticket, people, self.today(now_ms)) is not None
            return any(t.name == who.name and not is_over(t, self.today(now_ms)) for t in people.tokens)

        return holds

    def form_key(self, visit: Visit) -> str:
        """What a form of this visitor must bring along; of a program, which sends none, one that nobody knows."""
        ticket = visit.ticket or self.tickets.made(self.pages.room.now_ms())
        return self.tickets.form_key(ticket)

    def refuse(self, request: Request, turned: Turned) -> Response:
        """The page that says why not, and what to do."""
        words, todo = self.pages.say(turned.words), self.pages.say(f"{turned.words}_do")
        headers = {401: {"WWW-Authenticate": 'Bearer realm="Warmtally"'}, 429: {"Retry-After": "600"}}
        if _path(request).startswith(PREFIX):
            return problem(turned.status, words, todo, headers.get(turned.status))
        return self.pages.render(
            request, "turned.html", status=turned.status, headers=headers.get(turned.status), words=words, todo=todo
        )


class Door:
    """Stands before the app and tells it by ``request.state`` who asks.

    ``who`` and ``form_key``; ``visit``, and ``still``, which says later whether that still holds.
    """

    def __init__(self, app: ASGIApp, doors: Doors) -> None:
        self._app, self._doors = app, doors

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        request.state.who, request.state.form_key, request.state.outside = None, "", True
        if _path(request).startswith(OPEN) or _path(request) in _OPEN_PATHS:
            await self._app(scope, receive, send)
            return
        visit = self._doors.visit(request)
        if isinstance(visit, Visit):
            request.state.who, request.state.visit = visit.who, visit
            request.state.form_key = self._doors.form_key(visit)
            request.state.still, request.state.outside = self._doors.still(visit), visit.who is None
            turned = self._turned(request, visit)
        else:
            turned = visit
        if turned is None:
            await self._app(scope, receive, self._with_cookie(request, visit, send))
        elif turned.status == 401 and request.method in _SAFE and _by_a_browser(request):
            await RedirectResponse(f"{ENTER}?to={quote(_asked(request), safe='')}", 303)(scope, receive, send)
        else:
            response = await run_in_threadpool(self._doors.refuse, request, turned)
            await response(scope, receive, send)

    def _turned(self, request: Request, visit: Visit) -> Turned | None:
        """Why somebody who is known may not do this."""
        path = _path(request)
        if path == ENTER:
            return None
        if visit.who is None:
            return Turned(401, "sign_in.first")
        if request.method in _SAFE or path == LEAVE:
            return None
        if not visit.who.may_enter:
            return Turned(403, "sign_in.looks")
        if visit.who.way == "token" or _looked_at_later(request):
            return None
        key = request.headers.get(KEY_HEADER, "")
        ours = hmac.compare_digest(key.encode(), request.state.form_key.encode())
        return None if ours else Turned(403, "sign_in.key")

    def _with_cookie(self, request: Request, visit: Visit | Turned, send: Send) -> Send:
        """The answer with the cookie, where there is a new one to be handed out."""
        if isinstance(visit, Turned) or visit.ticket is None or not visit.fresh or request.method not in _SAFE:
            return send
        cookie = self._doors.tickets.cookie(visit.ticket, self._doors.pages.room.now_ms()).encode("ascii")

        async def sends(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", ()), (b"set-cookie", cookie)]}
            await send(message)

        return sends


def caller(request: Request) -> str:
    """Who counts as one when tries are counted."""
    return "" if request.client is None else caller_of(request.client.host)


def _who(person: Person) -> Who:
    return Who(person.name, person.may == "enter", "cookie")


def _from_here(request: Request) -> bool:
    """Whether somebody at this computer asks, by a name that no stranger's page can have made its own."""
    found = _HOST.fullmatch(request.headers.get("host", ""))
    host = "" if found is None else found[1] or found[2] or ""
    return is_local(host) and _OF_A_PROXY.isdisjoint(request.headers.keys())


def _looked_at_later(request: Request) -> bool:
    """Whether it is seen where this is read that no other site sent it: a form brings its key in a field, and the API
    takes nothing but JSON, which no other site can send unasked. What holds nothing could come from anywhere."""
    form = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if not _path(request).startswith(PREFIX):
        return form in _FORMS
    return request.method != "POST" or form == FORM or request.headers.get("content-length", "0") != "0"


def _by_a_browser(request: Request) -> bool:
    """Whether somebody sees what comes, and can sign in there."""
    stream = "text/event-stream" in request.headers.get("accept", "")
    return not (stream or _path(request).startswith(PREFIX) or "authorization" in request.headers)


def _asked(request: Request) -> str:
    query = request.scope["query_string"].decode("latin-1")
    return _path(request) + (f"?{query}" if query else "")


def _path(request: Request) -> str:
    """As it is routed. Put together with the host to an address and taken apart again, a host could change it."""
    return str(request.scope["path"])
